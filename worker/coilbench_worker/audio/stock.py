"""How many frames of a FLAC stream really decode: the header's promise can be wrong, and the stream cut or damaged.

One pass through the stream, which keeps the samples where they are few; where the decoder stumbles, a second one in
small steps up to the damage. What libFLAC would find behind the damage is left out: it would be joined without a gap.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from coilbench_worker.audio.decoder import Decoder
from coilbench_worker.audio.header import too_long
from coilbench_worker.audio.layout import Header
from coilbench_worker.audio.limits import AudioLimits
from coilbench_worker.audio.refusal import UnreadableRecording
from coilbench_worker.measure.source import BLOCK_FRAMES, FloatArray

FINE_FRAMES = 64  # encoders cut blocks at multiples of it (4096, 4608, 1152, ...), so a step ends where damage begins


@dataclass(frozen=True, slots=True)
class Stock:
    """What of a stream decodes: `frames`, their `samples` when they were to be kept, and whether it stopped early."""

    frames: int
    samples: FloatArray | None
    damaged: bool


def take_stock(path: Path, header: Header, limits: AudioLimits, keep_frames: int) -> Stock:
    """Decode once.

    Parameters
    ----------
    path, header : the FLAC file
    limits : decoding stops with an error when the stream goes on beyond them
    keep_frames : samples are kept when there are at most so many frames

    Raises
    ------
    TooLong : more frames than the limits allow
    UnreadableRecording : not one frame decodes
    OSError : the file can't be reached
    """
    most = limits.max_frames(header.rate_hz, header.channels)
    hoped = keep_frames if header.declared_frames is None else header.declared_frames
    room = np.empty((hoped, header.channels)) if hoped <= keep_frames else None
    scratch = np.empty((BLOCK_FRAMES, header.channels))
    frames, fault = 0, None
    with Decoder(path, header) as decoder:
        while fault is None:
            if room is not None and frames + BLOCK_FRAMES > len(room) and header.declared_frames is None:
                room = None
            target = scratch if room is None else room[frames : frames + BLOCK_FRAMES]
            if len(target) == 0:
                break
            try:
                found = decoder.read_into(target)
            except UnreadableRecording as error:
                fault = error
                break
            frames += found
            if frames > most:
                raise too_long(frames, header, limits)
            if found < len(target):
                break
    if fault is not None:
        frames = _up_to_the_damage(path, header, frames, room)
    if frames < 1:
        raise UnreadableRecording(
            "Not one frame of the FLAC stream can be decoded: its start is damaged, or cut within the first frame."
        ) from fault
    if room is not None:
        room = room[:frames]
    return Stock(frames, room, damaged=fault is not None)


def _up_to_the_damage(path: Path, header: Header, sound_frames: int, room: FloatArray | None) -> int:
    """Frames that decode, given that the first `sound_frames` do and the block after them does not."""
    frames = sound_frames
    step = np.empty((FINE_FRAMES, header.channels))
    with Decoder(path, header) as decoder:
        decoder.skip(sound_frames)
        for _ in range(BLOCK_FRAMES // FINE_FRAMES):
            try:
                found = decoder.read_into(step)
            except UnreadableRecording:
                break
            if room is not None:
                room[frames : frames + found] = step[:found]
            frames += found
            if found < FINE_FRAMES:
                break
    return frames
