"""Corners of {w : G w <= h}, full-dimensional and bounded, with the rows that meet in each: the double description method."""

from __future__ import annotations

import numpy as np

from doe.study.halfspaces import TOLERANCE, Bools, Floats, Ints


def enumerate_corners(G: Floats, h: Floats, limit: int) -> tuple[Floats, Bools] | None:
    """Every corner, and which rows hold there with equality.

    A row that misses a corner by little more than a rounding error would leave it open whether they meet: corners are then taken
    with a coarser eye, ten times and ten times more, until each row clearly meets each corner or clearly does not.

    Parameters
    ----------
    G : ndarray, shape (m, d)
        Rows of unit norm; the set measures about 1.
    h : ndarray, shape (m,)
        All positive: the origin is inside.
    limit : int
        Corners kept at any time before giving up.

    Returns
    -------
    corners : ndarray, shape (N, d)
    incidence : ndarray of bool, shape (N, m)
        Any number of rows may meet in one corner.

    None where there would be more than `limit` on the way.

    Notes
    -----
    Motzkin, Raiffa, Thompson & Thrall (1953), in the form of Fukuda, K. & Prodon, A. (1996). Double description method
    revisited. Combinatorics and Computer Science, LNCS 1120, 91-111. Corners are rays (t, w) of a cone; a row is added by
    joining adjacent rays on its two sides. Two rays are adjacent when no third meets all rows common to both; where one of
    them has just d rows, d - 1 common ones suffice, since they cannot be dependent.
    """
    m, d = G.shape
    if d == 0:
        return np.empty((1, 0)), np.zeros((1, m), dtype=bool)
    for tolerance in (TOLERANCE, 10 * TOLERANCE, 100 * TOLERANCE, 1000 * TOLERANCE):
        found = _rays(G, h, limit, tolerance)
        if found is None:
            return None
        corners, meets = _polished(*found, G, h), found[1]
        gap = h - corners @ G.T
        if (gap[~meets] > 5 * tolerance).all() and (np.abs(gap[meets]) <= 5 * tolerance).all():
            break
    # rows that were taken to meet may miss by the tolerance: shrink towards the origin, which is inside
    reach = np.max((corners @ G.T) / h, axis=1, initial=1.0)
    return corners / reach[:, None], meets


def _rays(G: Floats, h: Floats, limit: int, tolerance: float) -> tuple[Floats, Bools] | None:
    """The method itself: corners with the errors of the way there, and the rows that meet in each."""
    from scipy.linalg import qr

    m, d = G.shape
    R = np.column_stack([h, -G])
    R /= np.linalg.norm(R, axis=1, keepdims=True)
    first: Ints = qr(R.T, pivoting=True, mode="economic")[2][: d + 1]
    rays = np.linalg.inv(R[first]).T
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    meets = np.zeros((d + 1, m), dtype=bool)
    meets[:, first] = ~np.eye(d + 1, dtype=bool)
    for i in np.setdiff1d(np.arange(m), first):  # in the order given: bounds first keeps the way short
        side = rays @ R[i]
        above, below = side > tolerance, side < -tolerance
        meets[~above & ~below, i] = True
        if not below.any():
            continue
        pairs = _adjacent(meets, np.flatnonzero(above), np.flatnonzero(below), d, limit)
        if pairs is None or len(pairs) + int((~below).sum()) > limit:
            return None
        a, c = pairs.T
        fresh = side[a, None] * rays[c] - side[c, None] * rays[a]
        fresh /= np.linalg.norm(fresh, axis=1, keepdims=True)
        common = meets[a] & meets[c]
        common[:, i] = True
        rays, meets = np.concatenate([rays[~below], fresh]), np.concatenate([meets[~below], common])
    return rays[:, 1:] / rays[:, :1], meets


