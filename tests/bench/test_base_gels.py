"""Base gels: one for the beakers of a whole plot, every beaker as the recipe has it, the neutraliser as what was really poured takes."""

from decimal import Decimal
from fractions import Fraction

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.bench import BaseGel, Ingredient, Neutralise, Premix, Recipe, Step
from doe.designs import Plan
from doe.study import Continuous, Response, Study
from doe.virtual import AfterSunGel

WATER = Ingredient("water", "A", balance=True)
CARBOMER = Ingredient("carbomer", "A", factor="carbomer", acid_content=62.0, balance_readability=0.001)


def gel(*more, how=None, **changes):
    """Carbomer swollen in water; then neutralised, salted and stirred as each beaker asks."""
    lines = [
        WATER,
        CARBOMER,
        Step("swell", minutes=60),
        Neutralise("tromethamine", "degree", stock=0.20, balance_readability=0.001, **changes),
        Ingredient("salt", "B", factor="salt", stock=0.25),
        *more,
        Step("stir", speed=300),
    ]
    return Recipe(lines, base_gel=how)


def split(plots=("W1", "W1", "W2", "W2"), hard=("carbomer",), **columns):
    """A plan with whole plots; carbomer is hard to change."""
    given = {"carbomer": [0.3, 0.3, 0.5, 0.5], "degree": [0.4, 0.8, 0.4, 0.8], "salt": [0.0, 1.0, 1.0, 0.0]} | columns
    study = Study(
        "beakers (invented)",
        [
            Continuous(n, min(v) - 0.1, max(v) + 0.1, "" if n == "degree" else "%", hard_to_change=n in hard)
            for n, v in given.items()
        ],
        [Response("viscosity", "mPa·s")],
    )
    table = pd.DataFrame(given, dtype=float)
    return Plan.from_frame(study, table.assign(whole_plot=list(plots)))


def weighed(rows):
    return {r["do"]: r["grams"] for r in rows.to_dict("records") if r["grams"] is not None}


def test_worked_by_hand():
    """Two beakers of 200 g at 0.3 % carbomer, degrees 0.4 and 0.8, salt 0 and 1 % (of 25 %: 4 %).

    The scarce one holds 100 − 0.3 − 2.0023 − 4 = 93.698 % water; 5 % is held back: the base has 88.698 + 0.3 = 88.998 % of each batch, so
    178.00 g are poured of (355.99 × 1.05 =) 374 g; the first beaker keeps 200 − 178.00 − 2.002 = 20.00 g water.
    """
    found = gel().base_gels(split(), 200.0)
    base = found.base_of(1)
    assert base.runs == (1, 2)
    assert base.poured == Decimal("178.00")
    assert base.made.total == Decimal("374.001")
    assert base.made.grams["carbomer"] == Decimal("1.261")  # 0.3 / 88.998 of 374 g
    assert base.procedure["do"].tolist() == ["water", "carbomer", "swell: 60 min"]
    assert base.concentrated == pytest.approx(100 / 88.998, abs=1e-4)
    assert weighed(found.beakers[1]) == {
        "base gel W1": Decimal("178.00"),
        "water, held back": Decimal("20.00"),
        "tromethamine": Decimal("2.003"),
        "salt": Decimal("0.00"),
    }
    assert found.beakers[2]["do"].tolist() == [
        "base gel W1",
        "water, held back",
        "tromethamine",
        "salt",
        "stir: 300 rpm",
    ]
    assert found.chosen == (
        "Derived from the recipe: the base holds what comes before tromethamine, which degree changes from beaker to beaker."
    )
    assert found.allowances == (
        "Made in excess for losses: 5 % (assumed). Of water, each beaker keeps at least 5 % of its batch (assumed)."
    )
    assert found.summary["runs"].tolist() == ["1, 2", "3, 4"]
    assert "Beaker of run 4" in repr(found)


def test_allowances_are_taken_as_given_and_no_longer_assumed():
    plan = split()
    usual = gel().base_gels(plan, 200.0).bases[0]
    found = gel(how=BaseGel(losses=20.0, hold_back=10.0, balance_readability=0.1)).base_gels(plan, 200.0)
    assert found.allowances == (
        "Made in excess for losses: 20 %. Of water, each beaker keeps at least 10 % of its batch."
    )
    base = found.bases[0]
    assert base.poured == Decimal("168.0")  # 5 % of 200 g less
    assert base.made.total > usual.made.total
    assert found.beakers[1]["balance"][0] == "0.1 g"
    assert weighed(found.beakers[2])["water, held back"] == pytest.approx(Decimal("20"), abs=Decimal("0.06"))


