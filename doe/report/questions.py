"""The chapters of a dossier, one question each, from a trial's results."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as installed
from typing import Any

import numpy as np
import pandas as pd

from doe import plots
from doe.bench import Records
from doe.bench.intake import readings_in
from doe.bench.means import batch_means
from doe.bench.measured import all_measured
from doe.bench.numerals import reading_text
from doe.designs import Plan
from doe.designs.plan import column_text, version
from doe.fits import Fit
from doe.plots.card import claimed
from doe.report import sentences
from doe.report.blocks import (
    Block,
    Card,
    Chapter,
    Formula,
    Grid,
    Heading,
    Points,
    Words,
    file_name,
    grid,
    image,
    paragraphs,
    section_blocks,
)
from doe.study import Categorical, Response, Section, Study, StudyError
from doe.study.shown import chance_text, error_text, number_text
from doe.study.trial import specification_text
from doe.window import Confirmation, Verdict, Window, confirm, desirability

LIBRARIES = ("numpy", "scipy", "pandas", "statsmodels", "pyDOE3", "matplotlib", "jinja2")
PAIRS = 6  # interactions in one picture
CONFIRMED = 3  # confirmation batches spoken of

# common practice, no source
CAUTIONS = (
    "Fine powders (carbomer, silica, pigments): do not breathe the dust. Weigh under extraction or with a fitted mask, add slowly, wipe damp. "
    "Fine dust can burn: no ignition source near it.",
    "Spilt polymer or gel is very slippery: sweep it up dry before any water reaches it.",
    "Caustic bases (sodium or potassium hydroxide): goggles and gloves; base into water, never water onto the solid; the solution gets hot.",
    "Amines (tromethamine, triethanolamine, aminomethyl propanol and others): irritating to eyes and skin; keep triethanolamine away from "
    "nitrosating agents.",
    "Turning impellers: guard them, clamp the beaker, start slowly, stop before sampling; no loose sleeves or hair.",
    "Hot plates, warm oils and waxes: burns, and fire with solvents; never leave them unattended.",
    "Centrifuge: balance the tubes and keep to the rated speed.",
    "Preservatives, solubilisers and fragrance can sensitise undiluted: gloves, and the legal limits of use.",
    "Skin contact and sensory or patch tests: only after review by a qualified safety assessor, and with consent. Unpreserved or failed batches "
    "are not for use: discard them on time.",
    "Safety data sheets, local rules and a qualified assessor have the last word over anything on this page.",
)


@dataclass(frozen=True)
class Trial:
    """What a dossier is about."""

    study: Study
    plan: Plan | None
    records: Records | None
    fits: Mapping[str, Fit]
    win: Window | None
    date: str
    confirmation: Confirmation | None = None
    verdict: Verdict | None = None


def chapters(trial: Trial) -> list[Chapter]:
    """All chapters, in the order of the trial."""
    return [
        Chapter("short", "What came out, in short?", tuple(_short(trial))),
        Chapter("studied", "What was studied?", tuple(_studied(trial))),
        Chapter("made", "Which batches were made?", tuple(_made(trial))),
        Chapter("measured", "What was measured?", tuple(_measured(trial))),
        Chapter("drives", "What drives each response?", tuple(_drives(trial))),
        Chapter("trust", "Can the fits be trusted?", tuple(_trust(trial))),
        Chapter("run", "Where to run?", tuple(_run(trial))),
        *([Chapter("held", "Did it hold?", tuple(_held(trial, trial.verdict)))] if trial.verdict is not None else []),
        Chapter("silent", "What does this not show?", tuple(_silent(trial))),
        Chapter("care", "What to take care of at the bench?", (Points(CAUTIONS),)),
        Chapter("origin", "How was this page made?", tuple(_origin(trial))),
    ]


# ---- in short


def _short(trial: Trial) -> list[Block]:
    batches = _batches(trial)
    lines = [
        f"{sentences.count(len(batches), 'batch')} of {trial.study.name} were measured, with "
        f"{sentences.count(len(trial.study.factors), 'factor')} set and {sentences.count(len(trial.fits), 'response')} fitted."
    ]
    lines += [sentences.strongest(fit) for fit in trial.fits.values()]
    if trial.win is not None:
        lines.append(sentences.window_line(trial.win) + " Only the responses named under “Where to run?” are judged.")
    if trial.verdict is not None:
        lines.append(f"Confirmation batches at {_place(trial.verdict.confirmation)}: {trial.verdict.words}")
    wary: dict[str, list[str]] = {}
    for fit in trial.fits.values():
        for line in fit.cautions():
            wary.setdefault(line, []).append(fit.response.name)
    lines += [f"To be wary of in {sentences.listed(names)}: {line}" for line, names in wary.items()]
    return [Points(tuple(lines))]


# ---- what was studied, made, measured


def _studied(trial: Trial) -> list[Block]:
    sections = trial.study._sections()
    first = sections[0]
    out: list[Block] = []
    if first.note:
        out.append(paragraphs(first.note.split("\n")))
    named = [Section("Factors", first.table), *sections[1:]]
    return out + section_blocks(named)


def _made(trial: Trial) -> list[Block]:
    plan = trial.plan
    if plan is None:
        lines = ["No plan came with this page: the settings below are those that the readings were entered with."]
        if trial.records is not None:
            return [
                *[Words((line,)) for line in lines],
                *section_blocks(trial.records.plan._sections(), skip_first_title=True),
            ]
        return [Words(tuple(lines)), _settings_grid(trial)]
    out: list[Block] = []
    sections = plan._sections()
    out.append(Words((f"{sections[0].title}.",)))
    ordered = "order_seed" in plan.provenance
    words = (
        "The batches were put in a random order, so that what drifts over the days does not pass for an effect."
        if ordered
        else "The plan stands in its standard order; whether the batches were made in a random one is not recorded in it."
    )
    out.append(Words((words,)))
    first = Section("The batches, as planned", sections[0].table, sections[0].note)
    return out + section_blocks([first, *sections[1:]])


def _settings_grid(trial: Trial) -> Grid:
    rows = _batches(trial)
    table = pd.DataFrame({"run": [str(r) for r in rows.index]})
    for f in trial.study.factors:
        values = rows[f.name]
        table[f.label] = (
            [str(v) for v in values] if isinstance(f, Categorical) else column_text(values.to_numpy(dtype=float))
        )
    return grid("Settings", table)


def _batches(trial: Trial) -> pd.DataFrame:
    """Settings of every batch that has a reading, by run label."""
    if trial.records is not None:
        runs = sorted(set(trial.records.data["run"]))
        return trial.records.plan.runs.loc[runs]
    found: dict[str, Any] = {}
    for fit in trial.fits.values():
        for label, (_, row) in zip(fit.runs, fit.batches.settings.iterrows(), strict=True):
            found.setdefault(str(label), row)
    return pd.DataFrame(list(found.values()), index=pd.Index(list(found), name="run"))


def _measured(trial: Trial) -> list[Block]:
    out: list[Block] = []
    records = trial.records
    if records is None:
        out.append(Words(("Mean reading of every batch, as the fits used it.",)))
        out.append(_readings_of_fits(trial))
    else:
        out.append(_readings(records))
        out += section_blocks([s for s in records._sections() if not s.title.startswith("Records of")])
        if records.failed:
            out.append(Words((f"Marked as failed: run {', '.join(str(r) for r in records.failed)}.",)))
        out += _lost(records)
        out += _confirming(trial)
    out += _left_out(trial)
    return out


def _readings(records: Records) -> Grid:
    """One row a batch: run, order of making, and the mean reading of every response."""
    runs = sorted(int(r) for r in records.plan.runs.index)
    table = pd.DataFrame({"run": [str(r) for r in runs]})
    if records.order:
        table["made as number"] = [str(records.order.get(r, "")) for r in runs]
    several, censored = 0, False
    for one in all_measured(records.study):
        read = batch_means(records.of(one))
        several += int((read["readings"] > 1).sum())
        censored = censored or bool((read["censored"] > 0).any())
        texts: dict[int, list[str]] = {}
        exact = _reading_texts(one.response, read["value"].tolist())
        for (run, _), text, low, high in zip(read.index, exact, read["lower"], read["upper"], strict=True):
            texts.setdefault(int(run), []).append(text or reading_text(np.nan, low, high))
        # a run that was made again has one mean a batch
        table[one.response.label] = ["; ".join(texts.get(run, ())) for run in runs]
    note = "A blank cell is a reading that was not taken."
    if several:
        note += f" {sentences.count(several, 'value')} are the mean of several readings of the same batch."
    if censored:
        note += " Of a censored reading, marked <, > or .., only the bounds are known."
    return grid("Readings, one row a batch", table, note)


def _reading_texts(response: Response, values: list[float]) -> list[str]:
    """Readings of one response with its decimals, or as few as show them; blank where there is none."""
    found = np.array(values, dtype=float)
    there = np.isfinite(found)
    texts = np.full(len(found), "", dtype=object)
    if there.any():
        decimals = response.decimals
        texts[there] = column_text(found[there]) if decimals is None else [f"{v:.{decimals}f}" for v in found[there]]
    return [str(t) for t in texts]


def _lost(records: Records) -> list[Block]:
    lines = []
    for one in all_measured(records.study):
        seen = set(records.of(one)["run"])
        missing = [str(r) for r in sorted(records.plan.runs.index) if r not in seen]
        if missing:
            lines.append(f"{one.name}: no reading of run {', '.join(missing)}.")
    return [Heading("Readings that are missing"), Points(tuple(lines))] if lines else []


def _confirming(trial: Trial) -> list[Block]:
    """Confirmation batches that the fits hold beside the records."""
    rows: dict[str, dict[str, str]] = {}
    heads = [fit.response.label for fit in trial.fits.values()]
    for fit in trial.fits.values():
        for run, value in zip(fit.runs, _reading_texts(fit.response, list(fit.batches.values)), strict=True):
            if str(run).startswith("confirmation "):
                rows.setdefault(str(run), dict.fromkeys(heads, ""))[fit.response.label] = value
    if not rows:
        return []
    table = pd.DataFrame([{"batch": run, **cells} for run, cells in rows.items()])
    return [
        grid("Confirmation batches that the fits hold as well", table, "As the fits used them; a bound shows blank.")
    ]


def _readings_of_fits(trial: Trial) -> Grid:
    runs = list(_batches(trial).index)
    table = pd.DataFrame({"run": runs})
    for fit in trial.fits.values():
        by_run = {str(r): float(v) for r, v in zip(fit.runs, fit.batches.values, strict=True)}
        table[fit.response.label] = _reading_texts(fit.response, [by_run.get(k, np.nan) for k in runs])
    return grid("Readings, one row a batch", table)


def _left_out(trial: Trial) -> list[Block]:
    rows = [
        {"response": fit.response.name, "run": str(run), "reason": str(reason)}
        for fit in trial.fits.values()
        for run, reason in fit.unused.itertuples(index=False, name=None)
    ]
    if not rows:
        return [Words(("Every batch with a reading of a response is in its fit.",))]
    return [grid("Not in a fit, and why", pd.DataFrame(rows))]


# ---- fits


def _drives(trial: Trial) -> list[Block]:
    out: list[Block] = [
        Words(
            (
                "“Shown” means that the effect stands out from the scatter between batches (p below 0.05). What is not shown may still be there, "
                "too small for this trial to see; and of twenty effects that do nothing, about one is shown by chance.",
            )
        )
    ]
    for name, fit in trial.fits.items():
        out.append(Heading(fit.response.label, f"drives-{list(trial.fits).index(name) + 1}"))
        out += _ranked(fit)
        out.append(
            grid(f"What each factor does to {fit.response.name}, the others in the middle", sentences.factor_table(fit))
        )
        if _has_effects(fit):
            out.append(
                image(
                    plots.factor_effects(fit),
                    f"Effects on {fit.response.name} with their intervals",
                    f"{file_name(fit.response.name)}_effects",
                )
            )
        out.append(
            image(
                plots.main_effects(fit),
                f"{fit.response.label} over each factor",
                f"{file_name(fit.response.name)}_curves",
            )
        )
        if fit.response.scale is not None and fit.response.low is not None:
            out.append(
                image(
                    plots.score_chances(fit),
                    f"Chance of a good {fit.response.name} over each factor",
                    f"{file_name(fit.response.name)}_chances",
                )
            )
        pairs = _clear_pairs(fit)
        if pairs:
            out.append(
                image(
                    plots.interactions(fit, pairs),
                    f"{fit.response.label}: interactions that are shown",
                    f"{file_name(fit.response.name)}_interactions",
                )
            )
        if fit.response.scale is None:  # scores have no equation of their own scale
            equation = fit.equation()
            out.append(Words(("As an equation, in natural units:",)))
            out.append(Formula(str(equation).split("\n")[0]))
            out.append(paragraphs(str(equation).split("\n")[1:]))
        sections = sentences.terms_said(fit._sections())
        out.append(Words((f"{fit.heading}.",)))
        out += section_blocks([Section("Coefficients", sections[0].table, sections[0].note), *sections[1:-1]])
    return out


def _ranked(fit: Fit) -> list[Block]:
    """Each factor's share of what the response varies by over the region; the reason where it cannot be told."""
    if len(fit.study.factors) < 2:
        return []  # nothing to rank
    try:
        ranked = fit.drivers()
    except StudyError as problem:
        return [Words((f"How much each factor accounts for is not told: {problem}",))]
    told = ranked._sections()[0]
    title = f"How much of the variation of {fit.response.name} each factor accounts for"
    note = "\n".join(told.note.split("\n")[1:])  # its first words stand under the picture
    return [
        *section_blocks([Section(title, told.table, note)]),
        image(
            plots.drivers(ranked),
            f"Shares of the variation of {fit.response.name} with their intervals",
            f"{file_name(fit.response.name)}_shares",
        ),
    ]


