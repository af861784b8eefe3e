"""The electrical part of a pickup's sheet, with what a request says in its place: a coil, its load, its winding."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import inf
from typing import Any

from coilbench_service import problem_kinds as kinds
from coilbench_service.problems import FieldError, Problem
from coilbench_worker.coil.circuit import Coil, in_parallel
from coilbench_worker.coil.combination import WoundCoil, combined
from coilbench_worker.coil.controls import Controls, Responses, loaded

PICO, NANO = 1e-12, 1e-9
SHEET_OF_COIL = {"inductance_h": "inductance_h", "resistance_ohm": "dcr_ohm", "capacitance_pf": "capacitance_pf"}
SHEET_OF_LOAD = ("volume_pot_ohm", "tone_pot_ohm", "tone_capacitor_nf")
AT_OUTPUT = ("input_ohm", "resistance_ohm")


@dataclass(frozen=True)
class Circuit:
    """One coil with its load, and `assumes`: what was taken because nobody said it."""

    coil: Coil
    controls: Controls
    assumes: tuple[str, ...]

    def responses(self) -> Responses:
        """From the strings and from hum."""
        return loaded(combined([WoundCoil(self.coil)]), self.controls)


def circuit_of(
    coil: Mapping[str, Any] | None,
    load: Mapping[str, Any] | None,
    sheet: Mapping[str, Any] | None,
    *,
    wire_ohm: float | None = None,
    named: str = "coil",
    field: str = "coil",
) -> Circuit:
    """The coil and load of a request, filled up from a sheet, then from the wire.

    Parameters
    ----------
    coil, load, sheet : JSON values by name; None where there is none
    wire_ohm : resistance of the wire, where one was given
    named : key of the pickup, or `coil`
    field : of the request, that faults are named by

    Raises
    ------
    Problem : invalid-request, with every value that is missing and where it may come from
    """
    values: dict[str, Any] = {name: (coil or {}).get(name) for name in SHEET_OF_COIL}
    for name, entry in SHEET_OF_COIL.items():
        if values[name] is None and sheet is not None:
            values[name] = sheet.get(entry)
    if values["resistance_ohm"] is None:
        values["resistance_ohm"] = wire_ohm
    controls = controls_of(load, sheet)
    if values["capacitance_pf"] is None and sheet is None:
        values["capacitance_pf"] = 0.0
    faults = list(_missing(values, controls, sheet, named, field))
    if faults:
        detail = "; ".join(f"{fault.field} {fault.message}" for fault in faults)
        raise Problem(kinds.INVALID_REQUEST, f"The coil is not whole: {detail}.", errors=faults)
    found = Coil(values["inductance_h"], values["capacitance_pf"] * PICO, values["resistance_ohm"])
    return Circuit(found, controls, tuple(_assumed(load, sheet, controls)))


def controls_of(load: Mapping[str, Any] | None, sheet: Mapping[str, Any] | None = None) -> Controls:
    """The load of a request, its pots and tone capacitor filled up from a sheet.

    Raises
    ------
    Problem : invalid-request, a tone pot at 0 without a capacitor
    """
    said = dict(load or {})
    for name in SHEET_OF_LOAD:
        if said.get(name) is None and sheet is not None:
            said[name] = sheet.get(name)
    resistors = [said[name] for name in AT_OUTPUT if said.get(name) is not None]
    capacitor_nf, tone_ohm = said.get("tone_capacitor_nf"), said.get("tone_pot_ohm")
    position = said.get("tone_position", 1.0)
    if position == 0 and tone_ohm is not None and capacitor_nf is None:
        message = "is missing: a tone pot at 0 without a capacitor is a short circuit"
        raise Problem(
            kinds.INVALID_REQUEST,
            f"load.tone_capacitor_nf {message}.",
            errors=[FieldError("load.tone_capacitor_nf", message)],
        )
    return Controls(
        volume_ohm=said.get("volume_pot_ohm") or inf,
        volume_position=said.get("volume_position", 1.0),
        tone_ohm=tone_ohm or inf,
        tone_position=position if tone_ohm is not None else 1.0,
        tone_capacitor_f=capacitor_nf * NANO if capacitor_nf is not None else None,
        resistance_ohm=in_parallel(*resistors),
        capacitance_f=(said.get("cable_pf", 0.0) + said.get("input_pf", 0.0)) * PICO,
    )


def _missing(
    values: Mapping[str, Any], controls: Controls, sheet: Mapping[str, Any] | None, named: str, field: str
) -> Iterator[FieldError]:
    elsewhere = {"resistance_ohm": ", or wire with its turns", "capacitance_pf": " (0 where the cable's is all)"}
    for name, entry in SHEET_OF_COIL.items():
        if values[name] is None and field == "beside":
            yield FieldError(field, f"{named} has no {entry} on its sheet; enter it there")
        elif values[name] is None:
            where = f", and {named} has no {entry} on a sheet" if sheet is not None else ""
            yield FieldError(f"{field}.{name}", f"is missing{where}; give it{elsewhere.get(name, '')}")
    if values["capacitance_pf"] == 0 and controls.capacitance_f == 0:
        message = "is 0 as the cable's and the input's are; a resonance needs one of them"
        yield FieldError("load.cable_pf" if field == "beside" else f"{field}.capacitance_pf", message)


def _assumed(load: Mapping[str, Any] | None, sheet: Mapping[str, Any] | None, controls: Controls) -> Iterator[str]:
    """Only of a pickup by its sheet: who gives a coil by numbers has said what hangs on it."""
    if sheet is None:
        return
    said = load or {}
    if said.get("cable_pf") is None or said["cable_pf"] == 0:
        yield "No cable was given (load.cable_pf): the model has none, and a real one brings the peak down."
    if said.get("input_ohm") is None:
        yield "No input was given (load.input_ohm): the model has none, and a real one damps the peak a little."
    if controls.volume_ohm == inf:
        yield "Neither the sheet nor the load has a volume pot (volume_pot_ohm): the model has none."
    if controls.tone_ohm == inf:
        yield "Neither the sheet nor the load has a tone pot (tone_pot_ohm): the model has none."
