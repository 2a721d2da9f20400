"""Factors: what may be set at the bench, over which range, how well the bench holds it. Coded units map [low, high] to [-1, 1]."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite
from numbers import Real
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.study.errors import StudyError

# columns that tables carry beside factors and responses
RESERVED = (
    "run",
    "order",
    "block",
    "whole_plot",
    "replicate",
    "batch",
    "readings",
    "remark",
    "time",
    "condition",
    "response",
    "value",
)


def check_name(kind: str, name: object) -> None:
    """Refuse a name that could not head a column or stand in a term."""
    where = f"{kind}: name"
    if not isinstance(name, str) or not name.strip():
        raise StudyError(where, name, "a text of at least one letter", "give it the name the laboratory uses")
    if name != name.strip():
        raise StudyError(where, name, "a text without blanks at its ends", f"write {name.strip()!r}")
    if "`" in name or not name.isprintable():
        raise StudyError(where, name, "a text without backticks, tabs or line breaks", "leave those characters out")
    if name.lower() in RESERVED:
        raise StudyError(
            where, name, "another word than the columns " + ", ".join(RESERVED), "say more exactly what it is"
        )


def as_number(where: str, value: object, unit: str = "") -> float:
    """A finite number as a plain float, or the sentence that says why not."""
    if isinstance(value, bool) or not isinstance(value, Real) or not isfinite(value):
        raise StudyError(where, value, "a finite number", f"give it in {unit}" if unit else "give it as a number")
    return float(value)  # plain floats: NumPy scalars do not save to JSON


def _check_flag(where: str, value: object) -> None:
    if not isinstance(value, bool):
        raise StudyError(where, value, "True or False", "say whether every beaker can have its own setting")


def _check_text(where: str, value: object) -> None:
    if not isinstance(value, str):
        raise StudyError(where, value, "a text", "put it in quotation marks")


def _set(obj: object, field: str, value: object) -> None:
    object.__setattr__(obj, field, value)


class _Labelled:
    """What every factor can say of itself."""

    name: str

    @property
    def label(self) -> str:
        """The name with its unit, as axes and column heads show it."""
        unit = getattr(self, "unit", "")
        return f"{self.name} ({unit})" if unit else self.name


def _check_step(where: str, factor: Any) -> None:
    if factor.step is not None:
        step = as_number(f"{where}: step", factor.step, factor.unit)
        if step <= 0:
            raise StudyError(
                f"{where}: step", step, "above 0", "give the smallest change the bench can set, or leave it out"
            )
        if step > factor.high - factor.low:
            raise StudyError(
                f"{where}: step",
                step,
                f"no more than the range ({factor.high - factor.low:g} {factor.unit})".replace(" )", ")"),
                "give the smallest change the bench can set",
            )
        _set(factor, "step", step)


def _check_setting_sd(where: str, factor: Any) -> None:
    sd = as_number(f"{where}: setting_sd", factor.setting_sd, factor.unit)
    if sd < 0:
        raise StudyError(
            f"{where}: setting_sd",
            sd,
            "0 or above",
            "give the standard deviation of how well the bench holds the setting",
        )
    _set(factor, "setting_sd", sd)


def _check_range(where: str, factor: Any) -> None:
    for field in ("low", "high"):
        _set(factor, field, as_number(f"{where}: {field}", getattr(factor, field), factor.unit))
    if factor.low >= factor.high:
        unit = f" {factor.unit}" if factor.unit else ""
        raise StudyError(
            f"{where}: low", factor.low, f"below high ({factor.high:g}{unit})", "swap the two or widen the range"
        )


@dataclass(frozen=True)
class Continuous(_Labelled):
    """A factor that can take any value from `low` to `high`.

    Parameters
    ----------
    name : str
        As the laboratory says it; shown unchanged everywhere.
    low, high : float
        The range studied, in `unit`; coded −1 and +1.
    unit : str
        Unit of every figure given here.
    step : float, optional
        The smallest change the bench can set (0.01 %, 50 rpm), counted from zero.
    limits : tuple of (float or None, float or None)
        What no plan, extension or set point may cross: a legal maximum, the rated speed, zero.
    setting_sd : float
        Standard deviation of how well the bench holds the setting.
    hard_to_change : bool
        Whether several batches must share one setting (a gel base that feeds several beakers).

    Raises
    ------
    StudyError
        If a figure is not finite, low is not below high, or limits cut the range.
    """

    name: str
    low: float
    high: float
    unit: str = ""
    step: float | None = None
    limits: tuple[float | None, float | None] = (None, None)
    setting_sd: float = 0.0
    hard_to_change: bool = False

    def __post_init__(self) -> None:
        check_name("factor", self.name)
        where = f"factor {self.name!r}"
        _check_text(f"{where}: unit", self.unit)
        _check_flag(f"{where}: hard_to_change", self.hard_to_change)
        _check_range(where, self)
        _check_setting_sd(where, self)
        _check_step(where, self)
        if isinstance(self.limits, str) or not isinstance(self.limits, Iterable) or len(tuple(self.limits)) != 2:
            raise StudyError(
                f"{where}: limits", self.limits, "two values, either of which may be None", "write (least, most)"
            )
        least, most = (None if v is None else as_number(f"{where}: limits", v, self.unit) for v in self.limits)
        if least is not None and least > self.low:
            raise StudyError(
                f"{where}: limits", least, f"no higher than low ({self.low:g})", "raise low or lower the limit"
            )
        if most is not None and most < self.high:
            raise StudyError(
                f"{where}: limits", most, f"no lower than high ({self.high:g})", "lower high or raise the limit"
            )
        _set(self, "limits", (least, most))


@dataclass(frozen=True)
class Discrete(_Labelled):
    """A numeric factor of which only certain levels can be set.

    Parameters
    ----------
    name, unit, hard_to_change, setting_sd
        As for `Continuous`.
    levels : sequence of float
        The levels that can be set, at least two; kept in ascending order. Lowest and highest are coded −1 and +1.

    Raises
    ------
    StudyError
        If there are fewer than two different finite levels.
    """

    name: str
    levels: tuple[float, ...]
    unit: str = ""
    hard_to_change: bool = False
    setting_sd: float = 0.0

    def __post_init__(self) -> None:
        check_name("factor", self.name)
        where = f"factor {self.name!r}"
        _check_text(f"{where}: unit", self.unit)
        _check_flag(f"{where}: hard_to_change", self.hard_to_change)
        if isinstance(self.levels, str) or not isinstance(self.levels, Iterable):
            raise StudyError(f"{where}: levels", self.levels, "a list of numbers", "write [400, 600, 800]")
        levels = sorted(as_number(f"{where}: levels", v, self.unit) for v in self.levels)
        if len(set(levels)) < 2 or len(set(levels)) != len(levels):
            raise StudyError(
                f"{where}: levels", levels, "at least two levels, all different", "add a level or leave the factor out"
            )
        _set(self, "levels", tuple(levels))
        _check_setting_sd(where, self)

    @property
    def low(self) -> float:
        """The lowest level, coded −1."""
        return self.levels[0]

    @property
    def high(self) -> float:
        """The highest level, coded +1."""
        return self.levels[-1]


@dataclass(frozen=True)
class Categorical(_Labelled):
    """A factor whose levels are kinds, not amounts: a supplier, a type of impeller.

    Parameters
    ----------
    name, hard_to_change
        As for `Continuous`.
    levels : sequence of str
        At least two; sum-to-zero coded in the order given, the last level being −1 in every contrast.

    Raises
    ------
    StudyError
        If there are fewer than two different levels, or one is not a text.
    """

    name: str
    levels: tuple[str, ...]
    hard_to_change: bool = False

    def _check_name(self) -> None:
        check_name("factor", self.name)

    def __post_init__(self) -> None:
        self._check_name()
        where = f"factor {self.name!r}"
        _check_flag(f"{where}: hard_to_change", self.hard_to_change)
        if isinstance(self.levels, str) or not isinstance(self.levels, Iterable):
            raise StudyError(f"{where}: levels", self.levels, "a list of texts", 'write ["anchor", "propeller"]')
        levels = tuple(self.levels)
        for level in levels:
            if not isinstance(level, str) or not level.strip():
                raise StudyError(
                    f"{where}: level", level, "a text", "put it in quotation marks, or use Discrete for numbers"
                )
        if len(levels) < 2 or len(set(levels)) != len(levels):
            raise StudyError(
                f"{where}: levels",
                list(levels),
                "at least two levels, all different",
                "add a level or leave the factor out",
            )
        _set(self, "levels", tuple(str(v) for v in levels))


@dataclass(frozen=True)
class StorageCondition(Categorical):
    """The storage conditions of a fit over several of them: a factor under the name of their column, which no other factor may bear."""

    def _check_name(self) -> None:
        assert self.name == "condition"  # made by fits alone


@dataclass(frozen=True)
class Component(_Labelled):
    """A part of a mixture: the components of a study add up to its mixture total.

    Parameters
    ----------
    name, step, setting_sd, hard_to_change
        As for `Continuous`.
    low, high : float
        Least and most of it, in `unit` (the unit of the mixture total), 0 or above.

    Raises
    ------
    StudyError
        If low is below 0 or not below high.
    """

    name: str
    low: float
    high: float
    unit: str = "%"
    step: float | None = None
    setting_sd: float = 0.0
    hard_to_change: bool = False

    def __post_init__(self) -> None:
        check_name("factor", self.name)
        where = f"factor {self.name!r}"
        _check_text(f"{where}: unit", self.unit)
        _check_flag(f"{where}: hard_to_change", self.hard_to_change)
        _check_range(where, self)
        if self.low < 0:
            raise StudyError(f"{where}: low", self.low, "0 or above", "an amount cannot be negative")
        _check_setting_sd(where, self)
        _check_step(where, self)


@dataclass(frozen=True)
class Covariate(_Labelled):
    """Something measured, not set: room temperature, the acidity of a lot.

    Plans leave it open, sheets ask for it, fits use it where it was measured. Coded (value − mean)/sd, in the mean and SD given here.

    Parameters
    ----------
    name, unit
        As for `Continuous`.
    mean, sd : float, optional
        Its law in future batches, normal; both or neither. Left out, fits take those of the batches measured, and say so.

    Raises
    ------
    StudyError
        If only one of mean and sd is given, or sd is not above 0.
    """

    name: str
    unit: str = ""
    mean: float | None = None
    sd: float | None = None

    def __post_init__(self) -> None:
        check_name("covariate", self.name)
        where = f"covariate {self.name!r}"
        _check_text(f"{where}: unit", self.unit)
        for field in ("mean", "sd"):
            value = getattr(self, field)
            if value is not None:
                _set(self, field, as_number(f"{where}: {field}", value, self.unit))
        if (self.mean is None) != (self.sd is None):
            field = "mean" if self.mean is None else "sd"
            raise StudyError(f"{where}: {field}", None, "given where the other is", "give both, or neither")
        if self.sd is not None and self.sd <= 0:
            raise StudyError(f"{where}: sd", self.sd, "above 0", "give how much it varies from batch to batch")

    def coded(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values as (value − mean)/sd; unchanged where no law is given."""
        mean, sd = self.law
        return (values - mean) / sd

    @property
    def law(self) -> tuple[float, float]:
        """Mean and SD by which it is coded: 0 and 1 where none are given."""
        return (0.0, 1.0) if self.mean is None or self.sd is None else (self.mean, self.sd)


Factor = Continuous | Discrete | Categorical | Component
