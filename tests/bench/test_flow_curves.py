"""Flow curves: the power law through one sample's readings, its uncertainty, and what it says of itself."""

import numpy as np
import pytest
from scipy import stats

from doe.bench import flow_curve, gel_viscosity

RATES = np.array([1.0, 2, 5, 10, 20, 50])


def noisy(seed=3, scale=0.03):
    return 30_000 * RATES**-0.7 * np.exp(np.random.default_rng(seed).normal(0, scale, 6))


def test_two_speeds_by_hand():
    """Computed here: n − 1 = ln(6000/20000)/ln(20/5), so n = 0.132, and 10,954 mPa·s at 10 rpm (the geometric mean)."""
    curve = flow_curve([20_000, 6_000], speed=[5, 20])
    assert curve.index == pytest.approx(1 + np.log(0.3) / np.log(4))
    assert round(curve.index, 3) == 0.132
    assert curve.viscosity(10)["estimate"].iloc[0] == pytest.approx(np.sqrt(20_000 * 6_000))
    assert curve.degrees_of_freedom == 0
    assert np.isnan(curve.index_interval).all()
    assert "Two readings fix the line but not its error: read at three speeds or more." in curve.cautions


def test_an_exact_power_law_comes_back():
    """Computed here: K = 30 Pa·s^n and n = 0.3 give 30 γ̇^−0.7 Pa·s; at 183.3 1/s that is 0.781 Pa·s."""
    curve = flow_curve(30 * RATES**-0.7, shear_rate=RATES, unit="Pa·s")
    assert curve.index == pytest.approx(0.3, abs=1e-12)
    assert curve.consistency == pytest.approx(30, rel=1e-12)
    speed = 60 * 183.333 / 11
    assert gel_viscosity(curve.consistency, curve.index, speed) == pytest.approx(0.781, abs=5e-4)


def test_line_and_errors_are_those_of_a_reference_library():
    eta = noisy()
    curve = flow_curve(eta, shear_rate=RATES)
    line = stats.linregress(np.log(RATES), np.log(eta))
    t = stats.t.ppf(0.975, 4)
    assert curve.index == pytest.approx(1 + line.slope, rel=1e-12)
    assert curve.index_error == pytest.approx(line.stderr, rel=1e-9)
    assert curve.index_interval == pytest.approx((1 + line.slope - t * line.stderr, 1 + line.slope + t * line.stderr))
    assert curve.at_one == pytest.approx(np.exp(line.intercept), rel=1e-10)
    half = t * line.intercept_stderr
    assert curve.consistency_interval == pytest.approx(
        [np.exp(line.intercept - half) / 1000, np.exp(line.intercept + half) / 1000]
    )


def test_the_interval_of_the_line_holds_what_it_says():
    """Of 400 samples with known errors the 95 % interval holds the true viscosity in 95 %: seed 1, Monte-Carlo error 1.1 %."""
    rng = np.random.default_rng(1)
    held = []
    for _ in range(400):
        curve = flow_curve(30_000 * RATES**-0.7 * np.exp(rng.normal(0, 0.03, 6)), shear_rate=RATES)
        row = curve.viscosity(8.0).iloc[0]
        held.append(row["low"] <= 30_000 * 8.0**-0.7 <= row["high"])
    assert np.mean(held) == pytest.approx(0.95, abs=0.033)


def test_units_are_converted_by_name():
    eta = noisy()
    by = {
        unit: flow_curve(eta * factor, shear_rate=RATES, unit=unit)
        for unit, factor in (("mPa·s", 1), ("cP", 1), ("Pa·s", 1e-3), ("P", 1e-2))
    }
    for curve in by.values():
        assert curve.consistency == pytest.approx(by["mPa·s"].consistency)
        assert curve.index == pytest.approx(by["mPa·s"].index)
    assert by["Pa·s"].at_one == pytest.approx(by["mPa·s"].at_one / 1000)


def test_speeds_alone_give_no_consistency():
    eta = noisy()
    curve = flow_curve(eta, speed=RATES)
    assert np.isnan(curve.consistency)
    assert any(c.startswith("Speeds are no shear rates") for c in curve.cautions)
    known = flow_curve(eta, speed=RATES, rate_per_rpm=0.22)
    assert known.consistency == pytest.approx(flow_curve(eta, shear_rate=0.22 * RATES).consistency)
    assert known.index == pytest.approx(curve.index)
    assert not any(c.startswith("Speeds are no shear rates") for c in known.cautions)


def test_level_widens_the_interval():
    narrow, wide = (flow_curve(noisy(), shear_rate=RATES, level=level).index_interval for level in (0.9, 0.99))
    assert wide[0] < narrow[0] < narrow[1] < wide[1]


def test_beyond_the_readings_it_says_so():
    table = flow_curve(noisy(), shear_rate=RATES).viscosity([0.1, 1, 50, 100])
    assert table["within the readings"].tolist() == [False, True, True, False]


