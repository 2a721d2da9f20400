"""The chance over a blend of three: the window's own figures, at their place in the triangle, in a region that limits leave."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError, plots
from doe.window.blends import blends_of

from .pictures import by_gid, outside, overlaps

FOUR = [
    doe.Component("water", 70, 97, "%"),
    doe.Component("glycerin", 2, 12, "%", step=0.5),
    doe.Component("propanediol", 1, 8, "%", step=0.5),
    doe.Component("gum", 0.5, 2, "%", step=0.1),
    doe.Continuous("speed", 400, 900, "rpm", step=50),
]


@pytest.fixture(scope="module")
def win():
    study = doe.Study(
        "blend (invented)",
        FOUR,
        [doe.Response("body", low=4.7, high=5.4), doe.Response("tack", high=5.6)],
        mixture_total=100,
        balance="water",
        constraints=["glycerin + propanediol <= 16"],
    )
    table = study.region.sample(20, seed=0)
    w, g, p, gum = (table[c.name] / 100 for c in FOUR[:4])
    noise = 0.1 * np.random.default_rng(0).standard_normal((20, 2))
    table["body"] = 4 * w + 22 * g + 2 * p + 10 * gum + noise[:, 0]
    table["tack"] = 5 * w + 4 * g + 14 * p + 3 * gum + noise[:, 1]
    fits = doe.fit_all(study, table, model="linear")
    return doe.find_window(fits, target=0.9, draws=1000)


THREE = ("water", "glycerin", "propanediol")


def test_the_table_gives_the_windows_own_chances(win):
    found = win.ternary(*THREE, n=11)
    assert list(found.columns) == [*THREE, "probability", "extrapolated"]
    assert len(found) == 66
    settings = found[list(THREE)].assign(gum=win.set_point["gum"], speed=win.set_point["speed"])
    np.testing.assert_allclose(settings[[*THREE, "gum"]].sum(axis=1), 100.0)
    told = win.probability(settings)
    np.testing.assert_array_equal(found["probability"], told["probability"])
    np.testing.assert_array_equal(found["extrapolated"], told["extrapolated"])
    assert found.note == f"Held: gum {win.set_point['gum']:.1f} %, speed {win.set_point['speed']:.0f} rpm."
    other = win.ternary(*THREE, at={"gum": 1.9, "speed": 450}, n=11)
    assert other.note == "Held: gum 1.9 %, speed 450 rpm."
    np.testing.assert_allclose(other[list(THREE)].sum(axis=1), 98.1)
    assert len(win.ternary(*THREE, n=5)) == 15


def test_corners_are_those_of_the_slice(win):
    """Computed by hand: glycerin 2 to 12, propanediol 1 to 8, together at most 16; water takes the rest."""
    cut = blends_of(win, *THREE, {"gum": 1.0}, "ternary")
    found = {tuple(np.round(c, 6)) for c in cut.corners}
    by_hand = {(g, p) for g, p in ((2, 1), (12, 1), (12, 4), (8, 8), (2, 8))}
    assert found == {(99.0 - g - p, float(g), float(p)) for g, p in by_hand}
    assert cut.low.tolist() == pytest.approx([83.0, 2.0, 1.0])


def test_the_picture_shows_them_in_their_place(win):
    ax = plots.probability_ternary(win, *THREE, n=61)
    assert ax.get_title().startswith("Chance that one new batch meets every specification")
    assert "held: gum" in ax.get_title()
    (point,) = by_gid(ax, "set point")
    cut = blends_of(win, *THREE, None, "ternary")
    share = (win.set_point[list(THREE)].to_numpy(dtype=float) - cut.low) / cut.spare
    corners = np.array([[0.5, np.sqrt(0.75)], [0, 0], [1, 0]])
    assert point.get_xydata()[0] == pytest.approx(share @ corners)
    # the line of the target lies where the chance is the target
    (limit,) = by_gid(ax, "limit")
    xy = np.vstack([p.vertices for p in limit.get_paths()])
    top = xy[:, 1] / np.sqrt(0.75)
    shares = np.column_stack([top, 1 - top - (xy[:, 0] - 0.5 * top), xy[:, 0] - 0.5 * top])
    settings = cut.table(cut.low + cut.spare * shares, win.study.names)
    assert np.abs(win.probability(settings)["probability"].to_numpy() - 0.9).max() < 0.05
    assert by_gid(ax, "outside")
    assert not overlaps(ax)
    assert not outside(ax)
    told = plots.words(ax)
    assert "Those stand where their proportions of the three are." in told
    assert "The triangle begins at water" in told


def test_held_elsewhere(win):
    ax = plots.probability_ternary(win, *THREE, at={"gum": 2.0, "speed": 850}, n=21)
    assert not by_gid(ax, "set point")
    assert "held: gum 2 %, speed 850 rpm" in ax.get_title()
    assert "The set point lies off this slice: water " in plots.words(ax)
    assert plots.words(ax) != plots.words(plots.probability_ternary(win, *THREE, at=pd.Series({"gum": 2.0}), n=21))


def test_the_card_of_a_blend_says_what_makes_room(win):
    assert "When a component moves, water makes room." in plots.words(plots.set_point_card(win))


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda w: w.ternary("water", "glycerine", "gum"),
            "ternary: b is 'glycerine' but must be a component of the mixture: did you mean 'glycerin'?",
        ),
        (
            lambda w: w.ternary("water", "gum", "gum"),
            "ternary: components is ['water', 'gum', 'gum'] but must be three different ones: name three different ones.",
        ),
        (
            lambda w: w.ternary(*THREE, at={"water": 80}),
            "ternary: at is 'water' but must be another factor than the three: leave it out: it varies.",
        ),
        (
            lambda w: w.ternary(*THREE, at={"sped": 80}),
            "ternary: at is 'sped' but must be a factor of the study: did you mean 'speed'?",
        ),
        (
            lambda w: w.ternary(*THREE, at={"gum": 1.3, "speed": 1200}),
            "ternary: at is 'gum 1.3 %, speed 1200 rpm' but must be a slice through the region studied: hold the other factors elsewhere.",
        ),
        (
            lambda w: w.ternary(*THREE, n=2),
            "ternary: n is 2 but must be a whole number from 3 to 501: leave it out for 61.",
        ),
        (
            lambda w: plots.probability_ternary(w, *THREE, n=2),
            "n is 2 but must be a whole number from 5 to 501: give the grid points along each side.",
        ),
        (
            lambda w: plots.probability_ternary(w, *THREE, at=3),
            "at is 'int' but must be a mapping from factor to setting: write {\"speed\": 400}.",
        ),
        (
            lambda w: plots.probability_ternary("w", *THREE),
            "plots.probability_ternary: win is 'str' but must be a Window: make it with doe.find_window(fits).",
        ),
    ],
)
def test_refusals(win, call, sentence):
    with pytest.raises(StudyError) as problem:
        call(win)
    assert str(problem.value) == sentence


def test_without_a_mixture_there_is_no_triangle(gel_window):
    with pytest.raises(StudyError) as problem:
        plots.probability_ternary(gel_window, "carbomer", "crosspolymer", "speed")
    assert str(problem.value) == (
        "probability_ternary: a is 'carbomer' but must be a component, and the study has none: take probability_map."
    )
