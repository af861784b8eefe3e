"""Fixtures for all tests: real servers, started once for each test process when first asked for."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog
from hypothesis import settings

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is loaded: threads only hinder such small products
os.environ["NUMBA_CACHE_DIR"] = str(  # of librosa: processes that compile into one folder at once end in a fault
    Path(__file__).parents[1] / ".numba_cache" / os.environ.get("PYTEST_XDIST_WORKER", "alone")
)

from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from schema_cache import install
from services import PostgresServer, RedisServer, S3Server

install()

# Tracebacks as they are: to draw them with all local variables takes longer than most tests.
structlog.configure(
    processors=[
        *structlog.get_config()["processors"][:-1],
        structlog.dev.ConsoleRenderer(colors=False, exception_formatter=structlog.dev.plain_traceback),
    ]
)

settings.register_profile("coilbench", deadline=None)  # no test asserts how long something took
settings.load_profile("coilbench")


@pytest.fixture(scope="session")
def redis_server() -> Iterator[RedisServer]:
    """A running redis-server; tests that kill or freeze it start one of their own."""
    server = RedisServer()
    try:
        server.start()
        yield server
    finally:
        server.close()


@pytest.fixture
def redis_url(redis_server: RedisServer) -> str:
    """Address of an empty Redis."""
    redis_server.flush()
    return redis_server.url


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[PostgresServer]:
    """A running PostgreSQL server."""
    server = PostgresServer()
    try:
        server.start()
        yield server
    finally:
        server.close()


@pytest.fixture
def postgres_url(postgres_server: PostgresServer) -> Iterator[str]:
    """Address of an empty PostgreSQL database."""
    name = f"test_{uuid.uuid4().hex}"
    postgres_server.execute(f"CREATE DATABASE {name}")
    yield postgres_server.url(name)
    postgres_server.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(scope="session")
def s3_server() -> Iterator[S3Server]:
    """A running S3 server; tests that kill or freeze it start one of their own."""
    server = S3Server()
    try:
        server.start()
        yield server
    finally:
        server.close()


@pytest.fixture
def s3_folder() -> str:
    """Name of a folder of the bucket that nobody else uses."""
    return uuid.uuid4().hex


@pytest.fixture
def s3_url(s3_server: S3Server, s3_folder: str) -> str:
    """Address of that folder; endpoint and key are the server's."""
    return s3_server.url(s3_folder)


@pytest.fixture
def sqlite_url(tmp_path: Path) -> str:
    """Address of an SQLite database that does not exist yet."""
    return f"sqlite:///{tmp_path / 'coilbench.sqlite'}"


@pytest.fixture(params=["sqlite", "postgres"])
def database_url(request: pytest.FixtureRequest) -> str:
    """Address of an empty database, SQLite and PostgreSQL in turn."""
    url: str = request.getfixturevalue(f"{request.param}_url")
    return url


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    """A database with all tables, SQLite and PostgreSQL in turn."""
    database = Database(database_url)
    database.migrate()
    yield database
    database.close()


@pytest.fixture
def blobs(tmp_path: Path) -> Blobs:
    """A store of recordings in a folder."""
    return Blobs(str(tmp_path / "audio"))
