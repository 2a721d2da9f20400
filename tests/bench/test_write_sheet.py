"""The run sheet as it is written: everything on it, nothing that runs, and whole or not at all."""

import csv
import io
import re

import openpyxl
import pandas as pd
import pytest

from doe.bench import Ingredient, Premix, Recipe, Records, read_sheet, write_sheet
from doe.designs import Plan
from doe.study import Categorical, Continuous, Response, Study

CAUTIONS = [
    "dust",
    "burn skin",
    "never water onto solid",
    "Impeller",
    "Hot plate",
    "test on skin",
    "Safety data sheets",
]


@pytest.fixture
def hostile_plan():
    """Names and levels that a spreadsheet or a browser would run."""
    study = Study(
        "=HYPERLINK(1) <b>",
        [Continuous("+A1", 0, 1), Categorical("@kind", ["=1+1", "<script>alert(1)</script>"])],
        [Response("-y", unit="<i>", transform="log")],
        notes="=cmd|' /C calc'!A0\n<img src=x>",
    )
    return Plan.from_frame(study, pd.DataFrame({"+A1": [0.0, 1.0], "@kind": ["=1+1", "<script>alert(1)</script>"]}))


def all_texts(book):
    return [c.value for sheet in book for row in sheet.iter_rows() for c in row if isinstance(c.value, str)]


def csv_rows(path):
    return list(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))))


# ---- .xlsx


def test_workbook_lists_runs_in_the_drawn_order(plan, tmp_path, open_workbook):
    book = open_workbook(write_sheet(plan, None, tmp_path / "sheet.xlsx", seed=3))
    drawn = plan.randomised(3)
    assert list(book.rows) == list(drawn.runs.index)
    for run, row in book.rows.items():
        assert book.sheet.cell(row, 1).value == list(drawn.runs.index).index(run) + 1
        for factor in plan.study.factors:
            assert book.cell(run, factor.label).value == plan.runs.at[run, factor.name]


def test_seed_draws_the_order_and_none_keeps_the_plans(plan, tmp_path, open_workbook):
    def order(seed):
        return list(open_workbook(write_sheet(plan, None, tmp_path / "sheet.xlsx", seed=seed)).rows)

    assert order(None) == [1, 2, 3, 4, 5]
    assert order(3) == order(3)
    assert len({tuple(order(seed)) for seed in range(6)}) > 1


def test_only_entry_cells_are_unlocked_and_numbers_have_the_steps_decimals(plan, tmp_path, open_workbook):
    book = open_workbook(write_sheet(plan, None, tmp_path / "sheet.xlsx"))
    assert book.sheet.protection.sheet
    locked = {head: book.cell(1, head).protection.locked for head in book.heads}
    assert {head for head, is_locked in locked.items() if not is_locked} == {
        "viscosity (mPa·s)",
        "pH",
        "held (%)",
        "made / failed",
        "reason if failed",
        "remark",
        "as made: polymer (%)",
        "as made: speed (rpm)",
        "as made: vessel",
        "same batch read again, or made again?",
    }
    assert book.cell(1, "polymer (%)").number_format == "0.00"  # step 0.01
    assert book.cell(1, "speed (rpm)").number_format == "0"


def test_entry_cells_take_numbers_inside_the_transforms_range(plan, tmp_path, open_workbook):
    book = open_workbook(write_sheet(plan, None, tmp_path / "sheet.xlsx"))
    rules = {str(rule.sqref).split(":")[0]: rule for rule in book.sheet.data_validations.dataValidation}
    first = book.header + 1

    def rule(head):
        return rules[f"{openpyxl.utils.get_column_letter(book.heads[head])}{first}"]

    assert rule("viscosity (mPa·s)").type == "custom"
    assert "F5>=0.0" in rule("viscosity (mPa·s)").formula1
    assert "H5>=0.0,H5<=100.0" in rule("held (%)").formula1
    assert ">=" not in rule("pH").formula1
    for words in ('"<>≤≥"', '".."', '"n/a"'):  # what is known of a reading that is no number may be written too
        assert words in rule("pH").formula1
    assert "from 0 to 100" in rule("held (%)").error
    assert rule("made / failed").formula1 == '"made,failed"'
    assert all(r.allow_blank for r in rules.values())
    assert rule("as made: vessel").formula1 == '"-round,square"'
    assert "ISNUMBER" in rule("as made: polymer (%)").formula1
    assert rule("same batch read again, or made again?").formula1 == '"read again,made again"'
    assert str(rule("pH").sqref).endswith(str(book.header + 5))


