"""Lines over storage time: against statsmodels' analysis of covariance, and the definition of the crossing."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.anova import anova_lm

from doe.fits.lines import KINDS, bent, crossing, fit_lines, poolability

FORMULAS = {KINDS[0]: "y ~ 0 + C(batch) + C(batch):t", KINDS[1]: "y ~ 0 + C(batch) + t", KINDS[2]: "y ~ t"}


def trial(slopes=(-0.30, -0.34, -0.28), starts=(102.0, 101.5, 103.0), seed=5):
    """Invented assay of three batches at unequal times, one of which lacks its last two."""
    rng = np.random.default_rng(seed)
    t = np.array([0, 3, 6, 9, 12, 18, 24.0])
    rows = [
        (i, at, start + slope * at + 0.5 * rng.standard_normal())
        for i, (slope, start) in enumerate(zip(slopes, starts, strict=True))
        for at in (t if i else t[:-2])
    ]
    return pd.DataFrame(rows, columns=["batch", "t", "y"])


@pytest.mark.parametrize("kind", KINDS)
def test_lines_are_those_of_statsmodels(kind):
    data = trial()
    found = fit_lines(data["t"].to_numpy(), data["y"].to_numpy(), data["batch"].to_numpy(), kind)
    reference = smf.ols(FORMULAS[kind], data).fit()
    assert (found.df, found.rss) == (reference.df_resid, pytest.approx(reference.ssr, rel=1e-9))
    at = pd.DataFrame({"batch": [1] * 3, "t": [0.0, 10.0, 30.0]})
    expected = reference.get_prediction(at).summary_frame()
    t = at["t"].to_numpy()
    np.testing.assert_allclose(found.lines[1, 0] + found.lines[1, 1] * t, expected["mean"], rtol=1e-10)
    np.testing.assert_allclose(found.errors(1, t), expected["mean_se"], rtol=1e-9)


def test_poolability_is_the_analysis_of_covariance_of_statsmodels():
    data = trial()
    table = poolability(data["t"].to_numpy(), data["y"].to_numpy(), data["batch"].to_numpy())
    own, slope, one = (smf.ols(FORMULAS[kind], data).fit() for kind in KINDS)
    for row, (free, pooled) in zip(table.itertuples(), ((own, slope), (slope, one)), strict=True):
        expected = anova_lm(pooled, free).iloc[1]
        assert (row.df, row.den_df) == (expected["df_diff"], expected["df_resid"])
        assert pytest.approx(expected["F"], rel=1e-8) == row.F
        assert row.p == pytest.approx(expected["Pr(>F)"], rel=1e-8)
    assert poolability(np.arange(4.0), np.arange(4.0), np.zeros(4, dtype=int)).empty


def test_a_common_bend_is_the_f_of_statsmodels():
    data = trial()
    data["y"] -= 0.01 * data["t"] ** 2
    for kind in KINDS:
        reference = smf.ols(FORMULAS[kind] + " + I(t**2)", data).fit()
        found = bent(data["t"].to_numpy(), data["y"].to_numpy(), data["batch"].to_numpy(), kind)
        assert found == pytest.approx(reference.pvalues["I(t ** 2)"], rel=1e-6)
    assert np.isnan(bent(np.array([0.0, 1, 0, 1]), np.array([1.0, 2, 3, 5]), np.array([0, 0, 1, 1]), KINDS[1]))


@pytest.mark.parametrize("from_above", [True, False])
def test_the_crossing_is_where_the_confidence_limit_of_statsmodels_meets_the_limit(from_above):
    data = trial()
    if not from_above:
        data["y"] = 190 - data["y"]
    found = fit_lines(data["t"].to_numpy(), data["y"].to_numpy(), data["batch"].to_numpy(), KINDS[2])
    quantile = stats.t.ppf(0.95, found.df)
    when = crossing(found.lines[0], found.cov[0] * found.sigma**2, quantile, 95.0, from_above)
    band = smf.ols("y ~ t", data).fit().get_prediction(pd.DataFrame({"t": [when]})).summary_frame(alpha=0.10)
    assert band["mean_ci_lower" if from_above else "mean_ci_upper"].iloc[0] == pytest.approx(95.0, rel=1e-10)
    assert 15 < when < 30
    line = crossing(found.lines[0], found.cov[0] * found.sigma**2, 0.0, 95.0, from_above)
    assert line == pytest.approx((95.0 - found.lines[0, 0]) / found.lines[0, 1])
    assert line > when


def test_crossings_at_the_edges():
    cov = np.diag([0.04, 0.0001])
    assert crossing(np.array([95.3, -1.0]), cov, 2.0, 95.0, True) == 0.0
    assert crossing(np.array([99.0, 1.0]), cov, 2.0, 95.0, True) == float("inf")
    # a slope not shown to differ from 0 meets the limit all the same, once the band has opened far enough
    flat = crossing(np.array([99.0, 0.01]), cov, 2.0, 95.0, True)
    assert 99.0 + 0.01 * flat - 2.0 * np.sqrt(0.04 + 0.0001 * flat**2) == pytest.approx(95.0)
    assert crossing(np.array([99.0, 0.0]), np.zeros((2, 2)), 2.0, 95.0, True) == float("inf")


def test_the_limit_is_met_before_the_true_time_in_95_of_100_trials():
    """2000 trials, seed 11: Monte-Carlo error of the share 0.5 %; three of them are allowed."""
    rng = np.random.default_rng(11)
    t = np.array([0, 3, 6, 9, 12, 18.0])
    quantile = stats.t.ppf(0.95, 4)
    early = 0
    for _ in range(2000):
        y = 101 - 0.3 * t + 0.5 * rng.standard_normal(6)
        f = fit_lines(t, y, np.zeros(6, dtype=int), KINDS[2])
        early += crossing(f.lines[0], f.cov[0] * f.sigma**2, quantile, 95.0, True) <= 20.0
    assert early / 2000 == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 2000))
