"""Conforming rates against the multivariate normal of scipy."""

import numpy as np
import pytest
from scipy.stats import logistic, multivariate_normal, norm

from doe.window.conforming import Rates, conforming_rates, cube_rule, lower_quantile


# Gauss–Legendre for two and three responses, Richtmyer's sequence beyond
@pytest.mark.parametrize(("r", "tolerance"), [(1, 1e-12), (2, 2e-4), (3, 4e-4), (4, 2e-3), (5, 2e-3)])
def test_rates_are_normal_rectangle_probabilities(r, tolerance, rng):
    A = rng.standard_normal((12, r, r))
    sigma = A @ A.transpose(0, 2, 1) + 0.3 * np.eye(r)
    low = np.where(np.arange(r) % 3 == 1, -np.inf, -1.5)
    high = np.where(np.arange(r) % 3 == 2, np.inf, 2.0)
    mean = 0.5 * rng.standard_normal((r, 1, 12))
    nodes, weights = cube_rule(r - 1)
    limits = (np.repeat(end[:, None], 12, axis=1) for end in (low, high))
    rates = Rates(mean, np.linalg.cholesky(sigma), *limits, np.zeros(r, dtype=bool), np.zeros((r, 12)), 12.0)
    found = conforming_rates(np.ones((1, 1)), rates, nodes, weights)
    for d in range(12):
        args = {"lower_limit": low} if r == 1 else {"lower_limit": low, "abseps": 2e-5, "releps": 2e-5}
        exact = multivariate_normal.cdf(high, mean[:, 0, d], sigma[d], **args)
        assert found[d] == pytest.approx(exact, abs=tolerance)


def test_a_logistic_error_keeps_its_own_law():
    nodes, weights = cube_rule(0)
    low, high = np.array([[-1.0, 0.5]]), np.array([[2.0, np.inf]])
    rates = Rates(np.array([[[0.3, -0.2]]]), np.ones((2, 1, 1)), low, high, np.array([True]), np.zeros((1, 2)), 2.0)
    found = conforming_rates(np.ones((1, 1)), rates, nodes, weights)
    exact = logistic.cdf(high[0] - [0.3, -0.2]) - logistic.cdf(low[0] - [0.3, -0.2])
    np.testing.assert_allclose(found, exact, rtol=1e-12)


def test_quantile_and_its_error():
    rates = norm.cdf(np.random.default_rng(0).standard_normal(100_000))  # uniform
    bound, error = lower_quantile(rates, 0.9, 100_000.0)
    assert bound == pytest.approx(0.1, abs=4 * error)
    assert error == pytest.approx(np.sqrt(0.1 * 0.9 / 100_000), rel=0.1)
