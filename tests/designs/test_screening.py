"""Plackett-Burman and definitive screening plans."""

import itertools

import numpy as np
import pytest

import doe
from doe import StudyError, designs


def study(numeric, two_level=0):
    return doe.Study(
        "s",
        [
            *(doe.Continuous(f"x{i}", 0, 10, "%") for i in range(1, numeric + 1)),
            *(doe.Categorical(f"kind{i}", ["p", "q"]) for i in range(1, two_level + 1)),
        ],
    )


def encoded(plan):
    return plan.study.encode(plan.runs)


@pytest.mark.parametrize(
    ("k", "runs"), [(3, 4), (4, 8), (7, 8), (8, 12), (11, 12), (12, 16), (27, 28), (91, 92), (99, 100)]
)
def test_smallest_plackett_burman(k, runs):
    plan = designs.plackett_burman(study(k))
    Z = encoded(plan)
    assert len(plan.runs) == runs
    np.testing.assert_allclose(Z.T @ Z, runs * np.eye(k), atol=1e-9)
    np.testing.assert_allclose(Z.sum(axis=0), 0, atol=1e-9)
    assert plan.model.name == "linear"


def test_plackett_burman_of_a_given_size():
    plan = designs.plackett_burman(study(5, 1), runs=20)
    assert len(plan.runs) == 20
    assert plan.runs["kind1"].value_counts().to_dict() == {"p": 10, "q": 10}
    assert plan.runs.iloc[-1].tolist() == [0, 0, 0, 0, 0, "q"]  # all low; −1 is the last level


@pytest.mark.parametrize("k", [3, 4, 5, 6, 8, 9, 12, 16, 21, 22, 30])
def test_definitive_screening_properties(k):
    """Jones & Nachtsheim (2011): main effects orthogonal to each other and to all second-order effects; 2m + 1 runs."""
    plan = designs.definitive_screening(study(k))
    Z = encoded(plan)
    m = (len(Z) - 1) // 2
    assert m == (24 if k in (21, 22) else k + k % 2)
    np.testing.assert_allclose(Z.T @ Z, 2 * (m - 1) * np.eye(k), atol=1e-9)
    second = np.stack([Z[:, i] * Z[:, j] for i, j in itertools.combinations_with_replacement(range(k), 2)], axis=1)
    np.testing.assert_allclose(Z.T @ second, 0, atol=1e-9)
    assert set(np.unique(np.round(Z, 9))) == {-1, 0, 1}
    X = plan.model.matrix(plan.runs)
    assert np.linalg.matrix_rank(X) == X.shape[1] == 2 * k + 1


def test_published_conference_plan_of_six_factors():
    """Jones & Nachtsheim (2011), Table 1: 13 runs; each factor is at its middle in three of them (from memory)."""
    plan = designs.definitive_screening(study(6))
    assert len(plan.runs) == 13
    assert ((plan.coded == 0).sum() == 3).all()
    assert plan.provenance["kinds"] == {"screening": 12, "centre": 1}


@pytest.mark.parametrize("k", [4, 5, 8])
def test_each_dummy_factor_adds_two_runs(k):
    plain = designs.definitive_screening(study(k))
    more = designs.definitive_screening(study(k), dummy_factors=2)
    assert len(more.runs) == len(plain.runs) + 4


@pytest.mark.parametrize(("numeric", "two_level"), [(4, 1), (4, 2), (3, 3), (6, 2), (8, 8), (4, 10)])
def test_two_level_factors_in_a_definitive_screening_plan(numeric, two_level):
    """Jones & Nachtsheim (2013), augmented plan: 2m + 2 runs, main effects clear of second-order effects, small correlations."""
    plan = designs.definitive_screening(study(numeric, two_level))
    k = numeric + two_level
    Z = encoded(plan)
    assert len(Z) == 2 * (k + k % 2) + 2
    assert set(np.unique(np.round(Z[:, numeric:], 9))) == {-1, 1}
    assert (Z[:, numeric:].sum(axis=0) == 0).all()
    second = np.stack([Z[:, i] * Z[:, j] for i, j in itertools.combinations(range(k), 2)], axis=1)
    np.testing.assert_allclose(Z.T @ second, 0, atol=1e-9)
    correlation = np.corrcoef(Z.T)
    assert np.abs(correlation - np.eye(k)).max() <= 6 / len(Z)
    X = plan.model.matrix(plan.runs)
    assert np.linalg.matrix_rank(X) == X.shape[1] == 1 + k + numeric


