"""Strums put together from recorded notes of electric guitars, with known onsets.

Each note is trimmed to its first rise, resampled to its pitch and to the sample rate, carried on by its loop, and made
to die away, its treble first. The known onset of a strum is the instant at which the first note's trimmed recording
starts.
"""

from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache
from math import ceil

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from coilbench_worker.model.chain import Chain
from coilbench_worker.model.strum import Strum, click

from . import soundbank

JAZZ, CLEAN, MUTED, OVERDRIVEN = 27, 28, 29, 30
SIX_KEYS = (40, 45, 50, 55, 59, 64)
DROPPED_KEYS = (38, 45, 50, 55, 59, 64)
EIGHT_KEYS = (30, 35, *SIX_KEYS)

RISE_OF_PEAK = 0.05
FADE_IN_S = 0.0003
PICK_CONTACT_S = 0.003
LONGEST_S = 9.0
TREBLE_FROM_HZ = 1200.0

FloatArray = NDArray[np.float64]


@lru_cache(maxsize=48)
def sounding(program: int, key: int, rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """One recorded note at a key's pitch, carried on by its loop without dying away: (below 1.2 kHz, above), peak about
    1.
    """
    note = soundbank.note(program, key)
    start = int(np.flatnonzero(np.abs(note.samples) > RISE_OF_PEAK * np.max(np.abs(note.samples)))[0])
    first, last = note.loop
    shift = 440 * 2 ** ((key - 69) / 12) / note.pitch_hz
    step = Fraction(rate_hz / (note.rate_hz * shift)).limit_denominator(300)
    needed = ceil(LONGEST_S * note.rate_hz * shift) + 1
    rounds = max(0, ceil((needed - (last - start)) / (last - first)))
    long = np.concatenate((note.samples[start:last], np.tile(note.samples[first:last], rounds)))[:needed]
    sound = signal.resample_poly(long, step.numerator, step.denominator)
    fade = min(len(sound), max(1, round(FADE_IN_S * rate_hz)))
    sound[:fade] *= np.linspace(0, 1, fade, endpoint=False)
    sound /= np.max(np.abs(sound))
    low = signal.sosfilt(signal.butter(1, TREBLE_FROM_HZ, fs=rate_hz, output="sos"), sound)
    return low, sound - low


def died_away(
    program: int, key: int, rate_hz: int, frames: int, decay_db_per_s: float, treble_db_per_s: float
) -> FloatArray:
    """`frames` samples of a note whose bass and treble fall at their own rates."""
    low, high = sounding(program, key, rate_hz)
    frames = min(frames, len(low))
    time_s = np.arange(frames) / rate_hz
    faded: FloatArray = low[:frames] * 10 ** (-decay_db_per_s * time_s / 20)
    faded += high[:frames] * 10 ** (-treble_db_per_s * time_s / 20)
    return faded


def strummed(
    strums: Sequence[Strum],
    *,
    duration_s: float,
    rate_hz: int = 44100,
    program: int = CLEAN,
    open_keys: tuple[int, ...] = SIX_KEYS,
    decay_db_per_s: float = 8.0,
    treble_db_per_s: float = 25.0,
    chain: Chain | None = None,
    peak_dbfs: float = -8.0,
    seed: int = 0,
) -> tuple[FloatArray, int, tuple[float, ...]]:
    """A take of strummed recorded notes.

    Parameters
    ----------
    strums : in order of time; their pick place counts for nothing here
    duration_s : length of the take, s
    rate_hz : sample rate, Hz
    program : General MIDI program, counted from 1
    open_keys : MIDI keys of the open strings, lowest first; as many as each strum has frets
    decay_db_per_s, treble_db_per_s : fall of the notes below and above 1.2 kHz, dB/s
    chain : its hum, hiss, offset, crackles and clipping are used, its gain is not; None for no noise at all
    peak_dbfs : greatest sample of the notes before noise, dBFS
    seed : of the noise

    Returns
    -------
    (samples, rate_hz, onsets_s) : samples of shape (n,), full scale = 1.0

    Raises
    ------
    SoundBankMissing : the message says which package to install
    """
    frames = round(duration_s * rate_hz)
    sound = np.zeros(frames)
    onsets = [strum.string_onsets_s() for strum in strums]
    for number, open_key in enumerate(open_keys):
        for index, strum in enumerate(strums):
            fret = strum.frets[number]
            if fret is None:
                continue
            onset_s = onsets[index][number]
            until_s = min([duration_s, *(times[number] for times in onsets[index + 1 :] if number in times)])
            first = ceil(onset_s * rate_hz)
            note = died_away(
                program,
                open_key + fret,
                rate_hz,
                max(0, ceil(until_s * rate_hz) - first),
                decay_db_per_s + strum.palm_db_per_s,
                treble_db_per_s + strum.palm_db_per_s + 2 * strum.palm_db_per_s_per_khz,
            )
            note = note[: frames - first] * _hand(strum, first, min(len(note), frames - first), rate_hz, until_s)
            sound[first : first + len(note)] += note * 10 ** (strum.force_of(number) / 20)
    sound *= 10 ** (peak_dbfs / 20) / np.max(np.abs(sound))
    for strum in strums:
        if strum.click_db is not None:
            first = max(0, ceil((strum.onset_s - strum.click_lead_s) * rate_hz))
            times_s = np.arange(first, min(frames, first + round(0.02 * rate_hz))) / rate_hz
            height = 10 ** ((peak_dbfs + strum.force_db + strum.click_db) / 20)
            sound[first : first + len(times_s)] += height * click(strum, times_s)
    samples = chain.recorded(sound, rate_hz, seed) if chain is not None else sound
    return samples, rate_hz, tuple(strum.onset_s for strum in strums)


def _hand(strum: Strum, first: int, frames: int, rate_hz: int, until_s: float) -> FloatArray:
    """What the hand lets through: falling from the stop on, gone at the string's next pluck."""
    times_s = (first + np.arange(frames)) / rate_hz
    through: FloatArray = np.sin(0.5 * np.pi * np.clip((until_s - times_s) / PICK_CONTACT_S, 0, 1)) ** 2
    if strum.stop_s is not None:
        through *= 10 ** (-strum.stop_db_per_s * np.maximum(times_s - strum.stop_s, 0) / 20)
    return through
