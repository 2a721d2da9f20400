"""Responses of different kinds judged together: each its own posterior, joined by a Gaussian copula over the batches.

A response is a polynomial in the settings plus a new batch's own error. Its error is a function of a standard normal, and the normals of different
responses are correlated as their scores in the trial were, shrunk towards none.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_expit, log_ndtr, ndtr, ndtri, ndtri_exp

from doe.study import StudyError
from doe.window.variances import VariancePosterior, group_sizes, shrunk_correlation

if TYPE_CHECKING:
    from doe.fits import Fit
    from doe.fits.censored import CensoredFit
    from doe.fits.mixed import MixedFit
    from doe.fits.ordinal import OrdinalFit

Floats = NDArray[np.float64]

FEWEST_SHARED = 5  # batches that all responses must share before anything is said of their correlation


@dataclass(frozen=True)
class Drawn:
    """Draws of one response, ready to be judged.

    Attributes
    ----------
    coefficients : ndarray, shape (draws, p)
        Over the model's columns, fitted scale (latent scale of a score).
    spread : ndarray, shape (draws,)
        Standard deviation of a new batch's error; of a score, of what its batch and whole plot add to the logistic error.
    low, high : ndarray, shape (draws,)
        Limits, infinite where open.
    logistic : bool
        Whether that error is logistic (plus a normal part) rather than normal.
    effective : float
        How many independent draws they are worth.
    cuts : ndarray, shape (draws, K − 1), or None
        Of a score: where its classes meet on the latent scale.
    lowest : int
        Of a score: its lowest class.
    """

    coefficients: Floats
    spread: Floats
    low: Floats
    high: Floats
    logistic: bool
    effective: float
    cuts: Floats | None = None
    lowest: int = 0

    def classes(self, latent: Floats) -> Floats:
        """Scores of latent values, one a draw."""
        assert self.cuts is not None
        return self.lowest + (latent[:, None] > self.cuts).sum(axis=1).astype(float)


class Source(Protocol):
    """Where one response's draws come from."""

    @property
    def runs(self) -> list[str]:
        """Labels of its batches."""
        ...

    @property
    def df(self) -> float:
        """Degrees of freedom behind its scores."""
        ...

    @property
    def words(self) -> str:
        """Which posterior, in words."""
        ...

    def scores(self, repeats: int, rng: np.random.Generator) -> Floats:
        """Normal scores of its batches, shape (repeats, n)."""
        ...

    def draw(self, normals: Floats, rng: np.random.Generator) -> Drawn:
        """Draws; `normals` (draws, n) are standard normals of its batches, correlated with other responses'."""
        ...


@dataclass(frozen=True, eq=False)
class NormalSource:
    """A least-squares or mixed fit: exact draws, variances of whole plots and blocks among them."""

    fit: Fit

    @property
    def runs(self) -> list[str]:
        """Labels of its batches."""
        return [str(run) for run in self.fit.runs]

    @property
    def df(self) -> float:
        """Degrees of freedom behind its scores."""
        return float(self.fit.n - self.fit.X.shape[1])

    @property
    def _mixed(self) -> bool:
        return self.fit.method in ("reml", "gls")

    @property
    def words(self) -> str:
        """Which posterior, in words."""
        if not self._mixed:
            return f"t with {self.fit.df_residual:g} degrees of freedom"
        if self.fit.method == "gls":
            return f"t with {self.fit.df_residual:g} degrees of freedom, the ratio of the variances ASSUMED"
        strata = [name for name in self.fit.variance_components.index if name != "residual"]
        return f"variances of {' and '.join([*strata, 'residual'])} drawn (prior of Box & Tiao), a new batch in a new {strata[0]}"

    @cached_property
    def _posterior(self) -> VariancePosterior:
        fit = self.fit
        n = fit.n
        if not self._mixed:
            return VariancePosterior(fit.solution.Q, fit.y, np.eye(n)[None], np.ones(1))
        mixed: MixedFit = fit  # type: ignore[assignment]
        strata = mixed.layout.strata
        sizes = group_sizes(strata.names, strata.G)
        return VariancePosterior(fit.solution.Q, fit.y, strata.G, sizes, strata.within_df, strata.within_ss)

    @property
    def _carried(self) -> Floats:
        return self.fit.layout.carried if self._mixed else np.ones(1)  # type: ignore[attr-defined]

    def scores(self, repeats: int, rng: np.random.Generator) -> Floats:
        """Residuals over their own standard deviations, shape (repeats, n): nothing in them is drawn."""
        fit = self.fit
        left = (
            fit.y - fit.X @ np.concatenate([fit.beta, np.zeros(fit.block_columns)])
            if self._mixed
            else fit.solution.residuals
        )
        size = np.sqrt(np.maximum(1.0 - fit.solution.leverage, 1e-9))
        one = np.where(fit.solution.leverage < 1.0 - 1e-9, left / size, 0.0)
        return np.broadcast_to(one / max(float(one.std()), 1e-300), (repeats, fit.n))

    def draw(self, normals: Floats, rng: np.random.Generator) -> Drawn:
        """Draws; `normals` (draws, n) are standard normals of its batches, correlated with other responses'."""
        found = self._posterior.draw(normals, rng)
        coefficients = found.coefficients @ self.fit.solution.R_inverse.T
        spread = np.sqrt(found.theta @ self._carried)
        low, high = (np.full(len(normals), end) for end in self.fit.response.fitted_limits())
        return Drawn(coefficients[:, : self.fit.model.p], spread, low, high, False, float(len(normals)))


