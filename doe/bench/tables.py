"""Tables of settings and readings that were made without a plan of this package: published trials, a laboratory's own file."""

from __future__ import annotations

import os
from collections.abc import Hashable
from dataclasses import dataclass

import pandas as pd

from doe.bench.columns import Heads
from doe.bench.grids import read_grids
from doe.bench.intake import SPLIT, Entry, Table, at, batch_label, counted, settle_columns, table_from_grid
from doe.bench.numerals import DoubtError, is_blank, number_from
from doe.bench.problems import Problems, cell_text
from doe.bench.records import Records, need_responses
from doe.bench.saving import saved_notes
from doe.bench.sheets import grid_with_heads, note_other_sheets, refuse_broken
from doe.bench.taking import take
from doe.bench.texts import bare
from doe.designs import Plan
from doe.study import Categorical, Study, StudyError
from doe.study.errors import nearest

FAR = 3.0  # coded; hardly any plan has axial points so far out: a slipped decimal point is likelier


def read_table(path: str | os.PathLike[str], study: Study) -> Records:
    """Read a file of settings and readings.

    Parameters
    ----------
    path : str or path
        A .xlsx or .csv file with one row a batch (or a reading of it): a column for every factor and for each response that was measured,
        headed by name or label; as there are, run, block, whole_plot, batch, replicate, "made / failed" and remark. Lines above the heads are
        passed over. Rows with one batch label are readings of that batch, and so are rows with one run number and different
        replicate numbers; rows that only have the same settings are batches made again.
    study : Study
        What was studied.

    Returns
    -------
    Records
        With a plan made of the table. What could not be taken stands in `problems`.

    Raises
    ------
    StudyError
        If the file cannot be read or breaks off, a factor's column is missing or a setting cannot be used, one run has different settings,
        nothing was read, or it is not said whether rows of one run are one batch.
    """
    if not isinstance(study, Study):
        raise StudyError("study", type(study).__name__, "a Study", "load it with doe.Study.load")
    if not study.responses:
        raise StudyError("study: responses", [], "at least one response", "say what was measured")
    heads = Heads(study)
    where = f"file {str(path)!r}"
    grid, header, others = grid_with_heads(read_grids(path, heads.known), heads, where)
    problems = Problems(grid.sheet)
    note_other_sheets(others, problems)
    table = table_from_grid(grid, heads, header)
    refuse_broken(table.cut_short, where)
    _need_factors(table, heads, where)
    need_responses(table, heads, study, problems)
    table = settle_columns(table, heads, problems)
    if not table.rows:
        raise StudyError(where, "without a row under its heads", "a table of at least one batch", "fill it in")
    for row, cells in table.rows:
        if table.slipped(cells):
            raise StudyError(f"{where}, row {row}", table.slipped(cells), f"{table.width} cells, one a column", SPLIT)
    plan, entries = _made_plan(table, study, where, problems)
    taken = take(table, entries, heads, problems)
    if not taken.data:
        first = problems.frame().head(1)
        said = (
            f"; cell {first['cell'].iloc[0]}: {first['found'].iloc[0]!r}"
            if len(first) and first["cell"].iloc[0]
            else ""
        )
        raise StudyError(
            f"{where}: responses",
            f"without a single reading{said}",
            "read on at least one batch",
            "fill in the readings",
        )
    return Records.from_taken(plan, taken, problems, saved_notes(grid.rows[:header]))


def _need_factors(table: Table, heads: Heads, where: str) -> None:
    """Refuse a table without a factor's column, or with a column whose head is nearly that of a response that has none."""
    factors = {c.name for _, c in table.positions("factor")}
    responses = {c.name for _, c in table.positions("response")}
    unknown = [text for _, text, column in table.heads if column is None]
    study = heads.study
    lacking = [n for n in study.names if n not in factors and n != study.balance]
    lacking += [m.name for m in heads.measured if m.name not in responses]
    for text in unknown:
        meant = heads.meant(text, lacking)
        if meant:
            raise StudyError(
                f"{where}: column {text!r}", "unknown", "a column of this study", f"did you mean {meant!r}? Rename it"
            )
    for name in lacking:
        if name in study.names:
            there = [text for _, text, _ in table.heads]
            raise StudyError(
                f"{where}: column {name!r}",
                "missing",
                "there, one for every factor",
                f"add it, or rename the one meant by it among {there}",
            )


