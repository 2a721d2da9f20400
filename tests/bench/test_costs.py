"""What the raw materials cost: worked by hand, the same at many settings at once as in exact fractions, refused where a cost is open."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.bench import Ingredient, Neutralise, Recipe
from doe.bench.costs import shares_of
from doe.virtual import AfterSunGel

WATER = Ingredient("water", "A", balance=True, cost=0.1)


def test_worked_by_hand():
    """1 kg, by hand: 100 g of a 20 % stock (20 g salt at 3, its 80 g of solvent not counted), 12.5 g of an 80 % active oil at 8, and
    887.5 g water at 0.1 cost 0.060 + 0.100 + 0.08875.
    """
    recipe = Recipe(
        [
            WATER,
            Ingredient("salt", "A", percent=2, stock=0.2, cost=3.0),
            Ingredient("oil", "A", percent=1, active=0.8, cost=8.0),
        ]
    )
    found = recipe.cost({})
    assert found.table["ingredient"].tolist() == ["water", "salt", "oil"]
    assert found.table["grams"].tolist() == pytest.approx([887.5, 20.0, 12.5], abs=1e-9)
    assert found.table["cost"].tolist() == pytest.approx([0.08875, 0.06, 0.1], abs=1e-12)
    assert found.per_kg == pytest.approx(0.24875, abs=1e-12)
    assert found.open == ()
    half = recipe.cost({}, batch_size=500.0)
    assert half.per_kg == pytest.approx(found.per_kg, rel=1e-12)
    assert half.total == pytest.approx(found.total / 2, rel=1e-12)
    assert "Together 0.2487 for a kilogram of batch." in repr(found)


def test_base_is_counted_as_itself_in_both_portions():
    """0.6 g carbomer in 200 g takes 0.7008 g tromethamine (3.504 g of 20 %, by hand): 3.504 g of base itself in a kilogram."""
    lines = [
        WATER,
        Ingredient("carbomer", "A", percent=0.3, acid_content=62.0, cost=20),
        Ingredient("oil", "B", percent=2, cost=0),
    ]
    one = Recipe([*lines, Neutralise("tromethamine", 0.70, stock=0.20, cost=10)])
    two = Recipe([*lines, Neutralise("tromethamine", 0.70, stock=0.20, stages=(0.40, "carbomer"), cost=10)])
    for recipe in (one, two):
        table = recipe.cost({}).table.set_index("ingredient")
        assert table.loc["tromethamine", "grams"] == pytest.approx(3.504, abs=5e-4)
        assert table.loc["tromethamine", "cost"] == pytest.approx(0.03504, abs=5e-6)
    assert one.cost_per_kg(pd.DataFrame(index=[7])).loc[7] == pytest.approx(one.cost({}).per_kg, rel=1e-12)


def test_what_has_no_cost_is_named_and_not_summed_as_nothing(sentence_of):
    recipe = Recipe([WATER, Ingredient("salt", "A", percent=2), Ingredient("dye", "A", percent=0)])
    found = recipe.cost({})
    assert found.open == ("salt",)  # of the dye nothing goes in
    assert found.per_kg == pytest.approx(0.098)
    assert "Open: salt without a cost, so the sums are lower bounds." in repr(found)
    assert sentence_of(lambda: recipe.cost_per_kg(pd.DataFrame(index=[0]))) == (
        "recipe: cost of salt is 'not given' but must be given for all that goes in: write cost= with what a kilogram of it costs, 0 where "
        "it costs nothing."
    )


@given(
    st.lists(
        st.tuples(st.floats(0.25, 0.55), st.floats(0.1, 0.4), st.floats(0.4, 0.8), st.floats(200, 600)),
        min_size=1,
        max_size=4,
    )
)
def test_many_settings_at_once_as_in_exact_fractions(settings):
    recipe = AfterSunGel().recipe
    table = pd.DataFrame(settings, columns=["carbomer", "crosspolymer", "neutralisation", "speed"])
    found = shares_of(recipe, table)
    for i, row in table.iterrows():
        exact = recipe.share(recipe.values(row))
        assert list(exact) == list(recipe.unknowns)
        np.testing.assert_allclose(found[i], [float(v) for v in exact.values()], rtol=1e-11, atol=1e-12)


def test_bad_input_in_one_sentence(sentence_of):
    recipe = Recipe([WATER, Ingredient("salt", "A", factor="salt", stock=0.2, max_percent=8, cost=1)])
    assert sentence_of(lambda: Ingredient("salt", "A", percent=1, cost=-2)) == (
        "ingredient 'salt': cost is -2.0 but must be 0 or above: give what a kilogram of it costs, 0 where nothing."
    )
    assert sentence_of(lambda: Neutralise("ammonia", 0.7, 0.1, cost=-2)) == (
        "neutralise: cost is -2.0 but must be 0 or above: give what a kilogram of it costs, 0 where nothing."
    )
    assert sentence_of(lambda: recipe.cost({"salt": 1.0}, batch_size=0)) == (
        "batch_size is 0.0 but must be above 0: give it in g."
    )
    assert sentence_of(lambda: recipe.cost_per_kg({"salt": 1.0})) == (
        "settings is 'dict' but must be a DataFrame, one row a setting: give plan.runs, or make one of it."
    )
    assert sentence_of(lambda: recipe.cost_per_kg(pd.DataFrame({"slat": [1.0]}))) == (
        "run: 'salt' is 'missing' but must be there, as the recipe is linked to it: did you mean 'slat'?"
    )
    assert sentence_of(lambda: recipe.cost_per_kg(pd.DataFrame({"salt": [1.0, 8.5]}))) == (
        "settings, row 1: salt in the batch is '8.5 %' but must be at most 8 %: lower its amount."
    )
    assert sentence_of(lambda: recipe.cost_per_kg(pd.DataFrame({"salt": [1.0, 30.0]}, index=[4, 9]))) == (
        "settings, row 9: recipe: water, which fills the batch, is '-50 %' but must be 0 % or above: the other lines take 150 % "
        "(salt 150 %): lower one, or take a stronger stock."
    )
    pd.testing.assert_series_equal(  # a limit just met is no fault
        recipe.cost_per_kg(pd.DataFrame({"salt": [8.0]})), pd.Series([0.14], name="cost per kg"), rtol=1e-12
    )
