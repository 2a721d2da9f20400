"""Fitting: `fit` for one response, `fit_all` for all of a study's; which method, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from doe.fits.censored import assembled_censored, has_censored
from doe.fits.ground import Ground
from doe.fits.known_ratio import assembled_known_ratio, ratio_asked, ratio_planned
from doe.fits.mixed import assembled_mixed
from doe.fits.ordinal import assembled_ordinal
from doe.fits.readings import Batches, gather
from doe.fits.result import Fit, assembled
from doe.fits.side_by_side import Fits
from doe.fits.sources import AllEqualError, Asked, NoReadingError, asked_for
from doe.fits.strata import TooFewGroupsError, check_blocks, check_settings, shared
from doe.fits.together import fit_together, together_asked
from doe.study import Model, Response, Study, StudyError
from doe.study.errors import nearest

METHODS = ("least squares", "reml", "gls", "ordinal", "censored")
ASSEMBLED = {
    "least squares": assembled,
    "reml": assembled_mixed,
    "ordinal": assembled_ordinal,
    "censored": assembled_censored,
}
Spec = str | Sequence[str] | Model


def fit(
    study: Study,
    data: Any,
    response: str,
    model: Spec = "quadratic",
    as_made: bool | None = None,
    at: tuple[str | None, str | Sequence[str] | None] | str | None = None,
    method: str | None = None,
    without: Mapping[Any, str] | None = None,
    variance_ratio: float | tuple[float, float] | None = None,
    blocks: str | None = None,
) -> Fit:
    """Fit a model to one response.

    Parameters
    ----------
    study : Study
    data : Records or DataFrame
        Records, or one row a reading: the factors in natural units, the response, and any of the columns run, block, whole_plot,
        replicate, batch. Readings of one batch (same run and batch) are averaged. Rows without a reading are left out and listed.
        A response read at several occasions stands in one column with columns time and condition beside it, or in a column for each
        occasion, named as formulas name it: "viscosity[4 wk, 40 °C]". "<50", ">100000" and "50..60" are censored readings.
    response : str
        Name of the response, of a derived one too; "viscosity[4 wk, 40 °C]" names the occasion with it.
    model : str, list of str or Model
        As for `Study.model`. Of a named model, the covariates that were measured become main effects too.
    as_made : bool, optional
        Whether the settings are taken as they were made rather than as planned; None means yes where the records carry them. Repeated
        settings and whole plots are told by the planned ones all the same.
    at : (time, condition) or str, optional
        At which occasion; a part may be left out where there is only one to mean. `(time, None)` fits all conditions of that time together,
        `("4 wk", ["25 °C", "40 °C"])` these: the condition becomes a categorical factor "condition" of the fit, with its products with
        the linear terms (a list of terms that names `condition` is taken as it stands), and batches a random stratum within whole plots
        and blocks, since one batch is split over its conditions. By REML, of exact readings; rows need a run or batch. Several
        storage times are followed by `doe.fits.drift`.
    method : "least squares", "reml", "gls", "ordinal" or "censored", optional
        None picks "ordinal" (proportional odds) where the response has a scale of scores, "censored" (maximum likelihood) where a reading is
        known only by bounds, else least squares where every batch was made by itself, with blocks as fixed columns, and restricted maximum likelihood
        (REML) where whole plots hold several batches or the plan was chosen for random blocks: then whole plots, blocks and repeat readings each have their own variance.
        "reml" asks for that where there are only blocks or repeat readings. A hard-to-change factor without a column whole_plot is
        refused unless the method is asked for in so many words. "gls", generalised least squares with an assumed ratio of the
        variances, is what None falls back on where a plan leaves no degrees of freedom between whole plots or blocks: with the ratio
        that the plan was chosen for, if the data are Records of one.
    without : mapping of run -> reason, optional
        Runs to leave out; every report shows them with the reason.
    variance_ratio : float or (float, float), optional
        Variance between whole plots (and between blocks) over that between batches within them, assumed and not estimated; asks for
        "gls". One number holds for both.
    blocks : "fixed" or "random", optional
        "fixed": these very days or lots, one column each; "random": a sample of those to come, with a variance of its own (by REML). None
        takes them as random in REML and where the plan was chosen for random blocks, and as fixed elsewhere.

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
    together = together_asked(study, response, at)
    if together is not None:
        return fit_together(
            Ground.of(study, data), together, model, as_made, method, without, variance_ratio, blocks, _order(data)
        )
    asked = asked_for(study, response, at)
    return _fitted(Ground.of(study, data), data, asked, model, as_made, method, without, variance_ratio, blocks)


def _fitted(
    ground: Ground,
    data: Any,
    asked: Asked,
    spec: Spec,
    as_made: bool | None,
    method: str | None,
    without: Mapping[Any, str] | None,
    variance_ratio: float | tuple[float, float] | None,
    blocks: str | None,
) -> Fit:
    model, notes = ground.model(spec)
    batches = gather(ground.study, ground.source, asked, without, as_made, model.measured)
    batches = replace(batches, notes=(*notes, *batches.notes))
    out = _assembled(ground.study, data, model, asked.response, batches, method, variance_ratio, blocks)
    order = _order(data)
    return replace(out, order=order) if order else out


