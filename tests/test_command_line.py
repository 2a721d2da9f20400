"""The command line as a person meets it: the demo, published trials, a sheet, and mistakes that cost one sentence."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe
from doe.__main__ import main

REFERENCE = Path(__file__).parent / "reference"
NUMBER = r"[-−]?\d+(?:\.\d+)?"


def run(*words, folder, **kwargs):
    """`python -m doe …` in its own process, in an empty folder."""
    env = os.environ | {"PYTHONPATH": str(Path(doe.__file__).parent.parent), "COLUMNS": "200"}
    return subprocess.run(
        [sys.executable, "-m", "doe", *map(str, words)],
        cwd=folder,
        env=env,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
        **kwargs,
    )


@pytest.fixture
def here(tmp_path, monkeypatch, capsys):
    """The same in this process, which has everything imported: for mistakes, of which there are many."""
    monkeypatch.chdir(tmp_path)

    def act(*words):
        monkeypatch.setattr(sys, "argv", ["doe", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        told = capsys.readouterr()
        return subprocess.CompletedProcess(words, ended.value.code, told.out, told.err)

    return act


@pytest.fixture(scope="module")
def demonstrated(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    return folder, run("demo", "--out", "out", folder=folder)


def test_the_demo_leaves_sheet_pictures_and_report(demonstrated):
    folder, done = demonstrated
    assert done.returncode == 0, done.stderr
    for kind in (
        "run_sheet.xlsx",
        "run_sheet.html",
        "records.csv",
        "study.json",
        "plan.json",
        "recipe.json",
        "report.html",
        "pictures/window.png",
    ):
        assert (folder / "out" / kind).stat().st_size > 500, kind
    for said in ("run_sheet.xlsx", "run_sheet.html", "records.csv", "pictures", "report.html"):
        assert str(Path("out") / said) in done.stdout
    assert "This trial is invented: nothing in it was measured." in done.stdout
    report = (folder / "out" / "report.html").read_text(encoding="utf-8")
    assert "invented" in report
    assert not re.search(r"""(?:src|href)=["'](?:https?:)?//""", report), "the report would fetch something"


@pytest.mark.slow
def test_the_demo_is_the_same_every_time(demonstrated, tmp_path):
    folder, first = demonstrated
    again = run("demo", "--out", "out", folder=tmp_path)
    assert again.stdout == first.stdout
    for name in ("run_sheet.html", "records.csv", "pictures/window.png"):
        assert (tmp_path / "out" / name).read_bytes() == (folder / "out" / name).read_bytes()


def coefficients(text, response):
    """Term → estimate, read off the printed fit of one response."""
    start = re.search(rf"^{response}\b.*least squares.*$", text, flags=re.MULTILINE)
    assert start, response
    block = text[start.start() :]
    lines = block[block.index("term estimate") :].splitlines()[1:]
    found = {}
    for line in lines:
        match = re.match(rf"\s*(\S.*?)\s+({NUMBER})\s+({NUMBER})\s", line)
        if not match:
            break
        found[match[1]] = float(match[2].replace("−", "-"))
    return found


