"""The page for readings with instruments: written, filled in, damaged and read back; methods stay apart, nothing is lost."""

import shutil
import subprocess

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from doe.bench import read_instruments, read_sheet, with_instruments, write_sheet
from doe.bench.grids import letters
from doe.bench.instrument_columns import COLUMNS, INSTRUMENTS
from doe.bench.pages import batch_code
from doe.designs import Plan
from doe.study import Continuous, Response, Study

KEYS = {c.key: place for place, c in enumerate(COLUMNS, start=1)}
GEL = {"response": "viscosity", "spindle": 4, "speed": 20, "torque": 50, "temperature": 25.0, "seconds": 60}


@pytest.fixture(scope="module")
def plan():
    study = Study(
        "small gel (invented)",
        [Continuous("polymer", 0.2, 0.6, "%")],
        [
            Response("viscosity", "mPa·s", transform="log", decimals=0),
            Response("pH", decimals=2),
            Response("droplet size", "µm", transform="log", times=("24 h", "4 wk"), conditions=("25 °C", "40 °C")),
            Response("thinning", formula="viscosity / 2"),
        ],
    )
    return Plan.from_frame(study, pd.DataFrame({"polymer": [0.2, 0.4, 0.6]}))


@pytest.fixture(scope="module")
def empty(plan, tmp_path_factory):
    return write_sheet(plan, None, tmp_path_factory.mktemp("page") / "sheet.xlsx", seed=3, instruments=True)


@pytest.fixture
def filled(empty, tmp_path):
    """Writes rows (mappings of column key to cell) on the page and gives the file."""

    def fill(*rows, change=None):
        book = openpyxl.load_workbook(empty)
        sheet = book[INSTRUMENTS]
        for number, row in enumerate(rows, start=9):
            for key, value in row.items():
                sheet.cell(number, KEYS[key]).value = value
        if change:
            change(book)
        path = tmp_path / "filled.xlsx"
        book.save(path)
        return path

    return fill


def problem(found, place=0):
    return found.problems.iloc[place][["cell", "found", "allowed", "mend"]].tolist()


# ---- the page


def test_the_page_is_there_only_when_asked_for(plan, empty, tmp_path):
    assert INSTRUMENTS in openpyxl.load_workbook(empty).sheetnames
    plain = write_sheet(plan, None, tmp_path / "plain.xlsx", seed=3)
    assert INSTRUMENTS not in openpyxl.load_workbook(plain).sheetnames


def test_heads_carry_units_cells_are_checked_and_panes_frozen(plan, empty):
    book = openpyxl.load_workbook(empty)
    sheet = book[INSTRUMENTS]
    heads = [c.value for c in sheet[8]]
    assert heads == [c.head for c in COLUMNS]
    assert {"sample temperature (°C)", "speed (rpm)", "torque (%)", "seconds before reading (s)", "d32 (µm)"} <= set(
        heads
    )
    assert sheet.freeze_panes == "C9"
    assert f"Plan fingerprint: {plan.fingerprint}" in sheet["A2"].value
    assert sheet["A4"].value.startswith("Reading: viscosity in mPa·s; pH without a unit; droplet size in µm.")
    assert sheet.protection.sheet
    assert sheet["A8"].protection.locked
    assert not sheet["F9"].protection.locked
    rules = {str(r.sqref).split(":")[0]: r for r in sheet.data_validations.dataValidation}
    lists = book["Lists"]
    assert lists.sheet_state == "hidden"
    assert rules["A9"].formula1 == "'Lists'!$A$1:$A$3"
    assert [c.value for c in lists["A"]] == [batch_code(plan, run) for run in (1, 2, 3)]
    assert [c.value for c in lists["B"]] == ["viscosity", "pH", "droplet size"]  # what is worked out is not read
    assert [c.value for c in lists["C"]][:2] == ["24 h", "4 wk"]
    assert (rules["K9"].type, rules["K9"].formula1, rules["K9"].errorStyle) == ("decimal", "0", "stop")
    assert rules["F9"].errorStyle == "warning"  # ">100000" is a reading


def test_an_empty_page_gives_nothing_and_troubles_nobody(plan, empty):
    found = read_instruments(empty, plan)
    assert found.data.empty
    assert found.problems.empty
    assert found.records_rows().empty
    assert read_sheet(empty, plan).problems.empty


# ---- readings


