"""Drivers: closed forms, brute force over lattices, limits, verdicts, words, refusals."""

from itertools import combinations
from math import comb

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError
from doe.fits.driving import Noise, Quantity, share_of
from doe.fits.sobol import variation_of


def box(names, **more):
    return doe.Study("box", [doe.Continuous(n, -1, 1) for n in names], [doe.Response("y")], **more)


def quadratic_forms(variation, beta, which):
    return np.einsum("fpq,p,q->f", which, beta, beta) / (beta @ variation.total @ beta)


# ---- Sobol' indices


def test_the_published_product_of_squares():
    """Sudret, B. (2008), Reliab. Eng. Syst. Saf. 93, 964-979 (values from memory, the closed form reproduces them): of
    2^-3 prod(3 x_i^2 + 1), x uniform on [0, 1], S_i = 25/91, S_ij = 5/91, S_123 = 1/91."""
    study = box("abc")
    x = ("1", "{0}", "{0}^2")
    terms = [
        ":".join(t)
        for t in np.array(np.meshgrid(*[[x[j].format(n) for j in range(3)] for n in "abc"])).reshape(3, -1).T
    ]
    terms = sorted({":".join(p for p in t.split(":") if p != "1") or "1" for t in terms})
    model = study.model(terms)
    z = np.array(np.meshgrid(*[np.linspace(-1, 1, 3)] * 3)).reshape(3, -1).T
    y = np.prod(3 * ((z + 1) / 2) ** 2 + 1, axis=1) / 8
    beta = np.linalg.solve(model.matrix_of(z), y)
    v = variation_of(study, model)
    assert v.independent
    np.testing.assert_allclose(quadratic_forms(v, beta, v.first_order), 25 / 91, rtol=1e-10)
    np.testing.assert_allclose(quadratic_forms(v, beta, v.total_order), 36 / 91, rtol=1e-10)
    # Shapley effects of independent factors share interactions out evenly (Owen 2014, SIAM/ASA JUQ 2, 245-251)
    np.testing.assert_allclose(quadratic_forms(v, beta, v.shapley[0]), 1 / 3, rtol=1e-10)


def test_a_quadratic_by_legendre_polynomials():
    """Closed form computed here: on [-1, 1] the variance of x is 1/3, of x^2 4/45, of x_1 x_2 1/9, and they are uncorrelated."""
    study = box("ab")
    model = study.model(["1", "a", "b", "a:b", "a^2"])
    beta = np.array([7.0, 2.0, -1.0, 0.5, 1.5])
    parts = {"a": 4 / 3 + 1.5**2 * 4 / 45, "b": 1 / 3, "ab": 0.25 / 9}
    whole = sum(parts.values())
    v = variation_of(study, model)
    assert beta @ v.total @ beta == pytest.approx(whole)
    np.testing.assert_allclose(quadratic_forms(v, beta, v.first_order), [parts["a"] / whole, parts["b"] / whole])
    np.testing.assert_allclose(
        quadratic_forms(v, beta, v.total_order),
        [(parts["a"] + parts["ab"]) / whole, (parts["b"] + parts["ab"]) / whole],
    )
    np.testing.assert_allclose(
        quadratic_forms(v, beta, v.shapley[0]),
        [(parts["a"] + parts["ab"] / 2) / whole, (parts["b"] + parts["ab"] / 2) / whole],
    )


def test_levels_weigh_alike():
    """Against the plain average over all settings: a discrete factor with uneven levels, a categorical one, their interaction."""
    study = doe.Study(
        "levels",
        [doe.Discrete("d", [1, 2, 6]), doe.Categorical("k", ["p", "q", "r"])],
        [doe.Response("y")],
    )
    model = study.model(["1", "d", "k", "d:k"])
    v = variation_of(study, model)
    grid = pd.DataFrame([(d, k) for d in (1, 2, 6) for k in "pqr"], columns=["d", "k"])
    beta = np.array([1.0, 2.0, -1.0, 0.5, 1.0, 0.3])
    grid["y"] = model.matrix(grid) @ beta
    whole = grid["y"].var(ddof=0)
    assert beta @ v.total @ beta == pytest.approx(whole)
    for name, share in zip(v.names, quadratic_forms(v, beta, v.first_order), strict=True):
        assert share * whole == pytest.approx(grid.groupby(name)["y"].mean().var(ddof=0))


