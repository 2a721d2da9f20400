"""Curves of a fitted response over its factors, one at a time or by the setting of another, with intervals for the mean."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import ceil
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.plots import holding, look
from doe.plots.runs import observed
from doe.study import Categorical, Component, Continuous, StudyError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

    from doe.fits import Fit

Floats = NDArray[np.float64]
STEPS = 81
ACROSS = 3  # panels in a row, so that a page can carry the picture without shrinking its words
MOST_PAIRS = 9


def main_effects(fit: Fit, at: Any = None, figure: Figure | SubFigure | None = None) -> Figure | SubFigure:
    """The response over each factor by itself, the others held.

    Parameters
    ----------
    fit : Fit
        As `doe.fit` gives it.
    at : mapping or Series, optional
        Settings at which the other factors are held; what is left out is held in the middle of the region.
    figure : Figure, optional
        Figure to draw in; a new one if left out.

    Returns
    -------
    Figure
        One panel a factor, all on the response's own scale: the predicted mean (median where the response is transformed) with
        its 95 % band, batches as hollow marks whatever their other settings, specification limits dotted. A component moves at
        the expense of what takes up the rest. A curve stops where the region ends.
    """
    look.need_fit("main_effects", fit)
    study = fit.study
    start = holding.held(study, (), at)
    names = study.names
    down, across = evenly(len(names))
    figure = look.figure_for(figure, 1.2 + 2.2 * across, 0.3 + 2.0 * down)
    panels = panels_in(figure, down, across, len(names))
    marks = observed(fit)
    extremes: list[tuple[str, Floats, pd.DataFrame, list[Any]]] = []
    reach: list[Floats] = [marks["reading"].to_numpy(dtype=float)]
    for ax, name in zip(panels, names, strict=True):
        factor = study.factor(name)
        path = start.moving(name)
        values, table, curve = _along(fit, path, name)
        _draw(ax, factor, values, curve, look.CURVES[0])
        _mark(ax, factor, marks)
        ax.set_xlabel(look.folded(factor.label, 24))
        inside = curve["estimate"].notna().to_numpy()
        if inside.any():
            extremes.append((name, values, curve, list(table[name])))
        reach += [curve["low"].to_numpy(dtype=float), curve["high"].to_numpy(dtype=float)]
    _common_scale(fit, panels, np.concatenate(reach), across)
    second = "each factor by itself; the others held at " + (start.text or "nothing else") if len(names) > 1 else ""
    look.headed(figure, f"{fit.response.label} over each factor", second, _main_words(fit, extremes))
    _name_limits(fit, panels, names, marks, across)
    return figure


def interactions(
    fit: Fit, pairs: Sequence[tuple[str, str]] | None = None, at: Any = None, figure: Figure | SubFigure | None = None
) -> Figure | SubFigure:
    """The response over one factor at the low and the high setting of another: parallel curves, no interaction.

    Parameters
    ----------
    fit : Fit
        As `doe.fit` gives it.
    pairs : sequence of (x, by), optional
        Which factors; x runs along the axis, `by` tells the curves apart. All two-factor interactions of the model if left out, the
        clearest first, at most nine.
    at : mapping or Series, optional
        Settings at which the remaining factors are held; what is left out is held in the middle of the region.
    figure : Figure, optional
        Figure to draw in; a new one if left out.

    Returns
    -------
    Figure
        One panel a pair, all on the response's own scale, with 95 % bands; hollow marks are all batches, whatever their other settings.

    Raises
    ------
    StudyError
        If a pair names no two factors of the study or two components, or there is nothing to draw.
    """
    from matplotlib.lines import Line2D

    look.need_fit("interactions", fit)
    study = fit.study
    chosen, more = _pairs(fit, pairs)
    start = holding.held(study, (), at)
    down, across = evenly(len(chosen))
    figure = look.figure_for(figure, 1.2 + (2.2 if across > 1 else 3.6) * across, 0.3 + 2.5 * down)
    panels = panels_in(figure, down, across, len(chosen))
    marks = observed(fit)
    reach: list[Floats] = [marks["reading"].to_numpy(dtype=float)]
    said = []
    for ax, (name, by) in zip(panels, chosen, strict=True):
        x, other = study.factor(name), study.factor(by)
        settings = list(other.levels) if isinstance(other, Categorical) else [other.low, other.high]
        handles, ends = [], []
        for place, setting in enumerate(settings):
            path = replace(start.moving(name, by), base={**start.base, by: setting})
            values, _, curve = _along(fit, path, name, {by: setting})
            style = look.CURVES[place % len(look.CURVES)]
            _draw(ax, x, values, curve, style, shift=(place - (len(settings) - 1) / 2) * 0.12)
            label = look.plain(holding.setting_text(other, setting))
            handles.append(Line2D([], [], color=style[0], linestyle=style[1], linewidth=1.8, label=label))
            seen = curve["estimate"].dropna().to_numpy(dtype=float)
            if len(seen) > 1:
                ends.append((setting, seen[0], seen[-1]))
            reach += [curve["low"].to_numpy(dtype=float), curve["high"].to_numpy(dtype=float)]
        _mark(ax, x, marks)
        ax.set_xlabel(look.folded(x.label, 28))
        ax.legend(
            handles=handles,
            loc="lower left",
            bbox_to_anchor=(-0.02, 1.0),
            frameon=False,
            fontsize=look.SMALL,
            handlelength=2.2,
            borderaxespad=0.2,
            labelcolor=look.INK,
            ncols=1,
        )
        if len(ends) > 1:
            said.append(_pair_words(fit, name, other, ends))
    _common_scale(fit, panels, np.concatenate(reach), across)
    free = {n for pair in chosen for n in pair}
    still = start.moving(*(free if len(chosen) == 1 else ())).text
    second = f"the other factors held at {still}" if still else ""
    under = " ".join(
        [*said[:2], _MARKS] + ([f"{more} further interactions of the model are not drawn."] if more else [])
    )
    look.headed(figure, f"{fit.response.label}: does one factor change what another does?", second, under)
    _name_limits(fit, panels, [name for name, _ in chosen], marks, across)
    return figure


_MARKS = "Lines: predicted, with 95 % bands for the mean; hollow marks: batches, whatever their other settings."


def evenly(n: int) -> tuple[int, int]:
    """Rows and columns for n panels, as even as can be."""
    down = ceil(n / ACROSS)
    return down, ceil(n / down)


def panels_in(figure: Figure | SubFigure, down: int, across: int, n: int) -> list[Axes]:
    """Panels row by row on one vertical scale."""
    panels: list[Axes] = []
    for i in range(n):
        shared = panels[0] if panels else None
        panels.append(look.dress(figure.add_subplot(down, across, i + 1, sharey=shared)))
    return panels


def _along(
    fit: Fit, path: holding.Held, name: str, beside: Mapping[str, Any] | None = None
) -> tuple[Floats, pd.DataFrame, pd.DataFrame]:
    """Positions on the x axis, settings, and prediction (NaN outside the region) along one factor."""
    factor = path.study.factor(name)
    chosen = holding.steps(factor, STEPS)
    table, inside = path.table({name: chosen, **{other: [v] * len(chosen) for other, v in (beside or {}).items()}})
    positions = (
        np.arange(len(table), dtype=float) if isinstance(factor, Categorical) else table[name].to_numpy(dtype=float)
    )
    curve = pd.DataFrame(np.nan, index=table.index, columns=["estimate", "low", "high"])
    if inside.any():
        curve.loc[inside, :] = fit.predict(table[inside])[["estimate", "low", "high"]].to_numpy(dtype=float)
    return positions, table, curve


def _draw(ax: Axes, factor: Any, x: Floats, curve: pd.DataFrame, style: tuple[str, Any], shift: float = 0.0) -> None:
    colour, dash = style
    low, mid, high = (curve[c].to_numpy(dtype=float) for c in ("low", "estimate", "high"))
    if isinstance(factor, Categorical):
        at = x + shift
        ax.vlines(at, low, high, color=colour, linewidth=2.2, alpha=0.75, gid="interval")
        ax.plot(at, mid, linestyle="none", marker="D", markersize=4.5, color=colour, gid="curve")
        ax.set_xticks(x, [look.folded(level, 12) for level in factor.levels])
        ax.set_xlim(-0.6, len(x) - 0.4)
        ax.grid(False, axis="x")
        return
    ax.fill_between(x, low, high, color=colour, alpha=look.BAND, linewidth=0, gid="interval")
    ax.plot(x, mid, color=colour, linestyle=dash, linewidth=1.8, gid="curve")
    room = 0.04 * (factor.high - factor.low)
    ax.set_xlim(factor.low - room, factor.high + room)


def _positions(factor: Any, marks: pd.DataFrame) -> Floats:
    """Where batches stand along a factor's axis; left of a categorical level's own place."""
    values = marks[factor.name]
    if isinstance(factor, Categorical):
        return np.array([factor.levels.index(v) for v in values], dtype=float) - 0.28
    return np.asarray(values.to_numpy(dtype=float))


def _mark(ax: Axes, factor: Any, marks: pd.DataFrame) -> None:
    x = _positions(factor, marks)
    if not isinstance(factor, Categorical):
        low, high = ax.get_xlim()
        room = 0.04 * (high - low)
        ax.set_xlim(min(low, float(x.min()) - room), max(high, float(x.max()) + room))
    look.batches(ax, x, marks["reading"], size=13)


def _common_scale(fit: Fit, panels: list[Axes], values: Floats, across: int) -> None:
    finite = values[np.isfinite(values)]
    for i, ax in enumerate(panels):
        look.own_scale(ax, fit.response, finite)
        look.limit_lines(ax, fit.response)
        if i % across:
            ax.set_ylabel("")
            ax.tick_params(axis="y", labelleft=False)


def _name_limits(fit: Fit, panels: list[Axes], names: Sequence[str], marks: pd.DataFrame, across: int) -> None:
    """Name the limits once a row, in its last panel."""
    for i, (ax, name) in enumerate(zip(panels, names, strict=True)):
        if i % across == across - 1 or i == len(panels) - 1:
            x = _positions(fit.study.factor(name), marks)
            points = [np.column_stack([x, marks["reading"].to_numpy(dtype=float)])]
            points += [
                np.asarray(line.get_xydata(), dtype=float) for line in ax.get_lines() if line.get_gid() == "curve"
            ]
            look.name_limits(ax, fit.response, np.vstack(points))


def _main_words(fit: Fit, extremes: list[tuple[str, Floats, pd.DataFrame, list[Any]]]) -> str:
    if not extremes:
        return "No setting along these lines lies in the region studied."
    spans = [
        float(np.log(c["estimate"].max() / c["estimate"].min()))
        if _ratio(fit)
        else float(np.ptp(c["estimate"].dropna()))
        for _, _, c, _ in extremes
    ]
    out = []
    for word, i in (("most", int(np.argmax(spans))), ("least", int(np.argmin(spans)))):
        name, _, curve, settings = extremes[i]
        factor = fit.study.factor(name)
        parts = []
        estimates = curve["estimate"].to_numpy(dtype=float)
        for which in (int(np.nanargmin(estimates)), int(np.nanargmax(estimates))):
            row, place = curve.iloc[which], settings[which]
            where = (
                place
                if isinstance(factor, Categorical)
                else f"{look.figures(float(place), 3)} {getattr(factor, 'unit', '')}".strip()
            )
            parts.append(f"{value_text(fit, row['estimate'])} ({_between(fit, row)}) at {where}")
        out.append(f"{name} moves it {word}: from {parts[0]} to {parts[1]}.")
        if len(extremes) == 1:
            break
    return " ".join([*out, _MARKS])


def _ratio(fit: Fit) -> bool:
    return fit.response.transform == "log"


def value_text(fit: Fit, value: float, unit: bool = True) -> str:
    """A predicted value with the response's decimals, or three digits of its range."""
    response = fit.response
    if response.decimals is not None:
        text = f"{value:.{response.decimals}f}".replace("-", "−")
    else:
        readings = observed(fit)["reading"].to_numpy(dtype=float)
        text = look.figures(float(value), error=float(np.ptp(readings)) / 30.0 or None)
    return f"{text} {response.unit}".strip() if unit else text


