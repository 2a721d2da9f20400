"""Records: readings typed or pasted into a table, or read from the workbook that came back; problems beside their cells, questions answered."""

from __future__ import annotations

import inspect
import os
import tempfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import ipywidgets as widgets
import pandas as pd

from doe.bench import Recipe, Records, read_sheet
from doe.bench.columns import MADE
from doe.bench.further import extends
from doe.designs import Plan
from doe.panels.elements import EntryTable
from doe.panels.entry_fields import ChoiceField, Page, as_html, said
from doe.panels.holding import digest
from doe.panels.panel import Panel, row, section
from doe.panels.trial_rows import figure
from doe.study import StudyError
from doe.study.files import write_bytes
from doe.study.shown import number_text

# where readings come from; EARLIER: from before the plan was made longer; JOINED: from those and a sheet that came back since
TYPED, RETURNED, CODE, EARLIER, JOINED = "typed", "returned", "code", "earlier", "joined"
MADE_CHOICES: Any = [["", "made"], ["failed", "failed"]]


def read_returned(
    path: str | os.PathLike[str], plan: Plan, answers: Mapping[str, object], recipe: Recipe | None
) -> Records:
    """A returned sheet with the answers given so far; those to questions that are no longer asked are left out."""
    said = dict(answers)
    while True:
        try:
            return read_sheet(path, plan, said or None, recipe=recipe)
        except StudyError as problem:
            if problem.where != "answers: cell" or problem.found not in said:
                raise
            del said[problem.found]


