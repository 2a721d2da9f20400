"""Terms that a model leaves out: what stands one order beyond it and could bias its estimates."""

from __future__ import annotations

from itertools import combinations_with_replacement

import numpy as np

from doe.study import Categorical, Component, Discrete, Model
from doe.study.terms import Term

SPANNED = (
    1e-8  # a term whose part outside the model, on the region, is a smaller share than this is already in the model
)


def next_order(model: Model) -> Model:
    """The terms of up to one degree more than the model's, that it does not hold and that the region could tell from it.

    Powers of two-level and categorical factors are left out, and powers of components (a share's square is the share less its blends).
    """
    study = model.study
    degree = max((sum(power for _, power in term) for term in model.parsed), default=0) + 1
    names = study.names
    most = {}
    for f in study.factors:
        if isinstance(f, Categorical | Component):
            most[f.name] = 1
        else:
            most[f.name] = min(degree, len(f.levels) - 1) if isinstance(f, Discrete) else degree
    present = set(model.parsed)
    wanted: list[Term] = []
    for size in range(1, degree + 1):
        for choice in combinations_with_replacement(names, size):
            term = tuple((name, choice.count(name)) for name in names if name in choice)
            if term not in present and all(power <= most[name] for name, power in term):
                wanted.append(term)
    beyond = Model(study, "next order", tuple(wanted))
    if not wanted or not study.components:
        return beyond
    # in a mixture the shares add up to one, so that some terms are sums of others that the model holds
    table = study.region.sample(4 * (model.p + 2), seed=0)
    X, X2 = model.matrix(table), beyond.matrix(table)
    Q = np.linalg.qr(X / np.linalg.norm(X, axis=0))[0]
    left = np.linalg.norm(X2 - Q @ (Q.T @ X2), axis=0) > SPANNED * np.linalg.norm(X2, axis=0)
    keep = [t for i, t in enumerate(wanted) if left[beyond.term_of == i].any()]
    return Model(study, "next order", tuple(keep))
