"""The pH of a gel over its degree of neutralisation: readings of a titration, the curve fitted to them, the degree that a target asks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.bench.gel_curve import STEEP
from doe.plots import look
from doe.study import StudyError
from doe.study.factors import as_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doe.bench import TitrationCurve

Floats = NDArray[np.float64]
STEPS = 241
BEYOND = 0.05  # of degree, how far past the last reading the curve is drawn
INDICATIVE_END = 1.1  # degree


def titration(
    curve: TitrationCurve, target: float | Sequence[float] | None = None, level: float = 0.95, ax: Axes | None = None
) -> Axes:
    """PH over degree of neutralisation.

    Parameters
    ----------
    curve : TitrationCurve
        As `doe.bench.titration_curve` or `indicative_curve` gives it.
    target : float, or two floats, optional
        The pH aimed at, or its lowest and highest value; the degrees that reach them are named.
    level : float
        Of the band, which is for one further reading in the dispersion.
    ax : Axes, optional
        Axes to draw in; those of a new figure if left out.

    Returns
    -------
    Axes
        Readings as hollow marks; the curve, broken where it is extrapolated or only indicative; the band about it; the target dotted.

    Raises
    ------
    StudyError
        If it is no curve, or the curve does not reach the target.
    """
    from doe.bench import TitrationCurve

    if not isinstance(curve, TitrationCurve):
        raise StudyError(
            "plots.titration: curve",
            type(curve).__name__,
            "a TitrationCurve",
            "make it with doe.bench.titration_curve or doe.bench.indicative_curve",
        )
    targets = _targets(target)
    found = curve.degree(targets, level) if targets else None
    reach = curve.measured
    start = max(0.0, curve.least_degree)
    end = INDICATIVE_END if reach is None else reach[1] + BEYOND
    if found is not None:
        end = max(end, float(found["degree"].max()) + BEYOND)
    degrees = np.linspace(start, end, STEPS)
    table = curve.ph(degrees, level)
    low, mid, high = (table[c].to_numpy(dtype=float) for c in ("low", "ph", "high"))
    ax = look.axes_for(ax, 5.8, 3.8)
    ax.fill_between(degrees, low, high, color=look.DEEP, alpha=look.BAND, linewidth=0, gid="band")
    inside = np.zeros(STEPS, dtype=bool) if reach is None else (degrees >= reach[0]) & (degrees <= reach[1])
    ax.plot(degrees, np.where(inside, mid, np.nan), color=look.DEEP, linewidth=1.8, gid="curve")
    ax.plot(degrees, mid, color=look.DEEP, linewidth=1.2, linestyle=(0, (4, 2.5)), gid="extrapolated")
    if curve.titration is not None:
        look.batches(ax, curve.titration.degrees(curve.content), curve.titration.ph, size=26.0, label="reading")
    # where the curve jumps the band is taller than any pH; the view keeps to what can be read
    values = np.concatenate([low, high]) if curve.titration is None else np.concatenate([mid, curve.titration.ph])
    ax.set_ylim(max(values.min() - 0.5, 0.0), min(values.max() + 0.5, 14.0))
    ax.set_xlim(start - 0.02, end + 0.02)
    ax.set_xlabel("degree of neutralisation (eq base / eq COOH)")
    ax.set_ylabel("pH")
    if found is not None:
        for goal, degree in found[["ph", "degree"]].to_numpy(dtype=float):
            ax.plot(
                [start - 0.02, degree, degree],
                [goal, goal, 0],
                color=look.INK,
                linewidth=1.0,
                linestyle=(0, (1, 2)),
                gid="target",
            )
    name = "Indicative titration curve" if curve.indicative else "Titration curve"
    lot = f" of lot {curve.titration.lot}" if curve.titration is not None and curve.titration.lot else ""
    look.framed(ax, f"{name}{lot} with {curve.base.name}", _second(curve), _said(curve, found, level, table))
    return ax


def _targets(target: float | Sequence[float] | None) -> list[float]:
    if target is None:
        return []
    given = list(target) if isinstance(target, Sequence) and not isinstance(target, str) else [target]
    if not 1 <= len(given) <= 2:
        raise StudyError("target", target, "one pH, or its lowest and highest value", "write 6.0 or (5.8, 6.2)")
    return [as_number("target", v, "pH") for v in given]


def _second(curve: TitrationCurve) -> str:
    if curve.indicative:
        return "not measured: an assumed carbomer at " + look.figures(curve.acid, 2) + " mol/L COOH"
    errors = np.sqrt(np.diag(curve.covariance))
    return (
        f"pKapp {look.figures(curve.pk, error=errors[0])} ± {look.figures(errors[0], error=errors[0])}, "
        f"n {look.figures(curve.n, error=errors[1])} ± {look.figures(errors[1], error=errors[1])} (standard errors)"
    )


def _said(curve: TitrationCurve, found: pd.DataFrame | None, level: float, drawn: pd.DataFrame) -> str:
    out = []
    what = "usual range" if curve.indicative else f"{100 * level:g} % interval"
    for row in [] if found is None else found.to_dict("records"):
        known = not (np.isnan(row["low"]) or np.isnan(row["high"]))
        ends = f"{row['low']:.3f} to {row['high']:.3f}" if known else "with an end beyond the curve"
        notes = [n for n in row["note"].split("; ") if n and n != "indicative"]
        out.append("; ".join([f"pH {row['ph']:g}: degree {row['degree']:.3f} ({what} {ends})", *notes]) + ".")
    steep = (drawn["steepness"] > STEEP).to_numpy()
    if steep.any():
        degrees = drawn["degree"].to_numpy(dtype=float)
        turns = np.flatnonzero(np.diff(np.concatenate([[False], steep, [False]]).astype(int))).reshape(-1, 2)
        stretches = " and ".join(f"from degree {degrees[i]:.2f} to {degrees[j - 1]:.2f}" for i, j in turns)
        most = int(drawn["steepness"].to_numpy().argmax())
        moved = look.figures(0.01 * float(drawn["steepness"].iloc[most]), 2)
        out.append(f"Steep {stretches}: 0.01 of degree moves the pH by up to {moved}, at {degrees[most]:.2f}.")
    if curve.indicative:
        out.append("Broken line and band: indicative, what carbomers usually do; titrate the lot before relying on it.")
    else:
        out.append(
            f"Hollow marks: readings; band: one further reading in this dispersion, {100 * level:g} %; broken where extrapolated."
        )
    return " ".join(out)
