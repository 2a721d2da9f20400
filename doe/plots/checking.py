"""Can the fit be trusted: residuals against everything that should leave them alone, and what each batch does to the fit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from doe.fits.influence import outlier_limit
from doe.fits.patterns import places_of
from doe.plots import look
from doe.plots.runs import observed
from doe.study import StudyError

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

    from doe.fits import Fit

Floats = NDArray[np.float64]
ENVELOPE_DRAWS = 1000
ENVELOPE_SEED = 20240  # of the simulated envelope; the same picture every time


def residuals(
    fit: Fit, order: Mapping[Any, int] | None = None, figure: Figure | SubFigure | None = None
) -> Figure | SubFigure:
    """Residual diagnostics of one fit, in six panels.

    Parameters
    ----------
    fit : Fit
        As `doe.fit` gives it.
    order : mapping of run to place, optional
        In which order the batches were made; that of the records if left out, and without one they stand by run number.
    figure : Figure, optional
        Figure to draw in; a new one if left out.

    Returns
    -------
    Figure
        Of scores: residuals as normal scores (surrogates, averaged over their draws) against fitted mean scores, against the order of making
        and against normal quantiles; scores against fitted mean scores. Of all others: externally studentised residuals against fitted
        values, against the order of making, and against normal quantiles with a simulated 95 % envelope (none where readings are bounds); observed against predicted on the response's own scale; leverage; Cook's distance. Dotted: the
        limits of `fit.diagnostics()`. Runs beyond one are named.

    Raises
    ------
    StudyError
        If the fit has fewer than two residual degrees of freedom, or `order` misses a run.

    References
    ----------
    Cook, R. D. & Weisberg, S. (1982). Residuals and influence in regression. Chapman & Hall.
    Atkinson, A. C. (1985). Plots, transformations and regression, section 4.2 (simulated envelopes). Oxford University Press.
    """
    from scipy import stats

    look.need_fit("residuals", fit)
    if fit.df_residual < 2:
        raise StudyError(
            f"fit of {fit.response.name!r}: residual degrees of freedom",
            int(fit.df_residual),
            "at least 2",
            "fit a smaller model or add batches; residuals say nothing where the model passes through every batch",
        )
    table = fit.diagnostics()
    runs = [str(r) for r in fit.runs]
    known = places_of(fit, order)
    places = np.arange(1.0, len(fit.runs) + 1.0) if known is None else known
    if fit.response.scale is not None:
        return _of_scores(fit, table, places, known is not None, figure)
    figure = look.figure_for(figure, 8.0, 4.6)
    panels = [look.dress(figure.add_subplot(2, 3, i + 1)) for i in range(6)]
    t, fitted, leverage, cook = (
        table[c].to_numpy(dtype=float) for c in ("studentised", "fitted", "leverage", "cooks_distance")
    )
    n, p = fit.X.shape
    limit = float(stats.t.isf(0.05 / (2 * n), fit.df_residual - 1))
    out, heavy, strong = (
        table["flags"].astype(str).str.contains(word).to_numpy() for word in ("outlier", "leverage", "Cook")
    )
    _cloud(panels[0], fitted, t, f"fitted {_fitted_name(fit)}", limit)
    _cloud(
        panels[1],
        places,
        t,
        "order of making" if known is not None else "run number (order of making not given)",
        limit,
    )
    exact = fit.method != "censored"
    quantiles = _normal(panels[2], fit, t, exact)
    predicted, read = _observed(panels[3], fit)
    x = np.arange(1.0, n + 1.0)
    twice = 2.0 * p / n
    _stems(panels[4], leverage, runs, "leverage", twice if twice < 1 else None)
    _stems(panels[5], cook, runs, "Cook's distance", 1.0 if np.nanmax(cook) > 0.4 else None)
    within = " within whole plots" if "whole plot" in fit.variance_components.index else ""
    second = f"{n} batches, {fit.df_residual} residual df{within}; dotted: limits beyond which a batch is named by its run number"
    under = _words(t, leverage, cook, runs, limit, out, heavy, strong, exact)
    look.headed(figure, f"{fit.response.label}: can the fit be trusted?", second, under)
    marked = [
        (fitted, t, out),
        (places, t, out),
        (quantiles, t, out),
        (predicted, read, out),
        (x, leverage, heavy),
        (x, cook, strong),
    ]
    for ax, (across, up, which) in zip(panels, marked, strict=True):
        _named(ax, across, up, runs, which)
    return figure


def making_order(fit: Fit, order: Mapping[Any, int] | None = None, ax: Axes | None = None) -> Axes:
    """Residuals in the order of making, to see whether readings drift and neighbours are alike.

    Parameters
    ----------
    fit : Fit
        As `doe.fit` gives it.
    order : mapping of run to place, optional
        In which order the batches were made; that of the records if left out.
    ax : Axes, optional
        Axes to draw in; a new figure if left out.

    Returns
    -------
    Axes
        Externally studentised residuals, joined in the order of making; the line is the straight trend through them. Dotted: the limits of
        `fit.diagnostics()`. The words are the verdicts of `fit.patterns()`.

    Raises
    ------
    StudyError
        If the order is not known or misses a run, or the fit has fewer than two residual degrees of freedom.
    """
    look.need_fit("making_order", fit)
    places = places_of(fit, order)
    if places is None:
        raise StudyError(
            "plots.making_order: order",
            order,
            "known: none was recorded",
            "give a mapping from run to its place, as records.order",
        )
    found = fit.patterns(order)
    table = fit.diagnostics()
    scored = fit.response.scale is not None
    t = fit._noise_scores()
    limit = None if scored else outlier_limit(fit.n, fit.df_residual)
    ax = look.axes_for(ax, 6.6, 3.4)
    _cloud(ax, places, t, "order of making", limit, "residual as normal score" if scored else "studentised residual")
    seen = np.flatnonzero(np.isfinite(t))
    row = seen[np.argsort(places[seen], kind="stable")]
    ax.plot(places[row], t[row], color="#97a2a9", linewidth=0.7, zorder=2, gid="joined")
    ends = np.array([places.min(), places.max()])
    ax.plot(
        ends,
        np.polyval(np.polyfit(places[row], t[row], 1), ends),
        color=look.DEEP,
        linewidth=1.6,
        zorder=3,
        gid="trend",
    )
    words = " ".join(q.verdict for q in found.questions)
    look.framed(
        ax,
        f"{look.plain(fit.response.label)}: is there a pattern in the order of making?",
        "line: straight trend" + ("" if scored else "; dotted: limits beyond which a batch is named"),
        words,
    )
    out = np.zeros(fit.n, dtype=bool) if scored else table["flags"].astype(str).str.contains("outlier").to_numpy()
    _named(ax, places, t, [str(r) for r in fit.runs], out)
    return ax


def _fitted_name(fit: Fit) -> str:
    return fit.response.fitted_label if fit.response.transform is not None else fit.response.label


def _named(ax: Axes, x: Floats, y: Floats, runs: list[str], which: NDArray[np.bool_]) -> None:
    """Run numbers beside the marks that are flagged."""
    boxes: list[Any] = []
    for i in np.flatnonzero(which & np.isfinite(y)):
        look.name_beside(ax, float(x[i]), float(y[i]), f"run {runs[i]}", np.column_stack([x, y]), boxes, "flag")


def _limits(ax: Axes, *values: float) -> None:
    for value in values:
        ax.axhline(value, color=look.INK, linewidth=1.0, linestyle=(0, (2, 2)), zorder=1.5, gid="limit")


def _cloud(ax: Axes, x: Floats, t: Floats, label: str, limit: float | None, what: str = "studentised residual") -> None:
    ax.axhline(0.0, color=look.SOFT, linewidth=0.9)
    if limit is not None:
        _limits(ax, -limit, limit)
    look.batches(ax, x, t)
    top = 1.12 * max(limit or 2.0, float(np.nanmax(np.abs(t))))
    ax.set_ylim(-top, top)
    ax.margins(x=0.06)
    ax.set_xlabel(look.folded(label, 30))
    ax.set_ylabel(what)


def _of_scores(
    fit: Fit, table: pd.DataFrame, places: Floats, known: bool, figure: Figure | SubFigure | None
) -> Figure | SubFigure:
    """The panels of a fit of scores; one mark a batch, scores of one batch averaged."""
    z = fit._noise_scores()
    groups = table.groupby("run", sort=False)
    mean = groups[["score", "fitted"]].mean()
    unlikely = groups["flags"].agg(lambda flags: any(f == "unlikely" for f in flags)).to_numpy(dtype=bool)
    runs = [str(r) for r in mean.index]
    score, fitted = (mean[c].to_numpy(dtype=float) for c in ("score", "fitted"))
    figure = look.figure_for(figure, 8.0, 5.2)
    panels = [look.dress(figure.add_subplot(2, 2, i + 1)) for i in range(4)]
    for ax, x, label in (
        (panels[0], fitted, f"fitted mean {fit.response.name}"),
        (panels[1], places, "order of making" if known else "run number (order of making not given)"),
    ):
        _cloud(ax, x, z, label, None, "residual as normal score")
    quantiles = _normal(panels[2], fit, z, False, "residual as normal score")
    ends = np.array([min(score.min(), fitted.min()), max(score.max(), fitted.max())])
    panels[3].plot(ends, ends, color=look.DEEP, linewidth=1.2)
    look.batches(panels[3], fitted, score)
    panels[3].set_xlabel(f"fitted mean {fit.response.name}")
    panels[3].set_ylabel(f"{fit.response.name} given")
    panels[3].margins(x=0.06, y=0.08)
    named = [runs[i] for i in np.flatnonzero(unlikely)]
    said = [
        f"Unlikely by the other batches: run {', '.join(named)}."
        if named
        else "No score is unlikely by the other batches."
    ]
    said.append("Residuals are averages of random ones: they spread less than standard normal ones.")
    look.headed(
        figure, f"{fit.response.label}: can the fit be trusted?", f"{fit.n} batches, proportional odds", " ".join(said)
    )
    for ax, x, y in zip(panels, (fitted, places, quantiles, fitted), (z, z, z, score), strict=True):
        _named(ax, x, y, runs, unlikely)
    return figure


def _normal(ax: Axes, fit: Fit, t: Floats, simulated: bool = True, label: str = "studentised residual") -> Floats:
    """Normal quantile panel; returns where each run stands along it."""
    from scipy import stats

    seen = np.isfinite(t)
    ranks = np.argsort(t[seen], kind="stable")
    n = int(seen.sum())
    # Blom's plotting positions
    quantiles = stats.norm.ppf((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    if simulated:
        low, high = envelope(fit, seen)
        ax.fill_between(quantiles, low, high, color=look.DEEP, alpha=look.BAND, linewidth=0, gid="interval")
    ends = quantiles[[0, -1]]
    ax.plot(ends, ends, color=look.DEEP, linewidth=1.2)
    look.batches(ax, quantiles, t[seen][ranks])
    ax.margins(x=0.06, y=0.08)
    ax.set_xlabel("normal quantile")
    ax.set_ylabel(label)
    x = np.full(len(t), np.nan)
    x[np.flatnonzero(seen)[ranks]] = quantiles
    return x


def envelope(fit: Fit, seen: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Pointwise 95 % envelope of the ordered studentised residuals of this design under normal noise, simulated with a fixed seed."""
    t = fit.simulated_residuals(ENVELOPE_DRAWS, ENVELOPE_SEED)
    ordered = np.sort(t[:, seen], axis=1)
    low, high = np.quantile(ordered, [0.025, 0.975], axis=0)
    return low, high


