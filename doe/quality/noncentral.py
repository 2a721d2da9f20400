"""Power of an F test from its non-centrality, and the non-centrality that a power asks for, on plain numbers.

A hypothesis of d rows with effect δ and covariance σ² C has non-centrality δ'C⁻¹δ/σ²; for d = 1 the F is the square of a two-sided t.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def f_power(noncentrality: float, d: float, df: float, alpha: float, scale: float = 1.0) -> float:
    """Chance that an F test at level alpha shows an effect.

    Parameters
    ----------
    noncentrality : float
        0 or above.
    d, df : float
        Numerator and denominator degrees of freedom.
    alpha : float
        Chance of a false alarm.
    scale : float
        λ where λF, not F, is referred to F(d, df).

    Returns
    -------
    float
        NaN where df is 0: there is nothing to judge the noise by.

    References
    ----------
    Johnson, N. L., Kotz, S. & Balakrishnan, N. (1995). Continuous univariate distributions, vol. 2, 2nd ed., ch. 30. Wiley.
    """
    from scipy import stats

    if df <= 0:
        return math.nan
    if noncentrality == 0.0:
        return alpha
    critical = stats.f.isf(alpha, d, df) / scale
    if noncentrality > 1e4:
        # the non-central F's series fails far out; Patnaik's two-moment F is right to more digits than are shown there
        stretch = (d + noncentrality) / d
        freedom = (d + noncentrality) ** 2 / (d + 2.0 * noncentrality)
        return float(stats.f.sf(critical / stretch, freedom, df))
    return float(np.clip(stats.ncf.sf(critical, d, df, noncentrality), 0.0, 1.0))


def noncentrality_for(power: float, d: float, df: float, alpha: float, scale: float = 1.0) -> float:
    """The non-centrality at which an F test reaches a power above alpha; the inverse of `f_power`."""
    from scipy import optimize

    if df <= 0:
        return math.nan
    high = 1.0
    while f_power(high, d, df, alpha, scale) < power:
        high *= 4.0
        if high > 1e12:
            return math.inf
    return float(optimize.brentq(lambda x: f_power(x, d, df, alpha, scale) - power, 0.0, high, xtol=1e-10, rtol=1e-12))


def noncentrality(effect: ArrayLike, covariance: ArrayLike, sigma: float) -> float:
    """δ'C⁻¹δ/σ² of an effect (d,) whose estimate has covariance σ² C, C (d, d)."""
    e = np.atleast_1d(np.asarray(effect, dtype=float))
    return float(e @ np.linalg.solve(np.atleast_2d(np.asarray(covariance, dtype=float)), e)) / sigma**2
