"""Intake: from rows of cells, as people return them, to readings, remarks and problems; what is in doubt is held back and listed."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from math import isclose
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from doe.bench.columns import Column, Heads, columns_of
from doe.bench.grids import Grid, letters
from doe.bench.measured import Measured
from doe.bench.numerals import DoubtError, decimal_mark, is_blank, number_from, reading_from, reading_text
from doe.bench.problems import Problems, cell_text
from doe.bench.texts import bare
from doe.designs import Plan
from doe.study import Categorical

SPLIT = "a decimal comma may have split a number: save the file with semicolons, or as .xlsx"
MADE_WORDS = {"made", "yes", "y", "ok"}
FAILED_WORDS = {"failed", "fail", "no", "n", "lost"}


class Reading(NamedTuple):
    """One reading, as a row of `Records.data`: exact (value, lower and upper are one number) or censored (value is NaN)."""

    run: int
    batch: Hashable
    replicate: int
    time: str
    condition: str
    response: str
    value: float
    lower: float
    upper: float
    cell: str


DATA = Reading._fields


@dataclass(frozen=True)
class Table:
    """Rows under a row of heads, and how its cells are called.

    Attributes
    ----------
    title : str
        The sheet's or file's name.
    heads : list of (int, str, Column or None)
        Position, text and meaning of every head.
    rows : list of (str, list)
        Name and cells of every row under the heads that is not empty.
    spreadsheet : bool
        Whether cells are called as in a spreadsheet ("F12"); else by row and column.
    cut_short : str
        The row at which the file breaks off, if it seems to.
    mark : str, optional
        The decimal mark its cells use, as `number_from` takes it.
    width : int
        How many cells a row of a .csv must have; 0 for a sheet, where a cell cannot slip.
    """

    title: str
    heads: list[tuple[int, str, Column | None]]
    rows: list[tuple[str, list[object]]]
    spreadsheet: bool = True
    cut_short: str = ""
    mark: str | None = None
    width: int = 0

    def cell(self, row: str, position: int) -> str:
        """Name of a cell."""
        if self.spreadsheet:
            return f"{letters(position)}{row}"
        return f"row {row}, {self.column(position)}"

    def column(self, position: int) -> str:
        """Name of a column."""
        if self.spreadsheet:
            return f"column {letters(position)}"
        return f"column {next(t for p, t, _ in self.heads if p == position)!r}"

    def positions(self, kind: str) -> list[tuple[int, Column]]:
        """Where the columns of one kind stand."""
        return [(p, c) for p, _, c in self.heads if c is not None and c.kind == kind]

    def slipped(self, cells: Sequence[object]) -> str:
        """What is wrong with the number of cells in a row of a .csv; empty where nothing is.

        One cell too many is a number split by its decimal comma, and what follows stands in the wrong column. The last columns may be left
        out where they hold no readings.
        """
        least = max((p for p, _, c in self.heads if c is not None and c.kind not in ("remark", "made")), default=-1) + 1
        return f"{len(cells)} cells" if self.width and not least <= len(cells) <= self.width else ""

    def position(self, kind: str, name: str = "") -> int | None:
        """Where the column of this kind (and name) stands; None where there is none."""
        return next((p for p, c in self.positions(kind) if c.name == name), None)


@dataclass(frozen=True)
class Entry:
    """One row whose batch is known."""

    row: str
    cells: list[object]
    run: int
    batch: Hashable
    replicate: int = 1


@dataclass
class Taken:
    """What the rows gave: readings, remarks, failed runs, and the order of making where it was said."""

    data: list[Reading] = field(default_factory=list)
    remarks: list[tuple[int, Hashable, str]] = field(default_factory=list)
    failed: list[int] = field(default_factory=list)
    order: dict[int, int] = field(default_factory=dict)


def at(cells: Sequence[object], position: int | None) -> object:
    """A row's cell; None beyond its end or without a position."""
    return cells[position] if position is not None and position < len(cells) else None


# ---- tables from files and frames


