"""A take as the service knows it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from coilbench.problem import Problem

FINAL_STATES = frozenset({"measured", "rejected", "failed"})
STATES = ("waiting", "measuring", "measured", "rejected", "failed")


@dataclass(frozen=True)
class Take:
    """One recording with what is known about it.

    Attributes
    ----------
    id : the service's name for it
    state : waiting, measuring, measured, rejected or failed
    created : RFC 3339, UTC
    file_name : as it was sent
    file_bytes : size
    file_sha256 : hexadecimal
    about : the description
    problem : why it could not be measured, or None
    links : addresses of what belongs to it
    updated : RFC 3339, UTC; when the description or the state changed last
    described : the description that holds: what the take says, and what it inherits
    inherited : what it inherits, by field: session, pickup or chain
    """

    id: str
    state: str
    created: str
    file_name: str
    file_bytes: int
    file_sha256: str
    about: Mapping[str, Any] = field(default_factory=dict)
    problem: Problem | None = None
    links: Mapping[str, str] = field(default_factory=dict)
    updated: str = ""
    described: Mapping[str, Any] = field(default_factory=dict)
    inherited: Mapping[str, str] = field(default_factory=dict)

    @property
    def final(self) -> bool:
        """True when nothing more will happen by itself."""
        return self.state in FINAL_STATES

    @property
    def label(self) -> str:
        """The label of the description, or the file's name."""
        return str(self.about.get("label") or self.file_name or self.id)

    def document(self) -> dict[str, Any]:
        """The take as it stands in JSON."""
        return {
            "id": self.id,
            "state": self.state,
            "created": self.created,
            "updated": self.updated or None,
            "file": {"name": self.file_name, "bytes": self.file_bytes, "sha256": self.file_sha256},
            "about": dict(self.about),
            "described": dict(self.described),
            "inherited": dict(self.inherited),
            "problem": self.problem.document() if self.problem else None,
            "links": dict(self.links),
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Take:
        """Read a take.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not a take
        """
        file = document["file"]
        problem = document.get("problem")
        return cls(
            id=str(document["id"]),
            state=str(document["state"]),
            created=str(document["created"]),
            file_name=str(file["name"]),
            file_bytes=int(file["bytes"]),
            file_sha256=str(file["sha256"]),
            about=dict(document.get("about") or {}),
            problem=Problem.from_document(problem) if problem else None,
            links=dict(document.get("links") or {}),
            updated=str(document.get("updated") or ""),
            described=dict(document.get("described") or document.get("about") or {}),
            inherited=dict(document.get("inherited") or {}),
        )
