"""Where readings come from: Records or a DataFrame, as one table of rows, and what they say of a response at an occasion."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.fits.arrays import Floats
from doe.fits.cells import read_cells
from doe.study import Response, Study, StudyError
from doe.study.errors import nearest
from doe.study.occasions import Occasion, days, occasion_text, split_occasion

# columns with a meaning of their own, beside factors and responses
LABELS = ("run", "block", "whole_plot", "replicate", "batch")
WHEN = ("time", "condition")


class NoReadingError(StudyError):
    """A response of which nothing was read, or not yet."""


class AllEqualError(StudyError):
    """A response that reads the same on every batch."""


@dataclass(frozen=True)
class Asked:
    """A response as a fit takes it.

    Attributes
    ----------
    base : Response
        As the study has it.
    occasion : (time, condition)
        When it is read; "" where it has none.
    response : Response
        As read then, with the limits of that occasion.
    """

    base: Response
    occasion: Occasion
    response: Response

    @property
    def name(self) -> str:
        """Its name, with the occasion where there are several."""
        return self.response.name


def asked_for(study: Study, response: str, at: Any = None, where: str = "fit") -> Asked:
    """The response and the occasion meant.

    Parameters
    ----------
    study : Study
    response : str
        A response's name, or one with its occasion in brackets.
    at : (time, condition), or one text, optional
        The occasion; a part may be left out where there is only one to mean.
    where : str
        Who asks, in an error.

    Raises
    ------
    StudyError
        If there is no such response or occasion, or several could be meant.
    """
    own = {r.name: r for r in study.responses}
    base = own.get(response) if isinstance(response, str) else None
    if base is None:
        study.response(response)
        name, parts = split_occasion(response)
        base = own[name]
        occasion = base.named_occasion(parts)
        if at is not None and _occasion(base, at, where) != occasion:
            raise StudyError(f"{where}: at", at, f"left out beside {response!r}", "say the occasion once")
        return Asked(base, occasion, base.at(*occasion))
    if base.formula is not None:
        if at is not None:
            raise StudyError(
                f"{where}: at", at, "left out for a derived response, whose formula names its times", "leave it out"
            )
        return Asked(base, ("", ""), base)
    occasion = _occasion(base, at, where)
    return Asked(base, occasion, base.at(*occasion))


def _occasion(base: Response, at: Any, where: str) -> Occasion:
    if at is None:
        if len(base.occasions) > 1:
            names = ", ".join(occasion_text(base.name, o) for o in base.occasions)
            first = ", ".join(repr(part) for part in base.occasions[0] if part)
            raise StudyError(
                f"{where}: at",
                "left out",
                f"the occasion of one of {names}",
                f"write at=({first}{',' if first.count(chr(39)) == 2 else ''}), or fit all of them with fit_all",
            )
        return base.occasion()
    parts: Any = (at,) if isinstance(at, str) else at
    if not isinstance(parts, Sequence) or not 1 <= len(parts) <= 2:
        raise StudyError(
            f"{where}: at", at, "a pair of time and condition, or one of the two", 'write at=("4 wk", "40 °C")'
        )
    if len(parts) == 2 and (parts[0] in (None, "") or parts[1] in (None, "")):
        return base.occasion(*parts)
    return base.named_occasion(str(p) for p in parts)


@dataclass(frozen=True)
class Source:
    """Rows of readings.

    Attributes
    ----------
    where : str
        What the data are called in an error.
    table : DataFrame
        One row a reading, or several readings of a batch side by side: labels, factors as planned, covariates.
    a_table : bool
        Whether it was given as a DataFrame.
    planned : tuple
        All runs of the plan, where there is one.
    failed : frozenset
        Runs whose batch was marked as failed.
    as_made : DataFrame or None
        Settings as made, by run.
    problems : int
        How many problems the records list.
    readings : DataFrame or None
        Of records: response, time, condition, lower and upper of every row.
    """

    where: str
    table: pd.DataFrame
    a_table: bool
    planned: tuple[Any, ...] = ()
    failed: frozenset[Any] = frozenset()
    as_made: pd.DataFrame | None = None
    problems: int = 0
    readings: pd.DataFrame | None = None

    def labels(self) -> list[Any]:
        """What each row is called: its run, else its batch, else its number."""
        for column in ("run", "batch"):
            if column in self.table.columns:
                blank = self.table[column].isna().to_numpy()
                if blank.any():
                    row = int(np.flatnonzero(blank)[0]) + 1
                    raise StudyError(
                        f"{self.where}, row {row}, column {column!r}", "blank", f"a {column}'s label", "fill it in"
                    )
        for column in ("run", "batch"):
            if column in self.table.columns:
                return [plain(v) for v in self.table[column]]
        return list(range(1, len(self.table) + 1))

    def keys(self) -> list[Any]:
        """Which batch each row is of."""
        # without run or batch the labels are the rows' own numbers: every row a batch
        labels = self.labels()
        if {"run", "batch"} <= set(self.table.columns):
            return [(r, plain(b)) for r, b in zip(labels, self.table["batch"], strict=True)]
        return labels

    def read(self, study: Study, asked: Asked) -> tuple[Floats, Floats, list[str]]:
        """Bounds of every row's reading (both its value where it is exact, NaN where there is none), and why there is none."""
        labels = self.labels()
        none = f"no reading of {asked.name}"
        if asked.base.formula is None or (self.a_table and asked.base.name in self.table.columns):
            if not self.a_table:
                lower, upper = self._recorded(asked)
            else:
                cells, elsewhere = self._cells(study, asked, labels)
                lower, upper = read_cells(cells.mask(elsewhere), asked.base.name, self.where, labels)
            return lower, upper, [none] * len(labels)
        return self._derived(study, asked, none)

    def _recorded(self, asked: Asked) -> tuple[Floats, Floats]:
        assert self.readings is not None  # only records get here
        t = self.readings
        mine = t["response"].to_numpy() == asked.base.name
        for column, part, options in zip(WHEN, asked.occasion, (asked.base.times, asked.base.conditions), strict=True):
            if len(options) > 1:
                mine = mine & np.array([_which(column, options, v) == part for v in t[column]], dtype=bool)
        return (
            np.where(mine, t["lower"].to_numpy(dtype=float), np.nan),
            np.where(mine, t["upper"].to_numpy(dtype=float), np.nan),
        )

    def _cells(self, study: Study, asked: Asked, labels: list[Any]) -> tuple[pd.Series[Any], NDArray[np.bool_]]:
        """The cells of a response at an occasion, and which rows are of other occasions."""
        t, base = self.table, asked.base
        nowhere = np.zeros(len(t), dtype=bool)
        own = [c for c in t.columns if isinstance(c, str) and _means(base, c) == asked.occasion]
        if len(own) > 1:
            raise StudyError(
                f"{self.where}: columns",
                own,
                f"one column of {asked.name}",
                "they are one occasion: drop one of the two",
            )
        if own:
            return t[own[0]], nowhere
        if base.name not in t.columns:
            taken = {*study.names, *study.covariate_names, *LABELS, *WHEN}
            raise StudyError(
                f"{self.where}: column {asked.name!r}",
                "missing",
                "there, one reading a row",
                nearest(asked.name, [str(c) for c in t.columns if c not in taken]),
            )
        cells = t[base.name]
        elsewhere = nowhere.copy()
        for column, part, options in zip(WHEN, asked.occasion, (base.times, base.conditions), strict=True):
            elsewhere |= self._of_others(column, part, options, base.name, labels)
        return cells, elsewhere

    def _of_others(
        self, column: str, part: str, options: tuple[str, ...], name: str, labels: list[Any]
    ) -> NDArray[np.bool_]:
        """Which rows are of another time (or condition)."""
        t = self.table
        read = t[name].notna().to_numpy()
        if column not in t.columns:
            if len(options) > 1:
                raise StudyError(
                    f"{self.where}: column {column!r}",
                    "missing",
                    f"there, as {name!r} is read at several {column}s ({', '.join(options)})",
                    f"add it, or one column for each occasion, named {occasion_text(name, (options[0], ''))!r}",
                )
            return np.zeros(len(t), dtype=bool)
        if not options:
            # readings of several times or conditions are no repeats of one another: averaging them would hide the difference
            if t.loc[read, column].nunique(dropna=False) > 1:
                raise StudyError(
                    f"{self.where}: column {column!r}",
                    [plain(v) for v in t.loc[read, column].unique()],
                    f"one {column} in all rows of a fit",
                    f"keep the rows of one {column}, or give the response its {column}s",
                )
            return np.zeros(len(t), dtype=bool)
        found = [_which(column, options, v) for v in t[column]]
        for i in np.flatnonzero(read):
            if found[i] is None:
                cell = t[column].iloc[i]
                raise StudyError(
                    f"{self.where}, run {labels[i]}, column {column!r}",
                    "blank" if pd.isna(cell) else cell,
                    f"one of {', '.join(options)}",
                    "fill it in" if pd.isna(cell) else f"correct it, or add it to the {column}s of {name!r}",
                )
        return np.array([v != part for v in found], dtype=bool)

    def _derived(self, study: Study, asked: Asked, none: str) -> tuple[Floats, Floats, list[str]]:
        """A derived response, worked out batch by batch from means; it stands at the first row of each batch."""
        keys = self.keys()
        place = {key: j for j, key in enumerate(dict.fromkeys(keys))}
        at = np.array([place[k] for k in keys], dtype=np.int64)
        formula = asked.base.derivation
        means: dict[str, Floats] = {}
        why = [""] * len(place)
        for need in formula.needs:
            part = asked_for(study, need)
            if self.a_table and not {"run", "batch"} & set(self.table.columns) and set(WHEN) & set(self.table.columns):
                raise StudyError(
                    f"{self.where}: column 'run'",
                    "missing",
                    f"there, so that {asked.name!r} can be worked out from the readings of one batch at several times",
                    "add it, or give each occasion a column of its own",
                )
            lower, upper, _ = self.read(study, part)
            low, high = batch_means(lower, at, len(place)), batch_means(upper, at, len(place))
            for j in np.flatnonzero(np.isnan(low)):
                why[j] = why[j] or f"no reading of {part.name}"
            for j in np.flatnonzero(~np.isnan(low) & (low != high)):
                why[j] = why[j] or (
                    f"{part.name} was read only as a bound ({bound_text(low[j], high[j])}), so that {asked.name} cannot be "
                    "worked out"
                )
            means[need] = np.where(low == high, low, np.nan)
        value = formula.value(means)
        value = np.broadcast_to(value, (len(place),)).astype(float)
        for j in np.flatnonzero(np.isnan(value)):
            why[j] = why[j] or f"{asked.base.formula} has no value for its readings"
        out = np.full(len(keys), np.nan)
        out[first_rows(keys)] = value
        return out, out.copy(), [why[j] or none for j in at]


