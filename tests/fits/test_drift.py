"""Drift and shelf life: what is pooled, how far it is carried, what is said, and every sentence of refusal.

All data are invented; figures are checked against statsmodels OLS (no worked example of ICH Q1E was at hand).
"""

import doctest

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import optimize, stats

import doe
from doe import StudyError
from doe.fits import drift, keeping
from doe.fits.lines import KINDS

MONTHS = (0, 3, 6, 9, 12, 18)


def sentence(call):
    with pytest.raises(StudyError) as error:
        call()
    return str(error.value)


def assay_study(**limits):
    return doe.Study(
        "assay", [doe.Continuous("polymer", 0.2, 0.6, "%")], [doe.Response("assay", "%", **(limits or {"low": 95}))]
    )


def assay(slopes=(-0.2, -0.2, -0.2), starts=(101.0, 101.0, 101.0), months=MONTHS, sd=0.3, seed=3):
    """Invented assay of batches of one recipe over months."""
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        [
            {
                "run": i + 1,
                "polymer": 0.4,
                "time": f"{m} mo" if m else "0",
                "m": m,
                "assay": b + s * m + sd * rng.standard_normal(),
            }
            for i, (s, b) in enumerate(zip(slopes, starts, strict=True))
            for m in months
        ]
    )


# ---- which line, and how long


def test_batches_alike_share_one_line_whose_limit_is_that_of_statsmodels():
    data = assay()
    d = drift(assay_study(), data, "assay")
    assert d.kind == KINDS[2]
    assert d.unit == "mo"
    band = smf.ols("assay ~ m", data).fit().get_prediction(pd.DataFrame({"m": [d.within]})).summary_frame(alpha=0.10)
    assert band["mean_ci_lower"].iloc[0] == pytest.approx(95.0, rel=1e-9)
    assert set(d.batches["within"]) == {d.within}
    assert d.covered == 18
    # twice the time covered would be 36 months; no more than 12 beyond it
    assert d.furthest == pytest.approx(30.0)
    assert d.shelf_life == min(d.within, 30.0)


def test_other_starts_share_a_slope_and_the_worst_batch_counts():
    data = assay(starts=(101.0, 103.0, 102.0), slopes=(-0.25,) * 3)
    d = drift(assay_study(), data, "assay")
    assert d.kind == KINDS[1]
    assert d.worst == 1
    reference = smf.ols("assay ~ 0 + C(run) + m", data).fit()
    np.testing.assert_allclose(d.batches["slope"], reference.params["m"], rtol=1e-9)
    at = pd.DataFrame({"run": [1], "m": [d.within]})
    assert reference.get_prediction(at).summary_frame(alpha=0.10)["mean_ci_lower"].iloc[0] == pytest.approx(
        95.0, rel=1e-9
    )
    assert d.within == d.batches["within"].min() < d.batches["within"].iloc[1]
    assert (
        "No evidence that slopes differ (p not below 0.25), but starts do: one slope, every batch its own start."
        in str(d)
    )


def test_other_slopes_keep_lines_of_their_own_with_one_residual_variance():
    data = assay(slopes=(-0.2, -0.35, -0.1))
    d = drift(assay_study(), data, "assay")
    assert d.kind == KINDS[0]
    assert d.worst == 2
    reference = smf.ols("assay ~ 0 + C(run) + C(run):m", data).fit()
    at = pd.DataFrame({"run": [2], "m": [d.within]})
    assert reference.get_prediction(at).summary_frame(alpha=0.10)["mean_ci_lower"].iloc[0] == pytest.approx(
        95.0, rel=1e-9
    )
    assert d.batches["std_error"].iloc[0] == pytest.approx(reference.bse["C(run)[1]:m"])
    assert "Slopes differ (p below 0.25): every batch keeps its own line, with the residual variance of all." in str(d)
    assert (
        f"of the line of run 2, the worst batch, stays within the specification until {d.within:.3g} mo (ICH Q1E)."
        in str(d)
    )


def test_the_significance_decides_what_is_pooled():
    data = assay(slopes=(-0.2, -0.225, -0.19))
    p = drift(assay_study(), data, "assay").tests["p"].iloc[0]
    assert 0.0 < p < 1.0
    below, above = (drift(assay_study(), data, "assay", significance=v) for v in (p * 0.99, min(p * 1.01, 0.999)))
    assert below.kind != KINDS[0]
    assert above.kind == KINDS[0]


def test_both_limits_take_two_sided_limits_unless_the_direction_is_known():
    data = assay()
    both = assay_study(low=95, high=105)
    one, two = drift(assay_study(), data, "assay"), drift(both, data, "assay")
    assert (one.tail, two.tail) == (pytest.approx(0.05), pytest.approx(0.025))
    assert two.within < one.within
    known = drift(both, data, "assay", direction="falls")
    assert known.within == one.within
    assert drift(both, data, "assay", direction="rises").within == float("inf")
    assert "The two-sided 95 % confidence limit" in str(two)
    assert drift(assay_study(), data, "assay", confidence=0.99).within < one.within
    rising = data.assign(assay=200 - data["assay"])
    assert drift(assay_study(high=105), rising, "assay").within == pytest.approx(one.within)


