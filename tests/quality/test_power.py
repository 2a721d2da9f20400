"""Power and its inverse: what a change means for each kind of term, noise as a band, simulation."""

from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import doe
from doe.designs import Plan, box_behnken, central_composite
from doe.quality import Noise, check, usual_noise
from doe.quality.information import indicators
from doe.quality.noncentral import f_power, noncentrality_for
from doe.quality.strata import Strata


@pytest.fixture(scope="module")
def gel():
    return doe.Study(
        "gel",
        [
            doe.Continuous("polymer", 0.2, 0.6, "%"),
            doe.Continuous("speed", 400, 1000, "rpm"),
            doe.Continuous("minutes", 5, 25, "min"),
        ],
    )


@pytest.fixture(scope="module")
def quadratic(gel):
    return check(box_behnken(gel, centre=3), "quadratic")


def t_power(delta, se, df, alpha=0.05):
    critical = stats.t.isf(alpha / 2, df)
    return stats.nct.sf(critical, df, delta / se) + stats.nct.cdf(-critical, df, delta / se)


def test_what_a_change_means_for_each_kind_of_term(quadratic):
    """Main effects and interactions: coefficient change/2; squares: the change itself, centre to edge."""
    found = quadratic.power(1.0, change=2.5).set_index("term")["power"]
    for term, share in (("polymer", 0.5), ("polymer:speed", 0.5), ("speed^2", 1.0)):
        j = quadratic.model.terms.index(term)
        se = np.sqrt(quadratic.information.covariance[j, j])
        assert found[term] == pytest.approx(t_power(share * 2.5, se, 5), abs=1e-9)


def test_sigma_change_and_alpha_each_count(quadratic):
    base = quadratic.power(1.0, change=2.0)["power"]
    assert quadratic.power(2.0, change=4.0)["power"].to_numpy() == pytest.approx(base.to_numpy())
    assert (quadratic.power(2.0, change=2.0)["power"] < base).all()
    assert (quadratic.power(1.0, change=3.0)["power"] > base).all()
    assert (quadratic.power(1.0, change=2.0, alpha=0.2)["power"] > base).all()
    assert quadratic.power(1.0, change=-2.0)["power"].to_numpy() == pytest.approx(base.to_numpy())


def test_a_log_response_by_its_ratio(quadratic):
    by_ratio = quadratic.power(0.1, ratio=1.5)
    assert by_ratio["power"].to_numpy() == pytest.approx(quadratic.power(0.1, change=np.log(1.5))["power"].to_numpy())
    assert by_ratio["power"].to_numpy() == pytest.approx(quadratic.power(0.1, ratio=1 / 1.5)["power"].to_numpy())
    assert list(by_ratio.columns) == ["term", "ratio", "df", "power"]


def test_a_mapping_asks_for_its_terms_only(quadratic):
    found = quadratic.power(1.0, change={"speed:polymer": 3.0, "minutes": 1.0})
    assert list(found["term"]) == ["polymer:speed", "minutes"]
    everything = quadratic.power(1.0, change=1.0).set_index("term")["power"]
    assert found["power"].iloc[1] == pytest.approx(everything["minutes"])


def test_the_worst_pair_of_levels_counts():
    """A level made less often is the harder one to tell: gone through pair by pair on the cell means."""
    s = doe.Study("s", [doe.Categorical("base", ["x", "y", "z"])])
    levels = ["x"] * 6 + ["y"] * 4 + ["z"] * 2
    made = check(Plan.from_frame(s, pd.DataFrame({"base": levels})), "linear")
    counts = {"x": 6, "y": 4, "z": 2}
    worst = 1.0
    for one, other in combinations("xyz", 2):
        means = dict.fromkeys("xyz", 0.0) | {one: 0.75, other: -0.75}
        grand = sum(counts[v] * means[v] for v in "xyz") / 12
        lam = sum(counts[v] * (means[v] - grand) ** 2 for v in "xyz")
        worst = min(worst, stats.ncf.sf(stats.f.isf(0.05, 2, 9), 2, 9, lam))
    assert made.power(1.0, change=1.5)["power"].iloc[0] == pytest.approx(worst, abs=1e-9)


