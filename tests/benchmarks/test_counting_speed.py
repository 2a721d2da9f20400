"""Counting chances beside the bare float32 product of the same size (NumPy's BLAS) in the same run; figures only, no assertion on time.

`extra_info` (in --benchmark-json) and the printed line hold the median times and their ratio: below 1 the whole count, products and
comparisons, takes less time than the product alone. Both use the threads that OMP_NUM_THREADS allows.
"""

import tracemalloc
from time import perf_counter

import numpy as np
import pytest

from doe.window.chance import Draws
from doe.window.counting import Tally, line_counts, point_counts, smoothed, threads
from doe.window.folding import Terms, shared_basis, well_scaled

K, R, DRAWS = 4, 3, 2000
REPEATS = 15


@pytest.fixture(scope="module")
def problem():
    """Three quadratic responses in four factors, a good part of the region inside."""
    rng = np.random.default_rng(7)
    eye = np.eye(K, dtype=np.int64)
    pairs = [eye[i] + eye[j] for i in range(K) for j in range(i, K)]
    terms = Terms(shared_basis([np.array([np.zeros(K, dtype=np.int64), *eye, *pairs])], np.zeros(K, dtype=bool)))
    onto, back = well_scaled(terms, rng.uniform(-1, 1, (400, K)))
    mean = rng.normal(0, 0.4, (R, len(terms.basis), 1))
    c = np.stack([back @ one for one in mean + rng.normal(0, 0.08, (R, len(terms.basis), DRAWS))])
    return terms, onto, Draws(c.astype(np.float32), np.array([True, False, True]), np.ones(R), float(DRAWS))


def compared(benchmark, job, settings, draws, q=15):
    """Time a job and the product in turn, so that both meet the same load."""
    rng = np.random.default_rng(0)
    T = rng.standard_normal((settings, q)).astype(np.float32)
    out = np.empty((settings, draws.draws), dtype=np.float32)

    def product():
        for j in range(len(draws.coefficients)):
            np.matmul(T, draws.coefficients[j], out=out)

    ours, bare = [], []
    job()
    product()
    for _ in range(REPEATS):
        for work, times in ((job, ours), (product, bare)):
            start = perf_counter()
            work()
            times.append(perf_counter() - start)
    ratio = float(np.median(ours) / np.median(bare))
    benchmark.extra_info.update(
        ours_ms=1e3 * np.median(ours), product_ms=1e3 * np.median(bare), ratio=ratio, threads=threads()
    )
    print(
        f"\n{benchmark.name}: {1e3 * np.median(ours):.1f} ms (best {1e3 * min(ours):.1f}), product alone {1e3 * np.median(bare):.1f} ms "
        f"(best {1e3 * min(bare):.1f}), ratio {ratio:.2f}, {threads()} threads"
    )
    benchmark.pedantic(job, rounds=3)


def grid(points, axes):
    return np.stack([g.ravel() for g in np.meshgrid(*[np.linspace(-1, 1, points)] * axes, indexing="ij")], axis=1)


def test_slice_of_101_by_101(benchmark, problem):
    terms, onto, draws = problem
    Z = np.column_stack([np.full((101 * 101, K - 2), 0.1), grid(101, 2)])
    compared(benchmark, lambda: Tally(Z, terms, onto).add(draws).counts, len(Z), draws)


def test_slice_along_its_lines_alone(benchmark, problem):
    """Without finding the lines and their polynomials."""
    _, _, draws = problem
    lines = np.random.default_rng(1).normal(0, 0.5, (101, 3, 15))
    start, t = np.arange(102) * 101, np.tile(np.linspace(-1, 1, 101), 101)
    compared(benchmark, lambda: line_counts(lines, start, t, draws), 101 * 101, draws)


def test_20000_scattered_settings(benchmark, problem):
    terms, onto, draws = problem
    Z = np.random.default_rng(2).uniform(-1, 1, (20_000, K))
    compared(benchmark, lambda: Tally(Z, terms, onto).add(draws).counts, len(Z), draws)


def test_20000_scattered_settings_where_nothing_can_be_left_out(benchmark, problem):
    """Every response is looked at for every setting and draw: all of them nearly always inside."""
    _, _, draws = problem
    T = np.random.default_rng(2).normal(0, 0.02, (20_000, 15))
    easy = Draws(draws.coefficients, np.ones(R, dtype=bool), draws.spread, draws.effective)
    compared(benchmark, lambda: point_counts(T, easy), len(T), easy)


def test_full_grid_of_41_in_four_factors(benchmark, problem):
    terms, onto, draws = problem
    Z = grid(41, K)
    assert len(benchmark.pedantic(lambda: Tally(Z, terms, onto).add(draws).counts, rounds=3)) == 41**4


def test_many_draws_bit_by_bit(benchmark, problem):
    """A hundred thousand settings, draws in batches: what is held does not grow with their number."""
    terms, onto, draws = problem
    Z = np.random.default_rng(3).uniform(-1, 1, (100_000, K))
    tracemalloc.start()

    def job():
        tally = Tally(Z, terms, onto)
        for _ in range(5):
            tally.add(draws)
        return tally

    assert benchmark.pedantic(job, rounds=1).draws == 5 * DRAWS
    benchmark.extra_info["most_held_MB"] = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()


def test_stand_in_with_slope_at_one_setting(benchmark, problem):
    """4,000 draws, as a climb asks for it again and again."""
    _, _, draws = problem
    twice = Draws(np.tile(draws.coefficients, (1, 1, 2)), draws.two_sided, draws.spread, 4000.0)
    T = np.random.default_rng(4).normal(0, 0.5, (1, 15))
    benchmark(smoothed, T, twice, 0.5)
