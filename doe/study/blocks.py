"""Blocks: factors that constraints tie together. A region is the product of its blocks, and each is worked on alone.

Arrays only, in unit coordinates u = (x - low) / (high - low) of each factor. Numeric factors that take levels only cut a block
into slices, one polytope a combination of levels; every slice that holds a setting weighs the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import islice

import numpy as np

from doe.study.halfspaces import TOLERANCE, Bools, Floats, Ints, extent, is_empty, level_combinations, minimum
from doe.study.polytope import Polytope

Slice = tuple[tuple[float, ...], Polytope]

SLICES = 1_024  # combinations of linked levels that are worked through
HULL_POINTS, HULL_DIMENSIONS = 2_000, 7  # convex hulls of settings beyond this are not built


class TooManyError(Exception):
    """More points, faces or levels than can be listed; says of what there are too many."""


@dataclass(frozen=True, eq=False)
class Block:
    """Factors tied together.

    Attributes
    ----------
    columns : ndarray of int, shape (k,)
        Which of the region's numeric factors and components they are.
    A, b : ndarray, shapes (m, k) and (m,)
        Rows of unit norm in unit coordinates; the first 2k are u <= 1 and -u <= 0.
    E, f : ndarray
        Equalities.
    levels : tuple of (int, ndarray)
        Columns of the block that take levels only, with their levels.
    parts : ndarray of bool, shape (k,)
        Columns that are mixture components.
    span : ndarray, shape (k,)
        Range of each factor in natural units, for steps that are alike in all components.
    """

    columns: Ints
    A: Floats
    b: Floats
    E: Floats
    f: Floats
    levels: tuple[tuple[int, Floats], ...]
    parts: Bools
    span: Floats

    @cached_property
    def feasible(self) -> bool:
        """Whether some setting meets every row, at levels where levels are asked for."""
        if len(self.A) == 2 * len(self.columns) and not len(self.E):
            return True  # nothing but ranges
        if not self.levels:
            return not is_empty(self.A, self.b, self.E, self.f)
        return next(self._each_slice(), None) is not None

    @cached_property
    def relaxed(self) -> Polytope:
        """The polytope that forgets about levels."""
        made = Polytope.of(self.A, self.b, self.E, self.f)
        assert made is not None
        return made

    @cached_property
    def rest(self) -> Ints:
        """Columns that may take any value."""
        return np.setdiff1d(np.arange(len(self.columns)), [c for c, _ in self.levels])

    def _each_slice(self) -> Iterator[Slice]:
        at = [c for c, _ in self.levels]
        for combination in level_combinations(self.A, self.b, self.E, self.f, self.levels):
            level = np.array(combination)
            A, b = _unit_rows(self.A[:, self.rest], self.b - self.A[:, at] @ level)
            E, f = _unit_rows(self.E[:, self.rest], self.f - self.E[:, at] @ level)
            made = Polytope.of(A, b, E, f)
            if made is not None:
                yield combination, made

    @cached_property
    def _slices(self) -> list[Slice] | None:
        if not self.levels:
            return [((), self.relaxed)]
        out = list(islice(self._each_slice(), SLICES + 1))
        return out if len(out) <= SLICES else None

    @property
    def slices(self) -> list[Slice]:
        """Every combination of levels that leaves a setting, with the polytope of the other columns."""
        if self._slices is None:
            raise TooManyError(f"combinations of levels that constraints tie together (more than {SLICES:,})")
        return self._slices

    def _placed(self, combination: Sequence[float], rest: Floats) -> Floats:
        out = np.empty((len(rest), len(self.columns)))
        out[:, self.rest] = rest
        out[:, [c for c, _ in self.levels]] = combination
        return out

    @cached_property
    def bounds(self) -> tuple[Floats, Floats]:
        """Least and greatest value of every column."""
        if len(self.columns) == 1 and len(self.A) == 2:
            return np.zeros(1), np.ones(1)
        if not self.levels or self._slices is None:
            return extent(self.A, self.b, self.E, self.f)
        ends = []
        for combination, p in self._slices:
            rest = p.vertices if p.complete else np.array(extent(p.A, p.b, p.E, p.f))
            ends.append(self._placed(combination, rest))
        reached = np.vstack(ends)
        return reached.min(axis=0), reached.max(axis=0)

    def _at_levels(self, points: Floats) -> bool:
        """Whether points have levels wherever levels are asked for."""
        return all((np.abs(points[:, c, None] - v).min(axis=1) <= TOLERANCE).all() for c, v in self.levels)

    @cached_property
    def _settings(self) -> Floats:
        """Corners of all slices."""
        return np.vstack([self._placed(c, p.vertices) for c, p in self.slices])

    @cached_property
    def shape(self) -> Polytope | None:
        """The convex hull of what can be set; None where it is too large to build."""
        if not self.levels or (self.relaxed.complete and self._at_levels(self.relaxed.vertices)):
            return self.relaxed
        if self.relaxed.dimension > HULL_DIMENSIONS or len(self._settings) > HULL_POINTS:
            return None
        return Polytope.around(self._settings)

    @property
    def complete(self) -> bool:
        """Whether `vertices` are all there are, and corners only."""
        return self.shape is not None and self.shape.complete

    def vertices(self) -> Floats:
        """Extreme settings; where the hull is too large to build, the corners of every slice."""
        return self._settings if self.shape is None else self.shape.vertices

    def centroids(self, dimension: int) -> Floats:
        """Centroids of the faces of one dimension, at levels where levels are asked for.

        A centroid between levels goes to the nearest combination of levels that leaves a setting (to each of them where
        several are as near), the other columns to the nearest values possible there.
        """
        found = None if self.shape is None else self.shape.face_centroids(dimension)
        if found is None and dimension == self.relaxed.dimension:
            found = self.vertices().mean(axis=0, keepdims=True)
        if found is None:
            raise TooManyError("faces")
        if not self.levels or self._at_levels(found):
            return found
        combinations = np.array([c for c, _ in self.slices])
        out = []
        for point in found:
            gap = np.linalg.norm(combinations - point[[c for c, _ in self.levels]], axis=1)
            for k in np.flatnonzero(gap <= gap.min() + TOLERANCE):
                out.append(self._placed(combinations[k], _nearest(self.slices[k][1], point[self.rest])[None, :]))
        return np.vstack(out)

    # ---- averages and points

    def exact_for(self, exponents: Ints) -> bool:
        """Whether averages of these monomials have no sampling error."""
        return self._slices is not None and all(p.exact_for(exponents[:, self.rest]) for _, p in self._slices)

    def moments(self, scale: Floats, shift: Floats, exponents: Ints) -> Floats:
        """Averages of monomials in scale · u + shift; every slice weighs the same."""
        rest, place = np.unique(exponents[:, self.rest], axis=0, return_inverse=True)
        at = [c for c, _ in self.levels]
        total = np.zeros(len(exponents))
        for combination, polytope in self.slices:
            inner = polytope.moments(scale[self.rest], shift[self.rest], rest)[place.ravel()]
            level = np.array(combination) * scale[at] + shift[at]
            total += inner * np.prod(level ** exponents[:, at], axis=1)
        return total / len(self.slices)

    def sample(self, n: int, rng: np.random.Generator) -> Floats:
        """Uniform settings: a combination of levels, each as likely, then a uniform point of its slice."""
        if not self.levels:
            return self.relaxed.sample(n, rng)
        which = rng.integers(len(self.slices), size=n)
        out = np.empty((n, len(self.columns)))
        for k in np.unique(which):
            combination, polytope = self.slices[k]
            rows = which == k
            out[rows] = self._placed(combination, polytope.sample(int(rows.sum()), rng))
        return out

    # ---- grid

    def grid(self, n: int, most: int) -> Floats:
        """Settings at regular steps: n values of each column between its bounds, those that the rows allow.

        A mixture gets a simplex lattice over its lower bounds, with the step that gives the widest component n values. Other
        equalities are met by solving for as many of the columns.
        """
        from scipy.linalg import null_space, qr

        low, high = self.bounds
        k = len(self.columns)
        values = [np.linspace(low[c], high[c], n) if high[c] - low[c] > TOLERANCE else low[[c]] for c in range(k)]
        for c, levels in self.levels:
            values[c] = levels[(levels >= low[c] - TOLERANCE) & (levels <= high[c] + TOLERANCE)]
        tied = k - self.relaxed.dimension
        if tied == 0:
            points = _product(values, most)
        elif tied == 1 and self.parts.any():
            others = [values[c] for c in np.flatnonzero(~self.parts)]
            lattice = self._lattice(n, low[self.parts], high[self.parts], most)
            if len(lattice) * int(np.prod([len(v) for v in others], dtype=float)) > most:
                raise TooManyError("settings in the grid")
            rows = _product([np.arange(len(lattice), dtype=float), *others], most)
            points = np.empty((len(rows), k))
            points[:, self.parts] = lattice[rows[:, 0].astype(int)]
            points[:, ~self.parts] = rows[:, 1:]
        else:
            flat = null_space(self.relaxed.basis.T) if self.relaxed.dimension else np.eye(k)
            solved = qr(flat.T * (high - low + TOLERANCE), pivoting=True)[2][:tied]
            free = np.setdiff1d(np.arange(k), solved)
            chosen = _product([values[c] for c in free], most)
            points = np.empty((len(chosen), k))
            points[:, free] = chosen
            right = flat.T @ self.relaxed.point - chosen @ flat[free]
            points[:, solved] = np.linalg.solve(flat[solved].T, right.T).T
            points = points[(np.abs(points @ self.E.T - self.f) <= 10 * TOLERANCE).all(axis=1)]
        points = points[(points @ self.A.T <= self.b + TOLERANCE).all(axis=1)]
        for c, levels in self.levels:
            points = points[np.abs(points[:, c, None] - levels).min(axis=1) <= TOLERANCE]
        return points

    def _lattice(self, n: int, low: Floats, high: Floats, most: int) -> Floats:
        """Component amounts low + step · whole number that add up to the total, in unit coordinates."""
        span = self.span[self.parts]
        row = int(np.flatnonzero(np.abs(self.E[:, self.parts]).sum(axis=1) > 0)[0])
        size = self.E[row, self.parts][0] / span[0]  # the total's row is span / norm
        spare = float(self.f[row] / size - low @ span)
        widest = float(((high - low) * span).max())
        steps = max(1, round(spare * (n - 1) / widest))
        step = spare / steps
        top = np.floor((high - low) * span / step + 1e-6).astype(int)
        counts = np.zeros((1, 0), dtype=np.int64)
        for at in range(len(low)):
            left = steps - counts.sum(axis=1)
            reach = int(top[at + 1 :].sum())
            first, last = np.maximum(left - reach, 0), np.minimum(left, top[at])
            size_of = np.maximum(last - first + 1, 0)
            if int(size_of.sum()) > most:
                raise TooManyError("settings in the grid")
            owner = np.repeat(np.arange(len(counts)), size_of)
            inner = np.arange(len(owner)) - np.repeat(np.cumsum(size_of) - size_of, size_of)
            counts = np.column_stack([counts[owner], first[owner] + inner])
        return low + counts * (step / span)


def _unit_rows(A: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Rows divided by their norm; a row without any coefficient is left as it is."""
    norm = np.linalg.norm(A, axis=1)
    norm[norm <= TOLERANCE] = 1.0
    return A / norm[:, None], b / norm


def _product(values: Sequence[Floats], most: int) -> Floats:
    """All combinations, shape (N, number of lists)."""
    if int(np.prod([len(v) for v in values], dtype=float)) > most:
        raise TooManyError("settings in the grid")
    if not values:
        return np.empty((1, 0))
    return np.stack([g.ravel() for g in np.meshgrid(*values, indexing="ij")], axis=1)


def _nearest(polytope: Polytope, wanted: Floats) -> Floats:
    """The point of a polytope with the least sum of absolute differences to a wanted one."""
    k = len(wanted)
    inside = (polytope.A @ wanted <= polytope.b + TOLERANCE).all()
    if inside and (np.abs(polytope.E @ wanted - polytope.f) <= TOLERANCE).all():
        return wanted
    eye, none = np.eye(k), np.zeros((len(polytope.A), k))
    A = np.vstack([np.hstack([polytope.A, none]), np.hstack([eye, -eye]), np.hstack([-eye, -eye])])
    b = np.concatenate([polytope.b, wanted, -wanted])
    E = np.hstack([polytope.E, np.zeros((len(polytope.E), k))])
    found = minimum(np.append(np.zeros(k), np.ones(k)), A, b, E, polytope.f)
    assert found is not None
    return found[1][:k]
