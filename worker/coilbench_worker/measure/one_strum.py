"""All quantities of one strum, from the one stretch of samples that holds it."""

from dataclasses import dataclass, field

import numpy as np

from coilbench_worker.measure import decay, envelope, levels, loudness, spectrum, true_peak
from coilbench_worker.measure.band_decay import BandCourse
from coilbench_worker.measure.cells import CellCourse, Cells
from coilbench_worker.measure.decay import DecayCurve
from coilbench_worker.measure.noise import Noise
from coilbench_worker.measure.results import Strum
from coilbench_worker.measure.settings import MeasureSettings, Window
from coilbench_worker.measure.source import FloatArray, OneChannel
from coilbench_worker.measure.steepening import steepening
from coilbench_worker.measure.strums import StrumTimes
from coilbench_worker.measure.traces import StrumTrace, strum_trace

LEAD_S = 0.15
"""Samples before the onset that are read as well: what settles the K weighting, and the start of an early rise."""
ATTACK_LEAD_S = 0.02
"""An onset may be found 15 ms late; the rise is looked for from a little before that."""
LONGEST_S = 30.0
"""A string that falls by 20 dB takes less; what drones on is not followed further."""
BLOCK_S = 2.0
"""Decays are read in blocks: of a long strum at a high sample rate only the windows are in memory at once."""
AFTER_WINDOWS_S = loudness.WINDOW_S + 0.05
"""What loudness needs after the level window, and true peak as context."""
TONE_LEAST_S = 0.1
BEFORE_NEXT_S = 0.020
"""How long before the next onset a decay ends: onsets may be found up to 15 ms late, and the first few milliseconds of
the next strum would stand for all that is still to come of this one."""

CUT_SHORT = "the strum ends before its window does"
TOO_SHORT_FOR_TONE = "the level window is shorter than the 0.1 s that bands need"
SILENT = "the level window is silent"
BODY_SILENT = "the attack or the body window is silent"
BODY_IN_NOISE = "the attack or the body window is less than 6 dB above the noise"
BEGINS_IN_FILE = (
    "the recording begins too late to show the rise: its first samples are above 10 % of the greatest level"
)


@dataclass(slots=True)
class _Values:
    """What has been measured so far: values by key, and why those that are None are."""

    quantities: dict[str, float | None] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)

    def put(self, key: str, value: float | None, reason: str | None = None) -> None:
        self.quantities[key] = value
        if value is None:
            self.reasons[key] = reason or SILENT


def measure_strum(
    channel: OneChannel, number: int, times: StrumTimes, settings: MeasureSettings, noise: Noise, *, offset: float = 0.0
) -> tuple[Strum, StrumTrace]:
    """Measure one strum; and its courses for pictures.

    Parameters
    ----------
    channel : the recording
    number : counted from 1
    times : onset and end in samples; what lies more than 30 s after the onset is not looked at
    settings : windows, s from the onset
    noise : noise of the take; its power is taken off the decays
    offset : direct current of the channel, full scale = 1.0; it stays in peak, true peak, RMS and crest, and is taken
        off for all else: no band lets it through, and it neither rises nor decays
    """
    rate = channel.rate_hz
    start = max(times.onset - round(LEAD_S * rate), 0)
    end = min(times.end, times.onset + round(LONGEST_S * rate))
    windows_s = max(settings.level_window_s[1], settings.attack_window_s[1], settings.body_window_s[1])
    samples = channel.segment(start, min(end, times.onset + round((windows_s + AFTER_WINDOWS_S) * rate)))
    onset = times.onset - start
    steady = samples - offset
    values = _Values()
    _levels(values, samples, steady, onset, rate, settings.level_window_s)
    _dynamics(values, steady, onset, rate, settings, noise, begins=start == 0)
    tone = _tone(values, steady, onset, rate, settings.level_window_s, noise)
    by_band, course, curve = _sustain(values, channel, times.onset, end, times.ended_by == "next", noise, offset)
    strum = Strum(
        number=number,
        onset_s=times.onset / rate,
        end_s=times.end / rate,
        ended_by=times.ended_by,
        quantities=values.quantities,
        octave_db=tone.octave_db,
        third_octave_db=tone.third_octave_db,
        band_decay_db_per_s=by_band,
        reasons=values.reasons,
    )
    return strum, strum_trace(number, steady, onset, rate, course, curve)


def cut_short(strum: Strum) -> list[str]:
    """Keys of the quantities that are empty because the strum ended before their window did."""
    return [key for key in strum.quantities if strum.reasons.get(key) == CUT_SHORT]


def _window(samples: FloatArray, onset: int, rate: int, window: Window) -> FloatArray | None:
    """Samples of a window from the onset, or None when it does not fit before the strum's end."""
    first, last = onset + round(window[0] * rate), onset + round(window[1] * rate)
    return samples[first:last] if last <= samples.size else None


