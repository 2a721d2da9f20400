"""How fast and how good the design search is; figures only, no assertion on time.

Run with `pytest tests/benchmarks/test_search.py`; `extra_info` (in --benchmark-json) holds the quality beside each time. The named
baseline is the best method and settings of pyDOE3's `optimal_design`: detmax and its kin with alpha = 1e-3 on a three-level grid
(with its default alpha = 0 it returns singular plans from five factors on).
"""

import subprocess
import sys
import time
from itertools import combinations

import numpy as np
import pytest

from doe.designs.search import chains
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


def box(k, n, **layout):
    powers = quadratic(k)
    return Problem(powers, Region.box(k), Layout(n, **layout), box_moments(powers))


def blend():
    low, high = np.array([0.05, 0.10, 0.0, 0.10]), np.array([0.50, 0.60, 0.40, 0.70])
    room = 1.0 - low.sum()
    region = Region(np.zeros(4), (high - low) / room, np.zeros((0, 4)), np.zeros(0), np.ones((1, 4)), np.array([1.0]))
    points = region.draw(4096, np.random.default_rng(0))
    X = Problem(scheffe(4), region, Layout(1)).rows(points)
    return Problem(scheffe(4), region, Layout(16), X.T @ X / len(X))


def blend_and_process():
    powers = np.array([np.r_[a, b] for a in scheffe(3) for b in ([0, 0], [1, 0], [0, 1], [1, 1])])
    region = Region(
        np.array([0, 0, 0, -1.0, -1.0]),
        np.ones(5),
        np.zeros((0, 5)),
        np.zeros(0),
        np.array([[1.0, 1, 1, 0, 0]]),
        np.array([1.0]),
    )
    X = Problem(powers, region, Layout(1)).rows(region.draw(4096, np.random.default_rng(0)))
    return Problem(powers, region, Layout(30), X.T @ X / len(X))


def split(hard=2, easy=2):
    return box(hard + easy, 24, whole_plot=np.repeat(np.arange(8), 3), eta_whole=1.0, hard=tuple(range(hard)))


# best values known: log|X'X| for D, average variance / σ² for I
BEST = {(3, "D"): 18.69594568, (3, "I"): 0.40649476, (5, "D"): 53.14525988, (5, "I"): 0.39790968}

# target in milliseconds for 100 starts on one thread
STARTS = {
    "3 factors, 14 runs, D": (lambda: box(3, 14), "D", 10),
    "3 factors, 14 runs, I": (lambda: box(3, 14), "I", 30),
    "5 factors, 26 runs, D": (lambda: box(5, 26), "D", 60),
    "5 factors, 26 runs, I": (lambda: box(5, 26), "I", 300),
    "7 factors, 44 runs, D": (lambda: box(7, 44), "D", 300),
    "7 factors, 44 runs, I": (lambda: box(7, 44), "I", 1900),
    "4 components, 16 runs, D": (blend, "D", 30),
    "4 components, 16 runs, I": (blend, "I", 145),
    "3 components x 2 factors, 30 runs, D": (blend_and_process, "D", 105),
    "3 components x 2 factors, 30 runs, I": (blend_and_process, "I", 900),
    "8 whole plots of 3, D": (split, "D", 345),
}


