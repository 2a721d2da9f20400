"""Corners, faces, averages and points of polytopes, against geometry that is known in closed form and against other methods."""

from itertools import combinations, combinations_with_replacement, product
from math import comb, factorial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull, HalfspaceIntersection

from doe.study import polytope as module
from doe.study.corners import as_bits, as_table, enumerate_corners
from doe.study.halfspaces import affine_hull, extent, is_empty, redundant, smallest_clash
from doe.study.polytope import Polytope


def made(A, b, E=None, f=None):
    """A polytope from rows of any length."""
    A, b = np.asarray(A, dtype=float), np.asarray(b, dtype=float)
    size = np.linalg.norm(A, axis=1)
    n = A.shape[1]
    E = np.empty((0, n)) if E is None else np.asarray(E, dtype=float)
    f = np.empty(0) if f is None else np.asarray(f, dtype=float)
    lengths = np.linalg.norm(E, axis=1)
    return Polytope.of(A / size[:, None], b / size, E / lengths[:, None], f / lengths)


def box(n, low=0.0, high=1.0):
    return np.vstack([np.eye(n), -np.eye(n)]), np.concatenate([np.full(n, high), np.full(n, -low)])


def simplex(q):
    return made(*box(q), np.ones((1, q)), [1.0])


def cross_polytope(n):
    """|x_1| + … + |x_n| <= 1: in every corner 2^(n-1) facets meet, far more than n."""
    signs = np.array(list(product((1.0, -1.0), repeat=n)))
    return made(signs, np.ones(len(signs)))


def exponents(n, degree):
    rows = [
        np.bincount(c, minlength=n) for k in range(1, degree + 1) for c in combinations_with_replacement(range(n), k)
    ]
    return np.array([np.zeros(n, dtype=int), *rows])


def averages(p, powers):
    n = powers.shape[1]
    return p.moments(np.ones(n), np.zeros(n), powers)


def averages_by_triangulation(vertices, powers):
    """Another road: cones from the middle over Qhull's triangulated facets, Gauss-Legendre in collapsed coordinates (Stroud 1971).

    Four nodes a coordinate are exact to degree 7: monomials of degree 4 with the weight (1 - u)^3 of four dimensions.
    """
    n = vertices.shape[1]
    nodes, weights = np.polynomial.legendre.leggauss(4)
    u = np.array(list(product((nodes + 1) / 2, repeat=n)))
    w = np.prod(list(product(weights / 2, repeat=n)), axis=1) * np.prod((1 - u) ** np.arange(n - 1, -1, -1), axis=1)
    left = np.cumprod(np.column_stack([np.ones(len(u)), 1 - u[:, :-1]]), axis=1)
    total, volume = np.zeros(len(powers)), 0.0
    middle = vertices.mean(axis=0)
    for facet in ConvexHull(vertices).simplices:
        edges = vertices[facet] - middle
        size = abs(np.linalg.det(edges))
        x = middle + (left * u) @ edges
        total += size * (w @ np.prod(x[:, None, :] ** powers, axis=2))
        volume += size * w.sum()
    return total / volume


# ---- corners and faces


@pytest.mark.parametrize("n", [1, 2, 3, 5])
def test_faces_of_a_cube(n):
    """A cube of n dimensions has 2^(n-d) C(n, d) faces of dimension d (Coxeter, Regular Polytopes, 1948, 7.2)."""
    p = made(*box(n))
    assert [len(p.face_centroids(d)) for d in range(n + 1)] == [2 ** (n - d) * comb(n, d) for d in range(n + 1)]
    middles = {tuple(c) for c in np.round(p.face_centroids(n - 1), 12)}
    assert middles == {tuple(0.5 if j != k else s for j in range(n)) for k in range(n) for s in (0.0, 1.0)}


