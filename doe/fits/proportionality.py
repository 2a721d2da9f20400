"""Do the slopes hold at every cut-point? A score test of slopes that differ between cut-points, judged by simulated trials, on arrays.

The usual χ² of such a test is far from its law in a trial of a dozen batches, so its law is made by simulation from the fit itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.fits import proportional_odds as odds
from doe.fits.arrays import Floats

Codes = NDArray[np.int64]
TRIALS = 399


@dataclass(frozen=True)
class Proportionality:
    """The check: the statistic, the share of simulated trials with one as large, and the term whose slopes differ most."""

    statistic: float
    p: float
    term: int


def statistics(
    X: Floats, Y: Codes, levels: int, precision: Floats, terms: Sequence[Sequence[int]]
) -> tuple[Floats, Floats]:
    """Score statistic of slopes of their own at every cut-point, under the penalised proportional fit.

    Parameters
    ----------
    X : ndarray, shape (n, q)
    Y : ndarray of int, shape (B, n)
    levels : int
    precision : ndarray, shape (q, q)
    terms : sequence of sequences of int
        Columns of each term.

    Returns
    -------
    whole : ndarray, shape (B,)
    by_term : ndarray, shape (B, terms)
        The same for one term at a time.

    References
    ----------
    Peterson, B. & Harrell, F. E. (1990). Partial proportional odds models for ordinal response variables. Applied Statistics 39, 205-217
    (the score test; here with the slopes' own prior as a ridge, so that an empty cell does no harm).
    """
    fit = odds.solve(X, Y, levels, precision)
    m, (n, q) = levels - 1, X.shape
    eta = fit.slopes @ X.T
    g = odds.score_by_cut(Y, eta, fit.cuts)
    chance = np.maximum(odds.score_chances(eta, fit.cuts[:, None, :]), 1e-12)
    # expected information of a reading by its cut-points: tridiagonal
    edge = fit.cuts[:, None, :] - eta[..., None]
    f = np.exp(-np.logaddexp(0.0, edge) - np.logaddexp(0.0, -edge))
    A = np.zeros((len(Y), n, m, m))
    i = np.arange(m)
    A[..., i, i] = f**2 * (1.0 / chance[..., :-1] + 1.0 / chance[..., 1:])
    A[..., i[:-1], i[1:]] = A[..., i[1:], i[:-1]] = -f[..., :-1] * f[..., 1:] / chance[..., 1:-1]
    Z = np.concatenate([np.ones((n, 1)), -X], axis=1)
    J = np.einsum("bnij,nk,nl->bikjl", A, Z, Z).reshape(len(Y), m * (q + 1), m * (q + 1))
    U = np.einsum("bni,nk->bik", g, Z).reshape(len(Y), -1)
    # differences between the slopes of neighbouring cut-points are what is asked; the cuts and the common slopes are given
    common = np.zeros((m * (q + 1), m + q))
    asked = np.zeros((m * (q + 1), (m - 1) * q))
    turn = np.linalg.qr(np.column_stack([np.ones(m), np.eye(m)[:, : m - 1]]))[0][:, 1:]
    for j in range(m):
        common[j * (q + 1), j] = 1.0
        for k in range(q):
            common[j * (q + 1) + 1 + k, m + k] = 1.0
            asked[j * (q + 1) + 1 + k, k * (m - 1) : (k + 1) * (m - 1)] = turn[j]
    ridge = np.zeros((m + q, m + q))
    ridge[m:, m:] = precision
    ridge[:m, :m] = 1e-8 * np.eye(m)
    Jc = common.T @ J @ common + ridge
    cross = asked.T @ J @ common
    own = asked.T @ J @ asked + np.kron(precision, np.eye(m - 1))
    efficient = own - cross @ np.linalg.solve(Jc, cross.transpose(0, 2, 1))
    score = U @ asked
    whole = np.einsum("bi,bi->b", score, np.linalg.solve(efficient, score[..., None])[..., 0])
    by_term = np.empty((len(Y), len(terms)))
    for t, columns in enumerate(terms):
        at = np.concatenate([np.arange(k * (m - 1), (k + 1) * (m - 1)) for k in columns])
        inner = np.linalg.solve(efficient[:, at[:, None], at], score[:, at, None])[..., 0]
        by_term[:, t] = np.einsum("bi,bi->b", score[:, at], inner)
    return whole, by_term


def check(
    X: Floats, y: Codes, levels: int, precision: Floats, simulated: Codes, terms: Sequence[Sequence[int]]
) -> Proportionality:
    """The check of one data set.

    Parameters
    ----------
    X, y, levels, precision, terms
        As above; y of shape (n,), its codes all occurring.
    simulated : ndarray of int, shape (B, n)
        Scores of trials in which the slopes do hold at every cut-point.

    Returns
    -------
    Proportionality
    """
    whole, by_term = statistics(X, y[None], levels, precision, terms)
    law, law_by_term = statistics(X, simulated, levels, precision, terms)
    rank = (law_by_term < by_term).mean(axis=0)
    p = (1.0 + float((law >= whole[0] - 1e-9).sum())) / (1.0 + len(law))
    return Proportionality(float(whole[0]), p, int(np.argmax(rank)))


def simulated_scores(chance: Floats, seed: int) -> Codes:
    """Codes drawn from chances (trials, n, K), shape (trials, n)."""
    u = np.random.default_rng([seed, 2]).random(chance.shape[:-1])
    return np.asarray((u[..., None] > np.cumsum(chance, axis=-1)[..., :-1]).sum(axis=-1), dtype=np.int64)
