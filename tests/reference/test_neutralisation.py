"""Neutralisation against values worked by hand, molar masses and the pharmacopoeia's acid content."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe.bench import acid_content, bases, degree_from, neutraliser

WORKED = pd.read_csv(Path(__file__).parent / "neutralisation" / "worked.csv", comment="#")


def numbers(cell):
    values = [float(v) for v in str(cell).split("+")]
    return values[0] if len(values) == 1 else values


@pytest.mark.parametrize(
    "row", list(WORKED.itertuples()), ids=lambda r: f"{r.base}-{r.polymer_grams}-{r.stock}-{r.grams}"
)
def test_worked_values(row):
    """Half of the last printed digit is allowed; a little more where the hand value came from rounded millimoles."""
    polymers = numbers(row.polymer_grams), numbers(row.acid_content), row.moisture, row.stock, row.already
    grams, content, moisture, stock, already = polymers
    found = neutraliser(grams, row.degree, row.base, content, moisture, stock, already)
    assert found == pytest.approx(row.grams, abs=row.tolerance)
    assert degree_from(found, grams, row.base, content, moisture, stock, already) == pytest.approx(
        row.degree, rel=1e-12
    )


def test_worked_inverses():
    """2.50 g of 20 % tromethamine on 0.6 g at 62 %: 0.4995; 0.02 g too much on 3.504 g: 0.704. Worked by hand."""
    assert degree_from(2.50, 0.6, "tromethamine", 62.0, stock=0.20) == pytest.approx(0.4995, abs=5e-5)
    assert degree_from(3.524, 0.6, "tromethamine", 62.0, stock=0.20) == pytest.approx(0.704, abs=5e-4)


FORMULAS = {
    # molecular formulas: common chemistry
    "sodium hydroxide": {"Na": 1, "O": 1, "H": 1},
    "potassium hydroxide": {"K": 1, "O": 1, "H": 1},
    "tromethamine": {"C": 4, "H": 11, "N": 1, "O": 3},
    "triethanolamine": {"C": 6, "H": 15, "N": 1, "O": 3},
    "aminomethyl propanol": {"C": 4, "H": 11, "N": 1, "O": 1},
    "aminomethyl propanediol": {"C": 4, "H": 11, "N": 1, "O": 2},
    "ammonia": {"N": 1, "H": 3},
    "arginine": {"C": 6, "H": 14, "N": 4, "O": 2},
}


@pytest.mark.parametrize("base", FORMULAS)
def test_molar_masses_follow_from_standard_atomic_masses(base):
    """Abridged standard atomic masses of IUPAC, from memory: within 0.01 g/mol."""
    mass = {"C": 12.011, "H": 1.008, "N": 14.007, "O": 15.999, "Na": 22.990, "K": 39.098}
    expected = sum(mass[element] * count for element, count in FORMULAS[base].items())
    assert bases().loc[base, "molar_mass"] == pytest.approx(expected, abs=0.01)
    assert set(bases().index) == set(FORMULAS)


def test_units_of_acid_content_agree():
    """Pure poly(acrylic acid), repeat unit 72.063 g/mol (atomic masses): 62.47 % COOH, 13.877 mmol/g, 778.6 mg KOH/g."""
    assert acid_content(72.063, "g/eq") == pytest.approx(62.47, abs=0.005)
    assert acid_content(13.877 * 56.105, "mg KOH/g") == pytest.approx(62.47, abs=0.005)
    assert acid_content(61.0, "% COOH", "as is", 0.02) == pytest.approx(61.0 / 0.98)


def test_spread_of_the_monograph_is_a_tenth_of_the_base():
    """56.0 to 68.0 % COOH, dry basis: carbomer monograph, The International Pharmacopoeia (WHO)."""
    low, high = (neutraliser(1.0, 0.7, acid_content=c) for c in (56.0, 68.0))
    assert np.array([low, high]) / neutraliser(1.0, 0.7, acid_content=62.0) == pytest.approx([0.903, 1.097], abs=5e-4)
