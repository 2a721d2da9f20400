"""Patterns that noise should not have: a trend or memory in the order of making, and whole plots out of line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special

from doe.fits import verdicts
from doe.fits.arrays import Floats
from doe.fits.squareless import WithoutSquares
from doe.fits.strata import degrees_of, shared, whole_plots
from doe.study import Section, Shown, StudyError
from doe.study.shown import number_text, p_text

if TYPE_CHECKING:
    from doe.fits.result import Fit

DRAWS = 4000
MOSTLY = 0.5  # share of a column between whole plots from which they are its judges
SEED = 1950  # of the simulated reference of the neighbours' statistic; the same p every time
FEWEST = 8  # batches below which neighbours say next to nothing: common practice, no source


@dataclass(frozen=True)
class Question:
    """One pattern looked for: what, its statistic, how sure, and the verdict in one line.

    p is NaN and `verdict` says why where it cannot be asked.
    """

    asks: str
    statistic: str
    value: float
    p: float
    verdict: str

    @property
    def found(self) -> bool:
        """Whether the pattern is there, at 5 %."""
        return bool(self.p < verdicts.PATTERN_P)


@dataclass(frozen=True, repr=False, eq=False)
class Patterns(Shown):
    """Patterns looked for in the residuals of one fit; made by `Fit.patterns`.

    Attributes
    ----------
    questions : tuple of Question
    whole_plots : DataFrame or None
        One row a whole plot of a mixed fit: whole_plot, runs, residual (mean), studentised, p (over all whole plots together), flagged.
    """

    questions: tuple[Question, ...]
    whole_plots: pd.DataFrame | None
    label: str

    @property
    def table(self) -> pd.DataFrame:
        """One row a question: asks, statistic, value, p, verdict."""
        return pd.DataFrame(
            [(q.asks, q.statistic, q.value, q.p, q.verdict) for q in self.questions],
            columns=["asks", "statistic", "value", "p", "verdict"],
        )

    def _sections(self) -> list[Section]:
        t = self.table
        shown = pd.DataFrame(
            {
                "question": t["asks"],
                "by": t["statistic"],
                "value": [number_text(float(v), digits=3) for v in t["value"]],
                "p": [p_text(float(v)) for v in t["p"]],
            }
        )
        out = [Section(f"{self.label}: patterns in the noise", shown, "\n".join(t["verdict"]))]
        if self.whole_plots is not None:
            w = self.whole_plots
            out.append(
                Section(
                    "Whole plots, each against what the model and all others foretell",
                    pd.DataFrame(
                        {
                            "whole plot": [str(v) for v in w["whole_plot"]],
                            "runs": [str(v) for v in w["runs"]],
                            "mean residual": [number_text(float(v), digits=3) for v in w["residual"]],
                            "studentised": [
                                f"{v:.2f}".replace("-", "−") if np.isfinite(v) else "" for v in w["studentised"]
                            ],
                        }
                    ),
                )
            )
        return out


def places_of(fit: Fit, order: Mapping[Any, int] | None) -> Floats | None:
    """Place of each run in the order of making; None where nobody knows it.

    Raises
    ------
    StudyError
        If an order is given that is no mapping, or misses a run.
    """
    given = fit.order if order is None else order
    if not isinstance(given, Mapping):
        raise StudyError("order", type(given).__name__, "a mapping from run to its place", "give records.order")
    if not given:
        return None
    by_text = {str(k): v for k, v in given.items()}
    missing = [str(r) for r in fit.runs if str(r) not in by_text]
    if missing and order is None:
        return None  # a sheet that says the place of some runs only does not say the order
    if missing:
        raise StudyError(
            "order",
            f"without run {missing[0]}",
            "a place for every run of the fit",
            "add its place, or leave order out",
        )
    return np.array([float(by_text[str(r)]) for r in fit.runs])


def patterns_of(fit: Fit, order: Mapping[Any, int] | None) -> Patterns:
    """The work of `Fit.patterns`."""
    if fit.df_residual < 2:
        raise StudyError(
            "patterns: residual degrees of freedom",
            int(fit.df_residual),
            "at least 2",
            "fit a smaller model, or add batches; residuals say nothing where the model passes through every batch",
        )
    places = places_of(fit, order)
    questions: list[Question] = []
    if places is None:
        why = "The order of making is not known: a drift or a memory from batch to batch cannot be looked for; give order=."
        questions.append(Question("Do readings drift?", "none", np.nan, np.nan, why))
    elif isinstance(fit, WithoutSquares):
        questions += _by_permutation(fit, places)
    else:
        questions += [_drift(fit, places), _neighbours(fit, places)]
    table = None
    if fit.method == "least squares":
        if shared(fit.batches.whole_plot):
            questions.append(_alike(fit))
    # scores of one whole plot share an intercept in the model; bounds are not fitted where batches share one
    elif not isinstance(fit, WithoutSquares):
        table = _whole_plots(fit)
        if table is not None:
            questions.append(_plot_out_of_line(table))
    return Patterns(tuple(questions), table, f"{fit.response.label}, {fit.model.name}")


def _added(fit: Fit, columns: Floats) -> tuple[float, int, float, Floats]:
    """F, df, den_df of columns added to a fit, and their coefficients; NaN where the model has them already."""
    from doe.fits.mixed import MixedFit, inferred

    Q = fit.solution.Q
    left = columns - Q @ (Q.T @ columns)
    left -= Q @ (Q.T @ left)
    rank = int(np.linalg.matrix_rank(left / np.maximum(np.linalg.norm(columns, axis=0), 1e-300), tol=1e-8))
    if not rank or fit.n - Q.shape[1] - rank < 1:
        return np.nan, rank, np.nan, np.zeros(columns.shape[1])
    basis = np.linalg.svd(left, full_matrices=False)[0][:, :rank]
    if isinstance(fit, MixedFit):
        from doe.fits import reml

        wider = np.column_stack([Q, basis])
        if reml.estimable(wider, fit.layout.strata):
            return np.nan, rank, np.nan, np.zeros(columns.shape[1])
        inference = inferred(wider, fit.y, fit.layout.strata)[0]
        F, den = inference.f_test(np.eye(wider.shape[1])[Q.shape[1] :])
        # what differs mostly between whole plots or blocks is judged by them: never by more degrees of freedom than they have left
        degrees = degrees_of(Q, fit.layout.groups)
        for name, labels in fit.layout.groups.items():
            means = np.bincount(labels)[:, None]
            between = np.stack([np.bincount(labels, column) for column in basis.T], axis=1) / means
            if (between[labels] ** 2).sum() > MOSTLY * rank:
                den = min(den, float(degrees[name] - rank))
        if den < 1:
            return np.nan, rank, np.nan, np.zeros(columns.shape[1])
        effect = basis @ inference.gamma[Q.shape[1] :]
    else:
        into = basis.T @ fit.solution.residuals
        ss = float(into @ into)
        den = float(fit.df_residual - rank)
        F = ss / rank / (max(fit.solution.rss - ss, 0.0) / den) if fit.solution.rss > ss else float("inf")
        effect = basis @ into
    return F, rank, den, np.asarray(np.linalg.lstsq(left, effect, rcond=None)[0], dtype=float)


def _two_sided(seen: float, drawn: Floats) -> float:
    """How often as far out as what was seen, on either side, among draws of the reference; what was seen counts as one."""
    above, below = (
        (1.0 + (drawn >= seen).sum()) / (len(drawn) + 1.0),
        (1.0 + (drawn <= seen).sum()) / (len(drawn) + 1.0),
    )
    return float(min(1.0, 2.0 * min(above, below)))


def _lag(t: Floats) -> Floats:
    """Correlation of neighbours along the last axis, as the rank-free statistic of von Neumann and Durbin & Watson."""
    return np.asarray((t[..., 1:] * t[..., :-1]).sum(axis=-1) / np.maximum((t**2).sum(axis=-1), 1e-300))


def _by_permutation(fit: Fit, places: Floats) -> list[Question]:
    """Drift and neighbours of residuals that have no sums of squares: against the same residuals in orders drawn by lot."""
    z = fit._noise_scores()
    order = np.argsort(places, kind="stable")
    z = np.where(np.isfinite(z), z, 0.0)[order]
    n = len(z)
    span = np.arange(n) - (n - 1) / 2.0
    rng = np.random.default_rng(SEED)
    shuffled = rng.permuted(np.tile(z, (DRAWS, 1)), axis=1)

    scale = max(float(np.sqrt((z**2).sum() * (span**2).sum())), 1e-300)
    r, drawn = float(z @ span) / scale, shuffled @ span / scale
    p = _two_sided(r, drawn)
    way = "rise" if r > 0 else "fall"
    said = (
        f"Readings {way} in the order of making beyond what the model says (p = {p_text(p).replace('<', 'below ')}): look for ageing stock, "
        "a warming room, a tiring eye or a drifting instrument."
        if p < verdicts.PATTERN_P
        else verdicts.on_drift(r, 1.0, "")
    )
    drift = Question("Do readings drift?", "correlation with the order", r, p, said)
    ask = "Are neighbours alike?"
    if n < FEWEST:
        why = f"With {n} batches, neighbours in the order of making say next to nothing."
        return [drift, Question(ask, "lag-1 correlation", np.nan, np.nan, why)]
    lag, lags = float(_lag(z)), _lag(shuffled)
    p = _two_sided(lag, lags)
    return [drift, Question(ask, "lag-1 correlation", lag, p, verdicts.on_neighbours(lag - float(np.median(lags)), p))]


def _drift(fit: Fit, places: Floats) -> Question:
    ranks = np.argsort(np.argsort(places, kind="stable")).astype(float)
    span = (ranks - ranks.mean()) / max(np.ptp(ranks), 1.0)
    F, _, den, effect = _added(fit, span[:, None])
    if np.isnan(F):
        return Question("Do readings drift?", "t of the order", np.nan, np.nan, verdicts.on_drift(np.nan, np.nan, ""))
    t = float(np.sign(effect[0]) * np.sqrt(F))
    p = float(2.0 * special.stdtr(den, -abs(t)))
    size = number_text(abs(float(effect[0])), digits=2)
    unit = f" {fit.response.unit}" if fit.response.transform is None and fit.response.unit else ""
    scale = f" on the scale of {fit.response.fitted_label}" if fit.response.transform is not None else unit
    return Question("Do readings drift?", "t of the order", t, p, verdicts.on_drift(t, p, f"{size}{scale}"))


def _neighbours(fit: Fit, places: Floats) -> Question:
    """Correlation of residuals of batches made one after another, against trials of this very plan with independent noise."""
    ask = "Are neighbours alike?"
    if fit.n < FEWEST:
        why = f"With {fit.n} batches, neighbours in the order of making say next to nothing."
        return Question(ask, "lag-1 correlation", np.nan, np.nan, why)
    order = np.argsort(places, kind="stable")
    own = fit.diagnostics()["studentised"].to_numpy(dtype=float)[order]
    drawn = fit.simulated_residuals(DRAWS, SEED)[:, order]
    seen = np.isfinite(own)

    r, reference = float(_lag(np.where(seen, own, 0.0))), _lag(np.where(seen, drawn, 0.0))
    p = _two_sided(r, reference)
    return Question(ask, "lag-1 correlation", r, p, verdicts.on_neighbours(r - float(np.median(reference)), p))


def _alike(fit: Fit) -> Question:
    labels = whole_plots(fit.batches)
    assert labels is not None  # asked for by the caller
    columns = (labels[:, None] == np.unique(labels)[None, :]).astype(float)
    F, d, den, _ = _added(fit, columns)
    p = float(special.fdtrc(d, den, F)) if np.isfinite(F) else np.nan
    return Question("Are batches of one whole plot alike?", "F of whole plots", F, p, verdicts.on_whole_plots(p))


def _whole_plots(fit: Any) -> pd.DataFrame | None:
    labels = fit.layout.groups.get("whole plot")
    names = fit.batches.whole_plot
    if labels is None or names is None:
        return None
    P = fit.inference.projection
    residual = fit.y - fit.X[:, : fit.model.p] @ fit.beta
    count = int(labels.max()) + 1
    df = fit.layout.degrees["whole plot"]
    u = (labels[:, None] == np.arange(count)[None, :]).astype(float)
    own = np.einsum("ig,ij,jg->g", u, P, u)
    foretold = own > 1e-9 * np.einsum("ig,ij,jg->g", u, fit.inference.inverse, u)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(foretold, (u.T @ P @ fit.y) / np.sqrt(own), np.nan)
        # judged by the other whole plots: the stratum's own variance without this one's share
        rest = (df - z**2) / (df - 1.0) if df > 1 else np.full(count, np.nan)
        t = z / np.sqrt(np.maximum(rest, 0.0))
    # over all whole plots together (Bonferroni)
    p = np.minimum(2.0 * count * special.stdtr(max(df - 1, 1), -np.abs(t)), 1.0)
    return pd.DataFrame(
        {
            "whole_plot": [names[int(np.flatnonzero(labels == g)[0])] for g in range(count)],
            "runs": [", ".join(str(r) for r in fit.runs[labels == g]) for g in range(count)],
            "residual": [float(residual[labels == g].mean()) for g in range(count)],
            "studentised": t,
            "p": p,
            "flagged": p < verdicts.PATTERN_P,
        }
    )


def _plot_out_of_line(table: pd.DataFrame) -> Question:
    ask = "Is a whole plot out of line?"
    t = table["studentised"].to_numpy(dtype=float)
    if not np.isfinite(t).any():
        why = "Too few whole plots beside the model to say whether one of them is out of line."
        return Question(ask, "largest studentised", np.nan, np.nan, why)
    far = int(np.nanargmax(np.abs(t)))
    flagged = list(table.loc[table["flagged"], "whole_plot"])
    verdict = verdicts.on_plots_out_of_line(flagged, table["whole_plot"].iloc[far])
    return Question(ask, "largest studentised", float(t[far]), float(table["p"].min()), verdict)