# ---- Shapley effects


def lattice_shapley(points, y, names):
    """Shapley effects by their definition from a lattice of equally likely points; conditional means by grouping."""
    table = pd.DataFrame(np.round(points, 9), columns=names)
    whole = y.var()
    k = len(names)
    known = {(): 0.0}
    for size in range(1, k + 1):
        for group in combinations(names, size):
            if size == k:
                known[group] = whole
                continue
            g = pd.Series(y).groupby([table[n] for n in group]).transform("mean").to_numpy()
            known[group] = g.var()
    out = []
    for n in names:
        rest = [m for m in names if m != n]
        total = 0.0
        for size in range(k):
            for group in combinations(rest, size):
                more = tuple(m for m in names if m in group or m == n)
                total += (known[more] - known[group]) / (k * comb(k - 1, size))
        out.append(total / whole)
    return np.array(out)


def test_a_linear_blend_on_the_whole_simplex():
    """Closed form computed here: given x_i the others share (1 - x_i) evenly, Var(x_i) = 1/18 for three, and any two settle the third."""
    study = doe.Study("blend", [doe.Component(n, 0, 1, "") for n in "xyz"], [doe.Response("v")], mixture_total=1)
    v = variation_of(study, study.model("linear"))
    beta = np.array([10.0, 4.0, 1.0])
    mean_rest = np.array([(beta.sum() - b) / 2 for b in beta])
    alone = (beta - mean_rest) ** 2 / 18
    whole = ((beta**2).sum() * 2 - 2 * (beta[0] * beta[1] + beta[0] * beta[2] + beta[1] * beta[2])) / 36
    assert beta @ v.total @ beta == pytest.approx(whole)
    expected = [alone[i] / 3 + sum(whole - alone[j] for j in range(3) if j != i) / 6 for i in range(3)]
    assert len(v.shapley) == 1  # nothing is estimated
    np.testing.assert_allclose(quadratic_forms(v, beta, v.shapley[0]) * whole, expected, rtol=1e-10)


def bounded_blend():
    study = doe.Study(
        "bounded",
        [
            doe.Component(n, lo, hi, "")
            for n, lo, hi in zip("wxyz", (0.1, 0.0, 0.2, 0.0), (0.6, 0.5, 0.7, 0.3), strict=True)
        ],
        [doe.Response("v")],
        constraints=["w + x <= 0.75"],
        mixture_total=1,
    )
    # cells of a lattice by their middles, so that the lattice mean is a midpoint rule over the region
    n = 60
    a = (
        np.array(
            [(i, j, m, n - i - j - m) for i in range(n + 1) for j in range(n + 1 - i) for m in range(n + 1 - i - j)]
        )
        / n
    )
    inside = study.region.contains(pd.DataFrame(a, columns=list("wxyz")))
    return study, a[inside]


def test_a_bounded_blend_against_a_lattice():
    """Brute force: conditional means over a lattice of 1/60. Its edge error is near 1/60 of a share: 0.015 is allowed."""
    study, points = bounded_blend()
    model = study.model("quadratic")
    rng = np.random.default_rng(2)
    v = variation_of(study, model)
    for beta in (rng.normal(size=model.p) * 4, np.append(rng.normal(size=4), np.zeros(6))):
        found = quadratic_forms(v, beta, v.shapley.mean(axis=0))
        expected = lattice_shapley(points, model.matrix_of(points) @ beta, list("wxyz"))
        np.testing.assert_allclose(found, expected, atol=0.015)
        assert found.sum() == pytest.approx(1)


