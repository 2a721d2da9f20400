"""Flow curves: viscosity of one sample at several speeds, and the power law through it with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from doe.study import Section, Shown, StudyError
from doe.study.factors import as_number
from doe.study.shown import number_text, p_text

Floats = NDArray[np.float64]

PASCAL_SECONDS = {"mPa·s": 0.001, "cP": 0.001, "Pa·s": 1.0, "P": 0.1}
NEARLY_FLAT = 0.2  # flow index below which the stress hardly depends on the shear rate (our choice)
BENT = 0.05  # p-value of a bend below which the line is called bent


@dataclass(frozen=True, repr=False, eq=False)
class FlowCurve(Shown):
    """A power law η = K γ̇^(n−1) through the viscosities of one sample.

    Made by `flow_curve`. Fitted on logarithms, so that every reading counts by its relative error. The intervals are those of the line
    through this sample; they do not hold for another batch.

    Attributes
    ----------
    data : DataFrame
        One row a reading in ascending order: the speed (rpm) or shear rate (1/s), viscosity, fitted, and deviation (% of fitted).
    axis : str
        "speed (rpm)" or "shear rate (1/s)": the name of the first column.
    unit : str
        Of the viscosities.
    index, index_error, index_interval
        n (dimensionless), its standard error, its interval.
    consistency, consistency_interval
        K in Pa·s^n; NaN where only speeds are known, since a speed is no shear rate.
    at_one, at_one_interval
        The line's viscosity at 1 rpm or 1 1/s, in `unit`.
    degrees_of_freedom : int
        Readings less 2; with none there is a line but no interval.
    bend_p : float
        p-value of a bend (a square of the logarithm) in the line; NaN with fewer than four readings or three speeds.
    """

    data: pd.DataFrame
    axis: str
    unit: str
    level: float
    intercept: float
    slope: float
    covariance: Floats
    sigma: float
    degrees_of_freedom: int
    bend_p: float

    @property
    def index(self) -> float:
        """The flow index n: 1 for a Newtonian liquid, below 1 for a shear-thinning one."""
        return self.slope + 1

    @property
    def index_error(self) -> float:
        """Standard error of the flow index."""
        return float(np.sqrt(self.covariance[1, 1]))

    @property
    def index_interval(self) -> tuple[float, float]:
        """Interval of the flow index."""
        half = self._t() * self.index_error
        return self.index - half, self.index + half

    @property
    def at_one(self) -> float:
        """Viscosity of the line at 1 rpm or 1 1/s, in `unit`; often beyond the readings, and then only the line's constant."""
        return float(np.exp(self.intercept))

    @property
    def at_one_interval(self) -> tuple[float, float]:
        """Interval of `at_one`."""
        half = self._t() * np.sqrt(self.covariance[0, 0])
        return float(np.exp(self.intercept - half)), float(np.exp(self.intercept + half))

    @property
    def consistency(self) -> float:
        """K in Pa·s^n, as `gel_viscosity` takes it; NaN where the shear rates are not known."""
        return self.at_one * self._pascal_seconds()

    @property
    def consistency_interval(self) -> tuple[float, float]:
        """Interval of the consistency, Pa·s^n."""
        low, high = self.at_one_interval
        return low * self._pascal_seconds(), high * self._pascal_seconds()

    def viscosity(self, at: ArrayLike) -> pd.DataFrame:
        """Viscosity of this sample by the line.

        Parameters
        ----------
        at : array_like
            Speeds in rpm or shear rates in 1/s, as the readings had them; above 0.

        Returns
        -------
        DataFrame
            The speed or shear rate, estimate, low and high (interval of the line, in `unit`), and whether it lies within the readings:
            outside them a power law is a guess.

        Raises
        ------
        StudyError
            If one is not above 0.
        """
        x = _positive(self.axis, at, "1/s" if "1/s" in self.axis else "rpm")
        design = np.column_stack([np.ones(len(x)), np.log(x)])
        line = design @ np.array([self.intercept, self.slope])
        half = self._t() * np.sqrt(np.einsum("ij,jk,ik->i", design, self.covariance, design))
        seen = self.data[self.axis]
        within = (x >= seen.min() * (1 - 1e-12)) & (x <= seen.max() * (1 + 1e-12))
        return pd.DataFrame(
            {
                self.axis: x,
                "estimate": np.exp(line),
                "low": np.exp(line - half),
                "high": np.exp(line + half),
                "within the readings": within,
            }
        )

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to bear in mind before the line is used."""
        x, out = self.data[self.axis], []
        if self.degrees_of_freedom == 0:
            out.append("Two readings fix the line but not its error: read at three speeds or more.")
        if self.bend_p < BENT:
            out.append(
                f"The readings bend away from the line (p {p_text(self.bend_p)}): a power law holds for a narrower range of speeds only, "
                "or the sample changed while it was read."
            )
        if self.index <= 0:
            out.append(
                "A flow index of 0 or below says that the stress falls as the shear rate rises: no steady flow does that. Look for slip at "
                "the spindle, torque out of range, or a sample that was still breaking down."
            )
        elif self.index < NEARLY_FLAT:
            out.append(
                "The stress hardly changes with the shear rate, as in a gel with a yield stress: below the lowest reading the line is not "
                "to be used, and a yield stress cannot be told from it."
            )
        else:
            out.append(
                f"Below {number_text(x.min())} {self._unit_of_axis()} a gel may have a yield stress, which a power law does not show: do "
                "not extend the line."
            )
        if not self._has_rates():
            out.append(
                "Speeds are no shear rates: the index is that of this spindle and vessel, and no consistency in Pa·s^n follows."
            )
        return tuple(out)

    def _has_rates(self) -> bool:
        return "1/s" in self.axis

    def _unit_of_axis(self) -> str:
        return "1/s" if self._has_rates() else "rpm"

    def _pascal_seconds(self) -> float:
        return PASCAL_SECONDS[self.unit] if self._has_rates() else float("nan")

    def _t(self) -> float:
        if not self.degrees_of_freedom:
            return float("nan")
        from scipy import stats

        return float(stats.t.ppf((1 + self.level) / 2, self.degrees_of_freedom))

    def _sections(self) -> list[Section]:
        one = f"viscosity at 1 {self._unit_of_axis()} by the line ({self.unit})"
        relative = np.sqrt(self.covariance[0, 0])
        rows = [
            ("flow index n", self.index, self.index_error, *self.index_interval),
            (one, self.at_one, self.at_one * relative, *self.at_one_interval),
        ]
        if self._has_rates():
            k = self.consistency
            rows.append(("consistency K (Pa·s^n)", k, k * relative, *self.consistency_interval))
        table = pd.DataFrame(
            [
                [name, *(number_text(v, error) for v in (value, error, low, high))]
                for name, value, error, low, high in rows
            ],
            columns=["figure", "estimate", "std_error", "low", "high"],
        )
        count = len(self.data)
        note = f"{100 * self.level:g} % intervals of the line through these {count} readings of one sample; another batch differs by more."
        shown = self.data.copy().astype(object)
        for column in self.data.columns:
            values = self.data[column]
            shown[column] = (
                [f"{round(v, 1) + 0.0:.1f}" for v in values]
                if column == "deviation (%)"
                else [number_text(v) for v in values]
            )
        return [
            Section("Flow curve: power law through one sample", table, "\n".join([note, *self.cautions])),
            Section("Readings", shown),
        ]


def flow_curve(
    viscosity: ArrayLike,
    speed: ArrayLike | None = None,
    shear_rate: ArrayLike | None = None,
    unit: str = "mPa·s",
    rate_per_rpm: float | None = None,
    level: float = 0.95,
) -> FlowCurve:
    """Fit a power law to the viscosities of one sample at several speeds or shear rates.

    Parameters
    ----------
    viscosity : array_like, shape (m,)
        Apparent viscosities read with one spindle, in `unit`.
    speed : array_like, shape (m,), optional
        rpm.
    shear_rate : array_like, shape (m,), optional
        1/s. Either speeds or shear rates are given.
    unit : {"mPa·s", "cP", "Pa·s", "P"}
        Of the viscosities; 1 cP = 1 mPa·s.
    rate_per_rpm : float, optional
        Shear rate per rpm (1/s) of the spindle in its cup, from the instrument's papers: makes shear rates of speeds. Most spindles in a
        beaker have none.
    level : float
        Of the intervals.

    Returns
    -------
    FlowCurve
        `consistency` and `index` go into `gel_viscosity`.

    Raises
    ------
    StudyError
        If there are fewer than two different speeds, a figure is not above 0, lists differ in length, or it is not said which they are.

    Notes
    -----
    Least squares of ln η on ln γ̇ with slope n − 1; t intervals on m − 2 degrees of freedom. The same slope holds for ln rpm at a fixed
    spindle, as the shear rate of a power-law liquid is proportional to speed.

    References
    ----------
    Chhabra, R. P. and Richardson, J. F. (2008). Non-Newtonian flow and applied rheology, 2nd ed., ch. 1-2 (from memory). ISO 3219.

    Examples
    --------
    >>> curve = flow_curve([20000, 6000], speed=[5, 20])
    >>> round(curve.index, 3), round(float(curve.viscosity(10)["estimate"].iloc[0]))
    (0.132, 10954)
    """
    if unit not in PASCAL_SECONDS:
        raise StudyError(
            "flow_curve: unit", unit, "one of " + ", ".join(map(repr, PASCAL_SECONDS)), "say the viscosities' unit"
        )
    level = as_number("flow_curve: level", level)
    if not 0.5 <= level < 1:
        raise StudyError("flow_curve: level", level, "from 0.5 to below 1", "0.95 is usual")
    if (speed is None) == (shear_rate is None):
        found = "neither speed nor shear_rate" if speed is None else "both speed and shear_rate"
        raise StudyError("flow_curve", found, "one of the two", "give speed in rpm or shear_rate in 1/s")
    eta = _positive("flow_curve: viscosity", viscosity, unit)
    if speed is not None:
        x, axis = _positive("flow_curve: speed", speed, "rpm"), "speed (rpm)"
        if rate_per_rpm is not None:
            factor = as_number("flow_curve: rate_per_rpm", rate_per_rpm, "1/s per rpm")
            if factor <= 0:
                raise StudyError("flow_curve: rate_per_rpm", factor, "above 0", "see the spindle's papers")
            x, axis = x * factor, "shear rate (1/s)"
    else:
        if rate_per_rpm is not None:
            raise StudyError(
                "flow_curve: rate_per_rpm",
                rate_per_rpm,
                "left out with shear rates",
                "it makes shear rates of speeds",
            )
        x, axis = _positive("flow_curve: shear_rate", shear_rate, "1/s"), "shear rate (1/s)"
    if len(x) != len(eta):
        name = axis.partition(" (")[0]
        raise StudyError(
            f"flow_curve: {name}",
            f"{len(x)} figures",
            f"{len(eta)}, one a viscosity",
            "pair every reading with its own",
        )
    if len(np.unique(x)) < 2:
        raise StudyError(
            "flow_curve",
            f"readings at {len(np.unique(x))} speed",
            "readings at two different ones or more",
            "three or more are better",
        )
    order = np.argsort(x, kind="stable")
    return _fitted(x[order], eta[order], axis, unit, level)


def _fitted(x: Floats, eta: Floats, axis: str, unit: str, level: float) -> FlowCurve:
    log_x, log_eta = np.log(x), np.log(eta)
    m, middle = len(x), float(log_x.mean())
    centred = log_x - middle
    spread = float(centred @ centred)
    slope = float(centred @ (log_eta - log_eta.mean()) / spread)
    intercept = float(log_eta.mean() - slope * middle)
    fitted = intercept + slope * log_x
    residuals, df = log_eta - fitted, m - 2
    variance = float(residuals @ residuals) / df if df else float("nan")
    covariance = variance * np.array([[1 / m + middle**2 / spread, -middle / spread], [-middle / spread, 1 / spread]])
    data = pd.DataFrame(
        {axis: x, f"viscosity ({unit})": eta, "fitted": np.exp(fitted), "deviation (%)": 100 * np.expm1(residuals)}
    )
    return FlowCurve(
        data, axis, unit, level, intercept, slope, covariance, float(np.sqrt(variance)), df, _bend(centred, log_eta)
    )


def _bend(centred: Floats, log_eta: Floats) -> float:
    """p-value of the square of ln γ̇ added to the line; NaN where it cannot be told."""
    m = len(centred)
    if m < 4 or len(np.unique(centred)) < 3:
        return float("nan")
    from scipy import stats

    design = np.column_stack([np.ones(m), centred, centred**2])
    coefficients, *_ = np.linalg.lstsq(design, log_eta, rcond=None)
    residuals = log_eta - design @ coefficients
    variance = float(residuals @ residuals) / (m - 3)
    error = np.sqrt(variance * np.linalg.inv(design.T @ design)[2, 2])
    size = abs(float(coefficients[2]))
    if size <= 1e-9:  # a line to rounding: no bend, however small the error
        return 1.0
    return float(2 * stats.t.sf(size / error, m - 3)) if error > 0 else 0.0


def _positive(where: str, values: ArrayLike | None, unit: str) -> Floats:
    given = np.atleast_1d(np.asarray(values, dtype=object))
    if given.ndim > 1 or not given.size:
        raise StudyError(where, f"an array of shape {given.shape}", "a list of numbers", f"give them in {unit}")
    out = np.array([as_number(f"{where} {i}", v, unit) for i, v in enumerate(given, start=1)])
    for i, value in enumerate(out, start=1):
        if value <= 0:
            raise StudyError(
                f"{where} {i}", float(value), "above 0", f"give it in {unit}; leave out what was out of range"
            )
    return out
