"""Effects: what is drawn is the coefficient table, on the scale a chemist reads."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError, plots
from doe.plots import ranking

from .conftest import LONG
from .pictures import by_gid, outside, overlaps, said


def drawn(ax):
    """Effects and interval ends by row name, as drawn."""
    names = [t.get_text().replace("\n", " ").replace("\u00a0", " ").replace("\\$", "$") for t in ax.get_yticklabels()]
    points = by_gid(ax, "estimate")[0].get_xdata()
    ends = [segment[:, 0] for segment in by_gid(ax, "interval")[0].get_segments()]
    return {name: (p, *e) for name, p, e in zip(names, points, ends, strict=True)}


def test_effects_of_the_published_process(chemical):
    """Montgomery (10th ed.), Example 11.2: coded coefficients 0.995, 0.515, 0.25, −1.376, −1.001; an effect is twice the
    coefficient, a bend the coefficient of the square."""
    rows = drawn(plots.factor_effects(chemical["yield"]))
    published = {
        "reaction time, 80 to 90 min": 2 * 0.995,
        "temperature, 170 to 180 °F": 2 * 0.515,
        "reaction time × temperature": 2 * 0.25,
        "reaction time², the bend": -1.376,
        "temperature², the bend": -1.001,
    }
    assert set(rows) == set(published)
    for name, effect in published.items():
        assert rows[name][0] == pytest.approx(effect, abs=1.1e-3)  # twice the rounding of the printed digits


def test_intervals_are_those_of_the_coefficients(chemical):
    fit = chemical["yield"]
    rows = drawn(plots.factor_effects(fit))
    table = fit.coefficients.set_index("term")
    main = table.loc["`reaction time`"] if "`reaction time`" in table.index else table.loc["reaction time"]
    assert rows["reaction time, 80 to 90 min"] == pytest.approx(
        (2 * main["estimate"], 2 * main["low"], 2 * main["high"])
    )


def test_largest_first(gel):
    sizes = [abs(v[0]) for v in drawn(plots.factor_effects(gel["viscosity"])).values()]
    assert sizes == sorted(sizes, reverse=True)


def test_a_log_response_is_read_as_a_factor(gel):
    fit = gel["viscosity"]
    ax = plots.factor_effects(fit)
    low, high = (
        fit.predict(pd.DataFrame([{"carbomer": c, "crosspolymer": 0.25, "neutralisation": 0.6, "speed": 400}]))
        for c in (0.25, 0.55)
    )
    ratio = high["estimate"].iloc[0] / low["estimate"].iloc[0]
    assert np.exp(drawn(ax)["carbomer, 0.25 to 0.55 %"][0]) == pytest.approx(ratio)
    assert ax.get_xlabel() == "viscosity is multiplied by"
    ticks = {t.get_text(): t.get_position()[0] for t in ax.get_xticklabels()}
    assert ticks["× 1"] == 0.0
    assert all(x == pytest.approx(np.log(float(text.removeprefix("× "))), abs=0.01) for text, x in ticks.items())
    assert f"×\u00a0{ratio:.3f} (" in plots.words(ax)  # digits follow the standard error


def test_a_change_of_a_percentage_is_in_points(chemical):
    ax = plots.factor_effects(chemical["yield"])
    assert ax.get_xlabel() == "change in yield (percentage points)"
    assert "+1.99 (+1.54 to +2.44) percentage points" in plots.words(ax)


def test_categorical_effects_are_differences_of_predictions(kinds):
    rows = drawn(plots.factor_effects(kinds))
    base = {LONG: 0.4, "speed $x$": 400}
    combos = pd.DataFrame([{**base, "impeller": i, "lot": k} for i in ("anchor", "propeller") for k in "ABC"])
    combos["ln"] = np.log(kinds.predict(combos)["estimate"].to_numpy())
    by_impeller, by_lot = combos.groupby("impeller")["ln"].mean(), combos.groupby("lot")["ln"].mean()
    assert rows["impeller, propeller instead of anchor"][0] == pytest.approx(
        by_impeller["propeller"] - by_impeller["anchor"]
    )
    for lot in "ABC":  # the last level too, which has no coefficient of its own
        assert rows[f"lot {lot}, against the average"][0] == pytest.approx(by_lot[lot] - by_lot.mean())


def test_last_level_has_the_interval_that_the_fit_gives(kinds):
    rows = drawn(plots.factor_effects(kinds))
    found = kinds.level_effects.set_index("term").loc["lot[C]"]
    assert rows["lot C, against the average"] == pytest.approx((found["estimate"], found["low"], found["high"]))


def test_a_component_moves_at_the_expense_of_the_balance(blend):
    fit = blend["dry-down time"]
    middle = {f.name: blend.study.region.vertices()[f.name].astype(float).mean() for f in blend.study.components}
    row = next(v for k, v in drawn(plots.factor_effects(fit)).items() if k.startswith("ethanol, "))
    ends = pd.DataFrame([{**middle, "ethanol": e, "speed": 600, "base": "tromethamine"} for e in (0.0, 10.0)])
    ends["water"] = 100 - ends[["glycerin", "ethanol", "propanediol"]].sum(axis=1)
    predicted = fit.predict(ends)["estimate"].to_numpy()
    assert row[0] == pytest.approx(predicted[1] - predicted[0])


def test_two_components_show_how_far_their_blend_is_off_the_line(flare):
    """Along the exchange of two components the Scheffé quadratic is a parabola: the middle lies off the chord by −second difference / 2."""
    fit, _ = flare
    row = drawn(plots.factor_effects(fit))["magnesium × sodium nitrate, blend off the straight line"]
    middle = fit.study.region.vertices().astype(float).mean()
    line = pd.DataFrame([middle.to_dict()] * 201)
    line["magnesium"] = np.linspace(0.4, 0.6, 201)
    line["sodium nitrate"] = middle["magnesium"] + middle["sodium nitrate"] - line["magnesium"]
    line = line[fit.study.region.contains(line)]
    predicted = fit.predict(line)["estimate"].to_numpy()
    assert row[0] == pytest.approx(predicted[len(predicted) // 2] - 0.5 * (predicted[0] + predicted[-1]), rel=0.01)


def test_terms_without_an_effect_of_their_own_are_named(blend):
    table = blend.study.region.sample(60, seed=5)
    table["dry-down time"] = table["ethanol"] * 2.0 + np.random.default_rng(0).normal(0, 1, 60)
    fit = doe.fit(blend.study, table, "dry-down time", model=[*blend.study.names, "glycerin:ethanol:propanediol"])
    assert "In the model but not drawn: glycerin × ethanol × propanediol." in plots.words(plots.factor_effects(fit))


def test_what_is_not_shown_to_matter_is_said(chemical):
    told = plots.words(plots.factor_effects(chemical["yield"]))
    assert "Not shown to matter by itself (the interval includes no change): reaction time × temperature." in told


def test_a_saturated_fit_has_points_without_intervals(chemical):
    settings = chemical.study.natural(
        pd.DataFrame({"reaction time": [-1.0, 1, -1, 1], "temperature": [-1.0, -1, 1, 1]})
    )
    settings["yield"] = [1.0, 2.0, 4.0, 4.5]
    ax = plots.factor_effects(doe.fit(chemical.study, settings, "yield", model="interaction"))
    assert "No intervals: nothing is left to judge the noise by." in plots.words(ax)
    assert not by_gid(ax, "interval")[0].get_segments()
    assert len(by_gid(ax, "estimate")[0].get_xdata()) == 3


def test_a_model_without_effects_is_refused(chemical):
    fit = chemical["yield"]
    data = fit.batches.settings.assign(**{"yield": fit.batches.values})
    with pytest.raises(StudyError) as problem:
        plots.factor_effects(doe.fit(fit.study, data, "yield", model=["1"]))
    assert (
        str(problem.value)
        == "fit: model is '1' but must be one with an effect to draw: fit a model with a factor in it."
    )


def test_only_so_many_rows_are_drawn(monkeypatch, gel):
    monkeypatch.setattr(ranking, "MOST", 5)
    ax = plots.factor_effects(gel["viscosity"])
    assert len(ax.get_yticklabels()) == 5
    assert "9 smaller effects are not drawn." in plots.words(ax)


@pytest.mark.parametrize("trial", ["chemical", "gel", "kinds", "blend", "flare"])
def test_nothing_overlaps(trial, request):
    made = request.getfixturevalue(trial)
    fits = made.values() if hasattr(made, "values") else [made[0] if isinstance(made, tuple) else made]
    for fit in fits:
        ax = plots.factor_effects(fit)
        assert not overlaps(ax)
        assert not outside(ax)
        assert fit.response.name in said(ax)
