"""More turns: resistance, inductance, resonance, and what arrives at the load."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.coil.bobbin import Bobbin
from coilbench_worker.coil.circuit import Coil
from coilbench_worker.coil.controls import Controls
from coilbench_worker.coil.rewound import mean_turn_ratio, rewound
from coilbench_worker.coil.wire import diameter_of_gauge

PLAIN = Coil(2.3, 110e-12, 6000.0)
USUAL = Controls(250e3, tone_ohm=250e3, resistance_ohm=1e6, capacitance_f=500e-12)
BOBBIN = Bobbin(56.0, 5.0, 11.0, 9.0)
LONGER = mean_turn_ratio(BOBBIN, diameter_of_gauge(42), 8000, 2.0)


def test_twice_the_turns_are_four_times_the_inductance_and_more_than_twice_the_resistance() -> None:
    found = rewound(PLAIN, USUAL, times=2.0, length_ratio=LONGER)
    assert found.inductance_ratio == 4.0
    assert 2.05 < found.resistance_ratio < 2.4
    assert found.capacitance_ratio > 1.0
    assert found.source_db == pytest.approx(6.0206, abs=1e-4)


def test_twice_the_turns_do_not_double_the_output() -> None:
    """A fact of the trade (common practice, no source), which follows from the load: less than 6 dB everywhere low."""
    found = rewound(PLAIN, USUAL, times=2.0, length_ratio=LONGER)
    low_hz = np.array([1.0, 82.0, 200.0])
    change_db = found.change_db(low_hz)
    assert np.all(change_db < 6.0)
    assert np.all(change_db > 4.0)
    alone = rewound(PLAIN, Controls(resistance_ohm=10e6), times=2.0, length_ratio=LONGER)
    assert alone.change_db(np.array([1.0]))[0] == pytest.approx(6.02, abs=0.02)


def test_overwound_coil_loses_top_and_resonates_lower() -> None:
    """A fact of the trade: common practice, no source."""
    found = rewound(PLAIN, USUAL, times=1.3, length_ratio=1.03)
    low_db, high_db = found.change_db(np.array([200.0, 6000.0]))
    assert low_db > 0 > high_db
    before_hz, after_hz = found.before.peak().hz, found.after.peak().hz
    assert before_hz is not None
    assert after_hz is not None
    assert after_hz < before_hz


@settings(deadline=None, max_examples=30, derandomize=True)
@given(st.floats(0.3, 3.0), st.floats(0.8, 1.3))
def test_taking_turns_on_and_off_again_leaves_the_coil_as_it_was(times: float, longer: float) -> None:
    there = rewound(PLAIN, USUAL, times=times, length_ratio=longer)
    back = rewound(there.coil, USUAL, times=1 / times, length_ratio=1 / longer).coil
    for name in ("inductance_h", "capacitance_f", "resistance_ohm"):
        assert getattr(back, name) == pytest.approx(getattr(PLAIN, name), rel=1e-12)


def test_factors_that_can_not_be_are_refused() -> None:
    with pytest.raises(ValueError, match="factors > 0"):
        rewound(PLAIN, USUAL, times=0.0)
