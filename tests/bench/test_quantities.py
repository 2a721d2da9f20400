"""Figures with their units, as texts and as pint quantities; wrong ones refused; and stirring told as a whole."""

import math

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.bench import (
    centrifuge_force,
    equivalent_speed,
    gel_viscosity,
    laminar_droplet,
    neutraliser,
    power_per_volume,
    reynolds,
    stirring,
    tip_speed,
    weber,
)
from doe.bench.quantities import quantity

UNITS = pint.UnitRegistry()  # the user's own


@pytest.mark.parametrize(
    "length", ["50 mm", "5 cm", "0.05 m", "0,05 m", "50mm", UNITS("50 mm"), 0.05, np.float64(0.05)]
)
@pytest.mark.parametrize(
    "speed",
    # ISO 80000-3: rotational frequency in r/min or s⁻¹; 1000 r/min is 104.72 rad/s
    [
        "1000 rpm",
        "1 000 r/min",
        "1000 min⁻¹",
        "16.666666666666668 1/s",
        "16.666666666666668 s⁻¹",
        "16.666666666666668 Hz",
        UNITS("1000 rpm"),
        UNITS.Quantity(2000 * math.pi / 60, "rad/s"),
        1000,
    ],
)
def test_tip_speed_whatever_the_unit(length, speed):
    assert tip_speed(length, speed) == pytest.approx(2.618, abs=5e-4)
    assert isinstance(tip_speed(length, speed), float)


@pytest.mark.parametrize("text", ["12000 mPa·s", "12 Pa·s", "12000 cP", "12 000 mPa*s", "1.2e4 cP", "120 P"])
def test_viscosity_units(text):
    """1 mPa·s is 1 cP (ASTM E2975), 1 P is 0.1 Pa·s."""
    assert quantity("viscosity", text, "Pa·s") == pytest.approx(12.0)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1.02 g/mL", "kg/m³", 1020),
        ("1020 kg/m³", "kg/m³", 1020),
        ("200 mL", "m³", 2e-4),
        ("10 mN/m", "N/m", 0.010),
        ("0.2 kg", "g", 200),
        ("25 °C", "°C", 25),
        ("298.15 K", "°C", 25),
        ("180 1/s", "1/s", 180),
        ("180 s-1", "1/s", 180),
    ],
)
def test_units_of_every_kind(text, unit, value):
    assert quantity("x", text, unit) == pytest.approx(value)


@given(st.floats(0.001, 1.9))
def test_plain_numbers_are_untouched(value):
    assert quantity("diameter", value, "m") == value
    assert quantity("diameter", f"{value * 1000!r} mm", "m") == pytest.approx(value, rel=1e-12)


