"""In which order things are done: lines phase by phase, what follows a named addition behind it, a premix as one portion."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from doe.bench.cautions import caution
from doe.bench.lines import Ingredient, Line, Neutralise, Step
from doe.bench.made_apart import Premix

if TYPE_CHECKING:
    from doe.bench.recipe import Recipe

HOT = 50.0  # °C from which a step carries the caution of hot things: common practice, no source


@dataclass(frozen=True)
class Entry:
    """One thing to do: a line, and which portion of a base."""

    line: Line | Premix
    phase: str
    portion: int = 0

    @property
    def name(self) -> str:
        """What the weighing is called; empty for a step."""
        if isinstance(self.line, Ingredient | Premix):
            return self.line.name
        return self.line.portions[self.portion] if isinstance(self.line, Neutralise) else ""


def entries_of(recipe: Recipe) -> tuple[Entry, ...]:
    """What is done, in order."""
    order = {phase: i for i, (phase, _) in enumerate(recipe.phases)}
    phase, placed, once = "", list[Entry](), steps_made_once(recipe)
    apart = {p.phase: p for p in recipe.premixes}
    for at, line in enumerate(recipe.lines):
        phase = line.phase if isinstance(line, Ingredient) else phase
        if isinstance(line, Ingredient) and phase in apart:  # its portion stands where its first line does
            if all(e.line is not apart[phase] for e in placed):
                placed.append(Entry(apart[phase], phase))
            continue
        if at in once:
            continue
        placed.append(Entry(line, phase, 1 if isinstance(line, Neutralise) and line.stages is not None else 0))
    entries = sorted(placed, key=lambda e: order.get(e.phase, -1))
    for line in recipe.lines:  # what follows a named addition moves behind it, and behind what moved there before
        if isinstance(line, Neutralise) and line.stages is not None:
            entries.insert(_behind(entries, recipe.place_of(line.stages[1]), recipe.place_of), Entry(line, "", 0))
    return tuple(moved(entries, recipe.place_of))


def steps_made_once(recipe: Recipe) -> dict[int, str]:
    """Places in `lines` of the steps by which premixes are made, and the phase of each."""
    apart, out, phase, poured = {p.phase for p in recipe.premixes}, {}, "", set()
    of = {i.name: i.phase for i in recipe.ingredients}
    for place, line in enumerate(recipe.lines):
        phase = line.phase if isinstance(line, Ingredient) else phase
        if not isinstance(line, Step):
            continue
        if line.after in apart:
            poured.add(line.after)
        elif line.after is None and phase in apart and phase not in poured:
            out[place] = phase
        elif line.after is not None and of.get(line.after) in apart:
            out[place] = of[line.after]
    return out


def steps_of(recipe: Recipe, premix: Premix) -> tuple[Entry, ...]:
    """How a premix is made, in order."""
    once = steps_made_once(recipe)
    entries = [
        Entry(line, premix.phase)
        for place, line in enumerate(recipe.lines)
        if (isinstance(line, Ingredient) and line.phase == premix.phase) or once.get(place) == premix.phase
    ]
    return tuple(moved(entries, lambda name: name))


def weighing_for(recipe: Recipe, name: str) -> str:
    """The weighing into the batch that a phase or an ingredient stands for: of a premix, its portion."""
    of = {i.name: i.phase for i in recipe.ingredients}
    return next((p.name for p in recipe.premixes if p.phase in (name, of.get(name))), name)


def moved(entries: list[Entry], place_of: Callable[[str], str]) -> list[Entry]:
    """Entries with each step that names an addition behind it."""
    out = list(entries)
    for entry in entries:
        if isinstance(entry.line, Step) and entry.line.after is not None:
            del out[next(i for i, e in enumerate(out) if e is entry)]  # two steps may read alike
            place = _behind(out, place_of(entry.line.after), place_of)
            # it is done to what was added: where that is of another phase than the lines around the step, that phase is the step's
            out.insert(place, replace(entry, phase=out[place - 1].phase))
    return out


def _behind(entries: Sequence[Entry], name: str, place_of: Callable[[str], str]) -> int:
    """Place behind the last weighing of this name, and behind what was put there before it."""
    at = max(
        i
        for i, e in enumerate(entries)
        if e.name == name or (isinstance(e.line, Neutralise) and e.line.of_base.name == name)
    )
    at += 1
    while at < len(entries) and (
        (isinstance(line := entries[at].line, Step) and line.after is not None and place_of(line.after) == name)
        or (isinstance(line, Neutralise) and entries[at].phase == "")
    ):
        at += 1
    return at


def cautions_of(line: Line | Premix) -> str:
    """The cautions of a line, one a row of text: those given, and those that what is done brings with it."""
    if isinstance(line, Premix):
        return ""
    hazards = ("base",) if isinstance(line, Neutralise) else tuple(line.hazards)
    if isinstance(line, Ingredient):
        hazards += ("base",) if line.base is not None else ()
        # an acid polymer that is weighed neat is a fine powder; as a stock or a part-active emulsion it is a liquid
        neat = line.stock is None and line.active == 1
        hazards += ("powder",) if neat and line.acid_content is not None and line.shares_degree else ()
    if isinstance(line, Step):
        # a temperature that is a factor may be hot in some run
        hot = line.temperature is not None and (isinstance(line.temperature, str) or line.temperature >= HOT)
        hazards += ("heat",) if hot else ()
        hazards += ("impeller",) if line.speed is not None else ()
    return "\n".join(dict.fromkeys(caution(h) for h in hazards))
