"""Which factors move a response, and by how much: effects over the studied range with their intervals, largest first."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.fits.result import SELECTED
from doe.plots import holding, look
from doe.study import Categorical, Covariate, Study, StudyError
from doe.study.terms import Term

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doe.fits import Fit

Floats = NDArray[np.float64]
MOST = 30  # rows that can be read in one picture
LABEL = 38  # letters a line of a row's name


@dataclass(frozen=True)
class Row:
    """One effect: its name, and the weights of the coefficients that make it."""

    label: str
    weights: Floats


def factor_effects(fit: Fit, ax: Axes | None = None) -> Axes:
    """Every effect on one response over the studied range, with its 95 % interval, largest first.

    Parameters
    ----------
    fit : Fit
        As `doe.fit` gives it.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        One row an effect, on the fitted scale (a log response as a factor, "× 1.5"). A factor's effect is the change from its low to
        its high setting, the others in the middle; that of an interaction is half the difference between its effect with the other
        factor high and low; that of a square is the bend, centre to edge; a categorical level stands against the average of
        all levels. Components move from least to most at the expense of what takes up the rest; two components show how far
        their blend lies off the straight line between its ends.

    References
    ----------
    Box, G. E. P., Hunter, J. S. & Hunter, W. G. (2005). Statistics for experimenters, 2nd ed., ch. 5. Wiley.
    Cornell, J. A. (2002). Experiments with mixtures, 3rd ed., section 5.8 (effects along a direction). Wiley.
    """
    look.need_fit("factor_effects", fit)
    study = fit.study
    rows, left_out = effect_rows(fit)
    if not rows:
        raise StudyError(
            "fit: model", ", ".join(fit.model.terms), "one with an effect to draw", "fit a model with a factor in it"
        )
    table = estimates(fit, rows)
    order = np.argsort(-table["estimate"].abs().to_numpy(), kind="stable")[:MOST]
    dropped = len(rows) - len(order)
    table = table.iloc[order]
    names = [look.folded(label, LABEL) for label in table["effect"]]
    heights = np.array([0.08 + 0.15 * (name.count("\n") + 1) for name in names])  # inches a row asks for
    ax = look.axes_for(ax, 6.6, 1.1 + float(heights.sum()))
    y = np.cumsum(heights) - 0.5 * heights
    ax.axvline(0.0, color=look.SOFT, linewidth=1.0)
    known = table["low"].notna().to_numpy()
    ax.hlines(
        y[known], table["low"][known], table["high"][known], color=look.DEEP, linewidth=2.2, alpha=0.75, gid="interval"
    )
    ax.plot(table["estimate"], y, linestyle="none", marker="D", markersize=4.5, color=look.DEEP, gid="estimate")
    ax.set_ylim(float(heights.sum()), 0.0)
    ax.set_yticks(y, names)
    ax.tick_params(axis="y", length=0)
    ax.grid(False, axis="y")
    _change_axis(ax, fit, table)
    look.framed(
        ax, f"What moves {fit.response.name}, and by how much", _subtitle(study), _words(fit, table, left_out, dropped)
    )
    return ax


def _subtitle(study: Study) -> str:
    if study.components:
        return f"from low to high, lines are 95 % intervals; held: {holding.held(study, ()).text}"
    return "from low to high, the other factors in the middle; lines are 95 % intervals"


def _change_axis(ax: Axes, fit: Fit, table: pd.DataFrame) -> None:
    from matplotlib.ticker import FixedLocator, FuncFormatter

    response = fit.response
    if response.scale is not None:
        ax.set_xlabel(look.folded(f"change of {fit._contrast_label} of {response.name}", 60))
        return
    if response.transform != "log":
        unit = f" ({change_unit(fit)})" if change_unit(fit) else ""
        name = response.name if response.transform is None else response.fitted_label
        ax.set_xlabel(look.folded(f"change in {name}{unit}", 60))
        return
    ends = np.concatenate([table[c].to_numpy(dtype=float) for c in ("low", "high", "estimate")])
    ends = ends[np.isfinite(ends)]
    low, high = min(float(ends.min(initial=0.0)), -0.02), max(float(ends.max(initial=0.0)), 0.02)
    room = 0.06 * (high - low)
    ax.set_xlim(low - room, high + room)
    ratios = ratio_ticks(float(np.exp(low - room)), float(np.exp(high + room)))
    ax.xaxis.set_major_locator(FixedLocator(list(np.log(ratios))))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"× {look.figures(float(np.exp(v)), 3)}"))
    ax.set_xlabel(look.folded(f"{response.name} is multiplied by", 60))


def ratio_ticks(low: float, high: float) -> Floats:
    """Round ratios between two, 1 among them."""
    from matplotlib.ticker import MaxNLocator

    if high / low > 1.6:
        steps = look.round_steps(low, high, 7)
    else:
        steps = np.array(MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high))
        steps = steps[(steps >= low) & (steps <= high) & (steps > 0)]
    apart = 0.06 * np.log(high / low)
    return np.sort(np.append(steps[np.abs(np.log(steps)) > apart], 1.0))


def change_unit(fit: Fit) -> str:
    """Unit of a change on the fitted scale; a change of a percentage is in points, so that nobody takes it for a relative one."""
    if fit.response.scale is not None:
        return "on the logit"
    if fit.response.transform is not None:
        return ""
    return "percentage points" if fit.response.unit == "%" else fit.response.unit


def change_text(fit: Fit, value: float, error: float | None = None) -> str:
    """A change on the fitted scale in figures, without its unit: "+3.2", "× 1.5"."""
    if fit.response.transform == "log":
        relative = None if error is None or not np.isfinite(error) else float(np.exp(value) * error)
        return f"×\u00a0{look.figures(float(np.exp(value)), 3, relative)}"
    return f"{'+' if value >= 0 else ''}{look.figures(value, 3, error)}"


def _words(fit: Fit, table: pd.DataFrame, left_out: list[str], dropped: int) -> str:
    first = table.iloc[0]
    out = [f"Largest: {first['effect']}, {_figure(fit, first)}."]
    if len(table) > 1:
        last = table.iloc[-1]
        out.append(f"Smallest{' drawn' if dropped else ''}: {last['effect']}, {_figure(fit, last)}.")
    quiet = [r["effect"] for _, r in table.iterrows() if r["low"] <= 0 <= r["high"]]
    if not np.isfinite(first["low"]):
        out.append("No intervals: nothing is left to judge the noise by.")
    elif not quiet:
        out.append("Every interval lies clear of no change.")
    elif len(quiet) <= 6:
        out.append(f"Not shown to matter by itself (the interval includes no change): {', '.join(quiet)}.")
    else:
        out.append(
            f"{len(quiet)} of {len(table)} intervals include no change: those effects are not shown to matter by themselves."
        )
    if dropped:
        out.append(f"{dropped} smaller effects are not drawn.")
    if left_out:
        out.append(f"In the model but not drawn: {', '.join(left_out)}.")
    if fit.choice is not None:
        out.append(SELECTED)
    return " ".join(out)


def _figure(fit: Fit, row: Any) -> str:
    text = change_text(fit, row["estimate"], row["std_error"])
    if np.isfinite(row["low"]):
        low, high = (change_text(fit, row[c], row["std_error"]) for c in ("low", "high"))
        text += f" ({low} to {high})"
    return f"{text} {change_unit(fit)}".rstrip()


# ---- which weights of the coefficients make an effect


def effect_rows(fit: Fit) -> tuple[list[Row], list[str]]:
    """The effects of a model in its own order, and the text of terms that have no effect of their own to draw."""
    study, model = fit.study, fit.model
    rows: list[Row] = []
    left_out: list[str] = []
    done: set[Term] = set()
    blends = {c.name for c in study.components}
    for index, term in enumerate(model.parsed):
        if not term or term in done:
            continue
        done.add(term)
        columns = np.flatnonzero(model.term_of == index)
        inside = [name for name, _ in term if name in blends]
        if not inside:
            rows += _process_rows(fit, term, columns)
        elif len(term) == 1 and term[0][1] == 1:
            rows.append(_component_row(fit, term[0][0]))
        elif len(term) == 2 and len(inside) == 2 and all(power == 1 for _, power in term):
            row = _blend_row(fit, inside[0], inside[1])
            rows += [row] if row is not None else []
            left_out += [] if row is not None else [term_words(term)]
        elif len(term) == 2 and len(inside) == 1 and all(power == 1 for _, power in term):
            other = next(name for name, _ in term if name not in blends)
            rows += _component_by(fit, inside[0], other)
        else:
            left_out.append(term_words(term))
    return rows, left_out


def term_words(term: Term) -> str:
    """A term for reading: "carbomer × speed", "speed²"."""
    raised = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")
    return " × ".join(name + (str(power).translate(raised) if power > 1 else "") for name, power in term) or "constant"


def _process_rows(fit: Fit, term: Term, columns: NDArray[np.int64]) -> list[Row]:
    """Rows of a term in process factors: coefficients times the span of their column over the studied range."""
    study, model = fit.study, fit.model
    kinds = [study.variable(name) for name, _ in term if isinstance(study.variable(name), Categorical)]
    numeric = [(name, power) for name, power in term if not isinstance(study.variable(name), Categorical)]
    span = 1.0 if not numeric or all(power % 2 == 0 for _, power in numeric) else 2.0
    if not kinds:
        label = term_words(term)
        if len(term) == 1 and term[0][1] == 1:
            f = study.variable(term[0][0])
            # of a covariate the range is a standard deviation to either side, which is coded −1 to 1
            low, high = (f.law[0] - f.law[1], f.law[0] + f.law[1]) if isinstance(f, Covariate) else (f.low, f.high)  # type: ignore[union-attr]
            label = (
                f"{f.name}, {look.figures(low, 4)} to {look.figures(high, 4)}\u00a0{getattr(f, 'unit', '')}".rstrip()
            )
        elif len(term) == 1 and term[0][1] == 2:
            label = f"{term_words(term)}, the bend"
        return [Row(label, _only(model.p, columns, np.array([span])))]
    levels = [f.levels for f in kinds]  # type: ignore[union-attr]
    tail = f" × {term_words(tuple(numeric))}" if numeric else ""
    if len(kinds) == 1 and len(levels[0]) == 2:
        name, (first, second) = kinds[0].name, levels[0]
        return [Row(f"{name}, {second} instead of {first}{tail}", _only(model.p, columns, np.array([-2.0 * span])))]
    rows = []
    for combination in product(*(range(len(ls)) for ls in levels)):
        parts = []
        for at, ls in zip(combination, levels, strict=True):
            contrast = -np.ones(len(ls) - 1) if at == len(ls) - 1 else np.eye(len(ls) - 1)[at]
            parts.append(contrast)
        weights = parts[0]
        for more in parts[1:]:
            weights = np.kron(weights, more)
        name = " × ".join(f"{f.name} {ls[at]}" for f, ls, at in zip(kinds, levels, combination, strict=True))
        rows.append(Row(f"{name}{tail}, against the average", _only(model.p, columns, span * weights)))
    return rows


def _only(p: int, columns: NDArray[np.int64], weights: Floats) -> Floats:
    out = np.zeros(p)
    out[columns] = weights
    return out


def _ends(fit: Fit, name: str) -> tuple[pd.DataFrame, Floats]:
    """Settings along one component from its least to its most inside the region, the others giving way."""
    study = fit.study
    start = holding.held(study, (name,))
    f = study.factor(name)
    values = np.linspace(f.low, f.high, 201)  # type: ignore[union-attr]
    table, inside = start.table({name: values})
    table = table[inside]
    return table.iloc[[0, -1]], values[inside][[0, -1]]


def _component_row(fit: Fit, name: str) -> Row:
    table, values = _ends(fit, name)
    X = fit.model.matrix(table)
    unit = getattr(fit.study.factor(name), "unit", "")
    ends = [look.figures(v, 4) for v in values]
    return Row(f"{name}, {ends[0]} to {ends[1]}\u00a0{unit}".rstrip(), X[1] - X[0])


def _component_by(fit: Fit, component: str, other: str) -> list[Row]:
    """Half the difference of a component's effect between a process factor's high and low; between levels, against their average."""
    study = fit.study
    table, _ = _ends(fit, component)
    f = study.factor(other)

    def effect(setting: Any) -> Floats:
        moved = table.copy()
        moved[other] = setting
        X = fit.model.matrix(moved)
        return np.asarray(X[1] - X[0])

    if not isinstance(f, Categorical):
        return [Row(f"{component} × {other}", 0.5 * (effect(f.high) - effect(f.low)))]
    each = [effect(level) for level in f.levels]
    if len(each) == 2:
        return [Row(f"{other}, {f.levels[1]} instead of {f.levels[0]} × {component}", 0.5 * (each[1] - each[0]))]
    mean = np.mean(each, axis=0)
    return [
        Row(f"{other} {level} × {component}, against the average", e - mean)
        for level, e in zip(f.levels, each, strict=True)
    ]


def _blend_row(fit: Fit, first: str, second: str) -> Row | None:
    """How far the middle of two components' exchange lies off the straight line between its ends; None if they cannot be exchanged."""
    study = fit.study
    parts = [c.name for c in study.components]
    middle = holding.middle(study)
    both = middle[first] + middle[second]
    f = study.factor(first)
    values = np.linspace(max(f.low, 0.0), min(f.high, both), 201)  # type: ignore[union-attr]
    table = pd.DataFrame([middle] * len(values))
    table[first], table[second] = values, both - values
    inside = np.asarray(study.region.contains(table), dtype=bool)
    if inside.sum() < 3 or len(parts) < 2:
        return None
    ends = table[inside].iloc[[0, -1]]
    centre = ends.iloc[[0]].copy()
    for name in (first, second):
        centre[name] = float(ends[name].mean())
    X = fit.model.matrix(pd.concat([ends, centre]))
    return Row(f"{first} × {second}, blend off the straight line", X[2] - 0.5 * (X[0] + X[1]))


def estimates(fit: Fit, rows: list[Row]) -> pd.DataFrame:
    """Effects on the fitted scale with their 95 % intervals: effect, estimate, std_error, low, high (NaN where nothing judges the noise).

    Each with the degrees of freedom of its own.
    """
    out = fit.contrasts(np.array([r.weights for r in rows]))[["estimate", "std_error", "low", "high"]]
    out.insert(0, "effect", [r.label for r in rows])
    return out
