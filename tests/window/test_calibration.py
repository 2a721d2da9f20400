"""What is claimed against what is true, over thousands of simulated trials; seeds, repeats and errors stand beside each claim.

Truths are drawn from the fitted family, wide against what a trial tells (locations uniform, standard deviations log-uniform), so that claims of all
sizes come up; the settings that are judged are fixed beforehand.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import doe
from doe.fits import fit_all
from doe.window.predictive import Predictive
from doe.window.variances import VariancePosterior, group_sizes

BINS = np.linspace(0.0, 1.0, 11)
CORNERS = [(a, b) for a in (-1.0, 1.0) for b in (-1.0, 1.0)]
POINTS = np.array([(0.0, 0.0), (0.7, -0.3), (-1.0, 0.5), (0.2, 1.0)])


def by_bin(claimed, true):
    """Mean claimed, mean true and the standard error of their difference in every tenth of the claims; a trial's points count as one."""
    rows = []
    which = np.clip(np.digitize(claimed, BINS) - 1, 0, 9)
    for b in np.unique(which):
        here = which == b
        gap = np.where(here, claimed - true, 0.0).sum(axis=1)
        share = here.sum() / len(claimed)
        rows.append(
            (claimed[here].mean(), true[here].mean(), gap.std(ddof=1) / share / np.sqrt(len(claimed)), here.sum())
        )
    return np.array(rows)


@pytest.mark.slow
def test_least_squares_claims_are_true_in_every_tenth():
    """2,000 trials of 10 runs (7 degrees of freedom), two correlated responses, seed 21: within 3 points in every tenth of the claims.

    With limits on both sides and a standard deviation that is bounded above where the limits are hardest to meet, claims between 0.4 and 0.8 lay
    up to 6 points below the truth (computed here): a trial cannot know of such a bound, and errs to the safe side.
    """
    study = doe.Study(
        "simulated",
        [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)],
        [doe.Response("y", low=0.0), doe.Response("z", low=0.0)],
    )
    X = np.array(CORNERS * 2 + [(0.0, 0.0)] * 2)
    M, P = np.column_stack([np.ones(10), X]), np.column_stack([np.ones(len(POINTS)), POINTS])
    Z = study.encode(pd.DataFrame(POINTS, columns=["a", "b"]))
    rng = np.random.default_rng(21)
    claimed, true = [], []
    for trial in range(2000):
        sd = np.exp(rng.uniform(np.log(0.5), np.log(2.0), 2))
        rho = rng.uniform(-0.8, 0.8)
        root = np.diag(sd) @ np.array([[1.0, 0.0], [rho, np.sqrt(1 - rho**2)]])
        B = np.vstack([rng.uniform(-4.0, 6.0, 2), rng.uniform(-2.0, 2.0, (2, 2))])
        Y = M @ B + rng.standard_normal((10, 2)) @ root.T
        fits = fit_all(study, pd.DataFrame({"a": X[:, 0], "b": X[:, 1], "y": Y[:, 0], "z": Y[:, 1]}), model="linear")
        predictive = Predictive(study, list(fits.values()), True, {}, trial)
        claimed.append(predictive.chance(Z, predictive.draw(0, 1000))[0])
        true.append(stats.multivariate_normal(np.zeros(2), root @ root.T).cdf(P @ B))  # above 0 both
    found = by_bin(np.array(claimed), np.array(true))
    print(found)
    assert found[:, 2].max() < 0.015
    np.testing.assert_array_less(np.abs(found[:, 0] - found[:, 1]), 0.03)


