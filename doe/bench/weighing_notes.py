"""Words beside a weighing: what the figure is, and where it is too small for its balance, what to do about it."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from doe.bench.acid_base import count_words
from doe.bench.amounts import as_fraction
from doe.bench.lines import BATCH, Ingredient
from doe.bench.weighing import batch_for, dilution, finer, least
from doe.study.shown import number_text

FINEST = Fraction(1, 10000)  # g: the least for 1 % on a balance that shows a microgram, the finest a laboratory has

if TYPE_CHECKING:
    from doe.bench.recipe import Recipe


def note(
    recipe: Recipe,
    name: str,
    printed: Mapping[str, Any],
    values: Mapping[str, float],
    poured: Decimal,
    batch: Fraction,
    closing: str,
) -> str:
    """What stands beside a weighing.

    Parameters
    ----------
    recipe : Recipe
        Whose weighing it is.
    name : str
        Of the weighing.
    printed : mapping of str to Decimal
        Grams of every weighing, in order.
    values : mapping of str to float
        Of the linked factors in this run.
    poured : Decimal
        Grams already in the beaker.
    batch : Fraction
        Grams asked for.
    closing : str
        The line that takes up the rounding.
    """
    parts = []
    item = next((i for i in recipe.ingredients if i.name == name), None)
    mass = printed[name]
    if item is not None:
        if item.factor is not None:
            text = item.amount_text.replace(f"‹{item.factor}›", number_text(values[item.factor]))
            parts.append(text + ("" if item.factor == name else f" (set by {item.factor})"))
        else:
            parts.append(item.amount_text)
        parts += content_words(item, mass)
        if name == closing and not item.balance:
            parts.append("takes up the rounding")
    elif any(name == premix.name for premix in recipe.premixes):
        parts.append("made once for all batches: its own page")
        if name == closing:
            parts.append("takes up the rounding")
    else:
        parts += base_note(recipe, name, printed, values, poured)
    if mass == 0:
        wanted = item is not None and (item.percent if item.factor is None else values[item.factor])
        parts.append(
            f"0 by rounding: less is asked for than a balance that shows {recipe.readability(name)[0]:g} g can weigh: make more, weigh on a finer "
            "balance, or add a weighed part of a dilution"
            if wanted
            else "none in this batch"
        )
    elif mass < least(recipe.readability(name)[0]):
        parts.append(_too_little(recipe, name, printed, batch))
    return "; ".join(parts)


def too_little(grams: Fraction, printed: Decimal, readability: float) -> list[str]:
    """That a weighing of what is portioned is too small for its balance, and what to do; nothing where it is not."""
    if not grams or printed >= least(readability):
        return []
    ways = ["weigh it as a dilution (if it dissolves or disperses so)"]
    if grams >= FINEST:
        ways.insert(0, f"weigh on a balance that shows {finer(Decimal(repr(float(grams)))):f} g")
    return [f"below {least(readability)} g, the least for 1 % on this balance: {', or '.join(ways)}"]


def strength_words(recipe: Recipe, name: str) -> str:
    """What follows a name on a page where it is weighed as a solution or is not pure: the figure is of that, not of the substance."""
    item = next((i for i in recipe.ingredients if i.name == name), None)
    if item is not None:
        if item.stock is not None:
            return f" ({100 * item.stock:g} % w/w stock)"
        return f" ({100 * item.active:g} % active)" if item.active != 1 else ""
    line = recipe.neutralise
    if line is not None and name in line.portions and line.stock != 1:
        return f" ({100 * line.stock:g} % w/w stock)"
    return ""


def content_words(item: Ingredient, mass: Decimal) -> list[str]:
    """What a weighing holds of the ingredient itself and of acid."""
    parts = []
    if item.stock is not None:
        parts.append(f"as {100 * item.stock:g} % w/w stock: {_itself(mass, item)} g of {item.name} itself")
    elif item.active != 1:
        parts.append(f"{100 * item.active:g} % active: {_itself(mass, item)} g of {item.name} itself")
    if item.acid_content is not None:
        wet = f"moisture {100 * item.moisture:g} %" if item.moisture else "dry (assumed)"
        done = f", {100 * item.already:g} % of it neutralised already" if item.already else ""
        parts.append(f"{item.acid_content:g} % COOH, {wet}{done}")
    return parts


def base_note(
    recipe: Recipe, name: str, printed: Mapping[str, Any], values: Mapping[str, float], poured: Decimal
) -> list[str]:
    """What a portion of base is worked out from."""
    line = recipe.neutralise
    assert line is not None
    at = line.portions.index(name)
    degree = recipe.degrees(values)[at]
    pure = Fraction(printed[name]) * as_fraction(line.stock)
    parts = [
        count_words(recipe, {n: Fraction(g) for n, g in printed.items()}, number_text(degree)),
        f"{float(pure):.4f} g base, {100 * line.stock:g} % w/w stock",
    ]
    if at == 1 and poured > 0:
        parts.append(
            f"{float(100 * Fraction(printed[name]) / Fraction(poured)):.3f} g per 100 g of what the beaker holds before it "
            f"({poured} g planned): weigh the beaker and work it out anew"
        )
    return parts


def _too_little(recipe: Recipe, name: str, printed: Mapping[str, Any], batch: Fraction) -> str:
    """That a weighing is too small for its balance, and what to do."""
    readability, _ = recipe.readability(name)
    mass = printed[name]
    ways = []
    larger = batch_for(mass, readability, batch)
    if larger is not None:
        ways.append(f"make {larger} g of batch or more")
    ways.append(f"weigh on a balance that shows {finer(mass):f} g")
    item = next((i for i in recipe.ingredients if i.name == name), None)
    solvent = _solvent(recipe, item, printed)
    if solvent is not None and solvent != name:
        polymer = item is not None and item.shares_degree
        made = dilution(mass, readability, printed[solvent], polymer)
        if made is not None:
            make, with_, add, brings = made
            ways.append(
                f"add {add} g of a dilution of {make} g in {with_} g {solvent}, and {brings} g less {solvent} "
                "(if it dissolves or disperses so)"
            )
    return f"below {least(readability)} g, the least for 1 % on this balance: " + ", or ".join(ways)


def _solvent(recipe: Recipe, item: Ingredient | None, printed: Mapping[str, Any]) -> str | None:
    """What a small weighing is best diluted with: the largest line of its phase, else the balance."""
    filling = next((i.name for i in recipe.ingredients if i.balance and i.of == BATCH), None)
    if item is None:
        return filling
    fellows = [i.name for i in recipe.ingredients if i.phase == item.phase and i.acid_content is None]
    fellows = [n for n in fellows if n in recipe.weighed]  # what a premix brings is no solvent
    largest = max(fellows, key=lambda n: printed[n], default=None)
    return largest if largest not in (None, item.name) else filling


def _itself(grams: Decimal, item: Ingredient) -> str:
    """Grams of the ingredient itself in a weighing."""
    return f"{float(Fraction(grams) * item.content):.4f}".rstrip("0").rstrip(".")
