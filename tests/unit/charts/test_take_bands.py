"""Third octaves of a take: each strum, their mean, the balance, and bands that are not there."""

from __future__ import annotations

import pytest

from coilbench_service.charts.take_bands import bands_chart
from coilbench_worker.measure.bands import THIRDS
from unit.charts.charted import rows, words
from unit.charts.pictured_take import pictured

MINUS = "\N{MINUS SIGN}"


def test_levels_stand_at_exact_mid_bands() -> None:
    take = pictured(2)
    chart = bands_chart(take.label, take.document)
    each = rows(chart, "strum", "hz", "db")
    assert len(each) == 2 * len(THIRDS)
    assert (2, pytest.approx(1000.0), -17.0) in each
    means = [(hz, db) for hz, db in rows(chart, "hz", "db") if db == -16.5]
    assert [hz for hz, _ in means] == 2 * [band.mid_hz for band in THIRDS[:-1]]  # a line and its dots


def test_band_that_was_not_measured_is_no_level_and_is_said() -> None:
    chart = bands_chart("A", pictured(2).document)
    assert (1, THIRDS[-1].mid_hz, None) in rows(chart, "strum", "hz", "db")
    assert "Nothing at 16000 Hz: the band is in the noise." in chart.alternative
    assert "Nothing at 16000 Hz" in words(chart)


def test_balance_and_means_are_told() -> None:
    chart = bands_chart("A", pictured(2).document)
    assert f"bass {MINUS}2.0 ± 0.5 dB re total" in chart.alternative
    assert f"1000 Hz {MINUS}16.5" in chart.alternative
    drawn = words(chart).splitlines()
    assert {"bass", "middle", "treble", f"{MINUS}2.0 ± 0.5 dB re total", "Mid-band frequency (Hz)"} <= set(drawn)
    assert {"63", "1k", "16k"} <= set(drawn)


def test_one_strum_has_no_spread_and_none_has_no_tone() -> None:
    assert f"bass {MINUS}2.0 dB re total" in bands_chart("A", pictured(1).document).alternative
    assert bands_chart("A", pictured(0).document).alternative == "There are no strums."
    assert "The tone of A" in words(bands_chart("A", pictured(0).document))
