"""Neutralisation by stoichiometry: how much base a carboxylic polymer takes for a degree, and which degree an amount of base reaches.

The degree counts what is added: equivalents of base per equivalent of COOH. It is neither the degree of ionisation nor a pH.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.bench.quantities import quantity
from doe.study import StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number

COOH_MASS = 45.017  # g/mol of one COOH group, from standard atomic masses (C 12.011, O 15.999, H 1.008)
KOH_MASS = 56.105  # g/mol, in which acid values are stated (K 39.098)
MOST_DEGREE = 3.0  # beyond which a percentage is likelier than a degree
ACID_RANGE = (1.0, 71.0)  # % COOH; pure poly(acrylic acid) has 62.5, citric acid 70.3
_ATOMIC = "molar mass from standard atomic masses; pKa from memory of the CRC Handbook of Chemistry and Physics"


@dataclass(frozen=True)
class Base:
    """A base that neutralises acid groups.

    Parameters
    ----------
    name : str
        Generic or INCI name.
    molar_mass : float
        g/mol of the pure base.
    equivalents : float
        Acid groups that one molecule neutralises.
    pka : float, optional
        Of its conjugate acid in water at 25 °C; infinite for a strong base, None where unknown.
    stock : str
        Strength in which it is usually weighed, in words.
    source : str
        Where the figures come from.

    Raises
    ------
    StudyError
        If the name is empty, or the molar mass or the equivalents are missing or not above 0.
    """

    name: str
    molar_mass: float
    equivalents: float = 1.0
    pka: float | None = None
    stock: str = ""
    source: str = "as given"

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise StudyError("base: name", self.name, "a text", "say which base it is")
        for field, unit in (("molar_mass", "g/mol"), ("equivalents", "acid groups a molecule")):
            value = as_number(f"base {self.name!r}: {field}", getattr(self, field), unit)
            if value <= 0:
                raise StudyError(f"base {self.name!r}: {field}", value, "above 0", f"give it in {unit}")
            object.__setattr__(self, field, value)

    @property
    def strong(self) -> bool:
        """Whether it is a strong base: caustic, and pH jumps past degree 1."""
        return self.pka == np.inf

    @property
    def equivalent_mass(self) -> float:
        """Grams of pure base that neutralise one mole of acid groups."""
        return self.molar_mass / self.equivalents


BASES = {
    b.name: b
    for b in (
        Base("sodium hydroxide", 39.997, 1, np.inf, "10 to 20 % w/w", _ATOMIC),
        Base("potassium hydroxide", 56.105, 1, np.inf, "10 to 20 % w/w", _ATOMIC),
        Base("tromethamine", 121.136, 1, 8.07, "10 to 40 % w/w, 20 % common", _ATOMIC),
        Base("triethanolamine", 149.190, 1, 7.76, "99 % as supplied, or 50 % w/w", _ATOMIC),
        Base("aminomethyl propanol", 89.138, 1, 9.7, "95 % as supplied, or 20 to 50 % w/w", _ATOMIC),
        Base("aminomethyl propanediol", 105.137, 1, 8.8, "20 to 50 % w/w", _ATOMIC),
        Base("ammonia", 17.031, 1, 9.25, "10 to 25 % w/w", _ATOMIC),
        Base("arginine", 174.204, 1, 9.0, "10 to 15 % w/w", _ATOMIC + "; one equivalent, its amino group"),
    )
}


def bases() -> pd.DataFrame:
    """The common bases.

    Returns
    -------
    DataFrame
        One row a base, its name in the index: molar_mass (g/mol), equivalents, pka (of the conjugate acid, 25 °C), usual_stock (common
        practice, no source), source. Any other base is given as a `Base`; one whose equivalents are not known is better titrated.
    """
    rows = {b.name: (b.molar_mass, b.equivalents, b.pka, b.stock, b.source) for b in BASES.values()}
    columns = ["molar_mass", "equivalents", "pka", "usual_stock", "source"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("base")


def base_of(base: object, where: str = "base") -> Base:
    """The base of this name, or the one given."""
    if isinstance(base, Base):
        return base
    if not isinstance(base, str):
        raise StudyError(where, base, "the name of a base or a doe.bench.Base", "write it in quotation marks")
    found = BASES.get(base.strip().lower())
    if found is None:
        advice = nearest(base, BASES).rstrip("?")
        raise StudyError(
            where,
            base,
            "a base of the table",
            f"{advice}; or give doe.bench.Base({base!r}, molar_mass=…), in g/mol",
        )
    return found


def acid_content(value: float, unit: str = "% COOH", basis: str = "dry", moisture: float = 0.0) -> float:
    """Acid content as the other functions take it.

    Parameters
    ----------
    value : float
        As the certificate gives it.
    unit : {"% COOH", "mg KOH/g", "g/eq"}
        Mass share of COOH groups; acid value; grams of polymer per equivalent of acid.
    basis : {"dry", "as is"}
        Whether the figure is of the dried powder or of the powder with its moisture.
    moisture : float
        Mass fraction lost on drying; used where the basis is "as is".

    Returns
    -------
    float
        % COOH, dry basis.

    Raises
    ------
    StudyError
        If an argument cannot be used, or more than 71 % COOH follows.

    Examples
    --------
    >>> round(acid_content(772.7, "mg KOH/g"), 2)
    62.0
    """
    number = _above_zero("acid content", value, unit if isinstance(unit, str) else "")
    if unit == "% COOH":
        percent = number
    elif unit == "mg KOH/g":
        percent = number / KOH_MASS * COOH_MASS / 10
    elif unit == "g/eq":
        percent = 100 * COOH_MASS / number
    else:
        raise StudyError("unit", unit, "'% COOH', 'mg KOH/g' or 'g/eq'", "choose the one on the certificate")
    if basis not in ("dry", "as is"):
        raise StudyError("basis", basis, "'dry' or 'as is'", "choose the one on the certificate")
    wet = moisture_fraction("moisture", moisture)
    return acid_percent("acid content", percent / (1 - wet) if basis == "as is" else percent)


def stock_strength(value: float, unit: str = "% w/w", density: float | None = None, base: str | Base = "") -> float:
    """Strength of a solution as a mass fraction.

    Parameters
    ----------
    value : float
        As on the bottle.
    unit : {"% w/w", "% w/v", "mol/L"}
        Grams in 100 g, grams in 100 mL, moles in a litre.
    density : float, optional
        Of the solution, g/mL; needed for % w/v and mol/L.
    base : str or Base, optional
        What is dissolved; needed for mol/L.

    Returns
    -------
    float
        Mass fraction, above 0 and at most 1.

    Raises
    ------
    StudyError
        If something is missing, or more than the pure substance follows.

    Examples
    --------
    >>> round(stock_strength(1.0, "mol/L", density=1.04, base="sodium hydroxide"), 4)
    0.0385
    """
    number = _above_zero("strength", value, unit if isinstance(unit, str) else "")
    if unit not in ("% w/w", "% w/v", "mol/L"):
        raise StudyError("unit", unit, "'% w/w', '% w/v' or 'mol/L'", "choose the one on the bottle")
    fraction = number / 100
    if unit != "% w/w":
        if density is None:
            raise StudyError("density", None, f"given with a strength in {unit}", "give it in g/mL, as measured")
        mass = as_number("density", density, "g/mL")
        if not 0.5 <= mass <= 3:
            raise StudyError("density", mass, "from 0.5 to 3 g/mL", "1000 kg/m³ is 1 g/mL")
        fraction /= mass
        if unit == "mol/L":
            fraction = number * base_of(base).molar_mass / (1000 * mass)
    if fraction > 1:
        raise StudyError(
            "strength",
            f"{number:g} {unit}",
            f"no more than the pure substance (it would be {100 * fraction:.4g} % w/w)",
            "check the figure and its unit",
        )
    return fraction


def neutraliser(
    polymer_grams: float | Sequence[float],
    degree: float,
    base: str | Base = "tromethamine",
    acid_content: float | Sequence[float] = 62.0,
    moisture: float | Sequence[float] = 0.0,
    stock: float = 1.0,
    already: float | Sequence[float] = 0.0,
) -> float:
    """Grams of base solution to weigh for a degree of neutralisation.

    Parameters
    ----------
    polymer_grams : float or sequence of float
        Polymer as weighed, g; several polymers share one base.
    degree : float
        To be reached: equivalents of base per equivalent of COOH (0.70 is 70 %), from 0 to 3.
    base : str or Base
        A name of `bases`, or a base with its molar mass.
    acid_content : float or sequence of float
        % COOH, dry basis: of each polymer, or of all. 62 is the middle of the 56 to 68 that the carbomer monograph allows; the lot's
        certificate is better. `doe.bench.acid_content` converts other units.
    moisture : float or sequence of float
        Mass fraction lost on drying.
    stock : float
        Strength of the solution, mass fraction; `doe.bench.stock_strength` converts other units.
    already : float or sequence of float
        Share of the COOH groups neutralised before: by the maker, or in a first stage.

    Returns
    -------
    float
        Grams of solution.

    Raises
    ------
    StudyError
        If an argument cannot be used, or more is neutralised already than the degree asks.

    References
    ----------
    Carbomer monograph, The International Pharmacopoeia (WHO): 56.0 to 68.0 % COOH, dry basis.

    Examples
    --------
    >>> round(neutraliser(0.6, 0.70, "tromethamine", acid_content=62.0, stock=0.20), 3)
    3.504
    """
    acid, done = acid_moles(polymer_grams, acid_content, moisture, already)
    wanted = degree_value("degree", degree) * acid.sum() - (acid * done).sum()
    if wanted < -1e-12 * acid.sum():
        share = (acid * done).sum() / acid.sum()
        raise StudyError(
            "degree",
            degree,
            f"{share:.4g} or above, as so much is neutralised already",
            "raise it: base cannot be taken out",
        )
    return float(max(wanted, 0.0) * base_of(base).equivalent_mass / stock_fraction("stock", stock))


def degree_from(
    grams: float,
    polymer_grams: float | Sequence[float],
    base: str | Base = "tromethamine",
    acid_content: float | Sequence[float] = 62.0,
    moisture: float | Sequence[float] = 0.0,
    stock: float = 1.0,
    already: float | Sequence[float] = 0.0,
) -> float:
    """Degree of neutralisation that an amount of base solution reaches: the inverse of `neutraliser`.

    Parameters
    ----------
    grams : float
        Grams of solution added, 0 or above.
    polymer_grams, base, acid_content, moisture, stock, already
        As for `neutraliser`.

    Returns
    -------
    float
        Equivalents of base per equivalent of COOH, what was neutralised already counted in.

    Raises
    ------
    StudyError
        If an argument cannot be used.

    Examples
    --------
    >>> round(degree_from(2.50, 0.6, "tromethamine", stock=0.20), 4)
    0.4995
    """
    acid, done = acid_moles(polymer_grams, acid_content, moisture, already)
    added = quantity("grams", grams, "g")
    if added < 0:
        raise StudyError("grams", added, "0 or above", "give the grams of solution that were added")
    moles = added * stock_fraction("stock", stock) / base_of(base).equivalent_mass
    return float((moles + (acid * done).sum()) / acid.sum())


# ---- checks that the recipe shares


def degree_value(where: str, value: object) -> float:
    """A degree of neutralisation, or the sentence that says why not."""
    number = as_number(where, value, "equivalents of base per equivalent of COOH")
    if not 0 <= number <= MOST_DEGREE:
        raise StudyError(
            where, number, f"from 0 to {MOST_DEGREE:g}", "give equivalents of base per equivalent of COOH: 70 % is 0.70"
        )
    return number


def acid_percent(where: str, value: object) -> float:
    """An acid content in % COOH, or the sentence that says why not."""
    number = as_number(where, value, "% COOH, dry basis")
    if not ACID_RANGE[0] <= number <= ACID_RANGE[1]:
        raise StudyError(
            where,
            number,
            f"from {ACID_RANGE[0]:g} to {ACID_RANGE[1]:g} % COOH, dry basis",
            "doe.bench.acid_content converts mg KOH/g and g per equivalent",
        )
    return number


def moisture_fraction(where: str, value: object) -> float:
    """A moisture as a mass fraction, or the sentence that says why not."""
    number = as_number(where, value, "mass fraction")
    if not 0 <= number <= 0.5:
        raise StudyError(where, number, "from 0 to 0.5", "give the mass fraction lost on drying: 2 % is 0.02")
    return number


def stock_fraction(where: str, value: object) -> float:
    """A strength as a mass fraction, or the sentence that says why not."""
    number = as_number(where, value, "mass fraction")
    if not 0 < number <= 1:
        raise StudyError(where, number, "above 0 and at most 1", "give the mass fraction: 20 % w/w is 0.20")
    return number


def _above_zero(where: str, value: object, unit: str) -> float:
    number = as_number(where, value, unit)
    if number <= 0:
        raise StudyError(where, number, "above 0", "correct the figure")
    return number


def acid_moles(
    grams: object, content: object, moisture: object, already: object
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Moles of COOH in each polymer, and the share of each neutralised already."""
    given = {"polymer_grams": grams, "acid_content": content, "moisture": moisture, "already": already}
    lists = {k: list(v) if isinstance(v, Iterable) and not isinstance(v, str) else [v] for k, v in given.items()}
    count = len(lists["polymer_grams"])
    for name, values in lists.items():
        if len(values) != count and len(values) != 1:
            raise StudyError(name, values, f"one value, or {count}: one a polymer", "give them in the polymers' order")
    if count == 0:
        raise StudyError("polymer_grams", [], "at least one polymer", "give the grams weighed")
    masses = np.array([quantity("polymer_grams", v, "g") for v in lists["polymer_grams"]])
    if (masses < 0).any() or masses.sum() <= 0:
        raise StudyError(
            "polymer_grams", masses.tolist(), "0 or above, and together above 0", "give the grams of polymer weighed"
        )
    contents = np.array([acid_percent("acid_content", v) for v in lists["acid_content"]])
    waters = np.array([moisture_fraction("moisture", v) for v in lists["moisture"]])
    done = np.array([as_number("already", v, "share of the COOH groups") for v in lists["already"]])
    if ((done < 0) | (done > 1)).any():
        raise StudyError("already", done.tolist(), "from 0 to 1", "give the share of the COOH groups: 40 % is 0.40")
    return masses * (1 - waters) * contents / 100 / COOH_MASS, np.broadcast_to(done, (count,))
