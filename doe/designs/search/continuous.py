"""The best continuous design (weights on settings, any number of batches) and how surely it is the best: what no plan can beat.

With M(ξ) = Σ w_i M_i the general equivalence theorem (Kiefer & Wolfowitz 1960; Kiefer 1974) bounds every design by the
largest sensitivity of any one ξ: log|M*| <= log|M(ξ)| + max d − p with d(x) = f'M^-1 f, and ψ* >= ψ(ξ)² / max φ with
ψ = trace(M^-1 B), φ(x) = f'M^-1 B M^-1 f. So ξ need not be exactly optimal, but the maximum must be known or searched:

* box: by symmetry ξ may be taken invariant under changes of sign; d and φ are then convex in each x_j² as long as no
  variable stands above its square, so that the levels −1, 0, 1 hold the maximum over the whole box;
* simplex, Scheffé quadratic, D: Kiefer's (1961) {q, 2} lattice with equal weights;
* other polytopes of few dimensions: bounds from Bernstein coefficients on ever smaller cells (Garloff 1986);
* elsewhere: the best that many local ascents find.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product
from math import comb

import numpy as np
from numpy.typing import NDArray

from doe.designs.search.chains import compiled_kernels
from doe.designs.search.packing import AT_D
from doe.designs.search.problem import Layout, Problem, Reals, Region

MOST_WORK = 4e7
MOST_COEFFICIENTS = 3_200
PROVED, SEARCHED = "proved", "best search found"


@dataclass(frozen=True)
class Bound:
    """A continuous design and what it proves.

    Attributes
    ----------
    criterion : str
        "D" or "I" (A is I with B the identity).
    value : float
        log|M(ξ)|, or trace(M(ξ)^-1 B), one batch.
    limit : float
        No design has a larger log|M|, or a smaller trace, than this.
    kind : str
        "proved" or "best search found": whether the largest sensitivity is certain or the largest found.
    reason : str
        By what.
    points : ndarray, shape (N, s, m)
        Settings, s batches that hang together (s = 1 where batches are independent).
    weights : ndarray, shape (N,)
        Shares of the batches.
    """

    criterion: str
    value: float
    limit: float
    kind: str
    reason: str
    points: Reals
    weights: Reals

    def efficiency(self, value: float, n: int, p: int) -> float:
        """Least efficiency in % of a plan of n batches whose log|M| or trace(M^-1 B) is `value`."""
        if self.criterion == "D":
            return float(100.0 * np.exp((value - self.limit) / p - np.log(n)))
        return 100.0 * self.limit / (n * value)


def best_weights(Ms: Reals, B: Reals | None, rounds: int = 80) -> tuple[Reals, Reals]:
    """Weights that maximise log|Σ w M| (B None) or minimise trace((Σ w M)^-1 B), by an interior-point Newton method.

    Parameters
    ----------
    Ms : ndarray, shape (N, p, p), or (N, p) for rank-one M_i = f_i f_i'
    B : ndarray, shape (p, p), optional
    rounds : int
        Newton steps at most.

    Returns
    -------
    weights : ndarray, shape (N,)
    sensitivity : ndarray, shape (N,)
        trace(M^-1 M_i) or trace(M^-1 B M^-1 M_i).
    """
    N = len(Ms)
    w = np.full(N, 1.0 / N)
    mu: float | None = None

    def parts(w: Reals) -> tuple[Reals, Reals, float]:
        M = np.einsum("n,na,nb->ab", w, Ms, Ms, optimize=True) if Ms.ndim == 2 else np.tensordot(w, Ms, 1)
        D = np.linalg.inv(M)
        C = D if B is None else D @ B @ D
        if Ms.ndim == 2:
            G = Ms @ D @ Ms.T
            K = G if B is None else Ms @ C @ Ms.T
            s, H = np.diag(K).copy(), G * K
        else:
            DM = D @ Ms
            CM = DM if B is None else C @ Ms
            s = np.trace(CM, axis1=1, axis2=2)
            H = DM.reshape(N, -1) @ CM.transpose(0, 2, 1).reshape(N, -1).T
        scale = float(len(D)) if B is None else float(np.sum(D * B))
        return s, H * (1.0 if B is None else 2.0), scale

    s, H, scale = parts(w)
    for _ in range(rounds):
        if mu is None:
            mu = 0.1 * scale / N
        # stationary: s_i + mu / w_i equal for all i
        K = H + np.diag(mu / w**2)
        right = np.column_stack([s + mu / w, np.ones(N)])
        try:
            solved = np.linalg.solve(K, right)
        except np.linalg.LinAlgError:
            break
        step = solved[:, 0] - solved[:, 1] * (solved[:, 0].sum() / solved[:, 1].sum())
        shrink = (-step / w).max()
        length = 1.0 if shrink < 0.95 else 0.95 / shrink
        w = w + length * step
        w /= w.sum()
        s, H, scale = parts(w)
        if length > 0.5:
            mu *= 0.15
        if s.max() - scale < 1e-9 * scale or mu < 1e-12 * scale / N:
            break
    return w, s


def _information(points: Reals, exponents: NDArray[np.int64], inverse: Reals | None) -> Reals:
    """M_i of each candidate, per batch: (N, p) rows where batches are independent, else (N, p, p)."""
    N, s, m = points.shape
    rows = Problem(exponents, Region.box(m), Layout(1)).rows(points.reshape(N * s, m)).reshape(N, s, -1)
    if inverse is None:
        return rows[:, 0]
    return np.einsum("nsp,st,ntq->npq", rows, inverse, rows, optimize=True) / s


def _limit(criterion: str, M: Reals, B: Reals | None, top: float) -> tuple[float, float]:
    """Value of ξ and the bound that its largest sensitivity gives."""
    if criterion == "D":
        value = float(np.linalg.slogdet(M)[1])
        return value, value + max(top - len(M), 0.0)
    value = float(np.trace(np.linalg.solve(M, B if B is not None else np.eye(len(M)))))
    return value, value * min(value / top, 1.0)


def _swappable(exponents: NDArray[np.int64], B: Reals, variables: Sequence[int]) -> list[list[int]]:
    """Classes of variables that the model and the moments treat alike."""
    index = {tuple(row): c for c, row in enumerate(exponents.tolist())}
    classes: list[list[int]] = []
    for v in variables:
        for members in classes:
            swapped = exponents.copy()
            swapped[:, [v, members[0]]] = swapped[:, [members[0], v]]
            order = [index.get(tuple(row), -1) for row in swapped.tolist()]
            if min(order) >= 0 and np.allclose(B[np.ix_(order, order)], B, atol=1e-10):
                members.append(v)
                break
        else:
            classes.append([v])
    return classes


def _on_a_box(exponents: NDArray[np.int64], region: Region, B: Reals, criterion: str) -> Bound | None:
    """The symmetric design on a box, None where symmetry and convexity do not hold."""
    free = list(region.continuous)
    m = region.m
    if len(region.A) or len(region.E) or len(free) > 12:
        return None
    if not (np.all(region.low[free] == -1.0) and np.all(region.high[free] == 1.0)):
        return None
    if len(free) and exponents[:, free].max() > 2:
        return None
    parity = exponents[:, free] % 2
    mask = (parity[:, None, :] == parity[None, :, :]).all(axis=2)
    if not np.allclose(B[~mask], 0.0, atol=1e-10):
        return None
    others: list[list[tuple[tuple[int, ...], Reals]]] = [
        [((v,), np.array([x])) for x in values] for v, values in region.levels.items()
    ]
    others += [[(variables, row) for row in rows] for variables, rows in region.tables]
    combos = list(product(*others))
    if 2 ** len(free) * len(combos) > 20_000:
        return None
    classes = _swappable(exponents, B, free)
    orbits: dict[tuple[int, ...], list[Reals]] = {}
    for k, combo in enumerate(combos):
        for ones in product((0.0, 1.0), repeat=len(free)):
            z = np.zeros(m)
            z[free] = ones
            for variables, row in combo:
                z[list(variables)] = row
            orbits.setdefault((k, *(int(z[c].sum()) for c in classes)), []).append(z)
    if len(orbits) > 700:
        return None
    problem = Problem(exponents, region, Layout(1))
    Ms, points = [], []
    for members in orbits.values():
        rows = problem.rows(np.array(members))
        Ms.append((rows.T @ rows) / len(members) * mask)
        points.append(members[0])
    stack = np.array(Ms)
    if np.linalg.matrix_rank(stack.mean(axis=0)) < len(B):
        return None
    moments = None if criterion == "D" else B
    w, s = best_weights(stack, moments)
    M = np.tensordot(w, stack, 1)
    value, limit = _limit(criterion, M, moments, float(s.max()))
    keep = w > 1e-7
    return Bound(criterion, value, limit, PROVED, "symmetry of the box", np.array(points)[keep][:, None, :], w[keep])


def _on_a_simplex(exponents: NDArray[np.int64], region: Region, criterion: str) -> Bound | None:
    """Kiefer's lattice for the Scheffé quadratic on the whole simplex."""
    m = region.m
    if criterion != "D" or len(region.A) or len(region.E) != 1 or len(region.continuous) != m:
        return None
    if not (np.allclose(region.E, 1.0) and np.allclose(region.f, 1.0)):
        return None
    if not (np.all(region.low <= 0) and np.allclose(region.low, 0) and np.all(region.high >= 1)):
        return None
    eye = np.eye(m, dtype=int)
    wanted = {tuple(r) for r in eye} | {tuple(eye[i] + eye[j]) for i, j in combinations(range(m), 2)}
    if {tuple(r) for r in exponents.tolist()} != wanted or len(exponents) != len(wanted):
        return None
    points = np.array([eye[i] * 1.0 for i in range(m)] + [(eye[i] + eye[j]) / 2 for i, j in combinations(range(m), 2)])
    rows = Problem(exponents, region, Layout(1)).rows(points)
    value = float(np.linalg.slogdet(rows.T @ rows / len(rows))[1])
    weights = np.full(len(points), 1.0 / len(points))
    return Bound("D", value, value, PROVED, "Kiefer's {q, 2} lattice on the simplex", points[:, None, :], weights)


