"""Chance of meeting every limit: the share of draws inside, and a smooth stand-in for it with its slope.

Everything here is an array. A draw of response j at a setting is `terms @ coefficients[j]`, already moved and scaled by
`standardised` so that inside means |value| ≤ 1 for two limits and value ≤ 0 for one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

# Multiplications of one small product: it stays in a core's cache, and the linear algebra library takes it on one thread. More
# threads gain nothing at this size, and wait for each other where other work shares the machine.
PRODUCT = 1 << 18
WIDE = 1 << 9  # draws taken at a time


def _rows(q: int, draws: int) -> int:
    return max(1, PRODUCT // (q * draws))


@dataclass(frozen=True)
class Draws:
    """Folded draws of every response, ready to be counted.

    Attributes
    ----------
    coefficients : ndarray, float32, shape (r, q, draws)
        Standardised by the limits.
    two_sided : ndarray of bool, shape (r,)
        Whether the response has both limits.
    spread : ndarray, shape (r,)
        Typical standard deviation of a response's draws at one setting, in standardised units.
    effective : float
        How many independent draws they are worth.
    """

    coefficients: Singles
    two_sided: NDArray[np.bool_]
    spread: Floats
    effective: float

    def __getstate__(self) -> dict[str, Any]:
        """Without what is worked out again in less time than it takes to send."""
        return {name: value for name, value in self.__dict__.items() if name != "packed"}

    @property
    def draws(self) -> int:
        """Number of draws."""
        return self.coefficients.shape[2]

    def part(self, first: int, last: int) -> Draws:
        """Some of them, from one place to before another."""
        if first == 0 and last >= self.draws:
            return self
        some = self.coefficients[:, :, first:last]
        return replace(self, coefficients=some, effective=self.effective * some.shape[2] / self.draws)

    @cached_property
    def packed(self) -> tuple[Singles, Singles, Singles]:
        """Coefficients with zeros added to make a multiple of four terms, eight at least, and the limits as the kernels compare them."""
        r, q, total = self.coefficients.shape
        wide = max(8, -(-q // 4) * 4)
        C = np.ascontiguousarray(self.coefficients)
        if wide > q:
            C = np.concatenate([C, np.zeros((r, wide - q, total), dtype=np.float32)], axis=1)
        low = np.where(self.two_sided, -1.0, -np.inf).astype(np.float32)
        return C, low, self.two_sided.astype(np.float32)


def standardised(
    folded: list[Floats], low: Sequence[Any], high: Sequence[Any], spread: Floats, effective: float, back: Floats
) -> Draws:
    """Move and scale each response's coefficients so that its limits become ±1, or 0 from below.

    Parameters
    ----------
    folded : list of ndarray, each (draws, q)
        Coefficients over the shared basis, the constant first, on the fitted scale.
    low, high : sequence of ndarray, each (draws,) or a number
        Limits on the fitted scale, infinite where open; at least one is finite. A score's limits are drawn with its cut-points.
    spread : ndarray, shape (r,)
        Typical standard deviation of a response's draws at one setting, fitted scale; the unit of responses with one limit.
    effective : float
        How many independent draws they are worth.
    back : ndarray, shape (q, q)
        Change to the well-scaled basis; applied once the limits are taken off, while everything is in double precision.

    Returns
    -------
    Draws
    """
    out = []
    two_sided = np.array([np.isfinite(a).all() and np.isfinite(b).all() for a, b in zip(low, high, strict=True)])
    typical = np.empty(len(folded))
    for j, c in enumerate(folded):
        if two_sided[j]:
            centre, scale = (low[j] + high[j]) / 2.0, 2.0 / (high[j] - low[j])
        elif np.isfinite(high[j]).all():
            centre, scale = high[j], 1.0 / spread[j]
        else:
            centre, scale = low[j], -1.0 / spread[j]
        moved = c.copy()
        moved[:, 0] -= centre
        out.append(back @ (np.reshape(scale, (-1, 1)) * moved).T)
        typical[j] = spread[j] * np.abs(np.median(scale))
    stacked = np.ascontiguousarray(np.stack(out), dtype=np.float32)
    return Draws(stacked, two_sided, typical, effective)


def inside_counts(terms: Singles, draws: Draws, each: bool = False) -> NDArray[np.int64]:
    """How many draws meet every limit at each setting.

    Parameters
    ----------
    terms : ndarray, float32, shape (N, q)
        Terms at the settings.
    draws : Draws
        What to count.
    each : bool
        Count every response by itself instead.

    Returns
    -------
    ndarray of int, shape (N, 1) or (N, r)
    """
    r, q, total = draws.coefficients.shape
    counts = np.zeros((len(terms), r if each else 1), dtype=np.int64)
    width = min(total, WIDE)
    rows = _rows(q, width)
    value = np.empty((rows, width), dtype=np.float32)
    meets = np.empty((rows, width), dtype=bool)
    every = np.empty((rows, width), dtype=bool)
    for first in range(0, total, width):
        part = draws.coefficients[:, :, first : first + width]
        size = part.shape[2]
        for start in range(0, len(terms), rows):
            block = terms[start : start + rows]
            k = len(block)
            z, ok, all_ok = value[:k, :size], meets[:k, :size], every[:k, :size]
            for j in range(r):
                np.matmul(block, part[j], out=z)
                if draws.two_sided[j]:
                    np.abs(z, out=z)
                np.less_equal(z, np.float32(1.0 if draws.two_sided[j] else 0.0), out=ok)
                if each:
                    counts[start : start + k, j] += [np.count_nonzero(row) for row in ok]
                elif j == 0:
                    np.copyto(all_ok, ok)
                else:
                    np.logical_and(all_ok, ok, out=all_ok)
            if not each:
                counts[start : start + k, 0] += [np.count_nonzero(row) for row in all_ok]
    return counts


def condensed(terms: Floats, draws: Draws) -> tuple[Floats, Draws]:
    """The same products from fewer terms, where the settings vary in few directions only, as on a map.

    Parameters
    ----------
    terms : ndarray, shape (N, q)
        Terms at the settings, in double precision.
    draws : Draws
        Their coefficients.

    Returns
    -------
    terms, draws
        With s columns and coefficients, s the rank of the terms to single precision.
    """
    if len(terms) < 10 * terms.shape[1]:
        return terms, draws
    size, directions = np.linalg.eigh(terms.T @ terms)
    kept = size > 1e-14 * size[-1]
    if kept.all():
        return terms, draws
    onto = directions[:, kept]
    fewer = np.ascontiguousarray(onto.T.astype(np.float32) @ draws.coefficients)
    return terms @ onto, replace(draws, coefficients=fewer)


class Counted(Protocol):
    """How many draws there were, and how many independent ones they are worth."""

    @property
    def draws(self) -> int:
        """Number of draws."""
        ...

    @property
    def effective(self) -> float:
        """How many independent draws they are worth."""
        ...


def chance_and_error(counts: NDArray[np.int64], draws: Counted) -> tuple[Floats, Floats]:
    """Share of draws inside and its Monte-Carlo standard error.

    The error uses (count + 1) / (draws + 2), so that a share of 0 or 1 does not claim to be exact.
    """
    shrunk = (counts + 1.0) / (draws.draws + 2.0)
    return counts / draws.draws, np.sqrt(shrunk * (1.0 - shrunk) / draws.effective)


def smooth_chance(terms: Singles, draws: Draws, width: float, slope: bool = True) -> tuple[Floats, Floats]:
    """The chance with every limit softened by a logistic of a given width, and its slope by the terms.

    Parameters
    ----------
    terms : ndarray, float32, shape (N, q)
        Terms at the settings.
    draws : Draws
        What to count.
    width : float
        Width of the logistic, in spreads of each response.
    slope : bool
        Whether the slope is wanted.

    Returns
    -------
    chance : ndarray, shape (N,)
    slope : ndarray, shape (N, q)
        Zeros where it is not wanted.
    """
    r, q, total = draws.coefficients.shape
    chance = np.zeros(len(terms))
    by_terms = np.zeros((len(terms), q))
    rows = _rows(q, total)
    for start in range(0, len(terms), rows):
        block = terms[start : start + rows]
        product: Singles | None = None
        pulls = []
        for j in range(r):
            half = np.float32(0.5 / (width * draws.spread[j]))
            z = block @ draws.coefficients[j]
            if draws.two_sided[j]:
                upper = np.tanh((1.0 - z) * half)
                lower = np.tanh((1.0 + z) * half)
                meets = (0.25 * (1.0 + upper)) * (1.0 + lower)
                pull = (upper - lower) * half  # d log meets / dz
            else:
                upper = np.tanh(-z * half)
                meets = 0.5 * (1.0 + upper)
                pull = -(1.0 + np.tanh(z * half)) * half
            product = meets if product is None else product * meets
            pulls.append(pull)
        assert product is not None
        chance[start : start + len(block)] = product.mean(axis=1, dtype=np.float64)
        if slope:
            for j, pull in enumerate(pulls):
                by_terms[start : start + len(block)] += (product * pull) @ draws.coefficients[j].T
    return chance, by_terms / total
