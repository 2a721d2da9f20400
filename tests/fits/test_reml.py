"""Variance components on arrays: against statsmodels, against the analysis of variance, and at the bounds."""

import warnings

import numpy as np
import pytest
import statsmodels.api as sm

from doe.fits import reml
from doe.fits.kenward_roger import Inference


def together(labels):
    labels = np.asarray(labels)
    return (labels[:, None] == labels[None, :]).astype(float)


def plots(sizes):
    return np.repeat(np.arange(len(sizes)), sizes)


def drawn(seed, sizes, ratio):
    rng = np.random.default_rng(seed)
    wp = plots(sizes)
    X = np.column_stack([np.ones(len(wp)), np.resize([-1.0, 1.0], len(sizes))[wp], rng.uniform(-1, 1, len(wp))])
    y = X @ [5, 1, 2] + np.sqrt(ratio) * rng.standard_normal(len(sizes))[wp] + rng.standard_normal(len(wp))
    return X, y, wp


def strata(wp):
    return reml.Strata(("residual", "whole plot"), np.array([np.eye(len(wp)), together(wp)]))


@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_as_statsmodels_finds_them(seed, full):
    """MixedLM stops at a gradient of about 1e-5: five digits; and no likelihood above ours."""
    X, y, wp = drawn(seed, [3, 4, 2, 5, 3, 4, 3, 2], 1.5)
    Q, R = np.linalg.qr(X)
    ours = reml.estimate(Q, y, strata(wp), bounded=True, full=full)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = sm.MixedLM(y, X, groups=wp).fit(reml=not full, method=["powell", "lbfgs"])
    shift = 0.0 if full else -np.log(np.abs(np.diag(R))).sum()
    assert ours.log_likelihood + shift == pytest.approx(theirs.llf, abs=1e-6)
    assert ours.log_likelihood + shift >= theirs.llf - 1e-9
    np.testing.assert_allclose(ours.theta, [theirs.scale, float(theirs.cov_re[0, 0])], rtol=2e-3, atol=1e-6)


@pytest.mark.parametrize("seed", range(12))
def test_balanced_variances_are_those_of_the_analysis_of_variance_below_zero_too(seed):
    X, y, wp = drawn(seed, [3] * 6, 0.0)
    X = X[:, :2]
    Q = np.linalg.qr(X)[0]
    found = reml.estimate(Q, y, strata(wp))
    means = y.reshape(6, 3).mean(axis=1)
    within = ((y.reshape(6, 3) - means[:, None]) ** 2).sum() / 12
    left = means - X[::3] @ np.linalg.lstsq(X[::3], means, rcond=None)[0]
    between = 3 * (left @ left) / 4
    assert found.inside
    np.testing.assert_allclose(found.theta, [within, (between - within) / 3], rtol=1e-6, atol=1e-8)
    if between < within:
        bounded = reml.estimate(Q, y, strata(wp), bounded=True)
        assert bounded.theta[1] == 0.0
        left = y - Q @ (Q.T @ y)
        assert bounded.theta[0] == pytest.approx(left @ left / 16)
        assert bounded.log_likelihood < found.log_likelihood


def test_some_of_these_are_below_zero():
    signs = [
        reml.estimate(np.linalg.qr(X[:, :2])[0], y, strata(wp)).theta[1] < 0
        for X, y, wp in (drawn(s, [3] * 6, 0.0) for s in range(12))
    ]
    assert 2 <= sum(signs) <= 10


@pytest.mark.parametrize("full", [False, True])
def test_slope_is_zero_at_the_maximum_by_finite_differences(full):
    X, y, wp = drawn(7, [2, 4, 3, 3, 5, 2], 2.0)
    Q = np.linalg.qr(X)[0]
    s = reml.Strata(("residual", "whole plot"), strata(wp).G, within_df=5, within_ss=6.5)
    found = reml.estimate(Q, y, s, full=full)
    likelihood = reml._Likelihood(Q, y, s, full)
    for k in range(2):
        step = np.eye(2)[k] * 1e-4 * found.theta[k]
        up, down = (likelihood.value(found.theta + d) for d in (step, -step))
        assert abs(up - down) < 1e-6
        assert up > likelihood.value(found.theta) < down


