"""The page of a check, its verdicts on whole plans, and every refusal in full."""

from itertools import product

import numpy as np
import pandas as pd
import pytest

import doe
from doe.designs import (
    Plan,
    box_behnken,
    central_composite,
    fractional_factorial,
    full_factorial,
    optimal,
    simplex_lattice,
)
from doe.quality import check

TITLES = [
    "What can't be told apart?",
    "What change would I see?",
    "How precise, and where?",
    "What is left for checking?",
]


@pytest.fixture(scope="module")
def gel():
    return doe.Study("gel", [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm")])


@pytest.fixture(scope="module")
def factorial(gel):
    return full_factorial(gel, centre=1)


@pytest.fixture(scope="module")
def mixture():
    return simplex_lattice(doe.Study("m", [doe.Component(n, 0, 100) for n in "xyz"]), 2)


def test_the_page_is_grouped_by_question_in_text_and_in_html(factorial):
    made = check(factorial, "interaction")
    text, html = repr(made), made._repr_html_()
    assert [text.index(t) for t in TITLES] == sorted(text.index(t) for t in TITLES)
    assert list(made.verdicts) == TITLES
    for title, sentences in made.verdicts.items():
        assert f"<h4>{title.replace(chr(39), '&#x27;')}</h4>" in html
        for sentence in sentences:
            assert sentence in text
    assert repr(check(factorial, "interaction")) == text


def test_names_are_escaped_in_html():
    s = doe.Study("s", [doe.Continuous("a <b>", 0, 1), doe.Continuous("c", 0, 1)])
    html = check(full_factorial(s), "linear")._repr_html_()
    assert "a <b>" not in html
    assert "a &lt;b&gt;" in html


def test_a_half_fraction_says_what_it_mixes_up():
    s = doe.Study("gel", [doe.Continuous(n, 0, 1) for n in ("polymer", "speed", "minutes")])
    said = check(fractional_factorial(s, fraction=1), "linear").verdicts[TITLES[0]]
    assert "polymer cannot be separated from speed × minutes." in said
    assert (
        "polymer², speed² and minutes² cannot be separated from the constant: such curvature would go unseen." in said
    )
    full = check(full_factorial(s), "linear").verdicts[TITLES[0]]
    assert not any("speed × minutes" in sentence for sentence in full)


def test_a_hard_to_change_factor_without_whole_plots_is_said():
    hard = doe.Study("s", [doe.Continuous("base", 0, 1, hard_to_change=True), doe.Continuous("a", 0, 1)])
    runs = pd.DataFrame(list(product([0.0, 1.0], repeat=2)), columns=["base", "a"], index=range(1, 5))
    sentence = (
        "base is hard to change and the plan has no whole plots: all this holds only if it is set anew for every batch."
    )
    assert sentence in check(Plan(hard, runs), "linear").verdicts[TITLES[3]]
    apart = Plan(hard, runs, whole_plot=["a", "b", "c", "d"])
    assert sentence not in check(apart, "linear").verdicts[TITLES[3]]
    assert (
        "All figures take the variance between whole plots as 1 times that within."
        in check(apart, "linear").verdicts[TITLES[3]]
    )


def test_the_ratio_comes_from_the_plan_the_keyword_or_is_one(gel, factorial):
    grouped = Plan(gel, factorial.runs, whole_plot=["a", "a", "b", "b", "b"])
    assert check(grouped, "linear").ratios == (1.0, 0.0)
    told = Plan(
        gel, factorial.runs, whole_plot=["a", "a", "b", "b", "b"], provenance={"arguments": {"variance_ratio": 3.0}}
    )
    assert check(told, "linear").ratios == (3.0, 0.0)
    assert check(told, "linear", variance_ratio=0.5).ratios == (0.5, 0.0)
    assert check(told, "linear").average_variance > check(told, "linear", variance_ratio=0.5).average_variance


def test_a_mixture_is_asked_about_blends(mixture):
    made = check(mixture, "linear")
    assert list(made._seen["term"]) == ["100 % x → 100 % y"]
    assert "Other blends are compared by power(sigma, change, blends=two rows)." in repr(made)
    # shares of three components always correlate by −1/2 on a symmetric plan: nobody's fault
    assert made.correlation.loc["x", "y"] == pytest.approx(-0.5)
    assert made.verdicts[TITLES[0]][0].startswith("Nothing in the model is mixed up")


def test_efficiencies_of_a_plan_beside_its_formula(gel):
    plan = central_composite(gel, axial="face", centre=3)
    made = check(plan, "quadratic")
    X = made.model.matrix(plan.runs)
    n, p = X.shape
    inverse = np.linalg.inv(X.T @ X)
    assert made.efficiency["D"] == pytest.approx(100 * np.linalg.det(X.T @ X) ** (1 / p) / n)
    assert made.efficiency["A"] == pytest.approx(100 * p / (n * np.trace(inverse)))
    table = gel.region.grid(101)
    rows = made.model.matrix(table)
    variances = np.einsum("ij,jk,ik->i", rows, inverse, rows)
    assert made.variance(table).to_numpy() == pytest.approx(variances)
    assert made.efficiency["G"] == pytest.approx(100 * p / (n * variances.max()), rel=1e-3)
    assert made.average_variance == pytest.approx(made.variance(gel.region.sample(200_000, seed=5)).mean(), rel=5e-3)


def test_narrow_mixture_regions_keep_their_digits():
    """Shares that move by a tenth of a per cent: X'X has a condition number beyond doubles, the factorisation has not."""
    s = doe.Study("thin", [doe.Component("x", 0.1, 0.2), doe.Component("y", 0.1, 0.2), doe.Component("water", 99, 100)])
    rows = pd.DataFrame(list(product([0.1, 0.15, 0.2], repeat=2)), columns=["x", "y"])
    rows["water"] = 100 - rows["x"] - rows["y"]
    made = check(Plan.from_frame(s, rows), "quadratic")
    # the same surface as a quadratic in two coded factors on the same square: 3² points
    free = doe.Study("square", [doe.Continuous("x", 0.1, 0.2), doe.Continuous("y", 0.1, 0.2)])
    twin = check(Plan.from_frame(free, rows[["x", "y"]]), "quadratic")
    assert made.average_variance == pytest.approx(twin.average_variance, rel=1e-6)
    assert made.largest_variance.value == pytest.approx(29 / 36, rel=1e-6)


GEL = doe.Study("gel", [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm")])
PLAN = full_factorial(GEL, centre=1)
BLOCKED = Plan(GEL, PLAN.runs, PLAN.model, block=[1, 1, 2, 2, 2])
MADE = check(PLAN, "interaction")
MIX = simplex_lattice(doe.Study("m", [doe.Component(n, 0, 100) for n in "xyz"]), 2)
MIXED = check(MIX, "linear")
MEND_SIGMA = "give the standard deviation between batches made anew at one setting, on the fitted scale."
MEND_BLENDS = (
    "a single coefficient of a mixture has no change of its own: give the two blends whose difference is to be seen."
)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: check(PLAN, "quadratic"),
            "plan is '5 runs for a model of 6 coefficients' but must be able to tell the model's terms apart: "
            "speed² cannot be told from polymer²; add runs at other settings or take terms out.",
        ),
        (
            lambda: check(Plan.from_frame(GEL, PLAN.runs.head(3)), "interaction"),
            "plan is '3 runs for a model of 4 coefficients' but must be able to tell the model's terms apart: "
            "polymer × speed cannot be told from the constant, polymer and speed; add runs at other settings or take terms out.",
        ),
        (
            lambda: check("x", "linear"),
            "plan is 'str' but must be a Plan: make one with doe.designs, or from a table with Plan.from_frame.",
        ),
        (
            lambda: check(Plan.from_frame(GEL, PLAN.runs)),
            'model is None but must be given for a plan that holds none: write check(plan, "quadratic").',
        ),
        (
            lambda: check(PLAN, "linear", variance_ratio=2),
            "variance_ratio is 2 but must be left out where no runs share a whole plot or a random block: leave it out.",
        ),
        (
            lambda: check(PLAN, "linear", block_effects="random"),
            "block_effects is 'random' but must be left out for a plan without blocks: leave it out.",
        ),
        (
            lambda: check(BLOCKED, "linear", block_effects="mixed"),
            'block_effects is \'mixed\' but must be "fixed" or "random": fixed is usual for a few named blocks.',
        ),
        (
            lambda: check(BLOCKED, "linear", block_effects="random", variance_ratio=-1),
            "variance_ratio is -1.0 but must be 0 or above: give the variance between groups over that within.",
        ),
        (lambda: MADE.power(0, change=1), f"sigma is 0.0 but must be above 0: {MEND_SIGMA}"),
        (lambda: MADE.power(-1.5, change=1), f"sigma is -1.5 but must be above 0: {MEND_SIGMA}"),
        (
            lambda: MADE.power(1, change=0),
            "change is 0.0 but must be other than 0: give the smallest change worth seeing, on the fitted scale.",
        ),
        (
            lambda: MADE.power(1),
            "change and ratio is 'neither' but must be one of the two: give change=2.0, or ratio=1.5 for a log response.",
        ),
        (
            lambda: MADE.power(1, change=1, ratio=2),
            "change and ratio is 'both' but must be one of the two: give change=2.0, or ratio=1.5 for a log response.",
        ),
        (
            lambda: MADE.power(1, ratio=1),
            'ratio is 1.0 but must be above 0 and not 1: give 1.5 for "× 1.5", the smallest ratio worth seeing.',
        ),
        (
            lambda: MADE.power(1, change={"polymer^2": 1}),
            "change: term is 'polymer^2' but must be a term of the model: did you mean 'polymer' or 'polymer:speed'?",
        ),
        (
            lambda: MADE.power(1, change={"polymr": 1}),
            "model: term 'polymr' is 'polymr' but must be a factor of the study: did you mean 'polymer'?",
        ),
        (
            lambda: MADE.power(1, change={"1": 1}),
            "change: term is '1' but must be a term with a change of its own: compare two settings by blends= instead.",
        ),
        (
            lambda: MADE.power(1, change={}),
            "change is {} but must be a mapping of at least one term: name a term and the change worth seeing.",
        ),
        (lambda: MADE.power(1, change=1, alpha=1.0), "alpha is 1.0 but must be inside (0, 1): 0.05 is usual."),
        (lambda: MADE.detectable(1, power=1), "power is 1.0 but must be inside (0, 1): 0.8 is usual."),
        (lambda: MADE.detectable(1, power=0.04), "power is 0.04 but must be above alpha (0.05): 0.8 is usual."),
        (lambda: MIXED.power(1, change=1), f"blends is None but must be two rows of settings: {MEND_BLENDS}"),
        (
            lambda: MIXED.power(1, change=1, blends=MIX.runs.head(3)),
            "blends is '3 rows' but must be two rows of settings: give the two whose difference is to be seen.",
        ),
        (
            lambda: MIXED.power(1, change=1, blends=MIX.runs.iloc[[1, 1]]),
            "blends is 'two rows that the model predicts alike' but must be two different settings: move one of the two.",
        ),
        (
            lambda: MIXED.power(1, change={"x": 1}, blends=MIX.runs.head(2)),
            "change is {'x': 1.0} but must be one number where blends are given: give the difference between the two rows.",
        ),
        (
            lambda: MADE.variance_over_region(points=10),
            "points is 10 but must be a whole number from 200: 10000 is usual.",
        ),
    ],
)
def test_bad_input(call, sentence):
    with pytest.raises(doe.StudyError) as problem:
        call()
    assert str(problem.value) == sentence


def test_confounding_with_blocks_is_named():
    s = doe.Study("s", [doe.Continuous(n, 0, 1) for n in "abc"])
    runs = full_factorial(s).runs
    signs = (runs * 2 - 1).prod(axis=1)
    plan = Plan(s, runs, block=list(np.where(signs > 0, "one", "two")))
    assert check(plan, "interaction").average_variance > 0
    with pytest.raises(doe.StudyError, match=r"a × b × c cannot be told from block 1"):
        check(plan, ["a", "b", "c", "a:b", "a:c", "b:c", "a:b:c"])


def test_box_behnken_at_a_glance():
    """Myers, Montgomery & Anderson-Cook: the k = 3 plan with 3 centre runs, 10 coefficients, 3 df lack of fit, 2 df pure error."""
    s = doe.Study("s", [doe.Continuous(n, 0, 1) for n in "abc"])
    df = check(box_behnken(s, centre=3), "quadratic").degrees_of_freedom
    assert dict(df) == {"model": 10, "lack of fit": 3, "pure error": 2}


def test_the_bound_is_the_engines_for_its_own_plans():
    s = doe.Study("s", [doe.Continuous(n, 0, 1) for n in "abc"])
    plan = optimal(s, "quadratic", 14, rounds=2)
    made = check(plan)
    assert made.bound["I"] == pytest.approx(plan.provenance["certificate"]["bound"], rel=1e-6)
    assert made.certificate.kind == "proved"
    assert made.certificate.text in repr(made)
    assert "batch for batch, no plan of any size under this model and noise ratio is more than" in made.certificate.text


def test_the_bound_of_a_plan_with_whole_plots_follows_its_ratio():
    hard = doe.Study("s", [doe.Continuous("base", 0, 1, hard_to_change=True), doe.Continuous("a", 0, 1)])
    runs = pd.DataFrame({"base": [0.0, 0, 1, 1] * 2, "a": [0.0, 1] * 4}, index=range(1, 9))
    plan = Plan(hard, runs, whole_plot=list("aabbccdd"))
    one, four = (check(plan, "linear", variance_ratio=r) for r in (1.0, 4.0))
    # settings at the corners in balanced whole plots of two: nothing does better
    assert one.bound["D"] == pytest.approx(100, abs=0.1)
    assert four.bound["I"] == pytest.approx(100, abs=0.1)
    skew = Plan(hard, runs.assign(a=[0.0, 1, 0, 1, 0, 0.5, 0, 0.5]), whole_plot=list("aabbccdd"))
    low, high = (check(skew, "linear", variance_ratio=r).bound["I"] for r in (0.1, 10.0))
    assert low < high < 100
    assert "whole plots of the same sizes" in one.certificate.text


def test_no_bound_for_runs_outside_the_region():
    s = doe.Study("s", [doe.Continuous(n, -1, 1, limits=(-2, 2)) for n in "ab"])
    made = check(central_composite(s, axial=1.4), "quadratic")
    assert made.bound.isna().all()
    assert made.certificate.text == "No I-bound is given: runs 5, 6, 7, 8 lie outside the region that it holds for."
    assert made.certificate.text in repr(made)
    assert check(central_composite(s, axial="face"), "quadratic").bound.notna().all()
    one = check(Plan.from_frame(s, pd.DataFrame([(1, 1), (1, -1), (-1, 1), (-1.5, -1)], columns=list("ab"))), "linear")
    assert one.certificate.text == "No I-bound is given: run 4 lies outside the region that it holds for."


def test_no_bound_beyond_the_degree_of_the_search():
    s = doe.Study("s", [doe.Continuous("a", -1, 1)])
    rows = pd.DataFrame({"a": np.linspace(-1, 1, 12)})
    terms = [f"a^{k}" for k in range(2, 9)]
    text = "No I-bound is given: it is worked out for models up to degree 7, this one has 8."
    assert check(Plan.from_frame(s, rows), ["a", *terms]).certificate.text == text
    assert check(Plan.from_frame(s, rows), ["a", *terms[:-1]]).bound["I"] > 0


def test_a_narrow_mixture_is_read_in_pseudocomponents():
    """Water at 94 to 99.8 %: in shares oil × water looks like oil; over the room there is, it does not."""
    s = doe.Study(
        "m", [doe.Component("polymer", 0.2, 1.0), doe.Component("oil", 0, 5), doe.Component("water", 90, 100)]
    )
    rows = pd.DataFrame(list(product([0.2, 0.6, 1.0], [0.0, 2.5, 5.0])), columns=["polymer", "oil"])
    made = check(Plan.from_frame(s, rows.assign(water=100 - rows["polymer"] - rows["oil"])), "quadratic")
    in_shares = np.corrcoef(made.information.X.T)
    names = list(made.model.columns)
    assert abs(in_shares[names.index("oil"), names.index("oil:water")]) > 0.995
    assert abs(made.correlation.loc["oil", "oil:water"]) < 0.9
    assert not any("oil cannot be separated from oil × water" in v for v in made.verdicts[TITLES[0]])
    assert "D efficiency, %" not in repr(made)
    assert "D efficiency, %" in repr(MADE)
