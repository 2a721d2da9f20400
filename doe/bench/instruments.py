"""Readings with instruments, read back: which method stands for a response, what is flagged, and how they join the records."""

from __future__ import annotations

import datetime
import math
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from numbers import Real
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from doe.bench.dates import date_text
from doe.bench.droplet_sizes import ENOUGH, DropletSizes
from doe.bench.due import ON_TIME, moments, off_time, on_time_share
from doe.bench.flow_curves import PASCAL_SECONDS, FlowCurve, flow_curve
from doe.bench.grids import Grid, as_path, read_grids
from doe.bench.instrument_columns import DIRECT, INSTRUMENTS, LISTS, is_head_row, known
from doe.bench.instrument_intake import (
    InstrumentReading,
    instrument_rows,
    numbered,
    readings_frame,
    viscosity_method,
)
from doe.bench.intake import DATA, data_frame
from doe.bench.layout import FINGERPRINT
from doe.bench.problems import Problems
from doe.bench.records import Records
from doe.designs import Plan
from doe.study import Section, Shown, StudyError
from doe.study.errors import nearest
from doe.study.occasions import occasion_text
from doe.study.shown import number_text

TORQUE = (
    10.0,
    100.0,
)  # %, of full scale, in which a spring viscometer holds its accuracy (instrument practice; ISO 2555 from memory)
POOLED = "all of them pooled"
_HEAD_ROWS = 50  # among which the page's heads must stand
_FINGERPRINT = re.compile(re.escape(FINGERPRINT) + r":\s*([0-9a-f]{6,})", flags=re.IGNORECASE)
COLUMNS = (
    *("run", "batch", "replicate", "time", "condition", "response", "method", "value", "lower", "upper"),
    *("spindle", "speed", "torque", "temperature", "seconds", "count", "read_on", "valid", "flags", "cell"),
)
Pair = tuple[float, float]