def _has_effects(fit: Fit) -> bool:
    return any(term for term in fit.model.parsed) and fit.df_residual > 0


def _clear_pairs(fit: Fit) -> list[tuple[str, str]]:
    """Two-factor interactions that are shown, the clearest first, drawn as plots.interactions draws them."""
    from doe.plots.curves import drawable_pairs

    shown = {
        frozenset(n for n, _ in term)
        for term, clear in sentences.term_verdicts(fit).items()
        if clear and len(term) == 2
    }
    return [pair for pair in drawable_pairs(fit) if frozenset(pair) in shown][:PAIRS]


def _trust(trial: Trial) -> list[Block]:
    order, words = _order(trial)
    out: list[Block] = [Words((words,))] if words else []
    for name, fit in trial.fits.items():
        out.append(Heading(fit.response.label, f"trust-{list(trial.fits).index(name) + 1}"))
        lines = [sentences.scatter(fit), sentences.accounted(fit), sentences.misfit(fit), *fit.cautions()]
        if not fit.cautions():
            lines.append("Nothing else stands out: no run out of line, no run that carries the fit alone.")
        out.append(Points(tuple(line for line in lines if line)))
        if fit.df_residual >= 2:
            known = order if {str(r) for r in fit.runs} <= {str(k) for k in order} else None
            out.append(
                image(
                    plots.residuals(fit, known),
                    f"Residual diagnostics of {fit.response.name}",
                    f"{file_name(fit.response.name)}_residuals",
                )
            )
            table = fit.diagnostics()
            flagged = table[table["flags"] != ""]
            if len(flagged) and fit.response.scale is not None:
                shown = pd.DataFrame(
                    {
                        "run": [str(r) for r in flagged["run"]],
                        "scored": [str(v) for v in flagged["score"]],
                        "the others foretell": [f"{v:.1f}" for v in flagged["foretold"]],
                        "chance they give to that score": [chance_text(float(v), 3) for v in flagged["chance"]],
                        "flag": list(flagged["flags"]),
                    }
                )
                out.append(grid(f"Scores of {fit.response.name} that stand out", shown, table.note))
            elif len(flagged):
                shown = pd.DataFrame(
                    {
                        "run": [str(r) for r in flagged["run"]],
                        "studentised residual": [f"{v:.2f}" for v in flagged["studentised"]],
                        "leverage": [f"{v:.2f}" for v in flagged["leverage"]],
                        "Cook's distance": [f"{v:.2f}" for v in flagged["cooks_distance"]],
                        "flag": list(flagged["flags"]),
                    }
                )
                out.append(grid(f"Batches of {fit.response.name} that stand out", shown.replace("nan", ""), table.note))
    return out


