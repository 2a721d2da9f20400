"""Compiled counting against its plain NumPy reference, and against products in double precision."""

from dataclasses import replace

import numpy as np
import pytest

from doe.window.chance import Draws, inside_counts, smooth_chance
from doe.window.counting import (
    HELD,
    SHARED,
    SHORT,
    Tally,
    line_counts,
    lines_of,
    point_counts,
    smoothed,
    threads,
)
from doe.window.folding import Terms, shared_basis, well_scaled
from doe.window.kernels import WIDE

# places where a draw lies on a limit to single precision: the order of additions decides on which side it falls
ROUNDING = 1e-5


def draws_of(rng, q, draws=700, two_sided=(True, False, True)):
    size = np.array([1.0, 0.3, 2.0])[: len(two_sided), None, None] / np.sqrt(q)
    c = (rng.standard_normal((len(two_sided), q, draws)) * size).astype(np.float32)
    return Draws(c, np.array(two_sided), np.ones(len(two_sided)), float(draws))


def bounds(terms, draws, each=False):
    """The counts in double precision with limits a little narrower, and a little wider."""
    z = np.einsum("nq,rqd->nrd", np.asarray(terms, dtype=float), draws.coefficients.astype(float))
    # positive outside, by response
    beyond = np.where(draws.two_sided[None, :, None], np.abs(z) - 1.0, z)
    found = []
    for slack in (-ROUNDING, ROUNDING):
        meets = beyond <= slack
        found.append(meets.sum(axis=2) if each else meets.all(axis=1).sum(axis=1)[:, None])
    return found


def quadratic(k):
    rows = [[0] * k]
    rows += [list(row) for row in np.eye(k, dtype=int)]
    rows += [list(np.eye(k, dtype=int)[i] + np.eye(k, dtype=int)[j]) for i in range(k) for j in range(i, k)]
    return Terms(shared_basis([np.array(rows)], np.zeros(k, dtype=bool)))


@pytest.mark.parametrize("q", [1, 2, 3, 4, 7, 8, 9, 12, 15, 16, 21, 28, 36, 40])
@pytest.mark.parametrize("two_sided", [(True,), (False,), (True, False, True)])
def test_scattered_settings_are_counted_as_by_the_reference(rng, q, two_sided):
    draws = draws_of(rng, q, 2 * WIDE + 77, two_sided)
    terms = rng.standard_normal((83, q)).astype(np.float32)
    for each in (False, True):
        found = point_counts(terms, draws, each)
        low, high = bounds(terms, draws, each)
        assert (low <= found).all()
        assert (found <= high).all()
        assert 0.02 < found.mean() / draws.draws < 0.98
        assert np.abs(found - inside_counts(terms, draws, each)).max() <= (high - low).max()


def test_where_limits_are_hit_exactly_they_are_met():
    """Products without rounding: whole numbers and quarters."""
    c = np.array([[[1.0, 1.25, -1.0, 0.0], [0.0, 0.0, 0.0, 0.0]], [[0.0, -1.0, 0.0, 0.25], [0.0, 0.0, 0.0, 0.0]]])
    draws = Draws(c.astype(np.float32), np.array([True, False]), np.ones(2), 4.0)
    terms = np.array([[1.0, 0.5]])
    assert point_counts(terms, draws).tolist() == inside_counts(terms.astype(np.float32), draws).tolist() == [[2]]
    assert point_counts(terms, draws, each=True).tolist() == [[3, 3]]


def test_one_limit_lets_through_whatever_lies_far_below_it():
    draws = Draws(np.full((1, 2, 9), -1e30, dtype=np.float32), np.array([False]), np.ones(1), 9.0)
    assert point_counts(np.ones((1, 2)), draws).tolist() == [[9]]
    assert point_counts(-np.ones((1, 2)), draws).tolist() == [[0]]


def test_a_coefficient_that_is_no_number_meets_nothing():
    c = np.zeros((1, 2, 5), dtype=np.float32)
    c[0, 1, 3] = np.nan
    draws = Draws(c, np.array([True]), np.ones(1), 5.0)
    assert point_counts(np.ones((1, 2)), draws).tolist() == [[4]]


