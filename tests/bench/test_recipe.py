"""The recipe: grams that add up to the last digit, base that follows the polymer, and everything refused that no bench could make."""

import json
import pickle
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.bench import Base, Ingredient, Neutralise, Premix, Recipe, Step, degree_from, neutraliser
from doe.designs import Plan
from doe.study import Categorical, Component, Continuous, Response, Study

WATER = Ingredient("water", "A", balance=True)


def gel(**changes):
    """Water, carbomer and tromethamine; changes go to the polymer."""
    polymer = {"percent": 0.30, "acid_content": 62.0} | changes
    return Recipe([WATER, Ingredient("carbomer", "A", **polymer), Neutralise("tromethamine", 0.70, stock=0.20)])


def grams(recipe, run=(), batch_size=200.0):
    table = recipe.weigh_out(dict(run), batch_size)
    return dict(zip(table["line"], table["grams"], strict=True))


def notes(recipe, run=(), batch_size=200.0):
    table = recipe.weigh_out(dict(run), batch_size)
    return dict(zip(table["line"], table["note"], strict=True))


# ---- grams


def test_the_worked_batch():
    """200 g, 0.30 % carbomer, 62 % COOH, degree 0.70, 20 % tromethamine: 3.504 g by hand; water takes the rest."""
    assert grams(gel()) == {"water": Decimal("195.90"), "carbomer": Decimal("0.60"), "tromethamine": Decimal("3.50")}
    fine = Recipe(
        [
            WATER,
            Ingredient("carbomer", "A", percent=0.3, acid_content=62.0),
            Neutralise("tromethamine", 0.70, stock=0.20, balance_readability=0.001),
        ]
    )
    assert grams(fine)["tromethamine"] == Decimal("3.504")
    assert grams(gel(moisture=0.02))["tromethamine"] == Decimal("3.43")  # 3.433 by hand


def test_base_follows_the_polymer_as_printed_not_as_asked():
    """0.6543 g of polymer is weighed as 0.65 g: the base is that of 0.65 g, so the degree is met with what is in the beaker."""
    found = Recipe(
        [
            WATER,
            Ingredient("carbomer", "A", percent=0.32715, acid_content=62.0),
            Neutralise("tromethamine", 0.70, stock=0.20, balance_readability=0.0001),
        ]
    )
    weighed = grams(found)
    assert weighed["carbomer"] == Decimal("0.65")
    assert float(weighed["tromethamine"]) == pytest.approx(neutraliser(0.65, 0.70, stock=0.20), abs=5e-5)


def test_two_polymers_and_two_stages():
    """0.6 g at 62 % and 0.3 g at 56 %, degree 0.70: 5.086 g by hand, in two portions that together are as much."""
    lines = [
        WATER,
        Ingredient("carbomer", "A", percent=0.30, acid_content=62.0),
        Ingredient("crosspolymer", "A", percent=0.15, acid_content=56.0),
        Ingredient("oil", "B", percent=2.0),
        Neutralise("tromethamine", 0.70, stock=0.20, stages=(0.40, "crosspolymer")),
    ]
    weighed = grams(Recipe(lines))
    assert list(weighed) == [
        "water",
        "carbomer",
        "crosspolymer",
        "tromethamine, first part",
        "oil",
        "tromethamine, second part",
    ]
    assert weighed["tromethamine, first part"] == Decimal("2.91")  # 4 / 7 of 5.086
    assert weighed["tromethamine, first part"] + weighed["tromethamine, second part"] == Decimal("5.09")
    # 2.18 g on 195.?? g: what the second portion is per 100 g of what it is poured on
    before = sum(v for k, v in weighed.items() if k != "tromethamine, second part")
    per_100 = 100 * weighed["tromethamine, second part"] / before
    assert (
        f"{per_100:.3f} g per 100 g of what the beaker holds before it ({before} g planned)"
        in notes(Recipe(lines))["tromethamine, second part"]
    )


