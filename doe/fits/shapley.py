"""What is known of monomials once some of the factors are known: averages of products of conditional expectations on one block.

Arrays only. A block is a group of factors that constraints tie together, under its uniform law. With m(v) the monomials and T some of
its factors, every measure of what T accounts for needs G(T) = E[g g'], g = E[m | T]. Let h be the projection of m on the polynomials in
T up to the degree of m, from exact moments; then G(T) = E[h h'] + E[(g - h)(g - h)']. The second part is zero on boxes and on
simplexes cut out by ranges alone, where conditional expectations are such polynomials; elsewhere it is small and estimated: exactly
given T where a line is left free, and by two states of a random walk on what T leaves free where it is more.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations_with_replacement
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from doe.study.blocks import Block
from doe.study.halfspaces import TOLERANCE

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BATCHES = 8  # of random points, for the Monte-Carlo error
POINTS = 4_096  # for each group of known factors; fewer, down to LEAST, where there are many groups
LEAST = 512
GROUPS = 16  # how many groups get all POINTS
MOST_POLYNOMIALS = 400
STEPS = 10  # of the walk for every free direction: what two states share falls by about (1 - 1/directions) a step


class UnevenError(Exception):
    """Levels of discrete factors leave slices of different dimension, so that there is no common density."""


def powers(V: Floats, exponents: Ints) -> Floats:
    """Monomials of points: shape (n, K) for V (n, k) and exponents (K, k)."""
    out = np.ones((len(V), len(exponents)))
    for j, row in enumerate(exponents):
        for c in np.flatnonzero(row):
            out[:, j] *= V[:, c] if row[c] == 1 else V[:, c] ** row[c]
    return out


def up_to(degree: int, width: int) -> Ints:
    """All exponents of so many variables up to a total degree."""
    rows = [np.bincount(c, minlength=width + 1)[1:] for c in combinations_with_replacement(range(width + 1), degree)]
    return np.array(rows, dtype=np.int64).reshape(len(rows), width)


@dataclass(frozen=True, eq=False)
class Tied:
    """One block with the monomials asked for.

    Attributes
    ----------
    block : Block
    exponents : ndarray, shape (K, k)
        Monomials in v, each column of the block moved to -1 to 1 over what it can reach.
    seed : int
    """

    block: Block
    exponents: Ints
    seed: int = 0

    @property
    def width(self) -> int:
        """Number of factors."""
        return len(self.block.columns)

    @cached_property
    def affine(self) -> tuple[Floats, Floats]:
        """Scale and shift from unit coordinates to v; a factor that cannot move stays at 0."""
        low, high = self.block.bounds
        moves = high - low > TOLERANCE
        span = np.where(moves, high - low, 1.0)
        return np.where(moves, 2.0 / span, 0.0), np.where(moves, -(high + low) / span, 0.0)

    @cached_property
    def degree(self) -> int:
        """Highest total degree of a monomial."""
        return int(self.exponents.sum(axis=1).max(initial=0))

    @cached_property
    def _basis_degree(self) -> int:
        """Degree of the polynomials in the known factors: that of the monomials, or 1 where they would be too many to hold."""
        return self.degree if comb(self.width + self.degree, self.degree) <= MOST_POLYNOMIALS else min(self.degree, 1)

    @cached_property
    def _moments(self) -> tuple[Ints, Floats]:
        """Keys of exponents in order, and the averages of their monomials."""
        low = np.unique(np.vstack([up_to(self._basis_degree, self.width), self.exponents]), axis=0)
        first, second = np.triu_indices(len(low))
        wanted = np.unique(low[first] + low[second], axis=0)
        keys = self._keys(wanted)
        order = np.argsort(keys)
        return keys[order], self.block.moments(*self.affine, wanted)[order]

    def _keys(self, exponents: Ints) -> Ints:
        return np.asarray(exponents @ (2 * self.degree + 1) ** np.arange(self.width, dtype=np.int64))

    def _averages(self, exponents: Ints) -> Floats:
        keys, values = self._moments
        return np.asarray(values[np.searchsorted(keys, self._keys(exponents))])

    def _table(self, first: Ints, second: Ints) -> Floats:
        return self._averages((first[:, None, :] + second[None, :, :]).reshape(-1, self.width)).reshape(
            len(first), len(second)
        )

    @cached_property
    def mean(self) -> Floats:
        """E[m], shape (K,)."""
        return self._averages(self.exponents)

    @cached_property
    def second(self) -> Floats:
        """E[m m'], shape (K, K)."""
        return self._table(self.exponents, self.exponents)

    @cached_property
    def plain(self) -> bool:
        """Whether conditional expectations are polynomials: a box, or a simplex whose faces are ranges."""
        b = self.block
        if b.levels or not b.relaxed.complete:
            return len(b.columns) == 1
        corners = b.relaxed.vertices
        low, high = b.bounds
        moving = corners[:, high - low > TOLERANCE]
        at_end = (np.abs(moving - moving.min(axis=0)) <= 1e-7) | (np.abs(moving - moving.max(axis=0)) <= 1e-7)
        box = b.relaxed.dimension == moving.shape[1] and len(corners) == 2 ** moving.shape[1] and bool(at_end.all())
        alone = (np.abs(moving - moving.min(axis=0)) > 1e-7).sum(axis=0)
        simplex = len(corners) == b.relaxed.dimension + 1 and bool(
            (at_end.all(axis=0) & ((alone == 1) | (alone == len(corners) - 1))).all()
        )
        return box or simplex

    @cached_property
    def _free_groups(self) -> int:
        """How many groups of known factors leave more than can be worked out exactly."""
        total = sum(comb(self.width, j) for j in range(1, max(self.width - 1, 1)))
        return max(total, 1)

    @cached_property
    def _points(self) -> Floats:
        n = int(np.clip(POINTS * GROUPS / self._free_groups, LEAST, POINTS)) // BATCHES * BATCHES
        return self.block.sample(n, np.random.default_rng(self.seed))

    @cached_property
    def _weights(self) -> dict[tuple[float, ...], float]:
        """Density of every combination of levels, up to a factor."""
        sizes = {}
        dimensions = {p.dimension for _, p in self.block.slices}
        for combination, p in self.block.slices:
            if len(dimensions) > 1 or p._pulled is None:
                raise UnevenError
            sizes[tuple(np.round(combination, 9))] = 1.0 / max(float(p._pulled.volume[-1][0]), 1e-300)
        return sizes

    # ---- the part of some factors

    def explained(self, known: tuple[int, ...]) -> Floats:
        """G(T) for the factors in these places, shape (BATCHES, K, K), or (1, K, K) where it is exact."""
        b = self.block
        flat = b.relaxed.basis
        moving = [c for c in known if np.linalg.norm(flat[c]) > TOLERANCE]
        if not moving:
            return np.outer(self.mean, self.mean)[None]
        taken = sorted({*moving, *(c for c, _ in b.levels)})
        open_levels = [c for c, _ in b.levels if c not in moving and not self._implied(c, moving)]
        ways = flat @ linalg.null_space(flat[taken], rcond=1e-9)  # moves of what may take any value
        if not ways.shape[1] and not open_levels:
            return self.second[None]
        independent = self._independent(moving)
        local = up_to(self._basis_degree, len(independent))
        basis = np.zeros((len(local), self.width), dtype=np.int64)
        basis[:, independent] = local
        gram, cross = self._table(basis, basis), self._table(basis, self.exponents)
        h = np.asarray(np.linalg.lstsq(gram, cross, rcond=1e-11)[0], dtype=np.float64)
        whole = h.T @ gram @ h
        if self.plain:
            return whole[None]
        return whole + self._beyond(independent, ways, open_levels, basis, h)

    def _implied(self, column: int, known: list[int]) -> bool:
        """Whether the known factors settle this one by equalities."""
        flat = self.block.relaxed.basis
        return bool(
            np.linalg.matrix_rank(flat[[*known, column]], tol=1e-9) == np.linalg.matrix_rank(flat[known], tol=1e-9)
        )

    def _independent(self, known: list[int]) -> list[int]:
        kept: list[int] = []
        for c in known:
            if not kept or not self._implied(c, kept):
                kept.append(c)
        return kept

    def _beyond(self, known: list[int], ways: Floats, open_levels: list[int], basis: Ints, h: Floats) -> Floats:
        """E[(g - h)(g - h)'], batch by batch."""
        x = self._points
        scale, shift = self.affine
        foretold = powers(x * scale + shift, basis) @ h
        rng = np.random.default_rng([self.seed, *known])
        shaped = self._shaped(ways)
        left = self._along_chord(x, shaped, rng) - foretold
        if ways.shape[1] == 1 and not open_levels:
            right = left
        else:
            right = self._along_chord(self._walked(x, shaped, open_levels, known, rng), shaped, rng) - foretold
        n = len(x) // BATCHES
        a, c = (side.reshape(BATCHES, n, -1) for side in (left, right))
        out = np.einsum("bni,bnj->bij", a, c) / n
        return 0.5 * (out + out.transpose(0, 2, 1))

    def _shaped(self, ways: Floats) -> Floats:
        """Directions stretched as the block is, so that a walk takes steps of its size."""
        if ways.shape[1] < 2:
            return ways
        spread = np.atleast_2d(np.cov(self._points.T))
        inside = ways.T @ np.linalg.pinv(spread, rcond=1e-9, hermitian=True) @ ways
        return np.asarray(ways @ np.linalg.inv(np.linalg.cholesky(inside)).T)

    def _chord(self, x: Floats, way: Floats) -> tuple[Floats, Floats]:
        b = self.block
        rate, room = way @ b.A.T, np.maximum(b.b - x @ b.A.T, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            time = room / rate
        forth = np.where(rate > 1e-12, time, np.inf).min(axis=1)
        back = np.where(rate < -1e-12, time, -np.inf).max(axis=1)
        return np.asarray(back), np.asarray(forth)

    def _directions(self, n: int, ways: Floats, rng: np.random.Generator) -> Floats:
        if ways.shape[1] == 1:
            return np.broadcast_to(ways[:, 0], (n, self.width))
        return rng.standard_normal((n, ways.shape[1])) @ ways.T

    def _along_chord(self, x: Floats, ways: Floats, rng: np.random.Generator) -> Floats:
        """Averages of the monomials over a line through every point, inside the block: exact by Gauss's rule."""
        scale, shift = self.affine
        if not ways.shape[1]:
            return powers(x * scale + shift, self.exponents)
        way = self._directions(len(x), ways, rng)
        back, forth = self._chord(x, way)
        nodes, weights = np.polynomial.legendre.leggauss(self.degree // 2 + 1)
        total = np.zeros((len(x), len(self.exponents)))
        for t, w in zip(0.5 * (1 + nodes), 0.5 * weights, strict=True):
            at = x + (back + t * (forth - back))[:, None] * way
            total += w * powers(at * scale + shift, self.exponents)
        return total

    def _walked(
        self, x: Floats, ways: Floats, open_levels: list[int], known: list[int], rng: np.random.Generator
    ) -> Floats:
        """Hit and run from every point on what is left free (Smith, R. L. (1984). Oper. Res. 32(6), 1296-1308)."""
        moves = [(c, v, self._step_of(c, known)) for c, v in self.block.levels if c in open_levels]
        for _ in range(STEPS * (ways.shape[1] + len(moves))):
            if ways.shape[1]:
                way = self._directions(len(x), ways, rng)
                back, forth = self._chord(x, way)
                x = x + (back + rng.random(len(x)) * (forth - back))[:, None] * way
            for c, levels, step in moves:
                if step is not None:
                    x = self._at_another_level(x, c, levels, step, rng)
        return x

    def _step_of(self, column: int, known: list[int]) -> Floats | None:
        """The move that changes one factor's level and no other's, those known held; None where equalities allow none."""
        flat = self.block.relaxed.basis
        held = [
            c for c in range(self.width) if c in known or (c != column and any(c == k for k, _ in self.block.levels))
        ]
        rows = flat[[*held, column]]
        target = np.append(np.zeros(len(held)), 1.0)
        found = np.linalg.lstsq(rows, target, rcond=1e-10)[0]
        return flat @ found if np.abs(rows @ found - target).max() <= 1e-8 else None

    def _at_another_level(
        self, x: Floats, column: int, levels: Floats, step: Floats, rng: np.random.Generator
    ) -> Floats:
        b = self.block
        at = [c for c, _ in b.levels]
        options = x[:, None, :] + (levels[None, :] - x[:, [column]])[:, :, None] * step
        flat = options.reshape(-1, self.width)
        possible = (flat @ b.A.T <= b.b + 1e-9).all(axis=1)
        density = np.array([self._weights.get(tuple(r), 0.0) for r in np.round(flat[:, at], 9).tolist()])
        weight = np.cumsum((possible * density).reshape(len(x), len(levels)), axis=1)
        chosen = (rng.random(len(x))[:, None] * weight[:, [-1]] >= weight).sum(axis=1)
        return np.asarray(options[np.arange(len(x)), np.minimum(chosen, len(levels) - 1)])
