"""How surely the stationary point, the way up and the best points within bounds are known."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

import doe
from doe import StudyError
from doe.fits.climbing import best_within, cone

CASE = Path(__file__).parents[1] / "reference" / "chemical_process_ccd"


@pytest.fixture(scope="module")
def process():
    """Montgomery (10th ed.), Table 11.4: sources in tests/reference/chemical_process_ccd/expected.json."""
    assert json.loads((CASE / "expected.json").read_text(encoding="utf-8"))
    data = pd.read_csv(CASE / "data.csv").drop(columns=["time", "temperature"])
    study = doe.Study(
        "process", [doe.Continuous("x1", -1, 1, limits=(-1.5, 3)), doe.Continuous("x2", -1, 1)], [doe.Response("yield")]
    )
    return doe.fit(study, data, "yield")


def statistic(fit, points):
    """The gradient's square over its covariance, written out for the two-factor quadratic."""
    at = list(fit.model.columns).index
    rows = np.zeros((len(points), 2, 6))
    rows[:, 0, at("x1")] = rows[:, 1, at("x2")] = 1
    rows[:, 0, at("x1^2")], rows[:, 1, at("x2^2")] = 2 * points[:, 0], 2 * points[:, 1]
    rows[:, 0, at("x1:x2")], rows[:, 1, at("x1:x2")] = points[:, 1], points[:, 0]
    cov = fit.sigma**2 * np.linalg.inv(fit.X.T @ fit.X)
    delta = rows @ fit.beta
    return np.einsum("ni,nij,nj->n", delta, np.linalg.inv(rows @ cov @ rows.transpose(0, 2, 1)), delta)


def test_the_region_is_box_and_hunters(process):
    """Box & Hunter (1954): the gradient's F against 2 and 7 degrees of freedom, written out from X'X over a grid."""
    g = np.linspace(-0.2, 1.0, 41)
    points = np.array(np.meshgrid(g, g)).reshape(2, -1).T
    w = process.surface().whereabouts()
    expected = statistic(process, points) <= 2 * stats.f.ppf(0.95, 2, 7)
    assert 20 < expected.sum() < 500
    np.testing.assert_array_equal(w.contains(pd.DataFrame(points, columns=["x1", "x2"])), expected)
    wider = process.surface().whereabouts(0.99).contains(pd.DataFrame(points, columns=["x1", "x2"]))
    assert wider.sum() > expected.sum()
    assert w.bounded
    assert ".contains(settings) says which settings may be the stationary point (Box & Hunter 1954)." in str(w)


def test_intervals_are_the_profile_of_that_region(process):
    """Brute force over a grid of 0.0025."""
    g = np.arange(-0.2, 1.0, 0.0025)
    points = np.array(np.meshgrid(g, g)).reshape(2, -1).T
    kept = points[statistic(process, points) <= stats.f.ppf(0.95, 1, 7)]
    t = process.surface().whereabouts().table
    np.testing.assert_allclose(t["low"], kept.min(axis=0), atol=0.003)
    np.testing.assert_allclose(t["high"], kept.max(axis=0), atol=0.003)
    np.testing.assert_allclose(t["estimate"], process.surface().stationary)


def flat_along_b(curved=-0.01, noise=0.3):
    rng = np.random.default_rng(1)
    z = np.array(np.meshgrid([-1, 0, 1], [-1, 0, 1])).reshape(2, -1).T.astype(float)
    z = np.vstack([z, z])
    data = pd.DataFrame(z, columns=["a", "b"])
    data["y"] = 5 + z[:, 0] - 3 * z[:, 0] ** 2 + curved * z[:, 1] ** 2 + noise * rng.normal(size=len(z))
    study = doe.Study("flat", [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)], [doe.Response("y")])
    return doe.fit(study, data, "y")


def test_a_region_without_end_is_said():
    w = flat_along_b().surface().whereabouts()
    assert not w.bounded
    t = w.table.set_index("factor")
    assert np.isinf(t.loc["b", ["low", "high"]].to_numpy(dtype=float)).any()
    assert "All factors together the region has no end: along some direction no curvature is shown" in str(w)
    assert "∞" in str(w)


