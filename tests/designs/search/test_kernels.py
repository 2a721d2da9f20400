"""The compiled kernels against plain NumPy: the readable reference of every criterion and update."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numba import njit

from doe.designs.search import kernels
from doe.designs.search.packing import AT_C, AT_D, AT_M, COLUMNS, GROUP_DELTA, REPEATS, TERMS, VARIABLES, Z
from doe.designs.search.problem import Layout, Problem, Region


def box_moments(exponents):
    """Averages of x x' over [-1, 1]^k."""
    powers = exponents[:, None, :] + exponents[None, :, :]
    return np.where((powers % 2 == 1).any(axis=2), 0.0, np.prod(1.0 / (powers + 1.0), axis=2))


def mixture(low, high):
    """Shares within bounds that add up to 1."""
    q = len(low)
    return Region(
        np.array(low, dtype=float),
        np.array(high, dtype=float),
        np.zeros((0, q)),
        np.zeros(0),
        np.ones((1, q)),
        np.array([1.0]),
    )


def quadratic(k):
    """Powers of the full quadratic in k numeric factors."""
    eye = np.eye(k, dtype=np.int64)
    pairs = [eye[i] + eye[j] for i, j in combinations(range(k), 2)]
    return np.array([np.zeros(k, dtype=np.int64), *eye, *pairs, *(2 * eye)])


def scheffe(q):
    """Powers of Scheffé's quadratic."""
    eye = np.eye(q, dtype=np.int64)
    return np.array([*eye, *(eye[i] + eye[j] for i, j in combinations(range(q), 2))])


D, TRACE = kernels.D_CRITERION, kernels.TRACE_CRITERION


# inner kernels have no entry from Python; these have


@njit
def summit(W, q, degree, low, high, step, room):
    return kernels.summit(W, q, degree, low, high, step, room)


@njit
def refresh(T, W, criterion):
    return kernels.refresh(T, W, criterion, 0.0)


@njit
def visit_run(T, W, unit, criterion, value):
    return kernels.visit_run(T, W, unit, criterion, value)


@njit
def visit_group(T, W, unit, criterion, value):
    return kernels.visit_group(T, W, unit, criterion, value)


@njit
def pass_repeats(T, W, criterion, value):
    return kernels.pass_repeats(T, W, criterion, value)


@njit
def group_at(T, W, unit, move, criterion, t):
    start = T[T[kernels.UNIT_PTR] + unit]
    for s in range(T[T[kernels.UNIT_PTR] + unit + 1] - start):
        i = T[T[kernels.UNIT_RUN] + start + s]
        kernels.line_terms(T, W, move, T[Z] + i * T[VARIABLES], T[GROUP_DELTA] + s * T[kernels.DEEP] * T[COLUMNS])
    kernels.group_terms(T, W, unit, move)
    return kernels.group_value(T, W, criterion, T[T[kernels.DEGREE] + move], t)


def information(problem, settings, repeats=None):
    """Reference: K + X'V^-1X, with every run made as often as `repeats` says."""
    X = problem.rows(settings)
    V = problem.layout.inverse_covariance()
    if repeats is not None:
        V = V * np.asarray(repeats)[:, None]
    M = X.T @ V @ X
    return M if problem.prior is None else M + problem.prior


def reference(problem, settings, criterion, repeats=None):
    M = information(problem, settings, repeats)
    if criterion == D:
        return np.linalg.slogdet(M)[1]
    return -np.trace(np.linalg.solve(M, np.eye(problem.p) if problem.moments is None else problem.moments))


def loaded(problem, settings, seed=0):
    T, W = problem.state((seed,))
    W[T[Z] : T[Z] + settings.size] = settings.ravel()
    return T, W


def square(T, W, name):
    p = T[COLUMNS]
    return W[T[name] : T[name] + p * p].reshape(p, p)


def cases():
    box3 = quadratic(3)
    yield "independent", Problem(box3, Region.box(3), Layout(14), box_moments(box3))
    yield "with a prior", Problem(box3, Region.box(3), Layout(12), box_moments(box3), 0.3 * np.eye(10))
    blocks = np.repeat(np.arange(4), 4)
    yield "random blocks", Problem(box3, Region.box(3), Layout(16, block=blocks, eta_block=0.7), box_moments(box3))
    plots = np.repeat(np.arange(6), [2, 3, 4, 2, 3, 2])
    days = np.repeat(np.arange(2), [9, 7])
    yield (
        "three strata",
        Problem(
            box3,
            Region.box(3),
            Layout(16, whole_plot=plots, block=days, eta_whole=1.3, eta_block=0.4, hard=(0,)),
            box_moments(box3),
        ),
    )
    levels = Region(
        -np.ones(4),
        np.ones(4),
        np.array([[1.0, 1.0, 0.0, 0.0]]),
        np.array([1.2]),
        np.zeros((0, 4)),
        np.zeros(0),
        {1: np.array([-1.0, -0.2, 1.0])},
        (((2, 3), np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, -1.0]])),),
    )
    powers = np.array([r for r in quadratic(4) if not (r[2] == 2 or r[3] == 2 or (r[2] and r[3]))])
    yield "levels, tables and a constraint", Problem(powers, levels, Layout(18))
    yield "mixture", Problem(scheffe(4), mixture([0.05, 0.1, 0.0, 0.1], [0.5, 0.6, 0.4, 0.7]), Layout(14))


