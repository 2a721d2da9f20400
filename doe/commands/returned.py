"""Returned sheets taken up: what is new is added to what was recorded before, and nothing recorded is lost."""

from __future__ import annotations

import datetime
import json
import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from doe.bench import Recipe, Records, read_sheet
from doe.bench.problems import cell_text, choices_text
from doe.bench.saving import saved_text
from doe.designs import Plan
from doe.store import Store
from doe.study import Section, Shown, StudyError
from doe.study.files import MOST_JSON, read_bytes, write_json

KEPT, HISTORY, ANSWERED = "records.csv", "records.db", "answers.json"


@dataclass(frozen=True, repr=False)
class Recorded(Shown):
    """What returned sheets added.

    Attributes
    ----------
    records : Records
        Everything recorded up to now.
    read : mapping of str to Records
        What each sheet says, with its problems and questions, by its file.
    changes : DataFrame
        As `Records.changes` gives it: what is new or corrected since the last time.
    due : DataFrame
        As `Records.due` gives it.
    files : tuple of Path
        What was written.
    """

    records: Records
    read: Mapping[str, Records]
    changes: pd.DataFrame
    due: pd.DataFrame
    files: tuple[Path, ...]

    @property
    def open(self) -> int:
        """How many questions are open."""
        return sum(len(r.questions) for r in self.read.values())

    def _sections(self) -> list[Section]:
        whole = self.records._sections()[0]
        out = [whole]
        shown = self.changes.copy()
        shown["time"] = [" ".join(w for w in pair if w) for pair in zip(shown["time"], shown["condition"], strict=True)]
        shown = shown.drop(columns="condition").rename(columns={"time": "occasion"}).astype(str)
        added = int((self.changes["change"] == "added").sum())
        corrected = int((self.changes["change"] == "changed").sum())
        words = f"{added} new, {corrected} corrected"
        out.append(Section(f"Since the last time: {words}", shown.loc[:, (shown != "").any()]))
        for file, records in self.read.items():
            if len(records.problems):
                table = records.problems.drop(columns="sheet")
                out.append(
                    Section(
                        f"{file}: {len(table)} problems", table, "What is listed as not taken is not in the records."
                    )
                )
            if len(records.questions):
                asked = records.questions.copy()
                asked["choices"] = [choices_text(c) for c in asked["choices"]]
                first = records.questions.iloc[0]
                say = (
                    f'Answer like --answer "{first["cell"]}={cell_text(first["choices"][0])}"; '
                    "what is asked about is held back till then."
                )
                out.append(Section(f"{file}: {len(asked)} open questions", asked, say))
        note = "" if len(self.due) else "Nothing is due."
        out.append(Section("To be read", self.due.astype(str) if len(self.due) else None, note))
        return out


def answers_from(texts: Sequence[str], file: str | os.PathLike[str] | None = None) -> dict[str, str]:
    """Answers as typed, CELL=ANSWER, after those of a JSON file (a mapping from cell to answer); the typed ones hold.

    Raises
    ------
    StudyError
        If one has no cell, a cell is answered twice on the line, or the file is no such mapping.
    """
    out: dict[str, str] = {}
    if file is not None:
        for cell, answer in _mapping(file).items():
            if isinstance(answer, bool) or not isinstance(answer, str | int | float):
                raise StudyError(f"--answers {str(file)!r}: {cell}", answer, "a number or a text", "correct the answer")
            out[cell] = answer if isinstance(answer, str) else repr(answer)
    typed: dict[str, str] = {}
    for text in texts:
        cell, equals, answer = text.partition("=")
        if not equals or not cell.strip() or not answer.strip():
            raise StudyError("--answer", text, "CELL=ANSWER", 'write for example "Measurements!F12=12345"')
        if cell.strip() in typed:
            raise StudyError("--answer", cell.strip(), "there once", "leave one of the two out")
        typed[cell.strip()] = answer.strip()
    return out | typed


def _mapping(file: str | os.PathLike[str]) -> dict[str, Any]:
    where = f"file {os.fspath(file)!r}"
    try:
        content = json.loads(read_bytes(file, where, MOST_JSON).decode("utf-8"))
    except OSError as problem:
        found = "missing" if isinstance(problem, FileNotFoundError) else "unreadable"
        raise StudyError(where, found, "a file that exists and can be read", "check the path") from problem
    except (ValueError, RecursionError) as problem:
        raise StudyError(
            where, "no JSON", "a mapping from cell to answer", 'write {"Measurements!F12": 12345}'
        ) from problem
    if not isinstance(content, dict):
        raise StudyError(
            where, type(content).__name__, "a mapping from cell to answer", 'write {"Measurements!F12": 12345}'
        )
    return content


