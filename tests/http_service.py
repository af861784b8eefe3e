"""The real service for tests: the app over a real SQLite file and folder; jobs are done here when a test says so."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

from flask.testing import FlaskClient
from urllib3 import encode_multipart_formdata
from werkzeug.test import TestResponse

from coilbench_service.app import create_app
from coilbench_service.bench import Bench
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import takes
from coilbench_worker.store.database import Database
from coilbench_worker.store.states import WAITING
from coilbench_worker.store.takes import TakeFilter
from coilbench_worker.workplace import Workplace

PROBLEM = "application/problem+json"


@cache
def _migrated() -> bytes:
    """An SQLite file with all tables: migrating takes longer than most tests, so it is done once."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "coilbench.sqlite"
        database = Database(f"sqlite:///{path}")
        database.migrate()
        database.close()
        return path.read_bytes()


class Service:
    """The app of a configuration and a client for it."""

    def __init__(self, configuration: Configuration) -> None:
        self.configuration = configuration
        self.bench = Bench.of(configuration)
        if configuration.database_url is None:
            configuration.data.mkdir(parents=True, exist_ok=True)
            Path(configuration.database.removeprefix("sqlite:///")).write_bytes(_migrated())
        else:
            self.bench.database.migrate()
        self.app = create_app(configuration, self.bench)

    @property
    def client(self) -> FlaskClient:
        """A fresh client; each thread needs its own."""
        return self.app.test_client()

    def send(
        self, content: bytes, name: str = "take.wav", about: Any = None, headers: Mapping[str, str] | None = None
    ) -> TestResponse:
        """POST one recording; `about` is JSON values, or text to be sent as it is."""
        parts: dict[str, Any] = {"file": (name, content)}
        if about is not None:
            parts["about"] = about if isinstance(about, str) else json.dumps(about)
        body, content_type = encode_multipart_formdata(parts)
        return self.client.post("/v1/takes", data=body, content_type=content_type, headers=dict(headers or {}))

    def sent(self, content: bytes, name: str = "take.wav", about: Any = None) -> dict[str, Any]:
        """POST one recording that must be accepted; the take."""
        answer = self.send(content, name, about)
        assert answer.status_code == 202, answer.text
        document: dict[str, Any] = answer.json
        return document

    def work(self) -> list[str]:
        """Do every waiting job as a worker does; a word for each."""
        from coilbench_worker.measuring import measure_job

        with self.bench.database.read() as connection:
            waiting = list(takes.each(connection, TakeFilter(state=(WAITING,))))
        place = Workplace(self.configuration)
        try:
            return [measure_job(place, take.job_id, "test/1") for take in waiting if take.job_id]
        finally:
            place.blobs.close()
            place.database.close()

    def measured(self, content: bytes, name: str = "take.wav", about: Any = None) -> dict[str, Any]:
        """Send one recording, measure it; the take as it is then."""
        take = self.sent(content, name, about)
        self.work()
        document: dict[str, Any] = self.client.get(take["links"]["self"]).json
        return document


@contextmanager
def service(folder: Path, **settings: Any) -> Iterator[Service]:
    """The service with its data in the folder; settings go to the configuration."""
    made = Service(Configuration(**{"data": folder, "listen": "127.0.0.1:0", **settings}))
    try:
        yield made
    finally:
        made.bench.close()


def assert_problem(answer: TestResponse, status: int, slug: str) -> dict[str, Any]:
    """Check that the answer is a whole problem of this kind; its body."""
    assert answer.mimetype == PROBLEM, answer.text
    body: dict[str, Any] = answer.json
    assert (answer.status_code, body["type"]) == (status, f"/problems/{slug}"), body
    assert body["status"] == status
    for member in ("title", "detail", "advice"):
        assert body[member].strip()
        assert "\n" not in body[member]
    for error in body.get("errors", []):
        assert set(error) == {"field", "message"}
        assert all(isinstance(value, str) and value for value in error.values())
    return body
