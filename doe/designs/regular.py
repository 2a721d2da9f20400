"""Regular two-level fractions as arrays: columns, defining words, alias chains, blocking contrasts.

A column of a fraction with m basic factors is an integer whose bits name the basic factors it multiplies; a word or an effect of k factors
is an integer whose bits name those factors. Multiplying two of either is exclusive-or, so nothing here needs more than integers and signs.
"""

from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache, reduce
from itertools import combinations, product
from math import comb
from operator import xor

import numpy as np
from numpy.typing import NDArray

Signs = NDArray[np.float64]

# Generators of the added factors (in order), as products of the basic factors A, B, C …: minimum aberration for these sizes.
# Box, Hunter & Hunter (1978), Statistics for Experimenters, Table 12.15; Fries & Hunter (1980), Technometrics 22, 601-608;
# Chen, Sun & Wu (1993), Int. Statist. Rev. 61, 131-145. The test suite proves each by exhaustive search. Halves need no table: the added
# factor is the product of all the others.
_MINIMUM_ABERRATION = {
    (5, 2): "AB AC",
    (6, 2): "ABC BCD",
    (6, 3): "AB AC BC",
    (7, 2): "ABCD ABDE",
    (7, 3): "ABC BCD ACD",
    (7, 4): "AB AC BC ABC",
    (8, 2): "ABCD ABEF",
    (8, 3): "ABC ABD BCDE",
    (8, 4): "BCD ACD ABC ABD",
    (9, 2): "ACDFG BCEFG",
    (9, 3): "ABCD ACEF CDEF",
    (9, 4): "BCDE ACDE ABDE ABCE",
    (9, 5): "ABC BCD ACD ABD ABCD",
    (10, 3): "ABCG BCDE ACDF",
    (10, 4): "BCDF ACDF ABDE ABCE",
    (10, 5): "ABCD ABCE ABDE ACDE BCDE",
    (10, 6): "ABC BCD ACD ABD ABCD AB",
    (11, 4): "ABCG BCDE ACDF ABCDEFG",
    (11, 5): "CDE ABCD ABF BDEF ADEF",
    (11, 6): "ABC BCD CDE ACD ADE BDE",
    (11, 7): "ABC BCD ACD ABD ABCD AB AC",
}
MOST_FACTORS = 11
MOST_RUNS = 128
_MOST_LISTED = 12  # generators whose whole relation is written out


def bits(mask: int) -> list[int]:
    """Positions of the ones of `mask`, ascending."""
    return [i for i in range(mask.bit_length()) if mask >> i & 1]


def mask_of(positions: Iterable[int]) -> int:
    """The integer whose bits are these positions."""
    return sum(1 << int(i) for i in positions)


def fractions(k: int) -> list[int]:
    """Each p for which a minimum-aberration 2^(k-p) is at hand, ascending; 0 is the full factorial."""
    have = {p for (factors, p) in _MINIMUM_ABERRATION if factors == k} | {0}
    if k >= 3:
        have.add(1)
    return sorted(p for p in have if k <= MOST_FACTORS and 2 ** (k - p) <= MOST_RUNS)


def minimum_aberration(k: int, p: int) -> list[int]:
    """Columns (k integers over k - p basic factors) of the minimum-aberration fraction; the first k - p are the basic factors."""
    m = k - p
    basic = [1 << i for i in range(m)]
    if p == 0:
        return basic
    if p == 1:
        return [*basic, (1 << m) - 1]
    return [*basic, *(mask_of(ord(letter) - ord("A") for letter in word) for word in _MINIMUM_ABERRATION[k, p].split())]


def signs_of(columns: Sequence[int], m: int, negative: Sequence[bool] | None = None) -> Signs:
    """The fraction itself, shape (2**m, k), in standard order (first basic factor fastest); `negative` turns a column's sign."""
    run = np.arange(2**m)[:, None]
    level = np.where(run >> np.arange(m) & 1, 1.0, -1.0)
    out = np.stack([level[:, bits(c)].prod(axis=1) for c in columns], axis=1)
    if negative is not None:
        out[:, np.flatnonzero(negative)] *= -1.0
    return out


def defining_basis(signs: Signs) -> list[tuple[int, int]]:
    """Independent words whose product is the same in every run, each with that product (+1 or -1).

    Gaussian elimination over the field of two elements: a word is constant exactly when it is orthogonal to the difference of any two runs.
    """
    k = signs.shape[1]
    rows = {mask_of(np.flatnonzero(row < 0)) for row in signs}
    first = mask_of(np.flatnonzero(signs[0] < 0))
    pivots: dict[int, int] = {}  # leading bit -> reduced row
    for row in sorted(rows):
        left = row ^ first
        for lead, reduced in pivots.items():
            if left >> lead & 1:
                left ^= reduced
        if left:
            lead = left.bit_length() - 1
            for other in pivots:
                if pivots[other] >> lead & 1:
                    pivots[other] ^= left
            pivots[lead] = left
    basis = []
    for free in sorted(set(range(k)) - set(pivots)):
        word = 1 << free
        for lead, reduced in pivots.items():
            if reduced >> free & 1:
                word |= 1 << lead
        basis.append((word, int(signs[0, bits(word)].prod())))
    return basis


