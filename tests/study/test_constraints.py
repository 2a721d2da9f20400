"""Constraints read from text: the normal form, and one whole sentence for every text that cannot be used."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

import doe
from doe import StudyError
from doe.study.constraints import parse_constraint

NAMES = ["a", "b", "c", "care oil", "2-propanol", "polymer", "crème"]
REFUSED = {"supplier": "a categorical factor"}


def read(text):
    return parse_constraint(text, NAMES, REFUSED)


@pytest.mark.parametrize(
    ("text", "coefficients", "sense", "bound"),
    [
        ("2*a + b <= 1.5", {"a": 2, "b": 1}, "<=", 1.5),
        ("a*2 + b/4 >= .5", {"a": 2, "b": 0.25}, ">=", 0.5),
        ("b + a == 1", {"a": 1, "b": 1}, "==", 1),
        ("1 <= a", {"a": -1}, "<=", -1),
        ("2*(a - b/4) - 3 <= 1 - a", {"a": 3, "b": -0.5}, "<=", 4),
        ("-(-a + 2*-b) <= +1e-3", {"a": 1, "b": 2}, "<=", 0.001),
        ("a*2/4 + 3*2 <= 7", {"a": 0.5}, "<=", 1),
        ("(1 + 2)*(3 - 1)*a <= 6", {"a": 6}, "<=", 6),
        ("`care oil` + `2-propanol` + crème <= 3", {"care oil": 1, "2-propanol": 1, "crème": 1}, "<=", 3),
        ("`a`<=1", {"a": 1}, "<=", 1),
        ("\ta\n<= 2.", {"a": 1}, "<=", 2),
        # decimals are added as decimals: 0.1 + 0.2 - 0.3 is zero here
        ("0.1*a + 0.2*a - 0.3*a + b <= 1", {"b": 1}, "<=", 1),
    ],
)
def test_normal_form(text, coefficients, sense, bound):
    (found,) = read(text)
    assert dict(found.coefficients) == coefficients
    assert (found.sense, found.bound, found.text) == (sense, bound, text)
    assert not found.divisor


def test_coefficients_follow_the_studys_order():
    assert [n for n, _ in read("c + b + a <= 1")[0].coefficients] == ["a", "b", "c"]


def test_chain_gives_both_sides():
    low, high = read("0.2 <= a + b <= 1")
    assert (low.part, high.part) == ("0.2 <= a + b", "a + b <= 1")
    assert (dict(low.coefficients), low.bound) == ({"a": -1, "b": -1}, -0.2)
    assert (dict(high.coefficients), high.bound) == ({"a": 1, "b": 1}, 1)
    assert low.text == high.text == "0.2 <= a + b <= 1"
    assert [c.sense for c in read("1 >= a >= b")] == [">=", ">="]


@pytest.mark.parametrize(
    ("text", "coefficients", "bound", "divisor", "constant"),
    [
        ("a / b <= 4", {"a": 1, "b": -4}, 0, {"b": 1}, 0),
        ("(a + c) / (b + 2) - 1 <= 2", {"a": 1, "b": -3, "c": 1}, 6, {"b": 1}, 2),
        ("1 / b <= 2", {"b": -2}, -1, {"b": 1}, 0),
        ("3*a/b + c/b <= 5 - 1", {"a": 3, "b": -4, "c": 1}, 0, {"b": 1}, 0),
        ("a / b * 2 <= 4", {"a": 2, "b": -4}, 0, {"b": 1}, 0),
        ("a / b / 2 <= 4", {"a": 0.5, "b": -4}, 0, {"b": 1}, 0),
        ("1 - a/b <= 4", {"a": -1, "b": -3}, 0, {"b": 1}, 0),
    ],
)
def test_ratio_is_multiplied_out_and_remembers_its_divisor(text, coefficients, bound, divisor, constant):
    (found,) = read(text)
    assert (dict(found.coefficients), found.bound) == (coefficients, bound)
    assert (dict(found.divisor), found.divisor_constant) == (divisor, constant)


LINEAR = 'linear in the factors, such as "2*a + b <= 1.5" or "a / b <= 4"'
OF_FACTORS = "made of factors of the study"
HELD = "made of numbers that a computer can hold"


@pytest.mark.parametrize(
    ("text", "marked", "allowed", "mend"),
    [
        ("polymer + polymmer <= 1.0", "polymer + ⟨polymmer⟩ <= 1.0", OF_FACTORS, "did you mean 'polymer'?"),
        ("a + `care oils` <= 1", "a + ⟨`care oils`⟩ <= 1", OF_FACTORS, "did you mean 'care oil'?"),
        ("care oil <= 3", "⟨care⟩ oil <= 3", OF_FACTORS, "write `care oil` in backticks"),
        ("2-propanol <= 3", "2-⟨propanol⟩ <= 3", OF_FACTORS, "write `2-propanol` in backticks"),
        (
            "a + supplier <= 1",
            "a + ⟨supplier⟩ <= 1",
            "made of numeric factors and components (supplier is a categorical factor)",
            "leave it out; a constraint holds for every level alike",
        ),
        ("a < 1", "a ⟨<⟩ 1", LINEAR, 'write "<=" (settings on the boundary are allowed)'),
        ("a > 1", "a ⟨>⟩ 1", LINEAR, 'write ">=" (settings on the boundary are allowed)'),
        ("a = 1", "a ⟨=⟩ 1", LINEAR, 'write "==" for equal, "<=" for at most, ">=" for at least'),
        ("a ≤ 1", "a ⟨≤⟩ 1", LINEAR, 'write "<="'),
        ("a != 1", "a ⟨!⟩= 1", LINEAR, 'write "==", "<=" or ">="'),
        ("2 a <= 1", "2 ⟨a⟩ <= 1", LINEAR, "put + - * or / before it (2*a, not 2 a)"),
        ("2(a + b) <= 1", "2⟨(⟩a + b) <= 1", LINEAR, "put + - * or / before it (2*a, not 2 a)"),
        ("a b <= 1", "a ⟨b⟩ <= 1", LINEAR, "put + - * or / before it (2*a, not 2 a)"),
        ("a*b <= 1", "a*⟨b⟩ <= 1", LINEAR, "leave products of factors out"),
        ("(a + 1)*(b + 1) <= 1", "(a + 1)*⟨(b + 1)⟩ <= 1", LINEAR, "leave products of factors out"),
        ("a/b*c <= 1", "a/b*⟨c⟩ <= 1", LINEAR, "leave products of factors out"),
        ("a^2 <= 1", "a⟨^⟩2 <= 1", LINEAR, "leave powers of factors out; a power of a number is written out"),
        ("a**2 <= 1", "a⟨**⟩2 <= 1", LINEAR, "leave powers of factors out; a power of a number is written out"),
        ("log(a) <= 1", "⟨log⟩(a) <= 1", LINEAR, "leave functions out, and write * before a bracket"),
        ("a/b/c <= 1", "a/b/⟨c⟩ <= 1", LINEAR, "divide once by factors, not twice"),
        ("a/(b/c) <= 1", "a/⟨(b/c)⟩ <= 1", LINEAR, "divide once by factors, not twice"),
        (
            "a/b + c <= 1",
            "⟨a/b + c⟩ <= 1",
            LINEAR,
            "add only numbers to a ratio: multiply the constraint out by hand",
        ),
        ("a/(1 - 1) <= 1", "a/⟨(1 - 1)⟩ <= 1", "divided by something other than zero", "correct the divisor"),
        ("a <= 1,5", "a <= 1⟨,⟩5", LINEAR, "write decimals with a point (1.5), and each constraint as a text of its own"),
        ("a <= 5 %", "a <= 5 ⟨%⟩", LINEAR, "leave units out: figures are in the factors' own units"),
        ("a <=", "a <=⟨⟩", LINEAR, "finish the text: a number or a factor is missing there"),
        ("a <= <= 1", "a <= ⟨<=⟩ 1", LINEAR, "put a number or a factor before it, or take it out"),
        ("a + (b <= 1", "a + ⟨(⟩b <= 1", LINEAR, "close this bracket before the comparison"),
        ("a + b) <= 1", "a + b⟨)⟩ <= 1", LINEAR, "take this bracket out or open it before"),
        ("(a, b) <= 1", "(a⟨,⟩ b) <= 1", LINEAR, "write decimals with a point (1.5), and each constraint as a text of its own"),
        ("`a <= 1", "⟨`⟩a <= 1", LINEAR, "close the name with a second backtick"),
        ("a", "a⟨⟩", "a comparison", 'say what it is compared with: "<=", ">=" or "=="'),
        ("  ", "  ", 'a comparison such as "a + b <= 1.0"', "write it out, or leave it out"),
        ("1 <= 2", "⟨1 <= 2⟩", "about at least one factor", "it compares numbers only: name a factor"),
        ("a + 1 <= a", "⟨a + 1 <= a⟩", "about at least one factor", "its factors cancel out: name a factor"),
        (
            "a <= b >= 1",
            "a <= b ⟨>=⟩ 1",
            'a chain such as "0.2 <= a + b <= 1"',
            "let both comparisons point the same way, or write two constraints",
        ),
        (
            "a == b == 1",
            "a == b ⟨==⟩ 1",
            'a chain such as "0.2 <= a + b <= 1"',
            "let both comparisons point the same way, or write two constraints",
        ),
        ("0<=a<=1<=2", "0<=a<=1⟨<=⟩2", "a chain of at most two comparisons", "write two constraints"),
        ("1e999*a <= 1", "⟨1e999⟩*a <= 1", HELD, "write a smaller exponent"),
        ("1e300*1e300*a <= 1", "⟨1e300*1e300*a <= 1⟩", HELD, "write numbers nearer to 1"),
        ("1e-300*1e-300*a <= 1", "⟨1e-300*1e-300*a <= 1⟩", HELD, "write numbers nearer to 1"),
        ("(" * 41 + "a" + ")" * 41 + " <= 1", "(" * 40 + "⟨(⟩a" + ")" * 41 + " <= 1", "simpler", "nest no more than 40 brackets and signs"),
    ],
)  # fmt: skip
def test_refusals_mark_the_place(text, marked, allowed, mend):
    with pytest.raises(StudyError) as refusal:
        read(text)
    assert (
        str(refusal.value)
        == f"constraint is {marked!r} but must be {allowed}: {mend}{'' if mend.endswith('?') else '.'}"
    )


def test_something_else_than_a_text():
    with pytest.raises(StudyError) as refusal:
        read(1.0)
    said = 'constraint is 1.0 but must be a text such as "a + b <= 1.0": put it in quotation marks.'
    assert str(refusal.value) == said


def test_deep_nesting_within_the_limit_is_read():
    assert dict(read("(" * 39 + "a" + ")" * 39 + " <= 1")[0].coefficients) == {"a": 1}


def test_the_study_passes_its_factors_on():
    with pytest.raises(StudyError) as refusal:
        doe.Study(
            "gel",
            [doe.Continuous("polymer", 0, 1, "%"), doe.Categorical("supplier", ["A", "B"])],
            constraints=["polymer + supplier <= 1"],
        )
    assert str(refusal.value) == (
        "study: constraint is 'polymer + ⟨supplier⟩ <= 1' but must be made of numeric factors and components "
        "(supplier is a categorical factor): leave it out; a constraint holds for every level alike."
    )


@given(st.text(alphabet="ab c()*/+-<=>.0123456789e`^,", max_size=25))
def test_any_text_is_read_or_refused_in_a_sentence(text):
    try:
        found = read(text)
    except StudyError as problem:
        assert str(problem).endswith((".", "?"))  # noqa: PT017
    else:
        assert all(c.coefficients for c in found)


@given(
    st.lists(st.integers(-50, 50), min_size=2, max_size=2).filter(any),
    st.integers(-50, 50),
    st.sampled_from(["<=", ">=", "=="]),
)
def test_what_is_written_is_what_is_read(coefficients, bound, sense):
    text = f"{coefficients[0]}*a + {coefficients[1]}*b {sense} {bound}"
    (found,) = read(text)
    assert dict(found.coefficients) == {n: c for n, c in zip("ab", coefficients, strict=True) if c}
    assert (found.sense, found.bound) == (sense, bound)
