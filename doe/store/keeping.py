"""The Store: studies, plans, records, recipes and results in a database, with everything that was ever said of them."""

from __future__ import annotations

import getpass
import hashlib
import json
import os
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import pandas as pd

from doe.bench.records import Records
from doe.designs import Plan
from doe.store.contents import DESCRIBED, content_of, kind_of, made_of, name_of, text_or_refuse
from doe.store.exports import remember
from doe.store.facts import made_again
from doe.store.results import History, Saved
from doe.study import Section, Shown, StudyError
from doe.study.errors import nearest
from doe.study.files import write_bytes

if TYPE_CHECKING:
    import sqlalchemy as sa

    from doe.store import ledger


class Store(Shown):
    """A database of trials in which nothing is overwritten.

    Parameters
    ----------
    url : str or path
        Path of a SQLite file ("trials.db"), which is made where there is none, or the URL of a PostgreSQL database
        ("postgresql+psycopg://user@host/database").
    who : str, optional
        Who saves and corrects; the name of the account if left out.

    Raises
    ------
    StudyError
        If it cannot be opened, is damaged (the last good export is named), holds something else, or is of a newer version.

    Notes
    -----
    Every saving and correction is a version: when (UTC), by whom, why, sealed by the SHA-256 of its content and of the version before.
    `load` checks the seals, and the database itself refuses to change or delete rows. Two programs may write at once: one waits.
    """

    def __init__(self, url: str | os.PathLike[str], who: str | None = None) -> None:
        from doe.store.engine import Database

        self.who = _name("store: who", _account() if who is None else who)
        self._database = Database(url)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database; connections are opened anew for every call, so that a store may be used again."""
        self._database.close()

    # ---- in and out

    def save(self, thing: Any, name: str | None = None, why: str = "") -> Saved:
        """Keep a study, plan, recipe, records, or a result as it is now.

        Parameters
        ----------
        thing : Study, Plan, Recipe, Records, or a result that shows itself (Fit, Fits, Window, a confirmation …)
            Records come with their plan. Of records what is new is added; a reading or note that says something else than the one kept
            becomes a correction, which needs a reason. What these records do not say stays.
        name : str, optional
            The study's name if left out, for a fit "study: response"; a recipe needs one.
        why : str
            The reason, for the history.

        Returns
        -------
        Saved
            The version, and how many readings and notes were added, corrected and unchanged. What is kept already makes no new version.

        Raises
        ------
        StudyError
            If it is none of these, a correction has no reason, records are of other batches than those kept under this name, or the
            database cannot be written to; nothing is then kept of it.
        """
        from doe.store import ledger
        from doe.store.recording import save_records

        kind = kind_of(thing)
        name = name_of(thing, kind, name)
        why = _reason(why)
        with self._database.writing() as connection:
            if isinstance(thing, Records):
                return save_records(connection, thing, name, self.who, why)
            text = text_of_thing(thing, kind)
            number = ledger.find(connection, kind, name, lock=True)
            assert number is not None
            before = ledger.latest(connection, number)
            if before is not None and before.content == text:
                return Saved(kind, name, before.number, False)
            made = ledger.append(connection, number, kind, name, self.who, why, text)
            return Saved(kind, name, made.number, True)

    def load(self, kind: str, name: str, version: int | None = None) -> Any:
        """Take something out of the store, its seals checked.

        Parameters
        ----------
        kind : str
            "study", "plan", "recipe", "records", "fit", "window", … : one of those that `names()` lists.
        name : str
        version : int, optional
            As it was after this version; the last if left out.

        Returns
        -------
        Study, Plan, Recipe, Records or Kept
            A result comes back as it was shown, with what it was fitted to.

        Raises
        ------
        StudyError
            If it is not there, or was changed outside the store.
        """
        with self._database.reading() as connection:
            chain = self._chain(connection, kind, name)
            if version is None:
                version = len(chain)
            if isinstance(version, bool) or not isinstance(version, int) or not 1 <= version <= len(chain):
                raise StudyError(
                    f"store: version of {kind} {name!r}",
                    version,
                    f"a whole number from 1 to {len(chain)}",
                    "choose one of these",
                )
            where = f"store: {kind} {name!r}"
            if kind != "records":
                return made_of(kind, chain[version - 1].content, where)
            return made_again(self._plan(connection, chain[version - 1]), chain[:version])

    def names(self, kind: str | None = None) -> pd.DataFrame | list[str]:
        """What is kept.

        Parameters
        ----------
        kind : str, optional

        Returns
        -------
        list of str
            The names of the things of this kind; without a kind a DataFrame: kind, name, versions, at (UTC) and who of the last.
        """
        from doe.store import ledger

        with self._database.reading() as connection:
            if kind is not None:
                return ledger.names(connection, _kind(connection, kind))
            return self._overview(connection)

    def versions(self, kind: str, name: str) -> pd.DataFrame:
        """Every version of a thing: version, at (UTC), who, why, readings and notes that it added or corrected, digest."""
        with self._database.reading() as connection:
            chain = self._chain(connection, kind, name)
        rows = [(v.number, v.at, v.who, v.why, len(v.readings), len(v.notes), v.digest) for v in chain]
        return pd.DataFrame(rows, columns=["version", "at", "who", "why", "readings", "notes", "digest"])

    # ---- records

    def correct(
        self,
        batch: str | int,
        what: str,
        value: object,
        why: str,
        who: str | None = None,
        replicate: int = 1,
        records: str | None = None,
    ) -> Saved:
        """Put a value in the place of one that is kept; the old one stays in the history.

        Parameters
        ----------
        batch : str or int
            Its code, its run number, or the label of a batch made again.
        what : str
            A response ("viscosity[4 wk, 40 °C]" where it is read at several occasions), a covariate, a factor (its setting as made),
            "failed" (the reason) or "remark".
        value : number or str or None
            As it would be typed into the sheet; None withdraws what is kept.
        why : str
            The reason; it cannot be left out.
        who : str, optional
            Who corrects, if it is not the store's `who`.
        replicate : int
            Which reading of the batch.
        records : str, optional
            The records' name, where the store keeps several.

        Raises
        ------
        StudyError
            If there is no such batch or quantity, no reason, nothing to correct, or the value cannot stand there.
        """
        from doe.store.recording import correct

        why = _reason(why)
        if not why:
            raise StudyError(
                "store: why", why, "the reason in words", "say what was wrong: it stands in the history for good"
            )
        if isinstance(replicate, bool) or not isinstance(replicate, int) or replicate < 1:
            raise StudyError("store: replicate", replicate, "a whole number from 1", "count the readings of the batch")
        by = self.who if who is None else _name("store: who", who)
        with self._database.writing() as connection:
            return correct(connection, self._records(connection, records), batch, what, value, by, why, replicate)

    def history(self, batch: str | int, records: str | None = None) -> History:
        """Everything that was ever kept of a batch: readings and notes as added, corrected and withdrawn, when, by whom, why.

        Raises
        ------
        StudyError
            If there is no such batch.
        """
        from doe.store import ledger
        from doe.store.recording import find_batch, history_table

        with self._database.reading() as connection:
            name = self._records(connection, records)
            chain = self._chain(connection, "records", name)
            thing = ledger.find(connection, "records", name)
            assert thing is not None
            plan = self._plan(connection, chain[-1])
            run, label = find_batch(connection, thing, plan, batch)
        from doe.bench.pages import batch_code

        words = f"batch {batch_code(plan, run)} (run {run})" if label == str(run) else f"batch {label} of run {run}"
        return History(words, name, history_table(chain, run, label))

    # ---- whole trials

    def export(self, path: str | os.PathLike[str], names: str | list[str] | None = None) -> Path:
        """Write whole trials with all their history as one zip of CSV and JSON with checksums; replaced whole or not at all.

        Parameters
        ----------
        path : str or path
            A .zip file.
        names : str or list of str, optional
            Names of the things to write, with all results of theirs ("name: …"); everything if left out.

        Returns
        -------
        Path

        Raises
        ------
        StudyError
            If a name is unknown, the store is damaged, or the file cannot be written.
        """
        from doe.store import archive

        if not isinstance(path, str | os.PathLike) or Path(path).suffix.lower() != ".zip":
            raise StudyError("store: export", path, "the path of a .zip file", 'write store.export("trial.zip")')
        wanted = [names] if isinstance(names, str) else names
        self._database.check()
        with self._database.reading() as connection:
            table = self._overview(connection)
            known = list(dict.fromkeys(table["name"]))
            for name in wanted or ():
                if name not in known:
                    raise StudyError("store: names to export", name, "a name in the store", nearest(str(name), known))
            keys = [
                (kind, name)
                for kind, name in zip(table["kind"], table["name"], strict=True)
                if wanted is None or any(name == w or name.startswith(f"{w}: ") for w in wanted)
            ]
            chains = {key: self._chain(connection, *key) for key in keys}
        content = archive.written(chains)
        written = write_bytes(path, content)
        remember(self._database.file, written, hashlib.sha256(content).hexdigest())
        return written

    def import_(self, path: str | os.PathLike[str]) -> pd.DataFrame:
        """Take up what an export holds and this store does not.

        Returns
        -------
        DataFrame
            kind, name, versions added.

        Raises
        ------
        StudyError
            If the file is missing, damaged, changed since, too large, or tells another history than this store; nothing is then taken up.
        """
        from doe.store import archive

        if not isinstance(path, str | os.PathLike):
            raise StudyError("store: import", path, "the path of a .zip file", "say where the export is")
        chains = archive.read(path)
        with self._database.writing() as connection:
            added = archive.take_up(connection, chains)
        return pd.DataFrame(
            [(kind, name, n) for (kind, name), n in added.items()], columns=["kind", "name", "versions"]
        )

    def check(self) -> str:
        """Look through everything: the database's own check, every seal, and everything loaded once.

        Returns
        -------
        str
            One sentence, if all is whole.

        Raises
        ------
        StudyError
            Naming the first thing that is not, and the last good export.
        """
        self._database.check()
        with self._database.reading() as connection:
            table = self._overview(connection)
        for kind, name in zip(table["kind"], table["name"], strict=True):
            self.load(kind, name)
        return f"{self._database.where} is whole: {len(table)} things in {int(table['versions'].sum())} versions."

    # ---- inside

    def _chain(self, connection: sa.Connection, kind: str, name: str) -> list[ledger.Version]:
        from doe.store import ledger

        kind = _kind(connection, kind)
        thing = ledger.find(connection, kind, name) if isinstance(name, str) else None
        if thing is None:
            raise StudyError(
                f"store: name of the {kind}",
                name,
                "one that is kept",
                nearest(str(name), ledger.names(connection, kind)),
            )
        try:
            chain = ledger.history(connection, thing)
        except (ValueError, TypeError, LookupError) as problem:  # a cell that is no longer what its column holds
            raise self._database.damaged(str(problem)) from problem
        try:
            ledger.check_chain(f"store: {kind} {name!r}", kind, name, chain)
        except (TypeError, ValueError) as problem:
            if isinstance(problem, StudyError):
                raise self._database.damaged(f"{kind} {name!r} is {problem.found}") from problem
            raise self._database.damaged(f"{kind} {name!r}: {problem}") from problem
        return chain

    def _plan(self, connection: sa.Connection, version: ledger.Version) -> Plan:
        link = json.loads(version.content)["plan"]
        chain = self._chain(connection, "plan", link["name"])
        plan: Plan = made_of("plan", chain[link["version"] - 1].content, f"store: plan {link['name']!r}")
        return plan

    def _records(self, connection: sa.Connection, given: str | None) -> str:
        from doe.store import ledger

        known = ledger.names(connection, "records")
        if given is not None:
            if given not in known:
                raise StudyError(
                    "store: records", given, "the name of records that are kept", nearest(str(given), known)
                )
            return given
        if len(known) != 1:
            found = f"{len(known)} records" if known else "without records"
            mend = f"say which with records=: {', '.join(map(repr, known))}" if known else "save records first"
            raise StudyError("store", found, "asked about records that it keeps", mend)
        return known[0]

    def _overview(self, connection: sa.Connection) -> pd.DataFrame:
        import sqlalchemy as sa

        from doe.store import ledger
        from doe.store.schema import things

        rows = []
        for thing, kind, name in connection.execute(
            sa.select(things.c.id, things.c.kind, things.c.name).order_by(things.c.kind, things.c.name)
        ):
            last = ledger.latest(connection, thing)
            if last is not None:
                rows.append((kind, name, last.number, last.at, last.who))
        return pd.DataFrame(rows, columns=["kind", "name", "versions", "at", "who"])

    def _sections(self) -> list[Section]:
        table = self.names()
        assert isinstance(table, pd.DataFrame)
        shown = table.assign(at=table["at"].astype(str).str.slice(0, 16).str.replace("T", " ") + " UTC").astype(str)
        title = self._database.where.capitalize()
        return [Section(title, shown) if len(shown) else Section(title, None, "Nothing is kept in it yet.")]


def text_of_thing(thing: Any, kind: str) -> str:
    """A thing's content as JSON, the same for the same content."""
    from doe.store import ledger

    content = content_of(thing, kind)
    try:
        return ledger.text_of(content)
    except (TypeError, ValueError) as problem:
        raise StudyError(
            f"store: {kind}",
            type(thing).__name__,
            "made of plain values",
            f"leave out what JSON cannot hold ({problem})",
        ) from problem


def _kind(connection: sa.Connection, kind: object) -> str:
    import sqlalchemy as sa

    from doe.store.schema import things

    known = sorted({*DESCRIBED, "fit", *connection.execute(sa.select(things.c.kind).distinct()).scalars()})
    if not isinstance(kind, str) or kind not in known:
        raise StudyError("store: kind", kind, "one of " + ", ".join(known), nearest(str(kind), known))
    return kind


def _name(where: str, given: object) -> str:
    if not isinstance(given, str) or not given.strip() or len(given) > 200:
        raise StudyError(where, given, "a name", 'say who it is: doe.Store(url, who="…")')
    return text_or_refuse(where, given.strip())


def _reason(why: object) -> str:
    if not isinstance(why, str):
        raise StudyError("store: why", why, "a text", "give the reason in words")
    return text_or_refuse("store: why", why.strip())


def _account() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""
