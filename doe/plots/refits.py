"""Coefficients beside a robust refit, and the variances behind the scatter."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from doe.fits.verdicts import listed
from doe.plots import look
from doe.study import StudyError
from doe.study.shown import number_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doe.fits import Fit
    from doe.fits.robust import RobustFit

APART = 0.18  # of a row, between the two estimates
NAMED = 3  # batches of least weight that are named


def robust_refit(robust: RobustFit, ax: Axes | None = None) -> Axes:
    """Every coefficient by least squares and by Huber's refit, with 95 % intervals: what single batches do to the fit.

    Parameters
    ----------
    robust : RobustFit
        As `fit.robust()` gives it.
    ax : Axes, optional
        Axes to draw in; those of a new figure if left out.

    Returns
    -------
    Axes
        One row a coefficient but the intercept, in coded units on the fitted scale, the largest first: filled diamonds by least squares,
        hollow circles by the robust refit.

    Raises
    ------
    StudyError
        If it is no robust refit.
    """
    from doe.fits.robust import RobustFit

    if not isinstance(robust, RobustFit):
        raise StudyError(
            "plots.robust_refit: robust",
            type(robust).__name__,
            "what fit.robust() gives",
            "give fits['viscosity'].robust()",
        )
    table = robust.table[robust.table["term"] != "1"]
    table = table.iloc[np.argsort(-table["estimate"].abs().to_numpy(), kind="stable")]
    ax = look.axes_for(ax, 6.2, 1.4 + 0.28 * len(table))
    y = np.arange(len(table), dtype=float)
    ax.axvline(0.0, color=look.SOFT, linewidth=1.0)
    for shift, (low, middle, high), colour, face, marker, gid in (
        (-APART, ("low", "estimate", "high"), look.DEEP, look.DEEP, "D", "least squares"),
        (APART, ("robust_low", "robust", "robust_high"), look.INK, look.PAPER, "o", "robust"),
    ):
        ax.hlines(y + shift, table[low], table[high], color=colour, linewidth=1.8, alpha=0.75, gid=f"{gid} interval")
        ax.plot(
            table[middle],
            y + shift,
            linestyle="none",
            marker=marker,
            markersize=4.5,
            color=colour,
            markerfacecolor=face,
            gid=gid,
        )
    ax.set_ylim(len(table) - 0.5, -0.5)
    ax.set_yticks(y, [look.folded(str(t), 34) for t in table["term"]])
    ax.tick_params(axis="y", length=0)
    ax.grid(False, axis="y")
    ax.set_xlabel("coefficient, coded units, on the fitted scale")
    least = robust.weights.sort_values(kind="stable").head(NAMED)
    least = least[least < 0.995]
    pulls = (
        f" Least weight: {listed([f'run {run} ({weight:.2f})' for run, weight in least.items()])}."
        if len(least)
        else " Every batch keeps its full weight."
    )
    under = f"{robust.verdict()} Filled: least squares; hollow: Huber's refit; lines: 95 % intervals.{pulls}"
    look.framed(ax, f"What single batches do to {look.plain(robust.label)}", "", under)
    return ax


def variance_components(fit: Fit, ax: Axes | None = None) -> Axes:
    """Where the scatter comes from: the standard deviation of every stratum, with its 95 % interval where one is known.

    Parameters
    ----------
    fit : Fit
        As `doe.fit` gives it.
    ax : Axes, optional
        Axes to draw in; those of a new figure if left out.

    Returns
    -------
    Axes
        One row a source, on the fitted scale, with its figure written beside.

    Raises
    ------
    StudyError
        If it is no fit, or has no noise to show.

    References
    ----------
    Satterthwaite, F. E. (1946). An approximate distribution of estimates of variance components. Biometrics Bulletin 2(6), 110-114.
    """
    look.need_fit("variance_components", fit)
    table = fit.component_intervals
    table = table[np.isfinite(table["sd"].to_numpy(dtype=float))]
    if table.empty:
        raise StudyError(
            "plots.variance_components: fit",
            "without a standard deviation",
            "one with residual degrees of freedom, or of scores that share batches",
            "make more batches, or choose a smaller model",
        )
    sd, low, high = (table[c].to_numpy(dtype=float) for c in ("sd", "low", "high"))
    ax = look.axes_for(ax, 5.8, 1.5 + 0.42 * len(table))
    y = np.arange(len(table), dtype=float)
    known = np.isfinite(low) & np.isfinite(high)
    most = float(max(sd.max(), sd.max() * 1.2, np.where(known, high, 0.0).max()))
    edge = min(most, 4.0 * float(sd.max()) or 1.0)  # an interval without an end in sight is cut, and said
    ax.hlines(
        y[known], low[known], np.minimum(high[known], edge), color=look.DEEP, linewidth=2.2, alpha=0.75, gid="interval"
    )
    ax.plot(sd, y, linestyle="none", marker="D", markersize=5, color=look.DEEP, gid="sd")
    ax.set_xlim(0.0, 1.12 * edge)
    ax.set_ylim(len(table) - 0.5, -0.6)
    for at, value, a, b, there in zip(y, sd, low, high, known, strict=True):
        text = f"{number_text(value, digits=3)}" + (
            f" ({number_text(a, digits=2)} to {number_text(b, digits=2)})" if there else ""
        )
        ax.text(
            value,
            at - 0.16,
            text,
            ha="left",
            va="bottom",
            fontsize=look.SMALL,
            color=look.INK,
            path_effects=look.halo(),
        )
    ax.set_yticks(y, [str(s) for s in table["source"]])
    ax.tick_params(axis="y", length=0)
    ax.grid(False, axis="y")
    scale = "logit" if fit.response.scale is not None else f"{fit.response.fitted_label}"
    ax.set_xlabel(look.folded(f"standard deviation on the scale of {scale}", 60))
    largest = str(table["source"].iloc[int(np.argmax(sd))])
    cut = " Intervals are cut where they go on to the right." if (known & (high > edge)).any() else ""
    none = "" if known.all() else " Without a line: nothing says how surely it is known."
    relative = " It reads as a coefficient of variation: 0.1 is 10 %." if fit.response.transform == "log" else ""
    under = f"The largest is {largest}. Lines: 95 % intervals.{cut}{none}{relative}"
    look.framed(ax, f"Where the scatter of {fit.response.name} comes from", "", under)
    return ax