def test_page_is_set_for_screen_and_paper(plan, tmp_path, open_workbook):
    sheet = open_workbook(write_sheet(plan, None, tmp_path / "sheet.xlsx")).sheet
    assert sheet.freeze_panes == "F5"
    assert sheet.page_setup.orientation == "landscape"
    assert sheet.sheet_properties.pageSetUpPr.fitToPage
    assert (sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight) == (1, 0)
    assert sheet.print_title_rows == "$4:$4"
    assert plan.fingerprint in sheet.oddFooter.left.text


def test_fingerprint_specifications_and_cautions_stand_in_the_workbook(plan, tmp_path):
    text = "\n".join(all_texts(openpyxl.load_workbook(write_sheet(plan, None, tmp_path / "sheet.xlsx"))))
    for words in [f"Plan fingerprint: {plan.fingerprint}", "8000 to 30000 mPa·s", *CAUTIONS]:
        assert words in text


def test_no_text_of_the_users_is_a_formula(hostile_plan, tmp_path):
    book = openpyxl.load_workbook(write_sheet(hostile_plan, None, tmp_path / "sheet.xlsx", readings=2))
    cells = [c for sheet in book for row in sheet.iter_rows() for c in row]
    assert not [c.coordinate for c in cells if c.data_type == "f"]
    assert "=1+1" in [c.value for c in cells]


# ---- readings, blocks, whole plots


@pytest.mark.parametrize("suffix", [".xlsx", ".csv", ".html"])
def test_later_readings_are_said_to_be_of_the_same_batch(plan, tmp_path, suffix):
    def text(readings):
        path = write_sheet(plan, None, tmp_path / f"sheet{suffix}", readings=readings)
        return (
            "\n".join(all_texts(openpyxl.load_workbook(path)))
            if suffix == ".xlsx"
            else path.read_text(encoding="utf-8")
        )

    assert "(same batch read again)" not in text(1)
    for words in ("pH, reading 1", "pH, reading 3 (same batch read again)", "not a batch made again"):
        assert words in text(3)


@pytest.mark.parametrize("suffix", [".xlsx", ".csv", ".html"])
def test_blocks_and_whole_plots_stand_on_the_sheet_with_what_they_ask(tmp_path, suffix, open_workbook):
    study = Study(
        "split", [Continuous("polymer", 0, 1, hard_to_change=True), Continuous("speed", 0, 1)], [Response("y")]
    )
    runs = pd.DataFrame(
        {
            "polymer": [0, 0, 1, 1.0],
            "speed": [0, 1, 0, 1.0],
            "whole_plot": ["a", "a", "b", "b"],
            "block": ["mon", "mon", "tue", "tue"],
        }
    )
    path = write_sheet(Plan.from_frame(study, runs), None, tmp_path / f"sheet{suffix}")
    text = "\n".join(all_texts(openpyxl.load_workbook(path))) if suffix == ".xlsx" else path.read_text(encoding="utf-8")
    for words in (
        "whole plot",
        "block",
        "mon",
        "set polymer once for all its batches",
        "Finish one block before the next",
    ):
        assert words in text
    if suffix == ".xlsx":
        book = open_workbook(path)
        thick = [book.sheet.cell(book.header + i, 1).border.top.style for i in range(1, 5)]
        assert thick == ["thin", "thin", "medium", "thin"]


# ---- .csv


def test_csv_says_the_same_and_neutralises_formulas(hostile_plan, tmp_path):
    path = write_sheet(hostile_plan, None, tmp_path / "sheet.csv", seed=None)
    rows = csv_rows(path)
    heads = next(row for row in rows if row[0] == "order")
    assert heads == [
        "order",
        "run",
        "'+A1",
        "'@kind",
        "'-y (<i>)",
        "made / failed",
        "reason if failed",
        "remark",
        *heads[8:],
    ]
    assert heads[8:] == ["as made: +A1", "as made: @kind", "same batch read again, or made again?"]
    assert rows[-2][:4] == ["1", "1", "0", "'=1+1"]
    assert rows[-1][:4] == ["2", "2", "1", "<script>alert(1)</script>"]
    assert not [cell for row in rows for cell in row if re.match(r"[=+@\t\r]|-\D", cell)]
    text = path.read_text(encoding="utf-8-sig")
    for words in [f"Plan fingerprint: {hostile_plan.fingerprint}", *CAUTIONS]:
        assert words in text


