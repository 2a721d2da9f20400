"""The Box–Cox profile beyond the published case: scale, ends, refusals."""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

import doe
from doe import StudyError


def line(y, transform=None, model="linear"):
    study = doe.Study("line", [doe.Continuous("x", 0, 10)], [doe.Response("y", transform=transform)])
    return doe.fit(study, pd.DataFrame({"x": np.linspace(0, 10, len(y)), "y": y}), "y", model)


@pytest.fixture
def skewed():
    rng = np.random.default_rng(14)
    return np.exp(1 + 0.3 * np.linspace(0, 10, 30) + 0.2 * rng.normal(size=30))


def test_with_the_mean_alone_it_is_scipys_maximum_likelihood(skewed):
    """scipy.stats.boxcox maximises the same likelihood for a sample without factors."""
    found = line(skewed, model=["1"]).transform_profile()
    lam = stats.boxcox_normmax(skewed, method="mle")
    assert found.estimate == pytest.approx(lam, abs=1e-6)
    fall = stats.chi2.ppf(0.95, 1) / 2
    high = optimize.brentq(lambda v: stats.boxcox_llf(lam, skewed) - stats.boxcox_llf(v, skewed) - fall, lam, lam + 3)
    assert found.high == pytest.approx(high, abs=1e-6)


def test_data_multiplicative_by_nature_ask_for_the_logarithm(skewed):
    found = line(skewed).transform_profile()
    assert found.low < 0 < found.high < 1
    assert "logarithm             yes" in str(found)
    assert "as measured              no" in str(found)


def test_the_unit_and_the_present_scale_do_not_matter(skewed):
    a, b, c = (f.transform_profile() for f in (line(skewed), line(1000 * skewed), line(skewed, "log")))
    assert [b.estimate, b.low, b.high] == pytest.approx([a.estimate, a.low, a.high], abs=1e-7)
    assert [c.estimate, c.low, c.high] == pytest.approx([a.estimate, a.low, a.high], abs=1e-7)


def test_the_interval_follows_its_coverage(skewed):
    narrow, wide = line(skewed).transform_profile(0.5), line(skewed).transform_profile(0.99)
    assert wide.low < narrow.low < narrow.estimate < narrow.high < wide.high
    assert "50 % interval" in str(narrow)


def test_the_curve_is_comparable_by_its_residual_sums(skewed):
    """At λ = 1 the scaled residual sum of squares is the plain one."""
    profile = line(skewed).transform_profile()
    curve = profile.curve
    from doe.fits.transforms import profile_likelihood

    fit = line(skewed)
    _, rss = profile_likelihood(fit.solution.Q, skewed)
    assert rss(1.0) == pytest.approx(fit.solution.rss, rel=1e-10)
    assert rss(1e-9) == pytest.approx(rss(0.0), rel=1e-6)
    assert curve["lambda"].iloc[curve["log_likelihood"].argmax()] == pytest.approx(profile.estimate, abs=0.05)
    assert (np.diff(np.sign(np.diff(curve["rss"]))) != 0).sum() == 1


def test_readings_that_span_too_little_say_so():
    rng = np.random.default_rng(2)
    found = line(100 + 0.01 * rng.normal(size=8)).transform_profile()
    assert found.low == -np.inf
    assert found.high == np.inf
    assert "These readings span too little to say which scale is right" in str(found)


def test_refusals(skewed):
    with pytest.raises(StudyError) as error:
        line(skewed - skewed[3]).transform_profile()
    low = float((skewed - skewed[3])[0])
    first = 1 if low <= 0 else 4
    assert str(error.value).startswith(f"response 'y', run {first}: reading is ")
    assert str(error.value).endswith(
        "but must be above 0 for a power to be looked for: leave it out with its reason, or keep the scale."
    )
    with pytest.raises(StudyError) as error:
        line(skewed[:2]).transform_profile()
    assert str(error.value) == (
        "transform_profile: residual degrees of freedom is 0 but must be at least 1: fit a smaller model, or add runs."
    )
    with pytest.raises(StudyError, match="interval is 95 but must be between 0 and 1"):
        line(skewed).transform_profile(95)
