"""Connections: where the database is, transactions that hold, and what goes wrong said in one sentence."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import exc
from sqlalchemy.engine import URL, Connection, Engine, make_url

from doe.store.exports import last_good
from doe.store.schema import HEAD, known_schemas, migrate, schema_of
from doe.study import StudyError

PATIENCE = 120.0  # s that a writer waits for others
CHECKED_ALWAYS = 64 * 2**20  # bytes up to which a file is checked whenever it is opened
ALLOWED = "the path of a file, or the URL of a PostgreSQL database"
MEND = 'write doe.Store("trials.db") or doe.Store("postgresql+psycopg://user@host/database")'


class Database:
    """A database that keeps the store's tables, opened once and brought to the present schema.

    Parameters
    ----------
    url : str or path
        Path of a SQLite file, or a URL that SQLAlchemy takes, of SQLite or PostgreSQL.

    Raises
    ------
    StudyError
        If it cannot be opened, is damaged, holds something else, or was written by a newer version.
    """

    def __init__(self, url: str | os.PathLike[str]) -> None:
        self.url = _url(url)
        self.file = Path(self.url.database or "").absolute() if self.url.get_backend_name() == "sqlite" else None
        shown = str(self.file) if self.file else self.url.render_as_string(hide_password=True)
        self.where = f"store {shown!r}"
        self.read_only = False
        if self.file:
            self._look_at(self.file)
        self.engine = self._engine()
        self._prepare()

    @property
    def postgresql(self) -> bool:
        """Whether it is a PostgreSQL database; else a SQLite file."""
        return self.file is None

    def _look_at(self, file: Path) -> None:
        """Refuse what SQLite would make a mess of; note what can only be read."""
        if not file.parent.is_dir():
            raise StudyError(self.where, "in no folder", "in a folder that exists", f"make {str(file.parent)!r} first")
        if file.is_dir():
            raise StudyError(self.where, "a folder", "a file", "name a file in it, such as trials.db")
        if not file.exists():
            if not os.access(file.parent, os.W_OK):
                raise StudyError(
                    self.where,
                    "in a folder that can only be read",
                    "in a folder that can be written to",
                    "choose another folder",
                )
            return
        if not os.access(file, os.R_OK):
            raise StudyError(self.where, "closed to you", "a file that you may read", "ask its owner")
        self.read_only = not (os.access(file, os.W_OK) and os.access(file.parent, os.W_OK))

    def _engine(self) -> Engine:
        if self.postgresql:
            try:
                return sa.create_engine(self.url, poolclass=sa.pool.NullPool, connect_args={"connect_timeout": 10})
            except ModuleNotFoundError as problem:
                raise StudyError(
                    self.where,
                    "without its driver",
                    "reached through psycopg",
                    "run: python -m pip install 'fewbatch[team]'",
                ) from problem
        # No write-ahead log: whether a folder is shared or synchronised cannot be seen from here, and there a log loses what was
        # written. One file at rest, which may be copied and sent, is what a laboratory expects.
        engine = sa.create_engine("sqlite://", creator=self._connect, poolclass=sa.pool.NullPool)

        @sa.event.listens_for(engine, "begin")
        def begin(connection: Connection) -> None:
            # the lock is taken before anything is read, so that two writers never decide on the same state
            writes = connection.get_execution_options().get("writes", False)
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

        return engine

    def _connect(self) -> sqlite3.Connection:
        assert self.file is not None
        if self.read_only:
            made = sqlite3.connect(f"{self.file.as_uri()}?mode=ro", uri=True, timeout=PATIENCE, isolation_level=None)
        else:
            made = sqlite3.connect(self.file, timeout=PATIENCE, isolation_level=None)
        # 3: EXTRA, which also syncs the folder once the journal is gone, so that a power cut right after a commit cannot undo it
        made.execute("PRAGMA synchronous = 3")
        made.execute("PRAGMA foreign_keys = ON")
        made.execute("PRAGMA trusted_schema = OFF")
        return made

    # ---- opening

    def _prepare(self) -> None:
        if self.file and self.file.exists() and self.file.stat().st_size:
            self._check_file(self.file)
        with self.reading() as connection:
            found = schema_of(connection)
        if found == HEAD:
            return
        if found == "":
            raise StudyError(
                self.where,
                "a database of something else",
                "a database of a store, or an empty one",
                "choose another name",
            )
        if found is not None and found not in known_schemas():
            raise StudyError(
                f"{self.where}: schema",
                found,
                f"{HEAD} or older",
                "it was written by a newer version: update the package and open it again",
            )
        if self.read_only:
            raise StudyError(
                f"{self.where}: schema",
                found,
                HEAD,
                "it can only be read here: copy it to a folder that can be written to",
            )
        with self.writing() as connection:
            if self.postgresql:
                connection.exec_driver_sql(
                    "SELECT pg_advisory_xact_lock(682193407)"
                )  # any fixed number: one migrates, others wait
            if schema_of(connection) != HEAD:  # another may have done it meanwhile
                migrate(connection)

    def _check_file(self, file: Path) -> None:
        """Let SQLite look for damage: always in a file of usual size, else after an unclean end only."""
        with file.open("rb") as f:
            if f.read(16) != b"SQLite format 3\x00":
                raise self.damaged("its first bytes are not those of a database")
        journal = file.with_name(file.name + "-journal")
        if file.stat().st_size > CHECKED_ALWAYS and not journal.exists():
            return
        self.check()

    def check(self) -> None:
        """Let SQLite look for damage in its file; PostgreSQL looks after its own."""
        if self.postgresql:
            return
        with self.told(), closing(self._connect()) as connection:
            said = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(3)")]
        if said != ["ok"]:
            raise self.damaged(said[0].splitlines()[-1])

    def damaged(self, how: str) -> StudyError:
        """The sentence that says so, and names the last good export."""
        export = last_good(self.file)
        mend = (
            f"keep it, and take up the last good export, {str(export)!r}, in a new store with import_"
            if export
            else "keep it, and go on from the last good copy; no export of it was found"
        )
        return StudyError(self.where, f"damaged ({how})", "whole", mend)

    # ---- transactions

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the database."""
        engine = self.engine.execution_options(isolation_level="REPEATABLE READ") if self.postgresql else self.engine
        with self.told(), engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A connection whose work is kept wholly or not at all."""
        if self.read_only:
            raise StudyError(
                self.where,
                "in a place that can only be read",
                "in a folder that can be written to",
                "copy it there first",
            )
        with self.told(), self.engine.execution_options(writes=True).begin() as connection:
            yield connection

    @contextmanager
    def told(self) -> Iterator[None]:
        """What goes wrong with the database, in one sentence."""
        try:
            yield
        except (exc.DBAPIError, sqlite3.Error) as problem:
            raise self._sentence(problem) from problem

    def _sentence(self, problem: Exception) -> StudyError:
        cause = problem.orig if isinstance(problem, exc.DBAPIError) and problem.orig is not None else problem
        text = str(cause).strip().splitlines()[0] if str(cause).strip() else type(cause).__name__
        if isinstance(cause, sqlite3.Error):
            code = getattr(cause, "sqlite_errorname", "") or ""
            if code.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
                return self.damaged(text)
            if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
                return StudyError(
                    self.where,
                    "held by another program",
                    f"free within {PATIENCE:g} s",
                    "close what else has it open, and try again; nothing was changed",
                )
            if code.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
                return StudyError(
                    self.where,
                    f"not to be written ({text})",
                    "on a disk with room",
                    "free some space and try again; nothing was changed",
                )
            if code.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
                return StudyError(
                    self.where,
                    f"not to be written ({text})",
                    "in a folder that can be written to",
                    "copy it there first",
                )
        if isinstance(problem, exc.OperationalError):
            return StudyError(
                self.where,
                f"not to be reached ({text})",
                "a database that answers",
                "check the URL and the network, and try again",
            )
        return StudyError(
            self.where, f"refused ({text})", "kept by the database", "nothing was changed; check what was given"
        )

    def close(self) -> None:
        """Let go of the connections."""
        self.engine.dispose()


def _url(given: Any) -> URL:
    if isinstance(given, os.PathLike) or (isinstance(given, str) and given.strip() and "://" not in given):
        return URL.create("sqlite", database=os.fspath(given))
    if not isinstance(given, str) or not given.strip():
        raise StudyError("store: url", given, ALLOWED, MEND)
    try:
        url = make_url(given)
        kind = url.get_backend_name()
    except exc.ArgumentError as problem:
        raise StudyError("store: url", given.partition("://")[0] + "://…", ALLOWED, MEND) from problem
    if kind not in ("sqlite", "postgresql"):
        raise StudyError("store: url", f"{kind}://…", ALLOWED, MEND)
    if kind == "sqlite" and url.database in (None, "", ":memory:"):
        raise StudyError(
            "store: url", given, "a file, since what is only in memory is lost", 'write doe.Store("trials.db")'
        )
    return url.set(drivername="postgresql+psycopg") if kind == "postgresql" else url
