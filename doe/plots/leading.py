"""Ways over a fitted surface, and where its stationary point may lie."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.fits.verdicts import listed
from doe.plots import holding, look
from doe.plots.curves import evenly, value_text
from doe.plots.runs import observed
from doe.plots.triangle import corners_of, hull
from doe.study import StudyError
from doe.study.errors import nearest
from doe.study.shown import chance_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

    from doe.fits.canonical import Surface, SurfacePath
    from doe.fits.whereabouts import Whereabouts

SOLID = "-"
BEYOND = (0, (3, 2))  # settings outside the region studied
GRID = 61
BESIDE = 0.6  # ranges beyond the region studied that are shown where the stationary point may lie there
ROOM = 0.08  # ranges about the ends of its interval


def surface_path(path: SurfacePath, figure: Figure | SubFigure | None = None) -> Figure | SubFigure:
    """A way over a surface: what is foretold along it, and the settings it asks for.

    Parameters
    ----------
    path : SurfacePath
        As `fit.surface().ridge(radii)` or `.ascent(step)` gives it; the more distances or steps, the smoother.
    figure : Figure, optional
        Figure to draw in; a new one if left out.

    Returns
    -------
    Figure
        Over the distance from the centre (of a ridge) or the steps: above, the predicted mean (median where the response is transformed, mean
        score where it is scored) with its 95 % interval and the specification limits; below, a panel a factor in its own unit, its range dotted.
        Dashed where a setting lies outside the region studied.

    Raises
    ------
    StudyError
        If it is no such path.

    References
    ----------
    Draper, N. R. (1963). "Ridge analysis" of response surfaces. Technometrics 5(4), 469-479. Box, G. E. P. & Wilson, K. B. (1951). On the
    experimental attainment of optimum conditions. J. R. Stat. Soc. B 13, 1-45.
    """
    from matplotlib.ticker import MaxNLocator

    from doe.fits.canonical import SurfacePath

    if not isinstance(path, SurfacePath):
        raise StudyError(
            "plots.surface_path: path",
            type(path).__name__,
            "the whole table that ridge() or ascent() of a surface gives",
            "give fits['viscosity'].surface().ascent(0.5)",
        )
    ridge = path.columns[0] == "radius"
    label = "distance from the centre (coded units)" if ridge else "step from the centre"
    surface, fit = path.surface, path.surface.fit
    down, across = evenly(len(surface.names))
    figure = look.figure_for(figure, 1.4 + 2.2 * max(across, 2), 2.6 + 1.55 * down)
    grid = figure.add_gridspec(1 + down, across, height_ratios=[1.7, *[1.0] * down])
    x = path.iloc[:, 0].to_numpy(dtype=float)
    inside = path["inside"].to_numpy(dtype=bool)
    top = look.dress(figure.add_subplot(grid[0, :]))
    low, middle, high = (path[c].to_numpy(dtype=float) for c in ("low", "estimate", "high"))
    top.fill_between(x, low, high, color=look.DEEP, alpha=look.BAND, linewidth=0, gid="interval")
    _line(top, x, middle, inside, "estimate")
    look.limit_lines(top, fit.response)
    look.own_scale(top, fit.response, np.concatenate([low, middle, high]))
    top.set_ylabel("")
    what = fit.response.label if fit.response.scale is None else f"mean score of {fit.response.name}"
    _head(top, what, 70)
    for i, name in enumerate(surface.names):
        factor: Any = fit.study.factor(name)
        ax = look.dress(figure.add_subplot(grid[1 + i // across, i % across], sharex=top))
        for bound in (factor.low, factor.high):
            ax.axhline(bound, color=look.SOFT, linewidth=0.9, linestyle=(0, (1, 1.6)), zorder=1.5, gid="range")
        values = path[name].to_numpy(dtype=float)
        _line(ax, x, values, inside, "setting")
        ends = np.array([factor.low, factor.high, values.min(), values.max()])
        room = 0.08 * float(np.ptp(ends))
        ax.set_ylim(float(ends.min()) - room, float(ends.max()) + room)
        ax.yaxis.get_major_locator().set_params(nbins=4)  # type: ignore[call-arg]  # MaxNLocator, as dressed
        _head(ax, factor.label, 30 if across > 1 else 70)
        if i // across == down - 1:
            ax.set_xlabel(look.folded(label, 26 if across > 1 else 60))
    room = 0.03 * float(np.ptp(x)) or 0.5
    top.set_xlim(float(x.min()) - room, float(x.max()) + room)
    title = path.note.split("\n")[0].removesuffix(surface._held()).removesuffix(".")
    look.headed(figure, title, f"held: {surface.held_words}" if surface.held_words else "", _words(path, inside))
    look.name_limits(top, fit.response, np.column_stack([np.tile(x, 3), np.concatenate([low, middle, high])]))
    if not ridge:
        for ax in figure.axes:
            ax.xaxis.set_major_locator(MaxNLocator(5, integer=True))
            look.ease_ticks(ax)
    return figure


def _head(ax: Axes, label: str, width: int) -> None:
    """A panel's quantity above it: a small panel has no room beside it for a long name."""
    ax.set_title(look.folded(label, width), loc="left", fontsize=look.TEXT, color=look.INK, pad=4)


