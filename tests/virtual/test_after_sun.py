"""The virtual bench: its truth behaves as chemistry says, its noise is what it says, its chances are right."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import logit
from scipy.stats import multivariate_normal, norm

from doe.designs import Plan, box_behnken, full_factorial
from doe.study import Component, Continuous, Response, Study, StudyError
from doe.virtual import AfterSunGel
from doe.virtual.after_sun import BASE_SD, BEAKER_SD, CORRELATION, READING_SD
from doe.virtual.mechanism import RESPONSES

MIDDLE = {"carbomer": 0.40, "crosspolymer": 0.25, "neutralisation": 0.60, "speed": 400.0}


@pytest.fixture(scope="module")
def gel():
    return AfterSunGel()


def along(gel, name, values, **held):
    """The truth along one factor, the others held in the middle."""
    return gel.truth(pd.DataFrame([{**MIDDLE, **held, name: v} for v in values]))


# ---- the truth behaves as chemistry says


@pytest.mark.parametrize("polymer", ["carbomer", "crosspolymer"])
def test_polymer_thickens_holds_and_breaks_beads(gel, polymer):
    truth = along(gel, polymer, np.linspace(0.1, 0.9, 30))
    assert (np.diff(truth["viscosity"]) > 0).all()
    assert (np.diff(truth["stability"]) > 0).all()
    assert (np.diff(truth["bead size"]) < 0).all()


def test_viscosity_is_a_power_of_polymer_as_the_trade_finds(gel):
    """Exponent about 1 to 3 in 0.2 to 1 % polymer: common practice, no source."""
    total = np.array([0.5, 1.0])
    frame = pd.DataFrame({**MIDDLE, "carbomer": total * 0.6, "crosspolymer": total * 0.4})
    exponent = np.diff(np.log(gel.truth(frame)["viscosity"])) / np.diff(np.log(total))
    assert 1 < exponent[0] < 3


def test_base_raises_ph_always_and_viscosity_with_diminishing_return(gel):
    """The plateau about pH 6 to 7.5 and the fall with excess base: Handbook of Pharmaceutical Excipients, from memory; common practice."""
    truth = along(gel, "neutralisation", [0.1, 0.3, 0.5, 0.7, 0.9, 1.2])
    viscosity = truth["viscosity"].to_numpy()
    assert (np.diff(truth["pH"]) > 0).all()
    gains = np.diff(np.log(viscosity))
    assert (np.diff(gains[:4]) < 0).all()  # saturation: each further base does less
    assert gains[0] > 1
    assert gains[-1] < 0  # excess base is an electrolyte
    top = along(gel, "neutralisation", np.linspace(0.4, 1.2, 200))
    assert 6 < top["pH"][top["viscosity"].idxmax()] < 7.5


def test_neutralising_needs_more_base_for_more_polymer_to_the_same_ph(gel):
    """The chain's own counter-ions shift the apparent pK: pH falls a little with polymer at one degree."""
    assert (np.diff(along(gel, "carbomer", [0.2, 0.4, 0.6])["pH"]) < 0).all()


def test_speed_breaks_beads_and_wears_the_gel(gel):
    truth = along(gel, "speed", np.linspace(100, 1100, 30))
    assert (np.diff(truth["bead size"]) < 0).all()
    assert (np.diff(truth["viscosity"]) < 0).all()
    assert (truth["pH"] == truth["pH"].iloc[0]).all()


def test_carbomer_rich_gels_are_worn_more_by_stirring(gel):
    """An interaction: what speed does to viscosity depends on the polymers."""
    rich = along(gel, "speed", [200, 600], carbomer=0.55, crosspolymer=0.10)["viscosity"]
    poor = along(gel, "speed", [200, 600], carbomer=0.25, crosspolymer=0.40)["viscosity"]
    assert rich[1] / rich[0] < 0.8 * poor[1] / poor[0]


def test_stability_stays_a_share(gel):
    corners = full_factorial(gel.study).runs
    share = gel.truth(corners)["stability"]
    assert ((share > 0) & (share < 100)).all()
    assert share.min() < 20
    assert share.max() > 95


