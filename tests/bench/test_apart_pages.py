"""Pages of premixes, base gels and their beakers, and labels of the jars: what is weighed, what follows from it, and read back all the same."""

import math
import re
import shutil
import subprocess

import openpyxl
import pandas as pd
import pytest

from doe.bench import BaseGel, Ingredient, Neutralise, Premix, Recipe, Step, needs, read_sheet, write_sheet
from doe.designs import Plan
from doe.study import Continuous, Response, Study


@pytest.fixture
def split_plan():
    """Two base gels, two beakers each; viscosity and pH are read at two times."""
    study = Study(
        "beakers (invented)",
        [
            Continuous("carbomer", 0.2, 0.6, "%", hard_to_change=True),
            Continuous("degree", 0.4, 0.9, "eq/eq"),
            Continuous("speed", 200, 600, "rpm"),
        ],
        [Response("viscosity", "mPa·s", times=["24 h", "4 wk"]), Response("pH")],
    )
    table = pd.DataFrame(
        {
            "carbomer": [0.3, 0.3, 0.5, 0.5],
            "degree": [0.4, 0.8, 0.4, 0.8],
            "speed": [300.0, 500, 500, 300],
            "whole_plot": ["W1", "W1", "W2", "W2"],
        }
    )
    return Plan.from_frame(study, table)


@pytest.fixture
def recipe():
    return Recipe(
        [
            Ingredient("water", "A", balance=True),
            Ingredient("carbomer", "A", factor="carbomer", acid_content=62.0, balance_readability=0.001),
            Step("swell", minutes=60),
            Neutralise("tromethamine", "degree", stock=0.20),
            Ingredient("oil", "C", balance=True, of="C"),
            Ingredient("<wax>", "C", percent=6.0, of="C", balance_readability=0.001, hazards=["heat"]),
            Step("melt", temperature=80),
            Step("pour in and stir", after="C", speed="speed"),
        ],
        phases={"A": None, "C": 2.0},
        premixes=[Premix("C", losses=10.0)],
    )


def arguments(text):
    """Split at the commas that stand in no bracket."""
    out, depth = [""], 0
    for sign in text:
        depth += (sign == "(") - (sign == ")")
        out += [""] if sign == "," and not depth else []
        out[-1] += "" if sign == "," and not depth else sign
    return out


def whole(text):
    """Whether every bracket that closes in it opened in it."""
    depth = 0
    for sign in text:
        depth += (sign == "(") - (sign == ")")
        if depth < 0:
            return False
    return True


def evaluated(text, cells):
    """The value of a workbook formula of the functions used here, with these cells; a cell left out is empty. IF works out one branch."""
    text = text.removeprefix("=")
    call = re.fullmatch(r"([A-Z]+)\((.*)\)", text)
    if call and whole(call[2]):
        name, given = call[1], arguments(call[2])
        if name == "IF":
            return evaluated(given[1 if evaluated(given[0], cells) else 2], cells)
        if name == "ISNUMBER":
            return given[0] in cells
        values = [evaluated(part, cells) for part in given]
        return {
            "AND": lambda *v: all(v),
            "ROUND": lambda v, digits: math.floor(v * 10**digits + 0.5) / 10**digits,
            "MAX": max,
            "MIN": min,
        }[name](*values)
    if text in ('""', ""):
        return ""
    inner = re.search(r"[A-Z]+\(", text)
    if inner:  # work out the call that stands in it, and put its value there
        end, depth = inner.end(), 1
        while depth:
            depth += (text[end] == "(") - (text[end] == ")")
            end += 1
        value = evaluated(text[inner.start() : end], cells)
        return evaluated(f"{text[: inner.start()]}{value!r}{text[end:]}", cells)
    return eval(re.sub(r"[A-Z]+\d+", lambda m: repr(float(cells.get(m[0], 0.0))), text))


def beaker_rows(sheet, code):
    """Rows of a beaker's page by what is added or done."""
    rows, on = {}, False
    for row in sheet.iter_rows():
        if isinstance(row[0].value, str) and re.match(r"Batch [0-9a-f]{4}-", row[0].value):
            on = row[0].value.startswith(f"Batch {code}:")
        if on and row[2].value:
            rows[row[2].value] = row
    return rows


