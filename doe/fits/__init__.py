"""Learning: fits of the responses, what they say of each factor, and how far to trust them.

May import study, designs, quality and bench.
"""

from doe.fits.censored import CensoredFit
from doe.fits.keeping import drift
from doe.fits.least_squares import fit, fit_all
from doe.fits.ordinal import OrdinalFit
from doe.fits.result import Fit
from doe.fits.rivals import CompetingModels, competing_models
from doe.fits.shelf import Drift
from doe.fits.side_by_side import Fits
from doe.fits.unreplicated import LenthTest, lenth

__all__ = [
    "CensoredFit",
    "CompetingModels",
    "Drift",
    "Fit",
    "Fits",
    "LenthTest",
    "OrdinalFit",
    "competing_models",
    "drift",
    "fit",
    "fit_all",
    "lenth",
]