class RecordsPanel(Panel):
    """What was measured. `desk.records` is the Records as soon as one reading stands in the table."""

    key = "records"
    title = "Records"
    asks = "What was measured, batch by batch?"

    def build(self) -> list[Any]:
        """The widgets between title and message."""
        self._mine: Records | None = None
        self._mine_plan: Plan | None = None
        self._before: Records | None = None
        self.upload = widgets.FileUpload(
            accept=".xlsx,.csv", multiple=False, description="Upload the returned sheet", layout={"width": "auto"}
        )
        self.upload.tooltip = "The .xlsx or .csv as it came back from the bench"
        self.upload.observe(self.on(self._uploaded), names="value")
        self.readings = self.keep(
            "readings",
            ChoiceField(
                "readings of a batch",
                [("1", 1), ("2", 2), ("3", 3), ("4", 4)],
                "Rows for reading the same batch again.",
                width="22em",
            ),
            self._lay_out,
        )
        self.table = EntryTable("row", label="readings", corner="run")
        self.table.on_edit(self.on(self._edited))
        self.here = self.action(
            "Go on in the table", self._go_on, "Take the readings of the workbook into the table, to correct them there"
        )
        self.here.layout.display = "none"
        self.state = widgets.HTML()
        self.questions = widgets.VBox()
        self.others = widgets.HTML()
        self.summary = widgets.HTML()
        self.asked: dict[str, ChoiceField] = {}
        self.follow("plan")(self._plan_changed)
        self.follow("records")(self._records_changed)
        if self.desk.records is not None and self.desk.recalled(self.key, "of") != digest(self.desk.records):
            self.desk.typed.setdefault(self.key, {})["source"] = CODE  # set since the last typing
        self._plan_changed()
        return [
            row(self.under(self.upload, lambda call: self.upload.observe(call, names="value")), self.readings, self.here),
            self.state,
            section("Readings", self.table,
                    help="Enter and arrows move, a block from a spreadsheet can be pasted. Blank where nothing was read; decimal commas are fine. What cannot be taken "
                    "without guessing stays as typed, is marked, and is left out of the records."),
            self.questions,
            self.others,
            section("What the records hold", self.summary),
        ]  # fmt: skip

    # ---- the table

    @property
    def source(self) -> str:
        """Where the records come from: "typed", "returned", "code", "earlier" or "joined"."""
        return str(self.desk.recalled(self.key, "source", TYPED))

    def _columns(self, plan: Plan) -> list[dict[str, Any]]:
        study = plan.study
        fixed = [{"key": f"set {f.name}", "label": f.label, "kind": "fixed"} for f in study.factors]
        read = [
            {
                "key": f"read {r.name}",
                "label": r.label,
                "kind": "text",
                "width": f"{max(6.0, min(0.55 * len(r.label), 11.0)):.1f}em",
            }
            for r in study.readings
        ]
        beside = [{"key": f"read {c.name}", "label": c.label, "kind": "text", "width": "7em"} for c in study.covariates]
        ends = [
            {"key": f"read {MADE}", "label": MADE, "kind": "choice", "choices": MADE_CHOICES, "width": "6em"},
            {"key": "read remark", "label": "remark", "kind": "text", "width": "12em"},
        ]
        return [*fixed, *read, *beside, *ends]

    def _lay_out(self) -> None:
        """Rows for every run of the plan, in its order of making; what was typed stays."""
        plan = self.desk.plan
        if plan is None:
            self.state.value = said("No plan yet: choose it in “Which batches”. The sheet is read against it.", "note")
            self.table.layout.display = "none"
            return
        self.table.layout.display = ""
        count = int(self.readings.value or 1)
        shown_settings = plan._table()
        rows, cells = [], {}
        typed = self.desk.recalled(self.key, "cells", {})
        for run in plan.runs.index:
            for k in range(1, count + 1):
                key = f"{run}/{k}"
                again = "" if k == 1 else f", reading {k}"
                rows.append({"key": key, "label": f"{run}{again}", "name": f"run {run}{again}", "blank": False})
                cells[key] = {
                    f"set {f.name}": str(shown_settings.loc[run, f.label]) if k == 1 else "" for f in plan.study.factors
                }
                cells[key] |= {c: str(t) for c, t in typed.get(key, {}).items() if not c.startswith("set ")}
        columns = self._columns(plan)
        if columns != self.table.columns:
            self.table.columns = columns
        self.table.rows = rows
        self.table.cells = cells
        self.table.marks = {}
        self._mine_plan = plan
        if self.source == TYPED:
            self._read()

    def _plan_changed(self) -> None:
        plan = self.desk.plan
        if plan is not None and self._mine_plan is not None and plan.fingerprint != self._mine_plan.fingerprint:
            same = self._mine_plan.study.names == plan.study.names and len(self._mine_plan.runs) == len(plan.runs)
            if extends(plan, self._mine_plan):
                if self.source in (RETURNED, JOINED):  # that sheet is of the shorter plan
                    self.desk.remember(self.key, "source", EARLIER)
            elif not (same and self._mine_plan.runs.sort_index().equals(plan.runs.sort_index())):
                # other batches: what was typed for the old ones is kept apart
                kept = self.desk.recalled(self.key, "cells", {})
                if kept:
                    self.desk.remember(self.key, f"cells of plan {self._mine_plan.fingerprint}", kept)
                self.desk.remember(
                    self.key, "cells", self.desk.recalled(self.key, f"cells of plan {plan.fingerprint}", {})
                )
                self.desk.remember(self.key, "source", TYPED)
                self._mine = None
        self._lay_out()
        if plan is not None and self.desk.records is not None:
            self._records_changed()

    def _edited(self) -> None:
        self.desk.remember(self.key, "cells", self._typed())
        self.desk.remember(self.key, "source", TYPED)
        self._read()

    def _typed(self) -> dict[str, dict[str, str]]:
        """What stands in the entry cells."""
        out = {}
        for key, own in self.table.cells.items():
            kept = {c: t for c, t in own.items() if c.startswith("read ") and t.strip()}
            if kept:
                out[key] = kept
        return out

    def frame(self) -> pd.DataFrame:
        """The table as typed: one row a reading of a batch, one column for run, replicate and each entry column."""
        lines, names = [], []
        entries = [c for c in self.table.columns if c["kind"] != "fixed"]
        count = int(self.readings.value or 1)
        for r in self.table.rows:
            run, k = r["key"].split("/")
            own = self.table.cells.get(r["key"], {})
            cells = {c["label"]: own.get(c["key"], "") for c in entries}
            if int(k) > 1 and not any(t.strip() for t in cells.values()):
                continue
            lines.append({"run": int(run), **({"replicate": int(k)} if count > 1 else {}), **cells})
            names.append(r["key"])
        return pd.DataFrame(lines, index=pd.Index(names, dtype=object))

    def _read(self) -> None:
        """Take what is typed as records; problems are marked in their cells."""
        plan: Plan = self.need("plan")
        frame = self.frame()
        self.questions.children, self.asked = (), {}
        if not any(self._typed().values()):
            self.table.marks = {}
            self.others.value, self.summary.value = "", said("Nothing is typed yet.", "note")
            self.state.value = said(
                f"{len(plan.runs)} batches in the order to make them. Upload the returned sheet, or type here.", "note"
            )
            return
        answers = self.desk.recalled(self.key, "answers", {})
        records = self._from_frame(frame, plan, answers)
        beside = self._beside(plan)
        if beside is not None:
            records = beside.with_later(records)
        self._mine = records
        self._show_problems(records, {f"row {key}": key for key in frame.index})
        self._put(records)

    def _beside(self, plan: Plan) -> Records | None:
        """What the records hold that has no column in the table (weighings, settings as made), the rest left out."""
        held: Records | None = self.desk.records
        if held is None or not extends(plan, held.plan):
            return None
        bare_ = Records(held.plan, held.data.iloc[:0])
        return replace(
            bare_,
            order=held.order,
            as_made=held.as_made,
            made_at=held.made_at,
            constants=held.constants,
            weighed=held.weighed,
            entries=held.entries,
        )

    @staticmethod
    def _from_frame(frame: pd.DataFrame, plan: Plan, answers: Mapping[str, object]) -> Records:
        if answers and "answers" in inspect.signature(Records.from_frame).parameters:
            asking: Any = Records.from_frame(frame, plan)
            open_now = {str(q.cell) for q in asking.questions.itertuples()}
            more: Any = {"answers": {c: a for c, a in answers.items() if c in open_now}}
            return Records.from_frame(frame, plan, **more)
        return Records.from_frame(frame, plan)

    def _put(self, records: Records) -> None:
        self._mine = records
        before = self.desk.records
        self.desk.remember(self.key, "of", digest(records))
        self.desk.records = records
        if before is records:
            self._summarise(records)

    def _show_problems(self, records: Records, rows: Mapping[str, str]) -> None:
        """Mark the cells that problems name; list the others below the table."""
        labels = {c["label"]: c["key"] for c in self.table.columns}
        marks: dict[str, dict[str, str]] = {}
        others = []
        questions = getattr(records, "questions", None)
        asked = (
            [] if questions is None else [(str(q.cell), f"{q.found!r}: {q.question}") for q in questions.itertuples()]
        )
        listed = [
            (str(p.cell), f"{p.found!r} but must be {bare(str(p.allowed), records.plan)}: {p.mend}")
            for p in records.problems.itertuples()
        ]
        for cell, words in [*listed, *asked]:
            place, _, column = cell.rpartition("!")[2].partition(", column ")
            key, head = rows.get(place), labels.get(column.strip("'\""))
            sentence = f"{column.strip(chr(39) + chr(34))} is {words}" if column else f"{cell} {words}".strip()
            sentence += "" if sentence.endswith(("?", ".")) else "."
            if key is not None and head is not None:
                marks.setdefault(key, {})[head] = sentence
            elif (cell, words) not in asked:
                others.append(f"{cell}: {words}" if cell else words)
        self.table.marks = marks
        self.others.value = said("\n".join(["What else is to be settled:", *others]), "problem") if others else ""
        self._ask(records)

    # ---- questions

    def _ask(self, records: Records) -> None:
        questions = getattr(records, "questions", None)
        self.asked = {}
        if questions is None or not len(questions):
            self.questions.children = ()
            return
        lines: list[Any] = [widgets.HTML(said("Questions. Until one is answered, its reading is held back.", "note"))]
        for q in questions.itertuples():
            choices = [
                ("not answered yet", None),
                *((number_text(c, digits=12) if isinstance(c, float) else str(c), c) for c in q.choices),
            ]
            field = ChoiceField(f"{q.cell}: {q.question}", choices, f"There stands {q.found!r}.", width="60em")
            field.control.style.description_width = "34em"
            field.control.observe(
                self.on(lambda cell=str(q.cell), field=field: self._answer(cell, field.value)), names="value"
            )
            self.asked[str(q.cell)] = field
            lines.append(field.view)
        self.questions.children = tuple(lines)

    def _answer(self, cell: str, value: object) -> None:
        answers = dict(self.desk.recalled(self.key, "answers", {}))
        if value is None:
            answers.pop(cell, None)
        else:
            answers[cell] = value
        self.desk.remember(self.key, "answers", answers)
        if self.source in (RETURNED, JOINED):
            self._read_returned()
        else:
            self._read()

    # ---- the returned workbook

    def _uploaded(self) -> None:
        if not self.upload.value:
            return
        given = self.upload.value[0]
        plan: Plan = self.need("plan")
        name = Path(str(given["name"])).name
        with tempfile.TemporaryDirectory() as place:
            path = Path(place) / (name or "returned.xlsx")
            write_bytes(path, bytes(given["content"]))
            records = read_returned(path, plan, {}, self.desk.recipe)
        # a sheet that comes back again replaces itself; readings that came another way stay where it says nothing
        self._before = self.desk.records if self.source != RETURNED else None
        self.content, self.content_name = bytes(given["content"]), name
        self.desk.remember(self.key, "answers", {})
        self.desk.remember(self.key, "file", name)
        self._keep_file()
        self._take_returned(records)

    def _take_returned(self, records: Records) -> None:
        """Take what a sheet says, beside what was read before and is not on it."""
        earlier, source = self._before, RETURNED
        if earlier is not None and extends(records.plan, earlier.plan):
            both = earlier.with_later(records)
            if len(both.data) > len(records.data):
                records, source = both, JOINED
        self.desk.remember(self.key, "source", source)
        self._mine = records
        self.desk.records = records
        self._records_changed(anew=True)

    def _keep_file(self) -> None:
        """Keep the returned file beside the desk, so that it can be read again."""
        folder = getattr(self.desk, "folder", None)
        if folder is not None:
            from doe.panels.keeping import RETURNED as FILE

            name = FILE if self.content_name.lower().endswith(".xlsx") else "returned.csv"
            write_bytes(folder / name, self.content)

    def _read_returned(self) -> None:
        content = getattr(self, "content", None)
        name = str(self.desk.recalled(self.key, "file", "returned.xlsx"))
        folder = getattr(self.desk, "folder", None)
        if content is None and folder is not None:
            kept = folder / ("returned.csv" if name.lower().endswith(".csv") else "returned.xlsx")
            content = kept.read_bytes() if kept.exists() else None
        if content is None:
            raise StudyError("returned sheet", "no longer here", "uploaded", "upload it again")
        with tempfile.TemporaryDirectory() as place:
            path = Path(place) / name
            write_bytes(path, content)
            records = read_returned(
                path, self.need("plan"), self.desk.recalled(self.key, "answers", {}), self.desk.recipe
            )
        if self._before is None and self.source == JOINED:
            self._before = self.desk.records
        self._take_returned(records)

    def _records_changed(self, anew: bool = False) -> None:
        """Show records that were not typed here."""
        records: Records | None = self.desk.records
        if records is None:
            return
        if not anew and records is self._mine:
            self._summarise(records)
            self._lock()
            return
        if records is not self._mine:
            self._mine = records
            from_sheet = self.source in (RETURNED, JOINED) and self.desk.recalled(self.key, "file", "")
            if not (from_sheet or self.source == EARLIER):
                self.desk.remember(self.key, "source", CODE)
        self._fill(records)
        self.desk.remember(self.key, "of", digest(records))
        self._show_problems(records, {})
        self._summarise(records)
        self._lock()

    def _fill(self, records: Records) -> None:
        """The readings of records in the table's cells."""
        data = records.data
        deepest = int(data["replicate"].max()) if len(data) else 1
        with self.filling():
            self.readings.offer([(str(k), k) for k in range(1, max(deepest, 4) + 1)])
            self.readings.value = max(deepest, int(self.readings.value or 1))
        cells: dict[str, dict[str, str]] = {}
        for r in data.itertuples():
            name = r.response
            if "time" in data.columns and (r.time or r.condition):
                name = records.study.response(str(r.response)).at(r.time or None, r.condition or None).name
            cells.setdefault(f"{r.run}/{r.replicate}", {})[f"read {name}"] = _text(r)
        for run in records.failed:
            cells.setdefault(f"{run}/1", {})[f"read {MADE}"] = "failed"
        for which, remark in records.remarks.groupby("run")["remark"].agg("; ".join).items():
            cells.setdefault(f"{which}/1", {})["read remark"] = str(remark)
        covariates = getattr(records, "covariates", None)
        if covariates is not None:
            for which, own in covariates.iterrows():
                for name, value in own.dropna().items():
                    cells.setdefault(f"{which}/1", {})[f"read {name}"] = figure(value)
        before = self.source
        self.desk.typed.setdefault(self.key, {})["cells"] = cells
        self.desk.typed[self.key]["source"] = before if before != TYPED else CODE
        self._lay_out()

    def _go_on(self) -> None:
        self.desk.remember(self.key, "source", TYPED)
        self.desk.remember(self.key, "answers", {})
        self._lay_out()
        self._lock()
        self.say(
            "The readings stand in the table. What the workbook holds beside them (weighings, settings as made) is kept."
        )

    def _lock(self) -> None:
        locked = self.source != TYPED
        self.table.locked = locked
        self.here.layout.display = "" if locked else "none"
        if locked:
            file = f"the returned sheet {self.desk.recalled(self.key, 'file', '')!r}"
            what, then = {
                RETURNED: (file, "Correct the sheet and upload it again, or go on in the table."),
                JOINED: (
                    f"{file}, and those from before that it does not have",
                    "Correct the sheet and upload it again, or go on in the table.",
                ),
                EARLIER: (
                    "the batches made before the plan became longer",
                    "Upload the longer plan's sheet when it comes back, or go on in the table; they stay.",
                ),
            }.get(self.source, ("records set in code", "Go on in the table to change them here."))
            self.state.value = said(f"These are the readings of {what}. {then}", "note")

    def _summarise(self, records: Records) -> None:
        batches = records.data["run"].nunique()
        if self.source == TYPED:
            self.state.value = said(f"{batches} of {len(records.plan.runs)} batches read.", "note")
        table = records._sections()[0]
        self.summary.value = as_html(Page([table]))


def bare(allowed: str, plan: Plan) -> str:
    """What a cell may hold, without the name of its column before it: the sentence begins with that."""
    name, colon, rest = allowed.partition(": ")
    return rest if colon and name in [r.name for r in plan.study.readings] else allowed


def _text(reading: Any) -> str:
    """A reading as one would type it."""
    value = float(reading.value)
    if value == value:
        return figure(value)
    low, high = float(getattr(reading, "lower", float("nan"))), float(getattr(reading, "upper", float("nan")))
    if high == float("inf"):
        return f">{low:.12g}"
    if low == float("-inf"):
        return f"<{high:.12g}"
    return f"{low:.12g}..{high:.12g}"