def test_quadratic_on_the_fitted_scales_is_adequate(gel):
    """Against the truth without noise the quadratic errs, over the region, by less than half a batch's standard deviation."""
    plan = box_behnken(gel.study, centre=3)
    model = gel.study.model("quadratic")
    rng = np.random.default_rng(1)
    there = pd.DataFrame({f.name: rng.uniform(f.low, f.high, 2000) for f in gel.study.numeric})
    design, anywhere = gel.truth(plan.runs), gel.truth(there)
    for response in gel.study.responses:
        beta = np.linalg.lstsq(model.matrix(plan.runs), response.forward(design[response.name]), rcond=None)[0]
        error = model.matrix(there) @ beta - response.forward(anywhere[response.name])
        batch = gel.noise.loc[response.name, "one reading of one batch"]
        assert np.sqrt(np.mean(error**2)) < 0.25 * batch
        assert np.abs(error).max() < batch


# ---- the noise is what it says


def repeated(gel, count, whole=None):
    table = pd.DataFrame([MIDDLE] * count)
    if whole is not None:
        table["whole_plot"] = whole
    return Plan.from_frame(gel.study, table)


def fitted(gel, records):
    """Readings of the first replicate on the fitted scales, shape (n, responses)."""
    first = records.data[records.data["replicate"] == 1]
    wide = first.pivot(index="run", columns="response", values="value")
    return np.column_stack([r.forward(wide[r.name]) for r in gel.study.responses])


def test_batches_scatter_by_the_stated_covariance():
    """3000 batches: a standard deviation is known to 1.3 %, a correlation to 0.018; four standard errors are allowed."""
    gel = AfterSunGel(setting_error=False)
    values = fitted(gel, gel.make(repeated(gel, 3000), seed=11))
    covariance = (
        CORRELATION * np.outer(BASE_SD, BASE_SD) + CORRELATION * np.outer(BEAKER_SD, BEAKER_SD) + np.diag(READING_SD**2)
    )
    sd = np.sqrt(np.diag(covariance))
    assert np.abs(values.std(axis=0, ddof=1) / sd - 1).max() < 0.052
    assert np.abs(np.corrcoef(values.T) - covariance / np.outer(sd, sd)).max() < 0.072
    middle = gel.truth(pd.DataFrame([MIDDLE]))
    centre = np.array([r.forward(middle[r.name])[0] for r in gel.study.responses])
    assert np.abs(values.mean(axis=0) - centre).max() < (4 * sd / np.sqrt(3000) + 1e-3).max()


def test_noise_table_adds_up():
    noise = AfterSunGel().noise
    parts = noise[["base gel", "beaker", "reading"]]
    assert np.allclose((parts**2).sum(axis=1), noise["one reading of one batch"] ** 2)
    assert list(noise.index) == list(RESPONSES)


def test_beakers_of_a_whole_plot_share_their_base_gel():
    """600 whole plots of 3: variance between, by analysis of variance, against the constant; four standard errors."""
    gel = AfterSunGel(hard_to_change=True, setting_error=False)
    assert gel.study.hard_to_change == ["carbomer", "crosspolymer"]
    groups, size = 600, 3
    plan = repeated(gel, groups * size, np.repeat(np.arange(groups), size))
    values = fitted(gel, gel.make(plan, seed=5)).reshape(groups, size, -1)
    between = values.mean(axis=1).var(axis=0, ddof=1)
    within = values.var(axis=1, ddof=1).mean(axis=0)
    inner = BEAKER_SD**2 + READING_SD**2
    assert np.abs(within / inner - 1).max() < 4 * np.sqrt(2 / (groups * (size - 1)))
    expected = BASE_SD**2 + inner / size
    assert np.abs(between / expected - 1).max() < 4 * np.sqrt(2 / (groups - 1))


def test_without_whole_plots_every_batch_has_its_own_base_gel():
    gel = AfterSunGel(hard_to_change=True, setting_error=False)
    one_each = gel.make(repeated(gel, 6, list("abcdef")), seed=2)
    shared = gel.make(repeated(gel, 6, list("aabbcc")), seed=2)
    alone = AfterSunGel(setting_error=False)
    assert fitted(gel, one_each) == pytest.approx(fitted(alone, alone.make(repeated(alone, 6), seed=2)))
    assert not np.allclose(fitted(gel, one_each), fitted(gel, shared))


