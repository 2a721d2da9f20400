"""The whole job by hand through widget state; what a desk holds stays in step; saved as it is typed, restored as it was."""

import json
import sys
import threading

import numpy as np
import pandas as pd
import pytest

import doe
from doe import panels
from doe.panels.all_steps import STEPS
from doe.panels.holding import Holding
from doe.panels.working import StoppedError, Work
from doe.study import StudyError

from .conftest import text_of


def test_the_whole_job_by_hand(small, small_fits):
    """From an empty desk to the report, each step through its own controls."""
    study, _ = small
    desk = panels.desk()
    assert text_of(desk._told.value) == "Saved as it is typed, in the folder 'desk'."
    desk.view  # noqa: B018
    trial = desk.panel("trial")
    trial.name.value = "small gel"
    rows = [["polymer", "water", "%", "0.2", "0.6", "0.01"], ["speed", "setting", "rpm", "200", "600"]]
    trial.factors.paste(trial.factors.rows[0]["key"], "name", "\n".join("\t".join(r) for r in rows))
    trial.responses.paste(trial.responses.rows[0]["key"], "name", "viscosity\tmPa·s\t5000\t9000\tlog")
    assert desk.study.fingerprint == study.fingerprint

    batches = desk.panel("batches")
    batches.question.value = "central_composite"
    batches._make()
    batches.work.wait()
    assert len(desk.plan.runs) == 11
    assert text_of(batches.message.value) == "11 batches, in an order of making drawn by lot. They are in use now."
    batches._checking.wait()
    assert "What can't be told apart?" in text_of(batches.shown.value)
    batches._drawing.wait()
    assert 'alt="Hollow marks' in batches.picture.value

    sheet = desk.panel("sheet")
    lines = [
        ["ingredient", "water", "A", "balance"],
        ["ingredient", "thickener", "A", "polymer"],
        ["step", "stir", "", "", "", "", "", "", "", "speed", "20"],
    ]
    sheet.lines.paste(sheet.lines.rows[0]["key"], "kind", "\n".join("\t".join(r) for r in lines))
    assert desk.recipe.linked == ("polymer", "speed")
    assert "thickener" in sheet.page.value
    name, kind, content = sheet.save_xlsx.press()
    assert (name, content[:2]) == ("run_sheet.xlsx", b"PK")
    assert kind == "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

    records = desk.panel("records")
    noise = np.random.default_rng(3).normal(0.0, 0.03, 11)
    read = np.exp(8.0 + 2.2 * desk.plan.runs["polymer"] - 0.0004 * desk.plan.runs["speed"] + noise)
    records.table.paste(records.table.rows[0]["key"], "read viscosity", "\n".join(f"{v:.0f}" for v in read))
    assert len(desk.records.data) == 11
    assert text_of(records.state.value) == "11 of 11 batches read."

    drivers = desk.panel("drivers")
    drivers.model.value = "interaction"
    drivers._fit()
    drivers.work.wait()
    assert desk.fits["viscosity"].model.name == "interaction"
    shown = text_of(drivers.overview.value)
    assert (
        shown.index("polymer (%) from 0.2 to 0.6 takes it from")
        < shown.index("a clear change")
        < shown.index("polymer × speed")
    )
    assert shown.index("What to be wary of") < shown.index("Coefficients of every term")  # cautions are not folded away
    assert "polymer:speed" not in shown
    assert drivers.overview.value.index("<details>") > drivers.overview.value.index("a clear change")
    assert "polymer:speed" in set(desk.fits["viscosity"].coefficients["term"])  # data keep the term as it is written
    drivers._showing.wait()
    assert "viscosity is multiplied" in drivers.picture.value or "alt=" in drivers.picture.value

    where = desk.panel("window")
    where._find()
    where.work.wait()
    assert set(desk.window.set_point.index) == {"polymer", "speed"}
    assert "Set point: polymer" in text_of(where.point.value)
    assert "Ranges that hold together" in text_of(where.ranges.value) or "No window" in text_of(where.ranges.value)

    confirm = desk.panel("confirm")
    confirm._confirm()
    confirm.work.wait()
    assert desk.confirmation.batches == 3
    expected = float(desk.confirmation.limits["expected"].iloc[0])
    confirm.table.paste("1", "viscosity", f"{expected:.0f}\n{expected:.0f}\nthick")
    assert confirm.verdict.agrees
    assert confirm.table.marks == {
        "3": {"viscosity": "viscosity (mPa·s) is 'thick' but must be a number in mPa·s, 0 or above, or blank: type the number, or leave the cell blank and say why in the remark."}
    }  # fmt: skip

    report = desk.panel("report")
    report._build()
    report.work.wait()
    name, _, content = report.save.press()
    assert name == "report.html"
    assert b"small gel" in content

    desk.flush()
    again = panels.restore("desk")
    assert again.study.fingerprint == desk.study.fingerprint
    assert again.plan.fingerprint == desk.plan.fingerprint
    assert again.recipe.content() == desk.recipe.content()
    pd.testing.assert_frame_equal(again.records.data.drop(columns="cell"), desk.records.data.drop(columns="cell"))
    again_drivers = again.panel("drivers")
    again_drivers.work.wait()
    pd.testing.assert_frame_equal(again.fits["viscosity"].coefficients, desk.fits["viscosity"].coefficients)
    (kept,) = again.recalled("confirm", "readings").values()
    assert kept["3"] == {"viscosity": "thick"}


