"""Bad input is refused in one clear sentence each."""

import numpy as np
import pandas as pd
import pytest

from doe.fits import fit_all
from doe.study import Categorical, Component, Continuous, Discrete, Response, Study, StudyError
from doe.window import find_window

from .trials import made, one_factor


def says(sentence, call):
    with pytest.raises(StudyError) as problem:
        call()
    assert str(problem.value) == sentence


@pytest.fixture(scope="module")
def fits():
    return made(
        [
            Continuous("polymer", 0.2, 0.6, "%", setting_sd=0.01),
            Discrete("speed", (400, 700, 1000), "rpm"),
            Categorical("impeller", ("anchor", "propeller")),
        ],
        [Response("firmness", "N", low=4.0)],
        [lambda Z: 5 + 2 * Z[:, 0]],
        n=20,
        model="linear",
    )[2]


@pytest.fixture(scope="module")
def win(fits):
    return find_window(fits, target=0.9, draws=1000)


def test_no_specification():
    says(
        "find_window: fits is 'firmness' but must be of at least one response with a specification: "
        "give a Response its low or high and fit again.",
        lambda: find_window(one_factor()[2]),
    )


def test_a_limit_that_everything_meets_is_none():
    """A logarithm never falls below 0, so that limit judges nothing."""
    says(
        "find_window: fits is 'firmness' but must be of at least one response with a specification: "
        "give a Response its low or high and fit again.",
        lambda: find_window(one_factor(low=0.0, transform="log")[2]),
    )


@pytest.mark.parametrize("target", [0, 1, 95, -0.1, True, "high"])
def test_target(fits, target):
    says(
        f"find_window: target is {target!r} but must be a number between 0 and 1: write 0.95 for 95 %.",
        lambda: find_window(fits, target=target),
    )


@pytest.mark.parametrize("draws", [0, 499, 1000.0, True, "many"])
def test_draws(fits, draws):
    says(
        f"find_window: draws is {draws!r} but must be a whole number of at least 500: leave it out for 4000.",
        lambda: find_window(fits, draws=draws),
    )


@pytest.mark.parametrize("seed", [-1, 1.5, None])
def test_seed(fits, seed):
    says(
        f"find_window: seed is {seed!r} but must be a whole number, 0 or above: leave it out for 0.",
        lambda: find_window(fits, seed=seed),
    )


def test_noise(fits):
    says(
        "find_window: noise is 'yes' but must be True or False: say whether a new batch carries its own error.",
        lambda: find_window(fits, noise="yes"),
    )


def test_fits_of_another_kind(fits):
    says(
        "find_window: fits is {} but must be a mapping of response to Fit, or one Fit: make them with doe.fit_all.",
        lambda: find_window({}),
    )
    says(
        "find_window: fits is {'firmness': 3} but must be a mapping of response to Fit, or one Fit: make them with doe.fit_all.",
        lambda: find_window({"firmness": 3}),
    )


def test_fits_of_different_studies(fits):
    trial, table, _ = one_factor(low=4.0)
    other = Study("another trial", trial.factors, trial.responses)
    mixed = {
        "a": fit_all(trial, table, model="linear")["firmness"],
        "b": fit_all(other, table, model="linear")["firmness"],
    }
    says(
        "find_window: fit of 'b' is 'another trial' but must be of the study 'invented trial': fit all responses from one study.",
        lambda: find_window(mixed),
    )


def test_no_residual_degrees_of_freedom():
    trial, _, _ = one_factor(low=4.0)
    table = pd.DataFrame({"polymer": [0.2, 0.6], "firmness": [3.0, 7.0]})
    says(
        "fit of 'firmness': residual degrees of freedom is 0 but must be at least 1: "
        "fit a smaller model, or add batches, so that the noise can be estimated.",
        lambda: find_window(fit_all(trial, table, model="linear")),
    )