def _between(fit: Fit, row: Any) -> str:
    return f"{value_text(fit, row['low'], False)} to {value_text(fit, row['high'], False)}"


def _pairs(fit: Fit, pairs: Any) -> tuple[list[tuple[str, str]], int]:
    study = fit.study
    if pairs is not None:
        if isinstance(pairs, str | Mapping) or not isinstance(pairs, Sequence) or not pairs:
            raise StudyError("pairs", pairs, "a list of pairs of factor names", 'write [("polymer", "speed")]')
        out = []
        for i, pair in enumerate(pairs, start=1):
            where = f"pairs: entry {i}"
            if isinstance(pair, str) or not isinstance(pair, Sequence) or len(pair) != 2 or pair[0] == pair[1]:
                raise StudyError(where, pair, "two different factor names", 'write ("polymer", "speed")')
            first, second = (holding.known(study, name, where) for name in pair)
            if isinstance(first, Component) and isinstance(second, Component):
                raise StudyError(
                    where,
                    tuple(pair),
                    "no two components, since one moves at the other's expense",
                    "see how they blend in contours(fit, x, y)",
                )
            out.append((first.name, second.name))
        return out, 0
    found = drawable_pairs(fit)
    if not found:
        raise StudyError(
            "fit: model",
            ", ".join(fit.model.terms),
            "one with a two-factor interaction to draw",
            'fit "interaction" or "quadratic", or see main_effects(fit)',
        )
    return found[:MOST_PAIRS], max(len(found) - MOST_PAIRS, 0)


