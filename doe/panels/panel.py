"""What every panel is: a title, its fields, one guard for every call, work that can be stopped, and what was typed kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import ipywidgets as widgets

from doe.panels.entry_fields import Field, button, said
from doe.panels.holding import Holding
from doe.panels.looks import style
from doe.panels.working import Work
from doe.study import StudyError

AnyField = TypeVar("AnyField", bound=Field)


class Panel:
    """One step of the job, usable alone in a cell and on a desk.

    Parameters
    ----------
    given : desk, Study, Plan, Records, Fits, Window or None
        What to begin with.

    Attributes
    ----------
    desk : Holding
        The objects behind the panel: `desk.study`, `desk.plan`, ….
    view : widget
        What is shown.
    """

    key = ""
    title = ""
    asks = ""  # the question the step answers

    def __init__(self, given: Any = None) -> None:
        self.desk = Holding.of(given)
        self.message = widgets.HTML()
        self.work = Work(self.guard, self.say)
        self.foot = widgets.VBox([self.work.view, self.message])
        self._spot = widgets.VBox([self.foot])  # where the foot stands: under the button pressed last
        self._fields: list[Field] = []
        self._filling = False
        last = self._spot
        body = self.build()
        head = widgets.HTML(f'<h2 class="doe-title">{self.title}</h2><div class="doe-asks">{self.asks}</div>')
        self.view = widgets.VBox([head, *body, last])
        self.view.add_class("doe-panel")
        if self.desk is not given:
            self.view.children = (style(), *self.view.children)
            self.view.add_class("doe-desk")

    def build(self) -> list[Any]:
        """The widgets between title and message."""
        raise AssertionError("every panel builds itself")

    def _repr_mimebundle_(self, **kwargs: Any) -> Any:
        return self.view._repr_mimebundle_(**kwargs)

    # ---- one guard for every call

    def guard(self, call: Callable[[], Any]) -> Any:
        """Run it; what is wrong is said beside its field, or at the foot of the panel: never a traceback, never silence."""
        try:
            return call()
        except StudyError as problem:
            self.say_problem(problem)
        except Exception as failure:
            self.desk.error = failure
            self.message.value = said(
                f"This failed inside the program: {type(failure).__name__}: {failure}\n"
                "What was typed is kept. The whole error is kept too, as desk.error.",
                "problem",
            )
        return None

    def on(self, call: Callable[..., Any]) -> Callable[..., Any]:
        """A callback for a widget: guarded, and quiet while the panel fills itself in."""

        def act(*_given: Any) -> None:
            if not self._filling:
                self.clear_problems()
                self.guard(call)

        return act

    def action(self, text: str, call: Callable[..., Any], help: str = "", main: bool = False) -> Any:
        """A button; what comes of it, its bar and its sentences, stands under it."""
        pressed = button(text, help, main)
        pressed.on_click(self.on(call))
        return self.under(pressed, pressed.on_click)

    def under(self, control: Any, when: Callable[[Callable[..., Any]], Any]) -> Any:
        """The control with room under it, to which the foot of the panel moves when it is used."""
        spot = widgets.VBox()
        box = widgets.VBox([control, spot])
        when(lambda *_: self._stand(spot))
        return box

    def _stand(self, spot: Any) -> None:
        if self._spot is not spot:
            self._spot.children = ()
            spot.children = (self.foot,)
            self._spot = spot

    def follow(self, *parts: str) -> Callable[[Callable[[], None]], None]:
        """Call a function whenever one of these parts of the desk changes."""

        def take(call: Callable[[], None]) -> None:
            self.desk.watch(parts, lambda: self.guard(call))

        return take

    def say(self, text: str, kind: str = "note") -> None:
        """A line at the foot of the panel."""
        self.message.value = said(text, kind)

    def say_problem(self, problem: StudyError) -> None:
        """An error's sentence, beside the field it means where there is one."""
        for field in self._fields:
            if field.is_meant(str(problem.where)):
                field.mark(str(problem))
                return
        self.message.value = said(str(problem), "problem")

    def clear_problems(self) -> None:
        """Take away what was said to be wrong."""
        self.message.value = ""
        for field in self._fields:
            field.mark()

    # ---- what was typed

    def keep(self, name: str, field: AnyField, call: Callable[[], Any] | None = None) -> AnyField:
        """Keep what is typed in a field under this name, put back what was typed before, and call on every change."""
        self._fields.append(field)
        before = self.desk.recalled(self.key, name, None)
        if before is not None:
            try:
                field.value = before
            except Exception:
                self.desk.remember(self.key, name, field.value)

        def changed(change: Any) -> None:
            if not self._filling:
                self.desk.remember(self.key, name, change["new"])
                if call is not None:
                    self.on(call)()

        field.control.observe(changed, names="value")
        return field

    def filling(self) -> _Filling:
        """While the panel itself fills in fields: nothing it does counts as typed."""
        return _Filling(self)

    def need(self, *names: str) -> Any:
        """Parts of the desk that must be there for what was asked.

        Raises
        ------
        StudyError
            That names the first missing one and the step that makes it.
        """
        for name in names:
            if getattr(self.desk, name) is None:
                raise StudyError(f"desk: {name}", "missing", "there before this step", MADE_IN[name])
        found = tuple(getattr(self.desk, name) for name in names)
        return found[0] if len(found) == 1 else found


class _Filling:
    def __init__(self, panel: Panel) -> None:
        self._panel = panel

    def __enter__(self) -> None:
        self._before, self._panel._filling = self._panel._filling, True

    def __exit__(self, *_: object) -> None:
        self._panel._filling = self._before


MADE_IN = {
    "study": "describe it in “The trial”",
    "plan": "choose it in “Which batches”",
    "recipe": "write it in “Recipe and run sheet”",
    "records": "fill them in under “Records”",
    "fits": "fit the responses in “What drives it”",
    "window": "find it in “Where to run”",
}


def row(*parts: Any) -> Any:
    """Widgets beside each other, on further lines where the page is narrow."""
    box = widgets.HBox([p.view if hasattr(p, "view") else p for p in parts])
    box.add_class("doe-row")
    return box


def section(title: str, *parts: Any, help: str = "") -> Any:
    """Widgets under a small heading."""
    head = widgets.HTML(f'<h3 class="doe-section">{title}</h3>{said(help, "help")}')
    box = widgets.VBox([head, *(p.view if hasattr(p, "view") else p for p in parts)])
    box.add_class("doe-block")
    return box


def options_of(names: Sequence[str]) -> list[tuple[str, str]]:
    """Names as options of a drop-down."""
    return [(n, n) for n in names]