def batch_means(values: Floats, at: NDArray[np.int64], count: int) -> Floats:
    """Mean of the readings of each batch; NaN where it has none."""
    there = ~np.isnan(values)
    sums = np.zeros(count)
    np.add.at(sums, at[there], values[there])
    with np.errstate(invalid="ignore"):
        return np.asarray(sums / np.bincount(at[there], minlength=count))


def bound_text(low: float, high: float) -> str:
    """Bounds as they are typed."""
    if np.isinf(low):
        return f"<{high:g}"
    return f">{low:g}" if np.isinf(high) else f"{low:g}..{high:g}"


def _which(column: str, options: tuple[str, ...], cell: Any) -> str | None:
    """The option that a cell means; None where it is none of them."""
    if not isinstance(cell, str):
        return None
    text = " ".join(cell.split())
    if text in options or column != "time":
        return text if text in options else None
    try:
        at = days(text)
    except StudyError:
        return None
    return next((t for t in options if days(t) == at), None)


def _means(base: Response, column: str) -> Occasion | None:
    """The occasion of this response whose column this is."""
    name, parts = split_occasion(column)
    if name != base.name or not parts:
        return None
    try:
        return base.named_occasion(parts)
    except StudyError:
        return None


def plain(label: Any) -> Any:
    """Labels as Python values; 3.0, which a blank cell makes of 3, is 3 again."""
    value = label.item() if hasattr(label, "item") else label
    return int(value) if isinstance(value, float) and value.is_integer() else value


