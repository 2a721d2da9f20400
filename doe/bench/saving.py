"""Records as the text of a .csv file, and what stands above its heads."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe.bench.columns import FINISHED, MADE, REASON, as_made_head
from doe.bench.dates import date_text
from doe.bench.intake import readings_in
from doe.bench.measured import all_measured
from doe.bench.numerals import reading_text
from doe.bench.returned_pages import Noted
from doe.bench.texts import bare, neutral, number_cell

if TYPE_CHECKING:
    from doe.bench.records import Records

CONSTANT, WEIGHED, ENTRY = "# constant", "# weighed", "# entry"


def saved_text(records: Records) -> str:
    """Records as .csv: notes, then one row a reading of a batch."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    for line in _notes(records):
        writer.writerow(line)
    rows = _rows(records)
    writer.writerow([neutral(head) for head in rows[0]])
    writer.writerows(row.values() for row in rows)
    return out.getvalue()


def _rows(records: Records) -> list[dict[str, object]]:
    study, plan, data = records.study, records.plan, records.data
    readings = all_measured(study)
    values = {
        (r.run, r.batch, r.replicate, r.response, r.time, r.condition): reading_text(r.value, r.lower, r.upper)
        for r in readings_in(data)
    }
    places = data[["run", "batch", "replicate"]].drop_duplicates()
    several = bool((places.groupby("run")["batch"].nunique() > 1).any())
    relabelled = several or any(isinstance(b, str) for b in places["batch"])
    labels = [(h, s) for h, s in (("block", plan.block), ("whole_plot", plan.whole_plot)) if s is not None]
    remarks = records.remarks.groupby(["run"])["remark"].agg("; ".join).to_dict()
    measured_covariates = records.covariates.columns[records.covariates.notna().any()]
    rows = []
    for run in sorted(plan.runs.index):
        own = places[places["run"] == run]
        used = [(b, int(k)) for _, b, k in own.itertuples(index=False, name=None)] or [(run, 1)]
        for place, (batch, replicate) in enumerate(used):
            first = place == 0
            row: dict[str, object] = {"run": run}
            if relabelled:
                row["batch"] = neutral(str(batch))
            if len(places) and places["replicate"].max() > 1:
                row["replicate"] = replicate
            if records.order:
                row["order"] = records.order.get(run, "")
            row |= {head: neutral(str(s.loc[run])) for head, s in labels}
            row |= {f.label: _cell(plan.runs.at[run, f.name]) for f in study.factors}
            row |= {
                c.label: _cell(records.covariates.at[run, c.name])
                for c in study.covariates
                if c.name in measured_covariates
            }
            row |= {m.response.label: values.get((run, batch, replicate, *m.key), "") for m in readings}
            if records.as_made is not None:
                row |= {as_made_head(f): _as_made(records, run, f.name) for f in study.factors}
            if records.made_at:
                row[FINISHED] = date_text(records.made_at[run]) if run in records.made_at else ""
            if records.failed:
                row[MADE] = "failed" if run in records.failed else ""
                row[REASON] = neutral(records.failed_reasons.get(run, ""))
            if len(records.remarks):
                row["remark"] = neutral(remarks.get(run, "")) if first else ""
            rows.append(row)
    return rows


def _as_made(records: Records, run: int, name: str) -> str:
    """A setting as made; blank where it is the planned one."""
    assert records.as_made is not None
    made: object = records.as_made.at[run, name]
    planned: object = records.plan.runs.at[run, name]
    return "" if made == planned else _cell(made)


def _cell(value: object) -> str:
    if isinstance(value, str):
        return neutral(value)
    assert isinstance(value, int | float | np.number)
    return "" if np.isnan(value) else number_cell(float(value))


def _notes(records: Records) -> list[list[str]]:
    lines = [[CONSTANT, neutral(name), _kept(value)] for name, value in records.constants.items()]
    for row in records.weighed.itertuples(index=False, name=None):
        lines.append([WEIGHED, *(_kept(v) for v in row)])
    for row in records.entries.itertuples(index=False, name=None):
        lines.append([ENTRY, *(_kept(v) for v in row)])
    return lines


def _kept(value: object) -> str:
    if isinstance(value, bool | np.bool_):
        return "yes" if value else ""
    if isinstance(value, int | float | np.number):
        return _cell(value)
    return neutral(str(value))


def saved_notes(rows: Sequence[Sequence[object]]) -> Noted:
    """What `saved_text` wrote above the heads."""
    noted = Noted()
    for row in rows:
        cells = [bare(str(c)) if c is not None else "" for c in row]
        kind = cells[0] if cells else ""
        if kind == CONSTANT and len(cells) >= 3:
            noted.constants[cells[1]] = _value(cells[2])
        elif kind == WEIGHED and len(cells) >= 10:
            page, run, line, phase, do, target, actual, done, cell = cells[1:10]
            grams = [float(v) if v else float("nan") for v in (target, actual)]
            noted.weighed.append((page, int(run), int(line), phase, do, *grams, done == "yes", cell))
        elif kind == ENTRY and len(cells) >= 5:
            noted.entries.append((cells[1], int(cells[2]), cells[3], _value(cells[4])))
    return noted


def _value(text: str) -> object:
    """A number where the text is one as we write it, else the text."""
    number = pd.to_numeric(text, errors="coerce")
    return float(number) if pd.notna(number) and number_cell(float(number)) == text else text
