"""Charge balance of a gel in water: the pH at which the cations of bases and the anions of acids are equal.

Arrays only. Concentrations in equivalents per litre, every one an array of one shape; pH at 25 °C, activities taken as concentrations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
WATER_PK = 14.0  # −lg of the ion product of water at 25 °C
_LOW, _HIGH = -2.0, 16.0  # the pH of any solution that is still mostly water


@dataclass(frozen=True)
class Charges:
    """What carries charge in each of m mixtures.

    Attributes
    ----------
    strong : ndarray, shape (m,)
        Cations that stay whatever the pH (sodium), less the anions that do.
    bases : sequence of (ndarray, float)
        Weak bases: equivalents, and the pKa of the conjugate acid.
    acids : sequence of (ndarray, sequence of float)
        Weak acids: moles per litre, and the pKa of each of their steps.
    polymer : ndarray, shape (m,)
        COOH groups of the polymers, which follow the extended Henderson–Hasselbalch equation.
    """

    strong: Floats
    bases: Sequence[tuple[Floats, float]]
    acids: Sequence[tuple[Floats, tuple[float, ...]]]
    polymer: Floats


def ionised(ph: Floats, pk: Floats | float, n: Floats | float) -> Floats:
    """Share of the polymer's groups that is ionised: pH = pKapp + n lg(α / (1 − α)) solved for α."""
    return np.asarray(1.0 / (1.0 + 10.0 ** np.clip((pk - ph) / n, -300, 300)))


def charge_of(ph: Floats, pkas: Sequence[float]) -> Floats:
    """Mean negative charge, at a pH, of an acid that gives off its protons at these pKa."""
    # every form by its distance from the one with all protons, in logarithms so that nothing overflows
    given_off = np.arange(len(pkas) + 1)
    levels = np.array([np.sum(pkas[:k]) for k in given_off])
    weights = given_off[:, None] * np.atleast_1d(ph)[None, :] - levels[:, None]
    shares = 10.0 ** (weights - weights.max(axis=0))
    return np.asarray(given_off @ (shares / shares.sum(axis=0)))


def balanced_ph(mixture: Charges, pk: float, n: float) -> Floats:
    """Give the pH at which cations and anions are equal, to the last digits; shape (m,)."""
    shape = np.shape(mixture.polymer)
    low, high = np.full(shape, _LOW), np.full(shape, _HIGH)
    for _ in range(58):  # halving cannot fail, and 18 / 2^58 is below rounding
        ph = (low + high) / 2
        total = mixture.strong + 10.0**-ph - 10.0 ** (ph - WATER_PK) - mixture.polymer * ionised(ph, pk, n)
        for amount, pka in mixture.bases:
            total = total + amount / (1.0 + 10.0 ** (ph - pka))
        for amount, pkas in mixture.acids:
            total = total - amount * charge_of(ph, pkas)
        low, high = np.where(total > 0, ph, low), np.where(total > 0, high, ph)
    return np.asarray((low + high) / 2)
