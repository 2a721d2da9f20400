"""The cheapest formula: against every settable setting, under limits of the recipe and the region, and its refusals."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError
from doe.bench import Ingredient, Recipe

from .trials import made

FACTORS = [
    doe.Continuous("polymer", 0.2, 0.6, "%", step=0.02),
    doe.Continuous("oil", 1, 5, "%", step=0.25),
    doe.Continuous("speed", 400, 1000, "rpm", step=100),
]
RESPONSES = [doe.Response("firmness", "N", low=4), doe.Response("tack", "N", high=8)]


def recipe(oil=9.0, **options):
    return Recipe(
        [
            Ingredient("water", "A", balance=True, cost=0.1),
            Ingredient("thickener", "A", factor="polymer", cost=20),
            Ingredient("squalane", "A", factor="oil", cost=oil, **options),
        ]
    )


@pytest.fixture(scope="module")
def win():
    surfaces = [lambda Z: 4.6 + 2 * Z[:, 0] + 0.8 * Z[:, 1] + 0.3 * Z[:, 2], lambda Z: 6 + Z[:, 0]]
    fits = made(FACTORS, RESPONSES, surfaces, n=20, sd=0.2, model="linear")[2]
    return doe.find_window(fits, target=0.9, draws=1000)


@pytest.fixture(scope="module")
def found(win):
    return doe.window.cheapest(win, recipe())


def test_no_settable_setting_that_holds_is_cheaper(win, found):
    """All 21 × 17 × 7 settings that can be set, on draws of their own."""
    axes = [np.arange(0.2, 0.61, 0.02), np.arange(1, 5.1, 0.25), np.arange(400, 1001, 100)]
    grid = pd.DataFrame(np.stack([g.ravel() for g in np.meshgrid(*axes)], axis=1).round(9), columns=win.study.names)
    draws = win._predictive.draw(77, 20_000)
    chance, error = win._predictive.chance(win.study.encode(grid), draws)
    cost = recipe().cost_per_kg(grid).to_numpy()
    # three errors more than asked for: those within them of the target may be judged either way
    assert found.cost <= cost[chance - 5 * error >= 0.9].min() + 1e-12
    assert found.probability - 2 * found.mc_error >= 0.9
    at = win._predictive.chance(win.study.encode(pd.DataFrame([found.setting.to_dict()])), draws)[0][0]
    assert at == pytest.approx(found.probability, abs=5 * error.max())
    for f in FACTORS:
        assert found.setting[f.name] / f.step == pytest.approx(round(found.setting[f.name] / f.step), abs=1e-9)


def test_costs_are_those_of_the_recipe(win, found):
    """By hand: 20 a kilogram at 0.3 % is 0.06 a kilogram of batch."""
    s = found.setting
    by_hand = (20 * s["polymer"] + 9 * s["oil"] + 0.1 * (100 - s["polymer"] - s["oil"])) / 100
    assert found.cost == pytest.approx(by_hand, abs=1e-12)
    assert found.saving == found.set_point_cost - found.cost > 0
    assert found.table["cheapest"].sum() == pytest.approx(found.cost)
    assert found.table["set_point"].sum() == pytest.approx(found.set_point_cost)
    text = str(found)
    assert "Cheapest setting that holds 0.9" in text
    assert f"Raw materials of a kilogram of batch: {found.cost:.3f}; at the set point" in text
    assert "Not counted: losses" in text


def test_every_word_of_it_changes_the_answer(win, found):
    assert doe.window.cheapest(win, recipe(), target=0.99).cost > found.cost
    dear = doe.window.cheapest(win, recipe(oil=0.0))  # oil that costs less than the water it replaces
    assert dear.setting["oil"] == 5.0
    assert dear.setting["polymer"] < found.setting["polymer"]
    limited = doe.window.cheapest(win, recipe(oil=0.0, max_percent=3.1))
    assert limited.setting["oil"] == 3.0
    assert doe.window.cheapest(win, recipe(), seed=3).cost == pytest.approx(found.cost, abs=0.01)


def test_in_a_mixture_the_balance_gives_way():
    blend = [
        doe.Component("water", 80, 97, "%"),
        doe.Component("glycerin", 2, 15, "%", step=0.5),
        doe.Component("gum", 1, 5, "%", step=0.1),
    ]
    surfaces = [lambda Z: 2 * Z[:, 0] + 12 * Z[:, 1] + 60 * Z[:, 2]]
    study, _, fits = made(
        blend, [doe.Response("body", low=4)], surfaces, sd=0.05, model="linear", mixture_total=100, balance="water"
    )
    win = doe.find_window(fits, draws=1000)

    def mixed(gum):
        return Recipe(
            [
                Ingredient("water", "A", balance=True, cost=0.1),
                Ingredient("glycerin", "A", factor="glycerin", cost=2),
                Ingredient("gum", "A", factor="gum", cost=gum),
            ]
        )

    found = doe.window.cheapest(win, mixed(10))
    assert found.setting[["water", "glycerin", "gum"]].sum() == pytest.approx(100)
    assert study.region.contains(pd.DataFrame([found.setting.to_dict()])).all()
    axes = np.meshgrid(np.arange(2, 15.1, 0.5), np.arange(1, 5.05, 0.1))
    grid = pd.DataFrame({"glycerin": axes[0].ravel(), "gum": axes[1].ravel()}).round(9)
    grid.insert(0, "water", 100 - grid.sum(axis=1))
    grid = grid[study.region.contains(grid)]
    chance, error = win._predictive.chance(study.encode(grid), win._predictive.draw(77, 20_000))
    cost = mixed(10).cost_per_kg(grid).to_numpy()
    assert cost[chance > 0.93].min() - 1e-12 <= found.cost <= cost[chance - 5 * error >= 0.95].min() + 1e-12
    assert doe.window.cheapest(win, mixed(30)).setting["gum"] < found.setting["gum"]


def test_a_set_point_that_the_recipe_cannot_make(win):
    found = doe.window.cheapest(win, recipe(max_percent=2.0))
    assert np.isnan(found.set_point_cost)
    assert found.setting["oil"] <= 2.0
    assert "the set point is beyond what the recipe can make" in str(found)
    with pytest.raises(StudyError) as refused:
        doe.window.cheapest(win, recipe(max_percent=0.5))
    assert str(refused.value) == (
        "cheapest: recipe is 'unable to make any setting found to hold 0.9' but must be able to make one, within its ingredients' limits: "
        "see recipe.check(study, plan)."
    )


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda w: doe.window.cheapest("win", recipe()),
            "cheapest: win is 'str' but must be a Window: make it with doe.find_window.",
        ),
        (
            lambda w: doe.window.cheapest(w, {}),
            "cheapest: recipe is 'dict' but must be a doe.bench.Recipe: write one with its costs.",
        ),
        (
            lambda w: doe.window.cheapest(w, recipe(), target=1.0),
            "cheapest: target is 1.0 but must be a number between 0 and 1: leave it out for the window's own.",
        ),
        (
            lambda w: doe.window.cheapest(w, recipe(), seed=-1),
            "cheapest: seed is -1 but must be a whole number, 0 or above: leave it out for 0.",
        ),
        (
            lambda w: doe.window.cheapest(w, recipe(oil=None)),
            "recipe: cost of squalane is 'not given' but must be given for all that goes in: write cost= with what a kilogram of it costs, 0 where it costs nothing.",
        ),
        (
            lambda w: doe.window.cheapest(w, recipe(), target=0.9999999),
            "cheapest: target is 0.9999999 but must be held at the set point (its chance is more than 0.9999, Monte-Carlo error less than 0.0001): ask for less, or see win.obstacles.",
        ),
        (
            lambda w: doe.window.cheapest(
                w,
                Recipe([Ingredient("water", "A", balance=True, cost=1), Ingredient("oil", "A", factor="oils", cost=2)]),
            ),
            "cheapest: recipe is \"linked to 'oils'\" but must be linked to factors of the study (polymer, oil, speed): did you mean 'oil'?",
        ),
        (
            lambda w: doe.window.cheapest(w, Recipe([Ingredient("water", "A", balance=True, cost=1)])),
            "cheapest: recipe is 'the same cost at every setting' but must be linked to a factor that changes what it costs: "
            "link amounts to factors with factor=.",
        ),
    ],
)
def test_what_cannot_be_used_is_refused(win, call, sentence):
    with pytest.raises(StudyError) as refused:
        call(win)
    assert str(refused.value) == sentence
