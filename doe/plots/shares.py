"""Which factors a response's variation over the region comes from: shares with their intervals, largest first."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from doe.plots import look
from doe.study import StudyError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doe.fits import Fit
    from doe.fits.driving import Drivers

LABEL = 38  # letters a line of a row's name
ROOM = 3.0  # percent beyond 0 and 100


def drivers(fit: Fit | Drivers, ax: Axes | None = None) -> Axes:
    """How much of a response's variation over the region each factor accounts for, with its 95 % interval, largest first.

    Parameters
    ----------
    fit : Fit or Drivers
        As `doe.fit` gives it, or what its `drivers()` gave.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        One row a factor: a diamond at its share (total Sobol' index, or Shapley effect where constraints or a mixture tie factors together),
        a line for the interval; in a product region a hollow mark for what it accounts for alone.

    Raises
    ------
    StudyError
        If it is neither, or the fit has no drivers to rank.
    """
    from matplotlib.ticker import FuncFormatter

    found = _drivers(fit)
    table, study = found.table, found.fit.study
    names = [look.folded(study.factor(n).label, LABEL) for n in table["factor"]]
    heights = np.array([0.14 + 0.16 * (name.count("\n") + 1) for name in names])  # inches a row asks for
    ax = look.axes_for(ax, 6.2, 1.0 + float(heights.sum()))
    y = np.cumsum(heights) - 0.5 * heights
    known = table["low"].notna().to_numpy()
    ax.hlines(
        y[known],
        100 * table["low"][known],
        100 * table["high"][known],
        color=look.DEEP,
        linewidth=2.2,
        alpha=0.75,
        gid="interval",
    )
    ax.plot(100 * table["share"], y, linestyle="none", marker="D", markersize=4.5, color=look.DEEP, gid="share")
    if "alone" in table:
        look.batches(ax, 100 * table["alone"], y, size=40.0, label="alone")
    ax.set_xlim(-ROOM, 100 + ROOM)
    ax.set_ylim(float(heights.sum()), 0.0)
    ax.set_yticks(y, names)
    ax.tick_params(axis="y", length=0)
    ax.grid(False, axis="y")
    ax.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.0f}"))
    ax.set_xlabel("share of the variation over the region (%)")
    second = (
        "alone and together with others (total Sobol' index)"
        if found.measure == "total"
        else "what factors account for only together is shared out (Shapley effects)"
    )
    marks = "Diamonds: shares; lines: 95 % intervals." if known.any() else "Diamonds: shares."
    if "alone" in table:
        marks += " Hollow marks: alone."
    look.framed(ax, f"What the variation of {found.fit.response.name} comes from", second, f"{found.words} {marks}")
    return ax


def _drivers(fit: object) -> Drivers:
    from doe.fits import Fit
    from doe.fits.driving import Drivers

    if isinstance(fit, Drivers):
        return fit
    if not isinstance(fit, Fit):
        raise StudyError(
            "plots.drivers: fit",
            type(fit).__name__,
            "a Fit or its drivers()",
            "give one of doe.fit_all's: fits['viscosity']",
        )
    return fit.drivers()
