"""What the coil page can be set to: each field with its label, unit, where its slider begins and ends, and its steps.

Names are those of `/v1/charts/response`, so that one address means one coil everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import log
from typing import Any

from coilbench_service.coil_request import CoilAsked, LoadAsked
from coilbench_service.electrical_ways import CABLE_F, INPUT_OHM, POT_OHM

STEPS = 1000
"""Of a slider."""
LEFT_OUT = {"volume_position": 1.0, "tone_position": 1.0, "cable_pf": 0.0, "input_pf": 0.0}
"""What the model takes where nothing is said."""


@dataclass(frozen=True)
class CoilField:
    """One number: `start` and `end` of its slider, even steps or even ratios; `part` and `name` of the request."""

    name: str
    label: str
    unit: str
    start: float
    end: float
    part: str
    logarithmic: bool = True

    @property
    def bare(self) -> str:
        """The label as it stands within a sentence's list."""
        return self.label[0].lower() + self.label[1:]

    @property
    def hint(self) -> str:
        """What the API says of it."""
        model = CoilAsked if self.part == "coil" else LoadAsked
        return model.model_fields[self.name].description or ""

    @property
    def left_out(self) -> float | None:
        """What the model takes where nothing is typed; None: nothing of the kind is there."""
        return LEFT_OUT.get(self.name)

    def step_of(self, value: float | None) -> int:
        """Where the slider stands; at its end for what lies beyond it, in the middle where nothing is there."""
        value = self.left_out if value is None else value
        if value is None:
            return STEPS // 2
        at = min(max(value, self.start), self.end)
        if self.logarithmic:
            return round(STEPS * log(at / self.start) / log(self.end / self.start))
        return round(STEPS * (at - self.start) / (self.end - self.start))


COIL = (
    CoilField("inductance_h", "Inductance", "H", 0.5, 20, "coil"),
    CoilField("resistance_ohm", "Resistance", "ohm", 500, 50_000, "coil"),
    CoilField("capacitance_pf", "Its own capacitance", "pF", 10, 1000, "coil"),
)
LOAD = (
    CoilField("volume_pot_ohm", "Volume pot", "ohm", 10_000, 2e6, "load"),
    CoilField("volume_position", "Volume, 0 to 1", "", 0, 1, "load", logarithmic=False),
    CoilField("tone_pot_ohm", "Tone pot", "ohm", 10_000, 2e6, "load"),
    CoilField("tone_position", "Tone, 0 to 1", "", 0, 1, "load", logarithmic=False),
    CoilField("tone_capacitor_nf", "Tone capacitor", "nF", 0.5, 200, "load"),
    CoilField("cable_pf", "Cable", "pF", 10, 5000, "load"),
    CoilField("input_ohm", "Input", "ohm", 10_000, 1e7, "load"),
    CoilField("input_pf", "Input capacitance", "pF", 0, 500, "load", logarithmic=False),
)
FIELDS = (*COIL, *LOAD)
WIRE = {
    "awg": ("Wire, AWG", "Gauge, such as 42"),
    "turns": ("Turns", "Of the whole coil"),
    "mean_turn_mm": ("Mean turn, mm", "Length of a turn halfway out"),
    "temperature_c": ("Temperature, °C", "Left empty: 20"),
}
EXAMPLE: Mapping[str, float] = {"inductance_h": 2.5, "resistance_ohm": 6000.0, "capacitance_pf": 110.0}
"""A single coil as many are: common practice, no source."""
USUAL: Mapping[str, float] = {
    "volume_pot_ohm": POT_OHM,
    "volume_position": 1.0,
    "tone_pot_ohm": POT_OHM,
    "tone_position": 1.0,
    "tone_capacitor_nf": 22.0,
    "cable_pf": round(CABLE_F * 1e12, 6),
    "input_ohm": INPUT_OHM,
    "input_pf": 0.0,
}
"""What a coil works into where nothing is said: common practice, no source."""


def of_sheet(sheet: Mapping[str, Any]) -> dict[str, float]:
    """What a pickup's sheet says of the fields."""
    names = {field.name: field.name for field in FIELDS} | {"resistance_ohm": "dcr_ohm"}
    return {name: float(sheet[entry]) for name, entry in names.items() if sheet.get(entry) is not None}
