"""Try-out batches: the middle twice, the corners that may fail, and what a failure leaves behind."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe.designs import Plan, central_composite, full_factorial
from doe.quality import check, shut_out, try_outs, with_try_outs

GEL = doe.Study(
    "gel",
    [
        doe.Continuous("polymer", 0.2, 0.6, "%", step=0.05),
        doe.Continuous("speed", 400, 1000, "rpm"),
        doe.Categorical("base", ["amine", "hydroxide"]),
    ],
    notes="invented",
)


def test_the_middle_twice_and_two_corners():
    plan = try_outs(GEL, thicker={"polymer": 2, "speed": -1})
    assert plan.runs["polymer"].tolist() == [0.4, 0.4, 0.2, 0.6]
    assert plan.runs["speed"].tolist() == [700, 700, 1000, 400]
    assert set(plan.runs["base"]) == {"amine"}
    assert set(plan.block) == {"try-out"}
    assert len(try_outs(GEL, corners=False).runs) == 2
    assert set(try_outs(GEL, at={"base": "hydroxide"}).runs["base"]) == {"hydroxide"}


def test_what_does_not_thicken_stays_in_the_middle():
    plan = try_outs(GEL, thicker={"polymer": 1})
    assert plan.runs["speed"].tolist() == [700] * 4
    turned = try_outs(GEL, thicker={"polymer": -1})
    assert turned.runs["polymer"].tolist() == [0.4, 0.4, 0.6, 0.2]


def test_without_a_direction_the_corners_farthest_apart():
    plan = try_outs(GEL)
    gap = plan.runs.loc[4] != plan.runs.loc[3]
    assert gap[["polymer", "speed"]].all()


def test_constraints_and_mixtures_are_kept():
    s = doe.Study(
        "m",
        [doe.Component("polymer", 0.2, 1.0), doe.Component("oil", 0, 5), doe.Component("water", 90, 100)],
        constraints=["oil <= 6 * polymer"],
    )
    plan = try_outs(s, thicker={"polymer": 1})
    assert s.region.contains(plan.runs).all()
    assert plan.runs["polymer"].iloc[3] == 1.0
    cut = shut_out(plan, 4, "too thick to stir")
    assert not cut.region.contains(plan.runs)[3]
    assert cut.region.contains(plan.runs)[0]


def test_hard_to_change_factors_get_whole_plots_of_their_own():
    hard = doe.Study("s", [doe.Continuous("base", 0, 1, hard_to_change=True), doe.Continuous("a", 0, 1)])
    assert try_outs(hard).whole_plot.nunique() == 4
    assert try_outs(GEL).whole_plot is None


def test_a_failed_corner_becomes_a_constraint_with_its_reason():
    tried = try_outs(GEL, thicker={"polymer": 1, "speed": -1})
    cut = shut_out(tried, 4, "lumps that no mixing broke")
    assert len(cut.constraints) == 1
    assert "lumps that no mixing broke" in cut.notes
    assert cut.notes.startswith("invented\n")
    assert cut.constraints[0] in cut.notes
    inside = cut.region.contains(tried.runs)
    assert list(inside) == [True, True, True, False]
    # half-way along: just beyond is out, just short is in
    way = pd.DataFrame(
        {"polymer": 0.4 + 0.2 * np.array([0.49, 0.51]), "speed": 700 - 300 * np.array([0.49, 0.51]), "base": "amine"}
    )
    assert list(cut.region.contains(way)) == [True, False]
    mild = shut_out(tried, 4, "lumps", share=0.1)
    assert list(mild.region.contains(way)) == [True, True]
    # what is left can be planned on
    assert check(Plan.from_frame(cut, cut.region.vertices()), "linear").largest_variance.value > 0


def test_try_outs_join_as_a_block_of_their_own():
    tried = try_outs(GEL, thicker={"polymer": 1, "speed": -1})
    plan = full_factorial(GEL)
    joined = with_try_outs(plan, tried, failed=[4])
    assert list(joined.runs.index) == list(range(1, 12))
    assert joined.runs.loc[9:, "polymer"].tolist() == [0.4, 0.4, 0.2]
    assert list(joined.block) == ["trial"] * 8 + ["try-out"] * 3
    assert with_try_outs(plan, tried).block.eq("try-out").sum() == 4
    assert check(joined, "linear").degrees_of_freedom["blocks"] == 1
    assert joined.provenance["notes"][-1] == "Runs 9 to 11 are try-outs, a block of their own."


def test_a_plan_of_blocks_and_whole_plots_keeps_them():
    hard = doe.Study("s", [doe.Continuous("base", 0, 1, hard_to_change=True), doe.Continuous("a", 0, 1)])
    runs = pd.DataFrame({"base": [0.0, 0, 1, 1], "a": [0.0, 1, 0, 1]}, index=range(1, 5))
    plan = Plan(hard, runs, block=["x"] * 4, whole_plot=list("aabb"))
    joined = with_try_outs(plan, try_outs(hard, corners=False))
    assert list(joined.block) == ["x"] * 4 + ["try-out"] * 2
    assert joined.whole_plot.nunique() == 4


def test_a_try_out_beyond_a_constraint_made_since_is_left_out():
    tried = try_outs(GEL, thicker={"polymer": 1, "speed": -1})
    cut = shut_out(tried, 4, "lumps")
    plan = Plan.from_frame(cut, cut.region.vertices())
    joined = with_try_outs(plan, tried)
    assert joined.block.eq("try-out").sum() == 3


TRIED = try_outs(GEL)
FACE = central_composite(doe.Study("s", [doe.Continuous("x", 0, 1), doe.Continuous("y", 0, 1)]), axial="face", centre=1)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: try_outs("x"),
            "try_outs: study is 'x' but must be a doe.Study: describe factors and responses in one first.",
        ),
        (
            lambda: try_outs(GEL, thicker={"polymr": 1}),
            "thicker is 'polymr' but must be a numeric factor or component of the study: did you mean 'polymer'?",
        ),
        (
            lambda: try_outs(GEL, thicker={"polymer": 0}),
            "thicker: 'polymer' is 0 but must be other than 0: leave out what neither thickens nor thins.",
        ),
        (
            lambda: try_outs(GEL, at={"bse": "amine"}),
            "at is 'bse' but must be a categorical factor of the study: did you mean 'base'?",
        ),
        (
            lambda: try_outs(GEL, at={"base": "amin"}),
            "at: 'base' is 'amin' but must be one of amine, hydroxide: did you mean 'amine'?",
        ),
        (
            lambda: shut_out(TRIED, 1, "x"),
            "shut_out: run is 1 but must be one of the runs 2, 3, 4: give the number of the corner that failed.",
        ),
        (
            lambda: shut_out(TRIED, 2, "x"),
            "shut_out: run is 2 but must be a corner away from the middle: only a corner can be cut off.",
        ),
        (
            lambda: shut_out(TRIED, 4, " "),
            "shut_out: reason is ' ' but must be a text of at least one letter: say what went wrong, so that nobody tries again.",
        ),
        (
            lambda: shut_out(TRIED, 4, "x", 1.0),
            "shut_out: share is 1.0 but must be inside (0, 1): 0.5 cuts half-way between the corner and the middle.",
        ),
        (
            lambda: with_try_outs(full_factorial(GEL), TRIED, [7]),
            "failed is 7 but must be run numbers of the try-outs: choose among 1, 2, 3, 4.",
        ),
        (
            lambda: with_try_outs(FACE, TRIED),
            "try-outs is 'polymer, speed, base' but must be of the plan's factors: give those of x, y.",
        ),
        (
            lambda: with_try_outs(full_factorial(GEL), TRIED, [1, 2, 3, 4]),
            "try-outs is 'none left' but must be at least one inside the plan's constraints: leave them out of the plan.",
        ),
    ],
)
def test_bad_input(call, sentence):
    with pytest.raises(doe.StudyError) as problem:
        call()
    assert str(problem.value) == sentence
