"""Straight lines over storage time, one a batch or shared, on plain arrays: their tests, and where a confidence limit meets a limit.

Letters: n readings, k batches, t times, y readings on the fitted scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from doe.fits.arrays import Floats

Labels = NDArray[np.int64]
# from the freest to the most pooled
KINDS = ("lines of their own", "one slope, starts of their own", "one line")


@dataclass(frozen=True)
class Lines:
    """Fitted lines.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    lines : ndarray, shape (k, 2)
        Start (time 0) and slope of each batch's line; the same rows where they are shared.
    cov : ndarray, shape (k, 2, 2)
        Their covariance over the residual variance.
    rss : float
        Residual sum of squares.
    df : int
        Its degrees of freedom: the residual variance is pooled over the batches.
    """

    kind: str
    lines: Floats
    cov: Floats
    rss: float
    df: int

    @property
    def slope_errors(self) -> Floats:
        """Standard errors of the slopes, shape (k,)."""
        return np.asarray(self.sigma * np.sqrt(self.cov[:, 1, 1]))

    @property
    def sigma(self) -> float:
        """Residual standard deviation; NaN without degrees of freedom."""
        return float(np.sqrt(self.rss / self.df)) if self.df else float("nan")

    def errors(self, which: int, t: Floats) -> Floats:
        """Standard errors of one batch's line at times, shape (len(t),)."""
        x = np.column_stack([np.ones_like(t), t])
        return np.asarray(self.sigma * np.sqrt(np.einsum("ij,jk,ik->i", x, self.cov[which], x)))

    def _quantile(self, tail: float) -> float:
        return float(special.stdtrit(self.df, 1.0 - tail)) if self.df else float("nan")

    def limits(self, which: int, t: Floats, tail: float) -> tuple[Floats, Floats]:
        """Lower and upper confidence limits of one batch's line at times, each with `tail` on its outer side; shapes (len(t),)."""
        line, half = self.lines[which, 0] + self.lines[which, 1] * t, self._quantile(tail) * self.errors(which, t)
        return line - half, line + half

    def limit_crossing(self, which: int, tail: float, limit: float, from_above: bool) -> float:
        """When the confidence limit of one batch's line first meets a limit: see `crossing`; NaN without degrees of freedom."""
        if not self.df:
            return float("nan")
        return crossing(self.lines[which], self.cov[which] * self.sigma**2, self._quantile(tail), limit, from_above)


def fit_lines(t: Floats, y: Floats, batch: Labels, kind: str) -> Lines:
    """Lines by least squares, one residual variance for all batches.

    Parameters
    ----------
    t, y : ndarray, shape (n,)
    batch : ndarray of int, shape (n,)
        0 to k − 1, each at two times or more.
    kind : str

    Returns
    -------
    Lines
    """
    X, picks = line_columns(t, batch, kind)
    Q, R = np.linalg.qr(X)
    inverse = np.linalg.inv(R)
    beta = inverse @ (Q.T @ y)
    left = y - Q @ (Q.T @ y)
    half = picks @ inverse
    return Lines(kind, picks @ beta, half @ half.transpose(0, 2, 1), float(left @ left), len(t) - len(beta))


def line_columns(t: Floats, batch: Labels, kind: str) -> tuple[Floats, Floats]:
    """Columns of the lines' model, shape (n, p): starts, then slopes; and what of them makes each batch's start and slope, shape (k, 2, p)."""
    k = int(batch.max()) + 1
    own = (batch[:, None] == np.arange(k)[None, :]).astype(float)
    starts = np.ones((len(t), 1)) if kind == KINDS[2] else own
    slopes = own * t[:, None] if kind == KINDS[0] else t[:, None]
    a, b = starts.shape[1], slopes.shape[1]
    picks = np.zeros((k, 2, a + b))
    for i in range(k):
        picks[i, 0, i if a > 1 else 0] = 1.0
        picks[i, 1, a + (i if b > 1 else 0)] = 1.0
    return np.column_stack([starts, slopes]), picks


def poolability(t: Floats, y: Floats, batch: Labels) -> pd.DataFrame:
    """Whether batches share a slope, and given one slope, a start.

    Returns
    -------
    DataFrame
        question, df, den_df, F, p: the F of the sum of squares that pooling adds over the residual mean square of the freer model.
        No rows for one batch.
    """
    if not batch.max():
        return pd.DataFrame(columns=["question", "df", "den_df", "F", "p"])
    fits = [fit_lines(t, y, batch, kind) for kind in KINDS]
    rows = []
    for question, free, pooled in (("one slope?", fits[0], fits[1]), ("one start, given one slope?", fits[1], fits[2])):
        df = pooled.df - free.df
        F = p = float("nan")
        if free.df and free.rss > 0:
            F = max(pooled.rss - free.rss, 0.0) / df / (free.rss / free.df)
            p = float(special.fdtrc(df, free.df, F))
        rows.append((question, df, free.df, F, p))
    return pd.DataFrame(rows, columns=["question", "df", "den_df", "F", "p"])


def bent(t: Floats, y: Floats, batch: Labels, kind: str) -> float:
    """The p-value of one bend in time common to all batches, beside the lines; NaN where it cannot be tested."""
    X, _ = line_columns(t, batch, kind)
    Q = np.linalg.qr(X)[0]
    bend = bend_of(t, Q)
    left = y - Q @ (Q.T @ y)
    size, df = float(bend @ bend), len(t) - X.shape[1] - 1
    if not size or df < 1:
        return float("nan")
    ss = float(bend @ left) ** 2 / size
    rest = float(left @ left) - ss
    return float(special.fdtrc(1, df, ss / (rest / df))) if rest > 0 else float("nan")


def bend_of(t: Floats, Q: Floats) -> Floats:
    """What of t² orthonormal columns leave, shape (n,); noughts where they make it up."""
    bend = np.asarray(t**2 - Q @ (Q.T @ t**2))
    return bend if float(bend @ bend) >= 1e-12 * float((t**2) @ (t**2)) else np.zeros_like(bend)


def crossing(line: Floats, cov: Floats, quantile: float, limit: float, from_above: bool) -> float:
    """When the confidence limit of a line first meets a limit.

    Parameters
    ----------
    line : ndarray, shape (2,)
        Start and slope.
    cov : ndarray, shape (2, 2)
        Their covariance.
    quantile : float
        How many standard errors the confidence limit lies off the line; 0 for the line itself.
    limit : float
    from_above : bool
        Whether the line must stay above the limit (its lower confidence limit counts), or below it.

    Returns
    -------
    float
        0 where the limit is passed from the start, ∞ where it is never met.
    """
    sign = 1.0 if from_above else -1.0
    a, b = sign * (line[0] - limit), sign * line[1]
    c = quantile**2
    if a <= quantile * np.sqrt(cov[0, 0]):
        return 0.0
    # the line's distance squared less its limit's: positive until the two first meet
    A, B, C = b * b - c * cov[1, 1], 2.0 * (a * b - c * cov[0, 1]), a * a - c * cov[0, 0]
    inner = B * B - 4.0 * A * C
    if inner < -1e-12 * B * B:
        return float("inf")
    half = -0.5 * (B + np.copysign(np.sqrt(max(inner, 0.0)), B))
    roots = [top / bottom for top, bottom in ((half, A), (C, half)) if bottom != 0.0]
    return float(min((r for r in roots if r > 0), default=float("inf")))
