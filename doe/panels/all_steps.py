"""The desk: every step of the job in one place, kept as it is typed."""

from __future__ import annotations

import os
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from doe.panels.choosing import BatchesPanel
from doe.panels.deciding import WindowPanel
from doe.panels.describing import TrialPanel
from doe.panels.elements import StepButtons
from doe.panels.entry_fields import said
from doe.panels.handing_over import ReportPanel
from doe.panels.holding import PARTS, Holding
from doe.panels.keeping import RETURNED, Keeper, as_folder, folder_for, is_saved, move_aside, read_parts, write_parts
from doe.panels.learning import DriversPanel
from doe.panels.looks import style
from doe.panels.making import SheetPanel
from doe.panels.measuring import RecordsPanel
from doe.panels.panel import Panel
from doe.panels.proving import ConfirmPanel
from doe.study import Study, StudyError

STEPS: tuple[type[Panel], ...] = (
    TrialPanel,
    BatchesPanel,
    SheetPanel,
    RecordsPanel,
    DriversPanel,
    WindowPanel,
    ConfirmPanel,
    ReportPanel,
)


class Desk(Holding):
    """Every step of the job, one at a time on the page; made by `doe.panels.desk`.

    Attributes
    ----------
    study, plan, recipe, records, fits, window, confirmation
        The objects behind it, or None where a step was not done. Take them into code, or set them, at any time.
    panels : dict of str to Panel
        The steps that were opened, by their key: "trial", "batches", "sheet", "records", "drivers", "window", "confirm", "report".
    folder : Path or None
        Where it is saved as it is typed.
    """

    def __init__(
        self, folder: str | os.PathLike[str] | None = None, told: str = "", begun: Holding | None = None
    ) -> None:
        super().__init__()
        if begun is not None:
            self._held, self.typed, self.aside, self.stale = begun._held, begun.typed, begun.aside, begun.stale
        # the same place even if the notebook changes its working folder later
        self.folder = None if folder is None else folder_for(folder).absolute()
        self.panels: dict[str, Panel] = {}
        self._saved = widgets.HTML()
        self._told = widgets.HTML(said(told, "note"))
        self._steps = StepButtons(self.go_to)
        self._stage = widgets.VBox()
        self._view: Any = None
        self._keeper = None if self.folder is None else Keeper(self, self.folder, self._tell_saving)
        self.watch(PARTS, self._mark_steps)

    # ---- made, restored, saved

    @classmethod
    def opened(cls, study: Study | None, folder: str | os.PathLike[str]) -> Desk:
        """The desk of a folder, with this study."""
        if study is not None and not isinstance(study, Study):
            raise StudyError(
                "desk: study", type(study).__name__, "a doe.Study", "describe it with doe.Study, or leave it out"
            )
        place = folder_for(folder)
        if is_saved(place):
            held, told = read_parts(place)
            if study is None or (held.study is not None and held.study.fingerprint == study.fingerprint):
                words = [f"Taken up again as it was left, from the folder {str(place)!r}.", *told]
                return cls(place, "\n".join(words), held)
            moved = move_aside(place)
            desk = cls(
                place, f"The desk that stood in {str(place)!r} is of another study; it was moved to {str(moved)!r}."
            )
        else:
            moved = move_aside(place) if study is None or (place / "study.json").exists() else None
            desk = cls(
                place,
                f"Saved as it is typed, in the folder {str(place)!r}."
                + (f" Files that stood there were moved to {str(moved)!r}." if moved else ""),
            )
        if study is not None:
            desk.study = study
        desk.remember("desk", "step", "trial")
        return desk

    @classmethod
    def restored(cls, path: str | os.PathLike[str]) -> Desk:
        """The desk saved in a folder."""
        held, told = read_parts(as_folder(path))
        return cls(path, "\n".join([f"Taken up again as it was left, from the folder {str(path)!r}.", *told]), held)

    def save(self, path: str | os.PathLike[str]) -> Path:
        """Write everything into a folder of its own choice: study.json, plan.json, recipe.json, records.csv, and what is typed in desk.json.

        Raises
        ------
        StudyError
            If the folder cannot be written to, or holds the desk of another study.
        """
        place = folder_for(path)
        other = place.absolute() != self.folder
        if is_saved(place) and other:
            held, _ = read_parts(place)
            if held.study is not None and (self.study is None or held.study.name != self.study.name):
                raise StudyError(
                    "desk: folder",
                    str(place),
                    "empty, or of this study",
                    f"it holds {held.study.name!r}: choose another folder",
                )
        write_parts(self, place, {})
        if self.folder is not None and other and (self.folder / RETURNED).exists():
            from doe.study.files import write_bytes

            write_bytes(place / RETURNED, (self.folder / RETURNED).read_bytes())
        return place

    def flush(self) -> None:
        """Wait until what was typed is written."""
        if self._keeper is not None:
            self._keeper.flush()

    # ---- shown

    @property
    def view(self) -> Any:
        """The widget that is shown."""
        if self._view is None:
            self._view = widgets.VBox([style(), self._told, self._steps, self._stage, self._saved])
            self._view.add_class("doe-desk")
            self._mark_steps()
            self.go_to(str(self.recalled("desk", "step", "trial")))
        return self._view

    def _repr_mimebundle_(self, **kwargs: Any) -> Any:
        return self.view._repr_mimebundle_(**kwargs)

    def __repr__(self) -> str:
        there = [name for name in PARTS if self._held[name] is not None]
        return f"Desk with {', '.join(there) or 'nothing yet'}" + (
            f", saved in {str(self.folder)!r}" if self.folder else ""
        )

    def panel(self, key: str) -> Panel:
        """One step's panel, made when it is first asked for.

        Raises
        ------
        StudyError
            If there is no such step.
        """
        kinds = {kind.key: kind for kind in STEPS}
        if key not in kinds:
            raise StudyError("desk: step", key, "one of " + ", ".join(kinds), "name a step")
        if key not in self.panels:
            self.panels[key] = kinds[key](self)
        return self.panels[key]

    def go_to(self, key: str) -> None:
        """Show a step."""
        try:
            panel = self.panel(key)
        except StudyError:
            key, panel = "trial", self.panel("trial")
        except Exception as failure:
            self.error = failure
            self._told.value = said(
                f"This step cannot be shown: {type(failure).__name__}: {failure} (kept as desk.error)", "problem"
            )
            return
        self._stage.children = (panel.view,)
        self._steps.here = key
        if self.recalled("desk", "step", "") != key:
            self.remember("desk", "step", key)

    def _mark_steps(self) -> None:
        """Which steps are done, in words on their buttons."""
        done = {
            "trial": self.study is not None,
            "batches": self.plan is not None,
            "sheet": self.recipe is not None,
            "records": self.records is not None,
            "drivers": self.fits is not None and "fits" not in self.stale,
            "window": self.window is not None and "window" not in self.stale,
            "confirm": self.confirmation is not None and "confirmation" not in self.stale,
        }
        self._steps.steps = [
            {"key": kind.key, "label": kind.title + (" ✓" if done.get(kind.key) else ""), "help": kind.asks}
            for kind in STEPS
        ]

    def _tell_saving(self, problem: str) -> None:
        if problem:
            self._saved.value = said(problem, "problem")
        elif self.folder is not None:
            self._saved.value = f'<div class="doe-help">Saved in {escape(str(self.folder))}.</div>'
