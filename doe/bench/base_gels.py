"""One base for each whole plot of a plan, and the beakers that are made from it: poured, topped up with water held back, completed."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import pandas as pd

from doe.bench.acid_base import base_needs
from doe.bench.amounts import as_fraction
from doe.bench.chosen_runs import wanted_runs
from doe.bench.lines import BATCH, SETTINGS, TOP_PAN, Ingredient, Neutralise, Step
from doe.bench.made_apart import FOLLOWS, HELD_BACK, POURED, TOP_UP, BaseGel, Made, Premix, made
from doe.bench.recipe_faults import faults
from doe.bench.sequence import Entry, cautions_of
from doe.bench.weighing import WITHIN, closed, least, rounded
from doe.bench.weighing_notes import base_note, content_words, note, too_little
from doe.designs import Plan
from doe.study import Section, Shown, StudyError
from doe.study.errors import nearest
from doe.study.factors import as_number
from doe.study.shown import number_text

if TYPE_CHECKING:
    from doe.bench.recipe import Recipe

COLUMNS = ("phase", "do", "grams", "balance", "note", "cautions")
BEAKER_COLUMNS = (*COLUMNS, "role", "rate")


@dataclass(frozen=True, eq=False)
class BaseMade:
    """The base of one whole plot.

    Attributes
    ----------
    whole_plot : str
        Its label.
    runs : tuple of int
        The beakers made from it.
    made : Made
        Its weighings, how much of it, and why so much.
    poured : Decimal
        Grams that each beaker gets.
    procedure : DataFrame
        As of `Recipe.procedure`.
    concentrated : float
        How many times as concentrated as the batches it is.
    """

    whole_plot: str
    runs: tuple[int, ...]
    made: Made
    poured: Decimal
    procedure: pd.DataFrame
    concentrated: float

    @property
    def name(self) -> str:
        """What it is called on the beakers' pages."""
        return f"base gel {self.whole_plot}"


@dataclass(frozen=True, repr=False, eq=False)
class BaseGels(Shown):
    """The bases of a plan's whole plots, and their beakers.

    Attributes
    ----------
    bases : tuple of BaseMade
        One a whole plot, in the order of the plan.
    beakers : mapping of int to DataFrame
        What is done for each run, in order: phase, do, grams (Decimal, None for a step), balance, note, cautions, role ("poured", "top
        up", "follows the base" or nothing), and rate: grams for each gram of base really poured, where the line follows that.
    chosen : str
        Why the base ends where it does.
    allowances : str
        Losses and water held back, and which of them are assumed.
    """

    bases: tuple[BaseMade, ...]
    beakers: Mapping[int, pd.DataFrame]
    chosen: str
    allowances: str

    def base_of(self, run: int) -> BaseMade:
        """The base that a run's beaker is made from."""
        return next(b for b in self.bases if run in b.runs)

    @property
    def summary(self) -> pd.DataFrame:
        """One row a base: whole plot, runs, grams made, grams poured into each beaker."""
        rows = [(b.whole_plot, ", ".join(map(str, b.runs)), b.made.total, b.poured) for b in self.bases]
        return pd.DataFrame(rows, columns=["whole plot", "runs", "made (g)", "poured into each (g)"], dtype=object)

    def _sections(self) -> list[Section]:
        out = [Section("Base gels", self.summary.astype(str), f"{self.chosen}\n{self.allowances}")]
        for base in self.bases:
            out.append(Section(f"Base gel {base.whole_plot}", _shown(base.procedure), base.made.reason))
        for run, rows in self.beakers.items():
            out.append(Section(f"Beaker of run {run}", _shown(rows)))
        return out


