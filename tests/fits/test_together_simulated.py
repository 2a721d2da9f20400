"""How often intervals hold the truth where conditions of a batch are fitted together. Fixed seeds; 2000 trials: ±0.015 (three errors)."""

import numpy as np
import pandas as pd
import pytest

import doe

TRIALS = 2000
CONDITIONS = ("4 °C", "25 °C", "40 °C")
BETWEEN = ("1", "polymer", "speed")


def lost_jars():
    """Ten batches of two factors under three conditions, four jars lost and three read twice."""
    z = [(a, b) for a in (-1, 1) for b in (-1, 1)] * 2 + [(0, 0)] * 2
    rows = [(run, p, s, c, k) for run, (p, s) in enumerate(z, start=1) for c in range(3) for k in (1, 2)]
    table = pd.DataFrame(rows, columns=["run", "polymer", "speed", "condition", "replicate"])
    twice = {(1, 2), (4, 0), (9, 1)}
    lost = {(2, 2), (5, 0), (6, 2), (10, 1)}
    cell = list(zip(table["run"], table["condition"], strict=True))
    keep = [(c not in lost) and (k == 1 or c in twice) for c, k in zip(cell, table["replicate"], strict=True)]
    return table[keep].reset_index(drop=True)


@pytest.mark.slow
@pytest.mark.parametrize("ratio", [0.0, 0.3, 1.0, 4.0])
def test_intervals_of_coefficients_and_new_batches(ratio):
    """Variance between batches none to four times that between conditions of one. Condition terms 93-97 %, batch terms at least 93 %."""
    plan = lost_jars()
    at = plan["condition"].to_numpy()
    data = plan.assign(condition=[CONDITIONS[c] for c in at])
    study = doe.Study(
        "sim",
        [doe.Continuous("polymer", -1, 1), doe.Continuous("speed", -1, 1)],
        [doe.Response("y", conditions=CONDITIONS)],
    )
    first = doe.fit(study, data.assign(y=np.arange(len(data)) % 7), "y", "linear", at=(None, None))
    truth = np.array([10, 1.0, -0.5, 0.6, 0.1, 0.3, -0.2, 0.0, 0.1])
    mean = first.model.matrix(data) @ truth
    there = pd.DataFrame({"polymer": [0.5], "speed": [-0.5], "condition": ["40 °C"]})
    foretold = float((first.model.matrix(there) @ truth)[0])
    rng = np.random.default_rng(31)
    covered, new = np.zeros(len(truth)), 0
    for _ in range(TRIALS):
        batch = np.sqrt(ratio) * rng.standard_normal(11)
        jar = rng.standard_normal((11, 3))
        reading = 0.5 * rng.standard_normal(len(data))
        y = mean + batch[plan["run"]] + jar[plan["run"], at] + reading
        fit = doe.fit(study, data.assign(y=y), "y", "linear", at=(None, None))
        c = fit.coefficients
        covered += ((c["low"] < truth) & (truth < c["high"])).to_numpy()
        p = fit.predict(there, kind="new batch").iloc[0]
        # measured as in the trial: by as many readings a batch and condition as there were on average
        one = foretold + np.sqrt(ratio + 1.0 + 0.25 * np.mean(1.0 / fit.batches.counts)) * rng.standard_normal()
        new += p["low"] < one < p["high"]
    between = np.isin(first.model.columns, BETWEEN)
    assert (covered[between] / TRIALS > 0.93).all()
    assert ((covered[~between] / TRIALS > 0.93) & (covered[~between] / TRIALS < 0.97)).all()
    assert 0.925 < new / TRIALS < 0.98
