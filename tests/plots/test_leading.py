"""Pictures of the ways over a surface and of where its stationary point may lie: what is drawn is what the results say."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError, plots

from .conftest import LONG
from .pictures import by_gid, outside, overlaps, said


def scored(repeats=10):
    """Invented: a gel scored by eye, best in the middle of two factors."""
    study = doe.Study(
        "jar",
        [doe.Continuous("gum", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm")],
        [doe.Response("look", scale=(1, 5), low=4)],
    )
    runs = pd.concat([doe.designs.full_factorial(study, levels=3).runs] * repeats, ignore_index=True)
    a, b = study.coded(runs).to_numpy(dtype=float).T
    latent = 0.8 * a - 0.5 * b + 0.4 * a * b - 1.8 * a**2 - 1.5 * b**2
    latent = latent + np.random.default_rng(5).logistic(size=len(runs))
    data = runs.assign(look=1 + (latent[:, None] > [-4, -2.5, -1, 0.5]).sum(axis=1))
    return doe.fit(study, data, "look", "quadratic")


@pytest.fixture(scope="module")
def score():
    return scored()


@pytest.fixture(scope="module")
def beyond(chemical):
    """The viscosity of the published trial where readings above 70 cSt were beyond the instrument."""
    fit = chemical["viscosity"]
    data = fit.batches.settings.assign(viscosity=[">70" if v > 70 else str(v) for v in fit.batches.values])
    found = doe.fit(fit.study, data, "viscosity")
    assert found.method == "censored"
    return found


def drawn(figure, gid):
    """Marks of a gid, panel by panel."""
    return [np.asarray(line.get_xydata()) for line in by_gid(figure, gid)]


# ---- ridge and ascent


def test_a_ridge_draws_the_table(chemical):
    path = chemical["yield"].surface().ridge([0, 0.5, 1.0, 1.4])
    figure = plots.surface_path(path)
    (top,) = drawn(figure, "estimate")
    np.testing.assert_allclose(top, path[["radius", "estimate"]])
    corners = by_gid(figure, "interval")[0].get_paths()[0].vertices
    for low, high, r in path[["low", "high", "radius"]].itertuples(index=False):
        ends = corners[np.isclose(corners[:, 0], r), 1]
        assert [ends.min(), ends.max()] == pytest.approx([low, high])
    panels = drawn(figure, "setting")
    assert len(panels) == 2
    for panel, name in zip(panels, ["reaction time", "temperature"], strict=True):
        np.testing.assert_allclose(panel, path[["radius", name]])
    ranges = sorted(float(line.get_ydata()[0]) for line in by_gid(figure, "range"))
    assert ranges == [80, 90, 170, 180]
    assert {"yield (%)", "reaction time (min)", "temperature (°F)"} <= {ax.get_title(loc="left") for ax in figure.axes}
    assert "at least 78.5 %" in said(figure)


def test_what_lies_outside_the_region_is_dashed_and_said(chemical):
    surface = chemical["yield"].surface()
    path = surface.ridge([0, 0.5, 1.0, 1.4, 1.8])
    assert path["inside"].tolist() == [True, True, True, False, False]
    figure = plots.surface_path(path)
    styles = {line.get_linestyle(): len(line.get_xdata()) for line in by_gid(figure, "estimate line")}
    assert styles == {"-": 3, "--": 3}
    assert "Dashed: outside the region studied" in plots.words(figure)
    assert "Highest inside the region studied: 80.21 % (95 %: 79.94 to 80.49) at distance 0.5" in plots.words(figure)
    within = plots.surface_path(surface.ridge([0, 0.5, 1.0], within="region"))
    assert len(by_gid(within, "estimate line")) == 1
    assert "Dashed" not in plots.words(within)
    assert "inside the region studied (many starts: the best found)" in said(within).replace("\n", " ")


def test_the_lowest_is_named_where_that_is_sought(chemical):
    surface = chemical["yield"].surface()
    low = surface.ridge([0, 0.5, 1.0], goal="low")
    figure = plots.surface_path(low)
    assert "Lowest yield at each distance" in said(figure)
    assert f"Lowest: {low['estimate'].min():.4g}"[:12] in plots.words(figure)
    down = plots.surface_path(surface.ascent(0.2, goal="low", steps=3))
    assert "Steepest descent of yield from the centre" in said(down)
    assert "at step 3" in plots.words(down)


def test_the_ascent_drawn_is_the_table_with_its_caveats(chemical):
    path = chemical["yield"].surface().ascent({"temperature": 1}, steps=4)
    figure = plots.surface_path(path)
    np.testing.assert_allclose(drawn(figure, "estimate")[0], path[["step", "estimate"]])
    for panel, name in zip(drawn(figure, "setting"), ["reaction time", "temperature"], strict=True):
        np.testing.assert_allclose(panel, path[["step", name]])
    assert "of all directions are ruled out as the steepest" in plots.words(figure)
    assert "the straight path is the steepest only at its start" in plots.words(figure)
    assert all(float(t).is_integer() for ax in figure.axes for t in ax.get_xticks())


def test_held_levels_stand_in_the_title(kinds):
    path = kinds.surface({"impeller": "anchor"}).ridge([0, 0.5])
    title = "held: impeller at anchor, lot at the average of its levels"
    figure = plots.surface_path(path)
    assert title in said(figure)
    assert not any("Held" in t for t in said(figure).split("\n"))


def test_a_single_distance_can_be_drawn(chemical):
    figure = plots.surface_path(chemical["yield"].surface().ridge([0.5]))
    assert len(drawn(figure, "estimate")[0]) == 1
    assert not by_gid(figure, "estimate line")


def test_paths_of_scores_show_the_mean_score_and_the_chance(score):
    path = score.surface().ridge([0, 0.2, 0.4, 1.4])
    figure = plots.surface_path(path)
    np.testing.assert_allclose(drawn(figure, "estimate")[0], path[["radius", "estimate"]])
    assert figure.axes[0].get_title(loc="left") == "mean score of look"
    best = path.loc[path["estimate"].idxmax()]
    assert f"There one new batch scores 4 or more with chance {best['P(>= 4)']:.3f}." in plots.words(figure)
    assert "Steepest ascent of look" in said(plots.surface_path(score.surface().ascent(0.2, steps=2)))


def test_paths_of_censored_readings(beyond):
    surface = beyond.surface()
    for picture, path in (
        (plots.surface_path, surface.ridge([0, 0.5])),
        (plots.surface_path, surface.ascent(0.2, steps=2)),
    ):
        figure = picture(path)
        np.testing.assert_allclose(drawn(figure, "estimate")[0][:, 1], path["estimate"])
        assert not overlaps(figure)


def test_no_interval_where_nothing_judges_the_noise(chemical):
    fit = chemical["yield"]
    rows = fit.batches.settings.assign(**{"yield": fit.batches.values}).drop_duplicates(fit.study.names).iloc[:6]
    bare = doe.fit(fit.study, rows, "yield")
    assert bare.df_residual == 0
    figure = plots.surface_path(bare.surface().ridge([0, 0.5]))
    assert "No intervals: nothing judges the noise." in plots.words(figure)


def test_terms_chosen_from_the_readings_are_said(gel):
    fit = gel["viscosity"].reduced()
    (sentence,) = fit._selected
    surface = fit.surface()
    assert sentence in plots.words(plots.surface_path(surface.ridge([0, 0.5])))
    assert sentence in plots.words(plots.surface_path(surface.ascent(0.2, steps=2)))


@pytest.mark.parametrize("which", ["chemical", "gel", "flare", "kinds", "six"])
def test_nothing_overlaps_or_is_cut_off(request, which):
    if which == "six":
        names = [
            "carbomer polymer",
            "crosspolymer",
            "neutralisation degree",
            "impeller speed",
            "mixing time",
            "temperature",
        ]
        study = doe.Study("six", [doe.Continuous(n, 0, 1, "g/L") for n in names], [doe.Response("y", "mPa·s")])
        runs = doe.designs.latin_hypercube(study, 40, seed=1).runs
        rng = np.random.default_rng(0)
        fit = doe.fit(study, runs.assign(y=runs[names].sum(axis=1) + 0.1 * rng.normal(size=40)), "y")
    else:
        found = request.getfixturevalue(which)
        fit = {
            "chemical": lambda: found["molecular_weight"],
            "gel": lambda: found["viscosity"],
            "flare": lambda: found[0],
            "kinds": lambda: found,
        }[which]()
    surface = fit.surface()
    for figure in (
        plots.surface_path(surface.ridge(np.linspace(0, 1.2, 7), within="region")),
        plots.surface_path(surface.ridge([0, 1]), figure=plots.look.picture(9, 8)),
        plots.surface_path(surface.ascent(0.2, steps=5)),
    ):
        assert not overlaps(figure)
        assert not outside(figure)


# ---- where the stationary point may lie


def edge_of(ax):
    (edge,) = by_gid(ax, "edge")
    return np.vstack([p.vertices for p in edge.get_paths()])


def test_the_region_drawn_is_that_of_the_result(chemical):
    where = chemical["yield"].surface().whereabouts()
    ax = plots.stationary_region(where)
    edge = edge_of(ax)
    middle = where.surface.stationary.to_numpy()
    names = ["reaction time", "temperature"]
    for share, inside in ((0.97, True), (1.03, False)):
        points = pd.DataFrame(middle + share * (edge - middle), columns=names)
        assert (where.contains(points) == inside).all()
    (point,) = by_gid(ax, "point")
    np.testing.assert_allclose([point.get_xdata()[0], point.get_ydata()[0]], middle)
    marks = by_gid(ax, "batches")[0].get_offsets()
    np.testing.assert_allclose(
        np.unique(marks, axis=0), chemical["yield"].batches.settings[names].drop_duplicates().sort_values(names)
    )
    studied = by_gid(ax, "studied")[0].get_xy()
    assert {tuple(p) for p in studied.tolist()} == {(80, 170), (90, 170), (90, 180), (80, 180)}
    row = where.table.iloc[0]
    assert f"reaction time {row['low']:.4g} to {row['high']:.4g} min" in plots.words(ax)
    assert "Diamond: the stationary point, a maximum" in plots.words(ax)


def test_confidence_and_factors_change_the_picture(chemical, gel):
    surface = chemical["yield"].surface()
    small, large = (np.ptp(edge_of(plots.stationary_region(surface.whereabouts(c)))[:, 0]) for c in (0.8, 0.99))
    assert large > small
    ax = plots.stationary_region(surface.whereabouts(), "temperature", "reaction time")
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("temperature (°F)", "reaction time (min)")
    fine, coarse = (len(edge_of(plots.stationary_region(surface.whereabouts(), n=n))) for n in (81, 21))
    assert fine > coarse
    where = gel["viscosity"].surface().whereabouts()
    ax = plots.stationary_region(where, y="speed")
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("carbomer (%)", "speed (rpm)")
    assert "whatever crosspolymer and neutralisation are" in said(ax).replace("\n", " ")


def test_a_region_without_an_end_or_beyond_the_picture_is_said(gel):
    said_there = plots.words(plots.stationary_region(gel["viscosity"].surface().whereabouts()))
    assert "beyond the picture too." in said_there
    assert "All factors together the region has no end" in said_there
    assert "it lies outside the region studied and the picture" in said_there


def test_scores_and_censored_readings_have_the_picture_too(score, beyond):
    where = score.surface().whereabouts()
    ax = plots.stationary_region(where)
    edge, middle = edge_of(ax), where.surface.stationary.to_numpy()
    assert where.contains(pd.DataFrame(middle + 0.97 * (edge - middle), columns=["gum", "speed"])).all()
    assert "the logit of a higher score" in said(ax).replace("\n", " ")
    ax = plots.stationary_region(beyond.surface().whereabouts())
    assert by_gid(ax, "region")
    assert not overlaps(ax)


def test_terms_chosen_are_said_beside_the_region(chemical):
    fit = chemical["yield"].reduced()
    (sentence,) = fit._selected
    assert sentence in plots.words(plots.stationary_region(fit.surface().whereabouts()))


@pytest.mark.parametrize("which", ["chemical", "gel", "flare", "kinds"])
def test_no_words_of_the_region_overlap(request, which):
    found = request.getfixturevalue(which)
    fit = {
        "chemical": lambda: found["yield"],
        "gel": lambda: found["bead size"],
        "flare": lambda: found[0],
        "kinds": lambda: found,
    }[which]()
    where = fit.surface().whereabouts()
    for ax in (
        plots.stationary_region(where),
        plots.stationary_region(where, ax=plots.look.picture(5, 4).add_subplot()),
    ):
        assert not overlaps(ax)
        assert not outside(ax)
    if which == "kinds":
        assert LONG.split(" must")[0] in said(plots.stationary_region(where)).replace("\n", " ")


# ---- refusals


def sentence(call):
    with pytest.raises(StudyError) as caught:
        call()
    return str(caught.value)


def test_refusals(chemical, score):
    surface = chemical["yield"].surface()
    ridge, ascent = surface.ridge([0, 1]), surface.ascent(0.2, steps=2)
    assert sentence(lambda: plots.surface_path(surface)) == (
        "plots.surface_path: path is 'Surface' but must be the whole table that ridge() or ascent() of a surface gives: give "
        "fits['viscosity'].surface().ascent(0.5)."
    )
    assert sentence(lambda: plots.surface_path(ridge.head(1))) == (
        "plots.surface_path: path is 'DataFrame' but must be the whole table that ridge() or ascent() of a surface gives: give "
        "fits['viscosity'].surface().ascent(0.5)."
    )
    assert sentence(lambda: plots.surface_path(ascent, figure=3)) == (
        "figure is 'int' but must be a Matplotlib figure: leave it out, or give matplotlib.figure.Figure()."
    )
    where = surface.whereabouts()
    assert sentence(lambda: plots.stationary_region(surface)) == (
        "plots.stationary_region: whereabouts is 'Surface' but must be what a surface's whereabouts() gives: give "
        "fits['viscosity'].surface().whereabouts()."
    )
    assert sentence(lambda: plots.stationary_region(where, "temperatur")) == (
        "plots.stationary_region: x is 'temperatur' but must be one of reaction time, temperature: did you mean 'temperature'?"
    )
    assert sentence(lambda: plots.stationary_region(where, "temperature", "temperature")) == (
        "plots.stationary_region: y is 'temperature' but must be another factor than x ('temperature'): choose two different factors."
    )
    assert sentence(lambda: plots.stationary_region(where, n=3)) == (
        "plots.stationary_region: n is 3 but must be a whole number from 5 to 201: give the grid points along each axis."
    )
    one = doe.Study("one", [doe.Continuous("speed", 0, 1)], [doe.Response("y")])
    data = pd.DataFrame({"speed": [0, 0.3, 0.5, 0.7, 1], "y": [0.0, 1.1, 1.0, 1.2, 0.1]})
    alone = doe.fit(one, data, "y").surface().whereabouts()
    assert sentence(lambda: plots.stationary_region(alone)) == (
        "plots.stationary_region: factors is 'speed' but must be two factors that move by themselves: where one settles all see the table "
        "that whereabouts() prints."
    )
    flat = score.refitted(score.study.model("linear")).surface()
    assert sentence(lambda: plots.stationary_region(flat.whereabouts())) == (
        "whereabouts: surface is 'a plane' but must be one with a single stationary point: follow ridge(radii) instead."
    )
