"""Questions that a sheet leaves open: asked by cell, answered by one of their choices, and only the doubtful reading held back till then."""

import datetime

import openpyxl
import pandas as pd
import pytest

from doe.bench import Records, read_sheet, write_sheet
from doe.designs import Plan
from doe.study import Continuous, Response, Study

VISCOSITY = "viscosity (mPa·s)"


def wide(records):
    return records.data.pivot(index="run", columns="response", values="value")


def name(cell):
    return f"Measurements!{cell.coordinate}"


def test_an_ambiguous_thousands_separator_is_asked_about(workbook, plan, readings):
    cell = workbook.cell(3, VISCOSITY)
    cell.value = "12,345"
    path = workbook.save()
    records = read_sheet(path, plan)
    assert records.questions.values.tolist() == [
        [name(cell), "12,345", "viscosity: which is meant?", (12345.0, 12.345)]
    ]
    assert len(records.data) == 14
    assert len(records.problems) == 1
    assert f"Answer like answers={{'{name(cell)}': 12345.0}}" in repr(records)
    for key in (
        name(cell),
        cell.coordinate,
        f"'Measurements'!${cell.column_letter}${cell.row}",
        cell.coordinate.lower(),
    ):
        for answer, value in ((12345, 12345), ("12.345", 12.345), (12.345, 12.345)):
            answered = read_sheet(path, plan, {key: answer})
            assert wide(answered).loc[3, "viscosity"] == value
            assert answered.problems.empty
            assert answered.questions.empty
    assert answered.answers == {name(cell): 12.345}
    assert "Answered" in repr(answered)


@pytest.mark.parametrize("text", ["<12,345", "≥12,345"])
def test_a_bound_with_an_ambiguous_separator_is_asked_about(text, workbook, plan):
    cell = workbook.cell(3, VISCOSITY)
    cell.value = text
    path = workbook.save()
    records = read_sheet(path, plan)
    low, high = records.questions["choices"].iloc[0]
    assert (low, high) == (f"{text[0]}12345", f"{text[0]}12.345")
    answered = read_sheet(path, plan, {name(cell): high})
    row = answered.data[(answered.data["run"] == 3) & (answered.data["response"] == "viscosity")].iloc[0]
    assert 12.345 in (row["lower"], row["upper"])


def test_a_range_with_an_ambiguous_separator_is_asked_about(workbook, plan):
    cell = workbook.cell(3, VISCOSITY)
    cell.value = "12,345..20000"
    path = workbook.save()
    records = read_sheet(path, plan)
    assert records.questions["choices"].tolist() == [("12345..20000", "12.345..20000")]
    assert len(records.data) == 14
    row = (
        read_sheet(path, plan, {name(cell): "12345..20000"}).data.query("run == 3 and response == 'viscosity'").iloc[0]
    )
    assert (row["lower"], row["upper"]) == (12345, 20000)


@pytest.mark.parametrize(
    ("date", "choices"),
    [
        (datetime.datetime(2026, 6, 5), (5.6, 6.5, "5..6")),
        (datetime.datetime(2026, 5, 6), (6.5, 5.6, "5..6")),
        (datetime.datetime(1945, 3, 1), (1.3, 3.1, 3.45, "1..3")),
        (datetime.datetime(2026, 10, 12), (12.1, 10.12, "10..12")),
    ],
)
def test_a_date_in_place_of_a_reading_is_asked_about(date, choices, workbook, plan):
    cell = workbook.cell(2, "pH")
    cell.value = date
    path = workbook.save()
    records = read_sheet(path, plan)
    assert records.questions[["cell", "question", "choices"]].values.tolist() == [
        [name(cell), "pH: what was typed here before a date was made of it?", choices]
    ]
    assert wide(read_sheet(path, plan, {name(cell): choices[1]})).loc[2, "pH"] == choices[1]
    ranged = read_sheet(path, plan, {name(cell): choices[-1]}).data
    row = ranged[(ranged["run"] == 2) & (ranged["response"] == "pH")].iloc[0]
    assert f"{row['lower']:g}..{row['upper']:g}" == choices[-1]
    other = read_sheet(path, plan, {name(cell): "5,61"})  # what was typed is known to whoever typed it
    assert wide(other).loc[2, "pH"] == 5.61