def test_a_mixtures_point_stays_on_its_plane():
    rng = np.random.default_rng(3)
    x = rng.dirichlet([1, 1, 1], 30)
    study = doe.Study("blend", [doe.Component(n, 0, 1, "") for n in "xyz"], [doe.Response("v")], mixture_total=1)
    best = np.array([0.25, 0.35, 0.40])
    v = 9 - 20 * ((x - best) ** 2).sum(axis=1) + 0.1 * rng.normal(size=30)
    w = doe.fit(study, pd.DataFrame(x, columns=list("xyz")).assign(v=v), "v").surface().whereabouts()
    t = w.table
    assert ((t["low"] < best) & (best < t["high"])).all()
    assert w.contains(pd.DataFrame([best, [1, 0, 0], [0.3, 0.4, 0.4]], columns=list("xyz"))).tolist() == [
        True,
        False,
        False,
    ]


@pytest.mark.slow
def test_the_regions_cover():
    """400 trials on a 13-run plan, seed 1: Box and Hunter's region is exact at 95 % (Monte-Carlo error 1.1 points: 3 of them are
    allowed); the one-factor intervals are approximate, and within 91.5 to 98.5 %."""
    rng = np.random.default_rng(1)
    r = 2**0.5
    z = np.array([(-1, -1), (1, -1), (-1, 1), (1, 1), (r, 0), (-r, 0), (0, r), (0, -r), *[(0, 0)] * 5])
    study = doe.Study("plan", [doe.Continuous("x1", -1, 1), doe.Continuous("x2", -1, 1)], [doe.Response("y")])
    truth = pd.DataFrame([[0.3, -0.2]], columns=["x1", "x2"])
    together, alone = [], []
    for _ in range(400):
        mean = 9 - 2 * (z[:, 0] - 0.3) ** 2 - 1.5 * (z[:, 1] + 0.2) ** 2
        data = pd.DataFrame(z, columns=["x1", "x2"]).assign(y=mean + 0.5 * rng.normal(size=13))
        w = doe.fit(study, data, "y").surface().whereabouts()
        together.append(w.contains(truth)[0])
        alone.append(((w.table["low"] <= [0.3, -0.2]) & (w.table["high"] >= [0.3, -0.2])).to_numpy())
    assert np.mean(together) == pytest.approx(0.95, abs=0.033)
    assert (np.abs(np.mean(alone, axis=0) - 0.95) <= 0.035).all()


def test_a_split_plot_has_them_too():
    """Standard errors by Kenward and Roger, and the fewest degrees of freedom of the gradient's parts."""
    rng = np.random.default_rng(2)
    study = doe.Study(
        "split", [doe.Continuous("oven", -1, 1, hard_to_change=True), doe.Continuous("b", -1, 1)], [doe.Response("y")]
    )
    rows = [(w, o, b) for w, o in enumerate([-1, 1, 0] * 4) for b in (-1, 0, 1)]
    data = pd.DataFrame(rows, columns=["whole_plot", "oven", "b"])
    data["y"] = 5 + data["oven"] + data["b"] - 4 * data["oven"] ** 2 - 2 * data["b"] ** 2
    data["y"] += 0.3 * rng.normal(size=12)[data["whole_plot"]] + 0.2 * rng.normal(size=36)
    fit = doe.fit(study, data, "y")
    assert fit.method == "reml"
    s = fit.surface()
    w = s.whereabouts()
    c = fit.coefficients.set_index("term")
    assert w.df == pytest.approx(c.loc["oven", "df"], rel=0.05)
    assert w.df < c.loc["b", "df"]
    t = w.table.set_index("factor")
    assert t.loc["oven", "low"] < 0.125 < t.loc["oven", "high"]
    np.testing.assert_allclose(s.direction()["std_error"], c.loc[["oven", "b"], "std_error"])
    assert 0 < s.cone().excluded < 1
    assert s.ridge([0.5], within="region")["inside"].all()


# ---- the way up


def test_the_share_of_directions_ruled_out():
    """Box & Draper (1987), section 6.4 (from memory): for slopes of one variance the share is that of Student's t with k - 1 degrees of
    freedom at sqrt(sum b^2 / (s^2 F) - (k - 1))."""
    for slope, k in (([0.995, 0.515], 2), ([4.0, -2.0, 1.0], 3), ([1.0, 2.0, -1.0, 0.5], 4)):
        b, s2, df = np.array(slope), 0.1, 7
        F = stats.f.ppf(0.95, k - 1, df)
        expected = stats.t.cdf(np.sqrt(b @ b / (s2 * F) - (k - 1)), k - 1)
        assert cone(b, s2 * np.eye(k), df).excluded == pytest.approx(expected)


