"""Sheets as people return them: what is clear is taken, what is not is listed cell by cell, nothing is guessed or lost."""

import datetime
import os

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from doe.bench import read_sheet, write_sheet
from doe.designs import Plan
from doe.study import Continuous, Response, Study

HEADS = {"viscosity": "viscosity (mPa·s)", "pH": "pH", "held": "held (%)"}


def wide(records):
    return records.data.pivot(index="run", columns="response", values="value")


def same_readings(records, readings):
    """Whether exactly these were taken; a blank stands for a reading that is not there."""
    found = wide(records).reindex(columns=readings.columns)
    pd.testing.assert_frame_equal(found, readings.dropna(how="all"), check_names=False, check_index_type=False)
    return True


# ---- what comes back as it should


def test_workbook_comes_back_whole(workbook, plan, readings):
    records = read_sheet(workbook.save(), plan)
    assert same_readings(records, readings)
    assert records.problems.empty
    assert len(records.data) == 15
    columns = ["run", "batch", "replicate", "time", "condition", "response", "value", "lower", "upper", "cell"]
    assert records.data.columns.tolist() == columns
    assert records.data["lower"].equals(records.data["upper"])
    row = records.data.iloc[0]
    assert workbook.sheet[row["cell"]].value == row["value"]
    drawn = list(plan.randomised(3).runs.index)
    assert dict(records.order) == {run: drawn.index(run) + 1 for run in range(1, 6)}


def test_csv_comes_back_whole(lines, plan, readings, tmp_path, csv_text):
    above, rows = lines
    path = tmp_path / "back.csv"
    path.write_text(csv_text([*above, *rows]), encoding="utf-8")
    records = read_sheet(path, plan)
    assert same_readings(records, readings)
    assert records.problems.empty


def test_a_plan_in_another_order_is_the_same_plan(workbook, plan, readings):
    assert same_readings(read_sheet(workbook.save(), plan.randomised(8)), readings)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    values=st.lists(st.floats(1e-6, 1e7), min_size=3, max_size=3),
    suffix=st.sampled_from([".csv", ".xlsx"]),
    comma=st.booleans(),
)
def test_any_number_makes_the_round_trip(tmp_path, open_workbook, values, suffix, comma):
    """Written sheet, filled in with numbers or with their texts, read back: the same numbers, or a doubt that is listed."""
    study = Study("round trip", [Continuous("a", -1, 1)], [Response("y", "g")])
    plan = Plan.from_frame(study, pd.DataFrame({"a": [-1.0, 0.0, 1.0]}))
    path = write_sheet(plan, None, tmp_path / f"sheet{suffix}", seed=None)
    values = [float(f"{v:.15g}") for v in values]  # a workbook holds 15 digits of a number
    texts = [repr(v).replace(".", ",") if comma else repr(v) for v in values]
    if suffix == ".csv":
        head, body = path.read_text(encoding="utf-8-sig").split("order,", 1)
        rows = [line.split(",") for line in ("order," + body).splitlines()]
        for row, text in zip(rows[1:], texts, strict=True):
            row[3] = text
        path.write_text(head + "\n".join(";".join(row) for row in rows) + "\n", encoding="utf-8")
    else:
        book = open_workbook(path)
        for run, (value, text) in enumerate(zip(values, texts, strict=True), start=1):
            book.cell(run, "y (g)").value = text if comma else value
        book.save()
    records = read_sheet(path, plan)
    doubted = set(records.problems["found"])
    taken = wide(records)["y"] if len(records.data) else pd.Series(dtype=float)
    for run, (value, text) in enumerate(zip(values, texts, strict=True), start=1):
        if text in doubted:
            assert len(text.replace(",", ".").split(".")[1]) == 3
            assert run not in taken.index
        else:
            assert taken[run] == value


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_delimiters_and_encodings(lines, plan, readings, tmp_path, csv_text, encoding, delimiter):
    above, rows = lines
    text = csv_text([*above, *rows], delimiter)
    path = tmp_path / "back.csv"
    path.write_bytes(text.encode(encoding))
    records = read_sheet(path, plan)
    assert same_readings(records, readings)
    assert records.problems.empty


