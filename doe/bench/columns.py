"""Columns of a sheet: how their heads are written, and what a head that comes back means."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from doe.bench.grids import HEAD_ROWS
from doe.bench.measured import all_measured, measured_as, reading_times
from doe.study import Covariate, Response, Study, StudyError
from doe.study.factors import Factor

MADE, REASON, FINISHED, AGAIN = (
    "made / failed",
    "reason if failed",
    "finished at",
    "same batch read again, or made again?",
)
FIXED = {
    # heads that every sheet or table may have, as they come back
    "run": "run",
    "order": "order",
    "block": "block",
    "whole plot": "whole_plot",
    "whole_plot": "whole_plot",
    "batch": "batch",
    "replicate": "replicate",
    MADE: "made",
    REASON: "reason",
    FINISHED: "made_at",
    AGAIN: "again",
    "remark": "remark",
    "remarks": "remark",
}


@dataclass(frozen=True)
class Column:
    """What a column holds.

    Its kind (a value of `FIXED`, "factor", "as made", "read_on", "covariate", "response" or "derived"), whose it is (the time, of "read_on"),
    and which reading of a batch.
    """

    kind: str
    name: str = ""
    reading: int = 1


def reading_head(response: Response, reading: int, readings: int) -> str:
    """Head of an entry column; later readings say that they are of the same batch."""
    if readings == 1:
        return response.label
    again = " (same batch read again)" if reading > 1 else ""
    return f"{response.label}, reading {reading}{again}"


def read_on_head(time: str) -> str:
    """Head of the column for when the readings of a time were really taken."""
    return f"read on [{time}]"


def as_made_head(factor: Factor) -> str:
    """Head of the column for the settings that a factor really had."""
    return f"as made: {factor.label}"


class Heads:
    """Tells what a column's head means in a study.

    Factors and responses are known by name and by label, whatever the letter case where that is unambiguous.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self.measured = all_measured(study)
        exact: dict[str, Column] = {}
        items: list[tuple[str, Factor | Covariate | Response]] = [("factor", f) for f in study.factors] + [
            ("covariate", c) for c in study.covariates
        ]
        items += [("response", m.response) for m in self.measured]
        items += [("derived", r) for r in study.responses if r.formula is not None]
        for kind, item in items:
            for text in (item.name, item.label):
                exact.setdefault(_plain(text), Column(kind, item.name))
        for f in study.factors:
            for text in (f"as made: {f.name}", as_made_head(f)):
                exact.setdefault(_plain(text), Column("as made", f.name))
        for time in reading_times(study):
            exact.setdefault(read_on_head(time), Column("read_on", time))
        for text, kind in FIXED.items():
            exact.setdefault(text, Column(kind))
        folded: dict[str, Column | None] = {}
        for text, column in exact.items():
            key = text.casefold()
            folded[key] = column if folded.get(key, column) == column else None  # two names that differ in case only
        self._exact, self._folded = exact, folded

    def column(self, head: object) -> Column | None:
        """What this head means; None where it means nothing known."""
        if not isinstance(head, str):
            return None
        text = _plain(head)
        if text in self._exact:
            return self._exact[text]
        found = self._folded.get(text.casefold())
        if found is not None:
            return found
        match = re.fullmatch(
            r"(?P<of>.+), reading (?P<number>[1-9][0-9]?)( \(same batch read again\))?", text, flags=re.IGNORECASE
        )
        if match:
            of = self.column(match["of"])
            if of is not None and of.kind == "response":
                return Column("response", of.name, int(match["number"]))
        return self._at_occasion(text)

    def _at_occasion(self, text: str) -> Column | None:
        """A response with its occasion, written otherwise than we write it: "viscosity [40 °C, 4 weeks] (mPa·s)"."""
        match = re.fullmatch(r"(?P<of>[^\[\]]+?)\s*\[(?P<when>[^\[\]]+)\](?P<unit>\s*\(.*\))?", text)
        if match is None:
            return None
        of = next(
            (
                r
                for r in self.study.responses
                if match["of"].strip().casefold() in (r.name.casefold(), r.label.casefold())
            ),
            None,
        )
        if of is None or (match["unit"] and match["unit"].strip() != f"({of.unit})"):
            return None
        try:
            return Column("response", measured_as(self.study, f"{of.name}[{match['when']}]").name)
        except StudyError:
            return None

    def known(self, row: Sequence[object]) -> int:
        """How many different known columns a row heads."""
        return len({c for c in map(self.column, row) if c is not None})

    def advice(self, head: str) -> str:
        """Words that say what to do about an unknown head: the known name it nearly spells, where there is one."""
        names = [*self.study.names, *self.study.covariate_names, *(m.name for m in self.measured)]
        close = self.meant(head, names) or next(
            iter(difflib.get_close_matches(_plain(head).casefold(), FIXED, n=1, cutoff=0.75)), None
        )
        return (
            f"did you mean {close!r}? Rename it"
            if close
            else "rename it if it is a factor, a response, run, block or remark"
        )

    def meant(self, head: str, names: Sequence[str]) -> str | None:
        """Which of these factors or responses an unknown head nearly spells, by name or label."""
        spelled = {
            item.label.casefold(): item.name
            for item in (*self.study.factors, *(m.response for m in self.measured))
            if item.name in names
        }
        spelled |= {name.casefold(): name for name in names}
        close = difflib.get_close_matches(_plain(head).casefold(), spelled, n=1, cutoff=0.75)
        return spelled[close[0]] if close else None

    def row_of_heads(self, rows: Sequence[Sequence[object]]) -> int | None:
        """Position of the row that heads the most known columns, the first of equals; None where no row names a response or factor."""
        counts = [self.known(row) for row in rows[:HEAD_ROWS]]
        if not counts or max(counts) == 0:
            return None
        at = counts.index(max(counts))
        kinds = {c.kind for c in map(self.column, rows[at]) if c is not None}
        return at if kinds & {"factor", "response"} else None


def columns_of(heads: Heads, row: Sequence[object]) -> Iterator[tuple[int, str, Column | None]]:
    """Position, text and meaning of every head in a row that is not empty."""
    for position, head in enumerate(row):
        text = "" if head is None else _plain(str(head))
        if text:
            yield position, text, heads.column(head)


def _plain(text: str) -> str:
    return " ".join(text.split()).removeprefix("'")
