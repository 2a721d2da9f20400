"""The next batches: what was made stays, the new ones follow, weighted to where the window's error can be lowered; against plain ones."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtr

import doe
from doe import StudyError
from doe.window.posterior import joint_draws
from doe.window.predictive import Predictive
from doe.window.sharpening import batches_made, window_error

from .trials import made

FACTORS = [doe.Continuous("polymer", 0.2, 0.6, "%", step=0.01), doe.Continuous("speed", 400, 1000, "rpm", step=50)]


@pytest.fixture(scope="module")
def win():
    fits = made(FACTORS, [doe.Response("firmness", "N", low=6)], [lambda Z: 5 + 2 * Z[:, 0] + Z[:, 1]], n=12)[2]
    return doe.find_window(fits, target=0.8, draws=500)


def test_what_was_made_stays_and_the_new_ones_can_be_set(win):
    plan = doe.next_batches(win, 4)
    fit = win.fits["firmness"]
    assert len(plan.runs) == 16
    pd.testing.assert_frame_equal(
        plan.runs.iloc[:12].reset_index(drop=True),
        fit.batches.settings[win.study.names].reset_index(drop=True).astype(float),
    )
    new = plan.runs.iloc[12:]
    assert win.study.region.contains(new).all()
    for f in FACTORS:
        np.testing.assert_allclose(new[f.name] / f.step, (new[f.name] / f.step).round(), atol=1e-9)
    assert "Runs 1 to 12 were made before; 4 added." in str(plan)
    assert "The new batches are those that most lower the expected error of the window" in str(plan)
    assert len(doe.next_batches(win, 2).runs) == 14
    pd.testing.assert_frame_equal(plan.runs, doe.next_batches(win, 4).runs)


def test_the_weight_is_where_the_window_may_be_told_wrongly(win):
    plan, model = batches_made(list(win.fits.values()))
    plain = doe.designs.extend(plan, 3, model)
    weigh = window_error(win._predictive, 0.8, plan, plain, model)
    grid = win.study.region.grid(9)
    weight, chance = weigh(grid), win.probability(grid)["probability"].to_numpy()
    assert (weight > 0).all()
    edge = (chance > 0.4) & (chance < 0.95)
    assert weight[edge].mean() > 5 * weight[(chance < 0.001) | (chance > 0.9999)].mean()
    # the mean is known better than a new batch, so its edge is narrower, and it lies elsewhere
    mean = Predictive(win.study, list(win.fits.values()), False, {}, win.seed)
    other = window_error(mean, 0.8, plan, plain, model)(grid)
    assert not np.allclose(other / other.max(), weight / weight.max(), atol=0.05)


def test_target_and_seed_enter(win):
    plan, model = batches_made(list(win.fits.values()))
    plain = doe.designs.extend(plan, 3, model)
    grid = win.study.region.grid(9)
    low, high = (window_error(win._predictive, t, plan, plain, model)(grid) for t in (0.3, 0.95))
    centre = [float((grid["polymer"] * w).sum() / w.sum()) for w in (low, high)]
    assert centre[1] > centre[0] + 0.01  # the higher target's edge lies at more polymer
    assert doe.next_batches(win, 3, seed=4).provenance["seed"] == 4


def test_different_terms_covariates_and_blocks():
    factors = [*FACTORS, doe.Covariate("room", "°C", 21, 2)]
    study = doe.Study("s", factors, [doe.Response("firmness", low=4), doe.Response("tack", high=7)])
    rng = np.random.default_rng(0)
    runs = study.region.sample(16, seed=1)
    table = runs.assign(room=21 + 2 * rng.standard_normal(16), block=["a"] * 8 + ["b"] * 8)
    Z = study.encode(table)
    table["firmness"] = 5 + 2 * Z[:, 0] + 0.3 * Z[:, 2] + 0.3 * rng.standard_normal(16)
    table["tack"] = 6 + Z[:, 0] + 0.3 * rng.standard_normal(16)
    fits = {
        "firmness": doe.fit(study, table, "firmness", model="quadratic"),
        "tack": doe.fit(study, table, "tack", model=["polymer", "speed", "room"]),
    }
    win = doe.find_window(fits, target=0.7, draws=500)
    plan = doe.next_batches(win, 4)
    assert plan.block.tolist() == ["a"] * 8 + ["b"] * 8 + ["next"] * 4
    assert list(plan.runs.columns) == ["polymer", "speed"]
    assert set(plan.model.terms) == {"1", "polymer", "speed", "polymer:speed", "polymer^2", "speed^2"}


def test_whole_plots_stay_together():
    factors = [doe.Continuous("oven", 60, 90, "°C", hard_to_change=True), doe.Continuous("speed", 400, 1000, "rpm")]
    study = doe.Study("s", factors, [doe.Response("firmness", low=4)])
    plan = doe.designs.optimal(study, "quadratic", 16, whole_plots=8, rounds=5)
    rng = np.random.default_rng(0)
    table = plan.runs.assign(whole_plot=plan.whole_plot)
    plot = dict(zip(plan.whole_plot.unique(), 0.3 * rng.standard_normal(8), strict=True))
    Z = study.encode(plan.runs)
    table["firmness"] = 5 + Z[:, 0] + Z[:, 1] + table["whole_plot"].map(plot) + 0.2 * rng.standard_normal(16)
    win = doe.find_window(doe.fit_all(study, table), target=0.7, draws=500)
    found = doe.next_batches(win, 4)
    new = found.whole_plot.iloc[16:]
    assert new.nunique() == 2
    assert not set(new) & set(found.whole_plot.iloc[:16])
    assert (found.runs.iloc[16:].groupby(new)["oven"].nunique() == 1).all()


def test_in_a_mixture_the_new_blends_add_up():
    blend = [doe.Component(n, low, high) for n, low, high in (("water", 70, 95), ("glycerin", 3, 20), ("gum", 1, 10))]
    surfaces = [lambda Z: 4 * Z[:, 0] + 8 * Z[:, 1] + 30 * Z[:, 2]]
    fits = made(blend, [doe.Response("body", low=5)], surfaces, n=10, sd=0.2, mixture_total=100)[2]
    win = doe.find_window(fits, target=0.8, draws=500)
    new = doe.next_batches(win, 3).runs.iloc[10:]
    np.testing.assert_allclose(new.sum(axis=1), 100)
    assert win.study.region.contains(new).all()


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda w: doe.next_batches(w.fits, 3),
            "next_batches: win is 'dict' but must be a Window: make it with doe.find_window.",
        ),
        (
            lambda w: doe.next_batches(w, 0),
            "next_batches: runs is 0 but must be a whole number from 1: give the number of batches to add.",
        ),
        (
            lambda w: doe.next_batches(w, 2.5),
            "next_batches: runs is 2.5 but must be a whole number from 1: give the number of batches to add.",
        ),
        (
            lambda w: doe.next_batches(w, 3, seed=-1),
            "next_batches: seed is -1 but must be a whole number, 0 or above: leave it out for 0.",
        ),
    ],
)
def test_what_cannot_be_used_is_refused(win, call, sentence):
    with pytest.raises(StudyError) as refused:
        call(win)
    assert str(refused.value) == sentence


@pytest.mark.slow
def test_next_batches_beat_the_plain_extension_by_more_than_two_standard_errors():
    """260 truths in 3 factors (seed 51): 14 batches made, 6 added; the share of the region wrongly told to hold 0.8, or not to.

    Quadratic truths of two responses; each trial goes on four times with other errors, the same for both plans, whose readings are judged alike by
    the joint posterior. Truths whose window takes up less than 3 or more than 50 % of the region are passed over. Measured: 0.0674 without weights, 0.0031 less with them
    (standard error 0.0008).
    """
    study = doe.Study(
        "simulated",
        [doe.Continuous(c, -1, 1) for c in "abc"],
        [doe.Response("y", low=-0.5), doe.Response("z", high=0.8)],
    )
    model = study.model("quadratic")
    before = doe.designs.optimal(study, "quadratic", model.p + 4, seed=1)
    plain = doe.designs.extend(before, 6, "quadratic", seed=1)
    grid = study.region.sample(400, seed=5)
    X, D = model.matrix(grid), model.matrix(before.runs)
    sd, low, high = 0.35, np.array([-0.5, -np.inf]), np.array([np.inf, 0.8])

    def window(M, Y, seed):
        V, rng = np.linalg.inv(M.T @ M), np.random.default_rng(seed)
        B = V @ M.T @ Y
        E = Y - M @ B
        found = joint_draws(B, V, E.T @ E, len(M) - model.p, 1000, rng)
        error = np.einsum("dij,dj->id", found.root, rng.standard_normal((1000, 2)))
        value = np.stack([X @ c.T + e for c, e in zip(found.coefficients, error, strict=True)], axis=2)
        return ((value >= low) & (value <= high)).all(axis=2).mean(axis=1) >= 0.8

    gaps, trial = [], 0
    while len(gaps) < 260:
        trial += 1
        rng = np.random.default_rng([51, trial])
        B = 0.7 * rng.standard_normal((model.p, 2))
        mean = X @ B
        true = ndtr((mean[:, 0] + 0.5) / sd) * ndtr((0.8 - mean[:, 1]) / sd) >= 0.8
        if not 0.03 < true.mean() < 0.5:
            continue
        Y = D @ B + sd * rng.standard_normal((len(D), 2))
        fits = doe.fit_all(study, before.runs.assign(y=Y[:, 0], z=Y[:, 1]))
        predictive = Predictive(study, list(fits.values()), True, {}, 0)
        weights = window_error(predictive, 0.8, before, plain, model)
        ours = doe.designs.extend(before, 6, "quadratic", weights=weights, seed=1)
        wrong = np.zeros(2)
        for _ in range(4):
            more = sd * rng.standard_normal((6, 2))
            for k, plan in enumerate((plain, ours)):
                M = model.matrix(plan.runs)
                wrong[k] += np.mean(window(M, np.vstack([Y, M[len(D) :] @ B + more]), trial) != true) / 4
        gaps.append(wrong)
    wrong = np.array(gaps)
    gap = wrong[:, 1] - wrong[:, 0]
    error = gap.std(ddof=1) / np.sqrt(len(gap))
    assert gap.mean() < -2 * error
