"""Zip files that someone gave us: looked at before anything in them is unpacked, and read with a bound on what comes out."""

from __future__ import annotations

import io
import stat
import zipfile
import zlib

from doe.study import StudyError

MOST_BYTES = 512 * 2**20  # of all files together, unpacked
MOST_FILES = 20_000
MOST_PACKED = 128 * 2**20  # of the zip itself


def opened(content: bytes, where: str) -> zipfile.ZipFile:
    """The zip, if its list of contents may be trusted.

    Raises
    ------
    StudyError
        If it is no zip, is too large, holds a name twice or one that leads out of a folder, or is encrypted.
    """
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, EOFError, UnicodeDecodeError) as problem:
        raise StudyError(
            where, f"no whole zip ({type(problem).__name__})", "an export of a store", "take another copy of it"
        ) from problem
    entries = archive.infolist()
    if len(entries) > MOST_FILES:
        raise StudyError(where, f"{len(entries)} files", f"at most {MOST_FILES} files", "take an export of a store")
    total = sum(e.file_size for e in entries)
    if total > MOST_BYTES:
        raise StudyError(
            where,
            f"{total / 2**20:.0f} MiB unpacked",
            f"at most {MOST_BYTES // 2**20} MiB",
            "export the trials one by one, by their names",
        )
    seen: set[str] = set()
    for entry in entries:
        name = entry.filename
        parts = name.replace("\\", "/").split("/")
        if name in seen:
            raise StudyError(
                where, f"a zip that holds {name!r} twice", "one with each name once", "take another copy of it"
            )
        if (
            name.startswith("/")
            or ":" in name
            or "\\" in name
            or ".." in parts
            or stat.S_ISLNK(entry.external_attr >> 16)
        ):
            raise StudyError(
                where,
                f"a zip that leads to {name!r}",
                "one whose files stay inside",
                "do not trust it: ask where it comes from",
            )
        if entry.flag_bits & 1:
            raise StudyError(where, "an encrypted zip", "one without a password", "unpack it and export again")
        seen.add(name)
    return archive


def taken(archive: zipfile.ZipFile, name: str, where: str) -> bytes:
    """One file's content, never longer than the list says."""
    try:
        with archive.open(name) as f:
            return f.read(archive.getinfo(name).file_size + 1)
    except (
        KeyError,
        zipfile.BadZipFile,
        zlib.error,
        OSError,
        EOFError,
        ValueError,
        NotImplementedError,
        RuntimeError,
    ) as problem:
        raise StudyError(
            f"{where}: {name}", f"unreadable ({type(problem).__name__})", "whole", "take another copy of the export"
        ) from problem
