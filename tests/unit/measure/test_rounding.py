"""The noise of rounding to integers: what it is, and that a quiet take in 16 bits decays like the same unrounded."""

import numpy as np
import pytest

from coilbench_worker.measure.levels import power
from coilbench_worker.measure.noise import QuietStretches, with_rounding
from coilbench_worker.measure.source import FloatArray, RecordingFacts
from material.plain_take import RATE_HZ, measured, plain_measurement, plain_samples

SIXTEEN = RecordingFacts(encoding="pcm_s16", container="wav", integer_bits=16)


def rounded(samples: FloatArray, bits: int) -> FloatArray:
    steps = 2.0 ** (bits - 1)
    return np.round(samples * steps) / steps


@pytest.mark.parametrize("bits", [8, 16, 24])
def test_noise_of_rounding_is_a_twelfth_of_a_squared_step(bits: int) -> None:
    """16 bits: -101.10 dBFS (checkvalues.md, 5); here loud noise is rounded and what was lost is weighed."""
    loud = 0.2 * np.random.default_rng(3).standard_normal(10 * RATE_HZ)
    lost = power(rounded(loud, bits) - loud)
    noise = with_rounding(QuietStretches(RATE_HZ).noise(), bits, RATE_HZ)
    assert noise.power == pytest.approx(lost, rel=0.02)
    assert noise.band_power["treble"] == pytest.approx(lost * (11220.18 - 2818.38) / 24000.0, rel=0.02)


def test_greater_noise_and_floating_point_stay_as_they_are() -> None:
    stretches = QuietStretches(RATE_HZ)
    stretches.feed(1e-3 * np.random.default_rng(7).standard_normal(2 * RATE_HZ))
    noise = stretches.noise()
    assert with_rounding(noise, 16, RATE_HZ) == noise
    nothing = QuietStretches(RATE_HZ).noise()
    assert with_rounding(nothing, None, RATE_HZ) == nothing


@pytest.mark.parametrize("gain_db", [-33.0, -43.0])
def test_quiet_take_in_16_bits_decays_like_the_same_take_unrounded(gain_db: float) -> None:
    """Peaks of -40 and -50 dBFS over digital silence; the rounding once halved the decay of the treble."""
    quiet = measured(rounded(10.0 ** (gain_db / 20.0) * plain_samples(), 16), facts=SIXTEEN)
    assert quiet.noise["noise_dbfs"] is None
    for true, found in zip(plain_measurement().strums, quiet.strums, strict=True):
        assert found.quantities["decay_db_per_s"] == pytest.approx(true.quantities["decay_db_per_s"], rel=0.01)
        told = [part for part in ("middle", "treble") if true.band_decay_db_per_s[part] is not None]
        assert "treble" in told
        for part in told:
            assert found.band_decay_db_per_s[part] == pytest.approx(true.band_decay_db_per_s[part], rel=0.02)