def _order(trial: Trial) -> tuple[dict[Any, int], str]:
    """The order of making and how it is known."""
    if trial.records is not None and trial.records.order:
        return dict(trial.records.order), "The order of making is the one written down with the readings."
    if trial.plan is not None and "order_seed" in trial.plan.provenance:
        order = {run: place for place, run in enumerate(trial.plan.runs.index, start=1)}
        return order, "The order of making is the planned one; none was written down with the readings."
    return {}, ""


# ---- where to run


def _run(trial: Trial) -> list[Block]:
    win = trial.win
    if win is None:
        specified = [r.name for r in trial.study.responses if r.has_specification]
        if not specified:
            return [Words(("No response has a specification, so there is nothing to meet and no window to look for.",))]
        return [
            Words(
                (
                    f"No window was sought, although {sentences.listed(specified)} {'has' if len(specified) == 1 else 'have'} a specification.",
                )
            )
        ]
    out: list[Block] = [Words((sentences.window_line(win),))]
    study = win.study
    entries = tuple((f.name, _value(f, win.set_point[f.name])) for f in study.factors)
    error = error_text(win.mc_error)
    chance = f"Chance there: {chance_text(win.set_point_probability)}, Monte-Carlo error {error}, judged on draws that had no part in finding it."
    out.append(
        Card(
            "Set point" if sentences.reached(win) else "Best setting found; it does not reach the target",
            entries,
            (chance, claimed(win)),
        )
    )
    at = pd.DataFrame([win.set_point.to_dict()])
    alone = win.by_response(at).iloc[0]
    rows = [
        {
            "response": fit.response.label,
            "specification": specification_text(fit.response),
            "predicted there, with 95 % for one new batch": _foretold(fit, at),
            "chance by itself": chance_text(float(alone[name]), 3),
        }
        for name, fit in win.fits.items()
    ]
    sections = win._sections()
    out.append(grid("By response, at that setting", pd.DataFrame(rows), sections[0].note))
    out += _ranges(win)
    pair = sentences.moving_pair(win)
    if pair is not None:
        what = "one new batch" if win.noise else "the mean of many batches"
        out.append(
            image(
                plots.probability_map(win, *pair),
                f"Chance that {what} meets every specification, over {pair[0]} and {pair[1]}",
                "window",
            )
        )
        out.append(
            image(
                plots.probability_by_response(win, *pair),
                f"Chance by response, over {pair[0]} and {pair[1]}",
                "window_by_response",
            )
        )
    if trial.confirmation is not None or sentences.reached(win):
        out += _confirmation(trial.confirmation or confirm(win, CONFIRMED))
    return out + _compromise(win, trial.fits)