@pytest.mark.parametrize("q", [2, 3, 6])
def test_faces_of_a_simplex(q):
    """Any d + 1 of the q corners of a simplex make a face."""
    p = simplex(q)
    assert p.dimension == q - 1
    assert [len(p.face_centroids(d)) for d in range(q)] == [comb(q, d + 1) for d in range(q)]
    np.testing.assert_allclose(p.face_centroids(q - 1), np.full((1, q), 1 / q), atol=1e-14)


@pytest.mark.parametrize("n", [2, 3, 5])
def test_faces_of_a_cross_polytope(n):
    """2^(d+1) C(n, d+1) faces of dimension d; with 2^(n-1) facets in a corner, degenerate as can be (Coxeter 1948, 7.2)."""
    p = cross_polytope(n)
    assert [len(p.face_centroids(d)) for d in range(n)] == [2 ** (d + 1) * comb(n, d + 1) for d in range(n)]
    np.testing.assert_allclose(np.abs(p.vertices).sum(axis=1), 1.0, rtol=1e-14)


def test_square_pyramid():
    """Four sides meet in the apex of a pyramid in three dimensions."""
    A = [[1, 0, 1], [-1, 0, 1], [0, 1, 1], [0, -1, 1], [0, 0, -1]]
    p = made(A, [1, 1, 1, 1, 0])
    assert [len(p.face_centroids(d)) for d in range(4)] == [5, 8, 5, 1]
    assert {tuple(v) for v in np.round(p.vertices, 12) + 0.0} == {
        (1, 1, 0),
        (1, -1, 0),
        (-1, 1, 0),
        (-1, -1, 0),
        (0, 0, 1),
    }
    # the pyramid's density falls as (1 - z)^2: mean height 1/4
    np.testing.assert_allclose(averages(p, np.array([[0, 0, 1], [1, 0, 0]])), [0.25, 0.0], atol=1e-15)


def test_pyramid_times_square():
    """Opposite sides meet in apex x square: two dimensions less than they have, yet with corners enough for one less."""
    pyramid = np.array([[1, 0, 1], [-1, 0, 1], [0, 1, 1], [0, -1, 1], [0, 0, -1]], dtype=float)
    A = np.vstack([np.hstack([pyramid, np.zeros((5, 2))]), np.hstack([np.zeros((4, 3)), box(2)[0]])])
    p = made(A, [1, 1, 1, 1, 0, *box(2)[1]])
    assert p.exact
    # faces of a product: (5, 8, 5, 1) of the pyramid with (4, 4, 1) of the square
    assert [len(p.face_centroids(d)) for d in range(6)] == [20, 52, 57, 32, 9, 1]
    powers = np.array([[0, 0, 1, 0, 0], [0, 0, 2, 0, 0], [0, 0, 1, 1, 0], [2, 0, 0, 0, 2]])
    np.testing.assert_allclose(averages(p, powers), [1 / 4, 1 / 10, 1 / 8, 1 / 15], rtol=1e-13)


@pytest.mark.parametrize("kind", ["tie", "edge", "point"])
def test_flat_sets(kind):
    """Inequalities that leave no room are equalities, whether or not anybody wrote them so."""
    A, b = box(3)
    if kind == "tie":
        A, b = np.vstack([A, [[1, 1, 0], [-1, -1, 0]]]), np.append(b, [1, -1])
        p = made(A, b)
        assert (p.dimension, len(p.vertices)) == (2, 4)
        np.testing.assert_array_equal(np.flatnonzero(p.implied), [6, 7])
        np.testing.assert_allclose(averages(p, np.array([[1, 0, 0], [1, 1, 0], [0, 0, 2]])), [1 / 2, 1 / 6, 1 / 3])
    elif kind == "edge":
        A, b = np.vstack([A, [[1, 1, 0]]]), np.append(b, 0)
        p = made(A, b)
        assert (p.dimension, len(p.vertices)) == (1, 2)
    else:
        p = made(A, b, [[1, 1, 1]], [3])
        assert p.dimension == 0
        np.testing.assert_allclose(p.vertices, [[1, 1, 1]])
        np.testing.assert_allclose(p.sample(2, np.random.default_rng(0)), 1.0)
        np.testing.assert_allclose(averages(p, np.array([[2, 1, 0]])), 1.0)


