"""Huber's fit beside the least-squares fit: against statsmodels' RLM, and the verdict at both sides of its thresholds."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

import doe
from doe import StudyError
from doe.fits.robust import RobustFit


def test_against_statsmodels_on_the_stack_loss_data():
    """Brownlee's stack-loss data (1965), with statsmodels; Huber's estimate, c = 1.345: −41.03, 0.829, 0.926, −0.128 (from memory of
    Venables & Ripley, section 6.5, printed as −41.026, 0.829, 0.926, −0.128)."""
    data = sm.datasets.stackloss.load_pandas().data
    data.columns = ["loss", "air", "water", "acid"]
    study = doe.Study(
        "stack loss",
        [doe.Continuous("air", 50, 80), doe.Continuous("water", 17, 27), doe.Continuous("acid", 72, 93)],
        [doe.Response("loss")],
    )
    fit = doe.fit(study, data, "loss", "linear")
    found = fit.robust()
    ref = sm.RLM(data["loss"], sm.add_constant(data[["air", "water", "acid"]]), M=sm.robust.norms.HuberT(1.345)).fit(
        maxiter=500, tol=1e-10
    )
    half = np.array([15.0, 5.0, 10.5])
    slopes = found.table["robust"].to_numpy()[1:] / half
    np.testing.assert_allclose(slopes, ref.params.to_numpy()[1:], rtol=1e-6)
    np.testing.assert_allclose(slopes, [0.829, 0.926, -0.128], atol=6e-4)  # half a unit of the printed digit
    np.testing.assert_allclose(found.table["robust_error"].to_numpy()[1:] / half, ref.bse.to_numpy()[1:], rtol=1e-5)
    np.testing.assert_allclose(found.weights.to_numpy(), ref.weights.to_numpy(), rtol=1e-5, atol=1e-6)
    assert found.robust_sigma == pytest.approx(ref.scale, rel=1e-6)
    # the runs that the literature calls out of line: 1, 3, 4 and 21
    assert set(found.weights.nsmallest(4).index) == {1, 3, 4, 21}


def with_a_bad_batch(gel_data, factor):
    data = gel_data.copy()
    data.loc[4, "viscosity"] *= factor
    return data


def test_a_bad_batch_is_named_and_what_it_moves(gel, gel_data):
    data = with_a_bad_batch(gel_data, 1.8)
    fit = doe.fit(gel, data, "viscosity", ["1", "polymer", "neutralisation", "speed"])
    found = fit.robust()
    assert found.weights[5] < 0.5
    assert "Run 5" in found.verdict()
    assert found.table["moved"].abs().max() > 0
    page = str(found)
    assert "How much each run pulls" in page
    assert found.verdict() in page
    assert found.verdict() in found._repr_html_().replace("&#x27;", "'")


def made(weights, moved):
    table = pd.DataFrame(
        {"term": ["1", "a"], "estimate": 1.0, "std_error": 1.0, "robust": 1.0, "robust_error": 1.0, "moved": moved}
    )
    return RobustFit(table, pd.Series(weights, index=[1, 2, 3]), 5, 1.0, 1.0, "y", None)


@pytest.mark.parametrize(
    ("weights", "moved", "begins"),
    [
        ([1.0, 0.51, 1.0], [0.0, 0.99], "No batch pulls the fit its way"),
        ([1.0, 0.49, 1.0], [0.0, 0.99], "Run 2 lies far from the rest, but no coefficient depends on it"),
        ([0.3, 0.49, 1.0], [0.0, -0.99], "Runs 1 and 2 lie far from the rest, but no coefficient depends on them"),
        ([1.0, 0.51, 1.0], [0.0, 1.01], "No single batch stands out, yet a differ"),
        ([1.0, 0.49, 1.0], [0.0, -1.01], "Run 2 pulls the fit: without that pull a would differ"),
        ([0.1, 0.49, 1.0], [1.5, -1.01], "Runs 1 and 2 pull the fit: without that pull 1 and a would differ"),
    ],
)
def test_the_verdict_on_both_sides_of_its_thresholds(weights, moved, begins):
    assert made(weights, moved).verdict().startswith(begins)


def test_refusals(gel, gel_data):
    with pytest.raises(StudyError) as error:
        doe.fit(gel, gel_data.iloc[[0, 1, 2, 4, 8]], "viscosity", "linear").robust()
    assert str(error.value) == (
        "robust: residual degrees of freedom is 1 but must be at least 2: where the model passes through every batch none can stand out: fit "
        "a smaller model, or add batches."
    )
    exact = gel_data.assign(viscosity=gel_data["polymer"] * 10)
    with pytest.raises(StudyError) as error:
        doe.fit(gel, exact, "viscosity", "linear").robust()
    assert str(error.value) == (
        "robust: residuals of the fit is 0.0 but must be above rounding: the model passes through every reading: there is no noise to weigh."
    )
    plots = gel_data.assign(block=[1, 2, 3] * 5)
    with pytest.raises(StudyError) as error:
        doe.fit(gel, plots, "viscosity", "linear", method="reml").robust()
    assert str(error.value) == (
        "robust: method of the fit is 'reml' but must be \"least squares\": where batches share whole plots, one weight a batch would tear "
        "them apart: see diagnostics(), which judges each batch by all others."
    )


def test_scores_and_bounds_are_refused_for_their_own_reason():
    study = doe.Study(
        "g", [doe.Continuous("a", 0, 1)], [doe.Response("look", scale=(1, 5)), doe.Response("v", "mPa·s")]
    )
    data = pd.DataFrame({"a": np.resize([0.0, 0.5, 1.0], 12), "look": np.resize([1, 3, 5, 2], 12)})
    data["v"] = [">90", *np.linspace(10, 80, 11)]
    for response, why in (
        ("look", "a score has no distance from the fit to be weighed by"),
        ("v", "a reading known only by bounds has no distance from the fit to be weighed by"),
    ):
        with pytest.raises(StudyError, match=why):
            doe.fit(study, data, response, "linear").robust()


def test_intervals_are_t_on_the_residual_degrees_of_freedom(gel, gel_data):
    fit = doe.fit(gel, with_a_bad_batch(gel_data, 1.5), "viscosity", "linear")
    t = fit.robust().table
    half = stats.t.ppf(0.975, fit.df_residual)
    np.testing.assert_allclose(t["robust_high"] - t["robust"], half * t["robust_error"])
    np.testing.assert_allclose(t["robust"] - t["robust_low"], half * t["robust_error"])
    np.testing.assert_allclose(t[["low", "high"]], fit.coefficients[["low", "high"]])


def test_intervals_cover_with_normal_noise_and_with_a_tenth_of_the_batches_bad():
    """600 trials of 20 batches each, seed 3: Monte-Carlo error 0.9 points; where one batch in ten has six times the noise too."""
    rng = np.random.default_rng(3)
    study = doe.Study("line", [doe.Continuous("a", -1, 1)], [doe.Response("y")])
    a = np.tile([-1.0, -0.5, 0.5, 1.0], 5)
    for bad in (0.0, 0.1):
        held = []
        for _ in range(600):
            noise = rng.normal(size=20) * np.where(rng.random(20) < bad, 6.0, 1.0)
            t = doe.fit(study, pd.DataFrame({"a": a, "y": 1 + 2 * a + noise}), "y", "linear").robust().table
            held.append(t["robust_low"].iloc[1] <= 2 <= t["robust_high"].iloc[1])
        assert abs(np.mean(held) - 0.95) < 0.03
