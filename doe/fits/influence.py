"""Each run's part in a fit: leverage, studentised residual, Cook's distance, and what to flag."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from doe.fits import arrays, verdicts
from doe.fits.arrays import Floats

if TYPE_CHECKING:
    from doe.fits.result import Fit


def outlier_limit(n: int, df: int) -> float:
    """Studentised residual beyond which a run is out of line, at 5 % over all n runs together; NaN below 2 residual df."""
    return -float(special.stdtrit(df - 1, verdicts.OUTLIER_P / (2 * n))) if df >= 2 else float("nan")


def run_table(fit: Fit) -> pd.DataFrame:
    """The table behind `Fit.diagnostics`."""
    s, p = fit.solution, fit.X.shape[1]
    t = arrays.studentised(s.residuals, s.leverage, s.rss, s.df_residual)
    cook = arrays.cooks_distance(s.residuals, s.leverage, s.sigma, p)
    return pd.DataFrame(
        {
            "run": fit.runs,
            "fitted": s.fitted,
            "residual": s.residuals,
            "leverage": s.leverage,
            "studentised": t,
            "cooks_distance": cook,
            "flags": run_flags(fit, s.leverage, t, cook),
        }
    )


def run_flags(fit: Fit, leverage: Floats, t: Floats, cook: Floats) -> list[str]:
    """What stands out of each run, in words; empty where nothing does."""
    n, p = fit.n, fit.X.shape[1]
    full = leverage >= arrays.FULL_LEVERAGE
    # an exact fit leaves rounding alone, of which no run can be out of line
    noisy = not fit.solution.exact_to_rounding
    with np.errstate(invalid="ignore"):
        marks = [
            (full, "leverage 1"),
            (~full & (leverage > verdicts.LEVERAGE_FACTOR * p / n), "high leverage"),
            ((np.abs(t) > outlier_limit(n, fit.df_residual)) & noisy, "outlier"),
            ((cook > verdicts.COOK_LIMIT) & noisy, "Cook's distance"),
        ]
    return [", ".join(word for mask, word in marks if mask[i]) for i in range(n)]


def limits_note(fit: Fit) -> str:
    """The limits behind the flags, in words."""
    n, p = fit.n, fit.X.shape[1]
    limit = outlier_limit(n, fit.df_residual)
    lines = []
    if np.isnan(limit):
        lines.append("Studentised residuals need two residual degrees of freedom: none here.")
    else:
        lines.append(f"outlier: studentised residual beyond ±{limit:.2f} (5 % over all {n} runs together).")
    if verdicts.LEVERAGE_FACTOR * p < n:
        lines.append(f"high leverage: above {verdicts.LEVERAGE_FACTOR * p / n:.2f}, twice the average.")
    lines.append(
        f"Cook's distance: above {verdicts.COOK_LIMIT:g}. leverage 1: the model passes through the run whatever it reads."
    )
    return "\n".join(lines)
