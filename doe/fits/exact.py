"""Least squares in extended precision, on the numbers as they were typed.

A float's shortest decimal is what the user typed, so 0.1 enters as one tenth. Normal equations lose half the digits; with a
hundred to spare that leaves more than fifty. Used for the equation in natural units, and where the columns of a narrow
mixture are too nearly dependent for double precision.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import comb
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.fits.arrays import Floats, Solution
from doe.study import Categorical, Component, Covariate, Model, Response, Study

DIGITS = 100

# rows of extended-precision numbers: mpmath ships no types
Matrix = list[list[Any]]
Monomial = tuple[int, ...]


def _context() -> Any:
    import mpmath

    ctx = mpmath.MPContext()  # a context of our own: the caller's precision is left alone
    ctx.dps = DIGITS
    return ctx


def _typed(ctx: Any, value: float) -> Any:
    return ctx.mpf(repr(float(value)))


def encoded_matrix(ctx: Any, study: Study, settings: pd.DataFrame) -> Matrix:
    """Settings as the columns of `study.variables`, from the decimals typed: as `Study.encode`, in extended precision."""
    columns: list[list[Any]] = []
    for f in study.factors:
        values = settings[f.name].tolist()
        if isinstance(f, Categorical):
            last = f.levels[-1]
            columns += [[ctx.mpf((v == level) - (v == last)) for v in values] for level in f.levels[:-1]]
            continue
        centre, half = _centre_and_half(ctx, study, f)
        columns.append([(_typed(ctx, v) - centre) / half for v in values])
    for c in study.covariates:
        if c.name in settings.columns:
            centre, half = _centre_and_half(ctx, study, c)
            columns.append([(_typed(ctx, v) - centre) / half for v in settings[c.name].tolist()])
        else:
            columns.append([ctx.mpf(0)] * len(settings))
    return [list(row) for row in zip(*columns, strict=True)]


def _centre_and_half(ctx: Any, study: Study, factor: Any) -> tuple[Any, Any]:
    if isinstance(factor, Component):
        return ctx.mpf(0), _typed(ctx, study.mixture_total or 100.0)
    if isinstance(factor, Covariate):
        mean, sd = factor.law
        return _typed(ctx, mean), _typed(ctx, sd)
    low, high = _typed(ctx, factor.low), _typed(ctx, factor.high)
    return (low + high) / 2, (high - low) / 2


def _columns(ctx: Any, encoded: Matrix, exponents: NDArray[np.int64], blocks: Floats) -> Matrix:
    powers = [[(int(v), int(e[v])) for v in np.flatnonzero(e)] for e in exponents]
    X: Matrix = []
    for row, extra in zip(encoded, blocks.tolist(), strict=True):
        line = []
        for pairs in powers:
            value = ctx.mpf(1)
            for v, q in pairs:
                value *= row[v] ** q
            line.append(value)
        X.append(line + [ctx.mpf(b) for b in extra])
    return X


def fitted_scale(ctx: Any, response: Response, values: Floats) -> list[Any]:
    """Readings on the fitted scale: as `Response.forward`, in extended precision."""
    y = [_typed(ctx, v) for v in values]
    t = response.transform
    if t is None:
        return y
    if t == "log":
        return [ctx.log(v) for v in y]
    if t == "sqrt":
        return [ctx.sqrt(v) for v in y]
    if t[0] == "logit":
        low, high = (_typed(ctx, v) for v in response.domain)
        return [ctx.log((v - low) / (high - v)) for v in y]
    lam = _typed(ctx, float(t[1]))
    return [ctx.log(v) if lam == 0 else (v**lam - 1) / lam for v in y]


@dataclass(frozen=True)
class ExactSolution:
    """A solution in extended precision: X (n, p) and y as given, L the Cholesky factor of X'X."""

    ctx: Any
    X: Matrix
    y: list[Any]
    L: Matrix

    @cached_property
    def inverse_factor(self) -> Matrix:
        """L⁻¹, lower triangular, so that (X'X)⁻¹ = L⁻' L⁻¹."""
        p, dot = len(self.L), self.ctx.fdot
        columns: Matrix = []
        for j in range(p):
            column = [self.ctx.mpf(0)] * j + [1 / self.L[j][j]]
            for i in range(j + 1, p):
                column.append(-dot(self.L[i][j:i], column[j:]) / self.L[i][i])
            columns.append(column)
        return [list(row) for row in zip(*columns, strict=True)]

    @cached_property
    def beta(self) -> list[Any]:
        """Coefficients, (p,)."""
        M, dot = self.inverse_factor, self.ctx.fdot
        moments = [dot(column, self.y) for column in zip(*self.X, strict=True)]
        half = [dot(row, moments) for row in M]
        return [dot(column, half) for column in zip(*M, strict=True)]

    @cached_property
    def rss(self) -> Any:
        """Residual sum of squares."""
        left = [v - self.ctx.fdot(row, self.beta) for row, v in zip(self.X, self.y, strict=True)]
        return self.ctx.fdot(left, left)

    def images(self, rows: Matrix) -> Floats:
        """L⁻¹ row of each, rounded: rows · β in the orthonormal basis that `in_double` gives, shape (number of rows, p)."""
        return np.array([[float(v) for v in image] for image in self._images(rows)]).reshape(len(rows), len(self.L))

    def _images(self, rows: Matrix) -> Matrix:
        dot, p = self.ctx.fdot, len(self.L)
        full = [[*row, *[self.ctx.mpf(0)] * (p - len(row))] for row in rows]
        return [[dot(m, row) for m in self.inverse_factor] for row in full]

    def lengths(self, rows: Matrix) -> list[Any]:
        """Standard errors of rows · β in units of sigma: the lengths of L⁻¹ row."""
        return [self.ctx.sqrt(self.ctx.fdot(image, image)) for image in self._images(rows)]

    def in_double(self) -> Solution:
        """The solution rounded to double precision, its basis orthonormal to the last digit."""
        M, dot = self.inverse_factor, self.ctx.fdot
        Q = [[float(dot(row, m)) for m in M] for row in self.X]
        return Solution(
            np.array(Q),
            np.array([[float(v) for v in row] for row in zip(*M, strict=True)]),
            np.array([float(b) for b in self.beta]),
            np.array([float(v) for v in self.y]),
        )