def _bernstein(A: Reals, exponents: NDArray[np.int64], region: Region, target: float) -> float | None:
    """An upper bound of f'Af over the region, close to `target` where that can be reached; None where it is too large a task.

    The bound is the largest Bernstein coefficient over cells that cover the region, halved until it is below `target`.
    """
    free = list(region.continuous)
    others: list[list[tuple[tuple[int, ...], Reals]]] = [
        [((v,), np.array([x])) for x in values] for v, values in region.levels.items()
    ]
    others += [[(variables, row) for row in rows] for variables, rows in region.tables]
    combos = list(product(*others))
    E = region.E[:, free]
    if len(E):
        _, sizes, right = np.linalg.svd(E)
        rank = int((sizes > 1e-10 * sizes[0]).sum())
        # keep the variables that the equalities determine worst: solve for the others
        order = _pivots(right[:rank])
        solved, kept = [free[k] for k in order], [v for k, v in enumerate(free) if k not in order]
    else:
        rank, solved, kept = 0, [], free
    r = len(kept)
    degree = np.array([2 * int(exponents[:, kept + solved].sum(axis=1).max())] * r)
    if not solved:
        degree = 2 * exponents[:, kept].max(axis=0)
    if r == 0 or float(np.prod(degree + 1.0)) > MOST_COEFFICIENTS or len(combos) > 64:
        return None
    worst = -np.inf
    for combo in combos:
        base = np.zeros(region.m)
        for variables, row in combo:
            base[list(variables)] = row
        top = _cells(
            A,
            exponents,
            region,
            base,
            kept,
            solved,
            degree,
            target,
            int(MOST_WORK / np.prod(degree + 1.0) / len(combos)),
        )
        if top is None:
            return None
        worst = max(worst, top)
    return worst


