"""The picture of the drivers draws the table, in its order, with its words."""

import numpy as np
import pytest

from doe import StudyError, plots

from .pictures import by_gid, outside, overlaps, said


def test_marks_and_lines_are_the_table(gel):
    made = gel["viscosity"].drivers()
    ax = plots.drivers(made)
    np.testing.assert_allclose(by_gid(ax, "share")[0].get_xdata(), 100 * made.table["share"])
    ends = np.array([s[:, 0] for s in by_gid(ax, "interval")[0].get_segments()])
    np.testing.assert_allclose(ends, 100 * made.table[["low", "high"]].to_numpy())
    np.testing.assert_allclose(by_gid(ax, "batches")[0].get_offsets()[:, 0], 100 * made.table["alone"])
    names = [t.get_text() for t in ax.get_yticklabels()]
    assert names == [made.fit.study.factor(n).label for n in made.table["factor"]]
    assert ax.get_ylim()[0] > ax.get_ylim()[1]  # the largest on top
    assert made.words in plots.words(ax)
    assert "Hollow marks: alone." in plots.words(ax)
    assert "total Sobol' index" in ax.get_title()


def test_a_fit_or_its_drivers(gel):
    fit = gel["viscosity"]
    one, other = plots.drivers(fit), plots.drivers(fit.drivers())
    assert plots.words(one) == plots.words(other)


def test_a_mixture_has_shapley_effects_and_no_share_alone(flare):
    ax = plots.drivers(flare[0])
    assert "Shapley effects" in ax.get_title()
    assert not by_gid(ax, "batches")
    assert "Hollow" not in plots.words(ax)


@pytest.mark.parametrize("which", ["gel", "flare", "kinds", "blend"])
def test_nothing_overlaps_or_is_cut_off(request, which):
    found = request.getfixturevalue(which)
    fit = {
        "gel": lambda: found["viscosity"],
        "flare": lambda: found[0],
        "kinds": lambda: found,
        "blend": lambda: found["viscosity"],
    }
    ax = plots.drivers(fit[which]())
    assert not overlaps(ax)
    assert not outside(ax)
    assert "share of the variation over the region (%)" in said(ax)


def test_axes_can_be_given(gel):
    figure = plots.look.picture(6, 3)
    ax = figure.add_subplot()
    assert plots.drivers(gel["pH"], ax=ax) is ax


def test_refusals(gel):
    with pytest.raises(StudyError) as error:
        plots.drivers(gel)
    assert str(error.value) == (
        "plots.drivers: fit is 'Fits' but must be a Fit or its drivers(): give one of doe.fit_all's: fits['viscosity']."
    )
