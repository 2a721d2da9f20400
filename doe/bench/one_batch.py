"""Everything known of one batch, on one page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe.bench.dates import date_text
from doe.bench.due import due_at
from doe.bench.intake import readings_in
from doe.bench.measured import all_measured
from doe.bench.numerals import reading_text
from doe.bench.pages import base_code, batch_code
from doe.bench.problems import cell_text
from doe.study import Section, Shown, StudyError
from doe.study.errors import nearest

if TYPE_CHECKING:
    from doe.bench.records import Records


@dataclass(frozen=True, repr=False, eq=False)
class BatchRecord(Shown):
    """Everything known of a batch.

    Attributes
    ----------
    run : int
    code : str
    settings : DataFrame
        factor, unit, planned, as made (blank as planned).
    readings : DataFrame
        Rows of `Records.data` of this run.
    weighed : DataFrame
        Rows of `Records.weighed` of this run.
    notes : DataFrame
        what, value: when it was made, covariates, what was written on its page, remarks, why it failed.
    """

    run: int
    code: str
    study_name: str
    state: str
    settings: pd.DataFrame
    readings: pd.DataFrame
    shown_readings: pd.DataFrame
    weighed: pd.DataFrame
    notes: pd.DataFrame

    def _sections(self) -> list[Section]:
        sections = [Section(f"Batch {self.code}: run {self.run} of {self.study_name}, {self.state}", self.settings)]
        none = "" if len(self.shown_readings) else "Nothing read yet."
        sections.append(Section("Readings", self.shown_readings if len(self.shown_readings) else None, none))
        if len(self.weighed):
            table = pd.DataFrame(
                {
                    **(
                        {"of": [p.rpartition(", ")[0] or p for p in self.weighed["page"]]}
                        if self.weighed["page"].nunique() > 1
                        else {}
                    ),
                    "phase": self.weighed["phase"],
                    "add or do": self.weighed["do"],
                    "target (g)": [cell_text(float(v)) if pd.notna(v) else "" for v in self.weighed["target"]],
                    "actual (g)": [cell_text(float(v)) if pd.notna(v) else "" for v in self.weighed["actual"]],
                    "done": ["yes" if v else "" for v in self.weighed["done"]],
                }
            )
            sections.append(Section("Weighed and done", table))
        if len(self.notes):
            sections.append(Section("Noted", self.notes))
        return sections


def batch_record(records: Records, code_or_run: object) -> BatchRecord:
    """The page of a batch; see `Records.batch`."""
    plan = records.plan
    codes = {batch_code(plan, int(run)): int(run) for run in sorted(plan.runs.index)}
    text = str(code_or_run).strip()
    if isinstance(code_or_run, bool) or (text not in codes and not (text.isdigit() and int(text) in plan.runs.index)):
        raise StudyError(
            "batch", code_or_run, f"a batch code, or a run of the plan, 1 to {len(codes)}", nearest(text, list(codes))
        )
    run = codes[text] if text in codes else int(text)
    code = next(c for c, r in codes.items() if r == run)
    rows = []
    for factor in records.study.factors:
        planned: object = plan.runs.at[run, factor.name]
        made: object = planned if records.as_made is None else records.as_made.at[run, factor.name]
        rows.append(
            {
                "factor": factor.name,
                "unit": getattr(factor, "unit", ""),
                "planned": cell_text(planned),
                "as made": "" if made == planned else cell_text(made),
            }
        )
    data = records.data[records.data["run"] == run]
    apart = _apart(records, run)
    weighed = records.weighed[records.weighed["run"].eq(run) | records.weighed["page"].isin(apart)]
    state = "failed" if run in records.failed else f"{len(data)} readings" if len(data) != 1 else "1 reading"
    return BatchRecord(
        run,
        code,
        records.study.name,
        state,
        pd.DataFrame(rows),
        data,
        _readings(records, run, data),
        weighed,
        _notes(records, run),
    )


def _apart(records: Records, run: int) -> list[str]:
    """Titles of the pages of what was made once and went into a batch: the base gel of its whole plot, and every premix."""
    plan, pages = records.plan, dict.fromkeys([*records.weighed["page"], *records.entries["page"]])
    plot = None if plan.whole_plot is None else str(plan.whole_plot.loc[run])
    codes = [base_code(plan, plot)] if plot is not None else []
    premix = f"{plan.fingerprint[:4]}-P"
    return [
        str(page)
        for page in pages
        if (code := str(page).rpartition(", ")[2]) in codes
        or (code.startswith(premix) and code[len(premix) :].isdigit())
    ]


def _readings(records: Records, run: int, data: pd.DataFrame) -> pd.DataFrame:
    """Readings as text, and what is still to be read."""
    made = records.made_at.get(run)
    several = data["batch"].nunique() > 1
    rows = []
    for one in all_measured(records.study):
        own = data[data["response"].eq(one.of) & data["time"].eq(one.time) & data["condition"].eq(one.condition)]
        due = date_text(due_at(made, one.time)) if made is not None and one.time else ""
        found = [(r.batch, reading_text(r.value, r.lower, r.upper), r.cell) for r in readings_in(own)]
        for batch, text, cell in found or [("", "", "")]:
            row = {"batch": str(batch)} if several else {}
            row |= {"response": one.response.label, "reading": text, "cell": str(cell), "due": due}
            rows.append(row)
    table = pd.DataFrame(rows, dtype=object)
    return table if table["due"].any() else table.drop(columns="due")


def _notes(records: Records, run: int) -> pd.DataFrame:
    rows: list[tuple[str, str]] = []
    if run in records.order:
        rows.append(("made as number", str(records.order[run])))
    if run in records.made_at:
        rows.append(("finished at", date_text(records.made_at[run])))
    if run in records.failed:
        rows.append(("failed", records.failed_reasons.get(run, "no reason written down")))
    for labels in (records.plan.block, records.plan.whole_plot):
        if labels is not None:
            rows.append((str(labels.name).replace("_", " "), str(labels.loc[run])))
    for covariate in records.study.covariates:
        value = float(records.covariates[covariate.name].loc[run])
        if not np.isnan(value):
            rows.append((covariate.label, cell_text(value)))
    for entry in records.entries.itertuples(index=False):
        if entry.run == run:
            rows.append((str(entry.entry), cell_text(entry.value)))
    for remark in records.remarks.itertuples(index=False):
        if remark.run == run:
            rows.append(("remark", str(remark.remark)))
    apart = _apart(records, run)
    for entry in records.entries.itertuples(index=False):
        if entry.page in apart:
            rows.append((f"{str(entry.page).rpartition(', ')[0]}: {entry.entry}", cell_text(entry.value)))
    rows += [(f"all batches: {name}", cell_text(value)) for name, value in records.constants.items()]
    return pd.DataFrame(rows, columns=["what", "value"], dtype=object)
