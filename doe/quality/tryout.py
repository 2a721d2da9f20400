"""Try-out batches: two to four made before a plan, for the noise and for the corners that may not work."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from doe.designs.plan import Plan, version
from doe.designs.settable import constraint_excess, run_text, settle
from doe.study import Categorical, Study, StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number
from doe.study.terms import quoted

BLOCK = "try-out"
TRIAL = "trial"


def try_outs(
    study: Study, thicker: Mapping[str, float] | None = None, corners: bool = True, at: Mapping[str, str] | None = None
) -> Plan:
    """Two to four batches to make before the plan.

    One setting near the middle made twice, anew from weighing on, for a first idea of the noise; with `corners` also the two corners most
    likely to fail, so that a plan is not built on batches that cannot be made.

    Parameters
    ----------
    study : Study
    thicker : mapping factor -> number, optional
        What makes the product thicker, and how strongly: 1 for a factor that thickens from low to high, −1 for one that thins. The corners are
        then the thinnest and the thickest; if left out, the two corners farthest apart.
    corners : bool
        False leaves the middle alone: two batches.
    at : mapping factor -> level, optional
        Level of each categorical factor; the first if left out.

    Returns
    -------
    Plan
        Runs 1 and 2 are the middle; 3 and 4 the thin and the thick corner. One block, "try-out".

    Raises
    ------
    StudyError
        If a name or level is not the study's, or a weight is 0.
    """
    if not isinstance(study, Study):
        raise StudyError("try_outs: study", study, "a doe.Study", "describe factors and responses in one first")
    free = [f for f in study.factors if not isinstance(f, Categorical)]
    weights = _weights(study, thicker)
    levels = _levels_at(study, at)
    region = study.region

    def of(table: pd.DataFrame) -> pd.DataFrame:
        keep = (
            np.all([table[name] == level for name, level in levels.items()], axis=0)
            if levels
            else np.ones(len(table), dtype=bool)
        )
        return table[keep].reset_index(drop=True)

    vertices = of(region.vertices())
    middle = of(region.centroids(region.dimension)).iloc[[0]] if free else vertices.iloc[[0]]
    rows = [middle, middle]
    notes = ["Runs 1 and 2 are one setting: make each anew from weighing on, not as two readings of one batch."]
    if corners and len(vertices) > 1:
        U = _units(study, vertices)
        if weights is None:
            pair = divmod(int(((U[:, None] - U[None]) ** 2).sum(axis=2).argmax()), len(U))
            ends = [vertices.iloc[[at]] for at in sorted(pair)]
            words = "Runs 3 and 4 are the two corners farthest apart"
        else:
            score = U @ weights
            ends = [
                _mean_of(study, vertices[np.abs(score - s) <= 1e-9 * np.abs(weights).sum()])
                for s in (score.min(), score.max())
            ]
            words = "Run 3 is the thinnest corner and run 4 the thickest, what does not thicken in the middle"
        rows += ends
        notes.append(f"{words}: if one cannot be made, shut it out and say why.")
    table = pd.concat(rows, ignore_index=True)
    table.index = pd.RangeIndex(1, len(table) + 1, name="run")
    table, _ = settle(study, table, "try_outs")
    arguments: dict[str, Any] = {"corners": corners}
    if thicker is not None:
        arguments["thicker"] = dict(thicker)
    if at is not None:
        arguments["at"] = dict(at)
    labels = [f"{BLOCK} {r}" for r in table.index]
    return Plan(
        study,
        table,
        None,
        pd.Series(BLOCK, index=table.index),
        pd.Series(labels, index=table.index) if study.hard_to_change else None,
        {"function": "try_outs", "arguments": arguments, "seed": None, "version": version(), "notes": notes},
    )


def shut_out(tried: Plan, run: int, reason: str, share: float = 0.5) -> Study:
    """The study without a corner that failed.

    Parameters
    ----------
    tried : Plan
        As `try_outs` gives it; run 1 is the middle.
    run : int
        The corner that could not be made.
    reason : str
        What went wrong; kept in the study's notes beside the constraint.
    share : float
        How much of the way from the corner to the middle is cut off, above 0 and below 1.

    Returns
    -------
    Study
        With one linear constraint more, across the way from the corner to the middle. It holds for every categorical level alike.

    Raises
    ------
    StudyError
        If the run is no corner of the plan, the reason is empty, or the share is not inside (0, 1).
    """
    study = tried.study
    if run not in tried.runs.index or run == 1:
        others = ", ".join(str(r) for r in tried.runs.index if r != 1)
        raise StudyError("shut_out: run", run, f"one of the runs {others}", "give the number of the corner that failed")
    if not isinstance(reason, str) or not reason.strip():
        raise StudyError(
            "shut_out: reason",
            reason,
            "a text of at least one letter",
            "say what went wrong, so that nobody tries again",
        )
    part = as_number("shut_out: share", share)
    if not 0 < part < 1:
        raise StudyError(
            "shut_out: share", part, "inside (0, 1)", "0.5 cuts half-way between the corner and the middle"
        )
    corner, middle = (tried.runs.iloc[int(np.flatnonzero(tried.runs.index == r)[0])] for r in (run, 1))
    free = [f for f in study.factors if not isinstance(f, Categorical)]
    spans = np.array([f.high - f.low for f in free])
    ends = np.array([[row[f.name] for f in free] for row in (corner, middle)], dtype=float)
    away = (ends[0] - ends[1]) / spans
    if not away.any():
        raise StudyError("shut_out: run", run, "a corner away from the middle", "only a corner can be cut off")
    weights = away / spans
    # few digits, so that the constraint can be read; the bound is worked from the rounded weights
    weights = np.array([float(f"{w:.3g}") for w in weights / np.abs(weights).max()])
    bound = float(f"{weights @ (ends[0] + part * (ends[1] - ends[0])):.6g}")
    words = " + ".join(
        (quoted(f.name) if w == 1 else f"{w:g}*{quoted(f.name)}") for f, w in zip(free, weights, strict=True) if w
    ).replace("+ -", "- ")
    constraint = f"{words} <= {bound:g}"
    note = f"Left out after a try-out at {run_text(study, corner)}: {reason.strip()} Constraint: {constraint}"
    return Study(
        study.name,
        study.factors,
        study.responses,
        (*study.constraints, constraint),
        study.mixture_total,
        study.balance,
        f"{study.notes}\n{note}".strip(),
    )


def with_try_outs(plan: Plan, tried: Plan, failed: Iterable[int] = ()) -> Plan:
    """The plan with its try-outs as a block of their own, so that their readings are not lost.

    Parameters
    ----------
    plan : Plan
        Its runs keep their numbers.
    tried : Plan
        The try-outs, which are numbered on from there.
    failed : sequence of int
        Try-outs that gave no reading: left out.

    Returns
    -------
    Plan
        Its blocks are the plan's own, or "trial", and "try-out".

    Raises
    ------
    StudyError
        If the two are of different factors, a run is not among the try-outs, or no try-out is left inside the plan's constraints.
    """
    if tuple(f.name for f in plan.study.factors) != tuple(f.name for f in tried.study.factors):
        raise StudyError(
            "try-outs",
            ", ".join(tried.study.names),
            "of the plan's factors",
            f"give those of {', '.join(plan.study.names)}",
        )
    gone = set(failed)
    for run in gone:
        if run not in tried.runs.index:
            raise StudyError(
                "failed",
                run,
                "run numbers of the try-outs",
                f"choose among {', '.join(str(r) for r in tried.runs.index)}",
            )
    keep = tried.runs.drop(index=list(gone))
    outside = (
        np.any([excess > 0 for _, excess in constraint_excess(plan.study, keep)], axis=0)
        if plan.study.constraints
        else np.zeros(len(keep), dtype=bool)
    )
    keep = keep[~outside]
    if keep.empty:
        raise StudyError(
            "try-outs", "none left", "at least one inside the plan's constraints", "leave them out of the plan"
        )
    n = len(plan.runs)
    numbers = list(range(n + 1, n + len(keep) + 1))
    runs = pd.concat([plan.runs, keep.set_axis(numbers, axis=0)])
    blocks = plan.block if plan.block is not None else pd.Series(TRIAL, index=plan.runs.index)
    whole = None
    if plan.whole_plot is not None:
        own = (
            tried.whole_plot
            if tried.whole_plot is not None
            else pd.Series([f"{BLOCK} {r}" for r in tried.runs.index], index=tried.runs.index)
        )
        whole = pd.concat([plan.whole_plot, own.loc[keep.index].set_axis(numbers)])
    note = (
        f"Runs {numbers[0]} to {numbers[-1]} are try-outs, a block of their own."
        if len(numbers) > 1
        else f"Run {numbers[0]} is a try-out, a block of its own."
    )
    provenance = {**plan.provenance, "notes": [*plan.provenance.get("notes", []), note]}
    return Plan(plan.study, runs, plan.model, pd.concat([blocks, pd.Series(BLOCK, index=numbers)]), whole, provenance)


def _mean_of(study: Study, corners: pd.DataFrame) -> pd.DataFrame:
    """One row: the middle of some corners, which lies on their common face."""
    row = corners.iloc[[0]].reset_index(drop=True)
    for f in study.factors:
        if not isinstance(f, Categorical):
            row[f.name] = float(corners[f.name].mean())
    return row


def _units(study: Study, table: pd.DataFrame) -> Any:
    free = [f for f in study.factors if not isinstance(f, Categorical)]
    return np.column_stack([(table[f.name].to_numpy(dtype=float) - f.low) / (f.high - f.low) for f in free])


def _weights(study: Study, thicker: Mapping[str, float] | None) -> Any:
    if thicker is None:
        return None
    free = {f.name: i for i, f in enumerate(f for f in study.factors if not isinstance(f, Categorical))}
    out = np.zeros(len(free))
    for name, weight in thicker.items():
        if name not in free:
            raise StudyError("thicker", name, "a numeric factor or component of the study", nearest(str(name), free))
        value = as_number(f"thicker: {name!r}", weight)
        if value == 0:
            raise StudyError(f"thicker: {name!r}", 0, "other than 0", "leave out what neither thickens nor thins")
        out[free[name]] = value
    return out if len(thicker) else None


def _levels_at(study: Study, at: Mapping[str, str] | None) -> dict[str, str]:
    out = {f.name: f.levels[0] for f in study.categorical}
    for name, level in (at or {}).items():
        if name not in out:
            raise StudyError("at", name, "a categorical factor of the study", nearest(str(name), out))
        levels = next(f.levels for f in study.categorical if f.name == name)
        if level not in levels:
            raise StudyError(f"at: {name!r}", level, "one of " + ", ".join(levels), nearest(str(level), levels))
        out[name] = level
    return out
