"""Recipe and run sheet: what goes into a batch, one batch's page beforehand, and the sheets to print and to fill in."""

from __future__ import annotations

import tempfile
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from doe.bench import Recipe, write_sheet
from doe.bench.cautions import CAUTIONS, LAST_WORD
from doe.designs import Plan
from doe.panels.elements import EntryTable, SaveButton
from doe.panels.entry_fields import ChoiceField, TextField, said
from doe.panels.holding import digest
from doe.panels.panel import Panel, row, section
from doe.panels.recipe_rows import COLUMNS, cell_of, line_of, rows_of
from doe.study import StudyError

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
KINDS = {".xlsx": XLSX, ".html": "text/html", ".csv": "text/csv"}


class SheetPanel(Panel):
    """Recipe and run sheet. `desk.recipe` is the Recipe, or None where sheets give the settings alone."""

    key = "sheet"
    title = "Recipe and run sheet"
    asks = "What to weigh, in which order, and where to write what was measured"

    def build(self) -> list[Any]:
        """The widgets between title and message."""
        self._mine: Recipe | None = None
        self.lines = EntryTable("line", label="recipe", columns=COLUMNS, growing=True)
        self.lines.fill(self.desk.recalled(self.key, "lines", []))
        self.lines.on_edit(self.on(self._edited))
        self.whole = widgets.HTML()
        self.size = self.keep(
            "size", TextField("batch size", "200", "g", where=("batch_size",), width="22em"), self._preview
        )
        self.readings = self.keep(
            "readings",
            TextField(
                "readings of a batch",
                "1",
                "",
                "How often each batch is read; further readings are no batches made again.",
                ("readings",),
                "22em",
            ),
        )
        self.run = self.keep("run", ChoiceField("batch to look at", [], width="32em"), self._preview)
        self.page = widgets.HTML()
        self.problems = widgets.HTML()
        self.save_xlsx = SaveButton(
            "Download the workbook (.xlsx)",
            lambda: self.guard(lambda: self.file(".xlsx")),
            "To fill in; entry cells are checked, design cells locked",
        )
        self.save_html = SaveButton(
            "Download the page to print (.html)", lambda: self.guard(lambda: self.file(".html"))
        )
        self.save_csv = SaveButton("Download as text (.csv)", lambda: self.guard(lambda: self.file(".csv")))
        cautions = "".join(f"<li>{escape(c)}</li>" for c in CAUTIONS)
        self.follow("recipe")(self._take)
        self.follow("plan")(self._plan_changed)
        if self.lines.lines and self.desk.recalled(self.key, "of") == digest(self.desk.recipe):
            self._mine = self.desk.recipe  # what is typed goes on from this recipe
            self._edited()
        elif self.desk.recipe is not None:
            self._take()
        self._plan_changed()
        return [
            widgets.HTML(f'<div class="doe-caution"><b>Before you start</b><ul>{cautions}</ul>{escape(LAST_WORD)}</div>'),
            section("Recipe", self.lines, self.whole, self.problems,
                    help="In the order of the bench. An amount is a number in % w/w of the batch, the name of the factor that sets it, or the word balance. "
                    "Without a recipe the sheets give the settings alone."),
            section("One batch beforehand", row(self.size, self.run), self.page),
            section("Sheets", row(self.readings), row(*(self.under(s, s.on_msg) for s in (self.save_xlsx, self.save_html, self.save_csv))),
                    help="All carry the plan's fingerprint, so that a sheet of another plan cannot be read in by mistake."),
        ]  # fmt: skip

    # ---- the recipe

    def _edited(self) -> None:
        rows = self.lines.lines
        self.desk.remember(self.key, "lines", [dict(own) for _, own in rows])
        self.desk.remember(self.key, "of", digest(self.desk.recipe))
        marks: dict[str, dict[str, str]] = {}
        made = []
        for key, own in rows:
            try:
                made.append(line_of(own, self.desk.study))
            except StudyError as problem:
                marks.setdefault(key, {})[cell_of(problem)] = str(problem)
        self.lines.marks = marks
        self.whole.value = ""
        if marks or not made:
            if not made and not rows:
                self._mine = None
                self.desk.recipe = None
            return
        try:
            recipe = Recipe(made)
        except StudyError as problem:
            self.whole.value = said(str(problem), "problem")
            return
        self._mine = recipe
        self.desk.recipe = recipe
        self.desk.remember(self.key, "of", digest(recipe))
        self._look()

    def _take(self) -> None:
        recipe = self.desk.recipe
        if recipe is self._mine:
            return
        self._mine = recipe
        rows = [] if recipe is None else rows_of(recipe)
        self.lines.locked = rows is None
        self.lines.layout.display = "none" if rows is None else ""
        self.lines.fill(rows or [])
        self.lines.marks = {}
        self.desk.remember(self.key, "lines", rows or [])
        self.desk.remember(self.key, "of", digest(recipe))
        self.whole.value = (
            said(
                "This recipe says more than the table can (premixes, phases of their own size, costs): change it in code.",
                "note",
            )
            + f'<div class="doe-result">{recipe._repr_html_()}</div>'
            if rows is None
            else ""
        )
        self._look()

    def _look(self) -> None:
        """What of the plan cannot be made by this recipe, and the page of one batch."""
        self.problems.value = ""
        recipe, plan = self.desk.recipe, self.desk.plan
        if recipe is not None and plan is not None:
            found = recipe.check(plan.study, plan)
            if len(found):
                lines = [
                    f"{_run_text(r.run)}{r.where} is {r.found} but must be {r.allowed}: {r.mend}."
                    for r in found.head(12).itertuples()
                ]
                more = (
                    [f"… and {len(found) - 12} more: desk.recipe.check(desk.study, desk.plan)."]
                    if len(found) > 12
                    else []
                )
                self.problems.value = said(
                    "\n".join(["What cannot be made, or should be settled before weighing:", *lines, *more]), "problem"
                )
        self._preview()

    # ---- one batch

    def _plan_changed(self) -> None:
        plan: Plan | None = self.desk.plan
        with self.filling():
            names = (
                []
                if plan is None
                else [(f"run {r}, the {_nth(i)} to make", str(r)) for i, r in enumerate(plan.runs.index, 1)]
            )
            self.run.offer(names, self.desk.recalled(self.key, "run", None))
        for save in (self.save_xlsx, self.save_html, self.save_csv):
            save.disabled = plan is None
        self._look()

    def _preview(self) -> None:
        plan, recipe = self.desk.plan, self.desk.recipe
        if plan is None or not self.run.value:
            self.page.value = said("No plan yet: choose it in “Which batches”.", "note")
            return
        settings = plan.runs.loc[int(self.run.value)]
        if recipe is None:
            rows = [
                f"<tr><td>{escape(f.label)}</td><td>{escape(str(settings[f.name]))}</td></tr>"
                for f in plan.study.factors
            ]
            self.page.value = (
                f'<div class="doe-result"><table><tr><th>factor</th><th>setting</th></tr>{"".join(rows)}</table></div>'
            )
            self.size.number()  # not used without a recipe, but what is wrong with it is said at once
            return
        table = recipe.procedure(settings, self.size.number())
        self.page.value = f'<div class="doe-result">{table.astype(object).where(table.notna(), "").to_html(index=False, border=0)}</div>'

    # ---- sheets

    def file(self, suffix: str) -> tuple[str, str, bytes]:
        """Name, media type and content of a sheet."""
        plan: Plan = self.need("plan")
        self.clear_problems()
        size, readings = self.size.number(), self.readings.whole(1)
        with tempfile.TemporaryDirectory() as place:
            # the order was drawn when the plan was chosen
            path = write_sheet(
                plan,
                self.desk.recipe,
                Path(place) / f"run_sheet{suffix}",
                size,
                seed=None,
                readings=readings,
                runs=self._further(plan),
            )
            content = path.read_bytes()
        self.desk.remember("sheet", "printed", plan.fingerprint)
        which = "" if self._further(plan) is None else ", with the batches that were added,"
        self.say(f"The sheet of plan {plan.fingerprint}{which} went to your downloads.", "good")
        return f"run_sheet{suffix}", KINDS[suffix], content

    def _further(self, plan: Plan) -> list[int] | None:
        """The batches that a longer plan added to those that were read already; None where the sheet is for all."""
        made = int(plan.provenance.get("made_before", 0))
        read = set() if self.desk.records is None else set(self.desk.records.data["run"])
        return [int(run) for run in plan.runs.index if run > made] if made and read else None


def _nth(i: int) -> str:
    return (
        "first"
        if i == 1
        else f"{i}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(i % 10 if i % 100 not in (11, 12, 13) else 0, 'th') }"
    )


def _run_text(run: Any) -> str:
    return f"Run {run}: " if str(run).strip() and str(run) != "nan" else ""