def test_a_two_level_categorical_factor_is_a_two_level_factor():
    runs = list(product([0.0, 1.0], repeat=2)) * 2
    numeric = doe.Study("s", [doe.Continuous("a", 0, 1), doe.Continuous("b", 0, 1)])
    kinds = doe.Study("s", [doe.Categorical("a", ["0", "1"]), doe.Continuous("b", 0, 1)])
    one = check(Plan.from_frame(numeric, pd.DataFrame(runs, columns=["a", "b"])), "interaction")
    two = check(
        Plan.from_frame(kinds, pd.DataFrame([(str(int(a)), b) for a, b in runs], columns=["a", "b"])), "interaction"
    )
    assert two.power(1.0, change=1.7)["power"].to_numpy() == pytest.approx(
        one.power(1.0, change=1.7)["power"].to_numpy()
    )


def test_two_blends_of_a_mixture():
    s = doe.Study("m", [doe.Component(n, 0, 100) for n in "xyz"])
    rows = [(100, 0, 0), (0, 100, 0), (0, 0, 100), (50, 50, 0), (50, 0, 50), (0, 50, 50), (40, 30, 30)] * 2
    made = check(Plan.from_frame(s, pd.DataFrame(rows, columns=list("xyz"))), "quadratic")
    blends = pd.DataFrame([(80, 10, 10), (20, 60, 20)], columns=list("xyz"), index=["rich", "lean"])
    found = made.power(0.5, change=1.0, blends=blends)
    X = made.model.matrix(s.frame(pd.DataFrame(rows, columns=list("xyz"))))
    row = made.model.matrix(blends)
    c = row[1] - row[0]
    se = 0.5 * np.sqrt(c @ np.linalg.inv(X.T @ X) @ c)
    assert found["term"].iloc[0] == "rich → lean"
    assert found["power"].iloc[0] == pytest.approx(t_power(1.0, se, 14 - 6), abs=1e-9)
    smallest = made.detectable(0.5, 0.9, blends=blends)["change"].iloc[0]
    assert made.power(0.5, change=smallest, blends=blends)["power"].iloc[0] == pytest.approx(0.9, abs=1e-7)


@pytest.mark.parametrize(("power", "alpha"), [(0.8, 0.05), (0.95, 0.01), (0.3, 0.1)])
def test_detectable_is_the_inverse_of_power(quadratic, power, alpha):
    table = quadratic.detectable(0.7, power, alpha)
    again = quadratic.power(0.7, change=dict(zip(table["term"], table["change"], strict=True)), alpha=alpha)
    assert again["power"].to_numpy() == pytest.approx(power, abs=1e-7)


def test_noncentrality_far_out_goes_on_smoothly():
    assert f_power(9_999, 1, 2, 0.001) == pytest.approx(f_power(10_001, 1, 2, 0.001), abs=2e-4)
    assert f_power(1e8, 3, 5, 0.05) == pytest.approx(1.0)
    for d, df in ((1, 1), (4, 2), (2, 30)):
        assert f_power(noncentrality_for(0.9, d, df, 0.05), d, df, 0.05) == pytest.approx(0.9, abs=1e-9)


def test_a_saturated_plan_can_test_nothing(gel):
    plan = central_composite(gel, axial="face", centre=0)
    ten = Plan.from_frame(gel, plan.runs.iloc[[0, 1, 2, 4, 7, 8, 10, 12, 13, 11]].reset_index(drop=True))
    made = check(ten, "quadratic")
    assert (made.power(1.0, change=1.0)["df"] == 0).all()
    assert made.power(1.0, change=1.0)["power"].isna().all()
    assert made.detectable(1.0)["change"].isna().all()
    assert "no degrees of freedom left to judge the noise by" in repr(made)


def test_a_band_of_noise_gives_a_band_of_power(quadratic):
    found = quadratic.power(usual_noise("viscosity"), ratio=1.2)
    assert list(found.columns) == ["term", "ratio", "df", "power_low_noise", "power", "power_high_noise"]
    assert (found["power_low_noise"] > found["power"]).all()
    assert (found["power"] > found["power_high_noise"]).all()
    for column, sigma in (("power_low_noise", 0.05), ("power", 0.08), ("power_high_noise", 0.15)):
        assert found[column].to_numpy() == pytest.approx(quadratic.power(sigma, ratio=1.2)["power"].to_numpy())


