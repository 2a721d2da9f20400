"""One response under several storage conditions: batches split over them, each stratum against the analysis of variance by hand."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError
from doe.bench import Records
from doe.designs import Plan

CONDITIONS = ("4 °C", "25 °C", "40 °C")


def cream(**viscosity):
    """Two factors of an invented cream, read at two times under three conditions."""
    own = {"times": ("24 h", "4 wk"), "conditions": CONDITIONS, **viscosity}
    return doe.Study(
        "cream",
        [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm")],
        [doe.Response("viscosity", "Pa·s", **own), doe.Response("pH")],
    )


def stored(seed=1, readings=1, batches=2, between=0.5, within=0.3, repeat=0.1):
    """A 2² plan, each setting made in two batches; what 40 °C takes grows with the polymer."""
    rng = np.random.default_rng(seed)
    rows = []
    corners = [(p, s) for p in (-1, 1) for s in (-1, 1)] * batches
    for run, (p, s) in enumerate(corners, start=1):
        batch = between * rng.standard_normal()
        for time in ("24 h", "4 wk"):
            for c, fall in zip(CONDITIONS, (0.0, 0.4, 1.5), strict=True):
                jar = within * rng.standard_normal()
                for k in range(readings):
                    y = 12 + 3 * p + 0.5 * s - fall * (1 + 0.5 * p) + batch + jar + repeat * rng.standard_normal()
                    rows.append((run, 0.4 + 0.2 * p, 700 + 300 * s, time, c, k + 1, y))
    return pd.DataFrame(rows, columns=["run", "polymer", "speed", "time", "condition", "replicate", "viscosity"])


def sentence(call):
    with pytest.raises(StudyError) as error:
        call()
    return str(error.value)


def explained(X, y):
    """Sum of squares of y in the columns of X, and their rank."""
    U, s, _ = np.linalg.svd(X, full_matrices=False)
    Q = U[:, s > 1e-9 * s[0]]
    return float(((Q.T @ y) ** 2).sum()), Q.shape[1]


def indicators(labels):
    return (np.asarray(labels)[:, None] == np.unique(labels)[None, :]).astype(float)


def by_hand(fit, labels):
    """F, df and denominator df of every term over the mean square of the stratum it lies in, by sums of squares alone.

    Balanced and orthogonal, so that the order of the terms does not matter.
    """
    n, X = fit.n, fit.X
    columns = {t: X[:, fit.model.term_of == i] for i, t in enumerate(fit.model.terms)}

    def inside(columns, space):
        return explained(np.column_stack([space, columns]), fit.y)[1] == explained(space, fit.y)[1]

    out, wide = {}, columns.pop("1")
    for narrow in [*map(indicators, labels), np.eye(n)]:
        own = {t: c for t, c in columns.items() if inside(c, narrow) and not inside(c, wide)}
        (ss_all, rank_all), (ss, rank) = (explained(m, fit.y) for m in (narrow, np.column_stack([wide, *own.values()])))
        den_df = rank_all - rank
        for t in own:
            less, lower = explained(np.column_stack([wide, *(c for u, c in own.items() if u != t)]), fit.y)
            out[t] = ((ss - less) / (rank - lower) / ((ss_all - ss) / den_df), rank - lower, den_df)
        wide = narrow
    return out


@pytest.mark.parametrize("between", [2.0, 0.0])
def test_balanced_batches_are_the_analysis_of_variance(between):
    """Also where batches differ less than their conditions do, so that their variance comes out below 0."""
    data = stored(seed=4, between=between).query("time == '4 wk'")
    fit = doe.fit(cream(), data, "viscosity", ["polymer", "speed"], at=("4 wk", None))
    expected = by_hand(fit, [fit.batches.batch])
    table = fit.anova.set_index("source")
    assert list(expected) == ["polymer", "speed", "condition", "polymer:condition", "speed:condition"]
    for term, (F, df, den_df) in expected.items():
        assert table.loc[term, "F"] == pytest.approx(F, rel=1e-7)
        assert (table.loc[term, "df"], table.loc[term, "den_df"]) == (df, pytest.approx(den_df, rel=1e-6))
    assert (expected["polymer"][2], expected["condition"][2]) == (5, 10)
    assert (fit.inference.theta[1] < 0) == (between == 0.0)
    if between == 0.0:
        assert fit.variance_components["batch"] == 0.0
        assert "The batches differ by no more than the conditions within them would make them" in str(fit)


def whole_plots(seed=2, spread=1.0):
    """Base set once a whole plot, three whole plots at each of two settings, two batches in each, three conditions of a batch."""
    rng = np.random.default_rng(seed)
    rows = []
    for plot in range(6):
        u = spread * rng.standard_normal()
        for i, x in enumerate((-1, 1)):
            b = 0.4 * rng.standard_normal()
            for j, c in enumerate(CONDITIONS):
                y = 10 + u + b + x + j + 0.3 * rng.standard_normal()
                rows.append((2 * plot + i + 1, plot + 1, (-1, 1)[plot % 2], x, c, y))
    study = doe.Study(
        "three strata",
        [doe.Continuous("base", -1, 1, hard_to_change=True), doe.Continuous("x", -1, 1)],
        [doe.Response("y", conditions=CONDITIONS)],
    )
    return study, pd.DataFrame(rows, columns=["run", "whole_plot", "base", "x", "condition", "y"])


def test_three_strata_are_the_analysis_of_variance_of_a_split_split_plot():
    study, data = whole_plots()
    fit = doe.fit(study, data, "y", "interaction", at=(None, None))
    expected = by_hand(fit, [fit.batches.whole_plot, fit.batches.batch])
    table = fit.anova.set_index("source")
    assert {t: d for t, (_, _, d) in expected.items()} == {
        "base": 4,
        "x": 4,
        "base:x": 4,
        "condition": 18,
        "base:condition": 18,
        "x:condition": 18,
    }
    for term, (F, df, den_df) in expected.items():
        assert table.loc[term, "F"] == pytest.approx(F, rel=1e-7)
        assert (table.loc[term, "df"], table.loc[term, "den_df"]) == (df, pytest.approx(den_df, rel=1e-6))
    assert list(fit.variance_components.index) == ["whole plot", "batch", "residual"]
    assert (
        "36 means at 3 conditions in 6 whole plots and 12 batches, residual df: 4 between whole plots, 4 between batches, 18"
        in (fit.heading)
    )
    scatter = fit._component_table().set_index("between")
    assert scatter["judges"].to_dict() == {
        "whole plots": "base",
        "batches": "x, base:x",
        "conditions of one batch": "condition, base:condition, x:condition",
    }
    assert scatter["df"].tolist() == ["4", "4", "18"]


def test_a_batch_a_whole_plot_is_one_stratum():
    study, data = whole_plots()
    data = data.assign(whole_plot=data["run"])
    fit = doe.fit(study, data, "y", ["x", "base"], at=(None, None))
    assert list(fit.variance_components.index) == ["batch", "residual"]


def test_repeat_readings_have_a_variance_of_their_own():
    data = stored(seed=3, readings=2)
    fit = doe.fit(cream(), data, "viscosity", ["polymer", "speed"], at=("4 wk", None))
    v = fit.variance_components
    assert list(v.index) == ["batch", "batch × condition", "residual"]
    own = data[data["time"] == "4 wk"]
    cells = own.groupby(["run", "condition"])["viscosity"]
    within = float(cells.var().mean())
    assert v["residual"] == pytest.approx(within, rel=1e-9)
    means = doe.fit(cream(), cells_of(own), "viscosity", ["polymer", "speed"], at=("4 wk", None))
    assert v["batch × condition"] == pytest.approx(means.variance_components["residual"] - within / 2, rel=1e-6)
    assert v["batch"] == pytest.approx(means.variance_components["batch"], rel=1e-6)
    assert fit.anova["F"].to_numpy()[:5] == pytest.approx(means.anova["F"].to_numpy()[:5], rel=1e-6)
    assert fit.sigma == pytest.approx(means.sigma, rel=1e-6)
    assert "readings of a batch at one condition" in str(fit)
    assert "Readings of one batch at one condition have a variance of their own" in str(fit)
    assert "averaged" not in str(fit)


def cells_of(data):
    keys = ["run", "polymer", "speed", "time", "condition"]
    return data.groupby(keys, as_index=False, sort=False)["viscosity"].mean()


def test_what_is_foretold_at_a_condition():
    """Balanced: the mean at a setting is the model's; a new batch also differs by what batches and conditions differ by."""
    data = stored(between=2.0)
    study = cream()
    fit = doe.fit(study, data, "viscosity", ["polymer", "speed", "polymer:speed"], at=("4 wk", None))
    rows = pd.DataFrame({"polymer": 0.6, "speed": 700.0, "condition": list(CONDITIONS)}, index=["a", "b", "c"])
    mean, new = fit.predict(rows), fit.predict(rows, kind="new batch")
    assert list(mean.index) == ["a", "b", "c"]
    one = doe.fit(study, data, "viscosity", ["polymer", "speed", "polymer:speed"], at=("4 wk", "25 °C"))
    # what a condition's own fit says, less its own interaction of the two factors, which is 0 at this speed
    assert mean.loc["b", "estimate"] == pytest.approx(one.predict(rows.loc[["b"]])["estimate"].iloc[0], rel=1e-9)
    extra = fit.variance_components.sum()
    assert (new["std_error"] ** 2 - mean["std_error"] ** 2).to_numpy() == pytest.approx(extra, rel=1e-9)
    assert sentence(lambda: fit.predict(rows.drop(columns="condition"))) == (
        "the settings: column 'condition' is 'missing' but must be there, one for every factor: add it, or rename the column meant by it "
        "among ['polymer', 'speed']."
    )
    assert sentence(lambda: fit.predict(rows.assign(condition="30 °C"))) == (
        "the settings, row a, column 'condition' is '30 °C' but must be one of 4 °C, 25 °C, 40 °C: did you mean '40 °C' or '4 °C'?"
    )


