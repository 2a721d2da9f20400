"""Rows of a sheet whose runs are those of a plan: which run each is of, and whether its settings are the planned ones."""

from __future__ import annotations

from collections.abc import Hashable
from math import isclose

from doe.bench.columns import as_made_head
from doe.bench.intake import SPLIT, Entry, Table, at, batch_label, counted, is_empty
from doe.bench.numerals import DoubtError, is_blank, number_from
from doe.bench.problems import Problems, cell_text
from doe.bench.texts import bare
from doe.designs import Plan
from doe.study import Categorical
from doe.study.errors import nearest

AS_MADE, AS_PLANNED = "as made", "as planned"


def entries_of_plan(table: Table, plan: Plan, decimals: dict[str, int], problems: Problems) -> list[Entry]:
    """Find each row's run by its number, else by its settings, and hold the settings against the plan."""
    run_at, batch_at, replicate_at = (table.position(kind) for kind in ("run", "batch", "replicate"))
    entries: list[Entry] = []
    count: dict[tuple[int, Hashable], int] = {}
    unused: list[int] = sorted(int(run) for run in plan.runs.index)
    for row, cells in table.rows:
        if table.slipped(cells):
            problems.add(
                f"row {row}", table.slipped(cells), f"{table.width} cells, one a column", f"not taken; {SPLIT}"
            )
            continue
        settings = _settings(table, plan, row, cells, decimals, problems)
        as_made: dict[str, float | str] = {}
        if run_at is None:
            matches = [run for run in unused if _same(plan, run, settings, decimals)]
            if not matches:
                problems.add(
                    f"row {row}",
                    _setting_text(plan, settings),
                    "the settings of a run that no other row has taken",
                    "not taken; correct them",
                )
                continue
            run = matches[0]
            unused.remove(run)
        else:
            found = _run_number(table, row, cells, run_at, plan, problems)
            if found is None:
                continue
            run = found
            agreed = _settings_agree(table, plan, row, cells, run, settings, decimals, problems)
            if agreed is None:
                continue
            as_made = agreed
        replicate = _replicate(table, row, cells, replicate_at, problems)
        if replicate is None:
            continue
        batch = run if is_blank(at(cells, batch_at)) else batch_label(at(cells, batch_at))
        if batch_at is not None and replicate_at is None:  # rows of one batch are its readings
            replicate = count[run, batch] = count.get((run, batch), 0) + 1
        entries.append(Entry(row, cells, run, batch, replicate, as_made))
    return entries


def _run_number(
    table: Table, row: str, cells: list[object], position: int, plan: Plan, problems: Problems
) -> int | None:
    cell = at(cells, position)
    allowed = f"a run of the plan, 1 to {len(plan.runs)}"
    number = counted(cell)
    if number in plan.runs.index:
        return number
    said = "; ".join(cell_text(c) for c in cells if not is_empty(c))
    found = cell if not is_blank(cell) else f"blank, in the row that says: {said}"
    problems.add(table.cell(row, position), found, allowed, "the row is not taken; correct the run number")
    return None


def _replicate(table: Table, row: str, cells: list[object], position: int | None, problems: Problems) -> int | None:
    cell = at(cells, position)
    number = 1 if is_blank(cell) else counted(cell)
    if number is not None:
        return number
    assert position is not None
    problems.add(
        table.cell(row, position),
        cell,
        "a whole number from 1, which reading of its batch it is",
        "the row is not taken; correct it",
    )
    return None


def _settings(
    table: Table, plan: Plan, row: str, cells: list[object], decimals: dict[str, int], problems: Problems
) -> dict[str, object]:
    """The row's settings by factor: a number or a level; None where the cell is blank or no setting (then listed)."""
    out: dict[str, object] = {}
    for position, column in table.positions("factor"):
        factor, cell = plan.study.factor(column.name), at(cells, position)
        if is_blank(cell):
            out[column.name] = None
        elif isinstance(factor, Categorical):
            out[column.name] = bare(str(cell).strip())
        else:
            try:
                out[column.name] = number_from(cell, factor.unit, table.marks.get(position))
            except DoubtError as doubt:
                run = counted(at(cells, table.position("run")))
                meant = [c for c in doubt.choices if isinstance(c, float)]
                planned = [
                    c
                    for c in meant
                    if run in plan.runs.index and _agrees(plan, int(run or 0), column.name, c, decimals)
                ]
                if planned:  # ambiguous, but one of its meanings is what stands in the plan
                    out[column.name] = planned[0]
                    continue
                problems.add(table.cell(row, position), cell, f"{column.name}: {doubt.allowed}", doubt.mend)
                out[column.name] = None
    return out


