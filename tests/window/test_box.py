"""Ranges that hold together: valid everywhere inside, widest by their own measure, empty with the reason."""

import numpy as np
import pandas as pd
import pytest

from doe.study import Categorical, Component, Continuous, Discrete, Response
from doe.study.shown import error_text
from doe.window import find_window
from doe.window.box_search import BoxSearch

from .trials import exact_t, grid, made


def ends(table):
    numbers = table[[not isinstance(v, str) for v in table["low"]]]
    return numbers["low"].to_numpy(dtype=float), numbers["high"].to_numpy(dtype=float)


def inside(table, study, n, seed=0):
    """Settings in the box: corners, edges and interior."""
    low, high = ends(table)
    rng = np.random.default_rng(seed)
    u = rng.random((n, len(low)))
    u = np.where(rng.random(u.shape) < 0.3, np.round(u), u)
    return pd.DataFrame(low + u * (high - low), columns=list(table["factor"]))


@pytest.fixture(scope="module")
def three_factors():
    """Curved in all three, so that the exact set of good settings is neither a box nor convex by construction."""
    q = np.array([[0.9, 0.3, -0.2], [0.3, -0.8, 0.4], [-0.2, 0.4, 0.6]])
    return made(
        [Continuous("polymer", 0.2, 0.6, "%"), Continuous("speed", 400, 1000, "rpm"), Continuous("minutes", 5, 25)],
        [Response("firmness", "N", low=4.0, high=6.2)],
        [lambda Z: 5 + Z @ [1.0, -0.6, 0.4] + np.einsum("ni,ij,nj->n", Z, q, Z)],
        n=22,
    )


@pytest.fixture(scope="module")
def win(three_factors):
    return find_window(three_factors[2], target=0.9)


def test_every_setting_inside_holds(three_factors, win):
    trial, _, fits = three_factors
    box = win.ranges
    assert list(box.columns) == ["factor", "low", "high"]
    assert list(box["factor"]) == trial.names
    exact = exact_t(fits["firmness"], inside(box, trial, 20_000))
    assert exact.min() >= 0.9
    # and it is not needlessly narrow: the worst setting lies within a few Monte-Carlo errors of the target
    assert exact.min() < 0.9 + 0.012
    low, high = ends(box)
    point = win.set_point.to_numpy(dtype=float)
    assert ((low <= point) & (point <= high)).all()


def test_the_worst_setting_is_told(three_factors, win):
    trial, _, fits = three_factors
    worst = win.worst
    assert list(worst.columns) == [*trial.names, "probability", "mc_error"]
    low, high = ends(win.ranges)
    setting = worst[trial.names].to_numpy(dtype=float)[0]
    assert ((low <= setting) & (setting <= high)).all()
    exact = exact_t(fits["firmness"], worst[trial.names])[0]
    assert worst["probability"].iloc[0] == pytest.approx(exact, abs=4.5 * worst["mc_error"].iloc[0])
    assert worst["probability"].iloc[0] - 2 * worst["mc_error"].iloc[0] >= 0.9
    assert exact < exact_t(fits["firmness"], inside(win.ranges, trial, 5000)).min() + 0.004
    assert f"the chance is {worst['probability'].iloc[0]:.4f}" in win.ranges.note


@pytest.mark.slow
def test_no_random_box_is_wider(three_factors, win):
    """10,000 random boxes around the set point, each valid by the exact chance on a grid of 5 settings a side."""
    trial, _, fits = three_factors
    low, high = ends(win.ranges)
    span = np.array([f.high - f.low for f in trial.factors])
    ours = np.log((high - low) / span).sum()
    point = win.set_point.to_numpy(dtype=float)
    rng = np.random.default_rng(3)
    least, most = (np.array([getattr(f, side) for f in trial.factors]) for side in ("low", "high"))
    # ends between the set point and a little beyond ours, so that many of the boxes are nearly as wide
    reach = (
        np.minimum(1.3 * (high - point) + 0.02 * span, most - point),
        np.minimum(1.3 * (point - low) + 0.02 * span, point - least),
    )
    unit = grid(trial, 5).to_numpy(dtype=float)
    unit = (unit - least) / span
    up, down = (point + rng.random((10_000, 3)) * reach[0], point - rng.random((10_000, 3)) * reach[1])
    measure = np.log((up - down) / span).sum(axis=1)

    def valid(i):
        settings = pd.DataFrame(down[i] + unit * (up[i] - down[i]), columns=trial.names)
        return exact_t(fits["firmness"], settings).min() >= 0.9

    widest = next(measure[i] for i in np.argsort(-measure) if valid(i))  # widest first: the rest need no look
    assert ours > widest


