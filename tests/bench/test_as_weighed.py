"""What was really weighed against its target, and the settings as made that follow from it.

The worked figures are stoichiometry done here by hand from molar masses (COOH 45.017, NaOH 39.997 g/mol; IUPAC atomic weights, from memory).
"""

import openpyxl
import pandas as pd
import pytest

from doe.bench import BaseGel, Ingredient, Neutralise, Premix, Recipe, Step, read_sheet, write_sheet
from doe.bench.as_weighed import grams_of, settings_of
from doe.bench.pages import batch_code
from doe.designs import Plan
from doe.study import Component, Continuous, Response, Study


@pytest.fixture
def acid_plan():
    study = Study(
        "degree and polymer (invented)",
        [
            Continuous("polymer", 0.2, 0.6, "%", step=0.01),
            Continuous("degree", 0.4, 0.9, limits=(0, 1.5)),
            Continuous("ratio", 1.0, 3.0),
            Continuous("speed", 200, 600, "rpm"),
        ],
        [Response("pH", decimals=2)],
    )
    runs = pd.DataFrame(
        {"polymer": [0.2, 0.6, 0.4], "degree": [0.5, 0.9, 0.55], "ratio": [1.0, 3.0, 2.0], "speed": [200.0, 600, 400]}
    )
    return Plan.from_frame(study, runs)


@pytest.fixture
def acid_recipe():
    return Recipe(
        [
            Ingredient("water", "A", balance=True),
            Ingredient("polymer", "A", factor="polymer", acid_content=62.0, balance_readability=0.001),
            Ingredient("oil", "B", percent=2.0),
            Ingredient("solubiliser", "B", factor="ratio", of="oil"),
            Neutralise("sodium hydroxide", "degree", 0.20),
            Step("stir", speed="speed"),
        ]
    )


BASE = "sodium hydroxide (20 % w/w stock)"


def settings(recipe, planned, lines):
    """The linked factors' settings by the grams of a page's lines; None where these are not the recipe's."""
    grams = grams_of(recipe, planned, lines, {})
    return None if grams is None else {n: v for n, v in settings_of(recipe, planned, grams).items() if n in planned}


def weighed(path, run, grams):
    """Write what was weighed on a run's page; the cell of each by name."""
    book = openpyxl.load_workbook(path)
    sheet, here, cells = book["Batches"], 0, {}
    for row in sheet.iter_rows():
        title = row[0].value
        if isinstance(title, str) and title.startswith("Batch "):
            here = int(title.split("run ")[1].split(",")[0])
        if here == run and row[2].value in grams:
            row[4].value = grams[row[2].value]
            cells[row[2].value] = row[4].coordinate
    book.save(path)
    assert len(cells) == len(grams)
    return cells


def test_a_fivefold_base_is_listed_and_asked_about(acid_plan, acid_recipe, tmp_path):
    path = write_sheet(acid_plan, acid_recipe, tmp_path / "s.xlsx", 200.0, seed=None)
    target = float(
        acid_recipe.weigh_out(acid_plan.runs.loc[3], 200.0).set_index("line").at["sodium hydroxide", "grams"]
    )
    polymer = float(acid_recipe.weigh_out(acid_plan.runs.loc[3], 200.0).set_index("line").at["polymer", "grams"])
    cell = weighed(path, 3, {BASE: 2 * target, "polymer": polymer * 1.01})[BASE]
    plain = read_sheet(path, acid_plan)
    assert plain.problems[["sheet", "cell", "found"]].to_numpy().tolist() == [
        ["Batches", cell, f"{2 * target:g} g of {BASE}"]
    ]
    assert f"{target:g} g, the target for run 3, within {0.02 * target:.4g} g" in plain.problems["allowed"].iloc[0]
    assert plain.questions.empty
    assert plain.as_made is None

    asked = read_sheet(path, acid_plan, recipe=acid_recipe)
    # twice the base on 1 % more polymer: by hand
    acid = polymer * 1.01 * 0.62 / 45.017
    expected = 2 * target * 0.20 / 39.997 / acid
    assert asked.questions["cell"].tolist() == [f"Batches!{cell}: degree"]
    assert f"degree {expected:.4g}, worked out" in asked.questions["question"].iloc[0]
    assert asked.as_made is None
    assert "the planned setting is kept" in asked.problems["mend"].iloc[-1]
    name = asked.questions["cell"].iloc[0]
    made = read_sheet(path, acid_plan, {name: "as made"}, recipe=acid_recipe)
    assert made.as_made.at[3, "degree"] == pytest.approx(expected, rel=1e-4)
    assert made.as_made.at[3, "polymer"] == 0.4  # 1 % is how well a bench weighs
    assert made.as_made.loc[1].to_dict() == acid_plan.runs.loc[1].to_dict()
    assert read_sheet(path, acid_plan, {name: "as planned"}, recipe=acid_recipe).as_made is None


