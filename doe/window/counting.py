"""Counting in compiled code: shared among threads, along straight lines where settings lie on them, and fed with draws bit by bit.

`chance.inside_counts` and `chance.smooth_chance` say in plain NumPy what is counted here.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from doe.study.kernel_cache import load
from doe.window.chance import Draws, condensed
from doe.window.folding import Floats, Terms

SHARED = 1 << 24  # products of a term and a coefficient, below which a second thread costs more than it gains
PARTS = 4  # pieces of work a thread, so that one that is held up does not hold up the rest
HELD = 1 << 15  # settings whose terms are held at a time
SHORT = 8  # settings on a line, below which its polynomial costs more than it saves
STRAIGHT = 1e-9  # distance from a line, encoded units; single precision does not see a hundred times as much
TRIED, TRIED_DRAWS = 64, 512  # settings and draws by which responses are put in order


def threads() -> int:
    """How many threads to count with: the cores this process may use, fewer where OMP_NUM_THREADS or NUMBA_NUM_THREADS says so."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    said = [os.environ.get(name, "") for name in ("OMP_NUM_THREADS", "NUMBA_NUM_THREADS")]
    return max(1, min([cores, *(int(number) for number in said if number.isdigit() and int(number) > 0)]))


def _kernels() -> ModuleType:
    return load("doe.window.kernels", "count_points", "the counting of chances")


def _shared_out(work: Callable[[int, int], None], pieces: int, products: float, workers: int | None) -> None:
    """Do `work(from, to)` over all pieces; each writes to its own place, so the number of workers changes nothing."""
    if workers is None:
        workers = threads() if products >= SHARED else 1
    if workers == 1 or pieces == 1:
        work(0, pieces)
        return
    ends = np.unique(np.linspace(0, pieces, PARTS * workers + 1).astype(int)).tolist()
    with ThreadPoolExecutor(workers) as pool:
        for done in [pool.submit(work, a, b) for a, b in pairwise(ends)]:
            done.result()


def _padded(terms: Floats, width: int) -> NDArray[np.float32]:
    """Terms in single precision, zeros added up to the width of the coefficients."""
    out = np.zeros((len(terms), width), dtype=np.float32)
    out[:, : terms.shape[1]] = terms
    return out


@dataclass(frozen=True)
class Lines:
    """Settings as straight lines, and those that lie on none.

    Attributes
    ----------
    start : ndarray of int, shape (L + 1,)
        Where each line's places begin among `rows` and `t`.
    rows : ndarray of int, shape (P,)
        Which settings they are.
    t : ndarray, shape (P,)
        Place on the line, from -1 to 1.
    centre, half : ndarray, shape (L, m)
        The setting at 0, and the way from there to 1.
    scattered : ndarray of int
        Settings on no line.
    """

    start: NDArray[np.int64]
    rows: NDArray[np.int64]
    t: Floats
    centre: Floats
    half: Floats
    scattered: NDArray[np.int64]


def lines_of(Z: Floats, least: int = SHORT) -> Lines:
    """Find the straight lines that a table of settings runs along, as a grid does row by row.

    Parameters
    ----------
    Z : ndarray, shape (N, m)
        Settings in their order.
    least : int
        Settings that make a line.

    Returns
    -------
    Lines
    """
    n = len(Z)
    everything = np.arange(n)
    nothing = Lines(np.zeros(1, dtype=np.int64), everything[:0], np.empty(0), Z[:0], Z[:0], everything)
    if n < least:
        return nothing
    kernel = _kernels()
    Z = np.ascontiguousarray(Z, dtype=float)
    onward = np.empty(n - 2, dtype=bool)
    kernel.going_on(Z, onward)
    # stretches of steps in one direction; a corner belongs to the line before it
    turns = np.flatnonzero(~onward) + 1
    first, last = np.append(0, turns), np.append(turns, n - 1)
    long = last - first + 1 >= least
    first, last = first[long], last[long]
    if len(first) > 1:
        first[1:] += first[1:] == last[:-1]
    long = last - first + 1 >= least
    first, last = first[long], last[long]
    if not len(first):
        return nothing
    centre, half = (Z[first] + Z[last]) / 2.0, (Z[last] - Z[first]) / 2.0
    counts = last - first + 1
    start = np.append(0, np.cumsum(counts))
    t, off = np.empty(start[-1]), np.empty(len(first))
    kernel.along_lines(Z, first, start, centre, half, t, off)
    true = off <= STRAIGHT
    rows = np.arange(start[-1]) + np.repeat(first - start[:-1], counts)
    if not true.all():
        kept = np.repeat(true, counts)
        rows, t, counts = rows[kept], t[kept], counts[true]
    free = np.ones(n, dtype=bool)
    free[rows] = False
    return Lines(np.append(0, np.cumsum(counts)), rows, t, centre[true], half[true], np.flatnonzero(free))


