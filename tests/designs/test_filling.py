"""Latin hypercubes and maximin plans."""

import numpy as np
import pandas as pd
import pyDOE3
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import doe
from doe import StudyError, designs
from doe.designs.filling import smallest_distance, tied_groups


def box(k):
    return doe.Study("box", [doe.Continuous(f"x{i}", 0, 1) for i in range(1, k + 1)])


@pytest.fixture
def gel():
    """Components, a process constraint, every kind of factor."""
    return doe.Study(
        "gel",
        [
            doe.Component("water", 60, 90),
            doe.Component("glycerin", 0, 30),
            doe.Component("glycol", 5, 30),
            doe.Continuous("speed", 400, 1000, "rpm"),
            doe.Discrete("minutes", [10, 20, 40], "min"),
            doe.Categorical("impeller", ["anchor", "propeller"]),
        ],
        constraints=["glycerin + glycol <= 35"],
    )


@settings(max_examples=8, deadline=None)
@given(n=st.integers(2, 16), k=st.integers(1, 4), seed=st.integers(0, 99))
def test_one_run_in_each_part_of_each_range(n, k, seed):
    """The defining property of a Latin hypercube (McKay, Beckman & Conover 1979)."""
    runs = designs.latin_hypercube(box(k), n, seed).runs.to_numpy()
    parts = np.sort(np.floor(runs * n).astype(int), axis=0)
    np.testing.assert_array_equal(parts, np.tile(np.arange(n)[:, None], (1, k)))


def test_levels_equally_often(gel):
    plan = designs.latin_hypercube(gel, 12, seed=3)
    assert plan.runs["minutes"].value_counts().to_dict() == {10: 4, 20: 4, 40: 4}
    assert plan.runs["impeller"].value_counts().to_dict() == {"anchor": 6, "propeller": 6}
    assert gel.region.contains(plan.runs).all()
    assert sorted(np.floor((plan.runs["speed"] - 400) / 600 * 12).astype(int)) == list(range(12))


def test_constrained_parts_are_equally_likely_under_the_uniform_law(gel):
    """Conditioned Latin hypercube (Minasny & McBratney 2006): each twelfth of the law of each tied factor has one run."""
    plan = designs.latin_hypercube(gel, 12, seed=3)
    law = gel.region.sample(100_000, seed=11)
    for name in ("water", "glycerin", "glycol"):
        rank = np.sort(np.searchsorted(np.sort(law[name]), plan.runs[name])) / len(law) * 12
        # the plan's own parts are cut by 20,000 draws, whose quantiles err by at most 0.0035 (one standard error), 0.042 of a part
        assert (np.abs(rank - np.arange(12) - 0.5) < 0.5 + 4 * 0.042).all()
    assert "equally likely parts" not in repr(plan)


def test_parts_that_cannot_all_be_met_are_counted():
    s = doe.Study("s", [doe.Component(f"x{i}", 0, 100) for i in range(1, 7)])
    plan = designs.latin_hypercube(s, 30, seed=1)
    assert "of 180 equally likely parts have their run." in repr(plan)


def test_tied_groups(gel):
    assert tied_groups(gel) == [["water", "glycerin", "glycol"], ["speed"], ["minutes"], ["impeller"]]
    s = doe.Study("s", [doe.Continuous(n, 0, 1) for n in "abcd"], constraints=["a + c <= 1.5", "b <= 0.5"])
    assert tied_groups(s) == [["a", "c"], ["b"], ["d"]]
    assert designs.latin_hypercube(s, 10, seed=0).runs["b"].max() == pytest.approx(0.475)


# Largest possible smallest distance of n points in the unit square: Croft, Falconer & Guy (1991), Unsolved Problems in Geometry, D1, for
# n up to 9 proved; 10: Schaer's problem, Peikert et al. (1992). From memory, to four digits.
@pytest.mark.parametrize(
    ("n", "distance"),
    [(2, 1.4142), (3, 1.0353), (4, 1.0), (5, 0.7071), (6, 0.6009), (7, 0.5359), (8, 0.5176), (9, 0.5), (10, 0.4213)],
)
def test_space_filling_reaches_the_best_known_distances(n, distance):
    plan = designs.space_filling(box(2), n, seed=1)
    assert smallest_distance(plan.study, plan.runs) > 0.97 * distance
    assert smallest_distance(plan.study, plan.runs) < distance + 1e-4  # they are maxima


# Largest possible smallest distance of n-point Latin hypercubes in two factors, squared, in steps of 1/n: van Dam, Husslage, den Hertog &
# Melissen (2007), Maximin Latin hypercube designs in two dimensions, Oper. Res. 55, 158-169, from memory.
@pytest.mark.parametrize(("n", "squared"), [(4, 5), (5, 5), (6, 5), (7, 8), (8, 10), (9, 10), (10, 10), (12, 13)])
def test_latin_hypercubes_come_near_the_best_known_ones(n, squared):
    plan = designs.latin_hypercube(box(2), n, seed=1)
    found = (smallest_distance(plan.study, plan.runs) * n) ** 2
    assert found == pytest.approx(round(found))
    assert 0.7 * squared < found <= squared + 1e-9