def test_a_narrow_blend_by_quadrature():
    """Three bounded components: given one, the next is uniform over what is left, so all needed are plain integrals."""
    low, high = np.array([0.002, 0.05, 0.90]), np.array([0.008, 0.09, 0.947])
    study = doe.Study(
        "gel",
        [doe.Component(n, lo, hi, "") for n, lo, hi in zip("abc", low, high, strict=True)],
        [doe.Response("v")],
        mixture_total=1,
    )
    model = study.model("quadratic")
    beta = np.array([900.0, 30.0, 4.0, 500.0, -800.0, 12.0])
    v = variation_of(study, model)

    def averages(i):
        j, k = [m for m in range(3) if m != i]
        t = low[i] + (np.arange(4000) + 0.5) / 4000 * (high[i] - low[i])
        least = np.maximum(low[j], 1 - t - high[k])
        most = np.minimum(high[j], 1 - t - low[k])
        weight = np.maximum(most - least, 0)
        nodes, w = np.polynomial.legendre.leggauss(3)
        values = np.zeros((len(t), 3))
        for m, node in enumerate(nodes):
            x = np.empty((len(t), 3))
            x[:, i], x[:, j] = t, 0.5 * (least + most) + 0.5 * node * (most - least)
            x[:, k] = 1 - x[:, i] - x[:, j]
            values[:, m] = model.matrix_of(x) @ beta
        given, square = values @ w / 2, values**2 @ w / 2
        mean = (given * weight).sum() / weight.sum()
        return ((given - mean) ** 2 * weight).sum() / weight.sum(), ((square - mean**2) * weight).sum() / weight.sum()

    found = [averages(i) for i in range(3)]
    whole = found[0][1]
    assert beta @ v.total @ beta == pytest.approx(whole, rel=1e-6)  # midpoints of 4000 steps
    expected = [found[i][0] / 3 + sum(whole - found[j][0] for j in range(3) if j != i) / 6 for i in range(3)]
    shares = quadratic_forms(v, beta, v.shapley.mean(axis=0))
    np.testing.assert_allclose(shares * whole, expected, atol=3e-3 * whole)


def test_a_discrete_factor_tied_to_another():
    """Brute force: every level a slice of the same weight, a hundred thousand points in each, conditional means in narrow bins."""
    study = doe.Study(
        "tied",
        [doe.Discrete("d", [0, 1, 2]), doe.Continuous("x", 0, 2)],
        [doe.Response("y")],
        constraints=["d + x <= 3"],
    )
    model = study.model(["1", "d", "x", "d:x"])
    beta = np.array([0.0, 1.0, 2.0, 0.7])
    v = variation_of(study, model)
    assert not v.independent
    slices = [(0, 2.0), (1, 2.0), (2, 1.0)]
    table = pd.concat([pd.DataFrame({"d": d, "x": (np.arange(100_000) + 0.5) / 100_000 * top}) for d, top in slices])
    y = model.matrix(table) @ beta
    whole = y.var()
    by_d = pd.Series(y).groupby(table["d"].to_numpy()).transform("mean").var(ddof=0)
    by_x = pd.Series(y).groupby((table["x"].to_numpy() * 500).astype(int)).transform("mean").var(ddof=0)
    expected = [(by_d + whole - by_x) / 2 / whole, (by_x + whole - by_d) / 2 / whole]
    found = np.einsum("bfpq,p,q->bf", v.shapley, beta, beta) / whole
    error = found.std(axis=0, ddof=1) / np.sqrt(len(found))
    assert (np.abs(found.mean(axis=0) - expected) <= 4 * error + 2e-3).all()  # 2e-3: bins of 0.002


def test_parts_that_are_not_tied_multiply():
    """A blend beside a process factor: against the lattice, with the factor's square worked by five levels of equal weight."""
    study = doe.Study(
        "both",
        [doe.Component("x", 0.2, 0.8, ""), doe.Component("y", 0.2, 0.8, ""), doe.Discrete("z", [-1, 0, 1])],
        [doe.Response("v")],
        mixture_total=1,
    )
    model = study.model(["x", "y", "x:y", "x:z", "y:z"])
    beta = np.array([1.0, 2.0, 3.0, 1.0, -2.0])
    v = variation_of(study, model)
    x = 0.2 + 0.6 * (np.arange(3000) + 0.5) / 3000
    table = pd.concat([pd.DataFrame({"x": x, "y": 1 - x, "z": z}) for z in (-1, 0, 1)], ignore_index=True)
    y = model.matrix(table) @ beta
    expected = lattice_shapley(table.to_numpy(), y, ["x", "y", "z"])
    np.testing.assert_allclose(quadratic_forms(v, beta, v.shapley[0]), expected, atol=1e-5)


