"""What `fit` and `fit_all` take, and every sentence with which they refuse."""

import pickle

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError
from doe.fits import Fits


def refusal(study, data, *args, **kwargs):
    with pytest.raises(StudyError) as error:
        doe.fit(study, data, *args, **kwargs)
    assert str(pickle.loads(pickle.dumps(error.value))) == str(error.value)
    return str(error.value)


# ---- from rows to batches


def test_readings_of_one_run_are_averaged_and_are_no_pure_error(gel, gel_data):
    twice = pd.concat([gel_data.assign(viscosity=gel_data["viscosity"] + d) for d in (-100.0, 100.0)])
    once, averaged = (doe.fit(gel, d, "viscosity") for d in (gel_data, twice))
    assert averaged.n == 15
    np.testing.assert_allclose(averaged.beta, once.beta, rtol=1e-12)
    pd.testing.assert_frame_equal(averaged.anova, once.anova)
    said = "Each batch's 2 readings are averaged: repeat readings of one batch say nothing of the batch-to-batch noise."
    assert said in str(averaged)
    assert said not in str(once)


def test_unequal_numbers_of_readings_are_said(gel, gel_data):
    more = pd.concat([gel_data, gel_data.iloc[[3]]], ignore_index=True)
    said = "Batches have from 1 to 2 readings, averaged; every mean counts the same, though those of few readings are less sure."
    assert said in str(doe.fit(gel, more, "viscosity"))


def test_a_batch_label_tells_batches_made_anew_from_readings(gel, gel_data):
    again = pd.concat([gel_data.assign(batch="a"), gel_data.iloc[[0]].assign(batch="b", viscosity=9000.0)])
    fit = doe.fit(gel, again, "viscosity")
    assert fit.n == 16
    assert fit.runs[0] == "1, batch a"
    assert fit.runs[-1] == "1, batch b"
    assert fit.runs[1] == 2
    table = fit.anova.set_index("source")
    assert table.loc["pure error", "df"] == 3  # two of three centre batches, one of two of run 1
    without_label = doe.fit(gel, again.drop(columns="batch"), "viscosity")
    assert without_label.n == 15
    assert without_label.anova.set_index("source").loc["pure error", "df"] == 2


def test_rows_without_run_or_batch_are_batches_and_this_is_said(gel, gel_data):
    said = "Repeated settings are taken for batches made anew; if they are readings of one batch, say so in a column 'batch'."
    assert said in str(doe.fit(gel, gel_data.drop(columns="run"), "viscosity"))
    assert said not in str(doe.fit(gel, gel_data, "viscosity"))


def test_the_run_may_be_the_index(gel, gel_data):
    a, b = doe.fit(gel, gel_data, "viscosity"), doe.fit(gel, gel_data.set_index("run"), "viscosity")
    assert a.runs.tolist() == b.runs.tolist()
    assert str(a) == str(b)


def test_missing_readings_are_listed(gel, gel_data):
    data = gel_data.astype({"viscosity": object})
    data.loc[1, "viscosity"] = None
    data.loc[4, "viscosity"] = "  "
    fit = doe.fit(gel, data, "viscosity", "linear")
    assert fit.n == 13
    assert fit.unused.to_dict("list") == {"run": [2, 5], "reason": ["no reading of viscosity"] * 2}
    assert "Not in the fit" in str(fit)
    assert "Not in the fit" not in str(doe.fit(gel, gel_data, "viscosity", "linear"))
    assert doe.fit(gel, data, "pH", "linear").n == 15


def test_runs_left_out_are_shown_with_their_reason(gel, gel_data):
    fit = doe.fit(gel, gel_data, "viscosity", "linear", without={7: "beaker dropped"})
    assert fit.n == 14
    assert 7 not in fit.runs
    assert fit.unused.to_dict("list") == {"run": [7], "reason": ["beaker dropped"]}
    assert "beaker dropped" in str(fit)
    assert "beaker dropped" in fit._repr_html_()
    assert not np.allclose(fit.beta, doe.fit(gel, gel_data, "viscosity", "linear").beta)


def test_a_run_label_comes_before_a_batch_label_in_without(gel, gel_data):
    data = gel_data.assign(batch=list(range(15, 0, -1)))
    fit = doe.fit(gel, data, "viscosity", "linear", without={2: "spilt"})
    assert 2 not in fit.runs
    assert 14 in fit.runs
    named = doe.fit(gel, gel_data.assign(batch=[f"B{i}" for i in range(15)]), "pH", "linear", without={"B3": "spilt"})
    assert 4 not in named.runs


