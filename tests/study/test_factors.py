"""Factors and responses check themselves once; every refusal is one whole sentence."""

import pickle

import numpy as np
import pytest

import doe
from doe import StudyError


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (
            lambda: doe.Continuous("neutralisation", 90, 60, "%"),
            "factor 'neutralisation': low is 90.0 but must be below high (60 %): swap the two or widen the range.",
        ),
        (
            lambda: doe.Continuous("speed", 400, float("nan"), "rpm"),
            "factor 'speed': high is nan but must be a finite number: give it in rpm.",
        ),
        (
            lambda: doe.Continuous("speed", 400, 1000, "rpm", step=0),
            "factor 'speed': step is 0.0 but must be above 0: give the smallest change the bench can set, or leave it out.",
        ),
        (
            lambda: doe.Continuous("speed", 400, 1000, "rpm", step=700),
            "factor 'speed': step is 700.0 but must be no more than the range (600 rpm): give the smallest change the bench can set.",
        ),
        (
            lambda: doe.Continuous("speed", 400, 1000, "rpm", limits=(500, None)),
            "factor 'speed': limits is 500.0 but must be no higher than low (400): raise low or lower the limit.",
        ),
        (
            lambda: doe.Continuous("speed", 400, 1000, "rpm", limits=(None, 900)),
            "factor 'speed': limits is 900.0 but must be no lower than high (1000): lower high or raise the limit.",
        ),
        (
            lambda: doe.Continuous("speed", 400, 1000, "rpm", limits=900),
            "factor 'speed': limits is 900 but must be two values, either of which may be None: write (least, most).",
        ),
        (
            lambda: doe.Continuous("speed", 400, 1000, "rpm", setting_sd=-1),
            "factor 'speed': setting_sd is -1.0 but must be 0 or above: give the standard deviation of how well the bench holds the setting.",
        ),
        (
            lambda: doe.Continuous("speed", 400, 1000, hard_to_change="yes"),
            "factor 'speed': hard_to_change is 'yes' but must be True or False: say whether every beaker can have its own setting.",
        ),
        (
            lambda: doe.Continuous("run", 400, 1000),
            "factor: name is 'run' but must be another word than the columns run, order, block, whole_plot, replicate, batch, readings, remark, time, condition, "
            "response, value: say more exactly what it is.",
        ),
        (
            lambda: doe.Continuous(" a", 0, 1),
            "factor: name is ' a' but must be a text without blanks at its ends: write 'a'.",
        ),
        (
            lambda: doe.Continuous("a`b", 0, 1),
            "factor: name is 'a`b' but must be a text without backticks, tabs or line breaks: leave those characters out.",
        ),
        (
            lambda: doe.Discrete("speed", [400, 400]),
            "factor 'speed': levels is [400.0, 400.0] but must be at least two levels, all different: add a level or leave the factor out.",
        ),
        (
            lambda: doe.Discrete("speed", 400),
            "factor 'speed': levels is 400 but must be a list of numbers: write [400, 600, 800].",
        ),
        (
            lambda: doe.Categorical("impeller", ["anchor"]),
            "factor 'impeller': levels is ['anchor'] but must be at least two levels, all different: add a level or leave the factor out.",
        ),
        (
            lambda: doe.Categorical("impeller", [1, 2]),
            "factor 'impeller': level is 1 but must be a text: put it in quotation marks, or use Discrete for numbers.",
        ),
        (
            lambda: doe.Component("oil", -1, 5),
            "factor 'oil': low is -1.0 but must be 0 or above: an amount cannot be negative.",
        ),
        (
            lambda: doe.Response("viscosity", "mPa·s", low=20000, high=8000),
            "response 'viscosity': low is 20000.0 but must be below high (8000): swap the two or widen the specification.",
        ),
        (
            lambda: doe.Response("viscosity", high=0, transform="log"),
            "response 'viscosity': high is 0.0 but must be above 0, the least its scale reaches: raise the limit or change the transform.",
        ),
        (
            lambda: doe.Response("held", low=100, transform=("logit", 0, 100)),
            "response 'held': low is 100.0 but must be below 100, the most its scale reaches: lower the limit or change the transform.",
        ),
        (
            lambda: doe.Response("held", transform="ln"),
            'response \'held\': transform is \'ln\' but must be None, "log", "sqrt", ("logit", low, high) or ("box-cox", lambda): '
            "choose one of these; log is the natural logarithm.",
        ),
        (
            lambda: doe.Response("held", decimals=1.5),
            "response 'held': decimals is 1.5 but must be a whole number from 0 to 12: say how many decimals to show.",
        ),
    ],
)
def test_bad_input_is_one_sentence(make, sentence):
    with pytest.raises(StudyError) as caught:
        make()
    assert str(caught.value) == sentence
    again = pickle.loads(pickle.dumps(caught.value))
    assert str(again) == sentence
    assert (again.where, again.allowed, again.mend) == (caught.value.where, caught.value.allowed, caught.value.mend)


