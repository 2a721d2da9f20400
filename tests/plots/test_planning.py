"""Pictures of plans: what they draw is what the results hold, and what they say is its worst."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import plots
from doe.designs import Plan, box_behnken, central_composite, full_factorial
from doe.quality import check, compare, smallest_plan

GEL = doe.Study("gel", [doe.Continuous(n, 0, 1) for n in ("polymer", "speed", "minutes")])


@pytest.fixture(scope="module")
def face():
    return check(central_composite(GEL, axial="face", centre=3), "quadratic")


@pytest.fixture(scope="module")
def edge():
    return check(box_behnken(GEL), "quadratic")


@pytest.fixture(scope="module")
def smallest():
    s = doe.Study("gel", [doe.Continuous("polymer", 0, 1), doe.Continuous("speed", 0, 1)])
    return smallest_plan(s, "linear", 1.0, change={"polymer": 3.0, "speed": 2.5}, runs=(4, 10), all_sizes=True)


def drawn(ax, gid):
    return [line for line in ax.lines if line.get_gid() == gid]


def test_power_by_batches(smallest):
    ax = plots.power_by_batches(smallest)
    line = drawn(ax, "least power")[0]
    least = smallest.powers.groupby("runs")["power"].min()
    assert line.get_xdata().tolist() == least.index.tolist()
    assert line.get_ydata() == pytest.approx(least.to_numpy())
    assert drawn(ax, "asked")[0].get_ydata()[0] == 0.8
    assert f"{len(smallest.plan.runs)} batches are the fewest found; hardest to see then: speed" in plots.words(ax)
    assert ax.get_xlabel() == "batches"


def test_power_of_a_plan_with_whole_plots_stands_at_the_best_number_of_them():
    s = doe.Study("s", [doe.Continuous("base", 0, 1, hard_to_change=True), doe.Continuous("acid", 0, 1)])
    found = smallest_plan(s, "linear", 1.0, change=3.5, variance_ratio=0.5)
    line = drawn(plots.power_by_batches(found), "least power")[0]
    for n, power in zip(line.get_xdata(), line.get_ydata(), strict=True):
        own = found.table[found.table["runs"] == n]
        assert power == pytest.approx(own["least_power"].fillna(0).max())


def test_one_curve_a_plan(face, edge):
    ax = plots.precision_over_region({"face": face, "edge": edge}, points=2_000)
    curves = drawn(ax, "curve")
    assert len(curves) == 2
    assert curves[1].get_ydata()[-1] == pytest.approx(edge.largest_variance.value)
    assert curves[0].get_ydata() == pytest.approx(face.variance_over_region(2_000).curve["variance"].to_numpy())
    assert "edge: half the region at or below 0.34, average 0.385, largest 1.4 at" in plots.words(ax)
    again = drawn(plots.precision_over_region(compare({"face": face, "edge": edge}), seed=1, points=2_000), "curve")
    assert len(again) == 2
    assert not np.array_equal(again[0].get_ydata(), curves[0].get_ydata())
    assert plots.precision_over_region(face, points=300).get_legend() is None


def test_a_triangle_of_correlations(face):
    ax = plots.term_correlations(face)
    figures = [t.get_text() for t in ax.texts if t.get_gid() == "correlation"]
    assert len(figures) == 9 * 8 / 2
    assert figures.count(".51") == 3
    assert figures.count("·") == 33
    assert plots.words(ax).startswith("Most alike: polymer² with speed² (0.51)")
    told = check(full_factorial(GEL), "linear")
    assert plots.words(plots.term_correlations(told)).startswith("No two terms run together at all")


def test_a_negative_sign_is_kept():
    s = doe.Study("s", [doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1)])
    made = check(Plan.from_frame(s, pd.DataFrame({"a": [0, 0, 1, 1, 0.0], "b": [0, 1, 0, 1, 1.0]})), "linear")
    ax = plots.term_correlations(made)
    assert [t.get_text() for t in ax.texts if t.get_gid() == "correlation"] == ["−.17"]
    assert "a with b (−0.17)" in plots.words(ax)


def test_variance_over_two_factors(face):
    ax = plots.prediction_variance(face, "polymer", "speed")
    X = face.model.matrix(face.plan.runs)
    row = face.model.matrix(pd.DataFrame({"polymer": [1.0], "speed": [1.0], "minutes": [0.5]}))[0]
    corner = row @ np.linalg.solve(X.T @ X, row)
    assert f"Least sure: {corner:.3f} at polymer 1, speed 1." in plots.words(ax)
    held = plots.prediction_variance(face, "polymer", "speed", at={"minutes": 1.0}, n=21)
    assert "Least sure: 0.795 at" in plots.words(held)
    assert "minutes 1" in held.get_title(loc="center")


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda face: plots.power_by_batches(smallest_plan(GEL, "linear", 1.0, precision=1.0)),
            "smallest is 'a plan asked for by precision alone' but must be one asked for by changes: give change= or ratio= to smallest_plan.",
        ),
        (
            lambda face: plots.precision_over_region(dict.fromkeys("abcde", face)),
            "checks is '5 plans' but must be from 1 to 4: draw fewer plans in one picture.",
        ),
        (
            lambda face: plots.term_correlations(check(full_factorial(GEL), ["polymer"])),
            "check is 'a model of one term' but must be one of at least two terms beside the constant: there is nothing to run together.",
        ),
        (
            lambda face: plots.prediction_variance(face, "polymer", "polymer"),
            "y is 'polymer' but must be another factor than x ('polymer'): choose two different factors.",
        ),
    ],
)
def test_bad_input(call, sentence, face):
    with pytest.raises(doe.StudyError) as problem:
        call(face)
    assert str(problem.value) == sentence
