"""The picture of a titration: what is measured is told from what is guessed, and the target's degree is read off."""

import numpy as np
import pytest
from matplotlib.figure import Figure

from doe import StudyError, plots
from doe.bench import Titration, indicative_curve, titration_curve
from doe.virtual import gel_ph

from .pictures import by_gid, outside, overlaps, said

DEGREES = np.array([0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8])
ACID = 0.62 / 45.017


@pytest.fixture(scope="module")
def curve():
    grams = DEGREES * ACID * 121.136 / 0.2
    noise = [0.02, -0.01, 0.03, -0.02, 0.0, 0.01, -0.03, 0.01, 0.0]
    ph = gel_ph(DEGREES, ACID / ((200 + grams) / 1000), "tromethamine", 5.9, 1.7) + noise
    return titration_curve(Titration(grams, ph, 1.0, 200.0, "tromethamine", 0.2, 62.0, lot="C-114"))


def test_readings_curve_band_and_target(curve):
    ax = plots.titration(curve, (5.8, 6.2))
    marks = np.asarray(by_gid(ax, "batches")[0].get_offsets())
    assert marks[:, 0] == pytest.approx(DEGREES)
    assert marks[:, 1] == pytest.approx(np.asarray(curve.titration.ph))
    targets = by_gid(ax, "target")
    assert [line.get_xdata()[-1] for line in targets] == pytest.approx(curve.degree([5.8, 6.2])["degree"].to_list())
    solid = by_gid(ax, "curve")[0]
    drawn = solid.get_xdata()[np.isfinite(np.asarray(solid.get_ydata(), dtype=float))]
    assert drawn.max() <= 0.8  # extrapolation is broken, not solid
    assert by_gid(ax, "extrapolated")[0].get_xdata().max() > 0.8
    assert len(by_gid(ax, "band")) == 1
    row = curve.degree(5.8).iloc[0]
    assert f"pH 5.8: degree {row['degree']:.3f} (95 % interval {row['low']:.3f} to {row['high']:.3f})." in plots.words(
        ax
    )
    assert "ndicative" not in said(ax)
    assert not overlaps(ax)
    assert not outside(ax)


def test_level_widens_band_and_interval(curve):
    wide, narrow = (plots.titration(curve, 6.0, level) for level in (0.99, 0.5))
    heights = [by_gid(ax, "band")[0].get_paths()[0].get_extents().height for ax in (wide, narrow)]
    assert heights[0] > heights[1]
    assert "99 % interval" in plots.words(wide)
    assert "50 % interval" in plots.words(narrow)


def test_indicative_is_said_in_title_and_words():
    ax = plots.titration(indicative_curve("sodium hydroxide"), 6.0)
    assert said(ax).count("ndicative") >= 2
    assert "not measured: an assumed carbomer" in said(ax)
    assert not by_gid(ax, "batches")
    assert "Steep from degree 0.00 to 0.0" in plots.words(ax)  # where the first drops go
    assert "and from degree 0.9" in plots.words(ax)
    assert "usual range" in plots.words(ax)
    assert not overlaps(ax)
    assert not outside(ax)


def test_target_beyond_the_readings_is_said(curve):
    ax = plots.titration(curve, 7.4)
    assert "extrapolated: readings stand from degree 0 to 0.8" in plots.words(ax)
    assert ax.get_xlim()[1] > curve.degree(7.4)["degree"][0]


def test_it_draws_in_axes_given(curve):
    ax = Figure().add_subplot()
    assert plots.titration(curve, ax=ax) is ax


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda c: plots.titration(3),
            "plots.titration: curve is 'int' but must be a TitrationCurve: make it with doe.bench.titration_curve or doe.bench.indicative_curve.",
        ),
        (
            lambda c: plots.titration(c, (5, 6, 7)),
            "target is (5, 6, 7) but must be one pH, or its lowest and highest value: write 6.0 or (5.8, 6.2).",
        ),
        (lambda c: plots.titration(c, "6"), "target is '6' but must be a finite number: give it in pH."),
    ],
)
def test_bad_input_in_one_sentence(call, sentence, curve):
    with pytest.raises(StudyError) as caught:
        call(curve)
    assert str(caught.value) == sentence
