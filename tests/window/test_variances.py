"""Posterior of variances and coefficients where batches share whole plots."""

import numpy as np
import pytest
from scipy import stats

from doe.window.variances import VariancePosterior, group_sizes, shrunk_correlation

DRAWS = 40_000


def balanced(whole_sd, plots=6, each=4, seed=1):
    """A split plot with one whole-plot and one subplot factor: Q, readings, whole plots."""
    rng = np.random.default_rng(seed)
    g = np.repeat(np.arange(plots), each)
    whole = np.where(g % 2 == 0, -1.0, 1.0)
    sub = np.tile(np.resize([-1.0, 1.0], each), plots)
    X = np.column_stack([np.ones(len(g)), whole, sub, whole * sub])
    y = X @ [5.0, 1.0, 0.5, 0.2] + whole_sd * rng.standard_normal(plots)[g] + 0.7 * rng.standard_normal(len(g))
    return X, np.linalg.qr(X)[0], y, g


def posterior(Q, y, g):
    G = np.array([np.eye(len(y)), (g[:, None] == g[None, :]).astype(float)])
    return VariancePosterior(Q, y, G, group_sizes(("residual", "whole plot"), G))


@pytest.mark.parametrize("whole_sd", [1.0, 0.0])
def test_balanced_data_give_inverse_chi_squares_cut_to_their_order(whole_sd):
    """Box & Tiao (1973), section 5.2: the expected mean squares of the strata, each SS/χ², cut to λ₂ ≥ λ₁."""
    X, Q, y, g = balanced(whole_sd)
    rng = np.random.default_rng(3)
    found = posterior(Q, y, g).draw(rng.standard_normal((DRAWS, len(y))), rng)
    mean = np.bincount(g, y)[g] / np.bincount(g)[g]
    between = mean - Q[:, :2] @ (Q[:, :2].T @ mean)
    within = y - mean - Q @ (Q.T @ (y - mean))
    first = within @ within / rng.chisquare(24 - 6 - 2, 10 * DRAWS)
    second = between @ between / rng.chisquare(6 - 2, 10 * DRAWS)
    kept = second >= first
    share = [0.05, 0.25, 0.5, 0.75, 0.95]
    # a quantile of 40,000 draws is within some 2 % of its own value at these shares; four times the whole-plot variance, as each holds four batches
    for ours, exact in (
        (found.theta[:, 0], first[kept]),
        (found.theta[:, 0] + 4.0 * found.theta[:, 1], second[kept]),
    ):
        np.testing.assert_allclose(np.quantile(ours, share), np.quantile(exact, share), rtol=0.03)
    # the whole-plot coefficient varies by its stratum's mean square
    beta = found.coefficients @ np.linalg.inv(Q.T @ X).T
    exact = rng.standard_normal(kept.sum()) * np.sqrt(second[kept] / len(y))
    spread = np.quantile(beta[:, 1], 0.95) - np.quantile(beta[:, 1], 0.05)
    assert spread == pytest.approx(np.quantile(exact, 0.95) - np.quantile(exact, 0.05), rel=0.03)
    np.testing.assert_allclose(beta.mean(axis=0), np.linalg.lstsq(X, y, rcond=None)[0], atol=0.03)


def test_one_stratum_is_the_t_of_least_squares():
    _X, Q, y, _ = balanced(0.0)
    rng = np.random.default_rng(4)
    found = VariancePosterior(Q, y, np.eye(len(y))[None], np.ones(1)).draw(rng.standard_normal((DRAWS, 24)), rng)
    left = y - Q @ (Q.T @ y)
    scale = np.sqrt(left @ left / 20)
    t = (found.coefficients - Q.T @ y) / scale
    for column in t.T:
        assert stats.kstest(column, stats.t(20).cdf).pvalue > 1e-4
    assert stats.kstest(left @ left / found.theta[:, 0], stats.chi2(20).cdf).pvalue > 1e-4


def test_three_strata_agree_with_simpler_numbers():
    """Repeat readings pin the first variance; with many of them its posterior is their own inverse chi-square."""
    _X, Q, y, g = balanced(1.0)
    n = len(y)
    G = np.array([0.5 * np.eye(n), np.eye(n), (g[:, None] == g[None, :]).astype(float)])
    size = group_sizes(("residual", "batch", "whole plot"), G)
    np.testing.assert_allclose(size, [1.0, 2.0, 8.0])
    rng = np.random.default_rng(5)
    found = VariancePosterior(Q, y, G, size, within_df=400, within_ss=400 * 0.04).draw(
        rng.standard_normal((20_000, n)), rng
    )
    assert found.theta[:, 0].mean() == pytest.approx(0.04 * 400 / 398, rel=0.02)
    simple = posterior(Q, y, g).draw(rng.standard_normal((20_000, n)), rng)
    # batch variance and half a reading's variance together are the simpler residual
    together = found.theta[:, 1] + 0.5 * found.theta[:, 0]
    np.testing.assert_allclose(
        np.quantile(together, [0.1, 0.5, 0.9]), np.quantile(simple.theta[:, 0], [0.1, 0.5, 0.9]), rtol=0.05
    )
    np.testing.assert_allclose(
        np.quantile(found.theta[:, 2], [0.5, 0.9]), np.quantile(simple.theta[:, 1], [0.5, 0.9]), rtol=0.06
    )


def test_correlations_are_shrunk_by_what_noise_alone_would_show():
    rng = np.random.default_rng(0)
    noise = rng.standard_normal((1, 20, 3))
    _, alone = shrunk_correlation(noise, 20)
    tied = noise.copy()
    tied[..., 1] = 0.95 * tied[..., 0] + 0.3 * tied[..., 1]
    found, little = shrunk_correlation(tied, 20)
    assert little < 0.35 < 0.6 < alone
    assert found[0, 1] == pytest.approx((1 - little) * np.corrcoef(tied[0].T)[0, 1], rel=1e-9)
    assert shrunk_correlation(tied, 8)[1] > little  # fewer degrees of freedom, less to go by
