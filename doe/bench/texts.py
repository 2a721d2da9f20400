"""Users' texts in cells that a spreadsheet program might take for a formula."""

from __future__ import annotations

# a line feed and the full-width signs too: some programs set them aside, or take them for the plain ones
_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def neutral(text: str) -> str:
    """A text as a .csv cell that no spreadsheet program runs: an apostrophe before one that would start a formula."""
    return f"'{text}" if text.lstrip("'").startswith(_STARTS) else text


def bare(text: str) -> str:
    """The text that `neutral` was given."""
    return text[1:] if text[:1] == "'" and text.lstrip("'").startswith(_STARTS) else text


def number_cell(value: float) -> str:
    """A number as the shortest text that reads back as the same."""
    return repr(float(value)).removesuffix(".0")
