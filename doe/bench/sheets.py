"""The run sheet: written for the bench, read back as people return it."""

from __future__ import annotations

import csv
import datetime
import io
import os
import re
from collections.abc import Collection, Mapping
from pathlib import Path

import numpy as np

from doe.bench.as_weighed import note_off_target, settle_settings
from doe.bench.cautions import CAUTIONS, LAST_WORD
from doe.bench.columns import FINISHED, Heads
from doe.bench.dates import date_text
from doe.bench.due import ON_TIME, on_time_share
from doe.bench.grids import Grid, as_path, read_grids
from doe.bench.instruments import Pair, is_instruments, limits_by_response, read_instrument_page
from doe.bench.intake import Taken, table_from_grid
from doe.bench.jars import Needs
from doe.bench.layout import FINGERPRINT, PART_OF, TO_SETTLE, SheetLayout, identity, sheet_layout
from doe.bench.pages import OWN_PAGES
from doe.bench.problems import Answers, Problems
from doe.bench.recipe import Recipe
from doe.bench.records import Records, planned_rows_taken
from doe.bench.returned_pages import is_batches, is_constants, take_pages
from doe.bench.texts import neutral
from doe.bench.titration_page import TITRATION
from doe.designs import Plan
from doe.study import StudyError
from doe.study.files import write_bytes, write_text

SAME_RUNS, OTHER_PLAN = "same runs", "another plan"
_PART = re.compile(rf"{FINGERPRINT}: (\w+);.*, {PART_OF} (\d+(?:, \d+)*) of \d+")
_FINGERPRINT = re.compile(re.escape(FINGERPRINT) + r":\s*([0-9a-f]{6,})", flags=re.IGNORECASE)


