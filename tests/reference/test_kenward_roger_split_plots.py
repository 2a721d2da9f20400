"""Kenward–Roger degrees of freedom at given variances, against saved results of general-purpose libraries on invented data.

kenward_roger_split_plots/expected.json says with what they were computed.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe.quality.information import groups_of, indicators
from doe.quality.strata import Strata

CASE = Path(__file__).parent / "kenward_roger_split_plots"
EXPECTED = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))["cases"]


def column(data, term):
    out = np.ones(len(data))
    for part in term.split(":"):
        name, _, power = part.partition("^")
        out = out * (1.0 if name == "1" else data[name].to_numpy(dtype=float) ** int(power or 1))
    return out


@pytest.mark.parametrize("file", EXPECTED)
def test_degrees_of_freedom_and_standard_errors(file):
    case, data = EXPECTED[file], pd.read_csv(CASE / file)
    variances = case["variance_components"]
    G, theta = [np.eye(len(data))], [1.0]
    for kind, name in (("whole plot", "whole_plot"), ("block", "block")):
        if kind in variances:
            Z = indicators(groups_of(list(data[name])))
            G.append(Z @ Z.T)
            theta.append(variances[kind] / variances["residual"])
    F = np.column_stack([column(data, term) for term in case["terms"]])
    strata = Strata(F, G, np.array(theta))
    error = np.sqrt(np.diag(strata.adjusted_covariance) * variances["residual"])
    for j, (term, want) in enumerate(case["terms"].items()):
        m, scale = strata.hypothesis(np.eye(F.shape[1])[[j]])
        # the saved variances stop at an optimiser's tolerance, which is what the last digits differ by
        assert m == pytest.approx(want["df"], rel=1e-6), term
        assert scale == pytest.approx(1.0, abs=1e-9), term
        assert error[j] == pytest.approx(want["std_error"], rel=1e-6), term


def test_balanced_strata_have_their_analysis_of_variance_degrees_of_freedom():
    """Three whole plots at each of two levels, four sub-plots each: 4 df between whole plots, 17 within, whatever the ratio."""
    whole = np.repeat(np.arange(6), 4)
    hard = np.repeat([1.0, -1.0], 12)
    easy = np.tile([1.0, 1.0, -1.0, -1.0], 6)
    F = np.column_stack([np.ones(24), hard, easy])
    Z = indicators(whole)
    for ratio in (0.0, 0.3, 5.0):
        strata = Strata(F, [np.eye(24), Z @ Z.T], np.array([1.0, ratio]))
        assert strata.hypothesis([[0, 1.0, 0]])[0] == pytest.approx(4)
        assert strata.hypothesis([[0, 0, 1.0]])[0] == pytest.approx(17)


def test_several_rows_of_one_stratum():
    """A three-level factor between nine whole plots: F on 2 and 6 df, exact, so its scale is 1."""
    whole = np.repeat(np.arange(9), 2)
    level = np.repeat([0, 1, 2], 6)
    F = np.column_stack([np.ones(18), (level == 0) * 1.0 - (level == 2), (level == 1) * 1.0 - (level == 2)])
    Z = indicators(whole)
    m, scale = Strata(F, [np.eye(18), Z @ Z.T], np.array([1.0, 2.0])).hypothesis(np.eye(3)[1:])
    assert (m, scale) == (pytest.approx(6), pytest.approx(1))


def test_a_stratum_without_degrees_of_freedom_tests_nothing():
    """Two whole plots, one at each level: nothing says how much whole plots differ by themselves."""
    whole = np.repeat([0, 1], 4)
    F = np.column_stack([np.ones(8), np.repeat([1.0, -1.0], 4), np.tile([1.0, -1.0], 4)])
    Z = indicators(whole)
    strata = Strata(F, [np.eye(8), Z @ Z.T], np.array([1.0, 1.0]))
    assert strata.hypothesis([[0, 1.0, 0]])[0] == 0
    assert strata.hypothesis([[0, 0, 1.0]])[0] == pytest.approx(5)
