"""Settings as good as the set point; chances shown by draws that had no part in finding it; where to aim within ranges."""

import re

import numpy as np
import pandas as pd
import pytest

import doe
from doe.__main__ import bundled

from .trials import made

FACTORS = [
    doe.Continuous("polymer", 0.2, 0.6, "%", step=0.01),
    doe.Continuous("speed", 400, 1000, "rpm", step=50),
]


def test_a_factor_that_does_nothing_is_said_to_leave_the_choice_open():
    surface = [lambda Z: 5 + 3 * Z[:, 0] ** 2 + 0 * Z[:, 1]]
    _, _, fits = made(FACTORS, [doe.Response("a", high=6.0)], surface, sd=0.15, n=40)
    win = doe.find_window(fits)
    table = win.alike.set_index("factor")
    assert table.loc["speed", "high"] - table.loc["speed", "low"] >= 300
    assert 0.3 < table.loc["polymer", "low"] < table.loc["polymer", "high"] < 0.5
    for name, step in (("polymer", 0.01), ("speed", 50)):
        ends = table.loc[name, ["low", "high"]].to_numpy(dtype=float) / step
        np.testing.assert_allclose(ends, np.round(ends), atol=1e-6)
        assert table.loc[name, "low"] <= win.set_point[name] <= table.loc[name, "high"]
    assert "Other settings cannot be told from it by their chance: they reach over" in win.alike.note
    assert win.alike.note in str(win)
    # what is told is so: the ends themselves do as well, to the draws' error
    ends = pd.DataFrame([dict(win.set_point) | {"speed": table.loc["speed", e]} for e in ("low", "high")])
    assert (win.probability(ends)["probability"] > win.set_point_probability - 0.01).all()


def test_a_sharp_optimum_leaves_nothing_open():
    surface = [lambda Z: 5 + 2 * Z[:, 0], lambda Z: 5 + 2 * Z[:, 1]]
    responses = [doe.Response("a", low=4.7, high=5.3), doe.Response("b", low=4.7, high=5.3)]
    _, _, fits = made(FACTORS, responses, surface, sd=0.1, n=60, model="linear")
    win = doe.find_window(fits, target=0.8, draws=40_000)
    assert win.alike.note == ""
    assert "Other settings cannot be told" not in str(win)


def test_levels_that_do_as_well_are_named():
    factors = [FACTORS[0], doe.Categorical("base", ["amine", "hydroxide"])]
    _, _, fits = made(factors, [doe.Response("a", low=5.0)], [lambda Z: 6.5 + Z[:, 0]], sd=0.2, n=24, model="linear")
    win = doe.find_window(fits)
    assert win.alike.set_index("factor").loc["base", "low"] == "amine, hydroxide"
    assert "base amine, hydroxide" in win.alike.note


@pytest.mark.slow
def test_the_draws_shown_had_no_part_in_finding_the_set_point():
    """Over 16 seeds, where no setting is better than another: those that guided the search flatter what they found, those shown do not."""
    factors = [doe.Continuous(name, -1, 1) for name in "abcd"]
    responses = [doe.Response(name, low=4.6, high=5.6) for name in "xyz"]
    _, _, fits = made(factors, responses, [lambda Z: 5 + 0 * Z[:, 0]] * 3, sd=0.4, n=30)
    shown, guiding = [], []
    for seed in range(16):
        win = doe.find_window(fits, draws=500, seed=seed)
        at = pd.DataFrame([win.set_point.to_dict()])
        shown.append(win.probability(at)["probability"].iloc[0] - win.set_point_probability)
        guiding.append(win._predictive.chance(win.study.encode(at), win._guide)[0][0] - win.set_point_probability)
    assert abs(np.mean(shown)) < 3 * np.std(shown, ddof=1) / 4
    assert np.mean(guiding) > 2 * np.std(guiding, ddof=1) / 4


def test_ranges_with_the_set_point_at_their_end_say_where_to_aim():
    """The bundled invented trial."""
    study = doe.Study.load(bundled("data") / "after_sun_gel" / "study.json")
    records = doe.bench.read_table(bundled("data") / "after_sun_gel" / "records.csv", study)
    win = doe.find_window(doe.fit_all(study, records))
    assert "The set point lies at an end of the range of crosspolymer." in win.ranges.note
    said = re.search(
        r"aim at their middle, carbomer (\S+) %, crosspolymer (\S+) %, neutralisation (\S+) eq/eq, speed (\S+) rpm: there the chance is (0\.\d+)",
        win.ranges.note,
    )
    middle = pd.DataFrame([dict(zip(study.names, map(float, said.groups()[:4]), strict=True))])
    table = win.ranges.set_index("factor")
    for name, step in (("carbomer", 0.01), ("crosspolymer", 0.01), ("neutralisation", 0.01), ("speed", 10)):
        centre = (table.loc[name, "low"] + table.loc[name, "high"]) / 2
        assert abs(middle[name].iloc[0] - centre) <= step / 2 + 1e-9
    assert float(said[5]) == pytest.approx(win.probability(middle)["probability"].iloc[0], abs=0.006)
