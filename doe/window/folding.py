"""Polynomials over encoded settings: the terms all responses need together, and noise folded into their coefficients.

If f(z)'b is a response and the bench holds z + ε, then f(z + ε)'b + e is again a polynomial in z: its coefficients c = T(ε) b + e
carry the setting error and the new batch's own error exactly, so one product of terms and coefficients gives every draw.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from itertools import product
from math import comb

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Powers = NDArray[np.int64]


def shared_basis(exponents: Sequence[Powers], jittered: NDArray[np.bool_]) -> Powers:
    """Powers of every monomial that the folded polynomials can have.

    Parameters
    ----------
    exponents : sequence of ndarray, each (p_j, m)
        Powers of every response's columns over the m variables.
    jittered : ndarray of bool, shape (m,)
        Variables that carry setting error: their lower powers are needed too.

    Returns
    -------
    ndarray, shape (q, m)
        Without repeats, the constant first.
    """
    found = {(0,) * len(jittered)}
    for rows in exponents:
        for row in rows:
            found |= set(product(*(range(a + 1) if held else (int(a),) for a, held in zip(row, jittered, strict=True))))
    return np.array(sorted(found, key=lambda row: (sum(row), tuple(-a for a in row))), dtype=np.int64)


def fold(
    basis: Powers, exponents: Powers, coefficients: Floats, errors: Floats | None = None, scale: Floats | None = None
) -> Floats:
    """Coefficients over the shared basis, with setting errors folded in.

    Parameters
    ----------
    basis : ndarray, shape (q, m)
        As `shared_basis` gives it.
    exponents : ndarray, shape (p, m)
        Powers of the response's own columns.
    coefficients : ndarray, shape (draws, p)
        One row a draw.
    errors : ndarray, shape (draws, m), optional
        Setting error of every variable in every draw.
    scale : ndarray, shape (draws, m), optional
        Factor on the variable after its error is added: z becomes scale (z + ε).

    Returns
    -------
    ndarray, shape (draws, q)
    """
    place = {tuple(row): i for i, row in enumerate(basis.tolist())}
    out = np.zeros((len(coefficients), len(basis)))
    if errors is None:
        out[:, [place[tuple(row)] for row in exponents.tolist()]] = coefficients
        return out
    for column, row in enumerate(exponents.tolist()):
        value = coefficients[:, column]
        if scale is not None:
            value = value * np.prod(scale ** np.array(row), axis=1)
        moved = [i for i, a in enumerate(row) if a and np.any(errors[:, i])]
        for lower in product(*(range(row[i] + 1) for i in moved)):
            part, target = value, list(row)
            for i, b in zip(moved, lower, strict=True):
                part = part * (comb(row[i], b) * errors[:, i] ** (row[i] - b))
                target[i] = b
            out[:, place[tuple(target)]] += part
    return out


class Terms:
    """Monomials of encoded settings, and their slopes, by look-up in a table of powers.

    Parameters
    ----------
    basis : ndarray, shape (q, m)
        Powers of every monomial.
    """

    def __init__(self, basis: Powers) -> None:
        self.basis = basis
        self.highest = basis.max(axis=0, initial=0)
        self.degree = int(basis.sum(axis=1).max(initial=0))  # of the polynomials along any straight line
        self.first = 1 + np.concatenate([[0], np.cumsum(self.highest)[:-1]])  # column 0 of the table is 1

    def _places(self, basis: Powers) -> NDArray[np.int64]:
        """Columns of the table whose product is each monomial, (most factors in one, q)."""
        depth = max(1, int((basis > 0).sum(axis=1).max(initial=0)))
        places = np.zeros((depth, len(basis)), dtype=np.int64)
        for column, row in enumerate(basis):
            for level, v in enumerate(np.flatnonzero(row)):
                places[level, column] = self.first[v] + row[v] - 1
        return places

    @cached_property
    def _values(self) -> NDArray[np.int64]:
        return self._places(self.basis)

    @cached_property
    def _slopes(self) -> tuple[NDArray[np.int64], Floats]:
        """Places and factors of every monomial's derivative by every variable, (depth, m, q) and (m, q)."""
        m = self.basis.shape[1]
        reduced = np.maximum(self.basis[None, :, :] - np.eye(m, dtype=np.int64)[:, None, :], 0)
        places = self._places(reduced.reshape(-1, m))
        return places.reshape(len(places), m, -1), self.basis.T.astype(float)

    def _table(self, Z: Floats) -> Floats:
        table = np.ones((len(Z), 1 + int(self.highest.sum())))
        for v, (start, highest) in enumerate(zip(self.first, self.highest, strict=True)):
            for a in range(highest):
                table[:, start + a] = table[:, start + a - 1] * Z[:, v] if a else Z[:, v]
        return table

    def __call__(self, Z: Floats) -> Floats:
        """Value of every monomial at every setting, (N, q), from encoded settings (N, m)."""
        table = self._table(Z)
        first, *others = self._values
        out = table[:, first]
        for places in others:
            out *= table[:, places]
        return out

    def slopes(self, Z: Floats, variables: Sequence[int]) -> Floats:
        """Derivative of every monomial by some of the variables, (N, len(variables), q)."""
        table = self._table(Z)
        places, factor = self._slopes
        out = np.multiply(factor[variables], table[:, places[0, variables]])
        for level in places[1:]:
            out *= table[:, level[variables]]
        return out


def well_scaled(terms: Terms, Z: Floats) -> tuple[Floats, Floats]:
    """A change of basis that makes the terms nearly orthonormal over a sample of settings.

    Narrow mixture regions give large coefficients of opposite sign; single precision would lose the answer in them. No direction
    is dropped, so the change is exact for settings outside the sample too.

    Parameters
    ----------
    terms : Terms
        Of q monomials.
    Z : ndarray, shape (N, m)
        Encoded settings that fill the region.

    Returns
    -------
    onto, back : ndarrays, shape (q, q)
        terms @ onto are the new terms, back @ coefficients the new coefficients.
    """
    second = terms(Z)
    _, size, directions = np.linalg.svd(second.T @ second / len(Z))
    # square roots of the second moments; those that the sample cannot show are only scaled, never divided by nothing
    size = np.sqrt(np.maximum(size, 1e-12 * size[0]))
    return directions.T / size, size[:, None] * directions