class Tally:
    """Counts of draws inside every limit at given settings, draws being added as they come.

    Settings are taken in blocks of bounded size, draws may come in any number of batches: neither the array of responses nor all
    draws at once are ever held.

    Parameters
    ----------
    Z : ndarray, shape (N, m)
        Encoded settings.
    monomials : Terms
        Their terms.
    onto : ndarray, shape (q, q)
        Change to the well-scaled terms, which the draws' coefficients belong to.
    each : bool
        Count every response by itself.
    workers : int, optional
        Threads; it changes no count.

    Attributes
    ----------
    draws : int
        How many were added.
    effective : float
        How many independent draws they are worth.
    """

    def __init__(
        self, Z: Floats, monomials: Terms, onto: Floats, each: bool = False, workers: int | None = None
    ) -> None:
        self._Z, self._monomials, self._onto, self._each, self._workers = Z, monomials, onto, each, workers
        self._counts: NDArray[np.int64] | None = None
        self.draws, self.effective = 0, 0.0

    @property
    def counts(self) -> NDArray[np.int64]:
        """Draws inside so far, (N, 1) or, each response by itself, (N, r)."""
        if self._counts is None:
            raise ValueError("no draws were added")
        return self._counts

    def add(self, draws: Draws) -> Tally:
        """Count some more draws."""
        counts = self._room(len(draws.two_sided) if self._each else 1)
        for first in range(0, len(self._Z), HELD):
            self._add(self._Z[first : first + HELD], draws, counts[first : first + HELD])
        self.draws += draws.draws
        self.effective += draws.effective
        return self

    def put(self, first: int, counts: NDArray[np.int64]) -> None:
        """Add what was counted elsewhere at the settings from one place on; how many draws it were is the caller's to add."""
        self._room(counts.shape[1])[first : first + len(counts)] += counts

    def _room(self, columns: int) -> NDArray[np.int64]:
        if self._counts is None:
            self._counts = np.zeros((len(self._Z), columns), dtype=np.int64)
        return self._counts

    def _add(self, Z: Floats, draws: Draws, counts: NDArray[np.int64]) -> None:
        order = max(2, self._monomials.degree)
        # a line's polynomial has order + 1 coefficients: where there are not many more terms nothing is gained by it
        found = lines_of(Z, SHORT if self._onto.shape[0] > order + 2 else len(Z) + 1)
        if len(found.scattered):
            terms, fewer = condensed(self._monomials(Z[found.scattered]) @ self._onto, draws)
            counts[found.scattered] += point_counts(terms, fewer, self._each, self._workers)
        if len(found.rows):
            # the polynomial along each line from its values at order + 1 places
            nodes = -np.cos(np.pi * np.arange(order + 1) / order)
            places = found.centre[:, None, :] + nodes[:, None] * found.half[:, None, :]
            values = self._monomials(places.reshape(-1, Z.shape[1])) @ self._onto
            powers = np.linalg.inv(np.vander(nodes, increasing=True))
            lines = powers @ values.reshape(len(found.centre), order + 1, -1)
            counts[found.rows] += line_counts(lines, found.start, found.t, draws, self._each, self._workers)