def source_of(study: Study, data: Any) -> Source:
    """Rows of Records or of a DataFrame.

    Raises
    ------
    StudyError
        If it is neither, or a column is there twice or almost has the name of one with a meaning.
    """
    if isinstance(data, pd.DataFrame):
        table = data.reset_index() if data.index.name in LABELS and data.index.name not in data.columns else data
        repeated = [str(c) for c in table.columns[table.columns.duplicated()]]
        if repeated:
            raise StudyError(f"the data: column {repeated[0]!r}", "there twice", "there once", "drop one of the two")
        _check_columns(study, table)
        return Source("the data", table.reset_index(drop=True), True)
    plan = getattr(data, "plan", None)
    if plan is None or not isinstance(getattr(data, "data", None), pd.DataFrame):
        raise StudyError(
            "data",
            type(data).__name__,
            "Records or a DataFrame",
            "read the sheet with doe.bench.read_sheet, or make a table with pandas.DataFrame",
        )
    read = data.data.reset_index(drop=True)
    runs = read["run"].tolist()
    table = plan.runs.loc[runs].reset_index(drop=True)
    for label, labels in (("whole_plot", plan.whole_plot), ("block", plan.block)):
        if labels is not None:
            table.insert(0, label, labels.loc[runs].to_numpy())
    table.insert(0, "run", runs)
    if read.groupby("run")["batch"].nunique().gt(1).any():  # a run made again: a batch of its own, not one read again
        table["batch"] = read["batch"].to_numpy()
    table["replicate"] = read["replicate"]
    readings = pd.DataFrame({"response": read["response"]})
    for column in WHEN:
        readings[column] = read[column] if column in read.columns else ""
    for column in ("lower", "upper"):
        readings[column] = read[column] if column in read.columns else read["value"]
    measured = getattr(data, "covariates", None)
    for name in study.covariate_names:
        if isinstance(measured, pd.DataFrame) and name in measured.columns:
            table[name] = measured[name].reindex(runs).to_numpy()
    return Source(
        "the records",
        table,
        False,
        tuple(plain(r) for r in plan.runs.index),
        frozenset(getattr(data, "failed", ())),
        getattr(data, "as_made", None),
        len(getattr(data, "problems", ())),
        readings,
    )


