"""The fields of sheets as pages name, group and take them; what they mean, the sheets of the API say."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from coilbench_service.about import Conditions
from coilbench_service.field_labels import LABELS
from coilbench_service.sheet_columns import SheetColumn, all_columns, known_columns
from coilbench_service.sheet_kind import PICKUP, SESSION, SheetKind
from coilbench_service.writing import plain


@dataclass(frozen=True)
class SheetField:
    """One field: `name` is its dotted path, `kind` how it is typed in (parts.html), `hint` what it means."""

    name: str
    label: str
    kind: str
    hint: str
    column: SheetColumn

    @property
    def bare(self) -> str:
        """The label without its unit."""
        return self.label.partition(",")[0]

    @property
    def unit(self) -> str:
        """What stands behind the comma of the label."""
        return self.label.partition(", ")[2]

    def of(self, sheet: Mapping[str, Any]) -> Any:
        """Its value in a sheet; None where nothing is said."""
        return self.column.of(sheet)


@dataclass(frozen=True)
class FieldGroup:
    """Fields that belong together, and their heading."""

    title: str
    fields: tuple[SheetField, ...]


PICKUP_GROUPS = {
    "What it is": ("name", "construction", "active", "magnet", "position", "guitar"),
    "The coil": (
        "dcr_ohm",
        "dcr_temperature_c",
        "inductance_h",
        "capacitance_pf",
        "turns",
        "wire_awg",
        "mean_turn_mm",
    ),
    "How it is built": ("base_plate", "cover", "potted", "pole_spacing_mm"),
    "What it gives": ("rated_output_mv", "preamp_gain_db", "battery_v"),
    "What it works into": ("volume_pot_ohm", "tone_pot_ohm", "tone_capacitor_nf"),
    "For people": ("notes",),
}
SESSION_GROUPS = {
    "The session": ("name", "date"),
    "What its takes share": (
        "chain",
        "input_gain_db",
        "guitar",
        "position",
        "strings",
        "tuning",
        "pick",
        "player",
        "cable",
        "battery_v",
        "expected_strums",
        "channel",
    ),
    "For people": ("notes",),
}
_KINDS = {bool: "truth", int: "integer", float: "number", str: "text"}


def groups_of(kind: SheetKind) -> tuple[FieldGroup, ...]:
    """All fields of a kind of sheet, in groups."""
    titles = PICKUP_GROUPS if kind is PICKUP else SESSION_GROUPS
    known = known_columns(kind.model)
    return tuple(
        FieldGroup(title, tuple(_field(kind, known[name], LABELS[name]) for name in names))
        for title, names in titles.items()
    )


@dataclass(frozen=True)
class OwnField:
    """A field of the tester's own: its name, its place in the sheet as JSON, its value to read, and as it is typed."""

    name: str
    path: str
    shown: str
    typed: str


def own_fields(kind: SheetKind, sheet: Mapping[str, Any]) -> Iterator[OwnField]:
    """Fields of one's own. A value is typed as JSON where it is JSON, else as text, like a cell of a table."""
    for column in all_columns(kind.model, [sheet]):
        if column.type is None:
            value = column.of(sheet)
            yield OwnField(column.name, json.dumps(column.path), plain(value), _typed(value))


def _typed(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    if not isinstance(value, str):
        return text
    try:
        json.loads(value)
    except ValueError:
        return value
    return text


def _field(kind: SheetKind, column: SheetColumn, label: str) -> SheetField:
    name = column.path[-1]
    model = Conditions if column.path[0] == "conditions" else kind.model
    assert column.type is not None
    typed = "lines" if name == "notes" else _KINDS[column.type]
    hint = model.model_fields[name].description or ""
    return SheetField(".".join(column.path), label, typed, "" if hint == label else hint, column)


GROUPS = {PICKUP.name: groups_of(PICKUP), SESSION.name: groups_of(SESSION)}


def typed_number(value: Any) -> Any:
    """A value as a field has it: 6020.0 as 6020."""
    return f"{value:.12g}" if isinstance(value, float) else value


FILTERS: dict[str, Callable[..., Any]] = {
    "dotted": lambda path: ".".join(json.loads(path)),
    "typed_number": typed_number,
}