def test_which_conditions_and_terms():
    data, study = stored(), cream()
    both = doe.fit(study, data, "viscosity", "linear", at=("28 d", ["40 °C", "25 °C"]))
    assert both.conditions == ("25 °C", "40 °C")
    assert both.response.name == "viscosity[4 wk]"
    assert both.model.terms == ("1", "polymer", "speed", "condition", "polymer:condition", "speed:condition")
    assert both.n == 16
    assert "linear by condition in 2 factors" in both.heading
    every = doe.fit(study, data, "viscosity", study.model("linear"), at=("4 wk", None))
    assert every.conditions == CONDITIONS
    assert list(every.batches.runs[:4]) == ["1 at 4 °C", "1 at 25 °C", "1 at 40 °C", "2 at 4 °C"]
    listed = doe.fit(study, data, "viscosity", ["polymer", "condition"], at=("4 wk", None))
    assert listed.model.terms == ("1", "polymer", "condition")
    assert doe.fit(study, data, "viscosity", ["polymer"], at=("4 wk", None)).model.terms == (
        "1",
        "polymer",
        "condition",
        "polymer:condition",
    )
    assert every.reduced(by="p").conditions == CONDITIONS
    assert doe.fit(study, data, "viscosity", "linear", at=("4 wk", "25 °C")).conditions == ()
    # other times are other fits
    assert doe.fit(study, data, "viscosity", "linear", at=("24 h", None)).beta[0] != every.beta[0]


