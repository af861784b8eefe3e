"""Which channel carries the strums. Several that differ are never mixed: a take is refused until one is named."""

from dataclasses import dataclass

import numpy as np

from coilbench_worker.measure.checks import raised
from coilbench_worker.measure.results import Check, Unmeasurable
from coilbench_worker.measure.source import FloatArray, OneChannel, SampleSource

GREATEST = 1e12
"""Samples beyond this are no recording: 32-bit integers left unscaled reach 2e9, and squares must stay finite."""
SILENT_BELOW_DB = 40.0
SAME_WITHIN_DB = 40.0


@dataclass(frozen=True, slots=True)
class _Channels:
    """Energy of each channel about its mean, of its difference from and its sum with the first; shape (channels,)."""

    energy: FloatArray
    difference: FloatArray
    summed: FloatArray


def choose_channel(source: SampleSource, wanted: int | None) -> tuple[OneChannel, tuple[Check, ...]]:
    """The channel to be measured, after a pass over the whole recording.

    Parameters
    ----------
    source : the recording, at least one frame
    wanted : channel asked for, counted from 1, or None

    Returns
    -------
    The channel, and a note when the program chose among several.

    Raises
    ------
    Unmeasurable : `not-finite` samples, a channel that does not exist, or several channels that differ
    """
    if wanted is not None and wanted > source.channels:
        finding = f"Channel {wanted} was asked for and the file has {source.channels}."
        raise Unmeasurable(
            (raised("channel-choice", "reject", finding, values={"wanted": wanted, "channels": source.channels}),)
        )
    found = _look(source, None if wanted is None else wanted - 1)
    if wanted is not None or source.channels == 1:
        return OneChannel(source, (wanted or 1) - 1), ()
    strongest = int(np.argmax(found.energy))
    others = np.delete(found.energy, strongest)
    if others.max() < found.energy[strongest] * 10.0 ** (-SILENT_BELOW_DB / 10.0):
        finding = f"Only channel {strongest + 1} of {source.channels} carries signal; it was measured."
        return OneChannel(source, strongest), (_note(finding, strongest, source.channels),)
    same = np.minimum(found.difference, found.summed) <= found.energy[0] * 10.0 ** (-SAME_WITHIN_DB / 10.0)
    if bool(same.all()):
        finding = f"All {source.channels} channels carry the same signal; the first was measured."
        return OneChannel(source, 0), (_note(finding, 0, source.channels),)
    finding = f"The {source.channels} channels carry different signals."
    raise Unmeasurable((raised("channel-choice", "reject", finding, values={"channels": source.channels}),))


def _note(finding: str, index: int, channels: int) -> Check:
    return raised("channel-choice", "note", finding, values={"channel_used": index + 1, "channels": channels})


def _look(source: SampleSource, only: int | None) -> _Channels:
    """Energies of the channels; only finite samples pass (of the one channel asked for, where one was)."""
    count = source.channels
    energy, difference, summed, total = (np.zeros(count) for _ in range(4))
    at = 0
    for block in source.blocks():
        looked_at = block if only is None else block[:, only : only + 1]
        if not (looked_at.max() <= GREATEST and looked_at.min() >= -GREATEST):  # not a number compares as False
            sound = (np.abs(looked_at) <= GREATEST).all(axis=1)
            _refuse_not_finite((at + int(np.argmin(sound))) / source.rate_hz)
        at += block.shape[0]
        if only is None and count > 1:
            total += block.sum(axis=0)
            energy += np.einsum("ij,ij->j", block, block)
            first_channel = block[:, :1]
            apart, along = block - first_channel, block + first_channel
            difference += np.einsum("ij,ij->j", apart, apart)
            summed += np.einsum("ij,ij->j", along, along)
    energy -= total * total / max(source.frames, 1)
    return _Channels(np.maximum(energy, 0.0), difference, summed)


def _refuse_not_finite(time_s: float) -> None:
    finding = f"The sample at {time_s:.3f} s is infinite, beyond {GREATEST:g} times full scale, or not a number."
    raise Unmeasurable((raised("not-finite", "reject", finding, times_s=(time_s,), values={"first_s": time_s}),))
