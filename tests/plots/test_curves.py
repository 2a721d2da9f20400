"""Curves: what is drawn is what the fit predicts, the title says what is held."""

import numpy as np
import pandas as pd
import pytest

from doe import StudyError, plots

from .conftest import LONG
from .pictures import by_gid, outside, overlaps, said


def curve(ax):
    """x and y of the lines drawn in a panel."""
    return [np.asarray(line.get_xydata()) for line in ax.get_lines() if line.get_gid() == "curve"]


def test_main_effects_are_predictions(gel):
    fit = gel["viscosity"]
    figure = plots.main_effects(fit, at={"speed": 300})
    (xy,) = curve(figure.axes[0])
    settings = pd.DataFrame({"carbomer": xy[:, 0], "crosspolymer": 0.25, "neutralisation": 0.6, "speed": 300.0})
    predicted = fit.predict(settings)
    assert xy[:, 1] == pytest.approx(predicted["estimate"].to_numpy())
    band = by_gid(figure, "interval")[0].get_paths()[0].vertices
    assert band[:, 1].max() == pytest.approx(predicted["high"].max())
    assert band[:, 1].min() == pytest.approx(predicted["low"].min())


def test_main_effects_say_units_and_what_is_held(gel):
    figure = plots.main_effects(gel["viscosity"], at={"speed": 300})
    told = said(figure)
    assert (
        "the others held at carbomer 0.4 %, crosspolymer 0.25 %, neutralisation 0.6 eq/eq, speed 300 rpm"
        in told.replace("\n", " ")
    )
    assert figure.axes[0].get_ylabel() == "viscosity (mPa·s)"
    assert [ax.get_xlabel() for ax in figure.axes] == [
        "carbomer (%)",
        "crosspolymer (%)",
        "neutralisation (eq/eq)",
        "speed (rpm)",
    ]
    assert "at least 12000 mPa·s" in told
    assert "at most 30000 mPa·s" in told


def test_the_words_give_the_ends_of_the_steepest_factor(chemical):
    fit = chemical["yield"]
    low = fit.predict(pd.DataFrame({"reaction time": [80.0], "temperature": [175.0]})).iloc[0]
    told = plots.words(plots.main_effects(fit))
    assert f"from {low['estimate']:.2f} % ({low['low']:.2f} to {low['high']:.2f}) at 80 min" in told


def test_batches_are_hollow_marks(gel):
    fit = gel["pH"]
    marks = by_gid(plots.main_effects(fit), "batches")[0]
    assert marks.get_facecolors().size == 0
    assert np.asarray(marks.get_offsets())[:, 1] == pytest.approx(fit.batches.values)


def test_categorical_panels_show_levels(kinds):
    figure = plots.main_effects(kinds)
    panel = figure.axes[3]
    assert [t.get_text() for t in panel.get_xticklabels()] == ["A", "B", "C"]
    (points,) = curve(panel)
    settings = pd.DataFrame([{LONG: 0.4, "speed $x$": 400.0, "impeller": "anchor", "lot": k} for k in "ABC"])
    assert points[:, 1] == pytest.approx(kinds.predict(settings)["estimate"].to_numpy())


def test_a_curve_stops_where_the_region_ends(blend):
    """Glycerin cannot go beyond 15 less propanediol."""
    figure = plots.main_effects(blend["viscosity"], at={"propanediol": 6.0})
    (xy,) = curve(figure.axes[0])
    drawn = xy[np.isfinite(xy[:, 1])]
    assert drawn[:, 0].max() == pytest.approx(9.0, abs=0.15)


def test_components_make_room(blend):
    fit = blend["dry-down time"]
    figure = plots.main_effects(fit)
    (xy,) = curve(figure.axes[1])
    middle = blend.study.region.vertices().select_dtypes("number").mean()
    settings = pd.DataFrame(
        {
            "glycerin": middle["glycerin"],
            "ethanol": xy[:, 0],
            "propanediol": middle["propanediol"],
            "speed": 600.0,
            "base": "tromethamine",
        }
    )
    settings["water"] = 100 - settings[["glycerin", "ethanol", "propanediol"]].sum(axis=1)
    assert xy[:, 1] == pytest.approx(fit.predict(settings)["estimate"].to_numpy())


def test_interactions_are_predictions(gel):
    fit = gel["viscosity"]
    figure = plots.interactions(fit, [("carbomer", "speed")], at={"neutralisation": 0.5})
    low, high = curve(figure.axes[0])
    for xy, speed in ((low, 200.0), (high, 600.0)):
        settings = pd.DataFrame({"carbomer": xy[:, 0], "crosspolymer": 0.25, "neutralisation": 0.5, "speed": speed})
        assert xy[:, 1] == pytest.approx(fit.predict(settings)["estimate"].to_numpy())
    legend = [t.get_text() for t in figure.axes[0].get_legend().get_texts()]
    assert legend == ["speed 200 rpm", "speed 600 rpm"]
    assert "the other factors held at crosspolymer 0.25 %, neutralisation 0.5 eq/eq" in said(figure).replace("\n", " ")


