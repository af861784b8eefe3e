"""What the client's tests share: the contract service, and a client that waits without waiting."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from coilbench import Client, Patience
from unit.client.contract_service import ContractService, contract_service


@pytest.fixture
def service() -> Iterator[ContractService]:
    with contract_service() as running:
        yield running


@pytest.fixture
def waited() -> list[float]:
    """Seconds that the client would have waited, one entry for each wait."""
    return []


@pytest.fixture
def bench(service: ContractService, waited: list[float]) -> Iterator[Client]:
    with Client(service.url, retries=Patience(retries=4, pause=waited.append, chance=lambda: 0.5)) as client:
        yield client


@pytest.fixture
def recordings(tmp_path: Path) -> Path:
    """A folder with three files of sound, by their names, and two others."""
    folder = tmp_path / "recordings"
    folder.mkdir()
    for name in ("a.wav", "b.flac", "c.AIFF"):
        (folder / name).write_bytes(name.encode() * 1000)
    (folder / "notes.txt").write_text("played on Tuesday")
    (folder / "._a.wav").write_bytes(b"left by a file manager")
    (folder / "old").mkdir()
    return folder
