"""The fit as an object: coefficients, variance analysis, predictions, equation, printing; statsmodels as the reference."""

import re

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st

import doe
from doe import StudyError
from doe.fits import Fit


@pytest.fixture
def mixer():
    """Two numeric factors and an impeller of three kinds, 21 invented batches in two blocks."""
    rng = np.random.default_rng(8)
    study = doe.Study(
        "mixer",
        [
            doe.Continuous("polymer", 0.2, 0.6, "%"),
            doe.Categorical("impeller", ["anchor", "propeller", "disc"]),
            doe.Continuous("speed", 400, 1000, "rpm"),
        ],
        [doe.Response("viscosity", "Pa·s")],
    )
    rows = [
        (p, i, s)
        for i in ("anchor", "propeller", "disc")
        for p, s in zip((0.2, 0.2, 0.6, 0.6, 0.4, 0.3, 0.5), (400, 1000, 400, 1000, 700, 600, 900), strict=True)
    ]
    data = pd.DataFrame(rows, columns=["polymer", "impeller", "speed"])
    data["block"] = [1, 2] * 10 + [1]
    shift = data["impeller"].map({"anchor": 1.0, "propeller": -0.5, "disc": 0.0})
    data["viscosity"] = (
        10
        + 30 * data["polymer"]
        - 0.004 * data["speed"]
        + shift * (1 + data["polymer"])
        + 0.6 * (data["block"] == 2)
        + rng.normal(0, 0.4, 21)
    )
    return study, data


FORMULA = "viscosity ~ 1 + p + C(impeller, Sum) + s + p:C(impeller, Sum) + p:s"
TERMS = ["1", "polymer", "impeller", "speed", "polymer:impeller", "polymer:speed"]


def reference(data, formula):
    coded = data.assign(
        p=(data["polymer"] - 0.4) / 0.2,
        s=(data["speed"] - 700) / 300,
        impeller=pd.Categorical(data["impeller"], ["anchor", "propeller", "disc"]),
    )
    return smf.ols(formula, coded).fit(method="qr")


def test_coefficients_agree_with_a_statsmodels_formula(mixer):
    study, data = mixer
    fit = doe.fit(study, data.drop(columns="block"), "viscosity", TERMS)
    ref = reference(data, FORMULA)
    place = {
        "1": "Intercept",
        "polymer": "p",
        "impeller[anchor]": "C(impeller, Sum)[S.anchor]",
        "impeller[propeller]": "C(impeller, Sum)[S.propeller]",
        "speed": "s",
        "polymer:impeller[anchor]": "p:C(impeller, Sum)[S.anchor]",
        "polymer:impeller[propeller]": "p:C(impeller, Sum)[S.propeller]",
        "polymer:speed": "p:s",
    }
    table = fit.coefficients.set_index("term")
    assert table.index.tolist() == list(fit.model.columns)
    assert fit.coefficients.columns.tolist() == ["term", "estimate", "std_error", "df", "t", "p", "low", "high"]
    interval = ref.conf_int()
    for ours, theirs in place.items():
        row = table.loc[ours]
        assert row["estimate"] == pytest.approx(ref.params[theirs], rel=1e-9)
        assert row["std_error"] == pytest.approx(ref.bse[theirs], rel=1e-9)
        assert row["t"] == pytest.approx(ref.tvalues[theirs], rel=1e-9)
        assert row["p"] == pytest.approx(ref.pvalues[theirs], rel=1e-7)
        assert [row["low"], row["high"]] == pytest.approx(interval.loc[theirs].tolist(), rel=1e-9)
    assert (table["df"] == ref.df_resid).all()
    assert fit.r2 == pytest.approx(ref.rsquared, rel=1e-10)
    assert fit.r2_adjusted == pytest.approx(ref.rsquared_adj, rel=1e-10)
    assert fit.press == pytest.approx((ref.get_influence().resid_press ** 2).sum(), rel=1e-9)
    assert fit.r2_predicted == pytest.approx(1 - fit.press / ref.centered_tss, rel=1e-10)


