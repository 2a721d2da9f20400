"""Responses: what is measured on a batch, its specification, and the scale on which it is fitted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.study.errors import StudyError
from doe.study.factors import _check_text, _Labelled, _set, as_number, check_name

Floats = NDArray[np.float64]
Transform = None | str | tuple[str, float] | tuple[str, float, float]


def _checked_transform(where: str, transform: object) -> Transform:
    allowed = 'None, "log", "sqrt", ("logit", low, high) or ("box-cox", lambda)'
    if transform is None or transform in ("log", "sqrt"):
        return transform
    if isinstance(transform, Iterable) and not isinstance(transform, str):
        kind, *figures = tuple(transform)
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
    low, high : float, optional
        Specification limits; either may be None.
    transform : None, "log", "sqrt", ("logit", low, high) or ("box-cox", lambda)
        Scale on which it is fitted. "log" is natural; a Box–Cox value is (y^λ − 1)/λ.
    decimals : int, optional
        Decimals with which its readings and limits are shown.

    Raises
    ------
    StudyError
        If low is not below high, or a limit is one that the transformed scale can never reach.
    """

    name: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    transform: Transform = None
    decimals: int | None = None

    def __post_init__(self) -> None:
        check_name("response", self.name)
        where = f"response {self.name!r}"
        _check_text(f"{where}: unit", self.unit)
        for field in ("low", "high"):
            value = getattr(self, field)
            if value is not None:
                _set(self, field, as_number(f"{where}: {field}", value, self.unit))
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise StudyError(
                f"{where}: low", self.low, f"below high ({self.high:g})", "swap the two or widen the specification"
            )
        _set(self, "transform", _checked_transform(where, self.transform))
        if self.decimals is not None and (
            isinstance(self.decimals, bool) or not isinstance(self.decimals, int) or not 0 <= self.decimals <= 12
        ):
            raise StudyError(
                f"{where}: decimals", self.decimals, "a whole number from 0 to 12", "say how many decimals to show"
            )
        bottom, top = self.domain
        if self.high is not None and self.high <= bottom:
            raise StudyError(
                f"{where}: high",
                self.high,
                f"above {bottom:g}, the least its scale reaches",
                "raise the limit or change the transform",
            )
        if self.low is not None and self.low >= top:
            raise StudyError(
                f"{where}: low",
                self.low,
                f"below {top:g}, the most its scale reaches",
                "lower the limit or change the transform",
            )

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
