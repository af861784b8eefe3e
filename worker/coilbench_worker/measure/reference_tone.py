"""A recorded reference tone: its frequency, level, distortion and steadiness, and whether it is fit to calibrate by.

The steady stretch of the recording is cut into pieces of 0.25 s and a sine is fitted to each, so that a slow drift of
level, frequency or offset spoils nothing and shows as the spread of the pieces. Levels are those of the sine alone,
without offset, harmonics and noise.

All limits are common practice, no source, and are chosen for what they leave in the calibration: less than 0.1 dB each,
but for harmonics that the input itself adds: at 1 % an input that bends reads the tone low by 3 %, 0.26 dB, and the
budget of the calibration counts it (`calibration.from_tone`).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import log10, sqrt
from statistics import median
from typing import NamedTuple

import numpy as np
from scipy import fft

from coilbench_worker.measure.sine_fit import fit_sine
from coilbench_worker.measure.source import FloatArray, OneChannel
from coilbench_worker.measure.statistics import standard_deviation
from coilbench_worker.measure.steady_stretch import Course, SteadyStretch, course, steady_stretch
from coilbench_worker.measure.tone_rest import Rest, rest

PIECE_S = 0.25
"""Five periods of 20 Hz, the lowest tone taken; four pieces to a second."""
SHORTEST_S = 1.0
"""Four pieces: fewer say nothing of the spread."""
MOST_PIECES = 120
"""Pieces that are fitted, spread over the stretch: half a minute in all, whatever the length of the recording."""
QUIETEST_DBFS = -40.0
"""Quieter, the noise of ordinary inputs is no longer below 1 % of the tone."""
GREATEST_PEAK_DBFS = -0.1
"""Closer to full scale a tone that is clipped can't be told from one that is not."""
GREATEST_DISTORTION_DB = -40.0
"""1 %: of a generator's harmonics a meter that averages then misreads by at most 0.03 dB."""
NOT_ONE_TONE_DB = -10.0
"""With more than a tenth of the power outside it, the highest line is not the recording's one tone."""
GREATEST_SPREAD_DB = 0.1
"""Of the level over the pieces: what the meter showed at one moment then holds for the mean within 0.05 dB."""
GREATEST_WANDER = 1e-3
"""Of the frequency over the pieces, relative: generators keep it a hundred times better; tapes and voices do not."""
LOWEST_HZ = 20.0
HIGHEST_SHARE = 0.45
"""Of the sample rate: above, the converter's own filter falls off."""
MAINS_HZ = (50.0, 60.0)
MAINS_WITHIN = 0.01
MAINS_UP_TO_HZ = 303.0
"""Hum is strong up to the fifth or sixth harmonic, 300 Hz, and strays 1 % from it."""
ELSEWHERE_SHARE = 0.5
ELSEWHERE_S = 1.0
"""A recording may be loud outside the steady stretch for half as long as that, or a second: plugs, a fade, a word."""
ONE_LINE_SHARE = 0.5
"""A line with more than half of what is left over is a tone of its own."""
AES17_DB = 10.0 * log10(2.0)
LEAST_RATIO = 1e-30
"""A residual of exactly nothing (made-up samples) counts as this share of the power, -300 dB."""


@dataclass(frozen=True, slots=True)
class ReferenceTone:
    """A tone that is fit to calibrate by.

    `rms_dbfs` is plain RMS of the sine (one at full scale: -3.01); `standard_uncertainty_db` is of that level, type A
    over the pieces, with `degrees_of_freedom`. `distortion_db` is all that is not the sine (harmonics and noise, over
    the whole band) re the sine, `harmonics_db` the harmonics up to the twentieth alone, None where the third lies above
    half the sample rate. `stability_db` and `frequency_spread_hz` are greatest minus least over the pieces.
    `start_s` and `duration_s` say which stretch was used.
    """

    frequency_hz: float
    rms_dbfs: float
    standard_uncertainty_db: float
    degrees_of_freedom: int
    distortion_db: float
    harmonics_db: float | None
    stability_db: float
    frequency_spread_hz: float
    start_s: float
    duration_s: float

    @property
    def aes17_dbfs(self) -> float:
        """The level as AES17 counts it: re a full-scale sine, dB FS; 3.01 dB above plain RMS."""
        return self.rms_dbfs + AES17_DB


class Fault(NamedTuple):
    """One reason why a tone is unfit: a code, and a sentence with the number, the limit and what to do."""

    code: str
    message: str


