"""Pages of the single batches: what to weigh, what to do, in order, with settings, cautions and room for what was really weighed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from doe.bench.recipe import Recipe
from doe.designs import Plan
from doe.study import Study, StudyError

BATCHES, LABELS, CONSTANTS, PLAN = "Batches", "Labels", "Constants", "Plan"
OWN_PAGES = (BATCHES, LABELS, CONSTANTS, PLAN)  # hold no readings, though factors' names may stand on them
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


@dataclass(frozen=True)
class BatchPage:
    """What stands on the page of a batch."""

    run: int
    place: int  # in the order of making
    code: str
    settings: tuple[str, ...]
    lines: tuple[PageLine, ...]

    @property
    def total(self) -> Decimal:
        """The batch as printed, g."""
        return sum((line.grams for line in self.lines if line.grams is not None), Decimal(0))

    @property
    def weigh_out(self) -> str:
        """The additions in one line of words."""
        return ", ".join(f"{line.do} {line.grams} g" for line in self.lines if line.grams is not None)


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
) -> tuple[BatchPage, ...]:
    """The pages of a plan's batches, in the order of making.

    Raises
    ------
    StudyError
        If a batch cannot be weighed out: the run is named.
    """
    out = []
    for place, (run, row) in enumerate(made.runs.iterrows(), start=1):
        number = int(run)  # type: ignore[call-overload]
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
            lines.append(PageLine(item["phase"], item["do"], item["grams"], item["balance"], item["note"], tuple(said)))
        out.append(BatchPage(number, place, batch_code(made, number), tuple(settings), tuple(lines)))
    return tuple(out)


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