@dataclass(frozen=True, eq=False)
class CensoredSource:
    """A fit of readings some of which are known only by bounds."""

    fit: CensoredFit

    @property
    def runs(self) -> list[str]:
        """Labels of its batches."""
        return [str(run) for run in self.fit.runs]

    @property
    def df(self) -> float:
        """Degrees of freedom behind its scores."""
        return self.fit.degrees

    @property
    def words(self) -> str:
        """Which posterior, in words."""
        known = int(self.fit.censored.sum())
        return f"posterior of the censored likelihood ({known} of {self.fit.n} readings known by bounds), importance resampled"

    def scores(self, repeats: int, rng: np.random.Generator) -> Floats:
        """Residuals over sigma, those known by bounds drawn between them, shape (repeats, n)."""
        fit = self.fit
        centre = fit.X @ fit.likelihood.beta
        low, high = ((ends - centre) / fit.sigma for ends in (fit.likelihood.bounds.lower, fit.likelihood.bounds.upper))
        # between two bounds a normal score is drawn by its probability; an exact reading has both bounds in one place
        p, q = ndtr(low), ndtr(high)
        u = p + (q - p) * rng.random((repeats, fit.n))
        drawn = ndtri(np.clip(u, 1e-12, 1.0 - 1e-12))
        return np.asarray(np.where(fit.censored, drawn, low))

    def draw(self, normals: Floats, rng: np.random.Generator) -> Drawn:
        """Draws; those of the coefficients are this response's own."""
        n = len(normals)
        beta, sigma, effective = self.fit.likelihood.draws(n, int(rng.integers(2**31)))
        low, high = (np.full(n, end) for end in self.fit.response.fitted_limits())
        return Drawn(beta[:, : self.fit.model.p], sigma, low, high, False, float(effective))


@dataclass(frozen=True, eq=False)
class ScoreSource:
    """A fit of ordinal scores."""

    fit: OrdinalFit

    @property
    def runs(self) -> list[str]:
        """Labels of its batches."""
        return [str(run) for run in self.fit.runs]

    @property
    def df(self) -> float:
        """Degrees of freedom behind its scores."""
        return float(max(self.fit.df_residual, 1))

    @property
    def words(self) -> str:
        """Which posterior, in words."""
        return "ordinal scores by proportional odds (coded slopes N(0, 2.5²), baseline classes Dirichlet), importance resampled"

    def scores(self, repeats: int, rng: np.random.Generator) -> Floats:
        """Surrogate residuals of the batches, the mean where a batch was scored several times, shape (repeats, n)."""
        each = self.fit.surrogate_residuals(repeats, int(rng.integers(2**31)))
        counts = np.bincount(self.fit.of_batch, minlength=self.fit.n)
        out = np.zeros((repeats, self.fit.n))
        for column, batch in enumerate(self.fit.of_batch):
            out[:, batch] += each[:, column] / counts[batch]
        return out

    def draw(self, normals: Floats, rng: np.random.Generator) -> Drawn:
        """Draws; those of the coefficients are this response's own."""
        n = len(normals)
        found = self.fit.draws(n, int(rng.integers(2**31)))
        bottom, top = self.fit.scale
        response = self.fit.response
        least = bottom if response.low is None else int(np.ceil(response.low))
        most = top if response.high is None else int(np.floor(response.high))
        low = found.cuts[:, least - bottom - 1] if least > bottom else np.full(n, -np.inf)
        high = found.cuts[:, most - bottom] if most < top else np.full(n, np.inf)
        return Drawn(found.beta, found.spread, low, high, True, found.effective, found.cuts, bottom)


