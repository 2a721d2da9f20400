"""Records into the store: what is new is added, what is changed becomes a correction with a reason, nothing is overwritten."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from doe.bench.numerals import DoubtError, number_from, reading_from, reading_text
from doe.bench.plausible import beyond_limits, can_be, ends_text
from doe.bench.problems import cell_text
from doe.bench.records import Records
from doe.designs import Plan
from doe.store.contents import made_of, text_or_refuse
from doe.store.facts import Key, bounds, note_facts, plain, reading_facts, same, sheet_content
from doe.store.results import Saved
from doe.study import Categorical, Covariate, StudyError
from doe.study.errors import nearest

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

    from doe.store.ledger import Row, Version

WITHDRAWN = {"value": None, "lower": None, "upper": None, "cell": "", "withdrawn": True}
MARKS = ("failed", "remark")


def save_records(connection: Connection, records: Records, name: str, who: str, why: str) -> Saved:
    """Keep what records say that is not kept yet."""
    from doe.store.ledger import append, current, find, latest, text_of
    from doe.store.schema import SAME_READING, notes, readings

    thing = find(connection, "records", name, lock=True)
    assert thing is not None
    before = latest(connection, thing)
    where = f"store: records {name!r}"
    said, noted = reading_facts(records), note_facts(records)
    runs = {key[0] for key in said} | {key[1] for key in noted}
    kept_said, kept_noted = current(connection, readings, thing, runs), current(connection, notes, thing, runs)
    if before is not None:
        _same_batches(where, _plan_of(connection, before), records.plan, {*(k[0] for k in kept_said)} | runs)

    new_readings, new_notes = [], []
    added = corrected = unchanged = 0
    changes: list[tuple[str, str, str]] = []
    for key, value in said.items():
        old = kept_said.get(key)
        if old is None or old["withdrawn"] or not _same_reading(old, value):
            changed = old is not None
            corrected, added = corrected + changed, added + (not changed)
            if old is not None:
                changes.append(
                    (
                        reading_words(key),
                        _reading_words(value),
                        "withdrawn" if old["withdrawn"] else _reading_words(old),
                    )
                )
            row = dict(zip(SAME_READING, key, strict=True)) | value
            new_readings.append(row | {"revision": 1 if old is None else old["revision"] + 1, "withdrawn": False})
        else:
            unchanged += 1
    for key, value in noted.items():
        kept = kept_noted.get(key)
        was = None if kept is None else json.loads(kept["value"])
        if kept is None or not same(was, value):
            changed = kept is not None
            corrected, added = corrected + changed, added + (not changed)
            if kept is not None:
                changes.append((note_words(key), value_words(value), "withdrawn" if was is None else value_words(was)))
            new_notes.append(_note(key, value, kept))
        else:
            unchanged += 1
    if changes and not why:
        what, new, kept_words = changes[0]
        more = f" and {len(changes) - 1} more" if len(changes) > 1 else ""
        raise StudyError(
            f"{where}, {what}{more}",
            new,
            f"as kept ({kept_words}), or a correction with its reason",
            "correct the records, or say why: store.save(records, why=…); nothing was saved",
        )
    plan = _keep_plan(connection, records.plan, name, who)
    content = {"kind": "records", "schema": 1, "plan": plan, **sheet_content(records)}
    if before is not None:
        content["as_made"] = content["as_made"] or json.loads(before.content)["as_made"]
    not_said = sum(k not in said and not r["withdrawn"] for k, r in kept_said.items())
    not_said += sum(k not in noted and r["value"] != "null" for k, r in kept_noted.items())
    if (
        before is not None
        and not new_readings
        and not new_notes
        and json.loads(before.content) == json.loads(text_of(content))
    ):
        return Saved("records", name, before.number, False, 0, 0, unchanged, not_said)
    version = append(connection, thing, "records", name, who, why, text_of(content), new_readings, new_notes)
    return Saved("records", name, version.number, True, added, corrected, unchanged, not_said)


def _same_reading(old: Row, new: Row) -> bool:
    return all(old[c] == new[c] for c in ("value", "lower", "upper"))


def _note(key: Key, value: Any, old: Row | None) -> dict[str, Any]:
    from doe.store.schema import SAME_NOTE

    row = dict(zip(SAME_NOTE, key, strict=True))
    return row | {"revision": 1 if old is None else old["revision"] + 1, "value": json.dumps(value, allow_nan=False)}


def _keep_plan(connection: Connection, plan: Plan, name: str, who: str) -> dict[str, Any]:
    """Where the records' own plan is kept; it is kept now where it was not."""
    from doe.store.ledger import append, find, latest, text_of

    thing = find(connection, "plan", name, lock=True)
    assert thing is not None
    before, text = latest(connection, thing), text_of(plan.content())
    if before is None or before.content != text:
        before = append(connection, thing, "plan", name, who, "plan of the records saved", text)
    return {"name": name, "version": before.number, "fingerprint": plan.fingerprint}