# ---- limits


def two_level(effect, noise, seed=1):
    rng = np.random.default_rng(seed)
    z = np.array(np.meshgrid(*[[-1, 1]] * 3)).reshape(3, -1).T
    z = np.vstack([z, z]).astype(float)
    data = pd.DataFrame(z, columns=list("abc"))
    data["y"] = 20 + z @ np.array(effect) + noise * rng.normal(size=16)
    return doe.fit(box("abc"), data, "y", "linear")


def test_one_direction_gives_the_coefficients_own_interval_squared():
    fit = two_level([3.0, 1.5, 0.0], 1.0)
    noise = Noise.of(fit, 40_000, 0)
    form = np.zeros((4, 4))
    form[1, 1] = 1.0
    found = noise.limits(form)
    own = fit.coefficients.set_index("term").loc["a"]
    assert found.estimate == pytest.approx(own["estimate"] ** 2 - own["std_error"] ** 2)
    # quantiles of 40,000 draws: a hundredth of a standard error
    assert np.sqrt(found.low) == pytest.approx(own["low"], abs=0.02 * own["std_error"])
    assert np.sqrt(found.high) == pytest.approx(own["high"], abs=0.02 * own["std_error"])


def test_the_lower_end_is_zero_just_where_the_test_does_not_reject():
    """Both sides of p = 0.025, two-sided, for one coefficient."""
    for size, above in ((2.48, False), (2.62, True)):
        fit = two_level([0.0, 0.0, 0.0], 1.0)
        t = fit.coefficients.set_index("term").loc["a"]
        data = fit.batches.settings.assign(y=fit.y)
        data["y"] += data["a"] * (size * t["std_error"] - t["estimate"])
        moved = doe.fit(fit.study, data, "y", "linear")
        row = moved.coefficients.set_index("term").loc["a"]
        assert row["t"] == pytest.approx(size)
        assert bool(row["p"] < 0.025) is above  # t(0.9875, 12) = 2.560
        form = np.zeros((4, 4))
        form[1, 1] = 1.0
        assert (Noise.of(moved, 40_000, 0).limits(form).low > 0) is above


def test_shares_lie_between_their_ends():
    part, rest = Quantity(4.0, 2.0, 7.0), Quantity(1.0, 0.5, 2.0)
    share = share_of(part, rest)
    assert share.estimate == 0.8
    # computed here: log ratio 4 less and plus the root of the summed squares of the logarithmic distances
    low = 4 * np.exp(-np.hypot(np.log(2), np.log(2)))
    high = 4 * np.exp(np.hypot(np.log(7 / 4), np.log(2)))
    assert share.low == pytest.approx(low / (1 + low))
    assert share.high == pytest.approx(high / (1 + high))
    nothing = share_of(Quantity(0.0, 0.0, 1.0), rest)
    assert (nothing.estimate, nothing.low, nothing.high) == (0.0, 0.0, 0.5)
    alone = share_of(part, Quantity(0.0, 0.0, 2.0))
    assert (alone.estimate, alone.high) == (1.0, 1.0)
    assert alone.low == pytest.approx(0.5)
    assert share_of(Quantity(0.0, 0.0, 0.0), Quantity(0.0, 0.0, 0.0)).estimate == 0.0


# ---- the result


def test_the_ranking_and_its_words():
    d = two_level([3.0, 1.5, 0.0], 1.0).drivers()
    t = d.table.set_index("factor")
    assert d.table["factor"].tolist() == ["a", "b", "c"]
    assert t.loc["a", "share"] == pytest.approx(t.loc["a", "alone"])  # no interactions in the model
    assert t.loc["c", "verdict"] == "not shown to matter"
    assert t.loc["c", "low"] == 0.0
    assert (t.loc[["a", "b"], "verdict"] == "shown to matter").all()
    assert (t["mc_error"] == 0).all()
    assert d.words.startswith("Over the region studied a drives y most: it accounts for ")
    assert d.words.endswith("Not shown to matter (the interval includes 0): c.")
    text = str(d)
    assert "What drives y, by linear model over the region studied" in text
    assert "share (total)" in text
    assert "in one trial of 40" in text
    assert "<h4>What each factor changes over its range</h4>" in d._repr_html_()