def _line(ax: Axes, x: NDArray[np.float64], y: NDArray[np.float64], inside: NDArray[np.bool_], gid: str) -> None:
    """A line with a mark at every setting; a stretch is dashed where either of its ends lies outside the region."""
    within = inside[:-1] & inside[1:]
    for style, there in ((SOLID, within), (BEYOND, ~within)):
        for start in np.flatnonzero(there & ~np.concatenate([[False], there[:-1]])):
            stop = start + 1
            while stop < len(there) and there[stop]:
                stop += 1
            ax.plot(
                x[start : stop + 1],
                y[start : stop + 1],
                color=look.DEEP,
                linewidth=1.6,
                linestyle=style,
                gid=f"{gid} line",
            )
    ax.plot(x, y, linestyle="none", marker="o", markersize=3.0, color=look.DEEP, gid=gid)


def _words(path: SurfacePath, inside: NDArray[np.bool_]) -> str:
    fit, table = path.surface.fit, pd.DataFrame(path)
    seen = table[inside] if inside.any() else table
    middle = seen["estimate"].to_numpy(dtype=float)
    best = seen.iloc[int(middle.argmax() if path.goal == "high" else middle.argmin())]
    settings = ", ".join(holding.setting_text(fit.study.factor(n), best[n]) for n in path.surface.names)
    interval = ""
    if np.isfinite(best["low"]):
        interval = f" (95 %: {value_text(fit, best['low'], False)} to {value_text(fit, best['high'], False)})"
    place = f"{'distance' if path.columns[0] == 'radius' else 'step'} {look.figures(float(best.iloc[0]), 3)}"
    where = " inside the region studied" if inside.any() and not inside.all() else ""
    word = "Highest" if path.goal == "high" else "Lowest"
    out = [f"{word}{where}: {value_text(fit, best['estimate'])}{interval} at {place}: {settings}."]
    if fit.response.scale is not None and fit.response.low is not None:
        score = int(fit.response.low)
        out.append(
            f"There one new batch scores {score} or more with chance {chance_text(float(best[f'P(>= {score})']), 3)}."
        )
    out.append(
        "Shaded: 95 % interval for the mean. "
        if np.isfinite(best["low"])
        else "No intervals: nothing judges the noise."
    )
    out.append("Dotted: the range studied of each factor.")
    if not inside.all():
        out.append("Dashed: outside the region studied, where a prediction is extrapolation.")
    # the table's own note, without what the title says
    out += [line for line in path.note.split("\n")[1:] if not line.startswith(("estimate is", "Settings with inside"))]
    return " ".join(" ".join(out).split())