def _value(factor: Any, value: Any) -> str:
    return (
        str(value)
        if isinstance(factor, Categorical)
        else f"{number_text(float(value), digits=5)} {factor.unit}".strip()
    )


def _foretold(fit: Fit, at: pd.DataFrame) -> str:
    row = fit.predict(at, kind="new batch").iloc[0]
    low, middle, high = (fit.response.text(float(row[c])) for c in ("low", "estimate", "high"))
    bare = low.removesuffix(fit.response.unit).strip() if fit.response.unit else low
    return f"{middle} ({bare} to {high})"


def _ranges(win: Window) -> list[Block]:
    ranges = win.ranges
    out: list[Block] = []
    if len(ranges):
        out.append(grid("Ranges that hold together", _range_table(win, ranges), str(ranges.note)))
    else:
        out += [Heading("Why there are no ranges"), paragraphs([str(ranges.note)])]
    if not sentences.reached(win):
        return out + section_blocks(win.obstacles._sections())
    alone = win.acceptable_ranges
    return [
        *out,
        grid("How far each factor by itself may stray", _range_table(win, alone), f"{alone.note} {win.edge.words}"),
    ]


def _range_table(win: Window, ranges: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "factor": [win.study.factor(n).label for n in ranges["factor"]],
            "from": [v if isinstance(v, str) else number_text(float(v), digits=5) for v in ranges["low"]],
            "to": [v if isinstance(v, str) else number_text(float(v), digits=5) for v in ranges["high"]],
        }
    )


