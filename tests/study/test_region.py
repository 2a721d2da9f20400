"""The design region: what is in it, its corners, centroids, points and averages, what never matters, what cannot be."""

import pickle
import warnings
from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import doe
from doe import StudyError
from doe.study import blocks


@pytest.fixture
def gel():
    """Two thickeners that share a limit, water as the balance, and process factors of every kind. Invented."""
    return doe.Study(
        "gel",
        [
            doe.Component("carbomer", 0.2, 0.8),
            doe.Component("crosspolymer", 0.0, 0.6),
            doe.Component("glycerin", 2, 8),
            doe.Component("water", 80, 99),
            doe.Continuous("stirrer speed", 400, 1000, "rpm", limits=(0, 1500)),
            doe.Discrete("temperature", [20, 25, 40], "°C"),
            doe.Categorical("supplier", ["A", "B", "C"]),
        ],
        constraints=[
            "carbomer + crosspolymer <= 1.0",
            "carbomer + crosspolymer >= 0.1",
            "0.2 <= 10 * carbomer / glycerin <= 3",
            "carbomer + crosspolymer + glycerin + water == 100",
        ],
        balance="water",
    )


@pytest.fixture
def stepped():
    """Discrete levels tied to the other factors: what can be set is not the convex region with levels forgotten."""
    return doe.Study(
        "stepped",
        [doe.Discrete("speed", [500, 1000, 1500], "rpm"), doe.Continuous("x", 0, 1), doe.Continuous("y", 0, 1)],
        constraints=["speed/1000 + x <= 1.7", "x + y <= 1.5"],
    )


def rows(table):
    return {tuple(row) for row in table.itertuples(index=False)}


# ---- what is in it


def test_contains_asks_for_everything(gel):
    good = {
        "carbomer": 0.5,
        "crosspolymer": 0.3,
        "glycerin": 5.0,
        "stirrer speed": 700,
        "temperature": 25,
        "supplier": "B",
    }
    changes = [
        ({}, True),
        ({"carbomer": 0.7}, True),  # on the edge of the shared limit
        ({"carbomer": 0.7 + 1e-6}, False),
        ({"carbomer": 0.1}, False),
        ({"crosspolymer": -0.1}, False),
        ({"glycerin": 1.0}, False),
        ({"carbomer": 0.65, "glycerin": 2.1}, False),  # the ratio is 3.1
        ({"carbomer": 0.63, "glycerin": 2.1}, True),  # the ratio is 3
        ({"stirrer speed": 1000.0}, True),
        ({"stirrer speed": 1001.0}, False),  # inside the limits, outside the region
        ({"temperature": 30}, False),  # between levels
        ({"temperature": 25 + 1e-9}, True),
    ]
    table = pd.DataFrame([{**good, **change} for change, _ in changes])
    assert gel.region.contains(table).tolist() == [inside for _, inside in changes]
    assert gel.region.contains(table.iloc[:0]).shape == (0,)


def test_contains_asks_for_the_whole_total(gel):
    row = {
        "carbomer": 0.5,
        "crosspolymer": 0.3,
        "glycerin": 5.0,
        "stirrer speed": 700,
        "temperature": 25,
        "supplier": "B",
    }
    table = pd.DataFrame([{**row, "water": 94.2}, {**row, "water": 94.19}])  # the second adds up to 99.99
    assert gel.region.contains(table).tolist() == [True, False]


def test_a_columns_absence_is_said(gel):
    with pytest.raises(StudyError, match=r"^the table: column 'carbomer' is 'missing' but must be there"):
        gel.region.contains(pd.DataFrame({"glycerin": [3.0]}))


# ---- corners, centroids, points


def test_vertices_of_a_box_are_the_two_level_factorial():
    study = doe.Study(
        "box", [doe.Continuous("a", 1, 3), doe.Discrete("b", [10, 20, 50]), doe.Continuous("c", 0.1, 0.7)]
    )
    found = study.region.vertices()
    # standard order: the first factor changes fastest
    assert found.to_numpy().tolist() == [[a, b, c] for c, b, a in product((0.1, 0.7), (10, 50), (1, 3))]
    assert list(found.columns) == ["a", "b", "c"]
    assert [len(study.region.centroids(d)) for d in range(4)] == [8, 12, 6, 1]


