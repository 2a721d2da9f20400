"""The window in words: what was judged and how, the set point, the ranges, what it does not say; maps and their notes."""

import numpy as np
import pandas as pd
import pytest

from doe.fits import fit_all
from doe.study import Categorical, Component, Continuous, Discrete, Response
from doe.study.shown import error_text
from doe.window import find_window

from .trials import exact_t, made

EVIDENCE = (
    "This rests on the responses measured in this trial and on nothing else: it is no evidence of preservation, safety, stability or "
    "shelf life beyond what was measured."
)


@pytest.fixture(scope="module")
def gel():
    return made(
        [
            Continuous("polymer", 0.2, 0.6, "%", step=0.01),
            Continuous("speed", 400, 1000, "rpm", step=50),
            Categorical("impeller", ("anchor", "propeller")),
        ],
        [Response("viscosity", "mPa·s", low=50, high=600, transform="log"), Response("spread", "mm", low=2.0)],
        [
            lambda Z: 5 + 1.5 * Z[:, 0] - 0.5 * Z[:, 1] + 0.3 * Z[:, 2],
            lambda Z: 3.5 - Z[:, 0] + 0.5 * Z[:, 1],
        ],
        n=20,
        model="linear",
    )


def test_a_window_in_words(gel):
    _, _, fits = gel
    win = find_window(fits)
    text = repr(win)
    assert text.startswith("Chance that one new batch meets every specification; target 0.95, 4000 draws\n")
    assert "viscosity (mPa·s) 50 mPa·s to 600 mPa·s" in text or "viscosity (mPa·s) 50 to 600 mPa·s" in text
    assert "Joint posterior predictive multivariate t of 2 responses with 15 degrees of freedom." in text
    assert "A new batch carries its own error, as measured in the trial." in text
    assert "\nSet point\n" in text
    assert (
        f"Chance there: {win.set_point_probability:.4f} (Monte-Carlo error {error_text(win.mc_error)}, fresh draws)."
        in text
    )
    assert "\nRanges that hold together\n" in text
    assert win.ranges.note in text
    assert text.endswith(f"What this does not say\n{EVIDENCE}")
    assert "No window" not in text
    html = win._repr_html_()
    for words in ("Set point", "Ranges that hold together", EVIDENCE, "Joint posterior predictive"):
        assert words in html


def test_printing_twice_prints_the_same(gel):
    _, _, fits = gel
    assert repr(find_window(fits, draws=1000)) == repr(find_window(fits, draws=1000))


def test_no_window_in_words(gel):
    trial, table, _ = gel
    narrow = [Response("viscosity", "mPa·s", low=150, high=160, transform="log"), trial.responses[1]]
    hard = type(trial)(trial.name, trial.factors, narrow)
    win = find_window(fit_all(hard, table, model="linear"))
    text = repr(win)
    assert "No window: no setting surely reaches 0.95; the best found\n" in text
    alone = win.by_response(pd.DataFrame([win.set_point.to_dict()])).iloc[0]
    assert alone["viscosity"] < alone["spread"]
    judged, _ = win._predictive.chance_by_response(
        win.study.encode(pd.DataFrame([win.set_point.to_dict()])), win._fresh
    )
    assert f"viscosity limits it: by itself its chance there is {judged[0, 0]:.3f}." in text
    assert "Ranges that hold together" not in text
    assert text.endswith(EVIDENCE)


def test_mean_response_in_words(gel):
    _, _, fits = gel
    text = repr(find_window(fits, noise=False, draws=1000))
    assert text.startswith("Chance that the mean response meets every specification; target 0.95, 1000 draws\n")
    assert "The mean response is judged, without a new batch's own error." in text
    assert "A new batch carries its own error" not in text


def test_terms_chosen_from_the_same_readings_are_said(gel):
    _, _, fits = gel
    win = find_window(fits.reduced(), draws=1000)
    chosen = [name for name, fit in fits.reduced().items() if fit.choice is not None]
    assert chosen
    line = f"Terms of {', '.join(chosen)} were chosen from these same readings: the chances do not carry that choice."
    assert line in repr(win)
    assert line not in repr(find_window(fits, draws=1000))


def test_one_fit_is_enough(gel):
    trial, _, fits = gel
    points = trial.region.sample(5, seed=1)
    one = find_window(fits["viscosity"], draws=1000).probability(points)
    same = find_window({"viscosity": fits["viscosity"]}, draws=1000).probability(points)
    pd.testing.assert_frame_equal(one, same)


# ---- maps


