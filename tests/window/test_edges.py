"""How far one may stray: each factor alone, and to the nearest edge of failure."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

import doe

from .trials import exact_t, made

FACTORS = [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm", step=50)]


@pytest.fixture(scope="module")
def win():
    """Firmness rises with the polymer alone, so that its edges have a closed form."""
    response = doe.Response("firmness", "N", low=4.4, high=5.6)
    _, _, fits = made(FACTORS, [response], [lambda Z: 5 + 2 * Z[:, 0]], sd=0.05, model=["polymer"])
    return doe.find_window(fits, draws=20_000)


def exact_edge(win, up):
    """Where the posterior t of a new batch falls below the target."""
    fit = win.fits["firmness"]

    def over(polymer):
        return float(exact_t(fit, pd.DataFrame({"polymer": [polymer], "speed": [700.0]}))[0]) - 0.95

    here = float(win.set_point["polymer"])
    return brentq(over, here, 0.6 if up else 0.2)


def test_each_range_alone_ends_where_the_t_says(win):
    found = win.acceptable_ranges.set_index("factor")
    low, high = found.loc["polymer"]
    # a grid of 201 over the range of 0.4, ends inside, two Monte-Carlo errors held back
    assert exact_edge(win, up=False) <= low <= exact_edge(win, up=False) + 0.004
    assert exact_edge(win, up=True) - 0.004 <= high <= exact_edge(win, up=True)
    assert tuple(found.loc["speed"]) == (400, 1000)


def test_the_nearest_edge_lies_along_the_factor_that_matters(win):
    exact = min(abs(exact_edge(win, up) - float(win.set_point["polymer"])) for up in (True, False)) / 0.4
    assert win.edge.distance == pytest.approx(exact, abs=0.004)
    assert win.edge.limiting == "firmness"
    assert win.probability(pd.DataFrame([win.edge.setting]))["probability"].iloc[0] == pytest.approx(0.95, abs=0.01)
    assert "there firmness lets go first." in str(win)


def test_alone_is_never_narrower_than_together():
    responses = [doe.Response("a", low=4.0), doe.Response("b", high=6.0)]
    surfaces = [lambda Z: 5 + Z[:, 0] + 0.5 * Z[:, 1], lambda Z: 5 + Z[:, 0] - 0.5 * Z[:, 1]]
    _, _, fits = made(FACTORS, responses, surfaces, sd=0.1, model="interaction")
    win = doe.find_window(fits)
    together, alone = (t.set_index("factor") for t in (win.ranges, win.acceptable_ranges))
    assert (alone["low"] <= together["low"] + 1e-9).all()
    assert (alone["high"] >= together["high"] - 1e-9).all()
    assert (alone["high"] - alone["low"] > together["high"] - together["low"]).any()


def test_a_mixture_says_what_makes_room():
    parts = [
        doe.Component(n, low, high) for n, low, high in (("water", 60, 95), ("glycerin", 2, 30), ("polymer", 1, 10))
    ]
    response = doe.Response("firmness", "N", low=4.9)
    _, _, fits = made(parts, [response], [lambda Z: 5 + 10 * (Z[:, 2] - 0.05)], sd=0.1, model="linear", balance="water")
    win = doe.find_window(fits)
    assert "When a component moves, water makes room." in win.acceptable_ranges.note
    assert np.isfinite(win.edge.distance)


def test_nothing_fails_and_everything_fails():
    _, _, fits = made(FACTORS, [doe.Response("a", low=1.0)], [lambda Z: 5 + 0.1 * Z[:, 0]], sd=0.1, model="linear")
    win = doe.find_window(fits)
    assert win.edge.setting is None
    assert win.edge.words == "No edge of failure lies in the region around the set point."
    assert win.acceptable_ranges["low"].tolist() == [0.2, 400]
    _, _, fits = made(FACTORS, [doe.Response("a", low=9.0)], [lambda Z: 5 + 0.1 * Z[:, 0]], sd=0.1, model="linear")
    lost = doe.find_window(fits)
    assert lost.edge.words == "The set point itself does not surely hold 0.95."
    assert lost.edge.distance == 0
    assert lost.acceptable_ranges["low"].isna().all()


def test_levels_that_hold_are_listed():
    supplier = doe.Categorical("supplier", ["A", "B"])
    response = doe.Response("a", low=4.5)
    _, _, fits = made([FACTORS[0], supplier], [response], [lambda Z: 5 + 2 * Z[:, 1]], sd=0.1, model="linear")
    row = doe.find_window(fits).acceptable_ranges.set_index("factor").loc["supplier"]
    assert row["low"] == "A"
