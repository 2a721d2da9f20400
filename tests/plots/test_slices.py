"""Contours: lines lie where the fit says, outside the region nothing is drawn."""

import numpy as np
import pandas as pd
import pytest

from doe import StudyError, plots

from .pictures import by_gid, outside, overlaps, said


def lines(ax, gid="contour"):
    """Vertices of contour lines by their label."""
    return {str(c.get_label()): np.vstack([p.vertices for p in c.get_paths()]) for c in by_gid(ax, gid)}


def test_lines_lie_at_their_values(chemical):
    fit = chemical["yield"]
    ax = plots.contours(fit, "reaction time", "temperature")
    found = lines(ax)
    assert {"77 %", "78 %", "79 %", "80 %"} <= set(found)
    for label, xy in found.items():
        predicted = fit.predict(pd.DataFrame(xy, columns=["reaction time", "temperature"]))["estimate"]
        assert predicted.to_numpy() == pytest.approx(
            float(label.removesuffix(" %")), abs=0.01
        )  # linear between grid points
    (limit,) = lines(ax, "limit").values()
    assert fit.predict(pd.DataFrame(limit, columns=["reaction time", "temperature"]))[
        "estimate"
    ].to_numpy() == pytest.approx(78.5, abs=0.01)


def test_the_maximum_of_the_published_mixture_is_found(flare):
    """McLean & Anderson (1966): 397.5 at (0.5233, 0.2299, 0.1668, 0.0800)."""
    fit, _ = flare
    ax = plots.contours(fit, "magnesium", "sodium nitrate", at={"binder": 0.08}, n=301)
    told = plots.words(ax)
    assert "held: binder 0.08; strontium nitrate makes room" in ax.get_title()
    assert "Highest here: 398 kcd" in told or "Highest here: 397 kcd" in told
    place = told.split(" at magnesium ")[1].split(".")
    assert float(f"{place[0]}.{place[1].split(',')[0]}") == pytest.approx(0.5233, abs=0.002)


def test_labels_say_units_and_the_title_what_is_held(gel):
    ax = plots.contours(gel["viscosity"], "carbomer", "crosspolymer", at={"speed": 300})
    assert ax.get_xlabel() == "carbomer (%)"
    assert ax.get_ylabel() == "crosspolymer (%)"
    assert "held: neutralisation 0.6 eq/eq, speed 300 rpm" in ax.get_title()
    told = said(ax)
    assert "viscosity (mPa·s)" in told
    assert "at least 12000 mPa·s" in told


def test_held_settings_change_the_picture(gel):
    slow, fast = (plots.contours(gel["viscosity"], "carbomer", "crosspolymer", at={"speed": v}) for v in (200, 600))
    assert plots.words(slow) != plots.words(fast)
    whole = plots.contours(gel["viscosity"], "carbomer", "crosspolymer", at={"carbomer": 0.3, "speed": 200})
    assert plots.words(whole) == plots.words(slow)  # a set point may be given whole: the axes' own entries do not count


def test_a_finer_grid_follows_the_line_better(chemical):
    fit = chemical["yield"]

    def error(n):
        (xy,) = (v for k, v in lines(plots.contours(fit, "reaction time", "temperature", n=n)).items() if k == "79 %")
        return np.abs(fit.predict(pd.DataFrame(xy, columns=["reaction time", "temperature"]))["estimate"] - 79).max()

    assert error(101) < error(11) / 4


def test_outside_the_region_is_blank(blend):
    ax = plots.contours(blend["dry-down time"], "glycerin", "propanediol", at={"base": "sodium hydroxide"})
    assert by_gid(ax, "outside")
    assert "Hatched: outside the region studied." in plots.words(ax)
    assert "water makes room" in ax.get_title()
    filled = [c for c in ax.collections if hasattr(c, "levels") and c.get_gid() is None]
    edge = filled[0].get_clip_path().get_fully_transformed_path() if filled[0].get_clip_path() else None
    assert edge is not None
    inverse = ax.transData.inverted().transform(edge.vertices)
    assert (inverse.sum(axis=1)).max() == pytest.approx(15.0, abs=0.1)  # glycerin + propanediol <= 15


