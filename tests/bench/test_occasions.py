"""Responses read at several times and under several conditions: on the sheet, in the records, and in what is worked out of them."""

import datetime

import numpy as np
import openpyxl
import pandas as pd
import pytest

from doe.bench import Records, read_sheet, read_table, write_sheet
from doe.designs import Plan
from doe.study import Component, Response, Study

OCCASIONS = [
    "viscosity[24 h, 25 °C] (mPa·s)",
    "viscosity[24 h, 40 °C] (mPa·s)",
    "viscosity[4 wk, 25 °C] (mPa·s)",
    "viscosity[4 wk, 40 °C] (mPa·s)",
]


@pytest.fixture
def kept(kept_table, kept_plan):
    records = Records.from_frame(kept_table, kept_plan)
    assert records.problems["found"].tolist() == ["no column for viscosity[4 wk, 25 °C]"]
    return records


def test_every_response_has_a_column_at_every_occasion_and_derived_ones_none(kept_plan, tmp_path, open_workbook):
    book = open_workbook(write_sheet(kept_plan, None, tmp_path / "sheet.xlsx"))
    heads = list(book.heads)
    assert heads == [
        "order",
        "run",
        "polymer (%)",
        "vessel",
        "room temperature (°C)",
        "finished at",
        *OCCASIONS,
        "feel",
        "pH",
        "made / failed",
        "reason if failed",
        "remark",
        "read on [24 h]",
        "read on [4 wk]",
        "as made: polymer (%)",
        "as made: vessel",
        "same batch read again, or made again?",
    ]
    rules = {str(r.sqref).split(":")[0]: r for r in book.sheet.data_validations.dataValidation}
    feel = rules[f"{openpyxl.utils.get_column_letter(book.heads['feel'])}{book.header + 1}"]
    assert (feel.type, feel.formula1) == ("list", '"1,2,3,4,5"')
    first = [c.value for c in book.book["Read first"]["A"]]
    assert "• kept: worked out, viscosity[4 wk, 40 °C] / viscosity[24 h, 25 °C]" in first


def test_further_readings_have_columns_at_every_occasion(kept_plan, tmp_path, open_workbook):
    book = open_workbook(write_sheet(kept_plan, None, tmp_path / "sheet.xlsx", readings=2))
    book.cell(1, "viscosity[4 wk, 40 °C] (mPa·s), reading 1").value = 4000
    book.cell(1, "viscosity[4 wk, 40 °C] (mPa·s), reading 2 (same batch read again)").value = 4200
    records = read_sheet(book.save(), kept_plan)
    assert records.problems.empty
    frame = records.frame("viscosity[4 wk, 40 °C]")
    assert frame[["run", "viscosity[4 wk, 40 °C]", "readings"]].values.tolist() == [[1, 4100, 2]]


def test_a_filled_workbook_comes_back_by_occasion(kept_plan, tmp_path, open_workbook):
    book = open_workbook(write_sheet(kept_plan, None, tmp_path / "sheet.xlsx"))
    book.cell(2, OCCASIONS[3]).value = ">100000"
    book.cell(3, OCCASIONS[0]).value = 6000
    book.cell(3, "feel").value = 4
    book.cell(3, "room temperature (°C)").value = "21,5"
    book.cell(3, "finished at").value = datetime.datetime(2026, 3, 2, 10, 30)
    book.cell(3, "as made: polymer (%)").value = 0.21
    book.cell(4, "as made: vessel").value = "square"
    records = read_sheet(book.save(), kept_plan)
    assert records.problems.empty
    rows = records.data[["run", "time", "condition", "response", "lower", "upper"]].values.tolist()
    assert rows == [
        [2, "4 wk", "40 °C", "viscosity", 100000, np.inf],
        [3, "24 h", "25 °C", "viscosity", 6000, 6000],
        [3, "24 h", "", "feel", 4, 4],
    ]
    assert records.covariates["room temperature"].tolist()[2] == 21.5
    assert records.covariates["room temperature"].isna().tolist() == [True, True, False, True]
    assert records.made_at == {3: datetime.datetime(2026, 3, 2, 10, 30)}
    assert records.as_made.index.tolist() == [1, 2, 3, 4]
    assert records.as_made.values.tolist() == [[0.2, "round"], [0.6, "square"], [0.21, "square"], [0.6, "square"]]
    assert "0.21" in repr(records)
    assert Records.from_frame(pd.DataFrame({"run": [1], "pH": [6]}), kept_plan).as_made is None