def _order(data: Any) -> dict[Any, int]:
    """In which order the batches were made, where records say it."""
    return {} if isinstance(data, pd.DataFrame) else dict(getattr(data, "order", {}))


def _assembled(
    study: Study,
    data: Any,
    model: Model,
    response: Response,
    batches: Batches,
    method: str | None,
    variance_ratio: float | tuple[float, float] | None,
    blocks: str | None,
) -> Fit:
    """The fit, by the method picked."""
    check_blocks(batches, method, blocks)
    if variance_ratio is not None and method not in (None, "gls"):
        raise StudyError(
            "variance_ratio", variance_ratio, f'left out with method="{method}"', 'it goes with method="gls"'
        )
    if method == "gls" or variance_ratio is not None:
        check_settings(study, batches)
        _check_suits(response, batches, "gls")
        if blocks == "fixed":
            raise StudyError(
                "blocks",
                blocks,
                '"random" with an assumed variance ratio, which is that of random blocks',
                "leave it out",
            )
        return assembled_known_ratio(model, response, batches, ratio_asked(data, batches, variance_ratio))
    picked, why = _method(study, response, batches, method, _random_blocks(data, blocks))
    if picked in ("ordinal", "censored") and blocks == "random":
        raise StudyError("blocks", blocks, '"fixed" for scores and censored readings', "leave it out")
    batches = replace(batches, fixed_blocks=picked == "reml" and blocks == "fixed")
    if picked != "reml":
        return ASSEMBLED[picked](model, response, batches, why)
    try:
        return assembled_mixed(model, response, batches, why)
    except TooFewGroupsError as problem:
        planned = None if method == "reml" or blocks == "fixed" else ratio_planned(data, batches)
        if planned is None:
            raise
        return assembled_known_ratio(model, response, batches, planned, problem)


def fit_all(
    study: Study,
    data: Any,
    model: Spec | Mapping[str, Spec] = "quadratic",
    as_made: bool | None = None,
    method: str | None = None,
    without: Mapping[Any, str] | None = None,
    variance_ratio: float | tuple[float, float] | None = None,
    blocks: str | None = None,
) -> Fits:
    """Fit every response of a study, at every occasion that has readings, derived responses among them.

    Parameters
    ----------
    study, data, as_made, method, without, variance_ratio, blocks
        As for `fit`.
    model : str, list of str, Model, or a mapping of response -> one of these
        One model for all responses, or one for each; a response's own name stands for all of its occasions that the mapping does not name.

    Returns
    -------
    Fits
        Mapping of response -> Fit, in the study's order; "viscosity[4 wk, 40 °C]" is the key of a response with several occasions. An
        occasion without a reading yet, or with the same one on every batch, is left out, and so is a derived response that needs it:
        `Fits.unfitted` and the print list them.

    Raises
    ------
    StudyError
        As for `fit`; also if the mapping names no response of the study, or misses one.
    """
    _check_study(study)
    names = [r.name for r in study.responses]
    if not names:
        raise StudyError("study: responses", [], "at least one response", "add doe.Response(…) to the study")
    wanted = [
        asked_for(study, r.name, None if r.formula is not None else o) for r in study.responses for o in r.occasions
    ]
    specs = _specs(wanted, model)
    ground = Ground.of(study, data)
    fits: dict[str, Fit] = {}
    unfitted: list[tuple[str, str]] = []
    for asked in wanted:
        waits = len(asked.base.occasions) > 1 or asked.base.formula is not None
        try:
            fits[asked.name] = _fitted(
                ground, data, asked, specs[asked.name], as_made, method, without, variance_ratio, blocks
            )
        except NoReadingError:
            if not waits:
                raise
            derived = asked.base.formula is not None
            unfitted.append((asked.name, "nothing to work it out from yet" if derived else "no reading of it yet"))
        except AllEqualError as problem:
            if not waits:
                raise
            unfitted.append((asked.name, f"the same on every batch, {asked.response.text(float(str(problem.found)))}"))
    if not fits:
        raise StudyError(
            "fit_all: readings", "none of any response", "readings of at least one response", "enter the readings first"
        )
    return Fits(ground.study, fits, tuple(unfitted))


def _specs(wanted: Sequence[Asked], model: Spec | Mapping[str, Spec]) -> dict[str, Any]:
    """The model of every response at every occasion."""
    if not isinstance(model, Mapping):
        return dict.fromkeys((a.name for a in wanted), model)
    names = list(dict.fromkeys([a.base.name for a in wanted] + [a.name for a in wanted]))
    for name in model:
        if name not in names:
            raise StudyError("model", name, "a response of the study", nearest(str(name), names))
    missing = [a.name for a in wanted if a.name not in model and a.base.name not in model]
    if missing:
        raise StudyError(
            "model",
            list(model),
            "a model for every response",
            f"add one for {', '.join(repr(n) for n in missing)}",
        )
    return {a.name: model[a.name] if a.name in model else model[a.base.name] for a in wanted}