@dataclass(frozen=True, repr=False, eq=False)
class InstrumentReadings(Shown):
    """Readings with viscometer, pH meter or microscope, one row each, by the method with which they were read.

    Made by `read_instruments`.

    Attributes
    ----------
    plan : Plan
        The plan whose batches were read.
    data : DataFrame
        One row a reading: run, batch, replicate, time, condition, response, method, value, lower and upper (in the response's unit; a
        censored reading has the value NaN), spindle, speed (rpm), torque (%), temperature (°C), seconds (s), count (droplets), read_on (a
        text), valid, flags (in words) and cell. What is flagged stays here; only what is not valid stays out of `records_rows`.
    problems : DataFrame
        One row a problem: sheet, cell, found, allowed, mend.
    chosen : mapping of str to tuple of str
        The method, or the methods pooled by an explicit word, that stand for each response.
    remarks : DataFrame
        run, batch, remark.
    droplets : mapping of str to DropletSizes
        Sizes from files of diameters, by the cell that names the file.
    sheet : str
        The page's name in the workbook.
    """

    plan: Plan
    data: pd.DataFrame
    problems: pd.DataFrame
    chosen: Mapping[str, tuple[str, ...]]
    remarks: pd.DataFrame
    droplets: Mapping[str, DropletSizes] = field(default_factory=dict)
    sheet: str = INSTRUMENTS

    @property
    def methods(self) -> pd.DataFrame:
        """One row a response and method: readings, valid ones, batches, ranges of torque, temperature and time, and whether it stands."""
        rows = []
        for (response, method), d in self.data.groupby(["response", "method"], sort=False):
            rows.append(
                {
                    "response": response,
                    "method": method,
                    "readings": len(d),
                    "valid": int(d["valid"].sum()),
                    "batches": d["run"].nunique(),
                    "torque (%)": _range(d["torque"]),
                    "temperature (°C)": _range(d["temperature"]),
                    "seconds": _range(d["seconds"]),
                    "stands for the response": "yes" if method in self.chosen.get(str(response), ()) else "no",
                }
            )
        names = "response,method,readings,valid,batches,torque (%),temperature (°C),seconds,stands for the response"
        return pd.DataFrame(rows, columns=names.split(","))

    def records_rows(self) -> pd.DataFrame:
        """The valid readings by the chosen methods, as rows of `Records.data`.

        Returns
        -------
        DataFrame
            run, batch, replicate, time, condition, response, value, lower, upper, cell. Where methods are pooled the readings of a batch
            are numbered anew.
        """
        d = self.data
        stands = [m in self.chosen.get(r, ()) for r, m in zip(d["response"], d["method"], strict=True)]
        d = d[d["valid"].to_numpy(dtype=bool) & np.array(stands, dtype=bool)].copy()
        pooled = d["response"].map(lambda r: len(self.chosen[r]) > 1).to_numpy(dtype=bool)
        if pooled.any():
            again = d.groupby(["run", "response", "time", "condition"]).cumcount() + 1
            d["replicate"] = np.where(pooled, again, d["replicate"])
        place = {r.name: i for i, r in enumerate(self.plan.study.responses)}
        order = {key: i for r in self.plan.study.responses for i, key in enumerate((r.name, *o) for o in r.occasions)}
        rows = sorted(
            d[list(DATA)].itertuples(index=False, name=None),
            key=lambda x: (x[0], place[x[5]], order[x[5], x[3], x[4]], x[2]),
        )
        return data_frame(rows)

    def added_to(self, records: Records) -> Records:
        """Records with these readings among them.

        Readings of a sample that stand on the page Measurements as well, alone or as their mean, count once: those of the instrument are
        taken. Where the two pages disagree the reading of the page Measurements stays, and the disagreement is listed. Readings of this
        page that are among the records already (`read_sheet` joins it) give way to these. What is flagged is listed.

        Parameters
        ----------
        records : Records
            Of the same plan.

        Returns
        -------
        Records
            New records; the given ones are left as they are.

        Raises
        ------
        StudyError
            If it is no Records, or those of another plan.
        """
        if not isinstance(records, Records):
            raise StudyError("records", type(records).__name__, "Records", "make them with doe.bench.read_sheet")
        if records.plan.fingerprint != self.plan.fingerprint:
            raise StudyError(
                "records: plan fingerprint",
                records.plan.fingerprint,
                self.plan.fingerprint,
                "take the sheet and the page of one plan",
            )
        key = ["run", "response", "time", "condition"]
        problems = Problems(self.sheet)
        mine, theirs = self.records_rows(), records.data
        theirs = theirs[~theirs["cell"].astype(str).str.startswith(f"{self.sheet}!")]
        labels: dict[Any, list[Any]] = {run: list(dict.fromkeys(b)) for run, b in theirs.groupby("run")["batch"]}
        keep_mine, drop_theirs = np.ones(len(mine), dtype=bool), np.zeros(len(theirs), dtype=bool)
        there: dict[Any, Any] = dict(theirs.groupby(key).indices)
        groups: dict[Any, Any] = dict(mine.groupby(key).indices)
        for group, here in groups.items():
            run, response, time, condition = group
            cells = ", ".join(dict.fromkeys(mine["cell"].iloc[here]))
            if run in records.failed:
                keep_mine[here] = False
                problems.add(
                    cells,
                    f"{response} of run {run}",
                    "blank, as the batch failed",
                    "not taken; clear the mark or the reading",
                )
                continue
            if len(labels.get(run, ())) > 1:
                keep_mine[here] = False
                problems.add(
                    cells,
                    f"{response} of run {run}, which was made {len(labels[run])} times",
                    "of a run that was made once",
                    "not taken, as nobody knows of which batch it is; write it in the batch's row on the page Measurements",
                )
                continue
            if group not in there:
                continue
            decimals = self.plan.study.response(response).decimals
            if _say_the_same(theirs.iloc[there[group]], mine.iloc[here], decimals):
                drop_theirs[there[group]] = True
            else:
                keep_mine[here] = False
                other = ", ".join(theirs["cell"].iloc[there[group]])
                name = occasion_text(response, (time, condition))
                problems.add(
                    cells,
                    f"{name} of run {run} read otherwise than in {other} of the page Measurements",
                    "the same on both pages, or on one of them",
                    "the reading of the page Measurements is taken; correct or clear one of them",
                )
        mine = mine[keep_mine].copy()
        mine["batch"] = [labels.get(run, [batch])[0] for run, batch in zip(mine["run"], mine["batch"], strict=True)]
        self._note_flags(set(mine["cell"]), problems)
        mine["cell"] = [f"{self.sheet}!{cell}" for cell in mine["cell"]]
        both = [*theirs[~drop_theirs].itertuples(index=False, name=None), *mine.itertuples(index=False, name=None)]
        place = {
            (r.name, *o): (i, j) for i, r in enumerate(self.plan.study.responses) for j, o in enumerate(r.occasions)
        }
        both.sort(key=lambda row: (row[0], *place[row[5], row[3], row[4]], row[2]))
        remarks = pd.concat(
            [d for d in (records.remarks, self.remarks) if len(d)] or [records.remarks], ignore_index=True
        )
        listed = [d for d in (records.problems, self.problems, problems.frame()) if len(d)]
        settled = records.questions["cell"].isin([f"{self.sheet}!{response}" for response in self.chosen])
        return replace(
            records,
            data=data_frame(both),
            problems=pd.concat(listed, ignore_index=True).drop_duplicates(ignore_index=True)
            if listed
            else records.problems,
            remarks=remarks.drop_duplicates(ignore_index=True),
            questions=records.questions[~settled].reset_index(drop=True),
        )

    def _note_flags(self, taken: set[str], problems: Problems) -> None:
        """List what is flagged: readings that are taken all the same, and those that are not valid."""
        for row in self.data[self.data["flags"] != ""].to_dict("records"):
            name = occasion_text(row["response"], (row["time"], row["condition"]))
            found = f"{name} of run {row['run']}: {row['flags']}"
            if not row["valid"]:
                problems.add(row["cell"], found, "within the instrument's range", "kept on its page, but not taken")
            elif row["method"] in self.chosen.get(row["response"], ()) and row["cell"] in taken:
                mend = "taken all the same; if it must not count, clear it and say why as a remark"
                problems.add(row["cell"], found, "a reading without a flag", mend)

    def flow_curve(
        self,
        run: int,
        response: str,
        time: str = "",
        condition: str = "",
        spindle: object = None,
        rate_per_rpm: float | None = None,
        level: float = 0.95,
    ) -> FlowCurve:
        """The flow curve of one sample: its valid, exact readings at several speeds of one spindle.

        Parameters
        ----------
        run : int
            Whose batch.
        response : str
            A viscosity, in mPa·s, cP, Pa·s or P.
        time, condition : str
            The occasion; may be left out where the response has only one.
        spindle : str or number, optional
            Which spindle, where there were several.
        rate_per_rpm, level
            As for `flow_curve`.

        Returns
        -------
        FlowCurve

        Raises
        ------
        StudyError
            If there are no such readings, they are of several spindles, or at fewer than two speeds.
        """
        found = self.plan.study.response(response)
        if found.unit not in PASCAL_SECONDS:
            units = ", ".join(PASCAL_SECONDS)
            raise StudyError(
                f"flow_curve: response {found.name!r}", found.unit, f"a viscosity in {units}", "choose another response"
            )
        if len(found.occasions) > 1:
            found.at(time, condition)  # says which part of the occasion is missing or unknown
        d = self.data
        d = d[(d["run"] == run) & (d["response"] == found.name) & d["valid"] & d["value"].notna() & d["speed"].notna()]
        if len(found.occasions) > 1:
            wanted = [o for o in found.occasions if found.at(*o) == found.at(time, condition)]
            d = d[(d["time"] == wanted[0][0]) & (d["condition"] == wanted[0][1])]
        where = f"flow_curve: run {run}"
        if spindle is not None:
            d = d[d["spindle"].str.casefold() == _spindle_text(spindle)]
        if d.empty:
            with_readings = ", ".join(map(str, sorted(self.data.loc[self.data["speed"].notna(), "run"].unique())))
            raise StudyError(
                where,
                f"without a valid reading of {found.name}" + ("" if spindle is None else f" with spindle {spindle}"),
                "a run read with a viscometer",
                f"runs with readings are {with_readings or 'none'}",
            )
        spindles = sorted(d["spindle"].unique())
        if len(spindles) > 1:
            raise StudyError(f"{where}: spindle", spindles, "one", f"say spindle={spindles[0]!r} or another")
        return flow_curve(
            d["value"].to_numpy(), d["speed"].to_numpy(), unit=found.unit, rate_per_rpm=rate_per_rpm, level=level
        )

    def _sections(self) -> list[Section]:
        batches = self.data["run"].nunique()
        note = "Methods stay apart unless they are pooled by an explicit word."
        flagged = self.data[self.data["flags"] != ""]
        out = [
            Section(f"{len(self.data)} readings with instruments, of {batches} batches", self.methods.astype(str), note)
        ]
        if len(flagged):
            table = flagged[["run", "response", "method", "cell"]].astype(str)
            table["reading"] = [
                number_text(v) if math.isfinite(v) else _bounds(a, b)
                for v, a, b in zip(flagged["value"], flagged["lower"], flagged["upper"], strict=True)
            ]
            table["taken"] = ["yes" if v else "no" for v in flagged["valid"]]
            table["flags"] = flagged["flags"]
            out.append(
                Section(
                    f"Flagged ({len(flagged)})", table, "All are kept; “taken” says which may stand for their response."
                )
            )
        if len(self.problems):
            out.append(Section(f"Problems of the page ({len(self.problems)})", self.problems))
        return out


