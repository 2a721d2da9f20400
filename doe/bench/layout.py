"""Layout of a run sheet: its columns, its rows in the order of making, and the words that stand on it, whatever it is written as."""

from __future__ import annotations

import datetime
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from doe.bench.base_gels import BaseGels
from doe.bench.chosen_runs import wanted_runs
from doe.bench.columns import AGAIN as AGAIN_HEAD
from doe.bench.columns import FINISHED, MADE, REASON, as_made_head, read_on_head, reading_head
from doe.bench.due import ON_TIME, Jar, jars_of, moments
from doe.bench.jars import Needs
from doe.bench.measured import reading_times
from doe.bench.pages import (
    BASE_GELS,
    BATCHES,
    CONSTANTS,
    LABELS,
    PREMIXES,
    ApartPage,
    BatchPage,
    apart_pages,
    batch_pages,
)
from doe.bench.recipe import Recipe
from doe.designs import Plan
from doe.designs.plan import column_text
from doe.study import Categorical, Covariate, Response, StudyError
from doe.study.factors import Factor, as_number

FINGERPRINT = "Plan fingerprint"
PART_OF = "those of run"  # stands before the numbers of the runs that a sheet is for
TO_SETTLE = "To settle before weighing"
MOST_READINGS = 20
USUAL_BATCH = 200.0  # g, of a trial (common practice, no source)
DRAWN = "Make the batches in the order listed; it was drawn by lot, and sorting it by setting would mix drift into the effects."
NOT_DRAWN = "The order listed was not drawn by lot: whatever drifts while the batches are made mixes into the effects."
HOW_TO = (
    "Fill in the entry cells only. Leave a cell blank where nothing was read, and say why as a remark.",
    "Where the instrument gave no number, write what is known: >100000, <50, or 50..60.",
    "Mark as failed a batch that could not be made or measured, and say why. If it is made again, its row takes the new batch. One that fails "
    "later, as by separating, is not marked: what was read before counts; leave the rest blank and say so as a remark.",
    "If a setting was missed, write the one really made in its column “as made”; blank means as planned.",
    f"If a row is added for a run that has one already, say in its column “{AGAIN_HEAD}” whether the same batch was read again or the run "
    "was made again as a new batch.",
)
AGAIN = "Columns marked “same batch read again” are further readings of the same batch, not a batch made again."


@dataclass(frozen=True)
class SheetColumn:
    """One column: its head, what it is, the unit or limits it takes, and how many decimals its numbers show."""

    head: str
    kind: str  # order, run, block, whole plot, factor, covariate, response, as made, made_at, read_on, made, reason, again, remark
    decimals: int | None = None
    response: Response | None = None
    factor: Factor | Covariate | None = None

    @property
    def entry(self) -> bool:
        """Whether it is filled in at the bench."""
        return self.kind not in ("order", "run", "block", "whole plot", "factor")


