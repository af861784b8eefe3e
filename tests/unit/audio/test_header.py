"""Hand-made files after checkvalues.md section 15: what is read of each that is taken."""

import io
import struct
from dataclasses import replace

import pytest

from coilbench_worker.audio.header import AudioLimits, AudioRefused, Header, sniff
from unit.audio.sound_bytes import (
    aiff,
    chunk,
    codes,
    ds64,
    flac_head,
    fmt,
    packed,
    pcm_wav,
    wav,
    with_flac_total,
)

SECTION_15 = "checkvalues.md section 15"
SAMPLES = packed(codes(480), 2)
STEREO = packed(codes(480, 2), 2)
PLAIN = chunk(b"fmt ", fmt())
DATA = chunk(b"data", SAMPLES)


def _sniff(data: bytes, limits: AudioLimits | None = None) -> Header:
    return sniff(io.BytesIO(data), len(data), limits)


# name, source, bytes, frames there, frames declared, truncated, bytes missing
TAKEN = [
    ("plain", SECTION_15, wav(PLAIN, DATA), 480, 480, False, 0),
    ("odd LIST with its pad", SECTION_15, wav(PLAIN, chunk(b"LIST", b"INFOabc"), DATA), 480, 480, False, 0),
    (
        "cue and bext before",
        SECTION_15,
        wav(chunk(b"bext", bytes(602)), PLAIN, chunk(b"cue ", struct.pack("<I", 1) + bytes(24)), DATA),
        480,
        480,
        False,
        0,
    ),
    ("JUNK before fmt (recorders)", SECTION_15, wav(chunk(b"JUNK", bytes(28)), PLAIN, DATA), 480, 480, False, 0),
    ("junk behind the samples", SECTION_15, wav(PLAIN, DATA) + b"\x07" * 33, 480, 480, False, 0),
    (
        "8 bits, odd length, no pad at the end",
        SECTION_15,
        wav(chunk(b"fmt ", fmt(bits=8)), chunk(b"data", bytes(481), pad=False)),
        481,
        481,
        False,
        0,
    ),
    ("fmt of 14 bytes", SECTION_15, wav(chunk(b"fmt ", fmt()[:14]), DATA), 480, 480, False, 0),
    ("fmt of 18 bytes", SECTION_15, wav(chunk(b"fmt ", fmt(extra=b"\0\0")), DATA), 480, 480, False, 0),
    ("cut short by 200 bytes", SECTION_15, wav(PLAIN, DATA)[:-200], 380, 480, True, 200),
    (
        "stereo, cut in mid-frame",
        SECTION_15,
        wav(chunk(b"fmt ", fmt(channels=2)), chunk(b"data", STEREO))[:-1163],
        189,
        480,
        True,
        1163,
    ),
    (
        "size not of whole frames, all there",
        "RIFF: the frame is the unit",
        wav(chunk(b"fmt ", fmt(channels=2)), chunk(b"data", STEREO + b"\1\2")),
        480,
        480,
        False,
        0,
    ),
    (
        "size 0xFFFFFFFF: written to a pipe",
        SECTION_15,
        wav(PLAIN, chunk(b"data", SAMPLES, size=0xFFFFFFFF)),
        480,
        None,
        False,
        0,
    ),
    (
        "size 0x7FFFF000: written to a pipe",
        SECTION_15,
        wav(PLAIN, chunk(b"data", SAMPLES, size=0x7FFFF000)),
        480,
        None,
        False,
        0,
    ),
    (
        "size 0x7FFFFFFF - 36",
        "the same, less the header",
        wav(PLAIN, chunk(b"data", SAMPLES, size=0x7FFFFFDB)),
        480,
        None,
        False,
        0,
    ),
    (
        "3 GB promised, cut",
        "not within 4 KiB of a filler",
        wav(PLAIN, chunk(b"data", SAMPLES, size=3_000_000_000)),
        480,
        1_500_000_000,
        True,
        2_999_999_040,
    ),
    (
        "size 0 with samples behind: never completed",
        SECTION_15,
        wav(PLAIN, chunk(b"data", SAMPLES, size=0)),
        480,
        None,
        True,
        0,
    ),
    (
        "RF64",
        "EBU Tech 3306",
        wav(ds64(960, 480), PLAIN, chunk(b"data", SAMPLES, size=0xFFFFFFFF), outer=b"RF64"),
        480,
        480,
        False,
        0,
    ),
    (
        "RF64 with a wrong RIFF size in ds64",
        SECTION_15,
        wav(ds64(960, 480, 7), PLAIN, chunk(b"data", SAMPLES, size=0xFFFFFFFF), outer=b"RF64"),
        480,
        480,
        False,
        0,
    ),
    (
        "a second ds64, fmt and data",
        "own rule: the first counts",
        wav(
            ds64(960, 480),
            ds64(100, 50),
            PLAIN,
            chunk(b"fmt ", fmt(bits=8)),
            chunk(b"data", SAMPLES, size=0xFFFFFFFF),
            chunk(b"data", SAMPLES[:100]),
            outer=b"RF64",
        ),
        480,
        480,
        False,
        0,
    ),
    ("RF64, 32-bit size given", "EBU Tech 3306", wav(ds64(0, 0), PLAIN, DATA, outer=b"RF64"), 480, 480, False, 0),
    (
        "RF64 cut short",
        "EBU Tech 3306",
        wav(ds64(960, 480), PLAIN, chunk(b"data", SAMPLES, size=0xFFFFFFFF), outer=b"RF64")[:-60],
        450,
        480,
        True,
        60,
    ),
    (
        "RF64 of 2^50 bytes: a filler",
        "field notes section 5",
        wav(ds64(2**50, 0), PLAIN, chunk(b"data", SAMPLES, size=0xFFFFFFFF), outer=b"RF64"),
        480,
        None,
        False,
        0,
    ),
    ("AIFF", "AIFF 1.3", aiff(480, 1, 16, SAMPLES), 480, 480, False, 0),
    (
        "AIFF, samples before COMM",
        "AIFF 1.3: chunks in any order",
        aiff(480, 1, 16, SAMPLES, sound_first=True),
        480,
        480,
        False,
        0,
    ),
    ("AIFF cut short", "AIFF 1.3", aiff(480, 1, 16, SAMPLES)[:-100], 430, 480, True, 100),
    (
        "AIFF, COMM promises more than SSND holds",
        "AIFF 1.3",
        aiff(480, 1, 16, SAMPLES, sound_size=8 + 400),
        200,
        480,
        True,
        560,
    ),
    ("AIFF, COMM promises less than SSND holds", "AIFF 1.3", aiff(300, 1, 16, SAMPLES), 300, 300, False, 0),
    ("AIFF without a size of its samples", "own reading", aiff(480, 1, 16, SAMPLES, sound_size=0), 480, 480, True, 0),
    ("AIFF never completed", "own reading", aiff(0, 1, 16, SAMPLES, sound_size=0), 480, None, True, 0),
    ("AIFF at 44.1 kHz", "80-bit extended", aiff(480, 1, 16, SAMPLES, rate_hz=44_100), 480, 480, False, 0),
    ("FLAC", "RFC 9639", flac_head(), 4096, 4096, False, 0),
    ("FLAC of unknown length", "RFC 9639 section 8.2", flac_head(frames=0), None, None, False, 0),
    (
        "FLAC behind an ID3v2 tag",
        "common practice, no source",
        b"ID3\4\0\0\0\0\1\0" + bytes(128) + flac_head(),
        4096,
        4096,
        False,
        0,
    ),
]


