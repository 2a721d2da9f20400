"""Chances of meeting specifications against closed forms and quadrature."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.optimize import brentq

from doe.fits import fit_all
from doe.study import Categorical, Component, Continuous, Response, Study
from doe.window import find_window

from .trials import exact_t, grid, made, one_factor

DRAWS = 40_000


def agrees(found, exact, errors=4.5):
    """Within 4.5 Monte-Carlo errors everywhere: for a few dozen dependent points a false alarm in well under 1 of 1000 runs."""
    table = np.abs(found["probability"].to_numpy() - exact) / found["mc_error"].to_numpy()
    assert table.max() < errors


def test_one_response_is_the_t_integral():
    trial, _, fits = one_factor(low=4.0, high=6.5)
    win = find_window(fits, draws=DRAWS)
    points = grid(trial, 21)
    exact = exact_t(fits["firmness"], points)
    agrees(win.probability(points), exact)
    assert exact.max() - exact.min() > 0.5  # the points tell something
    assert win.method == "Posterior predictive t with 8 degrees of freedom."


def test_mean_response_without_noise():
    trial, _, fits = one_factor(low=4.0, high=6.5)
    win = find_window(fits, draws=DRAWS, noise=False)
    points = grid(trial, 21)
    exact = exact_t(fits["firmness"], points, new_batch=False)
    agrees(win.probability(points), exact)
    assert np.abs(exact - exact_t(fits["firmness"], points)).max() > 0.1


@pytest.mark.parametrize(
    ("transform", "low", "high"),
    [("log", 50.0, 600.0), ("sqrt", 9.0, 40.0), (("logit", 0.0, 10.0), 9.7, None), (("box-cox", 0.5), 12.0, None)],
)
def test_limits_go_through_the_transform(transform, low, high):
    trial, _, fits = one_factor(low=low, high=high, transform=transform)
    win = find_window(fits, draws=DRAWS)
    points = grid(trial, 11)
    exact = exact_t(fits["firmness"], points)
    assert exact.max() > 0.6
    assert exact.min() < 0.5
    agrees(win.probability(points), exact)


@pytest.fixture(scope="module")
def two_correlated():
    return made(
        [Continuous("polymer", 0.2, 0.6, "%"), Continuous("speed", 400, 1000, "rpm")],
        [Response("firmness", "N", low=4.5), Response("spread", "mm", low=3.0, high=4.2)],
        [lambda Z: 5 + 2 * Z[:, 0] - Z[:, 1], lambda Z: 3.5 - Z[:, 0] + 0.5 * Z[:, 1]],
        n=18,
        correlation=0.9,
        sd=0.6,
    )


def test_two_correlated_responses_are_the_bivariate_t(two_correlated):
    """Peterson (2004): degrees of freedom n - p - r + 1, scale S (1 + x'(X'X)^-1 x) / df."""
    trial, _, fits = two_correlated
    win = find_window(fits, draws=DRAWS)
    a, b = fits["firmness"], fits["spread"]
    residuals = np.column_stack([a.y - a.X @ a.beta, b.y - b.X @ b.beta])
    df = 18 - 6 - 2 + 1
    points = grid(trial, 5)
    X = a.model.matrix(points)
    exact, apart = [], []
    for x in X:
        scale = residuals.T @ residuals * (1 + x @ a.cov_unscaled @ x) / df
        law = stats.multivariate_t([x @ a.beta, x @ b.beta], scale, df)
        exact.append(law.cdf([np.inf, 4.2], lower_limit=[4.5, 3.0], maxpts=200_000, random_state=1))
        apart.append(
            stats.t(df).sf((4.5 - x @ a.beta) / np.sqrt(scale[0, 0]))
            * np.diff(stats.t(df).cdf((np.array([3.0, 4.2]) - x @ b.beta) / np.sqrt(scale[1, 1])))[0]
        )
    agrees(win.probability(points), np.array(exact))
    assert np.abs(np.array(exact) - apart).max() > 0.03  # the correlation matters here
    assert win.method == "Joint posterior predictive multivariate t of 2 responses with 11 degrees of freedom."
    alone = win.by_response(points)
    assert list(alone.columns) == ["firmness", "spread"]
    for j, name in enumerate(alone):
        edge = fits[name].response.fitted_limits()
        scale = np.sqrt((residuals.T @ residuals)[j, j] * (1 + np.einsum("ij,jk,ik->i", X, a.cov_unscaled, X)) / df)
        ends = [stats.t(df).cdf((e - X @ fits[name].beta) / scale) for e in edge]
        assert alone[name].to_numpy() == pytest.approx(ends[1] - ends[0], abs=4.5 * np.sqrt(0.25 / DRAWS))


def test_few_degrees_of_freedom_give_separate_fits():
    """n - p - r + 1 = 9 - 6 - 2 + 1 = 2 < 4."""
    trial, _, fits = made(
        [Continuous("polymer", 0.2, 0.6, "%"), Continuous("speed", 400, 1000, "rpm")],
        [Response("firmness", "N", low=4.0), Response("spread", "mm", high=4.2)],
        [lambda Z: 5 + 2 * Z[:, 0] - Z[:, 1], lambda Z: 3.5 - Z[:, 0] + 0.5 * Z[:, 1]],
        n=9,
    )
    win = find_window(fits, draws=DRAWS)
    points = grid(trial, 5)
    agrees(win.probability(points), exact_t(fits["firmness"], points) * exact_t(fits["spread"], points))
    assert "only 2 degrees of freedom, fewer than 4, so their correlation is left out" in win.method
    assert win.method in repr(win)


def test_different_terms_are_joined_by_gibbs(two_correlated):
    """Bivariate t up to the terms dropped: with true zero terms left out the chance stays near that of the full fits."""
    trial, table, fits = two_correlated
    joined = {**fits, "spread": fit_all(trial, table, model="linear")["spread"]}
    win = find_window(joined, draws=8000)
    assert win.method.startswith("Joint posterior of 2 responses with different terms, by Gibbs sampling: 50 rounds")
    points = grid(trial, 5)
    full = find_window(fits, draws=8000).probability(points)["probability"]
    found = win.probability(points)["probability"]
    assert 0.005 < np.abs(found - full).max() < 0.3
    apart = win.by_response(points).prod(axis=1)
    assert np.abs(found - apart).max() > 0.03  # the residuals' correlation is kept


def test_missing_readings_are_augmented(two_correlated):
    trial, table, _ = two_correlated
    lost = table.copy()
    lost.loc[[3, 7], "spread"] = np.nan
    win = find_window(fit_all(trial, lost), draws=8000)
    assert win.method.startswith("Joint posterior of 2 responses with missing readings, by Gibbs sampling")
    both = lost.copy()
    win = find_window({**fit_all(trial, both), "spread": fit_all(trial, both, model="linear")["spread"]}, draws=1000)
    assert win.method.startswith("Joint posterior of 2 responses with different terms and missing readings")


def test_blocks_count_among_the_terms():
    trial, table, _ = one_factor(low=4.0, high=6.5, n=12)
    table["block"] = np.repeat(["Monday", "Tuesday", "Friday"], 4)
    fits = fit_all(trial, table, model="linear")
    win = find_window(fits, draws=DRAWS)
    points = grid(trial, 11)
    assert fits["firmness"].df_residual == 12 - 2 - 2
    agrees(win.probability(points), exact_t(fits["firmness"], points))
    assert "Blocks: a new batch is taken to be one of an average block." in repr(win)


# ---- setting error


def hermite(dimension, nodes=25):
    x, w = np.polynomial.hermite_e.hermegauss(nodes)
    points = np.stack([g.ravel() for g in np.meshgrid(*[x] * dimension)], axis=1)
    weights = np.prod(np.stack([g.ravel() for g in np.meshgrid(*[w / w.sum()] * dimension)]), axis=0)
    return points, weights


def test_setting_error_is_averaged_over():
    """Gauss–Hermite over the setting of the t integral at the setting made."""
    trial, _, fits = one_factor(low=4.0, high=6.5, n=14, model="quadratic")
    win = find_window(fits, draws=DRAWS, jitter={"polymer": 0.04})
    points = grid(trial, 11)
    nodes, weights = hermite(1)
    exact = np.zeros(len(points))
    for node, weight in zip(nodes[:, 0], weights, strict=True):
        exact += weight * exact_t(fits["firmness"], points + 0.04 * node)
    agrees(win.probability(points), exact)
    assert np.abs(exact - exact_t(fits["firmness"], points)).max() > 0.02


def mixture(balance=None):
    """Three components; the blend of polymer and glycerin matters."""
    return made(
        [
            Component("water", 80, 96, setting_sd=0.5),
            Component("glycerin", 2, 15, setting_sd=0.5),
            Component("polymer", 2, 8, setting_sd=0.5),
        ],
        [Response("firmness", "N", low=4.0, high=6.0)],
        [lambda Z: 5 * Z[:, 0] + 2 * Z[:, 1] + 30 * Z[:, 2]],
        n=16,
        model="quadratic",
        balance=balance,
    )


@pytest.mark.parametrize("balance", ["water", None])
def test_weighing_errors_of_a_mixture(balance):
    """With a balance it takes up the others' errors; without one the shares are those of what was weighed."""
    trial, _, fits = mixture(balance)
    win = find_window(fits, draws=DRAWS, jitter=True)
    points = trial.region.sample(8, seed=3)
    names = [name for name in trial.names if name != balance]
    nodes, weights = hermite(len(names), 7)
    exact = np.zeros(len(points))
    for node, weight in zip(nodes, weights, strict=True):
        weighed = points.copy()
        weighed[names] = weighed[names] + 0.5 * node
        if balance:
            weighed[balance] = 100.0 - weighed[names].sum(axis=1)
        exact += weight * exact_t(fits["firmness"], weighed.mul(100.0 / weighed.sum(axis=1), axis=0))
    agrees(win.probability(points), exact)
    assert np.abs(exact - exact_t(fits["firmness"], points)).max() > 0.02