def test_every_rule_takes_units():
    metre, turns, thick = "5 cm", "1000 rpm", "0.781 Pa·s"
    assert reynolds(metre, turns, "1 g/mL", "781 mPa·s") == pytest.approx(reynolds(0.05, 1000, 1000, 0.781))
    assert gel_viscosity(30, 0.3, turns) == pytest.approx(gel_viscosity(30, 0.3, 1000))
    assert power_per_volume(metre, turns, "1 kg/L", 1, "200 mL") == pytest.approx(
        power_per_volume(0.05, 1000, 1000, 1, 2e-4)
    )
    assert weber(metre, turns, "1 g/cm³", "10 mN/m") == pytest.approx(weber(0.05, 1000, 1000, 0.01))
    assert laminar_droplet("183.3 1/s", thick, "781 cP", "10 mN/m") == pytest.approx(
        laminar_droplet(183.3, 0.781, 0.781, 0.01)
    )
    assert equivalent_speed(turns, metre, "20 cm") == pytest.approx(250)
    assert centrifuge_force("3000 rpm", "10 cm") == pytest.approx(centrifuge_force(3000, 0.1))
    assert neutraliser("600 mg", 0.7, stock=0.2) == pytest.approx(neutraliser(0.6, 0.7, stock=0.2))


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: tip_speed("600 rpm", 1000),
            "diameter is '600 rpm' but must be a length, as in '45 mm': give it in m, or with a unit of the kind.",
        ),
        (
            lambda: tip_speed(UNITS("3 kg"), 1000),
            "diameter is '3 kilogram' but must be a length, as in '45 mm': give it in m, or with a unit of the kind.",
        ),
        (
            lambda: tip_speed(0.05, "2 m/s"),
            "speed is '2 m/s' but must be a speed of rotation, as in '600 rpm': give it in rpm, or with a unit of the kind.",
        ),
        (
            lambda: laminar_droplet("600 rpm", 1, 1, 0.01),
            "shear_rate is '600 rpm' but must be a rate, as in '180 1/s': give it in 1/s, or with a unit of the kind.",
        ),
        (
            lambda: tip_speed("45", 1000),
            "diameter is '45' but must be a number with its unit, as in '45 mm': add the unit, or give the bare number in m.",
        ),
        (lambda: tip_speed("wide", 1000), "diameter is 'wide' but must be a number with its unit: write '45 mm'."),
        (
            lambda: tip_speed("45 mn", 1000),
            "diameter is '45 mn' but must be a length in a known unit, as in '45 mm': 'mn' is not known as a unit.",
        ),
        (
            lambda: tip_speed("12,345 mm", 1000),
            "diameter is '12,345 mm' but must be a number that can be read in one way only: write 12345 if 12 thousand is meant, or 12.3450 if 12 "
            "and a part is meant.",
        ),
        (
            lambda: tip_speed("45 m", 1000),
            "diameter is 45.0 but must be at most 2 m: was it given in mm? 45 mm is 0.045 m.",
        ),
        (
            lambda: tip_speed(45, 1000),
            "diameter is 45.0 but must be at most 2 m: was it given in mm? 45 mm is 0.045 m.",
        ),
        (lambda: tip_speed("-5 mm", 1000), "diameter is -0.005 but must be above 0: give it in m."),
        (
            lambda: gel_viscosity(30, 0.3, 3000, diameter=0.05, density=1000),
            "gel_viscosity: the flow (transitional), Reynolds number is 345.2 but must be at most 100 (laminar or just beyond): the shear rate of "
            "the impeller no longer follows its speed alone there: stir slower, or find the figure by trials.",
        ),
        (
            lambda: gel_viscosity(30, 0.3, 3000, diameter=0.05),
            "density is None but must be given where the other of diameter and density is: give both or neither.",
        ),
        (
            lambda: laminar_droplet(180, 0.8, 0.8, 0.01, impeller_reynolds=2e4),
            "laminar_droplet: the flow (turbulent), Reynolds number is 20000.0 but must be at most 100 (laminar or just beyond): the shear rate of "
            "the impeller no longer follows its speed alone there: stir slower, or find the figure by trials.",
        ),
        (
            lambda: equivalent_speed(1000, 0.05, 0.02, "power per volume", impeller_reynolds=2e4),
            "equivalent_speed: the flow (transitional), Reynolds number is 5894.0 but must be above 10,000 (turbulent) in both vessels: elsewhere "
            "the power number changes with the Reynolds number: keep the tip speed, or measure the power.",
        ),
        (
            lambda: stirring(0.05, 1000, 1000),
            "stirring: viscosity, or consistency and index is 'neither' but must be one of the two: a shear-thinning gel takes its power law.",
        ),
        (
            lambda: stirring(0.05, 1000, 1000, 1.0, consistency=30, index=0.3),
            "stirring: viscosity, or consistency and index is 'both' but must be one of the two: a shear-thinning gel takes its power law.",
        ),
        (
            lambda: stirring(0.05, 1000, 1000, index=0.3),
            "stirring: consistency is None but must be given with the other of the power law: complete it.",
        ),
        (
            lambda: stirring(0.05, 1000, 1000, 1.0, volume=2e-4),
            "stirring: power_number is None but must be given where the other of volume and power_number is: give both or neither.",
        ),
    ],
)
def test_refused_in_one_sentence(call, sentence, sentence_of):
    assert sentence_of(call) == sentence


