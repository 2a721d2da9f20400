"""What far batches do to a fit, and where its scatter comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from doe.plots import look
from doe.plots.look import Floats
from doe.study import StudyError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

    from doe.fits import Fit
    from doe.fits.robust import RobustFit

LABEL = 38  # letters a line of a row's name
MOST = 30  # rows that can be read in one picture
NAMED = 5  # batches that bear their name
OTHER = look.CURVES[1][0]
WIDE = 3.0  # times the largest standard deviation: an interval that reaches farther leaves the picture


def robust_refit(robust: RobustFit, figure: Figure | SubFigure | None = None) -> Figure | SubFigure:
    """Coefficients by Huber's method beside those by least squares, and the weights of the batches.

    Parameters
    ----------
    robust : RobustFit
        As `fit.robust()` gives it.
    figure : Figure, optional
        Figure to draw in; a new one if left out.

    Returns
    -------
    Figure
        Above, a row a coefficient, all on one scale: how far it lies from the least-squares estimate in standard errors of that; diamonds and full lines
        for least squares, circles and dashed lines for Huber, lines being 95 % intervals, a short upright where the coefficient would be 0; at the
        right their values (coded units, fitted scale). Below, the weight of every batch, the lightest named.

    Raises
    ------
    StudyError
        If it is no robust fit.

    References
    ----------
    Huber, P. J. (1981). Robust Statistics, ch. 7. Wiley.
    """
    from doe.fits.robust import LOW_WEIGHT, RobustFit

    if not isinstance(robust, RobustFit):
        raise StudyError(
            "plots.robust_refit: robust",
            type(robust).__name__,
            "what a fit's robust() gives",
            "give fits['viscosity'].robust()",
        )
    order = np.argsort(-robust.table["moved"].abs().to_numpy(), kind="stable")[:MOST]
    t = robust.table.iloc[np.sort(order)]
    names = [look.folded("intercept" if v == "1" else str(v), LABEL) for v in t["term"]]
    heights = np.array([0.14 + 0.17 * (name.count("\n") + 1) for name in names])
    figure = look.figure_for(figure, 6.8, 2.9 + float(heights.sum()))
    grid = figure.add_gridspec(2, 1, height_ratios=[float(heights.sum()) + 0.5, 1.5])
    ax = look.dress(figure.add_subplot(grid[0]))
    y = np.cumsum(heights) - 0.5 * heights
    unit, middle = t["std_error"].to_numpy(dtype=float), t["estimate"].to_numpy(dtype=float)

    def placed(column: str) -> Any:
        return (t[column].to_numpy(dtype=float) - middle) / unit

    ax.axvline(0.0, color=look.SOFT, linewidth=0.8)
    ends = []
    for low, high, at, colour, style, marker, up, gid in (
        ("low", "high", "estimate", look.DEEP, (0.0, ()), "D", -0.05, "least squares"),
        ("robust_low", "robust_high", "robust", OTHER, (0.0, (4.0, 1.5)), "o", 0.05, "robust"),
    ):
        ax.hlines(
            y + up, placed(low), placed(high), color=colour, linewidth=1.8, linestyles=style, gid=f"{gid} interval"
        )
        ax.plot(placed(at), y + up, linestyle="none", marker=marker, markersize=4.5, color=colour, gid=gid)
        ends += [placed(low), placed(high)]
    reach = 1.05 * float(np.abs(np.concatenate(ends)).max())
    nought = -middle / unit
    seen = np.abs(nought) <= reach
    ax.vlines(nought[seen], (y - 0.13)[seen], (y + 0.13)[seen], color=look.INK, linewidth=1.4, gid="nought")
    ax.set_xlim(-reach, reach)
    ax.set_ylim(float(heights.sum()), 0.0)
    ax.set_yticks(y, names)
    ax.tick_params(axis="y", length=0)
    ax.grid(False, axis="y")
    ax.set_xlabel("from the least-squares estimate, in its standard errors")
    for at, a, b, e in zip(y, middle, t["robust"].to_numpy(dtype=float), unit, strict=True):
        ax.annotate(
            f"{look.figures(a, error=e)} → {look.figures(b, error=e)}",
            (1.0, at),
            xycoords=("axes fraction", "data"),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            fontsize=look.SMALL,
            color=look.INK,
            annotation_clip=False,
            gid="values",
        )
    ax.set_title("least squares → Huber", loc="right", fontsize=look.SMALL, color=look.SOFT, pad=4)
    below = look.dress(figure.add_subplot(grid[1]))
    weights = robust.weights.to_numpy(dtype=float)
    place = np.arange(1, len(weights) + 1)
    look.batches(below, place, weights, size=24.0)
    below.axhline(LOW_WEIGHT, color=look.SOFT, linewidth=0.9, linestyle=(0, (1, 1.6)), zorder=1.5, gid="low weight")
    below.set_xlim(0.3, len(weights) + 0.7)
    below.set_ylim(-0.06, 1.12)
    below.set_yticks([0.0, 0.5, 1.0])
    below.set_xticks([])
    below.set_ylabel("weight")
    below.set_xlabel("batches, in the order of the table")
    light = [i for i in np.argsort(weights, kind="stable")[:NAMED] if weights[i] < 1.0 - 1e-6]
    dropped = len(robust.table) - len(t)
    look.headed(
        figure,
        f"{look.plain(robust.label)}: what far batches do to the fit",
        "",
        " ".join(
            [
                robust.verdict(),
                _lightest(robust, light),
                "Diamonds, full lines: least squares; circles, dashed: Huber; lines: 95 % intervals; short uprights: no effect; values in coded units on the fitted scale.",
                *([f"{dropped} coefficients that moved less are not drawn."] if dropped else []),
                *robust.cautions,
            ]
        ),
    )
    boxes: list[Any] = []
    points = np.column_stack([place, weights])
    for i in light:
        look.name_beside(
            below, float(place[i]), float(weights[i]), f"run {robust.weights.index[i]}", points, boxes, "run"
        )
    return figure


def _lightest(robust: RobustFit, light: list[Any]) -> str:
    if not light:
        return "All batches pull with weight 1."
    first = light[0]
    return f"Run {robust.weights.index[first]} counts least, with weight {robust.weights.iloc[first]:.2f} (1: as by least squares)."


def variance_components(fit: Fit, ax: Axes | None = None) -> Axes:
    """The sources of a trial's scatter, as standard deviations.

    Parameters
    ----------
    fit : Fit
        As `doe.fit` gives it; there is most to see where batches share whole plots or random blocks, or have several readings each.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        A row a source: a diamond at its standard deviation on the fitted scale (of scores: on the logit scale), with its number, and a line for
        the 95 % interval of `fit.component_intervals` where there is one.

    Raises
    ------
    StudyError
        If it is no Fit, or has no noise to show.
    """
    look.need_fit("variance_components", fit)
    table = fit.component_intervals
    table = table[np.isfinite(table["sd"].to_numpy(dtype=float))]
    if table.empty:
        raise StudyError(
            "plots.variance_components: fit",
            "without a standard deviation",
            "one with residual degrees of freedom, or of scores that share batches",
            "make more batches, or choose a smaller model",
        )
    names = [fit._strata_words[str(source)] for source in table["source"]]
    y = 0.36 * (np.arange(len(table)) + 0.5)
    ax = look.axes_for(ax, 6.2, 1.1 + 0.36 * len(table))
    sd, low, high = (table[c].to_numpy(dtype=float) for c in ("sd", "low", "high"))
    shown = np.concatenate([sd, high[np.isfinite(high)], low[np.isfinite(low)]])
    # one hardly known at all must not squeeze the others: its line leaves the picture, and its end is told in the words
    right = 1.08 * float(min(shown.max(), max(WIDE * sd.max(), low[np.isfinite(low)].max(initial=0.0)))) or 1.0
    known = np.isfinite(low)
    ax.hlines(
        y[known],
        low[known],
        np.minimum(high[known], 2.0 * right),
        color=look.DEEP,
        linewidth=2.2,
        alpha=0.75,
        gid="interval",
    )
    ax.plot(sd, y, linestyle="none", marker="D", markersize=5.0, color=look.DEEP, gid="sd", clip_on=False, zorder=4)
    for i, value in enumerate(sd):
        ax.annotate(
            look.figures(value, 3),
            (value, y[i]),
            xytext=(0, 6),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=look.SMALL,
            color=look.INK,
            path_effects=look.halo(),
            gid="number",
        )
    ax.set_xlim(-0.02 * right, right)
    ax.set_ylim(float(0.36 * len(table)) + 0.02, -0.08)
    ax.set_yticks(y, names)
    ax.tick_params(axis="y", length=0)
    ax.grid(False, axis="y")
    ax.set_xlabel(look.folded(f"standard deviation of {_scale(fit)}", 60))
    look.framed(
        ax,
        f"Where the scatter of {look.plain(fit.response.name)} comes from",
        "",
        _component_words(fit, names, sd, low, high),
    )
    return ax


def _scale(fit: Fit) -> str:
    response = fit.response
    if response.scale is None:
        return response.fitted_label
    return f"{fit._contrast_label} of {response.name}"


def _component_words(fit: Fit, names: list[str], sd: Floats, low: Floats, high: Floats) -> str:
    total = float((sd**2).sum())
    first = int(np.argmax(sd))
    lead = "Most comes from between" if len(sd) > 1 else "Between"
    share = f", {100 * sd[first] ** 2 / total:.0f} % of the variance" if len(sd) > 1 and total else ""
    out = [f"{lead} {names[first]}: {look.figures(sd[first], 3)}{share}."]
    if fit.response.transform == "log":
        out.append("On a logarithm: 0.1 is about 10 % of the value.")
    what = (
        "posterior medians; lines: 95 % credible intervals"
        if fit.response.scale is not None
        else "estimates; lines: 95 % intervals"
    )
    out.append(f"Diamonds: {what}." if np.isfinite(low).any() else "Diamonds: estimates; there are no intervals.")
    for name, end in zip(names, high, strict=True):
        if not end > WIDE * sd.max():
            continue
        reach = f"goes up to {look.figures(end, 3)}" if np.isfinite(end) else "has no upper end"
        out.append(f"The interval of {name} {reach}: hardly anything is known of it.")
    for name, lo, s in zip(names, low, sd, strict=True):
        if not np.isfinite(lo):
            why = (
                "its variance came out below 0 and stands as 0"
                if s == 0.0
                else "it was assumed as a multiple of that between batches, not estimated"
            )
            out.append(f"No interval for {name}: {why}.")
    return " ".join([*out, *fit._selected])