def test_what_is_written_as_made_is_not_asked_again(acid_plan, acid_recipe, tmp_path, open_workbook):
    path = write_sheet(acid_plan, acid_recipe, tmp_path / "s.xlsx", 200.0, seed=None)
    weighed(path, 1, {"polymer": 0.6})
    book = open_workbook(path)
    book.cell(1, "as made: polymer (%)").value = 0.3
    book.cell(1, "as made: degree").value = 0.33
    book.save()
    records = read_sheet(path, acid_plan, recipe=acid_recipe)
    assert records.questions.empty
    assert records.as_made.at[1, "polymer"] == 0.3
    assert len(records.problems) == 1


def test_a_setting_that_cannot_be_is_not_offered(acid_plan, acid_recipe, tmp_path):
    path = write_sheet(acid_plan, acid_recipe, tmp_path / "s.xlsx", 200.0, seed=None)
    weighed(path, 3, {BASE: 7.2})
    records = read_sheet(path, acid_plan, recipe=acid_recipe)
    assert not any("degree" in c for c in records.questions["cell"])
    assert "degree as made: from 0 to 1.5" in records.problems["allowed"].tolist()


@pytest.mark.parametrize(("actual", "off"), [(4.08, False), (4.09, True), (3.92, False), (3.91, True)])
def test_the_threshold_from_both_sides(actual, off, acid_plan, acid_recipe, tmp_path):
    path = write_sheet(acid_plan, acid_recipe, tmp_path / "s.xlsx", 200.0, seed=None)
    weighed(path, 1, {"oil": actual})  # 4.00 g ± 2 %
    assert len(read_sheet(path, acid_plan).problems) == off


@pytest.mark.parametrize(("actual", "off"), [(0.403, False), (0.412, True)])
def test_small_weighings_have_a_digit_of_their_balance(actual, off, acid_plan, acid_recipe, tmp_path):
    lines = [acid_recipe.lines[0], acid_recipe.lines[1], Ingredient("dye", "B", percent=0.01), *acid_recipe.lines[2:]]
    path = write_sheet(acid_plan, Recipe(lines), tmp_path / "s.xlsx", 200.0, seed=None)
    weighed(path, 1, {"polymer": actual, "dye": 0.03})  # 0.400 g ± 2 %; 0.02 g ± 0.01 g
    assert len(read_sheet(path, acid_plan).problems) == off


def test_settings_come_back_from_the_grams_that_they_make(acid_plan, acid_recipe):
    for run in acid_plan.runs.index:
        planned = acid_recipe.values(acid_plan.runs.loc[run])
        table = acid_recipe.weigh_out(planned, 50_000.0)  # so much that rounding is nothing
        grams = {
            (BASE if line == "sodium hydroxide" else line): float(mass)
            for line, mass in zip(table["line"], table["grams"], strict=True)
        }
        found = settings(acid_recipe, planned, grams)
        assert found == pytest.approx({k: v for k, v in planned.items() if k != "speed"}, rel=2e-4)


