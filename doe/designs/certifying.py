"""How near any plan is to the best possible: the engine's bound for plans of every origin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.designs.certificate import certificate_of
from doe.designs.encoding import Encoding, set_only
from doe.designs.plan import Plan
from doe.designs.search.continuous import PROVED
from doe.designs.search.packing import MOST_DEGREE
from doe.designs.strata import Strata, codes_of
from doe.study import Model


@dataclass(frozen=True)
class Certificate:
    """How much better any plan could be, batch for batch.

    Attributes
    ----------
    criterion : str
        "D", "I" or "A".
    bound : float
        The plan's efficiency is at least so many % of the best possible; NaN where no bound is given.
    kind : str
        "proved" or "best search found"; empty where no bound is given.
    text : str
        In words, with its reason or with why there is none.
    """

    criterion: str
    bound: float
    kind: str
    text: str

    @property
    def proved(self) -> bool:
        """Whether nothing rests on a search."""
        return self.kind == PROVED


def certify(
    plan: Plan,
    model: Model,
    criterion: str,
    ratio_whole: float = 0.0,
    ratio_block: float = 0.0,
    random_blocks: bool = False,
    seed: int = 0,
) -> Certificate:
    """The bound for a plan of any origin.

    Parameters
    ----------
    plan : Plan
    model : Model
        Which the plan can estimate.
    criterion : {"D", "I", "A"}
    ratio_whole, ratio_block : float
        Variance between whole plots, and between random blocks, over the variance within.
    random_blocks : bool
        Whether blocks are random.
    seed : int

    Returns
    -------
    Certificate
    """
    degree = int(model.exponents.sum(axis=1).max(initial=0))
    if degree > MOST_DEGREE:
        text = f"No {criterion}-bound is given: it is worked out for models up to degree {MOST_DEGREE}, this one has {degree}."
        return Certificate(criterion, float("nan"), "", text)
    study, (model,) = set_only(plan.study, model)
    encoding = Encoding(study, model)
    Z = encoding.settings(plan.runs)
    outside = plan.runs.index[~encoding.region.contains(Z, 1e-7)]
    if len(outside):
        runs = ", ".join(str(r) for r in outside[:5]) + (" …" if len(outside) > 5 else "")
        text = f"No {criterion}-bound is given: run{'s' if len(outside) > 1 else ''} {runs} lie outside the region that it holds for."
        return Certificate(criterion, float("nan"), "", text.replace(" lie ", " lies ") if len(outside) == 1 else text)
    block = None if plan.block is None else codes_of([str(v) for v in plan.block])
    plot = None if plan.whole_plot is None else codes_of([str(v) for v in plan.whole_plot])
    hard = encoding.variables_of(plan.study.hard_to_change) if plot is not None else ()
    structure = Strata(len(Z), block, plot, random_blocks and block is not None, ratio_whole, ratio_block, hard)
    moments = np.eye(model.p) if criterion == "A" else np.asarray(study.region.moments(model))
    notes: list[str] = []
    found = certificate_of(encoding, structure, criterion, moments, np.zeros(model.p), Z, block, plot, seed, notes)
    if found is None:
        return Certificate(criterion, float("nan"), "", " ".join(notes))
    return Certificate(criterion, float(found["bound"]), str(found["kind"]), str(found["text"]))
