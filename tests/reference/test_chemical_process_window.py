"""A worked window on the 13-run chemical process: Montgomery, 10th ed., section 11.3, overlay of three contour plots.

Limits and equations: sources in chemical_process_ccd/expected.json. No single published optimum exists, and none is claimed here.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import doe

CASE = Path(__file__).parent / "chemical_process_ccd"
EXPECTED = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))
LIMITS = EXPECTED["operating_window"]
MODELS = {"yield": "quadratic", "viscosity": "quadratic", "molecular_weight": "linear"}


@pytest.fixture(scope="module")
def fits():
    data = pd.read_csv(CASE / "data.csv").drop(columns=["time", "temperature"])
    study = doe.Study(
        "process",
        [doe.Continuous("x1", -1, 1), doe.Continuous("x2", -1, 1)],
        [
            doe.Response("yield", "%", low=LIMITS["yield_min"]),
            doe.Response("viscosity", low=LIMITS["viscosity_min"], high=LIMITS["viscosity_max"]),
            doe.Response("molecular_weight", high=LIMITS["molecular_weight_max"]),
        ],
    )
    return doe.fit_all(study, data, MODELS)


@pytest.fixture(scope="module")
def square():
    line = np.linspace(-1, 1, 21)
    return pd.DataFrame([(a, b) for a in line for b in line], columns=["x1", "x2"])


def published(name, settings):
    """The published equation of a response."""
    a, b = settings["x1"].to_numpy(), settings["x2"].to_numpy()
    columns = {"1": np.ones(len(a)), "x1": a, "x2": b, "x1^2": a * a, "x2^2": b * b, "x1*x2": a * b}
    return sum(c * columns[t] for t, c in zip(EXPECTED[name]["terms"], EXPECTED[name]["coef"], strict=True))


@pytest.mark.parametrize(("name", "side"), [("yield", 1.0), ("molecular_weight", -1.0)])
def test_the_mean_is_more_likely_inside_where_the_published_equation_is(fits, square, name, side):
    """The posterior of one response's mean is symmetric about its equation: a limit is met with more than even chance just there."""
    chance = doe.find_window(fits[name], noise=False).probability(square)["probability"]
    limit = LIMITS["yield_min"] if side > 0 else LIMITS["molecular_weight_max"]
    meets = side * (published(name, square) - limit)
    # 4000 draws, and coefficients rounded to the printed digits, cannot tell what is nearer than this
    clear = np.abs(meets) > 0.06 * fits[name].sigma
    assert clear.mean() > 0.9
    np.testing.assert_array_equal((chance > 0.5)[clear], (meets > 0)[clear])
    assert 0.1 < (meets > 0).mean() < 0.9


def test_chance_with_equal_terms_is_the_trivariate_t(fits, square):
    """All three quadratic: 13 - 6 - 3 + 1 = 5 degrees of freedom."""
    data = pd.read_csv(CASE / "data.csv").drop(columns=["time", "temperature"])
    same = doe.fit_all(fits.study, data, "quadratic")
    win = doe.find_window(same, draws=40_000)
    assert win.method == "Joint posterior predictive multivariate t of 3 responses with 5 degrees of freedom."
    points = pd.DataFrame({"x1": [-0.1, 0.1, -0.5, 0.5], "x2": [-0.75, -0.7, -0.5, 0.8]})
    first = same["yield"]
    residuals = np.column_stack([fit.y - fit.X @ fit.beta for fit in same.values()])
    beta = np.column_stack([fit.beta for fit in same.values()])
    for x, (_, row) in zip(first.model.matrix(points), win.probability(points).iterrows(), strict=True):
        scale = residuals.T @ residuals * (1 + x @ first.cov_unscaled @ x) / 5
        law = stats.multivariate_t(x @ beta, scale, 5)
        exact = law.cdf([np.inf, 68, 3400], lower_limit=[78.5, 62, -np.inf], maxpts=400_000, random_state=1)
        assert row["probability"] == pytest.approx(exact, abs=4.5 * row["mc_error"])


def test_the_published_models_together(fits, square):
    """Molecular weight is linear in the book, so the terms differ and the draws are Gibbs; the overlay region holds the set point."""
    win = doe.find_window(fits)
    assert "different terms, by Gibbs sampling" in win.method
    best = pd.DataFrame([win.set_point.to_dict()])
    assert published("yield", best)[0] > LIMITS["yield_min"]
    assert LIMITS["viscosity_min"] < published("viscosity", best)[0] < LIMITS["viscosity_max"]
    assert published("molecular_weight", best)[0] < LIMITS["molecular_weight_max"]
    # no setting of a grid is better by more than Monte-Carlo error, and 13 runs do not make any of them sure
    grid = win.probability(square)
    assert win.set_point_probability > grid["probability"].max() - 3 * win.mc_error - 3 * grid["mc_error"].max()
    assert 0.3 < win.set_point_probability < 0.9
    assert not win.reached
    assert len(win.ranges) == 0
