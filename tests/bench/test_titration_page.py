"""The workbook's page for a titration: written with its words and rules, read back as people fill it in, nothing dropped unsaid."""

import csv

import numpy as np
import openpyxl
import pytest

from doe.bench import Base, Ingredient, Neutralise, Recipe, read_sheet, read_titration, titration_curve, write_sheet
from doe.designs import full_factorial
from doe.study import Continuous, Response, Study
from doe.virtual import gel_ph

GRAMS = [0, 0.83, 1.67, 2.5, 3.34, 4.17, 5.01, 5.84, 6.67, 7.51]
ACID = 1.0 * 0.62 / 45.017
PH = np.round(
    gel_ph(np.array(GRAMS) * 0.2 / 121.136 / ACID, ACID / ((200 + np.array(GRAMS)) / 1000), "tromethamine", 5.9, 1.7),
    2,
).tolist()


def plan():
    study = Study(
        "gel (invented)",
        [Continuous("carbomer", 0.2, 0.5, "%", step=0.01), Continuous("degree", 0.55, 0.85, "eq/eq", step=0.01)],
        [Response("pH", low=5.5, high=6.5, decimals=2)],
    )
    return full_factorial(study)


def recipe(*others, base="tromethamine", **change):
    return Recipe(
        [
            Ingredient("water", "A", balance=True),
            Ingredient("carbomer", "A", factor="carbomer", acid_content=62.0, **change),
            *others,
            Neutralise(base, "degree", stock=0.20),
        ]
    )


class Page:
    """The page of a written workbook, by its words."""

    def __init__(self, path):
        self.path, self.book = path, openpyxl.load_workbook(path)
        self.sheet = self.book["Titration"]
        self.at = {self.sheet.cell(r, 1).value: r for r in range(1, self.sheet.max_row + 1)}

    def fill(self, grams=GRAMS, ph=PH, warm=25.0, content=62.0, lot="C-114", moisture=0.0):
        self.sheet.cell(self.at["dispersion before base (g)"], 2).value = 200.0
        row = self.at["polymer"] + 1
        for column, value in ((2, lot), (3, 1.0), (4, content), (5, moisture)):
            self.sheet.cell(row, column).value = value
        for k, (g, p) in enumerate(zip(grams, ph, strict=True), start=1):
            for column, value in ((3, g), (4, p), (5, warm)):
                self.reading(k, column).value = value
        return self

    def reading(self, number, column):
        return self.sheet.cell(self.at["reading"] + number, column)

    def save(self):
        self.book.save(self.path)
        return self.path


@pytest.fixture
def page(tmp_path):
    return Page(write_sheet(plan(), recipe(), tmp_path / "sheet.xlsx", 200.0))


def test_the_page_says_what_to_do(page):
    texts = "\n".join(str(c.value) for row in page.sheet.iter_rows() for c in row if c.value is not None)
    assert "Add the calculated base and read: do not chase a pH. Write down everything that is added" in texts
    assert "Bases: sodium and potassium hydroxide burn skin and eyes" in texts
    assert "taken as 0 (assumed)" in texts
    assert "carbomer at 62 % COOH (of the recipe)" in texts
    assert page.sheet.cell(page.at["base"], 2).value == "tromethamine"
    assert page.sheet.cell(page.at["strength of base solution (% w/w)"], 2).value == 20
    # 1.00 g at 62 % is 13.773 mmol: degree 0.1 takes 0.834 g of 20 % tromethamine (hand)
    assert page.reading(2, 2).value == pytest.approx(0.83)
    first = "\n".join(str(row[0].value) for row in page.book["Read first"].iter_rows())
    assert "Page “Titration”: a lot's pH over the base added" in first


def test_entry_cells_are_open_and_checked_and_the_rest_is_locked(page):
    assert page.sheet.protection.sheet
    for column in (3, 4, 5, 6):
        assert not page.reading(1, column).protection.locked
    assert page.reading(1, 1).protection.locked
    assert page.reading(1, 2).protection.locked
    rules = {cell: rule for rule in page.sheet.data_validations.dataValidation for cell in str(rule.sqref).split()}
    assert all(rule.type == "decimal" and rule.showErrorMessage for rule in rules.values())
    of_ph = next(r for r in rules.values() if (r.formula1, r.formula2) == ("0", "14"))
    assert page.reading(1, 4).coordinate in of_ph.sqref
    assert of_ph.error == "This must be a pH from 0 to 14."


def test_there_and_back(page):
    found = read_titration(page.fill().save())
    assert list(found.grams) == GRAMS
    assert list(found.ph) == PH
    assert found.lot == "C-114"
    assert found.of_base.name == "tromethamine"
    assert (found.stock, found.mass) == (0.2, 200.0)
    assert list(found.acid_content) == [62.0]
    assert list(found.temperature) == [25.0] * len(GRAMS)
    curve = titration_curve(found)
    assert curve.parameters == pytest.approx([5.9, 1.7], abs=0.01)  # two decimals were written down
    assert curve.scatter < 0.006


def test_the_page_does_not_disturb_the_readings_of_the_plan(page):
    records = read_sheet(page.fill().save(), plan())
    assert records.problems.empty
    assert records.data.empty


def test_as_people_type_it(page):
    page.fill(warm=None)
    for k, (g, p) in enumerate(zip(GRAMS, PH, strict=True), start=1):
        page.reading(k, 3).value = f"{g:.2f} g".replace(".", ",")
        page.reading(k, 4).value = f"{p:.2f}".replace(".", ",")
    page.sheet.cell(page.at["strength of base solution (% w/w)"], 2).value = "20 %"
    found = read_titration(page.save())
    assert list(found.grams) == GRAMS
    assert list(found.ph) == PH
    assert found.temperature is None