def solve_exact(
    model: Model, settings: pd.DataFrame, response: Response, values: Floats, blocks: Floats
) -> ExactSolution:
    """Solve a fit in extended precision.

    Parameters
    ----------
    model : Model
    settings : DataFrame
        The factors in natural units, one row a batch.
    response : Response
    values : ndarray, shape (n,)
        Readings on the response's own scale.
    blocks : ndarray, shape (n, b)
        Block contrasts; b may be 0.

    Returns
    -------
    ExactSolution
    """
    ctx = _context()
    X = _columns(ctx, encoded_matrix(ctx, model.study, settings), model.exponents, blocks)
    return ExactSolution(ctx, X, fitted_scale(ctx, response, values), _cholesky(ctx, X))


def _cholesky(ctx: Any, X: Matrix) -> Matrix:
    columns, dot = list(zip(*X, strict=True)), ctx.fdot
    p = len(columns)
    L = [[ctx.mpf(0)] * p for _ in range(p)]
    for j in range(p):
        for i in range(j, p):
            rest = dot(columns[i], columns[j]) - dot(L[i][:j], L[j][:j])
            L[i][j] = ctx.sqrt(rest) if i == j else rest / L[j][j]
    return L


def written_out(ctx: Any, model: Model, pseudocomponents: bool = False) -> tuple[list[Monomial], Matrix]:
    """The model's columns written out in natural units, or with components as L-pseudocomponents.

    Parameters
    ----------
    ctx : mpmath context
    model : Model
    pseudocomponents : bool
        Components as (share − low) / (1 − sum of the lows) and all else coded, instead of natural units.

    Returns
    -------
    monomials : list of tuple of int
        Whole powers over the study's variables, in the new units: those of the model's columns in their order, then any
        that writing out brings in (only where the model lacks a parent).
    T : list of list, shape (number of monomials, p)
        What each coded coefficient adds to each of the new ones.
    """
    study = model.study
    kinds: list[tuple[Any, Any] | None] = []  # a coded variable is (new − centre) / half; None: it stays as it is
    total = _typed(ctx, study.mixture_total or 100.0)
    room = 1 - sum((_typed(ctx, c.low) for c in study.components), ctx.mpf(0)) / total
    for f in study.factors:
        if isinstance(f, Categorical):
            kinds += [None] * (len(f.levels) - 1)
        elif pseudocomponents:
            kinds.append((-_typed(ctx, f.low) / total / room, 1 / room) if isinstance(f, Component) else None)
        else:
            kinds.append(_centre_and_half(ctx, study, f))
    kinds += [None if pseudocomponents else _centre_and_half(ctx, study, c) for c in study.covariates]
    shares = [i for i, v in enumerate(study.variables) if v in {c.name for c in study.components}]
    own = [tuple(int(q) for q in row) for row in model.exponents]
    known = set(own)
    written = [_expanded(ctx, e, kinds) for e in own]
    if shares:
        # the components' sum in the new units
        whole = ctx.mpf(1) if pseudocomponents else total
        written = [_spread(terms, shares, known, whole) for terms in written]
    extra = sorted({m for terms in written for m in terms} - known, key=lambda m: (sum(m), tuple(-q for q in m)))
    monomials = [*own, *extra]
    zero = ctx.mpf(0)
    return monomials, [[terms.get(m, zero) for terms in written] for m in monomials]


def _expanded(ctx: Any, exponents: Monomial, kinds: Sequence[tuple[Any, Any] | None]) -> dict[Monomial, Any]:
    terms: dict[Monomial, Any] = {(0,) * len(exponents): ctx.mpf(1)}
    for v, q in enumerate(exponents):
        if q == 0:
            continue
        kind = kinds[v]
        if kind is None:
            parts = {q: ctx.mpf(1)}
        else:
            centre, half = kind
            parts = {k: comb(q, k) * (-centre) ** (q - k) / half**q for k in range(q + 1)}
        terms = {
            (*m[:v], m[v] + k, *m[v + 1 :]): a * b for m, a in terms.items() for k, b in parts.items() if a * b != 0
        }
    return terms


def _spread(terms: dict[Monomial, Any], shares: list[int], known: set[Monomial], whole: Any) -> dict[Monomial, Any]:
    """Put what is free of components on their blends: the shares add up to 1, so z is the sum of x·z."""
    out: dict[Monomial, Any] = {}
    for m, a in terms.items():
        blends = [(*m[:i], 1, *m[i + 1 :]) for i in shares]
        if not any(m[i] for i in shares) and all(b in known for b in blends):
            for b in blends:
                out[b] = out.get(b, 0) + a / whole
        else:
            out[m] = out.get(m, 0) + a
    return out
