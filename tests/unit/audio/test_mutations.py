"""Thousands of damaged files: each is read within its bounds, or refused by a typed error, and nothing else happens."""

import io
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from coilbench_worker.audio.recording import open_recording
from coilbench_worker.audio.refusal import AudioRefused
from unit.audio.sound_bytes import (
    PCM_GUID,
    aiff,
    chunk,
    codes,
    ds64,
    extensible,
    fmt,
    packed,
    pcm_wav,
    wav,
)

LIMIT_FRAMES = 200_000
SAMPLES = packed(codes(200), 2)


@cache
def _flac() -> bytes:
    file = io.BytesIO()
    soundfile.write(file, codes(9_000).astype(np.int16), 48_000, format="FLAC", subtype="PCM_16")
    return file.getvalue()


SEEDS = {
    "wav": lambda: pcm_wav(200, 2),
    "wav 8": lambda: pcm_wav(201, 1, 8),
    "extensible": lambda: wav(chunk(b"fmt ", extensible(PCM_GUID, 1, 16, 16)), chunk(b"data", SAMPLES)),
    "rf64": lambda: wav(ds64(400, 200), chunk(b"fmt ", fmt()), chunk(b"data", SAMPLES, size=0xFFFFFFFF), outer=b"RF64"),
    "float": lambda: wav(chunk(b"fmt ", fmt(3, bits=32)), chunk(b"LIST", b"INFOabc"), chunk(b"data", SAMPLES)),
    "rifx": lambda: wav(chunk(b"fmt ", fmt(order=">"), order=">"), chunk(b"data", SAMPLES, order=">"), outer=b"RIFX"),
    "aiff": lambda: aiff(200, 1, 16, SAMPLES),
    "aifc": lambda: aiff(200, 1, 16, SAMPLES, kind=b"sowt", sound_first=True),
    "flac": _flac,
}
HEAD = 140  # where headers are; half of the edits fall there
EDITS = st.lists(
    st.tuples(st.one_of(st.integers(0, HEAD), st.integers(0, 40_000)), st.integers(0, 255)), min_size=1, max_size=6
)
CUT = st.one_of(st.none(), st.integers(0, 200), st.integers(0, 40_000))


def _open_and_read(data: bytes) -> str:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take"
        path.write_bytes(data)
        try:
            with open_recording(path) as recording:
                assert recording.frames >= 1
                assert 1 <= recording.channels <= 32
                assert 8_000 <= recording.rate_hz <= 384_000
                if recording.facts.container != "flac":
                    assert recording.frames * recording.channels <= len(data)
                total = 0
                for block in recording.blocks():
                    total += len(block)
                    if total > LIMIT_FRAMES:
                        return "long"
                assert total == recording.frames
                assert recording.segment(0, 1).shape == (1, recording.channels)
                return "read"
        except AudioRefused as refused:
            return refused.code if refused.detail and refused.advice else "speechless"


@pytest.mark.parametrize("name", SEEDS)
@settings(max_examples=400, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(edits=EDITS, cut=CUT)
@example(edits=[(4, 255), (5, 255), (6, 255), (7, 255)], cut=None)  # outer size unknown
@example(edits=[(16, 0)], cut=None)  # fmt of no length
@example(edits=[(21, 64), (22, 0)], cut=None)  # FLAC promise of very many frames
@example(edits=[(40, 0), (41, 0), (42, 0), (43, 0)], cut=None)  # WAV data of size 0
@example(edits=[(0, 82)], cut=11)
@example(edits=[(0, 0)], cut=0)
def test_a_damaged_file_is_read_or_refused_by_a_typed_error(
    name: str, edits: list[tuple[int, int]], cut: int | None
) -> None:
    data = bytearray(SEEDS[name]())
    for place, value in edits:
        data[place % len(data)] = value
    assert _open_and_read(bytes(data[:cut])) != "speechless"


@settings(max_examples=1_000, deadline=None, derandomize=True)
@given(
    st.sampled_from([b"", b"RIFF\0\0\0\0WAVE", b"RF64\xff\xff\xff\xffWAVE", b"FORM\0\0\0\0AIFF", b"fLaC", b"ID3\4"]),
    st.binary(max_size=300),
)
def test_arbitrary_bytes_are_refused_or_read(head: bytes, rest: bytes) -> None:
    assert _open_and_read(head + rest) != "speechless"


@pytest.mark.parametrize("name", SEEDS)
def test_every_cut_of_a_file_is_read_or_refused(name: str) -> None:
    data = SEEDS[name]()
    outcomes = {_open_and_read(data[:cut]) for cut in range(min(len(data), 300))}
    assert outcomes - {"read"}
    assert _open_and_read(data) == "read"
