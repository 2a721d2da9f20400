"""The largest prediction variance over a box or a simplex, proved by Bernstein's bounds, on plain arrays.

A polynomial lies within the hull of its Bernstein coefficients, and at a corner equals one: cells whose largest coefficient is below the best
value met are dropped, the others halved, until nothing is left or the budget is spent. What is then left of the bound is the stated error.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator
from functools import cache
from itertools import product
from math import comb

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Function = Callable[[Floats], Floats]


@cache
def _line(degree: int) -> Floats:
    """Values at i/degree to Bernstein coefficients, shape (degree + 1, degree + 1)."""
    t = np.arange(degree + 1) / degree
    basis = np.array([[comb(degree, j) * x**j * (1 - x) ** (degree - j) for j in range(degree + 1)] for x in t])
    return np.asarray(np.linalg.inv(basis))


@cache
def _lattice(corners: int, degree: int) -> tuple[Floats, Floats]:
    """Barycentric lattice of a simplex, (N, corners), and values there to Bernstein coefficients, (N, N)."""
    steps = list(_compositions(degree, corners))
    counts = np.array(steps, dtype=float)
    points = counts / degree
    log_choose = [np.prod([comb(sum(c[: i + 1]), c[i]) for i in range(corners)], dtype=float) for c in steps]
    with np.errstate(divide="ignore", invalid="ignore"):
        basis = np.array([np.prod(points**c, axis=1) for c in counts]).T * np.array(log_choose)
    return points, np.asarray(np.linalg.inv(basis))


def _compositions(total: int, parts: int) -> Iterator[tuple[int, ...]]:
    if parts == 1:
        yield (total,)
        return
    for first in range(total + 1):
        for rest in _compositions(total - first, parts - 1):
            yield (first, *rest)


def largest_on_box(
    f: Function, low: Floats, high: Floats, degree: NDArray[np.int64], tolerance: float, cells: int
) -> tuple[float, float, Floats]:
    """Largest value of a polynomial over a box.

    Parameters
    ----------
    f : callable
        (N, k) points to (N,) values; a polynomial of at most `degree[i]` in coordinate i.
    low, high : ndarray, shape (k,)
    degree : ndarray of int, shape (k,)
        0 where f does not depend on the coordinate.
    tolerance : float
        Stop when the bound is within this share of the best value.
    cells : int
        Budget.

    Returns
    -------
    value : float
        The best value met.
    bound : float
        No point of the box exceeds it.
    where : ndarray, shape (k,)

    References
    ----------
    Garloff, J. (1993). The Bernstein algorithm. Interval Computations 2, 154-168.
    """
    unit = [np.arange(d + 1) / d if d else np.array([0.5]) for d in degree]
    grid = np.array(list(product(*unit)))
    shape = tuple(int(d) + 1 for d in degree)

    def cell(a: Floats, b: Floats) -> tuple[float, float, Floats]:
        points = a + grid * (b - a)
        values = f(points)
        best = int(values.argmax())
        coefficients = values.reshape(shape)
        for axis, d in enumerate(degree):
            if d > 1:
                coefficients = np.moveaxis(np.tensordot(_line(int(d)), coefficients, axes=(1, axis)), 0, axis)
        return float(values[best]), float(coefficients.max()), points[best]

    def halves(key: tuple[Floats, Floats]) -> list[tuple[Floats, Floats]]:
        a, b = key
        axis = int(np.argmax((b - a) / (high - low) * (degree > 0)))
        middle = 0.5 * (a[axis] + b[axis])
        left, right = b.copy(), a.copy()
        left[axis], right[axis] = middle, middle
        return [(a, left), (right, b)]

    return _search([(low, high)], cell, halves, tolerance, cells)


def largest_on_simplexes(
    f: Function, simplexes: list[Floats], degree: int, tolerance: float, cells: int
) -> tuple[float, float, Floats]:
    """Largest value of a polynomial of total degree `degree` over a union of simplexes, each (m + 1, dims) corners; as `largest_on_box`."""

    def cell(corners: Floats, _: Floats) -> tuple[float, float, Floats]:
        lattice, inverse = _lattice(len(corners), degree)
        points = lattice @ corners
        values = f(points)
        best = int(values.argmax())
        return float(values[best]), float((inverse @ values).max()), points[best]

    def halves(key: tuple[Floats, Floats]) -> list[tuple[Floats, Floats]]:
        corners, scale = key
        gaps = ((corners[:, None] - corners[None]) / scale) ** 2
        i, j = np.unravel_index(int(gaps.sum(axis=2).argmax()), (len(corners), len(corners)))
        middle = 0.5 * (corners[i] + corners[j])
        one, two = corners.copy(), corners.copy()
        one[i], two[j] = middle, middle
        return [(one, scale), (two, scale)]

    everything = np.vstack(simplexes)
    scale = np.maximum(np.ptp(everything, axis=0), 1e-300)
    return _search([(s, scale) for s in simplexes], cell, halves, tolerance, cells)


def _search(
    start: list[tuple[Floats, Floats]],
    cell: Callable[[Floats, Floats], tuple[float, float, Floats]],
    halves: Callable[[tuple[Floats, Floats]], list[tuple[Floats, Floats]]],
    tolerance: float,
    cells: int,
) -> tuple[float, float, Floats]:
    """Best-first branch and bound."""
    best, where = -np.inf, np.empty(0)
    queue: list[tuple[float, int, tuple[Floats, Floats]]] = []
    done = 0

    def look(key: tuple[Floats, Floats]) -> None:
        nonlocal best, where, done
        value, bound, point = cell(*key)
        done += 1
        if value > best:
            best, where = value, point
        heapq.heappush(queue, (-bound, done, key))

    for key in start:
        look(key)
    while done < cells and -queue[0][0] > best * (1.0 + tolerance):
        for part in halves(heapq.heappop(queue)[2]):
            look(part)
    return best, max(-queue[0][0], best), where
