"""Stirring: rules say where they end, and units that cannot be meant are asked about."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.bench import (
    centrifuge_force,
    centrifuge_speed,
    droplet_ratio,
    equivalent_speed,
    flow_regime,
    gel_viscosity,
    laminar_droplet,
    power_per_volume,
    reynolds,
    tip_speed,
    weber,
)

lengths, speeds = st.floats(0.005, 2), st.floats(1, 20000)


@given(speed=speeds, old=lengths, new=lengths, keep=st.sampled_from(["tip speed", "power per volume", "reynolds"]))
def test_what_is_kept_is_kept(speed, old, new, keep):
    found = equivalent_speed(speed, old, new, keep)
    kept = {
        "tip speed": lambda d, n: tip_speed(d, n),
        "power per volume": lambda d, n: power_per_volume(d, n, 1000, 1.0, 2 * d**3),
        "reynolds": lambda d, n: reynolds(d, n, 1000, 1.0),
    }[keep]
    assert kept(new, found) == pytest.approx(kept(old, speed), rel=1e-9)
    assert equivalent_speed(found, new, old, keep) == pytest.approx(speed, rel=1e-9)


@given(force=st.floats(1, 20000), radius=st.floats(0.01, 0.5))
def test_centrifuge_there_and_back(force, radius):
    assert centrifuge_force(centrifuge_speed(force, radius), radius) == pytest.approx(force, rel=1e-12)


def test_regimes():
    assert [flow_regime(r) for r in (9.9, 10, 53.3, 1e4, 10001)] == [
        "laminar",
        "transitional",
        "transitional",
        "transitional",
        "turbulent",
    ]


def test_a_gel_thins_and_a_newtonian_liquid_does_not():
    assert gel_viscosity(30, 0.3, 2000) < gel_viscosity(30, 0.3, 1000) < gel_viscosity(30, 0.3, 1000, shear_constant=10)
    assert gel_viscosity(2, 1, 2000) == gel_viscosity(2, 1, 10) == 2


def test_more_oil_makes_larger_drops():
    assert droplet_ratio(3472, 4e4, 0.1) / droplet_ratio(3472, 4e4) == pytest.approx(1.3)


def test_drops_are_hardest_to_break_far_from_equal_viscosity():
    sizes = [laminar_droplet(180, 0.8, 0.8 * ratio, 0.01) for ratio in (0.01, 0.7, 3.5)]
    assert sizes[1] < sizes[0]
    assert sizes[1] < sizes[2]


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: droplet_ratio(3472, 53.3),
            "droplet_ratio: the flow (transitional), Reynolds number is 53.3 but must be above 10,000 (turbulent): the −0.6 power of the "
            "Weber number does not hold here; a neutralised gel takes laminar_droplet, or trials.",
        ),
        (
            lambda: droplet_ratio(3472, 5),
            "droplet_ratio: the flow (laminar), Reynolds number is 5.0 but must be above 10,000 (turbulent): the −0.6 power of the "
            "Weber number does not hold here; a neutralised gel takes laminar_droplet, or trials.",
        ),
        (
            lambda: droplet_ratio(3472, 4e4, 30),
            "phase_fraction is 30.0 but must be from 0 to 0.2: the rule is for dilute oil: 5 % is 0.05.",
        ),
        (
            lambda: laminar_droplet(183, 0.78, 8, 0.01),
            "laminar_droplet: viscosity of the oil over that of the gel is 10.26 but must be below 4.08: simple shear breaks no drop "
            "beyond that: warm or thin the oil, thicken the gel, or force it through narrow gaps.",
        ),
        (
            lambda: laminar_droplet(183, 20, 0.001, 0.01),
            "laminar_droplet: viscosity of the oil over that of the gel is 5e-05 but must be 0.0001 or above: thinner oil sheds droplets "
            "from its tips instead of breaking, and the rule does not hold.",
        ),
        (lambda: tip_speed(50, 1000), "diameter is 50.0 but must be at most 2 m: was it given in mm? 50 mm is 0.05 m."),
        (
            lambda: equivalent_speed(1000, 0.05, 200),
            "new_diameter is 200.0 but must be at most 2 m: was it given in mm? 200 mm is 0.2 m.",
        ),
        (
            lambda: equivalent_speed(1000, 0.05, 0.2, "tipspeed"),
            "keep is 'tipspeed' but must be one of 'tip speed', 'power per volume', 'reynolds': did you mean 'tip speed'?",
        ),
        (lambda: tip_speed(0.05, 0), "speed is 0.0 but must be above 0: give it in rpm."),
        (lambda: tip_speed(0.05, "fast"), "speed is 'fast' but must be a number with its unit: write '600 rpm'."),
        (
            lambda: reynolds(0.05, 1000, 1.0, 1),
            "density is 1.0 but must be from 300 to 3000 kg/m³: 1 g/mL is 1000 kg/m³.",
        ),
        (
            lambda: reynolds(0.05, 1000, 1000, 20000),
            "viscosity is 20000.0 but must be at most 10000 Pa·s: was it given in mPa·s? 20000 mPa·s is 20 Pa·s.",
        ),
        (
            lambda: weber(0.05, 1000, 1000, 10),
            "tension is 10.0 but must be at most 0.1 N/m: was it given in mN/m? 10 mN/m is 0.01 N/m.",
        ),
        (
            lambda: power_per_volume(0.05, 1000, 1000, 1, 0.2),
            "volume is 0.2 but must be at most 0.0625 m³ with an impeller of 0.05 m: was it given in litres? 0.2 L is 0.0002 m³.",
        ),
        (
            lambda: gel_viscosity(30, 3, 1000),
            "index is 3.0 but must be above 0 and at most 2: give the flow index: below 1 for a shear-thinning gel.",
        ),
        (
            lambda: gel_viscosity(30, 0.3, 1000, 1),
            "shear_constant is 1.0 but must be from 5 to 50: 10 to 13 for most impellers, 11 is usual.",
        ),
        (
            lambda: centrifuge_force(3000, 10),
            "radius is 10.0 but must be at most 1 m: was it given in cm? 10 cm is 0.1 m.",
        ),
        (
            lambda: centrifuge_speed(150, 100),
            "radius is 100.0 but must be at most 1 m: was it given in mm? 100 mm is 0.1 m.",
        ),
        (lambda: flow_regime(0), "reynolds is 0.0 but must be above 0: correct the figure."),
    ],
)
def test_bad_input_in_one_sentence(call, sentence, sentence_of):
    assert sentence_of(call) == sentence
