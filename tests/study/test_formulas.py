"""Derived responses: formulas read by a grammar of their own."""

import numpy as np
import pytest

import doe
from doe import StudyError
from doe.study.formulas import parse_formula

VISCOSITY = doe.Response("viscosity", "mPa·s", times=("24 h", "4 wk"))
FACTOR = doe.Continuous("polymer", 0.2, 0.6, "%")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a / b", 1.5),
        ("a - b - 1", 0.0),
        ("a / b / 2", 0.75),
        ("2 * (a + b) ^ 2", 50.0),
        ("-a ^ 2", -9.0),
        ("b ^ 3 ^ 0", 2.0),
        ("log(a * 1) - log10(100) + sqrt(4) + abs(-b)", np.log(3.0) + 2.0),
        ("`gel strength`[4 wk, 40 °C] * 1e1", 70.0),
    ],
)
def test_values(text, expected):
    formula = parse_formula(text, "response 'r'")
    values = {"a": np.array([3.0]), "b": np.array([2.0]), "gel strength[4 wk, 40 °C]": np.array([7.0])}
    assert formula.value(values) == pytest.approx([expected])


def test_a_missing_or_impossible_value_stays_blank():
    formula = parse_formula("log(a / b)", "response 'r'")
    out = formula.value({"a": np.array([1.0, np.nan, 1.0, -1.0]), "b": np.array([1.0, 1.0, 0.0, 1.0])})
    assert out[0] == 0.0
    assert np.isnan(out[1:]).all()
    assert formula.needs == ("a", "b")


ALLOWED = "responses (with their time in brackets), numbers, + − * / ^, brackets, log, log10, sqrt and abs"


@pytest.mark.parametrize(
    ("text", "found", "mend"),
    [
        ("a +", "'the end'", "finish the formula"),
        ("a b", "'b'", "put an operator between the two, or drop it"),
        ("(a", "'the end'", "close the bracket"),
        ("a; b", "';'", "put an operator between the two, or drop it"),
        ("__import__(a)", "'__import__'", "use log, log10, sqrt or abs"),
        ("* a", "'*'", "put a response or a number there"),
    ],
)
def test_what_is_no_formula(text, found, mend):
    with pytest.raises(StudyError) as caught:
        parse_formula(text, "response 'r'")
    assert str(caught.value) == f"response 'r': formula {text!r} is {found} but must be {ALLOWED}: {mend}."


def test_a_formula_cannot_exhaust_the_stack():
    with pytest.raises(StudyError, match="nested more than 50 deep"):
        parse_formula("(" * 5000 + "a" + ")" * 5000, "response 'r'")


@pytest.mark.parametrize(
    ("formula", "sentence"),
    [
        (
            "gloss / 2",
            "response 'kept': formula 'gloss / 2' is 'gloss' but must be a response of the study: known names are 'viscosity', 'kept', 'twice'.",
        ),
        (
            "viscosity[4 wk] / viscosity",
            "response 'viscosity': time is 'left out' but must be one of 24 h, 4 wk: say which time.",
        ),
        (
            "viscosity[24 h] / twice",
            "response 'kept': formula 'viscosity[24 h] / twice' is 'twice' but must be a response that is read, not one that is "
            "derived itself: write out what it comes from.",
        ),
    ],
)
def test_formulas_that_the_study_cannot_work_out(formula, sentence):
    twice = doe.Response("twice", formula="2 * viscosity[24 h]")
    with pytest.raises(StudyError) as caught:
        doe.Study("gel", [FACTOR], [VISCOSITY, doe.Response("kept", formula=formula), twice])
    assert str(caught.value) == sentence


def test_a_derived_response_has_no_occasions_of_its_own():
    with pytest.raises(StudyError) as caught:
        doe.Response("kept", formula="viscosity / 2", times=("24 h",))
    assert str(caught.value) == (
        "response 'kept': times is ('24 h',) but must be left out for a derived response, whose formula names the times it needs: "
        "leave it out, or leave the formula out."
    )
    with pytest.raises(StudyError) as caught:
        doe.Response("kept", formula="kept / 2")
    assert str(caught.value) == (
        "response 'kept': formula is 'kept / 2' but must be a formula over other responses: name what it comes from."
    )
