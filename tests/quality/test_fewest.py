"""The fewest batches: what was asked is reached, one batch less is shown to fail, and nothing given is ignored."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe.designs import optimal
from doe.quality import Noise, check, smallest_plan
from doe.quality.fewest import _Search, _wanted


@pytest.fixture(scope="module")
def gel():
    return doe.Study("gel", [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm")])


@pytest.fixture(scope="module")
def found(gel):
    return smallest_plan(gel, "quadratic", 1.0, change=3.0)


def test_what_was_asked_is_reached(found):
    n = len(found.plan.runs)
    assert (check(found.plan).power(1.0, change=3.0)["power"] >= 0.8).all()
    assert found.power["power"].min() >= 0.8
    own = found.table[found.table["runs"] == n].iloc[0]
    assert own["reached"]
    assert own["least_power"] == pytest.approx(found.power["power"].min())
    assert own["precision"] == pytest.approx(np.sqrt(found.check.average_variance))


def test_one_batch_less_is_shown_to_fail(found, gel):
    n = len(found.plan.runs)
    below = found.table[found.table["runs"] == n - 1].iloc[0]
    assert not below["reached"]
    assert below["least_power"] < 0.8
    assert below["search"] == "full"
    assert f"{n - 1} batches fall short: power" in found.notes[0]
    # and by other plans of that size, from other seeds
    for criterion in "ID":
        for seed in (1, 2):
            other = optimal(gel, "quadratic", n - 1, criterion=criterion, seed=seed)
            assert check(other).power(1.0, change=3.0)["power"].min() < 0.8


def test_figures_of_the_table_are_those_of_the_plans(found):
    for _, row in found.table.iterrows():
        assert 0 < row["efficiency"] <= 100
    n = len(found.plan.runs)
    df = found.check.degrees_of_freedom
    own = found.table[found.table["runs"] == n].iloc[0]
    assert own["lack_of_fit"] == df["lack of fit"]
    assert own["pure_error"] == df["pure error"]
    assert own["efficiency"] == pytest.approx(found.check.certificate.bound, rel=1e-4)


@pytest.mark.slow
def test_more_noise_and_smaller_changes_need_more_batches(found, gel):
    n = len(found.plan.runs)
    assert len(smallest_plan(gel, "quadratic", 1.3, change=3.0).plan.runs) > n
    assert len(smallest_plan(gel, "quadratic", 1.0, change=2.2).plan.runs) > n
    assert len(smallest_plan(gel, "quadratic", 1.0, change=3.0, power=0.95).plan.runs) > n
    assert len(smallest_plan(gel, "quadratic", 1.0, change=3.0, alpha=0.2).plan.runs) < n
    assert len(smallest_plan(gel, "linear", 1.0, change=3.0).plan.runs) < n
    assert len(smallest_plan(gel, "quadratic", 1.0, change={"polymer": 3.0}).plan.runs) < n


def test_scaling_noise_and_change_together_changes_nothing(found, gel):
    again = smallest_plan(gel, "quadratic", 10.0, change=30.0)
    pd.testing.assert_frame_equal(again.plan.runs, found.plan.runs)


def test_a_log_response_by_its_ratio(gel):
    by_ratio = smallest_plan(gel, "linear", 0.1, ratio=1.3)
    pd.testing.assert_frame_equal(by_ratio.plan.runs, smallest_plan(gel, "linear", 0.1, change=np.log(1.3)).plan.runs)
    assert "to see × 1.3 in every term" in repr(by_ratio)


@pytest.mark.slow
def test_precision_alone_and_beside_power(gel, found):
    wide = smallest_plan(gel, "quadratic", 1.0, precision=0.8)
    tight = smallest_plan(gel, "quadratic", 1.0, precision=0.5)
    assert np.sqrt(tight.check.average_variance) <= 0.5
    assert len(tight.plan.runs) > len(wide.plan.runs)
    assert tight.power is None
    below = tight.table[tight.table["runs"] == len(tight.plan.runs) - 1].iloc[0]
    assert below["precision"] > 0.5
    both = smallest_plan(gel, "quadratic", 1.0, change=3.0, precision=0.5)
    assert len(both.plan.runs) >= max(len(tight.plan.runs), len(found.plan.runs))


def test_the_criterion_and_the_seed_reach_the_search(gel):
    d = smallest_plan(gel, "quadratic", 1.0, precision=0.55, criterion="D")
    i = smallest_plan(gel, "quadratic", 1.0, precision=0.55)
    assert set(d.table["criterion"]) == {"D"}
    assert len(d.plan.runs) >= len(i.plan.runs)
    assert smallest_plan(gel, "linear", 1.0, change=2.5, seed=3).plan.provenance["seed"] == 3
    one, two = (smallest_plan(gel, "linear", 1.0, change=2.5, n_jobs=j).plan for j in (1, 2))
    pd.testing.assert_frame_equal(one.runs, two.runs)


def test_repeats_leave_pure_error(gel):
    bare = smallest_plan(gel, "quadratic", 1.0, precision=0.75)
    repeated = smallest_plan(gel, "quadratic", 1.0, precision=0.75, repeated_runs=3)
    sentence = "The saving leaves no degrees of freedom for pure error: make a setting twice (repeated_runs=) to know the noise."
    assert bare.check.degrees_of_freedom["pure error"] == 0
    assert sentence in bare.notes
    assert repeated.check.degrees_of_freedom["pure error"] >= 3
    assert sentence not in repeated.notes


def test_no_lack_of_fit_is_said(gel):
    sentence = "The saving leaves no degrees of freedom for lack of fit: whether the model fits cannot be checked."
    tight = smallest_plan(gel, "quadratic", 1.0, precision=1.2, runs=(6, 10))
    assert tight.check.degrees_of_freedom["lack of fit"] == 0
    assert sentence in tight.notes
    wide = smallest_plan(gel, "quadratic", 1.0, precision=1.2, runs=(9, 10))
    assert wide.check.degrees_of_freedom["lack of fit"] > 0
    assert sentence not in wide.notes


def test_the_range_of_sizes_counts(gel, found):
    n = len(found.plan.runs)
    larger = smallest_plan(gel, "quadratic", 1.0, change=3.0, runs=range(n + 2, n + 6))
    assert len(larger.plan.runs) == n + 2
    assert larger.notes[0] == f"Fewer than {n + 2} were not asked for, or cannot estimate the model."


def test_all_sizes_on_request(gel, found):
    n = len(found.plan.runs)
    every = smallest_plan(gel, "quadratic", 1.0, change=3.0, runs=(6, n + 2), all_sizes=True)
    assert list(every.table["runs"]) == list(range(6, n + 3))
    assert len(every.plan.runs) == n
    assert len(found.table) < len(every.table)
    least = every.powers.groupby("runs")["power"].min()
    assert least[n] == pytest.approx(found.power["power"].min())
    assert np.isnan(least[6])
    assert every.table["reached"].tolist() == [False] * (n - 6) + [True] * 3


def test_a_band_of_noise_is_said(gel):
    found = smallest_plan(gel, "linear", Noise(0.1, log=True, low=0.05, high=0.2, source="A guess."), ratio=1.5)
    at_high = found.check.power(0.2, ratio=1.5)["power"].min()
    assert any(n.startswith("Least power at the high end of the noise's band: ") for n in found.notes)
    assert at_high < 0.8
    assert "A guess." in found.notes


def test_what_no_plan_could_do_is_not_searched(gel):
    """The bound must never rule out a size that does: every plan's power stays below what the bound allows."""
    wanted = _wanted(gel.model("quadratic"), 1.0, 2.0, None, None, 0.8, 0.05, None)
    search = _Search(gel, wanted, 0, 1, None, 0, 0.0)
    rng = np.random.default_rng(8)
    for n in (8, 12, 20):
        assert not search.could(n, None) or n > 8
    for n in range(8, 60, 4):
        runs = pd.DataFrame(rng.choice([0.0, 0.5, 1.0], size=(n, 2)), columns=["polymer", "speed"])
        runs["polymer"] = 0.2 + 0.4 * runs["polymer"]
        runs["speed"] = 400 + 600 * runs["speed"]
        try:
            reached = (
                check(doe.designs.Plan.from_frame(gel, runs), "quadratic").power(1.0, change=2.0)["power"].min() >= 0.8
            )
        except doe.StudyError:
            continue
        assert search.could(n, None) or not reached


