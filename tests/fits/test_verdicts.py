"""Each sentence of caution, on both sides of its threshold."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe.fits import verdicts


def test_lack_of_fit():
    said = verdicts.on_lack_of_fit(5.0, 0.0499, 3, 4)
    assert said == [
        "Lack of fit (p = 0.0499): the model misses the readings by more than repeated batches differ; a curve, an interaction or "
        "another scale is missing."
    ]
    assert verdicts.on_lack_of_fit(5.0, 0.05, 3, 4) == []
    assert verdicts.on_lack_of_fit(500.0, 1e-9, 3, 4)[0].startswith("Lack of fit (p = below 0.0001)")


def test_repeats_too_close_to_be_batches():
    assert len(verdicts.on_lack_of_fit(20.0, 0.001, 3, 4)) == 1
    assert verdicts.on_lack_of_fit(20.3, 0.001, 3, 4)[1] == (
        "The repeats agree 5 times more closely than the model misses: make sure they are batches made anew, not readings of one "
        "batch."
    )
    # a large F without significance says nothing of the repeats
    assert len(verdicts.on_lack_of_fit(30.0, 0.14, 3, 1)) == 1


def test_few_df_of_pure_error():
    assert verdicts.on_lack_of_fit(1.0, 0.5, 3, 2) == [
        "Only 2 df of pure error: the lack-of-fit test would see only a gross misfit."
    ]
    assert verdicts.on_lack_of_fit(1.0, 0.5, 3, 3) == []


def test_no_repeats_and_no_room_for_a_misfit():
    assert verdicts.on_lack_of_fit(np.nan, np.nan, 5, 0) == [
        "No setting was made in two batches: lack of fit cannot be tested."
    ]
    assert verdicts.on_lack_of_fit(np.nan, np.nan, 0, 5) == [
        "The model has a coefficient for every setting made: lack of fit cannot show."
    ]


def test_predicted_r2():
    assert verdicts.on_prediction(0.9, 0.7001) == []
    assert verdicts.on_prediction(0.9, 0.6999) == [
        "Predicted R² (0.70) is far below R² (0.90): the model follows these runs better than it would foretell new ones."
    ]
    assert verdicts.on_prediction(0.1, 0.0) == []
    assert verdicts.on_prediction(0.1, -0.01) == [
        "Predicted R² is below 0 (−0.01): for a run it has not seen, the model does worse than the plain average."
    ]
    assert verdicts.on_prediction(0.9, np.nan) == []


def test_residual_degrees_of_freedom():
    assert verdicts.on_degrees_of_freedom(4) == []
    assert verdicts.on_degrees_of_freedom(3) == [
        "Only 3 residual df: the noise itself is hardly known, and intervals are wide for that reason."
    ]
    assert verdicts.on_degrees_of_freedom(0)[0].startswith("As many coefficients as batches")


def test_scale():
    assert verdicts.on_scale(1.0, 10.0, False) == []
    assert verdicts.on_scale(1.0, 10.1, False) == [
        "Readings span a factor of 10 and are fitted as measured: see transform_profile() for a scale on which the noise is even."
    ]
    assert verdicts.on_scale(1.0, 1000.0, True) == []
    assert verdicts.on_scale(-1.0, 1000.0, False) == []


def straight(y, x=None):
    x = np.arange(len(y), dtype=float) if x is None else x
    study = doe.Study("line", [doe.Continuous("x", 0, 10)], [doe.Response("y")])
    return doe.fit(study, pd.DataFrame({"x": x, "y": y}), "y", "linear")


def test_outlier_limit_is_bonferronis():
    """Just inside and just outside the limit t(1 − 0.05/2n; df − 1), found by moving one reading."""
    base = np.array([0.1, 1.2, 1.9, 3.1, 3.8, 5.2, 5.9, 7.1, 8.0, 9.1])
    from scipy import optimize, stats

    limit = stats.t.isf(0.05 / 20, 7)

    def t_of(push):
        return straight(base + push * (np.arange(10) == 4)).diagnostics()["studentised"][4]

    edge = optimize.brentq(lambda push: t_of(push) - limit, 0.0, 5.0)
    inside, outside = (
        straight(base + (edge - 1e-3) * (np.arange(10) == 4)),
        straight(base + (edge + 1e-3) * (np.arange(10) == 4)),
    )
    assert inside.diagnostics()["flags"][4] == ""
    assert outside.diagnostics()["flags"][4] == "outlier"
    sentence = (
        "Run 5 lies above what the other runs foretell by 4.0 standard errors, more than chance gives among so many runs: look it "
        "up in the notebook before deciding."
    )
    assert sentence in str(outside)
    assert "Run 5 lies" not in str(inside)
    assert f"±{limit:.2f}" in outside.diagnostics().note
    below = straight(base - 3.0 * (np.arange(10) == 4))
    assert "Run 5 lies below what" in str(below)


def test_leverage_on_both_sides_of_twice_the_average():
    x = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 9.0])
    y = np.array([0.1, 1.2, 1.9, 3.1, 3.8, 5.2, 5.9, 7.1, 8.0, 9.1])
    h = straight(y, x).diagnostics()["leverage"]
    assert h.max() < 0.4
    assert "The fit leans on" not in str(straight(y, x))
    far = straight(y, np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 16.0]))
    assert far.diagnostics()["leverage"][9] > 0.4
    assert far.diagnostics()["flags"][9].startswith("high leverage")
    assert "The fit leans on run 10 more than twice as much as on the average run (leverage)." in str(far)


def test_cooks_distance_on_both_sides_of_one():
    x = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 9.0])
    from scipy import optimize

    base = x + 0.1 * np.array([1, -1, 1, -1, 1, -1, 1, -1, 1, -1])
    edge = optimize.brentq(lambda v: straight(base + v * (x == 9), x).diagnostics()["cooks_distance"][9] - 1, 0.1, 3)
    assert "Leaving out run 10 would change the fit markedly (Cook's distance above 1)." in str(
        straight(base + (edge + 0.01) * (x == 9), x)
    )
    assert "Leaving out" not in str(straight(base + (edge - 0.01) * (x == 9), x))


def test_a_run_the_model_passes_through():
    fit = straight(np.array([1.0, 1.2, 0.9, 1.1, 1.0, 3.0]), np.array([0, 0, 0, 0, 0, 10.0]))
    assert fit.diagnostics()["flags"].tolist() == ["", "", "", "", "", "leverage 1"]
    assert "The model passes through run 6 whatever was read there: an error in that reading would not show." in str(
        fit
    )
    assert np.isnan(fit.press)
    assert np.isnan(fit.r2_predicted)
    assert "predicted" not in str(fit).split("\n\n")[0]


def test_nothing_stands_out_is_said_only_then(gel, gel_data):
    calm = doe.fit(gel, gel_data, "pH", "linear")
    quiet = "Nothing stands out: no lack of fit, no run out of line, no run that carries the fit alone."
    wary = calm.cautions()
    assert (quiet in str(calm)) == (not wary)
    assert quiet not in str(doe.fit(gel, gel_data.iloc[:12], "pH", "linear"))  # no repeats: lack of fit was not tested


@pytest.mark.parametrize("labels", [[3], [3, 5], [3, 5, 8]])
def test_runs_in_words(labels):
    assert verdicts.runs_text(labels) == {1: "run 3", 2: "runs 3 and 5", 3: "runs 3, 5 and 8"}[len(labels)]