class ToneUnfit(Exception):
    """The recording is no tone to calibrate by; `faults` are all the reasons that were found."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__(" ".join(fault.message for fault in faults))
        self.faults = faults


def measure_tone(channel: OneChannel) -> ReferenceTone:
    """Measure a recorded reference tone.

    Parameters
    ----------
    channel : the channel that carries it, full scale = 1.0; silence, plugs and a fade before and after are left out

    Raises
    ------
    ToneUnfit : with every fault that was found: `not-finite`, `silent`, `too-short`, `too-quiet`, `clipped`,
        `not-steady`, `frequency-wanders`, `not-one-tone`, `distorted`, `noisy`, `mains`, `frequency-out-of-range`

    Accuracy: level 0.005 dB and frequency 1e-4 on clean tones, tests/standards/test_calibration.py.
    """
    found = course(channel)
    if found.fault_s is not None:
        raise ToneUnfit((_not_finite(found.fault_s),))
    stretch = steady_stretch(found, round(SHORTEST_S * channel.rate_hz))
    if stretch is None:
        raise ToneUnfit((_silent(channel, found),))
    faults = [*_of_extremes(stretch), *_of_length(channel, stretch)]
    if any(fault.code == "too-short" for fault in faults):
        raise ToneUnfit(tuple(faults))
    pieces = _pieces(channel, stretch)
    if pieces is None:
        raise ToneUnfit((*faults, _no_sine()))
    beside = rest(pieces.left_over, pieces.bin_hz, median(pieces.frequencies_hz), channel.rate_hz)
    tone = _tone(channel, stretch, pieces, beside)
    faults += _of_rest(tone, beside)
    if tone.distortion_db <= NOT_ONE_TONE_DB:
        faults += [*_of_pieces(tone), *_of_frequency(tone, channel.rate_hz)]
    if faults:
        raise ToneUnfit(tuple(faults))
    return tone


@dataclass(frozen=True, slots=True)
class _Pieces:
    """What the pieces of a stretch gave, one entry each; `left_over` sums the spectra beside the sines."""

    frequencies_hz: list[float]
    powers: list[float]
    residual_powers: list[float]
    left_over: FloatArray
    bin_hz: float


def _pieces(channel: OneChannel, stretch: SteadyStretch) -> _Pieces | None:
    """Fit a sine to each piece; they stand side by side, or evenly apart in a long stretch. None where one has none."""
    length = round(PIECE_S * channel.rate_hz)
    there = (stretch.stop - stretch.start) // length
    found = _Pieces([], [], [], np.zeros(length // 2 + 1), channel.rate_hz / length)
    for number in np.linspace(0, there - 1, min(there, MOST_PIECES)).round().astype(int):
        start = stretch.start + int(number) * length
        fit = fit_sine(channel.segment(start, start + length), channel.rate_hz)
        if fit is None:
            return None
        found.frequencies_hz.append(fit.frequency_hz)
        found.powers.append(fit.power)
        found.residual_powers.append(fit.residual_power)
        np.add(found.left_over, np.abs(fft.rfft(fit.residual)) ** 2, out=found.left_over)
    return found


def _tone(channel: OneChannel, stretch: SteadyStretch, pieces: _Pieces, beside: Rest) -> ReferenceTone:
    levels_dbfs = [10.0 * log10(max(power, LEAST_RATIO)) for power in pieces.powers]
    frequencies_hz, count = pieces.frequencies_hz, len(pieces.powers)
    distortion = sum(pieces.residual_powers) / max(sum(pieces.powers), LEAST_RATIO)
    harmonics_db = 10.0 * log10(max(distortion * beside.harmonic_share, LEAST_RATIO))
    return ReferenceTone(
        frequency_hz=sum(frequencies_hz) / count,
        rms_dbfs=sum(levels_dbfs) / count,
        standard_uncertainty_db=standard_deviation(levels_dbfs) / sqrt(count),
        degrees_of_freedom=count - 1,
        distortion_db=10.0 * log10(max(distortion, LEAST_RATIO)),
        harmonics_db=harmonics_db if beside.third_seen else None,
        stability_db=max(levels_dbfs) - min(levels_dbfs),
        frequency_spread_hz=max(frequencies_hz) - min(frequencies_hz),
        start_s=stretch.start / channel.rate_hz,
        duration_s=(stretch.stop - stretch.start) / channel.rate_hz,
    )


def _not_finite(time_s: float) -> Fault:
    return Fault(
        "not-finite",
        f"The sample at {time_s:.3f} s is infinite, not a number, or far beyond full scale; "
        "export the tone again as 24-bit integers.",
    )


def _silent(channel: OneChannel, found: Course) -> Fault:
    duration_s = channel.frames / channel.rate_hz
    if not found.levels_dbfs.size:
        return Fault(
            "too-short",
            f"The recording lasts {duration_s:.3f} s; {SHORTEST_S:g} s of steady tone is needed. Record ten seconds.",
        )
    return Fault(
        "silent",
        f"All {duration_s:.2f} s of the recording are silent; look at the cable and the channel, and record it again.",
    )


def _no_sine() -> Fault:
    return Fault(
        "not-one-tone",
        "No sine fits the recording; record one steady sine from a generator, 1 kHz, and nothing beside it.",
    )


def _of_extremes(stretch: SteadyStretch) -> Iterator[Fault]:
    peak_dbfs = 20.0 * log10(stretch.peak)
    if peak_dbfs > GREATEST_PEAK_DBFS:
        yield Fault(
            "clipped",
            f"The tone peaks at {peak_dbfs:.2f} dBFS; above {GREATEST_PEAK_DBFS:g} dBFS clipping can't be ruled "
            "out. Lower the generator until the tone peaks between -12 and -6 dBFS, and leave the gain as it is.",
        )
    if stretch.level_dbfs < QUIETEST_DBFS:
        yield Fault(
            "too-quiet",
            f"The tone's level is {stretch.level_dbfs:.1f} dBFS RMS and has to be {QUIETEST_DBFS:g} or more; raise the "
            "generator until the tone peaks between -12 and -6 dBFS, and leave the gain as it is.",
        )


def _of_length(channel: OneChannel, stretch: SteadyStretch) -> Iterator[Fault]:
    steady_s = max(stretch.stop - stretch.start, 0) / channel.rate_hz
    if steady_s < SHORTEST_S:
        yield Fault(
            "too-short",
            f"The longest steady stretch lasts {steady_s:.2f} s of {channel.frames / channel.rate_hz:.2f} s; "
            f"{SHORTEST_S:g} s is needed. Record ten seconds of one steady sine, at one level.",
        )
    elif stretch.elsewhere_s > max(ELSEWHERE_SHARE * steady_s, ELSEWHERE_S):
        yield Fault(
            "not-steady",
            f"Besides {steady_s:.1f} s at {stretch.level_dbfs:.1f} dBFS RMS the recording is loud for "
            f"{stretch.elsewhere_s:.1f} s at other levels, more than half as long; it is not clear to which of them "
            "the voltage belongs. Cut the recording down to the tone, or record it again at one level.",
        )


def _of_pieces(tone: ReferenceTone) -> Iterator[Fault]:
    if tone.stability_db > GREATEST_SPREAD_DB:
        yield Fault(
            "not-steady",
            f"The level moves by {tone.stability_db:.2f} dB over the steady stretch; {GREATEST_SPREAD_DB:g} dB is the "
            "limit. Let the generator warm up, leave knobs and plugs alone while recording, and record again.",
        )
    wander = tone.frequency_spread_hz / tone.frequency_hz
    if wander > GREATEST_WANDER:
        yield Fault(
            "frequency-wanders",
            f"The frequency moves by {100.0 * wander:.2f} % about {tone.frequency_hz:.1f} Hz; "
            f"{100.0 * GREATEST_WANDER:g} % is the limit. Use a generator, not a tape, an instrument or a sweep.",
        )


def _of_rest(tone: ReferenceTone, beside: Rest) -> Iterator[Fault]:
    """What is wrong when too much is left beside the sine: another line, harmonics, or noise."""
    if tone.distortion_db <= GREATEST_DISTORTION_DB:
        return
    share = f"{round(tone.distortion_db, 1) + 0.0:.1f} dB re the tone; {GREATEST_DISTORTION_DB:g} dB (1 %) is the limit"
    if beside.harmonic_share >= ONE_LINE_SHARE and tone.distortion_db <= NOT_ONE_TONE_DB:
        yield Fault(
            "distorted",
            f"Harmonics and noise are at {share}. Lower the generator or the input's drive, look for an overloaded "
            "stage, and use a sine.",
        )
    elif beside.harmonic_share < ONE_LINE_SHARE and beside.line_share >= ONE_LINE_SHARE:
        yield Fault(
            "not-one-tone",
            f"Beside {beside.beside_hz:.1f} Hz there is another line at {beside.line_hz:.0f} Hz, and what is not the "
            f"tone is at {share}. Record one sine alone; if the other is the mains, look at the cable's screen.",
        )
    elif tone.distortion_db > NOT_ONE_TONE_DB:
        yield Fault(
            "not-one-tone",
            f"What is not the sine of {beside.beside_hz:.1f} Hz is at {share}: this is no single sine. Record one "
            "steady sine from a generator, no square wave, no music and no noise.",
        )
    else:
        yield Fault(
            "noisy",
            f"Noise beside the tone is at {share}. Raise the generator until the tone peaks between -12 and -6 dBFS, "
            "look at the cable, and use a generator without modulation.",
        )


def _of_frequency(tone: ReferenceTone, rate_hz: float) -> Iterator[Fault]:
    highest_hz = HIGHEST_SHARE * rate_hz
    if not LOWEST_HZ <= tone.frequency_hz <= highest_hz:
        yield Fault(
            "frequency-out-of-range",
            f"The tone is at {tone.frequency_hz:.1f} Hz; {LOWEST_HZ:g} to {highest_hz:g} Hz can be used at this sample "
            "rate. Set the generator to 1 kHz.",
        )
    mains_hz = _mains(tone.frequency_hz)
    if mains_hz is not None:
        yield Fault(
            "mains",
            f"The tone is at {tone.frequency_hz:.1f} Hz, within {100.0 * MAINS_WITHIN:g} % of {mains_hz:g} Hz, where "
            "mains hum lies: it can't be told from hum. Set the generator to 1 kHz.",
        )


def _mains(frequency_hz: float) -> float | None:
    """The multiple of a mains frequency that a tone is within 1 % of, None where hum is no matter."""
    if frequency_hz > MAINS_UP_TO_HZ:
        return None
    for mains_hz in MAINS_HZ:
        nearest_hz = mains_hz * max(round(frequency_hz / mains_hz), 1)
        if abs(frequency_hz - nearest_hz) <= MAINS_WITHIN * nearest_hz:
            return nearest_hz
    return None
