"""What is known about a take: the fields the service understands, typed; everything else is kept under `extra`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, JsonValue, StringConstraints, ValidationError, field_validator

from coilbench_service import json_document
from coilbench_service import problem_kinds as kinds
from coilbench_service.json_document import BadJson
from coilbench_service.problems import FieldError, Problem, field_errors

MAX_BYTES = 64 * 1024
MAX_NAMES = 200

Text = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$")]
Key = Annotated[str, StringConstraints(min_length=1, max_length=100, pattern=r"^[^\x00-\x1f\x7f]*$")]


class _Names(BaseModel):
    """What a take is called and belongs to."""

    label: Text | None = Field(None, description="A name for people")
    session: Key | None = Field(None, description="The plan under which takes were recorded")
    pickup: Key | None = Field(None, description="Key of the pickup, a short unique text")


class _Circumstances(BaseModel):
    """How it was recorded: what a session may state for all of its takes."""

    chain: Key | None = Field(None, description="Key of the input chain: cable, desk or interface, converter")
    guitar: Text | None = Field(None, description="The guitar")
    position: Text | None = Field(None, description="Where the pickup sits: bridge, middle, neck, or a combination")
    strings: Text | None = Field(None, description="String set, such as 10-46 nickel, 3 weeks old")
    tuning: Text | None = Field(None, description="Tuning, such as E A D G B E")
    pick: Text | None = Field(None, description="The pick, such as 1.0 mm")
    player: Text | None = Field(None, description="Who played")
    input_gain_db: float | None = Field(None, ge=-200, le=200, description="Gain set at the input, dB")
    battery_v: float | None = Field(None, ge=0, le=1000, description="Battery of an active pickup, V")
    cable: Text | None = Field(None, description="The cable")
    expected_strums: int | None = Field(None, ge=1, le=10_000, description="Strums played; settles doubtful cases")
    channel: int | None = Field(None, ge=1, le=10_000, description="Channel to measure, counted from 1")


class _Remarks(BaseModel):
    """For people."""

    notes: Annotated[str, StringConstraints(max_length=10_000)] | None = Field(None, description="Anything, for people")
    tags: list[Key] | None = Field(None, max_length=50, description="Short words to find the take by")


class _Free(BaseModel):
    """What the service does not know."""

    model_config = ConfigDict(extra="forbid", strict=True)

    extra: dict[str, JsonValue] | None = Field(None, description="Fields that the service does not know, as sent")


class Conditions(_Free, _Circumstances):
    """What the takes of a session inherit. Every field may be missing; unknown fields are kept under `extra`."""


class About(_Free, _Remarks, _Circumstances, _Names):
    """What is known about a take. Every field may be missing; unknown fields are kept under `extra`."""

    @field_validator("tags")
    @classmethod
    def _each_tag_once(cls, tags: list[str] | None) -> list[str] | None:
        if tags is not None and len(set(tags)) < len(tags):
            raise ValueError("lists a tag twice")
        return tags


FIELDS = tuple(About.model_fields)


def from_part(text: bytes) -> dict[str, Any]:
    """The description from the multipart part `about`.

    Raises
    ------
    Problem : invalid-about, with the fields at fault
    """
    if len(text) > MAX_BYTES:
        raise _invalid([FieldError("about", f"has {len(text)} bytes; at most {MAX_BYTES} are kept with a take")])
    try:
        document = json_document.read(text)
    except BadJson as error:
        field = f"about.{error.field}" if error.field else "about"
        raise _invalid([FieldError(field, f"not JSON as it is taken here: {error}")]) from error
    if not isinstance(document, dict):
        raise _invalid([FieldError("about", f"is a JSON {json_document.kind_of(document)}; an object is wanted")])
    return checked(document)


def checked(document: Mapping[str, Any]) -> dict[str, Any]:
    """A description with its known fields checked, its unknown ones under `extra`, and nothing that is null.

    Raises
    ------
    Problem : invalid-about, with the fields at fault
    """
    gathered = _gather(document)
    try:
        about = About.model_validate(gathered)
    except ValidationError as error:
        raise _invalid(field_errors(error, "about")) from error
    kept = about.model_dump(exclude_none=True)
    if not kept.get("extra", True):
        del kept["extra"]
    size = len(json.dumps(kept, ensure_ascii=False).encode())
    if size > MAX_BYTES:
        raise _invalid([FieldError("about", f"has {size} bytes; at most {MAX_BYTES} are kept with a take")])
    return kept


def merged(about: Mapping[str, Any], patch: Mapping[str, Any]) -> dict[str, Any]:
    """A description after a JSON merge patch (RFC 7396): null removes, objects merge, the rest replaces.

    Raises
    ------
    Problem : invalid-about, with the fields at fault
    """
    result = merge_patch(dict(about), _gather(patch))
    return checked(result if isinstance(result, dict) else {})


def _gather(document: Mapping[str, Any]) -> dict[str, Any]:
    known = {name: value for name, value in document.items() if name in FIELDS}
    unknown = {name: value for name, value in document.items() if name not in FIELDS}
    if not unknown:
        return known
    extra = known.get("extra")
    if extra is not None and not isinstance(extra, dict):
        raise _invalid([FieldError("about.extra", "must be an object")])
    twice = sorted(set(unknown) & set(extra or {}))
    if twice:
        raise _invalid([FieldError(f"about.{name}", "is given here and under extra") for name in twice])
    return {**known, "extra": {**(extra or {}), **unknown}}


def merge_patch(target: Any, patch: Any) -> Any:
    """JSON values after a JSON merge patch (RFC 7396)."""
    if not isinstance(patch, dict):
        return patch
    result = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = merge_patch(result.get(name), value)
    return result


def _invalid(errors: list[FieldError]) -> Problem:
    detail = "; ".join(f"{error.field}: {error.message}" for error in errors[:3])
    return Problem(kinds.INVALID_ABOUT, detail, errors=errors)
