"""What is made apart, once for several batches, and portioned: a premix for all of them, a base gel for the beakers of a whole plot."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from doe.bench.amounts import as_fraction
from doe.bench.lines import check_text, readability_of
from doe.bench.weighing import MOST_BATCHES, closed, least, rounded
from doe.study import StudyError
from doe.study.factors import as_number
from doe.study.shown import number_text

USUAL_LOSSES = (
    5.0  # %, of a base gel that stays in the vessel; taken where none are given, and said (common practice, no source)
)
USUAL_HOLD_BACK = 5.0  # %, of the batch; taken where none is given, and said (common practice, no source)
HELD_BACK = ", held back"  # follows the name of the water with which a beaker is topped up
POURED, TOP_UP, FOLLOWS = "poured", "top up", "follows the base"  # what a line of a beaker is to its base gel


@dataclass(frozen=True)
class Premix:
    """A phase that is made once for all batches of a plan and weighed into each as a portion.

    Parameters
    ----------
    phase : str
        The phase. Its ingredients, and its steps up to the first that is done `after` the phase, are done once; the rest with each batch.
    losses : float
        What stays in its vessel, in % of all portions together: so much more is made.
    balance_readability : float, optional
        Of the balance on which the portions are weighed, g; 0.01 is assumed where none is given, and said.

    Raises
    ------
    StudyError
        If a figure cannot be.
    """

    phase: str
    losses: float
    balance_readability: float | None = None

    def __post_init__(self) -> None:
        check_text("premix: phase", self.phase)
        where = f"premix {self.phase!r}"
        object.__setattr__(self, "losses", losses_of(where, self.losses))
        object.__setattr__(self, "balance_readability", readability_of(where, self.balance_readability))

    @property
    def name(self) -> str:
        """What its portion is called."""
        return f"premix {self.phase}"


@dataclass(frozen=True)
class BaseGel:
    """How the beakers of a whole plot are made from one base.

    The base is more concentrated than the batches: water of it is held back, and each beaker is topped up with what its other additions
    leave.

    Parameters
    ----------
    losses : float, optional
        What stays in the vessel, in % of what is poured: so much more is made. 5 is assumed where none are given, and said.
    hold_back : float, optional
        Of the balance line (the water), % of the batch that every beaker keeps at the least. 5 is assumed where none is given, and said.
    last : str, optional
        The last weighing that goes into the base. Left out: everything before the first line that a factor changes which is not hard to
        change, or that differs between beakers of one whole plot.
    balance_readability : float, optional
        Of the balance on which the base is poured, g; 0.01 is assumed where none is given, and said.

    Raises
    ------
    StudyError
        If a figure cannot be.
    """

    losses: float | None = None
    hold_back: float | None = None
    last: str | None = None
    balance_readability: float | None = None

    def __post_init__(self) -> None:
        if self.losses is not None:
            object.__setattr__(self, "losses", losses_of("base gel", self.losses))
        if self.hold_back is not None:
            number = as_number("base gel: hold_back", self.hold_back, "% of the batch")
            if not 0 <= number < 100:
                raise StudyError(
                    "base gel: hold_back", number, "from 0 to below 100 %", "give the least water a beaker keeps"
                )
            object.__setattr__(self, "hold_back", number)
        if self.last is not None:
            check_text("base gel: last", self.last)
        object.__setattr__(self, "balance_readability", readability_of("base gel", self.balance_readability))

    @property
    def losses_taken(self) -> tuple[float, bool]:
        """Losses in %, and whether they are assumed."""
        return (USUAL_LOSSES, True) if self.losses is None else (self.losses, False)

    @property
    def hold_back_taken(self) -> tuple[float, bool]:
        """Least water held back in % of the batch, and whether it is assumed."""
        return (USUAL_HOLD_BACK, True) if self.hold_back is None else (self.hold_back, False)


def losses_of(where: str, value: object) -> float:
    """An allowance for losses in %, or the sentence that says why not."""
    number = as_number(f"{where}: losses", value, "% of what is portioned")
    if not 0 <= number <= 200:
        raise StudyError(
            f"{where}: losses", number, "from 0 to 200 %", "give what stays in the vessel, in % of all portions"
        )
    return number


@dataclass(frozen=True)
class Made:
    """How much of something is made at once: its weighings as printed, and why so much."""

    grams: dict[str, Decimal]
    closing: str
    portions: Decimal  # g, all together
    losses: float  # %
    assumed: bool
    sized_by: str  # the weighing that is the least its balance can weigh; empty where the portions decide

    @property
    def total(self) -> Decimal:
        """As printed, g."""
        return sum(self.grams.values(), Decimal(0))

    @property
    def reason(self) -> str:
        """Why so much is made."""
        allowance = f"{number_text(self.losses)} % for losses" + (" (assumed)" if self.assumed else "")
        if not self.sized_by:
            return f"{self.total} g: portions of {self.portions} g together and {allowance}."
        return (
            f"{self.total} g, so that there is enough {self.sized_by} for its balance: more than the portions of {self.portions} g "
            f"together and {allowance}; {self.total - self.portions} g are left over."
        )


def made(
    fractions: Mapping[str, Fraction],
    readabilities: Mapping[str, float],
    closing: str,
    portions: Decimal,
    losses: float,
    assumed: bool = False,
    most: Mapping[str, Fraction] | None = None,
) -> Made:
    """How much to make of something that is portioned, and its weighings.

    Enough for the portions and the losses, and for every weighing to be large enough for its balance where ten times as much will do.

    Parameters
    ----------
    fractions : mapping of str to Fraction
        Of each weighing in it, in order; together 1.
    readabilities : mapping of str to float
        Of each weighing's balance, g.
    closing : str
        The weighing that takes up the rounding.
    portions : Decimal
        Grams of all portions together.
    losses : float
        In % of the portions.
    assumed : bool
        Whether the losses are an assumption.
    most : mapping of str to Fraction, optional
        Greatest shares of weighings in it: no rounding lifts them above.
    """
    wanted = Fraction(portions) * (1 + as_fraction(losses) / 100)
    needed = {name: Fraction(least(readabilities[name])) / part for name, part in fractions.items() if part}
    # many times what is used would be waste: such a line is weighed as a dilution or on a finer balance, and its note says so
    needed = {name: mass for name, mass in needed.items() if mass <= MOST_BATCHES * wanted}
    largest = max(needed, key=lambda n: needed[n], default="")
    aim = max(wanted, needed.get(largest, wanted))
    step = max(Fraction(1), Fraction(10) ** (math.floor(math.log10(aim)) - 2))  # whole grams, three digits
    total = math.ceil(aim / step) * step
    grams = {name: part * total for name, part in fractions.items()}
    limits = {name: share * total for name, share in (most or {}).items()}
    printed = {name: rounded(value, readabilities[name], limits.get(name)) for name, value in grams.items()}
    printed = closed(grams, printed, closing, total, readabilities[closing])
    return Made(printed, closing, portions, losses, assumed, largest if aim > wanted else "")
