"""What is claimed against what is true, over thousands of simulated trials; seeds, repeats and errors stand beside each claim.

A chance is a posterior's, and true on average over the truths that its prior stands for. Where truths are drawn from that prior itself, or from what
a first part of the trial leaves possible, it is right to within the error of these simulations. Where they are drawn from a narrower law, it is off
by six or seven points in some tenths, for that reason alone: the same draws, cut to that law, are right again. The claim of one limit needs no such
law at a setting fixed beforehand, and at a chosen one it allows for the choice.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import ndtr

import doe
from doe.fits import fit_all
from doe.window.posterior import joint_draws
from doe.window.predictive import Predictive
from doe.window.variances import VariancePosterior, group_sizes

BINS = np.linspace(0.0, 1.0, 11)
CORNERS = [(a, b) for a in (-1.0, 1.0) for b in (-1.0, 1.0)]
POINTS = np.array([(0.0, 0.0), (0.7, -0.3), (-1.0, 0.5), (0.2, 1.0)])


def by_bin(claimed, true):
    """Mean claimed, mean true and the standard error of their difference in every tenth of the claims; a trial's points count as one."""
    rows = []
    which = np.clip(np.digitize(claimed, BINS) - 1, 0, 9)
    for b in np.unique(which):
        here = which == b
        gap = np.where(here, claimed - true, 0.0).sum(axis=1)
        share = here.sum() / len(claimed)
        rows.append(
            (claimed[here].mean(), true[here].mean(), gap.std(ddof=1) / share / np.sqrt(len(claimed)), here.sum())
        )
    return np.array(rows)


@pytest.mark.slow
def test_least_squares_claims_are_true_in_every_tenth():
    """2,000 trials of 14 runs, two correlated responses, seed 21: within 3 points in every tenth of the claims.

    The first 8 runs and their readings are always the same. Truths are drawn from what these alone leave possible, by scipy's inverse Wishart; the
    other 6 runs are made under them. Then what all 14 say is exactly calibrated, if it is right.
    """
    study = doe.Study(
        "simulated",
        [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)],
        [doe.Response("y", low=-1.5, high=1.5), doe.Response("z", low=-1.0)],
    )
    first = np.array(CORNERS + [(0.0, 0.0)] * 4)
    X = np.vstack([first, CORNERS, [(0.0, 0.0)] * 2])
    M, P = (np.column_stack([np.ones(len(x)), x]) for x in (X, POINTS))
    Z = study.encode(pd.DataFrame(POINTS, columns=["a", "b"]))
    rng = np.random.default_rng(21)
    Y = np.empty((14, 2))
    Y[:8] = M[:8] @ [[0.2, 0.3], [0.5, -0.4], [-0.3, 0.4]] + rng.standard_normal((8, 2)) @ [[1.0, 0.5], [0.0, 0.8]]
    V = np.linalg.inv(M[:8].T @ M[:8])
    at_first = V @ M[:8].T @ Y[:8]
    left = Y[:8] - M[:8] @ at_first
    claimed, true = [], []
    for trial in range(2000):
        sigma = stats.invwishart(5, left.T @ left).rvs(random_state=rng)
        root = np.linalg.cholesky(sigma)
        B = at_first + np.linalg.cholesky(V) @ rng.standard_normal((3, 2)) @ root.T
        Y[8:] = M[8:] @ B + rng.standard_normal((6, 2)) @ root.T
        fits = fit_all(study, pd.DataFrame({"a": X[:, 0], "b": X[:, 1], "y": Y[:, 0], "z": Y[:, 1]}), model="linear")
        predictive = Predictive(study, list(fits.values()), True, {}, trial)
        claimed.append(predictive.chance(Z, predictive.draw(0, 1000))[0])
        # z above its limit is -z below it
        turned = stats.multivariate_normal(np.zeros(2), sigma * [[1, -1], [-1, 1]])
        y, z = (P @ B).T
        true.append(turned.cdf(np.column_stack([1.5 - y, z + 1.0])) - turned.cdf(np.column_stack([-1.5 - y, z + 1.0])))
    found = by_bin(np.array(claimed), np.array(true))
    filled = found[:, 3] >= 400  # tenths with fewer are judged by their own error
    assert filled.sum() >= 5
    np.testing.assert_array_less(np.abs(found[:, 0] - found[:, 1])[filled], 0.03)
    np.testing.assert_array_less(np.abs(found[:, 0] - found[:, 1])[~filled], 0.03 + 3 * found[~filled, 2])