def test_other_columns_are_said_not_to_be_used(gel, gel_data):
    assert "Columns not used: operator." in str(doe.fit(gel, gel_data.assign(operator="A"), "viscosity"))


def test_records_give_one_mean_a_batch(gel, gel_data):
    from doe.designs import Plan

    plan = Plan(gel, gel_data.set_index("run")[gel.names])
    long = gel_data.loc[gel_data.index != 5].assign(replicate=1)
    second = long.iloc[[0]].assign(viscosity=1000.0, replicate=2)
    records = doe.bench.Records.from_frame(pd.concat([long, second], ignore_index=True), plan)
    fit = doe.fit(gel, records, "viscosity", "linear")
    assert fit.n == 14
    assert fit.batches.counts.tolist() == [2] + [1] * 13
    assert fit.batches.values[0] == (gel_data["viscosity"][0] + 1000.0) / 2
    assert fit.unused.to_dict("list") == {"run": [6], "reason": ["no reading of viscosity"]}


def test_a_planned_run_may_be_left_out_even_where_one_response_has_no_reading(gel, gel_data):
    from doe.designs import Plan

    plan = Plan(gel, gel_data.set_index("run")[gel.names])
    data = gel_data.astype({"pH": object})
    data.loc[2, "pH"] = None
    records = doe.bench.Records.from_frame(data, plan)
    fits = doe.fit_all(gel, records, "linear", without={3: "spilt"})
    for name in ("viscosity", "pH"):
        assert fits[name].n == 14
        assert fits[name].unused.to_dict("list") == {"run": [3], "reason": ["spilt"]}


def test_blocks_may_be_days(gel, gel_data):
    days = pd.to_datetime(["2026-03-02", "2026-03-03", "2026-03-04"] * 5)
    fit = doe.fit(gel, gel_data.assign(block=days), "viscosity", "linear")
    assert fit.block_names == ("block[2026-03-02 00:00:00]", "block[2026-03-03 00:00:00]")
    numbered = doe.fit(gel, gel_data.assign(block=[10, 2, 1] * 5), "viscosity", "linear")
    assert numbered.block_names == ("block[1]", "block[2]")


def test_readings_of_several_times_are_not_averaged(gel, gel_data):
    later = pd.concat([gel_data.assign(time="24 h"), gel_data.assign(time="4 wk")])
    assert refusal(gel, later, "viscosity") == (
        "the data: column 'time' is ['24 h', '4 wk'] but must be one time in all rows of a fit: keep the rows of one time, or "
        "give the response its times."
    )
    assert doe.fit(gel, later[later["time"] == "24 h"], "viscosity").n == 15


def test_reordering_the_rows_changes_nothing_but_the_order(gel, gel_data):
    shuffled = gel_data.assign(block=["x", "y", "z"] * 5).sample(frac=1, random_state=3)
    a = doe.fit(gel, gel_data.assign(block=["x", "y", "z"] * 5), "viscosity")
    b = doe.fit(gel, shuffled, "viscosity")
    np.testing.assert_allclose(a.beta, b.beta, rtol=1e-12)
    np.testing.assert_allclose(a.anova["ss"], b.anova["ss"], rtol=1e-9)
    d = b.diagnostics().set_index("run").loc[a.runs]
    np.testing.assert_allclose(a.diagnostics()["cooks_distance"], d["cooks_distance"], rtol=1e-8)


def test_the_example_in_the_docstring_is_true():
    import doctest

    from doe.fits import least_squares

    outcome = doctest.testmod(least_squares)
    assert outcome.attempted > 0
    assert outcome.failed == 0


# ---- refusals, each in full


def test_unknown_response(gel, gel_data):
    assert refusal(gel, gel_data, "viskosity") == (
        "response is 'viskosity' but must be a response of the study: did you mean 'viscosity'?"
    )


def test_missing_response_column(gel, gel_data):
    assert refusal(gel, gel_data.rename(columns={"viscosity": "viscosty"}), "viscosity") == (
        "the data: column 'viscosity' is 'missing' but must be there, one reading a row: did you mean 'viscosty'?"
    )


