"""What is due, what changed since last time, and everything known of a batch."""

import datetime
from dataclasses import replace

import numpy as np
import openpyxl
import pandas as pd
import pytest

from doe.bench import Ingredient, Recipe, Records, Step, read_instruments, read_sheet, read_table, write_sheet
from doe.bench.instrument_columns import COLUMNS, INSTRUMENTS
from doe.bench.pages import batch_code
from doe.designs import Plan
from doe.study import Response, Study

VISCOSITY = "viscosity[4 wk, 40 °C]"


@pytest.fixture
def kept(kept_table, kept_plan):
    return Records.from_frame(kept_table, kept_plan)


# ---- due


def test_due_counts_from_when_each_batch_was_finished(kept, kept_plan):
    """Runs 1 and 2 were finished on 2 March, run 3 on the 3rd, of run 4 nobody wrote it; four weeks are 28 days."""
    due = kept.due("2026-03-30")
    rows = due[["run", "response", "time", "condition", "due", "status"]].values.tolist()
    assert rows == [
        [1, "viscosity", "4 wk", "25 °C", "2026-03-30 10:00", "due today"],
        [2, "viscosity", "4 wk", "25 °C", "2026-03-30 15:30", "due today"],
        [4, "viscosity", "4 wk", "25 °C", "", "finishing date not written down"],
    ]
    assert due["batch"].tolist()[0] == batch_code(kept_plan, 1)
    assert kept.due(datetime.date(2026, 3, 29))["status"].tolist() == ["finishing date not written down"]
    ahead = kept.due("2026-03-29", ahead=2)
    assert ahead["status"].tolist()[:4] == ["due in 1 day", "due in 1 day", "due in 2 days", "due in 2 days"]
    late = kept.due("2026-04-02")
    assert late[["run", "condition", "status"]].values.tolist()[:4] == [
        [1, "25 °C", "overdue by 3 days"],
        [2, "25 °C", "overdue by 3 days"],
        [3, "25 °C", "overdue by 2 days"],
        [3, "40 °C", "overdue by 2 days"],
    ]


def test_due_leaves_out_failed_batches_and_asks_for_what_has_no_time(kept_plan):
    table = pd.DataFrame({"run": [1, 2], "pH": ["", 6], "made / failed": ["", ""], "finished at": ["2026-03-02"] * 2})
    table = pd.concat([table, pd.DataFrame({"run": [3, 4], "made / failed": "failed", "reason if failed": "spilt"})])
    due = Records.from_frame(table.fillna(""), kept_plan).due("2026-03-03")
    assert set(due["run"]) == {1, 2}
    assert due[due["response"] == "pH"][["run", "due", "status"]].values.tolist() == [[1, "", "not read yet"]]


def test_due_refuses_what_is_no_day(kept, sentence_of):
    assert sentence_of(lambda: kept.due("soon")) == (
        "due: on is 'soon' but must be a date, with the time of day if known, such as 2026-03-31 14:30: "
        "write it like 2026-03-31 14:30."
    )
    assert sentence_of(lambda: kept.due("2026-03-03", ahead=-1)) == (
        "due: ahead is -1 but must be a whole number of days from 0: say how many days to look ahead."
    )


# ---- changes


def test_changes_between_two_returns_of_a_sheet(kept_table, kept_plan, kept, sentence_of):
    later = kept_table.astype(object)
    later["viscosity[4 wk, 25 °C]"] = [4900, "", "", ""]
    later.loc[3, VISCOSITY] = 15500
    later.loc[0, "viscosity[24 h, 25 °C]"] = "<5000"
    later.loc[2, "pH"] = ""
    later["remark"] = ["lumpy", "", "", ""]
    later.loc[1, "as made: polymer"] = 0.62
    later.loc[2, "room temperature (°C)"] = 20
    later.loc[3, "finished at"] = "2026-03-05"
    new = Records.from_frame(later, kept_plan)
    found = new.changes(kept)
    assert found.drop(columns="batch").values.tolist() == [
        ["changed", 1, "viscosity", 1, "24 h", "25 °C", "5000", "<5000"],
        ["added", 1, "viscosity", 1, "4 wk", "25 °C", "", "4900"],
        ["changed", 4, "viscosity", 1, "4 wk", "40 °C", "15000", "15500"],
        ["changed", 2, "polymer as made", "", "", "", "0.61", "0.62"],
        ["added", 3, "room temperature", "", "", "", "", "20"],
        ["added", 4, "finished at", "", "", "", "", "2026-03-05"],
        ["added", 1, "remark", "", "", "", "", "lumpy"],
        ["gone", 3, "pH", 1, "", "", "5.9", ""],
    ]
    assert kept.changes(kept).empty
    assert sentence_of(lambda: kept.changes(kept.data)) == (
        "changes: earlier is 'DataFrame' but must be Records: give what read_sheet made of the earlier sheet."
    )


