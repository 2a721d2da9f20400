"""Posterior draws of one response's coefficients and variances, whole plots and blocks included; on plain arrays.

Variances enter by the expected mean squares of their strata, λ₁ ≤ λ₂ ≤ …, each the one before plus a multiple of its own variance. The prior is
∏ dλ/λ under that order: in balanced trials the λ are then independent scaled inverse chi-squares cut to their order, and with one stratum it is
the reference prior 1/σ² of least squares. Coefficients have a flat prior.

References
----------
Box, G. E. P. & Tiao, G. C. (1973). Bayesian inference in statistical analysis, ch. 5 (random effect models). Addison-Wesley.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# log λ ratios beyond this are cut: a stratum with one degree of freedom leaves e^-8 there
FURTHEST = 16.0
# cells along each log ratio: a first look that finds where the posterior lies, then the cells that are drawn from
LOOK = {1: 64, 2: 24, 3: 12}
CELLS = {1: 256, 2: 48, 3: 18}
NEGLIGIBLE = 18.0  # cells whose log density lies this far below the highest hold nothing
HELD = 1 << 22  # values of the covariances held at a time


@dataclass(frozen=True)
class Drawn:
    """Draws for one response.

    Attributes
    ----------
    coefficients : ndarray, shape (draws, p)
        In the coordinates of the orthonormal basis that was given.
    theta : ndarray, shape (draws, m)
        Variances.
    """

    coefficients: Floats
    theta: Floats


@dataclass(frozen=True, eq=False)
class VariancePosterior:
    """The posterior of a response with one or several strata.

    Parameters
    ----------
    Q : ndarray, shape (n, p)
        Orthonormal basis of the model's columns.
    y : ndarray, shape (n,)
        Batch means, fitted scale.
    G : ndarray, shape (m, n, n)
        What each variance multiplies in cov(y); m up to 4.
    size : ndarray, shape (m,)
        How much of a variance the expected mean square of its stratum holds: 1 for the first, then the batch means' worth of each group.
    within_df, within_ss : int, float
        What repeat readings say of the first variance alone.
    """

    Q: Floats
    y: Floats
    G: Floats
    size: Floats
    within_df: int = 0
    within_ss: float = 0.0

    @property
    def df(self) -> int:
        """Degrees of freedom of the overall scale."""
        return self.Q.shape[0] - self.Q.shape[1] + self.within_df

    def ratios(self, u: Floats) -> Floats:
        """θ over θ₁ from the log ratios of successive λ, shape (cells, m)."""
        steps = np.diff(np.exp(np.cumsum(np.column_stack([np.zeros(len(u)), u]), axis=1)), axis=1)
        return np.column_stack([np.ones(len(u)), steps / self.size[1:]])

    def _parts(self, ratios: Floats) -> Iterator[tuple[slice, Floats, Floats, Floats, Floats]]:
        """Log density (flat in the log ratios), residual sum of squares, coefficients and their root M, by chunks of cells."""
        n, p = self.Q.shape
        columns = np.column_stack([self.Q, self.y])
        chunk = max(1, HELD // (n * n))
        for start in range(0, len(ratios), chunk):
            part = slice(start, min(start + chunk, len(ratios)))
            C = np.linalg.cholesky(np.tensordot(ratios[part], self.G, axes=1))
            half = np.linalg.solve(C, np.broadcast_to(columns, (len(C), n, p + 1)))
            B, R = np.linalg.qr(half[:, :, :p])
            seen = np.einsum("cij,ci->cj", B, half[:, :, p])
            left = half[:, :, p] - np.einsum("cij,cj->ci", B, seen)
            rss = np.einsum("ci,ci->c", left, left) + self.within_ss
            log_det = np.log(np.einsum("cii->ci", C)).sum(axis=1)
            log_det += np.log(np.abs(np.einsum("cii->ci", R))).sum(axis=1)
            inverse = np.linalg.inv(R)
            gamma = np.einsum("cij,cj->ci", inverse, seen)
            yield part, -log_det - 0.5 * self.df * np.log(rss), rss, gamma, inverse @ B.transpose(0, 2, 1)

    @cached_property
    def _cells(self) -> tuple[Floats, Floats]:
        """Ratios of the cells that matter, shape (cells, m), and their probabilities."""
        k = len(self.G) - 1
        if not k:
            return np.ones((1, 1)), np.ones(1)
        low, high = np.zeros(k), np.full(k, FURTHEST)
        for count in (LOOK[k], CELLS[k]):
            axes = [a + (b - a) * (np.arange(count) + 0.5) / count for a, b in zip(low, high, strict=True)]
            u = np.stack([g.ravel() for g in np.meshgrid(*axes, indexing="ij")], axis=1)
            density = np.concatenate([log for _, log, *_ in self._parts(self.ratios(u))])
            kept = density > density.max() - NEGLIGIBLE
            width = (high - low) / count
            low, high = (
                np.maximum(u[kept].min(axis=0) - width, 0.0),
                np.minimum(u[kept].max(axis=0) + width, FURTHEST),
            )
        weight = np.exp(density[kept] - density.max())
        return self.ratios(u[kept]), weight / weight.sum()

    def draw(self, normals: Floats, rng: np.random.Generator) -> Drawn:
        """Draws of coefficients and variances.

        Parameters
        ----------
        normals : ndarray, shape (draws, n)
            Standard normals, one a batch: what carries the correlation with other responses' draws.
        rng : Generator
            Source of everything else.

        Returns
        -------
        Drawn
        """
        ratios, weight = self._cells
        cell = rng.choice(len(weight), size=len(normals), p=weight)
        scale = rng.chisquare(self.df, len(normals))
        used, place = np.unique(cell, return_inverse=True)
        order = np.argsort(place, kind="stable")
        ends = np.searchsorted(place[order], np.arange(len(used) + 1))
        coefficients = np.empty((len(normals), self.Q.shape[1]))
        theta = np.empty((len(normals), len(self.G)))
        for part, _, rss, gamma, M in self._parts(ratios[used]):
            for i in range(part.start, part.stop):
                own = order[ends[i] : ends[i + 1]]
                variance = rss[i - part.start] / scale[own]
                error = normals[own] @ M[i - part.start].T
                coefficients[own] = gamma[i - part.start] + np.sqrt(variance)[:, None] * error
                theta[own] = variance[:, None] * ratios[used[i]]
        return Drawn(coefficients, theta)


def group_sizes(names: tuple[str, ...], G: Floats) -> Floats:
    """How much of each variance the expected mean square of its stratum holds, in units of the batch mean's first variance.

    Parameters
    ----------
    names : tuple of str
        The residual first.
    G : ndarray, shape (m, n, n)

    Returns
    -------
    ndarray, shape (m,)
        1 for the first; for groups of batches the usual average size (n − Σ n_g²/n)/(groups − 1) over the average share of the first variance.
    """
    n = G.shape[1]
    first = float(np.diagonal(G[0]).mean())
    out = [1.0]
    for k in range(1, len(names)):
        sizes = np.unique(G[k], axis=0).sum(axis=1)
        groups = len(sizes)
        average = 1.0 if groups == n else (n - float((sizes**2).sum()) / n) / max(groups - 1, 1)
        out.append(average / first)
    return np.array(out)


def shrunk_correlation(scores: Floats, df: float) -> tuple[Floats, float]:
    """Correlation of normal scores, shrunk towards none.

    Parameters
    ----------
    scores : ndarray, shape (repeats, n, r)
        Scores of n batches on r responses; repeats where a response's scores are drawn (ordinal, censored).
    df : float
        Degrees of freedom behind them, at most n: scores of residuals tell less than n batches would.

    Returns
    -------
    correlation : ndarray, shape (r, r)
    shrinkage : float
        From 0 (as found) to 1 (none left): the analytic intensity, Σ var(r) / Σ r², with Fisher's var(r) = (1 − r²)²/df.

    References
    ----------
    Fisher, R. A. (1915). Frequency distribution of the values of the correlation coefficient. Biometrika 10(4), 507-521.
    Schäfer, J. & Strimmer, K. (2005). A shrinkage approach to large-scale covariance matrix estimation. Stat. Appl. Genet. Mol. Biol. 4, 32.
    """
    r = scores.shape[2]
    if r == 1:
        return np.eye(1), 0.0
    w = scores - scores.mean(axis=1, keepdims=True)
    w = w / np.maximum(np.sqrt((w**2).sum(axis=1, keepdims=True)), 1e-12)
    found = np.einsum("sni,snj->ij", w, w) / len(scores)
    spread = (1.0 - found**2) ** 2 / df
    off = ~np.eye(r, dtype=bool)
    total = float((found[off] ** 2).sum())
    shrinkage = 1.0 if total == 0 else float(np.clip(spread[off].sum() / total, 0.0, 1.0))
    out = (1.0 - shrinkage) * found
    np.fill_diagonal(out, 1.0)
    values, vectors = np.linalg.eigh(out)
    if values[0] < 1e-6:
        out = (vectors * np.maximum(values, 1e-6)) @ vectors.T
        size = np.sqrt(np.diag(out))
        out = out / np.outer(size, size)
    return out, shrinkage
