"""The command `plan`: so many batches, or the fewest that show a change; mistakes cost one sentence."""

import re

import pytest
from typer.testing import CliRunner

import doe
from doe.__main__ import app
from doe.commands import chosen_plan, write_check_page
from doe.commands.choosing import sizes_of


@pytest.fixture(scope="module")
def study():
    return doe.Study(
        "gel <clear> (invented)",
        [doe.Continuous("polymer", 0.2, 0.6, "%", step=0.01), doe.Continuous("speed", 400, 1000, "rpm", step=50)],
        [doe.Response("viscosity", "mPa·s", transform="log")],
    )


@pytest.fixture(scope="module")
def smallest(study):
    return chosen_plan(study, "linear", sigma=0.1, ratio=1.5)


def test_the_fewest_batches_are_those_of_the_quality_room(study, smallest):
    same = doe.quality.smallest_plan(study, "linear", 0.1, ratio=1.5)
    assert smallest.plan.fingerprint == same.plan.fingerprint
    assert "order_seed" in smallest.plan.provenance
    assert str(same._sections()[0].title) in str(smallest)
    for words in (
        {"power": 0.95},
        {"sigma": 0.2},
        {"ratio": 1.3},
        {"ratio": None, "change": 0.2},
    ):
        other = chosen_plan(study, "linear", **({"sigma": 0.1, "ratio": 1.5} | words))
        assert len(other.plan.runs) > len(smallest.plan.runs), words


def test_a_plan_of_so_many_batches(study):
    plain = chosen_plan(study, "linear", 6, rounds=1)
    assert len(plain.plan.runs) == 6
    assert plain.buys == []
    told = chosen_plan(study, "linear", 6, 0.1, {"polymer": 0.3}, rounds=1)
    assert list(told.power["term"]) == ["polymer"]
    assert told.buys[0].title == "Chance of seeing a change of this size at σ = 0.1"
    ratio = chosen_plan(study, "linear", 6, 0.1, ratio=1.35, rounds=1)
    assert ratio.buys[0].title == "Chance of seeing a ratio of this size at σ = 0.1"
    assert len(ratio.power) == 2
    again = chosen_plan(study, "linear", 6, repeated_runs=2, rounds=1)
    assert int(again.check.degrees_of_freedom["pure error"]) == 2
    assert list(chosen_plan(study, "linear", 6, seed=1, rounds=1).plan.runs.index) != list(plain.plan.runs.index)
    assert chosen_plan(study, "linear", 7, criterion="D", rounds=1).plan.provenance["arguments"]["criterion"] == "D"


def test_batches_in_whole_plots_and_blocks(study):
    blocked = chosen_plan(study, "linear", 8, blocks=2, rounds=1).plan
    assert blocked.block.nunique() == 2
    base = doe.Study(
        "base gel (invented)",
        [doe.Continuous("polymer", 0.2, 0.6, "%", hard_to_change=True), study.factor("speed")],
        study.responses,
    )
    split = chosen_plan(base, "linear", 8, 0.1, ratio=1.5, whole_plots=4, rounds=1)
    assert split.plan.whole_plot.nunique() == 4
    wide = chosen_plan(base, "linear", 8, 0.1, ratio=1.5, whole_plots=4, variance_ratio=4.0, rounds=1)
    polymer = [p.set_index("term").loc["polymer", "power"] for p in (split.power, wide.power)]
    assert polymer[1] < polymer[0] - 0.05  # base gels that differ more hide more


def test_the_fewest_batches_that_predict_so_well(study):
    rough, fine = (chosen_plan(study, "linear", sigma=0.1, precision=p) for p in (0.06, 0.04))
    assert len(fine.plan.runs) > len(rough.plan.runs)
    assert "to predict with a standard error of 0.04" in str(fine)


