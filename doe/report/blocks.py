"""What a page is made of: paragraphs, lists, tables, pictures, cards. Text only; the template sets and escapes it."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from doe.plots import words
from doe.plots.look import png, whole
from doe.study import Section

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

DPI = 144.0  # pixels an inch of a picture; shown at 96, so that it stays sharp when enlarged or printed


@dataclass(frozen=True)
class Words:
    """Paragraphs."""

    lines: tuple[str, ...]
    kind: str = field(default="words", init=False)


@dataclass(frozen=True)
class Points:
    """A bulleted list."""

    lines: tuple[str, ...]
    kind: str = field(default="points", init=False)


@dataclass(frozen=True)
class Heading:
    """A heading inside a chapter, with the anchor other places point to."""

    text: str
    anchor: str = ""
    kind: str = field(default="heading", init=False)


@dataclass(frozen=True)
class Grid:
    """A table whose cells are text."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    notes: tuple[str, ...] = ()
    kind: str = field(default="grid", init=False)


@dataclass(frozen=True)
class Formula:
    """An equation, to be copied."""

    text: str
    kind: str = field(default="formula", init=False)


@dataclass(frozen=True)
class Card:
    """Settings that stand out: name and value, with what they are under them."""

    title: str
    entries: tuple[tuple[str, str], ...]
    notes: tuple[str, ...] = ()
    kind: str = field(default="card", init=False)


@dataclass(frozen=True)
class Image:
    """A picture inside the page; `name` is what its file would be called."""

    name: str
    png: bytes = field(repr=False)
    text: str
    width: int
    height: int
    kind: str = field(default="image", init=False)

    @property
    def source(self) -> str:
        """The picture as an address that needs no network."""
        return "data:image/png;base64," + base64.b64encode(self.png).decode("ascii")


Block = Words | Points | Heading | Grid | Formula | Card | Image


@dataclass(frozen=True)
class Chapter:
    """One question and what answers it."""

    anchor: str
    question: str
    blocks: tuple[Block, ...]


def grid(caption: str, table: pd.DataFrame, notes: str | Iterable[str] = ()) -> Grid:
    """A table without its empty columns; columns of figures are set to the right."""
    text = table.astype(str)
    text = text.loc[:, [bool(text[c].str.strip().any()) for c in text.columns]]
    lines = notes.split("\n") if isinstance(notes, str) else notes
    return Grid(
        caption,
        tuple(str(c) for c in text.columns),
        tuple(tuple(row) for row in text.itertuples(index=False, name=None)),
        tuple(_figures(text[c]) for c in text.columns),
        tuple(line for line in lines if line),
    )


def _figures(cells: pd.Series[Any]) -> bool:
    """Whether a column holds figures: at least one, and nothing but figures and blanks."""
    seen = False
    for cell in cells:
        bare = str(cell).strip().removeprefix("<").removeprefix("× ").replace("−", "-")
        if not bare:
            continue
        try:
            float(bare)
        except ValueError:
            return False
        seen = True
    return seen


def section_blocks(sections: Iterable[Section], skip_first_title: bool = False) -> list[Block]:
    """Sections of a result as blocks, in their order."""
    out: list[Block] = []
    for i, section in enumerate(sections):
        title = "" if skip_first_title and i == 0 else section.title
        if section.table is not None and len(section.table.columns):
            out.append(grid(title, section.table, section.note))
            continue
        if title:
            out.append(Heading(title))
        if section.note:
            out.append(Words(tuple(line for line in section.note.split("\n") if line)))
    return out


def image(picture: Axes | Figure | SubFigure, title: str, name: str) -> Image:
    """A picture of doe.plots with its title and its words as the text that stands for it."""
    root = whole(picture)
    data = _with_palette(png(root, DPI))
    width, height = (round(96.0 * side) for side in root.get_size_inches())
    return Image(name, data, f"{title}. {words(picture)}", width, height)


def file_name(text: str) -> str:
    """What a response's name makes in the name of a file."""
    return re.sub(r"[^\w-]+", "_", text).strip("_").lower() or "response"


def _with_palette(data: bytes) -> bytes:
    """The same picture in 256 colours: a third of the size, and no difference that the eye finds."""
    from PIL import Image as Raster  # comes with Matplotlib

    out = io.BytesIO()
    with Raster.open(io.BytesIO(data)) as picture:
        small = picture.convert("RGB").quantize(256, method=Raster.Quantize.MEDIANCUT, dither=Raster.Dither.NONE)
        small.save(out, format="PNG", optimize=True)
    return out.getvalue()


def paragraphs(lines: Sequence[str]) -> Words:
    """Lines as paragraphs, empty ones left out."""
    return Words(tuple(line for line in lines if line))