def test_corners_are_the_very_numbers_given():
    """Ends and levels come back bit for bit, computed amounts with twelve digits of their range."""
    study = doe.Study(
        "s",
        [doe.Continuous("a", 1 / 3, 2 / 3), doe.Discrete("t", [1 / 7, 0.3]), doe.Continuous("c", 0.1, 0.7)],
        constraints=["a + c <= 1"],
    )
    found = study.region.vertices()
    assert set(found["a"]) == {1 / 3, 2 / 3}
    assert set(found["t"]) == {1 / 7, 0.3}
    assert set(found["c"]) == {0.1, round(1 / 3, 12), round(2 / 3, 12)}


def test_categorical_levels_are_crossed_with_the_corners():
    study = doe.Study(
        "s", [doe.Categorical("kind", ["p", "q", "r"]), doe.Continuous("a", 0, 1), doe.Categorical("lot", ["u", "v"])]
    )
    found = study.region.vertices()
    assert list(found.columns) == ["kind", "a", "lot"]
    assert found.to_numpy().tolist() == [[k, a, v] for v, k, a in product("uv", "pqr", (0.0, 1.0))]
    assert rows(study.region.centroids(1)) == {(k, 0.5, v) for k in "pqr" for v in "uv"}
    assert len(study.region.grid(4)) == 4 * 6
    drawn = study.region.sample(600, seed=1)
    assert drawn["kind"].value_counts().min() > 150
    assert drawn["lot"].value_counts().min() > 250


def test_a_study_of_kinds_only():
    study = doe.Study("kinds", [doe.Categorical("a", ["x", "y"]), doe.Categorical("b", ["p", "q", "r"])])
    region, everything = study.region, set(product("xy", "pqr"))
    assert region.dimension == 0
    for found in (region.vertices(), region.centroids(0), region.grid(5), region.sample(200)):
        assert rows(found) == everything
    assert region.contains(region.vertices()).all()
    assert region.A.shape == (0, 0)
    X = study.model("interaction").matrix(region.vertices())
    np.testing.assert_allclose(region.moments(study.model("interaction")), X.T @ X / 6, atol=1e-15)
    assert repr(region).startswith("Design region of kinds: categorical factors only")


def test_corners_at_levels(stepped):
    """At 1000 rpm x may go to 0.7, above the line from (500, 1) to (1500, 0.2): a corner of what can be set."""
    region = stepped.region
    found = region.vertices()
    assert region.contains(found).all()
    assert {(500, 1), (1000, 0.7), (1500, 0.2)} <= {(s, x) for s, x, y in rows(found) if y == 0}
    assert (1000, 0, 0) not in rows(found)  # in the middle of an edge
    # without levels the corner would be at 700 rpm
    smooth = doe.Study(
        "smooth", [doe.Continuous("speed", 500, 1500), *stepped.factors[1:]], constraints=stepped.constraints
    )
    assert (700, 1, 0) in rows(smooth.region.vertices())


def test_centroids_go_to_levels():
    """The middle of 20 to 40 is 30: 25 is nearer than 40. The middle of two levels is neither, so both are listed."""
    study = doe.Study("s", [doe.Discrete("t", [20, 25, 40]), doe.Continuous("a", 0, 2)])
    assert rows(study.region.centroids(2)) == {(25, 1)}
    assert rows(study.region.centroids(1)) == {(20, 1), (40, 1), (25, 0), (25, 2)}
    two = doe.Study("s", [doe.Discrete("t", [20, 40]), doe.Continuous("a", 0, 2)])
    assert rows(two.region.centroids(2)) == {(20, 1), (40, 1)}


