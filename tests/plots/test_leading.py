"""Pictures of the ways over a surface and of where its stationary point may lie: what is drawn is what the results say."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import plots


@pytest.fixture(scope="module")
def hill():
    """Invented: a hill in two factors, its top inside the range."""
    study = doe.Study(
        "hill (invented)",
        [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Continuous("speed of the stirrer", 200, 600, "rpm")],
        [doe.Response("clarity", "%")],
    )
    plan = doe.designs.central_composite(study, axial="face", centre=4)
    a, b = plan.coded.to_numpy(dtype=float).T
    noise = 0.6 * np.random.default_rng(1).standard_normal(len(a))
    readings = plan.runs.assign(clarity=70 - 6 * (a - 0.2) ** 2 - 4 * (b + 0.3) ** 2 + 1.5 * a * b + noise)
    return doe.fit(study, readings.reset_index(), "clarity")


def lines(ax, gid):
    return [line for line in ax.lines if line.get_gid() == gid]


def test_a_ridge_draws_the_table(hill):
    path = hill.surface().ridge([0, 0.5, 1.0, 1.4])
    figure = plots.surface_path(path)
    table = pd.DataFrame(path)
    inside = table["inside"].to_numpy(dtype=bool)
    assert not inside.all()
    (curve,) = lines(figure.axes[0], "estimate")
    np.testing.assert_allclose(curve.get_xdata(), table["radius"][inside])
    np.testing.assert_allclose(curve.get_ydata(), table["estimate"][inside])
    (beyond,) = lines(figure.axes[0], "estimate beyond the region")
    assert beyond.get_ydata()[-1] == table["estimate"].iloc[-1]
    band = next(c for c in figure.axes[0].collections if c.get_gid() == "interval").get_paths()[0].vertices
    assert band[:, 1].min() == pytest.approx(table["low"].min())
    for ax, name in zip(figure.axes[1:], ("polymer", "speed of the stirrer"), strict=True):
        (setting,) = lines(ax, "setting")
        np.testing.assert_allclose(setting.get_ydata(), table[name][inside])
    told = plots.words(figure)
    best = table["estimate"].idxmax()
    assert f"Highest along it: {table['estimate'][best]:.4g} at polymer {table['polymer'][best]:.4g} %" in told
    assert "Dashed: beyond the region studied" in told


def test_the_way_down_and_the_way_up_differ(hill):
    up, down = (plots.words(plots.surface_path(hill.surface().ascent(0.25, goal=goal))) for goal in ("high", "low"))
    assert up.startswith("Highest along it")
    assert down.startswith("Lowest along it")


def test_the_region_holds_the_point_and_ends_where_it_says(hill):
    found = hill.surface().whereabouts()
    ax = plots.stationary_region(found, n=161)
    (point,) = lines(ax, "point")
    table = found.table.set_index("factor")
    assert point.get_xdata()[0] == pytest.approx(table.at["polymer", "estimate"])
    assert point.get_ydata()[0] == pytest.approx(table.at["speed of the stirrer", "estimate"])
    edge = np.vstack([p.vertices for c in ax.collections if c.get_gid() == "edge" for p in c.get_paths()])
    polymer, speed = edge.T
    near = pd.DataFrame({"polymer": polymer, "speed of the stirrer": speed})
    middle = table["estimate"]
    closer = near * 0.8 + 0.2 * pd.Series({n: middle[n] for n in near.columns})
    further = near * 1.3 - 0.3 * pd.Series({n: middle[n] for n in near.columns})
    assert found.contains(closer).all()
    assert not found.contains(further).any()
    assert "Shaded: values that it may have" in plots.words(ax)
    assert "how far the point lies that way" not in plots.words(ax)


def test_another_pair_and_a_region_without_an_end():
    bench = doe.virtual.AfterSunGel()
    plan = doe.designs.box_behnken(bench.study, centre=3)
    found = doe.fit(bench.study, bench.make(plan, seed=10), "viscosity").surface().whereabouts()
    ax = plots.stationary_region(found, "carbomer", "speed", n=21)
    assert ax.get_xlabel() == "carbomer (%)"
    assert ax.get_ylabel() == "speed (rpm)"
    assert "how far the point lies that way is not known" in plots.words(ax)
    assert plots.stationary_region(found, y="speed", n=21).get_xlabel() == "carbomer (%)"


def test_scores_have_a_way_and_a_region():
    bench = doe.virtual.AfterSunGel(scored=True)
    plan = doe.designs.box_behnken(bench.study, centre=3)
    fit = doe.fit(bench.study, bench.make(plan, seed=10), "stability")
    figure = plots.surface_path(fit.surface().ascent(0.5))
    assert figure.axes[0].get_title(loc="left") == "mean stability"
    assert "credible interval" in plots.words(figure)
    assert plots.stationary_region(fit.surface().whereabouts(), n=11).get_title().startswith("Where the stationary")


def test_chosen_terms_are_said(hill):
    reduced = hill.reduced(by="p", alpha=0.3)
    assert "chosen from these same readings" in plots.words(plots.surface_path(reduced.surface().ascent(0.25)))


def test_what_cannot_be_drawn(hill, sentence_of):
    found = hill.surface().whereabouts()
    assert sentence_of(lambda: plots.surface_path(hill)) == (
        "plots.surface_path: path is 'LeastSquaresFit' but must be what ridge() or ascent() of a surface gives: give "
        "fits['viscosity'].surface().ascent(0.5)."
    ).replace("LeastSquaresFit", type(hill).__name__)
    assert sentence_of(lambda: plots.surface_path(hill.surface().ridge([0.5]))) == (
        "plots.surface_path: path is 1 but must be two settings or more: ask for more radii or steps."
    )
    for call, words in (
        (lambda: plots.stationary_region(hill), "whereabouts"),
        (lambda: plots.stationary_region(found, "colour"), "x is 'colour' but must be a factor of the surface"),
        (lambda: plots.stationary_region(found, "polymer", "polymer"), "must be another factor than x"),
        (lambda: plots.stationary_region(found, n=3), "n is 3 but must be a whole number from 5 to 201"),
    ):
        assert words in sentence_of(call)