def test_missing_factor_column(gel, gel_data):
    assert refusal(gel, gel_data.drop(columns="speed"), "viscosity").startswith(
        "the data: column 'speed' is 'missing' but must be there, one for every factor: add it"
    )


@pytest.mark.parametrize(("typed", "meant"), [("Block", "block"), ("whole plot", "whole_plot"), ("batches", "batch")])
def test_a_column_that_is_almost_a_label(gel, gel_data, typed, meant):
    assert refusal(gel, gel_data.assign(**{typed: 1}), "viscosity") == (
        f"the data: column is {typed!r} but must be a factor, a response or one of run, block, whole_plot, replicate, batch: it "
        f"is an unknown column: rename it to {meant!r} if that is meant, or drop it."
    )


def test_a_column_twice(gel, gel_data):
    data = pd.concat([gel_data, gel_data[["pH"]]], axis=1)
    assert refusal(gel, data, "viscosity") == (
        "the data: column 'pH' is 'there twice' but must be there once: drop one of the two."
    )


def test_data_of_another_kind(gel):
    assert refusal(gel, [1, 2], "viscosity") == (
        "data is 'list' but must be Records or a DataFrame: read the sheet with doe.bench.read_sheet, or make a table with "
        "pandas.DataFrame."
    )


def test_study_of_another_kind(gel_data):
    assert refusal("gel", gel_data, "viscosity") == (
        "study is 'str' but must be a doe.Study: make it with doe.Study(name, factors, responses)."
    )


@pytest.mark.parametrize("cell", ["thick", "<", "60..50", True])
def test_a_reading_that_is_no_number(gel, gel_data, cell):
    data = gel_data.astype({"viscosity": object})
    data.loc[4, "viscosity"] = cell
    assert refusal(gel, data, "viscosity") == (
        f'the data, run 5, column \'viscosity\' is {cell!r} but must be a number, a bound such as "<50", ">100000" or "50..60", or '
        "blank: correct the reading, or leave it blank and keep the text in a remark."
    )


def test_no_reading_at_all(gel, gel_data):
    assert refusal(gel, gel_data.assign(viscosity=np.nan), "viscosity") == (
        "the data: column 'viscosity' is 'blank in every row' but must be a number in some rows: enter the readings first."
    )


def test_a_setting_out_of_kind_is_named_by_its_run(gel, gel_data):
    data = gel_data.astype({"speed": object})
    data.loc[2, "speed"] = "fast"
    assert refusal(gel, data, "viscosity") == (
        "the data, row 3, column 'speed' is 'fast' but must be a number in rpm: correct the cell."
    )


def test_a_blank_run(gel, gel_data):
    assert refusal(gel, gel_data.assign(run=[1.0, np.nan, *range(3, 16)]), "viscosity") == (
        "the data, row 2, column 'run' is 'blank' but must be a run's label: fill it in."
    )


def test_readings_of_one_run_at_two_settings(gel, gel_data):
    data = gel_data.assign(run=[1, 1, *range(3, 16)])
    assert refusal(gel, data, "viscosity") == (
        "the data, run 1: neutralisation is [50, 90] but must be one setting in all readings of a batch: correct it, or give "
        "batches that were made anew a batch label of their own."
    )


def test_readings_of_one_run_in_two_blocks(gel, gel_data):
    data = pd.concat([gel_data.assign(block=1), gel_data.iloc[[0]].assign(block=2)])
    assert refusal(gel, data, "viscosity") == (
        "the data, run 1: block is [1, 2] but must be one block in all readings of a batch: correct it, or give batches that were "
        "made anew a batch label of their own."
    )


def test_the_same_replicate_twice(gel, gel_data):
    data = pd.concat([gel_data.assign(replicate=1), gel_data.iloc[[0]].assign(replicate=1)])
    assert refusal(gel, data, "viscosity") == (
        "the data, run 1: replicate is 1 but must be there once in a batch: drop the row that was entered twice, or number the "
        "readings 1, 2, 3."
    )
    assert doe.fit(gel, data.assign(replicate=[*[1] * 15, 2]), "viscosity").n == 15


def test_a_blank_block(gel, gel_data):
    data = gel_data.assign(block=["a", None, *["b"] * 13])
    assert refusal(gel, data, "viscosity") == (
        "the data, run 2, column 'block' is 'blank' but must be the block it was made in: fill it in, or drop the column."
    )