def test_centroids_at_levels_stay_inside(stepped):
    for d in range(4):
        assert stepped.region.contains(stepped.region.centroids(d)).all()
    # a middle whose level leaves no such x moves to the nearest x that it leaves
    tied = doe.Study(
        "s", [doe.Discrete("t", [0, 4, 10]), doe.Continuous("x", 0, 1)], constraints=["-0.05 <= x - t/10 <= 0.05"]
    )
    assert rows(tied.region.centroids(2)) == {(4, 0.45)}  # the middle of the six corners is (14/3, 7/15)


@pytest.mark.parametrize("dim", [-1, 6, 1.5, True, "edges"])
def test_centroids_of_no_dimension(gel, dim):
    with pytest.raises(StudyError) as refusal:
        gel.region.centroids(dim)
    assert str(refusal.value) == (
        f"centroids: dim is {dim!r} but must be a whole number from 0 to 5: take 1 for edges, 2 for plane faces, "
        "up to the dimension of the region for its middle."
    )


def test_everything_listed_or_drawn_is_inside(gel):
    region = gel.region
    for found in (
        region.vertices(),
        *(region.centroids(d) for d in range(6)),
        region.grid(5),
        region.sample(2000, seed=3),
    ):
        assert len(found)
        assert region.contains(found).all()
        assert list(found.columns) == gel.names


def test_samples_follow_their_seed(gel):
    pd.testing.assert_frame_equal(gel.region.sample(50, seed=4), gel.region.sample(50, seed=4))
    assert not gel.region.sample(50, seed=4).equals(gel.region.sample(50, seed=5))
    levels = gel.region.sample(3000, seed=1)["temperature"].value_counts()
    assert levels.between(900, 1100).all()  # 1000 ± 4 standard errors


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda r: r.sample(0), "sample: n is 0 but must be a whole number from 1: correct it."),
        (lambda r: r.sample(2.5), "sample: n is 2.5 but must be a whole number from 1: correct it."),
        (lambda r: r.sample(5, seed=-1), "sample: seed is -1 but must be a whole number from 0: correct it."),
        (lambda r: r.grid(1), "grid: n is 1 but must be a whole number from 2: correct it."),
        (
            lambda r: r.grid(2000),
            "grid: n is 2000 but must be so small that the grid has at most 1,000,000 settings: "
            "lower it, or draw with .sample.",
        ),
    ],
)
def test_figures_that_cannot_be(gel, call, sentence):
    with pytest.raises(StudyError) as refusal:
        call(gel.region)
    assert str(refusal.value) == sentence


# ---- grids


def test_grid_of_a_box_and_of_levels():
    study = doe.Study(
        "s", [doe.Continuous("a", 0, 1), doe.Discrete("b", [1, 2, 5])], constraints=["b <= 4", "a <= 0.9"]
    )
    assert rows(study.region.grid(4)) == set(product((0.0, 0.3, 0.6, 0.9), (1, 2)))  # steps over what is within reach


def test_grid_of_a_bounded_mixture_keeps_the_total():
    """Equal steps for all: 1.75 % here, a quarter of the widest range (c: 63 to 70)."""
    study = doe.Study("s", [doe.Component("a", 10, 14), doe.Component("b", 20, 23), doe.Component("c", 60, 70)])
    found = study.region.grid(5)
    assert found.sum(axis=1).tolist() == [100.0] * len(found)
    assert rows(found) == {(a, b, 100 - a - b) for a in (10, 11.75, 13.5) for b in (20, 21.75)}


def test_grid_solves_further_equalities():
    study = doe.Study(
        "s",
        [doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 2), doe.Continuous("c", 0, 1)],
        constraints=["a + b == 2"],
    )
    found = study.region.grid(3)
    assert rows(found) == {(a, 2 - a, c) for a in (0, 0.5, 1) for c in (0, 0.5, 1)}
    blend = doe.Study("s", [doe.Component(n, 0, 100) for n in "abcd"], constraints=["a == 2*b"])
    mixed = blend.region.grid(5)
    assert len(mixed) > 5
    np.testing.assert_allclose(mixed["a"], 2 * mixed["b"], atol=1e-9)
    np.testing.assert_allclose(mixed.sum(axis=1), 100)
    assert blend.region.contains(mixed).all()


