"""Which runs of a plan something is made for."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from doe.designs import Plan
from doe.study import StudyError


def wanted_runs(runs: object, plan: Plan) -> set[int]:
    """The runs asked for; all of the plan where none are named.

    Raises
    ------
    StudyError
        If one is no run of the plan, or the list is empty.
    """
    known = {int(run) for run in plan.runs.index}
    if runs is None:
        return known
    given: list[Any] = list(runs) if isinstance(runs, Iterable) and not isinstance(runs, str) else [runs]
    for run in given:
        if isinstance(run, bool) or not isinstance(run, int | np.integer) or run not in known:
            raise StudyError("runs", run, f"a run of the plan, 1 to {len(known)}", "give a list such as [13, 14]")
    if not given:
        raise StudyError("runs", [], "at least one run of the plan", "leave it out for all of them")
    return {int(run) for run in given}