def test_confirmation_readings_reach_the_report_and_a_fit_with_them(small_fits):
    fits, records = small_fits
    desk = panels.desk()
    desk.records = records
    desk.fits = fits
    desk.window = doe.find_window(fits, target=0.8, draws=500)
    desk.confirmation = doe.confirm(desk.window, 2)
    confirm, report = desk.panel("confirm"), desk.panel("report")
    confirm.guard(confirm._refit)
    assert "confirmation readings is 'none'" in text_of(confirm.message.value)
    expected = float(desk.confirmation.limits["expected"].iloc[0])
    confirm.table.paste("1", "viscosity", f"{expected:.0f}\n{1.02 * expected:.0f}")
    assert desk.verdict is confirm.verdict
    assert desk.verdict.agrees
    assert "whether it held" in text_of(report.holds.value)
    report._build()
    report.work.wait()
    page = report.content.decode()
    assert "Did it hold?" in page
    assert "What 2 confirmation batches at the set point must read" in page

    verdict = desk.verdict
    confirm.guard(confirm._refit)
    confirm.work.wait()
    assert desk.fits["viscosity"].n == fits["viscosity"].n + 2
    assert [str(r) for r in desk.fits["viscosity"].runs][-2:] == ["confirmation 1", "confirmation 2"]
    assert {"window", "confirmation"} <= desk.stale
    assert "find it again" in text_of(confirm.message.value)
    assert report.save.disabled
    assert "The confirmation is of an earlier window and is left out" in text_of(report.holds.value)
    confirm.guard(confirm._refit)
    assert "an earlier window" in text_of(confirm.message.value)

    # a second confirmation: the same readings are not taken in twice, others are
    desk.window = doe.find_window(desk.fits, target=0.8, draws=500)
    desk.confirmation = doe.confirm(desk.window, 2)
    assert desk.verdict is not verdict
    confirm.table.paste("1", "viscosity", f"{expected:.0f}\n{1.02 * expected:.0f}")
    confirm.guard(confirm._refit)
    assert "of batch 1, 2, which the fits hold already" in text_of(confirm.message.value)
    confirm.table.paste("1", "viscosity", f"{1.01 * expected:.0f}\n{0.99 * expected:.0f}")
    confirm.guard(confirm._refit)
    confirm.work.wait()
    assert [str(r) for r in desk.fits["viscosity"].runs][-3:] == [
        "confirmation 2",
        "confirmation 2, batch 1",
        "confirmation 2, batch 2",
    ]


def test_a_desk_stays_in_its_folder_when_the_notebook_goes_elsewhere(tmp_path, monkeypatch):
    desk = panels.desk()
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    desk.panel("trial").name.value = "gel"
    desk.flush()
    assert not (tmp_path / "elsewhere" / "desk").exists()
    assert panels.restore(tmp_path / "desk").recalled("trial", "name") == "gel"


