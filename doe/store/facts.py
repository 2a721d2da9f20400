"""Records as single facts, readings and notes, that are kept row by row; and records made of them again."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.bench.intake import Reading, data_frame, readings_in
from doe.bench.measured import all_measured
from doe.bench.records import Records
from doe.bench.returned_pages import Noted
from doe.bench.taking import in_order
from doe.designs import Plan
from doe.study import Categorical

if TYPE_CHECKING:
    from doe.store.ledger import Version

Key = tuple[Any, ...]
PROBLEM = ("sheet", "cell", "found", "allowed", "mend")
WHERE_IT_STOOD = "cell"  # a sheet whose rows moved says nothing else than before


def label_text(label: object) -> str:
    """A batch's label as the text that is kept: 3 as 3, and the text "3" in quotes."""
    if isinstance(label, int | np.integer) and not isinstance(label, bool):
        return str(int(label))
    text = str(label)
    return json.dumps(text) if text.startswith('"') or _whole(text) else text


def label_from(text: str) -> int | str:
    """The label that `label_text` was given."""
    if text.startswith('"'):
        return str(json.loads(text))
    return int(text) if _whole(text) else text


def _whole(text: str) -> bool:
    digits = text.removeprefix("-")
    return digits.isascii() and digits.isdigit() and len(digits) < 18 and str(int(text)) == text


# ---- taken apart


def reading_facts(records: Records) -> dict[Key, dict[str, Any]]:
    """Readings by what makes them the same: value, lower, upper (None for NaN and for no bound), cell."""
    out: dict[Key, dict[str, Any]] = {}
    for r in readings_in(records.data):
        key = (int(r.run), label_text(r.batch), int(r.replicate), r.response, r.time, r.condition)
        out[key] = dict(zip(("value", "lower", "upper"), map(_finite, (r.value, r.lower, r.upper)), strict=True))
        out[key][WHERE_IT_STOOD] = str(r.cell)
    return out


def _finite(value: float) -> float | None:
    value = float(value)
    return value + 0.0 if math.isfinite(value) else None


def note_facts(records: Records) -> dict[Key, Any]:
    """Everything else that was noted, by kind, run, batch, name and place, as plain values."""
    out: dict[Key, Any] = {}

    def note(kind: str, run: Any, value: Any, batch: str = "", name: str = "", place: int = 0) -> None:
        while (kind, int(run), batch, name, place) in out:
            place += 1
        out[kind, int(run), batch, name, place] = plain(value)

    run: Any
    value: Any
    for run, number in records.order.items():
        note("order", run, int(number))
    for run in records.failed:
        note("failed", run, records.failed_reasons.get(run, ""))
    for run, moment in records.made_at.items():
        note("finished at", run, moment.isoformat())
    if records.as_made is not None:
        for factor in records.study.factors:
            for run, made in records.as_made[factor.name].items():
                if made != records.plan.runs.at[run, factor.name]:
                    note("as made", run, made if isinstance(factor, Categorical) else float(made), name=factor.name)
    for name in records.study.covariate_names:
        for run, value in records.covariates[name].dropna().items():
            note("covariate", run, float(value), name=name)
    for run, batch, text in records.remarks.itertuples(index=False, name=None):
        note("remark", run, text, label_text(batch))
    for name, value in records.constants.items():
        note("constant", 0, value, name=str(name))
    for page, run, line, phase, do, target, actual, done, cell in records.weighed.itertuples(index=False, name=None):
        said = {"phase": phase, "do": do, "target": _finite(target), "actual": _finite(actual), "done": bool(done)}
        note("weighed", run, said | {WHERE_IT_STOOD: cell}, str(page), place=int(line))
    for page, run, entry, value in records.entries.itertuples(index=False, name=None):
        note("entry", run, value, str(page), str(entry))
    return out


