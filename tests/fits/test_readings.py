"""How rows become batches: censored cells, occasions, derived responses, settings as made."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError
from doe.bench import Records
from doe.designs import Plan
from doe.fits.readings import gather

INF = float("inf")


def sentence(call):
    with pytest.raises(StudyError) as error:
        call()
    return str(error.value)


# ---- censored readings


@pytest.fixture
def censored(gel_data):
    data = gel_data.astype({"viscosity": object})
    for row, cell in ((0, "<50"), (1, ">100000"), (2, "50..60"), (3, " >= 12.5 "), (4, "8000"), (5, "70…70")):
        data.loc[row, "viscosity"] = cell
    return data


def test_bounds_of_censored_cells(gel, censored):
    b = gather(gel, censored, "viscosity", None)
    assert b.lower[:6].tolist() == [-INF, 100000, 50, 12.5, 8000, 70]
    assert b.upper[:6].tolist() == [50, INF, 60, INF, 8000, 70]
    assert np.isnan(b.values[:4]).all()
    assert b.values[4:6].tolist() == [8000, 70]
    assert b.censored.tolist() == [True] * 4 + [False] * 11
    np.testing.assert_array_equal(b.lower[4:], b.upper[4:])
    np.testing.assert_array_equal(b.lower[4:], b.values[4:])
    assert b.bounds[0].tolist() == [[-INF, 50]]
    assert np.isnan(b.readings[0]).tolist() == [True]


def test_the_mean_of_a_batch_lies_between_the_means_of_the_bounds(gel, gel_data):
    more = pd.concat([gel_data, gel_data.iloc[[0, 1]].assign(viscosity=[">9000", "4000..6000"])], ignore_index=True)
    b = gather(gel, more, "viscosity", None)
    first, second = gel_data["viscosity"][:2]
    assert (b.lower[0], b.upper[0]) == ((first + 9000) / 2, INF)
    assert (b.lower[1], b.upper[1]) == ((second + 4000) / 2, (second + 6000) / 2)
    assert b.readings[0].tolist()[0] == first
    assert b.counts[:3].tolist() == [2, 2, 1]


def test_records_carry_censored_readings(gel, gel_data):
    plan = Plan(gel, gel_data.set_index("run")[gel.names])
    records = Records.from_frame(gel_data, plan)
    data = records.data.assign(lower=records.data["value"], upper=records.data["value"])
    at = data.index[(data["run"] == 3) & (data["response"] == "viscosity")][0]
    data.loc[at, ["value", "lower", "upper"]] = [np.nan, 20000.0, INF]

    class Carried:
        """Records as they are when a reading is censored."""

        def __init__(self):
            self.plan, self.data, self.failed = plan, data, ()

    b = gather(gel, Carried(), "viscosity", None)
    assert (b.lower[2], b.upper[2], b.censored.sum()) == (20000.0, INF, 1)


# ---- occasions

TIMES, CONDITIONS = ("24 h", "4 wk"), ("25 °C", "40 °C")


@pytest.fixture
def stored(gel, gel_data):
    """The gel's study with viscosity read at two times and two conditions, and invented readings in the long form."""
    study = doe.Study(
        "stored gel",
        gel.factors,
        [
            doe.Response("viscosity", "mPa·s", times=TIMES, conditions=CONDITIONS, low={"4 wk": 5000}),
            doe.Response("pH", decimals=2),
            doe.Response("kept", formula="viscosity[4 wk, 40 °C] / viscosity[24 h, 25 °C]"),
        ],
    )
    parts = []
    for i, time in enumerate(TIMES):
        for j, condition in enumerate(CONDITIONS):
            wobble = 1.0 - 0.05 * i - 0.1 * i * j + 0.001 * np.sin(gel_data["run"] * (1 + i + 2 * j))
            acidity = gel_data["pH"] if i + j == 0 else np.nan
            parts.append(
                gel_data.assign(pH=acidity).assign(
                    time=time, condition=condition, viscosity=gel_data["viscosity"] * wobble
                )
            )
    return study, pd.concat(parts, ignore_index=True)


def wide_of(long):
    out = long.drop_duplicates("run").drop(columns=["viscosity", "time", "condition"])
    for (time, condition), part in long.groupby(["time", "condition"]):
        out = out.merge(part[["run", "viscosity"]].rename(columns={"viscosity": f"viscosity[{time}, {condition}]"}))
    return out


