"""The chance of a good score over each factor, and the Box–Cox profile."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import doe
from doe import StudyError, plots

from .pictures import outside, overlaps


def line_of(ax, gid):
    (line,) = [line for line in ax.lines if line.get_gid() == gid]
    return line


@pytest.fixture(scope="module")
def fits():
    study = doe.Study(
        "g",
        [
            doe.Continuous("gum", 0.2, 0.6, "%"),
            doe.Continuous("speed", 400, 1000, "rpm"),
            doe.Categorical("base", ["amine", "hydroxide"]),
        ],
        [doe.Response("look", scale=(1, 5), low=4), doe.Response("viscosity", "mPa·s")],
    )
    runs = doe.designs.full_factorial(study, levels=3).runs
    rng = np.random.default_rng(3)
    gum = (runs["gum"] - 0.4) / 0.2
    latent = 2 * gum + 0.5 * (runs["base"] == "amine") + rng.logistic(size=len(runs))
    data = runs.assign(
        look=np.digitize(latent, [-2, -0.7, 0.7, 2]) + 1,
        viscosity=9000 * np.exp(0.6 * gum + 0.1 * rng.standard_normal(len(runs))),
    )
    return doe.fit_all(study, data.reset_index(), "linear")


def test_the_curve_is_the_chance_of_the_fit(fits):
    figure = plots.score_chances(fits["look"])
    assert len(figure.axes) == 3
    line = line_of(figure.axes[0], "chance")
    x, y = line.get_xdata(), line.get_ydata()
    middle = pd.DataFrame({"gum": x, "speed": 700.0, "base": "amine"})
    found = fits["look"].chance(middle, at_least=4)["estimate"]
    np.testing.assert_allclose(y, found, atol=1e-9)
    assert y[-1] > y[0]
    assert figure.axes[0].get_ylim() == (-0.03, 1.03)
    levels = line_of(figure.axes[2], "chance")
    assert len(levels.get_xdata()) == 2
    assert [t.get_text() for t in figure.axes[2].get_xticklabels()] == ["amine", "hydroxide"]
    assert not outside(figure)
    assert not overlaps(figure)
    less = plots.score_chances(fits["look"], at_least=2).axes[0]
    assert (line_of(less, "chance").get_ydata() > y).all()
    held = plots.score_chances(fits["look"], at={"base": "hydroxide"}).axes[0]
    assert (line_of(held, "chance").get_ydata() != y).any()


def test_the_profile_lies_above_its_level_within_the_interval(fits):
    profile = fits["viscosity"].transform_profile()
    ax = plots.transform_profile(profile)
    line = line_of(ax, "profile")
    level = line_of(ax, "limit")
    x, y = line.get_xdata(), line.get_ydata()
    drop = level.get_ydata()[0]
    assert drop == pytest.approx(-stats.chi2.ppf(0.95, 1) / 2)
    inside = (x > profile.low) & (x < profile.high)
    assert (y[inside] >= drop - 1e-6).all()
    assert (y[~inside] <= drop + 0.05).all()
    now = line_of(ax, "now")
    assert now.get_xdata()[0] == 1.0
    assert "Most likely λ" in plots.words(ax)
    assert not outside(ax.figure)
    own = plots.transform_profile(fits["viscosity"].transform_profile(interval=0.8))
    assert line_of(own, "limit").get_ydata()[0] == pytest.approx(-stats.chi2.ppf(0.8, 1) / 2)


def test_what_cannot_be_drawn_is_refused_in_a_sentence(fits):
    for call, sentence in (
        (lambda: plots.score_chances(fits["viscosity"]), "plots.score_chances: fit is 'of viscosity, which is measured' but must be a fit of scores: see main_effects(fit) for what is measured."),
        (lambda: plots.score_chances(fits["look"], at_least=3.5), "at_least is 3.5 but must be a whole score from 1 to 5: write the score to be reached, 5 say."),
        (lambda: plots.score_chances(fits["look"], at_least=True), "at_least is True but must be a whole score from 1 to 5: write the score to be reached, 5 say."),
        (lambda: plots.score_chances(fits["look"].refitted(fits["look"].study.model(["1"]))), "plots.score_chances: model is 'without a factor' but must be of at least one factor: fit a model with the factors studied."),
        (lambda: plots.score_chances("look"), "plots.score_chances: fit is 'str' but must be a Fit: give one of doe.fit_all's: fits['viscosity']."),
        (lambda: plots.transform_profile(fits["viscosity"]), "plots.transform_profile: profile is 'Fit' but must be a TransformProfile: give fits['viscosity'].transform_profile()."),
    ):  # fmt: skip
        with pytest.raises(StudyError) as caught:
            call()
        assert str(caught.value) == sentence
