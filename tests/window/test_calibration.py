"""What is claimed against what is true, over thousands of simulated trials; seeds, repeats and errors stand beside each claim.

Truths are drawn from the fitted family: by least squares from what a first part of the trial leaves possible, in split plots wide against what a
trial tells (locations uniform, standard deviations log-uniform). The settings that are judged are fixed beforehand, but for the last test.
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
    """2,000 trials of 14 runs, two correlated responses, seed 21: within 3 points in every tenth of the claims.

    The first 8 runs and their readings are always the same. Truths are drawn from what these alone leave possible, by scipy's inverse Wishart; the
    other 6 runs are made under them. Then what all 14 say is exactly calibrated, if it is right.
    """
    study = doe.Study(
        "simulated",
        [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)],
        [doe.Response("y", low=-1.5, high=1.5), doe.Response("z", low=-1.0)],
    )
    first = np.array(CORNERS + [(0.0, 0.0)] * 4)
    X = np.vstack([first, CORNERS, [(0.0, 0.0)] * 2])
    M, P = (np.column_stack([np.ones(len(x)), x]) for x in (X, POINTS))
    Z = study.encode(pd.DataFrame(POINTS, columns=["a", "b"]))
    rng = np.random.default_rng(21)
    Y = np.empty((14, 2))
    Y[:8] = M[:8] @ [[0.2, 0.3], [0.5, -0.4], [-0.3, 0.4]] + rng.standard_normal((8, 2)) @ [[1.0, 0.5], [0.0, 0.8]]
    V = np.linalg.inv(M[:8].T @ M[:8])
    at_first = V @ M[:8].T @ Y[:8]
    left = Y[:8] - M[:8] @ at_first
    claimed, true = [], []
    for trial in range(2000):
        sigma = stats.invwishart(5, left.T @ left).rvs(random_state=rng)
        root = np.linalg.cholesky(sigma)
        B = at_first + np.linalg.cholesky(V) @ rng.standard_normal((3, 2)) @ root.T
        Y[8:] = M[8:] @ B + rng.standard_normal((6, 2)) @ root.T
        fits = fit_all(study, pd.DataFrame({"a": X[:, 0], "b": X[:, 1], "y": Y[:, 0], "z": Y[:, 1]}), model="linear")
        predictive = Predictive(study, list(fits.values()), True, {}, trial)
        claimed.append(predictive.chance(Z, predictive.draw(0, 1000))[0])
        # z above its limit is -z below it
        turned = stats.multivariate_normal(np.zeros(2), sigma * [[1, -1], [-1, 1]])
        y, z = (P @ B).T
        true.append(turned.cdf(np.column_stack([1.5 - y, z + 1.0])) - turned.cdf(np.column_stack([-1.5 - y, z + 1.0])))
    found = by_bin(np.array(claimed), np.array(true))
    filled = found[:, 3] >= 400  # tenths with fewer are judged by their own error
    assert filled.sum() >= 5
    np.testing.assert_array_less(np.abs(found[:, 0] - found[:, 1])[filled], 0.03)
    np.testing.assert_array_less(np.abs(found[:, 0] - found[:, 1])[~filled], 0.03 + 3 * found[~filled, 2])


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
    assert found[:, 2].max() < 0.011
    np.testing.assert_array_less(np.abs(found[:, 0] - found[:, 1]), 0.03)


@pytest.mark.slow
def test_claims_at_the_chosen_set_point_and_over_the_whole_box():
    """200 trials of 12 runs, one response with one limit, confidence 0.8, seed 41; and the optimism of the chance told at the chosen set point.

    Measured: claims kept at the chosen set point 0.735 (standard error 0.03), over whole boxes 0.796; the chance told there lay 0.018 (0.003) below
    the true rate. At a point fixed beforehand a claim with one limit is exact (test_coverage): what is short here, more than two standard
    errors though less than three, is the choice's.
    """
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
    assert kept / 200 > 0.8 - 3 * np.sqrt(0.16 / 200)
    assert abs(gap.mean()) < 0.03
    assert boxes > 100
    assert held / boxes > 0.8 - 3 * np.sqrt(0.16 / boxes)