def test_two_stages_phases_and_premixes_come_back():
    recipe = Recipe(
        [
            Ingredient("water", "A", balance=True),
            Ingredient("carbomer", "A", percent=0.5, acid_content=62.0),
            Ingredient("ester", "B", balance=True, of="B"),
            Ingredient("wax", "B", factor="wax", of="B"),
            Ingredient("dye", "C", percent=30.0, of="C"),
            Ingredient("diluent", "C", balance=True, of="C"),
            Neutralise("tromethamine", "last", 0.3, stages=("first", "carbomer")),
        ],
        phases={"A": None, "B": 10.0, "C": 1.0},
        premixes=[Premix("C", 5.0)],
    )
    planned = {"wax": 20.0, "first": 0.3, "last": 0.8}
    table = recipe.weigh_out(planned, 50_000.0)
    stock = " (30 % w/w stock)"
    grams = {
        line + (stock if "tromethamine" in line else ""): float(m)
        for line, m in zip(table["line"], table["grams"], strict=True)
    }
    assert settings(recipe, planned, grams) == pytest.approx(planned, rel=2e-4)
    more = grams | {f"tromethamine, second part{stock}": 2 * grams[f"tromethamine, second part{stock}"]}
    assert settings(recipe, planned, more)["last"] == pytest.approx(0.3 + 2 * 0.5, rel=2e-4)
    assert settings(recipe, planned, grams | {"salt": 1.0}) is None


def test_a_mixture_as_weighed(tmp_path):
    study = Study(
        "blend (invented)",
        [Component("oil", 5, 20), Component("water", 80, 95)],
        [Response("pH")],
        balance="water",
    )
    plan = Plan.from_frame(study, pd.DataFrame({"oil": [5.0, 20.0], "water": [95.0, 80.0]}))
    recipe = Recipe([Ingredient("water", "A", balance=True), Ingredient("oil", "A", factor="oil")])
    path = write_sheet(plan, recipe, tmp_path / "s.xlsx", 100.0, seed=None)
    weighed(path, 1, {"oil": 10.0})
    asked = read_sheet(path, plan, recipe=recipe)
    made = read_sheet(path, plan, dict.fromkeys(asked.questions["cell"], "as made"), recipe=recipe)
    assert made.as_made.loc[1].to_dict() == pytest.approx({"oil": 100 * 10 / 105, "water": 100 * 95 / 105})


@pytest.fixture
def beakers(tmp_path):
    """A plan of two base gels with two beakers each, its recipe, and the rows of run 1's page and of its base's in a written workbook."""
    study = Study(
        "split (invented)",
        [
            Continuous("polymer", 0.2, 0.6, "%", hard_to_change=True),
            Continuous("degree", 0.4, 0.9, limits=(0, 3)),
            Continuous("oil", 2, 6, "%"),
        ],
        [Response("pH")],
    )
    runs = pd.DataFrame(
        {"polymer": [0.2, 0.2, 0.6, 0.6], "degree": [0.5, 0.8, 0.5, 0.8], "oil": [5.0, 3, 3, 5]}
    ).assign(whole_plot=["W1", "W1", "W2", "W2"])
    plan = Plan.from_frame(study, runs)
    recipe = Recipe(
        [
            Ingredient("water", "A", balance=True),
            Ingredient("polymer", "A", factor="polymer", acid_content=62.0, balance_readability=0.001),
            Ingredient("oil", "B", factor="oil"),
            Neutralise("sodium hydroxide", "degree", 0.05, stages=(0.3, "polymer")),
        ],
        base_gel=BaseGel(losses=5.0, hold_back=5.0),
    )
    path = write_sheet(plan, recipe, tmp_path / "s.xlsx", 200.0, seed=None)
    book = openpyxl.load_workbook(path)

    def page(sheet, start):
        rows, here = {}, False
        for row in book[sheet].iter_rows():
            if str(row[0].value).startswith(("Batch ", "Base gel ")):
                here = row[0].value.startswith(start)
            if here and row[2].value:
                rows[row[2].value] = row
        return rows

    first = page("Batches", f"Batch {batch_code(plan, 1)}:")
    return plan, recipe, path, book, first, page("Base gels", "Base gel W1")


