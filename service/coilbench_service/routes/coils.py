"""Coils: the electrical model of a winding, a coil or two, and what hangs on them."""

from __future__ import annotations

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer
from coilbench_service.bench import Bench
from coilbench_service.beside import modelled
from coilbench_service.beside_view import BesideView
from coilbench_service.coil_request import CoilRequest
from coilbench_service.openapi import answers

TAG = Tag(name="coils", description="What coil, pots, cable and input do to the response, and a winding's resistance")


class ResponsePoint(BaseModel):
    """The response at one frequency, re the voltage induced in one coil; null where nothing comes out."""

    hz: float
    db: float | None


class CoilView(BaseModel):
    """The coil that was taken."""

    inductance_h: float
    resistance_ohm: float
    capacitance_pf: float


class WireView(BaseModel):
    """A winding's resistance."""

    diameter_mm: float
    length_m: float
    resistance_ohm: float = Field(description="At its temperature")
    resistance_20c_ohm: float
    low_ohm: float | None = Field(description="What the tolerance of the wire alone leaves, at its temperature")
    high_ohm: float | None
    tolerance: str | None = Field(description="Whose rule that is")
    turns: float
    mean_turn_mm: float
    temperature_c: float
    diameters: str | None = Field(description="Convention of a gauge: exact or rounded")
    copper: str = Field(description="Resistivity: iec-60028 (1/58 ohm mm2/m) or winding-wire (1/58.5)")
    reasons: dict[str, str] = Field(description="Why a value is null")


class BobbinView(BaseModel):
    """What the turns make on the bobbin."""

    last_turn_mm: float
    depth_mm: float
    layers: int
    turns_per_layer: float
    overall_mm: float = Field(description="Wire over its insulation")
    space_factor: float = Field(description="Share of the winding's cross-section that is bare copper")
    fit_turns: int = Field(description="Turns that the bobbin holds")
    fits: bool


class CombinationView(BaseModel):
    """Two coils together, re one of them alone."""

    name: str
    dcr_ohm: float = Field(description="What an ohmmeter reads")
    string_db: float | None = Field(description="Level at 0 Hz of what both coils hear alike")
    hum_db: float | None = Field(description="Level at 0 Hz of a mains field that is the same at both")
    sentence: str


class OtherTurns(BaseModel):
    """What other turns on the same bobbin would do."""

    times: float
    inductance_h: float
    resistance_ohm: float
    capacitance_pf: float
    source_db: float = Field(description="Change of the voltage induced in the coil")
    peak_hz: float | None
    minus3db_hz: float | None
    change: list[ResponsePoint] = Field(description="Change of the output")
    sentence: str


class CoilAnswer(BaseModel):
    """What was asked for, and no more. Levels are re the voltage induced in one coil."""

    natural_hz: float | None = Field(
        None, description="Of the second-order circuit; with more in it, of the pair of poles that rings longest"
    )
    damping: float | None = None
    q: float | None = None
    dc_db: float | None = None
    peak_hz: float | None = Field(None, description="null where the response is nowhere higher than at 0 Hz")
    peak_db: float | None = None
    minus3db_hz: float | None = Field(None, description="Where it first lies 3.01 dB below the level at 0 Hz")
    response: list[ResponsePoint] | None = None
    reasons: dict[str, str] | None = Field(None, description="Why a value is null")
    coil: CoilView | None = None
    combination: CombinationView | None = None
    wire: WireView | None = None
    bobbin: BobbinView | None = None
    other_turns: OtherTurns | None = None
    beside: BesideView | None = Field(None, description="Of a pickup: what was measured beside what the model says")
    assumes: list[str] = Field(description="What was taken because nobody said it")
    limits: list[str] = Field(description="What the model leaves out")


def blueprint(bench: Bench) -> APIBlueprint:
    """The route of /v1/coils."""
    api = APIBlueprint("coils", __name__, url_prefix="/v1/coils", abp_tags=[TAG])

    @api.post(
        "",
        responses=answers({200: CoilAnswer}, kinds.TOO_MANY_TAKES, kinds.NOT_JSON, kinds.BROKEN_JSON),
    )
    def model_coil(body: CoilRequest) -> Response:
        """Work out a loaded coil, a winding, or both; nothing is kept."""
        return json_answer(modelled(bench, body.model_dump()))

    return api