def test_changes_refuse_another_plan(kept, plan, readings, kept_plan, sentence_of):
    other = Records.from_frame(readings, plan)
    assert sentence_of(lambda: kept.changes(other)) == (
        f"changes: earlier: plan fingerprint is '{plan.fingerprint}' but must be {kept_plan.fingerprint}: "
        "compare records of one plan."
    )


def test_a_sheet_returned_again_and_again(kept_plan, tmp_path, open_workbook):
    """Filled in bit by bit: each time only what is new is added, nothing is doubled."""
    book = open_workbook(write_sheet(kept_plan, None, tmp_path / "sheet.xlsx"))
    before = read_sheet(book.save(), kept_plan)
    for run in (1, 2, 3, 4):
        book.cell(run, f"{VISCOSITY} (mPa·s)").value = 1000.0 * run
        records = read_sheet(book.save(), kept_plan)
        assert len(records.data) == run
        assert records.changes(before)[["change", "run", "new"]].values.tolist() == [["added", run, f"{1000 * run}"]]
        before = records


# ---- a batch


def test_a_batch_code_leads_to_everything_known_of_it(kept, kept_plan, sentence_of):
    code = batch_code(kept_plan, 2)
    page = kept.batch(code)
    text = repr(page)
    assert page.run == kept.batch(2).run == 2
    assert repr(kept.batch("2")) == text
    for words in (
        f"Batch {code}: run 2 of kept gel (invented), 5 readings",
        "0.61",
        ">100000",
        "room temperature (°C)",
        "2026-03-02 15:30",
        "2026-03-30 15:30",  # when the four weeks are over
    ):
        assert words in text
        assert words.replace(">", "&gt;") in page._repr_html_()
    assert len(page.readings) == 5
    failed = Records.from_frame(
        pd.DataFrame(
            {"run": [1, 3], "pH": [6, ""], "made / failed": ["", "failed"], "reason if failed": ["", "spilt"]}
        ),
        kept_plan,
    )
    assert "failed" in repr(failed.batch(3))
    assert "spilt" in repr(failed.batch(3))
    assert sentence_of(lambda: kept.batch("ffff-9")).startswith(
        "batch is 'ffff-9' but must be a batch code, or a run of the plan, 1 to 4: "
    )
    assert sentence_of(lambda: kept.batch(0)).startswith("batch is 0 but must be a batch code, or a run")


def test_a_batch_made_again_shows_both(kept_plan):
    table = pd.DataFrame({"run": [1, 1], "batch": ["a", "b"], "pH": [6.0, 6.2]})
    page = repr(Records.from_frame(table, kept_plan).batch(1))
    assert "6.2" in page
    assert " b " in page


# ---- labels


def test_labels_say_when_each_jar_is_due(kept_plan, tmp_path):
    path = write_sheet(kept_plan, None, tmp_path / "sheet.xlsx", seed=None, made_at={1: "2026-03-02 10:00"})
    sheet = openpyxl.load_workbook(path)["Labels"]
    cells = [c for row in sheet.iter_rows() for c in row if c.value is not None]
    tops = [c for c in cells if str(c.value).startswith(kept_plan.fingerprint[:4])]
    assert len(tops) == 4 * 6  # pH without a time; scores at 24 h; viscosity at two times under two conditions
    first = [c.value.splitlines()[2] for c in tops if c.value.splitlines()[0].endswith("run 1")]
    assert first == [
        "pH",
        "24 h, 25 °C: viscosity",
        "24 h, 40 °C: viscosity",
        "24 h: feel",
        "4 wk, 25 °C: viscosity",
        "4 wk, 40 °C: viscosity",
    ]
    due = [sheet.cell(c.row + 1, c.column) for c in tops if "4 wk" in c.value]
    assert due[0].value == (
        "=IF(ISNUMBER('Measurements'!$F$5),'Measurements'!$F$5+28.0,\"due 4 wk after making: ____________\")"
    )
    assert due[0].number_format == '"due "yyyy-mm-dd'
    finished = openpyxl.load_workbook(path)["Measurements"]["F5"]
    assert finished.value == datetime.datetime(2026, 3, 2, 10)
    assert not finished.protection.locked