def test_on_the_scale_of_the_response():
    data = assay()
    logged = assay_study(low=95, transform="log")
    d = drift(logged, data, "assay")
    band = (
        smf.ols("np.log(assay) ~ m", data)
        .fit()
        .get_prediction(pd.DataFrame({"m": [d.within, 6.0]}))
        .summary_frame(alpha=0.10)
    )
    assert np.exp(band["mean_ci_lower"].iloc[0]) == pytest.approx(95.0, rel=1e-9)
    got = d.predict([6.0, "12 mo"], run=1)
    assert got["estimate"].iloc[0] == pytest.approx(np.exp(band["mean"].iloc[1]))
    assert got["low"].iloc[0] == pytest.approx(np.exp(band["mean_ci_lower"].iloc[1]))
    assert got["t"].tolist() == [6.0, 12.0]
    assert len(d.predict([6.0])) == 3
    assert "slope of ln assay, for one mo: times 100, nearly per cent." in str(d)


def test_later_times_may_still_be_blank():
    data = assay()
    early = data.assign(assay=data["assay"].where(data["m"] <= 6))
    d = drift(assay_study(), early, "assay")
    assert (d.covered, d.furthest) == (6.0, 12.0)
    assert d.shelf_life <= 12.0
    assert (
        "Beyond 6 mo nothing was measured: what is said of later times assumes that the line goes on straight, and is no evidence that "
        "it does."
    ) in str(d)
    first = drift(assay_study(), data[data["m"] <= 3], "assay")
    assert np.isnan(first.within)
    assert (
        "Each batch was read at two times: its line has no error to judge it by, and no time can be given before a third."
        in str(first)
    )
    assert "Two readings a batch leave nothing to test by: every batch keeps its own line." in str(first)


def test_random_batches_are_the_two_stage_analysis_in_balanced_data():
    """In balanced data the average slope is the mean of the batches' slopes, with their own scatter and k − 1 degrees of freedom."""
    data = assay(slopes=(-0.2, -0.3, -0.15, -0.25, -0.22), starts=(101.0, 102, 101.5, 100.8, 101.7))
    d = drift(assay_study(), data, "assay", batches="random")
    slopes = d.lines.lines[:, 1] if d.kind == KINDS[0] else None
    assert slopes is not None
    L = np.array([[0.0, 1.0]]) @ d.average.turn
    inference = d.average.inference
    assert (L @ inference.gamma)[0] == pytest.approx(slopes.mean(), rel=1e-6)
    assert (L @ inference.adjusted @ L.T)[0, 0] == pytest.approx(slopes.var(ddof=1) / 5, rel=1e-4)
    assert inference.degrees(L)[0] == pytest.approx(4.0, rel=1e-3)
    estimate, error, df = d.average.at(np.array([d.within]), new=True)
    assert estimate[0] - stats.t.ppf(0.95, df[0]) * error[0] == pytest.approx(95.0, rel=1e-8)
    mean, narrower, _ = d.average.at(np.array([d.within]), new=False)
    assert mean[0] == estimate[0]
    assert narrower[0] < error[0]
    assert "Slope of the average batch" in str(d)
    assert "a new batch's line stays within the specification until" in str(d)


def test_a_bend_is_seen():
    data = assay()
    assert drift(assay_study(), data, "assay").cautions() == []
    bent = data.assign(assay=data["assay"] + 0.02 * (data["m"] - 9) ** 2)
    assert (
        "The change is not straight over time (p below 0.0001): a line carried on beyond 18 mo would be wrong; try another scale, or "
        "later times."
    ) in str(drift(assay_study(), bent, "assay"))


# ---- conditions


def stored():
    study = doe.Study(
        "gel",
        [doe.Continuous("polymer", 0.2, 0.6, "%")],
        [
            doe.Response(
                "viscosity",
                "mPa·s",
                low={"4 wk": 7000, "12 wk": 8000},
                transform="log",
                times=("24 h", "4 wk", "12 wk"),
                conditions=("25 °C", "40 °C"),
            ),
            doe.Response("kept", formula="viscosity[12 wk, 25 °C] / viscosity[24 h, 25 °C]"),
            doe.Response("loss rate"),
        ],
    )
    rng = np.random.default_rng(2)
    rows = [
        {
            "run": r,
            "polymer": 0.2 + 0.1 * (r % 5),
            "time": t,
            "condition": c,
            "viscosity": float(
                np.exp(9.3 - (0.004 + 0.02 * (c == "40 °C") + 0.004 * (r % 5)) * w + 0.01 * rng.standard_normal())
            ),
        }
        for r in range(1, 11)
        for c in ("25 °C", "40 °C")
        for t, w in (("24 h", 1 / 7), ("4 wk", 4), ("12 wk", 12))
    ]
    return study, pd.DataFrame(rows)