@dataclass(frozen=True)
class SheetLayout:
    """What stands on a run sheet."""

    plan: Plan  # in the order of making
    drawn_with: int | None  # seed of the order; None where it was not drawn by lot
    columns: tuple[SheetColumn, ...]
    rows: tuple[tuple[object, ...], ...]  # design cells; None where an entry goes
    starts: tuple[bool, ...]  # whether a block or whole plot begins with this row
    batch_size: float | None = None  # g
    recipe: Recipe | None = None
    pages: tuple[BatchPage, ...] = ()  # one a batch where there is a recipe
    apart: tuple[ApartPage, ...] = ()  # one for everything that is made once and portioned
    needs: Needs | None = None
    jars: tuple[Jar, ...] = ()  # in the order of making; none where nothing is kept and there is no recipe
    made_at: Mapping[int, datetime.datetime] = field(default_factory=dict)  # where already known
    open_points: tuple[str, ...] = ()  # what in recipe, study and plan does not fit together

    @property
    def order_text(self) -> str:
        """How the order came about."""
        return "order as in the plan" if self.drawn_with is None else f"order drawn with seed {self.drawn_with}"

    @property
    def count_text(self) -> str:
        """How many batches it is for, and where they are not all of the plan's, which."""
        runs, several = self.runs, "batch" if len(self.rows) == 1 else "batches"
        if len(runs) == len(self.plan.runs):
            return f"{len(runs)} {several}"
        return f"{len(runs)} {several}, {PART_OF} {', '.join(map(str, runs))} of {len(self.plan.runs)}"

    @property
    def runs(self) -> list[int]:
        """The runs that it is for."""
        place = next(i for i, c in enumerate(self.columns) if c.kind == "run")
        return sorted(int(str(row[place])) for row in self.rows)

    @property
    def identity(self) -> str:
        """The words by which the sheet is known again."""
        return identity(self.plan)

    @property
    def instructions(self) -> tuple[str, ...]:
        """How to fill the sheet in."""
        lines = [NOT_DRAWN if self.drawn_with is None else DRAWN, *HOW_TO]
        if self.plan.block is not None:
            lines.append(
                "Block: batches made under like conditions (a day, a lot, one operator). Finish one block before the next."
            )
        if self.plan.whole_plot is not None:
            hard = " and ".join(self.plan.study.hard_to_change) or "what its batches share"
            lines.append(
                f"Whole plot: set {hard} once for all its batches, and anew for the next whole plot even at the same level."
            )
        if any(c.response is not None and "read again" in c.head for c in self.columns):
            lines.append(AGAIN)
        if self.batch_size is not None:
            lines.append(f"Batch size: {self.batch_size:g} g.")
        if any(c.kind == "covariate" for c in self.columns):
            names = ", ".join(c.head for c in self.columns if c.kind == "covariate")
            lines.append(f"Measure on every batch, and write down: {names}.")
        if any(jar.time for jar in self.jars):
            where = f"its page “{BATCHES}”" if self.pages else f"the column “{FINISHED}”"
            lines.append(
                f"Write in {where} when each batch was finished: the page “{LABELS}” then says when each jar is due."
            )
        if any(c.kind == "read_on" for c in self.columns):
            lines.append(
                f"Columns “read on […]”: the day, or day and time, of the readings of that time. Those taken more than {100 * ON_TIME:g} % of "
                "it too early or too late are kept, and marked."
            )
        if self.recipe is not None:
            lines.append(
                f"Page “{BATCHES}”: what to weigh and to do for each batch, with room for what was weighed. Page “{CONSTANTS}”: lots, vessel "
                "and what else is the same for all."
            )
            if any(page.sheet == PREMIXES for page in self.apart):
                lines.append(f"Page “{PREMIXES}”: what is made once for all batches, before the first of them.")
            if any(page.sheet == BASE_GELS for page in self.apart):
                lines.append(
                    f"Page “{BASE_GELS}”: one base for all beakers of a whole plot. Weigh what is really poured and topped up: the second "
                    "grams of the neutraliser follow from it."
                )
            if self.recipe.neutralise is not None:
                lines.append(
                    "Neutraliser: add the calculated amount, mix, read the pH and write it down. Do not chase a pH; write down as a remark whatever "
                    "else was added."
                )
        if self.needs is not None:
            lines.append(self.needs.sentence)
        elif self.batch_size is not None and self.jars:
            lines.append(
                f"Whether {self.batch_size:g} g are enough for the jars and readings of a batch was not checked; doe.bench.needs works it out."
            )
        return tuple(lines)


def identity(plan: Plan) -> str:
    """The words by which the sheets of a plan are known, in whatever order they list it."""
    return f"{FINGERPRINT}: {plan.fingerprint}"