def _pivots(rows: Reals) -> list[int]:
    from scipy.linalg import qr

    _, _, order = qr(rows, pivoting=True)
    return [int(k) for k in order[: len(rows)]]


def _cells(
    A: Reals,
    exponents: NDArray[np.int64],
    region: Region,
    base: Reals,
    kept: list[int],
    solved: list[int],
    degree: NDArray[np.int64],
    target: float,
    most: int,
) -> float | None:
    r = len(kept)
    problem = Problem(exponents, region, Layout(1))
    if solved:
        inverse = np.linalg.pinv(region.E[:, solved])
        slope = -inverse @ region.E[:, kept]
        offset = inverse @ (region.f - region.E @ base)
    else:
        slope, offset = np.zeros((0, r)), np.zeros(0)

    def settings(Y: Reals) -> Reals:
        Zs = np.tile(base, (len(Y), 1))
        Zs[:, kept] = Y
        if solved:
            Zs[:, solved] = Y @ slope.T + offset
        return Zs

    low, high = region.low[kept].copy(), region.high[kept].copy()
    # constraints in the kept variables: G y <= h
    G = [region.A[:, kept] + region.A[:, solved] @ slope] if solved else [region.A[:, kept]]
    h = [region.b - region.A @ base - (region.A[:, solved] @ offset if solved else 0.0)]
    if solved:
        G += [slope, -slope]
        h += [region.high[solved] - offset, offset - region.low[solved]]
    rows, room = np.vstack(G), np.concatenate(h)
    # values on a grid of nodes -> Bernstein coefficients, one axis after the other
    axes, maps = [], []
    for k in range(r):
        d = int(degree[k])
        t = (1 - np.cos(np.pi * np.arange(d + 1) / max(d, 1))) / 2 if d else np.array([0.5])
        axes.append(low[k] + t * (high[k] - low[k]))
        maps.append(
            np.linalg.inv(np.array([[comb(d, j) * x**j * (1 - x) ** (d - j) for j in range(d + 1)] for x in t]))
        )
    grid = np.array(list(product(*axes)))
    X = problem.rows(settings(grid))
    tensor = np.einsum("na,ab,nb->n", X, A, X, optimize=True).reshape([d + 1 for d in degree])
    for k in range(r):
        tensor = np.moveaxis(np.tensordot(maps[k], tensor, axes=(1, k)), 0, k)
    coefficients, lows, highs = tensor[None], low[None], high[None]
    used = 1
    slack = 1e-9 * (1 + np.abs(room))
    while len(coefficients):
        inside = (
            np.where(rows > 0, rows, 0) @ lows.T + np.where(rows < 0, rows, 0) @ highs.T <= (room + slack)[:, None]
        ).all(axis=0)
        tops = coefficients.reshape(len(coefficients), -1).max(axis=1)
        open_ = inside & (tops > target)
        if not open_.any():
            return target
        coefficients, lows, highs = coefficients[open_], lows[open_], highs[open_]
        used += 2 * len(coefficients)
        if used > most:
            return float(tops[open_].max())
        # halve each cell along the axis on which its coefficients bend most
        bends = np.stack(
            [
                np.abs(np.diff(coefficients, n=min(2, int(degree[k])), axis=k + 1)).max(axis=tuple(range(1, r + 1)))
                if degree[k] > 0
                else np.zeros(len(coefficients))
                for k in range(r)
            ]
        )
        choice = bends.argmax(axis=0)
        halves, new_low, new_high = [], [], []
        for k in range(r):
            pick = choice == k
            if not pick.any():
                continue
            c = np.moveaxis(coefficients[pick], k + 1, 0)
            left, right, line = [c[0]], [c[-1]], c
            while len(line) > 1:
                line = (line[:-1] + line[1:]) / 2
                left.append(line[0])
                right.append(line[-1])
            middle = (lows[pick, k] + highs[pick, k]) / 2
            for part, side in ((left, 0), (right[::-1], 1)):
                halves.append(np.moveaxis(np.array(part), 0, k + 1))
                under, over = lows[pick].copy(), highs[pick].copy()
                if side == 0:
                    over[:, k] = middle
                else:
                    under[:, k] = middle
                new_low.append(under)
                new_high.append(over)
        coefficients, lows, highs = np.concatenate(halves), np.concatenate(new_low), np.concatenate(new_high)
    return target


