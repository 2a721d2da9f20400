"""Mixture plans: lattices, centroids, extreme vertices."""

import csv
import json
from math import comb
from pathlib import Path

import numpy as np
import pytest

import doe
from doe import StudyError, designs

TABLES = json.loads((Path(__file__).parents[1] / "reference/design_tables/expected.json").read_text())
FLARE = Path(__file__).parents[1] / "reference/flare_mclean_anderson/data.csv"


def blend(q, **given):
    return doe.Study("blend", [doe.Component(f"x{i}", 0, 100, **given) for i in range(1, q + 1)])


@pytest.fixture
def bounded():
    """Lows leave 30 % to share out."""
    return doe.Study(
        "bounded", [doe.Component("water", 60, 100), doe.Component("glycerin", 5, 40), doe.Component("glycol", 5, 50)]
    )


@pytest.mark.parametrize(
    ("q", "degree", "runs"),
    [(int(q), m, n) for m in (2, 3, 4) for q, n in TABLES["simplex_lattice_points"][f"m{m}"].items()],
)
def test_lattice_sizes(q, degree, runs):
    """Scheffé (1958); table of NIST/SEMATECH e-Handbook 5.5.4.2."""
    plan = designs.simplex_lattice(blend(q), degree)
    shares = plan.coded.to_numpy()
    assert len(shares) == runs == len({tuple(row) for row in np.round(shares * degree).astype(int)})
    np.testing.assert_allclose(shares * degree, np.round(shares * degree), atol=1e-9)
    np.testing.assert_allclose(shares.sum(axis=1), 1, atol=1e-12)


@pytest.mark.parametrize("q", [3, 4, 5, 6, 7])
def test_centroid_sizes(q):
    """Scheffé (1963)."""
    plan = designs.simplex_centroid(blend(q))
    shares = plan.coded.to_numpy()
    assert len(shares) == TABLES["simplex_centroid_points"][str(q)]
    for row in shares:
        used = row[row > 0]
        np.testing.assert_allclose(used, 1 / len(used), atol=1e-12)
    assert plan.model.name == "special cubic"


@pytest.mark.parametrize("q", [3, 4, 5])
def test_lattices_fit_their_scheffe_models_exactly(q):
    """The {q, m} lattice has as many points as the model of degree m has terms (Scheffé 1958)."""
    for degree, name, terms in ((2, "quadratic", "quadratic"), (3, "cubic", "full_cubic")):
        plan = designs.simplex_lattice(blend(q), degree)
        assert plan.model.name == name
        assert len(plan.runs) == plan.model.p == TABLES["scheffe_model_terms"][terms][str(q)]
    centroid = designs.simplex_centroid(blend(3))
    assert centroid.model.p == len(centroid.runs) == TABLES["scheffe_model_terms"]["special_cubic"]["3"]


def test_simplest_blends_first():
    plan = designs.simplex_lattice(blend(3), 2)
    assert plan.runs.to_numpy().tolist() == [
        [100, 0, 0],
        [0, 100, 0],
        [0, 0, 100],
        [50, 50, 0],
        [50, 0, 50],
        [0, 50, 50],
    ]
    assert plan.provenance["kinds"] == {"vertex": 3, "binary": 3}


def test_augmented_simplex():
    """Cornell (2002): overall centroid and one axial blend towards each vertex, (q + 1)/2q and 1/2q."""
    plan = designs.simplex_lattice(blend(3), 2, augmented=True)
    np.testing.assert_allclose(plan.coded.iloc[6], 1 / 3, atol=1e-12)
    np.testing.assert_allclose(
        plan.coded.iloc[7:], [[2 / 3, 1 / 6, 1 / 6], [1 / 6, 2 / 3, 1 / 6], [1 / 6, 1 / 6, 2 / 3]], atol=1e-12
    )
    more = designs.simplex_centroid(blend(3), augmented=True)
    assert len(more.runs) == 10  # the centroid is there already
    assert more.provenance["kinds"] == {"vertex": 3, "binary": 3, "ternary": 1, "axial": 3}


def test_lows_are_kept_in_pseudocomponents(bounded):
    plan = designs.simplex_lattice(bounded, 3)
    assert plan.runs.iloc[:3].to_numpy().tolist() == [[90, 5, 5], [60, 35, 5], [60, 5, 35]]
    assert plan.runs.iloc[-1].tolist() == [70, 15, 15]
    assert bounded.region.contains(plan.runs).all()
    assert "In L-pseudocomponents: parts of the 30 % left above the lows (water 60, glycerin 5, glycol 5)." in repr(
        plan
    )
    assert "pseudocomponents" not in repr(designs.simplex_lattice(blend(3), 2))


def test_mixture_total_other_than_a_hundred():
    s = doe.Study("m", [doe.Component(n, 0, 5) for n in "abc"], mixture_total=5)
    plan = designs.simplex_centroid(s)
    np.testing.assert_allclose(plan.runs.sum(axis=1), 5)
    assert plan.runs.iloc[0].tolist() == [5, 0, 0]


