"""Corners of published mixture regions.

McLean, R. A. & Anderson, V. L. (1966). Extreme vertices design of mixture experiments. Technometrics 8(3), 447-454: the flare region;
the case folder says what is from memory.
Snee, R. D. & Marquardt, D. W. (1974). Extreme vertices designs for linear mixture models. Technometrics 16(3), 399-408: the gasoline
blend of five components with 28 extreme vertices (bounds and count from memory; the bounds give the count).
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe

CASE = Path(__file__).parent / "flare_mclean_anderson"
EXPECTED = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))
NAMES = ["x1_magnesium", "x2_sodium_nitrate", "x3_strontium_nitrate", "x4_binder"]


@pytest.fixture(scope="module")
def flare():
    bounds = EXPECTED["bounds"]
    return doe.Study("flare", [doe.Component(n, *bounds[n[:2]], unit="") for n in NAMES], mixture_total=1).region


@pytest.fixture(scope="module")
def published():
    return pd.read_csv(CASE / "data.csv")


def as_set(table):
    return {tuple(row) for row in np.round(table.to_numpy(dtype=float), 9)}


@pytest.mark.parametrize(("dim", "kind"), [(0, "vertex"), (2, "face_centroid"), (3, "centroid")])
def test_flare_points(flare, published, dim, kind):
    """8 vertices, 6 face centroids and the overall centroid are the 15 mixtures of the paper."""
    assert as_set(flare.centroids(dim)) == as_set(published.loc[published["kind"] == kind, NAMES])


def test_flare_vertices(flare, published):
    assert len(flare.vertices()) == EXPECTED["n_vertices"]
    assert as_set(flare.vertices()) == as_set(flare.centroids(0))
    assert len(flare.centroids(2)) == EXPECTED["n_faces"]
    assert flare.contains(published[NAMES]).all()


def test_flare_upper_bounds_out_of_reach(flare):
    """At x1 = 0.40 and x4 = 0.03, with 0.10 of the other, x2 and x3 come to 0.47: the 0.50 of the paper is never reached."""
    assert flare.tightened["factor"].tolist() == NAMES[1:3]
    np.testing.assert_allclose(flare.tightened["reached_high"], 0.47, atol=1e-12)


def test_gasoline_blend_has_28_extreme_vertices():
    bounds = {
        "butane": (0, 0.1),
        "alkylate": (0, 0.1),
        "light": (0.05, 0.15),
        "reformate": (0.2, 0.4),
        "cracked": (0.4, 0.6),
    }
    study = doe.Study("gasoline", [doe.Component(n, *b, unit="") for n, b in bounds.items()], mixture_total=1)
    region = study.region
    assert len(region.vertices()) == 28
    faces = [len(region.centroids(d)) for d in range(5)]
    assert faces[0] - faces[1] + faces[2] - faces[3] + faces[4] == 1  # Euler's relation


@pytest.mark.parametrize(("q", "m", "points"), [(3, 2, 6), (3, 3, 10), (4, 2, 10), (4, 3, 20), (5, 4, 70)])
def test_grid_of_a_whole_mixture_is_the_simplex_lattice(q, m, points):
    """A {q, m} lattice has C(q + m - 1, m) points, all multiples of 1/m (Scheffé 1958; NIST/SEMATECH e-Handbook 5.5.4.2)."""
    study = doe.Study("blend", [doe.Component(f"x{i}", 0, 1, unit="") for i in range(q)], mixture_total=1)
    found = study.region.grid(m + 1)
    assert len(found) == points
    np.testing.assert_allclose(found * m, np.round(found * m), atol=1e-9)
    np.testing.assert_allclose(found.sum(axis=1), 1)