def test_a_column_for_each_condition_is_the_same():
    data, study = stored(), cream()
    wide = data.pivot(index="run", columns=["time", "condition"], values="viscosity")
    wide.columns = [f"viscosity[{t}, {c}]" for t, c in wide.columns]
    wide = wide.reset_index().merge(data.drop_duplicates("run")[["run", "polymer", "speed"]])
    long = doe.fit(study, data, "viscosity", "linear", at=("4 wk", None))
    for table in (wide, wide.drop(columns="run")):
        fit = doe.fit(study, table, "viscosity", "linear", at=("4 wk", None))
        assert fit.coefficients.equals(long.coefficients)


def test_in_a_mixture_the_condition_stands_in_its_products_with_the_blends():
    rng = np.random.default_rng(5)
    study = doe.Study(
        "blend",
        [doe.Component("oil", 10, 30), doe.Component("wax", 2, 6), doe.Component("water", 64, 88)],
        [doe.Response("G", conditions=CONDITIONS)],
        balance="water",
    )
    runs = doe.designs.extreme_vertices(study).runs
    runs = pd.concat([runs, runs], ignore_index=True)
    rows = [
        {"run": i, **row, "condition": c, "G": row["oil"] + j * row["wax"] + rng.standard_normal()}
        for i, row in enumerate(runs.to_dict("records"))
        for j, c in enumerate(CONDITIONS)
    ]
    fit = doe.fit(study, pd.DataFrame(rows), "G", "linear", at=(None, None))
    assert fit.model.terms == ("oil", "wax", "water", "oil:condition", "wax:condition", "water:condition")
    assert fit.model.has_constant
    assert set(fit.drivers().table["factor"]) == {"oil", "wax", "water", "condition"}


