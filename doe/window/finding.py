"""From fits to a window: what enters, whether it can, and with which noise and setting error."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from doe.fits import Fit
from doe.fits.side_by_side import check_one_occasion
from doe.study import Categorical, Study, StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number
from doe.window.predictive import Predictive
from doe.window.result import Window, make_window

FEWEST = 500  # draws below which a Monte-Carlo error of a chance near 0.95 exceeds 0.01


def find_window(
    fits: Mapping[str, Fit] | Fit,
    target: float = 0.95,
    draws: int = 4000,
    seed: int = 0,
    noise: bool = True,
    jitter: bool | Mapping[str, float] | None = None,
) -> Window:
    """Find where one new batch is likely to meet every specification.

    Parameters
    ----------
    fits : Fits, mapping of response -> Fit, or Fit
        Fits of one study. Responses without a specification do not enter.
    target : float
        Chance that the ranges must hold, between 0 and 1.
    draws : int
        Posterior draws, at least 500. The set point and the ranges are judged on further draws, several times as many. Beyond 65,536 they
        are drawn and counted piece by piece, so that a million take no more memory; searches and claims then take the first piece alone.
    seed : int
        The same seed gives the same window.
    noise : bool
        Whether a new batch carries its own error, as measured in the trial; without it the mean response is judged.
    jitter : None, bool or mapping of factor -> standard deviation
        Setting error to add: True takes every factor's `setting_sd`; a mapping gives the standard deviations itself, in natural
        units; False adds none. None adds it where a fit rests on settings as made, whose residual error does not hold it; on planned
        settings the residual error already does.

    Returns
    -------
    Window

    Raises
    ------
    StudyError
        If no response has a specification, a fit has no residual degrees of freedom, fits are of different studies, or a figure
        cannot be used.

    Notes
    -----
    Posterior predictive under the reference prior |Σ|^-(r+1)/2: the multivariate t where the responses share terms and runs
    (Peterson 2004), Gibbs sampling of the seemingly unrelated regressions elsewhere, each response by itself where the joint t
    would have fewer than 4 degrees of freedom. With blocks as fixed columns a new batch is one of an average block.

    Where a fit is by REML, every response has a posterior of its own, joined by a Gaussian copula whose correlation comes from the
    batches' scores, shrunk towards none (Schäfer & Strimmer 2005). Variances of whole plots and blocks are drawn under the prior of
    Box & Tiao (1973, ch. 5), and a new batch is one of a new whole plot in a new block. Covariates are averaged over by their law.

    The chance is true on average over truths that have the prior's law: to within the simulations' error in every tenth where they have, six or seven points
    off at the ends where they are drawn from a narrow one (responses with two limits, 14 runs); with whole plots it errs to the safe side by up to two. At
    the chosen set point it is told too high by what the choice adds: 0.025 (standard error 0.006) on average over 300 trials of 12 runs with widely
    varying truths, 0.12 where no setting is better than another. Over 60 trials of the virtual bench, a mechanism that no polynomial
    is, it was told 0.008 (0.001) too low at the set point and 0.03 (0.002) at the worst setting of the ranges. `Window.claim` allows for the choice.

    References
    ----------
    Peterson, J. J. (2004). A posterior predictive approach to multiple response surface optimization. J. Qual. Technol. 36(2),
    139-153. doi:10.1080/00224065.2004.11980261
    Box, G. E. P. & Tiao, G. C. (1973). Bayesian inference in statistical analysis. Addison-Wesley.
    Schäfer, J. & Strimmer, K. (2005). A shrinkage approach to large-scale covariance matrix estimation. Stat. Appl. Genet. Mol. Biol. 4, 32.
    """
    table = checked_fits("find_window", fits)
    first = next(iter(table.values()))
    judged = {name: fit for name, fit in table.items() if _judged(fit)}
    if not judged:
        raise StudyError(
            "find_window: fits",
            ", ".join(table),
            "of at least one response with a specification",
            "give a Response its low or high and fit again",
        )
    if isinstance(target, bool) or not isinstance(target, int | float | np.number) or not 0 < target < 1:
        raise StudyError("find_window: target", target, "a number between 0 and 1", "write 0.95 for 95 %")
    if isinstance(draws, bool) or not isinstance(draws, int | np.integer) or draws < FEWEST:
        raise StudyError("find_window: draws", draws, f"a whole number of at least {FEWEST}", "leave it out for 4000")
    if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or seed < 0:
        raise StudyError("find_window: seed", seed, "a whole number, 0 or above", "leave it out for 0")
    if not isinstance(noise, bool):
        raise StudyError("find_window: noise", noise, "True or False", "say whether a new batch carries its own error")
    predictive = Predictive(
        first.study,
        list(judged.values()),
        noise,
        _jitter(first.study, jitter, any(f.as_made for f in judged.values())),
        int(seed),
    )
    others = tuple(name for name in table if name not in judged)
    return make_window(first.study, judged, others, float(target), int(draws), predictive)


def checked_fits(function: str, fits: object) -> Mapping[str, Fit]:
    """Fits of one study, by response.

    Raises
    ------
    StudyError
        If they are no fits, or of different studies.
    """
    table = {fits.response.name: fits} if isinstance(fits, Fit) else fits
    if not isinstance(table, Mapping) or not table or not all(isinstance(f, Fit) for f in table.values()):
        raise StudyError(
            f"{function}: fits", fits, "a mapping of response to Fit, or one Fit", "make them with doe.fit_all"
        )
    first = next(iter(table.values()))
    for name, fit in table.items():
        check_one_occasion(function, str(name), fit)
        if fit.study.fingerprint != first.study.fingerprint:
            raise StudyError(
                f"{function}: fit of {name!r}",
                fit.study.name,
                f"of the study {first.study.name!r}",
                "fit all responses from one study",
            )
    return table


def _judged(fit: Fit) -> bool:
    """Whether a response has a limit that its scale can miss."""
    response = fit.response
    if response.scale is not None:
        bottom, top = response.scale
        return (response.low is not None and response.low > bottom) or (
            response.high is not None and response.high < top
        )
    return bool(np.isfinite(response.fitted_limits()).any())


def _jitter(study: Study, jitter: object, as_made: bool) -> dict[str, float]:
    """Standard deviations of setting error by factor, natural units; the balance takes up the others' and has none."""
    if jitter is False or (jitter is None and not as_made):
        return {}
    if jitter is None or jitter is True:
        found = {
            f.name: f.setting_sd
            for f in study.factors
            if not isinstance(f, Categorical) and f.setting_sd > 0 and f.name != study.balance
        }
        if not found and jitter:
            raise StudyError(
                "find_window: jitter",
                True,
                "backed by a factor with a setting_sd",
                "give the factors their setting_sd, or a mapping",
            )
        return found
    if not isinstance(jitter, Mapping):
        raise StudyError(
            "find_window: jitter",
            jitter,
            "None, True, False or a mapping of factor to standard deviation",
            "write {'speed': 10}, say",
        )
    out = {}
    for name, sd in jitter.items():
        if name not in study.names:
            raise StudyError("find_window: jitter", name, "a factor of the study", nearest(str(name), study.names))
        factor = study.factor(str(name))
        where = f"find_window: jitter, {name!r}"
        if isinstance(factor, Categorical):
            raise StudyError(where, sd, "left out: a categorical factor has no setting error", "leave it out")
        if name == study.balance:
            raise StudyError(where, sd, "left out: the balance takes up the errors of the others", "leave it out")
        out[str(name)] = as_number(where, sd, factor.unit)
        if out[str(name)] < 0:
            raise StudyError(where, sd, "0 or above", "give a standard deviation")
    return {name: sd for name, sd in out.items() if sd > 0}