def test_interactions_stand_the_clearest_first(gel):
    fit = gel["viscosity"]
    figure = plots.interactions(fit)
    assert len(figure.axes) == 6
    t = fit.coefficients.set_index("term")["t"].abs()
    assert t[[":" in k for k in t.index]].idxmax() == "carbomer:crosspolymer"
    assert figure.axes[0].get_xlabel() == "carbomer (%)"
    assert figure.axes[0].get_legend().get_texts()[0].get_text() == "crosspolymer 0.1 %"


def test_interactions_of_kinds(kinds):
    figure = plots.interactions(kinds, [("impeller", "lot")])
    assert len(curve(figure.axes[0])) == 3
    (points, *_) = curve(figure.axes[0])
    settings = pd.DataFrame(
        [{LONG: 0.4, "speed $x$": 400.0, "impeller": i, "lot": "A"} for i in ("anchor", "propeller")]
    )
    assert points[:, 1] == pytest.approx(kinds.predict(settings)["estimate"].to_numpy())


@pytest.mark.parametrize(
    ("pairs", "sentence"),
    [
        (
            "carbomer",
            'pairs is \'carbomer\' but must be a list of pairs of factor names: write [("polymer", "speed")].',
        ),
        (
            [("carbomer",)],
            'pairs: entry 1 is (\'carbomer\',) but must be two different factor names: write ("polymer", "speed").',
        ),
        ([("carbomer", "sped")], "pairs: entry 1 is 'sped' but must be a factor of the study: did you mean 'speed'?"),
    ],
)
def test_pairs_that_cannot_be_drawn(gel, pairs, sentence):
    with pytest.raises(StudyError) as problem:
        plots.interactions(gel["pH"], pairs)
    assert str(problem.value) == sentence


def test_two_components_have_no_curves_of_interaction(blend):
    with pytest.raises(StudyError) as problem:
        plots.interactions(blend["viscosity"], [("glycerin", "ethanol")])
    assert str(problem.value) == (
        "pairs: entry 1 is ('glycerin', 'ethanol') but must be no two components, since one moves at the other's expense: "
        "see how they blend in contours(fit, x, y)."
    )


def test_a_model_without_interactions_has_none_to_draw(chemical):
    fit = chemical["yield"]
    from doe import fit as fitted

    data = fit.batches.settings.assign(**{"yield": fit.batches.values})
    with pytest.raises(StudyError) as problem:
        plots.interactions(fitted(fit.study, data, "yield", model="linear"))
    assert str(problem.value) == (
        "fit: model is '1, `reaction time`, temperature' but must be one with a two-factor interaction to draw: "
        'fit "interaction" or "quadratic", or see main_effects(fit).'
    )


@pytest.mark.parametrize(
    ("at", "sentence"),
    [
        ({"sped": 400}, "at is 'sped' but must be settings by factor name: did you mean 'speed'?"),
        (
            {"speed": 4000},
            "at: 'speed' is 4000.0 but must be within the range studied, 200 to 600 rpm: hold it inside, or study a wider range.",
        ),
        ({"speed": "fast"}, "at: 'speed' is 'fast' but must be a finite number: give it in rpm."),
        ([400], "at is 'list' but must be a mapping from factor to setting: write {\"speed\": 400}."),
    ],
)
def test_held_settings_that_cannot_be(gel, at, sentence):
    with pytest.raises(StudyError) as problem:
        plots.main_effects(gel["pH"], at=at)
    assert str(problem.value) == sentence


def test_held_level_and_amounts_that_cannot_be(blend):
    with pytest.raises(StudyError) as problem:
        plots.main_effects(blend["viscosity"], at={"base": "tromethamin"})
    assert str(problem.value) == (
        "at: 'base' is 'tromethamin' but must be one of tromethamine, sodium hydroxide, aminomethyl propanol: did you mean 'tromethamine'?"
    )
    with pytest.raises(StudyError) as problem:
        plots.main_effects(blend["viscosity"], at={"glycerin": 10, "ethanol": 5, "propanediol": 5, "water": 90})
    assert str(problem.value) == (
        "at: glycerin + ethanol + propanediol + water is 110.0 but must be 100 %: correct the amounts so that they add up."
    )


@pytest.mark.parametrize("trial", ["chemical", "gel", "kinds", "blend", "flare"])
def test_nothing_overlaps(trial, request):
    made = request.getfixturevalue(trial)
    fits = list(made.values()) if hasattr(made, "values") else [made[0] if isinstance(made, tuple) else made]
    for fit in fits[:1]:
        figure = plots.main_effects(fit)
        assert not overlaps(figure)
        assert not outside(figure)
        if trial != "flare":  # a mixture alone has no pairs to draw
            figure = plots.interactions(fit)
            assert not overlaps(figure)
            assert not outside(figure)