def test_partial_sums_of_squares_agree_with_statsmodels_type_three(mixer):
    from statsmodels.stats.anova import anova_lm

    study, data = mixer
    fit = doe.fit(study, data.drop(columns="block"), "viscosity", TERMS)
    ref = anova_lm(reference(data, FORMULA), typ=3)
    found = fit.anova.set_index("source")
    place = {
        "polymer": "p",
        "impeller": "C(impeller, Sum)",
        "speed": "s",
        "polymer:impeller": "p:C(impeller, Sum)",
        "polymer:speed": "p:s",
        "residual": "Residual",
    }
    for ours, theirs in place.items():
        assert found.loc[ours, "ss"] == pytest.approx(ref.loc[theirs, "sum_sq"], rel=1e-8)
        assert found.loc[ours, "df"] == ref.loc[theirs, "df"]
    for ours in list(place)[:-1]:
        assert found.loc[ours, "F"] == pytest.approx(ref.loc[place[ours], "F"], rel=1e-8)
        assert found.loc[ours, "p"] == pytest.approx(ref.loc[place[ours], "PR(>F)"], rel=1e-6)
    assert fit.anova["source"].tolist()[-2:] == ["model", "residual"]
    assert found.loc["model", "F"] == pytest.approx(reference(data, FORMULA).fvalue, rel=1e-8)


def test_the_last_level_is_minus_the_sum_of_the_others_and_is_printed(mixer):
    study, data = mixer
    fit = doe.fit(study, data.drop(columns="block"), "viscosity", TERMS)
    effects = fit.level_effects.set_index("term")
    b = fit.coefficients.set_index("term")["estimate"]
    assert effects.loc["impeller[disc]", "estimate"] == pytest.approx(-b["impeller[anchor]"] - b["impeller[propeller]"])
    assert effects.loc["polymer:impeller[disc]", "estimate"] == pytest.approx(
        -b["polymer:impeller[anchor]"] - b["polymer:impeller[propeller]"]
    )
    # the same fit with another level last gives its own coefficient, standard error and all
    turned = doe.Study(
        "turned",
        [study.factors[0], doe.Categorical("impeller", ["disc", "anchor", "propeller"]), study.factors[2]],
        study.responses,
    )
    other = doe.fit(turned, data.drop(columns="block"), "viscosity", TERMS).coefficients.set_index("term")
    for column in ("estimate", "std_error", "p", "low"):
        assert effects.loc["impeller[disc]", column] == pytest.approx(other.loc["impeller[disc]", column], rel=1e-8)
    assert "impeller[disc]" in str(fit)
    assert "impeller[disc]" not in fit.coefficients["term"].tolist()


def test_last_levels_of_two_categorical_factors():
    """Every cell of an interaction's effects adds up to zero over either factor."""
    rng = np.random.default_rng(2)
    study = doe.Study("two", [doe.Categorical("a", list("xyz")), doe.Categorical("b", list("pq"))], [doe.Response("y")])
    data = pd.DataFrame([(i, j) for i in "xyz" for j in "pq"] * 2, columns=["a", "b"]).assign(y=rng.normal(size=12))
    fit = doe.fit(study, data, "y", "interaction")
    effects = pd.concat([fit.coefficients, fit.level_effects]).set_index("term")["estimate"]
    for j in "pq":
        assert sum(effects[f"a[{i}]:b[{j}]"] for i in "xyz") == pytest.approx(0, abs=1e-12)
    for i in "xyz":
        assert sum(effects[f"a[{i}]:b[{j}]"] for j in "pq") == pytest.approx(0, abs=1e-12)
    means = data.groupby(["a", "b"])["y"].mean()
    assert effects["1"] + effects["a[z]"] + effects["b[q]"] + effects["a[z]:b[q]"] == pytest.approx(means["z", "q"])