def test_setting_error_adds_scatter():
    exact, missed = AfterSunGel(setting_error=False), AfterSunGel()
    plan = repeated(exact, 400)
    a, b = fitted(exact, exact.make(plan, seed=3)), fitted(missed, missed.make(plan, seed=3))
    # the other streams are the same, so the difference is the missed settings alone: pH by neutralisation
    slope = along(exact, "neutralisation", [0.59, 0.61])["pH"].diff().iloc[1] / 0.02
    assert (b - a)[:, 1].std() == pytest.approx(slope * 0.008, rel=0.2)


def test_reading_again_changes_no_batch(gel):
    plan = repeated(gel, 5)
    once, thrice = gel.make(plan, seed=4), gel.make(plan, seed=4, readings=3)
    first = thrice.data[thrice.data["replicate"] == 1]
    assert first["value"].tolist() == once.data["value"].tolist()
    assert set(thrice.data["replicate"]) == {1, 2, 3}
    spread = thrice.data[thrice.data["response"] == "pH"].groupby("run")["value"].std()
    assert (spread > 0).any()
    assert spread.max() < 5 * 0.02  # readings scatter by the reading's error, not by the batch's


def test_same_seed_same_batches_in_whatever_order(gel):
    plan = box_behnken(gel.study, centre=3)
    records, again = gel.make(plan, seed=7), gel.make(plan.randomised(3), seed=7)
    pd.testing.assert_frame_equal(records.data, again.data)
    assert not records.data["value"].equals(gel.make(plan, seed=8).data["value"])
    assert records.problems.empty


def test_readings_are_written_down_as_instruments_show_them(gel):
    data = gel.make(box_behnken(gel.study, centre=3), seed=1).data
    digit = {"viscosity": 10, "pH": 0.01, "stability": 0.1, "bead size": 1}
    for name, unit in digit.items():
        steps = data.loc[data["response"] == name, "value"] / unit
        assert np.abs(steps - steps.round()).max() < 1e-6
    poor = pd.DataFrame([{"carbomer": 0.05, "crosspolymer": 0.0, "neutralisation": 0.4, "speed": 400.0}] * 3)
    scores = gel.make(Plan.from_frame(gel.study, poor), seed=1).frame("stability")["stability"]
    assert (scores == 0.1).all()


def test_a_study_of_fewer_responses_is_measured_on_those(gel):
    study = Study("less", gel.study.factors, [gel.study.response("pH")])
    plan = box_behnken(study, centre=3)
    whole = gel.make(box_behnken(gel.study, centre=3), seed=1).frame("pH")["pH"]
    assert gel.make(plan, seed=1).frame("pH")["pH"].equals(whole)


# ---- chances


def test_conforming_agrees_with_normal_theory():
    """Without setting errors the noise is normal: the rectangle's probability by Genz's method, to four Monte-Carlo errors."""
    gel = AfterSunGel(setting_error=False)
    settings = pd.DataFrame(
        [
            {**MIDDLE, "neutralisation": 0.62},
            {"carbomer": 0.36, "crosspolymer": 0.25, "neutralisation": 0.45, "speed": 420.0},
            {"carbomer": 0.50, "crosspolymer": 0.38, "neutralisation": 0.48, "speed": 420.0},
        ]
    )
    limits = np.array([r.fitted_limits() for r in gel.study.responses])
    truth = gel.truth(settings)
    for readings in (1, 4):
        noise = np.diag(READING_SD**2) / readings
        covariance = CORRELATION * np.outer(BASE_SD, BASE_SD) + CORRELATION * np.outer(BEAKER_SD, BEAKER_SD) + noise
        found = gel.conforming(settings, readings=readings, draws=40_000, seed=1)
        for i in settings.index:
            centre = np.array([r.forward(truth.loc[[i], r.name])[0] for r in gel.study.responses])
            law = multivariate_normal(centre, covariance, seed=np.random.default_rng(0))
            exact = law.cdf(np.minimum(limits[:, 1], 50), lower_limit=np.maximum(limits[:, 0], -50))
            assert abs(found.loc[i, "probability"] - exact) < 4 * found.loc[i, "mc_error"] + 1e-3