def test_the_base_may_be_said_to_end_sooner():
    found = gel(how=BaseGel(last="water")).base_gels(split(), 200.0)
    assert found.bases[0].procedure["do"].tolist() == ["water"]
    assert found.chosen == "The base goes up to water, as the recipe says."
    assert weighed(found.beakers[1])["carbomer"] == Decimal("0.600")
    assert found.beakers[1].set_index("do").loc["tromethamine", "role"] == "follows the base"
    later = gel(how=BaseGel(last="carbomer")).base_gels(split(), 200.0)
    assert later.bases[0].procedure["do"].tolist() == ["water", "carbomer", "swell: 60 min"]  # and the step behind it


def test_first_stage_in_the_base_second_in_the_beaker():
    """Degree 0.2 in the base; the rest by what is poured. Both portions together are what the whole batch by itself would take."""
    recipe, plan = gel(stages=(0.2, "carbomer")), split()
    found = recipe.base_gels(plan, 200.0)
    base = found.base_of(3)
    assert base.procedure["do"].tolist() == ["water", "carbomer", "tromethamine, first part", "swell: 60 min"]
    beaker = found.beakers[3].set_index("do")
    first = Fraction(base.made.grams["tromethamine, first part"]) / Fraction(base.made.total) * Fraction(base.poured)
    second = beaker.loc["tromethamine, second part", "grams"]
    alone = recipe.weigh_out(plan.runs.loc[3], 200.0).set_index("line")["grams"]
    whole = alone["tromethamine, first part"] + alone["tromethamine, second part"]
    assert float(first + Fraction(second)) == pytest.approx(
        float(whole), abs=0.02
    )  # the base's carbomer is rounded by 0.0005 of 2 g
    rate = float(beaker.loc["tromethamine, second part", "rate"])
    assert rate * float(base.poured) == pytest.approx(float(second), abs=0.0006)
    assert f"{100 * rate:.4f} g per 100 g of base really poured" in beaker.loc["tromethamine, second part", "note"]


def test_acid_of_the_beaker_adds_to_what_follows_the_base():
    acid = Ingredient("crosspolymer", "C", percent=0.2, acid_content=57.0, balance_readability=0.001)
    with_acid, without = gel(acid).base_gels(split(), 200.0), gel().base_gels(split(), 200.0)
    beaker, plain = with_acid.beakers[2].set_index("do"), without.beakers[2].set_index("do")
    assert beaker.loc["tromethamine", "grams"] > plain.loc["tromethamine", "grams"]
    follows = [
        float(t.loc["tromethamine", "rate"] * Fraction(g.bases[0].poured))
        for t, g in ((beaker, with_acid), (plain, without))
    ]
    assert follows[0] == pytest.approx(follows[1], rel=0.001)  # 0.6 g of carbomer both times, to half a mg in 1.26 g
    assert "g more or less for each 100 g of base more or less than planned" in beaker.loc["tromethamine", "note"]
    assert "g per 100 g of base really poured" in plain.loc["tromethamine", "note"]


def test_a_premix_may_go_into_the_base_or_into_the_beaker():
    plan = split()
    oil = [Ingredient("oil", "C", percent=1.9), Ingredient("pigment", "C", percent=0.1, balance_readability=0.001)]
    late = Recipe([*gel().lines, *oil], premixes=[Premix("C", losses=10.0)])
    found = late.base_gels(plan, 200.0)
    assert weighed(found.beakers[1])["premix C"] == Decimal("4.00")
    (made,) = late.premixes_made(plan, 200.0, found)
    assert made.portions.to_dict() == {1: 4, 2: 4, 3: 4, 4: 4}
    early = Recipe([*oil, *gel().lines], premixes=[Premix("C", losses=10.0)])
    found = early.base_gels(plan, 200.0)
    assert "premix C" not in weighed(found.beakers[1])
    (made,) = early.premixes_made(plan, 200.0, found)
    assert list(made.portions.index) == ["base gel W1", "base gel W2"]
    assert sum(made.portions) > 16  # the bases are made in excess
    assert made.portions["base gel W1"] == found.bases[0].made.grams["premix C"]


