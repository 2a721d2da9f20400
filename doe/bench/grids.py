"""Files of cells, as spreadsheet programs leave them: .xlsx and .csv read into rows, whatever the delimiter or the encoding."""

from __future__ import annotations

import csv
import io
import os
import re
import warnings
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from doe.bench.guards import MOST_CELLS, MOST_FILE, guard_workbook
from doe.bench.numerals import Uncalculated
from doe.study import StudyError
from doe.study.files import read_bytes

Row = list[object]
MOST_ROWS = 100_000
HEAD_ROWS = 500  # among which the heads must stand


@dataclass(frozen=True)
class Grid:
    """Rows of cells from one sheet of a file.

    Attributes
    ----------
    sheet : str
        The sheet's title; the file's name for a .csv.
    rows : list of list
        Cells from the first row of the spreadsheet on: None, text, number, date; ragged where the file is.
    delimiter : str
        What parts the cells of a .csv; empty for a sheet.
    ends_whole : bool
        Whether the file's last line was ended: if not, it may have been cut short.
    """

    sheet: str
    rows: list[Row]
    delimiter: str = ""
    ends_whole: bool = True


def letters(column: int) -> str:
    """Spreadsheet letters of a column counted from 0: A, B, …, Z, AA, …."""
    text, column = "", column + 1
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def as_path(path: object) -> Path:
    """A path, or the sentence that says why not."""
    if not isinstance(path, str | os.PathLike):
        raise StudyError("path", path, "a text or a path", "say where the file is")
    return Path(path)


def read_grids(path: str | os.PathLike[str], known: Callable[[Row], int]) -> list[Grid]:
    """Read every sheet of a file, in order.

    Parameters
    ----------
    path : str or path
        A .xlsx or .csv file.
    known : callable
        How many cells of a row are headers that the reader looks for: tells which delimiter parts a .csv.

    Raises
    ------
    StudyError
        If the file is missing, of another kind, or cannot be read.
    """
    file = as_path(path)
    where = f"file {str(path)!r}"
    try:
        content = read_bytes(file, where, MOST_FILE)
    except FileNotFoundError as problem:
        raise StudyError(where, "missing", "a file that exists", "check the path") from problem
    except OSError as problem:
        raise StudyError(where, "unreadable", "a file that can be read", f"check it ({problem.strerror})") from problem
    if not content.strip():
        raise StudyError(where, "empty", "a filled sheet", "choose the file that was saved last")
    suffix = file.suffix.lower()
    if suffix in (".xlsx", ".xlsm"):
        return _workbook(content, where)
    if suffix in (".csv", ".txt", ".tsv"):
        return [_text(content, where, file.name, known)]
    raise StudyError(
        where, suffix or "without a suffix", ".xlsx or .csv", "save it as one of these in the spreadsheet program"
    )


def _workbook(content: bytes, where: str) -> list[Grid]:
    import openpyxl

    damaged = (
        "a whole .xlsx workbook",
        "it may have been cut short or be of another kind: take the last good copy and save it as .xlsx",
    )
    if not content.startswith(b"PK"):
        raise StudyError(where, "no .xlsx workbook inside", *damaged)
    guard_workbook(content, where)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # openpyxl warns of decorations it does not keep; only the cells are read
            results = openpyxl.load_workbook(io.BytesIO(content), data_only=True)
            # a second reading, which tells formulas without a result from blanks, is needed only where there are formulas
            formulas = (
                openpyxl.load_workbook(io.BytesIO(content), data_only=False) if _has_formulas(content) else results
            )
    except Exception as problem:  # damaged files raise whatever the parser met first: zip, XML, key or value errors
        raise StudyError(where, f"unreadable ({type(problem).__name__})", *damaged) from problem
    grids = []
    for sheet, plain in zip(results.worksheets, formulas.worksheets, strict=True):
        if sheet.max_row > MOST_ROWS:
            raise StudyError(
                f"{where}, sheet {sheet.title!r}",
                f"{sheet.max_row} rows long",
                f"at most {MOST_ROWS} rows",
                "delete the empty rows",
            )
        if sheet.max_row * sheet.max_column > MOST_CELLS:
            raise StudyError(
                f"{where}, sheet {sheet.title!r}",
                f"{sheet.max_row} rows by {sheet.max_column} columns",
                f"at most {MOST_CELLS} cells",
                "delete the empty rows and columns",
            )
        rows: list[Row] = []
        for cells, sources in zip(sheet.iter_rows(), plain.iter_rows(), strict=True):
            row: Row = []
            for cell, source in zip(cells, sources, strict=True):
                if cell.value is None and source.data_type == "f":
                    row.append(Uncalculated(source.value))
                elif (
                    isinstance(cell.value, int | float)
                    and not isinstance(cell.value, bool)
                    and "%" in cell.number_format
                ):
                    row.append(f"{100 * cell.value:.15g} %")  # "85%" typed in is stored as 0.85 and shown as 85 %
                else:
                    row.append(cell.value)
            rows.append(row)
        grids.append(Grid(sheet.title, rows))
    return grids


def _has_formulas(content: bytes) -> bool:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/")]
        return any(re.search(rb"<(\w+:)?f[ >/]", archive.read(name)) for name in sheets)


def _text(content: bytes, where: str, name: str, known: Callable[[Row], int]) -> Grid:
    text = _decoded(content, where)
    first, _, rest = text.partition("\n")
    told = None
    if first.strip().casefold().startswith("sep=") and len(first.strip()) == 5:
        told, text = first.strip()[4], rest  # a line that spreadsheet programs put first and do not show
    candidates = [told] if told else [",", ";", "\t"]
    most = max(text.count(mark) for mark in candidates) + text.count("\n") + text.count("\r")
    if most > MOST_CELLS:
        raise StudyError(
            where, f"of up to {most} cells", f"of at most {MOST_CELLS} cells", "take out what does not belong"
        )
    parsed = {mark: _attempt(text, mark) for mark in candidates}
    delimiter = max(candidates, key=lambda mark: max((known(row) for row in parsed[mark][:HEAD_ROWS]), default=0))
    rows = parsed[delimiter]
    if not rows:
        raise StudyError(
            where,
            "with a cell longer than any text",
            "a .csv file of short cells",
            "look for a quotation mark that is not closed",
        )
    try:
        _parsed(text, delimiter, strict=True)
    except csv.Error as problem:
        if "end of data" in str(problem):  # other complaints of the strict parser are matters of taste
            raise StudyError(
                where, "cut short inside a quoted cell", "a whole file", "take the last good copy"
            ) from problem
    if len(rows) > MOST_ROWS:
        raise StudyError(
            where, f"{len(rows)} rows long", f"at most {MOST_ROWS} rows", "delete the rows that do not belong"
        )
    return Grid(name, rows, delimiter, text.endswith(("\n", "\r")))


def _decoded(content: bytes, where: str) -> str:
    encodings = ["utf-16"] if content.startswith((b"\xff\xfe", b"\xfe\xff")) else ["utf-8-sig", "cp1252", "latin-1"]
    for encoding in encodings:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" not in text:
            return text
    raise StudyError(where, "no text", "a .csv file of text", "save it again as .csv in the spreadsheet program")


def _attempt(text: str, delimiter: str) -> list[Row]:
    """The rows, if this delimiter parts the text at all."""
    try:
        return _parsed(text, delimiter)
    except csv.Error:  # a cell beyond the reader's limit
        return []


def _parsed(text: str, delimiter: str, strict: bool = False) -> list[Row]:
    return [list(row) for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=strict)]