def test_the_upper_limit_of_sigma_gives_its_power(quadratic):
    noise = Noise(0.1, log=True, upper=0.18, df=5, confidence=0.9)
    found = quadratic.power(noise, ratio=1.4)
    assert found["power_at_upper_limit"].to_numpy() == pytest.approx(
        quadratic.power(0.18, ratio=1.4)["power"].to_numpy()
    )
    seen = quadratic.detectable(noise)
    assert seen["change_at_upper_limit"].to_numpy() == pytest.approx(1.8 * seen["change"].to_numpy())
    assert seen["ratio"].to_numpy() == pytest.approx(np.exp(seen["change"].to_numpy()))


# ---- split plots


def split_plot(ratio=1.0, whole=4, drop=()):
    s = doe.Study(
        "split",
        [
            doe.Continuous("base", 0, 1, hard_to_change=True),
            doe.Continuous("acid", 0, 1),
            doe.Continuous("speed", 0, 1),
        ],
    )
    rows = [(float(w % 2), a, b, f"w{w}") for w in range(whole) for a, b in product([0.0, 1.0], repeat=2)]
    table = (
        pd.DataFrame(rows, columns=["base", "acid", "speed", "whole_plot"])
        .drop(index=list(drop))
        .reset_index(drop=True)
    )
    return check(Plan.from_frame(s, table), "linear", variance_ratio=ratio)


def test_a_balanced_split_plot_by_its_strata():
    """σ is the sub-plots'; whole plots have √η σ more; each stratum has its own degrees of freedom (Box & Jones 1992, J. Appl. Stat. 19, 3-26)."""
    made = split_plot(ratio=2.0, whole=6)
    found = made.power(1.0, change=1.5).set_index("term")
    assert found["df"].to_numpy() == pytest.approx([4, 16, 16])
    # a coefficient: variance (1 + 4η)/N between whole plots, 1/N within
    assert found.loc["base", "power"] == pytest.approx(t_power(0.75, np.sqrt((1 + 4 * 2.0) / 24), 4), abs=1e-9)
    assert found.loc["acid", "power"] == pytest.approx(t_power(0.75, np.sqrt(1 / 24), 16), abs=1e-9)


def test_the_ratio_counts_for_what_is_hard_to_change_only():
    low, high = split_plot(0.2, 6).power(1.0, change=1.0), split_plot(4.0, 6).power(1.0, change=1.0)
    assert low["power"].iloc[0] > high["power"].iloc[0] + 0.2
    assert low["power"].iloc[1:].to_numpy() == pytest.approx(high["power"].iloc[1:].to_numpy())


def test_two_whole_plots_test_nothing_between_them():
    found = split_plot(1.0, 2).power(1.0, change=1.0).set_index("term")
    assert found.loc["base", "df"] == 0
    assert np.isnan(found.loc["base", "power"])
    assert found.loc["acid", "power"] > 0
    assert "Only" not in "".join(split_plot(1.0, 2).verdicts["What change would I see?"][:1])
    assert "No change would be seen in base" in repr(split_plot(1.0, 2))


# ---- by simulation

DRAWS = 10_000


def within(found, share, draws=DRAWS):
    """Three standard errors of a share."""
    return abs(found - share) <= 3 * np.sqrt(max(share * (1 - share), 1e-4) / draws)


@pytest.mark.slow
def test_power_by_simulation_completely_randomised():
    """10,000 seeded draws; the nominal power within three standard errors."""
    s = doe.Study("s", [doe.Continuous("a", 0, 1), doe.Categorical("base", ["x", "y", "z"])])
    rows = pd.DataFrame([*list(product([0.0, 0.5, 1.0], "xyz")), (0.5, "x"), (0.0, "z")], columns=["a", "base"])
    made = check(Plan.from_frame(s, rows), ["a", "base", "a^2"])
    X, rng = made.information.X, np.random.default_rng(20)
    n, p = X.shape
    for term, pattern in (("a", [0.5]), ("a^2", [1.0]), ("base", None)):
        own = np.flatnonzero(made.model.term_of == made.model.terms.index(term))
        nominal = made.power(1.0, change={term: 1.9})["power"].iloc[0]
        if pattern is None:
            # the hardest pair, found by the same non-centrality from the draws' own design
            options = [np.array(v) for v in ([0.5, -0.5], [0.5, 0.0], [0.0, 0.5])]
            C = made.information.covariance[np.ix_(own, own)]
            pattern = min(options, key=lambda e: e @ np.linalg.solve(C, e))
        beta = np.zeros(p)
        beta[own] = 1.9 * np.asarray(pattern)
        Y = (X @ beta)[:, None] + rng.normal(size=(n, DRAWS))
        reduced = np.delete(X, own, axis=1)
        rss = [((Y - A @ np.linalg.lstsq(A, Y, rcond=None)[0]) ** 2).sum(axis=0) for A in (X, reduced)]
        ratio = (rss[1] - rss[0]) / len(own) / (rss[0] / (n - p))
        share = (ratio > stats.f.isf(0.05, len(own), n - p)).mean()
        assert within(share, nominal), (term, share, nominal)


