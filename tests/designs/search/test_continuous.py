"""Continuous designs against published measures, exhaustive grids and each other."""

from itertools import combinations, product

import numpy as np
import pytest

from doe.designs.search.chains import best_found
from doe.designs.search.continuous import PROVED, SEARCHED, _bernstein, best_weights, continuous_design
from doe.designs.search.problem import Layout, Problem, Region


def quadratic(k):
    eye = np.eye(k, dtype=np.int64)
    pairs = [eye[i] + eye[j] for i, j in combinations(range(k), 2)]
    return np.array([np.zeros(k, dtype=np.int64), *eye, *pairs, *(2 * eye)])


def scheffe(q):
    eye = np.eye(q, dtype=np.int64)
    return np.array([*eye, *(eye[i] + eye[j] for i, j in combinations(range(q), 2))])


def box_moments(exponents):
    powers = exponents[:, None, :] + exponents[None, :, :]
    return np.where((powers % 2 == 1).any(axis=2), 0.0, np.prod(1.0 / (powers + 1.0), axis=2))


def with_idle_constraint(region):
    """The same region with a constraint that never binds, so that no symmetry is recognised."""
    row = np.zeros((1, region.m))
    row[0, 0] = 1.0
    return Region(region.low, region.high, row, np.array([50.0]), region.E, region.f, region.levels, region.tables)


def simplex(q, low=0.0, high=1.0):
    return Region(np.full(q, low), np.full(q, high), np.zeros((0, q)), np.zeros(0), np.ones((1, q)), np.array([1.0]))


def test_quadratic_on_the_interval_has_thirds():
    """Smith (1918): weights 1/3 at −1, 0, 1; |M| = 4/27."""
    bound = continuous_design(quadratic(1), Region.box(1), "D")
    assert bound.kind == PROVED
    assert bound.value == pytest.approx(np.log(4 / 27), abs=1e-8)
    weight = dict(zip(np.abs(bound.points[:, 0, 0]), bound.weights, strict=True))
    assert weight[1.0] == pytest.approx(2 / 3, abs=1e-5)
    assert weight[0.0] == pytest.approx(1 / 3, abs=1e-5)


def test_quadratic_on_the_square():
    """Atkinson, Donev & Tobias (2007), from memory: corners 0.1458 each, edge middles 0.0802 each, centre 0.0962."""
    bound = continuous_design(quadratic(2), Region.box(2), "D")
    weights = {int(np.abs(z[0]).sum()): 0.0 for z in bound.points}
    for z, w in zip(bound.points, bound.weights, strict=True):
        weights[int(np.abs(z[0]).sum())] += w
    assert weights[2] / 4 == pytest.approx(0.1458, abs=5e-5)
    assert weights[1] / 4 == pytest.approx(0.0802, abs=5e-5)
    assert weights[0] == pytest.approx(0.0962, abs=5e-5)


@pytest.mark.parametrize(
    ("k", "log_d", "trace"),
    [(3, -7.45539591, 5.27540959), (5, -14.26998258, 9.23258169), (7, -21.87106256, 13.87954437)],
)
def test_quadratic_on_cubes(k, log_d, trace):
    """Optima over the symmetric designs of the cube, worked out separately to nine digits."""
    powers = quadratic(k)
    assert continuous_design(powers, Region.box(k), "D").limit == pytest.approx(log_d, abs=2e-8)
    assert continuous_design(powers, Region.box(k), "I", box_moments(powers)).limit == pytest.approx(trace, abs=2e-8)


def test_first_order_model_has_the_factorial():
    powers = np.vstack([np.zeros((1, 4), dtype=np.int64), np.eye(4, dtype=np.int64)])
    bound = continuous_design(powers, Region.box(4), "D")
    assert bound.limit == pytest.approx(0.0, abs=1e-8)
    np.testing.assert_allclose(np.abs(bound.points), 1.0)


@pytest.mark.parametrize("q", [3, 4])
def test_scheffe_quadratic_on_the_simplex_is_kiefers_lattice(q):
    """Kiefer (1961): equal weights on the {q, 2} lattice; column generation and the Bernstein bound find the same."""
    known = continuous_design(scheffe(q), simplex(q), "D")
    assert "Kiefer" in known.reason
    assert len(known.weights) == q * (q + 1) // 2
    found = continuous_design(scheffe(q), with_idle_constraint(simplex(q)), "D")
    assert found.value == pytest.approx(known.value, abs=1e-3)
    assert found.kind == PROVED
    assert "Bernstein" in found.reason
    assert known.value - 1e-9 <= found.limit <= known.value + 2e-3 * len(scheffe(q))


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_symmetry_and_column_generation_agree(criterion):
    powers = quadratic(2)
    one = continuous_design(powers, Region.box(2), criterion, box_moments(powers))
    two = continuous_design(powers, with_idle_constraint(Region.box(2)), criterion, box_moments(powers))
    assert two.value == pytest.approx(one.value, abs=2e-4)
    worse = two.limit >= one.limit - 1e-9 if criterion == "D" else two.limit <= one.limit + 1e-9
    assert worse, "a bound from a design that is not quite optimal must not claim more"


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_no_grid_point_beats_the_sensitivity_the_bound_rests_on(criterion):
    powers = quadratic(3)
    region = Region(
        -np.ones(3), np.ones(3), np.array([[1.0, 1.0, 1.0], [-1.0, 0.5, 0.0]]), np.array([1.5, 1.0]),
        np.zeros((0, 3)), np.zeros(0),
    )  # fmt: skip
    B = box_moments(powers)
    bound = continuous_design(powers, region, criterion, B)
    problem = Problem(powers, region, Layout(1))
    X = problem.rows(bound.points[:, 0])
    M = (X.T * bound.weights) @ X
    D = np.linalg.inv(M)
    A = D if criterion == "D" else D @ B @ D
    grid = np.array(list(product(np.linspace(-1, 1, 41), repeat=3)))
    F = problem.rows(grid[region.contains(grid)])
    top = np.einsum("na,ab,nb->n", F, A, F).max()
    if criterion == "D":
        assert bound.value + top - len(powers) <= bound.limit + 1e-9
    else:
        assert bound.value**2 / top >= bound.limit - 1e-9