def hundred_starts(problem, criterion, seed=0):
    """100 random starts of one chain on one thread, each exchanged to its end or until it cannot reach the best."""
    kernel = chains.compiled_kernels()
    groups = problem.groups()
    pool = problem.pool(seed)
    n, m = problem.layout.n, problem.region.m
    table = chains.draws(np.random.default_rng(seed), 100, 100, groups, len(pool) // m, [False] * len(groups))
    shared = True if problem.shared() else None
    return kernel.explore(
        *problem.state((seed,)), pool, table, np.zeros(n * m), problem.repeats(), chains.CODES[criterion], -np.inf, 1e-6, 100, shared,
    )  # fmt: skip


@pytest.mark.parametrize("case", STARTS)
def test_hundred_starts(benchmark, case):
    make, criterion, target = STARTS[case]
    problem = make()
    hundred_starts(problem, criterion)
    value = benchmark.pedantic(lambda: hundred_starts(problem, criterion), rounds=5)
    benchmark.extra_info |= {"target_ms": target, "value": value}
    assert np.isfinite(value)


@pytest.mark.parametrize("k", [3, 5])
@pytest.mark.parametrize("criterion", ["D", "I"])
def test_time_to_the_quality_of_pydoe3(benchmark, k, criterion):
    """Median time of the search to reach what pyDOE3's best method reaches, and the ratio of the two times."""
    from pyDOE3 import doe_optimal

    n = 14 if k == 3 else 26
    grid = doe_optimal.generate_candidate_set(n_factors=k, n_levels=3)
    problem = box(k, n)
    best = (-np.inf, np.inf, "")
    for method in ("sequential", "simple_exchange", "fedorov", "modified_fedorov", "detmax"):
        taken = []
        for _ in range(9 if k == 3 else 1):
            begun = time.perf_counter()
            design, _ = doe_optimal.optimal_design(grid, n, 2, criterion, method, alpha=1e-3)
            taken.append(time.perf_counter() - begun)
        seconds = float(np.median(taken))
        X = problem.rows(np.asarray(design, dtype=float))
        M = X.T @ X
        sign, log = np.linalg.slogdet(M)
        if sign <= 0:
            continue
        value = log if criterion == "D" else -np.trace(np.linalg.solve(M, problem.moments))
        if value > best[0] + 1e-9:
            best = (value, seconds, method)
    # as the candidates above, tables and random numbers are made beforehand
    kernel, groups, pool, state = chains.compiled_kernels(), problem.groups(), problem.pool(0), problem.state()
    rounds = 200
    tables = [
        chains.draws(np.random.default_rng(seed), 2, 1000, groups, len(pool) // k, [False] * len(groups))
        for seed in range(rounds + 1)
    ]
    steps = []

    def until(seed):
        Z, times, value, step = np.zeros(n * k), problem.repeats(), -np.inf, 0
        while value < best[0] - 1e-9:
            value = kernel.explore(
                *state, pool, tables[seed][step : step + 1], Z, times, chains.CODES[criterion], value, 1e-3, 100, None
            )
            step += 1
        steps.append(step)

    until(rounds)
    seeds = iter(range(rounds))
    benchmark.pedantic(lambda: until(next(seeds)), rounds=rounds)
    efficiency = np.exp((best[0] - BEST[k, "D"]) / problem.p) if criterion == "D" else -BEST[k, "I"] / best[0]
    benchmark.extra_info |= {
        "pydoe3_method": best[2],
        "pydoe3_seconds": best[1],
        "pydoe3_efficiency": efficiency,
        "median_steps": float(np.median(steps)),
        "ratio": best[1] / benchmark.stats.stats.median,
    }


@pytest.mark.parametrize("case", [c for c in STARTS if "7 factors" in c or "5 factors" in c])
def test_quality_within_a_second_on_two_threads(benchmark, case):
    make, criterion, _ = STARTS[case]
    problem = make()
    found = benchmark.pedantic(
        lambda: chains.best_found(problem, criterion, max_seconds=1.0, n_jobs=2), rounds=1, warmup_rounds=0
    )
    long = chains.best_found(problem, criterion, starts=12, n_jobs=2, seed=1)
    best = max(found.value, long.value) if criterion == "D" else min(found.value, long.value)
    benchmark.extra_info |= {
        "efficiency": np.exp((found.value - best) / problem.p) if criterion == "D" else best / found.value,
        "rounds": found.rounds,
    }
    assert found.rounds >= 1


@pytest.mark.parametrize(("k", "n"), [(2, 8), (3, 14), (4, 20), (5, 26), (6, 34), (7, 44), (8, 54), (9, 66)])
def test_growth_of_one_start(benchmark, k, n):
    """Time a start against k and n: no worse than n k p² a pass."""
    problem = box(k, n)
    kernel, groups, pool = chains.compiled_kernels(), problem.groups(), problem.pool(0)
    table = chains.draws(np.random.default_rng(0), 10, 10, groups, len(pool) // k, [False] * len(groups))
    value = benchmark.pedantic(
        lambda: kernel.explore(
            *problem.state((0,)), pool, table, np.zeros(n * k), problem.repeats(), 0, -np.inf, 1e-6, 100, None
        ),
        rounds=5,
    )
    p = problem.p
    benchmark.extra_info |= {"nanoseconds_a_start_over_nkp2": 1e8 * benchmark.stats.stats.median / (n * k * p * p)}
    assert np.isfinite(value)


FIRST = """
import doe
study = doe.Study("s", [doe.Continuous(c, 0, 1) for c in "abc"], [doe.Response("y")])
doe.designs.optimal(study, "quadratic", 14)
"""


@pytest.mark.parametrize("cache", ["cold", "warm"])
def test_first_plan_of_a_process(benchmark, cache, tmp_path):
    import os

    where = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}

    def first():
        subprocess.run([sys.executable, "-c", FIRST], env=where, check=True, capture_output=True)

    if cache == "warm":
        first()
    benchmark.pedantic(first, rounds=1 if cache == "cold" else 3)
