"""The data sheets of pickups and sessions: their fields, with units and bounds; everything else is kept under `extra`.

A sheet as kept has what was said and nothing that is null or blank. Text is kept without spaces at its ends, so that
two sheets that read alike are alike.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from copy import deepcopy
from datetime import date
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, JsonValue, StringConstraints, ValidationError, field_validator

from coilbench_service.about import About, Conditions, Key, Text, merge_patch
from coilbench_service.problems import FieldError, field_errors

MAX_BYTES = 64 * 1024
"""Of one sheet as JSON, as much as of a take's description."""
MOST_EXTRA = 100
"""Fields of one's own in one sheet; each is a column of the CSV file."""
MOST_CHARACTERS = 100
"""Of a key, as a take's description names it, and of the name of an own field."""
GIVEN = ("key", "created", "updated", "takes", "measured_takes", "links")
"""Names that the answers use, which are no part of a sheet."""
CONDITION = "conditions."
"""Begin of the column of a condition of one's own, in CSV."""

Notes = Annotated[str, StringConstraints(min_length=1, max_length=10_000)]
Measure = Annotated[float, Field(gt=0)]


class _Sheet(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    name: Text | None = Field(None, description="For people")
    notes: Notes | None = Field(None, description="Anything, for people")
    extra: dict[str, JsonValue] | None = Field(None, description="Fields that the service does not know, as sent")


class PickupSheet(_Sheet):
    """What is said of a pickup. Every field may be missing; unknown fields are kept under `extra`."""

    construction: Text | None = Field(
        None, description="Free text; the trade says single coil, humbucker, rail, stacked"
    )
    active: bool | None = Field(None, description="Whether a battery-powered preamp is in the housing")
    magnet: Text | None = Field(None, description="Such as alnico 5 or ceramic")
    wire_awg: float | None = Field(None, ge=20, le=60, description="Gauge of the wire, AWG")
    turns: int | None = Field(None, ge=1, le=1_000_000, description="Of the whole pickup")
    dcr_ohm: Measure | None = Field(None, le=1e8, description="DC resistance, ohm")
    dcr_temperature_c: float | None = Field(None, ge=-60, le=150, description="At which it was measured, deg C")
    inductance_h: Measure | None = Field(None, le=1e4, description="Inductance, H")
    capacitance_pf: float | None = Field(None, ge=0, le=1e7, description="Capacitance of the coil, pF")
    base_plate: Text | None = Field(None, description="Such as brass, steel or none")
    cover: Text | None = Field(None, description="Such as nickel silver, plastic or none")
    potted: bool | None = Field(None, description="Whether the coil is bound in wax or resin")
    pole_spacing_mm: Measure | None = Field(None, le=1000, description="From the first pole to the last, mm")
    rated_output_mv: Measure | None = Field(None, le=1e6, description="Output as the data sheet rates it, mV")
    battery_v: float | None = Field(None, ge=0, le=1000, description="Battery of an active pickup, V; takes inherit it")
    preamp_gain_db: float | None = Field(None, ge=-200, le=200, description="Gain within the housing, dB")
    position: Text | None = Field(None, description="Where it sits: bridge, middle, neck; takes inherit it")
    guitar: Text | None = Field(None, description="The guitar it sits in; takes inherit it")
    mean_turn_mm: Measure | None = Field(None, le=1e5, description="Mean length of a turn, mm")
    volume_pot_ohm: Measure | None = Field(None, le=1e9, description="Volume pot it works into, ohm")
    tone_pot_ohm: Measure | None = Field(None, le=1e9, description="Tone pot it works into, ohm")
    tone_capacitor_nf: Measure | None = Field(None, le=1e6, description="Tone capacitor, nF")


class SessionSheet(_Sheet):
    """What is said of a session. Every field may be missing; unknown fields are kept under `extra`."""

    date: str | None = Field(None, description="Day of the recording, such as 2026-03-01")
    conditions: Conditions | None = Field(
        None, description="What the takes of this session inherit: fields of `about`, by their names there"
    )

    @field_validator("date")
    @classmethod
    def _a_day(cls, day: str | None) -> str | None:
        if day is None:
            return None
        if not re.fullmatch(r"\d{4}-\d\d-\d\d", day, re.ASCII):
            raise ValueError("must be written YYYY-MM-DD, such as 2026-03-01")
        try:
            return date.fromisoformat(day).isoformat()
        except ValueError as error:
            raise ValueError("is no day of the calendar") from error


class SheetKey(BaseModel):
    """The key of a sheet to be."""

    model_config = ConfigDict(strict=True)

    key: Key = Field(description="Short unique text without /, as takes name it in their description")

    @field_validator("key")
    @classmethod
    def _fits_an_address(cls, key: str) -> str:
        if "/" in key or key in (".", "..") or key != key.strip() or not key.isprintable():
            raise ValueError("must fit an address: printable, no /, no space at either end, not . or ..")
        return key


class SheetFaulty(ValueError):
    """A sheet that can't be kept; `faults` names every field at fault."""

    def __init__(self, faults: list[FieldError]) -> None:
        super().__init__("; ".join(f"{fault.field}: {fault.message}" for fault in faults))
        self.faults = faults


def checked(model: type[BaseModel], document: Mapping[str, Any]) -> dict[str, Any]:
    """A sheet with its known fields checked, its unknown ones under `extra`, and nothing that is null.

    Parameters
    ----------
    model : PickupSheet or SessionSheet
    document : JSON values by name

    Raises
    ------
    SheetFaulty : with every field at fault
    """
    return validated(model, gathered(model, document))


def merged(model: type[BaseModel], sheet: Mapping[str, Any], patch: Mapping[str, Any]) -> dict[str, Any]:
    """A sheet after a JSON merge patch (RFC 7396): null removes, objects merge, the rest replaces.

    Raises
    ------
    SheetFaulty : with every field at fault
    """
    return validated(model, merge_patch(deepcopy(dict(sheet)), gathered(model, patch)))


def key_checked(key: Any) -> str:
    """The key of a sheet to be; SheetFaulty when it can't be one."""
    try:
        return SheetKey.model_validate({"key": key} if key is not None else {}).key
    except ValidationError as error:
        raise SheetFaulty(field_errors(error)) from error


def fields_of(model: type[BaseModel]) -> tuple[str, ...]:
    """The names of the fields of a sheet or of conditions in the order of answers, notes last; without `extra`."""
    inner = [name for name in model.model_fields if name not in ("name", "notes", "extra")]
    return tuple(name for name in ("name", *inner, "notes") if name in model.model_fields)


def gathered(model: type[BaseModel], document: Mapping[str, Any]) -> dict[str, Any]:
    """The document with its unknown fields under `extra`, also within `conditions`.

    Raises
    ------
    SheetFaulty : a name that the service gives, one given twice, or one that belongs under `conditions`
    """
    faults = [FieldError(name, _given(name)) for name in document if name in GIVEN]
    if model is SessionSheet:
        misplaced = [name for name in document if name in Conditions.model_fields and name != "extra"]
        faults += [FieldError(name, f"is a condition: state it as conditions.{name}") for name in misplaced]
        conditions = document.get("conditions")
        if isinstance(conditions, dict):
            own = [name for name in conditions if name in About.model_fields and name not in Conditions.model_fields]
            faults += [FieldError(f"{CONDITION}{name}", "is a take's own; it can't be inherited") for name in own]
    if faults:
        raise SheetFaulty(faults)
    found = _with_extra(model, document, "")
    if model is SessionSheet and isinstance(conditions := found.get("conditions"), dict):
        found["conditions"] = _with_extra(Conditions, conditions, CONDITION)
    return found


def _given(name: str) -> str:
    return "can't be changed" if name == "key" else "is given by the service; leave it out"


def _with_extra(model: type[BaseModel], document: Mapping[str, Any], place: str) -> dict[str, Any]:
    known = {name: _bare(value) for name, value in document.items() if name in model.model_fields}
    unknown = {name: value for name, value in document.items() if name not in model.model_fields}
    if not unknown:
        return known
    extra = known.get("extra")
    if extra is not None and not isinstance(extra, dict):
        raise SheetFaulty([FieldError(f"{place}extra", "must be an object")])
    twice = sorted(set(unknown) & set(extra or {}))
    if twice:
        raise SheetFaulty([FieldError(f"{place}{name}", "is given here and under extra") for name in twice])
    return {**known, "extra": {**(extra or {}), **unknown}}


def _bare(value: Any) -> Any:
    return value.strip() if isinstance(value, str) else value


def validated(model: type[BaseModel], document: Mapping[str, Any]) -> dict[str, Any]:
    """A sheet whose unknown fields are under `extra` already, checked, without what is null.

    Raises
    ------
    SheetFaulty : with every field at fault
    """
    faults = list(_faults_of_extra(model, document))
    kept: dict[str, Any] = {}
    try:
        # Not exclude_none: what is null deep within `extra` is a value.
        kept = _said(model.model_validate(document).model_dump())
    except ValidationError as error:
        faults = [*field_errors(error), *faults]
    if faults:
        raise SheetFaulty(faults)
    size = len(json.dumps(kept, ensure_ascii=False).encode())
    if size > MAX_BYTES:
        raise SheetFaulty([FieldError("body", f"the sheet has {size} bytes; at most {MAX_BYTES} are kept")])
    return kept


def _said(fields: Mapping[str, Any]) -> dict[str, Any]:
    """What is said: nothing null on the level of fields, no object that says nothing."""
    found: dict[str, Any] = {}
    for name, value in fields.items():
        if name in ("extra", "conditions") and value is not None:
            value = _said(value)
            if not value:
                continue
        if value is not None:
            found[name] = value
    return found


def _faults_of_extra(model: type[BaseModel], document: Mapping[str, Any]) -> Iterator[FieldError]:
    yield from faults_of_names(document.get("extra"), model)
    conditions = document.get("conditions")
    if model is SessionSheet and isinstance(conditions, dict):
        yield from faults_of_names(conditions.get("extra"), Conditions, CONDITION)


def faults_of_names(extra: Any, model: type[BaseModel], place: str = "") -> Iterator[FieldError]:
    """Names of one's own that could be taken for fields, or that could not stand over a column.

    Parameters
    ----------
    extra : the fields of one's own by name
    model : of the sheet, or Conditions
    place : begin of the field's name in what is found
    """
    known = _known_names(model)
    if not isinstance(extra, dict):
        return
    if len(extra) > MOST_EXTRA:
        yield FieldError(f"{place}extra", f"has {len(extra)} fields; at most {MOST_EXTRA} are kept")
        return
    for name in extra:
        field = f"{place}extra.{name}"
        if not name or name != name.strip() or not name.isprintable() or len(name) > MOST_CHARACTERS:
            rule = f"a field is named by 1 to {MOST_CHARACTERS} printable characters, without space at either end"
            yield FieldError(field, rule)
        elif (meant := known.get(_plain(name))) is not None:
            yield FieldError(field, f"reads like the field `{meant}`: write that name, or choose another")
        elif name.startswith(CONDITION):
            yield FieldError(field, f"must not begin with {CONDITION!r}, which is how columns of conditions begin")


def _known_names(model: type[BaseModel]) -> dict[str, str]:
    """What each name means that is taken, by the name as `_plain` has it."""
    if model is Conditions:
        return {_plain(name): f"{CONDITION}{name}" for name in About.model_fields}
    known = {_plain(name): name for name in (*GIVEN, *model.model_fields)}
    if model is SessionSheet:
        known |= {_plain(name): f"{CONDITION}{name}" for name in Conditions.model_fields}
    return known


def _plain(name: str) -> str:
    """A name as people may write it: case, spaces and hyphens don't count."""
    return name.strip().casefold().replace(" ", "_").replace("-", "_")
