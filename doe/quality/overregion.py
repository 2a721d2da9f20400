"""How prediction variance is distributed over the region: the fraction-of-design-space curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.designs.settable import run_text
from doe.study import Section, Shown, StudyError
from doe.study.shown import number_text

if TYPE_CHECKING:
    from doe.quality.checking import Check

QUANTILES = (0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99)
CURVE = 201
LEAST = 200


@dataclass(frozen=True, repr=False, eq=False)
class OverRegion(Shown):
    """Prediction variance over the region, in units of σ².

    Attributes
    ----------
    average : float
        Exact, from the region's moments.
    average_sampled, average_error : float
        The same from the sample, with its standard error: a check of the two on each other.
    maximum, maximum_bound : float
        The largest met, and what no setting exceeds.
    worst : Series
        Where it is, natural units.
    worst_text : str
        The same in words.
    quantiles : Series
        By the fraction of the region at or below.
    quantile_error : Series
        Standard error of each by sampling.
    curve : DataFrame
        Columns fraction, variance: the fraction-of-design-space curve, from the lowest met to the maximum.
    points, seed : int
        The sample.

    References
    ----------
    Zahran, A., Anderson-Cook, C. M. & Myers, R. H. (2003). Fraction of design space to assess prediction capability of response
    surface designs. Journal of Quality Technology 35(4), 377-386.
    """

    average: float
    average_sampled: float
    average_error: float
    maximum: float
    maximum_bound: float
    worst: pd.Series[Any]
    worst_text: str
    quantiles: pd.Series[float]
    quantile_error: pd.Series[float]
    curve: pd.DataFrame
    points: int
    seed: int

    def _sections(self) -> list[Section]:
        table = pd.DataFrame(
            {
                "share of the region at or below": [f"{100 * q:.0f} %" for q in self.quantiles.index],
                "variance / σ²": [number_text(v, e) for v, e in zip(self.quantiles, self.quantile_error, strict=True)],
            }
        )
        bound = number_text(self.maximum_bound, digits=4) if np.isfinite(self.maximum_bound) else "not worked out"
        note = (
            f"Average {number_text(self.average)} (exact); largest met {number_text(self.maximum)}, bound {bound}, at {self.worst_text}. "
            f"Quantiles from {self.points} settings drawn uniformly (seed {self.seed}); digits follow their sampling error."
        )
        return [Section("Prediction variance over the region", table, note)]


def over_region(made: Check, points: int, seed: int) -> OverRegion:
    """The work of `Check.variance_over_region`."""
    if isinstance(points, bool) or not isinstance(points, int | np.integer) or points < LEAST:
        raise StudyError("points", points, f"a whole number from {LEAST}", "10000 is usual")
    table = made.plan.study.region.sample(int(points), seed=seed)
    v = np.sort(made.variance(table).to_numpy())
    largest = made.largest_variance
    fractions = np.linspace(0.0, 1.0, CURVE)
    curve = np.quantile(v, fractions)
    curve[-1] = max(largest.value, curve[-1])
    # standard error of a quantile: half the distance between the order statistics one binomial error to either side
    q = np.array(QUANTILES)
    step = np.sqrt(q * (1 - q) / len(v))
    error = 0.5 * (np.quantile(v, np.minimum(q + step, 1.0)) - np.quantile(v, np.maximum(q - step, 0.0)))
    index = pd.Index(QUANTILES, name="fraction")
    return OverRegion(
        made.average_variance,
        float(v.mean()),
        float(v.std(ddof=1) / np.sqrt(len(v))),
        float(curve[-1]),
        float(max(largest.bound, curve[-1])),
        largest.setting,
        run_text(made.plan.study, largest.setting),
        pd.Series(np.quantile(v, q), index=index, name="variance"),
        pd.Series(error, index=index, name="standard error"),
        pd.DataFrame({"fraction": fractions, "variance": curve}),
        int(points),
        int(seed),
    )