@pytest.mark.parametrize("score", [0, 6, 2.5, ">3", "good"])
def test_a_score_is_a_whole_one_of_its_scale(score, kept_plan):
    records = Records.from_frame(pd.DataFrame({"run": [1, 2], "feel": [score, 3]}), kept_plan)
    listed = records.problems[records.problems["cell"] == "row 0, column 'feel'"]
    assert listed["allowed"].tolist() == ["feel: a whole score from 1 to 5, or blank"]
    assert records.data["value"].tolist() == [3]


@pytest.mark.parametrize(
    "head",
    [
        "viscosity[4 wk, 40 °C]",
        "Viscosity [40 °C, 4 weeks] (mPa·s)",
        "VISCOSITY[4 wk, 40 °C] (mPa·s)",
        "viscosity[28 d, 40 °C]",
    ],
)
def test_heads_may_write_an_occasion_otherwise(head, kept_plan):
    records = Records.from_frame(pd.DataFrame({"run": [1], head: [4000]}), kept_plan)
    assert records.data[["time", "condition"]].values.tolist() == [["4 wk", "40 °C"]]


@pytest.mark.parametrize(
    "head", ["viscosity[5 wk, 40 °C]", "viscosity[4 wk]", "viscosity[4 wk, 40 °C] (Pa·s)", "viscosity"]
)
def test_a_head_that_leaves_the_occasion_open_is_listed(head, kept_plan):
    records = Records.from_frame(pd.DataFrame({"run": [1], head: [4000], "pH": [6]}), kept_plan)
    assert records.problems["found"].tolist().count(head) == 1
    assert records.data["response"].tolist() == ["pH"]


def test_a_column_of_a_derived_response_is_not_taken(kept_plan):
    records = Records.from_frame(pd.DataFrame({"run": [1], "kept": [0.8], "pH": [6]}), kept_plan)
    found = records.problems[records.problems["found"] == "kept"].iloc[0]
    assert found["allowed"] == "left out, as kept is worked out: viscosity[4 wk, 40 °C] / viscosity[24 h, 25 °C]"
    assert found["mend"] == "not used; take the column out"


def test_frame_by_occasion_holds_bounds_where_a_reading_is_censored(kept, sentence_of):
    frame = kept.frame("viscosity[24 h, 25 °C]")
    assert frame.columns.tolist() == [
        "run",
        "polymer",
        "vessel",
        "viscosity[24 h, 25 °C]",
        "readings",
        "lower",
        "upper",
    ]
    assert frame["lower"].tolist() == [5000, 100000, 6000, 20000]
    assert frame["upper"].tolist() == [5000, np.inf, 6000, 20000]
    assert frame["viscosity[24 h, 25 °C]"].isna().tolist() == [False, True, False, False]
    assert kept.frame("viscosity[672 h, 40 °C]")["run"].tolist() == [1, 2, 4]
    assert kept.frame("feel")["feel"].tolist() == [2, 5, 3, 4]  # read on one occasion: its name says enough
    assert sentence_of(lambda: kept.frame("viscosity")) == (
        "response 'viscosity': time is 'left out' but must be one of 24 h, 4 wk: say which time."
    )
    assert sentence_of(lambda: kept.frame("viscosity[4 wk, 25 °C]")) == (
        "records: response 'viscosity[4 wk, 25 °C]' is 'without a reading' but must be read on at least one batch: "
        "fill in its column or choose another."
    )


