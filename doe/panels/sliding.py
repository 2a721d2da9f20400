"""A map over two factors that is drawn again while sliders hold the others: coarse while one moves, fine where it rests."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import ipywidgets as widgets
import numpy as np
import pandas as pd

from doe.panels.elements import MapCanvas, NamedSlider
from doe.panels.entry_fields import ChoiceField, said
from doe.panels.panel import row
from doe.panels.working import Latest
from doe.plots.slices import Slice, sliced
from doe.study import Categorical, Discrete, Study, StudyError
from doe.study.shown import number_text, simulated_text
from doe.window.result import setting_text

FINE, COARSE = 81, (15, 21, 29, 41, 57, 81)
MEANT = 0.010  # seconds that a map may take while a slider moves


@dataclass(frozen=True)
class Drawing:
    """What a map shows besides its array.

    Attributes
    ----------
    low, high : float
        Ends of the colour scale.
    ticks, lines : list
        As `MapCanvas` takes them.
    title : str
        What the colours mean.
    words : str
        The map in words.
    values : ndarray, shape (y, x)
        On the scale that is coloured.
    """

    values: Any
    low: float
    high: float
    ticks: list[Any]
    lines: list[Any]
    title: str
    words: str


class SlidingMap:
    """A map with its sliders.

    Parameters
    ----------
    panel : Panel
        Whose guard and problems it uses.
    compute : callable
        From a `Slice` to a `Drawing`.
    small : callable, optional
        From a `Slice` to small drawings by title, made where the sliders rest.
    """

    def __init__(
        self,
        panel: Any,
        compute: Callable[[Slice], Drawing],
        small: Callable[[Slice], Mapping[str, Drawing]] | None = None,
    ) -> None:
        self._panel, self._compute, self._small = panel, compute, small
        self.study: Study | None = None
        self.base: dict[str, Any] = {}
        self.runs: pd.DataFrame | None = None
        self.pointed = True  # whether the base is a set point, to be marked
        self.box: Callable[[Slice], list[float]] = lambda cut: []
        self.x, self.y = ChoiceField("across", [], width="30em"), ChoiceField("up", [], width="30em")
        for field in (self.x, self.y):
            field.control.observe(panel.on(self._axes_changed), names="value")
        self.sliders: dict[str, NamedSlider] = {}
        self.levels: dict[str, ChoiceField] = {}
        self.held = widgets.VBox()
        self.canvas = MapCanvas()
        self.words = widgets.HTML()
        self.each = widgets.HBox()
        self.each.add_class("doe-row")
        self._canvases: dict[str, MapCanvas] = {}
        self._cost: dict[int, float] = {}
        self._marks: dict[tuple[str, ...], list[list[float]]] = {}
        self._lock = threading.RLock()  # the sliders' thread and the one that draws finely share the canvases
        self._rest = Latest(lambda: panel.guard(self._draw_rested))
        self.view = widgets.VBox([row(self.x, self.y), self.held, self.canvas, self.words, self.each])
        self.view.layout.display = "none"

    def show(
        self, study: Study, base: Mapping[str, Any], axes: tuple[str, str] | None, runs: pd.DataFrame | None
    ) -> None:
        """Another study or result: axes and sliders anew, kept where they still fit."""
        numbers = [f for f in study.factors if not isinstance(f, Categorical)]
        if len(numbers) < 2:
            self.view.layout.display = "none"
            raise StudyError("map", f"{len(numbers)} factor with numbers", "over two of them", "read its curve instead")
        same = self.study is not None and self.study.fingerprint == study.fingerprint
        self.study, self.runs = study, runs
        self.base = {k: (v if isinstance(v, str) else float(v)) for k, v in base.items()}
        self._cost.clear()
        self._marks.clear()
        with self._panel.filling():
            names = [(f.label, f.name) for f in numbers]
            wanted = axes or (numbers[0].name, numbers[1].name)
            before = (self.x.value, self.y.value)
            self.x.offer(names)
            self.y.offer(names)
            if not same or None in before:
                self.x.value, self.y.value = wanted
        self._sliders_anew(keep=False)
        self.view.layout.display = ""
        self.draw()
        self._rest.ask()

    def at(self) -> dict[str, Any]:
        """Where the other factors are held."""
        return {n: s.value for n, s in self.sliders.items()} | {n: f.value for n, f in self.levels.items()}

    def draw(self, n: int | None = None) -> None:
        """Draw the map as it stands."""
        began = time.perf_counter()
        size = n or self._affordable()
        try:
            cut = self._cut(size)
        except StudyError as problem:
            self.words.value = said(str(problem), "problem")
            return
        drawing = self._compute(cut)
        with self._lock:
            self._put(self.canvas, cut, drawing)
        self._cost[size] = time.perf_counter() - began

    # ---- inside

    def _cut(self, n: int) -> Slice:
        assert self.study is not None
        return sliced(self.study, self.x.value, self.y.value, self.at(), n, base=self.base)

    def _affordable(self) -> int:
        """The finest grid that may be drawn in time, as far as is known."""
        if not self._cost:
            return COARSE[1]
        known = min(self._cost.items(), key=lambda item: abs(item[1] - MEANT))
        fits = [n for n in COARSE if known[1] * (n / known[0]) ** 2 <= MEANT]
        return max(fits) if fits else COARSE[0]

    def _axes_changed(self) -> None:
        if self.study is None:
            return
        if self.x.value == self.y.value:
            other = next(
                f.name for f in self.study.factors if not isinstance(f, Categorical) and f.name != self.x.value
            )
            with self._panel.filling():
                self.y.value = other
        self._sliders_anew(keep=True)
        self.draw()
        self._rest.ask()

    def _sliders_anew(self, keep: bool) -> None:
        assert self.study is not None
        before = self.at() if keep else {}
        self.sliders, self.levels, shown = {}, {}, []
        for f in self.study.factors:
            if f.name in (self.x.value, self.y.value):
                continue
            value = before.get(f.name, self.base.get(f.name))
            if isinstance(f, Categorical):
                field = ChoiceField(f.name, [(v, v) for v in f.levels])
                field.value = value if value in f.levels else f.levels[0]
                field.control.observe(self._panel.on(self._moved), names="value")
                self.levels[f.name] = field
                shown.append(field.view)
                continue
            middle = (f.low + f.high) / 2.0
            step = 0.0 if isinstance(f, Discrete) else (f.step or 0.0)
            slider = NamedSlider(
                label=f.name, unit=f.unit, low=f.low, high=f.high, step=step or (f.high - f.low) / 200.0,
                value=min(max(float(value if value is not None else middle), f.low), f.high),
            )  # fmt: skip
            slider.observe(self._panel.on(self._moved), names="value")
            slider.observe(self._panel.on(self._rested), names="resting")
            self.sliders[f.name] = slider
            shown.append(slider)
        self.held.children = tuple(shown)

    def _moved(self) -> None:
        self.draw()
        if all(s.resting for s in self.sliders.values()):
            self._rest.ask()

    def _rested(self) -> None:
        if all(s.resting for s in self.sliders.values()):
            self._rest.ask()

    def _draw_rested(self) -> None:
        """The fine map, and the small ones."""
        if self.study is None:
            return
        at = (self.x.value, self.y.value, self.at())
        try:
            cut = self._cut(FINE)
        except StudyError:
            return  # said where it was drawn
        drawing = self._compute(cut)
        with self._lock:
            if at != (self.x.value, self.y.value, self.at()):
                return
            self._put(self.canvas, cut, drawing)
        if self._small is None:
            return
        cut = self._cut(COARSE[3])
        drawings = self._small(cut)
        with self._lock:
            if at != (self.x.value, self.y.value, self.at()):
                return
            if list(drawings) != list(self._canvases):
                self._canvases = {title: MapCanvas(small=True) for title in drawings}
                self.each.children = tuple(self._canvases.values())
            for title, one in drawings.items():
                self._put(self._canvases[title], cut, one)

    def _put(self, canvas: MapCanvas, cut: Slice, drawing: Drawing) -> None:
        assert self.study is not None
        factors = [self.study.factor(name) for name in cut.path.free]
        blocky = [isinstance(f, Discrete) for f in factors]
        free = tuple(cut.path.free)
        if free not in self._marks:
            runs = [] if self.runs is None else np.unique(self.runs[list(free)].to_numpy(dtype=float), axis=0).tolist()
            self._marks[free] = runs
        marks = self._marks[free]
        held = f"Held: {cut.path.text}. " if cut.path.text else ""
        canvas.show(
            drawing.values,
            ~cut.inside.reshape(len(cut.y), len(cut.x)),
            xs=cut.x.tolist(), ys=cut.y.tolist(), blocky_x=blocky[0], blocky_y=blocky[1],
            low=drawing.low, high=drawing.high, ticks=drawing.ticks, lines=drawing.lines,
            marks=marks, point=self._point(cut), box=self.box(cut),
            xlabel=factors[0].label, ylabel=factors[1].label,
            title=drawing.title if not canvas.small else drawing.title.partition(": ")[0],
            second=drawing.title.partition(": ")[2] if canvas.small else "",
            alt=f"{drawing.title}. {held}{drawing.words}",
        )  # fmt: skip
        if canvas is self.canvas:
            self.words.value = said(held + drawing.words, "help")

    def _point(self, cut: Slice) -> list[float]:
        """The set point (or whatever the base is), where it lies on this slice."""
        if not self.pointed:
            return []
        here = cut.path.matching(pd.DataFrame([self.base]))[0]
        return [float(self.base[name]) for name in cut.path.free] if here else []


def chance_drawing(
    values: Any,
    cut: Slice,
    title: str,
    target: float,
    errors: Any,
    judge: Callable[[pd.DataFrame], tuple[Any, Any]],
) -> Drawing:
    """A map of chances on one scale from 0 to 1, with the target's line heavier.

    `errors` are Monte-Carlo ones, of the same shape; `judge` gives chance and error of the highest place anew, by draws that did not pick it.
    """
    inside = np.where(cut.inside.reshape(len(cut.y), len(cut.x)), values, np.nan)
    best, worst = (np.unravel_index(int(pick(inside)), inside.shape) for pick in (np.nanargmax, np.nanargmin))
    low = simulated_text(float(inside[worst]), float(errors[worst]))
    chance, error = judge(cut.table.iloc[[int(best[0]) * len(cut.x) + int(best[1])]])
    high = simulated_text(float(chance[0]), float(error[0]))
    share = float(np.nanmean(inside >= target))
    words = (
        f"Highest chance here: {high}, at {_place(cut, best)}; lowest {low}. "
        f"{100 * share:.0f} % of this slice reaches {target:g}."
    )
    ticks = [[v, f"{v:g}"] for v in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)]
    lines = [[v, f"{v:g}", False] for v in (0.1, 0.5, 0.75, 0.9, 0.99) if abs(v - target) > 0.04] + [
        [target, f"{target:g}", True]
    ]
    return Drawing(values, 0.0, 1.0, ticks, lines, title, words)


def _place(cut: Slice, at: Any) -> str:
    """A point of the map's grid in words, with units; where the bench cannot set it, between which steps it lies."""
    said = []
    for name, value in zip(cut.path.free, (float(cut.x[at[1]]), float(cut.y[at[0]])), strict=True):
        factor = cut.path.study.factor(name)
        step = None if isinstance(factor, Discrete) else getattr(factor, "step", None)
        if step and abs(value / step - round(value / step)) > 1e-6:
            ends = (step * np.floor(value / step), step * np.ceil(value / step))
            said.append(
                f"{name} between {' and '.join(setting_text(factor, float(v)) for v in ends)} {getattr(factor, 'unit', '')}".strip()
            )
            continue
        said.append(f"{name} {setting_text(factor, value)} {getattr(factor, 'unit', '')}".strip())
    return " and ".join(said)


