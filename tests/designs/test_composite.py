"""Central composite and Box-Behnken plans."""

import numpy as np
import pytest

import doe
from doe import StudyError, designs
from doe.designs.composite import box_behnken_blocks


def study(names, **given):
    return doe.Study("s", [doe.Continuous(n, 0, 10, "%", **given) for n in names])


def test_kinds_of_run_and_model():
    plan = designs.central_composite(study("abc"))
    assert plan.provenance["kinds"] == {"corner": 8, "axial": 6, "centre": 4}
    assert plan.model.name == "quadratic"
    assert plan.coded.iloc[:8].abs().to_numpy().tolist() == [[1, 1, 1]] * 8
    assert plan.coded.iloc[8].tolist() == pytest.approx([-(8**0.25), 0, 0])
    assert "Axial points at ±1.682, corners at ±1 (coded)." in repr(plan)


@pytest.mark.parametrize(
    ("axial", "distance"), [("face", 1.0), ("spherical", 3**0.5), (1.3, 1.3), ("rotatable", 8**0.25)]
)
def test_axial_distance(axial, distance):
    assert designs.central_composite(study("abc"), axial=axial).coded["b"].max() == pytest.approx(distance)


def test_inscribed_stays_inside():
    plan = designs.central_composite(study("abc", limits=(0, 10)), inscribed=True)
    assert plan.runs.to_numpy().min() == 0
    assert plan.runs.to_numpy().max() == 10
    assert plan.coded.iloc[0].tolist() == pytest.approx([-(8**-0.25)] * 3)
    assert "Axial points at ±1, corners at ±0.5946 (coded)." in repr(plan)


def test_blocks_and_their_centre_runs():
    plan = designs.central_composite(study("abcd"), blocks=3, centre=(1, 2))
    assert plan.block.value_counts(sort=False).to_dict() == {"B1": 9, "B2": 9, "B3": 10}
    same = designs.central_composite(study("abcd"), blocks=3, centre=2)
    assert same.block.value_counts(sort=False).to_dict() == {"B1": 10, "B2": 10, "B3": 10}
    assert "Blocks are orthogonal to the model." in repr(same)  # Box & Hunter: k = 4 is rotatable in orthogonal blocks
    assert 'axial="orthogonal" would make them so' in repr(designs.central_composite(study("abc"), blocks=3))
    # corners of one block confound no two-factor interaction with blocks
    corners = plan.coded[plan.coded.abs().eq(1).all(axis=1)]
    for first in "abc":
        for second in "bcd"["abc".index(first) :]:
            product = corners[first] * corners[second]
            assert product.groupby(plan.block[corners.index]).sum().tolist() == [0, 0]


def test_published_default_centres_give_way_to_two_a_block():
    plan = designs.central_composite(study("abc"), blocks=2)  # Box & Hunter tabulate three blocks for three factors
    assert plan.provenance["kinds"]["centre"] == 4


def test_fraction_of_the_corners():
    plan = designs.central_composite(study("abcde"), fraction=1)
    assert plan.provenance["kinds"] == {"corner": 16, "axial": 10, "centre": 4}
    assert plan.coded["a"].max() == pytest.approx(2.0)


def test_repeated_at_levels_of_the_other_factors():
    s = doe.Study(
        "s",
        [
            doe.Continuous("a", 0, 1),
            doe.Categorical("oil", ["p", "q", "r"]),
            doe.Continuous("b", 0, 1),
            doe.Discrete("n", [1, 2]),
        ],
    )
    plan = designs.central_composite(s, centre=1, axial="face")
    assert len(plan.runs) == 9 * 3 * 2
    for _, part in plan.runs.groupby(["oil", "n"]):
        assert sorted(map(tuple, part[["a", "b"]].to_numpy())) == sorted(
            (x, y) for x in (0, 0.5, 1) for y in (0, 0.5, 1)
        )
    assert "The plan in a, b is repeated at every combination of the levels of oil, n." in repr(plan)


def test_discrete_factor_keeps_to_its_levels():
    s = doe.Study("s", [doe.Continuous("a", 0, 1), doe.Discrete("minutes", [10, 25, 30], "min")])
    plan = designs.central_composite(s, axial="face")
    assert set(plan.runs["minutes"]) == {10, 25, 30}
    assert "minutes (to its levels, by up to 5 min)" in repr(plan)


