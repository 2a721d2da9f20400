"""Every schema that was released opens and is brought to the present one; a step that fails or is of a newer version changes nothing."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from store_trials import assert_same_records, full_records

import doe
from doe.store import schema

SCHEMAS = Path(__file__).parent / "schemas"
RELEASED = ["schema_1"]


def said(call, *args, **kwargs):
    with pytest.raises(doe.StudyError) as caught:
        call(*args, **kwargs)
    return str(caught.value)


def built(name, folder):
    """The database that a released version wrote, from its text."""
    path = folder / f"{name}.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript((SCHEMAS / f"{name}.sql").read_text(encoding="utf-8"))
    return path


def test_every_released_schema_has_its_file_and_the_last_is_the_present_one():
    assert schema.known_schemas() == RELEASED
    assert schema.known_schemas()[-1] == schema.HEAD
    assert sorted(p.stem for p in SCHEMAS.glob("*.sql")) == RELEASED


@pytest.mark.parametrize("name", RELEASED)
def test_a_released_schema_opens_with_everything_in_it(name, tmp_path):
    path = built(name, tmp_path)
    with doe.Store(path, who="Grace") as store:
        store.check()
        records = full_records()
        assert_same_records(store.load("records", records.study.name, version=1), records)
        assert store.load("study", records.study.name).fingerprint == records.study.fingerprint
        assert store.names("recipe") == ["clear gel"]
        assert list(store.history(1).table["why"])[-1] == "decimal slipped"
        store.correct(1, "pH", 6.3, "read again")
        assert len(store.versions("records", records.study.name)) == 3
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [(schema.HEAD,)]


def test_the_steps_make_the_tables_that_the_code_works_with(store):
    with store._database.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, schema.metadata) == []


def next_schema(folder, upgrade):
    """The package's steps and one more."""
    steps = folder / "migrations"
    shutil.copytree(schema.MIGRATIONS, steps, ignore=shutil.ignore_patterns("__pycache__"))
    (steps / "versions" / "schema_2.py").write_text(
        "import sqlalchemy as sa\nfrom alembic import op\n"
        "revision, down_revision, branch_labels, depends_on = 'schema_2', 'schema_1', None, None\n"
        f"def upgrade():\n    {upgrade}\n"
    )
    return steps


def test_a_step_adds_to_what_is_there_and_an_older_version_then_says_so(url, tmp_path):
    with doe.Store(url, who="Ada") as store:
        store.save(full_records())
        steps = next_schema(tmp_path, "op.add_column('notes', sa.Column('more', sa.Text))")
        with store._database.writing() as connection:
            schema.migrate(connection, folder=steps)
        with store._database.reading() as connection:
            assert schema.schema_of(connection) == "schema_2"
            assert connection.execute(sa.text("SELECT count(*) FROM notes WHERE more IS NULL")).scalar_one() > 10
        where = store._database.where
    assert said(doe.Store, url) == (
        f"{where}: schema is 'schema_2' but must be schema_1 or older: it was written by a newer version: update the package and open it again."
    )


def test_a_step_that_fails_half_way_changes_nothing(url, tmp_path):
    with doe.Store(url, who="Ada") as store:
        records = full_records()
        store.save(records)
        steps = next_schema(
            tmp_path, "op.add_column('notes', sa.Column('more', sa.Text)); raise RuntimeError('half way')"
        )
        with pytest.raises(RuntimeError, match="half way"), store._database.writing() as connection:
            schema.migrate(connection, folder=steps)
    with doe.Store(url, who="Ada") as store:
        assert_same_records(store.load("records", records.study.name), records)
        with store._database.reading() as connection:
            assert "more" not in {c["name"] for c in sa.inspect(connection).get_columns("notes")}


def test_a_database_of_something_else_is_left_alone(tmp_path):
    path = tmp_path / "other.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE samples (id INTEGER)")
        connection.commit()
    content = path.read_bytes()
    assert said(doe.Store, path) == (
        f"store {str(path)!r} is 'a database of something else' but must be a database of a store, or an empty one: choose another name."
    )
    assert path.read_bytes() == content
