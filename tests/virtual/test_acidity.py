"""The titration curve: solves its own balance, and moves as acid and base must."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.study import StudyError
from doe.virtual import gel_ph, ionisation

BASES = {"sodium hydroxide": np.inf, "aminomethyl propanol": 9.70, "tromethamine": 8.07, "triethanolamine": 7.76}


@given(
    degree=st.floats(0, 3),
    acid=st.floats(0, 0.5),
    base=st.sampled_from(list(BASES)),
    pk=st.floats(4, 8),
    n=st.floats(1, 3),
)
def test_the_charges_balance(degree, acid, base, pk, n):
    """The pH found is a root: the balance changes sign within 1e-9 of it."""
    ph = float(gel_ph(degree, acid, base, pk, n))

    def balance(x):
        held = 1 / (1 + 10 ** (x - BASES[base]))
        return degree * acid * held + 10**-x - acid / (1 + 10 ** ((pk - x) / n)) - 10 ** (x - 14)

    assert balance(ph - 1e-9) >= 0 >= balance(ph + 1e-9)


def test_pure_water_is_neutral():
    assert gel_ph(0.5, 0.0) == pytest.approx(7.0, abs=1e-9)


def test_more_base_raises_ph_and_a_weaker_base_less():
    degree = np.linspace(0, 1.3, 60)
    curves = {base: gel_ph(degree, 0.05, base) for base in BASES}
    assert all((np.diff(curve) > 0).all() for curve in curves.values())
    assert (curves["sodium hydroxide"][1:] > curves["tromethamine"][1:]).all()
    assert (curves["tromethamine"][1:] > curves["triethanolamine"][1:]).all()


def test_strong_base_jumps_past_degree_one_and_tromethamine_does_not():
    jump = {base: float(np.diff(gel_ph([0.95, 1.05], 0.041, base))[0]) for base in BASES}
    assert jump["sodium hydroxide"] > 2
    assert jump["tromethamine"] < 0.3


def test_ionisation_is_a_half_at_the_apparent_pk():
    assert ionisation(6.0) == pytest.approx(0.5)
    assert ionisation(6.0, pk_apparent=5.0) > 0.5
    # n widens the curve: at one unit above pKapp, 10^(1/1.6) : 1
    assert ionisation(7.0) == pytest.approx(10 ** (1 / 1.6) / (1 + 10 ** (1 / 1.6)))
    assert ionisation(7.0, steepness=1.0) == pytest.approx(10 / 11)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ((-0.1, 0.04), "degree is -0.1 but must be finite and 0 or above: correct the value."),
        ((0.5, np.nan), "acid is nan but must be finite and 0 or above: correct the value."),
        (
            (0.5, 0.04, "tromethamine", -1.0),
            "pk_apparent is -1.0 but must be finite and 0 or above: correct the value.",
        ),
        (
            (0.5, [0.04], "tromethamine", 6.0, 0.5),
            "steepness is 0.5 but must be finite and 1 or above: correct the value.",
        ),
        (
            (0.5, 0.04, "lime"),
            "base is 'lime' but must be one of 'sodium hydroxide', 'aminomethyl propanol', 'tromethamine', 'triethanolamine': "
            "choose one of these.",
        ),
    ],
)
def test_bad_input_in_one_sentence(arguments, sentence):
    with pytest.raises(StudyError) as caught:
        gel_ph(*arguments)
    assert str(caught.value) == sentence
