"""Two unbalanced split plots, one in days: REML with Kenward & Roger (1997) as lme4 and pbkrtest give it, on invented data.

Versions and figures in mixed/expected.json. The libraries stop their search at about 1e-8; 1e-6 is asked.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe

CASE = Path(__file__).parent / "mixed"
CASES = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))["cases"]
STUDY = doe.Study(
    "split",
    [doe.Continuous("base", -1, 1, hard_to_change=True), doe.Continuous("acid", -1, 1), doe.Continuous("speed", -1, 1)],
    [doe.Response("y")],
)


@pytest.fixture(scope="module", params=sorted(CASES))
def case(request):
    expected = CASES[request.param]
    return doe.fit(STUDY, pd.read_csv(CASE / request.param), "y", list(expected["terms"])), expected


def test_coefficients(case):
    fit, expected = case
    ours = fit.coefficients.set_index("term")
    theirs = pd.DataFrame(expected["terms"]).T
    for column in theirs:
        np.testing.assert_allclose(ours.loc[theirs.index, column], theirs[column], rtol=1e-6, err_msg=column)


def test_tests_of_the_terms(case):
    fit, expected = case
    ours = fit.anova.set_index("source")
    for term, row in expected["F"].items():
        for column, value in row.items():
            assert ours.loc[term, column] == pytest.approx(value, rel=1e-6)


def test_variances_and_likelihood(case):
    fit, expected = case
    assert set(fit.variance_components.index) == set(expected["variance_components"])
    for name, value in expected["variance_components"].items():
        assert fit.variance_components[name] == pytest.approx(value, rel=1e-6)
    assert fit.log_likelihood == pytest.approx(expected["reml_loglik"], abs=1e-8)
