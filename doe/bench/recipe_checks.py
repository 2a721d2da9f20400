"""What a recipe may not be, whatever the run: said when it is made, one sentence for each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from doe.bench.lines import BATCH, SETTINGS, Neutralise, Step
from doe.bench.made_apart import Premix
from doe.study import StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number

if TYPE_CHECKING:
    from doe.bench.recipe import Recipe


def check_names(recipe: Recipe) -> None:
    """Refuse names used twice, two balances and two Neutralise lines."""
    if not recipe.ingredients:
        raise StudyError("recipe: lines", "without an ingredient", "at least one ingredient", "say what goes in")
    bases = [line for line in recipe.lines if isinstance(line, Neutralise)]
    if len(bases) > 1:
        raise StudyError(
            "recipe: lines", f"{len(bases)} Neutralise lines", "one at most", "give a second portion as stages="
        )
    seen = {b.of_base.name for b in bases}
    for item in recipe.ingredients:
        if item.name in seen:
            raise StudyError(
                "recipe: line",
                item.name,
                "a name used once",
                "tell the two additions apart, as in 'water, to rinse'",
            )
        seen.add(item.name)
    filling = [i.name for i in recipe.ingredients if i.balance and i.of == BATCH]
    if len(filling) > 1:
        raise StudyError(
            "recipe: balance", " and ".join(filling), "one ingredient at most", "fix the amount of the other"
        )


def check_phases(recipe: Recipe) -> None:
    """Refuse phases that no line is in, lines in no phase, and phases of no size."""
    named = list(dict.fromkeys(i.phase for i in recipe.ingredients))
    for phase, size in recipe.phases:
        if phase not in named:
            raise StudyError("recipe: phases", phase, "the phase of an ingredient", nearest(phase, named))
        if isinstance(size, float) and not 0 < size <= 100:
            raise StudyError(f"recipe: phase {phase!r}", size, "above 0 and at most 100 %", "give its % of the batch")
    listed = [phase for phase, _ in recipe.phases]
    for item in recipe.ingredients:
        if listed and item.phase not in listed:
            raise StudyError(
                f"ingredient {item.name!r}: phase",
                item.phase,
                "one of the recipe's phases",
                nearest(item.phase, listed),
            )
    names = {i.name for i in recipe.ingredients}
    for phase in named:
        if phase in names or phase == BATCH:
            raise StudyError("recipe: phase", phase, "no ingredient's name and not 'batch'", "name the phase otherwise")
        members = [i for i in recipe.ingredients if i.phase == phase]
        filling = [i.name for i in members if i.balance and i.of == phase]
        if len(filling) > 1:
            raise StudyError(
                f"recipe: balance of phase {phase!r}",
                " and ".join(filling),
                "one ingredient at most",
                "fix the other",
            )
        sized = dict(recipe.phases).get(phase) is not None
        if not sized and (filling or all(i.of == phase for i in members)):
            raise StudyError(
                f"recipe: phase {phase!r}",
                "of no size",
                "sized, as its lines are parts of it",
                f"write phases={{{phase!r}: its % of the batch or a factor's name}}, or give one line as % of the batch",
            )


def check_links(recipe: Recipe) -> None:
    """Refuse what is said to hang on something that is not there."""
    names = [i.name for i in recipe.ingredients]
    for item in recipe.ingredients:
        if item.of not in (BATCH, item.phase) and item.of not in names:
            raise StudyError(
                f"ingredient {item.name!r}: of",
                item.of,
                "'batch', its phase or an ingredient of the recipe",
                nearest(item.of, [BATCH, item.phase, *names]),
            )
    of = {i.name: i.of for i in recipe.ingredients if i.of in names}
    for start in of:
        at, passed = start, [start]
        while at in of:
            at = of[at]
            if at in passed:
                raise StudyError(
                    f"ingredient {start!r}: of",
                    " of ".join([*passed, at]),
                    "no circle",
                    "give one of them as % of the batch",
                )
            passed.append(at)
    anchors = names + [line.of_base.name for line in recipe.lines if isinstance(line, Neutralise)]
    anchors += [premix.phase for premix in recipe.premixes]
    for line in recipe.lines:
        if isinstance(line, Step) and line.after is not None and line.after not in anchors:
            raise StudyError(
                f"step {line.text!r}: after",
                line.after,
                "an ingredient of the recipe",
                nearest(line.after, anchors),
            )
        if isinstance(line, Neutralise) and line.stages is not None and line.stages[1] not in names:
            raise StudyError(
                "neutralise: stages, after",
                line.stages[1],
                "an ingredient of the recipe",
                nearest(line.stages[1], names),
            )


def check_premixes(recipe: Recipe) -> None:
    """Refuse premixes that could not be made once for all batches."""
    named = list(dict.fromkeys(i.phase for i in recipe.ingredients))
    for premix in recipe.premixes:
        if premix.phase not in named:
            raise StudyError("recipe: premix", premix.phase, "the phase of an ingredient", nearest(premix.phase, named))
        if premix.name in (i.name for i in recipe.ingredients):
            raise StudyError("recipe: line", premix.name, "no portion's name", "name the ingredient otherwise")
        for item in recipe.members(premix):
            if item.balance and item.of == BATCH:
                raise StudyError(
                    f"recipe: premix {premix.phase!r}",
                    f"with {item.name}, which fills the batch,",
                    "of lines whose amounts do not hang on the rest of the batch",
                    f"put {item.name} into another phase, or let it fill the phase: of={premix.phase!r}",
                )
        for entry in recipe.making(premix):
            if isinstance(entry.line, Step):
                linked = [v for f in SETTINGS if isinstance(v := getattr(entry.line, f), str)]
                if linked:
                    raise StudyError(
                        f"step {entry.line.text!r} of premix {premix.phase!r}",
                        f"set by {linked[0]}",
                        "the same for all batches, as the premix is made once",
                        f"write after={premix.phase!r} if it is done when the portion is in the batch",
                    )


def premixes_of(premixes: object) -> tuple[Premix, ...]:
    """Premixes as given, checked."""
    given = (premixes,) if isinstance(premixes, Premix) else premixes
    if isinstance(given, str) or not isinstance(given, Iterable):
        raise StudyError("recipe: premixes", premixes, "a list of Premix", 'write [Premix("C", losses=5.0)]')
    out: list[Premix] = []
    for premix in given:
        if not isinstance(premix, Premix):
            raise StudyError("recipe: premix", premix, "a Premix", 'write Premix("C", losses=5.0)')
        if premix.phase in (p.phase for p in out):
            raise StudyError("recipe: premix", premix.phase, "a phase named once", "leave the second out")
        out.append(premix)
    return tuple(out)


def phases_of(phases: object) -> tuple[tuple[str, float | str | None], ...]:
    """Phases and their sizes as given, checked."""
    if phases is None:
        return ()
    if isinstance(phases, str) or not isinstance(phases, Iterable):
        raise StudyError("recipe: phases", phases, "a list of names, or a mapping of name to size", "write ['A', 'B']")
    pairs = list(phases.items()) if isinstance(phases, Mapping) else [(name, None) for name in phases]
    out = []
    for name, size in pairs:
        if not isinstance(name, str) or not name.strip():
            raise StudyError("recipe: phases", name, "a text", "name the phase")
        if not (size is None or isinstance(size, str)):
            size = as_number(f"recipe: phase {name!r}", size, "% of the batch")
        out.append((name, size))
    if len({name for name, _ in out}) != len(out):
        raise StudyError("recipe: phases", [name for name, _ in out], "names used once", "leave the second out")
    return tuple(out)