def test_a_sensible_window_exists_and_the_rest_fails(gel):
    rng = np.random.default_rng(2)
    there = pd.DataFrame({f.name: rng.uniform(f.low, f.high, 300) for f in gel.study.numeric})
    chance = gel.conforming(there, draws=1000)["probability"]
    assert chance.max() > 0.99
    assert 0.1 < (chance > 0.9).mean() < 0.4
    assert (chance < 0.1).mean() > 0.4


def test_setting_error_widens_what_a_new_batch_may_be():
    edge = pd.DataFrame([{"carbomer": 0.45, "crosspolymer": 0.30, "neutralisation": 0.61, "speed": 250.0}])
    exact = AfterSunGel(setting_error=False).conforming(edge)["probability"].iloc[0]
    missed = AfterSunGel().conforming(edge)["probability"].iloc[0]
    assert missed < exact


def test_monte_carlo_error_is_as_stated(gel):
    edge = pd.DataFrame([{**MIDDLE, "neutralisation": 0.62}])
    chances = [gel.conforming(edge, draws=500, seed=s)["probability"].iloc[0] for s in range(60)]
    stated = gel.conforming(edge, draws=500)["mc_error"].iloc[0]
    assert (
        0.6 < np.std(chances) / stated < 1.5
    )  # 60 repeats: a standard deviation to 9 %, four of them and the estimate's own
    assert gel.conforming(edge, draws=500, seed=1).equals(gel.conforming(edge, draws=500, seed=1))


# ---- stability scored by eye


def test_scores_are_those_of_the_share_behind_them():
    gel, scored = AfterSunGel(setting_error=False), AfterSunGel(setting_error=False, scored=True)
    assert scored.study.response("stability").scale == (1, 5)
    there = pd.DataFrame([{**MIDDLE, "carbomer": c, "crosspolymer": x} for c in (0.25, 0.4, 0.55) for x in (0.1, 0.4)])
    share, score = gel.truth(there)["stability"], scored.truth(there)["stability"]
    assert score.tolist() == (1 + np.searchsorted([25, 50, 75, 92], share, side="right")).tolist()
    assert score.nunique() > 2
    others = ["viscosity", "pH", "bead size"]
    pd.testing.assert_frame_equal(gel.truth(there)[others], scored.truth(there)[others])
    plan, counted = repeated(scored, 40), repeated(gel, 40)
    made = scored.make(plan, seed=3, readings=2).data.set_index("response")["value"]
    assert set(made["stability"]) <= {1.0, 2.0, 3.0, 4.0, 5.0}
    both = gel.make(counted, seed=3, readings=2).data.set_index("response")["value"]
    assert (made["pH"].to_numpy() == both["pH"].to_numpy()).all()


def test_a_score_is_met_as_normal_theory_says():
    """The logit share of a batch is normal about the truth, the eye's error with it; to four Monte-Carlo errors."""
    gel = AfterSunGel(setting_error=False, scored=True)
    there = pd.DataFrame([{**MIDDLE, "neutralisation": 0.50, "crosspolymer": 0.20}])
    share = AfterSunGel(setting_error=False).truth(there)["stability"].iloc[0]
    sd = gel.noise.loc["stability", "one reading of one batch"]
    assert sd == pytest.approx(np.sqrt(0.15**2 + 0.25**2 + 0.60**2))
    good = norm.cdf((logit(share / 100) - logit(0.75)) / sd)
    plan = repeated(gel, 4000).runs.assign(**there.iloc[0].to_dict())
    scores = gel.make(Plan.from_frame(gel.study, plan), seed=4).data.query("response == 'stability'")["value"]
    assert 0.1 < good < 0.9
    assert (scores >= 4).mean() == pytest.approx(good, abs=4 * np.sqrt(good * (1 - good) / 4000))
    # one reading more: the mean of two scores meets the same limit, so the chance moves
    once, twice = (gel.conforming(there, readings=n)["probability"].iloc[0] for n in (1, 2))
    assert once < good + 0.01
    assert once != twice


# ---- shown, and bad input


