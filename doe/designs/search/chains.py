"""Many searches side by side: a fixed work list of iterated local searches, the same answer for any number of workers.

Four chains run at once. A chain makes a few random starts, keeps the best, then again and again draws one to four of its
runs anew and exchanges, keeping what is better (iterated local search; Lourenço, Martin & Stützle 2003). When it has
gained nothing for long enough it has ended; what it reached is noted and it starts afresh from other random numbers. The
search stops when the same best value has been reached by three ended searches, or when a counted number of steps is done.
Every random number is keyed by (seed, chain, round), so neither the clock nor the number of workers has a say.

A chain's way does not depend on the others: threads walk it round by round, workers elsewhere some rounds ahead, and what was walked
beyond the round in which the search stops is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from time import monotonic
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from doe.designs.search.problem import Ints, Problem, Reals
from doe.study.kernel_cache import load
from doe.study.workers import in_order, offered

CHAINS = 4
STEPS_A_ROUND = 25
RANDOM_STARTS = 10
HITS = 3
AHEAD = (
    4,
    64,
)  # rounds that a worker elsewhere goes at once: the first time, then twice as many each time up to the most
CODES = {"D": 0, "I": 1, "A": 1}


def compiled_kernels() -> ModuleType:
    """The compiled kernels; compiled once a machine (said on standard error), from then on loaded from the cache."""
    return load("doe.designs.search.kernels", "visit_run", "the design search")


@dataclass(frozen=True)
class Found:
    """The best plan of a search.

    Attributes
    ----------
    Z : ndarray, shape (n, m)
        Settings of the runs.
    repeats : ndarray of int, shape (n,)
        How often each is made.
    value : float
        log|M| for D; trace(M^-1 B) for I and A.
    rounds : int
        Rounds done: `rounds=` replays them.
    ended : int
        Searches that ran until nothing was gained for long.
    hits : int
        How many of them reached the best value.
    """

    Z: Reals
    repeats: Ints
    value: float
    rounds: int
    ended: int
    hits: int


@dataclass
class _Chain:
    """One of the searches side by side."""

    index: int
    state: tuple[Ints, Reals]
    Z: Reals
    repeats: Ints
    value: float = -np.inf
    fresh: bool = True
    idle: int = 0


@dataclass(frozen=True)
class _Step:
    """A chain after one round: its value, its plan where it is the best that the chain has had, and whether a search has ended."""

    value: float
    plan: tuple[Reals, Ints] | None
    ended: bool


def draws(
    rng: np.random.Generator, starts: int, steps: int, groups: list[list[int]], points: int, held: Sequence[bool]
) -> NDArray[np.int64]:
    """What each step draws anew: (steps, groups) indices into the pool, −1 to keep, −2 − i to shake run i alone.

    A held group has runs that stay as given: its shared settings stay too, so the others are only shaken (index `points`).
    """
    table = np.full((steps, len(groups)), -1, dtype=np.int64)
    table[:starts] = rng.integers(points, size=(min(starts, steps), len(groups)))
    for step in range(starts, steps):
        count = min(int(rng.integers(1, 5)), len(groups))
        for g in rng.choice(len(groups), size=count, replace=False):
            shake = len(groups[g]) > 1 and rng.random() < 0.6
            table[step, g] = -2 - groups[g][int(rng.integers(len(groups[g])))] if shake else rng.integers(points)
    for g in np.flatnonzero(held):
        table[table[:, g] >= 0, g] = points
    return table


@dataclass(frozen=True)
class _Walk:
    """How a chain goes on: what does not change from round to round."""

    problem: Problem
    code: int
    seed: int
    patience: int

    @cached_property
    def pool(self) -> Reals:
        return self.problem.pool(self.seed)

    @cached_property
    def groups(self) -> list[list[int]]:
        return self.problem.groups()

    @cached_property
    def held(self) -> list[bool]:
        frozen = self.problem.layout.frozen
        return [frozen is not None and bool(frozen[runs].any()) for runs in self.groups]

    @cached_property
    def shared(self) -> bool | None:
        return True if self.problem.shared() else None

    def begun(self) -> list[_Chain]:
        problem = self.problem
        n, m = problem.layout.n, problem.region.m
        given = np.zeros((n, m)) if problem.layout.given is None else problem.layout.given
        return [
            _Chain(c, problem.state((self.seed, c)), np.array(given, dtype=float).ravel(), problem.repeats())
            for c in range(CHAINS)
        ]

    def advance(self, chain: _Chain, number: int) -> None:
        """One round of a chain."""
        problem = self.problem
        rng = np.random.default_rng([self.seed, chain.index, number])
        if chain.fresh:
            chain.value, chain.idle, chain.repeats = -np.inf, 0, problem.repeats()
        points = len(self.pool) // problem.region.m
        table = draws(rng, RANDOM_STARTS if chain.fresh else 0, STEPS_A_ROUND, self.groups, points, self.held)
        before, chain.fresh = chain.value, False
        chain.value = compiled_kernels().explore(
            *chain.state, self.pool, table, chain.Z, chain.repeats, self.code, before, 1e-6, 100, self.shared
        )
        gained = chain.value > before + 1e-7 * max(abs(chain.value), 1.0)
        chain.idle = 0 if gained else chain.idle + STEPS_A_ROUND
        chain.fresh = chain.idle >= self.patience

    def __call__(self, task: tuple[_Chain, float, int, int]) -> tuple[_Chain, float, list[_Step]]:
        """Some rounds of a chain in a worker elsewhere; the best value that the chain has had goes with it."""
        chain, best, first, count = task
        steps = []
        for number in range(first, first + count):
            self.advance(chain, number)
            better = chain.value > best
            best = max(best, chain.value)
            steps.append(_Step(chain.value, (chain.Z.copy(), chain.repeats.copy()) if better else None, chain.fresh))
        return chain, best, steps

    def near(self, workers: ThreadPoolExecutor | None) -> Iterator[list[list[_Step]]]:
        """Round by round in this process: a list of one round, a step a chain."""
        chains, number = self.begun(), 0
        while True:
            if workers is None:
                for chain in chains:
                    self.advance(chain, number)
            else:
                list(workers.map(self.advance, chains, [number] * CHAINS))
            number += 1
            yield [[_Step(c.value, (c.Z, c.repeats), c.fresh) for c in chains]]

    def far(self, n_jobs: int, rounds: int | None) -> Iterator[list[list[_Step]]]:
        """Several rounds at once in workers elsewhere."""
        at: list[tuple[_Chain, float]] = [(chain, -np.inf) for chain in self.begun()]
        number, count = 0, AHEAD[0]
        while True:
            if rounds is not None:
                count = min(count, rounds - number)
            found = in_order("optimal", self, [(chain, best, number, count) for chain, best in at], n_jobs)
            at = [(chain, best) for chain, best, _ in found]
            number, count = number + count, min(2 * count, AHEAD[1])
            yield [list(steps) for steps in zip(*(steps for _, _, steps in found), strict=True)]


def best_found(
    problem: Problem,
    criterion: str,
    starts: int | None = None,
    max_seconds: float | None = None,
    rounds: int | None = None,
    seed: int = 0,
    n_jobs: int = 1,
    progress: Callable[[int, float], None] | None = None,
) -> Found:
    """The best exact plan found.

    Parameters
    ----------
    problem : Problem
    criterion : {"D", "I", "A"}
        D maximises log|M|; I and A minimise trace(M^-1 B) with the problem's moments.
    starts : int, optional
        End after this many ended searches, instead of by counting hits.
    max_seconds : float, optional
        Stop after the round in which this time is up.
    rounds : int, optional
        Do exactly this many rounds, whatever else would stop it.
    seed : int
    n_jobs : int
        Threads; they change the time only. Where a `joblib.parallel_config` is active, its workers.
    progress : callable, optional
        Called after each round with its number and the best value.

    Returns
    -------
    Found

    Raises
    ------
    ValueError
        If every plan found is singular: the model cannot be estimated from so many runs on this region.
    """
    code = CODES[criterion]
    n, m, p = problem.layout.n, problem.region.m, problem.p
    if not problem.groups():
        Z = np.array(problem.layout.given, dtype=float)
        return finish(problem, criterion, Z, problem.repeats(), 0, 0, 0)
    # a step visits every line of every run and brings two p × p matrices up to date
    lines = sum(move.facet < 0 for move in problem.moves())
    cost = n * (p * p + 60 * lines) * (3 if problem.shared() else 1)
    most_steps = int(np.clip(1e8 / cost, 400, 20_000))
    patience = int(np.clip(2 * n, 50, max(50, most_steps // 8)))
    walk = _Walk(problem, code, seed, patience)
    best: tuple[float, Reals, Ints] | None = None

    def close(value: float, other: float) -> bool:
        return abs(value - other) <= 2e-6 * (p if code == 0 else abs(other))

    done, begun = 0, monotonic()
    ends: list[float] = []
    elsewhere = offered() != 1
    workers = ThreadPoolExecutor(min(n_jobs, CHAINS)) if n_jobs > 1 and not elsewhere else None
    stopped = False
    try:
        for several in walk.far(n_jobs, rounds) if elsewhere else walk.near(workers):
            for steps in several:
                done += 1
                for step in steps:
                    if step.plan is not None and step.value > (-np.inf if best is None else best[0]):
                        best = (step.value, step.plan[0].copy(), step.plan[1].copy())
                    if step.ended:
                        ends.append(step.value)
                value = -np.inf if best is None else best[0]
                if progress is not None:
                    progress(done, value if code == 0 else -value)
                if rounds is not None:
                    stopped = done >= rounds
                elif starts is not None:
                    stopped = len(ends) >= starts
                else:
                    hits = sum(close(end, value) for end in ends)
                    stopped = hits >= HITS or done * CHAINS * STEPS_A_ROUND >= most_steps
                if stopped:
                    break
            if stopped or (rounds is None and max_seconds is not None and monotonic() - begun >= max_seconds):
                break
    except KeyboardInterrupt:
        if best is None:
            raise
    finally:
        if workers is not None:
            workers.shutdown(wait=True)
    if best is None:
        raise ValueError("every plan found is singular")
    return finish(
        problem,
        criterion,
        best[1].reshape(n, m),
        best[2],
        done,
        len(ends),
        sum(close(value, best[0]) for value in ends),
    )


def finish(
    problem: Problem, criterion: str, Z: Reals, repeats: Ints, rounds: int, ended: int, hits: int, passes: int = 300
) -> Found:
    """Exchange from the plan at hand until nothing is gained."""
    settings, times = np.array(Z, dtype=float).ravel(), repeats.copy()
    keep = np.full((1, len(problem.groups())), -1, dtype=np.int64)
    value = compiled_kernels().explore(
        *problem.state(),
        np.zeros(problem.region.m),
        keep,
        settings,
        times,
        CODES[criterion],
        -np.inf,
        1e-11,
        passes,
        True if problem.shared() else None,
    )
    if value == -np.inf:
        raise ValueError("every plan found is singular")
    return Found(settings.reshape(Z.shape), times, float(value if criterion == "D" else -value), rounds, ended, hits)