def test_a_choice_that_cannot_be_is_not_offered(workbook, plan):
    """3.45 became 1 March 1945; of a held percentage all are possible, of a score none would be."""
    study = Study("scores", [Continuous("a", 0, 1)], [Response("feel", scale=(1, 5))])
    scored = Plan.from_frame(study, pd.DataFrame({"a": [0.0, 1.0]}))
    records = Records.from_frame(pd.DataFrame({"run": [1, 2], "feel": [datetime.datetime(2026, 5, 6), 3]}), scored)
    assert records.questions.empty
    assert records.problems["allowed"].tolist() == ["feel: a whole score from 1 to 5, or blank"]


def test_an_edited_setting_is_taken_only_when_confirmed(workbook, plan):
    cell = workbook.cell(5, "polymer (%)")
    cell.value = 0.45
    path = workbook.save()
    records = read_sheet(path, plan)
    assert records.as_made is None
    assert records.questions.values.tolist() == [
        [
            name(cell),
            "0.45",
            "was run 5 made at polymer 0.45 % instead of the planned 0.4 %?",
            ("as made", "as planned"),
        ]
    ]
    confirmed = read_sheet(path, plan, {name(cell): "As made"})
    assert confirmed.as_made["polymer"].tolist() == [0.2, 0.6, 0.2, 0.6, 0.45]
    assert confirmed.problems.empty
    refuted = read_sheet(path, plan, {name(cell): "as planned"})
    assert refuted.as_made is None
    assert refuted.problems.empty
    assert confirmed.frame("pH")["polymer"].tolist() == plan.runs["polymer"].tolist()


def test_an_edited_level_must_be_one_of_the_factor(workbook, plan):
    workbook.cell(1, "vessel").value = "sqare"
    records = read_sheet(workbook.save(), plan)
    assert records.questions.empty
    assert records.problems.iloc[0][["found", "allowed", "mend"]].tolist() == [
        "sqare",
        "one of -round, square",
        "the planned setting is kept; did you mean 'square'?",
    ]


def doubled(workbook, run, **changes):
    """A second row of a run, with some cells changed."""
    last = workbook.sheet.max_row + 1
    for head, column in workbook.heads.items():
        value = workbook.sheet.cell(workbook.rows[run], column).value
        workbook.sheet.cell(last, column).value = changes.get(head, value)
    return workbook.sheet.cell(last, workbook.heads["run"])


def test_a_second_row_is_the_same_batch_or_another_by_the_users_word(workbook, plan, sentence_of):
    cell = doubled(workbook, 3, pH=6.0)
    path = workbook.save()
    records = read_sheet(path, plan)
    assert records.questions.values.tolist() == [
        [
            name(cell),
            f"run 3 in rows {workbook.rows[3]}, {cell.row}",
            f"is row {cell.row} the same batch of run 3 read again, or the run made again?",
            ("read again", "made again", "leave out"),
        ]
    ]
    assert "pH" not in records.data[records.data["run"] == 3]["response"].tolist()

    again = read_sheet(path, plan, {name(cell): "read again"})
    assert again.frame("pH").set_index("run").loc[3, ["pH", "readings"]].tolist() == [5.99, 2]
    assert again.problems.empty

    anew = read_sheet(path, plan, {name(cell): "made again"})
    frame = anew.frame("pH")
    assert frame[frame["run"] == 3][["batch", "pH", "readings"]].values.tolist() == [
        [3, 5.98, 1],
        ["3 made again", 6.0, 1],
    ]
    assert anew.problems.empty
    assert len(anew.data) == 18

    once = read_sheet(path, plan, {name(cell): "leave out"})
    assert wide(once).loc[3, "pH"] == 5.98
    assert once.problems.empty
    assert sentence_of(lambda: read_sheet(path, plan, {name(cell): "both"})) == (
        f"answers: {name(cell)} is 'both' but must be 'read again', 'made again' or 'leave out': choose one of them."
    )