def table_from_grid(grid: Grid, heads: Heads, header: int) -> Table:
    """The table under row `header` (counted from 0) of a grid."""
    found = list(columns_of(heads, grid.rows[header]))
    rows = [(str(i + 1), row) for i, row in enumerate(grid.rows) if i > header and not all(_empty(c) for c in row)]
    width = max(p for p, _, _ in found) + 1
    broken = bool(rows) and bool(grid.delimiter) and not grid.ends_whole and len(rows[-1][1]) < width
    mark = _mark(rows, found)
    if grid.delimiter == ";" and mark is None:
        mark = "both"  # semicolons speak for decimal commas: neither "12,345" nor "12.345" is then clear
    return Table(
        grid.sheet,
        found,
        rows,
        True,
        rows[-1][0] if broken else "",
        mark,
        len(grid.rows[header]) if grid.delimiter else 0,
    )


def table_from_frame(df: pd.DataFrame, heads: Heads) -> Table:
    """The table that a DataFrame is; an index named "run" counts as a column."""
    if df.index.name == "run" and "run" not in df.columns:
        df = df.reset_index()
    found = list(columns_of(heads, [str(c) for c in df.columns]))
    rows = [(str(i), list(row)) for i, row in zip(df.index, df.itertuples(index=False, name=None), strict=True)]
    rows = [(name, cells) for name, cells in rows if not all(_empty(c) for c in cells)]
    return Table("table", found, rows, False, "", _mark(rows, found))


def _empty(cell: object) -> bool:
    return not cell.strip() if isinstance(cell, str) else is_blank(cell)


def _mark(rows: Iterable[tuple[str, list[object]]], heads: Iterable[tuple[int, str, Column | None]]) -> str | None:
    numeric = [p for p, _, c in heads if c is not None and c.kind in ("factor", "response")]
    return decimal_mark(at(cells, p) for _, cells in rows for p in numeric)


def settle_columns(table: Table, heads: Heads, problems: Problems) -> Table:
    """List unknown and repeated columns; of columns that stand there twice only one that alone is filled stays in use."""
    places: dict[Column, list[int]] = {}
    for position, text, column in table.heads:
        if column is None:
            problems.add(table.column(position), text, "a column of this study", f"not used; {heads.advice(text)}")
        else:
            places.setdefault(column, []).append(position)
    out_of_use: set[int] = set()
    for here in places.values():
        if len(here) > 1:
            filled = [p for p in here if any(not is_blank(at(cells, p)) for _, cells in table.rows)]
            keep = filled if len(filled) == 1 else []
            out_of_use |= set(here) - set(keep)
            text = next(t for p, t, _ in table.heads if p == here[0])
            said = "the filled one is taken" if keep else "none of them is taken"
            names = ", ".join(table.column(p) for p in here)
            problems.add(names, text, "a column that stands there once", f"delete the column not meant; {said}")
    headed = {p for p, _, _ in table.heads}
    for row, cells in table.rows:
        for position, cell in enumerate(cells):
            if position not in headed and not _empty(cell):
                problems.add(
                    table.cell(row, position), cell, "under a head", "not used; move it to the column it belongs to"
                )
    return replace(table, heads=[(p, t, None if p in out_of_use else c) for p, t, c in table.heads])


# ---- rows whose runs are those of a plan


def entries_of_plan(table: Table, plan: Plan, decimals: dict[str, int], problems: Problems) -> list[Entry]:
    """Find each row's run by its number, else by its settings, and hold the settings against the plan."""
    run_at, batch_at, replicate_at = (table.position(kind) for kind in ("run", "batch", "replicate"))
    entries: list[Entry] = []
    count: dict[tuple[int, Hashable], int] = {}
    unused: list[int] = sorted(int(run) for run in plan.runs.index)
    for row, cells in table.rows:
        if table.slipped(cells):
            problems.add(
                f"row {row}", table.slipped(cells), f"{table.width} cells, one a column", f"not taken; {SPLIT}"
            )
            continue
        settings = _settings(table, plan, row, cells, problems)
        if run_at is None:
            matches = [run for run in unused if _same(plan, run, settings, decimals)]
            if not matches:
                problems.add(
                    f"row {row}",
                    _setting_text(plan, settings),
                    "the settings of a run that no other row has taken",
                    "not taken; correct them",
                )
                continue
            run = matches[0]
            unused.remove(run)
        else:
            found = _run_number(table, row, cells, run_at, plan, problems)
            if found is None:
                continue
            run = found
            if not _settings_agree(table, plan, row, cells, run, settings, decimals, problems):
                continue
        replicate = _replicate(table, row, cells, replicate_at, problems)
        if replicate is None:
            continue
        batch = run if is_blank(at(cells, batch_at)) else batch_label(at(cells, batch_at))
        if batch_at is not None and replicate_at is None:  # rows of one batch are its readings
            replicate = count[run, batch] = count.get((run, batch), 0) + 1
        entries.append(Entry(row, cells, run, batch, replicate))
    return entries


