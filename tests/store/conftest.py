"""A database of either kind, and the small trials to keep in it."""

import importlib.util
import os
import sys
import uuid
from pathlib import Path

import pytest
import sqlalchemy as sa

import doe

HERE = Path(__file__).parent
NO_SERVER = "no PostgreSQL server: set DOE_TEST_POSTGRES to the URL of one on which databases may be made"

# test modules and the scripts that they run and kill share the builders
spec = importlib.util.spec_from_file_location("store_trials", HERE / "store_trials.py")
store_trials = importlib.util.module_from_spec(spec)
sys.modules["store_trials"] = store_trials
spec.loader.exec_module(store_trials)


@pytest.fixture
def plan():
    return store_trials.small_plan()


@pytest.fixture
def postgres():
    """The URL of an empty PostgreSQL database."""
    server = os.environ.get("DOE_TEST_POSTGRES")
    if not server:
        pytest.skip(NO_SERVER)
    name = f"doe_{uuid.uuid4().hex}"
    admin = sa.create_engine(server, isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        connection.execute(sa.text(f"CREATE DATABASE {name}"))
    yield sa.engine.make_url(server).set(database=name).render_as_string(hide_password=False)
    with admin.connect() as connection:
        connection.execute(sa.text(f"DROP DATABASE {name} WITH (FORCE)"))
    admin.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request, tmp_path):
    """A database of either kind."""
    return str(tmp_path / "trials.db") if request.param == "sqlite" else request.getfixturevalue("postgres")


@pytest.fixture
def store(url):
    with doe.Store(url, who="Ada") as opened:
        yield opened
