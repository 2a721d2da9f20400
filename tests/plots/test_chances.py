"""Chances: the picture shows the window's own figures, on one scale from 0 to 1."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError, plots
from doe.study.shown import simulated_text

from .pictures import by_gid, outside, overlaps, said
from .test_slices import lines


def test_lines_lie_at_their_chances(gel_window):
    win = gel_window
    ax = plots.probability_map(win, "carbomer", "neutralisation", n=61)
    for label, xy in {**lines(ax), **lines(ax, "limit")}.items():
        level = float(label.removeprefix("target "))
        settings = pd.DataFrame({"carbomer": xy[:, 0], "neutralisation": xy[:, 1]})
        for name in ("crosspolymer", "speed"):
            settings[name] = float(win.set_point[name])
        found = win.probability(settings)["probability"].to_numpy()
        assert (
            np.abs(found - level).max() < 0.03
        )  # chances of 1000 draws move in steps, and are linear between grid points


def test_the_words_give_best_and_worst_of_the_windows_map(gel_window):
    win = gel_window
    grid = win.map("carbomer", "neutralisation", n=41)
    ax = plots.probability_map(win, "carbomer", "neutralisation", n=41)
    best = grid.loc[grid["probability"].idxmax()]
    told = plots.words(ax)
    # the best place of the draws shown, its chance by draws that did not pick it
    place = pd.DataFrame([win.set_point.to_dict() | best[["carbomer", "neutralisation"]].to_dict()])
    judged, error = win._predictive.chance(win.study.encode(place), win._fresh)
    assert f"Best here: {simulated_text(float(judged[0]), float(error[0]))}" in told
    assert f"at carbomer {best['carbomer']:g} %, neutralisation {best['neutralisation']:g} eq/eq; worst:" in told
    assert "worst: less than 0.001 (Monte-Carlo error " in told
    share = 100 * (grid["probability"] >= win.target).mean()
    assert (f"{share:.0f} % of this slice reaches the target of 0.95." in told) or share < 1


def test_the_title_says_what_is_held(gel_window):
    win = gel_window
    ax = plots.probability_map(win, "carbomer", "neutralisation", n=21)
    assert ax.get_title().startswith("Chance that one new batch meets every specification")
    assert f"crosspolymer {win.set_point['crosspolymer']:g} %, speed {win.set_point['speed']:g} rpm" in ax.get_title()
    assert "chance of meeting every specification" in said(ax)
    assert ax.get_xlabel() == "carbomer (%)"


def test_one_scale_from_nought_to_one(gel_window):
    ax = plots.probability_map(gel_window, "carbomer", "neutralisation", n=21)
    filled = next(c for c in ax.collections if hasattr(c, "levels") and c.get_gid() is None)
    assert (filled.norm.vmin, filled.norm.vmax) == (0.0, 1.0)
    assert filled.get_cmap().name == "still water"
    figure = plots.probability_by_response(gel_window, "carbomer", "neutralisation", n=21)
    norms = {
        (c.norm.vmin, c.norm.vmax)
        for a in figure.axes
        for c in a.collections
        if hasattr(c, "levels") and c.get_gid() is None
    }
    assert norms == {(0.0, 1.0)}


def test_set_point_and_ranges_stand_where_the_window_says(gel_window):
    win = gel_window
    ax = plots.probability_map(win, "carbomer", "neutralisation", n=21)
    (point,) = by_gid(ax, "set point")
    assert point.get_xydata()[0] == pytest.approx([win.set_point["carbomer"], win.set_point["neutralisation"]])
    assert len(win.ranges)
    (box,) = by_gid(ax, "ranges")
    span = win.ranges.set_index("factor")
    assert (box.get_x(), box.get_x() + box.get_width()) == pytest.approx(tuple(span.loc["carbomer", ["low", "high"]]))
    assert (box.get_y(), box.get_y() + box.get_height()) == pytest.approx(
        tuple(span.loc["neutralisation", ["low", "high"]])
    )


def test_proposed_batches_stand_where_the_plan_says(gel_window):
    win = gel_window
    plan = doe.next_batches(win, 3)
    ax = plots.probability_map(win, "carbomer", "neutralisation", n=21, proposed=plan)
    drawn = np.vstack([c.get_offsets() for c in by_gid(ax, "proposed") if len(c.get_offsets())])
    new = plan.runs.iloc[-3:]
    assert {tuple(v) for v in drawn} == {tuple(v) for v in new[["carbomer", "neutralisation"]].to_numpy()}
    told = plots.words(ax)
    assert "triangles: the 3 batches proposed next" in told.replace("Triangles", "triangles")
    assert not overlaps(ax)
    with pytest.raises(StudyError) as problem:
        plots.probability_map(win, "carbomer", "neutralisation", n=21, proposed=doe.designs.box_behnken(win.study))
    assert str(problem.value) == (
        "proposed is 'made by box_behnken' but must be an extended plan: make it with doe.next_batches."
    )
    with pytest.raises(StudyError) as problem:
        plots.probability_map(win, "carbomer", "neutralisation", n=21, proposed=3)
    assert str(problem.value) == "proposed is 'int' but must be a Plan: make it with doe.next_batches."


def test_held_elsewhere_there_is_no_set_point_nor_box(gel_window):
    win = gel_window
    ax = plots.probability_map(win, "carbomer", "neutralisation", at={"speed": 590}, n=21)
    assert not by_gid(ax, "set point")
    assert not by_gid(ax, "ranges")
    assert "The set point lies off this slice: carbomer " in plots.words(ax)
    assert "speed 590 rpm" in ax.get_title()


def test_a_window_that_does_not_reach_its_target_has_no_box(chemical):
    win = doe.find_window(chemical, target=0.99, draws=500)
    ax = plots.probability_map(win, "reaction time", "temperature", n=21)
    assert not by_gid(ax, "ranges")
    assert "None of this slice reaches the target of 0.99. No ranges hold the target." in plots.words(ax)


def test_the_mean_is_called_the_mean(chemical):
    win = doe.find_window(chemical, target=0.9, draws=500, noise=False)
    ax = plots.probability_map(win, "reaction time", "temperature", n=21)
    assert ax.get_title().startswith("Chance that the mean of many batches meets every specification")


def test_by_response_shows_each_and_all(gel_window):
    win = gel_window
    figure = plots.probability_by_response(win, "carbomer", "neutralisation", n=31)
    titles = [ax.get_title().replace("\n", " ") for ax in figure.axes if ax.get_title()]
    assert titles == [
        "viscosity: 12000 to 30000 mPa·s",
        "pH: 5.50 to 6.20",
        "stability: at least 80.0 %",
        "bead size: 250 to 700 µm",
        "every specification",
    ]
    for ax, name in zip(figure.axes, win.fits, strict=False):
        for label, xy in {**lines_of(ax)}.items():
            settings = pd.DataFrame({"carbomer": xy[:, 0], "neutralisation": xy[:, 1]})
            for other in ("crosspolymer", "speed"):
                settings[other] = float(win.set_point[other])
            found = win.by_response(settings)[name].to_numpy()
            assert np.abs(found - float(label.removeprefix("target "))).max() < 0.05


def lines_of(ax):
    sets = [c for c in ax.collections if c.get_gid() in ("contour", "limit")]
    return {str(c.get_label()): np.vstack([p.vertices for p in c.get_paths()]) for c in sets}


def test_by_response_says_which_one_limits(gel_window):
    win = gel_window
    told = plots.words(plots.probability_by_response(win, "carbomer", "neutralisation", n=31))
    alone = win.by_response(pd.DataFrame([win.set_point.to_dict()])).iloc[0]
    assert f"{alone.idxmin()} limits: " in told
    # the error of a share is greatest where it is one half
    error = float(told.split("(Monte-Carlo errors ")[1].split(" at most")[0])
    assert error == pytest.approx(0.5 / np.sqrt(win._all.draws), rel=0.05)


def test_at_and_n_change_by_response(gel_window):
    first, at, n = (
        plots.words(plots.probability_by_response(gel_window, "carbomer", "neutralisation", **more))
        for more in ({"n": 21}, {"n": 21, "at": {"speed": 590}}, {"n": 8})
    )
    assert len({first, at, n}) == 3


def test_mixtures_show_their_edge(blend_window):
    ax = plots.probability_map(blend_window, "glycerin", "propanediol", n=41)
    assert "water makes room" in ax.get_title()
    assert by_gid(ax, "outside")
    assert "Hatched: outside the region studied." in plots.words(ax)


def test_axes_that_cannot_be(gel_window):
    for draw in (plots.probability_map, plots.probability_by_response):
        with pytest.raises(StudyError) as problem:
            draw(gel_window, "carbomer", "sped")
        assert str(problem.value) == "y is 'sped' but must be a factor of the study: did you mean 'speed'?"


@pytest.mark.parametrize(("x", "y"), [("carbomer", "neutralisation"), ("speed", "crosspolymer")])
def test_nothing_overlaps(gel_window, x, y):
    for draw in (plots.probability_map, plots.probability_by_response):
        picture = draw(gel_window, x, y, n=41)
        assert not overlaps(picture)
        assert not outside(picture)


def test_nothing_overlaps_in_mixtures(blend_window):
    for draw in (plots.probability_map, plots.probability_by_response):
        picture = draw(blend_window, "glycerin", "propanediol", n=41)
        assert not overlaps(picture)
        assert not outside(picture)
