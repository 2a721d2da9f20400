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
        d = len(A)
        theta_L = A.T @ np.linalg.solve(A @ phi @ A.T, A)
        T = theta_L @ phi
        steps = [T @ p_i @ phi for p_i in P]
        slopes = np.array([np.trace(s) for s in steps])
        if unknown.shape[1] and np.abs(unknown.T @ slopes).max() > 1e-6 * np.abs(slopes).max():
            return 0.0, 1.0
        a1 = a2 = 0.0
        for i in range(len(P)):
            for j in range(len(P)):
                a1 += W[i, j] * slopes[i] * slopes[j]
                a2 += W[i, j] * float(np.trace(steps[i] @ steps[j]))
        if d == 1 or a2 > 0.9 * d:
            # a single row is Satterthwaite's; for several, the general formula has no value at m ≤ 2, and this is its exact-F limit
            return float(2.0 * d / a2), 1.0
        b = (a1 + 6.0 * a2) / (2.0 * d)
        g = ((d + 1.0) * a1 - (d + 4.0) * a2) / ((d + 2.0) * a2)
        bottom = 3.0 * d + 2.0 * (1.0 - g)
        c1, c2, c3 = g / bottom, (d - g) / bottom, (d + 2.0 - g) / bottom
        mean = 1.0 / (1.0 - a2 / d)
        variance = (2.0 / d) * (1.0 + c1 * b) / ((1.0 - c2 * b) ** 2 * (1.0 - c3 * b))
        rho = variance / (2.0 * mean**2)
        m = 4.0 + (d + 2.0) / (d * rho - 1.0)
        return float(m), float(m / (mean * (m - 2.0)))
