"""Counting and its smooth stand-in, on arrays."""

import numpy as np
import pytest

from doe.window.chance import (
    PRODUCT,
    WIDE,
    Draws,
    chance_and_error,
    condensed,
    inside_counts,
    smooth_chance,
    standardised,
)


def draws_of(rng, r=3, q=4, draws=700, two_sided=(True, False, True)):
    c = rng.standard_normal((r, q, draws)).astype(np.float32)
    return Draws(c, np.array(two_sided), np.ones(r), float(draws))


def plainly(terms, draws):
    z = np.einsum("nq,rqd->nrd", terms, draws.coefficients)
    return np.where(draws.two_sided[None, :, None], np.abs(z) <= 1, z <= 0)


def test_counts_are_those_of_the_whole_array(rng):
    draws = draws_of(rng)
    terms = rng.standard_normal((301, 4)).astype(np.float32)
    meets = plainly(terms, draws)
    np.testing.assert_array_equal(inside_counts(terms, draws)[:, 0], meets.all(axis=1).sum(axis=1))
    np.testing.assert_array_equal(inside_counts(terms, draws, each=True), meets.sum(axis=2))


def test_counts_in_several_blocks_of_draws(rng):
    draws = draws_of(rng, r=2, q=2, draws=10_001, two_sided=(True, False))
    terms = rng.standard_normal((PRODUCT // (2 * WIDE) + 3, 2)).astype(np.float32)
    np.testing.assert_array_equal(inside_counts(terms, draws)[:, 0], plainly(terms, draws).all(axis=1).sum(axis=1))


def test_limits_on_either_side_and_on_both(rng):
    folded = [rng.standard_normal((50, 3)) for _ in range(3)]
    low, high = np.array([-0.5, -np.inf, 0.2]), np.array([0.7, 0.4, np.inf])
    draws = standardised(folded, low, high, np.ones(3), 50.0, np.eye(3))
    terms = np.column_stack([np.ones(40), rng.standard_normal((40, 2))])
    values = np.stack([terms @ c.T for c in folded], axis=1)
    inside = (values >= low[:, None]) & (values <= high[:, None])
    np.testing.assert_array_equal(inside_counts(terms.astype(np.float32), draws)[:, 0], inside.all(axis=1).sum(axis=1))


def test_settings_that_vary_in_few_directions_are_counted_the_same(rng):
    """As on a map of two factors: 200 settings in a plane of four terms."""
    draws = draws_of(rng)
    terms = rng.standard_normal((200, 2)) @ rng.standard_normal((2, 4))
    fewer, coefficients = condensed(terms, draws)
    assert fewer.shape == (200, 2)
    assert coefficients.coefficients.shape == (3, 2, 700)
    found = inside_counts(fewer.astype(np.float32), coefficients)
    # a draw that lies on a limit to single precision may fall to either side
    assert np.abs(found - inside_counts(terms.astype(np.float32), draws)).max() <= 1
    whole = rng.standard_normal((200, 4))
    assert condensed(whole, draws)[1] is draws


def test_error_of_a_chance_of_one_is_not_zero(rng):
    draws = draws_of(rng, draws=1000)
    value, error = chance_and_error(np.array([0, 500, 1000]), draws)
    assert list(value) == [0.0, 0.5, 1.0]
    assert error[1] == pytest.approx(np.sqrt(0.25 / 1000), rel=1e-3)
    assert error[[0, 2]] == pytest.approx(1e-3, rel=0.01)


def test_smooth_chance_tends_to_the_count(rng):
    draws = draws_of(rng)
    terms = rng.standard_normal((30, 4)).astype(np.float32)
    sharp, _ = smooth_chance(terms, draws, 1e-4)
    np.testing.assert_allclose(sharp, inside_counts(terms, draws)[:, 0] / 700, atol=2e-3)


def test_smooth_slope_is_its_derivative(rng):
    draws = draws_of(rng)
    terms = rng.standard_normal((20, 4)).astype(np.float32)
    _, slope = smooth_chance(terms, draws, 0.5)
    for q in range(4):
        step = np.zeros(4, dtype=np.float32)
        step[q] = 1 / 256
        up, down = (smooth_chance(terms + s * step, draws, 0.5)[0] for s in (1, -1))
        np.testing.assert_allclose(slope[:, q], (up - down) * 128, atol=2e-4)