def test_responses_that_often_fail_come_first_and_change_nothing(rng):
    draws = draws_of(rng, 6, 900)
    hard = replace(draws, coefficients=draws.coefficients * np.float32([1, 1, 40])[:, None, None])
    terms = rng.standard_normal((3000, 6)).astype(np.float32)
    low, high = bounds(terms, hard)
    found = point_counts(terms, hard)
    assert (low <= found).all()
    assert (found <= high).all()
    assert (found == 0).any()


@pytest.mark.parametrize("order", [2, 3, 4])
def test_lines_are_counted_as_their_settings(rng, order):
    q, length = 12, 41
    draws = draws_of(rng, q, WIDE + 33)
    lines = rng.standard_normal((7, order + 1, q)).astype(np.float32)
    t = np.tile(np.linspace(-1, 1, length).astype(np.float32), 7)
    powers = t[:length, None].astype(float) ** np.arange(order + 1)
    terms = np.einsum("ta,laq->ltq", powers, lines).reshape(-1, q)
    for each in (False, True):
        found = line_counts(lines, np.arange(8) * length, t, draws, each)
        low, high = bounds(terms, draws, each)
        assert (low <= found).all()
        assert (found <= high).all()
        assert (high - low).sum() < 1e-3 * found.sum()


@pytest.mark.parametrize("workers", [2, 3, 5])
def test_threads_change_nothing(rng, workers):
    draws = draws_of(rng, 15, 2000)
    terms = rng.standard_normal((1 + SHARED // (1000 * 15), 15))
    assert terms.size * 6000 > SHARED
    np.testing.assert_array_equal(point_counts(terms, draws, workers=workers), point_counts(terms, draws, workers=1))
    lines, start, t = terms[:30].reshape(10, 3, 15), np.arange(11) * 101, np.tile(np.linspace(-1, 1, 101), 10)
    many = line_counts(lines, start, t, draws, workers=workers)
    np.testing.assert_array_equal(many, line_counts(lines, start, t, draws, workers=1))
    for one, other in zip(
        smoothed(terms[:300], draws, 0.5, workers=workers), smoothed(terms[:300], draws, 0.5, workers=1), strict=True
    ):
        np.testing.assert_array_equal(one, other)


def test_the_number_of_threads_heeds_the_environment(monkeypatch):
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(6)), raising=False)
    for name in ("OMP_NUM_THREADS", "NUMBA_NUM_THREADS"):
        monkeypatch.delenv(name, raising=False)
    assert threads() == 6
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    assert threads() == 3
    monkeypatch.setenv("NUMBA_NUM_THREADS", "1")
    assert threads() == 1
    monkeypatch.setenv("NUMBA_NUM_THREADS", "many")
    assert threads() == 3


# ---- straight lines among settings


def grid(*lines):
    return np.stack([g.ravel() for g in np.meshgrid(*lines, indexing="ij")], axis=1)


def test_every_row_of_a_grid_is_a_line():
    Z = grid(np.linspace(-1, 1, 5), np.linspace(-1, 1, 4), np.linspace(-1, 1, 30))
    found = lines_of(Z)
    assert len(found.start) - 1 == 20
    assert not len(found.scattered)
    np.testing.assert_allclose(found.t.reshape(20, 30), np.tile(np.linspace(-1, 1, 30), (20, 1)), atol=1e-15)
    which = np.repeat(np.arange(20), 30)
    np.testing.assert_allclose(found.centre[which] + found.t[:, None] * found.half[which], Z[found.rows], atol=1e-15)


def test_settings_in_no_order_are_on_no_line(rng):
    Z = rng.uniform(-1, 1, (400, 3))
    found = lines_of(Z)
    np.testing.assert_array_equal(found.scattered, np.arange(400))
    assert not len(found.rows)


