"""Straight lines over storage time where some readings are known only by bounds: maximum likelihood, on plain arrays.

As `lines`, with the normal likelihood of `censoring` in place of squares. Tests and limits are on the scale on which they are Snedecor's and Student's when all
readings are exact, so that with exact readings alone every figure is that of least squares.

Bounds may leave a batch's line unheld: read as ">12500" until one exact reading at the end, it fits ever better the steeper it gets. Where that batch has
a line of its own its likelihood tends to a limit, in which its line passes through the one reading it has on both sides and all else counts nothing. Tests
compare with that limit, and take one degree of freedom for every batch that is held.

In 1000 simulated trials each of three batches alike, the 95 % limit came later than the truth in 6.0 % with one line and 3.2 % with what the tests allow where a
third of the first readings were open above, and in 5.1 and 2.7 % where two thirds were and the limit lay beyond the last time (Monte-Carlo error 0.7 %); least squares without
the open readings in 16.6 and 10.4 % of the latter.

Letters: n readings, k batches, t times.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from doe.fits.arrays import Floats
from doe.fits.censoring import Bounds, Censored, endless
from doe.fits.lines import KINDS, Labels, bend_of, line_columns

LEAST_DEGREES = 1.0
# places in time, closer where it is soon, at which a confidence limit is looked at before its crossing is closed in on
PLACES = 129


@dataclass(frozen=True)
class BoundedLines:
    """Lines by maximum likelihood, with limits by its profile; as `lines.Lines`.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    likelihood : Censored
    picks : ndarray, shape (k, 2, p)
        What of the coefficients makes each batch's start and slope.
    covered : float
        The latest time read, by which times are scaled.
    """

    kind: str
    likelihood: Censored
    picks: Floats = field(repr=False)
    covered: float

    @cached_property
    def lines(self) -> Floats:
        """Start (time 0) and slope of each batch's line, shape (k, 2)."""
        return np.asarray(self.picks @ self.likelihood.beta)

    @property
    def df(self) -> float:
        """Degrees of freedom of the noise: a fraction for each reading known only by bounds."""
        return self.likelihood.degrees

    @cached_property
    def slope_errors(self) -> Floats:
        """Standard errors of the slopes from the information at the maximum, shape (k,)."""
        return self.likelihood.errors(self.picks[:, 1])

    def limits(self, which: int, t: Floats, tail: float) -> tuple[Floats, Floats]:
        """Lower and upper confidence limits of one batch's line at times, each with `tail` on its outer side; shapes (len(t),)."""
        L = self.picks[which, 0] + t[:, None] * self.picks[which, 1]
        return self.likelihood.profile_limits(L, 1.0 - 2.0 * tail)

    def limit_crossing(self, which: int, tail: float, limit: float, from_above: bool) -> float:
        """When the confidence limit of one batch's line first meets a limit: 0 where it does from the start, ∞ where never."""
        from scipy import optimize  # slow to import

        sign = 1.0 if from_above else -1.0
        wanted = float(special.stdtrit(self.df, 1.0 - tail))

        def room(angle: Floats) -> Floats:
            # times from 0 to ∞ as angles: the line at t over √(1 + (t/covered)²)
            c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
            c[angle >= 0.5 * np.pi] = 0.0
            L = c * self.picks[which, 0] + s * self.covered * self.picks[which, 1]
            return np.asarray(sign * self.likelihood.profile_t(L, limit * c[:, 0]) - wanted)

        angles = np.linspace(0.0, 0.5 * np.pi, PLACES)
        out = np.flatnonzero(room(angles) <= 0.0)
        if not len(out):
            return float("inf")
        if not out[0]:
            return 0.0
        ends = angles[out[0] - 1], angles[out[0]]
        met = optimize.brentq(lambda a: float(room(np.array([a]))[0]), *ends, xtol=1e-13)
        return float(self.covered * np.tan(met))