CASES = dict(cases())


def random_settings(problem, seed):
    rng = np.random.default_rng(seed)
    drawn = problem.region.draw(problem.layout.n, rng)
    if problem.layout.hard:
        plots = problem.layout.whole_plot
        first = np.array([np.flatnonzero(plots == w)[0] for w in plots])
        drawn[:, list(problem.layout.hard)] = drawn[first][:, list(problem.layout.hard)]
    return drawn


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.floats(-5, 5), min_size=2, max_size=13),
    st.floats(-3, 0),
    st.floats(0, 3),
    st.sampled_from([0.0, 0.0, 0.13]),
)
def test_summit_is_no_lower_than_a_fine_grid(coefficients, low, high, step):
    W = np.zeros(16 + 4 * 16)
    W[: len(coefficients)] = coefficients
    t = summit(W, 0, len(coefficients) - 1, low, high, step, 16)
    assert low - 1e-9 <= t <= high + 1e-9
    if step:
        assert abs(t / step - round(t / step)) < 1e-9
        grid = np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1) * step
        grid = np.append(grid, 0.0) if len(grid) < 2 else grid
    else:
        grid = np.append(np.linspace(low, high, 1001), 0.0)
    value = np.polynomial.polynomial.polyval(t, coefficients)
    best = np.polynomial.polynomial.polyval(grid, coefficients).max()
    assert value >= best - 1e-7 * max(1.0, np.abs(coefficients).max() * 3.0 ** (len(coefficients) - 1))


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("criterion", [D, TRACE])
def test_each_visit_keeps_inverse_and_value_true_and_never_loses(name, criterion):
    problem = CASES[name]
    T, W = loaded(problem, random_settings(problem, 3))
    value = refresh(T, W, criterion)
    n, m = problem.layout.n, problem.region.m
    assert value == pytest.approx(reference(problem, W[T[Z] : T[Z] + n * m].reshape(n, m), criterion), rel=1e-8)
    sizes = np.diff(T[T[kernels.UNIT_PTR] : T[kernels.UNIT_PTR] + T[kernels.UNITS] + 1])
    for _ in range(2):
        for unit, size in enumerate(sizes):
            if size > 1:
                refresh(T, W, criterion)
            new = (visit_group if size > 1 else visit_run)(T, W, unit, criterion, value)
            assert new >= value
            Zs = W[T[Z] : T[Z] + n * m].reshape(n, m)
            assert problem.region.contains(Zs).all()
            assert new == pytest.approx(reference(problem, Zs, criterion), rel=1e-6, abs=1e-6)
            inverse = np.linalg.inv(information(problem, Zs))
            np.testing.assert_allclose(square(T, W, AT_D), inverse, rtol=1e-6, atol=1e-6 * np.abs(inverse).max())
            if criterion == TRACE:
                B = np.eye(problem.p) if problem.moments is None else problem.moments
                C = inverse @ B @ inverse
                np.testing.assert_allclose(square(T, W, AT_C), C, rtol=1e-5, atol=1e-5 * np.abs(C).max())
            value = new
    if problem.layout.hard:
        hard = Zs[:, list(problem.layout.hard)]
        for w in set(problem.layout.whole_plot.tolist()):
            assert np.ptp(hard[problem.layout.whole_plot == w], axis=0).max() == 0


def test_information_along_a_shared_move_is_the_polynomial_it_is_taken_for():
    problem = CASES["three strata"]
    settings_ = random_settings(problem, 5)
    T, W = loaded(problem, settings_)
    refresh(T, W, D)
    plots = problem.layout.whole_plot
    for t in (-0.2, 0.05, 0.3):
        moved = settings_.copy()
        moved[plots == 0, 0] += t
        value = group_at(T, W, 0, 0, D, t)  # unit 0 is the first whole plot, move 0 the first factor
        assert value == pytest.approx(reference(problem, moved, D), rel=1e-9)
        np.testing.assert_allclose(square(T, W, TERMS), information(problem, moved), atol=1e-9)


@pytest.mark.parametrize("criterion", [D, TRACE])
def test_a_repeat_passes_to_where_it_gains_most(criterion):
    powers = quadratic(2)
    repeats = np.array([3, 1, 1, 1, 1, 1, 1, 1])
    block = np.array([0, 0, 0, 0, 0, 1, 1, 1])
    problem = Problem(powers, Region.box(2), Layout(8, repeats=repeats, repeat_block=block), box_moments(powers))
    settings_ = random_settings(problem, 9)
    T, W = loaded(problem, settings_)
    value = refresh(T, W, criterion)
    assert value == pytest.approx(reference(problem, settings_, criterion, repeats), rel=1e-9)
    best, target = value, None
    for b in range(1, 5):
        other = repeats.copy()
        other[0] -= 1
        other[b] += 1
        tried = reference(problem, settings_, criterion, other)
        if tried > best:
            best, target = tried, other
    assert target is not None
    assert pass_repeats(T, W, criterion, value) == pytest.approx(best, rel=1e-9)
    np.testing.assert_array_equal(T[T[REPEATS] : T[REPEATS] + 8], target)


def test_singular_information_is_seen():
    problem = Problem(quadratic(2), Region.box(2), Layout(6))
    T, W = loaded(problem, np.ones((6, 2)))
    assert refresh(T, W, D) == -np.inf
    np.testing.assert_allclose(square(T, W, AT_M), 6 * np.ones((6, 6)))
