"""Calibrations of a chain: made, kept, moved between gains, and chosen for a take."""

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench_worker.measure.calibration import (
    ChainCalibrations,
    GainCalibration,
    at_gain,
    calibration_state,
    dbu_to_v_rms,
    from_document,
    from_tone,
    in_words,
    stated,
    v_rms_to_dbu,
)
from coilbench_worker.measure.reference_tone import ReferenceTone

TONE = ReferenceTone(
    frequency_hz=1000.0,
    rms_dbfs=-12.0,
    standard_uncertainty_db=0.004,
    degrees_of_freedom=35,
    distortion_db=-58.0,
    harmonics_db=-60.0,
    stability_db=0.03,
    frequency_spread_hz=0.01,
    start_s=0.5,
    duration_s=9.0,
)


def known(gain_db: float, full_scale_v_rms: float = 1.0, uncertainty_db: float = 0.2) -> GainCalibration:
    return stated(gain_db, full_scale_v_rms=full_scale_v_rms, expanded_uncertainty_db=uncertainty_db)


def test_stated_full_scale_keeps_what_was_stated() -> None:
    found = stated(20.0, full_scale_v_rms=dbu_to_v_rms(-2.0), expanded_uncertainty_db=0.3)
    assert (found.by, found.input_gain_db, found.moved_db) == ("stated", 20.0, 0.0)
    assert found.full_scale_dbu == pytest.approx(-2.0)
    assert found.standard_uncertainty_db == pytest.approx(0.15)
    assert (found.expanded_uncertainty_db, found.coverage_factor) == (pytest.approx(0.3), 2.0)


def test_other_coverage_factor_is_divided_out() -> None:
    found = stated(0.0, full_scale_v_rms=1.0, expanded_uncertainty_db=0.3, coverage_factor=3.0)
    assert found.standard_uncertainty_db == pytest.approx(0.1)


def test_tone_gives_full_scale_and_a_budget_line_by_line() -> None:
    found = from_tone(20.0, TONE, tone_v_rms=0.1, expanded_uncertainty_percent=2.0)
    assert found.full_scale_v_rms == pytest.approx(0.1 / math.sqrt(2) * 10 ** (12 / 20))
    budget = {one.source: (one.standard_uncertainty_db, one.degrees_of_freedom) for one in found.budget}
    assert budget == {
        "voltage of the tone": (pytest.approx(0.0869, abs=1e-4), None),
        "level of the tone as recorded": (0.004, 35),
        "steadiness of the tone": (pytest.approx(0.03 / 2 / math.sqrt(3)), None),
        "harmonics of the tone": (pytest.approx(0.001 * 3 * 8.6859 / math.sqrt(3), rel=1e-4), None),
    }
    assert found.standard_uncertainty_db == pytest.approx(math.sqrt(sum(u * u for u, _ in budget.values())))


def test_harmonics_that_can_not_be_seen_count_as_much_as_a_tone_may_have() -> None:
    found = from_tone(20.0, replace(TONE, harmonics_db=None), tone_v_rms=0.1, expanded_uncertainty_percent=2.0)
    assert found.budget[-1].standard_uncertainty_db == pytest.approx(0.03 * 8.6859 / math.sqrt(3), rel=1e-4)


def test_tone_reads_its_own_voltage_back() -> None:
    found = from_tone(20.0, TONE, tone_v_rms=0.1, expanded_uncertainty_percent=2.0)
    assert found.millivolts(TONE.rms_dbfs) == pytest.approx(100.0)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_voltage_that_is_none_is_refused_by_name(bad: float) -> None:
    with pytest.raises(ValueError, match=r"full_scale_v_rms = .*; give a number above 0"):
        known(0.0, bad)
    with pytest.raises(ValueError, match="tone_v_rms"):
        from_tone(0.0, TONE, tone_v_rms=bad, expanded_uncertainty_percent=1.0)
    with pytest.raises(ValueError, match="v_rms"):
        v_rms_to_dbu(bad)


@pytest.mark.parametrize("bad", [-0.1, math.nan, math.inf])
def test_uncertainty_that_is_none_is_refused_by_name(bad: float) -> None:
    with pytest.raises(ValueError, match=r"expanded_uncertainty_db = .*; give 0 or more"):
        known(0.0, 1.0, bad)
    with pytest.raises(ValueError, match="expanded_uncertainty_percent"):
        from_tone(0.0, TONE, tone_v_rms=1.0, expanded_uncertainty_percent=bad)
    with pytest.raises(ValueError, match="gain_step_uncertainty_db"):
        at_gain([known(10)], 20, gain_step_expanded_uncertainty_db=bad)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_gain_and_level_that_are_no_numbers_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="input_gain_db"):
        known(bad)
    with pytest.raises(ValueError, match="dBu"):
        dbu_to_v_rms(bad)


@given(st.floats(-100.0, 60.0))
@settings(deadline=None, max_examples=30, derandomize=True)
def test_dbu_and_volts_are_each_others_inverse(level_dbu: float) -> None:
    assert v_rms_to_dbu(dbu_to_v_rms(level_dbu)) == pytest.approx(level_dbu, abs=1e-9)


