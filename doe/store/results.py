"""What the store answers: what a saving did, and the history of a batch."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from doe.study import Section, Shown


@dataclass(frozen=True, repr=False, eq=False)
class Saved(Shown):
    """What a saving did.

    Attributes
    ----------
    kind, name : str
    version : int
        The version that is now the last one.
    added, corrected, unchanged : int
        Readings and notes of records, counted.
    not_said : int
        Readings and notes of the same runs that the store keeps and these records do not say; they stay as they are.
    new : bool
        Whether there was anything new: if not, no version was made.
    """

    kind: str
    name: str
    version: int
    new: bool
    added: int = 0
    corrected: int = 0
    unchanged: int = 0
    not_said: int = 0

    def _sections(self) -> list[Section]:
        title = f"{self.kind.capitalize()} {self.name!r}: " + (
            f"kept as version {self.version}" if self.new else f"nothing new; version {self.version} stays the last"
        )
        note = ""
        if self.kind == "records":
            note = f"{self.added} added, {self.corrected} corrected, {self.unchanged} as before."
            if self.not_said:
                note += (
                    f" {self.not_said} kept earlier and not said by these records stay; "
                    "store.correct(batch, what, None, why) withdraws one."
                )
        return [Section(title, None, note)]


@dataclass(frozen=True, repr=False, eq=False)
class History(Shown):
    """Everything that was ever kept of a batch.

    Attributes
    ----------
    batch : str
    table : DataFrame
        One row an entry, in order: version, at (UTC), who, entry ("added", "corrected" or "withdrawn"), batch, what, replicate, time,
        condition, value, was, why.
    """

    batch: str
    records: str
    table: pd.DataFrame

    def _sections(self) -> list[Section]:
        count = "1 entry" if len(self.table) == 1 else f"{len(self.table)} entries"
        title = f"History of {self.batch}, records {self.records!r}: {count}"
        if self.table.empty:
            return [Section(title, None, "Nothing was kept of it yet.")]
        shown = self.table.copy()
        shown["at"] = shown["at"].str.slice(0, 19).str.replace("T", " ") + " UTC"
        blank = [c for c in ("batch", "replicate", "time", "condition", "was", "why") if not shown[c].astype(str).any()]
        return [Section(title, shown.drop(columns=blank).astype(str))]
