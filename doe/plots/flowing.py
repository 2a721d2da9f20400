"""How does the gel thin as it is sheared? Viscosity of one sample against speed or shear rate, with its power law."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from doe.bench import FlowCurve
from doe.plots import look
from doe.study import StudyError
from doe.study.shown import number_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def flow_curve(curve: FlowCurve, ax: Axes | None = None) -> Axes:
    """Viscosity of one sample at several speeds, both axes logarithmic, with the power law and its interval.

    Parameters
    ----------
    curve : FlowCurve
        As `doe.bench.flow_curve` or `InstrumentReadings.flow_curve` gives it.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        The line ends where the readings end, since a power law says nothing of what lies beyond.

    Raises
    ------
    StudyError
        If it is no flow curve.
    """
    from matplotlib.ticker import FuncFormatter, NullFormatter

    if not isinstance(curve, FlowCurve):
        raise StudyError("flow_curve: curve", type(curve).__name__, "a FlowCurve", "make one with doe.bench.flow_curve")
    ax = look.axes_for(ax, 5.4, 3.6)
    x, viscosity = (curve.data[name].to_numpy(dtype=float) for name in curve.data.columns[:2])
    at = np.geomspace(x.min(), x.max(), 101)
    at[[0, -1]] = x.min(), x.max()
    line = curve.viscosity(at)
    if curve.degrees_of_freedom:
        ax.fill_between(at, line["low"], line["high"], color=look.DEEP, alpha=look.BAND, linewidth=0, gid="interval")
    ax.plot(at, line["estimate"], color=look.DEEP, linewidth=1.6, gid="line")
    look.batches(ax, x, viscosity, label="reading")
    look.log_x(ax)
    ax.set_xlim(x.min() / 1.25, x.max() * 1.25)
    ends = np.concatenate([viscosity, line["estimate"], line["low"].dropna(), line["high"].dropna()])
    ax.set_yscale("log")
    ax.set_ylim(ends.min() / 1.2, ends.max() * 1.2)
    ax.set_yticks(look.round_steps(*ax.get_ylim(), most=7))
    ax.set_xticks(look.round_steps(*ax.get_xlim(), most=7))
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(FuncFormatter(lambda value, _: look.figures(value)))
        axis.set_minor_formatter(NullFormatter())
    ax.set_xlabel(curve.axis)
    ax.set_ylabel(curve.data.columns[1])
    look.framed(ax, "How this sample thins as it is sheared", f"{len(x)} readings of one sample", _words(curve))
    return ax


def _words(curve: FlowCurve) -> str:
    low, high = curve.index_interval
    error = curve.index_error if curve.degrees_of_freedom else None
    index = look.figures(curve.index, 3, error)
    said = f"Flow index {index}"
    if curve.degrees_of_freedom:
        ends = " to ".join(look.figures(v, 3, error) for v in (low, high))
        said += f" ({100 * curve.level:g} % interval {ends})"
    if np.isfinite(curve.consistency):
        said += f"; consistency {number_text(curve.consistency, digits=3)} Pa·s^n"
    band = " The band is the interval of the line, not of another batch." if curve.degrees_of_freedom else ""
    return f"{said}.{band} {' '.join(curve.cautions)}"
