"""A whole take: strums on strings over a pickup through a chain; gives samples and what is true of them."""

from dataclasses import dataclass
from math import ceil, log10

import numpy as np

from . import pickup as pickups
from . import strings as strung
from . import truth as known
from .chain import DESK, Chain
from .exponentials import Sampler
from .preamp import amplified
from .strum import Strum, click
from .types import ComplexArray, FloatArray

PICK_CONTACT_S = 0.003
"""A string that still rings is stopped by the pick during this time before it is left again."""
CLICK_SPAN_S = 0.02
CLICK_REFERENCE = 2.0
"""A click of 0 dB peaks at twice the root of summed squares of the first string's modes: about that string's own peak.
"""


@dataclass(frozen=True)
class Take:
    """What is played on what. Seeds make it repeatable; `single_rate_db_per_s` makes every mode decay alike."""

    pickup: pickups.Pickup
    strums: tuple[Strum, ...]
    duration_s: float
    strings: tuple[strung.String, ...] = strung.SIX_STRINGS
    chain: Chain = DESK
    seed: int = 0
    single_rate_db_per_s: float | None = None


@dataclass(frozen=True)
class Rendered:
    """`samples` as recorded, `clean` before noise and clipping, both shape (n,), full scale = 1.0; and the truth."""

    samples: FloatArray
    clean: FloatArray
    rate_hz: int
    truth: known.Truth


def render(take: Take, rate_hz: int) -> Rendered:
    """Sample a take.

    Parameters
    ----------
    take : its strums in order of time, inside its duration
    rate_hz : >= 22050 for the same signal at every rate; below, modes above 0.45 of it are left out

    Returns
    -------
    Rendered : the same samples for the same take and rate, always

    Raises
    ------
    ValueError : strums out of order, outside the take, or with another number of strings
    """
    _check(take)
    frames = round(take.duration_s * rate_hz)
    volts = _voltage(take, rate_hz, frames)
    if take.pickup.preamp is not None:
        volts = amplified(take.pickup.preamp, volts, rate_hz)
    clean = take.chain.scaled(volts)
    samples = take.chain.recorded(clean, rate_hz, take.seed)
    clipped = bool(np.any(np.abs(clean) > 1.0)) and take.chain.clips
    return Rendered(samples=samples, clean=clean, rate_hz=rate_hz, truth=_truth(take, clean, rate_hz, clipped))


def _check(take: Take) -> None:
    onsets = [strum.onset_s for strum in take.strums]
    if onsets != sorted(onsets) or any(not 0 <= onset < take.duration_s for onset in onsets):
        raise ValueError(f"Strums must be in order and inside the take of {take.duration_s} s; onsets: {onsets}.")

    for strum in take.strums:
        if len(strum.frets) != len(take.strings):
            raise ValueError(f"A strum names {len(strum.frets)} strings, the guitar has {len(take.strings)}.")


def _voltage(take: Take, rate_hz: int, frames: int) -> FloatArray:
    """Voltage of the coil for the whole take, V, shape (frames,)."""
    sampler = Sampler(rate_hz)
    volts = np.zeros(frames)
    onsets = [strum.string_onsets_s() for strum in take.strums]
    for number, string in enumerate(take.strings):
        for index, strum in enumerate(take.strums):
            if number not in onsets[index]:
                continue
            later = [times[number] for times in onsets[index + 1 :] if number in times]
            until_s = min([*later, take.duration_s])
            amplitude, s = _plucked(take, strum, string, number, rate_hz)
            onset_s = onsets[index][number]
            first, last = ceil(onset_s * rate_hz), min(ceil(until_s * rate_hz), frames)
            sound = sampler.sampled(amplitude, s, start_s=first / rate_hz - onset_s, frames=max(last - first, 0))
            volts[first:last] += sound * _hand(strum, first, len(sound), rate_hz, until_s=later[0] if later else None)
            if number == next(iter(onsets[index])) and strum.click_db is not None:
                _add_click(volts, strum, CLICK_REFERENCE * float(np.linalg.norm(amplitude)), rate_hz)
    return volts


