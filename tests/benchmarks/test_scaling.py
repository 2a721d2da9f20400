"""Strong scaling on the cores there are: the same work by one process and by several, in one run, and what a task costs beside its own work.

Run with: pytest -o addopts= tests/benchmarks/test_scaling.py -s
"""

import os
import time

import joblib
import numpy as np
import pytest

import doe
from doe.study.workers import in_order

CORES = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
STUDY = doe.Study("gel", [doe.Continuous(name, 0, 1) for name in "abcd"], [doe.Response("y", low=8.5, high=10.0)])


def seconds(work):
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def idle(i):
    return i


def said(what, one, several, tasks):
    each = 1e3 * one / tasks
    print(
        f"\n{what}: {one:.1f} s by one process, {several:.1f} s by {CORES}: {one / several:.2f} times as fast; {each:.0f} ms a task, {tasks} tasks"
    )


@pytest.fixture(scope="module", autouse=True)
def started():
    """Workers that are there, with everything imported: a long run pays for that once."""
    plan = doe.designs.box_behnken(STUDY, centre=3)
    doe.rehearse(plan, {"y": {"1": 9.0}}, 0.2, n=4, draws=500, n_jobs=CORES)
    return plan


def test_rehearsals(started):
    n = 60

    def by(jobs):
        return seconds(lambda: doe.rehearse(started, {"y": {"1": 9.0, "a": 0.4}}, 0.2, n=n, draws=1000, n_jobs=jobs))

    said("rehearsals with a window", by(1), by(CORES), n)


def test_sizes_of_a_plan():
    """Workers search several sizes at once; what they search beyond the answer is the price."""

    def by(jobs):
        with joblib.parallel_config(backend="loky", n_jobs=jobs):
            return seconds(lambda: doe.quality.smallest_plan(STUDY, "quadratic", 1.0, change=2.0, runs=(20, 40)))

    said("the fewest batches", by(1), by(CORES), 1)


def test_a_million_draws_of_many_settings():
    plan = doe.designs.box_behnken(STUDY, centre=3)
    rng = np.random.default_rng(1)
    frame = plan.runs.assign(y=9.2 + 0.4 * plan.runs["a"] + rng.normal(0, 0.2, len(plan.runs)))
    window = doe.find_window(doe.fit_all(STUDY, frame), draws=1_000_000)
    settings = STUDY.region.sample(20_000, seed=1)

    def by(jobs):
        os.environ["OMP_NUM_THREADS"] = "1"  # a process a core, not a thread
        with joblib.parallel_config(backend="loky", n_jobs=jobs):
            return seconds(lambda: window.probability(settings))

    said("a million draws of 20,000 settings", by(1), by(CORES), 16)


def test_what_a_task_costs_beside_its_work():
    n = 400
    in_order("idle", idle, range(n), CORES)
    took = seconds(lambda: in_order("idle", idle, range(n), CORES))
    print(f"\nan empty task: {1e3 * took / n:.2f} ms, sent and taken back")
