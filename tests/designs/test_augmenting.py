"""Fold-overs and axial points added to what was made: what they clear, where they lie, what they refuse."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError, designs
from doe.designs import add_axial, fold_over


def study(names="abcde", **more):
    return doe.Study("s", [doe.Continuous(n, 0, 10, "g", **more) for n in names])


WIDE = {"limits": (-20, 30)}


def test_a_full_fold_over_of_resolution_three_is_of_resolution_four():
    """Box & Hunter (1961), Technometrics 3, 311-351: 2^(7-4) and its mirror image are the 2^(7-3) of resolution IV."""
    eighth = designs.fractional_factorial(study("abcdefg"), fraction=4)
    assert eighth.resolution == 3
    both = fold_over(eighth)
    assert len(both.runs) == 16
    assert both.resolution == 4
    assert both.word_lengths.to_dict() == {1: 0, 2: 0, 3: 0, 4: 7, 5: 0, 6: 0, 7: 0}
    pd.testing.assert_frame_equal(both.runs.loc[1:8], eighth.runs)
    assert (both.runs.loc[9:16].to_numpy() == 10 - eighth.runs.to_numpy()).all()
    assert both.block is None


def test_turning_one_factor_clears_it_and_its_interactions():
    eighth = designs.fractional_factorial(study("abcdefg"), fraction=4)
    both = fold_over(eighth, on="c")
    assert all("c" not in word.lstrip("-").split(":") for word in both.defining_relation)
    assert both.resolution == 3
    two = fold_over(eighth, on=["a", "b"])
    assert not two.runs.equals(both.runs)


def test_a_fold_over_of_plackett_burman_frees_main_effects_from_two_factor_interactions():
    """Box & Wilson (1951): whatever the two-level plan, its mirror image makes products of an odd and an even word cancel."""
    plan = fold_over(designs.plackett_burman(study("abcdefghijk")), block="second week", model="linear")
    X = plan.coded.to_numpy(dtype=float)
    pairs = np.column_stack([X[:, i] * X[:, j] for i in range(11) for j in range(i)])
    assert np.abs(X.T @ pairs).max() == 0
    assert plan.block.tolist() == ["1"] * 12 + ["second week"] * 12


def test_centre_runs_are_not_mirrored_and_whole_plots_are():
    s = doe.Study(
        "s",
        [
            doe.Continuous("base", 0, 1, hard_to_change=True),
            doe.Continuous("acid", 0, 1),
            doe.Categorical("impeller", ("anchor", "disc")),
        ],
    )
    half = designs.fractional_factorial(s, fraction=1, centre=1)
    both = fold_over(half, model="interaction")
    assert len(both.runs) == len(half.runs) + 4
    assert both.model.name == "interaction"
    assert not set(both.whole_plot[-4:]) & set(half.whole_plot)
    assert both.whole_plot[-4:].nunique() == 2
    assert set(zip(both.runs["impeller"][-4:], both.runs["base"][-4:], strict=True)) == {
        (i, b) for i in ("anchor", "disc") for b in (0.0, 1.0)
    }
    assert both.resolution is None  # half and mirror image are the whole factorial


def test_a_factorial_with_axial_points_is_the_composite():
    made = designs.full_factorial(study("abc", **WIDE), centre=4)
    whole = add_axial(made, centre=0)
    composite = designs.central_composite(study("abc", **WIDE), centre=4)
    assert set(whole.runs.round(9).itertuples(index=False, name=None)) == set(
        composite.runs.round(9).itertuples(index=False, name=None)
    )
    assert len(whole.runs) == len(composite.runs)
    assert whole.model.terms == composite.model.terms
    face = add_axial(made, axial="face", centre=0)
    assert face.coded.abs().max().max() == 1
    assert add_axial(made, axial=1.2, centre=3, model="linear").model.name == "linear"


def test_axial_points_in_a_block_of_their_own_can_be_orthogonal_to_the_model():
    """Box & Hunter (1957), Ann. Math. Statist. 28, 195-241: the distance at which blocks leave the model's coefficients alone."""
    made = designs.full_factorial(study("abc", **WIDE), centre=3)
    whole = add_axial(made, axial="orthogonal", centre=2, block="week 2")
    X = whole.model.matrix(whole.runs)
    z = np.where(whole.block == "week 2", 1.0, 0.0)
    z -= z.mean()
    assert np.abs(z @ X).max() < 1e-9
    other = add_axial(made, axial="rotatable", centre=2, block="week 2")
    assert np.abs(z @ other.model.matrix(other.runs)).max() > 0.09


