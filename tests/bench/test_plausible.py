"""Readings and settings as made that cannot be are listed and not taken unseen."""

import pandas as pd
import pytest

import doe
from doe import StudyError
from doe.bench import Records
from doe.bench.plausible import beyond_limits, can_be


@pytest.fixture(scope="module")
def plan():
    study = doe.Study(
        "gel (invented)",
        [
            doe.Continuous("polymer", 0.2, 0.6, "%", limits=(0.0, 1.0)),
            doe.Continuous("speed", 200, 600, "rpm", limits=(50.0, None)),
        ],
        [doe.Response("pH", decimals=2), doe.Response("look", scale=(1, 5)), doe.Response("viscosity", "mPa·s")],
    )
    return doe.designs.full_factorial(study)


@pytest.mark.parametrize("pH", [590, 59.0, 17, -1, ">15"])
def test_a_ph_beyond_its_scale_is_not_taken(plan, pH):
    records = Records.from_frame(pd.DataFrame({"run": [1, 2], "pH": [pH, 6.1]}), plan)
    assert records.data["run"].tolist() == [2]
    assert "pH: a number, from 0 to 14, or blank" in records.problems["allowed"].tolist()


def test_another_response_knows_no_such_scale(plan):
    records = Records.from_frame(pd.DataFrame({"run": [1], "viscosity": [590.0]}), plan)
    assert records.data["value"].tolist() == [590.0]
    acid = doe.Response("pH", "mmol/L")
    assert can_be(acid, (590.0, 590.0, 590.0))


def test_settings_as_made_beyond_what_can_be_set_are_not_taken(plan):
    table = pd.DataFrame(
        {
            "run": [1, 2, 3],
            "pH": [6.0, 6.1, 6.2],
            "as made: polymer (%)": [70, 0.21, None],
            "as made: speed (rpm)": [None, 5, 60000],
        }
    )
    records = Records.from_frame(table, plan)
    assert records.as_made["polymer"].tolist()[:2] == [plan.runs.at[1, "polymer"], 0.21]
    assert records.as_made["speed"].tolist()[1:3] == [plan.runs.at[2, "speed"], 60000.0]  # no upper limit was given
    allowed = records.problems["allowed"]
    assert allowed[allowed.str.contains("as made")].tolist() == [
        "polymer as made: from 0 to 1 %, or blank",
        "speed as made: 50 rpm or above, or blank",
    ]
    assert beyond_limits(plan.study.factor("polymer"), 0.5) == ""


@pytest.mark.parametrize("when", ["1900-01-03", "2131-01-01"])
def test_a_batch_was_not_finished_a_century_off(plan, when):
    records = Records.from_frame(pd.DataFrame({"run": [1], "pH": [6.0], "finished at": [when]}), plan)
    assert records.made_at == {}
    assert "finished at: a date from 2000 to next year, or blank" in records.problems["allowed"].tolist()


def test_corrections_in_the_store_are_held_to_the_same(plan, tmp_path):
    with doe.Store(tmp_path / "t.db", who="Ada") as store:
        store.save(Records.from_frame(pd.DataFrame({"run": [1, 2], "pH": [6.0, 6.1], "look": [3, 4]}), plan), "gel")
        for what, value, allowed in (
            ("pH", 590, "a number, from 0 to 14"),
            ("look", 9, "a whole score from 1 to 5"),
            ("look", 3.5, "a whole score from 1 to 5"),
            ("polymer", 70, "from 0 to 1 %"),
            ("polymer", -1, "from 0 to 1 %"),
        ):
            with pytest.raises(StudyError, match=allowed):
                store.correct(1, what, value, "slip")
        store.correct(2, "failed", "lumps", "seen only now")
        kept = store.load("records", "gel")
    assert kept.failed == (2,)
    assert set(kept.data["run"]) == {1}  # as of a sheet: a failed batch has no readings