def test_axial_points_inside_the_limits_are_made():
    near = designs.central_composite(study("ab", limits=(-2.1, 12.1)))
    assert near.runs["a"].min() == pytest.approx(5 - 5 * 2**0.5)
    with pytest.raises(StudyError):
        designs.central_composite(study("ab", limits=(-2.0, 12.1)))


def test_whole_plots_of_a_composite():
    s = doe.Study(
        "s", [doe.Continuous("hot", 60, 80, hard_to_change=True), doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1)]
    )
    plan = designs.central_composite(s, axial="face", centre=3)
    # low and high with the corners and its own axial point, the middle with the other axial points, and the centre runs apart
    assert plan.whole_plot.value_counts(sort=False).to_dict() == {"W1": 5, "W2": 5, "W3": 4, "W4": 3}


def test_box_behnken_in_natural_units():
    plan = designs.box_behnken(study("abc"))
    assert len(plan.runs) == 15
    assert plan.runs.iloc[0].tolist() == [0, 0, 5]
    assert plan.runs.iloc[-1].tolist() == [5, 5, 5]
    assert plan.provenance["kinds"] == {"edge": 12, "centre": 3}


def test_box_behnken_reordered_pairs_of_five_factors_make_cycles():
    """In each block of the five-factor plan every factor is varied with two others."""
    plan = designs.box_behnken(study("abcde"), blocks=2)
    used = (plan.coded != 0).groupby(plan.block).sum()
    assert (used == 8).all().all()


MIXTURE = doe.Study("m", [doe.Component("x", 0, 100), doe.Component("y", 0, 100)])
LEVELS = doe.Study("s", [doe.Continuous("a", 0, 1), doe.Discrete("n", [1, 2, 3], "min")])
BOUND = doe.Study("s", [doe.Continuous("a", 0, 1, "%"), doe.Continuous("b", 0, 1, "%")], constraints=["a <= 1.1"])
COARSE = doe.Study("s", [doe.Continuous("a", 0, 1, "%", step=1), doe.Continuous("b", 0, 1, "%")])
OFFER = 'give inscribed=True or axial="face"'


@pytest.mark.parametrize(
    ("s", "given", "sentence"),
    [
        (
            study("a"),
            {},
            "number of numeric factors with three settings or more is 1 but must be at least 2: "
            "take full_factorial with levels=3 for one factor.",
        ),
        (
            MIXTURE,
            {},
            "factor 'x' is 'a component' but must be a factor that can be set independently of the others: "
            "take optimal, simplex_lattice, simplex_centroid or extreme_vertices for components.",
        ),
        (
            study("ab", limits=(0, None)),
            {},
            f"a of run 5 is -2.07107 but must be at least 0 %, its limit: {OFFER}, or narrow the ranges.",
        ),
        (
            LEVELS,
            {},
            f"n of run 7 is 0.585786 but must be from 1 to 3 min, as its levels are: {OFFER}, or narrow the ranges.",
        ),
        (
            BOUND,
            {},
            f"run 6 is 'a 1.207 %, b 0.5 %' but must be inside the constraint a <= 1.1: {OFFER}, or narrow the ranges.",
        ),
        (
            study("abc"),
            {"axial": "far"},
            "axial is 'far' but must be one of rotatable, face, spherical, orthogonal, or a distance above 0: give the coded distance.",
        ),
        (
            study("abc"),
            {"axial": -1},
            "axial is -1 but must be one of rotatable, face, spherical, orthogonal, or a distance above 0: give the coded distance.",
        ),
        (
            study("abc"),
            {"fraction": 1},
            "fraction is 1 but must be one of 0 (8 corners) for 3 factors: corners need resolution V and at most 128 runs.",
        ),
        (
            study("abc"),
            {"blocks": 4},
            "blocks is 4 but must be one of 1, 2, 3 for 8 corners: "
            "one block holds the axial points, and the others may confound no two-factor interaction.",
        ),
        (
            study("abc"),
            {"centre": 1.5},
            "centre is 1.5 but must be a whole number from 0 to 1000: give how many centre runs to make.",
        ),
        (
            study("abc"),
            {"centre": (1, 2)},
            "centre is [1, 2] but must be one number: give how many centre runs to make.",
        ),
        (
            study("abc"),
            {"blocks": 2, "centre": (1, 2, 3)},
            "centre is [1, 2, 3] but must be one number, or two (for each block of corners, for the axial block): "
            "give how many centre runs to make.",
        ),
        (
            study("abc"),
            {"axial": "face", "inscribed": True},
            "inscribed is True but must be False where the axial points lie no farther out than the corners: leave inscribed out.",
        ),
        (
            COARSE,
            {"axial": "face"},
            "steps is 'a 1 %' but must be fine enough to tell the 6 coefficients of the quadratic model apart: "
            "give finer steps or wider ranges.",
        ),
    ],
)
def test_central_composite_refusals(s, given, sentence):
    with pytest.raises(StudyError) as problem:
        designs.central_composite(s, **given)
    assert str(problem.value) == f"central_composite: {sentence}"


