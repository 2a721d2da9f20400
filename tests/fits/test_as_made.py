"""Settings as made: what enters the fit, what stays with the plan, and what the window adds."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

import doe
from doe import StudyError
from doe.designs import Plan


def sentence(call):
    with pytest.raises(StudyError) as error:
        call()
    return str(error.value)


class Made:
    """Records that carry settings as made."""

    def __init__(self, study, data, response, made, whole_plot=None):
        runs = data["run"]
        self.plan = Plan(study, data.set_index("run")[study.names], whole_plot=whole_plot)
        rows = [(int(r), int(r), 1, response, v, "") for r, v in zip(runs, data[response], strict=True)]
        self.data = pd.DataFrame(rows, columns=["run", "batch", "replicate", "response", "value", "cell"])
        self.as_made, self.failed, self.problems = made, (), ()


@pytest.fixture
def study():
    return doe.Study(
        "gel",
        [
            doe.Continuous("polymer", 0.2, 0.6, "%", setting_sd=0.01),
            doe.Continuous("neutralisation", 50, 90, "%", setting_sd=1.0),
            doe.Continuous("speed", 400, 1000, "rpm"),
        ],
        [doe.Response("viscosity", "mPa·s", low=9000, high=14000)],
    )


@pytest.fixture
def made(gel_data):
    rng = np.random.default_rng(8)
    out = gel_data.set_index("run")[["polymer", "neutralisation", "speed"]].copy()
    out["polymer"] += np.round(0.01 * rng.standard_normal(15), 3)
    out["neutralisation"] += np.round(rng.standard_normal(15), 1)
    return out


def test_made_settings_enter_the_fit_where_records_carry_them(study, gel_data, made):
    records = Made(study, gel_data, "viscosity", made)
    fit, planned = doe.fit(study, records, "viscosity"), doe.fit(study, records, "viscosity", as_made=False)
    assert fit.as_made
    assert not planned.as_made
    assert doe.fit(study, records, "viscosity", as_made=True).beta.tolist() == fit.beta.tolist()
    assert planned.beta.tolist() == doe.fit(study, gel_data, "viscosity").beta.tolist()
    data = made.reset_index().assign(viscosity=gel_data["viscosity"])
    coded = data.assign(
        p=(data["polymer"] - 0.4) / 0.2, n=(data["neutralisation"] - 70) / 20, s=(data["speed"] - 700) / 300
    )
    reference = smf.ols("viscosity ~ p + n + s + p:n + p:s + n:s + I(p**2) + I(n**2) + I(s**2)", coded).fit()
    np.testing.assert_allclose(fit.beta, reference.params, rtol=1e-9)
    assert "least squares, settings as made; 15 runs" in fit.heading
    assert "as made" not in planned.heading


def test_leverage_is_shown_as_planned_and_as_made(study, gel_data, made):
    fit = doe.fit(study, Made(study, gel_data, "viscosity", made), "viscosity")
    planned = doe.fit(study, gel_data, "viscosity")
    table = fit.diagnostics()
    np.testing.assert_allclose(table["leverage_planned"], planned.diagnostics()["leverage"], rtol=1e-10)
    assert np.abs(table["leverage"] - table["leverage_planned"]).max() > 0.005
    assert table.note.endswith("leverage is of the settings as made, leverage_planned of those planned.")
    assert "leverage_planned" not in planned.diagnostics().columns


def test_repeats_are_told_by_the_plan(study, gel_data, made):
    fit = doe.fit(study, Made(study, gel_data, "viscosity", made), "viscosity", "linear")
    assert len(set(fit.batches.setting[12:].tolist())) == 1
    # the model augmented by one indicator a planned setting: as made, what the settings differ by is adjusted for
    data = made.reset_index().assign(viscosity=gel_data["viscosity"], setting=[str(min(i, 12)) for i in range(15)])
    full = smf.ols("viscosity ~ C(setting) + polymer + neutralisation", data).fit()
    rank = np.linalg.matrix_rank(full.model.exog)
    table = fit.anova.set_index("source")
    assert 15 - rank == 0
    assert "pure error" not in table.index
    only = made.assign(neutralisation=gel_data.set_index("run")["neutralisation"])
    one = doe.fit(study, Made(study, gel_data, "viscosity", only), "viscosity", "linear").anova.set_index("source")
    full = smf.ols("viscosity ~ C(setting) + polymer", data).fit()
    assert one.loc["pure error", "df"] == full.df_resid == 1
    assert one.loc["pure error", "ss"] == pytest.approx(full.ssr, rel=1e-8)


def test_whole_plots_are_checked_by_the_plan(gel_data):
    study = doe.Study(
        "bath",
        [doe.Continuous("bath", 40, 80, "°C", hard_to_change=True), doe.Continuous("speed", 400, 1000)],
        [doe.Response("y")],
    )
    rng = np.random.default_rng(2)
    data = pd.DataFrame({"run": range(1, 17), "bath": np.repeat([40.0, 80.0], 8), "speed": [400.0, 1000.0] * 8})
    plots = pd.Series(np.repeat([1, 2, 3, 4], 4), index=pd.Index(data["run"], name="run"))
    data["y"] = (
        data["bath"] / 10 + data["speed"] / 500 + np.repeat(rng.standard_normal(4), 4) + 0.2 * rng.standard_normal(16)
    )
    made = data.set_index("run")[["bath", "speed"]] + 0.0
    made["bath"] += np.round(0.4 * rng.standard_normal(16), 1)
    fit = doe.fit(study, Made(study, data, "y", made, plots), "y", "linear")
    assert fit.method == "reml"
    assert fit.as_made
    assert fit._column_strata == ["whole plot", "whole plot", "batch"]
    assert "settings as made" in fit.heading


def test_runs_without_made_settings_keep_the_planned_ones(study, gel_data, made):
    some = made.loc[[1, 2, 3]].astype(object)
    some.loc[2, "polymer"] = np.nan
    b = doe.fit(study, Made(study, gel_data, "viscosity", some), "viscosity").batches
    assert b.settings["polymer"].tolist() == [
        made.at[1, "polymer"],
        0.2,
        made.at[3, "polymer"],
        *gel_data["polymer"][3:],
    ]
    assert b.planned["polymer"].tolist() == gel_data["polymer"].tolist()


def test_amounts_that_miss_the_total_become_shares():
    study = doe.Study("blend", [doe.Component("a", 20, 60), doe.Component("b", 40, 80)], [doe.Response("y")])
    data = pd.DataFrame({"run": [1, 2, 3, 4], "a": [20.0, 60, 40, 30], "b": [80.0, 40, 60, 70], "y": [1.0, 5, 3.1, 2]})
    made = data.set_index("run")[["a", "b"]].copy()
    made.loc[2] = [58.0, 40.0]
    fit = doe.fit(study, Made(study, data, "y", made), "y", "linear")
    assert fit.batches.settings.loc[1].tolist() == pytest.approx([58 / 0.98, 40 / 0.98])
    assert "Amounts as made that miss the mixture total are taken as shares of what they add up to." in str(fit)
    assert "Amounts as made" not in str(doe.fit(study, Made(study, data, "y", made.loc[[1]]), "y", "linear"))


def test_as_made_refusals(study, gel_data, made):
    for data in (gel_data, Made(study, gel_data, "viscosity", None)):
        assert sentence(lambda data=data: doe.fit(study, data, "viscosity", as_made=True)) == (
            "as_made is True but must be backed by records that carry settings as made: leave it out, or enter what was weighed and set "
            "into the sheet."
        )
    assert sentence(lambda: doe.fit(study, gel_data, "viscosity", as_made="yes")) == (
        "as_made is 'yes' but must be True, False or None: leave it out to take made settings where recorded."
    )


def test_the_window_adds_setting_error_only_where_fits_are_as_made(study, gel_data, made):
    records = Made(study, gel_data, "viscosity", made)
    points = pd.DataFrame({"polymer": [0.35, 0.45], "neutralisation": [70, 60], "speed": [700, 500]})

    def chances(fit, **kwargs):
        return doe.find_window(fit, draws=500, **kwargs).probability(points)["probability"].tolist()

    fit = doe.fit(study, records, "viscosity")
    assert chances(fit) == chances(fit, jitter=True) != chances(fit, jitter=False)
    planned = doe.fit(study, records, "viscosity", as_made=False)
    assert chances(planned) == chances(planned, jitter=False) != chances(planned, jitter=True)
