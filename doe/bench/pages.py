"""Pages of the single batches: what to weigh, what to do, in order, with settings, cautions and room for what was really weighed."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from doe.bench.base_gels import BaseGels
from doe.bench.made_apart import FOLLOWS, POURED, TOP_UP
from doe.bench.recipe import Recipe
from doe.bench.weighing_notes import strength_words
from doe.designs import Plan
from doe.study import Study, StudyError

BATCHES, LABELS, CONSTANTS, PLAN = "Batches", "Labels", "Constants", "Plan"
PREMIXES, BASE_GELS = "Premixes", "Base gels"
# hold no readings, though factors' names may stand on them
OWN_PAGES = (BATCHES, LABELS, CONSTANTS, PLAN, PREMIXES, BASE_GELS)
CONTINUED = ", continued"  # ends the title on a second sheet of paper
SAME_FOR_ALL = "The same for all batches"  # heads the page of constants
COLUMNS = ("done", "phase", "add or do", "target (g)", "actual (g)", "balance", "note")
ENTRIES = (
    "made by",
    "finished at",
    "vessel",
    "impeller",
    "room temperature (°C)",
    "mass of beaker and gel at the end (g)",
    "remarks",
)
MADE_APART = ("made by", "finished at", "vessel", "impeller", "mass at the end, with vessel (g)", "remarks")
BASE_FIELDS = PH_AFTER, EXTRA_BASE = ("pH after the base", "base solution added beyond it (g)")
DO_NOT_CHASE = "Add the calculated base and no more, mix, read the pH: do not chase it. Write the pH, and whatever else was added, below."
POURED_ON = "base gel poured on (day and time)"
NET_MASS = "net mass after the top-up"
ANEW = "anew, for the base really poured"
SAID = "What is written here is read back with the sheet; readings go on the page Measurements."


@dataclass(frozen=True)
class PageLine:
    """One thing to do: an addition with its grams, or a step; cautions stand in full where they first occur."""

    phase: str
    do: str
    grams: Decimal | None
    balance: str
    note: str
    cautions: tuple[str, ...]
    role: str = ""  # what it is to the base gel that the beaker is made from: poured, top up, follows the base
    rate: float = 0.0  # g for each gram of base really poured, where it follows that
    last_base: bool = False  # whether the neutralisation is done with it


@dataclass(frozen=True)
class _Weighed:
    """What pages on which something is weighed have in common."""

    code: str
    settings: tuple[str, ...]
    lines: tuple[PageLine, ...]

    @property
    def total(self) -> Decimal:
        """All weighings as printed, g."""
        return sum((line.grams for line in self.lines if line.grams is not None), Decimal(0))

    @property
    def weigh_out(self) -> str:
        """The additions in one line of words."""
        return ", ".join(
            f"{line.do} {line.grams} g" + (f" ({line.note.rpartition('; ')[2]})" if line.role == FOLLOWS else "")
            for line in self.lines
            if line.grams is not None
        )

    @property
    def rows(self) -> int:
        """Rows that its table takes, cautions among them."""
        return sum(1 + bool(line.role in (TOP_UP, FOLLOWS)) + len(line.cautions) for line in self.lines)

    def net(self, line: PageLine) -> Decimal:
        """Net mass in the beaker, g, once this line is in."""
        before = self.lines[: self.lines.index(line) + 1]
        return sum((item.grams for item in before if item.grams is not None), Decimal(0))


@dataclass(frozen=True)
class BatchPage(_Weighed):
    """What stands on the page of a batch."""

    run: int
    place: int  # in the order of making
    count: int  # batches of the plan

    @property
    def heading(self) -> tuple[str, str]:
        """What it is about: left and right."""
        return f"Batch {self.code}", f"run {self.run}, number {self.place} of {self.count}"

    @property
    def fields(self) -> tuple[str, ...]:
        """What is written down at the end."""
        poured = any(line.role == POURED for line in self.lines)
        based = any(line.last_base for line in self.lines)
        return (*([POURED_ON] if poured else []), *(BASE_FIELDS if based else ()), *ENTRIES)


@dataclass(frozen=True)
class ApartPage(_Weighed):
    """What stands on the page of something that is made once and portioned."""

    sheet: str  # PREMIXES or BASE_GELS
    name: str
    portions: str  # how much of it goes where

    @property
    def heading(self) -> tuple[str, str]:
        """What it is about: left and right."""
        return f"{self.name[:1].upper()}{self.name[1:]}, {self.code}", self.portions

    @property
    def fields(self) -> tuple[str, ...]:
        """What is written down at the end."""
        return (*(BASE_FIELDS if any(line.last_base for line in self.lines) else ()), *MADE_APART)


def batch_code(plan: Plan, run: int) -> str:
    """The code of a batch: four digits of the plan's fingerprint and the run."""
    width = len(str(len(plan.runs)))
    return f"{plan.fingerprint[:4]}-{run:0{width}d}"