def test_an_occasion_is_picked_by_at_or_by_name_in_long_and_wide_tables(stored):
    study, long = stored
    picked = long[(long["time"] == "4 wk") & (long["condition"] == "40 °C")]
    fits = [
        doe.fit(study, data, *args, model="linear", **kwargs)
        for data in (long, long.assign(time=long["time"].replace("4 wk", "28 d")), wide_of(long))
        for args, kwargs in (
            (("viscosity",), {"at": ("4 wk", "40 °C")}),
            (("viscosity",), {"at": ("28 d", "40 °C")}),
            (("viscosity[4 wk, 40 °C]",), {}),
        )
    ]
    for fit in fits:
        assert fit.response.name == "viscosity[4 wk, 40 °C]"
        assert fit.response.low == 5000
        assert fit.batches.values.tolist() == picked["viscosity"].tolist()
    other = doe.fit(study, long, "viscosity", model="linear", at=("24 h", "40 °C"))
    assert other.response.low is None
    assert other.beta[0] != fits[0].beta[0]


def test_records_hold_their_occasions(stored):
    study, long = stored
    plan = Plan(study, long.drop_duplicates("run").set_index("run")[study.names])

    class Carried:
        def __init__(self, data):
            self.plan, self.data, self.failed = plan, data, ()

    rows = long.assign(response="viscosity", replicate=1, value=long["viscosity"], batch=long["run"], cell="")
    rows = rows[["run", "batch", "replicate", "time", "condition", "response", "value", "cell"]]
    fit = doe.fit(study, Carried(rows), "viscosity", model="linear", at=("4 wk", "25 °C"))
    assert fit.beta == pytest.approx(doe.fit(study, long, "viscosity[4 wk, 25 °C]", model="linear").beta)


def test_a_run_made_again_is_a_batch_of_its_own():
    """Two batches of one setting, each read twice: pure error is between the batches' means, (a - b)²/2 on one degree of freedom."""
    study = doe.Study("gel", [doe.Continuous("gum", 0, 1)], [doe.Response("viscosity", "mPa·s")])
    plan = Plan.from_frame(study, pd.DataFrame({"gum": [0.0, 0.5, 1.0]}))
    rows = [(1, 10.0, None), (2, 21.0, None), (3, 30.0, None), (1, 14.0, "made again")]
    table = pd.DataFrame(rows, columns=["run", "viscosity, reading 1", "same batch read again, or made again?"])
    table["viscosity, reading 2"] = table["viscosity, reading 1"] + 1.0
    records = Records.from_frame(table, plan)
    fit = doe.fit(study, records, "viscosity", "linear")
    assert [str(r) for r in fit.runs] == ["1, batch 1", "1, batch 1 made again", "2", "3"]
    assert fit.batches.values.tolist() == [10.5, 14.5, 21.5, 30.5]
    assert fit.batches.counts.tolist() == [2, 2, 2, 2]
    anova = fit.anova.set_index("source")
    assert anova.loc["pure error", ["df", "ss"]].tolist() == [1, 8.0]
    once = doe.fit(study, Records.from_frame(table.iloc[:3], plan), "viscosity", "linear")
    assert list(once.runs) == [1, 2, 3]
    assert "pure error" not in once.anova["source"].tolist()


def test_what_is_left_open_of_an_occasion_is_asked_for_with_the_choices(stored):
    study, long = stored
    assert sentence(lambda: doe.fit(study, long, "viscosity")) == (
        "fit: at is 'left out' but must be the occasion of one of viscosity[24 h, 25 °C], viscosity[24 h, 40 °C], "
        "viscosity[4 wk, 25 °C], viscosity[4 wk, 40 °C]: write at=('24 h', '25 °C'), or fit all of them with fit_all."
    )
    assert sentence(lambda: doe.fit(study, long, "viscosity", at="4 wk")) == (
        "response 'viscosity': condition is 'left out' but must be one of 25 °C, 40 °C: say which condition."
    )
    assert sentence(lambda: doe.fit(study, long, "viscosity", at=("5 wk", "25 °C"))) == (
        "response 'viscosity': time is '5 wk' but must be one of 24 h, 4 wk: did you mean '4 wk'?"
    )
    assert sentence(lambda: doe.fit(study, long, "viscosity", at=7)) == (
        'fit: at is 7 but must be a pair of time and condition, or one of the two: write at=("4 wk", "40 °C").'
    )
    assert sentence(lambda: doe.fit(study, long, "kept", at=("4 wk", "40 °C"))) == (
        "fit: at is ('4 wk', '40 °C') but must be left out for a derived response, whose formula names its times: leave it out."
    )
    assert sentence(lambda: doe.fit(study, long, "viscosity[4 wk, 40 °C]", at=("24 h", "40 °C"))) == (
        "fit: at is ('24 h', '40 °C') but must be left out beside 'viscosity[4 wk, 40 °C]': say the occasion once."
    )


