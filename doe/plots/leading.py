"""Ways over a fitted surface, and where its stationary point may lie."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe.plots import look
from doe.plots.curves import evenly
from doe.study import Categorical, StudyError
from doe.study.shown import number_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

    from doe.fits.canonical import SurfacePath
    from doe.fits.whereabouts import Whereabouts

GRID = 81
ROOM = 0.15  # of a factor's range, shown beyond its ends


def surface_path(path: SurfacePath, figure: Figure | SubFigure | None = None) -> Figure | SubFigure:
    """A way over a surface: what is foretold along it, and the settings it asks for.

    Parameters
    ----------
    path : SurfacePath
        As `fit.surface().ridge(radii)` or `.ascent(step)` gives it.
    figure : Figure, optional
        Figure to draw in; a new one if left out.

    Returns
    -------
    Figure
        The response with its 95 % interval over the distance (of a ridge, in coded units) or the steps, and a panel a factor with its settings
        in natural units. Dashed: beyond the region studied.

    Raises
    ------
    StudyError
        If it is no such path, or holds fewer than two settings.
    """
    from doe.fits.canonical import SurfacePath

    if not isinstance(path, SurfacePath):
        raise StudyError(
            "plots.surface_path: path",
            type(path).__name__,
            "what ridge() or ascent() of a surface gives",
            "give fits['viscosity'].surface().ascent(0.5)",
        )
    if len(path) < 2:
        raise StudyError("plots.surface_path: path", len(path), "two settings or more", "ask for more radii or steps")
    surface, table = path.surface, pd.DataFrame(path)
    ridge = "radius" in table.columns
    along = table["radius" if ridge else "step"].to_numpy(dtype=float)
    inside = table["inside"].to_numpy(dtype=bool)
    names = list(surface.names)
    down, across = evenly(1 + len(names))
    figure = look.figure_for(figure, max(2.5 * across, 5.0), 2.1 * down + 1.0)
    panels = [look.dress(figure.add_subplot(down, across, i + 1)) for i in range(1 + len(names))]
    response = surface.fit.response
    scored = response.scale is not None
    what = f"mean {response.name}" if scored else response.label
    first = panels[0]
    low, high, middle = (table[c].to_numpy(dtype=float) for c in ("low", "high", "estimate"))
    first.fill_between(along, low, high, color=look.DEEP, alpha=look.BAND, linewidth=0, gid="interval")
    _line(first, along, middle, inside, "estimate")
    first.set_title(look.folded(what, 28), fontsize=look.SMALL + 0.5, color=look.INK, loc="left")
    for ax, name in zip(panels[1:], names, strict=True):
        factor = surface.fit.study.factor(name)
        _line(ax, along, table[name].to_numpy(dtype=float), inside, "setting")
        ax.set_title(look.folded(factor.label, 28), fontsize=look.SMALL + 0.5, color=look.INK, loc="left")
    axis = "distance (coded)" if ridge else "steps"
    for place, ax in enumerate(panels):
        if place + across >= len(panels):
            ax.set_xlabel(axis)
    best = int(np.argmax(middle) if path.goal == "high" else np.argmin(middle))
    settings = ", ".join(
        f"{n} {number_text(float(table[n].iloc[best]))} {getattr(surface.fit.study.factor(n), 'unit', '')}".rstrip()
        for n in names
    )
    word = "Highest" if path.goal == "high" else "Lowest"
    title = (
        f"{word} {response.name} at each distance from the centre"
        if ridge
        else f"{'Up' if path.goal == 'high' else 'Down'} the steepest way from the centre: {response.name}"
    )
    under = f"{word} along it: {number_text(float(middle[best]))} at {settings}. Shaded: 95 % {'credible ' if scored else ''}interval for the mean."
    under += "" if inside.all() else " Dashed: beyond the region studied, where nothing was tried."
    under += "".join(f" {line}" for line in surface.fit._selected)
    look.headed(figure, title, surface._held().strip(), under)
    return figure


def _line(ax: Axes, x: np.ndarray, y: np.ndarray, inside: np.ndarray, gid: str) -> None:
    """A curve, dashed where it leaves the region."""
    out = np.flatnonzero(~inside)
    end = int(out[0]) if len(out) else len(x)
    ax.plot(x[:end], y[:end], color=look.DEEP, linewidth=1.6, marker="o", markersize=3, gid=gid)
    if end < len(x):
        start = max(end - 1, 0)
        ax.plot(
            x[start:], y[start:], color=look.DEEP, linewidth=1.2, linestyle=(0, (3, 2)), gid=f"{gid} beyond the region"
        )


def stationary_region(
    whereabouts: Whereabouts, x: str | None = None, y: str | None = None, n: int = GRID, ax: Axes | None = None
) -> Axes:
    """Where the stationary point may lie, over two factors.

    Parameters
    ----------
    whereabouts : Whereabouts
        As `fit.surface().whereabouts()` gives it.
    x, y : str, optional
        Two factors of the surface; its first two if left out.
    n : int
        Grid points along each axis.
    ax : Axes, optional
        Axes to draw in; those of a new figure if left out.

    Returns
    -------
    Axes
        Shaded: values of the two that the stationary point may have, whatever the others are (Box & Hunter 1954). The diamond is the point as
        fitted, the hollow marks are the batches, the dashed frame is the range studied.

    Raises
    ------
    StudyError
        If it is no whereabouts, a factor is none of the surface's, or n is no whole number from 5 to 201.

    References
    ----------
    Box, G. E. P. & Hunter, J. S. (1954). A confidence region for the solution of a set of simultaneous equations with an application to
    experimental design. Biometrika 41, 190-199.
    """
    from matplotlib.patches import Rectangle

    from doe.fits.whereabouts import Whereabouts

    where = "plots.stationary_region"
    if not isinstance(whereabouts, Whereabouts):
        raise StudyError(
            f"{where}: whereabouts",
            type(whereabouts).__name__,
            "what whereabouts() of a surface gives",
            "give fits['viscosity'].surface().whereabouts()",
        )
    if isinstance(n, bool) or not isinstance(n, int | np.integer) or not 5 <= n <= 201:
        raise StudyError(f"{where}: n", n, "a whole number from 5 to 201", "give the grid points along each axis")
    surface = whereabouts.surface
    names = [*surface.names]
    if len(names) < 2:
        raise StudyError(f"{where}: surface", names, "of two factors or more", "see whereabouts().table for one")
    pair = [names[0] if x is None else x, next(v for v in names if v != (x or names[0])) if y is None else y]
    for word, name in zip("xy", pair, strict=True):
        if name not in names:
            raise StudyError(
                f"{where}: {word}", name, f"a factor of the surface: {', '.join(names)}", "choose one of them"
            )
    if pair[0] == pair[1]:
        raise StudyError(f"{where}: y", pair[1], f"another factor than x ({pair[0]!r})", "choose two different factors")
    factors = [surface.fit.study.factor(name) for name in pair]
    assert not any(isinstance(f, Categorical) for f in factors)  # no surface moves over kinds
    ends = [(float(f.low), float(f.high)) for f in factors]  # type: ignore[union-attr]
    point = dict(zip(whereabouts.table["factor"], whereabouts.table["estimate"].astype(float), strict=True))
    axes = []
    for name, (low, high) in zip(pair, ends, strict=True):
        room = ROOM * (high - low)
        # the fitted point is shown where it lies not far outside
        left, right = (
            (min(low, point[name]), max(high, point[name]))
            if abs(point[name] - (low + high) / 2) < high - low
            else (low, high)
        )
        axes.append(np.linspace(left - room, right + room, n))
    grid = pd.DataFrame({pair[0]: np.tile(axes[0], n), pair[1]: np.repeat(axes[1], n)})
    ratio = whereabouts.pair_ratio(grid).reshape(n, n)
    ax = look.axes_for(ax, 5.4, 4.4)
    ax.set_xlim(axes[0][0], axes[0][-1])
    ax.set_ylim(axes[1][0], axes[1][-1])
    drawn = ax.contourf(axes[0], axes[1], ratio, levels=[-1.0, 1.0], colors=[look.DEEP], alpha=look.BAND + 0.1)
    drawn.set_gid("region")
    if ratio.min() < 1.0 < ratio.max():
        ax.contour(axes[0], axes[1], ratio, levels=[1.0], colors=[look.DEEP], linewidths=1.4).set_gid("edge")
    (x0, x1), (y0, y1) = ends
    ax.add_patch(
        Rectangle((x0, y0), x1 - x0, y1 - y0, fill=False, edgecolor=look.SOFT, linestyle=(0, (4, 3)), gid="range")
    )
    made = surface.fit.batches.settings
    look.batches(ax, made[pair[0]], made[pair[1]], size=14.0, strong=False)
    shown = bool(axes[0][0] <= point[pair[0]] <= axes[0][-1] and axes[1][0] <= point[pair[1]] <= axes[1][-1])
    if shown:
        ax.plot(
            [point[pair[0]]], [point[pair[1]]], marker="D", markersize=6, color=look.INK, linestyle="none", gid="point"
        )
    ax.set_xlabel(look.folded(factors[0].label, 48))
    ax.set_ylabel(look.folded(factors[1].label, 34))
    at = ", ".join(
        f"{name} {number_text(point[name])} {getattr(f, 'unit', '')}".rstrip()
        for name, f in zip(pair, factors, strict=True)
    )
    edge = np.concatenate([ratio[0], ratio[-1], ratio[:, 0], ratio[:, -1]])
    reach = (
        " It goes on beyond the picture: how far the point lies that way is not known." if (edge <= 1.0).any() else ""
    )
    diamond = "Diamond" if shown else "Beyond the picture"
    under = (
        f"{diamond}: the stationary point as fitted, {at}. Shaded: values that it may have, whatever the other factors are. Hollow marks: batches; "
        f"dashed: the range studied.{reach}" + "".join(f" {line}" for line in surface.fit._selected)
    )
    title = f"Where the stationary point of {surface.fit.response.name} may lie ({100 * whereabouts.confidence:g} %)"
    look.framed(ax, title, surface._held().strip(), under)
    return ax