def test_latin_hypercubes_beat_the_common_generator():
    """The library's "maximin" keeps the best of a few random hypercubes; swaps find far better ones."""
    for n, k in ((10, 3), (14, 4)):
        theirs = max(
            smallest_distance(box(k), pd.DataFrame(pyDOE3.lhs(k, n, criterion="maximin", seed=s), columns=box(k).names))
            for s in range(5)
        )
        ours = smallest_distance(box(k), designs.latin_hypercube(box(k), n, seed=1).runs)
        assert ours > 1.2 * theirs


@settings(max_examples=3, deadline=None)
@given(n=st.integers(2, 10), seed=st.integers(0, 50))
def test_both_stay_in_the_region(n, seed):
    s = doe.Study(
        "s",
        [
            doe.Component("a", 10, 80, step=0.5),
            doe.Component("b", 5, 60, step=0.5),
            doe.Component("c", 0, 40, step=0.5),
            doe.Continuous("t", 20, 40, step=5),
        ],
        constraints=["a + 0.5*b <= 85", "c <= 2*b"],
    )
    for make in (designs.latin_hypercube, designs.space_filling):
        plan = make(s, n, seed)
        assert len(plan.runs) == n
        assert s.region.contains(plan.runs).all()
        np.testing.assert_allclose(plan.runs / [0.5, 0.5, 0.5, 5], np.round(plan.runs / [0.5, 0.5, 0.5, 5]), atol=1e-9)


def test_space_filling_of_every_kind_of_factor(gel):
    plan = designs.space_filling(gel, 12, seed=2)
    assert gel.region.contains(plan.runs).all()
    assert plan.runs["impeller"].value_counts().to_dict() == {"anchor": 6, "propeller": 6}
    at_random = max(smallest_distance(gel, gel.region.sample(12, seed)) for seed in range(60))
    assert smallest_distance(gel, plan.runs) > 1.3 * at_random


def test_many_runs_in_many_factors():
    """Where the linear programmes would take too long, the farthest corners and points of a pool stand."""
    plan = designs.space_filling(box(12), 40, seed=1)
    assert (
        smallest_distance(plan.study, plan.runs) > 1.9
    )  # corners that differ in at least four of the twelve are 2 apart
    assert len(designs.space_filling(box(3), 400, seed=1).runs.drop_duplicates()) == 400


@pytest.mark.parametrize("factors", [[doe.Categorical("oil", ["p", "q", "r"])], [doe.Discrete("n", [1, 2, 5])]])
def test_factors_of_few_settings_are_used_equally_often(factors):
    s = doe.Study("s", factors)
    for make in (designs.latin_hypercube, designs.space_filling):
        assert make(s, 6, 1).runs[factors[0].name].value_counts().to_list() == [2, 2, 2]


def test_same_seed_same_plan(gel):
    for make in (designs.latin_hypercube, designs.space_filling):
        one, again, other = make(gel, 7, seed=4), make(gel, 7, seed=4), make(gel, 7, seed=5)
        pd.testing.assert_frame_equal(one.runs, again.runs)
        assert not one.runs.equals(other.runs)
        assert one.provenance["seed"] == 4
        assert one.model is None


def test_the_distance_said_is_that_of_the_rounded_plan():
    s = doe.Study("s", [doe.Continuous("a", 0, 1, step=0.25), doe.Continuous("b", 0, 1, step=0.25)])
    plan = designs.space_filling(s, 5, seed=1)
    said = f"The two closest runs are {smallest_distance(s, plan.runs):.3f} apart"
    assert said in repr(plan)
    steps = plan.runs.to_numpy() / 0.25
    np.testing.assert_allclose(steps, np.round(steps))


@pytest.mark.parametrize("make", [designs.latin_hypercube, designs.space_filling])
def test_refusals(make):
    name = make.__name__
    for runs, seed, sentence in [
        (1, 0, f"{name}: runs is 1 but must be a whole number from 2 to 500: say how many batches can be made."),
        (8.0, 0, f"{name}: runs is 8.0 but must be a whole number from 2 to 500: say how many batches can be made."),
        (
            8,
            "x",
            f"{name}: seed is 'x' but must be a whole number from 0: give any such number; the same one repeats the answer.",
        ),
    ]:
        with pytest.raises(StudyError) as problem:
            make(box(2), runs, seed)
        assert str(problem.value) == sentence
    with pytest.raises(StudyError, match="study is None but must be"):
        make(None, 8)
