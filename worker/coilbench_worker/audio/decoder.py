"""Decodes samples with libsndfile, which is told what our own header reader found.

PCM and float samples are given to it as raw data at their place, and FLAC frames behind a beginning that we make, so
that its parsers of containers and metadata never see a file from outside.
"""

from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import soundfile

from coilbench_worker.audio.layout import Header
from coilbench_worker.audio.refusal import UnreadableRecording
from coilbench_worker.audio.window import Window
from coilbench_worker.measure.source import BLOCK_FRAMES, FloatArray

OUT_OF_MEMORY = 17  # SFE_MALLOC_FAILED, "Internal malloc () failed."; a test reads the words back
READ_AHEAD_BYTES = 1 << 18
SUBTYPES = {
    "pcm_u8": "PCM_U8",
    "pcm_s8": "PCM_S8",
    "pcm_s16": "PCM_16",
    "pcm_s24": "PCM_24",
    "pcm_s32": "PCM_32",
    "float32": "FLOAT",
    "float64": "DOUBLE",
}


class _Stream(soundfile.SoundFile):  # type: ignore[misc]
    """Reads on without looking back: soundfile seeks after every read, which fails where a FLAC stream ends early."""

    def seekable(self) -> bool:
        return False


class Decoder:
    """Samples of one file, one after the other.

    Parameters
    ----------
    path : the sound file, opened here and closed by `close`
    header : what is in it

    Raises
    ------
    UnreadableRecording : libsndfile does not take it
    OSError, MemoryError : the file can't be reached, or there is no room to decode it
    """

    def __init__(self, path: Path, header: Header) -> None:
        self._channels = header.channels
        self._file = path.open("rb", buffering=READ_AHEAD_BYTES)
        self._window = Window(self._file, header.data_offset, header.data_bytes, header.preamble)
        raw: dict[str, Any] = {}
        if header.container != "flac":
            raw = {
                "format": "RAW",
                "samplerate": header.rate_hz,
                "channels": header.channels,
                "subtype": SUBTYPES[header.encoding],
                "endian": "BIG" if header.big_endian else "LITTLE",
            }
        try:
            self._stream = _Stream(self._window, "r", **raw)
        except soundfile.SoundFileError as error:
            self._file.close()
            self._raise_fault(error)
            raise UnreadableRecording(f"The decoder does not take the file: {_words(error)}") from error
        if (self._stream.channels, self._stream.samplerate) != (header.channels, header.rate_hz):
            self.close()
            raise UnreadableRecording("The decoder found another number of channels or another rate than the header.")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._stream.close()
        self._file.close()

    def read_into(self, room: FloatArray) -> int:
        """Fill `room`, shape (n, channels), full scale = 1.0; the number of frames read, fewer at the end.

        Raises
        ------
        UnreadableRecording, OSError
        """
        try:
            found = len(self._stream.read(out=room))
        except soundfile.SoundFileError as error:
            self._raise_fault(error)
            raise UnreadableRecording(f"The samples can't be decoded: {_words(error)}") from error
        if self._window.fault is not None:
            raise self._window.fault
        return found

    def read(self, frames: int) -> FloatArray:
        """The next `frames` frames, shape (frames, channels).

        Raises
        ------
        UnreadableRecording : fewer are left
        OSError : the file can't be reached
        """
        room = np.empty((frames, self._channels))
        found = self.read_into(room) if frames else 0
        if found < frames:
            raise UnreadableRecording(f"{frames:,} frames were to be read, {found:,} came: the file has changed.")
        return room

    def skip(self, frames: int) -> None:
        """Decode and drop the next `frames` frames.

        Raises
        ------
        UnreadableRecording, OSError
        """
        while frames > 0:
            frames -= len(self.read(min(frames, BLOCK_FRAMES)))

    def seek(self, frame: int) -> None:
        """Go to a frame.

        Raises
        ------
        UnreadableRecording : the stream can't be searched there
        """
        try:
            self._stream.seek(frame)
        except soundfile.SoundFileError as error:
            self._raise_fault(error)
            raise UnreadableRecording(f"Frame {frame:,} can't be found: {_words(error)}") from error

    def _raise_fault(self, error: soundfile.SoundFileError) -> None:
        """Raise what is behind an error of the library when it is not about the recording."""
        if self._window.fault is not None:
            raise self._window.fault from error
        if getattr(error, "code", None) == OUT_OF_MEMORY:
            raise MemoryError("the decoder found no memory") from error


def _words(error: soundfile.SoundFileError) -> str:
    """What libsndfile said, without what soundfile puts before it: the Python object that it was reading from."""
    return str(getattr(error, "error_string", error))
