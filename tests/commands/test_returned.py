"""The command `record`: what returns is added to what was recorded, questions are answered once, nothing recorded is lost."""

import json

import openpyxl
import pandas as pd
import pytest
from typer.testing import CliRunner

import doe
from doe.__main__ import app
from doe.commands import answers_from, recorded

STUDY = doe.Study(
    "clear gel (invented)",
    [doe.Continuous("polymer", 0.2, 0.6, "%")],
    [
        doe.Response("viscosity", "mPa·s", transform="log", times=("24 h", "4 wk")),
        doe.Response("pH", decimals=2),
    ],
)
DAY = "2026-11-27"


@pytest.fixture
def bench(tmp_path):
    """A folder with the plan and its sheet, and how it is filled in: run -> head -> what is typed."""
    plan = doe.designs.Plan.from_frame(STUDY, pd.DataFrame({"polymer": [0.2, 0.3, 0.4, 0.5, 0.6]}))
    blank = doe.bench.write_sheet(plan, None, tmp_path / "run_sheet.xlsx", seed=None)

    def filled(name, typed):
        book = openpyxl.load_workbook(blank)
        page = book["Measurements"]
        header = next(r for r in range(1, 30) if page.cell(r, 1).value == "order")
        heads = {c.value: c.column for c in page[header]}
        for run, cells in typed.items():
            for head, value in cells.items():
                column = next(c for h, c in heads.items() if h and h.startswith(head))
                page.cell(header + run, column).value = value
        book.save(tmp_path / name)
        return tmp_path / name

    (tmp_path / "records").mkdir()
    return plan, filled, tmp_path / "records"


FIRST = {
    1: {"viscosity[24 h]": 9000, "pH": 5.91, "finished": "2026-11-02 10:00"},
    2: {"viscosity[24 h]": "12,345", "pH": 6.0, "finished": "2026-11-02 12:00"},
    3: {"pH": "about 6"},
}


def values(records):
    d = records.data
    return {(r.run, r.response, r.time): r.value for r in d.itertuples()}


def test_what_is_in_doubt_is_held_back_and_listed_with_its_cell(bench):
    plan, filled, folder = bench
    taken = recorded(plan, [filled("first.xlsx", FIRST)], folder, on=DAY, ahead=7)
    assert values(taken.records) == {(1, "viscosity", "24 h"): 9000, (1, "pH", ""): 5.91, (2, "pH", ""): 6.0}
    assert taken.open == 1
    text = str(taken)
    assert "Since the last time: 5 new, 0 corrected" in text  # three readings and two finishing days
    assert "12345 or 12.345" in text
    assert "about 6" in text
    assert 'Answer like --answer "Measurements!' in text
    # on the 27th, four weeks after the 2nd (the 30th) lie within seven days
    due = taken.due[taken.due["run"].isin([1, 2]) & (taken.due["time"] == "4 wk")]
    assert list(due["status"]) == ["due in 3 days", "due in 3 days"]
    assert not (recorded(plan, [filled("first.xlsx", FIRST)], folder, on=DAY).due["time"] == "4 wk").iloc[:2].any()
    again = doe.bench.read_sheet(folder / "records.csv", plan)
    assert values(again) == values(taken.records)


def test_an_answer_is_given_once_and_kept(bench):
    plan, filled, folder = bench
    sheet = filled("first.xlsx", FIRST)
    (cell,) = doe.bench.read_sheet(sheet, plan).questions["cell"]
    taken = recorded(plan, [sheet], folder, answers_from([f"{cell}=12345"]), on=DAY)
    assert values(taken.records)[2, "viscosity", "24 h"] == 12345
    assert taken.open == 0
    assert json.loads((folder / "answers.json").read_text(encoding="utf-8")) == {
        cell: {"found": "12,345", "answer": "12345"}
    }
    again = recorded(plan, [sheet], folder, on=DAY)
    assert (again.open, len(again.changes)) == (0, 0)
    # another text in the same cell is another question
    other = recorded(
        plan, [filled("second.xlsx", FIRST | {2: {"viscosity[24 h]": "12,346", "pH": 6.0}})], folder, on=DAY
    )
    assert other.open == 1
    assert values(other.records)[2, "viscosity", "24 h"] == 12345  # what was recorded stays
    (short,) = {cell.rpartition("!")[2]}
    fresh = folder.parent / "fresh"
    fresh.mkdir()
    assert recorded(plan, [sheet], fresh, {short: "12.345"}, on=DAY).open == 0
    assert recorded(plan, [sheet], fresh, on=DAY).open == 0


