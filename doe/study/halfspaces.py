"""Linear programmes over {u : A u <= b, E u == f}: is anything in it, how far does it reach, which rows matter, which rows clash.

Arrays only. Rows are expected at a scale where the set measures about 1 (each factor divided by its range), of unit norm.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TOLERANCE = 1e-9  # a distance at that scale below which two things are one
ROUNDS = 40  # of the search for a smaller clash
_OPTIONS = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}


def minimum(cost: ArrayLike, A: Floats, b: Floats, E: Floats, f: Floats) -> tuple[float, Floats] | None:
    """Least value of cost · u on the set and a corner where it is taken; None where the set is empty.

    Raises
    ------
    ArithmeticError
        If the solver can neither find the least value nor show that there is none.
    """
    from scipy.optimize import linprog

    cost = np.asarray(cost, dtype=float)
    if not cost.size:
        return (0.0, np.empty(0)) if (b >= -TOLERANCE).all() and (np.abs(f) <= TOLERANCE).all() else None
    for options in (_OPTIONS, {**_OPTIONS, "presolve": False}, {}):
        found = linprog(
            cost,
            A_ub=A if len(A) else None,
            b_ub=b if len(A) else None,
            A_eq=E if len(E) else None,
            b_eq=f if len(E) else None,
            bounds=(None, None),
            method="highs-ds",
            options=options,
        )
        if found.status == 0:
            return float(found.fun), np.asarray(found.x, dtype=float)
        if found.status == 2:
            return None
    raise ArithmeticError(f"linear programme not solved: {found.message}")


def is_empty(A: Floats, b: Floats, E: Floats, f: Floats) -> bool:
    """Whether no point meets every row."""
    return minimum(np.zeros(A.shape[1]), A, b, E, f) is None


def extent(A: Floats, b: Floats, E: Floats, f: Floats) -> tuple[Floats, Floats]:
    """Least and greatest value of every coordinate on a non-empty, bounded set: two arrays, shape (n,)."""
    ends = np.empty((2, A.shape[1]))
    for j in range(A.shape[1]):
        for side, sign in enumerate((1.0, -1.0)):
            cost = np.zeros(A.shape[1])
            cost[j] = sign
            found = minimum(cost, A, b, E, f)
            assert found is not None
            ends[side, j] = found[1][j]
    return ends[0], ends[1]


def redundant(A: Floats, b: Floats, E: Floats, f: Floats, rows: Sequence[int]) -> list[int]:
    """Those of `rows` of A whose removal changes nothing, the later of two that say the same.

    Judged one after the other from the last, each against all rows not yet found redundant.
    """
    kept = np.ones(len(A), dtype=bool)
    out = []
    for i in sorted(rows, reverse=True):
        kept[i] = False
        # the row itself, moved outwards, keeps the programme bounded
        found = minimum(-A[i], np.vstack([A[kept], A[i]]), np.append(b[kept], b[i] + 1.0), E, f)
        if found is not None and -found[0] <= b[i] + TOLERANCE:
            out.append(i)
        else:
            kept[i] = True
    return sorted(out)


def affine_hull(A: Floats, b: Floats, E: Floats, f: Floats) -> tuple[Floats, Floats, Bools] | None:
    """The flat that a set fills: a point inside it, an orthonormal basis of its directions, the rows of A that hold it there.

    Returns
    -------
    point : ndarray, shape (n,)
        In the relative interior: as far as can be from every row that is not an equality.
    basis : ndarray, shape (n, d)
        d is the dimension of the set.
    implied : ndarray of bool, shape (m,)
        Rows of A that hold with equality everywhere on the set.

    None where the set is empty.
    """
    from scipy.linalg import null_space

    n = A.shape[1]
    implied = np.zeros(len(A), dtype=bool)
    point = np.zeros(n)
    while True:
        # implied rows pass through the last point found, so that they cannot contradict one another by a rounding error
        flat, level = np.vstack([E, A[implied]]), np.concatenate([f, A[implied] @ point])
        basis = null_space(flat, rcond=TOLERANCE) if len(flat) and n else np.eye(n)
        reach = np.linalg.norm(A @ basis, axis=1) if basis.shape[1] else np.zeros(len(A))
        free = (reach > TOLERANCE) & ~implied
        fixed = ~free & ~implied
        # greatest t with A u + reach t <= b: the ball that fits in, no larger than 1
        rows = np.vstack([A[free], A[fixed], np.zeros((1, n))])
        ball = np.concatenate([reach[free], np.zeros(fixed.sum()), [1.0]])
        bound = np.concatenate([b[free], b[fixed] + TOLERANCE, [1.0]])
        found = minimum(
            np.append(np.zeros(n), -1.0),
            np.column_stack([rows, ball]),
            bound,
            np.column_stack([flat, np.zeros(len(flat))]),
            level,
        )
        if found is None or -found[0] < -TOLERANCE:
            return None
        point = found[1][:n]
        if len(flat) and n:
            point = point - np.linalg.pinv(flat, rcond=TOLERANCE) @ (flat @ point - level)
        if -found[0] > TOLERANCE or not free.any():
            return point, basis, implied
        slack = {}
        for i in np.flatnonzero(free):
            least = minimum(A[i], A, b, E, f)
            if least is None:
                return None
            slack[i] = b[i] - least[0]
        tight = [i for i, s in slack.items() if s <= 10 * TOLERANCE] or [min(slack, key=lambda i: slack[i])]
        implied[tight] = True


def level_combinations(
    A: Floats, b: Floats, E: Floats, f: Floats, levels: Sequence[tuple[int, Floats]]
) -> Iterator[tuple[float, ...]]:
    """Every combination of levels that leaves a point in the set, the last coordinate's level changing fastest.

    Parameters
    ----------
    levels : sequence of (int, ndarray)
        Coordinates that take levels only, with their levels. A level that leaves nothing is not searched further.
    """
    if is_empty(A, b, E, f):
        return
    if not levels:
        yield ()
        return
    (column, values), rest = levels[0], levels[1:]
    unit = np.zeros((1, A.shape[1]))
    unit[0, column] = 1.0
    for value in values:
        for others in level_combinations(A, b, np.vstack([E, unit]), np.append(f, value), rest):
            yield (float(value), *others)


def smallest_clash(
    A: Floats,
    b: Floats,
    E: Floats,
    f: Floats,
    groups: Sequence[tuple[Sequence[int], Sequence[int]]],
    levels: Sequence[tuple[int, Floats] | None] = (),
) -> list[int]:
    """The smallest set of groups of rows that cannot hold together, for a set that is empty.

    Parameters
    ----------
    groups : sequence of (rows of A, rows of E)
        What is kept or dropped as one: a bound, a constraint.
    levels : sequence of (int, ndarray) or None, one a group
        A group may instead demand levels of one coordinate.

    Returns
    -------
    list of int
        Indices of groups. Dropping any one of them leaves something. Where levels play no part there is no smaller clash, unless
        one was not found in `ROUNDS` rounds.

    Notes
    -----
    First a deletion filter (Chinneck, J. W. & Dravnieks, E. W. (1991). Locating minimal infeasible constraint sets in linear
    programs. ORSA J. Comput. 3(2), 157-168). Then smaller clashes by hitting sets (Ignatiev, A., Previti, A., Liffiton, M. &
    Marques-Silva, J. (2015). Smallest MUS extraction with minimal hitting set dualization. LNCS 9255, 173-182): whatever holds
    together leaves out a member of every clash, so a smallest set that has a member of each of the left-out sets known is
    either a smallest clash or holds together, and then gives the next such set.
    """
    demand = list(levels) or [None] * len(groups)

    def clashes(kept: Sequence[int]) -> bool:
        rows = [i for g in kept for i in groups[g][0]]
        equalities = [i for g in kept for i in groups[g][1]]
        wanted = [d for g in kept if (d := demand[g]) is not None]
        return next(level_combinations(A[rows], b[rows], E[equalities], f[equalities], wanted), None) is None

    found = list(range(len(groups)))
    for g in range(len(groups)):
        fewer = [k for k in found if k != g]
        if clashes(fewer):
            found = fewer
    if any(demand[g] is not None for g in found):
        return found
    within = [g for g in range(len(groups)) if demand[g] is None]
    left_out: list[list[int]] = []
    for _ in range(ROUNDS):
        chosen = _smallest_hitting(left_out, len(groups))
        if len(chosen) >= len(found):
            break
        if clashes(chosen):
            return chosen
        together = _held_together(A, b, E, f, groups, within, chosen)
        for g in within:
            if g not in together and not clashes([*together, g]):
                together.append(g)
        missing = [g for g in within if g not in together]
        if not missing:
            break  # a clash by less than the solver can tell
        left_out.append(missing)
    return found


def _smallest_hitting(sets: Sequence[Sequence[int]], count: int) -> list[int]:
    """The smallest set of numbers below `count` that has a member in each of the sets."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    if not sets:
        return []
    holds = np.zeros((len(sets), count))
    for row, members in zip(holds, sets, strict=True):
        row[list(members)] = 1.0
    found = milp(
        np.ones(count), constraints=LinearConstraint(holds, 1.0), integrality=np.ones(count), bounds=Bounds(0, 1)
    )
    return [g for g in range(count) if found.x[g] > 0.5]


