"""What goes in comes out, on SQLite and on PostgreSQL; nothing is overwritten; every refusal is one whole sentence."""

import dataclasses
import re

import pandas as pd
import pytest
import sqlalchemy as sa
from store_trials import assert_same_records, full_records, small_plan, small_records, small_study

import doe
from doe.bench.recipe import Recipe


def said(call, *args, **kwargs):
    with pytest.raises(doe.StudyError) as caught:
        call(*args, **kwargs)
    return str(caught.value)


def recipe():
    return Recipe(
        [
            doe.bench.Ingredient("water", "A", balance=True),
            doe.bench.Ingredient("carbomer", "A", factor="polymer", acid_content=62.0),
        ]
    )


# ---- in and out


def test_a_study_a_plan_and_a_recipe_come_back(store, plan):
    for thing, name in ((plan.study, None), (plan, None), (recipe(), "clear gel")):
        answer = store.save(thing, name)
        assert (answer.version, answer.new) == (1, True)
        back = store.load(answer.kind, answer.name)
        assert back.content() == thing.content()
    assert store.names("plan") == [plan.study.name]
    assert store.names("recipe") == ["clear gel"]
    assert list(store.names()["kind"]) == ["plan", "recipe", "study"]


def test_what_is_kept_already_makes_no_new_version(store, plan):
    store.save(plan)
    assert repr(store.save(plan)) == "Plan 'clear gel (invented)': nothing new; version 1 stays the last"
    assert repr(store.save(plan.randomised(1), why="an order")) == "Plan 'clear gel (invented)': kept as version 2"
    assert store.load("plan", plan.study.name, version=1).content() == plan.content()
    assert store.load("plan", plan.study.name).content() == plan.randomised(1).content()
    versions = store.versions("plan", plan.study.name)
    assert list(versions["why"]) == ["", "an order"]
    assert list(versions["who"]) == ["Ada", "Ada"]


def test_records_with_everything_in_them_come_back(store):
    records = full_records()
    answer = store.save(records)
    assert_same_records(store.load("records", answer.name), records)
    assert store.load("plan", answer.name).content() == records.plan.content()


def test_records_of_the_invented_trial_come_back(tmp_path):
    plan = doe.designs.Plan.load("data/after_sun_gel/plan.json")
    records = doe.bench.read_sheet("data/after_sun_gel/records.csv", plan)
    store = doe.Store(tmp_path / "trials.db")
    store.save(records)
    assert_same_records(store.load("records", plan.study.name), records)
    fit, again = (doe.fit(plan.study, r, "pH") for r in (records, store.load("records", plan.study.name)))
    assert (fit.beta == again.beta).all()


def test_no_records_at_all_come_back(store, plan):
    records = small_records(plan, runs=[])
    store.save(records)
    assert_same_records(store.load("records", plan.study.name), records)


@pytest.mark.parametrize("label", [3, "3", "-7", "03", '"q"', "3b", "", "=1+1", "é ü", "1e3", "99999999999999999999"])
def test_labels_of_batches_stay_what_they_are(label):
    from doe.store.facts import label_from, label_text

    back = label_from(label_text(label))
    assert (back, type(back)) == (label, type(label))


def test_a_fit_is_kept_as_it_was_shown_with_its_ground(store, plan):
    records = doe.bench.read_sheet(
        "data/after_sun_gel/records.csv", doe.designs.Plan.load("data/after_sun_gel/plan.json")
    )
    fit = doe.fit(records.study, records, "pH", without={5: "spilt"})
    store.save(fit)
    kept = store.load("fit", "after-sun gel (invented): pH")
    assert repr(kept) == repr(fit) == kept.content["text"]
    assert kept._repr_html_().count("<table") == fit._repr_html_().count("<table")
    assert kept.content["coefficients"] == dict(zip(fit.model.columns, fit.beta, strict=True))
    assert kept.content["study"]["fingerprint"] == fit.study.fingerprint
    assert ["5", "spilt"] in kept.content["readings"]["left out"]
    assert len(kept.content["readings"]["fitted"]) == fit.n
    other = doe.fit(records.study, records, "pH")
    store.save(other)
    assert (
        store.load("fit", "after-sun gel (invented): pH").content["readings"]["fingerprint"]
        != kept.content["readings"]["fingerprint"]
    )
    assert store.load("fit", "after-sun gel (invented): pH", version=1).content == kept.content