def test_a_log_response_is_the_fit_of_its_logarithms():
    data = stored(readings=2)
    data["viscosity"] = np.exp(data["viscosity"] / 10)
    log = doe.fit(cream(transform="log"), data, "viscosity", "linear", at=("4 wk", None))
    plain = doe.fit(cream(), data.assign(viscosity=np.log(data["viscosity"])), "viscosity", "linear", at=("4 wk", None))
    assert log.beta == pytest.approx(plain.beta, rel=1e-9)
    assert log.variance_components.to_numpy() == pytest.approx(plain.variance_components.to_numpy(), rel=1e-6)
    row = data.iloc[[0]]
    assert np.log(log.predict(row)[["estimate", "low", "high"]].to_numpy()) == pytest.approx(
        plain.predict(row)[["estimate", "low", "high"]].to_numpy(), rel=1e-9
    )
    assert "read as a coefficient of variation" in str(log)


def test_limits_of_one_condition_are_not_those_of_another():
    data = stored()
    shared = doe.fit(cream(low=5), data, "viscosity", "linear", at=("4 wk", None))
    assert shared.response.low == 5
    assert "specification" not in str(shared)
    own = doe.fit(
        cream(low={("4 wk", "25 °C"): 5, ("4 wk", "40 °C"): 4}), data, "viscosity", "linear", at=("4 wk", None)
    )
    assert own.response.low is None
    assert (
        "Each condition has its own specification (4 °C: none; 25 °C: at least 5 Pa·s; 40 °C: at least 4 Pa·s), so that this fit carries "
        "none." in str(own)
    )
    # where those asked for agree
    pair = {("4 wk", "25 °C"): 5, ("4 wk", "40 °C"): 5}
    assert doe.fit(cream(low=pair), data, "viscosity", "linear", at=("4 wk", CONDITIONS[1:])).response.low == 5


def test_what_was_not_read_is_listed_and_the_rest_is_used():
    data = stored()
    gone = (data["time"] == "4 wk") & (data["run"] == 3) & (data["condition"] == "40 °C")
    fit = doe.fit(
        cream(),
        data.assign(viscosity=data["viscosity"].mask(gone)),
        "viscosity",
        "linear",
        at=("4 wk", None),
        without={5: "beaker dropped"},
    )
    assert fit.n == 20
    assert fit.unused.to_dict("records") == [
        {"run": 5, "reason": "beaker dropped"},
        {"run": 3, "reason": "no reading of viscosity[4 wk, 40 °C]"},
    ]


def test_records_and_a_run_made_again():
    study = cream(times=(), conditions=("25 °C", "40 °C"))
    plan = Plan.from_frame(
        study, pd.DataFrame({"polymer": [0.2, 0.6, 0.2, 0.6], "speed": [400.0, 400.0, 1000.0, 1000.0]})
    )
    rng = np.random.default_rng(1)
    rows = [
        {
            "run": run,
            "order": order,
            "viscosity[25 °C]": 10 + run + rng.standard_normal(),
            "viscosity[40 °C]": 9 + run + rng.standard_normal(),
            "same batch read again, or made again?": again,
        }
        for order, (run, again) in enumerate([(3, None), (1, None), (2, None), (4, None), (1, "made again")], start=1)
    ]
    records = Records.from_frame(pd.DataFrame(rows), plan)
    fit = doe.fit(study, records, "viscosity", ["polymer"], at=(None, None))
    assert "2 conditions in 5 batches" in fit.heading
    assert {"1, batch 1 at 25 °C", "1, batch 1 made again at 40 °C", "4 at 40 °C"} <= set(fit.runs)


def test_the_order_of_making_is_known_of_every_batch():
    data = stored()
    study = cream()
    plan = Plan(study, data.drop_duplicates("run").set_index("run")[["polymer", "speed"]])
    rows = data.assign(response="viscosity", value=data["viscosity"], batch=data["run"], cell="")

    class Ordered:
        def __init__(self, order):
            self.plan, self.data, self.failed, self.order = plan, rows, (), order

    made = doe.fit(study, Ordered({run: 9 - run for run in range(1, 9)}), "viscosity", "linear", at=("4 wk", None))
    assert made.order["1 at 40 °C"] == 8
    drift = made.patterns().table.set_index("asks").loc["Do readings drift?"]
    assert np.isfinite(drift["p"])


