"""The trial rehearsed: shares against the power worked out beforehand, claims against the truth, every argument heard."""

from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import doe
from doe.designs import Plan, box_behnken, central_composite
from doe.quality import check
from doe.virtual import AfterSunGel


def gel(**limits):
    return doe.Study(
        "gel",
        [
            doe.Continuous("polymer", 0.2, 0.6, "%"),
            doe.Continuous("speed", 400, 1000, "rpm"),
            doe.Continuous("minutes", 5, 25),
        ],
        [doe.Response("viscosity", "mPa·s", transform="log", **limits), doe.Response("pH")],
    )


PLAN = box_behnken(gel(), centre=3)
TRUTH = {"viscosity": {"1": 9.4, "polymer": 0.1, "polymer:speed": 0.08}, "pH": {"1": 6.2, "minutes^2": -0.2}}


@pytest.fixture(scope="module")
def rehearsed():
    return doe.rehearse(PLAN, TRUTH, {"viscosity": 0.08, "pH": 0.1}, n=400)


@pytest.fixture(scope="module")
def drivers(rehearsed):
    return rehearsed.drivers.set_index(["response", "term"])


@pytest.mark.slow
def test_drivers_are_found_as_often_as_the_power_says(drivers):
    """Within three standard errors of the share in 400 rehearsals; a change is twice a main effect's coefficient, once a square's."""
    made = check(PLAN, "quadratic")
    for response, term, change, sigma in (
        ("viscosity", "polymer", 0.2, 0.08),
        ("viscosity", "polymer:speed", 0.16, 0.08),
        ("pH", "minutes^2", 0.2, 0.1),
    ):
        power = made.power(sigma, change={term: change})["power"].iloc[0]
        row = drivers.loc[(response, term)]
        assert row["real"]
        assert abs(row["found"] - power) <= 3 * np.sqrt(power * (1 - power) / 400)
        assert row["expected"] == pytest.approx(TRUTH[response][term])


@pytest.mark.slow
def test_what_does_nothing_is_found_once_in_twenty(drivers, rehearsed):
    null = drivers[~drivers["real"]]
    assert len(null) == 7 + 8
    assert (null["expected"] == 0).all()
    assert abs(null["found"].mean() - 0.05) <= 3 * np.sqrt(0.05 * 0.95 / (400 * 5))
    alarms = rehearsed.false_alarms
    assert ((alarms["false"] - 0.05).abs() <= 4 * alarms["mc_error"]).all()
    assert "is taken for a driver" in repr(rehearsed)


def test_the_same_seed_gives_the_same_whatever_the_workers():
    one, two, other = (
        doe.rehearse(PLAN, TRUTH, 0.1, n=10, seed=seed, n_jobs=jobs).drivers for seed, jobs in ((3, 1), (3, 2), (4, 1))
    )
    pd.testing.assert_frame_equal(one, two)
    assert not one["found"].equals(other["found"])


def test_progress_is_told():
    told = []
    doe.rehearse(PLAN, TRUTH, 0.1, n=5, progress=lambda done, of: told.append((done, of)))
    assert told == [(i, 5) for i in range(1, 6)]


def test_the_model_fitted_may_be_another_than_the_truth():
    """An interaction left out of a linear model is neither found nor hidden: it becomes noise."""
    linear = doe.rehearse(PLAN, TRUTH, 0.05, model="linear", n=30)
    assert set(linear.drivers["term"]) == {"polymer", "speed", "minutes"}
    strong = {"viscosity": {"1": 9.4, "polymer": 0.1, "polymer:speed": 0.4}}
    blurred = doe.rehearse(PLAN, strong, 0.05, model="linear", n=30)
    shares = [
        r.drivers.set_index(["response", "term"]).loc[("viscosity", "polymer"), "found"] for r in (linear, blurred)
    ]
    assert shares[1] < shares[0]


def test_fits_and_coefficients_are_one_truth():
    study = gel()
    readings = PLAN.runs.copy()
    rng = np.random.default_rng(5)
    readings["viscosity"] = np.exp(9.0 + readings["polymer"] + 0.1 * rng.standard_normal(len(readings)))
    readings["pH"] = 6 + 0.1 * rng.standard_normal(len(readings))
    fits = doe.fit_all(study, readings)
    by_hand = {name: dict(zip(f.model.columns, f.beta, strict=True)) for name, f in fits.items()}
    one, two = (doe.rehearse(PLAN, truth, 0.1, n=20).drivers for truth in (fits, by_hand))
    pd.testing.assert_frame_equal(one, two)


