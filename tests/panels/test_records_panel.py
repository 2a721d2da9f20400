"""Records: typed, pasted or returned; what cannot be taken stays as typed, is marked in its cell, and is left out."""

import datetime

import pytest

import doe
from doe.panels import records_panel, sheet_panel
from doe.panels.holding import Holding
from doe.panels.recipe_rows import line_of, rows_of

from .conftest import text_of


def given(content: bytes, name: str):
    """What an upload hands over."""
    return (
        {
            "name": name,
            "type": "",
            "size": len(content),
            "content": memoryview(content),
            "last_modified": datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC),
        },
    )


def returned(plan, tmp_path, cells, readings=1):
    """A workbook as it comes back: entry cells by (run, response name) filled in."""
    from openpyxl import load_workbook

    path = doe.bench.write_sheet(plan, None, tmp_path / "sheet.xlsx", seed=None, readings=readings)
    book = load_workbook(path)
    sheet = next(s for s in book.worksheets if any(c.value == "run" for row in s.iter_rows() for c in row))
    head = next(row for row in sheet.iter_rows() if any(c.value == "run" for c in row))
    columns = {str(c.value).partition(" (")[0]: c.column for c in head if c.value}
    rows = {sheet.cell(r, columns["run"]).value: r for r in range(head[0].row + 1, sheet.max_row + 1)}
    for (run, name), value in cells.items():
        sheet.cell(rows[run], columns[name]).value = value
    book.save(path)
    return path.read_bytes()


def test_the_table_stands_in_the_order_of_making_with_the_settings(small):
    panel = records_panel(small[1])
    assert [r["label"] for r in panel.table.rows] == [str(r) for r in small[1].runs.index]
    first = small[1].runs.index[0]
    assert float(panel.table.cells[f"{first}/1"]["set speed"]) == small[1].runs.loc[first, "speed"]
    assert [c["label"] for c in panel.table.columns] == [
        "polymer (%)",
        "speed (rpm)",
        "viscosity (mPa·s)",
        "made / failed",
        "remark",
    ]
    assert (
        text_of(panel.state.value) == "11 batches in the order to make them. Upload the returned sheet, or type here."
    )


@pytest.mark.parametrize("text", ["abc", "12,345,6", "1e999", "-5"])
def test_what_is_no_reading_is_marked_kept_and_left_out(small, text):
    panel = records_panel(small[1])
    panel.table.write([("3/1", "read viscosity", text), ("4/1", "read viscosity", "6,5e3")])
    ((key, own),) = panel.table.marks.items()
    assert key == "3/1"
    assert own["read viscosity"].startswith("viscosity (mPa·s) is ")
    assert "must be" in own["read viscosity"]
    assert panel.table.cells["3/1"]["read viscosity"] == text
    data = panel.desk.records.data
    assert data[["run", "value"]].to_numpy().tolist() == [[4, 6500.0]]


def test_an_emptied_cell_is_blank_again(small):
    panel = records_panel(small[1])
    panel.table.write([("3/1", "read viscosity", "6000"), ("4/1", "read viscosity", "6500")])
    panel.table.write([("3/1", "read viscosity", "")])
    assert panel.desk.records.data["run"].tolist() == [4]
    assert panel.table.marks == {}


def test_failed_batches_and_remarks_go_into_the_records(small):
    panel = records_panel(small[1])
    panel.table.write(
        [("2/1", "read made / failed", "failed"), ("2/1", "read remark", "lumps"), ("1/1", "read viscosity", "6000")]
    )
    assert panel.desk.records.failed == (2,)
    assert panel.desk.records.remarks["remark"].tolist() == ["lumps"]


