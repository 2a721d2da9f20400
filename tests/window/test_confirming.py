"""Confirmation batches: limits that hold together, the verdict, the fits with them."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import doe
from doe import StudyError
from doe.window.confirming import simultaneous

from .trials import made

FACTORS = [doe.Continuous("polymer", 0.2, 0.6, "%", step=0.01), doe.Continuous("speed", 400, 1000, "rpm", step=50)]
RESPONSES = [
    doe.Response("viscosity", "mPa·s", low=8000, high=20000, transform="log", decimals=0),
    doe.Response("firmness", "N", low=4.0, decimals=2),
]


@pytest.fixture(scope="module")
def win():
    surfaces = [lambda Z: 9.5 + 0.4 * Z[:, 0], lambda Z: 5 + Z[:, 1]]
    _, _, fits = made(FACTORS, RESPONSES, surfaces, sd=0.08, model="linear", correlation=0.3)
    return doe.find_window(fits)


def batches(win, viscosity, firmness):
    return pd.DataFrame({**win.set_point.to_dict(), "viscosity": viscosity, "firmness": firmness})


def test_limits_of_independent_normals():
    values = np.random.default_rng(0).standard_normal((200_000, 2))
    low, high = simultaneous(values, 0.95)
    exact = stats.norm.ppf((1 + np.sqrt(0.95)) / 2)  # each holds with √0.95
    np.testing.assert_allclose(high, exact, atol=0.03)
    np.testing.assert_allclose(low, -exact, atol=0.03)
    inside = ((values >= low) & (values <= high)).all(axis=1).mean()
    assert inside == pytest.approx(0.95, abs=1e-3)


def test_one_batch_of_one_response_is_the_prediction_interval():
    _, _, fits = made(FACTORS, RESPONSES[:1], [lambda Z: 9.5 + 0.4 * Z[:, 0]], sd=0.08, model="linear")
    one = doe.find_window(fits)
    found = doe.confirm(one, batches=1).limits.iloc[0]
    exact = fits["viscosity"].predict(pd.DataFrame([one.set_point]), kind="new batch").iloc[0]
    # an order statistic at 0.975 of 20,000 draws errs by some 0.02 sigma
    assert np.log(found["low"]) == pytest.approx(np.log(exact["low"]), abs=0.006)
    assert np.log(found["high"]) == pytest.approx(np.log(exact["high"]), abs=0.006)
    assert np.isnan(found["mean_low"])


def test_batches_and_their_mean_hold_together_as_often_as_said():
    """Under least squares the pivot is known: all of three batches and their mean, drawn anew."""
    _, _, fits = made(FACTORS, RESPONSES[:1], [lambda Z: 9.5 + 0.4 * Z[:, 0]], sd=0.08, model="linear")
    fit = fits["viscosity"]
    one = doe.find_window(fits)
    limits = doe.confirm(one).limits.iloc[0]
    x = fit.model.matrix(pd.DataFrame([one.set_point]))[0]
    rng = np.random.default_rng(1)
    s = fit.sigma * np.sqrt(fit.df_residual / rng.chisquare(fit.df_residual, 100_000))
    centre = x @ fit.beta + s * np.sqrt(x @ fit.cov_unscaled @ x) * rng.standard_normal(100_000)
    z = centre[:, None] + s[:, None] * rng.standard_normal((100_000, 3))
    low, high, mean_low, mean_high = np.log(limits[["low", "high", "mean_low", "mean_high"]].to_numpy(dtype=float))
    held = ((z >= low) & (z <= high)).all(axis=1) & (z.mean(axis=1) >= mean_low) & (z.mean(axis=1) <= mean_high)
    assert held.mean() == pytest.approx(0.95, abs=0.006)
    assert mean_high - mean_low < high - low


def test_what_it_says(win):
    c = doe.confirm(win)
    text = str(c)
    assert "Confirm with 3 batches at" in text
    assert "Fix these limits before the first is weighed." in text
    assert list(c.sizes["batches"]) == [1, 2, 3, 4, 5, 6, 8, 10]
    assert c.sizes["shown"].iloc[2] == pytest.approx(0.05 ** (1 / 3))  # no miss among three, Clopper & Pearson (1934)
    assert (np.diff(c.sizes["chance_all"]) <= 0).all()
    assert len(c.plan.runs) == 3
    assert (c.plan.runs == win.set_point).all(axis=None)


def test_every_argument_changes_the_answer(win):
    base = doe.confirm(win).limits
    wider = doe.confirm(win, batches=10).limits
    surer = doe.confirm(win, confidence=0.99).limits
    moved = doe.confirm(win, at={"polymer": 0.25}).limits
    assert (wider["high"] > base["high"]).all()
    assert (surer["low"] < base["low"]).all()
    assert moved["expected"].iloc[0] != base["expected"].iloc[0]


def test_a_verdict_in_agreement(win):
    c = doe.confirm(win)
    expected = c.limits.set_index("response")["expected"]
    verdict = c.verdict(batches(win, expected["viscosity"] * np.array([0.98, 1.0, 1.02]), expected["firmness"]))
    assert verdict.agrees
    assert verdict.conforming == 3
    assert verdict.words.startswith(
        "Agrees: all 3 batches read as the model foretold. 3 of 3 met every specification, which by itself shows that at least 37% of such"
    )


def test_a_verdict_against(win):
    c = doe.confirm(win)
    expected = c.limits.set_index("response")["expected"]
    verdict = c.verdict(batches(win, [expected["viscosity"]] * 2 + [5000.0], expected["firmness"]))
    assert not verdict.agrees
    assert verdict.conforming == 2
    assert "viscosity of batch 3 is 5000 mPa·s, foretold " in verdict.words
    assert "2 of 3 met every specification." in verdict.words
    assert "no" in str(verdict)


def test_fewer_batches_than_asked_are_judged_by_their_own_limits(win):
    c = doe.confirm(win)
    expected = c.limits.set_index("response")["expected"]
    verdict = c.verdict(batches(win, expected["viscosity"], [expected["firmness"]] * 2))
    assert "The limits are those of 2 batches, since 3 were asked for and 2 read." in verdict.words
    partly = c.verdict(batches(win, [expected["viscosity"]] * 3, None))
    assert "Not judged, as it was not read: firmness." in partly.words


@pytest.mark.parametrize("recorded", [False, True])
def test_a_reading_beyond_the_instrument_is_judged_by_its_bound(win, recorded):
    c = doe.confirm(win)
    high = float(c.limits.set_index("response").loc["viscosity", "high"])
    expected = c.limits.set_index("response")["expected"]

    def verdict(first):
        table = batches(win, [first, expected["viscosity"], expected["viscosity"]], [expected["firmness"]] * 3)
        return c.verdict(doe.bench.Records.from_frame(table.assign(run=[1, 2, 3]), c.plan) if recorded else table)

    out = verdict(">40000")
    assert not out.agrees
    assert out.conforming == 2
    assert "viscosity of batch 1 is >40000 mPa·s, foretold " in out.words
    assert "2 of 3 met every specification." in out.words
    assert "mean" not in set(out.table.loc[out.table["response"] == "viscosity", "batch"])
    # above its own limit whatever it was, if "more than" begins there
    assert not verdict(f">{high!r}").agrees
    unsure = verdict(">10000")
    assert not unsure.agrees
    assert unsure.words.startswith("Cannot be told: viscosity of batch 1 is >10000 mPa·s, foretold ")
    assert "2 of 3 met every specification; it cannot be said of batch 1 (viscosity >10000)." in unsure.words
    within = verdict(f"{expected['viscosity'] - 10:.0f}..{expected['viscosity'] + 10:.0f}")
    assert within.agrees
    assert within.conforming == 3
    assert "cannot be told" in str(unsure)
    refitted = unsure.refit()["viscosity"]
    assert refitted.method == "censored"
    assert refitted.n == win.fits["viscosity"].n + 3
    assert refitted.batches.lower[-3] == 10000.0


def test_bounds_of_the_trial_stay_in_the_refit():
    study = doe.Study("invented", FACTORS, [doe.Response("viscosity", "mPa·s", low=8000, high=20000, transform="log")])
    rng = np.random.default_rng(3)
    table = pd.DataFrame({"polymer": np.resize([0.2, 0.4, 0.6], 12), "speed": np.resize([400.0, 1000.0], 12)})
    value = np.exp(9.5 + 0.4 * (table["polymer"] - 0.4) / 0.2 + 0.08 * rng.standard_normal(12))
    table["viscosity"] = [">15234.5" if v > 15234.5 else v for v in value]
    fits = doe.fit_all(study, table, model="linear")
    assert fits["viscosity"].batches.censored.sum() > 1
    again = doe.confirm(doe.find_window(fits)).verdict(pd.DataFrame({"viscosity": [14000.0]})).refit()["viscosity"]
    np.testing.assert_array_equal(again.batches.lower[:-1], fits["viscosity"].batches.lower)
    np.testing.assert_array_equal(again.batches.upper[:-1], fits["viscosity"].batches.upper)


def test_a_batch_not_read_throughout_does_not_count_as_met(win):
    c = doe.confirm(win)
    expected = c.limits.set_index("response")["expected"]
    found = c.verdict(batches(win, expected["viscosity"], [expected["firmness"], None, expected["firmness"]]))
    assert found.agrees
    assert found.conforming == 2
    assert found.words.startswith("Agrees as far as it was read: all 3 batches read as the model foretold. ")
    assert "2 of 3 met every specification; it cannot be said of batch 2 (firmness not read)." in found.words
    assert "shows that at least" not in found.words
    none = c.verdict(batches(win, [expected["viscosity"]] * 3, None))
    assert none.conforming == 0


def test_records_of_the_plan_are_judged(win):
    c = doe.confirm(win)
    table = batches(win, [14000.0, 14100.0, 14200.0], [5.9, 6.0, 6.1])
    records = doe.bench.Records.from_frame(table.assign(run=[1, 2, 3]), c.plan)
    direct = c.verdict(table)
    assert c.verdict(records).table["value"].tolist() == direct.table["value"].tolist()


def test_the_fits_with_the_confirmation(win):
    c = doe.confirm(win)
    table = batches(win, [14000.0, 14100.0, 14200.0], [5.9, 6.0, 6.1])
    again = c.verdict(table).refit()
    for name, old in win.fits.items():
        assert again[name].n == old.n + 3
        assert again[name].model.terms == old.model.terms
    joined = pd.concat(
        [old.batches.settings.assign(firmness=old.batches.values), table[["polymer", "speed", "firmness"]]],
        ignore_index=True,
    )
    direct = doe.fit(win.study, joined, "firmness", model=old.model)
    np.testing.assert_allclose(again["firmness"].beta, direct.beta, rtol=1e-12)
    assert doe.find_window(again).set_point_probability > 0


def test_split_plots_keep_their_whole_plots():
    rng = np.random.default_rng(0)
    study = doe.Study(
        "invented",
        [doe.Continuous("polymer", 0.2, 0.6, "%", hard_to_change=True), FACTORS[1]],
        [doe.Response("firmness", "N", low=4)],
    )
    g = np.repeat(np.arange(6), 4)
    table = pd.DataFrame(
        {"whole_plot": g, "polymer": np.resize([0.2, 0.6], 6)[g], "speed": np.tile([400.0, 1000.0], 12)}
    )
    table["firmness"] = (
        5.0 + study.encode(table).sum(axis=1) * 0.3 + rng.standard_normal(6)[g] * 0.3 + 0.1 * rng.standard_normal(24)
    )
    win = doe.find_window(doe.fit_all(study, table, model="linear"))
    c = doe.confirm(win)
    assert c.plan.whole_plot.nunique() == 3
    verdict = c.verdict(pd.DataFrame({"firmness": [5.4, 5.6, 5.5]}))
    assert len(set(verdict.refit()["firmness"].batches.whole_plot)) == 9


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda w: doe.confirm("w"),
            "confirm: win is 'str' but must be a Window: make it with doe.find_window.",
        ),
        (
            lambda w: doe.confirm(w, batches=0),
            "confirm: batches is 0 but must be a whole number from 1 to 50: three are usual.",
        ),
        (
            lambda w: doe.confirm(w, confidence=95),
            "confirm: confidence is 95 but must be a number between 0 and 1: write 0.95, say.",
        ),
        (
            lambda w: doe.confirm(w, at={"polymer": 0.7}),
            "confirm: at is 'polymer 0.70, speed {speed}' but must be inside the study's region: choose a setting that was studied: outside it "
            "the models only extrapolate.",
        ),
        (
            lambda w: doe.confirm(w, at="here"),
            "confirm: at is 'here' but must be a mapping from factor to setting: write {{'polymer': …}}, or leave it out.",
        ),
        (
            lambda w: doe.confirm(w, at={"polymr": 0.5}),
            "factor is 'polymr' but must be a factor of the study: did you mean 'polymer'?",
        ),
        (
            lambda w: doe.confirm(w).verdict(pd.DataFrame({"polymer": [0.2], "viscosity": [9000.0]})),
            "verdict: batch 1, polymer is 0.2 but must be {polymer} %, the setting to be confirmed: leave batches made elsewhere out, or confirm "
            "that setting with confirm(…, at=…).",
        ),
        (
            lambda w: doe.confirm(w).verdict(pd.DataFrame({"viscosity": ["thick"]})),
            'verdict, run 1, column \'viscosity\' is \'thick\' but must be a number, a bound such as "<50", ">100000" or "50..60", or blank: '
            "correct the reading, or leave it blank and keep the text in a remark.",
        ),
        (
            lambda w: doe.confirm(w).verdict(pd.DataFrame({"gloss": [1.0]})),
            "verdict: records is 'without a reading' but must be with readings of viscosity, firmness: read the batches first.",
        ),
        (
            lambda w: doe.confirm(w).verdict([1]),
            "verdict: records is 'list' but must be Records or a DataFrame: give one row a batch and one column a response.",
        ),
    ],
)
def test_refusals(win, call, sentence):
    with pytest.raises(StudyError) as caught:
        call(win)
    shown = {
        name: f"{win.set_point[name]:.2f}" if name == "polymer" else f"{win.set_point[name]:.0f}"
        for name in win.set_point.index
    }
    assert str(caught.value) == sentence.format(**shown)
