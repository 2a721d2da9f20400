"""A virtual bench: an invented gel with a known truth, to practise on and to test the statistics against.

Floor 4: imports study, designs, quality and bench, nothing above.
"""

from doe.virtual.acidity import gel_ph, ionisation
from doe.virtual.after_sun import AfterSunGel

__all__ = ["AfterSunGel", "gel_ph", "ionisation"]
