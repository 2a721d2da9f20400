"""Where a plan's batches lie: over every pair of factors, and in the triangle of a three-component mixture."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.designs import Plan
from doe.plots import holding, look
from doe.plots.look import Floats
from doe.plots.triangle import Triangle, area, corners_of, hull
from doe.study import Categorical, Component, Study, StudyError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure
    from matplotlib.lines import Line2D

SHAPES = ("o", "s", "^", "D", "v", "p", "<", "h", ">", "P", "X", "*")
MOST_FACTORS = 7
APART = 9.5  # points between marks that would hide each other
NEAR = 0.045  # of the panel: marks of different shapes closer than this would hide each other
REPEATS_SAID = 4


def plan_pairs(
    plan: Plan, factors: Sequence[str] | None = None, figure: Figure | SubFigure | None = None
) -> Figure | SubFigure:
    """Where the batches of a plan lie, over every pair of factors.

    Parameters
    ----------
    plan : Plan
        Any plan.
    factors : sequence of str, optional
        Which factors, two to seven; all if left out.
    figure : Figure, optional
        Figure to draw in; a new one if left out.

    Returns
    -------
    Figure
        A panel a pair: hollow marks, a number in a mark where several batches stand at one place, one shape a block or else a whole plot.
        Pairs of settings that no batch may have are hatched.

    Raises
    ------
    StudyError
        If there is no pair to draw, there are too many, or a name is no factor's.
    """
    study = _studied(plan)
    names = _chosen(study, factors)
    k = len(names)
    groups, word = _groups(plan)
    side = 2.7 if k < 4 else 1.9 if k < 6 else 1.5
    figure = look.figure_for(figure, max(side * (k - 1) + (1.3 if groups.nunique() > 1 else 0.6), 4.6), side * (k - 1))
    grid = figure.add_gridspec(k - 1, k - 1)
    corners = corners_of(study)
    hatched = False
    for i, j in combinations(range(k), 2):
        ax = look.dress(figure.add_subplot(grid[j - 1, i]))
        x, y = study.factor(names[i]), study.factor(names[j])
        places = [_places(f, plan.runs[f.name]) for f in (x, y)]
        for axis, f, at in ((ax.xaxis, x, places[0]), (ax.yaxis, y, places[1])):
            _scale(ax, axis, f, at)
        if not isinstance(x, Categorical) and not isinstance(y, Categorical):
            hatched |= _hatch(ax, x, y, hull(corners[[x.name, y.name]].to_numpy(dtype=float)))
        ax.set_xlabel(look.folded(x.label, 24) if j == k - 1 else "")
        ax.set_ylabel(look.folded(y.label, 20) if i == 0 else "")
        ax.tick_params(labelbottom=j == k - 1, labelleft=i == 0)
        _marks(ax, np.column_stack(places), groups, 0.8 if k > 4 else 1.0)
    if groups.nunique() > 1:
        _legend(figure, groups, word)
    said = [_marks_words(groups, word), _repeats(plan)]
    if hatched:
        said.append("Hatched: no batch may have this pair of settings, whatever the others.")
    look.headed(figure, f"Where the {len(plan.runs)} batches lie", "", " ".join(said))
    return figure


def ternary(plan: Plan, ax: Axes | None = None) -> Axes:
    """Where the blends of a plan in three components lie, with the region that their limits leave.

    Parameters
    ----------
    plan : Plan
        Of a study with three components; other factors may stand beside them.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        The triangle reaches as far as the region does (its corners are L-pseudocomponents); what the limits forbid is hatched.

    Raises
    ------
    StudyError
        If the study has not three components.
    """
    study = _studied(plan)
    parts = [f for f in study.factors if isinstance(f, Component)]
    if len(parts) != 3:
        raise StudyError("plan: number of components", len(parts), "3 for a triangle", "take plan_pairs")
    names = [f.name for f in parts]
    total = study.mixture_total or 100.0
    runs = plan.runs[names].to_numpy(dtype=float)
    region = corners_of(study)[names].to_numpy(dtype=float)
    low = np.vstack([region, runs]).min(axis=0)
    if total - low.sum() <= 1e-9 * total:
        raise StudyError("plan: components", "one blend alone", "blends that differ", "widen the components' ranges")
    triangle = Triangle(tuple(parts), low, float(total - low.sum()))
    ax = look.axes_for(ax, 5.6, 5.0)
    cut = triangle.draw(ax, region)
    groups, word = _groups(plan)
    _marks(ax, triangle.flat(runs), groups, 1.0)
    if groups.nunique() > 1:
        ax.legend(
            handles=_handles(groups),
            title=word,
            loc="upper right",
            frameon=False,
            fontsize=look.SMALL,
            title_fontsize=look.SMALL,
        )
    said = [_marks_words(groups, word), _repeats(plan)]
    if cut:
        said.append("Hatched: blends that the limits forbid.")
    said.append(triangle.begins)
    look.framed(ax, f"Where the {len(plan.runs)} batches lie in the blend", "", " ".join(filter(None, said)))
    return ax


def _studied(plan: object) -> Study:
    if not isinstance(plan, Plan):
        raise StudyError("plan", type(plan).__name__, "a Plan", "make one, or take Plan.from_frame")
    return plan.study


def _chosen(study: Study, factors: Sequence[str] | None) -> list[str]:
    names = list(study.names) if factors is None else [factors] if isinstance(factors, str) else list(factors)
    for name in names:
        holding.known(study, name, "factors")
    if len(set(names)) != len(names) or not 2 <= len(names) <= MOST_FACTORS:
        raise StudyError(
            "factors",
            names if len(set(names)) != len(names) else len(names),
            f"from 2 to {MOST_FACTORS} different factors",
            "name those to draw in factors=",
        )
    return names


def _groups(plan: Plan) -> tuple[pd.Series[Any], str]:
    """What tells batches apart: their blocks, or else their whole plots."""
    for labels, word in ((plan.block, "block"), (plan.whole_plot, "whole plot")):
        if labels is not None and labels.nunique() > 1:
            return labels, word
    return pd.Series("", index=plan.runs.index), ""


def _handles(groups: pd.Series[Any]) -> list[Line2D]:
    from matplotlib.lines import Line2D

    return [
        Line2D(
            [],
            [],
            marker=SHAPES[i % len(SHAPES)],
            ls="",
            ms=5.5,
            mfc="none",
            mec=look.INK,
            mew=0.9,
            label=look.plain(label),
        )
        for i, label in enumerate(sorted(groups.unique(), key=_natural))
    ]


def _natural(label: str) -> tuple[str, int]:
    """W2 before W10."""
    head = label.rstrip("0123456789")
    return head, int(label[len(head) :] or -1)


def _legend(figure: Figure | SubFigure, groups: pd.Series[Any], word: str) -> None:
    figure.legend(
        handles=_handles(groups),
        title=word,
        loc="outside right upper",
        frameon=False,
        fontsize=look.SMALL,
        title_fontsize=look.SMALL,
        labelcolor=look.INK,
    )


def _places(factor: Any, values: pd.Series[Any]) -> Floats:
    if isinstance(factor, Categorical):
        return np.array([factor.levels.index(v) for v in values], dtype=float)
    return values.to_numpy(dtype=float)


def _scale(ax: Axes, axis: Any, factor: Any, at: Floats) -> None:
    """Limits with room for marks; names for the levels of a categorical factor."""
    from matplotlib.ticker import MaxNLocator

    if isinstance(factor, Categorical):
        low, high = 0.0, float(len(factor.levels) - 1)
        axis.set_ticks(range(len(factor.levels)), [look.folded(v, 12) for v in factor.levels])
        room = 0.4
    else:
        low, high = min(factor.low, float(at.min())), max(factor.high, float(at.max()))
        room = 0.14 * (high - low)
        axis.set_major_locator(MaxNLocator(4, steps=[1, 2, 2.5, 5, 10]))
    (ax.set_xlim if axis is ax.xaxis else ax.set_ylim)(low - room, high + room)


def _hatch(ax: Axes, x: Any, y: Any, allowed: Floats) -> bool:
    """Hatch what of the two ranges no batch may have; whether there is any."""
    from matplotlib.patches import Polygon

    box = np.array([[x.low, y.low], [x.high, y.low], [x.high, y.high], [x.low, y.high]])
    if area(allowed) > 0.999 * area(box):
        return False
    ax.add_patch(Polygon(box, fc=look.PAPER, ec=look.HATCH, hatch="////", lw=0, zorder=0.2, gid="outside"))
    ax.add_patch(Polygon(allowed, fc=look.PAPER, ec=look.SOFT, lw=0.8, zorder=0.3, gid="region"))
    return True


def _marks(ax: Axes, places: Floats, groups: pd.Series[Any], size: float) -> None:
    """Hollow marks with the number of batches, one a place and group; those that would hide each other side by side about their place."""
    from matplotlib.transforms import ScaledTranslation

    root = look.whole(ax)
    labels = sorted(groups.unique(), key=_natural)
    alone = len(labels) == 1
    near = 1e-4 if alone else NEAR
    codes = np.array([labels.index(g) for g in groups])
    span = np.array([np.ptp(ax.get_xlim()), np.ptp(ax.get_ylim())])
    for here in _clusters(places / span, near):
        marks = np.unique(np.column_stack([np.round(places[here] / span, 4), codes[here]]), axis=0, return_counts=True)
        order = np.lexsort((marks[0][:, 1], marks[0][:, 0], marks[0][:, 2]))
        counts = marks[1][order]
        wide = 1.45 if not alone and counts.max() > 1 else 1.0
        x, y = (places[here].min(axis=0) + places[here].max(axis=0)) / 2
        for i, (mark, count) in enumerate(zip(marks[0][order], counts, strict=True)):
            dx, dy = _beside(i, len(order), size, wide)
            shift = ax.transData + ScaledTranslation(dx / 72, dy / 72, root.dpi_scale_trans)
            code = int(mark[2])
            inside = alone and count > 1
            ax.scatter(
                [x],
                [y],
                s=size**2 * (76.0 if inside else 26.0),
                marker=SHAPES[code % len(SHAPES)],
                facecolors=look.PAPER,
                edgecolors=look.INK,
                linewidths=0.9,
                transform=shift,
                zorder=4,
                clip_on=False,
                gid="batches",
                label=f"{labels[code]}×{count}",
            )
            if count > 1:
                ax.annotate(
                    str(count),
                    (x, y),
                    xytext=(dx + (0.0 if inside else 4.2 * size), dy),
                    textcoords="offset points",
                    fontsize=6.5 * size,
                    color=look.INK,
                    ha="center" if inside else "left",
                    va="center_baseline",
                    zorder=5,
                    gid="count",
                )


def _clusters(at: Floats, near: float) -> list[NDArray[np.int64]]:
    """Batches whose marks would hide each other, from left to right."""
    left = list(np.lexsort((at[:, 1], at[:, 0])))
    out = []
    while left:
        first = at[left[0]]
        together = [i for i in left if np.abs(at[i] - first).max() <= near]
        out.append(np.array(together))
        left = [i for i in left if i not in together]
    return out


def _beside(i: int, count: int, size: float, wide: float) -> tuple[float, float]:
    """Offset in points of mark i of so many at one place: rows of two or three about it."""
    if count == 1:
        return 0.0, 0.0
    across = 2 if count <= 4 else 3
    row, column = divmod(i, across)
    in_row = min(across, count - row * across)
    return (column - (in_row - 1) / 2) * APART * wide * size, ((-(-count // across) - 1) / 2 - row) * APART * size


def _marks_words(groups: pd.Series[Any], word: str) -> str:
    if not word:
        return "Hollow marks: batches; a number in a mark: how many stand there."
    shapes = f"one shape a {word}" + (
        f" (they begin again after {len(SHAPES)})" if groups.nunique() > len(SHAPES) else ""
    )
    return f"Hollow marks: batches, {shapes}; a number by a mark: how many stand there; marks that would hide each other stand side by side."


def _repeats(plan: Plan) -> str:
    """Settings made more than once, in words."""
    counts: dict[tuple[Any, ...], list[int]] = {}
    for run, row in zip(plan.runs.index, plan.runs.round(9).itertuples(index=False, name=None), strict=True):
        counts.setdefault(row, []).append(int(run))
    again = sorted(((row, runs) for row, runs in counts.items() if len(runs) > 1), key=lambda x: (-len(x[1]), x[1]))
    if not again:
        return "No setting is made twice."
    said = [
        f"{len(runs)} times "
        + ", ".join(holding.setting_text(plan.study.factor(n), v) for n, v in zip(plan.runs, row, strict=True))  # type: ignore[arg-type]
        for row, runs in again[:REPEATS_SAID]
    ]
    more = f"; {len(again) - REPEATS_SAID} more settings are repeated" if len(again) > REPEATS_SAID else ""
    return f"Made more than once: {'; '.join(said)}{more}."
