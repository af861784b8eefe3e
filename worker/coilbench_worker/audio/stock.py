"""How much of a FLAC stream is sound: the header's promise can be wrong, and the stream cut, damaged or put together.

Sound are frames that follow each other by their numbers (`flac_frames`) and that decode. One pass through the stream
keeps the samples where they are few; where the decoder stumbles, a second one goes frame by frame up to the damage.
What is behind damage or a gap is left out: it would be joined without a gap. Frames beyond the promise count; bytes
beyond it that are no frame are no damage.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from coilbench_worker.audio.decoder import Decoder
from coilbench_worker.audio.flac import with_total
from coilbench_worker.audio.flac_frames import Chain, chain, frames
from coilbench_worker.audio.header import too_long
from coilbench_worker.audio.layout import Header
from coilbench_worker.audio.limits import AudioLimits
from coilbench_worker.audio.refusal import UnreadableRecording
from coilbench_worker.measure.source import BLOCK_FRAMES, FloatArray


@dataclass(frozen=True, slots=True)
class Stock:
    """What of a stream is sound.

    Attributes
    ----------
    frames : samples per channel
    samples : they themselves, when they were to be kept
    damaged : something is wrong before the promise is kept
    searchable : whether the decoder finds its way in it
    """

    frames: int
    samples: FloatArray | None
    damaged: bool
    searchable: bool = True


def take_stock(path: Path, header: Header, limits: AudioLimits, keep_frames: int) -> tuple[Header, Stock]:
    """Follow the frames, then decode them once.

    Parameters
    ----------
    path, header : the FLAC file
    limits : it ends with an error when the stream goes on beyond them
    keep_frames : samples are kept when there are at most so many frames

    Returns
    -------
    The header, narrowed to the stretch of the file that is sound, and what there is.

    Raises
    ------
    TooLong : more frames than the limits allow
    UnreadableRecording : not one frame decodes
    OSError : the file can't be reached
    """
    most = limits.max_frames(header.rate_hz, header.channels)
    stream_end = header.data_offset + header.data_bytes
    followed = _followed(path, header, most)
    header = _narrowed(header, followed.samples, followed.end)
    room = np.empty((followed.samples, header.channels)) if followed.samples <= keep_frames else None
    found, fault = _decoded(path, header, min(followed.samples, most + 1), room)
    if found > most:
        raise too_long(found, header, limits)
    if found < followed.samples:
        found, end = _up_to_the_damage(path, header, found, room)
        header = _narrowed(header, found, end)
    if found < 1:
        raise UnreadableRecording(
            "Not one frame of the FLAC stream can be decoded: its start is damaged, or cut within the first frame."
        ) from fault
    all_of_it = found == followed.samples and followed.whole and followed.end == stream_end
    damaged = found != header.declared_frames and not all_of_it
    return header, Stock(found, None if room is None else room[:found], damaged, followed.from_zero)


def _form(header: Header) -> tuple[int, int, int]:
    return header.rate_hz, header.channels, header.integer_bits or 0


def _followed(path: Path, header: Header, most: int) -> Chain:
    with path.open("rb") as file:
        return chain(file, header.data_offset, header.data_offset + header.data_bytes, _form(header), most)


def _narrowed(header: Header, found: int, end: int) -> Header:
    """For the decoder: a stream of so many frames that ends at this byte."""
    preamble = with_total(header.preamble, found)
    return replace(header, data_bytes=end - header.data_offset, preamble=preamble)


def _decoded(path: Path, header: Header, hoped: int, room: FloatArray | None) -> tuple[int, UnreadableRecording | None]:
    """Frames that decode in blocks, and what kept the next from it."""
    found = 0
    scratch = np.empty((min(BLOCK_FRAMES, hoped), header.channels))
    try:
        with Decoder(path, header) as decoder:
            while found < hoped:
                target = scratch[: hoped - found] if room is None else room[found : found + BLOCK_FRAMES]
                came = decoder.read_into(target)
                found += came
                if came < len(target):
                    break
    except UnreadableRecording as fault:
        return found, fault
    return found, None


def _up_to_the_damage(path: Path, header: Header, sound: int, room: FloatArray | None) -> tuple[int, int]:
    """Frames that decode, FLAC frame by FLAC frame, and the byte where the damage begins; `sound` are known to."""
    sound = sound // BLOCK_FRAMES * BLOCK_FRAMES
    with path.open("rb") as file, Decoder(path, header) as decoder:
        decoder.skip(sound)
        for frame in frames(file, header.data_offset, header.data_offset + header.data_bytes, _form(header)):
            stop = frame.start + frame.block
            if stop <= sound:
                continue
            try:
                piece = decoder.read(stop - sound)
            except UnreadableRecording:
                return sound, frame.offset
            if room is not None:
                room[sound:stop] = piece
            sound = stop
    return sound, header.data_offset + header.data_bytes
