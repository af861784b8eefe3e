"""Hand-made files after checkvalues.md section 15: why each of these is refused."""

import io

import pytest

from coilbench_worker.audio.header import AudioRefused, sniff
from unit.audio.sound_bytes import (
    PCM_GUID,
    aiff,
    chunk,
    codes,
    extended,
    extensible,
    flac_head,
    fmt,
    packed,
    wav,
)

SECTION_15 = "checkvalues.md section 15"
SAMPLES = packed(codes(480), 2)
STEREO = packed(codes(480, 2), 2)
PLAIN = chunk(b"fmt ", fmt())
DATA = chunk(b"data", SAMPLES)


def _sniff(data: bytes) -> None:
    sniff(io.BytesIO(data), len(data))


# name, source, bytes, code, status, words of the detail
REFUSED = [
    ("no bytes", SECTION_15, b"", "empty-file", 422, "no bytes"),
    ("text", "UTF-8", b"Dear Sir,\nplease find my takes\n" * 9, "not-a-recording", 415, "text"),
    ("text cut in a character", "UTF-8", ("é" * 400).encode()[:511], "not-a-recording", 415, "text"),
    ("UTF-16 text", "byte order mark", "hello, here are the takes".encode("utf-16"), "not-a-recording", 415, "text"),
    ("web page", "HTML", b"\n<!DOCTYPE html><html>", "not-a-recording", 415, "web page"),
    ("ZIP", "signature", b"PK\3\4" + bytes(60), "not-a-recording", 415, "ZIP archive"),
    ("PNG", "signature", b"\x89PNG\r\n\x1a\n" + bytes(60), "not-a-recording", 415, "PNG picture"),
    ("JPEG", "signature", b"\xff\xd8\xff\xe0" + bytes(60), "not-a-recording", 415, "JPEG picture"),
    ("zeros", "own reading", bytes(4000), "not-a-recording", 415, "zero bytes"),
    ("noise", "own reading", b"\x93\x01\x02\x03" * 30, "not-a-recording", 415, "0x93010203"),
    ("AVI", "RIFF kinds", b"RIFF\x10\0\0\0AVI LIST", "not-a-recording", 415, "AVI video"),
    ("RIFF alone", "RIFF", b"RIFF\x10\0", "damaged-header", 422, "within its header"),
    ("MP3 with a tag", "ID3v2", b"ID3\4\0\0\0\0\0\x0a" + bytes(20), "unsupported-encoding", 415, "MP3"),
    ("MP3", "MPEG sync", b"\xff\xfb\x90\x64" + bytes(400), "unsupported-encoding", 415, "MP3"),
    ("AAC", "ADTS sync", b"\xff\xf1\x50\x80\x2e" + bytes(60), "unsupported-encoding", 415, "AAC"),
    ("Ogg Opus", "RFC 7845", b"OggS" + bytes(24) + b"OpusHead", "unsupported-encoding", 415, "Ogg Opus"),
    ("Ogg Vorbis", "Vorbis I", b"OggS" + bytes(24) + b"\1vorbis", "unsupported-encoding", 415, "Ogg Vorbis"),
    ("M4A", "ISO 14496-12", b"\0\0\0\x20ftypM4A " + bytes(20), "unsupported-encoding", 415, "M4A"),
    ("BW64", SECTION_15, wav(PLAIN, DATA, outer=b"BW64"), "unsupported-encoding", 415, "BW64"),
    (
        "MS ADPCM",
        SECTION_15,
        wav(chunk(b"fmt ", fmt(2, bits=4, frame_bytes=256)), DATA),
        "unsupported-encoding",
        415,
        "MS ADPCM",
    ),
    (
        "IMA ADPCM",
        SECTION_15,
        wav(chunk(b"fmt ", fmt(0x11, bits=4, frame_bytes=256)), DATA),
        "unsupported-encoding",
        415,
        "IMA ADPCM",
    ),
    ("mu-law", SECTION_15, wav(chunk(b"fmt ", fmt(7, bits=8)), DATA), "unsupported-encoding", 415, "mu-law"),
    ("A-law", SECTION_15, wav(chunk(b"fmt ", fmt(6, bits=8)), DATA), "unsupported-encoding", 415, "A-law"),
    (
        "MP3 in WAV",
        "RFC 2361",
        wav(chunk(b"fmt ", fmt(0x55, bits=0, frame_bytes=1)), DATA),
        "unsupported-encoding",
        415,
        "MP3",
    ),
    ("unknown tag", "RFC 2361", wav(chunk(b"fmt ", fmt(0x1234)), DATA), "unsupported-encoding", 415, "0x1234"),
    (
        "64-bit integers",
        "libsndfile has none",
        wav(chunk(b"fmt ", fmt(bits=64)), DATA),
        "unsupported-encoding",
        415,
        "64 bits",
    ),
    ("16-bit floats", "libsndfile has none", wav(chunk(b"fmt ", fmt(3)), DATA), "unsupported-encoding", 415, "16 bits"),
    (
        "extensible with a strange sub-format",
        SECTION_15,
        wav(chunk(b"fmt ", extensible(PCM_GUID[:4] + bytes(12), 1, 16, 16)), DATA),
        "unsupported-encoding",
        415,
        "neither PCM",
    ),
    (
        "extensible with too many valid bits",
        SECTION_15,
        wav(chunk(b"fmt ", extensible(PCM_GUID, 1, 16, 24)), DATA),
        "damaged-header",
        422,
        "24 valid bits",
    ),
    (
        "extensible cut to 18 bytes",
        SECTION_15,
        wav(chunk(b"fmt ", extensible(PCM_GUID, 1, 16, 16)[:18]), DATA),
        "damaged-header",
        422,
        "instead of 40",
    ),
    ("data before fmt", SECTION_15, wav(DATA, PLAIN), "damaged-header", 422, "before 'fmt '"),
    (
        "odd chunk without pad",
        SECTION_15,
        wav(PLAIN, chunk(b"LIST", b"INFOabc", pad=False), DATA),
        "damaged-header",
        422,
        "pad byte",
    ),
    ("no data", "RIFF", wav(PLAIN), "damaged-header", 422, "No chunk 'data'"),
    ("no fmt", "RIFF", wav(chunk(b"LIST", b"INFO")), "damaged-header", 422, "'fmt ' and 'data'"),
    ("fmt cut", "RIFF", wav(PLAIN)[:26], "damaged-header", 422, "inside the chunk 'fmt '"),
    ("fmt of 8 bytes", SECTION_15, wav(chunk(b"fmt ", fmt()[:8]), DATA), "damaged-header", 422, "8 bytes"),
    ("0 channels", "RIFF", wav(chunk(b"fmt ", fmt(channels=0)), DATA), "damaged-header", 422, "0 channels"),
    ("0 bits", "RIFF", wav(chunk(b"fmt ", fmt(bits=0)), DATA), "damaged-header", 422, "0 bits"),
    (
        "frame size that does not fit",
        "RIFF",
        wav(chunk(b"fmt ", fmt(frame_bytes=3)), DATA),
        "damaged-header",
        422,
        "3 bytes for a frame",
    ),
    (
        "RF64 without ds64",
        "EBU Tech 3306",
        wav(PLAIN, chunk(b"data", SAMPLES, size=0xFFFFFFFF), outer=b"RF64"),
        "damaged-header",
        422,
        "ds64",
    ),
    (
        "endless small chunks",
        "own limit",
        wav(*[chunk(b"LIST", b"") for _ in range(1100)], PLAIN, DATA),
        "damaged-header",
        422,
        "1024 chunks",
    ),
    ("empty data", SECTION_15, wav(PLAIN, chunk(b"data", b"")), "no-samples", 422, "nothing was recorded"),
    (
        "empty data, then a chunk",
        SECTION_15,
        wav(PLAIN, chunk(b"data", b""), chunk(b"LIST", b"INFOabcd")),
        "no-samples",
        422,
        "only other chunks",
    ),
    ("cut right behind the header", SECTION_15, wav(PLAIN, DATA)[:45], "no-samples", 422, "960 bytes"),
    (
        "96 channels",
        "limit 32",
        wav(chunk(b"fmt ", fmt(channels=96)), DATA),
        "too-many-channels",
        422,
        "96 channels; the limit is 32",
    ),
    (
        "4 GHz",
        "limit 384 kHz",
        wav(chunk(b"fmt ", fmt(rate_hz=4_000_000_000)), DATA),
        "sample-rate-out-of-range",
        422,
        "4,000,000,000 Hz",
    ),
    ("100 Hz", "limit 8 kHz", wav(chunk(b"fmt ", fmt(rate_hz=100)), DATA), "sample-rate-out-of-range", 422, "100 Hz"),
    (
        "AIFF at an infinite rate",
        "80-bit extended",
        aiff(480, 1, 16, SAMPLES).replace(extended(48_000), b"\x7f\xff" + bytes(8)),
        "sample-rate-out-of-range",
        422,
        "COMM",
    ),
    ("AIFC mu-law", "AIFF-C", aiff(480, 1, 16, SAMPLES, kind=b"ulaw"), "unsupported-encoding", 415, "mu-law"),
    ("AIFF without SSND", "AIFF 1.3", aiff(480, 1, 16, SAMPLES)[:38], "damaged-header", 422, "SSND"),
    ("AIFF without samples", "AIFF 1.3", aiff(0, 1, 16, b""), "no-samples", 422, "nothing was recorded"),
    ("AIFF of 33 bits", "AIFF 1.3", aiff(480, 1, 33, SAMPLES), "damaged-header", 422, "33 bits"),
    ("AIFF of -1 channels", "AIFF 1.3", aiff(480, -1, 16, SAMPLES), "damaged-header", 422, "-1 channels"),
    ("FLAC of 20 bits", "libsndfile has none", flac_head(bits=20), "unsupported-encoding", 415, "20 bits"),
    (
        "FLAC that promises 2^36 - 1 frames",
        "field notes section 5",
        flac_head(frames=2**36 - 1),
        "damaged-header",
        422,
        "68,719,476,735 frames",
    ),
    ("FLAC without frames", "RFC 9639", flac_head()[:42], "no-samples", 422, "nothing was recorded"),
    (
        "FLAC without its sync",
        "RFC 9639 section 9.1",
        flac_head(audio=bytes(40)),
        "damaged-header",
        422,
        "No FLAC frame",
    ),
    ("FLAC at 0 Hz", "RFC 9639", flac_head(rate_hz=0), "sample-rate-out-of-range", 422, "0 Hz"),
    (
        "FLAC without STREAMINFO",
        "RFC 9639 section 8",
        b"fLaC\x84\0\0\x22" + bytes(40),
        "damaged-header",
        422,
        "STREAMINFO",
    ),
]


@pytest.mark.parametrize(
    ("name", "source", "data", "code", "status", "words"), REFUSED, ids=[row[0] for row in REFUSED]
)
def test_a_file_is_refused_with_its_reason(
    name: str, source: str, data: bytes, code: str, status: int, words: str
) -> None:
    with pytest.raises(AudioRefused) as caught:
        _sniff(data)
    assert caught.value.code == code
    assert caught.value.status == status
    assert words in caught.value.detail
    assert len(caught.value.advice) > 20
    assert "\n" not in caught.value.advice
