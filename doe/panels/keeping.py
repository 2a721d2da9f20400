"""Keeping a desk: every part in its own file that a person can read, what was typed beside it, written as it changes."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from typing import Any

from doe.bench import Recipe, Records, read_table
from doe.designs import Plan
from doe.panels.holding import Holding
from doe.panels.working import Latest
from doe.study import Study, StudyError
from doe.study.files import folder_made, read_json, write_bytes, write_json

SCHEMA = 1
STUDY, PLAN, RECIPE, RECORDS, RETURNED, TYPED = (
    "study.json",
    "plan.json",
    "recipe.json",
    "records.csv",
    "returned.xlsx",
    "desk.json",
)
EARLIER = "earlier"


def as_folder(path: object) -> Path:
    """A folder's path, or the sentence that says why it is none."""
    if not isinstance(path, str | os.PathLike):
        raise StudyError("folder", path, "a path to a folder", 'write "desk", say')
    return Path(path)


def folder_for(path: str | os.PathLike[str]) -> Path:
    """The folder, made if it is not there.

    Raises
    ------
    StudyError
        If it cannot be.
    """
    return folder_made(as_folder(path), "folder")


def is_saved(folder: Path) -> bool:
    """Whether a desk stands in this folder."""
    return (folder / TYPED).is_file()


def move_aside(folder: Path, names: tuple[str, ...] = (STUDY, PLAN, RECIPE, RECORDS, RETURNED, TYPED)) -> Path | None:
    """Move a desk's files into a folder "earlier" of their own; None where there were none."""
    found = [folder / name for name in names if (folder / name).exists()]
    if not found:
        return None
    place = _earlier(folder)
    for path in found:
        path.replace(place / path.name)
    return place


def copy_aside(folder: Path) -> Path | None:
    """Copy a desk's files into a folder "earlier" of their own; None where there were none."""
    found = [p for n in (STUDY, PLAN, RECIPE, RECORDS, RETURNED, TYPED) if (p := folder / n).exists()]
    if not found:
        return None
    place = _earlier(folder)
    for path in found:
        write_bytes(place / path.name, path.read_bytes())
    return place


def _earlier(folder: Path) -> Path:
    """A new folder within "earlier", named by the time."""
    stamp = datetime.now().strftime("%Y-%m-%d %H.%M.%S")
    place = folder / EARLIER / stamp
    number = 1
    while place.exists():
        number += 1
        place = folder / EARLIER / f"{stamp} ({number})"
    place.mkdir(parents=True)
    return place


class Keeper:
    """Writes a desk into its folder after every change, beside the page.

    Parameters
    ----------
    holding : Holding
    folder : Path
    tell : callable
        Is told a sentence when writing fails, and "" when it went well.
    """

    def __init__(self, holding: Holding, folder: Path, tell: Any) -> None:
        self.holding, self.folder, self._tell = holding, folder, tell
        self._written: dict[str, Any] = {}
        self._mark: tuple[int, int] | None = None
        self._latest = Latest(self._write)
        holding.watch(("study", "plan", "recipe", "records", "typed"), self._latest.ask)

    def flush(self) -> None:
        """Wait until everything is written."""
        self._latest.ask()
        self._latest.wait()

    def _write(self) -> None:
        if self._mark is not None and self.folder.is_dir() and self._found() != self._mark:
            # written over now, the other desk's work would be lost
            self._tell("Not saved: another desk has taken this folder; keep this one elsewhere with desk.save(…).")
            return
        try:
            write_parts(self.holding, self.folder, self._written)
            self._mark = self._found()
            self._tell("")
        except StudyError as problem:
            self._tell(f"Not saved: {problem}")
        except Exception as failure:
            self.holding.error = failure
            self._tell(f"Not saved: {type(failure).__name__}: {failure}")

    def _found(self) -> tuple[int, int] | None:
        """What tells the file of typed text from one that another desk wrote."""
        try:
            stat = (self.folder / TYPED).stat()
        except OSError:
            return None
        return stat.st_ino, stat.st_mtime_ns


def write_parts(holding: Holding, folder: Path, written: dict[str, Any]) -> None:
    """Write what changed since `written`, which is brought up to date."""
    with holding.lock:
        parts = {STUDY: holding.study, PLAN: holding.plan, RECIPE: holding.recipe, RECORDS: holding.records}
        typed = {panel: dict(values) for panel, values in holding.typed.items()}
    for name, part in parts.items():
        if written.get(name) is part and (part is None or (folder / name).exists()):
            continue
        if part is None:
            (folder / name).unlink(missing_ok=True)
        else:
            part.save(folder / name)
        written[name] = part
    if written.get(TYPED) != typed:
        write_json(folder / TYPED, {"kind": "desk", "schema": SCHEMA, "typed": typed})
        written[TYPED] = typed


def read_parts(folder: Path) -> tuple[Holding, list[str]]:
    """What was saved in a folder, and a sentence for each part that could not be taken up again.

    Raises
    ------
    StudyError
        If no desk was saved there.
    """
    if not is_saved(folder):
        raise StudyError(
            "folder", str(folder), f"one in which a desk was saved (it holds {TYPED!r})", "choose that folder"
        )
    told: list[str] = []
    holding = Holding()
    try:
        typed = read_json(folder / TYPED, "desk", SCHEMA).get("typed")
        if isinstance(typed, dict):
            holding.typed = {str(k): dict(v) for k, v in typed.items() if isinstance(v, dict)}
    except StudyError as problem:
        told.append(_kept(problem, folder, TYPED))
    for name, part, load in (("study", STUDY, Study.load), ("plan", PLAN, Plan.load), ("recipe", RECIPE, Recipe.load)):
        if (folder / part).exists():
            try:
                holding.put(**{name: load(folder / part)})
            except StudyError as problem:
                told.append(_kept(problem, folder, part))
    if (folder / RECORDS).exists() and holding.plan is not None:
        try:
            holding.put(records=_records(folder, holding))
        except StudyError as problem:
            told.append(_kept(problem, folder, RECORDS))
    return holding, told


def _kept(problem: StudyError, folder: Path, name: str) -> str:
    place = move_aside(folder, (name,))
    return f"{problem} The file was moved to {str(place)!r}."


def _records(folder: Path, holding: Holding) -> Records:
    """Readings from the returned workbook where they came from it, else from the saved table."""
    from doe.panels.measuring import read_returned

    source = holding.recalled("records", "source", "")
    if source == "returned" and (folder / RETURNED).exists():
        return read_returned(
            folder / RETURNED, holding.plan, holding.recalled("records", "answers", {}), holding.recipe
        )
    return read_table(folder / RECORDS, holding.plan.study).under(holding.plan)
