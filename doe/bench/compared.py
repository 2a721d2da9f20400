"""What is new, changed or gone between two readings of the same sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.bench.dates import date_text
from doe.bench.intake import readings_in
from doe.bench.numerals import reading_text
from doe.bench.problems import cell_text
from doe.study import StudyError

if TYPE_CHECKING:
    from doe.bench.records import Records

CHANGES = ("change", "run", "batch", "what", "replicate", "time", "condition", "old", "new")
READING = ("run", "batch", "replicate", "time", "condition", "response")  # what makes a reading the same reading


def changes_between(earlier: Records, later: Records) -> pd.DataFrame:
    """One row a difference; see `Records.changes`."""
    same_plan(earlier, later, "changes: earlier")
    old, new = _said(earlier), _said(later)
    rows = []
    for key in dict.fromkeys([*new, *old]):
        before, after = old.get(key), new.get(key)
        if before != after:
            change = "added" if before is None else "gone" if after is None else "changed"
            run, batch, what, replicate, time, condition = key
            rows.append((change, run, batch, what, replicate, time, condition, before or "", after or ""))
    return pd.DataFrame(rows, columns=list(CHANGES), dtype=object)


def same_plan(one: Records, other: Any, where: str) -> None:
    """Refuse records that are not of the same plan."""
    from doe.bench.records import Records

    if not isinstance(other, Records) or not isinstance(one, Records):
        wrong = one if not isinstance(one, Records) else other
        raise StudyError(where, type(wrong).__name__, "Records", "give what read_sheet made of the earlier sheet")
    if one.plan.fingerprint != other.plan.fingerprint:
        raise StudyError(
            f"{where}: plan fingerprint",
            one.plan.fingerprint,
            other.plan.fingerprint,
            "compare records of one plan",
        )


_Key = tuple[Any, Any, str, Any, str, str]


def _said(records: Records) -> dict[_Key, str]:
    """Everything that records say, by what it is of."""
    out: dict[_Key, str] = {}
    for r in readings_in(records.data):
        out[r.run, r.batch, r.response, r.replicate, r.time, r.condition] = reading_text(r.value, r.lower, r.upper)

    def note(run: Any, what: str, text: str, batch: Any = "") -> None:
        out[run, batch, what, "", "", ""] = text

    if records.as_made is not None:
        for name in records.study.names:
            for run, value in records.as_made[name].items():
                if value != records.plan.runs.at[run, name]:
                    note(run, f"{name} as made", cell_text(value))
    for name in records.study.covariate_names:
        for run, value in records.covariates[name].dropna().items():
            note(run, name, cell_text(float(value)))
    for run in records.failed:
        note(run, "failed", records.failed_reasons.get(run, "failed"))
    for run, moment in records.made_at.items():
        note(run, "finished at", date_text(moment))
    for (run, batch), texts in records.remarks.groupby(["run", "batch"], sort=False)["remark"]:
        note(run, "remark", "; ".join(texts), batch)
    for row in records.entries.itertuples(index=False):
        note(row.run, str(row.entry), cell_text(row.value))
    for _, run, line, _, do, _, actual, _, _ in records.weighed.itertuples(index=False, name=None):
        if not np.isnan(actual):
            out[run, "", f"weighed: {do}", line, "", ""] = cell_text(float(actual))
    for name, value in records.constants.items():
        note("", name, cell_text(value))
    return out
