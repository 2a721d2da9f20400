"""A whole trial as one zip of CSV and JSON with checksums, written from a store and taken up by another."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import os
import re
import zipfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy.engine import Connection

from doe.bench.texts import bare, neutral
from doe.store import ledger
from doe.store.contents import made_of
from doe.store.facts import made_again
from doe.store.ledger import FIRST, NOTE, READING, Version
from doe.store.zips import MOST_PACKED, opened, taken
from doe.study import StudyError

SCHEMA = 1
VERSION = ("kind", "name", "version", "at", "who", "why", "package", "digest", "content")
TABLES: dict[str, tuple[str, ...]] = {
    "versions.csv": VERSION,
    "readings.csv": ("name", "version", *READING),
    "notes.csv": ("kind of thing", "name of thing", "version", *NOTE),
}
MANIFEST = "manifest.json"
ABOUT = "about.txt"
ABOUT_TEXT = """A trial as it was kept: every version of every study, plan, recipe, record and result.

versions.csv   one row a version: when, by whom, why, and which file of content/ it is
readings.csv   one row a reading or a correction of it; blank bounds are none, the highest revision holds
notes.csv      one row a note (settings as made, covariates, failures, remarks, weighings), its value as JSON
content/       the versions as JSON
manifest.json  the SHA-256 of every file