def test_readings_at_batch_level_are_the_readings_one_by_one():
    """The batch means with the readings' own sum of squares hold all that the single readings say."""
    rng = np.random.default_rng(3)
    X, batch, wp = drawn(5, [3, 4, 3, 4, 3], 1.0)
    counts = rng.integers(1, 4, len(batch))
    of = np.repeat(np.arange(len(batch)), counts)
    reading = batch[of] + 0.5 * rng.standard_normal(len(of))
    mean = np.bincount(of, reading) / counts
    n, N = len(batch), len(of)
    short = reml.Strata(
        ("residual", "batch", "whole plot"),
        np.array([np.diag(1 / counts), np.eye(n), together(wp)]),
        N - n,
        float(((reading - mean[of]) ** 2).sum()),
    )
    long = reml.Strata(("residual", "batch", "whole plot"), np.array([np.eye(N), together(of), together(wp[of])]))
    Qs, Rs = np.linalg.qr(X)
    Ql, Rl = np.linalg.qr(X[of])
    a, b = reml.estimate(Qs, mean, short), reml.estimate(Ql, reading, long)
    np.testing.assert_allclose(a.theta, b.theta, rtol=1e-6)
    ours, theirs = Inference(Qs, mean, short, a.theta, a.theta), Inference(Ql, reading, long, b.theta, b.theta)
    L, M = np.linalg.inv(Rs), np.linalg.inv(Rl)
    np.testing.assert_allclose(L @ ours.gamma, M @ theirs.gamma, rtol=1e-6)
    np.testing.assert_allclose(L @ ours.adjusted @ L.T, M @ theirs.adjusted @ M.T, rtol=1e-5, atol=1e-9)
    np.testing.assert_allclose(ours.degrees(L), theirs.degrees(M), rtol=1e-5)
    assert ours.f_test(L[1:]) == pytest.approx(theirs.f_test(M[1:]), rel=1e-5)


def test_what_cannot_be_told_is_named():
    wp = plots([3, 3, 3])
    X = np.column_stack([np.ones(9), wp - 1.0, (wp - 1.0) ** 2])
    assert reml.estimable(np.linalg.qr(X)[0], strata(wp)) == ["whole plot"]
    assert reml.estimable(np.linalg.qr(X[:, :2])[0], strata(wp)) == []
    same = reml.Strata(("residual", "whole plot", "block"), np.array([np.eye(9), together(wp), together(wp)]))
    assert reml.estimable(np.linalg.qr(X[:, :1])[0], same) == ["whole plot", "block"]


@pytest.mark.parametrize("count", range(4, 12))
def test_f_is_exact_in_a_balanced_stratum_of_any_size(count):
    """d = 2 whole-plot columns on `count` whole plots: λ is 1 and the denominator has count − 3 degrees of freedom, 2 and 4 among them."""
    rng = np.random.default_rng(count)
    wp = plots([3] * count)
    Q = np.linalg.qr(np.column_stack([np.ones(3 * count), rng.standard_normal((count, 2))[wp]]))[0]
    y = rng.standard_normal(count)[wp] * 2 + rng.standard_normal(3 * count)
    theta = reml.estimate(Q, y, strata(wp)).theta
    weighing = theta if theta[1] >= 0 else reml.estimate(Q, y, strata(wp), bounded=True).theta
    F, df = Inference(Q, y, strata(wp), theta, weighing).f_test(np.eye(3)[1:])
    assert df == pytest.approx(count - 3, rel=1e-6)
    means = y.reshape(count, 3).mean(axis=1)
    basis = np.linalg.qr(Q[::3])[0]
    left = means - basis @ (basis.T @ means)
    explained = ((means - means.mean()) ** 2).sum() - left @ left
    assert pytest.approx((explained / 2) / (left @ left / (count - 3)), rel=1e-5) == F
