"""The client's call of the electrical model; `Client` has it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbench.calls import Calls, finite
from coilbench.coil import CoilModel


class CoilCalls(Calls):
    """What a client asks of coil, load and wire."""

    def coil(
        self,
        coil: Mapping[str, float] | None = None,
        load: Mapping[str, float] | None = None,
        wire: Mapping[str, float | str] | None = None,
        *,
        coils: Sequence[Mapping[str, float | bool]] | None = None,
        combination: str | None = None,
        coupling: float | None = None,
        bobbin: Mapping[str, float] | None = None,
        turns_times: float | None = None,
        pickup: str | None = None,
        beside: str | None = None,
        session: str | None = None,
        confidence: float | None = None,
        points: int | None = None,
    ) -> CoilModel:
        """A loaded coil's response, two coils', a winding's resistance, a pickup's model beside its measurement.

        Parameters
        ----------
        coil : inductance_h, resistance_ohm, capacitance_pf
        load : volume_pot_ohm, volume_position, tone_pot_ohm, tone_position, tone_capacitor_nf, input_ohm, input_pf,
            cable_pf, resistance_ohm; positions 0 to 1, fully up
        wire : awg or diameter_mm, turns or resistance_ohm, mean_turn_mm, temperature_c, diameters, copper
        coils : two, in place of one: as `coil`, with source, winding_reversed, magnet_reversed
        combination : of two: series, parallel, series-out-of-phase, parallel-out-of-phase
        coupling : k of two
        bobbin : core_length_mm, core_width_mm, height_mm, depth_mm, corner_radius_mm, overall_mm, packing
        turns_times : what so many times the turns would do
        pickup : its sheet gives what is left out; its measured octaves stand beside the model
        beside : another pickup, to tell how the two differ
        session, confidence : of what was measured: only takes of it; of its intervals
        points : of the response

        Raises
        ------
        Unprocessable : a value that is missing or can't be
        BadDescription : a number that is not finite
        """
        parts = {"coil": coil, "load": load, "wire": wire, "bobbin": bobbin}
        given: dict[str, Any] = {name: finite(values) for name, values in parts.items() if values}
        if coils is not None:
            given["coils"] = [finite(each) for each in coils]
        others = {
            "combination": combination,
            "coupling": coupling,
            "turns_times": turns_times,
            "pickup": pickup,
            "beside": beside,
            "session": session,
            "confidence": confidence,
            "points": points,
        }
        given |= finite({name: value for name, value in others.items() if value is not None})
        found = self._transport.document("POST", "/v1/coils", document=given)
        return self._read(CoilModel.from_document, found, "coil")
