"""The set-point card: the numbers the window gives, on what the bench can set."""

import re

import pandas as pd
import pytest

import doe
from doe import StudyError, plots
from doe.study.shown import number_text

from .pictures import by_gid, outside, overlaps, said


def test_it_holds_the_windows_numbers(gel_window):
    win = gel_window
    ax = plots.set_point_card(win)
    cells = [t.get_text() for t in by_gid(ax, "card")]
    assert f"{win.set_point['carbomer']:.2f}" in cells
    assert f"{win.set_point['speed']:.0f}" in cells
    for ranges in (win.ranges, win.acceptable_ranges):
        span = ranges.set_index("factor")
        assert f"{span.loc['carbomer', 'low']:.2f} to {span.loc['carbomer', 'high']:.2f}" in cells
        assert f"{span.loc['speed', 'low']:.0f} to {span.loc['speed', 'high']:.0f}" in cells
    assert "12000 to 30000 mPa·s" in cells
    assert ax.get_title() == "Set point of after-sun gel (invented)"
    told = plots.words(ax)
    assert "Chance that one new batch made there meets all of it: " in told
    worst = win.worst.iloc[0]
    error = number_text(worst["mc_error"], digits=2)
    assert f"the chance stays at {worst['probability']:.3f} (Monte-Carlo error {error}) or above" in told
    assert 0.99 < win.claim()["claim"].iloc[0] < 1
    bound = float(re.search(r"that meet every specification is (0\.99\d*) or higher", told)[1])
    row = win.claim().iloc[0]
    assert 0.0 <= row["claim"] - bound < 10 * row["mc_error"]  # rounded down, no further than its error allows
    assert "it is no evidence of preservation, safety, stability or shelf life beyond what was measured." in told
    assert not overlaps(ax)
    assert not outside(ax)


def test_a_factor_with_a_long_name_and_levels(kinds):
    win = doe.find_window(kinds, target=0.8, draws=500)
    ax = plots.set_point_card(win)
    assert "polymer that swells slowly and" in said(ax)
    assert str(win.set_point["impeller"]) in [t.get_text() for t in by_gid(ax, "card")]
    assert not overlaps(ax)
    assert not outside(ax)


def test_where_there_is_no_window_it_says_so(chemical):
    win = doe.find_window(chemical, target=0.99, draws=500)
    ax = plots.set_point_card(win)
    assert ax.get_title() == "No window for chemical process: the best setting found"
    assert plots.words(ax).startswith(
        "It does not surely reach the target of 0.99: the chance that one new batch made there"
    )
    assert "none" in [t.get_text() for t in by_gid(ax, "card")]


def test_refused_without_a_window():
    with pytest.raises(StudyError) as problem:
        plots.set_point_card("win")
    assert str(problem.value) == (
        "plots.set_point_card: win is 'str' but must be a Window: make it with doe.find_window(fits)."
    )


def test_a_bound_is_rounded_down_and_one_of_nothing_is_said(chemical, monkeypatch):
    win = doe.find_window(chemical, target=0.6, draws=500)
    share = "With 90 % confidence the true share of batches made there that meet every specification is "
    for claim, error, words in (
        (0.5369, 0.0224, f"{share}0.53 or higher (Monte-Carlo error of that bound 0.022);"),
        (0.5369, 0.0031, f"{share}0.536 or higher (Monte-Carlo error of that bound 0.0031);"),
        (0.99996, 0.0000004, f"{share}0.9999 or higher (Monte-Carlo error of that bound less than 0.0001);"),
        (
            0.0042,
            0.011,
            "No share of batches made there can be said with 90 % confidence to meet every specification (Monte-Carlo error of ",
        ),
    ):
        found = pd.DataFrame({"claim": [claim], "mc_error": [error]})
        monkeypatch.setattr(type(win), "claim", lambda self, found=found: found)
        assert words in plots.words(plots.set_point_card(win))
