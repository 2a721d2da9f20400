"""Pages of the batches: the same grams on every kind of sheet, nothing locked that is to be filled in, and the sheet still read back."""

import csv
import io
import re
from decimal import Decimal

import openpyxl
import pandas as pd
import pytest

from doe.bench import Ingredient, Neutralise, Recipe, Step, read_sheet, write_sheet
from doe.bench.cautions import HAZARDS
from doe.designs import Plan, central_composite
from doe.study import Continuous, Response, Study, StudyError
from doe.virtual import AfterSunGel


@pytest.fixture
def gel_recipe():
    """A recipe of the small trial; the polymer bears the name of its factor."""
    return Recipe(
        [
            Ingredient("water", "A", balance=True),
            Ingredient("polymer", "A", factor="polymer", acid_content=62.0, hazards=["powder"]),
            Ingredient("=salt", "A", percent=1.0, stock=0.2, hazards=["<b>own words</b>", "powder"]),
            Neutralise("sodium hydroxide", 0.7, 0.18),
            Step("stir", speed="speed", minutes=20, hazards=["impeller"]),
        ]
    )


def sheet_cells(path, name):
    return [[c.value for c in row] for row in openpyxl.load_workbook(path)[name].iter_rows()]


STRENGTHS = {"=salt": " (20 % w/w stock)", "sodium hydroxide": " (18 % w/w stock)"}


def named(table):
    """The lines of a weigh-out as a page names them: what is weighed as a solution with its strength, as its figure is of that."""
    return [line + STRENGTHS.get(line, "") for line in table["line"]]


def pages_of(path):
    """Rows of each batch's page of a workbook, by run."""
    out, run = {}, None
    for row in sheet_cells(path, "Batches"):
        if isinstance(row[0], str) and (
            match := re.match(r"Batch [0-9a-f]{4}-\d+: run (\d+), number \d+ of \d+", row[0])
        ):
            run = int(match[1])
            out[run] = []
        if run is not None:
            out[run].append(row)
    return out


def test_workbook_pages_hold_the_weigh_outs(plan, gel_recipe, tmp_path):
    path = write_sheet(plan, gel_recipe, tmp_path / "sheet.xlsx", 150.0, seed=3)
    pages = pages_of(path)
    assert list(pages) == list(plan.randomised(3).runs.index)
    for run, rows in pages.items():
        table = gel_recipe.weigh_out(plan.runs.loc[run], 150.0)
        written = [(row[2], row[3]) for row in rows if isinstance(row[3], float | int)]
        expected = [*zip(named(table), map(float, table["grams"]), strict=True), ("together", 150.0)]
        assert written == expected
        assert f"polymer (%): {plan.runs.at[run, 'polymer']:.2f}" in rows[1][0]
        assert any(row[2] == f"stir: {plan.runs.at[run, 'speed']:g} rpm, 20 min" for row in rows)


def test_cautions_stand_in_full_once_a_page_and_where_they_occur(plan, gel_recipe, tmp_path):
    path = write_sheet(plan, gel_recipe, tmp_path / "sheet.xlsx")
    for rows in pages_of(path).values():
        third = [row[2] for row in rows]
        assert third[third.index("polymer") + 1] == f"Caution: {HAZARDS['powder']}"
        assert third[third.index("=salt (20 % w/w stock)") + 1 : third.index("=salt (20 % w/w stock)") + 3] == [
            "Caution: <b>own words</b>",
            "Caution: at “polymer”.",
        ]
        assert third[third.index("sodium hydroxide (18 % w/w stock)") + 1] == f"Caution: {HAZARDS['base']}"


def test_one_page_a_batch_and_only_entries_unlocked(plan, gel_recipe, tmp_path):
    sheet = openpyxl.load_workbook(write_sheet(plan, gel_recipe, tmp_path / "sheet.xlsx"))["Batches"]
    assert len(sheet.row_breaks.brk) == len(plan.runs)
    assert sheet.protection.sheet
    unlocked = [c for row in sheet.iter_rows() for c in row if not c.protection.locked]
    assert unlocked
    assert all(c.value is None for c in unlocked)
    salt = next(c for row in sheet.iter_rows() for c in row if c.value == "=salt (20 % w/w stock)")
    assert salt.data_type == "s"  # a text, never a formula
    water = next(c for row in sheet.iter_rows() for c in row if c.value == "water")
    assert sheet.cell(water.row, 4).number_format == "0.00"


