"""What the fields of takes and of sheets are called for people: pages and reports name them alike.

A unit stands behind the comma.
"""

from __future__ import annotations

LABELS = {
    "label": "Name",
    "name": "Name",
    "date": "Date",
    "session": "Session",
    "pickup": "Pickup",
    "chain": "Input chain",
    "guitar": "Guitar",
    "position": "Position of the pickup",
    "strings": "Strings",
    "tuning": "Tuning",
    "pick": "Pick",
    "player": "Player",
    "input_gain_db": "Input gain, dB",
    "battery_v": "Battery, V",
    "cable": "Cable",
    "expected_strums": "Strums in each take",
    "channel": "Channel to measure",
    "notes": "Notes",
    "tags": "Tags",
    "construction": "Construction",
    "active": "Preamp in the housing",
    "magnet": "Magnet",
    "dcr_ohm": "DC resistance, ohm",
    "dcr_temperature_c": "Measured at, °C",
    "inductance_h": "Inductance, H",
    "capacitance_pf": "Capacitance, pF",
    "turns": "Turns",
    "wire_awg": "Wire, AWG",
    "mean_turn_mm": "Mean turn, mm",
    "base_plate": "Base plate",
    "cover": "Cover",
    "potted": "Potted",
    "pole_spacing_mm": "Pole spacing, mm",
    "rated_output_mv": "Rated output, mV",
    "preamp_gain_db": "Preamp gain, dB",
    "volume_pot_ohm": "Volume pot, ohm",
    "tone_pot_ohm": "Tone pot, ohm",
    "tone_capacitor_nf": "Tone capacitor, nF",
}


def label_of(field: str) -> str:
    """The label of a field; one of the tester's own goes by its own name, without underscores."""
    return LABELS.get(field, field.removeprefix("extra.").replace("_", " "))