def _place(made: Confirmation) -> str:
    """Where confirmation batches are made, in words."""
    there = made.setting.equals(made.window.set_point)
    return "the set point" if there else sentences.setting(made.study, made.setting)


def _confirmation(made: Confirmation) -> list[Block]:
    """What confirmation batches must read."""
    found = made._sections()
    title = f"What {sentences.count(made.batches, 'confirmation batch')} at {_place(made)} must read"
    return section_blocks([Section(title, found[1].table, found[1].note), *found[2:]])


def _held(trial: Trial, verdict: Verdict) -> list[Block]:
    """What the confirmation batches read, whether that is what was foretold, and what a fit with them changes."""
    made = verdict.confirmation
    found = verdict._sections()[0]
    out: list[Block] = [
        Words((verdict.words,)),
        *section_blocks(
            [Section(f"What {sentences.count(verdict.batches, 'batch')} at {_place(made)} read", found.table)]
        ),
    ]
    title = "With these batches among the data"
    now = {str(run) for fit in trial.fits.values() for run in fit.runs if str(run).startswith("confirmation ")}
    if now - {str(run) for fit in made.window.fits.values() for run in fit.runs}:
        return [*out, Heading(title), Words(("The fits of this page hold these batches already.",))]
    try:
        again = verdict.refit()
    except StudyError as problem:
        return [*out, Heading(title), Words((f"Not fitted again: {problem}",))]
    at = pd.DataFrame([made.setting.to_dict()])
    rows = [
        {
            "response": old.response.label,
            "before: one new batch there, 95 %": _foretold(old, at),
            "with them": _foretold(again[name], at),
            "batches before": str(old.n),
            "with these": str(again[name].n),
        }
        for name, old in made.window.fits.items()
    ]
    fresh = [
        f"{name}: {line}"
        for name, old in made.window.fits.items()
        for line in again[name].cautions()
        if line not in old.cautions()
    ]
    note = " ".join(
        [
            "The rest of this page stands on the fits without these batches; set point and ranges are to be found again from those with them.",
            *(["New to be wary of, with them:", *fresh] if fresh else []),
        ]
    )
    return [*out, grid(title, pd.DataFrame(rows), note)]