def test_what_is_typed_and_wrong_comes_back_after_a_restart():
    desk = panels.desk()
    trial = desk.panel("trial")
    trial.name.value = "gel"
    trial.factors.paste(
        trial.factors.rows[0]["key"], "name", "polymer\twater\t%\t0.2\t0.6\nspeed\tsetting\trpm\tfast\t600"
    )
    trial.constraints.value = "polymer <= oops"
    desk.go_to("records")
    desk.flush()
    again = panels.desk()
    assert text_of(again._told.value) == "Taken up again as it was left, from the folder 'desk'."
    panel = again.panel("trial")
    assert [own.get("low") for _, own in panel.factors.lines] == ["0.2", "fast"]
    assert list(panel.factors.marks.values()) == [
        {"low": "factor 'speed': low is 'fast' but must be a number in rpm: type the number."}
    ]
    assert panel.constraints.value == "polymer <= oops"
    again.view  # noqa: B018
    assert again._stage.children == (again.panel("records").view,)


def test_readings_that_could_not_be_taken_come_back_too(small):
    desk = panels.desk(small[0])
    desk.plan = small[1]
    records = desk.panel("records")
    records.table.write(
        [("1/1", "read viscosity", "6100"), ("2/1", "read viscosity", "6,1oo"), ("2/1", "read remark", "smudged")]
    )
    desk.flush()
    again = panels.desk(small[0]).panel("records")
    assert again.table.cells["2/1"]["read viscosity"] == "6,1oo"
    assert again.table.cells["2/1"]["read remark"] == "smudged"
    assert list(again.table.marks) == ["2/1"]
    assert len(again.desk.records.data) == 1


def test_a_desk_of_another_study_is_moved_and_not_overwritten(small, gel):
    first = panels.desk(small[0])
    first.flush()
    second = panels.desk(gel[0].study)
    second.flush()
    assert text_of(second._told.value).startswith(
        "The desk that stood in 'desk' is of another study; it was moved to 'desk/earlier/"
    )
    moved = text_of(second._told.value).split("'")[3]
    assert panels.restore(moved).study.fingerprint == small[0].fingerprint
    first.flush()  # the first desk is still open: it must not write over the second
    assert "another desk has taken this folder" in text_of(first._saved.value)
    assert panels.restore("desk").study.fingerprint == gel[0].study.fingerprint


def test_a_broken_file_is_said_kept_and_costs_only_its_own_part(small, tmp_path):
    desk = panels.desk(small[0])
    desk.plan = small[1]
    desk.flush()
    (tmp_path / "desk" / "plan.json").write_text('{"kind": "plan", ')
    again = panels.desk()
    told = text_of(again._told.value)
    assert "plan file 'desk/plan.json' is 'broken at line 1, column 18' but must be whole JSON" in told
    assert "The file was moved to 'desk/earlier/" in told
    assert again.study.fingerprint == small[0].fingerprint
    assert again.plan is None
    assert next((tmp_path / "desk" / "earlier").rglob("plan.json")).read_text() == '{"kind": "plan", '


def test_saving_that_fails_is_said(small, tmp_path, monkeypatch):
    desk = panels.desk(small[0])
    desk.flush()

    def full(*_):
        raise StudyError(
            "path", "desk/study.json", "a file that can be written", "free some space or choose another place"
        )

    monkeypatch.setattr("doe.panels.keeping.write_json", full)
    desk.remember("trial", "notes", "new")
    desk.flush()
    assert text_of(desk._saved.value) == (
        "Not saved: path is 'desk/study.json' but must be a file that can be written: free some space or choose another place."
    )


