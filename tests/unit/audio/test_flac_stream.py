"""FLAC streams that are cut, damaged, of unknown or wrong length, or much larger than they look."""

import io
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from coilbench_worker.audio.decoder import Decoder
from coilbench_worker.audio.header import AudioLimits
from coilbench_worker.audio.recording import open_recording
from coilbench_worker.audio.refusal import AudioRefused, DamagedHeader, TooLong, UnreadableRecording
from faults.literal_flac import frame_at
from material.flac_stream import silent_frame, with_info
from unit.audio.sound_bytes import flac_head, with_flac_total

FRAMES = 100_000
BLOCK = 4_096  # what libFLAC's encoder cuts at 48 kHz; the tests below read it back from STREAMINFO


@pytest.fixture(scope="module")
def codes() -> np.ndarray:
    return np.random.default_rng(11).integers(-20_000, 20_000, (FRAMES, 1)).astype(np.int16)


@pytest.fixture(scope="module")
def stream(codes: np.ndarray) -> bytes:
    file = io.BytesIO()
    soundfile.write(file, codes, 48_000, format="FLAC", subtype="PCM_16")
    data = file.getvalue()
    assert int.from_bytes(data[8:10], "big") == BLOCK
    return data


@pytest.fixture(params=[96_000_000, 1_000], ids=["kept in memory", "read from disk"])
def memory(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("coilbench_worker.audio.recording.IN_MEMORY_BYTES", request.param)


def _opened(tmp_path: Path, data: bytes, limits: AudioLimits | None = None) -> tuple[np.ndarray, object, np.ndarray]:
    path = tmp_path / "take.flac"
    path.write_bytes(data)
    with open_recording(path, limits) as recording:
        samples = np.concatenate(list(recording.blocks()))
        assert len(samples) == recording.frames
        tail = recording.segment(max(recording.frames - 100, 0), recording.frames)
        return samples, recording.facts, tail


@pytest.mark.usefixtures("memory")
def test_a_cut_stream_goes_as_far_as_its_last_whole_block(tmp_path: Path, stream: bytes, codes: np.ndarray) -> None:
    samples, facts, tail = _opened(tmp_path, stream[: len(stream) // 2])
    assert len(samples) % BLOCK == 0
    assert FRAMES / 2 - BLOCK <= len(samples) <= FRAMES / 2
    assert np.array_equal(samples, codes[: len(samples)] / 32_768)
    assert np.array_equal(tail, samples[-100:])
    assert facts.truncated
    assert facts.declared_frames == FRAMES


@pytest.mark.usefixtures("memory")
def test_damage_in_mid_stream_ends_the_recording_there_instead_of_splicing_it(
    tmp_path: Path, stream: bytes, codes: np.ndarray
) -> None:
    middle = len(stream) // 2
    samples, facts, tail = _opened(tmp_path, stream[:middle] + b"\xaa" * 100 + stream[middle + 100 :])
    assert FRAMES / 2 - BLOCK <= len(samples) <= FRAMES / 2
    assert np.array_equal(samples, codes[: len(samples)] / 32_768)
    assert np.array_equal(tail, samples[-100:])
    assert facts.truncated


@pytest.mark.usefixtures("memory")
@pytest.mark.parametrize("promise", [0, 1_000, FRAMES - 1, FRAMES + 5, FRAMES * 100])
def test_a_wrong_promise_gives_the_frames_that_decode(
    tmp_path: Path, stream: bytes, codes: np.ndarray, promise: int
) -> None:
    samples, facts, tail = _opened(tmp_path, with_flac_total(stream, promise))
    assert np.array_equal(samples, codes / 32_768)
    assert np.array_equal(tail, samples[-100:])
    assert facts.declared_frames == (promise or None)
    assert facts.truncated is (promise > FRAMES)


def test_a_tag_behind_the_stream_is_no_damage(tmp_path: Path, stream: bytes) -> None:
    samples, facts, _ = _opened(tmp_path, stream + b"TAG" + b"some title".ljust(125, b"\0"))
    assert (len(samples), facts.truncated) == (FRAMES, False)


def test_a_stream_of_unknown_length_is_stopped_at_the_limit(tmp_path: Path, stream: bytes) -> None:
    path = tmp_path / "take.flac"
    path.write_bytes(with_flac_total(stream, 0))
    with pytest.raises(TooLong, match="lasts 1 s or longer"):
        open_recording(path, AudioLimits(max_duration_s=1.0))


def test_a_stream_cut_in_its_first_block_is_unreadable_and_keeps_the_cause(tmp_path: Path, stream: bytes) -> None:
    path = tmp_path / "take.flac"
    path.write_bytes(stream[:4_000])
    with pytest.raises(UnreadableRecording, match="Not one frame") as caught:
        open_recording(path)
    assert isinstance(caught.value.__cause__, AudioRefused)
    assert isinstance(caught.value.__cause__.__cause__, soundfile.LibsndfileError)


BOMB_FRAMES = 120_000_000
MEASURED_IN_A_CHILD = """
import resource, sys
from pathlib import Path
from coilbench_worker.audio.recording import open_recording
def peak_kb():  # not ru_maxrss, which also counts what the parent had when it started this process
    return int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0])
before = peak_kb()
limit = 3 << 30
resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
with open_recording(sys.argv[1]) as recording:
    frames = sum(len(block) for block in recording.blocks())
    recording.segment(60_000_000, 60_010_000)
print(frames, (peak_kb() - before) // 1024)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc, which only Linux has")
def test_a_flac_bomb_is_read_in_little_memory(tmp_path: Path) -> None:
    """0.5 MB of FLAC that unpacks to 0.96 GB as float64; the reader may take 40 MB."""
    path = tmp_path / "bomb.flac"
    silence = np.zeros(1 << 20, dtype=np.int16)
    with soundfile.SoundFile(path, "w", 48_000, 1, "PCM_16") as file:
        for start in range(0, BOMB_FRAMES, len(silence)):
            file.write(silence[: BOMB_FRAMES - start])
    assert path.stat().st_size < 1_000_000
    child = subprocess.run(
        [sys.executable, "-c", MEASURED_IN_A_CHILD, str(path)], capture_output=True, text=True, check=True
    )
    frames, more_mb = map(int, child.stdout.split())
    assert frames == BOMB_FRAMES
    assert more_mb < 40


def test_a_flac_bomb_beyond_the_limits_is_refused_by_its_header(tmp_path: Path, stream: bytes) -> None:
    path = tmp_path / "bomb.flac"
    path.write_bytes(with_flac_total(stream, 48_000 * 7_201))
    with pytest.raises(AudioRefused) as caught:
        open_recording(path)
    assert caught.value.code in ("too-long", "damaged-header")


def test_damaged_comments_never_reach_the_decoder(tmp_path: Path, stream: bytes, codes: np.ndarray) -> None:
    """libFLAC refuses the stream for them; the samples are whole."""
    damaged = bytearray(stream)
    assert damaged[42] & 0x7F == 4  # a comment block follows STREAMINFO; its text now claims 2 GB
    damaged[49] = 0x7F
    with pytest.raises(soundfile.LibsndfileError):
        soundfile.read(io.BytesIO(bytes(damaged)))
    samples, facts, _ = _opened(tmp_path, bytes(damaged))
    assert np.array_equal(samples, codes / 32_768)
    assert not facts.truncated


def _split(stream: bytes) -> tuple[bytes, list[bytes]]:
    """What stands before the frames, and the frames (found with the decoder of the tests)."""
    start = at = 4
    while not stream[start] & 0x80 or at == 4:
        start, at = at, at + 4 + int.from_bytes(stream[at + 1 : at + 4], "big")
    frames, head = [], stream[:at]
    while at < len(stream):
        _, _, end = frame_at(stream, at, 16)
        frames.append(stream[at:end])
        at = end
    return head, frames


@pytest.mark.usefixtures("memory")
@pytest.mark.parametrize(
    ("order", "whole"),
    [
        ([0, 1, 2, 4, 5], 3),
        ([0, 1, 1, 2, 3], 2),
        ([0, 2, 1, 3, 4], 1),
        ([0, 1, 24, 2, 3], 2),
    ],
    ids=["one lost", "one twice", "two swapped", "the short last one among them"],
)
@pytest.mark.parametrize("promise", [FRAMES, 0])
def test_frames_that_do_not_follow_each_other_are_not_joined(
    tmp_path: Path, stream: bytes, codes: np.ndarray, order: list[int], whole: int, promise: int
) -> None:
    """Each of them is sound by its own checksum; what decodes behind the gap would be out of its time."""
    head, frames = _split(with_flac_total(stream, promise))
    samples, facts, tail = _opened(tmp_path, head + b"".join(frames[number] for number in order))
    assert np.array_equal(samples, codes[: whole * BLOCK] / 32_768)
    assert np.array_equal(tail, samples[-100:])
    assert facts.truncated


@pytest.mark.usefixtures("memory")
def test_a_part_of_a_stream_is_read_from_its_own_beginning(tmp_path: Path, stream: bytes, codes: np.ndarray) -> None:
    """Numbered from 5 on, as what was cut out of a broadcast is; libFLAC would search at the wrong place."""
    head, frames = _split(with_flac_total(stream, FRAMES - 5 * BLOCK))
    samples, facts, tail = _opened(tmp_path, head + b"".join(frames[5:]))
    assert np.array_equal(samples, codes[5 * BLOCK :] / 32_768)
    assert np.array_equal(tail, samples[-100:])
    assert not facts.truncated


def test_pieces_of_a_stream_that_can_not_be_searched_are_read_in_any_order(
    tmp_path: Path, stream: bytes, codes: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One pass serves pieces that follow each other; a piece further ahead begins another."""
    monkeypatch.setattr("coilbench_worker.audio.recording.IN_MEMORY_BYTES", 1_000)
    head, frames = _split(with_flac_total(stream, FRAMES - 5 * BLOCK))
    path = tmp_path / "take.flac"
    path.write_bytes(head + b"".join(frames[5:]))
    truth = codes[5 * BLOCK :] / 32_768
    opened: list[Decoder] = []

    class Counted(Decoder):
        def __init__(self, *arguments: Any) -> None:
            super().__init__(*arguments)
            opened.append(self)

    monkeypatch.setattr("coilbench_worker.audio.recording.Decoder", Counted)
    with open_recording(path) as recording:
        for start, stop in [(100, 5_000), (5_000, 5_001), (60_000, 79_520), (79_520, 79_520)]:
            assert np.array_equal(recording.segment(start, stop), truth[start:stop])
        assert len(opened) == 1
        assert np.array_equal(recording.segment(0, 50), truth[:50])
        assert len(opened) == 2


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("rate_hz", 44_100, "44,100 Hz.*first frame says 48,000 Hz"),
        ("channels", 2, "2 channel.*first frame says 48,000 Hz, 1 channel"),
        ("bits", 24, "24 bits.*16 bits"),
    ],
)
def test_a_streaminfo_that_the_frames_contradict_is_refused(
    tmp_path: Path, stream: bytes, field: str, value: int, words: str
) -> None:
    lying = stream[:8] + with_info(stream[8:42], **{field: value}) + stream[42:]
    with pytest.raises(DamagedHeader, match=words):
        _opened(tmp_path, lying)


def test_a_lie_about_block_sizes_does_no_harm(tmp_path: Path, stream: bytes, codes: np.ndarray) -> None:
    lying = stream[:8] + with_info(stream[8:42], block_least=16, block_most=9_000) + stream[42:]
    assert np.array_equal(_opened(tmp_path, lying)[0], codes / 32_768)


@pytest.mark.parametrize("promise", [48_000, 0, 400 * 65_535])
def test_a_stream_that_unpacks_to_far_more_than_it_claims_is_stopped_at_the_limit(tmp_path: Path, promise: int) -> None:
    """6 KB that claim a second and are 9 minutes."""
    bomb = flac_head(frames=promise, audio=b"".join(silent_frame(number, 65_535, 1, 16) for number in range(400)))
    path = tmp_path / "bomb.flac"
    path.write_bytes(with_flac_total(bomb[:8] + with_info(bomb[8:42], block_most=65_535) + bomb[42:], promise))
    assert path.stat().st_size < 7_000
    with pytest.raises(TooLong, match=r"lasts .* s or longer"):
        open_recording(path, AudioLimits(max_duration_s=60.0))
    with open_recording(path) as recording:
        assert recording.frames == 400 * 65_535


def test_much_junk_behind_the_last_frame_is_told_and_costs_no_time(tmp_path: Path, stream: bytes) -> None:
    """4 MB, which no frame can be: its checksum is not worked out over them."""
    path = tmp_path / "take.flac"
    path.write_bytes(with_flac_total(stream, 0) + b"\x11" * 4_000_000)
    with open_recording(path) as recording:
        assert (recording.frames, recording.facts.truncated) == (FRAMES, True)
    path.write_bytes(stream + b"\x11" * 4_000_000)
    with open_recording(path) as recording:
        assert (recording.frames, recording.facts.truncated) == (FRAMES, False)