def test_repeats_turns_and_bends_break_a_line(rng):
    onward, back = np.linspace(0, 1, 20)[:, None] * [1.0, 2.0], np.linspace(1, 0.2, 20)[:, None] * [1.0, 2.0]
    bow = np.column_stack([np.linspace(0, 1, 20), np.linspace(0, 1, 20) ** 2])
    assert len(lines_of(np.vstack([onward, back])).start) - 1 == 2
    bent = lines_of(bow)
    np.testing.assert_array_equal(bent.scattered, np.arange(20))
    same = lines_of(np.zeros((20, 2)))
    np.testing.assert_array_equal(same.scattered, np.arange(20))
    # a bow so slight that each triple looks straight, yet off the chord by more than single precision
    slight = np.column_stack([np.linspace(0, 1, 2001), 1e-6 * np.linspace(0, 1, 2001) ** 2])
    np.testing.assert_array_equal(lines_of(slight).scattered, np.arange(2001))


def test_a_shared_corner_belongs_to_one_line_only():
    Z = np.vstack([np.linspace([0, 0], [1, 0], 12), np.linspace([1, 0], [1, 1], 12)[1:]])
    found = lines_of(Z)
    assert sorted([*found.rows, *found.scattered]) == list(range(23))
    assert len(found.start) - 1 == 2


def test_fewer_settings_than_make_a_line_are_scattered():
    Z = np.linspace([0.0, 0.0], [1.0, 1.0], SHORT - 1)
    assert len(lines_of(Z).scattered) == SHORT - 1
    assert len(lines_of(np.linspace([0.0, 0.0], [1.0, 1.0], SHORT)).rows) == SHORT


# ---- any settings


def folded(rng, terms, Z, draws=600, r=2):
    """Draws over well-scaled terms whose values at the settings are about a quarter inside."""
    onto, back = well_scaled(terms, Z)
    q = len(terms.basis)
    natural = rng.standard_normal((r, q, draws))
    c = np.stack([back @ one for one in natural])
    size = np.median(np.abs(np.einsum("nq,rqd->rnd", terms(Z[:50]) @ onto, c)), axis=(1, 2))
    c /= size[:, None, None]
    return onto, Draws(c.astype(np.float32), np.array([True, False][:r]), np.ones(r), float(draws))


def test_a_mixed_table_of_lines_and_other_settings(rng):
    terms = quadratic(4)
    Z = np.vstack([grid([0.2], [-0.3], np.linspace(-1, 1, 9), np.linspace(-1, 1, 21)), rng.uniform(-1, 1, (150, 4))])
    Z = Z[np.r_[0:60, 189:250, 60:189, 250:339]]
    onto, draws = folded(rng, terms, rng.uniform(-1, 1, (300, 4)))
    for each in (False, True):
        found = Tally(Z, terms, onto, each).add(draws).counts
        low, high = bounds(terms(Z) @ onto, draws, each)
        assert (low <= found).all()
        assert (found <= high).all()
        assert found.std() > 10


def test_draws_may_come_bit_by_bit(rng):
    terms = quadratic(3)
    Z = np.vstack([rng.uniform(-1, 1, (70, 3)), grid([0.1], np.linspace(-1, 1, 7), np.linspace(-1, 1, 31))])
    onto, draws = folded(rng, terms, Z)
    whole = Tally(Z, terms, onto).add(draws)
    bits = Tally(Z, terms, onto)
    for first in range(0, 600, 130):
        bits.add(draws.part(first, first + 130))
    assert bits.draws == whole.draws == 600
    np.testing.assert_array_equal(bits.counts, whole.counts)
    with pytest.raises(ValueError, match="no draws were added"):
        Tally(Z, terms, onto).counts  # noqa: B018


def test_settings_beyond_one_block(rng):
    terms = quadratic(2)
    Z = rng.uniform(-1, 1, (HELD + 500, 2))
    onto, draws = folded(rng, terms, Z, draws=40)
    found = Tally(Z, terms, onto).add(draws).counts
    low, high = bounds(terms(Z) @ onto, draws)
    assert (low <= found).all()
    assert (found <= high).all()


