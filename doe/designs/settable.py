"""What the bench can set: rounding to steps and levels, and the lines that no run may cross."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.study import Categorical, Component, Continuous, Discrete, Study, StudyError
from doe.study.constraints import parse_constraint
from doe.study.shown import number_text

EXACT = 1e-9  # relative: settings closer than this are the same setting
_MOST_TRIED = 4096  # roundings of one run that are compared before it is given up


def clean(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Twelve significant digits: what arithmetic adds beyond them (0.30000000000000004) is no setting."""
    return np.array([float(f"{v:.12g}") for v in np.asarray(values, dtype=float).ravel()])


def constraint_excess(study: Study, table: pd.DataFrame) -> list[tuple[str, NDArray[np.float64]]]:
    """Each comparison's text, with how far every row breaks it, relative to the size of its terms (0 where it holds)."""
    names = [f.name for f in study.factors if not isinstance(f, Categorical)]
    out = []
    for text in study.constraints:
        for line in parse_constraint(text, names):
            terms = np.column_stack([c * table[name].to_numpy(dtype=float) for name, c in line.coefficients])
            gap = terms.sum(axis=1) - line.bound
            size = np.abs(terms).sum(axis=1) + abs(line.bound)
            broken = {"<=": gap, ">=": -gap, "==": np.abs(gap)}[line.sense] / np.where(size > 0, size, 1.0)
            out.append((line.part.strip(), np.where(broken > EXACT, broken, 0.0)))
    return out


def run_text(study: Study, row: pd.Series[Any]) -> str:
    """One run's settings in words: "polymer 0.6 %, speed 900 rpm"."""
    words = []
    for f in study.factors:
        value = row[f.name]
        words.append(
            f"{f.name} {value if isinstance(value, str) else number_text(float(value))} {getattr(f, 'unit', '')}".strip()
        )
    return ", ".join(words)


def check_lines(study: Study, table: pd.DataFrame, where: str, mend: str) -> None:
    """Refuse the first run that crosses a factor's limits or breaks a constraint.

    Raises
    ------
    StudyError
        It names the run, the line, and how many other runs cross it too.
    """
    for f in study.factors:
        if not isinstance(f, Continuous):
            continue
        values = table[f.name].to_numpy(dtype=float)
        slack = EXACT * (f.high - f.low)
        for bound, word, crossed in (
            (f.limits[0], "at least", values < (f.limits[0] if f.limits[0] is not None else -np.inf) - slack),
            (f.limits[1], "at most", values > (f.limits[1] if f.limits[1] is not None else np.inf) + slack),
        ):
            if crossed.any() and bound is not None:
                run = int(np.flatnonzero(crossed)[0])
                raise StudyError(
                    f"{where}: {f.name} of run {table.index[run]}",
                    float(number_text(values[run], digits=6)),
                    f"{word} {number_text(bound)} {f.unit}".rstrip() + ", its limit",
                    mend,
                )
    for text, excess in constraint_excess(study, table):
        if excess.any():
            bad = np.flatnonzero(excess)
            more = f" (and {len(bad) - 1} more)" if len(bad) > 1 else ""
            raise StudyError(
                f"{where}: run {table.index[bad[0]]}{more}",
                run_text(study, table.iloc[bad[0]]),
                f"inside the constraint {text}",
                mend,
            )


def outside_ranges(study: Study, table: pd.DataFrame) -> list[int]:
    """Run numbers with a setting below a factor's low, above its high, or at none of its levels."""
    outside = np.zeros(len(table), dtype=bool)
    for f in study.factors:
        if isinstance(f, Categorical):
            continue
        values = table[f.name].to_numpy(dtype=float)
        slack = EXACT * (f.high - f.low)
        outside |= (values < f.low - slack) | (values > f.high + slack)
        if isinstance(f, Discrete):
            outside |= np.abs(values[:, None] - np.array(f.levels)).min(axis=1) > slack
    return [int(i) for i in table.index[outside]]


def nearest_settable(factor: Continuous | Discrete | Component, target: float) -> list[float]:
    """Settings next to `target` that can be set, nearest first.

    Multiples of the step, counted from zero, and the ends of the range themselves; a discrete factor's levels. A target inside the range
    stays inside it, one beyond stays inside the limits; a discrete factor has none for a target beyond its levels.
    """
    options: list[float]
    if isinstance(factor, Discrete):
        beyond = max(factor.low - target, target - factor.high) > EXACT * (factor.high - factor.low)
        options = [] if beyond else list(factor.levels)
    elif factor.step is None:
        return [float(f"{target:.12g}")]
    else:
        below = np.floor(target / factor.step + EXACT)
        options = [*(clean(np.array([below, below + 1]) * factor.step)), factor.low, factor.high]
    span = factor.high - factor.low
    least, most = factor.low, factor.high
    if not factor.low - EXACT * span <= target <= factor.high + EXACT * span and isinstance(factor, Continuous):
        least = -np.inf if factor.limits[0] is None else factor.limits[0]
        most = np.inf if factor.limits[1] is None else factor.limits[1]
    inside = {float(v) for v in options if least - EXACT * span <= v <= most + EXACT * span}
    return sorted(inside, key=lambda v: (abs(v - target), v))


