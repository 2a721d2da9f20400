"""Rows of the recipe table: from what is typed to a recipe's lines, and back where nothing would be lost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from doe.bench import Base, Ingredient, Neutralise, Recipe, Step
from doe.bench.numerals import DoubtError, number_from
from doe.panels.entry_fields import number_of
from doe.panels.trial_rows import figure, listed
from doe.study import Study, StudyError
from doe.study.errors import nearest

KINDS = (("ingredient", "ingredient"), ("base", "base (neutralise)"), ("step", "step"))
COLUMNS: list[dict[str, Any]] = [
    {"key": "kind", "label": "what", "kind": "choice", "choices": [list(k) for k in KINDS], "width": "9.5em"},
    {"key": "name", "label": "name, or what to do", "kind": "text", "width": "13.5em"},
    {"key": "phase", "label": "phase", "kind": "text", "width": "3.5em"},
    {
        "key": "amount",
        "label": "amount",
        "kind": "text",
        "width": "8em",
        "help": "% of the batch, the name of the factor that sets it, or: balance. Of a base: the degree, or its factor's name",
    },
    {
        "key": "stock",
        "label": "stock, % w/w",
        "kind": "text",
        "width": "5em",
        "help": "Of the solution it is weighed as",
    },
    {
        "key": "acid",
        "label": "% COOH, dry",
        "kind": "text",
        "width": "5em",
        "help": "Of a polymer or acid that takes base",
    },
    {
        "key": "moisture",
        "label": "moisture, %",
        "kind": "text",
        "width": "5em",
        "help": "What the polymer loses on drying",
    },
    {
        "key": "active",
        "label": "active, %",
        "kind": "text",
        "width": "4.5em",
        "help": "Of the raw material as supplied; 100 if blank",
    },
    {"key": "most", "label": "at most, %", "kind": "text", "width": "4.5em", "help": "A legal or a supplier's limit"},
    {
        "key": "speed",
        "label": "rpm",
        "kind": "text",
        "width": "5.5em",
        "help": "Of a step: a number or a factor's name",
    },
    {
        "key": "minutes",
        "label": "min",
        "kind": "text",
        "width": "4em",
        "help": "Of a step: a number or a factor's name",
    },
    {
        "key": "temperature",
        "label": "°C",
        "kind": "text",
        "width": "4em",
        "help": "Of a step: a number or a factor's name",
    },
    {
        "key": "hazards",
        "label": "cautions",
        "kind": "text",
        "width": "8em",
        "help": "powder; base; impeller; heat; skin, or in your own words, with semicolons between",
    },
]
_CELL_OF = {
    "phase": "phase", "percent": "amount", "factor": "amount", "balance": "amount", "stock": "stock", "acid_content": "acid",
    "moisture": "moisture", "active": "active", "max_percent": "most", "speed": "speed", "minutes": "minutes",
    "temperature": "temperature", "hazards": "hazards", "degree": "amount", "base": "name",
}  # fmt: skip
_OF_STEP, _OF_INGREDIENT = ("speed", "minutes", "temperature"), ("acid", "moisture", "active", "most")
Row = Mapping[str, str]


def cell_of(problem: StudyError) -> str:
    """The column that an error of a line is about."""
    return _CELL_OF.get(str(problem.where).rpartition(": ")[2], "name")


def line_of(row: Row, study: Study | None) -> Ingredient | Neutralise | Step:
    """The recipe's line that a row describes.

    Raises
    ------
    StudyError
        About the first cell that cannot be used.
    """
    kind, name = row.get("kind", "") or "ingredient", row.get("name", "").strip()
    where = {"ingredient": f"ingredient {name!r}", "base": "neutralise", "step": f"step {name!r}"}[kind]
    amount, hazards = row.get("amount", "").strip(), listed(row.get("hazards", ""))
    if kind == "step":
        _blank(where, row, ("amount", "stock", *_OF_INGREDIENT, "phase"), "a step")
        settings = {k: _number_or_factor(f"{where}: {k}", row.get(k, ""), study) for k in _OF_STEP}
        return Step(name, None, settings["speed"], settings["minutes"], settings["temperature"], hazards)
    _blank(where, row, _OF_STEP, "anything but a step")
    if kind == "base":
        _blank(where, row, (*_OF_INGREDIENT, "phase", "hazards"), "a base")
        degree = _number_or_factor(f"{where}: degree", amount, study)
        if degree is None:
            raise StudyError(
                f"{where}: degree", "blank", "a degree, or the name of the factor that sets it", "write 0.7 for 70 %"
            )
        stock = _share(f"{where}: stock", row.get("stock", ""))
        if stock is None:
            raise StudyError(
                f"{where}: stock",
                "blank",
                "the strength of the solution in % w/w",
                "write 20 for a 20 % solution, 100 for the base itself",
            )
        return Neutralise(name, degree, stock)
    given: dict[str, Any] = {}
    if amount.casefold() == "balance":
        given["balance"] = True
    elif amount:
        found = _number_or_factor(f"{where}: percent", amount, study)
        given["factor" if isinstance(found, str) else "percent"] = found
    return Ingredient(
        name,
        row.get("phase", "").strip() or "A",
        stock=_share(f"{where}: stock", row.get("stock", "")),
        active=_share(f"{where}: active", row.get("active", ""), 1.0),  # type: ignore[arg-type]
        acid_content=_plain(f"{where}: acid_content", row.get("acid", "")),
        moisture=_share(f"{where}: moisture", row.get("moisture", ""), 0.0),  # type: ignore[arg-type]
        max_percent=_plain(f"{where}: max_percent", row.get("most", "")),
        hazards=hazards,
        **given,
    )


def rows_of(recipe: Recipe) -> list[dict[str, str]] | None:
    """The rows that describe a recipe; None where it says more than the table can."""
    rows = [_row(line) for line in recipe.lines]
    try:
        again = Recipe([line_of(row, None) for row in rows])
    except StudyError:
        return None
    return rows if again.content() == recipe.content() else None


def _row(line: Ingredient | Neutralise | Step) -> dict[str, str]:
    if isinstance(line, Step):
        row = {"kind": "step", "name": line.text, "hazards": "; ".join(line.hazards)}
        return row | {k: _either(getattr(line, k)) for k in _OF_STEP}
    if isinstance(line, Neutralise):
        base = line.base
        row = {"kind": "base", "name": base.name if isinstance(base, Base) else str(base)}
        return row | {"amount": _either(line.degree), "stock": _percent(line.stock)}
    return {
        "kind": "ingredient",
        "name": line.name,
        "phase": line.phase,
        "amount": "balance" if line.balance else line.factor or figure(line.percent),
        "stock": _percent(line.stock),
        "acid": figure(line.acid_content),
        "moisture": _percent(line.moisture) if line.moisture else "",
        "active": _percent(line.active) if line.active != 1.0 else "",
        "most": figure(line.max_percent),
        "hazards": "; ".join(line.hazards),
    }


def _percent(share: float | None) -> str:
    return "" if share is None else figure(float(f"{100.0 * share:.10g}"))


def _either(value: Any) -> str:
    return value if isinstance(value, str) else figure(value)


def _blank(where: str, row: Row, keys: Sequence[str], kind: str) -> None:
    field = {v: k for k, v in _CELL_OF.items()}
    for key in keys:
        if row.get(key, "").strip():
            raise StudyError(f"{where}: {field.get(key, key)}", row[key], f"left out for {kind}", "clear the cell")


def _plain(where: str, text: str) -> float | None:
    return number_of(where, text.strip(), "%") if text.strip() else None


def _share(where: str, text: str, otherwise: float | None = None) -> float | None:
    return float(f"{number_of(where, text.strip(), '%') / 100.0:.12g}") if text.strip() else otherwise


def _number_or_factor(where: str, text: str, study: Study | None) -> float | str | None:
    text = text.strip()
    if not text:
        return None
    try:
        return number_from(text)
    except DoubtError:
        if study is not None and text not in study.names:
            raise StudyError(where, text, "a number or the name of a factor", nearest(text, study.names)) from None
        return text
