"""Where to run a blend: the chance of meeting every specification over three components."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.plots import chances, look, slices
from doe.plots.holding import SAME, setting_text
from doe.plots.look import Floats
from doe.plots.triangle import Triangle, hull
from doe.study import Categorical, StudyError
from doe.study.shown import simulated_text
from doe.window.blends import Blends, blends_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.path import Path
    from matplotlib.tri import Triangulation

    from doe.window import Window


def probability_ternary(
    win: Window, a: str, b: str, c: str, at: Any = None, n: int = 81, ax: Axes | None = None
) -> Axes:
    """Chance that one new batch meets every specification, over three components of the mixture.

    Parameters
    ----------
    win : Window
        As `doe.find_window` gives it.
    a, b, c : str
        Three components: that at the top of the triangle, then the lower left and the lower right.
    at : mapping or Series, optional
        Settings at which the other factors are held; what is left out is held at the set point, and the title says where.
    n : int
        Grid points along each side.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        One continuous scale from 0 to 1, lines of equal chance (that of the target heavier), blends that the limits forbid hatched. The
        diamond is the set point, where it lies on this slice.

    Raises
    ------
    StudyError
        If a, b or c is no component, or no blend of the slice lies in the region.
    """
    from matplotlib.colors import Normalize
    from matplotlib.path import Path
    from matplotlib.tri import Triangulation

    look.need_window("probability_ternary", win)
    if isinstance(n, bool) or not isinstance(n, int | np.integer) or not 5 <= n <= 501:
        raise StudyError("n", n, "a whole number from 5 to 501", "give the grid points along each side")
    told = {str(k): v for k, v in at.items() if k not in (a, b, c)} if isinstance(at, Mapping | pd.Series) else at
    if told is not None and not isinstance(told, Mapping):
        raise StudyError("at", type(at).__name__, "a mapping from factor to setting", 'write {"speed": 400}')
    cut = blends_of(win, a, b, c, told, "probability_ternary")
    study = win.study
    blends = cut.grid(int(n))
    found = win.probability(cut.table(blends, study.names))
    chance = found["probability"].to_numpy(dtype=float)
    ax = look.axes_for(ax, 6.4, 5.0)
    triangle = Triangle(tuple(study.factor(x) for x in cut.parts), cut.low, cut.spare)  # type: ignore[misc]
    hatched = triangle.draw(ax, cut.corners, filled=True)
    shape = triangle.flat(cut.corners)
    edge = Path(np.vstack([(ring := shape[hull(shape, index=True)]), ring[:1]]), closed=True)
    flat = triangle.flat(blends)
    mesh = Triangulation(flat[:, 0], flat[:, 1], triangles=_triangles(int(n)))
    drawn = ax.tricontourf(
        mesh, chance, levels=chances.FILLED, norm=Normalize(0.0, 1.0), cmap=look.colour_scale(), zorder=1
    )
    drawn.set_edgecolor("face")
    drawn.set_clip_path(edge, ax.transData)
    slices.bar(ax, drawn, "chance of meeting every specification", np.linspace(0.0, 1.0, 6).tolist())
    runs = chances.batches_of(win)
    here = _matching(win, cut, runs)
    amounts = runs[list(cut.parts)].to_numpy(dtype=float) - cut.low
    # of batches with other amounts of the held components only the proportions of these three can be shown
    shared = np.maximum(amounts.sum(axis=1, keepdims=True), 1e-12 * cut.total)
    places = triangle.flat(cut.low + cut.spare * np.maximum(amounts, 0.0) / shared)
    look.batches(ax, places[~here, 0], places[~here, 1], size=9.0, strong=False)
    look.batches(ax, places[here, 0], places[here, 1], size=30.0)
    point = triangle.flat(np.array([[float(win.set_point[x]) for x in cut.parts]]))
    pointed = bool(_matching(win, cut, pd.DataFrame([win.set_point.to_dict()]))[0])
    taken = [look.Discs(), look.Discs()]
    if pointed:
        chances.diamond(ax, *point[0])
    still = ", ".join(setting_text(study.factor(k), v) for k, v in cut.held.items())
    look.framed(
        ax,
        f"Chance that {chances.what_of(win)} meets every specification",
        f"held: {still}" if still else "",
        " ".join(filter(None, _words(win, cut, blends, found, edge, flat, runs, here, pointed, hatched, triangle))),
    )
    taken[1].add(ax.transData.transform(places), 5.0)
    if pointed:
        taken[0].add(ax.transData.transform(point), 7.0)
        boxes: list[Any] = []
        look.name_beside(ax, float(point[0, 0]), float(point[0, 1]), "set point", places, boxes, "set point name")
        taken[0].add_box(boxes[0])
    _lines(ax, win, mesh, chance, edge, taken)
    return ax


def _triangles(n: int) -> Any:
    """Corners of the small triangles of the grid, whatever the shape it is drawn in."""
    start = np.concatenate([[0], np.cumsum(n - np.arange(n))])
    out = []
    for j in range(n - 1):
        up = np.arange(n - 1 - j)
        out.append(np.column_stack([start[j] + up, start[j] + up + 1, start[j + 1] + up]))
        down = np.arange(n - 2 - j)
        out.append(np.column_stack([start[j] + down + 1, start[j + 1] + down + 1, start[j + 1] + down]))
    return np.vstack(out)


def _lines(ax: Axes, win: Window, mesh: Triangulation, chance: Floats, edge: Path, taken: list[look.Discs]) -> None:
    """Lines of equal chance with their values; a light one on which its value cannot be written is left out."""
    for i, (value, label) in enumerate(chances.lines_of(win)):
        strong = i == 0
        if not chance.min() < value < chance.max():
            continue
        drawn = ax.tricontour(
            mesh, chance, levels=[value], colors=[look.INK], linewidths=2.0 if strong else 0.8, zorder=2.4
        )
        drawn.set_gid("limit" if strong else "contour")
        drawn.set_label(label)
        drawn.set_clip_path(edge, ax.transData)
        pieces = []
        for piece in drawn.get_paths()[0].to_polygons(closed_only=False):
            line = _dense(np.asarray(piece))
            seen = edge.contains_points(line, radius=1e-9)
            for stretch in np.split(np.arange(len(line)), np.flatnonzero(np.diff(seen)) + 1):
                if seen[stretch[0]] and len(stretch) > 1:
                    pieces.append(line[stretch])
        written = look.write_on_line(ax, pieces, label, taken, strong, "limit value" if strong else "contour value")
        if written is None and not (strong and pieces):
            drawn.remove()
        elif written is None:
            longest = max(pieces, key=len)
            x, y = longest[len(longest) // 2]
            boxes: list[Any] = []
            note = look.name_beside(ax, float(x), float(y), label, longest, boxes, "limit value")
            note.set_fontweight("bold")
            taken[0].add_box(note.get_window_extent())


def _dense(line: Floats) -> Floats:
    """The same line with points close together: straight stretches come with their ends only, which may lie outside the region."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    every = np.union1d(along, np.arange(0.0, along[-1], 0.004))
    return np.column_stack([np.interp(every, along, line[:, k]) for k in (0, 1)])


