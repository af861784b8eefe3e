"""What a job needs to know of the settings of a measurement."""

from __future__ import annotations

from typing import Any, Protocol


class Settings(Protocol):
    """`measure.settings.MeasureSettings` is one; jobs keep them as a document and tell them apart by key."""

    def to_document(self) -> dict[str, Any]:
        """JSON of the settings."""

    def key(self) -> str:
        """Short text, the same for the same settings."""
