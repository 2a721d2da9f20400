"""What runs say of a model: formulas known in closed form, invariances, and direct matrix algebra."""

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import doe
from doe.designs import Plan, central_composite, full_factorial, plackett_burman
from doe.quality import check
from doe.quality.information import Information, contrasts, degrees_of_freedom, groups_of, indicators


def study(k=3, **kwargs):
    return doe.Study("gel", [doe.Continuous(n, 0.0, 10.0, "g") for n in "abcdefghijk"[:k]], **kwargs)


def test_a_full_factorial_has_every_efficiency_100():
    made = check(full_factorial(study(3)), "interaction")
    assert made.efficiency.to_numpy() == pytest.approx([100.0] * 3, abs=1e-9)
    assert made.vif.dropna().to_numpy() == pytest.approx(1.0)
    assert np.isnan(made.vif["1"])
    # average of x_i² over [−1, 1] is 1/3, of x_i²x_j² 1/9; each estimate has variance σ²/8
    assert made.average_variance == pytest.approx((1 + 3 / 3 + 3 / 9) / 8)
    # variance of an effect (twice a coefficient) is 4σ²/N
    assert 4 * np.diag(made.information.covariance) == pytest.approx(4 / 8)


def test_interactions_alias_a_third_in_twelve_runs():
    """Plackett & Burman (1946); IUPAC Gold Book 10080: each two-factor interaction is ±1/3 with each of the other main effects."""
    made = check(plackett_burman(study(11), runs=12), "linear")
    interactions = [c for c in made.alias.columns if ":" in c]
    assert len(interactions) == 55
    for column in interactions:
        a, b = column.split(":")
        for effect in made.alias.index[1:]:
            want = 0.0 if effect in (a, b) else 1 / 3
            assert abs(made.alias.loc[effect, column]) == pytest.approx(want, abs=1e-12)


def test_alias_of_a_half_fraction_is_one():
    """Box, Hunter & Hunter (2005), ch. 6: in the 2^(3-1) with c = ab each main effect is aliased with one interaction."""
    runs = pd.DataFrame([(a, b, a * b) for a, b in product([-1, 1], repeat=2)], columns=["a", "b", "c"])
    s = doe.Study("s", [doe.Continuous(n, -1, 1) for n in "abc"])
    made = check(Plan.from_frame(s, runs), "linear")
    assert made.alias.loc["a", "b:c"] == pytest.approx(1)
    assert made.alias.loc["a", "a:b"] == pytest.approx(0)
    assert made.alias.loc["1", "a^2"] == pytest.approx(1)


def test_next_order_of_each_model():
    s = study(2)
    plan = central_composite(s, axial="face", centre=1)
    assert set(check(plan, "linear").alias.columns) == {"a^2", "b^2", "a:b"}
    assert set(check(plan, "quadratic").alias.columns) == {"a^3", "b^3", "a^2:b", "a:b^2"}


def test_next_order_of_a_mixture_leaves_out_what_the_model_already_spans():
    s = doe.Study("m", [doe.Component(n, 0, 100) for n in "xyz"])
    lattice = pd.DataFrame(
        [(100, 0, 0), (0, 100, 0), (0, 0, 100), (50, 50, 0), (50, 0, 50), (0, 50, 50), (40, 30, 30)],
        columns=list("xyz"),
    )
    plan = Plan.from_frame(s, lattice)
    assert set(check(plan, "linear").alias.columns) == {"x:y", "x:z", "y:z"}
    assert set(check(plan, "quadratic").alias.columns) == {"x:y:z"}


def test_split_plot_information_by_plain_algebra():
    rng = np.random.default_rng(3)
    X, groups = rng.normal(size=(12, 4)), np.repeat([0, 1, 2, 3], 3)
    Z = indicators(groups)
    V = np.eye(12) + 1.7 * Z @ Z.T
    info = Information(X, np.empty((12, 0)), V)
    M = X.T @ np.linalg.inv(V) @ X
    assert info.covariance == pytest.approx(np.linalg.inv(M), rel=1e-10)
    assert info.log_determinant == pytest.approx(np.linalg.slogdet(M)[1], rel=1e-10)
    hat = X @ np.linalg.inv(M) @ X.T @ np.linalg.inv(V)
    assert info.leverage == pytest.approx(np.diag(hat), rel=1e-10)
    assert info.leverage.sum() == pytest.approx(4)


def test_fixed_blocks_are_taken_out():
    rng = np.random.default_rng(4)
    X, groups = np.column_stack([np.ones(9), rng.normal(size=(9, 2))]), np.repeat([0, 1, 2], 3)
    B = contrasts(groups)
    info = Information(X, B)
    F = np.hstack([B, X])
    assert info.covariance == pytest.approx(np.linalg.inv(F.T @ F)[2:, 2:], rel=1e-10)
    assert info.leverage.sum() == pytest.approx(5)


def test_orthogonal_blocks_cost_only_degrees_of_freedom():
    s = study(3)
    plan = full_factorial(s, replicates=2)
    blocked = Plan(s, plan.runs, plan.model, block=["one"] * 8 + ["two"] * 8)
    a, b = check(plan, "linear"), check(blocked, "linear")
    assert b.average_variance == pytest.approx(a.average_variance)
    assert b.power(1.0, change=1.0)["df"].iloc[0] == a.power(1.0, change=1.0)["df"].iloc[0] - 1
    assert dict(b.degrees_of_freedom) == {"model": 4, "blocks": 1, "lack of fit": 4, "pure error": 7}


