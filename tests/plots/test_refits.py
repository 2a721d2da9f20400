"""Pictures of the robust refit and of the variances behind the scatter."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import doe
from doe import plots


@pytest.fixture(scope="module")
def trial():
    """Invented: two factors, one batch far off."""
    study = doe.Study("t (invented)", [doe.Continuous(n, 0, 1) for n in "ab"], [doe.Response("y", "mN")])
    plan = doe.designs.central_composite(study, axial="face", centre=4)
    a, b = plan.coded.to_numpy(dtype=float).T
    y = 10 + 2 * a - b + 0.1 * np.random.default_rng(3).standard_normal(len(a))
    y[2] += 3.0
    return doe.fit(study, plan.runs.assign(y=y).reset_index(), "y", "interaction")


def points(ax, gid):
    (line,) = [line for line in ax.lines if line.get_gid() == gid]
    return line.get_xdata()


def test_both_estimates_stand_beside_each_other(trial):
    robust = trial.robust()
    ax = plots.robust_refit(robust)
    table = robust.table[robust.table["term"] != "1"]
    table = table.loc[table["estimate"].abs().sort_values(ascending=False).index]
    np.testing.assert_allclose(points(ax, "least squares"), table["estimate"])
    np.testing.assert_allclose(points(ax, "robust"), table["robust"])
    assert [t.get_text() for t in ax.get_yticklabels()] == table["term"].tolist()
    bars = next(c for c in ax.collections if c.get_gid() == "robust interval").get_segments()
    np.testing.assert_allclose([s[0][0] for s in bars], table["robust_low"])
    half = stats.t.ppf(0.975, trial.df_residual) * table["robust_error"]
    np.testing.assert_allclose(table["robust_high"] - table["robust"], half)
    assert "Least weight: run 3" in plots.words(ax)
    assert robust.verdict() in plots.words(ax)


def test_the_residual_alone_has_its_chi_squared_interval(trial):
    ax = plots.variance_components(trial)
    assert points(ax, "sd").tolist() == [trial.sigma]
    df = trial.df_residual
    (bar,) = next(c for c in ax.collections if c.get_gid() == "interval").get_segments()
    expected = trial.sigma * np.sqrt(df / stats.chi2.ppf([0.975, 0.025], df))
    np.testing.assert_allclose([bar[0][0], bar[1][0]], expected)
    assert ax.get_xlabel() == "standard deviation on the scale of y (mN)"


def test_whole_plots_and_beakers():
    bench = doe.virtual.AfterSunGel(hard_to_change=True)
    plan = doe.designs.optimal(bench.study, "linear", runs=18, whole_plots=6, starts=1, seed=1)
    fit = doe.fit(bench.study, bench.make(plan, seed=9), "viscosity", "linear")
    ax = plots.variance_components(fit)
    assert [t.get_text() for t in ax.get_yticklabels()] == ["whole plot", "residual"]
    np.testing.assert_allclose(points(ax, "sd"), np.sqrt(fit.variance_components))
    own = fit.component_intervals.set_index("source")
    assert (
        own.at["whole plot", "high"] / own.at["whole plot", "sd"]
        > own.at["residual", "high"] / own.at["residual", "sd"]
    )
    assert "coefficient of variation" in plots.words(ax)


def test_what_cannot_be_drawn(trial, sentence_of):
    assert sentence_of(lambda: plots.robust_refit(trial)).endswith("give fits['viscosity'].robust().")
    assert "variance_components" in sentence_of(lambda: plots.variance_components("fit"))
    study = doe.Study("s", [doe.Continuous("a", 0, 1)], [doe.Response("y", scale=(1, 5))])
    scores = doe.fit(
        study, pd.DataFrame({"a": [0, 0.25, 0.5, 0.75, 1, 0, 1], "y": [1, 2, 3, 4, 5, 2, 4]}), "y", "linear"
    )
    assert "without a standard deviation" in sentence_of(lambda: plots.variance_components(scores))


def test_scores_in_whole_plots_have_a_credible_interval_and_an_assumed_ratio_has_none():
    rng = np.random.default_rng(5)
    study = doe.Study(
        "s",
        [doe.Continuous("t", 0, 1, hard_to_change=True), doe.Continuous("a", 0, 1)],
        [doe.Response("y", scale=(1, 5))],
    )
    table = pd.DataFrame([{"whole_plot": w, "t": w % 2, "a": k / 3} for w in range(8) for k in range(4)])
    shift = rng.standard_normal(8)[table["whole_plot"]]
    table["y"] = np.clip(np.round(3 + 1.5 * (table["a"] - 0.5) + shift + 0.5 * rng.standard_normal(32)), 1, 5)
    scores = doe.fit(study, table, "y", "linear")
    own = scores.component_intervals
    assert own["source"].tolist() == ["whole plot"]
    assert own["low"].iloc[0] < own["sd"].iloc[0] < own["high"].iloc[0]
    assert "logit" in plots.variance_components(scores).get_xlabel()
    measured = doe.Study("m", study.factors, [doe.Response("y")])
    table["y"] = 3 + table["a"] + shift + 0.2 * rng.standard_normal(32)
    assumed = doe.fit(measured, table, "y", "linear", variance_ratio=2.0)
    known = assumed.component_intervals.set_index("source")
    assert np.isnan(known.at["whole plot", "low"])
    assert known.at["residual", "low"] < known.at["residual", "sd"]
    assert "Without a line: nothing says" in plots.words(plots.variance_components(assumed))