SECOND = "sodium hydroxide, second part (5 % w/w stock)"


def test_a_beaker_follows_the_base_that_it_was_made_from(beakers):
    plan, recipe, path, book, rows, _ = beakers
    double = 2 * rows[SECOND][3].value
    rows[SECOND][4].value = double
    book.save(path)
    asked = read_sheet(path, plan, recipe=recipe)
    assert asked.questions["cell"].tolist() == [f"Batches!{rows[SECOND][4].coordinate}: degree"]
    made = read_sheet(path, plan, {asked.questions["cell"].iloc[0]: "as made"}, recipe=recipe)
    # the first part reaches 0.3, the second 0.5: twice as much of it 0.7
    assert made.as_made.at[1, "degree"] == pytest.approx(0.7, abs=0.01)
    assert made.as_made.at[2, "degree"] == 0.8


def test_a_base_weighed_wrong_changes_all_its_beakers(beakers):
    plan, recipe, path, book, _, base = beakers
    base["polymer"][4].value = round(1.5 * base["polymer"][3].value, 3)
    book.save(path)
    asked = read_sheet(path, plan, recipe=recipe)
    assert asked.problems["cell"].iloc[0] == base["polymer"][4].coordinate
    names = [c.split(": ", 1)[1] for c in asked.questions["cell"]]
    assert names == ["run 1: polymer", "run 1: degree", "run 2: polymer", "run 2: degree"]
    made = read_sheet(path, plan, dict.fromkeys(asked.questions["cell"], "as made"), recipe=recipe)
    # 0.2 % polymer in 100 g became 0.3 g in 100.1 g; the base is spread over more acid, less in what is poured
    assert made.as_made.loc[[1, 2], "polymer"].tolist() == pytest.approx([0.3, 0.3], rel=5e-3)
    assert made.as_made.at[1, "degree"] == pytest.approx(0.5 / 1.5, rel=0.02)
    assert made.as_made.loc[3].to_dict() == plan.runs.loc[3].to_dict()


def test_base_poured_over_thins_what_is_added(beakers):
    plan, recipe, path, book, rows, _ = beakers
    poured = rows["base gel W1"][3].value
    rows["base gel W1"][4].value = 1.1 * poured
    rows[SECOND][4].value = 1.1 * rows[SECOND][3].value
    book.save(path)
    # no spreadsheet program has worked the cell out: both stand against what was planned
    assert len(read_sheet(path, plan).problems) == 2
    rows["anew, for the base really poured"][3].value = round(1.1 * rows[SECOND][3].value, 2)
    book.save(path)
    assert len(read_sheet(path, plan).problems) == 1
    asked = read_sheet(path, plan, recipe=recipe)
    made = read_sheet(path, plan, dict.fromkeys(asked.questions["cell"], "as made"), recipe=recipe)
    # base, water and neutraliser grew by a tenth, the oil stayed: 5 % became 5 in 0.95 · 1.1 + 0.05 parts
    assert made.as_made.at[1, "oil"] == pytest.approx(5 / (0.95 * 1.1 + 0.05), rel=2e-3)
    assert made.as_made.at[1, "degree"] == 0.5
    # with water up to a net mass that says so, the same; gel that was lost by then makes the oil more again
    net = rows["net mass after the top-up"]
    water = rows["water, held back"]
    net[4].value = round(1.1 * (poured + water[3].value), 2)
    book.save(path)
    again = read_sheet(path, plan, dict.fromkeys(asked.questions["cell"], "as made"), recipe=recipe)
    assert again.as_made.at[1, "oil"] == pytest.approx(made.as_made.at[1, "oil"], rel=2e-3)
    water[4].value, net[4].value = round(1.1 * water[3].value, 2), round(poured + water[3].value, 2)
    book.save(path)
    lost = read_sheet(path, plan, recipe=recipe)
    assert not any("oil" in c for c in lost.questions["cell"])