def test_labels_and_constants(plan, gel_recipe, tmp_path):
    path = write_sheet(plan, gel_recipe, tmp_path / "sheet.xlsx")
    labels = [cell for row in sheet_cells(path, "Labels") for cell in row if cell]
    codes = [label.split()[0] for label in labels if "run" in label.split()]
    assert sorted(codes) == [f"{plan.fingerprint[:4]}-{run}" for run in range(1, 6)]
    constants = [row[0] for row in sheet_cells(path, "Constants")]
    assert "vessel" not in constants  # it is a factor of this study
    for words in (
        "operator",
        "impeller",
        "lot of polymer",
        "acid content and moisture of polymer, from its certificate",
    ):
        assert words in constants


@pytest.mark.parametrize("suffix", [".xlsx", ".csv"])
def test_a_sheet_with_a_recipe_is_read_as_one_without(suffix, plan, gel_recipe, readings, tmp_path, open_workbook):
    """Ingredients named as factors do not make a page of batches look like a run sheet."""
    path = write_sheet(plan, gel_recipe, tmp_path / f"sheet{suffix}", seed=None)
    if suffix == ".xlsx":
        book = open_workbook(path)
        book.fill(readings, {"viscosity": "viscosity (mPa·s)", "pH": "pH", "held": "held (%)"})
        first = next(r for r in book.book["Batches"].iter_rows() if r[2].value == "water")
        actual = first[4].value = round(first[3].value + 0.31, 2)
        book.save()
    records = read_sheet(path, plan)
    assert records.weighed["actual"].tolist() == ([actual] if suffix == ".xlsx" else [])
    assert records.problems.empty
    assert len(records.data) == (15 if suffix == ".xlsx" else 0)


def test_csv_gives_a_line_a_batch(plan, gel_recipe, tmp_path):
    text = write_sheet(plan, gel_recipe, tmp_path / "sheet.csv", seed=None).read_text(encoding="utf-8-sig")
    lines = [row[0] for row in csv.reader(io.StringIO(text)) if row and row[0].startswith("# Batch ")]
    table = gel_recipe.weigh_out(plan.runs.loc[1])
    grams = ", ".join(f"{line} {mass} g" for line, mass in zip(named(table), table["grams"], strict=True))
    assert "sodium hydroxide (18 % w/w stock) " in grams
    assert lines[1] == f"# Batch {plan.fingerprint[:4]}-1, run 1: {grams}; together 200.00 g"
    assert lines[0] == "# Batch size: 200 g."
    assert "page “Batches”" not in text.casefold()


def test_html_has_a_page_a_batch_and_escapes_every_word(plan, gel_recipe, tmp_path):
    text = write_sheet(plan, gel_recipe, tmp_path / "sheet.html", seed=3).read_text(encoding="utf-8")
    assert text.count("<h1><span>Batch") == len(plan.runs)
    assert "<b>own words</b>" not in text
    assert "&lt;b&gt;own words&lt;/b&gt;" in text
    assert not re.search(r"https?://|src=|@import|<link", text)
    for run in plan.runs.index:
        for mass in gel_recipe.weigh_out(plan.runs.loc[run])["grams"]:
            assert f'<td class="grams">{mass}</td>' in text


def test_batch_size_is_printed_and_the_base_is_not_to_be_chased(plan, gel_recipe, tmp_path):
    def text(recipe, batch_size):
        return write_sheet(plan, recipe, tmp_path / "sheet.html", batch_size).read_text(encoding="utf-8")

    assert "Batch size: 150 g." in text(None, 150)
    assert "Batch size" not in text(None, None)
    assert "Batch size: 200 g." in text(gel_recipe, None)
    assert "Do not chase a pH" in text(gel_recipe, None)
    assert "Do not chase a pH" not in text(None, None)


def test_open_points_are_printed(plan, tmp_path):
    recipe = Recipe(
        [Ingredient("water", "A", balance=True), Ingredient("polymer", "A", factor="polymer", acid_content=62.0)]
    )
    text = write_sheet(plan, recipe, tmp_path / "sheet.csv").read_text(encoding="utf-8-sig")
    assert "To settle before weighing: recipe: base is missing but must be there, as polymer holds acid groups" in text
    assert "To settle before weighing: factor 'speed' is in no line or step" in text


