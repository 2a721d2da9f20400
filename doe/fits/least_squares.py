"""Fitting: `fit` for one response, `fit_all` for all of a study's; which method, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from doe.fits.ground import Ground
from doe.fits.mixed import assembled_mixed
from doe.fits.readings import Batches, bounds_told, gather
from doe.fits.result import Fit, assembled
from doe.fits.side_by_side import Fits
from doe.fits.sources import AllEqualError, Asked, NoReadingError, asked_for
from doe.fits.strata import check_settings, shared
from doe.study import Model, Study, StudyError
from doe.study.errors import nearest

METHODS = ("least squares", "reml")
Spec = str | Sequence[str] | Model


def fit(
    study: Study,
    data: Any,
    response: str,
    model: Spec = "quadratic",
    as_made: bool | None = None,
    at: tuple[str | None, str | None] | str | None = None,
    method: str | None = None,
    without: Mapping[Any, str] | None = None,
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
        At which occasion; a part may be left out where there is only one to mean.
    method : "least squares" or "reml", optional
        None picks least squares where every batch was made by itself, with blocks as fixed columns, and restricted maximum likelihood
        (REML) where whole plots hold several batches or the plan was chosen for random blocks: then whole plots, blocks and repeat readings each have their own variance.
        "reml" asks for that where there are only blocks or repeat readings. A hard-to-change factor without a column whole_plot is
        refused unless least squares is asked for in so many words.
    without : mapping of run -> reason, optional
        Runs to leave out; every report shows them with the reason.
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
    asked = asked_for(study, response, at)
    return _fitted(Ground.of(study, data), data, asked, model, as_made, method, without, blocks)


def _fitted(
    ground: Ground,
    data: Any,
    asked: Asked,
    spec: Spec,
    as_made: bool | None,
    method: str | None,
    without: Mapping[Any, str] | None,
    blocks: str | None,
) -> Fit:
    model, notes = ground.model(spec)
    batches = gather(ground.study, ground.source, asked, without, as_made, model.measured)
    batches = replace(batches, notes=(*notes, *batches.notes))
    _refuse_censored(asked, batches)
    _check_blocks(batches, method, blocks)
    picked, why = _method(ground.study, batches, method, _random_blocks(data, blocks))
    batches = replace(batches, fixed_blocks=picked == "reml" and blocks == "fixed")
    return (assembled_mixed if picked == "reml" else assembled)(model, asked.response, batches, why)


def _refuse_censored(asked: Asked, batches: Batches) -> None:
    told = bounds_told(batches)
    if told:
        raise StudyError(
            f"response {asked.name!r}, run {told[0][0]}: reading",
            told[0][1],
            "a number for a fit by least squares or REML",
            "leave the run out with its reason",
        )


def fit_all(
    study: Study,
    data: Any,
    model: Spec | Mapping[str, Spec] = "quadratic",
    as_made: bool | None = None,
    method: str | None = None,
    without: Mapping[Any, str] | None = None,
    blocks: str | None = None,
) -> Fits:
    """Fit every response of a study, at every occasion that has readings, derived responses among them.

    Parameters
    ----------
    study, data, as_made, method, without, blocks
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
            fits[asked.name] = _fitted(ground, data, asked, specs[asked.name], as_made, method, without, blocks)
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


def _check_blocks(batches: Batches, method: str | None, blocks: str | None) -> None:
    if blocks is None:
        return
    if blocks not in ("fixed", "random"):
        raise StudyError("blocks", blocks, '"fixed", "random" or None', "leave it out to have it picked")
    if not shared(batches.block):
        raise StudyError(
            "blocks",
            blocks,
            "left out where batches share no blocks",
            "add a column 'block' that several batches share",
        )
    if blocks == "random" and method == "least squares":
        raise StudyError(
            "blocks",
            blocks,
            '"fixed" with least squares, which knows one variance only',
            'write method="reml", or leave it out',
        )


def _method(study: Study, batches: Batches, method: str | None, random_blocks: str) -> tuple[str, str]:
    """Which method, and why, for the print."""
    if method is not None and method not in METHODS:
        raise StudyError("method", method, '"least squares", "reml" or None', "leave it out to have it picked")
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