def _matching(win: Window, cut: Blends, runs: pd.DataFrame) -> Any:
    """Which batches were made at the held settings, within a hundredth of each range."""
    same = np.ones(len(runs), dtype=bool)
    for name, value in cut.held.items():
        factor = win.study.factor(name)
        if isinstance(factor, Categorical):
            same &= (runs[name].astype(str) == str(value)).to_numpy()
        else:
            gap = np.abs(runs[name].to_numpy(dtype=float) - float(value))
            same &= gap <= SAME * (factor.high - factor.low)
    return same


def _words(
    win: Window,
    cut: Blends,
    blends: Floats,
    found: pd.DataFrame,
    edge: Path,
    flat: Floats,
    runs: pd.DataFrame,
    here: Any,
    pointed: bool,
    hatched: bool,
    triangle: Triangle,
) -> list[str]:
    inside = ~found["extrapolated"].to_numpy(dtype=bool)
    chance, errors = (found[c].to_numpy(dtype=float)[inside] for c in ("probability", "mc_error"))
    out = []
    if inside.any():
        said = []
        for word, i in (("Best here", int(np.argmax(chance))), ("worst", int(np.argmin(chance)))):
            blend = ", ".join(setting_text(f, v) for f, v in zip(triangle.parts, blends[inside][i], strict=True))
            best = cut.table(blends[inside][[i]], win.study.names)
            told = (
                chances.judged_text(win, best)
                if word == "Best here"
                else simulated_text(float(chance[i]), float(errors[i]))
            )
            said.append(f"{word}: {told} at {blend}")
        out.append(f"{said[0]}; {said[1]}. {chances.share_text(win, chance)}")
    if not pointed:
        point = ", ".join(setting_text(f, win.set_point[f.name]) for f in win.study.factors)
        out.append(f"The set point lies off this slice: {point}.")
    out.append(slices.marks_text(int(here.sum()), int((~here).sum()), len(cut.held)))
    if not here.all() and any(name in cut.held for name in (f.name for f in win.study.components)):
        out.append("Those stand where their proportions of the three are.")
    if hatched:
        out.append("Hatched: blends that the limits forbid.")
    out.append(triangle.begins)
    return out