def test_a_viscosity_by_a_single_method_is_taken(plan, filled):
    path = filled({**GEL, "batch": batch_code(plan, 2), "reading": 12_000}, {**GEL, "batch": 3, "reading": "15 500"})
    found = read_instruments(path, plan)
    assert found.problems.empty
    rows = found.records_rows()
    assert rows.columns.tolist() == [
        *("run", "batch", "replicate", "time", "condition", "response", "value", "lower", "upper", "cell")
    ]
    assert rows.to_numpy().tolist() == [
        [2, 2, 1, "", "", "viscosity", 12000, 12000, 12000, "F9"],
        [3, 3, 1, "", "", "viscosity", 15500, 15500, 15500, "F10"],
    ]
    assert found.chosen == {"viscosity": ("spindle 4, 20 rpm",)}
    row = found.data.iloc[0]
    assert row[["spindle", "speed", "torque", "temperature", "seconds"]].tolist() == ["4", 20, 50, 25, 60]


def test_several_methods_are_asked_about_and_pooled_only_by_an_explicit_word(plan, filled):
    rows = [
        {**GEL, "batch": 1, "reading": 12_000},
        {**GEL, "batch": 1, "reading": 20_000, "speed": 10},
        {**GEL, "batch": 2, "reading": 9_000, "spindle": "5"},
    ]
    path = filled(*rows)
    asked = read_instruments(path, plan)
    assert asked.records_rows().empty
    assert problem(asked) == [
        "",
        "viscosity read by 3 methods: spindle 4, 20 rpm (1 readings), spindle 4, 10 rpm (1 readings), spindle 5, 20 rpm (1 readings)",
        "one method that stands for the response, or several pooled by an explicit word",
        "none is taken until it is said: method={'viscosity': 'spindle 4, 20 rpm'}",
    ]
    for word in (("spindle 4", 20), (4, 20), "Spindle 4, 20 rpm"):
        one = read_instruments(path, plan, method={"viscosity": word})
        assert one.records_rows()["value"].tolist() == [12_000]
        assert one.problems.empty
    pooled = read_instruments(path, plan, method={"viscosity": [("4", 20), ("4", 10), ("5", 20)]})
    assert pooled.records_rows()[["run", "replicate", "value"]].to_numpy().tolist() == [
        [1, 1, 12000],
        [1, 2, 20000],
        [2, 1, 9000],
    ]
    assert pooled.methods["stands for the response"].tolist() == ["yes"] * 3


def test_torque_out_of_range_is_kept_flagged_and_not_valid(plan, filled):
    """10 to 100 % of full scale: instrument practice. At full scale the viscosity is above what the instrument then shows: 12,000 at 110 %
    is 12,000 × 100/110 at 100 % (computed here)."""
    path = filled(
        {**GEL, "batch": 1, "reading": 500, "torque": 9.9},
        {**GEL, "batch": 1, "reading": 501, "torque": "<10"},
        {**GEL, "batch": 2, "reading": 12_000, "torque": 110},
        {**GEL, "batch": 2, "reading": 10_000, "torque": 100},
        {**GEL, "batch": 3, "reading": 10_000, "torque": ">100"},
        {**GEL, "batch": 3, "reading": ">10000", "torque": None},
        {**GEL, "batch": 3, "reading": 600, "torque": 10},
    )
    found = read_instruments(path, plan)
    assert found.data["valid"].tolist() == [False, False, True, True, True, True, True]
    assert found.data["flags"].tolist()[:3] == [
        "torque 9.9 %, below 10 %: not valid",
        "torque below 10 %, below 10 %: not valid",
        "torque 110 %: full scale, so the viscosity is above 10909",
    ]
    rows = found.records_rows()
    assert rows["run"].tolist() == [2, 2, 3, 3, 3]
    assert rows["lower"].tolist() == pytest.approx([12_000 / 1.1, 10_000, 10_000, 10_000, 600])
    assert rows["upper"].tolist() == [np.inf] * 4 + [600]
    assert rows["value"].isna().tolist() == [True] * 4 + [False]
    wider = read_instruments(path, plan, torque=(5, 100))
    assert wider.data["valid"].tolist() == [True, False, True, True, True, True, True]
    assert "Flagged (5)" in repr(found)


def test_torque_that_was_not_written_down_is_missed(plan, filled):
    found = read_instruments(filled({**GEL, "batch": 1, "reading": 900, "torque": None}), plan)
    assert problem(found) == [
        "F9",
        "viscosity: no torque in 1 of 1 readings",
        "a torque in %",
        "kept, but nobody can tell whether they were within the instrument's range; fill it in",
    ]
    assert len(found.records_rows()) == 1