def test_a_dip_between_good_settings_is_not_bridged():
    """Firmness dips below its limit in the middle of the range; both ends are good, and a search of corners alone would join them."""
    trial, _, fits = made(
        [Continuous("polymer", 0.0, 10.0, "%")],
        [Response("firmness", "N", low=5.2)],
        [lambda Z: 5 + 0.1 * Z[:, 0] + 3 * Z[:, 0] ** 2],
        n=14,
    )
    win = find_window(fits, target=0.9)
    points = grid(trial, 1001)
    good = points["polymer"][exact_t(fits["firmness"], points) >= 0.9].to_numpy()
    assert good.min() == 0.0
    assert good.max() == 10.0
    low, high = (end[0] for end in ends(win.ranges))
    assert exact_t(fits["firmness"], inside(win.ranges, trial, 2000)).min() >= 0.9
    assert high - low < 6
    # the whole of the side that holds the set point, but for the margin of two Monte-Carlo errors
    edge = good[good > 5].min() if win.set_point["polymer"] > 5 else good[good < 5].max()
    assert (low if win.set_point["polymer"] > 5 else high) == pytest.approx(edge, abs=0.12)


def test_weights_trade_width(win):
    even, tilted = win.ranges, win.box(weights={"speed": 8.0})
    width = {name: hi - lo for name, lo, hi in zip(even["factor"], *ends(even), strict=True)}
    wider = {name: hi - lo for name, lo, hi in zip(tilted["factor"], *ends(tilted), strict=True)}
    assert wider["speed"] > 1.1 * width["speed"]
    assert wider["polymer"] * wider["minutes"] < width["polymer"] * width["minutes"]


def test_a_pinned_setting_and_a_pinned_range(three_factors, win):
    trial, _, fits = three_factors
    minutes = float(win.set_point["minutes"])
    held = win.box(pin={"minutes": minutes})
    row = held.set_index("factor").loc["minutes"]
    assert row["low"] == row["high"] == minutes
    free = {name: hi - lo for name, lo, hi in zip(win.ranges["factor"], *ends(win.ranges), strict=True)}
    given = {name: hi - lo for name, lo, hi in zip(held["factor"], *ends(held), strict=True)}
    assert given["polymer"] * given["speed"] > 1.05 * free["polymer"] * free["speed"]
    span = (minutes - 1.0, minutes + 1.0)
    ranged = win.box(pin={"minutes": span})
    row = ranged.set_index("factor").loc["minutes"]
    assert (row["low"], row["high"]) == pytest.approx(span)
    for box in (held, ranged):
        assert exact_t(fits["firmness"], inside(box, trial, 5000)).min() >= 0.9
        assert "Built around the set point." in box.note


def test_a_pin_away_from_the_set_point_moves_the_box(three_factors, win):
    trial, _, fits = three_factors
    elsewhere = 0.55 if win.set_point["polymer"] < 0.4 else 0.25
    box = win.box(pin={"polymer": elsewhere})
    assert "Built around the best setting with what is pinned." in box.note or box.note.startswith(
        "No box: at the best setting with what is pinned itself the chance is "
    )
    if len(box):
        assert exact_t(fits["firmness"], inside(box, trial, 5000)).min() >= 0.9


def test_a_claim_needs_a_narrower_box(three_factors, win):
    trial, _, _ = three_factors
    box = win.box(confidence=0.9)
    low, high = ends(win.ranges)
    narrow_low, narrow_high = ends(box)
    assert np.log(narrow_high - narrow_low).sum() < np.log(high - low).sum() - 0.1
    claims = win.claim(inside(box, trial, 300), 0.9)
    assert (claims["claim"] >= 0.9 - claims["mc_error"]).all()
    assert "the claim at 0.9 confidence is " in box.note
    allowed = "The claim allows for set point and ranges having been chosen on these same readings."
    assert allowed in box.note
    assert "claim" not in win.ranges.note
    none = find_window(three_factors[2], target=0.995, draws=1000).box(confidence=0.99)
    assert not len(none)
    assert none.note.startswith("No box: at the set point itself the claim at 0.99 confidence is ")
    assert none.note.endswith(allowed)


