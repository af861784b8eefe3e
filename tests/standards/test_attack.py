"""Attack times of ramps that have closed forms: 0.8 T, 0.590334 T, tau ln 9 (arithmetic)."""

import math

import numpy as np
import pytest

from coilbench_worker.measure.envelope import attack
from coilbench_worker.measure.source import FloatArray

RATE_HZ = 48_000


def ramped(shape: str, ramp_s: float, frequency_hz: float) -> FloatArray:
    """20 ms of silence, then a sine that rises over `ramp_s` and stays, 0.12 s in all after the onset."""
    time_s = np.arange(round(0.12 * RATE_HZ)) / RATE_HZ
    share = np.minimum(time_s / ramp_s, 1.0)
    gain = {
        "linear": share,
        "raised cosine": 0.5 - 0.5 * np.cos(np.pi * share),
        "exponential": 1.0 - np.exp(-time_s / ramp_s),
    }[shape]
    return np.concatenate((np.zeros(960), gain * np.sin(2 * np.pi * frequency_hz * time_s)))


RAMPS = [("linear", 0.8), ("raised cosine", 0.590334)]


@pytest.mark.parametrize("frequency_hz", [1000.0, 3000.0])
@pytest.mark.parametrize("ramp_s", [0.01, 0.02, 0.04, 0.08])
@pytest.mark.parametrize(("shape", "share"), RAMPS)
def test_attack_of_a_ramp_is_its_share_of_the_ramp(
    shape: str, share: float, ramp_s: float, frequency_hz: float
) -> None:
    """Within 1 %, or 0.15 ms where the 1 ms window smooths the shortest ramps."""
    measured = attack(ramped(shape, ramp_s, frequency_hz), RATE_HZ, onset=960)
    assert measured.ms == pytest.approx(1000 * share * ramp_s, rel=0.01, abs=0.15)


@pytest.mark.parametrize("tau_s", [0.005, 0.01])
def test_attack_of_an_exponential_rise_is_tau_ln_9(tau_s: float) -> None:
    measured = attack(ramped("exponential", tau_s, 2000.0), RATE_HZ, onset=960)
    assert measured.ms == pytest.approx(1000 * tau_s * math.log(9), rel=0.02)