@settings(deadline=None)
@given(
    carbomer=st.tuples(st.floats(0.1, 1), st.floats(0.1, 1)),
    degree=st.lists(st.floats(0.3, 1), min_size=4, max_size=4),
    salt=st.lists(st.floats(0, 2), min_size=4, max_size=4),
    losses=st.floats(0, 30),
    hold_back=st.floats(0.5, 20),
    batch=st.floats(50, 2000),
    stages=st.none() | st.tuples(st.floats(0, 0.25), st.just("carbomer")),
    premix=st.booleans(),
)
def test_every_beaker_is_the_batch_of_the_recipe(carbomer, degree, salt, losses, hold_back, batch, stages, premix):
    """Of every ingredient, base, held-back water and additions together hold what the recipe asks, to the digits of the balances."""
    how = BaseGel(losses=losses, hold_back=hold_back)
    recipe = gel(Ingredient("oil", "C", percent=1.5), Ingredient("wax", "C", percent=0.5), stages=stages)
    recipe = Recipe(recipe.lines, premixes=[Premix("C", 5.0)] if premix else [], base_gel=how)
    plan = split(carbomer=[carbomer[0]] * 2 + [carbomer[1]] * 2, degree=degree, salt=salt)
    found = recipe.base_gels(plan, batch)
    for base in found.bases:
        need = Fraction(base.poured) * len(base.runs) * (1 + Fraction(repr(losses)) / 100)
        assert Fraction(base.made.total) + Fraction(1, 100) >= need
        for row in base.procedure.dropna(subset="grams").to_dict("records"):
            enough = row["grams"] >= 100 * Decimal(row["balance"].split()[0])
            assert enough or "the least for 1 % on this balance" in row["note"] or row["note"].startswith("0 %")
    for run, row in plan.runs.iterrows():
        rows, base = found.beakers[run], found.base_of(run)
        for line in rows.dropna(subset="grams").to_dict("records"):
            enough = not line["grams"] or line["grams"] >= 100 * Decimal(line["balance"].split()[0])
            assert enough or "the least for 1 % on this balance" in line["note"]
        assert "pour within 2 %" in rows["note"].iloc[0]
        masses = weighed(rows)
        assert abs(sum(masses.values()) - Decimal(repr(batch))) <= Decimal("0.005")
        assert all(mass >= 0 for mass in masses.values())
        per_gram = {n: Fraction(g) / Fraction(base.made.total) for n, g in base.made.grams.items()}
        held = {n: per * Fraction(base.poured) for n, per in per_gram.items()}
        held["water"] = held.get("water", 0) + Fraction(masses["water, held back"])
        for name in ("salt", "premix C", "oil", "wax"):
            if name in masses:
                held[name] = Fraction(masses[name])
        share = recipe.share(recipe.values(row))
        for name in ("carbomer", "salt"):
            assert float(held[name]) == pytest.approx(float(share[name]) * batch / 100, abs=0.0055)
        assert Fraction(masses["water, held back"]) >= Fraction(repr(hold_back)) * Fraction(
            repr(batch)
        ) / 100 - Fraction(5, 100)
        polymer = next(i for i in recipe.ingredients if i.name == "carbomer")
        wanted = recipe.degrees(recipe.values(row))[-1]
        stock = sum((held.get(n, Fraction(masses.get(n, 0))) for n in recipe.neutralise.portions), Fraction(0))
        reached = stock / recipe.neutralise.stock_per_mole / (polymer.acid_moles * held["carbomer"])
        per_digit = Fraction(1, 1000) / recipe.neutralise.stock_per_mole / (polymer.acid_moles * held["carbomer"])
        assert abs(float(reached) - wanted) <= float(per_digit) + 1e-9


def test_the_invented_gel_from_base_gels():
    bench = AfterSunGel(hard_to_change=True)
    table = pd.DataFrame(
        {
            "carbomer": [0.25, 0.25, 0.55, 0.55],
            "crosspolymer": [0.4, 0.4, 0.1, 0.1],
            "neutralisation": [0.4, 0.8, 0.4, 0.8],
            "speed": [200.0, 600, 600, 200],
        }
    ).assign(whole_plot=["a", "a", "b", "b"])
    found = bench.recipe.base_gels(Plan.from_frame(bench.study, table), 200.0)
    assert found.bases[0].procedure["do"].tolist()[-1] == "rest, covered, until no lumps are left: 60 min"
    for rows in found.beakers.values():
        assert sum(weighed(rows).values()) == 200
        assert not rows["note"].str.contains("below").any()


# ---- refused