def sheet_layout(
    plan: Plan,
    seed: int | None,
    readings: int,
    recipe: Recipe | None = None,
    batch_size: float | None = None,
    base_gels: bool | None = None,
    needs: Needs | None = None,
    made_at: object = None,
    one_page: bool = False,
    runs: object = None,
) -> SheetLayout:
    """Lay out the sheet of a plan; `one_page`: it has no pages of the batches on which their finishing could be written down.

    Raises
    ------
    StudyError
        If there is nothing to measure, readings is no whole number from 1, two columns would bear one head, or a batch cannot be weighed
        out (its run is named).
    """
    if not isinstance(plan, Plan):
        raise StudyError("plan", type(plan).__name__, "a Plan", "make one with doe.designs")
    if isinstance(readings, bool) or not isinstance(readings, int | np.integer) or not 1 <= readings <= MOST_READINGS:
        raise StudyError(
            "readings", readings, f"a whole number from 1 to {MOST_READINGS}", "say how often each batch is read"
        )
    if not (recipe is None or isinstance(recipe, Recipe)):
        raise StudyError(
            "recipe", type(recipe).__name__, "a doe.bench.Recipe or None", "give the recipe second, the path third"
        )
    if batch_size is not None:
        batch_size = as_number("batch_size", batch_size, "g")
        if batch_size <= 0:
            raise StudyError("batch_size", batch_size, "above 0", "give it in g")
    if not (base_gels is None or isinstance(base_gels, bool)):
        raise StudyError("base_gels", base_gels, "True, False or None", "write one of the three")
    if not (needs is None or isinstance(needs, Needs)):
        raise StudyError("needs", type(needs).__name__, "what doe.bench.needs gives, or None", "call doe.bench.needs")
    if base_gels and recipe is None:
        raise StudyError("base_gels", True, "False or None without a recipe", "give the recipe second")
    known = moments("made_at", made_at, plan)
    wanted = wanted_runs(runs, plan)
    study = plan.study
    if not study.readings:
        raise StudyError("study: responses", [], "at least one response", "say what will be measured")
    made = plan if seed is None else plan.randomised(seed)
    columns = [SheetColumn("order", "order", 0), SheetColumn("run", "run", 0)]
    labels = [(head, s) for head, s in (("block", made.block), ("whole plot", made.whole_plot)) if s is not None]
    columns += [SheetColumn(head, head) for head, _ in labels]
    columns += [SheetColumn(f.label, "factor", setting_decimals(plan).get(f.name)) for f in study.factors]
    columns += [SheetColumn(c.label, "covariate", factor=c) for c in study.covariates]
    timed = any(r.times for r in study.responses)
    if timed and (recipe is None or one_page):
        columns.append(SheetColumn(FINISHED, "made_at"))
    for response in study.readings:
        heads = [reading_head(response, k, int(readings)) for k in range(1, int(readings) + 1)]
        columns += [SheetColumn(head, "response", response.decimals, response) for head in heads]
    columns += [SheetColumn(MADE, "made"), SheetColumn(REASON, "reason"), SheetColumn("remark", "remark")]
    columns += [SheetColumn(read_on_head(time), "read_on") for time in reading_times(study)]
    columns += [SheetColumn(as_made_head(f), "as made", factor=f) for f in study.factors]
    columns.append(SheetColumn(AGAIN_HEAD, "again"))
    heads = [c.head for c in columns]
    for head in heads:
        if heads.count(head) > 1:
            raise StudyError(
                "sheet: column", head, "the head of one column", "rename the factor or response that bears it"
            )
    rows, starts, before = [], [], None
    for place, (run, settings) in enumerate(
        zip(made.runs.index, made.runs.itertuples(index=False, name=None), strict=True), start=1
    ):
        if run not in wanted:
            continue
        group = tuple(s.loc[run] for _, s in labels)
        starts.append(before is not None and group != before)
        before = group
        design = (place, run, *group, *settings)
        entries = [known.get(int(run)) if c.kind == "made_at" else None for c in columns[len(design) :]]
        rows.append((*design, *entries))
    layout = SheetLayout(
        made, made.provenance.get("order_seed"), tuple(columns), tuple(rows), tuple(starts), batch_size, made_at=known
    )
    size = (USUAL_BATCH if recipe is not None else None) if batch_size is None else batch_size
    points = [] if needs is None or size is None or (short := needs.short(size)) is None else [str(short)]
    if timed or recipe is not None or needs is not None or any(r.conditions for r in study.responses):
        layout = replace(layout, jars=jars_of(made, wanted, None if needs is None else needs.counts()))
    if recipe is None:
        return replace(layout, needs=needs, open_points=tuple(points))
    assert size is not None
    gels = _gels(recipe, made, size, base_gels, wanted)
    pages = batch_pages(made, recipe, size, {head: dict(s) for head, s in labels}, setting_decimals(plan), gels, wanted)
    apart = apart_pages(made, recipe, size, setting_decimals(plan), gels, wanted)
    problems = recipe.check(study, plan).drop_duplicates(["where", "found", "allowed"])
    points += [f"{p.where} is {p.found} but must be {p.allowed}: {p.mend}." for p in problems.itertuples()]
    return replace(
        layout, batch_size=size, recipe=recipe, pages=pages, apart=apart, needs=needs, open_points=tuple(points)
    )


def _gels(recipe: Recipe, made: Plan, size: float, asked: bool | None, wanted: Collection[int]) -> BaseGels | None:
    """The base gels of the sheet; None where each batch is made by itself."""
    if asked is False or (asked is None and made.whole_plot is None):
        return None
    if asked is None and recipe.base_gel is None and not recipe.amounts_of(made.study.hard_to_change):
        return None
    try:
        return recipe.base_gels(made, size, wanted)
    except StudyError as problem:
        if asked:
            raise
        mend = f"{problem.mend}; or give base_gels=False to make each batch by itself"
        raise StudyError(problem.where, problem.found, problem.allowed, mend) from problem


def setting_decimals(plan: Plan) -> dict[str, int]:
    """Decimals that show the settings of each numeric factor and component: those of its step, more where the plan needs them."""
    out = {}
    for factor in plan.study.factors:
        if isinstance(factor, Categorical):
            continue
        step = getattr(factor, "step", None)
        own = 0 if step is None else next((d for d in range(10) if abs(step - round(step, d)) < 1e-9 * step), 10)
        needed = len(column_text(plan.runs[factor.name].to_numpy(dtype=float))[0].partition(".")[2])
        out[factor.name] = max(own, needed)
    return out