def test_water_of_stocks_and_raw_materials_counts():
    plain = Recipe([WATER, Ingredient("salt", "A", percent=1.0)])
    stock = Recipe([WATER, Ingredient("salt", "A", percent=1.0, stock=0.10)])
    active = Recipe([WATER, Ingredient("salt", "A", percent=1.0, active=0.5)])
    both = Recipe([WATER, Ingredient("salt", "A", percent=1.0, active=0.5, stock=0.10)])
    assert grams(plain) == {"water": Decimal("198.00"), "salt": Decimal("2.00")}
    assert grams(stock) == {"water": Decimal("180.00"), "salt": Decimal("20.00")}
    assert grams(active) == {"water": Decimal("196.00"), "salt": Decimal("4.00")}
    assert grams(both)["salt"] == Decimal("40.00")
    assert notes(stock)["salt"] == "1 %; as 10 % w/w stock: 2 g of salt itself"
    assert notes(active)["salt"] == "1 %; 50 % active: 2 g of salt itself"


def test_amounts_of_a_phase_and_of_an_ingredient():
    lines = [
        WATER,
        Ingredient("fragrance", "B", percent=0.5),
        Ingredient("solubiliser", "B", percent=400, of="fragrance"),
        Ingredient("oil", "C", balance=True, of="C"),
        Ingredient("wax", "C", percent=5, of="C"),
    ]
    weighed = grams(Recipe(lines, phases={"A": None, "B": None, "C": 10.0}))
    assert weighed["solubiliser"] == Decimal("4.00")
    assert (weighed["oil"], weighed["wax"]) == (Decimal("19.00"), Decimal("1.00"))
    linked = [*lines[:2], Ingredient("solubiliser", "B", factor="ratio", of="fragrance"), *lines[3:]]
    weighed = grams(Recipe(linked, phases={"A": None, "B": None, "C": "oil phase"}), {"ratio": 3.0, "oil phase": 4.0})
    assert weighed["solubiliser"] == Decimal("3.00")
    assert weighed["oil"] + weighed["wax"] == Decimal("8.00")
    # a phase without a size of its own: the wax is 5 % of oil and wax together
    unsized = [WATER, Ingredient("oil", "C", percent=9.5), Ingredient("wax", "C", percent=5, of="C")]
    assert grams(Recipe(unsized))["wax"] == Decimal("1.00")


def test_a_mixture_without_a_balance_is_closed_on_its_largest_line():
    thirds = [Ingredient(n, "A", percent=p) for n, p in (("a", 33.3), ("b", 33.3), ("c", 33.4))]
    weighed = grams(Recipe(thirds), batch_size=100.1)
    assert sum(weighed.values()) == Decimal("100.10")
    assert notes(Recipe(thirds), batch_size=100.1)["c"] == "33.4 %; takes up the rounding"


@st.composite
def recipes(draw):
    """Recipes that leave room for their balance, with every way of giving an amount."""
    scale = st.sampled_from([0.1, 0.01, 0.001, 0.0001, 0.05])
    count = draw(st.integers(1, 8))
    lines = [Ingredient("water", "A", balance=True, balance_readability=draw(scale))]
    for i in range(count):
        acid = draw(st.none() | st.floats(40, 68))
        lines.append(
            Ingredient(
                f"part {i}",
                draw(st.sampled_from("AB")),
                percent=draw(st.floats(0, 3)),
                stock=draw(st.none() | st.floats(0.5, 1)),
                active=draw(st.floats(0.5, 1)),
                acid_content=acid,
                moisture=0.0 if acid is None else draw(st.floats(0, 0.1)),
                balance_readability=draw(scale),
            )
        )
    lines.append(
        Neutralise(
            "sodium hydroxide",
            draw(st.floats(0.51, 1)),
            0.18,
            draw(st.none() | st.tuples(st.floats(0, 0.5), st.just("part 0"))),
        )
    )
    return Recipe(lines)


@given(recipe=recipes(), batch=st.floats(20, 2000))
def test_printed_grams_add_up_to_the_printed_batch(recipe, batch):
    """Whatever the recipe: every line a multiple of its balance's digit, their sum within half the balance line's of what was asked."""
    table = recipe.weigh_out({}, batch)
    own = {i.name: i for i in recipe.ingredients}
    for line, mass in zip(table["line"], table["grams"], strict=True):
        step = Decimal(repr(own[line].balance_readability)) if line in own else Decimal("0.01")
        assert mass % step == 0
        assert mass >= 0
        if line in own and not own[line].balance:
            item = own[line]
            pure = float(mass) * item.active * (item.stock or 1.0)
            assert abs(pure - item.percent * batch / 100) <= float(step) / 2 + 1e-9
    half = Decimal(repr(own["water"].balance_readability)) / 2
    assert abs(sum(table["grams"]) - Decimal(repr(batch))) <= half
    acids = [i for i in recipe.ingredients if i.acid_content is not None]
    weighed = dict(zip(table["line"], table["grams"], strict=True))
    if acids and sum(weighed[i.name] for i in acids) > 1:
        base = sum(float(weighed[name]) for name in recipe.neutralise.portions)
        degree = degree_from(
            base,
            [float(weighed[i.name]) * i.active * (i.stock or 1.0) for i in acids],
            "sodium hydroxide",
            [i.acid_content for i in acids],
            [i.moisture for i in acids],
            0.18,
        )
        assert degree == pytest.approx(
            recipe.neutralise.degree, rel=0.02
        )  # half a 0.01 g of at least 0.7 g of solution


