"""What the raw materials of a batch cost: of one run in a table, of many settings at once in arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.bench.recipe_faults import faults
from doe.study import Section, Shown, StudyError
from doe.study.factors import as_number
from doe.study.shown import number_text
from doe.study.trial import TOTAL_TOLERANCE

if TYPE_CHECKING:
    from doe.bench.recipe import Recipe

NOT_COUNTED = "Not counted: losses, the solvent of stocks made in the laboratory, labour and packaging."


@dataclass(frozen=True, repr=False, eq=False)
class Cost(Shown):
    """What the raw materials of a batch cost.

    Attributes
    ----------
    table : DataFrame
        One row an ingredient: ingredient, grams (of the raw material as supplied), cost per kg, cost; NaN where no cost is known.
    batch_size : float
        Grams.
    """

    table: pd.DataFrame
    batch_size: float

    @property
    def open(self) -> tuple[str, ...]:
        """Ingredients that go in and have no cost."""
        return tuple(self.table.loc[self.table["cost"].isna(), "ingredient"])

    @property
    def total(self) -> float:
        """Cost of the batch, as far as costs are known."""
        return float(self.table["cost"].sum())

    @property
    def per_kg(self) -> float:
        """Cost of a kilogram of batch, as far as costs are known."""
        return 1000 * self.total / self.batch_size

    def _sections(self) -> list[Section]:
        shown = self.table.copy().astype(object)
        for column in ("grams", "cost per kg", "cost"):
            shown[column] = [number_text(v) or "not known" for v in self.table[column]]
        known = f"Open: {', '.join(self.open)} without a cost, so the sums are lower bounds.\n" if self.open else ""
        total = f"{'At least' if self.open else 'Together'} {number_text(self.per_kg)} for a kilogram of batch."
        return [Section(f"Cost of {number_text(self.batch_size)} g", shown, f"{known}{total} {NOT_COUNTED}")]


def cost_of(recipe: Recipe, run: object, batch_size: float) -> Cost:
    """See `Recipe.cost`."""
    size = as_number("batch_size", batch_size, "g")
    if size <= 0:
        raise StudyError("batch_size", size, "above 0", "give it in g")
    values = recipe.values(run)
    share = recipe.share(values)
    for problem in faults(recipe, share, values):
        raise problem
    grams, costs = dict[str, float](), dict[str, float]()
    for name, (material, per_kg, of_weighed) in _prices(recipe).items():  # two portions of base are one material
        grams[material] = grams.get(material, 0.0) + float(share[name]) * of_weighed * size / 100
        costs[material] = per_kg
    rows = [(m, g, costs[m], costs[m] * g / 1000 if g else 0.0) for m, g in grams.items()]
    return Cost(pd.DataFrame(rows, columns=["ingredient", "grams", "cost per kg", "cost"]), size)


def costs_per_kg(recipe: Recipe, settings: pd.DataFrame) -> pd.Series[float]:
    """See `Recipe.cost_per_kg`."""
    return pd.Series(_cost_of_shares(recipe, shares_of(recipe, settings)), index=settings.index, name="cost per kg")


def _cost_of_shares(recipe: Recipe, shares: NDArray[np.float64]) -> NDArray[np.float64]:
    prices = _prices(recipe)
    per_gram = np.array([prices[name][1] * prices[name][2] / 1000 for name in recipe.unknowns])
    unknown = np.isnan(per_gram) & (shares > 0).any(axis=0)
    if unknown.any():
        names = list(dict.fromkeys(prices[n][0] for n, u in zip(recipe.unknowns, unknown, strict=True) if u))
        raise StudyError(
            f"recipe: cost of {' and '.join(names)}",
            "not given",
            "given for all that goes in",
            "write cost= with what a kilogram of it costs, 0 where it costs nothing",
        )
    return np.asarray(shares @ np.nan_to_num(per_gram) * 10)


def makeable_costs(recipe: Recipe, settings: pd.DataFrame) -> NDArray[np.float64]:
    """Cost per kg at many settings, infinite where the recipe makes no batch: for a search that passes such settings over."""
    shares = shares_of(recipe, settings, refuse=False)
    makes = np.isfinite(shares).all(axis=1)
    out = np.full(len(settings), np.inf)
    out[makes] = _cost_of_shares(recipe, shares[makes])
    return out


def shares_of(recipe: Recipe, settings: pd.DataFrame, refuse: bool = True) -> NDArray[np.float64]:
    """Grams as weighed in 100 g of batch, at many settings at once.

    Parameters
    ----------
    recipe : Recipe
        The recipe.
    settings : DataFrame
        One row a setting, a column for every factor that the recipe is linked to.
    refuse : bool
        Refuse a row that makes no batch; otherwise its shares are NaN.

    Returns
    -------
    ndarray, shape (n, unknowns)
        In the order of `recipe.unknowns`.

    Raises
    ------
    StudyError
        If a column is missing, or a row makes no batch.
    """
    if not isinstance(settings, pd.DataFrame):
        raise StudyError(
            "settings", type(settings).__name__, "a DataFrame, one row a setting", "give plan.runs, or make one of it"
        )
    n, unknowns = len(settings), recipe.unknowns
    rows = [recipe.values(dict(zip(settings.columns, row, strict=True))) for row in settings.itertuples(index=False)]
    values = {name: np.array([row[name] for row in rows], dtype=float) for name in recipe.linked}
    degrees = np.array([recipe.degrees(row) for row in rows], dtype=float).reshape(n, -1).T
    place = {name: j for j, name in enumerate(unknowns)}
    left, right = np.zeros((n, len(unknowns), len(unknowns))), np.zeros((n, len(unknowns)))
    for i, (row, value) in enumerate(recipe.equations(values, list(degrees), lambda v: np.asarray(v, dtype=float))):
        right[:, i] = value
        for name, factor in row.items():
            left[:, i, place[name]] = factor
    shares: NDArray[np.float64]
    try:
        shares = np.asarray(np.linalg.solve(left, right[:, :, None])[:, :, 0], dtype=np.float64)
    except np.linalg.LinAlgError:
        for row_values in rows:
            recipe.share(row_values)  # names the amount that is left open
        raise
    if not refuse:
        shares[_beyond(recipe, shares, values, 1e-9)] = np.nan
        return np.asarray(shares)
    # what looks wrong in floating point is judged exactly, and only where it is wrong refused
    odd = _beyond(recipe, shares, values, -1e-12)
    for i in np.flatnonzero(odd).tolist():
        for problem in faults(recipe, recipe.share(rows[i]), rows[i]):
            where = f"settings, row {settings.index[i]}: {problem.where}"
            raise StudyError(where, problem.found, problem.allowed, problem.mend)
    return np.asarray(shares)


def _beyond(
    recipe: Recipe, shares: NDArray[np.float64], values: dict[str, NDArray[np.float64]], slack: float
) -> NDArray[np.bool_]:
    """Rows with a negative amount, one beyond its limit by more than this share of it, or sums that are not what they must be."""
    n, place = len(shares), {name: j for j, name in enumerate(recipe.unknowns)}
    limits = np.array([np.inf if (m := _limit(recipe, name)) is None else m for name in recipe.unknowns])
    odd = (shares < 0).any(axis=1) | (shares > limits * (1 + slack)).any(axis=1)
    odd |= np.abs(shares.sum(axis=1) - 100) > 50 * TOTAL_TOLERANCE
    sized = [(size, [place[i.name] for i in recipe.ingredients if i.phase == p]) for p, size in recipe.phases if size]
    for size, members in sized:
        wanted = values[size] if isinstance(size, str) else np.full(n, size)
        odd |= np.abs(shares[:, members].sum(axis=1) - wanted) > 0.5 * np.maximum(wanted, 1) * TOTAL_TOLERANCE
    return np.asarray(odd)


def _limit(recipe: Recipe, name: str) -> float | None:
    """Most of a weighing, % of the batch, that its ingredient's limit leaves."""
    item = next((i for i in recipe.ingredients if i.name == name), None)
    return None if item is None or item.max_percent is None else item.max_percent / float(item.content)


def _prices(recipe: Recipe) -> dict[str, tuple[str, float, float]]:
    """Of each weighing: its raw material, what a kilogram of that costs (NaN where unknown), and grams of it in a gram as weighed."""
    own = {i.name: i for i in recipe.ingredients}
    line, out = recipe.neutralise, {}
    for name in recipe.unknowns:
        if name in own:
            cost, part, material = own[name].cost, own[name].stock, name
        else:
            assert line is not None
            cost, part, material = line.cost, line.stock, line.of_base.name
        out[name] = (material, np.nan if cost is None else cost, 1.0 if part is None else part)
    return out
