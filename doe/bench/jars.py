"""How many grams and jars of each batch its readings take."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from doe.study import Section, Shown, Study, StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number
from doe.study.occasions import days
from doe.study.shown import number_text

MOST_READINGS = 1000
COLUMNS = ("time", "condition", "readings", "grams", "jars")


@dataclass(frozen=True, repr=False, eq=False)
class Needs(Shown):
    """What each batch must yield for all its readings.

    Attributes
    ----------
    table : DataFrame
        One row an occasion: time, condition, readings (in words), grams that they use up, jars that are opened.
    jar : float
        Grams that a jar is filled with.
    losses : float
        % of the batch that stays in the beaker.
    """

    table: pd.DataFrame
    jar: float
    losses: float

    @property
    def jars(self) -> int:
        """Jars a batch, one set for each occasion: a jar that was opened is not read again."""
        return int(self.table["jars"].sum())

    @property
    def grams(self) -> float:
        """Least batch, g: all jars full, and what stays in the beaker."""
        return self.jars * self.jar / (1 - self.losses / 100)

    @property
    def sentence(self) -> str:
        """What each batch needs, in one sentence."""
        if not self.jars:
            return "The readings use up nothing of a batch."
        jars = f"{self.jars} jar{'s' if self.jars > 1 else ''} of {number_text(self.jar)} g"
        return (
            f"Each batch fills {jars}, one set for each time and condition: with {number_text(self.losses)} % left in the beaker, "
            f"{number_text(math.ceil(self.grams * 10 - 1e-9) / 10)} g or more."
        )

    def short(self, batch_size: float) -> StudyError | None:
        """What is wrong with a batch that is too small for its readings; None where it is large enough."""
        size = as_number("batch_size", batch_size, "g")
        if size >= self.grams * (1 - 1e-12):
            return None
        return StudyError(
            "batch_size",
            size,
            f"{number_text(math.ceil(self.grams * 10 - 1e-9) / 10)} g or more, as {self.jars} jars of {number_text(self.jar)} g are read",
            "make larger batches, take smaller jars, or read less often",
        )

    def check(self, batch_size: float) -> None:
        """Refuse a batch that is too small for its readings.

        Raises
        ------
        StudyError
            If it is.
        """
        if (problem := self.short(batch_size)) is not None:
            raise problem

    def counts(self) -> dict[tuple[str, str], int]:
        """Jars of each batch by occasion: (time, condition) to how many."""
        rows = zip(self.table["time"], self.table["condition"], self.table["jars"], strict=True)
        return {(str(time), str(condition)): int(jars) for time, condition, jars in rows}

    def _sections(self) -> list[Section]:
        table = self.table.copy().astype(object)
        table["grams"] = [number_text(g) for g in self.table["grams"]]
        if not any(self.table["time"]) and not any(self.table["condition"]):
            table = table.drop(columns=["time", "condition"])
        return [Section("What each batch must yield", table, self.sentence)]


def needs(
    study: Study,
    grams: float | Mapping[str, float],
    jar: float,
    readings: int | Mapping[str, int] = 1,
    losses: float = 0.0,
) -> Needs:
    """How many grams and jars of each batch the readings take, at all their times and conditions.

    What is read of one batch at one time and under one condition comes from the same jars, and these are not read again: every occasion
    has jars of its own. A jar is full, so that head space and drying are the same for all.

    Parameters
    ----------
    study : Study
        Its responses say when and under which conditions each is read.
    grams : float or mapping of str to float
        What one reading uses up, g; by response where they differ (every response is named; 0 for what is only looked at or measured in a
        sample that another reading takes).
    jar : float
        What a jar is filled with, g.
    readings : int or mapping of str to int
        How often each is read on every occasion.
    losses : float
        % of the batch that stays in the beaker.

    Returns
    -------
    Needs
        `.jars` and `.grams` of each batch, `.table` by occasion, `.check(batch_size)`.

    Raises
    ------
    StudyError
        If a figure cannot be, or a response is without its grams.
    """
    if not isinstance(study, Study):
        raise StudyError("study", type(study).__name__, "a doe.Study", "give the study of the plan")
    names = [r.name for r in study.responses]
    if not names:
        raise StudyError("study: responses", [], "at least one response", "say what will be measured")
    each = {n: _least(f"grams for {n!r}", v, 0.0) for n, v in _by_response("grams", grams, names).items()}
    often = _by_response("readings", readings, names)
    for name, count in often.items():
        whole = isinstance(count, int | np.integer) and not isinstance(count, bool)
        if not whole or not 1 <= count <= MOST_READINGS:
            raise StudyError(
                f"readings of {name!r}", count, f"a whole number from 1 to {MOST_READINGS}", "say how often it is read"
            )
    full = _least("jar", jar, 0.0)
    if full == 0:
        raise StudyError("jar", 0.0, "above 0 g", "give what a jar is filled with")
    left = _least("losses", losses, 0.0)
    if left >= 100:
        raise StudyError("losses", left, "from 0 to below 100 %", "give what of the batch stays in the beaker")
    occasions: dict[tuple[str, str], list[str]] = {}
    for response in study.responses:
        for occasion in response.occasions:
            occasions.setdefault(occasion, []).append(response.name)
    rows: list[tuple[Any, ...]] = []
    for (time, condition), read in sorted(occasions.items(), key=lambda item: days(item[0][0]) if item[0][0] else 0.0):
        total = sum(each[n] * often[n] for n in read)
        words = ", ".join(n if often[n] == 1 else f"{n} × {often[n]}" for n in read)
        # a reading is taken whole from one jar where it fits: a rest too small for the next one is no sample
        rows.append((time, condition, words, total, _jars([each[n] for n in read for _ in range(often[n])], full)))
    return Needs(pd.DataFrame(rows, columns=list(COLUMNS)), full, left)


def _jars(samples: list[float], jar: float) -> int:
    """Jars for samples of these grams, first fit by size; a sample larger than a jar takes several."""
    rests: list[float] = []
    for sample in sorted(samples, reverse=True):
        if sample <= 0:
            continue
        fitting = next((i for i, rest in enumerate(rests) if rest >= sample * (1 - 1e-12)), None)
        if fitting is not None:
            rests[fitting] -= sample
            continue
        count = math.ceil(sample / jar * (1 - 1e-12))
        rests += [0.0] * (count - 1) + [count * jar - sample]
    return max(len(rests), 1) if samples else 0


def _by_response(where: str, given: object, names: list[str]) -> dict[str, Any]:
    if not isinstance(given, Mapping):
        return dict.fromkeys(names, given)
    for name in given:
        if name not in names:
            raise StudyError(where, name, "a response of the study", nearest(str(name), names))
    for name in names:
        if name not in given:
            raise StudyError(f"{where} for {name!r}", "missing", "given", "name every response, 0 g where none is used")
    return dict(given)


def _least(where: str, value: object, low: float) -> float:
    number = as_number(where, value, "g" if where != "losses" else "%")
    if number < low:
        raise StudyError(where, number, f"{low:g} or above", "correct the figure")
    return number
