"""The shape of a surface: known surfaces without noise, mixtures, ridges, ascents, refusals."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

import doe
from doe import StudyError
from doe.fits.canonical import Quadratic


def surface(formula, model="quadratic", names=("a", "b"), noise=0.0, **given):
    """A fit to a formula in coded units on a grid, natural units 10 ± 5 for every factor."""
    rng = np.random.default_rng(0)
    z = np.array(np.meshgrid(*[[-1.0, -0.5, 0.0, 0.5, 1.0]] * len(names))).reshape(len(names), -1).T
    study = doe.Study("known", [doe.Continuous(n, 5, 15, **given) for n in names], [doe.Response("y")])
    data = pd.DataFrame(10 + 5 * z, columns=list(names))
    data["y"] = formula(*z.T) + noise * rng.normal(size=len(z))
    return doe.fit(study, data, "y", model).surface()


def test_a_known_maximum():
    s = surface(lambda a, b: 7 - 2 * (a - 0.3) ** 2 - (b + 0.2) ** 2)
    assert s.kind == "maximum"
    np.testing.assert_allclose(s.stationary, [11.5, 9.0], rtol=1e-9)
    np.testing.assert_allclose(s.stationary_coded, [0.3, -0.2], atol=1e-9)
    np.testing.assert_allclose(s.eigenvalues, [-1, -2], rtol=1e-9)
    np.testing.assert_allclose(np.abs(s.vectors.to_numpy()), [[0, 1], [1, 0]], atol=1e-7)
    assert s.prediction["estimate"].iloc[0] == pytest.approx(7)
    assert s.inside


def test_minimum_saddle_and_ridges():
    assert surface(lambda a, b: a**2 + 2 * b**2 + a).kind == "minimum"
    assert surface(lambda a, b: a**2 - 2 * b**2 + a * b).kind == "saddle"
    flat = surface(lambda a, b: -((a + b) ** 2) + 0.4 * (a + b))
    assert flat.kind == "stationary ridge"
    assert flat.stationary_coded.sum() == pytest.approx(0.2)
    assert flat.stationary_coded["a"] == pytest.approx(0.1)  # of the ridge the point nearest the centre
    rising = surface(lambda a, b: -((a + b) ** 2) + (a - b))
    assert rising.kind == "rising ridge"
    assert rising.stationary is None
    assert rising.inside is None
    assert rising.prediction is None
    assert "climbs without end" in str(rising)
    plane = surface(lambda a, b: a + b, "linear")
    assert plane.kind == "plane"
    assert "A model without curvature has no stationary point" in str(plane)
    assert surface(lambda a, b: a + b + a * b, "interaction").kind == "saddle"


def test_a_point_outside_the_region_is_said():
    s = surface(lambda a, b: 7 - (a - 3) ** 2 - b**2)
    assert s.inside is False
    assert "The point lies outside the region studied: do not trust it" in str(s)
    assert "lies inside the region" in str(surface(lambda a, b: 7 - a**2 - b**2))


def test_curvature_carries_its_error_and_an_unsure_sign_is_said():
    """Against the squares' standard errors in a model refitted along the axes (Bisgaard & Ankenman 1996)."""
    s = surface(lambda a, b: -2 * a**2 - 2 * b**2 + a * b, noise=0.5)
    V = s.quadratic.axes[1]
    z = (s.fit.batches.settings.to_numpy() - 10) / 5 @ V
    X = np.column_stack([np.ones(len(z)), z, z[:, 0] * z[:, 1], z**2])
    cov = s.fit.sigma**2 * np.linalg.inv(X.T @ X)
    np.testing.assert_allclose(s.curvature["std_error"], np.sqrt(np.diag(cov)[-2:]), rtol=1e-8)
    beta = np.linalg.lstsq(X, s.fit.y, rcond=None)[0]
    np.testing.assert_allclose(s.eigenvalues, beta[-2:], rtol=1e-8)
    assert "not sure" not in str(s)
    weak = surface(lambda a, b: -2 * a**2 + 0.001 * b**2, noise=0.5)
    assert "The sign along axis 1 is not sure (its interval includes 0): the surface may be a ridge there." in str(weak)
    weaker = surface(lambda a, b: 0.001 * a**2 + 0.001 * b**2, noise=0.5)
    assert "The signs along axes 1 and 2 are not sure (their intervals include 0)" in str(weaker)


