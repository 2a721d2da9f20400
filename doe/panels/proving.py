"""Confirm and next batches: what new batches at the set point must read, whether they did, and which batches would sharpen the window."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import ipywidgets as widgets
import pandas as pd

from doe import window as deciding
from doe.bench import Records, write_sheet
from doe.panels.elements import EntryTable, SaveButton
from doe.panels.entry_fields import Page, TextField, as_html, said
from doe.panels.making import XLSX
from doe.panels.measuring import bare
from doe.panels.new_batches import NewBatches
from doe.panels.panel import Panel, row, section
from doe.study import StudyError


def filled(cells: Mapping[str, str]) -> bool:
    """Whether something is typed in a row."""
    return any(str(text).strip() for text in cells.values())


class ConfirmPanel(Panel):
    """Confirm and next batches. `desk.confirmation` is the Confirmation, `desk.verdict` the Verdict; `next_plan` is what was found here."""

    key = "confirm"
    title = "Confirm, and what next"
    asks = "Does the window hold, and which batches would sharpen it?"

    @property
    def verdict(self) -> Any:
        """The Verdict on what was typed, or None; the desk holds it, for the report."""
        return self.desk.verdict

    @verdict.setter
    def verdict(self, value: Any) -> None:
        self.desk.verdict = value

    def build(self) -> list[Any]:
        """The widgets between title and message."""
        self._taken_in: list[tuple[Any, list[Any]]] = []  # readings that the fits hold already
        self.next_plan: Any = None
        self.batches = self.keep(
            "batches",
            TextField(
                "confirmation batches",
                "3",
                "",
                "Each made from the start: its own weighings, its own base.",
                ("confirm: batches", "batches"),
                "22em",
            ),
        )
        self.confidence = self.keep(
            "confidence",
            TextField(
                "all limits hold with",
                "95",
                "%",
                "If the model is right.",
                ("confirm: confidence", "confidence"),
                "22em",
            ),
        )
        go = self.action("Say what they must read", self._confirm, main=True)
        self.must = widgets.HTML()
        self.sheet = SaveButton("Download their run sheet (.xlsx)", lambda: self.guard(self.file))
        self.sheet.disabled = True
        self.table = EntryTable("batch", label="confirmation readings", corner="batch")
        self.table.on_edit(self.on(self._edited))
        self.judged = widgets.HTML()
        again = self.action("Fit again with these batches", self._refit)
        self.runs = self.keep("runs", TextField("further batches", "4", where=("runs",), width="22em"))
        further = self.action("Which batches next?", self._next)
        self.further = widgets.HTML()
        self.use = self.action("Make these: take them as the plan", self._use)
        self.use.layout.display = "none"
        self.follow("window", "confirmation")(self._changed)
        self._changed()
        return [
            section("What must they read?", row(self.batches, self.confidence), go, self.must, self.under(self.sheet, self.sheet.on_msg),
                    help="A window is a claim. A few batches made at the set point, by whoever will make the product, show whether it holds."),
            section("What did they read?", self.table, self.judged, again),
            section("Which batches next?", row(self.runs), further, self.further, self.use,
                    help="Those that, beside the batches made, would say most about where the window ends."),
        ]  # fmt: skip

    def _confirm(self) -> None:
        win = self.need("window")
        batches, confidence = self.batches.whole(), self.confidence.share()

        def task(_tell: Callable[..., None]) -> Any:
            made = deciding.confirm(win, batches, confidence=confidence)
            made._sections()  # its limits are drawn now, beside the page
            return made

        self.work.start("Drawing what they may read", task, lambda made: setattr(self.desk, "confirmation", made))

    def _changed(self) -> None:
        made = self.desk.confirmation
        self.sheet.disabled = made is None
        if made is None:
            self.must.value = said(
                "No window yet: find it in “Where to run”." if self.desk.window is None else "Not asked yet.", "note"
            )
            self.table.layout.display = "none"
            return
        self.table.layout.display = ""
        self.must.value = (
            said("The window changed since: ask again.", "problem") if "confirmation" in self.desk.stale else ""
        ) + as_html(made)
        judged = [made.window.fits[n].response for n in made.window.fits]
        columns = [{"key": r.name, "label": r.label, "kind": "text", "width": "8em"} for r in judged]
        rows = [
            {"key": str(i), "label": str(i), "name": f"confirmation batch {i}", "blank": False}
            for i in range(1, made.batches + 1)
        ]
        self.table.columns = columns
        self.table.rows = rows
        self.table.marks, self.judged.value, self.verdict = {}, "", None
        kept = self.desk.recalled(self.key, "readings", {})
        here = self._where(made)
        self.table.cells = {k: dict(v) for k, v in kept.get(here, {}).items()}
        others = [place for place, own in kept.items() if place != here and any(map(filled, own.values()))]
        if others:
            self.judged.value = said(
                f"Readings typed for another setting say nothing of this one; they are kept for when that is asked about again: {'; '.join(others)}.",
                "note",
            )
        if any(filled(v) for v in self.table.cells.values()):
            self._judge()

    @staticmethod
    def _where(made: Any) -> str:
        """The setting that a confirmation is of, as text: readings belong to it."""
        return ", ".join(made.window._setting(name, made.setting[name]) for name in made.study.names)

    def _edited(self) -> None:
        kept = dict(self.desk.recalled(self.key, "readings", {}))
        kept[self._where(self.desk.confirmation)] = {k: dict(v) for k, v in self.table.cells.items()}
        self.desk.remember(self.key, "readings", kept)
        self._judge()

    def _judge(self) -> None:
        made = self.desk.confirmation
        self.table.marks, self.judged.value, self.verdict = {}, "", None
        lines = []
        for r in self.table.rows:
            own = self.table.cells.get(r["key"], {})
            lines.append({"run": int(r["key"]), **{c["label"]: own.get(c["key"], "") for c in self.table.columns}})
        frame = pd.DataFrame(lines, index=[str(line["run"]) for line in lines])
        if not any(str(v).strip() for line in lines for k, v in line.items() if k != "run"):
            return
        records = Records.from_frame(frame, made.plan)
        keys = {c["label"]: c["key"] for c in self.table.columns}
        marks: dict[str, dict[str, str]] = {}
        for p in records.problems.itertuples():
            place, _, column = str(p.cell).partition(", column ")
            head = column.strip("'\"")
            if head in keys and place.startswith("row "):
                marks.setdefault(place.removeprefix("row "), {})[keys[head]] = (
                    f"{head} is {p.found!r} but must be {bare(str(p.allowed), made.plan)}: {p.mend}."
                )
        self.table.marks = marks
        if not len(records.data):
            return
        self.verdict = made.verdict(records)
        # its words stand above, in their colour: the table alone beneath them
        table = [replace(part, note="") for part in self.verdict._sections()]
        self.judged.value = said(self.verdict.words, "good" if self.verdict.agrees else "problem") + as_html(
            Page(table)
        )

    def _refit(self) -> None:
        verdict = self.verdict
        if verdict is None:
            raise StudyError(
                "confirmation readings", "none", "typed in the table above", "type what the batches read first"
            )
        if "confirmation" in self.desk.stale:
            raise StudyError(
                "confirmation readings",
                "judged against an earlier window",
                "judged against the window as it is",
                "find the window again, then ask what the batches must read",
            )
        typed = {r["key"]: {k: v for k, v in self.table.cells.get(r["key"], {}).items() if v} for r in self.table.rows}
        known = [cells for fits, cells in self._taken_in if fits is self.desk.fits]
        twice = [k for k, cells in typed.items() if cells and any(cells in earlier for earlier in known)]
        if twice:
            raise StudyError(
                "confirmation readings",
                f"of batch {', '.join(twice)}, which the fits hold already",
                "taken in once",
                "go on with “Where to run”; to correct them, fit again in “What drives it”, then find the window and confirm once more",
            )

        def done(fits: Any) -> None:
            earlier = [cells for cells_of in known for cells in cells_of]
            self._taken_in.append((fits, [*earlier, *typed.values()]))
            self.desk.fits = fits
            self.say(
                f"The fits hold these {verdict.batches} batches now, beside those of the trial. The window was found without them: find it again "
                "in “Where to run”. Fitting again in “What drives it” takes the trial's readings alone.",
                "good",
            )

        self.work.start("Fitting with these batches", lambda _tell: verdict.refit(), done)

    def file(self) -> tuple[str, str, bytes]:
        """The confirmation batches' run sheet."""
        made = self.desk.confirmation
        if made is None:
            raise StudyError(
                "desk: confirmation", "missing", "there before this step", "ask what the batches must read first"
            )
        with tempfile.TemporaryDirectory() as place:
            path = write_sheet(made.plan, self.desk.recipe, Path(place) / "confirmation_sheet.xlsx", seed=0)
            return "confirmation_sheet.xlsx", XLSX, path.read_bytes()

    # ---- what next

    def _next(self) -> None:
        win = self.need("window")
        runs = self.runs.whole()
        self.work.start(
            "Looking for the batches that say most", lambda _tell: deciding.next_batches(win, runs), self._found
        )

    def _found(self, found: Any) -> None:
        self.next_plan = found
        new = NewBatches(self.need("window"), found.runs.sort_index().tail(found.provenance["arguments"]["runs"]))
        whole = f"All {len(found.runs)} batches: those made, and the new ones"
        self.further.value = as_html(new) + f"<details><summary>{whole}</summary>{as_html(found)}</details>"
        self.use.layout.display = ""

    def _use(self) -> None:
        if self.next_plan is None:
            raise StudyError("the next batches", "none", "looked for", "press “Which batches next?” first")
        self.desk.plan = self.next_plan.randomised(0)
        self.say(
            "They are the plan now, the new ones in an order drawn by lot. The readings so far stay, and so does what was made of them; the further batches stand below them in “Records”.",
            "good",
        )
