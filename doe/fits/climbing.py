"""How sure the way up is, and the best points at each distance that stay inside what may be set.

Arrays only, along the directions in which the surface can move (coded units).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from doe.fits.arrays import Floats

STARTS = 8
DIRECTIONS = 200_000
INSIDE = 1e-8  # coded units: a point this far beyond a bound is on it


def joint_limit(k: int, df: float, level: float) -> float:
    """What the square of k normal errors over their covariance, known from `df` degrees of freedom, stays below: k F, or χ² where df has no end."""
    return float(special.chdtri(k, 1.0 - level) if np.isinf(df) else k * special.fdtri(k, df, level))


@dataclass(frozen=True)
class Cone:
    """Directions that may be the steepest, as far as the noise lets one say.

    Attributes
    ----------
    excluded : float
        Share of all directions that are ruled out; 0 where not even a slope is shown.
    angle : float
        Half-angle of a round cone of the same share of directions, degrees.
    """

    excluded: float
    angle: float


def cone(slope: Floats, cov: Floats, df: float, level: float = 0.95, seed: int = 0) -> Cone:
    """The confidence cone about the direction of steepest ascent.

    Parameters
    ----------
    slope : ndarray, shape (k,)
    cov : ndarray, shape (k, k)
        Covariance of the slope.
    df : float
        Degrees of freedom behind it.
    level : float
    seed : int
        Of the directions drawn where slopes are not equally well known and independent; with these the share is exact.

    References
    ----------
    Box, G. E. P. & Draper, N. R. (1987). Empirical Model-Building and Response Surfaces, section 6.4. Wiley.
    """
    k = len(slope)
    if k == 1:
        t = abs(float(slope[0])) / float(np.sqrt(cov[0, 0]))
        sure = t > float(special.stdtrit(df, 0.5 + level / 2.0))
        return Cone(0.5 if sure else 0.0, 0.0 if sure else 180.0)
    limit = joint_limit(k - 1, df, level)
    inverse = np.linalg.inv(cov)
    length = float(slope @ inverse @ slope)
    if length <= limit:
        return Cone(0.0, 180.0)
    variance = float(np.trace(cov)) / k
    if np.abs(cov - variance * np.eye(k)).max() <= 1e-9 * variance:
        share = _cap(limit / length, k)
    else:
        d = np.random.default_rng(seed).standard_normal((DIRECTIONS, k))
        along = d @ (inverse @ slope)
        reached = along**2 / np.einsum("ij,jk,ik->i", d, inverse, d)
        share = float(((along > 0) & (length - reached <= limit)).mean())
    return Cone(1.0 - share, _angle(share, k))


def _cap(squared_sine: float, k: int) -> float:
    """Share of all directions within an angle below 90 degrees of one."""
    return 0.5 * float(special.betainc((k - 1) / 2.0, 0.5, squared_sine))


def _angle(share: float, k: int) -> float:
    from scipy import stats

    return float(np.degrees(np.arcsin(np.sqrt(stats.beta.ppf(min(2.0 * share, 1.0), (k - 1) / 2.0, 0.5)))))


def best_within(
    b: Floats,
    B: Floats,
    radius: float,
    G: Floats,
    h: Floats,
    first: Floats,
    sign: float = 1.0,
    near: Floats | None = None,
) -> Floats | None:
    """The highest point (sign 1) or the lowest (−1) of b'u + u'Bu at a distance from the centre with G u <= h.

    Parameters
    ----------
    b, B : ndarray, shapes (k,) and (k, k)
    radius : float
    G, h : ndarray, shapes (m, k) and (m,)
    first : ndarray, shape (k,)
        The best point without bounds: taken where it keeps them.
    near : ndarray, shape (N, k), optional
        Points of any distance to start from beside the usual ones, corners of the bounds say; one that lies on the sphere counts itself.

    Returns
    -------
    ndarray, shape (k,), or None
        None where no start led to a point inside. Sequential quadratic programmes from many starts: the principal directions, those
        to `near`, and random ones, always the same.
    """
    from scipy import optimize

    size = np.linalg.norm(G, axis=1)
    keep = size > 1e-12
    if (h[~keep] < -INSIDE).any():
        return None
    G, h = G[keep] / size[keep, None], h[keep] / size[keep]
    if (G @ first <= h + INSIDE).all():
        return first
    if radius == 0.0:
        return None
    k = len(b)
    vectors = np.linalg.eigh(B)[1].T
    random = np.random.default_rng(0).standard_normal((STARTS, k))
    starts = np.vstack([first, vectors, -vectors, random, *([] if near is None else [near])])
    starts = radius * starts / np.maximum(np.linalg.norm(starts, axis=1, keepdims=True), 1e-12)
    starts = starts[np.unique(np.round(starts / radius, 6), axis=0, return_index=True)[1]]
    scale = max(float(np.abs(B).max()) * radius, float(np.abs(b).max()), 1e-300) * radius
    on_sphere = {"type": "eq", "fun": lambda u: (u @ u) / radius**2 - 1.0, "jac": lambda u: 2.0 * u / radius**2}
    bounds = {"type": "ineq", "fun": lambda u: h - G @ u, "jac": lambda u: -G}
    best: tuple[float, Floats] | None = None
    for start in starts:
        found = optimize.minimize(
            lambda u: -sign * float(b @ u + u @ B @ u) / scale,
            start,
            jac=lambda u: -sign * (b + 2.0 * B @ u) / scale,
            method="SLSQP",
            constraints=[on_sphere, bounds],
            options={"ftol": 1e-12, "maxiter": 200},
        )
        for u in (np.asarray(found.x, dtype=float), start):
            if not np.isfinite(u).all() or abs(np.linalg.norm(u) - radius) > 1e-6 * radius or (G @ u - h).max() > 1e-7:
                continue
            value = sign * float(b @ u + u @ B @ u)
            if best is None or value > best[0] + 1e-10 * scale:
                best = (value, u)
    return None if best is None else best[1]
