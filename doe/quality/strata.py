"""Degrees of freedom of a hypothesis where runs share groups: Kenward & Roger's F at given variances, on plain arrays.

y = Fβ + e with cov(e) = V = Σ θᵢ Gᵢ; G₀ = I and the others ZZ' of whole plots or random blocks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Strata:
    """A mixed model at given variances, in units of the first.

    Parameters
    ----------
    F : ndarray, shape (n, q)
        All fixed columns, of full rank.
    G : sequence of ndarray, each (n, n)
        What each variance multiplies; the identity first.
    theta : ndarray, shape (len(G),)
        The variances; the first is 1.
    """

    F: Floats
    G: Sequence[Floats]
    theta: Floats

    @cached_property
    def _parts(self) -> tuple[Floats, Floats, list[Floats], list[list[Floats]]]:
        """Φ, the expected information on the variances, P and Q in the paper's letters."""
        F = self.F
        V = np.tensordot(self.theta, np.array(self.G), axes=1)
        W: Floats = np.asarray(np.linalg.inv(V))
        WF = W @ F
        phi: Floats = np.asarray(np.linalg.inv(F.T @ WF))
        WG = [W @ G for G in self.G]
        P = [-WF.T @ G @ WF for G in self.G]
        Q = [[WF.T @ G @ W @ H @ WF for H in self.G] for G in self.G]
        m = len(self.G)
        information: Floats = np.empty((m, m))
        for i in range(m):
            for j in range(m):
                information[i, j] = 0.5 * (
                    np.trace(WG[i] @ WG[j]) - 2.0 * np.trace(phi @ Q[i][j]) + np.trace(phi @ P[i] @ phi @ P[j])
                )
        return phi, information, P, Q

    @cached_property
    def covariance(self) -> Floats:
        """(F'V⁻¹F)⁻¹, shape (q, q)."""
        return self._parts[0]

    @cached_property
    def variance_information(self) -> Floats:
        """Expected (REML) information on the variances, shape (m, m)."""
        return self._parts[1]

    @cached_property
    def _spread(self) -> tuple[Floats, Floats]:
        """Covariance of the estimated variances, and a basis (m, d) of what the runs say nothing of."""
        values, vectors = np.linalg.eigh(self.variance_information)
        known = values > 1e-9 * len(self.F)
        return (vectors[:, known] / values[known]) @ vectors[:, known].T, vectors[:, ~known]

    @cached_property
    def adjusted_covariance(self) -> Floats:
        """Covariance of the estimates allowing for variances that are themselves estimated, shape (q, q)."""
        phi, _, P, Q = self._parts
        W = self._spread[0]
        inner = np.zeros_like(phi)
        for i in range(len(self.G)):
            for j in range(len(self.G)):
                inner += W[i, j] * (Q[i][j] - P[i] @ phi @ P[j])
        return phi + 2.0 * phi @ inner @ phi

    def hypothesis(self, L: ArrayLike) -> tuple[float, float]:
        """Denominator degrees of freedom m and scale λ of the F for Lβ = 0.

        Parameters
        ----------
        L : array_like, shape (d, q)
            Independent rows.

        Returns
        -------
        m : float
            0 where the runs say nothing of a variance that the hypothesis rests on.
        scale : float
            λ, with λF referred to F(d, m); 1 for a single row.

        References
        ----------
        Kenward, M. G. & Roger, J. H. (1997). Small sample inference for fixed effects from restricted maximum likelihood.
        Biometrics 53(3), 983-997.
        """
        phi, _, P, _ = self._parts
        W, unknown = self._spread
        A = np.atleast_2d(np.asarray(L, dtype=float))
        half = A @ phi
        steps = np.array([np.linalg.solve(half @ A.T, half @ p_i @ half.T) for p_i in P])
        slopes = np.einsum("kii->k", steps)
        if unknown.shape[1] and np.abs(unknown.T @ slopes).max() > 1e-6 * np.abs(slopes).max():
            return 0.0, 1.0
        return denominator(steps, W)


def denominator(steps: Floats, W: Floats) -> tuple[float, float]:
    """Denominator degrees of freedom m and scale λ of an F of d rows.

    Parameters
    ----------
    steps : ndarray, shape (m, d, d)
        For each variance, the inverse covariance of the d estimates times that covariance's derivative.
    W : ndarray, shape (m, m)
        Covariance of the estimated variances.

    Returns
    -------
    m, scale : float
        λF is referred to F(d, m).

    References
    ----------
    Kenward, M. G. & Roger, J. H. (1997). Small sample inference for fixed effects from restricted maximum likelihood. Biometrics
    53(3), 983-997, section 3, in its letters.
    """
    d = steps.shape[1]
    traces = np.einsum("kii->k", steps)
    a1 = float(traces @ W @ traces)
    a2 = float(np.einsum("kl,kij,lji->", W, steps, steps))
    if d == 1 or a2 > 0.9 * d:
        # a single row is Satterthwaite's; for several, the general formula has no value at m ≤ 2, and this is its exact-F limit
        return 2.0 * d / a2, 1.0
    b = (a1 + 6.0 * a2) / (2.0 * d)
    g = ((d + 1.0) * a1 - (d + 4.0) * a2) / ((d + 2.0) * a2)
    bottom = 3.0 * d + 2.0 * (1.0 - g)
    c1, c2, c3 = g / bottom, (d - g) / bottom, (d + 2.0 - g) / bottom
    mean = 1.0 / (1.0 - a2 / d)
    second, last = 1.0 - c2 * b, 1.0 - c3 * b
    if second > 0.0:
        # the F's variance by expansion, over its own last factor, which is 0 for an exact F with 4 degrees of freedom
        top = (1.0 + c1 * b) / (second * mean) ** 2
        m = 4.0 + (d + 2.0) * last / (top - last) if top > last else 0.0
        if m > 2.0:
            return m, m / (mean * (m - 2.0))
    # so many rows on so few groups that the expansion gives no variance that an F could have: the limit above
    return 2.0 * d / a2, 1.0
