"""The desk's own controls in the browser: a table of entry cells, a slider with a name, a button that hands over a file, the
steps of the job, a map on a canvas.

Each keeps its rules here, where they can be tested without a browser; the JavaScript beside it only draws and sends.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import anywidget
import numpy as np
import traitlets

BROWSER = Path(__file__).parent / "browser"
Cells = dict[str, dict[str, str]]


class EntryTable(anywidget.AnyWidget):
    """A table of entry cells that takes blocks pasted from a spreadsheet.

    Attributes
    ----------
    columns : list of dict
        key, label, help, kind ("text", "choice", "check", "fixed"), choices (pairs of value and text), width.
    rows : list of dict
        key, label (in the table), name (for those who hear the page), blank.
    cells : dict of row key to dict of column key to text
        What stands there, as it was typed; a blank cell may be left out.
    marks : dict of row key to dict of column key to sentence
        What is wrong with a cell, shown under its row.
    locked : bool
        Whether nothing can be typed.
    growing : bool
        Whether rows are added as they are filled in, and can be taken away.
    """

    _esm = BROWSER / "table.js"
    label = traitlets.Unicode("").tag(sync=True)
    corner = traitlets.Unicode("").tag(sync=True)
    columns: Any = traitlets.List().tag(sync=True)
    rows: Any = traitlets.List().tag(sync=True)
    cells = traitlets.Dict().tag(sync=True)
    marks = traitlets.Dict().tag(sync=True)
    said = traitlets.Unicode("").tag(sync=True)
    locked = traitlets.Bool(False).tag(sync=True)
    growing = traitlets.Bool(False).tag(sync=True)

    def __init__(self, row_name: str = "row", **traits: Any) -> None:
        super().__init__(**traits)
        self._row_name = row_name
        self._next = 0
        self._edited: list[Callable[[], None]] = []
        self.on_msg(self._heard)
        if self.growing:
            self._grow(self.cells, [])

    def on_edit(self, call: Callable[[], None]) -> None:
        """Call this after every edit made in the browser, or through `write`, `paste` and `remove`."""
        self._edited.append(call)

    # ---- edits

    def write(self, edits: Sequence[tuple[str, str, str]]) -> None:
        """Put texts into cells: row key, column key, text."""
        cells: Cells = {row: dict(own) for row, own in self.cells.items()}
        for row, column, text in edits:
            cells.setdefault(row, {})[column] = text
        self._put(cells, "")

    def paste(self, row: str, column: str, text: str) -> None:
        """Put a block copied from a spreadsheet (tabs between cells, a line a row) into the table, from this cell on."""
        whole = text.replace("\r\n", "\n").replace("\r", "\n").rstrip("\n")
        block = list(csv.reader(io.StringIO(whole, newline=""), delimiter="\t"))
        keys = [r["key"] for r in self.rows]
        entries = [c for c in self.columns if c["kind"] != "fixed"]
        down, across = keys.index(row), next(i for i, c in enumerate(entries) if c["key"] == column)
        if self.growing:
            while len(keys) < down + len(block):
                keys.append(self._new_key())
        cells: Cells = {key: dict(own) for key, own in self.cells.items()}
        refused: list[str] = []
        for i, line in enumerate(block[: len(keys) - down]):
            for c, given in zip(entries[across:], line, strict=False):
                value = _as_choice(c, given.strip())
                if value is None:
                    refused.append(f"{given.strip()!r} in the column {c['label']!r}")
                    continue
                cells.setdefault(keys[down + i], {})[c["key"]] = value
        wide = max(map(len, block))
        told = []
        if down + len(block) > len(keys):
            told.append(
                f"the last {down + len(block) - len(keys)} rows of the block had no row left and were not taken"
            )
        if across + wide > len(entries):
            told.append(
                f"the last {across + wide - len(entries)} columns of the block had no column left and were not taken"
            )
        if refused:
            told.append("not among the choices, and not taken: " + ", ".join(refused))
        self._put(cells, f"Pasted; {'; '.join(told)}." if told else f"Pasted {len(block)} × {wide} cells.", keys)

    def remove(self, row: str) -> None:
        """Take a row away."""
        self._put({key: dict(own) for key, own in self.cells.items() if key != row}, "")

    def fill(self, lines: Sequence[Mapping[str, str]]) -> None:
        """Show these lines instead of what stood there; nobody is told (growing tables)."""
        cells: Cells = {self._new_key(): {k: v for k, v in line.items() if v} for line in lines}
        self._grow(cells, list(cells))

    @property
    def lines(self) -> list[tuple[str, dict[str, str]]]:
        """Key and texts of every row in which something stands, in order."""
        return [(r["key"], self.cells[r["key"]]) for r in self.rows if _filled(self.cells.get(r["key"], {}))]

    # ---- inside

    def _heard(self, _widget: Any, content: Mapping[str, Any], _buffers: Any) -> None:
        if content.get("do") == "edit":
            self.write([(str(r), str(c), str(t)) for r, c, t in content["edits"]])
        elif content.get("do") == "paste":
            self.paste(content["row"], content["column"], content["text"])
        elif content.get("do") == "remove":
            self.remove(content["row"])

    def _new_key(self) -> str:
        self._next += 1
        while f"r{self._next}" in self.cells:
            self._next += 1
        return f"r{self._next}"

    def _put(self, cells: Cells, said: str, keys: Sequence[str] | None = None) -> None:
        with self.hold_sync():
            if self.growing:
                self._grow(cells, keys or [r["key"] for r in self.rows])
            else:
                self.cells = cells
            self.said = said
        for call in self._edited:
            call()

    def _grow(self, cells: Cells, keys: Sequence[str]) -> None:
        """Rows numbered anew, one blank one at the end."""
        order = [k for k in keys if k in cells] + [k for k in cells if k not in keys]
        while order and not _filled(cells[order[-1]]):
            cells.pop(order.pop(), None)
        blank = next((k for k in keys if k not in order), None) or self._new_key()
        rows = [
            {"key": k, "label": str(i), "name": f"{self._row_name} {i}", "blank": False} for i, k in enumerate(order, 1)
        ]
        end = len(rows) + 1
        rows.append({"key": blank, "label": "+", "name": f"{self._row_name} {end}", "blank": True})
        self.cells = cells
        if rows != self.rows:
            self.rows = rows


def _filled(own: Mapping[str, str]) -> bool:
    return any(text.strip() for text in own.values())


def _as_choice(column: Mapping[str, Any], text: str) -> str | None:
    """The value a pasted text means in a column; None where it is none of its choices."""
    if column["kind"] == "check":
        return "yes" if text.casefold() in ("yes", "y", "true", "x", "1") else ""
    if column["kind"] != "choice":
        return text
    for value, label in column["choices"]:
        if text.casefold() in (str(value).casefold(), str(label).casefold()):
            return str(value)
    return None


class NamedSlider(anywidget.AnyWidget):
    """A slider whose handle has a name, with its value and unit beside it; `resting` is False while it is dragged."""

    _esm = BROWSER / "slider.js"
    label = traitlets.Unicode("").tag(sync=True)
    low = traitlets.Float(0.0).tag(sync=True)
    high = traitlets.Float(1.0).tag(sync=True)
    step = traitlets.Float(0.0).tag(sync=True)
    unit = traitlets.Unicode("").tag(sync=True)
    value = traitlets.Float(0.0).tag(sync=True)
    resting = traitlets.Bool(True).tag(sync=True)


class StepButtons(anywidget.AnyWidget):
    """The steps of the job, one of them shown.

    Attributes
    ----------
    steps : list of dict
        key, label, help; as many as there are at first, in their order.
    here : str
        Key of the step that is shown.
    """

    _esm = BROWSER / "steps.js"
    steps: Any = traitlets.List().tag(sync=True)
    here = traitlets.Unicode("").tag(sync=True)

    def __init__(self, chosen: Callable[[str], None], **traits: Any) -> None:
        super().__init__(**traits)
        self._chosen = chosen
        self.on_msg(self._heard)

    def _heard(self, _widget: object, message: object, _buffers: object) -> None:
        if isinstance(message, Mapping) and message.get("do") == "step":
            self._chosen(str(message.get("key", "")))


class SaveButton(anywidget.AnyWidget):
    """A button that hands a file to the browser.

    Parameters
    ----------
    label, help : str
        What it says.
    make : callable
        Gives the file's name, its media type and its bytes when the button is pressed, or None where that failed and was said.
    """

    _esm = BROWSER / "saving.js"
    label = traitlets.Unicode("").tag(sync=True)
    help = traitlets.Unicode("").tag(sync=True)
    disabled = traitlets.Bool(False).tag(sync=True)

    def __init__(self, label: str, make: Callable[[], tuple[str, str, bytes] | None], help: str = "") -> None:
        super().__init__(label=label, help=help)
        self._make = make
        self.on_msg(lambda *_: self.press())

    def press(self) -> tuple[str, str, bytes] | None:
        """Make the file and send it."""
        made = self._make()
        if made is not None:
            name, kind, content = made
            self.send({"file": name, "type": kind}, buffers=[content])
        return made


class MapCanvas(anywidget.AnyWidget):
    """A number over two factors, drawn on a canvas from the array itself.

    Attributes
    ----------
    values, outside : bytes
        float32 and uint8, the first factor fastest; what lies outside is hatched, and so is NaN.
    xs, ys : list of float
        Grid lines; `blocky_x`, `blocky_y` where only these can be set.
    low, high : float
        Ends of the colour scale.
    lines : list of (level, text, heavy)
        Lines of equal value.
    marks, point, box : list
        Batches, the set point, and the ranges (x low, x high, y low, y high).
    alt : str
        What the map shows, in words.
    stamp : int
        Counts the maps, so that one can tell which is on the screen.
    """

    _esm = BROWSER / "map.js"
    values = traitlets.Bytes(b"").tag(sync=True)
    outside = traitlets.Bytes(b"").tag(sync=True)
    colours = traitlets.Bytes(b"").tag(sync=True)
    xs: Any = traitlets.List().tag(sync=True)
    ys: Any = traitlets.List().tag(sync=True)
    blocky_x = traitlets.Bool(False).tag(sync=True)
    blocky_y = traitlets.Bool(False).tag(sync=True)
    low = traitlets.Float(0.0).tag(sync=True)
    high = traitlets.Float(1.0).tag(sync=True)
    ticks: Any = traitlets.List().tag(sync=True)
    lines: Any = traitlets.List().tag(sync=True)
    marks: Any = traitlets.List().tag(sync=True)
    point: Any = traitlets.List().tag(sync=True)
    box: Any = traitlets.List().tag(sync=True)
    xlabel = traitlets.Unicode("").tag(sync=True)
    ylabel = traitlets.Unicode("").tag(sync=True)
    title = traitlets.Unicode("").tag(sync=True)
    second = traitlets.Unicode("").tag(sync=True)
    alt = traitlets.Unicode("").tag(sync=True)
    small = traitlets.Bool(False).tag(sync=True)
    stamp = traitlets.Int(0).tag(sync=True)

    def __init__(self, **traits: Any) -> None:
        super().__init__(colours=colour_bytes(), **traits)

    def show(self, values: Any, outside: Any, **traits: Any) -> None:
        """Draw another array, shape (ys, xs), with what else changes; all in one message."""
        with self.hold_sync():
            self.values = np.ascontiguousarray(values, dtype=np.float32).tobytes()
            self.outside = np.ascontiguousarray(outside, dtype=np.uint8).tobytes()
            for name, value in traits.items():
                setattr(self, name, value)
            self.stamp += 1


def colour_bytes() -> bytes:
    """The package's continuous colour scale as 256 × 3 octets."""
    from doe.plots.look import colour_scale

    return (255 * np.asarray(colour_scale()(np.linspace(0.0, 1.0, 256)))[:, :3]).round().astype(np.uint8).tobytes()
