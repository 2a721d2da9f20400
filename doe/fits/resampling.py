"""Draws from a posterior whose density can be worked out: a Laplace approximation, widened, fitted anew to its own weights, and resampled."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from doe.fits.arrays import Floats

TAIL_DF = 6.0  # of the multivariate t that proposes: heavier tails than any posterior here
ROUNDS = 6  # at most so many times the proposal is fitted anew, until this share of its draws counts
ENOUGH = 0.3
TRIAL_POOL = 2_000
POOL = 3  # proposals a draw
LEAST_POOL = 4_000
CHUNK = 4_000


@dataclass(frozen=True)
class Draws:
    """Equally likely draws.

    Attributes
    ----------
    theta : ndarray, shape (n, d)
    effective : float
        How many independent draws the weighted proposals were worth: (Σw)²/Σw².
    """

    theta: Floats
    effective: float


def resampled(log_density: Callable[[Floats], Floats], mode: Floats, covariance: Floats, n: int, seed: int) -> Draws:
    """Draws by importance resampling.

    Parameters
    ----------
    log_density : callable
        Takes (s, d), gives (s,), up to a constant.
    mode : ndarray, shape (d,)
    covariance : ndarray, shape (d, d)
        Of the Laplace approximation at the mode.
    n : int
        Draws wanted.
    seed : int

    Returns
    -------
    Draws

    References
    ----------
    Rubin, D. B. (1988). Using the SIR algorithm to simulate posterior distributions. Bayesian Statistics 3, 395-402. Cappé, O., Douc, R.,
    Guillin, A., Marin, J.-M. & Robert, C. P. (2008). Adaptive importance sampling in general mixture classes. Statistics and Computing
    18, 447-459 (the proposal fitted anew to its weights).
    """
    rng = np.random.default_rng(seed)
    centre, spread = mode, covariance
    for _ in range(ROUNDS):
        theta, w = _weighted(log_density, centre, spread, TRIAL_POOL, rng)
        if 1.0 / (w @ w) > ENOUGH * TRIAL_POOL:
            break
        # a few heavy draws must not collapse the next proposal: cap their weight
        held = np.minimum(w, 20.0 / TRIAL_POOL)
        held /= held.sum()
        centre = held @ theta
        around = theta - centre
        spread = (around * held[:, None]).T @ around + 1e-12 * np.diag(np.diag(covariance))
    theta, w = _weighted(log_density, centre, spread, max(POOL * n, LEAST_POOL), rng)
    # systematic resampling: one uniform number for all
    places = (rng.random() + np.arange(n)) / n
    chosen = np.minimum(np.searchsorted(np.cumsum(w), places), len(w) - 1)
    return Draws(theta[rng.permutation(chosen)], float(1.0 / (w @ w)))


def _weighted(
    log_density: Callable[[Floats], Floats], centre: Floats, spread: Floats, size: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    d = len(centre)
    root = np.linalg.cholesky(spread)
    z = rng.standard_normal((size, d))
    scale = rng.chisquare(TAIL_DF, size) / TAIL_DF
    t = z / np.sqrt(scale)[:, None]
    theta = centre + t @ root.T
    own = -0.5 * (TAIL_DF + d) * np.log1p((t**2).sum(axis=1) / TAIL_DF)
    target = np.concatenate([log_density(theta[i : i + CHUNK]) for i in range(0, size, CHUNK)])
    log_w = np.where(np.isfinite(target), target - own, -np.inf)
    log_w -= special.logsumexp(log_w)
    return theta, np.exp(log_w)
