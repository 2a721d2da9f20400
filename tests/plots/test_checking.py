"""Residual pictures: the diagnostics of the fit, the limits it uses, the runs it flags."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import doe
from doe import StudyError, plots
from doe.plots.checking import envelope

from .pictures import by_gid, outside, overlaps, said


def marks(ax):
    (found,) = [c for c in ax.collections if c.get_gid() == "batches"]
    return np.asarray(found.get_offsets())


def test_panels_show_the_diagnostics(gel):
    fit = gel["viscosity"]
    table = fit.diagnostics()
    panels = plots.residuals(fit).axes
    assert marks(panels[0]) == pytest.approx(table[["fitted", "studentised"]].to_numpy())
    assert marks(panels[1])[:, 1] == pytest.approx(table["studentised"].to_numpy())
    assert np.sort(marks(panels[2])[:, 1]) == pytest.approx(np.sort(table["studentised"].to_numpy()))
    assert marks(panels[3]) == pytest.approx(np.column_stack([np.exp(table["fitted"]), fit.batches.values]))
    assert marks(panels[4])[:, 1] == pytest.approx(table["leverage"].to_numpy())
    assert marks(panels[5])[:, 1] == pytest.approx(table["cooks_distance"].to_numpy())


def test_axes_say_what_they_are(gel):
    panels = plots.residuals(gel["viscosity"]).axes
    assert [ax.get_xlabel().replace("\n", " ") for ax in panels] == [
        "fitted ln viscosity",
        "run number (order of making not given)",
        "normal quantile",
        "predicted viscosity (mPa·s)",
        "run",
        "run",
    ]
    assert [ax.get_ylabel().replace("\n", " ") for ax in panels] == [
        *["studentised residual"] * 3,
        "observed viscosity (mPa·s)",
        "leverage",
        "Cook's distance",
    ]


def test_the_limit_is_that_of_all_runs_together(kinds):
    """Bonferroni: t at 0.05 / (2 n) with df − 1 (Cook & Weisberg 1982, section 2.2.2)."""
    panels = plots.residuals(kinds).axes
    limit = stats.t.isf(0.05 / (2 * 54), kinds.df_residual - 1)
    drawn = [line.get_ydata()[0] for line in panels[0].get_lines() if line.get_gid() == "limit"]
    assert drawn == pytest.approx([-limit, limit])


def test_a_batch_out_of_line_is_named(kinds):
    figure = plots.residuals(kinds)
    assert list(kinds.diagnostics().query("flags == 'outlier'")["run"]) == [6]
    assert sum(t.get_text() == "run 6" for t in by_gid(figure, "flag")) == 4
    told = plots.words(figure)
    assert "Out of line: run 6." in told
    assert f"Farthest from the fit: run 6, {kinds.diagnostics()['studentised'].max():.2f}" in told


def test_the_order_of_making_is_used(gel):
    fit = gel["pH"]
    order = {run: 28 - place for place, run in enumerate(fit.runs, start=1)}
    panel = plots.residuals(fit, order).axes[1]
    assert panel.get_xlabel() == "order of making"
    assert marks(panel)[:, 0] == pytest.approx([order[run] for run in fit.runs])


def test_the_envelope_holds_normal_noise(chemical):
    """Simulated anew with another seed: each ordered residual lies inside in 95 % of trials, to 3 standard errors of 4000 repeats."""
    fit = chemical["yield"]
    low, high = envelope(fit, np.ones(13, dtype=bool))
    rng = np.random.default_rng(7)
    Q, _ = np.linalg.qr(fit.X)
    h = (Q**2).sum(axis=1)
    noise = rng.standard_normal((4000, 13))
    e = noise - noise @ Q @ Q.T
    s2 = ((e**2).sum(axis=1, keepdims=True) - e**2 / (1 - h)) / (13 - 6 - 1)
    t = np.sort(e / np.sqrt(s2 * (1 - h)), axis=1)
    inside = ((t >= low) & (t <= high)).mean(axis=0)
    # the envelope's own ends come from 1000 draws: their coverage has a standard error of 0.0069 beside the check's 0.0034
    assert inside == pytest.approx(0.95, abs=3 * np.hypot(0.0069, 0.0034))


def test_too_few_degrees_of_freedom_are_refused(chemical):
    settings = chemical.study.natural(
        pd.DataFrame({"reaction time": [-1.0, 1, -1, 1, 0], "temperature": [-1.0, -1, 1, 1, 0]})
    )
    settings["yield"] = [1.0, 2.0, 4.0, 4.5, 3.0]
    with pytest.raises(StudyError) as problem:
        plots.residuals(doe.fit(chemical.study, settings, "yield", model="interaction"))
    assert str(problem.value) == (
        "fit of 'yield': residual degrees of freedom is 1 but must be at least 2: fit a smaller model or add batches; residuals say "
        "nothing where the model passes through every batch."
    )


def test_orders_that_cannot_be(gel):
    with pytest.raises(StudyError) as problem:
        plots.residuals(gel["pH"], [1, 2])
    assert str(problem.value) == "order is 'list' but must be a mapping from run to its place: give records.order."
    with pytest.raises(StudyError) as problem:
        plots.residuals(gel["pH"], {1: 1})
    assert (
        str(problem.value)
        == "order is 'without run 2' but must be a place for every run of the fit: add its place, or leave order out."
    )


@pytest.mark.parametrize("trial", ["chemical", "gel", "kinds", "blend", "flare"])
def test_nothing_overlaps(trial, request):
    made = request.getfixturevalue(trial)
    fits = list(made.values()) if hasattr(made, "values") else [made[0] if isinstance(made, tuple) else made]
    for fit in fits[:1]:
        figure = plots.residuals(fit)
        assert not overlaps(figure)
        assert not outside(figure)
        assert fit.response.name in said(figure)


# ---- scores, and readings known only by bounds


@pytest.fixture(scope="module")
def others():
    study = doe.Study(
        "g",
        [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)],
        [doe.Response("look", scale=(1, 5)), doe.Response("viscosity", "mPa·s", transform="log")],
    )
    runs = doe.designs.central_composite(study, axial="face", centre=6).runs
    rng = np.random.default_rng(3)
    latent = 2 * runs["a"] + runs["b"] + rng.logistic(size=len(runs))
    viscosity = 10000 * np.exp(0.2 * latent)
    data = runs.assign(
        look=np.digitize(latent, [-2, -0.7, 0.7, 2]) + 1, viscosity=[">13000" if v > 13000 else v for v in viscosity]
    )
    return {r: doe.fit(study, data, r, "interaction") for r in ("look", "viscosity")}


def test_scores_have_panels_of_their_own(others):
    fit = others["look"]
    figure = plots.residuals(fit)
    axes = figure.axes
    assert len(axes) == 4
    assert [ax.get_ylabel() for ax in axes] == ["residual as normal score"] * 3 + ["look given"]
    order = {run: i for i, run in enumerate(fit.runs, start=1)}
    assert plots.residuals(fit, order).axes[1].get_xlabel() == "order of making"
    assert not outside(figure)
    assert not overlaps(figure)
    ax = plots.making_order(fit, order)
    assert ax.get_ylabel() == "residual as normal score"
    assert not outside(ax.figure)


def test_bounds_have_the_panels_without_an_envelope(others):
    fit = others["viscosity"]
    figure = plots.residuals(fit)
    assert len(figure.axes) == 6
    assert "Readings known only by bounds stand where they are expected to be" in plots.words(figure)
    assert "Shaded" not in plots.words(figure)
    assert not outside(figure)


def test_interactions_of_scores_are_drawn(others):
    figure = plots.interactions(others["look"])
    assert figure.axes
