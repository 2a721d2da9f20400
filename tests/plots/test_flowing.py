"""Flow curve: what is drawn is the fitted line within its readings, and the words say its index."""

import numpy as np
import pytest

from doe import StudyError, bench, plots

from .pictures import by_gid, outside, overlaps, said

RATES = np.array([1.0, 2, 5, 10, 20, 50])
ETA = 30_000 * RATES**-0.7 * np.exp(np.random.default_rng(3).normal(0, 0.03, 6))


@pytest.fixture(scope="module")
def curve():
    return bench.flow_curve(ETA, shear_rate=RATES)


def test_line_band_and_readings_are_those_of_the_curve(curve):
    ax = plots.flow_curve(curve)
    x, y = by_gid(ax, "line")[0].get_data()
    assert (x[0], x[-1]) == (1.0, 50.0)  # not beyond the readings
    assert np.asarray(y) == pytest.approx(curve.viscosity(x)["estimate"].to_numpy())
    assert by_gid(ax, "batches")[0].get_offsets().data == pytest.approx(np.column_stack([RATES, ETA]))
    top = by_gid(ax, "interval")[0].get_paths()[0].vertices[:, 1].max()
    assert top == pytest.approx(curve.viscosity(1.0)["high"].iloc[0])
    assert (ax.get_xscale(), ax.get_yscale()) == ("log", "log")
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("shear rate (1/s)", "viscosity (mPa·s)")


def test_words_say_index_consistency_and_cautions(curve):
    told = plots.words(plots.flow_curve(curve))
    low, high = curve.index_interval
    assert told.startswith(
        f"Flow index {curve.index:.3f} (95 % interval {low:.3f} to {high:.3f}); consistency 30.1 Pa·s^n."
    )
    assert all(caution in told for caution in curve.cautions)
    assert "consistency" not in plots.words(plots.flow_curve(bench.flow_curve(ETA, speed=RATES))).partition(".")[0]


def test_two_readings_have_a_line_and_no_band():
    ax = plots.flow_curve(bench.flow_curve([20_000, 6_000], speed=[5, 20]))
    assert not by_gid(ax, "interval")
    assert ax.get_xlabel() == "speed (rpm)"
    assert plots.words(ax).startswith("Flow index 0.132. Two readings fix the line but not its error")


def test_words_do_not_touch_or_leave_the_picture(curve):
    ax = plots.flow_curve(curve)
    assert not overlaps(ax)
    assert not outside(ax)
    assert "6 readings of one sample" in said(ax)


def test_axes_given_are_drawn_in(curve):
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    assert plots.flow_curve(curve, ax=ax) is ax


def test_anything_else_is_refused():
    with pytest.raises(StudyError) as caught:
        plots.flow_curve([1, 2, 3])
    assert str(caught.value) == (
        "flow_curve: curve is 'list' but must be a FlowCurve: make one with doe.bench.flow_curve."
    )
