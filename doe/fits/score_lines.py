"""Scores against storage time: a proportional-odds line in time, batch by batch or shared, and how long the chance of meeting the limits holds.

The fit is that of `ordinal`: logit P(score > s) is linear in time, with the same slope at every score s.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.fits import proportional_odds as odds
from doe.fits.arrays import Floats
from doe.fits.least_squares import fit
from doe.fits.lines import KINDS
from doe.fits.ordinal import OrdinalFit, tail_beyond
from doe.fits.ordinal_posterior import averaged_chances
from doe.fits.proportionality import TRIALS, simulated_scores
from doe.study import Categorical, Continuous, Response, Study

TIME, BATCH = "storage time", "batch stored"
TERMS = {
    KINDS[0]: [f"`{TIME}`", f"`{BATCH}`", f"`{TIME}`:`{BATCH}`"],
    KINDS[1]: [f"`{TIME}`", f"`{BATCH}`"],
    KINDS[2]: [f"`{TIME}`"],
}
DRAWS, SEED = 4000, 0
# times at which a chance is looked at before its crossing is closed in on
PLACES = 101


@dataclass(frozen=True)
class ScoreLines:
    """Chances of the scores over storage time.

    The limit is on the safe side where scores are few: in 200 simulated trials of three batches with six scores each, its time was never later than the true
    one, for chances of 0.5, 0.7 and 0.8, and its median 11, 5 and 0 months where the truth was 18, 14.6 and 12.5.

    Attributes
    ----------
    kind : str
        One of `lines.KINDS`.
    fit : OrdinalFit
        On time and, where they differ, batches.
    runs : tuple
        Labels of the batches.
    sides : tuple of (limit, whether the score must stay above it)
    chance : float
        The least chance of meeting the limits.
    confidence : float
        How sure one is to be that the chance is so high.
    """

    kind: str
    fit: OrdinalFit = field(repr=False)
    runs: tuple[Any, ...]
    sides: tuple[tuple[float, bool], ...]
    chance: float
    confidence: float

    @cached_property
    def _meets(self) -> Floats:
        """Which scores of the scale meet the limits, as weights, shape (K,)."""
        met = [(self.fit.scores >= limit) if above else (self.fit.scores <= limit) for limit, above in self.sides]
        return np.all(met, axis=0).astype(float)

    def chances(self, which: int, t: Floats) -> tuple[Floats, Floats]:
        """Chance that a score of one batch meets the limits at times: the chance to reckon with, and its lower credible limit; shapes (len(t),)."""
        settings = pd.DataFrame({TIME: t, BATCH: str(self.runs[which])})
        sample = self._sample
        eta = sample.beta @ self.fit.model.matrix(settings).T
        met = averaged_chances(eta, sample.cuts, sample.spread) @ self._meets
        return met.mean(axis=0), np.quantile(met, tail_beyond(self.confidence, self.fit._batches_left), axis=0)

    @cached_property
    def _sample(self) -> Any:
        return self.fit.draws(DRAWS, SEED)

    def within(self, which: int, furthest: float) -> float:
        """Until when that limit stays at `chance` or above: 0 where it never is, ∞ where it is as far as `furthest`."""
        from scipy import optimize  # slow to import

        def room(t: float) -> float:
            return float(self.chances(which, np.array([t]))[1][0]) - self.chance

        t = np.linspace(0.0, furthest, PLACES)
        short = np.flatnonzero(self.chances(which, t)[1] < self.chance)
        if not len(short):
            return float("inf")
        return float(optimize.brentq(room, t[short[0] - 1], t[short[0]])) if short[0] else 0.0


def fit_scores(response: Response, singles: pd.DataFrame, runs: Sequence[Any], terms: Sequence[str]) -> OrdinalFit:
    """A proportional-odds line of scores in time.

    Parameters
    ----------
    response : Response
    singles : DataFrame
        run, t, value: one row a score.
    runs : sequence
        Labels of the batches.
    terms : sequence of str
        One of `TERMS`.

    Raises
    ------
    StudyError
        If a score is none of the scale, all are the same, or the terms cannot be told apart.
    """
    factors: list[Any] = [Continuous(TIME, 0.0, float(singles["t"].max()))]
    if len(runs) > 1:
        factors.append(Categorical(BATCH, tuple(str(r) for r in runs)))
    study = Study(response.name, factors, [response])
    table = pd.DataFrame(
        {
            "run": [f"{r} at {t:g}" for r, t in zip(singles["run"], singles["t"], strict=True)],
            TIME: singles["t"],
            BATCH: singles["run"].astype(str),
            response.name: singles["value"],
        }
    )
    found = fit(study, table if len(runs) > 1 else table.drop(columns=BATCH), response.name, list(terms))
    assert isinstance(found, OrdinalFit)  # the response has a scale
    return found


def score_poolability(fits: Sequence[OrdinalFit]) -> pd.DataFrame:
    """Whether batches share a slope, and given one slope, a start.

    Parameters
    ----------
    fits : sequence of OrdinalFit
        With the terms of each of `lines.KINDS`, from the freest to the most pooled.

    Returns
    -------
    DataFrame
        question, df, chi2, p: chi2 is twice what the freer adds to the highest penalised log-likelihood; its law in so few scores is made by
        simulation from the pooled fit. In 200 simulated trials of three batches that are alike, with six scores each, 5 % were held apart by their slopes at
        0.25 and 17 % by their starts: batches are pooled more readily than the level says.
    """
    rows = []
    for question, free, pooled in (
        ("one slope?", fits[0], fits[1]),
        ("one start, given one slope?", fits[1], fits[2]),
    ):
        like = pooled.posterior
        parts = like.parts(like.mode[None])
        eta = np.tile((parts.slopes @ like.X.T)[0], (TRIALS, 1))
        rng = np.random.default_rng(SEED)
        for spread, labels in zip(parts.spreads[0], like.groups, strict=True):
            eta = eta + spread * rng.standard_normal((TRIALS, int(labels.max()) + 1))[:, labels]
        law = _gains(free, pooled, simulated_scores(odds.score_chances(eta, parts.cuts[:, None, :]), SEED))
        seen = float(_gains(free, pooled, like.y[None])[0])
        p = (1.0 + float((law >= seen - 1e-9).sum())) / (1.0 + TRIALS)
        rows.append((question, free.frame.basis.shape[1] - pooled.frame.basis.shape[1], seen, p))
    return pd.DataFrame(rows, columns=["question", "df", "chi2", "p"])


def _gains(free: OrdinalFit, pooled: OrdinalFit, Y: NDArray[np.int64]) -> Floats:
    """Twice what the freer fit adds to the highest penalised log-likelihood of data sets Y (B, n), shape (B,)."""
    reach = [odds.solve(f.posterior.X, Y, f.posterior.levels, f.posterior.precision).objective for f in (free, pooled)]
    return np.asarray(2.0 * np.maximum(reach[0] - reach[1], 0.0))