@pytest.mark.slow
def test_levels_of_a_categorical_factor():
    s = doe.Study("s", [doe.Categorical("base", ["x", "y", "z"]), doe.Continuous("a", 0, 1)], [doe.Response("r")])
    plan = Plan.from_frame(s, pd.DataFrame(list(product("xyz", [0.0, 1.0])) * 2, columns=["base", "a"]), "linear")
    found = doe.rehearse(plan, {"r": {"base[x]": 0.5, "base[y]": -0.5}}, 0.5, n=400).drivers.set_index("term")
    power = check(plan, "linear").power(0.5, change={"base": 1.0})["power"].iloc[0]
    assert abs(found.loc["base", "found"] - power) <= 3 * np.sqrt(power * (1 - power) / 400)
    assert found.loc["base", "real"]
    assert not found.loc["a", "real"]


@pytest.mark.slow
def test_a_virtual_bench_is_a_truth():
    bench = AfterSunGel()
    study = bench.study
    plan = central_composite(study, axial="face", centre=3)
    sigma = bench.noise["one reading of one batch"].to_dict()
    made = doe.rehearse(plan, bench, {r.name: sigma[r.name] for r in study.responses}, n=3, draws=500)
    assert made.drivers["real"].all()
    assert made.false_alarms.empty
    assert "Every term plays some part in this truth" in repr(made)
    assert len(made.trials) == 3
    assert set(study.names) <= set(made.trials.columns)


def window(target=0.9, sigma=0.08, n=12, seed=0):
    study = gel(low=9000, high=16000)
    plan = central_composite(study, axial="face", centre=3)
    return doe.rehearse(
        plan, {"viscosity": {"1": 9.4, "polymer": 0.6}}, sigma, target=target, n=n, seed=seed, draws=500
    )


@pytest.mark.slow
def test_claims_are_held_against_the_truth():
    made = window(n=6)
    t = made.trials
    coded = (t["polymer"].astype(float) - 0.4) / 0.2
    z = (np.log([9000, 16000])[:, None] - (9.4 + 0.6 * coded.to_numpy())) / 0.08
    assert t["chance_true"].to_numpy() == pytest.approx(stats.norm.cdf(z[1]) - stats.norm.cdf(z[0]), abs=1e-9)
    assert t["reached"].all()
    boxes = t[t["box"]]
    assert (boxes["width"] > 0).all()
    assert (boxes["width"] < 1).all()
    text = repr(made)
    assert "Where would the set point land, and would the window's claim hold?" in text
    for verdict in made.verdicts:
        assert verdict in text
    noisy = window(sigma=0.4, n=3)
    assert not noisy.trials["reached"].any()
    assert noisy.verdicts[0] == "A set point that reaches the target (0.9) is told in 0 rehearsals of 100."


@pytest.mark.slow
def test_a_stricter_target_leaves_less():
    assert window(0.99, n=4).trials["width"].mean() < window(0.6, n=4).trials["width"].mean()


def test_a_covariance_of_responses():
    study = doe.Study("s", [doe.Continuous("a", 0, 1)], [doe.Response("r", low=-1.0), doe.Response("q", high=1.0)])
    plan = Plan.from_frame(study, pd.DataFrame({"a": [0.0, 0.5, 1.0] * 4}), "linear")
    truth = {"r": {"a": 0.0, "1": 0.0}, "q": {"1": 0.0}}
    apart, joined = (
        doe.rehearse(plan, truth, np.array([[1.0, c], [c, 1.0]]), n=3, draws=500).trials["chance_true"].to_numpy()
        for c in (0.0, -0.9)
    )
    assert apart == pytest.approx(stats.norm.cdf(1.0) ** 2, abs=1e-9)
    # r ≥ −1 and q ≤ 1 with correlation −0.9 is −r ≤ 1 and q ≤ 1 with +0.9; Monte Carlo on 20,000 batches, three standard errors
    want = stats.multivariate_normal([0, 0], [[1, 0.9], [0.9, 1]]).cdf([1.0, 1.0])
    assert joined == pytest.approx(want, abs=3 * np.sqrt(0.25 / 20_000))
    assert (joined > apart).all()


