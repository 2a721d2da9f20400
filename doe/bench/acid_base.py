"""Acids and bases of a recipe counted together: how much base each portion of the Neutralise line must bring."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from doe.bench.amounts import as_fraction
from doe.bench.lines import Ingredient

if TYPE_CHECKING:
    from doe.bench.recipe import Recipe


def exactly(value: float | Fraction) -> Fraction:
    """A number as typed, or a fraction, as a fraction."""
    return value if isinstance(value, Fraction) else as_fraction(value)


def base_needs(recipe: Recipe, degrees: Sequence[Any], number: Callable[[Any], Any] = exactly) -> list[dict[str, Any]]:
    """Moles of base that must be in the beaker after each portion, for every gram as weighed of each ingredient.

    Polymers, and what shares their degree, count in every portion, wherever they stand: the degree is of all of them. Another acid, and a
    base among the ingredients, counts from the portion before which it stands, and all do in the last. `number` makes the numbers to reckon
    with, of a value or of the values of many runs.
    """
    line = recipe.neutralise
    out: list[dict[str, Any]] = []
    if line is None:
        return out
    for portion, degree in enumerate(degrees):
        last = portion == len(degrees) - 1
        there = {i.name for i in recipe.ingredients} if last else _before(recipe, line.portions[portion])
        out.append(
            {
                i.name: _need(i, degree, number)
                for i in recipe.ingredients
                if i.shares_degree or (i.name in there and _own(i))
            }
        )
    return out


def _before(recipe: Recipe, portion: str) -> set[str]:
    there = recipe.weighed[: recipe.weighed.index(portion)]
    return {i.name for i in recipe.ingredients if recipe.place_of(i.name) in there}  # in a premix: with its portion


def _own(item: Ingredient) -> Fraction:
    """Moles of base for a gram as weighed of another acid than the polymers; below 0 for a base."""
    if item.takes_base is None:
        return -item.base_moles
    return (as_fraction(item.takes_base) - as_fraction(item.already)) * item.acid_moles


def _need(item: Ingredient, degree: Any, number: Callable[[Any], Any]) -> Any:
    if item.shares_degree:
        return (number(degree) - number(item.already)) * number(item.acid_moles)
    return number(_own(item))


def portion_row(needs: Sequence[Mapping[str, Any]], portion: int, stock_per_mole: Any) -> dict[str, Any]:
    """Grams of base solution in a portion, for every gram as weighed of each ingredient."""
    before = needs[portion - 1] if portion else {}
    names = {**before, **needs[portion]}
    return {n: (needs[portion].get(n, 0) - before.get(n, 0)) * stock_per_mole for n in names}


def count_words(recipe: Recipe, grams: Mapping[str, Fraction], degree_text: str) -> str:
    """What the base is for, in millimoles."""
    polymer = Fraction(0)
    done, others = Fraction(0), []
    for item in recipe.ingredients:
        mass = Fraction(grams[item.name])
        if item.shares_degree:
            polymer += item.acid_moles * mass
            done += item.acid_moles * mass * as_fraction(item.already)
        elif item.takes_base is not None:
            need = (as_fraction(item.takes_base) - as_fraction(item.already)) * item.acid_moles * mass
            if need:
                others.append(f"{'and' if need > 0 else 'less'} {_milli(abs(need))} mmol for {item.name}")
        elif item.base_moles:
            others.append(f"less {_milli(item.base_moles * mass)} mmol that {item.name} brings")
    words = f"to degree {degree_text} of {_milli(polymer)} mmol COOH"
    if done:
        words += f", {_milli(done)} mmol of them neutralised already"
    return ", ".join([words, *others])


def _milli(moles: Fraction) -> str:
    return f"{float(1000 * moles):.4g}"