def _plucked(
    take: Take, strum: Strum, string: strung.String, number: int, rate_hz: int
) -> tuple[ComplexArray, ComplexArray]:
    fret = strum.frets[number]
    assert fret is not None  # only played strings come here
    highest_hz = min(strung.HIGHEST_MODE_HZ, 0.45 * rate_hz)
    modes = strung.modes(
        string,
        fret=fret,
        single_rate_db_per_s=take.single_rate_db_per_s,
        damping_db_per_s=strum.palm_db_per_s,
        damping_db_per_s_per_khz=strum.palm_db_per_s_per_khz,
        highest_hz=highest_hz,
    )
    velocity = strung.pluck(modes, pick_mm=strum.pick_mm, pick_width_mm=strum.pick_width_mm)
    velocity = velocity * (string.weight * 10 ** (strum.force_of(number) / 20))
    return pickups.induced(take.pickup, modes, velocity, highest_hz=highest_hz)


def _hand(strum: Strum, first: int, frames: int, rate_hz: int, *, until_s: float | None) -> FloatArray:
    """What the hand lets through: 1, falling from the stop on, gone at the next pluck; shape (frames,)."""
    times_s = (first + np.arange(frames)) / rate_hz
    let_through = np.ones(frames)
    if strum.stop_s is not None:
        let_through *= 10 ** (-strum.stop_db_per_s * np.maximum(times_s - strum.stop_s, 0.0) / 20)
    if until_s is not None:
        left = np.clip((until_s - times_s) / PICK_CONTACT_S, 0.0, 1.0)
        let_through *= np.sin(0.5 * np.pi * left) ** 2
    return let_through


def _add_click(volts: FloatArray, strum: Strum, reference: float, rate_hz: int) -> None:
    assert strum.click_db is not None  # only strums with a click come here
    first = max(ceil((strum.onset_s - strum.click_lead_s) * rate_hz), 0)
    last = min(first + round(CLICK_SPAN_S * rate_hz), len(volts))
    volts[first:last] += reference * 10 ** (strum.click_db / 20) * click(strum, np.arange(first, last) / rate_hz)


def _truth(take: Take, clean: FloatArray, rate_hz: int, clipped: bool) -> known.Truth:
    noise_power = take.chain.noise_power()
    strums = []
    for index, strum in enumerate(take.strums):
        stop_s, stopped_by = _stopped(take, index)
        sunk_s = known.sinks_into_noise_s(clean, rate_hz, start_s=strum.onset_s, stop_s=stop_s, noise_power=noise_power)
        end_s, ended_by = (stop_s, stopped_by) if sunk_s is None else (sunk_s, "noise")
        level_stop_s = strum.onset_s + known.LEVEL_WINDOW_S
        fits = level_stop_s <= end_s
        span = {"start_s": strum.onset_s, "stop_s": level_stop_s}
        strums.append(
            known.StrumTruth(
                onset_s=strum.onset_s,
                end_s=end_s,
                ended_by=ended_by,
                force_db=strum.force_db,
                rms_dbfs=known.rms_dbfs(clean, rate_hz, **span) if fits else None,
                peak_dbfs=known.peak_dbfs(clean, rate_hz, **span) if fits else None,
                decay_db_per_s=known.decay_db_per_s(clean, rate_hz, start_s=strum.onset_s, stop_s=stop_s),
            )
        )
    return known.Truth(
        strums=tuple(strums),
        noise_dbfs=10 * log10(noise_power) if noise_power > 0 else None,
        hum_hz=take.chain.hum_hz,
        clipped=clipped,
        single_rate_db_per_s=take.single_rate_db_per_s,
    )


def _stopped(take: Take, index: int) -> tuple[float, known.EndedBy]:
    """Instant at which the hand, the next strum or the file ends a strum, whatever the noise."""
    strum = take.strums[index]
    ends: list[tuple[float, known.EndedBy]] = [(take.duration_s, "file-end")]
    if index + 1 < len(take.strums):
        ends.append((take.strums[index + 1].onset_s, "next"))
    if strum.stop_s is not None:
        ends.append((strum.stop_s, "damped"))
    return min(ends)