def test_accelerated_storage_carries_no_claim():
    study, data = stored()
    mild, hot = (drift(study, data, "viscosity", c) for c in ("25 °C", "40 °C"))
    assert not mild.accelerated
    assert hot.accelerated
    assert np.isnan(hot.shelf_life)
    assert mild.shelf_life == min(mild.within, 24.0)
    assert np.isfinite(hot.within)
    assert (
        "40 °C is accelerated storage: it shows which way viscosity goes, and carries no claim about other storage."
        in str(hot)
    )
    assert np.isfinite(drift(study, data, "viscosity", "40 °C", accelerated=False).shelf_life)
    assert mild.unit == "wk"
    assert mild.response.low == 8000  # of the latest time that has a limit
    assert "The batches differ in polymer: these tests also ask whether that matters" in str(mild)
    some = drift(study, data, "viscosity", "25 °C", runs=[2, 7])
    assert some.settings["run"].tolist() == [2, 7]
    assert some.unused["reason"].tolist() == ["not among the runs asked for"] * 8
    assert "The batches differ" not in str(some)


def test_each_batchs_drift_is_a_response_in_its_own_right():
    study, data = stored()
    d = drift(study, data, "viscosity", "40 °C")
    column = d.column("loss rate")
    assert column.columns.tolist() == ["run", "polymer", "loss rate"]
    own = [
        smf.ols("np.log(viscosity) ~ w", part.assign(w=[1 / 7, 4, 12])).fit().params["w"]
        for _, part in data[data["condition"] == "40 °C"].groupby("run")
    ]
    np.testing.assert_allclose(column["loss rate"], own, rtol=1e-9)
    fit = doe.fit(study, column, "loss rate", ["polymer"])
    assert fit.beta[1] < 0
    assert fit.coefficients["p"].iloc[1] < 0.01
    assert d.column("loss rate", "start")["loss rate"].iloc[0] == pytest.approx(d.batches["start"].iloc[0])
    when = d.column("loss rate", "time_to_limit")["loss rate"]
    assert [isinstance(v, str) for v in when].count(True) == sum(v == ">24" for v in when)
    assert any(isinstance(v, float) for v in when)
    pooled = drift(study, data, "viscosity", "40 °C", significance=1e-9)
    assert pooled.kind != KINDS[0]
    np.testing.assert_allclose(pooled.column("loss rate")["loss rate"], own, rtol=1e-9)
    # lines pooled for the shelf life are not: every batch's own time, from its own line
    assert pooled.column("loss rate", "time_to_limit")["loss rate"].tolist() == when.tolist()
    within = d.column("loss rate", "within")["loss rate"]
    assert pooled.column("loss rate", "within")["loss rate"].tolist() == within.tolist()
    for own_time, until in zip(when, within, strict=True):
        assert isinstance(until, float | str)
        if isinstance(own_time, float):
            assert until < own_time  # the confidence limit meets the specification before the line does
    assert sentence(lambda: d.column("loss rate", "slopes")) == (
        "column: what is 'slopes' but must be one of slope, start, time_to_limit, within: did you mean 'slope'?"
    )


def test_what_is_not_used_is_listed():
    study, data = stored()
    data = data[~((data["run"] == 3) & (data["time"] != "4 wk"))].astype({"viscosity": object})
    data.loc[data["run"] == 6, "viscosity"] = None
    d = drift(study, data, "viscosity", "25 °C", without={9: "jar cracked"})
    assert d.unused.to_dict("list") == {
        "run": [9, 3, 6],
        "reason": [
            "jar cracked",
            "read at 4 wk only: a line needs two times",
            "no reading of viscosity",
        ],
    }
    assert d.settings["run"].tolist() == [1, 2, 4, 5, 7, 8, 10]
    assert "jar cracked" in str(d)
    assert "jar cracked" in d._repr_html_()
    assert d.unheld == ()


def test_readings_of_one_batch_at_one_time_are_averaged():
    data = assay()
    more = pd.concat([data, data.assign(assay=data["assay"] + 1.0)], ignore_index=True)
    np.testing.assert_allclose(drift(assay_study(), more, "assay").data["value"], data["assay"] + 0.5, rtol=1e-12)


def test_records_may_be_followed():
    study, data = stored()
    from doe.designs import Plan

    class Carried:
        def __init__(self):
            self.plan = Plan(study, data.drop_duplicates("run").set_index("run")[["polymer"]])
            self.data = data.assign(
                response="viscosity", replicate=1, value=data["viscosity"], batch=data["run"], cell=""
            )
            self.failed = ()

    np.testing.assert_allclose(
        drift(study, Carried(), "viscosity", "25 °C").lines.lines, drift(study, data, "viscosity", "25 °C").lines.lines
    )


# ---- readings known only by bounds

TOP = 12500


def gel_study(**limits):
    limits = limits or {"low": 7900}
    return doe.Study(
        "gel",
        [doe.Continuous("polymer", 0.2, 0.6, "%")],
        [doe.Response("viscosity", "mPa·s", **limits), doe.Response("life", "mo")],
    )


