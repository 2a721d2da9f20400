"""How the batches of a trial hang together: whole plots, blocks and repeat readings, as strata of a mixed model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.fits import reml
from doe.fits.arrays import Floats
from doe.fits.readings import Batches
from doe.fits.verdicts import listed, runs_text
from doe.study import Model, Response, Study, StudyError

Labels = NDArray[np.int64]
# groups that rows may share, from the widest to the narrowest
GROUPS = ("block", "whole plot", "batch")


@dataclass(frozen=True)
class Layout:
    """The strata of a trial, their degrees of freedom, and which columns belong to which.

    Attributes
    ----------
    strata : reml.Strata
        Residual first, then the unit (where repeat readings are modelled), whole plot, block and batch, as present.
    y : ndarray, shape (n,)
        Mean reading of each batch (at each condition) on the fitted scale.
    groups : dict of str -> ndarray
        Which block and whole plot each row is of, and which batch where several rows are of one, as whole numbers.
    degrees : dict of str -> int
        Residual degrees of freedom of the groups, and of the unit within them.
    """

    strata: reml.Strata
    y: Floats
    groups: dict[str, Labels]
    degrees: dict[str, int]

    @property
    def unit(self) -> str:
        """What a row is: a "batch", or where conditions are fitted together a "batch × condition"."""
        return unit_of(self.groups)

    @property
    def carried(self) -> Floats:
        """How much of each variance one new batch carries, measured as in the trial, shape (m,)."""
        return np.array([float(np.diagonal(G).mean()) for G in self.strata.G])

    def stratum_of(self, column: Floats) -> str:
        """The outermost stratum in which a column does not change: a group, or the unit."""
        for name in GROUPS:
            if name in self.groups and _constant(column, self.groups[name]):
                return name
        return self.unit


def unit_of(groups: dict[str, Labels]) -> str:
    """What a row is, where rows share these groups."""
    return "batch × condition" if "batch" in groups else "batch"


def shared(labels: Sequence[Any] | None) -> bool:
    """Whether a label stands at several batches, yet not the same at all."""
    return labels is not None and 1 < len(set(labels)) < len(labels)


def whole_plots(batches: Batches) -> Labels | None:
    """Whole plot of each batch as a whole number; one label in two blocks is two whole plots."""
    if batches.whole_plot is None:
        return None
    blocks = batches.block if batches.block is not None else (None,) * len(batches.runs)
    pairs = list(zip(map(str, blocks), map(str, batches.whole_plot), strict=True))
    order = {pair: i for i, pair in enumerate(dict.fromkeys(pairs))}
    return np.array([order[pair] for pair in pairs])


def check_settings(study: Study, batches: Batches) -> None:
    """Refuse whole plots within which a hard-to-change factor was planned to change: as made it may differ a little.

    Raises
    ------
    StudyError
        Naming the factor, the whole plot and the runs.
    """
    plots = whole_plots(batches)
    if plots is None or batches.whole_plot is None:
        return
    for name in study.hard_to_change:
        values = batches.planned[name].to_numpy()
        # as for repeated settings, what agrees to nine coded decimals is one setting
        columns = [v == name or v.startswith(f"{name}[") for v in study.variables]
        coded = np.round(batches.planned_encoded[:, columns], 9)
        for plot in range(plots.max() + 1):
            own = np.flatnonzero(plots == plot)
            if (coded[own] != coded[own[0]]).any():
                seen = list(dict.fromkeys(values[own].tolist()))
                runs = [batches.runs[i] for i in own]
                raise StudyError(
                    f"whole plot {batches.whole_plot[own[0]]} ({runs_text(runs)}): {name}",
                    seen,
                    "one setting throughout, since it is hard to change",
                    "correct the setting, or give batches set up anew a whole plot of their own",
                )


def check_blocks(batches: Batches, method: str | None, blocks: str | None) -> None:
    """Refuse a word for blocks that is none, or blocks that are not there."""
    if blocks is None:
        return
    if blocks not in ("fixed", "random"):
        raise StudyError("blocks", blocks, '"fixed", "random" or None', "leave it out to have it picked")
    if not shared(by_batch(batches, batches.block)):
        raise StudyError(
            "blocks",
            blocks,
            "left out where batches share no blocks",
            "add a column 'block' that several batches share",
        )
    if blocks == "random" and method == "least squares":
        raise StudyError(
            "blocks",
            blocks,
            '"fixed" with least squares, which knows one variance only',
            'write method="reml", or leave it out',
        )


class TooFewGroupsError(StudyError):
    """A stratum has no degrees of freedom to estimate its variance by: what an assumed ratio of the variances would mend."""


def by_batch(batches: Batches, labels: Sequence[Any] | None) -> tuple[Any, ...] | None:
    """Labels of the rows, one a batch."""
    return None if labels is None else tuple(dict(zip(batches.batch, labels, strict=True)).values())


def groups_of(batches: Batches) -> dict[str, Labels]:
    """Which whole plot, block and batch each row is of, as whole numbers; only those that several batches (rows) share."""
    order = {b: i for i, b in enumerate(dict.fromkeys(batches.batch))}
    n = len(order)
    groups: dict[str, Labels] = {}
    plots = whole_plots(batches)
    if plots is not None and 1 < plots.max() + 1 < n:
        groups["whole plot"] = plots
    if shared(by_batch(batches, batches.block)) and batches.block is not None and not batches.fixed_blocks:
        places = {b: i for i, b in enumerate(dict.fromkeys(batches.block))}
        block = np.array([places[b] for b in batches.block])
        # where every block is one whole plot the two are one stratum
        if "whole plot" not in groups or groups["whole plot"].max() > block.max():
            groups["block"] = block
    if n < len(batches.runs):
        groups["batch"] = np.array([order[b] for b in batches.batch])
    return groups


def layout_of(model: Model, response: Response, batches: Batches, Q: Floats) -> Layout:
    """The strata of a fit.

    Parameters
    ----------
    model : Model
    response : Response
    batches : Batches
    Q : ndarray, shape (n, p)
        Orthonormal basis of the model's columns.

    Returns
    -------
    Layout

    Raises
    ------
    StudyError
        If there is no stratum beside the batches, or one has no degrees of freedom for its variance.
    """
    groups = groups_of(batches)
    y, names, G, within = _readings(response, batches, unit_of(groups))
    for name, labels in groups.items():
        names.append(name)
        G.append((labels[:, None] == labels[None, :]).astype(float))
    if len(names) == 1:
        raise StudyError(
            "method",
            "reml",
            "left out where batches share neither whole plots nor blocks",
            "with nothing shared, least squares is the same",
        )
    strata = reml.Strata(tuple(names), np.array(G), *within)
    degrees = degrees_of(Q, groups)
    out = Layout(strata, y, groups, degrees)
    _check_degrees(model, response, batches, Q, out)
    return out


def _readings(
    response: Response, batches: Batches, unit: str
) -> tuple[Floats, list[str], list[Floats], tuple[int, float]]:
    """Mean of each row's readings on the fitted scale, and what repeat readings say of the readings' own variance."""
    n = len(batches.runs)
    each = [response.forward(r) for r in batches.readings]
    counts = np.array([len(r) for r in each], dtype=float)
    df = int(counts.sum()) - n
    ss = float(sum(((r - r.mean()) ** 2).sum() for r in each))
    y = np.array([r.mean() for r in each])
    spread = float(((y - y.mean()) ** 2).sum())
    # readings that all repeat to the last digit (one value copied) say nothing of how well a batch can be read
    if not df or ss <= 1e-20 * spread:
        return response.forward(batches.values), ["residual"], [np.eye(n)], (0, 0.0)
    return y, ["residual", unit], [np.diag(1.0 / counts), np.eye(n)], (df, ss)


def _indicators(labels: Labels) -> Floats:
    return (labels[:, None] == np.arange(labels.max() + 1)[None, :]).astype(float)


def degrees_of(Q: Floats, groups: dict[str, Labels]) -> dict[str, int]:
    """Residual degrees of freedom of each stratum, the unit within all groups last."""
    out: dict[str, int] = {}
    columns, before = Q, Q.shape[1]
    for name in GROUPS:
        if name in groups:
            columns = np.column_stack([columns, _indicators(groups[name])])
            rank = int(np.linalg.matrix_rank(columns, tol=1e-9))
            out[name], before = rank - before, rank
    out[unit_of(groups)] = len(Q) - before
    return out


def _constant(column: Floats, labels: Labels) -> bool:
    means = np.bincount(labels, column) / np.bincount(labels)
    return bool(np.abs(column - means[labels]).max() <= 1e-9 * np.abs(column).max())


def _check_degrees(model: Model, response: Response, batches: Batches, Q: Floats, layout: Layout) -> None:
    X = model.matrix_of(batches.planned_encoded)
    together = "batch" in layout.groups
    for name, labels in layout.groups.items():
        if layout.degrees[name]:
            continue
        own = list(
            dict.fromkeys(
                model.terms[int(model.term_of[j])]
                for j in range(model.p)
                if _constant(X[:, j], labels) and model.terms[int(model.term_of[j])] != "1"
            )
        )
        count, many = int(labels.max()) + 1, plural(name)
        what = f"terms {listed(own)}" if own else "the model"
        if together:
            mend = f"{'drop one of them' if own else 'choose a smaller model'}, or make more {many}"
        elif own:
            mend = (
                f"drop one of them, make more {many}, give variance_ratio= to rest on an assumed one, or write "
                'method="least squares" to treat every batch as set up anew'
            )
        else:
            mend = (
                f"choose a smaller model, make more {many}, give variance_ratio= to rest on an assumed one, or write "
                'method="least squares"'
            )
        raise TooFewGroupsError(
            f"model for {response.name!r}: number of {many}",
            count,
            f"larger, since {count} leave nothing to judge the differences between {many} by, so that {what} cannot be tested",
            mend,
        )
    if not layout.degrees[layout.unit]:
        raise TooFewGroupsError(
            f"model for {response.name!r}: residual degrees of freedom within {listed([plural(g) for g in layout.groups])}",
            0,
            "at least 1",
            "choose a smaller model, or make more batches",
        )
    lost = reml.estimable(Q, layout.strata)
    if lost:
        raise TooFewGroupsError(
            f"model for {response.name!r}: variances that these batches cannot tell apart",
            listed(lost),
            "none",
            "choose a smaller model, or make more batches"
            if together
            else "choose a smaller model, make more batches, give variance_ratio= to rest on an assumed one, or write "
            'method="least squares"',
        )


def plural(name: str) -> str:
    """The word for several of a stratum's groups."""
    return f"{name}es" if name.endswith("ch") else f"{name}s"