def _made_plan(table: Table, study: Study, where: str, problems: Problems) -> tuple[Plan, list[Entry]]:
    """The plan that the rows make, and each row's place in it."""
    identities = _identities(table, where)
    contents = {row: _row_content(table, study, row, cells, where) for row, cells in table.rows}
    rows_of: dict[Hashable, list[str]] = {}
    for row, identity in identities.items():
        rows_of.setdefault(identity.key, []).append(row)
    for first, *others in rows_of.values():
        for row in others:
            _same_batch(contents, identities[row], first, row, where)
    numbers = _run_numbers({row: identities[row] for row, *_ in rows_of.values()}, problems)
    frame = pd.DataFrame([{"run": numbers[key], **contents[rows[0]]} for key, rows in rows_of.items()])
    blank = [kind for kind in ("block", "whole_plot") if kind in frame and (frame[kind] == "").all()]
    plan = Plan.from_frame(study, frame.drop(columns=blank).sort_values("run", ignore_index=True))
    entries = []
    for row, cells in table.rows:
        identity = identities[row]
        run = numbers[identity.key]
        entries.append(Entry(row, cells, run, run if identity.label is None else identity.label, identity.replicate))
    _note_far_settings(table, plan, entries, problems)
    return plan, entries


@dataclass(frozen=True)
class _Identity:
    """Which batch a row is of: its key among the rows, its run number or label, the batch's own label, which reading of it."""

    key: Hashable
    run: Hashable | None
    label: Hashable | None
    replicate: int


def _identities(table: Table, where: str) -> dict[str, _Identity]:
    """Each row's batch, by the columns batch, run and replicate; without them a row is a batch."""
    run_at, batch_at, replicate_at = (table.position(kind) for kind in ("run", "batch", "replicate"))
    if replicate_at is not None and run_at is None and batch_at is None:
        raise StudyError(
            f"{where}: column 'replicate'",
            "without a column run or batch",
            "beside one that says which rows are of one batch",
            "add a column batch: one label for readings of the same batch, another for a batch made again",
        )
    out: dict[str, _Identity] = {}
    first: dict[tuple[Hashable, int], str] = {}
    count: dict[Hashable, int] = {}
    for row, cells in table.rows:
        marks: list[Hashable | None] = []
        for position, kind in ((run_at, "run"), (batch_at, "batch")):
            cell = at(cells, position)
            if position is not None and is_blank(cell):
                raise StudyError(
                    f"{where}, cell {table.cell(row, position)} ({kind})",
                    "blank",
                    f"a {kind} number or label",
                    "fill it in",
                )
            marks.append(None if position is None else batch_label(cell))
        key: Hashable = row if marks == [None, None] else tuple(marks)
        if replicate_at is not None:
            replicate = _replicate(table, row, at(cells, replicate_at), replicate_at, where)
        elif batch_at is not None:  # rows with one batch label are its readings
            replicate = count[key] = count.get(key, 0) + 1
        else:
            replicate = 1
        if (key, replicate) in first:
            what = f"run {marks[0]}" if batch_at is None else f"batch {marks[1]}"
            raise StudyError(
                f"{where}, rows {first[key, replicate]} and {row}: {what}",
                "there twice" if replicate_at is None else f"there twice with replicate {replicate}",
                "there once, or told apart",
                "give readings of one batch different numbers in a column replicate, and a batch made again a run number of its own",
            )
        first[key, replicate] = row
        out[row] = _Identity(key, marks[0], marks[1], replicate)
    return out


