"""Settings at which batches were really made, where they are not the planned ones."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from doe.bench.problems import Problems, cell_text
from doe.designs import Plan
from doe.study import Categorical
from doe.study.trial import TOTAL_TOLERANCE


def as_made_table(
    plan: Plan, as_made: Mapping[int, Mapping[str, float | str]], problems: Problems
) -> pd.DataFrame | None:
    """The plan's settings with those that were recorded as made in their place; None where none was recorded.

    Where the study has a balance component whose own amount was not recorded, it takes up what the others leave. A run whose components
    then miss their total keeps its planned settings, and is listed.
    """
    study = plan.study
    given = {run: dict(settings) for run, settings in as_made.items() if settings}
    components = [c.name for c in study.components]
    total = study.mixture_total or 100.0
    for run, settings in list(given.items()):
        if not any(name in settings for name in components):
            continue
        amounts = {n: float(settings.get(n, plan.runs.at[run, n])) for n in components}  # type: ignore[arg-type]
        if study.balance is not None and study.balance not in settings:
            amounts[study.balance] = total - sum(v for n, v in amounts.items() if n != study.balance)
            settings[study.balance] = amounts[study.balance]
        found = sum(amounts.values())
        if abs(found - total) > TOTAL_TOLERANCE * total or min(amounts.values()) < 0:
            what = f"run {run} as made: " + " + ".join(f"{n} {cell_text(v)}" for n, v in amounts.items())
            unit = study.components[0].unit
            allowed = f"components of at least 0 that add up to {total:g} {unit}".rstrip()
            problems.add("", what, allowed, "the planned settings are kept; write every component as made")
            del given[run]
    if not given:
        return None
    table = plan.runs.sort_index().copy()
    for factor in study.factors:
        if not isinstance(factor, Categorical):
            table[factor.name] = table[factor.name].astype(float)
        for run, settings in given.items():
            if factor.name in settings:
                table.loc[run, factor.name] = settings[factor.name]
    return table
