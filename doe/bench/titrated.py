"""A titration as it was done: grams of base added to a dispersion of one lot, the pH after each, and what was in the beaker."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.bench.charges import Charges
from doe.bench.neutralisation import Base, acid_moles, base_of, stock_fraction
from doe.bench.quantities import quantity
from doe.study import Section, Shown, StudyError
from doe.study.factors import as_number
from doe.study.shown import number_text

if TYPE_CHECKING:
    from doe.bench.quantities import Measure

Floats = NDArray[np.float64]
LEAST_READINGS = 5  # two parameters, and three readings to judge them by
SAME_GRAMS_APART = 0.5  # pH; further apart than any electrode reads one beaker twice


@dataclass(frozen=True, repr=False)
class Titration(Shown):
    """Readings of pH while base is added to a dispersion of polymer in water.

    Parameters
    ----------
    grams : sequence of float
        Grams of base solution added so far, from the first drop on, at each reading; 0 for the reading before base.
    ph : sequence of float
        pH after each, at about 25 °C.
    polymer_grams : float or sequence of float
        Polymer in the dispersion as weighed, g, or with a unit ("1.2 g"); several polymers make one curve.
    dispersion_grams : float
        Mass of the whole dispersion before base, g. A gram is taken as a millilitre.
    base : str or Base
        A name of `doe.bench.bases`, or a base with its molar mass and pKa; one without pKa is taken to be held at any pH.
    stock : float
        Strength of the solution, mass fraction.
    acid_content : float, sequence of float or None
        % COOH, dry basis, of each polymer, from the lot's certificate. None: it is estimated from the readings, which must then pass the
        steep part of the curve.
    moisture : float or sequence of float
        Mass fraction that each polymer loses on drying.
    already : float or sequence of float
        Share of the COOH groups that the maker neutralised, taken as a salt of a strong base.
    before : sequence of (base, stock, grams)
        Other base in the beaker before the first reading: a first stage with another base, say.
    temperature : float or sequence of float, optional
        °C, of all readings or of each.
    lot : str
        Of the polymer.
    held_back : sequence of str
        What was not taken from the page, or was assumed, and why: shown with the readings and with the curve.

    Raises
    ------
    StudyError
        If there are too few readings, they are not of one beaker, or a figure cannot be.
    """

    grams: Sequence[float]
    ph: Sequence[float]
    polymer_grams: Measure | Sequence[Measure]
    dispersion_grams: Measure
    base: str | Base
    stock: float
    acid_content: float | Sequence[float] | None
    moisture: float | Sequence[float] = 0.0
    already: float | Sequence[float] = 0.0
    before: Sequence[tuple[str | Base, float, float]] = ()
    temperature: Measure | Sequence[Measure] | None = None
    lot: str = ""
    held_back: Sequence[str] = ()

    def __post_init__(self) -> None:
        grams = _numbers("titration: grams", self.grams, "g of base solution added so far")
        ph = _numbers("titration: ph", self.ph, "pH")
        if len(grams) != len(ph):
            raise StudyError("titration: ph", f"{len(ph)} readings", f"{len(grams)}: one for each grams", "complete it")
        needed = LEAST_READINGS + (self.acid_content is None)
        if len(ph) < needed:
            raise StudyError("titration: ph", f"{len(ph)} readings", f"at least {needed}", "read after more additions")
        if min(grams) < 0:
            raise StudyError("titration: grams", min(grams), "0 or above", "give what was added so far, in g")
        if not all(0 <= value <= 14 for value in ph):
            wrong = next(value for value in ph if not 0 <= value <= 14)
            raise StudyError("titration: ph", wrong, "from 0 to 14", "correct the reading")
        for value in sorted(set(grams)):
            same = [p for g, p in zip(grams, ph, strict=True) if g == value]
            if max(same) - min(same) > SAME_GRAMS_APART:
                raise StudyError(
                    f"titration: ph at {value:g} g",
                    same,
                    f"within {SAME_GRAMS_APART:g}, as it is the same beaker with the same base",
                    "give in grams all base added so far, not each addition by itself",
                )
        if len(set(grams)) < LEAST_READINGS - 1:
            raise StudyError(
                "titration: grams",
                f"{len(set(grams))} different values",
                f"at least {LEAST_READINGS - 1}",
                "read after more additions",
            )
        base = base_of(self.base, "titration: base")
        stock = stock_fraction("titration: stock", self.stock)
        mass = quantity("titration: dispersion_grams", self.dispersion_grams, "g")
        acid_moles(
            self.polymer_grams, 62.0 if self.acid_content is None else self.acid_content, self.moisture, self.already
        )
        masses = tuple(quantity("titration: polymer_grams", v, "g") for v in _listed(self.polymer_grams))
        polymer = sum(masses)
        if mass <= polymer:
            raise StudyError(
                "titration: dispersion_grams",
                mass,
                f"above the {polymer:g} g of polymer in it",
                "give the mass of polymer and water together, before base",
            )
        before = []
        for entry in self.before:
            if isinstance(entry, str) or not isinstance(entry, Sequence) or len(entry) != 3:
                raise StudyError(
                    "titration: before", entry, "base, strength and grams", 'write ("sodium hydroxide", 0.10, 1.2)'
                )
            amount = as_number("titration: before, grams", entry[2], "g")
            if amount < 0:
                raise StudyError("titration: before, grams", amount, "0 or above", "give what was added, in g")
            before.append(
                (
                    base_of(entry[0], "titration: before, base"),
                    stock_fraction("titration: before, stock", entry[1]),
                    amount,
                )
            )
        if not isinstance(self.lot, str):
            raise StudyError("titration: lot", self.lot, "a text", "put it in quotation marks")
        if self.temperature is not None:
            warm = tuple(quantity("titration: temperature", v, "°C") for v in _listed(self.temperature))
            if len(warm) not in (1, len(ph)):
                raise StudyError(
                    "titration: temperature",
                    f"{len(warm)} values",
                    f"one, or {len(ph)}: one a reading",
                    "complete them",
                )
            if not all(0 < value < 100 for value in warm):
                wrong = next(value for value in warm if not 0 < value < 100)
                raise StudyError("titration: temperature", wrong, "from 0 to 100 °C", "give it in °C")
            object.__setattr__(self, "temperature", warm[0] if len(warm) == 1 else warm)
        settled = {
            "grams": grams,
            "ph": ph,
            "polymer_grams": masses,
            "base": base,
            "stock": stock,
            "dispersion_grams": mass,
            "before": tuple(before),
        }
        for field, found in settled.items():
            object.__setattr__(self, field, found)

    # ---- in equivalents

    @property
    def of_base(self) -> Base:
        """The base added."""
        assert isinstance(self.base, Base)
        return self.base

    @property
    def mass(self) -> float:
        """Of the dispersion before base, g."""
        assert isinstance(self.dispersion_grams, float)
        return self.dispersion_grams

    @property
    def content_given(self) -> bool:
        """Whether the acid content is known beforehand."""
        return self.acid_content is not None

    def acid(self, content: float | None = None) -> tuple[float, float]:
        """Moles of COOH in the beaker, and how many of them the maker neutralised; `content` is that of every polymer where none is given."""
        given = self.acid_content if self.acid_content is not None else content
        moles, done = acid_moles(self.polymer_grams, given, self.moisture, self.already)
        return float(moles.sum()), float((moles * done).sum())

    @property
    def added(self) -> Floats:
        """Equivalents of base added so far, at each reading."""
        return np.asarray(self.grams) * self.stock / self.of_base.equivalent_mass

    @property
    def earlier(self) -> list[tuple[Base, float]]:
        """Bases in the beaker before the first reading, with their equivalents."""
        return [
            (base, grams * stock / base.equivalent_mass)
            for base, stock, grams in self.before
            if isinstance(base, Base)  # settled when it was made
        ]

    def degrees(self, content: float | None = None) -> Floats:
        """Degree of neutralisation at each reading: all base, that of the maker too, per COOH group."""
        moles, done = self.acid(content)
        return np.asarray((self.added + done + sum(amount for _, amount in self.earlier)) / moles)

    def mixture(self, added: Floats, content: float | None = None) -> Charges:
        """What carries charge in the beaker once so many equivalents of base are in it."""
        moles, done = self.acid(content)
        litres = (
            self.mass + sum(grams for _, _, grams in self.before) + added * self.of_base.equivalent_mass / self.stock
        ) / 1000
        strong = np.full(added.shape, done) / litres
        weak: list[tuple[Floats, float]] = []
        for base, amount in ((self.of_base, added), *((b, np.full(added.shape, a)) for b, a in self.earlier)):
            if base.pka is None or base.strong:
                strong = strong + amount / litres
            else:
                weak.append((amount / litres, base.pka))
        return Charges(strong, weak, [], moles / litres)

    # ---- shown

    @property
    def readings(self) -> pd.DataFrame:
        """One row a reading: grams, degree (NaN where the acid content is not known yet), ph, temperature (°C, NaN where not written down)."""
        warm = np.nan if self.temperature is None else np.asarray(self.temperature, dtype=float)
        degree = self.degrees() if self.content_given else np.nan
        return pd.DataFrame({"grams": self.grams, "degree": degree, "ph": self.ph, "temperature": warm})

    def _sections(self) -> list[Section]:
        table = pd.DataFrame(
            {
                "base added so far (g)": [f"{g:g}" for g in self.grams],
                "degree": [number_text(d, digits=3) for d in self.readings["degree"]],
                "pH": [f"{p:.2f}" for p in self.ph],
            }
        )
        lot = f" of lot {self.lot}" if self.lot else ""
        return [
            Section(
                f"Titration{lot} with {self.of_base.name}, {100 * self.stock:g} % w/w: {len(self.ph)} readings",
                table,
                "\n".join([*self.held_back, "doe.bench.titration_curve fits a curve to them."]),
            )
        ]


def _listed(value: Any) -> list[Any]:
    return [value] if isinstance(value, str) or not isinstance(value, Iterable) else list(value)


def _numbers(where: str, values: object, unit: str) -> tuple[float, ...]:
    if isinstance(values, str) or not isinstance(values, Iterable):
        raise StudyError(where, values, "a list of numbers", f"give {unit}, one for each reading")
    return tuple(as_number(where, value, unit) for value in values)
