"""Occasions: when, and stored under what condition, a response is read: "24 h", "4 wk", "40 °C"."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from doe.study.errors import StudyError, nearest

# one reading occasion: time and condition, each "" where the response has none
Occasion = tuple[str, str]

DAYS = {
    "min": 1.0 / 1440.0,
    "h": 1.0 / 24.0,
    "d": 1.0,
    "wk": 7.0,
    "mo": 30.4375,  # a twelfth of the Julian year of 365.25 days
    "y": 365.25,
}
_SPELT = {
    word: unit
    for unit, words in {
        "min": "min minute minutes",
        "h": "h hr hrs hour hours",
        "d": "d day days",
        "wk": "wk wks w week weeks",
        "mo": "mo mos month months",
        "y": "y yr yrs year years",
    }.items()
    for word in words.split()
}
_TIME = re.compile(r"\s*(-?\d+(?:[.,]\d+)?)\s*([A-Za-z]+)\.?\s*")


def days(time: object, where: str = "time") -> float:
    """How many days after making a time is.

    Parameters
    ----------
    time : str
        A number and a unit: min, h, d, wk, mo or y, or such a unit spelt out ("4 weeks"); "0" is the moment of making.
    where : str
        What the time is of, in an error.

    Returns
    -------
    float
        Days; a month is 30.4375.

    Raises
    ------
    StudyError
        If it cannot be read, or lies before making.
    """
    allowed = 'a number and a unit (min, h, d, wk, mo, y), such as "24 h" or "4 wk"'
    if isinstance(time, str) and time.strip() == "0":
        return 0.0
    match = _TIME.fullmatch(time) if isinstance(time, str) else None
    if match is None or match[2].lower() not in _SPELT:
        mend = nearest(match[2].lower(), list(DAYS)) if match else 'write "24 h" or "4 wk"'
        raise StudyError(where, time, allowed, mend)
    number = float(match[1].replace(",", "."))
    if number < 0:
        raise StudyError(where, time, "0 or later", "count from the making of the batch")
    return number * DAYS[_SPELT[match[2].lower()]]


def checked_times(where: str, times: object) -> tuple[str, ...]:
    """Times as texts in order, each there once."""
    if isinstance(times, str) or not isinstance(times, Iterable):
        raise StudyError(f"{where}: times", times, 'a list of times such as ("24 h", "4 wk")', "put it in brackets")
    found: dict[float, str] = {}
    for time in times:
        at = days(time, f"{where}: times")
        if at in found:
            raise StudyError(
                f"{where}: times",
                time,
                f"another time than {found[at]!r}, which is the same",
                "leave one of the two out",
            )
        found[at] = " ".join(str(time).split())
    return tuple(found[at] for at in sorted(found))


def checked_conditions(where: str, conditions: object) -> tuple[str, ...]:
    """Conditions as texts in the order given, each there once."""
    if isinstance(conditions, str) or not isinstance(conditions, Iterable):
        raise StudyError(
            f"{where}: conditions", conditions, 'a list of texts such as ("25 °C", "40 °C")', "put it in brackets"
        )
    out: list[str] = []
    for condition in conditions:
        text = " ".join(condition.split()) if isinstance(condition, str) else ""
        if not text or set(text) & set("[],`"):
            raise StudyError(
                f"{where}: conditions", condition, "a text without commas, brackets or backticks", 'write "40 °C"'
            )
        if text in out:
            raise StudyError(f"{where}: conditions", condition, "there once", "leave it out the second time")
        out.append(text)
    return tuple(out)


def occasion_text(name: str, occasion: Occasion) -> str:
    """A response at an occasion, as headings and formulas name it: "viscosity[4 wk, 40 °C]"."""
    inside = ", ".join(part for part in occasion if part)
    return f"{name}[{inside}]" if inside else name


def split_occasion(text: str) -> tuple[str, list[str]]:
    """Name and bracketed parts of "viscosity[4 wk, 40 °C]"; no parts where there is no bracket."""
    if not text.endswith("]") or "[" not in text:
        return text, []
    name, _, inside = text[:-1].rpartition("[")
    return name.strip(), [" ".join(part.split()) for part in inside.split(",")]


def found_occasion(
    where: str, times: tuple[str, ...], conditions: tuple[str, ...], time: object, condition: object
) -> Occasion:
    """The occasion meant by a time and a condition; either may be "" or None where there is only one to mean.

    Raises
    ------
    StudyError
        If it is none of the response's, or could be several.
    """
    chosen: list[str] = []
    for word, options, given in (("time", times, time), ("condition", conditions, condition)):
        if given is None or given == "":
            if len(options) > 1:
                raise StudyError(f"{where}: {word}", "left out", f"one of {', '.join(options)}", f"say which {word}")
            chosen.append(options[0] if options else "")
            continue
        text = " ".join(str(given).split())
        if word == "time" and text not in options:
            at = days(text, f"{where}: time") if _TIME.fullmatch(text) else None
            text = next((t for t in options if days(t) == at), text)
        if text not in options:
            raise StudyError(
                f"{where}: {word}",
                given,
                f"one of {', '.join(options)}" if options else f"left out, as this response has no {word}s",
                nearest(text, options) if options else f"leave it out, or add it to the response's {word}s",
            )
        chosen.append(text)
    return chosen[0], chosen[1]


class Limits(dict[Occasion, float]):
    """Specification limits by occasion."""

    def __hash__(self) -> int:  # type: ignore[override]
        return hash(frozenset(self.items()))

    def __repr__(self) -> str:
        return repr(dict(self))


def checked_limits(
    where: str, limits: Mapping[object, object], times: tuple[str, ...], conditions: tuple[str, ...], unit: str
) -> Limits:
    """Limits of a mapping (time, condition) -> limit; a key of one text stands for the time, or for the condition where there are no times."""
    from doe.study.factors import as_number

    out = Limits()
    for key, value in limits.items():
        parts = (key,) if isinstance(key, str) else key
        if not isinstance(parts, tuple) or not 1 <= len(parts) <= 2:
            raise StudyError(where, key, "a time, or a pair of time and condition", 'write {("4 wk", "40 °C"): 8000}')
        time, condition = parts if len(parts) == 2 else ((parts[0], None) if times else (None, parts[0]))
        # a time alone is meant for every condition
        every = conditions if len(parts) == 1 and times and len(conditions) > 1 else (condition,)
        for one in every:
            occasion = found_occasion(where, times, conditions, time, one)
            if occasion in out:
                raise StudyError(where, key, "one limit for every occasion", "leave one of the two out")
            out[occasion] = as_number(where, value, unit)
    return out
