"""Covariates, measured and not set: how fits take them in; numbers against statsmodels OLS."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

import doe
from doe import StudyError


def sentence(call):
    with pytest.raises(StudyError) as error:
        call()
    return str(error.value)


def with_room(gel, **law):
    return doe.Study("gel", [*gel.factors, doe.Covariate("room", "°C", **law)], gel.responses)


@pytest.fixture
def roomy(gel_data):
    """The gel's invented batches, with an invented room temperature that moves the viscosity by 600 mPa·s a degree."""
    room = np.round(22 + 1.5 * np.random.default_rng(4).standard_normal(15), 1)
    return gel_data.assign(room=room, viscosity=gel_data["viscosity"] + 600.0 * (room - 22))


def coded(data):
    return data.assign(
        p=(data["polymer"] - 0.4) / 0.2,
        n=(data["neutralisation"] - 70) / 20,
        s=(data["speed"] - 700) / 300,
        c=(data["room"] - data["room"].mean()) / data["room"].std(ddof=1),
    )


QUADRATIC = "viscosity ~ p + n + s + p:n + p:s + n:s + I(p**2) + I(n**2) + I(s**2)"


def test_a_named_model_takes_in_a_measured_covariate_as_statsmodels_does(gel, roomy):
    fit = doe.fit(with_room(gel), roomy, "viscosity")
    reference = smf.ols(QUADRATIC + " + c", coded(roomy)).fit()
    assert fit.model.terms[-1] == "room"
    assert fit.model.columns[-1] == "room"
    np.testing.assert_allclose(fit.beta, reference.params, rtol=1e-10)
    np.testing.assert_allclose(fit.coefficients["std_error"], reference.bse, rtol=1e-10)
    assert fit.sigma == pytest.approx(np.sqrt(reference.scale), rel=1e-10)
    assert fit.anova.set_index("source").loc["room", "p"] == pytest.approx(reference.pvalues["c"], rel=1e-8)
    without = doe.fit(gel, roomy, "viscosity")
    assert fit.sigma < 0.7 * without.sigma
    assert "quadratic in 3 factors and 1 covariate" in fit.heading


def test_the_law_is_that_of_the_batches_measured_and_is_said(gel, roomy):
    fit = doe.fit(with_room(gel), roomy, "viscosity", "linear")
    law = fit.study.covariate("room")
    assert (law.mean, law.sd) == (pytest.approx(roomy["room"].mean()), pytest.approx(roomy["room"].std(ddof=1)))
    assert (
        "room was measured and is fitted, coded by mean 21.8 °C and SD 1.7 °C of the batches measured; predictions without it are for "
        "a batch at that mean."
    ).replace("21.8 °C and SD 1.7 °C", f"{law.mean:.1f} °C and SD {law.sd:.3g} °C") in str(fit)
    own = doe.fit(with_room(gel, mean=20.0, sd=2.0), roomy, "viscosity", "linear")
    assert "coded by mean 20.0 °C and SD 2 °C of the study" in str(own)
    # another coding, the same surface
    assert own.beta[-1] / 2.0 == pytest.approx(fit.beta[-1] / law.sd)


def test_all_responses_share_one_law_even_where_one_has_gaps(gel, roomy):
    data = roomy.assign(pH=roomy["pH"].where(roomy["run"] > 4))
    study = with_room(gel)
    fits = doe.fit_all(study, data, "linear")
    assert fits["viscosity"].study.fingerprint == fits["pH"].study.fingerprint == fits.study.fingerprint
    assert fits.study.fingerprint != study.fingerprint
    assert fits.study.agrees(study)
    assert study.agrees(fits.study)
    assert not study.agrees(gel)
    assert not fits.study.agrees(with_room(gel, mean=1.0, sd=1.0))
    assert "room" in str(fits)


def test_the_equation_in_natural_units_foretells_what_statsmodels_does(gel, roomy):
    fit = doe.fit(with_room(gel), roomy, "viscosity", ["polymer", "room", "polymer:room"])
    table = fit.equation()
    natural = smf.ols("viscosity ~ polymer + room + polymer:room", roomy).fit()
    np.testing.assert_allclose(table["estimate"], natural.params, rtol=1e-9)
    np.testing.assert_allclose(table["std_error"], natural.bse, rtol=1e-9)
    assert "room in °C" in str(table)
    assert "room 0 at " in str(fit.equation(natural=False))


