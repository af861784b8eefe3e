"""Sustain and hold of exponentials, alone and over noise: 20 dB take T60 / 3."""

from collections.abc import Callable

import numpy as np
import pytest

from coilbench_worker.measure.cells import Cells, cells
from coilbench_worker.measure.envelope import Sustain, sustain

Deviation = Callable[..., None]

CLOSED_FORM = "closed form"
RATE_HZ = 48_000
SEEDS = 24


@pytest.mark.standard("sustain of exponentials", CLOSED_FORM, "T60 / 3", tolerance=0.5, unit="%")
@pytest.mark.parametrize("fall_60_s", [1.0, 3.0, 8.0])
def test_sustain_and_hold_of_an_exponential(fall_60_s: float, deviation: Deviation) -> None:
    """20 dB take T60 / 3; 1 s after the onset the level is 60 / T60 dB lower, less the 25 ms to the first window's
    centre.
    """
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    strum = 10 ** (-3 * time_s / fall_60_s) * np.sin(2 * np.pi * 220 * time_s)
    measured = sustain(cells(strum, RATE_HZ))
    assert measured.sustain_20_s is not None
    deviation(100 * (measured.sustain_20_s / (fall_60_s / 3) - 1))
    assert measured.hold_1s_db == pytest.approx(-60 / fall_60_s * (1.0 - 0.025), rel=0.005)


@pytest.mark.standard("sustain over noise, bias", CLOSED_FORM, "T60 / 3", tolerance=2.0, unit="%")
@pytest.mark.standard("hold over noise, bias", CLOSED_FORM, "60 / T60 dB in 1 s", tolerance=0.15, unit="dB")
@pytest.mark.parametrize("fall_60_s", [1.0, 3.0, 8.0])
def test_sustain_and_hold_over_noise_are_right_or_not_given(fall_60_s: float, deviation: Deviation) -> None:
    """Noise taken off; left as it is, a floor 26 dB down makes sustain 6 % too long. 24 seeds."""
    for floor_db in (60, 40, 30, 28, 26, 24, 20):
        found = [sustain_over_noise(fall_60_s, floor_db, seed) for seed in range(SEEDS)]
        values = [each.sustain_20_s for each in found if each.sustain_20_s is not None]
        assert len(values) == SEEDS if floor_db >= 28 else floor_db == 26 or not values
        if len(values) == SEEDS:
            deviation(100 * (float(np.mean(values)) * 3 / fall_60_s - 1), of="sustain over noise, bias")
        levels = [each.hold_1s_db for each in found if each.hold_1s_db is not None]
        assert not levels or 60 / fall_60_s + 4 <= floor_db
        if 60 / fall_60_s + 7 < floor_db:
            assert len(levels) == SEEDS
            deviation(float(np.mean(levels)) + 60 / fall_60_s * 0.975, of="hold over noise, bias")


def sustain_over_noise(fall_60_s: float, floor_db: float, seed: int) -> Sustain:
    time_s = (np.arange(5000) + 0.5) / 1000
    noise = 10 ** (-floor_db / 10)
    energies = (10 ** (-6 * time_s / fall_60_s) + noise) * np.random.default_rng(seed).chisquare(48, time_s.size)
    found = sustain(Cells(energies, 0.001, 48), noise_power=noise)
    assert (found.sustain_20_s is None) == bool(found.sustain_reason)
    assert (found.hold_1s_db is None) == bool(found.hold_reason)
    return found