def test_settings_as_made_are_taken_for_all_conditions_of_a_batch():
    data = stored()
    study = cream()
    plan = Plan(study, data.drop_duplicates("run").set_index("run")[["polymer", "speed"]])

    class Made:
        def __init__(self):
            self.plan, self.failed = plan, ()
            self.data = data.assign(response="viscosity", value=data["viscosity"], batch=data["run"], cell="")
            self.as_made = plan.runs[["polymer"]] + np.linspace(-0.01, 0.01, 8)[:, None]

    made, planned = (doe.fit(study, Made(), "viscosity", "linear", at=("4 wk", None), as_made=a) for a in (None, False))
    assert made.as_made
    assert not planned.as_made
    assert made.batches.settings["polymer"].tolist()[:4] == pytest.approx([0.19, 0.19, 0.19, 0.2 - 0.01 + 0.02 / 7])
    assert made.beta[1] != planned.beta[1]
    # strata and repeated settings are told by the plan
    assert made.anova["den_df"].to_numpy()[:2] == pytest.approx([5, 5], abs=0.2)
    assert made.batches.setting.tolist() == planned.batches.setting.tolist()


def test_blocks_are_as_asked():
    data = stored(batches=4)
    data["block"] = (data["run"] - 1) // 4
    fits = {
        b: doe.fit(cream(), data, "viscosity", "linear", at=("4 wk", None), blocks=b) for b in ("fixed", "random", None)
    }
    assert fits[None].heading == fits["random"].heading
    assert list(fits["random"].variance_components.index) == ["block", "batch", "residual"]
    assert list(fits["fixed"].variance_components.index) == ["batch", "residual"]
    assert "4 fixed blocks" in fits["fixed"].heading
    assert (
        sentence(
            lambda: doe.fit(
                cream(), data.assign(block=data["run"]), "viscosity", "linear", at=("4 wk", None), blocks="fixed"
            )
        )
        == "blocks is 'fixed' but must be left out where batches share no blocks: add a column 'block' that several batches share."
    )


def test_the_page_and_the_shares():
    fit = doe.fit(cream(), stored(), "viscosity", "linear", at=("4 wk", None))
    text = str(fit)
    assert text.startswith(
        "viscosity[4 wk] (Pa·s), linear by condition in 2 factors, REML; 24 means at 3 conditions in 8 batches, residual df: 5 between "
        "batches, 10 within batches"
    )
    assert "σ between conditions of one batch" in text
    assert "REML, since each batch was read under several conditions" in text
    assert "any two of them within a batch to be equally alike" in text
    assert "condition" in fit.drivers().table["factor"].tolist()
    assert "readings of one batch under different conditions, beyond what the model says, differ by" in str(
        fit.drivers()
    )


@pytest.mark.parametrize(
    ("at", "said"),
    [
        (
            (["24 h", "4 wk"], None),
            "fit: at, time is ['24 h', '4 wk'] but must be one of 24 h, 4 wk: say which: what changes over several times is followed by "
            "doe.fits.drift.",
        ),
        (
            (None, None),
            "fit: at, time is 'left out' but must be one of 24 h, 4 wk: say which: what changes over several times is followed by "
            "doe.fits.drift.",
        ),
        (
            ("4 wk", ["25 °C"]),
            "fit: at, conditions is ['25 °C'] but must be two conditions or more: write one condition as a text, or None for all of them.",
        ),
        (
            ("4 wk", ["25 °C", "25 °C"]),
            "fit: at, conditions is '25 °C' but must be there once: leave it out the second time.",
        ),
        (
            ("4 wk", ["25 °C", "45 °C"]),
            "response 'viscosity': condition is '45 °C' but must be one of 4 °C, 25 °C, 40 °C: did you mean '4 °C' or '40 °C'?",
        ),
    ],
)
def test_occasions_that_cannot_be_fitted_together(at, said):
    assert sentence(lambda: doe.fit(cream(), stored(), "viscosity", "linear", at=at)) == said


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (
            {"method": "least squares"},
            "method is 'least squares' but must be left out or \"reml\" where conditions are fitted together: fit one condition at a time, or "
            "all with doe.fit_all.",
        ),
        (
            {"variance_ratio": 1.0},
            "variance_ratio is 1.0 but must be left out where conditions are fitted together, whose variances are all estimated: leave it out.",
        ),
    ],
)
def test_options_that_do_not_go_with_it(options, said):
    assert sentence(lambda: doe.fit(cream(), stored(), "viscosity", "linear", at=("4 wk", None), **options)) == said
    assert doe.fit(cream(), stored(), "viscosity", "linear", at=("4 wk", None), method="reml").conditions == CONDITIONS


