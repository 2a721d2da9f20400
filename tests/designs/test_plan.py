"""The Plan: labels, coding, order to make, keeping, what it says of itself."""

import json

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError, designs
from doe.designs import Plan
from doe.designs.plan import column_text


@pytest.fixture
def pair():
    return doe.Study("pair", [doe.Continuous("a", 0, 10, "%"), doe.Continuous("b", 0, 10, "%")])


@pytest.fixture
def gel():
    """Hot phase temperature is hard to change."""
    return doe.Study(
        "gel",
        [
            doe.Continuous("temperature", 60, 80, "°C", hard_to_change=True),
            doe.Continuous("mixing speed", 400, 1000, "rpm"),
            doe.Categorical("impeller", ["anchor", "propeller"]),
        ],
        [doe.Response("viscosity", "mPa·s")],
    )


def frame(**columns):
    return pd.DataFrame(columns)


def test_coded_comes_from_the_runs(pair):
    plan = Plan.from_frame(pair, frame(a=[0, 2.5, 10], b=[10, 5, 0]))
    assert plan.coded["a"].tolist() == [-1, -0.5, 1]
    assert plan.runs.index.tolist() == [1, 2, 3]
    assert plan.runs.index.name == "run"


def test_own_plan_keeps_runs_beyond_the_range_and_says_so():
    study = doe.Study("s", [doe.Continuous("a", 0, 10, limits=(-5, 12)), doe.Discrete("n", [1, 2, 3])])
    plan = Plan.from_frame(study, frame(a=[0, 11, 5], n=[1, 2, 2.5]))
    assert "Outside the factors' ranges or levels, inside their limits: run 2, 3." in repr(plan)
    assert "Outside" not in repr(Plan.from_frame(study, frame(a=[0, 10, 5], n=[1, 2, 3])))


def test_part_of_another_plan_is_numbered_anew_and_says_so(pair):
    whole = designs.full_factorial(pair)
    part = Plan.from_frame(pair, whole.runs.iloc[[0, 3]])
    assert part.runs.index.tolist() == [1, 2]
    assert "Numbered anew; the table's runs were 1, 4." in repr(part)
    same = Plan.from_frame(pair, whole.randomised(1).runs)
    assert same.runs.index.tolist() == whole.randomised(1).runs.index.tolist()
    assert "Numbered" not in repr(same)


def test_labels_are_text_and_follow_run_numbers(pair):
    table = frame(a=[0, 10, 0, 10], b=[0, 0, 10, 10], block=[1, 1.0, 2, 2], run=[4, 3, 2, 1], remark=list("wxyz"))
    plan = Plan.from_frame(pair, table)
    assert plan.block.to_dict() == {4: "1", 3: "1", 2: "2", 1: "2"}
    assert list(plan.runs.columns) == ["a", "b"]
    moved = Plan(pair, plan.runs, block=plan.block.sort_index())
    assert moved.block.to_dict() == plan.block.to_dict()


def test_order_to_make_is_restricted(gel):
    plan = designs.full_factorial(gel, replicates=3, centre=1)
    made = plan.randomised(5)
    assert sorted(made.runs.index) == list(range(1, 31))
    pd.testing.assert_frame_equal(made.runs.sort_index(), plan.runs)
    # every whole plot is made in one go
    changes = (made.whole_plot != made.whole_plot.shift()).sum()
    assert changes == made.whole_plot.nunique() == 9
    assert made.runs.index.tolist() == plan.randomised(5).runs.index.tolist()
    assert made.runs.index.tolist() != plan.randomised(6).runs.index.tolist()
    assert "In the order to make them (seed 5)" in repr(made)


def test_what_was_made_before_stays_first():
    study = doe.Study("s", [doe.Continuous(n, 0, 1) for n in "abc"])
    first = designs.fractional_factorial(study, fraction=1)
    for more in (
        designs.extend(first, 6, "quadratic", seed=1),
        designs.extend(first, 6, "linear", block="B2", seed=1),
        designs.fold_over(first),
        designs.add_axial(designs.full_factorial(study), axial=1.0),
    ):
        made = more.provenance["made_before"]
        orders = [more.randomised(seed).runs.index.tolist() for seed in range(8)]
        assert all(order[:made] == list(range(1, made + 1)) for order in orders)
        assert all(sorted(order) == more.runs.index.tolist() for order in orders)
        assert len({tuple(order[made:]) for order in orders}) > 1
    again = designs.Plan.from_frame(study, more.runs)
    assert again.randomised(1).runs.index.tolist()[:4] != [1, 2, 3, 4]  # a plan of one's own, nothing of it made