def test_terms_of_higher_degree_are_refused():
    with pytest.raises(StudyError) as error:
        surface(lambda a, b: a**3, "cubic")
    assert str(error.value) == (
        "surface: term is 'a^3' but must be of the first or second degree in numeric factors and components: fit a quadratic model, "
        "or look for the best settings with doe.find_window."
    )


# ---- categorical factors


@pytest.fixture
def kinds():
    z = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)], dtype=float)
    study = doe.Study(
        "kinds",
        [doe.Continuous("a", 5, 15), doe.Categorical("kind", ["p", "q"]), doe.Continuous("b", 5, 15)],
        [doe.Response("y")],
    )
    parts = []
    for kind, shift in (("p", 0.5), ("q", -0.1)):
        y = 3 - 2 * (z[:, 0] - shift) ** 2 - z[:, 1] ** 2
        parts.append(pd.DataFrame({"a": 10 + 5 * z[:, 0], "kind": kind, "b": 10 + 5 * z[:, 1], "y": y}))
    return doe.fit(study, pd.concat(parts, ignore_index=True), "y")


def test_a_level_can_be_held(kinds):
    assert kinds.surface(at={"kind": "p"}).stationary_coded["a"] == pytest.approx(0.5)
    assert kinds.surface(at={"kind": "q"}).stationary_coded["a"] == pytest.approx(-0.1)
    middle = kinds.surface()
    assert middle.stationary_coded["a"] == pytest.approx(0.2)
    assert "Held: kind at the average of its levels." in str(middle)
    assert "Held: kind at q." in str(kinds.surface(at={"kind": "q"}))
    assert "Held: kind at q." in kinds.surface(at={"kind": "q"}).ridge([0, 1]).note


def test_prediction_at_a_held_level_is_predicts_own(kinds):
    s = kinds.surface(at={"kind": "q"})
    said = kinds.predict(pd.DataFrame({**s.stationary.to_dict(), "kind": "q"}, index=[0]))
    assert s.prediction["estimate"].iloc[0] == pytest.approx(said["estimate"].iloc[0])


def test_levels_are_checked(kinds):
    for at, sentence in (
        ({"kin": "p"}, "surface: at is 'kin' but must be a categorical factor: did you mean 'kind'?"),
        ({"kind": "r"}, "surface: at 'kind' is 'r' but must be one of p, q: known names are 'p', 'q'."),
    ):
        with pytest.raises(StudyError) as error:
            kinds.surface(at=at)
        assert str(error.value) == sentence
    only = doe.fit(kinds.study, kinds.batches.settings.assign(y=kinds.y), "y", ["kind"])
    with pytest.raises(StudyError) as error:
        only.surface()
    assert str(error.value) == (
        "surface: model is '1, kind' but must be a model with a numeric factor or a component: compare the levels with predict() "
        "instead."
    )


# ---- mixtures


def blend(totals=1.0):
    rng = np.random.default_rng(3)
    low, high = np.array([0.1, 0.2, 0.3]), np.array([0.5, 0.6, 0.7])
    x = rng.dirichlet([1, 1, 1], 40) * 0.4 + low
    study = doe.Study(
        "blend",
        [doe.Component(n, totals * lo, totals * hi, "") for n, lo, hi in zip("xyz", low, high, strict=True)],
        [doe.Response("v")],
        mixture_total=totals,
    )
    best = np.array([0.25, 0.33, 0.42])
    data = pd.DataFrame(totals * x, columns=list("xyz")).assign(v=9 - 50 * ((x - best) ** 2).sum(axis=1))
    return doe.fit(study, data, "v"), best


