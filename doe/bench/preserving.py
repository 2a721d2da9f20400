"""The pH that a recipe is expected to have in each run, and whether the preservatives it names are meant for such a pH."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.bench.charges import Charges
from doe.bench.gel_curve import INDICATIVE, STEEP, TitrationCurve
from doe.bench.lines import Ingredient
from doe.bench.neutralisation import Base
from doe.bench.recipe import Recipe
from doe.designs import Plan
from doe.study import Section, Shown, StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number

Floats = NDArray[np.float64]
NO_EVIDENCE = (
    "A pH within a working range is no evidence that the product is preserved: that takes a challenge test (ISO 11930) of the finished "
    "product in its pack, and a qualified assessor. Legal limits of use are not checked here."
)
BATCH_SCATTER = "The interval speaks of a reading in the dispersion titrated; batches, lots and scale add to it."
FAR = (
    3.0  # times more or less polymer than titrated: pKapp and n move with the salt that base makes of it (from memory)
)
_CP = "common practice, no source"
_ACID = "common practice, no source, that it serves below; pKa from memory of the CRC Handbook of Chemistry and Physics"
# name as it stands in an ingredient's name: lowest and highest pH, pKa where only the undissociated acid works, source
_RANGES: dict[str, tuple[float, float, float, str]] = {
    "phenoxyethanol": (3.0, 10.0, np.nan, _CP),
    "ethylhexylglycerin": (3.0, 8.0, np.nan, _CP),
    "caprylyl glycol": (3.0, 8.0, np.nan, _CP),
    "benzyl alcohol": (3.0, 8.0, np.nan, _CP),
    "chlorphenesin": (3.5, 6.5, np.nan, _CP),
    "methylparaben": (3.0, 8.0, np.nan, _CP),
    "potassium sorbate": (2.0, 5.5, 4.76, _ACID),
    "sorbic acid": (2.0, 5.5, 4.76, _ACID),
    "sodium benzoate": (2.0, 5.5, 4.20, _ACID),
    "benzoic acid": (2.0, 5.5, 4.20, _ACID),
    "salicylic acid": (2.0, 4.5, 2.98, _ACID),
    "sodium dehydroacetate": (2.0, 6.0, 5.27, _ACID),
    "dehydroacetic acid": (2.0, 6.0, 5.27, _ACID),
}


def preservative_ranges() -> pd.DataFrame:
    """Give the pH between which common preservatives are usually relied on.

    Returns
    -------
    DataFrame
        One row a preservative, its name in the index: low and high (pH), pka (where only the undissociated acid works, else NaN), source.
        The supplier's data sheet overrules each of them.
    """
    return pd.DataFrame.from_dict(_RANGES, orient="index", columns=["low", "high", "pka", "source"]).rename_axis(
        "preservative"
    )


def expected_ph(recipe: Recipe, runs: Any, curve: TitrationCurve, level: float = 0.95) -> pd.DataFrame:
    """PH expected of a recipe in each run, every acid and base in it counted.

    Parameters
    ----------
    recipe : Recipe
        Acids other than the polymers need their pka.
    runs : Plan, DataFrame, Series or mapping
        The runs' settings by factor name; a mapping or a Series is one run.
    curve : TitrationCurve
        Of the polymers, fitted or indicative. It may have been titrated with another base.
    level : float
        Of the prediction interval.

    Returns
    -------
    DataFrame
        One row a run: run, degree, ph, low, high (of one further reading; indicative curve: ends of the usual range), steepness (pH for a
        degree), note.

    Raises
    ------
    StudyError
        If a setting or a pka is missing, no polymer in the recipe holds acid groups, or an argument is not what it should be.
    """
    if not isinstance(recipe, Recipe):
        raise StudyError("recipe", type(recipe).__name__, "a doe.bench.Recipe", "make one of its lines")
    if not isinstance(curve, TitrationCurve):
        raise StudyError(
            "curve",
            type(curve).__name__,
            "a curve of a titration",
            "make it with doe.bench.titration_curve or indicative_curve",
        )
    if not any(i.shares_degree for i in recipe.ingredients):
        raise StudyError(
            "recipe: acid_content", "missing", "given for a polymer", "give it in % COOH: its pH follows from that"
        )
    rows = []
    for run, settings in _runs(runs):
        values = recipe.values(settings)
        share = {k: float(v) for k, v in recipe.share(values).items()}
        mixture, degree = _mixture(recipe, share)
        found = curve.predicted(_still(mixture), level).iloc[0]
        step = 1e-5 * mixture.polymer
        low, high = (curve.predicted(_still(_with_more(recipe, mixture, s)), level)["ph"][0] for s in (-step, step))
        steepness = (high - low) / 2e-5
        note = "; ".join(_warnings(recipe, curve, mixture, degree, steepness))
        rows.append((run, degree, found["ph"], found["low"], found["high"], steepness, note))
    return pd.DataFrame(rows, columns=["run", "degree", "ph", "low", "high", "steepness", "note"])


@dataclass(frozen=True, repr=False)
class PreservativeCheck(Shown):
    """What `preservative_check` found.

    Attributes
    ----------
    table : DataFrame
        One row a run and preservative: run, degree, ph, low, high, preservative, range_low, range_high, undissociated (share of an acid
        preservative that is in its working form, NaN for others), verdict, note.
    curve : TitrationCurve
        By which the pH is expected.
    """

    table: pd.DataFrame
    curve: TitrationCurve

    @property
    def problems(self) -> pd.DataFrame:
        """The rows whose pH is not wholly within the working range, or whose range is not known."""
        return self.table[self.table["verdict"] != "within"].reset_index(drop=True)

    def _sections(self) -> list[Section]:
        words = [NO_EVIDENCE, INDICATIVE if self.curve.indicative else BATCH_SCATTER]
        t = self.table
        if t.empty:
            return [
                Section("Expected pH and preservatives: none that is known is named in the recipe", None, NO_EVIDENCE)
            ]
        shown = pd.DataFrame(
            {
                "run": t["run"],
                "degree": [f"{v:.3g}" for v in t["degree"]],
                "expected pH": [f"{v:.2f}" for v in t["ph"]],
                "low to high": [f"{a:.2f} to {b:.2f}" for a, b in zip(t["low"], t["high"], strict=True)],
                "preservative": t["preservative"],
                "working range": [
                    "not known" if np.isnan(a) else f"pH {a:g} to {b:g}"
                    for a, b in zip(t["range_low"], t["range_high"], strict=True)
                ],
                "undissociated": ["" if np.isnan(v) else f"{100 * v:.2g} %" for v in t["undissociated"]],
                "verdict": t["verdict"],
                "note": t["note"],
            }
        )
        label = "Indicative pH" if self.curve.indicative else "Expected pH"
        count = len(self.problems)
        said = "all within" if count == 0 else f"{count} of {len(t)} not wholly within"
        return [Section(f"{label} against the working ranges of preservatives: {said}", shown, "\n".join(words))]


def preservative_check(
    recipe: Recipe,
    runs: Any,
    curve: TitrationCurve,
    ranges: Mapping[str, tuple[float, float]] | None = None,
    level: float = 0.95,
) -> PreservativeCheck:
    """Compare the pH expected in each run with the working range of each preservative in the recipe.

    It is no evidence of preservation: that takes a challenge test (ISO 11930).

    Parameters
    ----------
    recipe, runs, curve, level
        As for `expected_ph`.
    ranges : mapping of str to (float, float), optional
        Lowest and highest pH of ingredients by name, from their data sheets: they overrule `preservative_ranges` and add to it.

    Returns
    -------
    PreservativeCheck
        An ingredient counts as a preservative where its name holds one of the table's, where `ranges` names it, or where its function says so.

    Raises
    ------
    StudyError
        As for `expected_ph`; and if a range is none, or names no ingredient.
    """
    expected = expected_ph(recipe, runs, curve, level)
    own = _own_ranges(recipe, {} if ranges is None else ranges)
    rows: list[dict[str, object]] = []
    for line in expected.to_dict("records"):
        for item in recipe.ingredients:
            for low, high, pka, name in _ranges_of(item, own):
                share = np.nan if np.isnan(pka) else 1 / (1 + 10 ** (line["ph"] - pka))
                row: dict[str, object] = {k: line[k] for k in ("run", "degree", "ph", "low", "high")}
                row |= {"preservative": name, "range_low": low, "range_high": high, "undissociated": share}
                row |= {"verdict": _verdict(line, low, high), "note": line["note"]}
                rows.append(row)
    columns = [
        "run",
        "degree",
        "ph",
        "low",
        "high",
        "preservative",
        "range_low",
        "range_high",
        "undissociated",
        "verdict",
        "note",
    ]
    return PreservativeCheck(pd.DataFrame(rows, columns=columns), curve)


def _verdict(line: Mapping[Any, Any], low: float, high: float) -> str:
    if np.isnan(low):
        return "range not known: give ranges="
    if line["ph"] < low or line["ph"] > high:
        return f"outside: {'below' if line['ph'] < low else 'above'} pH {low if line['ph'] < low else high:g}"
    if line["low"] < low or line["high"] > high:
        return "may be outside: the interval passes its end"
    return "within"


def _ranges_of(item: Ingredient, own: Mapping[str, tuple[float, float]]) -> list[tuple[float, float, float, str]]:
    """Ranges of what an ingredient's name names; several for a blend of preservatives."""
    if item.name in own:
        pka = next((v[2] for k, v in _RANGES.items() if k in item.name.casefold()), np.nan)
        return [(*own[item.name], pka, item.name)]
    found = [(low, high, pka, key) for key, (low, high, pka, _) in _RANGES.items() if key in item.name.casefold()]
    if not found and "preserv" in item.function.casefold():
        return [(np.nan, np.nan, np.nan, item.name)]
    return [
        (low, high, pka, item.name if len(found) == 1 else f"{key} in {item.name}") for low, high, pka, key in found
    ]


