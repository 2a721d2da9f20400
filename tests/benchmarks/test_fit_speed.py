"""How long a fit, its equation and its reduction take; figures only, no assertion on time."""

import numpy as np
import pandas as pd
import pytest

import doe


@pytest.fixture(scope="module")
def trial():
    rng = np.random.default_rng(0)
    names = list("abcde")
    study = doe.Study("speed", [doe.Continuous(n, -1, 1) for n in names], [doe.Response("y")])
    X = rng.uniform(-1, 1, (40, 5)).round(4)
    y = 3 * X[:, 0] + X[:, 1] ** 2 + X[:, 1] + rng.normal(0, 0.3, 40)
    return study, pd.DataFrame(X, columns=names).assign(y=y)


def test_one_fit(benchmark, trial):
    assert benchmark(doe.fit, *trial, "y").df_residual == 19


def test_reduction_over_all_models_of_five_factors_that_are_tried_or_stepped_through(benchmark, trial):
    fit = doe.fit(*trial, "y")
    assert benchmark(fit.reduced).model.p < 21


def test_equation_in_natural_units(benchmark, trial):
    fit = doe.fit(*trial, "y")
    assert len(benchmark(fit.equation)) == 21