def test_save_takes_everything_to_another_folder(small, tmp_path):
    desk = panels.desk(small[0])
    desk.plan = small[1]
    place = desk.save(tmp_path / "other")
    assert sorted(p.name for p in place.iterdir()) == ["desk.json", "plan.json", "study.json"]
    assert json.loads((place / "desk.json").read_text())["kind"] == "desk"
    assert panels.restore(place).plan.fingerprint == small[1].fingerprint
    with pytest.raises(StudyError) as caught:
        panels.desk(doe.Study("another", small[0].factors), "third").save(place)
    assert (
        str(caught.value)
        == f"desk: folder is '{place}' but must be empty, or of this study: it holds 'small gel': choose another folder."
    )


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: panels.restore("nowhere"), "folder is 'nowhere' but must be one in which a desk was saved (it holds 'desk.json'): choose that folder."),
        (lambda: panels.desk("gel"), "desk: study is 'str' but must be a doe.Study: describe it with doe.Study, or leave it out."),
        (lambda: panels.desk().panel("fit"), "desk: step is 'fit' but must be one of trial, batches, sheet, records, drivers, window, confirm, report: name a step."),
        (lambda: setattr(panels.desk(), "plan", 3), "desk: plan is 'int' but must be a Plan or None: make the plan first."),
        (lambda: panels.window_panel("gel"), "panel is 'str' but must be given a desk, a Study, a Plan, Records, Fits or a Window: make one of these first, or leave it out."),
    ],
)  # fmt: skip
def test_what_code_gives_wrongly_is_refused_in_a_sentence(call, sentence):
    with pytest.raises(StudyError) as caught:
        call()
    assert str(caught.value) == sentence


@pytest.mark.parametrize("missing", ["anywidget", "ipywidgets"])
def test_without_the_browser_libraries_it_is_said_what_to_install(missing, monkeypatch):
    monkeypatch.setitem(sys.modules, missing, None)
    with pytest.raises(StudyError) as caught:
        panels.desk()
    assert str(caught.value) == (
        f"panels is 'without {missing}' but must be installed with what draws them in a notebook: run: python -m pip install {missing} jupyterlab."
    )


# ---- in step


def test_a_changed_specification_keeps_plan_and_readings_and_sets_fits_aside(small_fits):
    fits, records = small_fits
    holding = Holding.of(fits)
    holding.records = records
    from dataclasses import replace

    study = holding.study
    holding.study = doe.Study(study.name, study.factors, [replace(study.responses[0], high=9500)])
    assert len(holding.plan.runs) == 11
    assert holding.plan.study is holding.study
    assert holding.records.data.equals(records.data)
    assert holding.fits is None
    assert holding.aside["fits"] == [fits]


def test_a_changed_factor_sets_the_plan_aside(small, small_fits):
    holding = Holding.of(small_fits[1])
    holding.study = doe.Study("other", [doe.Continuous("polymer", 0.2, 0.7, "%")], small[0].responses)
    assert holding.plan is None
    assert holding.records is None
    assert len(holding.aside["plan"]) == len(holding.aside["records"]) == 1


def test_other_readings_make_the_fits_stale_and_the_report_refuses_them(small, small_fits):
    fits, records = small_fits
    holding = Holding.of(fits)
    holding.records = records
    holding.fits = fits
    frame = records.frame("viscosity")[["run", "viscosity"]]
    frame.loc[0, "viscosity"] *= 1.1
    report = panels.report_panel(holding)
    holding.records = doe.bench.Records.from_frame(frame, small[1])
    assert holding.stale == {"fits"}
    report.on(report._build)()
    assert (
        text_of(report.message.value)
        == "desk: fits is 'older than what it rests on' but must be made again first: go back to its step."
    )
    holding.fits = fits
    assert holding.stale == set()


# ---- what was typed or read is not lost, and judged only where it belongs


def test_confirmation_readings_belong_to_the_setting_they_were_made_at(small_fits):
    desk = Holding.of(small_fits[0])
    win = doe.find_window(small_fits[0])
    desk.window = win
    desk.confirmation = doe.confirm(win, batches=1)
    panel = panels.confirm_panel(desk)
    expected = float(desk.confirmation.limits["expected"].iloc[0])
    panel.table.write([("1", "viscosity", f"{expected:.0f}")])
    assert panel.verdict.agrees
    first = desk.confirmation
    elsewhere = dict(win.set_point) | {"polymer": float(win.set_point["polymer"]) - 0.02}
    desk.confirmation = doe.confirm(win, batches=1, at=elsewhere)
    assert panel.verdict is None
    assert not any(text for own in panel.table.cells.values() for text in own.values())
    assert "Readings typed for another setting say nothing of this one" in text_of(panel.judged.value)
    panel.table.write([("1", "viscosity", ">40000")])
    assert not panel.verdict.agrees
    assert text_of(panel.judged.value).count("Does not agree") == 1
    assert "foretold" in text_of(panel.judged.value).partition("Confirmation: does it agree?")[2]
    desk.confirmation = first
    assert panel.table.cells["1"]["viscosity"] == f"{expected:.0f}"
    assert panel.verdict.agrees


