"""Lines with readings known only by bounds: against least squares and statsmodels where none is, and against scipy's general maximisers where some are.

All data are invented. The censored normal likelihood itself is checked against R's survreg in tests/reference/test_ordinal_and_censored.py.
"""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, special, stats

from doe.fits.bounded_lines import bounded_bend, bounded_poolability, fit_bounded, held
from doe.fits.censoring import bounds_of
from doe.fits.lines import KINDS, bent, fit_lines, line_columns, poolability

MONTHS = np.array([0.0, 3, 6, 9, 12, 18])
TOP = 12500.0


def readings(starts=(12900.0, 12900.0, 12900.0), slopes=(-400.0, -400.0, -400.0), sd=400.0, seed=4):
    """Times, readings and batches; invented."""
    rng = np.random.default_rng(seed)
    k = len(starts)
    t, batch = np.tile(MONTHS, k), np.repeat(np.arange(k), len(MONTHS))
    return t, np.array(starts)[batch] + np.array(slopes)[batch] * t + sd * rng.standard_normal(len(t)), batch


def known(y, top=TOP):
    """Readings of an instrument that ends at `top`."""
    return bounds_of(np.minimum(y, top), np.where(y > top, np.inf, y))


def of_scipy(X, y, top=TOP):
    """Most likely coefficients, SD and log-likelihood by a general maximiser, coefficients and readings in thousands."""

    def minus(v):
        sd = np.exp(v[-1])
        mean = X @ v[:-1]
        each = np.where(
            y > top, stats.norm.logsf(top / 1000, mean, sd), stats.norm.logpdf(np.minimum(y, top) / 1000, mean, sd)
        )
        return -each.sum()

    exact = y <= top
    first = np.append(np.linalg.lstsq(X[exact], y[exact] / 1000, rcond=None)[0], 0.0)
    found = optimize.minimize(minus, first, method="BFGS", options={"gtol": 1e-9})
    found = optimize.minimize(
        minus, found.x, method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-13, "maxiter": 20000}
    )
    return found, minus


# ---- no reading bounded


@pytest.mark.parametrize("kind", KINDS)
def test_with_exact_readings_alone_all_is_least_squares(kind):
    t, y, batch = readings()
    bounds = bounds_of(y, y)
    squares, ours = fit_lines(t, y, batch, kind), fit_bounded(bounds, t, batch, kind)
    X, picks = line_columns(t, batch, kind)
    theirs = sm.OLS(y, X).fit()
    # Newton's last step promises 1e-13 of the log-likelihood, some 1e-7 in the noise
    np.testing.assert_allclose(ours.lines, picks @ theirs.params, rtol=1e-9)
    np.testing.assert_allclose(
        ours.slope_errors, np.sqrt(np.diag(picks[:, 1] @ theirs.cov_params() @ picks[:, 1].T)), rtol=1e-6
    )
    assert ours.df == pytest.approx(theirs.df_resid, rel=1e-6)
    at = np.array([0.0, 7.0, 30.0])
    frame = theirs.get_prediction(picks[1, 0] + at[:, None] * picks[1, 1]).summary_frame(alpha=0.10)
    low, high = ours.limits(1, at, 0.05)
    np.testing.assert_allclose(low, frame["mean_ci_lower"], rtol=1e-7)
    np.testing.assert_allclose(high, frame["mean_ci_upper"], rtol=1e-7)
    for limit, above in ((7900.0, True), (14500.0, False), (13500.0, True), (11000.0, True)):
        for which in range(3):
            assert ours.limit_crossing(which, 0.05, limit, above) == pytest.approx(
                squares.limit_crossing(which, 0.05, limit, above), rel=1e-6
            )
    assert ours.limit_crossing(0, 0.01, 7900.0, True) < ours.limit_crossing(0, 0.05, 7900.0, True)
    assert bounded_bend(ours, t) == pytest.approx(bent(t, y, batch, kind), rel=1e-5)


def test_with_exact_readings_alone_the_tests_are_those_of_squares():
    t, y, batch = readings(slopes=(-400.0, -380.0, -410.0))
    ours, squares = bounded_poolability(bounds_of(y, y), t, batch), poolability(t, y, batch)
    assert ours["question"].tolist() == squares["question"].tolist()
    assert ours["df"].tolist() == squares["df"].tolist() == [2, 2]
    np.testing.assert_allclose(ours[["den_df", "F", "p"]], squares[["den_df", "F", "p"]], rtol=1e-6)
    assert bounded_poolability(bounds_of(y[:6], y[:6]), t[:6], batch[:6]).empty


