"""Premixes: made once, large enough for every portion and every balance, the same in all runs or refused."""

from decimal import Decimal
from fractions import Fraction

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.bench import BaseGel, Ingredient, Neutralise, Premix, Recipe, Step, degree_from
from doe.designs import Plan
from doe.study import Continuous, Response, Study

WATER = Ingredient("water", "A", balance=True)
OIL = [
    Ingredient("oil", "C", balance=True, of="C", hazards=["heat"]),
    Ingredient("pigment", "C", percent=5, of="C", balance_readability=0.001, hazards=["powder"]),
    Step("mill", minutes=10, hazards=["impeller"]),
]


def pigmented(losses=10.0, size="oil phase", **changes):
    """Water, salt, a pigmented oil made once, stirred in at a speed of the plan."""
    return Recipe(
        [
            WATER,
            Ingredient("salt", "A", factor="salt"),
            *OIL,
            Step("stir in", after="C", speed="speed"),
            Step("let it cool"),
        ],
        phases={"A": None, "C": size},
        premixes=[Premix("C", losses=losses, **changes)],
    )


def trial(**columns):
    """A plan of these settings."""
    study = Study(
        "trial (invented)",
        [Continuous(name, min(v) - 0.1, max(v) + 0.1, "%") for name, v in columns.items()],
        [Response("colour")],
    )
    return Plan.from_frame(study, pd.DataFrame(columns, dtype=float))


@pytest.fixture
def three_runs():
    return trial(salt=[1, 2, 3], speed=[300, 400, 500], **{"oil phase": [2, 4, 4]})


def test_portions_size_the_premix(three_runs):
    """200 g batches at 2, 4 and 4 % take 4 + 8 + 8 = 20 g; 10 % more is 22 g; but 0.100 g is the least pigment on 0.001 g: 2 g would do."""
    (made,) = pigmented().premixes_made(three_runs, 200.0)
    assert made.portions.tolist() == [Decimal("4.00"), Decimal("8.00"), Decimal("8.00")]
    assert made.total == 22
    assert made.made.grams == {"oil": Decimal("20.90"), "pigment": Decimal("1.100")}
    assert made.made.reason == "22.000 g: portions of 20.00 g together and 10 % for losses."
    assert made.procedure["do"].tolist() == ["oil", "pigment", "mill: 10 min"]
    assert "do not breathe the dust" in made.procedure["cautions"][1]
    (more,) = pigmented(losses=50.0).premixes_made(three_runs, 200.0)
    assert more.total == 30
    assert "Premix C" in repr(made)


def test_the_least_weighing_sizes_it_where_portions_are_small(three_runs):
    """2 g batches take 0.2 g in all; 0.100 g of pigment is the least on its balance and 5 % of 2 g; 1.00 g of oil is in that."""
    (made,) = pigmented().premixes_made(three_runs, 2.0)
    assert made.made.sized_by == "pigment"
    assert made.total == 2
    assert made.made.grams["pigment"] == Decimal("0.100")
    assert made.made.reason == (
        "2.000 g, so that there is enough pigment for its balance: more than the portions of 0.20 g together and 10 % for losses; 1.800 g "
        "are left over."
    )


def test_no_more_than_ten_times_is_made_for_the_sake_of_one_line(three_runs):
    """0.2 g of portions: 1.00 g of oil, the least, is in 2 g; 0.100 g of dye would be in 20 g, so it is told how to weigh its 0.010 g."""
    dye = Ingredient("dye", "C", percent=0.5, of="C", balance_readability=0.001)
    recipe = Recipe([*pigmented().lines[:2], OIL[0], dye], {"A": None, "C": "oil phase"}, [Premix("C", 10.0)])
    (made,) = recipe.premixes_made(three_runs, 2.0)
    assert made.total == 2
    assert made.procedure.set_index("do").loc["dye", "note"] == (
        "0.5 % of the premix; below 0.100 g, the least for 1 % on this balance: weigh on a balance that shows 0.0001 g, or weigh it as a "
        "dilution (if it dissolves or disperses so)"
    )


def test_a_batch_weighs_the_portion_and_adds_up(three_runs):
    recipe = pigmented()
    for run, oil in ((1, "4.00"), (2, "8.00")):
        table = recipe.weigh_out(three_runs.runs.loc[run], 200.0).set_index("line")
        assert list(table.index) == ["water", "salt", "premix C"]
        assert table.loc["premix C", "grams"] == Decimal(oil)
        assert table.loc["premix C", "balance"] == "0.01 g (assumed)"
        assert "made once for all batches: its own page" in table.loc["premix C", "note"]
        assert table["grams"].sum() == 200
    assert recipe.procedure(three_runs.runs.loc[2])["do"].tolist() == [
        "water",
        "salt",
        "premix C",
        "stir in: 400 rpm",
        "let it cool",
    ]
    fine = pigmented(balance_readability=0.001).weigh_out(three_runs.runs.loc[1], 200.0).set_index("line")
    assert fine.loc["premix C", "grams"].as_tuple().exponent == -3


