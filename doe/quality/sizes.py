"""Sizes of change worth seeing, and the noise to see them against: what a user may give, checked once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from doe.quality.spread import Noise
from doe.study import StudyError
from doe.study.factors import as_number


def inside(where: str, value: object) -> float:
    """A number between 0 and 1, or the sentence that says why not."""
    number = as_number(where, value)
    if not 0 < number < 1:
        raise StudyError(where, number, "inside (0, 1)", "0.05 is usual" if where == "alpha" else "0.8 is usual")
    return number


def asked_sizes(change: Any, ratio: Any) -> tuple[str, float | dict[str, float]]:
    """Whether changes or ratios are asked for, and how large: one for all, or by term."""
    if (change is None) == (ratio is None):
        raise StudyError(
            "change and ratio",
            "both" if change is not None else "neither",
            "one of the two",
            "give change=2.0, or ratio=1.5 for a log response",
        )
    kind, given = ("change", change) if ratio is None else ("ratio", ratio)
    if isinstance(given, Mapping):
        if not given:
            raise StudyError(kind, {}, "a mapping of at least one term", "name a term and the change worth seeing")
        return kind, {term: _size(f"{kind} of {term!r}", kind, size) for term, size in given.items()}
    return kind, _size(kind, kind, given)


def _size(where: str, kind: str, given: object) -> float:
    size = as_number(where, given)
    if kind == "ratio" and (size <= 0 or size == 1.0):
        raise StudyError(where, size, "above 0 and not 1", 'give 1.5 for "× 1.5", the smallest ratio worth seeing')
    if kind == "change" and size == 0.0:
        raise StudyError(where, size, "other than 0", "give the smallest change worth seeing, on the fitted scale")
    return size


def spreads(noise: Noise) -> dict[str, float]:
    """Column name -> σ."""
    out = {"power": noise.sigma}
    if noise.low is not None and noise.high is not None:
        out = {"power_low_noise": noise.low, "power": noise.sigma, "power_high_noise": noise.high}
    if noise.upper is not None:
        out["power_at_upper_limit"] = noise.upper
    return out