def plain(value: Any) -> Any:
    """A value as JSON keeps it."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    return value if isinstance(value, str | int | float | bool | dict | None) else str(value)


def same(old: Any, new: Any) -> bool:
    """Whether two values say the same, wherever they stood."""
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        return {k: v for k, v in old.items() if k != WHERE_IT_STOOD} == {
            k: v for k, v in new.items() if k != WHERE_IT_STOOD
        }
    return bool(old == new) and isinstance(old, bool) == isinstance(new, bool)


def sheet_content(records: Records) -> dict[str, Any]:
    """What was asked of the sheet and listed as its problems."""
    questions = []
    for cell, found, question, choices in records.questions.itertuples(index=False, name=None):
        row = {"cell": cell, "found": found, "question": question, "choices": [plain(c) for c in choices]}
        questions.append(row)
    return {
        "problems": [
            dict(zip(PROBLEM, map(str, row), strict=True))
            for row in records.problems.itertuples(index=False, name=None)
        ],
        "questions": questions,
        "answers": {str(cell): plain(answer) for cell, answer in records.answers.items()},
        "as_made": records.as_made is not None,
    }


# ---- put together


def last_said(chain: Iterable[Version]) -> tuple[dict[Key, Mapping[str, Any]], dict[Key, Any]]:
    """The last revision of every reading and note that is not withdrawn."""
    from doe.store.schema import SAME_NOTE, SAME_READING

    said: dict[Key, Mapping[str, Any]] = {}
    noted: dict[Key, Any] = {}
    for version in chain:
        for row in version.readings:
            said[tuple(row[c] for c in SAME_READING)] = row
        for row in version.notes:
            noted[tuple(row[c] for c in SAME_NOTE)] = json.loads(row["value"])
    return (
        {key: row for key, row in said.items() if not row["withdrawn"]},
        {key: value for key, value in noted.items() if value is not None},
    )


def bounds(row: Mapping[str, Any]) -> tuple[float, float, float]:
    """Value, lower and upper of a kept reading."""
    value, lower, upper = row["value"], row["lower"], row["upper"]
    return (
        math.nan if value is None else value,
        -math.inf if lower is None else lower,
        math.inf if upper is None else upper,
    )


def made_again(plan: Plan, chain: Sequence[Version]) -> Records:
    """The records that these versions add up to."""
    said, noted = last_said(chain)
    sheet = json.loads(chain[-1].content)
    occasions = all_measured(plan.study)
    rows = [
        Reading(run, label_from(batch), replicate, time, condition, response, *bounds(row), row["cell"])
        for (run, batch, replicate, response, time, condition), row in said.items()
    ]
    in_order(rows, occasions)
    by_kind: dict[str, list[tuple[int, str, str, int, Any]]] = {}
    for (kind, *rest), value in noted.items():
        by_kind.setdefault(kind, []).append((*rest, value))

    def by_run(kind: str) -> dict[int, Any]:
        return {run: value for run, _, _, _, value in sorted(by_kind.get(kind, []), key=lambda r: r[0])}

    as_made = None
    if sheet["as_made"] or "as made" in by_kind:
        as_made = plan.runs.sort_index().copy()
        for factor in plan.study.factors:
            if not isinstance(factor, Categorical):
                as_made[factor.name] = as_made[factor.name].astype(float)
        for run, _, name, _, value in by_kind.get("as made", []):
            as_made.loc[run, name] = value
    covariates: dict[int, dict[str, float]] = {}
    for run, _, name, _, value in by_kind.get("covariate", []):
        covariates.setdefault(run, {})[name] = value
    remarks = [(run, label_from(batch), text) for run, batch, _, _, text in by_kind.get("remark", [])]
    pages = Noted(
        [
            (page, run, line, v["phase"], v["do"], _nan(v["target"]), _nan(v["actual"]), v["done"], v[WHERE_IT_STOOD])
            for run, page, _, line, v in by_kind.get("weighed", [])
        ],
        [(page, run, entry, value) for run, page, entry, _, value in by_kind.get("entry", [])],
        {name: value for _, _, name, _, value in by_kind.get("constant", [])},
    )
    failed = by_run("failed")
    # as of a sheet: a batch that failed has no readings; those of a batch made again stay
    rows = [r for r in rows if r.run not in failed or str(r.batch) != str(r.run)]
    questions = [(q["cell"], q["found"], q["question"], tuple(q["choices"])) for q in sheet["questions"]]
    return Records(
        plan,
        data_frame(rows),
        pd.DataFrame([[p[c] for c in PROBLEM] for p in sheet["problems"]], columns=list(PROBLEM), dtype=object),
        pd.DataFrame(remarks, columns=["run", "batch", "remark"], dtype=object),
        tuple(failed),
        by_run("order"),
        pd.DataFrame(questions, columns=["cell", "found", "question", "choices"], dtype=object),
        dict(sheet["answers"]),
        {run: reason for run, reason in failed.items() if reason},
        as_made,
        pd.DataFrame.from_dict(covariates, orient="index"),
        {run: datetime.fromisoformat(text) for run, text in by_run("finished at").items()},
        pages.constants,
        pages.weighed_frame(),
        pages.entries_frame(),
    )


def _nan(value: float | None) -> float:
    return math.nan if value is None else value