def test_a_longer_plan_keeps_every_reading_and_what_was_made_of_it(small, small_fits, tmp_path):
    fits, records = small_fits
    desk = panels.desk(small[0])
    desk.put(plan=records.plan, records=records, fits=fits)
    panel, confirm = desk.panel("records"), desk.panel("confirm")
    panel._go_on()
    confirm.next_plan = doe.designs.extend(records.plan, 2, "interaction")
    confirm._use()
    assert desk.aside["records"] == []
    assert desk.fits is fits
    assert desk.stale == set()
    assert len(panel.table.rows) == len(records.plan.runs) + 2
    new = str(max(desk.plan.runs.index))
    assert not any(c.startswith("read ") and t for c, t in panel.table.cells[f"{new}/1"].items())
    panel.table.write([(f"{new}/1", "read viscosity", "6789")])
    assert len(desk.records.data) == len(records.data) + 1
    assert desk.stale >= {"fits"}  # now there is more to fit
    pd.testing.assert_frame_equal(
        desk.records.frame("viscosity").iloc[:-1][["run", "viscosity"]],
        records.frame("viscosity")[["run", "viscosity"]],
    )
    desk.flush()
    again = panels.restore("desk")
    assert len(again.records.data) == len(records.data) + 1


def test_what_stood_before_the_example_comes_back(small, small_fits):
    desk = panels.desk(small[0])
    desk.put(plan=small_fits[1].plan, records=small_fits[1], fits=small_fits[0])
    trial = desk.panel("trial")
    trial.factors.write([(trial.factors.rows[-1]["key"], "name", "half typed")])
    assert trial.back.layout.display == "none"
    trial._example()
    assert desk.study.name == "after-sun gel (invented)"
    assert "“Take back my own trial” brings it back, and its files are in " in text_of(trial.message.value)
    (kept,) = (desk.folder / "earlier").iterdir()
    assert doe.Study.load(kept / "study.json").fingerprint == small[0].fingerprint
    trial._take_back()
    assert trial.name.value == "small gel"
    assert [own["name"] for _, own in trial.factors.lines] == ["polymer", "speed", "half typed"]
    assert desk.plan.fingerprint == small_fits[1].plan.fingerprint
    assert desk.records is small_fits[1]
    assert desk.fits is small_fits[0]
    assert trial.back.layout.display == "none"
    trial._example()
    trial._example()  # over the example there is nothing of one's own
    trial._take_back()
    assert trial.name.value == "small gel"


# ---- every step says what it lacks


@pytest.mark.parametrize(
    ("key", "press", "sentence"),
    [
        ("batches", "_make", "desk: study is 'missing' but must be there before this step: describe it in “The trial”."),
        ("batches", "_fewest", "desk: study is 'missing' but must be there before this step: describe it in “The trial”."),
        ("batches", "_compare", "plans made here is 0 but must be at least 2: choose the batches in two ways first."),
        ("batches", "_use", "one plan is 'none' but must be a plan made here: choose the batches first."),
        ("sheet", lambda p: p.file(".xlsx"), "desk: plan is 'missing' but must be there before this step: choose it in “Which batches”."),
        ("records", "_read", "desk: plan is 'missing' but must be there before this step: choose it in “Which batches”."),
        ("drivers", "_fit", "desk: study is 'missing' but must be there before this step: describe it in “The trial”."),
        ("drivers", "_transform", "desk: study is 'missing' but must be there before this step: describe it in “The trial”."),
        ("window", "_find", "desk: fits is 'missing' but must be there before this step: fit the responses in “What drives it”."),
        ("confirm", "_confirm", "desk: window is 'missing' but must be there before this step: find it in “Where to run”."),
        ("confirm", "_next", "desk: window is 'missing' but must be there before this step: find it in “Where to run”."),
        ("confirm", "file", "desk: confirmation is 'missing' but must be there before this step: ask what the batches must read first."),
        ("confirm", "_use", "the next batches is 'none' but must be looked for: press “Which batches next?” first."),
        ("report", "_build", "desk: study is 'missing' but must be there before this step: describe it in “The trial”."),
        ("report", "file", "report is 'not built' but must be built first: press “Build the report”."),
    ],
)  # fmt: skip
def test_a_step_says_what_it_lacks(key, press, sentence):
    panel = next(kind for kind in STEPS if kind.key == key)()
    panel.on(getattr(panel, press) if isinstance(press, str) else lambda: press(panel))()
    assert text_of(panel.message.value) == sentence
    assert 'role="alert"' in panel.message.value


