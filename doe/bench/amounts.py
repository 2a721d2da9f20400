"""How much of every line makes up a batch: the recipe's statements as linear equations, solved in exact fractions.

Unknowns are grams as weighed in 100 g of batch. Fractions, because grams that are to add up to the last digit must not start out rounded.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from fractions import Fraction

Row = dict[Hashable, Fraction]


class UnsettledError(Exception):
    """The equations leave an amount open or contradict each other; carries the unknown that could not be settled."""


def as_fraction(value: float) -> Fraction:
    """The decimal number that a float was typed as."""
    return Fraction(repr(float(value)))


def solved(unknowns: Sequence[Hashable], equations: Sequence[tuple[Mapping[Hashable, Fraction], Fraction]]) -> Row:
    """Solve as many linear equations as there are unknowns.

    Parameters
    ----------
    unknowns : sequence
        Their names.
    equations : sequence of (mapping, Fraction)
        Coefficients by unknown, and the right-hand side.

    Returns
    -------
    dict
        Value of each unknown.

    Raises
    ------
    UnsettledError
        If an unknown has no or no single value.
    """
    rows = [({k: v for k, v in left.items() if v}, right) for left, right in equations]
    settled: list[tuple[Hashable, Row, Fraction]] = []
    open_ = list(unknowns)
    while open_:
        # the shortest equation first: most lines stand alone, and the work stays small
        candidates = [(len(left), i) for i, (left, _) in enumerate(rows) if left]
        if not candidates:
            raise UnsettledError(open_[0])
        left, right = rows.pop(min(candidates)[1])
        pivot = next(iter(left))
        scale = left.pop(pivot)
        left, right = {k: v / scale for k, v in left.items()}, right / scale
        settled.append((pivot, left, right))
        open_.remove(pivot)
        for i, (other, value) in enumerate(rows):
            if pivot in other:
                factor = other.pop(pivot)
                for k, v in left.items():
                    other[k] = other.get(k, Fraction(0)) - factor * v
                    if not other[k]:
                        del other[k]
                rows[i] = (other, value - factor * right)
    out: Row = {}
    for pivot, left, right in reversed(settled):
        out[pivot] = right - sum((v * out[k] for k, v in left.items()), Fraction(0))
    return out