def test_one_part_of_the_occasion_is_enough_where_there_is_only_one(gel, gel_data):
    study = doe.Study("aged", gel.factors, [doe.Response("pH", times=("1 d", "4 wk"), conditions=("25 °C",))])
    data = pd.concat([gel_data.assign(time="1 d"), gel_data.assign(time="4 wk", pH=gel_data["pH"] - 0.1)])
    alone = [doe.fit(study, data, "pH", "linear", at=at).beta[0] for at in ("4 wk", ("4 wk",), ("4 wk", None))]
    assert alone[0] == alone[1] == alone[2]
    assert alone[0] == pytest.approx(doe.fit(study, data, "pH", "linear", at=("1 d", "25 °C")).beta[0] - 0.1)


def test_a_table_that_does_not_say_its_occasions(stored):
    study, long = stored
    at = ("4 wk", "40 °C")
    assert sentence(lambda: doe.fit(study, long.drop(columns="time"), "viscosity", at=at)) == (
        "the data: column 'time' is 'missing' but must be there, as 'viscosity' is read at several times (24 h, 4 wk): add it, or one "
        "column for each occasion, named 'viscosity[24 h]'."
    )
    wrong = long.assign(time=long["time"].where(long.index != 20, "8 wk"))
    assert sentence(lambda: doe.fit(study, wrong, "viscosity", at=at)) == (
        "the data, run 6, column 'time' is '8 wk' but must be one of 24 h, 4 wk: correct it, or add it to the times of 'viscosity'."
    )
    blank = long.assign(condition=long["condition"].where(long.index != 20))
    assert sentence(lambda: doe.fit(study, blank, "viscosity", at=at)) == (
        "the data, run 6, column 'condition' is 'blank' but must be one of 25 °C, 40 °C: fill it in."
    )
    twice = wide_of(long)
    twice["viscosity[28 d, 40 °C]"] = 1.0
    assert sentence(lambda: doe.fit(study, twice, "viscosity", at=at)) == (
        "the data: columns is ['viscosity[4 wk, 40 °C]', 'viscosity[28 d, 40 °C]'] but must be one column of viscosity[4 wk, 40 °C]: "
        "they are one occasion: drop one of the two."
    )


def test_fit_all_takes_every_occasion_that_has_readings(stored):
    study, long = stored
    fits = doe.fit_all(study, long, "linear")
    assert list(fits) == [f"viscosity[{t}, {c}]" for t in TIMES for c in CONDITIONS] + ["pH", "kept"]
    assert fits.unfitted == ()
    early = long.assign(viscosity=long["viscosity"].where(long["time"] == "24 h"))
    some = doe.fit_all(
        study, early, {"viscosity": "linear", "viscosity[24 h, 40 °C]": ["polymer"], "pH": "linear", "kept": "linear"}
    )
    assert list(some) == ["viscosity[24 h, 25 °C]", "viscosity[24 h, 40 °C]", "pH"]
    assert some["viscosity[24 h, 40 °C]"].model.terms == ("1", "polymer")
    assert some.unfitted == (
        ("viscosity[4 wk, 25 °C]", "no reading of it yet"),
        ("viscosity[4 wk, 40 °C]", "no reading of it yet"),
        ("kept", "nothing to work it out from yet"),
    )
    assert "Not fitted" in str(some)
    assert some.reduced(by="bic").unfitted == some.unfitted
    assert sentence(lambda: doe.fit_all(study, early.assign(pH=np.nan), "linear")) == (
        "the data: column 'pH' is 'blank in every row' but must be a number in some rows: enter the readings first."
    )
    unread = doe.Study("later", study.factors, study.responses[:1])
    assert sentence(lambda: doe.fit_all(unread, early.assign(viscosity=np.nan), "linear")) == (
        "fit_all: readings is 'none of any response' but must be readings of at least one response: enter the readings first."
    )
    assert sentence(lambda: doe.fit_all(study, long, {"viscosity[24 h, 40 °C]": "linear", "pH": "linear"})) == (
        "model is ['viscosity[24 h, 40 °C]', 'pH'] but must be a model for every response: add one for 'viscosity[24 h, 25 °C]', "
        "'viscosity[4 wk, 25 °C]', 'viscosity[4 wk, 40 °C]', 'kept'."
    )