A text that a spreadsheet program would take for a formula has an apostrophe before it.
"""
STAMP = (1980, 1, 1, 0, 0, 0)  # the same store gives the same bytes
INTEGERS = {"version", "run", "replicate", "revision", "place"}
NUMBERS = {"value", "lower", "upper"}
SAFE_KIND = re.compile(r"[a-z]{1,32}")

Chains = dict[tuple[str, str], list[Version]]


def written(chains: Chains) -> bytes:
    """The zip of these histories."""
    tables: dict[str, list[list[str]]] = {name: [] for name in TABLES}
    files: dict[str, bytes] = {ABOUT: ABOUT_TEXT.encode()}
    for (kind, name), chain in sorted(chains.items()):
        for v in chain:
            place = f"content/{len(tables['versions.csv']) + 1:06d}.json"
            files[place] = v.content.encode("ascii")
            cells = [kind, name, v.number, v.at, v.who, v.why, v.package, v.digest, place]
            tables["versions.csv"].append([_cell(c) for c in cells])
            for row in v.readings:
                tables["readings.csv"].append([_cell(c) for c in (name, v.number, *(row[c] for c in READING))])
            for row in v.notes:
                tables["notes.csv"].append([_cell(c) for c in (kind, name, v.number, *(row[c] for c in NOTE))])
    for table, rows in tables.items():
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(TABLES[table])
        writer.writerows(rows)
        files[table] = out.getvalue().encode("utf-8")
    sums = {
        name: {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)} for name, data in sorted(files.items())
    }
    manifest = {"kind": "trial", "schema": SCHEMA, "files": sums}
    files[MANIFEST] = (json.dumps(manifest, indent=2) + "\n").encode()
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in sorted(files.items()):
            entry = zipfile.ZipInfo(name, STAMP)
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            archive.writestr(entry, data)
    return packed.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else ""
    return neutral(value) if isinstance(value, str) else repr(value)


def read(path: str | os.PathLike[str]) -> Chains:
    """The histories in a zip, everything in it checked.

    Raises
    ------
    StudyError
        If it is missing, too large, cut short, changed since, or holds what no store would have written.
    """
    where = f"export {os.fspath(path)!r}"
    file = Path(path)
    try:
        size = file.stat().st_size
        if size > MOST_PACKED:
            raise StudyError(
                where,
                f"{size / 2**20:.0f} MiB",
                f"at most {MOST_PACKED // 2**20} MiB",
                "export the trials one by one, by their names",
            )
        content = file.read_bytes()
    except OSError as problem:
        raise StudyError(
            where,
            "missing" if isinstance(problem, FileNotFoundError) else "unreadable",
            "a file that exists and can be read",
            "check the path",
        ) from problem
    with opened(content, where) as archive:
        files = _checked(archive, where)
    chains = _put_together(files, where)
    for (kind, name), chain in chains.items():
        ledger.check_chain(f"{where}: {kind} {name!r}", kind, name, chain)
    for (kind, name), chain in chains.items():
        _check_contents(f"{where}: {kind} {name!r}", kind, chain, chains)
    return chains


def _checked(archive: zipfile.ZipFile, where: str) -> dict[str, bytes]:
    """Every file that the manifest names, with the SHA-256 it names."""
    another = "take another copy of the export"
    try:
        manifest = json.loads(taken(archive, MANIFEST, where))
        sums = {str(name): (str(s["sha256"]), int(s["bytes"])) for name, s in manifest["files"].items()}
        kind, schema = manifest["kind"], int(manifest["schema"])
    except StudyError:
        raise
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError, OverflowError) as problem:
        raise StudyError(
            f"{where}: {MANIFEST}", "broken", "a list of the files with their SHA-256", another
        ) from problem
    if kind != "trial":
        raise StudyError(f"{where}: kind", kind, "trial", "choose a zip that Store.export wrote")
    if not 1 <= schema <= SCHEMA:
        raise StudyError(
            f"{where}: schema", schema, f"{SCHEMA} or lower", "it was written by a newer version: update the package"
        )
    listed = {e.filename for e in archive.infolist()} - {MANIFEST}
    for name in sorted(listed ^ set(sums)):
        found = "missing" if name in sums else "not on the list"
        raise StudyError(f"{where}: {name}", found, "in the zip and on its list", another)
    out = {}
    for name, (digest, size) in sums.items():
        data = taken(archive, name, where)
        if len(data) != size or hashlib.sha256(data).hexdigest() != digest:
            raise StudyError(f"{where}: {name}", "changed since it was written", f"of SHA-256 {digest[:12]}…", another)
        out[name] = data
    return out


def _put_together(files: Mapping[str, bytes], where: str) -> Chains:
    chains: dict[tuple[str, str], dict[int, Version]] = {}
    for line, row in _rows(files, "versions.csv", where):
        if not SAFE_KIND.fullmatch(row["kind"]) or row["content"] not in files:
            raise StudyError(
                f"{where}: versions.csv, line {line}",
                [row["kind"], row["content"]],
                "a kind and a file of the zip",
                "take another copy of the export",
            )
        try:
            content = files[row["content"]].decode("ascii")
        except UnicodeDecodeError as problem:
            raise StudyError(
                f"{where}: {row['content']}",
                "not ASCII",
                "JSON as a store writes it",
                "take another copy of the export",
            ) from problem
        version = Version(row["version"], row["at"], row["who"], row["why"], row["package"], content, row["digest"])
        chains.setdefault((row["kind"], row["name"]), {})[row["version"]] = version
    for table, columns, thing in (
        ("readings.csv", READING, lambda row: ("records", row["name"])),
        ("notes.csv", NOTE, lambda row: (row["kind of thing"], row["name of thing"])),
    ):
        key: Callable[[dict[str, Any]], tuple[str, str]] = thing
        for line, row in _rows(files, table, where):
            found = chains.get(key(row), {}).get(row["version"])
            if found is None:
                raise StudyError(
                    f"{where}: {table}, line {line}",
                    [*key(row), row["version"]],
                    "of a version in versions.csv",
                    "take another copy of the export",
                )
            (found.readings if table == "readings.csv" else found.notes).append({c: row[c] for c in columns})
    return {key: [numbered[n] for n in sorted(numbered)] for key, numbered in chains.items()}


def _rows(files: Mapping[str, bytes], table: str, where: str) -> list[tuple[int, dict[str, Any]]]:
    columns = TABLES[table]
    out = []
    if table not in files:
        raise StudyError(
            f"{where}: {table}", "missing", f"a table of {', '.join(columns)}", "take another copy of the export"
        )
    try:
        lines = csv.reader(io.StringIO(files[table].decode("utf-8"), newline=""), strict=True)
        for number, cells in enumerate(lines, start=1):
            if number == 1 and tuple(cells) != columns:
                raise ValueError("other columns")
            if number > 1:
                row = dict(zip(columns, cells, strict=True))
                out.append((number, {c: _value(c, text, table) for c, text in row.items()}))
    except (KeyError, ValueError, csv.Error, OverflowError) as problem:
        raise StudyError(
            f"{where}: {table}",
            f"broken ({problem})",
            f"a table of {', '.join(columns)}",
            "take another copy of the export",
        ) from problem
    return out


def _value(column: str, text: str, table: str) -> Any:
    if column in INTEGERS:
        return int(text)
    if column in NUMBERS and table == "readings.csv":
        number = float(text) if text else None
        if number is not None and not math.isfinite(number):
            raise ValueError(f"{column} is {text}")
        return number
    if column == "withdrawn":
        return {"yes": True, "": False}[text]
    return bare(text)


def _check_contents(where: str, kind: str, chain: Sequence[Version], chains: Chains) -> None:
    """Make everything once, so that what cannot be loaded is never taken up."""
    try:
        for version in chain:
            if kind != "records":
                made_of(kind, version.content, where)
        if kind == "records":
            for end in range(1, len(chain) + 1):
                link = json.loads(chain[end - 1].content)["plan"]
                plan = chains["plan", link["name"]][link["version"] - 1]
                if end == len(chain):
                    made_again(made_of("plan", plan.content, where), chain)
    except StudyError:
        raise
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError, ArithmeticError) as problem:
        raise StudyError(
            where, f"not whole ({type(problem).__name__})", "as a store writes it", "take another copy of the export"
        ) from problem


def take_up(connection: Connection, chains: Chains) -> dict[tuple[str, str], int]:
    """Add what a store does not hold yet; how many versions were added of each thing.

    Raises
    ------
    StudyError
        If the store holds another history under the same name.
    """
    out = {}
    for (kind, name), chain in sorted(chains.items()):
        thing = ledger.find(connection, kind, name, lock=True)
        assert thing is not None
        held = ledger.history(connection, thing)
        for mine, theirs in zip(held, chain, strict=False):
            if mine.digest != theirs.digest:
                raise StudyError(
                    f"store: {kind} {name!r}",
                    f"another history from version {mine.number} on",
                    "the one in the export, or the beginning of it",
                    "take it up in a new store",
                )
        before = held[-1].digest if held else FIRST
        for version in chain[len(held) :]:
            before = ledger.put(connection, thing, kind, name, version, before).digest
        out[kind, name] = max(0, len(chain) - len(held))
    return out
