"""Lines of a recipe: what goes in, what neutralises it, what is done in between. Each checks itself once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from doe.bench.amounts import as_fraction
from doe.bench.cautions import HAZARDS
from doe.bench.neutralisation import (
    COOH_MASS,
    Base,
    acid_percent,
    base_of,
    degree_value,
    moisture_fraction,
    stock_fraction,
)
from doe.study import StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number

BATCH = "batch"
TOP_PAN = 0.01  # g, readability taken where none is given (common practice, no source)


@dataclass(frozen=True)
class Ingredient:
    """What goes into the batch, and how much of it.

    Parameters
    ----------
    name : str
        Generic or INCI name, used once in a recipe.
    phase : str
        The phase it is added with.
    percent : float, optional
        Its amount in %, of what `of` says: grams of the ingredient itself, whatever it is weighed as.
    factor : str, optional
        Name of the factor that sets the amount instead: in %, or where `of` is an ingredient as the multiple itself (4: four times it).
    balance : bool
        Whether it takes up what the others leave: of the batch, or of its phase where `of` names that.
    of : str
        "batch", the name of its phase (of the whole phase), or of another ingredient (of that ingredient's own grams).
    stock : float, optional
        Mass fraction in the solution it is weighed as; the solvent counts toward the batch.
    active : float
        Mass fraction of the ingredient in the raw material as supplied; the rest counts toward the batch.
    acid_content : float, optional
        % COOH, dry basis, of a polymer or acid that takes base; `doe.bench.acid_content` converts other units.
    moisture : float
        Mass fraction that the acid loses on drying.
    already : float
        Share of its acid groups neutralised before: 0.3 for a partly neutralised polymer, 1 for a salt such as sodium citrate.
    takes_base : float, optional
        Of another acid than the polymers (citric acid, a UV filter in its acid form): the share of its groups for which base is added on top
        of what the polymers take, 1 for all. None: it shares the degree of the Neutralise line, as polymers do.
    base : str or Base, optional
        For an ingredient that is itself a base: which one. What it neutralises is taken off the Neutralise line.
    pka : float or sequence of float
        Of such another acid, one a step; needed where a pH is expected of the recipe (`doe.bench.expected_ph`).
    max_percent : float, optional
        Most of the ingredient itself that the batch may hold, in %: a legal or a supplier's limit.
    balance_readability : float, optional
        Smallest difference, g, that the balance it is weighed on shows. 0.01 is assumed where none is given, and said.
    cost : float, optional
        What a kilogram of the raw material as supplied costs, in any one currency; 0 for what costs nothing. The solvent of a stock made
        in the laboratory is not counted.
    function : str
        What it is there for.
    hazards : sequence of str
        "powder", "base", "impeller", "heat", "skin", "failed batch", or a caution in your own words (several).

    Raises
    ------
    StudyError
        If not exactly one of percent, factor and balance is given, or a figure cannot be.
    """

    name: str
    phase: str
    percent: float | None = None
    factor: str | None = None
    balance: bool = False
    of: str = BATCH
    stock: float | None = None
    active: float = 1.0
    acid_content: float | None = None
    moisture: float = 0.0
    max_percent: float | None = None
    balance_readability: float | None = None
    cost: float | None = None
    function: str = ""
    hazards: Sequence[str] = ()
    already: float = 0.0
    takes_base: float | None = None
    base: str | Base | None = None
    pka: float | Sequence[float] = ()

    def __post_init__(self) -> None:
        check_text("ingredient: name", self.name)
        where = f"ingredient {self.name!r}"
        if self.name == BATCH:
            raise StudyError("ingredient: name", self.name, "another word than 'batch'", "say which ingredient it is")
        check_text(f"{where}: phase", self.phase)
        check_text(f"{where}: of", self.of)
        if not isinstance(self.function, str):
            raise StudyError(f"{where}: function", self.function, "a text", "put it in quotation marks")
        if not isinstance(self.balance, bool):
            raise StudyError(f"{where}: balance", self.balance, "True or False", "write one of the two")
        given = [
            n
            for n in ("percent", "factor", "balance")
            if getattr(self, n) is not None and getattr(self, n) is not False
        ]
        if len(given) != 1:
            raise StudyError(
                f"{where}: amount",
                " and ".join(given) or "not given",
                "one of percent, factor and balance",
                "say which of the three decides how much goes in",
            )
        if self.percent is not None:
            percent = as_number(f"{where}: percent", self.percent, f"% of {self.of}")
            most = 100.0 if self.of in (BATCH, self.phase) else 10000.0
            if not 0 <= percent <= most:
                raise StudyError(f"{where}: percent", percent, f"from 0 to {most:g}", f"give it in % of {self.of}")
            object.__setattr__(self, "percent", percent)
        if self.factor is not None:
            check_text(f"{where}: factor", self.factor)
        if self.balance and self.of not in (BATCH, self.phase):
            raise StudyError(
                f"{where}: of",
                self.of,
                f"'batch' or its phase {self.phase!r}",
                "a balance fills the batch or its phase",
            )
        if self.of == self.name:
            raise StudyError(f"{where}: of", self.of, "'batch', its phase or another ingredient", "choose one of these")
        if self.stock is not None:
            object.__setattr__(self, "stock", stock_fraction(f"{where}: stock", self.stock))
        object.__setattr__(self, "active", stock_fraction(f"{where}: active", self.active))
        object.__setattr__(self, "moisture", moisture_fraction(f"{where}: moisture", self.moisture))
        if self.percent is not None and self.of == BATCH and self.percent > 100 * self.content:
            weak = "stock" if self.stock is not None else "active"
            raise StudyError(
                f"{where}: {weak}",
                getattr(self, weak),
                f"{self.percent * getattr(self, weak) / float(100 * self.content):.4g} or above, to deliver {self.percent:g} % of the batch",
                "take a stronger one, or lower the percent",
            )
        if self.acid_content is not None:
            object.__setattr__(self, "acid_content", acid_percent(f"{where}: acid_content", self.acid_content))
            if self.balance:
                raise StudyError(
                    f"{where}: acid_content", self.acid_content, "None for a balance", "give the acid's amount itself"
                )
        elif self.moisture:
            raise StudyError(
                f"{where}: moisture",
                self.moisture,
                "0 where there is no acid_content",
                "it only enters the acid; use active",
            )
        self._check_acid(where)
        if self.max_percent is not None:
            limit = as_number(f"{where}: max_percent", self.max_percent, "% of the batch")
            if not 0 < limit <= 100:
                raise StudyError(f"{where}: max_percent", limit, "above 0 and at most 100", "give it in % of the batch")
            object.__setattr__(self, "max_percent", limit)
        object.__setattr__(self, "balance_readability", readability_of(where, self.balance_readability))
        object.__setattr__(self, "cost", _cost(where, self.cost))
        object.__setattr__(self, "hazards", _hazards(where, self.hazards))

    def _check_acid(self, where: str) -> None:
        for field in ("already", "takes_base"):
            value = getattr(self, field)
            if value is None or (field == "already" and value == 0):
                continue
            share = as_number(f"{where}: {field}", value, "share of the acid groups")
            if not 0 <= share <= 1:
                raise StudyError(
                    f"{where}: {field}", share, "from 0 to 1", "give the share of the acid groups: 40 % is 0.40"
                )
            if self.acid_content is None:
                raise StudyError(
                    f"{where}: {field}", share, "left out where there is no acid_content", "give acid_content= too"
                )
            object.__setattr__(self, field, share)
        pkas = (self.pka,) if not isinstance(self.pka, Iterable) or isinstance(self.pka, str) else self.pka
        steps = tuple(as_number(f"{where}: pka", v, "pH") for v in pkas)
        if steps != tuple(sorted(steps)):
            raise StudyError(f"{where}: pka", list(steps), "in rising order", "the first step is the most acidic")
        if steps and self.takes_base is None:
            raise StudyError(
                f"{where}: pka",
                list(steps),
                "left out for what shares the degree",
                "a polymer's comes of its titration; for another acid say takes_base=1, or how much of it takes base",
            )
        object.__setattr__(self, "pka", steps)
        if self.base is not None:
            object.__setattr__(self, "base", base_of(self.base, f"{where}: base"))
            if self.acid_content is not None or self.balance:
                raise StudyError(
                    f"{where}: base",
                    self.name,
                    "given without acid_content and balance",
                    "an ingredient is an acid, a base or neither; a salt of an acid is that acid with already=1",
                )

    @property
    def base_moles(self) -> Fraction:
        """Equivalents of base in a gram as weighed."""
        if not isinstance(self.base, Base):
            return Fraction(0)
        return self.content / as_fraction(self.base.molar_mass) * as_fraction(self.base.equivalents)

    @property
    def shares_degree(self) -> bool:
        """Whether it is a polymer, say, that the Neutralise line brings to its degree."""
        return self.acid_content is not None and self.takes_base is None

    @property
    def content(self) -> Fraction:
        """Grams of the ingredient itself in a gram as weighed."""
        return as_fraction(self.active) * (Fraction(1) if self.stock is None else as_fraction(self.stock))

    @property
    def acid_moles(self) -> Fraction:
        """Moles of COOH in a gram as weighed."""
        if self.acid_content is None:
            return Fraction(0)
        acid = as_fraction(self.acid_content) / 100 / as_fraction(COOH_MASS)
        return self.content * (1 - as_fraction(self.moisture)) * acid

    @property
    def amount_text(self) -> str:
        """How much of it, in words."""
        if self.balance:
            return "to 100 %" if self.of == BATCH else f"to fill phase {self.of}"
        of_ingredient = self.of not in (BATCH, self.phase)
        size = f"{self.percent:g}" if self.percent is not None else f"‹{self.factor}›"
        if of_ingredient and self.factor is not None:
            return f"{size} × {self.of}"
        return f"{size} %" + ("" if self.of == BATCH else f" of {self.of}" if of_ingredient else f" of phase {self.of}")


@dataclass(frozen=True)
class Neutralise:
    """Base, as much as the acids of the recipe take for a degree.

    Parameters
    ----------
    base : str or Base
        A name of `doe.bench.bases`, or a base with its molar mass.
    degree : float or str
        Equivalents of base per equivalent of COOH, from 0 to 3, or the name of the factor that sets it.
    stock : float
        Mass fraction of base in the solution as weighed; `doe.bench.stock_strength` converts other units.
    stages : (float or str, str), optional
        Two stages: the degree (or its factor) that a first portion reaches, and the ingredient after which it goes in. The rest is added
        where this line stands.
    balance_readability : float, optional
        As for `Ingredient`.
    cost : float, optional
        What a kilogram of the base itself costs.

    Raises
    ------
    StudyError
        If the base is unknown or a figure cannot be.
    """

    base: str | Base
    degree: float | str
    stock: float
    stages: tuple[float | str, str] | None = None
    balance_readability: float | None = None
    cost: float | None = None

    def __post_init__(self) -> None:
        found = base_of(self.base, "neutralise: base")
        object.__setattr__(self, "base", found)
        object.__setattr__(self, "degree", _degree("neutralise: degree", self.degree))
        object.__setattr__(self, "stock", stock_fraction("neutralise: stock", self.stock))
        if self.stages is not None:
            if isinstance(self.stages, str) or not isinstance(self.stages, Sequence) or len(self.stages) != 2:
                raise StudyError(
                    "neutralise: stages",
                    self.stages,
                    "a degree and the ingredient after which its portion goes in",
                    'write (0.40, "carbomer")',
                )
            first, after = self.stages
            check_text("neutralise: stages, after", after)
            first = _degree("neutralise: stages, degree", first)
            if isinstance(first, float) and isinstance(self.degree, float) and first >= self.degree:
                raise StudyError(
                    "neutralise: stages, degree",
                    first,
                    f"below the final degree {self.degree:g}",
                    "base cannot be taken out",
                )
            object.__setattr__(self, "stages", (first, after))
        object.__setattr__(self, "balance_readability", readability_of("neutralise", self.balance_readability))
        object.__setattr__(self, "cost", _cost("neutralise", self.cost))

    @property
    def of_base(self) -> Base:
        """The base itself."""
        assert isinstance(self.base, Base)
        return self.base

    @property
    def stock_per_mole(self) -> Fraction:
        """Grams of solution that neutralise one mole of acid groups."""
        base = self.of_base
        return as_fraction(base.molar_mass) / as_fraction(base.equivalents) / as_fraction(self.stock)

    @property
    def portions(self) -> tuple[str, ...]:
        """Names of its weighings, in order."""
        name = self.of_base.name
        return (name,) if self.stages is None else (f"{name}, first part", f"{name}, second part")


@dataclass(frozen=True)
class Step:
    """Something to do between additions.

    Parameters
    ----------
    text : str
        What to do.
    after : str, optional
        The ingredient, the base, or the phase that is a premix, after whose addition it is done; where it stands in the recipe if left out.
    speed : float or str, optional
        rpm, or the name of the factor that sets it.
    minutes : float or str, optional
        How long, or the factor's name.
    temperature : float or str, optional
        °C, or the factor's name.
    hazards : sequence of str
        As for `Ingredient`.

    Raises
    ------
    StudyError
        If a figure is not finite, or a speed or time below 0.
    """

    text: str
    after: str | None = None
    speed: float | str | None = None
    minutes: float | str | None = None
    temperature: float | str | None = None
    hazards: Sequence[str] = ()

    def __post_init__(self) -> None:
        check_text("step: text", self.text)
        where = f"step {self.text!r}"
        if self.after is not None:
            check_text(f"{where}: after", self.after)
        for field, unit in SETTINGS.items():
            value = getattr(self, field)
            if value is None:
                continue
            if isinstance(value, str):
                check_text(f"{where}: {field}", value)
            else:
                object.__setattr__(self, field, setting_value(f"{where}: {field}", value, field, unit))
        object.__setattr__(self, "hazards", _hazards(where, self.hazards))


Line = Ingredient | Neutralise | Step
SETTINGS = {"speed": "rpm", "minutes": "min", "temperature": "°C"}


def setting_value(where: str, value: object, field: str, unit: str) -> float:
    """A step's setting as a number, or the sentence that says why not."""
    number = as_number(where, value, unit)
    least = -273.15 if field == "temperature" else 0.0
    if number < least:
        raise StudyError(where, number, f"{least:g} {unit} or above", "correct the figure")
    return number


def check_text(where: str, value: object) -> None:
    """Refuse what is no text of a line."""
    if not isinstance(value, str) or not value.strip():
        raise StudyError(where, value, "a text of at least one letter", "put it in quotation marks")
    if value != value.strip() or not value.isprintable():
        raise StudyError(where, value, "a text without line breaks or blanks at its ends", "leave those out")


def _degree(where: str, value: object) -> float | str:
    if isinstance(value, str):
        check_text(where, value)
        return value
    return degree_value(where, value)


def readability_of(where: str, value: object) -> float | None:
    """What a balance shows, g, or the sentence that says why not."""
    if value is None:
        return None
    number = as_number(f"{where}: balance_readability", value, "g")
    if not 1e-6 <= number <= 10:
        raise StudyError(
            f"{where}: balance_readability",
            number,
            "from 0.000001 to 10 g",
            "give the smallest difference the balance shows, 0.01 or 0.0001 as a rule",
        )
    return number


def _cost(where: str, value: object) -> float | None:
    if value is None:
        return None
    number = as_number(f"{where}: cost", value, "a kilogram")
    if number < 0:
        raise StudyError(f"{where}: cost", number, "0 or above", "give what a kilogram of it costs, 0 where nothing")
    return number


def _hazards(where: str, value: object) -> tuple[str, ...]:
    given = (value,) if isinstance(value, str) else value
    if not isinstance(given, Iterable):
        raise StudyError(f"{where}: hazards", value, "a list of texts", 'write ["powder"]')
    out = tuple(given)
    for hazard in out:
        check_text(f"{where}: hazard", hazard)
        if hazard not in HAZARDS and " " not in hazard:  # one unknown word is a slip of the pen, and no caution
            close = nearest(hazard, HAZARDS)
            raise StudyError(
                f"{where}: hazard",
                hazard,
                f"one of {', '.join(map(repr, HAZARDS))}, or a caution of several words",
                close if close.startswith("did you mean") else "write one of them, or the caution in full",
            )
    return out
