"""What the bench can set: steps, levels, limits, constraints, the mixture total."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import doe
from doe import StudyError, designs
from doe.designs.settable import constraint_excess, nearest_settable, outside_ranges, settle


def table(**columns):
    return pd.DataFrame(columns, index=pd.RangeIndex(1, len(next(iter(columns.values()))) + 1, name="run"))


def test_nearest_settings():
    polymer = doe.Continuous("polymer", 0.15, 0.6, "%", step=0.1)
    assert nearest_settable(polymer, 0.34)[:2] == [0.3, 0.4]
    assert nearest_settable(polymer, 0.16)[0] == 0.15  # the end of the range can be set, multiple of the step or not
    assert nearest_settable(polymer, 0.12)[0] == 0.1  # beyond the range, no limit in the way
    limited = doe.Continuous("polymer", 0.15, 0.6, "%", step=0.1, limits=(0.12, None))
    assert nearest_settable(limited, 0.12)[0] == 0.15
    assert nearest_settable(doe.Continuous("t", 20, 30), 21.234567) == [21.234567]
    assert nearest_settable(doe.Discrete("n", [1, 2, 4]), 2.6) == [2, 4, 1]


@given(st.floats(0, 1), st.sampled_from([0.01, 0.05, 0.1, 0.25]))
def test_rounding_is_to_a_settable_value_at_most_half_a_step_away(share, step):
    f = doe.Continuous("a", 0.2, 1.2, step=step)
    target = 0.2 + share
    value = nearest_settable(f, target)[0]
    assert abs(value - target) <= step / 2 + 1e-12
    assert min(abs(value / step - round(value / step)), abs(value - 0.2), abs(value - 1.2)) < 1e-9
    assert 0.2 <= value <= 1.2


def test_blends_keep_their_total_on_steps():
    parts = [doe.Component(n, 0, 100, step=5) for n in "xyz"]
    settled, moved = settle(doe.Study("m", parts), table(x=[100 / 3, 50], y=[100 / 3, 50], z=[100 / 3, 0]), "check")
    assert settled.sum(axis=1).tolist() == [100, 100]
    assert sorted(settled.loc[1]) == [30, 35, 35]
    assert settled.loc[2].tolist() == [50, 50, 0]
    assert moved == {"x": pytest.approx(1.66667), "y": pytest.approx(1.66667), "z": pytest.approx(3.33333)}


def test_what_rounding_takes_goes_to_the_balance():
    parts = [doe.Component("x", 0, 100, step=5), doe.Component("y", 0, 100), doe.Component("z", 0, 100)]
    one = table(x=[33.0], y=[33.0], z=[34.0])
    settled, moved = settle(doe.Study("m", parts, balance="z"), one, "check")
    assert settled.loc[1].tolist() == [35, 33, 32]
    assert moved == {"x": 2.0, "z": 2.0}
    settled, _ = settle(doe.Study("m", parts), one, "check")
    assert settled.loc[1].tolist() == [35, 32, 33]


def test_rounding_stays_inside_constraints():
    study = doe.Study(
        "s", [doe.Continuous("a", 0, 1, step=0.1), doe.Continuous("b", 0, 1, step=0.1)], constraints=["a + b <= 1"]
    )
    settled, _ = settle(study, table(a=[0.46], b=[0.54]), "check")
    assert settled.loc[1].tolist() == [0.5, 0.5]
    settled, _ = settle(study, table(a=[0.47], b=[0.48]), "check")  # the nearest of each, 0.5 and 0.5, is still inside
    assert settled.loc[1].tolist() == [0.5, 0.5]
    tight = doe.Study("s", study.factors, constraints=["a + b <= 0.97"])
    settled, _ = settle(tight, table(a=[0.46], b=[0.46]), "check")
    assert settled.loc[1].sum() == pytest.approx(0.9)


def test_a_blend_that_no_step_can_make_is_refused():
    parts = [doe.Component("x", 0, 100, step=7), doe.Component("y", 0, 60, step=7)]
    with pytest.raises(StudyError) as problem:
        settle(doe.Study("m", parts), table(x=[55.0], y=[45.0]), "check")
    assert str(problem.value) == (
        "check: run 1 is 'x 55 %, y 45 %' but must be near a setting that keeps to the steps, the constraints and the "
        "mixture total: give finer steps, or leave the step of one component out."
    )


def test_constraints_are_measured_beyond_the_region_too():
    study = doe.Study(
        "s", [doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1)], constraints=["a + b <= 2.2", "a - b == 0"]
    )
    excess = dict(constraint_excess(study, table(a=[1.0, 1.2, 0.5], b=[1.0, 1.2, 0.4])))
    np.testing.assert_allclose(excess["a + b <= 2.2"], [0, 0.2 / 4.6, 0])
    np.testing.assert_allclose(excess["a - b == 0"], [0, 0, 0.1 / 0.9])


def test_outside_ranges():
    study = doe.Study("s", [doe.Continuous("a", 0, 1), doe.Discrete("n", [1, 2, 4])])
    assert outside_ranges(study, table(a=[0.0, 1.1, 1.0], n=[1.0, 2.0, 3.0])) == [2, 3]


def test_plans_say_what_was_rounded():
    study = doe.Study(
        "s", [doe.Continuous("a", 0.2, 0.6, "%", step=0.01), doe.Continuous("b", 400, 1000, "rpm", step=50)]
    )
    plan = designs.central_composite(study)
    assert plan.provenance["rounded"] == {"a": pytest.approx(0.00284271), "b": pytest.approx(24.2641)}
    assert (
        "Rounded to what the bench can set: a (to steps of 0.01, by up to 0.0028 %), b (to steps of 50, by up to 24 rpm)."
        in repr(plan)
    )
    assert plan.coded["a"].max() == pytest.approx((0.68 - 0.4) / 0.2)
    exact = designs.central_composite(doe.Study("s", [doe.Continuous("a", 0.2, 0.6), doe.Continuous("b", 400, 1000)]))
    assert exact.provenance["rounded"] == {}
    assert "Rounded" not in repr(exact)
