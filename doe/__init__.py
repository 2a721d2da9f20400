"""Design of experiments for the bench chemist: from a described trial to a robust operating window and a report."""

from doe import bench, designs, fits, panels, plots, quality, report, store, study, virtual, window
from doe.fits import fit, fit_all
from doe.report import write_report
from doe.store import Store
from doe.study import Categorical, Component, Continuous, Covariate, Discrete, Response, Study, StudyError
from doe.window import confirm, find_window, next_batches, rehearse

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
    "confirm",
    "designs",
    "find_window",
    "fit",
    "fit_all",
    "fits",
    "next_batches",
    "panels",
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
