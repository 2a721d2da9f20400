"""Records: from a table to one row a batch, shown, saved and read again."""

import numpy as np
import pandas as pd
import pytest

from doe.bench import Records, read_table
from doe.designs import Plan
from doe.study import Continuous, Response, Study


@pytest.fixture
def split_plan():
    """Two whole plots of two runs in two blocks."""
    study = Study(
        "split",
        [Continuous("polymer", 0, 1, hard_to_change=True), Continuous("speed", 0, 1)],
        [Response("y", decimals=1)],
    )
    runs = pd.DataFrame(
        {
            "polymer": [0, 0, 1, 1.0],
            "speed": [0, 1, 0, 1.0],
            "whole_plot": ["a", "a", "b", "b"],
            "block": ["m", "m", "t", "t"],
        }
    )
    return Plan.from_frame(study, runs)


def test_rows_are_matched_by_run_number(plan, readings):
    shuffled = readings.sample(frac=1, random_state=1)
    for table in (shuffled, shuffled.reset_index()):
        records = Records.from_frame(table, plan)
        assert records.problems.empty
        assert records.frame("pH").set_index("run")["pH"].tolist() == readings["pH"].tolist()
    assert records.data["cell"].iloc[0] == f"row {list(shuffled.index).index(1)}, column 'viscosity'"


def test_rows_are_matched_by_settings_and_repeats_in_order():
    study = Study("centre", [Continuous("a", -1, 1)], [Response("y")])
    plan = Plan.from_frame(study, pd.DataFrame({"a": [0.0, 1.0, 0.0]}))
    records = Records.from_frame(pd.DataFrame({"a": [1.0, 0.0, 0.0], "y": [5.0, 6.0, 7.0]}), plan)
    assert records.frame("y")[["run", "y"]].values.tolist() == [[1, 6], [2, 5], [3, 7]]
    spoiled = Records.from_frame(pd.DataFrame({"a": [1.0, 0.5, 0.0], "y": [5.0, 6.0, 7.0]}), plan)
    assert spoiled.problems["found"].tolist() == ["a 0.5", "no row of run 3 was taken"]
    assert len(spoiled.data) == 2


def test_readings_of_one_batch_are_averaged_and_counted(plan):
    table = pd.DataFrame({"run": [1, 1, 2], "replicate": [1, 2, 1], "pH": [6.0, 6.2, 6.1]})
    records = Records.from_frame(table, plan)
    assert records.frame("pH")[["run", "pH", "readings"]].values.tolist() == [[1, 6.1, 2], [2, 6.1, 1]]
    assert "sharpen its value, but are not batches made again" in repr(records)


def test_batch_labels_part_readings_from_batches(plan):
    same = Records.from_frame(pd.DataFrame({"run": [1, 1], "batch": ["x", "x"], "pH": [6.0, 6.2]}), plan)
    assert same.frame("pH")["readings"].tolist() == [2]
    two = Records.from_frame(pd.DataFrame({"run": [1, 1], "batch": ["x", "y"], "pH": [6.0, 6.2]}), plan)
    frame = two.frame("pH")
    assert frame[["run", "batch", "pH", "readings"]].values.tolist() == [[1, "x", 6.0, 1], [1, "y", 6.2, 1]]


def test_frame_carries_blocks_and_whole_plots(split_plan):
    records = Records.from_frame(pd.DataFrame({"run": [1, 2, 4], "y": [1.0, np.nan, 3.0]}), split_plan)
    frame = records.frame("y")
    assert frame.columns.tolist() == ["run", "block", "whole_plot", "polymer", "speed", "y", "readings"]
    assert frame.values.tolist() == [[1, "m", "a", 0, 0, 1, 1], [4, "t", "b", 1, 1, 3, 1]]
    assert records.problems["found"].tolist() == ["no row of run 3 was taken"]


