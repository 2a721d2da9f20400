"""When, and under what condition, a response is read."""

import pytest

import doe
from doe import StudyError
from doe.study.occasions import days

GEL = doe.Response(
    "viscosity",
    "mPa·s",
    low={("24 h", "25 °C"): 8000, "4 wk": 7000},
    high=20000,
    transform="log",
    times=("4 wk", "24 h"),
    conditions=("25 °C", "40 °C"),
)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("0", 0),
        ("30 min", 30 / 1440),
        ("24 h", 1),
        ("1 day", 1),
        ("4 wk", 28),
        ("12 weeks", 84),
        ("1,5 d", 1.5),
        ("2 y", 730.5),
    ],
)
def test_times_in_days(text, expected):
    assert days(text) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "4 wek",
            "time is '4 wek' but must be a number and a unit (min, h, d, wk, mo, y), such as \"24 h\" or \"4 wk\": did you mean 'wk'?",
        ),
        (
            4,
            'time is 4 but must be a number and a unit (min, h, d, wk, mo, y), such as "24 h" or "4 wk": write "24 h" or "4 wk".',
        ),
        ("-2 h", "time is '-2 h' but must be 0 or later: count from the making of the batch."),
    ],
)
def test_times_that_cannot_be_read(text, sentence):
    with pytest.raises(StudyError) as caught:
        days(text)
    assert str(caught.value) == sentence


def test_occasions_follow_time_and_then_condition():
    assert GEL.occasions == (("24 h", "25 °C"), ("24 h", "40 °C"), ("4 wk", "25 °C"), ("4 wk", "40 °C"))
    assert doe.Response("pH").occasions == (("", ""),)


def test_each_occasion_has_its_own_limits():
    limits = {r.name: (r.low, r.high) for r in (GEL.at(*o) for o in GEL.occasions)}
    assert limits == {
        "viscosity[24 h, 25 °C]": (8000, 20000),
        "viscosity[24 h, 40 °C]": (None, 20000),
        "viscosity[4 wk, 25 °C]": (7000, 20000),
        "viscosity[4 wk, 40 °C]": (7000, 20000),
    }


def test_a_single_occasion_needs_no_words():
    once = doe.Response("pH", times=("24 h",))
    assert once.at().name == "pH"
    assert once.at("1 d") == once.at("24 h")
    with pytest.raises(StudyError) as caught:
        GEL.at("4 wk")
    assert (
        str(caught.value)
        == "response 'viscosity': condition is 'left out' but must be one of 25 °C, 40 °C: say which condition."
    )


def test_a_study_finds_a_response_by_its_occasion():
    study = doe.Study("gel", [doe.Continuous("polymer", 0.2, 0.6, "%")], [GEL, doe.Response("pH")])
    assert study.response("viscosity[40 °C, 4 wk]") == GEL.at("4 wk", "40 °C")
    assert study.response("viscosity") is GEL
    assert [r.name for r in study.readings] == [*(GEL.at(*o).name for o in GEL.occasions), "pH"]
    with pytest.raises(StudyError) as caught:
        study.response("viscosity[6 wk, 40 °C]")
    assert (
        str(caught.value) == "response 'viscosity': time is '6 wk' but must be one of 24 h, 4 wk: did you mean '4 wk'?"
    )


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        (
            {"times": "24 h"},
            "response 'r': times is '24 h' but must be a list of times such as (\"24 h\", \"4 wk\"): put it in brackets.",
        ),
        (
            {"times": ("24 h", "1 d")},
            "response 'r': times is '1 d' but must be another time than '24 h', which is the same: leave one of the two out.",
        ),
        (
            {"times": ("-1 d",)},
            "response 'r': times is '-1 d' but must be 0 or later: count from the making of the batch.",
        ),
        (
            {"conditions": ("40 °C, dark",)},
            "response 'r': conditions is '40 °C, dark' but must be a text without commas, brackets or backticks: write \"40 °C\".",
        ),
        (
            {"conditions": ("a", "a")},
            "response 'r': conditions is 'a' but must be there once: leave it out the second time.",
        ),
        (
            {"low": {"4 wk": 3}, "times": ("24 h",)},
            "response 'r': low: time is '4 wk' but must be one of 24 h: known names are '24 h'.",
        ),
        (
            {"low": {"24 h": 3}, "high": 2, "times": ("24 h", "4 wk")},
            "response 'r'[24 h]: low is 3.0 but must be below high (2): swap the two or widen the specification.",
        ),
        (
            {"low": {5: 3}, "times": ("24 h",)},
            'response \'r\': low is 5 but must be a time, or a pair of time and condition: write {("4 wk", "40 °C"): 8000}.',
        ),
    ],
)
def test_occasions_that_cannot_be(fields, sentence):
    with pytest.raises(StudyError) as caught:
        doe.Response("r", **fields)
    assert str(caught.value) == sentence


def test_everything_comes_back_from_a_file(tmp_path):
    study = doe.Study(
        "gel",
        [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Covariate("room temperature", "°C", 22, 1.5)],
        [
            GEL,
            doe.Response("look", scale=(1, 5), low=4, goal="high", times=("4 wk",)),
            doe.Response("kept", low=0.8, formula="viscosity[4 wk, 40 °C] / viscosity[24 h, 25 °C]", goal=1.0),
        ],
    )
    again = doe.Study.load(study.save(tmp_path / "study.json"))
    assert again == study
    assert again.fingerprint == study.fingerprint
    assert again.response("viscosity").low == GEL.low
    assert hash(again) == hash(study)


def test_a_file_whose_limits_are_broken_is_refused(tmp_path):
    study = doe.Study("gel", [doe.Continuous("polymer", 0.2, 0.6, "%")], [GEL])
    content = study.content()
    content["responses"][0]["low"] = [{"time": "24 h"}]
    with pytest.raises(StudyError) as caught:
        doe.Study.from_content(content, "the file")
    assert str(caught.value) == (
        "the file: response 1: low is {'time': '24 h'} but must be an object with time, condition and limit: "
        "write one for each occasion."
    )