def stationary_region(
    whereabouts: Whereabouts, x: str | None = None, y: str | None = None, n: int = GRID, ax: Axes | None = None
) -> Axes:
    """Where the stationary point of a surface may lie, over two factors.

    Parameters
    ----------
    whereabouts : Whereabouts
        As `fit.surface().whereabouts()` gives it.
    x, y : str, optional
        Two factors of the surface; its first two, of those that move by themselves, if left out.
    n : int
        Grid points along each axis.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        Shaded, the pairs of values that the stationary point may have whatever the other factors are: with two factors the region of Box and
        Hunter, with more its like for the pair by itself. A diamond at the point, batches as hollow marks, the edge of the region studied as a
        line. Nothing is drawn more than 0.6 ranges beyond that region, beyond what may be set, or below 0 where the range is not.

    Raises
    ------
    StudyError
        If it is no Whereabouts, x and y are not two of its factors that move by themselves, or n is no whole number from 5 to 201.

    References
    ----------
    Box, G. E. P. & Hunter, J. S. (1954). A confidence region for the solution of a set of simultaneous equations with an application to
    experimental design. Biometrika 41, 190-199.
    """
    from matplotlib.patches import Polygon

    from doe.fits.whereabouts import Whereabouts

    if not isinstance(whereabouts, Whereabouts):
        raise StudyError(
            "plots.stationary_region: whereabouts",
            type(whereabouts).__name__,
            "what a surface's whereabouts() gives",
            "give fits['viscosity'].surface().whereabouts()",
        )
    if isinstance(n, bool) or not isinstance(n, int | np.integer) or not 5 <= n <= 201:
        raise StudyError(
            "plots.stationary_region: n", n, "a whole number from 5 to 201", "give the grid points along each axis"
        )
    surface, fit = whereabouts.surface, whereabouts.surface.fit
    names = _pair(surface, x, y)
    table = whereabouts.table.set_index("factor").loc[names]
    sides = [_side(surface, name, table.loc[name]) for name in names]
    across, up = (np.linspace(low, high, n) for low, high in sides)
    grid = np.array([(a, b) for b in up for a in across])
    ratio = whereabouts.pair_ratio(pd.DataFrame(grid, columns=names)).reshape(n, n)
    ax = look.axes_for(ax, 6.0, 4.8)
    ax.contourf(across, up, ratio, levels=[-1.0, 1.0], colors=[look.DEEP], alpha=2 * look.BAND, zorder=1).set_gid(
        "region"
    )
    if ratio.min() < 1.0 < ratio.max():
        ax.contour(across, up, ratio, levels=[1.0], colors=[look.DEEP], linewidths=[1.6], zorder=2).set_gid("edge")
    studied = hull(corners_of(fit.study)[names].to_numpy(dtype=float))
    ax.add_patch(Polygon(studied, fc="none", ec=look.SOFT, lw=1.2, ls=(0, (1, 1.6)), zorder=1.5, gid="studied"))
    runs = observed(fit)
    look.batches(ax, runs[names[0]], runs[names[1]])
    point = table["estimate"].to_numpy(dtype=float)
    seen = all(low <= v <= high for v, (low, high) in zip(point, sides, strict=True))
    if seen:
        ax.plot(*point[:, None], marker="D", markersize=6.5, color=look.INK, linestyle="none", zorder=5, gid="point")
    for low, high, set_limits in ((*sides[0], ax.set_xlim), (*sides[1], ax.set_ylim)):
        room = 0.03 * (high - low)
        set_limits(low - room, high + room)
    across_name, up_name = (fit.study.factor(name).label for name in names)
    ax.set_xlabel(look.folded(across_name, 48))
    ax.set_ylabel(look.folded(up_name, 34))
    kind = {"maximum": "highest", "minimum": "lowest"}.get(surface.kind, "stationary")
    what = fit.response.name + (f", {fit._contrast_label}," if fit.response.scale is not None else "")
    others = [n for n in surface.names if n not in names]
    second = [f"whatever {listed(others)} {'is' if len(others) == 1 else 'are'}"] if others else []
    second += [f"held: {surface.held_words}"] if surface.held_words else []
    look.framed(
        ax,
        f"Where the {kind} point of {what} may lie",
        "; ".join(second),
        _whereabouts_words(whereabouts, names, ratio, seen),
    )
    return ax


