"""Effect traces: Cox's and Piepel's directions, where they end, what they change, refusals."""

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError
from doe.fits.tracing import centre_of, line_through


def blend(lows=(0, 0, 0), highs=(100, 100, 100), model="quadratic", noise=0.3, constraints=(), **more):
    study = doe.Study(
        "blend",
        [doe.Component(n, lo, hi) for n, lo, hi in zip("xyz", lows, highs, strict=True)],
        [doe.Response("v", "mPa·s", **more)],
        constraints=constraints,
    )
    corners = study.region.vertices()
    middles = [study.region.centroids(d) for d in range(1, study.region.dimension + 1)]
    points = pd.concat([corners, corners, *middles], ignore_index=True)
    rng = np.random.default_rng(3)
    x = points.to_numpy() / 100
    y = 20 + x @ [6, 2, 1] + 12 * x[:, 0] * x[:, 1] + noise * rng.normal(size=len(x))
    return doe.fit(study, points.assign(v=y), "v", model)


def test_the_effect_of_a_component_in_a_linear_blend():
    """Cornell (2002), section 5.8 (from memory): along Cox's direction through the centroid of the simplex, pure less none is
    b_i less the mean of the others."""
    fit = blend(model="linear")
    e = fit.traces().effects.set_index("component")
    for i, name in enumerate("xyz"):
        others = np.delete(fit.beta, i).mean()
        assert e.loc[name, "estimate"] == pytest.approx(fit.beta[i] - others)
        weights = np.full(3, -0.5)
        weights[i] = 1.0
        error = fit.sigma * np.sqrt(weights @ fit.cov_unscaled @ weights)
        assert e.loc[name, "std_error"] == pytest.approx(error)
    assert e[["least", "most"]].to_numpy().tolist() == [[0, 100]] * 3


def test_coxs_direction_keeps_the_others_proportions():
    fit = blend((10, 20, 5), (60, 70, 40))
    made = fit.traces({"x": 30, "y": 50, "z": 20})
    t = made.table
    for name, (j, k) in (("x", "yz"), ("y", "xz"), ("z", "xy")):
        own = t[t["component"] == name]
        ratio = made.reference[j] / made.reference[k]
        np.testing.assert_allclose(own[j] / own[k], ratio)
        np.testing.assert_allclose(own[list("xyz")].sum(axis=1), 100)
    said = fit.predict(t[list("xyz")])
    for column in ("estimate", "std_error", "low", "high"):
        np.testing.assert_allclose(t[column], said[column])


def test_piepels_direction_is_coxs_in_pseudocomponents():
    """Piepel (1982): L-pseudocomponents (x - low) / (1 - sum of the lows) of the others keep their proportions."""
    fit = blend((10, 20, 5), (60, 70, 40))
    made = fit.traces({"x": 30, "y": 50, "z": 20}, "piepel")
    low = {"x": 10, "y": 20, "z": 5}
    for name, (j, k) in (("x", "yz"), ("y", "xz"), ("z", "xy")):
        own = made.table[made.table["component"] == name]
        np.testing.assert_allclose(
            (own[j] - low[j]) * (made.reference[k] - low[k]),
            (own[k] - low[k]) * (made.reference[j] - low[j]),
            atol=1e-9,
        )
    x = made.effects.set_index("component").loc["x"]
    assert x["least"] == 10  # the others at their least do not stop it there
    assert not np.allclose(fit.traces({"x": 30, "y": 50, "z": 20}).table["estimate"], made.table["estimate"])


def test_traces_end_where_the_region_does():
    """By search: every trace's ends are inside, and a hair farther is outside."""
    fit = blend((10, 20, 5), (60, 70, 40), constraints=["x + z <= 70"])
    region = fit.study.region
    for direction in ("cox", "piepel"):
        for line in fit.traces(direction=direction).lines:
            ends = line.settings(np.array([line.low, line.high]))
            assert region.contains(ends).all()
            assert not region.contains(line.settings(np.array([line.low - 0.01, line.high + 0.01]))).any()