def test_any_result_that_shows_itself_is_kept(store):
    study = doe.Study("two factors", [doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1)], [doe.Response("y", low=0)])
    check = doe.quality.check(doe.designs.full_factorial(study), "linear")
    store.save(check, "check before weighing")
    assert repr(store.load("check", "check before weighing")) == repr(check)


# ---- added, corrected, withdrawn


def test_saving_again_adds_only_what_is_new(store, plan):
    store.save(small_records(plan, runs=[1, 2]))
    answer = store.save(small_records(plan, runs=[1, 2, 3]))
    assert (answer.added, answer.corrected, answer.unchanged, answer.not_said) == (2, 0, 4, 0)
    assert_same_records(store.load("records", plan.study.name), small_records(plan, runs=[1, 2, 3]))
    assert_same_records(store.load("records", plan.study.name, version=1), small_records(plan, runs=[1, 2]))
    fewer = small_records(plan, runs=[1])
    fewer = dataclasses.replace(fewer, data=fewer.data.iloc[:1])
    assert store.save(fewer).not_said == 1
    assert len(store.load("records", plan.study.name).data) == 6


def test_moved_cells_say_nothing_new(store, plan):
    records = full_records(plan)
    store.save(records)
    moved = records.data.assign(cell="Z99")
    weighed = records.weighed.assign(cell="Z99")
    assert not store.save(dataclasses.replace(records, data=moved, weighed=weighed)).new


def test_a_changed_reading_needs_a_reason(store, plan):
    store.save(small_records(plan))
    before = store.versions("records", plan.study.name)
    assert said(store.save, small_records(plan, shift=0.5)) == (
        "store: records 'clear gel (invented)', run 1, pH and 7 more is '6.51' but must be as kept (6.01), or a correction with its reason: "
        "correct the records, or say why: store.save(records, why=…); nothing was saved."
    )
    pd.testing.assert_frame_equal(store.versions("records", plan.study.name), before)
    answer = store.save(small_records(plan, shift=0.5), why="buffer was old")
    assert (answer.added, answer.corrected, answer.unchanged) == (0, 8, 8)
    assert_same_records(store.load("records", plan.study.name), small_records(plan, shift=0.5))
    table = store.history(1).table
    assert list(table["entry"]) == ["added", "added", "corrected"]
    assert list(table[["value", "was", "why", "who"]].iloc[2]) == ["6.51", "6.01", "buffer was old", "Ada"]


@pytest.mark.parametrize(
    ("part", "value", "words"),
    [
        (
            "covariates",
            pd.DataFrame({"room temperature": {1: 30.0}}),
            "run 1, room temperature is '30' but must be as kept (21.5)",
        ),
        ("order", {1: 4}, "run 1, order is '4' but must be as kept (3)"),
        ("failed_reasons", {4: "power cut"}, "run 4, failed is 'power cut' but must be as kept (lumps)"),
        ("constants", {"balance": "B3"}, "balance is 'B3' but must be as kept (B2)"),
    ],
)
def test_a_changed_note_needs_a_reason(store, part, value, words):
    records = full_records()
    store.save(records)
    changed = dataclasses.replace(records, **{part: value})
    assert words in said(store.save, changed)
    store.save(changed, why="misread")
    found = getattr(store.load("records", records.study.name), part)
    if isinstance(value, pd.DataFrame):
        assert found.loc[1, "room temperature"] == 30.0
    else:
        assert found | value == found


