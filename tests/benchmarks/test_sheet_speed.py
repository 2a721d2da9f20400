"""Speed of writing and reading the workbook of a large trial, against openpyxl loading and saving the same file.

openpyxl (https://openpyxl.readthedocs.io) is the bare way to the same cells: what is above it is what `doe` adds, laying out, styling and
checking. Both are timed in the same run, so that the ratio does not depend on the machine.
"""

import openpyxl
import pandas as pd
import pytest

from doe.bench import Ingredient, Recipe, Step, read_sheet, write_sheet
from doe.designs import Plan
from doe.study import Continuous, Response, Study

RUNS = 60


@pytest.fixture(scope="module")
def trial():
    study = Study(
        "large gel (invented)",
        [Continuous("polymer", 0.2, 0.8, "%"), Continuous("oil", 1, 10, "%"), Continuous("speed", 200, 800, "rpm")],
        [
            Response("viscosity", "mPa·s", times=("24 h", "4 wk", "12 wk"), conditions=("5 °C", "25 °C", "40 °C")),
            Response("pH", times=("24 h", "4 wk", "12 wk")),
            Response("feel", scale=(1, 5), times=("24 h",)),
        ],
    )
    steps = [i / (RUNS - 1) for i in range(RUNS)]
    runs = {"polymer": [0.2 + 0.6 * s for s in steps], "oil": [1 + 9 * s for s in steps[::-1]]}
    plan = Plan.from_frame(study, pd.DataFrame({**runs, "speed": [200.0 + 600 * s for s in steps]}).round(3))
    lines = [Ingredient("water", "A", balance=True), Ingredient("polymer", "A", factor="polymer")]
    lines += [Ingredient("oil", "B", factor="oil"), *(Ingredient(f"additive {k}", "C", percent=0.5) for k in range(8))]
    lines += [Step(f"stir {k}", speed="speed", minutes=5) for k in range(6)]
    return plan, Recipe(lines)


@pytest.fixture(scope="module")
def filled(trial, tmp_path_factory):
    plan, recipe = trial
    path = write_sheet(plan, recipe, tmp_path_factory.mktemp("sheets") / "sheet.xlsx")
    book = openpyxl.load_workbook(path)
    sheet = book["Measurements"]
    header = next(r for r in range(1, 20) if sheet.cell(r, 1).value == "order")
    for cell in sheet[header]:
        if cell.value and cell.value.startswith(("viscosity", "pH", "feel")):
            for row in range(header + 1, header + 1 + RUNS):
                sheet.cell(row, cell.column).value = 3 if cell.value == "feel" else 6.0 + row / 100
    book.save(path)
    return path


@pytest.mark.benchmark(group="write a 60-batch workbook")
def test_write_sheet(benchmark, trial, tmp_path):
    plan, recipe = trial
    benchmark.pedantic(write_sheet, (plan, recipe, tmp_path / "sheet.xlsx"), rounds=3)


@pytest.mark.benchmark(group="write a 60-batch workbook")
def test_openpyxl_saves_the_same(benchmark, filled, tmp_path):
    book = openpyxl.load_workbook(filled)
    benchmark.pedantic(book.save, (tmp_path / "sheet.xlsx",), rounds=3)


@pytest.mark.benchmark(group="read a 60-batch workbook")
def test_read_sheet(benchmark, trial, filled):
    records = benchmark.pedantic(read_sheet, (filled, trial[0]), rounds=3)
    assert len(records.data) == RUNS * 13
    assert records.problems.empty


@pytest.mark.benchmark(group="read a 60-batch workbook")
def test_openpyxl_loads_the_same(benchmark, filled):
    benchmark.pedantic(openpyxl.load_workbook, (filled,), {"data_only": True}, rounds=3)