def beyond(seed=1, slopes=(-400.0,) * 3, start=12900.0, sd=300.0, months=MONTHS, top=TOP):
    """Invented viscosities of batches of one recipe, read on an instrument that ends at `top`."""
    rng = np.random.default_rng(seed)
    rows = []
    for i, slope in enumerate(slopes):
        for m in months:
            y = start + slope * m + sd * rng.standard_normal()
            cell = f">{top}" if y > top else round(y)
            rows.append({"run": i + 1, "polymer": 0.4, "time": f"{m} mo" if m else "0", "m": m, "viscosity": cell})
    return pd.DataFrame(rows)


def test_readings_known_by_bounds_enter_the_lines():
    data = beyond()
    d = drift(gel_study(), data, "viscosity")
    bounded = np.array([isinstance(v, str) for v in data["viscosity"]])
    assert bounded.sum() == 3
    assert d.kind == KINDS[2]
    assert d.unused.empty
    y = np.where(bounded, TOP, pd.to_numeric(data["viscosity"], errors="coerce")) / 1000
    t = data["m"].to_numpy(dtype=float)

    def minus(v):
        """Of start, slope and ln SD, in thousands; by scipy's own normal law."""
        mean, sd = v[0] + v[1] * t, np.exp(v[2])
        return -np.where(bounded, stats.norm.logsf(y, mean, sd), stats.norm.logpdf(y, mean, sd)).sum()

    options = {"xatol": 1e-10, "fatol": 1e-13, "maxiter": 4000}
    found = optimize.minimize(minus, [13.0, -0.4, -1.0], method="Nelder-Mead", options=options)
    first = d.batches.iloc[0]
    assert first["start"] == pytest.approx(1000 * found.x[0], rel=1e-6)
    assert first["slope"] == pytest.approx(1000 * found.x[1], rel=1e-6)
    assert first["time_to_limit"] == pytest.approx((7.9 - found.x[0]) / found.x[1], rel=1e-6)
    at = d.predict([d.within]).iloc[0]
    assert at["low"] == pytest.approx(7900.0, rel=1e-6)
    assert d.shelf_life == d.within < first["time_to_limit"]
    # least squares of the exact readings alone: with the high ones left out the fall is told too flat
    alone = smf.ols("viscosity ~ m", data[~bounded].astype({"viscosity": float})).fit()
    assert first["slope"] < alone.params["m"]
    assert d.data.columns.tolist() == ["run", "time", "t", "value", "lower", "upper"]
    own = d.data[d.data["value"].isna()]
    assert own[["lower", "upper"]].to_numpy().tolist() == [[TOP, np.inf]] * 3
    said = str(d)
    assert "3 batches at 6 times up to 18 mo, 3 of 18 readings known only by bounds; one line" in said
    assert "Known only by bounds: run 1 at 0 (>12500); run 2 at 0 (>12500); run 3 at 0 (>12500)." in said
    assert "Tests by the likelihood ratio, on the scale on which they are these F when all readings are exact." in said
    assert (
        "3 of the 18 readings are known only by bounds: they count by what the bounds say (maximum likelihood), and the limit is that "
        "of the profile likelihood."
    ) in said
    assert "no shelf life to claim" not in said


def test_bounds_matter_and_their_own_times_are_data_for_a_fit():
    data, study = beyond(), gel_study()
    d = drift(study, data, "viscosity")
    # the very same readings, but known: within lies where the instrument cannot tell
    higher = data.assign(viscosity=[15000 if isinstance(v, str) else v for v in data["viscosity"]])
    assert drift(study, higher, "viscosity").batches["slope"].iloc[0] < d.batches["slope"].iloc[0]
    between = data.assign(viscosity=["12900..13100" if isinstance(v, str) else v for v in data["viscosity"]])
    close = data.assign(viscosity=[13000 if isinstance(v, str) else v for v in data["viscosity"]])
    got = (drift(study, v, "viscosity") for v in (between, close))
    assert next(got).within == pytest.approx(next(got).within, rel=2e-3)
    for what in ("slope", "start", "time_to_limit", "within"):
        column = d.column("life", what)["life"]
        assert len(set(column)) == 3  # every batch its own line, though they were pooled
        assert all(isinstance(v, float) for v in column)
    own, until = d.column("life", "time_to_limit")["life"], d.column("life", "within")["life"]
    assert (until < own).all()
    assert drift(study, data, "viscosity", confidence=0.99).within < d.within
    both = drift(gel_study(low=7900, high=14500), data, "viscosity")
    assert both.tail == pytest.approx(0.025)
    assert both.within < d.within
    assert both.low_side_first(1)
    logged = drift(gel_study(low=7900, transform="log"), data, "viscosity")
    assert logged.lines.df != d.lines.df
    assert logged.predict([0.0], run=1)["estimate"].iloc[0] > TOP
    rising = data.assign(viscosity=[f"<{25000 - TOP}" if isinstance(v, str) else 25000 - v for v in data["viscosity"]])
    assert drift(gel_study(high=25000 - 7900), rising, "viscosity").within == pytest.approx(d.within, rel=1e-6)


