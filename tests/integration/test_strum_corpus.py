"""The strum finder on the named cases: nothing missed, nothing invented, onsets in time; also through real files.

The figures over all cases, beside librosa's, are in test_strum_figures.py.
"""

from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import soundfile

from coilbench_worker.audio.recording import open_recording
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import ArraySource, OneChannel
from coilbench_worker.measure.strums import find_strums
from coilbench_worker.measure.survey import survey
from coilbench_worker.measure.take import measure_take
from material import corpus
from material.score import named

RATES_HZ = (44_100, 48_000, 96_000)


@lru_cache(maxsize=2)
def case(name: str) -> corpus.Case:
    return corpus.case(name)


NAMES = [
    pytest.param(name, marks=pytest.mark.xdist_group(f"named strums {name.split('-')[0]}")) for name in corpus.names()
]


@pytest.mark.parametrize("name", NAMES)
def test_every_strum_of_the_corpus_is_found_and_none_invented(name: str) -> None:
    found = named(name)
    assert not found.missed, f"true {found.true_s}, found {found.found_s}"
    assert not found.invented_s, f"true {found.true_s}, found {found.found_s}"


@pytest.mark.parametrize("name", NAMES)
def test_onsets_of_the_corpus_are_in_time(name: str) -> None:
    """5 ms on modelled strings, 15 ms on recorded notes (measurements.md)."""
    found = named(name)
    assert np.max(np.abs(found.errors_s)) <= found.tolerance_s, 1000 * found.errors_s


FILES = [
    ("modelled-four-strums", "WAV", "PCM_16"),
    ("modelled-hum", "WAV", "PCM_24"),
    ("modelled-ringing-over", "WAV", "FLOAT"),
    ("modelled-slow-spread", "FLAC", "PCM_16"),
    ("modelled-quick-spread", "FLAC", "PCM_24"),
    ("recorded-up-and-down", "FLAC", "PCM_24"),
    ("recorded-stereo-left", "WAV", "PCM_24"),
    ("recorded-stereo-right", "FLAC", "PCM_16"),
    ("recorded-stereo-same", "WAV", "FLOAT"),
    ("recorded-quick-spread", "WAV", "PCM_16"),
    ("recorded-16-bit-quiet", "WAV", "PCM_16"),
]


@pytest.mark.xdist_group("strums in files")
@pytest.mark.parametrize(("name", "container", "subtype"), FILES)
def test_strums_are_found_in_files_as_in_memory(name: str, container: str, subtype: str, tmp_path: Path) -> None:
    """Rounding to 16 bits moves no onset by more than 1 ms."""
    made = case(name)
    path = tmp_path / f"take.{container.lower()}"
    soundfile.write(path, made.samples, made.rate_hz, subtype=subtype, format=container)
    with open_recording(path) as recording:
        found = measure_take(recording, recording.facts, MeasureSettings())
    assert found.audio.container == container.lower()
    assert found.audio.sample_rate_hz == made.rate_hz
    assert found.audio.duration_s == pytest.approx(len(made.samples) / made.rate_hz)
    expected = named(name).found_s
    assert [strum.onset_s for strum in found.strums] == pytest.approx(list(expected), abs=0.001)


@pytest.mark.xdist_group("strums in files")
def test_files_tried_are_of_every_kind() -> None:
    assert {case(name).rate_hz for name, _, _ in FILES} >= set(RATES_HZ)
    assert {case(name).samples.ndim for name, _, _ in FILES} == {1, 2}
    assert {(container, subtype) for _, container, subtype in FILES} >= {
        ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "FLOAT"), ("FLAC", "PCM_16"), ("FLAC", "PCM_24"),
    }  # fmt: skip


@pytest.mark.parametrize("name", ["recorded-up-and-down", "modelled-at-the-start", "recorded-hum"])
@pytest.mark.parametrize("lead_s", [0.0, 0.003, 0.012, 0.025, 0.04, 0.07])
def test_file_that_begins_with_the_strum_or_just_before_has_its_onset(name: str, lead_s: float) -> None:
    case = corpus.case(name)
    start = round((case.onsets_s[0] - lead_s) * case.rate_hz)
    if start < 0:
        start, lead_s = 0, case.onsets_s[0]
    channel = OneChannel(ArraySource(np.ascontiguousarray(case.samples[start:]), case.rate_hz), 0)
    found = find_strums(channel, survey(channel))
    assert found.strums[0].onset / case.rate_hz == pytest.approx(lead_s, abs=0.006)
    assert len(found.strums) == len(case.onsets_s)
