"""Learning: fits of the responses, what they say of each factor, and how far to trust them.

May import study, designs, quality and bench.
"""

from doe.fits.keeping import drift
from doe.fits.least_squares import fit, fit_all
from doe.fits.result import Fit
from doe.fits.shelf import Drift
from doe.fits.side_by_side import Fits

__all__ = ["Drift", "Fit", "Fits", "drift", "fit", "fit_all"]
