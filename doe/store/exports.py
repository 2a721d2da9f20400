"""Which exports were made of a store, so that the last good one can be named when its file is damaged."""

from __future__ import annotations

import contextlib
import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path

from doe.study import StudyError
from doe.study.files import write_json

REMEMBERED = 10


def list_of(file: Path) -> Path:
    """The small file beside a store that remembers its exports."""
    return file.with_name(file.name + ".exports.json")


def remember(file: Path | None, export: Path, digest: str) -> None:
    """Note an export. One that cannot be noted is still an export."""
    if file is None:
        return
    at = datetime.now(UTC).isoformat(timespec="seconds")
    known = [e for e in _known(file) if e["path"] != str(export.absolute())][-(REMEMBERED - 1) :]
    entry = {"path": str(export.absolute()), "at": at, "sha256": digest}
    with contextlib.suppress(StudyError):
        write_json(list_of(file), {"kind": "exports", "schema": 1, "exports": [*known, entry]})


def last_good(file: Path | None) -> Path | None:
    """The last export that is still there as it was written."""
    for entry in reversed(_known(file) if file is not None else []):
        path = Path(entry["path"])
        try:
            if hashlib.sha256(path.read_bytes()).hexdigest() == entry["sha256"]:
                return path
        except OSError:
            continue
    return None


def _known(file: Path) -> list[dict[str, str]]:
    try:
        found = json.loads(list_of(file).read_text(encoding="utf-8"))["exports"]
        return [e for e in found if all(isinstance(e[k], str) for k in ("path", "at", "sha256"))]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return []
