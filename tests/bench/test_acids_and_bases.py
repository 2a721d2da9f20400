"""Other acids and bases in a recipe count: worked by hand, kept in the file, flagged where one lacks the other."""

import pytest

from doe.bench import Base, Ingredient, Neutralise, Recipe, acid_content
from doe.designs import full_factorial
from doe.study import Continuous, Response, Study

CITRATE = acid_content(294.10 / 3, "g/eq")  # trisodium citrate dihydrate, 294.10 g/mol, three groups


BASE = Neutralise("tromethamine", 0.70, stock=0.20)


def gel(*others, base=BASE, **change):
    lines = [
        Ingredient("water", "A", balance=True),
        Ingredient("carbomer", "A", percent=0.3, acid_content=62.0, **change),
        *others,
    ]
    return Recipe([*lines, base] if base is not None else lines)


def grams(recipe, name="tromethamine"):
    return float(recipe.weigh_out({}, 200.0).set_index("line").loc[name, "grams"])


def citric(**change):
    return Ingredient(
        "citric acid", "A", percent=0.05, acid_content=70.3, takes_base=1.0, pka=(3.13, 4.76, 6.40), **change
    )


def test_citric_acid_takes_base_on_top():
    """0.1 g at 70.3 % COOH is 1.5616 mmol, whole, beside 0.7 × 8.2635 mmol of the polymer: 7.3461 mmol, 4.449 g of 20 % tromethamine (hand)."""
    assert grams(gel(citric())) == pytest.approx(4.45, abs=0.005)
    half = Ingredient("citric acid", "A", percent=0.05, acid_content=70.3, takes_base=0.5)
    assert grams(gel(half)) == pytest.approx((5.7845 + 0.7808) * 0.121136 / 0.2, abs=0.005)
    shares = Ingredient("citric acid", "A", percent=0.05, acid_content=70.3)
    assert grams(gel(shares)) == pytest.approx((5.7845 + 0.7 * 1.5616) * 0.121136 / 0.2, abs=0.005)


def test_the_sheet_says_what_the_base_is_for():
    note = gel(citric()).weigh_out({}, 200.0).set_index("line").loc["tromethamine", "note"]
    assert note == "to degree 0.7 of 8.264 mmol COOH, and 1.562 mmol for citric acid; 0.8900 g base, 20 % w/w stock"


def test_a_salt_takes_none():
    salt = Ingredient("sodium citrate", "A", percent=0.2, acid_content=CITRATE, takes_base=1.0, already=1.0)
    assert grams(gel(salt)) == pytest.approx(3.50)


def test_a_partly_neutralised_polymer_takes_less():
    """0.7 − 0.3 of 8.2635 mmol: 3.3054 mmol, 2.002 g (hand)."""
    recipe = gel(already=0.3)
    assert grams(recipe) == pytest.approx(2.00, abs=0.005)
    notes = recipe.weigh_out({}, 200.0).set_index("line")["note"]
    assert notes["carbomer"].startswith("0.3 %; 62 % COOH, dry (assumed), 30 % of it neutralised already")
    assert notes["tromethamine"].startswith("to degree 0.7 of 8.264 mmol COOH, 2.479 mmol of them neutralised already")


def test_a_base_among_the_ingredients_is_taken_off():
    """0.1 g of sodium hydroxide as 10 % solution is 2.5002 mmol: 3.2843 mmol are left, 1.989 g (hand)."""
    lye = Ingredient("sodium hydroxide", "A", percent=0.05, stock=0.10, base="sodium hydroxide")
    recipe = gel(lye)
    assert grams(recipe) == pytest.approx(1.99, abs=0.005)
    note = recipe.weigh_out({}, 200.0).set_index("line").loc["tromethamine", "note"]
    assert note.startswith("to degree 0.7 of 8.264 mmol COOH, less 2.5 mmol that sodium hydroxide brings")
    cautions = recipe.procedure({}).set_index("do").loc["sodium hydroxide", "cautions"]
    assert cautions.startswith("Bases: sodium and potassium hydroxide burn")
    own = Ingredient("a diamine", "A", percent=0.05, base=Base("a diamine", 100.0, 2))
    assert grams(gel(own)) == pytest.approx((5.7845 - 2.0) * 0.121136 / 0.2, abs=0.005)


