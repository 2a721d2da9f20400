"""Fits and windows in plain words, as a chemist would say them to a colleague."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.fits.driving import SHOWN
from doe.plots import holding
from doe.plots.curves import value_text
from doe.plots.ranking import term_words
from doe.quality.sentences import spoken
from doe.study import Categorical, Section, StudyError
from doe.study.shown import number_text, p_text, simulated_text
from doe.study.terms import Term

if TYPE_CHECKING:
    from doe.fits import Fit
    from doe.window import Window

NOTHING = "not shown to matter"
CHANGE = "a clear change"
CLEAR = 0.05  # p below which an effect counts as shown


TERMS = ("term", "source")  # columns of shown tables that hold terms


def terms_said(sections: Iterable[Section]) -> list[Section]:
    """Sections of a fit with its terms as a person says them: "carbomer × crosspolymer" for "carbomer:crosspolymer"."""
    out = []
    for s in sections:
        table = s.table
        if table is not None:
            own = {c: [spoken(str(v)) for v in table[c]] for c in TERMS if c in table.columns}
            table = table.assign(**own)
        out.append(Section(s.title, table, s.note))
    return out


def listed(items: list[str]) -> str:
    """Words in a row: "a", "a and b", "a, b and c"."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else ""


def count(n: int, word: str) -> str:
    """A number with its noun: "1 batch", "3 batches"."""
    plural = word + ("es" if word.endswith(("ch", "s", "x")) else "s")
    return f"{n} {word if n == 1 else plural}"


def term_verdicts(fit: Fit) -> dict[Term, bool]:
    """Which terms are shown to matter, by the F-test of all their contrasts together; terms without a test are left out."""
    tests = fit.anova.set_index("source")["p"]
    out = {}
    for term, text in zip(fit.model.parsed, fit.model.terms, strict=True):
        if term and text in tests.index and np.isfinite(tests[text]):
            out[term] = bool(tests[text] < CLEAR)
    return out


@dataclass(frozen=True)
class Change:
    """What a response does as one factor goes from one setting to another."""

    name: str
    label: str
    start: str
    end: str
    before: float
    after: float
    shown: str
    clear: bool  # the change itself, from the one setting to the other


def changes(fit: Fit) -> list[Change]:
    """One change a factor of the model: low to high, or between the levels that differ most; the other factors in the middle.

    A component moves at the expense of what makes room.
    """
    study = fit.study
    verdicts = term_verdicts(fit)
    middle = holding.held(study, ())
    out = []
    for name in study.names:
        if not any(name == n for term in fit.model.parsed for n, _ in term):
            continue
        factor = study.factor(name)
        steps = list(factor.levels) if isinstance(factor, Categorical) else np.linspace(factor.low, factor.high, 201)
        table, inside = middle.moving(name).table({name: steps})
        table = table[inside]
        if len(table) < 2:
            continue
        ends = table if isinstance(factor, Categorical) else table.iloc[[0, -1]]
        predicted = fit.predict(ends)["estimate"].to_numpy(dtype=float)
        if isinstance(factor, Categorical):
            order = np.argsort(predicted, kind="stable")[[0, -1]]
            ends, predicted = ends.iloc[order], predicted[order]
        start, end = (str(v) if isinstance(factor, Categorical) else number_text(float(v)) for v in ends[name])
        shown = verdict(fit, name, verdicts, ends)
        clear = shown.startswith(CHANGE)
        out.append(Change(name, factor.label, start, end, float(predicted[0]), float(predicted[1]), shown, clear))
    return out


def factor_table(fit: Fit) -> pd.DataFrame:
    """What every factor does to a response, as text."""
    return pd.DataFrame(
        [
            {
                "factor": c.label,
                "from": c.start,
                "to": c.end,
                f"{fit.response.label} from": value_text(fit, c.before, unit=False),
                f"{fit.response.label} to": value_text(fit, c.after, unit=False),
                "difference": difference(fit, c),
                "what is shown": c.shown,
            }
            for c in changes(fit)
        ]
    )


