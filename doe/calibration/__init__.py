"""The toolkit put to the test on the user's own machine: known answers, simulated error rates, nothing lost on the way; as a page to file.

May import from every room below: study, designs, quality, bench, fits, virtual, window, store, plots, report.
"""

from doe.calibration.dossier import DEPTHS, calibrated, write_dossier
from doe.calibration.findings import Dossier, Finding

__all__ = ["DEPTHS", "Dossier", "Finding", "calibrated", "write_dossier"]
