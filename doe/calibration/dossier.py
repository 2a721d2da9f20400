"""All checks in turn, and the page that a quality department can file."""

from __future__ import annotations

import datetime
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from doe.bench import Records
from doe.calibration import answers, losses, rates
from doe.calibration.findings import CHAPTERS, LOSSES, PUBLISHED, RATES, SUMS, Dossier
from doe.calibration.surroundings import machine_table
from doe.designs import Plan
from doe.designs.plan import version
from doe.fits import fit_all
from doe.report.blocks import Chapter, Words, grid
from doe.report.rendering import rendered
from doe.study import Study, StudyError
from doe.study.files import write_text


class Depth(NamedTuple):
    """How much is simulated."""

    words: str
    trials: int
    split_plots: int
    scores: int
    draws: int


DEPTHS = {
    "quick": Depth("quick: fewer simulated trials, so wider limits", 250, 100, 100, 20_000),
    "full": Depth("full", 1000, 500, 500, 100_000),
}
SHOWS_NOT = (
    "It is no validation of your laboratory, of your instruments, of a method, or of a decision made with them, and it does not replace your own quality system: where that asks for more, or for something else, it holds.",
    "The bench on which error rates are counted is invented: its noise is normal and its batches are independent. Trials whose noise is not so can err more often than these pages say.",
    "It checks the kinds of plan, fit and file named here, on one machine, with these versions of the libraries. After a change of any of them it is to be run again.",
    "A simulated rate is known to its Monte-Carlo error alone. Limits are three such errors wide on either side (chances: 4.5): of a dozen rates that are as claimed, one falls outside in about three of a hundred runs with other seeds. Such a run is to be repeated with --full, and both pages kept.",
)
HOW = {
    SUMS: "Least-squares fits of data sets that are made to break programs, against values certified to 15 digits. Digits are the leading ones that agree, of the worst value in the line.",
    PUBLISHED: "Results that others have published or that follow in closed form. Where only an invented data set could be used, the line says so.",
    RATES: "Whole trials made on the virtual bench, read, fitted and judged, and what they claimed held against the truth. What is true of a coefficient is what the fits estimate on average.",
    LOSSES: "Readings of 15 digits and readings that are bounds (such as >100000), compared to the last bit after the way there and back.",
}


def calibrated(
    study: Study,
    plan: Plan,
    records: Records,
    depth: str = "quick",
    seed: int = 0,
    begin: Callable[[str], None] = lambda text: None,
    sizes: Depth | None = None,
    n_jobs: int = 1,
) -> Dossier:
    """Run every check.

    Parameters
    ----------
    study, plan, records
        The bundled invented trial, on whose fits the chance of meeting specifications is checked.
    depth : {"quick", "full"}
    seed : int
        Of everything simulated, 0 or above.
    begin : callable
        Is told which group of checks begins.
    sizes : Depth, optional
        Other numbers of trials than those of the depth, for tests.
    n_jobs : int
        Processes for the simulated trials; they change nothing but the time. With 1 a `joblib.parallel_config` around the call decides.

    Raises
    ------
    StudyError
        If the depth or the seed cannot be used.
    """
    if depth not in DEPTHS:
        raise StudyError("selftest: depth", depth, "one of " + ", ".join(DEPTHS), "choose one of them")
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise StudyError("--seed", seed, "a whole number from 0", "correct the number")
    if isinstance(n_jobs, bool) or not isinstance(n_jobs, int) or n_jobs < 1:
        raise StudyError("--jobs", n_jobs, "a whole number from 1", "write how many processes may work at once")
    chosen = DEPTHS[depth] if sizes is None else sizes
    begin("certified data sets")
    found = answers.certified()
    begin("published analyses, closed forms")
    found += [*answers.split_plots(), *answers.neutralisations(), *answers.closed_forms()]
    begin("chances by the multivariate t")
    settings = pd.DataFrame([rates.AT, {**rates.AT, "carbomer": 0.45, "speed": 500.0}])
    fits = fit_all(study, records, model="quadratic")
    found += answers.joint_chances(fits, settings[study.names], chosen.draws, seed)
    begin("error rates: least squares")
    found += rates.of_least_squares(chosen.trials, seed, n_jobs=n_jobs)
    begin("error rates: split plots")
    found += rates.of_split_plots(chosen.split_plots, seed, n_jobs)
    begin("error rates: scores, and readings beyond the range")
    found += rates.of_scores_and_bounds(chosen.scores, seed, n_jobs)
    begin("round trips")
    with tempfile.TemporaryDirectory() as place:
        found += losses.round_trips(Path(place), seed)
    words = f"{chosen.words}; {chosen.trials} trials by least squares, {chosen.split_plots} split plots, {chosen.scores} of scores"
    about = machine_table(version(), seed, words, datetime.datetime.now(datetime.UTC))
    return Dossier(tuple(found), about)


def page(dossier: Dossier) -> str:
    """The dossier as one self-contained page."""
    chapters = [
        Chapter(f"q{i}", question, (Words((HOW[question],)), grid("", dossier.table(question))))
        for i, question in enumerate(CHAPTERS, start=1)
        if len(dossier.table(question))
    ]
    return rendered(
        "doe.calibration",
        "selftest.html",
        dossier=dossier,
        chapters=chapters,
        about=list(dossier.about.itertuples(index=False, name=None)),
        shows_not=SHOWS_NOT,
        date=dict(dossier.about.itertuples(index=False, name=None))["date and time"],
    )


def write_dossier(path: str | os.PathLike[str], dossier: Dossier) -> Path:
    """Write the page; replaced whole or not at all.

    Raises
    ------
    StudyError
        If it is no dossier, or the file cannot be written.
    """
    if not isinstance(dossier, Dossier):
        raise StudyError("selftest: dossier", type(dossier).__name__, "a Dossier", "make one with calibrated")
    return write_text(path, page(dossier))
