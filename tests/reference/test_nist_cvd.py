"""Tungsten deposition, two responses: NIST/SEMATECH e-Handbook 5.4.7.3; sources of every figure in nist_cvd/expected.json."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe

CASE = Path(__file__).parent / "nist_cvd"
EXPECTED = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def fits():
    # the published equations use the rounded ±0.71 of the data file, so the coded columns are the factors here
    data = pd.read_csv(CASE / "data.csv").drop(columns=["pressure", "h2_wf6"])
    study = doe.Study(
        "cvd",
        [doe.Continuous("x1", -1, 1), doe.Continuous("x2", -1, 1)],
        [doe.Response("uniformity", "%"), doe.Response("stress")],
    )
    return study, data, doe.fit_all(study, data)


@pytest.mark.parametrize("response", ["uniformity", "stress"])
def test_full_second_order_fits(fits, response):
    want = EXPECTED[f"{response}_full"]
    fit = fits[2][response]
    assert fit.r2 == pytest.approx(want["r2"], abs=want["tol"])
    if response == "uniformity":
        assert fit.r2_adjusted == pytest.approx(want["r2_adj"], abs=want["tol"])
        assert fit.sigma == pytest.approx(want["rmse"], abs=want["tol"])
        assert fit.y.mean() == pytest.approx(EXPECTED["mean_uniformity"]["value"], abs=6e-5)


@pytest.mark.parametrize("response", ["uniformity", "stress"])
def test_reduced_equations(fits, response):
    study, data, _ = fits
    want = EXPECTED[f"{response}_reduced"]
    fit = doe.fit(study, data, response, [t.replace("*", ":") for t in want["terms"]])
    np.testing.assert_allclose(fit.beta, want["coef"], atol=want["tol"])


def test_lack_of_fit_rests_on_the_three_centre_runs(fits):
    table = fits[2]["uniformity"].anova.set_index("source")
    centre = pd.read_csv(CASE / "data.csv").query("x1 == 0 and x2 == 0")["uniformity"]
    assert table.loc["pure error", "df"] == 2
    assert table.loc["pure error", "ss"] == pytest.approx(((centre - centre.mean()) ** 2).sum(), rel=1e-12)
    assert table.loc["lack of fit", "df"] == 3
