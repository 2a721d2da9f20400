"""Numbers as people type them: what can be read in one way is read so, what cannot is doubted."""

import datetime

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.bench.numerals import DoubtError, Uncalculated, decimal_mark, is_blank, number_from

finite = st.floats(allow_nan=False, allow_infinity=False)


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        (12, 12.0),
        (np.float64(1.5), 1.5),
        ("12", 12.0),
        (" 6.12 ", 6.12),
        ("6,12", 6.12),
        ("0,345", 0.345),  # a leading zero: no thousands
        ("1234,567", 1234.567),
        (",5", 0.5),
        ("12 345", 12345.0),
        ("12\u00a0345,6", 12345.6),
        ("12\u202f345", 12345.0),
        ("12'345.5", 12345.5),
        ("12,345.6", 12345.6),
        ("12.345,6", 12345.6),
        ("1,234,567", 1234567.0),
        ("1.234.567", 1234567.0),
        ("6.125", 6.125),  # the mark of computing, where nothing speaks against it
        ("-3.5", -3.5),
        ("−3,5", -3.5),  # the typographic minus
        ("+2", 2.0),
        ("1.2e4", 12000.0),
        ("2E-3", 0.002),
        ("'6.1", 6.1),  # marked as text in a spreadsheet
        ("12000 mPa·s", 12000.0),
        ("12000mpa·s", 12000.0),
    ],
)
def test_read_in_one_way(cell, value):
    assert number_from(cell, unit="mPa·s") == value


@pytest.mark.parametrize("cell", ["12,345", "999,000", "1,000 mPa·s", "-1,234"])
def test_a_comma_before_three_digits_is_doubted(cell):
    with pytest.raises(DoubtError):
        number_from(cell, "mPa·s")
    with pytest.raises(DoubtError):
        number_from(cell, "mPa·s", ".")
    assert number_from(cell, "mPa·s", ",") == pytest.approx(float(cell.removesuffix(" mPa·s").replace(",", ".")))


def test_the_doubt_says_both_ways():
    with pytest.raises(DoubtError) as caught:
        number_from("12,345", "mPa·s")
    assert caught.value.allowed == "a number in mPa·s that can be read in one way only"
    assert caught.value.mend == "write 12345 if 12 thousand is meant, or 12.3450 if 12 and a part is meant"
    assert number_from("12345") == 12345
    assert number_from("12.3450", mark="both") == 12.345


@pytest.mark.parametrize("mark", [",", "both"])
def test_a_point_before_three_digits_is_doubted_beside_decimal_commas(mark):
    with pytest.raises(DoubtError):
        number_from("12.345", mark=mark)
    assert number_from("12.34", mark=mark) == 12.34


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("about 12", "type the number"),
        ("12 34", "type the number"),
        ("1,23,456", "type the number"),
        ("12-13", "type the number"),
        ("6.1.2", "type the number"),
        ("<50", "leave the cell blank and write what was seen as a remark"),
        ("50..60", "leave the cell blank and write what was seen as a remark"),
        ("10³", "type the number"),
        ("१२", "type the number"),
        ("0x10", "type the number"),
        ("inf", "type the number"),
        ("1e999", "type the number"),
        ("1_000", "type the number"),
        ("12 g", "type the number"),
        (True, "type the number"),
        (np.bool_(False), "type the number"),
        (float("inf"), "type the number"),
        ([1], "type the number"),
        (datetime.datetime(2024, 6, 5), "made a date of it"),
        (datetime.time(6, 5), "made a date of it"),
        (Uncalculated("=A1"), "holds the formula but not its result"),
    ],
)
def test_doubted_with_a_way_to_mend(cell, words):
    with pytest.raises(DoubtError) as caught:
        number_from(cell, "%")
    assert words in caught.value.mend
    assert "number in %" in caught.value.allowed


@given(finite)
def test_every_number_comes_back_from_its_own_text(value):
    assert number_from(repr(value)) == value
    assert number_from(value) == value


@given(st.floats(-1e12, 1e12).filter(lambda v: "e" not in repr(v)))
def test_a_decimal_comma_is_the_point_or_is_doubted(value):
    text = repr(value).replace(".", ",")
    try:
        assert number_from(text) == value
    except DoubtError:
        whole, part = text.lstrip("-").split(",")
        assert len(part) == 3
        assert len(whole) <= 3
    assert number_from(text, mark=",") == value
    assert number_from(f"{text} mPa·s", "mPa·s", ",") == value


@given(st.integers(-(10**12), 10**12))
def test_thousands_parted_by_spaces_read_whole(value):
    assert number_from(f"{value:,}".replace(",", "\u202f")) == value


@given(st.text(max_size=12))
def test_no_text_breaks_the_reader(text):
    if not is_blank(text):
        try:
            assert np.isfinite(number_from(text, "%"))
        except DoubtError as doubt:
            assert "number" in doubt.allowed  # noqa: PT017  either outcome is right; a doubt must say what is allowed


def test_blank_in_all_its_words():
    for cell in (
        None,
        "",
        "  ",
        "n/a",
        "N/A",
        "na",
        "NaN",
        "-",
        "–",
        "none",
        "\u00a0",
        float("nan"),
        pd.NA,
        pd.NaT,
        np.nan,
    ):
        assert is_blank(cell), cell
    for cell in (0, 0.0, "0", "x", Uncalculated("-"), False):
        assert not is_blank(cell), cell


def test_the_files_own_decimal_mark():
    assert decimal_mark(["6,12", "12,345", 3.2]) == ","
    assert decimal_mark(["6.12", "12,345"]) == "."
    assert decimal_mark(["6.12", "6,1"]) == "both"
    assert decimal_mark(["12,345", "12.345", "7", None]) is None
    assert decimal_mark(["12.345,6"]) == ","