def test_grid_across_components_and_process():
    study = doe.Study(
        "s",
        [doe.Component("a", 0, 1, ""), doe.Component("b", 0, 1, ""), doe.Continuous("z", 0, 1)],
        constraints=["a + z <= 1.5"],
        mixture_total=1,
    )
    found = study.region.grid(3)
    assert rows(found) == {(a, 1 - a, z) for a in (0, 0.5, 1) for z in (0, 0.5, 1) if a + z <= 1.5}


# ---- averages


def integrated(study, model, n=150_000, seed=9):
    X = model.matrix(study.region.sample(n, seed=seed))
    B = X.T @ X / n
    error = np.sqrt(np.maximum(np.einsum("ni,nj->ij", X**2, X**2) / n - B**2, 0) / n)
    return B, error


def test_moments_of_a_box_are_closed_forms():
    """E z^2 = 1/3 and E z^4 = 1/5 on [-1, 1]; a second-order model in three factors (Box & Draper 1959 region moments)."""
    study = doe.Study("s", [doe.Continuous(n, 5, 9) for n in "abc"])
    model = study.model("quadratic")
    B = study.region.moments(model)
    place = {t: i for i, t in enumerate(model.terms)}
    known = {
        ("1", "1"): 1,
        ("1", "a"): 0,
        ("1", "a^2"): 1 / 3,
        ("a", "a"): 1 / 3,
        ("a:b", "a:b"): 1 / 9,
        ("a:b", "a:c"): 0,
        ("a^2", "b^2"): 1 / 9,
        ("c^2", "c^2"): 1 / 5,
    }
    for (s, t), value in known.items():
        assert B[place[s], place[t]] == pytest.approx(value, abs=1e-14)
    assert study.region.exact_for(model)
    np.testing.assert_array_equal(B, B.T)


def test_moments_of_a_mixture_are_dirichlet():
    """Scheffé's quadratic on the whole simplex of q = 3: E x1^2 = 1/6, E x1 x2 = 1/12, E x1^2 x2 = 1/30, E x1^2 x2^2 = 1/90."""
    study = doe.Study("s", [doe.Component(n, 0, 100) for n in "abc"])
    model = study.model("quadratic")
    B = study.region.moments(model)
    expected = np.array([1 / 6, 1 / 12, 1 / 30, 1 / 60, 1 / 90, 1 / 180])
    assert model.terms[3] == "a:b"
    found = [B[0, 0], B[0, 1], B[0, 3], B[2, 3], B[3, 3], B[3, 4]]
    np.testing.assert_allclose(found, expected, rtol=1e-13)


def test_moments_with_levels_are_averages_over_them():
    """A discrete factor at −1, −0.5 and 1 in code; sum-to-zero contrasts of three levels have E c^2 = 2/3, E c d = 1/3."""
    study = doe.Study("s", [doe.Discrete("t", [20, 25, 40]), doe.Categorical("k", ["p", "q", "r"])])
    model = study.model(["t", "t^2", "k", "t:k"])
    X = model.matrix(study.region.grid(2))
    np.testing.assert_allclose(study.region.moments(model), X.T @ X / 9, atol=1e-15)


def test_moments_on_everything_at_once(gel):
    """Mixture x process x categorical with cuts: 33 columns, against 150,000 drawn settings within 5 standard errors (561 entries)."""
    model = gel.model("quadratic")
    assert gel.region.exact_for(model)
    exact = gel.region.moments(model)
    estimate, error = integrated(gel, model)
    assert np.abs((estimate - exact) / np.maximum(error, 1e-12)).max() < 5
    assert np.linalg.eigvalsh(exact).min() > 0