def test_axial_points_at_every_level_and_in_whole_plots():
    s = doe.Study(
        "s",
        [
            doe.Continuous("base", 0, 1, limits=(-1, 2), hard_to_change=True),
            doe.Continuous("acid", 0, 1, limits=(-1, 2)),
            doe.Categorical("impeller", ("anchor", "disc")),
        ],
    )
    made = designs.full_factorial(s, replicates=1)
    whole = add_axial(made, axial="face", centre=1)
    assert whole.provenance["kinds"]["axial"] == 8
    assert whole.runs["impeller"][-10:].value_counts().tolist() == [5, 5]
    fresh = whole.whole_plot[-10:]
    assert fresh.nunique() == 4  # base low, base high, base in the middle, and the centre runs
    assert not set(fresh) & set(made.whole_plot)


FRACTION = designs.fractional_factorial(study(**WIDE), fraction=2, centre=1)
BLOCKED = designs.fractional_factorial(study("abcd"), fraction=1, blocks=2)


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: fold_over(5), "fold_over: plan is 5 but must be a Plan: make one first, or take Plan.from_frame."),
        (
            lambda: fold_over(designs.box_behnken(study("abc"))),
            "fold_over: run 1 is 'at an end of some ranges and in the middle of others' but must be at two levels throughout, or at the centre: "
            "take doe.designs.extend, which adds to any plan.",
        ),
        (
            lambda: fold_over(designs.full_factorial(study("ab"))),
            "fold_over: on is 'all factors' but must be such that other runs are added: name a factor of the defining relation, since this only repeats the plan.",
        ),
        (
            lambda: fold_over(FRACTION, on="f"),
            "fold_over: on is 'f' but must be the name of a factor: known names are 'a', 'b', 'c', 'd', 'e'.",
        ),
        (
            lambda: fold_over(FRACTION, on=[]),
            "fold_over: on is [] but must be one factor or more, each once: name the factors to turn.",
        ),
        (
            lambda: fold_over(BLOCKED, on="a"),
            "fold_over: block is None but must be given, since the plan has blocks: give the new block's label.",
        ),
        (
            lambda: fold_over(BLOCKED, on="a", block="B2"),
            "fold_over: block is 'B2' but must be a label that the plan has not used: give another label.",
        ),
        (
            lambda: add_axial(designs.full_factorial(study("ab", limits=(0, 10)))),
            'add_axial: a of run 5 is -2.07107 but must be at least 0 g, its limit: give axial="face", or a smaller distance.',
        ),
        (
            lambda: add_axial(FRACTION),
            "add_axial: model is 'quadratic' but must be one that all runs together can estimate, and they cannot tell b:c, b:d, b:e, c:d, c:e, d:e apart: "
            "fold the plan over first, or name the terms to fit in model=.",
        ),
        (
            lambda: add_axial(FRACTION, axial="far"),
            "add_axial: axial is 'far' but must be one of rotatable, face, spherical, orthogonal, or a distance above 0: give the coded distance.",
        ),
        (
            lambda: add_axial(FRACTION, centre=-1),
            "add_axial: centre is -1 but must be a whole number from 0 to 1000: give how many centre runs to make.",
        ),
        (
            lambda: add_axial(
                designs.Plan.from_frame(study("ab"), pd.DataFrame({"a": [0.0, 10, 2.5], "b": [0.0, 10, 0]}))
            ),
            "add_axial: run 3, 'a' is 2.5 but must be 0, 10 or the middle between them: take doe.designs.extend, which adds to any plan.",
        ),
        (
            lambda: fold_over(designs.Plan.from_frame(study("ab"), pd.DataFrame({"a": [5.0], "b": [5.0]}))),
            "fold_over: plan is 'of centre runs alone' but must be a two-level plan: make the factorial first.",
        ),
    ],
)
def test_refusals(make, sentence):
    with pytest.raises(StudyError) as problem:
        make()
    assert str(problem.value) == sentence