def held(bounds: Bounds, t: Floats, batch: Labels, kind: str) -> NDArray[np.bool_]:
    """Whether the readings hold what is each batch's own, from both sides: start and slope, or its start given a slope; shape (k,)."""
    k = int(batch.max()) + 1
    if kind == KINDS[2] and k > 1:
        return np.ones(k, dtype=bool)
    X = np.column_stack([np.ones_like(t), t / t.max()])[:, : 1 if kind == KINDS[1] else 2]
    mine = [np.flatnonzero(batch == i) for i in range(k)]
    return np.array([endless(bounds.of(m), X[m], noise_known=True) is None for m in mine], dtype=bool)


def fit_bounded(bounds: Bounds, t: Floats, batch: Labels, kind: str) -> BoundedLines | None:
    """Lines by maximum likelihood, one noise for all batches.

    Parameters
    ----------
    bounds : Bounds
        On the fitted scale.
    t : ndarray, shape (n,)
    batch : ndarray of int, shape (n,)
        0 to k − 1, each at two times or more and `held`.
    kind : str

    Returns
    -------
    BoundedLines, or None where the likelihood has no maximum: the lines pass through every exact reading and between all bounds
    """
    X, picks = line_columns(t, batch, kind)
    if endless(bounds, X) is not None:
        return None
    return BoundedLines(kind, Censored(bounds, X), picks, float(t.max()))


def _limiting(bounds: Bounds, t: Floats, batch: Labels, kind: str, held_: NDArray[np.bool_]) -> Censored | None:
    """The likelihood that a kind of line tends to, batches that are not held in the limit; None where it has no noise."""
    two_sided = np.isfinite(bounds.lower) & np.isfinite(bounds.upper)
    keep = held_[batch] | two_sided
    if not keep.any():
        return None
    own = (batch[keep, None] == np.unique(batch[keep])[None, :]).astype(float)
    starts = np.ones((int(keep.sum()), 1)) if kind == KINDS[2] else own
    steep = (batch[keep, None] == np.flatnonzero(held_)[None, :]).astype(float) * t[keep, None]
    X = np.column_stack([starts, steep if kind == KINDS[0] else t[keep]])
    part = bounds.of(keep)
    if np.linalg.matrix_rank(X) < X.shape[1] or endless(part, X) is not None:
        return None
    likelihood = Censored(part, X)
    return likelihood if likelihood.degrees >= LEAST_DEGREES else None


def bounded_poolability(bounds: Bounds, t: Floats, batch: Labels) -> pd.DataFrame:
    """Whether batches share a slope, and given one slope, a start, by the likelihood ratio.

    Returns
    -------
    DataFrame
        question, df, den_df, F, p as `lines.poolability`: F = ν/d (exp(W/m) − 1) with W twice the gain in log-likelihood, the usual F where all
        readings are exact. NaN where the readings leave nothing to test by.
    """
    if not batch.max():
        return pd.DataFrame(columns=["question", "df", "den_df", "F", "p"])
    holds = [held(bounds, t, batch, kind) for kind in KINDS]
    fits = [_limiting(bounds, t, batch, kind, h) for kind, h in zip(KINDS, holds, strict=True)]
    rows = []
    for i, question in enumerate(("one slope?", "one start, given one slope?")):
        free, pooled, d = fits[i], fits[i + 1], int(holds[i].sum()) - 1
        F = p = float("nan")
        if free is not None and pooled is not None and d > 0:
            F = free.f_of(pooled.log_likelihood, d)
            p = float(special.fdtrc(d, free.degrees, F))
        rows.append((question, max(d, 0), 0.0 if free is None else free.degrees, F, p))
    return pd.DataFrame(rows, columns=["question", "df", "den_df", "F", "p"])


def bounded_bend(found: BoundedLines, t: Floats) -> float:
    """The p-value of one bend in time common to all batches, beside the lines; NaN where it cannot be tested."""
    narrow = found.likelihood
    bend = bend_of(t, np.linalg.qr(narrow.X)[0])
    X = np.column_stack([narrow.X, bend])
    if not bend.any() or endless(narrow.bounds, X) is not None:
        return float("nan")
    wider = Censored(narrow.bounds, X)
    if wider.degrees < LEAST_DEGREES:
        return float("nan")
    return float(special.fdtrc(1, wider.degrees, wider.f_of(narrow.log_likelihood, 1)))
