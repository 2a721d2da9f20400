"""Traces and the triangle: lines lie where the fit says, and end where the region does."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.path import Path as Outline

import doe
from doe import StudyError, plots
from doe.plots import blends

from .conftest import REFERENCE
from .pictures import by_gid, outside, overlaps, said

YARN = ["polyethylene", "polystyrene", "polypropylene"]


@pytest.fixture(scope="module")
def yarn():
    """Cornell's yarn elongation, Montgomery (10th ed.), Table 11.19 (sources in the file)."""
    data = pd.read_csv(REFERENCE / "yarn_elongation" / "data.csv")
    shares = [c for c in data.columns if c.startswith("x")]
    data = data.rename(columns=dict(zip(shares, YARN, strict=True)))
    data[YARN] = 100 * data[YARN]
    study = doe.Study("yarn", [doe.Component(n, 0, 100) for n in YARN], [doe.Response("elongation", "kgf", low=12)])
    return doe.fit(study, data, "elongation")


# ---- traces


def test_curves_are_the_table(yarn):
    ax = plots.traces(yarn)
    made = yarn.traces()
    for curve, line in zip(by_gid(ax, "trace"), made.lines, strict=True):
        own = made.table[made.table["component"] == line.name]
        assert curve.get_label() == line.name
        np.testing.assert_allclose(curve.get_xdata(), 100 * own["change"] / (line.high - line.low))
        np.testing.assert_allclose(curve.get_ydata(), own["estimate"])
    assert len(by_gid(ax, "band")) == 3
    assert "elongation along Cox's direction" in ax.get_title()
    assert "reference: polyethylene 33.33 %" in ax.get_title()
    assert {t.get_text() for t in by_gid(ax, "end")} >= {"polyethylene 0 %", "polystyrene 100 %"}
    assert "Most from end to end: polystyrene, −7.50 kgf" in plots.words(ax)


def test_direction_and_reference_change_the_picture(flare):
    fit, _ = flare
    cox, piepel = plots.traces(fit), plots.traces(fit, "piepel")
    assert plots.words(cox) != plots.words(piepel)
    assert "Piepel's direction" in piepel.get_title()
    other = plots.traces(
        fit, reference={"magnesium": 0.5, "sodium nitrate": 0.3, "strontium nitrate": 0.14, "binder": 0.06}
    )
    assert "reference: magnesium 0.5, sodium nitrate 0.3" in other.get_title().replace("\n", " ")
    assert not np.allclose(by_gid(other, "trace")[0].get_ydata()[0], by_gid(cox, "trace")[0].get_ydata()[0])


@pytest.mark.parametrize("direction", ["cox", "piepel"])
def test_names_at_the_ends_do_not_touch(flare, blend, direction):
    for fit in (flare[0], blend["viscosity"]):
        ax = plots.traces(fit, direction)
        assert not overlaps(ax)
        assert not outside(ax)


def test_only_mixtures_have_traces(gel):
    with pytest.raises(StudyError) as error:
        plots.traces(gel["pH"])
    assert str(error.value) == (
        "traces: components is 0 but must be 2 or more: traces are for mixtures; see drivers() for the change over each factor's range."
    )


# ---- the triangle


def places(t, xy):
    """Amounts of the three at places in the drawing."""
    first = xy[:, 1] / np.sqrt(0.75)
    third = xy[:, 0] - 0.5 * first
    return t.low + t.spare * np.column_stack([first, 1 - first - third, third])


def test_lines_lie_at_their_values(yarn):
    ax = plots.ternary_response(yarn)
    t = blends._triangle(yarn.study, None, None)
    seen = set()
    for line in [*by_gid(ax, "contour"), *by_gid(ax, "limit")]:
        xy = np.vstack([p.vertices for p in line.get_paths()])
        predicted = yarn.predict(pd.DataFrame(places(t, xy), columns=YARN))["estimate"]
        value = float(line.get_label().removeprefix("at least ").removesuffix(" kgf"))
        seen.add(value)
        np.testing.assert_allclose(predicted, value, atol=0.01)  # linear between grid points
    assert {10.0, 12.0, 14.0, 16.0} <= seen
    assert "at least 12 kgf" in said(ax)


def test_the_published_maximum_is_said(flare):
    """McLean & Anderson (1966): 397.5 at (0.5233, 0.2299, 0.1668, 0.0800)."""
    fit, expected = flare
    ax = plots.ternary_response(fit, ["magnesium", "sodium nitrate", "strontium nitrate"], at={"binder": 0.08}, n=201)
    told = plots.words(ax)
    assert "Highest here: 398 kcd" in told or "Highest here: 397 kcd" in told
    best = expected["maximum"]["x"]
    found = [float(part.split()[-1]) for part in told.split(" at ")[1].split(". ")[0].split(",")]
    np.testing.assert_allclose(found, best[:3], atol=0.003)
    assert "held: binder 0.08" in ax.get_title()
    assert "10 batches with other amounts of the held components are not drawn." in told
    assert "Hatched: blends outside the region studied." in told


