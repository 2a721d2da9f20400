"""How records show themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe.bench.problems import cell_text, choices_text
from doe.study import Section

if TYPE_CHECKING:
    from doe.bench.records import Records


def record_sections(records: Records) -> list[Section]:
    """What was read, what is in doubt, and what was noted."""
    runs, batches = len(records.plan.runs), records.data["run"].nunique()
    table = records.summary()
    shown = (*records.study.readings, *(r for r in records.study.responses if r.formula is not None))
    for column in ("least", "mean", "greatest"):
        table[column] = [
            r.text(v).removesuffix(r.unit).strip() if np.isfinite(v) else ""
            for r, v in zip(shown, table[column], strict=True)
        ]
    table["readings"] = [
        "worked out" if r.formula is not None else str(n) for r, n in zip(shown, table["readings"], strict=True)
    ]
    note = "Least, mean and greatest are of the batches' mean readings."
    if table["censored"].any():
        note += " Batches with a censored reading have no mean: it lies between bounds."
    else:
        table = table.drop(columns="censored")
    if records.failed:
        said = [f"{r} ({records.failed_reasons[r]})" if r in records.failed_reasons else str(r) for r in records.failed]
        note += " Failed: run " + ", ".join(said) + "."
    again = len(records.data) - records.data.groupby(["run", "batch", "time", "condition", "response"]).ngroups
    if again:
        note += (
            f" {again} readings are of a batch already read: they sharpen its value, but are not batches made again."
        )
    sections = [Section(f"Records of {records.study.name}: {batches} of {runs} batches read", table.astype(str), note)]
    if len(records.questions):
        asked = records.questions.copy()
        asked["choices"] = [choices_text(c) for c in asked["choices"]]
        first = records.questions.iloc[0]
        say = f"Answer like answers={{{first['cell']!r}: {first['choices'][0]!r}}}; what is asked about is held back till then."
        sections.append(Section(f"Open questions ({len(asked)})", asked, say))
    if len(records.problems):
        sections.append(
            Section(
                f"Problems of the sheet ({len(records.problems)})",
                records.problems,
                "What is listed as not taken is not in the records.",
            )
        )
    if records.answers:
        rows = [{"cell": cell, "answer": _answer(value)} for cell, value in records.answers.items()]
        sections.append(Section("Answered", pd.DataFrame(rows)))
    if records.as_made is not None:
        planned = records.plan.runs
        rows = [
            {"run": str(run), "factor": name, "planned": cell_text(planned.at[run, name]), "as made": cell_text(value)}
            for name in records.study.names
            for run, value in records.as_made[name].items()
            if value != planned.at[run, name]
        ]
        sections.append(Section("Settings as made", pd.DataFrame(rows)))
    if records.covariates.notna().any(axis=None):
        measured = records.covariates.dropna(how="all").reset_index()
        sections.append(
            Section("Measured, not set", measured.map(lambda v: cell_text(float(v)) if pd.notna(v) else ""))
        )
    if records.constants:
        rows = [{"what": name, "value": cell_text(value)} for name, value in records.constants.items()]
        sections.append(Section("The same for all batches", pd.DataFrame(rows)))
    if len(records.remarks):
        sections.append(Section("Remarks", records.remarks.astype(str)))
    return sections


def _answer(value: object) -> str:
    from doe.bench.numerals import reading_text

    return reading_text(*value) if isinstance(value, tuple) else cell_text(value)
