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
    assert mean.iloc[2] > own.iloc[2]


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