def read_instruments(
    path: str | os.PathLike[str],
    plan: Plan,
    method: Mapping[str, object] | None = None,
    hold: Mapping[str, Pair] | None = None,
    temperature: Mapping[str, Pair] | None = None,
    torque: Pair = TORQUE,
    made_at: Mapping[int, object] | None = None,
    on_time: float = ON_TIME,
) -> InstrumentReadings:
    """Read the page “Instrument readings” of a workbook that came back.

    Parameters
    ----------
    path : str or path
        The .xlsx workbook, or that page saved as .csv. Files of diameters are looked for beside it.
    plan : Plan
        The plan whose sheet it is.
    method : mapping, optional
        Response name to the method that stands for it: ("4", 20) for spindle and rpm, or a text as `methods` lists it, "direct", "d32".
        A list of methods pools them, and says so in so many words. A response read by a single method needs none; of one read by
        several, nothing goes into `records_rows` until it is said.
    hold : mapping, optional
        Response name to the least and most seconds before reading, (55, 65); readings outside are kept and flagged.
    temperature : mapping, optional
        Response name to the least and greatest sample temperature in °C, (24.5, 25.5); readings outside are kept and flagged. No reading is
        corrected for temperature.
    torque : tuple of float
        % of full scale within which a viscometer's reading is valid. Below, a reading is kept, flagged and not valid; at the upper end or
        above, the instrument was at full scale, and the viscosity is only known to be above what it then shows.
    made_at : mapping of int to date, optional
        When batches were finished, by run; `read_sheet` knows it from the workbook. What was read too early or too late is then flagged.
    on_time : float
        Share of its time by which a reading may be early or late.

    Returns
    -------
    InstrumentReadings

    Raises
    ------
    StudyError
        If the file cannot be read, is of another plan or has no such page, or an argument names what is not there.

    References
    ----------
    ISO 2555 (apparent viscosity with a rotational viscometer), ISO 3219 and common practice for the torque's limits and for stating spindle,
    speed, temperature and time; all from memory.
    """
    if not isinstance(plan, Plan):
        raise StudyError("plan", type(plan).__name__, "a Plan", "load it with doe.designs.Plan.load")
    limits, moments_known, share = _pair("torque", torque), moments("made_at", made_at, plan), on_time_share(on_time)
    seconds, degrees = limits_by_response("hold", hold, plan), limits_by_response("temperature", temperature, plan)
    grids = read_grids(path, known)
    where = f"file {str(path)!r}"
    grid, header = _page(grids, where)
    told = [m[1].lower() for row in grid.rows for c in row if isinstance(c, str) for m in _FINGERPRINT.finditer(c)]
    if told and plan.fingerprint not in told:
        mend = "it is the page of another plan: load that plan, or choose this one's sheet"
        raise StudyError(f"{where}: plan fingerprint", told[0], plan.fingerprint, mend)
    problems = Problems(grid.sheet)
    if not told:
        mend = "batches are taken by code or run number; make sure that it is this plan's page"
        problems.add("", "no plan fingerprint", f"{FINGERPRINT}: {plan.fingerprint}", mend)
    found = _taken_from(
        grid, header, plan, problems, as_path(path).parent, limits, seconds, degrees, method, moments_known, share
    )
    return replace(found, problems=problems.frame())


