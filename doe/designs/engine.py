"""Optimal plans: the fewest batches on the region that the bench allows, extensions of plans, and how near each is to the best possible."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.designs.assembly import check_study, middle_settings, whole_number
from doe.designs.encoding import Encoding
from doe.designs.plan import Plan, generator, version
from doe.designs.search.chains import Found, finish, search
from doe.designs.search.continuous import PROVED, continuous_design
from doe.designs.search.problem import Layout, Problem
from doe.designs.settable import clean, settle
from doe.study import Categorical, Model, Study, StudyError
from doe.study.shown import number_text
from doe.study.terms import term_text

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]

CRITERIA = ("I", "D", "A")
LARGEST_GROUP = 12  # batches of one whole plot or block for which the bound is worked out
WEIGHED = 4096  # settings over which a weighted average is taken


@dataclass(frozen=True)
class _Structure:
    """Who shares what: labels of blocks and whole plots for every run, and the variance ratios."""

    n: int
    block: Ints | None
    whole_plot: Ints | None
    random_blocks: bool
    eta_whole: float
    eta_block: float
    hard: tuple[int, ...]

    @property
    def contrasts(self) -> int:
        """Fixed-block columns."""
        return 0 if self.block is None or self.random_blocks else int(self.block.max())

    def layout(self, extra: Reals | None, base: Reals, **more: Any) -> Layout:
        """The engine's layout; `extra` are the block contrasts beside the settings `base`."""
        given = base if extra is None else np.hstack([base, extra])
        return Layout(
            self.n,
            self.whole_plot,
            self.block if self.random_blocks else None,
            self.eta_whole if self.whole_plot is not None else 0.0,
            self.eta_block if self.random_blocks else 0.0,
            self.hard,
            given,
            **more,
        )


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
    Jones & Goos (2007), Applied Statistics 56, 347-364 (split plots); Piepel, Cooley & Jones (2005) (mixtures).
    """
    where = "optimal"
    check_study(where, study)
    _check_criterion(where, criterion)
    generator(where, seed)
    runs = whole_number(f"{where}: runs", runs, 1, mend="give the number of batches")
    repeated_runs = whole_number(f"{where}: repeated_runs", repeated_runs, 0, max(runs - 1, 0))
    centre = whole_number(f"{where}: centre", centre, 0, runs)
    n_jobs = whole_number(f"{where}: n_jobs", n_jobs, 1, mend="give the number of threads")
    if rounds is not None:
        rounds = whole_number(f"{where}: rounds", rounds, 1, mend="take it from a plan's provenance")
    if starts != "auto":
        starts = whole_number(f"{where}: starts", starts, 1, mend='give a count, or "auto"')
    if max_seconds is not None and not (isinstance(max_seconds, int | float) and max_seconds > 0):
        raise StudyError(f"{where}: max_seconds", max_seconds, "a number above 0", "give seconds, or leave it out")
    if block_effects not in ("fixed", "random"):
        raise StudyError(f"{where}: block_effects", block_effects, "fixed or random", "say which")
    primary, full, weight = _potential(where, study, study.model(model), potential)
    encoding = Encoding(study, full)
    structure = _structure(where, study, encoding, runs, blocks, block_effects, whole_plots, variance_ratio)
    _check_estimable(where, encoding, primary, structure, runs, repeated_runs, centre)
    moments = np.eye(full.p) if criterion == "A" else np.asarray(study.region.moments(full))
    problem, back = _problem(
        where, encoding, structure, criterion, moments, weight, centre=centre, repeated=repeated_runs, fixed=None, held=None
    )
    found = _found(where, problem, criterion, starts, max_seconds, rounds, seed, n_jobs, progress)
    Z, block, plot = back(found)
    table, value, order = _settled(where, encoding, structure, problem, criterion, moments, weight, Z, block, plot, None)
    Z, block, plot = encoding.settings(table), _taken(block, order), _taken(plot, order)
    notes: list[str] = []
    certificate = _certificate(encoding, structure, criterion, moments, weight, Z, block, plot, seed, notes)
    if whole_plots is None and structure.whole_plot is not None:
        notes.append(f"{int(structure.whole_plot.max()) + 1} whole plots were taken: what the model needs and three more.")
    arguments: dict[str, Any] = {
        "model": [term_text(t) for t in study.model(model).parsed],
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
        study,
        table,
        primary,
        _labels(block, "B", table),
        _labels(plot, "W", table),
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
        Label of a new block that holds the new batches, with an effect of its own.
    seed : int

    Returns
    -------
    Plan
        The old runs keep their numbers; the new ones follow.

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
    runs = whole_number(f"{where}: runs", runs, 1, mend="give the number of batches to add")
    if model is None and plan.model is None:
        raise StudyError(f"{where}: model", None, "given, since the plan was made for none", 'say which, such as "quadratic"')
    full = study.model(model if model is not None else plan.model)  # type: ignore[arg-type]
    if weights is not None and criterion != "I":
        raise StudyError(f"{where}: weights", f"given with criterion {criterion}", "given with criterion I", "leave one out")
    old = plan.runs.sort_index()
    labels = None if plan.block is None else plan.block.loc[old.index].astype(str).tolist()
    if block is not None:
        if not isinstance(block, str) or not block.strip():
            raise StudyError(f"{where}: block", block, "a text", "give the new block's label")
        if labels is not None and block in labels:
            raise StudyError(f"{where}: block", block, "a label that the plan has not used", "give another label")
        labels = [*(labels or ["1"] * len(old)), *[block] * runs]
    elif labels is not None:
        raise StudyError(f"{where}: block", None, "given, since the plan has blocks", "give the new block's label")
    encoding = Encoding(study, full)
    held = encoding.settings(old)
    plot_labels: list[str] | None = None
    eta = 0.0
    if plan.whole_plot is not None:
        plot_labels = plan.whole_plot.loc[old.index].astype(str).tolist()
        given = plan.provenance.get("arguments", {}).get("variance_ratio", 1.0)
        eta = float(given[0] if isinstance(given, list) else given)
        size = int(np.median(list(pd.Series(plot_labels).value_counts())))
        fresh = [f"N{1 + i // max(size, 1)}" for i in range(runs)]
        plot_labels = [*plot_labels, *fresh]
    n = len(old) + runs
    codes = None if labels is None else _codes(labels)
    plots = None if plot_labels is None else _codes(plot_labels)
    hard = encoding.variables_of(study.hard_to_change) if plots is not None else ()
    structure = _Structure(n, codes, plots, False, eta, 0.0, hard)
    _check_estimable(where, encoding, full, structure, n, 0, 0, held)
    moments = np.eye(full.p) if criterion == "A" else np.asarray(study.region.moments(full))
    if weights is not None:
        moments = _weighted_moments(where, study, full, weights, seed)
    problem, back = _problem(where, encoding, structure, criterion, moments, np.zeros(full.p), 0, 0, None, held)
    found = _found(where, problem, criterion, "auto", None, None, seed, 1, False)
    Z, codes, plots = back(found)
    table, value, _ = _settled(
        where, encoding, structure, problem, criterion, moments, np.zeros(full.p), Z, codes, plots, old
    )
    notes: list[str] = []
    certificate = None
    if weights is None and bool(encoding.region.contains(held, 1e-7).all()):
        certificate = _certificate(
            encoding, structure, criterion, moments, np.zeros(full.p), encoding.settings(table), codes, plots, seed, notes
        )
    notes.insert(0, f"Runs 1 to {len(old)} were made before; {runs} added.")
    names = {"W": plot_labels, "B": labels}
    return Plan(
        study,
        table,
        full,
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
                "variance_ratio": eta if plots is not None else 1.0,
            },
            "seed": int(seed),
            "version": version(),
            "rounds": found.rounds,
            "value": float(f"{value:.12g}"),
            "certificate": certificate,
            "notes": notes,
        },
    )


# ---- what is given


def _check_criterion(where: str, criterion: object) -> None:
    if criterion not in CRITERIA:
        raise StudyError(
            f"{where}: criterion",
            criterion,
            "I (prediction), D (all coefficients jointly) or A (each coefficient)",
            "take I unless the coefficients are what matters",
        )


def _potential(where: str, study: Study, model: Model, potential: Sequence[str]) -> tuple[Model, Model, Reals]:
    """Primary model, the two together, and the prior information of each column (DuMouchel & Jones 1994)."""
    if isinstance(potential, str) or not all(isinstance(t, str) for t in potential):
        raise StudyError(f"{where}: potential", potential, "a list of terms", 'write ["A:B", "A^2"]')
    if not potential:
        return model, model, np.zeros(model.p)
    may = study.model([*potential, "0"], hierarchy=False).parsed
    primary_terms = tuple(t for t in model.parsed if t not in may)
    if not primary_terms:
        raise StudyError(f"{where}: potential", list(potential), "fewer than all terms", "leave some terms to the model")
    primary = Model(study, model.name, primary_terms, model.added)
    full = Model(study, model.name, (*primary_terms, *may), ())
    X = full.matrix(study.region.sample(1000, seed=0))
    P, Q = X[:, : primary.p], X[:, primary.p :]
    rest = Q - P @ np.linalg.lstsq(P, Q, rcond=None)[0]
    weight = np.zeros(full.p)
    weight[primary.p :] = np.ptp(rest, axis=0) ** 2
    if (weight[primary.p :] < 1e-12).any():
        term = full.terms[int(full.term_of[primary.p :][np.argmin(weight[primary.p :])])]
        raise StudyError(
            f"{where}: potential", term, "no combination of the model's terms", "leave it out"
        )
    return primary, full, weight


def _listed_sizes(given: int | Sequence[int] | None) -> int | list[int] | None:
    return given if given is None or isinstance(given, int) else [int(x) for x in given]


def _sizes(where: str, word: str, given: int | Sequence[int], runs: int) -> list[int]:
    if isinstance(given, int | np.integer) and not isinstance(given, bool):
        count = whole_number(where, given, 1, runs, f"give the number of {word}, or their sizes")
        return [runs // count + (k < runs % count) for k in range(count)]
    if isinstance(given, str) or not isinstance(given, Sequence):
        raise StudyError(where, given, f"a whole number or a list of sizes", f"give the number of {word}")
    sizes = [whole_number(f"{where}: size", x, 1, mend="give a count of batches") for x in given]
    if sum(sizes) != runs:
        raise StudyError(where, sizes, f"sizes that add up to the {runs} runs", f"they add up to {sum(sizes)}")
    return sizes


def _structure(
    where: str,
    study: Study,
    encoding: Encoding,
    runs: int,
    blocks: int | Sequence[int] | None,
    block_effects: str,
    whole_plots: int | Sequence[int] | None,
    variance_ratio: float | tuple[float, float],
) -> _Structure:
    ratios = variance_ratio if isinstance(variance_ratio, tuple) else (variance_ratio, variance_ratio)
    for ratio in ratios:
        if isinstance(ratio, bool) or not isinstance(ratio, int | float) or not 0 <= ratio < 1e6 or len(ratios) != 2:
            raise StudyError(
                f"{where}: variance_ratio",
                variance_ratio,
                "0 or above: one number, or (whole plots, blocks)",
                "1 says that whole plots differ as much as batches within them",
            )
    hard = list(study.hard_to_change)
    plot = None
    if whole_plots is None and hard:
        needed = _whole_plot_columns(encoding, hard)
        whole_plots = int(min(needed + 3, max(runs // 2, needed)))
        whole_plots = min(whole_plots, runs)
    if whole_plots is not None:
        if not hard:
            raise StudyError(
                f"{where}: whole_plots", whole_plots, "left out where no factor is hard to change", "mark the factor hard_to_change=True"
            )
        sizes = _sizes(f"{where}: whole_plots", "whole plots", whole_plots, runs)
        plot = np.repeat(np.arange(len(sizes)), sizes)
    block = None
    if blocks is not None:
        if plot is None:
            sizes = _sizes(f"{where}: blocks", "blocks", blocks, runs)
            block = np.repeat(np.arange(len(sizes)), sizes)
        else:
            block = _blocks_of_plots(where, blocks, plot)
    return _Structure(
        runs,
        block,
        plot,
        block is not None and block_effects == "random",
        float(ratios[0]),
        float(ratios[1]),
        encoding.variables_of(hard) if plot is not None else (),
    )


def _blocks_of_plots(where: str, blocks: int | Sequence[int], plot: Ints) -> Ints:
    """Blocks that hold whole plots: as even as may be, or of the sizes given."""
    sizes = np.bincount(plot)
    if isinstance(blocks, int | np.integer) and not isinstance(blocks, bool):
        count = whole_number(f"{where}: blocks", blocks, 1, len(sizes), "a block holds whole plots: give no more blocks than those")
        share = [len(sizes) // count + (k < len(sizes) % count) for k in range(count)]
        return np.repeat(np.repeat(np.arange(count), share), sizes)
    wanted = _sizes(f"{where}: blocks", "blocks", blocks, len(plot))
    ends = np.cumsum(sizes).tolist()
    if not set(np.cumsum(wanted).tolist()) <= set(ends):
        raise StudyError(
            f"{where}: blocks", wanted, f"sizes that hold whole plots of {', '.join(map(str, sizes))}", "change the one or the other"
        )
    return np.repeat(np.arange(len(wanted)), wanted)


def _whole_plot_columns(encoding: Encoding, hard: list[str]) -> int:
    """Terms that only differ between whole plots: the constant and those of hard-to-change factors alone, as a rank."""
    X = encoding.model.matrix_of(encoding._sampled)
    easy = [v for v, name in enumerate(encoding.owner) if name not in hard]
    alone = X[:, encoding.exponents[:, easy].sum(axis=1) == 0]
    joined = np.column_stack([alone, np.ones(len(X))]) if encoding.model.has_constant else alone
    return int(np.linalg.matrix_rank(joined)) if joined.shape[1] else 0


def _check_estimable(
    where: str,
    encoding: Encoding,
    primary: Model,
    structure: _Structure,
    runs: int,
    repeated: int,
    centre: int,
    held: Reals | None = None,
) -> None:
    """Refuse what no setting of the runs could estimate, with the reason."""
    study, model = encoding.study, encoding.model
    region = study.region
    if region.dimension == 0 and not study.categorical:
        raise StudyError(f"{where}: region", "a single point", "one with room to vary", "widen a range or relax a constraint")
    X = primary.matrix_of(encoding._sampled)
    if held is not None:
        X = np.vstack([X, Problem(model.exponents, encoding.region, Layout(1)).rows(held) @ encoding.link])
    rank = int(np.linalg.matrix_rank(X / np.abs(X).max(axis=0)))
    if rank < primary.p:
        _, _, rows = np.linalg.svd(X / np.abs(X).max(axis=0))
        involved = sorted({primary.term_of[c] for c in np.flatnonzero(np.abs(rows[-1]) > 1e-6)})
        raise StudyError(
            f"{where}: model",
            ", ".join(primary.terms[i] for i in involved[:6]),
            "terms that the region can tell apart",
            "the constraints tie them together everywhere: leave one of them out or widen the region",
        )
    contrasts = structure.contrasts
    least = primary.p + contrasts + repeated + max(centre - 1, 0)
    if runs < least:
        parts = [f"{primary.p} coefficients"]
        if contrasts:
            parts.append(f"{contrasts} block contrasts")
        if repeated:
            parts.append(f"{repeated} repeated runs")
        if centre > 1:
            parts.append(f"{centre - 1} repeats of the centre")
        raise StudyError(
            f"{where}: runs",
            runs,
            f"at least {least} ({', '.join(parts)})",
            "add batches, take a smaller model, or name in potential= the terms that only may matter",
        )
    if structure.whole_plot is not None:
        plots = int(structure.whole_plot.max()) + 1
        columns = _whole_plot_columns(Encoding(study, primary), list(study.hard_to_change))
        if plots < columns + contrasts:
            easy = [v for v, name in enumerate(encoding.owner) if name not in study.hard_to_change]
            terms = [
                t
                for i, t in enumerate(primary.terms)
                if not primary.exponents[primary.term_of == i][:, easy].any()
            ]
            raise StudyError(
                f"{where}: whole_plots",
                plots,
                f"at least {columns + contrasts}, since {', '.join(terms)} only differ between whole plots",
                "give more whole plots, or leave one of these terms out",
            )


# ---- the problem and its answer


def _contrast_columns(codes: Ints | None) -> Reals | None:
    if codes is None:
        return None
    count = int(codes.max()) + 1
    return np.vstack([np.eye(count - 1), -np.ones((1, count - 1))])[codes]


def _widened(exponents: Ints, contrasts: int) -> Ints:
    """Exponents with a column for each fixed-block contrast."""
    p, m = exponents.shape
    wide = np.zeros((p + contrasts, m + contrasts), dtype=np.int64)
    wide[:p, :m] = exponents
    wide[p:, m:] = np.eye(contrasts, dtype=np.int64)
    return wide


def _padded(B: Reals, contrasts: int) -> Reals:
    out = np.zeros((len(B) + contrasts, len(B) + contrasts))
    out[: len(B), : len(B)] = B
    return out


def _problem(
    where: str,
    encoding: Encoding,
    structure: _Structure,
    criterion: str,
    moments: Reals,
    weight: Reals,
    centre: int,
    repeated: int,
    fixed: Ints | None,
    held: Reals | None,
) -> tuple[Problem, Callable[[Found], tuple[Reals, Ints | None, Ints | None]]]:
    """The search problem, and how its answer becomes settings, block codes and whole-plot codes of all runs."""
    region, n, m = encoding.region, structure.n, encoding.region.m
    contrasts = structure.contrasts
    kept = 0 if held is None else len(held)
    base = np.zeros((n, m))
    frozen = np.zeros(n, dtype=bool)
    if held is not None:
        base[:kept], frozen[:kept] = held, True
    ties = np.arange(n)
    chosen = np.arange(n)
    repeats = None
    repeat_block = None
    if centre:
        _place_centre(where, encoding, structure, centre, base, frozen)
    free = np.flatnonzero(~frozen)
    if repeated >= len(free) and repeated:
        raise StudyError(f"{where}: repeated_runs", repeated, f"less than the {len(free)} runs that are free", "repeat fewer")
    if repeated:
        group = structure.whole_plot if structure.whole_plot is not None else structure.block
        dropped = _spread(where, free, np.zeros(n, dtype=np.int64) if group is None else group, repeated)
        if structure.whole_plot is None and not structure.random_blocks:
            # independent runs: fewer rows, some made several times; the search passes repeats on within their block
            chosen = np.array([i for i in range(n) if i not in dropped])
            repeats = np.ones(len(chosen), dtype=np.int64)
            repeat_block = np.full(len(chosen), -1)
            own = np.zeros(n, dtype=np.int64) if structure.block is None else structure.block
            for at, i in enumerate(chosen):
                repeat_block[at] = -1 if frozen[i] else own[i]
            for i in dropped:
                places = [at for at, j in enumerate(chosen) if not frozen[j] and own[j] == own[i]]
                repeats[min(places, key=lambda at: repeats[at])] += 1
        else:
            assert group is not None
            for i in dropped:
                roots = [j for j in free if group[j] == group[i] and j not in dropped]
                counts = [int((ties == j).sum()) for j in roots]
                ties[i] = roots[int(np.argmin(counts))]
    extra = _contrast_columns(structure.block) if contrasts else None
    part = replace(
        structure,
        n=len(chosen),
        block=None if structure.block is None else structure.block[chosen],
        whole_plot=None if structure.whole_plot is None else structure.whole_plot[chosen],
    )
    layout = part.layout(
        None if extra is None else extra[chosen],
        base[chosen],
        frozen=frozen[chosen],
        ties=None if (ties == np.arange(n)).all() else ties,
        repeats=repeats,
        repeat_block=repeat_block,
    )
    wide = replace(
        region,
        low=np.append(region.low, -np.ones(contrasts)),
        high=np.append(region.high, np.ones(contrasts)),
        A=np.hstack([region.A, np.zeros((len(region.A), contrasts))]),
        E=np.hstack([region.E, np.zeros((len(region.E), contrasts))]),
        given=tuple(range(m, m + contrasts)),
    )
    B = encoding.inward(moments)
    prior = None
    if weight.any():
        prior = _padded(encoding.inward(np.diag(weight)), contrasts)
    problem = Problem(_widened(encoding.exponents, contrasts), wide, layout, _padded(B, contrasts), prior)

    def back(found: Found) -> tuple[Reals, Ints | None, Ints | None]:
        times = np.repeat(np.arange(len(chosen)), found.repeats)
        return (
            found.Z[times][:, :m],
            None if part.block is None else part.block[times],
            None if part.whole_plot is None else part.whole_plot[times],
        )

    return problem, back


def _spread(where: str, free: Ints, group: Ints, repeated: int) -> list[int]:
    """Runs that become repeats: in turn from each group, last runs first, never the first of a group."""
    queues = {g: [int(i) for i in free if group[i] == g] for g in sorted(set(group[free].tolist()))}
    dropped: list[int] = []
    while len(dropped) < repeated:
        largest = max(queues, key=lambda g: len(queues[g]))
        if len(queues[largest]) < 2:
            raise StudyError(
                f"{where}: repeated_runs",
                repeated,
                f"at most {len(dropped)}, since every block or whole plot keeps one setting of its own",
                "repeat fewer runs",
            )
        dropped.append(queues[largest].pop())
    return dropped


def _place_centre(
    where: str, encoding: Encoding, structure: _Structure, centre: int, base: Reals, frozen: NDArray[np.bool_]
) -> None:
    """Fix centre runs: spread over the blocks; where settings are shared, in whole plots of their own."""
    study = encoding.study
    if study.components:
        middle = encoding.region._middle(list(encoding.region.continuous), np.zeros(encoding.region.m))
        if middle is None or study.categorical or any(True for _ in encoding.region.levels):
            raise StudyError(
                f"{where}: centre", centre, "0 where components stand beside levels", "repeat runs by repeated_runs= instead"
            )
        points = middle[None, :]
    else:
        rows = middle_settings(study)
        points = encoding.settings(study.natural(pd.DataFrame(rows)))
    inside = encoding.region.contains(points, 1e-7)
    if not inside.any():
        raise StudyError(
            f"{where}: centre", centre, "0 where the middle of the ranges breaks a constraint", "repeat runs by repeated_runs= instead"
        )
    points = points[inside]
    group = structure.whole_plot if structure.whole_plot is not None else structure.block
    order: list[int] = []
    if group is None:
        order = list(range(structure.n - centre, structure.n))
    elif structure.whole_plot is not None:
        order = list(range(structure.n))[::-1]
    else:
        queues = {g: [int(i) for i in np.flatnonzero(group == g)][::-1] for g in sorted(set(group.tolist()))}
        while len(order) < centre:
            order += [q.pop(0) for q in queues.values() if q]
    for k, i in enumerate(order[:centre]):
        base[i], frozen[i] = points[k % len(points)], True
    if structure.whole_plot is not None:
        # batches beside a centre run share its hard-to-change settings
        for w in {int(structure.whole_plot[i]) for i in order[:centre]}:
            members = np.flatnonzero(structure.whole_plot == w)
            source = next(i for i in members if frozen[i])
            for i in members:
                base[i, list(structure.hard)] = base[source, list(structure.hard)]
                if not frozen[i]:
                    base[i], frozen[i] = base[source], True


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
        sys.stderr.write(f"round {number}: {'log|M|' if criterion == 'D' else 'average variance'} {number_text(value, digits=8)}\n")

    heard = say if progress is True else (progress if callable(progress) else None)
    try:
        return search(
            problem, criterion, None if isinstance(starts, str) else starts, max_seconds, rounds, int(seed), n_jobs, heard
        )
    except ValueError as cause:
        raise StudyError(
            f"{where}: runs",
            problem.layout.n,
            "enough to estimate every term of the model, also between whole plots and between blocks",
            "add batches or whole plots, or take a smaller model",
        ) from cause


def _value(
    encoding: Encoding,
    structure: _Structure,
    criterion: str,
    moments: Reals,
    weight: Reals,
    Z: Reals,
    block: Ints | None,
    plot: Ints | None,
) -> float:
    """log|M| for D, trace(M^-1 B) else, in the model's own coding, of all runs; −inf or inf where singular."""
    M = _model_information(encoding, structure, weight, Z, block, plot)
    sign, log = np.linalg.slogdet(M)
    if criterion == "D":
        # with fixed blocks the determinant is that of model and blocks together; their part is the same for all plans
        return float(log) + encoding.log_link if sign > 0 else -np.inf
    return float(np.trace(np.linalg.solve(M, encoding.inward(moments)))) if sign > 0 else np.inf


