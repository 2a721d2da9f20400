"""Lines of a recipe as plain values that go into JSON, and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from typing import Any

import numpy as np

from doe.bench.lines import Ingredient, Line, Neutralise, Step
from doe.bench.made_apart import BaseGel, Premix
from doe.bench.neutralisation import BASES, Base
from doe.study import StudyError
from doe.study.errors import nearest

KEYS = ("kind", "schema", "phases", "lines", "premixes", "base_gel")
_KINDS: dict[str, type] = {"ingredient": Ingredient, "neutralise": Neutralise, "step": Step}


def line_content(line: Line) -> dict[str, Any]:
    """A line as plain values; a base of the table by its name alone."""
    row: dict[str, Any] = {"kind": next(k for k, v in _KINDS.items() if isinstance(line, v))}
    for field in fields(line):
        value = getattr(line, field.name)
        if isinstance(value, Base):
            value = value.name if value == BASES.get(value.name) else _base_content(value)
        row[field.name] = list(value) if isinstance(value, tuple) else value
    return row


def apart_content(premixes: Sequence[Premix], base_gel: BaseGel | None) -> dict[str, Any]:
    """What is made apart as plain values; nothing where there is nothing."""
    out: dict[str, Any] = {"premixes": [asdict(p) for p in premixes]} if premixes else {}
    return out if base_gel is None else out | {"base_gel": asdict(base_gel)}


def kept_apart(content: Mapping[str, Any], where: str) -> tuple[list[Premix], BaseGel | None]:
    """What is made apart by a recipe's JSON."""
    premixes, base_gel = content.get("premixes", []), content.get("base_gel")
    if not isinstance(premixes, list):
        raise StudyError(f"{where}: premixes", premixes, "a list", "take a file that was saved as a recipe")
    made = [_made(Premix, row, f"{where}: premix {i}") for i, row in enumerate(premixes, start=1)]
    return made, None if base_gel is None else _made(BaseGel, base_gel, f"{where}: base_gel")


def _made(kind: type[Any], row: object, where: str) -> Any:
    """A value of this kind from its JSON."""
    if not isinstance(row, Mapping):
        raise StudyError(where, row, "a named list of fields", "take a file that was saved as a recipe")
    known = [f.name for f in fields(kind)]
    for key in row:
        if key not in known:
            raise StudyError(where, key, f"one of {', '.join(known)}", nearest(str(key), known))
    try:
        return kind(**row)
    except TypeError as problem:
        raise StudyError(where, dict(row), "a whole entry", f"complete it ({problem})") from problem


def kept(content: Mapping[str, Any], where: str) -> tuple[list[Line], dict[str, float | str | None]]:
    """The lines and the phases with their sizes that a recipe's JSON describes."""
    for key in content:
        if key not in KEYS:
            raise StudyError(where, key, "a field of a recipe", nearest(key, KEYS))
    lines, phases = content.get("lines"), content.get("phases", [])
    if not isinstance(lines, list) or not isinstance(phases, list):
        raise StudyError(
            where, "without its lists of lines and phases", "a recipe", "take a file that was saved as one"
        )
    made = [_line(row, f"{where}: line {i}") for i, row in enumerate(lines, start=1)]
    try:
        sizes = {row["name"]: row["size"] for row in phases}
    except (TypeError, KeyError) as problem:
        raise StudyError(f"{where}: phases", phases, "entries with name and size", "correct them") from problem
    return made, sizes


def _base_content(base: Base) -> dict[str, Any]:
    row: dict[str, Any] = {field.name: getattr(base, field.name) for field in fields(base)}
    row["pka"] = "strong" if base.strong else base.pka  # JSON has no infinity
    return row


def _line(row: object, where: str) -> Line:
    """The line that its JSON describes."""
    if not isinstance(row, Mapping) or str(row.get("kind")) not in _KINDS:
        found = row.get("kind") if isinstance(row, Mapping) else row
        raise StudyError(f"{where}: kind", found, f"one of {', '.join(_KINDS)}", "correct the entry")
    kind = _KINDS[str(row["kind"])]
    known = [f.name for f in fields(kind)]
    arguments: dict[str, Any] = {str(k): v for k, v in row.items() if k != "kind"}
    for key, value in arguments.items():
        if key not in known:
            raise StudyError(where, key, f"a field of the {row['kind']}", nearest(key, known))
        if isinstance(value, list):
            arguments[key] = tuple(value)
    try:
        if isinstance(base := arguments.get("base"), Mapping):  # of a Neutralise line, or an ingredient that is a base
            given: dict[str, Any] = {str(k): np.inf if (k, v) == ("pka", "strong") else v for k, v in base.items()}
            arguments["base"] = Base(**given)
        line: Line = kind(**arguments)
    except TypeError as problem:
        raise StudyError(where, dict(row), f"a whole {row['kind']}", f"complete the entry ({problem})") from problem
    return line
