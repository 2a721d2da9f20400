"""NIST Statistical Reference Datasets, linear regression: certified values of seven ill-conditioned fits.

https://www.itl.nist.gov/div898/strd/lls/lls.shtml (Longley, Wampler 1-5, Filip). The equation in natural units is asked for
at least 9 digits of Longley, 8 of Wampler 1-4, 7 of Wampler 5 and 12 of Filip's coefficients, and 9 of every standard deviation;
where the certified deviation is 0, less than 1e-8. Measured: 14 digits and more everywhere.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe

CASE = Path(__file__).parent / "nist_strd_regression"
SETS = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))["sets"]
COEFFICIENT_DIGITS = {
    "longley": 9,
    "wampler1": 8,
    "wampler2": 8,
    "wampler3": 8,
    "wampler4": 8,
    "wampler5": 7,
    "filip": 12,
}
# the residual deviation comes from the coded fit in double precision, whose rounding grows with |y| over sigma
SIGMA_DIGITS = 9


def digits_agreeing(found, certified):
    """Log relative error: how many certified digits agree (McCullough 1998, Am. Stat. 52(4), 358-366)."""
    found, certified = np.asarray(found, dtype=float), np.asarray(certified, dtype=float)
    return -np.log10(np.maximum(np.abs(found - certified) / np.abs(certified), 1e-15))


@pytest.fixture(scope="module", params=sorted(SETS))
def case(request):
    name = request.param
    data = pd.read_csv(CASE / f"{name}.csv")
    factors = [c for c in data.columns if c != "y"]
    study = doe.Study(name, [doe.Continuous(f, data[f].min(), data[f].max()) for f in factors], [doe.Response("y")])
    degree = int(SETS[name]["model"][4:]) if SETS[name]["model"].startswith("poly") else 0
    model = ["1", "x", *(f"x^{k}" for k in range(2, degree + 1))] if degree else "linear"
    return name, SETS[name], doe.fit(study, data, "y", model)


def test_coefficients(case):
    name, certified, fit = case
    assert digits_agreeing(fit.equation()["estimate"], certified["b"]).min() >= COEFFICIENT_DIGITS[name]


def test_standard_deviations_of_the_coefficients(case):
    _, certified, fit = case
    found, wanted = fit.equation()["std_error"].to_numpy(), np.array(certified["se"])
    if wanted.any():
        assert digits_agreeing(found, wanted).min() >= 9
    else:
        assert found.max() < 1e-8


def test_residual_standard_deviation(case):
    _, certified, fit = case
    if certified["rsd"]:
        assert digits_agreeing(fit.sigma, certified["rsd"]) >= SIGMA_DIGITS
    else:
        assert fit.sigma < 1e-8


def test_r2_and_analysis_of_variance(case):
    _, certified, fit = case
    table = fit.anova.set_index("source")
    assert digits_agreeing(fit.r2, certified["r2"]) >= 9
    assert table.loc["model", "df"] == certified["df_reg"]
    assert table.loc["residual", "df"] == certified["df_res"]
    assert digits_agreeing(table.loc["model", "ss"], certified["ss_reg"]) >= 9
    if certified["ss_res"]:
        assert digits_agreeing(table.loc["residual", "ss"], certified["ss_res"]) >= 9
        assert digits_agreeing(table.loc["model", "F"], certified["F"]) >= 9


def test_the_coded_fit_foretells_what_the_certified_equation_does(case):
    """The two ways agree: coded QR in double precision, natural units in extended precision."""
    name, certified, fit = case
    if name == "longley":
        values = fit.batches.settings.to_numpy() @ np.array(certified["b"][1:]) + certified["b"][0]
    else:
        values = np.polynomial.polynomial.polyval(fit.batches.settings["x"].to_numpy(), certified["b"])
    # Filip's powers of numbers near 9 cancel five digits of the 15 certified
    assert np.abs(fit.solution.fitted - values).max() < 1e-7 * np.abs(values).max()


def test_an_exact_polynomial_is_said_to_be_one():
    data = pd.read_csv(CASE / "wampler1.csv")
    study = doe.Study("wampler1", [doe.Continuous("x", 0, 20)], [doe.Response("y")])
    fit = doe.fit(study, data, "y", ["1", *(f"x^{k}" for k in range(1, 6))])
    assert "The model passes through every reading to the last digit" in str(fit)
    noisy = data.assign(y=data["y"] + np.where(data.index % 2, 1.0, -1.0))
    assert "to the last digit" not in str(doe.fit(study, noisy, "y", ["1", *(f"x^{k}" for k in range(1, 6))]))
