"""Every accepted form gives the samples that were written, bit for bit, and other readers agree."""

import io
import warnings
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
import soundfile

from coilbench_worker.audio.recording import open_recording
from unit.audio.sound_bytes import (
    FLOAT_GUID,
    PCM_GUID,
    RATE_HZ,
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

CHANNELS = 2
FRAMES = 480


def _floats(kind: str) -> np.ndarray:
    values = np.random.default_rng(9).standard_normal((FRAMES, CHANNELS))
    values[3] = 2.5  # above full scale: float files keep it
    return values.astype(kind)


def _integer_truth(bits: int) -> np.ndarray:
    return codes(FRAMES, CHANNELS, bits) / float(1 << bits - 1)


def _data(bits: int, **options: object) -> bytes:
    return packed(codes(FRAMES, CHANNELS, bits), (bits + 7) // 8, **options)


def _wave(bits: int) -> bytes:
    return pcm_wav(FRAMES, CHANNELS, bits)


def _flac(bits: int) -> bytes:
    file = io.BytesIO()
    wide = (codes(FRAMES, CHANNELS, bits) << 32 - bits).astype(np.int32)
    soundfile.write(file, wide, RATE_HZ, format="FLAC", subtype={8: "PCM_S8", 16: "PCM_16", 24: "PCM_24"}[bits])
    return file.getvalue()


def _rf64() -> bytes:
    body = _data(24)
    head = ds64(len(body), FRAMES) + chunk(b"fmt ", fmt(1, CHANNELS, bits=24))
    return wav(head, chunk(b"data", body, size=0xFFFFFFFF), outer=b"RF64", riff_size=0xFFFFFFFF)


def _rifx() -> bytes:
    head = chunk(b"fmt ", fmt(1, CHANNELS, order=">"), order=">")
    return wav(head, chunk(b"data", _data(16, big_endian=True), order=">"), outer=b"RIFX")


def _shifted(bits: int, container_bits: int) -> bytes:
    """Valid bits at the top of their container, zeros below (WAVE_FORMAT_EXTENSIBLE)."""
    values = codes(FRAMES, CHANNELS, bits) << container_bits - bits
    body = packed(values, container_bits // 8)
    return wav(chunk(b"fmt ", extensible(PCM_GUID, CHANNELS, container_bits, bits)), chunk(b"data", body))


def _float_wav(kind: str, form: bytes | None = None) -> bytes:
    values = _floats(kind)
    form = form or fmt(3, CHANNELS, bits=8 * values.itemsize)
    return wav(chunk(b"fmt ", form), chunk(b"fact", FRAMES.to_bytes(4, "little")), chunk(b"data", values.tobytes()))


# name, bytes, truth, container, encoding, valid bits
FORMS = [
    ("8-bit unsigned", _wave(8), _integer_truth(8), "wav", "pcm_u8", 8),
    ("16-bit", _wave(16), _integer_truth(16), "wav", "pcm_s16", 16),
    ("24-bit", _wave(24), _integer_truth(24), "wav", "pcm_s24", 24),
    ("32-bit", _wave(32), _integer_truth(32), "wav", "pcm_s32", 32),
    ("float32", _float_wav("<f4"), _floats("<f4"), "wav", "float32", None),
    ("float64", _float_wav("<f8"), _floats("<f8"), "wav", "float64", None),
    ("extensible 24", _shifted(24, 24), _integer_truth(24), "wav", "pcm_s24", 24),
    ("extensible 24 in 32", _shifted(24, 32), _integer_truth(24), "wav", "pcm_s32", 24),
    ("extensible 20 in 24", _shifted(20, 24), _integer_truth(20), "wav", "pcm_s24", 20),
    (
        "extensible float",
        _float_wav("<f4", extensible(FLOAT_GUID, CHANNELS, 32, 32)),
        _floats("<f4"),
        "wav",
        "float32",
        None,
    ),
    ("RF64", _rf64(), _integer_truth(24), "rf64", "pcm_s24", 24),
    ("RIFX", _rifx(), _integer_truth(16), "wav", "pcm_s16", 16),
    ("FLAC 8", _flac(8), _integer_truth(8), "flac", "pcm_s8", 8),
    ("FLAC 16", _flac(16), _integer_truth(16), "flac", "pcm_s16", 16),
    ("FLAC 24", _flac(24), _integer_truth(24), "flac", "pcm_s24", 24),
    ("AIFF 8", aiff(FRAMES, CHANNELS, 8, _data(8)), _integer_truth(8), "aiff", "pcm_s8", 8),
    ("AIFF 16", aiff(FRAMES, CHANNELS, 16, _data(16, big_endian=True)), _integer_truth(16), "aiff", "pcm_s16", 16),
    ("AIFF 24", aiff(FRAMES, CHANNELS, 24, _data(24, big_endian=True)), _integer_truth(24), "aiff", "pcm_s24", 24),
    ("AIFC sowt", aiff(FRAMES, CHANNELS, 16, _data(16), kind=b"sowt"), _integer_truth(16), "aiff", "pcm_s16", 16),
    (
        "AIFC fl32",
        aiff(FRAMES, CHANNELS, 32, _floats("<f4").astype(">f4").tobytes(), kind=b"fl32"),
        _floats("<f4"),
        "aiff",
        "float32",
        None,
    ),
    (
        "AIFC fl64",
        aiff(FRAMES, CHANNELS, 64, _floats("<f8").astype(">f8").tobytes(), kind=b"fl64"),
        _floats("<f8"),
        "aiff",
        "float64",
        None,
    ),
]
IDS = [form[0] for form in FORMS]


@pytest.mark.parametrize(("name", "data", "truth", "container", "encoding", "bits"), FORMS, ids=IDS)
def test_samples_are_those_written_bit_for_bit(
    tmp_path: Path, name: str, data: bytes, truth: np.ndarray, container: str, encoding: str, bits: int | None
) -> None:
    path = tmp_path / "take"
    path.write_bytes(data)
    with open_recording(path) as recording:
        found = np.concatenate(list(recording.blocks()))
        assert np.array_equal(found, truth.astype(np.float64))
        assert np.array_equal(recording.segment(17, 60), truth[17:60])
        assert (recording.rate_hz, recording.channels, recording.frames) == (RATE_HZ, CHANNELS, FRAMES)
        facts = recording.facts
    assert (facts.container, facts.encoding, facts.integer_bits) == (container, encoding, bits)
    assert (facts.declared_frames, facts.truncated, facts.missing_bytes) == (FRAMES, False, 0)


@pytest.mark.parametrize(("name", "data", "truth"), [form[:3] for form in FORMS], ids=IDS)
def test_the_hand_made_file_is_what_libsndfile_takes_it_for(name: str, data: bytes, truth: np.ndarray) -> None:
    """Independent reference for the files of this table: libsndfile's own parser of the container."""
    found, rate_hz = soundfile.read(io.BytesIO(data), always_2d=True)
    assert rate_hz == RATE_HZ
    assert np.array_equal(found, truth)


@pytest.mark.parametrize("name", ["16-bit", "24-bit", "32-bit", "float32", "extensible 24", "RIFX"])
def test_scipy_reads_the_same_samples(tmp_path: Path, name: str) -> None:
    """Independent reference: scipy.io.wavfile, whose 24-bit samples come as int32 shifted left by 8."""
    data = FORMS[IDS.index(name)][1]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", scipy.io.wavfile.WavFileWarning)
        _, values = scipy.io.wavfile.read(io.BytesIO(data))
    scale = 1.0 if values.dtype.kind == "f" else float(1 << 8 * values.itemsize - 1)
    path = tmp_path / "take.wav"
    path.write_bytes(data)
    with open_recording(path) as recording:
        assert np.array_equal(recording.segment(0, FRAMES), values / scale)


@pytest.mark.parametrize("suffix", ["wav", "flac", "aiff"])
def test_a_take_too_long_to_keep_gives_the_same_blocks_and_segments(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, suffix: str
) -> None:
    values = np.random.default_rng(3).integers(-30_000, 30_000, (200_000, 2)).astype(np.int16)
    path = tmp_path / f"take.{suffix}"
    soundfile.write(path, values, 44_100, subtype="PCM_16")
    truth = values / 32_768.0
    monkeypatch.setattr("coilbench_worker.audio.recording.IN_MEMORY_BYTES", 1_000)
    with open_recording(path) as recording:
        walk = recording.blocks()
        first = next(walk)
        assert np.array_equal(recording.segment(150_000, 150_321), truth[150_000:150_321])
        assert np.array_equal(recording.segment(12, 4_500), truth[12:4_500])
        rest = list(walk)
        assert [len(block) for block in [first, *rest]] == [65_536, 65_536, 65_536, 3_392]
        assert np.array_equal(np.concatenate([first, *rest]), truth)
        assert recording.segment(200_000, 200_000).shape == (0, 2)


@pytest.mark.parametrize("bounds", [(-1, 5), (5, 4), (0, 481)])
def test_a_segment_outside_the_recording_is_an_error(tmp_path: Path, bounds: tuple[int, int]) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(_wave(16))
    with open_recording(path) as recording, pytest.raises(ValueError, match="outside the recording's 480 frames"):
        recording.segment(*bounds)


def test_a_file_that_shrinks_while_it_is_read_is_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(pcm_wav(100_000))
    monkeypatch.setattr("coilbench_worker.audio.recording.IN_MEMORY_BYTES", 1_000)
    with open_recording(path) as recording:
        path.write_bytes(path.read_bytes()[:50_000])
        with pytest.raises(Exception, match="the file has changed"):
            list(recording.blocks())
