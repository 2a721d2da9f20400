"""What is to be read, and when: from the day a batch was finished and the times of its responses."""

from __future__ import annotations

import datetime
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from doe.bench.dates import date_from, date_text
from doe.bench.measured import Measured, all_measured
from doe.bench.numerals import DoubtError
from doe.bench.pages import batch_code
from doe.study import StudyError
from doe.study.factors import as_number
from doe.study.occasions import days

if TYPE_CHECKING:
    from doe.bench.records import Records
    from doe.designs import Plan

ON_TIME = 0.10  # share of its time by which a reading may be early or late without a mark (common practice, no source)
DUE = ("batch", "run", "response", "time", "condition", "due", "status")


def due_at(made_at: datetime.datetime, time: str) -> datetime.datetime:
    """When a reading is due: its time after the batch was finished."""
    return made_at + datetime.timedelta(days=days(time))


def off_time(
    made_at: datetime.datetime, read_on: datetime.datetime, time: str, on_time: float
) -> tuple[str, str] | None:
    """How old a batch was when it was read, and how old it may have been, where that is not the reading's time.

    Parameters
    ----------
    made_at, read_on : datetime
        When the batch was finished and read. A moment at midnight is taken as a day, good to a day.
    time : str
        Of the reading, as "24 h".
    on_time : float
        Share of its time by which a reading may be early or late; an hour at the least.
    """
    due, age = days(time), (read_on - made_at).total_seconds() / 86400
    of_a_day = any(moment.time() == datetime.time() for moment in (made_at, read_on))
    room = max(on_time * due, 1 / 24) + (1.0 if of_a_day else 0.0)
    if abs(age - due) <= room * (1 + 1e-9):
        return None
    said = "before the batch was finished" if age < 0 else f"{_age(age)} after making"
    return said, f"{time} after making, ± {_age(room)}"


def _age(number: float) -> str:
    return f"{number:.3g} d" if number >= 2 else f"{24 * number:.3g} h"


def on_time_share(on_time: object) -> float:
    """The share of its time by which a reading may be early or late.

    Raises
    ------
    StudyError
        If it is no number from 0 to 1.
    """
    share = as_number("on_time", on_time)
    if not 0 <= share <= 1:
        raise StudyError("on_time", share, "from 0 to 1", "give it as a share of the time: 0.1 is 10 %")
    return share


def as_moment(where: str, value: object) -> datetime.datetime:
    """A moment given as a date, a datetime or a text.

    Raises
    ------
    StudyError
        If it is none.
    """
    try:
        return date_from(value)
    except DoubtError as doubt:
        raise StudyError(where, value, doubt.allowed, doubt.mend) from doubt


def moments(where: str, given: object, plan: Plan) -> dict[int, datetime.datetime]:
    """When batches were finished, by run, as a user gives it."""
    if given is None:
        return {}
    if not isinstance(given, Mapping):
        raise StudyError(where, given, "a mapping from run to date", 'write {1: "2026-03-31"}')
    for run in given:
        if run not in plan.runs.index:
            raise StudyError(f"{where}: run", run, f"a run of the plan, 1 to {len(plan.runs)}", "correct the run")
    return {int(run): as_moment(f"{where}: run {run}", value) for run, value in given.items()}


def due_list(records: Records, on: object, ahead: object) -> pd.DataFrame:
    """The readings that are due; see `Records.due`."""
    day = as_moment("due: on", on).date()
    if isinstance(ahead, bool) or not isinstance(ahead, int) or ahead < 0:
        raise StudyError("due: ahead", ahead, "a whole number of days from 0", "say how many days to look ahead")
    rows = []
    for run, batch, one in unread(records):
        made = records.made_at.get(run)
        due = due_at(made, one.time) if made is not None and one.time else None
        if not one.time:
            status = "not read yet"
        elif due is None:
            status = "finishing date not written down"
        elif due.date() > day + datetime.timedelta(days=ahead):
            continue
        else:
            late = (day - due.date()).days
            status = f"overdue by {_days(late)}" if late > 0 else "due today" if late == 0 else f"due in {_days(-late)}"
        rows.append((batch, run, one.of, one.time, one.condition, "" if due is None else date_text(due), status))
    table = pd.DataFrame(rows, columns=list(DUE), dtype=object)
    return table.sort_values("due", key=lambda c: c.replace("", "9999"), kind="stable", ignore_index=True)


def _days(number: int) -> str:
    return "1 day" if number == 1 else f"{number} days"


def unread(records: Records) -> Iterator[tuple[int, str, Measured]]:
    """Every batch and reading that is still to come: failed batches left out."""
    read = set(records.data[["run", "response", "time", "condition"]].itertuples(index=False, name=None))
    for run in sorted(int(r) for r in records.plan.runs.index):
        if run in records.failed:
            continue
        for one in all_measured(records.study):
            if (run, *one.key) not in read:
                yield run, batch_code(records.plan, run), one


@dataclass(frozen=True)
class Jar:
    """A jar of a batch, kept for one occasion: what its label says.

    Attributes
    ----------
    run, code
        The batch.
    time, condition : str
        The occasion; both "" where responses have none.
    number, of : int
        Which of how many jars kept for the occasion.
    reads : tuple of str
        Responses to be read from it.
    """

    run: int
    code: str
    time: str
    condition: str
    number: int
    of: int
    reads: tuple[str, ...]

    @property
    def due_words(self) -> str:
        """When it is due, on paper that does not know the day the batch was finished."""
        return f"due {self.time} after making" if self.time else "to be read on"

    @property
    def which(self) -> str:
        """Occasion and number of the jar in words."""
        words = [w for w in (self.time, self.condition) if w]
        if self.of > 1:
            words.append(f"jar {self.number} of {self.of}")
        return ", ".join(words)


def jars_of(plan: Plan, runs: Collection[int], counts: Mapping[tuple[str, str], int] | None = None) -> tuple[Jar, ...]:
    """The jars of a plan's batches, in the plan's order and by occasion: one of each batch for each occasion, or as many as `counts` says.

    Only those of `runs`.
    """
    counts = counts or {}
    occasions: dict[tuple[str, str], list[str]] = {}
    for one in all_measured(plan.study):
        occasions.setdefault((one.time, one.condition), []).append(one.of)
    ordered = sorted(occasions, key=lambda o: days(o[0]) if o[0] else 0.0)
    return tuple(
        Jar(
            run,
            batch_code(plan, run),
            time,
            condition,
            number,
            counts.get((time, condition), 1),
            tuple(occasions[time, condition]),
        )
        for run in (int(r) for r in plan.runs.index)
        if run in runs
        for time, condition in ordered
        for number in range(1, counts.get((time, condition), 1) + 1)
    )
