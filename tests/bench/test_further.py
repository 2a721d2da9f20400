"""Records of a plan made longer: what was read stays, what is read later counts."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError
from doe.bench import Records


@pytest.fixture(scope="module")
def plans():
    study = doe.Study(
        "gel (invented)",
        [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Continuous("speed", 200, 600, "rpm")],
        [doe.Response("viscosity", "mPa·s", times=["24 h", "4 wk"]), doe.Response("pH")],
        covariates=[doe.Covariate("room", "°C")],
    )
    plan = doe.designs.full_factorial(study)
    further = pd.concat([plan.runs, pd.DataFrame({"polymer": [0.4], "speed": [400.0]}, index=[5])])
    return plan, doe.designs.Plan.from_frame(study, further.rename_axis("run").reset_index())


def read(plan, runs, **columns):
    return Records.from_frame(pd.DataFrame({"run": runs, **columns}), plan)


def test_readings_stand_under_the_longer_plan(plans):
    plan, longer = plans
    records = read(plan, [1, 2], pH=[6.0, 6.1], **{"as made: polymer (%)": [0.21, None], "room": [20.0, 21.0]})
    found = records.under(longer)
    assert found.plan is longer
    pd.testing.assert_frame_equal(found.data, records.data)
    assert found.as_made.loc[1, "polymer"] == 0.21
    assert found.as_made.loc[5].tolist() == [0.4, 400.0]  # as planned where nothing was recorded
    assert found.covariates["room"].tolist()[:2] == [20.0, 21.0]
    assert np.isnan(found.covariates.loc[5, "room"])


def test_later_readings_count_and_the_others_stay(plans):
    plan, longer = plans
    first = read(
        plan,
        [1, 2, 3],
        pH=[6.0, 6.1, None],
        remark=["", "warm day", "spilt"],
        **{
            "viscosity[24 h]": [9000, 9100, None],
            "made / failed": ["", "", "failed"],
            "as made: polymer (%)": [0.21, 0.59, None],
        },
    )
    later = read(
        longer,
        [2, 3, 5],
        pH=[6.15, 6.3, 6.2],
        **{"viscosity[4 wk]": [8000, None, None], "as made: polymer (%)": [0.58, None, 0.41]},
    )
    both = first.with_later(later)
    assert both.plan is longer
    table = both.data.set_index(["run", "response", "time"])["value"]
    assert table.to_dict() == {
        (1, "viscosity", "24 h"): 9000.0,
        (1, "pH", ""): 6.0,
        (2, "viscosity", "24 h"): 9100.0,  # read again only at four weeks: the first reading stays
        (2, "viscosity", "4 wk"): 8000.0,
        (2, "pH", ""): 6.15,
        (3, "pH", ""): 6.3,
        (5, "pH", ""): 6.2,
    }
    assert both.failed == ()  # run 3 was made again and read
    assert set(both.remarks["remark"]) == {"warm day", "spilt"}
    assert both.as_made["polymer"].to_dict() == {1: 0.21, 2: 0.58, 3: plan.runs.loc[3, "polymer"], 4: 0.6, 5: 0.41}
    fit = doe.fit(both.study, both, "pH", model=["1", "polymer"])
    assert fit.n == 4


def test_plans_and_things_that_do_not_fit_are_refused(plans):
    plan, longer = plans
    records = read(plan, [1], pH=[6.0])
    other = doe.designs.Plan.from_frame(plan.study, plan.runs.assign(speed=300.0).reset_index())
    sentences = {}
    for name, call in {
        "shorter": lambda: read(longer, [5], pH=[6.0]).under(plan),
        "other": lambda: records.under(other),
        "no plan": lambda: records.under("plan"),
        "no records": lambda: records.with_later(longer),
    }.items():
        with pytest.raises(StudyError) as caught:
            call()
        sentences[name] = str(caught.value)
    mend = "make it from that plan with doe.next_batches or doe.designs.extend."
    for name, (whose, of) in {"shorter": (plan, longer), "other": (other, plan)}.items():
        assert sentences[name] == (
            f"records: plan is '{whose.fingerprint}' but must be one that holds every run of plan {of.fingerprint} with its number and settings: "
            + mend
        )
    assert sentences["no plan"] == "records: plan is 'str' but must be a Plan: give what doe.next_batches made."
    assert sentences["no records"] == (
        "with_later: later is 'Plan' but must be Records: give what read_sheet made of the later sheet."
    )
