"""A bounded polytope {u : A u <= b, E u == f}: its flat, corners, faces of any dimension, averages and uniform points.

Arrays only, at a scale where it measures about 1. Corners and faces are listed as far as that takes seconds; beyond, corners are
searched by linear programmes and points are drawn by rejection or a random walk, and `complete` and `exact` say so.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from doe.study.corners import as_bits, as_table, enumerate_corners, facets_of, largest_inside
from doe.study.halfspaces import TOLERANCE, Bools, Floats, Ints, affine_hull, minimum
from doe.study.pulling import Pulling, closure, pull

CORNERS = 20_000  # corners listed at most
FACES = 150_000  # faces visited at most
CELLS = 40_000_000  # faces × monomials held at once in exact averages (8 bytes each)
CHUNK = 4_000_000  # points × monomials held at once in estimated ones
POINTS = 65_536  # points of an estimated average
DIRECTIONS = 400  # linear programmes that search for corners where they are not listed
WALKERS = 1_024  # random walks side by side
BURN_IN = 20  # steps a dimension before a walk's first point; `THIN` a dimension between two
THIN = 4


@dataclass(frozen=True, eq=False)
class Polytope:
    """A non-empty, bounded polytope; made by `Polytope.of`.

    Attributes
    ----------
    A, b : ndarray, shapes (m, n) and (m,)
        Rows of unit norm, bounds of the coordinates among them.
    E, f : ndarray, shapes (e, n) and (e,)
        Equalities.
    point : ndarray, shape (n,)
        A point in the relative interior.
    basis : ndarray, shape (n, d)
        Orthonormal directions of the flat it fills.
    implied : ndarray of bool, shape (m,)
        Rows of A that hold with equality everywhere.
    """

    A: Floats
    b: Floats
    E: Floats
    f: Floats
    point: Floats
    basis: Floats
    implied: Bools

    @classmethod
    def of(cls, A: Floats, b: Floats, E: Floats, f: Floats) -> Polytope | None:
        """The polytope of these rows, or None where it is empty."""
        hull = affine_hull(A, b, E, f)
        return None if hull is None else cls(A, b, E, f, *hull)

    @classmethod
    def around(cls, points: Floats) -> Polytope:
        """The convex hull of points, shape (N, n)."""
        from scipy.spatial import ConvexHull

        middle = points.mean(axis=0)
        _, size, axes = np.linalg.svd(points - middle, full_matrices=True)
        d = int((size > TOLERANCE).sum())
        flat, rest = axes[:d], axes[d:]
        w = (points - middle) @ flat.T
        if d == 0:
            G, h = np.empty((0, 0)), np.empty(0)
        elif d == 1:
            G, h = np.array([[1.0], [-1.0]]), np.array([w.max(), -w.min()])
        else:
            facets = ConvexHull(w).equations
            facets = facets[np.unique(np.round(facets, 8), axis=0, return_index=True)[1]]
            G, h = facets[:, :-1], -facets[:, -1]
        A = G @ flat
        made = cls.of(A, h + A @ middle, rest, rest @ middle)
        assert made is not None
        return made

    @property
    def dimension(self) -> int:
        """Dimension of the flat it fills; 0 for a point."""
        return self.basis.shape[1]

    @cached_property
    def _rows(self) -> tuple[Floats, Floats]:
        """{w : G w <= h} about `point` in the coordinates of `basis`, rows of unit norm."""
        G = self.A[~self.implied] @ self.basis
        h = self.b[~self.implied] - self.A[~self.implied] @ self.point
        size = np.linalg.norm(G, axis=1)
        cuts = size > TOLERANCE
        return G[cuts] / size[cuts, None], h[cuts] / size[cuts]

    @cached_property
    def _corners(self) -> tuple[Floats, Bools] | None:
        return enumerate_corners(*self._rows, CORNERS)

    @cached_property
    def _pulled(self) -> Pulling | None:
        if self._corners is None:
            return None
        return pull(*self._corners, *self._rows, FACES)

    @property
    def complete(self) -> bool:
        """Whether `vertices` are all there are."""
        return self._corners is not None

    @property
    def exact(self) -> bool:
        """Whether points are drawn exactly uniformly, and averages of low degree have no sampling error."""
        return self._pulled is not None

    @cached_property
    def vertices(self) -> Floats:
        """Corners, shape (N, n)."""
        if self._corners is not None:
            return self.point + self._corners[0] @ self.basis.T
        return self._searched

    @cached_property
    def _searched(self) -> Floats:
        """Different corners that linear programmes in random directions end in."""
        G, h = self._rows
        d = self.dimension
        rng = np.random.default_rng(0)
        costs = np.vstack([np.eye(d), -np.eye(d), rng.standard_normal((DIRECTIONS, d))])
        found: dict[bytes, Floats] = {}
        for cost in costs:
            end = minimum(cost, G, h, np.empty((0, d)), np.empty(0))
            assert end is not None
            tight = h - G @ end[1] <= 10 * TOLERANCE
            if np.linalg.matrix_rank(G[tight]) == d:
                found[tight.tobytes()] = np.asarray(np.linalg.lstsq(G[tight], h[tight], rcond=None)[0], dtype=float)
        return self.point + np.array(list(found.values())) @ self.basis.T

    # ---- faces

    def face_centroids(self, dimension: int) -> Floats | None:
        """Mean of the corners of every face of one dimension, shape (F, n); None where there are too many faces to list."""
        if self._corners is None:
            return None
        if dimension == 0:
            return self.vertices
        if dimension == self.dimension:
            return self.vertices.mean(axis=0, keepdims=True)
        table = self._faces(dimension)
        return None if table is None else (table @ self.vertices) / table.sum(axis=1, keepdims=True)

    def _faces(self, dimension: int) -> Bools | None:
        """Which corners every face of one dimension has; None where there are too many faces on the way."""
        assert self._corners is not None
        incidence = self._corners[1]
        N, d = len(incidence), self.dimension
        facets = facets_of(incidence)
        upright = as_table(list(facets), N).T  # corner by facet
        # from the whole down by facets, or from the corners up by corners (the same search in the dual)
        upwards = dimension < d - dimension
        families = as_bits(upright if upwards else upright.T)
        width = len(facets) if upwards else N
        faces = {(1 << width) - 1}
        steps = dimension + 1 if upwards else d - dimension
        visited = 0
        for step in range(1, steps + 1):
            fresh: set[int] = set()
            for face in faces:
                fresh.update(families if upwards and step == 1 else largest_inside(face, families, d + 1 - step))
                visited += 1
                if visited + len(fresh) > FACES:
                    return None
            faces = fresh
        listed = as_table(sorted(faces), width)
        if not upwards:
            return listed
        # a face has the corners that lie on all of its facets
        counts = listed.astype(np.float32) @ upright.T.astype(np.float32)
        return counts > listed.sum(axis=1, keepdims=True) - 0.5

    # ---- averages and points

    def exact_for(self, exponents: Ints) -> bool:
        """Whether averages of these monomials have no sampling error."""
        if self._pulled is None:
            return False
        width = len(closure(exponents)[0])
        return width * max(len(level) for level in self._pulled.apex) <= CELLS

    def moments(self, scale: Floats, shift: Floats, exponents: Ints) -> Floats:
        """Averages of monomials in the variables scale · u + shift under the uniform law: shape (K,)."""
        if self._pulled is not None and self.exact_for(exponents):
            return self._pulled.moments(self.vertices * scale + shift, exponents)
        powers, lower = closure(exponents)
        points = self.sample(POINTS, np.random.default_rng(0)) * scale + shift
        total = np.zeros(len(powers))
        for part in np.array_split(points, max(1, len(powers) * POINTS // CHUNK)):
            total += Pulling.powers(part, powers, lower).sum(axis=0)
        place = {tuple(row): c for c, row in enumerate(powers.tolist())}
        return total[[place[tuple(row)] for row in exponents.tolist()]] / POINTS

    def sample(self, n: int, rng: np.random.Generator) -> Floats:
        """Points of the uniform law, shape (n, n coordinates): independent, unless `exact` is False and no box fits well."""
        if self._pulled is not None:
            return self._pulled.sample(self.vertices, n, rng)
        G, h = self._rows
        low, high = self._box
        trial = low + rng.random((4096, self.dimension)) * (high - low)
        share = float((trial @ G.T <= h).all(axis=1).mean())
        w = self._rejected(n, rng, share) if share > 0.01 else self._walked(n, rng)
        return self.point + w @ self.basis.T

    @cached_property
    def _box(self) -> tuple[Floats, Floats]:
        G, h = self._rows
        eye, none = np.eye(self.dimension), np.empty((0, self.dimension))
        ends = [[minimum(sign * row, G, h, none, np.empty(0)) for row in eye] for sign in (1.0, -1.0)]
        low, high = (np.array([end[0] for end in side if end is not None]) for side in ends)
        return low, -high

    def _rejected(self, n: int, rng: np.random.Generator, share: float) -> Floats:
        G, h = self._rows
        low, high = self._box
        kept: list[Floats] = []
        have = 0
        while have < n:
            trial = low + rng.random((min(int((n - have) / share) + 64, 200_000), self.dimension)) * (high - low)
            kept.append(trial[(trial @ G.T <= h).all(axis=1)])
            have += len(kept[-1])
        return np.concatenate(kept)[:n]

    def _walked(self, n: int, rng: np.random.Generator) -> Floats:
        """Hit and run (Smith, R. L. (1984). Oper. Res. 32(6), 1296-1308), directions shaped by the spread of the corners found."""
        G, h = self._rows
        d = self.dimension
        ends = (self.vertices - self.point) @ self.basis
        centred = ends - ends.mean(axis=0)
        shape = np.linalg.cholesky(centred.T @ centred / len(ends) + TOLERANCE**2 * np.eye(d))
        walkers = min(n, WALKERS)
        weights = rng.dirichlet(np.ones(len(ends)), walkers)
        w = 0.999 * (weights @ ends)  # a little towards `point`, so that every walk starts inside
        out: list[Floats] = []
        rounds = -(-n // walkers)
        for step in range(BURN_IN * d + rounds * THIN * d):
            way = rng.standard_normal((walkers, d)) @ shape.T
            rate, room = way @ G.T, np.maximum(h - w @ G.T, 0.0)
            with np.errstate(divide="ignore"):
                time = room / rate
            forth = np.where(rate > 0, time, np.inf).min(axis=1)
            back = np.where(rate < 0, time, -np.inf).max(axis=1)
            w = w + (back + rng.random(walkers) * (forth - back))[:, None] * way
            if step >= BURN_IN * d and (step - BURN_IN * d + 1) % (THIN * d) == 0:
                out.append(w)
        return np.concatenate(out)[:n]
