"""Coils: the electrical model of a winding and what hangs on it."""

from __future__ import annotations

from typing import Annotated

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, model_validator

from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer
from coilbench_service.coil_view import answer
from coilbench_service.openapi import answers

TAG = Tag(name="coils", description="What coil, pots, cable and input do to the response, and a winding's resistance")

Ohm = Annotated[float, Field(gt=0, le=1e12)]


class CoilAsked(BaseModel):
    """The coil alone: source with inductance and resistance in series, its own capacitance across."""

    model_config = ConfigDict(extra="forbid", strict=True)

    inductance_h: float = Field(gt=0, le=1e4)
    resistance_ohm: float = Field(ge=0, le=1e9)
    capacitance_pf: float = Field(0.0, ge=0, le=1e9)


class LoadAsked(BaseModel):
    """What hangs on it, all in parallel; left out: nothing."""

    model_config = ConfigDict(extra="forbid", strict=True)

    volume_pot_ohm: Ohm | None = Field(None, description="Turned up full")
    tone_pot_ohm: Ohm | None = Field(None, description="Turned up full")
    input_ohm: Ohm | None = None
    resistance_ohm: Ohm | None = Field(None, description="Any other")
    cable_pf: float = Field(0.0, ge=0, le=1e9)


class WireAsked(BaseModel):
    """A winding: gauge or diameter, turns, length of the mean turn."""

    model_config = ConfigDict(extra="forbid", strict=True)

    awg: float | None = Field(None, ge=-3, le=60, description="American wire gauge, exact formula; 0000 is -3")
    diameter_mm: float | None = Field(None, gt=0, le=20, description="Bare")
    turns: float = Field(gt=0, le=1e7)
    mean_turn_mm: float = Field(gt=0, le=1e5)
    temperature_c: float = Field(20.0, gt=-200, le=300)

    @model_validator(mode="after")
    def _one_size(self) -> WireAsked:
        if (self.awg is None) == (self.diameter_mm is None):
            raise ValueError("give awg or diameter_mm, one of the two")
        return self


class CoilRequest(BaseModel):
    """A coil with its load, a winding, or both."""

    model_config = ConfigDict(extra="forbid", strict=True)

    coil: CoilAsked | None = None
    load: LoadAsked | None = None
    wire: WireAsked | None = None
    points: int = Field(
        121, ge=2, le=2000, description="Of the response, 20 Hz to 20 kHz, evenly on a logarithmic scale"
    )

    @model_validator(mode="after")
    def _something(self) -> CoilRequest:
        if self.coil is None and self.wire is None:
            raise ValueError("give coil (inductance_h, resistance_ohm, capacitance_pf), wire, or both")
        if self.coil is not None and self.coil.capacitance_pf + (self.load.cable_pf if self.load else 0.0) <= 0:
            raise ValueError("coil.capacitance_pf and load.cable_pf are both 0; one must be greater")
        return self


class ResponsePoint(BaseModel):
    """The response at one frequency, re the voltage induced in the coil."""

    hz: float
    db: float


class WireView(BaseModel):
    """A winding's resistance."""

    diameter_mm: float
    length_m: float
    resistance_ohm: float = Field(description="At its temperature")
    resistance_20c_ohm: float
    low_ohm: float = Field(description="What the tolerance of the wire alone leaves, at its temperature")
    high_ohm: float


class CoilAnswer(BaseModel):
    """The loaded coil; null where there is none. Levels are re the voltage induced in the coil."""

    natural_hz: float | None = None
    damping: float | None = None
    q: float | None = Field(None, description="null where nothing damps")
    dc_db: float | None = None
    peak_hz: float | None = Field(None, description="null where the response only falls")
    peak_db: float | None = None
    minus3db_hz: float | None = Field(None, description="3.01 dB below the level at 0 Hz")
    response: list[ResponsePoint] | None = None
    limits: list[str] = Field(description="What the model leaves out")
    wire: WireView | None = None


def blueprint() -> APIBlueprint:
    """The route of /v1/coils."""
    api = APIBlueprint("coils", __name__, url_prefix="/v1/coils", abp_tags=[TAG])

    @api.post("", responses=answers({200: CoilAnswer}, kinds.NOT_JSON, kinds.BROKEN_JSON))
    def model_coil(body: CoilRequest) -> Response:
        """Work out a loaded coil, a winding, or both; nothing is kept."""
        return json_answer(answer(body.model_dump()))

    return api