def test_the_neutraliser_follows_the_base_really_poured(split_plan, recipe, tmp_path):
    """2 % more base poured takes 2 % more neutraliser; half of the gel lost before the neutralisation takes half."""
    path = write_sheet(split_plan, recipe, tmp_path / "s.xlsx", 200.0, seed=None)
    sheet = openpyxl.load_workbook(path)["Batches"]
    rows = beaker_rows(sheet, f"{split_plan.fingerprint[:4]}-2")
    base, water, net, neutraliser, anew = (
        rows[n]
        for n in (
            "base gel W1",
            "water, held back",
            "net mass after the top-up",
            "tromethamine (20 % w/w stock)",
            "anew, for the base really poured",
        )
    )
    target = neutraliser[3].value
    found = recipe.base_gels(split_plan, 200.0).beakers[2].set_index("do")["grams"]
    assert [base[3].value, water[3].value, target] == [
        float(found[n]) for n in ("base gel W1", "water, held back", "tromethamine")
    ]
    poured, topped, weighed = base[4].coordinate, water[4].coordinate, net[4].coordinate
    planned, held = base[3].value, water[3].value

    assert evaluated(anew[3].value, {}) == ""
    assert evaluated(anew[3].value, {poured: planned}) == pytest.approx(target)
    assert evaluated(anew[3].value, {poured: 1.02 * planned}) == pytest.approx(1.02 * target, abs=0.011)
    assert evaluated(anew[3].value, {poured: planned, topped: held, weighed: (planned + held) / 2}) == pytest.approx(
        target / 2, abs=0.0051
    )
    assert evaluated(net[3].value, {}) == pytest.approx(planned + held)
    assert evaluated(net[3].value, {poured: 1.02 * planned}) == pytest.approx(1.02 * (planned + held), abs=0.0051)
    for cell in (base[4], water[4], net[4]):
        assert not cell.protection.locked
        assert any(
            cell.coordinate in rule.sqref and rule.type == "decimal" for rule in sheet.data_validations.dataValidation
        )
    assert anew[3].protection.locked
    assert anew[4].protection.locked


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_a_spreadsheet_program_works_the_formulas_out(split_plan, recipe, tmp_path):
    path = write_sheet(split_plan, recipe, tmp_path / "s.xlsx", 200.0, seed=None)
    book = openpyxl.load_workbook(path)
    rows = beaker_rows(book["Batches"], f"{split_plan.fingerprint[:4]}-2")
    planned, target = rows["base gel W1"][3].value, rows["tromethamine (20 % w/w stock)"][3].value
    rows["base gel W1"][4].value = 1.05 * planned
    book.save(path)
    home = f"-env:UserInstallation=file://{tmp_path}/profile"
    kind = "xlsx:Calc MS Excel 2007 XML"
    subprocess.run(
        ["soffice", "--headless", home, "--convert-to", kind, "--outdir", str(tmp_path / "out"), str(path)],
        check=True,
        capture_output=True,
        timeout=120,
    )
    kept = openpyxl.load_workbook(tmp_path / "out" / "s.xlsx", data_only=True)["Batches"]
    done = beaker_rows(kept, f"{split_plan.fingerprint[:4]}-2")
    assert done["anew, for the base really poured"][3].value == pytest.approx(1.05 * target, abs=0.011)
    assert done["net mass after the top-up"][3].value == pytest.approx(
        1.05 * (planned + rows["water, held back"][3].value), abs=0.0051
    )
    other = beaker_rows(kept, f"{split_plan.fingerprint[:4]}-1")
    assert other["anew, for the base really poured"][3].value in ("", None)


def test_pages_of_what_is_made_once(split_plan, recipe, tmp_path):
    book = openpyxl.load_workbook(write_sheet(split_plan, recipe, tmp_path / "s.xlsx", 200.0, seed=3))
    assert book.sheetnames[:5] == ["Read first", "Measurements", "Plan", "Premixes", "Base gels"]
    code = split_plan.fingerprint[:4]
    premix = [[c.value for c in row] for row in book["Premixes"].iter_rows()]
    assert premix[0][0] == f"Premix C, {code}-P1: for all batches"
    assert premix[2][0] == "Portions: 4.00 g into each of runs 1 to 4."
    (made,) = recipe.premixes_made(split_plan, 200.0)
    grams = [row[3] for row in premix if isinstance(row[3], float | int)]
    assert grams == [*map(float, made.made.grams.values()), float(made.total)]
    bases = [[c.value for c in row] for row in book["Base gels"].iter_rows()]
    heads = [row[0] for row in bases if isinstance(row[0], str) and row[0].startswith("Base gel W")]
    assert sorted(heads) == [f"Base gel W1, {code}-B1: for 2 beakers", f"Base gel W2, {code}-B2: for 2 beakers"]
    words = " ".join(str(row[0]) for row in bases if row[0])
    assert "carbomer (%): 0.3." in words
    assert "Derived from the recipe: the base holds what comes before tromethamine" in words
    assert "Made in excess for losses: 5 % (assumed)." in words
    assert f"Pour {recipe.base_gels(split_plan, 200.0).bases[0].poured} g into each beaker" in words
    assert len(book["Base gels"].row_breaks.brk) == 2
    for name in ("Premixes", "Base gels"):
        assert all(c.value is None for row in book[name].iter_rows() for c in row if not c.protection.locked)