# ---- balances


def test_the_balance_is_named_and_a_small_weighing_comes_with_its_mend():
    table = gel(balance_readability=0.001).weigh_out({}, 200.0).set_index("line")
    assert table.loc["carbomer", "balance"] == "0.001 g"
    assert table.loc["water", "balance"] == "0.01 g (assumed)"
    assert (
        table.loc["carbomer", "note"] == "0.3 %; 62 % COOH, dry (assumed)"
    )  # carbomer: 0.600 g, at least 100 × 0.001 g
    assert notes(gel())["carbomer"] == (
        "0.3 %; 62 % COOH, dry (assumed); below 1.00 g, the least for 1 % on this balance: make 340 g of batch or more, or weigh on a balance that "
        "shows 0.001 g, or add 30.00 g of a dilution of 1.00 g in 49.00 g water, and 29.40 g less water (if it dissolves or disperses so)"
    )
    # the mend works: 340 g takes 1.02 g; 30 g of 1 in 50 bring 0.60 g
    assert grams(gel(), batch_size=340)["carbomer"] >= 1
    salt = Recipe([WATER, Ingredient("salt", "A", percent=0.05)])
    assert "add 1.00 g of a dilution of 1.00 g in 9.00 g water, and 0.90 g less water" in notes(salt)["salt"]
    assert "make 2000 g of batch or more" in notes(salt)["salt"]
    tiny = Recipe([WATER, Ingredient("dye", "A", percent=0.001)])
    assert "of batch" not in notes(tiny, batch_size=1000)["dye"]


def test_nothing_to_weigh_is_said():
    recipe = Recipe([WATER, Ingredient("salt", "A", factor="salt")])
    assert notes(recipe, {"salt": 0.0})["salt"] == "0 %; none in this batch"


def test_what_is_hot_stirred_or_a_fine_powder_carries_its_caution_untold():
    """Common practice, no source: the cautions themselves stand in doe.bench.cautions."""
    recipe = Recipe(
        [
            WATER,
            Ingredient("carbomer", "A", percent=0.3, acid_content=62.0),
            Ingredient("polymer emulsion", "A", percent=1.0, acid_content=10.0, active=0.3),
            Ingredient("glycerin", "A", percent=5.0),
            Step("stir", speed=300),
            Step("melt", temperature=85),
            Step("melt as planned", temperature="heat"),
            Step("rest", minutes=60, temperature=25),
            Neutralise("tromethamine", 0.7, stock=0.2),
        ]
    )
    said = recipe.procedure({"heat": 60.0}).set_index("do")["cautions"]
    starts = {name: [line.split(":")[0].split(" (")[0] for line in text.splitlines()] for name, text in said.items()}
    assert starts["carbomer"] == ["Powders"]
    assert starts["polymer emulsion"] == starts["glycerin"] == starts["water"] == []
    assert starts["tromethamine"] == ["Bases"]
    steps = {name.split(":")[0]: own for name, own in starts.items()}
    assert steps["stir"] == ["Impeller"]
    assert steps["melt"] == steps["melt as planned"] == ["Hot plate, warm oil and wax"]
    assert steps["rest"] == []


def test_what_rounds_to_nothing_is_not_said_to_be_left_out():
    dye = Recipe([WATER, Ingredient("dye", "A", percent=0.002)])
    assert grams(dye)["dye"] == 0
    assert notes(dye)["dye"] == (
        "0.002 %; 0 by rounding: less is asked for than a balance that shows 0.01 g can weigh: make more, weigh on a finer balance, or add a weighed part of "
        "a dilution"
    )


