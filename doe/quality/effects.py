"""What a change of a given size means for the coefficients of each term: the rows that a test of it looks at, and the effects it must see."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from doe.study import Categorical, Component, Model

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Tested:
    """One hypothesis: rows L (d, p) that are zero without the effect, and what a change of 1 makes of them.

    Attributes
    ----------
    name : str
        The term, or what the row compares.
    rows : ndarray, shape (d, p)
    effects : ndarray, shape (patterns, d)
        Lβ for a change of 1, one row each way the change may lie; the hardest to see counts.
    """

    name: str
    rows: Floats
    effects: Floats


def tested_terms(model: Model) -> list[Tested]:
    """A hypothesis for every term whose change has one meaning.

    A coefficient is half the change for main effects, interactions and odd powers (they run from −1 to 1) and the whole change for
    squares (centre to edge). A categorical factor's change lies between two of its levels, the others at 0, over all pairs. The constant
    and terms in components are left out: a blend is compared by two rows of settings.
    """
    out = []
    for index, term in enumerate(model.parsed):
        if not term or any(isinstance(model.study.factor(name), Component) for name, _ in term):
            continue
        columns = np.flatnonzero(model.term_of == index)
        rows = np.eye(model.p)[columns]
        even = True
        pieces: list[list[Floats]] = []
        for name, power in term:
            factor = model.study.factor(name)
            if isinstance(factor, Categorical):
                pieces.append(_pairs(len(factor.levels)))
                even = False
            elif power % 2:
                even = False
        patterns = [_outer(choice) for choice in product(*pieces)]
        out.append(Tested(model.terms[index], rows, np.array(patterns) * (1.0 if even else 0.5)))
    return out


def _pairs(levels: int) -> list[Floats]:
    """Coefficients of the contrasts with one level at +1, another at −1 and the rest at 0."""
    out = []
    for i, j in combinations(range(levels), 2):
        effect = np.zeros(levels)
        effect[i], effect[j] = 1.0, -1.0
        out.append(effect[:-1])  # sum-to-zero coding: a contrast's coefficient is its level's effect
    return out


def _outer(pieces: tuple[Floats, ...]) -> Floats:
    pattern = np.ones(1)
    for piece in pieces:
        pattern = np.multiply.outer(pattern, piece).ravel()
    return pattern
