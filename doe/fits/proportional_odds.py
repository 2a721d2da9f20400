"""Proportional odds on arrays: the likelihood of ordinal scores, its most likely and its penalised solution, many data sets at once.

The model is logit P(score > j) = η − c_j with η = x'β and cut-points c_1 < … < c_(K−1) (McCullagh 1980). Scores are codes 0 … K−1.
With a prior: slopes β ~ N(0, D), and the chances of the scores at η = 0 uniform over all divisions of 1 (Dirichlet with ones). Columns
of X should be centred, so that η = 0 is the average of the runs. The mode is that of the density of (c_1, log gaps, β), which lies inside even where a score
was never given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from doe.fits.arrays import Floats

Codes = NDArray[np.int64]
STEPS = 200
# the gain in log-likelihood that another Newton step promises, below which the search is over
ENOUGH = 1e-13
# a logit beyond which a chance is 0 or 1 for every purpose: an estimate still growing there has no end
ENDLESS = 18.0


@dataclass(frozen=True)
class Solutions:
    """Solutions of B data sets on the same X.

    Attributes
    ----------
    cuts : ndarray, shape (B, K − 1)
    slopes : ndarray, shape (B, q)
    information : ndarray, shape (B, K − 1 + q, K − 1 + q)
        Minus the second derivative of the objective in (cuts, slopes).
    own_information : ndarray, the same shape
        Minus that of the log-likelihood alone.
    log_likelihood : ndarray, shape (B,)
    objective : ndarray, shape (B,)
        Log-likelihood plus the log of the prior, up to a constant that is the same for all slopes left in or out.
    converged : ndarray of bool, shape (B,)
    """

    cuts: Floats
    slopes: Floats
    information: Floats
    own_information: Floats
    log_likelihood: Floats
    objective: Floats
    converged: NDArray[np.bool_]


def log_chance(upper: Floats, lower: Floats) -> Floats:
    """Logarithm of F(upper) − F(lower), of the logistic law, exact in both tails; −∞ and ∞ are open ends."""
    gap = upper - lower
    with np.errstate(divide="ignore", invalid="ignore"):
        inside = np.where(np.isinf(gap), 0.0, np.log(-np.expm1(-gap)))
    return np.asarray(special.log_expit(upper) + special.log_expit(-lower) + inside)


def score_chances(eta: ArrayLike, cuts: ArrayLike) -> Floats:
    """Chance of each score.

    Parameters
    ----------
    eta : array_like, shape (…,)
    cuts : array_like, shape (…, K − 1)
        Leading axes as `eta`'s.

    Returns
    -------
    ndarray, shape (…, K)
    """
    c, e = np.asarray(cuts, dtype=float), np.asarray(eta, dtype=float)[..., None]
    shape = np.broadcast_shapes(c.shape, (*e.shape[:-1], 1))
    ends = np.full((*shape[:-1], 1), np.inf)
    edges = np.concatenate([-ends, np.broadcast_to(c - e, (*shape[:-1], c.shape[-1])), ends], axis=-1)
    return np.exp(log_chance(edges[..., 1:], edges[..., :-1]))


@dataclass(frozen=True)
class _Slopes:
    """First and second derivatives of log P(y) by the edge above (a) and the edge below (b)."""

    value: Floats
    a: Floats
    b: Floats
    aa: Floats
    bb: Floats
    ab: Floats


def _derivatives(upper: Floats, lower: Floats) -> _Slopes:
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        gap = upper - lower
        h = np.where(np.isinf(gap), 0.0, 1.0 / np.expm1(gap))
    k = h * (1.0 + h)
    fa, fb = special.expit(-upper), special.expit(lower)
    return _Slopes(
        log_chance(upper, lower),
        np.where(np.isinf(upper), 0.0, fa + h),
        np.where(np.isinf(lower), 0.0, -fb - h),
        np.where(np.isinf(upper), 0.0, -fa * (1.0 - fa) - k),
        np.where(np.isinf(lower), 0.0, -fb * (1.0 - fb) - k),
        k,
    )


def _edges(y: Codes, eta: Floats, cuts: Floats) -> tuple[Floats, Floats]:
    """Edges of each reading's score less η; y (B, n), eta (B, n), cuts (B, K − 1)."""
    ends = np.full((len(cuts), 1), np.inf)
    padded = np.concatenate([-ends, cuts, ends], axis=1)
    upper, lower = np.take_along_axis(padded, y + 1, axis=1), np.take_along_axis(padded, y, axis=1)
    return upper - eta, lower - eta