def _levels(values: _Values, samples: FloatArray, steady: FloatArray, onset: int, rate: int, window: Window) -> None:
    """Levels of the samples as they are; loudness of the `steady` ones, without direct current."""
    level = _window(samples, onset, rate, window)
    if level is None:
        for key in ("peak_dbfs", "true_peak_dbtp", "rms_dbfs", "loudness_lufs", "crest_db"):
            values.put(key, None, CUT_SHORT)
        return
    first = onset + round(window[0] * rate)
    values.put("peak_dbfs", levels.peak_dbfs(level))
    values.put("true_peak_dbtp", true_peak.true_peak_dbtp(samples, rate, start=first, stop=first + level.size))
    values.put("rms_dbfs", levels.rms_dbfs(level))
    values.put("crest_db", levels.crest_db(level))
    lead = max(onset - round(loudness.PRE_ROLL_S * rate), 0)
    heard = loudness.momentary_maximum_lufs(
        steady[lead:], rate, onset=onset - lead, start_s=window[0], stop_s=window[1]
    )
    values.put("loudness_lufs", heard, CUT_SHORT if samples.any() else SILENT)


def _dynamics(
    values: _Values,
    samples: FloatArray,
    onset: int,
    rate: int,
    settings: MeasureSettings,
    noise: Noise,
    *,
    begins: bool,
) -> None:
    """Attack and attack over body; `begins`: nothing was recorded before these samples."""
    first = _window(samples, onset, rate, settings.attack_window_s)
    if first is None:
        values.put("attack_ms", None, CUT_SHORT)
    else:
        lead = max(onset - round(ATTACK_LEAD_S * rate), 0)
        start_s, stop_s = settings.attack_window_s
        found = envelope.attack(
            samples[lead:], rate, onset=onset - lead, start_s=start_s, stop_s=stop_s, noise_power=noise.power
        )
        unseen = begins and lead == 0 and found.reason == envelope.ATTACK_NOT_SEEN
        values.put("attack_ms", found.ms, BEGINS_IN_FILE if unseen else found.reason)
    body = _window(samples, onset, rate, settings.body_window_s)
    if first is None or body is None:
        values.put("attack_body_db", None, CUT_SHORT)
        return
    powers = levels.power(first), levels.power(body)
    if min(powers) <= 0.0:
        values.put("attack_body_db", None, BODY_SILENT)
    elif min(powers) < levels.ABOVE_NOISE * noise.power:
        values.put("attack_body_db", None, BODY_IN_NOISE)
    else:
        values.put("attack_body_db", levels.power_db((powers[0] - noise.power) / (powers[1] - noise.power)))


def _sustain(
    values: _Values, channel: OneChannel, onset: int, end: int, followed: bool, noise: Noise, offset: float
) -> tuple[dict[str, float | None], Cells, DecayCurve | None]:
    """Decay and sustain; returned are the decays by band, the cells of the strum and its decay curve. Read in blocks.

    Of a strum that is `followed` by another only what ends BEFORE_NEXT_S before it is this strum's beyond doubt.
    """
    rate = channel.rate_hz
    alone = max(end - (round(BEFORE_NEXT_S * rate) if followed else 0), onset)
    courses, bands = CellCourse(rate), BandCourse(rate)
    block = round(BLOCK_S * rate)
    for start in range(onset, end, block):
        samples = channel.segment(start, min(start + block, end)) - offset
        courses.feed(samples)
        bands.feed(samples[: max(alone - start, 0)])
    fine = courses.cells()
    sure = fine.first(alone - onset)
    steepens = steepening(sure)
    fall = decay.decay_of_cells(sure, noise_power=noise.power, steepens=steepens)
    values.put("decay_db_per_s", fall.db_per_s, fall.reason)
    held = envelope.sustain(fine, greatest_before=sure.energies.size, noise_power=noise.power, steepens=steepens)
    values.put("sustain_20_s", held.sustain_20_s, held.sustain_reason)
    values.put("hold_1s_db", held.hold_1s_db, held.hold_reason)
    by_band = bands.decays(
        noise_power=noise.band_power if noise.power > 0.0 else None,
        steepens_s=None if steepens is None else steepens * fine.cell_s,
    )
    values.reasons.update(
        {f"band_decay_db_per_s_{part}": found.reason for part, found in by_band.items() if found.reason is not None}
    )
    return {part: found.db_per_s for part, found in by_band.items()}, fine, fall.curve


def _tone(values: _Values, samples: FloatArray, onset: int, rate: int, window: Window, noise: Noise) -> spectrum.Tone:
    level = _window(samples, onset, rate, window)
    if level is None:
        tone = spectrum.undefined(CUT_SHORT)
    elif level.size < TONE_LEAST_S * rate:
        tone = spectrum.undefined(TOO_SHORT_FOR_TONE)
    else:
        tone = spectrum.tone(np.ascontiguousarray(level), rate, noise=noise.bands)
    for key in spectrum.SCALARS:
        values.put(key, getattr(tone, key), tone.reasons.get(key))
    values.reasons.update(tone.reasons)
    return tone