@pytest.mark.parametrize(
    ("key", "field", "text", "press", "sentence"),
    [
        ("batches", "seed", "one", "_make", "seed is 'one' but must be a number: type the number."),
        ("batches", "seed", "-1", "_make", "optimal: seed is -1 but must be a whole number from 0: give any such number; the same one repeats the answer."),
        ("batches", "runs", "3", "_make", "runs"),
        ("batches", "runs", "3.5", "_make", "batches is '3.5' but must be a whole number: count in ones."),
        ("batches", "noise", "", "_fewest", "batch-to-batch noise is 'blank' but must be a number: type it."),
        ("batches", "change", "wide", "_fewest", "change worth seeing"),
        ("batches", "power", "120", "_fewest", "chance to see it is '120' but must be in %, above 1 and below 100: write 95, say."),
        ("sheet", "size", "a lot", "_preview", "batch size is 'a lot' but must be a number in g: type the number."),
        ("window", "target", "101", "_find", "chance that the ranges must hold is '101' but must be in %, above 1 and below 100: write 95, say."),
        ("window", "target", "0.95", "_find", "chance that the ranges must hold is '0.95' but must be in %, above 1 and below 100: write 95 for 0.95."),
        ("confirm", "confidence", "0.95", "_confirm", "all limits hold with is '0.95' but must be in %, above 1 and below 100: write 95 for 0.95."),
        ("batches", "power", "0.8", "_fewest", "chance to see it is '0.8' but must be in %, above 1 and below 100: write 80 for 0.8."),
        ("window", "target", "", "_find", "chance that the ranges must hold is 'blank' but must be a number in %: type it."),
        ("drivers", "without", "7 broke", "_fit", "batches left out is '7 broke' but must be a run, a colon and the reason: write 7: the beaker broke."),
    ],
)  # fmt: skip
def test_a_bad_entry_is_said_beside_its_field_and_stays(small_fits, key, field, text, press, sentence):
    desk = Holding.of(small_fits[0])
    desk.put(records=small_fits[1], fits=small_fits[0])
    if key == "confirm":
        desk.window = doe.find_window(small_fits[0])
    if key == "sheet":
        desk.recipe = doe.bench.Recipe(
            [doe.bench.Ingredient("water", "A", balance=True), doe.bench.Ingredient("p", "A", factor="polymer")]
        )
    panel = next(kind for kind in STEPS if kind.key == key)(desk)
    if key == "batches":
        panel.noise.value, panel.change.value = "5", "1.3"
    getattr(panel, field).value = text
    panel.on(getattr(panel, press))()
    panel.work.wait()
    said = text_of(getattr(panel, field).wrong.value)
    assert sentence in said
    assert "Traceback" not in said
    assert getattr(panel, field).value == text


# ---- never a traceback, never silence, and a way to stop


def test_a_failure_inside_the_program_is_said_and_kept(small_fits, monkeypatch):
    panel = panels.drivers_panel(small_fits[1])
    monkeypatch.setattr("doe.fits.fit_all", lambda *_, **__: 1 / 0)
    panel._fit()
    panel.work.wait()
    assert text_of(panel.message.value) == (
        "This failed inside the program: ZeroDivisionError: division by zero"
        "What was typed is kept. The whole error is kept too, as desk.error."
    )
    assert isinstance(panel.desk.error, ZeroDivisionError)


