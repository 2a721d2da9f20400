"""True conforming rate: for one draw of coefficients and covariance, the share of all new batches that meet every limit.

A rate is the probability that a multivariate normal falls in a rectangle, after Genz: one response needs two normal integrals;
more need an integral over the unit cube of one dimension less, taken by Gauss–Legendre in one or two dimensions and by Richtmyer's
sequence in more (and wherever setting error is averaged over too).

References
----------
Genz, A. (1992). Numerical computation of multivariate normal probabilities. J. Comput. Graph. Stat. 1(2), 141-149.
doi:10.1080/10618600.1992.10477010
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from doe.window.joining import normal_of

Floats = NDArray[np.float64]

NODES = {1: 24, 2: 16}  # of Gauss–Legendre, along each dimension
COARSE = 6  # times fewer nodes in all, where a search corrects for what they miss
HELD = 1 << 19  # values of an integrand held at a time
POINTS = 512  # of Richtmyer's sequence


@dataclass(frozen=True)
class Rates:
    """Draws of coefficients, of the errors' covariance and of the limits, as conforming rates need them.

    Attributes
    ----------
    coefficients : ndarray, shape (r, q, D)
        Without a new batch's own error.
    factor : ndarray, shape (D, r, r)
        Lower Cholesky factors of the errors' covariance; of a logistic error, of the normal with its ranks.
    low, high : ndarray, shape (r, D)
        Limits.
    logistic : ndarray of bool, shape (r,)
        Which errors are logistic.
    blur : ndarray, shape (r, D)
        Standard deviation of the normal part of a logistic error.
    effective : float
        How many independent draws they are worth.
    """

    coefficients: Floats
    factor: Floats
    low: Floats
    high: Floats
    logistic: NDArray[np.bool_]
    blur: Floats
    effective: float

    def part(self, draws: int) -> Rates:
        """The first so many draws, by themselves: a view would keep all of them in memory."""
        total = self.coefficients.shape[2]
        if draws >= total:
            return self
        return Rates(
            self.coefficients[:, :, :draws].copy(),
            self.factor[:draws].copy(),
            self.low[:, :draws].copy(),
            self.high[:, :draws].copy(),
            self.logistic,
            self.blur[:, :draws].copy(),
            self.effective * draws / total,
        )


def cube_rule(dimension: int, coarse: bool = False) -> tuple[Floats, Floats]:
    """Nodes (M, dimension) and weights (M,) for averages over the unit cube; the same for every draw."""
    if dimension == 0:
        return np.empty((1, 0)), np.ones(1)
    if dimension in NODES:
        node, weight = np.polynomial.legendre.leggauss(
            round(NODES[dimension] / COARSE ** (1.0 / dimension)) if coarse else NODES[dimension]
        )
        grid = np.meshgrid(*[(node + 1.0) / 2.0] * dimension, indexing="ij")
        weights = np.prod(np.meshgrid(*[weight / 2.0] * dimension, indexing="ij"), axis=0)
        return np.stack([g.ravel() for g in grid], axis=1), weights.ravel()
    candidates = np.arange(2, 20 * dimension)
    primes = candidates[[all(c % d for d in range(2, int(c**0.5) + 1)) for c in candidates]]
    steps = np.sqrt(primes[:dimension].astype(float))
    count = POINTS // COARSE if coarse else POINTS
    points = (np.arange(1, count + 1)[:, None] * steps + 0.5) % 1.0
    folded = np.abs(2.0 * points - 1.0)  # the baker's fold makes the integrand periodic
    return np.clip(folded, 1e-12, 1.0 - 1e-12), np.full(count, 1.0 / count)


def rectangle(below: Floats, above: Floats, factor: Floats, nodes: Floats) -> Floats:
    """Integrand of the probability that a normal vector lies between two limits, at each node.

    Parameters
    ----------
    below, above : ndarray, shape (M or 1, D, r)
        Limits less the mean, for each node and draw; infinite where open.
    factor : ndarray, shape (D or 1, r, r)
        Lower Cholesky factors of the covariances.
    nodes : ndarray, shape (M, r - 1)
        Points of the unit cube.

    Returns
    -------
    ndarray, shape (M, D)
        Its weighted average over the nodes is the probability.
    """
    r = below.shape[2]
    total: Floats | None = None
    scores: list[Floats] = []
    for j in range(r):
        shift: Floats | float = 0.0
        for i, score in enumerate(scores):
            shift = shift + factor[:, j, i] * score
        under = ndtr((below[:, :, j] - shift) / factor[:, j, j])
        between = ndtr((above[:, :, j] - shift) / factor[:, j, j]) - under
        total = between if total is None else total * between
        if j < r - 1:
            scores.append(ndtri(np.clip(under + nodes[:, j, None] * between, 1e-300, 1.0 - 1e-16)))
    assert total is not None
    return np.broadcast_to(total, (max(len(nodes), len(below)), total.shape[1]))


def conforming_rates(terms: Floats, rates: Rates, nodes: Floats, weights: Floats) -> Floats:
    """Rate of every draw at one setting.

    Parameters
    ----------
    terms : ndarray, shape (1, q) or (M, q)
        Terms at the setting, or at the setting with each node's own setting error.
    rates : Rates
        The draws.
    nodes : ndarray, shape (M, r - 1)
        As for `rectangle`.
    weights : ndarray, shape (M,)
        Weight of each node.

    Returns
    -------
    ndarray, shape (D,)
    """
    size = max(1, HELD // len(weights))
    out = np.empty(rates.coefficients.shape[2])
    for start in range(0, len(out), size):
        part = slice(start, start + size)
        mean = np.stack([terms @ c[:, part] for c in rates.coefficients], axis=2)
        below, above = (ends[:, part].T - mean for ends in (rates.low, rates.high))
        for j in np.flatnonzero(rates.logistic):
            blur = rates.blur[j, part]
            below[:, :, j], above[:, :, j] = normal_of(below[:, :, j], blur), normal_of(above[:, :, j], blur)
        out[part] = weights @ rectangle(below, above, rates.factor[part], nodes)
    return out


def lower_quantile(rates: Floats, confidence: float, effective: float) -> tuple[float, float]:
    """The rate that the true one exceeds with this confidence, and the Monte-Carlo error of that quantile.

    The error is half the distance between the order statistics one binomial standard error to either side.
    """
    share = 1.0 - confidence
    error = np.sqrt(share * confidence / effective)
    low, middle, high = np.quantile(rates, np.clip([share - error, share, share + error], 0.0, 1.0))
    return float(middle), float(high - low) / 2.0
