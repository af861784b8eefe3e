"""From figures to checks: each raised on one side of its limit, and not on the other."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from coilbench_worker.measure import judgement
from coilbench_worker.measure.extremes import Extremes
from coilbench_worker.measure.gating import Gating
from coilbench_worker.measure.limiting import Compression
from coilbench_worker.measure.results import Check, Strum
from coilbench_worker.measure.source import FLOAT_FACTS, RecordingFacts

FLOOR = {"noise_dbfs": -80.0, "hum_hz": None, "hum_dbfs": None, "snr_db": 60.0, "dc_offset": 0.0}


def strum(number: int, rms_dbfs: float | None) -> Strum:
    return Strum(number, number - 1.0, float(number), "next", {"rms_dbfs": rms_dbfs}, {}, {}, {})


def said(checks: list[Check]) -> list[tuple[str, str]]:
    return [(check.code, check.severity) for check in checks]


@pytest.mark.parametrize(
    ("changes", "peak_dbfs", "expected"),
    [
        ({}, -6.0, []),
        ({"dc_offset": 0.0009}, -6.0, []),
        ({"dc_offset": 0.0011}, -6.0, [("dc-offset", "note")]),
        ({"dc_offset": -0.011}, -6.0, [("dc-offset", "caution")]),
        ({"dc_offset": None}, -6.0, []),
        ({"snr_db": 40.0}, -6.0, []),
        ({"snr_db": 39.9}, -6.0, [("noisy", "note")]),
        ({"snr_db": 29.9}, -6.0, [("noisy", "caution")]),
        ({"snr_db": 14.9}, -6.0, [("noisy", "reject")]),
        ({"snr_db": None, "noise_dbfs": None}, -6.0, []),
        ({"hum_hz": 50.0, "hum_dbfs": -70.0}, -6.0, []),
        ({"hum_hz": 50.0, "hum_dbfs": -69.9}, -6.0, [("hum", "note")]),
        ({"hum_hz": 60.0, "hum_dbfs": -54.9}, -6.0, [("hum", "caution")]),
        ({}, -40.0, []),
        ({}, -40.1, [("too-quiet", "caution")]),
        ({}, None, []),
    ],
)
def test_noise_is_judged_by_its_limits(
    changes: dict[str, Any], peak_dbfs: float | None, expected: list[tuple[str, str]]
) -> None:
    assert said(judgement.of_noise(FLOOR | changes, peak_dbfs)) == expected


def test_hum_names_its_mains_and_its_distance() -> None:
    (check,) = judgement.of_noise(FLOOR | {"hum_hz": 60.0, "hum_dbfs": -50.0}, -6.0)
    assert check.message.startswith("Hum of 60 Hz mains stands 30.0 dB below the strums.")
    assert dict(check.values) == {"hum_hz": 60.0, "hum_dbfs": -50.0, "below_strums_db": 30.0}


@pytest.mark.parametrize(
    ("rate_hz", "severity"),
    [(8_000, "caution"), (22_050, "caution"), (24_000, "caution"), (32_000, "note"), (44_100, None), (192_000, None)],
)
def test_low_sample_rate_is_told(rate_hz: int, severity: str | None) -> None:
    expected = [] if severity is None else [("low-sample-rate", severity)]
    assert said(judgement.of_file(FLOAT_FACTS, rate_hz, rate_hz)) == expected


@pytest.mark.parametrize("declared_frames", [96_000, None])
def test_truncated_file_is_told_with_what_is_missing(declared_frames: int | None) -> None:
    facts = RecordingFacts("pcm_s16", "wav", 16, declared_frames, truncated=True, missing_bytes=1234)
    (check,) = judgement.of_file(facts, 48_000, 48_000)
    assert (check.code, check.severity) == ("truncated-file", "caution")
    assert check.values["missing_bytes"] == 1234
    assert check.values["present_s"] == 1.0
    assert judgement.of_file(replace(facts, truncated=False), 48_000, 48_000) == []


@pytest.mark.parametrize(
    ("found", "expected_strums", "raised"), [(4, None, False), (4, 4, False), (3, 4, True), (5, 4, True)]
)
def test_number_of_strums_is_held_against_what_was_played(
    found: int, expected_strums: int | None, raised: bool
) -> None:
    strums = [strum(number, -20.0) for number in range(1, found + 1)]
    checks = judgement.of_strums(strums, expected_strums, {})
    assert said(checks) == ([("strum-count", "caution")] if raised else [])
    if raised:
        assert checks[0].message.startswith(f"{found} strums were found and {expected_strums} expected.")
        assert checks[0].times_s == tuple(strum.onset_s for strum in strums)


@pytest.mark.parametrize(
    ("levels", "raised"),
    [
        ([-20.0, -20.0, -20.0], False),
        ([-20.0, -23.9, -22.0], False),
        ([-20.0, -24.1, -22.0], True),
        ([-20.0, -40.0], False),
        ([-20.0, None, -40.0], False),
        ([], False),
    ],
)
def test_levels_that_scatter_by_more_than_2_db_are_uneven(levels: list[float | None], raised: bool) -> None:
    """Two strums are too few to say so."""
    strums = [strum(number, level) for number, level in enumerate(levels, start=1)]
    assert said(judgement.of_strums(strums, None, {})) == ([("uneven-strums", "caution")] if raised else [])


def test_uneven_strums_are_named_with_their_levels() -> None:
    strums = [strum(number, level) for number, level in enumerate([-20.0, -20.5, -19.5, -28.0], start=1)]
    (check,) = judgement.of_strums(strums, None, {})
    assert check.strums == (4,)
    assert check.message.startswith(
        "The levels of the strums scatter by 4.0 dB (standard deviation), from -28.0 to -19"
    )
    assert check.values["least_dbfs"] == -28.0


def test_strums_cut_short_are_named_with_their_empty_quantities() -> None:
    strums = [strum(number, -20.0) for number in range(1, 4)]
    (check,) = judgement.of_strums(strums, None, {3: ["rms_dbfs"], 1: ["attack_ms", "rms_dbfs"]})
    assert check.strums == (1, 3)
    assert check.message.startswith("Strums 1, 3 end before the window does; empty: attack_ms, rms_dbfs.")
    (check,) = judgement.of_strums(strums, None, {2: ["rms_dbfs"]})
    assert check.message.startswith("Strum 2 ends before")


@pytest.mark.parametrize(
    ("runs", "expected"),
    [
        ([], []),
        ([(1.5, 1.53)], []),
        ([(0.0, 0.4)], [("digital-silence", "note")]),
        ([(2.5, 3.0)], [("digital-silence", "note")]),
        ([(1.5, 1.6)], [("digital-silence", "caution")]),
        ([(0.0, 0.4), (1.5, 1.6)], [("digital-silence", "caution")]),
    ],
)
def test_exact_zeros_between_strums_are_graver_than_around_them(
    runs: list[tuple[float, float]], expected: list[tuple[str, str]]
) -> None:
    assert said(judgement.of_silence(runs, [1.0, 2.0])) == expected


def test_clipping_in_every_strum_names_every_strum_though_only_some_times_are_listed() -> None:
    extremes = Extremes(integer_bits=24)
    second = np.zeros(48_000)
    for start in range(100, 20_100, 1_000):
        second[start : start + 3] = 1.0
    for _ in range(4):
        extremes.feed(second)
    (check,) = judgement.of_extremes(extremes, 48_000, [0.0, 1.0, 2.0, 3.0])
    assert check.strums == (1, 2, 3, 4)
    assert len(check.times_s) == judgement.TIMES_SHOWN
    assert check.values["runs"] == 80


COMPRESSED = Compression((1, 3), 2.04, 9.3, 5.5)
GATED = Gating((2, 3), (2.5, 4.5), 21.6)


def test_sentence_names_a_dozen_strums_of_many_and_counts_the_rest() -> None:
    numbers = tuple(range(1, 501))
    (limited,) = judgement.of_limiting(Compression(numbers, 0.3, 0.2, None), None, [])
    assert limited.message.startswith("The level of strums 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12 and 488 more hardly ")
    assert limited.strums == numbers
    (cut,) = judgement.of_strums([], None, {number: ["rms_dbfs"] for number in numbers})
    assert cut.message.startswith("Strums 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12 and 488 more end before the window ")
    assert cut.strums == numbers


@pytest.mark.parametrize(
    ("compressed", "gated", "starts"),
    [
        (
            COMPRESSED,
            None,
            "The level of strums 1, 3 falls by 2.0 dB/s at first and by 9.3 dB/s later, as ",
        ),
        (
            replace(COMPRESSED, strums=(2,), early_db_per_s=-0.2),
            None,
            "The level of strum 2 hardly falls at first and ",
        ),
        (
            Compression((1, 2), 0.3, 0.2, None),
            None,
            "The level of strums 1, 2 hardly falls, as behind a compressor or limiter",
        ),
        (None, GATED, "The hiss falls by 22 dB after strums 2, 3, as behind a gate. Switch off"),
        (
            COMPRESSED,
            GATED,
            "The level of strums 1, 3 falls by 2.0 dB/s at first and by 9.3 dB/s later, as ",
        ),
    ],
)
def test_limited_names_the_signs_that_were_seen(
    compressed: Compression | None, gated: Gating | None, starts: str
) -> None:
    (check,) = judgement.of_limiting(compressed, gated, [])
    assert check.message.startswith(starts)
    assert check.severity == "caution"
    expected = {*(compressed.strums if compressed else ()), *(gated.strums if gated else ())}
    assert check.strums == tuple(sorted(expected))
    assert check.times_s == (gated.times_s if gated else ())
    assert ("gain_reduction_db" in check.values) is (compressed is not None)
    assert ("gate_drop_db" in check.values) is (gated is not None)
    assert ("hiss" in check.message) is (gated is not None)


def test_limited_gives_how_far_the_peaks_lie_apart() -> None:
    strums = [
        Strum(n, float(n), n + 1.0, "next", {"peak_dbfs": level}, {}, {}, {}) for n, level in ((1, -6.0), (2, -6.1))
    ]
    (check,) = judgement.of_limiting(COMPRESSED, None, strums)
    assert check.values["peak_spread_db"] == pytest.approx(0.1)


def test_nothing_seen_is_nothing_said() -> None:
    assert judgement.of_limiting(None, None, []) == []
