"""How much better any plan could be, batch for batch: the information of a plan against the best continuous design."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.designs.encoding import Encoding
from doe.designs.search.continuous import PROVED, continuous_design
from doe.designs.search.problem import Layout, Problem
from doe.designs.strata import Strata, contrast_columns

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]
LARGEST_GROUP = 12  # batches of one whole plot or block for which the bound is worked out


def certificate_of(
    encoding: Encoding,
    structure: Strata,
    criterion: str,
    moments: Reals,
    weight: Reals,
    Z: Reals,
    block: Ints | None,
    plot: Ints | None,
    seed: int,
    notes: list[str],
) -> dict[str, Any] | None:
    """How much better any plan could be, batch for batch; its sentence is added to `notes`."""
    if weight.any():
        notes.append("No bound is given: what the potential terms add depends on the number of batches.")
        return None
    n, p = len(Z), encoding.model.p
    B = encoding.inward(moments)
    covariance: list[tuple[Layout, Reals]] = []
    relative = "all plans under this model"
    grouped = structure.block if structure.random_blocks else structure.whole_plot
    ratio = structure.eta_block if structure.random_blocks else structure.eta_whole
    if grouped is not None and (ratio > 0 or structure.hard):
        codes = block if structure.random_blocks else plot
        assert codes is not None
        largest = int(np.bincount(codes).max())
        if largest > LARGEST_GROUP:
            notes.append(
                f"No bound is given: {largest} batches hang together, and it is worked out for up to {LARGEST_GROUP}."
            )
            return None
        kinds: dict[tuple[int, ...], list[Reals]] = {}
        for g in sorted(set(codes.tolist())):
            members = np.flatnonzero(codes == g)
            inner = (
                ()
                if plot is None or not structure.random_blocks
                else tuple(np.unique(plot[members], return_inverse=True)[1])
            )
            kinds.setdefault((len(members), *inner), []).append(Z[members])
        for (size, *inner_), members_ in kinds.items():
            whole = (
                np.array(inner_, dtype=np.int64)
                if inner_
                else (np.zeros(size, dtype=np.int64) if plot is not None else None)
            )
            own = Layout(
                size,
                whole,
                np.zeros(size, dtype=np.int64) if structure.random_blocks else None,
                structure.eta_whole if plot is not None else 0.0,
                structure.eta_block if structure.random_blocks else 0.0,
                structure.hard,
            )
            covariance.append((own, np.array(members_)))
        word = "blocks" if structure.random_blocks else "whole plots"
        relative = f"all plans of {word} of the same sizes under this model and these variance ratios"
    elif structure.random_blocks or structure.whole_plot is not None:
        relative = "all plans under this model, at a variance ratio of 0"
    if structure.contrasts:
        relative += ", without the blocks' effects"
    bound = continuous_design(encoding.exponents, encoding.region, criterion, B, Z, covariance, int(seed))
    M = model_information(encoding, structure, weight, Z, block, plot)
    value = float(np.linalg.slogdet(M)[1]) if criterion == "D" else float(np.trace(np.linalg.solve(M, B)))
    percent = min(bound.efficiency(value, n, p), 100.0)
    more = 100.0 * (100.0 / percent - 1.0)
    sure = f"proved by {bound.reason}" if bound.kind == PROVED else f"{bound.kind}, by {bound.reason}"
    text = (
        f"{criterion}-efficiency at least {percent:.1f} % of the best possible ({sure}): batch for batch, no plan of any size "
        f"under this model and noise ratio is more than {more:.1f} % better."
    )
    if relative != "all plans under this model":
        text += f" Relative to {relative}."
    notes.append(text)
    return {
        "criterion": criterion,
        "bound": float(f"{percent:.8g}"),
        "kind": bound.kind,
        "reason": bound.reason,
        "relative_to": relative,
        "text": text,
    }


def model_information(
    encoding: Encoding, structure: Strata, weight: Reals, Z: Reals, block: Ints | None, plot: Ints | None
) -> Reals:
    """Information on the model's coefficients, fixed blocks taken out, in the coding here."""
    whole = replace(structure, n=len(Z), block=block, whole_plot=plot)
    X = Problem(encoding.exponents, encoding.region, Layout(len(Z))).rows(Z)
    V = whole.layout(None, Z).inverse_covariance()
    M = X.T @ V @ X
    extra = contrast_columns(block) if structure.contrasts else None
    if extra is not None:
        cross = extra.T @ V @ X
        M = M - cross.T @ np.linalg.solve(extra.T @ V @ extra, cross)
    if weight.any():
        M = M + encoding.inward(np.diag(weight))
    return (M + M.T) / 2


def plan_value(
    encoding: Encoding,
    structure: Strata,
    criterion: str,
    moments: Reals,
    weight: Reals,
    Z: Reals,
    block: Ints | None,
    plot: Ints | None,
) -> float:
    """log|M| for D, trace(M^-1 B) else, in the model's own coding, of all runs; −inf or inf where singular."""
    M = model_information(encoding, structure, weight, Z, block, plot)
    sign, log = np.linalg.slogdet(M)
    if criterion == "D":
        # with fixed blocks the determinant is that of model and blocks together; their part is the same for all plans
        return float(log) + encoding.log_link if sign > 0 else -np.inf
    return float(np.trace(np.linalg.solve(M, encoding.inward(moments)))) if sign > 0 else np.inf