@pytest.mark.parametrize(("word", "batches", "counts"), [("read again", 1, [2]), ("Made again", 2, [1, 1])])
def test_the_sheets_own_column_answers(word, batches, counts, workbook, plan):
    doubled(workbook, 3, **{"pH": 6.0, "same batch read again, or made again?": word})
    records = read_sheet(workbook.save(), plan)
    assert records.questions.empty
    assert records.problems.empty
    frame = records.frame("pH")
    assert frame[frame["run"] == 3]["readings"].tolist() == counts
    assert records.data[records.data["run"] == 3]["batch"].nunique() == batches


def test_a_word_that_says_neither_is_listed(workbook, plan):
    workbook.cell(3, "same batch read again, or made again?").value = "perhaps"
    records = read_sheet(workbook.save(), plan)
    assert records.problems[["found", "allowed"]].values.tolist() == [
        ["perhaps", '"read again", "made again" or blank']
    ]


def test_a_date_of_two_readings_is_asked_about(kept_plan):
    table = pd.DataFrame({"run": [1, 2], "pH": [6, 6], "finished at": ["03/04/2026 14:30", "13/04/2026"]})
    records = Records.from_frame(table, kept_plan)
    assert records.made_at == {2: datetime.datetime(2026, 4, 13)}
    assert records.questions.values.tolist() == [
        [
            "table!row 0, column 'finished at'",
            "03/04/2026 14:30",
            "finished at: which day is meant?",
            ("2026-04-03 14:30", "2026-03-04 14:30"),
        ]
    ]
    answered = Records.from_frame(table, kept_plan, {"row 0, column 'finished at'": "2026-03-04 14:30"})
    assert answered.made_at[1] == datetime.datetime(2026, 3, 4, 14, 30)


@pytest.mark.parametrize(
    ("cell", "moment"),
    [
        (datetime.date(2026, 4, 3), datetime.datetime(2026, 4, 3)),
        (46115.25, datetime.datetime(2026, 4, 3, 6)),
        ("3.4.26", datetime.datetime(2026, 4, 3)),
        ("2026-04-03T06:00", datetime.datetime(2026, 4, 3, 6)),
        ("2026-04-03 06:00 pm", datetime.datetime(2026, 4, 3, 18)),
        ("4/13/2026", datetime.datetime(2026, 4, 13)),
        ("4/4/2026", datetime.datetime(2026, 4, 4)),
    ],
)
def test_dates_as_they_come(cell, moment, kept_plan):
    table = pd.DataFrame({"run": [1], "pH": [6], "finished at": [cell]}).astype({"finished at": object})
    assert Records.from_frame(table, kept_plan).made_at == {1: moment}


@pytest.mark.parametrize("cell", ["yesterday", "31.2.2026", 12, "25:00", True])
def test_what_is_no_date_is_listed(cell, kept_plan):
    table = pd.DataFrame({"run": [1], "pH": [6], "finished at": [cell]}).astype({"finished at": object})
    records = Records.from_frame(table, kept_plan)
    assert records.made_at == {}
    listed = records.problems[records.problems["cell"] == "row 0, column 'finished at'"]
    assert listed[["allowed", "mend"]].values.tolist() == [
        [
            "finished at: a date, with the time of day if known, such as 2026-03-31 14:30, or blank",
            "write it like 2026-03-31 14:30",
        ]
    ]


def test_several_answers_and_the_plan_table_of_questions(workbook, plan):
    cells = [workbook.cell(run, VISCOSITY) for run in (1, 2)]
    for cell in cells:
        cell.value = "12,345"
    path = workbook.save()
    questions = read_sheet(path, plan).questions
    answers = {cell: choices[0] for cell, choices in zip(questions["cell"], questions["choices"], strict=True)}
    records = read_sheet(path, plan, answers)
    assert wide(records).loc[[1, 2], "viscosity"].tolist() == [12345, 12345]
    partly = read_sheet(path, plan, {name(cells[0]): 12.345})
    assert partly.questions["cell"].tolist() == [name(cells[1])]
    assert wide(partly)["viscosity"].tolist()[0] == 12.345