def _own_ranges(recipe: Recipe, ranges: object) -> dict[str, tuple[float, float]]:
    if not isinstance(ranges, Mapping):
        raise StudyError(
            "ranges", ranges, "a mapping of ingredient to lowest and highest pH", "write {'phenoxyethanol': (3, 10)}"
        )
    names = [i.name for i in recipe.ingredients]
    out = {}
    for name, pair in ranges.items():
        if name not in names:
            raise StudyError("ranges: ingredient", name, "an ingredient of the recipe", nearest(str(name), names))
        if not isinstance(pair, tuple | list) or len(pair) != 2:
            raise StudyError(f"ranges: {name}", pair, "lowest and highest pH", "write (3, 10)")
        low, high = (as_number(f"ranges: {name}", v, "pH") for v in pair)
        if not 0 <= low < high <= 14:
            raise StudyError(f"ranges: {name}", (low, high), "rising, from 0 to 14", "write (3, 10)")
        out[name] = (low, high)
    return out


def _runs(runs: object) -> list[tuple[int, Mapping[str, Any] | pd.Series]]:
    table = runs.runs if isinstance(runs, Plan) else runs
    if isinstance(table, pd.DataFrame):
        return [(int(run), row) for run, row in table.iterrows()]  # type: ignore[call-overload]
    if isinstance(table, Mapping | pd.Series):
        return [(1, table)]
    raise StudyError(
        "runs", type(runs).__name__, "a Plan, or settings by factor name", "give plan, or plan.runs.loc[3]"
    )