def difference(fit: Fit, change: Change) -> str:
    """How the response changes, as a factor where it is fitted on the logarithm."""
    if fit.response.transform == "log":
        return f"× {number_text(change.after / change.before, digits=3)}"
    step = change.after - change.before
    return ("+" if step >= 0 else "") + value_text(fit, step, unit=False)


def verdict(fit: Fit, name: str, verdicts: dict[Term, bool], ends: pd.DataFrame) -> str:
    """What the trial shows of one factor: nothing, a change, a bend, a dependence on others."""
    own: Term = ((name, 1),)
    bend = any(shown for term, shown in verdicts.items() if len(term) == 1 and term[0][0] == name and term[0][1] > 1)
    partners = [
        n
        for term, shown in verdicts.items()
        if shown and len(term) > 1
        for n, _ in term
        if n != name and name in dict(term)
    ]
    moves = verdicts[own] if own in verdicts else _moves(fit, ends)
    parts = []
    if moves:
        parts.append(CHANGE)
    if bend:
        parts.append("a bend" if moves else "no clear change from end to end, but a bend")
    if partners:
        parts.append(f"it depends on {listed(list(dict.fromkeys(partners)))}")
    return "; ".join(parts) if parts else NOTHING


def _moves(fit: Fit, ends: pd.DataFrame) -> bool:
    """Whether the difference between two settings is clear of none, for factors whose term has no test of its own (a blend)."""
    if not fit.df_residual:
        return False
    weights = fit.model.matrix(ends.iloc[[0, -1]])
    row = fit.contrasts(weights[[1]] - weights[[0]]).iloc[0]
    return bool(row["p"] < CLEAR) if "p" in row else bool(row["low"] > 0 or row["high"] < 0)


def mattering(fit: Fit) -> set[str]:
    """Factors whose share of the response's variation is shown; none where shares cannot be told."""
    try:
        ranked = fit.drivers()
    except StudyError:
        return set()
    shown = ranked.table.loc[ranked.table["verdict"] == SHOWN, "factor"].tolist()
    return set(shown) - set(ranked._borrowed(shown))  # what comes from moving with others is none of its own


def strongest(fit: Fit, most: int = 2) -> str:
    """The factors that are shown to change a response, those that change it most first: one sentence, or two.

    One term that stands out among many, without a change or a share of its factor, names no factor: of twenty idle terms one does.
    """
    found = changes(fit)
    share = mattering(fit)
    clear = [c for c in found if c.clear]
    named = []
    if clear:
        before, after = (fit.response.forward([getattr(c, end) for c in clear]) for end in ("before", "after"))
        order = np.argsort(-np.abs(after - before), kind="stable")[:most]
        named = [
            f"{c.label} from {c.start} to {c.end} takes it from {value_text(fit, c.before, unit=False)} to {value_text(fit, c.after)}"
            for c in (clear[int(i)] for i in order)
        ]
    others = [c.name for c in found if c.name in share and not c.clear]
    bent = (
        f"{listed(others)} {'matter' if len(others) > 1 else 'matters'}, though not by a clear change from end to end"
    )
    if named:
        return f"{fit.response.name}: {'; '.join(named)}, the other factors in the middle.{f' Also {bent}.' if others else ''}"
    if others:
        return f"{fit.response.name}: {bent}."
    terms = [term_words(term) for term, shown in term_verdicts(fit).items() if shown]
    if not terms:
        return f"{fit.response.name}: no factor is shown to change it."
    return (
        f"{fit.response.name}: no factor is shown to change it by itself. Of {count(len(term_verdicts(fit)), 'term')} tested "
        f"{listed(terms)} {'stand' if len(terms) > 1 else 'stands'} out; of twenty that do nothing, about one does."
    )


def _unit(fit: Fit) -> str:
    return f" {fit.response.unit}" if fit.response.unit else ""


