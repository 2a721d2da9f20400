"""Design of experiments for the bench chemist: from a described trial to a robust operating window and a report."""

from doe import bench, designs, fits, plots, quality, report, store, study, virtual, window
from doe.fits import fit, fit_all
from doe.report import write_report
from doe.store import Store
from doe.study import Categorical, Component, Continuous, Covariate, Discrete, Response, Study, StudyError
from doe.window import find_window, rehearse

__version__ = "0.1.0"

__all__ = [
    "Categorical",
    "Component",
    "Continuous",
    "Covariate",
    "Discrete",
    "Response",
    "Store",
    "Study",
    "StudyError",
    "bench",
    "designs",
    "find_window",
    "fit",
    "fit_all",
    "fits",
    "plots",
    "quality",
    "rehearse",
    "report",
    "store",
    "study",
    "virtual",
    "window",
    "write_report",
]