def test_a_german_spreadsheets_csv(lines, plan, readings, tmp_path, csv_text):
    """Semicolons, decimal commas, a first line sep=; : settings and readings come back."""
    above, rows = lines
    swapped = [rows[0]] + [[cell.replace(".", ",") for cell in row] for row in rows[1:]]
    path = tmp_path / "back.csv"
    path.write_bytes(("sep=;\r\n" + csv_text([*above, *swapped], ";")).encode("cp1252"))
    records = read_sheet(path, plan)
    assert same_readings(records, readings)
    assert records.problems.empty


def test_semicolons_leave_a_point_before_three_digits_in_doubt(lines, plan, readings, tmp_path, csv_text):
    """Where cells are parted by semicolons, decimal commas are usual: with no other decimal in the file 12.345 might be twelve thousand."""
    above, rows = lines
    rows = [rows[0]] + [[cell if i < 6 and cell != "6.1" else "" for i, cell in enumerate(row)] for row in rows[1:]]
    bare = [[cell for i, cell in enumerate(row) if rows[0][i] != "polymer (%)"] for row in rows]
    at = bare[0].index("viscosity (mPa·s)")
    for row, text in zip(bare[1:], ["12.345", "9000", "9000", "9000", "9000"], strict=True):
        row[at] = text
    path = tmp_path / "back.csv"
    path.write_text(csv_text([*above, *bare], ";"), encoding="utf-8")
    assert problem(read_sheet(path, plan))["found"] == "12.345"
    path.write_text(csv_text([*above, *bare], ","), encoding="utf-8")
    assert read_sheet(path, plan).problems.empty


def test_names_that_differ_in_case_only_are_told_apart(tmp_path):
    study = Study("cases", [Continuous("a", 0, 1)], [Response("pH"), Response("PH")])
    plan = Plan.from_frame(study, pd.DataFrame({"a": [0.0, 1.0]}))
    path = tmp_path / "s.csv"
    path.write_text("run,PH,pH\n1,6,7\n2,8,9\n", encoding="utf-8")
    assert wide(read_sheet(path, plan))[["pH", "PH"]].values.tolist() == [[7, 6], [9, 8]]
    path.write_text("run,ph,pH\n1,6,7\n2,8,9\n", encoding="utf-8")
    assert "ph" in read_sheet(path, plan).problems["found"].tolist()


def test_sorted_rows_and_shuffled_columns(lines, plan, readings, tmp_path, csv_text):
    above, rows = lines
    order = sorted(range(len(rows[0])), key=lambda i: (i * 7) % len(rows[0]))
    mixed = [[row[i] for i in order] for row in [rows[0], *sorted(rows[1:], key=lambda row: row[6])]]
    path = tmp_path / "back.csv"
    path.write_text(csv_text([*above, *mixed]), encoding="utf-8")
    records = read_sheet(path, plan)
    assert same_readings(records, readings)
    assert records.problems.empty


def test_blank_cells_and_their_words_are_missing(workbook, plan, readings):
    for run, word in zip((1, 2, 3), ("n/a", "–", None), strict=True):
        workbook.cell(run, "pH").value = word
    records = read_sheet(workbook.save(), plan)
    assert records.problems.empty
    assert set(records.frame("pH")["run"]) == {4, 5}
    assert records.summary().set_index("response").loc["pH", "missing"] == 3


def test_numbers_stored_as_text_and_decimal_commas(workbook, plan, readings):
    workbook.cell(1, "pH").value = "6,12"
    workbook.cell(2, "viscosity (mPa·s)").value = "21 000"
    workbook.cell(3, "held (%)").value = "55 %"
    assert same_readings(read_sheet(workbook.save(), plan), readings)


def test_remarks_and_failed_batches(workbook, plan):
    workbook.cell(4, "made / failed").value = "failed"
    for head in HEADS.values():
        workbook.cell(4, head).value = None
    workbook.cell(2, "made / failed").value = "made"
    workbook.cell(4, "remark").value = "beaker cracked"
    workbook.cell(2, "remark").value = "=lumpy"
    workbook.cell(2, "remark").data_type = "s"
    records = read_sheet(workbook.save(), plan)
    assert records.failed == (4,)
    assert dict(zip(records.remarks["run"], records.remarks["remark"], strict=True)) == {
        4: "beaker cracked",
        2: "=lumpy",
    }
    assert records.problems.empty
    assert records.failed_reasons == {4: "beaker cracked"}
    assert "Failed: run 4 (beaker cracked)." in repr(records)