def test_levels_and_kinds_are_enumerated():
    """Two two-level factors and a three-kind factor, first order: the full factorial, evenly."""
    powers = np.array([[0, 0, 0, 0], [1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])
    region = Region(
        -np.ones(4), np.ones(4), np.zeros((0, 4)), np.zeros(0), np.zeros((0, 4)), np.zeros(0),
        {1: np.array([-1.0, 1.0])},
        (((2, 3), np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, -1.0]])),),
    )  # fmt: skip
    bound = continuous_design(powers, region, "D")
    F = Problem(powers, region, Layout(1)).rows(region.draw(3000, np.random.default_rng(0)))
    full = np.array([[1, a, b, *c] for a in (-1, 1) for b in (-1, 1) for c in ((1, 0), (0, 1), (-1, -1))], dtype=float)
    assert bound.kind == PROVED
    assert bound.value == pytest.approx(np.linalg.slogdet(full.T @ full / len(full))[1], abs=1e-6)
    D = np.linalg.inv(full.T @ full / len(full))
    assert np.einsum("na,ab,nb->n", F, D, F).max() <= 5 + 1e-9


def test_bernstein_bound_covers_and_is_close():
    rng = np.random.default_rng(4)
    powers = quadratic(3)
    problem = Problem(powers, Region.box(3), Layout(1))
    grid = np.array(list(product(np.linspace(-1, 1, 31), repeat=3)))
    F = problem.rows(grid)
    for _ in range(3):
        R = rng.standard_normal((10, 10))
        A = R @ R.T
        top = np.einsum("na,ab,nb->n", F, A, F).max()
        bound = _bernstein(A, powers, Region.box(3), top * 1.01)
        assert bound is not None
        assert top <= bound <= 1.011 * top


def test_newton_weights_satisfy_the_equivalence_theorem():
    rng = np.random.default_rng(8)
    F = rng.standard_normal((40, 5))
    w, d = best_weights(F, None)
    assert w.sum() == pytest.approx(1.0)
    assert d.max() == pytest.approx(5.0, rel=1e-6)
    B = np.diag([1.0, 2.0, 0.5, 1.0, 3.0])
    w, phi = best_weights(F, B)
    psi = np.trace(np.linalg.solve((F.T * w) @ F, B))
    assert phi.max() == pytest.approx(psi, rel=1e-6)
    stacked = F[:, :, None] * F[:, None, :]
    w2, _ = best_weights(stacked, B)
    np.testing.assert_allclose(w2, w, atol=1e-5)


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_split_plot_bound_is_never_beaten(criterion):
    powers = quadratic(2)
    B = box_moments(powers)
    plots = np.repeat(np.arange(6), 2)
    found = best_found(
        Problem(powers, Region.box(2), Layout(12, whole_plot=plots, eta_whole=1.0, hard=(0,)), B), criterion
    )
    group = Layout(2, whole_plot=np.zeros(2, dtype=np.int64), eta_whole=1.0, hard=(0,))
    bound = continuous_design(powers, Region.box(2), criterion, B, covariance=[(group, found.Z.reshape(6, 2, 2))])
    assert bound.kind == SEARCHED
    assert 80 < bound.efficiency(found.value, 12, 6) <= 100
    # every group of levels −1, −0.5 … 1: none has a larger sensitivity than the bound allows
    X = np.array([Problem(powers, Region.box(2), Layout(2)).rows(z) for z in bound.points])
    V = group.inverse_covariance()
    Ms = np.einsum("nsp,st,ntq->npq", X, V, X) / 2
    M = np.tensordot(bound.weights, Ms, 1)
    D = np.linalg.inv(M)
    A = D if criterion == "D" else D @ B @ D
    top = 0.0
    for h, a, b in product(np.linspace(-1, 1, 9), repeat=3):
        Y = Problem(powers, Region.box(2), Layout(2)).rows(np.array([[h, a], [h, b]]))
        top = max(top, float(np.sum(A * (Y.T @ V @ Y))) / 2)
    if criterion == "D":
        assert bound.value + top - 6 <= bound.limit + 1e-6
    else:
        assert bound.value**2 / top >= bound.limit * (1 - 1e-6)


@pytest.mark.parametrize("n", [7, 11, 20])
def test_no_exact_plan_is_more_than_fully_efficient(n):
    powers = quadratic(2)
    for criterion in ("D", "I"):
        bound = continuous_design(powers, Region.box(2), criterion, box_moments(powers))
        found = best_found(Problem(powers, Region.box(2), Layout(n), box_moments(powers)), criterion)
        assert 70 < bound.efficiency(found.value, n, 6) <= 100 + 1e-6