@pytest.mark.slow
@pytest.mark.parametrize("ratio", [0.0, 2.0])
def test_split_plot_claims_are_true_in_every_tenth(ratio):
    """2,000 trials of 8 whole plots of 3 runs; the whole plots' variance is `ratio` times the runs' own, seed 31.

    Truths are as likely as their mirror images, so a claim c of meeting the limit is one of 1 − c of missing it; the standard error of a tenth is
    then at most one point. What is off errs to the safe side: claims above a half are up to two points below the truth.
    """
    plots = np.repeat(np.arange(8), 3)
    whole = np.where(plots % 2 == 0, -1.0, 1.0)
    sub = np.tile([-1.0, 0.0, 1.0], 8)
    X = np.column_stack([np.ones(24), whole, sub])
    Q, R = np.linalg.qr(X)
    G = np.array([np.eye(24), (plots[:, None] == plots[None, :]).astype(float)])
    sizes = group_sizes(("residual", "whole plot"), G)
    P = np.array([(1.0, 0.0, 0.0), (1.0, 1.0, -1.0), (1.0, -0.5, 0.7)])
    at = P @ np.linalg.inv(R)
    rng = np.random.default_rng(31)
    claimed, true = [], []
    for _ in range(2000):
        sd = np.exp(rng.uniform(np.log(0.5), np.log(2.0)))
        beta = np.array([rng.uniform(-6.0, 6.0), *rng.uniform(-1.5, 1.5, 2)])
        y = X @ beta + sd * (rng.standard_normal(24) + np.sqrt(ratio) * rng.standard_normal(8)[plots])
        drawn = VariancePosterior(Q, y, G, sizes).draw(rng.standard_normal((1000, 24)), rng)
        spread = np.sqrt(drawn.theta.sum(axis=1))  # one new batch in a new whole plot
        centre = drawn.coefficients @ at.T
        claimed.append(stats.norm.sf((0.0 - centre) / spread[:, None]).mean(axis=0))
        true.append(stats.norm.sf(-(P @ beta) / (sd * np.sqrt(1.0 + ratio))))
    claims, truths = np.array(claimed), np.array(true)
    mirrored = claims < 0.5
    found = by_bin(np.where(mirrored, 1.0 - claims, claims), np.where(mirrored, 1.0 - truths, truths))
    print(ratio, found)
    assert found[:, 2].max() < 0.011
    np.testing.assert_array_less(np.abs(found[:, 0] - found[:, 1]), 0.03)


@pytest.mark.slow
def test_claims_hold_at_the_chosen_set_point_and_over_the_whole_box():
    """200 trials of 12 runs, one response with one limit, confidence 0.8, seed 41; and the optimism of the chance told at the chosen set point."""
    study = doe.Study(
        "simulated", [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)], [doe.Response("y", low=0.0)]
    )
    X = np.array(CORNERS * 3)
    beta = np.array([1.4, 0.5, 0.3])
    rng = np.random.default_rng(41)
    told, true, kept, boxes, held = [], [], 0, 0, 0
    for trial in range(200):
        y = beta[0] + X @ beta[1:] + rng.standard_normal(12)
        fits = fit_all(study, pd.DataFrame({"a": X[:, 0], "b": X[:, 1], "y": y}), model="linear")
        win = doe.find_window(fits, target=0.8, draws=500, seed=trial)
        at = pd.DataFrame([win.set_point.to_dict()])
        rate = float(stats.norm.cdf(beta[0] + at.to_numpy()[0] @ beta[1:]))
        kept += float(win.claim(at, 0.8)["claim"].iloc[0]) <= rate
        told.append(win.set_point_probability)
        true.append(rate)
        box = win.box(confidence=0.8).set_index("factor")
        if len(box):
            boxes += 1
            held += bool(stats.norm.cdf(beta[0] + box["low"].to_numpy(dtype=float) @ beta[1:]) >= 0.8)
    gap = np.array(told) - true
    print("kept", kept / 200, "boxes", boxes, held / boxes, "optimism", gap.mean(), gap.std(ddof=1) / np.sqrt(200))
    # three standard errors: 0.085 of 200 trials
    assert kept / 200 > 0.8 - 0.085
    assert boxes > 100
    assert held / boxes > 0.8 - 3 * np.sqrt(0.16 / boxes)
