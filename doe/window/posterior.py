"""Posterior draws of coefficients and covariance, from arrays: joint where the responses share terms and runs, Gibbs elsewhere.

Reference prior |Σ|^-(r+1)/2 throughout (for one response, 1/σ²). Responses are standardised by the caller's residual SDs only
inside the Gibbs sampler; every result is on the scale that came in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BURN_IN = 50  # rounds of every chain thrown away
THIN = 4  # one round in so many is kept
KEPT = 100  # rounds kept of every chain


@dataclass(frozen=True)
class Posterior:
    """Draws of the coefficients and of the residual covariance.

    Attributes
    ----------
    coefficients : tuple of ndarray, each (draws, p_j)
        One array a response, columns as its model's.
    root : ndarray, shape (draws, r, r)
        Any square root of Σ: Σ = root @ root.T.
    effective : float
        How many independent draws these are worth (fewer than `draws` only for Gibbs).
    """

    coefficients: tuple[Floats, ...]
    root: Floats
    effective: float

    @property
    def draws(self) -> int:
        """Number of draws."""
        return len(self.root)

    @property
    def covariance(self) -> Floats:
        """Σ of every draw, shape (draws, r, r)."""
        return self.root @ self.root.transpose(0, 2, 1)


def inverse_wishart_roots(scale: Floats, df: float, draws: int, rng: np.random.Generator) -> Floats:
    """Square roots of inverse-Wishart draws, by Bartlett's decomposition.

    Parameters
    ----------
    scale : ndarray, shape (r, r) or (draws, r, r)
        Positive definite; the mean of a draw is scale / (df − r − 1).
    df : float
        Degrees of freedom, at least r.
    draws : int
        Number of draws.
    rng : Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (draws, r, r)
        `root` with Σ = root @ root.T.

    References
    ----------
    Smith, W. B. & Hocking, R. R. (1972). Algorithm AS 53: Wishart variate generator. Appl. Stat. 21(3), 341-345.
    """
    r = scale.shape[-1]
    lower = np.zeros((draws, r, r))
    for i in range(r):
        lower[:, i, i] = np.sqrt(rng.chisquare(df - i, draws))
        lower[:, i, :i] = rng.standard_normal((draws, i))
    # Σ^-1 = S^-T (A A') S^-1 with S the Cholesky factor of the scale, so S A^-T is a root of Σ
    return np.linalg.cholesky(scale) @ _inverse(lower).transpose(0, 2, 1)


def _inverse(lower: Floats) -> Floats:
    """Inverses of many small lower triangular matrices, (draws, r, r): forward substitution over all draws at once."""
    out = np.zeros_like(lower)
    for i in range(lower.shape[1]):
        out[:, i, i] = 1.0 / lower[:, i, i]
        for j in range(i):
            below = sum(lower[:, i, k] * out[:, k, j] for k in range(j, i))
            out[:, i, j] = -below * out[:, i, i]
    return out


def joint_draws(
    beta: Floats, unscaled: Floats, residual: Floats, df: float, draws: int, rng: np.random.Generator
) -> Posterior:
    """Exact draws for responses that share one model matrix.

    Σ is inverse-Wishart with `df` = n − p and scale `residual`; given Σ the coefficients are matrix normal about `beta`. The
    predictive distribution is the multivariate t with n − p − r + 1 degrees of freedom.

    Parameters
    ----------
    beta : ndarray, shape (p, r)
        Least-squares coefficients, one column a response.
    unscaled : ndarray, shape (p, p)
        (X'X)^-1 of those columns.
    residual : ndarray, shape (r, r)
        Residual sums of squares and products.
    df : float
        n − p, with the columns of blocks counted in p.
    draws : int
        Number of draws.
    rng : Generator
        Source of randomness.

    Returns
    -------
    Posterior

    References
    ----------
    Box, G. E. P. & Tiao, G. C. (1973). Bayesian inference in statistical analysis, ch. 8. Addison-Wesley.
    Peterson, J. J. (2004). A posterior predictive approach to multiple response surface optimization. J. Qual. Technol. 36(2),
    139-153. doi:10.1080/00224065.2004.11980261
    """
    p, r = beta.shape
    root = inverse_wishart_roots(residual, df, draws, rng)
    normals, factor = rng.standard_normal((draws, p, r)), np.linalg.cholesky(unscaled).T
    # a few products of all draws at once: many small ones, one a draw, take several times as long
    spread = [np.ascontiguousarray(normals[:, :, i]) @ factor for i in range(r)]
    drawn = tuple(beta[:, j] + sum(root[:, j, i, None] * spread[i] for i in range(r)) for j in range(r))
    return Posterior(drawn, root, float(draws))


def separate_draws(
    beta: Sequence[Floats],
    unscaled: Sequence[Floats],
    residual: Sequence[float],
    df: Sequence[float],
    draws: int,
    rng: np.random.Generator,
) -> Posterior:
    """Draws for every response by itself, each predictive distribution its own t; Σ is diagonal.

    Parameters
    ----------
    beta, unscaled, residual, df
        As for `joint_draws`, one entry a response: (p_j,), (p_j, p_j), the residual sum of squares and its degrees of freedom.
    draws : int
        Number of draws.
    rng : Generator
        Source of randomness.

    Returns
    -------
    Posterior
    """
    parts = [
        joint_draws(b[:, None], v, np.array([[ss]]), nu, draws, rng)
        for b, v, ss, nu in zip(beta, unscaled, residual, df, strict=True)
    ]
    root = np.zeros((draws, len(parts), len(parts)))
    for j, part in enumerate(parts):
        root[:, j, j] = np.abs(part.root[:, 0, 0])
    return Posterior(tuple(part.coefficients[0] for part in parts), root, float(draws))


def gibbs_draws(
    X: Sequence[Floats], y: Sequence[Floats], rows: Sequence[NDArray[np.int64]], draws: int, rng: np.random.Generator
) -> Posterior:
    """Draws for responses with different terms or different runs (seemingly unrelated regressions).

    Alternates B given Σ (generalised least squares, the missing readings integrated out), the residuals of missing readings
    given B and Σ, and Σ given all residuals, which is inverse-Wishart with n degrees of freedom. Many chains run side by side
    from the separate posteriors, which lie wider than the joint one; the first `BURN_IN` rounds are thrown away and one in
    `THIN` kept.

    Parameters
    ----------
    X : sequence of ndarray, each (n_j, p_j)
        Model matrices, blocks' columns included, full column rank.
    y : sequence of ndarray, each (n_j,)
        Readings on the fitted scale.
    rows : sequence of ndarray of int, each (n_j,)
        Which of the n runs each row is: 0 to n − 1. A run that a response lacks is a missing reading.
    draws : int
        Number of draws.
    rng : Generator
        Source of randomness.

    Returns
    -------
    Posterior
        `effective` is the least, over coefficients and log variances, of draws / (integrated autocorrelation time).

    References
    ----------
    Zellner, A. (1962). An efficient method of estimating seemingly unrelated regressions. J. Am. Stat. Assoc. 57(298), 348-368.
    Percy, D. F. (1992). Prediction for seemingly unrelated regressions. J. R. Stat. Soc. B 54(1), 243-252.
    Tanner, M. A. & Wong, W. H. (1987). The calculation of posterior distributions by data augmentation. J. Am. Stat. Assoc.
    82(398), 528-540.
    """
    sampler = _Sampler(X, y, rows)
    kept = min(KEPT, draws)
    chains = -(-draws // kept)
    beta, root = sampler.start(chains, rng)
    for _ in range(BURN_IN):
        beta, root = sampler.round(beta, root, rng)
    betas = np.empty((kept, chains, beta.shape[1]))
    roots = np.empty((kept, chains, *root.shape[1:]))
    for k in range(kept):
        for _ in range(THIN):
            beta, root = sampler.round(beta, root, rng)
        betas[k], roots[k] = beta, root
    log_variances = np.log(np.einsum("kcij,kcij->kci", roots, roots))
    worth = effective_share(np.concatenate([betas, log_variances], axis=2))
    flat_beta, flat_root = sampler.unscaled(
        betas.reshape(-1, beta.shape[1])[:draws], roots.reshape(-1, *root.shape[1:])[:draws]
    )
    return Posterior(flat_beta, flat_root, draws * worth)


def effective_share(chains: Floats) -> float:
    """Least share, over quantities, of a chain's draws that are worth an independent draw.

    Parameters
    ----------
    chains : ndarray, shape (kept, chains, quantities)
        Draws in order, one column a chain.

    Returns
    -------
    float
        Between 0 and 1: 1 / (1 + 2 Σ autocorrelations), the sum cut where the first pair of lags turns negative, the
        autocorrelations taken about the common mean so that chains which disagree lower it.

    References
    ----------
    Geyer, C. J. (1992). Practical Markov chain Monte Carlo. Stat. Sci. 7(4), 473-483.
    """
    kept = len(chains)
    centred = chains - chains.mean(axis=(0, 1))
    variance = np.mean(centred**2, axis=(0, 1))
    total = np.ones(chains.shape[2])
    alive = np.ones(chains.shape[2], dtype=bool)
    for lag in range(1, kept - 1, 2):
        pair = sum(np.mean(centred[: kept - g] * centred[g:], axis=(0, 1)) for g in (lag, lag + 1)) / variance
        alive &= pair > 0
        if not alive.any():
            break
        total += 2.0 * np.where(alive, pair, 0.0)
    return float(1.0 / total.max())


class _Sampler:
    """One Gibbs round for many chains at once, on orthonormal columns and unit residual SDs so that nothing is ill scaled."""

    def __init__(self, X: Sequence[Floats], y: Sequence[Floats], rows: Sequence[NDArray[np.int64]]) -> None:
        self.r = len(X)
        self.n = 1 + max(int(row.max()) for row in rows)
        decomposed = [np.linalg.qr(x) for x in X]
        self.back = [np.linalg.inv(upper) for _, upper in decomposed]
        self.degrees = [len(x) - x.shape[1] for x in X]
        left = [yj - q @ (q.T @ yj) for (q, _), yj in zip(decomposed, y, strict=True)]
        self.scale = np.array([np.sqrt(e @ e / max(d, 1)) for e, d in zip(left, self.degrees, strict=True)])
        self.owner = np.repeat(np.arange(self.r), [x.shape[1] for x in X])
        self.Q = np.zeros((self.r, self.n, len(self.owner)))  # rows of missing readings stay 0
        self.y = np.zeros((self.n, self.r))
        self.seen = np.zeros((self.n, self.r), dtype=bool)
        for j, ((q, _), row) in enumerate(zip(decomposed, rows, strict=True)):
            self.Q[j][np.ix_(row, np.flatnonzero(self.owner == j))] = q
            self.y[row, j] = y[j] / self.scale[j]
            self.seen[row, j] = True
        self.flat = self.Q.sum(axis=0)  # every column belongs to one response
        patterns, which = np.unique(self.seen, axis=0, return_inverse=True)
        self.patterns = []
        for g, mask in enumerate(patterns):
            here = np.flatnonzero(which.reshape(-1) == g)
            part = self.flat[here]
            self.patterns.append(
                (np.flatnonzero(mask), np.flatnonzero(~mask), here, part.T @ part, part.T @ self.y[here])
            )

    def start(self, chains: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        root = np.zeros((chains, self.r, self.r))
        beta = np.empty((chains, len(self.owner)))
        for j, degrees in enumerate(self.degrees):
            root[:, j, j] = np.sqrt(degrees / rng.chisquare(degrees, chains))
            mine = np.flatnonzero(self.owner == j)
            centre = self.Q[j][:, mine].T @ self.y[:, j]
            beta[:, mine] = centre + root[:, j, j, None] * rng.standard_normal((chains, len(mine)))
        return beta, root

    def round(self, beta: Floats, root: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
        chains = len(root)
        sigma = root @ root.transpose(0, 2, 1)
        precision = np.zeros((chains, len(self.owner), len(self.owner)))
        pull = np.zeros((chains, len(self.owner)))
        for seen, _, _, gram, cross in self.patterns:
            weight = np.zeros_like(sigma)
            weight[:, seen[:, None], seen] = np.linalg.inv(sigma[:, seen[:, None], seen])
            mine = weight[:, self.owner]
            precision += gram * mine[:, :, self.owner]
            pull += np.einsum("cij,ij->ci", mine, cross)
        # P^-1 (pull + L z) has mean P^-1 pull and covariance P^-1 L L' P^-1 = P^-1
        noise = np.linalg.cholesky(precision) @ rng.standard_normal((chains, len(self.owner), 1))
        beta = np.asarray(np.linalg.solve(precision, pull[:, :, None] + noise)[:, :, 0], dtype=np.float64)
        fitted = np.stack([beta[:, self.owner == j] @ self.Q[j][:, self.owner == j].T for j in range(self.r)], axis=2)
        residual = np.where(self.seen, self.y - fitted, 0.0)
        for seen, gone, here, _, _ in self.patterns:
            if not len(gone):
                continue
            weights = np.linalg.solve(
                sigma[:, seen[:, None], seen], sigma[:, seen[:, None], gone]
            )  # (chains, seen, gone)
            spare = sigma[:, gone[:, None], gone] - sigma[:, gone[:, None], seen] @ weights
            drawn = rng.standard_normal((chains, len(here), len(gone))) @ np.linalg.cholesky(spare).transpose(0, 2, 1)
            residual[:, here[:, None], gone] = residual[:, here[:, None], seen] @ weights + drawn
        return beta, inverse_wishart_roots(residual.transpose(0, 2, 1) @ residual, self.n, chains, rng)

    def unscaled(self, beta: Floats, root: Floats) -> tuple[tuple[Floats, ...], Floats]:
        out = tuple(self.scale[j] * beta[:, self.owner == j] @ self.back[j].T for j in range(self.r))
        return out, root * self.scale[:, None]
