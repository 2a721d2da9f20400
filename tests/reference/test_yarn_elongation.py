"""Yarn elongation, a {3, 2} simplex lattice: Cornell, Experiments with Mixtures; Montgomery, 10th ed., Table 11.19.

Sources of every figure in yarn_elongation/expected.json.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe

CASE = Path(__file__).parent / "yarn_elongation"
EXPECTED = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))
SHARES = ["x1_polyethylene", "x2_polystyrene", "x3_polypropylene"]


@pytest.fixture(scope="module")
def fit():
    data = pd.read_csv(CASE / "data.csv")
    study = doe.Study(
        "yarn", [doe.Component(n, 0, 1, unit="") for n in SHARES], [doe.Response("elongation")], mixture_total=1
    )
    return doe.fit(study, data, "elongation")


def test_coefficients_and_standard_errors(fit):
    np.testing.assert_allclose(fit.coefficients["estimate"], EXPECTED["coef"], atol=EXPECTED["coef_tol"])
    np.testing.assert_allclose(fit.coefficients["std_error"], EXPECTED["se"], atol=EXPECTED["se_tol"])
    assert (fit.coefficients["df"] == EXPECTED["df_residual"]).all()


def test_noise_and_r2_about_the_mean(fit):
    assert fit.sigma == pytest.approx(EXPECTED["s"], abs=EXPECTED["s_tol"])
    assert fit.r2 == pytest.approx(EXPECTED["r2_about_mean"], abs=EXPECTED["r2_tol"])


def test_linear_blending_asks_whether_all_blends_are_equal(fit):
    """Against the definition: the residual sum of squares with one coefficient for all three blends."""
    data = pd.read_csv(CASE / "data.csv")
    x = data[SHARES].to_numpy()
    pairs = np.column_stack([x[:, 0] * x[:, 1], x[:, 0] * x[:, 2], x[:, 1] * x[:, 2]])
    equal = np.column_stack([x.sum(axis=1), pairs])
    y = data["elongation"].to_numpy()
    rss = np.linalg.lstsq(equal, y, rcond=None)[1][0]
    row = fit.anova.set_index("source").loc["linear blending"]
    assert row["df"] == 2
    assert row["ss"] == pytest.approx(rss - fit.solution.rss, rel=1e-10)
    assert row["p"] < 0.0001
    sources = fit.anova["source"].tolist()
    assert sources[:1] == ["linear blending"]
    assert not set(SHARES) & set(sources)


def test_single_blends_show_no_p(fit):
    single = fit.coefficients["term"].isin(SHARES)
    assert fit.coefficients.loc[single, "p"].isna().all()
    assert fit.coefficients.loc[~single, "p"].notna().all()


def test_the_model_saturates_the_lattice(fit):
    table = fit.anova.set_index("source")
    assert table.loc["pure error", "df"] == 9
    assert table.loc["lack of fit", "df"] == 0
    assert "The model has a coefficient for every setting made: lack of fit cannot show." in str(fit)