def _plan_of(connection: Connection, version: Version) -> Plan:
    import sqlalchemy as sa

    from doe.store.schema import things, versions

    link = json.loads(version.content)["plan"]
    query = (
        sa.select(versions.c.content)
        .join(things)
        .where(things.c.kind == "plan", things.c.name == link["name"], versions.c.number == link["version"])
    )
    plan: Plan = made_of("plan", connection.execute(query).scalar_one(), f"plan {link['name']!r}")
    return plan


def _same_batches(where: str, kept: Plan, given: Plan, runs: set[int]) -> None:
    """Refuse a plan in which runs that have records are other batches than before."""
    if kept.fingerprint == given.fingerprint:
        return
    for run in sorted(runs & set(kept.runs.index)):
        old = kept.runs.loc[run].to_dict()
        new = given.runs.loc[run].to_dict() if run in given.runs.index else None
        if old != new:
            raise StudyError(
                f"{where}, run {run} of the plan",
                "not there" if new is None else settings_words(new),
                f"the batch that is kept ({settings_words(old)})",
                "an extended plan keeps its runs; save records of another plan under another name",
            )


def settings_words(settings: Mapping[Any, Any]) -> str:
    """Settings of a run in words."""
    return ", ".join(f"{k} {cell_text(v)}" for k, v in settings.items())


def reading_words(key: Key) -> str:
    """What a reading is of, in words."""
    run, batch, replicate, response, time, condition = key
    occasion = ", ".join(v for v in (time, condition) if v)
    words = f"run {run}, {response}{f'[{occasion}]' if occasion else ''}"
    words += f", batch {batch}" if batch != str(run) else ""
    return words + (f", reading {replicate}" if replicate > 1 else "")


def note_words(key: Key) -> str:
    """What a note is of, in words."""
    kind, run, batch, name, _ = key
    what = (
        f"{name} as made"
        if kind == "as made"
        else kind
        if not name
        else name
        if kind in ("covariate", "constant")
        else f"{kind} {name!r}"
    )
    own = f", batch {batch}" if batch and batch != str(run) else ""
    return (f"run {run}, " if run else "") + what + own


def value_words(value: Any) -> str:
    """A note's value in words."""
    if isinstance(value, Mapping):
        return ", ".join(f"{k} {cell_text(v)}" for k, v in value.items() if k != "cell")
    return cell_text(value)


def _reading_words(row: Row) -> str:
    return reading_text(*bounds(row))


# ---- corrections


def correct(
    connection: Connection,
    name: str,
    batch: object,
    what: str,
    value: object,
    who: str,
    why: str,
    replicate: int,
) -> Saved:
    """Put a value in the place of a kept one, or withdraw it (None)."""
    from doe.store.ledger import append, current, find, latest
    from doe.store.schema import SAME_READING, notes, readings

    thing = find(connection, "records", name, lock=True)
    before = latest(connection, thing) if thing is not None else None
    if thing is None or before is None:
        raise StudyError("store: records", name, "kept", "save the records first")
    plan = _plan_of(connection, before)
    run, label = find_batch(connection, thing, plan, batch)
    where = f"store: correction of run {run}, {what}"
    study = plan.study
    new_readings: list[Row] = []
    new_notes: list[Row] = []
    covariates = {c.name: c for c in study.covariates}
    factors = {f.name: f for f in study.factors}
    if what in covariates or what in factors or what in MARKS:
        key, said = _noted(where, what, value, run, label, {**covariates, **factors})
        old = current(connection, notes, thing, [run]).get(key)
        if (old is None or old["value"] == "null") and said is None:
            raise StudyError(where, None, "kept, to be withdrawn", "nothing is kept of it: give a value to add it")
        if old is not None and same(json.loads(old["value"]), said):
            raise StudyError(where, value_words(said), "another value than the one kept", "nothing to correct")
        new_notes.append(_note(key, said, old))
        changed = old is not None
    else:
        from doe.bench.measured import all_measured, measured_as

        if what not in {m.name for m in all_measured(study)} and what not in {r.name for r in study.responses}:
            known = [*(m.name for m in all_measured(study)), *covariates, *factors, *MARKS]
            raise StudyError(
                "store: correction of",
                what,
                "a response at its occasion, a covariate, a factor (as made), 'failed' or 'remark'",
                nearest(str(what), known),
            )
        one = measured_as(study, what)
        own = current(connection, readings, thing, [run])
        found = [k for k in own if k[0] == run and k[2] == replicate and k[3:] == one.key]
        at = [k for k in found if k[1] == label] or found
        if len(at) > 1:
            raise StudyError(
                where, f"read on batches {', '.join(k[1] for k in at)}", "of one batch", "give the batch's own label"
            )
        reading_key = at[0] if at else (run, label, replicate, *one.key)
        kept = own.get(reading_key)
        if (kept is None or kept["withdrawn"]) and value is None:
            raise StudyError(where, None, "kept, to be withdrawn", "nothing is kept of it: give a value to add it")
        row = dict(zip(SAME_READING, reading_key, strict=True)) | {
            "revision": 1 if kept is None else kept["revision"] + 1
        }
        if value is None:
            row |= WITHDRAWN
        else:
            row |= _reading(where, value, one) | {"cell": "" if kept is None else kept["cell"], "withdrawn": False}
        if kept is not None and not kept["withdrawn"] and value is not None and _same_reading(kept, row):
            raise StudyError(where, _reading_words(row), "another value than the one kept", "nothing to correct")
        new_readings.append(row)
        changed = kept is not None
    version = append(connection, thing, "records", name, who, why, before.content, new_readings, new_notes)
    return Saved("records", name, version.number, True, int(not changed), int(changed))


