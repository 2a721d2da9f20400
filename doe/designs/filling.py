"""Space-filling plans: Latin hypercubes and maximin plans, inside any linear constraints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.designs.assembly import check_study, from_settings, whole_number
from doe.designs.plan import Plan, generator
from doe.designs.settable import EXACT
from doe.study import Categorical, Continuous, Discrete, Study

Array = NDArray[np.float64]

_POOL = 20_000  # settings that stand for the uniform law on the region
_ROUNDS = 40  # of re-drawing part of the runs for the strata
_STARTS = 3  # of the search by swaps
_POWER = 7.5  # of the squared distance: Morris & Mitchell's exponent 15, near enough to the smallest distance
_TRIES = 12  # of sending two runs elsewhere and stretching again
_PROGRAMMES = 60  # linear programmes of one stretching, at most
_EFFORT = 3e7  # programmes of a whole search times (runs × factors)^2.5, which is how the time of one grows
_STEP = 0.1  # a run's longest move in one programme, as a share of each range
_MOST_FILLED = 500  # runs: distances between all pairs are kept


def latin_hypercube(study: Study, runs: int, seed: int = 0) -> Plan:
    """Every factor's range cut into as many equally likely parts as there are runs, one run in each; runs far apart.

    Parameters
    ----------
    study : Study
        Any factors and linear constraints.
    runs : int
        How many, from 2 to 500.
    seed : int
        The same seed gives the same plan.

    Returns
    -------
    Plan
        Without a model. Factors that no constraint ties stand at the middles of equal parts of their range, discrete and categorical ones
        at each level equally often. Of factors tied together (components, or by a constraint) the parts are equally likely under the uniform
        law on the region; where not every part could be met, the note says how many were. Among such plans swaps look for the one whose
        closest runs are farthest apart.

    Raises
    ------
    StudyError
        If the number of runs or the seed is no such whole number.

    References
    ----------
    McKay, M. D., Beckman, R. J. & Conover, W. J. (1979). Technometrics 21, 239-245. Minasny, B. & McBratney, A. B. (2006). A conditioned
    Latin hypercube method for sampling in the presence of ancillary information. Comput. Geosci. 32, 1378-1388. Morris, M. D. & Mitchell,
    T. J. (1995). Exploratory designs for computational experiments. J. Stat. Plan. Inference 43, 381-402.
    """
    where = "latin_hypercube"
    n, rng = _asked(where, study, runs, seed)
    groups = tied_groups(study)
    tied = [group for group in groups if len(group) > 1]
    columns: dict[str, Any] = {}
    met, parts = 0, 0
    pool = study.region.sample(_POOL, int(rng.integers(2**31))) if tied else None
    for f in study.factors:
        if [f.name] in groups:
            columns[f.name] = _stratum_settings(
                f, rng.permutation(n), n, None if isinstance(f, Categorical) else _reach(study, f.name)
            )
    for group in tied:
        assert pool is not None
        bins, targets = _strata(study, pool, group, n)
        rows = stratified_rows(bins, targets, n, rng)
        for name in group:
            columns[name] = pool[name].to_numpy()[rows]
        for f_bins, target in zip(bins.T, targets, strict=True):
            count = np.bincount(f_bins[rows], minlength=len(target))
            met += int(np.minimum(count, np.ceil(target)).sum())
            parts += n
    table = pd.DataFrame({name: columns[name] for name in study.names})
    order = spread_by_swaps(_embedded(study, table), [_places(study, group) for group in groups], rng)
    for group, rows in zip(groups, order, strict=True):
        table[group] = table[group].to_numpy()[rows]
    notes = []
    if met < parts:
        names = ", ".join(name for group in tied for name in group)
        notes.append(f"Of {names}, {met} of {parts} equally likely parts have their run.")
    plan = from_settings(
        where,
        study,
        table.infer_objects(),
        arguments={"runs": n},
        kinds=["filling"] * n,
        model=None,
        seed=int(seed),
        notes=notes,
    )
    return _with_distance(plan)


def space_filling(study: Study, runs: int, seed: int = 0) -> Plan:
    """Runs whose closest pair is as far apart as a search can bring it, anywhere in the region.

    Parameters
    ----------
    study : Study
        Any factors and linear constraints.
    runs : int
        How many, from 2 to 500.
    seed : int
        The same seed gives the same plan.

    Returns
    -------
    Plan
        Without a model. Distances are over the ranges that the region leaves, each counted as 1; two levels of a categorical factor are 1
        apart, and its levels are equally frequent. Many runs lie on the boundary, as distance asks for; `latin_hypercube` spreads each factor
        evenly instead.

    Raises
    ------
    StudyError
        If the number of runs or the seed is no such whole number.

    References
    ----------
    Johnson, M. E., Moore, L. M. & Ylvisaker, D. (1990). Minimax and maximin distance designs. J. Stat. Plan. Inference 26, 131-148.
    """
    where = "space_filling"
    n, rng = _asked(where, study, runs, seed)
    pool = study.region.sample(max(2000, 40 * n), int(rng.integers(2**31)))
    if study.region.dimension <= 12 and study.region.complete:
        pool = pd.concat([study.region.vertices().head(5000), pool], ignore_index=True)
    levels = [np.array([f.levels.index(v) for v in pool[f.name]], dtype=np.int64) for f in study.categorical]
    cell = (
        np.unique(np.stack(levels, axis=1), axis=0, return_inverse=True)[1].ravel() if levels else np.zeros(len(pool))
    )
    rows = _farthest(_embedded(study, pool), levels, n, rng)
    left = int(_EFFORT / max(n * len(study.region.names), 1) ** 2.5)
    best, left = _stretched(study, pool.iloc[rows].reset_index(drop=True), left)
    for _ in range(_TRIES):
        if left <= 0:
            break
        # one of the closest pair, and perhaps another run, go elsewhere in their categorical cell; then all stretch again
        D = _between(_embedded(study, best))
        pair = np.unravel_index(int(D.argmin()), D.shape)
        trial = best.copy()
        for i in {int(pair[int(rng.integers(2))]), int(rng.integers(n))}:
            trial.iloc[i] = pool.iloc[int(rng.choice(np.flatnonzero(cell == cell[rows[i]])))]
        trial, left = _stretched(study, trial, left)
        if smallest_distance(study, trial) > np.sqrt(D.min()):
            best = trial
    plan = from_settings(where, study, best, arguments={"runs": n}, kinds=["filling"] * n, model=None, seed=int(seed))
    return _with_distance(plan)


def _asked(where: str, study: object, runs: object, seed: object) -> tuple[int, np.random.Generator]:
    check_study(where, study)
    n = whole_number(f"{where}: runs", runs, 2, _MOST_FILLED, "say how many batches can be made")
    return n, generator(where, seed)


def tied_groups(study: Study) -> list[list[str]]:
    """Factors in groups that no constraint joins: each group's settings can be chosen whatever the others are."""
    region = study.region
    group = {name: i for i, name in enumerate(study.names)}
    for row in [*region.A, *region.E]:
        linked = [region.names[j] for j in np.flatnonzero(row)]
        first = min(group[name] for name in linked)
        joined = {group[name] for name in linked}
        group = {name: first if at in joined else at for name, at in group.items()}
    return [[n for n in study.names if group[n] == at] for at in sorted(set(group.values()))]


