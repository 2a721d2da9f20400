"""The numerics on plain arrays, against statsmodels and against definitions."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.fits import arrays


@st.composite
def problems(draw):
    """A well-posed regression with an intercept: seed-made so that shrinking stays meaningful."""
    n, p = draw(st.integers(8, 25)), draw(st.integers(2, 6))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    X = np.column_stack([np.ones(n), rng.uniform(-1, 1, (n, p - 1))])
    return X, X @ rng.normal(size=p) * 10 + rng.normal(size=n) * draw(st.floats(0.01, 5))


@given(problems())
@settings(max_examples=40, deadline=None)
def test_solution_and_influence_agree_with_statsmodels(problem):
    X, y = problem
    s, reference = arrays.solve(X, y), sm.OLS(y, X).fit(method="qr")
    influence = reference.get_influence()
    np.testing.assert_allclose(s.beta, reference.params, rtol=1e-8, atol=1e-9)
    np.testing.assert_allclose(s.cov_unscaled, reference.normalized_cov_params, rtol=1e-7, atol=1e-10)
    np.testing.assert_allclose(s.leverage, influence.hat_matrix_diag, atol=1e-10)
    assert s.sigma == pytest.approx(np.sqrt(reference.scale), rel=1e-9)
    np.testing.assert_allclose(
        arrays.studentised(s.residuals, s.leverage, s.rss, s.df_residual),
        influence.resid_studentized_external,
        rtol=1e-6,
        atol=1e-8,
    )
    np.testing.assert_allclose(
        arrays.cooks_distance(s.residuals, s.leverage, s.sigma, X.shape[1]), influence.cooks_distance[0], rtol=1e-7
    )
    L = np.eye(X.shape[1])[1:]
    f = reference.f_test(L)
    assert arrays.hypothesis_ss(s, L) / len(L) / s.sigma**2 == pytest.approx(float(f.fvalue), rel=1e-7)


@given(problems())
@settings(max_examples=20, deadline=None)
def test_press_is_what_leaving_each_run_out_gives(problem):
    X, y = problem
    s = arrays.solve(X, y)
    left_out = [
        y[i] - X[i] @ np.linalg.lstsq(np.delete(X, i, 0), np.delete(y, i), rcond=None)[0] for i in range(len(y))
    ]
    assert arrays.press(s.residuals, s.leverage) == pytest.approx(float(np.square(left_out).sum()), rel=1e-7)


def test_aicc_is_statsmodels_aic_with_the_variance_counted_and_corrected():
    rng = np.random.default_rng(1)
    X = np.column_stack([np.ones(12), rng.normal(size=(12, 2))])
    y = rng.normal(size=12)
    reference = sm.OLS(y, X).fit()
    k, n = 4, 12
    aicc, bic = arrays.information_criteria(reference.ssr, n, 3)
    assert aicc == pytest.approx(-2 * reference.llf + 2 * k + 2 * k * (k + 1) / (n - k - 1))
    assert bic == pytest.approx(-2 * reference.llf + k * np.log(n))
    assert arrays.information_criteria(1.0, 5, 3)[0] == np.inf
    assert arrays.information_criteria(1.0, 6, 3)[0] < np.inf
    # a Jacobian enters twice its logarithm
    assert arrays.information_criteria(1.0, 12, 3, 2.5)[0] == pytest.approx(
        arrays.information_criteria(1.0, 12, 3)[0] - 5
    )


def test_pure_error_without_blocks_is_the_scatter_about_the_setting_means():
    y = np.array([1.0, 3.0, 4.0, 10.0, 12.0, 14.0])
    ss, df = arrays.pure_error(np.ones((6, 1)), y, [0, 0, 1, 2, 2, 2])
    assert df == 3
    assert ss == pytest.approx(2.0 + 8.0)
    assert arrays.pure_error(np.ones((3, 1)), y[:3], [0, 1, 2]) == (0.0, 0)


@given(st.integers(0, 10_000))
@settings(max_examples=30, deadline=None)
def test_pure_error_is_the_residual_of_the_model_with_an_indicator_a_setting(seed):
    """By its definition: RSS and rank of [X, Z], blocks in X, whatever is confounded with what."""
    rng = np.random.default_rng(seed)
    n = 14
    setting = rng.integers(0, 6, n)
    block = rng.integers(0, 3, n)
    x = rng.normal(size=6)[setting]
    blocks = np.eye(3)[block][:, :2] - (block == 2)[:, None]
    X = np.column_stack([np.ones(n), x, x**2, blocks])
    y = rng.normal(size=n)
    full = np.column_stack([X, np.eye(6)[setting]])
    rank = np.linalg.matrix_rank(full)
    fitted = full @ np.linalg.pinv(full) @ y
    ss, df = arrays.pure_error(X, y, setting)
    assert df == n - rank
    assert ss == pytest.approx(float(((y - fitted) ** 2).sum()) if df else 0.0, abs=1e-9)


def test_a_run_with_leverage_one_is_not_judged():
    X = np.column_stack([np.ones(6), [0, 0, 0, 0, 0, 1.0]])
    s = arrays.solve(X, np.array([1.0, 2, 3, 2, 1, 9]))
    assert np.isnan(arrays.press(s.residuals, s.leverage))
    assert np.isnan(arrays.studentised(s.residuals, s.leverage, s.rss, s.df_residual)[5])
    assert np.isnan(arrays.cooks_distance(s.residuals, s.leverage, s.sigma, 2)[5])
    assert np.isfinite(arrays.studentised(s.residuals, s.leverage, s.rss, s.df_residual)[:5]).all()
