"""Premixes of a plan: sized for all its batches' portions, refused where a factor changes what is in them."""

from __future__ import annotations

from collections.abc import Collection, Hashable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import pandas as pd

from doe.bench.chosen_runs import wanted_runs
from doe.bench.lines import Ingredient
from doe.bench.made_apart import Made, Premix, made
from doe.bench.sequence import cautions_of
from doe.bench.weighing_notes import content_words, too_little
from doe.designs import Plan
from doe.study import Section, Shown, StudyError

if TYPE_CHECKING:
    from doe.bench.base_gels import BaseGels
    from doe.bench.recipe import Recipe


@dataclass(frozen=True, repr=False, eq=False)
class PremixMade(Shown):
    """A premix as it is made for a plan.

    Attributes
    ----------
    premix : Premix
        What was asked for.
    made : Made
        Its weighings, how much of it, and why so much.
    procedure : DataFrame
        As of `Recipe.procedure`: phase, do, grams, balance, note, cautions.
    portions : Series
        Grams of each portion, Decimal, by run; by the base gel's name where it goes into that.
    """

    premix: Premix
    made: Made
    procedure: pd.DataFrame
    portions: pd.Series[Any]

    @property
    def total(self) -> Decimal:
        """Grams made."""
        return self.made.total

    def _sections(self) -> list[Section]:
        table = self.procedure[["do", "grams", "balance", "note"]].astype(object)
        table["grams"] = ["" if g is None else str(g) for g in self.procedure["grams"]]
        portions = self.portions.astype(str).rename("portion (g)").rename_axis("into run").reset_index().astype(str)
        return [Section(f"Premix {self.premix.phase}", table, self.made.reason), Section("Portions", portions)]


def premixes_made(
    recipe: Recipe,
    plan: Plan,
    batch_size: float,
    gels: BaseGels | None = None,
    runs: Collection[int] | None = None,
) -> tuple[PremixMade, ...]:
    """See `Recipe.premixes_made`."""
    if not isinstance(plan, Plan):
        raise StudyError("plan", type(plan).__name__, "a Plan", "make one with doe.designs")
    if not recipe.premixes:
        return ()
    wanted, shares = wanted_runs(runs, plan), _shares(recipe, plan)
    for _, problem in unlike(recipe, plan, shares):
        raise problem
    weighed: dict[Hashable, dict[str, Decimal]]
    if gels is None:
        weighed = {
            run: recipe.grams(row, batch_size, f"run {run}: ") for run, row in plan.runs.iterrows() if run in wanted
        }
    else:
        weighed = {run: dict(zip(t["do"], t["grams"], strict=True)) for run, t in gels.beakers.items()}
        weighed |= {base.name: base.made.grams for base in gels.bases}
    out = []
    for premix in recipe.premixes:
        portions = pd.Series({k: g[premix.name] for k, g in weighed.items() if premix.name in g}, dtype=object)
        together = sum(portions, Decimal(0))
        if not together:
            raise StudyError(
                f"recipe: premix {premix.phase!r}",
                "in no run",
                "in one at least",
                "leave it out, or correct its amounts",
            )
        fractions = next(f for f in (_fractions(recipe, premix, s) for s in shares.values()) if f)
        own = {i.name: i for i in recipe.members(premix)}
        closing = max(fractions, key=lambda n: fractions[n])
        batch = made(fractions, {n: recipe.readability(n)[0] for n in own}, closing, together, premix.losses)
        rows: list[tuple[object, ...]] = []
        for entry in recipe.making(premix):
            line = entry.line
            if isinstance(line, Ingredient):
                mass = batch.grams[line.name]
                words = [f"{float(100 * fractions[line.name]):.4g} % of the premix", *content_words(line, mass)]
                words += ["takes up the rounding"] if line.name == closing else []
                words += too_little(
                    fractions[line.name] * Fraction(batch.total), mass, recipe.readability(line.name)[0]
                )
                rows.append(
                    (premix.phase, line.name, mass, recipe.balance_text(line.name), "; ".join(words), cautions_of(line))
                )
            else:
                rows.append((premix.phase, recipe.step_text(line, {}), None, "", "", cautions_of(line)))  # type: ignore[arg-type]
        columns = ["phase", "do", "grams", "balance", "note", "cautions"]
        out.append(PremixMade(premix, batch, pd.DataFrame(rows, columns=columns, dtype=object), portions))
    return tuple(out)


def unlike(
    recipe: Recipe, plan: Plan, shares: dict[int, dict[str, Fraction]] | None = None
) -> list[tuple[int, StudyError]]:
    """Runs in which a premix would be another than in the first run that takes it, each with the sentence that says so."""
    out = []
    known = _shares(recipe, plan) if shares is None else shares
    for premix in recipe.premixes:
        first: tuple[int, dict[str, Fraction]] | None = None
        for run, share in sorted(known.items()):
            parts = _fractions(recipe, premix, share)
            if not parts:
                continue
            if first is None:
                first = run, parts
            named = {
                i.name: i.factor is not None for i in recipe.members(premix)
            }  # a factor's own line before what it displaces
            name = max((n for n in parts if parts[n] != first[1][n]), key=lambda n: named[n], default="")
            if name:
                problem = StudyError(
                    f"run {run}: {name} in premix {premix.phase!r}",
                    f"{float(100 * parts[name]):.4g} % of it",
                    f"{float(100 * first[1][name]):.4g} %, as in run {first[0]}: it is made once for all batches",
                    "weigh it into each batch, in a phase of its own, or give its amount as % of the phase",
                )
                out.append((run, problem))
    return out


def _shares(recipe: Recipe, plan: Plan) -> dict[int, dict[str, Fraction]]:
    return {int(run): recipe.share(recipe.values(row)) for run, row in plan.runs.iterrows()}  # type: ignore[call-overload]


def _fractions(recipe: Recipe, premix: Premix, share: dict[str, Fraction]) -> dict[str, Fraction]:
    """What a premix consists of in a run; empty where the run takes none."""
    held = {i.name: share[i.name] for i in recipe.members(premix)}
    whole = sum(held.values(), Fraction(0))
    return {name: value / whole for name, value in held.items()} if whole else {}
