"""How results show themselves: sections listed once, set as text and as HTML, with digits that follow the error."""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape

import pandas as pd


@dataclass(frozen=True)
class Section:
    """One part of a result's page: a title, a table whose cells are already text, and a note."""

    title: str
    table: pd.DataFrame | None = None
    note: str = ""


class Shown:
    """A result that prints itself and renders in a notebook, both from the same list of sections."""

    def _sections(self) -> list[Section]:
        return [Section(type(self).__name__)]

    def __repr__(self) -> str:
        parts = []
        for s in self._sections():
            lines = [s.title]
            if s.table is not None and len(s.table.columns):
                lines.append(s.table.to_string(index=False))
            if s.note:
                lines.append(s.note)
            parts.append("\n".join(line for line in lines if line))
        return "\n\n".join(parts)

    def _repr_html_(self) -> str:
        parts = []
        for s in self._sections():
            parts.append(f"<h4>{escape(s.title)}</h4>" if s.title else "")
            if s.table is not None and len(s.table.columns):
                parts.append(s.table.to_html(index=False, border=0))
            if s.note:
                parts.append("".join(f"<p>{escape(line)}</p>" for line in s.note.split("\n")))
        return "".join(parts)


def p_text(p: float) -> str:
    """A p-value as text: `<0.0001` below that, four decimals above, nothing where there is none."""
    if not math.isfinite(p):
        return ""
    return "<0.0001" if p < 0.0001 else f"{p:.4f}"


def chance_text(p: float, places: int = 4) -> str:
    """A chance as text: one that would round to 0 or 1 is neither, so it is told by the bound that it lies beyond."""
    least = 10.0**-places
    if p < least / 2:
        return f"less than {least:.{places}f}"
    return f"more than {1 - least:.{places}f}" if p >= 1 - least / 2 else f"{p:.{places}f}"


def bound_text(bound: float, error: float) -> str:
    """A lower bound of a share with as many decimals as its Monte-Carlo error allows, rounded down."""
    places = min(max(2, -math.floor(math.log10(error))), 4) if error > 0.0 else 4
    return f"{math.floor(10**places * bound) / 10**places:.{places}f}"


def error_text(error: float) -> str:
    """A Monte-Carlo error as text: two significant digits, and never nought."""
    return "less than 0.0001" if error < 0.0001 else number_text(error, digits=2)


def simulated_text(chance: float, error: float, places: int = 3) -> str:
    """A simulated chance with its Monte-Carlo error: "0.991 (Monte-Carlo error 0.00052)"."""
    return f"{chance_text(chance, places)} (Monte-Carlo error {error_text(error)})"


def number_text(value: float, error: float | None = None, digits: int = 4) -> str:
    """A number as text.

    Parameters
    ----------
    value : float
        The number; NaN gives an empty text.
    error : float, optional
        Its standard error: decimals are then those of the error's second significant digit.
    digits : int
        Significant digits when there is no error.
    """
    if value is None or math.isnan(value):
        return ""
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    if error is not None and math.isfinite(error) and error > 0:
        decimals = 1 - math.floor(math.log10(error))
        if -6 <= decimals <= 12:
            return f"{round(value, decimals):.{max(decimals, 0)}f}"
        return f"{value:.{digits}g}"
    if value == 0:
        return "0"
    size = math.floor(math.log10(abs(value)))
    if -5 <= size < 7:
        text = f"{value:.{max(digits - 1 - size, 0)}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    return f"{value:.{digits}g}"