def _model_information(
    encoding: Encoding, structure: _Structure, weight: Reals, Z: Reals, block: Ints | None, plot: Ints | None
) -> Reals:
    """Information on the model's coefficients, fixed blocks taken out, in the coding here."""
    whole = replace(structure, n=len(Z), block=block, whole_plot=plot)
    X = Problem(encoding.exponents, encoding.region, Layout(len(Z))).rows(Z)
    V = whole.layout(None, Z).inverse_covariance()
    M = X.T @ V @ X
    extra = _contrast_columns(block) if structure.contrasts else None
    if extra is not None:
        cross = extra.T @ V @ X
        M = M - cross.T @ np.linalg.solve(extra.T @ V @ extra, cross)
    if weight.any():
        M = M + encoding.inward(np.diag(weight))
    return (M + M.T) / 2


def _settled(
    where: str,
    encoding: Encoding,
    structure: _Structure,
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
                    column = table.columns.get_loc(name)
                    table.iloc[members, column] = [table.iloc[int(members[0]), column]] * len(members)
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
        value = _value(encoding, structure, criterion, moments, weight, encoding.settings(table), block, plot)
        return value if criterion == "D" else -value

    table = settable(Z)
    best = measure(table)
    if encoding.stepped:
        tight, moves = encoding.lattice()
        contrasts = structure.contrasts
        wide = replace(problem.region, low=np.append(tight.low, -np.ones(contrasts)), high=np.append(tight.high, np.ones(contrasts)))
        layout = replace(
            problem.layout, n=n, whole_plot=plot, block=block if structure.random_blocks else None, repeats=None, repeat_block=None
        )
        start = encoding.settings(table)
        extra = _contrast_columns(block) if contrasts else None
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
            polished = finish(replace(problem, region=wide, layout=layout, lattice=moves), criterion, given, np.ones(n, dtype=np.int64), 0, 0, 0)
            try:
                other = settable(polished.Z[:, : Z.shape[1]])
            except StudyError:
                other = table
            if measure(other) > best:
                table, best = other, measure(other)
    order = np.arange(n)
    if old is None:
        keys = [table[f.name].map(list(f.levels).index) if isinstance(f, Categorical) else table[f.name] for f in study.factors]
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


def _labels(codes: Ints | None, letter: str, table: pd.DataFrame) -> pd.Series[Any] | None:
    return None if codes is None else pd.Series([f"{letter}{c + 1}" for c in codes], index=table.index)


def _codes(labels: list[str]) -> Ints:
    order = {label: k for k, label in enumerate(dict.fromkeys(labels))}
    return np.array([order[label] for label in labels], dtype=np.int64)


def _weighted_moments(where: str, study: Study, model: Model, weights: Callable[[pd.DataFrame], Any], seed: int) -> Reals:
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


# ---- the certificate


def _certificate(
    encoding: Encoding,
    structure: _Structure,
    criterion: str,
    moments: Reals,
    weight: Reals,
    Z: Reals,
    block: Ints | None,
    plot: Ints | None,
    seed: int,
    notes: list[str],
) -> dict[str, Any] | None:
    """How much better any plan could be, batch for batch; its sentence is added to `notes`."""
    if weight.any():
        notes.append("No bound is given: what the potential terms add depends on the number of batches.")
        return None
    n, p = len(Z), encoding.model.p
    B = encoding.inward(moments)
    covariance: list[tuple[Layout, Reals]] = []
    relative = "all plans under this model"
    grouped = structure.block if structure.random_blocks else structure.whole_plot
    ratio = structure.eta_block if structure.random_blocks else structure.eta_whole
    if grouped is not None and (ratio > 0 or structure.hard):
        codes = block if structure.random_blocks else plot
        assert codes is not None
        largest = int(np.bincount(codes).max())
        if largest > LARGEST_GROUP:
            notes.append(f"No bound is given: {largest} batches hang together, and it is worked out for up to {LARGEST_GROUP}.")
            return None
        kinds: dict[tuple[int, ...], list[Reals]] = {}
        for g in sorted(set(codes.tolist())):
            members = np.flatnonzero(codes == g)
            inner = () if plot is None or not structure.random_blocks else tuple(np.unique(plot[members], return_inverse=True)[1])
            kinds.setdefault((len(members), *inner), []).append(Z[members])
        for (size, *inner_), members_ in kinds.items():
            whole = np.array(inner_, dtype=np.int64) if inner_ else (np.zeros(size, dtype=np.int64) if plot is not None else None)
            own = Layout(
                size,
                whole,
                np.zeros(size, dtype=np.int64) if structure.random_blocks else None,
                structure.eta_whole if plot is not None else 0.0,
                structure.eta_block if structure.random_blocks else 0.0,
                structure.hard,
            )
            covariance.append((own, np.array(members_)))
        word = "blocks" if structure.random_blocks else "whole plots"
        relative = f"all plans of {word} of the same sizes under this model and these variance ratios"
    elif structure.random_blocks or structure.whole_plot is not None:
        relative = "all plans under this model, at a variance ratio of 0"
    if structure.contrasts:
        relative += ", without the blocks' effects"
    bound = continuous_design(encoding.exponents, encoding.region, criterion, B, Z, covariance, int(seed))
    M = _model_information(encoding, structure, weight, Z, block, plot)
    value = float(np.linalg.slogdet(M)[1]) if criterion == "D" else float(np.trace(np.linalg.solve(M, B)))
    percent = min(bound.efficiency(value, n, p), 100.0)
    more = 100.0 * (100.0 / percent - 1.0)
    sure = f"proved by {bound.reason}" if bound.kind == PROVED else f"{bound.kind}, by {bound.reason}"
    text = (
        f"{criterion}-efficiency at least {percent:.1f} % of the best possible ({sure}): batch for batch, no plan of any size "
        f"under this model and noise ratio is more than {more:.1f} % better."
    )
    if relative != "all plans under this model":
        text += f" Relative to {relative}."
    notes.append(text)
    return {
        "criterion": criterion,
        "bound": float(f"{percent:.8g}"),
        "kind": bound.kind,
        "reason": bound.reason,
        "relative_to": relative,
        "text": text,
    }