def test_a_bent_curve_is_called_bent():
    """A yield stress of 20 Pa under a power law: τ = 20 + 5 γ̇^0.5 (computed here) is no straight line on logarithms."""
    curve = flow_curve((20 + 5 * RATES**0.5) / RATES, shear_rate=RATES, unit="Pa·s")
    assert curve.bend_p < 0.01
    assert any(c.startswith("The readings bend away from the line (p ") for c in curve.cautions)
    assert flow_curve(30 * RATES**-0.7, shear_rate=RATES, unit="Pa·s").bend_p == 1.0


def test_the_bend_is_tested_as_a_reference_library_does():
    x = np.log(RATES)
    eta = noisy()
    full, line = np.polyfit(x, np.log(eta), 2), np.polyfit(x, np.log(eta), 1)
    sse = [np.sum((np.log(eta) - np.polyval(c, x)) ** 2) for c in (line, full)]
    p = stats.f.sf((sse[0] - sse[1]) / (sse[1] / 3), 1, 3)
    assert flow_curve(eta, shear_rate=RATES).bend_p == pytest.approx(p)


def test_yield_stress_and_impossible_indices_are_said():
    flat = flow_curve(1000 * RATES**-0.9 * np.exp([0, 0.01, 0, -0.01, 0, 0.01]), shear_rate=RATES)
    assert any(c.startswith("The stress hardly changes with the shear rate") for c in flat.cautions)
    falling = flow_curve(1000 * RATES**-1.2, shear_rate=RATES)
    assert any(c.startswith("A flow index of 0 or below says") for c in falling.cautions)
    usual = flow_curve(noisy(), shear_rate=RATES)
    assert (
        "Below 1 1/s a gel may have a yield stress, which a power law does not show: do not extend the line."
        in usual.cautions
    )


def test_it_shows_itself():
    text = repr(flow_curve(noisy(), shear_rate=RATES))
    assert "Flow curve: power law through one sample" in text
    assert "consistency K (Pa·s^n)" in text
    assert "95 % intervals of the line through these 6 readings of one sample; another batch differs by more." in text
    assert "consistency K" not in repr(flow_curve(noisy(), speed=RATES))


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: flow_curve([1, 2]),
            "flow_curve is 'neither speed nor shear_rate' but must be one of the two: give speed in rpm or shear_rate in 1/s.",
        ),
        (
            lambda: flow_curve([1, 2], speed=[1, 2], shear_rate=[1, 2]),
            "flow_curve is 'both speed and shear_rate' but must be one of the two: give speed in rpm or shear_rate in 1/s.",
        ),
        (
            lambda: flow_curve([100, 0], speed=[1, 2]),
            "flow_curve: viscosity 2 is 0.0 but must be above 0: give it in mPa·s; leave out what was out of range.",
        ),
        (
            lambda: flow_curve([100, 80], speed=[1, -2]),
            "flow_curve: speed 2 is -2.0 but must be above 0: give it in rpm; leave out what was out of range.",
        ),
        (
            lambda: flow_curve([100, "thick"], speed=[1, 2]),
            "flow_curve: viscosity 2 is 'thick' but must be a finite number: give it in mPa·s.",
        ),
        (
            lambda: flow_curve([], speed=[]),
            "flow_curve: viscosity is 'an array of shape (0,)' but must be a list of numbers: give them in mPa·s.",
        ),
        (
            lambda: flow_curve([100, 80, 70], speed=[1, 2]),
            "flow_curve: speed is '2 figures' but must be 3, one a viscosity: pair every reading with its own.",
        ),
        (
            lambda: flow_curve([100, 101], speed=[5, 5]),
            "flow_curve is 'readings at 1 speed' but must be readings at two different ones or more: three or more are better.",
        ),
        (
            lambda: flow_curve([100, 80], speed=[1, 2], unit="mPas"),
            "flow_curve: unit is 'mPas' but must be one of 'mPa·s', 'cP', 'Pa·s', 'P': say the viscosities' unit.",
        ),
        (
            lambda: flow_curve([100, 80], speed=[1, 2], level=95),
            "flow_curve: level is 95.0 but must be from 0.5 to below 1: 0.95 is usual.",
        ),
        (
            lambda: flow_curve([100, 80], speed=[1, 2], rate_per_rpm=0),
            "flow_curve: rate_per_rpm is 0.0 but must be above 0: see the spindle's papers.",
        ),
        (
            lambda: flow_curve([100, 80], shear_rate=[1, 2], rate_per_rpm=0.2),
            "flow_curve: rate_per_rpm is 0.2 but must be left out with shear rates: it makes shear rates of speeds.",
        ),
        (
            lambda: flow_curve([100, 80], shear_rate=[1, 2]).viscosity(0),
            "shear rate (1/s) 1 is 0.0 but must be above 0: give it in 1/s; leave out what was out of range.",
        ),
    ],
)
def test_bad_input_is_one_sentence(call, sentence, sentence_of):
    assert sentence_of(call) == sentence
