"""How long a fit, its equation and its reduction take; figures only, no assertion on time."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

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


def test_reduction_over_all_models_of_five_factors(benchmark, trial):
    """The best of the 38,619 models that keep strong heredity; 200 a second or more are asked for (5 ms)."""
    fit = doe.fit(*trial, "y")
    fit.reduced()  # compiled once on a machine
    assert benchmark(fit.reduced).model.p < 21


def test_backward_elimination_of_five_factors(benchmark, trial):
    """One term at a time by p; 200 a second or more are asked for (5 ms)."""
    fit = doe.fit(*trial, "y")
    assert benchmark(fit.reduced, by="p").model.p < 21


def test_backward_elimination_of_five_factors_by_statsmodels(benchmark, trial):
    """The baseline: the same path, each step one OLS fit of statsmodels with its p-values."""
    fit = doe.fit(*trial, "y")
    kept = fit.reduced(by="p").model.terms
    terms = list(fit.model.terms)
    X = dict(zip(terms, fit.X.T, strict=True))

    def parents(term):
        return [term.replace("^2", "")] if "^2" in term else term.split(":") if ":" in term else []

    def path():
        now = list(terms)
        while True:
            p = sm.OLS(fit.y, np.column_stack([X[t] for t in now])).fit().pvalues
            needed = {"1"} | {q for t in now for q in parents(t)}
            worst = max((v, t) for v, t in zip(p, now, strict=True) if t not in needed)
            if worst[0] < 0.05:
                return tuple(now)
            now.remove(worst[1])

    assert benchmark(path) == kept


def test_equation_in_natural_units(benchmark, trial):
    fit = doe.fit(*trial, "y")
    assert len(benchmark(fit.equation)) == 21
