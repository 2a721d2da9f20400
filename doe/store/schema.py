"""Tables of the store, and the step from any schema that was ever released to this one."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    inspect,
    select,
)

HEAD = "schema_1"
MIGRATIONS = Path(__file__).parent / "migrations"

metadata = MetaData()

# what is kept, by kind and name: a study, a plan, records …
things = Table(
    "things",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", String(32), nullable=False),
    Column("name", String(500), nullable=False),
    UniqueConstraint("kind", "name", name="one_thing_a_name"),
)

# every time a thing was saved or corrected; nothing here is ever changed
versions = Table(
    "versions",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("thing_id", ForeignKey("things.id", name="version_of_a_thing"), nullable=False),
    Column("number", Integer, nullable=False),
    Column("at", String(40), nullable=False),  # UTC, ISO 8601: sorts as text, the same in every database
    Column("who", String(200), nullable=False),
    Column("why", Text, nullable=False),
    Column("package", String(40), nullable=False),
    Column("content", Text, nullable=False),  # JSON
    Column("digest", String(64), nullable=False),  # SHA-256 of this version and the digest of the one before
    UniqueConstraint("thing_id", "number", name="one_version_a_number"),
)

# what makes a reading the same reading; a correction is a row with the next revision
SAME_READING = ("run", "batch", "replicate", "response", "time", "condition")
readings = Table(
    "readings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("thing_id", ForeignKey("things.id", name="reading_of_a_thing"), nullable=False),
    Column("version_id", ForeignKey("versions.id", name="reading_of_a_version"), nullable=False),
    Column("run", Integer, nullable=False),
    Column("batch", String(200), nullable=False),
    Column("replicate", Integer, nullable=False),
    Column("response", String(500), nullable=False),
    Column("time", String(100), nullable=False),
    Column("condition", String(200), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("value", Float(53)),  # null where the reading is censored or withdrawn
    Column("lower", Float(53)),  # null on a side without a bound
    Column("upper", Float(53)),
    Column("cell", Text, nullable=False),
    Column("withdrawn", Boolean(create_constraint=False), nullable=False),
    UniqueConstraint("thing_id", *SAME_READING, "revision", name="one_reading_a_revision"),
    Index("readings_by_version", "version_id"),
)

# everything else that was noted of a batch or of all: settings as made, covariates, failures, remarks, weighings …
SAME_NOTE = ("kind", "run", "batch", "name", "place")
notes = Table(
    "notes",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("thing_id", ForeignKey("things.id", name="note_of_a_thing"), nullable=False),
    Column("version_id", ForeignKey("versions.id", name="note_of_a_version"), nullable=False),
    Column("kind", String(32), nullable=False),
    Column("run", Integer, nullable=False),  # 0 for what is said of all batches
    Column("batch", String(200), nullable=False),
    Column("name", String(500), nullable=False),
    Column("place", Integer, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("value", Text, nullable=False),  # JSON; null where it is withdrawn
    UniqueConstraint("thing_id", *SAME_NOTE, "revision", name="one_note_a_revision"),
    Index("notes_by_version", "version_id"),
)

KEPT = ("things", "versions", "readings", "notes")  # rows of these are never changed nor deleted: triggers hold it
_current = Table("alembic_version", MetaData(), Column("version_num", String(32)))


def schema_of(connection: Connection) -> str | None:
    """Name of the database's schema; None where it has no table at all, "" where its tables are not ours."""
    tables = inspect(connection).get_table_names()
    if not tables:
        return None
    if _current.name not in tables:
        return ""
    names = connection.execute(select(_current.c.version_num)).scalars().all()
    return names[0] if len(names) == 1 else ""


def known_schemas() -> list[str]:
    """Every schema that was ever released, the oldest first."""
    from alembic.script import ScriptDirectory

    return [step.revision for step in ScriptDirectory(str(MIGRATIONS)).walk_revisions()][::-1]


def migrate(connection: Connection, to: str = "head", folder: Path = MIGRATIONS) -> None:
    """Bring a database to a schema within the connection's transaction: all of it or nothing."""
    from alembic.config import Config
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(folder).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    script = ScriptDirectory.from_config(config)
    with EnvironmentContext(config, script, fn=lambda found, _: script._upgrade_revs(to, found)) as environment:
        environment.configure(connection=connection, target_metadata=metadata)
        environment.run_migrations()