def test_uneven_slopes_are_counted_over_directions():
    """Stretching space makes any covariance even: the cone's edge is found there, and the share counted on a circle."""
    b, cov, df = np.array([2.0, 1.0]), np.array([[0.20, 0.05], [0.05, 0.08]]), 9
    angle = np.linspace(0, 2 * np.pi, 200_000, endpoint=False)
    d = np.column_stack([np.cos(angle), np.sin(angle)])
    W = np.linalg.inv(np.linalg.cholesky(cov))
    wb, wd = W @ b, d @ W.T
    cosine = wd @ wb / np.linalg.norm(wd, axis=1) / np.linalg.norm(wb)
    inside = (cosine > 0) & (wb @ wb * (1 - cosine**2) <= stats.f.ppf(0.95, 1, df))
    assert cone(b, cov, df).excluded == pytest.approx(1 - inside.mean(), abs=3e-3)  # 200,000 directions drawn


def test_no_slope_no_cone():
    found = cone(np.array([0.1, 0.1]), np.eye(2), 7)
    assert (found.excluded, found.angle) == (0.0, 180.0)
    assert cone(np.array([5.0]), np.array([[1.0]]), 7).excluded == 0.5
    assert cone(np.array([0.5]), np.array([[1.0]]), 7).excluded == 0.0


def test_ascent_and_direction_say_the_cone(process):
    s = process.surface()
    found = s.cone()
    said = f"{100 * found.excluded:.1f} % of all directions are ruled out as the steepest"
    assert said in s.ascent(0.5).note
    table = s.direction()
    assert said in table.note
    c = process.coefficients.set_index("term").loc[["x1", "x2"]]
    for column in ("estimate", "std_error", "low", "high"):
        np.testing.assert_allclose(table[column], c[column])
    assert s.cone(0.99).excluded < found.excluded
    assert s.direction(0.99)["low"][0] < table["low"][0]
    quiet = flat_along_b(noise=8.0).surface()
    assert (
        "No slope is shown (95 %): any direction may be the steepest, and the path is a guess."
        in quiet.ascent(0.5).note
    )


# ---- ridges within bounds


def test_the_best_point_within_bounds_by_brute_force():
    """Against 200,000 points on every sphere, in four dimensions, with two cuts through the box."""
    rng = np.random.default_rng(7)
    b, B = rng.normal(size=4), rng.normal(size=(4, 4))
    B = B + B.T
    G = np.vstack([np.eye(4), -np.eye(4), [[1, 1, 0, 0], [0, 0, -1, 1]]])
    h = np.append(np.ones(8), [1.2, 1.0])
    from doe.fits.canonical import Quadratic

    q = Quadratic(0.0, b, B, np.zeros((0, 4, 4)))
    directions = rng.normal(size=(200_000, 4))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    for sign in (1.0, -1.0):
        for radius in (0.5, 1.0, 1.4):
            u = best_within(b, B, radius, G, h, q.highest_at(radius, sign), sign)
            assert np.linalg.norm(u) == pytest.approx(radius)
            assert (G @ u <= h + 1e-6).all()
            points = radius * directions
            points = points[(points @ G.T <= h).all(axis=1)]
            value = points @ b + np.einsum("ij,jk,ik->i", points, B, points)
            mine = float(b @ u + u @ B @ u)
            assert sign * mine >= (sign * value).max() - 1e-9
            assert abs(mine - sign * (sign * value).max()) < 0.15  # how near 200,000 points come


