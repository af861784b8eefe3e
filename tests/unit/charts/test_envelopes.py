"""Strums over one another: levels from the onset, and the windows of the take's own settings."""

from __future__ import annotations

from coilbench_service.charts.chart import Chart
from coilbench_service.charts.envelopes import envelopes_chart
from coilbench_service.charts.strum_lines import MOST, OTHERS
from coilbench_service.pictured import Pictured
from unit.charts.charted import rows, words
from unit.charts.pictured_take import STEP_S, WINDOWS, pictured


def chart_of(take: Pictured, **settings: object) -> Chart:
    return envelopes_chart(take.label, {**take.document, "settings": {**WINDOWS, **settings}}, take.traces)


def test_levels_stand_in_the_middle_of_their_steps() -> None:
    first = [row for row in rows(chart_of(pictured(1)), "s", "db", "strum") if row[1] is not None]
    assert (round(STEP_S / 2, 5), -20.0, 1) in first
    assert (round(0.3 + STEP_S / 2, 5), -23.0, 1) in first
    assert (-0.0195, -80.0, 1) in first  # of the enlarged panel: 1 ms, from 20 ms before the onset


def test_digital_silence_breaks_the_line_and_is_no_level() -> None:
    assert (0.505, None, 1) in rows(chart_of(pictured(1)), "s", "db", "strum")


def test_windows_are_those_of_the_measurement() -> None:
    chart = chart_of(pictured(2), tail_window_s=[0.5, 2.5])
    assert ("tail", 0.5, 2.5) in rows(chart, "window", "s", "end")
    drawn = words(chart).splitlines()
    assert {"level", "attack", "body", "tail", "0.1 to 0.5 s", "0.5 to 2.5 s"} <= set(drawn)
    assert "tail 0.5 to 2.5 s" in chart.alternative


def test_shades_end_with_their_panel() -> None:
    ends = {end for window, end in rows(chart_of(pictured(1), body_window_s=[0.05, 9.0]), "window", "end")}
    assert max(ends) == 9.0  # the lane reaches beyond
    assert 0.12 in ends
    assert not [s for s, _ in rows(chart_of(pictured(1)), "s", "window") if s > 2.0]


def test_eight_strums_are_told_apart_by_dash_and_more_by_their_extremes() -> None:
    assert {kind for (kind,) in rows(chart_of(pictured(8)), "kind")} == {str(number) for number in range(1, 9)}
    many = chart_of(pictured(20))
    assert {kind for (kind,) in rows(many, "kind")} == {
        "1: lowest RMS level, \N{MINUS SIGN}29.0 dBFS",
        "20: highest RMS level, \N{MINUS SIGN}10.0 dBFS",
    }
    assert OTHERS in words(many)
    assert {strum for (strum,) in rows(many, "strum")} == set(range(1, 21))


def test_of_very_many_strums_some_are_drawn_and_it_is_said() -> None:
    chart = chart_of(pictured(60))
    drawn = {strum for (strum,) in rows(chart, "strum")}
    assert {1, 60} <= drawn
    assert len(drawn) <= MOST
    assert f"{len(drawn)} of 60 strums are drawn" in words(chart)


def test_words_have_the_figures_and_say_why_one_is_missing() -> None:
    take = pictured(2)
    take.strums[1]["quantities"]["hold_1s_db"] = None  # type: ignore[index]
    take.strums[1]["reasons"]["hold_1s_db"] = "the strum ends before 1.025 s"  # type: ignore[index]
    said = chart_of(take).alternative
    assert "RMS level \N{MINUS SIGN}28.5 ± 0.5 dBFS" in said
    assert "Strum 1: RMS level \N{MINUS SIGN}29.0 dBFS, Attack time 3.0 ms" in said
    assert "Hold after 1 s of strum 2: the strum ends before 1.025 s" in said