def unheld():
    """Run 2 read exactly once, at the end."""
    data = beyond()
    return data.assign(
        viscosity=[
            (5700 if m == 18 else ">12500") if r == 2 else v
            for r, m, v in zip(data["run"], data["m"], data["viscosity"], strict=True)
        ]
    )


def test_a_batch_whose_bounds_hold_no_line_has_none_and_nothing_is_claimed():
    data, study = unheld(), gel_study()
    d = drift(study, data, "viscosity")
    assert d.kind == KINDS[0]
    assert d.settings["run"].tolist() == [1, 3]
    assert d.unheld == (2,)
    assert d.unused.to_dict("list") == {
        "run": [2],
        "reason": [
            "read exactly at 18 mo only, else by bounds at 0 (>12500), 3 mo (>12500), 6 mo (>12500), 9 mo (>12500) and 12 mo (>12500): "
            "they hold no line of its own"
        ],
    }
    assert np.isfinite(d.within)
    assert np.isnan(d.shelf_life)
    assert (
        "This is no shelf life to claim: run 2 is not in the lines, as what is beyond the instrument's range leaves its line open, and that is "
        "not by chance. Read it by a method that reaches, wait for later times, or ask for the other batches alone (runs=…)."
    ) in d.words()
    others = drift(study, data, "viscosity", runs=[1, 3])
    assert np.isfinite(others.shelf_life)
    # one line for all: it leans on the others, and is in
    pooled = drift(study, data, "viscosity", significance=1e-9)
    assert pooled.kind == KINDS[2]
    assert pooled.unheld == ()
    assert (
        "The bounds of run 2 hold no line of its own: it leans on the other batches, and whether it differs from them was tested to one side only."
    ) in pooled.cautions()
    assert pooled.column("life")["run"].tolist() == [1, 3]
    nowhere = data.assign(
        viscosity=[">12500" if r == 2 else v for r, v in zip(data["run"], data["viscosity"], strict=True)]
    )
    assert drift(study, nowhere, "viscosity").unused["reason"].tolist() == [
        "read by bounds only, at 0 (>12500), 3 mo (>12500), 6 mo (>12500), 9 mo (>12500), 12 mo (>12500) and 18 mo (>12500): they hold no line "
        "of its own"
    ]


def test_what_many_bounds_leave_is_said():
    data = beyond(months=(0, 1, 2, 3, 6, 9), start=13500.0)
    d = drift(gel_study(), data, "viscosity")
    n = int(d.data["value"].isna().sum())
    assert n > 0.4 * len(d.data)
    assert (
        f"{n} of 18 readings are known only by bounds: what the lines say there rests on their being straight and on normal noise, not on "
        "readings."
    ) in d.cautions()
    assert not any("rests on their being straight" in w for w in drift(gel_study(), beyond(), "viscosity").cautions())
    bent = beyond().assign(
        viscosity=[
            v if isinstance(v, str) else v + 12 * (m - 9) ** 2
            for v, m in zip(beyond()["viscosity"], beyond()["m"], strict=True)
        ]
    )
    assert any(
        w.startswith("The change is not straight over time") for w in drift(gel_study(), bent, "viscosity").cautions()
    )


