"""The design region: every setting within the ranges, the mixture total and the constraints; its corners, centroids, points, averages."""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from numbers import Integral
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe.study.blocks import Block, Slice, TooManyError
from doe.study.constraints import LinearConstraint, parse_constraint
from doe.study.errors import StudyError
from doe.study.factors import Categorical, Component, Continuous, Discrete
from doe.study.halfspaces import TOLERANCE, Bools, Floats, Ints, minimum, redundant, smallest_clash
from doe.study.polytope import POINTS
from doe.study.shown import Section, Shown, number_text
from doe.study.terms import quoted

if TYPE_CHECKING:
    from doe.study.models import Model
    from doe.study.trial import Study

ROWS = 1_000_000  # settings listed at most


@dataclass(frozen=True, eq=False)
class _Row:
    """One comparison in natural units, `coefficients` · x <= or == `bound`, and what to call it."""

    coefficients: Floats
    bound: float
    equal: bool
    text: str  # of the whole constraint; empty for the mixture total
    part: str  # of this comparison


@dataclass(frozen=True, eq=False, repr=False)
class Region(Shown):
    """Where settings may lie. Made by `Study.region`; prints its ranges and constraints, with those that never matter.

    Ranges are the factors' low and high; `limits` are wider and bind only what goes beyond the region on purpose. Discrete
    factors have only their levels. The uniform law on the region gives each categorical level and each possible combination
    of discrete levels the same weight, and spreads the rest evenly.

    Raises
    ------
    StudyError
        If a constraint cannot be read, or nothing meets them all: the smallest set that clashes is named.
    """

    study: Study

    def __post_init__(self) -> None:
        self._check_ratios()
        for block in self._blocks:
            if not block.feasible:
                raise self._clash(block)

    # ---- rows

    @cached_property
    def _factors(self) -> tuple[Continuous | Discrete | Component, ...]:
        return tuple(f for f in self.study.factors if not isinstance(f, Categorical))

    @property
    def names(self) -> list[str]:
        """Numeric factors and components, in the study's order: the columns of `A` and `E`, the entries of `low` and `high`."""
        return [f.name for f in self._factors]

    @cached_property
    def _low(self) -> Floats:
        return np.array([f.low for f in self._factors], dtype=float)

    @cached_property
    def _span(self) -> Floats:
        return np.array([f.high - f.low for f in self._factors], dtype=float)

    @cached_property
    def _parts(self) -> Bools:
        return np.array([isinstance(f, Component) for f in self._factors], dtype=bool)

    @cached_property
    def _parsed(self) -> tuple[LinearConstraint, ...]:
        refused = {f.name: "a categorical factor" for f in self.study.categorical}
        return tuple(
            c
            for text in self.study.constraints
            for c in parse_constraint(text, self.names, refused, "study: constraint")
        )

    @cached_property
    def _rows(self) -> tuple[_Row, ...]:
        """The user's comparisons, then the mixture total."""
        place = {name: j for j, name in enumerate(self.names)}
        out = []
        for c in self._parsed:
            row = np.zeros(len(place))
            for name, value in c.coefficients:
                row[place[name]] = value
            sign = -1.0 if c.sense == ">=" else 1.0
            out.append(_Row(sign * row, sign * c.bound, c.sense == "==", c.text, c.part))
        if self._parts.any():
            out.append(_Row(self._parts.astype(float), self._total, True, "", ""))
        return tuple(out)

    @property
    def _total(self) -> float:
        return 100.0 if self.study.mixture_total is None else self.study.mixture_total

    def _unit(self, rows: Sequence[_Row], columns: Ints | None = None) -> tuple[Floats, Floats]:
        """Rows in unit coordinates, of unit norm."""
        columns = np.arange(len(self._factors)) if columns is None else columns
        raw = np.array([r.coefficients[columns] for r in rows]).reshape(len(rows), len(columns))
        bound = np.array([r.bound for r in rows]) - raw @ self._low[columns]
        raw = raw * self._span[columns]
        norm = np.linalg.norm(raw, axis=1)
        return raw / norm[:, None], bound / norm

    @cached_property
    def _members(self) -> tuple[tuple[Ints, tuple[_Row, ...]], ...]:
        """Factors tied together by rows, with those rows."""
        owner = list(range(len(self._factors)))
        for row in self._rows:
            linked = {owner[j] for j in np.flatnonzero(row.coefficients)}
            owner = [min(linked) if o in linked else o for o in owner]
        out = []
        for first in sorted(set(owner)):
            columns = np.flatnonzero(np.array(owner) == first)
            out.append((columns, tuple(r for r in self._rows if r.coefficients[columns].any())))
        return tuple(out)

    @cached_property
    def _blocks(self) -> tuple[Block, ...]:
        return tuple(self._block(columns, rows) for columns, rows in self._members)

    def _block(self, columns: Ints, rows: Sequence[_Row]) -> Block:
        k = len(columns)
        A, b = self._unit([r for r in rows if not r.equal], columns)
        E, f = self._unit([r for r in rows if r.equal], columns)
        levels = []
        for at, j in enumerate(columns):
            factor = self._factors[j]
            if isinstance(factor, Discrete):
                levels.append((at, (np.array(factor.levels) - factor.low) / (factor.high - factor.low)))
        return Block(
            columns=columns,
            A=np.vstack([np.eye(k), -np.eye(k), A]),
            b=np.concatenate([np.ones(k), np.zeros(k), b]),
            E=E,
            f=f,
            levels=tuple(levels),
            parts=self._parts[columns],
            span=self._span[columns],
        )

    # ---- refusals

    def _check_ratios(self) -> None:
        """A ratio may be multiplied out where its divisor is above zero on the region, and never below it without the ratios."""
        ratios = [c for c in self._parsed if c.divisor]
        if not ratios:
            return
        n = len(self._factors)
        place = {name: j for j, name in enumerate(self.names)}
        multiplied = {c.part for c in ratios}
        others = [r for r in self._rows if r.part not in multiplied]
        for c in ratios:
            direction = np.zeros(n)
            for name, value in c.divisor:
                direction[place[name]] = value
            size = float(np.linalg.norm(direction * self._span))
            for rows, least in ((others, -TOLERANCE), (self._rows, TOLERANCE)):
                A, b = self._unit([r for r in rows if not r.equal])
                E, f = self._unit([r for r in rows if r.equal])
                A, b = np.vstack([np.eye(n), -np.eye(n), A]), np.concatenate([np.ones(n), np.zeros(n), b])
                found = minimum(direction * self._span / size, A, b, E, f)
                if found is None:
                    break  # an empty region is reported as such
                lowest = c.divisor_constant + float(direction @ self._low) + found[0] * size
                if lowest <= least * size:
                    text = _sum_text(c.divisor, c.divisor_constant)
                    raise StudyError(
                        "study: constraint",
                        c.text,
                        "divided only by what stays above 0 on the region",
                        f"{text} can be {number_text(lowest + 0.0)} there: raise its low, or write the constraint without dividing",
                    )

    def _clash(self, block: Block) -> StudyError:
        """The sentence that names the smallest set of bounds and constraints of an empty block that cannot hold together."""
        k = len(block.columns)
        rows = dict(self._members_of(block))
        words: list[str] = []
        groups: list[tuple[list[int], list[int]]] = []
        levels: list[tuple[int, Floats] | None] = []
        for at, values in block.levels:  # first, so that bounds are named rather than levels where either would do
            factor = self._factors[block.columns[at]]
            listed = ", ".join(_number(v) for v in factor.levels) if isinstance(factor, Discrete) else ""
            words.append(f"levels of {factor.name} ({f'{listed} {factor.unit}'.strip()})")
            groups.append(([], []))
            levels.append((at, values))
        for at, j in enumerate(block.columns):
            factor = self._factors[j]
            low, high = ("lowest level", "highest level") if isinstance(factor, Discrete) else ("low", "high")
            for row, word, value in ((k + at, low, factor.low), (at, high, factor.high)):
                words.append(f"{word} of {factor.name} ({_amount(value, factor.unit)})")
                groups.append(([row], []))
                levels.append(None)
        for text, (inequalities, equalities) in rows.items():
            words.append(
                f'"{text}"' if text else f"mixture total ({_amount(self._total, self.study.components[0].unit)})"
            )
            groups.append((inequalities, equalities))
            levels.append(None)
        found = smallest_clash(block.A, block.b, block.E, block.f, groups, levels)
        named = [words[g] for g in found]
        listed = ", ".join(named[:-1]) + f" and {named[-1]}" if len(named) > 1 else named[0]
        return StudyError(
            f"study {self.study.name!r}: region",
            "empty",
            "one that some setting can meet",
            f"{listed} cannot hold together; relax one of them",
        )

    def _members_of(self, block: Block) -> Iterable[tuple[str, tuple[list[int], list[int]]]]:
        """Each constraint of a block with its rows of A and of E."""
        rows = next(rows for columns, rows in self._members if columns is block.columns)
        out: dict[str, tuple[list[int], list[int]]] = {}
        counts = [2 * len(block.columns), 0]
        for row in rows:
            out.setdefault(row.text, ([], []))[row.equal].append(counts[row.equal])
            counts[int(row.equal)] += 1
        return out.items()

    # ---- arrays for numerics, natural units

    @cached_property
    def low(self) -> Floats:
        """Least value of every numeric factor and component on the region, shape (k,), natural units."""
        return self._ends[0]

    @cached_property
    def high(self) -> Floats:
        """Greatest value of every numeric factor and component on the region, shape (k,), natural units."""
        return self._ends[1]

    @cached_property
    def _ends(self) -> tuple[Floats, Floats]:
        low, high = np.empty(len(self._factors)), np.empty(len(self._factors))
        for block in self._blocks:
            low[block.columns], high[block.columns] = block.bounds
        ends = self._natural(np.vstack([low, high]))
        return ends[0], ends[1]

    @cached_property
    def _standing(self) -> tuple[list[_Row], list[_Row], list[_Row]]:
        """Rows that cut, rows that hold with equality everywhere, and rows that change nothing."""
        cut: list[_Row] = []
        equal: list[_Row] = []
        idle: list[_Row] = []
        for block, (columns, rows) in zip(self._blocks, self._members, strict=True):
            if not rows:
                continue
            k = len(columns)
            inequalities = [r for r in rows if not r.equal]
            spare = set(redundant(block.A, block.b, block.E, block.f, range(2 * k, 2 * k + len(inequalities))))
            for at, row in enumerate(inequalities, start=2 * k):
                (idle if at in spare else equal if block.relaxed.implied[at] else cut).append(row)
            for side in np.flatnonzero(block.relaxed.implied[: 2 * k]):
                factor = self._factors[columns[side % k]]
                unit = np.zeros(len(self._factors))
                unit[columns[side % k]] = 1.0
                equal.append(_Row(unit, factor.high if side < k else factor.low, True, "", ""))
            equalities = [r for r in rows if r.equal]
            kept = list(range(len(equalities)))
            for at in reversed(range(len(equalities))):
                others = [i for i in kept if i != at]
                if equalities[at].text and _holds(block.E[at], block.f[at], block, others):
                    kept = others
                    idle.append(equalities[at])
            equal += [equalities[i] for i in kept]
        order = {id(r): i for i, r in enumerate(self._rows)}
        return cut, equal, sorted(idle, key=lambda r: order[id(r)])

    @cached_property
    def A(self) -> Floats:  # noqa: N802  the field's own letter
        """Rows of A x <= b: the inequality constraints that cut the region, without the ranges; shape (m, k), natural units."""
        return _stacked(self._standing[0], len(self._factors))

    @cached_property
    def b(self) -> Floats:
        """Right-hand sides of A x <= b, shape (m,)."""
        return np.array([r.bound for r in self._standing[0]])

    @cached_property
    def _equalities(self) -> tuple[Floats, Floats]:
        kept: list[_Row] = []
        for row in self._standing[1]:
            trial = np.array([r.coefficients * self._span for r in [*kept, row]])
            trial /= np.linalg.norm(trial, axis=1, keepdims=True)
            if np.linalg.matrix_rank(trial, tol=TOLERANCE) == len(trial):
                kept.append(row)
        return _stacked(kept, len(self._factors)), np.array([r.bound for r in kept])

    @cached_property
    def E(self) -> Floats:  # noqa: N802
        """Rows of E x == f, independent: all equalities that hold on the region, implied ones too; shape (k − dimension, k)."""
        return self._equalities[0]

    @cached_property
    def f(self) -> Floats:
        """Right-hand sides of E x == f."""
        return self._equalities[1]

    @cached_property
    def dimension(self) -> int:
        """Dimension of the flat that the region fills, discrete factors taken as ranges; categorical factors do not count."""
        return sum((block.relaxed.dimension for block in self._blocks), 0)

    # ---- what never matters

    @cached_property
    def tightened(self) -> pd.DataFrame:
        """Factors that cannot reach the low or high given for them: factor, low, high as given, reached_low, reached_high."""
        off = (self.low - self._low > TOLERANCE * self._span) | (
            self._low + self._span - self.high > TOLERANCE * self._span
        )
        at = np.flatnonzero(off)
        return pd.DataFrame(
            {
                "factor": [self._factors[j].name for j in at],
                "low": self._low[at],
                "high": [self._factors[j].high for j in at],
                "reached_low": self.low[at],
                "reached_high": self.high[at],
            }
        )

    @cached_property
    def redundant(self) -> tuple[str, ...]:
        """Constraints (each side of a chain by itself) that hold anyway because of the others and the ranges."""
        return tuple(r.part for r in self._standing[2])

    @cached_property
    def left_out(self) -> pd.DataFrame:
        """Combinations of discrete levels, among factors that constraints tie together, that no setting can have."""
        parts = []
        for block in self._blocks:
            if len(block.columns) == 1 or not block.levels:
                continue
            chosen = [self._factors[block.columns[c]] for c, _ in block.levels]
            possible = {c for c, _ in self._slices(block)}
            missing = [
                [f.levels[i] for f, i in zip(chosen, at, strict=True) if isinstance(f, Discrete)]
                for at in product(*(range(len(v)) for _, v in block.levels))
                if tuple(float(v[i]) for (_, v), i in zip(block.levels, at, strict=True)) not in possible
            ]
            if missing:
                parts.append(pd.DataFrame(missing, columns=[f.name for f in chosen]))
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()

    def _slices(self, block: Block) -> list[Slice]:
        try:
            return block.slices
        except TooManyError as problem:
            raise self._too_many(problem) from problem

    def _too_many(self, problem: TooManyError) -> StudyError:
        mend = "draw settings with .sample instead, or fix some factors"
        if "levels" in str(problem):
            mend = "make some of those factors Continuous with a step"
        return StudyError(
            f"study {self.study.name!r}: region", f"too many {problem}", "one whose parts can be listed", mend
        )

    # ---- settings, natural units

    def contains(self, df: pd.DataFrame) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Which settings lie in the region.

        Parameters
        ----------
        df : DataFrame
            One column a factor, natural units; the balance component's column may be missing.

        Returns
        -------
        ndarray of bool, shape (n,)
            Edges are inside; the tolerance is 1e-9 of each factor's range. A discrete factor must be at one of its levels.

        Raises
        ------
        StudyError
            If a column is missing or a cell cannot be used.
        """
        return self._contains(self.study.frame(df))

    def _contains(self, table: pd.DataFrame) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """What `contains` gives for a table that `Study.frame` has checked."""
        x = table[self.names].to_numpy(dtype=float).reshape(len(table), len(self.names))
        u = (x - self._low) / self._span
        inside = ((u >= -TOLERANCE) & (u <= 1.0 + TOLERANCE)).all(axis=1)
        for row in self._rows:
            size = float(np.abs(row.coefficients) @ self._span)
            over = x @ row.coefficients - row.bound
            inside &= (np.abs(over) if row.equal else over) <= TOLERANCE * size
        for block in self._blocks:
            for c, levels in block.levels:
                inside &= np.abs(u[:, block.columns[c], None] - levels).min(axis=1) <= TOLERANCE
        return np.asarray(inside, dtype=np.bool_)

    def vertices(self) -> pd.DataFrame:
        """Corners of the region: its extreme settings, crossed with every level of the categorical factors.

        Returns
        -------
        DataFrame
            One row a corner, natural units, in standard order (the first factor changes fastest). Discrete factors have levels.

        Raises
        ------
        StudyError
            If there would be more than a million rows.

        Notes
        -----
        Up to 20,000 corners of factors that constraints tie together are listed, however many constraints meet in one. Beyond
        (some thirty constraints deep into twelve factors) the corners are those that linear programmes in 400 random
        directions find; `complete` is then False, and a warning says so.
        """
        if not self.complete:
            warnings.warn("there are too many corners to list: these are some of them", UserWarning, stacklevel=2)
        return self._crossed([block.vertices() for block in self._blocks])

    @cached_property
    def complete(self) -> bool:
        """Whether `vertices` lists every corner."""
        return all(block.complete for block in self._blocks)

    def centroids(self, dim: int) -> pd.DataFrame:
        """Centroids of all faces of one dimension, crossed with every level of the categorical factors.

        Parameters
        ----------
        dim : int
            1 for edges, 2 for plane faces … `dimension` for the whole region (and 0 for its corners).

        Returns
        -------
        DataFrame
            The mean of each face's corners (McLean & Anderson 1966), natural units, standard order. A discrete factor takes
            the level nearest to the centroid, or each of two where it lies midway.

        Raises
        ------
        StudyError
            If `dim` is no dimension of a face, or there are too many faces to list.

        References
        ----------
        McLean, R. A. & Anderson, V. L. (1966). Extreme vertices design of mixture experiments. Technometrics 8(3), 447-454.
        """
        if isinstance(dim, bool) or not isinstance(dim, Integral) or not 0 <= dim <= self.dimension:
            raise StudyError(
                "centroids: dim",
                dim,
                f"a whole number from 0 to {self.dimension}",
                "take 1 for edges, 2 for plane faces, up to the dimension of the region for its middle",
            )
        parts: list[Floats] = []
        sizes = [block.relaxed.dimension for block in self._blocks]
        known: dict[tuple[int, int], Floats] = {}
        for split in _splits(int(dim), sizes):
            chosen = []
            for at, d in enumerate(split):
                if (at, d) not in known:
                    try:
                        known[at, d] = self._blocks[at].centroids(d)
                    except TooManyError as problem:
                        raise self._too_many(problem) from problem
                chosen.append(known[at, d])
            parts.append(self._joined(chosen, sum(map(len, parts))))
        return self._table(np.vstack(parts))

    def sample(self, n: int, seed: int = 0) -> pd.DataFrame:
        """Settings drawn from the uniform law on the region.

        Parameters
        ----------
        n : int
            How many.
        seed : int
            The same seed gives the same settings.

        Returns
        -------
        DataFrame
            One row a setting, natural units. Each categorical level, and each combination of discrete levels that leaves a
            setting, is as likely as any other; the rest is spread evenly over its polytope.

        Notes
        -----
        Independent and exactly uniform, except for factors tied together by so many constraints that corners are not listed
        (`complete` is False): these are drawn by rejection from their ranges or, where under 1 % would be kept, by 1,024
        hit-and-run walks with 20 steps a dimension before the first point and 4 a dimension between two points of a walk.
        """
        count, rng = _whole("sample: n", n, 1), np.random.default_rng(_whole("sample: seed", seed, 0))
        u = np.empty((count, len(self._factors)))
        for block in self._blocks:
            self._slices(block)
            u[:, block.columns] = block.sample(count, rng)
        labels = {f.name: rng.integers(len(f.levels), size=count) for f in self.study.categorical}
        return self._frame(self._natural(u), labels)

    def grid(self, n: int) -> pd.DataFrame:
        """A regular grid of settings inside the region, crossed with every level of the categorical factors.

        Parameters
        ----------
        n : int
            Levels of each factor between the least and greatest value it can take; discrete factors have their own. Components
            move in equal steps that keep the total, n of them for the component with the widest range.

        Returns
        -------
        DataFrame
            Natural units, standard order.

        Raises
        ------
        StudyError
            If there would be more than a million rows.
        """
        count = _whole("grid: n", n, 2)
        try:
            found = [block.grid(count, ROWS) for block in self._blocks]
        except TooManyError as problem:
            raise self._grid_too_large(count) from problem
        if np.prod([len(p) for p in found], dtype=float) * self._cells > ROWS:
            raise self._grid_too_large(count)
        return self._crossed(found)

    def _grid_too_large(self, n: int) -> StudyError:
        return StudyError(
            "grid: n", n, f"so small that the grid has at most {ROWS:,} settings", "lower it, or draw with .sample"
        )

    @property
    def _cells(self) -> int:
        return int(np.prod([len(f.levels) for f in self.study.categorical], dtype=np.int64))

    def _natural(self, u: Floats) -> Floats:
        """Unit coordinates in natural units; ends and levels are the very numbers the user gave, the rest has 12 digits."""
        x = self._low + u * self._span
        for j, factor in enumerate(self._factors):
            places = 12 - int(np.ceil(np.log10(self._span[j])))
            x[:, j] = np.round(x[:, j], min(max(places, 0), 300)) + 0.0
            for value in factor.levels if isinstance(factor, Discrete) else (factor.low, factor.high):
                x[np.abs(x[:, j] - value) <= 1e-11 * self._span[j], j] = value
        return x

    def _joined(self, chosen: Sequence[Floats], before: int = 0) -> Floats:
        """Every combination of the blocks' points."""
        rows = float(np.prod([len(p) for p in chosen], dtype=float))
        if (rows + before) * self._cells > ROWS:
            raise self._too_many(TooManyError(f"settings to list (more than {ROWS:,})"))
        u = np.empty((int(rows), len(self._factors)))
        at = np.indices([len(p) for p in chosen]).reshape(len(chosen), -1) if chosen else np.empty((0, 1), dtype=int)
        for block, points, which in zip(self._blocks, chosen, at, strict=True):
            u[:, block.columns] = points[which]
        return u

    def _crossed(self, chosen: Sequence[Floats]) -> pd.DataFrame:
        return self._table(self._joined(chosen))

    def _table(self, u: Floats) -> pd.DataFrame:
        """Different settings in standard order, crossed with the categorical levels."""
        x = np.unique(self._natural(u)[:, ::-1], axis=0)[:, ::-1] if len(self._factors) else u
        cells = np.indices([len(f.levels) for f in self.study.categorical][::-1]).reshape(-1, self._cells)[::-1]
        labels = {f.name: np.repeat(c, len(x)) for f, c in zip(self.study.categorical, cells, strict=True)}
        return self._frame(np.tile(x, (self._cells, 1)), labels)

    def _frame(self, x: Floats, labels: dict[str, Ints]) -> pd.DataFrame:
        place = {name: j for j, name in enumerate(self.names)}
        return pd.DataFrame(
            {
                f.name: [f.levels[i] for i in labels[f.name]] if isinstance(f, Categorical) else x[:, place[f.name]]
                for f in self.study.factors
            }
        )

    # ---- averages

    def moments(self, model: Model) -> Floats:
        """The average of x x' over the region, x a row of the model matrix: what the I-criterion weighs with.

        Parameters
        ----------
        model : Model
            Over this study's factors.

        Returns
        -------
        ndarray, shape (p, p)
            Symmetric; under the uniform law that `sample` draws from.

        Notes
        -----
        Exact (rounding apart): the law is a product over groups of factors that constraints tie together, and monomials are
        integrated over each polytope by the divergence theorem (Lasserre 1998), which gives the closed forms on boxes and
        simplexes. Where `exact_for(model)` is False it is estimated from 65,536 points, and a warning says so.
        """
        if not self.exact_for(model):
            warnings.warn(
                f"averages over the region are estimated from {POINTS:,} points: constraints tie too many factors together",
                UserWarning,
                stacklevel=2,
            )
        first, second = np.triu_indices(model.p)
        powers, place = np.unique(model.exponents[first] + model.exponents[second], axis=0, return_inverse=True)
        average = np.ones(len(powers))
        for value in self._averages(powers):
            average *= value
        out = np.empty((model.p, model.p))
        out[first, second] = out[second, first] = average[place.ravel()]
        return out

    def exact_for(self, model: Model) -> bool:
        """Whether `moments` of this model have no sampling error."""
        if model.study.variables != self.study.variables:
            raise StudyError("moments: model", model.name, "made by the same study", "make it with study.model(…)")
        first, second = np.triu_indices(model.p)
        powers = np.unique(model.exponents[first] + model.exponents[second], axis=0)
        exact = True
        for block in self._blocks:
            self._slices(block)
            exact &= block.exact_for(np.unique(powers[:, self._variables(block)], axis=0))
        return exact

    @property
    def blocks(self) -> tuple[Block, ...]:
        """Numeric factors and components in groups that constraints tie together; the groups are independent under the uniform law."""
        return self._blocks

    def codes(self, block: Block) -> tuple[list[int], Floats, Floats]:
        """A block's places among the study's variables, and the scale and shift that take its unit coordinates to codes or shares."""
        parts = self._parts[block.columns]
        scale = np.where(parts, self._span[block.columns] / self._total, 2.0)
        return self._variables(block), scale, np.where(parts, self._low[block.columns] / self._total, -1.0)

    def _variables(self, block: Block) -> list[int]:
        """Where a block's factors stand among the variables of the study."""
        return [self.study.variables.index(self._factors[j].name) for j in block.columns]

    def _averages(self, powers: Ints) -> Iterator[Floats]:
        """The average of every monomial's part in each of the independent parts of the law: blocks, categorical factors."""
        for block in self._blocks:
            at, scale, shift = self.codes(block)
            inner, place = np.unique(powers[:, at], axis=0, return_inverse=True)
            yield block.moments(scale, shift, inner)[place.ravel()]
        for f in self.study.categorical:
            at = [self.study.variables.index(f"{f.name}[{level}]") for level in f.levels[:-1]]
            contrasts = np.vstack([np.eye(len(at)), -np.ones(len(at))])
            yield np.prod(contrasts[:, None, :] ** powers[None, :, at], axis=2).mean(axis=0)

    # ---- shown

    def _sections(self) -> list[Section]:
        ends = dict(zip(self.names, zip(self.low, self.high, strict=True), strict=True))
        tight = set(self.tightened["factor"])
        rows = []
        for f in self.study.factors:
            if isinstance(f, Categorical):
                given = ", ".join(f.levels)
            elif isinstance(f, Discrete):
                given = ", ".join(map(_number, f.levels))
            else:
                given = f"{_number(f.low)} to {_number(f.high)}"
            reached = "all of it"
            if f.name in tight:
                low, high = ends[f.name]
                inside = [v for v in f.levels if low <= v <= high] if isinstance(f, Discrete) else []
                reached = ", ".join(map(_number, inside)) if inside else f"{_number(low)} to {_number(high)}"
            rows.append({"factor": f.name, "unit": getattr(f, "unit", ""), "given": given, "within reach": reached})
        notes = []
        if tight:
            notes.append("A range out of reach is cut by the others: what is within reach is what a plan can use.")
        missing = sum(
            int(np.prod([len(v) for _, v in block.levels], dtype=np.int64)) - len(self._slices(block))
            for block in self._blocks
            if block.levels
        )
        if missing:
            notes.append(
                f"Of discrete levels {missing} combination{'s leave' if missing != 1 else ' leaves'} no setting: "
                "left out, without weight in averages."
            )
        if not self.complete:
            notes.append("There are too many corners to list: corners shown are some of them.")
        sizes = f"{len(self._factors)} numeric factors and components, {self.dimension} dimensions"
        title = f"Design region of {self.study.name}: {sizes if self._factors else 'categorical factors only'}"
        sections = [Section(title, pd.DataFrame(rows), "\n".join(notes))]
        if self._rows:
            effect = {id(r): "cuts the region" for r in self._standing[0]}
            effect |= {id(r): "holds with equality everywhere" for r in self._standing[1]}
            effect |= {id(r): "redundant: the rest implies it" for r in self._standing[2]}
            total = f"{' + '.join(quoted(c.name) for c in self.study.components)} == {_number(self._total)}"
            table = pd.DataFrame(
                {
                    "constraint": [r.part if r.text else total for r in self._rows],
                    "effect": [effect[id(r)] if r.text else "mixture total" for r in self._rows],
                }
            )
            sections.append(Section("Constraints", table))
        return sections


