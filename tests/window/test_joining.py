"""Windows over fits of different kinds: split plots, covariates."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import doe
from doe.window.joining import logistic_of, normal_of
from doe.window.predictive import Predictive

FACTORS = [
    doe.Continuous("polymer", 0.2, 0.6, "%", hard_to_change=True),
    doe.Continuous("speed", 400, 1000, "rpm"),
]


def split_plot(responses, whole_sd=0.4, plots=8, each=3, seed=0, covariate=None):
    """An invented split plot: study and readings."""
    rng = np.random.default_rng(seed)
    study = doe.Study("invented", [*FACTORS, *([covariate] if covariate else [])], responses)
    g = np.repeat(np.arange(plots), each)
    table = pd.DataFrame(
        {
            "whole_plot": g + 1,
            "polymer": np.resize([0.2, 0.6, 0.4], plots)[g],
            "speed": np.tile(np.resize([400.0, 1000.0, 700.0], each), plots),
        }
    )
    Z = study.encode(table)
    for j, response in enumerate(responses):
        z = 5.0 + (1.0 if j == 0 else -1.0) * Z[:, 0] + 0.5 * Z[:, 1]
        z = z + whole_sd * rng.standard_normal(plots)[g] + 0.3 * rng.standard_normal(len(g))
        table[response.name] = z
    return study, table


AT = pd.DataFrame({"polymer": [0.2, 0.4, 0.6], "speed": [400.0, 700.0, 1000.0]})


def test_logistic_and_normal_ranks():
    t = np.array([-800.0, -30.0, -1.0, 0.0, 2.0, 30.0, 800.0])
    np.testing.assert_allclose(logistic_of(normal_of(t)), t, rtol=1e-9, atol=1e-12)
    z = np.linspace(-8, 8, 9)
    np.testing.assert_allclose(stats.logistic.cdf(logistic_of(z)), stats.norm.cdf(z), rtol=1e-10)


def test_a_new_batch_of_a_split_plot_comes_from_a_new_whole_plot():
    study, table = split_plot([doe.Response("firmness", "N", low=4.6, high=6.0)])
    fits = doe.fit_all(study, table, model="linear")
    assert fits["firmness"].method == "reml"
    win = doe.find_window(fits, draws=20_000)
    found = win.probability(AT)
    # balanced: both strata's mean squares are independent inverse chi-squares, cut to their order (Box & Tiao 1973)
    rng = np.random.default_rng(9)
    y, g = table["firmness"].to_numpy(), table["whole_plot"].to_numpy() - 1
    X = study.model("linear").matrix(table)
    mean = np.bincount(g, y)[g] / 3
    between = mean - X[:, :2] @ np.linalg.lstsq(X[:, :2], mean, rcond=None)[0]
    within = (y - mean) - X[:, 2:] @ np.linalg.lstsq(X[:, 2:], y - mean, rcond=None)[0]
    n = 400_000
    first, second = within @ within / rng.chisquare(24 - 8 - 1, n), between @ between / rng.chisquare(8 - 2, n)
    kept = second >= first
    first, second = first[kept], second[kept]
    beta = np.linalg.lstsq(X, y, rcond=None)[0]
    inverse = np.linalg.inv(X.T @ X)
    spread = np.stack(
        [second, second, first]
    )  # of each coefficient's stratum; the design is orthogonal enough to be exact
    assert abs(inverse[:2, 2]).max() < 1e-12
    root = np.linalg.cholesky(inverse)
    drawn = beta + (np.sqrt(spread) * (root @ rng.standard_normal((3, len(first))))).T
    error = np.sqrt(first + (second - first) / 3) * rng.standard_normal(len(first))
    for row, chance, mc in zip(study.model("linear").matrix(AT), found["probability"], found["mc_error"], strict=True):
        z = drawn @ row + error
        exact = ((z >= 4.6) & (z <= 6.0)).mean()
        assert chance == pytest.approx(exact, abs=4 * np.hypot(mc, np.sqrt(0.25 / len(first))))
    assert (
        "variances of whole plot and residual drawn (prior of Box & Tiao), a new batch in a new whole plot"
        in win.method
    )


def test_without_noise_the_mean_is_judged():
    study, table = split_plot([doe.Response("firmness", "N", low=4.6)])
    fits = doe.fit_all(study, table, model="linear")
    own = doe.find_window(fits).probability(AT)["probability"]
    mean = doe.find_window(fits, noise=False).probability(AT)["probability"]
    assert mean.iloc[0] < own.iloc[0]  # below the limit the mean is surely out, a single batch may be in
    assert mean.iloc[1] > own.iloc[1]


def test_correlated_responses_are_joined():
    """Two least-squares responses joined by the copula against their exact joint t."""
    rng = np.random.default_rng(2)
    study = doe.Study(
        "invented", [doe.Continuous("speed", 400, 1000, "rpm")], [doe.Response("a", low=5), doe.Response("b", low=5)]
    )
    table = pd.DataFrame({"speed": np.resize([400.0, 550.0, 700.0, 850.0, 1000.0], 40)})
    noise = rng.standard_normal((40, 2)) @ np.linalg.cholesky([[1, 0.9], [0.9, 1]]).T
    for j, name in enumerate("ab"):
        table[name] = 5.0 + study.encode(table)[:, 0] + noise[:, j]
    fits = doe.fit_all(study, table, model="linear")
    exact = Predictive(study, list(fits.values()), True, {}, 1)
    joined = Predictive(study, list(fits.values()), True, {}, 1)
    joined.kind = "joined"
    from doe.window.joining import Joined, source_of

    joined.joined = Joined([source_of(f) for f in fits.values()], 1)
    Z = study.encode(pd.DataFrame({"speed": [500.0, 700.0, 900.0]}))
    want, _ = exact.chance(Z, exact.draw(0, 40_000))
    got, _error = joined.chance(Z, joined.draw(0, 40_000))
    apart, _ = joined.chance(Z, joined.unjoined(0, 40_000))
    # Monte-Carlo errors of 0.0025 each, and a correlation plugged in where the joint t draws it
    np.testing.assert_allclose(got, want, atol=0.012)
    assert (want - apart > 0.05).all()
    assert joined.joined.shrinkage < 0.01
    words = joined.method
    assert "Joined by a Gaussian copula: correlation a and b 0." in words
    rates = joined.rates(0, 4000)
    claim, _ = joined.claim(Z, rates, 0.9)
    sure, _ = exact.claim(Z, exact.rates(0, 4000), 0.9)
    np.testing.assert_allclose(claim, sure, atol=0.02)


def test_mixed_and_plain_fits_together():
    study, table = split_plot([doe.Response("firmness", "N", low=4.6), doe.Response("gloss", high=6.5)])
    fits = {
        "firmness": doe.fit(study, table, "firmness", model="linear"),
        "gloss": doe.fit(study, table, "gloss", model="linear", method="least squares"),
    }
    win = doe.find_window(fits)
    assert "gloss: t with 21 degrees of freedom" in win.method
    assert 0 < win.set_point_probability <= 1
    both = win.by_response(AT).min(axis=1)
    assert (win.probability(AT)["probability"] <= both + 1e-12).all()
    text = str(win)
    assert "Were their errors independent, the chance at the set point would be" in text


def test_covariates_are_averaged_over_by_their_law():
    room = doe.Covariate("room temperature", "°C", mean=22, sd=2)
    rng = np.random.default_rng(5)
    study = doe.Study("invented", [FACTORS[1], room], [doe.Response("firmness", "N", low=4.0, high=6.0)])
    table = pd.DataFrame({"speed": rng.uniform(400, 1000, 30), "room temperature": rng.normal(22, 2, 30)})
    Z = study.encode(table)
    table["firmness"] = 5 + 0.5 * Z[:, 0] + 0.8 * Z[:, 1] + 0.2 * rng.standard_normal(30)
    fit = doe.fit(study, table, "firmness", model=["speed", "`room temperature`"])
    win = doe.find_window(fit, draws=20_000)
    at = pd.DataFrame({"speed": [400.0, 700.0, 1000.0]})
    found = win.probability(at)
    n = 200_000
    room_code = rng.standard_normal(n)
    s2 = fit.solution.rss / rng.chisquare(fit.df_residual, n)
    draws = fit.beta + np.sqrt(s2)[:, None] * (rng.standard_normal((n, 3)) @ np.linalg.cholesky(fit.cov_unscaled).T)
    for code, chance in zip([-1.0, 0.0, 1.0], found["probability"], strict=True):
        z = draws[:, 0] + draws[:, 1] * code + draws[:, 2] * room_code + np.sqrt(s2) * rng.standard_normal(n)
        assert chance == pytest.approx(((z >= 4) & (z <= 6)).mean(), abs=0.012)
    assert "Measured, not set, and so averaged over: room temperature (mean 22, SD 2 °C)." in str(win)
    assert 0 < win.claim(at)["claim"].iloc[1] < found["probability"].iloc[1] + 0.02


def scored(n=24, seed=3, sd=0.35):
    """An invented trial: a measured response and a score from 1 to 5 that goes with it."""
    rng = np.random.default_rng(seed)
    study = doe.Study(
        "invented",
        [FACTORS[1], doe.Continuous("oil", 2, 8, "%")],
        [doe.Response("firmness", "N", low=4.2), doe.Response("look", scale=(1, 5), low=3)],
    )
    table = pd.DataFrame({"speed": rng.uniform(400, 1000, n), "oil": rng.uniform(2, 8, n)})
    Z = study.encode(table)
    noise = rng.standard_normal((n, 2)) @ np.linalg.cholesky([[1, 0.8], [0.8, 1]]).T
    table["firmness"] = 5 + 0.8 * Z[:, 0] + sd * noise[:, 0]
    latent = 1.5 + 1.5 * Z[:, 0] - 1.0 * Z[:, 1] + logistic_of(noise[:, 1])
    table["look"] = 1 + (latent[:, None] > [-2, 0, 1.5, 3]).sum(axis=1)
    return study, table


def test_scores_enter_by_their_own_posterior():
    study, table = scored()
    fits = doe.fit_all(study, table, model="linear")
    assert fits["look"].method == "ordinal"
    win = doe.find_window(fits["look"])
    at = pd.DataFrame({"speed": [450.0, 700.0, 950.0], "oil": [7.0, 5.0, 3.0]})
    found = win.probability(at)
    exact = fits["look"].chance(at, at_least=3)
    # the chance that a new batch scores 3 or more is the mean of the posterior chance; both by draws
    np.testing.assert_allclose(found["probability"], exact["estimate"], atol=0.03)
    claim = win.claim(at)["claim"].to_numpy()
    draws = fits["look"].draws(4000, 5)
    eta = draws.beta @ fits["look"].model.matrix(at).T
    rates = stats.logistic.cdf(eta - draws.cuts[:, 1:2])
    np.testing.assert_allclose(claim, np.quantile(rates, 0.1, axis=0), atol=0.04)


def test_a_score_and_a_measurement_are_joined():
    study, table = scored()
    fits = doe.fit_all(study, table, model="linear")
    win = doe.find_window(fits)
    joined = win._predictive.joined
    assert joined.correlation[0, 1] > 0.2
    text = str(win)
    assert "look: ordinal scores by proportional odds" in text
    assert "Were their errors independent, the chance at the set point would be" in text
    assert win.obstacles.words
    c = doe.confirm(win)
    row = c.limits.set_index("response").loc["look"]
    assert 1 <= row["low"] <= row["high"] <= 5
    assert np.isnan(row["mean_low"])


@pytest.mark.slow
def test_scores_limited_above_and_on_both_sides():
    study, table = scored()
    limits = {"at least 3": (3, None), "at most 4": (None, 4), "3 to 4": (3, 4)}
    at = pd.DataFrame({"speed": [700.0], "oil": [5.0]})
    chance = {}
    for name, (low, high) in limits.items():
        response = doe.Response("look", scale=(1, 5), low=low, high=high)
        own = doe.Study("invented", study.factors, [response])
        fit = doe.fit(own, table, "look", model="linear")
        chance[name] = doe.find_window(fit, draws=20_000).probability(at)["probability"].iloc[0]
    # P(3 or 4) = P(at least 3) + P(at most 4) − 1
    assert chance["3 to 4"] == pytest.approx(chance["at least 3"] + chance["at most 4"] - 1, abs=0.01)


def test_censored_readings_enter_by_their_own_posterior():
    rng = np.random.default_rng(8)
    study = doe.Study("invented", [FACTORS[1]], [doe.Response("viscosity", "mPa·s", low=20_000, transform="log")])
    table = pd.DataFrame({"speed": np.linspace(400, 1000, 20)})
    value = np.exp(10.2 + 0.9 * study.encode(table)[:, 0] + 0.2 * rng.standard_normal(20))
    table["viscosity"] = [">50000" if v > 50_000 else f"{v:.0f}" for v in value]
    fit = doe.fit(study, table, "viscosity", model="linear")
    assert fit.method == "censored"
    win = doe.find_window(fit)
    at = pd.DataFrame({"speed": [500.0, 700.0, 900.0]})
    found = win.probability(at)["probability"].to_numpy()
    whole = doe.fit(study, table.assign(viscosity=value), "viscosity", model="linear")
    full = doe.find_window(whole).probability(at)["probability"].to_numpy()
    np.testing.assert_allclose(found, full, atol=0.06)  # what the bounds lost, from this one trial
    assert "readings known by bounds" in win.method
    assert 0 < win.claim(at)["claim"].iloc[1] < 1


def test_logistic_with_a_batch_part():
    rng = np.random.default_rng(0)
    spread = np.full(7, 1.3)
    z = np.linspace(-3, 3, 7)
    t = logistic_of(z, spread)
    np.testing.assert_allclose(normal_of(t, spread), z, atol=1e-6)
    sample = np.sort(rng.logistic(size=400_000) + 1.3 * rng.standard_normal(400_000))
    np.testing.assert_allclose(t[1:-1], np.quantile(sample, stats.norm.cdf(z[1:-1])), atol=0.06)


def test_an_assumed_variance_ratio_is_said():
    study, table = split_plot([doe.Response("firmness", "N", low=4.6)])
    fit = doe.fit(study, table, "firmness", model="linear", variance_ratio=1.5)
    win = doe.find_window(fit, draws=20_000)
    assert "the ratio of the variances ASSUMED" in win.method
    X = fit.model.matrix(AT)
    # one variance: a t with n - p degrees of freedom, a new batch carrying 1 + 1.5 of it
    scale = np.sqrt(fit.sigma**2 * (2.5 + np.einsum("ij,jk,ik->i", X, fit.cov_unscaled, X)))
    exact = stats.t.sf((4.6 - X @ fit.beta) / scale, fit.df_residual)
    np.testing.assert_allclose(win.probability(AT)["probability"], exact, atol=0.012)