def test_effects_are_the_coefficients_over_the_range():
    fit = two_level([3.0, 1.5, 0.0], 1.0)
    e, c = fit.drivers().effects, fit.coefficients.set_index("term")
    assert e["factor"].tolist() == ["a", "b", "c"]
    assert e["effect"].tolist() == ["-1 to 1"] * 3
    np.testing.assert_allclose(e["estimate"], 2 * c.loc[["a", "b", "c"], "estimate"])
    np.testing.assert_allclose(e["high"], 2 * c.loc[["a", "b", "c"], "high"])


def test_bends_levels_and_factors_of_a_log_response(gel_data, gel_fitted_as):
    fit = doe.fit(gel_fitted_as("log"), gel_data, "viscosity")
    d = fit.drivers()
    e = d.effects.set_index(["factor", "effect"])
    c = fit.coefficients.set_index("term")
    assert e.loc[("neutralisation", "bend"), "estimate"] == pytest.approx(c.loc["neutralisation^2", "estimate"])
    assert e.loc[("polymer", "0.2 to 0.6 %"), "estimate"] == pytest.approx(2 * c.loc["polymer", "estimate"])
    assert f"× {np.exp(2 * c.loc['polymer', 'estimate']):.3f}" in str(d)  # digits follow the error
    assert "Changes are factors of the response" in str(d)
    assert d.measure == "total"


def test_a_categorical_factor_and_covariates_that_are_none():
    rng = np.random.default_rng(4)
    study = doe.Study(
        "kinds",
        [doe.Continuous("a", 0, 10), doe.Categorical("kind", ["p", "q", "r"]), doe.Covariate("room", "°C", 21, 2)],
        [doe.Response("y")],
    )
    data = pd.DataFrame([(a, k) for a in (0, 5, 10) for k in "pqr"] * 3, columns=["a", "kind"])
    data["room"] = 21 + 2 * rng.normal(size=len(data))
    shift = data["kind"].map({"p": 0.0, "q": 3.0, "r": -1.0})
    data["y"] = 5 + 0.1 * data["a"] + shift + 4 * (data["room"] - 21) + 0.1 * rng.normal(size=len(data))
    model = study.model(["1", "a", "kind", "room"])
    v = variation_of(study, model)
    assert v.names == ("a", "kind")
    beta = np.array([5.0, 0.5, 0.0, 0.0, 1e6])
    assert beta @ v.total @ beta == pytest.approx(0.25 / 3)


def test_a_mixture_says_what_its_shares_are():
    rng = np.random.default_rng(3)
    study = doe.Study("blend", [doe.Component(n, 0, 100) for n in "xyz"], [doe.Response("v", "mPa·s")])
    x = np.vstack([np.eye(3), np.eye(3), np.full((3, 3), 1 / 3), 0.5 - 0.5 * np.eye(3)]) * 100
    data = pd.DataFrame(x, columns=list("xyz")).assign(v=x @ [0.2, 0.1, 0.05] + 0.5 * rng.normal(size=len(x)))
    d = doe.fit(study, data, "v", "linear").drivers()
    assert d.measure == "shapley"
    assert "alone" not in d.table
    assert d.table["share"].sum() == pytest.approx(1, abs=0.01)  # parts below 0 once the noise is off are held at 0
    text = str(d)
    assert "share (Shapley)" in text
    assert "A factor that moves with one that matters gets a part of its share: see its own effect below." in text
    assert "No Monte-Carlo error." in text
    assert "components move along Cox's direction" in text