def write_sheet(
    plan: Plan,
    recipe: Recipe | None,
    path: str | os.PathLike[str],
    batch_size: float | None = None,
    seed: int | None = 0,
    readings: int = 1,
    base_gels: bool | None = None,
    needs: Needs | None = None,
    made_at: Mapping[int, object] | None = None,
    instruments: bool = False,
    runs: Collection[int] | None = None,
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
        How often each batch is read at each occasion: so many entry columns a response, the later ones headed "same batch read again".
    base_gels : bool, optional
        Whether the beakers of a whole plot are made from one base, with its own page (see `Recipe.base_gels`). None: where the plan has
        whole plots, and the recipe says so (`base_gel=`) or a hard-to-change factor sets an amount.
    needs : Needs, optional
        What `doe.bench.needs` found: grams and jars a batch needs are printed, a label is made for each jar, and a batch that is too
        small is named among what to settle before weighing.
    made_at : mapping of int to date, optional
        When batches were finished, by run, where it is already known: dates, datetimes or texts like "2026-03-31 14:30".
    instruments : bool
        Adds to a workbook the page “Instrument readings”, one row a reading: viscosity with spindle, speed, torque, temperature and time, pH,
        droplet sizes. `read_sheet` joins it to the records; `read_instruments` reads it with every method and flag.
    runs : collection of int, optional
        The batches that the sheet is for; all if left out. Where a plan was made longer, those added: premixes and base gels are then sized
        for them. `Records.with_later` joins what it says to what was read before.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    StudyError
        If the plan's study has no response, a beaker cannot be made from its whole plot's base, a batch cannot be weighed out (its run is named), an argument cannot be used, or the file
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
    layout = sheet_layout(plan, seed, readings, recipe, batch_size, base_gels, needs, made_at, suffix == ".csv", runs)
    if suffix == ".xlsx":
        from doe.bench.workbook import workbook_bytes

        try:
            content = workbook_bytes(layout, instruments)
        except OSError as problem:  # a workbook is put together in the folder for temporary files
            raise StudyError(
                "path",
                str(path),
                "a workbook that can be put together",
                f"free some space in the folder for temporary files ({problem.strerror})",
            ) from problem
        return write_bytes(path, content)
    if suffix == ".html":
        from doe.bench.printed import page_text

        return write_text(path, page_text(layout))
    return write_bytes(
        path, ("\ufeff" + _csv_text(layout)).encode("utf-8")
    )  # the mark by which spreadsheet programs know UTF-8


def read_sheet(
    path: str | os.PathLike[str],
    plan: Plan,
    answers: Mapping[str, object] | None = None,
    hold: Mapping[str, Pair] | None = None,
    temperature: Mapping[str, Pair] | None = None,
    recipe: Recipe | None = None,
    on_time: float = ON_TIME,
) -> Records:
    """Read a sheet that came back from the bench.

    Rows may be in any order, cells blank or "n/a", numbers typed with decimal commas or as text; ">100000", "<50" and "50..60" are censored
    readings. What cannot be taken without guessing is held back and listed in `Records.problems`, with the cell, what stands there, what
    may stand there and how to mend it. Where there are only a few things it can mean, it is asked in `Records.questions`; `answers` says
    which of them holds. Settings that were edited are taken as those of the batch only when this is so confirmed. A weighing that is further
    from its target than 2 % and three digits of its balance is listed (common practice, no source).

    Parameters
    ----------
    path : str or path
        A .xlsx or .csv file; a .csv may use commas, semicolons or tabs, UTF-8 or a Western one-byte encoding.
    plan : Plan
        The plan whose sheet it is, in any order.
    answers : mapping of str to answer, optional
        From a cell, as `Records.questions` calls it ("Measurements!F12"; on the page of readings "F12" will do), to one of its choices.
    hold : mapping, optional
        Response name to the least and most seconds before reading, (55, 65): readings on the page “Instrument readings” outside them are
        taken, and listed in `problems`. That page joins the records where each response on it was read by one method; where there are
        several it is asked which of them stands.
    temperature : mapping, optional
        Response name to the least and greatest sample temperature in °C, (24.5, 25.5), likewise.
    recipe : Recipe, optional
        By which the sheet was written. Where a weighing was off its target, the settings that the batch then had are worked out of its grams
        (degree of neutralisation, % of an ingredient), and it is asked whether they are those of the batch.
    on_time : float
        Share of its time by which a reading may be early or late, an hour at the least: where the columns “read on” say otherwise it is
        taken, and listed in `problems`.

    Returns
    -------
    Records

    Raises
    ------
    StudyError
        If the file cannot be read, breaks off, or holds no run and response columns; if an answer is to a question that is not open, or is
        none of its choices.

    Examples
    --------
    >>> records = doe.bench.read_sheet("sheet.xlsx", plan)                                 # doctest: +SKIP
    >>> records.questions                                                                  # doctest: +SKIP
                   cell   found                     question            choices
    0  Measurements!F12  12,345  viscosity: which is meant?  (12345.0, 12.345)
    >>> records = doe.bench.read_sheet("sheet.xlsx", plan, {"Measurements!F12": 12345})    # doctest: +SKIP
    """
    if not isinstance(plan, Plan):
        raise StudyError(
            "plan", type(plan).__name__, "a Plan", "load it with doe.designs.Plan.load, or use doe.bench.read_table"
        )
    if not (recipe is None or isinstance(recipe, Recipe)):
        raise StudyError(
            "recipe",
            type(recipe).__name__,
            "a doe.bench.Recipe or None",
            "give the recipe by which the sheet was written",
        )
    said, share = Answers(answers), on_time_share(on_time)
    seconds, degrees = limits_by_response("hold", hold, plan), limits_by_response("temperature", temperature, plan)
    heads = Heads(plan.study)
    grids = read_grids(path, heads.known)
    where = f"file {str(path)!r}"
    grid, header, others = grid_with_heads(grids, heads, where)
    problems = Problems(grid.sheet, said)
    if not _of_this_plan(grids, plan, problems):
        said.refuse_unused()
        return Records.from_taken(plan, Taken(), problems)
    note_other_sheets(others, problems)
    table = table_from_grid(grid, heads, header)
    refuse_broken(table.cut_short, where)
    taken = planned_rows_taken(table, heads, plan, problems, _runs_of(grids, plan))
    noted = take_pages([g for g in grids if g is not grid], plan, taken, problems)
    note_off_target(noted, recipe is not None, problems)
    if recipe is not None:
        settle_settings(recipe, plan, taken, noted, problems)
    pages = [g for g in grids if g is not grid]
    instruments = read_instrument_page(
        pages, plan, problems, as_path(path).parent, seconds, degrees, taken.made_at, share
    )
    said.refuse_unused()
    records = Records.from_taken(plan, taken, problems, noted, share)
    return records if instruments is None else instruments.added_to(records)


def _of_this_plan(grids: list[Grid], plan: Plan, problems: Problems) -> bool:
    """Whether the file is this plan's sheet, by its fingerprint or by the user's word."""
    found = _fingerprints(grids)
    if not found:
        problems.add(
            "",
            "no plan fingerprint",
            identity(plan),
            "rows are taken by run number; make sure that it is this plan's sheet",
        )
    if not found or plan.fingerprint in found:
        return True
    question = f"it is the sheet of another plan (this one's is {plan.fingerprint}): are its runs those of this plan all the same?"
    answer = problems.on(FINGERPRINT.casefold()).ask("", found[0], question, (SAME_RUNS, OTHER_PLAN))
    if answer == SAME_RUNS:
        problems.add("", f"plan fingerprint {found[0]}", identity(plan), "taken by run number, as answered")
        return True
    mend = f"nothing is taken: load that plan, choose this one's sheet, or answer {SAME_RUNS!r}"
    problems.add("", f"plan fingerprint {found[0]}", identity(plan), mend)
    return False


def grid_with_heads(grids: list[Grid], heads: Heads, where: str) -> tuple[Grid, int, list[Grid]]:
    """The sheet whose heads name the most known columns, where they stand, and the other sheets that have such heads."""
    found = [
        (grid, row)
        for grid in grids
        # ingredients bear the names of factors, but the pages on which they stand hold no readings
        if not (grid.sheet in (*OWN_PAGES, TITRATION) or is_batches(grid) or is_constants(grid) or is_instruments(grid))
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


def _runs_of(grids: list[Grid], plan: Plan) -> set[int] | None:
    """The runs that a sheet of this plan was written for, where it says that they are not all."""
    texts = (cell for grid in grids for row in grid.rows[:10] for cell in row if isinstance(cell, str))
    for text in texts:
        match = _PART.search(text)
        if match is not None and match[1].lower() == plan.fingerprint:
            return {int(run) for run in match[2].split(", ")}
    return None


def _csv_text(layout: SheetLayout) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")  # as RFC 4180 has it
    study = layout.plan.study
    lines = [f"Run sheet: {study.name}", f"{layout.identity}; {layout.order_text}; {layout.count_text}"]
    # a .csv has no such pages
    instructions = [line for line in layout.instructions if not any(f"age “{name}”" in line for name in OWN_PAGES)]
    if any(column.kind == "made_at" for column in layout.columns):
        instructions.append(f"Write in the column “{FINISHED}” when each batch was finished.")
    lines += [f"{TO_SETTLE}: {point}" for point in layout.open_points]
    lines += [*study.notes.splitlines(), *instructions, *CAUTIONS, LAST_WORD]
    lines += [f"{p.heading[0]}, {p.portions}: {p.weigh_out}; together {p.total} g" for p in layout.apart]
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
    if isinstance(value, datetime.datetime):
        return date_text(value)
    if isinstance(value, float | np.floating):
        return f"{float(value):.12g}"
    return neutral(value) if isinstance(value, str) else value