def test_constraints_hold_in_the_whole_box():
    trial, _, fits = made(
        [Continuous("carbomer", 0.1, 0.9, "%"), Continuous("crosspolymer", 0.1, 0.9, "%")],
        [Response("firmness", "N", low=4.0)],
        [lambda Z: 5 + Z[:, 0] + 1.2 * Z[:, 1]],
        n=16,
        model="linear",
        constraints=["carbomer + crosspolymer <= 1.0"],
    )
    box = find_window(fits).ranges
    _low, high = ends(box)
    assert high.sum() <= 1.0 + 1e-9
    assert high.sum() == pytest.approx(1.0, abs=2e-3)  # the constraint is what ends it
    assert trial.region.contains(inside(box, trial, 1000)).all()


@pytest.mark.parametrize("balance", ["water", None])
def test_a_mixture_names_what_takes_up_the_rest(balance):
    trial, _, fits = made(
        [Component("water", 80, 96), Component("glycerin", 2, 15), Component("polymer", 2, 8)],
        [Response("firmness", "N", low=3.5, high=7.0)],
        [lambda Z: 5 * Z[:, 0] + 2 * Z[:, 1] + 20 * Z[:, 2]],
        n=16,
        balance=balance,
    )
    win = find_window(fits, target=0.9)
    box = win.ranges.set_index("factor")
    assert "water takes up what the others leave: its range follows from theirs." in win.ranges.note
    assert box.loc["water", "low"] == pytest.approx(100 - box.loc["glycerin", "high"] - box.loc["polymer", "high"])
    assert box.loc["water", "high"] == pytest.approx(100 - box.loc["glycerin", "low"] - box.loc["polymer", "low"])
    rng = np.random.default_rng(1)
    free = {name: rng.uniform(box.loc[name, "low"], box.loc[name, "high"], 5000) for name in ("glycerin", "polymer")}
    points = pd.DataFrame({"water": 100 - free["glycerin"] - free["polymer"], **free})
    assert trial.region.contains(points).all()
    assert exact_t(fits["firmness"], points).min() >= 0.9


def test_levels_are_contiguous_and_categories_fixed():
    trial, _, fits = made(
        [
            Continuous("polymer", 0.2, 0.6, "%", step=0.02),
            Discrete("speed", (400, 550, 700, 850, 1000), "rpm"),
            Categorical("impeller", ("anchor", "propeller")),
        ],
        [Response("firmness", "N", low=4.2, high=6.0)],
        [lambda Z: 5 + 1.5 * Z[:, 0] - Z[:, 1] + 0.3 * Z[:, 2]],
        n=30,
        model="linear",
    )
    win = find_window(fits, target=0.9)
    box = win.ranges.set_index("factor")
    assert box.loc["impeller", "low"] == box.loc["impeller", "high"] == win.set_point["impeller"]
    levels = np.array([400.0, 550.0, 700.0, 850.0, 1000.0])
    held = levels[(levels >= box.loc["speed", "low"]) & (levels <= box.loc["speed", "high"])]
    assert box.loc["speed", "low"] in levels
    assert box.loc["speed", "high"] in levels
    assert len(held) > 1
    steps = (
        np.arange(np.round(box.loc["polymer", "low"] / 0.02), np.round(box.loc["polymer", "high"] / 0.02) + 1) * 0.02
    )
    assert [steps[0], steps[-1]] == pytest.approx([box.loc["polymer", "low"], box.loc["polymer", "high"]])
    points = pd.DataFrame([(p, s, box.loc["impeller", "low"]) for p in steps for s in held], columns=trial.names)
    exact = exact_t(fits["firmness"], points)
    assert exact.min() >= 0.9
    # one more step or level on any side would not hold, or leaves the range
    for name, values in (("polymer", np.arange(0.2, 0.6001, 0.02)), ("speed", levels)):
        for end, outward in (
            ("low", values[values < box.loc[name, "low"] - 1e-9]),
            ("high", values[values > box.loc[name, "high"] + 1e-9]),
        ):
            if len(outward):
                more = points.copy()
                more[name] = outward[-1] if end == "low" else outward[0]
                assert exact_t(fits["firmness"], more).min() < 0.9 + 0.01