def test_rounding_lifts_nothing_above_its_greatest_share():
    asked = Recipe([WATER, Ingredient("preservative", "A", percent=1.0, max_percent=1.0)])
    free = Recipe([WATER, Ingredient("preservative", "A", percent=1.0)])
    assert grams(free, batch_size=33.6)["preservative"] == Decimal("0.34")  # 1.012 %
    assert grams(asked, batch_size=33.6)["preservative"] == Decimal("0.33")
    assert sum(grams(asked, batch_size=33.6).values()) == Decimal("33.60")
    below = Recipe([WATER, Ingredient("preservative", "A", percent=1.0, max_percent=1.02)])
    assert grams(below, batch_size=33.6)["preservative"] == Decimal("0.34")
    lines = [WATER, Ingredient("dye", "C", percent=10.0, of="C", max_percent=0.1), Ingredient("oil", "C", percent=0.9)]
    apart = Recipe(lines, premixes=[Premix("C", 5.0)])
    loose = Recipe([WATER, Ingredient("dye", "C", percent=10.0, of="C"), lines[2]], premixes=[Premix("C", 5.0)])
    assert grams(loose, batch_size=33.6)["premix C"] == Decimal("0.34")
    assert grams(apart, batch_size=33.6)["premix C"] == Decimal("0.33")


def test_a_step_after_an_addition_is_of_its_phase():
    recipe = Recipe(
        [
            WATER,
            Ingredient("wax", "B", percent=2.0),
            Ingredient("preservative", "C", percent=1.0),
            Step("melt", after="wax", temperature=80),
        ],
        phases=["A", "B", "C"],
    )
    table = recipe.procedure({})
    assert table[["phase", "do"]].to_numpy().tolist() == [
        ["A", "water"],
        ["B", "wax"],
        ["B", "melt: 80 °C"],
        ["C", "preservative"],
    ]


# ---- order


def test_phases_steps_and_portions_stand_where_they_are_done():
    lines = [
        Ingredient("oil", "B", percent=2.0, hazards="heat"),
        Step("melt", minutes=10, temperature=60, hazards=["heat", "mind the steam"]),
        WATER,
        Ingredient("carbomer", "A", percent=0.5, acid_content=60, hazards=["powder"]),
        Neutralise("sodium hydroxide", "degree", stock=0.18, stages=("first", "carbomer")),
        Step("wet out", after="carbomer", minutes=30),
        Step("stir", speed="speed", minutes=20, after="sodium hydroxide", hazards=["impeller"]),
    ]
    run = {"degree": 0.7, "first": 0.3, "speed": 450.0}
    as_listed = Recipe(lines).procedure(run)["do"].tolist()
    assert as_listed == [
        "oil",
        "melt: 10 min, 60 °C",
        "water",
        "carbomer",
        "sodium hydroxide, first part",
        "wet out: 30 min",
        "sodium hydroxide, second part",
        "stir: 450 rpm, 20 min",
    ]
    by_phase = Recipe(lines, phases=["A", "B"]).procedure(run)
    assert by_phase["do"].tolist() == [*as_listed[2:], *as_listed[:2]]
    cautions = by_phase.set_index("do")["cautions"]
    assert "do not breathe the dust" in cautions["carbomer"]
    assert "Goggles and gloves" in cautions["sodium hydroxide, first part"]
    assert "stop it before sampling" in cautions["stir: 450 rpm, 20 min"]
    assert cautions["melt: 10 min, 60 °C"].splitlines()[1] == "mind the steam"
    assert cautions["water"] == ""
    assert by_phase["grams"].dropna().sum() == Decimal("200.00")


# ---- kept and shown


def a_full_recipe():
    return Recipe(
        [
            Ingredient("water", "A", balance=True, function="solvent"),
            Ingredient("carbomer", "A", factor="carbomer", acid_content=62.0, moisture=0.01, hazards=["powder"]),
            Ingredient(
                "preservative", "A", percent=0.8, max_percent=1.0, stock=0.9, active=0.9, balance_readability=0.001
            ),
            Ingredient("oil", "B", balance=True, of="B"),
            Ingredient("wax", "B", percent=4, of="B"),
            Neutralise(Base("lye", 40.0, 1, np.inf), "degree", 0.2, (0.1, "wax"), 0.001),
            Step("stir", "wax", "speed", 20, 25, ["impeller"]),
        ],
        {"A": None, "B": 2.0},
    )


