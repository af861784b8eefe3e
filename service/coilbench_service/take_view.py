"""A take as the API shows it."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, Field, JsonValue

from coilbench_service.about import About
from coilbench_service.inheritance import Described
from coilbench_service.json_document import rfc3339
from coilbench_worker.store.takes import TakeRecord


class TakeFile(BaseModel):
    """The recording of a take."""

    name: str = Field(description="As sent, cleaned of folders and control characters")
    bytes: int
    sha256: str = Field(description="Of the recording as sent, hexadecimal")


class TakeLinks(BaseModel):
    """Where the parts of a take are."""

    self: str
    measurement: str
    audio: str


class Take(BaseModel):
    """A take: one recording and what is known about it."""

    id: str
    state: str = Field(
        description="waiting, measuring, measured, rejected (the recording can't be measured), failed (our fault)"
    )
    created: str = Field(description="RFC 3339, UTC")
    updated: str = Field(description="RFC 3339, UTC")
    file: TakeFile
    about: About = Field(description="As sent")
    described: About = Field(
        description="The description that holds: `about` over the conditions of its session over the sheet of its "
        "pickup over its chain. Checks, millivolts, tables and comparisons go by it"
    )
    inherited: dict[str, str] = Field(
        description="Which fields of `described` the take does not state itself, and where they come from: session, "
        "pickup or chain"
    )
    problem: dict[str, JsonValue] | None = Field(description="Why it was rejected or failed, and what to do")
    links: TakeLinks


class TakePage(BaseModel):
    """One page of takes, in the order of arrival."""

    items: list[Take]
    next: str | None = Field(description="Cursor of the next page")


def take_path(take_id: str) -> str:
    """Address of a take."""
    return f"/v1/takes/{take_id}"


def take_view(take: TakeRecord, described: Described) -> dict[str, Any]:
    """The take as JSON values.

    Parameters
    ----------
    described : the description that holds for it (`Inheritance.of`)
    """
    path = take_path(take.id)
    return {
        "id": take.id,
        "state": take.state,
        "created": rfc3339(take.created),
        "updated": rfc3339(take.updated),
        "file": {"name": take.file_name, "bytes": take.bytes, "sha256": take.sha256},
        "about": take.about,
        "described": described.about,
        "inherited": described.inherited,
        "problem": take.problem,
        "links": {"self": path, "measurement": f"{path}/measurement", "audio": f"{path}/audio"},
    }
