"""Hadamard and conference matrices: the orthogonal arrays behind Plackett-Burman and definitive screening plans.

Both come from the quadratic character of finite fields (Paley 1933, J. Math. Phys. 12, 311-320), by doubling, and for order 92 from four
circulants (Williamson 1944; Baumert, Golomb & Hall 1962).
"""

from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

Signs = NDArray[np.float64]

LARGEST_HADAMARD = 100
LARGEST_CONFERENCE = 30

# Plackett & Burman (1946), Biometrika 33, 305-325: the row whose cyclic shifts, with a last run all low, make the plan.
_CYCLIC_ROWS = {
    8: "+++-+--",
    12: "++-+++---+-",
    16: "++++-+-++--+---",
    20: "++--++++-+-+----++-",
    24: "+++++-+-++--++--+-+----",
    36: "-+-+++---+++++-+++--+----+-+-++--+-",
}

# Baumert, Golomb & Hall (1962), Bull. Amer. Math. Soc. 68, 237-238, gave the first matrix of order 92 = 4 × 23 by this construction. The first
# rows of four symmetric circulants below come from our own search over all such rows (any with squared eigenvalues adding up to 92 will do).
_WILLIAMSON_23 = (
    "+--++-+-+------+-+-++--",
    "+-+--+++++----+++++--+-",
    "+-+++--++-+--+-++--+++-",
    "+++++-++---++---++-++++",
)

_TWO: Signs = np.array([[1.0, 1.0], [1.0, -1.0]])


def _prime_power(q: int) -> tuple[int, int] | None:
    """(prime, exponent) if q is a power of an odd prime, else None."""
    if q < 3 or q % 2 == 0:
        return None
    prime = next(d for d in range(3, q + 1, 2) if q % d == 0)
    exponent, left = 0, q
    while left % prime == 0:
        left, exponent = left // prime, exponent + 1
    return (prime, exponent) if left == 1 else None


def _multiply(a: int, b: int, prime: int, modulus: tuple[int, ...]) -> int:
    """Product in the field of prime**n elements; an element's base-`prime` digits are its polynomial's coefficients, lowest first."""
    n = len(modulus)
    digits = [[x // prime**i % prime for i in range(n)] for x in (a, b)]
    out = [0] * (2 * n - 1)
    for i, j in product(range(n), range(n)):
        out[i + j] += digits[0][i] * digits[1][j]
    for top in range(2 * n - 2, n - 1, -1):  # x^n = modulus
        for i in range(n):
            out[top - n + i] += out[top] * modulus[i]
        out[top] = 0
    return sum(out[i] % prime * prime**i for i in range(n))


def _character(q: int) -> Signs:
    """Jacobsthal matrix (q, q): +1 where the difference of two elements is a square, -1 where it is not, 0 on the diagonal."""
    found = _prime_power(q)
    assert found is not None
    prime, n = found
    # the first modulus without zero divisors makes a field: then the squares of the q - 1 units are exactly (q - 1)/2 elements
    for modulus in product(range(prime), repeat=n):
        if all(_multiply(a, b, prime, modulus) for a in range(1, q) for b in range(1, q)) or n == 1:
            break
    squares = {_multiply(a, a, prime, modulus) for a in range(1, q)}
    digits = np.array([[x // prime**i % prime for i in range(n)] for x in range(q)])
    difference = (digits[:, None, :] - digits[None, :, :]) % prime @ prime ** np.arange(n)
    chi = np.array([0.0] + [1.0 if x in squares else -1.0 for x in range(1, q)])
    return np.asarray(chi[difference], dtype=np.float64)


@lru_cache(maxsize=32)
def conference(order: int) -> Signs | None:
    """Conference matrix: zero diagonal, ±1 elsewhere, C'C = (order - 1) I; symmetric for orders 2 mod 4, skew for orders 0 mod 4.

    None where none is built: order 22 (and 34) has none at all, since 21 (33) is not a sum of two squares (Belevitch 1950). Read-only.
    """
    found = _conference(order)
    if found is not None:
        found.setflags(write=False)
    return found


def _conference(order: int) -> Signs | None:
    q = order - 1
    if order == 2:
        return np.array([[0.0, 1.0], [1.0, 0.0]])
    if _prime_power(q):
        out = np.zeros((order, order))
        out[0, 1:] = 1.0
        out[1:, 0] = 1.0 if q % 4 == 1 else -1.0
        out[1:, 1:] = _character(q)
        return out
    # doubling keeps C skew with a zero diagonal (Goethals & Seidel 1967, Canad. J. Math. 19, 1001-1010)
    half = _conference(order // 2) if order % 8 == 0 else None
    if half is not None and np.array_equal(half.T, -half):
        one = np.eye(order // 2)
        return np.block([[half, half + one], [half - one, -half]])
    return None


def hadamard(order: int) -> Signs | None:
    """Hadamard matrix H'H = order × I with a first column of ones, its last row -1 everywhere else; None where none is built."""
    raw = _raw_hadamard(order)
    if raw is None:
        return None
    raw = raw * raw[:, :1]
    raw[:, 1:] *= -raw[-1, 1:]
    return raw


def _raw_hadamard(order: int) -> Signs | None:
    if order in (1, 2):
        return _TWO[:order, :order]
    skew = conference(order) if order % 4 == 0 and _prime_power(order - 1) else None
    if skew is not None:  # Paley I
        return np.eye(order) + skew
    symmetric = conference(order // 2) if order % 8 == 4 and _prime_power(order // 2 - 1) else None
    if symmetric is not None:  # Paley II
        own = np.array([[1.0, -1.0], [-1.0, -1.0]])
        return np.asarray(np.kron(symmetric, _TWO) + np.kron(np.eye(order // 2), own), dtype=np.float64)
    if order == 4 * len(_WILLIAMSON_23[0]):
        a, b, c, d = (
            np.array([np.roll(_row_of(text), shift) for shift in range(len(text))]) for text in _WILLIAMSON_23
        )
        return np.block([[a, b, c, d], [-b, a, -d, c], [-c, d, a, -b], [-d, -c, b, a]])
    half = _raw_hadamard(order // 2) if order % 2 == 0 else None
    if half is not None:
        return np.asarray(np.kron(_TWO, half), dtype=np.float64)
    return None


def _row_of(text: str) -> Signs:
    return np.array([1.0 if c == "+" else -1.0 for c in text])


def plackett_burman_signs(runs: int) -> Signs:
    """The plan of `runs` runs in runs - 1 columns, last run all low; `runs` a multiple of 4 up to 100.

    The published cyclic rows for 8, 12, 16, 20, 24 and 36 runs; a normalised Hadamard matrix for the others.
    """
    row = _CYCLIC_ROWS.get(runs)
    if row is not None:
        return np.vstack([*(np.roll(_row_of(row), shift) for shift in range(runs - 1)), -np.ones(runs - 1)])
    matrix = hadamard(runs)
    assert matrix is not None
    return matrix[:, 1:]
