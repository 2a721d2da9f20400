"""Joint bounds against closed forms; what a claim at chosen settings allows for; which settings are in the running."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.optimize import brentq

from doe.fits import fit_all
from doe.study import Categorical, Component, Continuous, Response
from doe.study.shown import bound_text, error_text
from doe.window import find_window
from doe.window.choosing import excursion_share, far_apart, joint_share, lowest_places
from tests.window.test_joining import scored
from tests.window.trials import made


def test_independent_settings_and_one_setting_many_times(rng):
    """Of N independent settings the joint share a solves (1 − a)^N = confidence; the same setting N times needs no correction."""
    rates = stats.beta(8, 2).ppf(rng.random((5, 100_000)))
    share = joint_share(lowest_places(rates), 0.9, 100_000.0)
    assert share.value == pytest.approx(1 - 0.9**0.2, abs=5e-4)
    assert share.low < share.value < share.high
    same = joint_share(lowest_places(np.repeat(rates[:1], 5, axis=0)), 0.9, 100_000.0)
    assert same.value == pytest.approx(0.1, abs=1e-5)


def test_over_all_of_a_straight_line_it_is_the_one_sided_band(rng):
    """The sharp one-sided band of a straight line over all x: c with ½ P(χ²₂ ≤ c²) + ½ P(χ²₁ ≤ c²) = confidence (derived here).

    The band is that of Bohrer & Francis (1972), Sharp one-sided confidence bounds for linear regression over intervals. Ann. Math. Stat. 43, 99-107:
    over the half circle of directions the largest error is the length of the error or, behind it, its part along the ends.
    """
    confidence = 0.9
    c = brentq(lambda c: (stats.chi2.cdf(c**2, 2) + stats.chi2.cdf(c**2, 1)) / 2 - confidence, 1.0, 3.0)
    angles = np.linspace(-np.pi / 2, np.pi / 2, 61)
    errors = np.stack([np.cos(angles), np.sin(angles)], axis=1) @ rng.standard_normal((2, 40_000))
    share = joint_share(lowest_places(stats.norm.cdf(1.0 + errors)), confidence, 40_000.0)
    assert share.value == pytest.approx(stats.norm.sf(c), abs=0.002)


def test_a_rate_of_nothing_in_many_draws_is_no_shortfall(rng):
    """Where a third of the draws have the rate 0 the bound is 0 and every draw holds it."""
    rates = np.where(rng.random((2, 10_000)) < 1 / 3, 0.0, rng.random((2, 10_000)))
    assert lowest_places(rates).min() > 0.32
    assert joint_share(lowest_places(rates), 0.9, 10_000.0).value == pytest.approx(0.1)


def test_excursions_of_independent_settings_multiply(rng):
    """Chances 0.99, 0.98, 0.97, 0.96, 0.5: together 0.9702, 0.9411 and 0.9035 of the first two, three and four."""
    chances = np.array([0.96, 0.99, 0.5, 0.97, 0.98])
    rates = (rng.random((5, 100_000)) < chances[:, None]).astype(float)
    for confidence, share in ((0.96, 0.02), (0.93, 0.03), (0.9, 0.04)):
        assert excursion_share(rates, 1.0, confidence) == pytest.approx(share, abs=2e-3)
    # deep inside the window nothing can fall short, and settings that fail together cost no more than the worst of them
    assert excursion_share(np.ones((3, 100)), 0.9, 0.8) == pytest.approx(0.2)
    order = np.arange(1000) / 1000
    assert excursion_share((order >= np.array([[0.02], [0.05], [0.3]])).astype(float), 1.0, 0.9) == pytest.approx(0.05)


def test_settings_far_apart():
    line = np.linspace(0.0, 1.0, 101)[:, None]
    assert far_apart(line, 3)[:, 0].tolist() == [0.0, 1.0, 0.5]
    assert far_apart(line, 200) is line


@pytest.fixture(scope="module")
def gentle():
    """Firmness hardly varies: many settings are in the running."""
    return made(
        [Continuous("polymer", 0.2, 0.6, "%"), Continuous("speed", 400, 1000, "rpm")],
        [Response("firmness", "N", low=4.6)],
        [lambda Z: 5 + 0.1 * Z[:, 0]],
        n=14,
    )


def claimed(table):
    return float(table["claim"].iloc[0])


def test_what_a_choice_costs(gentle):
    _, _, fits = gentle
    win = find_window(fits, target=0.9, draws=2000)
    at = pd.DataFrame([win.set_point])
    plain, point, region = win.claim(at), win.claim(), win.claim(at, chosen=True)
    assert claimed(region) < claimed(point) - 0.01
    assert claimed(point) < claimed(plain) - 0.05
    assert claimed(win.claim(chosen=False)) == claimed(plain)
    assert claimed(win.claim(chosen=True)) == claimed(point)
    assert claimed(win.claim(confidence=0.8)) > claimed(point) + 0.02
    assert (point["mc_error"] > 0).all()
    assert list(at.index) == list(region.index)
    assert plain.note == (
        "The true conforming rate exceeds the claim with 0.9 confidence at a setting fixed beforehand. The set point was not: win.claim() allows for "
        "its having been chosen on the same readings."
    )
    assert point.note == (
        "The true conforming rate exceeds the claim with 0.9 confidence at all settings that a repeat of the trial might choose, together: so it does "
        "at the set point, chosen on the same readings."
    )
    assert region.note == (
        "The true conforming rate exceeds the claim with 0.9 confidence at all settings of the region, together: so it does at settings chosen on "
        "the same readings."
    )
    elsewhere = at.assign(polymer=0.3)
    assert win.claim(elsewhere).note == (
        "The true conforming rate exceeds the claim with 0.9 confidence at a setting fixed beforehand."
    )
    assert claimed(find_window(fits, target=0.9, draws=2000).claim()) == claimed(point)


def test_only_what_might_be_chosen_is_in_the_running(gentle):
    """A steep response leaves one corner, where the claim needs no correction; a gentle one many settings."""
    _, _, fits = gentle
    _, _, steep = made(
        [Continuous("polymer", 0.2, 0.6, "%"), Continuous("speed", 400, 1000, "rpm")],
        [Response("firmness", "N", low=4.6)],
        [lambda Z: 5 + 1.5 * Z[:, 0] + 1.0 * Z[:, 1]],
        n=14,
        model="linear",
    )
    win = find_window(steep, target=0.9, draws=2000)
    pool, running = win._pool
    assert running.tolist() == [0] or (np.abs(pool[running] - pool[0]).max(axis=1) < 0.05).all()
    assert claimed(win.claim()) == pytest.approx(claimed(win.claim(chosen=False)), abs=2e-3)
    assert len(find_window(fits, target=0.9, draws=2000)._pool[1]) > 15


def test_blends_and_levels():
    """Every setting that is compared can be made: a mixture adds up, and every level is tried."""
    _, _, fits = made(
        [
            Component("water", 80, 96),
            Component("glycerin", 2, 15),
            Component("polymer", 2, 8),
            Categorical("impeller", ("anchor", "propeller")),
        ],
        [Response("firmness", "N", low=3.0, high=8.0)],
        [lambda Z: 5 * Z[:, 0] + 2 * Z[:, 1] + 20 * Z[:, 2] + 0.05 * Z[:, 3]],
        n=20,
        model=["water", "glycerin", "polymer", "impeller"],
        balance="water",
    )
    win = find_window(fits, target=0.8, draws=1000)
    pool, running = win._pool
    np.testing.assert_allclose(pool[:, :3].sum(axis=1), 1.0, atol=1e-9)
    assert set(np.unique(pool[:, 3])) == {-1.0, 1.0}
    assert set(np.unique(pool[running, 3])) == {-1.0, 1.0}  # the impeller hardly matters
    assert claimed(win.claim()) < claimed(win.claim(chosen=False))


def test_setting_error_and_scores():
    """What moves from batch to batch is averaged over, and cut-points of scores move with their coefficients."""
    study, table = scored()
    fits = fit_all(study, table, model="linear")
    win = find_window(fits, target=0.5, draws=1000)
    assert win._predictive.kind == "joined"
    assert 0 < claimed(win.claim()) <= claimed(win.claim(chosen=False))
    _, _, fits = made(
        [Continuous("polymer", 0.2, 0.6, "%"), Continuous("speed", 400, 1000, "rpm")],
        [Response("firmness", "N", low=4.0, high=6.0)],
        [lambda Z: 5 + 1.5 * Z[:, 0]],
        n=14,
        model="linear",
    )
    still, moved = (
        find_window(fits, target=0.9, draws=1000, jitter=jitter).claim() for jitter in (False, {"polymer": 0.05})
    )
    assert claimed(moved) < claimed(still) - 0.02


def test_the_page_says_the_claim(gentle):
    _, _, fits = gentle
    win = find_window(fits, target=0.9, draws=2000)
    claim = win.claim().iloc[0]
    assert (
        f"True conforming rate there: {bound_text(claim['claim'], claim['mc_error'])} or more with 90% confidence (Monte-Carlo error "
        f"{error_text(claim['mc_error'])}), the choice of the set point on these same readings allowed for."
    ) in str(win).replace("\n", " ")
