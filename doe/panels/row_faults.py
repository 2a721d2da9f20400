"""Faults of a row of the trial's tables: all of them at once, each at its cell and in the words of its column."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from doe.bench.numerals import DoubtError, number_from
from doe.panels.trial_rows import (
    BLEND,
    FACTOR_COLUMNS,
    MEASURED,
    RESPONSE_COLUMNS,
    cell_meant,
    factor_of,
    figure,
    response_of,
)
from doe.study import StudyError

Row = Mapping[str, str]
_FAR = 1e9  # a stand-in so far off that no figure of a row is beyond it


def factor_faults(row: Row) -> list[tuple[str, StudyError]]:
    """Everything that is wrong with a factor's row: the cell and the sentence, in the order found."""
    return _faults(row, factor_of, FACTOR_COLUMNS, _without_factor_cell)


def response_faults(row: Row) -> list[tuple[str, StudyError]]:
    """Everything that is wrong with a response's row: the cell and the sentence, in the order found."""
    return _faults(row, response_of, RESPONSE_COLUMNS, _without_response_cell)


def in_column_words(problem: StudyError, row: Row, response: bool = False) -> StudyError:
    """An error of a factor or response as who typed the row would say it: the column's own name, and what stands in its cell."""
    cell = cell_meant(problem)
    where, colon, _ = str(problem.where).rpartition(": ")
    column = next(c for c in (RESPONSE_COLUMNS if response else FACTOR_COLUMNS) if c["key"] == cell)
    if not colon or cell == "name":
        return problem
    found, allowed, mend = problem.found, problem.allowed, problem.mend
    if cell in ("held", "levels", "ends") and row.get(cell, "").strip():
        found = row[cell].strip()  # the cell's own text: what was refused was worked out from it
    if cell == "held" and allowed == "0 or above":
        mend = "say how far off the setting may be, 19 times in 20"
    mend = mend.replace("write (1, 5)", "write 1; 5")
    if response:
        low, high = (c["label"] for c in RESPONSE_COLUMNS if c["key"] in ("low", "high"))
        allowed = allowed.replace("below high (", f"below “{high}” (").replace("above low (", f"above “{low}” (")
    return StudyError(f"{where}: {column['label']}", found, allowed, mend)


def _faults(
    row: Row,
    made: Callable[[Row], Any],
    columns: list[dict[str, Any]],
    without: Callable[[dict[str, str], str, StudyError], None],
) -> list[tuple[str, StudyError]]:
    """Try the row, note the fault, put something harmless in the place of that cell, and try again."""
    own = dict(row)
    found: dict[str, StudyError] = {}
    for _ in columns:
        try:
            made(own)
        except StudyError as problem:
            cell = cell_meant(problem)
            if cell in found:  # no other reading of this cell helps
                break
            if own.get("name") != row.get("name") and ": " in str(problem.where):
                problem = _named(problem, row.get("name", "").strip())
            found[cell] = in_column_words(problem, row, columns is RESPONSE_COLUMNS)
            without(own, cell, problem)
        else:
            break
    return list(found.items())


def _named(problem: StudyError, name: str) -> StudyError:
    """The error with the name that was typed, for a row that was tried under another."""
    kind, word = str(problem.where).partition(" ")[0], str(problem.where).rpartition(": ")[2]
    where = f"{kind} {name!r}: {word}" if name else f"{kind}: {word}"
    return StudyError(where, problem.found, problem.allowed, problem.mend)


def _without_factor_cell(own: dict[str, str], cell: str, problem: StudyError) -> None:
    """Take a wrong cell out of a factor's row so that nothing else seems wrong for its sake."""
    if cell == "name":
        own["name"] = "unnamed"
    elif cell in ("low", "high") and not problem.allowed.startswith("left out"):
        own[cell] = figure(_FAR if cell == "high" else 0.0 if own.get("down") == BLEND else -_FAR)
        limit = "least" if cell == "low" else "most"
        if own.get("down") != MEASURED and _number(own.get(limit, ""), own.get("unit", "")) is not None:
            own.pop(limit)  # nothing to hold it against
    elif cell == "levels" and not problem.allowed.startswith("left out"):
        numbers = all(_number(v, own.get("unit", "")) is not None for v in own["levels"].split(";") if v.strip())
        own["levels"] = "1; 2" if numbers else "a; b"
    else:
        own.pop(cell, None)


def _without_response_cell(own: dict[str, str], cell: str, _problem: StudyError) -> None:
    """Take a wrong cell out of a response's row so that nothing else seems wrong for its sake."""
    if cell == "name":
        own["name"] = "unnamed"
    elif cell == "ends":
        own["ends"] = {"logit": "0; 100", "score": "1; 5", "box-cox": "0.5"}.get(own.get("scale", ""), "")
        for key in ("low", "high", "goal"):  # what they may be hangs on the ends
            if _number(own.get(key, "")) is not None:
                own.pop(key)
    else:
        own.pop(cell, None)
        if cell in ("times", "conditions"):
            for key in ("low", "high"):
                if ":" in own.get(key, ""):  # a limit for each occasion, of which some are not known
                    own.pop(key)


def _number(text: str, unit: str = "") -> float | None:
    try:
        return number_from(text.strip(), unit) if text.strip() else None
    except DoubtError:
        return None
