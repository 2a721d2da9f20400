"""Statistical claims of the fit by simulation. Seeds and repeats are stated; tolerances are three Monte-Carlo errors."""

import numpy as np
import pandas as pd
import pytest

import doe

REPEATS = 1000


def three_errors(rate, n=REPEATS):
    return 3 * (rate * (1 - rate) / n) ** 0.5


@pytest.fixture(scope="module")
def composite():
    """A two-factor central composite plan with five centre runs, its axial runs at ±1.414."""
    a = 2**0.5
    z = [(-1, -1), (-1, 1), (1, -1), (1, 1), (a, 0), (-a, 0), (0, a), (0, -a), *[(0, 0)] * 5]
    return pd.DataFrame(z, columns=["a", "b"], dtype=float)


@pytest.mark.slow
def test_intervals_cover_and_tests_keep_their_level(composite):
    """1000 trials, seed 42: coefficients, mean and new batch at 95 %; lack of fit and outliers falsely called in 5 %."""
    rng = np.random.default_rng(42)
    study = doe.Study(
        "sim", [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)], [doe.Response("y", transform="log")]
    )
    at = pd.DataFrame({"a": [0.4], "b": [-0.7]})

    def truth(x):
        return 2 + 0.3 * x["a"] - 0.2 * x["b"] + 0.1 * x["a"] * x["b"] - 0.2 * x["a"] ** 2

    hits = np.zeros(5)
    for _ in range(REPEATS):
        data = composite.assign(y=np.exp(truth(composite) + 0.1 * rng.normal(size=13)))
        fit = doe.fit(study, data, "y")
        row = fit.coefficients.iloc[1]
        hits[0] += row["low"] < 0.3 < row["high"]
        mean, new = fit.predict(at), fit.predict(at, kind="new batch")
        hits[1] += mean["low"].iloc[0] < np.exp(truth(at).iloc[0]) < mean["high"].iloc[0]
        hits[2] += new["low"].iloc[0] < np.exp(truth(at).iloc[0] + 0.1 * rng.normal()) < new["high"].iloc[0]
        hits[3] += fit.anova.set_index("source").loc["lack of fit", "p"] < 0.05
        hits[4] += fit.diagnostics()["flags"].str.contains("outlier").any()
    rates = hits / REPEATS
    assert rates[:3] == pytest.approx([0.95] * 3, abs=three_errors(0.95))
    assert rates[3] == pytest.approx(0.05, abs=three_errors(0.05))
    # Bonferroni is a bound: correlated residuals make it a little conservative
    assert 0.02 < rates[4] < 0.05 + three_errors(0.05)


@pytest.mark.slow
def test_blocks_keep_the_level_of_the_lack_of_fit_test(composite):
    """1000 trials, seed 43, centre runs spread over three blocks: pure error by rank, 5 % false calls."""
    rng = np.random.default_rng(43)
    study = doe.Study("sim", [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)], [doe.Response("y")])
    block = np.array([1, 2, 3, 1, 2, 3, 1, 2, 3, 1, 1, 2, 3])
    called = 0
    for _ in range(REPEATS):
        y = composite["a"] - composite["b"] ** 2 + np.array([0, 2.0, -1.0])[block - 1] + 0.3 * rng.normal(size=13)
        fit = doe.fit(study, composite.assign(y=y, block=block), "y")
        called += fit.anova.set_index("source").loc["lack of fit", "p"] < 0.05
    assert called / REPEATS == pytest.approx(0.05, abs=three_errors(0.05))


@pytest.mark.slow
def test_the_box_cox_interval_covers(composite):
    """1000 trials, seed 44, log-normal noise of 30 %: how often λ = 0 lies in the 95 % interval.

    The interval is asymptotic and a little too narrow with 13 runs and 3 coefficients: 0.925 was found, not 0.95.
    """
    rng = np.random.default_rng(44)
    study = doe.Study("sim", [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)], [doe.Response("y")])
    inside = 0
    for _ in range(1000):
        y = np.exp(1 + 0.8 * composite["a"] - 0.5 * composite["b"] + 0.3 * rng.normal(size=13))
        profile = doe.fit(study, composite.assign(y=y), "y", "linear").transform_profile()
        inside += profile.low < 0 < profile.high
    assert inside / 1000 == pytest.approx(0.925, abs=three_errors(0.925, 1000))
