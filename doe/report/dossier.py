"""One self-contained HTML page about a trial: no script, no network, readable on screen and on paper."""

from __future__ import annotations

import datetime
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from doe.bench import Records
from doe.designs import Plan
from doe.fits import Fit
from doe.fits.side_by_side import check_one_occasion
from doe.report.blocks import Chapter, Image
from doe.report.questions import Trial, chapters
from doe.report.rendering import rendered
from doe.study import Study, StudyError
from doe.study.files import folder_made, write_bytes, write_text
from doe.window import Confirmation, Verdict, Window


def write_report(
    path: str | os.PathLike[str],
    study: Study,
    plan: Plan | None,
    records: Records | None,
    fits: Mapping[str, Fit] | Fit,
    win: Window | None = None,
    date: str | datetime.date | None = None,
    pictures: str | os.PathLike[str] | None = None,
    confirmation: Confirmation | None = None,
    verdict: Verdict | None = None,
) -> Path:
    """Write everything a colleague needs to judge the trial into one HTML file.

    Parameters
    ----------
    path : str or path
        The file; replaced whole or not at all. It holds its pictures and needs no network.
    study : Study
        What was studied.
    plan : Plan or None
        What was planned, in the order of making if it was randomised; None where there was no plan.
    records : Records or None
        What was measured; None where the fits were made from a bare table: their own batches are then shown.
    fits : Fits, mapping of response -> Fit, or Fit
        What was learned.
    win : Window or None
        What was decided; None where there is no specification.
    date : str or date, optional
        Date on the page; today's if left out. Everything else is the same for the same input.
    pictures : str or path, optional
        A folder, made if it is not there, for every picture of the page as a PNG file of its own.
    confirmation : Confirmation, optional
        As `doe.confirm` gives it from `win`: the page says what its batches must read. Left out, those of the verdict; without either, what
        three batches at the set point must read.
    verdict : Verdict, optional
        As `Confirmation.verdict` gives it: the page then has a chapter on whether the window held.

    Returns
    -------
    Path
        Of the file written.

    Raises
    ------
    StudyError
        If the parts are of different studies or not of these kinds, the confirmation is of another window or the verdict of another
        confirmation, or the file cannot be written.
    """
    if not isinstance(study, Study):
        raise StudyError(
            "write_report: study", type(study).__name__, "a doe.Study", "give the study the fits were made from"
        )
    trial = Trial(
        study,
        _part("plan", plan, Plan, study),
        _part("records", records, Records, study),
        _fits(fits, study),
        _part("win", win, Window, study),
        _date(date),
        *_confirmed(confirmation, verdict, win, study),
    )
    found = chapters(trial)
    if pictures is not None:
        if not isinstance(pictures, str | os.PathLike):
            raise StudyError("write_report: pictures", pictures, "the path of a folder", 'write "pictures"')
        _put(found, folder_made(pictures, "write_report: pictures"))
    return write_text(path, page(trial, found))


def _put(found: Sequence[Chapter], folder: Path) -> None:
    """Every picture of the chapters as a file."""
    names: set[str] = set()
    for picture in (block for chapter in found for block in chapter.blocks if isinstance(block, Image)):
        name, more = picture.name, 1
        while name in names:  # of two responses whose names make the same
            name, more = f"{picture.name}_{more + 1}", more + 1
        names.add(name)
        write_bytes(folder / f"{name}.png", picture.png)


def page(trial: Trial, found: Sequence[Chapter]) -> str:
    """The HTML of a dossier with these chapters."""
    return rendered("doe.report", "page.html", title=trial.study.name, date=trial.date, chapters=found)


_MAKE = {
    "plan": "make one with doe.designs, load it with Plan.load, or give None",
    "records": "make them with doe.bench.read_sheet or Records.from_frame, or give None: the fits know their readings",
    "win": "make it with doe.find_window, or give None",
    "confirmation": "make it with doe.confirm, or give None",
}


def _part(name: str, given: Any, kind: Any, study: Study) -> Any:
    """A part of the dossier, of this kind and this study, or None."""
    if given is None:
        return None
    if not isinstance(given, kind):
        raise StudyError(f"write_report: {name}", type(given).__name__, f"a {kind.__name__} or None", _MAKE[name])
    if not given.study.agrees(study):
        raise StudyError(
            f"write_report: {name}",
            f"of study {given.study.name!r} ({given.study.fingerprint})",
            f"of the same study as the page ({study.fingerprint})",
            "give the parts of one trial; a changed study needs new fits",
        )
    return given


def _confirmed(
    confirmation: Any, verdict: Any, win: Window | None, study: Study
) -> tuple[Confirmation | None, Verdict | None]:
    """Confirmation and verdict, of the window that the page shows."""
    if verdict is not None and not isinstance(verdict, Verdict):
        raise StudyError(
            "write_report: verdict",
            type(verdict).__name__,
            "a Verdict or None",
            "make it with confirmation.verdict(…), or give None",
        )
    if confirmation is None and verdict is not None:
        confirmation = verdict.confirmation
    made = _part("confirmation", confirmation, Confirmation, study)
    if made is None:
        return None, None
    if win is None or not _same_window(made.window, win):
        raise StudyError(
            "write_report: confirmation",
            "without its window" if win is None else "of another window",
            "of the window of the page",
            "give the window it was made from as win, or make it again with doe.confirm(win)",
        )
    if verdict is not None and verdict.confirmation is not made:
        asked = verdict.confirmation
        same = (
            asked.batches == made.batches and asked.confidence == made.confidence and asked.setting.equals(made.setting)
        )
        if not same or not _same_window(asked.window, win):
            raise StudyError(
                "write_report: verdict",
                "of another confirmation",
                "of the confirmation given",
                "leave the confirmation out: the verdict brings its own",
            )
    return made, verdict


def _same_window(one: Window, other: Window) -> bool:
    """Whether two windows say the same: one may have been saved and loaded meanwhile."""
    return one is other or (
        one.set_point.equals(other.set_point)
        and one.set_point_probability == other.set_point_probability
        and (one.target, one.draws, one.seed, list(one.fits))
        == (other.target, other.draws, other.seed, list(other.fits))
    )


def _fits(fits: Any, study: Study) -> dict[str, Fit]:
    table = {fits.response.name: fits} if isinstance(fits, Fit) else fits
    if not isinstance(table, Mapping) or not table or not all(isinstance(f, Fit) for f in table.values()):
        raise StudyError(
            "write_report: fits",
            type(fits).__name__,
            "a mapping of response to Fit, or one Fit",
            "make them with doe.fit_all",
        )
    for name, fit in table.items():
        check_one_occasion("write_report", str(name), fit)
        if not fit.study.agrees(study):
            raise StudyError(
                f"write_report: fit of {str(name)!r}",
                f"of study {fit.study.name!r} ({fit.study.fingerprint})",
                f"of the same study as the page ({study.fingerprint})",
                "fit it again from this study",
            )
    return {str(name): fit for name, fit in table.items()}


def _date(date: object) -> str:
    if date is None:
        return datetime.date.today().isoformat()
    if isinstance(date, datetime.date):
        return date.isoformat()[:10]
    if not isinstance(date, str) or not date.strip():
        raise StudyError(
            "write_report: date", date, "a date or a text", 'write "2025-03-01", or leave it out for today'
        )
    return date.strip()
