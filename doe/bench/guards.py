"""Workbooks that someone gave us, looked at before they are taken apart: how large they are unpacked, and how many cells they claim to have."""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from typing import IO
from xml.parsers import expat

from doe.study import StudyError

MOST_FILE = 32 * 2**20  # bytes of a workbook or a .csv as it is stored
MOST_UNPACKED = 128 * 2**20  # bytes of a workbook's parts together
MOST_PARTS = 2_000
MOST_CELLS = 2_000_000  # of all sheets; a cell takes some hundred bytes of memory
_SPREAD = {"mergeCell", "hyperlink", "comment"}  # what is spread over every cell of its range when it is read
_RANGE = re.compile(r"\$?([A-Za-z]*)\$?([0-9]*):\$?([A-Za-z]*)\$?([0-9]*)")
_LAST_COLUMN, _LAST_ROW = 16_384, 1_048_576


class _RefuseError(Exception):
    """Why a part is refused: found, allowed."""


def guard_workbook(content: bytes, where: str) -> None:
    """Refuse a workbook that would fill the memory, or whose XML declares entities; a damaged one is left to its reader.

    Raises
    ------
    StudyError
        If it is too large in one way or another.
    """
    mend = "take the sheet out into a new workbook, as plain cells"
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts = archive.infolist()
            if len(parts) > MOST_PARTS:
                raise StudyError(where, f"of {len(parts)} parts", f"of at most {MOST_PARTS} parts", mend)
            total = sum(part.file_size for part in parts)
            if total > MOST_UNPACKED:
                found = f"{total / 2**20:.0f} MiB unpacked"
                raise StudyError(where, found, f"at most {MOST_UNPACKED // 2**20} MiB", mend)
            count = _Count()
            for part in parts:
                if part.filename.lower().endswith((".xml", ".rels", ".vml")):
                    with archive.open(part) as stream:
                        count.look_through(stream)
    except _RefuseError as problem:
        raise StudyError(where, problem.args[0], problem.args[1], mend) from problem
    except (zipfile.BadZipFile, zlib.error, OSError, EOFError, NotImplementedError, RuntimeError, UnicodeError):
        return
    except ValueError as problem:
        if isinstance(problem, StudyError):
            raise


class _Count:
    """Cells of a workbook so far, those among them that ranges are spread over."""

    def __init__(self) -> None:
        self.cells = 0

    def look_through(self, stream: IO[bytes]) -> None:
        """Count one part's cells; its reader says what is wrong with it."""
        parser = expat.ParserCreate()
        parser.StartElementHandler = self._element
        parser.StartDoctypeDeclHandler = self._declared
        parser.EntityDeclHandler = self._declared
        try:
            while piece := stream.read(2**16):
                parser.Parse(piece)
        except expat.ExpatError:
            return

    def _declared(self, *_: object) -> None:
        raise _RefuseError(
            "XML with a document type or entities of its own", "plain XML, as spreadsheet programs write it"
        )

    def _element(self, name: str, attributes: dict[str, str]) -> None:
        kind = name.rpartition(":")[2]
        if kind == "c":
            self.cells += 1
        elif kind in _SPREAD:
            self.cells += area(attributes.get("ref", ""))
        if self.cells > MOST_CELLS:
            raise _RefuseError("of more cells than can be taken in", f"of at most {MOST_CELLS} cells")


def area(reference: str) -> int:
    """How many cells a range has, "A1:C5"; an end left out is the sheet's."""
    match = _RANGE.fullmatch(reference.strip())
    if match is None:
        return 1
    first, top, last, bottom = match.groups()
    columns = abs(_number(last, _LAST_COLUMN) - _number(first, 1)) + 1
    rows = abs(int(bottom or _LAST_ROW) - int(top or 1)) + 1
    return columns * rows


def _number(letters: str, otherwise: int) -> int:
    number = 0
    for letter in letters.upper()[:4]:
        number = 26 * number + ord(letter) - ord("A") + 1
    return number or otherwise
