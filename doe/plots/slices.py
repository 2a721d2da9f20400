"""Contours of one response over two factors: a slice through the region, the others held."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.plots import holding, look
from doe.plots.curves import value_text
from doe.plots.runs import observed
from doe.study import Categorical, Discrete, Study, StudyError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Normalize

    from doe.fits import Fit

Floats = NDArray[np.float64]
BANDS = 120  # filled steps of the colour scale, too fine to be seen one by one
LEVELS = 7


@dataclass(frozen=True)
class Slice:
    """A grid over two factors.

    Attributes
    ----------
    path : Held
        What is held.
    x, y : ndarray
        Values along the axes.
    table : DataFrame
        Settings, x varying fastest.
    inside : ndarray of bool
        Which settings lie in the region.
    near : ndarray of bool
        Those and their neighbours, so that colours and lines can be drawn up to the very edge.
    """

    path: holding.Held
    x: Floats
    y: Floats
    table: pd.DataFrame
    inside: NDArray[np.bool_]
    near: NDArray[np.bool_]

    @cached_property
    def room(self) -> Floats:
        """How far every setting lies from the nearest bound or constraint, in units of the ranges; below zero outside."""
        return _room(self.path.study, self.table)

    def grid(self, values: Floats) -> Floats:
        """Values at the settings near the region, laid out (y, x), NaN elsewhere."""
        out = np.full(len(self.table), np.nan)
        out[self.near] = values
        return out.reshape(len(self.y), len(self.x))

    def within(self, values: Any) -> Floats:
        """Of values at the settings near the region, those inside it."""
        return np.asarray(values, dtype=float)[self.inside[self.near]]


def contours(fit: Fit, x: str, y: str, at: Any = None, n: int = 81, ax: Axes | None = None) -> Axes:
    """Predicted response over two factors, as contour lines with their values on one continuous colour scale.

    Parameters
    ----------
    fit : Fit
        As `doe.fit` gives it.
    x, y : str
        Numeric factors or components. Of two components the balance, or else all the others in proportion, take up the rest.
    at : mapping or Series, optional
        Settings at which the other factors are held; what is left out is held in the middle of the region, and the title says where.
    n : int
        Grid points along each axis.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        Colour and lines on the response's own scale; specification limits as heavier lines; settings outside the region left blank and
        hatched. Large hollow marks are batches made at the held settings, small ones those made at others.

    Raises
    ------
    StudyError
        If x or y is no numeric factor, both are the same, or no setting of the slice lies in the region.
    """
    look.need_fit("contours", fit)
    cut = sliced(fit.study, x, y, at, n)
    drawn = fit.predict(cut.table[cut.near])["estimate"].to_numpy(dtype=float)
    z = cut.grid(drawn)
    low, high = float(cut.within(drawn).min()), float(cut.within(drawn).max())
    predicted = fit.predict(cut.table[cut.inside])
    ax = look.axes_for(ax, 6.2, 5.0)
    frame(ax, cut)
    log = fit.response.transform == "log" and low > 0 and high > 4 * low
    _fill(ax, fit, cut, z, low, high, log)
    marks = observed(fit)
    put_batches(ax, cut, marks)
    specification = [
        (v, f"{word} {fit.response.text(v)}")
        for v, word in ((fit.response.low, "at least"), (fit.response.high, "at most"))
        if v is not None and low < v < high
    ]
    levels = round_levels(low, high, log)
    levels = [v for v in levels if all(abs(v - s) > 1e-9 * max(abs(s), 1e-300) for s, _ in specification)]
    unit = f" {fit.response.unit}" if fit.response.unit and len(fit.response.unit) <= 8 else ""
    lines = [*specification, *((v, f"{look.figures(v)}{unit}") for v in levels)]
    second = f"held: {cut.path.text}" if cut.path.text else ""
    look.framed(ax, f"Predicted {fit.response.name} over {x} and {y}", second, _words(fit, cut, predicted, marks))
    draw_lines(ax, cut, z, lines, len(specification), [look.Discs(), mark_places(ax, cut, marks)])
    return ax


def sliced(study: Study, x: str, y: str, at: Any, n: int, base: Mapping[str, Any] | None = None) -> Slice:
    """The grid of a slice, and which of it lies in the region; refused where there is none."""
    factors = []
    for where, name in (("x", x), ("y", y)):
        factor = holding.known(study, name, where)
        if isinstance(factor, Categorical):
            raise StudyError(
                where, name, "a numeric factor or a component", f"hold {name!r} at a level: at={{{name!r}: …}}"
            )
        factors.append(factor)
    if x == y:
        raise StudyError("y", y, f"another factor than x ({x!r})", "choose two different factors")
    if isinstance(n, bool) or not isinstance(n, int | np.integer) or not 5 <= n <= 501:
        raise StudyError("n", n, "a whole number from 5 to 501", "give the grid points along each axis")
    path = holding.held(study, (x, y), at, base)
    xs, ys = (
        np.array(f.levels, dtype=float) if isinstance(f, Discrete) else np.linspace(f.low, f.high, int(n))
        for f in factors
    )
    mesh_x, mesh_y = np.meshgrid(xs, ys)
    table, inside = path.table({x: mesh_x.ravel(), y: mesh_y.ravel()})
    if not inside.any():
        raise StudyError(
            "at", path.text or "this slice", "a slice through the region studied", "hold the other factors elsewhere"
        )
    grid = inside.reshape(len(ys), len(xs))
    wide = np.pad(grid, 1)
    near = np.zeros_like(grid)
    for up in range(3):
        for across in range(3):
            near |= wide[up : up + grid.shape[0], across : across + grid.shape[1]]
    return Slice(path, xs, ys, table, inside, near.ravel())


def _room(study: Study, table: pd.DataFrame) -> Floats:
    """Distance of settings from the nearest bound or constraint, in units of the ranges; below zero outside."""
    region = study.region
    x = table[region.names].to_numpy(dtype=float)
    span = np.array([study.factor(n).high - study.factor(n).low for n in region.names])  # type: ignore[union-attr]
    gaps = [(x - region.low) / span, (region.high - x) / span]
    if len(region.b):
        gaps.append((region.b - x @ region.A.T) / np.linalg.norm(region.A * span, axis=1))
    every = np.column_stack(gaps)
    moving = np.ptp(every, axis=0) > 1e-9  # a held factor at its own bound is no edge of the slice
    return np.asarray(every[:, moving].min(axis=1))


def frame(ax: Axes, cut: Slice) -> None:
    """Axis labels and limits, and the hatching that shows where the region ends."""
    from matplotlib.patches import Rectangle

    x, y = (cut.path.study.factor(name) for name in cut.path.free)
    ax.set_xlabel(look.folded(x.label, 48))
    ax.set_ylabel(look.folded(y.label, 34))
    ax.set_xlim(cut.x[0], cut.x[-1])
    ax.set_ylim(cut.y[0], cut.y[-1])
    ax.grid(False)
    if not cut.inside.all():
        ax.add_patch(
            Rectangle(
                (cut.x[0], cut.y[0]),
                cut.x[-1] - cut.x[0],
                cut.y[-1] - cut.y[0],
                facecolor=look.PAPER,
                edgecolor=look.HATCH,
                hatch="////",
                linewidth=0,
                zorder=0,
                gid="outside",
            )
        )


def fill(ax: Axes, cut: Slice, z: Floats, norm: Normalize, levels: Floats) -> Any:
    """Colour over the inside of a slice, up to its edge."""
    solid = np.ma.masked_invalid(np.clip(z, levels[0], levels[-1]))
    drawn = ax.contourf(
        cut.x, cut.y, solid, levels=levels, norm=norm, cmap=look.colour_scale(), zorder=1, extend="neither"
    )
    drawn.set_edgecolor("face")  # or hairlines show between the bands
    _cut_off(ax, cut, drawn)
    return drawn


def _cut_off(ax: Axes, cut: Slice, drawn: Any) -> None:
    """Let nothing be drawn beyond the edge of the region."""
    if cut.inside.all():
        return
    room = cut.room.reshape(len(cut.y), len(cut.x))
    if room.max() <= 0:  # discrete settings leave only lines or points of the slice
        return
    edge = ax.contourf(cut.x, cut.y, room, levels=[0.0, 2.0 * float(room.max())])
    path = edge.get_paths()[0]
    edge.remove()
    drawn.set_clip_path(path, ax.transData)


def _fill(ax: Axes, fit: Fit, cut: Slice, z: Floats, low: float, high: float, log: bool) -> None:
    from matplotlib.colors import LogNorm, Normalize

    if high - low <= 1e-9 * max(abs(high), abs(low), 1e-300):
        low, high = low - max(abs(low), 1.0) * 1e-3, high + max(abs(high), 1.0) * 1e-3
    norm = LogNorm(low, high) if log else Normalize(low, high)
    levels = np.geomspace(low, high, BANDS) if log else np.linspace(low, high, BANDS)
    levels[0], levels[-1] = low, high
    bar(ax, fill(ax, cut, z, norm, levels), fit.response.label, round_levels(low, high, log))


def bar(ax: Axes | list[Axes], drawn: Any, label: str, ticks: Sequence[float]) -> None:
    """The colour scale beside the panel or panels, with its label and unit."""
    from matplotlib.axes import Axes
    from matplotlib.ticker import FuncFormatter, NullFormatter

    root = (ax if isinstance(ax, Axes) else ax[0]).get_figure()
    assert root is not None  # an Axes is always made in a figure
    scale = root.colorbar(
        drawn, ax=ax, pad=0.02, aspect=26, ticks=list(ticks), format=FuncFormatter(lambda v, _: look.figures(v))
    )
    scale.set_label(look.folded(label, 44), color=look.INK, fontsize=look.TEXT)
    scale.outline.set_visible(False)
    scale.ax.tick_params(colors=look.SOFT, labelcolor=look.INK, labelsize=look.SMALL, length=3, width=0.8)
    scale.ax.yaxis.set_minor_formatter(NullFormatter())
    scale.ax.tick_params(which="minor", length=0)


def round_levels(low: float, high: float, log: bool, most: int = LEVELS) -> list[float]:
    """Round values strictly between two, evenly spaced or in ratios."""
    from matplotlib.ticker import MaxNLocator

    if log:
        steps = look.round_steps(low, high, most)
    else:
        steps = np.array(MaxNLocator(most, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high))
    room = 1e-6 * (high - low)
    return [float(v) for v in steps if low + room < v < high - room]


def draw_lines(
    ax: Axes, cut: Slice, z: Floats, lines: Sequence[tuple[float, str]], heavy: int, taken: Sequence[look.Discs]
) -> None:
    """Contour lines with their values written on them, the first `heavy` ones heavier.

    `taken`: places of words, then of marks. A light line on which its value cannot be written is left out: the colour says as much.
    """
    solid = np.ma.masked_invalid(z)
    for i, (value, label) in enumerate(lines):
        strong = i < heavy
        drawn = ax.contour(
            cut.x,
            cut.y,
            solid,
            levels=[value],
            colors=[look.INK],
            linewidths=2.0 if strong else 0.8,
            linestyles=["solid"],
            zorder=2.4 if strong else 2.0,
        )
        drawn.set_gid("limit" if strong else "contour")
        drawn.set_label(label)
        _cut_off(ax, cut, drawn)
        pieces = _inside(cut, [np.asarray(p) for p in drawn.get_paths()[0].to_polygons(closed_only=False)])
        written = look.write_on_line(ax, pieces, label, taken, strong, "limit value" if strong else "contour value")
        if written is not None:
            continue
        if not strong or not pieces:
            drawn.remove()
            continue
        longest = max(pieces, key=len)
        x, y = longest[len(longest) // 2]
        boxes: list[Any] = []
        note = look.name_beside(ax, float(x), float(y), label, longest, boxes, "limit value")
        note.set_fontweight("bold")
        taken[0].add_box(note.get_window_extent())


def _inside(cut: Slice, pieces: Sequence[Floats]) -> list[Floats]:
    """The stretches of lines that lie in the region, where words may be written on them."""
    from scipy.interpolate import RegularGridInterpolator

    if cut.inside.all():
        return list(pieces)
    room = RegularGridInterpolator(
        (cut.y, cut.x), cut.room.reshape(len(cut.y), len(cut.x)), bounds_error=False, fill_value=-1.0
    )
    out = []
    for piece in pieces:
        seen = room(piece[:, ::-1]) >= -1e-9
        for stretch in np.split(np.arange(len(piece)), np.flatnonzero(np.diff(seen)) + 1):
            if seen[stretch[0]] and len(stretch) > 1:
                out.append(piece[stretch])
    return out


def put_batches(ax: Axes, cut: Slice, runs: pd.DataFrame) -> tuple[int, int]:
    """Batches as hollow marks: large ones made at the held settings, small ones at others; returns how many of each."""
    x, y = cut.path.free
    here = cut.path.matching(runs)
    for chosen, size, strong in ((~here, 9.0, False), (here, 30.0, True)):
        look.batches(ax, runs[x][chosen], runs[y][chosen], size=size, strong=strong)
    values = runs[[x, y]].to_numpy(dtype=float)
    for axis, column, ends in ((ax.set_xlim, values[:, 0], cut.x), (ax.set_ylim, values[:, 1], cut.y)):
        room = 0.05 * (ends[-1] - ends[0])
        axis(min(ends[0], float(column.min())) - room, max(ends[-1], float(column.max())) + room)
    return int(here.sum()), int((~here).sum())


def mark_places(ax: Axes, cut: Slice, runs: pd.DataFrame) -> look.Discs:
    """Where batches are drawn, so that words keep off them."""
    out = look.Discs()
    out.add(ax.transData.transform(runs[list(cut.path.free)].to_numpy(dtype=float)), 5.0)
    return out


def marks_text(here: int, elsewhere: int, n_free: int) -> str:
    """What the hollow marks are."""
    if not elsewhere or not n_free:
        return "Hollow marks: batches."
    if not here:
        return "Small hollow marks: batches, all made at other settings of the held factors."
    return f"Large hollow marks: the {here} batches made at the held settings; small ones: batches made at others."


def place_text(cut: Slice, row: Any) -> str:
    """Where on a slice: "carbomer 0.42 %, speed 380 rpm"."""
    return ", ".join(holding.setting_text(cut.path.study.factor(n), row[n]) for n in cut.path.free)


def _words(fit: Fit, cut: Slice, predicted: pd.DataFrame, marks: pd.DataFrame) -> str:
    inside = cut.table[cut.inside]
    out = []
    for word, pick in (("Highest", np.argmax), ("Lowest", np.argmin)):
        at = int(pick(predicted["estimate"].to_numpy(dtype=float)))
        row = predicted.iloc[at]
        interval = ""
        if np.isfinite(row["low"]):
            interval = f" (95 %: {value_text(fit, row['low'], False)} to {value_text(fit, row['high'], False)})"
        out.append(f"{word} here: {value_text(fit, row['estimate'])}{interval} at {place_text(cut, inside.iloc[at])}.")
    held_still = len(cut.path.study.names) - 2 - len(cut.path.takers)
    here = cut.path.matching(marks)
    out.append(marks_text(int(here.sum()), int((~here).sum()), held_still))
    limits = [f for f in (fit.response.low, fit.response.high) if f is not None]
    low, high = float(predicted["estimate"].min()), float(predicted["estimate"].max())
    beyond = [v for v in limits if not low < v < high]
    for v in beyond:
        side = "at least" if v == fit.response.low else "at most"
        met = (low >= v) if side == "at least" else (high <= v)
        out.append(f"The limit ({side} {fit.response.text(v)}) is {'met' if met else 'missed'} all over this slice.")
    if not cut.inside.all():
        out.append("Hatched: outside the region studied.")
    return " ".join(out)
