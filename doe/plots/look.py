"""The look all pictures share: one continuous colour scale, quiet axes, hollow marks for batches, words under the picture.

Nothing here touches pyplot or the global settings of Matplotlib: every colour and size is set on the artist itself, so pictures
can be drawn in several threads and beside a notebook's own style.
"""

from __future__ import annotations

import io
import re
import textwrap
from collections.abc import Mapping, Sequence
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from doe.study import Response, StudyError
from doe.study.shown import number_text

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.colors import ListedColormap
    from matplotlib.figure import Figure, SubFigure
    from matplotlib.text import Annotation, Text

    from doe.plots import drawn

Floats = NDArray[np.float64]

PAPER = "#ffffff"
INK = "#1d2b33"  # words, estimates
SOFT = "#5c6a72"  # second-rank words, batches
FAINT = "#dfe4e7"  # grid
HATCH = "#c3cacf"
DEEP = "#15616d"  # curves, points
BAND = 0.16  # opacity of an interval about a curve
# several curves in one panel: told apart by lightness and by dash, so neither colour vision nor a colour printer is needed
CURVES: tuple[tuple[str, Any], ...] = (
    ("#0f4c5c", "-"),
    ("#c2571a", (0, (5, 2))),
    ("#7a7a1e", (0, (1, 1.2))),
    ("#8e4585", (0, (6, 1.5, 1, 1.5))),
)
TEXT = 9.0
SMALL = 8.0
_GLYPH = 0.53  # mean width of a letter in units of its size


def png(picture: Axes | Figure | SubFigure, dpi: float = 110.0) -> bytes:
    """The whole figure of `picture` as PNG bytes; the same picture gives the same bytes."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.layout_engine import PlaceHolderLayoutEngine

    figure = whole(picture)
    out = io.BytesIO()
    stands = figure.get_layout_engine() is None or isinstance(figure.get_layout_engine(), PlaceHolderLayoutEngine)
    if not (stands and type(figure.canvas) is FigureCanvasAgg):
        figure.savefig(out, format="png", dpi=dpi, facecolor=PAPER, metadata={"Software": None})
        return out.getvalue()
    own = figure.dpi  # saved here, since savefig draws all that has a layout engine twice
    figure.set_dpi(dpi)
    try:
        figure.canvas.print_png(out, metadata={"Software": None})  # type: ignore[no-untyped-call]
    finally:
        figure.set_dpi(own)
    return out.getvalue()


def picture(width: float, height: float) -> drawn.Picture:
    """An empty figure of `width` by `height` inches."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from doe.plots import drawn

    figure = drawn.Picture(figsize=(width, height), layout="constrained", facecolor=PAPER)
    FigureCanvasAgg(figure)
    engine = figure.get_layout_engine()
    assert engine is not None  # constrained, as asked for
    engine.set(w_pad=0.07, h_pad=0.05, wspace=0.02)  # type: ignore[call-arg]
    return figure


def axes_for(ax: Axes | None, width: float, height: float) -> Axes:
    """The axes given, or those of a new figure; quietly dressed either way."""
    from matplotlib.axes import Axes

    from doe.plots import drawn

    if ax is None:
        ax = picture(width, height).add_subplot(axes_class=drawn.Panel)
    elif not isinstance(ax, Axes):
        raise StudyError("ax", type(ax).__name__, "Matplotlib axes", "leave it out, or give figure.add_subplot()")
    return dress(ax)


def figure_for(figure: Figure | SubFigure | None, width: float, height: float) -> Figure | SubFigure:
    """The figure given, or a new one."""
    from matplotlib.figure import Figure, SubFigure

    if figure is None:
        return picture(width, height)
    if not isinstance(figure, Figure | SubFigure):
        raise StudyError(
            "figure", type(figure).__name__, "a Matplotlib figure", "leave it out, or give matplotlib.figure.Figure()"
        )
    return figure


