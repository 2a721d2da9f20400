"""Whether slopes hold at every score: the check's size and power on invented trials, and its sentence on both sides."""

import numpy as np
import pytest

from doe.fits import proportional_odds as odds
from doe.fits import proportionality as pp
from doe.fits import verdicts

PRECISION = np.eye(2) / 6.25


def design(n):
    X = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)] * (n // 9), dtype=float)
    return X - X.mean(axis=0)


def checked(X, y, levels=5, trials=pp.TRIALS):
    fit = odds.solve(X, y, levels, PRECISION)
    chance = odds.score_chances(np.tile(fit.slopes @ X.T, (trials, 1)), fit.cuts[:, None, :])
    return pp.check(X, y, levels, PRECISION, pp.simulated_scores(chance, 0), [[0], [1]])


def test_slopes_that_turn_with_the_score_are_seen_and_named():
    X = design(108)
    rng = np.random.default_rng(0)
    # the second column spreads the scores instead of raising them
    u = 1.5 * X[:, 0] + (1.0 + 2.5 * (X[:, 1] > 0)) * rng.logistic(size=len(X))
    y = (u[:, None] > [-3.0, -1.0, 1.0, 3.0]).sum(axis=1)
    found = checked(X, y)
    assert found.p < 0.05
    assert found.term == 1


@pytest.mark.slow
def test_size_on_small_trials():
    """150 trials of 18 batches, seed 2: falsely called in 5 %, three Monte-Carlo errors either way."""
    X = design(18)
    rng = np.random.default_rng(2)
    chance = odds.score_chances(np.tile(X @ [1.5, -0.8], (150, 1)), np.array([-2.0, -0.7, 0.7, 2.0]))
    called = []
    for y in pp.simulated_scores(chance, int(rng.integers(1000))):
        seen, codes = np.unique(y, return_inverse=True)
        if len(seen) > 2:
            called.append(checked(X, codes, len(seen), 199).p < 0.05)
    rate = np.mean(called)
    assert rate == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / len(called)))


@pytest.mark.parametrize(
    ("p", "sentence"),
    [
        (
            0.0499,
            "The slopes are not the same at every score (p = 0.0499), most of all those of gum: what raises a low score may not raise a high one, so "
            "check the chances against the scores given before using them.",
        ),
        (0.05, "Nothing says that the slopes differ from score to score (p = 0.0500)."),
    ],
)
def test_the_verdict_on_both_sides_of_its_threshold(p, sentence):
    assert verdicts.on_proportionality(p, "gum") == sentence
