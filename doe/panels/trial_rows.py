"""Rows of the trial's two tables: from what is typed to factors and responses, and back; each cell's own error named."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from doe.bench.numerals import DoubtError, number_from
from doe.panels.entry_fields import number_of
from doe.study import Categorical, Component, Continuous, Covariate, Discrete, Response, StudyError
from doe.study.occasions import Limits

# "±x, nearly always within" is read as two standard deviations: 19 settings in 20. People state such bounds too narrow rather than too
# wide, so that three would make of a usual answer a setting error that is too small.
HELD_IN_SD = 2.0
SETTING, WATER, BLEND, MEASURED = "setting", "water", "blend", "measured"
GOES_DOWN = (
    (SETTING, "nothing: it is a setting"),
    (WATER, "water: it is a small amount"),
    (BLEND, "the other parts of the blend"),
    (MEASURED, "it is measured, not set"),
)
SCALES = (
    ("", "as measured"),
    ("log", "by a factor (log)"),
    ("sqrt", "square root"),
    ("logit", "a share between ends"),
    ("box-cox", "a power (Box–Cox)"),
    ("score", "a score"),
)
FACTOR_COLUMNS: list[dict[str, Any]] = [
    {"key": "name", "label": "name", "kind": "text", "width": "10em", "help": "As the laboratory says it"},
    {
        "key": "down",
        "label": "if this goes up, what goes down?",
        "kind": "choice",
        "choices": [list(c) for c in GOES_DOWN],
        "width": "16em",
        "help": "Small amounts that water makes up are ordinary factors; parts of a blend trade against each other",
    },
    {"key": "unit", "label": "unit", "kind": "text", "width": "4.5em"},
    {"key": "low", "label": "low", "kind": "text", "width": "4.8em", "help": "Lowest setting studied"},
    {"key": "high", "label": "high", "kind": "text", "width": "4.8em", "help": "Highest setting studied"},
    {
        "key": "step",
        "label": "smallest step",
        "kind": "text",
        "width": "4.8em",
        "help": "Smallest change the bench can set",
    },
    {
        "key": "levels",
        "label": "only these can be set",
        "kind": "text",
        "width": "9em",
        "help": "Numbers or kinds with semicolons between: 400; 600; 800, or anchor; propeller. Then low and high stay blank",
    },
    {
        "key": "least",
        "label": "never below",
        "kind": "text",
        "width": "4.8em",
        "help": "What no plan and no set point may cross",
    },
    {
        "key": "most",
        "label": "never above",
        "kind": "text",
        "width": "4.8em",
        "help": "A legal maximum, the rated speed",
    },
    {
        "key": "held",
        "label": "±, nearly always within",
        "kind": "text",
        "width": "5.5em",
        "help": "How well the bench holds it, 19 times in 20",
    },
    {"key": "sd", "label": "that is SD", "kind": "fixed"},
    {"key": "hard", "label": "hard to change", "kind": "check", "help": "Several batches must share one setting"},
]
RESPONSE_COLUMNS: list[dict[str, Any]] = [
    {"key": "name", "label": "name", "kind": "text", "width": "10em"},
    {"key": "unit", "label": "unit", "kind": "text", "width": "5em"},
    {
        "key": "low",
        "label": "at least",
        "kind": "text",
        "width": "6.5em",
        "help": "Lower limit; 24 h: 9000; 4 wk: 8000 where it differs",
    },
    {
        "key": "high",
        "label": "at most",
        "kind": "text",
        "width": "6.5em",
        "help": "Upper limit; 24 h: 9000; 4 wk: 8000 where it differs",
    },
    {
        "key": "scale",
        "label": "it varies",
        "kind": "choice",
        "choices": [list(c) for c in SCALES],
        "width": "14.5em",
        "help": "The scale on which it is fitted",
    },
    {
        "key": "ends",
        "label": "ends, or power",
        "kind": "text",
        "width": "5.5em",
        "help": "Of a share 0; 100, of a score 1; 5, the power of Box–Cox",
    },
    {
        "key": "goal",
        "label": "goal",
        "kind": "text",
        "width": "5em",
        "help": "high, low or a target value; for weighing responses against each other only",
    },
    {"key": "decimals", "label": "decimals", "kind": "text", "width": "4em"},
    {"key": "times", "label": "read at", "kind": "text", "width": "7em", "help": "24 h; 4 wk"},
    {"key": "conditions", "label": "kept at", "kind": "text", "width": "7em", "help": "25 °C; 40 °C"},
    {
        "key": "formula",
        "label": "worked out from",
        "kind": "text",
        "width": "10.5em",
        "help": "viscosity[4 wk] / viscosity[24 h]",
    },
]
_CELL_OF = {
    "name": "name", "unit": "unit", "low": "low", "high": "high", "step": "step", "levels": "levels", "level": "levels",
    "setting_sd": "held", "hard_to_change": "hard", "mean": "low", "sd": "high", "transform": "ends", "goal": "goal",
    "decimals": "decimals", "times": "times", "conditions": "conditions", "scale": "ends", "never below": "least", "never above": "most",
}  # fmt: skip
Row = Mapping[str, str]


def cell_meant(problem: StudyError) -> str:
    """The column that an error of a factor or response is about; its name where it is about the whole."""
    where = str(problem.where)
    if ": formula" in where:
        return "formula"
    last = where.rpartition(": ")[2]
    if last == "limits":
        return "least" if "no higher than low" in problem.allowed else "most"
    return _CELL_OF.get(last, "name")


def factor_of(row: Row) -> Continuous | Discrete | Categorical | Component | Covariate:
    """The factor (or covariate) that a row describes.

    Raises
    ------
    StudyError
        About the first cell that cannot be used.
    """
    name, unit = row.get("name", "").strip(), row.get("unit", "").strip()
    where = f"factor {name!r}" if name else "factor"
    down = row.get("down", "") or SETTING
    hard = row.get("hard", "") == "yes"
    numbers = {
        key: number_of(f"{where}: {word}", row[key], unit)
        for key, word in (
            ("low", "low"),
            ("high", "high"),
            ("step", "step"),
            ("least", "never below"),
            ("most", "never above"),
            ("held", "setting_sd"),
        )
        if row.get(key, "").strip()
    }
    sd = numbers.get("held", 0.0) / HELD_IN_SD
    levels = listed(row.get("levels", ""))
    if down == MEASURED:
        _unused(where, row, ("levels", "step", "least", "most", "held", "hard"), "something that is measured, not set")
        if not numbers:
            return Covariate(name, unit)
        ends = [numbers.get(k) for k in ("low", "high")]
        if None in ends:
            word = "low" if ends[0] is None else "high"
            raise StudyError(f"{where}: {word}", "blank", "given where the other is", "give both, or neither")
        low, high = (float(v) for v in ends if v is not None)
        if low >= high:
            raise StudyError(f"{where}: low", low, f"below high ({high:g}{' ' + unit if unit else ''})", "swap the two")
        return Covariate(name, unit, tidy((low + high) / 2.0), tidy((high - low) / (2.0 * HELD_IN_SD)))
    if levels:
        _unused(where, row, ("low", "high", "step", "least", "most"), "a factor of which only some levels can be set")
        if down == BLEND:
            raise StudyError(
                f"{where}: levels", row["levels"], "left out for a part of a blend", "give low, high and a step"
            )
        try:
            figures = [number_from(v, unit) for v in levels]
        except DoubtError:
            _unused(where, row, ("held", "unit"), "a factor of kinds, not amounts")
            return Categorical(name, tuple(v.strip("\"'") for v in levels), hard)
        return Discrete(name, tuple(figures), unit, hard, sd)
    if not name:
        Categorical(name, ("a", "b"))  # says that the name is missing
    for key in ("low", "high"):
        if key not in numbers:
            raise StudyError(
                f"{where}: {key}",
                "blank",
                f"a number{' in ' + unit if unit else ''}",
                "type it, or give the levels that can be set",
            )
    if down == BLEND:
        _unused(where, row, ("least", "most"), "a part of a blend, whose own range is its limit")
        return Component(name, numbers["low"], numbers["high"], unit, numbers.get("step"), sd, hard)
    limits = (numbers.get("least"), numbers.get("most"))
    return Continuous(name, numbers["low"], numbers["high"], unit, numbers.get("step"), limits, sd, hard)


def _unused(where: str, row: Row, keys: tuple[str, ...], kind: str) -> None:
    """Refuse what would be left unused: nothing typed is silently dropped."""
    word = {"least": "never below", "most": "never above", "held": "setting_sd", "hard": "hard_to_change"}
    for key in keys:
        if row.get(key, "").strip():
            raise StudyError(f"{where}: {word.get(key, key)}", row[key], f"left out for {kind}", "clear the cell")


def row_of_factor(factor: Any) -> dict[str, str]:
    """The row that describes a factor or covariate."""
    row = {
        "name": factor.name,
        "unit": getattr(factor, "unit", ""),
        "hard": "yes" if getattr(factor, "hard_to_change", False) else "",
    }
    if isinstance(factor, Covariate):
        row["down"] = MEASURED
        if factor.mean is not None and factor.sd is not None:
            row["low"] = figure(tidy(factor.mean - HELD_IN_SD * factor.sd))
            row["high"] = figure(tidy(factor.mean + HELD_IN_SD * factor.sd))
        return row
    if isinstance(factor, Categorical):
        quote = any(_is_number(v) for v in factor.levels)
        return row | {"down": SETTING, "levels": "; ".join(f'"{v}"' if quote else v for v in factor.levels)}
    row["held"] = figure(HELD_IN_SD * factor.setting_sd) if factor.setting_sd else ""
    if isinstance(factor, Discrete):
        return row | {"down": SETTING, "levels": "; ".join(figure(v) for v in factor.levels)}
    row |= {"low": figure(factor.low), "high": figure(factor.high), "step": figure(factor.step)}
    if isinstance(factor, Component):
        return row | {"down": BLEND}
    least, most = factor.limits
    return row | {
        "down": WATER if factor.unit.startswith("%") else SETTING,
        "least": figure(least),
        "most": figure(most),
    }


def response_of(row: Row) -> Response:
    """The response that a row describes.

    Raises
    ------
    StudyError
        About the first cell that cannot be used.
    """
    name, unit = row.get("name", "").strip(), row.get("unit", "").strip()
    where = f"response {name!r}" if name else "response"
    scale, ends = row.get("scale", ""), listed(row.get("ends", ""))
    wanted = {"logit": 2, "score": 2, "box-cox": 1}.get(scale, 0)
    if len(ends) != wanted:
        said = {2: "two numbers with a semicolon between", 1: "one number", 0: "left blank for this scale"}[wanted]
        mend = {"logit": "write 0; 100", "score": "write 1; 5", "box-cox": "write the power, such as 0.5"}.get(
            scale, "clear the cell"
        )
        raise StudyError(f"{where}: scale", row.get("ends", "") or "blank", said, mend)
    figures = [number_of(f"{where}: scale", v) for v in ends]
    transform: Any = {"log": "log", "sqrt": "sqrt"}.get(scale)
    if scale in ("logit", "box-cox"):
        transform = (scale, *figures)
    goal: Any = row.get("goal", "").strip() or None
    if goal is not None and goal.casefold() not in ("high", "low"):
        goal = number_of(f"{where}: goal", goal, unit) if _is_number(goal, unit) else goal
    elif goal is not None:
        goal = goal.casefold()
    decimals: Any = row.get("decimals", "").strip() or None
    if decimals is not None:
        decimals = _whole(number_of(f"{where}: decimals", decimals))
    return Response(
        name,
        unit,
        _limit(f"{where}: low", row.get("low", ""), unit),
        _limit(f"{where}: high", row.get("high", ""), unit),
        transform,
        tuple(_whole(v) for v in figures) if scale == "score" else None,
        decimals,
        goal,
        tuple(listed(row.get("times", ""))),
        tuple(listed(row.get("conditions", ""))),
        row.get("formula", "").strip() or None,
    )


def row_of_response(response: Response) -> dict[str, str]:
    """The row that describes a response."""
    t = response.transform
    scale, ends = ("score", list(response.scale)) if response.scale is not None else ("", [])
    if isinstance(t, str):
        scale = t
    elif t is not None:
        scale, ends = str(t[0]), list(t[1:])  # type: ignore[arg-type]
    return {
        "name": response.name,
        "unit": response.unit,
        "low": _limit_text(response.low),
        "high": _limit_text(response.high),
        "scale": scale,
        "ends": "; ".join(figure(v) for v in ends),
        "goal": response.goal if isinstance(response.goal, str) else figure(response.goal),
        "decimals": figure(response.decimals),
        "times": "; ".join(response.times),
        "conditions": "; ".join(response.conditions),
        "formula": response.formula or "",
    }


def listed(text: str) -> list[str]:
    """Parts of a cell with semicolons between."""
    return [part.strip() for part in text.split(";") if part.strip()]


def figure(value: Any) -> str:
    """A number as a cell shows it: all its digits; nothing where there is none."""
    if value is None:
        return ""
    text = repr(float(value))
    return text.removesuffix(".0")


def tidy(value: float) -> float:
    """A worked-out number without the noise of binary fractions."""
    return float(f"{value:.12g}")


def _limit(where: str, text: str, unit: str) -> Any:
    """A limit, or one for each occasion: "24 h: 9000; 4 wk, 40 °C: 8000"."""
    if not text.strip():
        return None
    if ":" not in text:
        return number_of(where, text.strip(), unit)
    out: dict[Any, float] = {}
    for part in listed(text):
        when, colon, value = part.rpartition(":")
        if not colon:
            raise StudyError(where, part, "an occasion, a colon and its limit", "write 24 h: 9000; 4 wk: 8000")
        at = tuple(p.strip() for p in when.split(","))
        out[at[0] if len(at) == 1 else at] = number_of(where, value.strip(), unit)
    return out


def _limit_text(limit: Any) -> str:
    if isinstance(limit, Limits):
        return "; ".join(f"{', '.join(p for p in at if p)}: {figure(v)}" for at, v in limit.items())
    return figure(limit)


def _is_number(text: str, unit: str = "") -> bool:
    try:
        number_from(text, unit)
    except DoubtError:
        return False
    return bool(re.search(r"\d", text))


def _whole(value: float) -> Any:
    return int(value) if value == int(value) else value