def _compromise(win: Window, fits: Mapping[str, Fit]) -> list[Block]:
    """The best compromise of the goals, where there are any."""
    if not any(fit.response.goal is not None for fit in fits.values()):
        return []
    try:
        found = desirability(fits, seed=win.seed)
    except StudyError as problem:  # a goal that lacks the limit it needs
        return [Heading("The goals, weighed together"), Words((f"Not weighed: {problem}",))]
    return section_blocks(found._sections())


# ---- limits of the evidence, and where all this comes from


def _silent(trial: Trial) -> list[Block]:
    names = sentences.listed([fit.response.name for fit in trial.fits.values()])
    lines = [
        f"Nothing beyond {names}, as measured here, is shown. In particular this page is no evidence of preservation, of safety, or of shelf life "
        "or stability beyond what was measured.",
        "What was held constant and not written down (vessel, lots, water, operator, time between steps) may matter as much as what was varied.",
        "Outside the ranges studied nothing was tried; a prediction there is a guess.",
        "Ranges of single factors are not to be put together unless they are shown to hold together.",
        "A chance from a fitted model is as good as the model: make confirmation batches before relying on it.",
    ]
    if trial.win is not None and trial.win.not_judged:
        lines.append(
            f"{sentences.listed(list(trial.win.not_judged))} had no specification and was not judged in “Where to run?”."
        )
    return [Points(tuple(lines))]