@pytest.mark.parametrize(
    ("names", "given", "sentence"),
    [
        (
            "abcdefgh",
            {},
            "number of numeric factors with three settings or more is 8 but must be from 3 to 7, 9, 11 or 12: take central_composite or optimal.",
        ),
        (
            "ab",
            {},
            "number of numeric factors with three settings or more is 2 but must be from 3 to 7, 9, 11 or 12: take central_composite or optimal.",
        ),
        (
            "abc",
            {"centre": 0},
            "centre is 0 but must be a whole number from 1 to 1000: the quadratic model needs at least one.",
        ),
        ("abc", {"blocks": 2}, "blocks is 2 but must be 1 for 3 factors: choose one of these."),
        ("abcde", {"blocks": 3}, "blocks is 3 but must be 1 or 2 for 5 factors: choose one of these."),
    ],
)
def test_box_behnken_refusals(names, given, sentence):
    with pytest.raises(StudyError) as problem:
        designs.box_behnken(study(names), **given)
    assert str(problem.value) == f"box_behnken: {sentence}"


def test_quadratic_model_is_estimable_from_every_tabulated_size():
    for k in range(2, 8):
        plan = designs.central_composite(study("abcdefg"[:k]), axial="face", centre=1)
        X = plan.model.matrix(plan.runs)
        assert np.linalg.matrix_rank(X) == plan.model.p == (k + 1) * (k + 2) // 2


@pytest.mark.parametrize(("k", "runs", "blocks"), [(9, 120, 5), (11, 176, 1), (12, 192, 2)])
def test_larger_box_behnken_plans(k, runs, blocks):
    """Box & Behnken (1960), runs and blocks as published (from memory); orthogonality is proved here by the moments.

    Odd moments up to the fourth vanish, so linear terms and products are orthogonal to each other and to the squares; every block has the same
    sum of squares for each factor, so blocks are orthogonal to the quadratic model.
    """
    parts = box_behnken_blocks(k, blocks)
    edges = np.vstack(parts)
    assert edges.shape == (runs, k)
    assert len(np.unique(edges, axis=0)) == runs - (24 if k == 9 else 0)  # nine factors: one class of parallels twice
    pairs = [(i, j) for i in range(k) for j in range(i)]
    X = np.column_stack([edges, *(edges[:, i] * edges[:, j] for i, j in pairs)])
    G = X.T @ X
    assert np.abs(G - np.diag(np.diag(G))).max() == 0
    assert np.diag(G).min() > 0
    assert np.abs(X.T @ edges**2).max() == 0
    sums = [np.vstack([part, np.zeros((1, k))]) for part in parts]
    assert all(((p**2).sum(axis=0) == (sums[0] ** 2).sum(axis=0)).all() for p in sums)
    assert all(
        np.abs(np.column_stack([p, *(p[:, i] * p[:, j] for i, j in pairs)]).sum(axis=0)).max() == 0 for p in sums
    )
    if blocks == 1:
        squares = (edges**2).T @ edges**2
        assert set(squares[~np.eye(k, dtype=bool)]) == {32.0}  # every two factors together in two groups of sixteen