def _run_number(
    table: Table, row: str, cells: list[object], position: int, plan: Plan, problems: Problems
) -> int | None:
    cell = at(cells, position)
    allowed = f"a run of the plan, 1 to {len(plan.runs)}"
    number = counted(cell)
    if number in plan.runs.index:
        return number
    said = "; ".join(cell_text(c) for c in cells if not _empty(c))
    found = cell if not is_blank(cell) else f"blank, in the row that says: {said}"
    problems.add(table.cell(row, position), found, allowed, "the row is not taken; correct the run number")
    return None


def _replicate(table: Table, row: str, cells: list[object], position: int | None, problems: Problems) -> int | None:
    cell = at(cells, position)
    number = 1 if is_blank(cell) else counted(cell)
    if number is not None:
        return number
    assert position is not None
    problems.add(
        table.cell(row, position),
        cell,
        "a whole number from 1, which reading of its batch it is",
        "the row is not taken; correct it",
    )
    return None


def counted(cell: object) -> int | None:
    """A cell as a whole number from 1; None where it is none."""
    try:
        number = 0.0 if is_blank(cell) else number_from(cell)
    except DoubtError:
        return None
    return int(number) if number >= 1 and number.is_integer() else None


def batch_label(cell: object) -> Hashable:
    """A batch's label: whole numbers as such, anything else as the text that stands there."""
    if isinstance(cell, int | float | np.integer | np.floating) and float(cell).is_integer():
        return int(cell)
    text = str(cell).strip()
    return int(text) if text.isascii() and text.isdigit() and str(int(text)) == text else text


def _settings(table: Table, plan: Plan, row: str, cells: list[object], problems: Problems) -> dict[str, object]:
    """The row's settings by factor: a number or a level; None where the cell is blank or no setting (then listed)."""
    out: dict[str, object] = {}
    for position, column in table.positions("factor"):
        factor, cell = plan.study.factor(column.name), at(cells, position)
        if is_blank(cell):
            out[column.name] = None
        elif isinstance(factor, Categorical):
            out[column.name] = bare(str(cell).strip())
        else:
            try:
                out[column.name] = number_from(cell, factor.unit, table.mark)
            except DoubtError as doubt:
                problems.add(table.cell(row, position), cell, f"{column.name}: {doubt.allowed}", doubt.mend)
                out[column.name] = None
    return out


def _agrees(plan: Plan, run: int, name: str, value: object, decimals: dict[str, int]) -> bool:
    planned = plan.runs.at[run, name]
    if isinstance(value, str):
        return value == bare(str(planned).strip())
    assert isinstance(value, float)
    exact = float(planned)  # type: ignore[arg-type]
    # a spreadsheet program that saves what it shows returns the planned setting as it was shown
    return any(isclose(value, shown, rel_tol=1e-9, abs_tol=1e-12) for shown in (exact, round(exact, decimals[name])))


def _same(plan: Plan, run: int, settings: dict[str, object], decimals: dict[str, int]) -> bool:
    """Whether the row has every setting of this run."""
    return all(
        settings.get(name) is not None and _agrees(plan, run, name, settings[name], decimals)
        for name in plan.study.names
    )


def _setting_text(plan: Plan, settings: dict[str, object]) -> str:
    return ", ".join(f"{name} {cell_text(settings.get(name))}" for name in plan.study.names)


