"""Data sheets as the service knows them: of pickups, and of sessions with the conditions that takes inherit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

PICKUP_TEXTS = ("name", "notes", "construction", "magnet", "base_plate", "cover", "position", "guitar")
PICKUP_FLAGS = ("active", "potted")
PICKUP_COUNTS = ("turns",)
PICKUP_NUMBERS = (
    *("wire_awg", "dcr_ohm", "dcr_temperature_c", "inductance_h", "capacitance_pf", "pole_spacing_mm"),
    *("rated_output_mv", "battery_v", "preamp_gain_db", "mean_turn_mm"),
    *("volume_pot_ohm", "tone_pot_ohm", "tone_capacitor_nf"),
)
PICKUP_FIELDS = (*PICKUP_TEXTS, *PICKUP_FLAGS, *PICKUP_COUNTS, *PICKUP_NUMBERS)
SESSION_FIELDS = ("name", "notes", "date")


@dataclass(frozen=True)
class Pickup:
    """The data sheet of a pickup. What is not said is None; names and notes are empty then.

    Attributes
    ----------
    key : short unique text, as `pickup` of a take's description names it
    active : whether a battery-powered preamp is in the housing
    extra : fields of one's own
    takes, measured_takes : how many takes name the key, and how many of these are measured
    created, updated : RFC 3339, UTC
    document : the whole of it as the service sent it
    """

    key: str
    name: str
    notes: str
    construction: str | None
    active: bool | None
    magnet: str | None
    wire_awg: float | None
    turns: int | None
    dcr_ohm: float | None
    dcr_temperature_c: float | None
    inductance_h: float | None
    capacitance_pf: float | None
    base_plate: str | None
    cover: str | None
    potted: bool | None
    pole_spacing_mm: float | None
    rated_output_mv: float | None
    battery_v: float | None
    preamp_gain_db: float | None
    position: str | None
    guitar: str | None
    mean_turn_mm: float | None
    volume_pot_ohm: float | None
    tone_pot_ohm: float | None
    tone_capacitor_nf: float | None
    extra: Mapping[str, Any]
    takes: int
    measured_takes: int
    created: str
    updated: str
    document: Mapping[str, Any] = field(repr=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Pickup:
        """Read a sheet.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not the sheet of a pickup
        """
        fields: dict[str, Any] = {name: document.get(name) for name in PICKUP_FIELDS}
        fields |= {name: float(fields[name]) for name in PICKUP_NUMBERS if fields[name] is not None}
        fields |= {name: fields[name] or "" for name in ("name", "notes")}
        return cls(**fields, **_frame(document))


@dataclass(frozen=True)
class Session:
    """The sheet of a session: takes recorded under one plan.

    Attributes
    ----------
    key : short unique text, as `session` of a take's description names it
    name, notes : for people; may be empty
    date : such as 2026-03-01, or None
    conditions : what its takes inherit, by the names that descriptions use; own ones under `extra`
    extra : fields of one's own
    takes, measured_takes : how many takes name the key, and how many of these are measured
    created, updated : RFC 3339, UTC
    document : the whole of it as the service sent it
    """

    key: str
    name: str
    notes: str
    date: str | None
    conditions: Mapping[str, Any]
    extra: Mapping[str, Any]
    takes: int
    measured_takes: int
    created: str
    updated: str
    document: Mapping[str, Any] = field(repr=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Session:
        """Read a sheet.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not the sheet of a session
        """
        conditions = {name: value for name, value in document["conditions"].items() if value is not None}
        return cls(
            name=str(document.get("name") or ""),
            notes=str(document.get("notes") or ""),
            date=document.get("date"),
            conditions=conditions,
            **_frame(document),
        )


@dataclass(frozen=True)
class WithoutSheet:
    """A key that takes name and that has no sheet, with its takes and how many of them are measured."""

    key: str
    takes: int
    measured_takes: int

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> WithoutSheet:
        """Read an entry.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not an entry
        """
        return cls(str(document["key"]), int(document["takes"]), int(document["measured_takes"]))


@dataclass(frozen=True)
class Imported:
    """What an import did: sheets made, changed, left as they were; takes that are measured again for it."""

    made: int
    changed: int
    unchanged: int
    measured_again: int

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Imported:
        """Read an answer.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not what an import did
        """
        names = ("made", "changed", "unchanged")
        return cls(
            **{name: int(document[name]) for name in names}, measured_again=int(document.get("measured_again") or 0)
        )


def _frame(document: Mapping[str, Any]) -> dict[str, Any]:
    """What every sheet has."""
    return {
        "key": str(document["key"]),
        "extra": dict(document.get("extra") or {}),
        "takes": int(document.get("takes") or 0),
        "measured_takes": int(document.get("measured_takes") or 0),
        "created": str(document["created"]),
        "updated": str(document["updated"]),
        "document": document,
    }
