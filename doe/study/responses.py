"""Responses: what is measured on a batch, its specification, and the scale on which it is fitted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.study.errors import StudyError, nearest
from doe.study.factors import _check_text, _Labelled, _set, as_number, check_name
from doe.study.formulas import Formula, parse_formula
from doe.study.occasions import (
    Limits,
    Occasion,
    checked_conditions,
    checked_limits,
    checked_times,
    found_occasion,
    occasion_text,
)

Floats = NDArray[np.float64]
Transform = None | str | tuple[str, float] | tuple[str, float, float]


def _checked_transform(where: str, transform: object) -> Transform:
    allowed = 'None, "log", "sqrt", ("logit", low, high) or ("box-cox", lambda)'
    if transform is None or transform in ("log", "sqrt"):
        return transform
    if isinstance(transform, Iterable) and not isinstance(transform, str):
        kind, *figures = tuple(transform) or (None,)
        if kind == "logit" and len(figures) == 2:
            low, high = (as_number(f"{where}: transform", v) for v in figures)
            if low >= high:
                raise StudyError(
                    f"{where}: transform", transform, "a logit whose low is below its high", "swap the two"
                )
            return ("logit", low, high)
        if kind == "box-cox" and len(figures) == 1:
            return ("box-cox", as_number(f"{where}: transform", figures[0]))
    raise StudyError(f"{where}: transform", transform, allowed, "choose one of these; log is the natural logarithm")


@dataclass(frozen=True)
class Response(_Labelled):
    """A property measured on every batch.

    Parameters
    ----------
    name : str
        As the laboratory says it.
    unit : str
        Unit of its readings and limits.
    low, high : float or mapping, optional
        Specification limits; either may be None. A mapping (time, condition) -> limit gives each occasion its own.
    transform : None, "log", "sqrt", ("logit", low, high) or ("box-cox", lambda)
        Scale on which it is fitted. "log" is natural; a Box–Cox value is (y^λ − 1)/λ.
    scale : tuple of (int, int), optional
        Lowest and highest score of an ordinal scale, such as (1, 5): its readings are whole scores and are fitted as such.
    decimals : int, optional
        Decimals with which its readings and limits are shown.
    goal : "high", "low" or float, optional
        What would be best, for desirability only.
    times : sequence of str
        When it is read, counted from the making of the batch: "24 h", "4 wk". Kept in order.
    conditions : sequence of str
        Under what storage conditions it is read: "25 °C", "40 °C".
    formula : str, optional
        How a derived response is worked out: "viscosity[4 wk] / viscosity[24 h]". It is not read itself.

    Raises
    ------
    StudyError
        If low is not below high, a limit is one that the scale can never reach, or a time, condition or formula cannot be read.
    """

    name: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    transform: Transform = None
    scale: tuple[int, int] | None = None
    decimals: int | None = None
    goal: str | float | None = None
    times: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    formula: str | None = None

    def __post_init__(self) -> None:
        check_name("response", self.name)
        where = f"response {self.name!r}"
        _check_text(f"{where}: unit", self.unit)
        _set(self, "times", checked_times(where, self.times))
        _set(self, "conditions", checked_conditions(where, self.conditions))
        for field in ("low", "high"):
            value = getattr(self, field)
            if isinstance(value, Mapping):
                limits = checked_limits(f"{where}: {field}", value, self.times, self.conditions, self.unit)
                _set(self, field, limits or None)
            elif value is not None:
                _set(self, field, as_number(f"{where}: {field}", value, self.unit))
        _set(self, "transform", _checked_transform(where, self.transform))
        if self.decimals is not None and (
            isinstance(self.decimals, bool) or not isinstance(self.decimals, int) or not 0 <= self.decimals <= 12
        ):
            raise StudyError(
                f"{where}: decimals", self.decimals, "a whole number from 0 to 12", "say how many decimals to show"
            )
        self._check_scale(where)
        self._check_goal(where)
        if self.formula is not None:
            self._check_formula(where)
        for occasion in self.occasions:
            self._check_limits(occasion_text(where, occasion), *self._limits_at(occasion))

    def _check_scale(self, where: str) -> None:
        if self.scale is None:
            return
        ends = () if isinstance(self.scale, str) or not isinstance(self.scale, Iterable) else tuple(self.scale)
        whole = all(isinstance(v, int | np.integer) and not isinstance(v, bool) for v in ends)
        if len(ends) != 2 or not whole or ends[0] >= ends[1]:
            raise StudyError(f"{where}: scale", self.scale, "two whole scores, the lower first", "write (1, 5)")
        if self.transform is not None:
            raise StudyError(
                f"{where}: transform", self.transform, "left out for a score, which is fitted as such", "leave it out"
            )
        _set(self, "scale", (int(ends[0]), int(ends[1])))

    def _check_goal(self, where: str) -> None:
        if self.goal is None:
            return
        if isinstance(self.goal, str):
            if self.goal not in ("high", "low"):
                raise StudyError(f"{where}: goal", self.goal, '"high", "low" or a target value', "say which is best")
        else:
            _set(self, "goal", as_number(f"{where}: goal", self.goal, self.unit))

    def _check_formula(self, where: str) -> None:
        for field in ("times", "conditions", "scale"):
            if getattr(self, field):
                raise StudyError(
                    f"{where}: {field}",
                    getattr(self, field),
                    f"left out for a derived response, whose formula names the {field} it needs"
                    if field != "scale"
                    else "left out for a derived response, which is worked out and not scored",
                    "leave it out, or leave the formula out",
                )
        if self.name in [need.partition("[")[0].strip() for need in self.derivation.needs]:
            raise StudyError(
                f"{where}: formula", self.formula, "a formula over other responses", "name what it comes from"
            )

    def _check_limits(self, where: str, low: float | None, high: float | None) -> None:
        if low is not None and high is not None and low >= high:
            raise StudyError(f"{where}: low", low, f"below high ({high:g})", "swap the two or widen the specification")
        if self.scale is not None:
            bottom, top = self.scale
            for field, value in (("low", low), ("high", high)):
                if value is not None and not bottom <= value <= top:
                    raise StudyError(
                        f"{where}: {field}",
                        value,
                        f"from {bottom} to {top}, the ends of its scale",
                        "correct the limit or the scale",
                    )
            return
        least, most = self.domain
        if high is not None and high <= least:
            raise StudyError(
                f"{where}: high",
                high,
                f"above {least:g}, the least its scale reaches",
                "raise the limit or change the transform",
            )
        if low is not None and low >= most:
            raise StudyError(
                f"{where}: low",
                low,
                f"below {most:g}, the most its scale reaches",
                "lower the limit or change the transform",
            )

    # ---- when and under what condition it is read

    @cached_property
    def derivation(self) -> Formula:
        """The formula of a derived response, read."""
        return parse_formula(self.formula, f"response {self.name!r}")

    @property
    def occasions(self) -> tuple[Occasion, ...]:
        """Every (time, condition) at which it is read, times first; "" stands where it has none."""
        return tuple((t, c) for t in self.times or ("",) for c in self.conditions or ("",))

    def occasion(self, time: object = None, condition: object = None) -> Occasion:
        """The occasion meant by a time and a condition; either may be left out where there is only one.

        Raises
        ------
        StudyError
            If the response is not read then, or several occasions could be meant.
        """
        return found_occasion(f"response {self.name!r}", self.times, self.conditions, time, condition)

    def at(self, time: object = None, condition: object = None) -> Response:
        """The response as read at one occasion: named by it ("viscosity[4 wk, 40 °C]") where it has several, with that occasion's limits."""
        occasion = self.occasion(time, condition)
        low, high = self._limits_at(occasion)
        name = occasion_text(self.name, occasion) if len(self.occasions) > 1 else self.name
        return replace(self, name=name, low=low, high=high, times=(), conditions=())

    def _limits_at(self, occasion: Occasion) -> tuple[float | None, float | None]:
        low, high = (cast("float | Limits | None", v) for v in (self.low, self.high))
        return (
            low.get(occasion) if isinstance(low, Limits) else low,
            high.get(occasion) if isinstance(high, Limits) else high,
        )

    def named_occasion(self, parts: Iterable[str]) -> Occasion:
        """The occasion of bracketed parts such as ["4 wk", "40 °C"], in either order.

        Raises
        ------
        StudyError
            If a part is neither a time nor a condition of this response, or something is left open.
        """
        time: str | None = None
        condition: str | None = None
        for part in parts:
            if part in self.conditions and condition is None:
                condition = part
            elif time is None and self.times:
                time = part
            else:
                options = [*self.times, *self.conditions]
                raise StudyError(
                    f"response {self.name!r}: occasion",
                    part,
                    f"one of {', '.join(options)}" if options else "left out, as it is read once",
                    nearest(part, options) if options else "leave the brackets out",
                )
        return self.occasion(time, condition)

    @property
    def domain(self) -> tuple[float, float]:
        """Between which values (exclusive) a reading can be transformed."""
        if self.transform is None:
            return -np.inf, np.inf
        if self.transform[0] == "logit":
            return float(self.transform[1]), float(self.transform[2])  # type: ignore[misc]
        return 0.0, np.inf

    @property
    def has_specification(self) -> bool:
        """Whether it has a limit on either side."""
        return self.low is not None or self.high is not None

    @property
    def fitted_label(self) -> str:
        """Name of the fitted scale, for tables and axes."""
        if self.transform is None:
            return self.label
        if self.transform == "log":
            return f"ln {self.name}"
        if self.transform == "sqrt":
            return f"√{self.name}"
        if self.transform[0] == "logit":
            return f"logit {self.name}"
        return f"Box–Cox {self.name} (λ = {self.transform[1]:g})"

    def text(self, value: float) -> str:
        """A value of this response as text, with its decimals and unit."""
        from doe.study.shown import number_text

        figure = number_text(value) if self.decimals is None else f"{value:.{self.decimals}f}"
        return f"{figure} {self.unit}".strip()

    def valid(self, values: ArrayLike) -> NDArray[np.bool_]:
        """Which readings the transform can take: strictly inside its domain (a square root takes 0 too)."""
        y = np.asarray(values, dtype=float)
        bottom, top = self.domain
        inside = (y > bottom) & (y < top)
        return inside | (y == 0) if self.transform == "sqrt" else inside

    def forward(self, values: ArrayLike) -> Floats:
        """Readings to the fitted scale.

        Raises
        ------
        StudyError
            If a reading lies where the transform has no value.
        """
        y = np.asarray(values, dtype=float)
        bad = ~self.valid(y) & ~np.isnan(y)
        if bad.any():
            bottom, top = self.domain
            allowed = f"above {bottom:g}" if np.isinf(top) else f"between {bottom:g} and {top:g}"
            raise StudyError(
                f"response {self.name!r}: reading",
                float(y[bad].flat[0]),
                f"{allowed} for its transform",
                "correct the reading, leave it out with its reason, or choose another transform",
            )
        t = self.transform
        if t is None:
            return y
        if t == "log":
            return np.log(y)
        if t == "sqrt":
            return np.sqrt(y)
        if t[0] == "logit":
            low, high = self.domain
            return np.log((y - low) / (high - y))
        lam = float(t[1])
        return np.log(y) if lam == 0 else np.expm1(lam * np.log(y)) / lam

    def inverse(self, fitted: ArrayLike) -> Floats:
        """Values on the fitted scale back to the response's own; monotone, so medians and limits go through it."""
        z = np.asarray(fitted, dtype=float)
        t = self.transform
        if t is None:
            return z
        if t == "log":
            return np.exp(z)
        if t == "sqrt":
            return np.square(np.maximum(z, 0.0))
        if t[0] == "logit":
            from scipy.special import expit

            low, high = self.domain
            return np.asarray(low + (high - low) * expit(z))
        lam = float(t[1])
        if lam == 0:
            return np.exp(z)
        base = np.maximum(lam * z + 1.0, 0.0)
        with np.errstate(divide="ignore"):
            return np.asarray(base ** (1.0 / lam))

    def slope(self, fitted: ArrayLike) -> Floats:
        """Derivative of `inverse` at values on the fitted scale, for standard errors by the delta method."""
        z = np.asarray(fitted, dtype=float)
        t = self.transform
        if t is None:
            return np.ones_like(z)
        if t == "log":
            return np.exp(z)
        if t == "sqrt":
            return 2.0 * np.maximum(z, 0.0)
        if t[0] == "logit":
            low, high = self.domain
            y = self.inverse(z)
            return np.asarray((y - low) * (high - y) / (high - low))
        lam = float(t[1])
        if lam == 0:
            return np.exp(z)
        base = np.maximum(lam * z + 1.0, 0.0)
        with np.errstate(divide="ignore"):
            return np.asarray(base ** (1.0 / lam - 1.0))

    def log_jacobian(self, values: ArrayLike) -> float:
        """Sum over the readings of log |d forward / dy|: what AICc needs to compare transforms."""
        y = np.asarray(values, dtype=float)
        t = self.transform
        if t is None:
            return 0.0
        if t == "log":
            return float(-np.log(y).sum())
        if t == "sqrt":
            return float(-np.log(2.0 * np.sqrt(y)).sum())
        if t[0] == "logit":
            low, high = self.domain
            return float(np.log((high - low) / ((y - low) * (high - y))).sum())
        return float((float(t[1]) - 1.0) * np.log(y).sum())

    def fitted_limits(self) -> tuple[float, float]:
        """The specification on the fitted scale, −∞ and ∞ where a side is open or its limit lies beyond what the scale reaches."""
        bottom, top = self.domain
        low = -np.inf if self.low is None or self.low <= bottom else float(self.forward(self.low))
        high = np.inf if self.high is None or self.high >= top else float(self.forward(self.high))
        return low, high
