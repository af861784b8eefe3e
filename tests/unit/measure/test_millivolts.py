"""Measurements through a calibration: values, uncertainty, reasons; and a whole take in known volts."""

import copy
import json
import math
from typing import Any

import numpy as np
import pytest

from coilbench_worker.measure.calibration import GainCalibration, from_tone, stated
from coilbench_worker.measure.catalogue import QUANTITIES
from coilbench_worker.measure.millivolts import LEVELS, calibrated
from coilbench_worker.measure.results import to_document
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import RecordingFacts
from material.plain_take import RATE_HZ, measured, plain_measurement, plain_samples
from material.tones import measured_tone, rounded, sine

FULL_SCALE = stated(20.0, full_scale_v_rms=0.5, expanded_uncertainty_db=0.3)


def document() -> dict[str, Any]:
    made: dict[str, Any] = json.loads(json.dumps(to_document(plain_measurement())))
    return made


def test_catalogue_lists_what_is_put_in() -> None:
    assert {entry.key for entry in QUANTITIES if entry.calibrated} == set(LEVELS)
    assert all(entry.unit == "mV" and entry.of == "strum" for entry in QUANTITIES if entry.calibrated)


def test_stored_measurement_is_left_as_it_is() -> None:
    before = document()
    after = copy.deepcopy(before)
    calibrated(after, FULL_SCALE, "", chain="room-one")
    calibrated(after, None, "the description names no chain")
    assert after == before


def test_every_strum_has_its_millivolts() -> None:
    found = calibrated(document(), FULL_SCALE, "")
    for strum in found["strums"]:
        for key, level in LEVELS.items():
            expected = 500.0 * math.sqrt(2) * 10 ** (strum["quantities"][level] / 20)
            assert strum["quantities"][key] == pytest.approx(expected, abs=1e-6)
            assert key not in strum["reasons"]


def test_mean_is_the_mean_of_millivolts_with_its_interval_and_expanded_uncertainty() -> None:
    found = calibrated(document(), FULL_SCALE, "")
    values = [strum["quantities"]["rms_mv"] for strum in found["strums"]]
    entry = found["summary"]["rms_mv"]
    assert entry["mean"] == pytest.approx(np.mean(values), abs=1e-5)
    assert entry["sd"] == pytest.approx(np.std(values, ddof=1), abs=1e-5)
    assert (entry["n"], entry["min"], entry["max"]) == (3, min(values), max(values))
    assert entry["high"] - entry["mean"] == pytest.approx(4.3027 * entry["sd"] / math.sqrt(3), rel=1e-4)
    repeatability = entry["sd"] / math.sqrt(3)
    total = math.hypot(repeatability, entry["mean"] * 0.15 * math.log(10) / 20)
    assert entry["expanded_uncertainty_mv"] / entry["coverage_factor"] == pytest.approx(total, rel=1e-4)
    assert entry["degrees_of_freedom"] == pytest.approx(total**4 / (repeatability**4 / 2), rel=1e-3)
    assert set(entry) == {
        "mean", "sd", "n", "low", "high", "min", "max",
        "expanded_uncertainty_mv", "coverage_factor", "degrees_of_freedom",
    }  # fmt: skip


def test_block_says_what_was_applied() -> None:
    block = calibrated(document(), FULL_SCALE, "", chain="room-one")["calibration"]
    assert (block["chain"], block["input_gain_db"], block["by"]) == ("room-one", 20.0, "stated")
    assert block["full_scale_v_rms"] == 0.5
    assert block["full_scale_dbu"] == pytest.approx(-3.802, abs=1e-3)
    assert (block["expanded_uncertainty_db"], block["coverage_factor"]) == (pytest.approx(0.3), 2.0)
    assert [line["source"] for line in block["budget"]] == ["stated full scale"]


def test_without_a_calibration_everything_is_null_with_the_reason() -> None:
    found = calibrated(document(), None, "the description names no chain")
    assert found["calibration"] is None
    for strum in found["strums"]:
        for key in LEVELS:
            assert strum["quantities"][key] is None
            assert strum["reasons"][key] == "the description names no chain"
    for key in LEVELS:
        entry = found["summary"][key]
        assert entry["n"] == 0
        assert all(value is None for name, value in entry.items() if name != "n")
    json.dumps(found, allow_nan=False)


def test_level_that_is_null_gives_its_own_reason() -> None:
    made = document()
    made["strums"][1]["quantities"]["rms_dbfs"] = None
    made["strums"][1]["reasons"]["rms_dbfs"] = "the strum ended before the level window did"
    found = calibrated(made, FULL_SCALE, "")
    assert found["strums"][1]["quantities"]["rms_mv"] is None
    assert found["strums"][1]["reasons"]["rms_mv"] == "the strum ended before the level window did"
    assert found["strums"][1]["quantities"]["peak_mv"] is not None
    assert (found["summary"]["rms_mv"]["n"], found["summary"]["peak_mv"]["n"]) == (2, 3)


def test_one_strum_alone_has_no_expanded_uncertainty() -> None:
    made = document()
    made["strums"] = made["strums"][:1]
    entry = calibrated(made, FULL_SCALE, "")["summary"]["peak_mv"]
    assert entry["mean"] is not None
    assert (entry["n"], entry["expanded_uncertainty_mv"], entry["coverage_factor"]) == (1, None, None)


def test_strums_all_alike_leave_the_calibration_alone() -> None:
    made = document()
    for strum in made["strums"]:
        strum["quantities"]["rms_dbfs"] = -20.0
    entry = calibrated(made, FULL_SCALE, "")["summary"]["rms_mv"]
    assert entry["degrees_of_freedom"] is None
    assert entry["coverage_factor"] == pytest.approx(1.96, abs=1e-3)
    assert entry["expanded_uncertainty_mv"] == pytest.approx(1.96 * entry["mean"] * 0.15 * math.log(10) / 20, rel=1e-3)


def input_of(full_scale_v_rms: float) -> tuple[float, GainCalibration]:
    """Volts to samples of an input whose full scale only a recorded tone of 100 mV tells."""
    samples_per_volt = 1.0 / (math.sqrt(2) * full_scale_v_rms)
    tone = measured_tone(rounded(sine(997.0, 0.1 * math.sqrt(2) * samples_per_volt), 24))
    return samples_per_volt, from_tone(20.0, tone, tone_v_rms=0.1, expanded_uncertainty_percent=0.5)


@pytest.mark.parametrize("full_scale_v_rms", [0.3, 1.1])
def test_volts_played_into_an_unknown_input_come_out_as_millivolts(full_scale_v_rms: float) -> None:
    samples_per_volt, calibration = input_of(full_scale_v_rms)
    volts = 0.5 * plain_samples()
    recorded = rounded(volts * samples_per_volt, 24)
    facts = RecordingFacts(encoding="pcm_s24", container="wav", integer_bits=24)
    made = to_document(measured(recorded, facts=facts, settings=MeasureSettings()))
    found = calibrated(made, calibration, "")
    for strum in found["strums"]:
        start = round(strum["onset_s"] * RATE_HZ)
        window = volts[start : start + RATE_HZ // 2]
        assert strum["quantities"]["peak_mv"] == pytest.approx(1000 * np.abs(window).max(), rel=2e-4)
        assert strum["quantities"]["rms_mv"] == pytest.approx(1000 * np.sqrt(np.mean(window**2)), rel=2e-4)