def test_jitter_is_none_unless_asked_and_true_takes_the_factors_own():
    trial, _, fits = mixture("water")
    points = trial.region.sample(20, seed=3)
    without = find_window(fits).probability(points)
    pd.testing.assert_frame_equal(find_window(fits, jitter=False).probability(points), without)
    own = find_window(fits, jitter=True)
    given = find_window(fits, jitter={"glycerin": 0.5, "polymer": 0.5})
    pd.testing.assert_frame_equal(own.probability(points), given.probability(points))
    assert np.abs(own.probability(points)["probability"] - without["probability"]).max() > 0.02
    assert "Setting error added (SD): glycerin 0.5 %, polymer 0.5 %; it puts " in repr(own)


def test_share_outside_the_region_is_said():
    """A factor 1 wide, SD 0.1, set point at its top: half of all batches land beyond it."""
    _trial, _, fits = made(
        [Continuous("polymer", 0.0, 1.0, "%")],
        [Response("firmness", "N", low=8.0)],
        [lambda Z: 5 + 2 * Z[:, 0]],
        n=12,
        model="linear",
    )
    win = find_window(fits, jitter={"polymer": 0.1})
    assert win.set_point["polymer"] == 1.0
    share = float(repr(win).split("it puts ")[1].split("%")[0])
    assert share == pytest.approx(50.0, abs=2.5)  # 4000 draws: 0.8 % standard error


