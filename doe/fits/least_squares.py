"""Fitting: `fit` for one response, `fit_all` for all of a study's; which method, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from doe.fits.known_ratio import assembled_known_ratio, ratio_asked, ratio_planned
from doe.fits.mixed import assembled_mixed
from doe.fits.readings import Batches, gather
from doe.fits.result import Fit, assembled
from doe.fits.side_by_side import Fits
from doe.fits.strata import TooFewGroupsError, check_settings, shared
from doe.study import Model, Response, Study, StudyError
from doe.study.errors import nearest

METHODS = ("least squares", "reml", "gls")
Spec = str | Sequence[str] | Model


def fit(
    study: Study,
    data: Any,
    response: str,
    model: Spec = "quadratic",
    method: str | None = None,
    without: Mapping[Any, str] | None = None,
    variance_ratio: float | tuple[float, float] | None = None,
) -> Fit:
    """Fit a model to one response.

    Parameters
    ----------
    study : Study
    data : Records or DataFrame
        Records, or one row a reading: the factors in natural units, the response, and any of the columns run, block, whole_plot,
        replicate, batch. Readings of one batch (same run and batch) are averaged. Rows without a reading are left out and listed.
    response : str
        Name of the response.
    model : str, list of str or Model
        As for `Study.model`.
    method : "least squares", "reml" or "gls", optional
        None picks least squares where every batch was made by itself, with blocks as fixed columns, and restricted maximum likelihood
        (REML) where whole plots hold several batches or the plan was chosen for random blocks: then whole plots, blocks and repeat readings each have their own variance.
        "reml" asks for that where there are only blocks or repeat readings. A hard-to-change factor without a column whole_plot is
        refused unless least squares is asked for in so many words. "gls", generalised least squares with an assumed ratio of the
        variances, is what None falls back on where a plan leaves no degrees of freedom between whole plots or blocks: with the ratio
        that the plan was chosen for, if the data are Records of one.
    without : mapping of run -> reason, optional
        Runs to leave out; every report shows them with the reason.
    variance_ratio : float or (float, float), optional
        Variance between whole plots (and between blocks) over that between batches within them, assumed and not estimated; asks for
        "gls". One number holds for both.

    Returns
    -------
    Fit

    Raises
    ------
    StudyError
        If the data, the model or the method cannot be used, or the runs cannot tell the terms apart.

    Examples
    --------
    >>> import doe, pandas as pd
    >>> gel = doe.Study("gel", [doe.Continuous("polymer", 0.2, 0.6, "%")], [doe.Response("viscosity", "Pa·s")])
    >>> data = pd.DataFrame({"polymer": [0.2, 0.4, 0.4, 0.6], "viscosity": [8.0, 11.9, 12.3, 16.1]})
    >>> print(doe.fit(gel, data, "viscosity", "linear").equation())
    viscosity (Pa·s) = 3.975 + 20.250·polymer
    With polymer in %.
    Written with the digits that keep a prediction within 0.01 σ.
    """
    _check_study(study)
    found = study.response(response)
    built = study.model(model)
    batches = gather(study, data, response, without)
    out = _fitted(study, data, built, found, batches, method, variance_ratio)
    order = {} if isinstance(data, pd.DataFrame) else dict(getattr(data, "order", {}))
    return replace(out, order=order) if order else out


def _fitted(
    study: Study,
    data: Any,
    built: Model,
    found: Response,
    batches: Batches,
    method: str | None,
    variance_ratio: float | tuple[float, float] | None,
) -> Fit:
    """The fit, by the method picked."""
    if variance_ratio is not None and method not in (None, "gls"):
        raise StudyError(
            "variance_ratio", variance_ratio, f'left out with method="{method}"', 'it goes with method="gls"'
        )
    if method == "gls" or variance_ratio is not None:
        check_settings(study, batches)
        return assembled_known_ratio(built, found, batches, ratio_asked(data, batches, variance_ratio))
    picked, why = _method(study, batches, method, _planned_as_random(data))
    if picked != "reml":
        return assembled(built, found, batches, why)
    try:
        return assembled_mixed(built, found, batches, why)
    except TooFewGroupsError as problem:
        planned = None if method == "reml" else ratio_planned(data, batches)
        if planned is None:
            raise
        return assembled_known_ratio(built, found, batches, planned, problem)


def fit_all(
    study: Study,
    data: Any,
    model: Spec | Mapping[str, Spec] = "quadratic",
    method: str | None = None,
    without: Mapping[Any, str] | None = None,
    variance_ratio: float | tuple[float, float] | None = None,
) -> Fits:
    """Fit every response of a study.

    Parameters
    ----------
    study, data, method, without, variance_ratio
        As for `fit`.
    model : str, list of str, Model, or a mapping of response -> one of these
        One model for all responses, or one for each.

    Returns
    -------
    Fits
        Mapping of response -> Fit, in the study's order.

    Raises
    ------
    StudyError
        As for `fit`; also if the mapping names no response of the study, or misses one.
    """
    _check_study(study)
    names = [r.name for r in study.responses]
    if not names:
        raise StudyError("study: responses", [], "at least one response", "add doe.Response(…) to the study")
    specs: dict[str, Any] = dict.fromkeys(names, model)
    if isinstance(model, Mapping):
        for name in model:
            if name not in names:
                raise StudyError("model", name, "a response of the study", nearest(str(name), names))
        missing = [n for n in names if n not in model]
        if missing:
            raise StudyError(
                "model",
                list(model),
                "a model for every response",
                f"add one for {', '.join(repr(n) for n in missing)}",
            )
        specs = dict(model)
    return Fits(study, {n: fit(study, data, n, specs[n], method, without, variance_ratio) for n in names})


def _check_study(study: object) -> None:
    if not isinstance(study, Study):
        raise StudyError(
            "study", type(study).__name__, "a doe.Study", "make it with doe.Study(name, factors, responses)"
        )


def _planned_as_random(data: Any) -> bool:
    """Whether the plan behind the records was chosen for blocks as a sample of many."""
    provenance = getattr(getattr(data, "plan", None), "provenance", {})
    return bool(provenance.get("arguments", {}).get("block_effects") == "random")


def _method(study: Study, batches: Batches, method: str | None, random_blocks: bool) -> tuple[str, str]:
    """Which method, and why, for the print."""
    if method is not None and method not in METHODS:
        raise StudyError("method", method, '"least squares", "reml", "gls" or None', "leave it out to have it picked")
    check_settings(study, batches)
    plots = batches.whole_plot
    several = shared(plots)
    alone = plots is not None and len(set(plots)) == len(plots)
    hard = study.hard_to_change
    if hard and not (several or alone) and method != "least squares":
        raise StudyError(
            "method",
            method,
            f'"least squares", in so many words, where a factor is hard to change ({", ".join(hard)}) and the data have no '
            "column 'whole_plot'"
            if plots is None
            else f'"least squares", in so many words, where a factor is hard to change ({", ".join(hard)}) and all batches are one '
            "whole plot",
            'add the column, or write method="least squares" to treat every batch as set up anew'
            if plots is None
            else 'correct the labels, or write method="least squares" to treat every batch as set up anew',
        )
    if method == "reml":
        return "reml", "REML as asked."
    if method is None:
        if several:
            return "reml", (
                "REML, since batches share whole plots and are alike for it: effects of what changes only between whole plots are "
                "judged by the differences between whole plots, the others by those within."
            )
        if random_blocks and shared(batches.block):
            return (
                "reml",
                "REML, since the plan was chosen for random blocks: days or lots are a sample of those to come.",
            )
        if alone:
            return "least squares", "Least squares, since every whole plot holds one batch."
        return "least squares", "Least squares, since every batch was set up by itself."
    if several:
        return method, (
            "Least squares as asked, though batches share whole plots: the standard errors of whole-plot effects are then too small."
        )
    if hard and not alone:
        return method, (
            f"Least squares as asked, though {', '.join(hard)} "
            f"{'is' if len(hard) == 1 else 'are'} hard to change: unless every batch was set up anew, the standard errors of "
            "whole-plot effects are then too small."
        )
    return method, "Least squares as asked."
