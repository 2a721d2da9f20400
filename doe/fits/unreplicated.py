"""Effects of a two-level plan with nothing left to judge the noise by: the small effects judge the large ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from doe.fits.arrays import Floats
from doe.fits.result import SELECTED, Fit, scale_words
from doe.fits.verdicts import listed
from doe.study import Section, Shown, StudyError
from doe.study.shown import number_text, p_text

FEWEST = 5  # contrasts below which the median of the small ones says next to nothing: common practice, no source
FACTOR = 1.5  # of Lenth (1989), for both medians
TRIM = 2.5
DRAWS = 40_000


def pseudo_error(effects: ArrayLike) -> Floats:
    """Lenth's pseudo standard error of effects of which few are active.

    Parameters
    ----------
    effects : array_like, shape (..., m)

    Returns
    -------
    ndarray, shape (...)
        1.5 times the median of the |effects| below 2.5 times 1.5 times their median.

    References
    ----------
    Lenth, R. V. (1989). Quick and easy analysis of unreplicated factorials. Technometrics 31, 469-473.
    """
    size = np.abs(np.asarray(effects, dtype=float))
    first = FACTOR * np.median(size, axis=-1, keepdims=True)
    # effects of exactly 0 stay even where the first median is 0 itself
    small = np.where((size < TRIM * first) | (size == 0.0), size, np.nan)
    return np.asarray(FACTOR * np.nanmedian(small, axis=-1))


@dataclass(frozen=True, repr=False, eq=False)
class LenthTest(Shown):
    """Effects judged by the small ones among them; made by `lenth`.

    Attributes
    ----------
    table : DataFrame
        One row an effect, the largest first: term, effect, t (effect / pse), p (by itself), p_any (chance that the largest of all effects
        would be so large where none is active).
    pse : float
        Pseudo standard error of an effect.
    me, sme : float
        Margin of error of one effect, and of all together ("simultaneous"), at `rate`.
    rate : float
    critical : str
    normal : ndarray, shape (draws, m)
        Ordered |effects| / pse of trials with no active effect.
    """

    table: pd.DataFrame
    pse: float
    me: float
    sme: float
    rate: float
    critical: str
    normal: Floats
    label: str
    change: str

    @property
    def active(self) -> tuple[str, ...]:
        """Terms whose effects exceed the simultaneous margin of error."""
        return tuple(self.table.loc[self.table["effect"].abs() > self.sme, "term"])

    @property
    def possible(self) -> tuple[str, ...]:
        """Terms whose effects exceed the margin of error of one effect, but not that of all together."""
        size = self.table["effect"].abs()
        return tuple(self.table.loc[(size > self.me) & (size <= self.sme), "term"])

    def envelope(self, coverage: float = 0.95) -> tuple[Floats, Floats]:
        """Where the ordered |effects| lie in trials with no active effect and this pseudo standard error.

        Parameters
        ----------
        coverage : float
            Of each place by itself.

        Returns
        -------
        low, high : ndarray, shape (m,)
            The smallest effect first.
        """
        low, high = np.quantile(self.normal, [0.5 - coverage / 2.0, 0.5 + coverage / 2.0], axis=0)
        return low * self.pse, high * self.pse

    def verdict(self) -> str:
        """What the effects show, in one line."""
        percent = f"{100 * self.rate:g} %"
        if self.active:
            out = f"Shown to matter at {percent} over all effects together: {listed(self.active)}."
        else:
            out = f"No effect is shown to matter at {percent} over all effects together."
        if self.possible:
            out += f" Beyond {percent} for one effect alone, as one in {round(1 / self.rate)} idle effects is: {listed(self.possible)}."
        return out

    def _sections(self) -> list[Section]:
        table = pd.DataFrame(
            {
                "term": list(self.table["term"]),
                "effect": [number_text(float(v), self.pse) for v in self.table["effect"]],
                "effect / PSE": [f"{v:.2f}" for v in self.table["t"]],
                "p by itself": [p_text(float(v)) for v in self.table["p"]],
                "p over all": [p_text(float(v)) for v in self.table["p_any"]],
            }
        )
        how = (
            f"Limits and p-values simulated from {len(self.normal)} trials without an active effect."
            if self.critical == "simulated"
            else f"Limits by Lenth's t with m/3 = {len(self.table) / 3:.3g} degrees of freedom; p-values are simulated."
        )
        note = (
            f"An effect is {self.change}. Pseudo standard error {number_text(self.pse, digits=3)}; margin of error "
            f"{number_text(self.me, digits=3)} for one effect, {number_text(self.sme, digits=3)} for all {len(self.table)} together. {how}"
        )
        wary = (
            "This takes most effects for idle: where more than about a third matter, the pseudo standard error is too large and effects are "
            "missed."
        )
        return [
            Section(f"{self.label}: effects judged by the small ones (Lenth)", table, note),
            Section("What it shows", None, f"{self.verdict()}\n{wary}"),
        ]


def lenth(
    effects: Any, rate: float = 0.05, critical: str = "simulated", draws: int = DRAWS, seed: int = 0
) -> LenthTest:
    """Judge the effects of an unreplicated two-level plan by the small ones among them.

    Parameters
    ----------
    effects : Fit, Series or mapping of term -> effect
        A least-squares fit of a two-level plan whose coefficients are uncorrelated and equally sure (saturated, as a rule): its effects are
        twice the coefficients, the change from low to high. Or the effects themselves.
    rate : float
        Error rate of the margins.
    critical : "simulated" or "t"
        Critical values simulated for this number of effects, or by Lenth's t with m/3 degrees of freedom, which is on the safe side for one
        effect with few effects.
    draws, seed : int
        Of the simulation behind the p-values, the envelope and the simulated margins.

    Returns
    -------
    LenthTest

    Raises
    ------
    StudyError
        If the effects are fewer than five, not finite, all the same but for zero, or of a fit whose coefficients are not equally sure.

    References
    ----------
    Lenth, R. V. (1989). Quick and easy analysis of unreplicated factorials. Technometrics 31, 469-473.
    Ye, K. Q. & Hamada, M. (2000). Critical values of the Lenth method for unreplicated factorial designs. Journal of Quality Technology
    32, 57-66 (simulated critical values, for one effect and for all together).
    """
    if isinstance(rate, bool) or not isinstance(rate, int | float) or not 0.0 < rate < 0.5:
        raise StudyError("lenth: rate", rate, "between 0 and 0.5", "write 0.05")
    if critical not in ("simulated", "t"):
        raise StudyError("lenth: critical", critical, '"simulated" or "t"', "choose one of the two")
    if isinstance(draws, bool) or not isinstance(draws, int) or draws < 20 / rate:
        raise StudyError(
            "lenth: draws", draws, f"a whole number of at least {int(np.ceil(20 / rate))}", f"leave it out for {DRAWS}"
        )
    label, change, values = _effects(effects)
    m = len(values)
    if m < FEWEST:
        raise StudyError(
            "lenth: number of effects",
            m,
            f"at least {FEWEST}",
            "with fewer, repeat batches and judge the effects by those",
        )
    size = values.to_numpy(dtype=float)
    bad = ~np.isfinite(size)
    if bad.any():
        raise StudyError(
            f"lenth: effect of {values.index[int(np.flatnonzero(bad)[0])]}",
            float(size[bad][0]),
            "a finite number",
            "correct it",
        )
    pse = float(pseudo_error(size))
    if not pse > 1e-12 * np.abs(size).max():
        raise StudyError(
            "lenth: pseudo standard error",
            pse,
            "above 0",
            "most effects are 0 to the last digit: the readings are too coarse for noise to show, or were computed",
        )
    raw = np.abs(np.random.default_rng(seed).standard_normal((draws, m)))
    ratio = raw / pseudo_error(raw)[:, None]
    ratio.sort(axis=1)
    t = size / pse
    everything, largest = np.sort(ratio.ravel()), np.sort(ratio[:, -1])
    p = 1.0 - np.searchsorted(everything, np.abs(t), side="left") / len(everything)
    p_any = 1.0 - np.searchsorted(largest, np.abs(t), side="left") / len(largest)
    if critical == "simulated":
        one, all_of = np.quantile(everything, 1.0 - rate), np.quantile(largest, 1.0 - rate)
    else:
        df = m / 3.0
        one = special.stdtrit(df, 1.0 - rate / 2.0)
        all_of = special.stdtrit(df, (1.0 + (1.0 - rate) ** (1.0 / m)) / 2.0)
    table = pd.DataFrame({"term": list(values.index), "effect": size, "t": t, "p": p, "p_any": p_any})
    table = table.iloc[np.argsort(-np.abs(size), kind="stable")].reset_index(drop=True)
    return LenthTest(table, pse, float(one) * pse, float(all_of) * pse, float(rate), critical, ratio, label, change)


def _effects(effects: Any) -> tuple[str, str, pd.Series[float]]:
    """What the effects are of, what an effect is, and the effects by term."""
    if isinstance(effects, Fit):
        fit = effects
        if fit.choice is not None:
            raise StudyError(
                "lenth: fit",
                "one with chosen terms",
                "a fit with all its effects",
                f"give the whole fit. {SELECTED[:-1]}",
            )
        own = np.array([j for j, c in enumerate(fit.model.columns) if c != "1"])
        S = fit.cov_unscaled
        sure = np.diag(S)[own] if len(own) else np.zeros(0)
        off = S[np.ix_(own, own)] - np.diag(sure)
        if fit.method != "least squares" or (
            len(own) and (np.ptp(sure) > 1e-9 * sure.max() or np.abs(off).max() > 1e-9 * sure.max())
        ):
            raise StudyError(
                "lenth: fit",
                f"{fit.model.name} of {fit.response.name!r}",
                "least squares on a two-level plan whose effects are uncorrelated and equally sure",
                "give the fit of a full or fractional factorial without centre batches, or look at its p-values instead",
            )
        values = pd.Series(2.0 * fit.beta[own], index=[fit.model.columns[j] for j in own])
        return (
            f"{fit.response.label}{scale_words(fit.response)}",
            "the change from a factor's low to its high setting",
            values,
        )
    if isinstance(effects, pd.Series | Mapping):
        try:
            values = pd.Series(dict(effects), dtype=float)
        except (TypeError, ValueError):
            raise StudyError(
                "lenth: effects", dict(effects), "numbers by term", 'write {"A": 21.6, "B": 3.1, …}'
            ) from None
        return "effects given", "as given", values
    raise StudyError(
        "lenth: effects",
        type(effects).__name__,
        "a Fit, or a mapping of term -> effect",
        "give the fit of the two-level plan",
    )