def score_by_cut(y: Codes, eta: Floats, cuts: Floats) -> Floats:
    """Derivative of each reading's log chance by each cut-point, shape (B, n, K − 1)."""
    d = _derivatives(*_edges(y, eta, cuts))
    out = np.zeros((*y.shape, cuts.shape[1] + 2))
    np.put_along_axis(out, y[..., None] + 1, d.a[..., None], axis=2)
    np.put_along_axis(out, y[..., None], d.b[..., None], axis=2)
    return out[..., 1:-1]


def _objective(y: Codes, X: Floats, c: Floats, beta: Floats, precision: Floats | None) -> tuple[Floats, Floats]:
    """Log-likelihood and penalised log-likelihood, shapes (B,)."""
    gaps = np.diff(c, axis=1)
    with np.errstate(invalid="ignore"):
        likelihood = log_chance(*_edges(y, beta @ X.T, c)).sum(axis=1)
        total = likelihood.copy()
        if precision is not None:
            total += (special.log_expit(c) + special.log_expit(-c)).sum(axis=1) + np.log(
                np.maximum(gaps, 0.0) + 1e-300
            ).sum(axis=1)
            total -= 0.5 * np.einsum("bi,ij,bj->b", beta, precision, beta)
    bad = (gaps <= 0.0).any(axis=1) | np.isnan(total)
    return np.where(bad, -np.inf, likelihood), np.where(bad, -np.inf, total)


def solve(X: ArrayLike, y: ArrayLike, levels: int, precision: ArrayLike | None = None) -> Solutions:
    """Most likely (precision None) or penalised solution by Newton's method; both objectives are concave.

    Parameters
    ----------
    X : array_like, shape (n, q)
        Without a constant column; q may be 0.
    y : array_like of int, shape (n,) or (B, n)
        Codes 0 … levels − 1. Without a prior every code must occur in every data set.
    levels : int
        K, at least 2.
    precision : array_like, shape (q, q), optional
        Inverse of the prior covariance of the slopes; None: no prior at all.

    Returns
    -------
    Solutions
        Without a prior `converged` is False where the scores are separated, so that no finite solution exists: the log-likelihood is then that
        which it tends to.

    References
    ----------
    McCullagh, P. (1980). Regression models for ordinal data. J. R. Stat. Soc. B 42, 109-142. Burridge, J. (1981). A note on maximum
    likelihood estimation for regression models using grouped data. J. R. Stat. Soc. B 43, 41-45 (concavity).
    """
    A = np.asarray(X, dtype=float)
    codes = np.atleast_2d(np.asarray(y, dtype=np.int64))
    D = None if precision is None else np.asarray(precision, dtype=float)
    B, (n, q), m = len(codes), A.shape, levels - 1
    counts = (codes[..., None] == np.arange(levels)).sum(axis=1)
    # a start at the shares of the scores, none of them empty
    share = np.cumsum((counts + 0.5) / (n + 0.5 * levels), axis=1)[:, :-1]
    c, beta = special.logit(share), np.zeros((B, q))
    likelihood, value = _objective(codes, A, c, beta, D)
    done = np.zeros(B, dtype=bool)
    H = own = np.zeros((B, m + q, m + q))
    for _ in range(STEPS):
        gradient, H, own = _newton(codes, A, c, beta, D)
        step = _solved(H, gradient)
        promise = np.einsum("bi,bi->b", step, gradient)
        done |= promise < ENOUGH * (1.0 + np.abs(value))
        if D is None:
            # a separated data set goes on for ever: its likelihood stops growing long before its slopes
            done |= (np.abs(beta @ A.T).max(axis=1, initial=0.0) > ENDLESS) & (promise < 1e-6)
        if done.all():
            break
        scale = np.where(done, 0.0, 1.0)
        for _ in range(60):
            trial_c, trial_b = c + scale[:, None] * step[:, :m], beta + scale[:, None] * step[:, m:]
            new_likelihood, new = _objective(codes, A, trial_c, trial_b, D)
            worse = ~(new >= value + 1e-4 * scale * promise - 1e-12 * (1.0 + np.abs(value))) & ~done
            if not worse.any():
                break
            scale = np.where(worse, 0.5 * scale, scale)
        else:
            done |= worse
            scale = np.where(worse, 0.0, scale)
            trial_c, trial_b = c + scale[:, None] * step[:, :m], beta + scale[:, None] * step[:, m:]
            new_likelihood, new = _objective(codes, A, trial_c, trial_b, D)
        c, beta, likelihood, value = trial_c, trial_b, new_likelihood, new
    gradient, H, own = _newton(codes, A, c, beta, D)
    ok = np.abs(gradient).max(axis=1) < 1e-5 * (1.0 + n)
    if D is None:
        ok &= np.abs(beta @ A.T).max(axis=1, initial=0.0) < ENDLESS
        ok &= np.abs(c).max(axis=1) < 2.0 * ENDLESS
    return Solutions(c, beta, H, own, likelihood, value, ok)