def test_prediction_takes_the_covariate_where_it_is_given_and_its_mean_elsewhere(gel, roomy):
    fit = doe.fit(with_room(gel), roomy, "viscosity")
    reference = smf.ols(QUADRATIC + " + c", coded(roomy)).fit()
    given = fit.predict(roomy)
    expected = reference.get_prediction(coded(roomy)).summary_frame()
    np.testing.assert_allclose(given["estimate"], expected["mean"], rtol=1e-10)
    np.testing.assert_allclose(given["std_error"], expected["mean_se"], rtol=1e-9)
    at_mean = fit.predict(roomy.drop(columns="room"))
    expected = reference.get_prediction(coded(roomy).assign(c=0.0)).summary_frame()
    np.testing.assert_allclose(at_mean["estimate"], expected["mean"], rtol=1e-10)
    assert at_mean.note.endswith("At the mean of room.")
    assert "At the mean" not in given.note
    blank = roomy.assign(room=roomy["room"].where(roomy["run"] != 2))
    assert sentence(lambda: fit.predict(blank)) == (
        "the table, row 1, column 'room' is 'blank' but must be a number in °C: fill in the setting."
    )


def test_a_new_batch_differs_by_what_the_covariate_does_unless_it_is_known(gel, roomy):
    fit = doe.fit(with_room(gel), roomy, "viscosity")
    known = fit.predict(roomy.assign(room=fit.study.covariate("room").mean), kind="new batch")
    unknown = fit.predict(roomy.drop(columns="room"), kind="new batch")
    np.testing.assert_allclose(unknown["std_error"], np.hypot(known["std_error"], fit.beta[-1]), rtol=1e-10)
    assert unknown.note.endswith("At the mean of room; one new batch differs by its spread too.")


def test_batches_without_the_covariate_are_listed_where_they_are_few(gel, roomy):
    data = roomy.assign(room=roomy["room"].where(~roomy["run"].isin([2, 9])))
    fit = doe.fit(with_room(gel), data, "viscosity", "linear")
    assert fit.n == 13
    assert fit.unused.to_dict("list") == {"run": [2, 9], "reason": ["room was not measured"] * 2}
    reference = smf.ols("viscosity ~ p + n + s + c", coded(data)).fit()
    np.testing.assert_allclose(fit.beta, reference.params, rtol=1e-10)


def test_a_covariate_blank_in_many_batches_is_left_out_unless_it_is_named(gel, roomy):
    data = roomy.assign(room=roomy["room"].where(roomy["run"] > 4))
    fit = doe.fit(with_room(gel), data, "viscosity", "linear")
    assert fit.n == 15
    assert "room" not in fit.model.terms
    assert (
        "room is blank in 4 of 15 batches, so that a named model leaves it out rather than these batches; name it among the terms to "
        "have it the other way."
    ) in str(fit)
    asked = doe.fit(with_room(gel), data, "viscosity", ["polymer", "neutralisation", "speed", "room"])
    assert asked.n == 11
    assert "room is fitted as asked; batches without it are not used." in str(asked)
    left = doe.fit(with_room(gel), roomy, "viscosity", ["polymer"])
    assert "room was measured, but is no term of this model." in str(left)


def test_a_covariate_that_tells_nothing_is_left_out_with_a_word(gel, gel_data):
    study = with_room(gel)
    assert "room was not measured, so that the fit leaves it out." in str(doe.fit(study, gel_data, "viscosity"))
    same = gel_data.assign(room=21.5)
    assert "room was 21.5 °C throughout, so that the fit leaves it out." in str(doe.fit(study, same, "viscosity"))
    for data in (gel_data, same):
        assert sentence(lambda data=data: doe.fit(study, data, "viscosity", ["polymer", "room"])) == (
            "model: term is 'room' but must be a covariate that was measured, and differs between batches: leave it out."
        )
    assert sentence(lambda: doe.fit(study, gel_data.assign(room="warm"), "viscosity")) == (
        "the data, run 1, column 'room' is 'warm' but must be a number in °C, or blank: correct the cell."
    )


