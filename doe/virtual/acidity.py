"""Titration of a carboxylic polymer: which pH and which ionisation a gel reaches with a given amount of base."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.bench.neutralisation import BASES
from doe.study import StudyError

Floats = NDArray[np.float64]

WATER_PK = 14.0  # −log10 of the ion product of water at 25 °C
PK_APPARENT = 6.0  # of a half-ionised carbomer; 5 to 6.5 is usual, invented within that range
STEEPNESS = 1.6  # n of the extended Henderson–Hasselbalch equation; 1.3 to 2 is usual, invented within that range
# a strong base stays protonated at any pH
_TITRANTS = ("sodium hydroxide", "aminomethyl propanol", "tromethamine", "triethanolamine")
BASE_PKA = {name: pka for name in _TITRANTS if (pka := BASES[name].pka) is not None}


def gel_ph(
    degree: ArrayLike,
    acid: ArrayLike,
    base: str = "tromethamine",
    pk_apparent: ArrayLike = PK_APPARENT,
    steepness: ArrayLike = STEEPNESS,
) -> Floats:
    """Give the pH of a carboxylic polymer gel from the charge balance.

    The pH solves ``degree·c·f + [H+] = α(pH)·c + [OH−]`` with ``f = 1 / (1 + 10^(pH − pKa))`` the protonated share of the
    base and ``pH = pKapp + n·log10(α / (1 − α))`` the extended Henderson–Hasselbalch equation of a polyelectrolyte.

    Parameters
    ----------
    degree : array_like
        Equivalents of base added per equivalent of COOH, dimensionless, 0 or above.
    acid : array_like
        c, COOH groups in the gel, mol/L, 0 or above.
    base : str
        "tromethamine", "triethanolamine", "aminomethyl propanol" or "sodium hydroxide".
    pk_apparent : array_like
        pKapp, the pH at which half of the groups are ionised.
    steepness : array_like
        n, dimensionless, 1 or above: removing protons gets harder as the chain charges.

    Returns
    -------
    ndarray
        pH, in the shape the arguments broadcast to; exact to 1e-10.

    Raises
    ------
    StudyError
        If an argument is not finite, is below its least value, or the base is unknown.

    References
    ----------
    Katchalsky, A. and Spitnik, P. (1947). Potentiometric titrations of polymethacrylic acid. Journal of Polymer
    Science 2, 432 (from memory).
    """
    if base not in BASE_PKA:
        raise StudyError("base", base, "one of " + ", ".join(repr(b) for b in BASE_PKA), "choose one of these")
    given = {"degree": degree, "acid": acid, "pk_apparent": pk_apparent, "steepness": steepness}
    least = {"degree": 0.0, "acid": 0.0, "pk_apparent": 0.0, "steepness": 1.0}
    values = {name: np.asarray(value, dtype=float) for name, value in given.items()}
    for name, value in values.items():
        bad = ~(np.isfinite(value) & (value >= least[name]))
        if bad.any():
            raise StudyError(
                name, float(value[bad].flat[0]), f"finite and {least[name]:g} or above", "correct the value"
            )
    degrees, acids, pk, n = np.broadcast_arrays(*values.values())
    return _solve(degrees, acids, pk, n, BASE_PKA[base])


def ionisation(ph: ArrayLike, pk_apparent: ArrayLike = PK_APPARENT, steepness: ArrayLike = STEEPNESS) -> Floats:
    """Give the degree of ionisation α of the polymer at a pH, dimensionless, from 0 to 1."""
    exponent = (np.asarray(pk_apparent, dtype=float) - np.asarray(ph, dtype=float)) / np.asarray(steepness, dtype=float)
    return np.asarray(1.0 / (1.0 + 10.0**exponent))


def _solve(degree: Floats, acid: Floats, pk: Floats, n: Floats, base_pka: float) -> Floats:
    """Solve the charge balance: Newton steps on the logarithm of the ratio of charges, kept inside a shrinking bracket.

    The logarithm of positive over negative charge falls steadily in pH and is nearly straight, so few steps are needed;
    where it is flat (a strong base at degree 1) halving the bracket takes over.
    """
    low = np.zeros_like(degree)
    high = np.full_like(degree, WATER_PK)
    ph = np.full_like(degree, WATER_PK / 2)
    ln10 = np.log(10.0)
    for _ in range(200):
        h, oh = 10.0**-ph, 10.0 ** (ph - WATER_PK)
        held = 1.0 / (1.0 + 10.0 ** (ph - base_pka))
        alpha = 1.0 / (1.0 + 10.0 ** ((pk - ph) / n))
        positive = degree * acid * held + h
        negative = acid * alpha + oh
        balance = np.log(positive / negative)
        slope = -ln10 * (
            (degree * acid * held * (1.0 - held) + h) / positive + (acid * alpha * (1.0 - alpha) / n + oh) / negative
        )
        low = np.where(balance >= 0, ph, low)
        high = np.where(balance <= 0, ph, high)
        step = ph - balance / slope
        following = np.where((step > low) & (step < high), step, (low + high) / 2)
        done = np.abs(following - ph).max(initial=0.0) < 1e-11
        ph = following
        if done:
            break
    return ph