def test_moments_of_tied_levels_weigh_each_combination_alike(stepped):
    """By hand: x is uniform on [0, 1], [0, 0.7] and [0, 0.2] at the three speeds but for the corner that x + y <= 1.5 cuts."""
    model = stepped.model(["x", "speed"])
    B = stepped.region.moments(model)

    def mean_x(top):
        inner = top**2 / 2 - (max(top, 0.5) - 0.5) ** 2 * (0.5 + (max(top, 0.5) - 0.5) * 2 / 3) / 2
        return inner / (top - (max(top, 0.5) - 0.5) ** 2 / 2)

    # in code x runs from -1 to 1
    assert B[0, 1] == pytest.approx(2 * (mean_x(1.0) + mean_x(0.7) + mean_x(0.2)) / 3 - 1, rel=1e-12)
    assert B[0, 2] == pytest.approx(0, abs=1e-15)
    estimate, error = integrated(stepped, model)
    assert np.abs((estimate - B) / np.maximum(error, 1e-12)).max() < 4.5


def test_moments_do_not_depend_on_units(gel):
    """The same gel in parts per thousand has the same shares, and so the same averages."""
    mille = [doe.Component(c.name, 10 * c.low, 10 * c.high, "‰") for c in gel.components]
    other = doe.Study(
        "mille",
        [*mille, *gel.numeric, *gel.categorical],
        constraints=["carbomer + crosspolymer <= 10", "10 * carbomer / glycerin <= 3"],
        mixture_total=1000,
    )
    np.testing.assert_allclose(
        other.region.moments(other.model("quadratic")),
        gel.region.moments(gel.model("quadratic")),
        rtol=1e-11,
        atol=1e-15,
    )


def test_moments_of_another_studys_model(gel, stepped):
    with pytest.raises(StudyError) as refusal:
        gel.region.moments(stepped.model("linear"))
    assert str(refusal.value) == (
        "moments: model is 'linear' but must be made by the same study: make it with study.model(…)."
    )


# ---- what never matters


def test_out_of_reach_and_redundant_are_said(gel):
    region = gel.region
    assert region.tightened.to_dict("list") == {
        "factor": ["water"],
        "low": [80.0],
        "high": [99.0],
        "reached_low": [91.0],
        "reached_high": [97.8],
    }
    assert region.redundant == (
        "carbomer + crosspolymer >= 0.1",
        "0.2 <= 10 * carbomer / glycerin",
        "carbomer + crosspolymer + glycerin + water == 100",
    )
    assert region.low.tolist() == [0.2, 0.0, 2.0, 91.0, 400.0, 20.0]
    assert region.high.tolist() == [0.8, 0.6, 8.0, 97.8, 1000.0, 40.0]


def test_arrays_describe_the_region(gel):
    region = gel.region
    assert region.names == ["carbomer", "crosspolymer", "glycerin", "water", "stirrer speed", "temperature"]
    assert region.A.tolist() == [[1, 1, 0, 0, 0, 0], [10, 0, -3, 0, 0, 0]]
    assert region.b.tolist() == [1, 0]
    assert region.E.tolist() == [[1, 1, 1, 1, 0, 0]]
    assert region.f.tolist() == [100]
    x = region.sample(500, seed=2)[region.names].to_numpy()
    assert (x @ region.A.T <= region.b + 1e-9).all()
    np.testing.assert_allclose(x @ region.E.T, np.tile(region.f, (500, 1)))


def test_implied_equalities_are_equalities():
    """a + b <= 1 and a + b >= 1 together hold a + b at 1; x reaches its high and stays there."""
    study = doe.Study(
        "s",
        [doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1), doe.Continuous("x", 0, 5), doe.Continuous("y", 0, 2)],
        constraints=["a + b <= 1", "a + b >= 1", "x - y >= 5"],
    )
    region = study.region
    assert region.dimension == 1
    assert region.A.shape == (0, 4)
    assert np.linalg.matrix_rank(region.E) == len(region.E) == 3
    np.testing.assert_allclose(region.vertices() @ region.E.T, np.tile(region.f, (2, 1)))
    assert rows(region.vertices()) == {(0, 1, 5, 0), (1, 0, 5, 0)}
    assert "holds with equality everywhere" in repr(region)