def test_hold_time_and_temperature_outside_are_kept_and_flagged(plan, filled):
    path = filled(
        {**GEL, "batch": 1, "reading": 900},
        {**GEL, "batch": 2, "reading": 950, "seconds": 70, "temperature": 26},
        {**GEL, "batch": 3, "reading": 980, "seconds": None, "temperature": None},
    )
    assert (read_instruments(path, plan).data["flags"] == "").all()
    found = read_instruments(path, plan, hold={"viscosity": (55, 65)}, temperature={"viscosity": (24.5, 25.5)})
    assert found.data["flags"].tolist() == [
        "",
        "70 s before reading, outside 55 to 65; 26 °C, outside 24.5 to 25.5",
        "seconds before reading not given; sample temperature not given",
    ]
    assert found.records_rows()["value"].tolist() == [900, 950, 980]  # as read: nothing is corrected for temperature


def test_a_diluted_ph_is_another_method(plan, filled):
    row = {"response": "pH", "temperature": 22.0}
    path = filled(
        {**row, "batch": 1, "reading": "6,05", "read_as": "direct"},
        {**row, "batch": 2, "reading": 6.2, "read_as": "diluted"},
        {**row, "batch": 3, "reading": 6.3, "read_as": "5 %"},
    )
    found = read_instruments(path, plan)
    assert found.data["method"].tolist() == ["direct", "diluted to 10 %", "diluted to 5 %"]
    assert found.data["flags"].tolist() == [
        "",
        "diluted to 10 %: another method than in the gel",
        "diluted to 5 %: another method than in the gel",
    ]
    assert found.records_rows().empty
    one = read_instruments(path, plan, method={"pH": "direct"}).records_rows()
    assert one["value"].tolist() == [6.05]


def test_droplet_figures_and_files(plan, filled, tmp_path):
    (tmp_path / "d.csv").write_text("diameter\n1\n2\n3\nblurred\n", encoding="utf-8")
    row = {"response": "droplet size", "time": "4 weeks", "condition": "40 °C"}
    path = filled(
        {**row, "batch": 1, "count": 150, "d32": 40, "median": 30, "weighted": "number"},
        {**row, "batch": 2, "file": "d.csv"},
    )
    found = read_instruments(path, plan, method={"droplet size": "d32"})
    rows = found.records_rows()
    assert rows["value"].tolist() == pytest.approx([40, 36 / 14])
    assert rows[["time", "condition"]].drop_duplicates().to_numpy().tolist() == [["4 wk", "40 °C"]]
    assert set(found.data.loc[found.data["run"] == 2, "method"]) == {
        *("d32", "d43", "mean by number", "median by number", "d10 by number", "d90 by number"),
        *("median by volume", "d10 by volume", "d90 by volume"),
    }
    assert found.data["flags"].iloc[0] == "150 droplets counted, 200 to 300 are usual"
    assert found.droplets["S10"].count == 3
    assert problem(found)[:2] == ["d.csv, A5", "blurred"]


def test_readings_are_numbered_and_doubles_are_not_counted_twice(plan, filled):
    row = {**GEL, "batch": 1}
    path = filled(
        {**row, "reading": 900},
        {**row, "reading": 910},
        {**row, "reading": 920, "replicate": 1},
        {**row, "reading": 920, "replicate": 1},
        {**row, "reading": 930, "replicate": 3},
        {**row, "reading": 940, "replicate": 3},
    )
    found = read_instruments(path, plan)
    assert found.data[["value", "replicate"]].to_numpy().tolist() == [[900, 2], [910, 4], [920, 1]]
    assert problem(found) == [
        "F11, F12",
        "viscosity, run 1, spindle 4, 20 rpm, replicate 1, 2 times",
        "each reading once",
        "taken once; delete the row not needed",
    ]
    assert problem(found, 1)[3] == "none is taken; number them, or delete the row not meant"