def test_corrections_supersede_and_never_overwrite(store, plan):
    records = full_records(plan)
    store.save(records)
    assert store.correct(1, "pH", "6,2", "decimal slipped").corrected == 1
    store.correct("3b", "pH", 5.1, "read again", who="Grace")
    store.correct(1, "viscosity[4 wk, 40 °C]", "<55", "spindle", replicate=2)
    store.correct(2, "viscosity[24 h, 25 °C]", None, "wrong beaker")
    store.correct(2, "speed", 815, "log book")
    store.correct(1, "room temperature", "21.9 °C", "log book")
    store.correct(4, "failed", None, "it was fine")
    store.correct(2, "remark", "labelled late", "forgotten")
    store.correct(2, "base", "sodium hydroxide", "log book")
    back = store.load("records", records.study.name)
    d = back.data.set_index(["run", "batch", "response", "time", "replicate"])["value"]
    assert d[1, 1, "pH", "", 1] == 6.2
    assert d[3, "3b", "pH", "", 1] == 5.1
    row = back.data[(back.data["run"] == 1) & (back.data["replicate"] == 2)].iloc[0]
    assert (row["lower"], row["upper"], row["cell"]) == (float("-inf"), 55.0, "H2")
    assert (2, 2, "viscosity", "24 h", 1) not in d.index
    assert back.as_made.loc[2, "speed"] == 815.0
    assert back.as_made.loc[2, "base"] == "sodium hydroxide"
    assert back.covariates.loc[1, "room temperature"] == 21.9
    assert (back.failed, back.failed_reasons) == ((), {})
    assert "labelled late" in list(back.remarks["remark"])
    assert_same_records(store.load("records", records.study.name, version=1), records)
    table = store.history("3b").table
    assert list(table["what"]) == [
        "pH",
        "room temperature",
        "remark",
        "pH",
    ]  # what is said of run 3, and of its batch 3b
    assert list(table["who"]) == ["Ada", "Ada", "Ada", "Grace"]
    withdrawn = store.history(2).table
    assert list(withdrawn[withdrawn["entry"] == "withdrawn"]["was"]) == ["12002"]
    store.correct(2, "viscosity[24 h, 25 °C]", 12002, "right beaker after all")
    assert_last = store.history(2).table.iloc[-1]
    assert (assert_last["entry"], assert_last["was"], assert_last["value"]) == ("corrected", "", "12002")
    assert re.search(
        r"History of batch \S+ \(run 2\), records 'clear gel \(invented\)': \d+ entries", repr(store.history(2))
    )


def test_a_batch_without_records_has_an_empty_history(store, plan):
    store.save(small_records(plan, runs=[1]))
    assert "Nothing was kept of it yet." in repr(store.history(2))


@pytest.mark.parametrize("table", ["things", "versions", "readings", "notes"])
def test_the_database_itself_refuses_to_change_or_delete_rows(store, table):
    store.save(full_records())
    for deed in (f"UPDATE {table} SET id = id", f"DELETE FROM {table}"):
        with store._database.engine.connect() as connection, connection.begin():
            with pytest.raises(sa.exc.DBAPIError, match=f"rows of {table} are only ever added"):
                connection.execute(sa.text(deed))
            connection.rollback()
    assert_same_records(store.load("records", "clear gel (invented)"), full_records())


def test_an_extended_plan_keeps_its_records(store, plan):
    store.save(small_records(plan))
    more = doe.designs.Plan.from_frame(plan.study, pd.concat([plan.runs, plan.runs.iloc[:3]], ignore_index=True))
    store.save(small_records(more))
    back = store.load("records", plan.study.name)
    assert len(back.plan.runs) == len(plan.runs) + 3
    assert len(store.load("records", plan.study.name, version=1).plan.runs) == len(plan.runs)


# ---- sentences


def test_sentences_of_saving_and_loading(store, plan):
    store.save(plan)
    assert said(store.save, 7) == (
        "store: thing to save is 'int' but must be a study, plan, recipe, records, or a result such as a fit, a window or a confirmation: give one of these."
    )
    assert said(store.save, recipe()) == (
        'store: name is None but must be given, since a recipe does not say which study it belongs to: write store.save(thing, "its name").'
    )
    assert (
        said(store.save, plan, " ")
        == "store: name is ' ' but must be a text: name it, or leave the name out to take the study's."
    )
    assert said(store.save, plan, "a\x00b") == (
        "store: name is 'a\\x00b' but must be a text without NUL and broken characters: leave those characters out."
    )
    assert said(store.save, plan, why=3) == "store: why is 3 but must be a text: give the reason in words."
    assert (
        said(store.load, "plans", "x")
        == "store: kind is 'plans' but must be one of fit, plan, recipe, records, study: did you mean 'plan'?"
    )
    assert said(store.load, "plan", "clear gel (inventd)") == (
        "store: name of the plan is 'clear gel (inventd)' but must be one that is kept: did you mean 'clear gel (invented)'?"
    )
    assert (
        said(store.load, "study", "x")
        == "store: name of the study is 'x' but must be one that is kept: there are no names to choose from."
    )
    assert said(store.load, "plan", plan.study.name, version=2) == (
        "store: version of plan 'clear gel (invented)' is 2 but must be a whole number from 1 to 1: choose one of these."
    )
    where = store._database.url.render_as_string(hide_password=False)
    assert (
        said(doe.Store, where, who=" ")
        == "store: who is ' ' but must be a name: say who it is: doe.Store(url, who=\"…\")."
    )