def point_counts(terms: Floats, draws: Draws, each: bool = False, workers: int | None = None) -> NDArray[np.int64]:
    """How many draws meet every limit at scattered settings.

    Parameters
    ----------
    terms : ndarray, shape (N, q)
        Terms at the settings.
    draws : Draws
        What to count.
    each : bool
        Count every response by itself instead.
    workers : int, optional
        Threads; it changes no count.

    Returns
    -------
    ndarray of int, shape (N, 1) or (N, r)
    """
    kernel = _kernels()
    C, low, high = draws.packed
    T = _padded(terms, C.shape[1])
    counts = np.zeros((len(T), len(C) if each else 1), dtype=np.int64)
    if not each and len(C) > 1 and len(T) > 4 * TRIED:
        tried = np.zeros((TRIED, len(C)), dtype=np.int64)
        some = np.ascontiguousarray(T[:: len(T) // TRIED][:TRIED])
        kernel.count_points(some, np.ascontiguousarray(C[:, :, :TRIED_DRAWS]), low, high, True, tried)
        # the response that fails most comes first: where it leaves no draw the others need not be looked at
        order = np.argsort(tried.sum(axis=0), kind="stable")
        C, low, high = C[order], low[order], high[order]

    def work(a: int, b: int) -> None:
        kernel.count_points(T[a:b], C, low, high, each, counts[a:b])

    _shared_out(work, len(T), float(len(T)) * C.size, workers)
    return counts


def line_counts(
    lines: Floats, start: NDArray[np.int64], t: Floats, draws: Draws, each: bool = False, workers: int | None = None
) -> NDArray[np.int64]:
    """How many draws meet every limit at places along straight lines.

    Parameters
    ----------
    lines : ndarray, shape (L, order + 1, q)
        A line's terms by powers of the place on it, the constant first; order is at least two.
    start : ndarray of int, shape (L + 1,)
        Where each line's places begin among `t`.
    t : ndarray, shape (P,)
        Places, from -1 to 1 so that single precision serves all powers alike.
    draws, each, workers
        As for `point_counts`.

    Returns
    -------
    ndarray of int, shape (P, 1) or (P, r)
    """
    kernel = _kernels()
    C, low, high = draws.packed
    rows = lines.shape[1]
    B = _padded(lines.reshape(-1, lines.shape[2]), C.shape[1])
    places = t.astype(np.float32)
    counts = np.zeros((len(t), len(C) if each else 1), dtype=np.int64)

    def work(a: int, b: int) -> None:
        first, last = start[a], start[b]
        kernel.count_lines(
            B[a * rows : b * rows],
            rows - 1,
            start[a : b + 1] - first,
            places[first:last],
            C,
            low,
            high,
            each,
            counts[first:last],
        )

    products = float(len(t)) * rows * len(C) * C.shape[2]
    _shared_out(work, len(start) - 1, products, workers)
    return counts


def smoothed(
    terms: Floats, draws: Draws, width: float, slope: bool = True, workers: int | None = None
) -> tuple[Floats, Floats]:
    """What `chance.smooth_chance` gives, with the same arguments."""
    kernel = _kernels()
    q = terms.shape[1]
    C, _, _ = draws.packed
    T = _padded(terms, C.shape[1])
    chance, by_terms = np.zeros(len(T)), np.zeros((len(T) if slope else 0, C.shape[1]))
    half = (0.5 / (width * draws.spread)).astype(np.float32)

    def work(a: int, b: int) -> None:
        kernel.smooth_points(T[a:b], C, half, draws.two_sided, slope, chance[a:b], by_terms[a:b])

    _shared_out(work, len(T), float(len(T)) * C.size, workers)
    return chance / draws.draws, (by_terms[:, :q] / draws.draws if slope else np.zeros((len(T), q)))