def test_the_reference_is_the_mean_corner():
    fit = blend((10, 20, 5), (60, 70, 40))
    np.testing.assert_allclose(centre_of(fit.study), fit.study.region.vertices().mean())
    np.testing.assert_allclose(fit.traces().reference, fit.study.region.vertices().mean())


def test_a_process_factor_is_held_and_a_level_can_be():
    study = doe.Study(
        "both",
        [
            doe.Component("x", 20, 80),
            doe.Component("y", 20, 80),
            doe.Continuous("speed", 0, 10, "rpm"),
            doe.Categorical("k", ["p", "q"]),
        ],
        [doe.Response("v", transform="log")],
    )
    rng = np.random.default_rng(5)
    x, z, k = rng.uniform(20, 80, 30), rng.uniform(0, 10, 30), rng.choice(["p", "q"], 30)
    data = pd.DataFrame({"x": x, "y": 100 - x, "speed": z, "k": k})
    data["v"] = np.exp(1 + 0.01 * x + 0.002 * x * z + 0.3 * (k == "p") * x / 100 + 0.02 * rng.normal(size=30))
    fit = doe.fit(study, data, "v", ["x", "y", "x:speed", "y:speed", "x:k", "y:k"])
    made = fit.traces({"speed": 2, "k": "q"})
    assert made.held_words == "speed 2 rpm, k q"
    ends = pd.DataFrame({"x": [20.0, 80.0], "y": [80.0, 20.0], "speed": 2.0, "k": "q"})
    ratio = fit.predict(ends)["estimate"]
    assert np.exp(made.effects["estimate"][0]) == pytest.approx(ratio[1] / ratio[0])
    assert "The change is a factor." in str(made)
    assert fit.traces().held_words == "speed 5 rpm, k at the average of its levels"


def test_print_and_page():
    fit = blend(model="quadratic")
    text = str(fit.traces())
    assert text.startswith("Effect traces of v (mPa·s) along Cox's direction")
    assert (
        "Each component goes from its least to its most inside the region; the other components keep their proportions."
        in text
    )
    assert "Effect traces of v (mPa·s) along Piepel's direction" in fit.traces(
        direction="piepel"
    )._repr_html_().replace("&#x27;", "'")


def test_a_component_that_cannot_move_says_so():
    fit = blend((10, 20, 5), (60, 70, 40), constraints=["x == 30"], model=["y", "z"])
    made = fit.traces()
    assert not made.lines[0].long
    assert "Along this direction x" in str(made)
    line = line_through(fit.study, "x", centre_of(fit.study))
    assert line.low == line.high == 30


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        (
            {"direction": "piepl"},
            "traces: direction is 'piepl' but must be \"cox\" or \"piepel\": did you mean 'piepel'?",
        ),
        (
            {"reference": 3},
            "traces: reference is 'int' but must be a mapping from factor to setting: write {\"glycerin\": 5, …}, every component in it.",
        ),
        (
            {"reference": {"w": 3}},
            "traces: reference is 'w' but must be settings by factor name: known names are 'x', 'y', 'z'.",
        ),
        (
            {"reference": {"x": 30}},
            "traces: reference is 'x' but must be all components or none of them: give y and z too.",
        ),
        (
            {"reference": {"x": 30, "y": 30, "z": 30}},
            "traces: sum of the reference is 90.0 but must be 100 %: correct the components so that they add up.",
        ),
        (
            {"reference": {"x": 5, "y": 60, "z": 35}},
            "traces: reference is 'x 5, y 60, z 35' but must be inside the region studied: move it inside, or leave it out.",
        ),
        (
            {"reference": {"x": "much", "y": 60, "z": 35}},
            "traces: reference 'x' is 'much' but must be a finite number: give it in %.",
        ),
    ],
)
def test_refusals(given, sentence):
    with pytest.raises(StudyError) as error:
        blend((10, 20, 5), (60, 70, 40)).traces(**given)
    assert str(error.value) == sentence


def test_only_mixtures_are_traced(gel, gel_data):
    with pytest.raises(StudyError) as error:
        doe.fit(gel, gel_data, "pH", "linear").traces()
    assert str(error.value) == (
        "traces: components is 0 but must be 2 or more: traces are for mixtures; see drivers() for the change over each factor's range."
    )
