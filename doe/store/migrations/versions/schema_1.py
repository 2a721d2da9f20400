"""The first schema: things, their versions, readings and notes, to which rows are only ever added."""

import sqlalchemy as sa
from alembic import op

revision = "schema_1"
down_revision = None
branch_labels = None
depends_on = None

KEPT = ("things", "versions", "readings", "notes")


def upgrade() -> None:
    """Make the tables, and triggers that refuse to change or delete what is in them."""
    op.create_table(
        "things",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("name", sa.String(500), nullable=False),
        sa.UniqueConstraint("kind", "name", name="one_thing_a_name"),
    )
    op.create_table(
        "versions",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("thing_id", sa.Integer, sa.ForeignKey("things.id", name="version_of_a_thing"), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("at", sa.String(40), nullable=False),
        sa.Column("who", sa.String(200), nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.Column("package", sa.String(40), nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.UniqueConstraint("thing_id", "number", name="one_version_a_number"),
    )
    op.create_table(
        "readings",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("thing_id", sa.Integer, sa.ForeignKey("things.id", name="reading_of_a_thing"), nullable=False),
        sa.Column("version_id", sa.Integer, sa.ForeignKey("versions.id", name="reading_of_a_version"), nullable=False),
        sa.Column("run", sa.Integer, nullable=False),
        sa.Column("batch", sa.String(200), nullable=False),
        sa.Column("replicate", sa.Integer, nullable=False),
        sa.Column("response", sa.String(500), nullable=False),
        sa.Column("time", sa.String(100), nullable=False),
        sa.Column("condition", sa.String(200), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("value", sa.Float(53)),
        sa.Column("lower", sa.Float(53)),
        sa.Column("upper", sa.Float(53)),
        sa.Column("cell", sa.Text, nullable=False),
        sa.Column("withdrawn", sa.Boolean(create_constraint=False), nullable=False),
        sa.UniqueConstraint(
            "thing_id",
            "run",
            "batch",
            "replicate",
            "response",
            "time",
            "condition",
            "revision",
            name="one_reading_a_revision",
        ),
    )
    op.create_index("readings_by_version", "readings", ["version_id"])
    op.create_table(
        "notes",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("thing_id", sa.Integer, sa.ForeignKey("things.id", name="note_of_a_thing"), nullable=False),
        sa.Column("version_id", sa.Integer, sa.ForeignKey("versions.id", name="note_of_a_version"), nullable=False),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("run", sa.Integer, nullable=False),
        sa.Column("batch", sa.String(200), nullable=False),
        sa.Column("name", sa.String(500), nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("value", sa.Text, nullable=False),
        sa.UniqueConstraint(
            "thing_id", "kind", "run", "batch", "name", "place", "revision", name="one_note_a_revision"
        ),
    )
    op.create_index("notes_by_version", "notes", ["version_id"])
    if op.get_bind().dialect.name == "sqlite":
        for table in KEPT:
            for deed in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER {table}_no_{deed.lower()} BEFORE {deed} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are only ever added'); END"
                )
    else:
        op.execute(
            "CREATE FUNCTION only_ever_added() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'rows of % are only ever added', TG_TABLE_NAME; END $$"
        )
        for table in KEPT:
            op.execute(
                f"CREATE TRIGGER {table}_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
                "FOR EACH STATEMENT EXECUTE FUNCTION only_ever_added()"
            )
