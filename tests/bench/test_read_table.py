"""Tables without a plan: a plan is made of them, batches are told from readings, and what cannot do is refused in one sentence."""

import pandas as pd
import pytest

from doe.bench import read_sheet, read_table, write_sheet
from doe.study import Component, Continuous, Response, Study

PLAIN = """\
run,polymer,speed,vessel,viscosity,pH,held,remark
1,0.2,200,-round,4500,6.12,40.5,
2,0.6,200,square,21000,6.05,97,lumpy
3,0.2,600,square,5100,n/a,55,
4,0.4,400,-round,12000,6.10,82,
5,0.4,400,-round,12600,6.07,85,
"""


@pytest.fixture
def table(tmp_path):
    """Writes a text as a file and gives its path."""

    def write(text, name="table.csv"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.fixture
def refusal(table, study, sentence_of):
    """The sentence with which a text is refused, without the file's name."""

    def sentence(text, of=study):
        path = table(text)
        return sentence_of(lambda: read_table(path, of)).replace(f"file '{path}'", "FILE")

    return sentence


# ---- what is taken


def test_a_plain_table_makes_its_own_plan(table, study):
    records = read_table(table(PLAIN), study)
    assert records.problems.empty
    assert records.plan.runs["polymer"].tolist() == [0.2, 0.6, 0.2, 0.4, 0.4]
    assert records.plan.runs.index.tolist() == [1, 2, 3, 4, 5]
    assert len(records.data) == 14
    assert records.remarks.values.tolist() == [[2, 2, "lumpy"]]
    frame = records.frame("viscosity")
    assert frame.columns.tolist() == ["run", "polymer", "speed", "vessel", "viscosity", "readings"]
    assert frame["viscosity"].tolist() == [4500, 21000, 5100, 12000, 12600]


def test_rows_with_the_same_settings_are_batches_made_again(table, study):
    """Runs 4 and 5 of the table above: two batches, so that they give pure error."""
    text = "\n".join(line.split(",", 1)[1] for line in PLAIN.splitlines()) + "\n"
    records = read_table(table(text), study)
    assert records.plan.runs.index.tolist() == [1, 2, 3, 4, 5]
    assert (records.data["replicate"] == 1).all()


def test_runs_come_in_any_order_and_labels_are_known_heads(table, study):
    head, *rows = PLAIN.splitlines()
    head = head.replace("polymer", "Polymer (%)").replace("viscosity", "VISCOSITY (mPa·s)")
    records = read_table(table("\n".join([head, *reversed(rows)]) + "\n"), study)
    assert records.problems.empty
    assert records.plan.runs["polymer"].tolist() == [0.2, 0.6, 0.2, 0.4, 0.4]


def test_rows_of_one_batch_are_its_readings(table, study):
    text = "batch,polymer,speed,vessel,pH\nB7,0.2,200,square,6.0\nB7,0.2,200,square,6.2\nB9,0.6,200,square,6.3\n"
    records = read_table(table(text), study)
    frame = records.frame("pH")
    assert frame[["run", "readings"]].values.tolist() == [[1, 2], [2, 1]]
    assert frame["pH"].tolist() == pytest.approx([6.1, 6.3])
    assert records.data["batch"].tolist() == ["B7", "B7", "B9"]
    assert len(records.plan.runs) == 2


def test_replicate_numbers_the_readings_of_a_run(table, study):
    text = "run,replicate,polymer,speed,vessel,pH\n1,2,0.2,200,square,6.2\n1,1,0.2,200,square,6.0\n2,1,0.6,200,square,6.3\n"
    records = read_table(table(text), study)
    assert records.data[["run", "replicate", "value"]].values.tolist() == [[1, 1, 6.0], [1, 2, 6.2], [2, 1, 6.3]]


def test_two_batches_of_one_run_become_two_runs_and_it_is_said(table, study):
    text = "run,batch,polymer,speed,vessel,pH\n1,a,0.2,200,square,6.0\n1,b,0.2,200,square,6.2\n2,c,0.6,200,square,6.3\n"
    records = read_table(table(text), study)
    assert records.frame("pH")["readings"].tolist() == [1, 1, 1]
    assert records.problems.iloc[-1][["found", "allowed"]].tolist() == ["runs 1, 1, 2", "1 to 3, each on one batch"]


def test_runs_with_a_gap_are_numbered_anew_and_it_is_said(table, study):
    text = "\n".join(line for line in PLAIN.splitlines() if not line.startswith("2,")) + "\n"
    records = read_table(table(text), study)
    assert records.plan.runs.index.tolist() == [1, 2, 3, 4]
    assert records.problems["found"].tolist() == ["runs 1, 3, 4, 5"]
    assert "numbered anew 1 to 4" in records.problems["mend"].iloc[0]


def test_blocks_and_whole_plots_are_taken(table):
    study = Study(
        "split", [Continuous("polymer", 0, 1, hard_to_change=True), Continuous("speed", 0, 1)], [Response("y")]
    )
    text = "block,whole plot,polymer,speed,y\nmon,1,0,0,1\nmon,1,0,1,2\ntue,2,1,0,3\ntue,2,1,1,4\n"
    records = read_table(table(text), study)
    assert records.plan.block.tolist() == ["mon", "mon", "tue", "tue"]
    assert records.plan.whole_plot.tolist() == ["1", "1", "2", "2"]
    assert records.frame("y").columns.tolist() == ["run", "block", "whole_plot", "polymer", "speed", "y", "readings"]
    assert read_table(table(text.replace("mon", "").replace("tue", "")), study).plan.block is None


def test_a_balance_component_may_be_left_out(table):
    study = Study("blend", [Component("a", 0, 60), Component("water", 40, 100)], [Response("y")], balance="water")
    records = read_table(table("a,y\n10,1\n60,2\n"), study)
    assert records.plan.runs["water"].tolist() == [90, 40]


def test_a_filled_run_sheet_is_a_table_too(workbook, study, plan, readings):
    path = workbook.save()
    found, sheet = read_table(path, study), read_sheet(path, plan)
    pd.testing.assert_frame_equal(found.data, sheet.data)
    pd.testing.assert_frame_equal(found.plan.runs, plan.runs)
    assert dict(found.order) == dict(sheet.order)


def test_an_unlisted_response_is_said_and_the_others_are_read(table, study):
    records = read_table(table("polymer,speed,vessel,pH\n0.2,200,square,6\n"), study)
    assert records.problems["found"].tolist() == ["no column for viscosity", "no column for held"]
    assert len(records.data) == 1


def test_an_extra_column_is_said_and_not_used(table, study):
    records = read_table(
        table("polymer,speed,vessel,pH,viscosity,held,operator\n0.2,200,square,6,5000,50,Kim\n"), study
    )
    assert records.problems["found"].tolist() == ["operator"]
    assert len(records.data) == 3


def test_text_in_a_readings_cell_is_listed(table, study):
    records = read_table(table(PLAIN.replace("21000", "thick")), study)
    assert records.problems[["cell", "found"]].values.tolist() == [["E3", "thick"]]
    assert len(records.data) == 13


def test_a_slipped_decimal_point_in_a_setting_is_listed(table):
    study = Study("free", [Continuous("polymer", 0.2, 0.6, "%")], [Response("y")])
    records = read_table(table("polymer,y\n0.2,1\n0.6,2\n4.0,3\n"), study)
    assert records.problems[["cell", "found", "allowed"]].values.tolist() == [
        ["A4", "4", "polymer: about 0.2 to 0.6 %"]
    ]
    assert records.plan.runs["polymer"].tolist() == [0.2, 0.6, 4.0]


def test_a_row_may_end_before_its_remark(table, study):
    records = read_table(table(PLAIN.replace("40.5,\n", "40.5\n")), study)
    assert records.problems.empty
    assert len(records.data) == 14


# ---- what is refused


def test_columns_missing_or_misspelt(refusal, study):
    assert refusal(PLAIN.replace("polymer", "polymr")) == (
        "FILE: column 'polymr' is 'unknown' but must be a column of this study: did you mean 'polymer'? Rename it."
    )
    assert refusal(PLAIN.replace("viscosity", "viscocity (mPas)")) == (
        "FILE: column 'viscocity (mPas)' is 'unknown' but must be a column of this study: did you mean 'viscosity'? Rename it."
    )
    assert refusal(PLAIN.replace("speed", "tempo")) == (
        "FILE: column 'speed' is 'missing' but must be there, one for every factor: add it, or rename the one meant by it among "
        "['run', 'polymer', 'tempo', 'vessel', 'viscosity', 'pH', 'held', 'remark']."
    )
    assert refusal("polymer,speed,vessel\n0.2,200,square\n") == (
        "'table.csv': response columns is 'missing' but must be there, one for every response: add ['viscosity (mPa·s)', 'pH', 'held (%)']."
    )


def test_settings_that_cannot_be_used(refusal):
    assert refusal(PLAIN.replace("0.6,200", "much,200")) == (
        "FILE, cell B3 (polymer) is 'much' but must be a number in %: type the number, or leave the cell blank and say why in the remark."
    )
    assert refusal(PLAIN.replace("0.6,200", ",200")) == (
        "FILE, cell B3 (polymer) is 'blank' but must be the setting of that batch: fill it in, or delete the row."
    )
    assert refusal(PLAIN.replace("square,5100", "sqare,5100")) == (
        "FILE, cell D4 (vessel) is 'sqare' but must be one of -round, square: did you mean 'square'?"
    )
    assert refusal(PLAIN.replace("0.6,200", '0.6,"2,000"')) == (
        "FILE, cell C3 (speed) is '2,000' but must be a number in rpm that can be read in one way only: "
        "write 2000 if 2 thousand is meant, or 2.0000 if 2 and a part is meant."
    )


def test_one_run_with_different_settings(refusal):
    doubled = PLAIN + "2,0.6,400,square,20000,6.0,96,\n"
    assert refusal(doubled) == (
        "FILE, rows 3 and 7: run 2 is 'there twice' but must be there once, or told apart: give readings of one batch different numbers "
        "in a column replicate, and a batch made again a run number of its own."
    )
    told_apart = "run,replicate,polymer,speed,vessel,pH\n1,1,0.2,200,square,6.2\n1,2,0.2,400,square,6.0\n"
    assert refusal(told_apart) == (
        "FILE, rows 2 and 3: speed of run 1 is '200 and 400' but must be the same in every row of it: "
        "correct the setting, or give the other batch its own number."
    )
    by_batch = "batch,polymer,speed,vessel,pH\nB1,0.2,200,square,6.2\nB1,0.3,200,square,6.0\n"
    assert refusal(by_batch).startswith("FILE, rows 2 and 3: polymer of batch B1 is '0.2 and 0.3'")


def test_rows_that_cannot_be_told_apart(refusal):
    head = "replicate,polymer,speed,vessel,pH\n1,0.2,200,square,6.2\n"
    assert refusal(head) == (
        "FILE: column 'replicate' is 'without a column run or batch' but must be beside one that says which rows are of one batch: "
        "add a column batch: one label for readings of the same batch, another for a batch made again."
    )
    assert refusal("run," + head.replace("\n1,", "\n1,first,")) == (
        "FILE, cell B2 (replicate) is 'first' but must be a whole number from 1: say which reading of its batch it is."
    )
    assert (
        refusal("run," + head.replace("\n1,", "\n,1,"))
        == "FILE, cell A2 (run) is 'blank' but must be a run number or label: fill it in."
    )
    assert refusal("run," + head.replace("\n1,", "\n1,1,") + "1,1,0.2,200,square,6.3\n").startswith(
        "FILE, rows 2 and 3: run 1 is 'there twice with replicate 1'"
    )


def test_nothing_read_at_all(refusal):
    assert refusal("polymer,speed,vessel,pH\n0.2,200,square,\n") == (
        "FILE: responses is 'without a single reading' but must be read on at least one batch: fill in the readings."
    )
    assert refusal("polymer,speed,vessel,pH,viscosity,held\n0.2,200,square,thick,,\n") == (
        "FILE: responses is \"without a single reading; cell D2: 'thick'\" but must be read on at least one batch: fill in the readings."
    )
    assert refusal("polymer,speed,vessel,pH\n") == (
        "FILE is 'without a row under its heads' but must be a table of at least one batch: fill it in."
    )


def test_a_file_that_breaks_off_or_slips(refusal):
    assert refusal(PLAIN[:-20]) == (
        "FILE, row 6 is 'cut short' but must be a whole row: the file may have been cut off: take the last good copy."
    )
    assert refusal(PLAIN.replace("6.12", "6,12")) == (
        "FILE, row 2 is '9 cells' but must be 8 cells, one a column: a decimal comma may have split a number: "
        "save the file with semicolons, or as .xlsx."
    )


def test_studies_that_cannot_be_read_for(refusal, study, table, sentence_of):
    assert sentence_of(lambda: read_table(table(PLAIN), "study.json")) == (
        "study is 'str' but must be a Study: load it with doe.Study.load."
    )
    assert refusal(PLAIN, Study("none", study.factors)) == (
        "study: responses is [] but must be at least one response: say what was measured."
    )
    hard = Study("hard", [Continuous("polymer", 0.2, 0.6, hard_to_change=True), *study.factors[1:]], study.responses)
    assert "whole_plot" in refusal(PLAIN, hard)


def test_another_study_of_the_same_sheet_is_the_columns_affair(plan, tmp_path, sentence_of):
    """read_table knows no plan, so no fingerprint stops it: the columns must fit."""
    path = write_sheet(plan, None, tmp_path / "sheet.csv")
    other = Study("other", [Continuous("sugar", 0, 1)], [Response("taste")])
    assert "without a row of known column heads" in sentence_of(lambda: read_table(path, other))
