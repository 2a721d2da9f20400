"""From coded settings to a finished Plan: natural units, what the bench can set, whole plots, provenance. Checks that every plan shares."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.designs.plan import Plan, version
from doe.designs.settable import EXACT, check_lines, settle
from doe.study import Categorical, Component, Continuous, Discrete, Study, StudyError
from doe.study.shown import number_text

MOST_RUNS = 10_000
CONSTRAINED = (
    "narrow the ranges, or take doe.designs.optimal, extreme_vertices or latin_hypercube, which keep to constraints"
)


def whole_number(where: str, value: object, least: int, most: int | None = None, mend: str = "") -> int:
    """A count as a plain int, or the sentence that says why not."""
    if (
        isinstance(value, bool)
        or not isinstance(value, int | np.integer)
        or value < least
        or (most is not None and value > most)
    ):
        span = f"from {least}" if most is None else f"from {least} to {most}"
        raise StudyError(where, value, f"a whole number {span}", mend or "give a count")
    return int(value)


def check_study(function: str, study: object) -> Study:
    """The study itself, or the sentence that says why not."""
    if not isinstance(study, Study):
        raise StudyError(f"{function}: study", study, "a doe.Study", "describe factors and responses in one first")
    return study


def refuse_components(function: str, study: Study) -> None:
    """Refuse mixture components, which cannot be set independently of each other."""
    check_study(function, study)
    if study.components:
        raise StudyError(
            f"{function}: factor {study.components[0].name!r}",
            "a component",
            "a factor that can be set independently of the others",
            "take optimal, simplex_lattice, simplex_centroid or extreme_vertices for components",
        )


def check_two_level(function: str, study: Study) -> None:
    """Refuse a factor that has no two levels to stand for low and high."""
    refuse_components(function, study)
    for f in study.categorical:
        if len(f.levels) > 2:
            raise StudyError(
                f"{function}: factor {f.name!r}",
                f"categorical with {len(f.levels)} levels",
                "of two levels",
                "keep two of its levels, or take full_factorial",
            )


def two_level_columns(study: Study, signs: NDArray[np.float64]) -> dict[str, Any]:
    """Signs (n, k) as coded settings; +1 is the first level of a categorical factor, as in the model's contrasts."""
    columns: dict[str, Any] = {}
    for f, column in zip(study.factors, signs.T, strict=True):
        columns[f.name] = np.where(column > 0, f.levels[0], f.levels[-1]) if isinstance(f, Categorical) else column
    return columns


def middle_settings(study: Study) -> list[dict[str, Any]]:
    """Coded settings of the centre: continuous factors at 0, discrete ones at the level next to it, at every combination of the rest.

    Where two levels of a discrete factor are equally near the middle, and for every level of a categorical one, there is a centre each.
    """
    options: list[list[Any]] = []
    for f in study.factors:
        if isinstance(f, Categorical):
            options.append(list(f.levels))
        elif isinstance(f, Discrete):
            coded = (np.array(f.levels) - (f.low + f.high) / 2.0) / ((f.high - f.low) / 2.0)
            options.append([float(c) for c in coded if abs(c) <= np.abs(coded).min() + EXACT])
        else:
            options.append([0.0])
    return [dict(zip(study.names, combination, strict=True)) for combination in product(*options)]


def centre_runs(function: str, study: Study, centre: object) -> list[dict[str, Any]]:
    """`centre` copies of each centre setting; refused where no factor has a middle."""
    count = whole_number(f"{function}: centre", centre, 0, MOST_RUNS, "give how many centre runs to make")
    if count and not any(
        isinstance(f, Continuous) or (isinstance(f, Discrete) and len(f.levels) > 2) for f in study.factors
    ):
        raise StudyError(
            f"{function}: centre", count, "0 where no factor has a setting between its two levels", "use replicates"
        )
    return [setting for _ in range(count) for setting in middle_settings(study)]


