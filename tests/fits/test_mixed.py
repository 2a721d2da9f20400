"""Fits of batches that share whole plots, blocks or readings: against the analysis of variance, and every sentence they say."""

import pickle

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError
from doe.fits.mixed import MixedFit


def bath(**viscosity):
    return doe.Study(
        "bath",
        [doe.Continuous("temperature", 20, 40, "°C", hard_to_change=True), doe.Continuous("speed", 400, 1000, "rpm")],
        [doe.Response("viscosity", "mPa·s", **viscosity)],
    )


def split_plot(seed, whole_sd, plots=6, levels=(20, 40)):
    """Whole plots of four batches, speed low and high twice; balanced."""
    rng = np.random.default_rng(seed)
    temperature = np.resize(levels, plots)
    rows = [(w + 1, t, s) for w, t in enumerate(temperature) for s in (400, 1000, 400, 1000)]
    data = pd.DataFrame(rows, columns=["whole_plot", "temperature", "speed"])
    error = whole_sd * rng.standard_normal(plots)[data["whole_plot"] - 1] + 0.3 * rng.standard_normal(len(data))
    data["viscosity"] = 10 - 0.1 * data["temperature"] - 0.002 * data["speed"] + error
    data.insert(0, "run", range(1, len(data) + 1))
    return data


def mean_squares(data):
    """Between whole plots within temperature, and within whole plots given speed and temperature × speed: ANOVA by hand."""
    y = data["viscosity"]
    plot = y.groupby(data["whole_plot"]).transform("mean")
    temperature = y.groupby(data["temperature"]).transform("mean")
    cell = y.groupby([data["temperature"], data["speed"]]).transform("mean")
    plots, hot = data["whole_plot"].nunique(), data["temperature"].nunique()
    df = plots - hot, len(data) - plots - hot
    return (
        ((plot - temperature) ** 2).sum() / df[0],
        ((y - plot - cell + temperature) ** 2).sum() / df[1],
        df,
    )


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("whole_sd", [0.0, 0.5])
def test_balanced_trials_equal_the_analysis_of_variance_at_the_bound_too(seed, whole_sd):
    data = split_plot(seed, whole_sd)
    fit = doe.fit(bath(), data, "viscosity", "interaction")
    between, within, df = mean_squares(data)
    c = fit.coefficients.set_index("term")
    n = len(data)
    for term, ms, den in [("1", between, df[0]), ("temperature", between, df[0]), ("speed", within, df[1])]:
        assert c.loc[term, "std_error"] == pytest.approx((ms / n) ** 0.5, rel=1e-6)
        assert c.loc[term, "df"] == pytest.approx(den, rel=1e-6)
    a = fit.anova.set_index("source")
    assert a.loc["temperature", "F"] == pytest.approx((c.loc["temperature", "estimate"] ** 2) * n / between, rel=1e-6)
    assert a.loc["temperature:speed", "den_df"] == pytest.approx(df[1], rel=1e-6)
    components = fit.variance_components
    assert components["residual"] == pytest.approx(within, rel=1e-6)
    assert components["whole plot"] == pytest.approx(max((between - within) / 4, 0.0), rel=1e-5, abs=1e-9)
    said = "their variance comes out below 0 and stands as 0" in str(fit)
    assert said == (between < within)


def test_both_sides_of_the_bound_are_among_these():
    signs = [np.subtract(*mean_squares(split_plot(seed, 0.0))[:2]) < 0 for seed in range(8)]
    assert any(signs)
    assert not all(signs)


def unbalanced(seed, whole_sd=0.0):
    data = split_plot(seed, whole_sd, plots=8, levels=(20, 30, 40))
    return data.drop(index=[0, 5, 6, 13, 22, 31]).reset_index(drop=True)


def test_a_whole_plot_effect_never_has_more_df_than_its_stratum_at_the_bound():
    terms = ["1", "temperature", "temperature^2", "speed"]
    seen = 0
    for seed in range(30):
        fit = doe.fit(bath(), unbalanced(seed), "viscosity", terms)
        if fit.variance_components["whole plot"] > 0:
            continue
        seen += 1
        c = fit.coefficients.set_index("term")
        assert (c.loc[["1", "temperature", "temperature^2"], "df"] <= 5 + 1e-9).all()
        assert c.loc["speed", "df"] > 10
        assert np.isfinite(fit.coefficients["std_error"]).all()
        assert fit.anova.set_index("source").loc["temperature", "den_df"] <= 5 + 1e-9
    assert seen >= 5


