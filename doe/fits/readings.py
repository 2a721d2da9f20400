"""From readings to batches: one mean a batch, its settings, its block, and an account of every row that is not used."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.fits.arrays import Floats
from doe.study import Study, StudyError
from doe.study.errors import nearest

# columns with a meaning of their own, beside factors and responses
LABELS = ("run", "block", "whole_plot", "replicate", "batch")
COUNT = "readings"


@dataclass(frozen=True)
class Batches:
    """The batches a fit rests on.

    Attributes
    ----------
    runs : tuple
        One label a batch: the run's, with the batch's where a run was made more than once.
    settings : DataFrame
        Factors in natural units, one row a batch.
    encoded : ndarray, shape (n, m)
        The same as `Study.encode` gives them.
    values : ndarray, shape (n,)
        Mean reading of each batch, on the response's own scale.
    counts : ndarray, shape (n,)
        Readings behind each mean.
    block, whole_plot : tuple or None
        Labels, where the data carry them.
    setting : ndarray, shape (n,)
        Which planned setting each batch was made at.
    left_out, unused : tuple of (run, reason)
        What was left out on request, and what could not be used.
    notes : tuple of str
        What a reader should know of how rows became batches.
    readings : tuple of ndarray
        The readings of each batch, on the response's own scale.
    """

    runs: tuple[Any, ...]
    settings: pd.DataFrame
    encoded: Floats
    values: Floats
    counts: NDArray[np.int64]
    block: tuple[Any, ...] | None
    whole_plot: tuple[Any, ...] | None
    setting: NDArray[np.int64]
    left_out: tuple[tuple[Any, str], ...]
    unused: tuple[tuple[Any, str], ...]
    notes: tuple[str, ...]
    readings: tuple[Floats, ...]


def gather(study: Study, data: Any, response: str, without: Mapping[Any, str] | None) -> Batches:
    """Turn data into batches.

    Parameters
    ----------
    study : Study
    data : Records or DataFrame
        Records give one row a batch themselves. A DataFrame has one row a reading: the factors and the response in their own
        columns, and any of run, block, whole_plot, replicate, batch. Rows that share run and batch (or whichever of the two is
        there) are readings of one batch and are averaged; without either, every row is a batch.
    response : str
    without : mapping of run -> reason, optional

    Returns
    -------
    Batches

    Raises
    ------
    StudyError
        If a column is missing or misspelt, a cell cannot be read, rows of one batch disagree, or nothing is left to fit.
    """
    where, table = _as_table(study, data, response)
    _check_columns(study, table, where)
    _check_one_occasion(table, response, where)
    labels = _labels(table, where)
    values = _values(table, response, where, labels)
    batch = [_plain(v) for v in table["batch"]] if "batch" in table.columns else labels
    runs = set(labels)
    plan = None if isinstance(data, pd.DataFrame) else getattr(data, "plan", None)
    planned = [] if plan is None else [_plain(r) for r in plan.runs.index]
    drop = _reasons(without, runs | set(batch) | set(planned))
    dropped = np.array(
        [k in drop or (b in drop and b not in runs) for k, b in zip(labels, batch, strict=True)], dtype=bool
    )
    blank = np.isnan(values)
    left_out = tuple((k, drop[k]) for k in drop)
    unread = {labels[i] for i in np.flatnonzero(blank & ~dropped)} - {
        labels[i] for i in np.flatnonzero(~blank | dropped)
    }
    unused = tuple((k, f"no reading of {response}") for k in dict.fromkeys(labels) if k in unread)
    failed = set(getattr(data, "failed", ()))
    unused += tuple(
        (r, "its batch was marked as failed" if r in failed else f"no reading of {response}")
        for r in planned
        if r not in runs and r not in drop
    )
    keep = np.flatnonzero(~blank & ~dropped)
    if not len(keep):
        raise StudyError(
            f"{where}: column {response!r}", "blank in every row", "a number in some rows", "enter the readings first"
        )
    kept = table.iloc[keep].reset_index(drop=True)
    kept_labels = [labels[i] for i in keep]
    # errors name the user's own runs, or rows where a run has several
    names = kept_labels if len(set(kept_labels)) == len(keep) else [int(i) + 1 for i in keep]
    settings = study.frame(kept.set_axis(names), where).reset_index(drop=True)
    groups = _groups(kept, kept_labels)
    first = [rows[0] for rows in groups]
    for rows in groups:
        _check_one_batch(settings, kept, rows, kept_labels, where)
    counts = (
        kept[COUNT].to_numpy(dtype=np.int64)[first]
        if COUNT in kept.columns and not isinstance(data, pd.DataFrame)
        else np.array([len(rows) for rows in groups], dtype=np.int64)
    )
    settings = settings.iloc[first].reset_index(drop=True)
    encoded = study.encode(settings)
    # settings that agree to nine coded decimals are one setting: thirds of a range do not compare equal as floats
    setting = np.unique(np.round(encoded, 9) + 0.0, axis=0, return_inverse=True)[1].reshape(-1).astype(np.int64)
    notes = _notes(table, counts, setting, isinstance(data, pd.DataFrame))
    return Batches(
        runs=_batch_labels(kept, kept_labels, first),
        settings=settings,
        encoded=encoded,
        values=np.array([values[keep[rows]].mean() for rows in groups]),
        counts=counts,
        block=_label_column(kept, "block", first, kept_labels, where),
        whole_plot=_label_column(kept, "whole_plot", first, kept_labels, where),
        setting=setting,
        left_out=left_out,
        unused=unused,
        notes=(*notes, *_ignored(study, table, isinstance(data, pd.DataFrame))),
        readings=_readings(data, response, [kept_labels[i] for i in first], [values[keep[rows]] for rows in groups]),
    )


def _as_table(study: Study, data: Any, response: str) -> tuple[str, pd.DataFrame]:
    study.response(response)
    if isinstance(data, pd.DataFrame):
        table = data.reset_index() if data.index.name in LABELS and data.index.name not in data.columns else data
        where = "the data"
    elif hasattr(data, "frame"):
        table, where = data.frame(response), "the records"
        if table.index.name in LABELS and table.index.name not in table.columns:
            table = table.reset_index()
    else:
        raise StudyError(
            "data",
            type(data).__name__,
            "Records or a DataFrame",
            "read the sheet with doe.bench.read_sheet, or make a table with pandas.DataFrame",
        )
    repeated = [str(c) for c in table.columns[table.columns.duplicated()]]
    if repeated:
        raise StudyError(f"{where}: column {repeated[0]!r}", "there twice", "there once", "drop one of the two")
    if response not in table.columns:
        raise StudyError(
            f"{where}: column {response!r}",
            "missing",
            "there, one reading a row",
            nearest(response, [str(c) for c in table.columns if c not in study.names]),
        )
    return where, table


def _check_columns(study: Study, table: pd.DataFrame, where: str) -> None:
    """Refuse a column that is almost `run`, `block`, …: left unread it would silently change the analysis."""
    known = {*study.names, *(r.name for r in study.responses), *LABELS, COUNT}
    for column in table.columns:
        if column in known or not isinstance(column, str):
            continue
        plain = column.lower().replace(" ", "").replace("_", "").replace("-", "")
        targets = {label.replace("_", ""): label for label in LABELS}
        close = difflib.get_close_matches(plain, targets, n=1, cutoff=0.83)
        if close:
            raise StudyError(
                f"{where}: column",
                column,
                "a factor, a response or one of " + ", ".join(LABELS),
                f"it is an unknown column: rename it to {targets[close[0]]!r} if that is meant, or drop it",
            )


def _check_one_occasion(table: pd.DataFrame, response: str, where: str) -> None:
    """Readings of several times or conditions are not repeats of one another: averaging them would hide the difference."""
    read = table[table[response].notna()]
    for column in ("time", "condition"):
        if column in read.columns and read[column].nunique(dropna=False) > 1:
            raise StudyError(
                f"{where}: column {column!r}",
                [_plain(v) for v in read[column].unique()],
                f"one {column} in all rows of a fit",
                f"keep the rows of one {column}",
            )


def _plain(label: Any) -> Any:
    """Labels as Python values; 3.0, which a blank cell makes of 3, is 3 again."""
    value = label.item() if hasattr(label, "item") else label
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _labels(table: pd.DataFrame, where: str) -> list[Any]:
    """What each row is called: its run, else its batch, else its number."""
    for column in ("run", "batch"):
        if column in table.columns:
            blank = table[column].isna().to_numpy()
            if blank.any():
                row = int(np.flatnonzero(blank)[0]) + 1
                raise StudyError(f"{where}, row {row}, column {column!r}", "blank", f"a {column}'s label", "fill it in")
    for column in ("run", "batch"):
        if column in table.columns:
            return [_plain(v) for v in table[column]]
    return list(range(1, len(table) + 1))


def _values(table: pd.DataFrame, response: str, where: str, labels: list[Any]) -> Floats:
    cells = table[response]
    numbers = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float)
    blank = cells.isna().to_numpy() | np.array([isinstance(v, str) and not v.strip() for v in cells], dtype=bool)
    bad = (~np.isfinite(numbers) & ~blank) | np.array([isinstance(v, bool | np.bool_) for v in cells], dtype=bool)
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        raise StudyError(
            f"{where}, run {labels[at]}, column {response!r}",
            cells.iloc[at],
            "a number or blank",
            "correct the reading, or leave it blank and keep the text in a remark",
        )
    return np.where(blank, np.nan, numbers)


def _reasons(without: Mapping[Any, str] | None, present: set[Any]) -> dict[Any, str]:
    if without is None:
        return {}
    if not isinstance(without, Mapping):
        raise StudyError("without", without, "a mapping from run to reason", 'write {7: "beaker dropped"}')
    out: dict[Any, str] = {}
    for run, reason in without.items():
        key = _plain(run)
        if key not in present:
            known = sorted({str(k) for k in present})
            raise StudyError("without: run", key, "a run of the data", nearest(str(key), known))
        if not isinstance(reason, str) or not reason.strip():
            raise StudyError(f"without: run {key}", reason, "a reason in words", "say why: every report shows it")
        out[key] = reason.strip()
    return out


def _groups(kept: pd.DataFrame, labels: list[Any]) -> list[list[int]]:
    """Rows of each batch, in the order of their first row."""
    # without run or batch the labels are the rows' own numbers: every row a batch
    keys: list[Any] = labels
    if {"run", "batch"} <= set(kept.columns):
        keys = [(r, _plain(b)) for r, b in zip(labels, kept["batch"], strict=True)]
    found: dict[Any, list[int]] = {}
    for i, key in enumerate(keys):
        found.setdefault(key, []).append(i)
    return list(found.values())


def _readings(data: Any, response: str, runs: list[Any], values: list[Floats]) -> tuple[Floats, ...]:
    """The readings behind each batch's mean; Records give the means and hold the readings themselves."""
    if isinstance(data, pd.DataFrame) or not isinstance(getattr(data, "data", None), pd.DataFrame):
        return tuple(values)
    own = data.data[data.data["response"] == response]
    by_run = {_plain(run): part.to_numpy(dtype=float) for run, part in own.groupby("run")["value"]}
    return tuple(by_run.get(run, mean) for run, mean in zip(runs, values, strict=True))