def test_order_to_make_keeps_blocks_together():
    study = doe.Study("s", [doe.Continuous(n, 0, 1) for n in "abcd"])
    plan = designs.full_factorial(study)
    blocked = designs.fractional_factorial(study, fraction=1, blocks=2)
    made = blocked.randomised(1)
    assert (made.block != made.block.shift()).sum() == 2
    orders = {tuple(blocked.randomised(seed).block.unique()) for seed in range(20)}
    assert orders == {("B1", "B2"), ("B2", "B1")}
    # all positions of a run without restrictions: 16 runs, 800 seeds; first place is uniform within 4.5 standard errors
    first = np.bincount([plan.randomised(seed).runs.index[0] for seed in range(800)], minlength=17)[1:]
    assert np.abs(first - 50).max() < 4.5 * np.sqrt(800 / 16 * 15 / 16)


def test_file_gives_the_same_plan_back(tmp_path, gel):
    for plan in (
        designs.full_factorial(gel, centre=2),
        designs.fractional_factorial(gel, generators=["impeller = temperature:`mixing speed`"], blocks=1).randomised(3),
        Plan.from_frame(
            gel, frame(temperature=[60], **{"mixing speed": [401.3], "impeller": ["anchor"], "whole_plot": [1]})
        ),
    ):
        path = plan.save(tmp_path / "plan.json")
        again = Plan.load(path)
        assert repr(again) == repr(plan)
        assert again.fingerprint == plan.fingerprint
        pd.testing.assert_frame_equal(again.runs, plan.runs)
        assert (again.model is None) == (plan.model is None)
        if plan.model is not None:
            assert again.model.terms == plan.model.terms
        assert again.study.fingerprint == plan.study.fingerprint
    assert '"temperature": 60.0' in path.read_text()  # a person can read it


def test_fingerprint_is_of_the_batches(pair):
    plan = designs.full_factorial(pair)
    assert plan.randomised(1).fingerprint == plan.fingerprint
    assert designs.full_factorial(pair, centre=1).fingerprint != plan.fingerprint
    assert Plan(pair, plan.runs, block=list("1122")).fingerprint != plan.fingerprint


def saved(tmp_path, pair, change):
    path = designs.full_factorial(pair).save(tmp_path / "plan.json")
    content = json.loads(path.read_text())
    change(content)
    path.write_text(json.dumps(content))
    return path


