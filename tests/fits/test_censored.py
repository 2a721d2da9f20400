"""Fits of invented gels some of whose readings are known only by bounds: against least squares, plain optimisation, and every sentence."""

import pickle

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, special

import doe
from doe import StudyError
from doe.fits import censoring
from doe.fits.censored import CensoredFit


def gel(**viscosity):
    return doe.Study(
        "gel",
        [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm")],
        [doe.Response("viscosity", "mPa·s", **viscosity)],
    )


def trial(seed=1, sigma=0.2):
    """A 3 × 3 factorial twice over, log-normal."""
    rng = np.random.default_rng(seed)
    rows = [(p, s) for p in (0.2, 0.4, 0.6) for s in (400.0, 700.0, 1000.0)] * 2
    data = pd.DataFrame(rows, columns=["polymer", "speed"]).assign(run=range(1, 19))
    p, s = (data["polymer"] - 0.4) / 0.2, (data["speed"] - 700) / 300
    data["viscosity"] = np.round(np.exp(9.5 + 0.8 * p - 0.2 * s + 0.15 * p * s + sigma * rng.normal(size=18)), -1)
    return data


def capped(data, limit, word=">"):
    beyond = data["viscosity"] > limit if word == ">" else data["viscosity"] < limit
    cells = data["viscosity"].astype(object)
    cells[beyond] = f"{word}{limit}"
    return data.assign(viscosity=cells)


def sentence(call):
    with pytest.raises(StudyError) as caught:
        call()
    return str(caught.value)


LOG = gel(transform="log")
TERMS = ["polymer", "speed", "polymer:speed"]
AT = pd.DataFrame({"polymer": [0.3, 0.6], "speed": [500.0, 1000.0]})


@pytest.fixture(scope="module")
def fit():
    return doe.fit(LOG, capped(trial(), 20000), "viscosity", TERMS)


# ---- nothing censored: least squares, exactly


def test_with_exact_readings_alone_every_figure_is_that_of_least_squares():
    data = trial()
    ours = doe.fit(LOG, data, "viscosity", TERMS, method="censored")
    theirs = doe.fit(LOG, data, "viscosity", TERMS)
    assert isinstance(ours, CensoredFit)
    assert not isinstance(theirs, CensoredFit)
    assert ours.why == "Maximum likelihood as asked."
    pd.testing.assert_frame_equal(ours.coefficients, theirs.coefficients, rtol=1e-7)
    assert ours.sigma == pytest.approx(theirs.sigma, rel=1e-8)
    assert ours.degrees == pytest.approx(theirs.df_residual, abs=1e-6)
    assert ours.df_residual == theirs.df_residual
    assert ours.aicc == pytest.approx(theirs.aicc, abs=1e-7)
    assert ours.bic == pytest.approx(theirs.bic, abs=1e-7)
    for kind in ("mean", "new batch"):
        pd.testing.assert_frame_equal(
            pd.DataFrame(ours.predict(AT, kind=kind)), pd.DataFrame(theirs.predict(AT, kind=kind)), rtol=1e-6
        )
    a, b = ours.anova.set_index("source"), theirs.anova.set_index("source")
    for source in (*TERMS, "model", "lack of fit"):
        assert a.loc[source, "df"] == b.loc[source, "df"]
        np.testing.assert_allclose(a.loc[source, ["F", "p"]].tolist(), b.loc[source, ["F", "p"]].tolist(), rtol=1e-6)
    ours_d, theirs_d = ours.diagnostics(), theirs.diagnostics()
    for column in ("fitted", "residual", "leverage", "studentised", "cooks_distance"):
        np.testing.assert_allclose(ours_d[column], theirs_d[column], rtol=1e-5, atol=1e-8, err_msg=column)
    assert str(ours.equation()) == str(theirs.equation())
    pd.testing.assert_frame_equal(pd.DataFrame(ours.equation()), pd.DataFrame(theirs.equation()), rtol=1e-7)
    own, other = ours.drivers().table, theirs.drivers().table
    assert own["share"].tolist() == pytest.approx(other["share"].tolist(), rel=1e-6)
    # ends rest on draws whose axes may turn where a balanced plan's variances tie
    pd.testing.assert_frame_equal(own, other, atol=0.005)
    ours, theirs = (doe.fit(LOG, data, "viscosity", "quadratic", method=m) for m in ("censored", "least squares"))
    own, other = (f.surface().whereabouts(0.9) for f in (ours, theirs))
    pd.testing.assert_frame_equal(own.table, other.table, rtol=1e-4)
    assert own.contains(AT).tolist() == other.contains(AT).tolist()


def test_traces_of_exact_readings_are_those_of_least_squares():
    study = doe.Study(
        "blend", [doe.Component(n, 0, 100) for n in ("gum", "oil", "water")], [doe.Response("viscosity", "mPa·s")]
    )
    points = pd.concat([study.region.vertices(), *(study.region.centroids(d) for d in (1, 2))] * 2, ignore_index=True)
    noise = np.random.default_rng(4).normal(size=len(points))
    data = points.assign(viscosity=20 + 0.1 * points["gum"] + 0.002 * points["gum"] * points["oil"] + 0.3 * noise)
    ours, theirs = (doe.fit(study, data, "viscosity", "quadratic", method=m) for m in ("censored", "least squares"))
    assert isinstance(ours, CensoredFit)
    for of in ("table", "effects"):
        pd.testing.assert_frame_equal(getattr(ours.traces(), of), getattr(theirs.traces(), of), rtol=1e-5)


def test_drivers_traces_and_whereabouts_with_censored_readings():
    """What drives the truth is found though some readings are beyond the instrument."""
    data = trial()
    cap = int(data["viscosity"].nlargest(3).iloc[-1]) - 1
    fit = doe.fit(LOG, capped(data, cap), "viscosity", "quadratic")
    assert isinstance(fit, CensoredFit)
    drivers = fit.drivers().table.set_index("factor")
    assert drivers.index[0] == "polymer"
    assert drivers.loc["polymer", "verdict"] == "shown to matter"
    exact = doe.fit(LOG, data, "viscosity", "quadratic").drivers().table.set_index("factor")
    assert drivers.loc["polymer", "low"] < exact.loc["polymer", "share"] < drivers.loc["polymer", "high"]
    where = fit.surface().whereabouts()
    assert where.contains(pd.DataFrame([fit.surface().stationary[["polymer", "speed"]]])).tolist() == [True]
    assert sentence(fit.traces) == (
        "traces: components is 0 but must be 2 or more: traces are for mixtures; see drivers() for the change over each factor's range."
    )


def test_exact_draws_are_those_of_the_normal_linear_model():
    """20,000 draws, seed 2: t quantiles of the coefficients and χ of sigma within four Monte-Carlo errors."""
    ours = doe.fit(LOG, trial(), "viscosity", TERMS, method="censored")
    beta, sigma = ours.draws(20_000, 2)
    t = (beta - ours.beta) / ours.coefficients["std_error"].to_numpy()
    np.testing.assert_allclose(
        np.quantile(t, [0.05, 0.5, 0.95], axis=0).T - special.stdtrit(14, [0.05, 0.5, 0.95]), 0.0, atol=0.06
    )
    chi = 14 * (ours.sigma / sigma) ** 2
    np.testing.assert_allclose(special.chdtr(14, np.quantile(chi, [0.1, 0.5, 0.9])), [0.1, 0.5, 0.9], atol=0.02)


# ---- censored


def test_bounds_of_every_kind_against_plain_optimisation():
    data = trial().astype({"viscosity": object})
    data.loc[[2, 8], "viscosity"] = ">15000"
    data.loc[[0, 9], "viscosity"] = "<7000"
    data.loc[[4, 5], "viscosity"] = ["10000..14000", "9000..16000"]
    fit = doe.fit(LOG, data, "viscosity", TERMS)
    X, b = fit.X, fit.likelihood.bounds
    assert b.exact.sum() == 12

    def minus(t):
        eta, s = X @ t[:-1], np.exp(t[-1])
        inside = special.ndtr((b.upper - eta) / s) - special.ndtr((b.lower - eta) / s)
        density = -0.5 * ((b.inside - eta) / s) ** 2 - np.log(s) - 0.5 * np.log(2 * np.pi)
        return -np.where(b.exact, density, np.log(np.where(b.exact, 1.0, inside))).sum()

    start = np.append(np.linalg.lstsq(X, b.inside, rcond=None)[0], -1.5)
    found = optimize.minimize(
        minus, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 20000}
    )
    assert fit.likelihood.log_likelihood == pytest.approx(-found.fun, abs=1e-8)
    np.testing.assert_allclose(fit.beta, found.x[:-1], atol=1e-5)
    assert fit.likelihood.sigma_most_likely == pytest.approx(np.exp(found.x[-1]), rel=1e-4)


