"""A study's region and model as the search engine's arrays, and the engine's settings back in natural units."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.designs.search.moves import Move, lattice_moves
from doe.designs.search.packing import MOST_DEGREE
from doe.designs.search.problem import Region as SearchRegion
from doe.study import Categorical, Component, Continuous, Discrete, Model, Study, StudyError

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]

LEVELS_TRIED = 400  # settable values of one factor that are tried one by one; beyond that by line search on the lattice


def set_only(study: Study, *models: Model) -> tuple[Study, tuple[Model, ...]]:
    """The study and models without covariates, which no plan sets: the search knows only what is set."""
    if not study.covariates:
        return study, models
    bare = study.with_covariates(())
    return bare, tuple(Model(bare, m.name, m.parsed) for m in models)


@dataclass(frozen=True)
class Encoding:
    """One study and model in the engine's variables.

    Numeric factors are coded, categorical ones are contrasts. Components are pseudocomponents, z = (share − L)/(1 − Σ L),
    wherever the model spans the same functions of them as of shares: narrow ranges are badly conditioned in shares.

    Parameters
    ----------
    study : Study
    model : Model
    """

    study: Study
    model: Model

    def __post_init__(self) -> None:
        highest = int(self.model.exponents.sum(axis=1).max(initial=0))
        if highest > MOST_DEGREE:
            raise StudyError(
                "optimal: model", f"of degree {highest}", f"of degree {MOST_DEGREE} or less", "lower the powers"
            )

    @cached_property
    def owner(self) -> tuple[str, ...]:
        """Factor of each variable."""
        names: list[str] = []
        for f in self.study.factors:
            names += [f.name] * (len(f.levels) - 1 if isinstance(f, Categorical) else 1)
        return tuple(names)

    @cached_property
    def exponents(self) -> Ints:
        """Powers of the model's columns over the variables."""
        return np.asarray(self.model.exponents, dtype=np.int64)

    @cached_property
    def _affine(self) -> tuple[Reals, Reals]:
        """Natural = offset + scale · z of each variable (contrasts: 0 and 1)."""
        offset, scale = np.zeros(len(self.owner)), np.ones(len(self.owner))
        for v, name in enumerate(self.owner):
            f = self.study.factor(name)
            if isinstance(f, Continuous | Discrete):
                offset[v], scale[v] = (f.low + f.high) / 2, (f.high - f.low) / 2
            elif isinstance(f, Component):
                scale[v] = self._total
        if self.pseudo:
            bounds = dict(zip(self.study.region.names, self.study.region.low, strict=True))
            least = {c.name: float(bounds[c.name]) for c in self.study.components}
            room = self._total - sum(least.values())
            for v, name in enumerate(self.owner):
                if name in least:
                    offset[v], scale[v] = least[name], room
        return offset, scale

    @property
    def _total(self) -> float:
        return 100.0 if self.study.mixture_total is None else float(self.study.mixture_total)

    @cached_property
    def _sampled(self) -> Reals:
        """Encoded settings (shares) spread over the region."""
        return self.study.encode(self.study.region.sample(max(200, 4 * self.model.p), seed=0))

    @cached_property
    def _link(self) -> Reals | None:
        """T with X(shares) = X(pseudocomponents) T, None where the model is not closed under the change."""
        parts = [v for v, name in enumerate(self.owner) if isinstance(self.study.factor(name), Component)]
        if not parts:
            return None
        low = dict(zip(self.study.region.names, self.study.region.low, strict=True))
        least = np.array([low[self.owner[v]] for v in parts]) / self._total
        if 1.0 - least.sum() < 1e-9:
            return None
        Z = self._sampled.copy()
        X = self.model.matrix_of(Z)
        Z[:, parts] = (Z[:, parts] - least) / (1.0 - least.sum())
        U = self.model.matrix_of(Z)
        T, _, rank, _ = np.linalg.lstsq(U, X, rcond=None)
        if rank < self.model.p or np.abs(U @ T - X).max() > 1e-9 * np.abs(X).max():
            return None
        return np.where(np.abs(T) < 1e-12, 0.0, T)

    @property
    def pseudo(self) -> bool:
        """Whether components are pseudocomponents here."""
        return self._link is not None

    @cached_property
    def link(self) -> Reals:
        """T with X (the model's own columns) = X (columns here) T, shape (p, p)."""
        return np.eye(self.model.p) if self._link is None else self._link

    @property
    def log_link(self) -> float:
        """log|X'X| in the model's own coding, less that in the coding here."""
        return 2.0 * float(np.linalg.slogdet(self.link)[1])

    def inward(self, B: Reals) -> Reals:
        """A matrix B of trace(M^-1 B) from the model's own coding to the coding here."""
        back = np.linalg.inv(self.link)
        out = back.T @ B @ back
        return (out + out.T) / 2

    @cached_property
    def region(self) -> SearchRegion:
        """The region over the variables."""
        natural = self.study.region
        offset, scale = self._affine
        m = len(self.owner)
        place = {name: v for v, name in enumerate(self.owner)}
        at = [place[name] for name in natural.names]
        low, high = -np.ones(m), np.ones(m)
        for name, least, most in zip(natural.names, natural.low, natural.high, strict=True):
            v = place[name]
            low[v], high[v] = (least - offset[v]) / scale[v], (most - offset[v]) / scale[v]
        for v in range(m):
            for ends in (low, high):
                for exact in (-1.0, 0.0, 1.0):
                    if abs(ends[v] - exact) < 1e-12:
                        ends[v] = exact

        def rows(A: Reals, b: Reals) -> tuple[Reals, Reals]:
            wide = np.zeros((len(A), m))
            wide[:, at] = A * scale[at]
            bound = b - A @ offset[at]
            norm = np.abs(wide).max(axis=1, initial=0.0)
            norm[norm == 0] = 1.0
            return wide / norm[:, None], bound / norm

        A, b = rows(natural.A, natural.b)
        E, f = rows(natural.E, natural.f)
        levels = {
            place[d.name]: (np.array(d.levels) - offset[place[d.name]]) / scale[place[d.name]]
            for d in self.study.factors
            if isinstance(d, Discrete)
        }
        tables = tuple(
            (tuple(v for v, name in enumerate(self.owner) if name == c.name), _contrasts(len(c.levels)))
            for c in self.study.categorical
        )
        return SearchRegion(low, high, A, b, E, f, levels, tables)

    @cached_property
    def moments(self) -> Reals:
        """Averages of x x' over the region, in the coding here."""
        return self.inward(np.asarray(self.study.region.moments(self.model)))

    def variables_of(self, names: list[str] | tuple[str, ...]) -> tuple[int, ...]:
        """Variables of some factors."""
        return tuple(v for v, name in enumerate(self.owner) if name in names)

    def settings(self, df: pd.DataFrame) -> Reals:
        """The engine's variables of a table in natural units, shape (n, m)."""
        Z = self.study.encode(df)
        if self.pseudo:
            offset, scale = self._affine
            for v, name in enumerate(self.owner):
                if isinstance(self.study.factor(name), Component):
                    Z[:, v] = (Z[:, v] * self._total - offset[v]) / scale[v]
        return Z

    def table(self, Z: Reals) -> pd.DataFrame:
        """A table in natural units of the engine's variables."""
        offset, scale = self._affine
        out: dict[str, Any] = {}
        for f in self.study.factors:
            at = [v for v, name in enumerate(self.owner) if name == f.name]
            if isinstance(f, Categorical):
                rows = _contrasts(len(f.levels))
                apart = np.abs(Z[:, at][:, None, :] - rows[None]).sum(axis=2)
                out[f.name] = [f.levels[k] for k in apart.argmin(axis=1)]
            else:
                x = offset[at[0]] + scale[at[0]] * Z[:, at[0]]
                span = f.high - f.low
                for exact in f.levels if isinstance(f, Discrete) else (f.low, f.high):
                    x = np.where(np.abs(x - exact) < 1e-9 * span, exact, x)
                out[f.name] = x
        return pd.DataFrame(out, index=pd.RangeIndex(1, len(Z) + 1, name="run"))

    @cached_property
    def stepped(self) -> bool:
        """Whether some factor can be set in steps only."""
        return any(getattr(f, "step", None) is not None for f in self.study.factors)

    def lattice(self) -> tuple[SearchRegion, tuple[Move, ...]]:
        """The region and the moves that keep to what the bench can set."""
        offset, scale = self._affine
        region = self.region
        step, values = np.zeros(region.m), {}
        low, high = region.low.copy(), region.high.copy()
        for v, name in enumerate(self.owner):
            f = self.study.factor(name)
            if not isinstance(f, Continuous | Component) or f.step is None:
                continue
            step[v] = f.step / scale[v]
            least, most = offset[v] + scale[v] * low[v], offset[v] + scale[v] * high[v]
            first, last = np.ceil(least / f.step - 1e-9), np.floor(most / f.step + 1e-9)
            alone = not np.abs(region.E[:, v]).any()
            if alone and last - first < LEVELS_TRIED:
                settable = {float(k) * f.step for k in np.arange(first, last + 1)}
                settable |= {end for end in (f.low, f.high) if least - 1e-9 <= end <= most + 1e-9}
                values[v] = (np.array(sorted(settable)) - offset[v]) / scale[v]
            elif last > first:
                # ends beside the lattice can be set, but no step leads there or away
                low[v], high[v] = (first * f.step - offset[v]) / scale[v], (last * f.step - offset[v]) / scale[v]
        tight = SearchRegion(
            low, high, region.A, region.b, region.E, region.f, region.levels, region.tables, region.given
        )
        return tight, lattice_moves(region.moves(), step, values)


def _contrasts(levels: int) -> Reals:
    return np.vstack([np.eye(levels - 1), -np.ones((1, levels - 1))])
