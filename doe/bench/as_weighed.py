"""What was really weighed, held against its target, and the settings that a batch then had."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from doe.bench.acid_base import base_needs
from doe.bench.amounts import as_fraction
from doe.bench.columns import as_made_head
from doe.bench.lines import BATCH
from doe.bench.planned_rows import AS_MADE, AS_PLANNED
from doe.bench.plausible import beyond_limits
from doe.bench.problems import Problems, cell_text
from doe.bench.weighing import WITHIN
from doe.bench.weighing_notes import strength_words
from doe.study import StudyError
from doe.study.shown import number_text

if TYPE_CHECKING:
    from doe.bench.intake import Taken
    from doe.bench.recipe import Recipe
    from doe.bench.returned_pages import Noted
    from doe.designs import Plan

_LAST_DIGITS = 3  # of its balance, which it may miss however small it is


@dataclass(frozen=True)
class Off:
    """A weighing that missed its target: its run (0 for what is made once), what it is, both masses in g, and where it stands."""

    run: int
    do: str
    target: float
    actual: float
    cell: str
    sheet: str


def off_target(do: str, target: float, actual: float, readability: float, run: int) -> tuple[str, str, str] | None:
    """What stands there, what was to be weighed, and what to do, where a weighing is further from its target than weighing can explain."""
    room = max(WITHIN * target, _LAST_DIGITS * readability)
    if abs(actual - target) <= room * (1 + 1e-9):
        return None
    where = f"for run {run}" if run else "for what is made once"
    if run:
        mend = (
            "kept as written; correct it, or, where so much went in, write the settings really made in their columns "
            "“as made”, or read the sheet with recipe= to have them worked out"
        )
    else:
        mend = "kept as written; correct it, or say in the remarks of its batches that so much went in"
    found = f"{cell_text(actual)} g of {do}"
    return found, f"{cell_text(target)} g, the target {where}, within {number_text(room)} g", mend


def settle_settings(recipe: Recipe, plan: Plan, taken: Taken, noted: Noted, problems: Problems) -> None:
    """Ask, where a weighing was off its target, whether the settings worked out of what was weighed are those of the batch.

    A setting that was written down as made is not asked about.
    """
    for run in sorted({off.run for off in noted.off_target if off.run}):
        off = [o for o in noted.off_target if o.run == run]
        lines = noted.targets.get(run, {})
        weighed = {do: target if actual != actual else actual for do, (target, actual) in lines.items()}
        last = "" if recipe.neutralise is None else recipe.neutralise.portions[-1]
        printed = f"{last}{strength_words(recipe, last)}"
        if printed in weighed:
            weighed[printed] += noted.extra_base.get(run, 0.0)
        _settle(recipe, plan, run, off, taken, weighed, problems.on(off[0].sheet))


def _settle(
    recipe: Recipe,
    plan: Plan,
    run: int,
    off: Sequence[Off],
    taken: Taken,
    weighed: Mapping[str, float],
    problems: Problems,
) -> None:
    try:
        planned = recipe.values(plan.runs.loc[run])
        found = settings_of(recipe, planned, weighed)
    except StudyError as problem:
        problems.add("", f"run {run}: {problem.found}", f"{problem.where}: {problem.allowed}", problem.mend)
        return
    if found is None:
        allowed = "lines of this recipe, each weighed by itself"
        mend = "no setting is worked out of them; write those really made in their columns “as made”"
        problems.add(off[0].cell, f"the page of run {run}", allowed, mend)
        return
    for name, value in found.items():
        # what the other lines' rounding moves is no other setting
        if abs(value - planned[name]) <= WITHIN * abs(planned[name]) or name in taken.as_made.get(run, {}):
            continue
        factor = plan.study.factor(name)
        unit = f" {getattr(factor, 'unit', '')}".rstrip()
        texts = number_text(value), number_text(planned[name])
        beyond = beyond_limits(factor, value)
        if beyond:
            problems.add(
                off[0].cell,
                f"{name} {texts[0]}{unit}, worked out of what was weighed for run {run}",
                f"{name} as made: {beyond}",
                "the planned setting is kept; correct what was weighed, or mark the batch as failed",
            )
            continue
        words = ", ".join(f"{cell_text(o.actual)} g of {o.do} instead of {cell_text(o.target)} g" for o in off)
        question = (
            f"of what was weighed for run {run}, {name} was {texts[0]}{unit} instead of the planned {texts[1]}{unit}: "
            "is that how it was made?"
        )
        answer = problems.ask(f"{off[0].cell}: {name}", words, question, (AS_MADE, AS_PLANNED))
        if answer == AS_MADE:
            taken.as_made.setdefault(run, {})[name] = value
        elif answer is None:
            problems.add(
                off[0].cell,
                f"{name} {texts[0]}{unit}, worked out of what was weighed for run {run}",
                f"{name} as planned: {texts[1]}{unit}",
                f"the planned setting is kept; if the batch was made so, answer {AS_MADE!r}, or write it in the column “{as_made_head(factor)}”",
            )


def settings_of(recipe: Recipe, planned: Mapping[str, float], weighed: Mapping[str, float]) -> dict[str, float] | None:
    """The amounts' settings that a batch has by its grams; None where a line is no weighing of the recipe, or holds several (a base gel).

    Parameters
    ----------
    recipe : Recipe
    planned : mapping of str to float
        The linked factors' planned values.
    weighed : mapping of str to float
        Grams of each weighing, by its name on the page.
    """
    share = recipe.share(planned)
    grams = dict[str, Fraction]()
    for name in recipe.weighed:
        printed = f"{name}{strength_words(recipe, name)}"
        if printed not in weighed:
            return None
        grams[name] = as_fraction(weighed[printed])
    if len(weighed) != len(grams):
        return None
    total = sum(grams.values(), Fraction(0))
    for premix in recipe.premixes:
        held = sum((share[i.name] for i in recipe.members(premix)), Fraction(0))
        for item in recipe.members(premix):
            grams[item.name] = grams[premix.name] * share[item.name] / held if held else Fraction(0)
    out = dict[str, float]()
    for item in recipe.ingredients:
        if item.factor is None:
            continue
        itself = grams[item.name] * item.content
        if item.of == BATCH:
            of, times = total, 100
        elif item.of == item.phase:
            fellows = [i for i in recipe.ingredients if i.phase == item.phase]
            of, times = sum((grams[i.name] for i in fellows), Fraction(0)), 100
        else:
            other = next(i for i in recipe.ingredients if i.name == item.of)
            of, times = grams[other.name] * other.content, 1
        if of:
            out[item.factor] = float(times * itself / of)
    line = recipe.neutralise
    if line is not None:
        before = Fraction(0)
        for portion, degree in zip(line.portions, _degrees(line.stages, line.degree), strict=True):
            before += grams[portion]
            if isinstance(degree, str):
                at = len(line.portions) - 1 if portion == line.portions[-1] else 0
                value = _degree(recipe, recipe.degrees(planned), at, grams, before / line.stock_per_mole)
                if value is not None:
                    out[degree] = value
    return out


def _degrees(stages: tuple[float | str, str] | None, last: float | str) -> Sequence[float | str]:
    return (last,) if stages is None else (stages[0], last)


def _degree(
    recipe: Recipe, degrees: Sequence[float], at: int, grams: Mapping[str, Fraction], moles: Fraction
) -> float | None:
    """The degree to which so many moles of base bring what was weighed: their need rises in a straight line with it."""

    def needed(degree: float) -> Fraction:
        tried = [*degrees[:at], degree, *degrees[at + 1 :]]
        return sum((v * grams[k] for k, v in base_needs(recipe, tried)[at].items()), Fraction(0))

    none, one = needed(0.0), needed(1.0)
    return None if one == none else float((moles - none) / (one - none))