def whole(*plots, **columns):
    """A plan whose beakers differ as given."""
    return split(plots=plots, **columns)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: BaseGel(hold_back=100),
            "base gel: hold_back is 100.0 but must be from 0 to below 100 %: give the least water a beaker keeps.",
        ),
        (
            lambda: BaseGel(losses=300),
            "base gel: losses is 300.0 but must be from 0 to 200 %: give what stays in the vessel, in % of all portions.",
        ),
        (
            lambda: BaseGel(last=" "),
            "base gel: last is ' ' but must be a text of at least one letter: put it in quotation marks.",
        ),
        (lambda: gel().base_gels(None), "plan is 'NoneType' but must be a Plan: make one with doe.designs."),
        (
            lambda: gel().base_gels(split(), 0),
            "batch_size is 0.0 but must be above 0 and at most 1000000 g: give it in g.",
        ),
        (
            lambda: gel(how=BaseGel(last="slat")).base_gels(split()),
            "base gel: last is 'slat' but must be a weighing of the recipe: did you mean 'salt'?",
        ),
        (
            lambda: gel(how=BaseGel(last="salt")).base_gels(split()),
            "run 2: tromethamine, which goes into the base gel, is '2.002 % of the batch' but must be 1.001 %, as in run 1 from the same "
            "base: end the base before it (last=), or plan what sets tromethamine as hard to change.",
        ),
        (
            lambda: Recipe([Ingredient("salt", "A", factor="salt"), WATER, CARBOMER]).base_gels(split()),
            "base gel is 'empty, as salt comes first, which salt changes from beaker to beaker' but must be of one ingredient at least: "
            "move what the beakers share to the front of the recipe, or make each batch by itself.",
        ),
        (
            lambda: gel(how=BaseGel(hold_back=95)).base_gels(split()),
            "run 2: water for the base gel of whole plot W1 is '-1.302 % of the batch, as the batch holds 93.7 % and 95 % is held back' "
            "but must be above 0 %: lower hold_back, take stronger stocks, or lower what the beaker adds (salt 4 %, tromethamine 2.002 %).",
        ),
        (
            lambda: gel().base_gels(split(salt=[0, 30, 1, 0])),
            "run 2: recipe: water, which fills the batch, is '-22.3 %' but must be 0 % or above: the other lines take 122.3 % (salt 120 %, "
            "tromethamine 2.002 %, carbomer 0.3 %): lower one, or take a stronger stock.",
        ),
    ],
)
def test_bad_input_in_one_sentence(call, sentence, sentence_of):
    assert sentence_of(call) == sentence


def test_a_step_of_the_base_that_differs_between_beakers_is_refused(sentence_of):
    lines = [WATER, Step("disperse", speed="speed"), CARBOMER, Neutralise("tromethamine", "degree", 0.2)]
    plan = split(speed=[300, 400, 300, 400])
    assert sentence_of(lambda: Recipe(lines, base_gel=BaseGel(last="carbomer")).base_gels(plan)) == (
        "step 'disperse', done to the base gel, is 'one which speed changes from beaker to beaker' but must be the same for all beakers of "
        "a base: end the base before it (last=), or plan that factor as hard to change."
    )
    assert Recipe(lines).base_gels(plan).bases[0].procedure["do"].tolist() == ["water"]


def test_no_water_left_to_top_up_with_is_refused(sentence_of):
    """Nothing held back: rounding of the additions alone leaves 0.01 g too little."""
    recipe = gel(Ingredient("oil", "C", percent=1.5), Ingredient("wax", "C", percent=0.5), how=BaseGel(hold_back=0))
    plan = split(carbomer=[1, 1, 0.75, 0.75], degree=[1] * 4, salt=[0, 0, 0, 0.6875])
    assert sentence_of(lambda: recipe.base_gels(plan, 50.0)) == (
        "run 4: water, held back, for the beaker from base gel W2, is '-0.01 g' but must be 0 g or above: hold back more, or lower what the "
        "beaker adds (tromethamine 6.256 %, salt 2.75 %, oil 1.5 %)."
    )


def test_a_recipe_that_asks_for_base_gels_is_checked_for_them():
    plan = split()
    assert gel(how=BaseGel()).check(plan.study, plan).empty
    problems = gel(how=BaseGel(hold_back=95)).check(plan.study, plan)
    assert problems["where"].tolist() == ["run 2: water for the base gel of whole plot W1"]
    assert gel().check(plan.study, plan).empty


def test_a_plan_without_whole_plots_is_refused(sentence_of):
    study = split().study
    easy = Study(study.name, [Continuous(f.name, f.low, f.high, f.unit) for f in study.factors], study.responses)
    plan = Plan.from_frame(easy, split().runs)
    assert sentence_of(lambda: gel().base_gels(plan)) == (
        "plan: whole plots is 'missing' but must be there: mark as hard to change what the beakers of one base share."
    )


def test_other_acids_and_bases_of_the_beaker_count():
    """0.192 g of citric acid in 200 g is 1 mmol, 3 equivalents: 3 mmol of tromethamine more, 1.817 g of 20 % (3 × 121.14 mg ÷ 0.20)."""
    citric = Ingredient(
        "citric acid", "C", percent=0.096063, acid_content=70.29, takes_base=1, balance_readability=0.0001
    )  # COOH 45.02 g/mol, three of them in 192.12 g/mol: 70.29 %
    plain, more = (gel(*lines).base_gels(split(), 200.0).beakers[2].set_index("do") for lines in ((), (citric,)))
    extra = float(more.loc["tromethamine", "grams"] - plain.loc["tromethamine", "grams"])
    assert extra == pytest.approx(1.817, abs=0.003)  # the polymer of the base is rounded a little differently
    assert "and 2.999 mmol for citric acid" in more.loc["tromethamine", "note"]
    assert "for each 100 g of base more or less than planned" in more.loc["tromethamine", "note"]
