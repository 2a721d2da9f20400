"""Intake of the page for readings with instruments: row by row to readings with their method; what is in doubt is held back and listed."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from doe.bench.droplet_sizes import PERCENTS, DropletSizes, read_droplets
from doe.bench.grids import Grid, letters
from doe.bench.instrument_columns import (
    COLUMNS,
    DILUTED,
    DIRECT,
    STATISTICS,
    WEIGHTINGS,
    column_named,
    column_of,
)
from doe.bench.intake import SPLIT, at
from doe.bench.measured import measured_as
from doe.bench.numerals import DoubtError, decimal_mark, is_blank, number_from, reading_from
from doe.bench.pages import batch_code
from doe.bench.plausible import ends_of
from doe.bench.problems import Problems, cell_text
from doe.bench.taking import moment_in
from doe.bench.texts import bare
from doe.designs import Plan
from doe.study import Response, StudyError
from doe.study.errors import nearest
from doe.study.occasions import found_occasion

NOT_STATED = "method not stated"
_VISCOMETER, _DROPLETS = ("spindle", "speed", "torque", "seconds"), ("count", *STATISTICS, "weighted", "file")
_OWN = ("reading", "temperature", *_VISCOMETER, "read_as", *_DROPLETS)
_DILUTION = re.compile(r"(?:diluted\s*(?:to|at)?\s*)?(\d+(?:[.,]\d+)?)\s*%")
Value = tuple[float, float, float]  # value, lower, upper


@dataclass(frozen=True)
class InstrumentReading:
    """One reading as it was written down, before anything is judged of it.

    Attributes
    ----------
    run, batch : int, hashable
        Whose it is.
    time, condition, response : str
        What was read, and when.
    replicate : int
        Which reading of the batch by this method; 0 where it was not said.
    kind : str
        "viscosity", "pH", "droplets", or "" where nothing tells.
    method : str
        By which readings are kept apart: "spindle 4, 20 rpm", "direct", "d32", or that it is not stated.
    value : tuple of float
        Value, lower, upper, as the records have them.
    torque : tuple of float
        Least and most it can be, %: two times the number, (100, inf) for ">100"; NaN where it was not said.
    read_on : datetime or None
        When it was read, where that was said.
    """

    run: int
    batch: Hashable
    time: str
    condition: str
    response: str
    replicate: int
    kind: str
    method: str
    value: Value
    temperature: float
    spindle: str
    speed: float
    torque: tuple[float, float]
    seconds: float
    count: float
    cell: str
    row: str
    remark: str
    read_on: datetime.datetime | None


@dataclass(frozen=True)
class Rows:
    """What the page gave."""

    readings: list[InstrumentReading]
    remarks: list[tuple[int, Hashable, str]]
    droplets: dict[str, DropletSizes]  # by the row's name, where a file was read


def instrument_rows(grid: Grid, header: int, plan: Plan, problems: Problems, folder: Path) -> Rows:
    """Take the rows under the heads of the page.

    Parameters
    ----------
    grid : Grid
        The sheet.
    header : int
        Its row of heads, counted from 0.
    plan : Plan
        Whose batches were read.
    problems : Problems
        Grows by what is in doubt.
    folder : Path
        Where files of diameters are looked for.

    Returns
    -------
    Rows
    """
    places: dict[str, int] = {}
    for position, head in enumerate(grid.rows[header]):
        column = column_of(head)
        if column is None:
            if not is_blank(head):
                allowed = "a column of this page"
                problems.add(f"column {letters(position)}", head, allowed, "not used; write what matters as a remark")
        elif column.key in places:
            problems.add(
                f"column {letters(position)}",
                head,
                "a column that stands there once",
                "not used; delete one of the two",
            )
        else:
            places[column.key] = position
    numeric = [places[c.key] for c in COLUMNS if c.low is not None and c.key in places]
    body = [(i, row) for i, row in enumerate(grid.rows) if i > header and not all(_empty(c) for c in row)]
    mark = decimal_mark(at(row, p) for _, row in body for p in numeric)
    if grid.delimiter == ";" and mark is None:
        mark = "both"  # as on the page Measurements: neither "12,345" nor "12.345" is then clear
    width = len(grid.rows[header]) if grid.delimiter else 0
    taker = _Taker(plan, places, mark, problems, folder)
    for i, row in body:
        if width and not all(_empty(c) for c in row[width:]):
            problems.add(f"row {i + 1}", f"{len(row)} cells", f"{width} cells, one a column", f"not taken; {SPLIT}")
            continue
        for position, cell in enumerate(row[: len(grid.rows[header])]):
            if is_blank(at(grid.rows[header], position)) and not _empty(cell):
                name = f"{letters(position)}{i + 1}"
                problems.add(name, cell, "under a head", "not used; move it to the column it belongs to")
        taker.take(str(i + 1), row)
    return Rows(taker.readings, taker.remarks, taker.droplets)


class _Taker:
    """Takes rows, one after the other."""

    def __init__(
        self, plan: Plan, places: Mapping[str, int], mark: str | None, problems: Problems, folder: Path
    ) -> None:
        self.plan, self.places, self.mark, self.problems, self.folder = plan, places, mark, problems, folder
        self.codes: dict[str, int] = {batch_code(plan, int(r)).casefold(): int(r) for r in plan.runs.index}
        self.readings: list[InstrumentReading] = []
        self.remarks: list[tuple[int, Hashable, str]] = []
        self.droplets: dict[str, DropletSizes] = {}
        self.row = ""
        self.cells: Sequence[object] = ()

    # ---- cells

    def cell(self, key: str) -> object:
        return at(self.cells, self.places.get(key))

    def name(self, key: str) -> str:
        return f"{letters(self.places[key])}{self.row}" if key in self.places else f"row {self.row}"

    def text(self, key: str) -> str:
        cell = self.cell(key)
        if is_blank(cell):
            return ""
        if isinstance(cell, float) and cell.is_integer():
            cell = int(cell)
        return " ".join(bare(cell_text(cell)).split())

    def add(self, key: str, allowed: str, mend: str) -> None:
        self.problems.add(self.name(key), self.cell(key), allowed, mend)

    def number(self, key: str, kept: str) -> float:
        """The number in a cell; NaN where it is blank or in doubt, which is then listed. `kept` says what becomes of the row."""
        column, cell = column_named(key), self.cell(key)
        if is_blank(cell):
            return math.nan
        assert column.low is not None  # only columns of numbers are asked for one
        assert column.high is not None
        name, _, unit = column.head.removesuffix(")").partition(" (")
        whole = "a whole number" if key in ("replicate", "count") else "a number"
        allowed = f"{name}: {whole}{f' in {unit}' if unit else ''} from {column.low:,g} to {column.high:,g}, or blank"
        try:
            value = number_from(cell, unit, self.mark)
        except DoubtError as doubt:
            self.add(key, allowed, f"{kept}; {doubt.mend}")
            return math.nan
        if not column.low <= value <= column.high or (key in ("replicate", "count") and not value.is_integer()):
            self.add(key, allowed, f"{kept}; correct it")
            return math.nan
        return value

    # ---- rows

    def take(self, row: str, cells: Sequence[object]) -> None:
        self.row, self.cells = row, cells
        filled = [key for key in _OWN if not is_blank(self.cell(key))]
        remark = self.text("remark")
        if not filled and not remark:
            return  # a sample named but not read
        run = self._run()
        if run is None:
            return
        if remark:
            self.remarks.append((run, run, remark))
        if not filled:
            return
        found = self._response()
        replicate = self._replicate()
        if found is None or replicate is None:
            return
        response, time, condition = found
        kinds = {
            kind
            for kind, keys in (("viscosity", _VISCOMETER), ("pH", ("read_as",)), ("droplets", _DROPLETS))
            if any(key in filled for key in keys)
        }
        if len(kinds) > 1:
            found_text = " and ".join(sorted(kinds))
            self.problems.add(
                f"row {row}", f"columns of {found_text}", "the columns of one instrument", "not taken; a row a reading"
            )
            return
        kind = next(iter(kinds), "")
        temperature = self.number("temperature", "kept without it")
        read_on = moment_in(self.cell("read_on"), self.name("read_on"), self.problems, "read on")
        methods = self._droplets() if kind == "droplets" else self._reading(response, kind)
        spindle, speed, torque, seconds = ("", math.nan, (math.nan, math.nan), math.nan)
        if kind == "viscosity":
            seconds, torque = self.number("seconds", "kept without it"), self._torque()
            spindle, speed = _spindle(self.text("spindle")), self.number("speed", "not taken")
            if math.isnan(speed) and "speed" in filled:
                return  # by which method it was read is not known
            if not spindle or math.isnan(speed):
                key = "speed" if spindle else "spindle"
                self.add(key, f"{key}, as it was read", "kept as a method of its own; fill it in")
            methods = [(viscosity_method(spindle, speed), value, key) for _, value, key in methods]
        count = self.number("count", "kept without it") if kind == "droplets" else math.nan
        if kind == "droplets" and row in self.droplets:
            count = float(self.droplets[row].count)
        for method, value, key in methods:
            if not self._inside(response, kind, value, key):
                continue
            self.readings.append(
                InstrumentReading(
                    run=run,
                    batch=run,
                    time=time,
                    condition=condition,
                    response=response.name,
                    replicate=replicate,
                    kind=kind,
                    method=method,
                    value=value,
                    temperature=temperature,
                    spindle=spindle,
                    speed=speed,
                    torque=torque,
                    seconds=seconds,
                    count=count,
                    cell=self.name(key),
                    row=row,
                    remark=remark,
                    read_on=read_on,
                )
            )

    def _run(self) -> int | None:
        text = self.text("batch").removeprefix("run ").strip()
        if text.casefold() in self.codes:
            return self.codes[text.casefold()]
        if text.isascii() and text.isdigit() and int(text) in self.plan.runs.index:
            return int(text)
        first, last = min(self.plan.runs.index), max(self.plan.runs.index)
        allowed = f"a batch code of this plan ({batch_code(self.plan, first)} to {batch_code(self.plan, last)}) or a run number"
        known = [batch_code(self.plan, int(r)) for r in self.plan.runs.index]
        close = nearest(text, known) if text else ""
        mend = (
            f"the row is not taken; {close}" if close.startswith("did you mean") else "the row is not taken; correct it"
        )
        self.add("batch", allowed, mend)
        return None

    def _response(self) -> tuple[Response, str, str] | None:
        study, text = self.plan.study, self.text("response")
        read = [r for r in study.responses if r.formula is None]
        found = next((r for r in read if text.casefold() in (r.name.casefold(), r.label.casefold())), None)
        time, condition = self.text("time"), self.text("condition")
        if found is None and "[" in text:
            try:
                one = measured_as(study, text)
            except StudyError:
                one = None
            if one is not None:
                found = study.response(one.of)
                time, condition = time or one.time, condition or one.condition
        if found is None:
            mend = nearest(text, [r.name for r in read]) if text else "say what was read"
            self.add("response", "one of " + ", ".join(r.name for r in read), f"the row is not taken; {mend}")
            return None
        try:
            return found, *found_occasion(found.name, found.times, found.conditions, time, condition)
        except StudyError as problem:
            key = "time" if problem.where.startswith(f"{found.name}: time") else "condition"
            self.add(key, f"{found.name}: {problem.allowed}", f"the row is not taken; {problem.mend}")
            return None

    def _replicate(self) -> int | None:
        if is_blank(self.cell("replicate")):
            return 0
        value = self.number("replicate", "the row is not taken")
        return None if math.isnan(value) else int(value)

    def _reading(self, response: Response, kind: str) -> list[tuple[str, Value, str]]:
        allowed = f"{response.name}: a number{f' in {response.unit}' if response.unit else ''}"
        if is_blank(self.cell("reading")):
            said = "write what the instrument showed, or its full scale as “>100000”; if nothing was read, say so as a remark"
            self.add("reading", allowed, f"not taken; {said}")
            return []
        try:
            value = reading_from(self.cell("reading"), response.unit, self.mark)
        except DoubtError as doubt:
            cell, question = self.cell("reading"), f"{response.name}: which is meant?"
            answer = self.problems.ask(self.name("reading"), cell, question, doubt.choices) if doubt.choices else None
            if answer is None:
                self.add("reading", f"{response.name}: {doubt.allowed}", f"not taken; {doubt.mend}")
                return []
            value = reading_from(answer, response.unit)
        method = NOT_STATED
        if kind == "pH":
            method = self._read_as()
            if not method:
                return []
        return [(method, value, "reading")]

    def _read_as(self) -> str:
        text = self.text("read_as").casefold()
        if text == DIRECT:
            return DIRECT
        if text == "diluted":
            return DILUTED
        match = _DILUTION.fullmatch(text)
        if match is None:
            self.add(
                "read_as", f"“{DIRECT}” or “{DILUTED}” (or another percentage)", "not taken; say how the pH was read"
            )
            return ""
        return f"diluted to {float(match[1].replace(',', '.')):g} %"

    def _torque(self) -> tuple[float, float]:
        cell = self.cell("torque")
        if is_blank(cell):
            return math.nan, math.nan
        try:
            value, low, high = reading_from(cell, "%", self.mark)
        except DoubtError:
            value, low, high = math.nan, math.nan, math.nan
        if math.isnan(value) and not (low >= 100 or high <= 10):
            low = high = math.nan
        if math.isnan(low) or (not math.isnan(value) and not 0 <= value <= 200):
            allowed = "torque: a number in % from 0 to 200, “>100” or “<10”, or blank"
            self.add("torque", allowed, "the reading is kept without it; correct it")
            return math.nan, math.nan
        return low, high

    def _inside(self, response: Response, kind: str, value: Value, key: str) -> bool:
        bottom, top = ends_of(response)
        if kind == "pH":
            bottom, top = max(bottom, 0.0), min(top, 14.0)
        ends = [v for v in value[1:] if math.isfinite(v)]
        whole = response.scale is None or (value[0].is_integer() and response.scale[0] <= value[0] <= response.scale[1])
        strict = response.transform is not None  # a logarithm has no place for its bound
        if whole and all(bottom <= v <= top for v in ends) and not (strict and value[0] in (bottom, top)):
            return True
        unit = f" in {response.unit}" if response.unit else ""
        if response.scale is not None:
            said = f"a whole score from {response.scale[0]} to {response.scale[1]}"
        elif math.isinf(top):
            said = f"a number{unit} above {bottom:g}" if strict else f"a number{unit}, {bottom:g} or above"
        else:
            said = f"a number{unit} from {bottom:g} to {top:g}"
        self.add(key, f"{response.name}: {said}", "not taken; correct the reading")
        return False

    # ---- droplets

    def _droplets(self) -> list[tuple[str, Value, str]]:
        weighting = self._weighting()
        if weighting is None:
            return []
        if not is_blank(self.cell("file")):
            return self._from_file()
        found = {s: self.number(s, "not taken") for s in STATISTICS}
        there = {s: v for s, v in found.items() if not math.isnan(v)}
        ordered = [there[s] for s in ("d10", "median", "d90") if s in there]
        if ordered != sorted(ordered):
            text = ", ".join(f"{s} {there[s]:g}" for s in ("d10", "median", "d90") if s in there)
            self.problems.add(
                f"row {self.row}",
                text,
                "d10, median and d90 in ascending order",
                "not taken; correct them, or say by what each is weighted",
            )
            return []
        if not is_blank(self.cell("reading")):
            allowed = "blank, where the droplets' own columns are filled"
            self.add("reading", allowed, "not used; the columns median, d32, d10 and d90 say which figure it is")
        if not there and not any(not is_blank(self.cell(s)) for s in STATISTICS):
            self.problems.add(
                f"row {self.row}",
                "droplets without a size",
                "a median, d32, d10, d90 or a file of diameters",
                "not taken; fill one in",
            )
        if weighting == "" and {"median", "d10", "d90"} & there.keys():
            self.add("weighted", "“number” or “volume”", "kept as a method of its own; say by what the droplets count")
        said = f"by {weighting}" if weighting else "weighting not stated"
        joint = " " if weighting else ", "
        return [(s if s == "d32" else f"{s}{joint}{said}", (v, v, v), s) for s, v in there.items()]

    def _weighting(self) -> str | None:
        text = self.text("weighted").casefold()
        if text in ("", *WEIGHTINGS):
            return text
        self.add("weighted", "“number” or “volume”", "the row is not taken; say by what the droplets count")
        return None

    def _from_file(self) -> list[tuple[str, Value, str]]:
        for key in ("reading", *STATISTICS, "count"):
            if not is_blank(self.cell(key)):
                head = column_named(key).head
                self.add(
                    key, f"{head}: blank, where a file of diameters is named", "not used; the file's figures are taken"
                )
        path = self.folder / self.text("file")
        try:
            sizes = read_droplets(path)
        except StudyError as problem:
            allowed = "the name of a file of diameters that can be read"
            self.add(
                "file", allowed, f"not taken; {problem.where.removeprefix('file ')} is {problem.found}: {problem.mend}"
            )
            return []
        for item in sizes.problems.itertuples(index=False):
            self.problems.add(f"{self.text('file')}, {item.cell}", item.found, str(item.allowed), str(item.mend))
        self.droplets[self.row] = sizes
        out: list[tuple[str, float]] = [("d32", sizes.d32), ("d43", sizes.d43), ("mean by number", sizes.mean)]
        for weighting in WEIGHTINGS:
            for percent in PERCENTS:
                name = "median" if percent == 50 else f"d{percent}"
                out.append((f"{name} by {weighting}", sizes.percentile(percent, weighting)))
        return [(name, (v, v, v), "file") for name, v in out]


def viscosity_method(spindle: str, speed: float) -> str:
    """How a method of a viscometer is called."""
    what = f"spindle {spindle}" if spindle else "spindle not stated"
    return f"{what}, {speed:g} rpm" if math.isfinite(speed) else f"{what}, speed not stated"


def _spindle(text: str) -> str:
    """A spindle as it is marked: "spindle 4", "no. 4" and 4 are one."""
    return re.sub(r"^(spindle|no\.?|nr\.?)\s*", "", text, flags=re.IGNORECASE).strip()


def _empty(cell: object) -> bool:
    return not cell.strip() if isinstance(cell, str) else is_blank(cell)


def numbered(readings: Sequence[InstrumentReading], problems: Problems) -> list[tuple[InstrumentReading, int]]:
    """Give every reading its replicate number; a row that stands there twice is taken once, one that disagrees with its double not at all."""
    groups: dict[tuple[Hashable, ...], list[InstrumentReading]] = {}
    for r in readings:
        groups.setdefault((r.run, r.response, r.time, r.condition, r.method), []).append(r)
    out: list[tuple[InstrumentReading, int]] = []
    for members in groups.values():
        by_number: dict[int, list[InstrumentReading]] = {}
        for r in members:
            if r.replicate:
                by_number.setdefault(r.replicate, []).append(r)
        for number, same in by_number.items():
            if len(same) > 1:
                agree = len({str((r.value, r.torque, r.temperature, r.seconds)) for r in same}) == 1
                what = f"{same[0].response}, run {same[0].run}, {same[0].method}, replicate {number}"
                mend = (
                    "taken once; delete the row not needed"
                    if agree
                    else "none is taken; number them, or delete the row not meant"
                )
                problems.add(", ".join(r.cell for r in same), f"{what}, {len(same)} times", "each reading once", mend)
                if not agree:
                    continue
            out.append((same[0], number))
        free = _counter(by_number)
        out += [(r, free()) for r in members if not r.replicate]
    place = {id(r): i for i, r in enumerate(readings)}
    return sorted(out, key=lambda item: place[id(item[0])])


def _counter(taken: Mapping[int, object]) -> Callable[[], int]:
    """Counts from 1, past the numbers that were given."""
    state = 0

    def following() -> int:
        nonlocal state
        state += 1
        while state in taken:
            state += 1
        return state

    return following


def readings_frame(rows: Sequence[Mapping[str, object]], columns: Sequence[str]) -> pd.DataFrame:
    """Readings as a table."""
    frame = pd.DataFrame(list(rows), columns=list(columns))
    numbers = ("value", "lower", "upper", "speed", "torque", "temperature", "seconds", "count")
    kinds: dict[str, Any] = {"run": "int64", "replicate": "int64", "valid": bool}
    return frame.astype(kinds | dict.fromkeys(numbers, "float64"))
