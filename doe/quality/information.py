"""What a plan's runs say of a model: generalised least-squares information, on plain arrays.

Letters as everywhere: n runs, p columns of the model, X (n, p), B (n, b) fixed block contrasts, V (n, n) the covariance of the runs in
units of the variance between runs of one group (sub-plots of one whole plot). Knows nothing of studies or tables.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

from doe.study.dependence import DEPENDENT, column_rank

Floats = NDArray[np.float64]


def groups_of(labels: Sequence[object]) -> NDArray[np.int64]:
    """Labels as whole numbers from 0, in the order they first appear, shape (n,)."""
    first: dict[object, int] = {}
    return np.array([first.setdefault(label, len(first)) for label in labels], dtype=np.int64)


def indicators(groups: NDArray[np.int64]) -> Floats:
    """One 0/1 column a group, shape (n, g)."""
    out = np.zeros((len(groups), int(groups.max()) + 1))
    out[np.arange(len(groups)), groups] = 1.0
    return out


def contrasts(groups: NDArray[np.int64]) -> Floats:
    """Sum-to-zero contrasts between groups, shape (n, g − 1): the constant then means the average over the groups, each counted once."""
    Z = indicators(groups)
    return Z[:, :-1] - Z[:, -1:]


@dataclass(frozen=True)
class Information:
    """What runs say of the p coefficients, once fixed blocks are allowed for.

    Parameters
    ----------
    X : ndarray, shape (n, p)
    B : ndarray, shape (n, b)
        Fixed block contrasts; b may be 0.
    V : ndarray, shape (n, n), optional
        I + η ZZ' with whole plots or random blocks; None for independent runs.

    Notes
    -----
    All figures come from one orthogonal factorisation of the whitened columns, never from X'X: narrow mixture regions have condition
    numbers whose square no double holds.
    """

    X: Floats
    B: Floats
    V: Floats | None = None

    @cached_property
    def whitened(self) -> Floats:
        """[B, X] in units where the runs are independent, shape (n, b + p)."""
        F = np.hstack([self.B, self.X])
        if self.V is None:
            return F
        return np.asarray(linalg.solve_triangular(np.linalg.cholesky(self.V), F, lower=True))

    @cached_property
    def estimable(self) -> bool:
        """Whether every coefficient can be estimated."""
        n, columns = self.whitened.shape
        return n >= columns and column_rank(self.whitened, DEPENDENT) == columns

    @cached_property
    def root(self) -> Floats:
        """R⁻¹, shape (p, p), with cov(β̂)/σ² = R⁻¹ R⁻ᵀ and the information on β, blocks allowed for, R'R."""
        b, p = self.B.shape[1], self.X.shape[1]
        R: Floats = np.asarray(np.linalg.qr(self.whitened, mode="r"))[b:, b:]
        return np.asarray(linalg.solve_triangular(R, np.eye(p)))

    @cached_property
    def covariance(self) -> Floats:
        """cov(β̂)/σ², shape (p, p)."""
        return self.root @ self.root.T

    @cached_property
    def log_determinant(self) -> float:
        """Logarithm of the determinant of the information."""
        return float(-2.0 * np.log(np.abs(np.diag(self.root))).sum())

    @cached_property
    def leverage(self) -> Floats:
        """Diagonal of the hat matrix F (F'V⁻¹F)⁻¹ F'V⁻¹, F = [B, X], shape (n,); adds up to b + p."""
        if self.V is None:
            Q = np.linalg.qr(self.whitened)[0]
            return np.minimum(np.einsum("ij,ij->i", Q, Q), 1.0)
        L = np.linalg.cholesky(self.V)
        Q = np.linalg.qr(self.whitened)[0]
        back = linalg.solve_triangular(L, Q, lower=True, trans="T")
        return np.einsum("ij,ij->i", L @ Q, back)  # H = L Q Q' L⁻¹

    def variance(self, f: ArrayLike) -> Floats:
        """Variance of the predicted mean over σ² where the model's columns read f (N, p), block contrasts 0; shape (N,)."""
        half = np.asarray(f, dtype=float) @ self.root
        return np.einsum("ij,ij->i", half, half)


