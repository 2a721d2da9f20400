"""The run sheet: written for the bench, read back as people return it."""

from __future__ import annotations

import csv
import io
import os
import re
from pathlib import Path

import numpy as np

from doe.bench.cautions import CAUTIONS, LAST_WORD
from doe.bench.columns import Heads
from doe.bench.grids import Grid, as_path, read_grids
from doe.bench.instrument_columns import INSTRUMENTS, LISTS
from doe.bench.instruments import note_instrument_page
from doe.bench.intake import table_from_grid
from doe.bench.layout import FINGERPRINT, SheetLayout, identity, sheet_layout
from doe.bench.pages import BATCHES, CONSTANTS, LABELS
from doe.bench.problems import Problems
from doe.bench.recipe import Recipe
from doe.bench.records import Records, planned_records
from doe.bench.texts import neutral
from doe.designs import Plan
from doe.study import StudyError
from doe.study.files import write_bytes, write_text

_FINGERPRINT = re.compile(re.escape(FINGERPRINT) + r":\s*([0-9a-f]{6,})", flags=re.IGNORECASE)


def write_sheet(
    plan: Plan,
    recipe: Recipe | None,
    path: str | os.PathLike[str],
    batch_size: float | None = None,
    seed: int | None = 0,
    readings: int = 1,
    instruments: bool = False,
) -> Path:
    """Write the sheet from which the batches of a plan are made and on which they are measured.

    Parameters
    ----------
    plan : Plan
        The batches to make.
    recipe : Recipe or None
        Adds, for every batch, what to weigh and to do (a page a batch in .xlsx and .html, with labels for the jars and a page for lots and
        other constants; a line a batch in .csv). None: the settings alone.
    path : str or path
        Ends in .xlsx (design cells locked, entry cells checked), .csv, or .html (to print and write on by hand). The file is replaced whole
        or not at all.
    batch_size : float, optional
        Grams of each batch, printed on the sheet; 200 with a recipe where it is left out.
    seed : int or None
        Draws the order of making (blocks, whole plots within, runs within); None keeps the order that the plan is in.
    readings : int
        How often each batch is read: so many entry columns a response, the later ones headed "same batch read again".
    instruments : bool
        Adds to a workbook the page “Instrument readings”, one row a reading: viscosity with spindle, speed, torque, temperature and time, pH,
        droplet sizes. `read_instruments` reads it back.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    StudyError
        If the plan's study has no response, a batch cannot be weighed out (its run is named), an argument cannot be used, or the file
        cannot be written.
    """
    suffix = as_path(path).suffix.lower()
    if suffix not in (".xlsx", ".csv", ".html"):
        raise StudyError(
            "path", str(path), "a name that ends in .xlsx, .csv or .html", "choose one of these kinds of sheet"
        )
    if not isinstance(instruments, bool):
        raise StudyError(
            "instruments", instruments, "True or False", "say whether the workbook gets a page for instrument readings"
        )
    if instruments and suffix != ".xlsx":
        raise StudyError(
            "instruments",
            True,
            "left out for this kind of sheet",
            "only a workbook has such a page: end the name in .xlsx",
        )
    layout = sheet_layout(plan, seed, readings, recipe, batch_size)
    if suffix == ".xlsx":
        from doe.bench.workbook import workbook_bytes

        return write_bytes(path, workbook_bytes(layout, instruments))
    if suffix == ".html":
        from doe.bench.printed import page_text

        return write_text(path, page_text(layout))
    return write_bytes(
        path, ("\ufeff" + _csv_text(layout)).encode("utf-8")
    )  # the mark by which spreadsheet programs know UTF-8


