"""Exact integrals and uniform points on a polytope, by pulling one corner of every face.

A face is the union of the cones from one of its corners over those of its bounding faces that do not hold the corner. Going
down from the polytope to its corners, few different faces are met: a cube of k factors has 3^k faces but meets 2^k.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.study.corners import facets_of, largest_inside
from doe.study.halfspaces import TOLERANCE, Bools, Floats, Ints


@dataclass(frozen=True, eq=False)
class Pulling:
    """Faces met, by dimension from 0 to d, and the cones that join them.

    Attributes
    ----------
    apex : list of ndarray
        Per dimension: the corner pulled in every face (in dimension 0 the corner itself).
    parent, child : list of ndarray
        Per dimension j: cones of the faces of dimension j, sorted by face, over faces of dimension j - 1; empty for j = 0.
    height : list of ndarray
        Distance of the apex from the cone's base, in the coordinates given to `pull`.
    volume : list of ndarray
        j-dimensional measure of every face.
    """

    apex: list[Ints]
    parent: list[Ints]
    child: list[Ints]
    height: list[Floats]
    volume: list[Floats]

    @property
    def dimension(self) -> int:
        """Dimension of the polytope."""
        return len(self.apex) - 1

    def moments(self, corners: Floats, exponents: Ints) -> Floats:
        """Averages of monomials over the polytope, exact.

        Parameters
        ----------
        corners : ndarray, shape (N, k)
            Corners in the variables of the monomials: any affine image of the coordinates that `pull` was given.
        exponents : ndarray of int, shape (K, k)

        Returns
        -------
        ndarray, shape (K,)

        Notes
        -----
        Divergence theorem on a face F of dimension j for the field (x - x0) x^a, x0 its apex, h_G its distance from a bounding
        face G:  (j + |a|) int_F x^a = sum_G h_G int_G x^a + sum_k a_k x0_k int_F x^(a - e_k).  Lasserre, J. B. (1998).
        Integration on a convex polytope. Proc. Am. Math. Soc. 126(8), 2433-2441.
        """
        from scipy.sparse import csr_array

        powers, lower = closure(exponents)
        values = self.powers(corners[self.apex[0]], powers, lower)
        for j in range(1, self.dimension + 1):
            at = corners[self.apex[j]]
            cones = csr_array((self.height[j], (self.parent[j], self.child[j])), shape=(len(at), len(values)))
            values = np.asfortranarray(cones @ values)  # whole columns are worked on below
            for c, row in enumerate(powers):
                for k, below in lower[c]:
                    values[:, c] += row[k] * at[:, k] * values[:, below]
                values[:, c] /= j + row.sum()
        place = {tuple(row): c for c, row in enumerate(powers.tolist())}
        total = values[0, place[(0,) * powers.shape[1]]]
        return np.array([values[0, place[tuple(row)]] for row in exponents.tolist()]) / total

    @staticmethod
    def powers(points: Floats, powers: Ints, lower: list[list[tuple[int, int]]]) -> Floats:
        """Monomials at points, each from one of lower degree: shape (n, K)."""
        out = np.ones((len(points), len(powers)))
        for c, below in enumerate(lower):
            if below:
                k, from_ = below[0]
                out[:, c] = out[:, from_] * points[:, k]
        return out

    def sample(self, corners: Floats, n: int, rng: np.random.Generator) -> Floats:
        """Points drawn uniformly on the polytope: shape (n, k), in the coordinates of `corners`.

        A cone is drawn by its volume, a point of it by its height (t^(j-1)), and so on in the cone's base.
        """
        face = np.zeros(n, dtype=np.int64)
        out, share = np.zeros((n, corners.shape[1])), np.ones(n)
        for j in range(self.dimension, 0, -1):
            volume = np.concatenate([[0.0], np.cumsum(self.height[j] * self.volume[j - 1][self.child[j]])])
            ends = np.searchsorted(self.parent[j], np.arange(len(self.apex[j]) + 1))
            low, high = volume[ends[face]], volume[ends[face + 1]]
            cone = np.searchsorted(volume, low + rng.random(n) * (high - low), side="right") - 1
            cone = np.clip(cone, ends[face], ends[face + 1] - 1)
            t = rng.random(n) ** (1.0 / j)
            out += (share * (1.0 - t))[:, None] * corners[self.apex[j][face]]
            share *= t
            face = self.child[j][cone]
        return out + share[:, None] * corners[self.apex[0][face]]


def closure(exponents: Ints) -> tuple[Ints, list[list[tuple[int, int]]]]:
    """The exponents with all that lie below them, by degree; for each, (variable, index of the one a power lower)."""
    found = {tuple(row) for row in exponents.tolist()} | {(0,) * exponents.shape[1]}
    fresh = set(found)
    while fresh:
        fresh = {(*row[:k], row[k] - 1, *row[k + 1 :]) for row in fresh for k in range(len(row)) if row[k] > 0} - found
        found |= fresh
    rows = sorted(found, key=lambda row: (sum(row), row))
    place = {row: c for c, row in enumerate(rows)}
    lower = [[(k, place[(*row[:k], row[k] - 1, *row[k + 1 :])]) for k in range(len(row)) if row[k] > 0] for row in rows]
    return np.array(rows, dtype=np.int64).reshape(len(rows), exponents.shape[1]), lower


def pull(corners: Floats, incidence: Bools, G: Floats, h: Floats, limit: int) -> Pulling | None:
    """Pull a full-dimensional polytope {w : G w <= h} down to its corners.

    Parameters
    ----------
    corners, incidence : ndarray, shapes (N, d) and (N, m)
        As `enumerate_corners` gives them.
    limit : int
        Faces met before giving up (None is returned).
    """
    N, d = corners.shape
    order = np.lexsort(
        (np.arange(N), corners.sum(axis=1))
    )  # corners in the order of a linear function: fewest faces met
    facets = facets_of(incidence[order])
    families, rows_of = list(facets), list(facets.values())
    nested = bool((incidence.sum(axis=1) > d).any())
    faces = [(1 << N) - 1]
    apex, parent, child, height = [], [], [], []
    frames = np.eye(d)[None, :, :]
    met = 1
    for j in range(d, 0, -1):
        pulled = [(face & -face).bit_length() - 1 for face in faces]
        place: dict[int, int] = {}
        up: list[int] = []
        down: list[int] = []
        owner: list[int] = []
        rows: list[int] = []
        for at, (face, lowest) in enumerate(zip(faces, pulled, strict=True)):
            before = len(up)
            for bits, cutters in largest_inside(face, families, j, nested).items():
                if bits >> lowest & 1:
                    continue
                while cutters:
                    i = (cutters & -cutters).bit_length() - 1
                    cutters &= cutters - 1
                    owner += [len(up)] * len(rows_of[i])
                    rows += rows_of[i]
                up.append(at)
                down.append(place.setdefault(bits, len(place)))
            if len(up) == before:
                return None  # corners and rows contradict one another: a shape at the edge of the tolerance
        met += len(place)
        if met > limit:
            return None
        apex_j, parent_j, child_j = order[pulled], np.array(up), np.array(down)
        measured = _heights(
            corners[apex_j], frames, G, h, parent_j, child_j, np.array(owner), np.array(rows), len(place)
        )
        if measured is None:
            return None
        height_j, frames = measured
        apex.append(apex_j)
        parent.append(parent_j)
        child.append(child_j)
        height.append(height_j)
        faces = list(place)
    if any(face.bit_count() != 1 for face in faces):
        return None
    none = np.empty(0, dtype=np.int64)
    apex.append(order[[face.bit_length() - 1 for face in faces]])
    apex, parent, child, height = (
        apex[::-1],
        [none, *parent[::-1]],
        [none, *child[::-1]],
        [np.empty(0), *height[::-1]],
    )
    volume = [np.ones(len(apex[0]))]
    for j in range(1, d + 1):
        cones = height[j] * volume[-1][child[j]]
        volume.append(np.bincount(parent[j], cones, minlength=len(apex[j])) / j)
    return Pulling(apex, parent, child, height, volume)


def _heights(
    apexes: Floats, frames: Floats, G: Floats, h: Floats, up: Ints, down: Ints, owner: Ints, rows: Ints, children: int
) -> tuple[Floats, Floats] | None:
    """Height of every cone, and an orthonormal frame of every base, from those of the faces above.

    None where a base is no smaller than its face, which only a shape at the edge of the tolerance can have. `owner` and `rows` list, for every cone, all rows that cut its base out of its face; the steepest is the safest.
    """
    seen = np.einsum("pdj,pd->pj", frames[up[owner]], G[rows])
    steep = np.linalg.norm(seen, axis=1)
    best = np.lexsort((-steep, owner))
    best = best[np.unique(owner[best], return_index=True)[1]]
    normal, steep, rows = seen[best], steep[best], rows[best]
    if (steep <= TOLERANCE**1.5).any():
        return None
    height = np.maximum(h[rows] - np.einsum("pd,pd->p", G[rows], apexes[up]), 0.0) / steep
    # a Householder reflection that takes the normal to the first axis leaves a frame of the base in the others
    first = np.unique(down, return_index=True)[1]
    assert len(first) == children
    mirror = normal[first] / steep[first, None]
    mirror[:, 0] += np.where(mirror[:, 0] >= 0, 1.0, -1.0)
    frame = frames[up[first]]
    along = np.einsum("pdj,pj->pd", frame, mirror)
    scale = 2.0 / np.einsum("pj,pj->p", mirror, mirror)
    return height, frame[:, :, 1:] - scale[:, None, None] * along[:, :, None] * mirror[:, None, 1:]