def read_instrument_page(
    grids: Sequence[Grid],
    plan: Plan,
    problems: Problems,
    folder: Path,
    hold: Mapping[str, Pair],
    temperature: Mapping[str, Pair],
    made_at: Mapping[int, datetime.datetime],
    on_time: float,
) -> InstrumentReadings | None:
    """The page of a workbook whose other pages are read too; None where it has none, or nothing stands on it.

    Parameters
    ----------
    grids : sequence of Grid
        The sheets that may be it.
    plan : Plan
    problems : Problems
        Grows by what is in doubt (so that the readings' own list stays empty); which of several methods stands for a response is asked.
    folder : Path
        Where files of diameters are looked for.
    hold, temperature : mapping
        As `limits_by_response` gives them.
    made_at, on_time : mapping, float
        When batches were finished, and by what share of its time a reading may be early or late.
    """
    found = [
        (grid, header)
        for grid in grids
        if (header := _head_at(grid)) is not None
        and any(str(c).strip() for row in grid.rows[header + 1 :] for c in row if c is not None)
    ]
    for grid, _ in found[1:]:
        mend = "not read; bring the rows together on one page"
        problems.add(f"sheet {grid.sheet!r}", "a second page of instrument readings", "one page", mend)
    if not found:
        return None
    grid, header = found[0]
    return _taken_from(
        grid, header, plan, problems.on(grid.sheet), folder, TORQUE, hold, temperature, None, made_at, on_time, True
    )