def test_the_flow_curve_of_a_sample(plan, filled):
    """Computed here: an exact power law with n = 0.3 comes back."""
    speeds = (5, 10, 20, 50)
    rows = [{**GEL, "batch": 2, "speed": s, "reading": 30_000 * s**-0.7} for s in speeds]
    found = read_instruments(filled(*rows, {**GEL, "batch": 2, "speed": 1, "reading": 999, "torque": 3}), plan)
    curve = found.flow_curve(2, "viscosity")
    assert curve.index == pytest.approx(0.3)
    assert curve.data["speed (rpm)"].tolist() == list(speeds)  # not the reading at 3 % torque
    assert np.isfinite(found.flow_curve(2, "viscosity", rate_per_rpm=0.2).consistency)
    assert found.flow_curve(2, "viscosity", spindle=4, level=0.9).level == 0.9


# ---- what is in doubt


@pytest.mark.parametrize(
    ("row", "listed"),
    [
        (
            {**GEL, "batch": "2x", "reading": 900},
            [
                "A9",
                "2x",
                "a batch code of this plan (CODE-1 to CODE-3) or a run number",
                "the row is not taken; correct it",
            ],
        ),
        (
            {**GEL, "batch": 1, "reading": 900, "response": "viscosty"},
            ["B9", "viscosty", "one of viscosity, pH, droplet size", "the row is not taken; did you mean 'viscosity'?"],
        ),
        (
            {**GEL, "batch": 1, "reading": 900, "response": "thinning"},
            [
                *("B9", "thinning", "one of viscosity, pH, droplet size"),
                "the row is not taken; known names are 'viscosity', 'pH', 'droplet size'",
            ],
        ),
        (
            {"batch": 1, "response": "droplet size", "d32": 40, "time": "4 wk"},
            ["D9", "blank", "droplet size: one of 25 °C, 40 °C", "the row is not taken; say which condition"],
        ),
        (
            {"batch": 1, "response": "droplet size", "d32": 40, "time": "8 wk", "condition": "25 °C"},
            ["C9", "8 wk", "droplet size: one of 24 h, 4 wk", "the row is not taken; did you mean '4 wk'?"],
        ),
        (
            {**GEL, "batch": 1, "reading": "thick"},
            [
                *("F9", "thick", "viscosity: a number in mPa·s"),
                "not taken; type the number, or leave the cell blank and say why in the remark",
            ],
        ),
        (
            {**GEL, "batch": 1, "reading": 0},
            ["F9", "0", "viscosity: a number in mPa·s above 0", "not taken; correct the reading"],
        ),
        (
            {**GEL, "batch": 1},
            [
                *("F9", "blank", "viscosity: a number in mPa·s"),
                "not taken; write what the instrument showed, or its full scale as “>100000”; if nothing was read, say so as a remark",
            ],
        ),
        (
            {**GEL, "batch": 1, "reading": 900, "read_as": "direct"},
            ["row 9", "columns of pH and viscosity", "the columns of one instrument", "not taken; a row a reading"],
        ),
        (
            {**GEL, "batch": 1, "reading": 900, "speed": "fast"},
            [
                *("I9", "fast", "speed: a number in rpm from 0.001 to 100,000, or blank"),
                "not taken; type the number, or leave the cell blank and say why in the remark",
            ],
        ),
        (
            {**GEL, "batch": 1, "reading": 900, "replicate": 1.5},
            ["E9", "1.5", "replicate: a whole number from 1 to 999, or blank", "the row is not taken; correct it"],
        ),
        (
            {"batch": 1, "response": "pH", "reading": 61, "read_as": "direct"},
            ["F9", "61", "pH: a number from 0 to 14", "not taken; correct the reading"],
        ),
        (
            {"batch": 1, "response": "pH", "reading": 6.1, "read_as": "stirred"},
            [
                "L9",
                "stirred",
                "“direct” or “diluted to 10 %” (or another percentage)",
                "not taken; say how the pH was read",
            ],
        ),
        (
            {"batch": 1, "response": "droplet size[24 h, 25 °C]", "median": 40, "d90": 30, "weighted": "volume"},
            [
                *("row 9", "median 40, d90 30", "d10, median and d90 in ascending order"),
                "not taken; correct them, or say by what each is weighted",
            ],
        ),
        (
            {"batch": 1, "response": "droplet size[24 h, 25 °C]", "file": "lost.csv"},
            [
                *("S9", "lost.csv", "the name of a file of diameters that can be read"),
                "not taken; 'FOLDER/lost.csv' is missing: check the path",
            ],
        ),
    ],
)
def test_what_is_in_doubt_is_not_taken_but_listed(plan, filled, tmp_path, row, listed):
    found = read_instruments(filled(row), plan)
    code = batch_code(plan, 1)[:4]
    assert problem(found) == [t.replace("CODE", code).replace("FOLDER", str(tmp_path)) for t in listed]
    assert found.data.empty


