"""A plan chosen by its size, or by what it is to show; and the page that says what it buys."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from doe.designs import Plan, optimal
from doe.quality import Check, Smallest, check, smallest_plan
from doe.report.blocks import Block, Chapter, image, section_blocks
from doe.report.rendering import rendered
from doe.study import Section, Shown, Study, StudyError
from doe.study.files import write_text
from doe.study.shown import number_text


@dataclass(frozen=True, repr=False)
class Chosen(Shown):
    """A plan and what it buys.

    Attributes
    ----------
    plan : Plan
        In the order of making.
    check : Check
    smallest : Smallest or None
        The sizes tried, where the fewest batches were asked for.
    power : DataFrame or None
        Chance that each change asked for is seen.
    asked : str
        Those changes in words.
    """

    plan: Plan
    check: Check
    smallest: Smallest | None = None
    power: pd.DataFrame | None = None
    asked: str = ""

    @property
    def buys(self) -> list[Section]:
        """What the plan is enough for, where that was asked."""
        if self.smallest is not None:
            return self.smallest._sections()
        if self.power is None:
            return []
        table = self.power.assign(
            **{c: [number_text(float(v), digits=3) or "none" for v in self.power[c]] for c in self.power.columns[1:]}
        )
        return [Section(f"Chance of seeing {self.asked}", table, "")]

    def _sections(self) -> list[Section]:
        return [*self.plan._sections(), *self.buys, *self.check._sections()]


def sizes_of(name: str, texts: Sequence[str]) -> float | dict[str, float] | None:
    """Changes as typed: one number for every term, or TERM=NUMBER for each.

    Raises
    ------
    StudyError
        If one of them is no number, or several are given without their terms.
    """

    def number(text: str) -> float:
        try:
            return float(text)
        except ValueError as problem:
            raise StudyError(name, text, "a number, or TERM=NUMBER", 'write "1.5" or "polymer=1.5"') from problem

    if not texts:
        return None
    if len(texts) == 1 and "=" not in texts[0]:
        return number(texts[0])
    out = {}
    for text in texts:
        term, equals, rest = text.rpartition("=")
        if not equals or not term.strip():
            raise StudyError(name, text, "TERM=NUMBER when there are several", 'write for example "polymer=1.5"')
        out[term.strip()] = number(rest)
    return out


def chosen_plan(
    study: Study,
    model: str | Sequence[str] = "quadratic",
    runs: int | None = None,
    sigma: float | None = None,
    change: float | Mapping[str, float] | None = None,
    ratio: float | Mapping[str, float] | None = None,
    power: float = 0.8,
    criterion: str | None = None,
    repeated_runs: int = 0,
    seed: int = 0,
    rounds: int | None = None,
    precision: float | None = None,
    whole_plots: int | None = None,
    blocks: int | None = None,
    variance_ratio: float = 1.0,
) -> Chosen:
    """The best plan of so many batches, or the one of fewest batches that shows a change.

    Parameters
    ----------
    study, model
        As for `doe.designs.optimal`.
    runs : int, optional
        How many batches; where it is left out, the fewest that do what is asked.
    sigma, change, ratio, power
        As for `doe.quality.smallest_plan`; with `runs` they say what that plan would see.
    criterion : {"I", "D", "A"}, optional
        I if left out.
    repeated_runs : int
        Batches that repeat a setting.
    seed : int
        Of the search and of the order of making.
    rounds : int, optional
        Of the search where `runs` is given, as for `doe.designs.optimal`.
    precision : float, optional
        As for `doe.quality.smallest_plan`; where the fewest batches are asked for.
    whole_plots, blocks : int, optional
        As for `doe.designs.optimal`; where `runs` is given.
    variance_ratio : float
        Variance between whole plots over that within, where a factor is hard to change.

    Returns
    -------
    Chosen

    Raises
    ------
    StudyError
        If neither a size nor something to see is given, or a number cannot be used.
    """
    seen = change is not None or ratio is not None
    if sigma is None and (seen or precision is not None):
        raise StudyError(
            "--sigma",
            "left out",
            "given with --change, --ratio or --precision",
            "say how much batches made alike differ (standard deviation)",
        )
    if precision is not None and runs is not None:
        raise StudyError(
            "--precision",
            f"{precision:g} beside --runs {runs}",
            "asked where the number of batches is not",
            "leave --runs out for the fewest batches that predict so well; what a plan of given size reaches is on its page",
        )
    for name, given in (("--whole-plots", whole_plots), ("--blocks", blocks)):
        if given is not None and runs is None:
            raise StudyError(
                name,
                f"{given} without --runs",
                "given beside the number of batches",
                "say --runs too, or leave it out: the fewest whole plots are sought with the fewest batches"
                if name == "--whole-plots"
                else "say --runs too",
            )
    if sigma is not None and not seen and precision is None:
        raise StudyError(
            "--change", "left out", "given with --sigma, or --ratio", "say which change must not be overlooked"
        )
    if runs is None and not seen and precision is None:
        raise StudyError(
            "--runs",
            "left out",
            "given, or --sigma and --change",
            "say how many batches you can make, or what they must show",
        )
    if runs is None:
        assert sigma is not None
        found = smallest_plan(
            study,
            model,
            sigma,
            change,
            power,
            precision,
            ratio=ratio,
            criterion=criterion,
            repeated_runs=repeated_runs,
            seed=seed,
            variance_ratio=variance_ratio,
        )
        plan = found.plan.randomised(seed)
        return Chosen(plan, check(plan), found, found.power)
    if criterion is not None and criterion not in ("I", "D", "A"):
        raise StudyError("--criterion", criterion, "one of I, D, A", "choose one of them")
    plan = optimal(
        study,
        model,
        runs,
        criterion=criterion or "I",
        repeated_runs=repeated_runs,
        blocks=blocks,
        whole_plots=whole_plots,
        variance_ratio=variance_ratio,
        rounds=rounds,
        seed=seed,
    ).randomised(seed)
    made = check(plan)
    if not seen:
        return Chosen(plan, made)
    assert sigma is not None
    table = made.power(sigma, change) if ratio is None else made.power(sigma, ratio=ratio)
    words = f"{'a change' if ratio is None else 'a ratio'} of this size at σ = {number_text(sigma)}"
    return Chosen(plan, made, None, table, words)


def write_check_page(path: str | os.PathLike[str], chosen: Chosen) -> Path:
    """Write what a plan can tell apart, see and leave for checking as one self-contained page; replaced whole or not at all."""
    return write_text(path, check_page(chosen))


def check_page(chosen: Chosen) -> str:
    """The page's HTML."""
    from doe import plots

    bought: list[Block] = section_blocks(chosen.buys)
    if chosen.smallest is not None and chosen.smallest.powers is not None:
        bought.append(image(plots.power_by_batches(chosen.smallest), "Power by number of batches", "power"))
    sections = chosen.check._sections()
    drawn: dict[int, Any] = {
        1: lambda: image(plots.term_correlations(chosen.check), "Correlations of the terms", "correlations"),
        3: lambda: image(plots.precision_over_region(chosen.check), "Precision over the region", "precision"),
    }
    chapters = [Chapter("plan", "Which batches, in which order?", tuple(section_blocks(chosen.plan._sections())))]
    if bought:
        chapters.append(Chapter("buys", "What does it buy?", tuple(bought)))
    for i, section in enumerate(sections[1:], start=1):
        blocks = section_blocks([Section("", section.table, section.note)])
        if i in drawn:
            blocks.append(drawn[i]())
        chapters.append(Chapter(f"check{i}", section.title, tuple(blocks)))
    return rendered(
        "doe.commands",
        "check.html",
        title=chosen.plan.study.name,
        about=sections[0].title,
        fingerprint=chosen.plan.fingerprint,
        chapters=chapters,
    )