# ---- claims


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.99])
def test_claim_of_one_limit_is_the_tolerance_bound(confidence):
    """One-sided normal tolerance bound by the noncentral t (ISO 16269-6:2014, annex; Owen 1968, Technometrics 10(3), 445-478)."""
    _trial, _, fits = one_factor(low=4.0)
    win = find_window(fits, draws=DRAWS)
    points = pd.DataFrame({"polymer": np.linspace(0.28, 0.38, 6)})
    found = win.claim(points, confidence)
    fit = fits["firmness"]
    # noncentral t by its definition: scipy's own gives NaN for some of these noncentralities
    roots = np.sqrt(stats.chi2(fit.df_residual).ppf((np.arange(20_000) + 0.5) / 20_000) / fit.df_residual)
    assert stats.norm.cdf(2.5 * roots - 1.0).mean() == pytest.approx(stats.nct.cdf(2.5, fit.df_residual, 1.0), abs=1e-5)
    for x, (_, row) in zip(fit.model.matrix(points), found.iterrows(), strict=True):
        root_h = np.sqrt(x @ fit.cov_unscaled @ x)
        k = (x @ fit.beta - 4.0) / fit.sigma / root_h

        def over(z, k=k, root_h=root_h):
            return stats.norm.cdf(k * roots - z / root_h).mean() - confidence

        assert row["claim"] == pytest.approx(stats.norm.cdf(brentq(over, -8, 12)), abs=4.5 * row["mc_error"] + 1e-9)
    assert found["claim"].max() - found["claim"].min() > 0.3


def test_claim_of_two_responses_is_the_quantile_of_their_joint_rate(two_correlated):
    """Against rates by scipy's bivariate normal of independent posterior draws."""
    _trial, _, fits = two_correlated
    win = find_window(fits)
    point = pd.DataFrame([win.set_point.to_dict()])
    a, b = fits["firmness"], fits["spread"]
    residuals = np.column_stack([a.y - a.X @ a.beta, b.y - b.X @ b.beta])
    x = a.model.matrix(point)[0]
    rng = np.random.default_rng(5)
    sigmas = stats.invwishart(12, residuals.T @ residuals).rvs(3000, random_state=rng)
    centre = np.array([x @ a.beta, x @ b.beta])
    rates = []
    for sigma in sigmas:
        mean = rng.multivariate_normal(centre, sigma * (x @ a.cov_unscaled @ x))
        law = stats.multivariate_normal(mean, sigma)
        rates.append(law.cdf([np.inf, 4.2], lower_limit=[4.5, 3.0]))
    for confidence in (0.5, 0.9):
        row = win.claim(point, confidence).iloc[0]
        assert row["claim"] == pytest.approx(np.quantile(rates, 1 - confidence), abs=6 * row["mc_error"])


