"""Learning: fits of the responses, what they say of each factor, and how far to trust them.

May import study, designs, quality and bench.
"""

from doe.fits.censored import CensoredFit
from doe.fits.least_squares import fit, fit_all
from doe.fits.ordinal import OrdinalFit
from doe.fits.result import Fit
from doe.fits.side_by_side import Fits

__all__ = ["CensoredFit", "Fit", "Fits", "OrdinalFit", "fit", "fit_all"]
