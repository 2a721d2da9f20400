"""What one bad batch does to a fit: the same model by Huber's method, which lets far readings pull less, beside the least-squares fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special

from doe.fits.verdicts import listed, runs_text
from doe.study import Section, Shown, StudyError
from doe.study.shown import number_text

if TYPE_CHECKING:
    from doe.fits.result import Fit

LEVEL = 0.95
TUNING = 1.345  # Huber's c: 95 % efficiency with normal noise (Holland & Welsch 1977)
LOW_WEIGHT = 0.5  # a batch that pulls with less than half its weight is named: common practice, no source
MOVED = 1.0  # standard errors by which a coefficient must differ to be named: common practice, no source


@dataclass(frozen=True, repr=False, eq=False)
class RobustFit(Shown):
    """A Huber fit beside the least-squares fit; made by `Fit.robust`.

    Attributes
    ----------
    table : DataFrame
        One row a coefficient: term, estimate and std_error (least squares), robust and robust_error (Huber), moved (difference in
        least-squares standard errors), and the 95 % intervals low, high and robust_low, robust_high (t on `df`).
    weights : Series
        How much each run pulls, from 0 to 1 (by least squares all pull 1).
    df : int
        Residual degrees of freedom of the fit, by which the intervals of both are judged.
    sigma, robust_sigma : float
        Residual standard deviation by least squares, and the scale from the median absolute residual.
    cautions : tuple of str
        What the fit's own intervals do not mean, where its terms were chosen from the same readings.
    statsmodels : object
        The underlying statsmodels RLM result.
    """

    table: pd.DataFrame
    weights: pd.Series[float]
    df: int
    sigma: float
    robust_sigma: float
    label: str
    statsmodels: Any
    cautions: tuple[str, ...] = ()

    def verdict(self) -> str:
        """What far batches do to the fit, in one line."""
        light = list(self.weights.index[self.weights < LOW_WEIGHT])
        moved = list(self.table.loc[self.table["moved"].abs() > MOVED, "term"])
        if not light and not moved:
            return "No batch pulls the fit its way: both fits say the same, within one standard error of every coefficient."
        if moved and light:
            return (
                f"{runs_text(light).capitalize()} pull{'s' * (len(light) == 1)} the fit: without that pull {listed(moved)} would differ by more "
                "than a standard error. Look the batch up in the notebook before believing either."
            )
        if moved:
            return f"No single batch stands out, yet {listed(moved)} differ by more than a standard error: the noise has long tails."
        one = len(light) == 1
        return (
            f"{runs_text(light).capitalize()} lie{'s' * one} far from the rest, but no coefficient depends on {'it' if one else 'them'} by "
            "more than a standard error."
        )

    def _sections(self) -> list[Section]:
        t = self.table
        coefficients = pd.DataFrame(
            {
                "term": ["intercept" if v == "1" else v for v in t["term"]],
                "least squares": [number_text(a, b) for a, b in zip(t["estimate"], t["std_error"], strict=True)],
                "std error": [number_text(v, v) for v in t["std_error"]],
                "Huber": [number_text(a, b) for a, b in zip(t["robust"], t["robust_error"], strict=True)],
                "its std error": [number_text(v, v) for v in t["robust_error"]],
                "moved (std errors)": [f"{v:+.2f}".replace("-", "−") for v in t["moved"]],
            }
        )
        light = self.weights[self.weights < 1.0 - 1e-6].sort_values(kind="stable")
        weights = pd.DataFrame({"run": [str(r) for r in light.index], "weight": [f"{v:.2f}" for v in light]})
        rest = "All runs pull with full weight." if light.empty else "All other runs pull with weight 1."
        note = (
            f"Huber's estimate, tuning constant {TUNING}; σ {number_text(self.sigma, digits=3)} by least squares, "
            f"{number_text(self.robust_sigma, digits=3)} from the median absolute residual. Coded units, fitted scale."
        )
        return [
            Section(f"{self.label}: what far batches do to the fit", coefficients, note),
            Section("How much each run pulls", None if light.empty else weights, rest),
            Section("What it shows", None, "\n".join([self.verdict(), *self.cautions])),
        ]


def robust_fit(fit: Fit) -> RobustFit:
    """The work of `Fit.robust`."""
    import statsmodels.api as sm

    if fit.method != "least squares":
        why = {
            "ordinal": "a score has no distance from the fit to be weighed by",
            "censored": "a reading known only by bounds has no distance from the fit to be weighed by",
        }.get(fit.method, "where batches share whole plots, one weight a batch would tear them apart")
        raise StudyError(
            "robust: method of the fit",
            fit.method,
            f'"least squares": {why}',
            "see diagnostics(), which judges each batch by all others",
        )
    if fit.df_residual < 2:
        raise StudyError(
            "robust: residual degrees of freedom",
            fit.df_residual,
            "at least 2: where the model passes through every batch none can stand out",
            "fit a smaller model, or add batches",
        )
    if fit.solution.exact_to_rounding:
        raise StudyError(
            "robust: residuals of the fit",
            0.0,
            "above rounding",
            "the model passes through every reading: there is no noise to weigh",
        )
    # on orthogonal columns, and on residuals of size one, the steps lose no digits
    Q, unit = fit.solution.Q, fit.sigma
    found = sm.RLM(fit.solution.residuals / unit, Q, M=sm.robust.norms.HuberT(TUNING)).fit(maxiter=500, tol=1e-10)
    R = fit.solution.R_inverse[: fit.model.p]
    robust = fit.beta + unit * (R @ np.asarray(found.params))
    error = unit * np.sqrt(np.einsum("ij,jk,ik->i", R, np.asarray(found.cov_params()), R))
    half = float(special.stdtrit(fit.df_residual, 0.5 + LEVEL / 2.0)) * error
    own = fit.coefficients
    table = pd.DataFrame(
        {
            "term": own["term"],
            "estimate": own["estimate"],
            "std_error": own["std_error"],
            "robust": robust,
            "robust_error": error,
            "moved": (robust - own["estimate"]) / own["std_error"],
            "low": own["low"],
            "high": own["high"],
            "robust_low": robust - half,
            "robust_high": robust + half,
        }
    )
    weights = pd.Series(np.asarray(found.weights), index=pd.Index(fit.runs, name="run", dtype=object), name="weight")
    return RobustFit(
        table,
        weights,
        fit.df_residual,
        fit.sigma,
        float(found.scale) * unit,
        fit.response.label,
        found,
        tuple(fit._selected),
    )
