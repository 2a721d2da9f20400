"""The curve of a lot: parameters and intervals against a general-purpose fit, degrees and pH inverse to each other, words where they matter."""

import numpy as np
import pytest
from scipy.optimize import brentq, curve_fit
from scipy.stats import t as student

from doe.bench import Base, Titration, indicative_curve, titration_curve
from doe.virtual import gel_ph

DEGREES = np.array([0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9])
NOISE = np.array([-0.03, -0.01, 0.04, 0.02, -0.04, 0.0, -0.01, 0.02, -0.03, 0.02, 0.01])
ACID = 1.0 * 0.98 * 0.605 / 45.017  # mol in the beaker


def beaker(degrees=DEGREES, noise=NOISE, base="tromethamine", mass=121.136, pk=5.9, n=1.7, acid=ACID, **change):
    """Invented readings: 1 g of polymer in 200 g, 20 % w/w base; pH from the virtual bench, whose solver is another one."""
    grams = np.asarray(degrees) * acid * mass / 0.2
    ph = gel_ph(degrees, acid / ((200 + grams) / 1000), base, pk, n) + np.asarray(noise)
    given = {"polymer_grams": 1.0, "dispersion_grams": 200.0, "acid_content": 60.5, "moisture": 0.02, "lot": "C-114"}
    return Titration(grams=grams, ph=ph, base=base, stock=0.2, **(given | change))


@pytest.fixture(scope="module")
def curve():
    return titration_curve(beaker())


def reference(titration):
    """SciPy's own least squares on the virtual bench's solver."""
    grams, ph = np.asarray(titration.grams), np.asarray(titration.ph)

    def model(g, pk, n):
        return gel_ph(g * 0.2 / 121.136 / ACID, ACID / ((200 + g) / 1000), "tromethamine", pk, n)

    return model, *curve_fit(model, grams, ph, p0=[5.5, 1.5], xtol=1e-12, ftol=1e-12)


@pytest.mark.parametrize("base", ["tromethamine", "sodium hydroxide", "aminomethyl propanol", "triethanolamine"])
def test_true_values_come_back_without_noise(base):
    mass = {
        "tromethamine": 121.136,
        "sodium hydroxide": 39.997,
        "aminomethyl propanol": 89.138,
        "triethanolamine": 149.190,
    }
    found = titration_curve(beaker(noise=0.0, base=base, mass=mass[base]))
    assert found.parameters == pytest.approx([5.9, 1.7], abs=1e-5)
    assert found.scatter < 1e-6


def test_estimates_and_covariance_are_those_of_a_general_purpose_fit(curve):
    _, theta, covariance = reference(curve.titration)
    assert curve.parameters == pytest.approx(theta, abs=1e-5)
    assert curve.covariance == pytest.approx(covariance, rel=1e-3)


def test_prediction_interval_by_the_delta_method(curve):
    """Standard error of the curve and of one further reading, from SciPy's covariance and differences of the other solver."""
    model, theta, covariance = reference(curve.titration)
    grams = np.array([0.25, 0.63]) * ACID * 121.136 / 0.2
    gradient = np.column_stack(
        [(model(grams, *(theta + step)) - model(grams, *(theta - step))) / 2e-5 for step in 1e-5 * np.eye(2)]
    )
    wide = np.sqrt(np.einsum("ij,jk,ik->i", gradient, covariance, gradient) + curve.scatter**2)
    for level in (0.95, 0.8):
        table = curve.ph([0.25, 0.63], level=level)
        expected = student.ppf((1 + level) / 2, len(DEGREES) - 2) * wide
        assert ((table["high"] - table["low"]) / 2).to_numpy() == pytest.approx(expected, rel=1e-3)
        assert table["ph"].to_numpy() == pytest.approx(model(grams, *theta), abs=1e-4)


def test_degree_is_the_inverse_of_ph(curve):
    targets = [4.0, 5.8, 6.6, 7.0]
    table = curve.degree(targets)
    assert curve.ph(table["degree"])["ph"].to_numpy() == pytest.approx(targets, abs=1e-8)


def test_ends_of_the_inverse_interval_lie_on_the_confidence_band(curve):
    row = curve.degree(6.0).iloc[0]
    band = curve.predicted(curve._at(np.array([row["low"], row["high"]]), None, None))
    assert band["mean_high"][0] == pytest.approx(6.0, abs=1e-7)
    assert band["mean_low"][1] == pytest.approx(6.0, abs=1e-7)
    near = curve.degree(6.0, level=0.5).iloc[0]
    assert row["low"] < near["low"] < near["degree"] < near["high"] < row["high"]