def test_bad_input_in_one_sentence(plan, gel_recipe, tmp_path, sentence_of):
    path = tmp_path / "s.xlsx"
    assert sentence_of(lambda: write_sheet(plan, path, path)) == (
        "recipe is 'PosixPath' but must be a doe.bench.Recipe or None: give the recipe second, the path third."
    )
    assert sentence_of(lambda: write_sheet(plan, gel_recipe, path, 0)) == (
        "batch_size is 0.0 but must be above 0: give it in g."
    )
    weak = Recipe([Ingredient("water", "A", balance=True), Ingredient("polymer", "A", factor="polymer", stock=0.005)])
    assert sentence_of(lambda: write_sheet(plan, weak, path, seed=None)) == (
        "run 2: recipe: water, which fills the batch, is '-20 %' but must be 0 % or above: the other lines take 120 % (polymer 120 %): "
        "lower one, or take a stronger stock."
    )
    assert not path.exists()


def test_the_invented_gels_recipe_can_be_made_in_every_run():
    bench = AfterSunGel()
    plan = central_composite(bench.study, axial="face")
    assert bench.recipe.check(bench.study, plan).empty
    for _, run in plan.runs.iterrows():
        table = bench.recipe.weigh_out(run, 200.0)
        assert abs(table["grams"].sum() - 200) <= Decimal("0.005")
        assert not table["note"].str.contains("below").any()  # every weighing is large enough for its balance
    assert bench.recipe.linked == ("carbomer", "crosspolymer", "neutralisation", "speed")
    assert isinstance(bench.recipe.procedure(plan.runs.loc[1]), pd.DataFrame)


def long_recipe(count):
    """A recipe of so many ingredients, with a base."""
    lines = [
        Ingredient("water", "A", balance=True),
        Ingredient("polymer", "A", factor="polymer", acid_content=62.0, balance_readability=0.001),
        *(Ingredient(f"ingredient {k}", "A", percent=1.0, stock=0.5) for k in range(count - 2)),
        Neutralise("sodium hydroxide", 0.7, 0.18, stages=(0.3, "polymer")),
        Step("stir", speed="speed", minutes=20),
    ]
    return Recipe(lines)


def test_a_second_sheet_of_paper_bears_the_code_too(plan, tmp_path, open_workbook):
    path = write_sheet(plan, long_recipe(45), tmp_path / "s.xlsx", 400.0, seed=None)
    book = open_workbook(path)
    sheet = book.book["Batches"]
    starts = [1, *(b.id + 1 for b in sheet.row_breaks.brk)][:-1]
    titles = [sheet.cell(row, 1).value for row in starts]
    code = f"{plan.fingerprint[:4]}-"
    assert titles == [
        f"Batch {code}{run}: run {run}, number {run} of 5{more}" for run in range(1, 6) for more in ("", ", continued")
    ]
    # what stands on the second sheet is read as of the same batch
    row = next(r for r in sheet.iter_rows(min_row=starts[3]) if r[2].value == "made by")
    row[3].value = "A. N."
    late = next(r for r in sheet.iter_rows(min_row=starts[3]) if isinstance(r[3].value, float))
    late[4].value = late[3].value
    book.save()
    records = read_sheet(path, plan)
    assert records.entries.to_numpy().tolist() == [[f"Batch {code}2", 2, "made by", "A. N."]]
    assert records.weighed["run"].tolist() == [2]
    assert records.problems.empty
    short = openpyxl.load_workbook(write_sheet(plan, long_recipe(12), tmp_path / "s.xlsx", seed=None))["Batches"]
    assert len(short.row_breaks.brk) == len(plan.runs)


def test_on_paper_code_and_heads_stand_where_a_table_repeats_them(plan, tmp_path):
    text = write_sheet(plan, long_recipe(13), tmp_path / "s.html", seed=None).read_text(encoding="utf-8")
    page = text.split('<section class="batch">')[2]
    head, body = page.split("</thead>")
    assert f"Batch {plan.fingerprint[:4]}-1" in head
    assert "target (g)" in head
    assert "remarks:" in body.split("</table>")[0]


