"""What a report says beside its figures: what intervals rest on, what a calibration adds, what chance may do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from coilbench_service.report.baseline import Baseline
from coilbench_service.report.blocks import Paragraph, Section
from coilbench_service.report.conditions import conditions
from coilbench_service.report.contents import Contents, TakeTold
from coilbench_service.report.figures import figures
from coilbench_service.report.findings import compared, sentences

KEYS = ("harbour", "mill")
FULL_SCALE: dict[str, Any] = {
    "chain": "desk",
    "input_gain_db": 11.0,
    "by": "tone",
    "moved_db": 0.0,
    "full_scale_v_rms": 3.4676,
    "expanded_uncertainty_db": 0.087,
    "coverage_factor": 2.0,
}


def row(key: str, takes: int) -> dict[str, Any]:
    figures = {"rms_mv": 160.0, "rms_mv_sd": 5.0, "rms_mv_low": 150.0, "rms_mv_high": 170.0}
    return {"pickup": key, "takes": takes, "strums": 4 * takes, "rms_mv_expanded_uncertainty": 12.34, **figures}


def comparison(takes: int, *verdicts: str) -> dict[str, Any]:
    results = [
        {
            "other": "mill",
            "quantity": "rms_mv",
            "difference": 9.0,
            "low": 4.0,
            "high": 14.0,
            "unit": "mV",
            "smallest_shown": None,
            "withheld": None,
            "assumes": None,
            "verdict": verdict,
            "sentence": "mill against harbour.",
        }
        for verdict in verdicts
    ]
    subjects = [{"id": key, "takes": [f"{key}-{take}" for take in range(takes)], "strums": 4 * takes} for key in KEYS]
    return {"baseline": "harbour", "confidence": 0.95, "subjects": subjects, "results": results, "conditions": []}


def told(key: str, calibration: dict[str, Any] | None) -> TakeTold:
    take = {"id": key, "file": {"name": f"{key}.wav"}, "described": {"pickup": key}, "inherited": {}}
    return TakeTold(take, {"calibration": calibration}, 4)


def contents(takes: int = 2, calibration: dict[str, Any] | None = FULL_SCALE) -> Contents:
    return Contents(
        session="tuesday",
        sheet=None,
        sheets={},
        takes=tuple(told(key, calibration) for key in KEYS),
        rows=tuple(row(key, takes) for key in KEYS),
        level_reference="harbour",
        left_out=(),
        baseline=Baseline("harbour", None),
        comparison=comparison(takes, "higher"),
        without=None,
        made="2026-03-01T09:30:00Z",
        confidence=0.95,
        quantities=("rms_mv",),
        version="0",
    )


def paragraphs(section: Section) -> str:
    blocks = [*section.blocks, *(block for part in section.parts for block in part.blocks)]
    return " ".join(block.text for block in blocks if isinstance(block, Paragraph))


def test_millivolts_say_how_uncertain_they_are_with_the_calibration() -> None:
    said = paragraphs(figures(contents()))
    assert "Intervals hold the scatter alone. With the calibration the means are uncertain by (95 %):" in said
    assert "harbour 12.3 mV and mill 12.3 mV" in said


def test_a_pickup_alone_keeps_its_key_and_has_the_interval_of_its_mean() -> None:
    rows = ({**row("harbour", 1), "interval_from": "strums"},)
    without = "harbour is the only pickup of the session: there is nothing to hold it against."
    said = sentences(replace(contents(1), rows=rows, comparison=None, without=without))
    assert said[1] == "RMS voltage: 160.0 mV (95 % interval 150.0 to 170.0), the mean of its strums."
    assert said[-1] == f"Nothing was compared. {without}"


def test_nothing_is_said_to_be_pooled_where_there_is_one_take_of_each() -> None:
    one, several = (paragraphs(figures(contents(takes))) for takes in (1, 2))
    assert "scatter of all pickups" in several
    assert "scatter of all pickups" not in one
    assert "interval of that mean from its strums" in one


@pytest.mark.parametrize(
    ("takes", "verdicts", "said"),
    [
        (2, ("higher",), "1 is shown: chance alone, as strums and takes scatter, would show even one that is not"),
        (1, ("higher",), "chance alone, as the strums of a take scatter, would show even one that is not there in at"),
        (1, ("higher",), "at most 5 of 100 such comparisons. Plugging in again is not reckoned with."),
        (2, ("no-difference-shown",) * 2, "Of 2 differences judged, none is shown."),
    ],
)
def test_what_chance_may_do_is_said_of_what_is_shown(takes: int, verdicts: tuple[str, ...], said: str) -> None:
    opening = compared(comparison(takes, *verdicts))[0]
    assert said in opening
    assert "hand" not in opening


def test_conditions_have_the_calibration_with_its_uncertainty() -> None:
    said = paragraphs(conditions(contents()))
    assert (
        "full scale of the chain desk at 11 dB is 3.468 V RMS, uncertain by 0.09 dB (k = 2); by a recorded tone" in said
    )
    moved = {**FULL_SCALE, "by": "gain-difference", "moved_db": 14.0}
    assert "moved by 14 dB from another gain" in paragraphs(conditions(contents(calibration=moved)))


def test_conditions_say_that_levels_without_a_calibration_are_no_volts() -> None:
    assert "No take has a calibration: levels" in paragraphs(conditions(contents(calibration=None)))
    some = contents()
    mixed = replace(some, takes=(some.takes[0], told("mill", None)))
    assert "1 take has no calibration" in paragraphs(conditions(mixed))
