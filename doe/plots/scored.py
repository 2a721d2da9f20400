"""Scores: the chance that a new batch scores well, over each factor."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.plots import holding, look
from doe.plots.curves import evenly, panels_in
from doe.study import Categorical, StudyError
from doe.study.shown import chance_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure, SubFigure

    from doe.fits import Fit

STEPS = 61


def score_chances(
    fit: Fit, at_least: int | None = None, at: Any = None, figure: Figure | SubFigure | None = None
) -> Figure | SubFigure:
    """Chance that a new batch scores so much or more, over each factor.

    Parameters
    ----------
    fit : Fit
        Of scores, as `doe.fit` gives it.
    at_least : int, optional
        The score; that of the specification if left out.
    at : mapping of factor to setting, optional
        Where the other factors are held; in the middle of the region if left out.
    figure : Figure, optional
        Figure to draw in; a new one if left out.

    Returns
    -------
    Figure
        A panel a factor on one scale from 0 to 1: the posterior mean of the chance and its 95 % credible interval.

    Raises
    ------
    StudyError
        If the fit is not of scores or its model has no factor, or the score is none of the scale, or none is given and none specified.
    """
    look.need_fit("score_chances", fit)
    if fit.response.scale is None:
        raise StudyError(
            "plots.score_chances: fit",
            f"of {fit.response.name}, which is measured",
            "a fit of scores",
            "see main_effects(fit) for what is measured",
        )
    if at_least is None:
        if fit.response.low is None:
            raise StudyError(
                "plots.score_chances: at_least", "left out", "a score, as none is specified", "write at_least=4, say"
            )
        at_least = int(fit.response.low)
    study = fit.study
    names = [n for n in study.names if any(n == name for term in fit.model.parsed for name, _ in term)]
    if not names:
        raise StudyError(
            "plots.score_chances: model",
            "without a factor",
            "of at least one factor",
            "fit a model with the factors studied",
        )
    base = holding.held(study, (), at)
    down, across = evenly(len(names))
    figure = look.figure_for(figure, max(2.1 * across, 3.4), 2.2 * down + 0.9)
    panels = panels_in(figure, down, across, len(names))
    best: list[tuple[float, str]] = []
    for ax, name in zip(panels, names, strict=True):
        factor = study.factor(name)
        steps = holding.steps(factor, STEPS)
        table, inside = base.moving(name).table({name: steps})
        found = pd.DataFrame(fit.chance(table[inside], at_least=at_least))  # type: ignore[attr-defined]  # of fits of scores
        x = (
            np.arange(len(table))[inside]
            if isinstance(factor, Categorical)
            else table.loc[inside, name].to_numpy(float)
        )
        middle, low, high = (found[c].to_numpy(dtype=float) for c in ("estimate", "low", "high"))
        if isinstance(factor, Categorical):
            ax.vlines(x, low, high, color=look.DEEP, linewidth=2.0, gid="interval")
            ax.plot(x, middle, linestyle="none", marker="D", markersize=5, color=look.DEEP, gid="chance")
            ax.set_xticks(x, [str(v) for v in table.loc[inside, name]])
            ax.margins(x=0.2)
        else:
            ax.fill_between(x, low, high, color=look.DEEP, alpha=look.BAND, linewidth=0, gid="interval")
            ax.plot(x, middle, color=look.DEEP, linewidth=1.6, gid="chance")
        ax.set_ylim(-0.03, 1.03)
        ax.set_xlabel(look.folded(factor.label, 26))
        k = int(np.argmax(middle))
        best.append((float(middle[k]), holding.setting_text(factor, table.loc[inside, name].iloc[k])))
    for ax in panels[::across]:
        ax.set_ylabel("chance")
    top = max(best)
    held = f"each factor by itself; the others held at {base.text}" if len(names) > 1 else ""
    look.headed(
        figure,
        f"Chance that a new batch scores {at_least} or more in {fit.response.name}",
        held,
        f"Lines: posterior mean; shaded: 95 % credible interval. Highest along these lines: {chance_text(top[0], 3)} at {top[1]}.",
    )
    return figure
