"""What is taken from rows whose batches are known: readings, settings as made, covariates, marks, dates and remarks."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from doe.bench.columns import Column, Heads, read_on_head
from doe.bench.dates import date_from, date_text
from doe.bench.intake import Entry, Reading, Table, Taken, at, counted, is_empty
from doe.bench.measured import Measured
from doe.bench.numerals import DoubtError, is_blank, number_from, reading_from, reading_text
from doe.bench.plausible import beyond_limits, can_be, ends_text
from doe.bench.problems import Problems, cell_text
from doe.bench.texts import bare
from doe.study import Categorical
from doe.study.errors import nearest

MADE_WORDS = {"made", "yes", "y", "ok"}
FAILED_WORDS = {"failed", "fail", "no", "n", "lost"}
READ_AGAIN, MADE_AGAIN, LEAVE_OUT = "read again", "made again", "leave out"
_WORDS = {
    **dict.fromkeys(("read again", "same batch read again", "read", "same batch", "same"), READ_AGAIN),
    **dict.fromkeys(("made again", "made", "new batch", "remade"), MADE_AGAIN),
}
_Value = tuple[float, float, float]  # value, lower, upper
_T = TypeVar("_T")

FIRST_YEAR = 2000  # before it no batch on a sheet of ours was finished


@dataclass
class _Row:
    """An entry with its readings, by column name and which reading of the batch."""

    entry: Entry
    failed: bool
    again: str = ""
    readings: dict[tuple[str, int], tuple[_Value, str]] = field(default_factory=dict)


def take(table: Table, entries: Sequence[Entry], heads: Heads, problems: Problems) -> Taken:
    """Everything that stands in rows whose batches are known."""
    taken = Taken()
    rows = [_row(table, entry, heads, taken, problems) for entry in entries]
    rows = _told_apart(table, rows, problems)
    _take_readings(table, rows, heads, taken, problems)
    _take_rest(table, rows, heads, taken, problems)
    read = {r.run for r in taken.data}
    taken.failed = sorted({row.entry.run for row in rows if row.failed} - read)
    _take_reasons(table, rows, taken, problems)
    return taken


# ---- readings


def _row(table: Table, entry: Entry, heads: Heads, taken: Taken, problems: Problems) -> _Row:
    """The readings of one row; those of a failed batch are listed instead."""
    row = _Row(entry, _failed(table, entry, problems), _again(table, entry, problems))
    places: dict[str, list[tuple[int, Column]]] = {}
    for position, column in table.positions("response"):
        places.setdefault(column.name, []).append((position, column))
    for one in heads.measured:
        for position, column in places.get(one.name, ()):
            cell = at(entry.cells, position)
            if is_blank(cell):
                continue
            name = table.cell(entry.row, position)
            if row.failed:
                problems.add(
                    name,
                    cell,
                    f"{one.name}: blank, as the batch failed",
                    "not taken; clear the mark or the reading",
                )
                continue
            value = _reading(one, cell, name, table.marks.get(position), problems)
            if value is not None:
                row.readings[one.name, column.reading] = (value, name)
    remark = at(entry.cells, table.position("remark"))
    if not is_empty(remark):
        taken.remarks.append((entry.run, entry.batch, bare(cell_text(remark))))
    return row


def _failed(table: Table, entry: Entry, problems: Problems) -> bool:
    position = table.position("made")
    cell = at(entry.cells, position)
    if is_blank(cell):
        return False
    word = str(cell).strip().casefold()
    if word in FAILED_WORDS:
        return True
    if word not in MADE_WORDS:
        assert position is not None
        problems.add(
            table.cell(entry.row, position), cell, '"made", "failed" or blank', "counted as made; correct the mark"
        )
    return False


def _again(table: Table, entry: Entry, problems: Problems) -> str:
    position = table.position("again")
    cell = at(entry.cells, position)
    if is_blank(cell):
        return ""
    word = _WORDS.get(" ".join(str(cell).split()).casefold(), "")
    if not word:
        assert position is not None
        allowed = f'"{READ_AGAIN}", "{MADE_AGAIN}" or blank'
        problems.add(table.cell(entry.row, position), cell, allowed, "counted as blank; correct the word")
    return word


def _told_apart(table: Table, rows: list[_Row], problems: Problems) -> list[_Row]:
    """Rows of one run told apart: the same batch read again (further readings), or a batch made again (a label of its own).

    What the column "same batch read again, or made again?" says holds; where rows that say different things leave it blank it is asked.
    """
    groups: dict[tuple[int, Hashable, int], list[_Row]] = {}
    out: list[_Row] = []
    for row in rows:
        entry = row.entry
        group = groups.setdefault((entry.run, entry.batch, entry.replicate), [])
        if row.failed or not group:
            out.append(row)
            if not row.failed:
                group.append(row)
            continue
        answer: object = row.again
        if not answer and any(_differ(row, other) for other in group):
            run_at = table.position("run")
            answer = problems.ask(
                table.cell(entry.row, run_at) if run_at is not None else f"row {entry.row}",
                f"run {entry.run} in rows " + ", ".join([*(r.entry.row for r in group), entry.row]),
                f"is row {entry.row} the same batch of run {entry.run} read again, or the run made again?",
                (READ_AGAIN, MADE_AGAIN, LEAVE_OUT),
            )
        if answer == LEAVE_OUT:
            continue
        if answer == READ_AGAIN:
            used = [r.entry.replicate for r in out if (r.entry.run, r.entry.batch) == (entry.run, entry.batch)]
            row = replace(row, entry=replace(entry, replicate=max(used) + 1))
        elif answer == MADE_AGAIN:
            labels = {r.entry.batch for r in out if r.entry.run == entry.run}
            row = replace(row, entry=replace(entry, batch=_new_label(entry.run, labels)))
        group = groups.setdefault((row.entry.run, row.entry.batch, row.entry.replicate), [])
        group.append(row)
        out.append(row)
    for (run, _, replicate), group in groups.items():
        if len(group) > 1:
            again = f", reading {replicate}" if replicate > 1 else ""
            said = "readings that agree or stand alone are taken, others held back; delete the row not meant, or answer the question"
            where = "rows " + ", ".join(row.entry.row for row in group)
            problems.add(where, f"run {run}{again}, {len(group)} times", "each run once", said)
    return out


def _new_label(run: int, used: set[Hashable]) -> str:
    for number in range(2, len(used) + 3):
        label = f"{run} made again" if number == 2 else f"{run} made again {number}"
        if label not in used:
            return label
    raise AssertionError


def _differ(row: _Row, other: _Row) -> bool:
    return any(
        key in other.readings and reading_text(*value) != reading_text(*other.readings[key][0])
        for key, (value, _) in row.readings.items()
    )


def _take_readings(table: Table, rows: Sequence[_Row], heads: Heads, taken: Taken, problems: Problems) -> None:
    deepest = max((c.reading for _, c in table.positions("response")), default=1)
    found: dict[tuple[int, Hashable, str, int], list[tuple[_Value, str]]] = {}
    for row in rows:
        entry = row.entry
        for (name, reading), value in row.readings.items():
            replicate = (entry.replicate - 1) * deepest + reading
            found.setdefault((entry.run, entry.batch, name, replicate), []).append(value)
    by_name = {one.name: one for one in heads.measured}
    for (run, batch, name, replicate), values in found.items():
        if len({reading_text(*value) for value, _ in values}) > 1:
            problems.add(
                ", ".join(cell for _, cell in values),
                ", ".join(cell_text(_shown(value)) for value, _ in values),
                f"{name}: one reading of run {run}",
                "not taken; keep the right one",
            )
        else:
            of, time, condition = by_name[name].key
            first, cell = values[0]
            taken.data.append(Reading(run, batch, replicate, time, condition, of, *first, cell))
    in_order(taken.data, heads.measured)


def in_order(data: list[Reading], measured: Sequence[Measured]) -> None:
    """Sort readings by run, batch, response and occasion (in the study's order) and replicate."""
    place = {one.key: i for i, one in enumerate(measured)}
    data.sort(key=lambda r: (r.run, str(r.batch), place[r.response, r.time, r.condition], r.replicate))


def _shown(value: _Value) -> object:
    return value[0] if value[0] == value[1] else reading_text(*value)


def _reading(one: Measured, cell: object, name: str, mark: str | None, problems: Problems) -> _Value | None:
    """The reading in a cell; None, and a problem listed, where it is in doubt or beyond what the response can be."""
    response = one.response
    bounds = ends_text(response)
    unit = f" in {response.unit}" if response.unit else ""
    allowed = f"a number{unit}{bounds}, or blank"
    if response.scale is not None:
        allowed = f"a whole score from {response.scale[0]} to {response.scale[1]}, or blank"

    def possible(value: _Value) -> bool:
        return can_be(response, value)

    def typed(answer: object) -> _Value:
        value = reading_from(answer, response.unit)
        if not possible(value):
            raise DoubtError(allowed, "choose another")
        return value

    try:
        value = reading_from(cell, response.unit, mark)
    except DoubtError as doubt:
        said = allowed if response.scale is not None else f"{doubt.allowed}{bounds}, or blank"
        choices = [c for c in doubt.choices if possible(reading_from(c))]
        if choices:
            date = isinstance(cell, datetime.date)
            question = (
                f"{one.name}: what was typed here before a date was made of it?"
                if date
                else f"{one.name}: which is meant?"
            )
            answer = problems.ask(name, cell, question, choices, typed if date else None)
            if answer is not None:
                return answer if isinstance(answer, tuple) else reading_from(answer)
        problems.add(name, cell, f"{one.name}: {said}", doubt.mend)
        return None
    if not possible(value):
        problems.add(name, cell, f"{one.name}: {allowed}", "not taken; correct the reading")
        return None
    return value


# ---- what else stands in a row


def _take_rest(table: Table, rows: Sequence[_Row], heads: Heads, taken: Taken, problems: Problems) -> None:
    """Order of making, settings as made, covariates and when the batch was finished: one value a run."""
    study = heads.study
    once = _Once(table, problems)
    for row in rows:
        entry = row.entry
        if not row.failed:
            _note_order(table, entry, taken, problems)
        if row.again and entry.replicate == 1 and entry.batch == entry.run:
            # the only row of its run: nothing to tell apart, but the word says something of the batch
            taken.remarks.append((entry.run, entry.batch, row.again))
        for name, value in entry.as_made.items():
            position = table.position("factor", name)
            once.note(taken.as_made, entry, name, value, position, f"{name} as made")
        for position, column in table.positions("as made"):
            factor = study.factor(column.name)
            if isinstance(factor, Categorical):
                setting: object = _level(table, entry, position, factor, problems)
            else:
                setting = _number(table, entry, position, f"{factor.name} as made", factor.unit, problems)
                beyond = beyond_limits(factor, setting)
                if beyond and position is not None:
                    problems.add(
                        table.cell(entry.row, position),
                        at(entry.cells, position),
                        f"{factor.name} as made: {beyond}, or blank",
                        "not taken, the planned setting is kept; correct it",
                    )
                    setting = None
            once.note(taken.as_made, entry, factor.name, setting, position, f"{factor.name} as made")
        for position, column in table.positions("covariate"):
            covariate = next(c for c in study.covariates if c.name == column.name)
            number = _number(table, entry, position, covariate.name, covariate.unit, problems)
            once.note(taken.covariates, entry, covariate.name, number, position, covariate.name)
        position_made = table.position("made_at")
        if position_made is not None:
            moment = moment_in(at(entry.cells, position_made), table.cell(entry.row, position_made), problems)
            if entry.batch == entry.run and entry.replicate == 1:
                once.note(taken.made_at, entry, None, moment, position_made, "finished at")
            elif moment is not None:
                taken.remarks.append((entry.run, entry.batch, f"finished at {date_text(moment)}"))
        for position, column in table.positions("read_on"):
            name = table.cell(entry.row, position)
            moment = moment_in(at(entry.cells, position), name, problems, "read on")
            if entry.batch == entry.run and entry.replicate == 1:
                once.note(taken.read_on, entry, column.name, moment, position, read_on_head(column.name))
                taken.read_cells.setdefault((entry.run, column.name), name)
            elif moment is not None:
                taken.remarks.append((entry.run, entry.batch, f"{read_on_head(column.name)}: {date_text(moment)}"))


class _Once:
    """Keeps one value a run; where rows of a run say different things none is kept, and it is listed."""

    def __init__(self, table: Table, problems: Problems) -> None:
        self.table, self.problems = table, problems
        self._seen: dict[tuple[int, str, str | None], tuple[object, str]] = {}

    def note(
        self, store: dict[int, Any], entry: Entry, name: str | None, value: object, position: int | None, what: str
    ) -> None:
        if value is None or position is None:
            return
        key, cell = (entry.run, what, name), self.table.cell(entry.row, position)
        if key in self._seen:
            other, first = self._seen[key]
            if other != value:
                texts = [date_text(v) if isinstance(v, datetime.datetime) else cell_text(v) for v in (other, value)]
                mend = "none is taken; keep the right one"
                self.problems.add(f"{first}, {cell}", ", ".join(texts), f"{what}: one value for run {entry.run}", mend)
                if name is None:
                    store.pop(entry.run, None)
                else:
                    store.get(entry.run, {}).pop(name, None)
            return
        self._seen[key] = (value, cell)
        if name is None:
            store[entry.run] = value
        else:
            store.setdefault(entry.run, {})[name] = value


def _number(table: Table, entry: Entry, position: int, what: str, unit: str, problems: Problems) -> float | None:
    cell, name = at(entry.cells, position), table.cell(entry.row, position)
    if is_blank(cell):
        return None
    try:
        return number_from(cell, unit, table.marks.get(position))
    except DoubtError as doubt:
        answer = _asked(name, cell, f"{what}: which is meant?", doubt, lambda a: number_from(a, unit), problems)
        if answer is None:
            problems.add(name, cell, f"{what}: {doubt.allowed}, or blank", doubt.mend)
        return answer


def moment_in(cell: object, name: str, problems: Problems, what: str = "finished at") -> datetime.datetime | None:
    """When a batch was finished or read; None, and a problem listed, where the cell does not say it clearly."""
    if is_blank(cell):
        return None
    try:
        found = date_from(cell)
        if not FIRST_YEAR <= found.year <= datetime.datetime.now().year + 1:
            problems.add(
                name,
                cell,
                f"{what}: a date from {FIRST_YEAR} to next year, or blank",
                "not taken; correct the year",
            )
            return None
        return found
    except DoubtError as doubt:
        answer = _asked(name, cell, f"{what}: which day is meant?", doubt, date_from, problems)
        if answer is None:
            problems.add(name, cell, f"{what}: {doubt.allowed}, or blank", doubt.mend)
        return answer


def _asked(
    name: str, cell: object, question: str, doubt: DoubtError, read: Callable[[object], _T], problems: Problems
) -> _T | None:
    """What an answered question says; None where there is nothing to choose from, or no answer yet."""
    choices = [c for c in doubt.choices if not (isinstance(c, str) and ".." in c)]
    answer = problems.ask(name, cell, question, choices) if choices else None
    return None if answer is None else read(answer)


def _level(table: Table, entry: Entry, position: int, factor: Categorical, problems: Problems) -> str | None:
    cell = at(entry.cells, position)
    if is_blank(cell):
        return None
    level = bare(str(cell).strip())
    if level in factor.levels:
        return level
    allowed = f"{factor.name} as made: one of {', '.join(factor.levels)}, or blank"
    problems.add(table.cell(entry.row, position), cell, allowed, f"not taken; {nearest(level, factor.levels)}")
    return None


def _note_order(table: Table, entry: Entry, taken: Taken, problems: Problems) -> None:
    position = table.position("order")
    cell = at(entry.cells, position)
    number = counted(cell)
    if number is not None:
        taken.order[entry.run] = number
    elif position is not None and not is_blank(cell):
        problems.add(
            table.cell(entry.row, position),
            cell,
            "a whole number from 1, the place in the order of making",
            "not used; correct it",
        )


def _take_reasons(table: Table, rows: Sequence[_Row], taken: Taken, problems: Problems) -> None:
    """Why batches failed: the column for it, else the remark; a failure without either is listed."""
    position = table.position("reason")
    remarks: dict[int, list[str]] = {}
    for run, _, text in taken.remarks:
        remarks.setdefault(run, []).append(text)
    for row in rows:
        cell, run = at(row.entry.cells, position), row.entry.run
        reason = "" if is_empty(cell) else bare(cell_text(cell)).strip()
        if reason and not row.failed:
            assert position is not None
            taken.remarks.append((run, row.entry.batch, reason))
            problems.add(
                table.cell(row.entry.row, position),
                cell,
                "blank, as the batch is not marked as failed",
                "kept as a remark; mark the batch as failed if it was",
            )
        elif row.failed and run not in taken.failed:
            if reason:  # a failed batch that was made again keeps its story
                taken.remarks.append((run, row.entry.batch, f"failed first: {reason}"))
        elif row.failed:
            said = reason or "; ".join(remarks.get(run, ()))
            if said:
                taken.reasons[run] = "; ".join(dict.fromkeys([*filter(None, [taken.reasons.get(run)]), said]))
            else:
                where = table.cell(row.entry.row, position) if position is not None else f"row {row.entry.row}"
                problems.add(where, "a failed batch without a reason", "the reason in words", "say why it failed")
