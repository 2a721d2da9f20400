"""Versions of a thing, each sealed with the digest of the one before: a figure that changed by itself is noticed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import Connection

from doe.designs.plan import version as package_version
from doe.store.schema import SAME_NOTE, SAME_READING, notes, readings, things, versions
from doe.study import StudyError

FIRST = "0" * 64  # the digest before the first version
READING = (*SAME_READING, "revision", "value", "lower", "upper", "cell", "withdrawn")
NOTE = (*SAME_NOTE, "revision", "value")
MANY = 500  # values in one IN (…): every database takes so many

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Version:
    """One saving or correction of a thing.

    Attributes
    ----------
    number : int
        1, 2, …
    at, who, why, package : str
        When (UTC), by whom, for which reason, with which version of the package.
    content : str
        JSON.
    readings, notes : list of mapping
        The rows that it added, in the columns of `READING` and `NOTE`.
    digest : str
        SHA-256 of all of it and of the digest of the version before.
    """

    number: int
    at: str
    who: str
    why: str
    package: str
    content: str
    digest: str = ""
    readings: list[Row] = field(default_factory=list)
    notes: list[Row] = field(default_factory=list)

    def sealed(self, kind: str, name: str, before: str) -> str:
        """What its digest must be."""
        lines = [
            [before, kind, name, self.number, self.at, self.who, self.why, self.package, self.content],
            *sorted([[row[c] for c in READING] for row in self.readings], key=lambda r: (r[0], r[1:7])),
            *sorted([[row[c] for c in NOTE] for row in self.notes], key=lambda r: r[:6]),
        ]
        text = "\n".join(json.dumps(line, ensure_ascii=True) for line in lines)
        return hashlib.sha256(text.encode("ascii")).hexdigest()


def text_of(content: Mapping[str, Any]) -> str:
    """JSON of a content, the same for the same content."""
    return json.dumps(content, ensure_ascii=True, allow_nan=False)


def now() -> str:
    """The moment, UTC, to the microsecond."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


def find(connection: Connection, kind: str, name: str, lock: bool = False) -> int | None:
    """A thing's id; with `lock` it is made where it is not there, and no one else changes it until the transaction ends."""
    if lock:
        insert = sqlite.insert if connection.dialect.name == "sqlite" else postgresql.insert
        connection.execute(insert(things).values(kind=kind, name=name).on_conflict_do_nothing())
    query = sa.select(things.c.id).where(things.c.kind == kind, things.c.name == name)
    return connection.execute(query.with_for_update() if lock else query).scalar_one_or_none()


def names(connection: Connection, kind: str) -> list[str]:
    """Names of the things of a kind."""
    return sorted(connection.execute(sa.select(things.c.name).where(things.c.kind == kind)).scalars())


def latest(connection: Connection, thing: int) -> Version | None:
    """The last version, without its rows."""
    query = sa.select(versions).where(versions.c.thing_id == thing).order_by(versions.c.number.desc()).limit(1)
    row = connection.execute(query).mappings().one_or_none()
    return None if row is None else _version(row)


def _version(row: Any) -> Version:
    return Version(*(row[c] for c in ("number", "at", "who", "why", "package", "content", "digest")))


def history(connection: Connection, thing: int) -> list[Version]:
    """Every version with the rows it added, the first first."""
    found = (
        connection.execute(sa.select(versions).where(versions.c.thing_id == thing).order_by(versions.c.number))
        .mappings()
        .all()
    )
    out = {one["id"]: _version(one) for one in found}
    row: Any
    for table, part in ((readings, "readings"), (notes, "notes")):
        for row in connection.execute(
            sa.select(table).where(table.c.thing_id == thing).order_by(table.c.id)
        ).mappings():
            if row["version_id"] not in out:
                raise ValueError(f"a row of {table.name} without its version")
            getattr(out[row["version_id"]], part).append(row)
    return list(out.values())


def check_chain(where: str, kind: str, name: str, chain: Sequence[Version]) -> None:
    """Refuse a history whose digests do not fit its content."""
    before = FIRST
    for place, version in enumerate(chain, start=1):
        if version.number != place or version.digest != version.sealed(kind, name, before):
            raise StudyError(
                where,
                f"changed outside the store, or damaged, at version {place}",
                "as it was saved (its SHA-256 says that it is not)",
                "take up the last good export in a new store with import_",
            )
        before = version.digest


def current(connection: Connection, table: sa.Table, thing: int, runs: Iterable[int]) -> dict[tuple[Any, ...], Row]:
    """The last revision of every reading or note of these runs, by what makes it the same."""
    same = SAME_READING if table is readings else SAME_NOTE
    wanted = sorted(set(runs))
    out: dict[tuple[Any, ...], Row] = {}
    for start in range(0, len(wanted), MANY):
        query = sa.select(table).where(table.c.thing_id == thing, table.c.run.in_(wanted[start : start + MANY]))
        for row in connection.execute(query.order_by(table.c.revision)).mappings():
            out[tuple(row[c] for c in same)] = dict(row)
    return out


def append(
    connection: Connection,
    thing: int,
    kind: str,
    name: str,
    who: str,
    why: str,
    content: str,
    new_readings: Sequence[Row] = (),
    new_notes: Sequence[Row] = (),
) -> Version:
    """Add a version. The caller holds the thing's lock."""
    before = latest(connection, thing)
    version = Version(
        1 if before is None else before.number + 1,
        now(),
        who,
        why,
        package_version(),
        content,
        readings=list(new_readings),
        notes=list(new_notes),
    )
    return put(connection, thing, kind, name, version, FIRST if before is None else before.digest)


def put(connection: Connection, thing: int, kind: str, name: str, version: Version, before: str) -> Version:
    """Write a version as it is, sealed."""
    digest = version.sealed(kind, name, before)
    values = {c: getattr(version, c) for c in ("number", "at", "who", "why", "package", "content")}
    made = connection.execute(sa.insert(versions).values(thing_id=thing, digest=digest, **values))
    assert made.inserted_primary_key is not None
    link = {"thing_id": thing, "version_id": made.inserted_primary_key[0]}
    if version.readings:
        connection.execute(sa.insert(readings), [{c: row[c] for c in READING} | link for row in version.readings])
    if version.notes:
        connection.execute(sa.insert(notes), [{c: row[c] for c in NOTE} | link for row in version.notes])
    return replace(version, digest=digest)
