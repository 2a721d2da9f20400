"""Lenth's method: the published filtration example, published critical values, and its error rate by simulation."""

from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError
from doe.fits import lenth
from doe.fits.unreplicated import pseudo_error

CASE = Path(__file__).parents[1] / "reference" / "filtration_rate_2_4"


def filtration():
    """Montgomery (10th ed.), Table 6.10: an unreplicated 2^4 (source in the file)."""
    data = pd.read_csv(CASE / "data.csv").rename(columns=lambda c: c[0] if c[1:2] == "_" else c)
    study = doe.Study("filtration", [doe.Continuous(c, -1, 1) for c in "ABCD"], [doe.Response("filtration_rate")])
    terms = [":".join(c) for r in range(1, 5) for c in combinations("ABCD", r)]
    return doe.fit(study, data, "filtration_rate", terms)


def test_the_published_margins():
    """Montgomery, chapter 6, of these data: PSE 2.625, ME 2.571 × 2.625 = 6.75, SME 5.219 × 2.625 = 13.70 (from memory)."""
    found = lenth(filtration(), critical="t")
    assert found.pse == pytest.approx(2.625, abs=1e-9)
    assert found.me == pytest.approx(2.571 * 2.625, abs=2e-3)  # half a unit of the printed 2.571, times 2.625
    assert found.sme == pytest.approx(5.219 * 2.625, abs=2e-3)
    assert found.active == ("A", "A:C", "A:D", "D")
    assert found.possible == ("C",)
    assert found.table["effect"].iloc[0] == pytest.approx(21.625)


@pytest.mark.parametrize(("m", "one", "together"), [(7, 2.30, 4.87), (11, 2.21, 4.44), (15, 2.16, 4.24)])
def test_published_critical_values(m, one, together):
    """Ye & Hamada (2000), Table 1 and 2 (also Wu & Hamada, Appendix H): 5 % for one effect and for all together, from memory, kept because the
    simulation agrees.

    Simulated here with 100,000 trials; tolerances are three Monte-Carlo errors of a 5 % quantile (theirs 0.01, ours about 0.005 and 0.03).
    """
    found = lenth(dict(enumerate(np.random.default_rng(m).standard_normal(m))), draws=100_000, seed=3)
    assert found.me / found.pse == pytest.approx(one, abs=0.02)
    assert found.sme / found.pse == pytest.approx(together, abs=0.09)


def test_pseudo_error_by_hand():
    """Effects 1, 2, 3, 4, 50: first 1.5 × 3 = 4.5; below 11.25 are 1 to 4, so 1.5 × 2.5."""
    assert pseudo_error([1, -2, 3, -4, 50]) == pytest.approx(3.75)
    np.testing.assert_allclose(pseudo_error([[1, -2, 3, -4, 50], [2, -4, 6, -8, 100]]), [3.75, 7.5])


def test_p_values_agree_with_the_margins():
    found = lenth(filtration())
    table = found.table
    beyond = table["effect"].abs() > found.me
    assert ((table["p"] < 0.05) == beyond).all()
    assert ((table["p_any"] < 0.05) == (table["effect"].abs() > found.sme)).all()


def test_no_more_than_five_percent_of_trials_call_an_idle_effect():
    """2000 trials of 15 idle effects: a share of 0.05 ± 0.0146 (three Monte-Carlo errors) beyond the simultaneous margin, and of single
    effects beyond the other one 0.05 ± 0.008 (as if they were some 6000 independent ones)."""
    effects = np.random.default_rng(8).standard_normal((2000, 15))
    reference = lenth(dict(enumerate(effects[0])))
    size = np.abs(effects) / pseudo_error(effects)[:, None]
    assert abs((size.max(axis=1) > reference.sme / reference.pse).mean() - 0.05) < 0.0146
    assert abs((size > reference.me / reference.pse).mean() - 0.05) < 0.008


def test_rate_draws_and_seed_change_the_answer():
    effects = dict(zip("abcdefg", [9.0, 1, -2, 0.5, 1.2, -0.7, 0.1], strict=True))
    assert lenth(effects, rate=0.1).me < lenth(effects).me
    assert lenth(effects, seed=1).me != lenth(effects, seed=2).me
    assert lenth(effects, draws=1000).normal.shape == (1000, 7)
    assert lenth(effects, seed=1).me == lenth(pd.Series(effects), seed=1).me


def test_the_verdict():
    quiet = lenth(dict(zip("abcdefg", [1.0, 1.1, -2, 0.5, 1.2, -0.7, 0.1], strict=True)))
    assert quiet.verdict() == "No effect is shown to matter at 5 % over all effects together."
    found = lenth(filtration())
    assert found.verdict() == (
        "Shown to matter at 5 % over all effects together: A, A:C, A:D and D. Beyond 5 % for one effect alone, as one in 20 idle effects is: C."
    )
    assert found.verdict() in str(found)
    assert "Limits by Lenth's t with m/3 = 5 degrees of freedom" in str(lenth(filtration(), critical="t"))


def refusal(effects, **given):
    with pytest.raises(StudyError) as error:
        lenth(effects, **given)
    return str(error.value)


SEVEN = dict(zip("abcdefg", [9.0, 1, -2, 0.5, 1.2, -0.7, 0.1], strict=True))


def test_refusals(gel, gel_data):
    assert refusal(SEVEN, rate=0.5) == "lenth: rate is 0.5 but must be between 0 and 0.5: write 0.05."
    assert (
        refusal(SEVEN, critical="z")
        == 'lenth: critical is \'z\' but must be "simulated" or "t": choose one of the two.'
    )
    assert refusal(SEVEN, draws=10) == (
        "lenth: draws is 10 but must be a whole number of at least 400: leave it out for 40000."
    )
    assert refusal({"a": 1.0, "b": 2.0}) == (
        "lenth: number of effects is 2 but must be at least 5: with fewer, repeat batches and judge the effects by those."
    )
    assert refusal({**SEVEN, "c": np.nan}) == "lenth: effect of c is nan but must be a finite number: correct it."
    assert refusal(dict.fromkeys("abcdefg", 0.0)) == (
        "lenth: pseudo standard error is 0.0 but must be above 0: most effects are 0 to the last digit: the readings are too coarse for "
        "noise to show, or were computed."
    )
    assert refusal(3) == (
        "lenth: effects is 'int' but must be a Fit, or a mapping of term -> effect: give the fit of the two-level plan."
    )
    assert refusal({"a": "x", "b": 1}) == (
        "lenth: effects is {'a': 'x', 'b': 1} but must be numbers by term: write {\"A\": 21.6, \"B\": 3.1, …}."
    )
    fit = doe.fit(gel, gel_data, "viscosity")
    assert refusal(fit) == (
        "lenth: fit is \"quadratic of 'viscosity'\" but must be least squares on a two-level plan whose effects are uncorrelated and equally "
        "sure: give the fit of a full or fractional factorial without centre batches, or look at its p-values instead."
    )
    chosen = fit.reduced()
    assert refusal(chosen).startswith(
        "lenth: fit is 'one with chosen terms' but must be a fit with all its effects: give the whole fit."
    )
