"""Claims keep their confidence over many simulated trials."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe.fits import fit_all
from doe.study import Continuous, Response, Study
from doe.window import find_window


@pytest.mark.slow
@pytest.mark.parametrize(
    ("limits", "runs"),
    [
        ({"y": {"low": -1.2}}, 14),
        ({"y": {"low": -1.2}, "z": {"low": -2.0, "high": 2.2}}, 14),
        ({"y": {"low": -1.2}, "z": {"low": -2.0, "high": 2.2}}, 7),
    ],
    ids=["one limit", "joint t", "separate fits"],
)
def test_a_claim_of_90_percent_confidence_is_true_in_90_percent_of_trials(limits, runs):
    """300 trials: 0.90 ± 0.052 is three standard errors. One limit is exact (a noncentral t); several err to the safe side."""
    study = Study(
        "simulated",
        [Continuous("a", -1, 1), Continuous("b", -1, 1)],
        [Response(name, **ends) for name, ends in limits.items()],
    )
    corners = [(a, b) for a in (-1.0, 1.0) for b in (-1.0, 1.0)]
    X = np.array(corners * 3 + [(0.0, 0.0)] * 2 if runs == 14 else corners + [(0.0, 0.0)] * 3)
    slopes, sigma = np.array([[0.5, -0.3], [0.4, 0.5]]), np.array([[1.0, 0.6], [0.6, 1.0]])
    at = np.array([0.3, -0.2])
    both = stats.multivariate_normal(at @ slopes, sigma).cdf([np.inf, 2.2], lower_limit=[-1.2, -2.0])
    truth = both if len(limits) == 2 else stats.norm.sf(-1.2, at @ slopes[:, 0])
    rng = np.random.default_rng(11)
    held = 0
    for trial in range(300):
        Y = X @ slopes + rng.standard_normal((runs, 2)) @ np.linalg.cholesky(sigma).T
        table = pd.DataFrame({"a": X[:, 0], "b": X[:, 1], "y": Y[:, 0], "z": Y[:, 1]})[["a", "b", *limits]]
        win = find_window(fit_all(study, table, model="linear"), draws=1000, seed=trial)
        held += win.claim(pd.DataFrame([at], columns=["a", "b"]), 0.9)["claim"].iloc[0] <= truth
    if len(limits) == 1:
        assert held / 300 == pytest.approx(0.9, abs=0.052)
    else:
        assert held / 300 > 0.9