def test_a_recipe_that_is_none(acid_plan, tmp_path, sentence_of):
    path = write_sheet(acid_plan, None, tmp_path / "s.xlsx")
    assert sentence_of(lambda: read_sheet(path, acid_plan, recipe="gel")) == (
        "recipe is 'str' but must be a doe.bench.Recipe or None: give the recipe by which the sheet was written."
    )


# ---- pages as people return them


def rows_of(path, start="Batch "):
    book = openpyxl.load_workbook(path)
    sheet = book["Batches"]
    titles = [row for row in sheet.iter_rows() if str(row[0].value).startswith(start)]
    return book, sheet, titles


def line_of(sheet, title, name):
    return next(r for r in sheet.iter_rows(min_row=title[0].row) if r[2].value == name)


@pytest.fixture
def filled(acid_plan, acid_recipe, tmp_path):
    """A workbook with twice the base on run 1's page, who made it, and when runs 1 and 2 were finished."""
    path = write_sheet(acid_plan, acid_recipe, tmp_path / "s.xlsx", 200.0, seed=None)
    book, sheet, titles = rows_of(path)
    base = line_of(sheet, titles[0], BASE)
    base[4].value = 2 * base[3].value
    for title, name in ((titles[0], "Kim"), (titles[1], "Lee")):
        line_of(sheet, title, "made by")[3].value = name
        line_of(sheet, title, "finished at")[3].value = "2026-03-02 10:00"
    book.save(path)
    return path


def said(path, plan, recipe):
    records = read_sheet(path, plan, recipe=recipe)
    return records, records.problems["found"].tolist(), sorted(records.made_at)


@pytest.mark.parametrize("head", ["actual, g", "Actual [g]", "ACTUAL (g)", "actual"])
def test_a_head_that_was_retyped_loses_nothing(head, filled, acid_plan, acid_recipe):
    book, sheet, _ = rows_of(filled)
    next(c for row in sheet.iter_rows() for c in row if c.value == "actual (g)").value = head
    book.save(filled)
    records, _, finished = said(filled, acid_plan, acid_recipe)
    assert finished == [1, 2]
    assert len(records.weighed) == 1
    assert [c.rpartition(": ")[2] for c in records.questions["cell"]] == ["degree"]


def test_a_head_that_says_something_else_is_listed(filled, acid_plan, acid_recipe):
    book, sheet, _ = rows_of(filled)
    next(c for row in sheet.iter_rows() for c in row if c.value == "actual (g)").value = "mine"
    book.save(filled)
    records, found, finished = said(filled, acid_plan, acid_recipe)
    assert found[0] == "mine"
    assert finished == [1, 2]
    assert len(records.weighed) == 1


def test_words_between_the_pages_are_listed_and_move_nothing(filled, acid_plan, acid_recipe):
    book, sheet, titles = rows_of(filled)
    at = titles[1][0].row
    for merged in list(sheet.merged_cells.ranges):
        sheet.unmerge_cells(str(merged))
    sheet.insert_rows(at)
    sheet.cell(at, 1).value = "checked by C. D."
    book.save(filled)
    _, found, finished = said(filled, acid_plan, acid_recipe)
    assert found[0] == "checked by C. D."
    assert finished == [1, 2]


def test_a_mark_beside_a_field_does_not_end_the_page(filled, acid_plan, acid_recipe):
    book, sheet, titles = rows_of(filled)
    line_of(sheet, titles[0], "pH after the base")[0].value = "x"
    book.save(filled)
    records, _, finished = said(filled, acid_plan, acid_recipe)
    assert finished == [1, 2]
    assert records.entries["run"].tolist() == [1, 2]


def test_titles_are_known_however_they_are_written_and_others_listed(filled, acid_plan, acid_recipe):
    book, _, titles = rows_of(filled)
    titles[0][0].value = titles[0][0].value.upper().replace(" ", "  ")
    titles[1][0].value = "BATCH 2 (AB)"
    book.save(filled)
    records, found, finished = said(filled, acid_plan, acid_recipe)
    assert finished == [1]
    (unknown,) = (text for text in found if text.startswith("BATCH 2 (AB)"))
    assert "title" in records.problems.set_index("found").at[unknown, "allowed"]