def _check_columns(study: Study, table: pd.DataFrame) -> None:
    """Refuse a column that is almost `run`, `block`, …: left unread it would silently change the analysis."""
    words = (*LABELS, *WHEN)
    known = {*study.names, *study.covariate_names, *(r.name for r in study.responses), *words}
    for column in table.columns:
        if column in known or not isinstance(column, str):
            continue
        plain_ = column.lower().replace(" ", "").replace("_", "").replace("-", "")
        targets = {label.replace("_", ""): label for label in words}
        close = difflib.get_close_matches(plain_, targets, n=1, cutoff=0.83)
        if close:
            raise StudyError(
                "the data: column",
                column,
                "a factor, a response or one of " + ", ".join(LABELS),
                f"it is an unknown column: rename it to {targets[close[0]]!r} if that is meant, or drop it",
            )


def measured_covariates(study: Study, source: Source) -> pd.DataFrame:
    """What was measured of the study's covariates: one row a batch, NaN where blank; only columns that the data have.

    Raises
    ------
    StudyError
        If a cell is neither blank nor a number.
    """
    t = source.table
    labels = source.labels()
    out: dict[str, Floats] = {}
    for c in study.covariates:
        if c.name not in t.columns:
            continue
        numbers = np.array(pd.to_numeric(t[c.name], errors="coerce"), dtype=float)
        for i in np.flatnonzero(~np.isfinite(numbers)):
            cell = t[c.name].iloc[i]
            if not pd.isna(cell) and not (isinstance(cell, str) and not cell.strip()):
                raise StudyError(
                    f"{source.where}, run {labels[i]}, column {c.name!r}",
                    cell,
                    f"a number{' in ' + c.unit if c.unit else ''}, or blank",
                    "correct the cell",
                )
        out[c.name] = numbers
    return pd.DataFrame(out, index=range(len(t))).iloc[first_rows(source.keys())].reset_index(drop=True)


def first_rows(keys: Sequence[Any]) -> list[int]:
    """The first row of each batch, in order."""
    first: dict[Any, int] = {}
    for i, key in enumerate(keys):
        first.setdefault(key, i)
    return list(first.values())
