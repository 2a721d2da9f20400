"""Plans side by side, and what lost batches cost."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe.designs import Plan, box_behnken, central_composite, full_factorial, simplex_lattice
from doe.quality import after_loss, check, compare

GEL = doe.Study("gel", [doe.Continuous(n, 0, 1) for n in ("polymer", "speed", "minutes")])
FACE = central_composite(GEL, axial="face", centre=3)
EDGE = box_behnken(GEL, centre=3)


def test_the_table_holds_each_plans_own_figures():
    found = compare({"face": FACE, "edge": EDGE}, "quadratic")
    for name, plan in (("face", FACE), ("edge", EDGE)):
        made = check(plan, "quadratic")
        assert found.table.loc["average variance", name] == pytest.approx(made.average_variance)
        assert found.table.loc["D", name] == pytest.approx(made.efficiency["D"])
        assert found.table.loc["smallest change", name] == pytest.approx(made.detectable(1.0)["change"].max())
        assert found.table.loc["pure error", name] == 2
    assert "Most precise on average: face (17 batches)." in found.verdicts


def test_alike_and_missing_are_said():
    same = compare([FACE, FACE], "quadratic")
    assert list(same.table.columns) == ["plan 1", "plan 2"]
    assert "Most precise on average: all alike." in same.verdicts
    bare = central_composite(GEL, axial="face", centre=1)
    found = compare({"bare": bare, "face": FACE}, "quadratic")
    assert "No batch made twice: bare." in found.verdicts
    assert not any("No batch made twice" in v for v in same.verdicts)


def test_the_ratio_reaches_plans_with_whole_plots():
    hard = doe.Study("s", [doe.Continuous("base", 0, 1, hard_to_change=True), doe.Continuous("a", 0, 1)])
    runs = pd.DataFrame({"base": [0.0, 0, 1, 1] * 2, "a": [0.0, 1] * 4}, index=range(1, 9))
    plans = {
        "four": Plan(hard, runs, whole_plot=list("aabbccdd")),
        "free": Plan(hard, runs, whole_plot=list("abcdefgh")),
    }
    low, high = (compare(plans, "linear", variance_ratio=r).table.loc["average variance"] for r in (0.1, 5.0))
    assert high["four"] > low["four"] + 1
    assert high["four"] > high["free"]
    checks = {name: check(plan, "linear", variance_ratio=0.1) for name, plan in plans.items()}
    assert compare(checks).table.loc["average variance", "four"] == pytest.approx(low["four"])
    assert compare(checks, variance_ratio=5.0).table.loc["average variance", "four"] == pytest.approx(high["four"])


def test_losing_a_centre_run_costs_little_and_a_corner_more():
    corner, centre = after_loss(FACE, 1, "quadratic"), after_loss(FACE, [15], "quadratic")
    assert corner.after.average_variance > centre.after.average_variance > corner.before.average_variance
    assert corner.table.loc["runs", "after"] == 16
    both = after_loss(FACE, [15, 1], "quadratic")
    assert list(both.repeat_first["run"]) == [1, 15]
    assert both.repeat_first["average_variance"].iloc[-1] == pytest.approx(both.before.average_variance)
    assert both.repeat_first["average_variance"].iloc[0] == pytest.approx(centre.after.average_variance)
    assert "Repeat run 1 first." in both.verdicts


def test_lost_terms_are_named():
    loss = after_loss(check(EDGE, "quadratic"), [1, 2, 13, 14, 15])
    assert loss.after is None
    assert "1" in loss.inestimable
    assert "Without these batches the constant, polymer², speed² and minutes² cannot be estimated." in loss.verdicts
    assert np.isnan(loss.table.loc["D", "after"])
    first = loss.repeat_first.iloc[0]
    assert first["run"] == 13
    assert first["estimable"]
    assert after_loss(check(EDGE, "quadratic"), [1, 2, 13, 14]).inestimable == ()


def test_losing_the_last_repeats_is_said():
    said = "No setting is left that was made twice: noise and lack of fit can no longer be told apart."
    assert said in after_loss(FACE, [15, 16], "quadratic").verdicts
    assert said not in after_loss(FACE, [15], "quadratic").verdicts


def test_whole_plots_survive_a_loss():
    hard = doe.Study("s", [doe.Continuous("base", 0, 1, hard_to_change=True), doe.Continuous("a", 0, 1)])
    runs = pd.DataFrame({"base": [0.0, 0, 1, 1] * 2, "a": [0.0, 1] * 4}, index=range(1, 9))
    made = check(Plan(hard, runs, whole_plot=list("aabbccdd")), "linear", variance_ratio=2.0)
    loss = after_loss(made, [3, 4])
    assert loss.after.ratios == (2.0, 0.0)
    assert list(loss.after.plan.whole_plot) == list("aaccdd")


MIX = simplex_lattice(doe.Study("m", [doe.Component(n, 0, 100) for n in "xyz"]), 2)
TWO = full_factorial(doe.Study("gel", [doe.Continuous("polymer", 0, 1), doe.Continuous("speed", 0, 1)]), centre=1)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: compare({"a": FACE}), "plans is '1 plan' but must be at least two: give the plans to choose between."),
        (
            lambda: compare({"a": check(TWO, "linear"), "b": check(TWO, "interaction")}),
            "plan 'b': model is 'interaction' but must be the same terms as the first plan's (linear): give model= to compare all for one.",
        ),
        (
            lambda: compare(
                [
                    TWO,
                    full_factorial(doe.Study("gel", [doe.Continuous("polymer", 0, 2), doe.Continuous("speed", 0, 1)])),
                ],
                "linear",
            ),
            "plan 'plan 2': study is 'gel' but must be one with the same factors and constraints: compare plans of one region.",
        ),
        (
            lambda: after_loss(TWO, [9], "linear"),
            "lost runs is 9 but must be run numbers of the plan, 1 to 5: take the number from the run sheet.",
        ),
        (
            lambda: after_loss(TWO, [], "linear"),
            "lost runs is [] but must be at least one run number: name the batches that are lost.",
        ),
        (
            lambda: after_loss(TWO, range(1, 6), "linear"),
            "lost runs is 'all 5' but must be fewer than all: start again from the plan.",
        ),
    ],
)
def test_bad_input(call, sentence):
    with pytest.raises(doe.StudyError) as problem:
        call()
    assert str(problem.value) == sentence