def test_saved_and_loaded_it_is_the_same(tmp_path):
    recipe = a_full_recipe()
    assert Recipe.load(recipe.save(tmp_path / "r.json")) == recipe
    assert Recipe.load(gel().save(tmp_path / "r.json")) == gel()
    assert pickle.loads(pickle.dumps(recipe)) == recipe
    assert json.loads((tmp_path / "r.json").read_text())["lines"][2]["base"] == "tromethamine"


def test_it_prints_itself():
    text = repr(a_full_recipe())
    for words in (
        "Recipe: 5 ingredients",
        "‹carbomer› %",
        "to degree ‹degree›",
        "20 % w/w stock",
        "to fill phase B",
        "→ stir",
    ):
        assert words in text
    assert "safety data sheets" in text.lower()
    assert "<td>‹carbomer› %</td>" in a_full_recipe()._repr_html_()


# ---- checked against a plan


@pytest.fixture
def gel_plan():
    study = Study(
        "gel (invented)",
        [
            Continuous("carbomer", 0.2, 0.6, "%"),
            Continuous("degree", 0.4, 0.9, "eq/eq"),
            Continuous("speed", 200, 600, "rpm"),
        ],
        [Response("viscosity", "mPa·s")],
    )
    runs = pd.DataFrame({"carbomer": [0.2, 0.6, 0.4], "degree": [0.4, 0.9, 0.6], "speed": [200.0, 600, 400]})
    return Plan.from_frame(study, runs)


def test_a_recipe_that_fits_has_no_problem(gel_plan):
    problems = a_full_recipe().check(gel_plan.study, gel_plan)
    assert problems.empty
    assert list(problems.columns) == ["run", "where", "found", "allowed", "mend"]


def said(recipe, plan):
    return [
        f"{r.run}: {r.where} is {r.found} but must be {r.allowed}: {r.mend}"
        for r in recipe.check(plan.study, plan).itertuples()
    ]


def test_every_run_that_cannot_be_made_is_named(gel_plan):
    polymer = Ingredient("carbomer", "A", factor="carbomer", stock=0.005, acid_content=62.0, max_percent=0.5)
    recipe = Recipe([WATER, polymer, Neutralise("tromethamine", "degree", 0.2), Step("stir", speed="speed")])
    assert said(recipe, gel_plan) == [
        "2: recipe: water, which fills the batch, is -24.5 % but must be 0 % or above: the other lines take 124.5 % (carbomer 120 %, "
        "tromethamine 4.505 %): lower one, or take a stronger stock",
        "2: carbomer in the batch is 0.6 % but must be at most 0.5 %: lower its amount",
    ]


def test_what_is_linked_to_nothing_or_to_the_wrong_thing_is_listed(gel_plan):
    recipe = Recipe([WATER, Ingredient("carbomer", "A", factor="carbomr")])
    assert said(recipe, gel_plan) == [
        "0: recipe: factor is carbomr but must be a factor of the study: did you mean 'carbomer'?",
        "0: factor 'carbomer' is in no line or step but must be used by one: link the line that it sets",
        "0: factor 'degree' is in no line or step but must be used by one: link the line that it sets",
        "0: factor 'speed' is in no line or step but must be used by one: link the line that it sets",
    ]
    recipe = Recipe(
        [WATER, Ingredient("carbomer", "A", factor="speed"), Ingredient("oil", "A", factor="carbomer", of="carbomer")]
    )
    found = said(recipe, gel_plan)
    assert "0: unit of factor 'speed' is rpm but must be in %, as it is % of batch: correct the unit or `of`" in found
    assert (
        "0: unit of factor 'carbomer' is % but must be without %, as it is multiples of carbomer: correct the unit or `of`"
        in found
    )


def test_acid_without_base_and_base_without_acid(gel_plan):
    steps = [Step("stir", speed="speed", minutes="degree")]
    acid = Recipe([WATER, Ingredient("carbomer", "A", factor="carbomer", acid_content=62), *steps])
    assert said(acid, gel_plan) == [
        "0: recipe: base is missing but must be there, as carbomer holds acid groups: add a Neutralise line"
    ]
    base = Recipe([WATER, Ingredient("carbomer", "A", factor="carbomer"), Neutralise("ammonia", 0.7, 0.1), *steps])
    assert said(base, gel_plan) == [
        "0: recipe: acid for ammonia is missing but must be there: give acid_content= for the polymer, in % COOH"
    ]