def _solved(H: Floats, gradient: Floats) -> Floats:
    """H⁻¹ gradient of every data set; with a hair of ridge, which a direction without information needs."""
    size = np.einsum("bii->b", H) / H.shape[1]
    ridge = 1e-10 * size[:, None, None] * np.eye(H.shape[1])
    return np.asarray(np.linalg.solve(H + ridge, gradient[..., None])[..., 0])


def _newton(y: Codes, X: Floats, c: Floats, beta: Floats, D: Floats | None) -> tuple[Floats, Floats, Floats]:
    """Gradient (B, d), information of the objective and of the likelihood (B, d, d) in (cuts, slopes)."""
    B, m, q = len(c), c.shape[1], X.shape[1]
    d = _derivatives(*_edges(y, beta @ X.T, c))
    above, below = (y[..., None] == np.arange(m)), (y[..., None] == np.arange(1, m + 1))
    # by the cuts: each reading touches the edge above its score and the one below
    g_cut = (above * d.a[..., None] + below * d.b[..., None]).sum(axis=1)
    g_eta = -(d.a + d.b)
    gradient = np.concatenate([g_cut, g_eta @ X], axis=1)
    H = np.zeros((B, m + q, m + q))
    index = np.arange(m)
    H[:, index, index] = -(above * d.aa[..., None] + below * d.bb[..., None]).sum(axis=1)
    between = -((y[..., None] == np.arange(1, m)) * d.ab[..., None]).sum(axis=1)
    H[:, index[:-1], index[1:]] = H[:, index[1:], index[:-1]] = between
    cross = above * (d.aa + d.ab)[..., None] + below * (d.bb + d.ab)[..., None]
    H[:, :m, m:] = np.einsum("bnm,nq->bmq", cross, X)
    H[:, m:, :m] = H[:, :m, m:].transpose(0, 2, 1)
    weight = -(d.aa + d.bb + 2.0 * d.ab)
    H[:, m:, m:] = np.einsum("bn,nq,nr->bqr", weight, X, X)
    own = H.copy()
    if D is not None:
        F = special.expit(c)
        gradient[:, :m] += 1.0 - 2.0 * F
        H[:, index, index] += 2.0 * F * (1.0 - F)
        gaps = np.diff(c, axis=1)
        gradient[:, 1:m] += 1.0 / gaps
        gradient[:, : m - 1] -= 1.0 / gaps
        curve = 1.0 / gaps**2
        H[:, index[1:], index[1:]] += curve
        H[:, index[:-1], index[:-1]] += curve
        H[:, index[:-1], index[1:]] -= curve
        H[:, index[1:], index[:-1]] -= curve
        gradient[:, m:] -= beta @ D
        H[:, m:, m:] += D
    return gradient, H, own


def with_log_gaps(cuts: Floats) -> Floats:
    """Cut-points as (c_1, log gaps): any numbers will do; shape as given."""
    return np.concatenate([cuts[..., :1], np.log(np.diff(cuts, axis=-1))], axis=-1)


def from_log_gaps(free: Floats) -> Floats:
    """The inverse of `with_log_gaps`."""
    return np.asarray(np.cumsum(np.concatenate([free[..., :1], np.exp(free[..., 1:])], axis=-1), axis=-1))


def information_by_gaps(solution: Solutions) -> Floats:
    """Minus the second derivative of the objective of one data set in (c_1, log gaps, slopes), at its mode; shape (d, d)."""
    m = solution.cuts.shape[1]
    gaps = np.diff(solution.cuts[0])
    J = np.eye(solution.information.shape[1])
    # c_j = c_1 + Σ exp(log gap)
    J[:m, 0] = 1.0
    for i, gap in enumerate(gaps, start=1):
        J[:i, i] = 0.0
        J[i:m, i] = gap
    # at a mode of the same density the gradient is 0, so the second derivatives of the map fall away
    return np.asarray(J.T @ solution.information[0] @ J)