def test_a_run_that_takes_none_is_no_other_premix():
    plan = trial(salt=[1, 1], speed=[300, 300], **{"oil phase": [0, 4]})
    (made,) = pigmented().premixes_made(plan, 200.0)
    assert made.portions.tolist() == [0, 8]
    assert pigmented().check(plan.study, plan).empty


def test_base_counts_the_acid_that_the_portion_brings():
    """A 2 % carbomer slurry made once: 30 g of it in 200 g is 0.6 g carbomer, as in the batch worked by hand (3.504 g of 20 %)."""
    recipe = Recipe(
        [
            WATER,
            Ingredient("slurry water", "P", percent=14.7),
            Ingredient("carbomer", "P", percent=0.3, acid_content=62.0, balance_readability=0.001),
            Neutralise("tromethamine", 0.70, stock=0.20, balance_readability=0.001),
        ],
        premixes=Premix("P", losses=5.0),
    )
    table = recipe.weigh_out({}, 200.0).set_index("line")
    assert table.loc["premix P", "grams"] == Decimal("30.00")
    assert table.loc["tromethamine", "grams"] == Decimal("3.504")
    assert list(table.index) == ["water", "premix P", "tromethamine"]


def test_kept_and_shown(tmp_path):
    recipe = pigmented(balance_readability=0.001)
    assert Recipe.load(recipe.save(tmp_path / "r.json")) == recipe
    both = Recipe([WATER, Ingredient("salt", "A", percent=1)], base_gel=BaseGel(losses=3.0, last="salt"))
    assert Recipe.load(both.save(tmp_path / "r.json")) == both
    assert "the portion" in repr(recipe)
    assert "10 % made for losses" in repr(recipe)


