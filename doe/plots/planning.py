"""Pictures of plans before a batch is made: what each batch more buys, how precise where, which terms run together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from doe.plots import look
from doe.plots.slices import (
    bar,
    draw_lines,
    fill,
    frame,
    mark_places,
    marks_text,
    place_text,
    put_batches,
    round_levels,
    sliced,
)
from doe.quality.sentences import SAME, listed, several, spoken
from doe.study import StudyError

if TYPE_CHECKING:
    from typing import Any

    from matplotlib.axes import Axes

    from doe.quality import Check, Comparison, Smallest

BANDS = 120
MOST_NUMBERS = 24  # columns of a triangle whose figures can still be read
WORST = 3


def power_by_batches(smallest: Smallest, ax: Axes | None = None) -> Axes:
    """Power of the best plan found, against the number of batches.

    Parameters
    ----------
    smallest : Smallest
        As `doe.quality.smallest_plan` gives it; with `all_sizes=True` the curve covers the whole range asked for.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        The line is the term hardest to see at each size, the band reaches to the easiest; the power asked for is dotted. Where something is
        hard to change, each number of batches stands at its best number of whole plots tried.

    Raises
    ------
    StudyError
        If no change was asked for, so that there is no power to draw.
    """
    from matplotlib.ticker import MaxNLocator

    if smallest.powers is None:
        raise StudyError(
            "smallest",
            "a plan asked for by precision alone",
            "one asked for by changes",
            "give change= or ratio= to smallest_plan",
        )
    powers = smallest.powers.fillna({"power": 0.0})
    sizes = [c for c in ("runs", "whole_plots") if c in powers]
    ends = (
        powers.groupby(sizes)["power"]
        .agg(["min", "max"])
        .reset_index()
        .sort_values("min")
        .groupby("runs")
        .last()
        .sort_index()
    )
    n, low, high = (
        ends.index.to_numpy(dtype=float),
        ends["min"].to_numpy(dtype=float),
        ends["max"].to_numpy(dtype=float),
    )
    ax = look.axes_for(ax, 5.8, 3.6)
    ax.fill_between(n, low, high, color=look.DEEP, alpha=look.BAND, linewidth=0, gid="band")
    ax.plot(n, low, color=look.DEEP, linewidth=1.8, gid="least power")
    look.batches(ax, n, low, size=26.0, label="size tried")
    ax.axhline(smallest.wanted, color=look.INK, linewidth=1.0, linestyle=(0, (2, 2)), gid="asked")
    ax.set_ylim(0.0, 1.03)
    if len(n) == 1:
        ax.set_xlim(n[0] - 1, n[0] + 1)
    ax.xaxis.set_major_locator(MaxNLocator(8, integer=True, min_n_ticks=1))
    ax.set_xlabel("batches")
    ax.set_ylabel("power")
    chosen = len(smallest.plan.runs)
    look.framed(
        ax, "What each batch more buys", f"the best plans found {smallest.asked}", _power_words(smallest, chosen)
    )
    ax.annotate(
        f"asked: {look.figures(smallest.wanted)}",
        (1.0, smallest.wanted),
        xycoords=("axes fraction", "data"),
        xytext=(-2, -3),
        textcoords="offset points",
        ha="right",
        va="top",
        fontsize=look.SMALL,
        color=look.INK,
        path_effects=look.halo(),
        gid="asked",
    )
    return ax


def _power_words(smallest: Smallest, chosen: int) -> str:
    found = smallest.power
    assert found is not None  # checked by the caller
    worst = found.loc[[int(found["power"].to_numpy().argmin())]].iloc[0]
    whole = "" if smallest.plan.whole_plot is None else f" in {smallest.plan.whole_plot.nunique()} whole plots"
    out = f"{chosen} batches{whole} are the fewest found; hardest to see then: {spoken(str(worst['term']))}, power {look.figures(float(worst['power']), 3)}."
    return f"{out} Line: the hardest term at each size; band: up to the easiest. Hollow marks: sizes tried."


def precision_over_region(
    checks: Check | Comparison | Mapping[str, Check], points: int = 10_000, seed: int = 0, ax: Axes | None = None
) -> Axes:
    """Which share of the region is predicted with at most a given variance: one curve a plan, up to four.

    Parameters
    ----------
    checks : Check, Comparison, or mapping name -> Check
        As `doe.quality.check` and `doe.quality.compare` give them.
    points, seed : int
        Settings drawn from the region for each curve, as for `Check.variance_over_region`.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        Prediction variance over σ², from its lowest to its largest, against the share of the region at or below.

    References
    ----------
    Zahran, A., Anderson-Cook, C. M. & Myers, R. H. (2003). Fraction of design space to assess prediction capability of response
    surface designs. Journal of Quality Technology 35(4), 377-386.
    """
    named: Mapping[str, Any]
    if hasattr(checks, "checks"):
        named = checks.checks
    else:
        named = checks if isinstance(checks, Mapping) else {"this plan": checks}
    if not 1 <= len(named) <= len(look.CURVES):
        raise StudyError(
            "checks", f"{len(named)} plans", f"from 1 to {len(look.CURVES)}", "draw fewer plans in one picture"
        )
    ax = look.axes_for(ax, 5.8, 3.8)
    overs = {name: made.variance_over_region(points, seed) for name, made in named.items()}
    for (colour, dash), (name, over) in zip(look.CURVES, overs.items(), strict=False):
        ax.plot(
            100 * over.curve["fraction"],
            over.curve["variance"],
            color=colour,
            linestyle=dash,
            linewidth=1.8,
            label=look.plain(name),
            gid="curve",
        )
    ax.set_xlim(0, 100)
    ax.set_ylim(bottom=0)
    ax.set_xlabel("share of the region at or below (%)")
    ax.set_ylabel("variance of a predicted mean / σ²")
    if len(named) > 1:
        ax.legend(
            loc="upper left",
            frameon=False,
            fontsize=look.SMALL,
            labelcolor=look.INK,
            handlelength=3.2,
            borderaxespad=0.2,
        )
    look.framed(
        ax, "How precise, over how much of the region", "1: as uncertain as one batch made there", _over_words(overs)
    )
    return ax


def _over_words(overs: Mapping[str, Any]) -> str:
    out = []
    for name, over in overs.items():
        start = f"{name}: " if len(overs) > 1 else ""
        out.append(
            f"{start}half the region at or below {look.figures(float(over.quantiles[0.5]), 2)}, average "
            f"{look.figures(over.average, 3)}, largest {look.figures(over.maximum, 3)} at {over.worst_text}."
        )
    return " ".join(out)


def term_correlations(made: Check, ax: Axes | None = None) -> Axes:
    """Correlation over the batches between the model's terms: a lower triangle with its figures, the worst pairs in words.

    Parameters
    ----------
    made : Check
        As `doe.quality.check` gives it.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        Colour by size, whatever the sign; figures with their sign, 0 as a dot.
    """
    from matplotlib.colors import Normalize

    table = made.correlation
    names = [spoken(str(c)) for c in table.columns]
    k = len(names)
    if k < 2:
        raise StudyError(
            "check",
            "a model of one term",
            "one of at least two terms beside the constant",
            "there is nothing to run together",
        )
    values = table.to_numpy(dtype=float)
    side = min(max(0.36 * k, 2.6), 9.0)
    ax = look.axes_for(ax, side + 2.6, side + 1.2)
    ax.grid(False)
    shown = np.abs(np.where(np.tril(np.ones((k, k)), -1) > 0, values, np.nan))[1:, :-1]
    drawn = ax.imshow(
        np.ma.masked_invalid(shown),
        cmap=look.colour_scale(),
        norm=Normalize(0.0, 1.0),
        aspect="equal",
        interpolation="nearest",
    )
    ax.set_xticks(range(k - 1), [look.folded(n, 26) for n in names[:-1]], rotation=90 if k > 4 else 0)
    ax.set_yticks(range(k - 1), [look.folded(n, 26) for n in names[1:]])
    ax.tick_params(length=0)
    for spine in ax.spines.values():
        spine.set_visible(False)
    if k - 1 <= MOST_NUMBERS:
        size = look.SMALL if k <= 12 else look.SMALL - 2
        for i in range(k - 1):
            for j in range(i + 1):
                r = values[i + 1, j]
                if np.isfinite(r):
                    ax.text(
                        j,
                        i,
                        _figure(r),
                        ha="center",
                        va="center",
                        fontsize=size,
                        color=look.PAPER if abs(r) > 0.55 else look.INK,
                        gid="correlation",
                    )
    bar(ax, drawn, "size of the correlation", [0.0, 0.25, 0.5, 0.75, 1.0])
    look.framed(ax, "Which terms run together over the batches", "", _pair_words(names, values))
    return ax


def _figure(r: float) -> str:
    if abs(r) < 0.005:
        return "·"
    text = f"{abs(r):.2f}"
    return ("−" if r < 0 else "") + (text[1:] if text.startswith("0") else "1")


def _pair_words(names: list[str], values: Any) -> str:
    pairs = [(abs(values[i, j]), i, j) for i in range(len(names)) for j in range(i) if abs(values[i, j]) >= 0.005]
    if not pairs:
        return "No two terms run together at all: each is estimated as if it stood alone."
    pairs.sort(key=lambda p: (-p[0], p[1], p[2]))
    same = [f"{names[j]} and {names[i]}" for r, i, j in pairs if r >= SAME]
    start = f"Cannot be told apart: {several(same)}. " if same else ""
    rest = [
        f"{names[j]} with {names[i]} ({look.figures(round(float(values[i, j]), 2))})" for r, i, j in pairs if r < SAME
    ][:WORST]
    return start + (f"Most alike: {listed(rest)}." if rest else "")


def prediction_variance(made: Check, x: str, y: str, at: Any = None, n: int = 81, ax: Axes | None = None) -> Axes:
    """How uncertain a predicted mean is over two factors, in units of the variance of one batch.

    Parameters
    ----------
    made : Check
        As `doe.quality.check` gives it.
    x, y : str
        Numeric factors or components.
    at : mapping or Series, optional
        Settings at which the other factors are held; what is left out is held in the middle of the region, and the title says where.
    n : int
        Grid points along each axis.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        Colour and contour lines with their values; outside the region left blank and hatched. Hollow marks are planned batches.

    Raises
    ------
    StudyError
        If x or y is no numeric factor, both are the same, or no setting of the slice lies in the region.
    """
    from matplotlib.colors import Normalize

    cut = sliced(made.plan.study, x, y, at, n)
    values = np.asarray(made.variance(cut.table[cut.near]), dtype=np.float64)
    inside = cut.within(values)
    low, high = float(inside.min()), float(inside.max())
    ax = look.axes_for(ax, 6.2, 5.0)
    frame(ax, cut)
    if high - low <= 1e-9 * high:
        low, high = low * 0.999, high * 1.001
    z = cut.grid(values)
    levels = round_levels(low, high, False)
    bar(
        ax,
        fill(ax, cut, z, Normalize(low, high), np.linspace(low, high, BANDS)),
        "variance of a predicted mean / σ²",
        levels,
    )
    runs = made.plan.runs
    here, elsewhere = put_batches(ax, cut, runs)
    best, worst = (cut.table[cut.inside].iloc[int(pick(inside))] for pick in (np.argmin, np.argmax))
    words = (
        f"Surest: {look.figures(low, 3)} at {place_text(cut, best)}. Least sure: {look.figures(high, 3)} at {place_text(cut, worst)}. "
        f"1 is the variance of one batch. {marks_text(here, elsewhere, len(made.plan.study.factors) - 2)}"
    )
    second = f"held: {cut.path.text}" if cut.path.text else ""
    look.framed(ax, f"How sure a prediction is over {x} and {y}", second, words)
    draw_lines(ax, cut, z, [(v, look.figures(v)) for v in levels], 0, [look.Discs(), mark_places(ax, cut, runs)])
    return ax
