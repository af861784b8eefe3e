"""Fixtures of the tests over HTTP."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from http_service import Service
from http_service import service as running_service


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    """The service on an empty data folder."""
    with running_service(tmp_path / "data") as made:
        yield made
