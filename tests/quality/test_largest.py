"""The largest prediction variance: against grids, against corners, with a bound that holds."""

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import doe
from doe.designs import Plan, box_behnken, extreme_vertices, plackett_burman, simplex_lattice
from doe.quality import check, extremes
from doe.quality.largest import triangulation


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 100_000))
def test_a_random_polynomial_on_a_box(seed):
    rng = np.random.default_rng(seed)
    powers = np.array(list(product(range(5), repeat=2)))
    weights = rng.normal(size=len(powers))

    def f(Z):
        return (Z[:, None, :] ** powers).prod(axis=2) @ weights

    low, high = np.array([-1.0, 0.0]), np.array([1.0, 2.0])
    value, bound, where = extremes.largest_on_box(f, low, high, np.array([4, 4]), 1e-4, 4_000)
    grid = np.array(list(product(np.linspace(-1, 1, 81), np.linspace(0, 2, 81))))
    assert f(where[None])[0] == pytest.approx(value)
    assert bound >= f(grid).max() - 1e-9
    assert value >= f(grid).max() - 0.02 * np.abs(f(grid)).max()


@pytest.mark.slow
@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 100_000))
def test_a_random_polynomial_on_a_triangle(seed):
    rng = np.random.default_rng(seed)
    powers = np.array([p for p in product(range(5), repeat=2) if sum(p) <= 4])
    weights = rng.normal(size=len(powers))

    def f(Z):
        return (Z[:, None, :] ** powers).prod(axis=2) @ weights

    corners = rng.uniform(-1, 1, (3, 2))
    value, bound, where = extremes.largest_on_simplexes(f, [corners], 4, 1e-4, 4_000)
    inside = rng.dirichlet(np.ones(3), 4_000) @ corners
    assert f(where[None])[0] == pytest.approx(value)
    assert bound >= f(inside).max() - 1e-9
    assert value >= f(inside).max() - 0.02 * np.abs(f(inside)).max()


def test_first_order_models_are_worst_at_a_corner():
    rng = np.random.default_rng(6)
    s = doe.Study("s", [doe.Continuous(n, 0, 1) for n in "abcd"])
    made = check(Plan.from_frame(s, pd.DataFrame(rng.uniform(0, 1, (14, 4)), columns=list("abcd"))), "interaction")
    corners = s.region.vertices()
    assert made.largest_variance.value == pytest.approx(made.variance(corners).max())
    assert made.largest_variance.bound == pytest.approx(made.largest_variance.value, rel=2e-3)
    assert made.variance(pd.DataFrame([made.largest_variance.setting])).iloc[0] == pytest.approx(
        made.largest_variance.value
    )


def test_levels_are_gone_through():
    """A categorical and a discrete factor: the worst setting is one that can be set."""
    s = doe.Study(
        "s", [doe.Categorical("base", ["x", "y"]), doe.Discrete("speed", [0, 1, 5]), doe.Continuous("a", -1, 1)]
    )
    rows = pd.DataFrame(
        [(b, v, a) for b, v, a in product("xy", [0.0, 5.0], [-1.0, 1.0])]
        + [("x", 1.0, 0.0), ("y", 1.0, 0.5), ("x", 1.0, -1.0)],
        columns=["base", "speed", "a"],
    )
    made = check(Plan.from_frame(s, rows), "quadratic")
    every = pd.DataFrame(list(product("xy", [0.0, 1.0, 5.0], np.linspace(-1, 1, 401))), columns=["base", "speed", "a"])
    assert made.largest_variance.value == pytest.approx(made.variance(every).max(), rel=1e-4)
    assert made.largest_variance.setting["speed"] in (0.0, 1.0, 5.0)


def test_a_constrained_mixture():
    s = doe.Study(
        "m",
        [doe.Component("x", 0, 50), doe.Component("y", 10, 60), doe.Component("z", 10, 80)],
        constraints=["x + y <= 70"],
    )
    made = check(extreme_vertices(s, centroids=(1, 2)), "quadratic")
    table = s.region.sample(20_000, seed=3)
    largest = made.largest_variance
    assert largest.kind == "proved"
    assert largest.bound >= made.variance(table).max()
    assert largest.value >= made.variance(table).max() - 1e-9
    assert s.region.contains(pd.DataFrame([largest.setting]).astype(float))[0]


def test_triangulation_fills_the_hull():
    cube = np.array(list(product([0.0, 1.0], repeat=3)))
    parts = triangulation(cube)
    volume = sum(abs(np.linalg.det(p[1:] - p[0])) / 6 for p in parts)
    assert volume == pytest.approx(1)
    assert [p.tolist() for p in triangulation(np.array([[0.0, 1.0], [0.5, 0.5], [1.0, 0.0]]))] in (
        [[[0.0, 1.0], [1.0, 0.0]]],
        [[[1.0, 0.0], [0.0, 1.0]]],
    )
    assert triangulation(np.ones((3, 2))) is None


def test_many_factors_are_searched_and_say_so():
    """Nineteen factors in twenty runs: of an orthogonal first-order plan the largest variance is (k + 1)/n, at any corner."""
    s = doe.Study("s", [doe.Continuous(f"x{i}", 0, 1) for i in range(19)])
    made = check(plackett_burman(s, runs=20), "linear")
    assert made.largest_variance.value == pytest.approx(1.0)
    assert made.largest_variance.kind == "best search found"
    assert "1 times (best search found)" in repr(made)


def test_many_components_are_searched_and_say_so():
    s = doe.Study("m", [doe.Component(f"c{i}", 0, 100) for i in range(7)])
    made = check(simplex_lattice(s, 2), "quadratic")
    assert made.largest_variance.value == pytest.approx(1.0)
    assert made.largest_variance.kind == "best search found"


def test_the_curve_over_the_region():
    s = doe.Study("s", [doe.Continuous(n, 0, 1) for n in "abc"])
    made = check(box_behnken(s), "quadratic")
    over = made.variance_over_region()
    assert abs(over.average_sampled - over.average) <= 4 * over.average_error
    assert over.curve["variance"].is_monotonic_increasing
    assert over.curve["variance"].iloc[-1] == pytest.approx(made.largest_variance.value)
    assert (over.quantiles.diff().dropna() > 0).all()
    again = made.variance_over_region(seed=1)
    assert not again.quantiles.equals(over.quantiles)
    assert ((again.quantiles - over.quantiles).abs() <= 5 * np.hypot(over.quantile_error, again.quantile_error)).all()
    fewer = made.variance_over_region(points=500)
    assert (fewer.quantile_error > over.quantile_error).mean() > 0.8
    assert "Average 0.3847 (exact); largest met 1.396, bound 1.396" in repr(over)
