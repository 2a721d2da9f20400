"""Optimal plans and extensions over studies: what they keep to, what each argument changes, what they refuse."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import doe
from doe import StudyError
from doe.designs import extend, optimal
from doe.designs.encoding import Encoding

RESPONSE = [doe.Response("viscosity", "mPa·s")]


def gel(step=0.01, hard=False, unit="%"):
    scale = 1.0 if unit == "%" else 10.0
    return doe.Study(
        "gel",
        [
            doe.Continuous("polymer", 0.2 * scale, 1.0 * scale, unit, step=step and step * scale, hard_to_change=hard),
            doe.Continuous("speed", 300, 900, "rpm", step=step and 50),
            doe.Continuous("temperature", 20, 40, "°C"),
        ],
        RESPONSE,
    )


def blend(step=0.5, constraints=("a + b <= 80",)):
    return doe.Study(
        "blend",
        [
            doe.Component("a", 5, 50, step=step),
            doe.Component("b", 10, 60, step=step),
            doe.Component("c", 0, 40, step=step),
            doe.Component("water", 10, 70),
        ],
        RESPONSE,
        constraints=list(constraints),
    )


def mixed():
    return doe.Study(
        "mixed",
        [
            doe.Component("a", 5, 50),
            doe.Component("b", 10, 60),
            doe.Component("c", 10, 60),
            doe.Continuous("speed", 300, 900, "rpm", step=100),
            doe.Categorical("impeller", ["anchor", "propeller", "disc"]),
            doe.Discrete("passes", [1, 2, 4]),
        ],
        RESPONSE,
        constraints=["a + 0.05 * speed <= 80"],
    )


def on_steps(plan):
    for f in plan.study.factors:
        step = getattr(f, "step", None)
        if step is None:
            continue
        x = plan.runs[f.name].to_numpy()
        off = np.abs(x / step - np.round(x / step)) > 1e-6
        assert np.isin(x[off], [f.low, f.high]).all(), f.name


def log_det(plan, model):
    X = model.matrix(plan.runs)
    return np.linalg.slogdet(X.T @ X)[1]


def average_variance(plan, model, V=None):
    X = model.matrix(plan.runs)
    M = X.T @ (X if V is None else np.linalg.solve(V, X))
    return np.trace(np.linalg.solve(M, plan.study.region.moments(model)))


# ---- what a plan keeps to


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from(["gel", "blend", "mixed"]),
    st.sampled_from(["D", "I", "A"]),
    st.integers(0, 3),
    st.integers(0, 10**6),
)
def test_runs_lie_in_the_region_on_steps_and_value_is_the_plans_own(which, criterion, extra, seed):
    study = {"gel": gel, "blend": blend, "mixed": mixed}[which]()
    model = study.model("linear" if which == "mixed" else "quadratic")
    plan = optimal(study, model, model.p + extra, criterion, seed=seed, rounds=1)
    assert len(plan.runs) == model.p + extra
    assert study.region.contains(plan.runs).all()
    on_steps(plan)
    value = plan.provenance["value"]
    if criterion == "D":
        assert value == pytest.approx(log_det(plan, model), rel=1e-6)
    elif criterion == "I":
        assert value == pytest.approx(average_variance(plan, model), rel=1e-6)
    else:
        X = model.matrix(plan.runs)
        assert value == pytest.approx(np.trace(np.linalg.inv(X.T @ X)), rel=1e-5)


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_same_seed_same_plan_for_any_workers_and_by_rounds(criterion):
    one = optimal(blend(), "quadratic", 14, criterion, seed=4)
    two = optimal(blend(), "quadratic", 14, criterion, seed=4, n_jobs=2)
    pd.testing.assert_frame_equal(one.runs, two.runs)
    again = optimal(blend(), "quadratic", 14, criterion, seed=4, rounds=one.provenance["rounds"])
    pd.testing.assert_frame_equal(one.runs, again.runs)


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_a_factors_unit_changes_nothing(criterion):
    percent = optimal(gel(), "quadratic", 13, criterion)
    grams = optimal(gel(unit="g/kg"), "quadratic", 13, criterion)
    np.testing.assert_allclose(grams.runs["polymer"], 10 * percent.runs["polymer"], rtol=1e-9)
    assert grams.provenance["value"] == pytest.approx(percent.provenance["value"], rel=1e-9)


def test_steps_cost_little_and_are_polished():
    free = optimal(gel(step=None), "quadratic", 14, "D")
    stepped = optimal(gel(), "quadratic", 14, "D")
    assert free.provenance["value"] == pytest.approx(18.69594568, abs=1e-6)
    assert stepped.provenance["value"] > 18.69594568 - 10 * 0.002
    # no single settable change of a run improves it
    model = stepped.study.model("quadratic")
    best = log_det(stepped, model)
    for run in stepped.runs.index:
        for name, values in (("polymer", np.arange(0.2, 1.001, 0.01)), ("speed", np.arange(300, 901, 50.0))):
            for value in values:
                other = stepped.runs.copy()
                other.loc[run, name] = value
                X = model.matrix(other)
                assert np.linalg.slogdet(X.T @ X)[1] <= best + 1e-8


def test_pseudocomponents_change_no_figure():
    study = blend(step=None, constraints=())
    encoding = Encoding(study, study.model("quadratic"))
    assert encoding.pseudo
    plan = optimal(study, "quadratic", 16, "D")
    # best value known for this case, in proportions: these ranges with totals of 1
    ranges = doe.Study(
        "r",
        [
            doe.Component("a", 5, 50),
            doe.Component("b", 10, 60),
            doe.Component("c", 0, 40),
            doe.Component("d", 10, 70),
        ],
        RESPONSE,
    )
    assert optimal(ranges, "quadratic", 16, "D").provenance["value"] == pytest.approx(-28.61283670, abs=2e-4)
    assert optimal(ranges, "quadratic", 16, "I").provenance["value"] == pytest.approx(0.33371269, rel=2e-4)
    assert plan.provenance["value"] == pytest.approx(log_det(plan, study.model("quadratic")), rel=1e-8)
    z = encoding.settings(plan.runs)
    pd.testing.assert_frame_equal(encoding.table(z), plan.runs.astype(float), check_names=False)
    # a model without all blends does not span the same functions of pseudocomponents
    assert not Encoding(study, study.model(["a", "a:b"], hierarchy=False)).pseudo


def test_plan_prints_its_certificate_batch_for_batch():
    plan = optimal(gel(), "quadratic", 14, "D")
    certificate = plan.provenance["certificate"]
    assert certificate["kind"] == "proved"
    assert 97 < certificate["bound"] < 97.7
    assert "batch for batch, no plan of any size under this model and noise ratio is more than 2.5 % better" in repr(
        plan
    )
    assert "batch for batch" in plan._repr_html_()
    split = optimal(gel(hard=True), "quadratic", 16, "D", whole_plots=8, rounds=2)
    assert split.provenance["certificate"]["kind"] == "best search found"
    assert "whole plots of the same sizes" in split.provenance["certificate"]["relative_to"]
    blocked = optimal(gel(), "quadratic", 16, "D", blocks=2, rounds=2)
    assert "without the blocks' effects" in blocked.provenance["certificate"]["relative_to"]


def test_a_saved_plan_comes_back(tmp_path):
    plan = optimal(gel(), "quadratic", 12, "D", rounds=1)
    back = doe.designs.Plan.load(plan.save(tmp_path / "plan.json"))
    pd.testing.assert_frame_equal(back.runs, plan.runs)
    assert back.provenance["certificate"] == plan.provenance["certificate"]


# ---- what each argument changes


def test_criteria_differ_in_their_plans():
    model = gel().model("quadratic")
    by = {c: optimal(gel(), model, 14, c) for c in "DIA"}
    assert log_det(by["D"], model) > max(log_det(by["I"], model), log_det(by["A"], model))
    assert average_variance(by["I"], model) < min(average_variance(by[c], model) for c in "DA")


def test_repeated_runs_repeat_and_the_search_decides_which():
    plan = optimal(gel(), "quadratic", 16, "I", repeated_runs=3)
    assert len(plan.runs.drop_duplicates()) == 13
    none = optimal(gel(), "quadratic", 16, "I")
    assert plan.provenance["value"] >= none.provenance["value"] * (1 - 1e-3)
    in_blocks = optimal(gel(), "quadratic", 16, "I", repeated_runs=2, blocks=2, rounds=3)
    assert in_blocks.block.value_counts().tolist() == [8, 8]
    assert len(pd.concat([in_blocks.runs, in_blocks.block], axis=1).drop_duplicates()) == 14
    split = optimal(gel(hard=True), "quadratic", 18, "D", whole_plots=6, repeated_runs=2, rounds=3)
    assert len(pd.concat([split.runs, split.whole_plot], axis=1).drop_duplicates()) <= 16


def test_centre_runs_stand_at_the_centre():
    middle = [0.6, 600.0, 30.0]
    plan = optimal(gel(), "quadratic", 15, "D", centre=3)
    assert (plan.runs.to_numpy() == middle).all(axis=1).sum() == 3
    blocked = optimal(gel(), "quadratic", 16, "D", centre=2, blocks=2, rounds=2)
    at = (blocked.runs.to_numpy() == middle).all(axis=1)
    assert blocked.block[at].nunique() == 2
    split = optimal(gel(hard=True), "quadratic", 18, "D", centre=2, whole_plots=6, rounds=2)
    assert (split.runs.to_numpy() == middle).all(axis=1).sum() == 2


def test_fixed_blocks_are_worked_around_and_random_blocks_are_counted():
    study = gel(step=None)
    model = study.model("quadratic")
    plan = optimal(study, model, 18, "D", blocks=[6, 12])
    assert sorted(plan.block.value_counts()) == [6, 12]
    X = model.matrix(plan.runs)
    z = np.where(plan.block == plan.block.iloc[0], 1.0, -1.0)[:, None]
    rest = X - z @ np.linalg.lstsq(z, X, rcond=None)[0]
    assert plan.provenance["value"] == pytest.approx(np.linalg.slogdet(rest.T @ rest)[1], rel=1e-8)
    ignored = optimal(study, model, 18, "D")
    other = model.matrix(ignored.runs.sample(frac=1, random_state=0))
    rest = other - z @ np.linalg.lstsq(z, other, rcond=None)[0]
    assert plan.provenance["value"] > np.linalg.slogdet(rest.T @ rest)[1] + 0.05

    random = optimal(study, model, 18, "I", blocks=3, block_effects="random", variance_ratio=2.0)
    member = random.block.to_numpy()
    V = np.eye(18) + 2.0 * (member[:, None] == member)
    assert random.provenance["value"] == pytest.approx(average_variance(random, model, V), rel=1e-8)


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_split_plots_hold_the_hard_factor_and_count_by_gls(criterion):
    study = gel(hard=True)
    model = study.model("quadratic")
    plan = optimal(study, model, 18, criterion, whole_plots=[4, 4, 4, 2, 2, 2], variance_ratio=1.5, rounds=6)
    assert sorted(plan.whole_plot.value_counts()) == [2, 2, 2, 4, 4, 4]
    assert (plan.runs.groupby(plan.whole_plot)["polymer"].nunique() == 1).all()
    member = plan.whole_plot.to_numpy()
    V = np.eye(18) + 1.5 * (member[:, None] == member)
    X = model.matrix(plan.runs)
    M = X.T @ np.linalg.solve(V, X)
    expected = np.linalg.slogdet(M)[1] if criterion == "D" else average_variance(plan, model, V)
    assert plan.provenance["value"] == pytest.approx(expected, rel=1e-7)
    on_steps(plan)


def test_the_variance_ratio_changes_the_plan():
    low = optimal(gel(hard=True), "quadratic", 16, "I", whole_plots=8, variance_ratio=0.01)
    high = optimal(gel(hard=True), "quadratic", 16, "I", whole_plots=8, variance_ratio=10.0)
    model = low.study.model("quadratic")

    def value(plan, eta):
        member = plan.whole_plot.to_numpy()
        return average_variance(plan, model, np.eye(16) + eta * (member[:, None] == member))

    assert value(low, 0.01) <= value(high, 0.01)
    assert value(high, 10.0) <= value(low, 10.0)
    assert not low.runs.equals(high.runs)


def test_three_strata_keep_whole_plots_inside_blocks():
    plan = optimal(
        gel(hard=True), "quadratic", 24, "I", whole_plots=8, blocks=2, block_effects="random",
        variance_ratio=(1.0, 0.5), rounds=3,
    )  # fmt: skip
    assert (plan.block.groupby(plan.whole_plot).nunique() == 1).all()
    assert plan.whole_plot.groupby(plan.block).nunique().tolist() == [4, 4]
    member, day = plan.whole_plot.to_numpy(), plan.block.to_numpy()
    V = np.eye(24) + 1.0 * (member[:, None] == member) + 0.5 * (day[:, None] == day)
    model = plan.study.model("quadratic")
    assert plan.provenance["value"] == pytest.approx(average_variance(plan, model, V), rel=1e-7)


def test_a_hard_to_change_component_shares_its_base():
    study = doe.Study(
        "base",
        [
            doe.Component("thickener", 5, 30, step=0.5, hard_to_change=True),
            doe.Component("oil", 10, 60, step=0.5),
            doe.Component("water", 20, 80),
        ],
        RESPONSE,
    )
    plan = optimal(study, "quadratic", 15, "D", whole_plots=5, rounds=4)
    assert (plan.runs.groupby(plan.whole_plot)["thickener"].nunique() == 1).all()
    np.testing.assert_allclose(plan.runs.sum(axis=1), 100.0)
    assert plan.runs["oil"].nunique() > 3
    assert study.region.contains(plan.runs).all()


def test_whole_plots_are_taken_where_a_factor_is_hard_to_change():
    plan = optimal(gel(hard=True), "quadratic", 18, "D", rounds=2)
    assert plan.whole_plot.nunique() == 6
    assert "6 whole plots were taken" in repr(plan)


def test_potential_terms_make_few_batches_do():
    study = gel()
    squares = ["polymer^2", "speed^2", "temperature^2"]
    plan = optimal(study, "quadratic", 9, "D", potential=squares)
    assert plan.model.p == 7
    assert "polymer^2" not in plan.model.terms
    plain = optimal(study, plan.model, 9, "D")
    inner = {name: (np.abs(p.coded.to_numpy()) < 0.5).sum() for name, p in (("may", plan), ("plain", plain))}
    assert inner == {"may": 3, "plain": 0}  # one run goes to the middle, where squares show together
    assert plan.provenance["certificate"] is None


def test_starts_and_time_and_progress(capsys):
    heard = []
    plan = optimal(gel(), "quadratic", 14, "D", starts=5, progress=lambda number, value: heard.append(value))
    assert plan.provenance["searches"]["ended"] >= 5
    assert len(heard) == plan.provenance["rounds"]
    assert optimal(gel(), "quadratic", 14, "D", max_seconds=1e-6).provenance["rounds"] == 1
    optimal(gel(), "quadratic", 14, "D", rounds=2, progress=True)
    said = capsys.readouterr().err
    assert "round 1: log|M|" in said
    assert "round 2: log|M|" in said


# ---- extensions


@settings(max_examples=2, deadline=None)
@given(st.integers(1, 6), st.integers(0, 1000), st.sampled_from(["I", "D", "A"]))
def test_extensions_keep_what_was_made_and_never_lose(runs, seed, criterion):
    first = optimal(blend(), "quadratic", 12, "D", rounds=1, seed=seed)
    more = extend(first, runs, criterion=criterion, seed=seed)
    pd.testing.assert_frame_equal(more.runs.iloc[:12], first.runs)
    assert len(more.runs) == 12 + runs
    assert more.study.region.contains(more.runs).all()
    on_steps(more)
    model = first.model
    assert average_variance(more, model) < average_variance(first, model)
    assert log_det(more, model) > log_det(first, model)


def test_extension_adds_the_best_single_run():
    first = optimal(gel(step=None), "linear", 6, "D", rounds=1)
    model = first.study.model("interaction")
    more = extend(first, 4, model, "D")
    assert more.model.p == 7
    base = model.matrix(more.runs.iloc[:9])
    D = np.linalg.inv(base.T @ base)
    grid = first.study.region.grid(11)
    F = model.matrix(grid)
    last = model.matrix(more.runs.iloc[9:])
    assert np.einsum("na,ab,nb->n", last, D, last)[0] >= np.einsum("na,ab,nb->n", F, D, F).max() - 1e-4


def test_weights_draw_the_new_runs():
    first = optimal(gel(), "quadratic", 12, "I", rounds=1)
    model = first.model

    def thick(settings_):
        return (settings_["polymer"] > 0.8).to_numpy(dtype=float)

    toward, plain = extend(first, 4, weights=thick), extend(first, 4)
    sample = first.study.region.sample(4000, seed=11)
    F = model.matrix(sample[thick(sample) > 0])

    def there(plan):
        X = model.matrix(plan.runs)
        return np.einsum("na,ab,nb->n", F, np.linalg.inv(X.T @ X), F).mean()

    assert there(toward) < there(plain)


def test_a_new_block_has_an_effect_of_its_own():
    first = optimal(gel(), "quadratic", 12, "D", rounds=1)
    more = extend(first, 4, criterion="D", block="second week")
    assert more.block.tolist() == ["1"] * 12 + ["second week"] * 4
    X = more.model.matrix(more.runs)
    z = np.where(more.block == "1", 1.0, -1.0)[:, None]
    rest = X - z @ np.linalg.lstsq(z, X, rcond=None)[0]
    assert more.provenance["value"] == pytest.approx(np.linalg.slogdet(rest.T @ rest)[1], rel=1e-7)


def test_split_plots_are_extended_by_whole_plots():
    first = optimal(gel(hard=True), "quadratic", 18, "I", whole_plots=6, variance_ratio=2.0, rounds=2)
    more = extend(first, 6)
    assert more.whole_plot.nunique() == 8
    assert (more.runs.groupby(more.whole_plot)["polymer"].nunique() == 1).all()
    member = more.whole_plot.to_numpy()
    V = np.eye(24) + 2.0 * (member[:, None] == member)
    assert more.provenance["value"] == pytest.approx(average_variance(more, more.model, V), rel=1e-7)


def test_random_blocks_and_both_ratios_stay_in_an_extension():
    first = optimal(gel(), "linear", 8, "I", blocks=2, block_effects="random", variance_ratio=(1.0, 0.6), rounds=1)
    more = extend(first, 4, block="B3")
    member = more.block.to_numpy()
    V = np.eye(12) + 0.6 * (member[:, None] == member)
    assert more.provenance["value"] == pytest.approx(average_variance(more, more.model, V), rel=1e-7)
    again = extend(more, 2, block="B4")
    member = again.block.to_numpy()
    V = np.eye(14) + 0.6 * (member[:, None] == member)
    assert again.provenance["value"] == pytest.approx(average_variance(again, again.model, V), rel=1e-7)
    three = optimal(
        gel(hard=True),
        "linear",
        12,
        "D",
        blocks=2,
        block_effects="random",
        whole_plots=6,
        variance_ratio=(2.0, 0.5),
        rounds=1,
    )
    longer = extend(three, 4, criterion="D", block="B3")
    plot, day = longer.whole_plot.to_numpy(), longer.block.to_numpy()
    V = np.eye(16) + 2.0 * (plot[:, None] == plot) + 0.5 * (day[:, None] == day)
    X = longer.model.matrix(longer.runs)
    assert longer.provenance["value"] == pytest.approx(np.linalg.slogdet(X.T @ np.linalg.solve(V, X))[1], rel=1e-7)


def test_extending_twice_makes_whole_plots_of_its_own_each_time():
    first = optimal(gel(hard=True), "linear", 8, "D", whole_plots=4, rounds=1)
    again = extend(extend(first, 2), 2)
    assert again.whole_plot.value_counts().to_dict() == {f"W{i}": 2 for i in range(1, 7)}


def mixture_amount():
    return doe.Study(
        "coating (invented)",
        [doe.Component(n, 0, 100) for n in ("glycerin", "propanediol", "betaine")]
        + [doe.Continuous("amount", 5, 15, "g")],
        RESPONSE,
    )


def test_a_mixture_amount_trial_is_blends_at_each_amount():
    """Piepel & Cornell (1985), J. Qual. Technol. 17, 11-28 (from memory): a simplex plan at each amount.

    The quadratic mixture-amount model, Scheffé's quadratic blend with each coefficient linear in the amount, is D-optimally estimated by the
    {3, 2} lattice at the low and the high amount: the product of Kiefer's lattice and the two ends (Hoel 1958, product designs).
    """
    study = mixture_amount()
    model = study.model("crossed")
    assert model.p == 12
    plan = optimal(study, model, 12, "D")
    lattice = {(100, 0, 0), (0, 100, 0), (0, 0, 100), (50, 50, 0), (50, 0, 50), (0, 50, 50)}
    assert {tuple(np.round(row, 3)) for row in plan.runs.to_numpy()} == {(*b, a) for b in lattice for a in (5.0, 15.0)}


# ---- what is refused


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ({"runs": 9}, "optimal: runs is 9 but must be at least 10 (10 coefficients): add batches, take a smaller model, or name in potential= the terms that only may matter."),
        ({"runs": 10, "blocks": 2}, "optimal: runs is 10 but must be at least 11 (10 coefficients, 1 block contrast): add batches, take a smaller model, or name in potential= the terms that only may matter."),
        ({"runs": 12.5}, "optimal: runs is 12.5 but must be a whole number from 1 to 1000: give the number of batches."),
        ({"runs": 10**9}, "optimal: runs is 1000000000 but must be a whole number from 1 to 1000: give the number of batches."),
        ({"runs": 12, "criterion": "G"}, "optimal: criterion is 'G' but must be I (prediction), D (all coefficients jointly) or A (each coefficient): take I unless the coefficients are what matters."),
        ({"runs": 12, "blocks": [5, 6]}, "optimal: blocks is [5, 6] but must be sizes that add up to the 12 runs: they add up to 11."),
        ({"runs": 12, "block_effects": "mixed"}, "optimal: block_effects is 'mixed' but must be fixed or random: say which."),
        ({"runs": 12, "whole_plots": 4}, "optimal: whole_plots is 4 but must be left out where no factor is hard to change: mark the factor hard_to_change=True."),
        ({"runs": 12, "variance_ratio": -1.0}, "optimal: variance_ratio is -1.0 but must be 0 or above: one number, or (whole plots, blocks): 1 says that whole plots differ as much as batches within them."),
        ({"runs": 12, "potential": "speed"}, "optimal: potential is 'speed' but must be a list of terms: write [\"A:B\", \"A^2\"]."),
        ({"runs": 12, "seed": -1}, "optimal: seed is -1 but must be a whole number from 0: give any such number; the same one repeats the answer."),
        ({"runs": 12, "max_seconds": 0}, "optimal: max_seconds is 0 but must be a number above 0: give seconds, or leave it out."),
        ({"runs": 12, "starts": "many"}, "optimal: starts is 'many' but must be a whole number from 1: give a count, or \"auto\"."),
        ({"runs": 12, "progress": "yes"}, "optimal: progress is 'yes' but must be True, False or a function of (round, value): leave it out to run in silence."),
        ({"runs": 12, "rounds": 0}, "optimal: rounds is 0 but must be a whole number from 1: take it from a plan's provenance."),
    ],
)  # fmt: skip
def test_bad_input_is_refused_in_one_sentence(arguments, sentence):
    with pytest.raises(StudyError) as problem:
        optimal(gel(), "quadratic", **arguments)
    assert str(problem.value) == sentence


def test_too_few_whole_plots_name_the_terms():
    with pytest.raises(StudyError) as problem:
        optimal(gel(hard=True), "quadratic", 12, whole_plots=2)
    assert str(problem.value) == (
        "optimal: whole_plots is 2 but must be at least 3, since 1, polymer, polymer^2 only differ between whole plots: "
        "give more whole plots, or leave one of these terms out."
    )


def test_factors_that_an_equality_ties_together_are_named():
    study = doe.Study(
        "tied", [doe.Continuous("polymer", 0.2, 1), doe.Continuous("speed", 300, 900), doe.Continuous("load", 0, 1)],
        RESPONSE, constraints=["speed == 600 * polymer"],
    )  # fmt: skip
    with pytest.raises(StudyError) as problem:
        optimal(study, "linear", 8)
    assert str(problem.value) == (
        "optimal: model is '1, polymer, speed' but must be terms that the region can tell apart: "
        "the constraints tie them together everywhere: leave one of them out or widen the region."
    )


def test_a_flat_direction_names_the_terms():
    study = doe.Study(
        "tied",
        [doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1), doe.Continuous("c", 0, 1)],
        RESPONSE,
        constraints=["a + b == 1"],
    )
    with pytest.raises(StudyError, match="terms that the region can tell apart: the constraints tie them together"):
        optimal(study, "linear", 8)
    assert len(optimal(study, ["a", "c", "a^2", "a:c"], 8, "D", rounds=1).runs) == 8


def test_a_single_point_and_steps_without_a_settable_point_are_refused():
    point = doe.Study("p", [doe.Continuous("a", 0, 1)], RESPONSE, constraints=["a == 0.5"])
    with pytest.raises(StudyError, match="must be one with room to vary"):
        optimal(point, "linear", 4)
    coarse = doe.Study(
        "coarse",
        [doe.Component("a", 10, 50, step=7), doe.Component("b", 10, 60, step=7), doe.Component("c", 10, 60, step=7)],
        RESPONSE,
    )
    with pytest.raises(StudyError, match="near a setting that keeps to the steps"):
        optimal(coarse, "linear", 6, rounds=1)


def test_runs_made_beyond_the_ranges_are_extended_without_a_bound():
    study = doe.Study(
        "wide",
        [doe.Continuous("a", -1, 1, limits=(-2, 2)), doe.Continuous("b", -1, 1, limits=(-2, 2))],
        RESPONSE,
    )
    first = doe.designs.central_composite(study, axial="rotatable", centre=1)
    assert first.runs["a"].max() > 1.4
    more = extend(first, 2, "quadratic", "D")
    pd.testing.assert_frame_equal(more.runs.iloc[: len(first.runs)], first.runs)
    assert more.provenance["certificate"] is None
    assert (more.runs.iloc[-2:].abs() <= 1).all(axis=None)


def test_extensions_refuse_what_they_cannot_use():
    plan = optimal(gel(), "linear", 6, "D", rounds=1)
    with pytest.raises(StudyError, match="extend: plan is 5 but must be a Plan"):
        extend(5, 3)
    with pytest.raises(StudyError, match="must be given with criterion I"):
        extend(plan, 3, criterion="D", weights=lambda df: df["speed"])
    with pytest.raises(StudyError, match="gives each setting of a table one number"):
        extend(plan, 3, weights=lambda df: -df["speed"])
    with pytest.raises(StudyError, match="at least 10"):
        extend(plan, 3, "quadratic")
    blocked = optimal(gel(), "linear", 8, "D", blocks=2, rounds=1)
    with pytest.raises(StudyError, match="given, since the plan has blocks"):
        extend(blocked, 3)
    with pytest.raises(StudyError, match="a label that the plan has not used"):
        extend(blocked, 3, block="B1")
    hard = doe.designs.Plan(gel(hard=True), plan.runs, plan.model)
    with pytest.raises(StudyError) as problem:
        extend(hard, 3)
    assert str(problem.value) == (
        "extend: plan is 'without whole plots' but must be one that says which runs share a setting of 'polymer': "
        "give its whole_plot labels, one a run if the factor was set anew each time."
    )


def test_a_covariate_changes_no_extension():
    """It is measured, not set: the plan is that of the study without it."""
    factors = [doe.Continuous("polymer", 0.2, 0.6), doe.Continuous("speed", 400, 1000)]
    bare = doe.Study("s", factors, [doe.Response("y")])
    measured = doe.Study("s", [*factors, doe.Covariate("room", "°C", 21, 2)], [doe.Response("y")])
    plans = [doe.designs.extend(doe.designs.optimal(s, "quadratic", 8), 3) for s in (bare, measured)]
    pd.testing.assert_frame_equal(plans[0].runs, plans[1].runs)
    assert plans[1].study is not plans[0].study
    assert plans[1].study.covariate_names == ["room"]
