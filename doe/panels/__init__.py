"""Panels: the whole job by hand in a notebook, over the rooms below; no statistics and no reading of files of their own.

May import every room but the command line. The browser libraries (ipywidgets, anywidget) are imported when a panel is made, so that the
package works without them.
"""

from __future__ import annotations

import os
from importlib import import_module
from typing import TYPE_CHECKING, Any

from doe.study import StudyError

if TYPE_CHECKING:
    from doe.panels.all_steps import Desk
    from doe.panels.choosing import BatchesPanel
    from doe.panels.deciding import WindowPanel
    from doe.panels.describing import TrialPanel
    from doe.panels.handing_over import ReportPanel
    from doe.panels.learning import DriversPanel
    from doe.panels.making import SheetPanel
    from doe.panels.measuring import RecordsPanel
    from doe.panels.proving import ConfirmPanel
    from doe.study import Study

__all__ = [
    "batches_panel",
    "confirm_panel",
    "desk",
    "drivers_panel",
    "records_panel",
    "report_panel",
    "restore",
    "sheet_panel",
    "trial_panel",
    "window_panel",
]


def desk(study: Study | None = None, folder: str | os.PathLike[str] = "desk") -> Desk:
    """The whole job in one place, one step after the other.

    Parameters
    ----------
    study : Study, optional
        The trial to begin with. Left out: what `folder` holds, or an empty one.
    folder : str or path
        Where everything is saved as it is typed; made if it does not exist. A desk that stands there already is taken up again; where it is
        of another study than the one given, it is moved to the folder "earlier" inside, never overwritten.

    Returns
    -------
    Desk
        Shows itself in a notebook. `study`, `plan`, `recipe`, `records`, `fits`, `window` and `confirmation` are the objects behind it:
        take them into code, or set them, at any time.

    Raises
    ------
    StudyError
        If ipywidgets or anywidget is not installed, or the folder cannot be used.
    """
    _need_browser_libraries()
    from doe.panels.all_steps import Desk

    return Desk.opened(study, folder)


def restore(path: str | os.PathLike[str]) -> Desk:
    """The desk that was saved in a folder, with what was typed and not yet used.

    Raises
    ------
    StudyError
        If no desk was saved there.
    """
    _need_browser_libraries()
    from doe.panels.all_steps import Desk

    return Desk.restored(path)


def trial_panel(given: Any = None) -> TrialPanel:
    """The trial: factors, constraints, responses. `given`: a desk, a Study, or nothing."""
    _need_browser_libraries()
    from doe.panels.describing import TrialPanel

    return TrialPanel(given)


def batches_panel(given: Any = None) -> BatchesPanel:
    """Which batches to make, and what they buy. `given`: a desk, a Study or a Plan."""
    _need_browser_libraries()
    from doe.panels.choosing import BatchesPanel

    return BatchesPanel(given)


def sheet_panel(given: Any = None, recipe: Any = None) -> SheetPanel:
    """Recipe and run sheet. `given`: a desk or a Plan; `recipe`: a Recipe, if there is one."""
    _need_browser_libraries()
    from doe.panels.making import SheetPanel

    panel = SheetPanel(given)
    if recipe is not None:
        panel.desk.recipe = recipe
    return panel


def records_panel(given: Any = None) -> RecordsPanel:
    """What was measured: typed, pasted, or read from the returned workbook. `given`: a desk, a Plan or Records."""
    _need_browser_libraries()
    from doe.panels.measuring import RecordsPanel

    return RecordsPanel(given)


def drivers_panel(given: Any = None) -> DriversPanel:
    """What drives each response. `given`: a desk, Records or Fits."""
    _need_browser_libraries()
    from doe.panels.learning import DriversPanel

    return DriversPanel(given)


def window_panel(given: Any = None) -> WindowPanel:
    """Where to run. `given`: a desk, Fits or a Window."""
    _need_browser_libraries()
    from doe.panels.deciding import WindowPanel

    return WindowPanel(given)


def confirm_panel(given: Any = None) -> ConfirmPanel:
    """Whether the window holds: what confirmation batches must read, and which batches would sharpen it. `given`: a desk or a Window."""
    _need_browser_libraries()
    from doe.panels.proving import ConfirmPanel

    return ConfirmPanel(given)


def report_panel(given: Any = None) -> ReportPanel:
    """One page for the colleague to convince. `given`: a desk, Fits or a Window."""
    _need_browser_libraries()
    from doe.panels.handing_over import ReportPanel

    return ReportPanel(given)


def _need_browser_libraries() -> None:
    missing = []
    for name in ("ipywidgets", "anywidget"):
        try:
            import_module(name)
        except ImportError:
            missing.append(name)
    if missing:
        raise StudyError(
            "panels",
            f"without {' and '.join(missing)}",
            "installed with what draws them in a notebook",
            f"run: python -m pip install {' '.join(missing)} jupyterlab",
        )
