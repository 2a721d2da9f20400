"""The chance over three components of a mixture, the other settings held: a grid over the triangle of what they share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.study import StudyError
from doe.study.errors import nearest
from doe.window.folding import Floats
from doe.window.settings import Settings

if TYPE_CHECKING:
    from doe.window.result import Window

NEAR = 1e-7  # share of a range within which a corner lies on a bound or constraint


@dataclass(frozen=True)
class Blends:
    """Three components, all other settings held.

    Attributes
    ----------
    parts : tuple of str
        The three.
    held : dict
        Setting of every other factor.
    total : float
        What the three make up together.
    corners : ndarray, shape (c, 3)
        Corners of the region on this slice.
    low : ndarray, shape (3,)
        The least of each in the region.
    """

    parts: tuple[str, str, str]
    held: dict[str, Any]
    total: float
    corners: Floats
    low: Floats

    @property
    def spare(self) -> float:
        """What they share beyond the least of each."""
        return float(self.total - self.low.sum())

    def table(self, blends: Floats, names: list[str]) -> pd.DataFrame:
        """Settings with these amounts of the three, (N, 3), columns in the order of `names`."""
        columns: dict[str, Any] = {n: [self.held[n]] * len(blends) for n in names if n in self.held}
        columns |= {n: blends[:, i] for i, n in enumerate(self.parts)}
        return pd.DataFrame(columns)[names]

    def grid(self, n: int) -> Floats:
        """Amounts over the whole triangle, (n (n + 1)/2, 3), the first component rising fastest."""
        steps = [(i, j, n - 1 - i - j) for j in range(n) for i in range(n - j)]
        return np.asarray(self.low + self.spare * np.array(steps) / (n - 1))


def blends_of(win: Window, a: str, b: str, c: str, at: Mapping[str, Any] | None, function: str) -> Blends:
    """The slice over three components; the sentence where there is none."""
    study = win.study
    parts = [f.name for f in study.components]
    for which, name in zip("abc", (a, b, c), strict=True):
        if name not in parts:
            raise StudyError(
                f"{function}: {which}",
                name,
                "a component of the mixture" if parts else "a component, and the study has none",
                nearest(str(name), parts) if parts else "take probability_map",
            )
    if len({a, b, c}) < 3:
        raise StudyError(f"{function}: components", [a, b, c], "three different ones", "name three different ones")
    held = {name: win.set_point[name] for name in study.names if name not in (a, b, c)}
    for name, value in dict(at or {}).items():
        if name not in study.names:
            raise StudyError(f"{function}: at", name, "a factor of the study", nearest(str(name), study.names))
        if name not in held:
            raise StudyError(f"{function}: at", name, "another factor than the three", "leave it out: it varies")
        held[name] = win._held_value(f"{function}: at, {name!r}", study.factor(name), value)
    total = float(study.mixture_total or 100.0) - sum(float(held[n]) for n in parts if n in held)
    pins = {n: (float(v), float(v)) for n, v in held.items() if not isinstance(v, str)}
    corners = _corners(Settings(study, pins), (a, b, c)) if _inside(study, pins) else np.empty((0, 3))
    if not len(corners):
        raise StudyError(
            f"{function}: at",
            ", ".join(win._setting(n, v) for n, v in held.items()) or "these three",
            "a slice through the region studied",
            "hold the other factors elsewhere",
        )
    low = corners.min(axis=0)
    if total - low.sum() <= NEAR * total:
        raise StudyError(
            f"{function}: components",
            "one blend alone",
            "blends that differ",
            "hold the other components so that there is room",
        )
    return Blends((a, b, c), held, total, corners, low)


def _inside(study: Any, pins: Mapping[str, tuple[float, float]]) -> bool:
    """Whether every held setting lies in its own range: a region has no slice elsewhere."""
    slack = {f.name: NEAR * (f.high - f.low) for f in study.factors if f.name in pins}
    return all(study.factor(n).low - slack[n] <= v <= study.factor(n).high + slack[n] for n, (v, _) in pins.items())


def _corners(s: Settings, parts: tuple[str, str, str]) -> Floats:
    """Corners of the region in two free axes: where two of its edges cross and no other is passed."""
    A, b = s.inequalities
    f = len(s.free)
    rows = np.vstack([A, np.eye(f), -np.eye(f)])
    limit = np.concatenate([b, s.high[s.free], -s.low[s.free]])
    if f != 2 or not s._consistent:
        return np.empty((0, 3))
    width = s.width[s.free]
    found = []
    for i in range(len(rows)):
        for j in range(i):
            pair = rows[[i, j]] * width
            size = np.linalg.norm(pair, axis=1).prod()
            if abs(np.linalg.det(pair)) > 1e-9 * size:
                found.append(np.linalg.solve(rows[[i, j]], limit[[i, j]]))
    points = np.array(found)
    reach = NEAR * (np.abs(rows) @ width + 1e-300)
    points = points[(points @ rows.T <= limit + reach).all(axis=1)]
    full = s.complete(points)[:, [s.names.index(n) for n in parts]]
    kept = np.unique(np.round(full / max(float(np.abs(full).max(initial=1.0)), 1e-300), 9), axis=0, return_index=True)[
        1
    ]
    return np.asarray(full[kept])
