"""Requests made up from the OpenAPI document itself, by schemathesis: one at a time, and one after another.

All of its checks hold, with one reading of ours: data that the schema lets through may be answered 422 (and a recording
415), because rules between fields, and whether a file is a recording, can't be said in a schema.
"""

from __future__ import annotations

import json
import os
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.stateful import run_state_machine_as_test
from schemathesis.config import SchemathesisConfig
from urllib3 import encode_multipart_formdata

from coilbench_service import allowance
from coilbench_service.rate import Policy
from coilbench_worker.store import nodes
from http_recordings import pcm16, strums
from keyed import bearing, keyed_service

EXAMPLES = int(os.environ.get("COILBENCH_TEST_EXAMPLES", "4"))
"""For each operation; `make soak` asks for many more."""
STEPS = 8
ANSWERED = 20
"""Operations that are answered well at least once, or the requests would be all noise."""
SEMANTIC = ["2xx", "401", "403", "404", "409", "412", "415", "422", "429"]


pytestmark = pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <_io.FileIO:pytest.PytestUnraisableExceptionWarning"
)
"""The test client of Werkzeug leaves the temporary files that it writes large forms to unclosed."""


class Fired:
    """A service with something in it, and its document as schemathesis reads it.

    Parameters
    ----------
    keys : the setting; where keys are needed every request shows one that may do all
    """

    def __init__(self, folder: Path, keys: str) -> None:
        self._made = keyed_service(folder, keys=keys, requests_per_minute=1_000_000, log_level="error")
        keyed = self._made.__enter__()
        self._service = keyed.service
        self._over = threading.Event()
        self._reporting = threading.Thread(target=self._report, daemon=True)
        self._reporting.start()
        for number in range(2):
            content = pcm16(strums(count=2, level_dbfs=-12.0 - number))
            about = json.dumps({"pickup": "harbour-neck", "session": "week-14"})
            body, kind = encode_multipart_formdata({"file": (f"{number}.wav", content), "about": about})
            answer = keyed.ask("POST", "/v1/takes", "write", data=body, content_type=kind)
            assert answer.status_code == 202, answer.text
        keyed.service.work()
        settings: dict[str, Any] = {
            "checks": {"positive_data_acceptance": {"expected-statuses": SEMANTIC}},
            "generation": {"allow-x00": False},  # answered 400: no database keeps it, and no schema can say so
        }
        if keys == "always":
            settings["auth"] = {"openapi": {"bearer": {"bearer": keyed.keys["admin"].text}}}
        config = SchemathesisConfig.from_dict(settings)
        self.schema = schemathesis.openapi.from_wsgi(
            "/v1/openapi.json", keyed.service.app, config=config, headers=bearing(keyed.keys["admin"].text)
        )

    def close(self) -> None:
        self._over.set()
        self._reporting.join()
        self._made.__exit__(None, None, None)

    def _report(self) -> None:
        """A worker that is there, or /readyz would rightly say that none is."""
        while True:
            with self._service.bench.database.write() as connection:
                nodes.report(connection, "a worker", 1)
            if self._over.wait(2.0):
                return


@pytest.fixture(scope="module", params=["auto", "always"])
def fired(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fired]:
    # Bad keys are shown by the hundred; test_http_limits.py holds that so many are too many.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(allowance, "FAILURES", Policy("failures", 1_000_000, "requests"))
        patch.setattr(socket, "getaddrinfo", _made_up)  # no name that is made up here is looked up outside
        yield from _fired(request, tmp_path_factory)


def _fired(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fired]:
    made = Fired(tmp_path_factory.mktemp("fired"), request.param)
    yield made
    made.close()


def test_each_operation_keeps_what_the_document_says(fired: Fired) -> None:
    complaints, answered = [], set[str]()
    for found in fired.schema.get_all_operations():
        operation = found.ok()
        try:
            if any(200 <= status < 300 for status in _ask(operation)):
                answered.add(operation.label)
        except (Exception, BaseExceptionGroup) as error:
            complaints.append(f"{operation.label}: {_said(error)}")
    assert complaints == [], "\n\n".join(complaints)
    assert len(answered) >= ANSWERED, sorted(answered)


def test_operations_one_after_another_keep_what_the_document_says(fired: Fired) -> None:
    run_state_machine_as_test(
        fired.schema.as_state_machine(),
        settings=settings(
            max_examples=EXAMPLES,
            stateful_step_count=STEPS,
            deadline=None,
            database=None,
            suppress_health_check=list(HealthCheck),
        ),
    )


def _made_up(_host: object, port: object, *_: object, **__: object) -> list[tuple[Any, ...]]:
    return [(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP, "", ("198.51.100.7", port))]


def _ask(operation: Any) -> set[int]:
    statuses = set[int]()

    @settings(max_examples=EXAMPLES, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(case=operation.as_strategy())
    def ask(case: schemathesis.Case) -> None:
        statuses.add(case.call_and_validate().status_code)

    ask()
    return statuses


def _said(error: BaseException) -> str:
    """The complaints in it, each with the request that brings it about."""
    if isinstance(error, BaseExceptionGroup):
        return "\n".join(_said(one) for one in error.exceptions)
    return f"{type(error).__name__}: {error}"
