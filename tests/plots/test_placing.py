"""Where a plan's batches lie: every batch is counted, what is forbidden is hatched, groups differ in shape."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError, plots
from doe.designs import Plan, box_behnken, central_composite, optimal, simplex_centroid

from .pictures import by_gid, outside, overlaps

GEL = doe.Study("gel", [doe.Continuous(n, 0, 10, "g", limits=(-10, 20)) for n in ("base", "acid", "salt")])


def blend(constraints=("glycerin + propanediol <= 15", "glycerin + 2 * propanediol >= 8")):
    return doe.Study(
        "blend (invented)",
        [doe.Component("glycerin", 2, 12), doe.Component("propanediol", 1, 8), doe.Component("water", 80, 97)],
        constraints=list(constraints),
    )


def counted(picture):
    """Batches by group, over all marks."""
    out = {}
    for mark in by_gid(picture, "batches"):
        label, count = mark.get_label().split("×")
        out[label] = out.get(label, 0) + int(count)
    return out


def test_every_batch_is_counted_in_every_pair():
    plan = box_behnken(GEL, centre=3)
    figure = plots.plan_pairs(plan)
    assert len(figure.axes) == 3
    assert counted(figure) == {"": 3 * 15}
    for ax in figure.axes:
        # four edges of this pair, two batches at each end of each factor, and three at the centre
        numbers = sorted(t.get_text() for t in ax.texts if t.get_gid() == "count")
        assert numbers == ["2"] * 4 + ["3"]
    assert "Made more than once: 3 times base 5 g, acid 5 g, salt 5 g." in plots.words(figure)
    assert not by_gid(figure, "outside")
    assert not overlaps(figure)
    assert not outside(figure)
    assert len(plots.plan_pairs(plan, ["salt", "acid"]).axes) == 1


def test_blocks_differ_in_shape():
    plan = central_composite(GEL, blocks=3)
    figure = plots.plan_pairs(plan)
    assert counted(figure) == {label: 3 * n for label, n in plan.block.value_counts().items()}
    shapes = {
        m.get_label().split("×")[0]: tuple(np.round(m.get_paths()[0].vertices[:3].ravel(), 3))
        for m in by_gid(figure, "batches")
    }
    assert len(set(shapes.values())) == 3
    assert "one shape a block" in plots.words(figure)
    assert [t.get_text() for t in figure.legends[0].get_texts()] == ["B1", "B2", "B3"]


def test_whole_plots_and_a_categorical_factor():
    s = doe.Study(
        "gel (invented)",
        [
            doe.Continuous("temperature", 20, 60, "°C", hard_to_change=True),
            doe.Continuous("speed", 300, 900, "rpm"),
            doe.Categorical("impeller", ["anchor", "propeller"]),
        ],
        constraints=["10 * temperature + speed <= 1300"],
    )
    table = pd.DataFrame(
        {
            "temperature": [20.0, 20, 60, 60, 40, 40],
            "speed": [300.0, 900, 300, 700, 300, 900],
            "impeller": ["anchor", "propeller"] * 3,
            "whole_plot": ["W1", "W1", "W2", "W2", "W3", "W3"],
        }
    )
    figure = plots.plan_pairs(Plan.from_frame(s, table))
    assert counted(figure) == {"W1": 6, "W2": 6, "W3": 6}
    assert len(by_gid(figure, "outside")) == 1
    region = by_gid(figure, "region")[0].get_xy()
    assert {tuple(p) for p in region} == {(20.0, 300.0), (60.0, 300.0), (60.0, 700.0), (40.0, 900.0), (20.0, 900.0)}
    assert "Hatched: no batch may have this pair of settings" in plots.words(figure)
    assert "No setting is made twice." in plots.words(figure)
    assert not overlaps(figure)


def test_a_triangle_with_its_region():
    plan = optimal(blend(), "quadratic", 9, repeated_runs=2, rounds=1)
    ax = plots.ternary(plan)
    assert counted(ax) == {"": 9}
    lines = by_gid(ax, "outside")
    assert len(lines) == 1
    # the triangle's corners are the lows and what the others leave: 85 % water at the least
    assert "The triangle begins at glycerin 2 %, propanediol 1 %, water 85 %, not at 0." in plots.words(ax)
    region = by_gid(ax, "region")[0].get_xy()
    assert len({tuple(np.round(p, 9)) for p in region}) == len(plan.study.region.vertices())
    assert not overlaps(ax)
    assert not outside(ax)


def test_marks_of_a_triangle_stand_where_the_shares_say():
    s = doe.Study("m", [doe.Component(n, 0, 100) for n in "xyz"])
    plan = simplex_centroid(s)
    ax = plots.ternary(plan)
    found = {tuple(np.round(m.get_offsets()[0], 6)) for m in by_gid(ax, "batches")}
    shares = plan.runs.to_numpy() / 100
    corners = np.array([[0.5, np.sqrt(0.75)], [0, 0], [1, 0]])
    assert found == {tuple(np.round(p, 6)) for p in shares @ corners}
    assert not by_gid(ax, "outside")
    assert "not at 0" not in plots.words(ax)


@pytest.mark.parametrize(
    ("draw", "sentence"),
    [
        (lambda: plots.plan_pairs(GEL), "plan is 'Study' but must be a Plan: make one, or take Plan.from_frame."),
        (
            lambda: plots.plan_pairs(box_behnken(GEL), ["base"]),
            "factors is 1 but must be from 2 to 7 different factors: name those to draw in factors=.",
        ),
        (
            lambda: plots.plan_pairs(box_behnken(GEL), ["base", "base"]),
            "factors is ['base', 'base'] but must be from 2 to 7 different factors: name those to draw in factors=.",
        ),
        (
            lambda: plots.ternary(box_behnken(GEL)),
            "plan: number of components is 0 but must be 3 for a triangle: take plan_pairs.",
        ),
    ],
)
def test_refusals(draw, sentence):
    with pytest.raises(StudyError) as problem:
        draw()
    assert str(problem.value) == sentence