def test_the_page_of_a_batch_says_not_to_chase_the_ph(plan, gel_recipe, tmp_path, open_workbook):
    path = write_sheet(plan, gel_recipe, tmp_path / "s.xlsx", seed=None)
    for rows in pages_of(path).values():
        third = [row[2] for row in rows]
        base = third.index("sodium hydroxide (18 % w/w stock)")
        assert any("do not chase it" in str(words) for words in third[base + 1 : base + 3])
        assert {"pH after the base", "base solution added beyond it (g)"} <= set(third)
    text = write_sheet(plan, gel_recipe, tmp_path / "s.html", seed=None).read_text(encoding="utf-8")
    assert text.count("do not chase it") == len(plan.runs)
    none = Recipe([Ingredient("water", "A", balance=True), Ingredient("polymer", "A", factor="polymer")])
    bare = write_sheet(plan, none, tmp_path / "s.html", seed=None).read_text(encoding="utf-8")
    assert "chase" not in bare
    assert "beyond it" not in bare


@pytest.mark.parametrize(("typed", "kept"), [(0.4, True), ("0,4", True), (0, False), ("some", None), (-1, None)])
def test_base_beyond_the_calculated_is_recorded_and_changes_the_degree(typed, kept, tmp_path, open_workbook):
    study = Study("degree (invented)", [Continuous("degree", 0.4, 0.9)], [Response("pH")])
    made = Plan.from_frame(study, pd.DataFrame({"degree": [0.5, 0.9]}))
    recipe = Recipe(
        [
            Ingredient("water", "A", balance=True),
            Ingredient("polymer", "A", percent=0.5, acid_content=62.0, balance_readability=0.001),
            Neutralise("sodium hydroxide", "degree", 0.18),
        ]
    )
    path = write_sheet(made, recipe, tmp_path / "s.xlsx", seed=None)
    book = open_workbook(path)
    sheet = book.book["Batches"]
    row = next(r for r in sheet.iter_rows() if r[2].value == "base solution added beyond it (g)")
    row[3].value = typed
    book.save()
    records = read_sheet(path, made, recipe=recipe)
    assert records.entries["value"].tolist() == [typed]  # as it was written
    if kept:
        grams = recipe.weigh_out(made.runs.loc[1]).set_index("line")["grams"].astype(float)
        # 0.4 g more of an 18 % solution (NaOH 39.997, COOH 45.017 g/mol), by hand
        wanted = (grams["sodium hydroxide"] + 0.4) * 0.18 / 39.997 / (grams["polymer"] * 0.62 / 45.017)
        (cell,) = records.questions["cell"]
        answered = read_sheet(path, made, {cell: "as made"}, recipe=recipe)
        assert answered.as_made.at[1, "degree"] == pytest.approx(wanted, rel=1e-4)
        assert "no longer the planned one" in records.problems["allowed"].iloc[0]
    else:
        assert records.questions.empty
        assert len(records.problems) == (kept is None)


def test_what_is_to_be_settled_comes_first(plan, gel_recipe, tmp_path):
    heavy = Recipe([*gel_recipe.lines[:2], Ingredient("dye", "A", percent=1.5, max_percent=1.0), *gel_recipe.lines[2:]])
    with pytest.raises(StudyError):
        write_sheet(plan, heavy, tmp_path / "s.xlsx")
    loose = Recipe([Ingredient("water", "A", balance=True), Ingredient("polymer", "A", factor="polymer")])
    book = openpyxl.load_workbook(write_sheet(plan, loose, tmp_path / "s.xlsx", seed=None))
    first = [row[0].value for row in book["Read first"].iter_rows()]
    assert first.index("To settle before weighing") < first.index("How to fill in the page “Measurements”")
    assert "• factor 'speed' is in no line or step but must be used by one: link the line that it sets." in first
    text = write_sheet(plan, loose, tmp_path / "s.html", seed=None).read_text(encoding="utf-8")
    assert text.index("To settle before weighing") < text.index("How to fill it in")
    lines = write_sheet(plan, loose, tmp_path / "s.csv", seed=None).read_text(encoding="utf-8-sig").splitlines()
    assert sum("To settle before weighing" in line for line in lines) == 1
    assert any("was not checked; doe.bench.needs" in line for line in first if line)
