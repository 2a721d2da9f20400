"""Pages of a returned workbook beside the page of readings: what was weighed, ticked and noted for each batch, and what is the same for all."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass, field

import pandas as pd

from doe.bench.as_weighed import Line, Off, off_target
from doe.bench.cautions import LAST_WORD
from doe.bench.dates import date_text
from doe.bench.grids import Grid, letters
from doe.bench.intake import Taken, at
from doe.bench.numerals import DoubtError, is_blank, number_from
from doe.bench.pages import ANEW, COLUMNS, CONTINUED, EXTRA_BASE, NET_MASS, PH_AFTER, SAID, SAME_FOR_ALL, batch_code
from doe.bench.problems import Problems, cell_text
from doe.bench.taking import moment_in
from doe.designs import Plan

WEIGHED = ("page", "run", "line", "phase", "do", "target", "actual", "done", "cell")
NOTED = ("page", "run", "entry", "value")
_TITLE = re.compile(r"batch (?P<code>\S+) ?: run (?P<run>\d+)\b.*")  # of folded words
_APART = re.compile(r"(?P<name>.+), (?P<plan>[0-9a-f]{4})-(?P<code>[pb]\d+) ?:.*")
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
        By run (of what is made once, by the title of its page) and by what is weighed, that line.
    off_target : list of Off
        Weighings that missed their targets by more than weighing explains, and base added beyond the calculated.
    extra_base : dict
        Grams of that base, by run; of what is made once, by the title of its page.
    net_mass : dict
        Grams in the beaker after the top-up, by run, where that was written down.
    pages : set of str
        Titles of the pages that were read.
    """

    weighed: list[tuple[object, ...]] = field(default_factory=list)
    entries: list[tuple[str, int, str, object]] = field(default_factory=list)
    constants: dict[str, object] = field(default_factory=dict)
    targets: dict[int | str, dict[str, Line]] = field(default_factory=dict)
    off_target: list[Off] = field(default_factory=list)
    extra_base: dict[int | str, float] = field(default_factory=dict)
    net_mass: dict[int, float] = field(default_factory=dict)
    pages: set[str] = field(default_factory=set)

    def weighed_frame(self) -> pd.DataFrame:
        """What was weighed, as a table."""
        frame = pd.DataFrame(self.weighed, columns=list(WEIGHED), dtype=object)
        return frame.astype({"target": float, "actual": float, "done": bool})

    def entries_frame(self) -> pd.DataFrame:
        """The other fields, as a table."""
        return pd.DataFrame(self.entries, columns=list(NOTED), dtype=object)


def is_batches(grid: Grid) -> bool:
    """Whether a sheet holds the pages of the batches, whatever it is called now."""
    return any(
        ({_TARGET, _ACTUAL} <= _heads(row).keys())
        or (isinstance(first := at(row, 0), str) and bool(_TITLE.fullmatch(_folded(first))))
        for row in grid.rows
    )


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
    """Every page: a title, a row of heads, lines, "together", fields, and a last row of words that ends it.

    A page begins at its title and nowhere else; what stands between pages, or below what is no title, is listed.
    """
    page: _Page | None = None
    loose: list[tuple[int, str]] = []  # words that may have been a title
    for number, row in enumerate(grid.rows, start=1):
        first, below = at(row, 0), grid.rows[number] if number < len(grid.rows) else []
        words = _folded(first) if isinstance(first, str) else ""
        title = _title(first, words, number, plan, problems)
        if title is not None:
            if not (words.endswith(_folded(CONTINUED)) and page is not None and title.code == page.code):
                _leave_loose(loose, problems)
                page, loose = title, []
                _seen_twice(page, number, noted, problems)
            continue
        heads = _heads(row)
        if {_DO, _ACTUAL} & heads.keys() and len(heads) >= 3:
            if page is None:
                found = " / ".join(text for _, text in loose) or None
                allowed = "the title of the page above its heads, such as “Batch …: run 3, …”"
                mend = "what stands on it is not taken; write the title as it was printed"
                problems.add(f"A{loose[0][0] if loose else number}", found, allowed, mend)
                page, loose = _Page("", None), []
            page.places = _placed(heads, row, number, problems)
            continue
        if words == _folded(f"{SAID} {LAST_WORD}"):
            page = None
        elif page is None:
            if words:
                loose.append((number, str(first)))
        elif page.places and page.run is not None:
            _row(page, row, below, number, taken, noted, problems)
    _leave_loose(loose, problems)