def scatter(fit: Fit) -> str:
    """How far batches made alike differ, in words."""
    if fit.response.scale is not None:
        return "Batches made alike need not score alike: the fit gives every score its chance at a setting."
    if not fit.df_residual:
        return "Nothing is left to judge the scatter of batches by: there are as many coefficients as batches."
    spread = fit.variance_components
    between = [f"{name}s" for name in ("whole plot", "block") if name in spread.index]
    within = " and ".join(between)
    alike = f"Batches made alike within {within} differ" if within else "Batches made alike differ"
    outer = [f"{name} by {_sd(fit, float(np.sqrt(spread[name[:-1]])))}" for name in between]
    more = f"; beyond that {listed(outer)}" if outer else ""
    kind = "standard deviation, relative" if fit.response.transform == "log" else "standard deviation"
    where = "" if fit.response.transform in (None, "log") else f" on the scale of {fit.response.fitted_label}"
    return f"{alike} by about {_sd(fit, fit.sigma)}{more}{where} ({kind})."


def _sd(fit: Fit, value: float) -> str:
    """A standard deviation in per cent where it is relative, in the unit where it is as measured."""
    if fit.response.transform == "log":
        return f"{number_text(100.0 * value, digits=2)} %"
    return f"{number_text(value, digits=2)}{_unit(fit) if fit.response.transform is None else ''}"


def accounted(fit: Fit) -> str:
    """R² and predicted R² in words."""
    if not np.isfinite(fit.r2):
        return ""  # scores and bounds have no sum of squares
    unit = "whole plot" if "whole plot" in fit.variance_components.index else "batch"
    text = f"The fit accounts for {100.0 * fit.r2:.1f} % of the differences between batches (R²)"
    if np.isfinite(fit.r2_predicted):
        text += f"; foretelling each {unit} from the others it keeps {100.0 * fit.r2_predicted:.1f} % (predicted R²)"
    return text + "."


def misfit(fit: Fit) -> str:
    """What repeated batches say of the model, where they say anything; a shown lack of fit stands among the cautions."""
    row = fit.anova[fit.anova["source"] == "lack of fit"]
    p = row["p"].to_numpy(dtype=float)
    if not len(p) or not np.isfinite(p[0]) or p[0] < CLEAR:
        return ""
    return f"Repeated batches show no lack of fit (p = {p_text(float(p[0]))})."


def setting(study: Any, row: Any) -> str:
    """A setting in words: "carbomer 0.44 %, speed 320 rpm"."""
    return ", ".join(holding.setting_text(f, row[f.name]) for f in study.factors)


def window_line(win: Window) -> str:
    """What the window says, in one sentence."""
    chance = simulated_text(win.set_point_probability, win.mc_error)
    where = setting(win.study, win.set_point)
    what = (
        "one new batch meets every specification" if win.noise else "the mean of many batches meets every specification"
    )
    if reached(win):
        return f"At the set point ({where}) the chance that {what} is {chance}."
    return f"No setting surely reaches the target of {win.target:g}: at the best one found ({where}) the chance that {what} is {chance}."


def reached(win: Window) -> bool:
    """Whether the set point reaches the target by two Monte-Carlo errors."""
    return win.set_point_probability - 2.0 * win.mc_error >= win.target


def moving_pair(win: Window) -> tuple[str, str] | None:
    """The two numeric factors along which the chance changes most about the set point; None where there are not two."""
    study = win.study
    numbers = [f for f in study.factors if not isinstance(f, Categorical)]
    if len(numbers) < 2:
        return None
    start = holding.held(study, (), None, {str(k): v for k, v in win.set_point.items()})
    spread = []
    for f in numbers:
        table, inside = start.moving(f.name).table({f.name: np.linspace(f.low, f.high, 25)})
        if not inside.any():
            spread.append(0.0)
            continue
        chance = win.probability(table[inside])["probability"].to_numpy(dtype=float)
        spread.append(float(chance.max() - chance.mean()))
    first, second = sorted(np.argsort(-np.array(spread), kind="stable")[:2])
    return numbers[int(first)].name, numbers[int(second)].name