@pytest.mark.slow
def test_whole_plots_taken_for_single_batches_raise_false_alarms():
    """Least squares on a split plot calls what is hard to change surer than it is, REML does not; the rehearsal shows how often."""
    s = doe.Study(
        "s", [doe.Continuous("base", 0, 1, hard_to_change=True), doe.Continuous("acid", 0, 1)], [doe.Response("r")]
    )
    runs = pd.DataFrame([(w % 2, a) for w in range(4) for a in (0.0, 1.0, 0.0, 1.0)], columns=["base", "acid"]).astype(
        float
    )
    plan = Plan.from_frame(s, runs.assign(whole_plot=np.repeat(list("abcd"), 4)), "linear")
    truth = {"r": {"1": 0.0}}
    honest = doe.rehearse(plan, truth, 1.0, n=300, method="least squares").drivers.set_index("term")["found"]
    shared = doe.rehearse(plan, truth, 1.0, sigma_whole=1.5, n=300, method="least squares").drivers.set_index("term")[
        "found"
    ]
    assert abs(honest["base"] - 0.05) <= 3 * np.sqrt(0.05 * 0.95 / 300)
    assert shared["base"] > 0.3
    assert shared["acid"] < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 300)
    strata = doe.rehearse(plan, truth, 1.0, sigma_whole=1.5, n=200).drivers.set_index("term")["found"]
    assert (strata[["base", "acid"]] < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 200)).all()


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: doe.rehearse("x", TRUTH, 0.1),
            "rehearse: plan is 'str' but must be a Plan: make one with doe.designs.",
        ),
        (
            lambda: doe.rehearse(Plan.from_frame(gel(), PLAN.runs), TRUTH, 0.1),
            'rehearse: model is None but must be given for a plan that holds none: write model="quadratic".',
        ),
        (
            lambda: doe.rehearse(PLAN, 3, 0.1),
            "rehearse: truth is 'int' but must be Fits, a mapping of response to coefficients, or a virtual bench: "
            'write {"viscosity": {"1": 9.4, "polymer": 0.6}}, coded units on the fitted scale.',
        ),
        (
            lambda: doe.rehearse(PLAN, {"viscosty": {"1": 9.0}}, 0.1),
            "rehearse: truth is 'viscosty' but must be a response of the study: did you mean 'viscosity'?",
        ),
        (
            lambda: doe.rehearse(PLAN, {"pH": {"polymr": 1.0}}, 0.1),
            "model: term 'polymr' is 'polymr' but must be a factor of the study: did you mean 'polymer'?",
        ),
        (
            lambda: doe.rehearse(PLAN, AfterSunGel(), 0.1),
            "rehearse: truth: factors is 'carbomer, crosspolymer, neutralisation, speed' but must be the plan's: polymer, speed, minutes: "
            "take a truth of the same factors.",
        ),
        (
            lambda: doe.rehearse(PLAN, TRUTH, 0.0),
            "rehearse: sigma is 0.0 but must be above 0: give the standard deviation between batches, on the fitted scale.",
        ),
        (
            lambda: doe.rehearse(PLAN, TRUTH, {"viscosity": 0.1}),
            "rehearse: sigma is 'viscosity' but must be given for every response: add pH.",
        ),
        (
            lambda: doe.rehearse(PLAN, TRUTH, np.eye(3)),
            "rehearse: sigma is 'an array of shape (3, 3)' but must be a symmetric covariance of shape (2, 2): give one row a response.",
        ),
        (
            lambda: doe.rehearse(PLAN, TRUTH, np.ones((2, 2))),
            "rehearse: sigma is 'a covariance that is not positive definite' but must be one with spread in every direction: "
            "raise its variances.",
        ),
        (
            lambda: doe.rehearse(PLAN, TRUTH, 0.1, sigma_whole=0.1),
            "rehearse: sigma_whole is 0.1 but must be left out for a plan without whole plots: leave it out.",
        ),
        (
            lambda: doe.rehearse(PLAN, TRUTH, 0.1, target=1.0),
            "rehearse: target is 1.0 but must be a number between 0 and 1: write 0.95 for 95 %.",
        ),
        (
            lambda: doe.rehearse(PLAN, TRUTH, 0.1, n=1),
            "rehearse: n is 1 but must be a whole number from 2: leave it out for the usual.",
        ),
    ],
)
def test_bad_input(call, sentence):
    with pytest.raises(doe.StudyError) as problem:
        call()
    assert str(problem.value) == sentence


def test_a_hundred_rehearsals_are_counted_in_whole_numbers():
    study = doe.Study("g", [doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1)], [doe.Response("y")])
    plan = doe.designs.full_factorial(study, centre=3)
    shown = doe.rehearse(plan, {"y": {"1": 0.0, "a": 1.0, "b": 0.0}}, 1.0, n=100, seed=1)._sections()[0].table
    found = shown["found, of 100"].tolist()
    assert all(text.isdigit() for text in found)
    assert 0 < int(found[0]) < 100
