"""The next batches: those that would most sharpen the edge of the window."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.designs import Plan, extend
from doe.fits import Fit
from doe.study import Model, StudyError
from doe.window.folding import Floats
from doe.window.predictive import Predictive

if TYPE_CHECKING:
    from doe.window.result import Window

STREAM = 307  # of draws, apart from those that found the window
DRAWS = 1000
LEAST = 0.02  # of the greatest weight, everywhere: no part of the region is forgotten
REACH = 0.5  # how far from the set point, in shares of the ranges, a setting still counts for half


def next_batches(win: Window, runs: int, seed: int = 0) -> Plan:
    """Choose the next batches so that they most sharpen the window.

    Parameters
    ----------
    win : Window
    runs : int
        Batches to add to those that were fitted.
    seed : int
        Seed of the search.

    Returns
    -------
    Plan
        The batches that were fitted, keeping their order, then the new ones. Where the trial had blocks the new ones are a block of their own.

    Raises
    ------
    StudyError
        If a figure cannot be used.

    Notes
    -----
    An I-optimal extension whose average prediction variance is weighted toward where it is undecided whether the mean responses meet the
    specifications, π(1 − π) with π the posterior chance that they do, and toward the set point. The weight is the integrated Bernoulli variance by
    which the edge of a set is learnt (Bect et al. 2012, Chevalier et al. 2014), here put into a criterion that chooses all runs at once.

    References
    ----------
    Bect, J., Ginsbourger, D., Li, L., Picheny, V. & Vazquez, E. (2012). Sequential design of computer experiments for the estimation of a
    probability of failure. Stat. Comput. 22, 773-793.
    Chevalier, C. et al. (2014). Fast parallel kriging-based stepwise uncertainty reduction. Technometrics 56(4), 455-465.
    """
    from doe.window.result import Window as Result

    if not isinstance(win, Result):
        raise StudyError("next_batches: win", type(win).__name__, "a Window", "make it with doe.find_window")
    fits = list(win.fits.values())
    plan, model = batches_made(fits)
    mean = Predictive(win.study, fits, False, {}, win.seed)
    draws = mean.draw(STREAM, DRAWS)
    s = mean.settings
    centre = s.array(pd.DataFrame([win.set_point.to_dict()]))[0]

    def undecided(table: pd.DataFrame) -> Floats:
        chance = mean.chance(win.study.encode(table), draws)[0]
        far = (((s.array(table) - centre) / s.width) ** 2).sum(axis=1)
        weight = chance * (1.0 - chance) * np.exp(-np.log(2.0) * far / REACH**2)
        return np.asarray(weight + LEAST * max(float(weight.max()), 1e-12))

    return extend(
        plan, runs, model, weights=undecided, block=None if plan.block is None else _new_block(plan), seed=seed
    )


def batches_made(fits: list[Fit]) -> tuple[Plan, Model]:
    """The batches of several fits as one plan, and the model that holds all their terms."""
    study = fits[0].study
    rows: dict[str, dict[Any, Any]] = {}
    for fit in fits:
        b = fit.batches
        for i, run in enumerate(b.runs):
            row = b.settings.iloc[i].to_dict()
            if b.block is not None:
                row["block"] = str(b.block[i])
            if b.whole_plot is not None:
                row["whole_plot"] = str(b.whole_plot[i])
            rows.setdefault(str(run), row)
    table = pd.DataFrame(list(rows.values()))
    if study.hard_to_change and "whole_plot" not in table.columns:
        table["whole_plot"] = [f"W{i + 1}" for i in range(len(table))]  # fitted as set up anew each time
    # a covariate is measured, not chosen
    terms = list(dict.fromkeys(t for fit in fits for t in fit.model.terms))
    own = {
        term
        for fit in fits
        for term, parsed in zip(fit.model.terms, fit.model.parsed, strict=True)
        if any(n in study.covariate_names for n, _ in parsed)
    }
    kept = [t for t in terms if t not in own]
    if not any(fit.model.terms and "1" in fit.model.terms for fit in fits):
        kept.append("0")
    model = study.model(kept, hierarchy=False)
    columns = [c for c in table.columns if c not in study.covariate_names]
    return Plan.from_frame(study, table[columns], model), model


def _new_block(plan: Plan) -> str:
    used = set(map(str, plan.block if plan.block is not None else ()))
    return next(name for name in ("next", *(f"next {i}" for i in range(2, 99))) if name not in used)
