"""The highest point of any score over the settings of a study: many starts, shrinking steps inside the region, finished on settable values."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import product

import numpy as np

from doe.window.folding import Floats
from doe.window.set_point_search import Best, apart, pooled
from doe.window.settings import Settings

# score of settings given by their free axes, (N, f) to (N,), at the given categorical levels
Score = Callable[[Floats, Mapping[str, str]], Floats]

STARTS = 24
STEPS = 32  # tried from every start in each round
ROUNDS = 60
LARGEST, SMALLEST = 0.3, 1e-5  # steps, in shares of each axis' range


def highest(settings: Settings, score: Score, seed: int) -> Best:
    """The settable setting with the highest score.

    Parameters
    ----------
    settings : Settings
        Where to look; its pins hold.
    score : callable
        Need not be smooth.
    seed : int
        Seed of starts and steps.

    Returns
    -------
    Best
    """
    pool = pooled(settings, seed)
    found: list[tuple[float, Best]] = []
    for place, levels in enumerate(_combinations(settings)):
        value = score(pool, levels)
        top = _climbed(settings, score, levels, pool, value, np.random.default_rng([seed, 3, place]))
        free = _finished(settings, score, levels, top)
        found.append((float(score(free[None, :], levels)[0]), Best(free, levels)))
    return max(found, key=lambda pair: pair[0])[1]


def _combinations(settings: Settings) -> list[dict[str, str]]:
    factors = settings.study.categorical
    return [
        dict(zip((f.name for f in factors), levels, strict=True)) for levels in product(*(f.levels for f in factors))
    ]


def _climbed(
    settings: Settings, score: Score, levels: Mapping[str, str], pool: Floats, value: Floats, rng: np.random.Generator
) -> Floats:
    if not settings.free:
        return pool[0]
    width = settings.width[settings.free]
    chosen = apart(pool / width, (value,), STARTS)
    at, best = pool[chosen], value[chosen]
    for size in np.geomspace(LARGEST, SMALLEST, ROUNDS):
        step = rng.standard_normal((len(at), STEPS, len(width))) * (size * width)
        # half the steps move some axes only: a ridge along one axis is found as well as a slanting one
        step[:, ::2] *= rng.random((len(at), (STEPS + 1) // 2, len(width))) < max(0.5, 1.0 / len(width))
        there = settings.within((at[:, None, :] + step).reshape(-1, len(width)))
        scores = score(there, levels).reshape(len(at), STEPS)
        pick = scores.argmax(axis=1)
        better = scores[np.arange(len(at)), pick] > best
        at = np.where(better[:, None], there.reshape(len(at), STEPS, -1)[np.arange(len(at)), pick], at)
        best = np.where(better, scores[np.arange(len(at)), pick], best)
    return np.asarray(at[int(best.argmax())])


def _finished(settings: Settings, score: Score, levels: Mapping[str, str], top: Floats) -> Floats:
    """The best setting near a top that the bench can set and a table can show; the top itself where there is none."""
    near = settings.settable_neighbours(top)
    near = near[settings.allowed(near)]
    if not len(near):
        return top
    best = near[int(np.argmax(score(near, levels)))]
    value = float(score(best[None, :], levels)[0])
    for _ in range(200):
        if not settings.stepped:
            break
        moves = settings.settable_moves(best)
        moves = moves[settings.allowed(moves)]
        if not len(moves) or (scores := score(moves, levels)).max() <= value:
            break
        best, value = moves[int(np.argmax(scores))], float(scores.max())
    return np.asarray(best)