def settle(
    study: Study, table: pd.DataFrame, where: str, mend: str = "widen its levels"
) -> tuple[pd.DataFrame, dict[str, float]]:
    """The runs as the bench can set them, as near as may be to the runs asked for.

    Parameters
    ----------
    study : Study
        Whose steps, levels, mixture total and constraints hold.
    table : DataFrame
        Runs in natural units, exact, inside limits and constraints.
    where, mend : str
        The plan's function, and how to mend a setting beyond a discrete factor's levels, for errors.

    Returns
    -------
    settled : DataFrame
        Components still add up to the total, constraints still hold.
    moved : dict
        Largest change of each factor that was rounded, in its unit.

    Raises
    ------
    StudyError
        If no rounding of a run keeps it inside the constraints and on the mixture total, or a discrete factor has no level that far out.
    """
    out = table.copy()
    numeric = [f for f in study.factors if not isinstance(f, Categorical)]
    stepped = [f for f in numeric if isinstance(f, Discrete) or f.step is not None]
    for f in numeric:
        values = out[f.name].to_numpy(dtype=float)
        if f not in stepped:
            out[f.name] = clean(values)
            continue
        options = [nearest_settable(f, v) for v in values]
        if [] in options:
            run = options.index([])
            raise StudyError(
                f"{where}: {f.name} of run {table.index[run]}",
                float(number_text(values[run], digits=6)),
                f"from {number_text(f.low)} to {number_text(f.high)} {f.unit}".rstrip() + ", as its levels are",
                mend,
            )
        out[f.name] = [o[0] for o in options]
    loose = [c.name for c in study.components if c not in stepped]
    if loose:
        _make_up(study, out, loose)
    if stepped:
        bad = _broken(study, out)
        for run in np.flatnonzero(bad).tolist():
            out.iloc[run] = _searched(study, table.iloc[run], stepped, loose, f"{where}: run {table.index[run]}")
    moved = {}
    for f in numeric:
        change = np.abs(out[f.name].to_numpy(dtype=float) - table[f.name].to_numpy(dtype=float)).max()
        if change > EXACT * (f.high - f.low):
            moved[f.name] = float(f"{change:.6g}")
    return out, moved


def _make_up(study: Study, table: pd.DataFrame, loose: Sequence[str]) -> None:
    """Give what rounding took from the mixture total back to the balance component, or evenly to those without a step."""
    takers = [study.balance] if study.balance in loose else list(loose)
    total = study.mixture_total or 100.0
    left = total - table[[c.name for c in study.components]].sum(axis=1)
    left = left.where(
        left.abs() > EXACT * total, 0.0
    )  # what arithmetic left is no rounding, and would make zeros almost zero
    for name in takers:
        table[name] = clean((table[name] + left / len(takers)).to_numpy())


def _broken(study: Study, table: pd.DataFrame) -> NDArray[np.bool_]:
    """Rows off the mixture total, with a component out of its range, or against a constraint."""
    bad = np.zeros(len(table), dtype=bool)
    for _, excess in constraint_excess(study, table):
        bad |= excess > 0
    if study.components:
        total = study.mixture_total or 100.0
        bad |= (table[[c.name for c in study.components]].sum(axis=1) - total).abs().to_numpy() > EXACT * total
        for c in study.components:
            slack = EXACT * (c.high - c.low)
            values = table[c.name].to_numpy(dtype=float)
            bad |= (values < c.low - slack) | (values > c.high + slack)
    return bad


def _searched(
    study: Study, target: pd.Series[Any], stepped: Sequence[Any], loose: Sequence[str], where: str
) -> pd.Series[Any]:
    """The nearest settable run inside the constraints, over the neighbouring settings of all stepped factors."""
    options = [nearest_settable(f, float(target[f.name])) for f in stepped]
    keep = next(n for n in (3, 2, 1) if n == 1 or n ** len(options) <= _MOST_TRIED)
    rows = list(product(*(o[:keep] for o in options)))
    tried = pd.DataFrame([target] * len(rows), index=range(len(rows))).infer_objects()
    for f, values in zip(stepped, zip(*rows, strict=True), strict=True):
        tried[f.name] = np.array(values, dtype=float)
    if loose:
        _make_up(study, tried, loose)
    good = ~_broken(study, tried)
    if not good.any():
        raise StudyError(
            where,
            run_text(study, target),
            "near a setting that keeps to the steps, the constraints and the mixture total",
            "give finer steps, or leave the step of one component out",
        )
    distance = np.zeros(len(tried))
    for f in study.factors:
        if not isinstance(f, Categorical):
            distance += ((tried[f.name].to_numpy(dtype=float) - float(target[f.name])) / (f.high - f.low)) ** 2
    return tried.iloc[int(np.argmin(np.where(good, distance, np.inf)))]
