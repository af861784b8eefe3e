"""The processors of the tests do what their definitions say."""

from math import inf

import numpy as np
import pytest

from material.processing import Compressor, Gate, OverdrivenInput

RATE_HZ = 48_000
TIME_S = np.arange(2 * RATE_HZ) / RATE_HZ
TONE = np.sin(2 * np.pi * 200 * TIME_S)


@pytest.mark.parametrize("ratio", [1.5, 2.0, 4.0, inf])
@pytest.mark.parametrize("over_db", [-6.0, 6.0, 20.0])
def test_steady_tone_comes_out_where_the_ratio_says(ratio: float, over_db: float) -> None:
    """Closed form: threshold + excess / ratio; 0.3 dB, as the detector sags between crests."""
    made = Compressor(-over_db, ratio, release_s=0.3).processed(TONE, RATE_HZ)
    peak_db = 20 * np.log10(np.max(np.abs(made[RATE_HZ:])))
    assert peak_db == pytest.approx(-over_db + over_db / ratio if over_db > 0 else 0.0, abs=0.3)


def test_soft_knee_meets_both_lines() -> None:
    """Closed form: at the threshold a knee of w dB takes (1 - 1/ratio) w / 8 off."""
    soft = Compressor(-20.0, 4.0, knee_db=10.0)
    assert soft.static(np.array([-30.0, -25.0, -20.0, -15.0, 0.0])) == pytest.approx(
        [-30.0, -25.0, -20.0 - 0.75 * 10 / 8, -20 + 5 / 4, -20 + 20 / 4]
    )


def test_attack_and_release_take_their_time() -> None:
    step = np.where((TIME_S > 0.5) & (TIME_S < 1.2), 1.0, 0.05) * TONE
    gain_db = Compressor(-20.0, inf, attack_s=0.02, release_s=0.2).gain_db(step, RATE_HZ)
    at = lambda time_s: float(gain_db[round(time_s / 0.0002083)])  # noqa: E731  (10 samples a step)
    assert at(0.5 + 0.02) == pytest.approx(-20 * (1 - np.exp(-1)), abs=1.5)
    assert at(1.1) == pytest.approx(-20.0, abs=0.5)
    assert at(1.2 + 0.22) == pytest.approx(-20 * np.exp(-1), abs=1.5)


def test_limiter_that_looks_ahead_holds_every_peak() -> None:
    step = np.where(TIME_S > 0.5, 1.0, 0.05) * TONE
    made = Compressor(-12.0, inf, attack_s=0.0005, release_s=0.3, ahead_s=0.004).processed(step, RATE_HZ)
    assert 20 * np.log10(np.max(np.abs(made))) == pytest.approx(-12.0, abs=0.3)


def test_gate_lets_its_range_less_through_when_shut() -> None:
    step = np.where(TIME_S < 1.0, 1.0, 0.001) * TONE
    gain_db = Gate(-40.0, range_db=30.0, hold_s=0.1, release_s=0.1).gain_db(step, RATE_HZ)
    middle = gain_db.size // 4
    assert gain_db[middle] == pytest.approx(0.0, abs=0.01)
    assert gain_db[-1] == -30.0


@pytest.mark.parametrize("softness", [0.0, 0.2])
def test_overdriven_input_keeps_its_ceilings(softness: float) -> None:
    made = OverdrivenInput(0.5, low_ceiling=0.3, softness=softness, oversampling=1, hiss_dbfs=None).processed(
        TONE, RATE_HZ
    )
    assert made.max() == pytest.approx(0.5, rel=0.01)
    assert made.min() == pytest.approx(-0.3, rel=0.01)


def test_converters_filter_makes_the_tops_ripple_a_little() -> None:
    made = OverdrivenInput(0.5, hiss_dbfs=None).processed(TONE, RATE_HZ)[1000:-1000]
    assert 0.5 < made.max() < 0.51
