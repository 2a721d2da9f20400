"""How much batches scatter: a number, a coefficient of variation, readings of earlier batches, or a guess marked as one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.study import Section, Shown, StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number
from doe.study.shown import number_text

# (scale, low, middle, high, words): standard deviation between batches made anew at one setting; common practice, no source
_USUAL = {
    "viscosity": ("log", 0.05, 0.08, 0.15, "batch to batch 5 to 15 % of the value"),
    "pH": ("as measured", 0.03, 0.06, 0.10, "0.05 to 0.1 in a gel, less with a steady electrode"),
    "droplet size": ("log", 0.05, 0.10, 0.20, "median of 200 to 300 drops, batch to batch"),
    "score": ("as measured", 0.3, 0.5, 0.8, "mean of two observers on a scale from 1 to 5"),
}
WORTH_IT = 0.05  # one more reading a batch is advised while it takes at least this share off σ
MOST_READINGS = 6


@dataclass(frozen=True, repr=False)
class Noise(Shown):
    """The standard deviation of a batch's mean reading about its true value, and how well it is known.

    Attributes
    ----------
    sigma : float
        On the fitted scale; with `log`, of the natural logarithm, where 0.08 reads as 8 %.
    log : bool
        Whether it is that of a log response.
    low, high : float or None
        Band of a guess.
    upper : float or None
        Upper confidence limit of sigma, where it was estimated.
    df : float or None
        Degrees of freedom of the estimate.
    confidence : float or None
        Of the upper limit.
    batch, reading : float or None
        Standard deviation between batches, and between readings of one batch.
    readings : int
        Readings a batch that sigma is for.
    source : str
        Where it comes from.
    """

    sigma: float
    log: bool = False
    low: float | None = None
    high: float | None = None
    upper: float | None = None
    df: float | None = None
    confidence: float | None = None
    batch: float | None = None
    reading: float | None = None
    readings: int = 1
    source: str = ""

    def __post_init__(self) -> None:
        checked_sigma(self.sigma)

    @property
    def advice(self) -> str:
        """How many readings a batch are worth taking; empty where readings and batches cannot be told apart."""
        if self.batch is None or self.reading is None:
            return ""
        many = worthwhile_readings(self.batch, self.reading)
        share = 100.0 * self.reading**2 / (self.batch**2 + self.reading**2) if self.reading else 0.0
        start = f"Readings of one batch make up {share:.0f} % of the variance of a single reading: "
        if many == 1:
            return start + "one reading a batch is enough; spend the effort on batches."
        one, then = math.hypot(self.batch, self.reading), math.hypot(self.batch, self.reading / math.sqrt(many))
        return (
            start + f"{many} readings a batch (reloaded each time) bring σ from {number_text(one, digits=3)} to "
            f"{number_text(then, digits=3)}; one more would take off less than {100 * WORTH_IT:.0f} %."
        )

    def _sections(self) -> list[Section]:
        rows = [("σ of a batch's mean", number_text(self.sigma))]
        if self.low is not None and self.high is not None:
            rows.append(("band", f"{number_text(self.low)} to {number_text(self.high)}"))
        if self.upper is not None:
            rows.append((f"upper {100 * (self.confidence or 0):.0f} % limit", number_text(self.upper)))
        if self.df is not None:
            rows.append(("degrees of freedom", number_text(self.df, digits=3)))
        if self.batch is not None and self.reading is not None:
            rows += [
                ("between batches", number_text(self.batch)),
                ("between readings of one batch", number_text(self.reading)),
            ]
            rows.append(("readings a batch", str(self.readings)))
        scale = "on the natural logarithm (0.08 reads as 8 %)" if self.log else "in the response's unit"
        note = "\n".join(filter(None, [self.source, self.advice]))
        return [Section(f"Noise, {scale}", pd.DataFrame(rows, columns=["what", "value"]), note)]


def checked_sigma(sigma: object, where: str = "sigma") -> float:
    """A standard deviation above 0, or the sentence that says why not."""
    value = as_number(where, sigma)
    if value <= 0:
        raise StudyError(
            where,
            value,
            "above 0",
            "give the standard deviation between batches made anew at one setting, on the fitted scale",
        )
    return value


def as_noise(sigma: object) -> Noise:
    """A number or a Noise as a Noise."""
    return sigma if isinstance(sigma, Noise) else Noise(checked_sigma(sigma))


def worthwhile_readings(batch: float, reading: float) -> int:
    """Readings a batch after which one more would take less than `WORTH_IT` off the standard deviation of a batch's mean."""
    for many in range(1, MOST_READINGS):
        now, next_one = batch**2 + reading**2 / many, batch**2 + reading**2 / (many + 1)
        if now == 0 or 1.0 - math.sqrt(next_one / now) < WORTH_IT:
            return many
    return MOST_READINGS