def test_several_readings_of_one_batch(plan, readings, tmp_path, open_workbook):
    book = open_workbook(write_sheet(plan, None, tmp_path / "sheet.xlsx", readings=2))
    for run in readings.index:
        book.cell(run, "pH, reading 1").value = 6.0
        book.cell(run, "pH, reading 2 (same batch read again)").value = 6.1
    records = read_sheet(book.save(), plan)
    frame = records.frame("pH")
    assert frame["readings"].tolist() == [2] * 5
    assert frame["pH"].tolist() == pytest.approx([6.05] * 5)
    assert records.data["replicate"].tolist() == [1, 2] * 5


# ---- what is listed


def problem(records, **where):
    """The one problem that a spoiled sheet shows, as a mapping."""
    rows = records.problems
    for column, text in where.items():
        rows = rows[rows[column].str.contains(text, regex=False)]
    assert len(rows) == 1, records.problems.to_string()
    return rows.iloc[0]


SPOILED = [
    (
        "viscosity",
        "12,345",
        "viscosity: a number in mPa·s that can be read in one way only, 0 or above, or blank",
        "12345 if 12 thousand",
    ),
    ("pH", "about 6", "pH: a number, from 0 to 14, or blank", "say why in the remark"),
    ("viscosity", "<-5", "viscosity: a number in mPa·s, 0 or above, or blank", "correct the reading"),
    ("held", "60..50", "held: a range from its lower to its upper end, from 0 to 100, or blank", "write 50..60 if"),
    (
        "viscosity",
        ">12,345",
        "viscosity: a number in mPa·s that can be read in one way only, 0 or above, or blank",
        "12345 if 12 thousand",
    ),
    ("held", 120, "held: a number in %, from 0 to 100, or blank", "correct the reading"),
    ("viscosity", -5, "viscosity: a number in mPa·s, 0 or above, or blank", "correct the reading"),
    ("pH", datetime.datetime(2024, 5, 6), "pH: a number, from 0 to 14, or blank", "made a date of it"),
    ("pH", True, "pH: a number, from 0 to 14, or blank", "type the number"),
    ("pH", "=A1+1", "pH: a number, from 0 to 14, or blank", "holds the formula but not its result"),
    ("pH", "#DIV/0!", "pH: a number, from 0 to 14, or blank", "type the number"),
]


@pytest.mark.parametrize(("response", "cell", "allowed", "mend"), SPOILED)
def test_a_bad_reading_is_listed_and_only_it_is_held_back(workbook, plan, readings, response, cell, allowed, mend):
    target = workbook.cell(3, HEADS[response])
    target.value = cell
    records = read_sheet(workbook.save(), plan)
    found = problem(records)
    assert found["sheet"] == "Measurements"
    assert found["cell"] == target.coordinate
    assert found["allowed"] == allowed
    assert mend in found["mend"]
    assert str(cell) in found["found"]
    assert same_readings(
        records, readings.astype(float).where(~((readings.index == 3)[:, None] & (readings.columns == response)))
    )


@pytest.mark.parametrize(
    ("cell", "lower", "upper"),
    [
        (">100000", 100000, np.inf),
        ("≥ 100 000 mPa·s", 100000, np.inf),
        ("<50", -np.inf, 50),
        ("<= 50", -np.inf, 50),
        ("50..60", 50, 60),
        ("50,5 … 60", 50.5, 60),
    ],
)
def test_censored_readings_are_kept_as_bounds(workbook, plan, readings, cell, lower, upper):
    workbook.cell(3, "viscosity (mPa·s)").value = cell
    records = read_sheet(workbook.save(), plan)
    assert records.problems.empty
    found = records.data[(records.data["run"] == 3) & (records.data["response"] == "viscosity")].iloc[0]
    assert np.isnan(found["value"])
    assert (found["lower"], found["upper"]) == (lower, upper)
    frame = records.frame("viscosity").set_index("run")
    assert frame.loc[3, ["lower", "upper"]].tolist() == [lower, upper]
    assert frame.loc[1, ["viscosity", "lower", "upper"]].tolist() == [4500, 4500, 4500]
    assert "lower" not in records.frame("pH").columns


