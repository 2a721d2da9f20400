"""Flare illumination in an ill-conditioned four-component region: McLean & Anderson (1966), Technometrics 8, 447-454.

Sources of every figure in flare_mclean_anderson/expected.json. The published coefficients carry 1966 arithmetic in four of ten;
double precision and the extended precision behind the equation must agree with each other.
"""

import json
from fractions import Fraction
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe

CASE = Path(__file__).parent / "flare_mclean_anderson"
EXPECTED = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))
NAMES = ["x1_magnesium", "x2_sodium_nitrate", "x3_strontium_nitrate", "x4_binder"]


@pytest.fixture(scope="module")
def data():
    return pd.read_csv(CASE / "data.csv", dtype=str)


@pytest.fixture(scope="module")
def fit(data):
    table = data.astype(dict.fromkeys([*NAMES, "illumination"], float))
    study = doe.Study(
        "flare",
        [doe.Component(n, *EXPECTED["bounds"][n[:2]], unit="") for n in NAMES],
        [doe.Response("illumination")],
        mixture_total=1,
    )
    return doe.fit(study, table, "illumination")


def exact_coefficients(data):
    """Normal equations in rational arithmetic on the decimals of the table: no rounding anywhere."""
    x = [[Fraction(v) for v in row] for row in data[NAMES].to_numpy()]
    X = [row + [row[i] * row[j] for i, j in combinations(range(4), 2)] for row in x]
    y = [Fraction(v) for v in data["illumination"]]
    p = len(X[0])
    M = [
        [sum(r[i] * r[j] for r in X) for j in range(p)] + [sum(r[i] * v for r, v in zip(X, y, strict=True))]
        for i in range(p)
    ]
    for c in range(p):
        at = next(r for r in range(c, p) if M[r][c] != 0)
        M[c], M[at] = M[at], M[c]
        M[c] = [v / M[c][c] for v in M[c]]
        for r in range(p):
            if r != c:
                M[r] = [a - M[r][c] * b for a, b in zip(M[r], M[c], strict=True)]
    return np.array([float(row[p]) for row in M])


def test_published_coefficients(fit):
    np.testing.assert_allclose(fit.beta, EXPECTED["coef_published"], rtol=EXPECTED["coef_tol_rel"])
    np.testing.assert_allclose(fit.beta, EXPECTED["coef_double_precision_computed_here"], atol=EXPECTED["coef_dp_tol"])


def test_every_digit_against_rational_arithmetic(fit, data):
    exact = exact_coefficients(data)
    # a condition number of 700 costs three of sixteen digits in the coded fit, none in the equation
    np.testing.assert_allclose(fit.beta, exact, rtol=1e-10)
    np.testing.assert_allclose(fit.equation()["estimate"], exact, rtol=1e-14)


def test_published_maximum(fit):
    best = pd.DataFrame([EXPECTED["maximum"]["x"]], columns=NAMES)
    said = fit.predict(best)["estimate"].iloc[0]
    assert said == pytest.approx(EXPECTED["maximum"]["value_published"], abs=EXPECTED["maximum"]["value_tol"])


def test_shares_or_percent_are_the_same_fit(fit, data):
    table = data.astype(dict.fromkeys([*NAMES, "illumination"], float))
    table[NAMES] = (table[NAMES] * 100).round(10)
    bounds = {n: [100 * b for b in EXPECTED["bounds"][n[:2]]] for n in NAMES}
    study = doe.Study("flare", [doe.Component(n, *bounds[n]) for n in NAMES], [doe.Response("illumination")])
    percent = doe.fit(study, table, "illumination")
    np.testing.assert_allclose(percent.beta, fit.beta, rtol=1e-9)
    natural = percent.equation()["estimate"].to_numpy()
    np.testing.assert_allclose(natural[:4] * 100, fit.beta[:4], rtol=1e-9)
    np.testing.assert_allclose(natural[4:] * 1e4, fit.beta[4:], rtol=1e-9)
