"""A second way to the response: Kirchhoff's equations of the whole circuit, one linear system for each frequency."""

from collections.abc import Sequence
from math import inf, isfinite, pi

import numpy as np

from coilbench_worker.coil.combination import WoundCoil
from coilbench_worker.coil.controls import Controls

WIRE_OHM = 1e-3


class Circuit:
    """Nodes 0 (ground), 1, 2, ...; admittances between them; coils as branches with a current of their own."""

    def __init__(self, nodes: int, coils: Sequence[tuple[WoundCoil, int, int]], mutual_h: float, s: complex) -> None:
        size = nodes + len(coils)
        self.nodes, self.s = nodes, s
        self.matrix = np.zeros((size, size), complex)
        self.right = np.zeros(size, complex)
        for number, (wound, plus, minus) in enumerate(coils):
            row = nodes + number  # v_plus - v_minus + (R + sL) i + sM i_other = e; i flows out at plus
            for node, sign in ((plus, 1), (minus, -1)):
                if node:
                    self.matrix[row, node - 1] += sign
                    self.matrix[node - 1, row] -= sign
            self.matrix[row, row] += wound.coil.resistance_ohm + s * wound.coil.inductance_h
            for other in range(len(coils)):
                if other != number:
                    self.matrix[row, nodes + other] += s * mutual_h
            self.between(plus, minus, s * wound.coil.capacitance_f)

    def between(self, one: int, other: int, admittance: complex) -> None:
        for node, away in ((one, other), (other, one)):
            if node:
                self.matrix[node - 1, node - 1] += admittance
                if away:
                    self.matrix[node - 1, away - 1] -= admittance

    def voltage(self, node: int, sources: Sequence[float]) -> complex:
        self.right[self.nodes :] = sources
        return complex(np.linalg.solve(self.matrix, self.right)[node - 1])


def solved(
    coils: Sequence[WoundCoil],
    controls: Controls,
    hz: float,
    *,
    connection: str = "series",
    out_of_phase: bool = False,
    coupling: float = 0.0,
    hum: bool = False,
) -> complex:
    """Output voltage. Node 1: hot end of the coils, 2: output, 3: middle of the tone control, 4: middle of the coils.

    Wires between nodes are resistors of a milliohm, which leaves five digits.
    """
    s = 2j * pi * hz
    mutual_h = coupling * float(np.sqrt(np.prod([one.coil.inductance_h for one in coils]))) if len(coils) == 2 else 0.0
    placed = [(coils[0], 1, 0)]
    if len(coils) == 2 and connection == "series":
        placed = [(coils[0], 1, 4), (coils[1], 0, 4) if out_of_phase else (coils[1], 4, 0)]
    elif len(coils) == 2:
        placed = [(coils[0], 1, 0), (coils[1], 0, 1) if out_of_phase else (coils[1], 1, 0)]
    circuit = Circuit(4, placed, mutual_h, s)
    if not (len(coils) == 2 and connection == "series"):
        circuit.between(4, 0, 1.0)
    position = controls.volume_position if isfinite(controls.volume_ohm) else 1.0
    upper_ohm = (1 - position) * controls.volume_ohm if position < 1 else WIRE_OHM
    circuit.between(1, 2, 1 / upper_ohm)
    circuit.between(2, 0, 1 / (position * controls.volume_ohm) if controls.volume_ohm < inf else 0.0)
    circuit.between(2, 0, 1 / controls.resistance_ohm + s * controls.capacitance_f)
    tone_ohm = max(controls.tone_ohm * controls.tone_position, WIRE_OHM) if controls.tone_ohm < inf else inf
    circuit.between(1, 3, 1 / tone_ohm)
    circuit.between(3, 0, s * controls.tone_capacitor_f if controls.tone_capacitor_f else 1 / WIRE_OHM)
    return circuit.voltage(2, [one.hum if hum else one.string for one in coils])
