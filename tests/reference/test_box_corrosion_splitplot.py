"""Corrosion resistance of coated bars, a split plot: Box (1996), Quality Engineering 8; Box, Hunter & Hunter (2005), chapter 9.

Sources of every figure in box_corrosion_splitplot/expected.json.
"""

import json
from pathlib import Path

import pandas as pd
import pytest

import doe

CASE = Path(__file__).parent / "box_corrosion_splitplot"
EXPECTED = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))
ANOVA = EXPECTED["anova"]


@pytest.fixture(scope="module")
def fit():
    data = pd.read_csv(CASE / "data.csv").rename(columns={"furnace_run": "whole_plot"}).drop(columns="replicate")
    study = doe.Study(
        "corrosion",
        [
            doe.Categorical("temperature", ["360", "370", "380"], hard_to_change=True),
            doe.Categorical("coating", ["C1", "C2", "C3", "C4"]),
        ],
        [doe.Response("resistance")],
    )
    return doe.fit(study, data.astype({"temperature": str}), "resistance", "interaction")


@pytest.mark.parametrize(
    ("source", "published", "error"),
    [
        ("temperature", "temperature", "furnace_run_error"),
        ("coating", "coating", "subplot_error"),
        ("temperature:coating", "temperature_x_coating", "subplot_error"),
    ],
)
def test_every_term_is_judged_by_its_own_stratum(fit, source, published, error):
    row = fit.anova.set_index("source").loc[source]
    assert row["df"] == ANOVA[published]["df"]
    assert row["den_df"] == pytest.approx(ANOVA[error]["df"], rel=1e-6)
    assert row["F"] == pytest.approx(ANOVA[published]["F"], abs=EXPECTED["F_tol"])


def test_variance_components(fit):
    tolerance = EXPECTED["variance_components"]["tol"]
    assert fit.method == "reml"
    assert list(fit.variance_components.index) == ["whole plot", "residual"]
    for ours, published in (("whole plot", "whole_plot"), ("residual", "subplot")):
        assert fit.variance_components[ours] == pytest.approx(EXPECTED["variance_components"][published], abs=tolerance)
    assert fit.sigma**2 == pytest.approx(ANOVA["subplot_error"]["ms"], abs=EXPECTED["ms_tol"])


def test_standard_errors_follow_from_the_two_mean_squares(fit):
    """Level effects: sqrt(2/3 · MS / 8) for temperature's three levels on 8 bars each, sqrt(3/4 · MS / 6) for the coatings' four."""
    c = fit.coefficients.set_index("term")["std_error"]
    between, within = (ANOVA[k]["ss"] / ANOVA[k]["df"] for k in ("furnace_run_error", "subplot_error"))
    assert c["temperature[360]"] == pytest.approx((2 / 3 * between / 8) ** 0.5, rel=1e-6)
    assert c["coating[C1]"] == pytest.approx((3 / 4 * within / 6) ** 0.5, rel=1e-6)


def test_coatings_as_conditions_of_a_furnace_run_are_the_same_analysis():
    """The furnace run as the batch, its four coatings as the conditions that it is split over."""
    data = pd.read_csv(CASE / "data.csv").drop(columns="replicate")
    data = data.rename(columns={"furnace_run": "run", "coating": "condition"}).astype({"temperature": str})
    study = doe.Study(
        "corrosion",
        [doe.Categorical("temperature", ["360", "370", "380"])],
        [doe.Response("resistance", conditions=("C1", "C2", "C3", "C4"))],
    )
    fit = doe.fit(study, data, "resistance", "linear", at=(None, None))
    table = fit.anova.set_index("source")
    for source, published, error in (
        ("temperature", "temperature", "furnace_run_error"),
        ("condition", "coating", "subplot_error"),
        ("temperature:condition", "temperature_x_coating", "subplot_error"),
    ):
        assert table.loc[source, "df"] == ANOVA[published]["df"]
        assert table.loc[source, "den_df"] == pytest.approx(ANOVA[error]["df"], rel=1e-6)
        assert table.loc[source, "F"] == pytest.approx(ANOVA[published]["F"], abs=EXPECTED["F_tol"])
    variances, tolerance = EXPECTED["variance_components"], EXPECTED["variance_components"]["tol"]
    assert fit.variance_components["batch"] == pytest.approx(variances["whole_plot"], abs=tolerance)
    assert fit.variance_components["residual"] == pytest.approx(variances["subplot"], abs=tolerance)
    assert "3 between batches, 9 within batches" in fit.heading