def test_readings_on_a_line():
    trial, _, _ = one_factor(low=4.0)
    table = pd.DataFrame({"polymer": [0.2, 0.3, 0.4, 0.5, 0.6], "firmness": [3.0, 4.0, 5.0, 6.0, 7.0]})
    says(
        "fit of 'firmness': residual standard deviation is 0.0 but must be above 0: "
        "the model passes through every batch: check that the readings were measured, or fit a smaller model.",
        lambda: find_window(fit_all(trial, table, model="linear")),
    )


def test_a_response_that_follows_from_another():
    trial, table, _ = made(
        [Continuous("polymer", 0.2, 0.6, "%")],
        [Response("firmness", "N", low=4.0), Response("twice", "N", low=8.0)],
        [lambda Z: 5 + Z[:, 0], lambda Z: 10 + 2 * Z[:, 0]],
        model="linear",
    )
    table["twice"] = 2 * table["firmness"]
    says(
        "fits: residuals of firmness, twice is 'tied to each other exactly' but must be separate measurements: "
        "leave out the response that follows from the others.",
        lambda: find_window(fit_all(trial, table, model="linear")),
    )


@pytest.mark.parametrize(
    ("jitter", "sentence"),
    [
        (
            0.1,
            "find_window: jitter is 0.1 but must be None, True, False or a mapping of factor to standard deviation: "
            "write {'speed': 10}, say.",
        ),
        ({"sped": 10}, "find_window: jitter is 'sped' but must be a factor of the study: did you mean 'speed'?"),
        (
            {"speed": -1},
            "find_window: jitter, 'speed' is -1 but must be 0 or above: give a standard deviation.",
        ),
        (
            {"impeller": 1},
            "find_window: jitter, 'impeller' is 1 but must be left out: a categorical factor has no setting error: leave it out.",
        ),
        (
            {"speed": np.nan},
            "find_window: jitter, 'speed' is nan but must be a finite number: give it in rpm.",
        ),
    ],
)
def test_jitter(fits, jitter, sentence):
    says(sentence, lambda: find_window(fits, jitter=jitter))


def test_jitter_without_any_setting_error():
    says(
        "find_window: jitter is True but must be backed by a factor with a setting_sd: "
        "give the factors their setting_sd, or a mapping.",
        lambda: find_window(one_factor(low=4.0)[2], jitter=True),
    )


def test_jitter_of_the_balance():
    fits = made(
        [Component("water", 80, 96), Component("glycerin", 2, 15), Component("polymer", 2, 8)],
        [Response("firmness", "N", low=4.0)],
        [lambda Z: 20 * Z[:, 2]],
        model="linear",
        balance="water",
    )[2]
    says(
        "find_window: jitter, 'water' is 0.5 but must be left out: the balance takes up the errors of the others: leave it out.",
        lambda: find_window(fits, jitter={"water": 0.5}),
    )


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("polymr", "speed"), "map: x is 'polymr' but must be a factor of the study: did you mean 'polymer'?"),
        (
            ("polymer", 3),
            "map: y is 3 but must be a factor of the study: known names are 'polymer', 'speed', 'impeller'.",
        ),
        (
            ("polymer", "impeller"),
            "map: y is 'impeller' but must be a factor with numbers, not a categorical one: "
            "hold it with at={'impeller': 'anchor'}, and choose the axes among polymer, speed.",
        ),
        (
            ("polymer", "polymer"),
            "map: y is 'polymer' but must be another factor than x ('polymer'): name two different factors.",
        ),
        (
            ("polymer", "speed", {"polymer": 0.3}),
            "map: at is 'polymer' but must be another factor than the axes: leave it out: it varies.",
        ),
        (
            ("polymer", "speed", {"impeler": "anchor"}),
            "map: at is 'impeler' but must be a factor of the study: did you mean 'impeller'?",
        ),
        (
            ("polymer", "speed", {"impeller": "ancor"}),
            "map: at, 'impeller' is 'ancor' but must be one of anchor, propeller: did you mean 'anchor'?",
        ),
        (
            ("polymer", "speed", None, 1),
            "map: n is 1 but must be a whole number of at least 2: leave it out for 101.",
        ),
    ],
)
def test_map(win, arguments, sentence):
    says(sentence, lambda: win.map(*arguments))


