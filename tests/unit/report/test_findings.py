"""The sentences that a report begins with, where several pickups are held against one."""

from __future__ import annotations

from typing import Any

from coilbench_service.report.baseline import Baseline
from coilbench_service.report.contents import Contents
from coilbench_service.report.findings import sentences

DIFFERENCES = {
    "rms_dbfs": {"mill": (6.04, "higher"), "kiln": (2.0, "higher"), "tarn": (-4.6, "lower"), "weir": (0.2, None)},
    "treble_db": {"mill": (-2.5, "lower"), "kiln": (0.1, None), "tarn": (0.1, None), "weir": (0.1, None)},
    "crest_db": {"mill": (0.4, None), "kiln": (0.1, None), "tarn": (-0.1, None), "weir": (0.3, None)},
}


def row(other: str, quantity: str, difference: float, verdict: str | None) -> dict[str, Any]:
    said = {"verdict": verdict or "no-difference-shown", "withheld": None, "unit": "dB", "sentence": ""}
    return {"other": other, "quantity": quantity, "difference": difference, **said}


def contents(**conditions: Any) -> Contents:
    """Five pickups of two takes."""
    keys = ["harbour", "mill", "kiln", "tarn", "weir"]
    comparison = {
        "baseline": "harbour",
        "confidence": 0.95,
        "subjects": [{"id": key, "takes": [f"{key}-1", f"{key}-2"], "strums": 8} for key in keys],
        "results": [row(other, key, *found) for key, rows in DIFFERENCES.items() for other, found in rows.items()],
        "conditions": [{"other": "mill", "field": field, "baseline": 1, "value": 2} for field in conditions],
    }
    return Contents(
        session="tuesday",
        sheet=None,
        sheets={},
        takes=(),
        rows=(),
        level_reference="harbour",
        left_out=(),
        baseline=Baseline("harbour", None),
        comparison=comparison,
        without=None,
        made="2026-03-01T09:30:00Z",
        confidence=0.95,
        quantities=tuple(DIFFERENCES),
        version="0",
    )


def test_differences_are_drawn_together_the_most_audible_first() -> None:
    opening, level, treble, rest = sentences(contents())
    assert "4 pickups were held against harbour, over 10 takes with 40 strums in all" in opening
    assert "Of 12 differences judged, 4 are shown: chance alone, as strums and takes scatter," in opening
    assert level == (
        "RMS level – hotter: mill by 6.0 dB and kiln by 2.0 dB; milder: tarn by 4.6 dB; no difference shown: weir."
    )
    assert treble == "Treble – darker: mill by 2.5 dB; no difference shown: kiln, tarn and weir."
    assert rest == "No difference is shown in crest factor. That is not to say that there is none."


def test_conditions_that_differ_are_said_to_be_perhaps_the_reason() -> None:
    found = sentences(contents(pick="", input_gain_db=""))
    assert found[-1] == (
        "Not all was the same: pick and input gain differed between takes compared, which may be the reason for some "
        "of it."
    )
