"""The fields of a take's description as a page names them: label, how they are typed in, and the API's own hint."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from coilbench_service.about import About
from coilbench_service.field_labels import LABELS


@dataclass(frozen=True)
class Field:
    """One field: `kind` is text, number, integer, list or lines (parts.html), `hint` what it means."""

    name: str
    label: str
    kind: str
    hint: str


@dataclass(frozen=True)
class Filled:
    """A field of one take: what it states itself, what holds for it, and the sheet that comes from (None: its own)."""

    field: Field
    own: Any
    holds: Any
    source: str | None
    sheet: str | None


_KINDS = {
    "input_gain_db": "number",
    "battery_v": "number",
    "expected_strums": "integer",
    "channel": "integer",
    "notes": "lines",
    "tags": "list",
}
FIELDS = tuple(
    Field(name, LABELS[name], _KINDS.get(name, "text"), field.description or "")
    for name, field in About.model_fields.items()
    if name != "extra"
)
"""All of `about` but `extra`, whose names are the sender's own."""


def filled(take: Mapping[str, Any]) -> list[Filled]:
    """Every field of a take as the API shows it (`take_view`), stated or not."""
    about, described, inherited = take["about"], take["described"], take["inherited"]
    found = []
    for field in FIELDS:
        source = inherited.get(field.name)
        sheet = described.get(source) if source is not None else None
        found.append(Filled(field, about.get(field.name), described.get(field.name), source, sheet))
    return found


def own_words(take: Mapping[str, Any]) -> list[tuple[str, Any, str | None]]:
    """What stands under `extra`: name, value, and where it comes from when the take does not state it."""
    extra = take["described"].get("extra", {})
    return [(name, value, take["inherited"].get(f"extra.{name}")) for name, value in extra.items()]