@pytest.mark.parametrize("totals", [1.0, 100.0])
def test_the_stationary_point_of_a_mixture_lies_on_its_plane(totals):
    fit, best = blend(totals)
    s = fit.surface()
    np.testing.assert_allclose(s.stationary, totals * best, rtol=1e-6)
    assert s.kind == "maximum"
    assert len(s.eigenvalues) == 2
    np.testing.assert_allclose(s.vectors.sum(axis=0), 0, atol=1e-9)  # equal ranges: along the plane
    path = s.ridge(np.linspace(0, 1, 5))
    np.testing.assert_allclose(path[list("xyz")].sum(axis=1), totals, rtol=1e-9)
    assert s.inside


def test_a_mixture_with_a_process_factor():
    rng = np.random.default_rng(4)
    x, z = rng.uniform(0.2, 0.8, 30), rng.uniform(-1, 1, 30)
    study = doe.Study(
        "both",
        [doe.Component("x", 0.2, 0.8, ""), doe.Component("y", 0.2, 0.8, ""), doe.Continuous("z", 0, 10)],
        [doe.Response("v")],
        mixture_total=1,
    )
    v = 4 - 30 * (x - 0.6) ** 2 - (z - 0.5) ** 2 + 2 * (x - 0.6) * (z - 0.5)
    fit = doe.fit(study, pd.DataFrame({"x": x, "y": 1 - x, "z": 5 + 5 * z, "v": v}), "v")
    s = fit.surface()
    np.testing.assert_allclose(s.stationary, [0.6, 0.4, 7.5], rtol=1e-6)
    assert s.kind == "maximum"


# ---- ridges


@given(st.integers(0, 10_000), st.floats(0.05, 4), st.sampled_from(["high", "low"]))
@settings(max_examples=40, deadline=None)
def test_ridge_points_are_the_best_on_their_sphere(seed, radius, goal):
    """Against a direct search on the sphere from many starts."""
    rng = np.random.default_rng(seed)
    B = rng.normal(size=(3, 3))
    q = Quadratic(0.0, rng.normal(size=3) * rng.choice([0, 1], 3, p=[0.3, 0.7]), B + B.T, np.zeros((0, 3, 3)))
    sign = 1.0 if goal == "high" else -1.0
    u = q.highest_at(radius, sign)
    assert np.linalg.norm(u) == pytest.approx(radius, rel=1e-9)

    def value(v):
        return float(q.b @ v + v @ q.B @ v)

    best = -np.inf
    for start in rng.normal(size=(12, 3)):
        found = optimize.minimize(lambda w: -sign * value(radius * w / np.linalg.norm(w)), start, method="BFGS")
        best = max(best, -found.fun)
    assert sign * value(u) >= best - 1e-6 * max(1.0, abs(best))


def test_a_ridge_turns_into_the_curved_direction():
    """The gradient has no part along the steepest curvature: past a distance the path leaves the gradient's line."""
    s = surface(lambda a, b: a + 2 * b**2)
    path = s.ridge([0, 0.2, 1.0])
    assert path["b"].tolist()[:2] == pytest.approx([10, 10])
    assert abs(path["b"][2] - 10) > 4
    assert path["radius"].tolist() == [0, 0.2, 1.0]