def test_stages_count_what_stands_before_them():
    """First part: 0.4 × 8.2635 mmol; the citric acid stands after it and is met by the second (hand)."""
    lines = [
        Ingredient("water", "A", balance=True),
        Ingredient("carbomer", "A", percent=0.3, acid_content=62.0),
        Ingredient("citric acid", "B", percent=0.05, acid_content=70.3, takes_base=1.0),
    ]
    recipe = Recipe([*lines, Neutralise("tromethamine", 0.75, 0.20, stages=(0.40, "carbomer"))])
    assert grams(recipe, "tromethamine, first part") == pytest.approx(2.00, abs=0.005)
    assert grams(recipe, "tromethamine, second part") == pytest.approx(
        (0.35 * 8.2635 + 1.5616) * 0.121136 / 0.2, abs=0.01
    )


def test_amounts_close_and_the_file_keeps_it_all(tmp_path):
    own = Ingredient("some amine", "A", percent=0.01, base=Base("some amine", 100.0, 1, 9.1))
    recipe = gel(citric(already=0.1), own)
    assert sum(recipe.weigh_out({}, 200.0)["grams"]) == 200
    again = Recipe.load(recipe.save(tmp_path / "recipe.json"))
    assert again.lines == recipe.lines
    strong = gel(Ingredient("lye", "A", percent=0.01, base="sodium hydroxide"))
    assert Recipe.load(strong.save(tmp_path / "lye.json")).lines == strong.lines


@pytest.fixture
def trial():
    study = Study("gel (invented)", [Continuous("speed", 200, 600, "rpm")], [Response("pH")])
    return study, full_factorial(study)


def found(recipe, trial):
    return [(p.where, p.found) for p in recipe.check(*trial).itertuples() if "speed" not in p.where]


def test_acid_without_base_and_base_without_acid_are_flagged(trial):
    lye = Ingredient("lye", "A", percent=0.02, base="sodium hydroxide")
    water = Ingredient("water", "A", balance=True)
    assert found(gel(base=None), trial) == [("recipe: base", "missing")]
    assert found(gel(lye, base=None), trial) == []
    assert found(Recipe([water, lye]), trial) == [("recipe: acid for lye", "missing")]
    salt = Ingredient("sodium citrate", "A", percent=0.2, acid_content=CITRATE, takes_base=1.0, already=1.0)
    assert found(Recipe([water, salt]), trial) == []
    assert found(Recipe([water, salt, Neutralise("tromethamine", 0.7, 0.2)]), trial) == [
        ("recipe: acid for tromethamine", "missing")
    ]


def test_more_base_than_the_degree_asks_is_refused(sentence_of):
    lye = Ingredient("lye", "A", percent=0.2, base="sodium hydroxide")
    assert sentence_of(lambda: gel(lye).weigh_out({}, 200.0)) == (
        "recipe: tromethamine is '-1.277 %' but must be 0 % or above: other bases, salts and partly neutralised polymers bring more base than "
        "the degree asks: raise it or lower them."
    )


WHERE = "ingredient 'x'"


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        (
            {"acid_content": 62, "already": 40},
            f"{WHERE}: already is 40.0 but must be from 0 to 1: give the share of the acid groups: 40 % is 0.40.",
        ),
        (
            {"takes_base": 1},
            f"{WHERE}: takes_base is 1.0 but must be left out where there is no acid_content: give acid_content= too.",
        ),
        (
            {"acid_content": 62, "pka": 4.76},
            f"{WHERE}: pka is [4.76] but must be left out for what shares the degree: a polymer's comes of its titration; for another acid say "
            "takes_base=1, or how much of it takes base.",
        ),
        (
            {"acid_content": 70.3, "takes_base": 1, "pka": (6.4, 3.1)},
            f"{WHERE}: pka is [6.4, 3.1] but must be in rising order: the first step is the most acidic.",
        ),
        (
            {"acid_content": 62, "base": "tromethamine"},
            f"{WHERE}: base is 'x' but must be given without acid_content and balance: an ingredient is an acid, a base or neither; a salt of an "
            "acid is that acid with already=1.",
        ),
        (
            {"base": "tromethamin"},
            f"{WHERE}: base is 'tromethamin' but must be a base of the table: did you mean 'tromethamine' or 'triethanolamine'; or give "
            "doe.bench.Base('tromethamin', molar_mass=…), in g/mol.",
        ),
    ],
)
def test_bad_input_in_one_sentence(fields, sentence, sentence_of):
    assert sentence_of(lambda: Ingredient("x", "A", percent=1.0, **fields)) == sentence
