"""Generalised least squares with an assumed ratio: against statsmodels' GLS, and what the page says of the assumption."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

import doe
from doe import StudyError
from doe.fits.known_ratio import KnownRatioFit


def bath():
    return doe.Study(
        "bath (invented)",
        [doe.Continuous("temperature", 20, 40, "°C", hard_to_change=True), doe.Continuous("speed", 400, 1000, "rpm")],
        [doe.Response("viscosity", "Pa·s", transform="log")],
    )


def three_plots(seed=4):
    """Three whole plots at three temperatures: a square leaves no degrees of freedom between them."""
    rng = np.random.default_rng(seed)
    rows = [(plot, t, s) for plot, t in ((1, 20), (2, 30), (3, 40)) for s in (400, 700, 700, 1000)]
    data = pd.DataFrame(rows, columns=["whole_plot", "temperature", "speed"])
    plot = np.repeat(rng.normal(0, 0.1, 3), 4)
    log = 3 - 0.02 * data["temperature"] - 0.0005 * data["speed"] + plot + rng.normal(0, 0.05, 12)
    return data.assign(viscosity=np.exp(log))


TERMS = ["1", "temperature", "temperature^2", "speed", "temperature:speed"]


@pytest.mark.parametrize("ratio", [0.0, 1.0, 4.0])
def test_against_statsmodels(ratio):
    """statsmodels.GLS with the same V: estimates, standard errors, t, p and likelihood."""
    data = three_plots()
    fit = doe.fit(bath(), data, "viscosity", TERMS, variance_ratio=ratio)
    plot = data["whole_plot"].to_numpy()
    V = np.eye(12) + ratio * (plot[:, None] == plot[None, :])
    ref = sm.GLS(fit.y, fit.X, sigma=V).fit()
    table = fit.coefficients
    np.testing.assert_allclose(table["estimate"], ref.params, rtol=1e-8)
    np.testing.assert_allclose(table["std_error"], ref.bse, rtol=1e-8)
    np.testing.assert_allclose(table["p"], ref.pvalues, rtol=1e-7)
    np.testing.assert_allclose(table[["low", "high"]], ref.conf_int(), rtol=1e-7)
    assert set(table["df"]) == {7}
    assert fit.sigma**2 == pytest.approx(ref.scale)
    assert fit.df_residual == 7
    k = 6
    assert fit.bic - fit._log_jacobian * -2 == pytest.approx(-2 * ref.llf + k * np.log(12), rel=1e-9)
    F = ref.f_test(np.eye(5)[[1]])
    row = fit.anova.set_index("source").loc["temperature"]
    assert (row["F"], row["den_df"]) == pytest.approx((float(F.fvalue), 7.0))


def test_ratio_zero_is_least_squares():
    data = three_plots()
    fit = doe.fit(bath(), data, "viscosity", TERMS, variance_ratio=0.0)
    plain = doe.fit(bath(), data, "viscosity", TERMS, method="least squares")
    pd.testing.assert_frame_equal(fit.coefficients, plain.coefficients, check_exact=False, rtol=1e-9)
    assert fit.r2 == pytest.approx(plain.r2)
    t = fit.diagnostics()["studentised"].to_numpy(dtype=float)
    np.testing.assert_allclose(t, plain.diagnostics()["studentised"].to_numpy(dtype=float), rtol=1e-7)


def test_variance_components_and_new_batches():
    fit = doe.fit(bath(), three_plots(), "viscosity", TERMS, variance_ratio=3.0)
    assert fit.variance_components["whole plot"] == pytest.approx(3 * fit.sigma**2)
    settings = pd.DataFrame({"temperature": [25.0], "speed": [500.0]})
    x = fit.model.matrix(settings)
    error, df = fit._of_new_batch(x)
    assert error[0] ** 2 == pytest.approx(fit._errors(x)[0] ** 2 + 4 * fit.sigma**2)
    assert df[0] == pytest.approx(7)
    assert "rest on the assumed variance ratio" in fit.predict(settings).note


def test_the_page_says_loudly_that_the_ratio_is_assumed():
    fit = doe.fit(bath(), three_plots(), "viscosity", TERMS, method="gls", variance_ratio=1.0)
    page = str(fit)
    assert "generalised least squares with an assumed variance ratio" in fit.heading
    first, second = fit.cautions()[:2]
    assert first == (
        "The variance ratio is ASSUMED, not estimated: 1 times as much between whole plots as between batches within, as given."
    )
    assert second.startswith(
        "What is said of temperature and temperature^2 rests on that assumption alone: were the ratio 4 times as large"
    )
    assert first in page
    assert "none: 1 × batches, assumed" in page
    assert "Kenward" not in page


def test_what_rests_on_the_ratio_grows_as_said():
    """A whole-plot contrast's variance is σ²(1/m + η) a plot: √((1/4 + 4)/(1/4 + 1)) at four times η = 1 with m = 4 batches a plot."""
    terms, growth = doe.fit(bath(), three_plots(), "viscosity", TERMS, variance_ratio=1.0)._resting()
    assert terms == ["temperature", "temperature^2"]
    assert growth == pytest.approx(np.sqrt(4.25 / 1.25), rel=1e-6)


def planned(ratio):
    plan = doe.designs.optimal(bath(), TERMS, runs=9, whole_plots=3, variance_ratio=ratio, seed=1, starts=3)
    table = plan.runs.reset_index()
    rng = np.random.default_rng(2)
    table["viscosity"] = np.round(np.exp(3 - 0.02 * table["temperature"] + rng.normal(0, 0.05, len(table))), 3)
    return doe.bench.Records.from_frame(table, plan)