def _check_study(study: object) -> None:
    if not isinstance(study, Study):
        raise StudyError(
            "study", type(study).__name__, "a doe.Study", "make it with doe.Study(name, factors, responses)"
        )


def _random_blocks(data: Any, blocks: str | None) -> str:
    """Why blocks are a sample of many: asked for, or the plan behind the records was chosen so; empty where they are not."""
    if blocks is not None:
        return "since blocks are to be random" if blocks == "random" else ""
    provenance = getattr(getattr(data, "plan", None), "provenance", {})
    planned = provenance.get("arguments", {}).get("block_effects") == "random"
    return "since the plan was chosen for random blocks" if planned else ""


def _method(
    study: Study, response: Response, batches: Batches, method: str | None, random_blocks: str
) -> tuple[str, str]:
    """Which method, and why, for the print."""
    if method is not None and method not in METHODS:
        raise StudyError(
            "method",
            method,
            '"least squares", "reml", "gls", "ordinal", "censored" or None',
            "leave it out to have it picked",
        )
    check_settings(study, batches)
    _check_suits(response, batches, method)
    usual = "ordinal" if response.scale is not None else "censored" if has_censored(batches) else "least squares"
    asked = usual if method in (None, "reml") else str(method)
    plots = batches.whole_plot
    several = shared(plots)
    alone = plots is not None and len(set(plots)) == len(plots)
    hard = study.hard_to_change
    if hard and not (several or alone) and method != asked:
        raise StudyError(
            "method",
            method,
            f'"{asked}", in so many words, where a factor is hard to change ({", ".join(hard)}) and the data have no '
            "column 'whole_plot'"
            if plots is None
            else f'"{asked}", in so many words, where a factor is hard to change ({", ".join(hard)}) and all batches are one '
            "whole plot",
            f'add the column, or write method="{asked}" to treat every batch as set up anew'
            if plots is None
            else f'correct the labels, or write method="{asked}" to treat every batch as set up anew',
        )
    if several and usual == "censored" and method is None:
        raise StudyError(
            "method",
            None,
            '"censored", in so many words, where readings are known only by bounds and batches share whole plots',
            'read those batches again, diluted or on another spindle, or write method="censored" to treat every batch as set up anew',
        )
    if "ordinal" in (method, usual) and method in (None, "ordinal"):
        return "ordinal", _why_ordinal(response, study, method, several, bool(hard) and not (several or alone))
    if "censored" in (method, usual) and method in (None, "censored"):
        why = (
            f"Maximum likelihood, since {_count(batches)} known only by bounds."
            if has_censored(batches)
            else "Maximum likelihood as asked."
        )
        if several:
            why += " Batches share whole plots, which this method leaves out of account: the standard errors of whole-plot effects are then too small."
        elif hard and not alone:
            why += (
                f" As asked, though {', '.join(hard)} {'is' if len(hard) == 1 else 'are'} hard to change: unless every batch was set up anew, the "
                "standard errors of whole-plot effects are then too small."
            )
        return "censored", why
    if response.scale is not None:
        kind = "REML" if method == "reml" else "Least squares"
        return str(method), (
            f"{kind} as asked, though {response.name} is scored from {response.scale[0]} to {response.scale[1]}: this takes the steps between "
            "scores for equal and may foretell scores beyond the scale."
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
                f"REML, {random_blocks}: days or lots are a sample of those to come.",
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


def _check_suits(response: Response, batches: Batches, method: str | None) -> None:
    if method == "ordinal" and response.scale is None:
        raise StudyError(
            "method",
            method,
            f"asked of scores, and {response.name!r} has no scale",
            f"describe it with doe.Response({response.name!r}, scale=(1, 5)) if it is scored",
        )
    if method == "censored" and response.scale is not None:
        raise StudyError(
            "method",
            method,
            f"asked of measured readings, and {response.name!r} is scored",
            "leave it out to have it picked",
        )
    if method in ("least squares", "reml", "gls") and has_censored(batches):
        raise StudyError(
            "method",
            method,
            f'"censored" where {_count(batches)} known only by bounds',
            'leave it out to have it picked, or leave those runs out with their reason: without={run: "reason"}',
        )


def _count(batches: Batches) -> str:
    low, high = batches.lower, batches.upper
    n = int((low != high).sum())
    return f"{n} of {len(low)} readings {'is' if n == 1 else 'are'}"


def _why_ordinal(response: Response, study: Study, method: str | None, several: bool, anew: bool) -> str:
    bottom, top = response.scale or (0, 0)
    why = (
        f"Proportional odds, since {response.name} is scored from {bottom} to {top}"
        if method is None
        else "Proportional odds as asked"
    )
    if several:
        return f"{why}; batches of one whole plot share an intercept of their own."
    if anew:
        hard = study.hard_to_change
        return (
            f"{why}, though {', '.join(hard)} {'is' if len(hard) == 1 else 'are'} hard to change: unless every batch was set up anew, whole-plot "
            "effects look surer than they are."
        )
    return f"{why}."