def test_map_holds_the_set_point(gel):
    _trial, _, fits = gel
    win = find_window(fits)
    found = win.map("polymer", "speed", n=7)
    assert list(found.columns) == ["polymer", "speed", "probability", "extrapolated"]
    assert len(found) == 49
    assert list(found["polymer"][:7]) == pytest.approx(list(np.linspace(0.2, 0.6, 7)))  # x varies fastest
    assert not found["extrapolated"].any()
    rows = found[["polymer", "speed"]].assign(impeller=win.set_point["impeller"])
    np.testing.assert_array_equal(found["probability"], win.probability(rows)["probability"])
    assert found.note == f"Held: impeller {win.set_point['impeller']}."
    other = "anchor" if win.set_point["impeller"] == "propeller" else "propeller"
    moved = win.map("polymer", "speed", at={"impeller": other}, n=7)
    assert not np.array_equal(moved["probability"], found["probability"])
    assert moved.note == f"Held: impeller {other}."


def test_map_of_a_default_grid(gel):
    _, _, fits = gel
    assert len(find_window(fits, draws=500).map("polymer", "speed")) == 101 * 101


def test_map_gives_the_levels_of_a_discrete_factor():
    _, _, fits = made(
        [Continuous("polymer", 0.2, 0.6, "%"), Discrete("speed", (400, 550, 1000), "rpm")],
        [Response("firmness", "N", low=4.2)],
        [lambda Z: 5 + 1.5 * Z[:, 0] - Z[:, 1]],
        n=16,
        model="linear",
    )
    found = find_window(fits, draws=500).map("speed", "polymer", n=5)
    assert sorted(set(found["speed"])) == [400.0, 550.0, 1000.0]
    assert len(found) == 15


def mixture(balance):
    return made(
        [
            Component("water", 70, 95),
            Component("glycerin", 2, 15),
            Component("polymer", 1, 8),
            Component("ethanol", 2, 15),
            Continuous("speed", 400, 1000, "rpm"),
        ],
        [Response("firmness", "N", low=3.5, high=7.0)],
        [lambda Z: 5 * Z[:, 0] + 2 * Z[:, 1] + 20 * Z[:, 2] + 4 * Z[:, 3] + 0.3 * Z[:, 4]],
        n=24,
        model="linear",
        balance=balance,
    )


def test_in_a_mixture_the_balance_makes_room():
    trial, _, fits = mixture("water")
    win = find_window(fits, draws=1000)
    found = win.map("glycerin", "polymer", n=5)
    rows = found[["glycerin", "polymer"]].assign(ethanol=win.set_point["ethanol"], speed=win.set_point["speed"])
    np.testing.assert_array_equal(found["probability"], win.probability(rows)["probability"])
    np.testing.assert_array_equal(found["extrapolated"], ~trial.region.contains(rows))
    assert found.note.endswith("water makes room.")
    assert found.note.startswith("Held: ethanol ")


def test_in_a_mixture_without_a_balance_the_others_keep_their_proportions():
    _, _, fits = mixture(None)
    win = find_window(fits, draws=1000)
    found = win.map("glycerin", "polymer", n=5)
    rest = 100 - found["glycerin"] - found["polymer"]
    share = win.set_point["water"] / (win.set_point["water"] + win.set_point["ethanol"])
    rows = found[["glycerin", "polymer"]].assign(
        water=rest * share, ethanol=rest * (1 - share), speed=win.set_point["speed"]
    )
    assert found["probability"].to_numpy() == pytest.approx(win.probability(rows)["probability"].to_numpy(), abs=2e-3)
    assert found.note.endswith("water, ethanol make room, keeping proportions.")
    held = win.map("glycerin", "speed", at={"ethanol": 5.0, "water": 85.0}, n=3)
    assert held.note == "Held: water 85 %, ethanol 5 %. polymer makes room."
    rows = held[["glycerin", "speed"]].assign(ethanol=5.0, water=85.0, polymer=10.0 - held["glycerin"])
    possible = rows["polymer"] >= 0
    assert possible.any()
    assert not possible.all()
    assert held["probability"].isna().to_numpy().tolist() == (~possible).tolist()
    assert held["extrapolated"][~possible].all()


def test_map_along_the_balance_itself():
    _, _, fits = mixture("water")
    found = find_window(fits, draws=1000).map("water", "speed", n=5)
    assert found.note.endswith("glycerin, polymer, ethanol make room, keeping proportions.")


def test_a_map_shows_what_the_probability_says(gel):
    """The map's highest chance is that of the exact t on the same grid, for one response."""
    _, _, fits = gel
    win = find_window(fits["viscosity"])
    found = win.map("polymer", "speed", n=21)
    rows = found[["polymer", "speed"]].assign(impeller=win.set_point["impeller"])
    exact = exact_t(fits["viscosity"], rows)
    assert np.sqrt(np.mean((found["probability"] - exact) ** 2)) < 0.01