def test_the_page_says_what_the_plan_buys_and_fetches_nothing(smallest, tmp_path):
    text = write_check_page(tmp_path / "check.html", smallest).read_text(encoding="utf-8")
    assert "gel &lt;clear&gt; (invented)" in text
    assert "<clear>" not in text
    for question in (
        "Which batches, in which order?",
        "What does it buy?",
        "What change would I see?",
        "What is left for checking?",
    ):
        assert question in text
    assert text.count("data:image/png") == 3
    assert not re.search(r"""(?:src|href)=["'](?:https?:)?//|<script""", text)
    assert smallest.plan.fingerprint in text


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({}, "--runs is 'left out' but must be given, or --sigma and --change: say how many batches you can make, or what they must show."),
        ({"change": 1.0}, "--sigma is 'left out' but must be given with --change, --ratio or --precision: say how much batches made alike differ (standard deviation)."),
        ({"runs": 6, "sigma": 1.0}, "--change is 'left out' but must be given with --sigma, or --ratio: say which change must not be overlooked."),
        ({"precision": 0.1}, "--sigma is 'left out' but must be given with --change, --ratio or --precision: say how much batches made alike differ (standard deviation)."),
        ({"runs": 6, "sigma": 1.0, "precision": 0.1}, "--precision is '0.1 beside --runs 6' but must be asked where the number of batches is not: leave --runs out for the fewest batches that predict so well; what a plan of given size reaches is on its page."),
        ({"sigma": 1.0, "change": 1.0, "blocks": 2}, "--blocks is '2 without --runs' but must be given beside the number of batches: say --runs too."),
        ({"sigma": 1.0, "change": 1.0, "whole_plots": 4}, "--whole-plots is '4 without --runs' but must be given beside the number of batches: say --runs too, or leave it out: the fewest whole plots are sought with the fewest batches."),
        ({"runs": 6, "criterion": "E"}, "--criterion is 'E' but must be one of I, D, A: choose one of them."),
    ],
)  # fmt: skip
def test_what_is_left_out_costs_one_sentence(study, asked, sentence):
    with pytest.raises(doe.StudyError) as caught:
        chosen_plan(study, "linear", **asked)
    assert str(caught.value) == sentence


def test_changes_as_typed():
    assert sizes_of("--change", []) is None
    assert sizes_of("--change", ["1.5"]) == 1.5
    assert sizes_of("--change", ["polymer=1.5", "a:b=2"]) == {"polymer": 1.5, "a:b": 2.0}
    for texts, sentence in (
        (["much"], "--change is 'much' but must be a number, or TERM=NUMBER: write \"1.5\" or \"polymer=1.5\"."),
        (["1", "2"], "--change is '1' but must be TERM=NUMBER when there are several: write for example \"polymer=1.5\"."),
        (["=2"], "--change is '=2' but must be TERM=NUMBER when there are several: write for example \"polymer=1.5\"."),
    ):  # fmt: skip
        with pytest.raises(doe.StudyError) as caught:
            sizes_of("--change", texts)
        assert str(caught.value) == sentence


def test_the_command_writes_plan_and_page_and_keeps_what_is_there(study, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    study.save("study.json")
    asked = ["plan", "study.json", "--model", "linear", "--sigma", "0.1", "--ratio", "1.5", "--out", "bench"]
    outcome = CliRunner().invoke(app, asked)
    assert outcome.exit_code == 0, outcome.output
    plan = doe.designs.Plan.load("bench/plan.json")
    assert f"{len(plan.runs)} batches are enough to see × 1.5 in every term" in outcome.output
    outcome = CliRunner().invoke(app, asked)
    assert str(outcome.exception) == (
        "--out is 'bench' but must be a folder without plan.json: choose another folder, so that no filled-in sheet is lost."
    )
    outcome = CliRunner().invoke(app, ["--help"])
    for command in ("demo", "plan", "sheet", "record", "analyse", "selftest", "lab"):
        assert re.search(rf"^ +{command} ", outcome.output, flags=re.MULTILINE), command
