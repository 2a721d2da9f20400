"""The recipe: what goes in and what is done, in order, from a run's settings to grams on the balance."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from doe.bench.amounts import Row, UnsettledError, as_fraction, solved
from doe.bench.cautions import LAST_WORD, caution
from doe.bench.lines import BATCH, SETTINGS, TOP_PAN, Ingredient, Line, Neutralise, Step, setting_value
from doe.bench.neutralisation import degree_value
from doe.bench.recipe_faults import faults, misfits
from doe.bench.recipe_files import kept, line_content
from doe.bench.weighing import closed, rounded
from doe.bench.weighing_notes import note
from doe.designs import Plan
from doe.study import Categorical, Section, Shown, Study, StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number
from doe.study.files import read_json, taken_from, write_json
from doe.study.shown import number_text

SCHEMA = 1
PROBLEM_COLUMNS = ("run", "where", "found", "allowed", "mend")
PROCEDURE_COLUMNS = ("phase", "do", "grams", "balance", "note", "cautions")


@dataclass(frozen=True)
class _Entry:
    """One thing to do: a line, and which portion of a base."""

    line: Line
    phase: str
    portion: int = 0

    @property
    def name(self) -> str:
        """What the weighing is called; empty for a step."""
        if isinstance(self.line, Ingredient):
            return self.line.name
        return self.line.portions[self.portion] if isinstance(self.line, Neutralise) else ""


@dataclass(frozen=True, repr=False)
class Recipe(Shown):
    """What goes into a batch, in order, and what is done in between.

    Amounts are of the ingredients themselves; what a stock solution or a raw material brings along counts toward the batch.

    Parameters
    ----------
    lines : sequence of Ingredient, Neutralise or Step
        In the order of the bench.
    phases : sequence of str, or mapping of str to (float, str or None), optional
        The phases in the order in which they are made: lines are then taken phase by phase, steps and base with the ingredient before
        them. A mapping gives a phase's size too, in % of the batch or as a factor's name; one of its ingredients may then be the balance
        of the phase. Left out: lines as they stand.

    Raises
    ------
    StudyError
        If names repeat, two lines are the balance, or a line names a phase or an ingredient that is not there.

    Examples
    --------
    >>> gel = Recipe([Ingredient("water", "A", balance=True), Ingredient("carbomer", "A", percent=0.3, acid_content=62.0),
    ...               Neutralise("tromethamine", 0.70, stock=0.20)])
    >>> gel.weigh_out({}, batch_size=200.0)[["line", "grams"]].to_string(index=False, header=False).split()
    ['water', '195.90', 'carbomer', '0.60', 'tromethamine', '3.50']
    """

    lines: tuple[Line, ...]
    phases: tuple[tuple[str, float | str | None], ...] = ()

    def __init__(
        self,
        lines: Iterable[Line],
        phases: Sequence[str] | Mapping[str, float | str | None] | None = None,
    ) -> None:
        given = tuple(lines) if isinstance(lines, Iterable) and not isinstance(lines, str) else (lines,)
        for line in given:
            if not isinstance(line, Ingredient | Neutralise | Step):
                raise StudyError(
                    "recipe: line", line, "an Ingredient, Neutralise or Step", "make it with doe.bench.Ingredient, say"
                )
        object.__setattr__(self, "lines", given)
        object.__setattr__(self, "phases", _phases(phases))
        self._check_names()
        self._check_phases()
        self._check_links()
        self._entries  # noqa: B018  the order is settled now

    # ---- checked once

    def _check_names(self) -> None:
        if not self.ingredients:
            raise StudyError("recipe: lines", "without an ingredient", "at least one ingredient", "say what goes in")
        bases = [line for line in self.lines if isinstance(line, Neutralise)]
        if len(bases) > 1:
            raise StudyError(
                "recipe: lines", f"{len(bases)} Neutralise lines", "one at most", "give a second portion as stages="
            )
        seen = {b.of_base.name for b in bases}
        for item in self.ingredients:
            if item.name in seen:
                raise StudyError(
                    "recipe: line",
                    item.name,
                    "a name used once",
                    "tell the two additions apart, as in 'water, to rinse'",
                )
            seen.add(item.name)
        filling = [i.name for i in self.ingredients if i.balance and i.of == BATCH]
        if len(filling) > 1:
            raise StudyError(
                "recipe: balance", " and ".join(filling), "one ingredient at most", "fix the amount of the other"
            )

    def _check_phases(self) -> None:
        named = list(dict.fromkeys(i.phase for i in self.ingredients))
        for phase, size in self.phases:
            if phase not in named:
                raise StudyError("recipe: phases", phase, "the phase of an ingredient", nearest(phase, named))
            if isinstance(size, float) and not 0 < size <= 100:
                raise StudyError(
                    f"recipe: phase {phase!r}", size, "above 0 and at most 100 %", "give its % of the batch"
                )
        listed = [phase for phase, _ in self.phases]
        for item in self.ingredients:
            if listed and item.phase not in listed:
                raise StudyError(
                    f"ingredient {item.name!r}: phase",
                    item.phase,
                    "one of the recipe's phases",
                    nearest(item.phase, listed),
                )
        names = {i.name for i in self.ingredients}
        for phase in named:
            if phase in names or phase == BATCH:
                raise StudyError(
                    "recipe: phase", phase, "no ingredient's name and not 'batch'", "name the phase otherwise"
                )
            members = [i for i in self.ingredients if i.phase == phase]
            filling = [i.name for i in members if i.balance and i.of == phase]
            if len(filling) > 1:
                raise StudyError(
                    f"recipe: balance of phase {phase!r}",
                    " and ".join(filling),
                    "one ingredient at most",
                    "fix the other",
                )
            sized = dict(self.phases).get(phase) is not None
            if not sized and (filling or all(i.of == phase for i in members)):
                raise StudyError(
                    f"recipe: phase {phase!r}",
                    "of no size",
                    "sized, as its lines are parts of it",
                    f"write phases={{{phase!r}: its % of the batch or a factor's name}}, or give one line as % of the batch",
                )

    def _check_links(self) -> None:
        names = [i.name for i in self.ingredients]
        for item in self.ingredients:
            if item.of not in (BATCH, item.phase) and item.of not in names:
                raise StudyError(
                    f"ingredient {item.name!r}: of",
                    item.of,
                    "'batch', its phase or an ingredient of the recipe",
                    nearest(item.of, [BATCH, item.phase, *names]),
                )
        of = {i.name: i.of for i in self.ingredients if i.of in names}
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
        anchors = names + [line.of_base.name for line in self.lines if isinstance(line, Neutralise)]
        for line in self.lines:
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

    # ---- parts

    @property
    def ingredients(self) -> tuple[Ingredient, ...]:
        """The ingredients, as listed."""
        return tuple(line for line in self.lines if isinstance(line, Ingredient))

    @property
    def neutralise(self) -> Neutralise | None:
        """The line of the base, where there is one."""
        return next((line for line in self.lines if isinstance(line, Neutralise)), None)

    @cached_property
    def linked(self) -> tuple[str, ...]:
        """Names of the factors that set something, in order."""
        out: list[object] = [size for _, size in self.phases]
        for line in self.lines:
            if isinstance(line, Ingredient):
                out.append(line.factor)
            elif isinstance(line, Neutralise):
                out += [line.degree, None if line.stages is None else line.stages[0]]
            else:
                out += [getattr(line, field) for field in SETTINGS]
        return tuple(dict.fromkeys(v for v in out if isinstance(v, str)))

    @cached_property
    def _entries(self) -> tuple[_Entry, ...]:
        """What is done, in order."""
        order = {phase: i for i, (phase, _) in enumerate(self.phases)}
        phase, placed = "", []
        for line in self.lines:
            phase = line.phase if isinstance(line, Ingredient) else phase
            placed.append(_Entry(line, phase, 1 if isinstance(line, Neutralise) and line.stages is not None else 0))
        entries = sorted(placed, key=lambda e: order.get(e.phase, -1))
        for line in self.lines:  # what follows a named addition moves behind it, and behind what moved there before
            if isinstance(line, Neutralise) and line.stages is not None:
                entries.insert(_behind(entries, line.stages[1]), _Entry(line, "", 0))
        for line in self.lines:
            if isinstance(line, Step) and line.after is not None:
                entry = next(e for e in entries if e.line is line)
                entries.remove(entry)
                entries.insert(_behind(entries, line.after), entry)
        return tuple(entries)

    @property
    def weighed(self) -> tuple[str, ...]:
        """Names of the weighings, in order."""
        return tuple(e.name for e in self._entries if e.name)

    # ---- amounts

    def _values(self, run: object) -> dict[str, float]:
        """The linked factors' values in a run."""
        if isinstance(run, pd.DataFrame) and len(run) == 1:
            run = run.iloc[0]
        if not isinstance(run, Mapping | pd.Series):
            raise StudyError(
                "run", type(run).__name__, "one run's settings by factor name", "give plan.runs.loc[3], say"
            )
        settings = dict(run)
        out = {}
        for name in self.linked:
            if name not in settings:
                raise StudyError(
                    f"run: {name!r}",
                    "missing",
                    "there, as the recipe is linked to it",
                    nearest(name, [str(k) for k in settings]),
                )
            out[name] = as_number(f"run: {name!r}", settings[name])
        return out

    def _number(self, value: float | str, values: Mapping[str, float]) -> float:
        return values[value] if isinstance(value, str) else value

    def degrees(self, values: Mapping[str, float]) -> tuple[float, ...]:
        """Degrees of neutralisation that the portions of base reach, the last the final one; none without a base.

        Raises
        ------
        StudyError
            If a degree cannot be, or the first stage is beyond the final degree.
        """
        line = self.neutralise
        if line is None:
            return ()
        last = degree_value("run: degree of neutralisation", self._number(line.degree, values))
        if line.stages is None:
            return (last,)
        first = degree_value("run: degree of the first stage", self._number(line.stages[0], values))
        if first > last:
            raise StudyError(
                "run: degree of the first stage",
                first,
                f"at most the final degree {last:g}",
                "lower the first stage: base cannot be taken out",
            )
        return first, last

    def _share(self, values: Mapping[str, float]) -> dict[str, Fraction]:
        """Grams as weighed in 100 g of batch, exactly; the batch may still not add up."""
        equations: list[tuple[Row, Fraction]] = []
        sizes = dict(self.phases)
        zero, one, hundred = Fraction(0), Fraction(1), Fraction(100)
        content = {i.name: i.content for i in self.ingredients}
        for item in self.ingredients:
            fellows = [i.name for i in self.ingredients if i.phase == item.phase]
            size = sizes.get(item.phase)
            phase_size = None if size is None else as_fraction(self._number(size, values))
            row: Row = {}
            if item.balance and item.of == BATCH:
                equations.append((dict.fromkeys(self.weighed, one), hundred))
                continue
            if item.balance:
                assert phase_size is not None  # refused when the recipe was made
                equations.append((dict.fromkeys(fellows, one), phase_size))
                continue
            amount = as_fraction(values[item.factor] if item.factor is not None else item.percent or 0.0)
            if amount < 0:
                raise StudyError(
                    f"run: {item.factor!r}", float(amount), "0 or above", f"it is an amount of {item.name}"
                )
            row[item.name] = content[item.name]
            if item.of == BATCH:
                equations.append((row, amount))
            elif item.of == item.phase and phase_size is not None:
                equations.append((row, amount * phase_size / 100))
            elif item.of == item.phase:
                for name in fellows:
                    row[name] = row.get(name, zero) - amount / 100
                equations.append((row, zero))
            else:
                times = amount if item.factor is not None else amount / 100
                row[item.of] = row.get(item.of, zero) - times * content[item.of]
                equations.append((row, zero))
        line = self.neutralise
        if line is not None:
            reached = zero
            for name, degree in zip(line.portions, self.degrees(values), strict=True):
                row = {name: one}
                for i in self.ingredients:
                    if i.acid_content is not None:
                        row[i.name] = -(as_fraction(degree) - reached) * i.acid_moles * line.stock_per_mole
                equations.append((row, zero))
                reached = as_fraction(degree)
        try:
            found = solved(self.weighed, equations)
        except UnsettledError as problem:
            raise StudyError(
                f"recipe: amount of {problem.args[0]!r}",
                "left open by the lines",
                "settled by them",
                "lines refer to each other in a circle: give one of them as % of the batch",
            ) from problem
        return {str(name): found[name] for name in self.weighed}

    def readability(self, name: str) -> tuple[float, bool]:
        """What the balance for a weighing shows, g, and whether that is assumed."""
        line: Line | None = next((i for i in self.ingredients if i.name == name), self.neutralise)
        given = getattr(line, "balance_readability", None)
        return (TOP_PAN, True) if given is None else (given, False)

    def _closing(self, share: Mapping[str, Fraction]) -> str:
        """The line that takes up what rounding leaves: the balance, else the largest."""
        filling = [i.name for i in self.ingredients if i.balance and i.of == BATCH]
        return filling[0] if filling else max((i.name for i in self.ingredients), key=lambda n: share[n])

    def weigh_out(self, run: object, batch_size: float = 200.0) -> pd.DataFrame:
        """Grams of every addition, in order.

        Parameters
        ----------
        run : mapping, Series or DataFrame of one row
            The run's settings by factor name: ``plan.runs.loc[3]``.
        batch_size : float
            Grams asked for.

        Returns
        -------
        DataFrame
            One row a weighing: line; grams, as a Decimal with the digits of its balance; balance, what that shows (where assumed, it says
            so); note, what the figure is and what to mind. The grams add up exactly to the batch as printed, which misses the size asked
            by half of the balance line's readability at most. Base is worked out from the polymer as printed.

        Raises
        ------
        StudyError
            If a setting is missing, or the lines make no batch (the balance below 0, or not 100 %): the lines are named.
        """
        return pd.DataFrame(
            [row[:4] for row in self._weighings(run, batch_size)], columns=["line", "grams", "balance", "note"]
        )

    def _weighings(self, run: object, batch_size: float) -> list[tuple[str, Decimal, str, str]]:
        values = self._values(run)
        size = as_number("batch_size", batch_size, "g")
        if not 0 < size <= 1e6:
            raise StudyError("batch_size", size, "above 0 and at most 1000000 g", "give it in g")
        share = self._share(values)
        for problem in faults(self, share, values):
            raise problem
        batch = as_fraction(size)
        grams = {name: value * batch / 100 for name, value in share.items()}
        closing = self._closing(share)
        printed = {name: rounded(value, self.readability(name)[0]) for name, value in grams.items()}
        line = self.neutralise
        if line is not None:  # from the polymer as it will be weighed, the second portion less the first as weighed
            moles = sum(
                (i.acid_moles * Fraction(printed[i.name]) for i in self.ingredients if i.name != closing), Fraction(0)
            )
            moles += sum((i.acid_moles * grams[i.name] for i in self.ingredients if i.name == closing), Fraction(0))
            before = Fraction(0)
            for name, degree in zip(line.portions, self.degrees(values), strict=True):
                grams[name] = max(as_fraction(degree) * moles * line.stock_per_mole - before, Fraction(0))
                printed[name] = rounded(grams[name], self.readability(name)[0])
                before += Fraction(printed[name])
        printed = closed(grams, printed, closing, batch, self.readability(closing)[0])
        if printed[closing] < 0:
            raise StudyError(
                f"recipe: {closing}, which takes up the rounding,",
                f"{printed[closing]} g",
                "0 g or above",
                "make a larger batch or weigh on a finer balance",
            )
        out, poured = [], Decimal(0)
        for name in self.weighed:
            readability, assumed = self.readability(name)
            words = note(self, name, printed, values, poured, batch, closing)
            shows = f"{Decimal(repr(readability))} g" + (" (assumed)" if assumed else "")
            out.append((name, printed[name], shows, words))
            poured += printed[name]
        return out

    # ---- what to do

    def procedure(self, run: object, batch_size: float = 200.0) -> pd.DataFrame:
        """Everything that is done for a batch, in order: additions and steps, with cautions where they are needed.

        Parameters
        ----------
        run, batch_size
            As for `weigh_out`.

        Returns
        -------
        DataFrame
            One row a thing to do: phase, do (what is added, or the step with its settings), grams (None for a step), balance, note,
            cautions (one a line).

        Raises
        ------
        StudyError
            As for `weigh_out`.
        """
        weighings = {row[0]: row for row in self._weighings(run, batch_size)}
        values = self._values(run)
        rows: list[tuple[str, str, Decimal | None, str, str, str]] = []
        for entry in self._entries:
            line = entry.line
            if isinstance(line, Step):
                settings = []
                for field, unit in SETTINGS.items():
                    value = getattr(line, field)
                    if value is not None:
                        number = setting_value(f"run: {value!r}", self._number(value, values), field, unit)
                        settings.append(f"{number_text(number)} {unit}")
                text = line.text + (f": {', '.join(settings)}" if settings else "")
                rows.append((entry.phase, text, None, "", "", _cautions(line.hazards)))
                continue
            _, grams, balance, note = weighings[entry.name]
            hazards = ("base",) if isinstance(line, Neutralise) else line.hazards
            rows.append((entry.phase, entry.name, grams, balance, note, _cautions(hazards)))
        return pd.DataFrame(rows, columns=list(PROCEDURE_COLUMNS), dtype=object)

    # ---- checked against a plan

    def check(self, study: Study, plan: Plan) -> pd.DataFrame:
        """What in recipe, study and plan does not fit together.

        Parameters
        ----------
        study : Study
            Whose factors the lines are linked to.
        plan : Plan
            The runs to be made.

        Returns
        -------
        DataFrame
            One row a problem: run (0 for all), where, found, allowed, mend; empty where every run can be weighed out, holds to the
            limits of its ingredients, and uses every numeric factor.

        Raises
        ------
        StudyError
            If study and plan are not what they should be.
        """
        if not isinstance(study, Study):
            raise StudyError("study", type(study).__name__, "a doe.Study", "give the study of the plan")
        if not isinstance(plan, Plan):
            raise StudyError("plan", type(plan).__name__, "a Plan", "make one with doe.designs")
        if plan.study.names != study.names:
            raise StudyError(
                "plan: factors", plan.study.names, f"those of the study, {study.names}", "give its own plan"
            )
        problems = [(0, p) for p in misfits(self, study)]
        if all(name in study.names and not isinstance(study.factor(name), Categorical) for name in self.linked):
            for run, settings in plan.runs.sort_index().iterrows():
                problems += [(int(run), p) for p in self._run_problems(settings)]  # type: ignore[call-overload]
        rows = [(run, p.where, str(p.found), p.allowed, p.mend) for run, p in problems]
        return pd.DataFrame(rows, columns=list(PROBLEM_COLUMNS))

    def _run_problems(self, settings: object) -> list[StudyError]:
        try:
            values = self._values(settings)
            share = self._share(values)
            for line in self.lines:
                if isinstance(line, Step):
                    for field, unit in SETTINGS.items():
                        if isinstance(name := getattr(line, field), str):
                            setting_value(f"run: {name!r}", values[name], field, unit)
        except StudyError as problem:
            return [problem]
        return faults(self, share, values)

    # ---- keeping

    def content(self) -> dict[str, Any]:
        """The recipe as plain values that go into JSON."""
        phases = [{"name": name, "size": size} for name, size in self.phases]
        return {"kind": "recipe", "schema": SCHEMA, "phases": phases, "lines": [line_content(v) for v in self.lines]}

    def save(self, path: str | os.PathLike[str]) -> Path:
        """Write the recipe as JSON that a person can read; the file is replaced whole or not at all."""
        return write_json(path, self.content())

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Recipe:
        """Read a recipe that `save` wrote.

        Raises
        ------
        StudyError
            If the file is missing, cut short, of a newer schema, or says something that no recipe can be.
        """
        content, where = read_json(path, "recipe", SCHEMA), f"recipe file {str(path)!r}"
        with taken_from(where, "recipe"):
            return cls.from_content(content, where)

    @classmethod
    def from_content(cls, content: Mapping[str, Any], where: str = "recipe") -> Recipe:
        """The recipe that `content` described; `where` begins its errors' sentences."""
        lines, phases = kept(content, where)
        return cls(lines, phases or None)

    # ---- shown

    def _sections(self) -> list[Section]:
        rows = []
        for entry in self._entries:
            line = entry.line
            if isinstance(line, Ingredient):
                how = f"{100 * line.stock:g} % w/w stock" if line.stock else f"{100 * line.active:g} % active"
                rows.append(
                    (entry.phase, line.name, line.amount_text, "" if how == "100 % active" else how, line.function)
                )
            elif isinstance(line, Neutralise):
                degree = (line.stages or ("",))[0] if entry.portion < len(line.portions) - 1 else line.degree
                goal = f"‹{degree}›" if isinstance(degree, str) else f"{degree:g}"
                rows.append((entry.phase, entry.name, f"to degree {goal}", f"{100 * line.stock:g} % w/w stock", "base"))
            else:
                settings = [
                    f"{f'‹{v}›' if isinstance(v, str) else f'{v:g}'} {unit}"
                    for field, unit in SETTINGS.items()
                    if (v := getattr(line, field)) is not None
                ]
                rows.append((entry.phase, f"→ {line.text}", ", ".join(settings), "", ""))
        for phase, size in self.phases:
            if size is not None:
                rows.append(
                    (phase, "(whole phase)", f"{size:g} %" if isinstance(size, float) else f"‹{size}› %", "", "")
                )
        table = pd.DataFrame(rows, columns=["phase", "line", "amount", "as", "function"])
        factors = ", ".join(self.linked) or "none"
        return [
            Section(
                f"Recipe: {len(self.ingredients)} ingredients",
                table,
                f"Amounts are % w/w of the batch where nothing else is said; ‹…› is set by a factor ({factors}).\n{LAST_WORD}",
            )
        ]


def _behind(entries: Sequence[_Entry], name: str) -> int:
    """Place behind the last weighing of this name, and behind what was put there before it."""
    at = max(
        i
        for i, e in enumerate(entries)
        if e.name == name or (isinstance(e.line, Neutralise) and e.line.of_base.name == name)
    )
    at += 1
    while at < len(entries) and (
        (isinstance(entries[at].line, Step) and getattr(entries[at].line, "after", None) == name)
        or (isinstance(entries[at].line, Neutralise) and entries[at].phase == "")
    ):
        at += 1
    return at


def _cautions(hazards: Iterable[str]) -> str:
    return "\n".join(dict.fromkeys(caution(h) for h in hazards))


def _phases(phases: object) -> tuple[tuple[str, float | str | None], ...]:
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