def test_without_an_unknown_run(gel, gel_data):
    assert refusal(gel, gel_data, "viscosity", without={77: "spilt"}) == (
        "without: run is 77 but must be a run of the data: did you mean '7'?"
    )


def test_without_a_reason(gel, gel_data):
    assert refusal(gel, gel_data, "viscosity", without={7: " "}) == (
        "without: run 7 is ' ' but must be a reason in words: say why: every report shows it."
    )
    assert refusal(gel, gel_data, "viscosity", without=[7]) == (
        'without is [7] but must be a mapping from run to reason: write {7: "beaker dropped"}.'
    )


def test_equal_readings(gel, gel_data):
    assert refusal(gel, gel_data.assign(pH=6.0), "pH") == (
        "response 'pH': reading is 6.0 but must be different between runs, yet all are the same: there is nothing to explain: "
        "check that the readings were entered run by run."
    )


def test_a_reading_its_transform_cannot_take(gel_fitted_as, gel_data):
    data = gel_data.assign(viscosity=gel_data["viscosity"].where(gel_data["run"] != 9, 0.0))
    assert refusal(gel_fitted_as("log"), data, "viscosity") == (
        "response 'viscosity', run 9: reading is 0.0 but must be above 0 for its transform: correct the reading, leave it out with "
        "its reason, or choose another transform."
    )


def test_terms_that_cannot_be_told_apart(gel, gel_data):
    data = gel_data.assign(speed=700 + 300 * (gel_data["polymer"] - 0.4) / 0.2)
    assert refusal(gel, data, "viscosity", "linear") == (
        "model for 'viscosity': terms is 'speed with polymer' but must be such that these 15 batches tell them apart: drop one of "
        "each group named, choose a smaller model, or make runs that separate them."
    )
    assert refusal(gel, data.assign(speed=700.0), "viscosity", "linear") == (
        "model for 'viscosity': terms is 'speed (the same on all runs)' but must be such that these 15 batches tell them apart: "
        "drop one of each group named, choose a smaller model, or make runs that separate them."
    )


def test_squares_that_runs_on_a_sphere_cannot_tell_apart(gel):
    """A rotatable composite plan without centre: the squares add up to a constant."""
    z = np.array(
        [(a, b) for a in (-1, 1) for b in (-1, 1)] + [(2**0.5, 0), (-(2**0.5), 0), (0, 2**0.5), (0, -(2**0.5))]
    )
    study = doe.Study("two", [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)], [doe.Response("y")])
    data = pd.DataFrame({"a": z[:, 0], "b": z[:, 1], "y": range(8)})
    assert "terms is 'b^2 with a^2 with 1' but must be" in refusal(study, data, "y")
    centre = pd.DataFrame({"a": [0.0], "b": [0.0], "y": [3.0]})
    assert doe.fit(study, pd.concat([data, centre]), "y").n == 9


def test_a_block_that_is_a_factor_in_disguise(gel, gel_data):
    data = gel_data[gel_data["polymer"] != 0.4].assign(block=lambda d: np.where(d["polymer"] > 0.4, "new", "old"))
    assert "'block[new] with polymer'" in refusal(gel, data, "viscosity", "linear")


# ---- methods


def hard_study():
    return doe.Study(
        "bath",
        [doe.Continuous("temperature", 20, 40, "°C", hard_to_change=True), doe.Continuous("speed", 400, 1000, "rpm")],
        [doe.Response("viscosity", "mPa·s")],
    )


@pytest.fixture
def bath_data():
    return pd.DataFrame(
        {
            "run": range(1, 9),
            "whole_plot": [1, 1, 2, 2, 3, 3, 4, 4],
            "temperature": [20, 20, 40, 40, 20, 20, 40, 40],
            "speed": [400, 1000] * 4,
            "viscosity": [9.1, 8.2, 7.0, 6.4, 9.6, 8.8, 6.6, 5.9],
        }
    )


