"""Ordinal scores by MASS::polr and censored readings by survival::survreg, on invented data.

Versions and figures in ordinal_and_censored/expected.json. polr stops its search at a relative gain of 1e-8 in the log-likelihood, which is some
1e-5 in its estimates; survreg at about 1e-9.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe
from doe.fits import proportional_odds

CASE = Path(__file__).parent / "ordinal_and_censored"
CASES = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))["cases"]


def test_scores_without_a_prior():
    expected = CASES["ordinal_scores.csv"]
    data = pd.read_csv(CASE / "ordinal_scores.csv")
    X = np.column_stack([data["gum"], data["degree"], data["gum"] * data["degree"]])
    ours = proportional_odds.solve(X, data["score"].to_numpy() - 1, 5)
    theirs = pd.DataFrame(expected["coefficients"]).T
    estimate = np.concatenate([ours.slopes[0], ours.cuts[0]])
    error = np.sqrt(np.diag(np.linalg.inv(ours.own_information[0])))
    np.testing.assert_allclose(estimate, theirs["estimate"], atol=2e-5)
    np.testing.assert_allclose(np.roll(error, 3), theirs["std_error"], rtol=2e-5)
    assert ours.log_likelihood[0] == pytest.approx(expected["loglik"], abs=1e-7)
    assert ours.converged[0]


@pytest.fixture(scope="module")
def censored():
    study = doe.Study(
        "gel",
        [doe.Continuous("gum", -1, 1), doe.Continuous("degree", -1, 1)],
        [doe.Response("viscosity", "mPa·s", transform="log")],
    )
    data = pd.read_csv(CASE / "censored_viscosity.csv")
    return doe.fit(study, data, "viscosity", ["gum", "degree", "gum^2", "gum:degree"])


def test_censored_readings(censored):
    expected = CASES["censored_viscosity.csv"]
    theirs = pd.DataFrame(expected["coefficients"]).T
    ours = censored.coefficients.set_index("term")
    terms = list(theirs.index[:-1])
    np.testing.assert_allclose(ours.loc[terms, "estimate"], theirs.loc[terms, "estimate"], rtol=1e-7)
    assert censored.log_likelihood == pytest.approx(expected["loglik"], abs=1e-8)
    assert censored.likelihood.sigma_most_likely == pytest.approx(expected["scale"], rel=1e-7)
    # theirs are from the information alone; ours have the squares over the degrees of freedom instead
    likelihood = censored.likelihood
    plain = np.sqrt(np.diag(likelihood.covariance))
    order = [*(list(ours.index).index(t) for t in terms), len(ours)]
    np.testing.assert_allclose(plain[order], theirs["std_error"], rtol=1e-6)
    wider = np.sqrt(likelihood.readings_for_noise / likelihood.degrees)
    np.testing.assert_allclose(ours.loc[terms, "std_error"], wider * theirs.loc[terms, "std_error"], rtol=1e-6)
