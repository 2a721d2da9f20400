"""Stirring against figures worked by hand from the handbooks' forms, and the centrifuge against its usual formula."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe.bench import (
    centrifuge_force,
    droplet_ratio,
    equivalent_speed,
    gel_viscosity,
    laminar_droplet,
    power_per_volume,
    reynolds,
    tip_speed,
    weber,
)

WORKED = pd.read_csv(Path(__file__).parent / "mixing_rules" / "worked.csv", comment="#", index_col="quantity")
SETTING = (0.05, 1000, 1000)


def test_worked_figures():
    water = reynolds(*SETTING, 0.001)
    gel = gel_viscosity(30, 0.3, 1000)
    found = {
        "tip speed m/s": tip_speed(0.05, 1000),
        "Reynolds at 0.001 Pa.s": water,
        "Reynolds at 5 Pa.s": reynolds(*SETTING, 5.0),
        "power per volume W/m3": power_per_volume(*SETTING, 1.0, 0.0002),
        "gel viscosity Pa.s": gel,
        "Reynolds of the gel": reynolds(*SETTING, gel),
        "Weber": weber(*SETTING, 0.010),
        "d32/D": droplet_ratio(weber(*SETTING, 0.010), water),
        "d32 at 0.005 N/m um": 0.05e6 * droplet_ratio(weber(*SETTING, 0.005), water),
    }
    assert set(found) == set(WORKED.index)
    for quantity, value in found.items():
        assert value == pytest.approx(WORKED.loc[quantity, "value"], abs=WORKED.loc[quantity, "tolerance"]), quantity


def test_laminar_drop_near_the_best_viscosity_ratio():
    """Ca 0.5 near a ratio of 1 (Grace 1982, from memory) gives 69.8 µm by hand; the fit has Ca 0.481 there, so 5 % is allowed."""
    assert 1e6 * laminar_droplet(183.3, 0.781, 0.781, 0.010) == pytest.approx(69.8, rel=0.05)


def test_drops_break_most_easily_near_equal_viscosity():
    """Simple shear: the critical capillary number is least, about 0.47, at a ratio near 0.6 (Grace 1982, from memory: 5 %, and 0.4 to 1)."""
    ratios = np.geomspace(0.05, 3.5, 400)
    critical = np.array([laminar_droplet(1.0, 1.0, ratio, 0.01) / 0.02 for ratio in ratios])
    assert critical.min() == pytest.approx(0.47, rel=0.05)
    assert 0.4 < ratios[critical.argmin()] < 1.0


@pytest.mark.parametrize(
    ("keep", "speed", "tip", "power", "reynolds_ratio", "drop"),
    [
        ("tip speed", 250, 2.618, 0.25, 4, 1.741),
        ("power per volume", 396.9, 4.156, 1, 6.35, 1.000),
        ("reynolds", 62.5, 0.654, 0.0039, 1, 9.19),
    ],
)
def test_scale_up_of_a_similar_vessel(keep, speed, tip, power, reynolds_ratio, drop):
    """D 0.05 to 0.20 m from 1000 rpm, volume × 64; worked by hand, half of the last printed digit allowed."""
    new = equivalent_speed(1000, 0.05, 0.20, keep)
    assert new == pytest.approx(speed, abs=0.05)
    assert tip_speed(0.20, new) == pytest.approx(tip, abs=6e-4)
    powers = [power_per_volume(d, n, 1000, 1.0, v) for d, n, v in ((0.05, 1000, 2e-4), (0.20, new, 128e-4))]
    assert powers[1] / powers[0] == pytest.approx(power, abs=5e-5)
    assert reynolds(0.20, new, 1000, 1) / reynolds(0.05, 1000, 1000, 1) == pytest.approx(reynolds_ratio, abs=5e-3)
    d32 = [d * droplet_ratio(weber(d, n, 1000, 0.01), 1e5) for d, n in ((0.05, 1000), (0.20, new))]
    assert d32[1] / d32[0] == pytest.approx(drop, abs=5e-3)


def test_droplets_against_speed():
    """N^−1.2 at one diameter: × 1.25 gives × 0.765, × 2 gives × 0.435 (worked by hand)."""
    start = droplet_ratio(weber(0.05, 1000, 1000, 0.01), 4e4)
    assert droplet_ratio(weber(0.05, 1250, 1000, 0.01), 4e4) / start == pytest.approx(0.765, abs=5e-4)
    assert droplet_ratio(weber(0.05, 2000, 1000, 0.01), 4e4) / start == pytest.approx(0.435, abs=5e-4)


@pytest.mark.parametrize(("speed", "centimetres"), [(3000, 10), (4000, 17.2), (13000, 8.4)])
def test_centrifuge_against_the_makers_formula(speed, centimetres):
    """1.118e-5 · r(cm) · rpm²: the formula that makers print (common practice, no source); half of its last digit is allowed."""
    assert centrifuge_force(speed, centimetres / 100) == pytest.approx(1.118e-5 * centimetres * speed**2, rel=4.5e-4)
