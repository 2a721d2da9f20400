"""A response over the blends of a mixture: traces along each component, and contours in the triangle of three."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.plots import holding, look
from doe.plots.curves import value_text
from doe.plots.look import Floats
from doe.plots.runs import observed
from doe.plots.slices import BANDS, bar, round_levels
from doe.plots.triangle import Triangle as Sides
from doe.study import Categorical, Component, Study, StudyError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.path import Path
    from matplotlib.tri import Triangulation

    from doe.fits import Fit

LETTERS = 18  # a line of a name at the end of a curve

# ---- traces


def traces(
    fit: Fit, direction: str = "cox", reference: Mapping[str, Any] | None = None, ax: Axes | None = None
) -> Axes:
    """How a response goes along each component of a mixture, from a reference blend to the edges of the region.

    Parameters
    ----------
    fit : Fit
        As `doe.fit` gives it, of a study with components.
    direction : "cox" or "piepel"
        As for `Fit.traces`.
    reference : mapping of factor -> setting, optional
        As for `Fit.traces`; the mean of the region's corners if left out.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        One curve a component with its 95 % band for the mean, all through the reference. Along the axis each component moves over its own
        range in the region, so that a tenth of a percent of one and ten percent of another can be seen side by side; the amounts at
        both ends stand by the curves.

    Raises
    ------
    StudyError
        If the study is no mixture, or the reference or direction cannot be used.
    """
    from doe.fits.tracing import DIRECTIONS

    look.need_fit("traces", fit)
    made = fit.traces(reference, direction)
    study = fit.study
    ax = look.axes_for(ax, 6.6, 4.2)
    drawn = [line for line in made.lines if line.long]
    if not drawn:
        raise StudyError("traces: components", "all fixed", "able to move", "choose another reference or direction")
    table = made.table
    ends: list[tuple[float, float, str]] = []
    for i, line in enumerate(drawn):
        t = table[table["component"] == line.name]
        x = 100 * t["change"].to_numpy() / (line.high - line.low)
        y, low, high = (t[c].to_numpy(dtype=float) for c in ("estimate", "low", "high"))
        colour, dash = look.CURVES[i % len(look.CURVES)]
        if np.isfinite(low).all():
            ax.fill_between(x, low, high, color=colour, alpha=look.BAND * 0.7, linewidth=0, gid="band")
        ax.plot(x, y, color=colour, linestyle=dash, linewidth=1.8, gid="trace", label=look.plain(line.name))
        f = study.factor(line.name)
        unit = getattr(f, "unit", "")
        ends.append((x[-1], y[-1], f"{line.name} {look.figures(line.high, 3)} {unit}".rstrip()))
        ends.append((x[0], y[0], f"{line.name} {look.figures(line.low, 3)} {unit}".rstrip()))
    look.own_scale(ax, fit.response, table[["estimate", "low", "high"]].to_numpy(dtype=float).ravel())
    look.limit_lines(ax, fit.response)
    ax.axvline(0.0, color=look.SOFT, linewidth=0.8)
    ax.set_xlabel("change from the reference (% of the component's own range in the region)")
    words = ", ".join(
        holding.setting_text(study.factor(n), made.reference[n]) for n in [c.name for c in study.components]
    )
    second = f"reference: {words}" + (f"; held: {made.held_words}" if made.held_words else "")
    _room_for_names(ax, ends)
    look.framed(ax, f"{fit.response.name} along {DIRECTIONS[direction]}", second, _trace_words(made))
    _name_ends(ax, ends)
    return ax


def _room_for_names(ax: Axes, ends: Sequence[tuple[float, float, str]]) -> None:
    """Limits of the x axis that leave the names at the ends of the curves their place."""
    look.settle(ax)
    scratch = ax.text(0.0, 0.0, "", fontsize=look.SMALL)
    wide = []
    for first in (1, 0):
        widths = []
        for _, _, text in ends[first::2]:
            scratch.set_text(look.folded(text, LETTERS))
            widths.append(scratch.get_window_extent().width)
        wide.append(max(widths) + 22.0)
    scratch.remove()
    left, right = min(e[0] for e in ends), max(e[0] for e in ends)
    each = (right - left) / max(0.92 * ax.bbox.width - sum(wide), 0.3 * ax.bbox.width)
    ax.set_xlim(left - each * wide[0], right + each * wide[1])


def _name_ends(ax: Axes, ends: Sequence[tuple[float, float, str]]) -> None:
    """The amounts at the ends of the curves: in a column on either side, moved apart where they would touch."""
    for side in (-1, 1):
        mine = sorted(
            (e for i, e in enumerate(ends) if (i % 2 == 0) == (side > 0)),
            key=lambda e: ax.transData.transform(e[:2])[1],
        )
        inverse = ax.transData.inverted()
        edge = max(e[0] for e in mine) if side > 0 else min(e[0] for e in mine)
        notes: list[Any] = []
        at: list[float] = []
        for _, y, text in mine:
            note = ax.text(
                edge, y, look.folded(text, LETTERS), fontsize=look.SMALL, color=look.INK, gid="end", va="center"
            )
            note.set(ha="left" if side > 0 else "right", path_effects=look.halo())
            notes.append(note)
            at.append(float(ax.transData.transform((edge, y))[1]))
        tall = [n.get_window_extent().height + 2.0 for n in notes]
        placed = _apart(at, tall, ax.bbox.y0, ax.bbox.y1)
        gap = 8.0
        for note, (x, y, _), height in zip(notes, mine, placed, strict=True):
            corner = ax.transData.transform((edge, y))[0] + side * gap
            there = inverse.transform((corner, height))
            note.set_position(tuple(there))
            near = inverse.transform((corner - side * 2.0, height))
            ax.plot([x, near[0]], [y, near[1]], color=look.SOFT, linewidth=0.5, gid="leader", zorder=1.5)


def _apart(at: Sequence[float], tall: Sequence[float], bottom: float, top: float) -> list[float]:
    """Heights in rising order, moved as little as a few sweeps find so that none touch and all stay inside."""
    out = list(at)
    for _ in range(200):
        for i in range(len(out) - 1):
            need = 0.5 * (tall[i] + tall[i + 1]) - (out[i + 1] - out[i])
            if need > 0:
                out[i] -= 0.5 * need
                out[i + 1] += 0.5 * need
        out = [min(max(v, bottom + 0.5 * h), top - 0.5 * h) for v, h in zip(out, tall, strict=True)]
    return out


def _trace_words(made: Any) -> str:
    fit, e = made.fit, made.effects
    log = fit.response.transform == "log"
    moving = e[[line.long for line in made.lines]]
    order = moving["estimate"].abs().sort_values(ascending=False).index
    first, last = moving.loc[order[0]], moving.loc[order[-1]]

    def change(row: Any) -> str:
        def one(value: float) -> str:
            if log:
                return f"× {look.figures(float(np.exp(value)), 3)}"
            return f"{'+' if value >= 0 else ''}{look.figures(value, 3, row['std_error'])}"

        unit = "" if fit.response.transform else f" {fit.response.unit}".rstrip()
        unit += "" if fit._contrast_label == fit.response.fitted_label else f" in {fit._contrast_label}"
        interval = f" (95 %: {one(row['low'])} to {one(row['high'])})" if np.isfinite(row["low"]) else ""
        return f"{one(row['estimate'])}{unit}{interval}"

    out = [f"Most from end to end: {first['component']}, {change(first)}."]
    if len(moving) > 1:
        out.append(f"Least: {last['component']}, {change(last)}.")
    others = (
        "the others keep their proportions"
        if made.direction == "cox"
        else "the others keep the proportions of what they have above their least amounts"
    )
    out.append(f"On a curve one component changes and {others}; curves end where the region does.")
    still = [line.name for line in made.lines if not line.long]
    if still:
        out.append(f"Not drawn, since it cannot move this way: {', '.join(still)}.")
    if fit.df_residual:
        out.append("Bands: 95 % for the mean.")
    return " ".join(out)


# ---- the triangle of three


@dataclass(frozen=True)
class Triangle:
    """Blends of three components, all else held.

    Attributes
    ----------
    study : Study
    names : tuple of str
        The three, natural units.
    base : dict
        A setting of every factor; of the three only a start.
    total : float
        What the three add up to.
    """

    study: Study
    names: tuple[str, str, str]
    base: dict[str, Any]
    total: float

    @cached_property
    def corners(self) -> Floats:
        """Corners of what the region leaves, in turn, amounts of the three, shape (N, 3); empty where it leaves nothing."""
        region = self.study.region
        numeric = [f.name for f in self.study.factors if not isinstance(f, Categorical)]
        x = np.array([0.0 if n in self.names else float(self.base[n]) for n in numeric])
        place = [numeric.index(n) for n in self.names]
        parts = [self.study.factor(n) for n in self.names]
        A = [sign * row for row in np.eye(3) for sign in (1.0, -1.0)]
        b = [bound for f in parts for bound in (f.high, -f.low)]  # type: ignore[union-attr]
        A += list(region.A[:, place])
        b += list(region.b - region.A @ x)
        shape = [self.total * row for row in np.eye(3)]
        for row, bound in zip(A, b, strict=True):
            shape = _clipped(shape, row, float(bound))
        return np.array(shape).reshape(-1, 3)

    @cached_property
    def low(self) -> Floats:
        """Where the triangle drawn begins: the least amounts of the three."""
        return np.asarray(self.corners.min(axis=0))

    @property
    def spare(self) -> float:
        """What is left to share out above the least amounts."""
        return float(self.total - self.low.sum())

    def flat(self, blends: Floats) -> Floats:
        """Places in the drawing of amounts of the three."""
        shares = (np.atleast_2d(blends) - self.low) / self.spare
        return np.column_stack([shares[:, 2] + 0.5 * shares[:, 0], np.sqrt(0.75) * shares[:, 0]])

    def settings(self, blends: Floats) -> pd.DataFrame:
        """Whole settings with these amounts of the three."""
        out = pd.DataFrame({n: [self.base[n]] * len(blends) for n in self.study.names})
        for i, name in enumerate(self.names):
            out[name] = blends[:, i]
        return out

    def lattice(self, n: int) -> Floats:
        """Blends in even steps over the triangle drawn, shape (n (n + 1) / 2, 3)."""
        steps = n - 1
        i, j = (v.ravel() for v in np.meshgrid(np.arange(n), np.arange(n), indexing="ij"))
        keep = i + j <= steps
        shares = np.column_stack([i[keep], j[keep], steps - i[keep] - j[keep]]) / steps
        return np.asarray(self.low + self.spare * shares)


def _clipped(shape: list[Floats], row: Floats, bound: float) -> list[Floats]:
    """What of a polygon has row · x <= bound (Sutherland & Hodgman 1974)."""
    room = 1e-9 * max(abs(bound), float(np.abs(row).max()), 1e-300)
    out: list[Floats] = []
    for a, c in zip(shape, [*shape[1:], *shape[:1]], strict=True):
        over_a, over_c = float(row @ a) - bound, float(row @ c) - bound
        if over_a <= room:
            out.append(a)
        if (over_a < -room and over_c > room) or (over_a > room and over_c < -room):
            out.append(a + (c - a) * over_a / (over_a - over_c))
    return out


def ternary_response(
    fit: Fit, components: Sequence[str] | None = None, at: Any = None, n: int = 101, ax: Axes | None = None
) -> Axes:
    """Predicted response in the triangle of three components, as contour lines with their values on one continuous colour scale.

    Parameters
    ----------
    fit : Fit
        As `doe.fit` gives it, of a study with three components or more.
    components : sequence of three str, optional
        Which three; needed where there are more.
    at : mapping or Series, optional
        Settings at which everything else is held; what is left out is held in the middle of the region, and the title says where.
    n : int
        Grid points along each side.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        The triangle reaches as far as the region does; blends outside it are hatched, its outline drawn. Specification limits are heavier
        lines. Large hollow marks are batches made at the held settings, small ones those made at others.

    Raises
    ------
    StudyError
        If there are not three components to draw, or the held settings leave no blend.
    """
    from matplotlib.colors import LogNorm, Normalize
    from matplotlib.path import Path
    from matplotlib.tri import Triangulation

    look.need_fit("ternary_response", fit)
    if isinstance(n, bool) or not isinstance(n, int | np.integer) or not 11 <= n <= 401:
        raise StudyError("n", n, "a whole number from 11 to 401", "give the grid points along each side")
    t = _triangle(fit.study, components, at)
    blends = t.lattice(int(n))
    flat = t.flat(blends)
    outline = Path(t.flat(np.vstack([t.corners, t.corners[:1]])))
    inside = outline.contains_points(flat, radius=1e-9) | outline.contains_points(flat, radius=-1e-9)
    values = fit._foretell(fit.model.matrix(t.settings(blends)), 0.95, "mean")["estimate"].to_numpy(dtype=float)
    known = np.vstack([blends[inside], t.corners])
    predicted = fit.predict(t.settings(known))
    low, high = float(predicted["estimate"].min()), float(predicted["estimate"].max())
    ax = look.axes_for(ax, 6.6, 4.5)
    _frame(ax, t)
    log = fit.response.transform == "log" and low > 0 and high > 4 * low
    if high - low <= 1e-9 * max(abs(high), abs(low), 1e-300):
        low, high = low - max(abs(low), 1.0) * 1e-3, high + max(abs(high), 1.0) * 1e-3
    grid = Triangulation(*flat.T)
    steps = np.geomspace(low, high, BANDS) if log else np.linspace(low, high, BANDS)
    steps[0], steps[-1] = low, high
    norm = LogNorm(low, high) if log else Normalize(low, high)
    solid = np.clip(np.nan_to_num(values, nan=low, posinf=high, neginf=low), low, high)
    drawn = ax.tricontourf(grid, solid, levels=steps, norm=norm, cmap=look.colour_scale(), zorder=1)
    drawn.set_edgecolor("face")
    drawn.set_clip_path(outline, ax.transData)
    levels = round_levels(low, high, log)
    bar(ax, drawn, fit.response.label, levels)
    here, elsewhere, left = _put_batches(ax, t, observed(fit))
    limits = [
        (v, f"{word} {fit.response.text(v)}")
        for v, word in ((fit.response.low, "at least"), (fit.response.high, "at most"))
        if v is not None and low < v < high
    ]
    unit = f" {fit.response.unit}" if fit.response.unit and len(fit.response.unit) <= 8 else ""
    lines = [*limits, *((v, f"{look.figures(v)}{unit}") for v in levels if all(v != w for w, _ in limits))]
    held = _held_text(t)
    names = f"{t.names[0]}, {t.names[1]} and {t.names[2]}"
    words = _response_words(fit, t, known, predicted, here, elsewhere, left)
    look.framed(ax, f"Predicted {fit.response.name} over {names}", f"held: {held}" if held else "", words)
    _draw_lines(ax, grid, solid, lines, len(limits), outline)
    return ax


def _triangle(study: Study, components: Sequence[str] | None, at: Any) -> Triangle:
    parts = [c.name for c in study.components]
    if len(parts) < 3:
        raise StudyError("ternary_response: number of components", len(parts), "3 or more", "take plots.contours")
    if components is None:
        if len(parts) > 3:
            raise StudyError(
                "ternary_response: components",
                None,
                f"three of {', '.join(parts)}",
                f"name them: components={parts[:3]!r}; the others are held",
            )
        components = parts
    chosen = [components] if isinstance(components, str) else list(components)
    for name in chosen:
        if not isinstance(holding.known(study, name, "components"), Component):
            raise StudyError("components", name, f"three of {', '.join(parts)}", f"hold {name!r}: at={{{name!r}: …}}")
    if len(chosen) != 3 or len(set(chosen)) != 3:
        raise StudyError("components", chosen, "three different components", f"choose among {', '.join(parts)}")
    three = (chosen[0], chosen[1], chosen[2])
    base = holding.middle(study)
    for name, value in (holding._mapping(at, "at") if at is not None else {}).items():
        if name not in three:
            base[name] = holding.checked(holding.known(study, name, "at"), value, "at")
    total = (study.mixture_total or 100.0) - sum(float(base[p]) for p in parts if p not in three)
    made = Triangle(study, three, base, float(total))
    if len(made.corners) < 3 or made.spare <= 1e-9 * abs(total):
        held = ", ".join(holding.setting_text(study.factor(p), base[p]) for p in study.names if p not in three)
        raise StudyError(
            "at",
            held or "these components",
            "such that blends of the three are left inside the region",
            "hold the others elsewhere",
        )
    return made


def _held_text(t: Triangle) -> str:
    return ", ".join(holding.setting_text(t.study.factor(n), t.base[n]) for n in t.study.names if n not in t.names)


def _frame(ax: Axes, t: Triangle) -> None:
    from matplotlib.patches import Polygon

    ax.set_aspect("equal")
    ax.grid(False)
    ax.set(xlim=(-0.12, 1.12), ylim=(-0.07, 0.98), xticks=[], yticks=[])
    for spine in ax.spines.values():
        spine.set_visible(False)
    whole = t.flat(t.low + t.spare * np.eye(3))
    ax.add_patch(Polygon(whole, fc=look.PAPER, ec=look.HATCH, hatch="////", lw=0, zorder=0, gid="outside"))
    ax.add_patch(Polygon(t.flat(t.corners), fc="none", ec=look.SOFT, lw=1.0, zorder=2.2, gid="region"))
    ax.add_patch(Polygon(whole, fc="none", ec=look.SOFT, lw=0.8, zorder=2, clip_on=False))
    parts = tuple(f for f in (t.study.factor(name) for name in t.names) if isinstance(f, Component))
    for c in range(3):
        Sides(parts, t.low, t.spare).side(ax, c)


def _put_batches(ax: Axes, t: Triangle, runs: pd.DataFrame) -> tuple[int, int, int]:
    """Batches as hollow marks; how many at the held settings, how many at others, how many lie off the triangle."""
    at_held = np.ones(len(runs), dtype=bool)
    on_plane = np.ones(len(runs), dtype=bool)
    for f in t.study.factors:
        if f.name in t.names:
            continue
        if isinstance(f, Categorical):
            same = (runs[f.name].astype(str) == str(t.base[f.name])).to_numpy()
        else:
            gap = np.abs(runs[f.name].to_numpy(dtype=float) - float(t.base[f.name]))
            same = gap <= holding.SAME * (f.high - f.low)
        if isinstance(f, Component):
            on_plane &= same
        at_held &= same
    places = t.flat(runs[list(t.names)].to_numpy(dtype=float))
    for chosen, size, strong in ((on_plane & ~at_held, 9.0, False), (on_plane & at_held, 30.0, True)):
        if chosen.any():
            look.batches(ax, places[chosen, 0], places[chosen, 1], size=size, strong=strong)
    return int((on_plane & at_held).sum()), int((on_plane & ~at_held).sum()), int((~on_plane).sum())


def _draw_lines(
    ax: Axes,
    grid: Triangulation,
    z: Floats,
    lines: Sequence[tuple[float, str]],
    heavy: int,
    outline: Path,
) -> None:
    """Contour lines with their values on them; a light line without room for its value is left out."""
    from matplotlib.path import Path

    taken = look.Discs()
    for i, (value, label) in enumerate(lines):
        strong = i < heavy
        drawn = ax.tricontour(
            grid,
            z,
            levels=[value],
            colors=[look.INK],
            linewidths=2.0 if strong else 0.8,
            linestyles=["solid"],
            zorder=2.1,
        )
        drawn.set_gid("limit" if strong else "contour")
        drawn.set_label(label)
        drawn.set_clip_path(outline, ax.transData)
        pieces = []
        path = drawn.get_paths()[0]
        # the vertices themselves: to_polygons would thin them out, by pixels, in a drawing one unit wide
        vertices = np.asarray(path.vertices, dtype=float)
        codes = np.zeros(len(vertices)) if path.codes is None else np.asarray(path.codes)
        starts = np.flatnonzero(codes == Path.MOVETO)[1:]
        for line in np.split(vertices, starts):
            seen = outline.contains_points(line)
            for stretch in np.split(np.arange(len(line)), np.flatnonzero(np.diff(seen)) + 1):
                if seen[stretch[0]] and len(stretch) > 1:
                    pieces.append(line[stretch])
        written = look.write_on_line(ax, pieces, label, [taken], strong, "limit value" if strong else "contour value")
        if written is None and strong and pieces:
            longest = max(pieces, key=len)
            x, y = longest[len(longest) // 2]
            note = look.name_beside(ax, float(x), float(y), label, longest, [], "limit value")
            note.set_fontweight("bold")
            taken.add_box(note.get_window_extent())
        elif written is None:
            drawn.remove()


def _response_words(
    fit: Fit, t: Triangle, blends: Floats, predicted: pd.DataFrame, here: int, elsewhere: int, left: int
) -> str:
    out = []
    estimate = predicted["estimate"].to_numpy(dtype=float)
    for word, pick in (("Highest", np.argmax), ("Lowest", np.argmin)):
        at = int(pick(estimate))
        row = predicted.iloc[at]
        interval = ""
        if np.isfinite(row["low"]):
            interval = f" (95 %: {value_text(fit, row['low'], False)} to {value_text(fit, row['high'], False)})"
        where = ", ".join(holding.setting_text(t.study.factor(n), v) for n, v in zip(t.names, blends[at], strict=True))
        out.append(f"{word} here: {value_text(fit, row['estimate'])}{interval} at {where}.")
    if here and elsewhere:
        out.append(
            f"Large hollow marks: the {here} batches made at the held settings; small ones: batches made at others."
        )
    elif here:
        out.append("Hollow marks: batches.")
    elif elsewhere:
        out.append("Small hollow marks: batches, all made at other settings of the held factors.")
    if left:
        out.append(f"{left} batches with other amounts of the held components are not drawn.")
    if abs(_area(t.flat(t.corners))) < 0.999 * np.sqrt(0.75) / 2:
        out.append("Hatched: blends outside the region studied.")
    return " ".join(out)


def _area(corners: Floats) -> float:
    x, y = corners.T
    return 0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