def read_sheet(path: str | os.PathLike[str], plan: Plan) -> Records:
    """Read a sheet that came back from the bench.

    Rows may be in any order, cells blank or "n/a", numbers typed with decimal commas or as text. What cannot be taken without guessing is
    held back and listed in `Records.problems`, with the cell, what stands there, what may stand there and how to mend it.

    Parameters
    ----------
    path : str or path
        A .xlsx or .csv file; a .csv may use commas, semicolons or tabs, UTF-8 or a Western one-byte encoding.
    plan : Plan
        The plan whose sheet it is, in any order.

    Returns
    -------
    Records

    Raises
    ------
    StudyError
        If the file cannot be read, breaks off, is the sheet of another plan, or holds no run and response columns.
    """
    if not isinstance(plan, Plan):
        raise StudyError(
            "plan", type(plan).__name__, "a Plan", "load it with doe.designs.Plan.load, or use doe.bench.read_table"
        )
    heads = Heads(plan.study)
    grids = read_grids(path, heads.known)
    where = f"file {str(path)!r}"
    found = _fingerprints(grids)
    if found and plan.fingerprint not in found:
        raise StudyError(
            f"{where}: plan fingerprint",
            found[0],
            plan.fingerprint,
            "it is the sheet of another plan: load that plan, or choose this one's sheet",
        )
    grid, header, others = grid_with_heads(grids, heads, where)
    problems = Problems(grid.sheet)
    if not found:
        problems.add(
            "",
            "no plan fingerprint",
            identity(plan),
            "rows are taken by run number; make sure that it is this plan's sheet",
        )
    note_other_sheets(others, problems)
    note_instrument_page([g for g in grids if g is not grid], problems)
    table = table_from_grid(grid, heads, header)
    refuse_broken(table.cut_short, where)
    return planned_records(table, heads, plan, problems)


def grid_with_heads(grids: list[Grid], heads: Heads, where: str) -> tuple[Grid, int, list[Grid]]:
    """The sheet whose heads name the most known columns, where they stand, and the other sheets that have such heads."""
    found = [
        (grid, row)
        for grid in grids
        # ingredients bear the names of factors, but the pages on which they stand hold no readings
        if grid.sheet not in (BATCHES, LABELS, CONSTANTS, INSTRUMENTS, LISTS)
        and (row := heads.row_of_heads(grid.rows)) is not None
    ]
    if not found:
        study = heads.study
        names = ", ".join([*study.names, *(r.name for r in study.responses)])
        raise StudyError(
            where,
            "without a row of known column heads",
            f"a sheet with columns among run, {names}",
            "check that it is the right file",
        )
    best, header = max(found, key=lambda item: heads.known(item[0].rows[item[1]]))
    return best, header, [grid for grid, _ in found if grid is not best]


def note_other_sheets(others: list[Grid], problems: Problems) -> None:
    """List sheets that look like run sheets but are not read."""
    for grid in others:
        problems.add(
            f"sheet {grid.sheet!r}",
            "a second sheet with such columns",
            "one sheet",
            "not read; move its readings or delete it",
        )


def refuse_broken(row: str, where: str) -> None:
    """Refuse a file that breaks off in its last row."""
    if row:
        raise StudyError(
            f"{where}, row {row}", "cut short", "a whole row", "the file may have been cut off: take the last good copy"
        )


def _fingerprints(grids: list[Grid]) -> list[str]:
    texts = (cell for grid in grids for row in grid.rows for cell in row if isinstance(cell, str))
    return [match[1].lower() for text in texts for match in _FINGERPRINT.finditer(text)]


def _csv_text(layout: SheetLayout) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")  # as RFC 4180 has it
    study = layout.plan.study
    lines = [f"Run sheet: {study.name}", f"{layout.identity}; {layout.order_text}; {len(layout.rows)} batches"]
    instructions = [line for line in layout.instructions if BATCHES not in line]  # a .csv has no such page
    lines += [*study.notes.splitlines(), *instructions, *CAUTIONS, LAST_WORD]
    lines += [f"Batch {p.code}, run {p.run}: {p.weigh_out}; together {p.total} g" for p in layout.pages]
    for line in lines:
        if line.strip():
            writer.writerow([f"# {line}"])
    writer.writerow([neutral(c.head) for c in layout.columns])
    for row in layout.rows:
        writer.writerow([_csv_cell(value) for value in row])
    return out.getvalue()


def _csv_cell(value: object) -> object:
    if value is None:
        return ""
    if isinstance(value, float | np.floating):
        return f"{float(value):.12g}"
    return neutral(value) if isinstance(value, str) else value