def test_what_is_new_is_added_and_what_was_recorded_changes_only_with_a_reason(bench):
    plan, filled, folder = bench
    recorded(plan, [filled("first.xlsx", FIRST)], folder, on=DAY)
    # another person's sheet, in which the first readings do not stand
    taken = recorded(plan, [filled("other.xlsx", {4: {"viscosity[24 h]": 15000, "pH": 6.2}})], folder, on=DAY)
    assert set(values(taken.records)) >= {(1, "viscosity", "24 h"), (4, "viscosity", "24 h")}
    assert list(taken.changes["change"]) == ["added", "added"]
    before = (folder / "records.csv").read_bytes()
    changed = filled("changed.xlsx", {4: {"viscosity[24 h]": 16000, "pH": 6.2}, 5: {"pH": 6.4}})
    with pytest.raises(doe.StudyError) as caught:
        recorded(plan, [changed], folder, on=DAY)
    assert caught.value.mend == "correct the sheet, or give the reason of the correction by --why; nothing was recorded"
    assert (folder / "records.csv").read_bytes() == before
    taken = recorded(plan, [changed], folder, why="read off the wrong line", who="Ann", on=DAY)
    assert values(taken.records)[4, "viscosity", "24 h"] == 16000
    assert sorted(taken.changes["change"]) == ["added", "changed"]
    with doe.Store(folder / "records.db") as store:
        table = str(store.history(4))
    assert "read off the wrong line" in table
    assert "Ann" in table
    assert "15000" in table  # the old value stays in the history


def test_several_sheets_are_recorded_together_or_not_at_all(bench):
    plan, filled, folder = bench
    one, two = filled("one.xlsx", {1: {"pH": 6.0}}), filled("two.xlsx", {2: {"pH": 6.1}})
    against = filled("three.xlsx", {1: {"pH": 6.3}})
    with pytest.raises(doe.StudyError):
        recorded(plan, [one, against], folder, on=DAY)
    assert not (folder / "records.csv").exists()
    taken = recorded(plan, [one, two], folder, on=DAY)
    assert values(taken.records) == {(1, "pH", ""): 6.0, (2, "pH", ""): 6.1}


