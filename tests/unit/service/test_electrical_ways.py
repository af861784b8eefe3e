"""What the model says of turns, pots and cable: closed forms of the circuit on measured octaves."""

from __future__ import annotations

from math import log10, pi

import numpy as np
import pytest

from coilbench_service.electrical_ways import PREDICTED, Circuit, predicted, ways
from coilbench_worker.coil.circuit import Coil
from coilbench_worker.measure.bands import OCTAVES

USUAL = Circuit(Coil(2.5, 140e-12, 6000.0))
"""Of checkvalues, section 11: two 250 k pots and 1 M, 610 pF in all."""
LEVELS_DB = dict(
    zip((band.nominal for band in OCTAVES), (-20.0, -6.0, -5.0, -6.0, -8.0, -11.0, -16.0, -30.0), strict=True)
)


def energy(*names: str) -> float:
    return sum(10 ** (LEVELS_DB[name] / 10) for name in names)


def response(coil: Coil, load_ohm: float, farad: float, hertz: np.ndarray) -> np.ndarray:
    """|H| of the circuit, written out."""
    s = 2j * pi * hertz
    through = coil.resistance_ohm + s * coil.inductance_h
    return np.abs(1 / (1 + through * (1 / load_ohm + s * (farad + coil.capacitance_f))))


def test_a_circuit_says_what_it_is_and_where_it_peaks() -> None:
    assert USUAL.in_words() == (
        "2.5 H, 6 kohm and 140 pF, into pots of 250 kohm (volume) and 250 kohm (tone), an input of 1 Mohm and 470 pF "
        "of cable: a peak at 3.7 kHz"
    )


def test_nothing_altered_changes_nothing() -> None:
    found = predicted(USUAL, USUAL, LEVELS_DB)
    assert set(found) == set(PREDICTED)
    assert all(value == pytest.approx(0.0, abs=1e-12) for value in found.values())


def test_more_source_alone_is_more_level_and_the_same_tone() -> None:
    found = predicted(USUAL, USUAL, LEVELS_DB, 3.0)
    assert found.pop("rms_dbfs") == pytest.approx(3.0)
    assert all(value == pytest.approx(0.0, abs=1e-12) for value in found.values())


def test_a_plain_divider_changes_level_by_its_ratio_and_no_tone() -> None:
    resistor = Coil(1e-9, 1e-15, 10_000.0)  # hardly a coil: no resonance far and wide
    low, high = Circuit(resistor, 20e3, 20e3, 1e12, 1e-15), Circuit(resistor, 80e3, 80e3, 1e12, 1e-15)
    found = predicted(low, high, LEVELS_DB)
    assert found.pop("rms_dbfs") == pytest.approx(20 * log10((40 / 50) / (10 / 20)), abs=1e-6)
    assert all(value == pytest.approx(0.0, abs=1e-6) for value in found.values())


def test_changes_are_those_of_the_responses_octave_by_octave() -> None:
    other = Circuit(USUAL.coil, 500e3, 500e3)
    found = predicted(USUAL, other, LEVELS_DB)
    loads = [1 / (2 / 250e3 + 1e-6), 1 / (2 / 500e3 + 1e-6)]
    new = {}
    for band in OCTAVES:
        hertz = np.geomspace(band.low_hz, band.high_hz, 2001)
        before, after = (response(USUAL.coil, load, 470e-12, hertz) for load in loads)
        new[band.nominal] = 10 ** (LEVELS_DB[band.nominal] / 10) * float(np.mean((after / before) ** 2))
    total_db = 10 * log10(sum(new.values()) / energy(*new))
    treble_db = 10 * log10((new["4000"] + new["8000"]) / energy("4000", "8000")) - total_db
    assert found["rms_dbfs"] == pytest.approx(total_db, abs=0.01)
    assert found["treble_db"] == pytest.approx(treble_db, abs=0.01)
    assert found["treble_db"] > 1.0  # higher pots damp the peak less


def test_fewer_turns_give_treble_and_take_level() -> None:
    found = {way.what: way.changes for way in ways(USUAL, LEVELS_DB)}
    assert list(found) == [
        "a fifth more turns", "a fifth fewer turns", "pots of 500 kohm", "half the cable", "twice the cable"
    ]  # fmt: skip
    fewer, more = found["a fifth fewer turns"], found["a fifth more turns"]
    assert fewer["treble_db"] > 0 > fewer["rms_dbfs"]
    assert more["treble_db"] < 0 < more["rms_dbfs"]
    assert more["rms_dbfs"] < 20 * log10(1.2)  # more resistance and less treble: never the turns alone
    assert found["half the cable"]["treble_db"] > 0 > found["twice the cable"]["treble_db"]


def test_octaves_lost_in_noise_count_as_nothing() -> None:
    known = {name: level for name, level in LEVELS_DB.items() if name not in ("4000", "8000")}
    found = predicted(USUAL, Circuit(USUAL.coil, 500e3, 500e3), known)
    assert "treble_db" not in found
    assert "octave_db_4000" not in found
    assert "rms_dbfs" in found
    assert predicted(USUAL, USUAL, {}) == {}