def test_a_run_without_a_reading_at_the_occasion_is_listed(stored):
    study, long = stored
    late = (long["time"] == "4 wk") & (long["condition"] == "40 °C")
    data = long[~(late & (long["run"] == 7))]
    fit = doe.fit(study, data, "viscosity", "linear", at=("4 wk", "40 °C"))
    assert fit.n == 14
    assert fit.unused.to_dict("list") == {"run": [7], "reason": ["no reading of viscosity[4 wk, 40 °C]"]}


# ---- derived responses


def test_a_derived_response_is_worked_out_batch_by_batch_from_means(stored):
    study, long = stored
    more = pd.concat([long, long[long["run"] == 3].assign(viscosity=lambda d: d["viscosity"] * 1.2)], ignore_index=True)
    mean = more.groupby(["run", "time", "condition"])["viscosity"].mean()
    expected = [mean[r, "4 wk", "40 °C"] / mean[r, "24 h", "25 °C"] for r in range(1, 16)]
    fit = doe.fit(study, more, "kept", "linear")
    np.testing.assert_allclose(fit.batches.values, expected, rtol=1e-14)
    np.testing.assert_allclose(
        doe.fit(study, wide_of(long), "kept", "linear").batches.values[3:], expected[3:], rtol=1e-14
    )


def test_a_batch_of_which_a_part_is_missing_or_censored_is_listed(stored):
    study, long = stored
    data = wide_of(long).astype({"viscosity[4 wk, 40 °C]": object})
    data.loc[2, "viscosity[4 wk, 40 °C]"] = None
    data.loc[3, "viscosity[4 wk, 40 °C]"] = ">100000"
    data.loc[4, "viscosity[24 h, 25 °C]"] = 0.0
    fit = doe.fit(study, data, "kept", "linear")
    assert fit.n == 12
    assert fit.unused.to_dict("list") == {
        "run": [3, 4, 5],
        "reason": [
            "no reading of viscosity[4 wk, 40 °C]",
            "viscosity[4 wk, 40 °C] was read only as a bound (>100000), so that kept cannot be worked out",
            "viscosity[4 wk, 40 °C] / viscosity[24 h, 25 °C] has no value for its readings",
        ],
    }
    assert "has no value for its readings" in str(fit)


def test_a_derived_response_in_a_column_of_its_own_is_taken_from_there(stored):
    study, long = stored
    data = wide_of(long).assign(kept=np.linspace(0.8, 0.9, 15))
    fit = doe.fit(study, data, "kept", "linear")
    assert fit.batches.values.tolist() == data["kept"].tolist()
    assert (
        "kept is taken from its own column, not worked out from viscosity[4 wk, 40 °C] / viscosity[24 h, 25 °C]."
        in str(fit)
    )


def test_rows_of_several_times_need_a_run_for_a_derived_response(stored):
    study, long = stored
    assert sentence(lambda: doe.fit(study, long.drop(columns="run"), "kept", "linear")) == (
        "the data: column 'run' is 'missing' but must be there, so that 'kept' can be worked out from the readings of one batch at "
        "several times: add it, or give each occasion a column of its own."
    )


def test_least_squares_refuses_a_censored_reading(gel, censored):
    assert sentence(lambda: doe.fit(gel, censored, "viscosity", "linear", method="least squares")).startswith(
        "method is 'least squares' but must be \"censored\" where "
    )


def test_an_occasion_that_reads_the_same_on_every_batch_is_listed(stored):
    study, long = stored
    same = long.assign(viscosity=long["viscosity"].where(long["time"] != "24 h", 5000.0))
    fits = doe.fit_all(study, same, "linear")
    assert fits.unfitted == tuple((f"viscosity[24 h, {c}]", "the same on every batch, 5000 mPa·s") for c in CONDITIONS)
    assert sentence(lambda: doe.fit(study, same, "viscosity", "linear", at=("24 h", "25 °C"))) == (
        "response 'viscosity[24 h, 25 °C]': reading is 5000.0 but must be different between runs, yet all are the same: there is nothing "
        "to explain: check that the readings were entered run by run."
    )
    assert sentence(lambda: doe.fit_all(study, long.assign(pH=long["pH"] * 0 + 6.0), "linear")).startswith(
        "response 'pH': reading is 6.0"
    )


def test_two_responses_of_one_name_and_times_before_making():
    kwargs = {"times": ("24 h", "-1 d")}
    assert sentence(lambda: doe.Response("pH", **kwargs)) == (
        "response 'pH': times is '-1 d' but must be 0 or later: count from the making of the batch."
    )
    twice = [doe.Response("pH"), doe.Response("pH")]
    assert sentence(lambda: doe.Study("gel", [doe.Continuous("polymer", 0, 1)], twice)) == (
        "study: name is 'pH' but must be used once among factors and responses: rename one of the two."
    )