def test_whole_plots_are_found_by_themselves_and_the_reason_is_said():
    data = split_plot(1, 0.5)
    fit = doe.fit(bath(), data, "viscosity", "interaction")
    assert isinstance(fit, MixedFit)
    assert fit.method == "reml"
    text = str(fit)
    assert text.startswith(
        "viscosity (mPa·s), interaction in 2 factors, REML; 24 runs in 6 whole plots, residual df: 4 between whole plots, 16 between "
        "batches within them"
    )
    assert "REML, since batches share whole plots and are alike for it" in text
    assert "Where the scatter comes from" in text
    assert "denominator df" in text
    assert (
        "<h4>Where the scatter comes from</h4>" in fit._repr_html_()
        or "Where the scatter comes from" in fit._repr_html_()
    )
    plain = doe.fit(bath(), data, "viscosity", "interaction", method="least squares")
    assert plain.method == "least squares"
    wider = fit.coefficients["std_error"] / plain.coefficients["std_error"]
    assert wider[1] > 1.2  # temperature, between whole plots
    assert wider[2] < 1.0  # speed, within


def refusal(study, data, *args, **kwargs):
    with pytest.raises(StudyError) as error:
        doe.fit(study, data, *args, **kwargs)
    assert str(pickle.loads(pickle.dumps(error.value))) == str(error.value)
    return str(error.value)


def test_labels_that_contradict_the_settings():
    data = split_plot(1, 0.5)
    data.loc[2, "temperature"] = 40
    assert refusal(bath(), data, "viscosity", "linear") == (
        "whole plot 1 (runs 1, 2, 3 and 4): temperature is [20.0, 40.0] but must be one setting throughout, since it is hard to change: "
        "correct the setting, or give batches set up anew a whole plot of their own."
    )


def test_fewer_whole_plots_than_whole_plot_terms():
    data = split_plot(1, 0.5, plots=3, levels=(20, 30, 40))
    assert refusal(bath(), data, "viscosity", ["1", "temperature", "temperature^2", "speed"]) == (
        "model for 'viscosity': number of whole plots is 3 but must be larger, since 3 leave nothing to judge the differences between "
        "whole plots by, so that terms temperature and temperature^2 cannot be tested: drop one of them, make more whole plots, give "
        'variance_ratio= to rest on an assumed one, or write method="least squares" to treat every batch as set up anew.'
    )


def test_no_degrees_of_freedom_within_whole_plots():
    rows = [(1, 20, 400), (1, 20, 1000), (2, 40, 400), (2, 40, 1000), (3, 20, 400), (4, 40, 400), (5, 30, 400)]
    data = pd.DataFrame(rows, columns=["whole_plot", "temperature", "speed"]).assign(viscosity=[5.0, 4, 7, 8, 6, 9, 7])
    assert refusal(bath(), data, "viscosity", "interaction") == (
        "model for 'viscosity': residual degrees of freedom within whole plots is 0 but must be at least 1: choose a smaller model, or "
        "make more batches."
    )


def test_reml_where_nothing_is_shared(gel, gel_data):
    assert refusal(gel, gel_data, "viscosity", method="reml") == (
        "method is 'reml' but must be left out where batches share neither whole plots nor blocks: with nothing shared, least squares is "
        "the same."
    )


def test_all_batches_in_one_whole_plot():
    data = split_plot(1, 0.5).assign(whole_plot=1, temperature=20)
    assert "and all batches are one whole plot" in refusal(bath(), data, "viscosity", ["1", "speed"])


def test_blocks_are_fixed_unless_reml_is_asked_for(gel, gel_data):
    blocked = gel_data.assign(block=np.resize(["a", "b", "c"], 15))
    assert doe.fit(gel, blocked, "pH", "linear").block_columns == 2
    mixed = doe.fit(gel, blocked, "pH", "linear", method="reml")
    assert list(mixed.variance_components.index) == ["block", "residual"]
    assert mixed.block_columns == 0
    assert "REML as asked." in str(mixed)
    assert "in 3 blocks" in mixed.heading


