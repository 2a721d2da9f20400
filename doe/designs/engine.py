"""Optimal plans: the fewest batches on the region that the bench allows, and the best next batches of a plan."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.designs.assembly import check_study, whole_number
from doe.designs.certificate import certificate_of, plan_value
from doe.designs.encoding import Encoding, set_only
from doe.designs.layouts import search_problem
from doe.designs.plan import Plan, generator, version
from doe.designs.search.chains import Found, best_found, finish
from doe.designs.search.problem import Problem
from doe.designs.settable import clean, settle
from doe.designs.strata import (
    Strata,
    blocks_with_more,
    check_estimable,
    check_whole_plots_given,
    codes_of,
    contrast_columns,
    labels_of,
    new_labels,
    strata_of,
)
from doe.study import Categorical, Model, Study, StudyError
from doe.study.shown import number_text
from doe.study.terms import term_text

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]
CRITERIA = ("I", "D", "A")
MOST_RUNS = 1000  # the search holds arrays of the square of this
WEIGHED = 4096  # settings over which a weighted average is taken


def optimal(
    study: Study,
    model: str | Sequence[str] | Model,
    runs: int,
    criterion: str = "I",
    repeated_runs: int = 0,
    centre: int = 0,
    blocks: int | Sequence[int] | None = None,
    block_effects: str = "fixed",
    whole_plots: int | Sequence[int] | None = None,
    variance_ratio: float | tuple[float, float] = 1.0,
    potential: Sequence[str] = (),
    starts: int | str = "auto",
    max_seconds: float | None = None,
    rounds: int | None = None,
    seed: int = 0,
    n_jobs: int = 1,
    progress: bool | Callable[[int, float], None] = False,
) -> Plan:
    """The best plan of a given number of batches for a model.

    Mixture-amount trials (total times blend; Piepel & Cornell 1985) need nothing of their own: components for the shares, a `Continuous` for
    the amount applied, and model "crossed", whose blending coefficients change with the amount. An amount of 0 is no blend at all and stays
    out of the range; make such batches apart.

    Parameters
    ----------
    study : Study
        Any mix of factors, with any linear constraints.
    model : str, list of str or Model
        As for `Study.model`.
    runs : int
        Batches in all, repeated and centre runs among them.
    criterion : {"I", "D", "A"}
        I: least average variance of prediction over the region; D: greatest |X'X|; A: least average variance of the coefficients.
    repeated_runs : int
        How many of the batches repeat a setting of another; which, the search decides.
    centre : int
        How many stand at the centre of the factors' ranges.
    blocks : int or list of int, optional
        Number of blocks, or their sizes.
    block_effects : {"fixed", "random"}
        Whether blocks are what they are (their effects estimated) or a sample of many (their variance counted).
    whole_plots : int or list of int, optional
        Number of whole plots, or their sizes: batches that share one setting of the hard-to-change factors. If left out where a factor is
        hard to change, as many as the model needs and three more.
    variance_ratio : float or (float, float)
        Variance between whole plots (and between random blocks) over that of batches within them.
    potential : list of str
        Terms that may matter: the plan need not estimate them, but keeps what it can of them apart from the model (DuMouchel & Jones 1994,
        prior variance 1 on their scale). They may stand in the model or not; the plan's model is left with the others.
    starts : "auto" or int
        Searches that are run to their end; "auto" stops when three have reached the same best plan, or after a counted number of steps.
    max_seconds : float, optional
        Stop after the round in which this time is up; `rounds` in the provenance then repeats the very plan.
    rounds : int, optional
        Do exactly so many rounds.
    seed : int
        The same seed gives the same plan for any `n_jobs`.
    n_jobs : int
        Threads, up to four.
    progress : bool or callable
        Say after each round how far it is; a callable is given the round and the criterion's value.

    Returns
    -------
    Plan
        On settable values; `provenance` holds rounds, the criterion's value and the certificate: how much better any plan could be.

    Raises
    ------
    StudyError
        If the batches cannot estimate the model (the least number is said), or anything given cannot be used.

    References
    ----------
    Meyer & Nachtsheim (1995), Technometrics 37, 60-69 (coordinate exchange); DuMouchel & Jones (1994), Technometrics 36, 37-47;
    Jones & Goos (2007), Applied Statistics 56, 347-364 (split plots); Piepel, Cooley & Jones (2005) (mixtures);
    Piepel & Cornell (1985), J. Qual. Technol. 17, 11-28 (mixture-amount trials).
    """
    where = "optimal"
    check_study(where, study)
    _check_criterion(where, criterion)
    generator(where, seed)
    runs = whole_number(f"{where}: runs", runs, 1, MOST_RUNS, "give the number of batches")
    repeated_runs = whole_number(f"{where}: repeated_runs", repeated_runs, 0, max(runs - 1, 0))
    centre = whole_number(f"{where}: centre", centre, 0, runs)
    n_jobs = whole_number(f"{where}: n_jobs", n_jobs, 1, mend="give the number of threads")
    if rounds is not None:
        rounds = whole_number(f"{where}: rounds", rounds, 1, mend="take it from a plan's provenance")
    if starts != "auto":
        starts = whole_number(f"{where}: starts", starts, 1, mend='give a count, or "auto"')
    if max_seconds is not None and not (isinstance(max_seconds, int | float) and max_seconds > 0):
        raise StudyError(f"{where}: max_seconds", max_seconds, "a number above 0", "give seconds, or leave it out")
    if not (isinstance(progress, bool) or callable(progress)):
        raise StudyError(
            f"{where}: progress",
            progress,
            "True, False or a function of (round, value)",
            "leave it out to run in silence",
        )
    if block_effects not in ("fixed", "random"):
        raise StudyError(f"{where}: block_effects", block_effects, "fixed or random", "say which")
    primary, full, weight = with_potential(where, study, study.planned_model(model), potential)
    given, wanted = study, primary
    study, (primary, full) = set_only(study, primary, full)
    encoding = Encoding(study, full)
    structure = strata_of(where, study, encoding, runs, blocks, block_effects, whole_plots, variance_ratio)
    check_estimable(where, encoding, primary, structure, runs, repeated_runs, centre)
    moments = np.eye(full.p) if criterion == "A" else np.asarray(study.region.moments(full))
    problem, back = search_problem(
        where,
        encoding,
        structure,
        criterion,
        moments,
        weight,
        centre=centre,
        repeated=repeated_runs,
        fixed=None,
        held=None,
    )
    found = _found(where, problem, criterion, starts, max_seconds, rounds, seed, n_jobs, progress)
    Z, block, plot = back(found)
    table, value, order = _settled(
        where, encoding, structure, problem, criterion, moments, weight, Z, block, plot, None
    )
    Z, block, plot = encoding.settings(table), _taken(block, order), _taken(plot, order)
    notes: list[str] = []
    certificate = certificate_of(encoding, structure, criterion, moments, weight, Z, block, plot, seed, notes)
    if whole_plots is None and structure.whole_plot is not None:
        notes.append(
            f"{int(structure.whole_plot.max()) + 1} whole plots were taken: what the model needs and three more."
        )
    arguments: dict[str, Any] = {
        "model": [term_text(t) for t in given.model(model).parsed],
        "runs": runs,
        "criterion": criterion,
        "repeated_runs": repeated_runs,
        "centre": centre,
        "blocks": _listed_sizes(blocks),
        "block_effects": block_effects,
        "whole_plots": _listed_sizes(whole_plots),
        "variance_ratio": list(variance_ratio) if isinstance(variance_ratio, tuple) else variance_ratio,
        "potential": list(potential),
        "starts": starts,
        "max_seconds": max_seconds,
    }
    return Plan(
        given,
        table,
        wanted,
        labels_of(block, "B", table),
        labels_of(plot, "W", table),
        {
            "function": where,
            "arguments": arguments,
            "seed": int(seed),
            "version": version(),
            "rounds": found.rounds,
            "searches": {"ended": found.ended, "reached_the_best": found.hits},
            "value": float(f"{value:.12g}"),
            "certificate": certificate,
            "notes": notes,
        },
    )


def extend(
    plan: Plan,
    runs: int,
    model: str | Sequence[str] | Model | None = None,
    criterion: str = "I",
    weights: Callable[[pd.DataFrame], Any] | None = None,
    block: str | None = None,
    seed: int = 0,
) -> Plan:
    """The plan with the best next batches added; those made stay as they are.

    Parameters
    ----------
    plan : Plan
        What was made.
    runs : int
        Batches to add.
    model : optional
        As for `Study.model`; the plan's own if left out.
    criterion : {"I", "D", "A"}
        As for `optimal`, for all batches together.
    weights : callable, optional
        For I: given settings (DataFrame, natural units), how much each counts, 0 or above; the average variance is then weighted over the
        region, say toward where the specifications are met.
    block : str, optional
        Label of a new block that holds the new batches, with an effect of its own; needed where the plan has blocks.
    seed : int

    Returns
    -------
    Plan
        The old runs keep their numbers; the new ones follow. Blocks stay random, and the variance ratios what they were, where the plan was
        made so by `optimal`; the new batches come in whole plots of the plan's usual size.

    Raises
    ------
    StudyError
        If all batches together cannot estimate the model, or anything given cannot be used.
    """
    where = "extend"
    if not isinstance(plan, Plan):
        raise StudyError(f"{where}: plan", plan, "a Plan", "make one first, or take Plan.from_frame")
    study = plan.study
    _check_criterion(where, criterion)
    generator(where, seed)
    runs = whole_number(f"{where}: runs", runs, 1, MOST_RUNS, "give the number of batches to add")
    if model is None and plan.model is None:
        raise StudyError(
            f"{where}: model", None, "given, since the plan was made for none", 'say which, such as "quadratic"'
        )
    wanted = study.planned_model(model if model is not None else plan.model)  # type: ignore[arg-type]
    study, (full,) = set_only(study, wanted)
    if weights is not None and criterion != "I":
        raise StudyError(
            f"{where}: weights", f"given with criterion {criterion}", "given with criterion I", "leave one out"
        )
    check_whole_plots_given(where, plan)
    old = plan.runs.sort_index()
    labels = blocks_with_more(where, plan, runs, block)
    encoding = Encoding(study, full)
    held = encoding.settings(old)
    given = plan.provenance.get("arguments", {})
    ratio = given.get("variance_ratio", 1.0)
    eta_plot, eta_block = map(float, ratio if isinstance(ratio, list | tuple) else (ratio, ratio))
    random = labels is not None and given.get("block_effects", "fixed") == "random"
    plot_labels: list[str] | None = None
    if plan.whole_plot is not None:
        used = plan.whole_plot.loc[old.index].tolist()
        size = max(int(np.median(list(pd.Series(used).value_counts()))), 1)
        fresh = new_labels("W", used, -(-runs // size))
        plot_labels = [*used, *(fresh[i // size] for i in range(runs))]
    n = len(old) + runs
    codes = None if labels is None else codes_of(labels)
    plots = None if plot_labels is None else codes_of(plot_labels)
    hard = encoding.variables_of(study.hard_to_change) if plots is not None else ()
    structure = Strata(n, codes, plots, random, eta_plot, eta_block, hard)
    check_estimable(where, encoding, full, structure, n, 0, 0, held)
    moments = np.eye(full.p) if criterion == "A" else np.asarray(study.region.moments(full))
    if weights is not None:
        moments = _weighted_moments(where, study, full, weights, seed)
    problem, back = search_problem(where, encoding, structure, criterion, moments, np.zeros(full.p), 0, 0, None, held)
    found = _found(where, problem, criterion, "auto", None, None, seed, 1, False)
    Z, codes, plots = back(found)
    table, value, _ = _settled(
        where, encoding, structure, problem, criterion, moments, np.zeros(full.p), Z, codes, plots, old
    )
    notes: list[str] = []
    certificate = None
    if weights is None and bool(encoding.region.contains(held, 1e-7).all()):
        certificate = certificate_of(
            encoding,
            structure,
            criterion,
            moments,
            np.zeros(full.p),
            encoding.settings(table),
            codes,
            plots,
            seed,
            notes,
        )
    notes.insert(0, f"Runs 1 to {len(old)} were made before; {runs} added.")
    names = {"W": plot_labels, "B": labels}
    return Plan(
        plan.study,
        table,
        wanted,
        None if codes is None else pd.Series(names["B"], index=table.index),
        None if plots is None else pd.Series(names["W"], index=table.index),
        {
            "function": where,
            "arguments": {
                "plan": plan.fingerprint,
                "runs": runs,
                "model": [term_text(t) for t in full.parsed],
                "criterion": criterion,
                "weights": None if weights is None else getattr(weights, "__name__", "a function"),
                "block": block,
                "block_effects": "random" if random else "fixed",
                "variance_ratio": [eta_plot, eta_block],
            },
            "seed": int(seed),
            "version": version(),
            "rounds": found.rounds,
            "value": float(f"{value:.12g}"),
            "certificate": certificate,
            "made_before": len(old),
            "notes": notes,
        },
    )


def _check_criterion(where: str, criterion: object) -> None:
    if criterion not in CRITERIA:
        raise StudyError(
            f"{where}: criterion",
            criterion,
            "I (prediction), D (all coefficients jointly) or A (each coefficient)",
            "take I unless the coefficients are what matters",
        )


def with_potential(where: str, study: Study, model: Model, potential: Sequence[str]) -> tuple[Model, Model, Reals]:
    """Primary model, the two together, and the prior information of each column (DuMouchel & Jones 1994)."""
    if isinstance(potential, str) or not all(isinstance(t, str) for t in potential):
        raise StudyError(f"{where}: potential", potential, "a list of terms", 'write ["A:B", "A^2"]')
    if not potential:
        return model, model, np.zeros(model.p)
    may = study.model([*potential, "0"], hierarchy=False).parsed
    primary_terms = tuple(t for t in model.parsed if t not in may)
    if not primary_terms:
        raise StudyError(
            f"{where}: potential", list(potential), "fewer than all terms", "leave some terms to the model"
        )
    primary = Model(study, model.name, primary_terms, model.added)
    full = Model(study, model.name, (*primary_terms, *may), ())
    X = full.matrix(study.region.sample(1000, seed=0))
    P, Q = X[:, : primary.p], X[:, primary.p :]
    rest = Q - P @ np.linalg.lstsq(P, Q, rcond=None)[0]
    weight = np.zeros(full.p)
    weight[primary.p :] = np.ptp(rest, axis=0) ** 2
    if (weight[primary.p :] < 1e-12).any():
        term = full.terms[int(full.term_of[primary.p :][np.argmin(weight[primary.p :])])]
        raise StudyError(f"{where}: potential", term, "no combination of the model's terms", "leave it out")
    return primary, full, weight


def _listed_sizes(given: int | Sequence[int] | None) -> int | list[int] | None:
    return given if given is None or isinstance(given, int) else [int(x) for x in given]


def _found(
    where: str,
    problem: Problem,
    criterion: str,
    starts: int | str,
    max_seconds: float | None,
    rounds: int | None,
    seed: int,
    n_jobs: int,
    progress: bool | Callable[[int, float], None],
) -> Found:
    def say(number: int, value: float) -> None:
        sys.stderr.write(
            f"round {number}: {'log|M|' if criterion == 'D' else 'average variance'} {number_text(value, digits=8)}\n"
        )

    heard = say if progress is True else (progress if callable(progress) else None)
    try:
        return best_found(
            problem,
            criterion,
            None if isinstance(starts, str) else starts,
            max_seconds,
            rounds,
            int(seed),
            n_jobs,
            heard,
        )
    except ValueError as cause:
        raise StudyError(
            f"{where}: runs",
            problem.layout.n,
            "enough to estimate every term of the model, also between whole plots and between blocks",
            "add batches or whole plots, or take a smaller model",
        ) from cause


def _settled(
    where: str,
    encoding: Encoding,
    structure: Strata,
    problem: Problem,
    criterion: str,
    moments: Reals,
    weight: Reals,
    Z: Reals,
    block: Ints | None,
    plot: Ints | None,
    old: pd.DataFrame | None,
) -> tuple[pd.DataFrame, float, Ints]:
    """The plan on settable values, polished there, in standard order; its value and that order."""
    study, n = encoding.study, len(Z)
    kept = 0 if old is None else len(old)

    def settable(Z: Reals) -> pd.DataFrame:
        table, _ = settle(study, encoding.table(Z), where)
        if plot is not None:
            for w in set(plot.tolist()):
                members = np.flatnonzero(plot == w)
                for name in study.hard_to_change:
                    table.loc[table.index[members], name] = table[name].iloc[int(members[0])]
            again, moved = settle(study, table, where)
            if any(moved.values()) and any(moved.get(name, 0.0) > 0 for name in study.hard_to_change):
                raise StudyError(
                    f"{where}: hard-to-change factors",
                    ", ".join(study.hard_to_change),
                    "settable alike in all batches of a whole plot",
                    "give finer steps, or leave the step of one component out",
                )
            table = again
        if old is not None:
            table.iloc[:kept] = old[table.columns].to_numpy()
        return table

    def measure(table: pd.DataFrame) -> float:
        value = plan_value(encoding, structure, criterion, moments, weight, encoding.settings(table), block, plot)
        return value if criterion == "D" else -value

    table = settable(Z)
    best = measure(table)
    if encoding.stepped:
        tight, moves = encoding.lattice()
        contrasts = structure.contrasts
        wide = replace(
            problem.region,
            low=np.append(tight.low, -np.ones(contrasts)),
            high=np.append(tight.high, np.ones(contrasts)),
        )
        layout = replace(
            problem.layout,
            n=n,
            whole_plot=plot,
            block=block if structure.random_blocks else None,
            repeats=None,
            repeat_block=None,
        )
        start = encoding.settings(table)
        extra = contrast_columns(block) if contrasts else None
        given = start if extra is None else np.hstack([start, extra])
        ties = np.arange(n)
        seen: dict[tuple[Any, ...], int] = {}
        if problem.layout.repeats is not None or problem.layout.ties is not None:
            # what the plan repeats stays repeated
            for i in range(n):
                where_ = 0 if plot is None and block is None else int((plot if plot is not None else block)[i])  # type: ignore[index]
                ties[i] = seen.setdefault((where_, *np.round(start[i], 9)), i)
        frozen = np.zeros(n, dtype=bool)
        if problem.layout.frozen is not None:
            stays = {tuple(np.round(row[: Z.shape[1]], 6)) for row in problem.layout.given[problem.layout.frozen]}  # type: ignore[index]
            frozen = np.array([tuple(np.round(row, 6)) in stays for row in Z])
        frozen[:kept] = True
        if not frozen.all():
            layout = replace(layout, given=given, frozen=frozen, ties=None if (ties == np.arange(n)).all() else ties)
            polished = finish(
                replace(problem, region=wide, layout=layout, lattice=moves),
                criterion,
                given,
                np.ones(n, dtype=np.int64),
                0,
                0,
                0,
            )
            try:
                other = settable(polished.Z[:, : Z.shape[1]])
            except StudyError:
                other = table
            if measure(other) > best:
                table, best = other, measure(other)
    order = np.arange(n)
    if old is None:
        keys = [
            table[f.name].map(list(f.levels).index) if isinstance(f, Categorical) else table[f.name]
            for f in study.factors
        ]
        columns = [np.asarray(k, dtype=float) for k in keys][::-1]
        columns += [c for c in (plot, block) if c is not None]
        order = np.lexsort(columns)
    table = table.iloc[order].copy()
    table.index = pd.RangeIndex(1, n + 1, name="run")
    for f in study.factors:
        if not isinstance(f, Categorical):
            table[f.name] = clean(table[f.name].to_numpy(dtype=float))
    return table, best if criterion == "D" else -best, order


def _taken(codes: Ints | None, order: Ints) -> Ints | None:
    return None if codes is None else codes[order]


def _weighted_moments(
    where: str, study: Study, model: Model, weights: Callable[[pd.DataFrame], Any], seed: int
) -> Reals:
    """Averages of x x' over the region, each setting counted by its weight."""
    sample = study.region.sample(WEIGHED, seed=int(seed))
    given = np.asarray(weights(sample.copy()), dtype=float).ravel()
    if given.shape != (len(sample),) or not np.isfinite(given).all() or (given < 0).any() or given.sum() <= 0:
        raise StudyError(
            f"{where}: weights",
            getattr(weights, "__name__", "a function"),
            "a function that gives each setting of a table one number, 0 or above and not all 0",
            "try it on study.region.sample(5)",
        )
    X = model.matrix(sample)
    return (X.T * (given / given.sum())) @ X
