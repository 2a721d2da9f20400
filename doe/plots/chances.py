"""Where to run: the chance that one new batch meets every specification, over two factors."""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.plots import look, slices
from doe.plots.holding import setting_text
from doe.plots.runs import observed
from doe.study import Categorical, StudyError
from doe.study.shown import chance_text, error_text, simulated_text
from doe.study.trial import specification_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

    from doe.designs import Plan
    from doe.window import Window

Floats = NDArray[np.float64]
LEVELS = (0.01, 0.1, 0.25, 0.5, 0.75, 0.9, 0.99)
FILLED = np.linspace(0.0, 1.0, 121)


def probability_map(
    win: Window,
    x: str,
    y: str,
    at: Any = None,
    n: int = 101,
    proposed: Plan | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Chance that one new batch meets every specification, over two factors.

    Parameters
    ----------
    win : Window
        As `doe.find_window` gives it.
    x, y : str
        Numeric factors or components.
    at : mapping or Series, optional
        Settings at which the other factors are held; what is left out is held at the set point, and the title says where.
    n : int
        Grid points along each axis.
    proposed : Plan, optional
        As `doe.next_batches` or `doe.designs.extend` gives it: its new batches are drawn as hollow triangles.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        One continuous scale from 0 to 1, lines of equal chance (that of the target heavier), settings outside the region left blank and
        hatched. The diamond is the set point and the dashed outline the ranges that hold together, where they meet this slice.

    Raises
    ------
    StudyError
        If x or y is no numeric factor, both are the same, no setting of the slice lies in the region, or `proposed` is no extended plan.
    """
    from matplotlib.colors import Normalize

    look.need_window("probability_map", win)
    new = None if proposed is None else _new_batches(win, proposed)
    cut = slices.sliced(win.study, x, y, at, n, base=_point(win))
    found = win.probability(cut.table[cut.near])
    z = cut.grid(found["probability"].to_numpy(dtype=float))
    ax = look.axes_for(ax, 6.2, 5.0)
    slices.frame(ax, cut)
    drawn = slices.fill(ax, cut, z, Normalize(0.0, 1.0), FILLED)
    slices.bar(ax, drawn, "chance of meeting every specification", np.linspace(0.0, 1.0, 6).tolist())
    marks = batches_of(win)
    slices.put_batches(ax, cut, marks)
    near = 0 if new is None else _put_new(ax, cut, new)
    boxed, pointed = _outline(ax, win, cut), _set_point(ax, win, cut)
    second = f"held: {cut.path.text}" if cut.path.text else ""
    look.framed(
        ax,
        f"Chance that {what_of(win)} meets every specification",
        second,
        _map_words(win, cut, found, marks, boxed, pointed) + ("" if new is None else f" {_new_words(near, len(new))}"),
    )
    taken = _taken(ax, win, cut, marks)
    if pointed:
        boxes: list[Any] = []
        covered = [
            marks[[x, y]].to_numpy(dtype=float),
            *([] if new is None else [new[[x, y]].to_numpy(dtype=float)]),
            *(_along_edges(p) for p in ax.patches if p.get_gid() == "ranges"),
        ]
        look.name_beside(
            ax,
            float(win.set_point[x]),
            float(win.set_point[y]),
            "set point",
            np.vstack(covered),
            boxes,
            "set point name",
        )
        taken[0].add_box(boxes[0])
    slices.draw_lines(ax, cut, z, lines_of(win), 1, taken)
    return ax


def probability_by_response(
    win: Window, x: str, y: str, at: Any = None, n: int = 61, figure: Figure | SubFigure | None = None
) -> Figure | SubFigure:
    """Chance of meeting each specification by itself, over two factors: which response limits where.

    Parameters
    ----------
    win, x, y, at, n
        As for `probability_map`.
    figure : Figure, optional
        Figure to draw in; a new one if left out.

    Returns
    -------
    Figure
        One small panel a response, and one for all together where there are several, on one scale from 0 to 1.

    Raises
    ------
    StudyError
        As for `probability_map`.
    """
    from matplotlib.colors import Normalize

    look.need_window("probability_by_response", win)
    cut = slices.sliced(win.study, x, y, at, n, base=_point(win))
    settings = cut.table[cut.near]
    chances, errors = win._each(settings)
    names = [str(c) for c in chances.columns]
    columns = {name: chances[name].to_numpy(dtype=float) for name in names}
    titles = {name: f"{win.fits[name].response.name}: {specification_text(win.fits[name].response)}" for name in names}
    if len(names) > 1:
        together = win.probability(settings)
        columns["every specification"] = together["probability"].to_numpy(dtype=float)
        errors["every specification"] = together["mc_error"].to_numpy()
        titles["every specification"] = "every specification"
    down = ceil(len(columns) / 3)
    across = ceil(len(columns) / down)
    figure = look.figure_for(figure, 1.5 + 2.1 * across, 0.8 + 2.2 * down)
    marks = batches_of(win)
    panels, drawn = [], None
    for i, (key, chance) in enumerate(columns.items()):
        ax = look.dress(figure.add_subplot(down, across, i + 1))
        slices.frame(ax, cut)
        drawn = slices.fill(ax, cut, cut.grid(chance), Normalize(0.0, 1.0), FILLED)
        slices.put_batches(ax, cut, marks)
        _set_point(ax, win, cut)
        ax.set_title(look.folded(titles[key], 28), fontsize=look.SMALL + 0.5, color=look.INK)
        ax.title.set(ha="left", x=0.0)
        if i % across:
            ax.set_ylabel("")
            ax.tick_params(axis="y", labelleft=False)
        if i + across < len(columns):
            ax.set_xlabel("")
        panels.append(ax)
    slices.bar(panels, drawn, "chance", np.linspace(0.0, 1.0, 6).tolist())
    second = f"held: {cut.path.text}" if cut.path.text else ""
    look.headed(
        figure,
        f"Which response limits where? Chance that {what_of(win)} meets each specification",
        second,
        _response_words(
            win,
            cut,
            {k: cut.within(v) for k, v in columns.items()},
            {k: cut.within(errors[k].to_numpy()) for k in columns},
            names,
            marks,
        ),
    )
    for ax, chance in zip(panels, columns.values(), strict=True):
        slices.draw_lines(ax, cut, cut.grid(chance), lines_of(win), 1, _taken(ax, win, cut, marks))
    return figure


def _new_batches(win: Window, plan: object) -> pd.DataFrame:
    """The batches that an extended plan adds."""
    from doe.designs import Plan

    if not isinstance(plan, Plan):
        raise StudyError("proposed", type(plan).__name__, "a Plan", "make it with doe.next_batches")
    added = plan.provenance.get("arguments", {}).get("runs")
    if plan.provenance.get("function") != "extend" or not isinstance(added, int):
        raise StudyError(
            "proposed",
            f"made by {plan.provenance.get('function', 'hand')}",
            "an extended plan",
            "make it with doe.next_batches",
        )
    if plan.study.fingerprint != win.study.fingerprint:
        raise StudyError(
            "proposed", f"of study {plan.study.name!r}", f"of {win.study.name!r}", "give one of the window's own study"
        )
    return plan.runs.sort_index().iloc[-added:]


def _put_new(ax: Axes, cut: slices.Slice, new: pd.DataFrame) -> int:
    """Proposed batches as hollow triangles, small where they are made at other settings of the held factors; how many are large."""
    here = cut.path.matching(new)
    for chosen, size in ((~here, 16.0), (here, 46.0)):
        ax.scatter(
            new.loc[chosen, cut.path.free[0]],
            new.loc[chosen, cut.path.free[1]],
            s=size,
            marker="^",
            facecolors="none",
            edgecolors=look.INK,
            linewidths=1.1,
            path_effects=look.halo(2.2),
            zorder=4.5,
            gid="proposed",
            clip_on=False,
        )
    return int(here.sum())


def _new_words(here: int, count: int) -> str:
    if here == count:
        return "Triangles: the batches proposed next."
    if not here:
        return f"Small triangles: the {count} batches proposed next, all at other settings of the held factors."
    return f"Triangles: the {count} batches proposed next, {here} of them (large) at the held settings."


def what_of(win: Window) -> str:
    """What the chance is of."""
    return "one new batch" if win.noise else "the mean of many batches"


def _point(win: Window) -> dict[str, Any]:
    return {str(k): v for k, v in win.set_point.items()}


def batches_of(win: Window) -> pd.DataFrame:
    """The batches of the response that has most of them."""
    return observed(max(win.fits.values(), key=lambda fit: len(fit.runs)))


def _taken(ax: Axes, win: Window, cut: slices.Slice, marks: pd.DataFrame) -> list[look.Discs]:
    """Where words may not stand (the set point), and where they had better not (batches)."""
    never = look.Discs()
    if cut.path.matching(pd.DataFrame([_point(win)]))[0]:
        point = np.array([[float(win.set_point[name]) for name in cut.path.free]])
        never.add(ax.transData.transform(point), 7.0)
    return [never, slices.mark_places(ax, cut, marks)]


def _along_edges(box: Any) -> Floats:
    """Points along the outline of a rectangle, data coordinates."""
    x, y, width, height = box.get_x(), box.get_y(), box.get_width(), box.get_height()
    t = np.linspace(0.0, 1.0, 21)
    sides = [(x + t * width, np.full(21, y)), (x + t * width, np.full(21, y + height))]
    sides += [(np.full(21, x), y + t * height), (np.full(21, x + width), y + t * height)]
    return np.vstack([np.column_stack(side) for side in sides])


def judged_text(win: Window, place: pd.DataFrame) -> str:
    """The chance at the place that the draws of a map picked as its best, by draws that did not: the picked ones flatter it."""
    chance, error = win._judged(place)
    return simulated_text(float(chance[0]), float(error[0]))


def share_text(win: Window, chance: Floats) -> str:
    """How much of a slice reaches the target, as a sentence."""
    reached = 100.0 * float((chance >= win.target).mean())
    share = "None" if reached == 0 else "Less than 1 %" if reached < 1 else f"{reached:.0f} %"
    return f"{share} of this slice reaches the target of {win.target:g}."


def lines_of(win: Window) -> list[tuple[float, str]]:
    """Chances to draw lines at, with their names: the target first."""
    others = [v for v in LEVELS if abs(v - win.target) > 0.02]
    return [(win.target, f"target {win.target:g}"), *((v, f"{v:g}") for v in others)]


def _set_point(ax: Axes, win: Window, cut: slices.Slice) -> bool:
    """The set point, where it lies on the slice."""
    x, y = cut.path.free
    if not cut.path.matching(pd.DataFrame([_point(win)]))[0]:
        return False
    diamond(ax, float(win.set_point[x]), float(win.set_point[y]))
    return True


def diamond(ax: Axes, x: float, y: float) -> None:
    """The mark of the set point."""
    ax.plot(
        [x],
        [y],
        marker="D",
        markersize=6.5,
        markerfacecolor=look.PAPER,
        markeredgecolor=look.INK,
        markeredgewidth=1.4,
        linestyle="none",
        zorder=6,
        gid="set point",
    )


def _outline(ax: Axes, win: Window, cut: slices.Slice) -> bool:
    """The default box, where the slice passes through it and it is one on these axes."""
    from matplotlib.patches import Rectangle

    ranges = win.ranges
    if not len(ranges) or (cut.path.takers and set(cut.path.takers) != {win.study.balance}):
        return False
    span = {str(row["factor"]): (row["low"], row["high"]) for _, row in ranges.iterrows()}
    for f in win.study.factors:
        if f.name in cut.path.free or f.name in cut.path.takers:
            continue
        low, high = span[f.name]
        value = cut.path.base[f.name]
        if isinstance(f, Categorical):
            if value != low:
                return False
        elif not low - 1e-9 * abs(low) <= float(value) <= high + 1e-9 * abs(high):
            return False
    (x0, x1), (y0, y1) = (span[name] for name in cut.path.free)
    ax.add_patch(
        Rectangle(
            (float(x0), float(y0)),
            float(x1) - float(x0),
            float(y1) - float(y0),
            fill=False,
            edgecolor=look.INK,
            linewidth=1.5,
            linestyle=(0, (4, 2)),
            zorder=3.5,
            path_effects=look.halo(3.2),
            gid="ranges",
        )
    )
    return True


def _map_words(
    win: Window, cut: slices.Slice, found: pd.DataFrame, marks: pd.DataFrame, boxed: bool, pointed: bool
) -> str:
    inside = cut.table[cut.inside]
    chance, errors = (cut.within(found[c]) for c in ("probability", "mc_error"))
    out = []
    for word, at in (("Best here", int(np.argmax(chance))), ("worst", int(np.argmin(chance)))):
        best = word == "Best here"
        told = judged_text(win, inside.iloc[[at]]) if best else simulated_text(float(chance[at]), float(errors[at]))
        out.append(f"{word}: {told} at {slices.place_text(cut, inside.iloc[at])}")
    lines = [f"{out[0]}; {out[1]}. {share_text(win, chance)}"]
    if boxed:
        lines.append("Dashed: the ranges that hold together.")
    elif not len(win.ranges):
        lines.append("No ranges hold the target.")
    if not pointed:
        lines.append(
            f"The set point lies off this slice: {', '.join(setting_text(f, win.set_point[f.name]) for f in win.study.factors)}."
        )
    here = cut.path.matching(marks)
    still = len(cut.path.study.names) - 2 - len(cut.path.takers)
    lines.append(slices.marks_text(int(here.sum()), int((~here).sum()), still))
    if not cut.inside.all():
        lines.append("Hatched: outside the region studied.")
    return " ".join(lines)


def _response_words(
    win: Window,
    cut: slices.Slice,
    columns: dict[str, Floats],
    errors: dict[str, Floats],
    names: list[str],
    marks: pd.DataFrame,
) -> str:
    spans = [f"{name} {chance_text(columns[name].min(), 3)} to {chance_text(columns[name].max(), 3)}" for name in names]
    most = max(float(error.max()) for error in errors.values())
    lines = [f"Worst to best on this slice: {'; '.join(spans)} (Monte-Carlo errors {error_text(most)} at most)."]
    if len(names) > 1:
        together = columns["every specification"]
        at = int(np.argmax(together))
        least = min(names, key=lambda name: columns[name][at])
        lines.append(
            f"Where all together are likeliest ({chance_text(together[at], 3)}, at {slices.place_text(cut, cut.table[cut.inside].iloc[at])}), "
            f"{least} limits: {chance_text(columns[least][at], 3)} by itself."
        )
    here = cut.path.matching(marks)
    lines.append(
        slices.marks_text(int(here.sum()), int((~here).sum()), len(cut.path.study.names) - 2 - len(cut.path.takers))
    )
    if cut.path.matching(pd.DataFrame([_point(win)]))[0]:
        lines.append("Diamond: the set point.")
    if not cut.inside.all():
        lines.append("Hatched: outside the region studied.")
    return " ".join(lines)
