"""Rates, channels, bits, frame sizes and lengths that no recorder writes: refused by name, or read as they stand."""

import io
import struct

import pytest

from coilbench_worker.audio.header import AudioRefused, Header, sniff
from unit.audio.sound_bytes import aiff, chunk, codes, ds64, extended, flac_head, fmt, packed, wav

SAMPLES = packed(codes(480), 2)
DATA = chunk(b"data", SAMPLES)


def _sniff(data: bytes) -> Header:
    return sniff(io.BytesIO(data), len(data))


def _code(data: bytes) -> str:
    """Of the refusal; the bytes there are too few for any of these to be a recording."""
    with pytest.raises(AudioRefused) as caught:
        _sniff(data)
    return caught.value.code


@pytest.mark.parametrize("rate_hz", [0, 1, 7_999, 384_001, 10**9, 2**32 - 1])
def test_a_wav_at_an_absurd_rate_is_refused(rate_hz: int) -> None:
    assert _code(wav(chunk(b"fmt ", fmt(rate_hz=rate_hz)), DATA)) == "sample-rate-out-of-range"


@pytest.mark.parametrize(
    "number",
    [
        bytes(10),
        b"\x7f\xff\x80" + bytes(7),
        b"\xff\xff\x80" + bytes(7),
        b"\x7f\xff\xc0" + bytes(7),
        b"\xff\xff\xff" + b"\xff" * 7,
        b"\xc0\x0e\xac\x44" + bytes(6),
        b"\x80" + bytes(9),
        b"\0\1\x80" + bytes(7),
        b"\0\0" + b"\xff" * 8,
        b"\x40\x3d" + b"\xff" * 8,
        b"\x40\x3e" + b"\xff" * 8,
        b"\x7f\xfe" + b"\xff" * 8,
        extended(1e9),
        extended(0.5),
    ],
    ids=[
        "0",
        "infinite",
        "-infinite",
        "not a number",
        "not a number, negative",
        "-44100",
        "-0",
        "tiny",
        "denormal",
        "2^63",
        "2^64",
        "greatest",
        "1 GHz",
        "half a hertz",
    ],
)
def test_an_aiff_at_an_absurd_rate_is_refused(number: bytes) -> None:
    """80-bit numbers have more ways to be none than integers have."""
    data = aiff(480, 1, 16, SAMPLES).replace(extended(48_000), number)
    assert _code(data) == "sample-rate-out-of-range"


def test_an_aiff_rate_that_is_not_whole_is_rounded() -> None:
    assert _sniff(aiff(480, 1, 16, SAMPLES, rate_hz=44_099.7)).rate_hz == 44_100


@pytest.mark.parametrize("rate_hz", [0, 1, 7_999, 384_001, 2**20 - 1])
def test_a_flac_at_an_absurd_rate_is_refused(rate_hz: int) -> None:
    assert _code(flac_head(rate_hz=rate_hz)) == "sample-rate-out-of-range"


@pytest.mark.parametrize(
    ("channels", "code"), [(0, "damaged-header"), (33, "too-many-channels"), (65_535, "damaged-header")]
)
def test_an_absurd_number_of_wav_channels_is_refused(channels: int, code: str) -> None:
    """65,535 channels of 16 bits can't even be said: the size of their frame does not fit its field."""
    form = fmt(channels=channels, frame_bytes=2 * channels & 0xFFFF)
    assert _code(wav(chunk(b"fmt ", form), DATA)) == code


def test_channels_that_fit_their_field_and_no_limit_are_refused() -> None:
    form = chunk(b"fmt ", fmt(channels=65_535, bits=8, frame_bytes=65_535))
    assert _code(wav(form, chunk(b"data", bytes(65_535)))) == "too-many-channels"


@pytest.mark.parametrize(
    ("channels", "code"), [(0, "damaged-header"), (-1, "damaged-header"), (-32_768, "damaged-header")]
)
def test_an_aiff_without_channels_is_refused(channels: int, code: str) -> None:
    assert _code(aiff(480, channels, 16, SAMPLES)) == code


def test_more_aiff_channels_than_the_limit_are_refused() -> None:
    assert _code(aiff(1, 240, 16, SAMPLES)) == "too-many-channels"
    assert _code(aiff(1, 32_767, 16, SAMPLES)) == "no-samples"


@pytest.mark.parametrize("bits", range(66))
def test_wav_integers_of_any_number_of_bits_are_read_up_to_32_and_refused_beyond(bits: int) -> None:
    data = wav(chunk(b"fmt ", fmt(bits=bits)), DATA)
    if bits == 0:
        assert _code(data) == "damaged-header"
    elif bits > 32:
        assert _code(data) == "unsupported-encoding"
    else:
        header = _sniff(data)
        assert header.frames == len(SAMPLES) // -(-bits // 8)
        assert header.integer_bits == bits


@pytest.mark.parametrize("bits", range(66))
def test_wav_floats_have_32_bits_or_64(bits: int) -> None:
    data = wav(chunk(b"fmt ", fmt(3, bits=bits)), DATA)
    if bits in (32, 64):
        assert _sniff(data).encoding == f"float{bits}"
    else:
        assert _code(data) == "unsupported-encoding"


@pytest.mark.parametrize("bits", [-1, *range(66)])
def test_aiff_integers_of_any_number_of_bits_are_read_up_to_32_and_refused_beyond(bits: int) -> None:
    width = max(-(-bits // 8), 1)
    data = aiff(len(SAMPLES) // width, 1, bits, SAMPLES)
    if 1 <= bits <= 32:
        assert _sniff(data).frames == len(SAMPLES) // width
    else:
        assert _code(data) == "damaged-header"


@pytest.mark.parametrize("frame_bytes", [0, 1, 3, 4, 65_535])
def test_a_frame_size_that_does_not_follow_from_channels_and_bits_is_refused(frame_bytes: int) -> None:
    assert _code(wav(chunk(b"fmt ", fmt(frame_bytes=frame_bytes)), DATA)) == "damaged-header"


@pytest.mark.parametrize("size", [2**48, 2**62, 2**63 - 1, 2**63, 2**63 + 960, 2**64 - 1])
def test_an_rf64_size_that_no_disk_holds_means_to_the_end_of_the_file(size: int) -> None:
    data = wav(ds64(size, 0), chunk(b"fmt ", fmt()), chunk(b"data", SAMPLES, size=0xFFFFFFFF), outer=b"RF64")
    header = _sniff(data)
    assert (header.frames, header.declared_frames, header.truncated) == (480, None, False)


def test_an_rf64_size_below_that_is_a_promise() -> None:
    size = 2**48 - 2
    data = wav(ds64(size, 0), chunk(b"fmt ", fmt()), chunk(b"data", SAMPLES, size=0xFFFFFFFF), outer=b"RF64")
    header = _sniff(data)
    assert (header.frames, header.missing_bytes, header.truncated) == (480, size - 960, True)


@pytest.mark.parametrize(
    ("frames", "sound_size", "skip"), [(2**32 - 1, None, 0), (480, 2**32 - 1, 0), (480, None, 2**32 - 1)]
)
def test_aiff_sizes_that_lie_are_held_against_the_bytes_there(frames: int, sound_size: int | None, skip: int) -> None:
    data = bytearray(aiff(frames, 1, 16, SAMPLES, sound_size=sound_size))
    struct.pack_into(">I", data, data.index(b"SSND") + 8, skip)
    if skip:
        assert _code(bytes(data)) == "no-samples"
    else:
        assert _sniff(bytes(data)).frames == 480
        assert _sniff(bytes(data)).truncated is (frames > 480)
