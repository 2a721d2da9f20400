"""Desirability: shares, weights, and the search for the best compromise."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError
from doe.window.compromise import Wish

from .trials import made

FACTORS = [doe.Continuous("polymer", 0.2, 0.6, "%", step=0.01), doe.Continuous("speed", 400, 1000, "rpm", step=50)]


@pytest.fixture(scope="module")
def fits():
    responses = [doe.Response("firmness", "N", low=4, goal="high"), doe.Response("cost", high=8)]
    return made(FACTORS, responses, [lambda Z: 6 + 2 * Z[:, 0], lambda Z: 6 + 2 * Z[:, 0] + Z[:, 1]], sd=0.01)[2]


def test_shares():
    y = np.array([3.0, 4.0, 5.0, 6.0, 9.0])
    np.testing.assert_allclose(Wish(4, np.inf, 6, 1.0).share(y), [0, 0, 0.5, 1, 1])
    np.testing.assert_allclose(Wish(-np.inf, 6, 4, 2.0).share(y), [1, 1, 0.25, 0, 0])
    np.testing.assert_allclose(Wish(4, 9, 5, 1.0).share(y), [0, 0, 1, 0.75, 0])


def test_the_best_compromise_can_be_set_and_beats_a_fine_grid(fits):
    found = doe.window.desirability(fits)
    grid = pd.DataFrame(
        [[p, s] for p in np.arange(0.2, 0.605, 0.01) for s in np.arange(400, 1001, 50)], columns=["polymer", "speed"]
    )
    firm, cost = (fits[n].predict(grid)["estimate"].to_numpy() for n in ("firmness", "cost"))
    tops = {row["response"]: row["best_at"] for _, row in found.table.iterrows()}
    d = np.sqrt(
        np.clip((firm - 4) / (float(tops["firmness"].split()[0]) - 4), 0, 1)
        * np.clip((8 - cost) / (8 - float(tops["cost"].split()[0])), 0, 1)
    )
    assert found.overall == pytest.approx(d.max(), abs=2e-3)  # the ends are printed with four digits
    assert found.setting["speed"] == 400
    assert found.setting["polymer"] == pytest.approx(round(found.setting["polymer"], 2))
    assert "it says nothing of how sure they are" in str(found)


def test_every_word_of_it_changes_the_answer(fits):
    plain = doe.window.desirability(fits)
    heavy = doe.window.desirability(fits, weights={"firmness": 5})
    assert heavy.setting["polymer"] > plain.setting["polymer"]
    sooner = doe.window.desirability(fits, best={"firmness": 5.0})
    assert sooner.setting["polymer"] < plain.setting["polymer"]
    steep = doe.window.desirability(fits, shapes={"cost": 6})
    assert steep.setting["polymer"] < plain.setting["polymer"]
    assert doe.window.desirability(fits, seed=3).overall == pytest.approx(plain.overall, abs=2e-3)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda f: doe.window.desirability(f, weights={"firmnes": 1}),
            "desirability: weights is 'firmnes' but must be a response that enters: did you mean 'firmness'?",
        ),
        (
            lambda f: doe.window.desirability(f, weights={"firmness": 0}),
            "desirability: weights, 'firmness' is 0 but must be above 0: leave the response out instead.",
        ),
        (
            lambda f: doe.window.desirability(f, best={"firmness": 3}),
            "desirability: response 'firmness': best is 3.0 but must be above its low limit (4): give a value above the limit, "
            "beyond which nothing more is wanted.",
        ),
        (
            lambda f: doe.window.desirability(f, seed=-1),
            "desirability: seed is -1 but must be a whole number, 0 or above: leave it out for 0.",
        ),
        (
            lambda f: doe.window.desirability({}),
            "desirability: fits is {} but must be a mapping of response to Fit, or one Fit: make them with doe.fit_all.",
        ),
    ],
)
def test_refusals(fits, call, sentence):
    with pytest.raises(StudyError) as caught:
        call(fits)
    assert str(caught.value) == sentence


def test_a_target_needs_both_limits():
    _, _, fits = made(FACTORS, [doe.Response("firmness", "N", low=4, goal=5.0)], [lambda Z: 6 + 2 * Z[:, 0]])
    with pytest.raises(StudyError) as caught:
        doe.window.desirability(fits)
    assert str(caught.value) == (
        "desirability: response 'firmness': high is None but must be given, since its goal is a target: say on both sides from where it is of "
        "no use."
    )
    _, _, fits = made(FACTORS, [doe.Response("firmness", "N")], [lambda Z: 6 + 2 * Z[:, 0]])
    with pytest.raises(StudyError) as caught:
        doe.window.desirability(fits)
    assert str(caught.value) == (
        "desirability: fits is 'firmness' but must be of at least one response with a specification: give a Response its low, high or goal "
        "and fit again."
    )
