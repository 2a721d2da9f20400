"""No window: what limits it, which specifications clash, what would open it."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import doe

from .trials import made

FACTORS = [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm")]


def window(responses, surfaces, sd=0.1, n=20, **more):
    _, _, fits = made(FACTORS, responses, surfaces, sd=sd, n=n, model="linear", **more)
    return doe.find_window(fits)


def test_chemistry_limits_where_no_mean_meets_everything():
    clash = [doe.Response("a", low=5.7), doe.Response("b", low=5.7)]
    win = window(clash, [lambda Z: 5 + Z[:, 0], lambda Z: 5 - Z[:, 0]])
    found = win.obstacles
    assert not win.reached
    assert found.limiting == "chemistry"
    assert found.clashes["responses"].tolist() == ["a and b"]
    assert found.clashes["together"].iloc[0] < 0.05 < 0.9 < found.clashes["alone"].iloc[0]
    assert "a and b stand most in each other's way." in str(win)


def test_noise_limits_where_batches_scatter_too_widely():
    win = window([doe.Response("a", low=4.5, high=5.5)], [lambda Z: 5 + Z[:, 0]], sd=0.5, n=200)
    assert win.obstacles.limiting == "noise"
    sigma = win.fits["a"].sigma
    exact = stats.norm.cdf(0.5 / sigma) - stats.norm.cdf(-0.5 / sigma)
    assert win.obstacles.best_known == pytest.approx(exact, abs=0.03)


def test_uncertainty_limits_a_small_trial():
    win = window([doe.Response("a", low=4.5, high=5.5)], [lambda Z: 5 + Z[:, 0]], sd=0.15, n=5, seed=1)
    assert not win.reached
    assert win.obstacles.limiting == "uncertainty"
    assert win.obstacles.best_known >= 0.95


def test_the_relaxed_limit_opens_the_window():
    """One response: the limit needed is that whose posterior t gives the target."""
    win = window([doe.Response("a", low=6.2, decimals=3)], [lambda Z: 5 + Z[:, 0]])
    row = win.obstacles.relaxations.iloc[0]
    assert (row["response"], row["limit"], row["now"]) == ("a", "low", "6.200")
    fit = win.fits["a"]
    x = fit.model.matrix(pd.DataFrame({"polymer": [0.6] * 3, "speed": [400.0, 700.0, 1000.0]}))
    spread = fit.sigma * np.sqrt(1 + np.einsum("ij,jk,ik->i", x, fit.cov_unscaled, x))
    exact = (x @ fit.beta - stats.t.ppf(0.95, fit.df_residual) * spread).max()
    # from 2,000 draws, two of their errors above the target
    assert exact - 0.06 < float(row["needed"]) < exact + 0.02
    relaxed = window([doe.Response("a", low=float(row["needed"]))], [lambda Z: 5 + Z[:, 0]])
    assert relaxed.reached


def test_a_factor_at_its_end_is_named():
    win = window([doe.Response("a", low=6.2)], [lambda Z: 5 + Z[:, 0]])
    assert ("polymer", "high") in win.obstacles.wider
    assert "polymer lies at the high end of its range and the chance still rises there" in win.obstacles.words


def test_nothing_is_said_where_there_is_a_window():
    win = window([doe.Response("a", low=4.2)], [lambda Z: 5 + Z[:, 0]])
    assert win.obstacles.reached
    assert win.obstacles.words == "There is a window."
    assert "What stands in the way" not in str(win)


@pytest.mark.parametrize("target", [0.99, 0.998, 0.999])
def test_a_target_near_1_is_judged_by_more_draws(target):
    """Too few draws to tell must not read as no way out: the limit needed is that whose posterior t gives the target."""
    _, _, fits = made(
        FACTORS, [doe.Response("a", low=6.2, decimals=3)], [lambda Z: 5 + Z[:, 0]], sd=0.1, model="linear"
    )
    win = doe.find_window(fits, target=target)
    assert not win.reached
    assert "No single limit" not in win.obstacles.words
    row = win.obstacles.relaxations.iloc[0]
    fit = win.fits["a"]
    x = fit.model.matrix(pd.DataFrame({"polymer": [0.6] * 3, "speed": [400.0, 700.0, 1000.0]}))
    spread = fit.sigma * np.sqrt(1 + np.einsum("ij,jk,ik->i", x, fit.cov_unscaled, x))
    exact = (x @ fit.beta - stats.t.ppf(target, fit.df_residual) * spread).max()
    assert exact - 0.25 < float(row["needed"]) < exact + 0.03
    relaxed = made(
        FACTORS, [doe.Response("a", low=float(row["needed"]) - 0.03)], [lambda Z: 5 + Z[:, 0]], sd=0.1, model="linear"
    )[2]
    assert doe.find_window(relaxed, target=target, draws=20_000).set_point_probability >= target


def test_a_target_next_to_1_is_not_worked_out_and_says_so():
    _, _, fits = made(FACTORS, [doe.Response("a", low=6.2)], [lambda Z: 5 + Z[:, 0]], sd=0.1, model="linear")
    found = doe.find_window(fits, target=0.99999).obstacles
    assert len(found.relaxations) == 0
    assert "was not worked out: 0.99999 is too near 1." in found.words
    assert "No single limit" not in found.words
