"""Pilot-plant filtration rate, an unreplicated 2^4 factorial: Montgomery, 10th ed., Tables 6.10 and 6.12.

Sources of every figure in filtration_rate_2_4/expected.json.
"""

import json
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe

CASE = Path(__file__).parent / "filtration_rate_2_4"
EXPECTED = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))
LETTERS = "ABCD"


@pytest.fixture(scope="module")
def trial():
    data = pd.read_csv(CASE / "data.csv").rename(columns=lambda c: c[0] if c[1:2] == "_" else c)
    study = doe.Study("filtration", [doe.Continuous(c, -1, 1) for c in LETTERS], [doe.Response("filtration_rate")])
    return study, data


def test_effects_of_the_full_model(trial):
    study, data = trial
    terms = [":".join(c) for r in range(1, 5) for c in combinations(LETTERS, r)]
    fit = doe.fit(study, data, "filtration_rate", terms)
    found = fit.coefficients.set_index("term")["estimate"]
    for effect, value in EXPECTED["effects"].items():
        assert 2 * found[":".join(effect)] == pytest.approx(value, abs=1e-9)
    assert fit.df_residual == 0
    assert fit.coefficients["std_error"].isna().all()


def test_sums_of_squares_of_the_reduced_model(trial):
    study, data = trial
    want = EXPECTED["reduced_model"]
    fit = doe.fit(study, data, "filtration_rate", [":".join(t) for t in want["terms"]])
    table = fit.anova.set_index("source")["ss"]
    assert fit.beta[0] == pytest.approx(want["intercept"], abs=1e-9)
    for term, value in EXPECTED["sums_of_squares"].items():
        assert table[":".join(term)] == pytest.approx(value, abs=EXPECTED["ss_tol"])


def test_aliased_terms_of_the_half_fraction_are_refused_by_name(trial):
    """In the half fraction D = ABC every pair of two-factor interactions is one contrast."""
    study, data = trial
    half = data[(data[list(LETTERS)].prod(axis=1) == 1)]
    with pytest.raises(doe.StudyError) as error:
        doe.fit(study, half, "filtration_rate", "interaction")
    assert str(error.value) == (
        "model for 'filtration_rate': terms is 'B:C with A:D; B:D with A:C; C:D with A:B' but must be such that these 8 batches "
        "tell them apart, and 8 batches cannot carry 11 coefficients: drop one of each group named, choose a smaller model, or "
        "make runs that separate them."
    )


def test_the_half_fraction_estimates_chains_of_effects(trial):
    study, data = trial
    half = data[(data[list(LETTERS)].prod(axis=1) == 1)]
    want = EXPECTED["half_fraction_I_equals_ABCD"]
    fit = doe.fit(study, half, "filtration_rate", [":".join(t) for t in want])
    found = fit.coefficients.set_index("term")["estimate"]
    np.testing.assert_allclose([2 * found[":".join(t)] for t in want], list(want.values()), atol=1e-9)