def d_efficiency(log_determinant: float, n: int, p: int) -> float:
    """100 |information|^(1/p) / n."""
    return float(100.0 * np.exp(log_determinant / p) / n)


def a_efficiency(covariance: Floats, n: int) -> float:
    """100 p / (n tr cov)."""
    return float(100.0 * len(covariance) / (n * np.trace(covariance)))


def g_efficiency(largest: float, n: int, p: int) -> float:
    """100 p / (n × largest prediction variance)."""
    return float(100.0 * p / (n * largest))


def inflation(information: Information, owner: NDArray[np.int64]) -> Floats:
    """Variance inflation of each term, shape (terms,): how many times the variance of a term with nothing beside it.

    For a term of one column diag((X'X)⁻¹) × its centred sum of squares; for a term of several the generalised factor to the power 1/columns,
    which does not depend on how the levels are coded. NaN for a constant.

    References
    ----------
    Fox, J. & Monette, G. (1992). Generalized collinearity diagnostics. J. Am. Stat. Assoc. 87(417), 178-183.
    """
    plain = Information(information.X, information.B)
    C = plain.covariance
    centred = plain.X - plain.X.mean(axis=0)
    out = np.full(int(owner.max()) + 1, np.nan)
    for t in range(len(out)):
        own = np.flatnonzero(owner == t)
        S = centred[:, own].T @ centred[:, own]
        scale = np.diag(plain.X[:, own].T @ plain.X[:, own])
        if (np.diag(S) <= DEPENDENT * scale).any():
            continue
        logs = np.linalg.slogdet(C[np.ix_(own, own)])[1] + np.linalg.slogdet(S)[1]
        out[t] = np.exp(logs / len(own))
    return out


def column_correlation(X: Floats) -> Floats:
    """Correlation over the runs between columns, shape (p, p); a column that does not vary has NaN."""
    centred = X - X.mean(axis=0)
    length = np.linalg.norm(centred, axis=0)
    varies = length > 1e-10 * np.maximum(np.linalg.norm(X, axis=0), 1e-300)
    with np.errstate(invalid="ignore", divide="ignore"):
        scaled = np.where(varies, centred / np.where(varies, length, 1.0), np.nan)
    return np.clip(scaled.T @ scaled, -1.0, 1.0)


def alias_matrix(information: Information, X2: ArrayLike) -> Floats:
    """Bias of each estimate by one unit of each column left out: (X'V⁻¹X)⁻¹ X'V⁻¹ X2, blocks allowed for; shape (p, p2).

    References
    ----------
    Box, G. E. P. & Wilson, K. B. (1951). On the experimental attainment of optimum conditions. J. R. Stat. Soc. B 13(1), 1-45.
    """
    other = np.asarray(X2, dtype=float)
    if information.V is not None:
        other = linalg.solve_triangular(np.linalg.cholesky(information.V), other, lower=True)
    solution = np.linalg.lstsq(information.whitened, other, rcond=None)[0]
    return np.asarray(solution[information.B.shape[1] :])


def degrees_of_freedom(
    X: Floats, B: Floats, settings: NDArray[np.int64], whole_plot: NDArray[np.int64] | None
) -> dict[str, int]:
    """Where the n degrees of freedom go: they add up to n.

    Pure error is what is left of the model augmented by one indicator a planned setting, blocks and whole plots among the columns
    (restricted to what batches of one block and whole plot say of each other); lack of fit is the rest of the residual.

    Returns
    -------
    dict
        "model", "blocks" (where there are any), "whole plots" (where there are any: between whole plots, beyond the model),
        "lack of fit", "pure error".

    References
    ----------
    Draper, N. R. & Smith, H. (1998). Applied Regression Analysis, 3rd ed., ch. 2. Wiley.
    """
    n = len(X)
    model = column_rank(X)
    blocked = column_rank(np.hstack([X, B]))
    columns = [X, B] if whole_plot is None else [X, B, indicators(whole_plot)]
    strata = column_rank(np.hstack(columns))
    everything = column_rank(np.hstack([*columns, indicators(settings)]))
    out = {"model": model}
    if B.shape[1]:
        out["blocks"] = blocked - model
    if whole_plot is not None:
        out["whole plots"] = strata - blocked
    out["lack of fit"] = everything - strata
    out["pure error"] = n - everything
    return out