def test_narrow_mixtures_keep_their_accuracy(rng):
    """Shares that vary by two thousandths: in plain terms the coefficients would be some millions, of opposite sign."""
    base = np.array([0.90, 0.06, 0.04])
    q3 = [[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [1, 0, 1], [0, 1, 1]]
    terms = Terms(shared_basis([np.array(q3)], np.zeros(3, dtype=bool)))
    a, b = (g.ravel() for g in np.meshgrid(np.linspace(-1e-3, 1e-3, 31), np.linspace(-1e-3, 1e-3, 31)))
    Z = base + np.column_stack([-a - b, a, b])
    onto, back = well_scaled(terms, Z)
    # a response that varies by about one over the region, given by its value, slopes and curvatures there
    local = rng.standard_normal((500, 3)) * 0.3
    value = local[:, :1] + local[:, 1:2] * (a / 1e-3) + local[:, 2:] * (b / 1e-3) + 0.4 * (a * b / 1e-6) - 0.2
    exact = terms(Z)
    natural = np.linalg.lstsq(exact, value.T, rcond=None)[0]
    assert np.abs(natural).max() > 1e5
    draws = Draws((back @ natural)[None].astype(np.float32), np.array([True]), np.ones(1), 500.0)
    found = Tally(Z, terms, onto).add(draws).counts[:, 0]
    below, above = ((np.abs(value) <= 1.0 + slack).sum(axis=0) for slack in (-2e-5, 2e-5))
    assert (below <= found).all()
    assert (found <= above).all()
    assert (above - below).sum() < 5e-4 * found.sum()


# ---- the smooth stand-in


@pytest.mark.parametrize("q", [2, 6, 15, 40])
@pytest.mark.parametrize("width", [0.05, 0.5, 3.0])
def test_the_stand_in_is_that_of_the_reference(rng, q, width):
    draws = draws_of(rng, q, WIDE + 40)
    terms = rng.standard_normal((25, q)).astype(np.float32)
    value, slope = smoothed(terms, draws, width)
    reference, by_terms = smooth_chance(terms, draws, width)
    np.testing.assert_allclose(value, reference, atol=2e-6)
    np.testing.assert_allclose(slope, by_terms, atol=3e-6 / width)
    bare, none = smoothed(terms, draws, width, slope=False)
    np.testing.assert_array_equal(bare, value)
    assert none.shape == (25, q)
    assert not none.any()


def test_a_stand_in_far_from_its_limits_is_nothing_or_one():
    c = np.array([[[1e4, -1e4, 0.0]]], dtype=np.float32)
    for two_sided, expected in ((True, 1 / 3), (False, 1.5 / 3)):
        draws = Draws(c, np.array([two_sided]), np.ones(1), 3.0)
        value, slope = smoothed(np.ones((1, 1)), draws, 1e-3)
        assert value[0] == pytest.approx(expected, abs=1e-6)
        assert np.isfinite(slope).all()


def test_settings_of_few_directions_keep_their_counts(rng):
    """Two of four factors held: scattered settings whose terms have a lower rank than their number."""
    terms = quadratic(4)
    onto, draws = folded(rng, terms, rng.uniform(-1, 1, (300, 4)))
    Z = np.column_stack([rng.uniform(-1, 1, (400, 2)), np.full(400, 0.3), np.full(400, -0.5)])
    values = terms(Z) @ onto
    assert np.linalg.matrix_rank(values) < len(terms.basis)
    low, high = bounds(values, draws)
    found = Tally(Z, terms, onto).add(draws).counts
    assert (low <= found).all()
    assert (found <= high).all()
    assert found.std() > 10


def test_a_part_of_the_draws_is_worth_its_share(rng):
    draws = draws_of(rng, 3, 100)
    some = draws.part(10, 35)
    assert some.draws == 25
    assert some.effective == pytest.approx(25.0)
    np.testing.assert_array_equal(some.coefficients, draws.coefficients[:, :, 10:35])
    assert draws.part(0, 500) is draws


def test_a_setting_counts_the_same_whatever_lies_beside_it(rng):
    """Settings are taken in pairs; the last one of an odd number has no neighbour."""
    draws, terms = draws_of(rng, 15), rng.normal(0, 0.5, (9, 15))
    for each in (False, True):
        whole = point_counts(terms, draws, each)
        assert 0 < whole.sum() < whole.size * draws.draws
        for n in range(1, 9):
            np.testing.assert_array_equal(point_counts(terms[:n], draws, each), whole[:n])
            np.testing.assert_array_equal(point_counts(terms[n:], draws, each), whole[n:])
