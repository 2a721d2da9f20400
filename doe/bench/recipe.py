"""The recipe: what goes in and what is done, in order, from a run's settings to grams on the balance."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.bench.acid_base import base_needs, exactly, portion_row
from doe.bench.amounts import Row, UnsettledError, as_fraction, solved
from doe.bench.cautions import LAST_WORD
from doe.bench.lines import BATCH, SETTINGS, TOP_PAN, Ingredient, Line, Neutralise, Step, setting_value
from doe.bench.made_apart import BaseGel, Premix
from doe.bench.neutralisation import degree_value
from doe.bench.recipe_checks import (
    check_links,
    check_names,
    check_phases,
    check_premixes,
    phases_of,
    premixes_of,
)
from doe.bench.recipe_faults import faults, misfits
from doe.bench.recipe_files import apart_content, kept, kept_apart, line_content
from doe.bench.sequence import Entry, cautions_of, entries_of, steps_of, weighing_for
from doe.bench.weighing import closed, rounded
from doe.bench.weighing_notes import note
from doe.designs import Plan
from doe.study import Categorical, Section, Shown, Study, StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number
from doe.study.files import read_json, taken_from, write_json
from doe.study.shown import number_text

if TYPE_CHECKING:
    from doe.bench.base_gels import BaseGels
    from doe.bench.costs import Cost
    from doe.bench.premixes import PremixMade

SCHEMA = 1
PROBLEM_COLUMNS = ("run", "where", "found", "allowed", "mend")
PROCEDURE_COLUMNS = ("phase", "do", "grams", "balance", "note", "cautions")


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
    premixes : sequence of Premix, optional
        Phases that are made once for all batches and portioned.
    base_gel : BaseGel, optional
        How the beakers of a whole plot are made from one base, in plans that have whole plots.

    Raises
    ------
    StudyError
        If names repeat, two lines are the balance, or a line names a phase or an ingredient that is not there; if a premix holds the
        balance of the batch, or a step of its making is set by a factor.

    Examples
    --------
    >>> gel = Recipe([Ingredient("water", "A", balance=True), Ingredient("carbomer", "A", percent=0.3, acid_content=62.0),
    ...               Neutralise("tromethamine", 0.70, stock=0.20)])
    >>> gel.weigh_out({}, batch_size=200.0)[["line", "grams"]].to_string(index=False, header=False).split()
    ['water', '195.90', 'carbomer', '0.60', 'tromethamine', '3.50']
    """

    lines: tuple[Line, ...]
    phases: tuple[tuple[str, float | str | None], ...] = ()
    premixes: tuple[Premix, ...] = ()
    base_gel: BaseGel | None = None

    def __init__(
        self,
        lines: Iterable[Line],
        phases: Sequence[str] | Mapping[str, float | str | None] | None = None,
        premixes: Iterable[Premix] = (),
        base_gel: BaseGel | None = None,
    ) -> None:
        given = tuple(lines) if isinstance(lines, Iterable) and not isinstance(lines, str) else (lines,)
        for line in given:
            if not isinstance(line, Ingredient | Neutralise | Step):
                raise StudyError(
                    "recipe: line", line, "an Ingredient, Neutralise or Step", "make it with doe.bench.Ingredient, say"
                )
        object.__setattr__(self, "lines", given)
        object.__setattr__(self, "phases", phases_of(phases))
        object.__setattr__(self, "premixes", premixes_of(premixes))
        if not (base_gel is None or isinstance(base_gel, BaseGel)):
            raise StudyError("recipe: base_gel", base_gel, "a doe.bench.BaseGel or None", "write BaseGel(losses=5.0)")
        object.__setattr__(self, "base_gel", base_gel)
        check_names(self)
        check_phases(self)
        check_links(self)
        check_premixes(self)
        self.entries  # noqa: B018  the order is settled now

    # ---- parts

    def members(self, premix: Premix) -> tuple[Ingredient, ...]:
        """The ingredients of a premix."""
        return tuple(i for i in self.ingredients if i.phase == premix.phase)

    def amounts_of(self, factors: Iterable[str]) -> tuple[str, ...]:
        """Which of these factors set an amount, rather than a step."""
        sizes: list[object] = [size for _, size in self.phases]
        for line in self.lines:
            if isinstance(line, Ingredient):
                sizes += [line.factor, line.name if line.balance else None]
            elif isinstance(line, Neutralise):
                sizes += [line.degree, None if line.stages is None else line.stages[0]]
        return tuple(name for name in factors if name in sizes)

    def making(self, premix: Premix) -> tuple[Entry, ...]:
        """How a premix is made, in order."""
        return steps_of(self, premix)

    def place_of(self, name: str) -> str:
        """The weighing into the batch that a phase or an ingredient stands for: of a premix, its portion."""
        return weighing_for(self, name)

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
    def entries(self) -> tuple[Entry, ...]:
        """What is done for a batch, in order."""
        return entries_of(self)

    @property
    def weighed(self) -> tuple[str, ...]:
        """Names of the weighings, in order."""
        return tuple(e.name for e in self.entries if e.name)

    @cached_property
    def unknowns(self) -> tuple[str, ...]:
        """Names of everything that makes up a batch: ingredients and portions of base, in order; of a premix, its ingredients."""
        out: list[str] = []
        for entry in self.entries:
            if isinstance(entry.line, Premix):
                out += [i.name for i in self.members(entry.line)]
            elif entry.name:
                out.append(entry.name)
        return tuple(out)

    # ---- amounts

    def values(self, run: object) -> dict[str, float]:
        """The linked factors' values in a run.

        Raises
        ------
        StudyError
            If one is missing or no number.
        """
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

    def equations(
        self, values: Mapping[str, Any], degrees: Sequence[Any], number: Callable[[Any], Any]
    ) -> list[tuple[dict[Any, Any], Any]]:
        """What the lines say of the grams as weighed in 100 g of batch: one linear equation for each of `unknowns`.

        `number` makes the numbers to reckon with, of a value or of the values of many runs; a negative amount is refused.
        """
        equations: list[tuple[dict[Any, Any], Any]] = []
        sizes = dict(self.phases)
        zero, one, hundred = number(0), number(1), number(100)
        content = {i.name: number(i.content) for i in self.ingredients}
        for item in self.ingredients:
            fellows = [i.name for i in self.ingredients if i.phase == item.phase]
            size = sizes.get(item.phase)
            phase_size = None if size is None else number(self._number(size, values))
            row: dict[Any, Any] = {}
            if item.balance and item.of == BATCH:
                equations.append((dict.fromkeys(self.unknowns, one), hundred))
                continue
            if item.balance:
                assert phase_size is not None  # refused when the recipe was made
                equations.append((dict.fromkeys(fellows, one), phase_size))
                continue
            amount = number(values[item.factor] if item.factor is not None else item.percent or 0.0)
            if np.any(amount < 0):
                raise StudyError(
                    f"run: {item.factor!r}", float(np.min(amount)), "0 or above", f"it is an amount of {item.name}"
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
            needs = base_needs(self, degrees, number)
            for portion, name in enumerate(line.portions):
                row = {k: -v for k, v in portion_row(needs, portion, number(line.stock_per_mole)).items()}
                equations.append(({**row, name: one}, zero))
        return equations

    def share(self, values: Mapping[str, float]) -> dict[str, Fraction]:
        """Grams as weighed in 100 g of batch, exactly, by `unknowns`; the batch may still not add up.

        Raises
        ------
        StudyError
            If an amount is below 0 or left open by the lines.
        """
        equations: list[tuple[Row, Fraction]] = self.equations(values, self.degrees(values), exactly)
        try:
            found = solved(self.unknowns, equations)
        except UnsettledError as problem:
            raise StudyError(
                f"recipe: amount of {problem.args[0]!r}",
                "left open by the lines",
                "settled by them",
                "lines refer to each other in a circle: give one of them as % of the batch",
            ) from problem
        return {str(name): found[name] for name in self.unknowns}

    def readability(self, name: str) -> tuple[float, bool]:
        """What the balance for a weighing shows, g, and whether that is assumed."""
        apart: Iterable[Ingredient | Premix] = (*self.premixes, *self.ingredients)
        line = next((i for i in apart if i.name == name), self.neutralise)
        given = getattr(line, "balance_readability", None)
        return (TOP_PAN, True) if given is None else (given, False)

    def balance_text(self, name: str) -> str:
        """The balance for a weighing, in words."""
        readability, assumed = self.readability(name)
        return f"{Decimal(repr(readability))} g" + (" (assumed)" if assumed else "")

    def _closing(self, share: Mapping[str, Fraction]) -> str:
        """The line that takes up what rounding leaves: the balance, else the largest."""
        filling = [i.name for i in self.ingredients if i.balance and i.of == BATCH]
        if filling:
            return filling[0]
        portions = {p.name: sum((share[i.name] for i in self.members(p)), Fraction(0)) for p in self.premixes}
        portions |= {i.name: share[i.name] for i in self.ingredients if self.place_of(i.name) == i.name}
        return max(portions, key=lambda n: portions[n])

    def _portioned(self, grams: dict[str, Fraction], batch: Fraction) -> dict[str, Decimal | Fraction]:
        """Grams as printed of every weighing, and of what its portion brings of every ingredient of a premix; portions join `grams`.

        What rounding would lift above its greatest share of the batch is rounded down.
        """
        most = {
            i.name: as_fraction(i.max_percent) / 100 * batch / i.content
            for i in self.ingredients
            if i.max_percent is not None
        }
        for premix in self.premixes:
            grams[premix.name] = sum((grams[i.name] for i in self.members(premix)), Fraction(0))
        printed: dict[str, Decimal | Fraction] = {
            name: rounded(value, self.readability(name)[0], most.get(name)) for name, value in grams.items()
        }
        for premix in self.premixes:
            held = grams[premix.name]
            parts = {i.name: grams[i.name] / held if held else Fraction(0) for i in self.members(premix)}
            tight = [most[name] / part for name, part in parts.items() if name in most and part]
            printed[premix.name] = rounded(held, self.readability(premix.name)[0], min(tight, default=None))
            printed |= {name: part * Fraction(printed[premix.name]) for name, part in parts.items()}
        return printed

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
            by half of the balance line's readability at most. Base is worked out from the polymer as printed. Of a premix, the portion.

        Raises
        ------
        StudyError
            If a setting is missing, or the lines make no batch (the balance below 0, or not 100 %): the lines are named.
        """
        return pd.DataFrame(
            [row[:4] for row in self._weighings(run, batch_size)], columns=["line", "grams", "balance", "note"]
        )

    def grams(self, run: object, batch_size: float, where: str = "") -> dict[str, Decimal]:
        """Grams of every weighing of a run; `where` goes before what is wrong."""
        try:
            return {row[0]: row[1] for row in self._weighings(run, batch_size)}
        except StudyError as problem:
            raise StudyError(f"{where}{problem.where}", problem.found, problem.allowed, problem.mend) from problem

    def _weighings(self, run: object, batch_size: float) -> list[tuple[str, Decimal, str, str]]:
        values = self.values(run)
        size = as_number("batch_size", batch_size, "g")
        if not 0 < size <= 1e6:
            raise StudyError("batch_size", size, "above 0 and at most 1000000 g", "give it in g")
        share = self.share(values)
        for problem in faults(self, share, values):
            raise problem
        batch = as_fraction(size)
        grams = {name: value * batch / 100 for name, value in share.items()}
        closing = self._closing(share)
        printed = self._portioned(grams, batch)
        line = self.neutralise
        if line is not None:  # from the polymer as it will be weighed, the second portion less the first as weighed
            put_in = {n: grams[n] if n == closing else Fraction(printed[n]) for n in share}
            before = Fraction(0)
            for name, needed in zip(line.portions, base_needs(self, self.degrees(values)), strict=True):
                moles = sum((v * put_in[k] for k, v in needed.items()), Fraction(0))
                grams[name] = max(moles * line.stock_per_mole - before, Fraction(0))  # only rounding goes below
                printed[name] = rounded(grams[name], self.readability(name)[0])
                before += Fraction(printed[name])
        weighed = {name: value for name in self.weighed if isinstance(value := printed[name], Decimal)}
        weighed = closed({n: grams[n] for n in weighed}, weighed, closing, batch, self.readability(closing)[0])
        printed |= weighed
        if weighed[closing] < 0:
            raise StudyError(
                f"recipe: {closing}, which takes up the rounding,",
                f"{weighed[closing]} g",
                "0 g or above",
                "make a larger batch or weigh on a finer balance",
            )
        out, poured = [], Decimal(0)
        for name in self.weighed:
            words = note(self, name, printed, values, poured, batch, closing)
            shows = self.balance_text(name)
            out.append((name, weighed[name], shows, words))
            poured += weighed[name]
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
        values = self.values(run)
        rows: list[tuple[str, str, Decimal | None, str, str, str]] = []
        for entry in self.entries:
            line = entry.line
            if isinstance(line, Step):
                rows.append((entry.phase, self.step_text(line, values), None, "", "", cautions_of(line)))
                continue
            _, grams, balance, note = weighings[entry.name]
            rows.append((entry.phase, entry.name, grams, balance, note, cautions_of(line)))
        return pd.DataFrame(rows, columns=list(PROCEDURE_COLUMNS), dtype=object)

    def step_text(self, step: Step, values: Mapping[str, float]) -> str:
        """What is done at a step, with its settings in this run."""
        settings = []
        for field, unit in SETTINGS.items():
            value = getattr(step, field)
            if value is not None:
                number = setting_value(f"run: {value!r}", self._number(value, values), field, unit)
                settings.append(f"{number_text(number)} {unit}")
        return step.text + (f": {', '.join(settings)}" if settings else "")

    # ---- made apart

    def premixes_made(
        self,
        plan: Plan,
        batch_size: float = 200.0,
        gels: BaseGels | None = None,
        runs: Collection[int] | None = None,
    ) -> tuple[PremixMade, ...]:
        """The premixes of a plan's batches: how much of each, from what, in which portions.

        Parameters
        ----------
        plan : Plan
            All runs that take their portions from the premixes.
        batch_size : float
            Grams of each batch.
        gels : BaseGels, optional
            What `base_gels` gave, where beakers are made from base gels: portions are then of these or of the beakers.
        runs : collection of int, optional
            The runs to be made; all if left out. With `gels` it is theirs.

        Returns
        -------
        tuple of PremixMade
            One a premix; empty where the recipe has none. Each is large enough for all portions, its allowance for losses, and the least
            weighing of every line on its balance.

        Raises
        ------
        StudyError
            If a premix is not the same in all runs (run and ingredient are named), or a run cannot be made.
        """
        from doe.bench.premixes import premixes_made

        return premixes_made(self, plan, batch_size, gels, runs)

    def base_gels(self, plan: Plan, batch_size: float = 200.0, runs: Collection[int] | None = None) -> BaseGels:
        """One base for each whole plot of a plan, and how its beakers are made from it.

        Parameters
        ----------
        plan : Plan
            With whole plots: the beakers of one are made from one base.
        batch_size : float
            Grams of each beaker's batch.
        runs : collection of int, optional
            The runs to be made; all if left out. Bases hold enough for their beakers.

        Returns
        -------
        BaseGels
            What goes into each base and how much of it is made; of each beaker the mass of base to pour, the water held back, and its own
            additions, which together are the batch. `base_gel` says how; without it the usual allowances are assumed, and said.

        Raises
        ------
        StudyError
            If the plan has no whole plots, or a beaker cannot be reached from the base of its whole plot: run and ingredient are named.
        """
        from doe.bench.base_gels import base_gels_of

        return base_gels_of(self, plan, batch_size, runs)

    # ---- what it costs

    def cost(self, run: object, batch_size: float = 1000.0) -> Cost:
        """What the raw materials of a batch cost.

        Parameters
        ----------
        run : mapping, Series or DataFrame of one row
            The run's settings by factor name.
        batch_size : float
            Grams.

        Returns
        -------
        Cost
            `.table` (ingredient, grams of the raw material, cost per kg, cost), `.per_kg` of batch, `.total`, and `.open`: ingredients
            without a cost, which are not in the sums.

        Raises
        ------
        StudyError
            As for `weigh_out`.
        """
        from doe.bench.costs import cost_of

        return cost_of(self, run, batch_size)

    def cost_per_kg(self, settings: pd.DataFrame) -> pd.Series[float]:
        """What the raw materials of a kilogram of batch cost, at many settings at once.

        Parameters
        ----------
        settings : DataFrame
            One row a setting, one column a factor that the recipe is linked to.

        Returns
        -------
        Series
            Cost per kg, by the rows of `settings`, in the currency of the ingredients' costs. Losses are not counted.

        Raises
        ------
        StudyError
            If an ingredient that goes in has no cost (all of them are named), or a row makes no batch.
        """
        from doe.bench.costs import costs_per_kg

        return costs_per_kg(self, settings)

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
            if self.premixes and not problems:
                from doe.bench.premixes import unlike

                problems += unlike(self, plan)
            if self.base_gel is not None and plan.whole_plot is not None and not problems:
                try:
                    self.base_gels(plan)
                except StudyError as problem:
                    problems.append((0, problem))
        rows = [(run, p.where, str(p.found), p.allowed, p.mend) for run, p in problems]
        return pd.DataFrame(rows, columns=list(PROBLEM_COLUMNS))

    def _run_problems(self, settings: object) -> list[StudyError]:
        try:
            values = self.values(settings)
            share = self.share(values)
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
        content = {"kind": "recipe", "schema": SCHEMA, "phases": phases, "lines": [line_content(v) for v in self.lines]}
        return content | apart_content(self.premixes, self.base_gel)

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
        premixes, base_gel = kept_apart(content, where)
        return cls(lines, phases or None, premixes, base_gel)

    # ---- shown

    def _sections(self) -> list[Section]:
        rows, entries = [], list[Entry]()
        for entry in self.entries:
            entries += [*self.making(entry.line), entry] if isinstance(entry.line, Premix) else [entry]
        for entry in entries:
            line = entry.line
            if isinstance(line, Premix):
                rows.append((entry.phase, line.name, "the portion", f"{line.losses:g} % made for losses", "made once"))
            elif isinstance(line, Ingredient):
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