def noise_from_variation(percent: float) -> Noise:
    """Noise of a log response from a coefficient of variation.

    Parameters
    ----------
    percent : float
        Standard deviation as a percentage of the value, between batches made anew: 8 for 8 %.

    Returns
    -------
    Noise
        σ of the natural logarithm, √ln(1 + cv²).

    Raises
    ------
    StudyError
        If it is not above 0, or above 100.

    References
    ----------
    Johnson, N. L., Kotz, S. & Balakrishnan, N. (1994). Continuous univariate distributions, vol. 1, 2nd ed., ch. 14. Wiley.
    """
    value = as_number("coefficient of variation", percent, "%")
    if not 0 < value <= 100:
        raise StudyError(
            "coefficient of variation",
            value,
            "above 0 and at most 100 %",
            "give the standard deviation as a percentage of the value",
        )
    return Noise(
        math.sqrt(math.log1p((value / 100.0) ** 2)),
        log=True,
        source=f"From a coefficient of variation of {number_text(value)} %.",
    )


def usual_noise(kind: str) -> Noise:
    """A guess where there is nothing else: common practice, no source, shown as a band.

    Parameters
    ----------
    kind : str
        "viscosity", "pH", "droplet size" or "score".

    Returns
    -------
    Noise
        With `low` and `high`, the band in which the truth usually lies.

    Raises
    ------
    StudyError
        If there is no guess for it.
    """
    if kind not in _USUAL:
        raise StudyError("usual noise", kind, "one of " + ", ".join(_USUAL), nearest(str(kind), _USUAL))
    scale, low, middle, high, words = _USUAL[kind]
    return Noise(
        middle,
        log=scale == "log",
        low=low,
        high=high,
        source=f"A guess, common practice, no source: {kind}, {words}. Make one setting two or three times to replace it.",
    )


