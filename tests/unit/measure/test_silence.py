"""Digital silence: where it is, and that it never passes for the noise of a take that has some."""

import numpy as np
import pytest

from coilbench_worker.measure.quiet import noise_floor, quiet_stretches
from coilbench_worker.measure.silence import silent_frames, silent_stretches
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.survey import BANDS, Survey
from material.plain_take import RATE_HZ, measured, plain_measurement, plain_samples

HOP = 384
NOISE = 1e-7


def course(power: FloatArray) -> Survey:
    """The survey of a take of this course at 48 kHz, a frame each 8 ms."""
    news, bands = np.zeros(power.size, dtype=np.float32), np.zeros((power.size, BANDS), dtype=np.float32)
    return Survey(RATE_HZ, HOP, power, power == 0.0, bands, news, news, 0.0, None)


def test_runs_of_zeros_count_from_40_ms() -> None:
    power = np.full(100, NOISE)
    power[10:14] = 0.0
    power[50:55] = 0.0
    power[98:] = 0.0
    assert silent_stretches(course(power)) == [(50, 55)]
    assert np.flatnonzero(silent_frames(course(power))).tolist() == [50, 51, 52, 53, 54]


def gated_pause() -> Survey:
    """Noise for 0.8 s, a strum that falls by 60 dB/s, then zeros from 1.6 s on with one breath of noise in them."""
    power = np.full(500, NOISE)
    power[100:] += 0.01 * 10.0 ** (-6.0 * 0.008 * np.arange(400))
    power[200:] = 0.0
    power[330:345] = NOISE / 3
    return course(power)


def test_noise_is_that_before_the_gate_closed() -> None:
    assert noise_floor(gated_pause(), [100 * HOP]) == pytest.approx(NOISE)


def test_pieces_that_hold_digital_silence_are_no_quiet_stretches() -> None:
    spans = [(0, 96 * HOP), (204 * HOP, 500 * HOP)]
    assert quiet_stretches(gated_pause(), spans, NOISE) == [(0, 96 * HOP)]


def test_digital_silence_alone_is_a_quiet_stretch() -> None:
    power = np.zeros(500)
    power[200:] = 1e-3
    assert quiet_stretches(course(power), [(0, 200 * HOP)], 1e-10) == [(0, 200 * HOP)]


def test_noise_below_minus_100_dbfs_is_the_floor_as_it_is() -> None:
    assert noise_floor(course(np.full(500, 1e-12)), []) == pytest.approx(1e-12)


def test_take_faded_out_to_zeros_keeps_the_noise_of_its_begin() -> None:
    """In 16 bits; the last millivolts of the fade among the zeros once were taken for noise of -114 dBFS."""
    faded = plain_samples()
    faded = np.concatenate((faded[: 7 * RATE_HZ], faded[7 * RATE_HZ :] * np.linspace(1, 0, RATE_HZ) ** 2))
    faded = np.concatenate((np.round(faded * 32768) / 32768, np.zeros(3 * RATE_HZ)))
    assert measured(faded).noise["noise_dbfs"] == pytest.approx(plain_measurement().noise["noise_dbfs"], abs=0.2)


def test_very_quiet_take_of_a_fine_converter_is_measured_like_a_loud_one() -> None:
    quiet, loud = measured(plain_samples() / 1000.0), plain_measurement()
    for before, after in zip(loud.strums, quiet.strums, strict=True):
        assert (after.end_s, after.ended_by) == (before.end_s, before.ended_by)
        assert after.quantities["decay_db_per_s"] == pytest.approx(before.quantities["decay_db_per_s"])
    assert loud.noise["noise_dbfs"] is not None
    assert quiet.noise["noise_dbfs"] == pytest.approx(loud.noise["noise_dbfs"] - 60.0)
