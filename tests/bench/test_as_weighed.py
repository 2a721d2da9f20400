"""What was really weighed against its target, and the settings as made that follow from it.

The worked figures are stoichiometry done here by hand from molar masses (COOH 45.017, NaOH 39.997 g/mol; IUPAC atomic weights, from memory).
"""

import openpyxl
import pandas as pd
import pytest

from doe.bench import BaseGel, Ingredient, Neutralise, Premix, Recipe, Step, read_sheet, write_sheet
from doe.bench.as_weighed import settings_of
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
    assert f"{target:g} g, the target for run 3, within 0.03 g" in plain.problems["allowed"].iloc[0]
    assert plain.questions.empty
    assert plain.as_made is None

    asked = read_sheet(path, acid_plan, recipe=acid_recipe)
    # twice the base on 1 % more polymer: by hand
    acid = polymer * 1.01 * 0.62 / 45.017
    expected = 2 * target * 0.20 / 39.997 / acid
    assert asked.questions["cell"].tolist() == [f"Batches!{cell}: degree"]
    assert f"degree was {expected:.4g}" in asked.questions["question"].iloc[0]
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
def test_small_weighings_have_three_digits_of_their_balance(actual, off, acid_plan, acid_recipe, tmp_path):
    lines = [acid_recipe.lines[0], acid_recipe.lines[1], Ingredient("dye", "B", percent=0.01), *acid_recipe.lines[2:]]
    path = write_sheet(acid_plan, Recipe(lines), tmp_path / "s.xlsx", 200.0, seed=None)
    weighed(path, 1, {"polymer": actual, "dye": 0.05})  # 0.400 g ± 2 %; 0.02 g ± 0.03 g
    assert len(read_sheet(path, acid_plan).problems) == off


def test_settings_come_back_from_the_grams_that_they_make(acid_plan, acid_recipe):
    for run in acid_plan.runs.index:
        planned = acid_recipe.values(acid_plan.runs.loc[run])
        table = acid_recipe.weigh_out(planned, 50_000.0)  # so much that rounding is nothing
        grams = {
            (BASE if line == "sodium hydroxide" else line): float(mass)
            for line, mass in zip(table["line"], table["grams"], strict=True)
        }
        found = settings_of(acid_recipe, planned, grams)
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
    assert settings_of(recipe, planned, grams) == pytest.approx(planned, rel=2e-4)
    more = grams | {f"tromethamine, second part{stock}": 2 * grams[f"tromethamine, second part{stock}"]}
    assert settings_of(recipe, planned, more)["last"] == pytest.approx(0.3 + 2 * 0.5, rel=2e-4)
    assert settings_of(recipe, planned, grams | {"salt": 1.0}) is None


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
