"""Where over the region a plan predicts worst: the largest prediction variance, with what is not proved about it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.quality import extremes
from doe.quality.information import Information
from doe.study import Categorical, Component, Continuous, Discrete, Model, Study
from doe.study.trial import _code

Floats = NDArray[np.float64]
TOLERANCE = 1e-3  # the bound is worked until it is within this share of the value found
WORK = 6_000_000  # evaluations before the rest of the bound is stated as it is
COMBINATIONS = 512  # of levels that are gone through one by one
LATTICE = 2_500  # points of one cell beyond which no bound is worked
SIMPLEXES = 5_000
SAMPLE = 2_000
LARGEST_CELL = 200_000  # points of one cell of a box beyond which the largest is searched, not proved
DEEPEST = 5  # dimensions of a polytope that is cut into simplexes
CLIMBS = 20


@dataclass(frozen=True)
class Largest:
    """The largest prediction variance over σ².

    Attributes
    ----------
    value : float
        The largest met, at `setting`.
    bound : float
        What no setting of the region exceeds; infinite where that was not worked out ("best search found").
    setting : Series
        Natural units, by factor.
    """

    value: float
    bound: float
    setting: pd.Series[Any]

    @property
    def kind(self) -> str:
        """Whether the bound is within 1 % of the value ("proved") or not ("best search found")."""
        return "proved" if self.bound <= self.value * 1.01 else "best search found"


def largest_variance(model: Model, information: Information, seed: int = 0) -> Largest:
    """The largest prediction variance over the study's region."""
    study = model.study
    free = [f for f in study.factors if not isinstance(f, Categorical)]
    if not study.components and not study.constraints:
        return _on_box(model, information)
    categories = list(product(*(f.levels for f in study.categorical)))
    vertices = study.region.vertices()
    numeric = vertices[[f.name for f in free]].drop_duplicates() if free else vertices
    candidates = pd.concat([vertices, study.region.sample(SAMPLE, seed=seed)], ignore_index=True)
    variances = information.variance(model.matrix(candidates))
    best = int(variances.argmax())
    value, setting = float(variances[best]), candidates.iloc[best]
    bound = np.inf
    corners = np.column_stack([_encoded(study, f, numeric[f.name].to_numpy(dtype=float)) for f in free])
    whole = study.region.complete and study.region.dimension <= DEEPEST  # the hull of some corners would prove nothing
    pieces = triangulation(corners) if whole and len(free) else None
    degree = 2 * max(
        (sum(q for n, q in t if not isinstance(study.factor(n), Categorical)) for t in model.parsed), default=0
    )
    if pieces is not None and degree and len(pieces) * len(categories) <= SIMPLEXES:
        size = _lattice_size(pieces[0].shape[0], degree)
        if size <= LATTICE:
            bound = value
            cells = max(WORK // (size * len(categories)), 4 * len(pieces))
            for levels in categories:
                encode = _filled(study, levels)

                def f(Z: Floats, encode: Any = encode) -> Floats:
                    return information.variance(model.matrix_of(encode(Z)))

                found, top, where = extremes.largest_on_simplexes(f, pieces, degree, TOLERANCE, cells)
                bound = max(bound, top)
                settable = not any(isinstance(g, Discrete) for g in free)
                if found > value and settable:
                    value, setting = found, _decoded(study, where, levels)
    return Largest(value, bound, setting)


def _on_box(model: Model, information: Information) -> Largest:
    study = model.study
    counted: list[Any] = [f for f in study.factors if not isinstance(f, Continuous)]
    choices = [list(f.levels) for f in counted]
    relaxed = int(np.prod([len(c) for c in choices], dtype=float)) > COMBINATIONS
    if relaxed:  # too many discrete levels to go through: bound over the whole interval, value at its settable points
        counted = [f for f in counted if isinstance(f, Categorical)]
        choices = [list(f.levels) for f in counted]
    free: list[Any] = [f for f in study.factors if f not in counted]
    place = {v: i for i, v in enumerate(study.variables)}
    degree = np.array([2 * int(model.exponents[:, place[f.name]].max(initial=0)) for f in free], dtype=np.int64)
    size = int(np.prod(degree + 1, dtype=float))
    value, bound, setting = -np.inf, -np.inf, pd.Series(dtype=object)
    combinations = list(product(*choices))
    if size > LARGEST_CELL or relaxed:
        value, setting = _climbed(model, information)
        if size > LARGEST_CELL:
            return Largest(value, np.inf, setting)
    for levels in combinations:
        fixed = dict(zip([f.name for f in counted], levels, strict=True))

        def f(Z: Floats, fixed: dict[str, Any] = fixed) -> Floats:
            columns = {g.name: Z[:, i] for i, g in enumerate(free)}
            return information.variance(model.matrix_of(_columns(study, columns, fixed, len(Z))))

        cells = max(WORK // (size * len(combinations)), 8)
        ones = np.ones(len(free))
        if len(free):
            found, top, where = extremes.largest_on_box(f, -ones, ones, degree, TOLERANCE, cells)
        else:
            where = np.empty(0)
            found = top = float(f(np.empty((1, 0)))[0])
        bound = max(bound, top)
        if found > value and not relaxed:
            middle = {
                g.name: 0.5 * (g.low + g.high) + 0.5 * (g.high - g.low) * float(where[i]) for i, g in enumerate(free)
            }
            value, setting = found, pd.Series({n: (fixed | middle)[n] for n in study.names}, dtype=object)
    return Largest(value, max(bound, value), setting)


def _climbed(model: Model, information: Information) -> tuple[float, pd.Series[Any]]:
    """The largest met on a box by going along one factor at a time from many settings."""
    study = model.study
    table = study.region.sample(SAMPLE, seed=0)
    variances = information.variance(model.matrix(table))
    at = table.iloc[np.argsort(-variances, kind="stable")[:CLIMBS]].reset_index(drop=True)
    best = information.variance(model.matrix(at))
    improved = True
    while improved:
        improved = False
        for f in study.factors:
            levels: list[Any] = (
                list(np.linspace(f.low, f.high, 9)) if isinstance(f, Continuous | Component) else list(f.levels)
            )
            tried = pd.concat([at.assign(**{f.name: level}) for level in levels], ignore_index=True)
            found = information.variance(model.matrix(tried)).reshape(len(levels), len(at))
            pick = found.argmax(axis=0)
            better = found.max(axis=0) > best * (1 + 1e-9)
            if better.any():
                at.loc[better, f.name] = [levels[k] for k in pick[better]]
                best = np.where(better, found.max(axis=0), best)
                improved = True
    top = int(best.argmax())
    return float(best[top]), at.iloc[top]


def _columns(study: Study, coded: dict[str, Floats], fixed: dict[str, Any], n: int) -> Floats:
    out = []
    for f in study.factors:
        if isinstance(f, Categorical):
            level = fixed[f.name]
            out += [np.full(n, float(level == one) - float(level == f.levels[-1])) for one in f.levels[:-1]]
        elif f.name in fixed:
            out.append(_code(np.full(n, fixed[f.name]), f.low, f.high))
        else:
            out.append(coded[f.name])
    return np.column_stack(out)


def _filled(study: Study, levels: tuple[str, ...]) -> Any:
    fixed = dict(zip([f.name for f in study.categorical], levels, strict=True))
    free = [f.name for f in study.factors if not isinstance(f, Categorical)]
    return lambda Z: _columns(study, {n: Z[:, i] for i, n in enumerate(free)}, fixed, len(Z))


def _encoded(study: Study, factor: Any, values: Floats) -> Floats:
    if isinstance(factor, Component):
        return values / (study.mixture_total or 100.0)
    return _code(values, factor.low, factor.high)


def _decoded(study: Study, where: Floats, levels: tuple[str, ...]) -> pd.Series[Any]:
    out: dict[str, Any] = dict(zip([f.name for f in study.categorical], levels, strict=True))
    free = [f for f in study.factors if not isinstance(f, Categorical)]
    for f, z in zip(free, where, strict=True):
        out[f.name] = (
            z * (study.mixture_total or 100.0)
            if isinstance(f, Component)
            else 0.5 * (f.low + f.high) + 0.5 * (f.high - f.low) * z
        )
    return pd.Series({n: out[n] for n in study.names}, dtype=object)


def _lattice_size(corners: int, degree: int) -> int:
    from math import comb

    return comb(degree + corners - 1, corners - 1)


def triangulation(vertices: Floats) -> list[Floats] | None:
    """Simplexes, each (m + 1, dims) corners, that fill the convex hull of points; None where their volumes do not add up to it."""
    from math import factorial

    from scipy.spatial import ConvexHull, Delaunay, QhullError

    centre = vertices.mean(axis=0)
    _, s, Vt = np.linalg.svd(vertices - centre, full_matrices=False)
    m = int((s > 1e-9 * s[0]).sum()) if len(s) and s[0] > 0 else 0
    if m == 0:
        return None
    flat = (vertices - centre) @ Vt[:m].T / s[:m]
    if m == 1:
        order = np.argsort(flat[:, 0])
        return [vertices[[order[0], order[-1]]]]
    try:
        parts = Delaunay(flat).simplices
        volume = float(ConvexHull(flat).volume)
    except QhullError:
        return None
    corners = flat[parts]
    volumes = np.abs(np.linalg.det(corners[:, 1:] - corners[:, :1])) / factorial(m)
    if abs(volumes.sum() - volume) > 1e-6 * volume:
        return None
    return [vertices[p] for p, v in zip(parts, volumes, strict=True) if v > 1e-14 * volume]