def means_of_normals(low, high, X, at):
    """For a linear fit on X: chances at `at` by draws, as trials by the same plan have them; and the draws."""
    V = np.linalg.inv(X.T @ X)
    degrees = len(X) - X.shape[1]

    def drawn(y, draws, rng):
        beta = V @ X.T @ y
        found = joint_draws(beta[:, None], V, np.array([[((y - X @ beta) ** 2).sum()]]), degrees, draws, rng)
        sd = np.abs(found.root[:, 0, 0])
        mean = found.coefficients[0] @ at
        return found.coefficients[0], sd, ndtr((high - mean) / sd) - ndtr((low - mean) / sd)

    return V, degrees, drawn


FOURTEEN = np.column_stack([np.ones(14), np.array([*CORNERS * 2, *[(0.0, 0.0)] * 6])])
AT = np.array([1.0, 0.7, -0.3])


@pytest.mark.slow
def test_what_a_bounded_law_of_truths_puts_claims_off_by_is_the_prior_alone():
    """4,000 trials of 14 runs, one response within −1 to 1, seed 5; coefficients uniform in ±1.5, σ log-uniform from 0.5 to 2.

    Measured: low claims 6 points (0.6) low and high ones 7 (0.8) high; the same draws cut to that law, 0.6 point at most (0.6).
    """
    _, _, drawn = means_of_normals(-1.0, 1.0, FOURTEEN, AT)
    rng = np.random.default_rng(5)
    rows = []
    for _ in range(4000):
        sd, beta = np.exp(rng.uniform(np.log(0.5), np.log(2.0))), rng.uniform(-1.5, 1.5, 3)
        coefficients, spread, rates = drawn(FOURTEEN @ beta + sd * rng.standard_normal(14), 2000, rng)
        law = (spread > 0.5) & (spread < 2.0) & (np.abs(coefficients) < 1.5).all(axis=1)
        true = ndtr((1.0 - AT @ beta) / sd) - ndtr((-1.0 - AT @ beta) / sd)
        rows.append((rates.mean(), rates[law].mean() if law.sum() > 30 else np.nan, true))
    told, cut, true = np.array(rows).T
    reference = by_bin(told[:, None], true[:, None])
    print("claimed, true, error, trials by the reference prior:", reference.round(3), sep="\n")
    gap = reference[:, 0] - reference[:, 1]
    assert 0.04 < np.abs(gap).max() < 0.08
    assert gap[0] < 0 < gap[-1]  # both ends too far out: the law holds fewer extreme truths than the prior
    known = np.isfinite(cut)  # a matter of the readings, so that it favours no truth
    assert known.mean() > 0.97
    found = by_bin(cut[known][:, None], true[known][:, None])
    print("and cut to the law:", found.round(3), sep="\n")
    np.testing.assert_array_less(np.abs(found[:, 0] - found[:, 1]), 0.005 + 2 * found[:, 2])


