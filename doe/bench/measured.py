"""What is read on every batch: each response at each occasion, by the name its column bears, and where it belongs in the records."""

from __future__ import annotations

from dataclasses import dataclass

from doe.study import Response, Study, StudyError
from doe.study.occasions import days


@dataclass(frozen=True)
class Measured:
    """A response at one occasion.

    Attributes
    ----------
    response : Response
        As read then: named "viscosity[4 wk, 40 °C]" where it is read at several occasions, with the limits of this one.
    of : str
        The response's own name.
    time, condition : str
        The occasion; "" where the response has none.
    """

    response: Response
    of: str
    time: str
    condition: str

    @property
    def name(self) -> str:
        """Name of its column."""
        return self.response.name

    @property
    def key(self) -> tuple[str, str, str]:
        """Response, time and condition, as rows of the records carry them."""
        return self.of, self.time, self.condition


def all_measured(study: Study) -> tuple[Measured, ...]:
    """What is read on every batch, in the study's order; derived responses are not read."""
    return tuple(Measured(r.at(*o), r.name, *o) for r in study.responses if r.formula is None for o in r.occasions)


def reading_times(study: Study) -> list[str]:
    """The times after making at which anything is read, the earliest first."""
    return sorted({t for r in study.responses if r.formula is None for t in r.times}, key=days)


def measured_as(study: Study, name: str) -> Measured:
    """The response at an occasion that a name means.

    Raises
    ------
    StudyError
        If the study has no such response, it is derived, or the name leaves open which of several occasions is meant.
    """
    found = study.response(name)
    if found.formula is not None:
        raise StudyError("response", name, "one that is read", f"it is worked out from {found.formula}")
    if len(found.occasions) > 1:
        found = found.at()
    return next(m for m in all_measured(study) if m.name == found.name)