def _reach(study: Study, name: str) -> tuple[float, float]:
    """Least and greatest value that the region leaves a numeric factor or component."""
    at = study.region.names.index(name)
    return float(study.region.low[at]), float(study.region.high[at])


def _stratum_settings(factor: Any, stratum: NDArray[np.int64], n: int, reach: tuple[float, float] | None) -> list[Any]:
    """Settings of a factor that nothing ties, one for each stratum 0 … n - 1."""
    if isinstance(factor, Continuous):
        low, high = reach or (factor.low, factor.high)
        return [low + (s + 0.5) / n * (high - low) for s in stratum.tolist()]
    levels = list(factor.levels)
    if reach is not None:
        levels = [v for v in levels if reach[0] <= v <= reach[1]]
    return [levels[s * len(levels) // n] for s in stratum.tolist()]


def _strata(study: Study, pool: pd.DataFrame, group: Sequence[str], n: int) -> tuple[NDArray[np.int64], list[Array]]:
    """Stratum of every pool setting in every factor, shape (N, g), and how many runs each stratum should get."""
    bins, targets = [], []
    for name in group:
        values, factor = pool[name].to_numpy(dtype=float), study.factor(name)
        if isinstance(factor, Discrete):
            index = np.abs(values[:, None] - np.array(factor.levels)).argmin(axis=1)
            bins.append(index)
            targets.append(np.bincount(index, minlength=len(factor.levels)) * n / len(values))
        else:
            bins.append(np.argsort(np.argsort(values, kind="stable"), kind="stable") * n // len(values))
            targets.append(np.ones(n))
    return np.stack(bins, axis=1).astype(np.int64), targets


def stratified_rows(
    bins: NDArray[np.int64], targets: Sequence[Array], n: int, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Rows of a pool whose strata are met as evenly as a search can.

    Each run in turn is replaced by the pool row that brings the counts nearest to the targets (least sum of squares); when that stops
    helping, a part of the runs is drawn anew.

    Parameters
    ----------
    bins : ndarray of int, shape (N, g)
        Stratum of each pool row in each factor.
    targets : sequence of ndarray
        How many runs each stratum of each factor should get; each adds up to n.
    n : int
        Runs.
    rng : Generator
        Source of the start and of the re-draws.

    Returns
    -------
    ndarray of int, shape (n,)
    """
    g = bins.shape[1]

    def off(chosen: NDArray[np.int64]) -> list[Array]:
        return [np.bincount(bins[chosen, f], minlength=len(targets[f])) - targets[f] for f in range(g)]

    rows = rng.choice(len(bins), n, replace=False)
    best, least = rows.copy(), np.inf
    for _ in range(_ROUNDS):
        improved = True
        while improved:
            improved = False
            for r in rng.permutation(n):
                excess = off(np.delete(rows, r))
                cost = np.sum([2 * excess[f][bins[:, f]] for f in range(g)], axis=0)
                row = int(rng.choice(np.flatnonzero(cost <= cost.min() + 1e-9)))
                if cost[row] < cost[rows[r]] - 1e-9:
                    rows[r], improved = row, True
        value = sum(float((o**2).sum()) for o in off(rows))
        if value < least - 1e-9:
            best, least = rows.copy(), value
        if least < 1e-9:
            break
        rows = best.copy()
        again = rng.choice(n, max(1, n // 4), replace=False)
        rows[again] = rng.choice(len(bins), len(again))
    return best


def _embedded(study: Study, table: pd.DataFrame) -> Array:
    """Settings as points whose distances count: each factor's reach is 1 long, two categorical levels are 1 apart."""
    columns = []
    for f in study.factors:
        values = table[f.name].to_numpy()
        if isinstance(f, Categorical):
            columns += [(values == level) / np.sqrt(2) for level in f.levels]
        else:
            low, high = _reach(study, f.name)
            columns.append((values.astype(float) - low) / ((high - low) or 1.0))
    return np.stack(columns, axis=1).astype(np.float64)


def _places(study: Study, group: Sequence[str]) -> NDArray[np.int64]:
    """Columns of the embedding that belong to these factors."""
    at, out = 0, []
    for f in study.factors:
        width = len(f.levels) if isinstance(f, Categorical) else 1
        out += list(range(at, at + width)) if f.name in group else []
        at += width
    return np.array(out, dtype=np.int64)


def _squared_distances(X: Array, Y: Array) -> Array:
    return np.asarray(np.maximum(((X[:, None, :] - Y[None, :, :]) ** 2).sum(axis=2), 1e-12))


def spread_by_swaps(X: Array, places: Sequence[NDArray[np.int64]], rng: np.random.Generator) -> list[NDArray[np.int64]]:
    """Order of the rows within each group of columns that brings the rows far apart.

    Two rows change their values in one group of columns wherever that lowers the sum of distance^-15 over all pairs (Morris & Mitchell 1995):
    every group keeps its rows, so a Latin hypercube stays one. The best of a few random starts.
    """
    n = len(X)
    best, least = [np.arange(n) for _ in places], np.inf
    if len(places) < 2:
        return best
    for _ in range(_STARTS):
        order = [rng.permutation(n) for _ in places]
        Y = X.copy()
        for at, rows in zip(places, order, strict=True):
            Y[:, at] = X[rows][:, at]
        D = _between(Y)
        for step in range(min(20_000, 150 * n * len(places))):
            g = int(rng.integers(len(places)))
            a = int(D.min(axis=1).argmin()) if step % 2 else int(rng.integers(n))  # every other time one of the closest
            b = (a + 1 + int(rng.integers(n - 1))) % n
            at = places[g]
            new = Y[[a, b]]
            new[:, at] = new[::-1][:, at]
            d = _squared_distances(new, Y)
            d[:, [a, b]] = np.inf  # neither to itself nor to where the other was
            d[0, b] = d[1, a] = D[a, b]  # a swap leaves the two as far from each other as they were
            if (d**-_POWER).sum() < (D[[a, b]] ** -_POWER).sum() * (1 - 1e-9):
                Y[[a, b]] = new
                D[[a, b]] = d
                D[:, [a, b]] = d.T
                order[g][[a, b]] = order[g][[b, a]]
        value = float((D**-_POWER).sum())
        if value < least:
            best, least = order, value
    return best


def _between(X: Array) -> Array:
    """Squared distances between all rows, infinite from each to itself."""
    D = _squared_distances(X, X)
    np.fill_diagonal(D, np.inf)
    return D


def smallest_distance(study: Study, table: pd.DataFrame) -> float:
    """Distance of the two closest runs: each factor's reach counts as 1, and so do two levels of a categorical factor."""
    return float(np.sqrt(_between(_embedded(study, table)).min()))


def _with_distance(plan: Plan) -> Plan:
    """The plan with the distance of its two closest runs, as they will be made, in its note."""
    said = f"The two closest runs are {smallest_distance(plan.study, plan.runs):.3f} apart, each factor's range counted as 1."
    return replace(plan, provenance={**plan.provenance, "notes": [*plan.provenance["notes"], said]})


def _farthest(X: Array, levels: Sequence[NDArray[np.int64]], n: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Rows of a pool, each the farthest from those chosen before it; then one of the closest pair is replaced while that helps."""
    rows = [int(rng.integers(len(X)))]
    near = _squared_distances(X, X[rows])[:, 0]
    copies = (near < EXACT).astype(
        float
    )  # of equal distances the setting used least, where there are fewer settings than runs
    while len(rows) < n:
        open_ = np.ones(len(X), dtype=bool)
        for level in levels:  # each level gets its share of the runs
            count = np.bincount(level[rows], minlength=int(level.max()) + 1)
            open_ &= (count < -(-n // len(count)))[level]
        rows.append(int(np.where(open_, near - 1e-15 * copies, -1.0).argmax()))
        last = _squared_distances(X, X[rows[-1:]])[:, 0]
        near, copies = np.minimum(near, last), copies + (last < EXACT)
    chosen = np.array(rows)
    D = _squared_distances(X, X[chosen])
    for _ in range(20 * n):
        own = D[chosen].copy()
        np.fill_diagonal(own, np.inf)
        worst = own.min()
        pair = np.unravel_index(own.argmin(), own.shape)
        better = None
        for r in pair:
            others = np.delete(D, r, axis=1).min(axis=1)
            for level in levels:  # a level keeps its number of runs
                others = np.where(level == level[chosen[r]], others, -1.0)
            row = int(others.argmax())
            if others[row] > worst * (1 + 1e-9) and (better is None or others[row] > better[2]):
                better = (int(r), row, float(others[row]))
        if better is None:
            break
        chosen[better[0]] = better[1]
        D[:, better[0]] = _squared_distances(X, X[[better[1]]])[:, 0]
    return chosen


def _stretched(study: Study, table: pd.DataFrame, left: int) -> tuple[pd.DataFrame, int]:
    """All runs moved together, inside the region, until the smallest distance cannot grow; at most `left` programmes, and how many remain.

    A linear programme moves every run a little so that the smallest distance grows most, distances taken as linear in the moves. Squared
    distances are convex, so the real one grows at least as much, and each programme improves on the last.
    """
    from scipy.optimize import linprog
    from scipy.sparse import block_diag, coo_array, csr_array, hstack, vstack

    region = study.region
    span = np.where(region.high > region.low, region.high - region.low, 1.0)
    x = (table[region.names].to_numpy(dtype=float) - region.low) / span
    n, k = x.shape
    fixed = np.array([isinstance(study.factor(name), Discrete) for name in region.names])
    if fixed.all():
        return table, 0
    A, E = region.A * span, region.E * span
    X = _embedded(study, table)
    at = np.array([int(_places(study, [name])[0]) for name in region.names], dtype=np.int64)
    none = csr_array((0, n * k + 1))
    inequality = hstack([block_diag([A] * n), csr_array((n * len(A), 1))]) if len(A) else none
    equality = hstack([block_diag([E] * n), csr_array((n * len(E), 1))]) if len(E) else none
    objective = np.append(np.zeros(n * k), -1.0)
    for _ in range(min(_PROGRAMMES, left)):
        left -= 1
        D = _squared_distances(X, X)
        i, j = np.triu_indices(n, 1)
        least = D[i, j].min()
        near = D[i, j] < (np.sqrt(least) + 2 * _STEP * np.sqrt(k)) ** 2  # no other pair can come closer in one step
        i, j = i[near], j[near]
        slope = 2 * (x[i] - x[j])
        pair = np.repeat(np.arange(len(i)), k)
        row, column = (
            np.concatenate([pair, pair]),
            np.concatenate([(i[:, None] * k + np.arange(k)).ravel(), (j[:, None] * k + np.arange(k)).ravel()]),
        )
        closer = coo_array((np.concatenate([-slope.ravel(), slope.ravel()]), (row, column)), shape=(len(i), n * k))
        upper = hstack([closer, np.ones((len(i), 1))])
        room = (region.b - region.A @ region.low)[None, :] - x @ A.T
        bounds = np.stack([np.maximum(-x, -_STEP), np.minimum(1 - x, _STEP)], axis=2)
        bounds = np.where(fixed[None, :, None], 0.0, np.clip(bounds, [-np.inf, 0.0], [0.0, np.inf]))
        found = linprog(
            objective,
            A_ub=vstack([upper, inequality]).tocsr(),
            b_ub=np.concatenate([D[i, j], np.maximum(room, 0.0).ravel()]),
            A_eq=equality,
            b_eq=np.zeros(n * len(E)),
            bounds=[*map(tuple, bounds.reshape(-1, 2)), (0, None)],
            method="highs",
        )
        if found.status != 0:
            break
        x = x + found.x[:-1].reshape(n, k)
        X[:, at] = x
        if np.sqrt(found.x[-1] / least) < 1 + 1e-5:
            break
    out = table.copy()
    out[region.names] = region.low + np.clip(x, 0.0, 1.0) * span
    return out, left
