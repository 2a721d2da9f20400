"""Half-normal plot, inclusion weights and the order of making: what is drawn is what the results say."""

from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError, plots

from .conftest import gel_trial
from .pictures import by_gid, outside, overlaps, said

CASE = Path(__file__).parents[1] / "reference" / "filtration_rate_2_4"


@pytest.fixture(scope="module")
def filtration():
    """Montgomery (10th ed.), Table 6.10 (source in the file)."""
    data = pd.read_csv(CASE / "data.csv").rename(columns=lambda c: c[0] if c[1:2] == "_" else c)
    study = doe.Study("filtration", [doe.Continuous(c, -1, 1) for c in "ABCD"], [doe.Response("filtration_rate")])
    return doe.fit(study, data, "filtration_rate", [":".join(c) for r in range(1, 5) for c in combinations("ABCD", r)])


@pytest.fixture(scope="module")
def models():
    """Invented: six factors of a gel in a definitive screening plan."""
    names = ["carbomer", "crosspolymer", "neutralisation", "speed", "mixing time", "temperature"]
    study = doe.Study(
        "gel", [doe.Continuous(n, 0, 1) for n in names], [doe.Response("viscosity", "mPa·s", transform="log")]
    )
    data = doe.designs.definitive_screening(study).runs.copy()
    z = data[names].to_numpy() * 2 - 1
    noise = np.random.default_rng(3).normal(0, 0.1, len(data))
    data["viscosity"] = np.exp(9.5 + 0.4 * z[:, 0] + 0.25 * z[:, 2] - 0.2 * z[:, 3] - 0.15 * z[:, 0] ** 2 + noise)
    return doe.fits.competing_models(study, data, "viscosity")


def test_half_normal_draws_the_effects(filtration):
    test = doe.fits.lenth(filtration)
    ax = plots.half_normal(test)
    points = by_gid(ax, "batches")[0].get_offsets()
    np.testing.assert_allclose(np.sort(points[:, 0]), np.sort(test.table["effect"].abs()))
    assert (np.diff(points[:, 1]) > 0).all()
    assert {t.get_text() for t in by_gid(ax, "effect")} >= {"A", "A:C", "A:D", "D", "C"}
    lines = sorted(float(line.get_xdata()[0]) for line in by_gid(ax, "limit"))
    assert lines == pytest.approx([test.me, test.sme])
    assert test.verdict() in plots.words(ax)
    assert not overlaps(ax)
    assert not outside(ax)


def test_the_envelope_is_simulated_with_its_seed(filtration):
    def right(ax):
        return by_gid(ax, "interval")[0].get_paths()[0].vertices[:, 0].max()

    assert right(plots.half_normal(filtration, seed=1)) == right(plots.half_normal(filtration, seed=1))
    assert right(plots.half_normal(filtration, seed=1)) != right(plots.half_normal(filtration, seed=2))
    effects = filtration.coefficients.set_index("term")["estimate"].drop("1") * 2
    assert right(plots.half_normal(effects, seed=1)) == pytest.approx(right(plots.half_normal(filtration, seed=1)))


def test_the_envelope_holds_idle_effects_95_percent_of_the_time():
    """Each place by itself, of trials with the pseudo standard error of 1 put in: 0.95 ± 0.015 on average over 2000 trials."""
    from doe.fits.unreplicated import pseudo_error

    test = doe.fits.lenth(dict(enumerate(np.random.default_rng(0).standard_normal(15))))
    low, high = (e / test.pse for e in test.envelope())
    fresh = np.abs(np.random.default_rng(1).standard_normal((2000, 15)))
    ratio = np.sort(fresh / pseudo_error(fresh)[:, None], axis=1)
    assert abs(((ratio >= low) & (ratio <= high)).mean() - 0.95) < 0.015


def test_inclusion_weights_are_those_of_the_table(models):
    ax = plots.inclusion_weights(models)
    names = [t.get_text() for t in ax.get_yticklabels()]
    drawn = dict(zip(names, by_gid(ax, "weight")[0].get_xdata(), strict=True))
    table = models.inclusion.set_index("term")["weight"]
    for name, weight in drawn.items():
        assert weight == pytest.approx(table[name])
    marks = by_gid(ax, "batches")
    assert len(marks) == min(len(models.members), 12)
    assert [len(m.get_offsets()) for m in marks] == [len(m) - 1 for m in models.members[:12]]
    assert "Most wanted: carbomer (1.00)." in plots.words(ax)
    assert not overlaps(ax)
    assert not outside(ax)


def test_the_order_of_making(gel):
    plan, _ = gel_trial()
    order = {run: i + 1 for i, run in enumerate(plan.runs.index)}
    fit = gel["viscosity"]
    ax = plots.making_order(fit, order)
    points = by_gid(ax, "batches")[0].get_offsets()
    t = fit.diagnostics()["studentised"].to_numpy(dtype=float)
    np.testing.assert_allclose(points[:, 0], [order[r] for r in fit.runs])
    np.testing.assert_allclose(points[:, 1], t)
    assert len(by_gid(ax, "trend")) == 1
    for question in fit.patterns(order).questions:
        assert question.verdict in plots.words(ax)
    assert "order of making" in said(ax)
    assert not overlaps(ax)
    assert not outside(ax)


def test_refusals(gel):
    with pytest.raises(StudyError) as error:
        plots.making_order(gel["viscosity"])
    assert str(error.value) == (
        "plots.making_order: order is None but must be known: none was recorded: give a mapping from run to its place, as records.order."
    )
    with pytest.raises(StudyError) as error:
        plots.making_order(3)
    assert (
        str(error.value)
        == "plots.making_order: fit is 'int' but must be a Fit: give one of doe.fit_all's: fits['viscosity']."
    )
    with pytest.raises(StudyError) as error:
        plots.inclusion_weights(3)
    assert str(error.value) == (
        "plots.inclusion_weights: models is 'int' but must be competing models: make them with doe.fits.competing_models(study, data, "
        "response)."
    )
    with pytest.raises(StudyError) as error:
        plots.half_normal(gel["viscosity"])
    assert str(error.value).startswith(
        "lenth: fit is \"quadratic of 'viscosity'\" but must be least squares on a two-level plan"
    )
