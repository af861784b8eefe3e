"""One recording as a source of samples for `measure`, whatever its container, in bounded memory.

A take of ordinary length is decoded once and kept; a long one is decoded anew by whoever asks for its blocks, and
searched for a segment. How long a FLAC stream is, only decoding tells (`stock`).
"""

import os
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Self

from coilbench_worker.audio.decoder import Decoder
from coilbench_worker.audio.header import sniff
from coilbench_worker.audio.layout import Header
from coilbench_worker.audio.limits import AudioLimits
from coilbench_worker.audio.refusal import UnreadableRecording
from coilbench_worker.audio.stock import Stock, take_stock
from coilbench_worker.measure.source import BLOCK_FRAMES, FloatArray, RecordingFacts

IN_MEMORY_BYTES = 96_000_000  # of samples as float64


def open_recording(path: str | os.PathLike[str], limits: AudioLimits | None = None) -> "Recording":
    """Open a sound file for measuring; close it, or use it in a `with` statement.

    Raises
    ------
    AudioRefused : the file can't be measured (see `refusal`); trying again is no use
    OSError : the file can't be reached now
    """
    limits = limits or AudioLimits()
    path = Path(path)
    with path.open("rb") as file:
        header = sniff(file, os.fstat(file.fileno()).st_size, limits)
    keep_frames = IN_MEMORY_BYTES // (8 * header.channels)
    if header.container == "flac" or header.frames is None:
        return Recording(path, *take_stock(path, header, limits, keep_frames))
    samples = None
    if header.frames <= keep_frames:
        with Decoder(path, header) as decoder:
            samples = decoder.read(header.frames)
    return Recording(path, header, Stock(header.frames, samples, damaged=False))


class Recording:
    """An open recording: a `SampleSource` with `facts`.

    Parameters
    ----------
    path : the sound file, which has to stay there until `close`
    header : what `sniff` found in it
    stock : how many frames there are, and the samples when they are few
    """

    def __init__(self, path: Path, header: Header, stock: Stock) -> None:
        self._path = path
        self._header = header
        self._samples = stock.samples
        self._searchable = stock.searchable
        self._searcher: Decoder | None = None
        self._at = 0
        self.rate_hz = header.rate_hz
        self.channels = header.channels
        self.frames = stock.frames
        short = header.declared_frames is not None and stock.frames < header.declared_frames
        self.facts = RecordingFacts(
            encoding=header.encoding,
            container=header.container,
            integer_bits=header.integer_bits,
            declared_frames=header.declared_frames,
            truncated=header.truncated or stock.damaged or short,
            missing_bytes=header.missing_bytes,
        )
        if self._samples is not None:
            self._samples.flags.writeable = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        if self._searcher is not None:
            self._searcher.close()
            self._searcher = None

    def blocks(self) -> Iterator[FloatArray]:
        """Consecutive blocks of shape (n, channels), full scale = 1.0, n <= BLOCK_FRAMES; not to be written to.

        Raises
        ------
        UnreadableRecording, OSError
        """
        starts = range(0, self.frames, BLOCK_FRAMES)
        if self._samples is not None:
            for start in starts:
                yield self._samples[start : start + BLOCK_FRAMES]
            return
        with Decoder(self._path, self._header) as decoder:
            for start in starts:
                yield decoder.read(min(BLOCK_FRAMES, self.frames - start))

    def segment(self, start: int, stop: int) -> FloatArray:
        """Frames start..stop, shape (stop - start, channels), 0 <= start <= stop <= frames; not to be written to.

        Raises
        ------
        ValueError : outside the recording
        UnreadableRecording, OSError
        """
        if not 0 <= start <= stop <= self.frames:
            raise ValueError(f"segment {start}..{stop} is outside the recording's {self.frames} frames")
        if self._samples is not None:
            return self._samples[start:stop]
        if self._searchable:
            try:
                if self._searcher is None:
                    self._searcher = Decoder(self._path, self._header)
                self._searcher.seek(start)
                return self._searcher.read(stop - start)
            except UnreadableRecording:
                if self._header.container != "flac":
                    raise
                self._searchable = False
                self.close()
        return self._onward(start, stop)

    def _onward(self, start: int, stop: int) -> FloatArray:
        """The same of a FLAC stream that can't be searched (a part of one, a damaged one): read on, or from its start
        again.
        """
        if self._searcher is None or start < self._at:
            self.close()
            self._searcher, self._at = Decoder(self._path, self._header), 0
        self._searcher.skip(start - self._at)
        self._at = stop
        return self._searcher.read(stop - start)
