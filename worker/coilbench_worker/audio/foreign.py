"""Names what a file is that is not a recording to measure, from its first bytes."""

from collections.abc import Callable

from coilbench_worker.audio.refusal import AudioRefused, DamagedHeader, NotARecording, UnsupportedEncoding

SOUND_SIGNATURES: tuple[tuple[int, bytes, str], ...] = (  # offset, bytes, name; from memory of the public signatures
    (0, b"BW64", "BW64 (save it as WAV or RF64)"),
    (0, b"ID3", "MP3"),
    (0, b"caff", "CAF"),
    (0, b".snd", "AU"),
    (0, b"wvpk", "WavPack"),
    (0, b"#!AMR", "AMR"),
    (0, b"ADIF", "AAC"),
    (0, b"MThd", "MIDI, which holds no sound"),
    (0, b"riff\x2e\x91\xcf\x11", "Wave64"),
    (0, bytes.fromhex("3026b2758e66cf11"), "ASF or WMA"),
    (0, b"\x1a\x45\xdf\xa3", "Matroska or WebM"),
    (4, b"ftyp", "MP4 or M4A (AAC or ALAC)"),
)
OTHER_SIGNATURES: tuple[tuple[int, bytes, str], ...] = (
    (0, b"PK\x03\x04", "a ZIP archive or an office document (unpack it and send the recordings)"),
    (0, b"PK\x05\x06", "an empty ZIP archive"),
    (0, b"\x1f\x8b", "a gzip archive (unpack it and send the recordings)"),
    (0, b"7z\xbc\xaf\x27\x1c", "a 7z archive (unpack it and send the recordings)"),
    (0, b"Rar!", "a RAR archive (unpack it and send the recordings)"),
    (0, b"BZh", "a bzip2 archive (unpack it and send the recordings)"),
    (0, b"\xfd7zXZ", "an xz archive (unpack it and send the recordings)"),
    (257, b"ustar", "a tar archive (unpack it and send the recordings)"),
    (0, b"\x89PNG", "a PNG picture"),
    (0, b"\xff\xd8\xff", "a JPEG picture"),
    (0, b"GIF8", "a GIF picture"),
    (0, b"II*\x00", "a TIFF picture"),
    (0, b"MM\x00*", "a TIFF picture"),
    (0, b"%PDF", "a PDF document"),
    (0, b"\x7fELF", "a program"),
    (0, b"MZ", "a program"),
    (0, b"SQLite format 3", "a database"),
)
RIFF_KINDS = {
    b"AVI ": "an AVI video",
    b"WEBP": "a WebP picture",
    b"RMID": "MIDI, which holds no sound",
}
OGG_KINDS = (
    (b"OpusHead", "Ogg Opus"),
    (b"\x01vorbis", "Ogg Vorbis"),
    (b"\x7fFLAC", "Ogg FLAC"),
    (b"Speex", "Ogg Speex"),
)
HEAD_BYTES = 512


def refusal_of(head: bytes, total_bytes: int) -> AudioRefused:
    """The error that fits a file which is neither WAV, RF64, FLAC nor AIFF.

    Parameters
    ----------
    head : the first HEAD_BYTES bytes, fewer when the file is shorter
    total_bytes : size of the file
    """
    if len(head) < 12 and any(head[:4] == start[: len(head)] for start in (b"RIFF", b"RF64", b"FORM", b"fLaC")):
        return DamagedHeader(f"The file stops after {total_bytes} bytes, within its header: the transfer was cut.")
    for offset, signature, name in SOUND_SIGNATURES:
        if head[offset : offset + len(signature)] == signature:
            return UnsupportedEncoding(f"The file is {name}; WAV, RF64, FLAC and AIFF are measured.")
    if head[:4] == b"OggS":
        name = next((name for mark, name in OGG_KINDS if mark in head), "Ogg")
        return UnsupportedEncoding(f"The file is {name}; WAV, RF64, FLAC and AIFF are measured.")
    if head[:4] in (b"RIFF", b"RIFX", b"FORM", b"RF64"):
        kind = RIFF_KINDS.get(head[8:12], f"{head[:4].decode()} of the kind {head[8:12]!r}")
        return NotARecording(f"The file is {kind}; WAV, RF64, FLAC and AIFF are measured.")
    for offset, signature, name in OTHER_SIGNATURES:
        if head[offset : offset + len(signature)] == signature:
            return NotARecording(f"The file is {name}, not a recording.")
    for looks, name, error in _LOOKS:
        if looks(head):
            return error(f"The file looks like {name}.")
    return NotARecording(f"The {total_bytes:,} bytes start with 0x{head[:8].hex()}, which no known sound format does.")


def _zeros(head: bytes) -> bool:
    return not any(head)


def _mpeg_audio(head: bytes) -> bool:
    return (
        len(head) >= 4
        and head[0] == 0xFF
        and head[1] & 0xE6 in (0xE2, 0xE4, 0xE6)
        and head[1] & 0x18 != 0x08
        and head[2] & 0xF0 != 0xF0
        and head[2] & 0x0C != 0x0C
    )


def _adts(head: bytes) -> bool:
    return len(head) >= 2 and head[0] == 0xFF and head[1] & 0xF6 == 0xF0


def _web_page(head: bytes) -> bool:
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n")[:14].lower()
    return start.startswith((b"<!doctype html", b"<html"))


def _text(head: bytes) -> bool:
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return head[2:].count(0) * 3 > len(head)
    if any(byte < 0x20 and byte not in b"\t\n\r\f\x1b" for byte in head):
        return False
    try:
        head.decode()
    except UnicodeDecodeError as cut:
        return cut.start >= len(head) - 3  # a character may be cut at the end of what was read
    return True


_LOOKS: tuple[tuple[Callable[[bytes], bool], str, type[AudioRefused]], ...] = (
    (_zeros, "nothing but zero bytes: space was reserved and the recording never copied into it", NotARecording),
    (_web_page, "a web page: perhaps a log-in page that was saved instead of the recording", NotARecording),
    (_text, "text", NotARecording),
    (_mpeg_audio, "MP3 or another MPEG audio stream; WAV, RF64, FLAC and AIFF are measured", UnsupportedEncoding),
    (_adts, "AAC; WAV, RF64, FLAC and AIFF are measured", UnsupportedEncoding),
)