def test_records_carry_covariates(gel, roomy):
    from doe.designs import Plan

    study = with_room(gel)
    plan = Plan(study, roomy.set_index("run")[gel.names])

    class Carried:
        def __init__(self):
            rows = [
                (int(r), int(r), 1, "viscosity", v, "") for r, v in zip(roomy["run"], roomy["viscosity"], strict=True)
            ]
            self.data = pd.DataFrame(rows, columns=["run", "batch", "replicate", "response", "value", "cell"])
            self.plan, self.failed, self.covariates = plan, (), roomy.set_index("run")[["room"]]

    fit = doe.fit(study, Carried(), "viscosity")
    np.testing.assert_allclose(fit.beta, doe.fit(study, roomy, "viscosity").beta, rtol=1e-12)


def test_pure_error_is_adjusted_for_the_covariate(gel, roomy):
    """RSS of a model with one indicator a setting and the covariate: here by statsmodels."""
    fit = doe.fit(with_room(gel), roomy, "viscosity")
    data = coded(roomy).assign(setting=[f"s{i}" if i < 12 else "centre" for i in range(15)])
    full = smf.ols("viscosity ~ C(setting) + c", data).fit()
    table = fit.anova.set_index("source")
    assert table.loc["pure error", "df"] == full.df_resid == 1
    assert table.loc["pure error", "ss"] == pytest.approx(full.ssr, rel=1e-8)


@pytest.mark.slow
def test_what_stands_on_a_fit_goes_on_with_a_covariate(gel, roomy, tmp_path):
    import matplotlib

    matplotlib.use("Agg")
    from doe import plots

    study = doe.Study(
        "gel", [*gel.factors, doe.Covariate("room", "°C")], [doe.Response("viscosity", low=9000, high=14000)]
    )
    fit = doe.fit(
        study,
        roomy,
        "viscosity",
        ["polymer", "neutralisation", "polymer^2", "neutralisation^2", "room", "polymer:room"],
    )
    plain = fit.surface()
    assert np.isfinite(plain._repr_html_().__len__())
    assert {"polymer", "neutralisation"} == set(plain.names)
    win = doe.find_window(doe.fit(study, roomy, "viscosity"), draws=500)
    assert 0 <= win.probability(roomy)["probability"].iloc[0] <= 1
    labels = [t.get_text() for t in plots.factor_effects(fit).get_yticklabels()]
    assert any(label.startswith("room, 20.") for label in labels), labels
    plots.main_effects(fit)
    plots.contours(fit, "polymer", "neutralisation")
    page = doe.write_report(tmp_path / "page.html", study, None, None, doe.fit(study, roomy, "viscosity"), win)
    assert "room was measured and is fitted" in page.read_text(encoding="utf-8")
    assert "must be one with a two-factor interaction to draw" in sentence(lambda: plots.interactions(fit))
    assert doe.fit(study, roomy, "viscosity").reduced(by="bic").n == 15
    assert fit.diagnostics()["run"].tolist() == list(range(1, 16))


def test_a_narrow_mixture_with_a_covariate_is_solved_exactly():
    """Least squares in extended precision takes the covariate in: against statsmodels on the same columns."""
    rng = np.random.default_rng(1)
    study = doe.Study(
        "blend",
        [doe.Component("a", 10, 10.2), doe.Component("b", 5, 5.2), doe.Component("c", 84.6, 85), doe.Covariate("room")],
        [doe.Response("y")],
    )
    a, b = np.tile([10, 10.1, 10.2, 10.05], 5), np.repeat([5, 5.1, 5.2, 5.05, 5.15], 4)
    data = pd.DataFrame({"a": a, "b": b, "c": 100 - a - b, "room": rng.normal(21, 2, 20)})
    data["y"] = 3 * (a - 10) - 2 * (b - 5) + 0.4 * data["room"] + 0.1 * rng.standard_normal(20)
    fit = doe.fit(study, data, "y", "linear")
    reference = smf.ols("y ~ 0 + a + b + c + room", data).fit()
    natural = fit.equation().set_index("term")
    assert natural.loc["room", "estimate"] == pytest.approx(reference.params["room"], rel=1e-6)
    assert natural.loc["room", "std_error"] == pytest.approx(reference.bse["room"], rel=1e-6)
    np.testing.assert_allclose(fit.predict(data)["estimate"], reference.fittedvalues, rtol=1e-8)