def test_work_is_done_beside_the_page_and_can_be_stopped():
    said, begun = [], threading.Event()
    work = Work(lambda call: call(), said.append)

    def long(tell):
        tell("half way", 0.5)
        begun.set()
        while True:
            threading.Event().wait(0.005)

    work.start("Looking", long, lambda _: said.append("done"))
    assert begun.wait(5)
    assert work.busy
    assert 'value="0.500"' in work.bar.value
    work.start("Again", long, said.append)
    assert said == ["Still at work: wait until it is ready, or stop it."]
    work.cancel()
    work.wait(5)
    assert not work.busy
    assert said[1:] == ["Stopped. Nothing was changed."]
    assert work.view.layout.display == "none"


def test_a_stopped_search_gives_the_best_it_had(small):
    panel = panels.batches_panel(small[0])
    went_on = threading.Event()

    def searched(*_, progress, **__):
        progress(1, 0.5)
        went_on.set()
        try:
            while True:
                threading.Event().wait(0.005)
        except KeyboardInterrupt:
            return small[1]

    import doe.designs

    original, doe.designs.optimal = doe.designs.optimal, searched
    try:
        panel._make()
        assert went_on.wait(5)
        assert "round 1, 0.5 so far" in panel.work.bar.value
        panel.work.cancel()
        panel.work.wait(5)
    finally:
        doe.designs.optimal = original
    assert len(panel.desk.plan.runs) == 11
    assert issubclass(StoppedError, KeyboardInterrupt)


def test_a_folder_that_is_no_path_is_refused():
    with pytest.raises(StudyError) as caught:
        panels.restore(3)
    assert str(caught.value) == 'folder is 3 but must be a path to a folder: write "desk", say.'


def test_the_new_batches_stand_first_with_their_chance_now(small_fits):
    """Those to make are not left to be looked for among those made."""
    import re

    fits, records = small_fits
    holding = Holding.of(fits)
    holding.records = records
    holding.window = doe.find_window(fits, draws=500)
    panel = panels.confirm_panel(holding)
    panel.runs.value = "2"
    plan = doe.next_batches(holding.window, 2)
    panel._found(plan)
    first, _, rest = panel.further.value.partition("<details>")
    rows = [re.findall(r"<td>(.*?)</td>", r) for r in re.findall(r"<tr[^>]*>(.*?)</tr>", first, re.S)]
    new = plan.runs.sort_index().tail(2)
    now = holding.window.probability(new)["probability"]
    assert [r[0] for r in rows if r] == ["12", "13"]
    assert [float(r[1]) for r in rows if r] == pytest.approx(new["polymer"].tolist())
    for shown, chance in zip([r[-1] for r in rows if r], now, strict=True):
        assert float(shown.removeprefix("less than ").removeprefix("more than ")) == pytest.approx(chance, abs=0.0101)
    assert text_of(first).startswith("2 new batches to make")
    assert "polymer (%)" in text_of(first)
    assert "All 13 batches: those made, and the new ones" in text_of(rest)
    assert holding.plan is None or holding.plan.fingerprint != plan.fingerprint  # only the button takes them


def test_two_plans_beside_each_other_are_two(small):
    study, plan = small
    panel = panels.batches_panel(study)
    panel._take_plan(plan)
    assert panel.first.value == panel.second.value  # there is only one
    smallest = doe.quality.smallest_plan(study, "linear", 0.1, ratio=1.5, seed=1)
    panel._found(smallest)
    assert panel.made[panel.first.value] is smallest.plan
    assert panel.made[panel.second.value] is plan


def test_the_step_shown_is_told_and_chosen(small):
    desk = panels.desk(small[0])
    assert desk.view is not None
    assert [s["label"] for s in desk._steps.steps][:2] == ["The trial ✓", "Which batches"]
    assert desk._steps.here == "trial"
    desk._steps._heard(None, {"do": "step", "key": "records"}, [])
    assert desk._steps.here == "records"
    assert desk._stage.children == (desk.panel("records").view,)
    desk._steps._heard(None, {"do": "step", "key": "nothing"}, [])  # a step that there is none of: the first
    assert desk._steps.here == "trial"
    desk.plan = small[1]
    assert [s["label"] for s in desk._steps.steps][:2] == ["The trial ✓", "Which batches ✓"]
