"""Survival of animals, 3 poisons x 4 treatments: Box & Cox (1964), J. R. Stat. Soc. B 26, 211-252.

Sources of every figure in box_cox_poison/expected.json.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe

CASE = Path(__file__).parent / "box_cox_poison"
EXPECTED = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))


def fitted(model, transform=None):
    data = pd.read_csv(CASE / "data.csv").rename(columns={"time": "survival"})
    study = doe.Study(
        "poison",
        [doe.Categorical("poison", ["1", "2", "3"]), doe.Categorical("treatment", list("ABCD"))],
        [doe.Response("survival", "10 h", transform=transform)],
    )
    return doe.fit(study, data, "survival", model)


def test_power_of_the_additive_model():
    want, found = EXPECTED["boxcox_additive"], fitted("linear").transform_profile()
    assert found.estimate == pytest.approx(want["lambda"], abs=want["lambda_tol"])
    assert [found.low, found.high] == pytest.approx(want["ci_computed_here"], abs=want["ci_computed_tol"])
    assert [found.low, found.high] == pytest.approx(want["ci_published"], abs=want["ci_published_tol"])
    assert found.low < -1 < found.high < 0


def test_power_with_the_interaction():
    want = EXPECTED["boxcox_with_interaction_computed_here"]
    assert fitted("interaction").transform_profile().estimate == pytest.approx(want["lambda"], abs=want["tol"])


@pytest.mark.parametrize(("table", "transform"), [("anova_time", None), ("anova_reciprocal", ("box-cox", -1))])
def test_analysis_of_variance(table, transform):
    """Balanced, so partial and sequential sums of squares agree; (1/y - 1)/(-1) has the analysis of 1/y."""
    found = fitted("interaction", transform).anova.set_index("source")
    rows = {"poison": "poison", "treatment": "treatment", "poison:treatment": "interaction", "residual": "residual"}
    for row, key in rows.items():
        df, ss, ms, F = EXPECTED[table][key]
        assert found.loc[row, "df"] == df
        assert found.loc[row, "ss"] == pytest.approx(ss, abs=EXPECTED["anova_tol"])
        assert found.loc[row, "ms"] == pytest.approx(ms, abs=EXPECTED["anova_tol"])
        if F is None:
            assert np.isnan(found.loc[row, "F"])
        else:
            assert found.loc[row, "F"] == pytest.approx(F, abs=EXPECTED["anova_tol"])


def test_aicc_prefers_the_reciprocal_as_the_profile_does():
    """Comparable across transforms because of the Jacobian: differences are those of the profile likelihood."""
    fits = {lam: fitted("linear", ("box-cox", lam)) for lam in (-1.0, 1.0)}
    profile = fitted("linear").transform_profile()
    from doe.fits.transforms import profile_likelihood

    height, _ = profile_likelihood(fits[1.0].solution.Q, fits[1.0].batches.values)
    assert fits[-1.0].aicc - fits[1.0].aicc == pytest.approx(-2 * (height(-1.0) - height(1.0)), rel=1e-9)
    assert fits[-1.0].aicc < fits[1.0].aicc
    assert profile.low < -1