def test_csv_keeps_settings_exact_and_negative_numbers_numbers(tmp_path):
    study = Study("cold", [Continuous("temperature", -10, 25, "°C")], [Response("y")])
    plan = Plan.from_frame(study, pd.DataFrame({"temperature": [-10.0, 25.0, 7.123456789]}))
    cells = [row[2] for row in csv_rows(write_sheet(plan, None, tmp_path / "s.csv", seed=None))[-3:]]
    assert cells == ["-10", "25", "7.123456789"]


# ---- .html


def test_html_is_escaped_and_complete(hostile_plan, tmp_path):
    text = write_sheet(hostile_plan, None, tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "<script" not in text
    assert "<img" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    for words in [hostile_plan.fingerprint, *CAUTIONS, "☐ made", "☐ failed", "@page { size: A4 landscape"]:
        assert words in text


def test_html_needs_no_network(plan, tmp_path):
    text = write_sheet(plan, None, tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert not re.search(r"https?://|src=|@import|<link", text)
    assert text.count("<tr") == 2 + 5


# ---- bad input, whole files


def test_a_file_that_cannot_be_written_leaves_the_old_one(plan, tmp_path, monkeypatch, sentence_of):
    path = write_sheet(plan, None, tmp_path / "sheet.csv")
    before = path.read_bytes()
    monkeypatch.setattr("os.replace", lambda *_: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    assert "is 'sheet.csv'" in sentence_of(lambda: write_sheet(plan, None, path, seed=9)).replace(
        str(tmp_path) + "/", ""
    )
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["sheet.csv"]


def test_bad_input_in_one_sentence(plan, tmp_path, sentence_of):
    assert sentence_of(lambda: write_sheet(plan, None, "sheet.doc")) == (
        "path is 'sheet.doc' but must be a name that ends in .xlsx, .csv or .html: choose one of these kinds of sheet."
    )
    assert sentence_of(lambda: write_sheet(plan.runs, None, tmp_path / "s.csv")) == (
        "plan is 'DataFrame' but must be a Plan: make one with doe.designs."
    )
    assert sentence_of(lambda: write_sheet(plan, None, tmp_path / "s.csv", readings=0)) == (
        "readings is 0 but must be a whole number from 1 to 20: say how often each batch is read."
    )
    assert sentence_of(lambda: write_sheet(plan, None, tmp_path / "s.csv", seed=-1)).startswith(
        "randomised: seed is -1"
    )
    bare = Plan.from_frame(Study("nothing read", plan.study.factors), plan.runs)
    assert sentence_of(lambda: write_sheet(bare, None, tmp_path / "s.csv")) == (
        "study: responses is [] but must be at least one response: say what will be measured."
    )
    twice = Study("heads", [Continuous("made / failed", 0, 1)], [Response("y")])
    assert sentence_of(
        lambda: write_sheet(Plan.from_frame(twice, pd.DataFrame({"made / failed": [0.0]})), None, tmp_path / "s.csv")
    ) == (
        "sheet: column is 'made / failed' but must be the head of one column: rename the factor or response that bears it."
    )
    assert "make the folder" in sentence_of(lambda: write_sheet(plan, None, tmp_path / "no" / "s.csv"))


def test_the_sheet_says_whether_its_order_was_drawn(plan, tmp_path):
    def text(of, seed):
        return write_sheet(of, None, tmp_path / "sheet.csv", seed=seed).read_text(encoding="utf-8-sig")

    assert "order drawn with seed 3" in text(plan, 3)
    assert "it was drawn by lot" in text(plan, 3)
    assert "order as in the plan" in text(plan, None)
    assert "was not drawn by lot" in text(plan, None)
    assert "order drawn with seed 8" in text(plan.randomised(8), None)
    assert "was not drawn" not in text(plan.randomised(8), None)


@pytest.fixture
def longer():
    """A split plot of three base gels, the last added after the first two were made; a premix goes into every beaker."""
    study = Study(
        "longer (invented)",
        [Continuous("polymer", 0.2, 0.6, "%", hard_to_change=True), Continuous("oil", 2, 6, "%")],
        [Response("viscosity", "mPa·s", times=("24 h", "4 wk")), Response("pH")],
    )
    table = pd.DataFrame(
        {"polymer": [0.2, 0.2, 0.6, 0.6, 0.4, 0.4], "oil": [2.0, 6, 2, 6, 4, 4], "whole_plot": list("AABBCC")}
    )
    recipe = Recipe(
        [
            Ingredient("water", "A", balance=True),
            Ingredient("polymer", "A", factor="polymer", balance_readability=0.001),
            Ingredient("oil", "B", factor="oil"),
            Ingredient("preservative", "C", percent=0.5),
            Ingredient("glycerin", "C", percent=4.5),
        ],
        premixes=[Premix("C", 5.0)],
    )
    return Plan.from_frame(study, table), recipe


def test_a_sheet_for_the_batches_that_were_added(longer, tmp_path, sentence_of):
    plan, recipe = longer
    path = write_sheet(plan, recipe, tmp_path / "s.xlsx", 200.0, seed=None, runs=[5, 6])
    book = openpyxl.load_workbook(path)
    titles = [c.value for c in book["Batches"]["A"] if str(c.value).startswith("Batch ")]
    assert [title.split("run ")[1].split(",")[0] for title in titles] == ["5", "6"]
    assert "number 5 of 6" in titles[0]
    apart = [str(c.value) for name in ("Premixes", "Base gels") for c in book[name]["A"] if c.value]
    assert [text.split(",")[0] for text in apart if ": for " in text] == ["Premix C", "Base gel C"]
    own = recipe.premixes_made(plan, 200.0, recipe.base_gels(plan, 200.0, [5, 6]))[0]
    every = recipe.premixes_made(plan, 200.0, recipe.base_gels(plan, 200.0))[0]
    assert float(own.made.portions) == pytest.approx(float(every.made.portions) / 3)
    assert f"{own.total} g" in " ".join(apart)
    labels = {str(cell.value).split()[0] for row in book["Labels"] for cell in row if "run " in str(cell.value)}
    assert labels == {f"{plan.fingerprint[:4]}-5", f"{plan.fingerprint[:4]}-6"}
    # one base for one of its two beakers holds enough for that one
    one = recipe.base_gels(plan, 200.0, [5])
    assert [base.runs for base in one.bases] == [(5,)]
    assert list(one.beakers) == [5]
    alone = recipe.premixes_made(plan, 200.0, runs=[5])[0].made.portions
    assert alone == recipe.premixes_made(plan, 200.0)[0].made.portions / 6
    # read back, it says what it has; what was read before is joined by a word
    sheet = book["Measurements"]
    head = next(row for row in sheet.iter_rows() if row[0].value == "order")
    assert [sheet.cell(head[0].row + k, 2).value for k in (1, 2, 3)] == [5, 6, None]
    sheet.cell(head[0].row + 1, next(c.column for c in head if c.value == "pH")).value = 6.1
    book.save(path)
    records = read_sheet(path, plan)
    assert records.problems.empty
    assert records.data["run"].tolist() == [5]
    assert "2 batches, those of run 5, 6 of 6" in sheet["A2"].value
    sheet.delete_rows(head[0].row + 2)  # what it should have is missed
    book.save(tmp_path / "cut.xlsx")
    assert read_sheet(tmp_path / "cut.xlsx", plan).problems["found"].tolist() == ["no row of run 6 was taken"]
    table = write_sheet(plan, None, tmp_path / "s.csv", seed=None, runs=[6])
    assert read_sheet(table, plan).problems.empty
    page = write_sheet(plan, recipe, tmp_path / "s.html", 200.0, seed=None, runs=[6]).read_text(encoding="utf-8")
    assert "1 batch, those of run 6 of 6" in page
    assert page.count("<h1><span>Batch ") == 1
    before = Records.from_frame(pd.DataFrame({"run": [1, 2], "pH": [5.8, 5.9]}), plan)
    assert before.with_later(records).data["run"].tolist() == [1, 2, 5]
    for given, found in (([7], "7"), ("5", "'5'"), ([True], "True"), ([[5]], "[5]")):
        assert sentence_of(lambda given=given: write_sheet(plan, recipe, path, runs=given)) == (
            f"runs is {found} but must be a run of the plan, 1 to 6: give a list such as [13, 14]."
        )
    for call in (recipe.base_gels, recipe.premixes_made):
        assert sentence_of(lambda call=call: call(plan, runs=[99])).startswith(
            "runs is 99 but must be a run of the plan"
        )
        assert sentence_of(lambda call=call: call(plan, runs=5.5)).startswith(
            "runs is 5.5 but must be a run of the plan"
        )
    assert sentence_of(lambda: write_sheet(plan, recipe, path, runs=[])) == (
        "runs is [] but must be at least one run of the plan: leave it out for all of them."
    )