def test_a_first_stage_beyond_the_final_degree_is_named_by_its_run(gel_plan):
    recipe = Recipe(
        [
            WATER,
            Ingredient("carbomer", "A", factor="carbomer", acid_content=62),
            Neutralise("tromethamine", "degree", 0.2, (0.5, "carbomer")),
            Step("stir", speed="speed"),
        ]
    )
    assert said(recipe, gel_plan) == [
        "1: run: degree of the first stage is 0.5 but must be at most the final degree 0.4: lower the first stage: base cannot be taken out"
    ]


def test_mixtures_and_kinds():
    study = Study(
        "blend (invented)",
        [
            Component("glycerin", 0, 20),
            Component("water", 75, 95),
            Component("oil", 5, 10),
            Categorical("vessel", ["a", "b"]),
        ],
        [Response("viscosity")],
        balance="water",
    )
    runs = pd.DataFrame({"glycerin": [10.0, 0], "water": [85.0, 90], "oil": [5.0, 10], "vessel": ["a", "b"]})
    plan = Plan.from_frame(study, runs)
    linked = [Ingredient(n, "A", factor=n) for n in ("glycerin", "oil")]
    assert said(Recipe([WATER, *linked]), plan) == []
    assert said(
        Recipe([Ingredient("water", "A", factor="water"), *linked, Ingredient("salt", "A", percent=1.0)]), plan
    ) == [
        f"{run}: recipe: all lines together is 101 % but must be 100 %: {top}: correct the amounts, or make one line the balance"
        for run, top in (
            (1, "water 85 %, glycerin 10 %, oil 5 %, salt 1 %"),
            (2, "water 90 %, oil 10 %, salt 1 %"),
        )
    ]
    assert said(Recipe([WATER, *linked, Ingredient("salt", "A", factor="vessel")]), plan) == [
        "0: recipe: factor is vessel but must be a numeric factor: a kind sets no amount: leave it to the page"
    ]


# ---- refused


def phase(*lines, phases=None):
    return lambda: Recipe([WATER, *lines], phases)


