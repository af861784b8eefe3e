"""Two coils: the node equations, what adds and what cancels, and when two are one."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.coil.circuit import Coil, Load, resonance
from coilbench_worker.coil.combination import Connection, WoundCoil, combined, one_coil
from coilbench_worker.coil.controls import Controls, loaded
from unit.coil.node_equations import solved

COILS = st.builds(Coil, st.floats(0.5, 6.0), st.floats(20e-12, 400e-12), st.floats(500.0, 10e3))
BOTH: tuple[Connection, ...] = ("series", "parallel")
CONNECTIONS = st.sampled_from(BOTH)
SIGNS = st.sampled_from([1, -1])
LOAD = Controls(250e3, 0.7, tone_ohm=250e3, tone_position=0.4, tone_capacitor_f=22e-9, resistance_ohm=1e6,
                capacitance_f=500e-12)  # fmt: skip
ONE = Coil(2.1, 110e-12, 4e3)
HZ = np.geomspace(30.0, 15e3, 8)
PLAIN = Controls(250e3, resistance_ohm=1e6, capacitance_f=500e-12)


@settings(deadline=None, max_examples=60, derandomize=True)
@given(COILS, COILS, CONNECTIONS, st.booleans(), st.floats(-0.9, 0.9), SIGNS, SIGNS)
def test_two_coils_are_what_the_node_equations_give(
    first: Coil, second: Coil, connection: Connection, swapped: bool, coupling: float, winding: int, magnet: int
) -> None:
    coils = (WoundCoil(first), WoundCoil(second, 0.8, winding, magnet))
    found = loaded(combined(coils, connection, out_of_phase=swapped, coupling=coupling), LOAD)
    how = {"connection": connection, "out_of_phase": swapped, "coupling": coupling}
    strings = np.array([solved(coils, LOAD, hz, **how) for hz in HZ])
    hum = np.array([solved(coils, LOAD, hz, hum=True, **how) for hz in HZ])
    np.testing.assert_allclose(found.string.at(2j * np.pi * HZ), strings, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(found.hum.at(2j * np.pi * HZ), hum, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("connection", BOTH)
def test_two_coils_turned_round_in_winding_and_magnet_add_the_strings_and_cancel_hum(connection: Connection) -> None:
    """A fact of the trade (common practice, no source), which follows from the signs."""
    pair = (WoundCoil(ONE), WoundCoil(ONE, winding=-1, magnet=-1))
    found = loaded(combined(pair, connection), PLAIN)
    alone = loaded(combined([WoundCoil(ONE)]), PLAIN).string
    assert found.hum.silent
    gained_db = 20 * np.log10(abs(found.string.dc_gain) / abs(alone.dc_gain))
    assert gained_db == pytest.approx(6.02 if connection == "series" else 0.0, abs=0.25)


@pytest.mark.parametrize("connection", BOTH)
def test_swapped_leads_cancel_the_strings_and_add_hum(connection: Connection) -> None:
    pair = (WoundCoil(ONE), WoundCoil(ONE, winding=-1, magnet=-1))
    found = loaded(combined(pair, connection, out_of_phase=True), PLAIN)
    assert found.string.silent
    assert found.string.dc_db is None
    assert found.hum.dc_db is not None


def test_unlike_coils_out_of_phase_leave_their_difference() -> None:
    pair = (WoundCoil(ONE), WoundCoil(ONE, source=0.8))
    found = loaded(combined(pair, out_of_phase=True), Controls(capacitance_f=500e-12)).string
    assert found.dc_gain == pytest.approx(0.2)


@settings(deadline=None, max_examples=40, derandomize=True)
@given(COILS, CONNECTIONS, st.floats(-0.5, 0.5))
def test_two_like_coils_in_phase_are_one_coil(coil: Coil, connection: Connection, coupling: float) -> None:
    pair = (WoundCoil(coil), WoundCoil(coil))
    single = one_coil(pair, connection, coupling=coupling)
    assert single is not None
    found = loaded(combined(pair, connection, coupling=coupling), PLAIN).string
    by = 2 if connection == "series" else 1
    expected = by * resonance(single, Load(200e3, 500e-12)).at(2j * np.pi * HZ)
    np.testing.assert_allclose(found.at(2j * np.pi * HZ), expected, rtol=1e-9)
    assert combined(pair, connection).resistance_ohm == pytest.approx(single.resistance_ohm)


def test_parallel_coils_resonate_above_those_in_series() -> None:
    series, parallel = (
        loaded(combined((WoundCoil(ONE), WoundCoil(ONE)), how), PLAIN).string.peak().hz
        for how in ("series", "parallel")
    )
    assert series is not None
    assert parallel is not None
    assert parallel > 1.8 * series


def test_unlike_coils_are_no_single_coil() -> None:
    assert one_coil((WoundCoil(ONE), WoundCoil(Coil(2.2, 110e-12, 4e3))), "series") is None


@pytest.mark.parametrize(
    ("coils", "how", "message"),
    [
        ((), {}, "One coil or two"),
        ((WoundCoil(ONE),) * 3, {}, "got 3"),
        ((WoundCoil(ONE),) * 2, {"coupling": 1.0}, "between -1 and 1"),
        ((WoundCoil(Coil(0.0, 1e-10, 1e3)),), {}, "L > 0"),
        ((WoundCoil(ONE, winding=2),), {}, "1 or -1"),
        ((WoundCoil(Coil(1.0, 1e-10, 0.0)), WoundCoil(ONE)), {"connection": "parallel"}, "current without limit"),
        ((WoundCoil(ONE),) * 2, {"connection": "crossed"}, "series or parallel"),
    ],
)
def test_impossible_pairs_are_refused(coils: tuple[WoundCoil, ...], how: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        combined(coils, **how)  # type: ignore[arg-type]