@dataclass(frozen=True, eq=False)
class Joined:
    """Several responses' sources and the correlation between them."""

    sources: Sequence[Source]
    seed: int

    @cached_property
    def _union(self) -> dict[str, int]:
        return {run: i for i, run in enumerate(dict.fromkeys(run for s in self.sources for run in s.runs))}

    @cached_property
    def _found(self) -> tuple[Floats, float, int]:
        r = len(self.sources)
        shared = [run for run in self._union if all(run in set(s.runs) for s in self.sources)]
        if r == 1 or len(shared) < FEWEST_SHARED:
            return np.eye(r), 1.0, len(shared)
        rng = np.random.default_rng([self.seed, 7])
        repeats = 50
        columns = []
        for s in self.sources:
            at = [s.runs.index(run) for run in shared]
            columns.append(s.scores(repeats, rng)[:, at])
        df = min(min(s.df for s in self.sources), float(len(shared)))
        correlation, shrinkage = shrunk_correlation(np.stack(columns, axis=2), max(df, 1.0))
        return correlation, shrinkage, len(shared)

    @property
    def correlation(self) -> Floats:
        """Correlation between the responses' errors, shape (r, r)."""
        return self._found[0]

    @property
    def shrinkage(self) -> float:
        """How far it was shrunk towards none: 0 not at all, 1 wholly."""
        return self._found[1]

    @property
    def shared(self) -> int:
        """Batches that all responses were read on."""
        return self._found[2]

    def draw(self, draws: int, rng: np.random.Generator) -> list[Drawn]:
        """Draws of every response, those of normal responses correlated as their errors are."""
        root = np.linalg.cholesky(self.correlation)
        normals = rng.standard_normal((draws, len(self._union), len(self.sources))) @ root.T
        out = []
        for j, s in enumerate(self.sources):
            at = [self._union[run] for run in s.runs]
            out.append(s.draw(np.ascontiguousarray(normals[:, at, j]), rng))
        return out

    def errors(self, drawn: Sequence[Drawn], normals: Floats, correlated: bool = True) -> list[Floats]:
        """A new batch's error of every response from standard normals (draws, r)."""
        z = normals @ np.linalg.cholesky(self.correlation).T if correlated else normals
        return [logistic_of(z[:, j], d.spread) if d.logistic else d.spread * z[:, j] for j, d in enumerate(drawn)]


# nodes and weights for averages over a standard normal
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(24)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
NEWTON = 8  # steps to a quantile of logistic plus normal


def logistic_of(z: Floats, spread: Floats | None = None) -> Floats:
    """Values of a standard logistic, plus a normal of this spread where given, with the ranks of standard normal ones.

    Parameters
    ----------
    z : ndarray, shape (n,)
    spread : ndarray, shape (n,), optional

    Returns
    -------
    ndarray, shape (n,)
    """
    t = np.asarray(log_ndtr(z) - log_ndtr(-z))
    if spread is None or not spread.any():
        return t
    # Newton's steps on the normal scale, where the quantile is nearly a straight line; from the logistic of equal variance
    t = t * np.sqrt(1.0 + 3.0 * spread**2 / np.pi**2)
    for _ in range(NEWTON):
        below = normal_of(t, spread)
        density = _mixed(t, spread, lambda u: expit(u) * expit(-u))
        slope = density * np.sqrt(2.0 * np.pi) * np.exp(0.5 * np.minimum(below**2, 600.0))
        t = t - (below - z) / np.maximum(slope, 1e-6)
    return np.asarray(t)


def normal_of(t: Floats, spread: Floats | None = None) -> Floats:
    """Standard normal values with the ranks of logistic ones: the inverse of `logistic_of`.

    Parameters
    ----------
    t : ndarray, shape (..., n)
    spread : ndarray, shape (n,), optional

    Returns
    -------
    ndarray, shape (..., n)
    """
    lower = t < 0.0
    # each tail is taken from its own side, where the logarithm keeps its digits
    side = np.where(lower, t, -t)
    if spread is None or not spread.any():
        tail = ndtri_exp(log_expit(side))
    else:
        tail = ndtri(np.maximum(_mixed(side, spread, expit), 1e-300))
    return np.asarray(np.where(lower, tail, -tail))


def _mixed(t: Floats, spread: Floats, function: Callable[[Floats], Floats]) -> Floats:
    """Average of a function of t less a normal of this spread."""
    out = np.zeros(np.broadcast(t, spread).shape)
    for node, weight in zip(_NODES, _WEIGHTS, strict=True):
        out += weight * function(t - spread * node)
    return out


def source_of(fit: Fit) -> Source:
    """Where a fit's draws come from.

    Raises
    ------
    StudyError
        If its method is none that can be judged with others, or it cannot say how large the noise is.
    """
    if fit.method in ("least squares", "reml", "gls"):
        check_noise(fit)
        return NormalSource(fit)
    if fit.method == "ordinal":
        return ScoreSource(fit)  # type: ignore[arg-type]
    if fit.method == "censored":
        if fit.df_residual < 1:
            check_noise(fit)
        return CensoredSource(fit)  # type: ignore[arg-type]
    raise StudyError(
        f"find_window: fit of {fit.response.name!r}",
        fit.method,
        "fitted by a method of doe.fit",
        "fit it so, or leave it out",
    )


def check_noise(fit: Fit) -> None:
    """Refuse a fit that cannot say how large the noise is."""
    name = fit.response.name
    if fit.df_residual < 1:
        raise StudyError(
            f"fit of {name!r}: residual degrees of freedom",
            fit.df_residual,
            "at least 1",
            "fit a smaller model, or add batches, so that the noise can be estimated",
        )
    if fit.solution.exact_to_rounding:
        raise StudyError(
            f"fit of {name!r}: residual standard deviation",
            0.0,
            "above 0",
            "the model passes through every batch: check that the readings were measured, or fit a smaller model",
        )
