"""The trial: what is varied, over which region, and what is measured."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import ipywidgets as widgets

from doe.panels.elements import EntryTable
from doe.panels.entry_fields import ChoiceField, LongField, TextField, picture, said
from doe.panels.holding import PARTS, digest
from doe.panels.keeping import copy_aside
from doe.panels.panel import Panel, row, section
from doe.panels.row_faults import factor_faults, in_column_words, response_faults
from doe.panels.trial_rows import (
    BLEND,
    FACTOR_COLUMNS,
    HELD_IN_SD,
    RESPONSE_COLUMNS,
    cell_meant,
    factor_of,
    figure,
    response_of,
    row_of_factor,
    row_of_response,
    tidy,
)
from doe.panels.working import Latest
from doe.study import Categorical, Component, Covariate, Response, Study, StudyError
from doe.study.shown import number_text

CORNERS = 8  # factors up to which the region's corners are listed: their number doubles with each


class TrialPanel(Panel):
    """The trial: factors, constraints and responses, checked as they are typed.

    `desk.study` is the Study as soon as nothing is wrong; until then the last sound one stays.
    """

    key = "trial"
    title = "The trial"
    asks = "What is varied, how far, and what must come out right?"

    def build(self) -> list[Any]:
        """The widgets between title and message."""
        self.name = self.keep("name", TextField("name of the trial", where=("study: name",), width="44em"), self._read)
        self.notes = self.keep(
            "notes", LongField("notes", help="Kept with the study and printed on the run sheet.", rows=2), self._read
        )
        self.factors = EntryTable("factor", label="factors", columns=FACTOR_COLUMNS, growing=True)
        self.responses = EntryTable("response", label="responses", columns=RESPONSE_COLUMNS, growing=True)
        for table, key in ((self.factors, "factors"), (self.responses, "responses")):
            table.fill(self.desk.recalled(self.key, key, []))
            table.on_edit(self.on(self._edited))
        self.constraints = self.keep(
            "constraints",
            LongField(
                "constraints",
                help="One a line, in the factors' own units: carbomer + crosspolymer <= 0.7. Leave it blank where every combination can be made.",
                where=("constraint",),
            ),
            self._read,
        )
        self.total = self.keep(
            "total",
            TextField(
                "the blend adds up to",
                help="In the unit of its parts; 100 if left blank.",
                where=("study: mixture_total",),
                width="22em",
            ),
            self._read,
        )
        self.balance = self.keep(
            "balance",
            ChoiceField(
                "what makes up the rest",
                [("no part", "")],
                "The part that takes up what the others leave.",
                ("study: balance",),
            ),
            self._read,
        )
        self.blend = widgets.VBox([self.total.view, self.balance.view])
        self.summary = widgets.HTML()
        self.region = widgets.HTML()
        example = self.action(
            "Fill in the invented example",
            self._example,
            "An imaginary after-sun gel to practise on; nothing in it was measured",
        )
        self.back = self.action("Take back my own trial", self._take_back, "What stood here before the example")
        self.back.layout.display = "none"
        self._own: tuple[dict[str, Any], dict[str, Any]] | None = None
        self._mine: Study | None = None
        self._draw = Latest(lambda study: self.guard(lambda: self._draw_region(study)))
        self.follow("study")(self._take)
        if self.desk.study is not None:
            if self.desk.recalled(self.key, "of") == digest(self.desk.study):
                self._mine = self.desk.study  # what is typed goes on from this study
                self._read()
            else:
                self._fill(self.desk.study)
        elif self.factors.lines or self.responses.lines:
            self._read()
        return [
            row(self.name, example, self.back),
            section(
                "What is varied",
                widgets.HTML(
                    said(
                        "If a factor goes up, what goes down? Small amounts that water makes up (thickeners, base, preservative) are ordinary factors. "
                        "Parts of a blend that trade against each other (oils, solvents, emulsifiers) add up to a fixed total.\n"
                        f"“±, nearly always within” is read as {HELD_IN_SD:g} standard deviations: 19 settings in 20 lie inside. The SD is shown beside it.\n"
                        "For what is measured and not set, low and high say where it nearly always lies. Enter, arrows and Tab move; a block from a spreadsheet can be pasted.",
                        "help",
                    )
                ),
                self.factors,
                self.blend,
                self.constraints,
            ),
            section(
                "What is measured",
                widgets.HTML(
                    said(
                        "Viscosity, sizes and counts vary by a factor: choose “by a factor (log)”. A share cannot leave its ends. "
                        "A score is fitted as a score. Limits are the specification; a side without one stays blank.",
                        "help",
                    )
                ),
                self.responses,
                self.notes,
            ),
            section("What this makes", self.summary, self.region),
        ]

    # ---- from what is typed to the study

    def _edited(self) -> None:
        for table, key in ((self.factors, "factors"), (self.responses, "responses")):
            self.desk.remember(self.key, key, [dict(own) for _, own in table.lines])
        self._read()

    def _read(self) -> None:
        """Take all that is typed as the study, or say cell by cell what stands in the way."""
        self.clear_problems()
        marks: dict[str, dict[str, dict[str, str]]] = {"factors": {}, "responses": {}}
        factors: list[Any] = []
        responses: list[Any] = []
        waiting: list[str] = []
        keys: dict[tuple[str, str], str] = {}
        for which, table, made, faults, out in (
            ("factors", self.factors, factor_of, factor_faults, factors),
            ("responses", self.responses, response_of, response_faults, responses),
        ):
            for key, own in table.lines:
                keys[which, own.get("name", "").strip()] = key
                try:
                    out.append(made(own))
                except StudyError:
                    for cell, problem in faults(own):
                        if problem.found == "blank":  # still being typed: no reason to redden the row
                            waiting.append(str(problem))
                        else:
                            marks[which].setdefault(key, {})[cell] = str(problem)
        self._show_sd(factors)
        parts = [f.name for f in factors if isinstance(f, Component)]
        self.blend.layout.display = "" if parts else "none"
        with self.filling():
            self.balance.offer([("no part", ""), *((n, n) for n in parts)], self.desk.recalled(self.key, "balance", ""))
        study = None
        if not any(marks.values()) and not waiting:
            try:
                study = self._study(factors, responses, bool(parts))
            except StudyError as problem:
                self._place(problem, keys, marks)
        self.factors.marks, self.responses.marks = marks["factors"], marks["responses"]
        if study is None:
            words = "Not a whole trial yet: "
            words += "see what is marked above." if any(marks.values()) else "see the sentence that says why."
            if waiting:
                words = "\n".join(["Not a whole trial yet. Still to be filled in:", *waiting])
            words += " The last sound one stays in use." if self.desk.study is not None and not waiting else ""
            self.summary.value = said(words if self.factors.lines else "Begin with a name and the factors.", "note")
            self.desk.remember(self.key, "of", digest(self.desk.study))
            return
        self._mine = study
        self.desk.study = study
        self._mine = self.desk.study
        self.desk.remember(self.key, "of", digest(self.desk.study))
        self._tell(self.desk.study)

    def _study(self, factors: list[Any], responses: list[Response], blend: bool) -> Study:
        lines = [line.strip() for line in str(self.constraints.value).splitlines() if line.strip()]
        total = str(self.total.value).strip()
        return Study(
            str(self.name.value).strip(),
            factors,
            responses,
            lines,
            self.total.number() if blend and total else None,
            (self.balance.value or None) if blend else None,
            str(self.notes.value).strip(),
        )

    def _place(
        self, problem: StudyError, keys: dict[tuple[str, str], str], marks: dict[str, dict[str, dict[str, str]]]
    ) -> None:
        """Say the study's own error where it belongs."""
        where, found = str(problem.where), str(problem.found)
        for which in ("responses", "factors"):
            word = which[:-1]
            for (kind, name), key in keys.items():
                repeated = where == "study: name" and found == name and bool(name)
                if kind == which and (where.startswith(f"{word} {name!r}") or repeated):
                    own = dict(getattr(self, which).lines)[key]
                    told = problem if repeated else in_column_words(problem, own, which == "responses")
                    marks[which].setdefault(key, {})["name" if repeated else cell_meant(problem)] = str(told)
                    return
        if where.startswith("constraint") or "region" in where or where == "study: constraints":
            self.constraints.mark(str(problem))
        else:
            self.say_problem(problem)

    def _show_sd(self, factors: list[Any]) -> None:
        sds = {f.name: getattr(f, "setting_sd", None) or (f.sd if isinstance(f, Covariate) else None) for f in factors}
        cells = {key: dict(own) for key, own in self.factors.cells.items()}
        for own in cells.values():
            sd = sds.get(own.get("name", "").strip())
            own["sd"] = number_text(sd) if sd else ""
        if cells != self.factors.cells:
            self.factors.cells = cells

    def _tell(self, study: Study) -> None:
        kinds = [f"{len(study.factors)} factor{'s' * (len(study.factors) != 1)}"]
        if study.components:
            total = f"{study.mixture_total:g} {study.components[0].unit}".strip()
            kinds.append(
                f"{', '.join(c.name for c in study.components)} trade against each other and add up to {total}"
            )
        if study.hard_to_change:
            kinds.append(f"hard to change: {', '.join(study.hard_to_change)}")
        if study.covariates:
            kinds.append(f"measured beside: {', '.join(study.covariate_names)}")
        reads = len(study.readings)
        kinds.append(
            f"{len(study.responses)} response{'s' * (len(study.responses) != 1)}"
            + (f", {reads} reading{'s' * (reads != 1)} a batch" if reads else "")
        )
        words = ["A whole trial: " + "; ".join(kinds) + "."]
        amounts = [own.get("name", "") for _, own in self.factors.lines if own.get("down") == BLEND]
        if (
            study.components
            and len(amounts)
            and study.mixture_total
            and all(c.high <= 0.1 * study.mixture_total for c in study.components)
        ):
            words.append(
                "All parts of the blend are small beside its total: is water one of them? If water simply makes up the batch, they are ordinary factors."
            )
        words += [w for w in self._out_of_reach(study) if w]
        self.summary.value = said("\n".join(words), "good")
        self._draw.ask(study)

    def _out_of_reach(self, study: Study) -> list[str]:
        """Ends of a range that the constraints never let happen."""
        if len(study.factors) > CORNERS or not (study.constraints or study.components):
            return []
        corners = study.region.vertices()
        out = []
        for f in study.factors:
            if isinstance(f, Categorical):
                continue
            at = corners[f.name].to_numpy(dtype=float)
            low, high = float(at.min()), float(at.max())
            span = f.high - f.low
            if low > f.low + 1e-6 * span or high < f.high - 1e-6 * span:
                unit = f" {f.unit}" if f.unit else ""
                out.append(
                    f"{f.name} can only run from {figure(tidy(low))} to {figure(tidy(high))}{unit}: "
                    f"the other limits never let it go from {figure(f.low)} to {figure(f.high)}."
                )
        return out

    def _draw_region(self, study: Study) -> None:
        from doe.plots import region_pairs

        numbers = [f for f in study.factors if not isinstance(f, Categorical)]
        if len(numbers) < 2 or len(study.factors) > CORNERS or not (study.constraints or study.components):
            self.region.value = ""
            return
        drawn = picture(region_pairs(study))
        if study is self.desk.study:
            self.region.value = drawn

    # ---- from a study to what is shown

    def _take(self) -> None:
        """The study was set elsewhere: show that one."""
        study = self.desk.study
        if (
            study is not None
            and study is not self._mine
            and (self._mine is None or study.fingerprint != self._mine.fingerprint)
        ):
            self._fill(study)

    def _fill(self, study: Study) -> None:
        with self.filling():
            self.name.value = study.name
            self.notes.value = study.notes
            self.constraints.value = "\n".join(study.constraints)
            self.factors.fill([row_of_factor(f) for f in (*study.factors, *study.covariates)])
            self.responses.fill([row_of_response(r) for r in study.responses])
            self.balance.offer([("no part", ""), *((c.name, c.name) for c in study.components)])
            self.balance.value = study.balance or ""
            self.total.value = figure(study.mixture_total) if study.components else ""
        for key, value in (
            ("name", self.name.value),
            ("notes", self.notes.value),
            ("constraints", self.constraints.value),
            ("total", self.total.value),
            ("balance", self.balance.value),
            ("factors", [dict(own) for _, own in self.factors.lines]),
            ("responses", [dict(own) for _, own in self.responses.lines]),
            ("of", digest(study)),
        ):
            self.desk.remember(self.key, key, value)
        self._mine = study
        self.clear_problems()
        self.factors.marks = self.responses.marks = {}
        self._show_sd([*study.factors, *study.covariates])
        self.blend.layout.display = "" if study.components else "none"
        self._tell(study)

    def _example(self) -> None:
        from doe.virtual import AfterSunGel

        gel = AfterSunGel()
        began = self.factors.lines or self.responses.lines or any(str(f.value).strip() for f in (self.name, self.notes))
        if began and not (self.desk.study is not None and self.desk.study.fingerprint == gel.study.fingerprint):
            self._own = deepcopy(self.desk.typed), {name: getattr(self.desk, name) for name in PARTS}
            self.back.layout.display = ""
            folder = getattr(self.desk, "folder", None)
            if folder is not None:
                getattr(self.desk, "flush", lambda: None)()  # what was typed last is written first
            place = copy_aside(folder) if folder is not None else None
            kept = f" Your own trial is kept: “Take back my own trial” brings it back{f', and its files are in {str(place)!r}' if place else ''}."
        else:
            kept = ""
        self.desk.put(study=gel.study, recipe=gel.recipe)
        self.say(f"The example is invented: no such product exists, and nothing in it was measured.{kept}")

    def _take_back(self) -> None:
        if self._own is None:
            raise StudyError("own trial", "none", "one that the example took the place of", "it stands here already")
        typed, parts = self._own
        self._own = None
        self.back.layout.display = "none"
        self.desk.put(study=None, plan=None, recipe=None)
        self.desk.typed.clear()
        self.desk.typed.update(typed)
        self._mine = parts["study"]
        self.desk.put(**parts)
        self._show_typed()
        self._read()
        self.say("Your own trial stands here again.", "good")

    def _show_typed(self) -> None:
        """Put what was typed into the fields again."""
        with self.filling():
            for key, field in (
                ("name", self.name),
                ("notes", self.notes),
                ("constraints", self.constraints),
                ("total", self.total),
            ):
                field.value = str(self.desk.recalled(self.key, key, ""))
            for table, key in ((self.factors, "factors"), (self.responses, "responses")):
                table.fill(self.desk.recalled(self.key, key, []))
