"""Means of each batch's readings, exact or as an interval, and derived responses worked out from them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doe.bench.measured import Measured, measured_as
from doe.study import Response, Study

BLANK = "blank because"


def batch_means(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a batch of the readings of one response at one occasion.

    Parameters
    ----------
    rows : DataFrame
        Rows of `Records.data`.

    Returns
    -------
    DataFrame
        Indexed by run and batch: value (mean; NaN where a reading is censored), lower and upper (means of the readings' bounds, on the
        response's own scale: the mean of the readings lies between them), readings (how many), censored (how many of them).
    """
    index = pd.MultiIndex.from_arrays([rows["run"], rows["batch"].astype(object)], names=["run", "batch"])
    table = rows[["value", "lower", "upper"]].set_index(index)
    table["censored"] = table["value"].isna()
    groups = table.groupby(level=["run", "batch"], sort=False)
    out = groups[["value", "lower", "upper"]].mean()
    out["readings"], out["censored"] = groups.size(), groups["censored"].sum()
    out.loc[out["censored"] > 0, "value"] = np.nan
    return out


def derived_means(study: Study, response: Response, means: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """A derived response, batch by batch, worked out from the batch means of what it needs.

    Parameters
    ----------
    study : Study
    response : Response
        With a formula.
    means : dict of str -> DataFrame
        `batch_means` of each response that the formula needs, by the name of its column.

    Returns
    -------
    DataFrame
        Indexed by run and batch, every batch that has at least one of the parts: value, lower and upper (NaN where a part is missing,
        censored, or the formula has no value), readings (1), censored (0), and why it is blank, in words.
    """
    needs = response.derivation.needs
    columns = {need: measured_as(study, need).name for need in needs}
    index = pd.MultiIndex.from_tuples(
        sorted({key for part in means.values() for key in part.index}, key=lambda k: (k[0], str(k[1]))),
        names=["run", "batch"],
    )
    parts = {need: means[columns[need]].reindex(index) for need in needs}
    value = np.broadcast_to(
        response.derivation.value({need: part["value"].to_numpy(dtype=float) for need, part in parts.items()}),
        len(index),
    )
    why = []
    for i, v in enumerate(value):
        missing = [need for need in needs if np.isnan(parts[need]["readings"].iloc[i])]
        censored = [need for need in needs if parts[need]["censored"].iloc[i] > 0]
        said = [f"no reading of {need}" for need in missing] + [f"{need} is censored" for need in censored]
        why.append("; ".join(said) or ("" if np.isfinite(v) else "the formula has no value there"))
    return pd.DataFrame(
        {"value": value, "lower": value, "upper": value, "readings": 1, "censored": 0, BLANK: why}, index=index
    )


def parts_of(study: Study, response: Response) -> list[Measured]:
    """What a derived response is worked out from."""
    return list({m.name: m for m in (measured_as(study, need) for need in response.derivation.needs)}.values())