def test_on_paper_it_is_worked_out_by_hand(split_plan, recipe, tmp_path):
    text = write_sheet(split_plan, recipe, tmp_path / "s.html", 200.0, seed=None).read_text(encoding="utf-8")
    gels = recipe.base_gels(split_plan, 200.0)
    for run, rows in gels.beakers.items():
        line = rows.set_index("do").loc["tromethamine"]
        assert f"base really poured: ________ g ÷ 100 × {100 * float(line['rate']):.4f} g; write the result" in text
        masses = rows.set_index("do")["grams"]
        net = masses[gels.base_of(run).name] + masses["water, held back"]
        assert f'net mass after the top-up</td><td class="grams">{net}</td>' in text
    assert text.count("<h1><span>Base gel") == 2
    assert text.count("<h1><span>Premix C") == 1
    assert "&lt;wax&gt;" in text
    assert "<wax>" not in text
    csv = write_sheet(split_plan, recipe, tmp_path / "s.csv", 200.0, seed=None).read_text(encoding="utf-8-sig")
    assert f"# Base gel W1, {split_plan.fingerprint[:4]}-B1, for 2 beakers: water " in csv
    assert "g per 100 g of base really poured)" in csv
    assert "Page “" not in csv


def test_acid_of_the_beaker_is_added_on_paper(split_plan, recipe, tmp_path):
    acid = Ingredient("crosspolymer", "A", percent=0.2, acid_content=57.0, balance_readability=0.001)
    lines = [*recipe.lines[:4], acid, Step("stir", speed="speed")]
    text = write_sheet(split_plan, Recipe(lines), tmp_path / "s.html", 200.0).read_text(encoding="utf-8")
    assert re.search(r"÷ 100 × \d\.\d{4} g \+ \d\.\d{3} g; write", text)


@pytest.mark.parametrize("kind", [".xlsx", ".csv"])
def test_a_sheet_with_base_gels_is_read_back(kind, split_plan, recipe, tmp_path):
    path = write_sheet(split_plan, recipe, tmp_path / f"s{kind}", 200.0, seed=1)
    if kind == ".xlsx":
        book = openpyxl.load_workbook(path)
        sheet = book["Measurements"]
        head = next(r for r in range(1, 20) if sheet.cell(r, 1).value == "order")
        column = next(c.column for c in sheet[head] if str(c.value).startswith("pH"))
        for row in range(head + 1, head + 5):
            sheet.cell(row, column).value = 6.1
        rows = beaker_rows(book["Batches"], f"{split_plan.fingerprint[:4]}-2")
        rows["base gel W1"][4].value = 180.2
        net = next(r for r in book["Batches"].iter_rows() if r[2].value == "net mass after the top-up")
        net[4].value = 199.1
        tops = {}
        for name in ("Premixes", "Base gels"):
            first = next(r for r in book[name].iter_rows() if isinstance(r[3].value, int | float))
            tops[name] = round(1.01 * first[3].value, 2)  # as well as a bench weighs
            first[0].value, first[4].value = "x", tops[name]
            made_by = next(r for r in book[name].iter_rows() if r[2].value == "made by")
            made_by[3].value = "A. N."
        book.save(path)
    records = read_sheet(path, split_plan)
    assert records.problems.empty
    assert len(records.data) == (4 if kind == ".xlsx" else 0)
    if kind == ".xlsx":  # what was weighed comes back, of what is made once (run 0) as of the batches
        code, own = split_plan.fingerprint[:4], records.weighed
        apart = own[own["run"] == 0].set_index("page")
        assert apart["actual"].to_dict() == {
            f"Premix C, {code}-P1": tops["Premixes"],
            apart.index[1]: tops["Base gels"],
        }
        assert apart.index[1].startswith(f"Base gel W{apart.index[1][-1]}, {code}-B")
        assert apart["done"].all()
        assert sorted(own.loc[own["run"] != 0, "actual"]) == [180.2, 199.1]
        assert records.entries[["run", "entry", "value"]].to_numpy().tolist() == [[0, "made by", "A. N."]] * 2
        (poured,) = own.loc[own["do"] == "base gel W1", "run"]
        assert poured == 2
        assert "180.2" in str(records.batch(2))


