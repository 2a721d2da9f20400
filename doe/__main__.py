"""The command line: python -m doe demo | plan | sheet | record | analyse | selftest | lab."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import pandas as pd
import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

import doe
from doe.study.errors import StudyError, nearest
from doe.study.files import folder_made, write_bytes, write_json
from doe.study.models import PRESETS

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Design of experiments for the bench chemist: from a described trial to a robust operating window and a report.",
)
console = Console(highlight=False, soft_wrap=True)

DESIGNS: dict[str, Callable[[doe.Study], doe.designs.Plan]] = {
    "full factorial": lambda study: doe.designs.full_factorial(study, centre=3),
    "fractional factorial": lambda study: doe.designs.fractional_factorial(study, resolution=4, centre=3),
    "plackett burman": doe.designs.plackett_burman,
    "definitive screening": doe.designs.definitive_screening,
    "central composite": lambda study: doe.designs.central_composite(study, axial="face"),
    "box behnken": doe.designs.box_behnken,
    "simplex lattice": lambda study: doe.designs.simplex_lattice(study, 2),
    "simplex centroid": doe.designs.simplex_centroid,
    "extreme vertices": doe.designs.extreme_vertices,
}
OPTIMAL = "optimal"

# JupyterLab, without a grammar of international web addresses that jsonschema offers: it is compiled anew at every start, which takes longer
# than all the rest of the server, and no schema of Jupyter's asks for it.
SERVER = "import sys; sys.modules['rfc3987_syntax'] = None; from jupyterlab.labapp import main; sys.exit(main())"


@contextmanager
def _progress(steps: int) -> Iterator[Callable[[str], None]]:
    """A bar over the steps of a command; each call says which step begins."""
    bar = Progress(
        TextColumn("{task.description:<34}"), BarColumn(), TimeElapsedColumn(), console=console, transient=True
    )
    with bar:
        task = bar.add_task("", total=steps)

        def begin(text: str) -> None:
            bar.update(task, description=text, advance=1)

        yield begin


def _folder(path: Path) -> Path:
    return folder_made(path, "--out")


def bundled(name: str) -> Path:
    """A folder that travels with the package ("data", "notebooks"): in the installed wheel, or in the repository."""
    package = Path(doe.__file__).parent
    for place in (package / "_bundled" / name, package.parent / name):
        if place.is_dir():
            return place
    raise StudyError("installation", f"without {name!r}", "whole", "install the package again")


def _spec(text: str) -> str | list[str]:
    """A model as typed: a name, or terms with commas."""
    text = text.strip()
    return text if text in PRESETS else [t.strip() for t in text.split(",")]


def _planned(study: doe.Study, design: str, runs: int | None, model: str | None, seed: int) -> doe.designs.Plan:
    """The plan that `sheet` was asked for."""
    if design not in DESIGNS and design != OPTIMAL:
        known = [*DESIGNS, OPTIMAL]
        raise StudyError("--design", design, "one of " + ", ".join(known), nearest(design, known))
    if design == OPTIMAL:
        if runs is None:
            raise StudyError("--runs", "left out", "given for an optimal plan", "say how many batches you can make")
        return doe.designs.optimal(study, _spec(model or "quadratic"), runs, seed=seed)
    for name, given in (("--runs", runs), ("--model", model)):
        if given is not None:
            raise StudyError(name, given, f"left out, since {design} plans are what they are", "take --design optimal")
    return DESIGNS[design](study)


def _models(study: doe.Study, given: list[str]) -> Any:
    """The `--model` options: one for all responses, or RESPONSE=MODEL for each; a model is a name or terms with commas."""
    if not given:
        return "quadratic"
    if len(given) == 1 and "=" not in given[0]:
        return _spec(given[0])
    names = [r.name for r in study.responses]
    models: dict[str, Any] = dict.fromkeys(names, "quadratic")
    for text in given:
        name, equals, rest = text.partition("=")
        if not equals:
            raise StudyError("--model", text, "RESPONSE=MODEL when there are several", 'write for example "pH=linear"')
        if name.strip() not in names:
            raise StudyError("--model", name.strip(), "the name of a response", nearest(name.strip(), names))
        models[name.strip()] = _spec(rest)
    return models


def _draw(folder: Path, fits: doe.fits.Fits, win: doe.window.Window) -> None:
    """Contours of every response over the two factors that matter most for the window: pictures that the report does without."""
    from doe import plots
    from doe.plots.look import png
    from doe.report.blocks import file_name
    from doe.report.sentences import moving_pair

    pair = moving_pair(win)
    if pair is None:
        return
    for name, fit in fits.items():
        write_bytes(_folder(folder) / f"{file_name(name)}_contours.png", png(plots.contours(fit, *pair)))


def _window(fits: doe.fits.Fits, target: float, seed: int) -> doe.window.Window | None:
    """The operating window, where there is a specification to meet."""
    asked = any(r.has_specification for r in fits.study.responses)
    return doe.find_window(fits, target=target, seed=seed) if asked else None


def _write_down(records: doe.bench.Records, fits: doe.fits.Fits, win: doe.window.Window | None, out: Path) -> Path:
    """The pictures and the report."""
    if win is not None:
        _draw(out / "pictures", fits, win)
    return doe.write_report(
        out / "report.html", fits.study, records.plan, records, fits, win, pictures=out / "pictures"
    )


def _drivers(fit: doe.fits.Fit) -> object:
    """What drives a response; the reason where it cannot be told, as of a fit reduced to its mean."""
    try:
        return fit.drivers()
    except StudyError as problem:
        return f"What drives {fit.response.label} cannot be told: {problem}"


def _say(*lines: object) -> None:
    for line in lines:
        console.print(str(line), markup=False)


@app.command()
def demo(
    out: Annotated[Path, typer.Option(help="Folder to write to; made if it is not there.")] = Path("doe_demo"),
) -> None:
    """Walk the whole job on the bundled invented trial: run sheet, records, fits, window, pictures, report."""
    with _progress(5) as begin:
        begin("reading the invented trial")
        trial = bundled("data") / "after_sun_gel"
        study = doe.Study.load(trial / "study.json")
        plan = doe.designs.Plan.load(trial / "plan.json")
        folder = _folder(out)
        begin("writing the run sheet")
        recipe = doe.virtual.AfterSunGel().recipe
        recipe.save(folder / "recipe.json")
        study.save(folder / "study.json")
        plan.save(folder / "plan.json")
        sheets = [
            doe.bench.write_sheet(plan, recipe, folder / f"run_sheet.{kind}", seed=None) for kind in ("xlsx", "html")
        ]
        table = write_bytes(folder / "records.csv", (trial / "records.csv").read_bytes())
        records = doe.bench.Records.from_frame(pd.read_csv(table), plan)
        begin("fitting the responses")
        fits = doe.fit_all(study, records)
        begin("finding the operating window")
        win = _window(fits, 0.95, 0)
        begin("drawing the pictures and writing the report")
        report = _write_down(records, fits, win, folder)
    _say(study, "", fits, "", win, "")
    _say("This trial is invented: nothing in it was measured.")
    _say(
        f"Run sheet (to fill in)   {sheets[0]}",
        f"Run sheet (to print)     {sheets[1]}",
        f"Records                  {table}",
    )
    _say(f"Pictures                 {folder / 'pictures'}", f"Report                   {report}")


@app.command()
def plan(
    study_file: Annotated[Path, typer.Argument(metavar="STUDY", help="The study, as JSON.")],
    model: Annotated[
        str, typer.Option(help="What is to be fitted: " + ", ".join(PRESETS) + ', or terms such as "A,B,A:B".')
    ] = "quadratic",
    runs: Annotated[
        int | None, typer.Option(help="How many batches; left out: the fewest that show what --sigma and --change say.")
    ] = None,
    sigma: Annotated[
        float | None,
        typer.Option(help="Standard deviation of batches made alike, on the fitted scale (log: 0.1 is about 10 %)."),
    ] = None,
    change: Annotated[
        list[str] | None,
        typer.Option(help="Change not to be overlooked, low to high, on the fitted scale; or TERM=CHANGE (repeat it)."),
    ] = None,
    ratio: Annotated[
        list[str] | None, typer.Option(help="The same for a log response: 1.5 for × 1.5; or TERM=RATIO (repeat it).")
    ] = None,
    power: Annotated[float, typer.Option(help="Chance with which it is to be seen.")] = 0.8,
    criterion: Annotated[
        str | None, typer.Option(help="What the search makes best: I (prediction), D or A (coefficients).")
    ] = None,
    repeated: Annotated[int, typer.Option(help="Batches that repeat a setting, to know the noise.")] = 0,
    precision: Annotated[
        float | None,
        typer.Option(help="Largest standard error of a predicted mean, on the fitted scale; for the fewest batches."),
    ] = None,
    whole_plots: Annotated[
        int | None, typer.Option(help="How often a factor that is hard to change is set anew; with --runs.")
    ] = None,
    blocks: Annotated[
        int | None, typer.Option(help="Days, lots or operators the batches are shared out among; with --runs.")
    ] = None,
    variance_ratio: Annotated[
        float, typer.Option(help="Variance between whole plots over that within, where a factor is hard to change.")
    ] = 1.0,
    seed: Annotated[int, typer.Option(help="Of the search and of the order of making.")] = 0,
    out: Annotated[Path, typer.Option(help="Folder to write to; made if it is not there.")] = Path("bench"),
) -> None:
    """Choose the batches, by their number or by what they are to show: plan.json, and check.html, what the plan buys."""
    from doe.commands import chosen_plan, write_check_page
    from doe.commands.choosing import sizes_of

    study = doe.Study.load(study_file)
    changes, ratios = sizes_of("--change", change or []), sizes_of("--ratio", ratio or [])
    folder = _folder(out)
    _free(folder, "plan.json", "check.html")
    with _progress(2) as begin:
        begin("searching for the plan")
        chosen = chosen_plan(
            study,
            _spec(model),
            runs,
            sigma,
            changes,
            ratios,
            power,
            criterion,
            repeated,
            seed,
            precision=precision,
            whole_plots=whole_plots,
            blocks=blocks,
            variance_ratio=variance_ratio,
        )
        begin("writing the page")
        page = write_check_page(folder / "check.html", chosen)
        chosen.plan.save(folder / "plan.json")
    _say(chosen, "", f"Plan                     {folder / 'plan.json'}", f"What it buys             {page}")


def _free(folder: Path, *names: str) -> None:
    """Refuse a folder that holds one of these files already."""
    for kept in names:
        if (folder / kept).exists():
            raise StudyError(
                "--out",
                str(folder),
                f"a folder without {kept}",
                "choose another folder, so that no filled-in sheet is lost",
            )


def _plan_of(study: doe.Study, study_file: Path, plan_file: Path) -> doe.designs.Plan:
    """A plan from its file; refused where it is of another study."""
    made = doe.designs.Plan.load(plan_file)
    if made.study.fingerprint != study.fingerprint:
        raise StudyError(
            "--plan",
            str(plan_file),
            f"a plan of the study {study.name!r} as it stands in {str(study_file)!r}",
            "give the study the plan was made from",
        )
    return made


@app.command()
def sheet(
    study_file: Annotated[Path, typer.Argument(metavar="STUDY", help="The study, as JSON.")],
    design: Annotated[
        str | None,
        typer.Option(help="Which plan: " + ", ".join([*DESIGNS, OPTIMAL]) + "; central composite if left out."),
    ] = None,
    plan: Annotated[
        Path | None, typer.Option(help="A plan made before, as JSON: its sheet is written, in its order of making.")
    ] = None,
    runs: Annotated[int | None, typer.Option(help="Batches of an optimal plan.")] = None,
    model: Annotated[
        str | None,
        typer.Option(help="What an optimal plan is to fit: " + ", ".join(PRESETS) + ', or terms such as "A,B,A:B".'),
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder to write to; made if it is not there.")] = Path("bench"),
    readings: Annotated[int, typer.Option(help="Entry columns a response, for the same batch read again.")] = 1,
    seed: Annotated[int | None, typer.Option(help="Draws the order of making; 0 if left out.")] = None,
    recipe: Annotated[Path | None, typer.Option(help="The recipe, as JSON: adds a weigh-out page a batch.")] = None,
    batch_size: Annotated[float | None, typer.Option(help="Grams of each batch; 200 with a recipe.")] = None,
) -> None:
    """Plan a study and write its run sheet: plan.json, run_sheet.xlsx to fill in, run_sheet.html to print."""
    study = doe.Study.load(study_file)
    made_by = None if recipe is None else doe.bench.Recipe.load(recipe)
    if plan is not None:
        for name, given in (("--design", design), ("--runs", runs), ("--model", model), ("--seed", seed)):
            if given is not None:
                raise StudyError(name, given, "left out with --plan", "the plan is made already, with its order")
        made = _plan_of(study, study_file, plan)
    else:
        seed = 0 if seed is None else seed
        made = _planned(study, design or "central composite", runs, model, seed).randomised(seed)
    folder = _folder(out)
    there = plan is not None and (folder / "plan.json").exists() and plan.samefile(folder / "plan.json")
    _free(folder, *([] if there else ["plan.json"]), "run_sheet.xlsx", "run_sheet.html")
    sheets = [
        doe.bench.write_sheet(made, made_by, folder / f"run_sheet.{kind}", batch_size, seed=None, readings=readings)
        for kind in ("xlsx", "html")
    ]
    if not there:
        made.save(folder / "plan.json")
    _say(made, "", f"Plan                     {folder / 'plan.json'}")
    _say(f"Run sheet (to fill in)   {sheets[0]}", f"Run sheet (to print)     {sheets[1]}")


@app.command()
def record(
    plan_file: Annotated[Path, typer.Argument(metavar="PLAN", help="The plan, as JSON.")],
    sheets: Annotated[
        list[Path], typer.Argument(metavar="SHEET...", help="The sheet as it came back (.xlsx or .csv), or several.")
    ],
    answer: Annotated[
        list[str] | None, typer.Option(help="CELL=ANSWER to a question that was listed (repeat it).")
    ] = None,
    answers: Annotated[Path | None, typer.Option(help="Answers as JSON: a mapping from cell to answer.")] = None,
    why: Annotated[str, typer.Option(help="The reason, where a reading recorded before is corrected.")] = "",
    who: Annotated[str | None, typer.Option(help="Who records; the account if left out.")] = None,
    on: Annotated[str | None, typer.Option(help="Day of the list of what is due; today if left out.")] = None,
    ahead: Annotated[int, typer.Option(help="Days that the list looks ahead.")] = 7,
    recipe: Annotated[
        Path | None,
        typer.Option(help="The recipe, as JSON: what was weighed off its target then gives settings as made."),
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder of the records; made if it is not there.")] = Path("records"),
) -> None:
    """Take the returned sheet up: records.csv, what is in doubt, what is new since last time, what is due."""
    from doe.commands import answers_from, recorded

    made = doe.designs.Plan.load(plan_file)
    said = answers_from(answer or [], answers)
    made_by = None if recipe is None else doe.bench.Recipe.load(recipe)
    taken = recorded(made, sheets, _folder(out), said, why, who, on, ahead, made_by)
    _say(taken, "", f"Records                  {taken.files[0]}", f"With their history       {taken.files[1]}")


@app.command()
def analyse(
    study_file: Annotated[Path, typer.Argument(metavar="STUDY", help="The study, as JSON.")],
    records_file: Annotated[
        Path,
        typer.Argument(
            metavar="RECORDS", help="A filled-in run sheet, or a .csv or .xlsx table of settings and readings."
        ),
    ],
    out: Annotated[Path, typer.Option(help="Folder to write to; made if it is not there.")] = Path("results"),
    plan: Annotated[Path | None, typer.Option(help="The plan whose run sheet it is, as JSON.")] = None,
    model: Annotated[
        list[str] | None,
        typer.Option(
            help="A model for all responses, or RESPONSE=MODEL (repeat it): "
            + ", ".join(PRESETS)
            + ', or terms such as "A,B,A:B".'
        ),
    ] = None,
    reduce: Annotated[str | None, typer.Option(help="Drop terms by aicc, bic or p, keeping parents.")] = None,
    target: Annotated[float, typer.Option(help="Chance that the ranges of the window must hold.")] = 0.95,
    seed: Annotated[int, typer.Option(help="Seed of the window's draws.")] = 0,
    least_squares: Annotated[
        bool, typer.Option("--least-squares", help="Accept least squares where a factor is hard to change.")
    ] = False,
    report: Annotated[
        bool, typer.Option(help="Draw the pictures and write the report; without them the answer is there much sooner.")
    ] = True,
) -> None:
    """Learn from records: fits, operating window, pictures and report."""
    with _progress(4 if report else 3) as begin:
        begin("reading")
        study = doe.Study.load(study_file)
        if plan is None:
            records = doe.bench.read_table(records_file, study)
        else:
            made = _plan_of(study, study_file, plan)
            records = doe.bench.read_sheet(records_file, made)
            if "plan fingerprint" in set(records.questions["cell"]):
                raise StudyError(
                    f"{str(records_file)!r}: plan fingerprint",
                    records.questions["found"].iloc[0],
                    f"{made.fingerprint}, that of --plan",
                    "give the plan whose sheet it is; if its runs are the same, say so to doe.bench.read_sheet by its answers",
                )
        begin("fitting the responses")
        fits = doe.fit_all(
            study, records, model=_models(study, model or []), method="least squares" if least_squares else None
        )
        if reduce is not None:
            fits = fits.reduced(by=reduce)
        begin("finding the operating window")
        win = _window(fits, target, seed)
        if report:
            begin("drawing the pictures and writing the report")
            page = _write_down(records, fits, win, _folder(out))
    _say(records, "", fits)
    for fit in fits.values():
        _say("", fit, fit.equation(), "", _drivers(fit))
    if win is not None:
        _say("", win)
    if len(records.problems):
        _say("", f"{len(records.problems)} cells were not taken as they stand; the report lists each with its reason.")
    if report:
        _say("", f"Pictures                 {out / 'pictures'}", f"Report                   {page}")


@app.command()
def selftest(
    out: Annotated[Path, typer.Option(help="Folder to write to; made if it is not there.")] = Path("selftest"),
    full: Annotated[bool, typer.Option("--full", help="More simulated trials and narrower limits: minutes.")] = False,
    seed: Annotated[int, typer.Option(help="Of everything simulated.")] = 0,
    jobs: Annotated[
        int, typer.Option(help="Processes for the simulated trials; they change nothing but the time.")
    ] = 1,
) -> None:
    """Check this installation against known answers and simulated truth; selftest.html (with --full selftest_full.html) is a page to file."""
    from doe.calibration import calibrated, write_dossier

    folder = _folder(out)
    trial = bundled("data") / "after_sun_gel"
    study = doe.Study.load(trial / "study.json")
    made = doe.designs.Plan.load(trial / "plan.json")
    records = doe.bench.Records.from_frame(pd.read_csv(trial / "records.csv"), made)
    with _progress(6) as begin:
        dossier = calibrated(study, made, records, "full" if full else "quick", seed, begin, n_jobs=jobs)
        page = write_dossier(folder / ("selftest_full.html" if full else "selftest.html"), dossier)
    _say(dossier, "", f"Page to file             {page}")
    if not dossier.holds:
        first = dossier.failing[0]
        raise StudyError(
            f"self-test: {first.what}",
            first.found,
            first.allowed,
            f"read {page}, and do not rely on this installation before it is explained; {len(dossier.failing)} of {len(dossier.findings)} checks failed",
        )


@app.command()
def lab(
    folder: Annotated[Path, typer.Option(help="Where your copies of the notebooks live.")] = Path("doe_notebooks"),
    browser: Annotated[bool, typer.Option(help="Open a browser window.")] = True,
) -> None:
    """Open the notebooks in JupyterLab, on copies of your own; a copy that is there already is left as it is."""
    if importlib.util.find_spec("jupyterlab") is None:
        raise StudyError(
            "JupyterLab",
            "not installed",
            "installed to open notebooks",
            "run: python -m pip install 'fewbatch[notebook]'",
        )
    own = _folder(folder)
    for notebook in sorted(bundled("notebooks").glob("*.ipynb")):
        if not (own / notebook.name).exists():
            shutil.copyfile(notebook, own / notebook.name)
    _say(f"Your notebooks are in {own}. Stop with Ctrl-C.")
    command = [sys.executable, "-c", SERVER, f"--ServerApp.root_dir={own.resolve()}"]
    with _without_announcements() as environment:
        status = subprocess.call(command + ([] if browser else ["--no-browser"]), env=environment)
    raise typer.Exit(status)


@contextmanager
def _without_announcements() -> Iterator[dict[str, str]]:
    """An environment in which JupyterLab neither looks for news and newer versions nor asks whether it may: nothing here needs a network.

    A folder of settings beside a person's own, which stay as they are.
    """
    with tempfile.TemporaryDirectory() as place:
        settings = Path(place) / "labconfig" / "page_config.json"
        settings.parent.mkdir()
        write_json(settings, {"disabledExtensions": {"@jupyterlab/apputils-extension:announcements": True}})
        others = os.environ.get("JUPYTER_CONFIG_PATH")
        yield {**os.environ, "JUPYTER_CONFIG_PATH": os.pathsep.join([place, *([others] if others else [])])}


def main() -> None:
    """Run the command line: exit status 0, or 2 and one clear sentence about what is wrong."""
    try:
        app()
    except StudyError as problem:
        print(problem, file=sys.stderr)
        raise SystemExit(2) from problem


if __name__ == "__main__":
    main()