def test_mistakes_cost_one_sentence(bench):
    plan, filled, folder = bench
    sheet = filled("first.xlsx", FIRST)
    other = doe.designs.Plan.from_frame(STUDY, pd.DataFrame({"polymer": [0.2, 0.6, 0.3, 0.4, 0.5]}))
    cases = [
        ((plan, []), {}, "SHEET is 'left out' but must be a returned sheet, or several: name the file that came back."),
        (
            (plan, [sheet, filled("b.xlsx", {})], folder, {"F5": "1"}),
            {},
            "--answer is 'given to 2 sheets' but must be given to one: record the sheets one at a time, each with its answers.",
        ),
        ((plan, [sheet, sheet]), {}, f"SHEET is {str(sheet)!r} but must be there once: leave one of the two out."),
        (
            (other, [sheet]),
            {},
            f"{str(sheet)!r}: plan fingerprint is {plan.fingerprint!r} but must be {other.fingerprint}, that of the plan: give the plan whose "
            'sheet it is; if its runs are the same, say --answer "plan fingerprint=same runs".',
        ),
    ]
    for words, options, sentence in cases:
        with pytest.raises(doe.StudyError) as caught:
            recorded(*(words if len(words) > 2 else (*words, folder)), **options)
        assert str(caught.value) == sentence
    assert not list(folder.iterdir())
    assert recorded(other, [sheet], folder, {"plan fingerprint": "same runs"}, on=DAY).records.plan is not None
    (folder / "records.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(doe.StudyError) as caught:
        recorded(other, [sheet], folder, {"plan fingerprint": "same runs"}, on=DAY)
    assert str(caught.value) == (
        f"file {str(folder / 'records.csv')!r} is 'changed since it was written' but must be as it was recorded: move it elsewhere; "
        "to add what stands in it, record it as a sheet."
    )
    bare = folder.parent / "bare"
    bare.mkdir()
    (bare / "records.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(doe.StudyError) as caught:
        recorded(plan, [sheet], bare, on=DAY)
    assert str(caught.value) == (
        f"--out is {str(bare)!r} but must be a folder without records.csv, or with its records.db: choose another folder, so that it is not lost."
    )
    assert (bare / "records.csv").read_text(encoding="utf-8") == "mine"


def test_answers_from_the_line_and_from_a_file(tmp_path):
    file = tmp_path / "answers.json"
    file.write_text('{"F5": 12345, "F6": "made again"}', encoding="utf-8")
    assert answers_from(["F5=12.5"], file) == {"F5": "12.5", "F6": "made again"}
    for texts, content, sentence in (
        (["F5"], "{}", '--answer is \'F5\' but must be CELL=ANSWER: write for example "Measurements!F12=12345".'),
        (["F5=1", "F5=2"], "{}", "--answer is 'F5' but must be there once: leave one of the two out."),
        ([], "[1]", f"file {str(file)!r} is 'list' but must be a mapping from cell to answer: write {{\"Measurements!F12\": 12345}}."),
        ([], "{", f"file {str(file)!r} is 'no JSON' but must be a mapping from cell to answer: write {{\"Measurements!F12\": 12345}}."),
        ([], '{"F5": [1]}', f"--answers {str(file)!r}: F5 is [1] but must be a number or a text: correct the answer."),
    ):  # fmt: skip
        file.write_text(content, encoding="utf-8")
        with pytest.raises(doe.StudyError) as caught:
            answers_from(texts, file)
        assert str(caught.value) == sentence
    with pytest.raises(doe.StudyError) as caught:
        answers_from([], tmp_path / "none.json")
    assert str(caught.value).endswith("is 'missing' but must be a file that exists and can be read: check the path.")


def test_the_commands_chain(bench, tmp_path, monkeypatch):
    """plan.json -> sheet -> record -> analyse's own reading: the same readings, and the sheet is in the plan's order."""
    plan, filled, _ = bench
    monkeypatch.chdir(tmp_path)
    STUDY.save("study.json")
    made = plan.randomised(3)
    (tmp_path / "bench").mkdir()
    made.save("bench/plan.json")
    runner = CliRunner()
    outcome = runner.invoke(app, ["sheet", "study.json", "--plan", "bench/plan.json", "--out", "bench"])
    assert outcome.exit_code == 0, outcome.output
    page = openpyxl.load_workbook("bench/run_sheet.xlsx")["Measurements"]
    header = next(r for r in range(1, 30) if page.cell(r, 1).value == "order")
    assert [page.cell(r, 2).value for r in range(header + 1, header + 6)] == list(made.runs.index)
    for option in (("--seed", "1"), ("--design", "box behnken"), ("--runs", "5"), ("--model", "linear")):
        outcome = runner.invoke(app, ["sheet", "study.json", "--plan", "bench/plan.json", "--out", "b", *option])
        assert str(outcome.exception).endswith(
            "must be left out with --plan: the plan is made already, with its order."
        )
    filled("first.xlsx", FIRST)
    asked = ["record", "bench/plan.json", "first.xlsx", "--on", DAY, "--ahead", "7", "--out", "kept"]
    outcome = runner.invoke(app, [*asked, "--answer", "E6=12345"])
    assert outcome.exit_code == 0, outcome.output
    for said in ("Since the last time: 6 new, 0 corrected", "about 6", "due in 3 days", "records.csv", "records.db"):
        assert said in outcome.output, said
    back = doe.bench.read_sheet("kept/records.csv", made)
    assert values(back)[2, "viscosity", "24 h"] == 12345


def test_what_was_weighed_off_its_target_gives_a_setting_as_made(bench, tmp_path):
    plan, filled, folder = bench
    recipe = doe.bench.Recipe(
        [doe.bench.Ingredient("water", "A", balance=True), doe.bench.Ingredient("polymer", "A", factor="polymer")]
    )
    doe.bench.write_sheet(plan, recipe, tmp_path / "run_sheet.xlsx", 100.0, seed=None)
    sheet = filled("first.xlsx", {1: {"pH": 5.91}, 2: {"pH": 6.0}})
    book = openpyxl.load_workbook(sheet)
    line = next(r for r in book["Batches"].iter_rows() if r[2].value == "polymer")
    line[4].value = 0.35  # of run 1, planned 0.20 g
    book.save(sheet)
    recipe.save(tmp_path / "recipe.json")
    plan.save(tmp_path / "plan.json")
    say = f"Batches!{line[4].coordinate}: polymer=as made"
    given = ["record", str(tmp_path / "plan.json"), str(sheet), "--out", str(folder), "--answer", say]
    refused = CliRunner().invoke(app, given)
    assert "no question is open" in str(refused.exception)  # without the recipe nothing is asked
    done = CliRunner().invoke(app, [*given, "--recipe", str(tmp_path / "recipe.json")])
    assert done.exit_code == 0, done.output
    made = doe.bench.read_sheet(folder / "records.csv", plan).as_made
    assert made.at[1, "polymer"] == pytest.approx(100 * 0.35 / 100.15)
    assert made.at[2, "polymer"] == 0.3
