"""Neutralisation: inverse of itself, whatever the units; refused in one sentence where it cannot be right."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.bench import Base, acid_content, bases, degree_from, neutraliser, stock_strength

fractions = st.floats(0.01, 1.0)


@given(
    grams=st.lists(st.floats(0.01, 50), min_size=1, max_size=4),
    degree=st.floats(0.5, 3),
    base=st.sampled_from(list(bases().index)),
    content=st.floats(40, 68),
    moisture=st.floats(0, 0.2),
    stock=fractions,
    already=st.floats(0, 0.5),
)
def test_grams_to_degree_and_back(grams, degree, base, content, moisture, stock, already):
    weighed = neutraliser(grams, degree, base, content, moisture, stock, already)
    assert degree_from(weighed, grams, base, content, moisture, stock, already) == pytest.approx(degree, rel=1e-9)


@given(first=st.floats(0, 1), more=st.floats(0, 1))
def test_two_stages_take_what_one_takes(first, more):
    one = neutraliser(0.6, first + more, stock=0.2)
    assert neutraliser(0.6, first, stock=0.2) + neutraliser(
        0.6, first + more, stock=0.2, already=first
    ) == pytest.approx(one, abs=1e-12)


def test_several_polymers_may_each_have_their_own_figures():
    apart = neutraliser(0.6, 0.7, acid_content=62, moisture=0.02) + neutraliser(
        0.3, 0.7, acid_content=56, moisture=0.01
    )
    assert neutraliser([0.6, 0.3], 0.7, acid_content=[62, 56], moisture=[0.02, 0.01]) == pytest.approx(apart)
    assert neutraliser([0.6, 0.3], 0.7, already=[0.7, 0]) == pytest.approx(neutraliser(0.3, 0.7))


def test_a_base_of_two_equivalents_takes_half():
    assert neutraliser(1, 1, Base("diamine", 100, 2)) == pytest.approx(neutraliser(1, 1, Base("amine", 100)) / 2)


def test_strengths_in_three_units():
    """1 mol/L sodium hydroxide, 1.04 g/mL: 39.997 g in 1040 g. 10 % w/v at 1.09 g/mL: 10 g in 109 g (arithmetic)."""
    assert stock_strength(20) == pytest.approx(0.2)
    assert stock_strength(10, "% w/v", density=1.09) == pytest.approx(10 / 109)
    assert stock_strength(1, "mol/L", density=1.04, base="sodium hydroxide") == pytest.approx(39.997 / 1040)


def test_the_table_of_bases_says_where_figures_come_from():
    table = bases()
    assert table["source"].str.contains("from memory").all()
    assert np.isinf(table.loc["sodium hydroxide", "pka"])
    assert table.loc["tromethamine", "pka"] == 8.07


DEGREE = "must be from 0 to 3: give equivalents of base per equivalent of COOH: 70 % is 0.70."


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: neutraliser(0.6, 70), f"degree is 70.0 but {DEGREE}"),
        (
            lambda: neutraliser(0.6, 0.3, already=0.4),
            "degree is 0.3 but must be 0.4 or above, as so much is neutralised already: raise it: base cannot be taken out.",
        ),
        (
            lambda: neutraliser(0.6, 0.7, acid_content=0.62),
            "acid_content is 0.62 but must be from 1 to 71 % COOH, dry basis: doe.bench.acid_content converts mg KOH/g and g per equivalent.",
        ),
        (
            lambda: neutraliser(0.6, 0.7, acid_content=72.06),
            "acid_content is 72.06 but must be from 1 to 71 % COOH, dry basis: doe.bench.acid_content converts mg KOH/g and g per equivalent.",
        ),
        (
            lambda: neutraliser(0.6, 0.7, moisture=2),
            "moisture is 2.0 but must be from 0 to 0.5: give the mass fraction lost on drying: 2 % is 0.02.",
        ),
        (
            lambda: neutraliser(0.6, 0.7, stock=20),
            "stock is 20.0 but must be above 0 and at most 1: give the mass fraction: 20 % w/w is 0.20.",
        ),
        (
            lambda: neutraliser(0.6, 0.7, "tromethamin"),
            "base is 'tromethamin' but must be a base of the table: did you mean 'tromethamine' or 'triethanolamine'; or give "
            "doe.bench.Base('tromethamin', molar_mass=…), in g/mol.",
        ),
        (
            lambda: neutraliser(0.6, 0.7, 3),
            "base is 3 but must be the name of a base or a doe.bench.Base: write it in quotation marks.",
        ),
        (
            lambda: neutraliser([0.6, 0.3], 0.7, acid_content=[62, 56, 60]),
            "acid_content is [62, 56, 60] but must be one value, or 2: one a polymer: give them in the polymers' order.",
        ),
        (lambda: neutraliser([], 0.7), "polymer_grams is [] but must be at least one polymer: give the grams weighed."),
        (
            lambda: neutraliser(0, 0.7),
            "polymer_grams is [0.0] but must be 0 or above, and together above 0: give the grams of polymer weighed.",
        ),
        (
            lambda: neutraliser("0.6", 0.7),
            "polymer_grams is '0.6' but must be a number with its unit, as in '200 g': add the unit, or give the bare number in g.",
        ),
        (
            lambda: neutraliser(0.6, 0.7, already=40),
            "already is [40.0] but must be from 0 to 1: give the share of the COOH groups: 40 % is 0.40.",
        ),
        (
            lambda: degree_from(-1, 0.6),
            "grams is -1.0 but must be 0 or above: give the grams of solution that were added.",
        ),
        (
            lambda: acid_content(62, "meq/g"),
            "unit is 'meq/g' but must be '% COOH', 'mg KOH/g' or 'g/eq': choose the one on the certificate.",
        ),
        (
            lambda: acid_content(62, basis="wet"),
            "basis is 'wet' but must be 'dry' or 'as is': choose the one on the certificate.",
        ),
        (lambda: acid_content(0), "acid content is 0.0 but must be above 0: correct the figure."),
        (
            lambda: stock_strength(1, "mol/L", base="sodium hydroxide"),
            "density is None but must be given with a strength in mol/L: give it in g/mL, as measured.",
        ),
        (
            lambda: stock_strength(10, "% w/v", density=1090),
            "density is 1090.0 but must be from 0.5 to 3 g/mL: 1000 kg/m³ is 1 g/mL.",
        ),
        (
            lambda: stock_strength(120),
            "strength is '120 % w/w' but must be no more than the pure substance (it would be 120 % w/w): check the figure and its unit.",
        ),
        (
            lambda: stock_strength(1, "M"),
            "unit is 'M' but must be '% w/w', '% w/v' or 'mol/L': choose the one on the bottle.",
        ),
        (lambda: Base("x", None), "base 'x': molar_mass is None but must be a finite number: give it in g/mol."),
        (
            lambda: Base("x", 10, 0),
            "base 'x': equivalents is 0.0 but must be above 0: give it in acid groups a molecule.",
        ),
        (lambda: Base("", 10), "base: name is '' but must be a text: say which base it is."),
    ],
)
def test_bad_input_in_one_sentence(call, sentence, sentence_of):
    assert sentence_of(call) == sentence