def test_the_profile_ends_where_the_likelihood_has_fallen_as_far_as_it_may(fit):
    """Each end by brute force: the likelihood maximised with that coefficient held there."""
    likelihood = fit.likelihood
    m, nu = likelihood.readings_for_noise, likelihood.degrees
    fall = m * np.log1p(special.stdtrit(nu, 0.975) ** 2 / nu)
    for j, row in fit.coefficients.iterrows():
        for end in (row["low"], row["high"]):
            others = np.delete(np.arange(4), j)
            moved = censoring.Bounds(
                likelihood.bounds.lower - fit.X[:, j] * end, likelihood.bounds.upper - fit.X[:, j] * end
            )
            held = censoring.reach(moved, fit.X[:, others])
            assert 2 * (likelihood.log_likelihood - held) == pytest.approx(fall, rel=1e-6)


def test_intervals_reach_further_to_the_open_side(fit):
    at = pd.DataFrame({"polymer": [0.6], "speed": [400.0]})
    row = fit.predict(at).iloc[0]
    below, above = np.log(row["estimate"] / row["low"]), np.log(row["high"] / row["estimate"])
    assert above > 1.1 * below
    new = fit.predict(at, kind="new batch").iloc[0]
    assert new["low"] < row["low"]
    assert row["high"] < new["high"]
    assert fit.predict(at, interval=0.8).iloc[0]["high"] < row["high"]


