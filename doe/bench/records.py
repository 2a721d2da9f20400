"""Records: what was measured, batch by batch and reading by reading, with everything that was in doubt."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from doe.bench.columns import MADE, Heads
from doe.bench.intake import DATA, Table, Taken, data_frame, entries_of_plan, settle_columns, table_from_frame, take
from doe.bench.layout import setting_decimals
from doe.bench.measured import Measured, measured, measured_as
from doe.bench.numerals import reading_text
from doe.bench.problems import COLUMNS, Problems
from doe.bench.texts import neutral, number_cell
from doe.designs import Plan
from doe.study import Section, Shown, Study, StudyError
from doe.study.files import write_text


@dataclass(frozen=True, repr=False, eq=False)
class Records(Shown):
    """What was measured on the batches of a plan.

    Made by `read_sheet`, `read_table` or `Records.from_frame`.

    Attributes
    ----------
    plan : Plan
        The plan whose batches were measured.
    data : DataFrame
        One row a reading: run, batch, replicate (which reading of the batch), time and condition ("" where the response has none),
        response, value, lower and upper (in the response's unit), cell (where it stood). Of an exact reading value, lower and upper are
        one number; of a censored one (">100000", "<50", "50..60") value is NaN and a side without a bound is infinite. Readings of one
        batch share its label; a batch made again is another run.
    problems : DataFrame
        One row a problem of the sheet: sheet, cell, found, allowed, mend. What is listed here as not taken is not in `data`.
    remarks : DataFrame
        run, batch, remark, as they were written.
    failed : tuple of int
        Runs whose batch was marked as failed and not made again.
    order : mapping of int to int
        Run to its place in the order of making, where the sheet says it.
    """

    plan: Plan
    data: pd.DataFrame
    problems: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(COLUMNS), dtype=object))
    remarks: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=["run", "batch", "remark"], dtype=object)
    )
    failed: tuple[int, ...] = ()
    order: Mapping[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if tuple(self.data.columns) != DATA:
            raise StudyError(
                "records: columns of data",
                list(self.data.columns),
                f"{list(DATA)}",
                "use Records.from_frame for a wide table",
            )

    @property
    def study(self) -> Study:
        """The study of the plan."""
        return self.plan.study

    @classmethod
    def from_frame(cls, df: pd.DataFrame, plan: Plan) -> Records:
        """Take readings from a wide table.

        Parameters
        ----------
        df : DataFrame
            One row a batch, or a reading of it: `run` (column, or the index by that name), else the factors' columns, by which rows are
            matched to runs in the plan's order; one column a response. Columns replicate, batch, remark and "made / failed" are taken as
            such; cells may be texts as people type them.
        plan : Plan
            The plan that was made.

        Returns
        -------
        Records
            What could not be taken stands in `problems`.

        Raises
        ------
        StudyError
            If there is no table, or no column of it is a response, or rows cannot be told apart.
        """
        if not isinstance(df, pd.DataFrame):
            raise StudyError(
                "records", type(df).__name__, "a DataFrame", "give one row a batch and one column a response"
            )
        if not isinstance(plan, Plan):
            raise StudyError(
                "plan", type(plan).__name__, "a Plan", "make one with doe.designs, or use doe.bench.read_table"
            )
        heads = Heads(plan.study)
        table = table_from_frame(df, heads)
        problems = Problems(table.title)
        return planned_records(table, heads, plan, problems)

    @classmethod
    def from_taken(cls, plan: Plan, taken: Taken, problems: Problems) -> Records:
        """Records of what the intake took."""
        remarks = pd.DataFrame(taken.remarks, columns=["run", "batch", "remark"], dtype=object)
        return cls(
            plan,
            data_frame(taken.data),
            problems.frame(),
            remarks,
            tuple(taken.failed),
            dict(sorted(taken.order.items())),
        )

    def frame(self, response: str) -> pd.DataFrame:
        """One row a batch that has a reading of this response.

        Parameters
        ----------
        response : str
            Name of a response of the study.

        Returns
        -------
        DataFrame
            run, block and whole_plot (where the plan has them), the factors in natural units, the mean of the batch's readings under the
            response's name (in its unit), and readings: how many there were. In the order of the run numbers.

        Raises
        ------
        StudyError
            If the study has no such response, or nothing was read of it.
        """
        one = measured_as(self.study, response)
        name = one.name
        here = self.of(one)
        if here.empty:
            raise StudyError(
                f"records: response {name!r}",
                "without a reading",
                "read on at least one batch",
                "fill in its column or choose another",
            )
        read = here.groupby("run").agg(
            value=("value", _mean), lower=("lower", "mean"), upper=("upper", "mean"), readings=("value", "size")
        )
        table = self.plan.runs.loc[read.index].copy()
        for label, labels in (("whole_plot", self.plan.whole_plot), ("block", self.plan.block)):
            if labels is not None:
                table.insert(0, label, labels.loc[read.index])
        table[name] = read["value"]
        table["readings"] = read["readings"]
        if here["value"].isna().any():
            table["lower"], table["upper"] = read["lower"], read["upper"]
        return table.reset_index()

    def of(self, one: Measured) -> pd.DataFrame:
        """The rows of `data` of one response at one occasion."""
        d = self.data
        return d[(d["response"] == one.of) & (d["time"] == one.time) & (d["condition"] == one.condition)]

    def summary(self) -> pd.DataFrame:
        """One row a response and occasion: batches and readings taken, batches without a reading, least, mean and greatest batch mean.

        Batches with a censored reading are counted, but have no mean.
        """
        rows = []
        for one in measured(self.study):
            here = self.of(one)
            means = here.groupby("run")["value"].agg(_mean)
            exact = means.dropna()
            rows.append(
                {
                    "response": one.name,
                    "unit": one.response.unit,
                    "batches": len(means),
                    "readings": len(here),
                    "censored": int(here["value"].isna().sum()),
                    "missing": len(self.plan.runs) - len(means),
                    "least": exact.min() if len(exact) else np.nan,
                    "mean": exact.mean() if len(exact) else np.nan,
                    "greatest": exact.max() if len(exact) else np.nan,
                }
            )
        return pd.DataFrame(rows)

    def save(self, path: str | os.PathLike[str]) -> Path:
        """Write settings, readings, marks and remarks as a .csv that `read_table` reads back; replaced whole or not at all.

        One row a reading of a batch; a run without a reading keeps its row.
        """
        study, plan = self.study, self.plan
        deepest = int(self.data["replicate"].max()) if len(self.data) else 1
        labels = [(h, s) for h, s in (("block", plan.block), ("whole_plot", plan.whole_plot)) if s is not None]
        values = {
            (r.run, r.replicate, r.response, r.time, r.condition): reading_text(r.value, r.lower, r.upper)
            for r in self.data.itertuples(index=False)
        }
        remarks = self.remarks.groupby("run")["remark"].agg("; ".join).to_dict()
        rows: list[dict[str, object]] = []
        for run in sorted(plan.runs.index):
            used = sorted({k for r, k, *_ in values if r == run}) or [1]
            for replicate in used:
                row: dict[str, object] = {"run": run}
                if deepest > 1:
                    row["replicate"] = replicate
                if self.order:
                    row["order"] = self.order.get(run, "")
                row |= {head: neutral(s.loc[run]) for head, s in labels}
                settings = zip(study.factors, plan.runs.loc[run], strict=True)
                row |= {f.label: neutral(v) if isinstance(v, str) else number_cell(v) for f, v in settings}
                row |= {m.response.label: values.get((run, replicate, *m.key), "") for m in measured(study)}
                if self.failed:
                    row[MADE] = "failed" if run in self.failed else ""
                if len(self.remarks):
                    row["remark"] = neutral(remarks.get(run, "")) if replicate == used[0] else ""
                rows.append(row)
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow([neutral(head) for head in rows[0]])
        writer.writerows(row.values() for row in rows)
        return write_text(path, out.getvalue())

    def _sections(self) -> list[Section]:
        runs, batches = len(self.plan.runs), self.data["run"].nunique()
        table = self.summary()
        for column in ("least", "mean", "greatest"):
            shown = [
                r.text(v).removesuffix(r.unit).strip() if np.isfinite(v) else ""
                for r, v in zip(self.study.readings, table[column], strict=True)
            ]
            table[column] = shown
        note = "Least, mean and greatest are of the batches' mean readings."
        if self.failed:
            note += " Failed: run " + ", ".join(str(r) for r in self.failed) + "."
        again = len(self.data) - self.data.groupby(["run", "time", "condition", "response"]).ngroups
        if again:
            note += f" {again} readings are of a batch already read: they sharpen its value, but are not batches made again."
        sections = [Section(f"Records of {self.study.name}: {batches} of {runs} batches read", table.astype(str), note)]
        count = len(self.problems)
        if count:
            sections.append(
                Section(
                    f"Problems of the sheet ({count})",
                    self.problems,
                    "What is listed as not taken is not in the records.",
                )
            )
        if len(self.remarks):
            sections.append(Section("Remarks", self.remarks.astype(str)))
        return sections


def _mean(values: pd.Series[float]) -> float:
    """Mean of a batch's readings; NaN where one of them is censored."""
    return float(values.mean(skipna=False))


def planned_records(table: Table, heads: Heads, plan: Plan, problems: Problems) -> Records:
    """Records of a table whose rows are runs of a plan, every problem of it listed."""
    need_responses(table, heads, plan.study, problems)
    table = settle_columns(table, heads, problems)
    factors = {c.name for _, c in table.positions("factor")}
    lacking = [name for name in plan.study.names if name not in factors]
    if table.position("run") is None and lacking:
        raise StudyError(
            f"{table.title!r}: column 'run'",
            "missing",
            "there, or a column for every factor",
            f"add it, or the columns {lacking}",
        )
    entries = entries_of_plan(table, plan, setting_decimals(plan), problems)
    taken = take(table, entries, heads.measured, problems)
    seen = {entry.run for entry in entries}
    lost = [int(run) for run in sorted(plan.runs.index) if run not in seen]
    for run in lost:
        problems.add(
            "",
            f"no row of run {run} was taken",
            "one row for every run",
            "correct its row, or add it, blank where nothing was read",
        )
    return Records.from_taken(plan, taken, problems)


def need_responses(table: Table, heads: Heads, study: Study, problems: Problems) -> None:
    """List responses without a column; refuse a table that has none of them."""
    there = {c.name for _, c in table.positions("response")}
    lacking = [m.name for m in heads.measured if m.name not in there]
    if not there:
        unknown = [t for _, t, c in table.heads if c is None]
        said = (
            f"{unknown[0]!r} is unknown: {heads.advice(unknown[0])}"
            if unknown
            else f"add {[m.response.label for m in heads.measured]}"
        )
        raise StudyError(f"{table.title!r}: response columns", "missing", "there, one for every response", said)
    for name in lacking:
        problems.add("", f"no column for {name}", "one column for every response", "add it if it was measured")