def test_document_gives_the_same_calibration_back() -> None:
    step = 0.2
    moved = at_gain([from_tone(20, TONE, tone_v_rms=0.1, expanded_uncertainty_percent=2)], 26.5,
                    gain_step_expanded_uncertainty_db=step)  # fmt: skip
    assert moved is not None
    for one in (known(10.0), moved):
        document = json.loads(json.dumps(one.to_document(), allow_nan=False))
        assert from_document(document) == one


def test_calibration_of_the_gain_itself_is_taken_as_it_is() -> None:
    calibrations = [known(10.0), known(20.0, 0.3), known(30.0)]
    for gain_db in (19.95, 20, 20.05):
        found = at_gain(calibrations, gain_db, gain_step_expanded_uncertainty_db=0.1)
        assert found == calibrations[1]


def test_newest_of_a_gain_counts() -> None:
    old, new = known(20.0, 0.3), known(20.02, 0.31)
    assert at_gain([old, known(10.0), new], 20.0, gain_step_expanded_uncertainty_db=None) == new
    moved = at_gain([old, new], 21.0, gain_step_expanded_uncertainty_db=0.1)
    assert moved is not None
    assert moved.full_scale_v_rms == pytest.approx(0.31 * 10 ** (-0.98 / 20))


@pytest.mark.parametrize("gain_db", [15.0, 20.06, 19.94, -3.0])
def test_without_trust_in_the_gain_steps_nothing_is_moved(gain_db: float) -> None:
    assert at_gain([known(10.0), known(20.0)], gain_db, gain_step_expanded_uncertainty_db=None) is None


def test_no_calibration_is_moved_from_nowhere() -> None:
    assert at_gain([], 20.0, gain_step_expanded_uncertainty_db=0.1) is None


@pytest.mark.parametrize(("gain_db", "source_db"), [(12.0, 10.0), (18.0, 20.0), (40.0, 20.0), (-5.0, 10.0)])
def test_nearest_gain_is_moved_by_the_difference_and_less_certain(gain_db: float, source_db: float) -> None:
    calibrations = [known(10.0, 2.0), known(20.0, 0.65)]
    found = at_gain(calibrations, gain_db, gain_step_expanded_uncertainty_db=0.4)
    (source,) = (one for one in calibrations if one.input_gain_db == source_db)
    assert found is not None
    assert (found.by, found.input_gain_db) == ("gain-difference", gain_db)
    assert found.moved_db == pytest.approx(gain_db - source_db)
    less_db = gain_db - source_db  # more gain, less full scale
    assert found.full_scale_dbu == pytest.approx(source.full_scale_dbu - less_db)
    assert found.budget[:-1] == source.budget
    assert (found.budget[-1].source, found.budget[-1].standard_uncertainty_db) == ("gain step", pytest.approx(0.2))
    assert found.expanded_uncertainty_db == pytest.approx(math.hypot(0.2, 0.4))


def test_of_two_gains_equally_near_the_more_certain_is_moved() -> None:
    found = at_gain([known(10.0, uncertainty_db=0.5), known(20.0)], 15.0, gain_step_expanded_uncertainty_db=0.1)
    assert found is not None
    assert found.moved_db == pytest.approx(-5.0)


CHAIN = ChainCalibrations("room-one", (known(10.0), known(20.0)), None)


@pytest.mark.parametrize(
    ("about", "chain", "reason"),
    [
        ({}, None, "the description names no chain"),
        ({"input_gain_db": 20.0}, None, "the description names no chain"),
        ({"chain": "room-two", "input_gain_db": 20.0}, None, "there is no chain 'room-two'"),
        ({"chain": "room-one", "input_gain_db": 20.0}, ChainCalibrations("room-one", ()), "has no calibration"),
        ({"chain": "room-one"}, CHAIN, "the description names no input gain, so that no calibration"),
        ({"chain": "room-one", "input_gain_db": 15.0}, CHAIN, "at a gain of 15 dB, only at 10 and 20 dB, and"),
    ],
)
def test_why_there_is_no_calibration_is_said(
    about: dict[str, object], chain: ChainCalibrations | None, reason: str
) -> None:
    state = calibration_state(about, chain)
    assert state.calibration is None
    assert reason in state.reason
    assert not state.reason.endswith(".")


def test_take_falls_under_the_calibration_of_its_gain() -> None:
    state = calibration_state({"chain": "room-one", "input_gain_db": 20}, CHAIN)
    assert state.calibration == CHAIN.calibrations[1]
    assert (state.reason, state.chain, state.input_gain_db) == ("", "room-one", 20.0)
    assert state.calibrated_gains_db == (10.0, 20.0)


def test_gains_are_listed_for_a_sentence() -> None:
    assert in_words([]) == "no gain"
    assert in_words([20.0]) == "20 dB"
    assert in_words([10.0, 20.0, 26.5]) == "10, 20 and 26.5 dB"
