"""Each sentence at both sides of its threshold."""

import numpy as np
import pandas as pd
import pytest

from doe.quality import sentences as say


def test_terms_as_a_person_says_them():
    assert say.spoken("1") == "the constant"
    assert say.spoken("polymer:speed^2") == "polymer × speed²"
    assert say.spoken("`base gel`^3:`a:b`") == "base gel³ × a:b"
    assert say.spoken("impeller[3:1 blade]:speed") == "impeller[3:1 blade] × speed"
    assert say.spoken("lack of fit") == "lack of fit"


def test_separated_mixed_up_or_neither():
    pair = [("polymer", "speed:time", 0.995)]
    assert say.separation(pair, "in it") == ["polymer cannot be separated from speed × time."]
    assert say.separation([("polymer", "speed:time", -0.9949)], "in it") == [
        "polymer is partly mixed up with speed × time (correlation 0.99 in size)."
    ]
    assert say.separation([("polymer", "speed", 0.5)], "in it") == [
        "polymer is partly mixed up with speed (correlation 0.50 in size)."
    ]
    assert say.separation([("polymer", "speed", 0.4999)], "in it") == [
        "Nothing in it is mixed up (no correlation of 0.5 or more)."
    ]


def test_only_from_the_size_asked():
    assert say.separation([("a", "b", 0.9)], "in it", 0.9)[0].startswith("a is partly mixed up with b")
    assert say.separation([("a", "b", 0.89)], "in it", 0.9) == [
        "Nothing in it is mixed up (no correlation of 0.9 or more)."
    ]


def test_many_partners_are_counted():
    pairs = [("a", f"b{i}", 1.0) for i in range(5)]
    assert say.separation(pairs, "in it") == ["a cannot be separated from b0, b1, b2, b3 and b4."]
    pairs.append(("a", "b5", 1.0))
    assert say.separation(pairs, "in it") == ["a cannot be separated from b0, b1, b2, b3, b4 and 1 more."]


def test_many_sentences_are_counted():
    pairs = [(f"a{i}", "b", 1.0) for i in range(8)]
    assert len(say.separation(pairs, "in it")) == 8
    assert "more" not in say.separation(pairs, "in it")[-1]
    more = say.separation([*pairs, ("a8", "b", 1.0)], "in it")
    assert len(more) == 9
    assert more[-1] == "1 more of the kind: correlation and alias hold them all."


def test_curvature_that_no_run_feels():
    assert say.unseen([]) == []
    assert say.unseen(["a^2", "b^2"]) == [
        "a² and b² cannot be separated from the constant: such curvature would go unseen."
    ]


def test_inflation():
    assert say.inflated(pd.Series({"a": 4.999, "b": np.nan})) == []
    assert say.inflated(pd.Series({"a": 5.0})) == [
        "a is estimated with 5 times the variance it would have with nothing beside it."
    ]


def table(*rows):
    return pd.DataFrame(rows, columns=["term", "df", "change"])


def test_changes_seen():
    assert say.changes(table(("a", 5.0, 1.5), ("b", 5.0, 1.501)), 0.8) == [
        "A change of 1.5 σ in any of these would be seen 80 times in 100."
    ]
    assert say.changes(table(("a", 5.0, 1.5), ("b", 5.0, 1.51)), 0.9) == [
        "Hardest to see: b, which must change by 1.51 σ to be seen 90 times in 100; easiest: a, 1.5 σ."
    ]
    assert say.changes(table(("a", 5.0, 3.0)), 0.8) == [
        "A change of 3 σ in any of these would be seen 80 times in 100."
    ]
    assert say.changes(table(("a", 5.0, 3.01)), 0.8)[1] == "Only gross changes (more than 3 σ) would be seen in a."
    assert say.changes(table(("a", 0.0, np.nan), ("b", 0.5, 2.0)), 0.8) == [
        "No change would be seen in a: there are no degrees of freedom left to judge the noise by.",
        "A change of 2 σ in any of these would be seen 80 times in 100.",
    ]


def test_precision():
    sure = say.precision(0.4, 1.0, "polymer 0.2 %", "proved")
    assert sure == [
        "On average over the region a predicted mean has 0.4 times the variance of one batch.",
        "At the worst setting (polymer 0.2 %) it has 1 times (proved): a prediction there is at least as sure as one batch made there.",
    ]
    unsure = say.precision(0.4, 1.001, "polymer 0.2 %", "proved")
    assert unsure[1].endswith("a prediction there is less sure than one batch made there.")


def left(fit, pure, leverage=(0.5, 0.5), **more):
    return say.what_is_left(
        pd.Series({"model": 3, **more, "lack of fit": fit, "pure error": pure}), pd.Series(leverage, index=[1, 2])
    )


@pytest.mark.parametrize(
    ("fit", "sentence"),
    [
        (0, "Nothing is left to check whether the model fits."),
        (1, "Only 1 degree of freedom for lack of fit: few kinds of misfit could show."),
        (2, "Only 2 degrees of freedom for lack of fit: few kinds of misfit could show."),
    ],
)
def test_little_left_for_lack_of_fit(fit, sentence):
    assert left(fit, 4) == [sentence]


@pytest.mark.parametrize(
    ("pure", "sentence"),
    [
        (0, "No setting is made twice under like conditions: noise and lack of fit cannot be told apart."),
        (1, "Only 1 df of pure error: the lack-of-fit test would see only a gross misfit."),
        (3, "Only 3 df of pure error: the lack-of-fit test would see only a gross misfit."),
    ],
)
def test_little_left_for_pure_error(pure, sentence):
    assert left(3, pure) == [sentence]


def test_enough_left():
    assert left(3, 4) == ["Enough is left to check the model and the noise."]


def test_whole_plots_left():
    assert left(3, 4, **{"whole plots": 1}) == ["Enough is left to check the model and the noise."]
    assert left(3, 4, **{"whole plots": 0}) == [
        "No degrees of freedom between whole plots: effects of what is hard to change cannot be tested."
    ]
    assert left(0, 4, **{"whole plots": 1}) == ["Nothing is left within whole plots to check whether the model fits."]


def test_runs_that_stand_alone():
    assert left(3, 4, (0.8999, 0.1)) == ["Enough is left to check the model and the noise."]
    assert left(3, 4, (0.9, 0.1)) == [
        "The fit at run 1 rests mostly on that run alone (leverage 0.90 or more): weigh and read it with care."
    ]
    assert left(3, 4, (0.95, 0.92)) == [
        "The fit at runs 1 and 2 rests mostly on each alone (leverage 0.92 or more): weigh and read them with care."
    ]