def test_blocks_are_sum_to_zero_contrasts(mixer):
    study, data = mixer
    fit = doe.fit(study, data, "viscosity", TERMS)
    ref = reference(data, FORMULA + " + C(block, Sum)")
    assert fit.block_columns == 1
    assert fit.X.shape == (21, fit.model.p + 1)
    assert fit.cov_unscaled.shape == (fit.model.p, fit.model.p)
    assert fit.beta[1] == pytest.approx(ref.params["p"], rel=1e-9)
    assert fit.df_residual == ref.df_resid
    blocks = fit.anova.set_index("source").loc["blocks"]
    assert blocks["p"] == pytest.approx(ref.pvalues["C(block, Sum)[S.1]"], rel=1e-6)
    # the mean over both blocks, weighed alike
    point = pd.DataFrame({"polymer": [0.4], "impeller": ["anchor"], "speed": [700.0]})
    both = ref.predict(pd.DataFrame({"p": [0, 0], "s": [0, 0], "impeller": ["anchor"] * 2, "block": [1, 2]}))
    said = fit.predict(point)
    assert said["estimate"].iloc[0] == pytest.approx(both.mean(), rel=1e-9)
    assert "At the average block" in said.note
    assert "in 2 blocks" in fit.heading
    assert (
        "At the average block" not in doe.fit(study, data.drop(columns="block"), "viscosity", TERMS).predict(point).note
    )
    # model: given the blocks, against the reference without any term
    base = reference(data, "viscosity ~ 1 + C(block, Sum)")
    assert fit.anova.set_index("source").loc["model", "ss"] == pytest.approx(base.ssr - ref.ssr, rel=1e-9)


def test_one_block_is_no_block(mixer):
    study, data = mixer
    fit = doe.fit(study, data.assign(block="only"), "viscosity", TERMS)
    assert fit.block_columns == 0
    assert "blocks" not in fit.anova["source"].tolist()


# ---- predictions


def test_predictions_agree_with_statsmodels(mixer):
    study, data = mixer
    fit, ref = doe.fit(study, data.drop(columns="block"), "viscosity", TERMS), reference(data, FORMULA)
    points = pd.DataFrame(
        {"polymer": [0.25, 0.6], "impeller": ["disc", "anchor"], "speed": [500.0, 900.0]}, index=["one", "two"]
    )
    coded = pd.DataFrame({"p": [-0.75, 1.0], "impeller": ["disc", "anchor"], "s": [-2 / 3, 2 / 3]})
    wanted = ref.get_prediction(coded).summary_frame(alpha=0.1)
    mean, new = fit.predict(points, 0.9), fit.predict(points, 0.9, kind="new batch")
    assert list(mean.index) == ["one", "two"]
    assert list(mean.columns) == ["estimate", "std_error", "low", "high"]
    np.testing.assert_allclose(mean["estimate"], wanted["mean"], rtol=1e-9)
    np.testing.assert_allclose(mean["std_error"], wanted["mean_se"], rtol=1e-9)
    np.testing.assert_allclose(mean["low"], wanted["mean_ci_lower"], rtol=1e-9)
    np.testing.assert_allclose(new["high"], wanted["obs_ci_upper"], rtol=1e-9)
    np.testing.assert_allclose(new["std_error"] ** 2, mean["std_error"] ** 2 + fit.sigma**2, rtol=1e-9)


@pytest.mark.parametrize("transform", ["log", "sqrt", ("box-cox", 0.5), ("logit", 0, 40000)])
def test_predictions_are_carried_back(gel_fitted_as, gel_data, transform):
    study = gel_fitted_as(transform)
    fit = doe.fit(study, gel_data, "viscosity")
    response = fit.response
    points = gel_data[["polymer", "neutralisation", "speed"]].iloc[:4]
    said = fit.predict(points)
    z = fit.model.matrix(points) @ fit.beta
    half = (fit.coefficients["high"] - fit.coefficients["estimate"])[0] / fit.coefficients["std_error"][0]
    error = fit.sigma * np.sqrt(np.einsum("ij,jk,ik->i", *(m := fit.model.matrix(points), fit.cov_unscaled), m))
    np.testing.assert_allclose(said["estimate"], response.inverse(z), rtol=1e-10)
    np.testing.assert_allclose(said["low"], response.inverse(z - half * error), rtol=1e-9)
    step = 1e-5
    slope = (response.inverse(z + step) - response.inverse(z - step)) / (2 * step)
    np.testing.assert_allclose(said["std_error"], slope * error, rtol=1e-6)
    assert "the estimate is a median" in said.note
    assert "the estimate is a median" in str(said)
    assert "median" not in doe.fit(gel_fitted_as(None), gel_data, "viscosity").predict(points).note