@pytest.mark.slow
def test_power_by_simulation_balanced_split_plot():
    """10,000 seeded draws of the two-stratum analysis of variance; within three standard errors."""
    made = split_plot(ratio=1.5, whole=6)
    rng, n = np.random.default_rng(21), 24
    X = made.information.X
    Z = indicators(np.repeat(np.arange(6), 4))
    nominal = made.power(1.0, change={"base": 3.0, "acid": 1.2}).set_index("term")["power"]
    beta = np.array([0.0, 1.5, 0.6, 0.0])
    Y = (X @ beta)[:, None] + rng.normal(size=(n, DRAWS)) + Z @ (np.sqrt(1.5) * rng.normal(size=(6, DRAWS)))
    means = Z.T @ Y / 4
    base = Z.T @ X[:, 1] / 4
    effect = base @ means / 6
    whole_ms = ((means - means.mean(axis=0) - np.outer(base, effect)) ** 2).sum(axis=0) / 4
    t = effect / np.sqrt(whole_ms / 6)
    assert within((np.abs(t) > stats.t.isf(0.025, 4)).mean(), nominal["base"])
    sub = np.column_stack([Z, X[:, 2:]])
    coefficients = np.linalg.lstsq(sub, Y, rcond=None)[0]
    ms = ((Y - sub @ coefficients) ** 2).sum(axis=0) / (n - 8)
    t = coefficients[6] / np.sqrt(ms / n)
    assert within((np.abs(t) > stats.t.isf(0.025, n - 8)).mean(), nominal["acid"])


@pytest.mark.slow
def test_power_by_simulation_unbalanced_split_plot():
    """Runs lost from a split plot: REML with Kenward–Roger in each of 10,000 draws; the nominal power within 0.03."""
    made = split_plot(ratio=1.0, whole=7, drop=(1, 6, 7, 18))
    F, G = made.information.X, made._strata.G
    rng, n, draws = np.random.default_rng(22), len(F), DRAWS
    nominal = made.power(1.0, change={"base": 3.0, "acid": 1.4}).set_index("term")["power"]
    whole = np.linalg.cholesky(G[1] + 1e-9 * np.eye(n))
    beta = np.array([0.0, 1.5, 0.7, 0.0])
    ratios = np.concatenate([[0.0], np.geomspace(0.02, 60, 60)])
    fits = []
    for ratio in ratios:
        V = np.eye(n) + ratio * G[1]
        L = np.linalg.cholesky(V)
        A = np.linalg.solve(L, F)
        Q, R = np.linalg.qr(A)
        fits.append((L, Q, 2 * np.log(np.diag(L)).sum() + 2 * np.log(np.abs(np.diag(R))).sum()))
    strata = [Strata(F, G, np.array([1.0, r])) for r in ratios]
    tests = [[s.hypothesis(np.eye(4)[[j]])[0] for j in (1, 2)] for s in strata]
    hits = np.zeros(2)
    Y = (F @ beta)[:, None] + rng.normal(size=(n, draws)) + whole @ rng.normal(size=(n, draws))
    scores, sigma2 = [], []
    for L, Q, logs in fits:
        e = np.linalg.solve(L, Y)
        e = e - Q @ (Q.T @ e)
        s2 = (e**2).sum(axis=0) / (n - 4)
        scores.append(logs + (n - 4) * np.log(s2))
        sigma2.append(s2)
    best = np.argmin(scores, axis=0)
    for d in range(draws):
        at = best[d]
        V = np.eye(n) + ratios[at] * G[1]
        b = strata[at].covariance @ F.T @ np.linalg.solve(V, Y[:, d])
        for i, j in enumerate((1, 2)):
            t = b[j] / np.sqrt(sigma2[at][d] * strata[at].adjusted_covariance[j, j])
            hits[i] += abs(t) > stats.t.isf(0.025, tests[at][i])
    share = hits / draws
    assert abs(share[0] - nominal["base"]) <= 0.03, (share, nominal)
    assert abs(share[1] - nominal["acid"]) <= 0.03, (share, nominal)