@pytest.mark.parametrize(
    ("pin", "sentence"),
    [
        ({"sped": 400}, "box: pin is 'sped' but must be a factor of the study: did you mean 'speed'?"),
        (
            {"polymer": 0.7},
            "box: pin, 'polymer' is 0.7 but must be from 0.2 to 0.6 %, the range studied: pin it inside its range.",
        ),
        (
            {"polymer": (0.5, 0.3)},
            "box: pin, 'polymer' is (0.5, 0.3) but must be a number, or a pair whose low is below its high: swap the two.",
        ),
        ({"polymer": "much"}, "box: pin, 'polymer' is 'much' but must be a finite number: give it in %."),
        (
            {"speed": 500},
            "box: pin, 'speed' is 500.0 but must be one of the levels 400, 700, 1000: pin it at a level.",
        ),
        (
            {"impeller": "disc"},
            "box: pin, 'impeller' is 'disc' but must be one of anchor, propeller: known names are 'anchor', 'propeller'.",
        ),
    ],
)
def test_pin(win, pin, sentence):
    says(sentence, lambda: win.box(pin=pin))


@pytest.mark.parametrize(
    ("weights", "sentence"),
    [
        ({"sped": 1}, "box: weights is 'sped' but must be a factor of the study: did you mean 'speed'?"),
        ({"impeller": 1}, "box: weights is 'impeller' but must be a factor whose range is sought: leave it out."),
        ({"speed": 0}, "box: weights, 'speed' is 0 but must be above 0: hold a factor with pin instead."),
    ],
)
def test_weights(win, weights, sentence):
    says(sentence, lambda: win.box(weights=weights))


@pytest.mark.parametrize("confidence", [0, 1, 90, "sure"])
def test_confidence(win, confidence):
    points = pd.DataFrame({"polymer": [0.4], "speed": [700], "impeller": ["anchor"]})
    tail = f" is {confidence!r} but must be a number between 0 and 1: write 0.9, say."
    says("claim: confidence" + tail, lambda: win.claim(points, confidence))
    says("box: confidence" + tail, lambda: win.box(confidence=confidence))


def test_whether_settings_were_chosen(win):
    says(
        "claim: chosen is 'yes' but must be True, False or left out: say whether the readings chose them.",
        lambda: win.claim(chosen="yes"),
    )


def test_pins_that_no_mixture_meets():
    fits = made(
        [Component("water", 80, 96), Component("glycerin", 2, 15), Component("polymer", 2, 8)],
        [Response("firmness", "N", low=0.2)],
        [lambda Z: 20 * Z[:, 2]],
        model="linear",
    )[2]
    win = find_window(fits, draws=500, target=0.5)
    says(
        "pin is {'water': 80.0, 'glycerin': 2.0} but must be possible together in the study's region: free one of the pinned factors.",
        lambda: win.box(pin={"water": 80, "glycerin": 2}),
    )
    says(
        "pin is {'water': 90.0, 'glycerin': 5.0, 'polymer': 6.0} but must be possible together in the study's region: "
        "free one of the pinned factors.",
        lambda: win.box(pin={"water": 90, "glycerin": 5, "polymer": 6}),
    )
    everything = win.box(pin={"water": 88, "glycerin": 5}).set_index("factor")
    assert everything.loc["polymer", "low"] == everything.loc["polymer", "high"] == 7.0


def test_a_cell_of_a_table(win):
    points = pd.DataFrame({"polymer": ["much"], "speed": [700], "impeller": ["anchor"]}, index=["trial 7"])
    says(
        "the table, row trial 7, column 'polymer' is 'much' but must be a number in %: correct the cell.",
        lambda: win.probability(points),
    )
