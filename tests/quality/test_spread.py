"""Noise: a coefficient of variation, readings of earlier batches, a marked guess, advice on readings."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import doe
from doe.quality import Noise, noise_from_batches, noise_from_variation, usual_noise
from doe.quality.spread import worthwhile_readings


def test_a_coefficient_of_variation_is_that_of_a_log_normal():
    """A log-normal with this σ of the logarithm has exactly this coefficient of variation."""
    for percent in (2.0, 8.0, 40.0):
        noise = noise_from_variation(percent)
        assert stats.lognorm(noise.sigma).std() / stats.lognorm(noise.sigma).mean() == pytest.approx(percent / 100)
        assert noise.log


def batches():
    return pd.DataFrame(
        {"batch": ["a", "a", "b", "b", "c", "c", "d", "d"], "value": [10.0, 10.4, 11.2, 11.0, 9.1, 9.3, 10.6, 10.2]}
    )


def test_batches_and_readings_told_apart_by_their_analysis_of_variance():
    """Balanced one-way layout: σ_reading² = MS within, σ_batch² = (MS between − MS within)/2 (Searle, Casella & McCulloch 1992, ch. 3)."""
    data = batches()
    noise = noise_from_batches(data)
    groups = data.groupby("batch")["value"]
    between = 2 * groups.mean().var(ddof=1)
    within = groups.var(ddof=1).mean()
    assert noise.reading == pytest.approx(np.sqrt(within))
    assert noise.batch == pytest.approx(np.sqrt((between - within) / 2))
    # σ of a mean of two readings is the spread of such means, on 3 df
    assert noise.sigma == pytest.approx(groups.mean().std(ddof=1))
    assert noise.df == pytest.approx(3)
    assert noise.upper == pytest.approx(noise.sigma * np.sqrt(3 / stats.chi2.ppf(0.1, 3)))


def test_more_readings_lower_sigma_and_confidence_raises_its_limit():
    two, one = noise_from_batches(batches()), noise_from_batches(batches(), readings_per_batch=1)
    assert one.sigma == pytest.approx(np.hypot(one.batch, one.reading))
    assert two.sigma < one.sigma
    assert noise_from_batches(batches(), confidence=0.95).upper > two.upper


def test_log_readings():
    noise = noise_from_batches(batches(), log=True)
    plain = noise_from_batches(batches().assign(value=lambda t: np.log(t["value"])))
    assert noise.sigma == pytest.approx(plain.sigma)
    assert noise.log
    assert not plain.log


def test_batches_of_several_settings_are_compared_within_each():
    data = batches().assign(setting=["p"] * 4 + ["q"] * 4)
    shifted = data.assign(value=data["value"] + np.where(data["setting"] == "q", 100.0, 0.0))
    assert noise_from_batches(shifted).sigma == pytest.approx(noise_from_batches(data).sigma)
    assert noise_from_batches(data).df == pytest.approx(2)


def test_one_reading_a_batch():
    noise = noise_from_batches(pd.DataFrame({"batch": [1, 2, 3], "value": [4.0, 5.0, 7.0]}))
    assert noise.sigma == pytest.approx(np.std([4, 5, 7], ddof=1))
    assert noise.advice == ""


def test_batches_that_differ_no_more_than_readings():
    data = pd.DataFrame({"batch": [1, 1, 2, 2, 3, 3], "value": [9.0, 11.0, 9.1, 10.9, 9.0, 11.0]})
    noise = noise_from_batches(data)
    assert noise.batch == 0
    assert noise.df == pytest.approx(5)
    assert "Batches differ no more than readings of one batch do." in repr(noise)


@pytest.mark.slow
def test_the_upper_limit_holds_as_often_as_it_says():
    """2,000 seeded sets of five batches read twice: coverage of the 90 % limit within three standard errors (Satterthwaite is approximate)."""
    rng = np.random.default_rng(23)
    held = 0
    for _ in range(2_000):
        values = np.repeat(rng.normal(0, 1.0, 5), 2) + rng.normal(0, 0.5, 10)
        held += noise_from_batches(
            pd.DataFrame({"batch": np.repeat(np.arange(5), 2), "value": values})
        ).upper >= np.sqrt(1 + 0.125)
    assert abs(held / 2_000 - 0.9) <= 3 * np.sqrt(0.09 / 2_000)


def test_advice_on_readings_at_both_sides():
    """One reading more is worth it while it takes at least 5 % off σ: with ratio r = reading/batch, from 1 to 2 readings."""
    edge = np.sqrt((1 - 0.95**2) / (0.95**2 - 0.5))
    assert worthwhile_readings(1.0, edge * 0.999) == 1
    assert worthwhile_readings(1.0, edge * 1.001) == 2
    assert worthwhile_readings(0.0, 1.0) == 6
    assert "one reading a batch is enough" in Noise(1, batch=1.0, reading=edge * 0.999).advice
    assert "2 readings a batch (reloaded each time)" in Noise(1, batch=1.0, reading=edge * 1.001).advice


def test_a_guess_is_marked_as_one():
    text = repr(usual_noise("viscosity"))
    assert "A guess, common practice, no source" in text
    assert "0.05 to 0.15" in text
    for kind in ("viscosity", "pH", "droplet size", "score"):
        guess = usual_noise(kind)
        assert guess.low < guess.sigma < guess.high


DATA = pd.DataFrame({"batch": [1, 1, 2], "value": [1.0, 2.0, 3.0]})


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: Noise(0),
            "sigma is 0.0 but must be above 0: give the standard deviation between batches made anew at one setting, on the fitted scale.",
        ),
        (
            lambda: noise_from_variation(0),
            "coefficient of variation is 0.0 but must be above 0 and at most 100 %: give the standard deviation as a percentage of the value.",
        ),
        (
            lambda: usual_noise("viscocity"),
            "usual noise is 'viscocity' but must be one of viscosity, pH, droplet size, score: did you mean 'viscosity'?",
        ),
        (
            lambda: noise_from_batches(DATA.drop(columns="batch")),
            "earlier batches: column 'batch' is 'missing' but must be there: give one row a reading, with its batch and its value.",
        ),
        (
            lambda: noise_from_batches(DATA.assign(value=[1, 0, 2]), log=True),
            "earlier batches, row 1: value is 0 but must be a number above 0: correct it or leave the row out.",
        ),
        (
            lambda: noise_from_batches(DATA.iloc[:2]),
            "earlier batches is '1 batch at 1 setting' but must be at least two batches of one setting: "
            "repeat readings of one batch say nothing of batches.",
        ),
        (
            lambda: noise_from_batches(DATA, confidence=2),
            "confidence is 2 but must be from 0.5 and below 1: 0.9 is usual for a planning limit.",
        ),
        (
            lambda: noise_from_batches(DATA, readings_per_batch=0),
            "readings_per_batch is 0 but must be a whole number from 1: say how many times each batch will be read.",
        ),
        (
            lambda: noise_from_batches(DATA.iloc[1:], readings_per_batch=2),
            "readings_per_batch is 2 but must be left out where no earlier batch was read twice: "
            "the spread of readings within a batch is not known.",
        ),
        (
            lambda: noise_from_batches(DATA.assign(value=1.0)),
            "earlier batches is 'batches that read all the same' but must be readings with some spread: give the readings unrounded.",
        ),
    ],
)
def test_bad_input(call, sentence):
    with pytest.raises(doe.StudyError) as problem:
        call()
    assert str(problem.value) == sentence
