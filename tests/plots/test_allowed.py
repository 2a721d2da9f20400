"""The region's picture: what may be made, what is hatched, what is refused."""

import pytest

import doe
from doe import plots
from doe.study import StudyError

TWO = [doe.Continuous("a", 0, 1, "%"), doe.Continuous("b", 0, 2, "%")]


def test_what_the_constraints_forbid_is_hatched_and_said():
    figure = plots.region_pairs(doe.Study("x", TWO, constraints=["a + b <= 2"]))
    (ax,) = figure.axes
    (outside,) = [p for p in ax.patches if p.get_gid() == "outside"]
    assert outside.get_hatch()
    region = max((p for p in ax.patches if p.get_gid() == "region"), key=lambda p: len(p.get_xy()))
    corners = {tuple(round(float(v), 9) for v in xy) for xy in region.get_xy()}
    assert corners == {(0, 0), (1, 0), (1, 1), (0, 2)}
    assert plots.words(figure) == "Hatched: no batch may have this pair of settings, whatever the others."


def test_nothing_is_hatched_where_every_pair_may_be_made():
    figure = plots.region_pairs(doe.Study("x", [*TWO, doe.Categorical("c", ["p", "q"])]))
    assert not [p for ax in figure.axes for p in ax.patches if p.get_gid() == "outside"]
    assert plots.words(figure) == "Every pair of settings inside the ranges may be made."


def test_factors_are_chosen():
    study = doe.Study("x", [*TWO, doe.Continuous("d", 0, 1)])
    assert len(plots.region_pairs(study).axes) == 3
    assert len(plots.region_pairs(study, ["a", "d"]).axes) == 1


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: plots.region_pairs("x"), "region_pairs: study is 'str' but must be a Study: describe the trial first."),
        (lambda: plots.region_pairs(doe.Study("x", TWO), ["a", "z"]), "region_pairs: factors is 'z' but must be among a, b: name numeric factors."),
        (lambda: plots.region_pairs(doe.Study("x", TWO), ["a"]), "region_pairs: factors is 1 but must be from 2 to 7 numeric factors: name the ones to draw."),
    ],
)  # fmt: skip
def test_what_cannot_be_drawn_is_refused_in_a_sentence(call, sentence):
    with pytest.raises(StudyError) as caught:
        call()
    assert str(caught.value) == sentence
