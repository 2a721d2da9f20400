"""Our whole mixed analysis beside statsmodels' bare fit of the same data; figures only, no assertion on time."""

import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from doe.fits import reml
from doe.fits.mixed import inferred


@pytest.fixture(scope="module")
def trial():
    rng = np.random.default_rng(0)
    plot = np.repeat(np.arange(10), 4)
    base, acid, speed = rng.uniform(-1, 1, 10)[plot], *rng.uniform(-1, 1, (2, 40))
    X = np.column_stack(
        [np.ones(40), base, acid, speed, base**2, acid**2, speed**2, base * acid, base * speed, acid * speed]
    )
    return X, X[:, 0] + rng.standard_normal(10)[plot] + rng.standard_normal(40), plot


def test_reml_with_kenward_roger(benchmark, trial):
    X, y, plot = trial

    def work():
        Q, R = np.linalg.qr(X)
        strata = reml.Strata(
            ("residual", "whole plot"), np.array([np.eye(40), (plot[:, None] == plot[None, :]).astype(float)])
        )
        inference, _ = inferred(Q, y, strata)
        L = np.linalg.inv(R)
        return L @ inference.gamma, L @ inference.adjusted @ L.T, inference.degrees(L)

    assert len(benchmark(work)[2]) == 10


def test_bare_fit_of_statsmodels(benchmark, trial):
    X, y, plot = trial

    def work():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return sm.MixedLM(y, pd.DataFrame(X), groups=plot).fit(reml=True)

    assert benchmark(work).scale > 0
