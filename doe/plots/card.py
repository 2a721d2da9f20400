"""The set-point card: the numbers to hold at the bench, and how far each may stray."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from doe.plots import look
from doe.plots.chances import what_of
from doe.study import Categorical
from doe.study.shown import bound_text, error_text, simulated_text
from doe.study.trial import specification_text
from doe.window.result import EVIDENCE, setting_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doe.window import Window

ROW = 0.27  # inches a line
COLUMNS = ((0.0, "left"), (0.46, "right"), (0.475, "left"), (0.77, "right"), (1.0, "right"))
HEADS = ("", "hold", "", "all may stray within", "each alone within")
NAME = 30  # letters of a factor's name in a line


def set_point_card(win: Window, ax: Axes | None = None) -> Axes:
    """The set point as a card to pin up at the bench.

    Parameters
    ----------
    win : Window
        As `doe.find_window` gives it.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        One line a factor: the number to hold, on what the bench can set; the range within which all factors may stray together; the range of
        each alone, the others at the set point. Below, what has to be met, the chance of it, and what the card does not say.

    Raises
    ------
    StudyError
        If `win` is no Window.
    """
    look.need_window("set_point_card", win)
    study = win.study
    together = {str(r["factor"]): (r["low"], r["high"]) for _, r in win.ranges.iterrows()}
    alone = {str(r["factor"]): (r["low"], r["high"]) for _, r in win.acceptable_ranges.iterrows()}
    rows: list[tuple[str, ...]] = []
    for f in study.factors:
        names = look.folded(f.name, NAME).split("\n")
        hold = _hold(f, win.set_point[f.name])
        spans = (_span(f, together.get(f.name)), _span(f, alone.get(f.name)))
        rows.append((names[0], hold, look.plain(getattr(f, "unit", "")), *spans))
        rows += [(more, "", "", "", "") for more in names[1:]]
    specs = [(fit.response.name, specification_text(fit.response)) for fit in win.fits.values()]
    lines = len(rows) + len(specs) + 3.6
    ax = look.axes_for(ax, 7.4, ROW * lines + 0.3)
    ax.grid(False)
    ax.set(xlim=(0.0, 1.0), ylim=(lines, -0.4), xticks=[], yticks=[])
    for spine in ax.spines.values():
        spine.set_visible(False)
    at = 0.5
    _line(ax, at, HEADS, look.SOFT)
    _rule(ax, at + 0.55)
    for row in rows:
        at += 1.0
        _line(ax, at + 0.1, row, look.INK)
    at += 1.7
    _rule(ax, at - 0.6)
    _line(ax, at, ("what has to be met", "", "", "", ""), look.SOFT)
    for name, text in specs:
        at += 1.0
        ax.text(0.0, at, look.folded(name, 34).split("\n")[0], **_style(look.INK))
        ax.text(0.475, at, look.plain(text), **_style(look.INK))
    if win.reached:
        title = f"Set point of {study.name}"
        chance = (
            f"Chance that {what_of(win)} made there meets all of it: "
            f"{simulated_text(win.set_point_probability, win.mc_error)}; target {win.target:g}."
        )
    else:
        title = f"No window for {study.name}: the best setting found"
        chance = (
            f"It does not surely reach the target of {win.target:g}: the chance that {what_of(win)} made there meets all of it is "
            f"{simulated_text(win.set_point_probability, win.mc_error)}."
        )
    under = [chance, claimed(win)]
    if together:
        worst = win.worst.iloc[0]
        under.append(
            "All factors may stray within the first ranges at once, and the chance stays at "
            f"{simulated_text(float(worst['probability']), float(worst['mc_error']))} or above; "
            "within the second one factor may stray while the others are held."
        )
        if study.components:
            under.append(f"When a component moves, {study.balance or 'the others in proportion'} makes room.")
    elif win.reached:
        under.append(
            "No ranges around it hold the target together beyond the Monte-Carlo error; each alone, the others held, it may stray as shown."
        )
    under.append(EVIDENCE)
    look.framed(ax, look.plain(title), "", " ".join(under))
    return ax


def claimed(win: Window) -> str:
    """The lower bound of the true rate at the set point, in words: as many decimals as its Monte-Carlo error allows, rounded down."""
    row = win.claim().iloc[0]
    error = float(row["mc_error"])
    claim = bound_text(float(row["claim"]), error)
    if float(claim) <= 0.0:
        return (
            "No share of batches made there can be said with 90 % confidence to meet every specification (Monte-Carlo error of that "
            f"bound {error_text(error)})."
        )
    return (
        f"With 90 % confidence the true share of batches made there that meet every specification is {claim} or higher "
        f"(Monte-Carlo error of that bound {error_text(error)}); this allows for the setting having been chosen on the same readings."
    )


def _style(color: str) -> dict[str, Any]:
    return {"fontsize": look.TEXT, "color": color, "va": "center", "gid": "card"}


def _line(ax: Axes, at: float, cells: tuple[str, ...], color: str) -> None:
    for (x, side), text in zip(COLUMNS, cells, strict=True):
        if text:
            drawn = ax.text(x, at, text, ha=side, **_style(color))
            if (x, side) == COLUMNS[1] and color == look.INK:
                drawn.set(fontweight="bold", fontsize=look.TEXT + 2)


def _rule(ax: Axes, at: float) -> None:
    ax.plot([0.0, 1.0], [at, at], color=look.SOFT, linewidth=0.8, gid="rule", clip_on=False)


def _hold(factor: Any, value: Any) -> str:
    text = look.folded(setting_text(factor, value), 20).split("\n")[0]
    return text.replace("-", "−") if not isinstance(factor, Categorical) else text


def _span(factor: Any, ends: tuple[Any, Any] | None) -> str:
    if ends is None:
        return ""
    low, high = ends
    if isinstance(factor, Categorical):
        return look.folded(str(low), 30).replace("\n", " ")
    if not np.isfinite(float(low)):
        return "none"
    one, other = (setting_text(factor, float(v)).replace("-", "−") for v in (low, high))
    return one if one == other else f"{one} to {other}"
