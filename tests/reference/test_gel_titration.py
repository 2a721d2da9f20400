"""pH of neutralised carboxylic polymers, against a table worked apart and against what handbooks report."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

from doe.virtual import gel_ph

TABLE = pd.read_csv(Path(__file__).parent / "gel_titration" / "table.csv", comment="#", index_col="degree")


@pytest.mark.parametrize("base", TABLE.columns)
def test_every_column_of_the_check_table(base):
    """Two decimals are printed, so half of the last one is allowed."""
    found = gel_ph(TABLE.index.to_numpy(), 0.041, base)
    assert np.abs(found - TABLE[base].to_numpy()).max() <= 0.005


def test_unneutralised_dispersion_is_as_acid_as_handbooks_say():
    """pH 2.5 to 3.5 at 0.5 to 1 %: Handbook of Pharmaceutical Excipients, from memory. 62 % COOH: middle of the monograph's 56 to 68 %."""
    acid = np.array([0.5, 1.0]) * 10 * 0.62 / 45.017
    assert ((gel_ph(0.0, acid) > 2.5) & (gel_ph(0.0, acid) < 3.5)).all()


def test_neutral_ph_comes_before_degree_one():
    """The trade's 0.4 g NaOH per g polymer "to about pH 7" is a degree of 0.73 (rule of thumb, from memory; arithmetic)."""
    acid = 0.5 * 10 * 0.62 / 45.017
    degree = brentq(lambda d: float(gel_ph(d, acid, "sodium hydroxide")) - 7.0, 0.1, 1.0)
    assert 0.7 < degree < 0.9
    rule = 0.4 / 39.997 / (0.62 / 45.017)
    assert rule == pytest.approx(0.726, abs=0.001)