def recorded(
    plan: Plan,
    sheets: Sequence[str | os.PathLike[str]],
    folder: Path,
    answers: Mapping[str, object] | None = None,
    why: str = "",
    who: str | None = None,
    on: object = None,
    ahead: int = 0,
    recipe: Recipe | None = None,
) -> Recorded:
    """Take returned sheets of a plan up into the records of a folder.

    The folder holds `records.csv`, the records as they are now; `records.db`, the store in which every reading and correction is kept
    with its day, person and reason; and `answers.json`, what was answered, so that nothing is asked twice.

    Parameters
    ----------
    plan : Plan
    sheets : sequence of paths
        Workbooks or .csv sheets as they came back; what one of them does not say stays as it was recorded.
    folder : Path
        There already.
    answers : mapping, optional
        From cell to answer, as for `read_sheet`; of one sheet.
    why : str
        The reason, where a sheet says something else than what was recorded before.
    who : str, optional
        Who records; the account if left out.
    on, ahead
        As for `Records.due`; today if left out.
    recipe : Recipe, optional
        As for `read_sheet`: what was weighed off its target is turned into settings as made, once that is confirmed.

    Returns
    -------
    Recorded

    Raises
    ------
    StudyError
        If a sheet cannot be read or is another plan's, answers are given to several sheets, a recorded reading would change without a
        reason, or `records.csv` was changed by hand. Nothing is then recorded.
    """
    if not sheets:
        raise StudyError("SHEET", "left out", "a returned sheet, or several", "name the file that came back")
    if answers and len(sheets) > 1:
        raise StudyError(
            "--answer",
            f"given to {len(sheets)} sheets",
            "given to one",
            "record the sheets one at a time, each with its answers",
        )
    kept = _kept_answers(folder / ANSWERED)
    read: dict[str, Records] = {}
    for sheet in sheets:
        name = os.fspath(sheet)
        if name in read:
            raise StudyError("SHEET", name, "there once", "leave one of the two out")
        read[name] = _read(sheet, plan, kept, dict(answers or {}), recipe)
    today = datetime.date.today() if on is None else on
    next(iter(read.values())).due(today, ahead)  # what cannot be a day is refused before anything is kept
    before, after = _together(plan, list(read.values()), folder, why, who)
    changes = after.changes(before if before is not None else Records(plan, after.data.iloc[:0]))
    files: tuple[Path, ...] = (after.save(folder / KEPT), folder / HISTORY)
    if kept:
        files = (*files, write_json(folder / ANSWERED, kept))
    return Recorded(after, read, changes, after.due(today, ahead), files)


def _read(
    sheet: str | os.PathLike[str],
    plan: Plan,
    kept: dict[str, dict[str, Any]],
    given: dict[str, object],
    recipe: Recipe | None,
) -> Records:
    """A sheet with the answers given now, and with those of before where the same is still asked of the same cell."""
    records = read_sheet(sheet, plan, recipe=recipe)
    said: dict[str, object] = {}
    while True:  # an answer may bring further questions
        more = {
            str(q.cell): kept[str(q.cell)]["answer"]
            for q in records.questions.itertuples()
            if str(q.cell) in kept and kept[str(q.cell)]["found"] == q.found and str(q.cell) not in said
        }
        if not more or given:
            break
        said |= more
        records = read_sheet(sheet, plan, said, recipe=recipe)
    if given:
        asked = {str(q.cell): q.found for q in records.questions.itertuples()}
        again = {c: kept[c]["answer"] for c, found in asked.items() if c in kept and kept[c]["found"] == found}
        names = {_plain(c) for c in given}
        again = {c: a for c, a in again.items() if not {_plain(c), _plain(c.rpartition("!")[2])} & names}
        records = read_sheet(sheet, plan, again | given, recipe=recipe)
        for cell in records.answers:
            typed = [a for c, a in given.items() if _plain(c) in (_plain(cell), _plain(cell.rpartition("!")[2]))]
            if cell in asked and typed:
                kept[cell] = {"found": asked[cell], "answer": typed[0]}
    if "plan fingerprint" in {c.casefold() for c in records.questions["cell"].astype(str)}:
        found = records.questions["found"].iloc[0]
        raise StudyError(
            f"{os.fspath(sheet)!r}: plan fingerprint",
            found,
            f"{plan.fingerprint}, that of the plan",
            'give the plan whose sheet it is; if its runs are the same, say --answer "plan fingerprint=same runs"',
        )
    return records


def _plain(cell: str) -> str:
    return cell.replace("$", "").replace("'", "").strip().casefold()


def _kept_answers(file: Path) -> dict[str, dict[str, Any]]:
    if not file.exists():
        return {}
    content = _mapping(file)
    if not all(isinstance(v, dict) and {"found", "answer"} <= set(v) for v in content.values()):
        raise StudyError(
            f"file {str(file)!r}",
            "changed",
            "as it was written",
            "move it elsewhere: its questions are then asked again",
        )
    return content


def _together(
    plan: Plan, sheets: Sequence[Records], folder: Path, why: str, who: str | None
) -> tuple[Records | None, Records]:
    """Records before and after; the whole is tried in a store beside before it is kept."""
    name = plan.study.name
    with Store(folder / HISTORY, who=who) as store:
        before: Records | None = store.load("records", name) if name in _names(store) else None
        if before is not None and (folder / KEPT).exists():
            there = (folder / KEPT).read_bytes().decode("utf-8", errors="replace").replace("\r\n", "\n")
            if there != saved_text(before):
                raise StudyError(
                    f"file {str(folder / KEPT)!r}",
                    "changed since it was written",
                    "as it was recorded",
                    "move it elsewhere; to add what stands in it, record it as a sheet",
                )
        if before is None and (folder / KEPT).exists():
            raise StudyError(
                "--out",
                str(folder),
                f"a folder without {KEPT}, or with its {HISTORY}",
                "choose another folder, so that it is not lost",
            )
        if len(sheets) > 1:
            with tempfile.TemporaryDirectory() as place, Store(Path(place) / "tried.db", who=who) as trial:
                for records in [*([before] if before is not None else []), *sheets]:
                    _keep(trial, records, why)
        for records in sheets:
            _keep(store, records, why)
        after: Records = store.load("records", name)
    return before, after


def _keep(store: Store, records: Records, why: str) -> None:
    try:
        store.save(records, why=why)
    except StudyError as problem:
        if "why=" not in problem.mend:
            raise
        mend = "correct the sheet, or give the reason of the correction by --why; nothing was recorded"
        raise StudyError(problem.where, problem.found, problem.allowed, mend) from problem


def _names(store: Store) -> list[str]:
    table = store.names()
    assert isinstance(table, pd.DataFrame)
    return [str(n) for n in table.loc[table["kind"] == "records", "name"]]