def test_unusable_files_say_so_in_one_sentence(tmp_path, pair):
    whole = designs.full_factorial(pair).save(tmp_path / "cut.json").read_text()
    (tmp_path / "cut.json").write_text(whole[: len(whole) // 2])
    with pytest.raises(StudyError, match=r"broken at line .* but must be whole JSON: it may have been cut short"):
        Plan.load(tmp_path / "cut.json")
    path = saved(tmp_path, pair, lambda c: c.update(schema=99))
    with pytest.raises(StudyError, match="schema is 99 but must be 1 or lower: it was saved by a newer version"):
        Plan.load(path)
    path = saved(tmp_path, pair, lambda c: c.pop("runs"))
    with pytest.raises(StudyError) as problem:
        Plan.load(path)
    assert str(problem.value) == (
        f"plan file {str(path)!r}: runs is None but must be a list: take a file that this package saved."
    )
    path = saved(tmp_path, pair, lambda c: c["runs"].insert(0, 7))
    with pytest.raises(StudyError, match="entry 1 of runs is 7 but must be an object with run and settings"):
        Plan.load(path)
    path = saved(tmp_path, pair, lambda c: c.update(model={"name": "x"}))
    with pytest.raises(StudyError, match=r"model is .* but must be an object with its terms"):
        Plan.load(path)
    path = saved(tmp_path, pair, lambda c: c["runs"][2]["settings"].update(a="much"))
    with pytest.raises(StudyError, match="row 3, column 'a' is 'much' but must be a number in %"):
        Plan.load(path)


HARD = doe.Study("s", [doe.Continuous("a", 0, 1, hard_to_change=True), doe.Continuous("b", 0, 1)])
LIMITED = doe.Study("s", [doe.Continuous("a", 0, 10, "%", limits=(0, 12)), doe.Continuous("b", 0, 10)])
BOUND = doe.Study("s", [doe.Continuous("a", 0, 1, "%"), doe.Continuous("b", 0, 1, "%")], constraints=["a + b <= 1.5"])


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda s: Plan("x", frame(a=[1])), "plan: study is 'x' but must be a doe.Study: describe the study first."),
        (
            lambda s: Plan(s, frame()),
            "plan: runs is 'empty' but must be a DataFrame of at least one run: give one row a batch and one column a factor.",
        ),
        (
            lambda s: Plan(s, frame(a=[1], b=[2])),
            "plan: run numbers is [0] but must be 1 to 1, each once: number them so.",
        ),
        (
            lambda s: Plan.from_frame(s, frame(a=[1, 2], b=[2, 2], run=[1, 1])),
            "plan: run numbers is [1, 1] but must be 1 to 2, each once: number them so.",
        ),
        (
            lambda s: Plan.from_frame(s, frame(a=[1], b=["q"])),
            "the plan, row 1, column 'b' is 'q' but must be a number in %: correct the cell.",
        ),
        (
            lambda s: Plan.from_frame(s, [1, 2]),
            "the plan is 'list' but must be a DataFrame: give one row a batch and one column a factor.",
        ),
        (
            lambda s: Plan.from_frame(s, frame(a=[1, 2], b=[2, 2])).__class__(
                s, frame(a=[1], b=[1]).set_axis([1]), block=["x", "y"]
            ),
            "plan: block is '2 labels' but must be one label for each of the 1 runs: complete it.",
        ),
        (
            lambda s: Plan.from_frame(s, frame(a=[1, 2], b=[2, 2], block=["x", None])),
            "plan: block of run 2 is 'blank' but must be a label: say which block the run is in.",
        ),
        (
            lambda s: Plan.from_frame(HARD, frame(a=[0, 1], b=[0, 1])),
            "the plan: column 'whole_plot' is 'missing' but must be there, since 'a' cannot be set anew for each run: "
            "say which runs share one setting of it, or one label a run if it is set anew each time.",
        ),
        (
            lambda s: Plan.from_frame(HARD, frame(a=[0, 1], b=[0, 1], whole_plot=[1, 1])),
            "plan: whole plot '1' is 'a = 0, 1' but must be one setting of the hard-to-change factor 'a': "
            "give each setting a whole plot of its own.",
        ),
        (
            lambda s: Plan.from_frame(s, frame(a=[0, 1], b=[0, 1], block=[1, 2], whole_plot=[1, 1])),
            "plan: whole plot '1' is 'in blocks 1, 2' but must be in one block: give every whole plot a label of its own.",
        ),
        (
            lambda s: Plan.from_frame(LIMITED, frame(a=[0, 13], b=[0, 1])),
            "the plan: a of run 2 is 13.0 but must be at most 12 %, its limit: "
            "correct the run, or the limit or constraint in the study.",
        ),
        (
            lambda s: Plan.from_frame(BOUND, frame(a=[0, 1], b=[0, 1])),
            "the plan: run 2 is 'a 1 %, b 1 %' but must be inside the constraint a + b <= 1.5: "
            "correct the run, or the limit or constraint in the study.",
        ),
        (
            lambda s: designs.full_factorial(s).randomised(1.5),
            "randomised: seed is 1.5 but must be a whole number from 0: give any such number; the same one repeats the answer.",
        ),
        (
            lambda s: designs.central_composite(s).alias_structure,
            "plan: alias structure is 'Plan for pair: central composite, 12 runs: 4 corner, 4 axial, 4 centre' but must be "
            "asked of a regular two-level plan: correlations of any plan stand in doe.quality.check(plan).",
        ),
    ],
)
def test_refusals(pair, make, sentence):
    with pytest.raises(StudyError) as problem:
        make(pair)
    assert str(problem.value) == sentence


def test_model_of_an_own_plan(pair):
    plan = Plan.from_frame(pair, frame(a=[0, 10], b=[0, 10]), model="linear")
    assert plan.model.terms == ("1", "a", "b")


def test_prints_and_renders_the_same_things(gel):
    plan = designs.full_factorial(gel, centre=1)
    text, html = repr(plan), plan._repr_html_()
    assert text.splitlines()[0] == "Plan for gel: full factorial, 10 runs: 8 factorial, 2 centre; 3 whole plots"
    for word in ("temperature (°C)", "mixing speed (rpm)", "whole plot", "propeller", "W3"):
        assert word in text
        assert word in html
    assert repr(designs.plackett_burman(gel)).startswith("Plan for gel: Plackett-Burman, 4 runs; 2 whole plots\n")
    assert repr(Plan(gel, plan.runs)).startswith("Plan for gel: 10 runs\n")
    big = designs.full_factorial(doe.Study("s", [doe.Continuous(n, 0, 1) for n in "abcdefg"]))
    assert "The other 64 runs stand in plan.runs." in repr(big)


def test_digits_follow_the_span():
    assert column_text(np.array([0.2, 0.4, 0.6])) == ["0.2", "0.4", "0.6"]
    assert column_text(np.array([-1.6817928, 0.0, 1.6817928])) == ["-1.682", "0.000", "1.682"]
    assert column_text(np.array([400.0, 1000.0])) == ["400", "1000"]
    assert column_text(np.array([33.333333, 66.666667])) == ["33.33", "66.67"]
    assert column_text(np.array([0.0, 0.0])) == ["0", "0"]
    assert column_text(np.array([-1e-14, 1.0])) == ["0", "1"]


def test_the_runs_given_are_not_shared(pair):
    table = frame(a=[0.0, 10], b=[0.0, 10])
    plan = Plan.from_frame(pair, table)
    table.loc[0, "a"] = 7.0
    assert plan.runs.loc[1, "a"] == 0