def test_the_same_batch_read_again_has_a_row_of_its_own(small):
    panel = records_panel(small[1])
    panel.readings.value = 2
    panel.table.write([("1/1", "read viscosity", "6000"), ("1/2", "read viscosity", "6100")])
    assert panel.desk.records.data[["run", "replicate", "value"]].to_numpy().tolist() == [
        [1, 1, 6000.0],
        [1, 2, 6100.0],
    ]
    panel.readings.value = 1
    panel.readings.value = 2
    assert panel.table.cells["1/2"]["read viscosity"] == "6100"


def test_a_returned_workbook_is_read_and_shown_locked(small, tmp_path):
    panel = records_panel(small[1])
    content = returned(
        small[1], tmp_path, {(1, "viscosity"): 6000, (2, "viscosity"): "thick", (3, "viscosity"): "6 200"}
    )
    panel.upload.value = given(content, "back.xlsx")
    assert panel.desk.records.data["run"].tolist() == [1, 3]
    assert panel.table.locked
    assert panel.table.cells["3/1"]["read viscosity"] == "6200"
    assert "'thick' but must be" in text_of(panel.others.value)
    assert text_of(panel.state.value) == (
        "These are the readings of the returned sheet 'back.xlsx'. Correct the sheet and upload it again, or go on in the table."
    )
    panel._go_on()
    assert not panel.table.locked
    panel.table.write([("2/1", "read viscosity", "6400")])
    assert panel.desk.records.data["run"].tolist() == [1, 2, 3]


def test_a_returned_workbook_comes_back_after_a_restart(small, tmp_path):
    desk = doe.panels.desk(small[0])
    desk.plan = small[1]
    content = returned(small[1], tmp_path, {(1, "viscosity"): 6000})
    desk.panel("records").upload.value = given(content, "back.xlsx")
    desk.flush()
    again = doe.panels.desk()
    assert again.records.data["value"].tolist() == [6000.0]
    assert again.panel("records").table.locked
    assert again.panel("records").source == "returned"


def test_the_desks_recipe_turns_what_was_weighed_into_settings(small, tmp_path):
    from openpyxl import load_workbook

    study, plan = small
    recipe = doe.bench.Recipe(
        [
            doe.bench.Ingredient("water", "A", balance=True),
            doe.bench.Ingredient("polymer", "A", factor="polymer"),
            doe.bench.Step("stir", speed="speed"),
        ]
    )
    desk = doe.panels.desk(study)
    desk.plan, desk.recipe = plan, recipe
    path = doe.bench.write_sheet(plan, recipe, tmp_path / "sheet.xlsx", 100.0, seed=None)
    book = load_workbook(path)
    line = next(r for r in book["Batches"].iter_rows() if r[2].value == "polymer")
    line[4].value = 1.5 * line[3].value
    book.save(path)
    panel = desk.panel("records")
    panel.upload.value = given(path.read_bytes(), "back.xlsx")
    cell = f"Batches!{line[4].coordinate}: polymer"
    assert desk.records.questions["cell"].tolist() == [cell]
    panel.asked[cell].control.value = "as made"
    first = plan.runs.index[0]
    made, planned = desk.records.as_made.at[first, "polymer"], plan.runs.at[first, "polymer"]
    assert made == pytest.approx(100 * 1.5 * planned / (100 + 0.5 * planned))
    desk.recipe = None  # the question is no longer asked, nor its answer used
    panel._read_returned()
    assert desk.records.as_made is None


