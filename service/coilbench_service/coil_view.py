"""The electrical model from request to answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from coilbench_service import problem_kinds as kinds
from coilbench_service.problems import FieldError, Problem
from coilbench_service.sheet_coil import PICO, Circuit, circuit_of, controls_of
from coilbench_worker.coil import limits
from coilbench_worker.coil.bobbin import Bobbin, Wound, turns_on, wound
from coilbench_worker.coil.circuit import Coil, resonance
from coilbench_worker.coil.combination import Connection, WoundCoil, combined, one_coil
from coilbench_worker.coil.controls import Controls, loaded
from coilbench_worker.coil.rewound import Rewound, mean_turn_ratio, rewound
from coilbench_worker.coil.transfer import Transfer
from coilbench_worker.coil.wire import Winding, at_20c, diameter_of_gauge, turns_of, winding

LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0
CHANGE_AT_HZ = (100.0, 200.0, 500.0, 1000.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0, 8000.0, 10_000.0)
"""Where the change by other turns is told."""
NO_PEAK = "The response is nowhere higher than at 0 Hz."
TURNS_ALIKE = (
    "Without wire and bobbin the new turns are taken to be as long as the old ones, which makes too little of the "
    "resistance."
)


def answer(asked: Mapping[str, Any], sheet: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """What was asked for, as JSON values: loaded coil, winding, bobbin, other turns.

    Parameters
    ----------
    asked : a checked request
    sheet : of the pickup it names, or None

    Raises
    ------
    Problem : invalid-request, where values are missing that neither request nor sheet have
    """
    found: dict[str, Any] = {}
    notes: dict[str, list[str]] = {"limits": [], "assumes": []}
    wire = asked["wire"]
    view = None
    if wire is not None:
        found |= _wire(wire, asked["bobbin"], notes)
        view = found["wire"]
    if asked["coils"] is not None:
        found |= _pair(asked, notes)
    elif asked["coil"] is not None or asked["pickup"] is not None:
        circuit = circuit_of(
            asked["coil"],
            asked["load"],
            sheet,
            wire_ohm=None if view is None else view["resistance_ohm"],
            named=asked["pickup"] or "coil",
        )
        notes["assumes"] += circuit.assumes
        found |= _single(circuit, asked["points"], notes)
        if asked["turns_times"] is not None:
            found["other_turns"] = _other_turns(circuit, asked, view, notes)
    return found | {"assumes": notes["assumes"], "limits": list(dict.fromkeys(notes["limits"]))}


def _single(circuit: Circuit, points: int, notes: dict[str, list[str]]) -> dict[str, Any]:
    notes["limits"] += limits.CIRCUIT
    _note_tone(circuit.controls, notes)
    coil = circuit.coil
    shown = {
        "inductance_h": coil.inductance_h,
        "resistance_ohm": coil.resistance_ohm,
        "capacitance_pf": coil.capacitance_f / PICO,
    }
    return {**_response(circuit.responses().string, _closed(coil, circuit.controls), points), "coil": shown}


def _pair(asked: Mapping[str, Any], notes: dict[str, list[str]]) -> dict[str, Any]:
    """Two coils: their response to the strings, and what is left of hum."""
    name: str = asked["combination"] or "series"
    connection: Connection = "parallel" if name.startswith("parallel") else "series"
    swapped = name.endswith("out-of-phase")
    coils = [_wound(each) for each in asked["coils"]]
    controls = controls_of(asked["load"])
    if controls.capacitance_f == 0 and all(each.coil.capacitance_f == 0 for each in coils):
        message = "is 0 for both, as the cable's and the input's are; a resonance needs one of them"
        raise Problem(
            kinds.INVALID_REQUEST,
            f"coils.capacitance_pf {message}.",
            errors=[FieldError("coils.0.capacitance_pf", message)],
        )
    source = combined(coils, connection, out_of_phase=swapped, coupling=asked["coupling"])
    responses = loaded(source, controls)
    alike = one_coil(coils, connection, coupling=-asked["coupling"] if swapped else asked["coupling"])
    notes["limits"] += (*limits.CIRCUIT, *(() if asked["coupling"] else (limits.NO_COUPLING,)))
    _note_tone(controls, notes)
    found = _response(responses.string, None if alike is None else _closed(alike, controls), asked["points"])
    hum_db = responses.hum.dc_db
    found["combination"] = {
        "name": name,
        "dcr_ohm": source.resistance_ohm,
        "string_db": responses.string.dc_db,
        "hum_db": hum_db,
        "sentence": _cancelling(responses.string, responses.hum),
    }
    if hum_db is None:
        found["reasons"]["combination.hum_db"] = (
            "What a mains field induces in the two coils cancels at low frequencies."
        )
    if responses.string.dc_db is None:
        found["reasons"]["combination.string_db"] = found["reasons"]["dc_db"]
    return found


def _cancelling(string: Transfer, hum: Transfer) -> str:
    if string.dc_db is None and hum.dc_db is None:
        return "Neither strings nor hum come through at low frequencies."
    if string.dc_db is None:
        return "The strings cancel: what both coils hear alike is lost, and only where they differ something is left."
    if hum.dc_db is None:
        return "The strings add and hum cancels, as far as both coils are alike and lie in the same field."
    above_db = string.dc_db - hum.dc_db
    if abs(above_db) < 0.05:
        return "Strings and hum come through alike: nothing cancels."
    return f"At low frequencies the strings come through {above_db:+.1f} dB re hum, set against one coil alone."


def _wound(each: Mapping[str, Any]) -> WoundCoil:
    coil = Coil(each["inductance_h"], each["capacitance_pf"] * PICO, each["resistance_ohm"])
    winding_sign, magnet = (-1 if each[name] else 1 for name in ("winding_reversed", "magnet_reversed"))
    return WoundCoil(coil, each["source"], winding_sign, magnet)


def _note_tone(controls: Controls, notes: dict[str, list[str]]) -> None:
    if np.isfinite(controls.tone_ohm) and controls.tone_capacitor_f is None:
        notes["limits"].append(limits.TONE_WITHOUT_CAPACITOR)


Closed = tuple[float, float, float | None]
"""Natural frequency, damping, q."""


def _closed(coil: Coil, controls: Controls) -> Closed | None:
    """Closed form, where the load is a plain one."""
    simple = controls.simple
    if simple is None:
        return None
    found = resonance(coil, simple)
    return found.natural_hz, found.damping, found.q


def _response(transfer: Transfer, closed: Closed | None, points: int) -> dict[str, Any]:
    """Numbers and curve, with a reason for every null."""
    reasons: dict[str, str] = {}
    peak, half_hz, dc_db = transfer.peak(), transfer.half_power_hz(), transfer.dc_db
    natural_hz = damping = q = None
    if closed is not None:
        natural_hz, damping, q = closed
    elif (ringing := transfer.ringing()) is not None:
        natural_hz, damping, q = ringing.natural_hz, ringing.damping, 1 / (2 * ringing.damping)
    for name, value in (("natural_hz", natural_hz), ("damping", damping), ("q", q)):
        if value is None:
            reasons[name] = "Nothing damps." if natural_hz is not None else "Nothing rings: no pole of it is complex."
    if dc_db is None:
        reasons["dc_db"] = (
            "Nothing comes out: the volume pot is at 0, or the coils cancel."
            if transfer.silent
            else "At 0 Hz the coils cancel."
        )
        reasons["minus3db_hz"] = "There is no level at 0 Hz to be 3.01 dB below."
    for name, value in (("peak_hz", peak.hz), ("peak_db", peak.db)):
        if value is None:
            reasons[name] = peak.reason or NO_PEAK
    hertz = np.geomspace(LOWEST_HZ, HIGHEST_HZ, points)
    levels = transfer.level_db(hertz)
    return {
        "natural_hz": natural_hz,
        "damping": damping,
        "q": q,
        "dc_db": dc_db,
        "peak_hz": peak.hz,
        "peak_db": peak.db,
        "minus3db_hz": half_hz,
        "response": [{"hz": float(hz), "db": db} for hz, db in zip(hertz, levels, strict=True)],
        "reasons": reasons,
    }


def _wire(wire: Mapping[str, Any], bobbin: Mapping[str, Any] | None, notes: dict[str, list[str]]) -> dict[str, Any]:
    """The winding, and the bobbin it is on."""
    notes["limits"] += limits.WINDING
    diameter_mm = _diameter(wire)
    cold_ohm = None if wire["resistance_ohm"] is None else at_20c(wire["resistance_ohm"], wire["temperature_c"])
    turns, mean_turn_mm = wire["turns"], wire["mean_turn_mm"]
    on = None
    if bobbin is not None:
        notes["limits"].append(limits.BUILD)
        shape, build = _bobbin(bobbin, diameter_mm)
        if turns is None and cold_ohm is not None:
            turns = (
                turns_on(shape, cold_ohm, diameter_mm, **build, copper=wire["copper"])
                if mean_turn_mm is None
                else turns_of(cold_ohm, diameter_mm, mean_turn_mm, wire["copper"])
            )
        on = wound(shape, diameter_mm, turns, **build)
        mean_turn_mm = mean_turn_mm or on.mean_turn_mm
    elif turns is None and cold_ohm is not None:
        turns = turns_of(cold_ohm, diameter_mm, mean_turn_mm, wire["copper"])
    made = winding(diameter_mm, turns, mean_turn_mm, wire["temperature_c"], awg=wire["awg"], copper=wire["copper"])
    found: dict[str, Any] = {"wire": _winding_view(made, wire, turns, mean_turn_mm)}
    if on is not None:
        found["bobbin"] = _bobbin_view(on)
    return found


def _diameter(wire: Mapping[str, Any]) -> float:
    if wire["awg"] is None:
        return float(wire["diameter_mm"])
    return diameter_of_gauge(wire["awg"], wire["diameters"])


def _bobbin(bobbin: Mapping[str, Any], diameter_mm: float) -> tuple[Bobbin, dict[str, Any]]:
    build = {name: bobbin[name] for name in ("overall_mm", "packing")}
    if build["overall_mm"] is not None and build["overall_mm"] < diameter_mm:
        message = f"must be at least the bare diameter, {diameter_mm:.4g} mm"
        raise Problem(
            kinds.INVALID_REQUEST, f"bobbin.overall_mm {message}.", errors=[FieldError("bobbin.overall_mm", message)]
        )
    return Bobbin(**{name: value for name, value in bobbin.items() if name not in build}), build


def _winding_view(made: Winding, wire: Mapping[str, Any], turns: float, mean_turn_mm: float) -> dict[str, Any]:
    shown = asdict(made)
    reason = shown.pop("reason")
    return {
        **shown,
        "turns": turns,
        "mean_turn_mm": mean_turn_mm,
        "temperature_c": wire["temperature_c"],
        "diameters": None if wire["awg"] is None else wire["diameters"],
        "copper": wire["copper"],
        "reasons": {} if reason is None else dict.fromkeys(("low_ohm", "high_ohm", "tolerance"), reason),
    }


def _bobbin_view(on: Wound) -> dict[str, Any]:
    return {name: value for name, value in asdict(on).items() if name not in ("turns", "mean_turn_mm")}


def _other_turns(
    circuit: Circuit, asked: Mapping[str, Any], wire: Mapping[str, Any] | None, notes: dict[str, list[str]]
) -> dict[str, Any]:
    """What `turns_times` the turns would do."""
    notes["limits"] += limits.TURNS
    longer, room = None, ""
    if wire is not None and asked["bobbin"] is not None:
        shape, build = _bobbin(asked["bobbin"], wire["diameter_mm"])
        holds, wanted = wound(shape, wire["diameter_mm"], wire["turns"], **build).fit_turns, asked["turns_times"]
        if wire["turns"] * wanted > holds:
            room = f"So many do not fit: the bobbin holds {holds}."
        longer = mean_turn_ratio(shape, wire["diameter_mm"], wire["turns"], asked["turns_times"], **build)
    else:
        notes["assumes"].append(TURNS_ALIKE)
    found = rewound(circuit.coil, circuit.controls, times=asked["turns_times"], length_ratio=longer)
    hertz = np.array(CHANGE_AT_HZ)
    silent = found.after.silent
    changes = [None] * len(CHANGE_AT_HZ) if silent else found.change_db(hertz).tolist()
    return {
        "times": asked["turns_times"],
        "inductance_h": found.coil.inductance_h,
        "resistance_ohm": found.coil.resistance_ohm,
        "capacitance_pf": found.coil.capacitance_f / PICO,
        "source_db": found.source_db,
        "peak_hz": found.after.peak().hz,
        "minus3db_hz": found.after.half_power_hz(),
        "change": [{"hz": hz, "db": db} for hz, db in zip(CHANGE_AT_HZ, changes, strict=True)],
        "sentence": " ".join(said for said in (_turns_sentence(found, changes), room) if said),
    }


def _turns_sentence(found: Rewound, changes: Sequence[float | None]) -> str:
    low, high = changes[0], changes[CHANGE_AT_HZ.index(6000.0)]
    if low is None or high is None:
        return "Nothing comes out, whatever the turns: the volume pot is at 0."
    before, after = found.before.peak().hz, found.after.peak().hz
    peak = f" and the peak goes from {before:.0f} to {after:.0f} Hz" if before and after else ""
    return (
        f"{found.turns:g} times the turns induce {found.source_db:+.1f} dB, of which {low:+.1f} dB arrive at 100 Hz "
        f"and {high:+.1f} dB at 6 kHz; the resistance is {found.resistance_ratio:.2f} times, the inductance "
        f"{found.inductance_ratio:.2f} times what it was{peak}."
    )