def test_inverse_interval_is_the_delta_interval_where_the_curve_is_straight(curve):
    row = curve.degree(6.2).iloc[0]
    band = curve.predicted(curve._at(np.array([row["degree"]]), None, None)).iloc[0]
    half = (band["mean_high"] - band["mean_low"]) / 2 / row["steepness"]
    assert (row["high"] - row["low"]) / 2 == pytest.approx(half, rel=0.01)


def test_steepness_is_the_slope(curve):
    found = curve.steepness([0.3, 0.8])
    for degree, slope in zip(found["degree"], found["steepness"], strict=True):
        low, high = curve.ph([degree - 1e-4, degree + 1e-4])["ph"]
        assert slope == pytest.approx((high - low) / 2e-4, rel=1e-5)
    assert found["ph_of_one_percent"].to_numpy() == pytest.approx(0.01 * found["degree"] * found["steepness"])


def test_beyond_the_readings_it_is_said(curve):
    notes = curve.ph([0.5, 0.95])["note"]
    assert list(notes) == ["", "extrapolated: readings stand from degree 0 to 0.9"]
    assert curve.degree(7.5)["note"][0] == "extrapolated: readings stand from degree 0 to 0.9"


def test_steep_part_is_said():
    degrees = np.array([0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 1.0, 1.05])
    found = titration_curve(beaker(degrees, 0.0, "sodium hydroxide", 39.997))
    row = found.ph(1.0).iloc[0]
    assert row["note"] == (
        f"steep: 0.01 more or less of degree moves the pH by {0.01 * row['steepness']:.2g}; weighing and acid content decide, not the plan"
    )
    assert row["steepness"] > 10
    assert found.ph(0.6)["note"][0] == ""


def test_share_of_the_maker_counts():
    """A lot of which 20 % is a sodium salt: the same curve, found from degree 0.2 on."""
    added = np.array([0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6])
    grams = added * ACID * 39.997 / 0.2
    ph = gel_ph(added + 0.2, ACID / ((200 + grams) / 1000), "sodium hydroxide", 5.9, 1.7)
    found = titration_curve(Titration(grams, ph, 1.0, 200.0, "sodium hydroxide", 0.2, 60.5, 0.02, already=0.2))
    assert found.parameters == pytest.approx([5.9, 1.7], abs=1e-5)
    assert found.least_degree == pytest.approx(0.2)
    assert found.titration.degrees() == pytest.approx(added + 0.2)


def test_a_first_stage_with_another_base_counts():
    """0.2 of the groups taken by sodium hydroxide before, and tromethamine on top: solved here by bisection of the balance of charges."""
    volume, acid = 0.2 + 0.001, 0.01
    first = 0.2 * acid * 39.997 / 0.1  # g of 10 % solution
    grams = np.array([0.5, 1, 1.5, 2, 2.5, 3, 3.5])

    def ph_at(g):
        litres = volume - 0.001 + (first + g) / 1000
        base = g * 0.2 / 121.136

        def left(ph):
            alpha = 1 / (1 + 10 ** ((5.9 - ph) / 1.7))
            held = base / (1 + 10 ** (ph - 8.07))
            return (0.2 * acid + held - acid * alpha) / litres + 10**-ph - 10 ** (ph - 14)

        return brentq(left, 0, 14)

    content = 100 * acid * 45.017
    titration = Titration(
        grams,
        [ph_at(g) for g in grams],
        1.0,
        200.0,
        "tromethamine",
        0.2,
        content,
        before=[("sodium hydroxide", 0.1, first)],
    )
    assert titration_curve(titration).parameters == pytest.approx([5.9, 1.7], abs=1e-4)


def test_mixed_polymers_share_one_curve():
    acid = (0.6 * 0.62 + 0.3 * 0.56) / 45.017
    found = titration_curve(
        beaker(noise=0.0, acid=acid, polymer_grams=[0.6, 0.3], acid_content=[62.0, 56.0], moisture=0.0)
    )
    assert found.parameters == pytest.approx([5.9, 1.7], abs=1e-5)


def test_acid_content_is_estimated_where_it_is_left_open():
    degrees = np.array([0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.98, 1.02, 1.1, 1.2])
    found = titration_curve(beaker(degrees, 0.0, "sodium hydroxide", 39.997, acid_content=None))
    assert found.content == pytest.approx(60.5, rel=1e-4)
    assert found.titration.degrees(found.content) == pytest.approx(degrees, rel=1e-4, abs=1e-6)
    assert "The acid content was estimated from these readings: compare it with the certificate." in repr(found)
    assert "acid content (% COOH, dry)" in repr(found)


def test_another_base_carries_over(curve):
    """pKapp and n are the polymer's: the virtual bench with sodium hydroxide gives the same."""
    table = curve.ph(0.9, base="sodium hydroxide", acid=0.041)
    assert table["ph"][0] == pytest.approx(float(gel_ph(0.9, 0.041, "sodium hydroxide", curve.pk, curve.n)), abs=1e-9)
    assert table["note"][0] == "carried over from tromethamine"
    thin = curve.ph(0.0, acid=0.004)["ph"][0]
    assert thin > curve.ph(0.0)["ph"][0]