def test_a_batch_mean_with_a_censored_reading_lies_between_means_of_bounds(kept_plan):
    """Readings 5..6, 5.8 and >7: their mean lies between (5 + 5.8 + 7)/3 and infinity; of 5..6 and 5.8, between 5.4 and 5.9."""
    table = pd.DataFrame({"run": [1, 1, 1, 2, 2], "replicate": [1, 2, 3, 1, 2], "pH": ["5..6", 5.8, ">7", "5..6", 5.8]})
    frame = Records.from_frame(table, kept_plan).frame("pH")
    np.testing.assert_allclose(frame[["lower", "upper", "readings"]], [[17.8 / 3, np.inf, 3], [5.4, 5.9, 2]])
    assert frame["pH"].isna().all()


def test_derived_responses_come_from_batch_means_and_say_why_they_are_blank(kept):
    frame = kept.frame("kept")
    assert frame["kept"].tolist()[0] == 0.8
    assert frame["kept"].tolist()[3] == 0.75
    assert frame["blank because"].tolist() == [
        "",
        "viscosity[24 h, 25 °C] is censored",
        "no reading of viscosity[4 wk, 40 °C]",
        "",
    ]
    assert frame["kept"].isna().tolist() == [False, True, True, False]
    summary = kept.summary().set_index("response")
    assert summary.loc["kept", ["batches", "missing"]].tolist() == [2, 2]
    assert summary.loc["viscosity[24 h, 25 °C]", ["batches", "readings", "censored", "missing"]].tolist() == [
        4,
        4,
        1,
        0,
    ]
    assert summary.loc["viscosity[24 h, 25 °C]", ["least", "greatest"]].tolist() == [5000, 20000]
    assert summary.loc["viscosity[4 wk, 25 °C]", "missing"] == 4


def test_components_as_made_add_up(sentence_of):
    def made(balance, **columns):
        parts = [Component("oil", 0, 20, "%"), Component("glycol", 0, 20, "%"), Component("water", 60, 100, "%")]
        study = Study("blend", parts, [Response("y")], balance=balance)
        plan = Plan.from_frame(study, pd.DataFrame({"oil": [10.0, 20], "glycol": [10.0, 0], "water": [80.0, 80]}))
        return Records.from_frame(pd.DataFrame({"run": [1, 2], "y": [1, 2], **columns}), plan)

    assert made("water", **{"as made: oil": [11, ""]}).as_made.values.tolist() == [[11, 10, 79], [20, 0, 80]]
    off = made(None, **{"as made: oil": [11, ""]})
    assert off.as_made is None
    assert off.problems.iloc[-1].tolist()[2:] == [
        "run 1 as made: oil 11 + glycol 10 + water 80",
        "components of at least 0 that add up to 100 %",
        "the planned settings are kept; write every component as made",
    ]
    whole = made(None, **{"as made: oil": [11, ""], "as made: water": [79, ""]})
    assert whole.as_made.loc[1].tolist() == [11, 10, 79]


def test_saved_and_read_again_with_everything(kept, kept_study, tmp_path):
    path = kept.save(tmp_path / "records.csv")
    again = read_table(path, kept_study)
    columns = ["run", "batch", "replicate", "time", "condition", "response", "value", "lower", "upper"]
    pd.testing.assert_frame_equal(again.data[columns], kept.data[columns])
    pd.testing.assert_frame_equal(again.as_made, kept.as_made)
    pd.testing.assert_frame_equal(again.covariates, kept.covariates)
    assert (
        again.made_at
        == kept.made_at
        == {
            1: datetime.datetime(2026, 3, 2, 10),
            2: datetime.datetime(2026, 3, 2, 15, 30),
            3: datetime.datetime(2026, 3, 3),
        }
    )
    assert again.problems.empty
    assert kept.changes(again).empty
    pd.testing.assert_frame_equal(again.frame("kept"), kept.frame("kept"))


def test_a_run_made_again_keeps_both_batches_when_saved(kept_plan, kept_study, tmp_path):
    table = pd.DataFrame({"run": [1, 1, 2], "batch": ["a", "b", "c"], "pH": [6.0, 6.2, "<5"]})
    records = Records.from_frame(table, kept_plan)
    text = records.save(tmp_path / "records.csv").read_text(encoding="utf-8")
    assert "1,a," in text
    assert "1,b," in text
    again = Records.from_frame(pd.read_csv(tmp_path / "records.csv"), kept_plan)
    assert again.changes(records).empty
