"""The fit of a titration against a textbook's monoprotic acid, and the charge balance against handbook figures of plain acids and bases."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe.bench import Titration, titration_curve
from doe.bench.charges import Charges, balanced_ph

DATA = pd.read_csv(Path(__file__).parent / "mes_titration" / "data.csv", comment="#")
MASS = 195.24  # g/mol of MES, taken as a polymer with one COOH in each: 1 mmol in the beaker


def titration(content):
    return Titration(
        DATA["millilitres"],
        DATA["ph"],
        0.001 * MASS,
        50.0,
        "sodium hydroxide",
        0.1 * 39.997 / 1000,  # 0.1 mol/L, 1 g/mL
        content,
    )


def test_the_table_follows_from_the_usual_formulas():
    """Worked apart from the package: pKa + lg of base over acid in the buffer region; hydrolysis of 0.01667 M at 10 mL; excess base after."""
    v, ph = DATA["millilitres"].to_numpy(), DATA["ph"].to_numpy()
    buffer = (v >= 1) & (v < 10)
    assert ph[buffer] == pytest.approx(6.27 + np.log10(v[buffer] / (10 - v[buffer])), abs=0.006)
    assert ph[v == 10][0] == pytest.approx(14 + np.log10(np.sqrt(0.02 * 50 / 60 * 10 ** (6.27 - 14))), abs=0.006)
    over = v > 10
    assert ph[over] == pytest.approx(14 + np.log10(0.1 * (v[over] - 10) / (50 + v[over])), abs=0.012)


def test_a_monoprotic_acid_is_found_again():
    """pKa 6.27 and n = 1 within twice their standard errors and half of the last printed digit."""
    curve = titration_curve(titration(100 * 45.017 / MASS))
    tolerance = 2 * np.sqrt(np.diag(curve.covariance)) + 0.005
    assert abs(curve.pk - 6.27) < tolerance[0]
    assert abs(curve.n - 1) < tolerance[1]
    assert curve.scatter < 0.01  # two printed decimals
    assert curve.degree(6.27)["degree"][0] == pytest.approx(0.5, abs=0.002)
    assert curve.ph(1.0)["ph"][0] == pytest.approx(9.25, abs=0.01)


def test_the_equivalents_are_found_from_the_jump():
    """1.000 mmol in the beaker: the acid content is estimated to 0.1 % where it is left open."""
    curve = titration_curve(titration(None))
    assert curve.content == pytest.approx(100 * 45.017 / MASS, rel=1e-3)
    assert curve.pk == pytest.approx(6.27, abs=0.006)


def test_plain_acids_and_bases():
    """0.1 M acetic acid (pKa 4.76): 2.88; 0.1 M ammonia (9.25): 11.12; 0.1 M NaOH: 13.00; pure water: 7.00. Hand arithmetic."""
    none = np.zeros(1)
    tenth = np.array([0.1])
    cases = [
        (Charges(none, [], [(tenth, (4.76,))], none), 2.88),
        (Charges(none, [(tenth, 9.25)], [], none), 11.12),
        (Charges(tenth, [], [], none), 13.00),
        (Charges(none, [], [], none), 7.00),
        # half-neutralised diprotic acid: (pK1 + pK2) / 2, of a 0.1 M half salt (malonic, 2.85 and 5.70): within 0.04, as pK1 is near lg c
        (Charges(tenth, [], [(tenth, (2.85, 5.70))], none), 4.28),
    ]
    for mixture, ph in cases[:4]:
        assert balanced_ph(mixture, 6.0, 1.6)[0] == pytest.approx(ph, abs=0.006)
    assert balanced_ph(cases[4][0], 6.0, 1.6)[0] == pytest.approx(cases[4][1], abs=0.04)