def is_regular(signs: Signs) -> bool:
    """Whether the runs fill, equally often, exactly the fraction that their constant words define."""
    distinct, counts = np.unique(signs, axis=0, return_counts=True)
    return bool(len(distinct) == 2 ** (signs.shape[1] - len(defining_basis(signs))) and counts.min() == counts.max())


def all_words(signs: Signs) -> list[tuple[int, int]]:
    """The words of the defining relation (without the identity) with their signs, by length and then by factor.

    All of them up to 2^12; of larger relations those of up to four factors.
    """
    basis = defining_basis(signs)
    if len(basis) > _MOST_LISTED:
        return [
            (mask_of(chosen), int(signs[0, chosen].prod()))
            for size in range(1, 5)
            for chosen in combinations(range(signs.shape[1]), size)
            if np.ptp(signs[:, chosen].prod(axis=1)) == 0
        ]
    group = [(0, 1)]
    for word, sign in basis:
        group += [(w ^ word, s * sign) for w, s in group]
    return sorted(group[1:], key=lambda pair: (pair[0].bit_count(), bits(pair[0])))


def word_lengths(signs: Signs) -> list[int]:
    """How many defining words of each length 0 … k a regular fraction has; entry 0 counts the identity.

    MacWilliams' identity gives them from the distances between runs, so that a saturated fraction needs no list of its 2^p words.
    """
    n, k = signs.shape
    differences = (signs != signs[0]).sum(axis=1).tolist()
    runs_at = [differences.count(d) for d in range(k + 1)]
    return [
        sum(
            count * sum((-1) ** s * comb(d, s) * comb(k - d, length - s) for s in range(length + 1))
            for d, count in enumerate(runs_at)
            if count
        )
        // n
        for length in range(k + 1)
    ]


def resolution(signs: Signs) -> int | None:
    """Length of a regular fraction's shortest defining word; None where there is none."""
    return next((length for length, count in enumerate(word_lengths(signs)) if length and count), None)


def fraction_resolution(k: int, p: int) -> int | None:
    """Resolution of the minimum-aberration 2^(k-p); None for the full factorial."""
    return resolution(signs_of(minimum_aberration(k, p), k - p))


def alias_chains(signs: Signs, order: int) -> list[list[tuple[int, int]]]:
    """Effects of up to `order` factors grouped by equal contrast.

    Returns
    -------
    list of list of (int, int)
        One chain per contrast, led by its first effect (fewest factors, then factor order); each entry is the effect's mask and its sign
        relative to the leader. The chain of the identity comes first, led by the empty effect (mask 0).
    """
    k = signs.shape[1]
    chains: dict[bytes, list[tuple[int, int]]] = {}
    leader: dict[bytes, float] = {}
    for size in range(order + 1):
        for chosen in combinations(range(k), size):
            column = signs[:, chosen].prod(axis=1)
            key = (column * column[0] > 0).tobytes()
            lead = leader.setdefault(key, column[0])
            chains.setdefault(key, []).append((mask_of(chosen), int(lead * column[0])))
    return list(chains.values())


def _subspaces(m: int, q: int) -> Iterator[list[int]]:
    """Each q-dimensional subspace of the m-bit integers once, by its reduced basis."""
    for pivots in combinations(range(m), q):
        free = [[j for j in range(pivot) if j not in pivots] for pivot in pivots]
        for choice in product(*(range(1 << len(f)) for f in free)):
            yield [1 << p | mask_of(f[b] for b in bits(c)) for p, f, c in zip(pivots, free, choice, strict=True)]


def span(basis: Sequence[int]) -> list[int]:
    """Every non-zero product of the given contrasts."""
    group = [0]
    for b in basis:
        group += [g ^ b for g in group]
    return group[1:]


@lru_cache(maxsize=64)
def block_contrasts(columns: tuple[int, ...], m: int, q: int) -> tuple[tuple[int, ...], tuple[int, ...]] | None:
    """The q contrasts that split a fraction into 2**q blocks with the least confounding.

    All q-dimensional groups of contrasts are compared: none may hold a main effect; then the fewest two-factor interactions, then the
    fewest of three factors, and so on (minimum aberration applied to blocks; Sun, Wu & Chen 1997, Technometrics 39, 298-307).

    Returns
    -------
    contrasts, confounded : tuple of int, tuple of int
        The contrasts over the basic factors, and how many effects of two, three, … k factors are confounded with blocks.
        None if every choice would confound a main effect.
    """
    k = len(columns)
    count = np.zeros((2**m, k + 1), dtype=np.int64)
    for size in range(1, k + 1):
        for chosen in combinations(columns, size):
            count[reduce(xor, chosen), size] += 1
    best: tuple[tuple[int, ...], tuple[int, ...]] | None = None
    for basis in _subspaces(m, q):
        total = count[span(basis)].sum(axis=0)
        if total[1]:
            continue
        score = tuple(int(t) for t in total[2:])
        if best is None or score < best[1]:
            best = tuple(basis), score
    return best


def block_numbers(columns: NDArray[np.float64]) -> NDArray[np.int64]:
    """Block 0 … 2**q - 1 of each run from the signs of the q block contrasts, shape (n, q)."""
    return (columns > 0) @ (1 << np.arange(columns.shape[1]))