@pytest.mark.parametrize(
    ("row", "listed"),
    [
        (
            {**GEL, "batch": 1, "reading": 900, "temperature": "warm"},
            [
                *("G9", "warm", "sample temperature: a number in °C from -40 to 150, or blank"),
                "kept without it; type the number, or leave the cell blank and say why in the remark",
            ],
        ),
        (
            {**GEL, "batch": 1, "reading": 900, "torque": 900},
            [
                *("J9", "900", "torque: a number in % from 0 to 200, “>100” or “<10”, or blank"),
                "the reading is kept without it; correct it",
            ],
        ),
        (
            {**GEL, "batch": 1, "reading": 900, "spindle": None},
            ["H9", "blank", "spindle, as it was read", "kept as a method of its own; fill it in"],
        ),
        (
            {"batch": 1, "response": "droplet size[24 h, 25 °C]", "median": 40, "count": 300},
            ["R9", "blank", "“number” or “volume”", "kept as a method of its own; say by what the droplets count"],
        ),
    ],
)
def test_what_is_in_doubt_beside_a_reading_leaves_the_reading(plan, filled, row, listed):
    found = read_instruments(filled(row), plan)
    assert problem(found) == listed
    assert len(found.records_rows()) == 1


def test_a_renamed_page_extra_and_repeated_columns(plan, filled):
    def change(book):
        sheet = book[INSTRUMENTS]
        sheet.title = "visc"
        sheet.cell(8, 21).value = "weather"
        sheet.cell(9, 21).value = "rain"
        sheet.cell(8, 22).value = "torque (%)"
        sheet.cell(9, 23).value = "stray"

    path = filled({**GEL, "batch": 1, "reading": 900}, change=change)
    found = read_instruments(path, plan)
    assert len(found.records_rows()) == 1
    assert found.problems[["sheet", "cell", "found"]].to_numpy().tolist() == [
        ["visc", "column U", "weather"],
        ["visc", "column V", "torque (%)"],
        ["visc", "W9", "stray"],
    ]
    records = read_sheet(path, plan)
    assert records.problems.equals(found.problems)
    assert records.data["cell"].tolist() == ["visc!F9"]


# ---- joining the records


def test_records_are_joined(plan, filled):
    def change(book):
        runs = book["Measurements"]
        heads = {c.value: c.column for c in runs[4]}
        at = {runs.cell(r, 2).value: r for r in (5, 6, 7)}
        runs.cell(at[1], heads["viscosity (mPa·s)"]).value = 905  # the mean of the two below
        runs.cell(at[2], heads["viscosity (mPa·s)"]).value = 1000  # something else than on the page
        runs.cell(at[3], heads["pH"]).value = 6.1

    path = filled(
        {**GEL, "batch": 1, "reading": 900},
        {**GEL, "batch": 1, "reading": 910},
        {**GEL, "batch": 2, "reading": 950, "remark": "foam on top"},
        {**GEL, "batch": 3, "reading": 990},
        change=change,
    )
    joined = read_sheet(path, plan)
    assert joined.questions.empty
    assert joined.data[["run", "response", "value"]].to_numpy().tolist() == [
        [1, "viscosity", 900],
        [1, "viscosity", 910],
        [2, "viscosity", 1000],
        [3, "viscosity", 990],
        [3, "pH", 6.1],
    ]
    assert joined.problems.to_dict("records") == [
        {
            "sheet": "Instrument readings",
            "cell": "F11",
            "found": "viscosity of run 2 read otherwise than in "
            + joined.data.iloc[2]["cell"]
            + " of the page Measurements",
            "allowed": "the same on both pages, or on one of them",
            "mend": "the reading of the page Measurements is taken; correct or clear one of them",
        }
    ]
    assert joined.remarks.to_numpy().tolist() == [[2, 2, "foam on top"]]
    assert joined.data["cell"].tolist()[:2] == ["Instrument readings!F9", "Instrument readings!F10"]
    assert joined.frame("viscosity")["readings"].tolist() == [2, 1, 1]
    again = with_instruments(joined, read_instruments(path, plan))  # what is joined already is not doubled
    assert again.data.equals(joined.data)
    assert again.problems.equals(joined.problems)
    assert again.remarks.equals(joined.remarks)