def test_bounds_that_cannot_be_used():
    study, data = gel_study(), beyond()
    assert sentence(lambda: drift(study, data, "viscosity", batches="random")) == (
        "drift: batches is 'random' but must be \"fixed\" where readings are known only by bounds, as 3 of 18 are here: leave it out, or read "
        "again by a method that reaches what was beyond the instrument."
    )
    early = data[data["m"].isin([0, 12, 18])]
    assert sentence(lambda: drift(study, early, "viscosity")) == (
        "drift: noise of 'viscosity' is 'none: the lines pass through every exact reading and between all bounds' but must be some, so that it "
        "can be judged: wait for the next readings, or read again by a method that reaches what was beyond the instrument."
    )
    every = data.assign(
        viscosity=[">12500" if m < 18 else v for m, v in zip(data["m"], data["viscosity"], strict=True)]
    )
    assert sentence(lambda: drift(study, every, "viscosity")) == (
        "drift: readings of 'viscosity' is 'known only by bounds at so many times that they hold the line of no batch' but must be exact at two times "
        "or more of some batch: wait for the next readings, or read again by a method that reaches what was beyond the instrument."
    )
    one = data[(data["run"] == 1) & (data["m"] <= 9)]
    noisy = one.assign(viscosity=[">12500", 12400, "10900..11000", 9000])
    assert sentence(lambda: drift(study, noisy, "viscosity")) == (
        "drift: what 4 readings of 'viscosity', 2 of them known only by bounds, leave for the noise is '0.75 df' but must be at least 1: wait for the "
        "next readings, or read again by a method that reaches what was beyond the instrument."
    )
    zero = data.assign(viscosity=["<0" if m == 12 else v for m, v in zip(data["m"], data["viscosity"], strict=True)])
    assert sentence(lambda: drift(gel_study(low=7900, transform="log"), zero, "viscosity")) == (
        "response 'viscosity', run 1, 12 mo: reading is '<0' but must be above 0 for its transform: correct the reading, leave it out with its "
        "reason, or choose another transform."
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("months", "start", "sd", "significance", "most_left_out"),
    [
        # a third of the first readings bounded; batches one line, as they truly are, or as the tests allow
        (MONTHS, 12330.0, 400.0, 1e-9, None),
        (MONTHS, 12330.0, 400.0, 0.25, None),
        # most first readings and some of the second and third bounded, and the limit met beyond the last time
        ((0, 1, 2, 3, 6, 9), 12700.0, 600.0, 1e-9, 0.10),
    ],
)
def test_the_limit_lies_beyond_the_truth_as_seldom_as_said(months, start, sd, significance, most_left_out):
    """1000 trials of 3 batches, −400 a month, limit met at 12.5 months: the time is too long in 5 % of them, Monte-Carlo error 0.7 %.

    Found: 6.0, 3.2 and 5.1 %; with the bounded readings left out 16.6 % in the last case.

    Four such errors are allowed above. Below, the worst of batches that the tests have kept apart, though they are one, comes too early: that is
    ICH Q1E's own caution, and so less than 5 % are allowed there; with one line the share is between 2.2 and 7.8 %.
    """
    study = gel_study(low=start - 5000.0)
    late = left_out = bounded = 0
    for seed in range(1000):
        data = beyond(20_000 + seed, start=start, sd=sd, months=months)
        known = pd.to_numeric(data["viscosity"], errors="coerce")
        bounded += int(known[data["m"] == 0].isna().sum())
        late += drift(study, data, "viscosity", significance=significance).within > 12.5
        if most_left_out is not None:
            exact = data.assign(viscosity=known).dropna()
            left_out += drift(study, exact, "viscosity", significance=significance).within > 12.5
    assert late / 1000 < 0.05 + 4 * 0.007
    if significance < 0.01:
        assert late / 1000 > 0.05 - 4 * 0.007
    if most_left_out is None:
        assert 0.28 < bounded / 3000 < 0.39
    else:
        # why bounds must be in the lines: left out, least squares is too long in twice as many trials as it says
        assert left_out / 1000 > most_left_out


# ---- scores


def test_a_score_has_no_line_but_a_time_between_inspections():
    study = doe.Study(
        "gel",
        [doe.Continuous("polymer", 0.2, 0.6, "%")],
        [doe.Response("look", scale=(1, 5), low=4, times=("4 wk", "8 wk", "12 wk")), doe.Response("life")],
    )
    scores = {1: (5, 5, 4), 2: (5, 3, 3), 3: (3, 2, 4)}
    data = pd.DataFrame(
        [
            {"run": r, "polymer": 0.2 * r, "time": t, "look": v}
            for r, seen in scores.items()
            for t, v in zip(("4 wk", "8 wk", "12 wk"), seen, strict=True)
        ]
    )
    d = drift(study, data, "look")
    assert d.batches["time_to_limit"].tolist() == [">12", "4..8", "<4"]
    assert np.isnan(d.within)
    assert (
        "Scores have no line: each batch's time lies between the last inspection that met the limit and the first that did not."
        in str(d)
    )
    column = d.column("life", "time_to_limit")
    assert column["life"].tolist() == [">12", "4..8", "<4"]
    assert "Ask drift(…, chance=0.8), say, for a line of these scores" in str(d)
    assert sentence(lambda: d.predict([4])) == (
        "predict is 'look' but must be a response with a line, not a score: see .batches, or .chances, instead."
    )
    assert sentence(lambda: d.column("life", "within")) == (
        "column: what is 'within' but must be one of time_to_limit: known names are 'time_to_limit'."
    )
    assert sentence(lambda: d.chances([4])) == (
        "chances is 'look' but must be a score that was followed with a chance, and has a line: write drift(…, chance=0.8)."
    )


def look_study(**limits):
    return doe.Study(
        "gel",
        [doe.Continuous("polymer", 0.2, 0.6, "%")],
        [doe.Response("look", scale=(1, 5), **(limits or {"low": 4})), doe.Response("life")],
    )


def looks(seed=1, slopes=(-0.25,) * 3, start=4.5, panel=1):
    """Invented scores of batches of one recipe: proportional odds, falling in time."""
    rng = np.random.default_rng(seed)
    cuts = np.array([-4, -2, 0, 2])
    return pd.DataFrame(
        [
            {
                "run": i + 1,
                "polymer": 0.4,
                "time": f"{m} mo" if m else "0",
                "m": float(m),
                "look": 1 + int((start + slope * m + rng.logistic() > cuts).sum()),
            }
            for i, slope in enumerate(slopes)
            for m in MONTHS
            for _ in range(panel)
        ]
    )