@pytest.fixture
def gel_recipe():
    return Recipe([Ingredient("water", "A", balance=True), Ingredient("polymer", "A", factor="polymer"), Step("stir")])


def test_labels_of_a_recipes_batches_look_at_their_pages(plan, gel_recipe, tmp_path):
    timed = Study("timed", plan.study.factors, [Response("viscosity", "mPa·s", times=("24 h",))])
    made = Plan.from_frame(timed, plan.runs.reset_index(drop=True))
    path = write_sheet(made, gel_recipe, tmp_path / "sheet.xlsx", seed=None)
    book = openpyxl.load_workbook(path)
    formula = next(c.value for row in book["Labels"].iter_rows() for c in row if str(c.value).startswith("=IF"))
    source = formula.split("ISNUMBER('Batches'!$D$")[1].split(")")[0]
    assert book["Batches"].cell(int(source), 3).value == "finished at"
    book["Batches"].cell(int(source), 4).value = datetime.datetime(2026, 3, 2, 10)
    book.save(path)
    assert read_sheet(path, made).made_at == {1: datetime.datetime(2026, 3, 2, 10)}


def pages(path):
    """Cells of the pages of the batches, by page and what stands before them."""
    book = openpyxl.load_workbook(path)
    sheet, run, found = book["Batches"], 0, {}
    for row in sheet.iter_rows():
        title = row[0].value
        if isinstance(title, str) and title.startswith("Batch "):
            run = int(title.split("run ")[1].split(",")[0])
        if isinstance(row[2].value, str):
            found[run, row[2].value] = row
    return book, found


def test_what_stands_on_the_pages_of_the_batches_comes_back(plan, gel_recipe, tmp_path):
    path = write_sheet(plan, gel_recipe, tmp_path / "sheet.xlsx", seed=None, batch_size=150)
    book, rows = pages(path)
    target = rows[2, "polymer"][3].value
    rows[2, "water"][4].value, rows[2, "water"][0].value = "149,12", "x"
    rows[2, "polymer"][4].value = 0.91
    rows[2, "stir"][0].value = "✓"
    rows[3, "stir"][0].value = "no"
    rows[3, "water"][4].value = "about 150"
    rows[4, "water"][4].value = "1,495"
    rows[2, "made by"][3].value = "Kim"
    rows[2, "remarks"][3].value = "lumps at first"
    rows[2, "finished at"][3].value = "2026-03-02 10:00"
    book["Constants"]["B3"] = "Kim"
    book["Constants"]["B5"] = 20
    book["Batches"].title, book["Constants"].title = "Pages", "Fixed"  # known by what stands on them
    book.save(path)
    records = read_sheet(path, plan)
    assert records.weighed[["run", "do", "actual", "done"]].values.tolist()[:3] == [
        [2, "water", 149.12, True],
        [2, "polymer", 0.91, False],
        [2, "stir", pytest.approx(np.nan, nan_ok=True), True],
    ]
    assert records.weighed["target"].tolist()[1] == target
    assert len(records.weighed) == 3
    assert records.entries.values.tolist() == [[f"Batch {batch_code(plan, 2)}", 2, "made by", "Kim"]]
    assert records.remarks.values.tolist() == [[2, 2, "lumps at first"]]
    assert records.made_at == {2: datetime.datetime(2026, 3, 2, 10)}
    assert records.constants == {"operator": "Kim", "stirrer": 20}
    page = repr(records.batch(2))
    for words in ("149.12", "Kim", "lumps at first"):
        assert words in page
    listed = records.problems[records.problems["sheet"] == "Pages"]
    assert listed[["cell", "found", "allowed"]].values.tolist() == [
        [rows[3, "water"][4].coordinate, "about 150", "grams weighed: a number in g, or blank"],
        [
            rows[4, "water"][4].coordinate,
            "1,495",
            "grams weighed: a number in g that can be read in one way only, or blank",
        ],
    ]
    name = f"Pages!{rows[4, 'water'][4].coordinate}"
    assert records.questions["cell"].tolist() == [name]
    answered = read_sheet(path, plan, {name: 1.495}).weighed
    assert answered["actual"].tolist()[3] == 1.495
    again = read_table(records_with_reading(records).save(tmp_path / "records.csv"), plan.study)
    pd.testing.assert_frame_equal(again.weighed, records.weighed)
    pd.testing.assert_frame_equal(again.entries, records.entries)
    assert dict(again.constants) == dict(records.constants)


