"""A run sheet filled in, opened and saved again by a real spreadsheet program: LibreOffice Calc, as workbook and as .csv."""

import datetime
import shutil
import subprocess

import numpy as np
import openpyxl
import pandas as pd
import pytest

from doe.bench import Ingredient, Recipe, Step, read_sheet, write_sheet

OFFICE = shutil.which("soffice")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(OFFICE is None, reason="soffice is missing: install libreoffice-calc-nogui"),
]
VISCOSITY = "viscosity[24 h, 25 °C] (mPa·s)"
# .csv: semicolons, double quotes, UTF-8 / Windows-1252, formatted cells as shown, of the sheet with this number
FILTER = "csv:Text - txt - csv (StarCalc):59,34,{encoding},1,,0,false,true,false,false,false,{sheet}"


def resaved(path, kind, folder):
    """The file that LibreOffice makes of one; its own profile, so that tests can run beside each other."""
    folder.mkdir()
    command = [OFFICE, "--headless", f"-env:UserInstallation=file://{folder}/profile"]
    if (
        path.suffix == ".csv"
    ):  # the import dialogue would tell UTF-8 by the mark at the file's start; without it, it must be said
        command.append("--infilter=CSV:44,34,76,1")
    command += ["--convert-to", kind, "--outdir", str(folder), str(path)]
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    (made,) = (f for f in folder.iterdir() if f.suffix in (".xlsx", ".csv"))
    return made


@pytest.fixture
def filled(kept_plan, tmp_path, open_workbook):
    """The sheet with its recipe pages, filled in: numbers, bounds, words for blank, dates, a formula, a percent, settings as made."""
    recipe = Recipe(
        [Ingredient("water", "A", balance=True), Ingredient("polymer", "A", factor="polymer"), Step("stir")]
    )
    book = open_workbook(write_sheet(kept_plan, recipe, tmp_path / "sheet.xlsx", seed=None))
    for run, value in enumerate([5000.125, ">100000", "n/a", 1e-7], start=1):
        book.cell(run, VISCOSITY).value = value
    book.cell(1, "pH").value = "=6+0.25/2"  # without a result till a spreadsheet program has worked it out
    book.cell(2, "pH").value = "6,125"
    book.cell(3, "pH").value = "5..6"
    book.cell(4, "pH").value = 0.1 + 0.2
    book.cell(2, "feel").value = 4
    book.cell(3, "room temperature (°C)").value = 21.5
    book.cell(4, "as made: polymer (%)").value = 0.61
    book.cell(3, "made / failed").value = "made"
    book.cell(3, "remark").value = "lumpy; “grey” – 5 µm"
    page = book.book["Batches"]
    finished = [row for row in page.iter_rows() if row[2].value == "finished at"]
    finished[1][3].value = datetime.datetime(2026, 3, 2, 10, 30)
    water = next(row for row in page.iter_rows() if row[2].value == "water")
    water[4].value = 199.21
    return book.save()


def as_expected(records, with_pages):
    found = {(r.run, r.response, r.time): (r.value, r.lower, r.upper) for r in records.data.itertuples(index=False)}
    exact = {
        (1, "viscosity", "24 h"): 5000.125,
        (4, "viscosity", "24 h"): 1e-7,
        (1, "pH", ""): 6.125,
        (4, "pH", ""): float(f"{0.1 + 0.2:.15g}"),  # a workbook holds 15 digits
        (2, "feel", "24 h"): 4,
    }
    for key, value in exact.items():
        assert found.pop(key) == (value,) * 3
    assert found.pop((2, "viscosity", "24 h"))[1:] == (100000, np.inf)
    assert found.pop((3, "pH", ""))[1:] == (5, 6)
    assert found.pop((2, "pH", ""), None) in (None, (6.125,) * 3)
    assert not found
    assert records.covariates["room temperature"].tolist()[2] == 21.5
    assert records.as_made["polymer"].tolist() == [0.2, 0.6, 0.2, 0.61]
    assert records.remarks["remark"].tolist() == ["lumpy; “grey” – 5 µm"]
    if with_pages:
        assert records.made_at == {2: datetime.datetime(2026, 3, 2, 10, 30)}
        assert records.weighed["actual"].tolist() == [199.21]


def test_a_workbook_saved_by_libreoffice_comes_back(filled, kept_plan, tmp_path):
    path = resaved(filled, "xlsx", tmp_path / "office")
    records = read_sheet(path, kept_plan)
    # 6,125 typed as text might be six thousand: it is asked about, and nothing else is
    assert records.questions["found"].tolist() == ["6,125"]
    assert records.problems["found"].tolist() == ["6,125"]
    as_expected(records, with_pages=True)
    answered = read_sheet(path, kept_plan, {records.questions["cell"].iloc[0]: 6.125})
    assert answered.problems.empty


def test_labels_work_out_their_dates(filled, tmp_path):
    path = resaved(filled, "xlsx", tmp_path / "office")
    sheet = openpyxl.load_workbook(path, data_only=True)["Labels"]
    cells = [c for row in sheet.iter_rows() for c in row if c.value is not None]
    due = {
        (str(c.value).splitlines()[0][-5:], str(c.value).splitlines()[2]): sheet.cell(c.row + 1, c.column).value
        for c in cells
        if "run" in str(c.value)
    }
    assert due["run 2", "4 wk, 40 °C: viscosity"] == datetime.datetime(2026, 3, 30, 10, 30)
    assert due["run 1", "4 wk, 40 °C: viscosity"] == "due 4 wk after making: ____________"


@pytest.mark.parametrize("encoding", [("76", "utf-8"), ("1", "cp1252")])
def test_a_csv_saved_by_libreoffice_with_semicolons_comes_back(encoding, filled, kept_plan, tmp_path):
    path = resaved(filled, FILTER.format(encoding=encoding[0], sheet=2), tmp_path / "office")
    assert "µm" in path.read_bytes().decode(encoding[1])
    records = read_sheet(path, kept_plan)
    assert set(records.problems["found"]) <= {"6,125", "6.125", "5000.125"}
    answers = {}
    for cell, choices in zip(records.questions["cell"], records.questions["choices"], strict=True):
        answers[cell] = choices[-1]  # of a pH only the one with the decimal comma can be meant
    as_expected(read_sheet(path, kept_plan, answers), with_pages=False)


def test_our_own_csv_saved_by_libreoffice_comes_back(kept_plan, tmp_path):
    table = write_sheet(kept_plan, None, tmp_path / "sheet.csv", seed=None)
    rows = table.read_text(encoding="utf-8-sig").splitlines()
    at = next(i for i, row in enumerate(rows) if row.startswith("order,"))
    heads = rows[at].split(",")
    assert VISCOSITY not in heads  # its head holds a comma, and so stands in quotes
    frame = pd.read_csv(table, skiprows=at, dtype=object)
    frame.loc[0, "pH"], frame.loc[1, VISCOSITY], frame.loc[0, "finished at"] = "6.12", ">100000", "2026-03-02 10:30"
    table.write_text("\n".join(rows[:at]) + "\n" + frame.to_csv(index=False), encoding="utf-8-sig")
    path = resaved(table, FILTER.format(encoding="76", sheet=1), tmp_path / "office")
    records = read_sheet(path, kept_plan)
    assert records.problems.empty
    assert records.data[["run", "response", "lower", "upper"]].values.tolist() == [
        [1, "pH", 6.12, 6.12],
        [2, "viscosity", 100000, np.inf],
    ]
    assert records.made_at == {1: datetime.datetime(2026, 3, 2, 10, 30)}