def test_claim_averages_over_setting_error():
    trial, _, fits = one_factor(low=4.0, n=14)
    plain, shaken = find_window(fits), find_window(fits, jitter={"polymer": 0.05})
    points = grid(trial, 5)
    rates = shaken._rates
    X = np.concatenate([fits["firmness"].model.matrix(points + 0.05 * node) for node in hermite(1)[0]])
    beta = rates.coefficients[0].T @ shaken._predictive.onto.T  # back to the model's own terms, the constant first
    z = (beta @ X.T - 4.0) / rates.factor[:, 0, 0, None]
    each = stats.norm.cdf(z).reshape(len(beta), -1, len(points))
    exact = np.quantile(np.einsum("dmn,m->dn", each, hermite(1)[1]), 0.1, axis=0)
    assert shaken.claim(points)["claim"].to_numpy() == pytest.approx(exact, abs=2e-3)
    assert np.abs(plain.claim(points)["claim"] - exact).max() > 0.02


# ---- tables


def test_settings_outside_the_region_are_flagged(two_correlated):
    _, _, fits = two_correlated
    win = find_window(fits)
    points = pd.DataFrame({"polymer": [0.4, 0.7], "speed": [700.0, 700.0]}, index=["in", "out"])
    for found in (win.probability(points), win.claim(points)):
        assert list(found.index) == ["in", "out"]
        assert list(found["extrapolated"]) == [False, True]
        assert "1 of 2 settings lie outside the study's region: there the models only extrapolate." in found.note
    assert win.probability(points.iloc[:1]).note == ""


def test_same_seed_same_window_and_another_seed_another(two_correlated):
    trial, _, fits = two_correlated
    points = grid(trial, 4)
    first, again, other = (find_window(fits, draws=1000, seed=s) for s in (1, 1, 2))
    pd.testing.assert_frame_equal(first.probability(points), again.probability(points))
    assert first.set_point.to_dict() == again.set_point.to_dict()
    assert not first.probability(points).equals(other.probability(points))


def test_a_narrow_mixture_keeps_its_digits():
    """Ranges of a few tenths of a percent give Scheffé coefficients that cancel; single precision must not show."""
    trial, _, fits = made(
        [Component("water", 98.6, 99.4), Component("carbomer", 0.2, 0.6), Component("crosspolymer", 0.2, 0.8)],
        [Response("firmness", "N", low=4.6, high=5.6)],
        [lambda Z: 5 + 400 * (Z[:, 1] - 0.004) - 2e5 * (Z[:, 2] - 0.005) ** 2],
        n=18,
        sd=0.05,
    )
    points = trial.region.sample(30, seed=2)
    agrees(find_window(fits, draws=DRAWS).probability(points), exact_t(fits["firmness"], points))


def test_categorical_factors_enter():
    _trial, _, fits = made(
        [Continuous("speed", 400, 1000, "rpm"), Categorical("impeller", ("anchor", "propeller", "disc"))],
        [Response("firmness", "N", low=4.5, high=6.0)],
        [lambda Z: 5 + Z[:, 0] + 0.8 * Z[:, 1] - 0.6 * Z[:, 2] * Z[:, 0]],
        n=24,
    )
    points = pd.DataFrame(
        {"speed": [500.0, 900.0] * 3, "impeller": ["anchor", "anchor", "propeller", "propeller", "disc", "disc"]}
    )
    agrees(find_window(fits, draws=DRAWS).probability(points), exact_t(fits["firmness"], points))


def test_only_responses_with_a_specification_enter():
    trial, table, _ = one_factor(low=4.0, high=6.5)
    both = Study(trial.name, trial.factors, [*trial.responses, Response("pH")])
    table["pH"] = 6 + np.sin(np.arange(len(table)))
    win = find_window(fit_all(both, table, model="linear"), draws=1000)
    alone = find_window(fit_all(trial, table, model="linear"), draws=1000)
    points = grid(trial, 5)
    pd.testing.assert_frame_equal(win.probability(points), alone.probability(points))
    assert win.not_judged == ("pH",)
    assert "Not judged, for want of a specification: pH." in repr(win)