SALT = Ingredient("salt", "A", percent=1.0)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: Ingredient("salt", "A"),
            "ingredient 'salt': amount is 'not given' but must be one of percent, factor and balance: say which of the three decides how "
            "much goes in.",
        ),
        (
            lambda: Ingredient("salt", "A", percent=1, balance=True),
            "ingredient 'salt': amount is 'percent and balance' but must be one of percent, factor and balance: say which of the three "
            "decides how much goes in.",
        ),
        (
            lambda: Ingredient("salt", "A", percent=101),
            "ingredient 'salt': percent is 101.0 but must be from 0 to 100: give it in % of batch.",
        ),
        (
            lambda: Ingredient("salt", "A", percent=-1),
            "ingredient 'salt': percent is -1.0 but must be from 0 to 100: give it in % of batch.",
        ),
        (
            lambda: Ingredient("salt", "A", percent=1, stock=20),
            "ingredient 'salt': stock is 20.0 but must be above 0 and at most 1: give the mass fraction: 20 % w/w is 0.20.",
        ),
        (
            lambda: Ingredient("salt", "A", percent=1, moisture=0.1),
            "ingredient 'salt': moisture is 0.1 but must be 0 where there is no acid_content: it only enters the acid; use active.",
        ),
        (
            lambda: Ingredient("salt", "A", balance=True, acid_content=60),
            "ingredient 'salt': acid_content is 60.0 but must be None for a balance: give the acid's amount itself.",
        ),
        (
            lambda: Ingredient("salt", "A", balance=True, of="B"),
            "ingredient 'salt': of is 'B' but must be 'batch' or its phase 'A': a balance fills the batch or its phase.",
        ),
        (
            lambda: Ingredient("salt", "A", percent=1, max_percent=0),
            "ingredient 'salt': max_percent is 0.0 but must be above 0 and at most 100: give it in % of the batch.",
        ),
        (
            lambda: Ingredient("salt", "A", percent=1, balance_readability=0),
            "ingredient 'salt': balance_readability is 0.0 but must be from 0.000001 to 10 g: give the smallest difference the balance "
            "shows, 0.01 or 0.0001 as a rule.",
        ),
        (
            lambda: Ingredient("salt", "A", percent=1, of="salt"),
            "ingredient 'salt': of is 'salt' but must be 'batch', its phase or another ingredient: choose one of these.",
        ),
        (
            lambda: Ingredient("batch", "A", percent=1),
            "ingredient: name is 'batch' but must be another word than 'batch': say which ingredient it is.",
        ),
        (
            lambda: Neutralise("lime", 0.7, 0.2),
            "neutralise: base is 'lime' but must be a base of the table: known names are 'sodium hydroxide', 'potassium hydroxide', "
            "'tromethamine', 'triethanolamine', 'aminomethyl propanol', 'aminomethyl propanediol', 'ammonia', 'arginine'; or give "
            "doe.bench.Base('lime', molar_mass=…), in g/mol.",
        ),
        (
            lambda: Neutralise("ammonia", 70, 0.2),
            "neutralise: degree is 70.0 but must be from 0 to 3: give equivalents of base per equivalent of COOH: 70 % is 0.70.",
        ),
        (
            lambda: Neutralise("ammonia", 0.7, 0.2, 0.4),
            'neutralise: stages is 0.4 but must be a degree and the ingredient after which its portion goes in: write (0.40, "carbomer").',
        ),
        (
            lambda: Neutralise("ammonia", 0.7, 0.2, (0.8, "salt")),
            "neutralise: stages, degree is 0.8 but must be below the final degree 0.7: base cannot be taken out.",
        ),
        (lambda: Step("stir", speed=-1), "step 'stir': speed is -1.0 but must be 0 rpm or above: correct the figure."),
        (
            lambda: Step("stir", temperature=-300),
            "step 'stir': temperature is -300.0 but must be -273.15 °C or above: correct the figure.",
        ),
        (lambda: Step(""), "step: text is '' but must be a text of at least one letter: put it in quotation marks."),
        (
            lambda: Step("stir", hazards=3),
            "step 'stir': hazards is 3 but must be a list of texts: write [\"powder\"].",
        ),
        (
            lambda: Recipe([]),
            "recipe: lines is 'without an ingredient' but must be at least one ingredient: say what goes in.",
        ),
        (
            lambda: Recipe(["water"]),
            "recipe: line is 'water' but must be an Ingredient, Neutralise or Step: make it with doe.bench.Ingredient, say.",
        ),
        (
            phase(SALT, SALT),
            "recipe: line is 'salt' but must be a name used once: tell the two additions apart, as in 'water, to rinse'.",
        ),
        (
            phase(Ingredient("oil", "A", balance=True)),
            "recipe: balance is 'water and oil' but must be one ingredient at most: fix the amount of the other.",
        ),
        (
            phase(Neutralise("ammonia", 0.3, 0.1), Neutralise("tromethamine", 0.3, 0.1)),
            "recipe: lines is '2 Neutralise lines' but must be one at most: give a second portion as stages=.",
        ),
        (
            phase(Step("stir", after="slat"), SALT),
            "step 'stir': after is 'slat' but must be an ingredient of the recipe: did you mean 'salt'?",
        ),
        (
            phase(SALT, Neutralise("ammonia", 0.3, 0.1, (0.1, "slat"))),
            "neutralise: stages, after is 'slat' but must be an ingredient of the recipe: did you mean 'salt'?",
        ),
        (
            phase(Ingredient("oil", "B", percent=1, of="watr")),
            "ingredient 'oil': of is 'watr' but must be 'batch', its phase or an ingredient of the recipe: did you mean 'water'?",
        ),
        (
            phase(Ingredient("oil", "B", balance=True, of="B")),
            "recipe: phase 'B' is 'of no size' but must be sized, as its lines are parts of it: write phases={'B': its % of the batch or a "
            "factor's name}, or give one line as % of the batch.",
        ),
        (
            phase(phases=["A", "C"]),
            "recipe: phases is 'C' but must be the phase of an ingredient: known names are 'A'.",
        ),
        (phase(phases=["A", "A"]), "recipe: phases is ['A', 'A'] but must be names used once: leave the second out."),
        (
            phase(SALT, Ingredient("oil", "B", percent=1), phases=["A"]),
            "ingredient 'oil': phase is 'B' but must be one of the recipe's phases: known names are 'A'.",
        ),
        (
            phase(phases={"A": 120}),
            "recipe: phase 'A' is 120.0 but must be above 0 and at most 100 %: give its % of the batch.",
        ),
        (
            phase(Ingredient("oil", "water", percent=1)),
            "recipe: phase is 'water' but must be no ingredient's name and not 'batch': name the phase otherwise.",
        ),
        (
            lambda: gel().weigh_out({}, 0),
            "batch_size is 0.0 but must be above 0 and at most 1000000 g: give it in g.",
        ),
        (
            lambda: gel().weigh_out(3),
            "run is 'int' but must be one run's settings by factor name: give plan.runs.loc[3], say.",
        ),
        (
            lambda: a_full_recipe().weigh_out({"carbomr": 0.2}),
            "run: 'carbomer' is 'missing' but must be there, as the recipe is linked to it: did you mean 'carbomr'?",
        ),
        (
            lambda: a_full_recipe().weigh_out({"carbomer": -0.2, "degree": 0.5, "speed": 100}),
            "run: 'carbomer' is -0.2 but must be 0 or above: it is an amount of carbomer.",
        ),
        (
            lambda: Ingredient("salt", "A", percent=30, stock=0.2),
            "ingredient 'salt': stock is 0.2 but must be 0.3 or above, to deliver 30 % of the batch: take a stronger one, or lower the percent.",
        ),
        (
            lambda: Ingredient("salt", "A", percent=30, stock=0.4, active=0.5),
            "ingredient 'salt': stock is 0.4 but must be 0.6 or above, to deliver 30 % of the batch: take a stronger one, or lower the percent.",
        ),
        (
            lambda: Ingredient("salt", "A", percent=30, active=0.2),
            "ingredient 'salt': active is 0.2 but must be 0.3 or above, to deliver 30 % of the batch: take a stronger one, or lower the percent.",
        ),
        (
            lambda: Recipe([WATER, Ingredient("salt", "A", factor="salt", stock=0.2)]).weigh_out({"salt": 30.0}),
            "recipe: water, which fills the batch, is '-50 %' but must be 0 % or above: the other lines take 150 % (salt 150 %): "
            "lower one, or take a stronger stock.",
        ),
        (
            lambda: Recipe([WATER, Ingredient("salt", "A", percent=3, max_percent=2)]).weigh_out({}),
            "salt in the batch is '3 %' but must be at most 2 %: lower its amount.",
        ),
        (
            lambda: Recipe(
                [WATER, Ingredient("a", "A", percent=9, of="b"), Ingredient("b", "A", percent=9, of="a")]
            ).weigh_out({}),
            "ingredient 'a': of is 'a of b of a' but must be no circle: give one of them as % of the batch.",
        ),
        (lambda: gel().check(None, None), "study is 'NoneType' but must be a doe.Study: give the study of the plan."),
    ],
)
def test_bad_input_in_one_sentence(call, sentence, sentence_of):
    assert sentence_of(call) == sentence