def test_a_base_without_pka_is_said_to_be_assumed():
    found = titration_curve(_unknown())
    assert found.notes[0] == (
        "No pKa of some amine was given: it is assumed to be held at any pH, which shows beyond its pKa less 1."
    )


def _unknown():
    known = beaker()
    return Titration(known.grams, known.ph, 1.0, 200.0, Base("some amine", 121.136), 0.2, 60.5, 0.02)


def test_notes_of_a_suspect_titration():
    wrong = NOISE.copy()
    wrong[6] += 0.4
    notes = "\n".join(titration_curve(beaker(noise=wrong)).notes)
    assert "The reading at 4.79" in notes or "lies +0.3" in notes
    assert "further than chance allows: read it again, or say why it stands." in notes
    assert "more than pH repeats in a gel (0.1, common practice)" in notes
    warm = titration_curve(beaker(temperature="33 °C")).notes
    assert warm[0] == (
        "Read at 33 °C; pKa and the ion product of water are those of 25 °C, and that of an amine falls by about 0.03 a degree (from memory)."
    )
    assert titration_curve(beaker(temperature=25.0)).notes[0].startswith("The acid content was taken as given")
    flat = titration_curve(beaker(noise=1.5 * (np.asarray(DEGREES) - 0.5)))
    assert "unusual of a carboxylic polymer (1 to 2.5)" in "\n".join(flat.notes)


def test_an_indicative_curve_says_so_everywhere():
    found = indicative_curve("triethanolamine", acid=0.05)
    assert found.indicative
    assert repr(found).startswith("Indicative titration curve with triethanolamine, 0.05 mol/L COOH")
    assert "Indicative, not measured" in repr(found)
    assert "Indicative, not measured" in found._repr_html_()
    for table in (found.ph(0.6), found.degree(6.0), found.steepness(0.6)):
        assert table["note"][0] == "indicative"
    row = found.ph(0.7).iloc[0]
    ends = [float(gel_ph(0.7, 0.05, "triethanolamine", pk, n)) for pk in (5.0, 6.5) for n in (1.3, 2.0)]
    assert (row["low"], row["high"]) == pytest.approx((min(ends), max(ends)), abs=1e-9)
    assert row["ph"] == pytest.approx(float(gel_ph(0.7, 0.05, "triethanolamine")), abs=1e-9)