@pytest.mark.slow
def test_least_squares_claims_are_true_where_truths_have_the_reference_prior():
    """3,000 trials of 14 runs, 300 in every tenth of the claims, seed 6: within 3 points in each (0.7 point a standard error, or less).

    A flat location and a log-uniform σ, each far wider than what is kept; what is kept is decided by the readings, so that it favours no truth.
    """
    V, degrees, drawn = means_of_normals(-1.0, 1.0, FOURTEEN, AT)
    rng = np.random.default_rng(6)
    h, many = AT @ V @ AT, 1_500_000
    sd, mean = np.exp(rng.uniform(np.log(0.02), np.log(50.0), many)), rng.uniform(-60.0, 60.0, many)
    # readings whose estimates at the setting and of σ are these
    estimate = mean + sd * np.sqrt(h) * rng.standard_normal(many)
    seen = sd * np.sqrt(rng.chisquare(degrees, many) / degrees)
    t = stats.t(degrees)
    claim = t.cdf((1.0 - estimate) / (seen * np.sqrt(1 + h))) - t.cdf((-1.0 - estimate) / (seen * np.sqrt(1 + h)))
    far = (seen < 0.05) | (seen > 10.0) | (np.abs(estimate) > 20.0)
    tenths = [np.flatnonzero(~far & (claim > b) & (claim < b + 0.1))[:300] for b in BINS[:-1]]
    kept = np.concatenate(tenths)
    left = np.linalg.qr(FOURTEEN, mode="complete")[0][:, 3]  # a direction that the model leaves over
    told, true = [], []
    for i in kept:
        y = FOURTEEN @ (V @ AT) / h * estimate[i] + left * seen[i] * np.sqrt(degrees)
        told.append(drawn(y, 1000, rng)[2].mean())
        true.append(ndtr((1.0 - mean[i]) / sd[i]) - ndtr((-1.0 - mean[i]) / sd[i]))
    assert len(told) == 3000
    found = by_bin(np.array(told)[:, None], np.array(true)[:, None])
    print("claimed, true, error, trials:", found.round(3), sep="\n")
    np.testing.assert_array_less(found[:, 2], 0.011)
    np.testing.assert_array_less(np.abs(found[:, 0] - found[:, 1]), 0.03)


@pytest.mark.slow
def test_a_chosen_setting_needs_no_correction_where_truths_have_the_prior():
    """4,000 trials, a full quadratic in two factors, one limit, confidence 0.8 and 0.9, seed 8: exact at the best of 81 settings.

    Truths are drawn from what a first 12 runs leave possible, as in the first test; 12 more runs are made under them and all 24 judge. It is when
    truths have another law that a choice breaks the claim: under one flat truth the same bound is kept in fewer than 7 of 10 trials at 0.8.
    """

    def quadratic(x):
        return np.column_stack([np.ones(len(x)), x, x[:, 0] * x[:, 1], x**2])

    line = np.linspace(-1.0, 1.0, 9)
    T = quadratic(np.array([(a, b) for a in line for b in line]))
    first = quadratic(np.array([*CORNERS, (1, 0), (-1, 0), (0, 1), (0, -1), *[(0, 0)] * 4], dtype=float))
    both = np.vstack([first, first])
    V, half = (np.linalg.inv(x.T @ x) for x in (first, both))
    rng = np.random.default_rng(8)
    y = first @ [1.0, 0.3, -0.2, 0.1, -0.3, -0.3] + rng.standard_normal(12)
    beta = V @ first.T @ y
    known = joint_draws(beta[:, None], V, np.array([[((y - first @ beta) ** 2).sum()]]), 6, 4000, rng)
    kept = {"drawn": [], "one": []}
    for law in kept:
        for trial in range(4000 if law == "drawn" else 500):
            truth, sd = known.coefficients[0][trial], abs(known.root[trial, 0, 0])
            if law == "one":
                truth, sd = np.array([1.0, 0, 0, 0, 0, 0]), 1.0
            own = y if law == "drawn" else first @ truth + sd * rng.standard_normal(12)
            all_y = np.r_[own, first @ truth + sd * rng.standard_normal(12)]
            at = half @ both.T @ all_y
            rss = np.array([[((all_y - both @ at) ** 2).sum()]])
            drawn = joint_draws(at[:, None], half, rss, 18, 500, rng)
            rates = ndtr(drawn.coefficients[0] @ T.T / np.abs(drawn.root[:, 0]))
            best = int(np.argmax(rates.mean(axis=0)))
            kept[law].append(np.quantile(rates[:, best], [0.2, 0.1]) <= ndtr(T[best] @ truth / sd))
    share = {law: np.mean(which, axis=0) for law, which in kept.items()}
    print("kept at the best of 81 settings, confidence 0.8 and 0.9:", share)
    np.testing.assert_allclose(share["drawn"], [0.8, 0.9], atol=3 * np.sqrt(0.16 / 4000))
    assert share["one"][0] < 0.7


