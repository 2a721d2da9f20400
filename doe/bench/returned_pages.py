"""Pages of a returned workbook beside the page of readings: what was weighed, ticked and noted for each batch, and what is the same for all."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass, field

import pandas as pd

from doe.bench.as_weighed import Off, off_target
from doe.bench.dates import date_text
from doe.bench.grids import Grid, letters
from doe.bench.intake import Taken, at
from doe.bench.numerals import DoubtError, is_blank, number_from
from doe.bench.pages import ANEW, COLUMNS, CONTINUED, EXTRA_BASE, NET_MASS, SAME_FOR_ALL, batch_code
from doe.bench.problems import Problems, cell_text
from doe.bench.taking import moment_in
from doe.designs import Plan

WEIGHED = ("page", "run", "line", "phase", "do", "target", "actual", "done", "cell")
NOTED = ("page", "run", "entry", "value")
_TITLE = re.compile(r"Batch (?P<code>\S+): run (?P<run>\d+)\b.*")
_NUMBER = re.compile(r"\d+(\.\d+)?")
_NOT_DONE = {"no", "n", "false", "0", "not done"}
_DONE, _PHASE, _DO, _TARGET, _ACTUAL, _BALANCE = COLUMNS[:6]


@dataclass
class Noted:
    """What the pages say.

    Attributes
    ----------
    weighed : list of tuple
        In the columns of `WEIGHED`: every line of a batch's page that was ticked or weighed.
    entries : list of tuple
        In the columns of `NOTED`: the other fields of a batch's page.
    constants : dict
        What is the same for all batches, by its name on the page.
    targets : dict
        By run (of what is made once, by the title of its page) and by what is weighed, the target and what was weighed, g; NaN where that
        was not written down.
    off_target : list of Off
        Weighings that missed their targets by more than weighing explains, and base added beyond the calculated.
    extra_base : dict
        Grams of that base, by run.
    net_mass : dict
        Grams in the beaker after the top-up, by run, where that was written down.
    """

    weighed: list[tuple[object, ...]] = field(default_factory=list)
    entries: list[tuple[str, int, str, object]] = field(default_factory=list)
    constants: dict[str, object] = field(default_factory=dict)
    targets: dict[int | str, dict[str, tuple[float, float]]] = field(default_factory=dict)
    off_target: list[Off] = field(default_factory=list)
    extra_base: dict[int, float] = field(default_factory=dict)
    net_mass: dict[int, float] = field(default_factory=dict)

    def weighed_frame(self) -> pd.DataFrame:
        """What was weighed, as a table."""
        frame = pd.DataFrame(self.weighed, columns=list(WEIGHED), dtype=object)
        return frame.astype({"target": float, "actual": float, "done": bool})

    def entries_frame(self) -> pd.DataFrame:
        """The other fields, as a table."""
        return pd.DataFrame(self.entries, columns=list(NOTED), dtype=object)


def is_batches(grid: Grid) -> bool:
    """Whether a sheet holds the pages of the batches, whatever it is called now."""
    return any({_TARGET, _ACTUAL} <= {c for c in row if isinstance(c, str)} for row in grid.rows[:20])


def is_constants(grid: Grid) -> bool:
    """Whether a sheet is the page of what is the same for all batches, whatever it is called now."""
    return bool(grid.rows) and at(grid.rows[0], 0) == SAME_FOR_ALL


def take_pages(grids: list[Grid], plan: Plan, taken: Taken, problems: Problems) -> Noted:
    """Read the pages; finishing dates and remarks join what the page of readings gave."""
    noted = Noted()
    for grid in grids:
        if is_batches(grid):
            _batches(grid, plan, taken, noted, problems.on(grid.sheet))
        elif is_constants(grid):
            for row in grid.rows[1:]:
                name, value = at(row, 0), at(row, 1)
                if isinstance(name, str) and not is_blank(value):
                    noted.constants[name] = date_text(value) if isinstance(value, datetime.datetime) else value
    return noted


def _batches(grid: Grid, plan: Plan, taken: Taken, noted: Noted, problems: Problems) -> None:
    """Every page: a title, a row of heads, lines, "together", fields, and a last row of words that ends it."""
    page = _Page()
    for number, row in enumerate(grid.rows, start=1):
        first, heads = at(row, 0), {c: i for i, c in enumerate(row) if isinstance(c, str) and c in COLUMNS}
        if {_DO, _TARGET, _ACTUAL} <= set(heads):
            page.places = heads
            continue
        if isinstance(first, str) and first.endswith(CONTINUED):
            continue
        if not page.places:
            if isinstance(first, str) and not page.title:
                page.title = first
                page.run = _run_of(first, number, plan, problems)
            continue
        do = at(row, page.places[_DO])
        if page.fields and isinstance(first, str) and first.strip():
            page = _Page()
        elif page.run is None or not isinstance(do, str) or not do.strip() or do.startswith("Caution"):
            continue
        elif do == "together":
            page.fields = True
        elif page.fields:
            position = page.places[_DO] + 1
            _field(page, do, at(row, position), f"{letters(position)}{number}", taken, noted, problems)
        else:
            page.line += 1
            below = grid.rows[number] if number < len(grid.rows) else []
            _line(page, row, below, number, noted, problems)


@dataclass
class _Page:
    """How far a page was read; run is 0 for what is made once for several batches, None where it is of another plan."""

    title: str = ""
    run: int | None = None
    places: dict[str, int] = field(default_factory=dict)
    line: int = 0
    fields: bool = False

    @property
    def code(self) -> str:
        return self.title.rpartition(":")[0] or self.title


def _run_of(title: str, number: int, plan: Plan, problems: Problems) -> int | None:
    match = _TITLE.fullmatch(title)
    if match is None:
        return 0
    run = int(match["run"])
    if run in plan.runs.index and match["code"] == batch_code(plan, run):
        return run
    allowed = "the page of a batch of this plan"
    problems.add(f"A{number}", title, allowed, "what stands on it is not taken; take the page out")
    return None


def _line(page: _Page, row: list[object], below: list[object], number: int, noted: Noted, problems: Problems) -> None:
    places = page.places
    tick, cell = at(row, places.get(_DONE)), at(row, places[_ACTUAL])
    target = at(row, places[_TARGET])
    weighed = isinstance(target, int | float) and not isinstance(target, bool)
    # its target is worked out in its cell, so that a workbook which no spreadsheet program has saved shows none
    topped_up = at(row, places[_DO]) == NET_MASS
    name = f"{letters(places[_ACTUAL])}{number}"
    actual = float("nan")
    if (weighed or topped_up) and not is_blank(cell):
        try:
            actual = number_from(cell, "g")
            if actual < 0:
                raise DoubtError("a number in g, 0 or above", "correct it")
        except DoubtError as doubt:
            answer = (
                problems.ask(name, cell, "grams weighed: which is meant?", doubt.choices) if doubt.choices else None
            )
            if answer is None:
                problems.add(name, cell, f"grams weighed: {doubt.allowed}, or blank", doubt.mend)
            else:
                actual = number_from(answer)
    done = not is_blank(tick) and cell_text(tick).strip().casefold() not in _NOT_DONE
    if done or actual == actual:
        phase = at(row, places.get(_PHASE))
        do = str(at(row, places[_DO]))
        aim = float(target) if isinstance(target, int | float) and weighed else float("nan")
        noted.weighed.append(
            (page.code, page.run, page.line, "" if phase is None else str(phase), do, aim, actual, done, name)
        )
    if topped_up and actual == actual:
        noted.net_mass[page.run or 0] = actual
    if weighed:
        _held_against(page, row, below, actual, name, noted, problems)


def _held_against(
    page: _Page, row: list[object], below: list[object], actual: float, name: str, noted: Noted, problems: Problems
) -> None:
    """Hold what was weighed against its target, or against the one worked out anew for the base really poured."""
    places, run, do = page.places, page.run or 0, str(at(row, page.places[_DO]))
    anew = at(below, places[_TARGET]) if at(below, places[_DO]) == ANEW else None
    target = anew if isinstance(anew, int | float) and not isinstance(anew, bool) else at(row, places[_TARGET])
    assert isinstance(target, int | float)
    if do not in (ANEW, NET_MASS):  # which say how much of the lines above them
        noted.targets.setdefault(run or page.code, {})[do] = (float(target), actual)
    if actual != actual:
        return
    shows = str(at(row, places.get(_BALANCE))).partition(" ")[0]
    readability = float(shows) if _NUMBER.fullmatch(shows) else 0.0
    room = off_target(float(target), actual, readability)
    if room is not None:
        noted.off_target.append(Off(run, page.code, do, float(target), actual, room, name, problems.sheet))


def _field(page: _Page, entry: str, value: object, name: str, taken: Taken, noted: Noted, problems: Problems) -> None:
    run = page.run or 0
    if is_blank(value):
        return
    if entry == "finished at" and run:
        moment = moment_in(value, name, problems)
        other = taken.made_at.get(run)
        if moment is not None and other is not None and other != moment:
            found = f"{date_text(moment)}, and {date_text(other)} on the page of readings"
            problems.add(name, found, f"finished at: one value for run {run}", "none is taken; correct one of the two")
            del taken.made_at[run]
        elif moment is not None:
            taken.made_at[run] = moment
    elif entry == "remarks" and run:
        taken.remarks.append((run, run, cell_text(value)))
    else:
        if entry == EXTRA_BASE:
            _extra_base(page.code, run, value, name, noted, problems)
        noted.entries.append(
            (page.code, run, entry, date_text(value) if isinstance(value, datetime.datetime) else value)
        )


def _extra_base(page: str, run: int, value: object, name: str, noted: Noted, problems: Problems) -> None:
    """Base beyond the calculated: the batch has another degree than the planned one."""
    what = "base solution beyond the calculated"
    try:
        grams = number_from(value, "g")
        if grams < 0:
            raise DoubtError("a number in g, 0 or above", "correct it")
    except DoubtError as doubt:
        answer = problems.ask(name, value, f"{what}: which is meant?", doubt.choices) if doubt.choices else None
        if answer is None:
            problems.add(name, value, f"{what}: {doubt.allowed}, or blank", f"kept as written; {doubt.mend}")
            return
        grams = number_from(answer)
    if grams:
        noted.off_target.append(Off(run, page, what, 0.0, grams, 0.0, name, problems.sheet))
        noted.extra_base[run] = grams