def _mixture(recipe: Recipe, share: Mapping[str, float]) -> tuple[Charges, float]:
    """What carries charge in a litre of batch (taken as a kilogram), and the degree of the polymers."""
    strong = polymer = for_polymer = 0.0
    weak: list[tuple[Floats, float]] = []
    acids: list[tuple[Floats, tuple[float, ...]]] = []

    def take(base: Base, amount: float) -> None:
        nonlocal strong, for_polymer
        for_polymer += amount
        if base.pka is None or base.strong:
            strong += amount
        elif amount:
            weak.append((np.array([amount]), base.pka))

    for item in recipe.ingredients:
        groups = float(item.acid_moles) * share[item.name] * 10
        strong += groups * item.already
        if item.shares_degree:
            polymer += groups
            for_polymer += groups * item.already
        elif item.takes_base is not None:
            for_polymer -= groups * (item.takes_base - item.already)
            pkas = item.pka if isinstance(item.pka, tuple) else ()
            if not pkas:
                raise StudyError(
                    f"ingredient {item.name!r}: pka", "missing", "given, one a step of the acid", "a handbook has it"
                )
            acids.append((np.array([groups / len(pkas)]), pkas))
        if isinstance(item.base, Base):
            take(item.base, float(item.base_moles) * share[item.name] * 10)
    line = recipe.neutralise
    if line is not None:
        for name in line.portions:
            take(line.of_base, share[name] * 10 / float(line.stock_per_mole))
    if polymer <= 0:
        raise StudyError("run: polymers with acid groups", "none in this run", "at least one", "leave the run out")
    return Charges(np.array([strong]), weak, acids, np.array([polymer])), for_polymer / polymer


def _still(mixture: Charges) -> Callable[[Floats], Charges]:
    """A mixture in which nothing was estimated."""
    return lambda _: mixture


def _with_more(recipe: Recipe, mixture: Charges, amount: Floats) -> Charges:
    """The mixture with so much more of the recipe's base; of a strong one where the recipe has none."""
    pka = None if recipe.neutralise is None else recipe.neutralise.of_base.pka
    if pka is None or np.isinf(pka):
        return Charges(mixture.strong + amount, mixture.bases, mixture.acids, mixture.polymer)
    return Charges(mixture.strong, [*mixture.bases, (amount, pka)], mixture.acids, mixture.polymer)


def _warnings(recipe: Recipe, curve: TitrationCurve, mixture: Charges, degree: float, steepness: float) -> list[str]:
    out = ["indicative"] if curve.indicative else []
    reach = curve.measured
    if reach is not None and not reach[0] - 1e-9 <= degree <= reach[1] + 1e-9:
        out.append(f"extrapolated: readings stand from degree {reach[0]:.3g} to {reach[1]:.3g}")
    if steepness > STEEP:
        out.append(f"steep: 0.01 more or less of degree moves the pH by {0.01 * steepness:.2g}")
    line = recipe.neutralise
    if not curve.indicative and line is not None and line.of_base != curve.base:
        out.append(f"carried over from {curve.base.name}")
    times = float(mixture.polymer[0]) / curve.acid
    if not curve.indicative and not 1 / FAR < times < FAR:
        out.append(f"{times:.2g} times the polymer titrated")
    if mixture.acids and not curve.indicative:
        out.append("with other acids than titrated")
    return out