def test_the_longer_plans_sheet_adds_to_what_was_read_before(small, tmp_path):
    study, plan = small
    desk = doe.panels.desk(study)
    desk.plan = plan
    panel = desk.panel("records")
    path = tmp_path / "first.csv"
    frame = plan.runs.assign(viscosity=6000.0).reset_index()
    frame["as made: speed (rpm)"] = frame["speed"] + 1.0
    doe.bench.Records.from_frame(frame, plan).save(path)
    panel.upload.value = given(path.read_bytes(), "first.csv")
    assert panel.source == "returned"
    longer = doe.designs.extend(plan, 2, "interaction")
    desk.plan = longer
    assert panel.source == "earlier"
    assert text_of(panel.state.value).startswith("These are the readings of the batches made before the plan became")
    new = sorted(set(longer.runs.index) - set(plan.runs.index))
    _, _, content = desk.panel("sheet").file(".csv")  # for the batches that are still to be made
    rows = content.decode("utf-8-sig").splitlines()
    assert [int(row.split(",")[1]) for row in rows[-len(new) :]] == new
    assert rows[-len(new) - 1].startswith("order,run,")
    panel.upload.value = given(returned(longer, tmp_path, {(new[0], "viscosity"): 6500}), "second.xlsx")
    assert panel.source == "joined"
    assert "'second.xlsx', and those from before that it does not have" in text_of(panel.state.value)
    assert desk.records.data["run"].tolist() == [*sorted(plan.runs.index), new[0]]
    assert (desk.records.as_made.loc[plan.runs.index, "speed"] == plan.runs["speed"] + 1.0).all()
    desk.flush()
    again = doe.panels.desk()
    assert again.records.data["run"].tolist() == desk.records.data["run"].tolist()
    assert (again.records.as_made.loc[plan.runs.index, "speed"] == plan.runs["speed"] + 1.0).all()
    again.panel("records")._go_on()
    assert (again.records.as_made.loc[plan.runs.index, "speed"] == plan.runs["speed"] + 1.0).all()


def test_what_was_the_same_for_all_batches_comes_back_after_a_restart(small):
    from dataclasses import replace

    study, plan = small
    desk = doe.panels.desk(study)
    frame = plan.runs.assign(viscosity=6000.0).reset_index()
    desk.put(plan=plan, records=replace(doe.bench.Records.from_frame(frame, plan), constants={"operator": "Ada"}))
    desk.flush()
    assert doe.panels.desk().records.constants == {"operator": "Ada"}


@pytest.mark.parametrize(
    ("content", "name", "sentence"),
    [
        (b"not a workbook", "back.xlsx", "must be"),
        (b"a,b\n1,2\n", "back.csv", "must be"),
        (b"", "back.csv", "must be"),
        (b"x", "back.pdf", "must be"),
    ],
)
def test_a_file_that_is_no_sheet_is_refused_in_a_sentence(small, content, name, sentence):
    panel = records_panel(small[1])
    panel.table.write([("1/1", "read viscosity", "6000")])
    panel.upload.value = given(content, name)
    said = text_of(panel.message.value)
    assert sentence in said
    assert name in said
    assert "failed inside" not in said
    assert panel.desk.records.data["value"].tolist() == [6000.0]  # what was typed is still there


def test_records_set_in_code_are_shown(small_fits):
    records = small_fits[1]
    panel = records_panel(records)
    run = int(records.data["run"].iloc[0])
    assert float(panel.table.cells[f"{run}/1"]["read viscosity"]) == records.data["value"].iloc[0]
    assert panel.desk.records is records
    assert panel.table.locked


@pytest.mark.skipif(
    not hasattr(doe.bench.Records, "questions") and "questions" not in doe.bench.Records.__dataclass_fields__,
    reason="no questions",
)
def test_a_question_is_answered_in_the_panel(small):
    panel = records_panel(small[1])
    panel.table.write([("1/1", "read viscosity", "6,123"), ("2/1", "read viscosity", "6500")])
    ((cell, field),) = panel.asked.items()
    assert panel.desk.records.data["run"].tolist() == [2]
    assert "1/1" in panel.table.marks
    choice = next(value for _, value in field.control.options if value == 6123.0)
    field.value = choice
    assert dict(zip(panel.desk.records.data["run"], panel.desk.records.data["value"], strict=True)) == {
        1: 6123.0,
        2: 6500.0,
    }
    assert panel.desk.recalled("records", "answers") == {cell: 6123.0}
    assert panel.table.marks == {}


# ---- the recipe