def is_instruments(grid: Grid) -> bool:
    """Whether a sheet is the page for instruments or its lists, whatever it is called now."""
    return grid.sheet in (INSTRUMENTS, LISTS) or _head_at(grid) is not None


def _taken_from(
    grid: Grid,
    header: int,
    plan: Plan,
    problems: Problems,
    folder: Path,
    torque: Pair,
    hold: Mapping[str, Pair],
    temperature: Mapping[str, Pair],
    method: Mapping[str, object] | None,
    made_at: Mapping[int, datetime.datetime],
    on_time: float,
    ask: bool = False,
) -> InstrumentReadings:
    """What stands on the page; the problems grow by what is in doubt."""
    rows = instrument_rows(grid, header, plan, problems, folder)
    judged = [
        _judged(r, number, torque, hold.get(r.response), temperature.get(r.response), made_at.get(r.run), on_time)
        for r, number in numbered(rows.readings, problems)
    ]
    data = readings_frame(judged, COLUMNS)
    for name in (r.name for r in plan.study.responses):
        here = data[(data["response"] == name) & data["speed"].notna()]
        lacking = here[here["torque"].isna() & ~here["flags"].str.contains("full scale")]
        if len(lacking):
            found = f"{name}: no torque in {len(lacking)} of {len(here)} readings"
            mend = "kept, but nobody can tell whether they were within the instrument's range; fill it in"
            problems.add(
                ", ".join(lacking["cell"].head(5)) + (", …" if len(lacking) > 5 else ""), found, "a torque in %", mend
            )
    chosen = _chosen(data, method, plan, problems, ask)
    remarks = pd.DataFrame(rows.remarks, columns=["run", "batch", "remark"], dtype=object)
    droplets = {r.cell: rows.droplets[r.row] for r in rows.readings if r.row in rows.droplets}
    none = Problems(grid.sheet).frame()
    return InstrumentReadings(plan, data, none, chosen, remarks, droplets, grid.sheet)


def with_instruments(records: Records, instruments: InstrumentReadings) -> Records:
    """Records with the instruments' readings among them: `InstrumentReadings.added_to`, from the side of the records.

    Raises
    ------
    StudyError
        If either is something else, or they are of two plans.
    """
    if not isinstance(instruments, InstrumentReadings):
        raise StudyError(
            "instruments", type(instruments).__name__, "InstrumentReadings", "make them with doe.bench.read_instruments"
        )
    return instruments.added_to(records)


def _head_at(grid: Grid) -> int | None:
    return next((i for i, row in enumerate(grid.rows[:_HEAD_ROWS]) if is_head_row(row)), None)