def test_ridge_table_and_goal():
    s = surface(lambda a, b: 7 - (a - 3) ** 2 - b**2, noise=0.1)
    up, down = s.ridge([0, 0.5, 1]), s.ridge([0, 0.5, 1], goal="low")
    assert up.columns.tolist() == ["radius", "a", "b", "estimate", "std_error", "low", "high", "inside"]
    assert up["estimate"].is_monotonic_increasing
    assert down["estimate"].is_monotonic_decreasing
    assert up["inside"].tolist() == [True, True, True]
    assert s.ridge([3])["inside"].tolist() == [False]
    said = s.fit.predict(up[["a", "b"]])
    np.testing.assert_allclose(up["std_error"], said["std_error"], rtol=1e-9)
    assert "Highest y at each distance." in str(up)
    assert "Lowest y at each distance." in str(down)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda s: s.ridge([]), "ridge: radii is [] but must be at least one distance: write [0, 0.5, 1]."),
        (lambda s: s.ridge(1), "ridge: radii is 1 but must be a list of distances: write [0, 0.5, 1]."),
        (lambda s: s.ridge([-1]), "ridge: radius is -1 but must be a finite number from 0: give a distance."),
        (
            lambda s: s.ridge([1], "up"),
            'goal is \'up\' but must be "high" or "low": say which way the response should go.',
        ),
        (lambda s: s.ascent(0), "ascent: step is 0 but must be a finite number above 0: give a distance."),
        (
            lambda s: s.ascent(1, steps=0),
            "ascent: steps is 0 but must be a whole number from 1: say how many steps to list.",
        ),
        (
            lambda s: s.ascent({"a": 1, "b": 1}),
            "ascent: step is {'a': 1, 'b': 1} but must be one factor with its change: write {\"speed\": 50}, the others follow.",
        ),
        (
            lambda s: s.ascent({"c": 1}),
            "ascent: step is 'c' but must be a numeric factor or component of the model: known names are 'a', 'b'.",
        ),
        (
            lambda s: s.ascent({"b": 1}),
            "ascent: step is 'b' but must be a factor that the path moves: choose another factor, or give a coded length.",
        ),
    ],
)
def test_refusals(call, sentence):
    with pytest.raises(StudyError) as error:
        call(surface(lambda a, b: a - b**2))
    assert str(error.value) == sentence


def test_no_slope_no_ascent():
    with pytest.raises(StudyError) as error:
        surface(lambda a, b: 3 - a**2 - b**2).ascent(0.5)
    assert str(error.value) == (
        "ascent: slope at the centre is 0.0 but must be different from 0: use ridge(radii), which follows the curvature."
    )


# ---- ascents


def test_ascent_follows_the_gradient_and_descent_goes_back():
    s = surface(lambda a, b: 3 * a + 4 * b, "linear")
    up, down = s.ascent(0.5, steps=4), s.ascent(0.5, goal="low", steps=4)
    np.testing.assert_allclose(np.diff(up["a"]), 5 * 0.5 * 0.6, rtol=1e-9)
    np.testing.assert_allclose(np.diff(up["b"]), 5 * 0.5 * 0.8, rtol=1e-9)
    np.testing.assert_allclose(up["a"] + down["a"], 20)
    assert up["step"].tolist() == [0, 1, 2, 3, 4]
    assert up["estimate"].tolist() == pytest.approx([0, 2.5, 5, 7.5, 10], abs=1e-9)
    assert "Steepest descent" in str(down)
    assert not up["inside"].iloc[-1]
    assert "make them one at a time and look" in up.note


def test_ascent_stops_at_limits_of_a_factor():
    s = surface(lambda a, b: 3 * a + 4 * b, "linear", limits=(0, 20))
    path = s.ascent({"b": 2.0}, steps=20)
    assert path["b"].tolist() == pytest.approx([10, 12, 14, 16, 18, 20])
    assert "It ends there: one step more, and b would pass 20." in path.note
    down = s.ascent({"b": 2.0}, goal="low", steps=20)
    assert "b would pass 0" in down.note
    free = surface(lambda a, b: 3 * a + 4 * b, "linear").ascent({"b": 2.0}, steps=20)
    assert len(free) == 21
    assert "It ends there" not in free.note