def test_answers_that_fit_nothing_are_refused(workbook, plan, sentence_of):
    path = workbook.save()
    assert sentence_of(lambda: read_sheet(path, plan, {"F12": 5})) == (
        "answers: cell is 'F12' but must be left out, as no question is open: "
        "leave it out: the sheet may have been corrected since."
    )
    assert sentence_of(lambda: read_sheet(path, plan, [("F12", 5)])) == (
        "answers is [('F12', 5)] but must be a mapping from cell to answer: write {\"Measurements!F12\": 12345}."
    )
    cell = workbook.cell(1, VISCOSITY)
    cell.value = "12,345"
    workbook.save()
    assert sentence_of(lambda: read_sheet(path, plan, {"Measurements!F99": 12345})) == (
        f"answers: cell is 'Measurements!F99' but must be one with an open question: {name(cell)}: "
        f"did you mean '{name(cell)}'?"
    )
    assert sentence_of(lambda: read_sheet(path, plan, {name(cell): 123})) == (
        f"answers: {name(cell)} is 123 but must be 12345 or 12.345: choose one of them."
    )
    assert sentence_of(lambda: read_sheet(path, plan, {name(cell): 12345, cell.coordinate: 12.345})) == (
        f"answers: cell is '{cell.coordinate}' but must be there once: leave one of the two out."
    )
    cell.value = datetime.datetime(2026, 5, 6)
    workbook.save()
    assert sentence_of(lambda: read_sheet(path, plan, {name(cell): "thick"})) == (
        f"answers: {name(cell)} is 'thick' but must be 6.5, 5.6 or '5..6', or another reading: choose one of them."
    )


def test_a_renamed_sheet_keeps_its_questions(workbook, plan):
    workbook.sheet.title = "Kim's readings"
    cell = workbook.cell(1, VISCOSITY)
    cell.value = "12,345"
    path = workbook.save()
    records = read_sheet(path, plan)
    assert records.questions["cell"].tolist() == [f"Kim's readings!{cell.coordinate}"]
    assert wide(read_sheet(path, plan, {cell.coordinate: 12345})).loc[1, "viscosity"] == 12345


def test_a_csv_asks_by_the_same_places(lines, plan, tmp_path, csv_text):
    above, rows = lines
    rows = [list(row) for row in rows]
    at = rows[0].index(VISCOSITY)
    rows[1][at] = "12,345"
    path = tmp_path / "back.csv"
    path.write_text(csv_text([*above, *rows]), encoding="utf-8")
    cell = f"{openpyxl.utils.get_column_letter(at + 1)}{len(above) + 2}"
    records = read_sheet(path, plan)
    assert records.questions["cell"].tolist() == [f"back.csv!{cell}"]
    run = int(rows[1][1])
    assert wide(read_sheet(path, plan, {cell: 12345})).loc[run, "viscosity"] == 12345


def test_only_its_own_column_settles_what_a_typed_text_means(workbook, plan):
    """Someone else may have typed the pH with a decimal comma: of a viscosity 12,345 that says nothing, of another pH it does."""
    viscosity = workbook.cell(3, VISCOSITY)
    viscosity.value = "12,345"
    workbook.cell(3, "pH").value = "6,125"
    path = workbook.save()
    assert len(read_sheet(path, plan).questions) == 2
    workbook.cell(1, "pH").value = "6,12"
    workbook.save()
    records = read_sheet(path, plan)
    assert records.questions["cell"].tolist() == [name(viscosity)]
    assert wide(records).loc[3, "pH"] == 6.125
    viscosity.value = "12.345"  # a text, not a number: as open as the other
    workbook.save()
    assert read_sheet(path, plan).questions["choices"].tolist() == [(12345.0, 12.345)]


def test_a_setting_that_reads_in_two_ways_is_the_planned_one_if_it_can_be(tmp_path, open_workbook):
    study = Study("fast", [Continuous("speed", 1000, 3000, "rpm")], [Response("y")])
    plan = Plan.from_frame(study, pd.DataFrame({"speed": [1000.0, 3000, 2000]}))
    book = open_workbook(write_sheet(plan, None, tmp_path / "s.xlsx"))
    book.cell(1, "speed (rpm)").value = "1,000"
    book.cell(2, "y").value = 1
    records = read_sheet(book.save(), plan)
    assert records.problems.empty
    assert records.as_made is None
