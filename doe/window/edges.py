"""How far from the set point one may stray: one factor at a time, and to the nearest edge of failure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.fits.tables import Noted
from doe.study import Categorical
from doe.window.folding import Floats

if TYPE_CHECKING:
    from doe.window.result import Window

LINE = 201  # settings looked at along each factor
DIRECTIONS = 192  # looked along for the nearest edge, and again around the best of them
ROUNDS = 5
HALVINGS = 12
LOOKS = 16  # settings looked at along a direction, so that a failure beyond which it holds again is not stepped over


def acceptable_ranges(win: Window) -> Noted:
    """The work of `Window.acceptable_ranges`."""
    settings = win._predictive.settings
    base = win.set_point
    rows: list[tuple[str, Any, Any]] = []
    for factor in win.study.factors:
        name = factor.name
        if isinstance(factor, Categorical):
            table = pd.DataFrame({n: [base[n]] * len(factor.levels) for n in win.study.names})
            table[name] = list(factor.levels)
            held = [level for level, ok in zip(factor.levels, holds(win, table), strict=True) if ok]
            rows.append((name, ", ".join(held), ", ".join(held)))
            continue
        i = settings.names.index(name)
        values = settings.settable(i)
        if values is None:
            values = np.linspace(settings.low[i], settings.high[i], LINE)
        here = float(base[name])
        line = np.unique(np.append(values, here))
        table, possible = settings.changed(base, pd.DataFrame({name: line}))
        ok = possible & win.study.region.contains(table)
        ok[ok] = holds(win, table[ok])
        at = int(np.argmin(np.abs(line - here)))
        if not ok[at]:
            rows.append((name, np.nan, np.nan))
            continue
        bad = np.flatnonzero(~ok)
        first, last = bad[bad < at].max(initial=-1) + 1, bad[bad > at].min(initial=len(line)) - 1
        low, high = float(line[first]), float(line[last])
        if settings.settable(i) is None:  # an end between two looks is the one inside, shown with few digits
            low = low if low == settings.low[i] else min(settings.rounded(i, low, up=True), here)
            high = high if high == settings.high[i] else max(settings.rounded(i, high, up=False), here)
        rows.append((name, low, high))
    parts = [name for name in settings.mixture if name in win.study.names]
    note = (
        "Each range by itself, the other factors at the set point: within it the chance less two Monte-Carlo errors stays at "
        f"{win.target:g} or above. Ranges that hold together are narrower."
    )
    if parts:
        note += f" When a component moves, {win.study.balance or 'the others in proportion'} makes room."
    return Noted.made(pd.DataFrame(rows, columns=["factor", "low", "high"]), note)


def holds(win: Window, table: pd.DataFrame) -> Any:
    """Whether the chance, less two Monte-Carlo errors of fresh draws, reaches the target."""
    if not len(table):
        return np.zeros(0, dtype=bool)
    chance, error = win._predictive.chance(win.study.encode(table), win._fresh)
    return chance - 2.0 * error >= win.target


@dataclass(frozen=True)
class Edge:
    """The nearest setting at which the target is no longer held.

    Attributes
    ----------
    setting : Series or None
        By factor; None where the whole region around the set point holds, and where the set point itself does not.
    distance : float
        From the set point, each factor counted in shares of its range (root of the sum of squares); 0 where the set point fails.
    limiting : str
        The response whose chance has fallen most there.
    words : str
        All of it in a sentence.
    """

    setting: pd.Series[Any] | None
    distance: float
    limiting: str
    words: str


def nearest_edge(win: Window) -> Edge:
    """The work of `Window.edge`."""
    s, study = win._predictive.settings, win.study
    at = pd.DataFrame([win.set_point.to_dict()])
    if not holds(win, at)[0]:
        return Edge(None, 0.0, "", f"The set point itself does not surely hold {win.target:g}.")
    origin = s.array(at)[0][s.free]
    levels = {f.name: str(win.set_point[f.name]) for f in study.categorical}
    width = s.width[s.free]
    rng = np.random.default_rng([win.seed, 11])

    def fails(free: Floats) -> Any:
        return win._predictive.chance(s.encoded(s.complete(free), levels), win._shown)[0] < win.target

    def crossing(directions: Floats) -> Floats:
        """Distance to the first failure along unit directions (in shares of the ranges); infinite where the region ends first."""
        far = np.minimum(_room(s, origin, directions * width), np.sqrt(len(width)))
        steps = far[:, None] * (np.arange(1, LOOKS + 1) / LOOKS)
        points = origin + (steps[:, :, None] * directions[:, None, :] * width).reshape(-1, len(width))
        failed = fails(points).reshape(steps.shape)
        first = failed.argmax(axis=1)
        out = np.full(len(directions), np.inf)
        own = np.flatnonzero(failed.any(axis=1))
        low = np.where(first[own] > 0, steps[own, first[own] - 1], 0.0)
        high = steps[own, first[own]]
        for _ in range(HALVINGS):
            middle = (low + high) / 2.0
            bad = fails(origin + middle[:, None] * directions[own] * width)
            low, high = np.where(bad, low, middle), np.where(bad, middle, high)
        out[own] = high
        return out

    k = len(width)
    tried = _unit(np.vstack([np.eye(k), -np.eye(k), rng.standard_normal((DIRECTIONS, k))])) if k else np.empty((0, 0))
    reach = crossing(tried) if k else np.empty(0)
    if not np.isfinite(reach).any():
        return Edge(None, float("inf"), "", "No edge of failure lies in the region around the set point.")
    best, distance = tried[int(reach.argmin())], float(reach.min())
    for round_ in range(ROUNDS):
        near = _unit(best + 0.5 * 0.5**round_ * rng.standard_normal((DIRECTIONS // 4, k)))
        reach = crossing(near)
        if reach.min() < distance:
            best, distance = near[int(reach.argmin())], float(reach.min())
    edge = s.frame(s.complete((origin + distance * best * width)[None, :]), levels)
    before, after = win.by_response(at).iloc[0], win.by_response(edge).iloc[0]
    limiting = str((before - after).idxmax())
    point = pd.Series({n: edge[n].iloc[0] for n in study.names}, name="nearest edge of failure")
    moved = ", ".join(win._setting(n, _figures(point[n])) for n in study.names if point[n] != win.set_point[n])
    words = (
        f"The nearest edge of failure lies {distance:.0%} of a range away (factors counted in shares of their ranges), at {moved}: "
        f"there {limiting} lets go first."
    )
    return Edge(point, distance, limiting, words)


def _figures(value: Any) -> Any:
    """Three digits are enough to say where an edge lies."""
    return value if isinstance(value, str) else float(f"{value:.3g}")


def _unit(directions: Floats) -> Floats:
    return np.asarray(directions / np.linalg.norm(directions, axis=1, keepdims=True))


def _room(s: Any, origin: Floats, directions: Floats) -> Floats:
    """How far one may go along each direction before bounds or constraints stop it."""
    A, b = s.inequalities
    rows = np.vstack([A, np.eye(len(s.free)), -np.eye(len(s.free))])
    limit = np.concatenate([b, s.high[s.free], -s.low[s.free]])
    room = np.maximum(limit - rows @ origin, 0.0)
    rate = directions @ rows.T
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = np.where(rate > 1e-12, room / rate, np.inf)
    return np.asarray(reach.min(axis=1))
