"""Storage: a response against storage time, batch by batch, with the confidence limit and the specification."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from doe.plots import look
from doe.study import StudyError

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from doe.fits import Drift

Points = np.ndarray[tuple[int, ...], np.dtype[np.float64]]
STEPS = 121
AHEAD = 0.35  # how far beyond the last reading lines are drawn that meet no limit, in shares of the time covered


def drift(result: Drift, ax: Axes | None = None) -> Axes:
    """Readings against storage time, with the lines fitted to them.

    Parameters
    ----------
    result : Drift
        As `doe.fits.drift` gives it.
    ax : Axes, optional
        Axes to draw in; those of a new figure if left out.

    Returns
    -------
    Axes
        Batches as hollow marks, their lines, broken beyond the last reading; the confidence limit of the worst line (of the one line, where
        batches share it) as a band, the specification dotted, and a mark where the two meet. Readings known only by bounds: a triangle at the
        bound, pointing to the side on which they are open; a bar between two bounds. Scores are joined by steps, without a line, the same mark
        where their chance of meeting the limits has a time.
    """
    from matplotlib.ticker import MaxNLocator

    from doe.fits import Drift

    if not isinstance(result, Drift):
        raise StudyError("plots.drift: result", type(result).__name__, "a Drift", "make it with doe.fits.drift")
    ax = look.axes_for(ax, 6.2, 3.6)
    data, runs = result.data, result.settings["run"].tolist()
    reach: list[Points] = [data.loc[data["value"].notna(), ["t", "value"]].to_numpy(dtype=float)]
    end = result.covered
    if result.lines is not None:
        # as far as the limit is met, where a line may be carried on so far
        ahead = 1.05 * result.within if result.within <= result.furthest else (1.0 + AHEAD) * result.covered
        end = max(ahead, result.covered)
        reach += _lines(ax, result, end)
    else:
        for run in runs:
            own = data[data["run"] == run].sort_values("t")
            ax.step(own["t"], own["value"], where="post", color=look.DEEP, linewidth=0.9, alpha=0.6, gid="steps")
        ax.yaxis.set_major_locator(MaxNLocator(integer=True))
        if result.scores is not None and 0.0 < result.within <= result.furthest:
            end = max(end, 1.05 * result.within)
            for limit, _ in result.sides:
                _meets(ax, result.within, limit)
                reach.append(np.array([[result.within, limit]]))
    exact = data[data["value"].notna()]
    look.batches(ax, exact["t"], exact["value"], size=18)
    meant = _bounded(ax, data[data["value"].isna()], reach)
    points = np.vstack(reach)
    look.own_scale(ax, result.response, points[:, 1])
    look.limit_lines(ax, result.response)
    ax.set_xlim(-0.03 * end, 1.03 * end)
    ax.set_xlabel(f"storage time ({result.unit})")
    look.name_limits(ax, result.response, points)
    k = len(runs)
    what = f"{result.response.name} against storage time{f' at {result.condition}' if result.condition else ''}, {k} batch{'es' * (k > 1)}"
    look.framed(ax, what, result.kind, " ".join([*result.words(), *meant]))
    return ax


def _bounded(ax: Axes, rows: pd.DataFrame, reach: list[Points]) -> list[str]:
    """Readings known only by bounds, their places added to `reach`; what the marks mean."""
    if not len(rows):
        return []
    t, low, high = (rows[c].to_numpy(dtype=float) for c in ("t", "lower", "upper"))
    above, below = np.isinf(high), np.isinf(low)
    between = ~above & ~below
    meant = []
    for those, bound, marker, gid in ((above, low, "^", "open above"), (below, high, "v", "open below")):
        if those.any():
            look.batches(ax, t[those], bound[those], size=30, label=gid, marker=marker)
    if above.any() or below.any():
        meant.append("A triangle stands at the bound of a reading known only to lie on the side to which it points.")
    if between.any():
        ax.vlines(t[between], low[between], high[between], color=look.SOFT, linewidth=1.0, zorder=3, gid="between")
        ax.plot(
            np.repeat(t[between], 2),
            np.column_stack([low[between], high[between]]).ravel(),
            linestyle="none",
            marker="_",
            markersize=6,
            color=look.SOFT,
            gid="between ends",
        )
        meant.append("A bar joins the bounds of a reading known only to lie between them.")
    for bound in (low, high):
        reach.append(np.column_stack([t, bound])[np.isfinite(bound)])
    return meant


def _lines(ax: Axes, result: Drift, end: float) -> list[Points]:
    """Lines, the worst one's confidence limit and where it meets the specification; the points they pass through."""
    inside, beyond = np.linspace(0.0, result.covered, STEPS), np.linspace(result.covered, end, STEPS)
    runs = result.settings["run"].tolist()
    assert result.lines is not None
    shown = runs[:1] if len({tuple(row) for row in result.lines.lines}) == 1 else runs
    reach = []
    for run in shown:
        for t, dash in ((inside, "-"), (beyond, (0, (4, 2)))):
            line = result.predict(list(t), run)
            ax.plot(
                t,
                line["estimate"],
                color=look.DEEP,
                linewidth=1.4 if len(shown) == 1 else 0.9,
                linestyle=dash,
                gid="line",
            )
            reach.append(np.column_stack([t, line["estimate"]]))
    if not result.lines.df:
        return reach
    worst = result.worst
    t = np.concatenate([inside, beyond[1:]])
    band = result.predict(list(t), worst)
    ax.fill_between(t, band["low"], band["high"], color=look.DEEP, alpha=look.BAND, linewidth=0, gid="interval")
    reach += [np.column_stack([t, band["low"]]), np.column_stack([t, band["high"]])]
    when = float(result.batches.set_index("run").loc[worst, "within"]) if result.sides else float("inf")
    if 0.0 < when <= end:
        at = result.predict([when], worst).iloc[0]
        limit = at["low"] if result.low_side_first(worst) else at["high"]
        _meets(ax, when, limit)
        reach.append(np.array([[when, limit]]))
    return reach


def _meets(ax: Axes, when: float, limit: float) -> None:
    """A mark at the time until which the specification is met."""
    ax.plot([when], [limit], marker="|", markersize=13, markeredgewidth=1.6, color=look.INK, gid="meets")
