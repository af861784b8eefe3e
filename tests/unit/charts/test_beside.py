"""Takes side by side: one scale for all, figures beneath, and words on what can't be compared."""

from __future__ import annotations

from typing import Any

import pytest

from coilbench_service.charts.beside import MOST_TAKES, beside_chart
from unit.charts.charted import rows, words
from unit.charts.pictured_take import pictured

MINUS = "\N{MINUS SIGN}"


def views(chart: Any) -> list[Any]:
    found: list[Any] = chart.document()["vconcat"]
    return found


def test_all_takes_have_one_scale_of_amplitude_and_time() -> None:
    long, loud = pictured(4), pictured(1)
    loud.traces["overview"]["greatest"][5] = 0.7
    recordings = views(beside_chart([long, loud]))[1::3]
    scales = [
        [
            layer["encoding"][axis]["scale"]["domain"]
            for layer in view["layer"]
            for axis in layer["encoding"]
            if axis in "xy"
        ]
        for view in recordings
    ]
    assert scales[0] == scales[1]
    assert [0.0, 9.0] in scales[0]  # the longer one
    assert [-1.05, 1.05] in scales[0]  # the louder one needs full scale, with a little room


def test_strums_of_each_take_are_marked_at_their_onsets() -> None:
    chart = beside_chart([pictured(2), pictured(1)])
    assert rows(chart, "number", "s", "end") == [(1, 1.0, 2.9), (2, 3.0, 4.9), (1, 1.0, 2.9)]


def test_figures_have_spread_and_unit_and_a_dash_where_there_is_none() -> None:
    none = pictured(1, "Nothing known")
    none.strums[0]["quantities"]["decay_db_per_s"] = None  # type: ignore[index]
    none.document["summary"]["decay_db_per_s"].update(mean=None, sd=None, n=0)
    chart = beside_chart([pictured(3), none])
    said = rows(chart, "name", "said")
    assert ("RMS level", f"{MINUS}28.0 ± 0.5 dBFS") in said
    assert ("Decay", "9.0 ± 0.5 dB/s") in said
    assert ("Decay", "–") in said
    assert f"{MINUS}28.0 ± 0.5 dBFS" in words(chart)
    assert "2: Nothing known, 1 strum: RMS level" in chart.alternative
    assert "What is – can't be measured: Decay of strum 1: no reason is kept." in chart.alternative


@pytest.mark.parametrize(
    ("gains", "said"),
    [
        ((11.0, 11.0), None),
        ((11.0, 17.5), "Amplitudes as recorded: the input gains differ."),
        ((11.0, None), "Amplitudes as recorded: not every take says its input gain."),
    ],
)
def test_gains_that_spoil_the_comparison_are_said(gains: tuple[float | None, ...], said: str | None) -> None:
    chart = beside_chart([pictured(1, **({} if gain is None else {"input_gain_db": gain})) for gain in gains])
    for text in (chart.alternative, " ".join(words(chart).split())):
        assert (said in text) if said else ("Amplitudes" not in text)


def test_pickup_and_unusable_take_are_named() -> None:
    spoiled = pictured(1, "first try", pickup="mill-bridge")
    spoiled.document["usable"] = False  # type: ignore[index]
    chart = beside_chart([pictured(1), spoiled])
    assert "2. first try, pickup mill-bridge, unusable" in words(chart)
    assert "The take is unusable." in chart.alternative


def test_twelve_takes_stand_together_and_no_more() -> None:
    assert len(views(beside_chart([pictured(1)] * MOST_TAKES))) == 3 * MOST_TAKES
    for count in (1, MOST_TAKES + 1):
        with pytest.raises(ValueError, match=f"{count} takes"):
            beside_chart([pictured(1)] * count)
