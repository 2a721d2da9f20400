"""Posterior draws against exact distributions: closed forms, and samplers that need no iteration."""

import numpy as np
import pytest
from scipy import stats

from doe.window.posterior import (
    effective_share,
    gibbs_draws,
    inverse_wishart_roots,
    joint_draws,
    separate_draws,
)

# Kolmogorov–Smirnov of d independent draws rejects at 0.1 % beyond 1.95 / sqrt(d)
LIMIT = 1.95


def regression(n, p, seed, correlation=0.8):
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.uniform(-1, 1, (n, p - 1))])
    L = np.linalg.cholesky(np.array([[1.0, correlation], [correlation, 1.0]]))
    Y = X @ rng.standard_normal((p, 2)) + rng.standard_normal((n, 2)) @ L.T
    V = np.linalg.inv(X.T @ X)
    B = V @ X.T @ Y
    E = Y - X @ B
    return X, Y, B, V, E.T @ E


def test_inverse_wishart_moments():
    """Mean S/(df - r - 1) and the marginal law of a diagonal entry (Mardia, Kent & Bibby 1979, Multivariate analysis, 3.8)."""
    S = np.array([[2.0, 0.9, -0.4], [0.9, 1.0, 0.1], [-0.4, 0.1, 3.0]])
    root = inverse_wishart_roots(S, 12, 40_000, np.random.default_rng(1))
    sigma = root @ root.transpose(0, 2, 1)
    # standard error of a mean entry is below 0.005 here
    np.testing.assert_allclose(sigma.mean(axis=0), S / (12 - 3 - 1), atol=0.02)
    # sigma_11 is inverse gamma: S_11 / sigma_11 is chi-squared with df - r + 1 degrees of freedom
    assert stats.kstest(2.0 / sigma[:, 0, 0], stats.chi2(10).cdf).statistic < LIMIT / np.sqrt(40_000)


def test_one_scale_a_draw():
    S = np.stack([np.eye(2), 4.0 * np.eye(2)])
    root = inverse_wishart_roots(np.repeat(S, 20_000, axis=0), 10, 40_000, np.random.default_rng(2))
    sigma = root @ root.transpose(0, 2, 1)
    assert sigma[20_000:].mean(axis=0)[0, 0] / sigma[:20_000].mean(axis=0)[0, 0] == pytest.approx(4.0, rel=0.03)


def test_joint_predictive_is_the_multivariate_t():
    """Peterson (2004), eq. 3; Box & Tiao (1973), ch. 8: df n - p - r + 1, scale S (1 + h) / df."""
    _X, _, B, V, S = regression(15, 4, 3)
    draws = 40_000
    found = joint_draws(B, V, S, 15 - 4, draws, np.random.default_rng(4))
    x = np.array([1.0, 0.4, -0.7, 0.2])
    rng = np.random.default_rng(5)
    noise = np.einsum("dij,dj->di", found.root, rng.standard_normal((draws, 2)))
    y = np.stack([c @ x for c in found.coefficients], axis=1) + noise
    df, scale = 15 - 4 - 2 + 1, S * (1 + x @ V @ x) / (15 - 4 - 2 + 1)
    for a in (np.array([1.0, 0.0]), np.array([0.0, 1.0]), np.array([1.0, -1.0])):  # any linear combination is a t
        t = (y @ a - x @ B @ a) / np.sqrt(a @ scale @ a)
        assert stats.kstest(t, stats.t(df).cdf).statistic < LIMIT / np.sqrt(draws)
    assert found.effective == draws


def test_separate_draws_are_each_their_own_t():
    _X, _, B, V, S = regression(9, 4, 6)
    draws = 40_000
    found = separate_draws([B[:, 0], B[:, 1]], [V, V], [S[0, 0], S[1, 1]], [5, 5], draws, np.random.default_rng(7))
    for j in range(2):
        t = (found.coefficients[j][:, 1] - B[1, j]) / np.sqrt(S[j, j] / 5 * V[1, 1])
        assert stats.kstest(t, stats.t(5).cdf).statistic < LIMIT / np.sqrt(draws)
    assert np.all(found.covariance[:, 0, 1] == 0)
    correlation = np.corrcoef(found.coefficients[0][:, 1], found.coefficients[1][:, 1])[0, 1]
    assert abs(correlation) < 4 / np.sqrt(draws)


def test_gibbs_of_equal_terms_agrees_with_the_joint_draws():
    X, Y, B, V, S = regression(14, 4, 8)
    runs = [np.arange(14)] * 2
    found = gibbs_draws([X, X], [Y[:, 0], Y[:, 1]], runs, 20_000, np.random.default_rng(9))
    exact = joint_draws(B, V, S, 10, 200_000, np.random.default_rng(10))
    limit = LIMIT / np.sqrt(found.effective)
    for j in range(2):
        for column in range(4):
            t = (found.coefficients[j][:, column] - B[column, j]) / np.sqrt(S[j, j] / 9 * V[column, column])
            assert stats.kstest(t, stats.t(9).cdf).statistic < limit
    for i, j in ((0, 0), (0, 1), (1, 1)):
        test = stats.ks_2samp(found.covariance[:, i, j], exact.covariance[:, i, j])
        assert test.statistic < limit + LIMIT / np.sqrt(200_000)
    assert 10_000 < found.effective <= 20_000


