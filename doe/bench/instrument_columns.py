"""Columns of the page for readings with instruments: what each takes, and how its head is known when it comes back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

INSTRUMENTS = "Instrument readings"
LISTS = "Lists"  # hidden: what may be chosen in the cells of that page
DIRECT, DILUTED = "direct", "diluted to 10 %"
WEIGHTINGS = ("number", "volume")
STATISTICS = ("median", "d32", "d10", "d90")


@dataclass(frozen=True)
class InstrumentColumn:
    """One column of the page.

    Attributes
    ----------
    key : str
        What it holds.
    head : str
        As printed, with its unit.
    group : str
        Head over several columns.
    width : float
        Letters.
    prompt : str
        Shown where the cell is entered.
    low, high : float, optional
        Between which its numbers lie; None for both where it holds a text.
    """

    key: str
    head: str
    group: str
    width: float
    prompt: str
    low: float | None = None
    high: float | None = None


_WHICH, _READ, _VISCOMETER, _METER, _DROPLETS = "which sample", "what was read", "viscometer", "pH meter", "droplets"
COLUMNS = (
    InstrumentColumn("batch", "batch", _WHICH, 12, "The batch code on the jar, or the run number."),
    InstrumentColumn("response", "response", _WHICH, 16, "What was read: one row a reading."),
    InstrumentColumn("time", "time", _WHICH, 8, "The time the reading belongs to; blank where there is only one."),
    InstrumentColumn(
        "condition", "condition", _WHICH, 10, "How the jar was stored; blank where there is only one way."
    ),
    InstrumentColumn(
        "replicate",
        "replicate",
        _WHICH,
        10,
        "Which reading of the same batch it is: 1, 2, …; blank where they follow each other. A batch made again is another run.",
        1,
        999,
    ),
    InstrumentColumn(
        "reading",
        "reading",
        _READ,
        11,
        "In the unit of the response, as written above. “>100000” where the instrument was at full scale.",
        -1e300,
        1e300,
    ),
    InstrumentColumn("temperature", "sample temperature (°C)", _READ, 12, "Of the sample when it was read.", -40, 150),
    InstrumentColumn(
        "spindle", "spindle", _VISCOMETER, 10, "As it is marked. Readings with other spindles stay apart."
    ),
    InstrumentColumn(
        "speed",
        "speed (rpm)",
        _VISCOMETER,
        8,
        "Several speeds of one sample, a row each, make its flow curve.",
        0.001,
        100_000,
    ),
    InstrumentColumn("torque", "torque (%)", _VISCOMETER, 8, "Of full scale; valid from 10 to 100.", 0, 200),
    InstrumentColumn(
        "seconds", "seconds before reading (s)", _VISCOMETER, 10, "From starting the spindle to reading.", 0, 86_400
    ),
    InstrumentColumn(
        "read_as", "pH read", _METER, 14, f"“{DIRECT}” in the gel, or “{DILUTED}” in water. The two stay apart."
    ),
    InstrumentColumn("count", "droplets counted", _DROPLETS, 9, "How many; 200 to 300 are usual.", 1, 10_000_000),
    InstrumentColumn(
        "median", "median (µm)", _DROPLETS, 9, "Half of the droplets, or of their volume, is below.", 0.001, 20_000
    ),
    InstrumentColumn("d32", "d32 (µm)", _DROPLETS, 8, "Sauter mean: volume over surface.", 0.001, 20_000),
    InstrumentColumn(
        "d10", "d10 (µm)", _DROPLETS, 8, "10 % of the droplets, or of their volume, is below.", 0.001, 20_000
    ),
    InstrumentColumn(
        "d90", "d90 (µm)", _DROPLETS, 8, "90 % of the droplets, or of their volume, is below.", 0.001, 20_000
    ),
    InstrumentColumn(
        "weighted", "median, d10, d90 by", _DROPLETS, 11, "“number” or “volume”: by what the droplets count."
    ),
    InstrumentColumn(
        "file",
        "file of diameters (µm)",
        _DROPLETS,
        18,
        "Name of a .csv or .txt file beside this workbook, instead of the figures: one diameter a row.",
    ),
    InstrumentColumn(
        "read_on",
        "read on",
        "",
        16,
        "The day, or day and time, like 2026-03-31 14:30: early and late readings are marked.",
    ),
    InstrumentColumn("remark", "remark", "", 30, "Whatever was unusual."),
)
HEADS = {column.head.casefold(): column for column in COLUMNS}
_BARE = {column.head.partition(" (")[0].casefold(): column for column in COLUMNS}
_KEYS = {column.key: column for column in COLUMNS}


def column_of(head: object) -> InstrumentColumn | None:
    """The column that a head means, with its unit or without; None where it means none."""
    if not isinstance(head, str):
        return None
    text = " ".join(head.split()).removeprefix("'").casefold()
    return HEADS.get(text) or _BARE.get(text)


def column_named(key: str) -> InstrumentColumn:
    """The column that holds this."""
    return _KEYS[key]


def known(row: Sequence[object]) -> int:
    """How many columns of the page a row heads."""
    return len({c.key for c in map(column_of, row) if c is not None})


def is_head_row(row: Sequence[object]) -> bool:
    """Whether a row heads the page: batch and response, and what only an instrument has."""
    keys = {c.key for c in map(column_of, row) if c is not None}
    own = keys - {"batch", "response", "time", "condition", "replicate", "remark"}
    return {"batch", "response"} <= keys and len(own) >= 2
