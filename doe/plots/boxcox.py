"""The Box–Cox profile: which power of a response its readings ask for."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from doe.plots import look
from doe.study import StudyError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doe.fits.transforms import TransformProfile

ROOM = 1.0  # powers shown beyond the interval


def transform_profile(profile: TransformProfile, ax: Axes | None = None) -> Axes:
    """Profile log-likelihood of the Box–Cox power λ, with its interval.

    Parameters
    ----------
    profile : TransformProfile
        As `fit.transform_profile()` gives it.
    ax : Axes, optional
        Axes to draw in; those of a new figure if left out.

    Returns
    -------
    Axes
        Log-likelihood below its highest value; dotted, the level above which λ lies in the interval, which is shaded. A mark where the scale of
        the fit lies.

    Raises
    ------
    StudyError
        If it is no profile.

    References
    ----------
    Box, G. E. P. & Cox, D. R. (1964). An analysis of transformations. J. R. Stat. Soc. B 26(2), 211-252.
    """
    from scipy import special

    from doe.fits.transforms import TransformProfile

    if not isinstance(profile, TransformProfile):
        raise StudyError(
            "plots.transform_profile: profile",
            type(profile).__name__,
            "a TransformProfile",
            "give fits['viscosity'].transform_profile()",
        )
    ax = look.axes_for(ax, 5.6, 3.4)
    curve = profile.curve
    power = curve["lambda"].to_numpy(dtype=float)
    below = curve["log_likelihood"].to_numpy(dtype=float)
    below = below - below.max()
    drop = 0.5 * float(special.chdtri(1, 1.0 - profile.interval))
    ends = [v for v in (profile.low, profile.high) if np.isfinite(v)] + [-1.0, 1.0, profile.estimate]
    ends += [] if profile.now is None else [profile.now]
    left, right = max(min(ends) - ROOM, power.min()), min(max(ends) + ROOM, power.max())
    seen = (power >= left) & (power <= right)
    low, high = max(profile.low, left), min(profile.high, right)
    ax.axvspan(low, high, color=look.DEEP, alpha=look.BAND, linewidth=0, gid="interval")
    ax.plot(power[seen], below[seen], color=look.DEEP, linewidth=1.6, gid="profile")
    ax.axhline(-drop, color=look.INK, linewidth=1.0, linestyle=(0, (2, 2)), gid="limit")
    bottom = max(float(below[seen].min()), -8.0 * drop)
    ax.set_ylim(bottom - 0.05 * abs(bottom), 0.12 * max(abs(bottom), drop))
    ax.set_xlim(left, right)
    if profile.now is not None:
        at = float(np.interp(profile.now, power, below))
        if at >= bottom:
            ax.plot([profile.now], [at], marker="D", markersize=6, color=look.INK, linestyle="none", gid="now")
    ax.set_xlabel("power λ of the response (1 as measured, 0 logarithm, −1 reciprocal)")
    ax.set_ylabel("log-likelihood below its highest")
    marked = "" if profile.now is None else " Diamond: the scale of the fit."
    under = f"{profile._sections()[0].note.splitlines()[0]} {profile.verdict()} Shaded: the {100 * profile.interval:g} % interval.{marked}"
    look.framed(ax, f"Box–Cox profile of {look.plain(profile.label)}", "", " ".join(under.split()))
    return ax
