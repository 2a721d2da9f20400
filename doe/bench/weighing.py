"""From amounts to weighings: rounded to what the balance shows, adding up to the last digit, and none below what the balance can weigh."""

from __future__ import annotations

import math
from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction

LEAST_DIGITS = 100  # weighings from 100 readabilities up are good to 1 % (common practice, no source)
WITHIN = 0.02  # share of its target that a weighing may miss and be as planned (common practice, no source)
MOST_BATCHES = 10  # a batch so many times larger is no advice
_RATIOS = (10, 20, 50, 100, 200, 500, 1000)  # of a dilution; a polymer cannot be stirred into less than about 50 parts


def rounded(grams: Fraction, readability: float, most: Fraction | None = None) -> Decimal:
    """Grams as a multiple of what the balance shows; halves go to the even digit, and nothing that may be weighed is rounded above `most`."""
    step = Decimal(repr(readability))
    steps = round(grams / Fraction(step))
    if most is not None and grams <= most < steps * Fraction(step):
        steps -= 1
    return steps * step


def closed(
    grams: Mapping[str, Fraction], printed: Mapping[str, Decimal], closing: str, batch: Fraction, readability: float
) -> dict[str, Decimal]:
    """Printed grams with the closing line set so that their sum misses the batch by half of its readability at most.

    Parameters
    ----------
    grams : mapping of str to Fraction
        Every line in order.
    printed : mapping of str to Decimal
        Every line but the closing one, as printed.
    closing : str
        The line that takes up what rounding leaves.
    batch : Fraction
        Grams asked for.
    readability : float
        Of the balance on which the closing line is weighed, g.
    """
    others = sum((Fraction(v) for k, v in printed.items() if k != closing), Fraction(0))
    return {k: rounded(batch - others, readability) if k == closing else printed[k] for k in grams}


def least(readability: float) -> Decimal:
    """Least weighing, g, on a balance of this readability."""
    return LEAST_DIGITS * Decimal(repr(readability))


def batch_for(grams: Decimal, readability: float, batch: Fraction) -> int | None:
    """The batch, in whole tens of grams, in which a weighing is large enough; None where it would be ten times as large or more."""
    needed = batch * Fraction(least(readability)) / Fraction(grams)
    return None if needed > MOST_BATCHES * batch else math.ceil(needed / 10) * 10


def dilution(
    grams: Decimal, readability: float, room: Decimal, polymer: bool
) -> tuple[Decimal, Decimal, Decimal, Decimal] | None:
    """A dilution of which enough is weighed.

    Parameters
    ----------
    grams : Decimal
        What is too little to weigh.
    readability : float
        Of its balance, g.
    room : Decimal
        Grams of solvent in the batch that it may take along.
    polymer : bool
        Whether it swells: then no stronger than 2 %.

    Returns
    -------
    tuple of Decimal, or None
        Grams to weigh in and grams of solvent of the dilution to make, grams of it to add, grams of solvent that this brings along. None
        where the batch has not enough solvent.
    """
    for ratio in _RATIOS:
        if polymer and ratio < 50:
            continue
        add = rounded(Fraction(grams) * ratio, readability)
        if add < least(readability):
            continue
        brings = add - rounded(Fraction(add) / ratio, readability)
        if brings > room:
            return None
        make = least(readability) * max(1, math.ceil(Fraction(6, 5) * Fraction(grams) / Fraction(least(readability))))
        return make, make * (ratio - 1), add, brings
    return None


def finer(grams: Decimal) -> Decimal:
    """The coarsest balance, as a power of ten in g, on which a weighing is large enough."""
    return Decimal(1).scaleb(math.floor(math.log10(grams / LEAST_DIGITS)))