def test_rules_hold_where_the_regime_allows():
    assert gel_viscosity(30, 0.3, 1000, diameter=0.05, density=1000) == gel_viscosity(30, 0.3, 1000)  # Re 53
    assert laminar_droplet(180, 0.8, 0.8, 0.01, impeller_reynolds=53) == laminar_droplet(180, 0.8, 0.8, 0.01)
    assert equivalent_speed(1000, 0.05, 0.2, "power per volume", 4e4) == equivalent_speed(
        1000, 0.05, 0.2, "power per volume"
    )
    assert equivalent_speed(1000, 0.05, 0.2, "tip speed", 50) == equivalent_speed(1000, 0.05, 0.2, "tip speed")


def rows(found):
    return found.table.set_index("quantity")


def test_stirring_of_a_gel_tells_which_rules_hold():
    """The gel and the water worked by hand in the handbooks' forms: Re 53.3, 0.781 Pa·s, 183.3 1/s, 7234 W/m³, We 3472."""
    gel = stirring(
        "5 cm",
        "1000 rpm",
        "1 g/mL",
        consistency=30,
        index=0.3,
        volume="200 mL",
        power_number=1,
        tension="10 mN/m",
        oil_viscosity="781 mPa·s",
    )
    table = rows(gel)
    assert gel.regime == "transitional"
    for name, value, error in (
        ("Reynolds number", 53.3, 0.05),
        ("viscosity", 0.781, 5e-4),
        ("shear rate", 183.3, 0.05),
        ("power per volume", 7234, 0.5),
        ("Weber number", 3472, 0.5),
    ):
        assert table.loc[name, "value"] == pytest.approx(value, abs=error)
    assert np.isnan(table.loc["Sauter mean drop, turbulent", "value"])
    assert "must be above 10,000 (turbulent)" in table.loc["Sauter mean drop, turbulent", "said"]
    assert table.loc["largest drop, laminar", "value"] == pytest.approx(69.8e-6, rel=0.05)
    assert table.loc["power per volume", "said"].startswith(
        "only if the power number given is that of this Reynolds number"
    )
    assert "none" in repr(gel)
    assert repr(gel).startswith("Stirring: transitional flow")


def test_stirring_of_water_is_turbulent():
    water = stirring(
        0.05, 1000, 1000, "1 mPa·s", volume=2e-4, power_number=1, tension=0.01, oil_viscosity=0.02, phase_fraction=0.1
    )
    table = rows(water)
    assert water.regime == "turbulent"
    assert table.loc["Sauter mean drop, turbulent", "value"] == pytest.approx(1.3 * 19.9e-6, rel=5e-3)
    assert np.isnan(table.loc["largest drop, laminar", "value"])
    # (ν³/ε)^¼ with 1e-6 m²/s and 7.234 W/kg: 19.3 µm by hand
    assert table.loc["smallest eddies", "value"] == pytest.approx(19.3e-6, rel=5e-3)
    assert set(stirring(0.05, 1000, 1000, 0.001).table["quantity"]) == {"tip speed", "Reynolds number"}


def test_a_gel_stirred_too_fast_has_no_viscosity():
    table = rows(stirring(0.05, 3000, 1000, consistency=30, index=0.3))
    assert np.isnan(table.loc["viscosity", "value"])
    assert table.loc["viscosity", "said"].startswith("the shear rate does not follow the speed alone here")
    assert rows(stirring(0.05, 600, 1000, consistency=30, index=0.3, shear_constant=30)).loc[
        "shear rate", "value"
    ] == pytest.approx(300)
