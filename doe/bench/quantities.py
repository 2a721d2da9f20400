"""Figures with their units: "45 mm", "600 rpm", "12000 cP" or a pint quantity, taken to the unit in which a function reckons.

Unit names are those of ISO 80000 (m, kg, s, Pa·s, s⁻¹, r/min) and the trade's rpm and cP.
"""

from __future__ import annotations

import math
import re
from functools import cache
from typing import TYPE_CHECKING, Any

from doe.bench.numerals import DoubtError, number_from
from doe.study import StudyError
from doe.study.factors import as_number

if TYPE_CHECKING:
    from pint import Quantity

    Measure = float | str | Quantity[Any]  # what a public function takes for a figure with a unit

# what a unit measures, and a text that a chemist would write
_KINDS = {
    "m": ("a length", "45 mm"),
    "rpm": ("a speed of rotation", "600 rpm"),
    "1/s": ("a rate", "180 1/s"),
    "Pa·s": ("a viscosity", "12000 mPa·s"),
    "kg/m³": ("a density", "1.02 g/mL"),
    "m³": ("a volume", "200 mL"),
    "N/m": ("a tension", "10 mN/m"),
    "g": ("a mass", "200 g"),
    "°C": ("a temperature", "25 °C"),
}
UNITS = frozenset(_KINDS)
_NUMBER = "(?P<number>[-+−]?[0-9][0-9 .,'’\u00a0\u2009\u202f]*(?:[eE][-+]?[0-9]+)?)"
_TEXT = re.compile(rf"\s*{_NUMBER}\s*(?P<unit>[^0-9\s].*)?")
_RATE = re.compile(rf"\s*{_NUMBER}\s+(?P<unit>1\s*/.*)")  # "180 1/s"
_POWERS = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")


@cache
def _registry() -> Any:
    """The one registry, made when it is first needed, since that takes a while."""
    import pint

    return pint.UnitRegistry()


def quantity(where: str, value: object, unit: str) -> float:
    """A figure in a unit.

    Parameters
    ----------
    where : str
        Name of the argument.
    value : float, str or pint quantity
        A plain number is in that unit already; a text is a number with its unit.
    unit : str
        One of those listed above.

    Returns
    -------
    float

    Raises
    ------
    StudyError
        If it is neither, the unit is not known, or it measures something else.
    """
    if isinstance(value, str):
        return _of_text(where, value, unit)
    if hasattr(value, "magnitude") and hasattr(value, "units"):
        # of the user's own registry, which knows nothing of this one: taken over by name
        return _converted(where, value.magnitude, f"{value.units:D}", unit, str(value))
    return as_number(where, value, unit)


def _of_text(where: str, text: str, unit: str) -> float:
    _, example = _KINDS[unit]
    match = _RATE.fullmatch(text) or _TEXT.fullmatch(text)
    if match is None or not match["unit"]:
        found = "a number with its unit" if match is None else f"a number with its unit, as in {example!r}"
        mend = f"write {example!r}" if match is None else f"add the unit, or give the bare number in {unit}"
        raise StudyError(where, text, found, mend)
    try:
        number = number_from(match["number"].strip())
    except DoubtError as doubt:
        raise StudyError(where, text, doubt.allowed, doubt.mend) from doubt
    return _converted(where, number, match["unit"].strip(), unit, text)


def _converted(where: str, number: object, given: str, unit: str, shown: str) -> float:
    import pint

    kind, example = _KINDS[unit]
    size = as_number(where, number, unit)
    try:
        made = _registry().Quantity(size, _spelled(given))
        turning = "radian" in {str(name) for name, _ in made.to_root_units().unit_items()}
        if unit == "1/s" and turning:
            raise pint.DimensionalityError(made.units, unit)
        if unit == "rpm":
            # pint reckons a turn as 2π radians, while a stirrer's 60 rpm are 1/s (ISO 80000-3: rotational frequency, r/min)
            return float(
                made.to("radian/minute").magnitude / (2 * math.pi) if turning else made.to("1/minute").magnitude
            )
        return float(made.to(_spelled(unit)).magnitude)
    except pint.DimensionalityError as problem:
        raise StudyError(
            where, shown, f"{kind}, as in {example!r}", f"give it in {unit}, or with a unit of the kind"
        ) from problem
    except Exception as problem:  # an unknown unit, or a text that is none: the parser raises whatever it met
        raise StudyError(
            where, shown, f"{kind} in a known unit, as in {example!r}", f"{given!r} is not known as a unit"
        ) from problem


def _spelled(unit: str) -> str:
    """A unit as pint reads it."""
    text = unit.replace("−", "-").replace("·", "*").replace("⋅", "*").replace("µ", "u").replace("μ", "u")
    text = re.sub(r"[⁻⁰¹²³⁴-⁹]+", lambda m: "**" + m[0].translate(_POWERS), text)
    text = re.sub(r"(?<=[A-Za-z])-([0-9])", r"**-\1", text)  # "s-1"
    return {"°C": "degC", "r/min": "rpm", "U/min": "rpm", "r/s": "turn/second"}.get(text, text)