def test_a_value_keeps_plain_numbers():
    speed = doe.Continuous("speed", np.float64(400), np.int64(1000), "rpm", step=np.float32(50))
    assert [type(v) for v in (speed.low, speed.high, speed.step)] == [float] * 3
    assert speed.label == "speed (rpm)"
    assert doe.Discrete("t", [30, 10, 20]).levels == (10.0, 20.0, 30.0)


TRANSFORMS = [None, "log", "sqrt", ("logit", 0, 100), ("box-cox", -0.5), ("box-cox", 0), ("box-cox", 2)]


@pytest.mark.parametrize("transform", TRANSFORMS)
def test_transforms_go_there_and_back(transform):
    response = doe.Response("y", transform=transform)
    y = np.array([0.3, 1.0, 7.5, 42.0, 99.0])
    z = response.forward(y)
    np.testing.assert_allclose(response.inverse(z), y, rtol=1e-12)
    h = 1e-6
    np.testing.assert_allclose(
        response.slope(z), (response.inverse(z + h) - response.inverse(z - h)) / (2 * h), rtol=1e-6
    )
    numeric = np.log(np.abs((response.forward(y * (1 + h)) - response.forward(y * (1 - h))) / (2 * h * y))).sum()
    assert response.log_jacobian(y) == pytest.approx(numeric, abs=1e-5)


def test_box_cox_is_the_published_power():
    """Box & Cox (1964), JRSS B 26, 211-252, eq. (1): (y^λ - 1)/λ, and log y at λ = 0."""
    y = np.array([0.5, 2.0, 10.0])
    np.testing.assert_allclose(doe.Response("y", transform=("box-cox", -1)).forward(y), 1 - 1 / y, rtol=1e-14)
    np.testing.assert_array_equal(doe.Response("y", transform=("box-cox", 0)).forward(y), np.log(y))


def test_a_reading_outside_the_scale_is_refused():
    with pytest.raises(StudyError) as caught:
        doe.Response("viscosity", transform="log").forward([100.0, -2.0])
    assert str(caught.value) == (
        "response 'viscosity': reading is -2.0 but must be above 0 for its transform: "
        "correct the reading, leave it out with its reason, or choose another transform."
    )
    assert doe.Response("v", transform="sqrt").forward([0.0])[0] == 0.0
    assert np.isnan(doe.Response("v", transform="log").forward([np.nan])[0])


def test_specification_on_the_fitted_scale():
    assert doe.Response("v", low=0, high=np.e, transform="log").fitted_limits() == (-np.inf, pytest.approx(1.0))
    assert doe.Response("v", low=50, transform=("logit", 0, 100)).fitted_limits() == (pytest.approx(0.0), np.inf)
    assert doe.Response("v").has_specification is False


def test_decimals_decide_how_a_limit_is_shown():
    assert doe.Response("pH", decimals=2).text(6) == "6.00"
    assert doe.Response("viscosity", "mPa·s").text(12345.678) == "12346 mPa·s"
