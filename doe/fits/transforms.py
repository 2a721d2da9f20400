"""Which power of the response makes the noise even and normal: the Box–Cox profile."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from doe.fits import verdicts
from doe.fits.arrays import Floats
from doe.study import Section, Shown, StudyError

if TYPE_CHECKING:
    from doe.fits.result import Fit

WIDEST = 10.0  # |λ| beyond which no power is looked for
_NAMES = (
    (-1.0, "reciprocal"),
    (-0.5, "reciprocal square root"),
    (0.0, "logarithm"),
    (0.5, "square root"),
    (1.0, "as measured"),
)


@dataclass(frozen=True, repr=False, eq=False)
class TransformProfile(Shown):
    """Profile likelihood of the Box–Cox power λ under one model.

    Attributes
    ----------
    estimate : float
        The most likely λ.
    low, high : float
        Profile-likelihood interval; −∞ or ∞ where the likelihood does not fall far enough within ±10.
    interval : float
        Its coverage.
    now : float or None
        The power of the scale that was fitted; None for a logit.
    curve : DataFrame
        lambda, log_likelihood (comparable between all λ, up to a constant they share), rss of y^(λ) scaled by the geometric mean.
    """

    estimate: float
    low: float
    high: float
    interval: float
    curve: pd.DataFrame
    label: str
    now: float | None = None

    def verdict(self) -> str:
        """Whether the scale of the fit lies inside the interval, in one line; empty where it is no power."""
        return "" if self.now is None else verdicts.on_power(self.low, self.high, self.now)

    def _sections(self) -> list[Section]:
        shown = [(v, name) for v, name in _NAMES]
        table = pd.DataFrame(
            {
                "λ": [f"{v:g}" for v, _ in shown],
                "scale": [name for _, name in shown],
                "in the interval": ["yes" if self.low <= v <= self.high else "no" for v, _ in shown],
            }
        )

        def end(v: float) -> str:
            return f"{v:.2f}".replace("-", "−") if np.isfinite(v) else ("beyond −10" if v < 0 else "beyond 10")

        note = f"Most likely λ {end(self.estimate)}, {100 * self.interval:g} % interval {end(self.low)} to {end(self.high)}. "
        if np.isinf(self.low) and np.isinf(self.high):
            note += "These readings span too little to say which scale is right: keep the one they were measured on."
        else:
            note += "Any scale inside is as good as another: take the one with a meaning."
        note = "\n".join(line for line in (note, self.verdict()) if line)
        return [Section(f"Box–Cox profile of {self.label}", table, note)]


def scaled_power(y: Floats, lam: float) -> Floats:
    """(y^λ − 1)/(λ g^(λ−1)) up to a constant, g the geometric mean of y > 0: comparable between all λ; shape (n,)."""
    mean = float(np.log(y).mean())
    # with readings divided by their geometric mean the Jacobian is 1; expm1 keeps its digits near λ = 0
    u = np.log(y) - mean
    return np.exp(mean) * (u if lam == 0.0 else np.expm1(lam * u) / lam)


def profile_likelihood(Q: Floats, y: Floats) -> tuple[Callable[[float], float], Callable[[float], float]]:
    """Profile log-likelihood and residual sum of squares as functions of λ.

    Parameters
    ----------
    Q : ndarray, shape (n, p)
        Orthonormal basis of the model's columns.
    y : ndarray, shape (n,)
        Readings above 0.

    Returns
    -------
    log_likelihood, rss : callable
        −n/2 log(rss/n), and the residual sum of squares of (y^λ − 1)/(λ g^(λ−1)), g the geometric mean.
    """
    n = len(y)

    def rss(lam: float) -> float:
        z = scaled_power(y, lam)
        e = z - Q @ (Q.T @ z)
        return float(e @ e)

    return lambda lam: -n / 2.0 * float(np.log(max(rss(lam), 1e-300) / n)), rss


def profile_of(fit: Fit, interval: float) -> TransformProfile:
    """The work of `Fit.transform_profile`."""
    from scipy import optimize

    from doe.fits.result import checked_interval

    interval = checked_interval(interval)
    values = fit.batches.values
    if (values <= 0).any():
        at = int(np.flatnonzero(values <= 0)[0])
        raise StudyError(
            f"response {fit.response.name!r}, run {fit.batches.runs[at]}: reading",
            float(values[at]),
            "above 0 for a power to be looked for",
            "leave it out with its reason, or keep the scale",
        )
    if not fit.df_residual:
        raise StudyError(
            "transform_profile: residual degrees of freedom",
            0,
            "at least 1",
            "fit a smaller model, or add runs",
        )
    log_likelihood, rss = fit._power_likelihood()
    # by steps of 0.2, then of 0.02 about the highest: each is a whole search where variances are estimated too
    grid = np.linspace(-WIDEST, WIDEST, 101)
    about = grid[int(np.argmax([log_likelihood(v) for v in grid]))]
    grid = np.clip(np.linspace(about - 0.2, about + 0.2, 21), -WIDEST, WIDEST)
    at = int(np.argmax([log_likelihood(v) for v in grid]))
    left, right = grid[max(at - 1, 0)], grid[min(at + 1, len(grid) - 1)]
    best = float(
        optimize.minimize_scalar(
            lambda v: -log_likelihood(v), bounds=(left, right), method="bounded", options={"xatol": 1e-10}
        ).x
    )
    fall = float(special.chdtri(1, 1.0 - interval)) / 2.0
    floor = log_likelihood(best) - fall

    def end(towards: float) -> float:
        if log_likelihood(towards) > floor:
            return float(np.copysign(np.inf, towards))
        return float(optimize.brentq(lambda v: log_likelihood(v) - floor, best, towards, xtol=1e-12))

    low, high = end(-WIDEST), end(WIDEST)
    span = np.linspace(
        max(low, -WIDEST) - 0.5 if np.isfinite(low) else -WIDEST, high + 0.5 if np.isfinite(high) else WIDEST, 121
    )
    curve = pd.DataFrame(
        {
            "lambda": span,
            "log_likelihood": [log_likelihood(float(v)) for v in span],
            "rss": [rss(float(v)) for v in span],
        }
    )
    t = fit.response.transform
    named = {None: 1.0, "log": 0.0, "sqrt": 0.5}
    now = named.get(t) if not isinstance(t, tuple) else float(t[1]) if t[0] == "box-cox" else None
    return TransformProfile(best, low, high, interval, curve, f"{fit.response.name}, {fit.model.name}", now)
