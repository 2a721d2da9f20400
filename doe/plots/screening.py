"""Screening: which effects stand out of the noise, and which terms the competing models want."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from doe.plots import look
from doe.study import StudyError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doe.fits import CompetingModels

NAMED = 5  # effects that bear their name at the least
MOST = 30  # terms that can be read in one picture


def half_normal(effects: Any, ax: Axes | None = None, seed: int = 0) -> Axes:
    """Sizes of the effects of an unreplicated two-level plan against half-normal quantiles, with a simulated envelope.

    Parameters
    ----------
    effects : Fit, LenthTest, Series or mapping of term -> effect
        What `doe.fits.lenth` takes, or gives.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.
    seed : int
        Of the simulation, unless a LenthTest is given, which has its own.

    Returns
    -------
    Axes
        Idle effects lie inside the shaded envelope (where each place lies in 95 % of trials without an active effect); active ones to
        the right of it. Dotted: the margins of error of one effect, and of all together. Effects beyond the first are named.

    Raises
    ------
    StudyError
        As `doe.fits.lenth`.

    References
    ----------
    Daniel, C. (1959). Use of half-normal plots in interpreting factorial two-level experiments. Technometrics 1, 311-341. Atkinson, A. C.
    (1985). Plots, transformations and regression, section 4.2 (simulated envelopes). Oxford University Press.
    """
    from scipy import stats

    from doe.fits import LenthTest, lenth

    found = effects if isinstance(effects, LenthTest) else lenth(effects, seed=seed)
    table = found.table.iloc[::-1]
    size = table["effect"].abs().to_numpy(dtype=float)
    m = len(size)
    quantiles = stats.halfnorm.ppf((np.arange(1, m + 1) - 0.5) / m)
    low, high = found.envelope()
    ax = look.axes_for(ax, 6.2, 4.4)
    ax.fill_betweenx(quantiles, low, high, color=look.DEEP, alpha=look.BAND, linewidth=0, gid="interval")
    ax.plot([0.0, quantiles[-1] * found.pse], [0.0, quantiles[-1]], color=look.DEEP, linewidth=1.2, gid="noise")
    for value in (found.me, found.sme):
        ax.axvline(value, color=look.INK, linewidth=1.0, linestyle=(0, (2, 2)), zorder=1.5, gid="limit")
    look.batches(ax, size, quantiles, size=26.0, label="effect")
    right = 1.08 * max(float(size[-1]), found.sme)
    ax.set_xlim(0.0, right)
    ax.set_ylim(0.0, 1.08 * float(quantiles[-1]))
    ax.set_xlabel("size of the effect")
    ax.set_ylabel("half-normal quantile")
    look.framed(
        ax,
        look.plain(f"{found.label}: which effects stand out of the noise?"),
        f"shaded: where idle effects lie; dotted: margin of error at {100 * found.rate:g} % of one effect, and of all {m} together",
        f"{found.verdict()} Pseudo standard error {look.figures(found.pse, 3)}; the line is noise of that size.",
    )
    terms = table["term"].astype(str).tolist()
    # of those close together the largest bear their names first
    named = [i for i in range(m - 1, -1, -1) if size[i] > found.me or i >= m - NAMED]
    boxes: list[Any] = []
    points = np.column_stack([size, quantiles])
    for i in named:
        look.name_beside(ax, float(size[i]), float(quantiles[i]), terms[i], points, boxes, "effect")
    return ax


def inclusion_weights(models: CompetingModels, ax: Axes | None = None) -> Axes:
    """How much each term is wanted by the models tried, and in which of the competing models it stands.

    Parameters
    ----------
    models : CompetingModels
        As `doe.fits.competing_models` gives it.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        One row a term, the weightiest first: the mark is its weight (share of all models tried that have it, by exp(−criterion/2)), the
        small hollow marks in the right-hand part say in which of the competing models it stands, the best model first.

    Raises
    ------
    StudyError
        If it is given anything else.
    """
    from doe.fits import CompetingModels

    if not isinstance(models, CompetingModels):
        raise StudyError(
            "plots.inclusion_weights: models",
            type(models).__name__,
            "competing models",
            "make them with doe.fits.competing_models(study, data, response)",
        )
    table = models.inclusion
    table = table[(table["weight"] >= 0.01) | (table["models"] > 0)].head(MOST)
    listed = [set(m) for m in models.members[:12]]
    y = np.arange(len(table), dtype=float)
    ax = look.axes_for(ax, 6.6, 1.3 + 0.26 * len(table))
    weights = table["weight"].to_numpy(dtype=float)
    ax.hlines(y, 0.0, weights, color=look.DEEP, linewidth=2.2, alpha=0.75)
    ax.plot(
        weights, y, linestyle="none", marker="D", markersize=4.5, color=look.DEEP, gid="weight", clip_on=False, zorder=4
    )
    step = 0.045
    for k, inside in enumerate(listed):
        rows = np.array([i for i, t in enumerate(table["term"]) if t in inside], dtype=float)
        look.batches(ax, np.full(len(rows), 1.1 + k * step), rows, size=14.0, label=f"model {k + 1}")
    ax.axvline(1.05, color=look.FAINT, linewidth=1.0)
    ax.set_xlim(0.0, 1.1 + step * max(len(listed), 3))
    ax.set_xticks([0.0, 0.25, 0.5, 0.75, 1.0])
    ax.set_ylim(len(table) - 0.4, -0.6)
    ax.set_yticks(y, [look.folded(str(t), 38) for t in table["term"]])
    ax.tick_params(axis="y", length=0)
    ax.grid(False, axis="y")
    ax.set_xlabel("weight of all models tried")
    count = len(models.members)
    name = {"aicc": "AICc", "bic": "BIC"}[models.by]
    shown = f"the {len(listed)} best of {count}" if count > len(listed) else f"{count}"
    second = (
        f"right: in which of {'the ' if count == len(listed) and count > 1 else ''}{shown} competing model{'s' * (count > 1)} "
        f"(within {models.within:g} {name}) it stands, the best first"
    )
    look.framed(
        ax, look.plain(f"{models.response.label}: which terms do the models want?"), second, _weight_words(models)
    )
    return ax


def _weight_words(models: CompetingModels) -> str:
    t = models.inclusion
    first = t.iloc[0]
    out = [f"Most wanted: {first['term']} ({first['weight']:.2f})."]
    count = len(models.members)
    both = list(t.loc[t["models"] == count, "term"])
    if count > 1:
        out.append(
            f"In all {count} competing models: {', '.join(both)}."
            if both
            else "No term stands in all competing models."
        )
    idle = int((t["weight"] < 0.01).sum())
    if idle:
        out.append(
            f"{idle} term{'s' * (idle > 1)} with a weight below 0.01 {'are' if idle > 1 else 'is'} left out where no listed model has {'them' if idle > 1 else 'it'}."
        )
    out.append("A weight is no probability that the term is real: by_chance() says what noise alone would reach.")
    return " ".join(out)