def test_fewest_whole_plots_where_something_is_hard_to_change():
    s = doe.Study("s", [doe.Continuous("base", 0, 1, hard_to_change=True), doe.Continuous("acid", 0, 1)])
    found = smallest_plan(s, "linear", 1.0, change=3.0, variance_ratio=0.5)
    plots, n = found.plan.whole_plot.nunique(), len(found.plan.runs)
    assert found.check.ratios[0] == 0.5
    assert found.check.power(1.0, change=3.0)["power"].min() >= 0.8
    sizes = {(int(r["runs"]), int(r["whole_plots"])): r for _, r in found.table.iterrows()}
    for smaller in ((n - 1, plots), (n, plots - 1)):
        assert smaller not in sizes or not sizes[smaller]["reached"]
    assert any(key in sizes for key in ((n - 1, plots), (n, plots - 1)))
    noisier = smallest_plan(s, "linear", 1.0, change=3.0, variance_ratio=2.0)
    assert (len(noisier.plan.runs), noisier.plan.whole_plot.nunique()) > (n, plots)
    assert "whole plots" in repr(found)


def test_a_mixture_by_two_blends():
    s = doe.Study("m", [doe.Component(n, 0, 100) for n in "xyz"])
    blends = pd.DataFrame([(80, 10, 10), (20, 60, 20)], columns=list("xyz"), index=["rich", "lean"])
    found = smallest_plan(s, "quadratic", 1.0, change=2.5, blends=blends)
    assert found.check.power(1.0, change=2.5, blends=blends)["power"].iloc[0] >= 0.8
    assert "to see 2.5 between the two blends" in repr(found)


