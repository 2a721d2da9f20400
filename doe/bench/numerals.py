"""Numbers as people type them: decimal commas, spaces between thousands, units; what is ambiguous is doubted, never guessed."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Iterable
from numbers import Real

BLANK = {"", "-", "–", "—", "n/a", "n.a.", "na", "nan", "none", "null", "missing", "not measured"}
_SPACES = re.compile(r"[\s\u00a0\u2007\u2009\u202f]+")
_PLAIN = re.compile(r"[0-9]+([eE][+-]?[0-9]+)?")
_DECIMAL = re.compile(r"(?P<whole>[0-9]*)(?P<mark>[.,])(?P<part>[0-9]+)(?P<power>[eE][+-]?[0-9]+)?")
_GROUPED = re.compile(
    r"(?P<whole>[0-9]{1,3}(?:(?P<gap>[.,' ’])[0-9]{3})(?:(?P=gap)[0-9]{3})*)(?:(?P<mark>[.,])(?P<part>[0-9]+))?"
)
_BOUND = re.compile(r"(?P<sign><=|>=|=<|=>|[<>≤≥])\s*(?P<number>.+)")
_SPAN = re.compile(r"(?P<low>.+?)\s*(?:\.\.\.?|…)\s*(?P<high>.+)")


class DoubtError(Exception):
    """A cell that cannot be taken as a number without guessing: what may stand there, how to mend it, and what it may mean where that is known."""

    def __init__(self, allowed: str, mend: str, choices: tuple[float | str, ...] = ()) -> None:
        super().__init__(allowed, mend, choices)
        self.allowed, self.mend, self.choices = allowed, mend, choices


class Uncalculated(str):
    """A spreadsheet formula whose file holds no result."""


def is_blank(cell: object) -> bool:
    """Whether a cell says that there is no value: empty, or one of the usual words for it."""
    if cell is None or (isinstance(cell, float) and math.isnan(cell)):
        return True
    if isinstance(cell, str) and not isinstance(cell, Uncalculated):
        return _SPACES.sub(" ", cell).strip().casefold() in BLANK
    return type(cell).__name__ in ("NAType", "NaTType")


def decimal_mark(cells: Iterable[object]) -> str | None:
    """Which decimal mark the texts among these cells use: "." or ",", "both", or None where nothing tells."""
    found: set[str] = set()
    for cell in cells:
        if isinstance(cell, str):
            text = _tidy(cell, "")[1]
            match = _DECIMAL.fullmatch(text)
            if match and not _like_thousands(match):
                found.add(match["mark"])
            grouped = _GROUPED.fullmatch(text)
            if grouped and grouped["mark"] and grouped["mark"] != grouped["gap"]:
                found.add(grouped["mark"])
    return "both" if len(found) == 2 else next(iter(found), None)


def number_from(cell: object, unit: str = "", mark: str | None = None) -> float:
    """Take a cell as a number.

    Parameters
    ----------
    cell : object
        A number, or a text as a person types it; not blank.
    unit : str
        The unit that may stand behind it.
    mark : {".", ",", "both", None}
        The decimal mark of the file's other cells, as `decimal_mark` tells it. "12,345" is taken only where it is ",", and "12.345"
        not where it is "," or "both".

    Returns
    -------
    float

    Raises
    ------
    DoubtError
        If it is no number, or two numbers at once.
    """
    number = "a number" + (f" in {unit}" if unit else "")
    if isinstance(cell, Uncalculated):
        raise DoubtError(
            number,
            "the file holds the formula but not its result: open it in a spreadsheet program and save it, or type the number",
        )
    if isinstance(cell, bool) or type(cell).__name__ == "bool_":
        raise DoubtError(number, "type the number, or leave the cell blank")
    if isinstance(cell, Real):
        value = float(cell)
        if not math.isfinite(value):
            raise DoubtError(
                f"a finite number{' in ' + unit if unit else ''}", "type the number, or leave the cell blank"
            )
        return value
    if isinstance(cell, datetime.date | datetime.time | datetime.timedelta):
        raise DoubtError(
            number,
            "the spreadsheet made a date of it: set the cell's format to number and type it again",
            _typed(cell) if isinstance(cell, datetime.date) else (),
        )
    if not isinstance(cell, str):
        raise DoubtError(number, "type the number, or leave the cell blank")
    sign, text = _tidy(cell, unit)
    return sign * _digits(text, number, mark)


def reading_from(cell: object, unit: str = "", mark: str | None = None) -> tuple[float, float, float]:
    """Take a cell as a reading: a number, or bounds between which it lies.

    Parameters
    ----------
    cell, unit, mark
        As for `number_from`; besides numbers ">100000", "<50", "≥ 20", "50..60" and "50 … 60" are readings.

    Returns
    -------
    tuple of (float, float, float)
        Value, lower, upper: three times the number of an exact reading. A censored reading has the value NaN; a side without a bound is
        infinite.

    Raises
    ------
    DoubtError
        If it is no reading, or two at once.
    """
    if isinstance(cell, str) and not isinstance(cell, Uncalculated):
        text = cell.strip().removeprefix("'").strip()
        bound, span = _BOUND.fullmatch(text), _SPAN.fullmatch(text)
        if bound:
            sign = bound["sign"]
            below = "<" in sign or sign == "≤"
            try:
                number = number_from(bound["number"], unit, mark)
            except DoubtError as doubt:
                raise DoubtError(
                    doubt.allowed,
                    doubt.mend,
                    tuple(f"{sign}{reading_text(c, c, c)}" for c in doubt.choices if isinstance(c, float)),
                ) from doubt
            return (math.nan, -math.inf, number) if below else (math.nan, number, math.inf)
        if span:
            low, high = _ends(span, unit, mark)
            if low > high:
                raise DoubtError("a range from its lower to its upper end", f"write {high:g}..{low:g} if that is meant")
            return (low, low, low) if low == high else (math.nan, low, high)
    value = number_from(cell, unit, mark)
    return value, value, value


def _ends(span: re.Match[str], unit: str, mark: str | None) -> tuple[float, float]:
    """Both ends of a range; where one can be read in two ways the doubt is about the range."""
    options: list[tuple[float, ...]] = []
    first: DoubtError | None = None
    for side in ("low", "high"):
        try:
            options.append((number_from(span[side], unit, mark),))
        except DoubtError as doubt:
            if not doubt.choices:
                raise
            first = first or doubt
            options.append(tuple(c for c in doubt.choices if isinstance(c, float)))
    if first is None:
        return options[0][0], options[1][0]
    pairs = [(low, high) for low in options[0] for high in options[1] if low <= high]
    raise DoubtError(first.allowed, first.mend, tuple(reading_text(math.nan, *pair) for pair in pairs)) from first


def reading_text(value: float, lower: float, upper: float) -> str:
    """A reading as the shortest text that `reading_from` reads back as the same."""
    if not math.isnan(value):
        return repr(float(value)).removesuffix(".0")
    low, high = (repr(float(v)).removesuffix(".0") for v in (lower, upper))
    return f"<{high}" if math.isinf(lower) else f">{low}" if math.isinf(upper) else f"{low}..{high}"


def _typed(cell: datetime.date) -> tuple[float | str, ...]:
    """What may have been typed where a spreadsheet program made a date of it: 5-6 or 5.6, in either order of day and month."""
    day, month, year = cell.day, cell.month, cell.year % 100
    choices: list[float | str] = [float(f"{day}.{month}"), float(f"{month}.{day}")]
    if day == 1:
        choices += [float(f"{month}.{year:02d}")]  # a month and a year: 3.45 became March 1945
    low, high = sorted((day, month))
    if low < high:
        choices.append(f"{low}..{high}")
    return tuple(dict.fromkeys(choices))


def _digits(text: str, number: str, mark: str | None) -> float:
    """The value of an unsigned text; `number` says what may stand there."""
    value = None
    match = _DECIMAL.fullmatch(text)
    if _PLAIN.fullmatch(text):
        value = float(text)
    elif match:
        if _like_thousands(match) and not _settled(match["mark"], mark):
            whole, part = match["whole"], match["part"]
            raise DoubtError(
                f"{number} that can be read in one way only",
                f"write {whole}{part} if {whole} thousand is meant, or {whole}.{part}0 if {whole} and a part is meant",
                (float(whole + part), float(f"{whole}.{part}")),
            )
        value = float(text.replace(",", "."))
    else:
        match = _GROUPED.fullmatch(text)
        if match and match["mark"] != match["gap"]:
            value = float(f"{match['whole'].replace(match['gap'], '')}.{match['part'] or '0'}")
    if value is not None and math.isfinite(value):
        return value
    if _BOUND.match(text) or _SPAN.fullmatch(text):
        raise DoubtError(number, "leave the cell blank and write what was seen as a remark")
    raise DoubtError(number, "type the number, or leave the cell blank and say why in the remark")


def _tidy(cell: str, unit: str) -> tuple[float, str]:
    """Sign and bare digits of a text: other minus signs, other spaces, a leading apostrophe and the unit set aside."""
    text = _SPACES.sub(" ", cell).strip().removeprefix("'").strip()
    plain_unit = _SPACES.sub(" ", unit).strip()
    if plain_unit and text.casefold().endswith(plain_unit.casefold()):
        text = text[: len(text) - len(plain_unit)].strip()
    text = text.replace("−", "-")
    sign = 1.0
    if text[:1] in ("+", "-"):
        sign = -1.0 if text[0] == "-" else 1.0
        text = text[1:].strip()
    return sign, text


def _like_thousands(match: re.Match[str]) -> bool:
    """Whether "12,345" or "12.345" might as well be twelve thousand."""
    return len(match["part"]) == 3 and 1 <= len(match["whole"]) <= 3 and match["whole"][0] != "0" and not match["power"]


def _settled(own: str, of_file: str | None) -> bool:
    """Whether the file's other cells, or the habit of computing, settle that `own` is its decimal mark."""
    return of_file == own or (own == "." and of_file is None)
