"""Which part of a polynomial's variation over the region each factor accounts for: Sobol' indices and Shapley effects.

Arrays only. Everything asked for is a quadratic form in the coefficients whose matrix depends on the region and the terms alone:
the variance that the factors in S account for is β'C(S)β, C(S) = E[g g'] - E[m]E[m]', g = E[m | factors in S], m the model's columns.
So the matrices are made once, and any number of draws of the coefficients costs next to nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, product
from math import comb

import numpy as np
from numpy.typing import NDArray

from doe.fits.shapley import Tied
from doe.study import Categorical, Study
from doe.study.models import Model

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST = 12  # factors of which every group is worked through


@dataclass(frozen=True)
class Part:
    """An independent part of the uniform law: factors that constraints tie together, or one categorical factor.

    Attributes
    ----------
    names : tuple of str
    place : ndarray, shape (K,)
        Which of the part's own monomials stands in each monomial of the whole.
    tied : Tied or None
    mean, second : ndarray
        Of the own monomials, E[m] and E[m m'].
    """

    names: tuple[str, ...]
    place: Ints
    tied: Tied | None
    mean: Floats
    second: Floats

    def explained(self, known: frozenset[str]) -> Floats:
        """E[g g'] of the own monomials given some of the factors, shape (batches, K, K) in the whole's monomials."""
        own = tuple(i for i, name in enumerate(self.names) if name in known)
        if not own:
            out = np.outer(self.mean, self.mean)[None]
        elif len(own) == len(self.names) or self.tied is None:
            out = self.second[None]
        else:
            out = self.tied.explained(own)
        return out[:, self.place][:, :, self.place]


@dataclass(frozen=True)
class Variation:
    """The quadratic forms of one model over one study's region.

    Attributes
    ----------
    names : tuple of str
        The factors that share the variation: those of the model, and those that constraints tie to them.
    turn : ndarray, shape (p, K)
        The model's columns as polynomials in centred and scaled variables; narrow shares lose no digits there. Rows of columns with a
        covariate are zero: it is held at its mean.
    parts : tuple of Part
    """

    names: tuple[str, ...]
    turn: Floats
    parts: tuple[Part, ...]

    @property
    def independent(self) -> bool:
        """Whether every factor varies whatever the others are: a product region."""
        return all(len(p.names) == 1 for p in self.parts)

    @cached_property
    def _base(self) -> Floats:
        return self._product(frozenset())

    def _product(self, known: frozenset[str]) -> Floats:
        out = np.ones((1, self.turn.shape[1], self.turn.shape[1]))
        for part in self.parts:
            out = out * part.explained(known)
        return out

    def closed(self, known: frozenset[str]) -> Floats:
        """C(S), shape (batches or 1, p, p): β'C(S)β is the variance that the factors in S account for together."""
        return np.einsum("pk,bkl,ql->bpq", self.turn, self._product(known) - self._base, self.turn, optimize=True)

    @cached_property
    def total(self) -> Floats:
        """C of all factors, shape (p, p): β'Cβ is the variance of the surface over the region."""
        return self.closed(frozenset(self.names))[0]

    @cached_property
    def first_order(self) -> Floats:
        """C of each factor alone, shape (factors, p, p)."""
        return np.array([self.closed(frozenset([n]))[0] for n in self.names])

    @cached_property
    def total_order(self) -> Floats:
        """What is left when all others are known, shape (factors, p, p): a factor alone and in every interaction."""
        return np.array([self.total - self.closed(frozenset(self.names) - {n})[0] for n in self.names])

    @cached_property
    def shapley(self) -> Floats:
        """Shapley effects, shape (batches, factors, p, p); over the factors they add up to `total` in every batch.

        References
        ----------
        Song, E., Nelson, B. L. & Staum, J. (2016). Shapley effects for global sensitivity analysis: theory and computation.
        SIAM/ASA Journal on Uncertainty Quantification 4(1), 1060-1083.
        """
        k = len(self.names)
        out: Floats | None = None
        for size in range(k + 1):
            for group in combinations(range(k), size):
                C = self._product(frozenset(self.names[i] for i in group)) - self._base
                if out is None or len(C) > len(out):
                    grown = np.zeros((len(C), k, *C.shape[1:]))
                    out = grown if out is None else grown + out
                inside = np.zeros(k, dtype=bool)
                inside[list(group)] = True
                # C(S) is gained when the last of S joins, and is the start for whoever joins next
                if size:
                    out[:, inside] += C[:, None] / (k * comb(k - 1, size - 1))
                if size < k:
                    out[:, ~inside] -= C[:, None] / (k * comb(k - 1, size))
        assert out is not None
        return np.einsum("pk,bfkl,ql->bfpq", self.turn, out, self.turn, optimize=True)


def variation_of(study: Study, model: Model, seed: int = 0) -> Variation:
    """The quadratic forms of a model over its study's region.

    Parameters
    ----------
    study : Study
    model : Model
    seed : int
        Of the random points, where the region leaves a part that has to be estimated.

    Returns
    -------
    Variation
    """
    region = study.region
    exponents = np.asarray(model.exponents)
    width = exponents.shape[1]
    scale, shift = np.ones(width), np.zeros(width)
    owners: list[tuple[tuple[str, ...], list[int], object]] = []
    names = region.names
    used = {name for term in model.parsed for name, _ in term}
    for block in region.blocks:
        own = tuple(names[c] for c in block.columns)
        if not used & set(own):
            continue
        at, s, t = region.codes(block)
        probe = Tied(block, np.zeros((1, len(own)), dtype=np.int64), seed)
        a, b = probe.affine
        # u = (v - b) / a, so the code s u + t is (s / a) v + (t - s b / a); a factor that cannot move stays where it is
        moves = a != 0
        safe = np.where(moves, a, 1.0)
        scale[at] = np.where(moves, s / safe, 0.0)
        shift[at] = np.where(moves, t - s * b / safe, t + s * block.bounds[0])
        owners.append((own, at, block))
    for f in study.categorical:
        if f.name in used:
            at = [study.variables.index(f"{f.name}[{level}]") for level in f.levels[:-1]]
            owners.append(((f.name,), at, f))
    measured = [study.variables.index(c) for c in study.covariate_names]
    rows, turn = _expanded(exponents, scale, shift, measured)
    parts = []
    for own, at, thing in owners:
        mine, place = np.unique(rows[:, at], axis=0, return_inverse=True)
        if isinstance(thing, Categorical):
            contrasts = np.vstack([np.eye(len(at)), -np.ones(len(at))])
            values = np.prod(contrasts[:, None, :] ** mine[None], axis=2)
            parts.append(Part(own, place.ravel(), None, values.mean(axis=0), values.T @ values / len(values)))
        else:
            tied = Tied(thing, mine, seed)  # type: ignore[arg-type]
            parts.append(Part(own, place.ravel(), tied, tied.mean, tied.second))
    shared = {n for own, _, _ in owners for n in own}
    return Variation(tuple(n for n in study.names if n in shared), turn, tuple(parts))


def _expanded(exponents: Ints, scale: Floats, shift: Floats, measured: list[int]) -> tuple[Ints, Floats]:
    """Columns (scale v + shift)^e as polynomials in v: exponents (K, m) and coefficients (p, K)."""
    known: dict[tuple[int, ...], int] = {}
    entries: list[tuple[int, int, float]] = []
    for j, row in enumerate(exponents):
        if row[measured].any():
            continue
        at = np.flatnonzero(row)
        for chosen in product(*(range(int(row[v]) + 1) for v in at)):
            weight = 1.0
            for v, q in zip(at, chosen, strict=True):
                weight *= comb(int(row[v]), q) * scale[v] ** q * shift[v] ** (int(row[v]) - q)
            if weight == 0.0:
                continue
            powers = np.zeros(len(row), dtype=np.int64)
            powers[at] = chosen
            key = tuple(powers.tolist())
            entries.append((j, known.setdefault(key, len(known)), weight))
    turn = np.zeros((len(exponents), len(known)))
    for j, k, weight in entries:
        turn[j, k] += weight
    return np.array(list(known), dtype=np.int64).reshape(len(known), exponents.shape[1]), turn