def test_when_beakers_come_from_base_gels(split_plan, recipe, tmp_path, sentence_of):
    def sheets(plan, made_by, **how):
        return openpyxl.load_workbook(write_sheet(plan, made_by, tmp_path / "s.xlsx", 200.0, **how)).sheetnames

    assert "Base gels" not in sheets(split_plan, recipe, base_gels=False)
    fixed = Recipe(
        [Ingredient("water", "A", balance=True), Ingredient("carbomer", "A", percent=0.3, acid_content=62.0)]
    )
    assert "Base gels" not in sheets(split_plan, fixed)  # nothing of it is hard to change
    assert "Base gels" in sheets(split_plan, fixed, base_gels=True)
    assert "Base gels" in sheets(split_plan, Recipe(fixed.lines, base_gel=BaseGel(losses=3.0)))
    late = Recipe(
        [Ingredient("oil", "A", factor="degree"), *fixed.lines[:1], Ingredient("carbomer", "A", factor="carbomer")]
    )
    path = tmp_path / "late.xlsx"
    assert sentence_of(lambda: write_sheet(split_plan, late, path)) == (
        "base gel is 'empty, as oil comes first, which degree changes from beaker to beaker' but must be of one ingredient at least: move "
        "what the beakers share to the front of the recipe, or make each batch by itself; or give base_gels=False to make each batch by "
        "itself."
    )
    assert not path.exists()
    assert sentence_of(lambda: write_sheet(split_plan, recipe, path, base_gels="yes")) == (
        "base_gels is 'yes' but must be True, False or None: write one of the three."
    )
    assert sentence_of(lambda: write_sheet(split_plan, None, path, base_gels=True)) == (
        "base_gels is True but must be False or None without a recipe: give the recipe second."
    )
    assert sentence_of(lambda: write_sheet(split_plan, recipe, path, needs=200)) == (
        "needs is 'int' but must be what doe.bench.needs gives, or None: call doe.bench.needs."
    )


def _cells(rows):
    """The labels that stand beside each other in these rows, each as the values of its cells."""
    beside = [[cell.value for cell in cells] for cells in zip(*rows, strict=True)]
    return [values for values in beside if any(values)]


def test_a_label_for_each_jar_and_a_small_batch_named(split_plan, recipe, tmp_path):
    asked = needs(split_plan.study, {"viscosity": 40, "pH": 10}, jar=50)
    assert asked.jars == 3
    path = write_sheet(split_plan, recipe, tmp_path / "s.xlsx", 140.0, seed=None, needs=asked)
    book = openpyxl.load_workbook(path)
    rows = list(book["Labels"].iter_rows())
    labels = ["\n".join(map(str, parts)) for k in range(0, len(rows), 3) for parts in _cells(rows[k : k + 3])]
    assert len(labels) == 1 + 2 + 4 * 3  # premix, base gels, jars
    code = split_plan.fingerprint[:4]
    assert sum(text.startswith(f"{code}-1   run 1") for text in labels) == 3
    finished = [c.row for c in book["Batches"]["C"] if c.value == "finished at"]
    # as long as nobody wrote down when the batch was finished, the label says in words when it is due
    said = f"""=IF(ISNUMBER('Batches'!$D${finished[0]}),'Batches'!$D${finished[0]}+28.0,"due 4 wk after making: ____________")"""
    assert sum("\n4 wk: viscosity\n" + said in text for text in labels) == 1
    assert [text.partition("\n")[0] for text in labels[:3]] == [
        f"{code}-P1   premix C",
        f"{code}-B1   base gel W1",
        f"{code}-B2   base gel W2",
    ]
    assert "\nfor 2 beakers; mass: ________ g\nmade: ____" in labels[2]
    first = " ".join(str(row[0].value) for row in book["Read first"].iter_rows())
    assert "Each batch fills 3 jars of 50 g" in first
    short = (
        "To settle before weighing • batch_size is 140.0 but must be 150 g or more, as 3 jars of 50 g are read: make larger batches, take "
        "smaller jars, or read less often."
    )
    assert short in first
    large = write_sheet(split_plan, recipe, tmp_path / "l.html", 150.0, seed=None, needs=asked).read_text(
        encoding="utf-8"
    )
    assert "Each batch fills 3 jars of 50 g" in large
    assert "To settle before weighing" not in large
    assert large.count("<br><strong>due 4 wk after making: ____") == 4
