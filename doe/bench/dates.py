"""Dates and times of day as people type them and spreadsheet programs return them."""

from __future__ import annotations

import datetime
import re

from doe.bench.numerals import DoubtError

_DAY_ZERO = datetime.datetime(1899, 12, 30)  # of the serial numbers in which spreadsheets keep dates
_SERIALS = (20_000, 80_000)  # 1954 to 2119: a number among them in a cell for dates is a date that lost its format
_DATE = re.compile(
    r"(\d{1,4})([-./])(\d{1,2})\2(\d{1,4})(?:[T ,]+(\d{1,2})[:.](\d{2})(?::(\d{2})(?:\.\d+)?)?\s*([AaPp][Mm])?)?"
)
ALLOWED = "a date, with the time of day if known, such as 2026-03-31 14:30"


def date_from(cell: object) -> datetime.datetime:
    """Take a cell as a moment; midnight where no time of day is said.

    Raises
    ------
    DoubtError
        If it is no date, or could be two; the choices are then texts like "2026-03-04".
    """
    if isinstance(cell, datetime.datetime):
        return cell.replace(tzinfo=None)
    if isinstance(cell, datetime.date):
        return datetime.datetime.combine(cell, datetime.time())
    if isinstance(cell, int | float) and not isinstance(cell, bool) and _SERIALS[0] <= cell <= _SERIALS[1]:
        minutes = round(cell * 1440)
        return _DAY_ZERO + datetime.timedelta(minutes=minutes)
    match = _DATE.fullmatch(str(cell).strip().removeprefix("'")) if isinstance(cell, str) else None
    if match is None:
        raise DoubtError(ALLOWED, "write it like 2026-03-31 14:30")
    first, mark, second, third = match[1], match[2], match[3], match[4]
    if len(first) == 4:
        candidates = [(int(first), int(second), int(third))]
    else:
        year = int(third) + (2000 if len(third) <= 2 else 0)
        candidates = [(year, int(second), int(first))]
        if mark != ".":  # 3/4/2026 is April on one side of an ocean and March on the other; dots put the day first
            candidates.append((year, int(first), int(second)))
    clock = _clock(match)
    moments = []
    for year, month, day in candidates:
        try:
            moments.append(datetime.datetime(year, month, day, *clock))
        except ValueError:
            continue
    moments = list(dict.fromkeys(moments))
    if len(moments) == 1:
        return moments[0]
    if moments:
        texts = tuple(date_text(m) for m in moments)
        raise DoubtError(f"{ALLOWED}, that can be read in one way only", f"write {' or '.join(texts)}", texts)
    raise DoubtError(ALLOWED, "write it like 2026-03-31 14:30")


def _clock(match: re.Match[str]) -> tuple[int, int, int]:
    if match[5] is None:
        return 0, 0, 0
    hour = int(match[5])
    if match[8]:
        hour = hour % 12 + (12 if match[8].lower() == "pm" else 0)
    return hour, int(match[6]), int(match[7] or 0)


def date_text(moment: datetime.datetime) -> str:
    """A moment as text that `date_from` reads back: the date alone at midnight."""
    return moment.strftime(
        "%Y-%m-%d" if moment.time() == datetime.time() else "%Y-%m-%d %H:%M" + (":%S" if moment.second else "")
    )