def batch_pages(
    made: Plan,
    recipe: Recipe,
    batch_size: float,
    labels: Mapping[str, Mapping[int, object]],
    decimals: Mapping[str, int],
    gels: BaseGels | None,
    runs: Collection[int],
) -> tuple[BatchPage, ...]:
    """The pages of a plan's batches, those of `runs`, in the order of making; from base gels where there are some.

    Raises
    ------
    StudyError
        If a batch cannot be weighed out: the run is named.
    """
    out = []
    for place, (run, row) in enumerate(made.runs.iterrows(), start=1):
        number = int(run)  # type: ignore[call-overload]
        if number not in runs:
            continue
        if gels is not None:
            procedure = gels.beakers[number]
        else:
            try:
                procedure = recipe.procedure(row, batch_size)
            except StudyError as problem:
                raise StudyError(
                    f"run {number}: {problem.where}", problem.found, problem.allowed, problem.mend
                ) from problem
        settings = [f"{name} {values[number]}" for name, values in labels.items()]
        for factor in made.study.factors:
            value = row[factor.name]
            numeric = isinstance(value, float | np.floating)
            settings.append(f"{factor.label}: {f'{value:.{decimals[factor.name]}f}' if numeric else value}")
        out.append(
            BatchPage(
                batch_code(made, number), tuple(settings), page_lines(procedure, recipe), number, place, len(made.runs)
            )
        )
    return tuple(out)


def apart_pages(
    made: Plan,
    recipe: Recipe,
    batch_size: float,
    decimals: Mapping[str, int],
    gels: BaseGels | None,
    wanted: Collection[int],
) -> tuple[ApartPage, ...]:
    """The pages of what is made once and portioned: premixes of all `wanted` batches, base gels in the order of making.

    Raises
    ------
    StudyError
        If a premix is not the same in all runs: run and ingredient are named.
    """
    out, start = [], made.fingerprint[:4]
    for k, premix in enumerate(recipe.premixes_made(made, batch_size, gels, wanted), start=1):
        of = dict[str, list[Any]]()
        for goal, grams in premix.portions.items():
            if grams:
                of.setdefault(str(grams), []).append(goal)
        said = []
        for grams, goals in of.items():
            runs = [g for g in goals if isinstance(g, int)]
            into = f"run{'s' if len(runs) > 1 else ''} {_listed(runs)}" if runs else ", ".join(map(str, goals))
            said.append(f"{grams} g into {'each of ' if len(goals) > 1 else ''}{into}")
        about: tuple[str, ...] = (
            premix.made.reason,
            f"Portions: {'; '.join(said)}.",
            "Stir it through before each portion is taken.",
        )
        out.append(
            ApartPage(
                f"{start}-P{k}",
                about,
                page_lines(premix.procedure, recipe),
                PREMIXES,
                premix.premix.name,
                "for all batches",
            )
        )
    for base in gels.bases if gels is not None else ():
        runs = [int(run) for run in made.runs.index if run in base.runs]
        codes = ", ".join(f"run {run} ({batch_code(made, run)})" for run in runs)
        assert gels is not None
        hard = [made.study.factor(name) for name in made.study.hard_to_change]
        first = made.runs.loc[runs[0]]
        values = [f"{first[f.name]:.{decimals[f.name]}f}" if f.name in decimals else str(first[f.name]) for f in hard]
        shared = ";  ".join(f"{f.label}: {value}" for f, value in zip(hard, values, strict=True))
        about = (
            f"{shared}." if shared else "",
            base.made.reason,
            f"Pour {base.poured} g into each beaker: {codes}.",
            f"{base.concentrated:.2f} times as concentrated as the batches: each beaker is completed on its own page.",
            gels.chosen,
            gels.allowances,
        )
        out.append(
            ApartPage(
                base_code(made, base.whole_plot),
                tuple(line for line in about if line),
                page_lines(base.procedure, recipe),
                BASE_GELS,
                base.name,
                f"for {len(runs)} beaker{'s' if len(runs) > 1 else ''}",
            )
        )
    return tuple(out)