def test_the_plans_own_ratio_is_the_fallback():
    records = planned(2.0)
    fit = doe.fit(records.study, records, "viscosity", TERMS)
    assert isinstance(fit, KnownRatioFit)
    assert fit.ratio.of == {"whole plot": 2.0}
    assert fit.why == (
        "Generalised least squares with an ASSUMED ratio of the variances, since these batches cannot estimate it (model for 'viscosity': "
        "number of whole plots is 3)."
    )
    assert fit.cautions()[0].endswith("as the plan was chosen for.")
    # a model that leaves degrees of freedom needs no assumption
    smaller = doe.fit(records.study, records, "viscosity", ["1", "temperature", "speed"])
    assert smaller.method == "reml"
    asked = doe.fit(records.study, records, "viscosity", ["1", "temperature", "speed"], method="gls")
    assert asked.ratio.of == {"whole plot": 2.0}


def test_reduced_keeps_the_ratio():
    fit = doe.fit(bath(), three_plots(), "viscosity", TERMS, variance_ratio=1.5)
    for by in ("aicc", "p"):
        small = fit.reduced(by=by)
        assert isinstance(small, KnownRatioFit)
        assert small.ratio == fit.ratio
        assert small.model.p < fit.model.p


def test_fit_all_takes_the_ratio():
    fits = doe.fit_all(bath(), three_plots(), TERMS, variance_ratio=1.0)
    assert fits["viscosity"].method == "gls"


def test_profile_and_lack_of_fit_hold_the_ratio():
    data = three_plots()
    study = doe.Study("bath", bath().factors, [doe.Response("viscosity", "Pa·s")])
    fit = doe.fit(study, data, "viscosity", TERMS, variance_ratio=0.0)
    plain = doe.fit(study, data, "viscosity", TERMS, method="least squares")
    assert fit.transform_profile().estimate == pytest.approx(plain.transform_profile().estimate, abs=1e-5)
    lack = fit.anova.set_index("source").loc["lack of fit"]
    ref = plain.anova.set_index("source").loc["lack of fit"]
    assert (lack["F"], lack["p"]) == pytest.approx((ref["F"], ref["p"]))
    # with as many whole plots as whole-plot terms the residuals do not know of the ratio; with fewer terms they do
    narrow, wide = (doe.fit(study, data, "viscosity", ["1", "speed"], variance_ratio=r) for r in (0.0, 50.0))
    assert wide.transform_profile().estimate != pytest.approx(narrow.transform_profile().estimate, abs=1e-3)


def sentence(**given):
    with pytest.raises(StudyError) as error:
        doe.fit(bath(), given.pop("data", three_plots()), "viscosity", given.pop("model", TERMS), **given)
    return str(error.value)


def test_refusals():
    assert sentence(method="gls") == (
        'variance_ratio is None but must be given with method="gls", since the data carry no plan that was chosen for one: give the '
        "variance between whole plots over that between batches within them, say variance_ratio=1.0."
    )
    assert sentence(method="reml", variance_ratio=1.0) == (
        'variance_ratio is 1.0 but must be left out with method="reml": it goes with method="gls".'
    )
    assert sentence(variance_ratio=-1.0) == (
        "variance_ratio is -1.0 but must be 0 or above: one number, or (whole plots, blocks): 1 says that whole plots differ as much as "
        "batches within them."
    )
    assert sentence(data=three_plots().drop(columns="whole_plot"), variance_ratio=1.0) == (
        "method is 'gls' but must be left out where batches share neither whole plots nor blocks: with nothing shared, least squares is "
        "the same."
    )
    assert sentence() == (
        "model for 'viscosity': number of whole plots is 3 but must be larger, since 3 leave nothing to judge the differences between "
        "whole plots by, so that terms temperature and temperature^2 cannot be tested: drop one of them, make more whole plots, give "
        'variance_ratio= to rest on an assumed one, or write method="least squares" to treat every batch as set up anew.'
    )
    few = three_plots().iloc[[0, 3, 4, 7, 8]]
    assert sentence(data=few, variance_ratio=1.0) == (
        "model for 'viscosity': residual degrees of freedom is 0 but must be at least 1, even with the variance ratio assumed: choose a "
        "smaller model, or make more batches."
    )


def test_two_ratios_for_whole_plots_in_blocks():
    rng = np.random.default_rng(8)
    rows = [(b, f"{b}{p}", t, s) for b in "ab" for p, t in ((1, 20), (2, 40)) for s in (400, 1000)]
    data = pd.DataFrame(rows, columns=["block", "whole_plot", "temperature", "speed"])
    data["viscosity"] = np.exp(rng.normal(3, 0.1, 8))
    fit = doe.fit(bath(), data, "viscosity", "interaction", variance_ratio=(2.0, 0.5))
    assert fit.ratio.of == {"whole plot": 2.0, "block": 0.5}
    plot, block = (data[c].to_numpy() for c in ("whole_plot", "block"))
    V = np.eye(8) + 2.0 * (plot[:, None] == plot) + 0.5 * (block[:, None] == block)
    ref = sm.GLS(fit.y, fit.X, sigma=V).fit()
    np.testing.assert_allclose(fit.coefficients["std_error"], ref.bse, rtol=1e-8)