def _row(
    page: _Page,
    row: list[object],
    below: list[object],
    number: int,
    taken: Taken,
    noted: Noted,
    problems: Problems,
) -> None:
    """A row below the heads of a page: a line, "together", or a field."""
    first, do = at(row, 0), at(row, page.places[_DO])
    if not isinstance(do, str) or not do.strip():
        if isinstance(first, str) and len(first.split()) > 1:  # more than a tick
            problems.add(f"A{number}", first, "a tick, or blank", "not taken; write it as a remark")
        return
    if do.startswith("Caution"):
        return
    if do == "together":
        page.fields = True
    elif page.fields:
        position = page.places[_DO] + 1
        _field(page, do, at(row, position), f"{letters(position)}{number}", taken, noted, problems)
    else:
        page.line += 1
        _line(page, row, below, number, noted, problems)


def _folded(text: str) -> str:
    """A text without its capitals and superfluous blanks, by which printed words are known again."""
    return " ".join(text.split()).casefold()


def _heads(row: list[object]) -> dict[str, int]:
    """Columns of a page by their heads, however these were retyped."""

    def bare(head: str) -> str:
        return re.sub(r"[^a-z]", "", re.sub(r"\(.*", "", head.casefold()))

    known = {bare(head): head for head in COLUMNS} | {f"{bare(head)}g": head for head in (_TARGET, _ACTUAL)}
    return {known[name]: i for i, c in enumerate(row) if isinstance(c, str) and (name := bare(c)) in known}


def _placed(heads: dict[str, int], row: list[object], number: int, problems: Problems) -> dict[str, int]:
    """All columns that are read; one whose head is not known is looked for where it was printed."""
    places, printed = dict(heads), list(COLUMNS)
    known, at_known = next((head, i) for head, i in heads.items())
    for head in (_DO, _TARGET, _ACTUAL):
        if head not in places:
            places[head] = at_known + printed.index(head) - printed.index(known)
            name, mend = (
                f"{letters(places[head])}{number}",
                "the column is taken as that; write its head as it was printed",
            )
            problems.add(name, at(row, places[head]), f"the head “{head}”", mend)
    return places


def _leave_loose(loose: list[tuple[int, str]], problems: Problems) -> None:
    for number, text in loose:
        problems.add(f"A{number}", text, "blank between the pages", "not taken; write it as a remark of its batch")


def _seen_twice(page: _Page, number: int, noted: Noted, problems: Problems) -> None:
    """List a page that stands there a second time; what is written on the first holds."""
    if page.run is None:
        return
    if page.code in noted.pages:
        found, allowed = f"{page.title}, a second time", "each page once"
        mend = "what is blank on the other page is taken from it; delete the page not meant"
        problems.add(f"A{number}", found, allowed, mend)
    noted.pages.add(page.code)


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


def _title(first: object, words: str, number: int, plan: Plan, problems: Problems) -> _Page | None:
    """The page that a title begins; None where it is none."""
    batch, apart = _TITLE.fullmatch(words), _APART.fullmatch(words)
    if batch is not None:
        run = int(batch["run"])
        if run in plan.runs.index and batch["code"] == batch_code(plan, run).casefold():
            return _Page(f"Batch {batch_code(plan, run)}: run {run}", run)
    elif apart is not None and apart["plan"] == plan.fingerprint[:4]:
        return _Page(" ".join(str(first).split()), 0)
    if batch is None and apart is None:
        return None
    allowed = "the page of a batch of this plan"
    problems.add(f"A{number}", words, allowed, "what stands on it is not taken; take the page out")
    return _Page(words, None)


