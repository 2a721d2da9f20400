"""Intake: tables of cells as people return them, and what is taken from them; what is in doubt is held back and listed."""

from __future__ import annotations

import datetime
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from doe.bench.columns import Column, Heads, columns_of
from doe.bench.grids import Grid, letters
from doe.bench.numerals import DoubtError, decimal_mark, is_blank, number_from
from doe.bench.problems import Problems

DESIGN = (
    "run",
    "order",
    "block",
    "whole_plot",
    "batch",
    "replicate",
    "factor",
    "response",
)  # columns that a row cannot do without
SPLIT = "a decimal comma may have split a number: save the file with semicolons, or as .xlsx"


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
    marks : dict
        The decimal mark that the cells of a column use, by its position, as `number_from` takes it. A .csv was written by one program, and
        has one mark for all its columns; cells of a sheet are typed one by one, so that only their own column speaks for them.
    width : int
        How many cells a row of a .csv must have; 0 for a sheet, where a cell cannot slip.
    """

    title: str
    heads: list[tuple[int, str, Column | None]]
    rows: list[tuple[str, list[object]]]
    spreadsheet: bool = True
    cut_short: str = ""
    marks: Mapping[int, str | None] = field(default_factory=dict)
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
        least = max((p for p, _, c in self.heads if c is not None and c.kind in DESIGN), default=-1) + 1
        return f"{len(cells)} cells" if self.width and not least <= len(cells) <= self.width else ""

    def position(self, kind: str, name: str = "") -> int | None:
        """Where the column of this kind (and name) stands; None where there is none."""
        return next((p for p, c in self.positions(kind) if c.name == name), None)


@dataclass(frozen=True)
class Entry:
    """One row whose batch is known; `as_made` holds edited settings that were confirmed to be those it was made at."""

    row: str
    cells: list[object]
    run: int
    batch: Hashable
    replicate: int = 1
    as_made: Mapping[str, float | str] = field(default_factory=dict)


@dataclass
class Taken:
    """What the rows gave.

    Attributes
    ----------
    data : list of Reading
    remarks : list of (run, batch, text)
    failed : list of int
        Runs whose batch failed.
    reasons : dict
        Run to why its batch failed.
    order : dict
        Run to its place in the order of making, where it was said.
    as_made : dict
        Run to the settings, by factor, at which it was made where they are not the planned ones.
    covariates : dict
        Run to what was measured, by covariate.
    made_at : dict
        Run to when its batch was finished.
    read_on : dict
        Run to when it was read, by the time of the reading.
    read_cells : dict
        Where that stands, by run and time.
    """

    data: list[Reading] = field(default_factory=list)
    remarks: list[tuple[int, Hashable, str]] = field(default_factory=list)
    failed: list[int] = field(default_factory=list)
    reasons: dict[int, str] = field(default_factory=dict)
    order: dict[int, int] = field(default_factory=dict)
    as_made: dict[int, dict[str, float | str]] = field(default_factory=dict)
    covariates: dict[int, dict[str, float]] = field(default_factory=dict)
    made_at: dict[int, datetime.datetime] = field(default_factory=dict)
    read_on: dict[int, dict[str, datetime.datetime]] = field(default_factory=dict)
    read_cells: dict[tuple[int, str], str] = field(default_factory=dict)


def at(cells: Sequence[object], position: int | None) -> object:
    """A row's cell; None beyond its end or without a position."""
    return cells[position] if position is not None and position < len(cells) else None


# ---- tables from files and frames


def table_from_grid(grid: Grid, heads: Heads, header: int) -> Table:
    """The table under row `header` (counted from 0) of a grid."""
    found = list(columns_of(heads, grid.rows[header]))
    rows = [(str(i + 1), row) for i, row in enumerate(grid.rows) if i > header and not all(is_empty(c) for c in row)]
    width = max(p for p, _, _ in found) + 1
    broken = bool(rows) and bool(grid.delimiter) and not grid.ends_whole and len(rows[-1][1]) < width
    if grid.delimiter:
        mark = decimal_mark(at(cells, p) for _, cells in rows for p in _numeric(found))
        if grid.delimiter == ";" and mark is None:
            mark = "both"  # semicolons speak for decimal commas: neither "12,345" nor "12.345" is then clear
        marks = dict.fromkeys(_numeric(found), mark)
    else:
        marks = _marks(rows, found)
    return Table(
        grid.sheet,
        found,
        rows,
        True,
        rows[-1][0] if broken else "",
        marks,
        len(grid.rows[header]) if grid.delimiter else 0,
    )


def table_from_frame(df: pd.DataFrame, heads: Heads) -> Table:
    """The table that a DataFrame is; an index named "run" counts as a column."""
    if df.index.name == "run" and "run" not in df.columns:
        df = df.reset_index()
    found = list(columns_of(heads, [str(c) for c in df.columns]))
    rows = [(str(i), list(row)) for i, row in zip(df.index, df.itertuples(index=False, name=None), strict=True)]
    rows = [(name, cells) for name, cells in rows if not all(is_empty(c) for c in cells)]
    return Table("table", found, rows, False, "", _marks(rows, found))


def is_empty(cell: object) -> bool:
    """Whether nothing at all stands in a cell."""
    return not cell.strip() if isinstance(cell, str) else is_blank(cell)


def _numeric(heads: Iterable[tuple[int, str, Column | None]]) -> list[int]:
    return [p for p, _, c in heads if c is not None and c.kind in ("factor", "response", "as made", "covariate")]


def _marks(
    rows: Sequence[tuple[str, list[object]]], heads: Iterable[tuple[int, str, Column | None]]
) -> dict[int, str | None]:
    """Each column's own decimal mark; "both" where nothing in it tells, so that a text like "12.345" is asked about."""
    return {p: decimal_mark(at(cells, p) for _, cells in rows) or "both" for p in _numeric(heads)}


def settle_columns(table: Table, heads: Heads, problems: Problems) -> Table:
    """List unknown and repeated columns; of columns that stand there twice only one that alone is filled stays in use."""
    places: dict[Column, list[int]] = {}
    for position, text, column in table.heads:
        if column is None:
            problems.add(table.column(position), text, "a column of this study", f"not used; {heads.advice(text)}")
        elif column.kind == "derived":
            formula = heads.study.response(column.name).formula
            allowed = f"left out, as {column.name} is worked out: {formula}"
            problems.add(table.column(position), text, allowed, "not used; take the column out")
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
            if position not in headed and not is_empty(cell):
                problems.add(
                    table.cell(row, position), cell, "under a head", "not used; move it to the column it belongs to"
                )
    return replace(table, heads=[(p, t, None if p in out_of_use else c) for p, t, c in table.heads])


# ---- cells


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


def readings_in(data: pd.DataFrame) -> Iterator[Reading]:
    """The rows of `Records.data` as readings."""
    for row in data.itertuples(index=False, name=None):
        yield Reading(*row)


def data_frame(rows: Sequence[tuple[Any, ...]]) -> pd.DataFrame:
    """Readings as a table: one row a reading, in the columns of `DATA`."""
    frame = pd.DataFrame(list(rows), columns=list(DATA))
    numbers = dict.fromkeys(("value", "lower", "upper"), "float64")
    texts = dict.fromkeys(("batch", "time", "condition", "response", "cell"), object)
    return frame.astype({"run": "int64", "replicate": "int64", **numbers, **texts})