def test_steps_keep_the_total():
    plan = designs.simplex_centroid(blend(3, step=1))
    assert (plan.runs.sum(axis=1) == 100).all()
    assert sorted(plan.runs.iloc[-1]) == [33, 33, 34]
    assert "Rounded to what the bench can set" in repr(plan)


def test_extreme_vertices_of_the_flare_trial():
    """McLean & Anderson (1966): eight vertices, six face centroids, the overall centroid."""
    with FLARE.open(newline="") as f:
        rows = list(csv.DictReader(f))
    names = [c for c in rows[0] if c[0] == "x"]
    low, high = [0.40, 0.10, 0.10, 0.03], [0.60, 0.50, 0.50, 0.08]
    s = doe.Study(
        "flare", [doe.Component(n, a, b, "") for n, a, b in zip(names, low, high, strict=True)], mixture_total=1
    )
    plan = designs.extreme_vertices(s, centroids=(2, "overall"))
    published = sorted(tuple(round(float(row[n]), 6) for n in names) for row in rows)
    assert sorted(map(tuple, plan.runs.round(6).to_numpy())) == published
    assert plan.provenance["kinds"] == {"corner": 8, "face": 6, "centroid": 1}
    assert plan.model.name == "quadratic"


def test_extreme_vertices_of_any_region():
    s = doe.Study(
        "s",
        [doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1), doe.Categorical("oil", ["p", "q"])],
        constraints=["a + b <= 1.5"],
    )
    plan = designs.extreme_vertices(s)
    assert plan.provenance["kinds"] == {"corner": 10, "edge": 10, "centroid": 2}
    assert s.region.contains(plan.runs).all()
    corners = designs.extreme_vertices(s, centroids=())
    assert sorted(map(tuple, corners.runs[corners.runs["oil"] == "p"][["a", "b"]].to_numpy())) == [
        (0, 0),
        (0, 1),
        (0.5, 1),
        (1, 0),
        (1, 0.5),
    ]
    # five corners cannot tell six coefficients of the quadratic in a and b apart; with the edges they can
    assert (plan.model.name, corners.model.name) == ("quadratic", "linear")


def test_extreme_vertices_leave_out_what_is_there_already_and_say_so():
    s = doe.Study("s", [doe.Continuous("a", 0, 1), doe.Discrete("n", [1, 2])])
    plan = designs.extreme_vertices(s, centroids=(1,))
    assert not plan.runs.duplicated().any()
    assert "centroids at settings that are there already are left out" in repr(plan)


BOUND = doe.Study("m", [doe.Component("x", 0, 100), doe.Component("y", 0, 100)], constraints=["x <= 3*y"])
CUT = doe.Study("m", [doe.Component("x", 0, 100), doe.Component("y", 0, 100), doe.Component("z", 0, 60)])
PROCESS = doe.Study("s", [doe.Continuous("a", 0, 1)])


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (
            lambda: designs.simplex_lattice(CUT, 2),
            "simplex_lattice: high of 'z' is 60.0 but must be at least 100 %, so that the region is a simplex: "
            "raise it, or take optimal or extreme_vertices.",
        ),
        (
            lambda: designs.simplex_centroid(PROCESS),
            "simplex_centroid: factor 'a' is 'Continuous' but must be a Component, like all factors of a simplex: "
            "take optimal, which plans components and other factors together.",
        ),
        (
            lambda: designs.simplex_lattice(blend(3), 0),
            "simplex_lattice: degree is 0 but must be a whole number from 1 to 20: 2 serves the quadratic model.",
        ),
        (
            lambda: designs.simplex_lattice(blend(8), 12),
            "simplex_lattice: runs is 50388 but must be at most 10000: lower the degree.",
        ),
        (
            lambda: designs.simplex_centroid(BOUND),
            "simplex_centroid: run 1 is 'x 100 %, y 0 %' but must be inside the constraint x <= 3*y: "
            "take optimal or extreme_vertices, which keep to constraints.",
        ),
        (
            lambda: designs.simplex_centroid(blend(3), augmented="yes"),
            "simplex_centroid: augmented is 'yes' but must be True or False: say whether to add check blends inside.",
        ),
        (
            lambda: designs.extreme_vertices(CUT, centroids=(3,)),
            "extreme_vertices: centroids is 3 but must be a whole number from 1 to 2: "
            'take 1 for edges, 2 for plane faces, "overall" for the middle.',
        ),
        (
            lambda: designs.extreme_vertices(doe.Study("s", [doe.Categorical("oil", ["p", "q"])])),
            "extreme_vertices: number of numeric factors and components is 0 but must be at least one that can vary: "
            "take full_factorial.",
        ),
        (
            lambda: designs.extreme_vertices(CUT, centroids="overall"),
            "extreme_vertices: centroids is 'overall' but must be a list of dimensions: write (1, \"overall\").",
        ),
    ],
)
def test_refusals(make, sentence):
    with pytest.raises(StudyError) as problem:
        make()
    assert str(problem.value) == sentence


def test_lattice_count_is_the_binomial():
    assert len(designs.simplex_lattice(blend(4), 5).runs) == comb(8, 5)