def test_random_blocks_count_with_their_variance():
    s = study(2)
    runs = full_factorial(s, replicates=2).runs
    labels = ["one"] * 4 + ["two"] * 4
    plan = Plan(s, runs, block=labels)
    random = check(plan, "linear", variance_ratio=2.0, block_effects="random")
    fixed = check(plan, "linear")
    # the constant feels the blocks, the contrasts within them do not
    assert random.information.covariance[0, 0] == pytest.approx((1 + 4 * 2) / 8)
    assert np.diag(random.information.covariance)[1:] == pytest.approx(np.diag(fixed.information.covariance)[1:])
    assert check(plan, "linear", variance_ratio=0.5, block_effects="random").average_variance < random.average_variance


def test_degrees_of_freedom_of_a_composite_plan():
    """Montgomery (10th ed.), table 11.6, 13 runs in two factors: model 6, lack of fit 3, pure error 4."""
    plan = central_composite(
        doe.Study("s", [doe.Continuous("a", -1, 1, limits=(-2, 2)), doe.Continuous("b", -1, 1, limits=(-2, 2))]),
        centre=5,
    )
    assert dict(check(plan, "quadratic").degrees_of_freedom) == {"model": 6, "lack of fit": 3, "pure error": 4}


def test_pure_error_stays_inside_whole_plots():
    """Two copies of a setting in different whole plots say nothing of the noise within them."""
    X = np.column_stack([np.ones(8), np.tile([1.0, -1.0], 4)])
    B = np.empty((8, 0))
    apart = degrees_of_freedom(X, B, np.tile([0, 1], 4), np.repeat([0, 1, 2, 3], 2))
    assert apart == {"model": 2, "whole plots": 3, "lack of fit": 0, "pure error": 3}
    free = degrees_of_freedom(X, B, np.tile([0, 1], 4), None)
    assert free == {"model": 2, "lack of fit": 0, "pure error": 6}
    assert sum(apart.values()) == sum(free.values()) == 8


def test_generalised_inflation_does_not_depend_on_the_coding_of_levels():
    """Fox & Monette (1992): an orthogonal three-level factor has 1, though its contrasts correlate by one half."""
    s = doe.Study("s", [doe.Categorical("a", ["x", "y", "z"]), doe.Continuous("b", 0, 1)])
    runs = pd.DataFrame(list(product("xyz", [0.0, 1.0])), columns=["a", "b"])
    made = check(Plan.from_frame(s, runs), "linear")
    assert made.vif[["a", "b"]].to_numpy() == pytest.approx(1.0)
    assert made.correlation.loc["a[x]", "a[y]"] == pytest.approx(0.5)
    skew = check(Plan.from_frame(s, runs.iloc[[0, 1, 2, 3, 5]]), "linear")
    other = doe.Study("s", [doe.Categorical("a", ["z", "x", "y"]), doe.Continuous("b", 0, 1)])
    again = check(Plan.from_frame(other, runs.iloc[[0, 1, 2, 3, 5]]), "linear")
    assert skew.vif["a"] > 1.05
    assert again.vif["a"] == pytest.approx(skew.vif["a"])


def test_inflation_by_its_definition():
    """diag((X'X)⁻¹) × centred column sum of squares."""
    rng = np.random.default_rng(5)
    s = study(3)
    plan = Plan.from_frame(s, pd.DataFrame(rng.uniform(0, 10, (14, 3)), columns=s.names))
    made = check(plan, "quadratic")
    X = made.model.matrix(plan.runs)
    want = np.diag(np.linalg.inv(X.T @ X)) * ((X - X.mean(axis=0)) ** 2).sum(axis=0)
    assert made.vif.to_numpy()[1:] == pytest.approx(want[1:], rel=1e-8)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), shuffle=st.integers(0, 10_000))
def test_the_order_of_runs_and_the_unit_change_nothing(seed, shuffle):
    rng = np.random.default_rng(seed)
    runs = pd.DataFrame(np.round(rng.uniform(0, 10, (13, 2)), 3), columns=["a", "b"])
    one = check(Plan.from_frame(study(2), runs), "quadratic")
    kilo = doe.Study("gel", [doe.Continuous("a", 0.0, 0.01, "kg"), doe.Continuous("b", 0.0, 10.0, "g")])
    turned = runs.sample(frac=1, random_state=shuffle).assign(a=lambda t: t["a"] / 1000)
    two = check(Plan.from_frame(kilo, turned.reset_index(drop=True)), "quadratic")
    assert two.efficiency.to_numpy() == pytest.approx(one.efficiency.to_numpy(), rel=1e-6)
    assert two.average_variance == pytest.approx(one.average_variance, rel=1e-6)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_a_run_more_lowers_no_power(seed):
    rng = np.random.default_rng(seed)
    runs = pd.DataFrame(rng.uniform(0, 10, (9, 2)), columns=["a", "b"])
    more = pd.concat([runs, pd.DataFrame(rng.uniform(0, 10, (1, 2)), columns=["a", "b"])], ignore_index=True)
    less_power = check(Plan.from_frame(study(2), runs), "quadratic").power(1.0, change=2.0)["power"]
    more_power = check(Plan.from_frame(study(2), more), "quadratic").power(1.0, change=2.0)["power"]
    assert (more_power >= less_power - 1e-12).all()


def test_labels_are_numbered_as_they_come():
    assert groups_of(["b", "a", "b"]).tolist() == [0, 1, 0]