def test_printed_and_in_a_notebook(gel):
    text = repr(gel.region)
    assert text == "\n".join(
        [
            "Design region of gel: 6 numeric factors and components, 5 dimensions",
            "       factor unit       given within reach",
            "     carbomer    %  0.2 to 0.8    all of it",
            " crosspolymer    %    0 to 0.6    all of it",
            "     glycerin    %      2 to 8    all of it",
            "        water    %    80 to 99   91 to 97.8",
            "stirrer speed  rpm 400 to 1000    all of it",
            "  temperature   °C  20, 25, 40    all of it",
            "     supplier          A, B, C    all of it",
            "A range out of reach is cut by the others: what is within reach is what a plan can use.",
            "",
            "Constraints",
            "                                       constraint                         effect",
            "                   carbomer + crosspolymer <= 1.0                cuts the region",
            "                   carbomer + crosspolymer >= 0.1 redundant: the rest implies it",
            "                  0.2 <= 10 * carbomer / glycerin redundant: the rest implies it",
            "                    10 * carbomer / glycerin <= 3                cuts the region",
            "carbomer + crosspolymer + glycerin + water == 100 redundant: the rest implies it",
            "carbomer + crosspolymer + glycerin + water == 100                  mixture total",
        ]
    )
    assert "91 to 97.8" in gel.region._repr_html_()
    assert "cuts the region" in gel.region._repr_html_()


def test_levels_that_leave_nothing_are_said():
    study = doe.Study(
        "s",
        [doe.Discrete("a", [1, 2, 5, 9]), doe.Discrete("b", [1, 2]), doe.Continuous("c", 0, 1)],
        constraints=["a + b >= 4", "a + b + c <= 7"],
    )
    assert rows(study.region.left_out) == {(1, 1), (1, 2), (2, 1), (9, 1), (9, 2)}
    text = repr(study.region)
    assert "Of discrete levels 5 combinations leave no setting: left out, without weight in averages." in text
    assert "2, 5" in text  # what a can reach
    assert set(study.region.sample(500)["a"]) == {2, 5}
    assert "leave no setting" not in repr(doe.Study("s", [doe.Discrete("a", [1, 2])]).region)


# ---- what cannot be


@pytest.mark.parametrize(
    ("factors", "constraints", "clash"),
    [
        (
            [
                doe.Continuous("carbomer", 0.3, 1, "%"),
                doe.Continuous("crosspolymer", 0.9, 2, "%"),
                doe.Continuous("c", 0, 1),
            ],
            ["carbomer + c <= 3", "carbomer + crosspolymer <= 1.0"],
            'low of carbomer (0.3 %), low of crosspolymer (0.9 %) and "carbomer + crosspolymer <= 1.0"',
        ),
        (
            [doe.Component("a", 30, 60), doe.Component("b", 50, 60), doe.Component("c", 40, 60)],
            [],
            "low of a (30 %), low of b (50 %), low of c (40 %) and mixture total (100 %)",
        ),
        (
            [doe.Component("a", 1, 10), doe.Component("b", 1, 20)],
            [],
            "high of a (10 %), high of b (20 %) and mixture total (100 %)",
        ),
        # two constraints that clash alone, beside a longer clash that stands first
        (
            [doe.Continuous(n, 0, 1) for n in "abc"],
            ["a + b + c >= 3.5", "a + 2*b >= 2", "a + 2*b <= 1"],
            '"a + 2*b >= 2" and "a + 2*b <= 1"',
        ),
        ([doe.Continuous("a", 0, 1)], ["2 <= a <= 3"], 'high of a (1) and "2 <= a <= 3"'),
        ([doe.Continuous("a", 0, 1)], ["a >= 1.000001"], 'high of a (1) and "a >= 1.000001"'),
        (
            [doe.Discrete("a", [1, 2], "%"), doe.Discrete("b", [1, 2], "%")],
            ["a + b == 2.5"],
            'levels of a (1, 2 %), levels of b (1, 2 %) and "a + b == 2.5"',
        ),
        ([doe.Discrete("t", [20, 40], "°C")], ["t >= 50"], 'highest level of t (40 °C) and "t >= 50"'),
    ],
)
def test_an_empty_region_names_the_smallest_clash(factors, constraints, clash):
    with pytest.raises(StudyError) as refusal:
        doe.Study("gel", factors, constraints=constraints)
    assert str(refusal.value) == (
        f"study 'gel': region is 'empty' but must be one that some setting can meet: {clash} cannot hold together; relax one of them."
    )
    assert str(pickle.loads(pickle.dumps(refusal.value))) == str(refusal.value)