@pytest.mark.slow
@pytest.mark.parametrize("ratio", [0.0, 2.0])
def test_split_plot_claims_are_true_in_every_tenth(ratio):
    """2,000 trials of 8 whole plots of 3 runs; the whole plots' variance is `ratio` times the runs' own, seed 31.

    Truths are as likely as their mirror images, so a claim c of meeting the limit is one of 1 − c of missing it; the standard error of a tenth is
    then at most one point. What is off is the prior's, which holds larger variances of whole plots possible than these laws do (see the next
    test), and errs to the safe side: claims above a half are up to two points below the truth.
    """
    plots = np.repeat(np.arange(8), 3)
    whole = np.where(plots % 2 == 0, -1.0, 1.0)
    sub = np.tile([-1.0, 0.0, 1.0], 8)
    X = np.column_stack([np.ones(24), whole, sub])
    Q, R = np.linalg.qr(X)
    G = np.array([np.eye(24), (plots[:, None] == plots[None, :]).astype(float)])
    sizes = group_sizes(("residual", "whole plot"), G)
    P = np.array([(1.0, 0.0, 0.0), (1.0, 1.0, -1.0), (1.0, -0.5, 0.7)])
    at = P @ np.linalg.inv(R)
    rng = np.random.default_rng(31)
    claimed, true = [], []
    for _ in range(2000):
        sd = np.exp(rng.uniform(np.log(0.5), np.log(2.0)))
        beta = np.array([rng.uniform(-6.0, 6.0), *rng.uniform(-1.5, 1.5, 2)])
        y = X @ beta + sd * (rng.standard_normal(24) + np.sqrt(ratio) * rng.standard_normal(8)[plots])
        drawn = VariancePosterior(Q, y, G, sizes).draw(rng.standard_normal((500, 24)), rng)
        spread = np.sqrt(drawn.theta.sum(axis=1))  # one new batch in a new whole plot
        centre = drawn.coefficients @ at.T
        claimed.append(stats.norm.sf((0.0 - centre) / spread[:, None]).mean(axis=0))
        true.append(stats.norm.sf(-(P @ beta) / (sd * np.sqrt(1.0 + ratio))))
    claims, truths = np.array(claimed), np.array(true)
    mirrored = claims < 0.5
    found = by_bin(np.where(mirrored, 1.0 - claims, claims), np.where(mirrored, 1.0 - truths, truths))
    assert found[:, 2].max() < 0.011
    np.testing.assert_array_less(np.abs(found[:, 0] - found[:, 1]), 0.03)