def test_a_value_on_the_edge_of_its_scale_is_kept(workbook, plan):
    """100 % held is a reading; that a logit cannot take it is for the fit to say, not for the sheet to drop it."""
    workbook.cell(2, "held (%)").value = 100
    records = read_sheet(workbook.save(), plan)
    assert records.problems.empty
    assert wide(records).loc[2, "held"] == 100


def test_five_bad_cells_are_five_problems_at_once(workbook, plan):
    for run in range(1, 6):
        workbook.cell(run, "pH").value = f"bad {run}"
    records = read_sheet(workbook.save(), plan)
    assert len(records.problems) == 5
    assert set(records.problems["found"]) == {f"bad {run}" for run in range(1, 6)}


def test_an_edited_setting_is_shown_and_not_taken(workbook, plan, readings):
    workbook.cell(5, "polymer (%)").value = 0.45
    records = read_sheet(workbook.save(), plan)
    found = problem(records)
    assert found["cell"] == workbook.cell(5, "polymer (%)").coordinate
    assert (found["found"], found["allowed"]) == ("0.45", "polymer as planned for run 5: 0.4")
    assert "the planned setting is kept" in found["mend"]
    assert same_readings(records, readings)
    assert records.frame("pH").set_index("run").loc[5, "polymer"] == 0.4


def test_settings_of_another_run_hold_the_row_back(workbook, plan, readings):
    """Columns sorted apart from each other: nobody knows whose the readings are."""
    for factor in plan.study.factors:
        workbook.cell(1, factor.label).value = plan.runs.at[4, factor.name]
    records = read_sheet(workbook.save(), plan)
    found = problem(records, mend="those of run 4")
    assert found["cell"] == f"row {workbook.rows[1]}"
    assert same_readings(records, readings.drop(index=1))


def test_a_setting_shown_with_fewer_decimals_is_no_edit(tmp_path, open_workbook):
    study = Study("axial", [Continuous("a", 0, 1)], [Response("y")])
    plan = Plan.from_frame(study, pd.DataFrame({"a": [0.146446609, 0.5, 0.853553391]}))
    book = open_workbook(write_sheet(plan, None, tmp_path / "s.xlsx"))
    book.cell(1, "a").value = round(0.146446609, 4)
    book.cell(2, "y").value = 1.0
    assert read_sheet(book.save(), plan).problems.empty


def test_a_run_written_twice(workbook, plan, readings):
    """Rows that agree are taken once; where they differ the reading is held back; the failed one gives way to the batch made again."""
    last = workbook.sheet.max_row + 1
    for source, changes in (
        (2, {}),
        (3, {"pH": 9.0}),
        (4, {"made / failed": "failed", **dict.fromkeys(HEADS.values())}),
    ):
        for head, column in workbook.heads.items():
            value = workbook.sheet.cell(workbook.rows[source], column).value
            workbook.sheet.cell(last, column).value = changes.get(head, value)
        last += 1
    records = read_sheet(workbook.save(), plan)
    assert problem(records, found="run 2, 2 times")["cell"] == f"rows {workbook.rows[2]}, {last - 3}"
    problem(records, found="run 3, 2 times")
    assert problem(records, allowed="pH: one reading of run 3")["found"] == "5.98, 9"
    assert len(records.problems) == 3
    assert records.failed == ()
    assert same_readings(records, readings.where(~((readings.index == 3)[:, None] & (readings.columns == "pH"))))


def test_runs_that_are_missing_unknown_or_blank(workbook, plan, readings):
    workbook.cell(1, "run").value = 9
    workbook.cell(2, "run").value = None
    records = read_sheet(workbook.save(), plan)
    assert (
        problem(records, found="no row of run 1 was taken")["mend"]
        == "correct its row, or add it, blank where nothing was read"
    )
    problem(records, found="no row of run 2 was taken")
    assert problem(records, cell=workbook.sheet.cell(workbook.rows[1], 2).coordinate)["found"] == "9"
    assert "blank, in the row that says" in problem(records, found="blank")["found"]
    assert same_readings(records, readings.loc[3:])