@settings(deadline=None)
@given(
    parts=st.lists(st.floats(0.5, 30), min_size=1, max_size=4),
    sizes=st.lists(st.floats(0.5, 20), min_size=1, max_size=5),
    losses=st.floats(0, 50),
    batch=st.floats(20, 2000),
    scale=st.sampled_from([0.1, 0.01, 0.001]),
    acid=st.none() | st.floats(40, 68),
)
def test_mass_balance_of_any_premix(parts, sizes, losses, batch, scale, acid):
    """Portions and losses are there, every line is enough for its balance, batches add up, and the degree is that of what is weighed."""
    lines = [WATER, Ingredient("filler", "P", balance=True, of="P", balance_readability=scale)]
    whole = sum(parts) + 20
    for i, part in enumerate(parts):
        content = acid if i == 0 else None
        lines.append(
            Ingredient(
                f"part {i}", "P", percent=100 * part / whole, of="P", acid_content=content, balance_readability=scale
            )
        )
    if acid is not None:
        lines.append(Neutralise("sodium hydroxide", 0.6, 0.18, balance_readability=0.0001))
    recipe = Recipe(lines, {"A": None, "P": "size"}, [Premix("P", losses, balance_readability=scale)])
    plan = trial(size=sizes)
    problems = recipe.check(plan.study, plan)
    if not problems.empty:  # base of much acid may leave no water
        assert problems["where"].str.contains("water").all()
        return
    (made,) = recipe.premixes_made(plan, batch)
    half = Decimal(repr(scale)) / 2
    together = sum(made.portions)
    assert Fraction(made.total + half) >= Fraction(together) * (1 + Fraction(repr(losses)) / 100)
    for name, grams in made.made.grams.items():
        assert grams % Decimal(repr(scale)) == 0
        told = made.procedure.set_index("do").loc[name, "note"]
        assert grams >= 100 * Decimal(repr(scale)) or "the least for 1 % on this balance" in told
        nominal = float(recipe.share({"size": sizes[0]})[name]) / sizes[0] * float(made.total)
        off = len(made.made.grams) + 1 if name == made.made.closing else 2  # half digits: own, and the total's
        assert float(grams) == pytest.approx(nominal, abs=float(half) * off)
    for run, row in plan.runs.iterrows():
        table = recipe.weigh_out(row, batch).set_index("line")
        assert abs(sum(table["grams"]) - Decimal(repr(batch))) <= Decimal("0.005")
        assert table.loc["premix P", "grams"] == made.portions[run]
        if acid is not None and table.loc["premix P", "grams"] > 0:
            polymer = float(table.loc["premix P", "grams"]) * parts[0] / whole
            degree = degree_from(
                float(table.loc["sodium hydroxide", "grams"]), polymer, "sodium hydroxide", acid, 0, 0.18
            )
            assert degree == pytest.approx(0.6, abs=0.6 * 0.00005 / (polymer * 0.1) + 1e-9)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: Premix("C", losses=-1),
            "premix 'C': losses is -1.0 but must be from 0 to 200 %: give what stays in the vessel, in % of all portions.",
        ),
        (
            lambda: Premix("", losses=5),
            "premix: phase is '' but must be a text of at least one letter: put it in quotation marks.",
        ),
        (
            lambda: Recipe([WATER, *OIL[:1]], {"A": None, "C": 2.0}, [Premix("B", 5)]),
            "recipe: premix is 'B' but must be the phase of an ingredient: known names are 'A', 'C'.",
        ),
        (
            lambda: Recipe([WATER], premixes=[Premix("A", 5)]),
            "recipe: premix 'A' is 'with water, which fills the batch,' but must be of lines whose amounts do not hang on the rest of the "
            "batch: put water into another phase, or let it fill the phase: of='A'.",
        ),
        (
            lambda: Recipe([WATER, *OIL, Step("stir", speed="speed")], {"A": None, "C": 2.0}, [Premix("C", 5)]),
            "step 'stir' of premix 'C' is 'set by speed' but must be the same for all batches, as the premix is made once: write after='C' "
            "if it is done when the portion is in the batch.",
        ),
        (
            lambda: Recipe([WATER, *OIL], {"A": None, "C": 2.0}, [Premix("C", 5), Premix("C", 6)]),
            "recipe: premix is 'C' but must be a phase named once: leave the second out.",
        ),
        (
            lambda: Recipe([WATER], premixes=["C"]),
            "recipe: premix is 'C' but must be a Premix: write Premix(\"C\", losses=5.0).",
        ),
        (
            lambda: Recipe([WATER], premixes="C"),
            "recipe: premixes is 'C' but must be a list of Premix: write [Premix(\"C\", losses=5.0)].",
        ),
        (
            lambda: Recipe(
                [WATER, *OIL, Ingredient("premix C", "A", percent=1)], {"A": None, "C": 2.0}, [Premix("C", 5)]
            ),
            "recipe: line is 'premix C' but must be no portion's name: name the ingredient otherwise.",
        ),
        (
            lambda: Recipe([WATER], base_gel=True),
            "recipe: base_gel is True but must be a doe.bench.BaseGel or None: write BaseGel(losses=5.0).",
        ),
        (
            lambda: pigmented().premixes_made(None),
            "plan is 'NoneType' but must be a Plan: make one with doe.designs.",
        ),
        (
            lambda: pigmented().premixes_made(trial(salt=[1], speed=[300], **{"oil phase": [0]})),
            "recipe: premix 'C' is 'in no run' but must be in one at least: leave it out, or correct its amounts.",
        ),
        (
            lambda: pigmented().premixes_made(trial(salt=[1, 99], speed=[300, 300], **{"oil phase": [4, 4]})),
            "run 2: recipe: water, which fills the batch, is '-3 %' but must be 0 % or above: the other lines take 103 % (salt 99 %, oil "
            "3.8 %, pigment 0.2 %): lower one, or take a stronger stock.",
        ),
    ],
)
def test_bad_input_in_one_sentence(call, sentence, sentence_of):
    assert sentence_of(call) == sentence


def test_a_premix_that_a_factor_changes_is_refused_and_listed(sentence_of):
    recipe = Recipe(
        [WATER, Ingredient("oil", "C", percent=4), Ingredient("pigment", "C", factor="pigment")],
        premixes=[Premix("C", losses=5.0)],
    )
    plan = trial(pigment=[1, 1, 2])
    sentence = (
        "run 3: pigment in premix 'C' is '33.33 % of it' but must be 20 %, as in run 1: it is made once for all batches: weigh it into each "
        "batch, in a phase of its own, or give its amount as % of the phase."
    )
    assert sentence_of(lambda: recipe.premixes_made(plan)) == sentence
    problems = recipe.check(plan.study, plan)
    assert problems["run"].tolist() == [3]
    assert "premix 'C'" in problems["where"][0]


def test_a_spoiled_file_is_refused(tmp_path, sentence_of):
    path = pigmented().save(tmp_path / "r.json")
    path.write_text(path.read_text().replace('"losses"', '"loses"'))
    assert sentence_of(lambda: Recipe.load(path)).replace(str(tmp_path), "") == (
        "recipe file '/r.json': premix 1 is 'loses' but must be one of phase, losses, balance_readability: did you mean 'losses'?"
    )
