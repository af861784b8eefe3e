"""Checks of what was said about a take."""

from typing import Any

import pytest

from coilbench_worker.measure.calibration import ChainCalibrations, calibration_state, stated
from coilbench_worker.measure.description import description_checks
from coilbench_worker.measure.results import Check

AT_20 = (stated(20.0, full_scale_v_rms=0.5, expanded_uncertainty_db=0.3),)


def checks(about: dict[str, Any], chain: ChainCalibrations | None = None) -> tuple[Check, ...]:
    return description_checks(about, calibration_state(about, chain))


@pytest.mark.parametrize("about", [{}, {"input_gain_db": None}, {"label": "one", "pickup": "harbour-neck"}])
def test_take_of_unknown_gain_is_noted(about: dict[str, Any]) -> None:
    for found in (description_checks(about), checks(about)):
        (check,) = found
        assert (check.code, check.severity) == ("gain-unknown", "note")
        assert "input_gain_db" in check.message


@pytest.mark.parametrize("gain_db", [0, 0.0, -12.5, 30])
def test_take_of_known_gain_is_not(gain_db: float) -> None:
    assert description_checks({"input_gain_db": gain_db}) == ()
    assert checks({"input_gain_db": gain_db}) == ()


def test_take_at_a_calibrated_gain_is_fine() -> None:
    assert checks({"chain": "room-one", "input_gain_db": 20}, ChainCalibrations("room-one", AT_20)) == ()


@pytest.mark.parametrize(
    ("chain", "words"),
    [
        (None, "there is no chain 'room-one'"),
        (ChainCalibrations("room-one", ()), "the chain 'room-one' has no calibration"),
        (ChainCalibrations("room-one", AT_20), "not calibrated at a gain of 26 dB, only at 20 dB"),
    ],
)
def test_take_at_a_gain_without_calibration_is_cautioned(chain: ChainCalibrations | None, words: str) -> None:
    (check,) = checks({"chain": "room-one", "input_gain_db": 26.0}, chain)
    assert (check.code, check.severity) == ("gain-uncalibrated", "caution")
    assert words in check.message
    assert "Calibrate the chain at this gain" in check.message
    assert check.values == {"chain": "room-one", "input_gain_db": 26.0}


def test_calibration_moved_by_the_gain_difference_is_noted_with_its_numbers() -> None:
    (check,) = checks({"chain": "room-one", "input_gain_db": 26}, ChainCalibrations("room-one", AT_20, 0.4))
    assert (check.code, check.severity) == ("gain-uncalibrated", "note")
    assert "moved by +6 dB to a gain of 26 dB; it is uncertain by 0.50 dB (k = 2)" in check.message
    assert check.values["moved_db"] == pytest.approx(6.0)
    assert check.values["expanded_uncertainty_db"] == pytest.approx(0.5)


def test_chain_without_a_gain_is_noted_once() -> None:
    (check,) = checks({"chain": "room-one"}, ChainCalibrations("room-one", AT_20))
    assert check.code == "gain-unknown"


def test_unknown_chain_without_a_gain_is_told_of_both() -> None:
    assert [check.code for check in checks({"chain": "room-two"})] == ["gain-unknown", "gain-uncalibrated"]
