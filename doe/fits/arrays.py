"""Least squares on plain arrays: the solution, and what it says of every column, run and repeated setting.

Knows nothing of studies or tables. Letters as everywhere: n runs, p columns, X (n, p), y (n,), h leverages, e residuals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

Floats = NDArray[np.float64]

# beyond this condition number the solution is worked in extended precision (see `exact`)
ILL_CONDITIONED = 1e4
# a leverage this close to 1 is 1: the model passes through the run whatever it reads
FULL_LEVERAGE = 1.0 - 1e-9


@dataclass(frozen=True)
class Solution:
    """A least-squares solution by orthogonal columns: X R⁻¹ = Q.

    Attributes
    ----------
    Q : ndarray, shape (n, p)
        Orthonormal basis of the column space.
    R_inverse : ndarray, shape (p, p)
        Upper triangular, so that X = Q R.
    beta : ndarray, shape (p,)
    y : ndarray, shape (n,)
    """

    Q: Floats
    R_inverse: Floats
    beta: Floats
    y: Floats

    @property
    def df_residual(self) -> int:
        """Runs beyond what the columns take up."""
        return self.Q.shape[0] - self.Q.shape[1]

    @cached_property
    def fitted(self) -> Floats:
        """Fitted values, shape (n,)."""
        return self.Q @ (self.Q.T @ self.y)

    @cached_property
    def residuals(self) -> Floats:
        """Observed minus fitted, shape (n,)."""
        e = self.y - self.fitted
        return e - self.Q @ (self.Q.T @ e)  # a second pass takes out what rounding left in the column space

    @cached_property
    def leverage(self) -> Floats:
        """Diagonal of the hat matrix, shape (n,), from 0 to 1."""
        return np.minimum(np.einsum("ij,ij->i", self.Q, self.Q), 1.0)

    @cached_property
    def rss(self) -> float:
        """Residual sum of squares; 0 when every run is taken up by a column."""
        return float(self.residuals @ self.residuals) if self.df_residual else 0.0

    @cached_property
    def sigma(self) -> float:
        """Residual standard deviation; NaN without residual degrees of freedom."""
        return float(np.sqrt(self.rss / self.df_residual)) if self.df_residual else float("nan")

    @cached_property
    def cov_unscaled(self) -> Floats:
        """(X'X)⁻¹, shape (p, p)."""
        return self.R_inverse @ self.R_inverse.T

    @cached_property
    def exact_to_rounding(self) -> bool:
        """Whether what is left of the readings is rounding alone, so that sigma measures arithmetic, not the trial."""
        return self.df_residual > 0 and self.rss <= (1e-13 * float(np.linalg.norm(self.y))) ** 2 * self.Q.shape[0]


def condition_number(X: ArrayLike) -> float:
    """Condition number of the columns once each is scaled to length 1; infinite with a column of zeros."""
    A = np.asarray(X, dtype=float)
    length = np.linalg.norm(A, axis=0)
    if A.shape[0] < A.shape[1] or not length.all():
        return float("inf")
    s = np.linalg.svd(A / length, compute_uv=False)
    return float(s[0] / s[-1]) if s[-1] > 0 else float("inf")


def solve(X: ArrayLike, y: ArrayLike) -> Solution:
    """Least squares by Householder QR.

    Parameters
    ----------
    X : array_like, shape (n, p)
        Of full column rank: see `dependent_groups`.
    y : array_like, shape (n,)

    Returns
    -------
    Solution

    References
    ----------
    Golub, G. (1965). Numerical methods for solving linear least squares problems. Numerische Mathematik 7, 206-216.
    """
    A, v = np.asarray(X, dtype=float), np.asarray(y, dtype=float)
    Q, R = np.linalg.qr(A)
    R_inverse = linalg.solve_triangular(R, np.eye(A.shape[1]))
    beta = linalg.solve_triangular(R, Q.T @ v)
    return Solution(Q, np.asarray(R_inverse), np.asarray(beta), v)


def hypothesis_ss(solution: Solution, L: ArrayLike) -> float:
    """Sum of squares of the hypothesis L β = 0, adjusted for everything else in the model.

    Parameters
    ----------
    solution : Solution
    L : array_like, shape (d, p)
        Independent rows.

    Returns
    -------
    float
        (Lβ)' (L (X'X)⁻¹ L')⁻¹ Lβ.
    """
    A = np.atleast_2d(np.asarray(L, dtype=float))
    S = np.linalg.qr((A @ solution.R_inverse).T, mode="r")
    w = linalg.solve_triangular(S, A @ solution.beta, trans="T")
    return float(w @ w)


def between(y: ArrayLike, columns: ArrayLike) -> tuple[Floats, int]:
    """Projection of y on the space of some columns, of any rank: fitted values (n,) and the rank."""
    v, A = np.asarray(y, dtype=float), np.asarray(columns, dtype=float)
    length = np.linalg.norm(A, axis=0)
    A = A[:, length > 0] / length[length > 0]
    if not A.shape[1]:
        return np.zeros_like(v), 0
    Q, R, _ = linalg.qr(A, mode="economic", pivoting=True)
    rank = int((np.abs(np.diag(R)) > 1e-9).sum())
    basis = Q[:, :rank]
    return basis @ (basis.T @ v), rank


def pure_error(X: ArrayLike, y: ArrayLike, setting: Sequence[int] | NDArray[np.int64]) -> tuple[float, int]:
    """Residual of the model augmented by one indicator per planned setting: what repeated batches say of the noise.

    Parameters
    ----------
    X : array_like, shape (n, p)
        All columns of the fit, blocks included.
    y : array_like, shape (n,)
    setting : sequence of int, length n
        Which planned setting each batch was made at.

    Returns
    -------
    ss : float
    df : int
        n less the rank of [X, indicators]; 0 when no setting says anything of the noise.

    References
    ----------
    Draper, N. R. & Smith, H. (1998). Applied Regression Analysis, 3rd ed., section 2.1 (repeats) and 2.2. Wiley.
    """
    A, v = np.asarray(X, dtype=float), np.asarray(y, dtype=float)
    groups = np.unique(np.asarray(setting), return_inverse=True)[1]
    counts = np.bincount(groups)

    def within(values: Floats) -> Floats:
        means = np.zeros((len(counts), values.shape[1]))
        np.add.at(means, groups, values)
        return values - (means / counts[:, None])[groups]

    yw = within(v[:, None])[:, 0]
    Aw = within(A)
    # a column that is constant at every setting leaves only rounding
    Aw = Aw[:, np.linalg.norm(Aw, axis=0) > 1e-10 * np.maximum(np.linalg.norm(A, axis=0), 1e-300)]
    fitted, rank = between(yw, Aw)
    df = len(v) - len(counts) - rank
    left = yw - fitted
    return (float(left @ left), df) if df > 0 else (0.0, 0)


def press(residuals: ArrayLike, leverage: ArrayLike) -> float:
    """Prediction error sum of squares, from one fit instead of n.

    Parameters
    ----------
    residuals : array_like, shape (n,)
        Observed minus fitted, one a run.
    leverage : array_like, shape (n,)
        Diagonal of the hat matrix, from 0 to 1.

    Returns
    -------
    float
        Sum over the runs of (e / (1 − h))²; NaN when a leverage is 1, since the model cannot foretell that run without it.

    References
    ----------
    Allen, D. M. (1974). The relationship between variable selection and data augmentation and a method for prediction.
    Technometrics 16(1), 125-127. doi:10.1080/00401706.1974.10489157
    """
    e, h = np.asarray(residuals, dtype=float), np.asarray(leverage, dtype=float)
    if (h >= FULL_LEVERAGE).any():
        return float("nan")
    return float(((e / (1.0 - h)) ** 2).sum())


def studentised(residuals: ArrayLike, leverage: ArrayLike, rss: float, df: int) -> Floats:
    """Externally studentised residuals: each judged by the noise of the other runs.

    Parameters
    ----------
    residuals, leverage : array_like, shape (n,)
    rss : float
        Residual sum of squares.
    df : int
        Residual degrees of freedom.

    Returns
    -------
    ndarray, shape (n,)
        t with df − 1 degrees of freedom; NaN where the leverage is 1 or df is below 2.

    References
    ----------
    Cook, R. D. & Weisberg, S. (1982). Residuals and Influence in Regression, eq. 2.2.8. Chapman & Hall.
    """
    e, h = np.asarray(residuals, dtype=float), np.asarray(leverage, dtype=float)
    out = np.full(e.shape, np.nan)
    if df < 2:
        return out
    free = h < FULL_LEVERAGE
    # the variance without the run; rounding can take an exact fit a hair below zero
    others = np.maximum(rss - e[free] ** 2 / (1.0 - h[free]), 0.0) / (df - 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        out[free] = e[free] / np.sqrt(others * (1.0 - h[free]))
    return out


def studentised_draws(Py: Floats, y: Floats, own: Floats, df: int) -> Floats:
    """Externally studentised residuals of several sets of readings with one covariance known but for its size.

    Parameters
    ----------
    Py, y : ndarray, shape (draws, n)
        Readings, and these times P = V⁻¹ − V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹; with V = I these are the residuals.
    own : ndarray, shape (n,)
        Diagonal of P, 1 − leverage with V = I; 0 for a run that the others do not foretell.
    df : int
        n − p.

    Returns
    -------
    ndarray, shape (draws, n)
        Error in foretelling each run from all others, by its standard error, the size of V judged by the others: t with df − 1
        degrees of freedom. NaN where the others do not foretell a run, or df is below 2.

    References
    ----------
    Cook, R. D. & Weisberg, S. (1982). Residuals and Influence in Regression, eq. 2.2.8; the same in whitened readings.
    """
    if df < 2:
        return np.full(Py.shape, np.nan)
    size = np.einsum("ij,ij->i", Py, y)[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(own > 0.0, Py**2 / own, np.nan)
        return np.sign(Py) * np.sqrt(part * (df - 1) / np.maximum(size - part, 0.0))


def cooks_distance(residuals: ArrayLike, leverage: ArrayLike, sigma: float, p: int) -> Floats:
    """How far each run alone moves all fitted values, in units of p σ².

    Parameters
    ----------
    residuals, leverage : array_like, shape (n,)
    sigma : float
    p : int
        Number of columns.

    Returns
    -------
    ndarray, shape (n,)
        NaN where the leverage is 1.

    References
    ----------
    Cook, R. D. (1977). Detection of influential observation in linear regression. Technometrics 19(1), 15-18.
    """
    e, h = np.asarray(residuals, dtype=float), np.asarray(leverage, dtype=float)
    out = np.full(e.shape, np.nan)
    free = h < FULL_LEVERAGE
    with np.errstate(divide="ignore", invalid="ignore"):
        out[free] = e[free] ** 2 * h[free] / (p * sigma**2 * (1.0 - h[free]) ** 2)
    return out


def information_criteria(rss: float, n: int, p: int, log_jacobian: float = 0.0) -> tuple[float, float]:
    """AICc and BIC of a normal linear model, comparable across transforms of the same readings.

    Parameters
    ----------
    rss : float
        Residual sum of squares on the fitted scale.
    n, p : int
        Runs, and columns of the fit; the noise variance counts as one parameter more.
    log_jacobian : float
        Sum over the runs of log |d fitted scale / d reading|.

    Returns
    -------
    aicc, bic : float
        Smaller is better. AICc is infinite where n ≤ p + 2: too few runs for its correction.

    References
    ----------
    Hurvich, C. M. & Tsai, C.-L. (1989). Regression and time series model selection in small samples. Biometrika 76,
    297-307. Schwarz, G. (1978). Estimating the dimension of a model. Annals of Statistics 6, 461-464.
    """
    k = p + 1
    deviance = -np.inf if rss <= 0.0 else n * (np.log(2.0 * np.pi * rss / n) + 1.0) - 2.0 * log_jacobian
    aicc = deviance + 2.0 * k + 2.0 * k * (k + 1) / (n - k - 1) if n > k + 1 else np.inf
    return float(aicc), float(deviance + k * np.log(n))
