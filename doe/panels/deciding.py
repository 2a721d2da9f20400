"""Where to run: the chance that one new batch meets every specification, the set point, the ranges that hold, drawn again as sliders move."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import ipywidgets as widgets

from doe import window as deciding
from doe.panels.entry_fields import TextField, as_html, said
from doe.panels.panel import Panel, row, section
from doe.panels.sliding import Drawing, SlidingMap, chance_drawing
from doe.panels.working import Latest
from doe.plots.slices import Slice
from doe.study import Categorical
from doe.study.shown import number_text, simulated_text
from doe.study.trial import specification_text
from doe.window import Window


class WindowPanel(Panel):
    """Where to run. `desk.window` is the Window."""

    key = "window"
    title = "Where to run"
    asks = "Where does the next batch come out right, and how far may one stray?"

    def build(self) -> list[Any]:
        """The widgets between title and message."""
        self.target = self.keep(
            "target",
            TextField(
                "chance that the ranges must hold", "95", "%", where=("find_window: target", "target"), width="26em"
            ),
        )
        self.seed = self.keep(
            "seed",
            TextField("seed", "0", "", "The same seed gives the same window.", ("find_window: seed", "seed"), "22em"),
        )
        go = self.action("Find where to run", self._find, main=True)
        self.point = widgets.HTML()
        self.ranges = widgets.HTML()
        self.map = SlidingMap(self, self._compute, self._each)
        self.map.box = self._box
        self._ready: Window | None = None
        self._spans: tuple[Window, dict[str, tuple[Any, Any]]] | None = None  # read once, not for every map
        self._ranging = Latest(lambda win: self.guard(lambda: self._show_ranges(win)))
        self.follow("fits", "records")(self._fits_changed)
        self.follow("window")(self._window_changed)
        self._fits_changed()
        self._window_changed()
        return [
            section("Find it", row(self.target, self.seed), go, self.point,
                    help="The chance that one new batch, made by the next person, meets every specification at once. It pays for what the trial leaves unknown."),
            section("Move what the map holds", self.map,
                    help="Hollow marks are the batches, whatever their other settings; the diamond is the set point, the dashed outline the ranges that hold together, "
                    "where they meet this slice. Hatched: no batch may lie there."),
            section("Ranges that hold together", self.ranges),
        ]  # fmt: skip

    # ---- finding

    def _find(self) -> None:
        fits = self.need("fits")
        target, seed = self.target.share(), self.seed.whole(0)

        def task(tell: Callable[..., None]) -> Window:
            found = deciding.find_window(fits, target, seed=seed)
            self.guard(lambda: setattr(self.desk, "window", found))
            tell("The set point is found; now the ranges that hold. Stop keeps the set point")
            found.ranges  # noqa: B018  worked out now, beside the page
            return found

        def done(found: Window) -> None:
            self._ready = found
            if self.desk.window is found:
                self._show_ranges(found)
                self.map.draw()
                self.map._rest.ask()

        self.work.start("Looking for where to run", task, done)

    def _fits_changed(self) -> None:
        if self.desk.window is not None and "window" in self.desk.stale:
            self.point.value = said(
                "The fits changed since this window was found: find it again.", "problem"
            ) + self._point_text(self.desk.window)
        elif self.desk.window is None:
            self.point.value = said(
                "No fits yet: fit the responses in “What drives it”."
                if self.desk.fits is None
                else "Not looked for yet.",
                "note",
            )

    def _window_changed(self) -> None:
        win: Window | None = self.desk.window
        if win is None:
            self.map.view.layout.display = "none"
            self.ranges.value = ""
            self._fits_changed()
            return
        self.point.value = self._point_text(win)
        if "_default_box" in win.__dict__:
            self._ready = win
            self._ranging.ask(win)
        else:
            self.ranges.value = said("Not worked out yet.", "note")
        numbers = [f.name for f in win.study.factors if not isinstance(f, Categorical)]
        if len(numbers) >= 2:
            self.map.show(win.study, dict(win.set_point), self._axes(win), self._runs(win))

    @staticmethod
    def _axes(win: Window) -> tuple[str, str] | None:
        from doe.report.sentences import moving_pair

        return moving_pair(win)

    @staticmethod
    def _runs(win: Window) -> Any:
        from doe.plots.runs import observed

        return observed(next(iter(win.fits.values())))

    @staticmethod
    def _point_text(win: Window) -> str:
        chance = simulated_text(win.set_point_probability, win.mc_error)
        settings = "; ".join(
            f"{f.name} {win.set_point[f.name] if isinstance(f, Categorical) else number_text(float(win.set_point[f.name]), digits=5)} {getattr(f, 'unit', '')}".rstrip()
            for f in win.study.factors
        )
        reached = (
            "It reaches the target."
            if win.reached
            else f"No setting surely reaches {win.target:g}; this is the best found."
        )
        return said(
            f"Set point: {settings}.\nChance that one new batch made there meets every specification: {chance}. {reached}",
            "good",
        )

    def _show_ranges(self, win: Window) -> None:
        text = as_html(win)
        if win is self.desk.window:
            self.ranges.value = text

    # ---- the map

    def _compute(self, cut: Slice) -> Drawing:
        win: Window = self.need("window")
        chance, error = win._chances(cut.table[cut.near])
        title = "chance of meeting every specification"
        return chance_drawing(cut.grid(chance), cut, title, win.target, cut.grid(error), win._judged)

    def _each(self, cut: Slice) -> Mapping[str, Drawing]:
        win: Window = self.need("window")
        chances, errors = win._each(cut.table[cut.near])
        out = {}
        for name in chances.columns:
            response = win.fits[str(name)].response
            title = f"{response.name}: {specification_text(response)}"
            chance, error = (cut.grid(d[name].to_numpy(dtype=float)) for d in (chances, errors))

            def judged(at: Any, name: Any = name) -> tuple[Any, Any]:
                found = win._each(at, fresh=True)
                return found[0][name].to_numpy(), found[1][name].to_numpy()

            out[title] = chance_drawing(chance, cut, title, win.target, error, judged)
        return out

    def _box(self, cut: Slice) -> list[float]:
        """The ranges, where the slice passes through them."""
        win = self._ready
        if win is None or win is not self.desk.window or not len(win.ranges):
            return []
        if cut.path.takers and set(cut.path.takers) != {win.study.balance}:
            return []
        if self._spans is None or self._spans[0] is not win:
            self._spans = win, {str(r["factor"]): (r["low"], r["high"]) for _, r in win.ranges.iterrows()}
        span = self._spans[1]
        for f in win.study.factors:
            if f.name in cut.path.free or f.name in cut.path.takers:
                continue
            low, high = span[f.name]
            value = cut.path.base[f.name]
            if (
                (value != low)
                if isinstance(f, Categorical)
                else not (low - 1e-9 * abs(low) <= float(value) <= high + 1e-9 * abs(high))
            ):
                return []
        x, y = (span[name] for name in cut.path.free)
        return [float(v) for v in (*x, *y)]
