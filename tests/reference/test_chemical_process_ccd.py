"""A 13-run central composite design, three responses: Montgomery, 10th ed., Example 11.2 and section 11.3.

Sources of every figure in chemical_process_ccd/expected.json.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe

CASE = Path(__file__).parent / "chemical_process_ccd"
EXPECTED = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))


def text(term):
    return term.replace("*", ":")


@pytest.fixture(scope="module")
def coded():
    """Fits in the coded factors of the table, whose axial runs stand at 1.414."""
    data = pd.read_csv(CASE / "data.csv").drop(columns=["time", "temperature"])
    study = doe.Study(
        "process",
        [doe.Continuous("x1", -1, 1), doe.Continuous("x2", -1, 1)],
        [doe.Response(n) for n in ("yield", "viscosity", "molecular_weight")],
    )
    return doe.fit_all(study, data, {"yield": "quadratic", "viscosity": "quadratic", "molecular_weight": "linear"})


@pytest.mark.parametrize("response", ["yield", "viscosity", "molecular_weight"])
def test_coefficients(coded, response):
    want = EXPECTED[response]
    found = coded[response].coefficients.set_index("term")["estimate"]
    tolerance = np.broadcast_to(want["tol"], len(want["coef"]))
    for term, value, tol in zip(want["terms"], want["coef"], tolerance, strict=True):
        assert found[text(term)] == pytest.approx(value, abs=tol)


def test_analysis_of_variance(coded):
    want, table = EXPECTED["yield"], coded["yield"].anova.set_index("source")
    for row, key in (
        ("model", "ss_model"),
        ("residual", "ss_residual"),
        ("lack of fit", "ss_lack_of_fit"),
        ("pure error", "ss_pure_error"),
    ):
        assert table.loc[row, "ss"] == pytest.approx(want[key], abs=want["ss_tol"])
    assert table.loc["lack of fit", "df"] == want["df_lof"]
    assert table.loc["pure error", "df"] == want["df_pe"]


def test_stationary_point_and_canonical_analysis(coded):
    want, surface = EXPECTED["yield"], coded["yield"].surface()
    np.testing.assert_allclose(surface.stationary_coded, want["stationary"], atol=want["stationary_tol"])
    np.testing.assert_allclose(surface.eigenvalues, want["eigenvalues"], atol=want["eig_tol"])
    assert surface.prediction["estimate"].iloc[0] == pytest.approx(want["predicted"], abs=want["predicted_tol"])
    assert surface.kind == "maximum"
    assert surface.inside


def test_the_optimum_in_natural_units():
    data = pd.read_csv(CASE / "data.csv").rename(columns={"time": "minutes"})
    study = doe.Study(
        "process",
        [doe.Continuous("minutes", 80, 90, "min"), doe.Continuous("temperature", 170, 180, "°F")],
        [doe.Response("yield", "%")],
    )
    fit = doe.fit(study, data, "yield")
    want = EXPECTED["yield"]
    np.testing.assert_allclose(fit.surface().stationary, want["natural"], atol=want["natural_tol"])
    best = fit.predict(pd.DataFrame({"minutes": [86.95], "temperature": [176.53]}))
    assert best["estimate"].iloc[0] == pytest.approx(want["predicted"], abs=want["predicted_tol"])


def test_steepest_ascent_of_the_first_order_fit():
    """Montgomery, 10th ed., Example 11.1, from memory (data, equation and steps of 5 min with 0.42 coded in x2)."""
    data = pd.DataFrame(
        {
            "minutes": [30, 30, 40, 40, 35, 35, 35, 35, 35],
            "temperature": [150, 160, 150, 160, 155, 155, 155, 155, 155],
            "yield": [39.3, 40.0, 40.9, 41.5, 40.3, 40.5, 40.7, 40.2, 40.6],
        }
    )
    study = doe.Study(
        "process",
        [doe.Continuous("minutes", 30, 40, "min"), doe.Continuous("temperature", 150, 160, "°F")],
        [doe.Response("yield", "%")],
    )
    fit = doe.fit(study, data, "yield", "linear")
    np.testing.assert_allclose(fit.beta, [40.44, 0.775, 0.325], atol=0.005)
    path = fit.surface().ascent({"minutes": 5}, steps=3)
    assert path["minutes"].tolist() == pytest.approx([35, 40, 45, 50])
    assert (np.diff(path["temperature"]) / 5).tolist() == pytest.approx([0.42] * 3, abs=0.005)