def _page(grids: Sequence[Grid], where: str) -> tuple[Grid, int]:
    found = [(grid, header) for grid in grids if (header := _head_at(grid)) is not None]
    if not found:
        raise StudyError(
            where,
            f"without a page {INSTRUMENTS!r}",
            "a workbook with that page",
            "write it with doe.bench.write_sheet(…, instruments=True)",
        )
    if len(found) > 1:
        names = [grid.sheet for grid, _ in found]
        raise StudyError(
            f"{where}: pages of instrument readings", names, "one", "bring their rows together on one page"
        )
    return found[0]


# ---- judging


def _judged(
    r: InstrumentReading,
    number: int,
    torque: Pair,
    hold: Pair | None,
    temperature: Pair | None,
    made_at: datetime.datetime | None,
    on_time: float,
) -> dict[str, object]:
    value, lower, upper = r.value
    flags, valid = [], True
    low, high = r.torque
    if r.kind == "viscosity" and not math.isnan(low):
        if low >= torque[1]:
            if not math.isnan(value):
                # viscosity is proportional to torque: what the instrument shows at its upper limit
                lower = value * torque[1] / low if math.isfinite(high) else value
                value, upper = math.nan, math.inf
            flags.append(f"torque {_torque_text(r.torque)}: full scale, so the viscosity is above {number_text(lower)}")
        elif low < torque[0] or high < torque[0]:
            valid = False
            flags.append(f"torque {_torque_text(r.torque)}, below {torque[0]:g} %: not valid")
    if hold is not None:
        flags += _outside(r.seconds, hold, "s before reading", "seconds before reading not given")
    if temperature is not None:
        flags += _outside(r.temperature, temperature, "°C", "sample temperature not given")
    if r.read_on is not None and made_at is not None and r.time:
        off = off_time(made_at, r.read_on, r.time, on_time)
        flags += [] if off is None else [f"read {off[0]}, not {off[1]}"]
    if r.kind == "pH" and r.method != DIRECT:
        flags.append(f"{r.method}: another method than in the gel")
    if r.kind == "droplets" and r.count < ENOUGH:
        flags.append(f"{r.count:.0f} droplets counted, {ENOUGH} to 300 are usual")
    return {
        "run": r.run,
        "batch": r.batch,
        "replicate": number,
        "time": r.time,
        "condition": r.condition,
        "response": r.response,
        "method": r.method,
        "value": value,
        "lower": lower,
        "upper": upper,
        "spindle": r.spindle,
        "speed": r.speed,
        "torque": low if math.isfinite(low) and low == high else math.nan,
        "temperature": r.temperature,
        "seconds": r.seconds,
        "count": r.count,
        "read_on": "" if r.read_on is None else date_text(r.read_on),
        "valid": valid,
        "flags": "; ".join(flags),
        "cell": r.cell,
    }


def _outside(value: float, limits: Pair, unit: str, missing: str) -> list[str]:
    if math.isnan(value):
        return [missing]
    inside = limits[0] <= value <= limits[1]
    return [] if inside else [f"{value:g} {unit}, outside {limits[0]:g} to {limits[1]:g}"]


def _torque_text(torque: Pair) -> str:
    low, high = torque
    return f"{low:g} %" if low == high else f"above {low:g} %" if math.isinf(high) else f"below {high:g} %"


# ---- choosing


def _chosen(
    data: pd.DataFrame, method: Mapping[str, object] | None, plan: Plan, problems: Problems, ask: bool
) -> dict[str, tuple[str, ...]]:
    """Which methods stand for each response; one read by several of which none is chosen is asked about."""
    if method is not None and not isinstance(method, Mapping):
        raise StudyError("method", method, "a mapping of response to method", 'write {"viscosity": ("4", 20)}')
    given = {plan.study.response(name).name: word for name, word in (method or {}).items()}
    out: dict[str, tuple[str, ...]] = {}
    for name in dict.fromkeys(data["response"]):
        here = data[data["response"] == name]
        known_methods = list(dict.fromkeys(here["method"]))
        if name in given:
            out[name] = _named(name, given[name], known_methods)
            continue
        valid = list(dict.fromkeys(here.loc[here["valid"], "method"]))
        if len(valid) > 1:
            counts = [f"{m} ({int((here['valid'] & (here['method'] == m)).sum())} readings)" for m in valid]
            if ask:
                question = f"{name} was read by {len(valid)} methods: which of them stands for it?"
                answer = problems.ask(name, ", ".join(counts), question, (*valid, POOLED))
                if answer is not None:
                    out[name] = tuple(valid) if answer == POOLED else (str(answer),)
                continue
            problems.add(
                "",
                f"{name} read by {len(valid)} methods: " + ", ".join(counts),
                "one method that stands for the response, or several pooled by an explicit word",
                f"none is taken until it is said: method={{{name!r}: {valid[0]!r}}}",
            )
        elif valid:
            out[name] = (valid[0],)
    for name in given.keys() - out.keys():
        raise StudyError(
            f"method: {name!r}", given[name], "of a response that was read", f"no reading of {name} is on the page"
        )
    return out


