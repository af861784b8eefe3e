"""Fixtures of the tests over HTTP."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from coilbench import Client
from http_service import Service
from http_service import service as running_service
from served import Command, typed_at


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    """The service on an empty data folder."""
    with running_service(tmp_path / "data") as made:
        yield made


@pytest.fixture
def bench(served: tuple[Service, str]) -> Iterator[Client]:
    """A client of the service that a module serves by its own `served`."""
    with Client(served[1], retries=0) as client:
        yield client


@pytest.fixture
def command(served: tuple[Service, str], capsys: pytest.CaptureFixture[str]) -> Command:
    """The command line, typed at that service."""
    return typed_at(served[1], capsys)
