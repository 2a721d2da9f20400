"""The setting with the highest chance: many starts over the region, polished on a smooth stand-in, finished on settable values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np

from doe.study import Categorical
from doe.window.chance import Draws
from doe.window.folding import Floats
from doe.window.predictive import Predictive
from doe.window.settings import Settings

POOL = 2048  # settings looked at before any is polished
STARTS = 4  # polished for every combination of categorical levels
NEARBY = 100  # settings of the pool beside which a settable one is looked for where there is none beside a top
COMBINATIONS = 16  # of categorical levels, the most promising
WIDTHS = (0.5, 0.15)  # of the softened limits, in spreads: first the lie of the land, then the top itself


@dataclass(frozen=True)
class Best:
    """A setting: its free axes and categorical levels."""

    free: Floats
    levels: Mapping[str, str]


def best_setting(
    predictive: Predictive,
    settings: Settings,
    search: Draws,
    check: Draws,
    seed: int,
    fixed: Mapping[str, str] | None = None,
) -> Best:
    """The settable setting with the highest chance of meeting every limit.

    Parameters
    ----------
    predictive : Predictive
        Draws of new batches.
    settings : Settings
        Where to look; its pins hold.
    search : Draws
        Draws on which the smooth stand-in is climbed.
    check : Draws
        Other draws, on which the finalists are compared.
    seed : int
        Seed of the starting settings.
    fixed : mapping of categorical factor to level, optional
        Levels not to be chosen.

    Returns
    -------
    Best
    """
    pool = pooled(settings, seed)
    combinations = [
        dict(zip((f.name for f in settings.study.categorical), levels, strict=True))
        for levels in product(*(_choices(f, fixed or {}) for f in settings.study.categorical))
    ]
    width, values = 1.0, [predictive.smooth(settings, pool, c, search, 1.0, slope=False)[0] for c in combinations]
    while max(v.max() for v in values) < 1e-9 and width < 1e4:  # limits far out of reach: look from farther away
        width *= 4.0
        values = [predictive.smooth(settings, pool, c, search, width, slope=False)[0] for c in combinations]
    finalists = []
    for place in sorted(range(len(combinations)), key=lambda i: -values[i].max())[:COMBINATIONS]:
        levels = combinations[place]
        counted = predictive.chance(settings.encoded(settings.complete(pool), levels), search)[0]
        for start in apart(pool / settings.width[settings.free], (counted, values[place])):
            top = polished(predictive, settings, levels, pool[start], search, width * np.array(WIDTHS))
            near = pool[np.argsort(-values[place], kind="stable")[:NEARBY]]
            finalists.append(
                Best(_settable(predictive, settings, levels, top, near, search, width * WIDTHS[-1]), levels)
            )
    shares = np.array([predictive.chance(encoded(settings, best), check)[0][0] for best in finalists])
    # settings that the draws cannot tell apart are ranked by how far inside the limits they lie
    error = np.sqrt((shares.max() + 1e-4) * (1.0001 - shares.max()) / check.effective)
    alike = [best for best, share in zip(finalists, shares, strict=True) if share >= shares.max() - 0.5 * error]
    return max(
        alike,
        key=lambda b: float(
            predictive.smooth(settings, b.free[None, :], b.levels, check, width / 2, slope=False)[0][0]
        ),
    )


def _choices(factor: Categorical, fixed: Mapping[str, str]) -> tuple[str, ...]:
    return (fixed[factor.name],) if factor.name in fixed else factor.levels


def pooled(settings: Settings, seed: int) -> Floats:
    """Free axes of settings all over the region, some of them on its edge."""
    if not settings.free:
        return np.empty((1, 0))
    sample = settings.array(settings.study.region.sample(POOL, seed=seed))[:, settings.free]
    outward = settings.centre + 8.0 * (sample[: POOL // 4] - settings.centre)
    return np.vstack([settings.centre, settings.within(sample), settings.within(outward)])


def apart(pool: Floats, scores: tuple[Floats, ...], count: int = STARTS) -> list[int]:
    """Places of good settings that lie apart from each other, the same number by each score."""
    chosen: list[int] = []
    for score in scores:
        found = 0
        for i in np.argsort(-score, kind="stable"):
            if found == count // len(scores):
                break
            if all(np.abs(pool[i] - pool[j]).max(initial=0.0) > 0.15 for j in chosen):
                chosen.append(int(i))
                found += 1
    return chosen or [0]


def polished(
    predictive: Predictive,
    settings: Settings,
    levels: Mapping[str, str],
    start: Floats,
    draws: Draws,
    widths: Floats,
    held: list[int] | None = None,
) -> Floats:
    """Climb from a setting inside bounds and constraints; `held` are places among the free axes that stay as they are."""
    from scipy.optimize import LinearConstraint, minimize  # slow to import

    moving = [p for p in range(len(settings.free)) if p not in (held or [])]
    if not moving:
        return start
    axes = np.array(settings.free)[moving]
    low, width = settings.low[axes], settings.width[axes]
    A, b = settings.inequalities
    rest = A @ start - A[:, moving] @ start[moving]
    rows, limit = A[:, moving] * width, b - rest - A[:, moving] @ low
    constraints = [LinearConstraint(rows, -np.inf, limit)] if len(rows) else []
    best = start

    def loss(u: Floats, soft: float) -> tuple[float, Floats]:
        free = start.copy()
        free[moving] = low + width * u
        value, slope = predictive.smooth(settings, free[None, :], levels, draws, soft)
        p = float(np.clip(value[0], 1e-12, 1.0 - 1e-9))
        return float(np.log1p(-p) - np.log(p)), -slope[0, moving] * width / (p * (1.0 - p))

    for soft in widths:
        begin = np.clip((best[moving] - low) / width, 0.0, (settings.high[axes] - low) / width)
        found = minimize(
            loss,
            begin,
            args=(float(soft),),
            jac=True,
            method="SLSQP",
            bounds=[(0.0, float(h)) for h in (settings.high[axes] - low) / width],
            constraints=constraints,
            options={"maxiter": 60, "ftol": 1e-6},
        )
        free = start.copy()
        free[moving] = low + width * np.clip(found.x, 0.0, (settings.high[axes] - low) / width)
        if settings.allowed(free[None, :])[0] and found.fun <= loss(begin, float(soft))[0]:
            best = free
    return best


def _settable(
    predictive: Predictive,
    settings: Settings,
    levels: Mapping[str, str],
    top: Floats,
    others: Floats,
    draws: Draws,
    soft: float,
) -> Floats:
    """The best setting near a top that the bench can set and a table can show.

    Where the constraints leave none beside the top, the search starts beside `others`; where there is none there either, the top
    itself is given.
    """

    def score(free: Floats) -> Floats:
        return predictive.smooth(settings, free, levels, draws, soft, slope=False)[0]

    def inside(free: Floats) -> Floats:
        return free[settings.allowed(free)]

    near = inside(settings.settable_neighbours(top))
    if not len(near):
        near = inside(np.vstack([settings.settable_neighbours(other, most=64) for other in others]))
    if not len(near):
        return top
    best = near[int(np.argmax(score(near)))]
    if not settings.stepped:
        return best
    value = float(score(best[None, :])[0])
    for _ in range(200):
        moves = inside(settings.settable_moves(best))
        if not len(moves):
            break
        scores = score(moves)
        if scores.max() <= value:
            break
        best, value = moves[int(np.argmax(scores))], float(scores.max())
    loose = polished(predictive, settings, levels, best, draws, np.array([soft]), held=settings.stepped)
    near = inside(settings.settable_neighbours(loose))
    if len(near) and score(near).max() > value:
        best = near[int(np.argmax(score(near)))]
    return best


def encoded(settings: Settings, best: Best) -> Floats:
    """The setting as one encoded row, shape (1, m)."""
    return settings.encoded(settings.complete(best.free[None, :]), best.levels)