def add_settings(columns: Mapping[str, Any], settings: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The columns with further settings below them."""
    return {name: [*values, *(s[name] for s in settings)] for name, values in columns.items()}


def finished(
    function: str,
    study: Study,
    coded: Mapping[str, Any],
    *,
    arguments: Mapping[str, Any],
    kinds: Sequence[str],
    model: str | Sequence[str] | None,
    block: Sequence[str] | None = None,
    replicate: Sequence[int] | None = None,
    notes: Sequence[str] = (),
    mend: str = CONSTRAINED,
) -> Plan:
    """The Plan of coded settings: numeric factors coded, components as shares, categorical factors as labels; else as `from_settings`."""
    table = study.natural(pd.DataFrame({name: coded[name] for name in study.names}))
    return from_settings(
        function,
        study,
        table,
        arguments=arguments,
        kinds=kinds,
        model=model,
        block=block,
        replicate=replicate,
        notes=notes,
        mend=mend,
    )


def from_settings(
    function: str,
    study: Study,
    table: pd.DataFrame,
    *,
    arguments: Mapping[str, Any],
    kinds: Sequence[str],
    model: str | Sequence[str] | None,
    block: Sequence[str] | None = None,
    replicate: Sequence[int] | None = None,
    seed: int | None = None,
    notes: Sequence[str] = (),
    mend: str = CONSTRAINED,
) -> Plan:
    """The Plan of settings in natural units.

    Parameters
    ----------
    function : str
        The public function's name, for errors and provenance.
    study : Study
        What is studied.
    table : DataFrame
        One row a run, exact; what the bench cannot set is rounded here.
    arguments : mapping
        What the function was given, for the provenance.
    kinds : sequence of str
        What each run is for ("corner", "centre", "axial" …); the heading counts them.
    model : str, sequence of str or None
        What the plan is meant to fit.
    block : sequence of str, optional
        Block of each run.
    replicate : sequence of int, optional
        Which copy of the plan each run is in: whole plots do not reach across copies.
    seed : int, optional
        Seed of a plan made at random.
    notes : sequence of str
        Lines to stand under the run table.
    mend : str
        How to mend a run that crosses a limit or a constraint.
    """
    n = len(kinds)
    index = pd.RangeIndex(1, n + 1, name="run")
    exact = table.set_axis(index)
    check_lines(study, exact, function, mend)
    runs, moved = settle(study, exact, function, mend)
    said = list(notes)
    if moved:
        said.append(
            "Rounded to what the bench can set: "
            + ", ".join(_rounding(study.factor(name), by) for name, by in moved.items())
            + "."
        )
    whole_plot = None
    if study.hard_to_change:
        whole_plot, note = _whole_plots(study, runs, kinds, block, replicate)
        said += [note] if note else []
    fitted = None if model is None else study.planned_model(model)
    if moved and fitted is not None and np.linalg.matrix_rank(fitted.matrix(runs)) < fitted.p:
        steps = [
            f"{f.name} {number_text(f.step)} {f.unit}".rstrip()
            for f in study.factors
            if isinstance(f, Continuous | Component) and f.step is not None
        ]
        raise StudyError(
            f"{function}: steps",
            ", ".join(steps) or "none",
            f"fine enough to tell the {fitted.p} coefficients of the {fitted.name} model apart",
            "give finer steps or wider ranges",
        )
    counts = {kind: list(kinds).count(kind) for kind in dict.fromkeys(kinds)}
    provenance = {
        "function": function,
        "arguments": dict(arguments),
        "seed": seed,
        "version": version(),
        "kinds": counts,
        "rounded": moved,
        "notes": said,
    }
    return Plan(
        study, runs, fitted, None if block is None else pd.Series(list(block), index=index), whole_plot, provenance
    )


def _rounding(factor: Any, by: float) -> str:
    to = (
        "its levels"
        if isinstance(factor, Discrete)
        else "the total"
        if factor.step is None
        else f"steps of {number_text(factor.step)}"
    )
    return f"{factor.name} (to {to}, by up to {number_text(by, digits=2)} {factor.unit}".rstrip() + ")"


def _whole_plots(
    study: Study, runs: pd.DataFrame, kinds: Sequence[str], block: Sequence[str] | None, replicate: Sequence[int] | None
) -> tuple[pd.Series[Any], str]:
    """One whole plot for each setting of the hard-to-change factors in each block and copy; centre runs in whole plots of their own."""
    hard = study.hard_to_change
    settings = list(runs[hard].itertuples(index=False, name=None))
    keys = [
        (
            setting,
            block[i] if block is not None else "",
            replicate[i] if replicate is not None else 0,
            kinds[i] == "centre",
        )
        for i, setting in enumerate(settings)
    ]
    number = {key: f"W{i}" for i, key in enumerate(dict.fromkeys(keys), start=1)}
    note = ""
    if len(number) == len(set(settings)):
        names = " and ".join(hard)
        note = (
            f"Each setting of {names} has one whole plot only: what {names} does cannot be told from how whole plots differ anyway "
            "unless some of its effects are left out of the model; copies of the plan (replicates) would tell them apart."
        )
    return pd.Series([number[key] for key in keys], index=runs.index), note
