"""Power against Cohen's tables (power_tables/expected.json) and the power functions of statsmodels."""

import json
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe
from doe.designs import Plan
from doe.quality import check

EXPECTED = json.loads((Path(__file__).parent / "power_tables" / "expected.json").read_text(encoding="utf-8"))


def two_groups(n):
    study = doe.Study("s", [doe.Continuous("a", 0, 10)])
    return check(Plan.from_frame(study, pd.DataFrame({"a": [0.0, 10.0] * n})), "linear")


def three_groups(n):
    study = doe.Study("s", [doe.Categorical("a", ["x", "y", "z"])])
    return check(Plan.from_frame(study, pd.DataFrame({"a": ["x", "y", "z"] * n})), "linear")


@pytest.mark.parametrize("row", EXPECTED["t"], ids=str)
def test_two_groups(row):
    """The printed n is the least with power .80, taken to two decimals."""
    assert two_groups(row["n"]).power(1.0, change=row["d"])["power"].iloc[0] >= 0.795
    assert two_groups(row["n"] - 2).power(1.0, change=row["d"])["power"].iloc[0] < 0.795


@pytest.mark.parametrize("row", EXPECTED["F3"], ids=str)
def test_three_groups(row):
    """Two levels at ±change/2, one at 0: Cohen's f is change / √(2 × 3), his minimum-variability pattern (eq. 8.2.7)."""
    change = row["f"] * np.sqrt(6)
    assert three_groups(row["n"]).power(1.0, change=change)["power"].iloc[0] >= 0.795
    assert three_groups(row["n"] - 2).power(1.0, change=change)["power"].iloc[0] < 0.795


@pytest.mark.parametrize(("k", "replicates"), [(2, 2), (3, 1), (3, 3), (4, 1)])
@pytest.mark.parametrize("change", [0.7, 1.6])
@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_two_level_factorials_against_statsmodels(k, replicates, change, alpha):
    """Main effects of a balanced factorial are two-sample t tests with the model's residual df; var(effect) = 4σ²/N."""
    from statsmodels.stats.power import FTestPower, TTestPower

    study = doe.Study("s", [doe.Continuous(f"x{i}", 0, 1) for i in range(k)])
    runs = pd.DataFrame(list(product([0.0, 1.0], repeat=k)) * replicates, columns=study.names)
    made = check(Plan.from_frame(study, runs), "linear")
    n, df = len(runs), len(runs) - k - 1
    sigma = 0.9
    found = made.power(sigma, change=change, alpha=alpha)
    assert (found["df"] == df).all()
    effect_sd = 2 * sigma / np.sqrt(n)
    # statsmodels: non-centrality d √nobs, df nobs − 1, so d is scaled to this non-centrality
    want = TTestPower().power(change / effect_sd / np.sqrt(df + 1), nobs=df + 1, alpha=alpha)
    assert found["power"].to_numpy() == pytest.approx(want, abs=1e-9)
    # FTestPower: non-centrality effect² (df_denom + df_num + 1), whichever name holds the denominator
    f = (change / effect_sd) / np.sqrt(df + 1 + 1)
    want_f = FTestPower().power(f, df_num=df, df_denom=1, alpha=alpha, ncc=1)
    assert found["power"].to_numpy() == pytest.approx(want_f, abs=1e-9)


@pytest.mark.parametrize("n", [4, 9])
def test_categorical_against_statsmodels(n):
    from statsmodels.stats.power import FTestAnovaPower

    change = 1.4
    f = change / np.sqrt(6)
    want = FTestAnovaPower().power(f, nobs=3 * n, alpha=0.05, k_groups=3)
    assert three_groups(n).power(1.0, change=change)["power"].iloc[0] == pytest.approx(want, abs=1e-9)
