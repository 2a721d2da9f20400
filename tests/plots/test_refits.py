"""The robust refit and the sources of the scatter: what is drawn is what the results say."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import doe
from doe import StudyError, plots

from .conftest import gel_trial
from .pictures import by_gid, outside, overlaps, said


@pytest.fixture(scope="module")
def pulled():
    """The invented gel with one viscosity typed nearly twice as high."""
    plan, table = gel_trial()
    table.loc[4, "viscosity"] *= 1.8
    return doe.fit(plan.study, table, "viscosity", "quadratic")


def split_plot(eta=1.0, response=None):
    """Invented: eight base gels of three beakers."""
    study = doe.Study(
        "split",
        [doe.Continuous("oven", -1, 1, hard_to_change=True), doe.Continuous("b", -1, 1)],
        [doe.Response("hardness of the gel", "N") if response is None else response],
    )
    rows = [(w, o, b) for w, o in enumerate(np.resize([-1, 1, 0], 9)) for b in (-1, 0, 1)]
    data = pd.DataFrame(rows, columns=["whole_plot", "oven", "b"])
    rng = np.random.default_rng(1)
    y = data["oven"] + eta * rng.normal(size=9)[data["whole_plot"]] + rng.normal(size=len(data))
    return study, data, y


# ---- the robust refit


def test_coefficients_are_drawn_from_the_least_squares_estimate(pulled):
    result = pulled.robust()
    figure = plots.robust_refit(result)
    t = result.table
    np.testing.assert_allclose(by_gid(figure, "robust")[0].get_xdata(), t["moved"])
    np.testing.assert_allclose(by_gid(figure, "least squares")[0].get_xdata(), 0.0)
    for gid, low, high in (("least squares", "low", "high"), ("robust", "robust_low", "robust_high")):
        ends = np.array([s[:, 0] for s in by_gid(figure, f"{gid} interval")[0].get_segments()])
        np.testing.assert_allclose(
            ends, t[[low, high]].sub(t["estimate"], axis=0).div(t["std_error"], axis=0).to_numpy(dtype=float)
        )
    names = [text.get_text() for text in figure.axes[0].get_yticklabels()]
    assert names[0] == "intercept"
    assert names[1:] == [str(v) for v in t["term"][1:]]
    nought = np.array([s[0, 0] for s in by_gid(figure, "nought")[0].get_segments()])
    own = (-t["estimate"] / t["std_error"]).to_numpy(dtype=float)
    np.testing.assert_allclose(nought, own[np.abs(own) <= figure.axes[0].get_xlim()[1]])
    # a value with the digits of its error: neutralisation moved most of the linear terms
    assert "0.178 → 0.221" in said(figure)


def test_the_batch_that_counts_least_is_named(pulled):
    result = pulled.robust()
    figure = plots.robust_refit(result)
    points = by_gid(figure, "batches")[0].get_offsets()
    np.testing.assert_allclose(points[:, 1], result.weights)
    named = {text.get_text() for text in by_gid(figure, "run")}
    light = result.weights.nsmallest(3)
    assert named == {f"run {r}" for r in result.weights[result.weights < 1 - 1e-6].nsmallest(5).index}
    assert f"Run {light.index[0]} counts least, with weight {light.iloc[0]:.2f}" in plots.words(figure)
    assert result.verdict() in plots.words(figure)


def test_batches_that_all_pull_alike():
    # two close groups: no residual far from the rest
    study = doe.Study("pair", [doe.Continuous("a", -1, 1)], [doe.Response("y")])
    data = pd.DataFrame({"a": [-1.0, -1.0, 1.0, 1.0], "y": [1.0, 1.2, 3.0, 3.2]})
    figure = plots.robust_refit(doe.fit(study, data, "y", "linear").robust())
    assert "All batches pull with weight 1." in plots.words(figure)
    assert not by_gid(figure, "run")


def test_terms_chosen_are_said_beside_the_robust_fit(pulled):
    fit = pulled.reduced()
    (sentence,) = fit._selected
    assert sentence in plots.words(plots.robust_refit(fit.robust()))


@pytest.mark.parametrize("which", ["chemical", "gel", "flare", "kinds"])
def test_nothing_overlaps_or_is_cut_off(request, which):
    found = request.getfixturevalue(which)
    result = {
        "chemical": lambda: found["yield"],
        "gel": lambda: found["pH"],
        "flare": lambda: found[0].refitted(found[0].study.model("linear")),
        "kinds": lambda: found,
    }[which]().robust()
    for figure in (plots.robust_refit(result), plots.robust_refit(result, figure=plots.look.picture(9, 10))):
        assert not overlaps(figure)
        assert not outside(figure)


# ---- the sources of the scatter


def test_sources_and_intervals_are_those_of_the_fit():
    study, data, y = split_plot()
    fit = doe.fit(study, data.assign(**{"hardness of the gel": y}), "hardness of the gel", "linear")
    ax = plots.variance_components(fit)
    table = fit.component_intervals
    np.testing.assert_allclose(by_gid(ax, "sd")[0].get_xdata(), np.sqrt(fit.variance_components))
    np.testing.assert_allclose(by_gid(ax, "sd")[0].get_xdata(), table["sd"])
    ends = np.array([s[:, 0] for s in by_gid(ax, "interval")[0].get_segments()])
    np.testing.assert_allclose(ends, table[["low", "high"]])
    assert [t.get_text() for t in ax.get_yticklabels()] == ["whole plots", "batches"]
    assert [t.get_text() for t in by_gid(ax, "number")] == [f"{v:.3g}" for v in table["sd"]]
    assert ax.get_xlabel() == "standard deviation of hardness of the gel (N)"
    first = table.loc[table["sd"].idxmax()]
    share = first["sd"] ** 2 / (table["sd"] ** 2).sum()
    assert f"{first['sd']:.3g}, {100 * share:.0f} % of the variance." in plots.words(ax)
    assert not overlaps(ax)
    assert not outside(ax)


def test_a_variance_below_0_has_no_interval_and_one_hardly_known_leaves_the_picture():
    study, data, y = split_plot(eta=0.0)
    centred = y - 0.8 * y.groupby(data["whole_plot"]).transform("mean")
    fit = doe.fit(study, data.assign(**{"hardness of the gel": centred}), "hardness of the gel", "linear")
    ax = plots.variance_components(fit)
    assert len(by_gid(ax, "interval")[0].get_segments()) == 1
    assert "No interval for whole plots: its variance came out below 0 and stands as 0." in plots.words(ax)
    study, data, y = split_plot(eta=0.3)
    fit = doe.fit(study, data.assign(**{"hardness of the gel": y}), "hardness of the gel", "linear")
    table = fit.component_intervals
    assert (table["high"] > 3 * table["sd"].max()).any()
    ax = plots.variance_components(fit)
    assert ax.get_xlim()[1] <= 1.1 * 3 * table["sd"].max()
    assert "hardly anything is known of it" in plots.words(ax)


def test_scores_have_a_posterior_of_their_scatter():
    study, data, y = split_plot(2.0, doe.Response("look", scale=(1, 5)))
    fit = doe.fit(
        study, data.assign(look=1 + (y.to_numpy()[:, None] > [-2, -0.5, 0.5, 2]).sum(axis=1)), "look", "linear"
    )
    ax = plots.variance_components(fit)
    np.testing.assert_allclose(by_gid(ax, "sd")[0].get_xdata(), fit.component_intervals["sd"])
    assert "posterior medians; lines: 95 % credible intervals" in plots.words(ax)
    assert ax.get_xlabel() == "standard deviation of the logit of a higher score of look"


def test_the_residual_alone_has_its_chi_squared_interval(gel):
    fit = gel["pH"]
    ax = plots.variance_components(fit)
    assert by_gid(ax, "sd")[0].get_xdata().tolist() == [fit.sigma]
    (bar,) = by_gid(ax, "interval")[0].get_segments()
    expected = fit.sigma * np.sqrt(fit.df_residual / stats.chi2.ppf([0.975, 0.025], fit.df_residual))
    np.testing.assert_allclose(bar[:, 0], expected)
    assert [t.get_text() for t in ax.get_yticklabels()] == ["batches"]


def test_an_assumed_ratio_is_said():
    study, data, y = split_plot(response=doe.Response("y", transform="log"))
    data["y"] = np.exp(0.1 * y)
    fit = doe.fit(study, data, "y", "linear", method="gls", variance_ratio=1.0)
    ax = plots.variance_components(fit)
    assert len(by_gid(ax, "interval")[0].get_segments()) == 1
    assert "No interval for whole plots: it was assumed as a multiple" in plots.words(ax)
    assert "On a logarithm: 0.1 is about 10 % of the value." in plots.words(ax)


def test_refusals(gel):
    def sentence(call):
        with pytest.raises(StudyError) as caught:
            call()
        return str(caught.value)

    assert sentence(lambda: plots.robust_refit(gel["pH"])) == (
        "plots.robust_refit: robust is 'Fit' but must be what a fit's robust() gives: give fits['viscosity'].robust()."
    )
    study = doe.Study("s", [doe.Continuous("a", 0, 1)], [doe.Response("y", scale=(1, 5))])
    data = pd.DataFrame({"a": [0, 0.25, 0.5, 0.75, 1, 0, 1], "y": [1, 2, 3, 4, 5, 2, 4]})
    scores = doe.fit(study, data, "y", "linear")
    assert sentence(lambda: plots.variance_components(scores)) == (
        "plots.variance_components: fit is 'without a standard deviation' but must be one with residual degrees of freedom, or of scores that "
        "share batches: make more batches, or choose a smaller model."
    )
    assert sentence(lambda: plots.variance_components(gel)) == (
        "plots.variance_components: fit is 'Fits' but must be a Fit: give one of doe.fit_all's: fits['viscosity']."
    )


def test_conditions_fitted_together_have_their_strata():
    study = doe.Study(
        "kept (invented)",
        [doe.Continuous("polymer", 0.2, 0.6, "%")],
        [doe.Response("viscosity", "mPa·s", transform="log", conditions=("25 °C", "40 °C"))],
    )
    rng, rows = np.random.default_rng(4), []
    for run in range(1, 9):
        batch = 0.1 * rng.standard_normal()
        for condition in ("25 °C", "40 °C"):
            for _ in range(2):
                noise = batch + 0.03 * rng.standard_normal()
                rows.append(
                    {
                        "run": run,
                        "polymer": 0.2 + 0.4 * (run % 2),
                        "condition": condition,
                        "viscosity": 9000 * np.exp(noise),
                    }
                )
    fit = doe.fit(study, pd.DataFrame(rows), "viscosity", "linear", at=(None, None))
    ax = plots.variance_components(fit)
    assert [t.get_text() for t in ax.get_yticklabels()] == [
        "batches",
        "conditions of one batch",
        "readings of a batch at one condition",
    ]