def records_with_reading(records):
    """read_table refuses a table without a single reading."""
    data = Records.from_frame(pd.DataFrame({"run": [1], "pH": [6]}), records.plan).data
    return replace(records, data=data)


def test_the_page_of_another_plans_batch_is_listed(plan, gel_recipe, tmp_path):
    path = write_sheet(plan, gel_recipe, tmp_path / "sheet.xlsx", seed=None)
    book, rows = pages(path)
    book["Batches"]["A1"] = "Batch ffff-1: run 1, number 1 of 5"
    rows[1, "water"][4].value = 150
    book.save(path)
    records = read_sheet(path, plan)
    assert records.weighed.empty
    assert records.problems[["sheet", "cell", "allowed"]].values.tolist() == [
        ["Batches", "A1", "the page of a batch of this plan"]
    ]


def test_two_finishing_dates_of_a_batch_are_listed(kept_plan, tmp_path, open_workbook):
    book = open_workbook(write_sheet(kept_plan, None, tmp_path / "sheet.xlsx"))
    last = book.sheet.max_row + 1
    for head, value in (("run", 1), ("finished at", datetime.datetime(2026, 3, 3))):
        book.sheet.cell(last, book.heads[head]).value = value
    book.cell(1, "finished at").value = datetime.datetime(2026, 3, 2)
    records = read_sheet(book.save(), kept_plan)
    assert records.made_at == {}
    listed = records.problems[records.problems["allowed"] == "finished at: one value for run 1"]
    assert listed["found"].tolist() == ["2026-03-02, 2026-03-03"]


def test_paper_says_it_in_words_or_with_the_date_that_is_known(kept_plan, tmp_path):
    text = write_sheet(kept_plan, None, tmp_path / "s.html", seed=None).read_text(encoding="utf-8")
    assert text.count("due 4 wk after making: ____________") == 8
    known = write_sheet(kept_plan, None, tmp_path / "s.html", seed=None, made_at={1: "2026-03-02"})
    assert known.read_text(encoding="utf-8").count("due 2026-03-30") == 2


def test_finishing_dates_that_cannot_be(kept_plan, tmp_path, sentence_of):
    def write(made_at):
        return lambda: write_sheet(kept_plan, None, tmp_path / "s.csv", made_at=made_at)

    assert sentence_of(write({9: "2026-03-02"})) == (
        "made_at: run is 9 but must be a run of the plan, 1 to 4: correct the run."
    )
    assert sentence_of(write({1: "2026-02-30"})) == (
        "made_at: run 1 is '2026-02-30' but must be a date, with the time of day if known, such as 2026-03-31 14:30: "
        "write it like 2026-03-31 14:30."
    )
    assert sentence_of(write(["2026-03-02"])) == (
        "made_at is ['2026-03-02'] but must be a mapping from run to date: write {1: \"2026-03-31\"}."
    )


# ---- read when