def test_least_squares_on_whole_plots_needs_an_explicit_word(bath_data):
    assert doe.fit(hard_study(), bath_data, "viscosity", "linear").method == "reml"
    assert refusal(hard_study(), bath_data.drop(columns="whole_plot"), "viscosity", "linear") == (
        'method is None but must be "least squares", in so many words, where a factor is hard to change (temperature) and the data '
        "have no column 'whole_plot': add the column, or write method=\"least squares\" to treat every batch as set up anew."
    )
    fit = doe.fit(hard_study(), bath_data, "viscosity", "linear", method="least squares")
    assert (
        "Least squares as asked, though batches share whole plots: the standard errors of whole-plot effects are then too small."
        in str(fit)
    )
    assert fit.method == "least squares"
    plain = doe.fit(hard_study(), bath_data.drop(columns="whole_plot"), "viscosity", "linear", method="least squares")
    assert "though temperature is hard to change" in str(plain)


def test_whole_plots_of_one_batch_need_no_word(bath_data):
    fit = doe.fit(hard_study(), bath_data.assign(whole_plot=range(8)), "viscosity", "linear")
    assert "Least squares, since every whole plot holds one batch." in str(fit)


def test_a_method_that_does_not_exist(gel, gel_data):
    assert refusal(gel, gel_data, "viscosity", method="magic") == (
        'method is \'magic\' but must be "least squares", "reml", "gls", "ordinal", "censored" or None: leave it out to have it picked.'
    )


def test_the_reason_for_the_method_is_printed(gel, gel_data):
    assert "Least squares, since every batch was set up by itself." in str(doe.fit(gel, gel_data, "viscosity"))
    assert "Least squares as asked." in str(doe.fit(gel, gel_data, "viscosity", method="least squares"))


# ---- all responses


def test_fit_all_is_a_mapping_in_the_studys_order(gel, gel_data):
    fits = doe.fit_all(gel, gel_data, "linear")
    assert list(fits) == ["viscosity", "pH"]
    assert len(fits) == 2
    assert fits.study is gel
    assert "pH" in fits
    assert "colour" not in fits
    assert fits.get("colour") is None
    assert fits["pH"].beta == pytest.approx(doe.fit(gel, gel_data, "pH", "linear").beta)


def test_fit_all_takes_a_model_for_each_response(gel, gel_data):
    fits = doe.fit_all(gel, gel_data, {"viscosity": "quadratic", "pH": ["neutralisation"]})
    assert fits["viscosity"].model.p == 10
    assert fits["pH"].model.terms == ("1", "neutralisation")
    text = str(fits)
    assert "viscosity (mPa·s)" in text
    assert "polymer:speed" in text
    assert "viscosity (mPa·s)" in fits._repr_html_()


def test_fit_all_hands_on_method_and_without(bath_data):
    fits = doe.fit_all(hard_study(), bath_data, "linear", method="least squares", without={3: "spilt"})
    assert fits["viscosity"].n == 7
    assert fits["viscosity"].unused["reason"].tolist() == ["spilt"]


def test_fit_all_refusals(gel, gel_data):
    def said(call):
        with pytest.raises(StudyError) as error:
            call()
        return str(error.value)

    assert said(lambda: doe.fit_all(gel, gel_data, {"viscosity": "linear"})) == (
        "model is ['viscosity'] but must be a model for every response: add one for 'pH'."
    )
    assert said(lambda: doe.fit_all(gel, gel_data, {"viscosity": "linear", "ph": "linear"})) == (
        "model is 'ph' but must be a response of the study: did you mean 'pH'?"
    )
    empty = doe.Study("none", gel.factors)
    assert said(lambda: doe.fit_all(empty, gel_data)) == (
        "study: responses is [] but must be at least one response: add doe.Response(…) to the study."
    )
    fits = doe.fit_all(gel, gel_data, "linear")
    assert said(lambda: fits["colour"]) == (
        "fits is 'colour' but must be a fitted response: known names are 'viscosity', 'pH'."
    )
    assert said(lambda: Fits(gel, {})) == "fits is {} but must be at least one fit: fit a response first."
    assert said(lambda: Fits(empty, dict(fits))) == (
        "fits: 'viscosity' is 'gel' but must be a fit of study 'none': fit it again."
    )


def test_fits_reduce_together(gel, gel_data):
    fits = doe.fit_all(gel, gel_data)
    small = fits.reduced(by="bic", heredity="strong")
    assert list(small) == list(fits)
    assert small["pH"].model.p < fits["pH"].model.p
    assert fits.reduced(by="p", alpha=0.9)["pH"].model.p > fits.reduced(by="p", alpha=1e-6)["pH"].model.p