def test_summary_counts_batches_readings_and_what_is_missing(plan, readings):
    table = readings.copy()
    table.loc[2, "pH"] = np.nan
    summary = Records.from_frame(table, plan).summary().set_index("response")
    assert summary.loc["pH", ["batches", "readings", "missing"]].tolist() == [4, 4, 1]
    assert summary.loc["viscosity", ["least", "mean", "greatest"]].tolist() == [4500, 12220, 21000]


def test_text_and_page_show_the_same(plan, readings):
    table = readings.astype(object)
    table.loc[3, "pH"] = "<b>thick</b>"
    table["remark"] = ["", "lumpy & grey", "", "", ""]
    records = Records.from_frame(table, plan)
    text, page = repr(records), records._repr_html_()
    for words in ("5 of 5 batches read", "Problems of the sheet (1)", "lumpy", "12220"):
        assert words in text
        assert words in page
    assert "<b>thick" in text
    assert "<b>" not in page.replace("<br>", "")
    assert "lumpy &amp; grey" in page


def test_saved_and_read_again(plan, readings, tmp_path):
    table = pd.concat(
        [readings.assign(replicate=1, pH=readings["pH"] + 1 / 3), readings.assign(replicate=2, held=np.nan)]
    )
    table["remark"] = ["=1+1", *[""] * 9]
    table["made / failed"] = ["", "", "", "failed", ""] * 2
    table["reason if failed"] = ["", "", "", "beaker cracked", ""] * 2
    table.loc[4, ["viscosity", "pH", "held"]] = np.nan
    records = Records.from_frame(table, plan)
    path = records.save(tmp_path / "records.csv")
    again = read_table(path, plan.study)
    columns = ["run", "batch", "replicate", "time", "condition", "response", "value", "lower", "upper"]
    pd.testing.assert_frame_equal(again.data[columns], records.data[columns])
    pd.testing.assert_frame_equal(again.plan.runs, plan.runs)
    assert again.failed == records.failed == (4,)
    assert again.remarks.values.tolist() == records.remarks.values.tolist() == [[1, 1, "=1+1"]]
    assert again.failed_reasons == records.failed_reasons == {4: "beaker cracked"}
    assert again.problems.empty
    assert "'=1+1" in path.read_text()


def test_saved_with_blocks_and_whole_plots(split_plan, tmp_path):
    records = Records.from_frame(pd.DataFrame({"run": [1, 2, 3, 4], "y": [0.1 + 0.2, 2, 3, 4]}), split_plan)
    again = read_table(records.save(tmp_path / "records.csv"), split_plan.study)
    pd.testing.assert_frame_equal(again.frame("y"), records.frame("y"))
    assert again.plan.fingerprint == split_plan.fingerprint


def test_bad_input_in_one_sentence(plan, readings, sentence_of):
    assert sentence_of(lambda: Records.from_frame([1], plan)) == (
        "records is 'list' but must be a DataFrame: give one row a batch and one column a response."
    )
    assert sentence_of(lambda: Records.from_frame(readings, plan.study)) == (
        "plan is 'Study' but must be a Plan: make one with doe.designs, or use doe.bench.read_table."
    )
    assert sentence_of(
        lambda: Records.from_frame(readings.rename(columns={"viscosity": "viscocity"})[["viscocity"]], plan)
    ) == (
        "'table': response columns is 'missing' but must be there, one for every response: "
        "'viscocity' is unknown: did you mean 'viscosity'? Rename it."
    )
    records = Records.from_frame(readings[["pH"]], plan)
    assert (
        sentence_of(lambda: records.frame("ph"))
        == "response is 'ph' but must be a response of the study: did you mean 'pH'?"
    )
    assert sentence_of(lambda: records.frame("held")) == (
        "records: response 'held' is 'without a reading' but must be read on at least one batch: fill in its column or choose another."
    )
    assert sentence_of(lambda: Records(plan, readings)).startswith(
        "records: columns of data is ['viscosity', 'pH', 'held']"
    )