@pytest.mark.parametrize(
    ("low", "constraint", "said"),
    [
        (0.0, "a / b <= 2", "b can be 0 there"),
        (-1.0, "a / (b + 0.5) <= 2", "b + 0.5 can be -0.5 there"),
        (-1.0, "a / (0 - 2*b) <= 2", "- 2*b can be -2 there"),
    ],
)
def test_a_ratio_needs_a_divisor_above_zero(low, constraint, said):
    with pytest.raises(StudyError) as refusal:
        doe.Study("s", [doe.Continuous("a", 0, 1), doe.Continuous("b", low, 1)], constraints=[constraint])
    assert str(refusal.value) == (
        f"study: constraint is {constraint!r} but must be divided only by what stays above 0 on the region: "
        f"{said}: raise its low, or write the constraint without dividing."
    )


def test_a_ratio_may_keep_its_own_divisor_above_zero():
    """With a at least 0.1, a / b <= 2 keeps b at 0.05 or more, though its low is 0."""
    study = doe.Study("s", [doe.Continuous("a", 0.1, 1), doe.Continuous("b", 0, 1)], constraints=["a / b <= 2"])
    assert study.region.low.tolist() == [0.1, 0.05]
    x = study.region.sample(1000, seed=1)
    assert (x["a"] / x["b"] <= 2 + 1e-9).all()
    assert study.region.contains(pd.DataFrame({"a": [0.4, 0.4], "b": [0.2, 0.19]})).tolist() == [True, False]


def test_lows_that_add_up_to_the_total_leave_one_blend():
    study = doe.Study("s", [doe.Component("a", 20.1, 30), doe.Component("b", 79.9, 90), doe.Continuous("z", 0, 1)])
    assert study.region.dimension == 1
    assert rows(study.region.vertices()) == {(20.1, 79.9, 0), (20.1, 79.9, 1)}
    assert rows(study.region.grid(3)) == {(20.1, 79.9, z) for z in (0, 0.5, 1)}


# ---- too much to list


def deep(k=12, cuts=30, depth=1.2):
    """Cuts deep into a cube of twelve factors: hundreds of thousands of corners."""
    rng = np.random.default_rng(0)
    words = []
    for row in rng.standard_normal((cuts, k)):
        words.append(" + ".join(f"{c:.3f}*x{j}" for j, c in enumerate(row)) + f" <= {depth * np.linalg.norm(row):.3f}")
    return doe.Study(
        "deep", [doe.Continuous(f"x{j}", -1, 1) for j in range(k)], constraints=[w.replace("+ -", "- ") for w in words]
    )


@pytest.mark.slow
def test_thirty_constraints_deep_into_twelve_factors():
    """Corners are then some of them, averages an estimate, and each says so."""
    study = deep()
    region = study.region
    assert not region.complete
    with pytest.warns(UserWarning, match="too many corners to list: these are some of them"):
        found = region.vertices()
    assert len(found) > 100
    assert region.contains(found).all()
    model = study.model("linear")
    assert not region.exact_for(model)
    with pytest.warns(UserWarning, match="averages over the region are estimated from 65,536 points"):
        B = region.moments(model)
    x = region.sample(20_000, seed=2)
    assert region.contains(x).all()
    np.testing.assert_allclose(B[0, 1:], x.mean(), atol=0.02)
    with pytest.raises(StudyError) as refusal:
        region.centroids(1)
    assert str(refusal.value) == (
        "study 'deep': region is 'too many faces' but must be one whose parts can be listed: "
        "draw settings with .sample instead, or fix some factors."
    )
    assert "too many corners" in repr(region)