def base_gels_of(recipe: Recipe, plan: Plan, batch_size: float, runs: Collection[int] | None = None) -> BaseGels:
    """See `Recipe.base_gels`."""
    if not isinstance(plan, Plan):
        raise StudyError("plan", type(plan).__name__, "a Plan", "make one with doe.designs")
    if plan.whole_plot is None:
        raise StudyError(
            "plan: whole plots", "missing", "there", "mark as hard to change what the beakers of one base share"
        )
    size = as_number("batch_size", batch_size, "g")
    if not 0 < size <= 1e6:
        raise StudyError("batch_size", size, "above 0 and at most 1000000 g", "give it in g")
    bench = _Bench(recipe, plan, recipe.base_gel or BaseGel(), as_fraction(size))
    wanted = wanted_runs(runs, plan)
    made = [int(run) for run in plan.runs.index if run in wanted]
    plots = dict.fromkeys(str(plan.whole_plot.loc[run]) for run in made)
    bases = tuple(bench.base(label, tuple(run for run in bench.plots[label] if run in made)) for label in plots)
    of = {run: base for base in bases for run in base.runs}
    beakers = {run: bench.beaker(run, of[run]) for run in made}
    return BaseGels(bases, beakers, bench.chosen, bench.allowances)


class _Bench:
    """A recipe split into what goes into the base and what into the beaker."""

    def __init__(self, recipe: Recipe, plan: Plan, how: BaseGel, batch: Fraction) -> None:
        self.recipe, self.plan, self.how, self.batch = recipe, plan, how, batch
        self.values = {int(run): recipe.values(row) for run, row in plan.runs.iterrows()}  # type: ignore[call-overload]
        self.shares = {run: recipe.share(values) for run, values in self.values.items()}
        for run, share in self.shares.items():
            for problem in faults(recipe, share, self.values[run]):
                raise StudyError(f"run {run}: {problem.where}", problem.found, problem.allowed, problem.mend)
        assert plan.whole_plot is not None
        self.plots = {
            str(label): tuple(sorted(int(r) for r in rows.index))
            for label, rows in plan.whole_plot.groupby(plan.whole_plot)
        }
        self.water = next((i.name for i in recipe.ingredients if i.balance and i.of == BATCH), None)
        self.inside, self.outside, self.chosen = self._split()
        # every ingredient and portion of base that the base holds; of a premix, what its portion brings
        self.held = [n for e in self.inside for n in self._parts(e)]
        self.splits = self.water in self.held

    @property
    def allowances(self) -> str:
        """Losses and water held back, in words."""
        losses, assumed = self.how.losses_taken
        text = f"Made in excess for losses: {number_text(losses)} %{' (assumed)' if assumed else ''}."
        if self.splits:
            hold_back, assumed = self.how.hold_back_taken
            text += f" Of {self.water}, each beaker keeps at least {number_text(hold_back)} % of its batch{' (assumed)' if assumed else ''}."
        return text

    # ---- what goes into the base

    def _parts(self, entry: Entry) -> tuple[str, ...]:
        if isinstance(entry.line, Premix):
            return tuple(i.name for i in self.recipe.members(entry.line))
        return (entry.name,) if entry.name else ()

    def _split(self) -> tuple[list[Entry], list[Entry], str]:
        entries, last = list(self.recipe.entries), self.how.last
        if last is not None:
            names = [e.name for e in entries if e.name]
            at = self.recipe.place_of(last)
            if at not in names:
                raise StudyError("base gel: last", last, "a weighing of the recipe", nearest(last, names))
            end = next(i for i, e in enumerate(entries) if e.name == at) + 1
            for entry in entries[:end]:
                self._refuse_changed(entry)
            while end < len(entries) and isinstance(entries[end].line, Step) and not self._why(entries[end]):
                end += 1
            chosen = f"The base goes up to {last}, as the recipe says."
        else:
            end = next((i for i, e in enumerate(entries) if self._why(e)), len(entries))
            why = "" if end == len(entries) else self._why(entries[end])
            stop = "" if end == len(entries) else entries[end].name or f"“{getattr(entries[end].line, 'text', '')}”"
            chosen = (
                f"Derived from the recipe: the base holds what comes before {stop}, {why}."
                if stop
                else "Derived from the recipe: no line differs between the beakers of a base, so all of them go into it."
            )
            if not any(e.name for e in entries[:end]):
                raise StudyError(
                    "base gel",
                    f"empty, as {stop} comes first, {why}",
                    "of one ingredient at least",
                    "move what the beakers share to the front of the recipe, or make each batch by itself",
                )
        return entries[:end], entries[end:], chosen

    def _why(self, entry: Entry) -> str:
        """Why a line cannot go into a base, to be read after its name; empty where it can."""
        linked = [name for name in self._linked(entry) if name not in self.plan.study.hard_to_change]
        if linked:
            return f"which {linked[0]} changes from beaker to beaker"
        return (
            f"whose amount differs between runs {' and '.join(map(str, found[1:3]))}"
            if (found := self._changed(entry))
            else ""
        )

    def _linked(self, entry: Entry) -> list[str]:
        """Factors that set a line by name."""
        line, out = entry.line, list[object]()
        if isinstance(line, Ingredient):
            out = [line.factor]
        elif isinstance(line, Neutralise):
            out = [line.degree if line.stages is None or entry.portion else line.stages[0]]
        elif isinstance(line, Step):
            out = [getattr(line, field) for field in SETTINGS]
        return [v for v in out if isinstance(v, str)]

    def _changed(self, entry: Entry) -> tuple[str, int, int, Fraction, Fraction] | None:
        """An ingredient of this line whose amount differs between two beakers of a whole plot, these and both amounts."""
        for runs in self.plots.values():
            for name in self._parts(entry):
                if name == self.water:  # what differs of it is held back
                    continue
                first = self.shares[runs[0]][name]
                for run in runs[1:]:
                    if self.shares[run][name] != first:
                        return name, runs[0], run, first, self.shares[run][name]
        return None

    def _refuse_changed(self, entry: Entry) -> None:
        if found := self._changed(entry):
            name, first, run, wanted, value = found
            raise StudyError(
                f"run {run}: {name}, which goes into the base gel,",
                f"{float(value):.4g} % of the batch",
                f"{float(wanted):.4g} %, as in run {first} from the same base",
                f"end the base before it (last=), or plan what sets {name} as hard to change",
            )
        if isinstance(entry.line, Step) and (why := self._why(entry)):
            raise StudyError(
                f"step {entry.line.text!r}, done to the base gel,",
                f"one {why}",
                "the same for all beakers of a base",
                "end the base before it (last=), or plan that factor as hard to change",
            )

    # ---- made

    def base(self, label: str, runs: tuple[int, ...]) -> BaseMade:
        """The base of a whole plot, for these of its beakers."""
        recipe = self.recipe
        parts = {name: self.shares[runs[0]][name] for name in self.held}  # g in 100 g of batch
        if self.water is not None and self.splits:
            hold_back = as_fraction(self.how.hold_back_taken[0])
            scarce = min(runs, key=lambda run: self.shares[run][self.water])  # type: ignore[index]
            left = self.shares[scarce][self.water]
            parts[self.water] = left - hold_back
            if parts[self.water] <= 0:
                raise StudyError(
                    f"run {scarce}: {self.water} for the base gel of whole plot {label}",
                    f"{float(parts[self.water]):.4g} % of the batch, as the batch holds {float(left):.4g} % and {float(hold_back):.4g} % "
                    "is held back",
                    "above 0 %",
                    f"lower hold_back, take stronger stocks, or lower what the beaker adds ({self._added(scarce)})",
                )
        whole = sum(parts.values(), Fraction(0))
        fractions = {name: value / whole for name, value in parts.items()}
        readability, _ = self._pouring
        poured = rounded(whole * self.batch / 100, readability)
        portioned = {e.name: sum((fractions[n] for n in self._parts(e)), Fraction(0)) for e in self.inside if e.name}
        closing = self.water if self.water in portioned else max(portioned, key=lambda n: portioned[n])
        losses, assumed = self.how.losses_taken
        batch = made(
            portioned,
            {name: recipe.readability(name)[0] for name in portioned},
            str(closing),
            poured * len(runs),
            losses,
            assumed,
            {
                i.name: as_fraction(i.max_percent) / 100 * self.batch / i.content / Fraction(poured)
                for i in recipe.ingredients
                if i.max_percent is not None and i.name in portioned
            },
        )
        values, rows = self.values[runs[0]], []
        printed: dict[str, Any] = {name: part * Fraction(batch.total) for name, part in fractions.items()}
        printed |= batch.grams
        for entry in self.inside:
            line = entry.line
            if isinstance(line, Step):
                rows.append(self._step(line, entry.phase, values))
                continue
            mass = batch.grams[entry.name]
            words = [f"{float(100 * portioned[entry.name]):.4g} % of the base gel"]
            if isinstance(line, Ingredient):
                words += content_words(line, mass)
                if line.factor is not None:
                    words.insert(
                        1,
                        f"for {number_text(values[line.factor])} % in the batch"
                        if line.of == BATCH
                        else f"set by {line.factor}",
                    )
            elif isinstance(line, Neutralise):
                acids = {i.name: printed.get(i.name, Fraction(0)) for i in recipe.ingredients}
                words += base_note(recipe, entry.name, acids | {entry.name: mass}, values, Decimal(0))
            words += ["takes up the rounding"] if entry.name == closing else []
            exact = portioned[entry.name] * Fraction(batch.total)
            words += too_little(exact, mass, recipe.readability(entry.name)[0])
            rows.append(self._row(entry, mass, "; ".join(words)))
        table = pd.DataFrame(rows, columns=list(COLUMNS), dtype=object)
        return BaseMade(label, runs, batch, poured, table, float(100 / whole))

    def beaker(self, run: int, base: BaseMade) -> pd.DataFrame:
        """What is done for a run, from its base."""
        recipe, share, values = self.recipe, self.shares[run], self.values[run]
        own = [e for e in self.outside if e.name]
        grams = {n: share[n] * self.batch / 100 for n in recipe.unknowns}
        printed: dict[str, Any] = recipe._portioned(grams, self.batch)
        # what the poured base brings, as the base was printed
        brings = {n: self._brings(n, base) for n in self.held}
        printed |= {n: per * Fraction(base.poured) for n, per in brings.items()}
        rates = dict[str, tuple[Fraction, bool]]()
        line = recipe.neutralise
        if line is not None:
            before, before_rate = Fraction(0), Fraction(0)
            for name, needed in zip(line.portions, base_needs(recipe, recipe.degrees(values)), strict=True):
                if name in brings:
                    before += Fraction(printed[name])
                    before_rate += brings[name]
                    continue
                moles = sum((v * Fraction(printed[k]) for k, v in needed.items()), Fraction(0))
                poured = sum((v * brings.get(k, Fraction(0)) for k, v in needed.items()), Fraction(0))
                grams[name] = max(moles * line.stock_per_mole - before, Fraction(0))
                printed[name] = rounded(grams[name], recipe.readability(name)[0])
                rate = poured * line.stock_per_mole - before_rate
                rates[name] = (max(rate, Fraction(0)), moles != poured * Fraction(base.poured))
                before += Fraction(printed[name])
                before_rate += rate
        kept = f"{self.water}{HELD_BACK}" if self.splits else ""
        masses: dict[str, Decimal] = {base.name: base.poured}
        if kept:
            grams[kept] = Fraction(0)
            masses[kept] = Decimal(0)  # takes what is left
        masses |= {e.name: printed[e.name] for e in own}
        if kept:
            closing, shows = kept, recipe.readability(str(self.water))[0]
        elif self.water is not None:
            closing, shows = self.water, recipe.readability(self.water)[0]
        else:
            closing, shows = base.name, self._pouring[0]
        masses = closed({n: Fraction(0) for n in masses}, masses, closing, self.batch, shows)
        if masses[closing] < 0:
            raise StudyError(
                f"run {run}: {closing}, for the beaker from {base.name},",
                f"{masses[closing]} g",
                "0 g or above",
                f"hold back more, or lower what the beaker adds ({self._added(run)})",
            )
        printed |= {n: m for n, m in masses.items() if n not in (base.name, kept)}
        if kept:
            printed[str(self.water)] = masses[kept]  # what a dilution could take its water from
        rows: list[tuple[object, ...]] = []
        readability, assumed = self._pouring
        pours = f"{Decimal(repr(readability))} g" + (" (assumed)" if assumed else "")
        small = (
            ""
            if base.poured >= least(readability)
            else f"; below {least(readability)} g, the least for 1 % on this balance"
        )
        rows.append(
            (
                "base gel",
                base.name,
                masses[base.name],
                pours,
                f"tare the beaker, pour within {100 * WITHIN:g} % (the other additions stay as printed), write down what was really poured{small}",
                "",
                POURED,
                None,
            )
        )
        if kept:
            words = "up to the net mass in the next row" + (
                "; below " + str(least(shows)) + " g, the least for 1 % on this balance: pour a little over and note it"
                if 0 < masses[kept] < least(shows)
                else ""
            )
            rows.append(("base gel", kept, masses[kept], recipe.balance_text(str(self.water)), words, "", TOP_UP, None))
        for entry in self.outside:
            if isinstance(entry.line, Step):
                rows.append((*self._step(entry.line, entry.phase, values), "", None))
                continue
            words, role, rate_of = "", "", None
            if entry.name in rates:
                rate_of, more = rates[entry.name]
                text = base_note(recipe, entry.name, printed, values, Decimal(0))
                per_100 = f"{float(100 * rate_of):.4f} g"
                if more:  # acid that the beaker adds takes its base whatever was poured
                    text.append(f"{per_100} more or less for each 100 g of base more or less than planned")
                else:
                    text.append(f"{per_100} per 100 g of base really poured")
                text += too_little(grams[entry.name], masses[entry.name], recipe.readability(entry.name)[0])
                words, role = "; ".join(text), FOLLOWS
            else:
                words = note(recipe, entry.name, printed, values, Decimal(0), self.batch, closing)
            rows.append((*self._row(entry, masses[entry.name], words), role, rate_of))
        return pd.DataFrame(rows, columns=list(BEAKER_COLUMNS), dtype=object)

    @property
    def _pouring(self) -> tuple[float, bool]:
        given = self.how.balance_readability
        return (TOP_PAN, True) if given is None else (given, False)

    def _brings(self, name: str, base: BaseMade) -> Fraction:
        """Grams of an ingredient or portion that a gram of base brings, as the base was printed."""
        total = Fraction(base.made.total)
        if name in base.made.grams:
            return Fraction(base.made.grams[name]) / total
        place = self.recipe.place_of(name)  # in a premix: its part of the portion
        share = self.shares[base.runs[0]]
        premix = next(p for p in self.recipe.premixes if p.name == place)
        held = sum((share[i.name] for i in self.recipe.members(premix)), Fraction(0))
        return share[name] / held * Fraction(base.made.grams[place]) / total if held else Fraction(0)

    def _added(self, run: int) -> str:
        """What a beaker adds, in words."""
        parts = [(n, self.shares[run][n]) for e in self.outside for n in self._parts(e)]
        top = sorted((p for p in parts if p[1] > 0), key=lambda p: -p[1])[:3]
        return ", ".join(f"{name} {float(value):.4g} %" for name, value in top) or "nothing else"

    def _row(self, entry: Entry, mass: Decimal, words: str) -> tuple[object, ...]:
        return entry.phase, entry.name, mass, self.recipe.balance_text(entry.name), words, cautions_of(entry.line)

    def _step(self, step: Step, phase: str, values: Mapping[str, float]) -> tuple[object, ...]:
        return phase, self.recipe.step_text(step, values), None, "", "", cautions_of(step)


def _shown(rows: pd.DataFrame) -> pd.DataFrame:
    table = rows[["do", "grams", "balance", "note"]].astype(object)
    table["grams"] = ["" if g is None else str(g) for g in rows["grams"]]
    return table