GEL = doe.Study("gel", [doe.Continuous("polymer", 0.2, 0.6, "%"), doe.Continuous("speed", 400, 1000, "rpm")])


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: smallest_plan("x", "linear", 1.0, change=1.0),
            "smallest_plan: study is 'x' but must be a doe.Study: describe factors and responses in one first.",
        ),
        (
            lambda: smallest_plan(GEL, "linear", 0.0, change=1.0),
            "sigma is 0.0 but must be above 0: give the standard deviation between batches made anew at one setting, on the fitted scale.",
        ),
        (
            lambda: smallest_plan(GEL, "linear", 1.0, change=0.0),
            "change is 0.0 but must be other than 0: give the smallest change worth seeing, on the fitted scale.",
        ),
        (
            lambda: smallest_plan(GEL, "linear", 1.0),
            "smallest_plan is 'nothing to reach' but must be asked for changes to be seen, or for precision: "
            "give change=, ratio= or precision=.",
        ),
        (
            lambda: smallest_plan(GEL, "linear", 1.0, change=1, power=1.0),
            "power is 1.0 but must be inside (0, 1): 0.8 is usual.",
        ),
        (
            lambda: smallest_plan(GEL, "linear", 1.0, change=1, power=0.05),
            "power is 0.05 but must be above alpha (0.05): 0.8 is usual.",
        ),
        (
            lambda: smallest_plan(GEL, "linear", 1.0, precision=0),
            "precision is 0.0 but must be above 0: give the standard error that a predicted mean may have.",
        ),
        (
            lambda: smallest_plan(GEL, "linear", 1.0, change={"polymer^2": 1.0}),
            "change: term is 'polymer^2' but must be a term of the model: did you mean 'polymer'?",
        ),
        (
            lambda: smallest_plan(GEL, "linear", 1.0, change=1.0, runs=(9, 5)),
            "smallest_plan: runs is (9, 5) but must be two whole numbers, fewest and most: give (3, 32).",
        ),
        (
            lambda: smallest_plan(GEL, "quadratic", 1.0, change=1.0, runs=(3, 5)),
            "smallest_plan: runs is 'at most 5' but must be at least 6, what the model needs: allow more batches or take a smaller model.",
        ),
        (
            lambda: smallest_plan(GEL, "linear", 1.0, change=1.0, variance_ratio=2.0),
            "smallest_plan: variance_ratio is 2.0 but must be left out where no factor is hard to change: leave it out.",
        ),
        (
            lambda: smallest_plan(GEL, "linear", 1.0, change=1.0, runs=(4, 8)),
            "smallest_plan: runs is 'at most 8' but must be enough for what is asked: 8 batches reach power 0.211 for polymer; "
            "more batches (replicates), a smaller model, less noise or larger changes would help.",
        ),
        (
            lambda: smallest_plan(GEL, "linear", 1.0, precision=0.1, runs=(4, 8)),
            "smallest_plan: runs is 'at most 8' but must be enough for what is asked: 8 batches reach a standard error of 0.456; "
            "more batches (replicates), a smaller model, less noise or larger changes would help.",
        ),
    ],
)
def test_bad_input(call, sentence):
    with pytest.raises(doe.StudyError) as problem:
        call()
    assert str(problem.value) == sentence
