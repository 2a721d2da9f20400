"""The one error a user meets: where it is, what was found, what is allowed, how to mend it."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class StudyError(ValueError):
    """Something given cannot be used.

    Parameters
    ----------
    where : str
        The field, row or cell.
    found : object
        What stands there.
    allowed : str
        What may stand there; reads on from "must be".
    mend : str
        How to put it right.
    """

    def __init__(self, where: str, found: object, allowed: str, mend: str) -> None:
        super().__init__(where, found, allowed, mend)  # all four in args, so it pickles back from a worker process
        self.where, self.found, self.allowed, self.mend = where, found, allowed, mend

    def __str__(self) -> str:
        found = self.found.item() if hasattr(self.found, "item") and getattr(self.found, "ndim", 1) == 0 else self.found
        end = "" if self.mend.endswith("?") else "."
        return f"{self.where} is {found!r} but must be {self.allowed}: {self.mend}{end}"


def nearest(name: str, known: Iterable[str]) -> str:
    """Words that point from a mistyped name to the closest known ones, for the `mend` of an error."""
    known = list(known)
    close = difflib.get_close_matches(name, known, n=2, cutoff=0.6)
    if not close:
        lower = {k.lower(): k for k in known}
        close = [lower[m] for m in difflib.get_close_matches(name.lower(), lower, n=2, cutoff=0.6)]
    if close:
        return "did you mean " + " or ".join(repr(c) for c in close) + "?"
    return "known names are " + ", ".join(repr(k) for k in known) if known else "there are no names to choose from"