def test_data_that_cannot_be_fitted_together():
    study, data = cream(), stored()

    def said(table, model="linear", s=study):
        return sentence(lambda: doe.fit(s, table, "viscosity", model, at=("4 wk", None)))

    assert said(data.drop(columns="run")) == (
        "the data: column 'run' is 'missing' but must be there, so that the readings of one batch under several conditions are known to be of "
        "one batch: add it, or give each condition a column of its own."
    )
    other = (data["run"] == 2) & (data["condition"] == "40 °C")
    assert said(data.assign(speed=data["speed"].mask(other, 500.0))) == (
        "the data, run 2: speed is [1000.0, 500.0] but must be the same in the readings of a batch under all conditions: correct it, or give "
        "batches that were made anew a batch label of their own."
    )
    assert said(data.assign(whole_plot=np.where(other, 1, 2))) == (
        "the data, run 2: whole_plot is [2, 1] but must be the same in the readings of a batch under all conditions: correct it, or give "
        "batches that were made anew a batch label of their own."
    )
    late = data["condition"] == "40 °C"
    assert said(data.assign(viscosity=data["viscosity"].mask(late))) == (
        "fit: at, condition is '40 °C' but must be one with a reading of 'viscosity': name those that have: at=(time, [conditions])."
    )
    bound = data["viscosity"].astype(object)
    bound[4] = "<50"
    assert said(data.assign(viscosity=bound)) == (
        "response 'viscosity', run 1 at 25 °C: reading is 'known only by bounds' but must be exact where conditions are fitted together: read it "
        "again, leave the run out with its reason, or fit one condition at a time."
    )
    apart = [CONDITIONS[run % 3] for run in data["run"]]
    assert said(data[data["condition"] == apart]) == (
        "fit: conditions of 'viscosity' that a batch was read under is 1 but must be two or more in some batches: with every batch at one "
        "condition make the condition a factor of the study."
    )
    assert said(data[data["run"] < 5], "interaction") == (
        "model for 'viscosity[4 wk]': number of batches is 4 but must be larger, since 4 leave nothing to judge the differences between batches "
        "by, so that terms polymer, speed and polymer:speed cannot be tested: drop one of them, or make more batches."
    )
    scored = data.assign(viscosity=data["viscosity"].rank(pct=True).mul(4).round().clip(1, 5))
    assert said(scored, s=cream(scale=(1, 5))) == (
        "fit: at, conditions of 'viscosity' is 'several' but must be one for a score, which has no mixed model here: fit one condition at a "
        "time, or all with doe.fit_all."
    )
    strata, trial = whole_plots()
    assert sentence(lambda: doe.fit(strata, trial.drop(columns="whole_plot"), "y", "linear", at=(None, None))) == (
        "the data: column 'whole_plot' is 'missing' but must be there, where a factor is hard to change (base) and conditions are fitted together: "
        "add it; a batch that was set up anew is a whole plot of its own."
    )


def test_a_window_and_fits_side_by_side_take_one_occasion_each(tmp_path):
    study, data = cream(low=5), stored()
    fit = doe.fit(study, data, "viscosity", "linear", at=("4 wk", None))
    tail = (
        "fit of 'viscosity[4 wk]' is 'over 4 °C, 25 °C, 40 °C together' but must be of one occasion, since specifications are met or missed at "
        "each by itself: fit all occasions one by one with doe.fit_all."
    )
    assert sentence(lambda: doe.find_window(fit)) == f"find_window: {tail}"
    assert sentence(lambda: doe.fits.Fits(study, {"viscosity[4 wk]": fit})) == f"fits: {tail}"
    plan = Plan(study, data.drop_duplicates("run").set_index("run")[["polymer", "speed"]])
    assert (
        sentence(lambda: doe.write_report(tmp_path / "page.html", study, plan, None, fit, None))
        == f"write_report: {tail}"
    )


def test_no_study_file_has_a_storage_condition(tmp_path):
    fit = doe.fit(cream(), stored(), "viscosity", "linear", at=("4 wk", None))
    assert fit.study.fingerprint != cream().fingerprint
    path = fit.study.save(tmp_path / "study.json")
    assert "kind is 'storage condition' but must be one of continuous" in sentence(lambda: doe.Study.load(path))