def test_blocks_planned_as_random_are_random(gel, gel_data):
    from dataclasses import replace

    blocked = gel_data.assign(block=np.resize(["a", "b", "c"], 15))
    plan = doe.designs.Plan.from_frame(gel, blocked.set_index("run").drop(columns=["viscosity", "pH"]))
    plain = doe.bench.Records.from_frame(gel_data, plan)
    random = replace(
        plain, plan=replace(plan, provenance={**plan.provenance, "arguments": {"block_effects": "random"}})
    )
    assert doe.fit(gel, plain, "pH", "linear").block_columns == 2
    fit = doe.fit(gel, random, "pH", "linear")
    assert list(fit.variance_components.index) == ["block", "residual"]
    assert "REML, since the plan was chosen for random blocks" in str(fit)
    assert doe.fit(gel, random, "pH", "linear", method="least squares").block_columns == 2


def test_settings_that_differ_by_rounding_alone_contradict_nothing():
    data = split_plot(1, 0.5)
    data["temperature"] = data["temperature"].astype(float)
    data.loc[2, "temperature"] += 1e-13
    assert doe.fit(bath(), data, "viscosity", "linear").method == "reml"


def test_whole_plots_labelled_anew_in_each_block_are_told_apart():
    data = split_plot(3, 0.5, plots=8)
    data["block"] = (data["whole_plot"] - 1) // 4
    again = data.assign(whole_plot=(data["whole_plot"] - 1) % 4)
    one, other = (doe.fit(bath(), d, "viscosity", "interaction") for d in (data, again))
    assert list(one.variance_components.index) == ["whole plot", "block", "residual"]
    pd.testing.assert_frame_equal(one.coefficients, other.coefficients)


def with_readings(seed):
    data = split_plot(seed, 0.5)
    rng = np.random.default_rng(seed)
    twice = data.loc[data.index.repeat(2)].copy()
    twice["viscosity"] += 0.1 * rng.standard_normal(len(twice))
    return twice


def test_repeat_readings_have_their_own_stratum_and_leave_effects_alone():
    data = with_readings(2)
    fit = doe.fit(bath(), data, "viscosity", "interaction")
    assert list(fit.variance_components.index) == ["whole plot", "batch", "residual"]
    pairs = data.groupby("run")["viscosity"].var()
    assert fit.variance_components["residual"] == pytest.approx(pairs.mean(), rel=1e-6)
    means = data.groupby("run").first().assign(viscosity=data.groupby("run")["viscosity"].mean()).reset_index()
    averaged = doe.fit(bath(), means, "viscosity", "interaction")
    columns = ["estimate", "std_error", "df"]
    np.testing.assert_allclose(fit.coefficients[columns], averaged.coefficients[columns], rtol=1e-5)
    assert fit.sigma == pytest.approx(averaged.sigma, rel=1e-6)
    assert fit.n == 24
    assert "Repeat readings have a variance of their own" in str(fit)


def test_readings_that_are_copies_are_averaged():
    data = split_plot(2, 0.5)
    fit = doe.fit(bath(), pd.concat([data, data]), "viscosity", "interaction")
    assert list(fit.variance_components.index) == ["whole plot", "residual"]


def test_records_give_their_readings():
    data = with_readings(2)
    plan = doe.designs.Plan.from_frame(bath(), data.groupby("run").first().drop(columns="viscosity"))
    table = data.assign(replicate=data.groupby("run").cumcount() + 1)
    records = doe.bench.Records.from_frame(table[["run", "replicate", "viscosity"]], plan)
    ours, theirs = (
        doe.fit(bath(), records, "viscosity", "interaction"),
        doe.fit(bath(), data, "viscosity", "interaction"),
    )
    np.testing.assert_allclose(ours.variance_components, theirs.variance_components, rtol=1e-6)


# ---- what it foretells


def test_predictions_of_means_and_new_batches_against_the_analysis_of_variance():
    """At the centre: variance MSb/n; of a new batch that plus (MSb − MSw)/4 + MSw, degrees of freedom by Satterthwaite (1946)."""
    data = split_plot(4, 0.6)
    fit = doe.fit(bath(), data, "viscosity", "interaction")
    between, within, df = mean_squares(data)
    centre = pd.DataFrame({"temperature": [30.0], "speed": [700.0]})
    mean, new = fit.predict(centre), fit.predict(centre, kind="new batch")
    assert mean["std_error"][0] == pytest.approx((between / 24) ** 0.5, rel=1e-6)
    a, b = between * (1 / 24 + 1 / 4), within * 3 / 4
    assert new["std_error"][0] == pytest.approx((a + b) ** 0.5, rel=1e-6)
    from scipy import stats

    nu = (a + b) ** 2 / (a**2 / df[0] + b**2 / df[1])
    half = stats.t.isf(0.025, nu) * (a + b) ** 0.5
    assert new["high"][0] - new["estimate"][0] == pytest.approx(half, rel=1e-5)
    assert "The new batch is in a new whole plot; degrees of freedom by Satterthwaite." in str(new)


