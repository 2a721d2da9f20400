"""Problems of a returned sheet, and the questions it leaves open: all of them listed at once, none mended by guessing."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd

from doe.bench.numerals import DoubtError, number_from
from doe.study import StudyError
from doe.study.errors import nearest

COLUMNS = ("sheet", "cell", "found", "allowed", "mend")
QUESTIONS = ("cell", "found", "question", "choices")


class Answers:
    """What the user answered, by cell; used up as the questions come.

    A cell is called as a table of questions calls it ("Measurements!F12") or, on the page of readings, by its place alone ("F12").
    """

    def __init__(self, given: Mapping[str, object] | None = None) -> None:
        if given is not None and not isinstance(given, Mapping):
            raise StudyError("answers", given, "a mapping from cell to answer", 'write {"Measurements!F12": 12345}')
        self._given = {_key(cell): (str(cell), value) for cell, value in (given or {}).items()}
        if len(self._given) < len(given or {}):
            texts = [str(cell) for cell in given or {}]
            twice = next(t for i, t in enumerate(texts) if _key(t) in {_key(u) for u in texts[:i]})
            raise StudyError("answers: cell", twice, "there once", "leave one of the two out")
        self._used: set[str] = set()
        self._asked: dict[str, None] = {}  # cells asked about, in order
        self.taken: dict[str, object] = {}

    def to(self, cells: Sequence[str], choices: Sequence[object], free: Callable[[object], object] | None) -> object:
        """The answer to the question of a cell, called by any of these names; None where there is none."""
        self._asked[cells[0]] = None
        keys = [key for key in dict.fromkeys(map(_key, cells)) if key in self._given]
        if not keys:
            return None
        if len(keys) > 1:
            raise StudyError("answers: cell", self._given[keys[1]][0], "there once", "leave one of the two out")
        self._used.add(keys[0])
        answer = _chosen(cells[0], self._given[keys[0]][1], choices, free)
        self.taken[cells[0]] = answer
        return answer

    def refuse_unused(self) -> None:
        """Refuse an answer to what was not asked."""
        for key, (cell, _) in self._given.items():
            if key not in self._used:
                asked = [*self._asked]
                some = ", ".join(asked[:5]) + (", …" if len(asked) > 5 else "")
                raise StudyError(
                    "answers: cell",
                    cell,
                    f"one with an open question: {some}" if asked else "left out, as no question is open",
                    nearest(cell, asked) if asked else "leave it out: the sheet may have been corrected since",
                )


def _key(cell: object) -> str:
    return str(cell).replace("$", "").replace("'", "").strip().casefold()


def _chosen(cell: str, answer: object, choices: Sequence[object], free: Callable[[object], object] | None) -> object:
    """The choice that an answer means."""
    for choice in choices:
        if (
            isinstance(choice, str)
            and isinstance(answer, str)
            and choice.casefold() == " ".join(answer.split()).casefold()
        ):
            return choice
        if isinstance(choice, float) and not isinstance(answer, bool):
            try:
                if isinstance(answer, str | int | float | np.number) and number_from(answer) == choice:
                    return choice
            except DoubtError:
                continue
    if free is not None:
        try:
            return free(answer)
        except DoubtError:
            pass
    allowed = choices_text(choices) + (", or another reading" if free is not None else "")
    raise StudyError(f"answers: {cell}", answer, allowed, "choose one of them")


def choices_text(choices: Sequence[object]) -> str:
    """Choices in words."""
    texts = [repr(c) if isinstance(c, str) else cell_text(c) for c in choices]
    return " or ".join([", ".join(texts[:-1]), texts[-1]] if len(texts) > 1 else texts)


class Problems:
    """A growing list of problems and questions; `frame` and `questions` are what the user sees of it."""

    def __init__(self, sheet: str, answers: Answers | None = None) -> None:
        self.sheet = self._main = sheet
        self.answers = Answers() if answers is None else answers
        self._rows: list[dict[str, str]] = []
        self._questions: list[dict[str, object]] = []

    def on(self, sheet: str) -> Problems:
        """The same list, for what stands on another sheet."""
        other = Problems(sheet, self.answers)
        other._main, other._rows, other._questions = self._main, self._rows, self._questions
        return other

    def add(self, cell: str, found: object, allowed: str, mend: str) -> None:
        """Note one problem: where it is, what stands there, what may stand there, how to mend it."""
        self._rows.append(
            {"sheet": self.sheet, "cell": cell, "found": cell_text(found), "allowed": allowed, "mend": mend}
        )

    def ask(
        self,
        cell: str,
        found: object,
        question: str,
        choices: Sequence[object],
        free: Callable[[object], object] | None = None,
    ) -> object:
        """The answer to a question; None, and the question listed, where it is still open.

        Parameters
        ----------
        cell : str
            Where it arises; "" for one about the whole sheet.
        found : object
        question : str
        choices : sequence of str or float
            The answers that may be given.
        free : callable, optional
            Takes an answer that is none of the choices, or raises a DoubtError.
        """
        name = f"{self.sheet}!{cell}" if cell else self.sheet
        names = [name, cell] if cell and self.sheet == self._main else [name]
        answer = self.answers.to(names, choices, free)
        if answer is None:
            self._questions.append(
                {"cell": name, "found": cell_text(found), "question": question, "choices": tuple(choices)}
            )
        return answer

    def frame(self) -> pd.DataFrame:
        """One row a problem, every cell text."""
        return pd.DataFrame(self._rows, columns=list(COLUMNS), dtype=object)

    def questions(self) -> pd.DataFrame:
        """One row an open question: cell, found, question, and the tuple of choices."""
        return pd.DataFrame(self._questions, columns=list(QUESTIONS), dtype=object)


def cell_text(found: object) -> str:
    """What stands in a cell, as text; "blank" for nothing."""
    if found is None:
        return "blank"
    if isinstance(found, float):
        return f"{found:.10g}"
    return str(found) if str(found).strip() else "blank"