def continuous_design(
    exponents: NDArray[np.int64],
    region: Region,
    criterion: str,
    moments: Reals | None = None,
    start: Reals | None = None,
    covariance: Sequence[tuple[Layout, Reals]] = (),
    seed: int = 0,
    rounds: int = 40,
) -> Bound:
    """The best continuous design for a model on a region, and the bound it gives.

    Parameters
    ----------
    exponents : ndarray, shape (p, m)
    region : Region
        Without `given` variables.
    criterion : {"D", "I", "A"}
    moments : ndarray, shape (p, p), optional
        B; the identity if left out.
    start : ndarray, shape (n, m), optional
        Settings to begin from, such as the plan's own runs.
    covariance : sequence of (Layout, ndarray of shape (N, s, m))
        Where batches hang together: each kind of group (a whole plot, a random block), and groups to begin from. The
        design then weighs whole groups.
    seed : int
    rounds : int
        Of column generation, at most.

    Returns
    -------
    Bound
    """
    p, m = exponents.shape
    B = np.eye(p) if moments is None else moments
    criterion = "D" if criterion == "D" else "I"
    if not covariance:
        ready = _on_a_simplex(exponents, region, criterion) or _on_a_box(exponents, region, B, criterion)
        if ready is not None:
            return ready
    kinds: list[tuple[Layout, Reals]] = list(covariance)
    pool = region.draw(256, np.random.default_rng([seed, 77]))
    if not kinds:
        first = pool if start is None else np.vstack([start, pool])
        kinds = [(Layout(1), first[:, None, :])]
    weighs = None if criterion == "D" else B
    kernel = compiled_kernels()
    ascents = []
    for layout, begin in kinds:
        problem = Problem(exponents, region, layout)
        size = layout.n
        groups = problem.groups()
        rng = np.random.default_rng([seed, 78, size])
        extra = pool[rng.integers(len(pool), size=(64, size))]
        if layout.hard:
            extra[:, :, list(layout.hard)] = extra[:, :1, list(layout.hard)]
            extra = extra[[bool(region.contains(z).all()) for z in extra]]
        ascents.append(
            (problem, problem.state((seed, 79)), np.full((1, len(groups)), -1, dtype=np.int64), begin, extra)
        )

    def ascend(matrix: Reals, count: int) -> tuple[float, list[tuple[int, Reals]]]:
        """Local maxima of trace(matrix M_i) over single groups, the best value and the distinct places."""
        best, found = -np.inf, []
        for kind, (problem, (T, W), keep, begin, extra) in enumerate(ascents):
            W[T[AT_D] : T[AT_D] + p * p] = matrix.ravel()
            size = problem.layout.n
            shared = True if problem.shared() else None
            for z in np.concatenate([begin[:count], extra[:count]]):
                place = np.array(z, dtype=float).ravel()
                value = kernel.explore(T, W, place, keep, place, problem.repeats(), 2, -np.inf, 1e-9, 60, shared)
                found.append((value / size, kind, place.reshape(size, m)))
        found.sort(key=lambda item: -item[0])
        best = found[0][0]
        distinct: list[tuple[int, Reals]] = []
        seen: set[tuple[float, ...]] = set()
        for value, kind, group in found:
            key = (float(kind), *np.round(group[np.lexsort(np.round(group, 5).T)], 5).ravel().tolist())
            if key not in seen and value > 0.7 * best:
                seen.add(key)
                distinct.append((kind, group))
        return best, distinct

    inverses = [None if layout.n == 1 and not covariance else layout.inverse_covariance() for layout, _ in kinds]
    chosen: list[list[Reals]] = [list(begin) for _, begin in kinds]
    if covariance:
        chosen = [[*own, *extra] for own, (_, _, _, _, extra) in zip(chosen, ascents, strict=True)]

    def stacked() -> Reals:
        return np.concatenate(
            [_information(np.array(own), exponents, inv) for own, inv in zip(chosen, inverses, strict=True) if own]
        )

    for turn in range(rounds):
        Ms = stacked()
        w, s = best_weights(Ms, weighs)
        # drop what carries no weight, keep the order of kinds
        at = 0
        carry = w > 1e-7 * w.max()
        for k, own in enumerate(chosen):
            chosen[k] = [z for z, keep in zip(own, carry[at : at + len(own)], strict=True) if keep]
            at += len(own)
        M = np.einsum("n,na,nb->ab", w, Ms, Ms, optimize=True) if Ms.ndim == 2 else np.tensordot(w, Ms, 1)
        D = np.linalg.inv(M)
        scale = float(p) if weighs is None else float(np.sum(D * B))
        matrix = D if weighs is None else D @ B @ D
        matrix = (matrix + matrix.T) / 2
        top, places = ascend(matrix, 40 if turn else 20)
        top = max(top, float(s.max()))
        w = w[carry] / w[carry].sum()
        if top <= scale * (1 + 2e-5) or turn == rounds - 1:
            break
        for kind, place in places[:60]:
            chosen[kind].append(place)
    value, limit = _limit(criterion, M, weighs, top)
    certainty, reason = SEARCHED, "local ascents of the sensitivity from many places"
    if not covariance:
        bound = _bernstein(matrix, exponents, region, max(top, scale) * (1 + 1e-3))
        if bound is not None and bound <= 1.03 * scale:
            value, limit = _limit(criterion, M, weighs, max(bound, top))
            certainty, reason = PROVED, "Bernstein bounds on the sensitivity over the whole region"
    widest = max(layout.n for layout, _ in kinds)
    points = np.full((sum(map(len, chosen)), widest, m), np.nan)
    for at, z in enumerate(z for own in chosen for z in own):
        points[at, : len(z)] = z
    return Bound(criterion, value, limit, certainty, reason, points, w)