def test_a_share_that_comes_from_moving_with_others_is_said():
    """Invented: z does nothing but make room for x, yet what x accounts for goes in part to it."""
    rng = np.random.default_rng(3)
    study = doe.Study(
        "blend",
        [doe.Component("x", 0, 10), doe.Component("z", 0, 10), doe.Component("water", 80, 100)],
        [doe.Response("v")],
    )
    x = study.region.sample(30, seed=1)
    data = x.assign(v=20 + 2 * x["x"] + rng.normal(size=30))
    d = doe.fit(study, data, "v", "linear").drivers()
    e = d.effects.set_index("factor").loc["z"]
    assert e["low"] < 0 < e["high"]
    assert d.table.set_index("factor").loc["z", "verdict"] == "shown to matter"
    assert "Of z no own effect is shown: that share comes from moving with the others." in d.words
    assert "z matters" not in d.words


def test_monte_carlo_error_is_said_where_there_is_one():
    study, points = bounded_blend()
    rng = np.random.default_rng(1)
    rows = points[rng.choice(len(points), 18, replace=False)]
    data = pd.DataFrame(rows, columns=list("wxyz")).assign(v=rows @ [9, 1, 2, 3] + 0.05 * rng.normal(size=18))
    fit = doe.fit(study, data, "v", "linear")
    d = fit.drivers()
    assert 0 < d.table["mc_error"].max() < 0.01
    assert "Monte-Carlo error of a share at most" in str(d)
    other = fit.drivers(seed=5)
    assert (
        d.table["share"] - other.table.set_index("factor").loc[d.table["factor"], "share"].to_numpy()
    ).abs().max() > 0
    same = fit.drivers()
    pd.testing.assert_frame_equal(d.table, same.table)


def test_nothing_left_to_judge_by():
    data = pd.DataFrame([(-1, -1), (1, -1), (-1, 1)], columns=["a", "b"], dtype=float).assign(y=[1.0, 4.0, 2.0])
    d = doe.fit(box("ab"), data, "y", "linear").drivers()
    assert d.table["verdict"].tolist() == ["cannot be judged"] * 2
    assert d.table["low"].isna().all()
    assert d.words == (
        "a has the largest share of the variation of y, 90 %, but nothing is left to judge the noise by: no share can be told from "
        "chance."
    )
    assert "95 % low" not in str(d)


def test_categorical_factors_alone_and_readings_without_noise():
    study = doe.Study(
        "kinds", [doe.Categorical("k", ["p", "q"]), doe.Categorical("m", ["s", "t", "u"])], [doe.Response("y")]
    )
    grid = pd.DataFrame([(k, m) for k in "pq" for m in "stu"] * 2, columns=["k", "m"])
    y = 3.0 + 2.0 * (grid["k"] == "p") + 0.5 * (grid["m"] == "t")
    d = doe.fit(study, grid.assign(y=y), "y", "linear").drivers()
    # computed here: variances 1 and 1/18 over the levels
    np.testing.assert_allclose(d.table["share"], [18 / 19, 1 / 19], rtol=1e-9)
    np.testing.assert_allclose(d.table["low"], d.table["high"], rtol=1e-6)
    e = d.effects.set_index(["factor", "effect"])["estimate"]
    assert e["k", "p against the average"] == pytest.approx(1.0)
    assert e["m", "t against the average"] == pytest.approx(1 / 3)


def test_a_flat_response_has_no_driver():
    d = two_level([0.0, 0.0, 0.0], 1.0, seed=3).drivers()
    assert d.words == "No factor's share is shown: every interval includes 0, so y may not vary over the region."


def test_more_draws_or_another_seed_move_the_ends():
    fit = two_level([3.0, 1.5, 0.0], 1.0)
    one, other, more = fit.drivers().table, fit.drivers(seed=1).table, fit.drivers(draws=400).table
    assert one["low"][0] != other["low"][0]
    assert one["low"][0] != more["low"][0]
    assert one["low"][0] == pytest.approx(other["low"][0], abs=0.02)


