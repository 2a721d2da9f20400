"""Mixture plans: simplex lattice, simplex centroid, extreme vertices."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.designs.assembly import MOST_RUNS, check_study, finished, from_settings, whole_number
from doe.designs.plan import Plan
from doe.study import Study, StudyError
from doe.study.shown import number_text

Shares = NDArray[np.float64]

_PARTS = {1: "vertex", 2: "binary", 3: "ternary"}


def lattice_points(q: int, degree: int) -> Shares:
    """The {q, degree} lattice: all blends in multiples of 1/degree, fewest parts first; shape (C(q + degree - 1, degree), q)."""
    # each way to put q - 1 bars between degree stars
    bars = np.array(list(combinations(range(degree + q - 1), q - 1)), dtype=np.int64).reshape(-1, q - 1)
    edges = np.column_stack([np.full(len(bars), -1), bars, np.full(len(bars), degree + q - 1)])
    points = (np.diff(edges, axis=1) - 1) / degree
    return points[np.lexsort([*(-points[:, ::-1].T), (points > 0).sum(axis=1)])]


def centroid_points(q: int) -> Shares:
    """All blends of equal parts of one, two, … q components, shape (2**q - 1, q)."""
    return np.array(
        [
            [1 / size if i in chosen else 0.0 for i in range(q)]
            for size in range(1, q + 1)
            for chosen in combinations(range(q), size)
        ]
    )


def axial_blends(q: int) -> Shares:
    """Check blends halfway between each vertex and the overall centroid, shape (q, q) (Cornell 2002, section 2.13)."""
    return np.full((q, q), 1 / (2 * q)) + np.eye(q) / 2


def simplex_lattice(study: Study, degree: int, augmented: bool = False) -> Plan:
    """All blends whose parts are multiples of 1/degree: the {q, degree} lattice.

    Parameters
    ----------
    study : Study
        Of components only, whose ranges leave a simplex; with lower bounds the lattice lies in L-pseudocomponents.
    degree : int
        1: the vertices; 2: for the quadratic model; 3: for the full cubic.
    augmented : bool
        Add check blends inside: the overall centroid and, halfway to it, one towards each vertex.

    Returns
    -------
    Plan
        Model "linear", "quadratic" or "cubic" by degree.

    Raises
    ------
    StudyError
        If there are other factors, upper bounds or constraints cut the simplex, or the degree is no whole number.

    References
    ----------
    Scheffé, H. (1958). Experiments with mixtures. J. R. Stat. Soc. B 20, 344-360.
    """
    where = "simplex_lattice"
    _check_simplex(where, study)
    m = whole_number(f"{where}: degree", degree, 1, 20, "2 serves the quadratic model")
    points = lattice_points(len(study.components), m)
    model = {1: "linear", 2: "quadratic"}.get(m, "cubic" if len(study.components) > 2 else "quadratic")
    return _blends(where, study, points, augmented, {"degree": m}, model)


def simplex_centroid(study: Study, augmented: bool = False) -> Plan:
    """Blends of equal parts of every subset of the components.

    Parameters
    ----------
    study : Study
        Of components only, whose ranges leave a simplex; with lower bounds the blends are of L-pseudocomponents.
    augmented : bool
        Add check blends halfway between each vertex and the overall centroid.

    Returns
    -------
    Plan
        2^q - 1 runs for q components; model "special cubic".

    Raises
    ------
    StudyError
        If there are other factors, or upper bounds or constraints cut the simplex.

    References
    ----------
    Scheffé, H. (1963). The simplex-centroid design for experiments with mixtures. J. R. Stat. Soc. B 25, 235-263.
    """
    where = "simplex_centroid"
    _check_simplex(where, study)
    q = len(study.components)
    if 2**q > MOST_RUNS:
        raise StudyError(f"{where}: components", q, "at most 13", "take simplex_lattice or extreme_vertices")
    return _blends(where, study, centroid_points(q), augmented, {}, "special cubic" if q > 2 else "quadratic")


def _check_simplex(where: str, study: Study) -> None:
    """Refuse a study whose region is no simplex of its components."""
    check_study(where, study)
    for f in study.factors:
        if f not in study.components:
            raise StudyError(
                f"{where}: factor {f.name!r}",
                type(f).__name__,
                "a Component, like all factors of a simplex",
                "take optimal, which plans components and other factors together",
            )
    total = study.mixture_total or 100.0
    spare = total - sum(c.low for c in study.components)
    for c in study.components:
        if c.high < c.low + spare - 1e-9 * total:
            raise StudyError(
                f"{where}: high of {c.name!r}",
                c.high,
                f"at least {number_text(c.low + spare)} {c.unit}".rstrip() + ", so that the region is a simplex",
                "raise it, or take optimal or extreme_vertices",
            )


def _blends(
    where: str, study: Study, points: Shares, augmented: bool, arguments: dict[str, object], model: str
) -> Plan:
    if not isinstance(augmented, bool):
        raise StudyError(f"{where}: augmented", augmented, "True or False", "say whether to add check blends inside")
    q = points.shape[1]
    kinds = [_PARTS.get(n, f"{n}-part") for n in (points > 0).sum(axis=1).tolist()]
    if augmented:
        centroid = np.full((1, q), 1 / q)
        if not (np.abs(points - centroid).max(axis=1) < 1e-12).any():
            points, kinds = np.vstack([points, centroid]), [*kinds, "centroid"]
        points, kinds = np.vstack([points, axial_blends(q)]), [*kinds, *["axial"] * q]
    if len(points) > MOST_RUNS:
        raise StudyError(f"{where}: runs", len(points), f"at most {MOST_RUNS}", "lower the degree")
    total = study.mixture_total or 100.0
    low = np.array([c.low for c in study.components]) / total
    shares = low + (1 - low.sum()) * points
    notes = []
    if low.any():
        bounds = ", ".join(f"{c.name} {number_text(c.low)}" for c in study.components if c.low)
        notes.append(
            f"In L-pseudocomponents: parts of the {number_text((1 - low.sum()) * total)} {study.components[0].unit} left above the "
            f"lows ({bounds})."
        )
    return finished(
        where,
        study,
        {c.name: column for c, column in zip(study.components, shares.T, strict=True)},
        arguments={**arguments, "augmented": augmented},
        kinds=kinds,
        model=model,
        notes=notes,
        mend="take optimal or extreme_vertices, which keep to constraints",
    )


def extreme_vertices(study: Study, centroids: Sequence[int | str] = (1, "overall")) -> Plan:
    """The corners of the region and the centroids of its faces, whatever linear constraints shape it.

    Parameters
    ----------
    study : Study
        Any factors; categorical ones are crossed with the rest.
    centroids : sequence of int or "overall"
        Dimensions of the faces whose centroids are added: 1 for edges, 2 for plane faces …; "overall" for the middle of the region. Empty
        for the corners alone.

    Returns
    -------
    Plan
        Corners in standard order, then centroids by dimension. Model "quadratic" if the runs can estimate it, else "linear", else none.

    Raises
    ------
    StudyError
        If a dimension is none of the region's, or there would be too many runs.

    References
    ----------
    McLean, R. A. & Anderson, V. L. (1966). Extreme vertices design of mixture experiments. Technometrics 8, 447-454.
    """
    where = "extreme_vertices"
    check_study(where, study)
    region = study.region
    if isinstance(centroids, str) or not isinstance(centroids, Iterable):
        raise StudyError(f"{where}: centroids", centroids, "a list of dimensions", 'write (1, "overall")')
    if region.dimension == 0:
        where_from = f"{where}: number of numeric factors and components"
        raise StudyError(where_from, len(region.names), "at least one that can vary", "take full_factorial")
    dims = []
    for dim in centroids:
        mend = 'take 1 for edges, 2 for plane faces, "overall" for the middle'
        dims.append(
            region.dimension
            if dim == "overall"
            else whole_number(f"{where}: centroids", dim, 1, region.dimension, mend)
        )
    parts, kinds = [region.vertices()], []
    for dim in sorted(set(dims)):
        parts.append(region.centroids(dim))
    names = {0: "corner", 1: "edge", 2: "face"} | {region.dimension: "centroid"}
    for dim, part in zip([0, *sorted(set(dims))], parts, strict=True):
        kinds += [names.get(dim, f"{dim}-dimensional face")] * len(part)
    table = pd.concat(parts, ignore_index=True)
    again = table.duplicated()
    notes = []
    if again.any():  # discrete factors: a centroid can fall on a corner's levels
        notes.append(f"{int(again.sum())} centroids at settings that are there already are left out.")
    if not region.complete:
        notes.append("The region has more corners than can be listed: these are some of them.")
    if len(table) > MOST_RUNS:
        raise StudyError(
            f"{where}: runs", len(table), f"at most {MOST_RUNS}", "ask for fewer centroids, or take space_filling"
        )
    kept = table[~again].reset_index(drop=True)
    able = [name for name in ("quadratic", "linear") if _estimable(study, kept, name)]
    return from_settings(
        where,
        study,
        kept,
        arguments={"centroids": list(centroids)},
        kinds=[kind for kind, out in zip(kinds, again, strict=True) if not out],
        model=able[0] if able else None,
        notes=notes,
    )


def _estimable(study: Study, table: pd.DataFrame, name: str) -> bool:
    model = study.model(name)
    return bool(np.linalg.matrix_rank(model.matrix(table)) == model.p)
