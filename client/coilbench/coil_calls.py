"""The client's call of the electrical model; `Client` has it."""

from __future__ import annotations

from collections.abc import Mapping

from coilbench.calls import Calls, finite
from coilbench.coil import CoilModel


class CoilCalls(Calls):
    """What a client asks of coil, load and wire."""

    def coil(
        self,
        coil: Mapping[str, float] | None = None,
        load: Mapping[str, float] | None = None,
        wire: Mapping[str, float] | None = None,
    ) -> CoilModel:
        """A loaded coil's response, a winding's resistance, or both.

        Parameters
        ----------
        coil : inductance_h, resistance_ohm, capacitance_pf
        load : volume_pot_ohm, tone_pot_ohm, input_ohm, resistance_ohm, cable_pf; all in parallel
        wire : awg or diameter_mm, turns, mean_turn_mm, temperature_c

        Raises
        ------
        Unprocessable : a value that is missing or can't be
        BadDescription : a number that is not finite
        """
        given = {name: finite(value) for name, value in (("coil", coil), ("load", load), ("wire", wire)) if value}
        found = self._transport.document("POST", "/v1/coils", document=given)
        return self._read(CoilModel.from_document, found, "coil")