@pytest.mark.slow
def test_split_plot_claims_are_true_where_truths_have_their_prior():
    """2,000 trials of 8 whole plots of 3 runs, seed 32: within 3 points in every tenth (about one point a standard error).

    The logarithm of the ratio of the strata's mean squares is uniform, as the prior of Box & Tiao has it, and the location flat; readings decide
    which trials are judged (F below 15, the estimate within three standard deviations of the limit), so that they favour no truth. The claims
    are unchanged by a change of scale and of the other coefficients, so these are fixed.
    """
    plots = np.repeat(np.arange(8), 3)
    X = np.column_stack([np.ones(24), np.where(plots % 2 == 0, -1.0, 1.0), np.tile([-1.0, 0.0, 1.0], 8)])
    Q, R = np.linalg.qr(X)
    G = np.array([np.eye(24), (plots[:, None] == plots[None, :]).astype(float)])
    sizes = group_sizes(("residual", "whole plot"), G)
    point = np.array([1.0, -0.5, 0.7])
    at = point @ np.linalg.inv(R)
    rng = np.random.default_rng(32)
    claimed, true = [], []
    while len(true) < 2000:
        steps, location = rng.uniform(0.0, 7.0, 1000), rng.uniform(-150.0, 150.0, 1000)
        variance = (np.exp(steps) - 1.0) / sizes[1]
        own, whole = rng.standard_normal((1000, 24)), rng.standard_normal((1000, 8))[:, plots]
        Y = np.outer(location, X @ point / (point @ point)) + own + np.sqrt(variance)[:, None] * whole
        B = Y @ np.linalg.pinv(X).T
        left = Y - B @ X.T
        between = 3.0 * (left.reshape(1000, 8, 3).mean(axis=2) ** 2).sum(axis=1)
        squares = between / 6.0, ((left**2).sum(axis=1) - between) / 15.0
        judged = (squares[0] < 15.0 * squares[1]) & (np.abs(B @ point) < 3.0 * np.sqrt(np.maximum(*squares)))
        for i in np.flatnonzero(judged):
            drawn = VariancePosterior(Q, Y[i], G, sizes).draw(rng.standard_normal((500, 24)), rng)
            claimed.append(ndtr(drawn.coefficients @ at / np.sqrt(drawn.theta.sum(axis=1))).mean())
            true.append(ndtr(location[i] / np.sqrt(1.0 + variance[i])))
    claims, truths = np.array(claimed)[:, None], np.array(true)[:, None]
    mirrored = claims < 0.5
    found = by_bin(np.where(mirrored, 1.0 - claims, claims), np.where(mirrored, 1.0 - truths, truths))
    print("claimed, true, error, trials:", found.round(3), sep="\n")
    np.testing.assert_array_less(np.abs(found[:, 0] - found[:, 1]), 0.03)


def wide(rng):
    """A quadratic truth far wider than 12 runs tell, and its σ."""
    return np.r_[rng.normal(1.0, 1.0), rng.normal(0.0, 0.5, 5)], np.exp(rng.uniform(-1.0, 0.3))


def level(rng):
    """The hardest: no setting is better than another, and all fall just short of the target of 0.8."""
    return np.r_[stats.norm.ppf(0.79), np.zeros(5)], 1.0