def _adjacent(meets: Bools, above: Ints, below: Ints, d: int, limit: int) -> Ints | None:
    """Pairs of adjacent rays, one above and one below; None where there are far more than `limit` to look at."""
    counts = meets.astype(np.float32)  # counting rows in common is a matrix product; float32 is exact up to 2^24
    found: list[Ints] = []
    total = 0
    chunk = max(1, 4_000_000 // max(len(above), 1))
    for start in range(0, len(below), chunk):
        part = below[start : start + chunk]
        a, c = np.nonzero(counts[above] @ counts[part].T > d - 1.5)
        total += len(a)
        if total > 20 * limit:
            return None
        found.append(np.column_stack([above[a], part[c]]))
    pairs = np.concatenate(found) if found else np.empty((0, 2), dtype=np.int64)
    rows = meets.sum(axis=1)
    adjacent = (rows[pairs] == d).any(axis=1)
    unsure = np.flatnonzero(~adjacent)
    chunk = max(1, 8_000_000 // len(meets))
    for start in range(0, len(unsure), chunk):
        at = unsure[start : start + chunk]
        common = counts[pairs[at, 0]] * counts[pairs[at, 1]]
        holders = common @ counts.T > common.sum(axis=1, keepdims=True) - 0.5
        adjacent[at] = holders.sum(axis=1) == 2
    return pairs[adjacent]


def _polished(corners: Floats, meets: Bools, G: Floats, h: Floats) -> Floats:
    """Corners solved anew from the rows that meet in them, so that no error of the way there is left."""
    d = G.shape[1]
    out = corners.copy()
    rows = meets.sum(axis=1)
    simple = np.flatnonzero(rows == d)
    if simple.size:
        at = np.nonzero(meets[simple])[1].reshape(len(simple), d)
        out[simple] = np.linalg.solve(G[at], h[at][:, :, None])[:, :, 0]
    for k in np.flatnonzero(rows != d):
        out[k] = np.linalg.lstsq(G[meets[k]], h[meets[k]], rcond=None)[0]
    return out


def facets_of(incidence: Bools) -> dict[int, list[int]]:
    """The faces that rows cut out and that lie in no larger one: corners as bits -> the rows that cut it out."""
    cut: dict[int, list[int]] = {}
    for i, bits in enumerate(as_bits(incidence.T)):
        if 0 < bits.bit_count() < len(incidence):
            cut.setdefault(bits, []).append(i)
    largest: dict[int, list[int]] = {}
    for bits in sorted(cut, key=int.bit_count, reverse=True):
        if not any(bits & ~other == 0 for other in largest):
            largest[bits] = cut[bits]
    return largest


def as_bits(table: Bools) -> list[int]:
    """Every row of a table of truths as one whole number, the first column the lowest bit."""
    packed = np.packbits(table, axis=1, bitorder="little")
    return [int.from_bytes(row.tobytes(), "little") for row in packed]


def as_table(bits: list[int], columns: int) -> Bools:
    """The inverse of `as_bits`."""
    width = (columns + 7) // 8
    raw = np.frombuffer(b"".join(b.to_bytes(width, "little") for b in bits), dtype=np.uint8).reshape(len(bits), width)
    return np.unpackbits(raw, axis=1, count=columns, bitorder="little").astype(bool)


def largest_inside(face: int, families: list[int], least: int, nested: bool = True) -> dict[int, int]:
    """The largest proper, non-empty intersections of `face` with the families: what bounds it in a lattice of faces.

    Parameters
    ----------
    face : int
        Corners as bits.
    families : list of int
        The facets (or, in the dual, the corners) as bits.
    least : int
        How many bits one must have at least.
    nested : bool
        Whether an intersection may lie in another: never where just d of the facets meet in every corner.

    Returns
    -------
    dict of int to int
        Intersection -> bits telling which families give it.
    """
    found: dict[int, int] = {}
    for i, family in enumerate(families):
        bits = face & family
        if bits != face and bits.bit_count() >= least:
            found[bits] = found.get(bits, 0) | 1 << i
    if not nested:
        return found
    out: dict[int, int] = {}
    for bits in sorted(found, key=int.bit_count, reverse=True):
        if not any(bits & ~other == 0 for other in out):
            out[bits] = found[bits]
    return out
