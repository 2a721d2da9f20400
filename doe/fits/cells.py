"""Cells of a reading: a number, blank, or bounds between which it lies: "<50", ">100000", "50..60"."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from doe.fits.arrays import Floats
from doe.study import StudyError

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_BOUND = re.compile(rf"(?P<sign><=|>=|[<>≤≥])\s*(?P<number>{_NUMBER})")
_SPAN = re.compile(rf"(?P<low>{_NUMBER})\s*(?:\.\.\.?|…)\s*(?P<high>{_NUMBER})")
ALLOWED = 'a number, a bound such as "<50", ">100000" or "50..60", or blank'


def bounds_of(text: str) -> tuple[float, float] | None:
    """Between which values a censored reading lies; None where the text is none."""
    bound, span = _BOUND.fullmatch(text.strip()), _SPAN.fullmatch(text.strip())
    if bound:
        number = float(bound["number"])
        return (-np.inf, number) if bound["sign"] in ("<", "<=", "≤") else (number, np.inf)
    if span and float(span["low"]) <= float(span["high"]):
        return float(span["low"]), float(span["high"])
    return None


def read_cells(cells: pd.Series[Any], name: str, where: str, labels: Sequence[Any]) -> tuple[Floats, Floats]:
    """Lower and upper bound of every cell, both the number of an exact reading and NaN where the cell is blank.

    Parameters
    ----------
    cells : Series
    name : str
        What its column is called.
    where : str
        What the table is called.
    labels : sequence
        What each row is called.

    Returns
    -------
    lower, upper : ndarray, shape (rows,)

    Raises
    ------
    StudyError
        If a cell is no reading.
    """
    lower = np.array(pd.to_numeric(cells, errors="coerce"), dtype=float)
    lower[[isinstance(v, bool | np.bool_) for v in cells]] = np.nan
    lower[~np.isfinite(lower)] = np.nan
    upper = lower.copy()
    missing = cells.isna().to_numpy()
    for i in np.flatnonzero(np.isnan(lower) & ~missing).tolist():
        cell = cells.iloc[i]
        if isinstance(cell, str) and not cell.strip():
            continue
        found = bounds_of(cell) if isinstance(cell, str) else None
        if found is None:
            raise StudyError(
                f"{where}, run {labels[i]}, column {name!r}",
                cell,
                ALLOWED,
                "correct the reading, or leave it blank and keep the text in a remark",
            )
        lower[i], upper[i] = found
    return lower, upper