def test_columns_unknown_missing_and_there_twice(lines, plan, readings, tmp_path, csv_text):
    above, rows = lines
    held = rows[0].index("held (%)")
    for i, row in enumerate(rows):
        row[held] = "operator" if i == 0 else "Kim"
        row.append("pH" if i == 0 else "6.9")
        row.append("" if i == 0 else ("note" if i == 1 else ""))
    path = tmp_path / "back.csv"
    path.write_text(csv_text([*above, *rows]), encoding="utf-8")
    records = read_sheet(path, plan)
    assert problem(records, found="operator")["allowed"] == "a column of this study"
    assert problem(records, found="no column for held")["mend"] == "add it if it was measured"
    assert "none of them is taken" in problem(records, found="pH")["mend"]
    assert records.data["response"].unique().tolist() == ["viscosity"]


def test_cells_beside_the_table_are_listed(workbook, plan, readings):
    beside = workbook.sheet.cell(workbook.rows[1], len(workbook.heads) + 2)
    beside.value = "check this"
    records = read_sheet(workbook.save(), plan)
    assert problem(records)[["cell", "found"]].tolist() == [beside.coordinate, "check this"]
    assert same_readings(records, readings)


def test_a_decimal_comma_that_splits_a_row_holds_the_row_back(lines, plan, readings, tmp_path, csv_text):
    above, rows = lines
    text = csv_text([*above, *rows]).replace("6.12", "6,12")
    path = tmp_path / "back.csv"
    path.write_text(text, encoding="utf-8")
    records = read_sheet(path, plan)
    assert "a decimal comma may have split a number" in problem(records, cell="row")["mend"]
    assert same_readings(records, readings.drop(index=1))


def test_a_second_sheet_with_readings_is_listed(workbook, plan, readings):
    copy = workbook.book.copy_worksheet(workbook.sheet)
    copy.title = "Measurements (2)"
    records = read_sheet(workbook.save(), plan)
    assert problem(records)["cell"] == "sheet 'Measurements (2)'"
    assert same_readings(records, readings)


def test_a_mark_that_says_neither(workbook, plan, readings):
    workbook.cell(1, "made / failed").value = "perhaps"
    records = read_sheet(workbook.save(), plan)
    assert problem(records)["allowed"] == '"made", "failed" or blank'
    assert same_readings(records, readings)


def test_readings_of_a_failed_batch_are_listed_not_taken(workbook, plan, readings):
    workbook.cell(1, "made / failed").value = "failed"
    workbook.cell(1, "reason if failed").value = "did not wet out"
    records = read_sheet(workbook.save(), plan)
    assert len(records.problems) == 3
    assert records.failed_reasons == {1: "did not wet out"}
    assert set(records.problems["mend"]) == {"not taken; clear the mark or the reading"}
    assert same_readings(records, readings.drop(index=1))
    assert records.failed == (1,)


# ---- what is refused


def test_nothing_of_another_plans_sheet_is_taken_unless_it_is_said_to_fit(workbook, plan, readings, sentence_of):
    other = Plan.from_frame(plan.study, plan.runs.assign(polymer=[0.2, 0.6, 0.2, 0.6, 0.5]))
    path = workbook.save()
    records = read_sheet(path, other)
    assert records.data.empty
    assert records.questions.values.tolist() == [
        [
            "plan fingerprint",
            plan.fingerprint,
            f"it is the sheet of another plan (this one's is {other.fingerprint}): are its runs those of this plan all the same?",
            ("same runs", "another plan"),
        ]
    ]
    assert problem(records)["mend"] == (
        "nothing is taken: load that plan, choose this one's sheet, or answer 'same runs'"
    )
    taken = read_sheet(path, other, {"plan fingerprint": "same runs"})
    assert same_readings(taken, readings)
    assert taken.questions["cell"].tolist() == [f"Measurements!{workbook.cell(5, 'polymer (%)').coordinate}"]
    assert taken.answers == {"plan fingerprint": "same runs"}
    assert read_sheet(path, other, {"plan fingerprint": "another plan"}).data.empty
    assert sentence_of(lambda: read_sheet(path, other, {"plan fingerprint": "yes"})) == (
        "answers: plan fingerprint is 'yes' but must be 'same runs' or 'another plan': choose one of them."
    )