# ---- some bounded


@pytest.mark.parametrize("kind", KINDS)
def test_the_maximum_is_that_of_a_general_maximiser(kind):
    t, y, batch = readings()
    assert (y > TOP).sum() >= 3
    ours = fit_bounded(known(y), t, batch, kind)
    X, picks = line_columns(t, batch, kind)
    found, _ = of_scipy(X, y)
    np.testing.assert_allclose(ours.lines, 1000 * picks @ found.x[:-1], rtol=2e-6)
    assert ours.likelihood.sigma_most_likely == pytest.approx(1000 * np.exp(found.x[-1]), rel=2e-6)
    exact = int((y <= TOP).sum())
    assert ours.likelihood.log_likelihood + exact * np.log(1000) == pytest.approx(-found.fun, abs=1e-8)


def test_the_limit_meets_the_specification_where_the_profile_says():
    """The gain in likelihood when the line is held at the limit, by scipy, on the scale on which it is Student's t."""
    t, y, batch = readings()
    ours = fit_bounded(known(y), t, batch, KINDS[2])
    X, _ = line_columns(t, batch, KINDS[2])
    found, minus = of_scipy(X, y)
    when = ours.limit_crossing(0, 0.05, 7900.0, True)
    held_ = optimize.minimize(
        lambda v: minus(np.array([7.9 - v[0] * when, v[0], v[1]])),
        found.x[1:],
        method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-13},
    )
    # half the information on log σ, by differences of the likelihood
    step = np.array([1e-3, 1e-4, 1e-3])
    H = np.empty((3, 3))
    for i in range(3):
        for j in range(3):
            a, b = step * (np.arange(3) == i), step * (np.arange(3) == j)
            x = found.x
            H[i, j] = (minus(x + a + b) - minus(x + a - b) - minus(x - a + b) + minus(x - a - b)) / (
                4 * step[i] * step[j]
            )
    m = 0.5 / np.linalg.inv(H)[2, 2]
    gain = 2.0 * (held_.fun - found.fun)
    assert ours.df == pytest.approx(m - 2, rel=1e-4)
    assert np.sqrt((m - 2) * np.expm1(gain / m)) == pytest.approx(special.stdtrit(m - 2, 0.95), rel=1e-4)
    low, high = ours.limits(0, np.array([when]), 0.05)
    assert low[0] == pytest.approx(7900.0, rel=1e-6)
    assert high[0] > ours.lines[0] @ [1, when] > low[0]


def test_poolability_is_the_likelihood_ratio():
    t, y, batch = readings(slopes=(-400.0, -360.0, -410.0))
    ours = bounded_poolability(known(y), t, batch)
    reach = [-of_scipy(line_columns(t, batch, kind)[0], y)[0].fun for kind in KINDS]
    for i in range(2):
        nu = fit_bounded(known(y), t, batch, KINDS[i]).df
        m = nu + line_columns(t, batch, KINDS[i])[0].shape[1]
        F = nu / 2 * np.expm1(2 * (reach[i] - reach[i + 1]) / m)
        assert ours["den_df"].iloc[i] == pytest.approx(nu, rel=1e-9)
        assert ours["F"].iloc[i] == pytest.approx(F, rel=1e-5, abs=1e-6)
        assert ours["p"].iloc[i] == pytest.approx(stats.f.sf(F, 2, nu), rel=1e-5)


def test_a_bend_is_seen_through_bounds():
    t, y, batch = readings()
    straight, bow = (fit_bounded(known(v), t, batch, KINDS[2]) for v in (y, y + 12.0 * (t - 9) ** 2))
    assert bounded_bend(straight, t) > 0.05
    X = np.column_stack([line_columns(t, batch, KINDS[2])[0], t**2 / 100])
    bowed = y + 12.0 * (t - 9) ** 2
    wider, narrower = of_scipy(X, bowed)[0], of_scipy(X[:, :2], bowed)[0]
    p = bounded_bend(bow, t)
    assert p < 0.01
    # ν and m are nearly those of 18 readings of which the bounded ones count in part: the p-value is between those with all and without them
    gain, exact = 2 * (narrower.fun - wider.fun), int((bowed <= TOP).sum())
    least, most = sorted(stats.f.sf((n - 3) * np.expm1(gain / n), 1, n - 3) for n in (18, exact))
    assert least < p < most


