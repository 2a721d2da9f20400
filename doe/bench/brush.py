"""Styles of the cells of a long workbook, each looked up once."""

from __future__ import annotations

from copy import copy
from typing import Any


class Brush:
    """Sets fonts, fills, borders and the rest on cells that have none yet.

    openpyxl finds each part of a style anew, by its content, for every cell that is given it: most of the time that a workbook of sixty
    batches takes. Here a combination of parts that was set before is taken over whole. A part is known again by being the same object, so
    it is to be made once.
    """

    def __init__(self) -> None:
        self._made: dict[tuple[object, ...], Any] = {}
        self._parts: list[object] = []  # kept alive, or another object could bear its id

    def __call__(self, cell: Any, **parts: Any) -> None:
        """Set these parts, by their names as attributes of a cell."""
        key = (cell.quotePrefix, *((name, v if isinstance(v, str) else id(v)) for name, v in parts.items()))
        style = self._made.get(key)
        if style is not None:
            cell._style = copy(style)
            return
        for name, part in parts.items():
            setattr(cell, name, part)
        self._made[key] = copy(cell._style)
        self._parts += parts.values()