def dress(ax: Axes) -> Axes:
    """Quiet axes: two spines, a faint grid below the data, figures written out."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    ax.set_facecolor(PAPER)
    for side, spine in ax.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_color(SOFT)
        spine.set_linewidth(0.8)
    ax.grid(True, color=FAINT, linewidth=0.7)
    ax.set_axisbelow(True)
    ax.tick_params(which="both", colors=SOFT, labelcolor=INK, labelsize=SMALL, length=3, width=0.8)
    ax.tick_params(which="minor", length=2)
    for axis in (ax.xaxis, ax.yaxis):
        axis.label.set(color=INK, fontsize=TEXT)
        axis.set_major_locator(MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]))
        axis.set_major_formatter(FuncFormatter(_tick))
    return ax


def _tick(value: float, _position: object) -> str:
    return figures(0.0 if abs(value) < 1e-12 else value)


def figures(value: float, digits: int = 6, error: float | None = None) -> str:
    """A number for a picture, with a true minus sign."""
    return number_text(value, error, digits).replace("-", "−")


def plain(text: str) -> str:
    """User text that Matplotlib shall not read as a formula."""
    return text.replace("$", r"\$")


def folded(text: str, width: int) -> str:
    """Text in lines of at most `width` letters; figures keep their sign of unit, a word longer than a line is broken."""
    tied = re.sub(r"(?<=\d) (?=%|[^\s]*[·°/µ])", "\u00a0", text)
    lines = textwrap.wrap(tied, width, break_long_words=True)
    return plain("\n".join(lines).replace("\u00a0", " ") if lines else text)


def _fold_into(artist: Text, parts: Sequence[str], pixels: float) -> None:
    """Set the parts, each beginning a line of its own, in lines of at most so many pixels."""
    figure = whole(artist)
    wide = max(int(1.1 * pixels * 72.0 / figure.dpi / (float(artist.get_fontsize()) * _GLYPH)), 14)
    while True:
        artist.set_text("\n".join(folded(part, wide) for part in parts if part))
        if wide <= 12 or artist.get_window_extent().width <= pixels:
            return
        wide -= max(wide // 30, 1)


def framed(ax: Axes, title: str, second: str, under: str) -> None:
    """Title above and words below, folded to the room there is; nothing may change the panel's size after it.

    `second` is a line of its own in the title, for what is held. Alone in a figure of this room, both begin at its left edge and the
    figure grows by what they take, so that they squeeze nothing; beside other panels they keep to their own axes.
    """
    from doe.plots import drawn

    root = settle(ax)
    tight = ax.get_tightbbox()
    assert tight is not None  # axes that have just been drawn
    box, alone = ax.bbox, isinstance(root, drawn.Picture) and isinstance(ax, drawn.Panel)
    left, right = (tight.x0, root.bbox.x1 - 0.05 * root.dpi) if alone else (box.x0, box.x1)
    x = (left - box.x0) / box.width
    ax.set_title(title, fontsize=TEXT + 1, color=INK, pad=8)
    ax.title.set(ha="left", x=x, linespacing=1.35)  # the layout counts a title's height, not its width
    _fold_into(ax.title, (title, second), right - left)
    note = ax.annotate(
        "",
        xy=(x, 0.0),
        xycoords=("axes fraction", ax.xaxis.label),
        xytext=(0, -6),
        textcoords="offset points",
        ha="left",
        va="top",
        fontsize=SMALL,
        color=SOFT,
        linespacing=1.4,
        annotation_clip=False,
        gid="words",
        in_layout=not alone,
    )
    note.set_label(under)
    _fold_into(note, (under,), right - left)
    if alone:
        _make_room(ax, root, ax.title, note)
    ease_ticks(ax)


def _make_room(ax: Axes, root: Figure, title: Text, note: Text) -> None:
    """Grow the figure by the height of title and words, and keep the layout as it then is."""
    above, below = (t.get_window_extent().height / root.dpi + gap for t, gap in ((title, 0.14), (note, 0.12)))
    height = root.get_figheight() + above + below
    root.set_figheight(height)
    engine = root.get_layout_engine()
    assert engine is not None  # a Picture has one
    engine.set(rect=(0.0, below / height, 1.0, 1.0 - below / height))  # type: ignore[call-arg]
    settle(ax)
    root.set_layout_engine("none")
    note.set_in_layout(True)


def headed(figure: Figure | SubFigure, title: str, second: str, under: str) -> None:
    """Title over several panels and words under them, folded to the figure's width; a figure of this room grows by what they take."""
    from doe.plots import drawn

    width = figure.bbox.width * 0.98
    head = figure.suptitle(title, fontsize=TEXT + 1, color=INK, x=0.01, ha="left")
    head.set_linespacing(1.35)
    _fold_into(head, (title, second), width)
    note = figure.supxlabel("", fontsize=SMALL, color=SOFT, x=0.01, ha="left")
    note.set(linespacing=1.4, gid="words", label=under)
    _fold_into(note, (under,), width)
    if isinstance(figure, drawn.Picture):
        taken = sum(t.get_window_extent().height for t in (head, note)) / figure.dpi
        figure.set_figheight(figure.get_figheight() + taken)
        settle(figure.axes[0])
        figure.set_layout_engine("none")  # it stands: drawing it again need not lay it out again
    else:
        settle(figure.axes[0])
    for ax in figure.axes:
        ease_ticks(ax)