def test_which_method_stands_is_asked(plan, filled, sentence_of):
    path = filled(
        {**GEL, "batch": 1, "reading": 900},
        {**GEL, "batch": 2, "reading": 950},
        {**GEL, "batch": 2, "reading": 700, "speed": 50},
        {"batch": 1, "response": "pH", "reading": 6.1, "read_as": "direct"},
    )
    records = read_sheet(path, plan)
    assert records.data["response"].tolist() == ["pH"]  # read by one method; the other waits for the answer
    ask = records.questions.to_dict("records")
    first = f"spindle {GEL['spindle']}, {GEL['speed']} rpm"
    other = f"spindle {GEL['spindle']}, 50 rpm"
    assert ask == [
        {
            "cell": "Instrument readings!viscosity",
            "found": f"{first} (2 readings), {other} (1 readings)",
            "question": "viscosity was read by 2 methods: which of them stands for it?",
            "choices": (first, other, "all of them pooled"),
        }
    ]
    for answer, values in ((first, [900, 950]), (other, [700]), ("all of them pooled", [900, 950, 700])):
        told = read_sheet(path, plan, {"Instrument readings!viscosity": answer})
        assert told.questions.empty
        assert told.data.loc[told.data["response"] == "viscosity", "value"].tolist() == values
    assert told.data["replicate"].tolist() == [1, 1, 1, 2]
    joined = with_instruments(records, read_instruments(path, plan, method={"viscosity": other}))
    assert joined.questions.empty
    assert joined.data["value"].tolist() == [6.1, 700]
    assert sentence_of(lambda: read_sheet(path, plan, {"Instrument readings!viscosity": "spindle 9"})) == (
        f"answers: Instrument readings!viscosity is 'spindle 9' but must be {first!r}, {other!r} or 'all of them pooled': choose one of "
        "them."
    )


def test_a_number_in_doubt_is_asked_about(plan, filled):
    path = filled({**GEL, "batch": 1, "reading": "12,345"})
    records = read_sheet(path, plan)
    assert records.data.empty
    assert records.questions["cell"].tolist() == ["Instrument readings!F9"]
    assert records.questions["choices"].tolist() == [(12345.0, 12.345)]
    told = read_sheet(path, plan, {"Instrument readings!F9": 12345})
    assert told.data["value"].tolist() == [12345]
    assert told.problems.empty


def test_flagged_readings_are_listed(plan, filled, sentence_of):
    path = filled(
        {**GEL, "batch": 1, "reading": 900},
        {**GEL, "batch": 2, "reading": 950, "seconds": 70, "temperature": 26},
        {**GEL, "batch": 3, "reading": 980, "torque": 4},
    )
    torque = ["F11", "viscosity of run 3: torque 4 %, below 10 %: not valid"]
    torque += ["within the instrument's range", "kept on its page, but not taken"]
    records = read_sheet(path, plan)
    assert records.data["value"].tolist() == [900, 950]
    assert records.problems[["cell", "found", "allowed", "mend"]].to_numpy().tolist() == [torque]
    taken = ["a reading without a flag", "taken all the same; if it must not count, clear it and say why as a remark"]
    for limits, found in (
        ({"hold": {"viscosity": (55, 65)}}, "viscosity of run 2: 70 s before reading, outside 55 to 65"),
        ({"temperature": {"viscosity": (24.5, 25.5)}}, "viscosity of run 2: 26 °C, outside 24.5 to 25.5"),
    ):
        records = read_sheet(path, plan, **limits)
        assert records.data["value"].tolist() == [900, 950]
        listed = records.problems[["cell", "found", "allowed", "mend"]].to_numpy().tolist()
        assert listed[0] == ["F10", found, *taken]
        assert listed[1][1].startswith(torque[1])
    assert sentence_of(lambda: read_sheet(path, plan, hold={"viscosity": 60})) == (
        "hold: 'viscosity' is 60 but must be two numbers, the lower first: write (24.5, 25.5)."
    )


