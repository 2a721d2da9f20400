"""The triangle of a blend in three components: its scales, the region that limits leave of it, and where a blend lies in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.plots import holding, look
from doe.plots.look import Floats
from doe.study import Component, Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class Triangle:
    """Three components that together make up `low` and what can be shared between them.

    Attributes
    ----------
    parts : tuple of Component
        The one at the top, then the lower left and the lower right.
    low : ndarray, shape (3,)
        Their amounts where each is least: the triangle's corners are its L-pseudocomponents.
    spare : float
        What they share beyond that.
    """

    parts: tuple[Component, ...]
    low: Floats
    spare: float

    def flat(self, blends: Floats) -> Floats:
        """Where blends lie in the picture: (N, 3) amounts to (N, 2)."""
        shares = (blends - self.low) / self.spare
        return np.column_stack([shares[:, 2] + 0.5 * shares[:, 0], np.sqrt(0.75) * shares[:, 0]])

    @property
    def begins(self) -> str:
        """A sentence about where the triangle begins; empty where that is at 0."""
        if self.low.max() <= 1e-9 * (self.spare + self.low.sum()):
            return ""
        corner = ", ".join(holding.setting_text(f, v) for f, v in zip(self.parts, self.low, strict=True))
        return f"The triangle begins at {corner}, not at 0."

    def draw(self, ax: Axes, region: Floats, filled: bool = False) -> bool:
        """Scales, and hatching over what the limits forbid; whether they forbid any. Where it will be `filled`, the region is only outlined."""
        from matplotlib.patches import Polygon

        flat = self.flat
        ax.set_aspect("equal")
        ax.grid(False)
        ax.set(xlim=(-0.12, 1.12), ylim=(-0.07, 0.98), xticks=[], yticks=[])
        for spine in ax.spines.values():
            spine.set_visible(False)
        whole = flat(self.low + self.spare * np.eye(3))
        allowed = flat(region)[hull(flat(region), index=True)] if len(region) > 2 else flat(region)
        cut = area(allowed) < 0.999 * area(whole)
        if cut:
            ax.add_patch(Polygon(whole, fc=look.PAPER, ec=look.HATCH, hatch="////", lw=0, zorder=0, gid="outside"))
        inside = "none" if filled else look.PAPER
        ax.add_patch(Polygon(allowed, fc=inside, ec=look.SOFT, lw=1.0, zorder=2 if filled else 1, gid="region"))
        ax.add_patch(Polygon(whole, fc="none", ec=look.SOFT, lw=0.8, zorder=2, clip_on=False))
        for c in range(3):
            self.side(ax, c)
        return cut

    def side(self, ax: Axes, c: int) -> None:
        """One component's scale along its side of the triangle, its lines across, its name along and at its corner."""
        from matplotlib.ticker import MaxNLocator

        f, low, spare, flat = self.parts[c], self.low, self.spare, self.flat
        after = (c + 1) % 3  # along this component's side the one after the next stays at its low
        before = (c + 2) % 3
        values = list(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]).tick_values(low[c], low[c] + spare))
        slant = np.array([[-1.0, 0.0], [0.5, -np.sqrt(0.75)], [0.5, np.sqrt(0.75)]])[c]
        for v in values:
            share = (v - low[c]) / spare
            if not -1e-9 <= share <= 1 + 1e-9:
                continue
            ends = np.tile(low, (2, 1))
            ends[:, c] = v
            ends[0, after] += (1 - share) * spare
            ends[1, before] += (1 - share) * spare
            line = flat(ends)
            ax.plot(*line.T, color=look.FAINT, lw=0.7, zorder=1.5, gid="grid")
            start = line[0]
            tip = start + 0.018 * slant
            ax.plot(*np.array([start, tip]).T, color=look.SOFT, lw=0.8, clip_on=False, zorder=2, gid="tick")
            ax.text(
                float(start[0] + 0.028 * slant[0]),
                float(start[1] + 0.028 * slant[1]),
                look.figures(float(v)),
                fontsize=look.SMALL,
                color=look.INK,
                ha=("right", "left", "left")[c],
                va=("center", "top", "bottom")[c],
                gid="tick value",
            )
        if c == 1:
            ax.set_xlabel(look.folded(f.label, 48))
            ax.xaxis.labelpad = 14
            return
        ax.text(
            0.14 if c == 0 else 0.86,
            0.48,
            look.folded(f.label, 40),
            rotation=60.0 if c == 0 else -60.0,
            rotation_mode="anchor",
            fontsize=look.TEXT,
            color=look.INK,
            ha="center",
            va="bottom",
            gid="side name",
        )


def corners_of(study: Study) -> pd.DataFrame:
    """Corners of the region, or where they are too many to list those found, with settings spread inside."""
    region = study.region
    corners = region.vertices()
    return corners if region.complete else pd.concat([corners, region.sample(2000, seed=0)], ignore_index=True)


def hull(points: Floats, index: bool = False) -> Any:
    """The corners of the smallest convex shape around points, in turn; the points as they are where they lie on a line."""
    from scipy.spatial import ConvexHull, QhullError

    scale = np.ptp(points, axis=0)
    try:
        found = ConvexHull((points - points.min(axis=0)) / np.where(scale > 0, scale, 1.0)).vertices
    except (QhullError, ValueError):
        found = np.lexsort(points.T)[[0, -1]]
    return found if index else points[found]


def area(corners: Floats) -> float:
    """Area of a polygon from its corners in turn (the shoelace formula)."""
    x, y = corners.T
    return 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))
