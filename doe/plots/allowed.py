"""Which settings a trial may take, before any batch is chosen."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from doe.plots import look
from doe.plots.placing import MOST_FACTORS, _hatch, _scale
from doe.plots.triangle import corners_of, hull
from doe.study import Categorical, Study, StudyError

if TYPE_CHECKING:
    from matplotlib.figure import Figure, SubFigure


def region_pairs(
    study: Study, factors: Sequence[str] | None = None, figure: Figure | SubFigure | None = None
) -> Figure | SubFigure:
    """The region of a study over every pair of its numeric factors.

    Parameters
    ----------
    study : Study
    factors : sequence of str, optional
        Which numeric factors, two to seven; the first seven if left out.
    figure : Figure, optional
        Figure to draw in; a new one if left out.

    Returns
    -------
    Figure
        A panel a pair, as wide as the factors' ranges; pairs of settings that no batch may have, whatever the others, are hatched.

    Raises
    ------
    StudyError
        If there is no pair of numeric factors to draw, or there are too many.
    """
    from matplotlib.patches import Polygon

    if not isinstance(study, Study):
        raise StudyError("region_pairs: study", type(study).__name__, "a Study", "describe the trial first")
    known = [f.name for f in study.factors if not isinstance(f, Categorical)]
    names = known[:MOST_FACTORS] if factors is None else list(factors)
    for name in names:
        if name not in known:
            raise StudyError("region_pairs: factors", name, "among " + ", ".join(known), "name numeric factors")
    k = len(names)
    if not 2 <= k <= MOST_FACTORS:
        raise StudyError(
            "region_pairs: factors", k, f"from 2 to {MOST_FACTORS} numeric factors", "name the ones to draw"
        )
    side = 2.4 if k < 4 else 1.8 if k < 6 else 1.45
    figure = look.figure_for(figure, max(side * (k - 1) + 0.6, 4.6), side * (k - 1) + (0.8 if k == 2 else 0.0))
    grid = figure.add_gridspec(k - 1, k - 1)
    corners = corners_of(study)
    hatched = False
    for i, j in combinations(range(k), 2):
        ax = look.dress(figure.add_subplot(grid[j - 1, i]))
        x, y = study.factor(names[i]), study.factor(names[j])
        for axis, f in ((ax.xaxis, x), (ax.yaxis, y)):
            _scale(ax, axis, f, np.array([f.low, f.high]))  # type: ignore[union-attr]
        allowed = hull(corners[[x.name, y.name]].to_numpy(dtype=float))
        hatched |= _hatch(ax, x, y, allowed)
        ax.add_patch(Polygon(allowed, fc="none", ec=look.SOFT, lw=1.2, zorder=0.4, gid="region"))
        ax.set_xlabel(look.folded(x.label, 24) if j == k - 1 else "")
        ax.set_ylabel(look.folded(y.label, 20) if i == 0 else "")
        ax.tick_params(labelbottom=j == k - 1, labelleft=i == 0)
    said = (
        "Hatched: no batch may have this pair of settings, whatever the others."
        if hatched
        else "Every pair of settings inside the ranges may be made."
    )
    look.headed(figure, "Which settings the trial may take", "", said)
    return figure