def test_a_fitted_curve_shows_itself(curve):
    text = repr(curve)
    assert text.startswith(
        "Titration curve of lot C-114 with tromethamine, extended Henderson–Hasselbalch equation with charge balance, least squares; "
        "11 readings, 9 residual df, residual SD 0.0"
    )
    assert "another batch, lot, acid content or instrument adds to them." in text
    assert "ndicative" not in text
    assert "pKapp" in curve._repr_html_()
    assert repr(beaker()).startswith("Titration of lot C-114 with tromethamine, 20 % w/w: 11 readings")


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: titration_curve(3),
            "titration is 'int' but must be a doe.bench.Titration: make one, or read a sheet with doe.bench.read_titration.",
        ),
        (
            lambda: beaker(DEGREES[:4], NOISE[:4]),
            "titration: ph is '4 readings' but must be at least 5: read after more additions.",
        ),
        (
            lambda: beaker(DEGREES[:5], NOISE[:5], acid_content=None),
            "titration: ph is '5 readings' but must be at least 6: read after more additions.",
        ),
        (
            lambda: Titration([0, 1, 2, 3, 4], [3, 4, 5, 6], 1, 200, "tromethamine", 0.2, 62),
            "titration: ph is '4 readings' but must be 5: one for each grams: complete it.",
        ),
        (
            lambda: Titration([-1, 1, 2, 3, 4], [3, 4, 5, 6, 7], 1, 200, "tromethamine", 0.2, 62),
            "titration: grams is -1.0 but must be 0 or above: give what was added so far, in g.",
        ),
        (
            lambda: Titration([0, 1, 2, 3, 4], [3, 4, 5, 61, 7], 1, 200, "tromethamine", 0.2, 62),
            "titration: ph is 61.0 but must be from 0 to 14: correct the reading.",
        ),
        (
            lambda: Titration([0, 1, 1, 1, 1], [3, 4, 5, 6, 7], 1, 200, "tromethamine", 0.2, 62),
            "titration: ph at 1 g is [4.0, 5.0, 6.0, 7.0] but must be within 0.5, as it is the same beaker with the same base: give in grams all "
            "base added so far, not each addition by itself.",
        ),
        (
            lambda: Titration([0, 1, 1, 2, 2], [3, 4, 4, 6, 6], 1, 200, "tromethamine", 0.2, 62),
            "titration: grams is '3 different values' but must be at least 4: read after more additions.",
        ),
        (
            lambda: beaker(dispersion_grams=0.5),
            "titration: dispersion_grams is 0.5 but must be above the 1 g of polymer in it: give the mass of polymer and water together, before base.",
        ),
        (
            lambda: beaker(dispersion_grams="200 mL"),
            "titration: dispersion_grams is '200 mL' but must be a mass, as in '200 g': give it in g, or with a unit of the kind.",
        ),
        (
            lambda: beaker(before=[("sodium hydroxide", 0.1)]),
            "titration: before is ('sodium hydroxide', 0.1) but must be base, strength and grams: write (\"sodium hydroxide\", 0.10, 1.2).",
        ),
        (
            lambda: beaker(before=[("sodium hydroxide", 0.1, -1)]),
            "titration: before, grams is -1.0 but must be 0 or above: give what was added, in g.",
        ),
        (lambda: beaker(lot=7), "titration: lot is 7 but must be a text: put it in quotation marks."),
        (
            lambda: beaker(temperature=[25, 25]),
            "titration: temperature is '2 values' but must be one, or 11: one a reading: complete them.",
        ),
        (
            lambda: beaker(temperature=298),
            "titration: temperature is 298.0 but must be from 0 to 100 °C: give it in °C.",
        ),
        (
            lambda: Titration("abc", [3], 1, 200, "tromethamine", 0.2, 62),
            "titration: grams is 'abc' but must be a list of numbers: give g of base solution added so far, one for each reading.",
        ),
        (
            lambda: titration_curve(Titration([1, 2, 3, 4, 5], [6, 6, 6, 6, 6.01], 1, 200, "tromethamine", 0.2, 62)),
            "titration: fitted n is 0.2 but must be between 0.2 and 8: the readings do not follow the titration of a carboxylic polymer: check "
            "grams, strength, acid content and base.",
        ),
        (
            lambda: indicative_curve(acid=41),
            "acid is 41.0 but must be above 0 and at most 2 mol/L: 0.3 % of carbomer is about 0.041 mol/L.",
        ),
        (
            lambda: indicative_curve().degree(9.5),
            "ph is 9.5 but must be from 3.17 (no base added) to 8.39 (degree 3), which tromethamine reaches: choose a pH between, or a stronger base.",
        ),
        (
            lambda: indicative_curve().ph(70),
            "degree is 70.0 but must be from 0 to 3: give equivalents of base per equivalent of COOH: 70 % is 0.70.",
        ),
        (
            lambda: indicative_curve().ph([]),
            "degree is [] but must be at least one degree: give equivalents of base per equivalent of COOH.",
        ),
        (lambda: indicative_curve().ph(0.5, level=95), "level is 95.0 but must be between 0 and 1: 95 % is 0.95."),
        (
            lambda: titration_curve(beaker(already=0.3)).ph(0.1),
            "degree is 0.1 but must be 0.3 or above, as so much is neutralised before: base cannot be taken out.",
        ),
    ],
)
def test_bad_input_in_one_sentence(call, sentence, sentence_of):
    assert sentence_of(call) == sentence


def test_readings_that_leave_the_acid_content_open_are_refused(sentence_of):
    few = beaker(DEGREES[:8], NOISE[:8], acid_content=None)
    said = sentence_of(lambda: titration_curve(few))
    assert said.startswith("titration: ")
    assert said.endswith(
        "but must be told to ±10 % or given: titrate past the steep part of the curve, or give the figure of the certificate."
    )


@pytest.mark.slow
def test_intervals_hold_what_they_promise():
    """200 invented titrations, SD 0.04, seed 5: 95 % intervals hold 95 ± 4.6 % (three Monte-Carlo errors) of what they are about."""
    rng = np.random.default_rng(5)
    truth = float(gel_ph(0.65, ACID / ((200 + 0.65 * ACID * 121.136 / 0.2) / 1000), "tromethamine", 5.9, 1.7))
    hits = np.zeros(3)
    repeats = 200
    for _ in range(repeats):
        found = titration_curve(beaker(noise=rng.normal(0, 0.04, len(DEGREES))))
        row, back = found.ph(0.65).iloc[0], found.degree(truth).iloc[0]
        error = np.sqrt(found.covariance[0, 0]) * student.ppf(0.975, found.degrees_of_freedom)
        hits += [
            row["low"] <= truth + rng.normal(0, 0.04) <= row["high"],
            back["low"] <= 0.65 <= back["high"],
            abs(found.pk - 5.9) < error,
        ]
    assert hits / repeats == pytest.approx([0.95, 0.95, 0.95], abs=3 * np.sqrt(0.95 * 0.05 / repeats))