def test_grams_beside_no_target_are_kept_and_listed(filled, acid_plan, acid_recipe):
    book, sheet, titles = rows_of(filled)
    polymer = line_of(sheet, titles[1], "polymer")
    polymer[3].value, polymer[4].value = "1,200", "2,4"
    row = polymer[0].row
    sheet.unmerge_cells(next(str(r) for r in sheet.merged_cells.ranges if r.min_row == row + 1))
    sheet.cell(row + 1, 3).value, sheet.cell(row + 1, 5).value = "water, rinsed in", 12.5
    book.save(filled)
    records, found, _ = said(filled, acid_plan, acid_recipe)
    assert "12.5 g of water, rinsed in" in found
    assert "2.4 g of polymer" in found
    assert 12.5 in records.weighed["actual"].tolist()


def test_an_added_line_is_named(filled, acid_plan, acid_recipe):
    book, sheet, titles = rows_of(filled)
    line = line_of(sheet, titles[0], "oil")
    line[2].value = "water, second"
    book.save(filled)
    records, found, _ = said(filled, acid_plan, acid_recipe)
    assert "water, second" in found
    assert records.questions.empty


def test_a_copied_page_takes_nothing_away(filled, acid_plan, acid_recipe):
    book, sheet, titles = rows_of(filled)
    first, after = titles[0][0].row, titles[1][0].row
    rows = [[c.value for c in row] for row in sheet.iter_rows(min_row=first, max_row=after - 1)]
    copy = book.create_sheet("Batches (2)")
    for values in rows:
        copy.append(values)
    base = next(r for r in copy.iter_rows() if r[2].value == BASE)
    base[4].value = None
    book.save(filled)
    records, found, finished = said(filled, acid_plan, acid_recipe)
    assert any("a second time" in text for text in found)
    assert [c.rpartition(": ")[2] for c in records.questions["cell"]] == ["degree"]
    assert len(records.weighed) == 1
    assert finished == [1, 2]
    base[4].value = 0.5
    extra = "base solution added beyond it (g)"
    line_of(sheet, titles[0], extra)[3].value = 0.3
    next(r for r in copy.iter_rows() if r[2].value == extra)[3].value = 0.3
    book.save(filled)
    records, found, _ = said(filled, acid_plan, acid_recipe)
    assert any(text.startswith(f"0.5 g of {BASE}, and ") for text in found)
    assert found.count("0.3 g of base solution beyond the calculated") == 1
    # 0.3 g once: by hand, NaOH 39.997 and COOH 45.017 g/mol
    page = {name: line_of(sheet, titles[0], name) for name in (BASE, "polymer")}
    moles = (page[BASE][4].value + 0.3) * 0.20 / 39.997
    degree = moles / (page["polymer"][3].value * 0.62 / 45.017)
    question = next(q for q in records.questions["question"] if "degree" in q)
    assert f"degree {degree:.4g}" in question


def test_another_recipe_is_noticed(filled, acid_plan, acid_recipe):
    other = Recipe(
        [
            Ingredient("oil", "B", percent=3.0) if line.__dict__.get("name") == "oil" else line
            for line in acid_recipe.lines
        ]
    )
    records, found, _ = said(filled, acid_plan, other)
    assert records.questions.empty
    assert any("the target for run 1" in text for text in found)


def test_nothing_weighed_at_all_is_no_crash(beakers):
    plan, recipe, path, book, rows, base = beakers
    for row in base.values():
        if isinstance(row[3].value, float | int):
            row[4].value = 0
    rows["base gel W1"][4].value = rows["water, held back"][4].value = 0
    rows["net mass after the top-up"][4].value = 150
    book.save(path)
    assert len(read_sheet(path, plan, recipe=recipe).problems) > 3