def _named(name: str, word: object, known_methods: list[str]) -> tuple[str, ...]:
    where = f"method: {name!r}"
    several = isinstance(word, list | set | frozenset) or (
        isinstance(word, tuple) and all(isinstance(w, tuple) for w in word) and bool(word)
    )
    words: list[Any] = list(word) if several else [word]  # type: ignore[call-overload]
    if not words:
        raise StudyError(where, word, "at least one method", "choose among " + ", ".join(map(repr, known_methods)))
    out = []
    for one in words:
        if isinstance(one, tuple) and len(one) == 2 and isinstance(one[1], Real) and not isinstance(one[1], bool):
            text = viscosity_method(_spindle_text(one[0]), float(one[1]))
        else:
            text = " ".join(str(one).split())
        match = next((m for m in known_methods if m.casefold() == text.casefold()), None)
        if match is None:
            raise StudyError(where, text, "one by which it was read", nearest(text, known_methods))
        out.append(match)
    return tuple(dict.fromkeys(out))


def _spindle_text(spindle: object) -> str:
    text = f"{spindle:g}" if isinstance(spindle, Real) and not isinstance(spindle, bool) else str(spindle)
    return re.sub(r"^(spindle|no\.?|nr\.?)\s*", "", " ".join(text.split()), flags=re.IGNORECASE).strip().casefold()


def _pair(where: str, pair: object) -> Pair:
    items = () if isinstance(pair, str) or not hasattr(pair, "__iter__") else tuple(pair)
    numbers = all(isinstance(v, Real) and not isinstance(v, bool) and not math.isnan(v) for v in items)
    if len(items) != 2 or not numbers or not items[0] < items[1]:
        raise StudyError(
            where,
            pair,
            "two numbers, the lower first",
            "write (24.5, 25.5)" if where != "torque" else "(10, 100) is usual",
        )
    return float(items[0]), float(items[1])


def limits_by_response(where: str, limits: Mapping[str, Pair] | None, plan: Plan) -> dict[str, Pair]:
    """Limits of readings as a user gives them, by response.

    Raises
    ------
    StudyError
        If they are no pairs of numbers, or name what is no response.
    """
    if limits is None:
        return {}
    if not isinstance(limits, Mapping):
        raise StudyError(where, limits, "a mapping of response to least and most", 'write {"viscosity": (55, 65)}')
    return {plan.study.response(name).name: _pair(f"{where}: {name!r}", pair) for name, pair in limits.items()}


def _say_the_same(theirs: pd.DataFrame, mine: pd.DataFrame, decimals: int | None) -> bool:
    """Whether what stands on the page Measurements is these readings, or their mean as it is written."""
    mean = float(mine["value"].mean(skipna=False))
    room = 0.5 * 10.0**-decimals if decimals is not None else 0.0
    for row in theirs.itertuples(index=False):
        alone = ((mine["lower"] == row.lower) & (mine["upper"] == row.upper)).any()
        as_mean = abs(float(row.value) - mean) <= max(room, 1e-9 * abs(mean))  # type: ignore[arg-type]
        if not (alone or as_mean):
            return False
    return True


def _range(values: pd.Series[float]) -> str:
    there = values.dropna()
    if there.empty:
        return ""
    low, high = number_text(there.min()), number_text(there.max())
    return low if low == high else f"{low} to {high}"


def _bounds(lower: float, upper: float) -> str:
    if math.isinf(upper):
        return f">{number_text(lower)}"
    return f"<{number_text(upper)}" if math.isinf(lower) else f"{number_text(lower)}..{number_text(upper)}"