def test_a_run_made_again_is_not_guessed_at(plan, filled):
    def change(book):
        runs = book["Measurements"]
        heads = {c.value: c.column for c in runs[4]}
        row = next(r for r in (5, 6, 7) if runs.cell(r, 2).value == 1)
        for to, value, word in ((row, 900, None), (8, 940, "made again")):
            runs.cell(to, 2).value = 1
            runs.cell(to, heads["viscosity (mPa·s)"]).value = value
            runs.cell(to, heads["same batch read again, or made again?"]).value = word
            runs.cell(to, 3).value = runs.cell(row, 3).value  # its setting

    path = filled({**GEL, "batch": 1, "reading": 905}, {**GEL, "batch": 2, "reading": 950}, change=change)
    records = read_sheet(path, plan)
    assert records.data[["run", "batch", "value"]].to_numpy().tolist() == [
        [1, 1, 900],
        [1, "1 made again", 940],
        [2, 2, 950],
    ]
    assert problem(records, -1) == [
        "F9",
        "viscosity of run 1, which was made 2 times",
        "of a run that was made once",
        "not taken, as nobody knows of which batch it is; write it in the batch's row on the page Measurements",
    ]


def test_a_failed_batch_takes_no_reading(plan, filled):
    def change(book):
        runs = book["Measurements"]
        heads = {c.value: c.column for c in runs[4]}
        row = next(r for r in (5, 6, 7) if runs.cell(r, 2).value == 1)
        runs.cell(row, heads["made / failed"]).value = "failed"

    path = filled({**GEL, "batch": 1, "reading": 900}, change=change)
    joined = read_sheet(path, plan)
    assert joined.data.empty
    assert problem(joined, -1) == [
        *("F9", "viscosity of run 1", "blank, as the batch failed", "not taken; clear the mark or the reading")
    ]


# ---- random pages

LINE = st.fixed_dictionaries(
    {
        "batch": st.integers(1, 3),
        "reading": st.floats(1, 1e7).map(lambda v: float(f"{v:.15g}")),
        "speed": st.sampled_from([5, 20]),
        "torque": st.floats(10, 99).map(lambda v: round(v, 1)),
    }
)
DAMAGE = {"batch": "x9", "response": "colour", "reading": "runny", "speed": "fast", "replicate": "first"}


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    lines=st.lists(LINE, min_size=1, max_size=12),
    damage=st.dictionaries(st.integers(0, 11), st.sampled_from(sorted(DAMAGE))),
    suffix=st.sampled_from([".xlsx", ".csv"]),
)
def test_random_pages_come_back_bit_for_bit_or_are_listed(plan, tmp_path, lines, damage, suffix):
    """The page alone, as a spreadsheet program saves it: every undamaged reading is back exactly, every damaged cell is listed."""
    rows = [{**GEL, **line} for line in lines]
    hurt = {place: key for place, key in damage.items() if place < len(rows)}
    for place, key in hurt.items():
        rows[place][key] = DAMAGE[key]
    cells = [[f"Plan fingerprint: {plan.fingerprint}"], [c.head for c in COLUMNS]]
    cells += [[row.get(c.key) for c in COLUMNS] for row in rows]
    path = tmp_path / f"page{suffix}"
    if suffix == ".xlsx":
        book = openpyxl.Workbook()
        for row in cells:
            book.active.append(row)
        book.save(path)
    else:
        lines = [[repr(v).replace(".", ",") if isinstance(v, float) else v or "" for v in row] for row in cells]
        path.write_text("".join(";".join(map(str, row)) + "\n" for row in lines), encoding="utf-8")
    found = read_instruments(path, plan)
    listed = found.problems.loc[found.problems["cell"] != "", ["cell", "found"]].to_numpy().tolist()
    assert sorted(listed) == sorted([f"{letters(KEYS[k] - 1)}{place + 3}", DAMAGE[k]] for place, k in hurt.items())
    whole = [row for place, row in enumerate(rows) if place not in hurt]
    assert found.data[["run", "value", "speed", "torque"]].to_numpy().tolist() == [
        [row["batch"], row["reading"], row["speed"], row["torque"]] for row in whole
    ]


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("soffice") is None, reason="needs LibreOffice (Debian: libreoffice-calc-nogui)")
@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_a_spreadsheet_program_saves_the_page_as_it_was(plan, filled, tmp_path, kind):
    """LibreOffice opens and saves the workbook, by way of its own format too: the readings are the same bit for bit."""
    rows = [{**GEL, "batch": batch_code(plan, r), "reading": 900.1 * r, "torque": 10.1 * r} for r in (1, 2, 3)]
    path = filled(*rows, {**GEL, "batch": 1, "reading": ">100000", "torque": ">100"})
    before = read_instruments(path, plan)
    for step, form in enumerate([kind, "xlsx"]):
        out = tmp_path / f"step{step}"
        profile = f"-env:UserInstallation=file://{tmp_path}/profile"
        command = ["soffice", profile, "--headless", "--convert-to", form, "--outdir", str(out), str(path)]
        subprocess.run(command, check=True, capture_output=True, timeout=120)
        path = out / f"filled.{form}"
    after = read_instruments(path, plan)
    assert after.problems.empty
    assert len(after.data) == 4
    pd.testing.assert_frame_equal(after.data, before.data)
    assert read_sheet(path, plan).data["value"].dropna().tolist() == [900.1, 1800.2, 2700.3]