def _observed(ax: Axes, fit: Fit) -> tuple[Floats, Floats]:
    read = observed(fit)["reading"].to_numpy(dtype=float)
    predicted = fit.response.inverse(fit.diagnostics()["fitted"].to_numpy(dtype=float))
    both = np.concatenate([read, predicted])
    both = both[np.isfinite(both)]  # a reading known only by bounds has no place
    ends = np.array([both.min(), both.max()])
    ax.plot(ends, ends, color=look.DEEP, linewidth=1.2)
    look.batches(ax, predicted, read)
    look.own_scale(ax, fit.response, both)
    if ax.get_yscale() == "log":
        look.log_x(ax)
    name = look.folded(fit.response.label, 26)
    ax.set_xlabel(f"predicted {name}")
    ax.set_ylabel(f"observed {name}")
    return predicted, read


def _stems(ax: Axes, values: Floats, runs: list[str], label: str, limit: float | None) -> None:
    x = np.arange(1.0, len(values) + 1.0)
    ax.vlines(x, 0.0, values, color=look.SOFT, linewidth=1.0)
    look.batches(ax, x, values)
    top = float(np.nanmax(values))
    if limit is not None:
        _limits(ax, limit)
        top = max(top, limit)
    ax.set_ylim(0.0, 1.15 * top)
    ax.margins(x=0.06)
    step = -(-len(runs) // 8)
    ax.set_xticks(x[::step], [look.plain(r) for r in runs[::step]])
    ax.set_xlabel("run")
    ax.set_ylabel(label)
    ax.grid(False, axis="x")


def _words(
    t: Floats,
    leverage: Floats,
    cook: Floats,
    runs: list[str],
    limit: float,
    out: NDArray[np.bool_],
    heavy: NDArray[np.bool_],
    strong: NDArray[np.bool_],
    simulated: bool,
) -> str:
    far = int(np.nanargmax(np.abs(t)))
    minus = "−" if t[far] < 0 else ""
    lines = [f"Farthest from the fit: run {runs[far]}, {minus}{abs(t[far]):.2f} (limit ±{limit:.2f})."]
    named = [runs[i] for i in np.flatnonzero(out)]
    lines.append(f"Out of line: run {', '.join(named)}." if named else "No run is out of line.")
    lean = int(np.nanargmax(leverage))
    lines.append(f"The fit leans most on run {runs[lean]} (leverage {leverage[lean]:.2f}).")
    if heavy.any():
        lines.append(f"High leverage: run {', '.join(runs[i] for i in np.flatnonzero(heavy))}.")
    most = int(np.nanargmax(cook))
    lines.append(f"Largest Cook's distance: run {runs[most]}, {look.figures(float(cook[most]), 2)}.")
    if strong.any():
        lines.append("Leaving such a batch out would change the fit markedly.")
    if simulated:
        lines.append("Shaded: where ordered residuals lie in 95 % of simulated trials.")
    else:
        lines.append("Readings known only by bounds stand where they are expected to be, given the bounds.")
    return " ".join(lines)
