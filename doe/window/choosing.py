"""A claim at settings that were chosen on the readings that judge them: a bound for all that could have been chosen, together.

The bound at a setting fixed beforehand takes a setting as it is. A set point is the best of many, and the best of many looks better than it is: the
bound there is kept less often than it says. What holds for all settings that could have been chosen, together, holds for the one that was, however it
was chosen (Berk et al. 2013); and only those matter that the readings leave in the running (Zrnic & Fithian 2024). In the running is what a repeat of
the trial might choose: the posterior gives such repeats, a truth drawn from it and readings drawn under that truth. Over these settings the
posterior's draws of the true rate give the joint bound by their order statistics (Besag et al. 1995), whatever the kind of fits.

References
----------
Berk, R., Brown, L., Buja, A., Zhang, K. & Zhao, L. (2013). Valid post-selection inference. Ann. Statist. 41(2), 802-837. doi:10.1214/12-AOS1077
Zrnic, T. & Fithian, W. (2024). Locally simultaneous inference. Ann. Statist. 52(3), 1227-1253.
Besag, J., Green, P., Higdon, D. & Mengersen, K. (1995). Bayesian computation and stochastic systems. Stat. Sci. 10(1), 3-41, section 6.3.
Bolin, D. & Lindgren, F. (2015). Excursion and contour uncertainty regions for latent Gaussian models. J. R. Stat. Soc. B 77(1), 85-106.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from doe.window.conforming import Floats, Rates
from doe.window.counting import point_counts, smoothed
from doe.window.predictive import Predictive
from doe.window.set_point_search import Best, pooled
from doe.window.settings import Settings

POOL = 384  # settings of the region among which a repeat of the trial chooses
AROUND = 96  # more of them around the set point,
NEAR = (0.25, 0.08)  # so far from it, in ranges (standard deviations)
VERTICES = 7  # factors up to which the corners of the region are among them
COMBINATIONS = 16  # of categorical levels; beyond these a sample of them
REPEATS = 120  # of the trial
REPEAT_DRAWS = 400  # that judge the settings in each
MOST = 48  # settings over which a bound holds together; of more, those farthest apart
SPREAD = 128  # settings over which boxes are judged together
WORK = 4_000_000  # integrands of rates evaluated for one joint bound, about
FEWEST = 1000  # draws behind it


@dataclass(frozen=True)
class Share:
    """How large a part of the draws may lie below a bound at each setting, that the stated part lies above it at all of them.

    Attributes
    ----------
    value : float
        At most 1 − confidence.
    low, high : float
        The same a Monte-Carlo error to either side.
    """

    value: float
    low: float
    high: float


def pool_of(predictive: Predictive, settings: Settings, point: Best) -> Floats:
    """Encoded settings, shape (N, m): a point, others around it, and others all over the region at every combination of categorical levels.

    Edges and corners of the region are among them.
    """
    study, seed = settings.study, predictive.seed
    combinations = list(product(*(f.levels for f in study.categorical)))
    if len(combinations) > COMBINATIONS:
        kept = np.random.default_rng([seed, 55]).choice(len(combinations), COMBINATIONS, replace=False)
        combinations = [combinations[i] for i in sorted(kept)]
    free = pooled(settings, seed)
    free = free[:: max(1, len(free) * len(combinations) // POOL)]
    if 0 < len(settings.free) <= VERTICES:
        corners = settings.array(study.region.vertices())[:, settings.free]
        free = np.vstack([free, np.unique(np.round(settings.within(corners), 12), axis=0)])
    names = [f.name for f in study.categorical]
    rng = np.random.default_rng([seed, 56])
    reach = np.repeat(NEAR, AROUND // len(NEAR))[:, None] * settings.width[settings.free]
    around = settings.within(point.free + reach * rng.standard_normal((len(reach), len(settings.free))))
    parts = [settings.encoded(settings.complete(np.vstack([point.free, around])), point.levels)]
    x = settings.complete(free)
    parts += [settings.encoded(x, dict(zip(names, levels, strict=True))) for levels in combinations]
    return np.vstack(parts)


def in_the_running(predictive: Predictive, pool: Floats, stream: int, draws: int) -> NDArray[np.int64]:
    """Which settings of the pool some repeat of the trial would choose as the set point."""
    chosen = set()
    terms = predictive.terms(pool)
    for repeat in predictive.repeats(stream, draws, REPEATS, REPEAT_DRAWS):
        chance = point_counts(terms, repeat)[:, 0] / repeat.draws
        error = np.sqrt((chance.max() + 1e-4) * (1.0001 - chance.max()) / repeat.draws)
        alike = np.flatnonzero(chance >= chance.max() - 0.5 * error)
        if len(alike) > 1:  # as in the search for the set point: how far inside the limits decides
            alike = alike[[int(np.argmax(smoothed(terms[alike], repeat, 0.5, slope=False)[0]))]]
        chosen.add(int(alike[0]))
    return np.array(sorted(chosen))


def far_apart(Z: Floats, most: int) -> Floats:
    """So many of the settings, the first and then always the one farthest from those taken."""
    if len(Z) <= most:
        return Z
    taken = [0]
    distance = np.linalg.norm(Z - Z[0], axis=1)
    while len(taken) < most:
        taken.append(int(np.argmax(distance)))
        distance = np.minimum(distance, np.linalg.norm(Z - Z[taken[-1]], axis=1))
    return Z[taken]


def lowest_places(rates: Floats) -> Floats:
    """The lowest place of every draw over the settings, shape (D,): its place at one is the share of draws at or below its own rate there.

    Parameters
    ----------
    rates : ndarray, shape (N, D)
        Draws of the true rate at each setting.
    """
    draws = rates.shape[1]
    lowest = np.ones(draws)
    for row in rates:
        np.minimum(lowest, np.searchsorted(np.sort(row), row, side="right") / draws, out=lowest)
    return lowest


def joint_share(lowest: Floats, confidence: float, effective: float) -> Share:
    """The share of draws below a bound that makes the bound hold at all settings together.

    Parameters
    ----------
    lowest : ndarray, shape (D,)
        Each draw's lowest place over the settings, which is what a joint bound must let pass.
    confidence : float
        Share of the draws that must lie at or above the bound at every setting.
    effective : float
        How many independent draws they are worth.

    Returns
    -------
    Share
    """
    below = 1.0 - confidence
    error = np.sqrt(below * confidence / effective)
    low, value, high = np.quantile(lowest, np.clip([below - error, below, below + error], 0.0, 1.0))
    return Share(min(float(value), below), min(float(low), below), min(float(high), below))


def excursion_share(rates: Floats, target: float, confidence: float) -> float:
    """The share of draws that may fall short at a setting, where all settings with no larger share reach the target together.

    Parameters
    ----------
    rates : ndarray, shape (N, D)
        Draws of the true rate at each setting.
    target : float
        Rate to be reached.
    confidence : float
        Share of the draws that must reach it at all of those settings.

    Returns
    -------
    float
        At most 1 − confidence (Bolin & Lindgren 2015: the excursion set of the largest marginal chances).
    """
    reach = rates >= target
    short = 1.0 - reach.mean(axis=1)
    together = np.ones(rates.shape[1], dtype=bool)
    share = 0.0
    for i in np.argsort(short, kind="stable"):
        together &= reach[i]
        if together.mean() < confidence:
            break
        share = float(short[i])
    else:
        share = 1.0 - confidence
    return min(share, 1.0 - confidence)


def behind(predictive: Predictive, Z: Floats, rates: Rates) -> Rates:
    """As many of the draws as one joint bound over encoded settings takes, by the work they make."""
    each = len(predictive.rule(coarse=True)[1]) * len(predictive.fits) * len(Z)
    return rates.part(max(FEWEST, WORK // each))