def test_lines_that_never_meet_or_have_met_already():
    t, y, batch = readings(slopes=(0.0,) * 3, starts=(12300.0,) * 3, sd=300.0)
    flat = fit_bounded(known(y), t, batch, KINDS[2])
    assert flat.limit_crossing(0, 0.05, 12400.0, True) == 0.0
    rising = fit_bounded(known(12000 + 20 * (y - y.mean()) / 300 + 10 * t), t, batch, KINDS[2])
    assert rising.limit_crossing(0, 0.05, 8000.0, True) == float("inf")
    assert 18 < rising.limit_crossing(0, 0.05, 12500.0, False) < 60


# ---- what bounds hold


@pytest.mark.parametrize(
    ("lower", "upper", "own", "start"),
    [
        ([9, 8, 7], [9, 8, 7], True, True),
        ([9, 8, 7], [np.inf, 8, 7], True, True),
        ([9, 9, 7], [np.inf, np.inf, 7], False, True),  # ever better the steeper it gets
        ([9, 8, -np.inf], [np.inf, 8, 7], False, True),
        ([9, 8, 7], [np.inf, 8, np.inf], True, True),  # one exact reading, held from above on both sides of it
        ([9, 9, 9], [np.inf] * 3, False, False),
        ([9, -np.inf, 9], [np.inf, 8, np.inf], True, True),  # no line lies so: only noise explains it
        ([9, -np.inf, -np.inf], [np.inf, 8, 7], False, True),
        ([9, 7, 5], [10, 8, 6], True, True),
    ],
)
def test_which_lines_are_held_from_both_sides(lower, upper, own, start):
    bounds, t, batch = bounds_of(lower, upper), np.array([0.0, 3, 6]), np.zeros(3, dtype=int)
    assert held(bounds, t, batch, KINDS[0]).tolist() == [own]
    assert held(bounds, t, batch, KINDS[1]).tolist() == [start]
    assert held(bounds, t, batch, KINDS[2]).tolist() == [own]  # one batch: its own line
    both = bounds_of([*lower, 9, 8, 7], [*upper, 9, 8, 7])
    twice = np.tile(t, 2), np.repeat([0, 1], 3)
    assert held(both, *twice, KINDS[0]).tolist() == [own, True]
    assert held(both, *twice, KINDS[2]).tolist() == [True, True]


def test_a_batch_without_a_line_of_its_own_is_tested_in_the_limit():
    t, y, batch = readings(slopes=(-400.0, -360.0, -410.0), sd=300.0)
    y[batch == 2] = [13000, 13000, 13000, 13000, 13000, 11000]  # all but the last beyond the instrument
    ours = bounded_poolability(known(y), t, batch)
    assert held(known(y), t, batch, KINDS[0]).tolist() == [True, True, False]
    assert ours["df"].tolist() == [1, 2]
    # as steep as may be, through its one exact reading: what the likelihood tends to
    steep = np.where(batch == 2, -2000.0 * (t - 18), 0.0)
    free = of_scipy(np.delete(line_columns(t, batch, KINDS[0])[0], 5, axis=1), y - steep, TOP - steep)[0]
    pooled = of_scipy(line_columns(t, batch, KINDS[1])[0], y)[0]
    nu = ours["den_df"].iloc[0]
    m = nu + 5
    assert ours["F"].iloc[0] == pytest.approx(nu * np.expm1(2 * (pooled.fun - free.fun) / m), rel=1e-4)
    assert ours["p"].iloc[0] < 0.25


def test_nothing_to_test_by():
    t, y, batch = readings()
    few = np.isin(t, [0, 18])  # two readings a batch
    assert np.isnan(bounded_poolability(known(y[few]), t[few], batch[few])["p"].iloc[0])
    assert fit_bounded(known(y[few]), t[few], batch[few], KINDS[0]) is None
    y[batch > 0] = np.where(t[batch > 0] < 18, 13000, y[batch > 0])
    assert bounded_poolability(known(y), t, batch)["df"].tolist() == [0, 2]
    assert np.isnan(bounded_poolability(known(y), t, batch)["p"].iloc[0])