def test_a_score_followed_with_a_chance_has_a_line_in_time():
    data = looks()
    d = drift(look_study(), data, "look", chance=0.6)
    assert d.kind == KINDS[2]
    assert d.lines is None
    assert d.tests.columns.tolist() == ["question", "df", "chi2", "p"]
    assert d.tests["df"].tolist() == [2, 2]
    # the same model by doe.fit, with time as its only factor
    study = doe.Study("look", [doe.Continuous("m", 0, 18)], [doe.Response("look", scale=(1, 5))])
    fit = doe.fit(study, data[["m", "look"]], "look", "linear")
    at = [0.0, 5.0, d.within]
    theirs = fit.chance(pd.DataFrame({"m": at}), 4, interval=0.90)
    ours = d.chances([0, "5 mo", d.within], run=2)
    assert ours["run"].tolist() == [2, 2, 2]
    np.testing.assert_allclose(ours["estimate"], theirs["estimate"], rtol=1e-12)
    np.testing.assert_allclose(ours["low"], theirs["low"], rtol=1e-12)
    assert ours["low"].iloc[-1] == pytest.approx(0.6, abs=1e-9)
    assert set(d.batches["within"]) == {d.within}
    assert d.shelf_life == d.within
    assert len(d.chances([3])) == 3
    assert (
        f"The chance that a score meets the limits of look is at least 60 % until {d.within:.3g} mo, by its lower 95 % credible limit "
        "(proportional odds, a line in time)."
    ) in d.words()
    assert "judged by trials simulated from the pooled line." in str(d)
    later, surer = (
        drift(look_study(), data, "look", **v) for v in ({"chance": 0.4}, {"chance": 0.6, "confidence": 0.8})
    )
    assert later.within > d.within
    assert surer.within > d.within
    assert d.column("life", "time_to_limit")["life"].tolist() == d.batches["time_to_limit"].tolist()
    low_only, both = (drift(look_study(**v), data, "look", chance=0.4) for v in ({"low": 3}, {"low": 3, "high": 4}))
    # how likely a 5 is, is what the upper limit takes away
    five = fit.chance(pd.DataFrame({"m": [9.0]}), 5)["estimate"].iloc[0]
    taken = low_only.chances([9], run=1)["estimate"].iloc[0] - both.chances([9], run=1)["estimate"].iloc[0]
    assert taken == pytest.approx(five, rel=1e-9)
    assert both.within == 0.0
    assert "is not shown to be 40 % at any time, nor at the start" in both.words()[0]
    panel = drift(look_study(), looks(slopes=(-0.25,), panel=3), "look", chance=0.4).scores.fit
    assert (panel.n, len(panel.readings)) == (6, 18)  # every score counts, those of one inspection as akin
    sure = drift(look_study(low=2), looks(slopes=(-0.05,) * 3), "look", chance=0.3)
    assert sure.within == float("inf")
    assert "is at least 30 % throughout the 30 mo to which a line may be carried on" in sure.words()[0]


def test_scores_of_batches_that_differ_keep_lines_of_their_own():
    data = looks(slopes=(-0.1, -0.9, -0.1), start=6.0)
    d = drift(look_study(), data, "look", chance=0.3)
    assert d.kind == KINDS[0]
    assert d.worst == 2
    assert d.within == d.batches["within"].iloc[1] < d.batches["within"].iloc[0]
    assert "Slopes differ (p below 0.25): every batch keeps its own line." in str(d)
    assert "of run 2, the worst batch, meets the limits" in d.words()[0]
    pooled = drift(look_study(), data, "look", chance=0.3, significance=1e-9)
    assert pooled.kind == KINDS[2]
    alone = drift(look_study(), data, "look", chance=0.3, runs=[2])
    assert alone.kind == KINDS[2]
    assert alone.tests.empty
    assert alone.within < pooled.within


def test_scores_without_a_line_say_why():
    same = looks().assign(look=5)
    d = drift(look_study(), same, "look", chance=0.8)
    assert np.isnan(d.within)
    assert d.cautions() == [
        "There is no line of these scores: response 'look': score is 5 but must be different between runs, yet all are the same: there is "
        "nothing to explain: check that the scores were entered run by run."
    ]
    assert d.batches["time_to_limit"].tolist() == [">18"] * 3
    assert sentence(lambda: drift(assay_study(), assay(), "assay", chance=0.8)) == (
        "drift: chance is 0.8 but must be left out for 'assay', which is no score: leave it out: a line has a limit."
    )
    assert sentence(lambda: drift(look_study(), looks(), "look", chance=0.5, batches="random")) == (
        "drift: batches is 'random' but must be \"fixed\" for a score: leave it out."
    )
    assert sentence(lambda: drift(look_study(), looks(), "look", chance=80)) == (
        "drift: chance is 80 but must be between 0 and 1: write 0.95 for 95 %."
    )
    assert sentence(lambda: drift(assay_study(), assay(), "assay").chances([1])) == (
        "chances is 'assay' but must be a score: see .predict for what a line says."
    )
    line = drift(look_study(), looks(), "look", chance=0.5)
    assert sentence(lambda: line.chances([-1])) == (
        'chances: times is -1 but must be 0 or later: write "4 wk", or a number of mo.'
    )
    assert sentence(lambda: line.chances([1], run=8)) == (
        "chances: run is 8 but must be a batch with a line: known names are '1', '2', '3'."
    )