def _settings_agree(
    table: Table,
    plan: Plan,
    row: str,
    cells: list[object],
    run: int,
    settings: dict[str, object],
    decimals: dict[str, int],
    problems: Problems,
) -> bool:
    """List edited settings; False where they are those of another run, so that nobody knows whose the readings are."""
    edited = [name for name, v in settings.items() if v is not None and not _agrees(plan, run, name, v, decimals)]
    _note_labels(table, plan, row, cells, run, problems)
    for position, column in table.positions("factor"):
        if is_blank(at(cells, position)):
            planned = cell_text(plan.runs.at[run, column.name])
            problems.add(
                table.cell(row, position),
                None,
                f"{column.name} as planned for run {run}: {planned}",
                "the planned setting is kept",
            )
    if not edited:
        return True
    other = next((int(r) for r in plan.runs.index if r != run and _same(plan, int(r), settings, decimals)), None)
    if other is not None:
        mend = f"not taken, since its settings are those of run {other}; correct the run number or the settings"
        problems.add(
            f"row {row}", f"run {run} with {_setting_text(plan, settings)}", "one run's number and settings", mend
        )
        return False
    for position, column in table.positions("factor"):
        name = column.name
        if name not in edited:
            continue
        planned = cell_text(plan.runs.at[run, name])
        problems.add(
            table.cell(row, position),
            at(cells, position),
            f"{name} as planned for run {run}: {planned}",
            "the planned setting is kept; if the batch was made otherwise, analyse it from a table of the settings as made",
        )
    return True


def _note_labels(table: Table, plan: Plan, row: str, cells: list[object], run: int, problems: Problems) -> None:
    """List blocks and whole plots that are not the planned ones."""
    for kind, labels in (("block", plan.block), ("whole_plot", plan.whole_plot)):
        position = table.position(kind)
        if position is None or labels is None:
            continue
        cell = at(cells, position)
        planned = bare(str(labels.loc[run]))
        if is_blank(cell) or bare(str(batch_label(cell))) != planned:
            word = kind.replace("_", " ")
            mend = f"the planned {word} is kept; if the batch was made in another, analyse it from a table of how it was made"
            problems.add(table.cell(row, position), cell, f"{word} as planned for run {run}: {planned}", mend)


# ---- readings


def take(table: Table, entries: Sequence[Entry], readings_of: Sequence[Measured], problems: Problems) -> Taken:
    """Readings, remarks and marks of rows whose batches are known."""
    taken = Taken()
    made_at, remark_at, order_at = (table.position(kind) for kind in ("made", "remark", "order"))
    deepest = max((c.reading for _, c in table.positions("response")), default=1)
    readings: dict[tuple[int, Hashable, int, str], list[tuple[_Value, str]]] = {}
    rows_of: dict[tuple[int, Hashable, int], list[str]] = {}
    places: dict[str, list[tuple[int, Column]]] = {}
    for position, column in table.positions("response"):
        places.setdefault(column.name, []).append((position, column))
    for entry in entries:
        failed = _failed(table, entry, made_at, problems)
        remark = at(entry.cells, remark_at)
        if not _empty(remark):
            taken.remarks.append((entry.run, entry.batch, bare(cell_text(remark))))
        if failed:
            taken.failed.append(entry.run)
        else:
            rows_of.setdefault((entry.run, entry.batch, entry.replicate), []).append(entry.row)
            _note_order(table, entry, order_at, taken, problems)
        for one in readings_of:
            for position, column in places.get(one.name, ()):
                cell = at(entry.cells, position)
                if is_blank(cell):
                    continue
                name = table.cell(entry.row, position)
                if failed:
                    problems.add(
                        name,
                        cell,
                        f"{one.name}: blank, as the batch failed",
                        "not taken; clear the mark or the reading",
                    )
                    continue
                value = _reading(one, cell, name, table.mark, problems)
                if value is not None:
                    replicate = (entry.replicate - 1) * deepest + column.reading
                    readings.setdefault((entry.run, entry.batch, replicate, one.name), []).append((value, name))
    for (run, _, replicate), rows in rows_of.items():
        if len(rows) > 1:
            again = f", reading {replicate}" if replicate > 1 else ""
            said = "readings that agree or stand alone are taken, others held back; delete the row not meant"
            problems.add("rows " + ", ".join(rows), f"run {run}{again}, {len(rows)} times", "each run once", said)
    several = _run_of_several_batches(readings, problems)
    by_name = {one.name: one for one in readings_of}
    for (run, batch, replicate, name), found in readings.items():
        if run in several:
            continue
        if len({reading_text(*value) for value, _ in found}) > 1:
            said = "not taken; keep the right one"
            problems.add(
                ", ".join(c for _, c in found),
                ", ".join(cell_text(_shown(v)) for v, _ in found),
                f"{name}: one reading of run {run}",
                said,
            )
        else:
            of, time, condition = by_name[name].key
            value, cell = found[0]
            taken.data.append(Reading(run, batch, replicate, time, condition, of, *value, cell))
    place = {one.key: i for i, one in enumerate(readings_of)}
    taken.data.sort(key=lambda r: (r.run, place[r.response, r.time, r.condition], r.replicate))
    taken.failed = sorted(set(taken.failed) - {r.run for r in taken.data})
    return taken


