"""Folding setting error into coefficients is exact, and terms and slopes are those of the model."""

import numpy as np
import pytest

from doe.window.folding import Terms, fold, shared_basis, well_scaled


@pytest.fixture
def cubic():
    """Powers of a polynomial with a cube, a product of three and a square times a product."""
    return np.array([[0, 0, 0], [1, 0, 0], [0, 2, 0], [3, 0, 0], [1, 1, 1], [0, 2, 1]])


def test_folded_polynomial_equals_the_polynomial_at_the_shifted_setting(cubic, rng):
    b = rng.standard_normal((50, len(cubic)))
    errors = 0.3 * rng.standard_normal((50, 3))
    errors[:, 2] = 0.0
    z = rng.uniform(-1, 1, (20, 3))
    basis = shared_basis([cubic], np.array([True, True, False]))
    folded = fold(basis, cubic, b, errors)
    for d in range(50):
        np.testing.assert_allclose(Terms(basis)(z) @ folded[d], Terms(cubic)(z + errors[d]) @ b[d], atol=1e-12)


def test_folded_polynomial_of_a_normalised_mixture(cubic, rng):
    b = rng.standard_normal((50, len(cubic)))
    errors = 0.1 * rng.standard_normal((50, 3))
    scale = 1.0 / (1.0 + errors.sum(axis=1, keepdims=True)) * np.ones(3)
    z = rng.dirichlet(np.ones(3), 20)
    basis = shared_basis([cubic], np.ones(3, dtype=bool))
    folded = fold(basis, cubic, b, errors, scale)
    for d in range(50):
        made = (z + errors[d]) / (z + errors[d]).sum(axis=1, keepdims=True)
        np.testing.assert_allclose(Terms(basis)(z) @ folded[d], Terms(cubic)(made) @ b[d], atol=1e-12)


def test_without_errors_the_basis_is_the_union_and_a_constant(cubic):
    other = np.array([[0, 0, 1], [1, 0, 0]])
    basis = shared_basis([cubic, other], np.zeros(3, dtype=bool))
    assert {tuple(r) for r in basis} == {tuple(r) for r in cubic} | {(0, 0, 1)}
    assert tuple(basis[0]) == (0, 0, 0)


def test_slopes_are_derivatives(cubic, rng):
    terms = Terms(cubic)
    z = rng.uniform(-1, 1, (10, 3))
    slopes = terms.slopes(z, [0, 2])
    for place, v in enumerate((0, 2)):
        step = np.zeros(3)
        step[v] = 1e-6
        np.testing.assert_allclose(slopes[:, place], (terms(z + step) - terms(z - step)) / 2e-6, atol=1e-8)


def test_scaling_a_narrow_mixture_loses_nothing_in_single_precision(rng):
    """Coefficients of about 1e4 that cancel to about 1, as in McLean & Anderson's flare (1966)."""
    exponents = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [1, 0, 1], [0, 1, 1]])
    z = np.array([0.96, 0.03, 0.01]) + 0.005 * rng.uniform(-1, 1, (200, 3))
    z[:, 0] = 1.0 - z[:, 1] - z[:, 2]
    terms = Terms(exponents)
    X = terms(z)
    b = np.linalg.lstsq(X, np.sin(300 * z[:, 1]), rcond=None)[0]
    assert np.abs(b).max() > 1e3
    onto, back = well_scaled(terms, z)
    exact = X @ b
    ours = (X @ onto).astype(np.float32) @ (back @ b).astype(np.float32)
    plain = X.astype(np.float32) @ b.astype(np.float32)
    assert np.abs(ours - exact).max() < 2e-6 * max(1.0, np.abs(exact).max()) * 5
    assert np.abs(ours - exact).max() < np.abs(plain - exact).max() / 20