def test_sentences_of_records_and_corrections(store, plan):
    assert (
        said(store.history, 1)
        == "store is 'without records' but must be asked about records that it keeps: save records first."
    )
    store.save(small_records(plan))
    assert said(store.correct, 1, "pH", 6.2, " ") == (
        "store: why is '' but must be the reason in words: say what was wrong: it stands in the history for good."
    )
    assert said(store.correct, 99, "pH", 6.2, "x") == (
        "batch is 99 but must be a batch's code or label, or a run of the plan, 1 to 8: known names are "
        + ", ".join(repr(doe.bench.pages.batch_code(plan, r)) for r in range(1, 9))
        + "."
    )
    assert said(store.correct, 1, "ph", 6.2, "x") == (
        "store: correction of is 'ph' but must be a response at its occasion, a covariate, a factor (as made), 'failed' or 'remark': did you mean 'pH'?"
    )
    assert said(store.correct, 1, "pH", "6.2.1", "x") == (
        "store: correction of run 1, pH is '6.2.1' but must be a number: type the number, or leave the cell blank and say why in the remark."
    )
    assert said(store.correct, 1, "pH", 6.01, "x") == (
        "store: correction of run 1, pH is '6.01' but must be another value than the one kept: nothing to correct."
    )
    assert said(store.correct, 1, "pH", None, "x", replicate=2) == (
        "store: correction of run 1, pH is None but must be kept, to be withdrawn: nothing is kept of it: give a value to add it."
    )
    assert said(store.correct, 1, "room temperature", None, "x") == (
        "store: correction of run 1, room temperature is None but must be kept, to be withdrawn: nothing is kept of it: give a value to add it."
    )
    assert said(store.correct, 1, "base", "NaOH", "x") == (
        "store: correction of run 1, base is 'NaOH' but must be one of tromethamine, sodium hydroxide: known names are 'tromethamine', 'sodium hydroxide'."
    )
    assert said(store.correct, 1, "failed", 3, "x") == (
        "store: correction of run 1, failed is 3 but must be a text, or None to withdraw it: write it in words."
    )
    assert said(store.correct, 1, "viscosity[24 h, 25 °C]", -1, "x") == (
        "store: correction of run 1, viscosity[24 h, 25 °C] is -1 but must be a number, 0 or above: correct the reading."
    )
    assert said(store.correct, 1, "pH", 6.2, "x", replicate=0) == (
        "store: replicate is 0 but must be a whole number from 1: count the readings of the batch."
    )
    assert said(store.correct, 1, "pH", 6.2, "x", records="y") == (
        "store: records is 'y' but must be the name of records that are kept: known names are 'clear gel (invented)'."
    )
    store.save(small_records(plan), "second trial")
    assert said(store.history, 1) == (
        "store is '2 records' but must be asked about records that it keeps: say which with records=: 'clear gel (invented)', 'second trial'."
    )
    assert len(store.history(1, records="second trial").table) == 2


def test_records_of_other_batches_are_refused(store, plan):
    store.save(small_records(plan))
    other = small_plan(small_study())
    runs = other.runs.copy()
    runs.loc[1, "polymer"] = 0.4
    assert said(store.save, small_records(doe.designs.Plan.from_frame(plan.study, runs))) == (
        "store: records 'clear gel (invented)', run 1 of the plan is 'polymer 0.4, speed 200, base tromethamine' but must be the batch that is kept "
        "(polymer 0.2, speed 200, base tromethamine): an extended plan keeps its runs; save records of another plan under another name."
    )
