"""What became of one file of a send run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from coilbench.errors import CoilbenchError, Refused
from coilbench.take import Take

Outcome = Literal["sent", "already-there", "failed", "would-send"]


@dataclass(frozen=True)
class Sent:
    """One file and what became of it.

    Attributes
    ----------
    file : as it was given
    outcome : `sent`; `already-there` (same bytes, same description: nothing sent); `failed` (see `error`);
        `would-send` (dry run)
    about : the description it was given
    take : the take at the service; None when there is none
    error : why it failed, or None
    """

    file: Path
    outcome: Outcome
    about: Mapping[str, Any] = field(default_factory=dict)
    take: Take | None = None
    error: CoilbenchError | None = None

    def document(self) -> dict[str, Any]:
        """The same for programs: one JSON object."""
        problem = self.error.problem.document() if isinstance(self.error, Refused) else None
        return {
            "file": str(self.file),
            "outcome": self.outcome,
            "take": self.take.document() if self.take else None,
            "error": {"message": str(self.error), "problem": problem} if self.error else None,
        }