def test_it_says_that_it_is_invented(gel):
    text, page = repr(gel), gel._repr_html_()
    for words in ("after-sun gel, invented", "Every batch has its own base gel", "INVENTED", "ln viscosity"):
        assert words in text
        assert words in page
    assert "One base gel feeds the beakers" in repr(AfterSunGel(hard_to_change=True))
    assert "Settings are met exactly" in repr(AfterSunGel(setting_error=False))
    by_eye = repr(AfterSunGel(scored=True))
    assert "scored by eye" in by_eye
    assert "two photographs" not in by_eye
    assert "logit of the share behind stability" in by_eye
    assert "two photographs" in text


def sentence_of(call):
    with pytest.raises(StudyError) as caught:
        call()
    return str(caught.value)


def test_bad_input_in_one_sentence(gel):
    plan = box_behnken(gel.study, centre=3)
    assert sentence_of(lambda: AfterSunGel(hard_to_change=1)) == (
        "virtual bench: hard_to_change is 1 but must be True or False: write one of the two."
    )
    assert (
        sentence_of(lambda: gel.make(plan.runs)) == "plan is 'DataFrame' but must be a Plan: make one with doe.designs."
    )
    assert (
        sentence_of(lambda: gel.make(plan, readings=0))
        == "readings is 0 but must be a whole number from 1: correct the number."
    )
    assert (
        sentence_of(lambda: gel.make(plan, seed=-1))
        == "seed is -1 but must be a whole number from 0: correct the number."
    )
    assert (
        sentence_of(lambda: gel.conforming(plan.runs, draws=10))
        == "draws is 10 but must be a whole number from 100: correct the number."
    )
    assert sentence_of(lambda: AfterSunGel(scored=True).make(plan)) == (
        "plan: stability is 'counted as a share' but must be scored on the scale (1, 5), as this bench reads it: "
        "plan the study that the virtual bench gives, or make the bench with scored=True or False."
    )
    fast = pd.DataFrame([MIDDLE | {"speed": 1500.0}])
    assert sentence_of(lambda: gel.truth(fast)) == (
        "the table, row 0, column 'speed' is 1500.0 but must be from 50 to 1200 rpm: the virtual bench cannot set it."
    )
    thin = pd.DataFrame([MIDDLE | {"carbomer": 0.0, "crosspolymer": 0.01}])
    assert sentence_of(lambda: gel.truth(thin)) == (
        "the table, row 0: carbomer + crosspolymer is 0.01 but must be 0.05 % or above: with less polymer there is no gel to measure."
    )
    assert sentence_of(lambda: gel.truth(pd.DataFrame([{"carbomer": 0.4}]))).startswith(
        "the table: column 'crosspolymer' is 'missing'"
    )


def test_plans_of_other_studies_are_refused(gel):
    other = Study("other", [Component("a", 0, 100), Component("b", 0, 100)], [Response("pH")])
    plan = Plan.from_frame(other, pd.DataFrame({"a": [50.0], "b": [50.0]}))
    assert sentence_of(lambda: gel.make(plan)) == (
        "plan: factors is ['a', 'b'] but must be ['carbomer', 'crosspolymer', 'neutralisation', 'speed']: "
        "plan the study that the virtual bench gives."
    )
    colour = Study("colour", gel.study.factors, [Response("colour")])
    plan = box_behnken(colour, centre=3)
    assert sentence_of(lambda: gel.make(plan)) == (
        "plan: response is 'colour' but must be one of ['viscosity', 'pH', 'stability', 'bead size']: "
        "the virtual bench measures nothing else."
    )
    grams = Study("grams", [Continuous("carbomer", 0.5, 1.1, "g"), *gel.study.factors[1:]], gel.study.responses)
    assert sentence_of(lambda: gel.make(box_behnken(grams, centre=3))) == (
        "plan: unit is 'carbomer (g)' but must be 'carbomer (%)', as the virtual bench has it: plan it in that unit."
    )


def test_a_whole_plot_has_one_base_gel(gel):
    table = pd.DataFrame([MIDDLE, MIDDLE | {"carbomer": 0.5}])
    plan = Plan.from_frame(gel.study, table.assign(whole_plot=["a", "a"]))
    assert sentence_of(lambda: gel.make(plan)) == (
        "plan: carbomer in whole plot 'a' is [0.4, 0.5] but must be one level, as one base gel feeds the whole plot: "
        "plan the polymers as hard to change."
    )
