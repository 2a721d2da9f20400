"""Small invented trials with known truth, and exact chances by closed form."""

import numpy as np
import pandas as pd
from scipy import stats

from doe.fits import fit_all
from doe.study import Continuous, Response, Study


def made(factors, responses, surfaces, n=20, sd=0.3, correlation=0.0, seed=0, model="quadratic", **study):
    """A study, its readings and its fits.

    `surfaces` are functions of the coded settings, one a response; settings are drawn from the region.
    """
    trial = Study("invented trial", factors, responses, **study)
    settings = trial.region.sample(n, seed=seed)
    Z = trial.encode(settings)
    r = len(responses)
    L = np.linalg.cholesky(np.full((r, r), correlation) + (1 - correlation) * np.eye(r))
    noise = sd * np.random.default_rng(seed).standard_normal((n, r)) @ L.T
    table = settings.copy()
    for j, (response, surface) in enumerate(zip(responses, surfaces, strict=True)):
        table[response.name] = response.inverse(surface(Z) + noise[:, j])
    return trial, table, fit_all(trial, table, model=model)


def one_factor(low=None, high=None, n=10, model="linear", transform=None):
    """One response that rises with one factor; coded x from -1 to 1."""
    return made(
        [Continuous("polymer", 0.2, 0.6, "%")],
        [Response("firmness", "N", low=low, high=high, transform=transform)],
        [lambda Z: 5 + 2 * Z[:, 0]],
        n=n,
        model=model,
    )


def exact_t(fit, settings, new_batch=True, df=None):
    """Chance that a new batch (or the mean) lies within the limits: the posterior t of one response."""
    X = fit.model.matrix(settings)
    h = np.einsum("ij,jk,ik->i", X, fit.cov_unscaled, X) + float(new_batch)
    scale = fit.sigma * np.sqrt(h)
    low, high = fit.response.fitted_limits()
    t = stats.t(fit.df_residual if df is None else df)
    return t.cdf((high - X @ fit.beta) / scale) - t.cdf((low - X @ fit.beta) / scale)


def grid(study, n=9):
    """Settings on a grid over all factors with numbers."""
    lines = [np.linspace(f.low, f.high, n) for f in study.factors]
    points = np.stack([g.ravel() for g in np.meshgrid(*lines)], axis=1)
    return pd.DataFrame(points, columns=study.names)