def test_readings_outside_their_time_are_kept_and_listed(kept_plan, tmp_path, open_workbook, sentence_of):
    """24 h ± 10 % are 21.6 to 26.4 h, four weeks 25.2 to 30.8 days; a day without its hour is good to a day."""
    book = open_workbook(write_sheet(kept_plan, None, tmp_path / "sheet.xlsx", seed=None))
    early, late = "viscosity[24 h, 25 °C] (mPa·s)", "viscosity[4 wk, 40 °C] (mPa·s)"
    for run, reading in ((1, 5000), (2, 6000), (3, 7000), (4, 8000)):
        book.cell(run, early).value = reading
        book.cell(run, "finished at").value = datetime.datetime(2026, 3, 2, 10)
    book.cell(1, "read on [24 h]").value = datetime.datetime(2026, 3, 3, 12, 24)
    book.cell(2, "read on [24 h]").value = "2026-03-03 12:30"
    book.cell(3, "read on [24 h]").value = "2026-03-04"
    book.cell(4, "read on [24 h]").value = "3/4/2026"
    book.cell(1, late).value, book.cell(1, "read on [4 wk]").value = 4000, "2026-04-13"
    book.cell(2, late).value, book.cell(2, "read on [4 wk]").value = 4100, "2026-03-01 10:00"
    path = book.save()
    records = read_sheet(path, kept_plan)
    assert len(records.data) == 6
    flagged = records.problems[records.problems["found"].str.startswith("run ")]
    assert flagged[["found", "allowed"]].to_numpy().tolist() == [
        ["run 1 read 41.6 d after making", "4 wk after making, ± 3.8 d"],
        ["run 2 read 26.5 h after making", "24 h after making, ± 2.4 h"],
        ["run 2 read before the batch was finished", "4 wk after making, ± 2.8 d"],
    ]
    # of the fourth it is asked which day is meant
    (cell,) = records.questions["cell"]
    answered = read_sheet(path, kept_plan, {cell: "2026-04-03"})
    assert any("run 4 read 31.6 d after making" in text for text in answered.problems["found"])
    assert records.entries["entry"].tolist().count("read on [24 h]") == 3
    assert "2026-03-03 12:30" in str(records.batch(2))
    loose = read_sheet(path, kept_plan, on_time=0.2).problems["found"].tolist()
    assert "run 2 read 26.5 h after making" not in loose
    again = read_table(records.save(tmp_path / "records.csv"), kept_plan.study)
    pd.testing.assert_frame_equal(again.entries, records.entries)
    assert sentence_of(lambda: read_sheet(path, kept_plan, on_time=10)) == (
        "on_time is 10.0 but must be from 0 to 1: give it as a share of the time: 0.1 is 10 %."
    )


def test_the_page_of_instruments_says_when_too(kept_plan, tmp_path):
    path = write_sheet(
        kept_plan, None, tmp_path / "sheet.xlsx", seed=None, made_at={1: "2026-03-02 10:00"}, instruments=True
    )
    book = openpyxl.load_workbook(path)
    sheet = book[INSTRUMENTS]
    for row, moment in ((9, "2026-03-03 10:30"), (10, "2026-03-05 10:00"), (11, "soon")):
        typed = {"batch": 1, "response": "viscosity", "time": "24 h", "condition": "25 °C", "reading": 5000 + row}
        typed |= {"spindle": 4, "speed": 20, "torque": 50, "read_on": moment}
        for key, value in typed.items():
            sheet.cell(row, [c.key for c in COLUMNS].index(key) + 1).value = value
    book.save(path)
    records = read_sheet(path, kept_plan)
    assert records.data["value"].tolist() == [5009, 5010, 5011]
    listed = records.problems["found"].tolist()
    assert "viscosity[24 h, 25 °C] of run 1: read 3 d after making, not 24 h after making, ± 2.4 h" in listed
    assert "soon" in listed
    assert len(listed) == 2
    alone = read_instruments(path, kept_plan)
    assert alone.data["read_on"].tolist() == ["2026-03-03 10:30", "2026-03-05 10:00", ""]
    assert (alone.data["flags"] == "").all()  # when the batch was finished stands on another page
    told = read_instruments(path, kept_plan, made_at={1: "2026-03-02 10:00"})
    assert told.data["flags"].tolist()[1] == "read 3 d after making, not 24 h after making, ± 2.4 h"
    wide = read_instruments(path, kept_plan, made_at={1: "2026-03-01"}, on_time=1.0)
    assert (wide.data["flags"] == "").tolist() == [True, False, True]