def test_filled_signs_are_the_best_of_all():
    """One two-level factor among four: no other choice of its signs gives a greater determinant of the main effects."""
    plan = designs.definitive_screening(study(3, 1))
    Z = encoded(plan)
    found = np.linalg.det(Z.T @ Z)
    pairs = np.flatnonzero(np.isclose(Z[:, :3], 0).all(axis=1))
    assert len(pairs) == 2
    zero_rows = [
        i for i in range(len(Z)) if i // 2 == 3 or i in pairs
    ]  # where the fourth conference column has no sign of its own
    best = 0.0
    for signs in itertools.product((1, -1), repeat=2):
        trial = Z.copy()
        for pair, sign in zip([zero_rows[:2], zero_rows[2:]], signs, strict=True):
            trial[pair, 3] = [sign, -sign]
        best = max(best, np.linalg.det(trial.T @ trial))
    assert found == pytest.approx(best)


def test_discrete_factors():
    s = doe.Study(
        "s",
        [doe.Continuous("a", 0, 1), doe.Discrete("n", [1, 2, 3]), doe.Discrete("m", [5, 9]), doe.Continuous("b", 0, 1)],
    )
    plan = designs.definitive_screening(s)
    assert set(plan.runs["n"]) == {1, 2, 3}
    assert set(plan.runs["m"]) == {5, 9}
    assert "m^2" not in plan.model.terms


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (
            lambda: designs.plackett_burman(study(3), runs=10),
            "plackett_burman: runs is 10 but must be a multiple of 4 from 4 to 100: take 12.",
        ),
        (
            lambda: designs.plackett_burman(study(7), runs=4),
            "plackett_burman: runs is 4 but must be a whole number from 8 to 100: main effects of 7 factors need at least 8 runs.",
        ),
        (
            lambda: designs.plackett_burman(study(3), runs=12.0),
            "plackett_burman: runs is 12.0 but must be a whole number from 4 to 100: main effects of 3 factors need at least 4 runs.",
        ),
        (
            lambda: designs.plackett_burman(study(1)),
            "plackett_burman: number of factors is 1 but must be from 2 to 99: take full_factorial for one factor.",
        ),
        (
            lambda: designs.definitive_screening(study(2)),
            "definitive_screening: number of factors is 2 but must be from 3 to 30: take central_composite.",
        ),
        (
            lambda: designs.definitive_screening(study(1, 3)),
            "definitive_screening: number of numeric factors with three settings or more is 1 but must be at least 2: "
            "take plackett_burman or fractional_factorial.",
        ),
        (
            lambda: designs.definitive_screening(study(4), dummy_factors=1),
            "definitive_screening: dummy_factors is 1 but must be even, as the order of a conference matrix: "
            "take one more or one less.",
        ),
        (
            lambda: designs.definitive_screening(study(4), dummy_factors=-2),
            "definitive_screening: dummy_factors is -2 but must be a whole number from 0: "
            "give an even number of columns to leave unused.",
        ),
        (
            lambda: designs.definitive_screening(study(20), dummy_factors=2),
            "definitive_screening: dummy_factors is 2 but must be one that makes, with 20 factors, an order that exists "
            "(up to 30, not 22): take two more or two less.",
        ),
    ],
)
def test_refusals(make, sentence):
    with pytest.raises(StudyError) as problem:
        make()
    assert str(problem.value) == sentence
