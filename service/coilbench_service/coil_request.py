"""What the electrical model may be asked: a coil or two, what hangs on them, wire, bobbin, other turns, a pickup."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue, model_validator

from coilbench_service.about import Key
from coilbench_worker.coil.bobbin import PACKING
from coilbench_worker.coil.wire import HIGHEST_AWG, LOWEST_AWG

MOST_OHM, MOST_PF, MOST_H = 1e12, 1e9, 1e4
"""Far beyond any coil and its load: what is greater is a slip of the unit."""
MOST_TURNS, MOST_MM = 1e7, 1e5

Ohm = Annotated[float, Field(gt=0, le=MOST_OHM)]
Picofarad = Annotated[float, Field(ge=0, le=MOST_PF)]
Millimetre = Annotated[float, Field(gt=0, le=MOST_MM)]
Share = Annotated[float, Field(ge=0, le=1)]
Combination = Literal["single", "series", "parallel", "series-out-of-phase", "parallel-out-of-phase"]

EXAMPLE: dict[str, JsonValue] = {
    "coil": {"inductance_h": 2.5, "resistance_ohm": 6000, "capacitance_pf": 110},
    "load": {"volume_pot_ohm": 250000, "tone_pot_ohm": 250000, "input_ohm": 1000000, "cable_pf": 500},
    "wire": {"awg": 42, "turns": 8000, "mean_turn_mm": 140, "temperature_c": 25},
}


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class CoilAsked(_Asked):
    """The coil alone: source with inductance and resistance in series, its own capacitance across."""

    inductance_h: float | None = Field(None, gt=0, le=MOST_H, description="Left out: that of the pickup's sheet")
    resistance_ohm: float | None = Field(
        None, ge=0, le=MOST_OHM, description="Left out: that of the pickup's sheet, or else of the wire"
    )
    capacitance_pf: Picofarad | None = Field(None, description="Left out: that of the pickup's sheet, or else 0")


class OneCoilAsked(_Asked):
    """One of two coils. Turned round in both winding and magnet, two of them cancel hum and add the strings."""

    inductance_h: float = Field(gt=0, le=MOST_H)
    resistance_ohm: float = Field(ge=0, le=MOST_OHM)
    capacitance_pf: Picofarad = 0.0
    source: float = Field(1.0, ge=0, le=1000, description="Its voltage re that of the coil that counts as 1")
    winding_reversed: bool = Field(False, description="Wound the other way round")
    magnet_reversed: bool = Field(False, description="Its magnet stands the other way round")


class LoadAsked(_Asked):
    """What hangs on it; left out: nothing. Positions are shares of the resistance, linear in ohm, 1 fully up."""

    volume_pot_ohm: Ohm | None = None
    volume_position: Share = 1.0
    tone_pot_ohm: Ohm | None = None
    tone_position: Share = 1.0
    tone_capacitor_nf: float | None = Field(
        None, gt=0, le=1e6, description="Left out: the tone pot is a plain resistor to ground"
    )
    input_ohm: Ohm | None = None
    input_pf: Picofarad = 0.0
    resistance_ohm: Ohm | None = Field(None, description="Any other resistor at the output")
    cable_pf: Picofarad = 0.0

    @model_validator(mode="after")
    def _has_its_pot(self) -> LoadAsked:
        if self.tone_position == 0 and self.tone_pot_ohm is not None and self.tone_capacitor_nf is None:
            raise ValueError("a tone pot at 0 without tone_capacitor_nf is a short circuit")
        return self


class WireAsked(_Asked):
    """A winding: gauge or diameter; turns, or the resistance that they have; mean turn, or a bobbin beside it."""

    awg: float | None = Field(None, ge=LOWEST_AWG, le=HIGHEST_AWG, description="American wire gauge; 0000 is -3")
    diameter_mm: float | None = Field(None, gt=0, le=20, description="Bare, in place of the gauge")
    diameters: Literal["exact", "rounded"] = Field(
        "exact", description="Of a gauge: by its formula, or rounded to 0.1 mil as in tables"
    )
    copper: Literal["iec-60028", "winding-wire"] = Field(
        "iec-60028", description="Resistivity at 20 C: 1/58 (IEC 60028) or 1/58.5 ohm mm2/m (IEC 60317-0-1)"
    )
    turns: float | None = Field(None, gt=0, le=MOST_TURNS)
    resistance_ohm: Ohm | None = Field(None, description="In place of the turns: at temperature_c")
    mean_turn_mm: Millimetre | None = Field(None, description="Left out: that of the bobbin")
    temperature_c: float = Field(20.0, gt=-200, le=300, description="Of the winding, when its resistance is measured")

    @model_validator(mode="after")
    def _one_of_each(self) -> WireAsked:
        if (self.awg is None) == (self.diameter_mm is None):
            raise ValueError("give awg or diameter_mm, one of the two")
        if (self.turns is None) == (self.resistance_ohm is None):
            raise ValueError("give turns, or resistance_ohm to have the turns worked out, one of the two")
        if self.awg is not None and self.diameters == "rounded" and not self.awg.is_integer():
            raise ValueError("tables of rounded diameters know whole gauges only; leave diameters out")
        return self


class BobbinAsked(_Asked):
    """Inner shape and space of a bobbin; the ends of its core are half circles unless a radius is given."""

    core_length_mm: Millimetre
    core_width_mm: Millimetre
    height_mm: Millimetre = Field(description="Between the flanges")
    depth_mm: Millimetre = Field(description="Room for the winding beyond the core")
    corner_radius_mm: float | None = Field(None, ge=0, le=MOST_MM)
    overall_mm: Millimetre | None = Field(
        None,
        description="Wire over its insulation; left out: single build, 13 % over bare (common practice, no source)",
    )
    packing: float = Field(
        PACKING, gt=0, le=1.1547, description="Share of neat square packing (0.9: common practice, no source)"
    )

    @model_validator(mode="after")
    def _a_core(self) -> BobbinAsked:
        if self.core_width_mm > self.core_length_mm:
            raise ValueError("core_width_mm must not be greater than core_length_mm")
        if self.corner_radius_mm is not None and self.corner_radius_mm > self.core_width_mm / 2:
            raise ValueError("corner_radius_mm must not be greater than half of core_width_mm")
        return self


class CoilRequest(_Asked):
    """A coil with its load, two coils, a winding, or a pickup by its sheet; what is asked for is answered."""

    model_config = ConfigDict(
        extra="forbid",
        strict=True,
        openapi_extra={"example": EXAMPLE},  # type: ignore[typeddict-unknown-key] # flask-openapi3 reads it
    )

    coil: CoilAsked | None = None
    coils: list[OneCoilAsked] | None = Field(None, min_length=2, max_length=2, description="Two, in place of one coil")
    combination: Combination | None = Field(None, description="Of two coils; left out: series")
    coupling: float = Field(
        0.0, gt=-1, lt=1, description="k of two coils: in series in phase L = L1 + L2 + 2 k sqrt(L1 L2)"
    )
    load: LoadAsked | None = None
    wire: WireAsked | None = None
    bobbin: BobbinAsked | None = Field(None, description="Goes with wire")
    turns_times: float | None = Field(
        None, gt=0, le=100, description="What this many times the turns would do, all else the same; goes with one coil"
    )
    pickup: Key | None = Field(
        None, description="Its sheet gives what is left out; its measured octaves stand beside the model"
    )
    beside: Key | None = Field(None, description="Another pickup, by its sheet: how both differ, by model and measured")
    session: Key | None = Field(None, description="Measured takes of this session only; goes with pickup")
    confidence: float = Field(0.95, ge=0.5, le=0.999, description="Of the intervals of what was measured")
    points: int = Field(
        121, ge=2, le=2000, description="Of the response, 20 Hz to 20 kHz, evenly on a logarithmic scale"
    )

    @model_validator(mode="after")
    def _whole(self) -> CoilRequest:
        for fault in self._faults():
            raise ValueError(fault)
        return self

    def _faults(self) -> Any:
        one = self.coil is not None or self.pickup is not None
        if not one and self.coils is None and self.wire is None:
            yield "give coil (inductance_h, resistance_ohm, capacitance_pf), coils, wire or pickup"
        if one and self.coils is not None:
            yield "give either one coil (or pickup) or coils, not both"
        if self.combination not in (None, "single") and self.coils is None:
            yield f"the combination {self.combination} needs coils, two of them"
        if self.combination == "single" and self.coils is not None:
            yield "two coils are in series or in parallel, not single"
        if self.coupling and self.coils is None:
            yield "coupling needs coils, two of them"
        parallel = self.combination is not None and "parallel" in self.combination
        if parallel and any(each.resistance_ohm == 0 for each in self.coils or ()):
            yield "two coils in parallel need resistance_ohm > 0, each"
        if self.bobbin is not None and self.wire is None:
            yield "bobbin goes with wire"
        if self.wire is not None and self.wire.mean_turn_mm is None and self.bobbin is None:
            yield "wire.mean_turn_mm is missing; give it, or a bobbin"
        if self.load is not None and self.load.model_fields_set and not one and self.coils is None:
            yield "load needs a coil: give coil with inductance_h, resistance_ohm and capacitance_pf"
        if self.turns_times is not None and not one:
            yield "turns_times goes with one coil"
        if self.beside is not None and self.pickup is None:
            yield "beside goes with pickup: two sheets are held beside each other"
        if self.beside is not None and self.beside == self.pickup:
            yield "beside names the same pickup"
        if self.session is not None and self.pickup is None:
            yield "session goes with pickup"
