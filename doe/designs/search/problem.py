"""The search problem as arrays: the region a run may lie in, how runs hang together, and both as tables for the kernels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.designs.search.moves import Move, compiled, line_moves
from doe.designs.search.packing import WIDTH, packed

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Region:
    """Where one run may lie: bounds, linear constraints, levels.

    Parameters
    ----------
    low, high : ndarray, shape (m,)
        Bounds of every variable.
    A, b : ndarray, shapes (c, m), (c,)
        A z <= b, beyond the bounds.
    E, f : ndarray, shapes (e, m), (e,)
        E z = f.
    levels : mapping of int to ndarray
        Variables that can take these values only.
    tables : tuple of (tuple of int, ndarray of shape (levels, variables))
        Variables that change together, row by row: the contrasts of a categorical factor.
    given : tuple of int
        Variables that the layout fixes run by run (block contrasts); no move touches them.
    """

    low: Reals
    high: Reals
    A: Reals
    b: Reals
    E: Reals
    f: Reals
    levels: Mapping[int, Reals] = field(default_factory=dict)
    tables: tuple[tuple[tuple[int, ...], Reals], ...] = ()
    given: tuple[int, ...] = ()

    @staticmethod
    def box(m: int) -> Region:
        """The cube [-1, 1]^m."""
        return Region(-np.ones(m), np.ones(m), np.zeros((0, m)), np.zeros(0), np.zeros((0, m)), np.zeros(0))

    @property
    def m(self) -> int:
        """Number of variables."""
        return len(self.low)

    @property
    def continuous(self) -> tuple[int, ...]:
        """Variables that move along lines."""
        other = set(self.levels) | {v for variables, _ in self.tables for v in variables} | set(self.given)
        return tuple(v for v in range(self.m) if v not in other)

    def contains(self, Z: Reals, slack: float = 1e-9) -> NDArray[np.bool_]:
        """Which rows lie in the region, within `slack`."""
        inside = np.maximum(self.low - Z, Z - self.high).max(axis=1, initial=0.0) <= slack
        inside &= (Z @ self.A.T - self.b).max(axis=1, initial=0.0) <= slack
        inside &= np.abs(Z @ self.E.T - self.f).max(axis=1, initial=0.0) <= slack
        for v, values in self.levels.items():
            inside &= (np.abs(Z[:, [v]] - values[None, :]) <= slack).any(axis=1)
        for variables, rows in self.tables:
            apart = np.abs(Z[:, list(variables)][:, None, :] - rows[None]).max(axis=2)
            inside &= (apart <= slack).any(axis=1)
        return np.asarray(inside, dtype=np.bool_)

    def moves(self) -> list[Move]:
        """Every move a run may make: lines, levels, tables."""
        found = line_moves(self)
        found += [
            Move((v,), (1.0,), np.asarray(x, dtype=float).reshape(-1, 1))
            for v, x in self.levels.items()
            if not np.abs(self.E[:, v]).any()  # such a level is held by the equality
        ]
        found += [
            Move(tuple(v), (1.0,) * len(v), np.asarray(x, dtype=float))
            if len(v) > 1
            else Move(tuple(v), (1.0,), np.asarray(x, dtype=float).reshape(-1, 1))
            for v, x in self.tables
        ]
        return found

    def draw(self, count: int, rng: np.random.Generator) -> Reals:
        """Points spread over the region: hit and run from a point well inside, levels drawn evenly.

        Parameters
        ----------
        count : int
        rng : Generator

        Returns
        -------
        ndarray, shape (count, m)
            Feasible within rounding; variables in `given` are 0.

        Raises
        ------
        ValueError
            If no setting satisfies the constraints.
        """
        Z = np.zeros((count, self.m))
        for variables, rows in self.tables:
            Z[:, list(variables)] = np.asarray(rows)[rng.integers(len(rows), size=count)]
        tied = [v for v in self.levels if np.abs(self.A[:, v]).any() or np.abs(self.E[:, v]).any()]
        for v, values in self.levels.items():
            if v not in tied:
                Z[:, v] = np.asarray(values)[rng.integers(len(values), size=count)]
        free = list(self.continuous)
        if not len(self.A) and not len(self.E):
            Z[:, free] = self.low[free] + rng.random((count, len(free))) * (self.high - self.low)[free]
            return Z
        combinations = list(product(*(self.levels[v] for v in tied)))
        if len(combinations) > 64:
            combinations = [combinations[k] for k in rng.permutation(len(combinations))[:64]]
        centres = []
        for combination in combinations:
            held = np.zeros(self.m)
            held[tied] = combination
            centre = self._middle(free, held)
            if centre is not None:
                centres.append(centre)
        if not centres:
            raise ValueError("no setting satisfies the constraints")
        start = np.array(centres)[np.arange(count) % len(centres)]
        Z[:, tied] = start[:, tied]
        Z[:, free] = self._hit_and_run(start[:, free], free, start, rng)
        return Z

    def _middle(self, free: list[int], held: Reals) -> Reals | None:
        """The point farthest from the constraints that can be loosened, others at `held`; None if there is none."""
        from scipy.optimize import linprog

        lengths = np.linalg.norm(self.A[:, free], axis=1)
        k = len(free)
        upper = np.hstack([np.eye(k), np.ones((k, 1)) * (self.high - self.low)[free][:, None]])
        lower = np.hstack([-np.eye(k), np.ones((k, 1)) * (self.high - self.low)[free][:, None]])
        A = np.vstack([np.hstack([self.A[:, free], lengths[:, None]]), upper, lower])
        b = np.concatenate([self.b - self.A @ held, self.high[free], -self.low[free]])
        E = np.hstack([self.E[:, free], np.zeros((len(self.E), 1))])
        answer = linprog(
            np.append(np.zeros(k), -1.0),
            A,
            b,
            E if len(E) else None,
            self.f - self.E @ held if len(E) else None,
            bounds=[(None, None)] * k + [(0, None)],
            method="highs",
        )
        if not answer.success:
            return None
        point = held.copy()
        point[free] = answer.x[:k]
        return point

    def _hit_and_run(self, Z: Reals, free: list[int], held: Reals, rng: np.random.Generator) -> Reals:
        count, k = Z.shape
        if len(self.E):
            _, values, basis = np.linalg.svd(self.E[:, free])
            rank = int((values > 1e-10 * max(1.0, float(values.max(initial=0.0)))).sum())
            basis = basis[rank:]
        else:
            basis = np.eye(k)
        if len(basis) == 0:
            return Z
        fixed = held.copy()
        fixed[:, free] = 0.0
        b = self.b - fixed @ self.A.T
        span = (self.high - self.low)[free]
        for _ in range(10 + 5 * len(basis)):
            U = rng.standard_normal((count, len(basis))) @ basis
            with np.errstate(divide="ignore", invalid="ignore"):
                along = U @ self.A[:, free].T
                room = np.maximum(b - Z @ self.A[:, free].T, 0.0)
                up = np.where(along > 1e-12, room / along, np.inf).min(axis=1, initial=np.inf)
                down = np.where(along < -1e-12, room / along, -np.inf).max(axis=1, initial=-np.inf)
                moving = np.abs(U) > 1e-12 * span
                one, two = (self.low[free] - Z) / U, (self.high[free] - Z) / U
                up = np.minimum(up, np.where(moving, np.maximum(one, two), np.inf).min(axis=1))
                down = np.maximum(down, np.where(moving, np.minimum(one, two), -np.inf).max(axis=1))
            t = down + rng.random(count) * (up - down)
            ok = np.isfinite(t)
            Z = Z + np.where(ok, t, 0.0)[:, None] * U
            Z = np.clip(Z, self.low[free], self.high[free])
        return Z


@dataclass(frozen=True)
class Layout:
    """How the runs hang together.

    Parameters
    ----------
    n : int
        Number of runs (settings, where `repeats` counts how often each is made).
    whole_plot, block : ndarray of int, shape (n,), optional
        Which whole plot shares the hard-to-change settings; which random block a run is made in.
    eta_whole, eta_block : float
        Their variances over the variance of a run within them.
    hard : tuple of int
        Variables that all runs of a whole plot share.
    given : ndarray, shape (n, m), optional
        Values of the region's `given` variables, and whole settings of frozen runs.
    frozen : ndarray of bool, shape (n,), optional
        Runs that stay as given.
    ties : ndarray of int, shape (n,), optional
        Run whose setting this one repeats (its own index where none).
    repeats : ndarray of int, shape (n,), optional
        How often each run is made; independent runs only.
    repeat_block : ndarray of int, shape (n,), optional
        Block within which a repeat may pass to another run; −1 where it may not.
    """

    n: int
    whole_plot: Ints | None = None
    block: Ints | None = None
    eta_whole: float = 0.0
    eta_block: float = 0.0
    hard: tuple[int, ...] = ()
    given: Reals | None = None
    frozen: NDArray[np.bool_] | None = None
    ties: Ints | None = None
    repeats: Ints | None = None
    repeat_block: Ints | None = None

    def inverse_covariance(self) -> Reals:
        """V^-1, with V = I + η_w Z_w Z_w' + η_b Z_b Z_b' in units of the variance of a run within its whole plot."""
        V = np.eye(self.n)
        for member, eta in ((self.whole_plot, self.eta_whole), (self.block, self.eta_block)):
            if member is not None and eta > 0:
                V += eta * (member[:, None] == member[None, :])
        inverse = np.linalg.inv(V)
        inverse[np.abs(inverse) < 1e-14] = 0.0
        return (inverse + inverse.T) / 2


@dataclass(frozen=True)
class Problem:
    """Model, region and layout together.

    Parameters
    ----------
    exponents : ndarray of int, shape (p, m)
        Powers of each model column over the variables.
    region : Region
    layout : Layout
    moments : ndarray, shape (p, p)
        B of the criterion trace(M^-1 B): moments over the region for I, the identity for A.
    prior : ndarray, shape (p, p), optional
        Information held beforehand.
    lattice : tuple of Move, optional
        Moves to use instead of the region's own (the settable lattice).
    """

    exponents: Ints
    region: Region
    layout: Layout
    moments: Reals | None = None
    prior: Reals | None = None
    lattice: tuple[Move, ...] | None = None

    @property
    def p(self) -> int:
        """Number of model columns."""
        return len(self.exponents)

    def rows(self, Z: Reals) -> Reals:
        """Model matrix of settings, shape (n, p)."""
        X = np.ones((len(Z), self.p))
        for c, row in enumerate(self.exponents):
            for v in np.flatnonzero(row):
                X[:, c] *= Z[:, v] ** row[v]
        return X

    def moves(self) -> list[Move]:
        """The moves that runs may make."""
        return self.region.moves() if self.lattice is None else list(self.lattice)

    def repeats(self) -> Ints:
        """How often each run is made at the start of a search."""
        given = self.layout.repeats
        return np.ones(self.layout.n, dtype=np.int64) if given is None else given.astype(np.int64)

    def shared(self) -> bool:
        """Whether some runs move together or are made more than once."""
        tied = self.layout.ties is not None and bool((self.layout.ties != np.arange(self.layout.n)).any())
        return bool(self.layout.hard) or tied or bool((self.repeats() > 1).any())

    def groups(self) -> list[list[int]]:
        """Runs that a start draws together: whole plots where settings are shared, else single runs; ties follow."""
        frozen = np.zeros(self.layout.n, dtype=bool) if self.layout.frozen is None else self.layout.frozen
        return [runs for runs in self._members() if not frozen[runs].all()]

    def _members(self) -> list[list[int]]:
        plots, ties = self.layout.whole_plot, self.layout.ties
        if self.layout.hard and plots is not None:
            return [np.flatnonzero(plots == w).tolist() for w in sorted(set(plots.tolist()))]
        return [[i] for i in range(self.layout.n) if ties is None or ties[i] == i]

    def pool(self, seed: int) -> Reals:
        """Settings that starts draw from, flat: (points * m,)."""
        points = self.region.draw(int(np.clip(64 * self.layout.n, 1024, 4096)), np.random.default_rng([seed, 1 << 20]))
        return points.ravel()

    def state(self, seed: tuple[int, ...] = (0,)) -> tuple[Ints, Reals]:
        """Tables and fresh work space for the kernels, the generator keyed by `seed` (see `packing`)."""
        region, layout, n, m, p = self.region, self.layout, self.layout.n, self.region.m, self.p
        moves = self.moves()
        integers, reals = compiled(moves, self.exponents, region.A)
        deep = integers["count"].shape[1]
        widest_table = reals["level"].shape[1]
        hard = set(layout.hard)
        frozen = np.zeros(n, dtype=bool) if layout.frozen is None else layout.frozen
        ties = np.arange(n) if layout.ties is None else layout.ties
        shared = [k for k, move in enumerate(moves) if hard & set(move.variables)]
        own = [k for k, move in enumerate(moves) if not hard & set(move.variables)]
        classes = [own, shared, shared + own]
        units: list[list[int]] = []
        unit_class: list[int] = []
        groups: list[list[int]] = []
        run_unit = np.full(n, -1)
        for runs in self._members():
            alone = len(runs) == 1
            if hard and not alone and not frozen[runs].any() and shared:
                units.append(runs)
                unit_class.append(1)
            for i in runs:
                if frozen[i] or ties[i] != i:
                    continue
                run_unit[i] = len(units)
                units.append([int(j) for j in np.flatnonzero(ties == i)])
                unit_class.append(2 if hard and alone else 0)
            if not frozen[runs].all():
                groups.append(runs)
        inverse = layout.inverse_covariance()
        rel = [np.flatnonzero(row) for row in inverse]
        mon = [[v for v in range(m) for _ in range(row[v])] for row in self.exponents]
        free = np.ones(m, dtype=np.int64)
        free[list(region.given)] = 0
        widest = max((len(u) for u in units), default=1)

        def pointers(rows: list[Any]) -> Ints:
            return np.concatenate([[0], np.cumsum([len(r) for r in rows])]).astype(np.int64)

        def flat(rows: list[Any]) -> Ints:
            return np.array([x for r in rows for x in r], dtype=np.int64)

        integers |= {
            "mon_ptr": pointers(mon),
            "mon": flat(mon),
            "unit_ptr": pointers(units),
            "unit_run": flat(units),
            "unit_class": np.array(unit_class, dtype=np.int64),
            "class_ptr": pointers(classes),
            "class_move": flat(classes),
            "rel_ptr": pointers(rel),
            "rel_run": flat(rel),
            "group_ptr": pointers(groups),
            "group_run": flat(groups),
            "free": free,
            "frozen": frozen.astype(np.int64),
            "repeat_block": np.full(n, -1) if layout.repeat_block is None else layout.repeat_block,
            "ties": ties,
            "run_unit": run_unit,
            "repeats": self.repeats(),
        }
        square = np.zeros(p * p)
        reals |= {
            "low": region.low,
            "high": region.high,
            "a": region.A,
            "b": region.b,
            "rel_weight": np.concatenate([inverse[i, r] for i, r in enumerate(rel)]),
            "diagonal": np.diag(inverse),
            "moments": np.eye(p) if self.moments is None else self.moments,
            "prior": square if self.prior is None else self.prior,
            "z": np.zeros(n * m) if layout.given is None else layout.given,
            "f": np.zeros(n * p),
            "slack": np.zeros(n * len(region.b)),
            "at_m": square,
            "at_d": square,
            "at_c": square,
            "work": np.zeros(8 * p),
            "delta": np.zeros(deep * p),
            "group_delta": np.zeros(2 * widest * deep * p),
            "group_h": np.zeros(widest * p),
            "terms": np.zeros(2 * deep * p * p),
            "poly": np.zeros(12 * WIDTH),
            "trial": np.zeros(m),
        }
        sizes = {
            "runs": n,
            "variables": m,
            "columns": p,
            "constraints": len(region.b),
            "deep": deep,
            "units": len(units),
            "groups": len(groups),
            "widest": widest_table,
            "random": int(np.random.SeedSequence(list(seed)).generate_state(1, np.uint64).view(np.int64)[0]),
        }
        return packed(sizes, integers, reals)