def test_a_censored_reading_counts_for_less_than_a_batch(fit):
    assert fit.why == f"Maximum likelihood, since {int(fit.censored.sum())} of 18 readings are known only by bounds."
    assert 14 - fit.censored.sum() < fit.degrees < 14
    assert fit.df_residual == int(fit.degrees)
    assert np.isnan(fit.y[fit.censored]).all()
    assert np.isnan([fit.r2, fit.r2_adjusted, fit.r2_predicted, fit.press]).all()


def test_narrow_bounds_are_as_good_as_exact_readings():
    data = trial()
    exact = doe.fit(LOG, data, "viscosity", TERMS)
    cells = [f"{v - 0.5}..{v + 0.5}" for v in data["viscosity"]]
    fit = doe.fit(LOG, data.assign(viscosity=cells), "viscosity", TERMS)
    # bounds 1 mPa·s apart on 8000: the difference is of the order of (1e-4)²/σ²
    np.testing.assert_allclose(fit.coefficients["estimate"], exact.coefficients["estimate"], atol=1e-5)
    np.testing.assert_allclose(fit.coefficients["std_error"], exact.coefficients["std_error"], rtol=1e-4)
    assert fit.degrees == pytest.approx(14, abs=1e-3)


def test_a_bound_beyond_the_scale_is_open():
    data = capped(trial(), 6000, "<")
    named = data.assign(viscosity=[str(v).replace("<6000", "0..6000") for v in data["viscosity"]])
    a, b = (doe.fit(LOG, d, "viscosity", TERMS) for d in (data, named))
    assert a.censored.any()
    np.testing.assert_array_equal(a.beta, b.beta)


def test_draws_follow_their_seed_and_reach_to_the_open_side(fit):
    beta, sigma = fit.draws(3000, 5)
    assert beta.shape == (3000, 4)
    assert sigma.shape == (3000,)
    np.testing.assert_array_equal(beta, fit.draws(3000, 5)[0])
    assert (beta != fit.draws(3000, 6)[0]).any()
    c = fit.coefficients
    # a posterior and a profile are different things: their ends agree within a third of a standard error
    low, high = np.quantile(beta, [0.025, 0.975], axis=0)
    assert (np.abs(low - c["low"]) < 0.34 * c["std_error"]).all()
    assert (np.abs(high - c["high"]) < 0.5 * c["std_error"]).all()