# ---- calls that cannot be served


def test_calls_that_cannot_be_served(plan, empty, filled, tmp_path, sentence_of):
    path = filled({**GEL, "batch": 1, "reading": 900}, {**GEL, "batch": 1, "reading": 800, "spindle": 5, "speed": 50})

    def sentence(**kw):
        return sentence_of(lambda: read_instruments(path, plan, **kw))

    assert sentence_of(lambda: write_sheet(plan, None, tmp_path / "a.csv", instruments=True)) == (
        "instruments is True but must be left out for this kind of sheet: only a workbook has such a page: end the name in .xlsx."
    )
    assert sentence_of(lambda: write_sheet(plan, None, tmp_path / "a.xlsx", instruments=3)) == (
        "instruments is 3 but must be True or False: say whether the workbook gets a page for instrument readings."
    )
    plain = write_sheet(plan, None, tmp_path / "plain.xlsx")
    assert sentence_of(lambda: read_instruments(plain, plan)) == (
        f"file '{plain}' is \"without a page 'Instrument readings'\" but must be a workbook with that page: "
        "write it with doe.bench.write_sheet(…, instruments=True)."
    )
    other = Plan.from_frame(plan.study, pd.DataFrame({"polymer": [0.3, 0.4]}))
    assert sentence_of(lambda: read_instruments(empty, other)) == (
        f"file '{empty}': plan fingerprint is '{plan.fingerprint}' but must be {other.fingerprint}: "
        "it is the page of another plan: load that plan, or choose this one's sheet."
    )
    assert sentence_of(lambda: read_instruments(empty, 3)) == (
        "plan is 'int' but must be a Plan: load it with doe.designs.Plan.load."
    )
    assert sentence(method={"viscosity": ("4", 21)}) == (
        "method: 'viscosity' is 'spindle 4, 21 rpm' but must be one by which it was read: "
        "did you mean 'spindle 4, 20 rpm' or 'spindle 5, 50 rpm'?"
    )
    assert sentence(method={"pH": "direct"}) == (
        "method: 'pH' is 'direct' but must be of a response that was read: no reading of pH is on the page."
    )
    assert sentence(method="direct") == (
        'method is \'direct\' but must be a mapping of response to method: write {"viscosity": ("4", 20)}.'
    )
    assert sentence(hold={"viscosity": 60}) == (
        "hold: 'viscosity' is 60 but must be two numbers, the lower first: write (24.5, 25.5)."
    )
    assert sentence(temperature=25) == (
        'temperature is 25 but must be a mapping of response to least and most: write {"viscosity": (55, 65)}.'
    )
    assert sentence(torque=(100, 10)) == (
        "torque is (100, 10) but must be two numbers, the lower first: (10, 100) is usual."
    )
    found = read_instruments(path, plan)
    assert sentence_of(lambda: found.flow_curve(1, "viscosity")) == (
        "flow_curve: run 1: spindle is ['4', '5'] but must be one: say spindle='4' or another."
    )
    assert sentence_of(lambda: found.flow_curve(2, "viscosity")) == (
        "flow_curve: run 2 is 'without a valid reading of viscosity' but must be a run read with a viscometer: runs with readings are 1."
    )
    assert sentence_of(lambda: found.flow_curve(1, "droplet size")) == (
        "flow_curve: response 'droplet size' is 'µm' but must be a viscosity in mPa·s, cP, Pa·s, P: choose another response."
    )
    assert sentence_of(lambda: with_instruments(read_sheet(path, plan), found.data)) == (
        "instruments is 'DataFrame' but must be InstrumentReadings: make them with doe.bench.read_instruments."
    )
    assert sentence_of(lambda: found.added_to(3)) == (
        "records is 'int' but must be Records: make them with doe.bench.read_sheet."
    )
