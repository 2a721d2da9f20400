"""Files: written whole or not at all, read with a sentence when they cannot be."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path
from typing import Any

from doe.study.errors import StudyError


def write_bytes(path: str | os.PathLike[str], content: bytes) -> Path:
    """Write a file atomically: a reader sees the old content or the new, never a part.

    Raises
    ------
    StudyError
        If the folder does not exist or cannot be written to.
    """
    target = Path(path)
    if not target.parent.is_dir():
        raise StudyError(
            "path", str(target), "in a folder that exists", f"make the folder {str(target.parent)!r} first"
        )
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".part")
    except OSError as problem:
        raise StudyError(
            "path", str(target), "in a folder that can be written to", f"choose another folder ({problem.strerror})"
        ) from problem
    try:
        with os.fdopen(handle, "wb") as f:
            f.write(content)
            f.flush()
            os.fsync(f.fileno())
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(name, 0o666 & ~umask)  # mkstemp's 0600 would lock colleagues out
        os.replace(name, target)
    except BaseException as problem:
        Path(name).unlink(missing_ok=True)
        if isinstance(problem, OSError):
            raise StudyError(
                "path",
                str(target),
                "a file that can be written",
                f"free some space or choose another place ({problem.strerror})",
            ) from problem
        raise
    return target


def write_text(path: str | os.PathLike[str], text: str) -> Path:
    """Write a UTF-8 text file atomically."""
    return write_bytes(path, text.encode("utf-8"))


def write_json(path: str | os.PathLike[str], content: dict[str, Any]) -> Path:
    """Write a JSON file that a person can read, atomically."""
    return write_text(path, json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def read_json(path: str | os.PathLike[str], kind: str, schema: int) -> dict[str, Any]:
    """Read a JSON file of one `kind` ("study", "plan") whose schema is at most `schema`.

    Raises
    ------
    StudyError
        If the file is missing, unreadable, cut short, of another kind, or from a newer version of the package.
    """
    where = f"{kind} file {str(path)!r}"
    try:
        text = Path(path).read_text(encoding="utf-8")
    except FileNotFoundError as problem:
        raise StudyError(where, "missing", "a file that exists", "check the path") from problem
    except (OSError, UnicodeDecodeError) as problem:
        raise StudyError(
            where, "unreadable", "a UTF-8 text file in JSON", f"check the file ({type(problem).__name__})"
        ) from problem
    try:
        content = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as problem:
        place = (
            f"line {problem.lineno}, column {problem.colno}"
            if isinstance(problem, json.JSONDecodeError)
            else "nested too deep"
        )
        raise StudyError(
            where,
            f"broken at {place}",
            "whole JSON",
            "it may have been cut short: take the last good copy, or mend it there",
        ) from problem
    if not isinstance(content, dict) or content.get("kind") != kind:
        found = content.get("kind", "no kind") if isinstance(content, dict) else type(content).__name__
        raise StudyError(where, found, f"of kind {kind!r}", f"choose a file saved as a {kind}")
    version = content.get("schema")
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        raise StudyError(f"{where}: schema", version, "a whole number from 1", "take a file that this package saved")
    if version > schema:
        raise StudyError(
            f"{where}: schema",
            version,
            f"{schema} or lower",
            "it was saved by a newer version: update the package and load it again",
        )
    return content
