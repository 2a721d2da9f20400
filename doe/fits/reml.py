"""Variance components by restricted or full maximum likelihood, on plain arrays.

y = Xβ + Σ Zₖuₖ + e, so cov(y) = V = Σ θₖ Gₖ with Gₖ = ZₖZₖ'. Letters: n batches, p columns, m variances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg

from doe.fits.arrays import Floats, between

# starting values tried: every other variance as a multiple of the residual's
STARTS = (0.0, 0.3, 3.0, 30.0)
ITERATIONS = 200
# the smallest eigenvalue of V, in shares of its largest, still taken for positive
POSITIVE = 1e-9


@dataclass(frozen=True)
class Strata:
    """How batches hang together.

    Attributes
    ----------
    names : tuple of str
        One a variance component; the residual first.
    G : ndarray, shape (m, n, n)
        What each variance multiplies in cov(y).
    within_df : int
        Degrees of freedom that repeat readings of the same batch have for the first component, beside the batch means.
    within_ss : float
        Their sum of squares.
    """

    names: tuple[str, ...]
    G: Floats
    within_df: int = 0
    within_ss: float = 0.0

    def without(self, gone: Sequence[int]) -> Strata:
        """The strata without some components (never the first)."""
        keep = [i for i in range(len(self.names)) if i not in gone]
        return Strata(tuple(self.names[i] for i in keep), self.G[keep], self.within_df, self.within_ss)


@dataclass(frozen=True)
class Components:
    """Estimated variances.

    Attributes
    ----------
    theta : ndarray, shape (m,)
    log_likelihood : float
        Restricted, with an orthonormal basis of the columns, or full: see `estimate`.
    inside : bool
        Whether the maximum is one (its slope is zero), not a point at the edge of what is a covariance.
    """

    theta: Floats
    log_likelihood: float
    inside: bool


@dataclass(frozen=True)
class _Likelihood:
    """The likelihood of the variances, restricted or full."""

    Q: Floats
    y: Floats
    strata: Strata
    full: bool

    def value(self, theta: Floats) -> float:
        """−2 log-likelihood; infinite where V is no covariance."""
        V = np.tensordot(theta, self.strata.G, axes=1)
        if theta[0] <= 0.0:
            return float("inf")
        try:
            C = np.linalg.cholesky(V)
        except np.linalg.LinAlgError:
            return float("inf")
        d = np.diag(C)
        if d.min() ** 2 <= POSITIVE * np.diagonal(V).max():
            return float("inf")
        s = self.strata
        out = s.within_df * np.log(2.0 * np.pi * theta[0]) + s.within_ss / theta[0]
        half = linalg.solve_triangular(C, np.column_stack([self.Q, self.y]), lower=True)
        F, v = half[:, :-1], half[:, -1]
        basis, R = np.linalg.qr(F)
        left = v - basis @ (basis.T @ v)
        n, p = self.Q.shape
        out += 2.0 * np.log(d).sum() + left @ left + n * np.log(2.0 * np.pi)
        if not self.full:
            out += 2.0 * np.log(np.abs(np.diag(R))).sum() - p * np.log(2.0 * np.pi)
        return float(out)

    def derivatives(self, theta: Floats) -> tuple[Floats, Floats, Floats]:
        """Slope of the log-likelihood, its observed and its expected information."""
        s = self.strata
        inverse = np.linalg.inv(np.tensordot(theta, s.G, axes=1))
        WQ = inverse @ self.Q
        P = inverse - WQ @ np.linalg.solve(self.Q.T @ WQ, WQ.T)
        # the traces are those of V⁻¹ in the full likelihood, of P in the restricted one; the quadratic forms are the same
        TG = (inverse if self.full else P) @ s.G
        trace, products = np.einsum("kii->k", TG), np.einsum("kij,lji->kl", TG, TG)
        Pw = P @ self.y
        forms = s.G @ Pw
        slope = -0.5 * (trace - forms @ Pw)
        squares = forms @ P @ forms.T
        observed, expected = squares - 0.5 * products, 0.5 * products
        t = theta[0]
        slope[0] -= 0.5 * (s.within_df / t - s.within_ss / t**2)
        observed[0, 0] += s.within_ss / t**3 - 0.5 * s.within_df / t**2
        expected[0, 0] += 0.5 * s.within_df / t**2
        return slope, observed, expected


def complement(Q: ArrayLike) -> Floats:
    """Orthonormal basis of what columns leave, shape (n, n − p)."""
    A = np.asarray(Q, dtype=float)
    return np.asarray(np.linalg.qr(A, mode="complete")[0][:, A.shape[1] :])


def estimable(Q: ArrayLike, strata: Strata) -> list[str]:
    """Components about which the batches say nothing once the columns are fitted: names, empty when all can be estimated.

    Parameters
    ----------
    Q : array_like, shape (n, p)
        Orthonormal basis of the columns.
    strata : Strata

    Returns
    -------
    list of str
    """
    K = complement(Q)
    A = K.T @ strata.G @ K
    flat = A.reshape(len(A), -1)
    if strata.within_df:
        # readings of a batch tell the first component by themselves
        extra = np.zeros((len(A), 1))
        extra[0] = 1.0
        flat = np.column_stack([flat, extra])
    lost = []
    for k in range(len(A)):
        size = np.linalg.norm(flat[k])
        others = np.delete(flat, k, axis=0).T
        fitted, _ = between(flat[k], others) if others.size else (np.zeros_like(flat[k]), 0)
        if size <= 1e-9 * np.linalg.norm(strata.G[k]) or np.linalg.norm(flat[k] - fitted) <= 1e-7 * size:
            lost.append(strata.names[k])
    return lost


def estimate(Q: ArrayLike, y: ArrayLike, strata: Strata, bounded: bool = False, full: bool = False) -> Components:
    """Estimate the variances.

    Parameters
    ----------
    Q : array_like, shape (n, p)
        Orthonormal basis of the columns.
    y : array_like, shape (n,)
    strata : Strata
        All estimable: see `estimable`.
    bounded : bool
        Keep every variance at 0 or above; otherwise they may go below as long as V stays a covariance.
    full : bool
        Maximise the full likelihood (for comparing models with different columns) instead of the restricted one.

    Returns
    -------
    Components

    References
    ----------
    Patterson, H. D. & Thompson, R. (1971). Recovery of inter-block information when block sizes are unequal. Biometrika 58,
    545-554. Lindstrom, M. J. & Bates, D. M. (1988). Newton-Raphson and EM algorithms for linear mixed-effects models for
    repeated-measures data. JASA 83, 1014-1022.
    """
    basis, v = np.asarray(Q, dtype=float), np.asarray(y, dtype=float)
    free = _maximum(basis, v, strata, full)
    if not bounded or (free.theta >= 0.0).all():
        return free
    # with so few components the maximum under bounds is found by leaving out each set of them
    m = len(strata.names)
    best: Components | None = None
    for count in range(1, m):
        for gone in combinations(range(1, m), count):
            found = _maximum(basis, v, strata.without(gone), full)
            if (found.theta >= 0.0).all() and (best is None or found.log_likelihood > best.log_likelihood + 1e-12):
                theta = np.zeros(m)
                theta[[i for i in range(m) if i not in gone]] = found.theta
                best = Components(theta, found.log_likelihood, False)
    assert best is not None  # the residual alone is always a covariance
    return best


def _maximum(Q: Floats, y: Floats, strata: Strata, full: bool) -> Components:
    r = Q.shape[0] - Q.shape[1] + strata.within_df
    left = y - Q @ (Q.T @ y)
    # worked in units of the residual mean square
    unit = float(left @ left + strata.within_ss) / r
    scaled = Strata(strata.names, strata.G, strata.within_df, strata.within_ss / unit)
    likelihood = _Likelihood(Q, y / np.sqrt(unit), scaled, full)
    theta = _start(likelihood)
    value = likelihood.value(theta)
    inside = False
    for _ in range(ITERATIONS):
        slope, observed, expected = likelihood.derivatives(theta)
        information = observed if np.linalg.eigvalsh(observed)[0] > 1e-10 * np.abs(observed).max() else expected
        step = np.linalg.lstsq(information, slope, rcond=None)[0]
        gain = float(slope @ step)
        if gain < 1e-18:
            inside = True
            break
        length = 1.0
        while length > 1e-12:
            there = theta + length * step
            new = likelihood.value(there)
            if new < value:
                break
            length /= 2.0
        else:
            # no way up: either rounding is reached or the edge of the covariances
            inside = gain < 1e-8
            break
        theta, value = there, new
    observations = r + Q.shape[1] if full else r
    return Components(theta * unit, -0.5 * (value + observations * np.log(unit)), inside)


def _start(likelihood: _Likelihood) -> Floats:
    """The best of a few ratios, each with the residual variance that suits it."""
    s, Q, y = likelihood.strata, likelihood.Q, likelihood.y
    m = len(s.names)
    r = len(y) - Q.shape[1] + s.within_df
    best, lowest = np.eye(m)[0], np.inf
    for ratios in product(STARTS, repeat=m - 1):
        shape = np.array([1.0, *ratios])
        C = np.linalg.cholesky(np.tensordot(shape, s.G, axes=1))
        half = linalg.solve_triangular(C, np.column_stack([Q, y]), lower=True)
        left = half[:, -1] - half[:, :-1] @ np.linalg.lstsq(half[:, :-1], half[:, -1], rcond=None)[0]
        theta = shape * (float(left @ left) + s.within_ss) / r
        value = likelihood.value(theta)
        if value < lowest:
            best, lowest = theta, value
    return best
