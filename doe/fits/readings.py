"""From readings to batches: one mean a batch, its settings, its block, and an account of every row that is not used."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.fits.arrays import Floats
from doe.fits.sources import LABELS, WHEN, Asked, NoReadingError, Source, asked_for, bound_text, plain, source_of
from doe.study import Study, StudyError
from doe.study.errors import nearest
from doe.study.occasions import split_occasion
from doe.study.trial import TOTAL_TOLERANCE


@dataclass(frozen=True)
class Batches:
    """The batches a fit rests on.

    Attributes
    ----------
    runs : tuple
        One label a batch: the run's, with the batch's where a run was made more than once.
    settings : DataFrame
        Factors in natural units, as made where `as_made`, one row a batch; then the covariates that the fit takes in.
    encoded : ndarray, shape (n, m)
        The same as `Study.encode` gives them.
    values : ndarray, shape (n,)
        Mean reading of each batch, on the response's own scale; NaN where a reading is censored.
    lower, upper : ndarray, shape (n,)
        Between which values the mean reading lies: both `values` where all readings are exact, −∞ or ∞ where a side is open.
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
        The readings of each batch, on the response's own scale; NaN where censored.
    bounds : tuple of ndarray, shape (readings, 2)
        Lower and upper bound of each of them.
    planned : DataFrame
        Factors as planned, one row a batch.
    planned_encoded : ndarray, shape (n, m)
        The same as `Study.encode` gives them, the covariates as measured.
    as_made : bool
        Whether `settings` are as made.
    batch : tuple
        Which batch each row is of: its run, with the batch's label where data have both. One row a batch, unless conditions are
        fitted together: then one a batch and condition.
    fixed_blocks : bool
        Whether a mixed fit takes the blocks as fixed columns, not as a sample of those to come.
    """

    runs: tuple[Any, ...]
    settings: pd.DataFrame
    encoded: Floats
    values: Floats
    lower: Floats
    upper: Floats
    counts: NDArray[np.int64]
    block: tuple[Any, ...] | None
    whole_plot: tuple[Any, ...] | None
    setting: NDArray[np.int64]
    left_out: tuple[tuple[Any, str], ...]
    unused: tuple[tuple[Any, str], ...]
    notes: tuple[str, ...]
    readings: tuple[Floats, ...]
    bounds: tuple[Floats, ...]
    planned: pd.DataFrame
    planned_encoded: Floats
    batch: tuple[Any, ...]
    as_made: bool = False
    fixed_blocks: bool = False

    @property
    def censored(self) -> NDArray[np.bool_]:
        """Which batches have a mean known only as bounds, shape (n,)."""
        return np.isnan(self.values)


def gather(
    study: Study,
    data: Any,
    response: str | Asked,
    without: Mapping[Any, str] | None,
    as_made: bool | None = None,
    covariates: tuple[str, ...] = (),
) -> Batches:
    """Turn data into batches.

    Parameters
    ----------
    study : Study
    data : Records, DataFrame or Source
        Records have one batch a run, or several where a run was made again. A DataFrame has one row a reading: the factors and the response in their own columns, and any of
        run, block, whole_plot, replicate, batch, time, condition. Rows that share run and batch (or whichever of the two is there) are
        readings of one batch and are averaged; without either, every row is a batch.
    response : str or Asked
    without : mapping of run -> reason, optional
    as_made : bool, optional
        Whether to take the settings as made; None takes them where records carry them.
    covariates : tuple of str
        Covariates that the fit takes in: runs without a value of one are not used.

    Returns
    -------
    Batches

    Raises
    ------
    StudyError
        If a column is missing or misspelt, a cell cannot be read, rows of one batch disagree, or nothing is left to fit.
    """
    asked = response if isinstance(response, Asked) else asked_for(study, response)
    source = data if isinstance(data, Source) else source_of(study, data)
    table, where = source.table, source.where
    made = _made_settings(source, as_made)
    labels = source.labels()
    lower, upper, why = source.read(study, asked)
    batch = [plain(v) for v in table["batch"]] if "batch" in table.columns else labels
    runs = set(labels)
    drop = reasons_of(without, runs | set(batch) | set(source.planned))
    dropped = np.array(
        [k in drop or (b in drop and b not in runs) for k, b in zip(labels, batch, strict=True)], dtype=bool
    )
    blank = np.isnan(lower)
    if blank.all():
        raise _nothing_read(source, asked)
    unread = {labels[i] for i in np.flatnonzero(blank & ~dropped)} - {
        labels[i] for i in np.flatnonzero(~blank | dropped)
    }
    reasons = dict(reversed(list(zip(labels, why, strict=True))))
    unused = tuple((k, reasons[k]) for k in dict.fromkeys(labels) if k in unread)
    unused += tuple(
        (r, "its batch was marked as failed" if r in source.failed else f"no reading of {asked.name}")
        for r in source.planned
        if r not in runs and r not in drop
    )
    for name in covariates:
        bare = table[name].isna().to_numpy() & ~blank & ~dropped
        unused += tuple((k, f"{name} was not measured") for k in dict.fromkeys(labels[i] for i in np.flatnonzero(bare)))
        blank = blank | bare
    keep = np.flatnonzero(~blank & ~dropped)
    if not len(keep):
        raise StudyError(
            f"{where}: runs with a reading of {asked.name!r}",
            "all left out or not usable",
            "at least one that is used",
            "leave fewer out, or measure what is missing",
        )
    kept = table.iloc[keep].reset_index(drop=True)
    kept_labels = [labels[i] for i in keep]
    # errors name the user's own runs, or rows where a run has several
    names = kept_labels if len(set(kept_labels)) == len(keep) else [int(i) + 1 for i in keep]
    planned = study.frame(kept.set_axis(names), where).reset_index(drop=True)
    for name in covariates:
        planned[name] = kept[name].astype(float)
    groups = _groups(kept, kept_labels)
    first = [rows[0] for rows in groups.values()]
    for rows in groups.values():
        _check_one_batch(planned, kept, rows, kept_labels, where)
    planned = planned.iloc[first].reset_index(drop=True)
    settings, scaled = (
        (planned, False) if made is None else _as_made(study, planned, made, [kept_labels[i] for i in first])
    )
    encoded, planned_encoded = study.encode(settings), study.encode(planned)
    low, high = (np.array([v[keep[rows]].mean() for rows in groups.values()]) for v in (lower, upper))
    bounds = tuple(np.column_stack([lower[keep[rows]], upper[keep[rows]]]) for rows in groups.values())
    counts = np.array([len(rows) for rows in groups.values()], dtype=np.int64)
    setting = settings_told_apart(study, planned_encoded)
    notes = _notes(table, counts, setting, source.a_table)
    if scaled:
        notes += ("Amounts as made that miss the mixture total are taken as shares of what they add up to.",)
    if source.problems:
        notes += (
            f"The records list {source.problems} problem{'s' * (source.problems > 1)} of the sheet; a reading listed there as not taken is in no fit.",
        )
    return Batches(
        runs=_batch_labels(kept, kept_labels, first),
        settings=settings,
        encoded=encoded,
        values=np.where(low == high, low, np.nan),
        lower=low,
        upper=high,
        counts=counts,
        block=_label_column(kept, "block", first, kept_labels, where),
        whole_plot=_label_column(kept, "whole_plot", first, kept_labels, where),
        setting=setting,
        left_out=tuple((k, drop[k]) for k in drop),
        unused=unused,
        notes=(*notes, *_ignored(study, asked, source)),
        readings=tuple(np.where(b[:, 0] == b[:, 1], b[:, 0], np.nan) for b in bounds),
        bounds=bounds,
        planned=planned,
        planned_encoded=planned_encoded,
        batch=tuple(groups),
        as_made=made is not None,
    )


def settings_told_apart(study: Study, encoded: Floats) -> NDArray[np.int64]:
    """Which setting each row of encoded settings is at, as whole numbers."""
    # settings that agree to nine coded decimals are one setting: thirds of a range do not compare equal as floats
    own = encoded[:, : encoded.shape[1] - len(study.covariates)]
    return np.unique(np.round(own, 9) + 0.0, axis=0, return_inverse=True)[1].reshape(-1).astype(np.int64)


def _nothing_read(source: Source, asked: Asked) -> StudyError:
    if source.a_table:
        return NoReadingError(
            f"{source.where}: column {asked.name!r}",
            "blank in every row",
            "a number in some rows",
            "enter the readings first",
        )
    return NoReadingError(
        f"records: response {asked.name!r}",
        "without a reading",
        "read on at least one batch",
        "fill in its column or choose another",
    )


def _made_settings(source: Source, as_made: bool | None) -> pd.DataFrame | None:
    """Settings as made, by run; None where the planned ones are taken."""
    if as_made is not None and not isinstance(as_made, bool):
        raise StudyError("as_made", as_made, "True, False or None", "leave it out to take made settings where recorded")
    if as_made and source.as_made is None:
        raise StudyError(
            "as_made",
            True,
            "backed by records that carry settings as made",
            "leave it out, or enter what was weighed and set into the sheet",
        )
    return None if as_made is False else source.as_made


def _as_made(study: Study, planned: pd.DataFrame, made: pd.DataFrame, runs: list[Any]) -> tuple[pd.DataFrame, bool]:
    """Settings as made, the planned ones where a run has none, and whether components had to be taken as shares of their sum."""
    out = planned.copy()
    recorded = np.array([run in made.index for run in runs], dtype=bool)
    for name in study.names:
        if name in made.columns:
            own = made[name].reindex(runs).reset_index(drop=True)
            out[name] = out[name].where(own.isna(), own)
    parts = [c.name for c in study.components]
    if not parts:
        return out, False
    total = study.mixture_total or 100.0
    sums = out[parts].sum(axis=1).where(recorded, total)
    out[parts] = out[parts].mul(total / sums, axis=0)
    return out, bool(((sums - total).abs() > TOTAL_TOLERANCE * total).any())


def bounds_told(batches: Batches) -> list[tuple[Any, str]]:
    """Batches with a censored reading: run and the bounds of its mean, as they are typed."""
    return [(batches.runs[i], bound_text(batches.lower[i], batches.upper[i])) for i in np.flatnonzero(batches.censored)]


def reasons_of(without: Mapping[Any, str] | None, present: set[Any]) -> dict[Any, str]:
    """The runs to leave out with their reasons, checked against those that are there."""
    if without is None:
        return {}
    if not isinstance(without, Mapping):
        raise StudyError("without", without, "a mapping from run to reason", 'write {7: "beaker dropped"}')
    out: dict[Any, str] = {}
    for run, reason in without.items():
        key = plain(run)
        if key not in present:
            known = sorted({str(k) for k in present})
            raise StudyError("without: run", key, "a run of the data", nearest(str(key), known))
        if not isinstance(reason, str) or not reason.strip():
            raise StudyError(f"without: run {key}", reason, "a reason in words", "say why: every report shows it")
        out[key] = reason.strip()
    return out


def _groups(kept: pd.DataFrame, labels: list[Any]) -> dict[Any, list[int]]:
    """Rows of each batch, in the order of their first row."""
    # without run or batch the labels are the rows' own numbers: every row a batch
    keys: list[Any] = labels
    if {"run", "batch"} <= set(kept.columns):
        keys = [(r, plain(b)) for r, b in zip(labels, kept["batch"], strict=True)]
    found: dict[Any, list[int]] = {}
    for i, key in enumerate(keys):
        found.setdefault(key, []).append(i)
    return found


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
                [plain(v) for v in seen],
                "one setting in all readings of a batch",
                "correct it, or give batches that were made anew a batch label of their own",
            )
    for column in ("block", "whole_plot"):
        if column in kept.columns and kept[column].iloc[rows].nunique(dropna=False) > 1:
            raise StudyError(
                f"{where}, run {run}: {column}",
                [plain(v) for v in kept[column].iloc[rows].unique()],
                f"one {column.replace('_', ' ')} in all readings of a batch",
                "correct it, or give batches that were made anew a batch label of their own",
            )
    if "replicate" in kept.columns:
        numbers = [plain(v) for v in kept["replicate"].iloc[rows]]
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
    return tuple(plain(v) for v in cells.iloc[first])


def _batch_labels(kept: pd.DataFrame, labels: list[Any], first: list[int]) -> tuple[Any, ...]:
    runs = [labels[i] for i in first]
    if "batch" not in kept.columns or len(set(runs)) == len(runs):
        return tuple(runs)
    batches = [plain(kept["batch"].iloc[i]) for i in first]
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


def _ignored(study: Study, asked: Asked, source: Source) -> tuple[str, ...]:
    if not source.a_table:
        return ()
    own = {r.name: r for r in study.responses}
    known = {*study.names, *study.covariate_names, *own, *LABELS}
    known |= {w for w, used in zip(WHEN, (asked.base.times, asked.base.conditions), strict=True) if used}
    extra = [
        str(c)
        for c in source.table.columns
        if c not in known and not (isinstance(c, str) and split_occasion(c)[0] in own and c.endswith("]"))
    ]
    out: tuple[str, ...] = (f"Columns not used: {', '.join(extra)}.",) if extra else ()
    if asked.base.formula is not None and asked.base.name in source.table.columns:
        out += (f"{asked.name} is taken from its own column, not worked out from {asked.base.formula}.",)
    return out
