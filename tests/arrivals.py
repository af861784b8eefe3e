"""Takes for tests of store and jobs: entered as the service enters them, with content that need not be sound."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from coilbench_worker import jobs
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.takes import TakeRecord


@dataclass(frozen=True)
class PlainSettings:
    """Settings with whatever is in them; jobs look at the key only."""

    values: Mapping[str, Any] = field(default_factory=dict)

    def to_document(self) -> dict[str, Any]:
        """The values."""
        return dict(self.values)

    def key(self) -> str:
        """One for each content."""
        return f"settings of {sorted(self.values.items())}"


def arrive(
    database: Database,
    blobs: Blobs,
    content: bytes = b"strum",
    *,
    file_name: str = "take.wav",
    about: Mapping[str, Any] | None = None,
    settings: jobs.Settings | None = None,
) -> TakeRecord:
    """Accept one take."""
    with blobs.incoming() as incoming:
        incoming.write(content)
        incoming.seal()
        with database.write() as connection:
            return jobs.accept(
                connection, file=incoming, file_name=file_name, about=about or {}, settings=settings or PlainSettings()
            )
