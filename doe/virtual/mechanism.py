"""Mechanism of the invented after-sun gel: from recipe and stirring to pH, viscosity, bead size and stability.

Every constant is invented, chosen within what the trade reports, and describes no product. The forms are textbook ones: charge balance,
power-law gel (Ostwald–de Waele), stirred shear rate (Metzner & Otto), capillary break-up in a laminar gel (Grace), yield stress that
holds a sphere (Beris). References, all from memory: Metzner & Otto, AIChE J. 3 (1957) 3; Grace, Chem. Eng. Commun. 14 (1982) 225;
Beris et al., J. Fluid Mech. 158 (1985) 219.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from doe.bench.neutralisation import COOH_MASS
from doe.virtual.acidity import BASE_PKA, PK_APPARENT, gel_ph, ionisation

Floats = NDArray[np.float64]

# acid of the polymers, and its base
BASE = "tromethamine"
CARBOMER_ACID = 62.0  # % COOH, dry basis
CROSSPOLYMER_ACID = 57.0  # % COOH, dry basis
PK_SHIFT = 0.35  # fall of pKapp per tenfold polymer: the chain's own counter-ions screen its charge
PK_REFERENCE = 0.041  # mol COOH/L at which pKapp is that of the titration module

# thickening
CROSSPOLYMER_WEIGHT = 0.7  # g carbomer that thicken as 1 g crosspolymer does
REFERENCE_POLYMER = 0.5  # % of thickening polymer at which the figures below hold
CONSISTENCY = 52.0  # Pa·s^n of the fully swollen gel
CONSISTENCY_POWER = 2.1  # of the polymer level
FLOW_INDEX = 0.40
SWELLING_HALF = 0.42  # ionisation at which half of the thickening is there
SWELLING_POWER = 2.0
EXCESS_BASE = 1.5  # loss of ln consistency per equivalent of base that is not bound: it acts as electrolyte
READING_SHEAR = 4.2  # 1/s, of the viscometer
SHEAR_DAMAGE = 0.45  # loss of ln viscosity of pure carbomer stirred at the reference speed
REFERENCE_SPEED = 400.0  # rpm
DAMAGE_POWER = 1.5

# beads
SHEAR_CONSTANT = 11.0  # shear rate per revolution, dimensionless
CRITICAL_CAPILLARY = 2.0  # of a thickened oil in a thin gel
TENSION = 0.030  # N/m, of the oil against water
TENSION_FALL = 0.60  # share of it the crosspolymer takes away when it covers the beads wholly
COVER_HALF = 0.20  # % crosspolymer that covers half
LEAST_BEAD = 50.0  # µm, below which the thickened oil does not break

# stability: which share of the beads still hangs after the centrifuge
YIELD_STRESS = 14.0  # Pa, of the fully swollen gel at the reference polymer level
YIELD_POWER = 1.9
DENSITY_GAP = 90.0  # kg/m³, gel less oil
ACCELERATION = 150.0 * 9.81  # m/s², in the centrifuge
HOLDING = 0.048  # yield stress over (density gap × acceleration × diameter) that just holds a sphere
SPREAD_POWER = 1.6  # steepness of the share held against stress over need; lower where bead sizes spread wider

RESPONSES = ("viscosity", "pH", "stability", "bead size")


def acid_of(carbomer: Floats, crosspolymer: Floats) -> Floats:
    """COOH groups in the gel, mol/L, from % w/w of the two polymers (density taken as 1 kg/L)."""
    return (carbomer * CARBOMER_ACID + crosspolymer * CROSSPOLYMER_ACID) / COOH_MASS * 0.1


def true_values(carbomer: Floats, crosspolymer: Floats, degree: Floats, speed: Floats) -> Floats:
    """Properties of the median batch.

    Parameters
    ----------
    carbomer, crosspolymer : ndarray, shape (n,)
        Polymer levels, % w/w; not both 0.
    degree : ndarray, shape (n,)
        Equivalents of tromethamine per equivalent of COOH.
    speed : ndarray, shape (n,)
        Stirrer speed, rpm, above 0.

    Returns
    -------
    ndarray, shape (n, 4)
        Viscosity (mPa·s), pH, stability (%), bead size (µm), in the order of `RESPONSES`.
    """
    acid = acid_of(carbomer, crosspolymer)
    pk = PK_APPARENT - PK_SHIFT * np.log10(acid / PK_REFERENCE)
    ph = gel_ph(degree, acid, BASE, pk)
    alpha = ionisation(ph, pk)
    unbound = degree / (1.0 + 10.0 ** (BASE_PKA[BASE] - ph))  # equivalents of base left without a proton

    polymer = (carbomer + CROSSPOLYMER_WEIGHT * crosspolymer) / REFERENCE_POLYMER
    swelling = alpha**SWELLING_POWER / (alpha**SWELLING_POWER + SWELLING_HALF**SWELLING_POWER)
    swelling = swelling * np.exp(-EXCESS_BASE * unbound)
    kept = np.exp(-SHEAR_DAMAGE * (speed / REFERENCE_SPEED) ** DAMAGE_POWER * carbomer / (carbomer + crosspolymer))

    consistency = CONSISTENCY * polymer**CONSISTENCY_POWER * swelling  # before the stirrer has worn it
    viscosity = consistency * kept * READING_SHEAR ** (FLOW_INDEX - 1.0) * 1000.0

    shear = SHEAR_CONSTANT * speed / 60.0
    stress = consistency * shear**FLOW_INDEX
    tension = TENSION * (1.0 - TENSION_FALL * crosspolymer / (crosspolymer + COVER_HALF))
    bead = 2.0 * CRITICAL_CAPILLARY * tension / stress * 1e6 + LEAST_BEAD

    held_by = YIELD_STRESS * polymer**YIELD_POWER * swelling * kept
    needed = HOLDING * DENSITY_GAP * ACCELERATION * bead * 1e-6
    stability = 100.0 / (1.0 + (needed / held_by) ** SPREAD_POWER)
    return np.column_stack([viscosity, ph, stability, bead])