def test_a_ridge_within_the_region_and_within_the_limits(process):
    s = process.surface()
    free = s.ridge([0.3, 1.3], goal="low")
    inside = s.ridge([0.3, 1.3], goal="low", within="region")
    assert free["inside"].tolist() == [True, False]
    assert inside["inside"].all()
    assert inside["estimate"][0] == pytest.approx(free["estimate"][0])
    assert inside["estimate"][1] > free["estimate"][1]
    found = optimize.minimize_scalar(  # on the edge x1 = -1 there are but two points at that distance
        lambda v: (1 + v**2 - 1.69) ** 2, bounds=(-1, 0), method="bounded", options={"xatol": 1e-10}
    )
    assert inside["x2"][1] == pytest.approx(found.x, abs=1e-4)
    limited = s.ridge([2.0], goal="low", within="limits")
    assert limited["x1"][0] >= -1.5 - 1e-9
    assert "Lowest yield at each distance inside the region studied (many starts: the best found)." in inside.note
    assert "inside the limits and constraints" in limited.note


def test_distances_out_of_reach_are_left_out(process):
    s = process.surface()
    path = s.ridge([1.0, 1.5], within="region")
    assert path["radius"].tolist() == [1.0]
    assert "Nothing lies inside at distance 1.5: left out." in path.note
    corner = s.ridge([2**0.5], within="region")
    np.testing.assert_allclose(np.abs(corner[["x1", "x2"]].to_numpy()), 1.0)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda s: s.ridge([1], within="box"),
            'ridge: within is \'box\' but must be "region" or "limits": or leave it out for no bounds.',
        ),
        (
            lambda s: s.ridge([5], within="region"),
            "ridge: radii is [5.0] but must be distances at which something lies inside the region: give shorter ones.",
        ),
        (lambda s: s.whereabouts(95), "confidence is 95 but must be between 0 and 1: write 0.95 for 95 %."),
        (lambda s: s.direction(True), "confidence is True but must be between 0 and 1: write 0.95 for 95 %."),
        (
            lambda s: s.whereabouts().contains({"x1": 1}),
            "whereabouts: settings is 'dict' but must be a DataFrame: give one row a setting, one column a factor.",
        ),
        (
            lambda s: s.whereabouts().contains(pd.DataFrame({"x1": [0]})),
            "whereabouts: columns is ['x1'] but must be all factors of the surface: add x2.",
        ),
        (
            lambda s: s.fit.refitted(s.fit.study.model("linear")).surface().whereabouts(),
            "whereabouts: surface is 'a plane' but must be one with a single stationary point: follow ridge(radii) instead.",
        ),
    ],
)
def test_refusals(process, call, sentence):
    with pytest.raises(StudyError) as error:
        call(process.surface())
    assert str(error.value) == sentence


def test_readings_without_noise_and_slopes_left_out_are_refused():
    z = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)], dtype=float)
    study = doe.Study("nine", [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)], [doe.Response("y")])
    data = pd.DataFrame(z, columns=["a", "b"])
    exact = doe.fit(study, data.assign(y=8 + z[:, 0] - 2 * z[:, 0] ** 2 - z[:, 1] ** 2), "y").surface()
    with pytest.raises(StudyError) as error:
        exact.whereabouts()
    assert str(error.value) == (
        "whereabouts: noise is 'rounding alone' but must be that of a trial: the readings lie on the model to the last digit: check them."
    )
    assert "ruled out" not in exact.ascent(0.5).note
    noisy = data.assign(y=8 + z[:, 0] - 2 * z[:, 0] ** 2 - z[:, 1] ** 2 + 0.1 * np.random.default_rng(0).normal(size=9))
    bare = doe.fit(study, noisy, "y", study.model(["1", "a", "a^2", "b^2"], hierarchy=False)).surface()
    with pytest.raises(StudyError) as error:
        bare.direction()
    assert str(error.value) == (
        "direction: terms is '1, a, a^2, b^2' but must be a model with the first power of every factor that moves: add the parents of its "
        "terms."
    )
    assert "ruled out" not in bare.ascent(0.5).note


def test_nothing_to_judge_by_is_refused():
    z = np.array([(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1), (1, 1)], dtype=float)
    study = doe.Study("six", [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)], [doe.Response("y")])
    data = pd.DataFrame(z, columns=["a", "b"]).assign(y=[5.0, 4, 3, 4, 2, 1])
    s = doe.fit(study, data, "y").surface()
    for what in ("whereabouts", "direction", "cone"):
        with pytest.raises(StudyError) as error:
            getattr(s, what)()
        assert str(error.value) == (
            f"{what}: residual degrees of freedom is 0 but must be 1 or more: leave terms out of the model, or make more batches."
        )


