"""Quantities of the take that are None say why."""

import numpy as np
import pytest

from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.take_reasons import take_reasons
from material.plain_take import RATE_HZ, measured, plain_measurement, plain_samples

ONE = slice(0, round(2.6 * RATE_HZ))


def test_take_with_all_its_quantities_gives_reasons_for_hum_only() -> None:
    """The plain take has none."""
    assert set(plain_measurement().reasons) == {"hum_hz", "hum_dbfs"}
    assert "no steady lines" in plain_measurement().reasons["hum_hz"]


@pytest.mark.parametrize(
    ("samples", "settings", "key", "words"),
    [
        (plain_samples()[ONE], MeasureSettings(), "evenness_db", "two strums"),
        (plain_samples() * 1e-5, MeasureSettings(), "loudness_integrated_lufs", "-70 LUFS"),
        (plain_samples()[round(0.59 * RATE_HZ) :][: round(0.7 * RATE_HZ)], MeasureSettings(), "snr_db", "not known"),
        (plain_samples(), MeasureSettings(level_window_s=(0, 6)), "snr_db", "no strum has an RMS level"),
        (plain_samples(), MeasureSettings(level_window_s=(0, 6)), "rms_energy_dbfs", "ends before its window"),
        (plain_samples(), MeasureSettings(level_window_s=(0, 6)), "evenness_db", "no strum has an RMS level"),
        (np.where(np.arange(8 * RATE_HZ) < 0.55 * RATE_HZ, 0.0, plain_samples())[: 6 * RATE_HZ], MeasureSettings(),
         "noise_dbfs", "silence"),
    ],
)  # fmt: skip
def test_empty_quantity_of_a_take_says_why(
    samples: FloatArray, settings: MeasureSettings, key: str, words: str
) -> None:
    found = measured(samples, settings=settings)
    assert {**found.take_quantities, **found.noise}[key] is None
    assert words in found.reasons[key]


def test_recording_shorter_than_a_gating_block_has_no_loudness_and_says_so() -> None:
    found = take_reasons({"loudness_integrated_lufs": None}, {}, plain_measurement().strums, {}, 0.35)
    assert found == {"loudness_integrated_lufs": "the recording is shorter than 0.4 s, one gating block"}
