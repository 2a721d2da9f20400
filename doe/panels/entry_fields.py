"""Fields of a panel: a label with its unit, what was typed, help, and the sentence that says what is wrong with it, beside it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

import ipywidgets as widgets

from doe.bench.numerals import DoubtError, number_from
from doe.study import Section, Shown, StudyError

LABEL = "14em"


def html(text: str = "", kind: str = "note") -> Any:
    """A line of plain text, every sign of it escaped."""
    return widgets.HTML(said(text, kind) if text else "")


def said(text: str, kind: str = "note") -> str:
    """Plain text as HTML of the desk's looks: kind is "note", "help", "problem", "good" or "head"."""
    role = ' role="alert"' if kind == "problem" else ""
    lines = "<br>".join(escape(line) for line in text.split("\n"))
    return f'<div class="doe-{kind}"{role}>{lines}</div>' if text else ""


class Field:
    """What every field has: its control, its help, and a place for what is wrong with it.

    Parameters
    ----------
    control : widget
        The ipywidgets control.
    label : str
        Its name on the page.
    help : str
        One line under it.
    where : sequence of str
        Last words of an error's place that mean this field, besides its label.
    """

    def __init__(self, control: Any, label: str, help: str = "", where: Sequence[str] = ()) -> None:
        self.control, self.label, self.where = control, label, tuple(where)
        control.description = label
        control.style.description_width = LABEL
        control.tooltip = help or label
        self.wrong = widgets.HTML()
        parts = [control, self.wrong]
        if help:
            parts.insert(1, widgets.HTML(said(help, "help")))
        self.view = widgets.VBox(parts)
        self.view.add_class("doe-field")

    @property
    def value(self) -> Any:
        """What stands in it."""
        return self.control.value

    @value.setter
    def value(self, value: Any) -> None:
        self.control.value = value

    def mark(self, sentence: str = "") -> None:
        """Say what is wrong beside it; nothing takes that away."""
        self.wrong.value = said(sentence, "problem")

    def is_meant(self, where: str) -> bool:
        """Whether an error's place is this field."""
        last = where.rpartition(": ")[2].strip()
        return where == self.label or last in (self.label, *self.where) or where in self.where


class TextField(Field):
    """A line of text, or a number in it."""

    def __init__(
        self,
        label: str,
        value: str = "",
        unit: str = "",
        help: str = "",
        where: Sequence[str] = (),
        width: str = "26em",
    ) -> None:
        self.unit = unit
        shown = f"{label} ({unit})" if unit else label
        super().__init__(
            widgets.Text(value=value, continuous_update=False, layout={"width": width}), shown, help, (label, *where)
        )
        self.label = label

    def number(self, blank: float | None = None) -> float:
        """The number typed, decimal comma or not.

        Raises
        ------
        StudyError
            If it is none, or blank where it must not be.
        """
        text = str(self.value).strip()
        if not text:
            if blank is not None:
                return blank
            raise StudyError(self.label, "blank", f"a number{' in ' + self.unit if self.unit else ''}", "type it")
        return number_of(self.label, text, self.unit)

    def share(self) -> float:
        """The chance typed in %, as a share: 95 is 0.95. What would be a share already is asked about, not taken as one per cent."""
        value = self.number()
        if not 1.0 < value < 100.0:
            typed = str(self.value).strip()
            mend = f"write {100 * value:g} for {typed}" if 0.5 <= value < 1.0 else "write 95, say"
            raise StudyError(self.label, typed, "in %, above 1 and below 100", mend)
        return value / 100.0

    def whole(self, blank: int | None = None) -> int:
        """The whole number typed."""
        value = self.number(None if blank is None else float(blank))
        if value != int(value):
            raise StudyError(self.label, self.value, "a whole number", "count in ones")
        return int(value)


class LongField(Field):
    """Several lines of text."""

    def __init__(self, label: str, value: str = "", help: str = "", where: Sequence[str] = (), rows: int = 3) -> None:
        super().__init__(
            widgets.Textarea(value=value, continuous_update=False, rows=rows, layout={"width": "46em"}),
            label,
            help,
            where,
        )


class ChoiceField(Field):
    """One of several."""

    def __init__(
        self, label: str, options: Sequence[Any] = (), help: str = "", where: Sequence[str] = (), width: str = "30em"
    ) -> None:
        super().__init__(widgets.Dropdown(options=list(options), layout={"width": width}), label, help, where)

    def offer(self, options: Sequence[Any], wanted: Any = None) -> None:
        """Other options; what was chosen stays where it still is one."""
        values = [o[1] if isinstance(o, tuple) else o for o in options]
        before = self.value
        if list(self.control.options) != list(options):
            self.control.options = list(options)
        for candidate in (before, wanted):
            if candidate in values and candidate is not None:
                self.control.value = candidate
                return
        if values and self.value is None:
            self.control.value = values[0]


class CheckField(Field):
    """Yes or no."""

    def __init__(self, label: str, value: bool = False, help: str = "") -> None:
        super().__init__(widgets.Checkbox(value=value, indent=True, layout={"width": "46em"}), label, help)


def number_of(where: str, text: str, unit: str = "") -> float:
    """A typed number, or the sentence that says why it is none."""
    try:
        return number_from(text, unit)
    except DoubtError as doubt:
        raise StudyError(where, text, doubt.allowed, "type the number") from doubt


def button(text: str, help: str = "", main: bool = False) -> Any:
    """A button in the desk's looks."""
    made = widgets.Button(description=text, tooltip=help or text, layout={"width": "auto", "align_self": "flex-start"})
    made.add_class("doe-button")
    if main:
        made.add_class("doe-main")
    return made


def picture(drawn: Any, dpi: float = 92.0) -> str:
    """A Matplotlib picture as HTML that says in words what it shows."""
    import base64

    from doe.plots import words
    from doe.plots.look import png

    alt = escape(words(drawn), quote=True)
    data = base64.b64encode(png(drawn, dpi)).decode("ascii")
    return f'<img class="doe-picture" alt="{alt}" src="data:image/png;base64,{data}">'


def as_html(result: Any) -> str:
    """A result of the package as it shows itself, within the desk's looks."""
    return f'<div class="doe-result">{result._repr_html_()}</div>'


class Page(Shown):
    """Sections put together for a panel."""

    def __init__(self, sections: Iterable[Section]) -> None:
        self._own = list(sections)

    def _sections(self) -> list[Section]:
        return self._own


def folded(summary: str, html: str) -> str:
    """HTML that shows itself when its summary is pressed."""
    return f"<details><summary>{escape(summary)}</summary>{html}</details>"