def test_a_split_plot_gives_the_whole_plot_factor_its_own_degrees():
    rng = np.random.default_rng(11)
    study = doe.Study(
        "split", [doe.Continuous("oven", -1, 1, hard_to_change=True), doe.Continuous("b", -1, 1)], [doe.Response("y")]
    )
    rows = [(w, o, b) for w, o in enumerate([-1, 1, -1, 1, -1, 1]) for b in (-1, 1, -1, 1)]
    data = pd.DataFrame(rows, columns=["whole_plot", "oven", "b"])
    plot = rng.normal(size=6)[data["whole_plot"]]
    data["y"] = 5 + 0.1 * data["oven"] + 0.3 * data["b"] + plot + 0.2 * rng.normal(size=24)
    fit = doe.fit(study, data, "y", "linear")
    d = fit.drivers()
    forms = d.variation.total_order
    df = [d.noise.degrees(form) for form in forms]
    assert df[0] == pytest.approx(4)  # between six whole plots
    assert df[1] > 15
    verdict = d.table.set_index("factor")["verdict"]
    assert verdict["b"] == "shown to matter"
    assert verdict["oven"] == "not shown to matter"


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda f: f.drivers(draws=10), "drivers: draws is 10 but must be a whole number from 200: correct it."),
        (lambda f: f.drivers(seed=-1), "drivers: seed is -1 but must be a whole number from 0: correct it."),
        (
            lambda f: doe.fit(f.study, f.batches.settings.assign(y=f.y), "y", ["1"]).drivers(),
            "drivers: model is '1' but must be one with a factor in it: fit a model with the factors studied.",
        ),
    ],
)
def test_refusals(call, sentence):
    with pytest.raises(StudyError) as error:
        call(two_level([3.0, 1.5, 0.0], 1.0))
    assert str(error.value) == sentence


def test_too_many_tied_factors_are_refused():
    names = [f"x{i}" for i in range(13)]
    study = doe.Study("many", [doe.Component(n, 0, 100) for n in names], [doe.Response("y")])
    rng = np.random.default_rng(0)
    x = rng.dirichlet(np.ones(13), 20) * 100
    data = pd.DataFrame(x, columns=names).assign(y=x[:, 0] + rng.normal(size=20))
    with pytest.raises(StudyError) as error:
        doe.fit(study, data, "y", "linear").drivers()
    assert str(error.value) == (
        "drivers: factors is 13 but must be at most 12 where constraints or a mixture tie some together: leave factors out of the model "
        "with fit.reduced(), or study fewer at a time."
    )


# ---- simulated


@pytest.mark.slow
def test_the_false_driver_rate():
    """1000 trials of 15 batches, seed 6: of two factors beside a strong one, one does nothing; it is called a driver in 2.5 % of them
    (its terms: a main effect, a square, two interactions; Monte-Carlo error 0.5 points, 3 of them allowed). The total share of the strong
    one is covered in 95 % or more: its limits, put together from two, err on the wide side (97 to 98 % found here)."""
    rng = np.random.default_rng(6)
    edge = [(a, b) for a in (-1, 1) for b in (-1, 1)]
    z = [(a, b, 0) for a, b in edge] + [(a, 0, b) for a, b in edge] + [(0, a, b) for a, b in edge] + [(0, 0, 0)] * 3
    z = np.array(z, dtype=float)
    study = box("abc")
    model = study.model("quadratic")
    v = variation_of(study, model)
    beta = dict.fromkeys(model.terms, 0.0) | {"1": 9.0, "a": 1.0, "b": 0.5, "a:b": 0.3, "a^2": -0.4}
    beta = np.array([beta[t] for t in model.terms])
    true = quadratic_forms(v, beta, v.total_order)
    false, covered = [], []
    for i in range(1000):
        data = pd.DataFrame(z, columns=list("abc")).assign(y=model.matrix_of(z) @ beta + 0.3 * rng.normal(size=15))
        noise = Noise.of(doe.fit(study, data, "y"), 2000, i)
        null = noise.limits(v.total_order[2])
        false.append(null.low > 0)
        share = share_of(noise.limits(v.total_order[0]), noise.limits(v.total - v.total_order[0]))
        covered.append(share.low <= true[0] <= share.high)
    assert true[2] == 0
    assert np.mean(false) == pytest.approx(0.025, abs=0.015), np.mean(false)
    assert 0.94 <= np.mean(covered) <= 0.99, np.mean(covered)