def _pair(surface: Surface, x: str | None, y: str | None) -> list[str]:
    """The two factors to draw; refused where there are none."""
    names = list(surface.names)
    for where, name in (("x", x), ("y", y)):
        if name is not None and name not in names:
            raise StudyError(
                f"plots.stationary_region: {where}", name, "one of " + ", ".join(names), nearest(str(name), names)
            )
    found = [n for n in (x, y) if n is not None]
    if len(found) == 2 and x == y:
        raise StudyError(
            "plots.stationary_region: y", y, f"another factor than x ({x!r})", "choose two different factors"
        )
    for a in names if x is None else [x]:
        for b in names if y is None else [y]:
            rows = surface.plane[[names.index(a), names.index(b)]]
            if a != b and np.linalg.matrix_rank(rows, tol=1e-9) == 2:
                return [a, b]
    raise StudyError(
        "plots.stationary_region: factors",
        ", ".join(found or names),
        "two factors that move by themselves",
        "where one settles all see the table that whereabouts() prints",
    )


def _side(surface: Surface, name: str, row: Any) -> tuple[float, float]:
    """What of a factor is shown: its range, and where the point may lie beyond it, as far as that goes."""
    factor: Any = surface.fit.study.factor(name)
    span = factor.high - factor.low
    least, most = surface._reach(factor)
    least = max(least, 0.0) if factor.low >= 0.0 else least  # a share or a speed below 0 would only puzzle
    runs = observed(surface.fit)[name].to_numpy(dtype=float)
    room = ROOM * span
    low = max(min(float(row["low"]) - room, factor.low), factor.low - BESIDE * span, least)
    high = min(max(float(row["high"]) + room, factor.high), factor.high + BESIDE * span, most)
    return min(low, float(runs.min())), max(high, float(runs.max()))


def _whereabouts_words(where: Whereabouts, names: list[str], ratio: Any, seen: bool) -> str:
    surface, study = where.surface, where.surface.fit.study
    table = where.table.set_index("factor")
    level = f"{100 * where.confidence:g} %"
    place = ", ".join(holding.setting_text(study.factor(n), table.loc[n, "estimate"]) for n in names)
    if not surface.inside:
        place += f"; it lies outside the region studied{'' if seen else ' and the picture'}"
    out = [f"{'Diamond: the' if seen else 'The'} stationary point, a {surface.kind}, at {place}."]
    alone = [f"{n} {_span(study.factor(n), table.loc[n])}" for n in names]
    out.append(f"Each by itself ({level}): {', '.join(alone)}.")
    edge = np.concatenate([ratio[0], ratio[-1], ratio[:, 0], ratio[:, -1]])
    if ratio.min() > 1.0:
        out.append(f"Nowhere in the picture may it lie ({level}).")
    else:
        out.append(f"Shaded: where it may lie ({level})" + (", beyond the picture too." if edge.min() <= 1.0 else "."))
    if not where.bounded:
        out.append("All factors together the region has no end: along some direction no curvature is shown.")
    out.append("Dotted: the edge of the region studied. Hollow marks: batches.")
    return " ".join([*out, *surface.fit._selected])


def _span(factor: Any, row: Any) -> str:
    low, high = float(row["low"]), float(row["high"])
    unit = f" {factor.unit}".rstrip()
    if np.isinf(low) and np.isinf(high):
        return "anywhere"
    if np.isinf(low):
        return f"up to {look.figures(high, 4)}{unit}"
    if np.isinf(high):
        return f"from {look.figures(low, 4)}{unit}"
    return f"{look.figures(low, 4)} to {look.figures(high, 4)}{unit}"
