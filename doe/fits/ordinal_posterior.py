"""The posterior of a proportional-odds model, groups of readings that share a batch or a whole plot among it: its mode and draws.

Parameters, in this order: the first cut-point, the logs of the gaps between cut-points, the slopes, and the log standard deviation of each group's
own intercept. An intercept is normal on the logit scale and integrated out by Gauss–Hermite quadrature; its standard deviation has a half-normal prior.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import special

from doe.fits import proportional_odds as odds
from doe.fits.arrays import Floats
from doe.fits.resampling import Draws, resampled

SPREAD_SCALE = 1.0  # of the half-normal prior of a group's standard deviation, on the logit scale
NODES = {1: 15, 2: 7}  # quadrature points a group, by how many kinds of groups there are
FAR = 150.0  # logits are held to this, so that products of their exponentials do not overflow
CELLS = 2_000_000  # figures worked at once


@dataclass(frozen=True)
class Parts:
    """Parameters by kind, one row a draw: cuts (s, K − 1), slopes (s, q), spreads (s, kinds of groups)."""

    cuts: Floats
    slopes: Floats
    spreads: Floats


@dataclass(frozen=True)
class Posterior:
    """A posterior on arrays.

    Attributes
    ----------
    X : ndarray, shape (n, q)
        Centred columns, one row a reading.
    y : ndarray of int, shape (n,)
        Codes 0 … levels − 1.
    levels : int
    precision : ndarray, shape (q, q)
        Of the slopes' normal prior.
    groups : tuple of ndarray of int, shape (n,)
        Labels from 0, the coarser first; at most two, the second within the first.
    """

    X: Floats = field(repr=False)
    y: NDArray[np.int64] = field(repr=False)
    levels: int
    precision: Floats = field(repr=False)
    groups: tuple[NDArray[np.int64], ...] = field(default=(), repr=False)

    @property
    def dimension(self) -> int:
        """Number of parameters."""
        return self.levels - 1 + self.X.shape[1] + len(self.groups)

    def parts(self, theta: Floats) -> Parts:
        """Parameters by kind; theta (s, d)."""
        m, q = self.levels - 1, self.X.shape[1]
        return Parts(odds.from_log_gaps(theta[:, :m]), theta[:, m : m + q], np.exp(theta[:, m + q :]))

    # ---- density

    def log_prior(self, theta: Floats) -> Floats:
        """Up to a constant, shape (s,)."""
        m = self.levels - 1
        p = self.parts(theta)
        out = (special.log_expit(p.cuts) + special.log_expit(-p.cuts)).sum(axis=1) + theta[:, 1:m].sum(axis=1)
        out -= 0.5 * np.einsum("si,ij,sj->s", p.slopes, self.precision, p.slopes)
        return np.asarray(out + (np.log(p.spreads) - 0.5 * (p.spreads / SPREAD_SCALE) ** 2).sum(axis=1))

    def log_likelihoods(self, theta: Floats) -> Floats:
        """Of each unit that is independent of the others: a reading, a batch or a whole plot; shape (s, units)."""
        nodes = NODES[len(self.groups)] ** len(self.groups) if self.groups else 1
        step = max(1, CELLS // (len(self.y) * nodes))
        return np.concatenate([self._log_likelihoods(theta[i : i + step]) for i in range(0, len(theta), step)])

    def _log_likelihoods(self, theta: Floats) -> Floats:
        p = self.parts(theta)
        eta = p.slopes @ self.X.T
        ends = np.full((len(theta), 1), np.inf)
        padded = np.concatenate([-ends, p.cuts, ends], axis=1)
        upper, lower = padded[:, self.y + 1] - eta, padded[:, self.y] - eta
        if not self.groups:
            return odds.log_chance(upper, lower)
        # a shift u of both edges leaves their gap alone and multiplies exp(−upper) by e^u, exp(lower) by e^−u: one logarithm a cell
        inside = odds.log_chance(upper, lower) - special.log_expit(upper) - special.log_expit(-lower)
        A, B = np.exp(np.clip(-upper, None, FAR)), np.exp(np.clip(lower, None, FAR))
        z, log_w = _quadrature(NODES[len(self.groups)])
        shift = np.clip(p.spreads[:, :, None] * z, -0.5 * FAR, 0.5 * FAR)
        E = np.exp(shift[:, 0])[:, None, :]
        A, B = A[..., None], B[..., None]
        if len(self.groups) == 2:
            E = E[..., None] * np.exp(shift[:, 1])[:, None, None, :]
            A, B, inside = A[..., None], B[..., None], inside[..., None]
        each = inside[..., None] - np.log((1.0 + A * E) * (1.0 + B / E))
        if len(self.groups) == 1:
            return np.asarray(special.logsumexp(_summed(each, self.groups[0]) + log_w, axis=-1))
        inner = special.logsumexp(_summed(each, self.groups[1]) + log_w, axis=-1)
        return np.asarray(special.logsumexp(_summed(inner, self._outer) + log_w, axis=-1))

    @cached_property
    def _outer(self) -> NDArray[np.int64]:
        """Which of the coarser groups each of the finer belongs to."""
        inner = self.groups[1]
        out = np.empty(int(inner.max()) + 1, dtype=np.int64)
        out[inner] = self.groups[0]
        return out

    def log_density(self, theta: Floats) -> Floats:
        """Up to a constant, shape (s,)."""
        return np.asarray(self.log_likelihoods(theta).sum(axis=1) + self.log_prior(theta))

    # ---- mode and draws

    @cached_property
    def _summit(self) -> tuple[Floats, Floats]:
        """Mode and minus the second derivative there."""
        from scipy import optimize

        alone = odds.solve(self.X, self.y, self.levels, self.precision)
        start = np.concatenate([odds.with_log_gaps(alone.cuts[0]), alone.slopes[0]])
        if not self.groups:
            return start, odds.information_by_gaps(alone)
        start = np.concatenate([start, np.full(len(self.groups), np.log(0.5 * SPREAD_SCALE))])

        def down(t: Floats) -> tuple[float, Floats]:
            return -float(self.log_density(t[None])[0]), -self._gradient(t)

        found = optimize.minimize(down, start, jac=True, method="BFGS", options={"gtol": 1e-4})
        mode = np.asarray(found.x)
        return mode, self._curvature(mode)

    def _gradient(self, t: Floats, h: float = 1e-5) -> Floats:
        steps = h * np.eye(len(t))
        f = self.log_density(np.vstack([t + steps, t - steps]))
        return np.asarray((f[: len(t)] - f[len(t) :]) / (2.0 * h))

    def _curvature(self, t: Floats, h: float = 1e-3) -> Floats:
        d = len(t)
        i, j = np.triu_indices(d)
        steps = h * np.eye(d)
        at = [t + a * steps[i] + b * steps[j] for a in (1, -1) for b in (1, -1)]
        f = self.log_density(np.vstack(at)).reshape(4, -1)
        H = np.zeros((d, d))
        H[i, j] = H[j, i] = -(f[0] - f[1] - f[2] + f[3]) / (4.0 * h**2)
        values, vectors = np.linalg.eigh(H)
        # where the quadrature leaves a direction flat the proposal must still have a width
        return np.asarray((vectors * np.maximum(values, 0.1)) @ vectors.T)

    @property
    def mode(self) -> Floats:
        """The most likely parameters, shape (d,)."""
        return self._summit[0]

    @cached_property
    def log_likelihood(self) -> float:
        """At the mode."""
        return float(self.log_likelihoods(self.mode[None]).sum())

    @cached_property
    def objective(self) -> float:
        """Log density at the mode, up to a constant that does not depend on the columns."""
        return float(self.log_density(self.mode[None])[0])

    @cached_property
    def effective_parameters(self) -> float:
        """How many parameters the readings, not the prior, determine: tr(J_likelihood J_posterior⁻¹) (Gray 1992)."""
        if not self.groups:
            s = odds.solve(self.X, self.y, self.levels, self.precision)
            return float(np.trace(np.linalg.solve(s.information[0], s.own_information[0])))
        d, m, q = self.dimension, self.levels - 1, self.X.shape[1]
        prior = np.zeros((d, d))
        prior[m : m + q, m : m + q] = self.precision
        own = self._summit[1] - prior
        values = np.linalg.eigvals(np.linalg.solve(self._summit[1], own)).real
        return float(np.clip(values, 0.0, 1.0).sum())

    def draws(self, n: int, seed: int) -> Draws:
        """Equally likely draws of the parameters."""
        mode, J = self._summit
        return resampled(self.log_density, mode, np.asarray(np.linalg.inv(J), dtype=float), n, seed)

    def restricted(self, N: Floats) -> Posterior:
        """The same with the slopes held to N δ; N (q, r)."""
        return Posterior(self.X @ N, self.y, self.levels, N.T @ self.precision @ N, self.groups)


def _quadrature(points: int) -> tuple[Floats, Floats]:
    """Nodes of a standard normal and the logs of their weights."""
    x, w = np.polynomial.hermite_e.hermegauss(points)
    return x, np.log(w / w.sum())


def _summed(values: Floats, labels: NDArray[np.int64]) -> Floats:
    """Sums over groups along the second axis."""
    order = np.argsort(labels, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(labels[order]) > 0])
    return np.add.reduceat(values[:, order], starts, axis=1)


def averaged_chances(eta: Floats, cuts: Floats, spread: Floats) -> Floats:
    """Chances of the scores of a new batch with its own intercept of a given standard deviation.

    Parameters
    ----------
    eta : ndarray, shape (s, r)
    cuts : ndarray, shape (s, K − 1)
    spread : ndarray, shape (s,)

    Returns
    -------
    ndarray, shape (s, r, K)
    """
    if not spread.any():
        return odds.score_chances(eta, cuts[:, None, :])
    z, log_w = _quadrature(NODES[1])
    out = np.zeros((*eta.shape, cuts.shape[1] + 1))
    for node, w in zip(z, np.exp(log_w), strict=True):
        out += w * odds.score_chances(eta + node * spread[:, None], cuts[:, None, :])
    return out
