"""Matplotlib's classes as the pictures use them; imported when the first picture is drawn, since Matplotlib is slow to load."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from doe.plots.look import png, round_steps


class Panel(Axes):
    """Axes that a notebook shows as their picture."""

    def _repr_png_(self) -> bytes:
        return png(self)


class Picture(Figure):
    """A figure that belongs to no window and that a notebook shows by itself."""

    def _repr_png_(self) -> bytes:
        return png(self)


class Decades(MaxNLocator):
    """At most so many round figures on a logarithmic axis."""

    def __init__(self, most: int) -> None:
        super().__init__(most)
        self.most = most

    def tick_values(self, vmin: float, vmax: float) -> Sequence[float]:
        """Round figures between two ends."""
        return list(round_steps(vmin, vmax, self.most))