def test_the_published_deposition_trial(tmp_path):
    """NIST/SEMATECH e-Handbook 5.4.7.3: 5.93 - 1.91 x1 - 0.22 x2 + 1.69 x1 x2, and 7.73 + 0.74 x1 + 0.50 x2 - 0.49 x1^2 (sources in expected.json)."""
    case = REFERENCE / "nist_cvd"
    done = run(
        *("analyse", case / "study.json", case / "records.csv", "--no-report", "--target", "0.5"),
        *(
            "--model",
            "uniformity=pressure,`gas ratio`,pressure:`gas ratio`",
            "--model",
            "stress=pressure,`gas ratio`,pressure^2",
        ),
        folder=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    want = json.loads((case / "expected.json").read_text(encoding="utf-8"))
    for response in ("uniformity", "stress"):
        found = list(coefficients(done.stdout, response).values())
        np.testing.assert_allclose(
            found, want[f"{response}_reduced"]["coef"], atol=0.0051
        )  # both are rounded to the second decimal
    assert "tungsten deposition, published trial" in done.stdout
    assert "gas ratio" in done.stdout


def test_the_published_capsule_trial(tmp_path):
    """Jo, Cho & Kim (2016), doi:10.13050/foodengprog.2015.20.3.204, Table 3: all 15 coefficients to the printed digits (notes in study.json)."""
    case = REFERENCE / "alginate_capsule_ccd"
    done = run("analyse", case / "study.json", case / "records.csv", "--no-report", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "Report  " not in done.stdout
    assert not list(tmp_path.iterdir())
    published = json.loads((case / "expected.json").read_text(encoding="utf-8"))["published_coefficients_coded"]
    found = coefficients(done.stdout, "sphericity")
    names = {
        "X1": "alginate",
        "X2": "`calcium chloride`",
        "X3": "agitation",
        "X4": "`dropping height`",
        "1": "intercept",
    }
    printed = {re.sub(r"X\d|^1$", lambda m: names[m[0]], term): value for term, value in published.items()}
    assert len(printed) == 15
    assert {k.replace("`", "") for k in printed} == {k.replace("`", "") for k in found}
    plain = {k.replace("`", ""): v for k, v in found.items()}
    for term, value in printed.items():
        assert plain[term.replace("`", "")] == pytest.approx(value, abs=0.0101), term  # last printed digit of either


def test_a_recipe_puts_weigh_outs_on_the_sheet(tmp_path):
    gel = doe.virtual.AfterSunGel()
    gel.study.save(tmp_path / "study.json")
    gel.recipe.save(tmp_path / "recipe.json")
    done = run(
        "sheet", "study.json", "--recipe", "recipe.json", "--batch-size", "150", "--out", "bench", folder=tmp_path
    )
    assert done.returncode == 0, done.stderr
    plan = doe.designs.Plan.load(tmp_path / "bench" / "plan.json")
    text = (tmp_path / "bench" / "run_sheet.html").read_text(encoding="utf-8")
    first = gel.recipe.weigh_out(plan.runs.iloc[0], 150.0)["grams"]
    assert all(f'<td class="grams">{mass}</td>' in text for mass in first)
    content = (
        (tmp_path / "recipe.json").read_text(encoding="utf-8").replace('"factor": "carbomer"', '"factor": "carbomr"')
    )
    (tmp_path / "recipe.json").write_text(content, encoding="utf-8")
    done = run("sheet", "study.json", "--recipe", "recipe.json", "--out", "again", folder=tmp_path)
    assert done.returncode == 2
    assert done.stderr.endswith(
        "'carbomr' is 'missing' but must be there, as the recipe is linked to it: did you mean 'carbomer'?\n"
    )
    assert not (tmp_path / "again" / "plan.json").exists()


def test_a_split_plot_is_analysed_by_its_strata(tmp_path):
    """Box (1996), Quality Engineering 8, 515-520 (source in the file): F 2.75, 11.48, 4.38 with 3, 9 and 9 denominator df."""
    import pandas as pd

    study = doe.Study(
        "corrosion",
        [
            doe.Categorical("temperature", ["t360", "t370", "t380"], hard_to_change=True),
            doe.Categorical("coating", ["C1", "C2", "C3", "C4"]),
        ],
        [doe.Response("resistance", low=100)],
    )
    study.save(tmp_path / "study.json")
    data = pd.read_csv(REFERENCE / "box_corrosion_splitplot" / "data.csv")
    data = data.rename(columns={"furnace_run": "whole_plot"}).drop(columns="replicate")
    data["temperature"] = "t" + data["temperature"].astype(str)
    data.to_csv(tmp_path / "records.csv", index=False)
    done = run("analyse", "study.json", "records.csv", "--model", "interaction", "--out", "out", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    for pattern in (
        r"temperature\s+2\s+3 2\.75 0\.2093",
        r"coating\s+3\s+9 11\.5 0\.0020",
        r"temperature:coating\s+6\s+9 4\.38 0\.0241",
    ):
        assert re.search(pattern, done.stdout)
    assert (
        "variances of whole plot and residual drawn (prior of Box & Tiao), a new batch in a new whole plot"
        in done.stdout
    )
    report = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert (
        "Batches made alike within whole plots differ by about 11; beyond that whole plots by 34 (standard deviation)."
        in report
    )
    assert "No window was sought" not in report
    assert "foretelling each whole plot from the others" in report
    assert (tmp_path / "out" / "pictures" / "resistance_residuals.png").exists()
    plain = run(
        *("analyse", "study.json", "records.csv", "--model", "interaction", "--no-report", "--least-squares"),
        folder=tmp_path,
    )
    assert plain.returncode == 0, plain.stderr
    assert "Least squares as asked, though batches share whole plots" in plain.stdout


@pytest.mark.slow
def test_a_sheet_and_back(tmp_path):
    """A study becomes a plan and a sheet; the readings become fits and a window."""
    gel = doe.virtual.AfterSunGel()
    gel.study.save(tmp_path / "study.json")
    done = run("sheet", "study.json", "--design", "central composite", "--out", "bench", "--seed", "3", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    plan = doe.designs.Plan.load(tmp_path / "bench" / "plan.json")
    assert list(plan.runs.index) != sorted(plan.runs.index)
    made = gel.make(plan, seed=2)
    made.save(tmp_path / "table.csv")
    done = run(
        "analyse",
        "study.json",
        "table.csv",
        "--reduce",
        "aicc",
        "--target",
        "0.8",
        "--seed",
        "5",
        "--no-report",
        folder=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    assert "The terms were chosen from these same readings" in done.stdout
    again = run("sheet", "study.json", "--out", "bench", folder=tmp_path)
    assert again.returncode == 2
    assert (
        again.stderr
        == "--out is 'bench' but must be a folder without plan.json: choose another folder, so that no filled-in sheet is lost.\n"
    )


def test_an_optimal_plan_from_the_command_line(tmp_path):
    study = doe.Study(
        "gel",
        [
            doe.Continuous("temperature", 20, 60, "°C", hard_to_change=True),
            doe.Continuous("polymer", 0.2, 0.6, "%", step=0.01),
            doe.Continuous("speed", 400, 1000, "rpm"),
        ],
        [doe.Response("viscosity", "Pa·s")],
        constraints=["1000 * polymer + speed <= 1400"],
    )
    study.save(tmp_path / "study.json")
    ask = ("sheet", "study.json", "--design", "optimal")
    done = run(*ask, "--runs", "10", "--model", "temperature,polymer,speed,polymer:speed", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    plan = doe.designs.Plan.load(tmp_path / "bench" / "plan.json")
    assert len(plan.runs) == 10
    assert plan.model.p == 5
    assert plan.whole_plot.nunique() == 5  # what the model needs, 2, and three more
    assert study.region.contains(plan.runs).all()
    assert "batch for batch" in done.stdout
    for words, sentence in (
        (ask, "--runs is 'left out' but must be given for an optimal plan: say how many batches you can make.\n"),
        (
            ("sheet", "study.json", "--runs", "9"),
            "--runs is 9 but must be left out, since central composite plans are what they are: take --design optimal.\n",
        ),
        (
            ("sheet", "study.json", "--model", "linear"),
            "--model is 'linear' but must be left out, since central composite plans are what they are: take --design optimal.\n",
        ),
    ):
        done = run(*words, folder=tmp_path)
        assert done.returncode == 2
        assert done.stderr == sentence


@pytest.fixture
def study_file(tmp_path):
    study = doe.Study(
        "gel",
        [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm")],
        [doe.Response("viscosity", "Pa·s")],
    )
    return study.save(tmp_path / "study.json")


GOOD = "run,polymer,speed,viscosity\n" + "".join(f"{i + 1},{p},{s},{8 + 20 * p + s / 900 + 0.1 * (i % 3)}\n" for i, (p, s) in enumerate(
    [(0.2, 400), (0.6, 400), (0.2, 1000), (0.6, 1000), (0.4, 700), (0.4, 700), (0.2, 700), (0.6, 700), (0.4, 400), (0.4, 1000)]))  # fmt: skip


def test_the_good_table_passes(study_file, tmp_path):
    (tmp_path / "records.csv").write_text(GOOD)
    done = run("analyse", "study.json", "records.csv", "--no-report", folder=tmp_path)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("records", "words", "pieces"),
    [
        (GOOD.replace("speed", "spede"), (), ["'spede'", "did you mean 'speed'?"]),
        (GOOD.replace("0.6,400", "0.6,fast"), (), ["fast", "number"]),
        (GOOD.replace("\n2,0.6,400", "\n1,0.6,400"), (), ["run", "1"]),
        ("run,polymer,speed,viscosity\n1,0.2,400,\n2,0.6,400,\n3,0.6,1000,\n", (), ["records.csv", "single reading"]),
        ("run,polymer,speed,viscosity\n1,0.2,400,5\n2,0.6,400,6\n3,0.6,1000,7\n", (), ["6 coefficients", "polymer^2"]),
        ("run,polymer,speed,viscosity\n" + "".join(f"{i},{p},{s},5\n" for i, (p, s) in enumerate([(0.2, 400), (0.6, 400), (0.2, 1000), (0.6, 1000)])),
         ("--model", "linear"), ["viscosity", "same"]),
        (GOOD, ("--model", "polymmer"), ["polymmer", "did you mean 'polymer'?"]),
        (GOOD, ("--model", "viscos=linear"), ["--model is 'viscos' but must be the name of a response"]),
        (GOOD, ("--reduce", "luck"), ["luck"]),
        (b"PK\x03\x04 cut short", (), ["records"]),
    ],
)  # fmt: skip
def test_a_mistake_costs_one_sentence(study_file, tmp_path, here, records, words, pieces):
    name = "records.csv" if isinstance(records, str) else "records.xlsx"
    (tmp_path / name).write_bytes(records.encode() if isinstance(records, str) else records)
    done = here("analyse", "study.json", name, *words)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert done.stderr.count("\n") == 1
    for piece in pieces:
        assert piece in done.stderr


def test_mistakes_around_files(study_file, tmp_path, here):
    for words in (
        ("analyse", "nowhere.json", "r.csv"),
        ("analyse", "study.json", "nowhere.csv"),
        ("sheet", "study.json", "--design", "latin cube"),
    ):
        done = here(*words)
        assert done.returncode == 2
        assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("--design is 'latin cube' but must be one of full factorial, ")
    (tmp_path / "blocked").write_text("a file, not a folder")
    done = run("demo", "--out", "blocked", folder=tmp_path)  # once as a process of its own
    assert done.returncode == 2
    assert done.stderr.startswith("--out is 'blocked' but must be a folder that can be made")


def test_the_lab_needs_jupyter(tmp_path, monkeypatch):
    import importlib.util

    from typer.testing import CliRunner

    from doe.__main__ import app

    there = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *a: None if name == "jupyterlab" else there(name, *a))
    outcome = CliRunner().invoke(app, ["lab", "--folder", str(tmp_path / "own")])
    assert isinstance(outcome.exception, doe.StudyError)
    assert str(outcome.exception) == (
        "JupyterLab is 'not installed' but must be installed to open notebooks: run: python -m pip install 'fewbatch[notebook]'."
    )
    calls = []
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *a: object())
    monkeypatch.setattr(subprocess, "call", lambda command, env: calls.append(command) or 0)
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "whole_job.ipynb").write_text("mine")
    outcome = CliRunner().invoke(app, ["lab", "--folder", str(tmp_path / "own"), "--no-browser"])
    assert outcome.exit_code == 0
    assert calls[0][-1] == "--no-browser"
    assert (tmp_path / "own" / "whole_job.ipynb").read_text() == "mine"


def test_the_sheet_of_another_plan_is_not_analysed(tmp_path):
    study = doe.Study("gel", [doe.Continuous("polymer", 0.2, 0.6, "%")], [doe.Response("viscosity", "Pa·s")])
    study.save(tmp_path / "study.json")
    ours, other = (
        doe.designs.Plan.from_frame(study, pd.DataFrame({"polymer": column}))
        for column in ([0.2, 0.4, 0.6], [0.2, 0.6])
    )
    ours.save(tmp_path / "plan.json")
    doe.bench.write_sheet(other, None, tmp_path / "sheet.csv")
    done = run("analyse", "study.json", "sheet.csv", "--plan", "plan.json", folder=tmp_path)
    assert done.returncode != 0
    assert done.stderr.strip().endswith(
        f"'sheet.csv': plan fingerprint is '{other.fingerprint}' but must be {ours.fingerprint}, that of --plan: give the plan whose sheet "
        "it is; if its runs are the same, say so to doe.bench.read_sheet by its answers."
    )