def test_a_sheet_without_fingerprint_is_read_and_said(lines, plan, readings, tmp_path, csv_text):
    path = tmp_path / "bare.csv"
    path.write_text(csv_text(lines[1]), encoding="utf-8")
    records = read_sheet(path, plan)
    assert problem(records)["found"] == "no plan fingerprint"
    assert same_readings(records, readings)


def test_files_that_cannot_be_read(workbook, lines, plan, tmp_path, csv_text, sentence_of):
    path = workbook.save()
    cut = tmp_path / "cut.xlsx"
    cut.write_bytes(path.read_bytes()[:3000])
    mend = "it may have been cut short or be of another kind: take the last good copy and save it as .xlsx."
    assert sentence_of(lambda: read_sheet(cut, plan)) == (
        f"file '{cut}' is 'unreadable (BadZipFile)' but must be a whole .xlsx workbook: {mend}"
    )
    fake = tmp_path / "fake.xlsx"
    fake.write_text("run,pH\n1,6\n")
    assert sentence_of(lambda: read_sheet(fake, plan)) == (
        f"file '{fake}' is 'no .xlsx workbook inside' but must be a whole .xlsx workbook: {mend}"
    )
    assert sentence_of(lambda: read_sheet(tmp_path / "no.csv", plan)) == (
        f"file '{tmp_path / 'no.csv'}' is 'missing' but must be a file that exists: check the path."
    )
    empty = tmp_path / "empty.csv"
    empty.write_text(" \n")
    assert sentence_of(lambda: read_sheet(empty, plan)) == (
        f"file '{empty}' is 'empty' but must be a filled sheet: choose the file that was saved last."
    )
    old = tmp_path / "old.xls"
    old.write_bytes(b"x")
    assert sentence_of(lambda: read_sheet(old, plan)) == (
        f"file '{old}' is '.xls' but must be .xlsx or .csv: save it as one of these in the spreadsheet program."
    )
    binary = tmp_path / "binary.csv"
    binary.write_bytes(bytes(range(256)))
    assert sentence_of(lambda: read_sheet(binary, plan)) == (
        f"file '{binary}' is 'no text' but must be a .csv file of text: save it again as .csv in the spreadsheet program."
    )
    folder = tmp_path / "folder.csv"
    folder.mkdir()
    assert sentence_of(lambda: read_sheet(folder, plan)).startswith(f"file '{folder}' is 'unreadable'")
    other = tmp_path / "other.csv"
    other.write_text("a,b\n1,2\n")
    assert sentence_of(lambda: read_sheet(other, plan)) == (
        f"file '{other}' is 'without a row of known column heads' but must be a sheet with columns among run, polymer, speed, vessel, "
        "viscosity, pH, held: check that it is the right file."
    )


def test_a_csv_that_breaks_off(lines, plan, tmp_path, csv_text, sentence_of):
    text = csv_text([*lines[0], *lines[1]])
    path = tmp_path / "cut.csv"
    path.write_bytes(text[:-25].encode())
    last = len(lines[0]) + len(lines[1])
    assert sentence_of(lambda: read_sheet(path, plan)) == (
        f"file '{path}', row {last} is 'cut short' but must be a whole row: the file may have been cut off: take the last good copy."
    )
    path.write_bytes((text + '9,9,"half a remark').encode())
    assert sentence_of(lambda: read_sheet(path, plan)) == (
        f"file '{path}' is 'cut short inside a quoted cell' but must be a whole file: take the last good copy."
    )