def base_code(plan: Plan, whole_plot: str) -> str:
    """The code of a base gel: four digits of the plan's fingerprint and the number of its whole plot."""
    labels = [str(v) for v in dict.fromkeys(plan.whole_plot.sort_index())] if plan.whole_plot is not None else []
    return f"{plan.fingerprint[:4]}-B{labels.index(whole_plot) + 1}"


def page_lines(procedure: pd.DataFrame, recipe: Recipe) -> tuple[PageLine, ...]:
    """Lines of a page: a caution that stood before is pointed to."""
    lines, first = [], dict[str, str]()
    for item in procedure.to_dict("records"):
        said = []
        for caution in item["cautions"].splitlines():
            if caution in first:
                again = f"Caution as at “{first[caution]}”."
                said += [] if again in said else [again]
            else:
                first[caution] = item["do"]
                said.append(caution)
        rate = item.get("rate")
        last_base = recipe.neutralise is not None and item["do"] == recipe.neutralise.portions[-1]
        lines.append(
            PageLine(
                item["phase"],
                item["do"] + ("" if item["grams"] is None else strength_words(recipe, item["do"])),
                item["grams"],
                item["balance"],
                item["note"],
                (*said, *([DO_NOT_CHASE] if last_base else [])),
                item.get("role", ""),
                0.0 if rate is None else float(rate),
                last_base,
            )
        )
    return tuple(lines)


def _listed(runs: list[int]) -> str:
    """Run numbers in words, neighbours drawn together."""
    out: list[list[int]] = []
    for run in sorted(runs):
        if out and run == out[-1][-1] + 1:
            out[-1].append(run)
        else:
            out.append([run])
    return ", ".join(str(r[0]) if len(r) == 1 else f"{r[0]} to {r[-1]}" for r in out)


def constants(recipe: Recipe | None, study: Study) -> tuple[str, ...]:
    """What is written down once for all batches; what the study varies or measures on each batch is left out."""
    names, acids = [], []
    if recipe is not None:
        names = [i.name for i in recipe.ingredients]
        acids = [
            f"acid content and moisture of {i.name}, from its certificate" for i in recipe.ingredients if i.acid_content
        ]
        if recipe.neutralise is not None:
            base = recipe.neutralise
            names.append(f"{base.of_base.name}, {100 * base.stock:g} % w/w stock (and day it was made)")
    varied = {name.casefold() for name in (*study.names, *study.covariate_names)}
    usual = (
        ("operator", "operator"),
        ("vessel", "vessel"),
        ("impeller", "impeller"),
        ("stirrer", "stirrer"),
        ("balances", "balances"),
        ("batch size", "batch size (g)"),
        ("base age", "base age (d)"),
        ("room temperature", "room temperature (°C)"),
    )
    return (*(text for name, text in usual if name not in varied), *(f"lot of {n}" for n in names), *acids)