def _check_one_batch(
    settings: pd.DataFrame, kept: pd.DataFrame, rows: list[int], labels: list[Any], where: str
) -> None:
    if len(rows) == 1:
        return
    run = labels[rows[0]]
    for column in settings.columns:
        seen = settings[column].iloc[rows].unique()
        if len(seen) > 1:
            raise StudyError(
                f"{where}, run {run}: {column}",
                [_plain(v) for v in seen],
                "one setting in all readings of a batch",
                "correct it, or give batches that were made anew a batch label of their own",
            )
    for column in ("block", "whole_plot"):
        if column in kept.columns and kept[column].iloc[rows].nunique(dropna=False) > 1:
            raise StudyError(
                f"{where}, run {run}: {column}",
                [_plain(v) for v in kept[column].iloc[rows].unique()],
                f"one {column.replace('_', ' ')} in all readings of a batch",
                "correct it, or give batches that were made anew a batch label of their own",
            )
    if "replicate" in kept.columns:
        numbers = [_plain(v) for v in kept["replicate"].iloc[rows]]
        twice = [v for v in numbers if numbers.count(v) > 1]
        if twice:
            raise StudyError(
                f"{where}, run {run}: replicate",
                twice[0],
                "there once in a batch",
                "drop the row that was entered twice, or number the readings 1, 2, 3",
            )