def test_heads_that_cannot_do(lines, plan, tmp_path, csv_text, sentence_of):
    above, rows = lines
    path = tmp_path / "back.csv"

    def without(*heads):
        keep = [i for i, head in enumerate(rows[0]) if head not in heads]
        path.write_text(csv_text([*above, *[[row[i] for i in keep] for row in rows]]), encoding="utf-8")
        return path

    assert sentence_of(lambda: read_sheet(without("run", "speed (rpm)"), plan)) == (
        "'back.csv': column 'run' is 'missing' but must be there, or a column for every factor: add it, or the columns ['speed']."
    )
    assert sentence_of(lambda: read_sheet(without(*HEADS.values()), plan)) == (
        "'back.csv': response columns is 'missing' but must be there, one for every response: "
        "add ['viscosity (mPa·s)', 'pH', 'held (%)']."
    )
    assert len(read_sheet(without("run"), plan).data) == 15  # the settings say which run it is
    assert sentence_of(lambda: read_sheet(path, plan.study)) == (
        "plan is 'Study' but must be a Plan: load it with doe.designs.Plan.load, or use doe.bench.read_table."
    )


def test_an_unreadable_file_says_so(workbook, plan, monkeypatch, sentence_of):
    path = workbook.save()
    monkeypatch.setattr(
        "doe.bench.grids.read_bytes", lambda *_: (_ for _ in ()).throw(PermissionError(13, os.strerror(13)))
    )
    assert sentence_of(lambda: read_sheet(path, plan)) == (
        f"file '{path}' is 'unreadable' but must be a file that can be read: check it (Permission denied)."
    )


def test_formula_with_a_stored_result_is_taken(workbook, plan, monkeypatch):
    """A spreadsheet program stores the result beside the formula; openpyxl cannot write it, so the two readings of the file are faked."""
    workbook.cell(1, "pH").value = "=6+0.12"
    path = workbook.save()
    results = openpyxl.load_workbook(path, data_only=True)
    results["Measurements"][workbook.cell(1, "pH").coordinate].value = 6.12
    plain = openpyxl.load_workbook(path)
    monkeypatch.setattr(openpyxl, "load_workbook", lambda _file, data_only: results if data_only else plain)
    records = read_sheet(path, plan)
    assert records.problems.empty
    assert np.isclose(wide(records).loc[1, "pH"], 6.12)


def test_a_percent_typed_into_a_cell_is_what_it_shows(workbook, plan, readings):
    """Spreadsheet programs store 55 % as 0.55 in a cell of percent format."""
    for head, run in (("held (%)", 3), ("pH", 2)):
        cell = workbook.cell(run, head)
        cell.value, cell.number_format = 0.55, "0%"
    records = read_sheet(workbook.save(), plan)
    assert wide(records).loc[3, "held"] == 55
    assert problem(records)[["found", "allowed"]].tolist() == ["55 %", "pH: a number, from 0 to 14, or blank"]


def test_emptied_settings_and_changed_labels_are_listed(tmp_path, open_workbook):
    study = Study("split", [Continuous("a", 0, 1, hard_to_change=True), Continuous("b", 0, 1)], [Response("y")])
    runs = pd.DataFrame(
        {"a": [0, 0, 1, 1.0], "b": [0, 1, 0, 1.0], "whole_plot": [1, 1, 2, 2], "block": ["m", "m", "t", "t"]}
    )
    plan = Plan.from_frame(study, runs)
    book = open_workbook(write_sheet(plan, None, tmp_path / "s.xlsx"))
    for run in range(1, 5):
        book.cell(run, "y").value = run
    assert read_sheet(book.save(), plan).problems.empty
    book.cell(1, "b").value = None
    book.cell(2, "block").value = "t"
    book.cell(3, "whole plot").value = None
    book.cell(4, "order").value = "last"
    records = read_sheet(book.save(), plan)
    assert problem(records, allowed="b as planned for run 1: 0")["found"] == "blank"
    assert "the planned block is kept" in problem(records, allowed="block as planned for run 2: m")["mend"]
    assert problem(records, allowed="whole plot as planned for run 3: 2")["found"] == "blank"
    assert problem(records, allowed="the place in the order of making")["found"] == "last"
    assert len(records.problems) == 4
    assert records.frame("y")["y"].tolist() == [1, 2, 3, 4]
    assert set(records.order) == {1, 2, 3}


def test_a_path_that_is_none(plan, sentence_of):
    sentence = "path is None but must be a text or a path: say where the file is."
    assert sentence_of(lambda: read_sheet(None, plan)) == sentence
    assert sentence_of(lambda: write_sheet(plan, None, None)) == sentence
