"""Classical augmentation of a two-level plan that was made: the fold-over, and the axial points that turn a factorial into a composite."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.designs.assembly import refuse_components, whole_number
from doe.designs.composite import MOST_CENTRE, axial_distance, axial_points, axial_rule, surface_factors
from doe.designs.plan import EXACT, Plan, version
from doe.designs.settable import check_lines, settle
from doe.designs.strata import blocks_with_more, check_whole_plots_given, codes_of, contrast_columns, new_labels
from doe.study import Categorical, Discrete, Model, Study, StudyError
from doe.study.errors import nearest
from doe.study.shown import number_text
from doe.study.terms import term_text


def fold_over(
    plan: Plan,
    on: str | Sequence[str] | None = None,
    block: str | None = None,
    model: str | Sequence[str] | Model | None = None,
) -> Plan:
    """A two-level plan with its mirror image added: low becomes high and high becomes low.

    Parameters
    ----------
    plan : Plan
        Every factor at its low or high (or one of two levels), centre runs apart: a fraction, a Plackett-Burman plan, one of your own.
    on : str or list of str, optional
        Factors to turn. Left out, all of them, which clears main effects of two-factor interactions; a single factor clears that one and
        its interactions.
    block : str, optional
        Label of a new block that holds the mirror image, made on another day; needed where the plan has blocks.
    model : optional
        As for `Study.model`; the plan's own if left out.

    Returns
    -------
    Plan
        The runs made keep their numbers; the mirror image follows in the same order, each whole plot as a new one. Centre runs are not
        repeated.

    Raises
    ------
    StudyError
        If a run is neither at two levels nor at the centre, the mirror image is the plan itself, a mirrored run breaks a constraint, or
        anything given cannot be used.

    References
    ----------
    Box, G. E. P. & Hunter, J. S. (1961). The 2^(k-p) fractional factorial designs. Technometrics 3, 311-351.
    """
    where = "fold_over"
    study, coded, corner = _two_levels(where, plan)
    turned = _turned(where, study, on)
    mirror = coded[corner].copy()
    for name in turned:
        f = study.factor(name)
        if isinstance(f, Categorical):
            mirror[name] = mirror[name].map({f.levels[0]: f.levels[1], f.levels[1]: f.levels[0]})
        else:
            mirror[name] = -np.sign(mirror[name].astype(float))
    as_tuples = [sorted(map(str, t.round(6).itertuples(index=False, name=None))) for t in (coded[corner], mirror)]
    if as_tuples[0] == as_tuples[1]:
        raise StudyError(
            f"{where}: on",
            "all factors" if on is None else on,
            "such that other runs are added",
            "name a factor of the defining relation, since this only repeats the plan",
        )
    plots = None
    if plan.whole_plot is not None:
        old = plan.whole_plot.sort_index()
        own = old[corner.to_numpy()]
        fresh = dict(zip(dict.fromkeys(own), new_labels("W", old.tolist(), own.nunique()), strict=True))
        plots = [fresh[label] for label in own]
    return _augmented(
        where,
        plan,
        study.natural(mirror),
        ["mirror image"] * len(mirror),
        plots,
        block,
        plan.model if model is None else study.planned_model(model),
        {"on": None if on is None else turned},
        [f"Turned: {', '.join(turned)}."],
        "leave out the runs that cannot be made and take doe.designs.extend instead",
    )


def add_axial(
    plan: Plan,
    axial: str | float = "rotatable",
    centre: int = 2,
    block: str | None = None,
    model: str | Sequence[str] | Model = "quadratic",
) -> Plan:
    """A two-level factorial with axial points added: a central composite plan, made in two steps.

    Parameters
    ----------
    plan : Plan
        Every numeric factor at its low or high, centre runs apart.
    axial : {"rotatable", "face", "spherical", "orthogonal"} or float
        Distance of the axial points in coded units, as for `central_composite`, for the corners and centre runs that were made.
    centre : int
        Centre runs made with the axial points.
    block : str, optional
        Label of a new block that holds the new runs; needed where the plan has blocks.
    model : str, list of str or Model
        What the whole is to fit.

    Returns
    -------
    Plan
        The runs made keep their numbers; the axial points follow, low then high of each factor, then the centre runs. Where there are
        categorical or two-level factors, at every combination of their levels. Whole plots: one for each new setting of the hard-to-change
        factors, centre runs apart.

    Raises
    ------
    StudyError
        If a run is neither at two levels nor at the centre, an axial point crosses a limit, a constraint or the levels that exist, or all
        runs together cannot estimate the model.

    References
    ----------
    Box, G. E. P. & Wilson, K. B. (1951). On the experimental attainment of optimum conditions. J. R. Stat. Soc. B 13, 1-45.
    """
    where = "add_axial"
    study, coded, corner = _two_levels(where, plan)
    surface = surface_factors(where, study)
    rule = axial_rule(where, axial)
    count = whole_number(f"{where}: centre", centre, 0, MOST_CENTRE, "give how many centre runs to make")
    k = len(surface)
    varied = [f.name for f in surface]
    others = [f for f in study.factors if f.name not in varied]
    choices = [list(f.levels) if isinstance(f, Categorical) else [-1.0, 1.0] for f in others]
    copies = int(np.prod([len(c) for c in choices], dtype=int))
    cubes, made = int(corner.sum()) / copies, len(coded) / copies  # of one combination, on average
    parts = None if block is None else ((cubes, made - cubes), (2 * k, count))
    distance = axial_distance(rule, k, cubes, made + 2 * k + count, parts)
    points = np.vstack([axial_points(k) * distance, np.zeros((count, k))])
    rows: list[dict[str, Any]] = []
    kinds: list[str] = []
    for part, kind in ((points[: 2 * k], "axial"), (points[2 * k :], "centre")):
        for levels in product(*choices):
            beside = {f.name: level for f, level in zip(others, levels, strict=True)}
            rows += [{**dict(zip(varied, map(float, x), strict=True)), **beside} for x in part]
            kinds += [kind] * len(part)
    table = study.natural(pd.DataFrame(rows)[study.names])
    plots = None
    if plan.whole_plot is not None:
        keys = [
            (*row, kind == "centre")
            for row, kind in zip(table[study.hard_to_change].to_numpy().tolist(), kinds, strict=True)
        ]
        distinct = list(dict.fromkeys(keys))
        fresh = dict(zip(distinct, new_labels("W", plan.whole_plot.tolist(), len(distinct)), strict=True))
        plots = [fresh[key] for key in keys]
    return _augmented(
        where,
        plan,
        table,
        kinds,
        plots,
        block,
        study.planned_model(model),
        {"axial": rule, "centre": count},
        [f"Axial points at ±{number_text(distance)} (coded)."],
        'give axial="face", or a smaller distance' if distance > 1 else "take doe.designs.extend instead",
        needed=True,
    )


def _two_levels(where: str, plan: object) -> tuple[Study, pd.DataFrame, pd.Series[bool]]:
    """The study, the coded runs in run order, and which of them are at two levels; refused where one is neither that nor a centre run."""
    if not isinstance(plan, Plan):
        raise StudyError(f"{where}: plan", plan, "a Plan", "make one first, or take Plan.from_frame")
    study = plan.study
    refuse_components(where, study)
    check_whole_plots_given(where, plan)
    coded = plan.coded.sort_index()
    corner, between = pd.Series(True, index=coded.index), pd.Series(True, index=coded.index)
    for f in study.factors:
        if isinstance(f, Categorical):
            if len(f.levels) > 2 and where == "fold_over":
                raise StudyError(
                    f"{where}: factor {f.name!r}",
                    f"categorical with {len(f.levels)} levels",
                    "of two levels",
                    "a fold-over turns low into high: take doe.designs.extend instead",
                )
            continue
        x = coded[f.name].astype(float)
        middle = 0.0
        if isinstance(f, Discrete):
            levels = np.array([(v - f.low) / (f.high - f.low) * 2 - 1 for v in f.levels])
            middle = float(np.abs(levels).min())
        else:
            # the middle of a range as the bench can set it
            middle = 0.0 if f.step is None else 1.01 * f.step / (f.high - f.low)
        at_end = (x.abs() - 1).abs() <= EXACT
        strange = ~at_end & (x.abs() > middle + EXACT)
        if strange.any():
            run = int(strange.index[int(strange.to_numpy().argmax())])
            raise StudyError(
                f"{where}: run {run}, {f.name!r}",
                float(x[run] * (f.high - f.low) / 2 + (f.high + f.low) / 2),
                f"{number_text(f.low)}, {number_text(f.high)} or the middle between them",
                "take doe.designs.extend, which adds to any plan",
            )
        corner &= at_end
        if not isinstance(f, Discrete) or len(f.levels) > 2:
            between &= ~at_end
    partly = ~corner & ~between
    if partly.any():
        raise StudyError(
            f"{where}: run {int(partly.index[int(partly.to_numpy().argmax())])}",
            "at an end of some ranges and in the middle of others",
            "at two levels throughout, or at the centre",
            "take doe.designs.extend, which adds to any plan",
        )
    if not corner.any():
        raise StudyError(f"{where}: plan", "of centre runs alone", "a two-level plan", "make the factorial first")
    return study, coded, corner


def _turned(where: str, study: Study, on: str | Sequence[str] | None) -> list[str]:
    if on is None:
        return list(study.names)
    names = [on] if isinstance(on, str) else list(on) if isinstance(on, Sequence) else [on]
    for name in names:
        if name not in study.names:
            raise StudyError(f"{where}: on", name, "the name of a factor", nearest(str(name), study.names))
    if not names or len(set(names)) < len(names):
        raise StudyError(f"{where}: on", names, "one factor or more, each once", "name the factors to turn")
    return names


def _augmented(
    where: str,
    plan: Plan,
    table: pd.DataFrame,
    kinds: list[str],
    plots: list[str] | None,
    block: str | None,
    model: Model | None,
    arguments: dict[str, Any],
    notes: list[str],
    mend: str,
    needed: bool = False,
) -> Plan:
    """The plan with these runs below it, settable, inside limits and constraints."""
    study, old, more = plan.study, plan.runs.sort_index(), len(table)
    labels = blocks_with_more(where, plan, more, block)
    index = pd.RangeIndex(1, len(old) + more + 1, name="run")
    exact = table.set_axis(index[len(old) :])
    check_lines(study, exact, where, mend)
    settled, moved = settle(study, exact, where, mend)
    runs = pd.concat([old, settled[old.columns]]).set_axis(index)
    if model is not None and needed:
        X = model.matrix(runs)
        extra = None if labels is None else contrast_columns(codes_of(labels))
        X = X if extra is None else np.hstack([X, extra])
        missing = _not_estimable(model, X)
        if missing:
            raise StudyError(
                f"{where}: model",
                model.name,
                f"one that all runs together can estimate, and they cannot tell {', '.join(missing)} apart",
                "fold the plan over first, or name the terms to fit in model=",
            )
    if moved:
        notes = [*notes, f"The added runs are rounded to what the bench can set ({', '.join(moved)})."]
    before = dict(plan.provenance.get("kinds", {})) or {"made before": len(old)}
    for kind in kinds:
        before[kind] = before.get(kind, 0) + 1
    own = plan.provenance.get("arguments", {})
    return replace(
        plan,
        runs=runs,
        model=model,
        block=None if labels is None else pd.Series(labels, index=index),
        whole_plot=None
        if plots is None or plan.whole_plot is None
        else pd.Series([*plan.whole_plot.sort_index(), *plots], index=index),
        provenance={
            "function": where,
            "arguments": {
                "plan": plan.fingerprint,
                **arguments,
                "block": block,
                "model": None if model is None else [term_text(t) for t in model.parsed],
                **{name: own[name] for name in ("block_effects", "variance_ratio") if name in own},
            },
            "seed": None,
            "version": version(),
            "kinds": before,
            "made_before": len(old),
            "notes": [f"Runs 1 to {len(old)} were made before; {more} added.", *notes],
        },
    )


def _not_estimable(model: Model, X: NDArray[np.float64]) -> list[str]:
    """Terms whose coefficients the runs cannot tell from others."""
    _, values, rows = np.linalg.svd(X, full_matrices=True)
    rank = int((values > 1e-9 * values[0]).sum())
    null = rows[rank:, : model.p]
    return [t for i, t in enumerate(model.terms) if (np.abs(null[:, model.term_of == i]) > 1e-6).any()]