LINES = [
    doe.bench.Ingredient("water", "A", balance=True),
    doe.bench.Ingredient(
        "carbomer", "A", factor="polymer", acid_content=62.0, moisture=0.02, max_percent=1.0, hazards=["powder"]
    ),
    doe.bench.Ingredient("preservative", "B", percent=0.8, stock=0.5, active=0.9),
    doe.bench.Step("stir", speed="speed", minutes=20, temperature=25.0, hazards=["impeller", "no loose sleeves"]),
    doe.bench.Neutralise("tromethamine", 0.7, stock=0.2),
]


def test_rows_say_all_of_a_recipe(small):
    recipe = doe.bench.Recipe(LINES)
    assert doe.bench.Recipe([line_of(row, small[0]) for row in rows_of(recipe)]).content() == recipe.content()


def test_a_recipe_that_says_more_is_shown_and_left_alone(gel):
    panel = sheet_panel(gel[1], gel[0].recipe)
    assert panel.lines.locked
    assert "This recipe says more than the table can" in text_of(panel.whole.value)
    assert panel.desk.recipe is gel[0].recipe


@pytest.mark.parametrize(
    ("row", "column", "sentence"),
    [
        ({"name": "oil", "amount": "polymr"}, "amount", "ingredient 'oil': percent is 'polymr' but must be a number or the name of a factor: did you mean 'polymer'?"),
        ({"name": "oil", "amount": "2", "stock": "a"}, "stock", "ingredient 'oil': stock is 'a' but must be a number in %: type the number."),
        ({"name": "oil", "amount": "2", "speed": "300"}, "speed", "ingredient 'oil': speed is '300' but must be left out for anything but a step: clear the cell."),
        ({"kind": "base", "name": "tromethamine", "stock": "20"}, "amount", "neutralise: degree is 'blank' but must be a degree, or the name of the factor that sets it: write 0.7 for 70 %."),
        ({"kind": "base", "name": "tromethamine", "amount": "0.7"}, "stock", "neutralise: stock is 'blank' but must be the strength of the solution in % w/w: write 20 for a 20 % solution, 100 for the base itself."),
        ({"kind": "step", "name": "stir", "amount": "2"}, "amount", None),
        ({"kind": "step", "name": "stir", "speed": "-3"}, "speed", None),
        ({"name": ""  , "amount": "2"}, "name", None),
    ],
)  # fmt: skip
def test_a_bad_cell_of_the_recipe_is_said_under_its_row(small, row, column, sentence):
    panel = sheet_panel(small[1])
    panel.lines.write([(panel.lines.rows[0]["key"], k, v) for k, v in {"name": "water", "amount": "balance"}.items()])
    panel.lines.write([(panel.lines.rows[1]["key"], k, v) for k, v in row.items()])
    ((_, own),) = panel.lines.marks.items()
    ((place, said),) = own.items()
    assert place == column
    assert sentence is None or said == sentence
    assert [line.name for line in panel.desk.recipe.lines] == ["water"]  # the last sound one


def test_what_cannot_be_made_is_said_before_weighing(small):
    panel = sheet_panel(small[1], doe.bench.Recipe([doe.bench.Ingredient("water", "A", balance=True)]))
    assert "polymer" in text_of(panel.problems.value)


def test_two_lines_of_balance_are_refused_under_the_table(small):
    panel = sheet_panel(small[1])
    for name in ("water", "oil"):
        panel.lines.write([(panel.lines.rows[-1]["key"], k, v) for k, v in {"name": name, "amount": "balance"}.items()])
    assert "must be" in text_of(panel.whole.value)


def test_without_a_recipe_a_batch_shows_its_settings(small):
    panel = sheet_panel(small[1])
    run = small[1].runs.index[0]
    assert str(small[1].runs.loc[run, "speed"]) in panel.page.value
    panel.run.value = str(small[1].runs.index[1])
    assert str(small[1].runs.loc[small[1].runs.index[1], "polymer"]) in panel.page.value
    assert isinstance(Holding.of(panel.desk), Holding)