def test_equation_foretells_what_predict_does():
    data = unbalanced(3, 0.5)
    fit = doe.fit(bath(), data, "viscosity", ["1", "temperature", "temperature^2", "speed"])
    e = fit.equation().set_index("term")["estimate"]
    t, s = 33.7, 512.3
    value = e["1"] + e["temperature"] * t + e["temperature^2"] * t**2 + e["speed"] * s
    there = fit.predict(pd.DataFrame({"temperature": [t], "speed": [s]}))["estimate"][0]
    assert value == pytest.approx(there, rel=1e-12)
    error = fit.equation().set_index("term")["std_error"]
    c = fit.coefficients.set_index("term")["std_error"]
    assert error["speed"] == pytest.approx(c["speed"] / 300, rel=1e-9)
    assert error["temperature^2"] == pytest.approx(c["temperature^2"] / 100, rel=1e-9)


# ---- how well, and checking


def test_press_leaves_out_whole_plots():
    """Against refits without each whole plot, the variances held: generalised least squares by hand."""
    data = unbalanced(5, 0.6)
    fit = doe.fit(bath(), data, "viscosity", ["1", "temperature", "speed"])
    w, r = fit.variance_components["whole plot"], fit.variance_components["residual"]
    X, y, plot = fit.X, fit.y, data["whole_plot"].to_numpy()
    V = r * np.eye(len(y)) + w * (plot[:, None] == plot[None, :])
    total = 0.0
    for p in set(plot):
        keep = plot != p
        W = np.linalg.inv(V[np.ix_(keep, keep)])
        beta = np.linalg.solve(X[keep].T @ W @ X[keep], X[keep].T @ W @ y[keep])
        total += ((y[~keep] - X[~keep] @ beta) ** 2).sum()
    assert fit.press == pytest.approx(total, rel=1e-6)
    assert fit.r2_predicted == pytest.approx(1 - total / ((y - y.mean()) ** 2).sum(), rel=1e-6)


def test_runs_are_judged_by_all_others():
    """Deletion of one batch at a time, the variances held: studentised residual and Cook's distance by hand."""
    data = unbalanced(5, 0.6)
    fit = doe.fit(bath(), data, "viscosity", ["1", "temperature", "speed"])
    w, r = fit.variance_components["whole plot"], fit.variance_components["residual"]
    X, y, plot = fit.X, fit.y, data["whole_plot"].to_numpy()
    V = r * np.eye(len(y)) + w * (plot[:, None] == plot[None, :])
    W = np.linalg.inv(V)
    information, beta = X.T @ W @ X, fit.beta
    table = fit.diagnostics()
    n, p = X.shape
    for i in (0, 7, 20):
        keep = np.arange(n) != i
        Wk = np.linalg.inv(V[np.ix_(keep, keep)])
        Mk = np.linalg.inv(X[keep].T @ Wk @ X[keep])
        bk = Mk @ X[keep].T @ Wk @ y[keep]
        reach = V[i, keep] @ Wk
        error = y[i] - X[i] @ bk - reach @ (y[keep] - X[keep] @ bk)
        x = X[i] - reach @ X[keep]
        s = error / np.sqrt(V[i, i] - reach @ V[keep, i] + x @ Mk @ x)
        assert table["studentised"][i] == pytest.approx(s * np.sqrt((n - p - 1) / (n - p - s**2)), rel=1e-6)
        d = beta - bk
        assert table["cooks_distance"][i] == pytest.approx(d @ information @ d / p, rel=1e-6)


