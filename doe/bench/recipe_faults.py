"""What is wrong with a recipe: with its amounts in a run, and with what it is linked to in a study. Listed, not raised."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import TYPE_CHECKING

from doe.bench.amounts import as_fraction
from doe.bench.lines import BATCH
from doe.study import Categorical, Component, Study, StudyError
from doe.study.errors import nearest
from doe.study.trial import TOTAL_TOLERANCE

if TYPE_CHECKING:
    from doe.bench.recipe import Recipe


def faults(recipe: Recipe, share: Mapping[str, Fraction], values: Mapping[str, float]) -> list[StudyError]:
    """Why amounts make no batch: a line below nothing, lines that miss 100 % or their phase's size, a limit passed."""
    out = []
    listed = _largest(share)
    for name, value in share.items():
        if value < 0:
            others = sum((v for k, v in share.items() if k != name), Fraction(0))
            item = next((i for i in recipe.ingredients if i.name == name), None)
            if item is None:
                out.append(
                    StudyError(
                        f"recipe: {name}",
                        f"{float(value):.4g} %",
                        "0 % or above",
                        "other bases, salts and partly neutralised polymers bring more base than the degree asks: raise it or lower them",
                    )
                )
                continue
            whole = item.of == BATCH
            taken = (
                f"the other lines take {float(others):.4g} % ({listed})" if whole else "its phase holds more already"
            )
            out.append(
                StudyError(
                    f"recipe: {name}, which fills the {'batch' if whole else item.of},",
                    f"{float(value):.4g} %",
                    "0 % or above",
                    f"{taken}: lower one, or take a stronger stock",
                )
            )
    total = sum(share.values(), Fraction(0))
    if abs(total - 100) > 100 * TOTAL_TOLERANCE:
        out.append(
            StudyError(
                "recipe: all lines together",
                f"{float(total):.6g} %",
                "100 %",
                f"{listed}: correct the amounts, or make one line the balance",
            )
        )
    for phase, size in recipe.phases:
        if size is not None:
            held = sum((share[i.name] for i in recipe.ingredients if i.phase == phase), Fraction(0))
            wanted = as_fraction(values[size] if isinstance(size, str) else size)
            if abs(held - wanted) > max(wanted, Fraction(1)) * as_fraction(TOTAL_TOLERANCE):
                out.append(
                    StudyError(
                        f"recipe: lines of phase {phase!r} together",
                        f"{float(held):.6g} %",
                        f"{float(wanted):.6g} % of the batch, its size",
                        "correct them, or make one the balance of the phase",
                    )
                )
    for item in recipe.ingredients:
        held = share[item.name] * item.content
        if item.max_percent is not None and held > as_fraction(item.max_percent):
            out.append(
                StudyError(
                    f"{item.name} in the batch",
                    f"{float(held):.4g} %",
                    f"at most {item.max_percent:g} %",
                    "lower its amount",
                )
            )
    return out


def misfits(recipe: Recipe, study: Study) -> list[StudyError]:
    """What in recipe and study does not fit together, whatever the run."""
    out = []
    for name in recipe.linked:
        if name not in study.names:
            out.append(StudyError("recipe: factor", name, "a factor of the study", nearest(name, study.names)))
        elif isinstance(study.factor(name), Categorical):
            out.append(
                StudyError("recipe: factor", name, "a numeric factor", "a kind sets no amount: leave it to the page")
            )
    for item in recipe.ingredients:
        if item.factor in study.names and not isinstance(study.factor(item.factor), Categorical):
            unit = getattr(study.factor(item.factor), "unit", "")
            multiple = item.of not in (BATCH, item.phase)
            if multiple == unit.startswith("%"):
                allowed = (
                    f"without %, as it is multiples of {item.of}" if multiple else f"in %, as it is % of {item.of}"
                )
                out.append(
                    StudyError(f"unit of factor {item.factor!r}", unit or "none", allowed, "correct the unit or `of`")
                )
    line = recipe.neutralise
    # a salt holds acid groups too, but takes no base
    acids = [
        i.name
        for i in recipe.ingredients
        if i.acid_content is not None and (1.0 if i.takes_base is None else i.takes_base) > i.already
    ]
    bases = [i.name for i in recipe.ingredients if i.base is not None]
    if acids and line is None and not bases:
        out.append(
            StudyError(
                "recipe: base",
                "missing",
                f"there, as {' and '.join(acids)} holds acid groups",
                "add a Neutralise line",
            )
        )
    if not acids and (line is not None or bases):
        named = " and ".join([*bases, *([] if line is None else [line.of_base.name])])
        out.append(
            StudyError(f"recipe: acid for {named}", "missing", "there", "give acid_content= for the polymer, in % COOH")
        )
    filling = {i.name for i in recipe.ingredients if i.balance}
    for factor in study.factors:
        left_out = factor.name not in recipe.linked and not isinstance(factor, Categorical)
        if left_out and not (isinstance(factor, Component) and factor.name in filling):
            out.append(
                StudyError(f"factor {factor.name!r}", "in no line or step", "used by one", "link the line that it sets")
            )
    return out


def _largest(share: Mapping[str, Fraction]) -> str:
    """The largest lines in words."""
    top = sorted(((name, value) for name, value in share.items() if value > 0), key=lambda kv: -kv[1])[:4]
    return ", ".join(f"{name} {float(value):.4g} %" for name, value in top)
