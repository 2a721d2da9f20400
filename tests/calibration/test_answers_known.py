"""Known answers of the self-test: they hold, the data are those of the reference tests, and a wrong one is found wrong."""

import copy
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from doe.calibration import answers
from doe.calibration.findings import digits_agreeing, in_digits

REFERENCE = Path(__file__).parent.parent / "reference"
SHIPPED = Path(str(resources.files("doe.calibration"))) / "published"


@pytest.mark.parametrize(
    "file", sorted(p.relative_to(SHIPPED).as_posix() for p in SHIPPED.rglob("*.*")), ids=lambda f: str(f)
)
def test_what_travels_with_the_package_is_what_the_reference_tests_hold(file):
    assert (SHIPPED / file).read_bytes() == (REFERENCE / file).read_bytes()


def test_all_certified_sets_hold_and_one_wrong_value_is_found():
    right = answers.certified()
    assert len(right) == 21
    assert all(f.holds for f in right), [f for f in right if not f.holds]
    sets = {"longley": copy.deepcopy(answers.values("nist_strd_regression")["sets"]["longley"])}
    sets["longley"]["b"][3] *= 1 + 2e-9  # the ninth digit
    wrong = answers.certified(sets)
    assert [f.holds for f in wrong] == [False, True, True]
    assert wrong[0].verdict == "DOES NOT HOLD"
    assert (wrong[0].found, wrong[0].allowed) == ("8.6 digits", "at least 9 digits")


@pytest.mark.parametrize(("key", "line"), [("rsd", 1), ("se", 1), ("r2", 2), ("ss_reg", 2), ("F", 2)])
def test_every_certified_value_is_looked_at(key, line):
    sets = {"longley": copy.deepcopy(answers.values("nist_strd_regression")["sets"]["longley"])}
    value = sets["longley"][key]
    sets["longley"][key] = [v * 1.001 for v in value] if isinstance(value, list) else value * 1.001
    assert [f.holds for f in answers.certified(sets)] == [i != line for i in range(3)]


def test_published_split_plots_hold_and_a_wrong_denominator_is_found():
    right = answers.split_plots()
    assert len(right) == 8
    assert all(f.holds for f in right), [f for f in right if not f.holds]
    box, mixed = copy.deepcopy(answers.values("box_corrosion_splitplot")), copy.deepcopy(answers.values("mixed"))
    box["anova"]["furnace_run_error"]["df"] = 9
    box["variance_components"]["whole_plot"] += 1
    mixed["cases"]["split_unbalanced.csv"]["terms"]["base"]["df"] += 0.01
    wrong = answers.split_plots(box, mixed)
    assert [i for i, f in enumerate(wrong) if not f.holds] == [0, 3, 5]


def test_worked_neutralisations_hold_and_a_wrong_one_is_found():
    assert all(f.holds for f in answers.neutralisations())
    worked = answers.table("neutralisation", "worked.csv", comment="#")
    worked.loc[5, "grams"] += 0.0002  # sodium hydroxide, printed to 0.0001 g
    wrong = {f.what: f.holds for f in answers.neutralisations(worked)}
    assert [what for what, holds in wrong.items() if not holds] == [
        "Grams of sodium hydroxide for a degree of neutralisation, 4 worked values"
    ]


def test_closed_forms_hold():
    found = answers.closed_forms()
    assert len(found) == 2
    assert all(f.holds for f in found)


def test_digits_count_the_worst_value_and_nothing_that_is_no_number():
    assert digits_agreeing([1.0, 2.0002], [1.0, 2.0]) == pytest.approx(4.0)
    assert digits_agreeing(1e-9, 0.0) == pytest.approx(9.0)  # where 0 is wanted, the difference itself
    assert digits_agreeing(5.0, 1.0) == 0
    assert digits_agreeing([1.0, np.nan], [1.0, 1.0]) == digits_agreeing([1.0], [1.0, 1.0]) == 0
    # 6.99 digits do not show as 7
    short = in_digits("", "", "", 1 + 10**-6.99, 1.0, 7)
    assert (short.found, short.holds) == ("6.9 digits", False)
    assert in_digits("", "", "", 1.0, 1.0, 15).found == "all 15 digits"