@pytest.mark.parametrize("method", ["reml", "least squares"])
def test_simulated_residuals_are_t_distributed(method):
    """With the covariance known but for its size, t with n − p − 1 degrees of freedom; 4000 trials of 26 runs."""
    from scipy import stats

    fit = doe.fit(bath(), unbalanced(5, 0.6), "viscosity", ["1", "temperature", "speed"], method=method)
    t = fit.simulated_residuals(4000, seed=1)
    beyond = (np.abs(t) > stats.t.isf(0.025, fit.n - fit.model.p - 1)).mean()
    assert beyond == pytest.approx(0.05, abs=0.003)
    assert not np.array_equal(t, fit.simulated_residuals(4000, seed=2))
    assert np.isnan(t).sum() == 0


def test_contrasts_are_what_coefficients_and_predictions_say():
    fit = doe.fit(bath(), unbalanced(5, 0.6), "viscosity", ["1", "temperature", "speed"])
    own = fit.contrasts(np.eye(3))
    columns = list(own.columns)
    np.testing.assert_allclose(own, fit.coefficients[columns])
    ends = pd.DataFrame({"temperature": [20.0, 40.0], "speed": [700.0, 700.0]})
    low, high = fit.model.matrix(ends)
    both = fit.contrasts([high - low])
    np.testing.assert_allclose(both["estimate"], 2 * own["estimate"][1])
    np.testing.assert_allclose(both["df"], own["df"][1])
    with pytest.raises(StudyError, match=r"contrasts: shape of the weights is \(2, 2\) but must be \(rows, 3\)"):
        fit.contrasts(np.eye(2))


def test_readings_without_noise_within_whole_plots_are_said():
    data = split_plot(1, 0.5)
    said = "Within whole plots and blocks the model passes through every reading to the last digit"
    assert said not in str(doe.fit(bath(), data, "viscosity", "interaction"))
    data["viscosity"] = (
        10 - 0.1 * data["temperature"] + np.array([0.1, -0.2, 0.3, 0.1, -0.1, 0.2])[data["whole_plot"] - 1]
    )
    assert said in str(doe.fit(bath(), data, "viscosity", "interaction"))


def test_an_outlying_batch_is_flagged():
    data = split_plot(6, 0.3)
    data.loc[9, "viscosity"] += 4.0
    table = doe.fit(bath(), data, "viscosity", "linear").diagnostics()
    assert table.loc[table["flags"].str.contains("outlier"), "run"].tolist() == [10]


def test_lack_of_fit_sees_a_missing_curve():
    data = split_plot(8, 0.3, plots=9, levels=(20, 30, 40))
    bent = data.assign(viscosity=data["viscosity"] + 0.05 * (data["temperature"] - 30) ** 2)
    straight, curved = (doe.fit(bath(), d, "viscosity", "linear") for d in (data, bent))
    p = [f.anova.set_index("source").loc["lack of fit", "p"] for f in (straight, curved)]
    assert p[0] > 0.05 > p[1]
    assert "Lack of fit (p" in str(curved)
    assert "Lack of fit (p" not in str(straight)


def test_lack_of_fit_within_whole_plots_where_none_was_repeated():
    """An exact F against pure error within whole plots; Z after the whole plots, Draper & Smith (1998), chapter 2."""
    data = split_plot(8, 0.3, plots=5, levels=(20, 25, 30, 35, 40))
    fit = doe.fit(bath(), data, "viscosity", "linear")
    y, plot = data["viscosity"], data["whole_plot"]
    cell = y.groupby([plot, data["speed"]]).transform("mean")
    pure = ((y - cell) ** 2).sum()
    step = y.groupby([plot, data["speed"]]).mean().unstack()
    slopes = step[1000] - step[400]
    lack = ((slopes - slopes.mean()) ** 2).sum()  # two batches each: (2 · slope² / 2)
    row = fit.anova.set_index("source").loc["lack of fit"]
    assert row["F"] == pytest.approx((lack / 4) / (pure / 10), rel=1e-9)
    assert (row["df"], row["den_df"]) == (4, 10)
    assert "within whole plots alone" in str(fit)


