"""Files: written whole or not at all, read with a sentence when they cannot be."""

from __future__ import annotations

import json
import os
import re
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from doe.study.errors import StudyError

MOST_JSON = 64 * 2**20  # bytes of a JSON file: a plan of ten thousand runs takes a few million
_HALF_PAIR = re.compile(r"\\u[dD][89a-fA-F]")  # may be half of a surrogate pair, which no file can be written with


def read_bytes(path: str | os.PathLike[str], where: str, most: int) -> bytes:
    """A file's content, refused by its size before it is read; `where` begins the error's sentence.

    Raises
    ------
    StudyError
        If it is larger than `most` bytes, or no file but a device or a pipe.
    OSError
        If it is missing or cannot be read.
    """
    with open(path, "rb", opener=_at_once) as f:
        if not stat.S_ISREG(os.fstat(f.fileno()).st_mode):
            raise StudyError(where, "a device or a pipe", "a file on a disk", "choose a file")
        content = f.read(most + 1)
    if len(content) > most:
        raise StudyError(
            where, "larger", f"at most {most // 2**20} MiB", "it is not what it should be: choose another file"
        )
    return content


def _at_once(name: str, flags: int) -> int:
    """Open without waiting for the other end of a pipe."""
    return os.open(name, flags | getattr(os, "O_NONBLOCK", 0))


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


def folder_made(path: str | os.PathLike[str], where: str) -> Path:
    """The folder, made if it is not there.

    Raises
    ------
    StudyError
        If it cannot be.
    """
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise StudyError(
            where, str(folder), "a folder that can be made", f"choose another place ({problem.strerror})"
        ) from problem
    return folder


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
        text = read_bytes(path, where, MOST_JSON).decode("utf-8")
    except StudyError:
        raise
    except FileNotFoundError as problem:
        raise StudyError(where, "missing", "a file that exists", "check the path") from problem
    except (OSError, UnicodeDecodeError) as problem:
        raise StudyError(
            where, "unreadable", "a UTF-8 text file in JSON", f"check the file ({type(problem).__name__})"
        ) from problem
    try:
        content = json.loads(text, parse_constant=_no_number)
        if _HALF_PAIR.search(text):
            json.dumps(content, ensure_ascii=False).encode("utf-8")
    except (ValueError, RecursionError) as problem:
        place = (
            f"line {problem.lineno}, column {problem.colno}"
            if isinstance(problem, json.JSONDecodeError)
            else "nested too deep"
            if isinstance(problem, RecursionError)
            else "a character of two halves, one of them missing"
            if isinstance(problem, UnicodeEncodeError)
            else "a number that is none"
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


@contextmanager
def taken_from(where: str, kind: str) -> Iterator[None]:
    """What is made of a file's content: a value that no check foresaw is still one sentence."""
    try:
        yield
    except StudyError:
        raise
    except (TypeError, ValueError, LookupError, AttributeError, ArithmeticError, RecursionError) as problem:
        found = f"not to be understood ({type(problem).__name__}: {problem})"
        raise StudyError(where, found, f"a whole {kind}", "take a file that this package saved") from problem


def _no_number(word: str) -> float:
    """NaN and Infinity are no JSON."""
    raise ValueError(word)
