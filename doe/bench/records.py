"""Records: what was measured, batch by batch and reading by reading, with everything that was in doubt."""

from __future__ import annotations

import datetime
import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from doe.bench.columns import Heads, read_on_head
from doe.bench.compared import changes_between
from doe.bench.dates import date_text
from doe.bench.due import ON_TIME, due_list, off_time
from doe.bench.further import under, with_later
from doe.bench.intake import DATA, Table, Taken, data_frame, settle_columns, table_from_frame
from doe.bench.layout import setting_decimals
from doe.bench.made_settings import as_made_table
from doe.bench.means import BLANK, batch_means, derived_means, parts_of
from doe.bench.measured import Measured, measured_as
from doe.bench.one_batch import BatchRecord, batch_record
from doe.bench.planned_rows import entries_of_plan
from doe.bench.problems import COLUMNS, QUESTIONS, Answers, Problems
from doe.bench.record_pages import record_sections
from doe.bench.returned_pages import Noted
from doe.bench.saving import saved_text
from doe.bench.taking import take
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
        batch share its label; a run that was made again has a second batch with a label of its own.
    problems : DataFrame
        One row a problem of the sheet: sheet, cell, found, allowed, mend. What is listed here as not taken is not in `data`.
    questions : DataFrame
        One row a question that is open: cell, found, question, choices (a tuple). `read_sheet` takes the answers.
    answers : mapping of str to answer
        The answers that were used, by cell.
    remarks : DataFrame
        run, batch, remark, as they were written.
    failed : tuple of int
        Runs whose batch was marked as failed and not made again.
    failed_reasons : mapping of int to str
        Run to why its batch failed.
    order : mapping of int to int
        Run to its place in the order of making, where the sheet says it.
    as_made : DataFrame or None
        Indexed by run, one column a factor: the settings as made where they were recorded, the planned ones elsewhere; None where none
        was recorded.
    covariates : DataFrame
        Indexed by run, one column a covariate of the study, NaN where it was not measured.
    made_at : mapping of int to datetime
        Run to when its batch was finished.
    constants : mapping of str to value
        What was the same for all batches, as it was written down.
    weighed : DataFrame
        page, run, line, phase, do, target and actual (g), done, cell: the lines of the batches' pages that were weighed or ticked; run is 0
        for what was made once for several batches.
    entries : DataFrame
        page, run, entry, value: what else was written on the batches' pages.
    """

    plan: Plan
    data: pd.DataFrame
    problems: pd.DataFrame = field(default_factory=lambda: _none(COLUMNS))
    remarks: pd.DataFrame = field(default_factory=lambda: _none(("run", "batch", "remark")))
    failed: tuple[int, ...] = ()
    order: Mapping[int, int] = field(default_factory=dict)
    questions: pd.DataFrame = field(default_factory=lambda: _none(QUESTIONS))
    answers: Mapping[str, object] = field(default_factory=dict)
    failed_reasons: Mapping[int, str] = field(default_factory=dict)
    as_made: pd.DataFrame | None = None
    covariates: pd.DataFrame = field(default_factory=pd.DataFrame)
    made_at: Mapping[int, datetime.datetime] = field(default_factory=dict)
    constants: Mapping[str, object] = field(default_factory=dict)
    weighed: pd.DataFrame = field(default_factory=lambda: Noted().weighed_frame())
    entries: pd.DataFrame = field(default_factory=lambda: Noted().entries_frame())

    def __post_init__(self) -> None:
        if tuple(self.data.columns) != DATA:
            raise StudyError(
                "records: columns of data",
                list(self.data.columns),
                f"{list(DATA)}",
                "use Records.from_frame for a wide table",
            )
        runs = pd.Index(sorted(self.plan.runs.index), name="run")
        covariates = self.covariates.reindex(index=runs, columns=self.study.covariate_names).astype(float)
        object.__setattr__(self, "covariates", covariates)

    @property
    def study(self) -> Study:
        """The study of the plan."""
        return self.plan.study

    @classmethod
    def from_frame(cls, df: pd.DataFrame, plan: Plan, answers: Mapping[str, object] | None = None) -> Records:
        """Take readings from a wide table.

        Parameters
        ----------
        df : DataFrame
            One row a batch, or a reading of it: `run` (column, or the index by that name), else the factors' columns, by which rows are
            matched to runs in the plan's order; one column a response, or one an occasion of it ("viscosity[4 wk, 40 °C]"); one a covariate
            where it was measured. Columns replicate, batch, remark, "made / failed", "reason if failed", "finished at" and "as made: …" are
            taken as such; cells may be texts as people type them, ">100000" among them.
        plan : Plan
            The plan that was made.
        answers : mapping of str to answer, optional
            As for `read_sheet`.

        Returns
        -------
        Records
            What could not be taken stands in `problems`, what was asked in `questions`.

        Raises
        ------
        StudyError
            If there is no table, or no column of it is a response, or rows cannot be told apart, or an answer fits no open question.
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
        problems = Problems(table.title, Answers(answers))
        taken = planned_rows_taken(table, heads, plan, problems)
        problems.answers.refuse_unused()
        return cls.from_taken(plan, taken, problems)

    @classmethod
    def from_taken(
        cls, plan: Plan, taken: Taken, problems: Problems, noted: Noted | None = None, on_time: float = ON_TIME
    ) -> Records:
        """Records of what the intake took; a reading earlier or later than `on_time` of its time is listed."""
        noted = Noted() if noted is None else noted
        for run, moments in sorted(taken.read_on.items()):
            for time, moment in moments.items():
                noted.entries.append((problems.sheet, run, read_on_head(time), date_text(moment)))
                made = taken.made_at.get(run)
                cell = taken.read_cells[run, time]
                if made is None:
                    mend = "how old the batch was when it was read is not known; write down when it was finished"
                    problems.add(
                        cell, f"run {run} read on {date_text(moment)}", "with “finished at” of the batch", mend
                    )
                elif (off := off_time(made, moment, time, on_time)) is not None:
                    mend = "readings of that time are taken all the same; correct the day, or say as a remark why"
                    problems.add(cell, f"run {run} read {off[0]}", off[1], mend)
        as_made = as_made_table(plan, taken.as_made, problems)
        covariates = pd.DataFrame.from_dict(taken.covariates, orient="index")
        return cls(
            plan,
            data_frame(taken.data),
            problems.frame(),
            pd.DataFrame(taken.remarks, columns=["run", "batch", "remark"], dtype=object),
            tuple(taken.failed),
            dict(sorted(taken.order.items())),
            problems.questions(),
            dict(problems.answers.taken),
            dict(sorted(taken.reasons.items())),
            as_made,
            covariates,
            dict(sorted(taken.made_at.items())),
            noted.constants,
            noted.weighed_frame(),
            noted.entries_frame(),
        )

    def frame(self, response: str) -> pd.DataFrame:
        """One row a batch that has a reading of this response.

        Parameters
        ----------
        response : str
            Name of a response of the study, with its occasion where it has several: "viscosity[4 wk, 40 °C]". A derived response is worked
            out from the batch means of its parts.

        Returns
        -------
        DataFrame
            run, batch (where a run was made again), block and whole_plot (where the plan has them), the factors in natural units (as
            planned), the mean of the batch's readings under the response's name (in its unit), and readings: how many there were. In the
            order of the run numbers. Where a reading of this response is censored there are the columns lower and upper besides: the means
            of its readings' lower and upper bounds, on the response's own scale, between which the batch's mean lies; the mean itself is
            then NaN in the batches concerned. A derived response is NaN where a part of it is missing or censored, and a column
            "blank because" says which.

        Raises
        ------
        StudyError
            If the study has no such response, it is read at several occasions and none is named, or nothing was read of it.
        """
        found = self.study.response(response)
        if found.formula is None:
            one = measured_as(self.study, response)
            name, read = one.name, batch_means(self.of(one))
        else:
            name = found.name
            parts = {part.name: batch_means(self.of(part)) for part in parts_of(self.study, found)}
            read = derived_means(self.study, found, parts)
        if read.empty:
            raise StudyError(
                f"records: response {name!r}",
                "without a reading",
                "read on at least one batch",
                "fill in its column or choose another",
            )
        runs = read.index.get_level_values("run")
        table = self.plan.runs.loc[runs].copy()
        for label, labels in (("whole_plot", self.plan.whole_plot), ("block", self.plan.block)):
            if labels is not None:
                table.insert(0, label, labels.loc[runs])
        if runs.has_duplicates:
            table.insert(0, "batch", read.index.get_level_values("batch"))
        table[name] = read["value"].to_numpy()
        table["readings"] = read["readings"].to_numpy()
        if (read["censored"] > 0).any():
            table["lower"], table["upper"] = read["lower"].to_numpy(), read["upper"].to_numpy()
        if found.formula is not None and read["value"].isna().any():
            table[BLANK] = read[BLANK].to_numpy()
        return table.reset_index()

    def of(self, one: Measured) -> pd.DataFrame:
        """The rows of `data` of one response at one occasion."""
        d = self.data
        return d[d["response"].eq(one.of) & d["time"].eq(one.time) & d["condition"].eq(one.condition)]

    def due(self, on: object, ahead: int = 0) -> pd.DataFrame:
        """What is to be read.

        Parameters
        ----------
        on : date, datetime or str
            The day: "2026-04-28".
        ahead : int
            How many days more to look ahead.

        Returns
        -------
        DataFrame
            One row a batch and reading that is still to come, the earliest first: batch (its code), run, response, time, condition, due,
            status ("overdue by 3 days", "due today", "due in 2 days", "finishing date not written down", "not read yet" for a response
            without times). What is due later is left out, and so are batches that failed.

        Raises
        ------
        StudyError
            If the day is none, or ahead is no whole number.
        """
        return due_list(self, on, ahead)

    def changes(self, earlier: Records) -> pd.DataFrame:
        """What these records say that earlier ones of the same plan did not, and the other way round.

        Parameters
        ----------
        earlier : Records
            What `read_sheet` made of the sheet when it came back before.

        Returns
        -------
        DataFrame
            One row a difference: change ("added", "changed" or "gone"), run, batch, what (the response, or "remark", "failed", a setting as
            made, …), replicate, time, condition, old, new (as texts).

        Raises
        ------
        StudyError
            If the earlier records are not of this plan.
        """
        return changes_between(earlier, self)

    def batch(self, code_or_run: str | int) -> BatchRecord:
        """Everything known of a batch.

        Parameters
        ----------
        code_or_run : str or int
            The batch's code, as its label and page bear it, or its run number.

        Returns
        -------
        BatchRecord
            A page that shows itself.

        Raises
        ------
        StudyError
            If there is no such batch.
        """
        return batch_record(self, code_or_run)

    def summary(self) -> pd.DataFrame:
        """One row a response and occasion: batches and readings taken, batches without a reading, least, mean and greatest batch mean.

        Batches with a censored reading are counted, but have no mean.
        """
        d = self.data
        # every batch of every response in one pass: a panel asks after each cell that is typed
        keys = ["response", "time", "condition", "run", "batch"]
        groups = d.assign(censored=d["value"].isna(), **{k: d[k].astype(object) for k in keys}).groupby(
            keys, sort=False
        )
        every = groups[["value"]].mean()
        every["readings"], every["censored"] = groups.size(), groups["censored"].sum()
        every.loc[every["censored"] > 0, "value"] = np.nan
        every = every.reset_index()
        parts = dict(tuple(every.groupby(keys[:3], sort=False)))
        rows = []
        for response in (*self.study.readings, *(r for r in self.study.responses if r.formula is not None)):
            if response.formula is None:
                one = measured_as(self.study, response.name)
                read = parts.get((one.of, one.time, one.condition), every.iloc[:0])
                readings, censored, values = read["readings"].sum(), read["censored"].sum(), read["value"]
            else:
                try:
                    frame = self.frame(response.name)
                except StudyError:  # none of its parts was read
                    frame = pd.DataFrame({"run": [], response.name: []})
                read, readings, censored = frame[frame[response.name].notna()], 0, 0
                values = read[response.name]
            means = values.dropna().astype(float)
            rows.append(
                {
                    "response": response.name,
                    "unit": response.unit,
                    "batches": len(read),
                    "readings": int(readings),
                    "censored": int(censored),
                    "missing": len(self.plan.runs) - read["run"].nunique(),
                    "least": means.min() if len(means) else np.nan,
                    "mean": means.mean() if len(means) else np.nan,
                    "greatest": means.max() if len(means) else np.nan,
                }
            )
        return pd.DataFrame(rows)

    def under(self, plan: Plan) -> Records:
        """The same readings as those of a longer plan, whose further batches are not read yet.

        Parameters
        ----------
        plan : Plan
            Holds every run of this one with its number and settings, as what `doe.next_batches` and `doe.designs.extend` make does.

        Returns
        -------
        Records

        Raises
        ------
        StudyError
            If it does not.
        """
        return under(self, plan)

    def with_later(self, later: Records) -> Records:
        """These readings and later ones, of the same plan or of one made longer.

        Parameters
        ----------
        later : Records
            Where both read the same response of a run at the same occasion, the later readings count; its settings as made, too, for the
            runs it has readings of.

        Returns
        -------
        Records
            Of the later plan.

        Raises
        ------
        StudyError
            If the later plan does not hold every run of this one with its number and settings.
        """
        return with_later(self, later)

    def save(self, path: str | os.PathLike[str]) -> Path:
        """Write settings, readings and everything noted as a .csv that `read_table` reads back; replaced whole or not at all.

        One row a reading of a batch; a run without a reading keeps its row. What was the same for all batches and what was weighed stand in
        lines above the heads that begin with "#".
        """
        return write_text(path, saved_text(self))

    def _sections(self) -> list[Section]:
        return record_sections(self)


def _none(columns: Sequence[str]) -> pd.DataFrame:
    return pd.DataFrame(columns=list(columns), dtype=object)


def planned_rows_taken(
    table: Table, heads: Heads, plan: Plan, problems: Problems, wanted: Collection[int] | None = None
) -> Taken:
    """What a table says whose rows are runs of a plan, every problem of it listed; `wanted`: those that it has rows for, all if left out."""
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
    taken = take(table, entries, heads, problems)
    seen = {entry.run for entry in entries}
    lost = [int(run) for run in sorted(plan.runs.index) if run not in seen and (wanted is None or run in wanted)]
    for run in lost:
        problems.add(
            "",
            f"no row of run {run} was taken",
            "one row for every run",
            "correct its row, or add it, blank where nothing was read",
        )
    return taken


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