def test_nothing_is_warned_of_where_all_is_listed(gel):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        gel.region.vertices()
        gel.region.moments(gel.model("linear"))


def test_more_rows_than_anybody_reads():
    study = doe.Study("s", [doe.Continuous(f"x{j}", 0, 1) for j in range(21)])
    with pytest.raises(StudyError) as refusal:
        study.region.vertices()
    assert str(refusal.value) == (
        "study 's': region is 'too many settings to list (more than 1,000,000)' but must be one whose parts can be listed: "
        "draw settings with .sample instead, or fix some factors."
    )


def test_more_levels_tied_together_than_can_be_worked_through(stepped, monkeypatch):
    monkeypatch.setattr(blocks, "SLICES", 2)
    with pytest.raises(StudyError) as refusal:
        stepped.region.sample(5)
    assert str(refusal.value) == (
        "study 'stepped': region is 'too many combinations of levels that constraints tie together (more than 2)' but must be one "
        "whose parts can be listed: make some of those factors Continuous with a step."
    )
    assert stepped.region.high.tolist() == [1500, 1, 1]  # ranges are then those with levels forgotten


# ---- invariants


@st.composite
def mixtures(draw):
    """Bounded mixtures with a process factor and a few cuts, never empty: every constraint holds at one drawn blend."""
    q = draw(st.integers(2, 5))
    shares = np.array(draw(st.lists(st.integers(1, 20), min_size=q, max_size=q)), dtype=float)
    blend = np.round(100 * shares / shares.sum(), 1)
    blend[-1] = round(100 - blend[:-1].sum(), 1)
    factors = []
    for i in range(q):
        low = max(0.0, round(blend[i] - draw(st.integers(0, 20)), 1))
        high = round(blend[i] + draw(st.integers(1, 20)), 1)
        factors.append(doe.Component(f"c{i}", low, high))
    factors.append(doe.Continuous("z", -1, 3))
    constraints = []
    for _ in range(draw(st.integers(0, 3))):
        row = draw(st.lists(st.integers(-2, 2), min_size=q + 1, max_size=q + 1).filter(any))
        reach = float(np.dot(row, [*blend, 1.0]))
        text = " + ".join(f"{c}*{n}" for c, n in zip(row, [*(f.name for f in factors[:-1]), "z"], strict=True) if c)
        constraints.append(f"{text.replace('+ -', '- ')} <= {round(reach + draw(st.integers(0, 5)), 6)}")
    return doe.Study("s", factors, constraints=constraints)


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(mixtures())
def test_corners_points_and_bounds_agree(study):
    region = study.region
    corners, points = region.vertices(), region.sample(100, seed=0)
    middle = region.centroids(region.dimension)
    for found in (corners, points, middle):
        assert region.contains(found).all()
    # within reach means reached, by a corner
    np.testing.assert_allclose(corners.min(), region.low, atol=1e-9)
    np.testing.assert_allclose(corners.max(), region.high, atol=1e-9)
    # a corner lies between no two others: pushed away from the middle it is outside, and no two are alike
    span = region._span
    x, centre = corners.to_numpy(), middle.to_numpy()[0]
    if region.dimension:
        assert not region.contains(pd.DataFrame(x + 1e-6 * (x - centre), columns=study.names)).any()
        assert np.ptp(x / span, axis=0).max() > 1e-9
    assert len(np.unique(np.round(x / span, 8), axis=0)) == len(x)
    assert len(region.E) == len(study.factors) - region.dimension
    # the arrays alone say the same as contains
    inside = (points.to_numpy() @ region.A.T <= region.b + 1e-7).all(axis=1)
    assert inside.all()
    # averages are those of an affine law: E x is inside
    model = study.model("linear")
    B = region.moments(model)
    share = B[: len(study.components), : len(study.components)].sum()
    assert share == pytest.approx(1, rel=1e-9)  # the squared sum of shares
