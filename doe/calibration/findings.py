"""What was checked, against what, what was found and what is allowed; and all of it together, with where and when."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.study import Section, Shown

SUMS, PUBLISHED, RATES, LOSSES = (
    "Are the sums right?",
    "Are published and closed-form answers met?",
    "Do intervals and tests err as often as they say?",
    "Is anything lost on the way?",
)
CHAPTERS = (SUMS, PUBLISHED, RATES, LOSSES)
MET, NOT_MET = "holds", "DOES NOT HOLD"


@dataclass(frozen=True)
class Finding:
    """One check.

    Attributes
    ----------
    chapter : str
        The question it answers, one of `CHAPTERS`.
    what : str
        What was checked, in words.
    source : str
        Against what.
    found, allowed : str
        As texts, with the Monte-Carlo error where there is one.
    holds : bool
    """

    chapter: str
    what: str
    source: str
    found: str
    allowed: str
    holds: bool

    def __post_init__(self) -> None:
        object.__setattr__(self, "holds", bool(self.holds))

    @property
    def verdict(self) -> str:
        """In words."""
        return MET if self.holds else NOT_MET


def digits_agreeing(found: object, wanted: object) -> float:
    """Fewest leading digits in which numbers agree with those wanted; 15 at most.

    The log relative error of McCullough (1998), The American Statistician 52(4), 358-366. Where 0 is wanted: of the difference itself.
    A number that is not finite agrees in none.
    """
    a, b = np.atleast_1d(np.asarray(found, dtype=float)), np.atleast_1d(np.asarray(wanted, dtype=float))
    if a.shape != b.shape or not np.isfinite(a).all():
        return 0.0
    error = np.abs(a - b) / np.where(b == 0, 1.0, np.abs(b))
    return max(0.0, -float(np.log10(max(error.max(), 1e-15))))  # of the worst value


def in_digits(chapter: str, what: str, source: str, found: object, wanted: object, least: float) -> Finding:
    """A check by agreeing digits."""
    digits = digits_agreeing(found, wanted)
    # the found figure is rounded down, so that what falls short never shows as enough
    return Finding(
        chapter,
        what,
        source,
        "all 15 digits" if digits >= 15 else f"{math.floor(10 * digits) / 10:g} digits",
        f"at least {least:g} digits",
        digits >= least,
    )


def in_rate(what: str, source: str, hits: int, trials: int, claimed: float, one_sided: bool = False) -> Finding:
    """A simulated rate against the one claimed, within three Monte-Carlo errors of it; `one_sided`: at most that."""
    error = math.sqrt(claimed * (1 - claimed) / trials)
    rate = hits / trials
    own = math.sqrt(rate * (1 - rate) / trials)
    low, high = (0.0 if one_sided else max(0.0, claimed - 3 * error)), min(1.0, claimed + 3 * error)
    allowed = f"at most {100 * high:.1f} %" if one_sided else f"{100 * low:.1f} to {100 * high:.1f} %"
    return Finding(
        RATES,
        what,
        source,
        f"{100 * rate:.1f} % (Monte-Carlo error {100 * own:.1f} %; {trials} trials)",
        f"{100 * claimed:g} % claimed; {allowed}",
        low <= rate <= high,
    )


@dataclass(frozen=True, repr=False)
class Dossier(Shown):
    """Everything that was checked on one machine on one day.

    Attributes
    ----------
    findings : tuple of Finding
    about : DataFrame
        what, which: versions, machine, date, seed, depth.
    """

    findings: tuple[Finding, ...]
    about: pd.DataFrame

    @property
    def holds(self) -> bool:
        """Whether every check holds."""
        return bool(self.findings) and not self.failing

    @property
    def failing(self) -> tuple[Finding, ...]:
        """The checks that do not."""
        return tuple(f for f in self.findings if not f.holds)

    @property
    def verdict(self) -> str:
        """In one sentence."""
        if self.holds:
            return f"All {len(self.findings)} checks hold on this machine."
        some = f"{len(self.failing)} of {len(self.findings)} checks"
        return f"{some} {'does' if len(self.failing) == 1 else 'do'} not hold on this machine: do not rely on its results before this is explained."

    def table(self, chapter: str | None = None) -> pd.DataFrame:
        """One row a check: what, source, found, allowed, verdict."""
        rows = [
            {
                "what was checked": f.what,
                "against": f.source,
                "found": f.found,
                "allowed": f.allowed,
                "verdict": f.verdict,
            }
            for f in self.findings
            if chapter in (None, f.chapter)
        ]
        return pd.DataFrame(rows, columns=["what was checked", "against", "found", "allowed", "verdict"], dtype=object)

    def _sections(self) -> list[Section]:
        counts = []
        for chapter in CHAPTERS:
            own = [f for f in self.findings if f.chapter == chapter]
            if own:
                counts.append(
                    {"question": chapter, "checks": str(len(own)), "hold": str(sum(1 for f in own if f.holds))}
                )
        out = [Section("Self-test", pd.DataFrame(counts), self.verdict)]
        for f in self.failing:
            out.append(
                Section(
                    "", None, f"{f.what}: found {f.found}, allowed {f.allowed} ({f.source}). {f.verdict.capitalize()}."
                )
            )
        return out