@pytest.mark.parametrize(
    ("name", "source", "data", "frames", "declared", "truncated", "missing"), TAKEN, ids=[row[0] for row in TAKEN]
)
def test_a_file_is_taken_and_its_length_told(
    name: str, source: str, data: bytes, frames: int, declared: int | None, truncated: bool, missing: int
) -> None:
    header = _sniff(data)
    assert header.frames == frames
    assert header.declared_frames == declared
    assert header.truncated is truncated
    assert header.missing_bytes == missing


def test_length_is_judged_by_the_bytes_there_and_not_by_the_promise() -> None:
    limits = AudioLimits(max_duration_s=0.01)
    lying = wav(PLAIN, chunk(b"data", SAMPLES, size=100_000_000))
    assert _sniff(lying, limits).frames == 480
    with pytest.raises(AudioRefused, match="the limit for that is 0 s") as caught:
        _sniff(lying, replace(limits, max_duration_s=0.009))
    assert caught.value.code == "too-long"


def test_a_small_file_of_many_samples_is_too_long_for_the_limit_on_samples() -> None:
    limits = AudioLimits(max_samples=8_191)
    with pytest.raises(AudioRefused, match="2 channel"):
        _sniff(flac_head(channels=2), limits)


def test_a_file_that_grows_smaller_than_said_is_refused_by_name() -> None:
    data = pcm_wav()
    with pytest.raises(AudioRefused, match="ends inside"):
        sniff(io.BytesIO(data[:20]), len(data))


def test_little_is_read_of_a_long_file() -> None:
    class Counting(io.BytesIO):
        read_bytes = 0

        def read(self, size: int | None = -1, /) -> bytes:
            found = super().read(size)
            self.read_bytes += len(found)
            return found

    data = wav(PLAIN, chunk(b"bext", bytes(100_000)), chunk(b"data", bytes(5_000_000)))
    file = Counting(data)
    assert sniff(file, len(data)).frames == 2_500_000
    assert file.read_bytes < 1_000


def test_the_promise_of_a_flac_stream_is_what_streaminfo_says() -> None:
    assert _sniff(with_flac_total(flac_head(), 4_000)).declared_frames == 4_000
