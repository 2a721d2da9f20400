"""The dossier: one self-contained HTML page with everything a colleague needs to judge the trial.

Floor 7. May import study, designs, quality, bench, fits, virtual, window, store and plots.
"""

from doe.report.dossier import write_report

__all__ = ["write_report"]