def _label_column(
    kept: pd.DataFrame, column: str, first: list[int], labels: list[Any], where: str
) -> tuple[Any, ...] | None:
    if column not in kept.columns or kept[column].isna().all():
        return None
    cells = kept[column]
    if cells.isna().any():
        run = labels[int(np.flatnonzero(cells.isna().to_numpy())[0])]
        raise StudyError(
            f"{where}, run {run}, column {column!r}",
            "blank",
            f"the {column.replace('_', ' ')} it was made in",
            "fill it in, or drop the column",
        )
    return tuple(_plain(v) for v in cells.iloc[first])


def _batch_labels(kept: pd.DataFrame, labels: list[Any], first: list[int]) -> tuple[Any, ...]:
    runs = [labels[i] for i in first]
    if "batch" not in kept.columns or len(set(runs)) == len(runs):
        return tuple(runs)
    batches = [_plain(kept["batch"].iloc[i]) for i in first]
    return tuple(r if runs.count(r) == 1 else f"{r}, batch {b}" for r, b in zip(runs, batches, strict=True))


def _notes(
    table: pd.DataFrame, counts: NDArray[np.int64], setting: NDArray[np.int64], a_table: bool
) -> tuple[str, ...]:
    out = []
    if (counts > 1).any():
        least, most = int(counts.min()), int(counts.max())
        if least == most:
            out.append(
                f"Each batch's {most} readings are averaged: repeat readings of one batch say nothing of the "
                "batch-to-batch noise."
            )
        else:
            out.append(
                f"Batches have from {least} to {most} readings, averaged; every mean counts the same, though those of few "
                "readings are less sure."
            )
    if a_table and not {"run", "batch"} & set(table.columns) and len(set(setting.tolist())) < len(setting):
        out.append(
            "Repeated settings are taken for batches made anew; if they are readings of one batch, say so in a column "
            "'batch'."
        )
    return tuple(out)


def _ignored(study: Study, table: pd.DataFrame, a_table: bool) -> tuple[str, ...]:
    known = {*study.names, *(r.name for r in study.responses), *LABELS}
    extra = [str(c) for c in table.columns if c not in known]
    return (f"Columns not used: {', '.join(extra)}.",) if a_table and extra else ()