def test_the_outline_is_the_region(flare):
    """Against the region's own membership on a lattice."""
    study = flare[0].study
    three = ["magnesium", "sodium nitrate", "strontium nitrate"]
    t = blends._triangle(study, three, {"binder": 0.05})
    points = t.lattice(40)
    inside = Outline(t.flat(np.vstack([t.corners, t.corners[:1]]))).contains_points(t.flat(points))
    expected = np.asarray(study.region.contains(t.settings(points)))
    edge = np.abs(points[:, 0] - 0.6) < 1e-9
    np.testing.assert_array_equal(inside[expected & ~edge & _within(points, t)], True)
    assert not inside[~expected].any()
    np.testing.assert_allclose(t.corners.sum(axis=1), 0.95)
    assert study.region.contains(t.settings(t.corners)).all()


def _within(points, t):
    """Off the edges, where either answer is right."""
    return (points > t.corners.min(axis=0) + 1e-6).all(axis=1) & (points < t.corners.max(axis=0) - 1e-6).all(axis=1)


def test_held_settings_and_grid_change_the_picture(blend):
    fit = blend["viscosity"]
    three = ["glycerin", "ethanol", "water"]
    slow, fast = (plots.ternary_response(fit, three, at={"speed": v}) for v in (300, 900))
    assert plots.words(slow) != plots.words(fast)
    assert "speed 300 rpm" in slow.get_title()
    coarse = plots.ternary_response(fit, three, at={"speed": 300}, n=11)
    assert len(by_gid(coarse, "outside")) == len(by_gid(slow, "outside")) == 1
    paths = [sum(len(p.vertices) for c in by_gid(ax, "contour") for p in c.get_paths()) for ax in (coarse, slow)]
    assert paths[0] < paths[1]


def test_nothing_overlaps_or_is_cut_off(yarn, flare, blend):
    three = ["magnesium", "sodium nitrate", "strontium nitrate"]
    for ax in (
        plots.ternary_response(yarn),
        plots.ternary_response(flare[0], three, at={"binder": 0.08}),
        plots.ternary_response(blend["viscosity"], ["glycerin", "ethanol", "water"]),
    ):
        assert not overlaps(ax)
        assert not outside(ax)


def test_all_batches_of_three_components_are_drawn(yarn):
    ax = plots.ternary_response(yarn)
    drawn = sum(len(c.get_offsets()) for c in by_gid(ax, "batches"))
    assert drawn == yarn.n
    assert "Hollow marks: batches." in plots.words(ax)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda f: plots.ternary_response(f, n=3),
            "n is 3 but must be a whole number from 11 to 401: give the grid points along each side.",
        ),
        (
            lambda f: plots.ternary_response(f),
            "ternary_response: components is None but must be three of magnesium, sodium nitrate, strontium nitrate, binder: name them: "
            "components=['magnesium', 'sodium nitrate', 'strontium nitrate']; the others are held.",
        ),
        (
            lambda f: plots.ternary_response(f, ["magnesium", "binder"]),
            "components is ['magnesium', 'binder'] but must be three different components: choose among magnesium, sodium nitrate, strontium "
            "nitrate, binder.",
        ),
        (
            lambda f: plots.ternary_response(f, ["magnesium", "bindr", "sodium nitrate"]),
            "components is 'bindr' but must be a factor of the study: did you mean 'binder'?",
        ),
        (
            lambda f: plots.ternary_response(
                f, ["sodium nitrate", "strontium nitrate", "binder"], at={"magnesium": 0.9}
            ),
            "at: 'magnesium' is 0.9 but must be within the range studied, 0.4 to 0.6: hold it inside, or study a wider range.",
        ),
    ],
)
def test_refusals(flare, call, sentence):
    with pytest.raises(StudyError) as error:
        call(flare[0])
    assert str(error.value) == sentence


def test_held_settings_that_leave_no_blend(flare):
    with pytest.raises(StudyError) as error:
        plots.ternary_response(flare[0], ["magnesium", "binder", "sodium nitrate"], at={"strontium nitrate": 0.5})
    assert str(error.value) == (
        "at is 'strontium nitrate 0.5' but must be such that blends of the three are left inside the region: hold the others elsewhere."
    )


def test_two_components_make_no_triangle(gel):
    with pytest.raises(StudyError) as error:
        plots.ternary_response(gel["pH"])
    assert str(error.value) == "ternary_response: number of components is 0 but must be 3 or more: take plots.contours."
