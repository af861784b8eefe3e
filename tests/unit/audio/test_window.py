"""A window shows a stretch of a file as the whole, and keeps a fault of the disk for whoever can raise it."""

import io
import os
from pathlib import Path

import pytest
import soundfile

from coilbench_worker.audio import decoder
from coilbench_worker.audio.recording import open_recording
from coilbench_worker.audio.window import Window
from unit.audio.sound_bytes import pcm_wav


def test_a_window_begins_and_ends_where_it_was_set() -> None:
    window = Window(io.BytesIO(b"headSAMPLEStail"), 4, 7)
    assert window.read() == b"SAMPLES"
    assert window.read(3) == b""
    assert window.seek(-3, os.SEEK_END) == 4
    assert window.read(100) == b"LES"
    assert window.seek(-5, os.SEEK_SET) == 0
    assert window.seek(2, os.SEEK_CUR) == 2
    assert window.read(2) == b"MP"
    assert window.seek(1 << 62) == window.tell() == 7


def test_a_front_stands_before_the_window_as_if_it_were_in_the_file() -> None:
    window = Window(io.BytesIO(b"headSAMPLEStail"), 4, 7, b"front ")
    assert window.read() == b"front SAMPLES"
    assert window.seek(4) == 4
    assert window.read(5) == b"t SAM"
    assert window.read(100) == b"PLES"
    assert window.seek(-1, os.SEEK_END) == 12
    assert window.read(2) == b"S"
    assert window.seek(0) == 0
    assert [window.read(3) for _ in range(5)] == [b"fro", b"nt ", b"SAM", b"PLE", b"S"]
    assert window.seek(1 << 62) == window.tell() == 13


def test_a_fault_of_the_disk_is_kept_and_reads_as_the_end() -> None:
    class Failing(io.BytesIO):
        def readinto(self, target: object) -> int:
            raise OSError(5, "Input/output error")

    window = Window(Failing(b"abc"), 0, 3)
    assert window.read() == b""
    assert isinstance(window.fault, OSError)


@pytest.mark.parametrize("fault", [OSError(5, "Input/output error"), MemoryError("no room")])
def test_a_fault_of_disk_or_memory_is_not_taken_for_a_bad_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: OSError | MemoryError
) -> None:
    class FailingWindow(Window):
        def readinto(self, target: bytearray | memoryview) -> int:
            self.fault = fault
            return 0

    path = tmp_path / "take.wav"
    path.write_bytes(pcm_wav())
    monkeypatch.setattr(decoder, "Window", FailingWindow)
    with pytest.raises(type(fault), match=str(fault.args[-1])):
        open_recording(path)


def test_want_of_memory_inside_the_library_is_not_taken_for_a_bad_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = soundfile._ffi.string(soundfile._snd.sf_error_number(decoder.OUT_OF_MEMORY)).decode()
    assert "malloc" in words

    def no_room(*_: object, **__: object) -> None:
        raise soundfile.LibsndfileError(decoder.OUT_OF_MEMORY)

    path = tmp_path / "take.wav"
    path.write_bytes(pcm_wav())
    monkeypatch.setattr(decoder._Stream, "read", no_room)
    with pytest.raises(MemoryError, match="no memory"):
        open_recording(path)