def test_extra_base_in_a_base_gel_reaches_its_beakers(beakers):
    plan, recipe, path, *_ = beakers
    whole = Recipe(
        [*recipe.lines[:2], Neutralise("sodium hydroxide", 0.5, 0.05), recipe.lines[2]], base_gel=recipe.base_gel
    )
    study = Study("s (invented)", [plan.study.factor("polymer"), plan.study.factor("oil")], plan.study.responses)
    made = Plan.from_frame(study, plan.runs[["polymer", "oil"]].assign(whole_plot=list("AABB")))
    write_sheet(made, whole, path, 200.0, seed=None)
    book = openpyxl.load_workbook(path)
    row = next(r for r in book["Base gels"].iter_rows() if r[2].value == "base solution added beyond it (g)")
    row[3].value = 30.0
    book.save(path)
    asked = read_sheet(path, made, recipe=whole)
    names = [c.split(": ", 1)[1] for c in asked.questions["cell"]]
    # 30 g more in a base of some 360 g: a twelfth less polymer in each beaker; the oil goes in as planned
    assert names == ["run 1: polymer", "run 2: polymer"]
    made_so = read_sheet(path, made, dict.fromkeys(asked.questions["cell"], "as made"), recipe=whole).as_made
    assert 0.9 < made_so.at[1, "polymer"] / 0.2 < 0.95


def test_the_size_of_a_phase_is_worked_out():
    recipe = Recipe(
        [
            Ingredient("water", "A", balance=True),
            Ingredient("ester", "B", percent=60.0, of="B"),
            Ingredient("wax", "B", balance=True, of="B"),
        ],
        phases={"A": None, "B": "oil phase"},
    )
    found = settings(recipe, {"oil phase": 10.0}, {"water": 90.0, "ester": 9.0, "wax": 6.0})
    assert found == pytest.approx({"oil phase": 100 * 15 / 105})


def test_parts_of_a_blend_are_asked_about_together(tmp_path):
    study = Study(
        "blend (invented)",
        [Component("oil", 5, 20), Component("glycol", 5, 10), Component("water", 70, 90)],
        [Response("pH")],
    )
    plan = Plan.from_frame(study, pd.DataFrame({"oil": [5.0, 20.0], "glycol": [5.0, 10.0], "water": [90.0, 70.0]}))
    recipe = Recipe(
        [
            Ingredient("water", "A", balance=True),
            Ingredient("oil", "A", factor="oil"),
            Ingredient("glycol", "A", factor="glycol"),
        ]
    )
    path = write_sheet(plan, recipe, tmp_path / "s.xlsx", 100.0, seed=None)
    weighed(path, 1, {"oil": 6.5})
    (cell,) = read_sheet(path, plan, recipe=recipe).questions["cell"]
    assert cell.endswith(": oil, glycol, water")
    made = read_sheet(path, plan, {cell: "as made"}, recipe=recipe)
    assert made.as_made.loc[1].to_dict() == pytest.approx(
        {"oil": 650 / 101.5, "glycol": 500 / 101.5, "water": 9000 / 101.5}
    )


def test_too_much_of_what_is_limited_is_said(acid_plan, acid_recipe, tmp_path):
    recipe = Recipe(
        [*acid_recipe.lines[:2], Ingredient("preservative", "A", percent=0.9, max_percent=1.0), *acid_recipe.lines[2:]]
    )
    path = write_sheet(acid_plan, recipe, tmp_path / "s.xlsx", 200.0, seed=None)
    weighed(path, 1, {"preservative": 3.0})
    records = read_sheet(path, acid_plan, recipe=recipe)
    assert records.problems["allowed"].tolist()[1] == "at most 1 %"
    assert "skin" in records.problems["mend"].tolist()[1]


