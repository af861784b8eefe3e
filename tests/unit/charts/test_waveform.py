"""The whole recording: strums and checks stand where they were measured."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from coilbench_service.charts import overview, strum_lane
from coilbench_service.charts.waveform import waveform_chart
from coilbench_service.pictured import Pictured
from unit.charts.charted import rows, words
from unit.charts.pictured_take import pictured

CLIPPED = {
    "code": "clipped",
    "severity": "reject",
    "message": "2 times several samples in a row stand at full scale. Lower the gain.",
    "strums": [2],
    "times_s": [3.25, 3.5],
}


def chart_of(take: Pictured, *checks: dict[str, object]):  # type: ignore[no-untyped-def]
    return waveform_chart(take.label, {**take.document, "checks": checks}, take.traces)


def test_strums_stand_from_onset_to_end_under_their_numbers() -> None:
    chart = chart_of(pictured(3))
    assert rows(chart, "number", "s", "end", "ended") == [
        (1, 1.0, 2.9, "damped"),
        (2, 3.0, 4.9, "noise"),
        (3, 5.0, 6.9, "end of file"),
    ]
    drawn = words(chart).splitlines()
    assert {"1", "2", "3", "damped", "noise", "end of file", "Time (s)", "dBFS"} <= set(drawn)
    assert "next strum" not in drawn


def test_area_holds_least_and_greatest_to_the_end_of_the_recording() -> None:
    chart = chart_of(pictured(2))
    samples = rows(chart, "s", "least", "greatest")
    assert {(least, greatest) for _, least, greatest in samples} == {(-0.25, 0.1)}
    assert (samples[0][0], samples[-1][0]) == (0.0, 5.0)


def test_joined_stretches_keep_every_extreme() -> None:
    least, greatest = [-0.1, -0.9, -0.2, -0.3, -0.4], [0.1, 0.2, 0.8, 0.3, 0.7]
    joined = overview.rows({"step_s": 0.5, "least": least, "greatest": greatest}, finest_s=1.0)
    assert joined == [
        {"s": 0.0, "least": -0.9, "greatest": 0.2},
        {"s": 1.0, "least": -0.3, "greatest": 0.8},
        {"s": 2.0, "least": -0.4, "greatest": 0.7},
        {"s": 2.5, "least": -0.4, "greatest": 0.7},
    ]


@pytest.mark.parametrize(
    ("greatest", "scale"), [(1.0, 1.0), (0.51, 1.0), (0.5, 0.5), (0.011, 0.02), (0.0, 0.001), (1.7, 1.7)]
)
def test_scale_is_the_next_round_one_that_holds_the_greatest_sample(greatest: float, scale: float) -> None:
    assert overview.scale_for(greatest) == scale


def test_axis_says_the_same_in_decibels() -> None:
    drawn = words(chart_of(pictured(1))).splitlines()
    assert {"0.5", "0.25", "\N{MINUS SIGN}6", "\N{MINUS SIGN}12"} <= set(drawn)  # 20 lg 0.5 and 0.25
    level = f"\N{MINUS SIGN}{-20 * math.log10(0.25):.1f} dBFS"
    assert f"Greatest sample {level}." in "\n".join(drawn)
    assert level in chart_of(pictured(1)).alternative


def test_checks_that_name_strums_or_times_are_marked_there() -> None:
    chart = chart_of(pictured(3), CLIPPED, {**CLIPPED, "code": "hum", "strums": [], "times_s": []})
    assert rows(chart, "check", "s", "end") == [("clipped (unusable)", 3.0, 4.9)]
    assert [row for row in rows(chart, "check", "s") if row[1] in (3.25, 3.5)] == [
        ("clipped (unusable)", 3.25),
        ("clipped (unusable)", 3.5),
    ]
    assert "clipped (unusable)" in words(chart)
    assert "The recording is clipped (marked at 3.25, 3.50 s): 2 times" in chart.alternative
    assert "hum" not in chart.alternative


def test_numbers_without_room_are_left_out_and_no_strum_is() -> None:
    take = pictured(60)
    data = strum_lane.rows(take.strums, 1200.0)
    assert len(data) == 60
    shown = [row["s"] for row in data if row["shown"]]
    assert 1 < len(shown) < 60
    assert min(later - sooner for sooner, later in pairwise(shown)) >= 1200.0 / 640 * 12
    assert "60 strums found" in chart_of(take).alternative
    assert "The last of 60 begins at 119.00 s." in chart_of(take).alternative


def test_silence_and_no_strums_are_said() -> None:
    take = pictured(0)
    silent = {"overview": {"step_s": 0.1, "least": [0.0] * 10, "greatest": [0.0] * 10}, "strums": []}
    chart = waveform_chart("Nothing", take.document, silent)
    assert "It is digital silence. 0 strums found." in chart.alternative
    assert "Digital silence throughout." in words(chart)
