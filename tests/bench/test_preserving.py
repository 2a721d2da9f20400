"""Expected pH of a recipe with all its acids and bases, and what it says about preservatives: never that the product is preserved."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

from doe.bench import (
    Ingredient,
    Neutralise,
    Recipe,
    Titration,
    expected_ph,
    indicative_curve,
    preservative_check,
    preservative_ranges,
    titration_curve,
)
from doe.virtual import gel_ph

CITRIC = (3.13, 4.76, 6.40)


def gel(*others, percent=0.3, base="tromethamine"):
    return Recipe(
        [
            Ingredient("water", "A", balance=True),
            Ingredient("carbomer", "A", percent=percent, acid_content=62.0),
            *others,
            Neutralise(base, "degree", stock=0.20),
        ]
    )


RUNS = pd.DataFrame({"degree": [0.4, 0.7, 1.0]}, index=pd.RangeIndex(1, 4, name="run"))
CONCENTRATION = 3.0 * 0.62 / 45.017


@pytest.fixture(scope="module")
def curve():
    degrees = np.array([0, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8])
    grams = degrees * 0.013498 * 121.136 / 0.2
    noise = [0.02, -0.01, 0.03, -0.02, 0.0, 0.01, -0.03, 0.01]
    ph = gel_ph(degrees, 0.013498 / ((200 + grams) / 1000), "tromethamine", 5.9, 1.7) + noise
    return titration_curve(Titration(grams, ph, 1.0, 200.0, "tromethamine", 0.2, 100 * 0.013498 * 45.017))


def test_expected_ph_is_that_of_the_charge_balance(curve):
    table = expected_ph(gel(), RUNS, curve)
    assert table["ph"].to_numpy() == pytest.approx(
        gel_ph(RUNS["degree"], CONCENTRATION, "tromethamine", curve.pk, curve.n), abs=1e-8
    )
    assert (table["low"] < table["ph"]).all()
    assert (table["ph"] < table["high"]).all()
    assert list(table["run"]) == [1, 2, 3]
    assert table["degree"].to_numpy() == pytest.approx([0.4, 0.7, 1.0])
    assert list(table["note"]) == ["", "", "extrapolated: readings stand from degree 0 to 0.8"]
    narrow = expected_ph(gel(), RUNS, curve, level=0.5)
    assert (narrow["high"] < table["high"]).all()


def test_a_buffer_holds_the_ph(curve):
    """0.5 % citric acid met by base, and 0.1 % of it as salt: worked here by bisection, step by step dissociation."""
    acid = Ingredient("citric acid", "A", percent=0.05, acid_content=70.3, takes_base=1.0, already=0.2, pka=CITRIC)
    row = expected_ph(gel(acid), {"degree": 0.7}, curve).iloc[0]
    groups = 0.5 * 0.703 / 45.017
    base = 0.7 * CONCENTRATION + 0.8 * groups

    def left(ph):
        h = 10**-ph
        k1, k2, k3 = (10**-p for p in CITRIC)
        parts = np.array([h**3, h**2 * k1, h * k1 * k2, k1 * k2 * k3])
        charge = parts @ [0, 1, 2, 3] / parts.sum()
        alpha = 1 / (1 + 10 ** ((curve.pk - ph) / curve.n))
        return (
            base / (1 + 10 ** (ph - 8.07)) + 0.2 * groups + h - CONCENTRATION * alpha - groups / 3 * charge - 1e-14 / h
        )

    assert row["ph"] == pytest.approx(brentq(left, 0, 14), abs=1e-8)
    assert row["note"] == "with other acids than titrated"
    assert row["degree"] == pytest.approx(0.7)
    assert (
        expected_ph(gel(acid), {"degree": 0.7}, curve)["steepness"][0]
        < expected_ph(gel(), {"degree": 0.7}, curve)["steepness"][0]
    )


def test_notes_say_what_carries_over(curve):
    assert (
        expected_ph(gel(base="sodium hydroxide"), {"degree": 0.7}, curve)["note"][0] == "carried over from tromethamine"
    )
    assert expected_ph(gel(percent=0.1), {"degree": 0.7}, curve)["note"][0] == "0.2 times the polymer titrated"
    steep = expected_ph(gel(base="sodium hydroxide"), {"degree": 1.0}, indicative_curve("sodium hydroxide"))["note"][0]
    assert steep.startswith("indicative; steep: 0.01 more or less of degree moves the pH by ")


def test_steepness_is_the_slope_of_the_recipe(curve):
    low, high = expected_ph(gel(), pd.DataFrame({"degree": [0.6999, 0.7001]}), curve)["ph"]
    assert expected_ph(gel(), {"degree": 0.7}, curve)["steepness"][0] == pytest.approx((high - low) / 2e-4, rel=1e-4)


def preserved():
    return gel(
        Ingredient("sodium benzoate", "A", percent=0.3),
        Ingredient("phenoxyethanol (and) ethylhexylglycerin", "A", percent=0.9),
        Ingredient("secret blend", "A", percent=0.5, function="preservative"),
    )


def test_each_preservative_is_compared_in_each_run(curve):
    found = preservative_check(preserved(), RUNS, curve)
    table = found.table.set_index(["run", "preservative"])
    assert len(table) == 12
    row = table.loc[(2, "sodium benzoate")]
    assert row["verdict"] == "outside: above pH 5.5"
    assert row["undissociated"] == pytest.approx(1 / (1 + 10 ** (row["ph"] - 4.20)))
    assert table.loc[(2, "phenoxyethanol in phenoxyethanol (and) ethylhexylglycerin"), "verdict"] == "within"
    assert table.loc[(1, "secret blend"), "verdict"] == "range not known: give ranges="
    assert set(found.problems["preservative"]) == {"sodium benzoate", "secret blend"}


def test_ranges_of_the_data_sheet_overrule(curve):
    run = {"degree": 0.4}
    expected = expected_ph(preserved(), run, curve).iloc[0]
    middle = (expected["ph"] + expected["high"]) / 2
    own = {"sodium benzoate": (2.0, middle), "secret blend": (3, 9)}
    verdicts = preservative_check(preserved(), run, curve, own).table.set_index("preservative")["verdict"]
    assert verdicts["sodium benzoate"] == "may be outside: the interval passes its end"
    assert verdicts["secret blend"] == "within"
    low = preservative_check(preserved(), run, curve, {"secret blend": (9, 10)}).table.set_index("preservative")[
        "verdict"
    ]
    assert low["secret blend"] == "outside: below pH 9"


def test_words_are_no_evidence_of_preservation(curve):
    text = repr(preservative_check(preserved(), RUNS, curve))
    assert text.startswith("Expected pH against the working ranges of preservatives: 6 of 12 not wholly within")
    assert "no evidence that the product is preserved: that takes a challenge test (ISO 11930)" in text
    assert "ndicative" not in text
    guess = repr(preservative_check(preserved(), RUNS, indicative_curve()))
    assert guess.startswith("Indicative pH against")
    assert "Indicative, not measured" in guess
    assert "none that is known is named" in repr(preservative_check(gel(), RUNS, curve))


def test_every_range_has_its_source():
    table = preservative_ranges()
    assert table["source"].str.contains("common practice, no source").all()
    assert (table["low"] < table["high"]).all()
    # the acids' pKa: CRC Handbook of Chemistry and Physics, from memory
    assert table.loc["sodium benzoate", "pka"] == 4.20
    assert table.loc["potassium sorbate", "pka"] == 4.76
    # 'sorbate/benzoate below pH about 5.5' is common practice, no source
    assert table.loc[["sodium benzoate", "potassium sorbate"], "high"].tolist() == [5.5, 5.5]


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda c: expected_ph(3, RUNS, c), "recipe is 'int' but must be a doe.bench.Recipe: make one of its lines."),
        (
            lambda c: expected_ph(gel(), RUNS, 3),
            "curve is 'int' but must be a curve of a titration: make it with doe.bench.titration_curve or indicative_curve.",
        ),
        (
            lambda c: expected_ph(gel(), 3, c),
            "runs is 'int' but must be a Plan, or settings by factor name: give plan, or plan.runs.loc[3].",
        ),
        (
            lambda c: expected_ph(Recipe([Ingredient("water", "A", balance=True)]), {}, c),
            "recipe: acid_content is 'missing' but must be given for a polymer: give it in % COOH: its pH follows from that.",
        ),
        (
            lambda c: expected_ph(
                gel(Ingredient("citric acid", "A", percent=0.1, acid_content=70.3, takes_base=1.0)), RUNS, c
            ),
            "ingredient 'citric acid': pka is 'missing' but must be given, one a step of the acid: a handbook has it.",
        ),
        (
            lambda c: expected_ph(gel(percent=0.0), RUNS, c),
            "run: polymers with acid groups is 'none in this run' but must be at least one: leave the run out.",
        ),
        (
            lambda c: preservative_check(gel(), RUNS, c, ranges=3),
            "ranges is 3 but must be a mapping of ingredient to lowest and highest pH: write {'phenoxyethanol': (3, 10)}.",
        ),
        (
            lambda c: preservative_check(gel(), RUNS, c, ranges={"carbomr": (3, 8)}),
            "ranges: ingredient is 'carbomr' but must be an ingredient of the recipe: did you mean 'carbomer'?",
        ),
        (
            lambda c: preservative_check(gel(), RUNS, c, ranges={"carbomer": 5}),
            "ranges: carbomer is 5 but must be lowest and highest pH: write (3, 10).",
        ),
        (
            lambda c: preservative_check(gel(), RUNS, c, ranges={"carbomer": (8, 3)}),
            "ranges: carbomer is (8.0, 3.0) but must be rising, from 0 to 14: write (3, 10).",
        ),
    ],
)
def test_bad_input_in_one_sentence(call, sentence, sentence_of, curve):
    assert sentence_of(lambda: call(curve)) == sentence