def response_drawing(fit: Any, values: Any, cut: Slice) -> Drawing:
    """A map of a predicted response, its limits as heavier lines."""
    from doe.plots.slices import round_levels

    r = fit.response
    inside = np.where(cut.inside.reshape(len(cut.y), len(cut.x)), values, np.nan)
    low, high = float(np.nanmin(inside)), float(np.nanmax(inside))
    log = r.transform == "log" and low > 0 and high > 4 * low
    levels = [v for v in round_levels(low, high, log) if low < v < high]
    limits = [(v, word) for v, word in ((r.low, "at least"), (r.high, "at most")) if v is not None and low < v < high]
    scale: Callable[[Any], Any] = np.log if log else lambda v: v
    near = 0.03 * (scale(high) - scale(low))
    plain = [v for v in levels if all(abs(scale(v) - scale(s)) > near for s, _ in limits)]
    lines = [[float(scale(v)), number_text(v), False] for v in plain] + [
        [float(scale(v)), f"{word} {r.text(v)}", True] for v, word in limits
    ]
    ticks = [[float(scale(v)), number_text(v)] for v in levels]
    words = f"From {r.text(low)} to {r.text(high)} on this slice." + (
        "" if limits or not r.has_specification else " No limit of its specification crosses it."
    )
    if high - low < 1e-12 * max(abs(high), 1e-300):
        low, high = low - 1.0, high + 1.0
        scale = lambda v: v  # noqa: E731
    return Drawing(scale(values), float(scale(low)), float(scale(high)), ticks, lines, f"predicted {r.label}", words)