def test_reduction_by_the_full_likelihood_and_by_p():
    data = unbalanced(11, 0.5)
    full = doe.fit(bath(), data, "viscosity", ["1", "temperature", "speed", "temperature:speed", "temperature^2"])
    small = full.reduced()
    assert isinstance(small, MixedFit)
    candidates = [
        ["1", *(["temperature"] if t else []), *(["speed"] if s else []), *extra]
        for t in (0, 1)
        for s in (0, 1)
        for extra in ([], *([["temperature^2"]] if t else []), *([["temperature:speed"]] if t and s else []))
    ] + [list(full.model.terms)]
    values = [doe.fit(bath(), data, "viscosity", c).aicc for c in candidates]
    assert small.aicc == pytest.approx(min(values), abs=1e-9)
    assert "no longer mean what they say" in str(small)
    kept = full.reduced("p")
    assert kept.model.terms == ("1", "temperature", "speed")
    p = full.anova.set_index("source")["p"]
    first = max(["temperature:speed", "temperature^2"], key=lambda t: p[t])
    assert kept.choice.steps["dropped"].iloc[0] == first
    assert (kept.anova.set_index("source")["p"].drop("lack of fit") < 0.05).all()


def test_criteria_are_those_of_the_full_likelihood():
    """statsmodels' MixedLM by maximum likelihood, variances counted as parameters (Hurvich & Tsai 1989 for the correction)."""
    import warnings

    import statsmodels.api as sm

    data = unbalanced(5, 0.6)
    fit = doe.fit(bath(), data, "viscosity", ["1", "temperature", "speed"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = sm.MixedLM(fit.y, fit.X, groups=data["whole_plot"]).fit(reml=False)
    n, k = len(data), 5
    assert fit.aicc == pytest.approx(-2 * theirs.llf + 2 * k + 2 * k * (k + 1) / (n - k - 1), abs=1e-5)
    assert fit.bic == pytest.approx(-2 * theirs.llf + k * np.log(n), abs=1e-5)


@pytest.mark.slow
def test_power_of_the_response():
    """Where the whole plots differ by nothing it is the least-squares profile; data are exponentials of linear ones, so λ = 0 is true."""
    data = split_plot(2, 0.0, plots=8)
    data["viscosity"] = np.exp(data["viscosity"] / 2)
    ours = doe.fit(bath(), data, "viscosity", "interaction").transform_profile()
    plain = doe.fit(bath(), data, "viscosity", "interaction", method="least squares").transform_profile()
    assert (ours.low, ours.high) == pytest.approx((plain.low, plain.high), abs=1e-6)
    apart = split_plot(3, 0.5, plots=8)
    apart["viscosity"] = np.exp(apart["viscosity"] / 2)
    ours = doe.fit(bath(), apart, "viscosity", "interaction").transform_profile()
    plain = doe.fit(bath(), apart, "viscosity", "interaction", method="least squares").transform_profile()
    assert ours.low < 0 < ours.high
    assert ours.high - ours.low < 0.95 * (plain.high - plain.low)


def test_a_log_response_is_carried_back():
    data = split_plot(4, 0.3)
    fit = doe.fit(bath(transform="log"), data, "viscosity", "linear")
    new = fit.predict(data.head(1), kind="new batch")
    assert new["low"][0] > 0
    assert "read as a coefficient of variation" in str(fit)


def test_there_is_no_statsmodels_result_behind_it():
    fit = doe.fit(bath(), split_plot(4, 0.3), "viscosity", "linear")
    with pytest.raises(StudyError, match="this REML is the library's own"):
        _ = fit.statsmodels


def test_lack_of_fit_of_many_settings_in_few_whole_plots_has_a_p():
    """Twelve contrasts on six whole plots, 200 trials without any lack of fit: degrees of freedom above 0, and 5 % cry out, to three errors."""
    rng = np.random.default_rng(1)
    study = doe.Study(
        "g",
        [doe.Continuous("T", 40, 80, "°C", hard_to_change=True), doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1)],
        [doe.Response("y")],
    )
    sizes, levels = [2, 3, 4, 5, 3, 4], [40, 80, 40, 80, 60, 60]
    frame = pd.DataFrame(
        [
            (w, T, rng.choice([0, 0.5, 1]), rng.choice([0, 0.5, 1]))
            for w, (size, T) in enumerate(zip(sizes, levels, strict=True))
            for _ in range(size)
        ],
        columns=["whole_plot", "T", "a", "b"],
    )
    found = []
    for _ in range(200):
        y = 5 + frame["a"] + rng.normal(size=6)[frame["whole_plot"]] + rng.normal(size=len(frame))
        fit = doe.fit(study, frame.assign(y=y), "y", "linear")
        row = fit.anova.set_index("source").loc["lack of fit"]
        assert row["den_df"] > 0
        found.append(row["p"])
    assert not np.isnan(found).any()
    assert np.mean(np.array(found) < 0.05) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 200)