def _held_together(
    A: Floats,
    b: Floats,
    E: Floats,
    f: Floats,
    groups: Sequence[tuple[Sequence[int], Sequence[int]]],
    within: Sequence[int],
    hard: Sequence[int],
) -> list[int]:
    """Groups that hold at the point which meets the `hard` ones and misses the others by the least sum."""
    n = A.shape[1]
    soft = [g for g in within if g not in hard]
    rows = [i for g in within for i in groups[g][0]]
    equalities = [i for g in within for i in groups[g][1]]
    # an equality is two inequalities here, so that each may be missed
    both = np.vstack([A[rows], E[equalities], -E[equalities]])
    bound = np.concatenate([b[rows], f[equalities], -f[equalities]])
    owner = [g for g in within for _ in groups[g][0]] + 2 * [g for g in within for _ in groups[g][1]]
    gives = np.array([float(g in soft) for g in owner])
    miss = len(owner)
    wide = np.vstack([np.hstack([both, -np.diag(gives)]), np.hstack([np.zeros((miss, n)), -np.eye(miss)])])
    found = minimum(
        np.append(np.zeros(n), np.ones(miss)),
        wide,
        np.append(bound, np.zeros(miss)),
        np.empty((0, n + miss)),
        np.empty(0),
    )
    assert found is not None
    late = {g for g, over in zip(owner, both @ found[1][:n] - bound, strict=True) if over > TOLERANCE}
    return [g for g in within if g in hard or g not in late]