def _run_of_several_batches(readings: Iterable[tuple[int, Hashable, int, str]], problems: Problems) -> set[int]:
    """Runs that were read on more than one batch: a plan's run is one batch, so neither is taken for it."""
    batches: dict[int, dict[Hashable, None]] = {}
    for run, batch, *_ in readings:
        batches.setdefault(run, {})[batch] = None
    several = {run: labels for run, labels in batches.items() if len(labels) > 1}
    for run, labels in several.items():
        found = f"run {run} with batches " + ", ".join(cell_text(b) for b in labels)
        problems.add(
            "", found, "one batch a run", "not taken; mark the one that failed, or plan the other as a run of its own"
        )
    return set(several)


def _failed(table: Table, entry: Entry, position: int | None, problems: Problems) -> bool:
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


def _note_order(table: Table, entry: Entry, position: int | None, taken: Taken, problems: Problems) -> None:
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


_Value = tuple[float, float, float]  # value, lower, upper


def _shown(value: _Value) -> object:
    return value[0] if value[0] == value[1] else reading_text(*value)


def _reading(one: Measured, cell: object, name: str, mark: str | None, problems: Problems) -> _Value | None:
    """The reading in a cell; None, and a problem listed, where it is in doubt or beyond what the response can be."""
    response = one.response
    bottom, top = response.domain
    bounds = "" if np.isinf(bottom) else f", {bottom:g} or above" if np.isinf(top) else f", from {bottom:g} to {top:g}"
    unit = f" in {response.unit}" if response.unit else ""
    allowed = f"a number{unit}{bounds}, or blank"
    if response.scale is not None:
        allowed = f"a whole score from {response.scale[0]} to {response.scale[1]}, or blank"
    try:
        value, lower, upper = reading_from(cell, response.unit, mark)
    except DoubtError as doubt:
        said = allowed if response.scale is not None else f"{doubt.allowed}{bounds}, or blank"
        problems.add(name, cell, f"{one.name}: {said}", doubt.mend)
        return None
    ends = [v for v in (lower, upper) if np.isfinite(v)]
    inside = all(bottom <= v <= top for v in ends)
    if response.scale is not None:
        inside = value.is_integer() and response.scale[0] <= value <= response.scale[1]
    if not inside:
        problems.add(name, cell, f"{one.name}: {allowed}", "not taken; correct the reading")
        return None
    return value, lower, upper


def data_frame(rows: Sequence[tuple[Any, ...]]) -> pd.DataFrame:
    """Readings as a table: one row a reading, in the columns of `DATA`."""
    frame = pd.DataFrame(list(rows), columns=list(DATA))
    numbers = dict.fromkeys(("value", "lower", "upper"), "float64")
    texts = dict.fromkeys(("batch", "time", "condition", "response", "cell"), object)
    return frame.astype({"run": "int64", "replicate": "int64", **numbers, **texts})
