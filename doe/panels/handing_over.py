"""Report: one self-contained page for the colleague to convince."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from doe import report
from doe.panels.elements import SaveButton
from doe.panels.entry_fields import said
from doe.panels.panel import Panel, row, section
from doe.study import StudyError


class ReportPanel(Panel):
    """Report. `content` is the page that was built last."""

    key = "report"
    title = "Report"
    asks = "What is shown to the colleague who must be convinced?"

    def build(self) -> list[Any]:
        """The widgets between title and message."""
        self.content: bytes | None = None
        self.holds = widgets.HTML()
        go = self.action("Build the report", self._build, main=True)
        self.save = SaveButton(
            "Download the report (.html)",
            lambda: self.guard(self.file),
            "One file with its pictures; it needs no network",
        )
        self.save.disabled = True
        self.follow("study", "plan", "records", "fits", "window", "confirmation", "verdict")(self._changed)
        self._changed()
        return [section("What it will hold", self.holds, row(go, self.under(self.save, self.save.on_msg)))]

    def _changed(self) -> None:
        d = self.desk
        words = {
            "study": "the trial",
            "plan": "the plan",
            "records": "the readings",
            "fits": "the fits with their checks",
            "window": "the window",
        }
        there = [text for name, text in words.items() if getattr(d, name) is not None]
        lacking = [text for name, text in words.items() if getattr(d, name) is None]
        if self._confirmed()[0] is not None:
            there.append("what the confirmation batches must read")
        if self._confirmed()[1] is not None:
            there.append("whether it held")
        lines = ["There: " + (", ".join(there) or "nothing yet") + "."]
        if lacking:
            lines.append(
                "Not there: " + ", ".join(lacking) + ("." if d.fits is not None else ". A report needs fits at least.")
            )
        for name in ("fits", "window"):
            if name in d.stale:
                lines.append(
                    f"{words[name].capitalize()} were made before the readings last changed: make {'them' if name == 'fits' else 'it'} again first."
                )
        if "confirmation" in d.stale:
            lines.append(
                "The confirmation is of an earlier window and is left out: ask again what its batches must read."
            )
        self.holds.value = said("\n".join(lines), "note")
        if self.content is not None:
            self.content, self.save.disabled = None, True
            self.say("Something changed since the report was built: build it again.")

    def _confirmed(self) -> tuple[Any, Any]:
        """The confirmation and its verdict, where they are of the window as it is."""
        d = self.desk
        if d.window is None or d.confirmation is None or d.stale & {"fits", "window", "confirmation"}:
            return None, None
        return d.confirmation, d.verdict

    def _build(self) -> None:
        study, fits = self.need("study", "fits")
        d = self.desk
        stale = d.stale & {"fits", "window"}
        if stale:
            raise StudyError(
                f"desk: {sorted(stale)[0]}", "older than what it rests on", "made again first", "go back to its step"
            )
        plan, records, win = d.plan, d.records, d.window
        made, verdict = self._confirmed()

        def task(_tell: Callable[..., None]) -> bytes:
            with tempfile.TemporaryDirectory() as place:
                path = Path(place) / "report.html"
                report.write_report(path, study, plan, records, fits, win, confirmation=made, verdict=verdict)
                return path.read_bytes()

        self.work.start("Writing the report", task, self._built)

    def _built(self, content: bytes) -> None:
        self.content, self.save.disabled = content, False
        self.say(f"Built: {len(content) / 1e6:.1f} MB, one file.", "good")

    def file(self) -> tuple[str, str, bytes]:
        """The report built last."""
        if self.content is None:
            raise StudyError("report", "not built", "built first", "press “Build the report”")
        return "report.html", "text/html", self.content