def test_thin_slab():
    """A cut one part in a million thick is a body with its own corners, not a plane."""
    A, b = box(2)
    p = made(np.vstack([A, [[1, 1], [-1, -1]]]), np.append(b, [1, -1 + 1e-6]))
    assert (p.dimension, len(p.vertices)) == (2, 4)
    np.testing.assert_allclose(averages(p, np.array([[1, 0], [2, 0]])), [0.5, 1 / 3], rtol=2e-6)


@pytest.mark.parametrize("gap", [1e-12, 1e-10, 3e-9, 1e-8, 1e-7, 1e-5])
def test_cuts_that_nearly_meet(gap):
    """A constraint rounded in its last digit nearly meets the others in a corner: averages change by no more than it does."""
    A, b = box(4, low=-1)
    A = np.vstack([A, [[1, -1, 0, 0], [1, -2, -2, 2], [-2, -1, 2, -1], [1, 1, 0, 1]]])
    exact, near = (made(A, np.append(b, [g, 2e-5, 0.3, 3])) for g in (0.0, gap))
    powers = exponents(4, 4)
    np.testing.assert_allclose(averages(near, powers), averages(exact, powers), atol=2 * gap + 1e-13)
    assert (near.vertices @ near.A.T <= near.b + 1e-14).all()


def test_a_set_no_larger_than_rounding_is_not_empty():
    """Rows that hold a point from all sides to some 1e-9 do not contradict one another."""
    A, b = box(2, low=-1)
    rows = [[-2, 1], [2, -1], [-1, -1], [2, 1]]
    p = made(np.vstack([A, rows]), np.append(b, [2e-10, 3e-9, 0, 1e-10]), [[2, 2]], [0])
    assert p is not None
    assert p.dimension == 0
    np.testing.assert_allclose(p.vertices, 0, atol=1e-8)


@pytest.mark.slow
@settings(max_examples=30, deadline=None)
@given(
    st.integers(2, 4).flatmap(
        lambda n: st.lists(
            st.tuples(st.lists(st.integers(-2, 2), min_size=n, max_size=n).filter(any), st.integers(0, 4)),
            min_size=1,
            max_size=5,
        )
    )
)
def test_corners_against_solving_every_choice_of_rows(cuts):
    """Small whole coefficients make many constraints meet in one corner. The origin is always inside, so nothing is empty."""
    n = len(cuts[0][0])
    A, b = box(n, low=-2, high=2)
    A, b = np.vstack([A, [c for c, _ in cuts]]), np.append(b, [bound for _, bound in cuts])
    p = made(A, b)
    corners = set()
    for rows in combinations(range(len(A)), n):
        if abs(np.linalg.det(A[list(rows)])) > 0.5:  # whole numbers: anything below 1/2 is 0
            x = np.linalg.solve(A[list(rows)], b[list(rows)])
            if (A @ x <= b + 1e-9).all():
                corners.add(tuple(np.round(x, 7) + 0.0))
    assert {tuple(v) for v in np.round(p.vertices, 7) + 0.0} == corners
    middle = p.sample(200, np.random.default_rng(0))
    assert (middle @ A.T <= b + 1e-9).all()
    low, high = extent(p.A, p.b, p.E, p.f)
    np.testing.assert_allclose(p.vertices.min(axis=0), low, atol=1e-9)
    np.testing.assert_allclose(p.vertices.max(axis=0), high, atol=1e-9)
    if p.dimension >= 2:  # Euler's relation holds only where no face is missed or listed twice
        counts = [len(p.face_centroids(d)) for d in range(p.dimension + 1)]
        assert sum((-1) ** d * c for d, c in enumerate(counts)) == 1
    if p.dimension == n:
        powers = exponents(n, 4)
        np.testing.assert_allclose(averages(p, powers), averages_by_triangulation(p.vertices, powers), atol=2e-9)