def test_on_steps_no_box_is_wider():
    """All boxes on the steps of two factors, by the exact chance of every settable setting."""
    trial, _, fits = made(
        [Continuous("polymer", 0.2, 0.6, "%", step=0.02), Continuous("speed", 400, 1000, "rpm", step=50)],
        [Response("firmness", "N", low=4.2, high=6.4)],
        [lambda Z: 5 + Z[:, 0] - 0.6 * Z[:, 1] + 0.5 * Z[:, 0] ** 2 + 0.4 * Z[:, 0] * Z[:, 1]],
        n=20,
    )
    win = find_window(fits, target=0.9)
    a, b = np.arange(10, 31) * 0.02, np.arange(8, 21) * 50.0
    points = pd.DataFrame([(x, y) for x in a for y in b], columns=trial.names)
    good = (exact_t(fits["firmness"], points) >= 0.9 + 5 * np.sqrt(0.09 / 40_000)).reshape(len(a), len(b))
    at = np.abs(a - win.set_point["polymer"]).argmin(), np.abs(b - win.set_point["speed"]).argmin()
    widest = max(
        (a[k] - a[i]) * (b[m] - b[j])
        for i in range(at[0] + 1)
        for k in range(at[0], len(a))
        for j in range(at[1] + 1)
        for m in range(at[1], len(b))
        if good[i : k + 1, j : m + 1].all()
    )
    low, high = ends(win.ranges)
    assert np.prod(high - low) >= widest - 1e-9
    assert widest > 0.02 * 50 * 20


def test_the_end_at_which_the_set_point_lies_is_said():
    """The best speed is well inside its range; the box reaches further to one side only if that is where there is room."""
    _, _, fits = made(
        [Continuous("polymer", 0.0, 1.0, "%", step=0.25), Continuous("speed", 0.0, 10.0)],
        [Response("firmness", "N", low=4.4, high=5.6)],
        [lambda Z: 5 + 0.8 * Z[:, 0] - 1.2 * Z[:, 1]],
        n=20,
        model="linear",
    )
    win = find_window(fits, target=0.9)
    low, high = ends(win.ranges)
    point = win.set_point.to_numpy(dtype=float)
    at_end = [
        name
        for name, v, a, b, least, most in zip(
            win.set_point.index, point, low, high, (0.0, 0.0), (1.0, 10.0), strict=True
        )
        if a < b and (v in (a, b)) and v not in (least, most)
    ]
    words = f"The set point lies at an end of the range of {', '.join(at_end)}."
    assert (words in win.ranges.note) == bool(at_end)


def test_empty_with_the_reason(three_factors):
    _, _, fits = three_factors
    win = find_window(fits, target=0.9999)
    assert len(win.ranges) == 0
    assert list(win.ranges.columns) == ["factor", "low", "high"]
    assert len(win.worst) == 0
    p, error = win.set_point_probability, win.mc_error
    assert win.ranges.note == (
        f"No box: at the set point itself the chance is {p:.4f} (Monte-Carlo error {error_text(error)}), not surely 0.9999 or more."
    )


def test_a_given_range_that_cannot_hold(win):
    box = win.box(pin={"polymer": (0.2, 0.6), "speed": (400, 1000)})
    assert len(box) == 0
    assert box.note == "No box: around the set point the pinned ranges alone do not hold 0.9; narrow them."


def test_fewer_draws_decide_only_what_they_show_beyond_doubt(three_factors, win):
    """Settings across the edge of the window: the same answer as counting all draws everywhere."""
    settings = win._predictive.settings
    search = BoxSearch(
        win._predictive,
        settings,
        {},
        win.set_point.to_numpy(dtype=float),
        win._shown,
        np.ones(3),
        0,
        lambda Z: win._predictive.chance(Z, win._check),
        quick=win._quick,
    )
    points = three_factors[0].region.sample(3000, seed=8).to_numpy(dtype=float)
    counted = []
    search.level, level = lambda Z: counted.append(len(Z)) or level(Z), search.level
    found = search._reaches(points, 0.9)
    whole = level(search._encoded(points))[0] >= 0.9
    np.testing.assert_array_equal(found, whole)
    assert 0 < whole.sum() < 3000
    assert 0 < sum(counted) < 1500
    search.quick = None
    np.testing.assert_array_equal(search._reaches(points, 0.9), whole)