def test_greatest_shares_hold_in_beakers_from_base_gels():
    study = Study("s (invented)", [Continuous("polymer", 0.2, 0.6, "%", hard_to_change=True)], [Response("pH")])
    runs = pd.DataFrame({"polymer": [0.2, 0.2, 0.6, 0.6]}).assign(whole_plot=list("AABB"))
    plan = Plan.from_frame(study, runs)
    recipe = Recipe(
        [
            Ingredient("water", "A", balance=True),
            Ingredient("polymer", "A", factor="polymer", balance_readability=0.001),
            Ingredient("preservative", "A", percent=1.0, max_percent=1.0),
        ]
    )
    for batch in (33.6, 50.0, 111.0, 150.0, 200.0):
        for base in recipe.base_gels(plan, batch).bases:
            share = base.made.grams["preservative"] / base.made.total * base.poured
            assert 100 * float(share) / batch <= 1.0 + 1e-12


def test_a_batchs_record_has_what_was_poured_into_it(beakers):
    plan, _, path, book, _, base = beakers
    base["polymer"][4].value = base["polymer"][3].value
    base["made by"][3].value, base["remarks"][3].value = "Kim", "some lumps in the base"
    book["Constants"]["B3"] = "Lee"
    book.save(path)
    records = read_sheet(path, plan)
    own, other = records.batch(1), records.batch(3)
    notes = dict(own.notes.itertuples(index=False, name=None))
    assert notes["Base gel W1: made by"] == "Kim"
    assert notes["Base gel W1: remarks"] == "some lumps in the base"
    assert notes["all batches: operator"] == "Lee"
    assert own.weighed["do"].tolist() == ["polymer"]
    assert "some lumps" in str(own)
    assert not any("Base gel" in what for what in other.notes["what"])


@pytest.mark.parametrize(
    ("typed", "kept", "listed"), [("6,2", 6.2, 0), (6.2, 6.2, 0), ("about 6", "about 6", 1), (62, 62, 1)]
)
def test_the_ph_after_the_base_is_a_ph(typed, kept, listed, filled, acid_plan):
    book, sheet, titles = rows_of(filled)
    base = line_of(sheet, titles[0], BASE)
    base[4].value = base[3].value
    line_of(sheet, titles[0], "pH after the base")[3].value = typed
    book.save(filled)
    records = read_sheet(filled, acid_plan)
    assert records.entries.set_index("entry").at["pH after the base", "value"] == kept
    assert len(records.problems) == listed


def test_a_degree_that_the_recipe_fixes_is_told(acid_plan, acid_recipe, tmp_path):
    lines = [Neutralise("sodium hydroxide", 0.7, 0.20) if isinstance(v, Neutralise) else v for v in acid_recipe.lines]
    fixed = Recipe(lines)
    study = Study(
        "fixed (invented)",
        [acid_plan.study.factor(n) for n in ("polymer", "ratio", "speed")],
        acid_plan.study.responses,
    )
    plan = Plan.from_frame(study, acid_plan.runs[["polymer", "ratio", "speed"]])
    path = write_sheet(plan, fixed, tmp_path / "s.xlsx", 200.0, seed=None)
    target = float(fixed.weigh_out(plan.runs.loc[1], 200.0).set_index("line").at["sodium hydroxide", "grams"])
    weighed(path, 1, {BASE: 2 * target})
    found = read_sheet(path, plan, recipe=fixed).problems["found"].tolist()
    degree = next(text for text in found if text.startswith("degree of neutralisation "))
    assert float(degree.split()[3].rstrip(",")) == pytest.approx(1.4, rel=0.01)


def test_read_on_without_a_finishing_date_is_said(tmp_path, open_workbook):
    study = Study(
        "kept (invented)", [Continuous("polymer", 0.2, 0.6, "%")], [Response("viscosity", "mPa·s", times=("24 h",))]
    )
    plan = Plan.from_frame(study, pd.DataFrame({"polymer": [0.2, 0.6]}))
    book = open_workbook(write_sheet(plan, None, tmp_path / "s.xlsx", seed=None))
    book.cell(1, "read on [24 h]").value = "2026-03-02 10:00"
    records = read_sheet(book.save(), plan)
    assert records.problems["found"].tolist() == ["run 1 read on 2026-03-02 10:00"]