def words(picture: Axes | Figure | SubFigure) -> str:
    """What stands in words under a picture: its extremes, what the marks mean, what is left blank.

    Parameters
    ----------
    picture : Axes or Figure
        As a function of this room returned it.

    Returns
    -------
    str
        One line, not folded; empty if the picture has no words.

    Raises
    ------
    StudyError
        If it is no picture.
    """
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure
    from matplotlib.text import Text

    if not isinstance(picture, Axes | Figure | SubFigure):
        raise StudyError(
            "picture", type(picture).__name__, "axes or a figure of doe.plots", "give what the function returned"
        )
    return " ".join(str(t.get_label()) for t in picture.findobj(Text) if t.get_gid() == "words")


def own_scale(ax: Axes, response: Response, values: Floats) -> None:
    """Label and scale of the y axis for values on the response's own scale; logarithmic where they span more than a factor of five."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    from doe.plots import drawn

    ax.set_ylabel(folded(response.label, 34))
    finite = values[np.isfinite(values)]
    if response.transform == "log" and finite.size and finite.min() > 0 and finite.max() > 5 * finite.min():
        ax.set_yscale("log")
        ax.yaxis.set_major_locator(drawn.Decades(7))
        ax.yaxis.set_major_formatter(FuncFormatter(_tick))
        ax.yaxis.set_minor_formatter(NullFormatter())


def log_x(ax: Axes) -> None:
    """The x axis on the logarithmic scale of `own_scale`."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    from doe.plots import drawn

    ax.set_xscale("log")
    ax.xaxis.set_major_locator(drawn.Decades(4))
    ax.xaxis.set_major_formatter(FuncFormatter(_tick))
    ax.xaxis.set_minor_formatter(NullFormatter())


