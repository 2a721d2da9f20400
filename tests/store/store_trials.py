"""A small invented trial in which everything that records can hold is held; also for scripts that are run and killed."""

import datetime

import pandas as pd

import doe
from doe.bench.intake import Reading, data_frame
from doe.bench.measured import all_measured
from doe.bench.records import Records
from doe.bench.returned_pages import Noted
from doe.bench.taking import in_order


def small_study(name="clear gel (invented)"):
    return doe.Study(
        name,
        [
            doe.Continuous("polymer", 0.2, 0.5, "%"),
            doe.Continuous("speed", 200, 800, "rpm"),
            doe.Categorical("base", ["tromethamine", "sodium hydroxide"]),
            doe.Covariate("room temperature", "°C", mean=22, sd=1.5),
        ],
        [
            doe.Response(
                "viscosity", "mPa·s", low=1000, transform="log", times=["24 h", "4 wk"], conditions=["25 °C", "40 °C"]
            ),
            doe.Response("pH", low=5.5, high=6.5),
        ],
    )


def small_plan(study=None):
    study = study or small_study()
    return doe.designs.full_factorial(study, levels=2, centre=0)


def readings(plan, runs=None, shift=0.0):
    rows = []
    for run in sorted(plan.runs.index) if runs is None else runs:
        rows.append(
            Reading(run, run, 1, "24 h", "25 °C", "viscosity", 12000.0 + run, 12000.0 + run, 12000.0 + run, f"F{run}")
        )
        rows.append(
            Reading(
                run,
                run,
                1,
                "",
                "",
                "pH",
                6.0 + run / 100 + shift,
                6.0 + run / 100 + shift,
                6.0 + run / 100 + shift,
                f"G{run}",
            )
        )
    return rows


def small_records(plan=None, runs=None, shift=0.0, **more):
    plan = plan or small_plan()
    return Records(plan, data_frame(readings(plan, runs, shift)), **more)


def full_records(plan=None):
    """Censored readings, batches made again, settings as made, failures, dates, weighings, remarks, open questions: one of each."""
    plan = plan or small_plan()
    nan, inf = float("nan"), float("inf")
    rows = readings(plan, [1, 2, 3])
    rows.insert(1, Reading(1, 1, 1, "4 wk", "40 °C", "viscosity", nan, 100000.0, inf, "H1"))
    rows.insert(2, Reading(1, 1, 2, "4 wk", "40 °C", "viscosity", nan, 50.0, 60.0, "H2"))
    rows.append(Reading(3, "3b", 1, "", "", "pH", nan, -inf, 5.0, "=H3"))
    as_made = plan.runs.sort_index().copy()
    as_made["speed"] = as_made["speed"].astype(float)
    as_made.loc[2, "speed"] = 812.5
    noted = Noted(
        [
            ("B-01", 1, 1, "A", "add polymer", 1.0, 1.0025, True, "E5"),
            ("base gel", 0, 2, "", "stir", nan, nan, True, "E6"),
        ],
        [("B-01", 1, "pot", "blue"), ("B-01", 1, "pH meter", 3.0)],
        {"balance": "B2", "stirrer diameter": 45.0},
    )
    in_order(rows, all_measured(plan.study))
    data = data_frame(rows)
    return Records(
        plan,
        data,
        pd.DataFrame(
            [["Measurements", "F9", "abc", "a number", "type it"]],
            columns=["sheet", "cell", "found", "allowed", "mend"],
            dtype=object,
        ),
        pd.DataFrame(
            [[1, 1, "smelt odd"], [1, 1, "=2+3"], [3, "3b", "made on Friday"]],
            columns=["run", "batch", "remark"],
            dtype=object,
        ),
        (4,),
        {1: 3, 2: 1},
        pd.DataFrame(
            [
                ["Measurements!F8", "12,345", "which?", (12345.0, 12.345)],
                ["Measurements!F9", "x", "again?", ("read again", "made again")],
            ],
            columns=["cell", "found", "question", "choices"],
            dtype=object,
        ),
        {"Measurements!G4": 6.01},
        {4: "lumps"},
        as_made,
        pd.DataFrame({"room temperature": {1: 21.5, 3: 24.0}}),
        {1: datetime.datetime(2026, 3, 31, 14, 30), 2: datetime.datetime(2026, 4, 1)},
        noted.constants,
        noted.weighed_frame(),
        noted.entries_frame(),
    )


def assert_same_records(found, expected):
    """Every part of two records is the same."""
    for part in ("data", "problems", "remarks", "questions", "covariates", "weighed", "entries"):
        pd.testing.assert_frame_equal(getattr(found, part), getattr(expected, part), check_names=False)
    for part in ("failed", "order", "answers", "failed_reasons", "made_at", "constants"):
        assert getattr(found, part) == getattr(expected, part), part
    assert (found.as_made is None) == (expected.as_made is None)
    if expected.as_made is not None:
        pd.testing.assert_frame_equal(found.as_made, expected.as_made)
    assert found.plan.fingerprint == expected.plan.fingerprint