def _stacked(rows: Sequence[_Row], k: int) -> Floats:
    return np.array([r.coefficients for r in rows], dtype=float).reshape(len(rows), k)


def _number(value: float) -> str:
    return number_text(float(value), digits=6)


def _amount(value: float, unit: str) -> str:
    return f"{_number(value)} {unit}".strip()


def _sum_text(coefficients: Iterable[tuple[str, float]], constant: float) -> str:
    """A linear expression as text: "b", "2*b - c + 1"."""
    terms = [(v, quoted(n) if abs(v) == 1.0 else f"{_number(abs(v))}*{quoted(n)}") for n, v in coefficients]
    terms += [(constant, _number(abs(constant)))] if constant else []
    text = " ".join(f"{'-' if v < 0 else '+'} {word}" for v, word in terms)
    return text.removeprefix("+ ")


def _whole(where: str, value: object, least: int) -> int:
    if isinstance(value, bool) or not isinstance(value, Integral) or value < least:
        raise StudyError(where, value, f"a whole number from {least}", "correct it")
    return int(value)


def _splits(total: int, sizes: Sequence[int]) -> Iterator[tuple[int, ...]]:
    """Every way to share out `total` dimensions among blocks of these dimensions."""
    if not sizes:
        if total == 0:
            yield ()
        return
    for d in range(min(total, sizes[0]) + 1):
        for others in _splits(total - d, sizes[1:]):
            yield (d, *others)


def _holds(row: Floats, level: float, block: Block, others: Sequence[int]) -> bool:
    """Whether row · u == level on all of a block when only the other equalities of it are asked for."""
    ends = [minimum(sign * row, block.A, block.b, block.E[others], block.f[others]) for sign in (1.0, -1.0)]
    return all(
        e is not None and abs(e[0] - sign * level) <= TOLERANCE for e, sign in zip(ends, (1.0, -1.0), strict=True)
    )