def drawable_pairs(fit: Fit) -> list[tuple[str, str]]:
    """The two-factor interactions of a model that curves can show, as (along the axis, apart), the clearest first."""
    study = fit.study
    found: list[tuple[float, tuple[str, str]]] = []
    table = fit.coefficients
    with np.errstate(divide="ignore", invalid="ignore"):  # of scores there is a posterior mean over its SD, and no t
        t = np.abs(table["t"] if "t" in table else table["estimate"] / table["std_error"]).to_numpy(dtype=float)
    if len(t) < fit.model.p:  # scores have no intercept: their cut-points stand for it
        t = np.concatenate([np.zeros(fit.model.p - len(t)), t])
    for index, term in enumerate(fit.model.parsed):
        if len(term) != 2 or any(power != 1 or name not in study.names for name, power in term):
            continue
        first, second = (study.factor(name) for name, _ in term)
        if isinstance(first, Component) and isinstance(second, Component):
            continue
        # along the axis what is continuous, as the curves' names what has few settings
        if isinstance(second, Component) or (
            isinstance(second, Continuous) and not isinstance(first, Continuous | Component)
        ):
            first, second = second, first
        strength = float(np.nan_to_num(t[np.flatnonzero(fit.model.term_of == index)].max()))
        found.append((-strength, (first.name, second.name)))
    return [pair for _, pair in sorted(found, key=lambda item: item[0])]


def _pair_words(fit: Fit, name: str, other: Any, ends: list[tuple[Any, float, float]]) -> str:
    parts = [
        f"at {holding.setting_text(other, setting)} from {value_text(fit, first, False)} to {value_text(fit, last)}"
        for setting, first, last in (ends[0], ends[-1])
    ]
    return f"Along {name}: {parts[0]}, {parts[1]}."