def test_in_a_box_nothing_is_hatched(chemical):
    assert not by_gid(plots.contours(chemical["yield"], "reaction time", "temperature"), "outside")


def test_marks_tell_batches_of_the_slice_from_others(gel):
    fit = gel["pH"]
    ax = plots.contours(fit, "carbomer", "crosspolymer")
    small, large = by_gid(ax, "batches")
    same = (fit.batches.settings["neutralisation"] == 0.6) & (fit.batches.settings["speed"] == 400)
    assert len(large.get_offsets()) == same.sum() == 7
    assert len(small.get_offsets()) == (~same).sum()
    assert "Large hollow marks: the 7 batches made at the held settings" in plots.words(ax)


def test_a_limit_that_is_met_everywhere_is_said(gel):
    ax = plots.contours(gel["pH"], "carbomer", "crosspolymer", at={"neutralisation": 0.5})
    assert "The limit (at least 5.50) is met all over this slice." in plots.words(ax)


def test_discrete_axes_show_their_levels(kinds):
    from .conftest import LONG

    ax = plots.contours(kinds, LONG, "speed $x$")
    for label, xy in lines(ax).items():
        at_level = np.isin(xy[:, 1], [200, 400, 600])
        settings = pd.DataFrame({LONG: xy[at_level, 0], "speed $x$": xy[at_level, 1], "impeller": "anchor", "lot": "A"})
        if len(settings):
            predicted = kinds.predict(settings)["estimate"].to_numpy()
            assert predicted == pytest.approx(float(label.removesuffix(" mPa·s")), rel=2e-3)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ({"x": "carbomr", "y": "speed"}, "x is 'carbomr' but must be a factor of the study: did you mean 'carbomer'?"),
        (
            {"x": "speed", "y": "speed"},
            "y is 'speed' but must be another factor than x ('speed'): choose two different factors.",
        ),
        (
            {"x": "carbomer", "y": "speed", "n": 2},
            "n is 2 but must be a whole number from 5 to 501: give the grid points along each axis.",
        ),
    ],
)
def test_axes_that_cannot_be(gel, arguments, sentence):
    with pytest.raises(StudyError) as problem:
        plots.contours(gel["pH"], **arguments)
    assert str(problem.value) == sentence


def test_a_categorical_axis_is_refused(kinds):
    with pytest.raises(StudyError) as problem:
        plots.contours(kinds, "lot", "speed $x$")
    assert (
        str(problem.value)
        == "x is 'lot' but must be a numeric factor or a component: hold 'lot' at a level: at={'lot': …}."
    )


def test_a_slice_outside_the_region_is_refused(blend):
    with pytest.raises(StudyError) as problem:
        plots.contours(blend["viscosity"], "ethanol", "speed", at={"glycerin": 12, "propanediol": 8})
    assert str(problem.value) == (
        "at is 'glycerin 12 %, propanediol 8 %, base tromethamine; water makes room' but must be a slice through the region studied: "
        "hold the other factors elsewhere."
    )


@pytest.mark.parametrize(
    ("trial", "x", "y"),
    [
        ("chemical", "reaction time", "temperature"),
        ("gel", "carbomer", "crosspolymer"),
        ("gel", "neutralisation", "speed"),
        ("blend", "glycerin", "ethanol"),
        ("blend", "glycerin", "speed"),
        ("flare", "magnesium", "binder"),
    ],
)
def test_nothing_overlaps(trial, x, y, request):
    made = request.getfixturevalue(trial)
    fits = list(made.values()) if hasattr(made, "values") else [made[0] if isinstance(made, tuple) else made]
    for fit in fits:
        ax = plots.contours(fit, x, y)
        assert not overlaps(ax)
        assert not outside(ax)
