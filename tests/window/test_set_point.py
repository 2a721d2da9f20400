"""The set point: the highest chance of the region, on what the bench can set."""

import numpy as np
import pandas as pd
import pytest

from doe.study import Categorical, Component, Continuous, Discrete, Response
from doe.window import find_window

from .trials import exact_t, grid, made


def as_row(win):
    return pd.DataFrame([win.set_point.to_dict()])


def two_hills(**factor):
    """Firmness is low in the middle and must be at least 6.3: both ends of the range do it, the upper one better."""
    return made(
        [Continuous("polymer", 0.0, 10.0, "%", **factor)],
        [Response("firmness", "N", low=6.3)],
        [lambda Z: 5 + 0.1 * Z[:, 0] + 1.5 * Z[:, 0] ** 2],
        n=12,
    )


def test_the_higher_of_two_hills_is_found():
    trial, _, fits = two_hills()
    win = find_window(fits)
    points = grid(trial, 401)
    exact = exact_t(fits["firmness"], points)
    low, high = exact[:200].max(), exact[201:].max()
    assert 0.01 < high - low < 0.2  # two different hills
    found = exact_t(fits["firmness"], as_row(win))[0]
    assert found == pytest.approx(exact.max(), abs=2e-3)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_setting_of_a_fine_grid_is_better(seed):
    """Three factors, one response between two limits: the exact chance at the set point against 21³ settings."""
    rng = np.random.default_rng(seed)
    b, q = rng.standard_normal(3), 0.7 * rng.standard_normal((3, 3))
    trial, _, fits = made(
        [Continuous(name, 0, 10) for name in ("a", "b", "c")],
        [Response("firmness", low=4.7, high=5.6)],
        [lambda Z: 5 + Z @ b + np.einsum("ni,ij,nj->n", Z, q, Z)],
        n=20,
        seed=seed,
    )
    win = find_window(fits, seed=seed)
    best = exact_t(fits["firmness"], grid(trial, 21)).max()
    found = exact_t(fits["firmness"], as_row(win))[0]
    assert found > best - 2e-3
    assert win.set_point_probability == pytest.approx(found, abs=4.5 * win.mc_error)


def test_its_chance_is_from_draws_that_had_no_part_in_the_search():
    _, _, fits = two_hills()
    win = find_window(fits, draws=500)
    assert win.set_point_probability != win.probability(as_row(win))["probability"].iloc[0]
    assert win.mc_error == pytest.approx(
        np.sqrt(win.set_point_probability * (1 - win.set_point_probability) / 5000), rel=0.01
    )


def test_among_settings_that_all_hold_the_one_farthest_from_the_limits():
    """Chances of 1.0000 cannot be told apart by counting; the middle between the limits is the sound choice."""
    _, _, fits = made(
        [Continuous("polymer", 0.0, 10.0, "%")],
        [Response("firmness", "N", low=0.0, high=10.0)],
        [lambda Z: 5 + 4 * Z[:, 0]],
        n=12,
        model="linear",
    )
    assert find_window(fits).set_point["polymer"] == pytest.approx(5.0, abs=0.8)


def test_steps_and_levels():
    _trial, _, fits = made(
        [Continuous("polymer", 0.13, 0.61, "%", step=0.05), Discrete("speed", (400, 650, 1000), "rpm")],
        [Response("firmness", "N", low=4.9, high=5.3)],
        [lambda Z: 5 + 2 * Z[:, 0] - Z[:, 1]],
        n=18,
        model="linear",
    )
    win = find_window(fits)
    assert win.set_point["speed"] in (400.0, 650.0, 1000.0)
    assert win.set_point["polymer"] / 0.05 == pytest.approx(round(win.set_point["polymer"] / 0.05), abs=1e-9)
    settable = pd.DataFrame(
        [(p, s) for p in np.arange(0.15, 0.61, 0.05) for s in (400.0, 650.0, 1000.0)], columns=["polymer", "speed"]
    )
    best = exact_t(fits["firmness"], settable).max()
    assert exact_t(fits["firmness"], as_row(win))[0] > best - 2e-3
    off = exact_t(fits["firmness"], pd.DataFrame({"polymer": [0.37], "speed": [620.0]}))[0]
    assert off > best  # the steps do cost something


def test_constraints_hold_at_the_set_point():
    trial, _, fits = made(
        [Continuous("carbomer", 0.1, 0.9, "%", step=0.01), Continuous("crosspolymer", 0.1, 0.9, "%", step=0.01)],
        [Response("firmness", "N", low=6.5)],
        [lambda Z: 5 + Z[:, 0] + 1.2 * Z[:, 1]],
        n=16,
        model="linear",
        constraints=["carbomer + crosspolymer <= 1.0"],
    )
    win = find_window(fits)
    assert trial.region.contains(as_row(win)).all()
    points = grid(trial, 81)
    points = points[trial.region.contains(points)]
    assert exact_t(fits["firmness"], as_row(win))[0] > exact_t(fits["firmness"], points).max() - 2e-3
    assert win.set_point.sum() == pytest.approx(1.0, abs=1e-9)


def test_a_mixture_adds_up_and_is_settable():
    trial, _, fits = made(
        [
            Component("water", 80, 96),
            Component("glycerin", 2, 15, step=0.5),
            Component("polymer", 2, 8, step=0.1),
        ],
        [Response("firmness", "N", low=4.0, high=6.0), Response("tack", low=1.0, high=2.0)],
        [lambda Z: 5 * Z[:, 0] + 2 * Z[:, 1] + 20 * Z[:, 2], lambda Z: Z[:, 0] + 9 * Z[:, 1]],
        n=16,
        balance="water",
    )
    win = find_window(fits)
    assert trial.region.contains(as_row(win)).all()
    assert win.set_point.sum() == pytest.approx(100.0, abs=1e-9)
    assert win.set_point["glycerin"] * 2 == pytest.approx(round(win.set_point["glycerin"] * 2), abs=1e-9)
    assert win.set_point["polymer"] * 10 == pytest.approx(round(win.set_point["polymer"] * 10), abs=1e-9)
    pool = trial.region.sample(2000, seed=5)
    best = win.probability(pool)["probability"].max()
    assert win.set_point_probability > best - 0.01


def test_the_best_level_of_a_categorical_factor():
    trial, _, fits = made(
        [Continuous("speed", 400, 1000, "rpm"), Categorical("impeller", ("anchor", "propeller", "disc"))],
        [Response("firmness", "N", low=5.9)],
        [lambda Z: 5 + 0.5 * Z[:, 0] + 0.2 * Z[:, 1] + 0.8 * Z[:, 2]],
        n=24,
    )
    win = find_window(fits)
    assert win.set_point["impeller"] == "propeller"
    assert win.set_point["speed"] > 900
    assert trial.region.contains(as_row(win)).all()


def test_limits_far_out_of_reach_are_approached():
    """Nothing in the region comes near: the set point is still the nearest, and the chance is said to be nothing."""
    _, _, fits = made(
        [Continuous("polymer", 0.0, 10.0, "%"), Continuous("speed", 0.0, 10.0, "rpm")],
        [Response("firmness", "N", low=500.0)],
        [lambda Z: 5 + 2 * Z[:, 0] - Z[:, 1]],
        n=12,
        model="linear",
    )
    win = find_window(fits)
    assert win.set_point_probability == 0.0
    assert win.mc_error > 0
    assert (win.set_point["polymer"], win.set_point["speed"]) == (10.0, 0.0)