def nested_exact(X1, y1, X2, y2, rows2, draws, rng):
    """Independent draws for two responses where X1 lies in the span of X2 and y2 may be missing.

    With (sigma_11, b_1), and y2 given y1 regressed on X2 and y1, the likelihood factorises, and the prior |Sigma|^-3/2 becomes
    sigma_11^-1/2 sigma_22.1^-3/2 (Jacobian sigma_11; Little & Rubin 2002, Statistical analysis with missing data, 7.2): scaled
    inverse chi-squared with n_1 - p_1 - 1 and n_2 - p_2 degrees of freedom.
    """

    def normal_regression(X, y, df):
        V = np.linalg.inv(X.T @ X)
        b = V @ X.T @ y
        variance = np.sum((y - X @ b) ** 2) / rng.chisquare(df, draws)
        spread = rng.standard_normal((draws, X.shape[1])) @ np.linalg.cholesky(V).T
        return b + np.sqrt(variance)[:, None] * spread, variance

    b1, s11 = normal_regression(X1, y1, len(y1) - X1.shape[1] - 1)
    both = np.column_stack([X2, y1[rows2]])
    g, s221 = normal_regression(both, y2, len(y2) - X2.shape[1])
    slope = g[:, -1]
    # coefficients of y2 itself: X2 g + slope * (X1 b1), X1 being the first columns of X2
    b2 = g[:, :-1].copy()
    b2[:, : X1.shape[1]] += slope[:, None] * b1
    return b1, b2, s11, slope * s11, s221 + slope**2 * s11


@pytest.mark.parametrize("lost", [0, 4], ids=["different terms", "different terms and missing readings"])
def test_gibbs_agrees_with_independent_draws(lost):
    X, Y, *_ = regression(16, 4, 11)
    rows2 = np.arange(16 - lost)
    X1 = X[:, :2]
    found = gibbs_draws(
        [X1, X[rows2]], [Y[:, 0], Y[rows2, 1]], [np.arange(16), rows2], 20_000, np.random.default_rng(12)
    )
    b1, b2, s11, s12, s22 = nested_exact(X1, Y[:, 0], X[rows2], Y[rows2, 1], rows2, 200_000, np.random.default_rng(13))
    limit = LIMIT / np.sqrt(found.effective) + LIMIT / np.sqrt(200_000)
    pairs = [
        *zip(found.coefficients[0].T, b1.T, strict=True),
        *zip(found.coefficients[1].T, b2.T, strict=True),
        (found.covariance[:, 0, 0], s11),
        (found.covariance[:, 0, 1], s12),
        (found.covariance[:, 1, 1], s22),
    ]
    for ours, theirs in pairs:
        assert stats.ks_2samp(ours, theirs).statistic < limit


def test_gibbs_takes_scales_that_differ_by_far():
    """A viscosity in mPa·s beside a pH: the answer does not depend on the units."""
    X, Y, *_ = regression(14, 4, 14)
    runs = [np.arange(14)] * 2
    plain = gibbs_draws([X, X[:, :3]], [Y[:, 0], Y[:, 1]], runs, 2_000, np.random.default_rng(15))
    scaled = gibbs_draws([X, X[:, :3]], [1e6 * Y[:, 0], 1e-3 * Y[:, 1]], runs, 2_000, np.random.default_rng(15))
    np.testing.assert_allclose(scaled.coefficients[0], 1e6 * plain.coefficients[0], rtol=1e-6, atol=1e-3)
    np.testing.assert_allclose(scaled.covariance[:, 0, 1], 1e3 * plain.covariance[:, 0, 1], rtol=1e-6, atol=1e-3)


def test_effective_share_of_a_first_order_autoregression():
    """Its integrated autocorrelation time is (1 + a)/(1 - a) (Geyer 1992)."""
    rng = np.random.default_rng(16)
    a, chains, kept = 0.5, 2000, 100
    x = np.empty((kept, chains, 1))
    x[0] = rng.standard_normal((chains, 1))
    for k in range(1, kept):
        x[k] = a * x[k - 1] + np.sqrt(1 - a**2) * rng.standard_normal((chains, 1))
    assert effective_share(x) == pytest.approx((1 - a) / (1 + a), rel=0.03)


def test_effective_share_falls_when_chains_disagree():
    rng = np.random.default_rng(17)
    x = rng.standard_normal((50, 100, 1))
    assert effective_share(x) > 0.9
    assert effective_share(x + np.linspace(-2, 2, 100)[None, :, None]) < 0.2