def test_what_cannot_be_taken_is_held_back_and_said(page):
    page.fill(moisture=None)
    page.reading(3, 4).value = "about 5"
    page.reading(4, 4).value = None
    page.reading(5, 4).value = 53.4
    found = read_titration(page.save())
    assert len(found.ph) == len(PH) - 3
    row = page.at["reading"]
    assert list(found.held_back) == [
        "loss on drying (%) of carbomer was left blank: 0 is assumed.",
        "neutralised by the maker (%) of carbomer was left blank: 0 is assumed.",
        f"Held back: sheet 'Titration', cell D{row + 3} (pH) is 'about 5' but must be a number: type the number, or leave the cell blank and say "
        "why in the remark.",
        f"Held back: sheet 'Titration', row {row + 4}: pH is 'blank' but must be filled in: a reading needs both base and pH.",
        f"Held back: sheet 'Titration', cell D{row + 5} (pH) is 53.4 but must be from 0 to 14: correct the reading.",
    ]
    for text in found.held_back:
        assert text in repr(found)
        assert text in titration_curve(found).notes


def test_saved_as_csv(page, tmp_path):
    page.fill()
    path = tmp_path / "page.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, delimiter=";").writerows(
            [["" if c.value is None else c.value for c in row] for row in page.sheet.iter_rows()]
        )
    assert list(read_titration(path).ph) == PH


def test_mixed_polymers_and_a_base_of_ones_own(tmp_path):
    own = Base("some amine", 110.0, 1, 8.5)
    second = Ingredient("crosspolymer", "A", percent=0.1, acid_content=57.0, already=0.3)
    page = Page(write_sheet(plan(), recipe(second, base=own), tmp_path / "mixed.xlsx", 200.0)).fill()
    row = page.at["polymer"] + 2
    for column, value in ((2, "X-7"), (3, 0.5), (4, 57.0), (6, 30)):
        page.sheet.cell(row, column).value = value
    found = read_titration(page.save(), base=own)
    assert found.of_base == own
    assert found.polymer_grams == (1.0, 0.5)
    assert list(found.already) == [0.0, 0.3]
    assert found.lot == "C-114, X-7"
    assert page.reading(1, 2).value == 0
    assert page.reading(2, 2).value > 0


def test_the_base_has_room_and_each_polymer_its_grams(tmp_path):
    both = recipe(Ingredient("crosspolymer", "A", percent=0.2, acid_content=57.0), base="sodium hydroxide")
    page = Page(write_sheet(plan(), both, tmp_path / "s.xlsx", 200.0))
    row = page.at["base"]
    assert page.sheet.cell(row, 2).value == "sodium hydroxide"
    assert f"B{row}:C{row}" in {str(r) for r in page.sheet.merged_cells.ranges}
    words = " ".join(str(text) for text in page.at)
    assert "Suggested: 0.50 g of each polymer in 200 g of dispersion (0.5 % together)" in words
    single = Page(write_sheet(plan(), recipe(), tmp_path / "s.xlsx", 200.0))
    assert "Suggested: 1.00 g of polymer" in " ".join(str(text) for text in single.at)


def test_no_page_without_a_polymer_to_neutralise(tmp_path):
    water = Recipe([Ingredient("water", "A", balance=True), Ingredient("carbomer", "A", factor="carbomer")])
    path = write_sheet(plan(), water, tmp_path / "sheet.xlsx", 200.0)
    assert "Titration" not in openpyxl.load_workbook(path).sheetnames


def spoiled(page, label, value):
    page.fill().sheet.cell(page.at[label], 2).value = value
    return page.save()


def test_bad_pages_in_one_sentence(page, tmp_path, sentence_of):
    assert sentence_of(lambda: read_titration(spoiled(page, "dispersion before base (g)", None))) == (
        "sheet 'Titration': dispersion before base (g) is 'blank' but must be filled in: write it in its cell."
    )
    assert sentence_of(lambda: read_titration(spoiled(page, "base", "some amine"))) == (
        "sheet 'Titration': base is 'some amine' but must be a base of the table: give it as base=doe.bench.Base(…), with its molar mass and pKa."
    )
    assert sentence_of(lambda: read_titration(spoiled(page, "base", None))) == (
        "sheet 'Titration': base is 'blank' but must be the name of the base added: write it there."
    )
    page.fill().sheet.cell(page.at["base"], 2).value = "tromethamine"
    page.sheet.cell(page.at["polymer"] + 1, 3).value = None
    assert sentence_of(lambda: read_titration(page.save())) == (
        "sheet 'Titration': weighed (g) is 'blank' but must be the grams of at least one polymer: write them there."
    )
    page.book.remove(page.sheet)
    path = page.save()
    assert sentence_of(lambda: read_titration(path)) == (
        f"file {str(path)!r} is 'without a page of a titration' but must be a workbook with the page 'Titration': choose the workbook that "
        "doe.bench.write_sheet made with a recipe."
    )


def test_acid_content_for_some_polymers_only_is_asked_about(tmp_path, sentence_of):
    second = Ingredient("crosspolymer", "A", percent=0.1, acid_content=57.0)
    page = Page(write_sheet(plan(), recipe(second), tmp_path / "mixed.xlsx", 200.0)).fill()
    page.sheet.cell(page.at["polymer"] + 2, 3).value = 0.5
    assert sentence_of(lambda: read_titration(page.save())) == (
        "sheet 'Titration': acid content (% COOH, dry) is ['62', 'blank'] but must be given for every polymer or for none: complete it, or leave "
        "all blank to have one estimated."
    )
