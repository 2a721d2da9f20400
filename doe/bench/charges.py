"""Charge balance of a gel in water: the pH at which the cations of bases and the anions of acids are equal.

Arrays only. Concentrations in equivalents per litre, every one an array of one shape; pH at 25 °C, activities taken as concentrations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
LN10 = float(np.log(10.0))
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


def charge_of(ph: Floats, pkas: Sequence[float]) -> tuple[Floats, Floats]:
    """Mean negative charge, at a pH, of an acid that gives off its protons at these pKa, and how fast it rises with pH."""
    # every form by its distance from the one with all protons, in logarithms so that nothing overflows
    given_off = np.arange(len(pkas) + 1)
    levels = np.concatenate([[0.0], np.cumsum(np.asarray(pkas, dtype=float))])
    weights = given_off[:, None] * np.atleast_1d(ph)[None, :] - levels[:, None]
    shares = 10.0 ** (weights - weights.max(axis=0))
    shares /= shares.sum(axis=0)
    charge = given_off @ shares
    return charge, LN10 * (given_off**2 @ shares - charge**2)


def balanced_ph(mixture: Charges, pk: float, n: float) -> Floats:
    """Give the pH at which cations and anions are equal, to 1e-10; shape (m,).

    Newton steps on the logarithm of cations over anions, which falls steadily with pH and is nearly straight, inside a shrinking bracket:
    where it is flat (a strong base at degree 1) halving the bracket takes over.
    """
    shape = np.shape(mixture.polymer)
    low, high = np.full(shape, _LOW), np.full(shape, _HIGH)
    ph = np.full(shape, WATER_PK / 2)
    for _ in range(100):
        h, oh = 10.0**-ph, 10.0 ** (ph - WATER_PK)
        alpha = ionised(ph, pk, n)
        plus = np.maximum(mixture.strong, 0.0) + h
        minus = np.maximum(-mixture.strong, 0.0) + oh + mixture.polymer * alpha
        plus_slope = -LN10 * h
        minus_slope = LN10 * (oh + mixture.polymer * alpha * (1 - alpha) / n)
        for amount, pka in mixture.bases:
            held = 1.0 / (1.0 + 10.0 ** (ph - pka))
            plus, plus_slope = plus + amount * held, plus_slope - LN10 * amount * held * (1 - held)
        for amount, pkas in mixture.acids:
            charge, slope = charge_of(ph, pkas)
            minus, minus_slope = minus + amount * charge, minus_slope + amount * slope
        ratio = np.log(plus / minus)
        low, high = np.where(ratio >= 0, ph, low), np.where(ratio <= 0, ph, high)
        step = ph - ratio / (plus_slope / plus - minus_slope / minus)
        following = np.where((step > low) & (step < high), step, (low + high) / 2)
        moved = np.abs(following - ph).max(initial=0.0)
        ph = following
        if moved < 1e-11:  # the next step would be below rounding
            break
    return np.asarray(ph)
