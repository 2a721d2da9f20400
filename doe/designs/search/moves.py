"""Moves: along which directions a run's settings may change inside its region, and what each does to the model's columns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations
from math import gcd, lcm
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from doe.designs.search.problem import Region

MOST_DIRECTIONS = 400


@dataclass(frozen=True)
class Move:
    """One way to change a setting.

    Parameters
    ----------
    variables : tuple of int
        The variables that change.
    rates : tuple of float
        Their rates along a line (ignored for tables).
    levels : ndarray, shape (levels, 1) or (levels, len(variables)), optional
        Values that a discrete variable, or a block of contrasts, may take.
    step : float
        Lattice along the line, 0 where it is continuous.
    facet : int
        Inequality along whose boundary the line runs, −1 for none: of use only where that boundary is reached.
    """

    variables: tuple[int, ...]
    rates: tuple[float, ...]
    levels: NDArray[np.float64] | None = None
    step: float = 0.0
    facet: int = -1

    @property
    def kind(self) -> int:
        """0 a line, 1 the levels of one variable, 2 a table of levels of several."""
        if self.levels is None:
            return 0
        return 1 if len(self.variables) == 1 else 2


def elementary_directions(E: NDArray[np.float64], m: int, most: int = MOST_DIRECTIONS) -> list[NDArray[np.float64]]:
    """Vectors of smallest support in the null space of E, one a support, scaled to largest entry 1.

    For one equality (a mixture's total) they are the pairwise exchanges; they contain the direction of every edge of a
    polytope cut from that null space by bounds alone (Rockafellar 1969, elementary vectors of a subspace).

    Parameters
    ----------
    E : ndarray, shape (e, m)
    m : int
        Number of variables.
    most : int
        No more than this many are made; supports are tried in order of size.

    Returns
    -------
    list of ndarray, each (m,)
    """
    if E.shape[0] == 0:
        return list(np.eye(m))
    found: list[NDArray[np.float64]] = []
    supports: list[frozenset[int]] = []
    active = [v for v in range(m) if np.abs(E[:, v]).max() > 0]
    for v in range(m):
        if v not in active:
            found.append(np.eye(m)[v])
    rank = int(np.linalg.matrix_rank(E))
    for size in range(2, rank + 2):
        for support in combinations(active, size):
            if any(s <= set(support) for s in supports):
                continue
            part = E[:, support]
            _, values, basis = np.linalg.svd(part)
            null = size - int((values > 1e-10 * max(1.0, values[0])).sum())
            if null != 1 or np.abs(basis[-1]).min() < 1e-9:
                continue
            direction = np.zeros(m)
            direction[list(support)] = basis[-1] / basis[-1][np.argmax(np.abs(basis[-1]))]
            direction[np.abs(np.abs(direction) - 1.0) < 1e-12] = np.sign(
                direction[np.abs(np.abs(direction) - 1.0) < 1e-12]
            )
            found.append(direction)
            supports.append(frozenset(support))
            if len(found) >= most:
                return found
    return found


def line_moves(region: Region, most: int = MOST_DIRECTIONS) -> list[Move]:
    """Straight moves of the continuous variables: elementary directions, Cox directions and runs along facets.

    Parameters
    ----------
    region : Region
    most : int
        No more than this many.

    Returns
    -------
    list of Move
    """
    m = region.m
    free = list(region.continuous)
    base = region.E[:, free]
    moves: list[Move] = []
    seen: set[tuple[float, ...]] = set()

    def add(direction: NDArray[np.float64], facet: int) -> None:
        support = np.flatnonzero(np.abs(direction) > 1e-12)
        key = np.round(direction / direction[support[0]], 9)
        if tuple(key) in seen or len(moves) >= most:
            return
        seen.add(tuple(key))
        moves.append(Move(tuple(int(v) for v in support), tuple(float(x) for x in direction[support]), facet=facet))

    def embedded(rows: NDArray[np.float64]) -> list[NDArray[np.float64]]:
        found = []
        for short in elementary_directions(rows, len(free), most):
            direction = np.zeros(m)
            direction[free] = short
            found.append(direction)
        return found

    for direction in embedded(base):
        add(direction, -1)
    # Cox directions from the middle of the simplex: one component up, the others of the same equality down alike
    for row in region.E:
        members = [v for v in np.flatnonzero(np.abs(row) > 0) if v in free]
        if region.E.shape[0] == 1 and len(members) > 2:
            for v in members:
                direction = np.zeros(m)
                others = [u for u in members if u != v]
                direction[v] = 1.0
                direction[others] = -row[v] / (row[others] * len(others))
                add(direction, -1)
    for g, row in enumerate(region.A):
        for direction in embedded(np.vstack([base, row[free]])):
            add(direction, g)
    return moves


def lattice_moves(
    moves: list[Move], step: NDArray[np.float64], values: Mapping[int, NDArray[np.float64]]
) -> tuple[Move, ...]:
    """The same moves over settings that the bench can make.

    Parameters
    ----------
    moves : list of Move
    step : ndarray, shape (m,)
        Smallest change of each variable, 0 where any value can be set.
    values : mapping of int to ndarray
        All values of a variable that moves alone, where they are few enough to be tried one by one.

    Returns
    -------
    tuple of Move
        Lines whose variables have no common lattice of steps are left out.
    """
    found: list[Move] = []
    for move in moves:
        if move.kind:
            found.append(move)
            continue
        if len(move.variables) == 1 and move.variables[0] in values:
            found.append(Move(move.variables, (1.0,), values[move.variables[0]].reshape(-1, 1)))
            continue
        lengths = [
            Fraction(float(step[v] / abs(r))).limit_denominator(10**9)
            for v, r in zip(move.variables, move.rates, strict=True)
            if step[v] > 0
        ]
        common = 0.0
        if lengths:
            # the least t that is a whole number of steps of every variable
            ratios = [(x / lengths[0]).limit_denominator(10_000) for x in lengths]
            if any(abs(float(r * lengths[0] / x) - 1.0) > 1e-9 for r, x in zip(ratios, lengths, strict=True)):
                continue
            common = float(lengths[0]) * lcm(*(r.numerator for r in ratios)) / gcd(*(r.denominator for r in ratios))
        found.append(replace(move, step=common))
    return tuple(found)


def compiled(
    moves: list[Move], exponents: NDArray[np.int64], A: NDArray[np.float64]
) -> tuple[dict[str, NDArray[np.int64]], dict[str, NDArray[np.float64]]]:
    """The moves as flat tables for the kernels (see `packing`): whole numbers and reals by name."""
    m = exponents.shape[1]
    degrees: list[int] = []
    col: list[int] = []
    col_ptr, fac_ptr, var_ptr, con_ptr, lev_ptr = [0], [0], [0], [0], [0]
    fac_var: list[int] = []
    fac_rate: list[float] = []
    var: list[int] = []
    rate: list[float] = []
    con: list[int] = []
    con_rate: list[float] = []
    level: list[list[float]] = []
    counts: list[list[int]] = []
    for move in moves:
        rates = np.zeros(m)
        rates[list(move.variables)] = 1.0 if move.kind else move.rates
        powers = exponents[:, list(move.variables)].sum(axis=1)
        touched = sorted(np.flatnonzero(powers), key=lambda c: (-powers[c], c))
        degree = int(powers.max(initial=1)) if move.kind != 2 else 1
        degrees.append(max(degree, 1))
        counts.append([0] + [int(sum(powers[c] >= h for c in touched)) for h in range(1, degrees[-1] + 1)])
        for c in touched:
            col.append(int(c))
            factors = [v for v in range(m) for _ in range(exponents[c, v])]
            for v in [v for v in factors if rates[v] == 0] + [v for v in factors if rates[v] != 0]:
                fac_var.append(v)
                fac_rate.append(float(rates[v]))
            fac_ptr.append(len(fac_var))
        col_ptr.append(len(col))
        var += list(move.variables)
        rate += [float(rates[v]) for v in move.variables]
        var_ptr.append(len(var))
        for q in range(A.shape[0]):
            along = float(A[q] @ rates)
            if abs(along) > 1e-12 and move.kind != 2:
                con.append(q)
                con_rate.append(along)
        con_ptr.append(len(con))
        if move.levels is not None:
            level += [list(map(float, row)) for row in move.levels]
        lev_ptr.append(len(level))
    deepest = max(degrees, default=1)
    widest = max((len(row) for row in level), default=1)

    def ints(values: object) -> NDArray[np.int64]:
        return np.array(values, dtype=np.int64)

    def reals(values: object) -> NDArray[np.float64]:
        return np.array(values, dtype=np.float64)

    whole = {
        "kind": ints([move.kind for move in moves]),
        "degree": ints(degrees),
        "facet": ints([move.facet for move in moves]),
        "col_ptr": ints(col_ptr),
        "col": ints(col),
        "count": ints([c + [0] * (deepest + 1 - len(c)) for c in counts]).reshape(len(moves), deepest + 1),
        "fac_ptr": ints(fac_ptr),
        "fac_var": ints(fac_var),
        "var_ptr": ints(var_ptr),
        "var": ints(var),
        "con_ptr": ints(con_ptr),
        "con": ints(con),
        "lev_ptr": ints(lev_ptr),
    }
    real = {
        "step": reals([move.step for move in moves]),
        "fac_rate": reals(fac_rate),
        "rate": reals(rate),
        "con_rate": reals(con_rate),
        "level": reals([row + [0.0] * (widest - len(row)) for row in level]).reshape(len(level), widest),
    }
    return whole, real