def _replicate(table: Table, row: str, cell: object, position: int, where: str) -> int:
    number = counted(cell)
    if number is None:
        raise StudyError(
            f"{where}, cell {table.cell(row, position)} (replicate)",
            cell_text(cell),
            "a whole number from 1",
            "say which reading of its batch it is",
        )
    return number


def _row_content(table: Table, study: Study, row: str, cells: list[object], where: str) -> dict[str, object]:
    """A row's settings, and the labels of its block and whole plot."""
    content: dict[str, object] = {}
    for kind in ("block", "whole_plot"):
        position = table.position(kind)
        if position is not None:
            cell = at(cells, position)
            content[kind] = "" if is_blank(cell) else str(batch_label(cell))
    for position, column in table.positions("factor"):
        factor, cell = study.factor(column.name), at(cells, position)
        name = f"{where}, cell {table.cell(row, position)} ({factor.name})"
        if is_blank(cell):
            raise StudyError(name, "blank", "the setting of that batch", "fill it in, or delete the row")
        if isinstance(factor, Categorical):
            level = bare(str(cell).strip())
            if level not in factor.levels:
                raise StudyError(name, level, "one of " + ", ".join(factor.levels), nearest(level, factor.levels))
            content[factor.name] = level
        else:
            try:
                content[factor.name] = number_from(cell, factor.unit, table.marks.get(position))
            except DoubtError as doubt:
                raise StudyError(name, cell_text(cell), doubt.allowed, doubt.mend) from doubt
    return content


def _same_batch(contents: dict[str, dict[str, object]], identity: _Identity, first: str, row: str, where: str) -> None:
    """Refuse rows of one batch that do not have the same settings and labels."""
    for name, value in contents[row].items():
        if value != contents[first][name]:
            what = f"run {identity.run}" if identity.label is None else f"batch {identity.label}"
            raise StudyError(
                f"{where}, rows {first} and {row}: {name} of {what}",
                f"{cell_text(contents[first][name])} and {cell_text(value)}",
                "the same in every row of it",
                "correct the setting, or give the other batch its own number",
            )


def _run_numbers(batches: dict[str, _Identity], problems: Problems) -> dict[Hashable, int]:
    """Run number of each batch: the table's own where they are 1 to n, each on one batch; else numbered anew, and said."""
    runs = [identity.run for identity in batches.values()]
    n = len(runs)
    whole = all(isinstance(run, int) for run in runs)
    if whole and sorted(runs) == list(range(1, n + 1)):  # type: ignore[type-var]
        return {identity.key: int(identity.run) for identity in batches.values()}  # type: ignore[call-overload]
    in_order = sorted(batches.values(), key=lambda i: int(i.run)) if whole else list(batches.values())  # type: ignore[call-overload]
    if any(run is not None for run in runs):
        found = "runs " + ", ".join(cell_text(i.run) for i in in_order)
        problems.add(
            "column run",
            found,
            f"1 to {n}, each on one batch",
            f"numbered anew 1 to {n} in that order; correct them to keep your own",
        )
    return {identity.key: number for number, identity in enumerate(in_order, start=1)}


def _note_far_settings(table: Table, plan: Plan, entries: list[Entry], problems: Problems) -> None:
    """List settings far outside the study's ranges: a slipped decimal point is likelier than a plan that reaches there."""
    for entry in entries:
        for position, column in table.positions("factor"):
            factor = plan.study.factor(column.name)
            if isinstance(factor, Categorical):
                continue
            value = float(plan.runs.at[entry.run, factor.name])  # type: ignore[arg-type]
            if abs(2 * value - factor.low - factor.high) > FAR * (factor.high - factor.low):
                said = (
                    f"{factor.name}: about {factor.low:g} to {factor.high:g}{' ' + factor.unit if factor.unit else ''}"
                )
                problems.add(
                    table.cell(entry.row, position),
                    value,
                    said,
                    "taken as it stands; correct it if the decimal point slipped",
                )