def test_tables_show_the_digits_that_count(gel, gel_data):
    fit = doe.fit(gel, gel_data, "viscosity", "linear")
    said = fit.predict(gel_data.iloc[:2])
    first = str(said).splitlines()[1].split()
    error = said["std_error"].iloc[0]
    assert 1000 < error < 10000  # so two digits of it are hundreds
    assert float(first[1]) == round(said["estimate"].iloc[0], -2)
    assert float(first[2]) == round(error, -2)
    assert first[1] in said._repr_html_()
    assert "viscosity (mPa·s); 95 % interval for the mean" in said._repr_html_()
    assert type(said.iloc[:1]) is pd.DataFrame  # a slice is a plain table, its numbers untouched
    assert said.iloc[:1]["estimate"].iloc[0] == said["estimate"].iloc[0]


def test_settings_outside_the_region_are_said(gel, gel_data):
    fit = doe.fit(gel, gel_data, "viscosity", "linear")
    out = pd.DataFrame({"polymer": [0.4, 0.7], "neutralisation": [70, 70], "speed": [700, 700]})
    assert "1 of 2 settings lie outside the region studied" in fit.predict(out).note
    assert "outside" not in fit.predict(out.iloc[:1]).note


@pytest.mark.parametrize("interval", [0, 1, 1.5, "95 %", True])
def test_predict_refuses_an_interval(gel, gel_data, interval):
    fit = doe.fit(gel, gel_data, "viscosity", "linear")
    with pytest.raises(StudyError) as error:
        fit.predict(gel_data, interval=interval)
    assert str(error.value) == f"interval is {interval!r} but must be between 0 and 1: write 0.95 for 95 %."


def test_predict_refuses_a_kind_and_a_setting(gel, gel_data):
    fit = doe.fit(gel, gel_data, "viscosity", "linear")
    with pytest.raises(StudyError) as error:
        fit.predict(gel_data, kind="single")
    assert str(error.value) == (
        'kind is \'single\' but must be "mean" or "new batch": say which of the two the interval is for.'
    )
    with pytest.raises(StudyError, match="the settings, row 0, column 'speed' is 'fast' but must be a number"):
        fit.predict(gel_data.assign(speed="fast"))


# ---- scales and units


def test_aicc_is_comparable_across_transforms(gel_fitted_as, gel_data):
    """Against the log-normal and normal likelihoods of the same readings, from scipy."""
    from scipy import stats

    plain, log = (doe.fit(gel_fitted_as(t), gel_data, "viscosity", "linear") for t in (None, "log"))
    y = gel_data["viscosity"].to_numpy(dtype=float)
    n, k = 15, 5
    correction = 2 * k + 2 * k * (k + 1) / (n - k - 1)
    s = np.sqrt(plain.solution.rss / n)
    assert plain.aicc == pytest.approx(-2 * stats.norm.logpdf(y, plain.solution.fitted, s).sum() + correction)
    s = np.sqrt(log.solution.rss / n)
    density = stats.lognorm.logpdf(y, s, scale=np.exp(log.solution.fitted)).sum()
    assert log.aicc == pytest.approx(-2 * density + correction)
    assert log.bic == pytest.approx(-2 * density + k * np.log(n))


