"""Covariates, ordinal scales and goals: what a study may say beside factors and limits."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError

ROOM = doe.Covariate("room temperature", "°C", mean=22, sd=2)
STUDY = doe.Study("gel", [ROOM, doe.Continuous("polymer", 0.2, 0.6, "%")], [doe.Response("pH")])


def test_a_study_is_copied_whole():
    again = dataclasses.replace(STUDY, name="other")
    assert again.covariates == STUDY.covariates
    assert doe.Study("gel", STUDY.factors, covariates=[ROOM]).covariates == (ROOM,)


def test_plans_leave_a_covariate_open():
    assert STUDY.names == ["polymer"]
    assert STUDY.covariates == (ROOM,)
    plan = doe.designs.full_factorial(STUDY, levels=3)
    assert list(plan.runs.columns) == ["polymer"]
    best = doe.designs.optimal(STUDY, "quadratic", 6)
    assert list(best.runs.columns) == ["polymer"]


def test_a_covariate_is_coded_by_its_own_law():
    df = pd.DataFrame({"polymer": [0.2, 0.6], "room temperature": [20.0, 25.0]})
    assert STUDY.variables == ("polymer", "room temperature")
    np.testing.assert_allclose(STUDY.encode(df), [[-1, -1], [1, 1.5]])
    np.testing.assert_allclose(STUDY.encode(df[["polymer"]]), [[-1, 0], [1, 0]])
    model = STUDY.model(["polymer", "`room temperature`", "polymer:`room temperature`"])
    np.testing.assert_allclose(model.matrix(df), [[1, -1, -1, 1], [1, 1, 1.5, 1.5]])
    assert model.measured == ("room temperature",)
    assert "room temperature" not in " ".join(STUDY.model("quadratic").terms)


def test_no_plan_can_choose_a_covariate():
    with pytest.raises(StudyError) as caught:
        doe.designs.optimal(STUDY, ["polymer", "`room temperature`"], 6)
    assert str(caught.value) == (
        "model: term is 'room temperature' but must be made of factors, as a covariate is measured and not chosen: "
        "leave it out of the plan's model: fits take it in."
    )


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"mean": 22}, "covariate 'c': sd is None but must be given where the other is: give both, or neither."),
        ({"sd": 2}, "covariate 'c': mean is None but must be given where the other is: give both, or neither."),
        (
            {"mean": 22, "sd": 0},
            "covariate 'c': sd is 0.0 but must be above 0: give how much it varies from batch to batch.",
        ),
        ({"mean": "warm", "sd": 1}, "covariate 'c': mean is 'warm' but must be a finite number: give it as a number."),
    ],
)
def test_covariates_that_cannot_be(fields, sentence):
    with pytest.raises(StudyError) as caught:
        doe.Covariate("c", **fields)
    assert str(caught.value) == sentence


def test_a_blank_covariate_is_named():
    with pytest.raises(StudyError) as caught:
        STUDY.encode(pd.DataFrame({"polymer": [0.2], "room temperature": [None]}))
    assert str(caught.value) == (
        "the table, row 0, column 'room temperature' is 'blank' but must be a number in °C: fill in the setting."
    )


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        (
            {"scale": (5, 1)},
            "response 'r': scale is (5, 1) but must be two whole scores, the lower first: write (1, 5).",
        ),
        (
            {"scale": (1, 4.5)},
            "response 'r': scale is (1, 4.5) but must be two whole scores, the lower first: write (1, 5).",
        ),
        (
            {"scale": (1, 5), "transform": "log"},
            "response 'r': transform is 'log' but must be left out for a score, which is fitted as such: leave it out.",
        ),
        (
            {"scale": (1, 5), "low": 6},
            "response 'r': low is 6.0 but must be from 1 to 5, the ends of its scale: correct the limit or the scale.",
        ),
        (
            {"goal": "best"},
            "response 'r': goal is 'best' but must be \"high\", \"low\" or a target value: say which is best.",
        ),
    ],
)
def test_scales_and_goals_that_cannot_be(fields, sentence):
    with pytest.raises(StudyError) as caught:
        doe.Response("r", **fields)
    assert str(caught.value) == sentence


def test_the_study_says_what_it_measures():
    study = doe.Study(
        "gel",
        [doe.Continuous("polymer", 0.2, 0.6, "%"), ROOM],
        [doe.Response("look", scale=(1, 5), low=4, times=("24 h", "4 wk"))],
    )
    text = str(study)
    assert "covariate: measured, not set" in text
    assert "22, SD 2" in text
    assert "score from 1 to 5; read at 24 h, 4 wk" in text


def test_the_quality_of_a_plan_leaves_covariates_aside():
    bare = doe.Study("gel", STUDY.factors, STUDY.responses)
    plan = doe.designs.full_factorial(STUDY, levels=3)
    alike = doe.designs.full_factorial(bare, levels=3)
    own, other = doe.quality.check(plan, "quadratic"), doe.quality.check(alike, "quadratic")
    assert own.certificate.bound == pytest.approx(other.certificate.bound)
    assert own.average_variance == pytest.approx(other.average_variance)
    assert str(own) == str(other)
    fewest = doe.quality.smallest_plan(STUDY, "linear", 1.0, 4.0, runs=(4, 8))
    assert list(fewest.plan.runs.columns) == ["polymer"]