@pytest.mark.slow
@pytest.mark.parametrize("law", [wide, level])
def test_claims_are_kept_at_fixed_and_chosen_settings_and_over_the_whole_box(law, capsys):
    """300 trials of 12 runs, a full quadratic in two factors, one response with one limit, target 0.8, seed 41: two standard errors.

    Judged: the claim at a setting fixed beforehand, at the chosen set point (confidence 0.8 and 0.9), and that no box offered at confidence 0.8
    holds a setting whose true rate falls short. Measured at 0.8 and 0.9 (standard error 0.023 and 0.017): `wide` fixed 0.813 and 0.907, chosen 0.870
    and 0.933, without the correction 0.630 and 0.787, of 142 boxes 134 held; `level` fixed 0.820 and 0.897, chosen 0.810 and 0.897, without it 0.277
    and 0.513, and 31 of 300 trials offered a box where none can hold: a confidence is of trials, not of the boxes that come to be offered. The
    chance told at the chosen set point lay above the true rate there by 0.025 (0.006) and 0.119 (0.004): its optimism.
    """
    study = doe.Study(
        "simulated", [doe.Continuous("a", -1, 1), doe.Continuous("b", -1, 1)], [doe.Response("y", low=0.0)]
    )
    X = np.array([*CORNERS, (1, 0), (-1, 0), (0, 1), (0, -1), *[(0, 0)] * 4], dtype=float)
    model = study.model("quadratic")

    def mean(x, beta):
        a, b = np.asarray(x, dtype=float).T
        return np.column_stack([np.ones_like(a), a, b, a * b, a**2, b**2]) @ beta

    fixed = pd.DataFrame([(0.25, 0.5)], columns=["a", "b"])
    rng = np.random.default_rng(41)
    kept = {name: [] for name in ("fixed", "chosen", "not corrected")}
    gap, boxes, good = [], 0, 0
    for trial in range(300):
        beta, sd = law(rng)
        y = mean(X, beta) + sd * rng.standard_normal(12)
        fits = fit_all(study, pd.DataFrame({"a": X[:, 0], "b": X[:, 1], "y": y}), model=model)
        win = doe.find_window(fits, target=0.8, draws=500, seed=trial)
        at = pd.DataFrame([win.set_point.to_dict()])
        true = {"fixed": ndtr(mean(fixed, beta) / sd)[0], "chosen": ndtr(mean(at, beta) / sd)[0]}
        true["not corrected"] = true["chosen"]
        claims = {
            "fixed": [win.claim(fixed, c)["claim"].iloc[0] for c in (0.8, 0.9)],
            "chosen": [win.claim(confidence=c)["claim"].iloc[0] for c in (0.8, 0.9)],
            "not corrected": [win.claim(confidence=c, chosen=False)["claim"].iloc[0] for c in (0.8, 0.9)],
        }
        for name, told in claims.items():
            kept[name].append(np.array(told) <= true[name])
        gap.append(win.set_point_probability - true["chosen"])
        box = win.box(confidence=0.8)
        if len(box):
            boxes += 1
            lines = [np.linspace(row.low, row.high, 21) for row in box.itertuples()]
            inside = np.stack([g.ravel() for g in np.meshgrid(*lines)], axis=1)
            good += bool((ndtr(mean(inside, beta) / sd) >= 0.8).all())
    shares = {name: np.mean(which, axis=0) for name, which in kept.items()}
    with capsys.disabled():
        print(f"\n{law.__name__}: kept at confidence 0.8 and 0.9", {n: s.round(3).tolist() for n, s in shares.items()})
        print(f"  boxes at 0.8: {boxes} offered, {good} of them hold; false ones in {boxes - good} of 300 trials")
        print(
            f"  chance told at the set point less the true rate there: {np.mean(gap):.3f} ± {np.std(gap) / 300**0.5:.3f}"
        )
    least = np.array([g - 2 * np.sqrt(g * (1 - g) / 300) for g in (0.8, 0.9)])
    assert (shares["fixed"] >= least).all()
    assert (shares["chosen"] >= least).all()
    assert 1 - (boxes - good) / 300 >= least[0]
    if law is wide:  # where boxes can be true, those offered are
        assert good / boxes >= 0.8 - 2 * np.sqrt(0.16 / boxes)
    assert (shares["not corrected"] < least).all()  # the correction is needed
    assert abs(np.mean(gap)) < (0.03 if law is wide else 0.15)


@pytest.mark.slow
def test_the_bias_on_the_virtual_bench_is_told(capsys):
    """60 trials of 27 batches of the invented gel, seeds 1000 to 1059: chances told less true ones, at the set point and at the worst of the ranges.

    The bench is a mechanism and no polynomial, so that nothing is asserted of the bias but that it was measured finely. Measured: -0.008 (0.001) at
    the set point, where nearly every batch truly holds; -0.03 (0.002) at the worst setting of the ranges, looked at in all 60; every second is here.
    """
    bench = doe.virtual.AfterSunGel()
    plan = doe.designs.box_behnken(bench.study, centre=3)
    gaps = {"set point": [], "worst of the ranges": []}
    for trial in range(60):
        records = bench.make(plan.randomised(seed=trial), seed=1000 + trial)
        win = doe.find_window(fit_all(bench.study, records), draws=500, seed=trial)
        looked = [("set point", pd.DataFrame([win.set_point.to_dict()]), win.set_point_probability)]
        if trial % 2 == 0 and len(win.worst):  # ranges take longer
            looked.append(("worst of the ranges", win.worst, float(win.worst["probability"].iloc[0])))
        for name, at, told in looked:
            true = bench.conforming(at[bench.study.names], draws=2000)["probability"].iloc[0]
            gaps[name].append(told - float(true))
    with capsys.disabled():
        for name, gap in gaps.items():
            error = np.std(gap, ddof=1) / np.sqrt(len(gap))
            print(
                f"\nvirtual bench, {name}: told less true {np.mean(gap):.3f} ± {error:.3f} (from {min(gap):.3f} to {max(gap):.3f}, {len(gap)} trials)"
            )
            assert len(gap) >= 25
            assert error < 0.02