@given(st.floats(1e-3, 1e3), st.floats(-50, 50))
@settings(max_examples=25, deadline=None)
def test_a_change_of_unit_changes_no_p_value(scale, shift):
    rng = np.random.default_rng(6)
    a, b = np.repeat([1.0, 2, 3], 4), np.tile([10.0, 20, 30, 40], 3)
    y = a + 0.1 * b + 0.05 * a * b + rng.normal(size=12)

    def fit(low, high, values):
        study = doe.Study("unit", [doe.Continuous("a", low, high), doe.Continuous("b", 10, 40)], [doe.Response("y")])
        return doe.fit(study, pd.DataFrame({"a": values, "b": b, "y": y}), "y")

    one, other = fit(1, 3, a), fit(scale + shift, 3 * scale + shift, a * scale + shift)
    # shifts of 50 on a range of 0.002 leave eleven digits of the setting
    np.testing.assert_allclose(one.coefficients["p"], other.coefficients["p"], rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(one.anova["p"], other.anova["p"], rtol=1e-6, atol=1e-12)
    assert one.r2_predicted == pytest.approx(other.r2_predicted, rel=1e-8)


# ---- saturated, mean alone, listed terms


def test_a_saturated_fit_gives_coefficients_and_says_the_rest_is_missing(gel, gel_data):
    data = gel_data.iloc[[0, 1, 2, 4]]
    fit = doe.fit(gel, data, "viscosity", ["polymer", "neutralisation", "speed"])
    assert fit.df_residual == 0
    np.testing.assert_allclose(fit.solution.fitted, data["viscosity"], rtol=1e-10)
    assert fit.coefficients[["std_error", "t", "p", "low", "high"]].isna().all(axis=None)
    assert np.isnan([fit.sigma, fit.press, fit.r2_adjusted, fit.r2_predicted]).all()
    assert fit.aicc == np.inf
    said = str(fit)
    assert (
        "As many coefficients as batches: the model passes through every reading, so there are no standard errors and nothing to "
        "check it by." in said
    )
    assert "std error" not in said
    assert "no interval" in fit.predict(data).note
    assert fit.predict(data)["low"].isna().all()
    assert fit.equation()["std_error"].isna().all()
    assert fit.diagnostics()["studentised"].isna().all()


def test_the_mean_alone(gel, gel_data):
    fit = doe.fit(gel, gel_data, "pH", ["1"])
    y = gel_data["pH"]
    assert fit.beta[0] == pytest.approx(y.mean())
    assert fit.sigma == pytest.approx(y.std())
    assert fit.r2 == pytest.approx(0, abs=1e-12)
    assert fit.anova.set_index("source").loc["model", "df"] == 0
    assert "1 term in 0 factors" in fit.heading


def test_without_a_constant_sums_of_squares_are_about_zero(gel, gel_data):
    fit = doe.fit(gel, gel_data, "pH", gel.model(["0", "neutralisation"], hierarchy=False))
    x = (gel_data["neutralisation"] - 70) / 20
    y = gel_data["pH"]
    assert fit.beta[0] == pytest.approx((x * y).sum() / (x**2).sum())
    assert fit.r2 == pytest.approx(1 - ((y - fit.beta[0] * x) ** 2).sum() / (y**2).sum())
    assert not fit.has_constant
    assert fit.r2_adjusted == pytest.approx(
        1 - fit.sigma**2 / ((y**2).sum() / 15)
    )  # n, not n − 1: no mean was taken out


def test_a_factor_of_levels_alone_has_a_constant_hidden_in_it():
    study = doe.Study(
        "kinds", [doe.Component("a", 0, 1, ""), doe.Component("b", 0, 1, "")], [doe.Response("y")], mixture_total=1
    )
    data = pd.DataFrame({"a": [0, 0.3, 0.5, 1.0], "b": [1, 0.7, 0.5, 0.0], "y": [1.0, 1.4, 1.3, 2.1]})
    fit = doe.fit(study, data, "y", "linear")
    assert fit.has_constant
    assert fit.r2 == pytest.approx(np.corrcoef(data["a"], data["y"])[0, 1] ** 2)


def test_parents_that_hierarchy_added_are_said(gel, gel_data):
    fit = doe.fit(gel, gel_data, "viscosity", ["polymer:speed"])
    assert set(fit.model.terms) == {"1", "polymer", "speed", "polymer:speed"}
    assert f"Terms added so that every term has its parents: {', '.join(fit.model.added)}." in str(fit)
    assert "Terms added" not in str(doe.fit(gel, gel_data, "viscosity", ["polymer", "speed", "polymer:speed"]))


# ---- the equation


def evaluated(text, settings):
    """The written equation, read back as a person would: a second reader, with Python's own arithmetic."""
    body = text.splitlines()[0].split(" = ", 1)[1]
    for sign, power in (("²", "2"), ("³", "3")):
        body = body.replace(sign, f"**{power}")
    body = body.replace("−", "-").replace("·", "*")
    return eval(body, {}, {c: settings[c].to_numpy(dtype=float) for c in settings.columns})


@pytest.mark.parametrize("natural", [True, False])
def test_the_equation_as_written_foretells_within_a_hundredth_of_sigma(gel_fitted_as, gel_data, natural):
    fit = doe.fit(gel_fitted_as("log"), gel_data, "viscosity")
    settings_ = fit.batches.settings if natural else fit.study.coded(fit.batches.settings)
    said = evaluated(str(fit.equation(natural)), settings_)
    assert np.abs(said - fit.solution.fitted).max() < 0.01 * fit.sigma
    assert str(fit.equation(natural)).startswith("ln viscosity = ")
    # not by carrying sixteen digits: a coefficient is a dozen characters at most
    assert max(len(w) for w in re.findall(r"[\d.]+", str(fit.equation(natural)).splitlines()[0])) <= 14


def test_natural_and_coded_equations_are_the_same_surface(gel, gel_data):
    fit = doe.fit(gel, gel_data, "viscosity")
    natural, coded = fit.equation(), fit.equation(natural=False)
    assert natural["term"].tolist() == coded["term"].tolist() == list(fit.model.terms)
    np.testing.assert_allclose(coded["estimate"], fit.beta)
    np.testing.assert_allclose(coded["std_error"], fit.coefficients["std_error"])
    x = fit.batches.settings
    columns = [
        np.ones(15)
        if t == "1"
        else np.prod([x[v.split("^")[0]] ** int((v + "^1").split("^")[1]) for v in t.split(":")], axis=0)
        for t in natural["term"]
    ]
    X = np.column_stack(columns)
    np.testing.assert_allclose(X @ natural["estimate"].to_numpy(), fit.solution.fitted, rtol=1e-9)
    ref = np.sqrt(np.diag(np.linalg.inv(X.T @ X)))
    # plain normal equations in natural units keep about eight digits here
    np.testing.assert_allclose(natural["std_error"], fit.sigma * ref, rtol=1e-5)


def test_a_model_without_its_parents_gains_them_in_natural_units(gel, gel_data):
    bare = gel.model(["1", "polymer^2"], hierarchy=False)
    fit = doe.fit(gel, gel_data, "viscosity", bare)
    assert fit.model.terms == ("1", "polymer^2")
    said = fit.equation()
    assert said["term"].tolist() == ["1", "polymer^2", "polymer"]
    b = said.set_index("term")["estimate"]
    p = gel_data["polymer"]
    np.testing.assert_allclose(b["1"] + b["polymer"] * p + b["polymer^2"] * p**2, fit.solution.fitted, rtol=1e-9)
    assert b["polymer"] == pytest.approx(-0.8 * b["polymer^2"])
    assert [t[0][0] for t in fit.missing_parents()] == ["polymer"]
    said = "Without the parents polymer the fit depends on where the coded zero of its factors lies."
    assert said in str(fit)
    whole = doe.fit(gel, gel_data, "viscosity")
    assert whole.missing_parents() == ()
    assert "Without the parents" not in str(whole)


def test_pseudocomponents_on_request(gel, gel_data):
    """Against statsmodels on the columns of (x − L) / (1 − ΣL)."""
    import statsmodels.api as sm

    rng = np.random.default_rng(13)
    low = np.array([5.0, 2.0, 65.0])
    u = rng.dirichlet([1, 1, 1], 18).round(3)
    u[:, 2] = 1 - u[:, 0] - u[:, 1]
    x = low + (100 - low.sum()) * u
    study = doe.Study(
        "cream",
        [doe.Component(n, lo, lo + 28) for n, lo in zip(("oil", "wax", "water"), low, strict=True)],
        [doe.Response("y")],
    )
    data = pd.DataFrame(x, columns=study.names).assign(y=rng.normal(10, 1, 18) + 5 * u[:, 0] * u[:, 1])
    fit = doe.fit(study, data, "y")
    said = fit.equation(natural=False, pseudocomponents=True)
    U = np.column_stack([u, u[:, 0] * u[:, 1], u[:, 0] * u[:, 2], u[:, 1] * u[:, 2]])
    ref = sm.OLS(data["y"].to_numpy(), U).fit()
    assert said["term"].tolist() == list(fit.model.columns)
    np.testing.assert_allclose(said["estimate"], ref.params, rtol=1e-8)
    np.testing.assert_allclose(said["std_error"], ref.bse, rtol=1e-8)
    assert "oil as L-pseudocomponent" in str(said)
    np.testing.assert_allclose(
        evaluated(str(said), pd.DataFrame(u, columns=study.names)), ref.fittedvalues, atol=0.01 * fit.sigma
    )
    reduced = doe.fit(study, data, "y", ["oil", "wax", "water", "oil:wax"]).equation(False, pseudocomponents=True)
    assert reduced["term"].tolist() == ["oil", "wax", "water", "oil:wax"]
    for wrong in (
        lambda: fit.equation(pseudocomponents=True),
        lambda: doe.fit(gel, gel_data, "pH").equation(False, True),
    ):
        with pytest.raises(StudyError) as error:
            wrong()
        assert str(error.value) == (
            "equation: pseudocomponents is True but must be left out in natural units and where there are no components: write "
            "equation(natural=False, pseudocomponents=True) for a mixture."
        )


@pytest.mark.parametrize("model", ["quadratic", "crossed", "linear", "cubic"])
def test_mixture_and_process_equations_in_natural_units(model):
    """Terms free of components are spread over the blends, since the shares add up to one."""
    rng = np.random.default_rng(11)
    study = doe.Study(
        "cream",
        [
            doe.Component("oil", 5, 25),
            doe.Component("wax", 2, 12),
            doe.Component("water", 65, 93),
            doe.Continuous("speed", 400, 1000, "rpm"),
            doe.Continuous("warmth", 60, 80, "°C"),
        ],
        [doe.Response("thickness", "Pa·s")],
    )
    oil, wax = rng.uniform(5, 25, 60).round(2), rng.uniform(2, 12, 60).round(2)
    data = pd.DataFrame(
        {
            "oil": oil,
            "wax": wax,
            "water": (100 - oil - wax).round(2),
            "speed": rng.uniform(400, 1000, 60).round(),
            "warmth": rng.uniform(60, 80, 60).round(1),
        }
    )
    data["thickness"] = rng.normal(10, 2, 60) + 0.3 * data["oil"]
    fit = doe.fit(study, data, "thickness", model)
    said = fit.equation()
    x = fit.batches.settings
    columns = [
        np.prod([x[v.split("^")[0]] ** int((v + "^1").split("^")[1]) for v in t.split(":")], axis=0)
        if t != "1"
        else np.ones(60)
        for t in said["term"]
    ]
    np.testing.assert_allclose(np.column_stack(columns) @ said["estimate"].to_numpy(), fit.solution.fitted, rtol=1e-7)
    if model in ("quadratic", "crossed"):
        assert said["term"].tolist() == list(fit.model.columns)
    assert "oil in %" in str(said)
    assert "components as shares of the total" in str(fit)


def test_categorical_terms_and_blocks_are_explained(mixer):
    study, data = mixer
    said = str(doe.fit(study, data, "viscosity", TERMS).equation())
    assert "impeller[level] is 1 at that level, −1 at disc, else 0." in said
    assert "At the average block." in said
    assert "impeller[anchor]" in said.splitlines()[0]
    assert "polymer in %, speed in rpm" in said


def test_a_narrow_mixture_keeps_its_digits():
    """A polymer between 0.2 and 0.4 % of the batch: the blends' columns are all but parallel.

    Against the same solution in rational arithmetic on the decimals of the table.
    """
    from fractions import Fraction as Exact

    rng = np.random.default_rng(5)
    polymer, oil = rng.integers(20, 41, 20), rng.integers(100, 301, 20)
    study = doe.Study(
        "narrow",
        [doe.Component("polymer", 0.2, 0.4), doe.Component("oil", 1, 3), doe.Component("water", 96.6, 98.8)],
        [doe.Response("y")],
    )
    rows = [[Exact(int(p), 100), Exact(int(o), 100)] for p, o in zip(polymer, oil, strict=True)]
    rows = [[*r, 100 - sum(r)] for r in rows]
    data = pd.DataFrame([[float(v) for v in r] for r in rows], columns=study.names)
    data["y"] = np.round(5 + 20 * data["polymer"] + rng.normal(0, 0.1, 20), 2)
    fit = doe.fit(study, data, "y")
    X = [[v / 100 for v in r] for r in rows]
    X = [[*r, r[0] * r[1], r[0] * r[2], r[1] * r[2]] for r in X]
    y = [Exact(repr(v)) for v in data["y"].tolist()]
    M = [
        [sum(a[i] * a[j] for a in X) for j in range(6)] + [sum(a[i] * v for a, v in zip(X, y, strict=True))]
        for i in range(6)
    ]
    for c in range(6):
        M[c] = [v / M[c][c] for v in M[c]]
        for r in range(6):
            if r != c:
                M[r] = [a - M[r][c] * b for a, b in zip(M[r], M[c], strict=True)]
    exact = np.array([float(row[6]) for row in M])
    np.testing.assert_allclose(fit.beta, exact, rtol=1e-13)
    assert 0 <= fit.r2 <= 1
    assert np.all(fit.solution.leverage <= 1)


# ---- the object


def test_statsmodels_underneath_agrees(mixer):
    study, data = mixer
    fit = doe.fit(study, data, "viscosity", TERMS)
    assert fit.statsmodels.params.index.tolist() == [*fit.model.columns, "block[1]"]
    np.testing.assert_allclose(fit.statsmodels.params[: fit.model.p], fit.beta, rtol=1e-9)
    np.testing.assert_allclose(fit.statsmodels.bse[: fit.model.p], fit.coefficients["std_error"], rtol=1e-8)
    assert fit.statsmodels.rsquared == pytest.approx(fit.r2)


def test_a_fit_cannot_be_changed_and_survives_pickling(gel, gel_data):
    import pickle

    fit = doe.fit(gel, gel_data, "viscosity")
    with pytest.raises(AttributeError):
        fit.method = "other"
    again = pickle.loads(pickle.dumps(fit))
    assert isinstance(again, Fit)
    assert str(again) == str(fit)


def test_variance_components(gel, gel_data):
    fit = doe.fit(gel, gel_data, "viscosity")
    assert fit.variance_components.to_dict() == {"residual": pytest.approx(fit.sigma**2)}


def test_the_print_holds_what_was_fitted_how_and_on_how_much(gel_fitted_as, gel_data):
    fit = doe.fit(gel_fitted_as("log"), gel_data, "viscosity")
    text = str(fit)
    assert text.splitlines()[0] == (
        "viscosity (mPa·s), quadratic in 3 factors, least squares on the natural logarithm; 15 runs, 5 residual df (3 lack of fit, 2 "
        "pure error)"
    )
    assert "on the scale of ln viscosity" in text
    assert "read as a coefficient of variation" in text
    html = fit._repr_html_()
    for section in fit._sections():
        assert section.title.split(";")[0].split("²")[0] in html
    assert text == str(doe.fit(gel_fitted_as("log"), gel_data, "viscosity"))  # no clock, no object id


@pytest.mark.parametrize(
    ("transform", "words"),
    [
        ("log", "on the natural logarithm"),
        ("sqrt", "on the square root"),
        (("logit", 0, 40000), "on the logit between 0 and 40000"),
        (("box-cox", 0.5), "on the Box–Cox scale with λ = 0.5"),
        (None, "least squares;"),
    ],
)
def test_the_scale_stands_in_the_heading(gel_fitted_as, gel_data, transform, words):
    assert words in doe.fit(gel_fitted_as(transform), gel_data, "viscosity").heading


def test_names_with_blanks_are_quoted_in_terms_and_plain_in_the_equation():
    study = doe.Study(
        "blanks", [doe.Continuous("stir speed", 1, 3, "rpm"), doe.Continuous("pH set", 5, 7)], [doe.Response("y & z")]
    )
    data = pd.DataFrame({"stir speed": [1, 1, 3, 3, 2], "pH set": [5, 7, 5, 7, 6], "y & z": [1.0, 2, 3, 5, 2.9]})
    fit = doe.fit(study, data, "y & z", ["`stir speed`:`pH set`"])
    assert "`stir speed`:`pH set`" in fit.coefficients["term"].tolist()
    assert "·stir speed·pH set" in str(fit.equation())
    assert "y &amp; z" in fit._repr_html_()
