"""Inference on fixed effects when the variances are themselves estimated: Kenward and Roger's method, on plain arrays."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg, special

from doe.fits.arrays import Floats
from doe.fits.reml import Strata, complement
from doe.quality.strata import denominator


@dataclass(frozen=True)
class Inference:
    """Generalised least squares with estimated variances, and what their estimation costs.

    Inside the bounds (`theta` all above 0, `weighing` the same) this is Kenward and Roger's method as published. Where a variance
    is estimated below 0 the coefficients are weighed by the bounded variances, since the unbounded ones can make a mean look all
    but free of error, and their covariance is taken under the unbounded ones: B V B', linear in the variances and so without the
    bias that the adjustment mends. In balanced data both are the analysis of variance.

    Parameters
    ----------
    Q : ndarray, shape (n, p)
        Columns of full rank.
    y : ndarray, shape (n,)
    strata : Strata
    theta : ndarray, shape (m,)
        The variances as estimated without bounds.
    weighing : ndarray, shape (m,)
        The variances as estimated at 0 or above; Σ weighingₖGₖ is positive definite.

    References
    ----------
    Kenward, M. G. & Roger, J. H. (1997). Small sample inference for fixed effects from restricted maximum likelihood. Biometrics
    53(3), 983-997. The variances enter V linearly, so their R terms vanish; W is from the expected information.
    """

    Q: Floats
    y: Floats
    strata: Strata
    theta: Floats
    weighing: Floats

    @property
    def regular(self) -> bool:
        """Whether no variance had to be held at 0."""
        return bool((self.theta >= 0.0).all())

    @cached_property
    def inverse(self) -> Floats:
        """V⁻¹ of the variances that weigh, shape (n, n)."""
        C = np.linalg.cholesky(np.tensordot(self.weighing, self.strata.G, axes=1))
        half = linalg.solve_triangular(C, np.eye(len(C)), lower=True)
        return np.asarray(half.T @ half)

    @cached_property
    def _phi(self) -> Floats:
        inner = self.Q.T @ self.inverse @ self.Q
        half = linalg.solve_triangular(np.linalg.cholesky(inner), np.eye(len(inner)), lower=True)
        return np.asarray(half.T @ half)

    @cached_property
    def _estimator(self) -> Floats:
        """B with γ = B y, shape (p, n)."""
        return np.asarray(self._phi @ (self.Q.T @ self.inverse))

    @cached_property
    def gamma(self) -> Floats:
        """Coefficients of the columns of Q, shape (p,)."""
        return self._estimator @ self.y

    @cached_property
    def projection(self) -> Floats:
        """P = V⁻¹ − V⁻¹QΦQ'V⁻¹ of the variances that weigh, shape (n, n)."""
        return self.inverse - (self.inverse @ self.Q) @ self._estimator

    @cached_property
    def _slopes(self) -> Floats:
        """BGₖB', shape (m, p, p): how the coefficients' covariance grows with each variance."""
        B = self._estimator
        return np.asarray(B @ self.strata.G @ B.T)

    @cached_property
    def covariance(self) -> Floats:
        """Covariance of the coefficients as if the variances were known, shape (p, p)."""
        return np.tensordot(self.theta, self._slopes, axes=1)

    @cached_property
    def variance_covariance(self) -> Floats:
        """Covariance of the estimated variances, the inverse of the expected information, shape (m, m)."""
        # by way of error contrasts, whose covariance is positive definite though V itself may be at the edge
        K = complement(self.Q)
        A = K.T @ self.strata.G @ K
        PG = np.linalg.solve(np.tensordot(self.theta, A, axes=1), A)
        information = 0.5 * np.einsum("kij,lji->kl", PG, PG)
        information[0, 0] += 0.5 * self.strata.within_df / self.theta[0] ** 2
        size = np.sqrt(np.diag(information))
        return np.linalg.inv(information / np.outer(size, size)) / np.outer(size, size)

    @cached_property
    def adjusted(self) -> Floats:
        """Covariance of the coefficients allowing for estimated variances, shape (p, p)."""
        if not self.regular:
            return self.covariance
        phi, W, B = self._phi, self.variance_covariance, self._estimator
        BG = B @ self.strata.G
        out = phi.copy()
        for i in range(len(W)):
            for j in range(len(W)):
                # ΦQᵢⱼΦ − ΦPᵢΦPⱼΦ of the paper
                out += 2.0 * W[i, j] * (BG[i] @ self.projection @ BG[j].T)
        return 0.5 * (out + out.T)

    def degrees(self, L: ArrayLike) -> Floats:
        """Degrees of freedom of single contrasts: rows of L (d, p), each by itself; shape (d,)."""
        gradient = self._gradient(np.atleast_2d(np.asarray(L, dtype=float)))
        return self._degrees(gradient @ self.theta, gradient)

    def _gradient(self, A: Floats) -> Floats:
        """How the variance of each row's estimate grows with each variance, shape (d, m)."""
        return np.einsum("ia,kab,ib->ik", A, self._slopes, A)

    def _degrees(self, variance: Floats, gradient: Floats) -> Floats:
        spread = np.einsum("ik,kl,il->i", gradient, self.variance_covariance, gradient)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(2.0 * variance**2 / spread)

    def of_new_batch(self, L: ArrayLike, weights: ArrayLike) -> tuple[Floats, Floats]:
        """Variance and degrees of freedom of the error in foretelling one new batch, all of its strata new.

        Parameters
        ----------
        L : array_like, shape (d, p)
            A row of the model matrix each, in the columns of Q.
        weights : array_like, shape (m,)
            How much of each variance a new batch carries.

        Returns
        -------
        variance, df : ndarray, shape (d,)
            Variance with the adjusted covariance of the mean. df: twice the squared variance over the variance of its estimate
            (Satterthwaite), both terms of it counted.

        References
        ----------
        Satterthwaite, F. E. (1946). An approximate distribution of estimates of variance components. Biometrics Bulletin 2, 110-114.
        """
        A, c = np.atleast_2d(np.asarray(L, dtype=float)), np.asarray(weights, dtype=float)
        gradient = self._gradient(A) + c
        df = self._degrees(gradient @ self.theta, gradient)
        return np.einsum("ia,ab,ib->i", A, self.adjusted, A) + float(c @ self.theta), df

    def f_test(self, L: ArrayLike) -> tuple[float, float]:
        """F of the hypothesis Lγ = 0, its scale λ included, and its denominator degrees of freedom.

        Parameters
        ----------
        L : array_like, shape (d, p)
            Independent rows.

        Returns
        -------
        F, den_df : float
        """
        A = np.atleast_2d(np.asarray(L, dtype=float))
        d = len(A)
        estimate = A @ self.gamma
        statistic = float(estimate @ np.linalg.solve(A @ self.adjusted @ A.T, estimate)) / d
        inverse = np.linalg.inv(A @ self.covariance @ A.T)
        df, scale = denominator(inverse @ (A @ self._slopes @ A.T), self.variance_covariance)
        return scale * statistic, df


def p_of_f(F: float, d: int, df: float) -> float:
    """Probability that F with d and df degrees of freedom exceeds the one found."""
    return float(special.fdtrc(d, df, max(F, 0.0)))