def test_blocks_are_columns():
    data = capped(trial(), 20000).assign(block=np.repeat([1, 2], 9))
    fit = doe.fit(LOG, data, "viscosity", TERMS)
    assert fit.anova["source"].tolist() == [*TERMS, "blocks", "model", "lack of fit"]
    assert "in 2 blocks" in fit.heading
    assert len(fit.beta) == 4
    assert fit.draws(5, 0)[0].shape == (5, 4)


def test_reduced_drops_what_does_nothing():
    data = capped(trial(), 30000)
    full = doe.fit(LOG, data, "viscosity", "quadratic")
    smaller = full.reduced()
    assert isinstance(smaller, CensoredFit)
    assert {"polymer", "speed"} <= set(smaller.model.terms)
    assert "speed^2" not in smaller.model.terms
    assert smaller.aicc < full.aicc
    by_hand = doe.fit(LOG, data, "viscosity", list(smaller.model.terms))
    assert by_hand.aicc == pytest.approx(smaller.aicc, abs=1e-9)
    assert full.reduced(by="p").anova.set_index("source")["p"].drop(["model", "lack of fit"]).max() < 0.05


def test_a_run_out_of_line_is_flagged():
    data = capped(trial(), 20000)
    data.loc[9, "viscosity"] = 20000.0  # of the thinnest setting
    table = doe.fit(LOG, data, "viscosity", TERMS).diagnostics()
    assert table.loc[table["flags"].str.contains("outlier"), "run"].tolist() == [10]
    data.loc[9, "viscosity"] = ">20000"
    table = doe.fit(LOG, data, "viscosity", TERMS).diagnostics()
    assert table.loc[table["flags"].str.contains("outlier"), "run"].tolist() == [10]


def test_aicc_compares_scales():
    data = capped(trial(sigma=0.3), 25000)
    logged = doe.fit(LOG, data, "viscosity", TERMS)
    plain = doe.fit(gel(), data, "viscosity", TERMS)
    assert logged.aicc < plain.aicc


def test_it_prints_itself(fit):
    text = str(fit)
    n = int(fit.censored.sum())
    assert text.startswith(
        f"viscosity (mPa·s), 4 terms in 2 factors, maximum likelihood on the natural logarithm; 18 runs, {n} of the readings known only by "
        "bounds, "
    )
    assert "Tests of the terms, each adjusted for all others (likelihood ratio)" in text
    assert "(>20000)" in text
    assert "There is no R² where readings are known only by bounds." in text
    assert "<table" in fit._repr_html_()
    assert pickle.loads(pickle.dumps(fit)).sigma == fit.sigma


def test_many_censored_readings_are_a_caution():
    data = capped(trial(), 12000)
    fit = doe.fit(LOG, data, "viscosity", ["polymer", "speed"])
    n = int(fit.censored.sum())
    assert n > 0.4 * 18
    assert fit.cautions()[0] == (
        f"{n} of 18 readings are known only by bounds: what the model says beyond the bounds rests on its shape and on normal noise, not on "
        "readings."
    )
    assert not any(
        "rests on its shape" in c for c in doe.fit(LOG, capped(trial(), 25000), "viscosity", TERMS).cautions()
    )


# ---- what it refuses


def test_an_effect_without_end():
    data = capped(trial(), 40000).astype({"viscosity": object})
    data.loc[data["polymer"] == 0.6, "viscosity"] = ">20000"
    assert sentence(lambda: doe.fit(LOG, data, "viscosity", ["polymer", "polymer^2", "speed"])) == (
        "model for 'viscosity': terms is 'polymer, polymer^2' but must be held from both sides by the readings, yet the fit improves without end as "
        "they grow together: drop one of them, or read again, diluted or on another spindle, some of runs 7 (>20000), 8 (>20000), 9 "
        "(>20000), 16 (>20000), 17 (>20000) and 18 (>20000)."
    )


def test_a_model_that_leaves_no_noise():
    data = pd.DataFrame(
        {"polymer": [0.2, 0.3, 0.4, 0.6], "speed": 700.0, "viscosity": ["10..12", "14..16", "18..22", "26..30"]}
    )
    assert sentence(lambda: doe.fit(gel(), data, "viscosity", ["polymer"])) == (
        "model for 'viscosity': noise is 'none: the model passes through every reading and between all bounds' but must be some, so that it can "
        "be judged: choose a smaller model, or add batches with exact readings."
    )


