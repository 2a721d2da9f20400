"""Full factorial plans."""

import numpy as np
import pytest

import doe
from doe import StudyError, designs


def study(*names, **given):
    return doe.Study("s", [doe.Continuous(n, 0, 10, "%", **given) for n in names])


@pytest.fixture
def mixed():
    return doe.Study(
        "mixed",
        [
            doe.Continuous("a", 0, 10),
            doe.Categorical("impeller", ["anchor", "propeller", "turbine"]),
            doe.Discrete("minutes", [10, 20, 40, 50], "min"),
        ],
    )


def test_every_combination_once_in_standard_order():
    plan = designs.full_factorial(study("a", "b", "c"))
    expected = [[-1 if not i >> j & 1 else 1 for j in range(3)] for i in range(8)]
    assert plan.coded.to_numpy().tolist() == expected
    assert plan.model.name == "interaction"
    assert plan.block is None
    assert plan.whole_plot is None


def test_levels_of_each_kind(mixed):
    plan = designs.full_factorial(mixed, levels={"a": 3})
    assert len(plan.runs) == 3 * 3 * 4 == len(plan.runs.drop_duplicates())
    assert sorted(plan.runs["a"].unique()) == [0, 5, 10]
    assert plan.runs["impeller"].value_counts().to_dict() == {"anchor": 12, "propeller": 12, "turbine": 12}
    assert plan.model.name == "quadratic"
    two = designs.full_factorial(mixed)
    assert sorted(two.runs["a"].unique()) == [0, 10]
    assert "minutes^2" in two.model.terms
    assert "a^2" not in two.model.terms


def test_equally_spaced_levels():
    plan = designs.full_factorial(study("a", "b"), levels=5)
    assert plan.runs["b"].unique().tolist() == [0, 2.5, 5, 7.5, 10]


def test_replicates_copy_the_whole_plan():
    once = designs.full_factorial(study("a", "b"), centre=2)
    twice = designs.full_factorial(study("a", "b"), centre=2, replicates=2)
    assert twice.runs.to_numpy().tolist() == once.runs.to_numpy().tolist() * 2
    assert twice.provenance["kinds"] == {"factorial": 8, "centre": 4}


def test_centre_runs_at_every_kind_of_middle(mixed):
    plan = designs.full_factorial(mixed, centre=1)
    middle = plan.runs.iloc[-6:]
    # the middle of 10 … 50 min is 30: no level, so 20 and 40, which are equally near, for each impeller
    assert middle["a"].unique().tolist() == [5]
    assert sorted(map(tuple, middle[["impeller", "minutes"]].to_numpy())) == [
        (impeller, m) for impeller in ("anchor", "propeller", "turbine") for m in (20.0, 40.0)
    ]


def test_hard_to_change_settings_make_whole_plots():
    factors = [doe.Continuous("hot", 60, 80, hard_to_change=True), doe.Continuous("b", 0, 1), doe.Continuous("c", 0, 1)]
    plan = designs.full_factorial(doe.Study("s", factors), replicates=2, centre=1)
    sizes = plan.whole_plot.value_counts(sort=False)
    assert sizes.to_list() == [4, 4, 1] * 2
    assert sizes.index.to_list() == [f"W{i}" for i in range(1, 7)]
    assert (plan.runs.groupby(plan.whole_plot)["hot"].nunique() == 1).all()
    assert "one whole plot only" not in repr(plan)
    single = designs.full_factorial(doe.Study("s", factors))
    assert single.whole_plot.nunique() == 2
    assert "Each setting of hot has one whole plot only" in repr(single)


def test_provenance_records_the_call():
    plan = designs.full_factorial(study("a", "b"), levels={"a": 3}, centre=1)
    given = {"levels": {"a": 3}, "replicates": 1, "centre": 1}
    assert plan.provenance["function"] == "full_factorial"
    assert plan.provenance["arguments"] == given
    assert plan.provenance["version"] == doe.__version__


MIXTURE = doe.Study("m", [doe.Component("x", 0, 100), doe.Component("y", 0, 100)])
OILS = doe.Study("s", [doe.Categorical("oil", ["p", "q", "r"])])
BOUND = doe.Study("s", [doe.Continuous("a", 0, 1, "%"), doe.Continuous("b", 0, 1, "%")], constraints=["a + b <= 1.5"])


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (
            lambda s: designs.full_factorial("gel"),
            "study is 'gel' but must be a doe.Study: describe factors and responses in one first.",
        ),
        (
            lambda s: designs.full_factorial(MIXTURE),
            "factor 'x' is 'a component' but must be a factor that can be set independently of the others: "
            "take optimal, simplex_lattice, simplex_centroid or extreme_vertices for components.",
        ),
        (
            lambda s: designs.full_factorial(s, levels=1),
            "levels of 'a' is 1 but must be a whole number from 2 to 10000: give at least low and high.",
        ),
        (
            lambda s: designs.full_factorial(s, levels={"b": 2.5}),
            "levels of 'b' is 2.5 but must be a whole number from 2 to 10000: give at least low and high.",
        ),
        (
            lambda s: designs.full_factorial(s, levels={"aa": 3}),
            "levels is 'aa' but must be the name of a factor: did you mean 'a'?",
        ),
        (
            lambda s: designs.full_factorial(OILS, levels={"oil": 2}),
            "levels of 'oil' is 2 but must be the 3 levels it has: leave it out of levels.",
        ),
        (
            lambda s: designs.full_factorial(s, replicates=0),
            "replicates is 0 but must be a whole number from 1 to 10000: give how many copies of the whole plan to make.",
        ),
        (
            lambda s: designs.full_factorial(s, centre=True),
            "centre is True but must be a whole number from 0 to 10000: give how many centre runs to make.",
        ),
        (
            lambda s: designs.full_factorial(OILS, centre=1),
            "centre is 1 but must be 0 where no factor has a setting between its two levels: use replicates.",
        ),
        (
            lambda s: designs.full_factorial(s, levels=101),
            "runs is 10201 but must be at most 10000: take fewer levels, or fractional_factorial.",
        ),
        (
            lambda s: designs.full_factorial(BOUND, levels=3),
            "run 9 is 'a 1 %, b 1 %' but must be inside the constraint a + b <= 1.5: "
            "narrow the ranges, or take doe.designs.optimal, extreme_vertices or latin_hypercube, which keep to constraints.",
        ),
        (
            lambda s: designs.full_factorial(BOUND, levels=5),
            "run 20 (and 2 more) is 'a 1 %, b 0.75 %' but must be inside the constraint a + b <= 1.5: "
            "narrow the ranges, or take doe.designs.optimal, extreme_vertices or latin_hypercube, which keep to constraints.",
        ),
        (
            lambda s: designs.full_factorial(doe.Study("s", [doe.Continuous("a", 0, 1, "%", step=1)]), levels=3),
            "steps is 'a 1 %' but must be fine enough to tell the 3 coefficients of the quadratic model apart: "
            "give finer steps or wider ranges.",
        ),
    ],
)
def test_refusals(make, sentence):
    with pytest.raises(StudyError) as problem:
        make(study("a", "b"))
    assert str(problem.value) == f"full_factorial: {sentence}"


def test_orthogonal_with_centre_runs():
    plan = designs.full_factorial(study("a", "b", "c"), centre=3)
    X = plan.model.matrix(plan.runs)
    np.testing.assert_array_equal(X.T @ X, np.diag([11, *[8] * 6]))