def round_steps(low: float, high: float, most: int) -> Floats:
    """At most `most` round figures in equal ratios, roughly, between two positive values."""
    for mantissas in ((1, 1.5, 2, 3, 4, 5, 6, 8), (1, 1.5, 2, 3, 5, 7), (1, 2, 3, 5), (1, 2, 5), (1, 3), (1,)):
        decades = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
        steps = np.array([m * 10.0**k for k in decades for m in mantissas])
        steps = steps[(steps >= low) & (steps <= high)]
        if len(steps) <= most:
            return steps
    return steps[:: -(-len(steps) // most)]


def limit_lines(ax: Axes, response: Response) -> None:
    """Specification limits across the panel."""
    for value in (response.low, response.high):
        if value is not None:
            ax.axhline(value, color=INK, linewidth=1.0, linestyle=(0, (2, 2)), zorder=1.5, gid="limit")


def name_limits(ax: Axes, response: Response, points: Floats) -> None:
    """What the limits are, written along them where the fewest of `points` (data coordinates, (N, 2)) are covered."""
    for word, value in (("at least", response.low), ("at most", response.high)):
        if value is None:
            continue
        note = ax.annotate(
            f"{word} {plain(response.text(value))}",
            xy=(1.0, value),
            xycoords=("axes fraction", "data"),
            xytext=(0, 0),
            textcoords="offset points",
            fontsize=SMALL - 1,
            color=INK,
            path_effects=halo(),
            gid="limit value",
        )
        options = [
            {
                "xy": (x, value),
                "xyann": (4 - 8 * x, up),
                "ha": "right" if x else "left",
                "va": "bottom" if up > 0 else "top",
            }
            for up in ((2, -2) if word == "at least" else (-2, 2))
            for x in (1.0, 0.0)
        ]
        settle_at(note, options, points)


def settle_at(
    note: Annotation, options: Sequence[Mapping[str, Any]], points: Floats, boxes: Sequence[Any] = ()
) -> None:
    """Put an annotation where it covers the fewest points and other texts' boxes, and stays inside its axes; the first of equals."""
    ax = note.axes
    assert ax is not None  # an annotation of a panel
    seen = ax.transData.transform(points) if len(points) else np.empty((0, 2))
    best: tuple[float, int] | None = None
    for place, option in enumerate(options):
        _put(note, option)
        box = note.get_window_extent().padded(2.0)
        covered = ((seen > [box.x0, box.y0]) & (seen < [box.x1, box.y1])).all(axis=1).sum()
        cost = float(covered) + 10.0 * sum(box.overlaps(b) for b in boxes)
        cost += 1000.0 * (not (ax.bbox.contains(box.x0, box.y0) and ax.bbox.contains(box.x1, box.y1)))
        if best is None or cost < best[0]:
            best = (cost, place)
    assert best is not None  # there is always an option
    _put(note, options[best[1]])


def _put(note: Annotation, option: Mapping[str, Any]) -> None:
    note.xy = option.get("xy", note.xy)
    note.xyann = option["xyann"]
    note.set(ha=option["ha"], va=option["va"])


AROUND = tuple(
    {"xyann": (x, y), "ha": ha, "va": va}
    for x, y, ha, va in (
        (6, 0, "left", "center"),
        (-6, 0, "right", "center"),
        (0, 6, "center", "bottom"),
        (0, -6, "center", "top"),
        (6, 6, "left", "bottom"),
        (-6, 6, "right", "bottom"),
        (6, -6, "left", "top"),
        (-6, -6, "right", "top"),
    )
)


def name_beside(ax: Axes, x: float, y: float, text: str, points: Floats, boxes: list[Any], gid: str) -> Annotation:
    """A name beside a mark, where it covers least; its box is added to `boxes`."""
    note = ax.annotate(
        plain(text),
        (x, y),
        xytext=(6, 0),
        textcoords="offset points",
        fontsize=SMALL,
        color=INK,
        path_effects=halo(2.6),
        gid=gid,
        zorder=6,
    )
    settle_at(note, AROUND, points, boxes)
    boxes.append(note.get_window_extent())
    return note


def halo(width: float = 2.2) -> list[Any]:
    """A paper-coloured rim, so that marks and words stay readable over the colour scale."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=width, foreground=PAPER)]


def batches(
    ax: Axes, x: Any, y: Any, size: float = 22.0, strong: bool = True, label: str = "batch", marker: str = "o"
) -> None:
    """Batches as small hollow neutral marks."""
    ax.scatter(
        x,
        y,
        s=size,
        marker=marker,
        facecolors="none",
        edgecolors=SOFT if strong else "#97a2a9",
        linewidths=1.0 if strong else 0.7,
        path_effects=halo(2.0) if strong else None,
        zorder=4 if strong else 3,
        label=label,
        gid="batches",
    )


class Discs:
    """Places taken in a panel, as discs in pixels, so that slanted words can be kept apart."""

    def __init__(self) -> None:
        self.centres = np.empty((0, 2))
        self.radii = np.empty(0)

    def add(self, centres: Floats, radius: float) -> None:
        """Take these places."""
        self.centres = np.vstack([self.centres, centres])
        self.radii = np.append(self.radii, np.full(len(centres), radius))

    def add_box(self, box: Any) -> None:
        """Take the place of a text that lies flat."""
        radius = 0.5 * box.height
        x = np.linspace(box.x0 + radius, box.x1 - radius, max(int(box.width / max(radius, 1.0)), 2))
        self.add(np.column_stack([x, np.full(len(x), 0.5 * (box.y0 + box.y1))]), radius)

    def clear(self, centres: Floats, radius: float) -> bool:
        """Whether discs of this radius would touch none that is taken."""
        gap = np.linalg.norm(centres[:, None, :] - self.centres[None, :, :], axis=2)
        return bool((gap > radius + self.radii + 1.0).all())


def write_on_line(
    ax: Axes, pieces: Sequence[Floats], label: str, taken: Sequence[Discs], strong: bool, gid: str
) -> Text | None:
    """Write `label` along a line (pieces in data coordinates) where it is straight enough and free; None where there is no such place.

    `taken` is tried together first, then without its last members, so that marks may be covered but words never.
    """
    text = ax.text(
        0, 0, plain(label), fontsize=SMALL, color=INK, fontweight="bold" if strong else "normal", gid=gid, zorder=5
    )
    text.set(path_effects=halo(2.6), ha="center", va="center", rotation_mode="anchor")
    flat = text.get_window_extent()
    width, radius = flat.width, 0.55 * flat.height
    lines = [ax.transData.transform(p) for p in pieces if len(p) > 1]
    for depth in range(len(taken), 0, -1):
        for line in sorted(lines, key=lambda q: -np.linalg.norm(np.diff(q, axis=0), axis=1).sum()):
            along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
            for share in (0.5, 0.42, 0.58, 0.34, 0.66, 0.26, 0.74, 0.18, 0.82):
                ends = share * along[-1] + np.array([-0.5, 0.5]) * width
                if ends[0] < 0.0 or ends[1] > along[-1]:
                    continue
                a, m, b = (
                    np.array([np.interp(s, along, line[:, k]) for k in (0, 1)]) for s in (ends[0], ends.mean(), ends[1])
                )
                chord = b - a
                if np.linalg.norm(chord) < 0.93 * width:
                    continue
                middle = 0.5 * (0.5 * (a + b) + m)
                steps = np.linspace(-0.5, 0.5, max(int(width / radius), 2))[:, None] * (
                    width * chord / np.linalg.norm(chord)
                )
                discs = middle + steps
                inside = (discs > [ax.bbox.x0 + radius, ax.bbox.y0 + radius]).all() and (
                    discs < [ax.bbox.x1 - radius, ax.bbox.y1 - radius]
                ).all()
                if not inside or not all(t.clear(discs, radius) for t in taken[:depth]):
                    continue
                angle = float(np.degrees(np.arctan2(chord[1], chord[0])))
                text.set_position(tuple(ax.transData.inverted().transform(middle)))
                text.set_rotation(angle - 180.0 * np.round(angle / 180.0))
                taken[0].add(discs, radius)
                return text
    text.remove()
    return None


def ease_ticks(ax: Axes) -> None:
    """Fewer figures along the x axis where they would touch."""
    from matplotlib.ticker import MaxNLocator

    from doe.plots import drawn

    locator = ax.xaxis.get_major_locator()
    if not isinstance(locator, MaxNLocator):
        return
    scratch = ax.text(0.0, 0.0, "", fontsize=SMALL)
    low, high = sorted(ax.get_xlim())
    for most in (6, 5, 4, 3, 2):
        if isinstance(locator, drawn.Decades):
            locator.most = min(locator.most, most)
        else:
            locator.set_params(nbins=most)
        ends = []
        for value in ax.get_xticks():
            if low <= value <= high:
                scratch.set_text(_tick(float(value), 0))
                middle = ax.transData.transform((value, 0.0))[0]
                half = 0.5 * scratch.get_window_extent().width + 2.0
                ends.append((middle - half, middle + half))
        if all(a[1] <= b[0] for a, b in pairwise(ends)):
            break
    scratch.remove()


def whole(artist: Artist) -> Figure:
    """The figure at the root of whatever an artist is in."""
    from matplotlib.figure import Figure

    found: Any = artist
    while found is not None and not isinstance(found, Figure):
        found = found.figure
    if found is None:
        raise StudyError("picture", "taken out of its figure", "part of a figure", "draw it again")
    return found


def settle(ax: Axes) -> Figure:
    """Run the layout now, so that what is placed by pixels finds the axes where they will stay; returns the whole figure."""
    root = whole(ax)
    engine = root.get_layout_engine()
    if engine is None:
        root.draw_without_rendering()
    else:
        engine.execute(root)
    return root


@cache
def colour_scale() -> ListedColormap:
    """The one colour scale: pale to deep blue-green in equal steps of perceived difference (CIE 1976 L*a*b*).

    Lightness falls all the way, so it reads the same in grey and with any colour vision.

    References
    ----------
    CIE 15:2018, Colorimetry; IEC 61966-2-1:1999 (sRGB), white point D65.
    """
    from matplotlib.colors import ListedColormap

    t = np.linspace(0.0, 1.0, 2001)
    lightness = 97.0 - 57.0 * t
    hue = np.deg2rad(np.interp(t, [0, 0.4, 1.0], [105.0, 170.0, 245.0]))
    chroma = np.interp(t, [0, 0.5, 1.0], [7.0, 27.0, 27.0])
    lab = np.column_stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(lab, axis=0), axis=1))])
    even = np.linspace(0.0, along[-1], 256)
    return ListedColormap(_srgb(np.column_stack([np.interp(even, along, c) for c in lab.T])), name="still water")


def _srgb(lab: Floats) -> Floats:
    f = np.column_stack(
        [
            (lab[:, 0] + 16.0) / 116.0 + lab[:, 1] / 500.0,
            (lab[:, 0] + 16.0) / 116.0,
            (lab[:, 0] + 16.0) / 116.0 - lab[:, 2] / 200.0,
        ]
    )
    white = np.array([0.95047, 1.0, 1.08883])
    xyz = white * np.where(f > 6.0 / 29.0, f**3, 3.0 * (6.0 / 29.0) ** 2 * (f - 4.0 / 29.0))
    matrix = np.array(
        [[3.2404542, -1.5371385, -0.4985314], [-0.9692660, 1.8760108, 0.0415560], [0.0556434, -0.2040259, 1.0572252]]
    )
    linear = np.clip(xyz @ matrix.T, 0.0, 1.0)
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055))


def need_fit(function: str, fit: object) -> None:
    """Refuse anything but one Fit."""
    from doe.fits import Fit

    if not isinstance(fit, Fit):
        raise StudyError(
            f"plots.{function}: fit", type(fit).__name__, "a Fit", "give one of doe.fit_all's: fits['viscosity']"
        )


def need_window(function: str, win: object) -> None:
    """Refuse anything but a Window."""
    from doe.window import Window

    if not isinstance(win, Window):
        raise StudyError(f"plots.{function}: win", type(win).__name__, "a Window", "make it with doe.find_window(fits)")