def test_corners_against_qhull():
    """Generic cuts of a cube in seven dimensions: the same 7-dimensional body as scipy's Qhull finds."""
    rng = np.random.default_rng(1)
    A, b = box(7, low=-1)
    cuts = rng.standard_normal((12, 7))
    A, b = np.vstack([A, cuts / np.linalg.norm(cuts, axis=1, keepdims=True)]), np.append(b, np.full(12, 1.2))
    found, meets = enumerate_corners(A, b, 20_000)
    other = HalfspaceIntersection(np.column_stack([A, -b]), np.zeros(7)).intersections
    assert len(found) == len(other)
    assert {tuple(v) for v in np.round(found, 7) + 0.0} == {tuple(v) for v in np.round(other, 7) + 0.0}
    np.testing.assert_array_equal(meets, np.abs(found @ A.T - b) < 1e-10)
    assert enumerate_corners(A, b, len(found) // 2) is None


def test_hull_of_points():
    """A hull is the polytope of its own corners; points inside it are none."""
    cube = np.array(list(product((0.0, 1.0), repeat=3)))
    p = Polytope.around(np.vstack([cube, [[0.5, 0.5, 0.5], [0.5, 0.5, 0.0]]]))
    assert {tuple(v) for v in np.round(p.vertices, 12) + 0.0} == {tuple(v) for v in cube}
    assert len(p.face_centroids(1)) == 12
    flat = Polytope.around(np.array([[0.0, 0.0, 1.0], [1.0, 1.0, 0.0], [0.5, 0.5, 0.5]]))
    assert (flat.dimension, len(flat.vertices)) == (1, 2)
    assert Polytope.around(np.array([[0.5, 0.25]])).dimension == 0


def test_bits_and_tables():
    table = np.random.default_rng(0).random((5, 70)) < 0.5
    np.testing.assert_array_equal(as_table(as_bits(table), 70), table)


# ---- averages and points


@pytest.mark.parametrize("q", [2, 3, 6, 12])
def test_averages_on_a_simplex(q):
    """Dirichlet's integral: the average of x^a is (q-1)! prod(a_i!) / (q - 1 + sum a)!."""
    powers = (
        exponents(q, 4)
        if q < 12
        else np.array([[1, *[0] * 11], [0, 1, *[0] * 10], [1, 1, 1, 1, *[0] * 8], [2, 2, *[0] * 10]])
    )
    known = [
        factorial(q - 1) * np.prod([float(factorial(k)) for k in row]) / factorial(q - 1 + row.sum()) for row in powers
    ]
    np.testing.assert_allclose(averages(simplex(q), powers), known, rtol=1e-13)


@pytest.mark.parametrize("n", [1, 3, 6])
def test_averages_on_a_box(n):
    """Products of 1/(a + 1) on [0, 1], in shifted and stretched variables of 1/(a + 1) for even a and 0 for odd ones."""
    p, powers = made(*box(n)), exponents(n, 4)
    np.testing.assert_allclose(averages(p, powers), np.prod(1 / (powers + 1.0), axis=1), rtol=1e-13)
    even = np.where(powers % 2, 0.0, 1 / (powers + 1.0))
    found = p.moments(np.full(n, 2.0), np.full(n, -1.0), powers)
    np.testing.assert_allclose(found, np.prod(even, axis=1), atol=1e-15)


@pytest.mark.parametrize("n", [2, 4])
def test_averages_on_a_cross_polytope(n):
    """Each orthant is a simplex: the average of x^a, all a even, is n! prod(a_i!) / (n + sum a)!."""
    p, powers = cross_polytope(n), exponents(n, 6)
    known = [
        0.0
        if (row % 2).any()
        else factorial(n) * np.prod([float(factorial(k)) for k in row]) / factorial(n + row.sum())
        for row in powers
    ]
    np.testing.assert_allclose(averages(p, powers), known, rtol=1e-13, atol=1e-16)


def test_averages_far_from_the_origin():
    """A mixture's shares move little about a large middle: nothing cancels."""
    q = 4
    p = simplex(q)
    narrow = p.moments(np.full(q, 1e-3), np.full(q, (1 - 1e-3) / q), exponents(q, 4))
    centre = (1 - 1e-3) / q
    # E (c + h x)^2 = c^2 + 2 c h / q + h^2 2 / (q (q + 1)) with Dirichlet's moments
    known = centre**2 + 2 * centre * 1e-3 / q + 1e-6 * 2 / (q * (q + 1))
    at = next(i for i, row in enumerate(exponents(q, 4)) if row.tolist() == [2, 0, 0, 0])
    assert narrow[at] == pytest.approx(known, rel=1e-14)


def chi_square(counts, expected):
    return float(((counts - expected) ** 2 / expected).sum())


def test_points_are_uniform():
    """A pentagon cut from a square: the share of 200,000 points in each of 5 known pieces. Seed 3; the chi-square limit is 1 in 10,000."""
    A, b = box(2)
    p = made(np.vstack([A, [[1, 1]]]), np.append(b, 1.5))
    x = p.sample(200_000, np.random.default_rng(3))
    left, low = x[:, 0] < 0.5, x[:, 1] < 0.5
    corner = (x[:, 0] < 0.25) & low
    counts = np.array(
        [corner.sum(), (left & low & ~corner).sum(), (left & ~low).sum(), (~left & low).sum(), (~left & ~low).sum()]
    )
    area = np.array([1 / 8, 1 / 8, 1 / 4, 1 / 4, 1 / 8]) / (7 / 8)
    assert chi_square(counts, area * len(x)) < 23.5  # 4 df


def test_points_agree_with_averages_in_a_bounded_mixture():
    """Six components, bounds on both sides: means and products within 4.5 standard errors of the exact ones (27 of them, seed 5)."""
    low = np.array([0.05, 0.1, 0.0, 0.1, 0.02, 0.2])
    high = np.array([0.2, 0.5, 0.4, 0.3, 0.1, 0.6])
    A, b = np.vstack([np.eye(6), -np.eye(6)]), np.concatenate([high, -low])
    p, powers = made(A, b, np.ones((1, 6)), [1.0]), exponents(6, 2)[1:]
    x = p.sample(100_000, np.random.default_rng(5))
    values = np.stack([np.prod(x**row, axis=1) for row in powers], axis=1)
    error = values.std(axis=0) / np.sqrt(len(x))
    assert np.abs((values.mean(axis=0) - averages(p, powers)) / error).max() < 4.5


@pytest.mark.parametrize("kind", ["box with cuts", "simplex"])
def test_where_corners_are_not_listed(kind, monkeypatch):
    """With the limit set low, points come by rejection (the box) or hit and run (the simplex, 1/6! of its box): the averages are
    still those of the listed polytope; corners found are corners."""
    whole = simplex(7) if kind == "simplex" else made(np.vstack([box(4)[0], np.ones(4)]), np.append(box(4)[1], 3.0))
    n = whole.A.shape[1]
    powers = exponents(n, 2)
    exact = averages(whole, powers)
    assert whole.complete
    assert whole.exact_for(powers)
    monkeypatch.setattr(module, "CORNERS", 3)
    part = Polytope.of(whole.A, whole.b, whole.E, whole.f)
    assert not part.complete
    assert not part.exact_for(powers)
    assert part.face_centroids(1) is None
    # 65,536 points, those of a walk correlated: 4 % of a mean square is four standard errors or more
    np.testing.assert_allclose(averages(part, powers), exact, rtol=0.04)
    x = part.sample(30_000, np.random.default_rng(1))
    assert (x @ part.A.T <= part.b + 1e-9).all()
    np.testing.assert_allclose(x.mean(axis=0), exact[1 : n + 1], atol=0.01)
    known = {tuple(v) for v in np.round(whole.vertices, 9) + 0.0}
    assert {tuple(v) for v in np.round(part.vertices, 9) + 0.0} == known  # so few that 400 directions find them all


@pytest.mark.parametrize("limit", ["FACES", "CELLS"])
def test_limits_of_exact_averages(limit, monkeypatch):
    """Each limit by itself turns exact averages into estimates, and says so."""
    monkeypatch.setattr(module, limit, 4)
    p, powers = made(*box(3)), exponents(3, 2)
    assert p.complete
    assert not p.exact_for(powers)
    np.testing.assert_allclose(averages(p, powers), np.prod(1 / (powers + 1.0), axis=1), atol=0.01)
    if limit == "FACES":
        assert p.face_centroids(1) is None


def test_twelve_factors_and_thirty_cuts():
    """The largest job foreseen: corners listed, averages exact, and points that agree with them."""
    rng = np.random.default_rng(0)
    A, b = box(12, low=-1)
    cuts = rng.standard_normal((30, 12))
    p = made(np.vstack([A, cuts]), np.append(b, 3.0 * np.linalg.norm(cuts, axis=1)))
    assert p.complete
    assert p.exact
    assert len(p.vertices) > 4096
    powers = exponents(12, 2)
    x = p.sample(50_000, np.random.default_rng(1))
    values = np.stack([np.prod(x**row, axis=1) for row in powers[1:]], axis=1)
    error = values.std(axis=0) / np.sqrt(len(x))
    assert np.abs((values.mean(axis=0) - averages(p, powers)[1:]) / error).max() < 4.5  # 90 of them, seed 1


# ---- linear programmes


def test_empty_sets_have_no_hull():
    A, b = box(2)
    assert affine_hull(np.vstack([A, [[1, 0]]]), np.append(b, -0.5), np.empty((0, 2)), np.empty(0)) is None


def test_redundant_rows_keep_the_first_of_two_alike():
    A, b = box(2)
    rows = np.array([[1, 1], [1, 1], [1, 0], [1, 1]]) / np.sqrt([[2], [2], [1], [2]])
    A, b = np.vstack([A, rows]), np.append(b, [1 / np.sqrt(2), 1 / np.sqrt(2), 1.0, 3.0])
    assert redundant(A, b, np.empty((0, 2)), np.empty(0), [4, 5, 6, 7]) == [5, 6, 7]


def test_smallest_clash_prefers_the_fewest_rows():
    """x <= 1 and x >= 2 clash alone; the deletion filter by itself, dropping from the front, would keep three rows."""
    #        x <= 1   x >= 2   x + y >= 4   y <= 1
    A = np.array([[1.0, 0], [-1, 0], [-1, -1], [0, 1]])
    b = np.array([1.0, -2, -4, 1])
    groups = [([1], []), ([0], []), ([2], []), ([3], [])]
    assert smallest_clash(A, b, np.empty((0, 2)), np.empty(0), groups) == [0, 1]


@pytest.mark.slow
@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.lists(st.integers(-2, 2), min_size=3, max_size=3).filter(any),
            st.integers(-3, 1),
            st.sampled_from("<<<="),
        ),
        min_size=4,
        max_size=8,
    )
)
def test_a_clash_is_the_smallest_there_is(rows):
    """Against every subset of up to n + 1 rows: some such subset clashes whenever the whole does (Helly's theorem)."""
    A, b = np.array([r for r, _, _ in rows], dtype=float), np.array([v for _, v, _ in rows], dtype=float)
    equal = np.array([kind == "=" for _, _, kind in rows])
    place = np.where(equal, np.cumsum(equal) - 1, np.cumsum(~equal) - 1)
    groups = [([], [int(k)]) if e else ([int(k)], []) for k, e in zip(place, equal, strict=True)]

    def empty(kept):
        le, eq = [i for i in kept if not equal[i]], [i for i in kept if equal[i]]
        return is_empty(A[le], b[le], A[eq], b[eq])

    if not empty(range(len(A))):
        return
    found = smallest_clash(A[~equal], b[~equal], A[equal], b[equal], groups)
    assert empty(found)
    assert len(found) == next(k for k in range(1, 5) if any(empty(c) for c in combinations(range(len(A)), k)))
