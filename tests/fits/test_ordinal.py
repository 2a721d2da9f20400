"""Fits of scores on invented gels: what they say, where they are separated or few, and every sentence."""

import pickle

import numpy as np
import pandas as pd
import pytest
from scipy import special, stats

import doe
from doe import StudyError
from doe.fits import proportional_odds as odds
from doe.fits.ordinal import OrdinalFit


def jar(**stability):
    return doe.Study(
        "jar",
        [doe.Continuous("gum", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm")],
        [doe.Response("stability", **({"scale": (1, 5)} | stability))],
    )


def runs(copies=3):
    rows = [(g, s) for g in (0.2, 0.6) for s in (400.0, 1000.0)] * copies
    return pd.DataFrame(rows, columns=["gum", "speed"]).assign(run=range(1, 4 * copies + 1))


def overlapping():
    return runs(4).assign(stability=[1, 2, 4, 5, 2, 1, 4, 4, 2, 2, 3, 5, 3, 1, 5, 4])


def apart():
    """Twelve runs parted by the gum alone, score 3 never given."""
    return runs().assign(stability=[1, 2, 5, 5, 2, 1, 4, 5, 1, 1, 5, 4])


@pytest.fixture(scope="module")
def fit():
    return doe.fit(jar(), overlapping(), "stability", "linear")


def sentence(call):
    with pytest.raises(StudyError) as caught:
        call()
    return str(caught.value)


CORNERS = pd.DataFrame({"gum": [0.2, 0.4, 0.6], "speed": [400.0, 700.0, 1000.0]})


# ---- what it says


def test_scores_are_fitted_by_proportional_odds_of_themselves(fit):
    assert isinstance(fit, OrdinalFit)
    assert fit.method == "ordinal"
    assert fit.why == "Proportional odds, since stability is scored from 1 to 5."
    assert list(fit.coefficients.columns) == ["term", "estimate", "std_error", "low", "high", "above_zero"]
    assert fit.coefficients["term"].tolist() == ["gum", "speed"]
    assert fit.cut_points["between"].tolist() == ["1|2", "2|3", "3|4", "4|5"]
    gum = fit.coefficients.set_index("term").loc["gum"]
    assert 0.0 < gum["low"] < gum["estimate"] < gum["high"]
    assert gum["above_zero"] > 0.99


def test_with_much_data_the_posterior_is_where_the_likelihood_is():
    """480 scores: mean and SD within a few hundredths of the unpenalised fit's estimate and error."""
    rng = np.random.default_rng(4)
    data = runs(120)
    X = np.column_stack([(data["gum"] - 0.4) / 0.2, (data["speed"] - 700) / 300])
    u = X @ [1.2, -0.5] + rng.logistic(size=len(X))
    data["stability"] = 1 + (u[:, None] > [-2, -0.5, 0.5, 2]).sum(axis=1)
    fit = doe.fit(jar(), data, "stability", "linear")
    free = odds.solve(X, data["stability"].to_numpy() - 1, 5)
    error = np.sqrt(np.diag(np.linalg.inv(free.own_information[0])))
    np.testing.assert_allclose(fit.coefficients["estimate"], free.slopes[0], atol=0.03)
    np.testing.assert_allclose(fit.coefficients["std_error"], error[4:], rtol=0.06)
    np.testing.assert_allclose(fit.cut_points["estimate"], free.cuts[0], atol=0.03)
    # the penalised test is the likelihood ratio once data outweigh the prior
    held = odds.solve(X[:, :1], data["stability"].to_numpy() - 1, 5)
    ratio = 2 * (free.log_likelihood[0] - held.log_likelihood[0])
    assert fit.anova.set_index("source").loc["speed", "chi2"] == pytest.approx(ratio, rel=0.05)


def test_separated_scores_give_finite_answers_and_say_so():
    fit = doe.fit(jar(), apart(), "stability", "linear")
    assert fit.separated
    assert np.isfinite(fit.coefficients[["estimate", "low", "high"]].to_numpy()).all()
    c = fit.chance(CORNERS, 4)
    assert 0.0 < c["low"].iloc[0] < c["estimate"].iloc[0] < 0.3
    assert 0.7 < c["estimate"].iloc[2] < c["high"].iloc[2] < 1.0
    wary = fit.cautions()
    assert (
        "The scores are separated: some combination of settings parts them without overlap, so the readings alone set no upper bound on the "
        "slopes; how steep they are rests on the prior."
    ) in wary
    assert "No batch scored 3: its chance rests on the prior and on the scores beside." in wary


def test_overlapping_scores_say_nothing_of_separation(fit):
    assert not fit.separated
    assert fit.cautions() == []


def test_a_factor_that_was_hardly_varied_is_left_to_the_prior():
    data = apart()
    data["speed"] = 700 + np.tile([-3.0, 3.0], 6)
    fit = doe.fit(jar(), data, "stability", "linear")
    assert "These scores say hardly anything of speed: the intervals are mostly the prior's." in fit.cautions()
    assert fit.coefficients.set_index("term").loc["speed", "std_error"] == pytest.approx(2.5, rel=0.06)


def test_chances_add_up_and_are_those_of_the_draws(fit):
    p = fit.predict(CORNERS)
    chances = p[[f"P({s})" for s in range(1, 6)]]
    np.testing.assert_allclose(chances.sum(axis=1), 1.0)
    np.testing.assert_allclose(p["estimate"], chances.to_numpy() @ np.arange(1, 6))
    np.testing.assert_allclose(fit.chance(CORNERS, 4)["estimate"], chances[["P(4)", "P(5)"]].sum(axis=1))
    np.testing.assert_allclose(fit.chance(CORNERS, 1)["estimate"], 1.0)
    draws = fit.draws(20_000, 9)
    X = fit.model.matrix(CORNERS)
    own = special.expit(draws.beta @ X.T - draws.cuts[:, 2:3])
    # 20,000 and 4,000 draws: three Monte-Carlo errors are below 0.01
    np.testing.assert_allclose(own.mean(axis=0), fit.chance(CORNERS, 4)["estimate"], atol=0.01)
    # a normal posterior's quantile as far out as that of Student's t with as many degrees of freedom as batches beyond the slopes
    slopes = len(fit.coefficients)
    tail = stats.norm.sf(stats.t.ppf(0.95, fit.n - slopes))
    np.testing.assert_allclose(np.quantile(own, tail, axis=0), fit.chance(CORNERS, 4, interval=0.9)["low"], atol=0.02)


def test_draws_follow_their_seed(fit):
    np.testing.assert_array_equal(fit.draws(50, 1).beta, fit.draws(50, 1).beta)
    assert (fit.draws(50, 1).beta != fit.draws(50, 2).beta).any()
    assert fit.draws(50, 1).cuts.shape == (50, 4)
    assert not fit.draws(50, 1).spread.any()


def test_a_new_batchs_score_lies_between_scores(fit):
    p = fit.predict(CORNERS, kind="new batch")
    assert set(p["low"]) | set(p["high"]) <= {1.0, 2.0, 3.0, 4.0, 5.0}
    for _, row in p.iterrows():
        below = sum(row[f"P({s})"] for s in range(1, 6) if s < row["low"])
        above = sum(row[f"P({s})"] for s in range(1, 6) if s > row["high"])
        assert below <= 0.025
        assert above <= 0.025
    narrow = fit.predict(CORNERS, interval=0.5, kind="new batch")
    assert (narrow["high"] - narrow["low"]).sum() < (p["high"] - p["low"]).sum()


def test_every_level_of_a_factor_has_the_same_prior_whatever_the_order():
    scores = [1, 2, 3, 2, 4, 5, 3, 3, 2, 4, 1, 5]
    found = []
    for order in (["A", "B", "C"], ["C", "A", "B"]):
        study = doe.Study("base", [doe.Categorical("base", order)], [doe.Response("s", scale=(1, 5))])
        data = pd.DataFrame({"base": ["A", "B", "C"] * 4, "s": scores})
        found.append(doe.fit(study, data, "s", "linear"))
        at = pd.DataFrame({"base": ["A", "B", "C"]})
    a, b = (f.chance(at, 4)["estimate"] for f in found)
    np.testing.assert_allclose(a, b, atol=0.02)  # Monte-Carlo error of two sets of 4,000 draws
    assert found[0].posterior.objective == pytest.approx(found[1].posterior.objective + 0.0, abs=1e-8)


def test_a_mixtures_blends_are_relative_to_their_average():
    study = doe.Study(
        "blend",
        [doe.Component("gum", 0, 60), doe.Component("oil", 0, 60), doe.Component("water", 40, 100)],
        [doe.Response("s", scale=(1, 4))],
    )
    data = pd.DataFrame({"gum": [0, 60, 0, 30, 30, 0, 20, 60, 0, 20.0], "oil": [0, 0, 60, 30, 0, 30, 20, 0, 60, 20.0]})
    data["water"] = 100 - data["gum"] - data["oil"]
    data["s"] = [1, 4, 2, 4, 3, 1, 2, 4, 1, 3]
    fit = doe.fit(study, data, "s", "linear")
    assert fit.coefficients["estimate"].sum() == pytest.approx(0.0, abs=1e-9)
    assert fit.anova["source"].tolist() == ["linear blending"]
    assert fit.anova["df"].tolist() == [2]
    c = fit.chance(data, 3)
    assert c["estimate"].iloc[1] > 0.7 > 0.3 > c["estimate"].iloc[0]
    traces = fit.traces()
    gum = traces.table[traces.table["component"] == "gum"]
    own = fit.predict(gum[["gum", "oil", "water"]])
    np.testing.assert_allclose(gum[["estimate", "low", "high"]], own[["estimate", "low", "high"]], rtol=1e-12)
    assert gum["estimate"].is_monotonic_increasing
    # the whole trace, on the logit scale: what the odds of scoring above s change by, from the draws themselves
    draws = fit.draws(4000, 0)
    ends = fit.model.matrix(study.frame(gum.iloc[[0, -1]][["gum", "oil", "water"]], "ends"))
    change = draws.beta @ (ends[1] - ends[0])
    e = traces.effects.set_index("component").loc["gum"]
    assert e["estimate"] == pytest.approx(change.mean(), rel=0.1)
    assert e["std_error"] == pytest.approx(change.std(), rel=0.1)
    assert "The change is on the scale of the logit of a higher score." in str(traces)
    assert "in the logit of a higher score (95 %" in doe.plots.words(doe.plots.traces(fit))


def test_blocks_take_what_lies_between_days(fit):
    data = overlapping().assign(block=np.repeat([1, 2], 8))
    data.loc[data["block"] == 2, "stability"] = np.minimum(data["stability"] + 1, 5)
    with_blocks = doe.fit(jar(), data, "stability", "linear")
    assert with_blocks.anova["source"].tolist() == ["gum", "speed", "blocks", "model"]
    assert "in 2 blocks" in with_blocks.heading
    assert "At the average block; what a new block adds is not included." in with_blocks.chance(CORNERS, 4).note


# ---- repeated scores and whole plots


def test_scores_of_one_batch_share_an_intercept_and_are_not_averaged():
    data = pd.concat([overlapping()] * 3, ignore_index=True)
    fit = doe.fit(jar(), data, "stability", "linear")
    made_anew = doe.fit(jar(), data.assign(run=range(1, 49)), "stability", "linear")
    assert fit.n == 16
    assert len(fit.readings) == 48
    assert list(fit.variance_components.index) == ["batch"]
    # three jars of a batch tell less than three batches
    gum = [f.coefficients.set_index("term").loc["gum"] for f in (made_anew, fit)]
    assert gum[0]["std_error"] / gum[0]["estimate"] < gum[1]["std_error"] / gum[1]["estimate"]
    assert fit.draws(10, 0).spread.min() > 0
    assert (
        "Each score is a reading of its own; scores of one batch share an intercept. Intercepts of batches are normal on the logit scale, "
        "their SD half-normal with scale 1 before the trial."
    ) in fit._remarks()
    assert not any("averaged" in line for line in fit._remarks())


def hard_study():
    return doe.Study(
        "bath",
        [doe.Continuous("gum", 0.2, 0.6, "%", hard_to_change=True), doe.Continuous("speed", 400, 1000, "rpm")],
        [doe.Response("stability", scale=(1, 5))],
    )


def test_whole_plots_share_an_intercept():
    data = overlapping().sort_values(["gum", "run"], ignore_index=True).assign(whole_plot=np.repeat([1, 2, 3, 4], 4))
    fit = doe.fit(hard_study(), data, "stability", "linear")
    assert fit.why == (
        "Proportional odds, since stability is scored from 1 to 5; batches of one whole plot share an intercept of their own."
    )
    assert list(fit.variance_components.index) == ["whole plot"]
    treated = doe.fit(hard_study(), data.drop(columns="whole_plot"), "stability", "linear", method="ordinal")
    wide, narrow = (f.coefficients.set_index("term").loc["gum", "std_error"] for f in (fit, treated))
    assert wide > narrow
    assert treated.why == (
        "Proportional odds as asked, though gum is hard to change: unless every batch was set up anew, whole-plot effects look surer than they are."
    )


# ---- checking and changing


def test_an_unlikely_score_is_flagged():
    data = pd.concat([apart()] * 3, ignore_index=True).assign(run=range(1, 37))
    data.loc[3, "stability"] = 1
    fit = doe.fit(jar(), data, "stability", "linear")
    table = fit.diagnostics()
    assert table.loc[table["flags"] == "unlikely", "run"].tolist() == [4]
    assert "less than 1 %; among 36 scores chance alone makes up to 0.7 of them." in table.note
    assert any(
        line.startswith("Run 4 scored 1 where the other batches foretell 4.")
        and line.endswith(": look it up in the notebook before deciding.")
        for line in fit.cautions()
    )


def test_what_the_others_foretell_is_what_a_fit_without_the_run_says(fit):
    table = fit.diagnostics()
    row = fit.batches.settings.iloc[[4]]
    without = doe.fit(jar(), overlapping(), "stability", "linear", without={5: "to compare"})
    # weighted draws against draws of another posterior: Monte-Carlo error about 0.02
    assert table["foretold"].iloc[4] == pytest.approx(without.predict(row)["estimate"].iloc[0], abs=0.06)


def test_surrogate_residuals_are_standard_normal_where_the_model_is_true():
    rng = np.random.default_rng(8)
    data = runs(60)
    u = 2 * (data["gum"] - 0.4) / 0.2 + rng.logistic(size=len(data))
    data["stability"] = 1 + (u.to_numpy()[:, None] > [-2, -0.5, 0.5, 2]).sum(axis=1)
    fit = doe.fit(jar(), data, "stability", "linear")
    r = fit.surrogate_residuals(40, 3)
    assert r.shape == (40, 240)
    # 240 scores: the mean over readings within three standard errors
    assert abs(r.mean()) < 3 / np.sqrt(240)
    assert r.std() == pytest.approx(1.0, abs=3 / np.sqrt(480))
    assert abs(np.corrcoef(r.mean(axis=0), data["gum"])[0, 1]) < 3 / np.sqrt(240)


def test_reduced_keeps_the_driver(fit):
    for by in ("aicc", "bic", "p"):
        smaller = fit.reduced(by=by)
        assert smaller.model.terms == ("1", "gum")
        assert isinstance(smaller, OrdinalFit)
    assert smaller.aicc < fit.aicc
    assert "The terms were chosen from these same readings" in str(fit.reduced())


def test_fewer_effective_parameters_than_parameters(fit):
    assert 2.0 < fit.posterior.effective_parameters < 6.0
    # both estimate the same expected deviance; they part by a few units at 16 runs
    assert fit.waic == pytest.approx(fit.aicc, abs=8.0)


def test_it_prints_itself_and_its_prior(fit):
    text = str(fit)
    assert text.startswith("stability, linear in 2 factors, proportional odds; 16 runs, 16 scores from 1 to 5")
    assert (
        "Prior: slopes normal with mean 0 and SD 2.5 per coded unit on the logit scale; at the average of the runs every division of the "
        "chances among the scores alike. Intervals are quantiles of the posterior, the further out the fewer the batches."
    ) in text
    assert "Nothing says that the slopes differ from score to score (p = " in text
    assert "<table" in fit._repr_html_()


def test_two_scores_leave_no_proportionality_to_ask_for():
    data = overlapping().assign(stability=lambda d: np.where(d["stability"] > 2, 4, 2))
    fit = doe.fit(jar(), data, "stability", ["gum"])
    assert fit.proportionality is None
    assert fit.proportionality_words() == (
        "Only two scores were given: whether slopes are the same at every score cannot be asked."
    )


def test_a_model_without_slopes():
    fit = doe.fit(jar(), overlapping(), "stability", ["1"])
    assert fit.coefficients.empty
    assert fit.anova.empty
    assert fit.proportionality_words() == "The model has no slopes."
    assert "Empty DataFrame" not in str(fit)
    assert fit.chance(CORNERS, 4)["estimate"].nunique() == 1


def test_stands_beside_measured_responses():
    study = doe.Study(
        "both",
        [doe.Continuous("gum", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm")],
        [doe.Response("pH"), doe.Response("stability", scale=(1, 5))],
    )
    data = overlapping().assign(pH=np.linspace(5, 6, 16) + 0.01 * np.random.default_rng(0).normal(size=16))
    text = str(doe.fit_all(study, data, "linear"))
    assert "as scores" in text


def test_survives_pickling(fit):
    again = pickle.loads(pickle.dumps(fit))
    pd.testing.assert_frame_equal(again.coefficients, fit.coefficients)


# ---- what it refuses


@pytest.mark.parametrize(
    ("score", "found"), [(6, "6.0"), (2.5, "2.5"), (0, "0.0")], ids=["beyond the scale", "not whole", "below"]
)
def test_a_score_that_is_none(score, found):
    data = overlapping().astype({"stability": float})
    data.loc[2, "stability"] = score
    assert sentence(lambda: doe.fit(jar(), data, "stability", "linear")) == (
        f"response 'stability', run 3: score is {found} but must be a whole score from 1 to 5: correct the score, or leave the run out "
        "with its reason."
    )


def test_a_censored_score():
    data = overlapping().astype({"stability": object})
    data.loc[0, "stability"] = "<3"
    assert sentence(lambda: doe.fit(jar(), data, "stability", "linear")) == (
        "response 'stability', run 1: score is '<3' but must be a whole score from 1 to 5: correct the score, or leave the run out with its "
        "reason."
    )


def test_one_score_throughout():
    assert sentence(lambda: doe.fit(jar(), overlapping().assign(stability=4), "stability", "linear")) == (
        "response 'stability': score is 4 but must be different between runs, yet all are the same: there is nothing to explain: check that the "
        "scores were entered run by run."
    )


def test_terms_that_the_runs_cannot_tell_apart():
    assert sentence(lambda: doe.fit(jar(), overlapping(), "stability", "quadratic")).startswith(
        "model for 'stability': terms is 'gum^2 with 1; speed^2 with 1' but must be such that these 16 batches tell them apart"
    )


def test_ordinal_is_for_scores():
    study = jar(scale=None)
    assert sentence(lambda: doe.fit(study, overlapping(), "stability", "linear", method="ordinal")) == (
        "method is 'ordinal' but must be asked of scores, and 'stability' has no scale: describe it with doe.Response('stability', "
        "scale=(1, 5)) if it is scored."
    )
    assert sentence(lambda: doe.fit(jar(), overlapping(), "stability", "linear", method="censored")) == (
        "method is 'censored' but must be asked of measured readings, and 'stability' is scored: leave it out to have it picked."
    )


def test_scores_by_least_squares_as_asked():
    fit = doe.fit(jar(), overlapping(), "stability", "linear", method="least squares")
    assert not isinstance(fit, OrdinalFit)
    assert fit.why == (
        "Least squares as asked, though stability is scored from 1 to 5: this takes the steps between scores for equal and may foretell "
        "scores beyond the scale."
    )


def test_a_hard_to_change_factor_without_whole_plots():
    assert sentence(lambda: doe.fit(hard_study(), overlapping(), "stability", "linear")) == (
        'method is None but must be "ordinal", in so many words, where a factor is hard to change (gum) and the data have no column '
        "'whole_plot': add the column, or write method=\"ordinal\" to treat every batch as set up anew."
    )


@pytest.mark.parametrize("at_least", [0, 6, 3.5, True, "4"])
def test_a_score_to_reach_that_is_none(fit, at_least):
    assert sentence(lambda: fit.chance(CORNERS, at_least)) == (
        f"at_least is {at_least!r} but must be a whole score from 1 to 5: write the score to be reached, 5 say."
    )


def test_other_arguments(fit):
    assert sentence(lambda: fit.chance(CORNERS, 4, interval=95)) == (
        "interval is 95 but must be between 0 and 1: write 0.95 for 95 %."
    )
    assert sentence(lambda: fit.predict(CORNERS, kind="median")) == (
        'kind is \'median\' but must be "mean" or "new batch": say which of the two the interval is for.'
    )
    assert sentence(lambda: fit.draws(0, 1)) == "draws is 0 but must be a whole number, at least 1: write 4000."
    assert sentence(lambda: fit.contrasts([[1.0]])) == (
        "contrasts: shape of the weights is (1, 1) but must be (rows, 3): give every row one weight for each of 1, gum, speed."
    )


@pytest.mark.parametrize(
    ("what", "call", "instead"),
    [
        (
            "equation",
            lambda f: f.equation(),
            "see coefficients and cut_points for the logit, and chance() for what it means at a setting",
        ),
        ("transform_profile", lambda f: f.transform_profile(), "scores are fitted as such: leave it"),
        (
            "statsmodels",
            lambda f: f.statsmodels,
            "statsmodels.miscmodels.ordinal_model fits the same model without a prior",
        ),
    ],
)
def test_what_only_a_measured_response_has(fit, what, call, instead):
    assert sentence(lambda: call(fit)) == (
        f"{what} is 'asked of an ordinal fit' but must be asked of a fit of a measured response: {instead}."
    )


def test_drivers_are_ranked_on_the_logit_scale_by_the_posterior(fit):
    found = fit.drivers(draws=2000, seed=1)
    table = found.table.set_index("factor")
    beta, covariance = fit.beta[1:], fit.covariance[1:, 1:]
    # both slopes per coded unit of a uniform factor: variances β²/3, the posterior's own variance taken off
    parts = np.maximum(beta**2 - np.diag(covariance), 0.0)
    np.testing.assert_allclose(table.loc[["gum", "speed"], "share"], parts / parts.sum(), atol=1e-6)
    assert (table["low"] <= table["share"]).all()
    assert (table["share"] <= table["high"]).all()
    assert table.loc["gum", "verdict"] == "shown to matter"
    assert table.loc["speed", "verdict"] == "not shown to matter"
    assert "of the fitted logit over the region" in str(found)
    assert "The prior pulls steep slopes in." in str(found)
    effects = found.effects
    np.testing.assert_allclose(effects.loc[effects["factor"] == "gum", "estimate"], 2 * beta[0])
    assert not effects[["low", "high"]].isna().any().any()


@pytest.mark.slow
@pytest.mark.parametrize(("replicates", "centre"), [(1, 4), (3, 0)])
def test_idle_terms_among_many_are_called_no_more_often_than_claimed(replicates, centre):
    """300 trials of 12 or 24 runs, three factors, one of which moves the score; five idle terms of an interaction model, at 5 %."""
    study = doe.Study("jar", [doe.Continuous(c, 0, 1) for c in "abc"], [doe.Response("stability", scale=(1, 5))])
    runs = doe.designs.full_factorial(study, replicates=replicates, centre=centre).runs
    rng = np.random.default_rng(21)
    called = []
    for _ in range(300):
        latent = 2.0 * (2 * runs["a"] - 1) + rng.logistic(size=len(runs))
        scores = np.searchsorted([-2.5, -1, 1, 2.5], latent) + 1
        fit = doe.fit(study, runs.assign(stability=scores), "stability", "interaction")
        called.append(fit.anova.set_index("source")["p"][["b", "c", "a:b", "a:c", "b:c"]] < 0.05)
    # terms of one trial are not independent: three errors of 300
    assert np.mean(called) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 300)


def in_whole_plots():
    study = doe.Study(
        "jar",
        [doe.Continuous("heat", 40, 80, "°C", hard_to_change=True), doe.Continuous("gum", 0.2, 0.6, "%")],
        [doe.Response("stability", scale=(1, 5))],
    )
    runs = pd.DataFrame(
        [(w, t, g) for w, t in enumerate([40.0, 80.0] * 3) for g in (0.2, 0.4, 0.6, 0.4)],
        columns=["whole_plot", "heat", "gum"],
    )
    return study, runs


def test_what_changes_only_between_whole_plots_is_judged_by_those_left():
    study, runs = in_whole_plots()
    fit = doe.fit(study, runs.assign(stability=np.resize([1, 3, 4, 2, 2, 4, 5, 3, 3], 24)), "stability", "linear")
    rows = fit.anova.set_index("source")
    assert rows.loc["heat", "p"] == pytest.approx(stats.f.sf(rows.loc["heat", "chi2"], 1, 4))
    assert rows.loc["gum", "p"] == pytest.approx(stats.f.sf(rows.loc["gum", "chi2"], 1, 22))
    assert "against F with 22 denominator df (between whole plots 4); approximate." in str(fit)
    assert any(c.startswith("heat changes only between whole plots, of which 4 are left") for c in fit.cautions())


@pytest.mark.slow
def test_an_idle_factor_between_whole_plots_is_called_no_more_often_than_claimed():
    """150 trials of six whole plots that differ by an SD of 2 on the logit scale; 5 % for the test, 1 in 40 for the drivers, three errors."""
    study, runs = in_whole_plots()
    rng = np.random.default_rng(3)
    called = []
    for _ in range(150):
        latent = rng.normal(0, 2.0, 6)[runs["whole_plot"]] + 1.5 * (runs["gum"] - 0.4) / 0.2 + rng.logistic(size=24)
        scores = np.searchsorted([-2.5, -1, 1, 2.5], latent) + 1
        fit = doe.fit(study, runs.assign(stability=scores), "stability", "linear")
        drivers = fit.drivers(draws=1000).table.set_index("factor")
        called.append((fit.anova.set_index("source").loc["heat", "p"] < 0.05, drivers.loc["heat", "low"] > 0))
    test, driver = np.mean(called, axis=0)
    assert test < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 150)
    assert driver < 0.025 + 3 * np.sqrt(0.025 * 0.975 / 150)


def test_a_selection_is_said_wherever_there_are_intervals(fit):
    chosen = fit.reduced()
    warned = "The terms were chosen from these same readings"
    assert any(warned in c for c in chosen.cautions())
    assert warned in chosen.chance(CORNERS, at_least=4).note
    assert warned in chosen.predict(CORNERS).note
    assert not any(warned in c for c in fit.cautions())


def test_terms_are_judged_by_f_on_the_batches_left(fit):
    row = fit.anova.set_index("source").loc["speed"]
    assert row["p"] == pytest.approx(stats.f.sf(row["chi2"], 1, fit.n - 2))
    assert f"against F with {fit.n - 2} denominator df" in str(fit)


def test_scores_apart_still_have_drivers():
    table = doe.fit(jar(), apart(), "stability", "linear").drivers().table
    assert table["factor"].tolist() == ["gum", "speed"]
    assert table.loc[0, "low"] > 0.1
    assert np.isfinite(table[["share", "low", "high"]].to_numpy()).all()


@pytest.mark.slow
@pytest.mark.parametrize("slopes", [(0.0, 0.0), (1.0, 0.5), (3.5, 1.5)])
def test_drivers_of_scores_in_simulated_trials(slopes):
    """A factor that does nothing is shown in no more than 1 of 40 trials, and intervals hold the true share; 250 trials."""
    study = doe.Study(
        "jar",
        [doe.Continuous("gum", 0.2, 0.6), doe.Continuous("speed", 400, 1000), doe.Continuous("minutes", 2, 10)],
        [doe.Response("stability", scale=(1, 5))],
    )
    runs = doe.designs.box_behnken(study, centre=3).runs
    logit = slopes[0] * (runs["gum"] - 0.4) / 0.2 - slopes[1] * (runs["speed"] - 700) / 300
    false, held = 0, []
    for trial in range(250):
        latent = logit + np.random.default_rng([trial, 7]).logistic(size=len(runs))
        scores = np.digitize(latent, [-2.2, -0.8, 0.8, 2.2]) + 1
        fit = doe.fit(study, runs.assign(stability=scores), "stability", "linear")
        table = fit.drivers(draws=1000).table.set_index("factor")
        false += table.loc["minutes", "low"] > 0
        if any(slopes):
            true = np.square(slopes) / np.square(slopes).sum()
            ends = table.loc[["gum", "speed"]]
            held.append((ends["low"] <= true) & (true <= ends["high"]))
    assert false / 250 <= 0.025 + 2 * np.sqrt(0.025 * 0.975 / 250)
    if held:
        assert np.mean(held, axis=0).min() >= 0.95 - 2 * np.sqrt(0.05 * 0.95 / 250)


def test_figures_of_least_squares_are_nan(fit):
    assert np.isnan([fit.sigma, fit.r2, fit.r2_adjusted, fit.r2_predicted, fit.press]).all()
    assert np.isnan(fit.solution.residuals).all()