def noise_from_batches(
    readings: pd.DataFrame, log: bool = False, readings_per_batch: int | None = None, confidence: float = 0.9
) -> Noise:
    """Noise from readings of earlier batches, batches and readings told apart.

    Parameters
    ----------
    readings : DataFrame
        One row a reading: columns "batch" and "value"; a column "setting" where the batches were not all made at one setting.
    log : bool
        Whether the response is fitted on the natural logarithm.
    readings_per_batch : int, optional
        Readings a batch in the trial to come; as many as the earlier batches had, on average, if left out.
    confidence : float
        Of the upper limit of σ, one-sided.

    Returns
    -------
    Noise
        σ² = σ_batch² + σ_reading² / readings; its limit by χ², with Satterthwaite's degrees of freedom.

    Raises
    ------
    StudyError
        If a column is missing, a value cannot be used, or no setting was made in two batches.

    References
    ----------
    Searle, S. R., Casella, G. & McCulloch, C. E. (1992). Variance components, ch. 3 (unbalanced one-way analysis). Wiley.
    Satterthwaite, F. E. (1946). An approximate distribution of estimates of variance components. Biometrics Bulletin 2(6), 110-114.
    """
    from scipy import stats

    table = _readings_table(readings, log)
    if not (isinstance(confidence, float) and 0.5 <= confidence < 1):
        raise StudyError("confidence", confidence, "from 0.5 and below 1", "0.9 is usual for a planning limit")
    groups = table.groupby("batch", sort=False)
    means, counts = groups["value"].mean(), groups["value"].size()
    setting = groups["setting"].first()
    n, b, s = len(table), len(means), setting.nunique()
    if b <= s:
        raise StudyError(
            "earlier batches",
            f"{b} batch{'' if b == 1 else 'es'} at {s} setting{'' if s == 1 else 's'}",
            "at least two batches of one setting",
            "repeat readings of one batch say nothing of batches",
        )
    within = float(((table["value"] - table["batch"].map(means)) ** 2).sum())
    df_within, df_between = n - b, b - s
    centre = (means * counts).groupby(setting).sum() / counts.groupby(setting).sum()
    between = float((counts * (means - setting.map(centre)) ** 2).sum())
    # expected mean square between batches: σ_reading² + n0 σ_batch²
    n0 = float((n - ((counts**2).groupby(setting).sum() / counts.groupby(setting).sum()).sum()) / df_between)
    ms_between = between / df_between
    if between + within <= 0:
        raise StudyError(
            "earlier batches",
            "batches that read all the same",
            "readings with some spread",
            "give the readings unrounded",
        )
    many = max(round(n / b), 1) if readings_per_batch is None else _count("readings_per_batch", readings_per_batch)
    if df_within == 0 and readings_per_batch is not None:
        raise StudyError(
            "readings_per_batch",
            readings_per_batch,
            "left out where no earlier batch was read twice",
            "the spread of readings within a batch is not known",
        )
    if df_within == 0:
        sigma, df = math.sqrt(ms_between), float(df_between)
        upper = sigma * math.sqrt(df / stats.chi2.ppf(1.0 - confidence, df))
        return Noise(
            sigma,
            log,
            upper=float(upper),
            df=df,
            confidence=confidence,
            readings=1,
            source=f"From {b} earlier batches at {s} setting{'s' if s > 1 else ''}, one reading each.",
        )
    ms_within = within / df_within
    batch2 = max((ms_between - ms_within) / n0, 0.0)
    a, c = 1.0 / n0, 1.0 / many - 1.0 / n0
    variance = a * ms_between + c * ms_within
    if batch2 == 0.0 or variance <= 0:
        # batches differ no more than readings do: what is left is the pooled spread of readings
        pooled, df = (between + within) / (df_between + df_within), float(df_between + df_within)
        variance = ms_within = pooled
        variance /= many
    else:
        df = variance**2 / ((a * ms_between) ** 2 / df_between + (c * ms_within) ** 2 / df_within)
    sigma = math.sqrt(variance)
    return Noise(
        sigma,
        log,
        upper=float(sigma * math.sqrt(df / stats.chi2.ppf(1.0 - confidence, df))),
        df=float(df),
        confidence=confidence,
        batch=math.sqrt(batch2),
        reading=math.sqrt(ms_within),
        readings=many,
        source=f"From {n} readings of {b} earlier batches at {s} setting{'s' if s > 1 else ''}."
        + ("" if batch2 else " Batches differ no more than readings of one batch do."),
    )


def _count(where: str, value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < 1:
        raise StudyError(where, value, "a whole number from 1", "say how many times each batch will be read")
    return int(value)


def _readings_table(readings: pd.DataFrame, log: bool) -> pd.DataFrame:
    if not isinstance(readings, pd.DataFrame):
        raise StudyError(
            "earlier batches",
            type(readings).__name__,
            "a DataFrame with columns batch and value",
            "give one row a reading",
        )
    for name in ("batch", "value"):
        if name not in readings.columns:
            raise StudyError(
                f"earlier batches: column {name!r}",
                "missing",
                "there",
                "give one row a reading, with its batch and its value",
            )
    values = pd.to_numeric(readings["value"], errors="coerce").to_numpy(dtype=float)
    for at in map(int, np.flatnonzero(~np.isfinite(values) | (values <= 0 if log else False))):
        raise StudyError(
            f"earlier batches, row {readings.index[at]}: value",
            readings["value"].iloc[at],
            "a number above 0" if log else "a number",
            "correct it or leave the row out",
        )
    return pd.DataFrame(
        {
            "batch": readings["batch"].astype(str).to_numpy(),
            "value": np.log(values) if log else values,
            "setting": readings["setting"].astype(str).to_numpy() if "setting" in readings.columns else "one",
        }
    )
