"""Decay curves with their lines, and what stands where there is none."""

from __future__ import annotations

from coilbench_service.charts.chart import Chart
from coilbench_service.charts.decay import decay_chart
from coilbench_service.pictured import Pictured
from unit.charts.charted import rows, words
from unit.charts.pictured_take import NO_DECAY, pictured


def chart_of(take: Pictured) -> Chart:
    return decay_chart(take.label, take.strums, take.traces)


def test_line_lies_where_it_was_fitted_and_the_curve_starts_at_nought() -> None:
    points = rows(chart_of(pictured(1)), "s", "db")
    assert points[0] == (0.0, 0.0)
    assert points[-2:] == [(0.3, -3.0), (1.3, -13.0)]
    assert "Strum 1: 9.0 dB/s" in words(chart_of(pictured(1)))


def test_strum_without_a_line_says_why_in_picture_and_words() -> None:
    chart = chart_of(pictured(3))
    drawn = words(chart)
    assert "Strum 2: no decay told" in drawn
    assert f"No line: {NO_DECAY}" in " ".join(drawn.split())
    assert f"No decay is told of strum 2: {NO_DECAY}." in chart.alternative
    assert "strum 1 9.0 dB/s" in chart.alternative


def test_twelve_strums_are_shown_and_what_is_left_out_is_said() -> None:
    twelve, more = chart_of(pictured(12)), chart_of(pictured(60))
    assert [len(chart.document()["concat"]) for chart in (twelve, more)] == [12, 12]
    assert "are shown" not in twelve.alternative
    assert "The first 12 of 60 strums are shown." in more.alternative
    assert "The first 12 of 60 strums are shown." in words(more)
    assert "strum 60 9.0 dB/s" in more.alternative


def test_no_strums_are_a_chart_that_says_so() -> None:
    assert chart_of(pictured(0)).alternative == "There are no strums."
    assert "die away" in words(chart_of(pictured(0)))
