"""What was really weighed, held against its target, and the settings that a batch then had."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

from doe.bench.acid_base import base_needs
from doe.bench.amounts import as_fraction
from doe.bench.columns import as_made_head
from doe.bench.lines import BATCH
from doe.bench.made_apart import HELD_BACK
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

ALIKE = 0.002  # of a target, by which the batch's own rounding may move it: beyond, another recipe wrote it


class Line(NamedTuple):
    """A line of a page: target and what was weighed, g (NaN where that was not written down), and where that stands."""

    target: float
    actual: float
    cell: str
    sheet: str


@dataclass(frozen=True)
class Off:
    """A weighing that missed its target: its run (0 for what is made once) and page, what it is, target, mass and leave in g, and its cell."""

    run: int
    page: str
    do: str
    target: float
    actual: float
    room: float
    cell: str
    sheet: str


def off_target(target: float, actual: float, readability: float) -> float | None:
    """By how many grams a weighing may miss its target, where it misses it by more than weighing can explain."""
    room = max(WITHIN * target, readability)  # a digit of its balance, however small it is
    return None if abs(actual - target) <= room * (1 + 1e-9) else room


def note_off_target(noted: Noted, recipe_given: bool, problems: Problems) -> None:
    """List the weighings that missed their targets, and base beyond the calculated."""
    for off in noted.off_target:
        where = f"for run {off.run}" if off.run else "for what is made once"
        of_its = "" if off.run else " of its batches"
        mend = "kept as written; correct it if it is a slip of the pen" + (
            ""
            if recipe_given
            else f", else write the settings really made in the columns “as made”{of_its}, or read the sheet with recipe="
        )
        allowed = f"{cell_text(off.target)} g, the target {where}, within {number_text(off.room)} g"
        if not off.target and not off.room:
            allowed = "none: with it the degree of neutralisation is no longer the planned one"
        problems.on(off.sheet).add(off.cell, f"{cell_text(off.actual)} g of {off.do}", allowed, mend)


def settle_settings(recipe: Recipe, plan: Plan, taken: Taken, noted: Noted, problems: Problems) -> None:
    """Ask, where a weighing was off its target, whether the settings worked out of what was weighed are those of the batch.

    A setting that was written down as made is not asked about. What was made apart counts in every batch that it went into.
    """
    last = "" if recipe.neutralise is None else recipe.neutralise.portions[-1]
    last = f"{last}{strength_words(recipe, last)}"

    def with_extra(key: int | str, weighed: dict[str, float]) -> dict[str, float]:
        if last in weighed:
            weighed[last] += noted.extra_base.get(key, 0.0)
        return weighed

    apart = {page: with_extra(page, _grams(lines)) for page, lines in noted.targets.items() if isinstance(page, str)}
    for run in sorted(r for r in noted.targets if isinstance(r, int) and r):
        lines = noted.targets[run]
        weighed = with_extra(run, _topped_up(lines, noted.net_mass.get(run)))
        own = {page for page in apart if any(_is_of(page, do) for do in weighed)}
        off = [o for o in noted.off_target if o.run == run or (not o.run and o.page in own)]
        strange = [do for do in lines if not _known(recipe, do, apart)]
        for do in strange:
            mend = "no setting is worked out of this page; write those really made in their columns “as made”"
            problems.on(lines[do].sheet).add(lines[do].cell, do, "a line of the recipe", mend)
        if off and not strange and _of_this_recipe(recipe, plan, run, lines, problems):
            _settle(recipe, plan, run, off, taken, weighed, apart, problems.on(off[0].sheet))


def _of_this_recipe(recipe: Recipe, plan: Plan, run: int, lines: Mapping[str, Line], problems: Problems) -> bool:
    """Whether the targets on a page are those that the recipe gives; of a beaker from a base gel it is not looked at."""
    names = {f"{name}{strength_words(recipe, name)}": name for name in recipe.weighed}
    if set(lines) != set(names):
        return True
    size = sum(line.target for line in lines.values())
    wanted = recipe.grams(plan.runs.loc[run], size)
    for do, line in lines.items():
        meant = float(wanted[names[do]])
        if abs(line.target - meant) > max(ALIKE * meant, 3.0 * recipe.readability(names[do])[0]):
            mend = "no setting is worked out of this page; give the recipe by which the sheet was written"
            found = f"{cell_text(line.target)} g of {do}, the target for run {run}"
            problems.on(line.sheet).add(line.cell, found, f"{cell_text(meant)} g, as the recipe given has it", mend)
            return False
    return True


def _known(recipe: Recipe, do: str, apart: Mapping[str, Mapping[str, float]]) -> bool:
    """Whether a line of a page is one of the recipe, or of something made apart."""
    return do in _names(recipe) or any(p.name == do for p in recipe.premixes) or any(_is_of(page, do) for page in apart)


def _names(recipe: Recipe) -> dict[str, str]:
    """What makes up a batch, by its name on a page."""
    names = {f"{name}{strength_words(recipe, name)}": name for name in recipe.unknowns}
    filling = next((i.name for i in recipe.ingredients if i.balance and i.of == BATCH), "")
    return names | {f"{filling}{HELD_BACK}": filling}


def _grams(lines: Mapping[str, Line]) -> dict[str, float]:
    """What went in by each line: as weighed, else as it was to be."""
    return {do: line.target if line.actual != line.actual else line.actual for do, line in lines.items()}


def _topped_up(lines: Mapping[str, Line], net: float | None) -> dict[str, float]:
    """What went in by each line of a batch; of a beaker from a base gel, with the water up to its net mass, and less what was lost by then."""
    weighed, places = _grams(lines), list(lines)
    water = next((do for do in lines if do.endswith(HELD_BACK)), None)
    if water is None or not places.index(water):
        return weighed
    base = places[places.index(water) - 1]  # poured in just before
    asked, topped = lines[water].target, lines[water].actual
    if topped == topped and net is not None:
        there = weighed[base] + topped
        left = min(1.0, net / there) if there else 1.0
        weighed[base], weighed[water] = left * weighed[base], left * topped
    elif topped != topped:
        planned = lines[base].target
        in_proportion = asked * weighed[base] / planned if planned else asked
        weighed[water] = in_proportion if net is None else max(net - weighed[base], 0.0)
    return weighed


def _is_of(page: str, do: str) -> bool:
    """Whether a page is that of something made apart, by the name of the line with which it is poured in."""
    return page.casefold().startswith(f"{do.casefold()}, ")


def _settle(
    recipe: Recipe,
    plan: Plan,
    run: int,
    off: Sequence[Off],
    taken: Taken,
    weighed: Mapping[str, float],
    apart: Mapping[str, Mapping[str, float]],
    problems: Problems,
) -> None:
    try:
        planned = recipe.values(plan.runs.loc[run])
        grams = grams_of(recipe, planned, weighed, apart)
    except StudyError as problem:
        problems.add("", f"run {run}: {problem.found}", f"{problem.where}: {problem.allowed}", problem.mend)
        return
    if grams is None:
        allowed = "every line of the recipe, with what is made apart on its own page"
        mend = "no setting is worked out of them; write those really made in their columns “as made”"
        problems.add(off[0].cell, f"the page of run {run}", allowed, mend)
        return
    _too_much(recipe, run, grams, off[0].cell, problems)
    _fixed_degree(recipe, run, planned, grams, off, problems)
    found = settings_of(recipe, planned, grams)
    planned |= {c.name: float(plan.runs.at[run, c.name]) for c in plan.study.components}  # type: ignore[arg-type]
    found = {name: value for name, value in found.items() if name in planned}
    given = taken.as_made.get(run, {})
    # what the other lines' rounding moves is no other setting
    moved = [n for n, v in found.items() if abs(v - planned[n]) > WITHIN * abs(planned[n]) and n not in given]
    blend = [c.name for c in plan.study.components]
    if any(name in blend for name in moved) and all(name in found for name in blend) and not given.keys() & set(blend):
        groups = [
            blend,
            *([name] for name in moved if name not in blend),
        ]  # parts of a blend were what they were together
    else:
        groups = [[name] for name in moved]
    words = ", ".join(f"{cell_text(o.actual)} g of {o.do} instead of {cell_text(o.target)} g" for o in off)
    for names in groups:
        said, was, beyond = [], [], ""
        for name in names:
            factor = plan.study.factor(name)
            unit = f" {getattr(factor, 'unit', '')}".rstrip()
            said.append(f"{name} {number_text(found[name])}{unit}")
            was.append(f"{number_text(planned[name])}{unit}")
            beyond = beyond or (f"{name} as made: {limit}" if (limit := beyond_limits(factor, found[name])) else "")
        what = f"{', '.join(said)}, worked out of what was weighed for run {run}"
        if beyond:
            mend = "the planned setting is kept; correct what was weighed, or mark the batch as failed"
            problems.add(off[0].cell, what, beyond, mend)
            continue
        question = f"{what}, instead of the planned {', '.join(was)}: is that how it was made?"
        where = off[0].cell if off[0].run else f"{off[0].cell}: run {run}"
        answer = problems.ask(f"{where}: {', '.join(names)}", words, question, (AS_MADE, AS_PLANNED))
        if answer == AS_MADE:
            taken.as_made.setdefault(run, {}).update({name: found[name] for name in names})
        elif answer is None:
            column = as_made_head(plan.study.factor(names[0]))
            mend = f"the planned setting is kept; if the batch was made so, answer {AS_MADE!r}, or write it in the column “{column}”"
            problems.add(off[0].cell, what, f"as planned: {', '.join(was)}", mend)


def _fixed_degree(
    recipe: Recipe,
    run: int,
    planned: Mapping[str, float],
    grams: Mapping[str, Fraction],
    off: Sequence[Off],
    problems: Problems,
) -> None:
    """Say which degree a batch has where the recipe fixes it, so that it is no setting."""
    line = recipe.neutralise
    if line is None or isinstance(line.degree, str):
        return
    found = _degree(recipe, planned, len(line.portions) - 1, grams)
    if found is not None and abs(found - line.degree) > WITHIN * abs(line.degree):
        mend = "the recipe fixes it, so that no setting tells it; leave the batch out of fits with its reason, or make it again"
        what = f"degree of neutralisation {number_text(found)}, worked out of what was weighed for run {run}"
        problems.add(off[0].cell, what, f"{line.degree:g}", mend)


def _too_much(recipe: Recipe, run: int, grams: Mapping[str, Fraction], cell: str, problems: Problems) -> None:
    """List ingredients that went in beyond their greatest share."""
    total = sum((grams[name] for name in recipe.unknowns), Fraction(0))
    for item in recipe.ingredients:
        share = float(100 * grams[item.name] * item.content / total) if total else 0.0
        if item.max_percent is not None and share > item.max_percent * (1 + WITHIN):
            found = f"{number_text(share)} % of {item.name} in run {run}, by what was weighed"
            problems.add(
                cell, found, f"at most {item.max_percent:g} %", "keep it off the skin; mark the batch as failed"
            )


def settings_of(recipe: Recipe, planned: Mapping[str, float], grams: Mapping[str, Fraction]) -> dict[str, float]:
    """The amounts' settings that a batch has by its grams; the balance of the batch too, under its own name.

    Parameters
    ----------
    recipe : Recipe
    planned : mapping of str to float
        The linked factors' planned values.
    grams : mapping of str to Fraction
        As `grams_of` gives them.
    """
    total = sum((grams[name] for name in recipe.unknowns), Fraction(0))
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
    for item in recipe.ingredients:
        if item.balance and item.of == BATCH and total:
            out.setdefault(item.name, float(100 * grams[item.name] * item.content / total))
    for phase, size in recipe.phases:
        if isinstance(size, str) and total:
            own = [grams[i.name] for i in recipe.ingredients if i.phase == phase]
            out[size] = float(100 * sum(own, Fraction(0)) / total)
    line = recipe.neutralise
    if line is not None:
        for at, degree in enumerate((line.degree,) if line.stages is None else (line.stages[0], line.degree)):
            value = _degree(recipe, planned, at, grams)
            if isinstance(degree, str) and value is not None:
                out[degree] = value
    return out


def grams_of(
    recipe: Recipe,
    planned: Mapping[str, float],
    weighed: Mapping[str, float],
    apart: Mapping[str, Mapping[str, float]],
) -> dict[str, Fraction] | None:
    """Grams of everything that makes up a batch, by `recipe.unknowns`; None where a line is none of them, or one has no line.

    Parameters
    ----------
    recipe : Recipe
    planned : mapping of str to float
        The linked factors' planned values: a premix without a page of its own is as planned.
    weighed : mapping of str to float
        Grams by the lines of the batch's page.
    apart : mapping of str to mapping of str to float
        Grams by the lines of the pages of what was made apart and poured in, by the page's title.
    """
    share = recipe.share(planned)
    names = _names(recipe)
    premixes = {premix.name: premix for premix in recipe.premixes}
    out = dict[str, Fraction]()

    def add(do: str, mass: Fraction) -> bool:
        page = next((lines for title, lines in apart.items() if _is_of(title, do)), None)
        if page is not None:
            whole = sum(map(as_fraction, page.values()), Fraction(0))
            return bool(whole) and all(add(part, mass * as_fraction(of) / whole) for part, of in page.items())
        if do in premixes:
            members = [i.name for i in recipe.members(premixes[do])]
            whole = sum((share[n] for n in members), Fraction(0))
            parts = {n: mass * share[n] / whole if whole else Fraction(0) for n in members}
        elif do in names:
            parts = {names[do]: mass}
        else:
            return False
        for name, part in parts.items():
            out[name] = out.get(name, Fraction(0)) + part
        return True

    for do, mass in weighed.items():
        if not add(do, as_fraction(mass)):
            return None
    return out if set(out) == set(recipe.unknowns) else None


def _degree(recipe: Recipe, planned: Mapping[str, float], at: int, grams: Mapping[str, Fraction]) -> float | None:
    """The degree to which the portions of base up to one bring what was weighed: their need rises in a straight line with it."""
    line, degrees = recipe.neutralise, recipe.degrees(planned)
    assert line is not None  # only then are there degrees
    moles = sum((grams[n] for n in line.portions[: at + 1]), Fraction(0)) / line.stock_per_mole

    def needed(degree: float) -> Fraction:
        tried = [*degrees[:at], degree, *degrees[at + 1 :]]
        return sum((v * grams[k] for k, v in base_needs(recipe, tried)[at].items()), Fraction(0))

    none, one = needed(0.0), needed(1.0)
    return None if one == none else float((moles - none) / (one - none))