def test_a_phase_and_an_ingredient_that_hang_on_each_other_are_refused(sentence_of):
    """All of the phase is salt, and the rest of the phase is as much as the salt: nothing says how much that is."""
    lines = [WATER, Ingredient("salt", "B", percent=50, of="B"), Ingredient("oil", "B", percent=100, of="salt")]
    assert sentence_of(lambda: Recipe(lines).weigh_out({})) == (
        "recipe: amount of 'oil' is 'left open by the lines' but must be settled by them: lines refer to each other in a circle: give one "
        "of them as % of the batch."
    )


def test_a_broken_file_is_refused(tmp_path, sentence_of):
    path = gel().save(tmp_path / "r.json")
    content = json.loads(path.read_text())
    content["lines"][1]["percnt"] = content["lines"][1].pop("percent")
    path.write_text(json.dumps(content))
    assert sentence_of(lambda: Recipe.load(path)).replace(str(tmp_path), "") == (
        "recipe file '/r.json': line 2 is 'percnt' but must be a field of the ingredient: did you mean 'percent' or 'max_percent'?"
    )
    content["lines"][1] = {"kind": "powder"}
    path.write_text(json.dumps(content))
    assert "line 2: kind is 'powder' but must be one of ingredient, neutralise, step" in sentence_of(
        lambda: Recipe.load(path)
    )
    content["lines"][1] = {"kind": "step"}
    path.write_text(json.dumps(content))
    assert "line 2 is {'kind': 'step'} but must be a whole step: complete the entry" in sentence_of(
        lambda: Recipe.load(path)
    )
    path.write_text(json.dumps(content | {"batch": 200}))
    assert "is 'batch' but must be a field of a recipe: " in sentence_of(lambda: Recipe.load(path))