def _line(page: _Page, row: list[object], below: list[object], number: int, noted: Noted, problems: Problems) -> None:
    places = page.places
    tick, cell = at(row, places.get(_DONE)), at(row, places[_ACTUAL])
    target = _number(at(row, places[_TARGET]))
    # its target is worked out in its cell, so that a workbook which no spreadsheet program has saved shows none
    topped_up = at(row, places[_DO]) == NET_MASS
    name = f"{letters(places[_ACTUAL])}{number}"
    actual = float("nan")
    if not is_blank(cell):
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
        aim = float("nan") if target is None else target
        said = (page.code, page.run, page.line, "" if phase is None else str(phase), do, aim, actual, done)
        if repr(said) not in {repr(line[:-1]) for line in noted.weighed}:  # of a page that was copied
            noted.weighed.append((*said, name))
    if topped_up and actual == actual:
        noted.net_mass[page.run or 0] = actual
    if target is not None:
        _held_against(page, row, below, target, actual, name, noted, problems)
    elif actual == actual and not topped_up:
        allowed = "a target beside what was weighed"
        mend = "kept as written, as an addition that the recipe does not have; write the settings really made in their columns “as made”"
        problems.add(name, f"{cell_text(actual)} g of {at(row, places[_DO])}", allowed, mend)


def _held_against(
    page: _Page,
    row: list[object],
    below: list[object],
    target: float,
    actual: float,
    name: str,
    noted: Noted,
    problems: Problems,
) -> None:
    """Hold what was weighed against its target, or against the one worked out anew for the base really poured."""
    places, run, do = page.places, page.run or 0, str(at(row, page.places[_DO]))
    anew = _number(at(below, places[_TARGET])) if at(below, places[_DO]) == ANEW else None
    target = target if anew is None else anew
    if do not in (ANEW, NET_MASS):  # which say how much of the lines above them
        lines = noted.targets.setdefault(run or page.code, {})
        before = lines.get(do)
        if before is not None and before.actual == before.actual:  # it stands there twice
            if actual == actual and actual != before.actual:
                found = (
                    f"{cell_text(actual)} g of {do}, and {cell_text(before.actual)} g in {before.sheet}!{before.cell}"
                )
                problems.add(
                    name, found, "one mass of each line", "both are kept; settings are worked out of the first"
                )
            return
        lines[do] = Line(target, actual, name, problems.sheet)
    if actual != actual:
        return
    shows = str(at(row, places.get(_BALANCE))).partition(" ")[0]
    readability = float(shows) if _NUMBER.fullmatch(shows) else 0.0
    room = off_target(target, actual, readability)
    if room is not None:
        noted.off_target.append(Off(run, page.code, do, target, actual, room, name, problems.sheet))


def _number(cell: object) -> float | None:
    """A target as a number, of a text too; None where it is none."""
    try:
        return None if is_blank(cell) or isinstance(cell, bool) else number_from(cell, "g")
    except DoubtError:
        return None


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
        elif entry == PH_AFTER:
            value = _ph(value, name, problems)
        noted.entries.append(
            (page.code, run, entry, date_text(value) if isinstance(value, datetime.datetime) else value)
        )


def _ph(value: object, name: str, problems: Problems) -> object:
    """A pH as a number; as it was written, and listed, where it is none."""
    try:
        number = number_from(value)
        if not 0.0 <= number <= 14.0:
            raise DoubtError("a number from 0 to 14", "correct it")
    except DoubtError as doubt:
        problems.add(name, value, f"pH after the base: {doubt.allowed}, or blank", f"kept as written; {doubt.mend}")
        return value
    return number


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
    if grams and (run or page) not in noted.extra_base:  # else of a page that was copied
        noted.off_target.append(Off(run, page, what, 0.0, grams, 0.0, name, problems.sheet))
        noted.extra_base[run or page] = grams