def _agrees(plan: Plan, run: int, name: str, value: object, decimals: dict[str, int]) -> bool:
    planned = plan.runs.at[run, name]
    if isinstance(value, str):
        return value == bare(str(planned).strip())
    assert isinstance(value, float)
    exact = float(planned)  # type: ignore[arg-type]
    # a spreadsheet program that saves what it shows returns the planned setting as it was shown
    return any(isclose(value, shown, rel_tol=1e-9, abs_tol=1e-12) for shown in (exact, round(exact, decimals[name])))


def _same(plan: Plan, run: int, settings: dict[str, object], decimals: dict[str, int]) -> bool:
    """Whether the row has every setting of this run."""
    return all(
        settings.get(name) is not None and _agrees(plan, run, name, settings[name], decimals)
        for name in plan.study.names
    )


def _setting_text(plan: Plan, settings: dict[str, object]) -> str:
    return ", ".join(f"{name} {cell_text(settings.get(name))}" for name in plan.study.names)


def _settings_agree(
    table: Table,
    plan: Plan,
    row: str,
    cells: list[object],
    run: int,
    settings: dict[str, object],
    decimals: dict[str, int],
    problems: Problems,
) -> dict[str, float | str] | None:
    """Edited settings that were confirmed to be those of the batch; None where they are those of another run, so that nobody knows whose
    the readings are.
    """
    edited = [name for name, v in settings.items() if v is not None and not _agrees(plan, run, name, v, decimals)]
    _note_labels(table, plan, row, cells, run, problems)
    for position, column in table.positions("factor"):
        if is_blank(at(cells, position)):
            planned = cell_text(plan.runs.at[run, column.name])
            problems.add(
                table.cell(row, position),
                None,
                f"{column.name} as planned for run {run}: {planned}",
                "the planned setting is kept",
            )
    if not edited:
        return {}
    other = next((int(r) for r in plan.runs.index if r != run and _same(plan, int(r), settings, decimals)), None)
    if other is not None:
        mend = f"not taken, since its settings are those of run {other}; correct the run number or the settings"
        problems.add(
            f"row {row}", f"run {run} with {_setting_text(plan, settings)}", "one run's number and settings", mend
        )
        return None
    as_made: dict[str, float | str] = {}
    for position, column in table.positions("factor"):
        name = column.name
        if name not in edited:
            continue
        planned, value = cell_text(plan.runs.at[run, name]), settings[name]
        assert isinstance(value, float | str)
        factor = plan.study.factor(name)
        if isinstance(factor, Categorical) and value not in factor.levels:
            mend = f"the planned setting is kept; {nearest(str(value), factor.levels)}"
            problems.add(table.cell(row, position), value, f"one of {', '.join(factor.levels)}", mend)
            continue
        unit = f" {getattr(factor, 'unit', '')}".rstrip()
        answer = problems.ask(
            table.cell(row, position),
            at(cells, position),
            f"was run {run} made at {name} {cell_text(value)}{unit} instead of the planned {planned}{unit}?",
            (AS_MADE, AS_PLANNED),
        )
        if answer == AS_MADE:
            as_made[name] = value
        elif answer is None:
            problems.add(
                table.cell(row, position),
                at(cells, position),
                f"{name} as planned for run {run}: {planned}",
                f"the planned setting is kept; if the batch was made so, answer {AS_MADE!r}, or write it in the column “{as_made_head(factor)}”",
            )
    return as_made


def _note_labels(table: Table, plan: Plan, row: str, cells: list[object], run: int, problems: Problems) -> None:
    """List blocks and whole plots that are not the planned ones."""
    for kind, labels in (("block", plan.block), ("whole_plot", plan.whole_plot)):
        position = table.position(kind)
        if position is None or labels is None:
            continue
        cell = at(cells, position)
        planned = bare(str(labels.loc[run]))
        if is_blank(cell) or bare(str(batch_label(cell))) != planned:
            word = kind.replace("_", " ")
            mend = f"the planned {word} is kept; if the batch was made in another, analyse it from a table of how it was made"
            problems.add(table.cell(row, position), cell, f"{word} as planned for run {run}: {planned}", mend)
