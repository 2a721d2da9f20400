"""Proportional odds on arrays: against statsmodels, against numerical derivatives, and where scores are separated."""

import numpy as np
import pytest
from scipy import special
from statsmodels.miscmodels.ordinal_model import OrderedModel

from doe.fits import proportional_odds as odds
from doe.fits.ordinal_posterior import Posterior


def scored(seed, n=60, q=3, levels=5):
    rng = np.random.default_rng(seed)
    X = rng.uniform(-1, 1, (n, q))
    edge = np.linspace(-2, 2, levels - 1)
    u = X @ np.linspace(2, -1, q) + rng.logistic(size=n)
    return X, (u[:, None] > edge).sum(axis=1)


SEPARATED = np.repeat([-1.0, 1.0], 6)[:, None], np.array([0, 0, 1, 1, 0, 1, 3, 4, 3, 4, 4, 3])


@pytest.mark.parametrize("seed", range(4))
def test_without_a_prior_it_is_what_statsmodels_gives(seed):
    X, y = scored(seed, levels=3 + seed)
    ours = odds.solve(X, y, 3 + seed)
    model = OrderedModel(y, X, distr="logit")
    theirs = model.fit(method="bfgs", disp=0, gtol=1e-8, maxiter=500)
    # their optimiser stops at a gradient of about 1e-6
    np.testing.assert_allclose(ours.slopes[0], theirs.params[: X.shape[1]], atol=2e-5)
    np.testing.assert_allclose(ours.cuts[0], model.transform_threshold_params(theirs.params)[1:-1], atol=2e-5)
    assert ours.log_likelihood[0] == pytest.approx(theirs.llf, abs=1e-8)
    error = np.sqrt(np.diag(np.linalg.inv(ours.own_information[0])))[-X.shape[1] :]
    np.testing.assert_allclose(error, theirs.bse[: X.shape[1]], rtol=1e-4)  # theirs by finite differences


def test_many_data_sets_at_once_are_the_same_as_one_by_one():
    sets = [scored(s) for s in range(5)]
    X = sets[0][0]
    Y = np.array([y for _, y in sets])
    together = odds.solve(X, Y, 5, np.eye(3) / 6.25)
    for i, y in enumerate(Y):
        alone = odds.solve(X, y, 5, np.eye(3) / 6.25)
        np.testing.assert_allclose(together.slopes[i], alone.slopes[0], atol=1e-9)
        assert together.objective[i] == pytest.approx(alone.objective[0], abs=1e-10)


def test_separated_scores_have_no_finite_solution_without_a_prior_and_one_with_it():
    X, y = SEPARATED
    codes = np.unique(y, return_inverse=True)[1]
    without = odds.solve(X, codes, 4)
    assert not without.converged[0]
    # between the two groups nothing is left to explain: two fair choices of six each
    assert without.log_likelihood[0] == pytest.approx(12 * np.log(0.5), abs=1e-6)
    with_prior = odds.solve(X, y, 5, np.eye(1) / 6.25)
    assert with_prior.converged[0]
    assert 1.0 < with_prior.slopes[0, 0] < 6.0
    assert (np.diff(with_prior.cuts[0]) > 0).all()


def test_the_mode_has_no_slope_and_its_information_is_the_second_derivative():
    X, y = SEPARATED
    posterior = Posterior(X, y, 5, np.eye(1) / 6.25)
    mode, J = posterior._summit
    assert np.abs(posterior._gradient(mode)).max() < 1e-6
    # central differences with steps of 1e-3: an error of some 1e-6 of the fourth derivatives
    np.testing.assert_allclose(J, posterior._curvature(mode), atol=1e-4)


def test_chances_keep_their_digits_in_the_tails():
    with np.errstate(under="ignore"):
        value = odds.log_chance(np.array([40.0, -39.0, 1e-9]), np.array([39.0, -40.0, 0.0]))
    exact = [special.log_expit(-39.0) + np.log1p(-np.exp(-1.0))] * 2
    np.testing.assert_allclose(value[:2], exact, rtol=1e-12)
    assert value[2] == pytest.approx(np.log(0.25e-9), rel=1e-9)
    c = odds.score_chances(np.array([0.0, 500.0, -500.0]), np.array([-1.0, 0.0, 1.0]))
    np.testing.assert_allclose(c.sum(axis=1), 1.0)
    np.testing.assert_allclose(c[1], [0, 0, 0, 1], atol=1e-200)


def test_gaps_and_back():
    cuts = np.array([[-2.0, -1.5, 3.0]])
    np.testing.assert_allclose(odds.from_log_gaps(odds.with_log_gaps(cuts)), cuts)


@pytest.mark.parametrize("kinds", [1, 2])
def test_shared_intercepts_are_integrated_out(kinds):
    """Against plain Monte Carlo over the intercepts, seed 5, 400,000 draws: error below 0.02 in the log."""
    X, y = scored(7, n=8)
    batch, plot = np.arange(8) // 2, np.arange(8) // 4
    groups = (plot, batch) if kinds == 2 else (batch,)
    posterior = Posterior(X, y, 5, np.eye(3), groups)
    theta = np.array([[-1.5, 0.0, 0.1, 0.2, 1.0, 0.5, -0.5, *([np.log(0.9), np.log(0.7)][-kinds:])]])
    parts = posterior.parts(theta)
    rng = np.random.default_rng(5)
    shift = sum(
        s * rng.standard_normal((400_000, int(g.max()) + 1))[:, g]
        for s, g in zip(parts.spreads[0], groups, strict=True)
    )
    edges = np.concatenate([[-np.inf], parts.cuts[0], [np.inf]])
    eta = parts.slopes[0] @ X.T + shift
    each = np.exp(odds.log_chance(edges[y + 1] - eta, edges[y] - eta)).prod(axis=1)
    assert posterior.log_likelihoods(theta).sum() == pytest.approx(np.log(each.mean()), abs=0.02)


def test_draws_agree_with_the_posterior_on_a_grid():
    """One slope, two scores: mean and SD by quadrature on a fine grid; 20,000 draws, seed 3, three Monte-Carlo errors."""
    x = np.array([-1.0, -1, -1, 0, 0, 1, 1, 1])
    y = np.array([0, 0, 0, 0, 1, 1, 1, 1])
    posterior = Posterior(x[:, None], y, 2, np.eye(1) / 6.25)
    c, b = np.meshgrid(np.linspace(-12, 12, 601), np.linspace(-10, 16, 601))
    grid = np.exp(posterior.log_density(np.column_stack([c.ravel(), b.ravel()])))
    mean = (grid @ b.ravel()) / grid.sum()
    sd = np.sqrt((grid @ (b.ravel() - mean) ** 2) / grid.sum())
    found = posterior.draws(20_000, 3)
    assert found.effective > 10_000
    slopes = posterior.parts(found.theta).slopes[:, 0]
    assert slopes.mean() == pytest.approx(mean, abs=3 * sd / 100)
    assert slopes.std() == pytest.approx(sd, rel=0.03)