# ---- two factors of more


@pytest.fixture(scope="module")
def three():
    """Invented: a peak in three factors."""
    rng = np.random.default_rng(4)
    study = doe.Study("three", [doe.Continuous(n, -1, 1) for n in "abc"], [doe.Response("y")])
    runs = doe.designs.central_composite(study, axial="face", centre=4).runs
    z = runs[list("abc")].to_numpy()
    peak = 9 - 3 * (z[:, 0] - 0.2) ** 2 - 2 * (z[:, 1] + 0.1) ** 2 - 2.5 * z[:, 2] ** 2 + z[:, 0] * z[:, 2]
    return doe.fit(study, runs.assign(y=peak + 0.4 * rng.normal(size=len(z))), "y").surface()


def test_with_two_factors_the_pair_is_box_and_hunters_region(process):
    points = np.random.default_rng(0).uniform(-0.2, 1, (200, 2))
    w = process.surface().whereabouts()
    ratio = w.pair_ratio(pd.DataFrame(points, columns=["x1", "x2"]))
    np.testing.assert_allclose(ratio, statistic(process, points) / (2 * stats.f.ppf(0.95, 2, 7)))
    turned = w.pair_ratio(pd.DataFrame(points[:, ::-1], columns=["x2", "x1"]))
    np.testing.assert_allclose(turned, ratio)
    # 2 F(0.99) instead of 2 F(0.95)
    wider = process.surface().whereabouts(0.99).pair_ratio(pd.DataFrame(points, columns=["x1", "x2"]))
    np.testing.assert_allclose(wider, ratio * stats.f.ppf(0.95, 2, 7) / stats.f.ppf(0.99, 2, 7))


def test_a_pair_of_three_takes_the_least_over_the_third(three):
    """Brute force over the third factor, out to 300 coded units where a second valley lies, of the statistic from the model's own rows and X'X."""
    w = three.whereabouts()
    fit = three.fit
    limit = 2 * stats.f.ppf(0.95, 2, fit.df_residual)
    step, far = 1e-3, np.sinh(np.linspace(-6.4, 6.4, 1201))
    points = np.random.default_rng(1).uniform(-1, 1, (12, 2))
    ratio = w.pair_ratio(pd.DataFrame(points, columns=["c", "a"]))

    def of(point):
        """Slopes by differences of the model's own rows, no derivative of this library among them."""
        rows = [
            fit.model.matrix_of(np.array([point + step * e])) - fit.model.matrix_of(np.array([point - step * e]))
            for e in np.eye(3)
        ]
        rows = np.vstack(rows) / (2 * step)
        cov = fit.sigma**2 * np.linalg.inv(fit.X.T @ fit.X)
        slope = rows @ fit.beta
        return slope @ np.linalg.solve(rows @ cov @ rows.T, slope)

    for (c, a), found in zip(points, ratio, strict=True):
        least = min(of(np.array([a, b, c])) for b in far) / limit
        assert found == pytest.approx(least, rel=1e-3)


def test_no_pair_is_told_where_there_is_none(three):
    w = three.whereabouts()
    blend = doe.Study("b", [doe.Component(n, 0, 100) for n in ("gum", "water")], [doe.Response("y")])
    data = pd.DataFrame({"gum": [0, 25, 50, 75, 100, 50]})
    two = doe.fit(blend, data.assign(water=100 - data["gum"], y=[1.0, 2.0, 3.0, 2.1, 1.2, 3.1]), "y")
    for call, sentence in (
        (
            lambda: w.pair_ratio(pd.DataFrame({"a": [0]})),
            "whereabouts: pair is 'a' but must be two columns among a, b, c: give one row a setting of the two.",
        ),
        (
            lambda: w.pair_ratio(3),
            "whereabouts: pair is 'int' but must be two columns among a, b, c: give one row a setting of the two.",
        ),
        (
            lambda: two.surface().whereabouts().pair_ratio(pd.DataFrame({"gum": [10], "water": [90]})),
            "whereabouts: pair is 'gum, water' but must be two factors that do not settle each other: one follows from the other here: "
            "choose another pair.",
        ),
    ):
        with pytest.raises(StudyError) as error:
            call()
        assert str(error.value) == sentence
