"""Error rates and round trips of the self-test: what they count, and that a wrong rate or a lost bit is found."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe.calibration import answers, losses, rates
from doe.calibration.findings import in_rate


def test_a_rate_is_held_against_three_monte_carlo_errors_of_the_one_claimed():
    right = in_rate("what", "bench", 365, 400, 0.95)  # 91.25 %; three errors are 3.27 %
    assert not right.holds
    assert right.found == "91.2 % (Monte-Carlo error 1.4 %; 400 trials)"
    assert right.allowed == "95 % claimed; 91.7 to 98.3 %"
    assert in_rate("what", "bench", 367, 400, 0.95).holds
    assert not in_rate("what", "bench", 0, 400, 0.05).holds
    assert in_rate("what", "bench", 0, 400, 0.05, one_sided=True).holds
    assert not in_rate("what", "bench", 40, 400, 0.05, one_sided=True).holds


def test_trials_count_what_they_say_and_a_wrong_claim_is_found():
    """Twelve trials, seed 0: intervals that claim 30 % hold far more, and the drivers' verdict is held against its own claim."""
    wrong = rates.of_least_squares(12, 0, {"interval": 0.3})
    assert len(wrong) == 9
    assert [f.holds for f in wrong] == [False] * 6 + [True] * 3


@pytest.mark.slow
def test_processes_change_no_count():
    assert rates.of_split_plots(6, 0, n_jobs=2) == rates.of_split_plots(6, 0)
    assert rates.of_least_squares(4, 0, n_jobs=2) == rates.of_least_squares(4, 0)
    assert rates.of_scores_and_bounds(4, 0, n_jobs=2) == rates.of_scores_and_bounds(4, 0)


@pytest.mark.slow
def test_trials_of_scores_and_bounds_count_what_they_say(monkeypatch):
    """Twelve trials, seed 0; a truth that is none is missed."""
    found = rates.of_scores_and_bounds(12, 0)
    assert [f.what.split(":")[0] for f in found] == [
        "Stability scored from 1 to 5",
        "Viscosity read as >20000 where it is",
        "Viscosity read as >20000 where it is",
    ]
    assert all(f.holds for f in found), found
    monkeypatch.setattr(rates, "chance_of_a_good_score", lambda bench, at: 0.02)
    assert not rates.of_scores_and_bounds(12, 0)[0].holds


def test_the_true_chance_of_a_good_score_is_that_of_jars_made():
    bench = doe.virtual.AfterSunGel(setting_error=False, scored=True)
    at = pd.DataFrame([rates.HARD])
    plan = doe.designs.Plan.from_frame(bench.study, pd.concat([at] * 3000, ignore_index=True))
    scores = bench.make(plan, seed=9).frame("stability")["stability"]
    true = rates.chance_of_a_good_score(bench, at)
    assert 0.5 < true < 0.8
    assert (scores >= 4).mean() == pytest.approx(true, abs=4 * np.sqrt(true * (1 - true) / 3000))


def test_trials_of_another_seed_are_others():
    assert list(rates.seeds(0, 1, 3)) != list(rates.seeds(1, 1, 3))
    assert list(rates.seeds(0, 1, 3)) != list(rates.seeds(0, 2, 3))
    assert list(rates.seeds(0, 1, 3)) == list(rates.seeds(0, 1, 5)[:3])


@pytest.mark.slow
def test_what_fits_estimate_on_average_is_what_they_average_to():
    """15 fits: their mean is within four of its standard errors of the average claimed."""
    bench = doe.virtual.AfterSunGel(setting_error=False)
    plan = doe.designs.central_composite(bench.study, axial="face")
    beta, middle = rates.averages(bench, plan, "linear", pd.DataFrame([rates.AT]))["pH"]
    model = bench.study.model("linear")
    X = model.matrix(plan.runs)
    found = np.array(
        [
            np.linalg.lstsq(X, bench.make(plan, seed=k).frame("pH").set_index("run").loc[plan.runs.index, "pH"], rcond=None)[0]
            for k in range(15)
        ]
    )  # fmt: skip
    error = found.std(axis=0, ddof=1) / np.sqrt(15)
    assert (np.abs(found.mean(axis=0) - beta) < 4 * error).all()
    assert middle == pytest.approx((model.matrix(pd.DataFrame([rates.AT])) @ beta)[0])


@pytest.fixture(scope="module")
def few():
    """Four batches of the virtual bench."""
    bench = doe.virtual.AfterSunGel()
    settings = pd.DataFrame([rates.AT | {"speed": s} for s in (250.0, 350.0, 450.0, 550.0)])
    return doe.designs.Plan.from_frame(bench.study, settings)


def test_nothing_is_lost(few, tmp_path):
    found = losses.round_trips(tmp_path, 0, plan=few)
    assert len(found) == 10
    assert found[0].found == "0 of 16 readings differ"
    assert all(f.holds for f in found), [f for f in found if not f.holds]


def one_bit(table):
    out = table.copy()
    out.loc[out.index[-1], "value"] = np.nextafter(out["value"].iloc[-1], np.inf)
    return out


def test_one_bit_of_one_reading_is_a_difference():
    _, records = losses.batches_read(3)
    data = records.data
    assert losses.different(data, data.sample(frac=1, random_state=1)) == 0
    assert losses.different(data, one_bit(data)) == 1
    assert losses.different(data, data.iloc[1:]) == losses.different(data.iloc[1:], data) == 1
    assert data["value"].isna().sum() == 3  # bounds are among them


@pytest.mark.slow
def test_a_lost_bit_is_found_on_every_way(few, tmp_path):
    found = losses.round_trips(tmp_path, 1, one_bit, few)
    assert [f.holds for f in found if f.source == losses.BITS] == [False] * 6
    assert all(f.holds for f in found if f.source != losses.BITS)
    assert found[0].found == "1 of 16 readings differ"


@pytest.mark.slow
def test_a_wrong_chance_is_found():
    """Residuals of one response doubled behind the window's back: SciPy's chance is then another."""
    bench = doe.virtual.AfterSunGel()
    plan = doe.designs.central_composite(bench.study, axial="face")
    fits = doe.fit_all(bench.study, bench.make(plan, seed=5))
    points = pd.DataFrame([rates.AT])
    (right,) = answers.joint_chances(fits, points, 20_000, 0)
    assert right.holds
    (wrong,) = answers.joint_chances(fits, points, 20_000, 0, inflate=2.0)
    assert not wrong.holds