def test_ascent_stops_at_a_constraint_of_the_study():
    z = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)], dtype=float)
    study = doe.Study(
        "bound",
        [doe.Continuous("a", 5, 15), doe.Continuous("b", 5, 15)],
        [doe.Response("y")],
        constraints=["a + b <= 31"],
    )
    data = pd.DataFrame({"a": 10 + 5 * z[:, 0], "b": 10 + 5 * z[:, 1]}).assign(y=z[:, 0] + z[:, 1])
    path = doe.fit(study, data, "y", "linear").surface().ascent({"a": 2.0})
    assert path["a"].tolist() == pytest.approx([10, 12, 14])
    assert '"a + b <= 31" would be broken' in path.note


def test_ascent_of_a_mixture_stops_where_a_component_runs_out():
    rng = np.random.default_rng(5)
    x = rng.dirichlet([1, 1, 1], 20) * 0.3 + np.array([0.1, 0.2, 0.4])
    study = doe.Study(
        "blend",
        [doe.Component(n, lo, lo + 0.3, "") for n, lo in zip("xyz", (0.1, 0.2, 0.4), strict=True)],
        [doe.Response("v")],
        mixture_total=1,
    )
    fit = doe.fit(study, pd.DataFrame(x, columns=list("xyz")).assign(v=x @ [1.0, 2.0, 6.0]), "v", "linear")
    path = fit.surface().ascent(0.4, steps=50)
    np.testing.assert_allclose(path[list("xyz")].sum(axis=1), 1)
    assert path[list("xyz")].to_numpy().min() >= 0
    assert "would pass 0" in path.note


def test_ascent_on_a_curved_surface_says_what_it_leaves_out():
    assert "see ridge(radii)" in surface(lambda a, b: a + b - a**2).ascent(0.2).note
    assert "see ridge(radii)" not in surface(lambda a, b: a + b, "linear").ascent(0.2).note


def test_a_discrete_factor_counts_as_a_range():
    z = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)], dtype=float)
    study = doe.Study("levels", [doe.Discrete("a", [5, 10, 15]), doe.Continuous("b", 5, 15)], [doe.Response("y")])
    data = pd.DataFrame({"a": 10 + 5 * z[:, 0], "b": 10 + 5 * z[:, 1]})
    s = doe.fit(study, data.assign(y=-((z[:, 0] - 0.3) ** 2) - z[:, 1] ** 2), "y").surface()
    assert s.inside  # 11.5 lies between two levels, not outside
    assert s.ascent({"a": 2}, steps=10)["a"].max() <= 15


def test_the_log_scale_is_carried_back():
    z = np.linspace(-1, 1, 9)
    study = doe.Study("log", [doe.Continuous("a", 5, 15)], [doe.Response("y", "Pa·s", transform="log")])
    rng = np.random.default_rng(1)
    data = pd.DataFrame({"a": 10 + 5 * z, "y": np.exp(2 - (z - 0.2) ** 2 + 0.01 * rng.normal(size=9))})
    s = doe.fit(study, data, "y").surface()
    assert s.prediction["estimate"].iloc[0] == pytest.approx(np.exp(2), rel=0.02)
    assert "Fitted scale (ln y)" in str(s)
    assert "Surface of y (Pa·s), quadratic: maximum" in str(s)
    assert "<h4>" in s._repr_html_()


def test_every_page_of_a_surface_says_that_terms_were_chosen():
    rng = np.random.default_rng(8)
    study = doe.Study("plan", [doe.Continuous(n, -1, 1) for n in "ab"], [doe.Response("y")])
    data = doe.designs.central_composite(study, axial="face", centre=4).runs
    data = data.assign(y=9 + data["a"] - 2 * data["a"] ** 2 - data["b"] ** 2 + 0.3 * rng.normal(size=len(data)))
    whole = doe.fit(study, data, "y")
    chosen = whole.reduced()
    (sentence,) = chosen._selected

    def pages(fit):
        s = fit.surface()
        return [str(s), s.ridge([0, 0.5]).note, s.ascent(0.2).note, s.direction().note, str(s.whereabouts())]

    assert all(sentence in page for page in pages(chosen))
    assert not any(sentence in page for page in pages(whole))