def _reading(where: str, value: object, one: Any) -> dict[str, float | None]:
    from doe.store.facts import _finite

    response = one.response
    try:
        found = reading_from(value, response.unit)
    except DoubtError as doubt:
        raise StudyError(where, value, doubt.allowed, doubt.mend) from doubt
    if not can_be(response, found):
        allowed = (
            f"a number{ends_text(response)}"
            if response.scale is None
            else f"a whole score from {response.scale[0]} to {response.scale[1]}"
        )
        raise StudyError(where, value, allowed, "correct the reading")
    return dict(zip(("value", "lower", "upper"), map(_finite, found), strict=True))


def _noted(where: str, what: str, value: object, run: int, label: str, known: Mapping[str, Any]) -> tuple[Key, Any]:
    """Key and plain value of a note that is corrected."""
    if what in MARKS:
        if value is not None and (not isinstance(value, str) or not value.strip()):
            raise StudyError(where, value, "a text, or None to withdraw it", "write it in words")
        said = None if value is None else text_or_refuse(where, str(value))
        return (what, run, label if what == "remark" else "", "", 0), said
    item = known[what]
    kind = "covariate" if isinstance(item, Covariate) else "as made"
    if value is None:
        return (kind, run, "", what, 0), None
    if isinstance(item, Categorical):
        if value not in item.levels:
            raise StudyError(where, value, "one of " + ", ".join(item.levels), nearest(str(value), item.levels))
        return (kind, run, "", what, 0), plain(value)
    try:
        number = number_from(value, item.unit)
    except DoubtError as doubt:
        raise StudyError(where, value, doubt.allowed, doubt.mend) from doubt
    beyond = beyond_limits(item, number)
    if beyond:
        raise StudyError(where, value, beyond, "correct the setting as made")
    return (kind, run, "", what, 0), number


def find_batch(connection: Connection, thing: int, plan: Plan, batch: object) -> tuple[int, str]:
    """Run and label of a batch that is called by its code, its run number, or the label of a batch made again."""
    import sqlalchemy as sa

    from doe.bench.pages import batch_code
    from doe.store.facts import label_text
    from doe.store.schema import readings

    runs = sorted(int(r) for r in plan.runs.index)
    codes = {batch_code(plan, run): run for run in runs}
    text = str(batch).strip()
    if not isinstance(batch, bool):
        if text in codes:
            return codes[text], str(codes[text])
        if text.isdigit() and int(text) in plan.runs.index:
            return int(text), text
        query = sa.select(readings.c.run, readings.c.batch).where(
            readings.c.thing_id == thing, readings.c.batch == label_text(batch)
        )
        for run, label in connection.execute(query.distinct()):
            return int(run), str(label)
    raise StudyError(
        "batch", batch, f"a batch's code or label, or a run of the plan, 1 to {len(runs)}", nearest(text, list(codes))
    )


def history_table(chain: list[Version], run: int, label: str) -> pd.DataFrame:
    """One row an entry of a run; of one of its batches alone where a label of its own is given."""
    from doe.store.schema import SAME_NOTE, SAME_READING

    rows: list[dict[str, Any]] = []
    last: dict[Key, str] = {}
    for version in chain:
        who = {"version": version.number, "at": version.at, "who": version.who}
        entries: list[tuple[Key, str, str, Any, str, str, str | None]] = []
        for r in version.readings:
            said = None if r["withdrawn"] else _reading_words(r)
            entries.append(
                (
                    tuple(r[c] for c in SAME_READING),
                    r["batch"],
                    r["response"],
                    r["replicate"],
                    r["time"],
                    r["condition"],
                    said,
                )
            )
        for r in version.notes:
            value = json.loads(r["value"])
            key = tuple(r[c] for c in SAME_NOTE)
            what = note_words((r["kind"], 0, "", r["name"], 0))
            entries.append((key, r["batch"], what, "", "", "", None if value is None else value_words(value)))
        for key, batch, what, replicate, time, condition, said in entries:
            if run not in key[:2] or (label != str(run) and batch not in (label, "")):
                continue
            was = last.get(key, "")
            entry = "withdrawn" if said is None else "added" if key not in last else "corrected"
            rows.append(
                who
                | {"entry": entry, "batch": batch if batch != str(run) else "", "what": what, "replicate": replicate}
                | {
                    "time": time,
                    "condition": condition,
                    "value": said or "",
                    "was": was,
                    "why": version.why if entry != "added" or version.why else "",
                }
            )
            last[key] = said or ""
    columns = [
        "version",
        "at",
        "who",
        "entry",
        "batch",
        "what",
        "replicate",
        "time",
        "condition",
        "value",
        "was",
        "why",
    ]
    return pd.DataFrame(rows, columns=columns, dtype=object)