def _origin(trial: Trial) -> list[Block]:
    rows = [
        ("date", trial.date),
        ("study, fingerprint", trial.study.fingerprint),
        ("readings, fingerprint", data_fingerprint(trial)),
    ]
    plan = trial.plan
    if plan is not None:
        rows.append(("plan, fingerprint", plan.fingerprint))
        rows += [
            (f"plan, {str(key).replace('_', ' ')}", _provenance(value))
            for key, value in plan.provenance.items()
            if value not in (None, "", [], {})
        ]
    if trial.win is not None:
        w = trial.win
        rows.append(("window", f"target {w.target:g}, {w.draws} draws, seed {w.seed}"))
        rows.append(("window, a new batch's own error", "included" if w.noise else "left out"))
        jitter = ", ".join(
            f"{name} {number_text(sd)} {getattr(trial.study.factor(name), 'unit', '')}".strip()
            for name, sd in w.jitter.items()
        )
        rows.append(("window, setting error added (SD)", jitter or "none"))
    if trial.confirmation is not None:
        c = trial.confirmation
        rows.append(
            ("confirmation", f"{sentences.count(c.batches, 'batch')}, limits together at {100 * c.confidence:g} %")
        )
    rows.append(("doe", version()))
    rows.append(("Python", platform.python_version()))
    rows += [(name, _installed(name)) for name in LIBRARIES]
    note = "The same study, readings, versions and seeds give this page again, letter for letter but for the date."
    return [grid("Where every figure comes from", pd.DataFrame(rows, columns=["what", "value"]), note)]


def _provenance(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{k} {_provenance(v)}" for k, v in value.items())
    if isinstance(value, list | tuple):
        return "; ".join(_provenance(v) for v in value)
    return number_text(value, digits=6) if isinstance(value, float) and np.isfinite(value) else str(value)


def _installed(name: str) -> str:
    try:
        return installed(name)
    except PackageNotFoundError:
        return "not installed"


def data_fingerprint(trial: Trial) -> str:
    """Twelve hexadecimal digits that change when any reading does, whatever order they were entered in."""
    if trial.records is not None:
        table = trial.records.data
        lines = [
            f"{r.run}|{r.batch}|{r.replicate}|{r.response}|{r.time}|{r.condition}|{r.value!r}|{r.lower!r}|{r.upper!r}"
            for r in readings_in(table)
        ]
    else:
        lines = [
            f"{run}|{name}|{float(v)!r}"
            for name, fit in trial.fits.items()
            for run, v in zip(fit.runs, fit.batches.values, strict=True)
        ]
    return hashlib.sha256("\n".join(sorted(lines)).encode()).hexdigest()[:12]