@pytest.mark.slow
def test_the_time_of_a_score_is_not_too_long():
    """100 trials of 3 batches alike, truth 18 months for a chance of 0.5: too long in 5 % at most, Monte-Carlo error 2.2 %.

    The prior and the few scores keep it on the safe side, so there is no lower end.
    """
    late = [
        drift(look_study(), looks(30_000 + seed), "look", chance=0.5, significance=1e-9).within > 18.0
        for seed in range(100)
    ]
    assert np.mean(late) <= 0.05 + 2 * 0.022


# ---- refusals


def test_a_response_without_a_limit_says_so():
    d = drift(assay_study(decimals=1), assay(), "assay")
    assert np.isnan(d.within)
    assert "assay has no limit that this drift could meet: there is no time to give." in str(d)
    assert d.batches.columns.tolist() == ["run", "polymer", "start", "slope", "std_error"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"response": "asay"}, "drift: response is 'asay' but must be a response of the study: did you mean 'assay'?"),
        (
            {"batches": "mixed"},
            'drift: batches is \'mixed\' but must be "fixed" or "random": leave it out for the batches themselves.',
        ),
        (
            {"direction": "down"},
            'drift: direction is \'down\' but must be "falls", "rises" or None: leave it out where it is not known.',
        ),
        ({"significance": 0}, "drift: significance is 0 but must be between 0 and 1: write 0.95 for 95 %."),
        ({"confidence": 95}, "drift: confidence is 95 but must be between 0 and 1: write 0.95 for 95 %."),
        (
            {"accelerated": 1},
            "drift: accelerated is 1 but must be True, False or None: leave it out to read it off the condition.",
        ),
        ({"runs": [9]}, "drift: runs is 9 but must be a run of the data: known names are '1', '2', '3'."),
        ({"without": {9: "lost"}}, "without: run is 9 but must be a run of the data: known names are '1', '2', '3'."),
        (
            {"condition": "40 °C"},
            "response 'assay': condition is '40 °C' but must be left out, as this response has no conditions: leave it out, or add it to the "
            "response's conditions.",
        ),
        (
            {"batches": "random", "runs": [1, 2]},
            "drift: batches is 'random' but must be \"fixed\" with fewer than 3 batches, which tell nothing of those to come: leave it out.",
        ),
    ],
)
def test_options_that_cannot_be_used(change, said):
    arguments = {"response": "assay", **change}
    assert sentence(lambda: drift(assay_study(), assay(), **arguments)) == said


def test_times_that_cannot_be_used():
    data, study = assay(), assay_study()
    assert sentence(lambda: drift(study, data.assign(time=data["time"].replace("3 mo", "-3 mo")), "assay")) == (
        "response 'assay': times is '-3 mo' but must be 0 or later: count from the making of the batch."
    )
    assert sentence(lambda: drift(study, data.assign(time="3 mo"), "assay")) == (
        "drift: times of 'assay' is '3 mo' but must be two or more: give the response its times=(\"24 h\", \"4 wk\", …), or the table a "
        "column time."
    )
    assert sentence(lambda: drift(study, data.drop(columns="time"), "assay")) == (
        "drift: times of 'assay' is 'none' but must be two or more: give the response its times=(\"24 h\", \"4 wk\", …), or the table a "
        "column time."
    )
    one_each = data[[(r - 1 == i % 6) for i, r in enumerate(data["run"])]]
    assert sentence(lambda: drift(study, one_each, "assay")) == (
        "drift: readings of assay is 'at fewer than two times of every batch' but must be at two times or more of some batch: wait for the "
        "next readings, or enter them."
    )
    gel, readings = stored()
    assert sentence(lambda: drift(gel, readings, "kept")) == (
        "drift: response is 'kept' but must be one that is read, as a formula has no time of its own: take a response it comes from."
    )
    assert sentence(lambda: drift(gel, readings, "viscosity")) == (
        "drift: condition is 'left out' but must be one of 25 °C, 40 °C: say which condition."
    )
    zero = readings.assign(viscosity=readings["viscosity"].where(readings.index != 1, 0.0))
    assert sentence(lambda: drift(gel, zero, "viscosity", "25 °C")) == (
        "response 'viscosity', run 1, 4 wk: reading is 0.0 but must be above 0 for its transform: correct the reading, leave the run out "
        "with its reason, or choose another transform."
    )
    d = drift(study, data, "assay")
    assert (
        sentence(lambda: d.predict([-1]))
        == 'predict: times is -1 but must be 0 or later: write "4 wk", or a number of mo.'
    )
    assert sentence(lambda: d.predict([1], run=8)) == (
        "predict: run is 8 but must be a batch with a line: known names are '1', '2', '3'."
    )


def test_the_example_in_the_docstring_is_true():
    (found,) = doctest.DocTestFinder(recurse=False).find(keeping.drift, "drift")
    outcome = doctest.DocTestRunner().run(found)
    assert (outcome.attempted, outcome.failed) == (4, 0)