def test_too_little_left_for_the_noise():
    data = pd.DataFrame(
        {"polymer": [0.2, 0.2, 0.6, 0.6, 0.6], "speed": 700.0, "viscosity": [10.0, 11.0, 20.0, ">15", ">15"]}
    )
    text = sentence(lambda: doe.fit(gel(), data, "viscosity", ["polymer"]))
    assert text.startswith(
        "model for 'viscosity': what 5 readings, 2 of them known only by bounds, leave for the noise is '0."
    )
    assert text.endswith(
        " df' but must be at least 1: choose a smaller model, read again what was beyond the instrument, or make more batches."
    )


def test_a_reading_that_the_transform_cannot_take():
    data = trial().astype({"viscosity": object})
    data.loc[3, "viscosity"] = "<0"
    assert sentence(lambda: doe.fit(LOG, data, "viscosity", TERMS)) == (
        "response 'viscosity', run 4: reading is '<0' but must be above 0 for its transform: correct the reading, leave it out with its "
        "reason, or choose another transform."
    )


def test_one_bound_throughout():
    data = trial().assign(viscosity=">100000")
    assert sentence(lambda: doe.fit(LOG, data, "viscosity", TERMS)) == (
        "response 'viscosity': reading is '>100000' but must be different between runs, yet all are the same: there is nothing to explain: check "
        "that the readings were entered run by run."
    )


@pytest.mark.parametrize("method", ["least squares", "reml"])
def test_other_methods_take_no_bounds(method, fit):
    n = int(fit.censored.sum())
    assert sentence(lambda: doe.fit(LOG, capped(trial(), 20000), "viscosity", TERMS, method=method)) == (
        f'method is {method!r} but must be "censored" where {n} of 18 readings are known only by bounds: leave it out to have it picked, or leave those '
        'runs out with their reason: without={run: "reason"}.'
    )


def test_whole_plots_ask_for_the_word():
    data = capped(trial(), 20000).assign(
        whole_plot=lambda d: (d["polymer"] * 10).round().astype(int) * 10 + (d["run"] > 9)
    )
    assert sentence(lambda: doe.fit(LOG, data, "viscosity", TERMS)) == (
        'method is None but must be "censored", in so many words, where readings are known only by bounds and batches share whole plots: read '
        'those batches again, diluted or on another spindle, or write method="censored" to treat every batch as set up anew.'
    )
    assert doe.fit(LOG, data, "viscosity", TERMS, method="censored").why.endswith(
        " Batches share whole plots, which this method leaves out of account: the standard errors of whole-plot effects are then too small."
    )


def test_what_it_has_not(fit):
    n = int(fit.censored.sum())
    assert sentence(lambda: fit.transform_profile()) == (
        f"transform_profile is 'asked of a fit with {n} readings known only by bounds' but must be asked where all readings are exact: compare aicc of "
        "fits on the scales in question: it is comparable across transforms."
    )
    assert sentence(lambda: fit.simulated_residuals(10, 0)) == (
        f"simulated_residuals is 'asked of a fit with {n} readings known only by bounds' but must be asked where all readings are exact: judge runs by "
        "diagnostics(), whose studentised residuals have Student's law."
    )
    assert sentence(lambda: fit.statsmodels) == (
        "statsmodels is 'asked of a fit of censored readings' but must be asked of a least-squares fit: this likelihood is the library's own."
    )
    assert sentence(lambda: fit.draws(2.5, 0)) == "draws is 2.5 but must be a whole number, at least 1: write 4000."


def test_draws_by_likelihood_without_end_are_found_by_the_programme():
    x = np.array([-1.0, -1.0, 1.0, 1.0])
    X = np.column_stack([np.ones(4), x])
    inf = np.inf
    open_above = censoring.bounds_of([1, 2, 3, 4], [1, 2, inf, inf])
    found = censoring.endless(open_above, X)
    assert found is not None
    assert not found.noiseless
    assert censoring.endless(censoring.bounds_of([1, 2, 3, 4], [1, 2, 3, inf]), X) is None
    through = censoring.endless(censoring.bounds_of([1, 1, 3, 3], [1, 1, 3, 3]), X)
    assert through is not None
    assert through.noiseless
