"""Measuring a take: from a recording and its facts to everything that is said of it."""

from collections.abc import Mapping, Sequence

import numpy as np

from coilbench_worker.measure import gating, judgement, limiting
from coilbench_worker.measure.catalogue import QUANTITIES
from coilbench_worker.measure.channels import choose_channel
from coilbench_worker.measure.checks import raised
from coilbench_worker.measure.extremes import Extremes
from coilbench_worker.measure.hiss import Hiss, HissCourse
from coilbench_worker.measure.levels import energy_average_dbfs, power_db
from coilbench_worker.measure.noise import Noise, QuietStretches, with_rounding
from coilbench_worker.measure.one_strum import cut_short, measure_strum
from coilbench_worker.measure.quiet import quiet_stretches
from coilbench_worker.measure.results import (
    AudioDescription,
    Check,
    Parts,
    Strum,
    Summary,
    TakeMeasurement,
    Unmeasurable,
)
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.silence import silent_stretches
from coilbench_worker.measure.source import FloatArray, OneChannel, RecordingFacts, SampleSource
from coilbench_worker.measure.statistics import summary
from coilbench_worker.measure.strums import Finding, find_strums
from coilbench_worker.measure.survey import Survey, survey
from coilbench_worker.measure.take_reasons import take_reasons
from coilbench_worker.measure.traces import OverviewCourse, Traces
from coilbench_worker.measure.version import MEASURE_VERSION

GUARD_S = 0.030
"""Twice what an onset may be off on recorded strums."""
NOISE_PIECE_S = 10.0
"""Read at once: 15 MB at 192 kHz."""
NOISE_LONGEST_S = 60.0
"""A minute tells the level of hiss to 0.01 dB; more would only cost time."""


def measure_take(source: SampleSource, facts: RecordingFacts, settings: MeasureSettings) -> TakeMeasurement:
    """Measure a recording.

    Parameters
    ----------
    source : the recording, all channels, full scale = 1.0
    facts : what its file says of itself
    settings : windows, channel and number of strums expected

    Raises
    ------
    Unmeasurable : `too-short`, `not-finite`, `channel-choice` or `no-strums`, with the checks made until then
    """
    checks = judgement.of_file(facts, source.rate_hz, source.frames)
    _long_enough(source, settings, checks)
    channel, noted = choose_channel(source, settings.channel)
    checks += noted
    overview = OverviewCourse(channel.rate_hz, channel.frames)
    course, extremes, hiss = _survey(channel, facts, overview)
    finding = find_strums(channel, course, settings.expected_strums)
    checks += _of_silence(course, finding, channel.rate_hz)
    if not finding.strums:
        level = 20.0 * np.log10(extremes.peak) if extremes.peak > 0 else None
        heard = "is silent" if level is None else f"peaks at {level:.1f} dBFS"
        finding_text = f"Nothing in {source.frames / source.rate_hz:.2f} s begins like a strum; the recording {heard}."
        raise Unmeasurable((*checks, raised("no-strums", "reject", finding_text, values={"peak_dbfs": level})))
    quiet = _noise(channel, course, finding)
    offset = course.offset if quiet.dc_offset is None else quiet.dc_offset
    around = with_rounding(quiet, facts.integer_bits, channel.rate_hz)
    measured = [
        measure_strum(channel, number, times, settings, around, offset=offset)
        for number, times in enumerate(finding.strums, start=1)
    ]
    strums = tuple(strum for strum, _ in measured)
    take, noise = _take_quantities(course, strums), _noise_figures(quiet, offset, strums)
    onsets = [strum.onset_s for strum in strums]
    checks += judgement.of_extremes(extremes, channel.rate_hz, onsets)
    checks += judgement.of_noise(noise, _greatest(strums, "peak_dbfs"))
    short = {strum.number: keys for strum in strums if (keys := cut_short(strum))}
    checks += judgement.of_strums(strums, settings.expected_strums, short)
    compression = limiting.compression(course, finding.strums, finding.noise_power, finding.passed_over)
    gated = gating.gating(hiss, finding.strums, channel.rate_hz)
    checks += judgement.of_limiting(compression, gated, strums)
    return TakeMeasurement(
        version=MEASURE_VERSION,
        settings=settings.to_document(),
        audio=_audio(source, channel, facts),
        checks=tuple(checks),
        noise=noise,
        strums=strums,
        summary=_summaries(strums),
        take_quantities=take,
        traces=Traces(overview.overview(), tuple(trace for _, trace in measured)),
        reasons=take_reasons(take, noise, strums, quiet.reasons, source.frames / source.rate_hz),
    )


def _long_enough(source: SampleSource, settings: MeasureSettings, checks: list[Check]) -> None:
    duration, needed = source.frames / source.rate_hz, settings.level_window_s[1]
    if duration < needed:
        finding = f"The recording lasts {duration:.3f} s and the level window ends {needed:g} s after the onset."
        values = {"duration_s": duration, "needed_s": needed}
        raise Unmeasurable((*checks, raised("too-short", "reject", finding, values=values)))


def _survey(
    channel: OneChannel, facts: RecordingFacts, overview: OverviewCourse
) -> tuple[Survey, Extremes, HissCourse | None]:
    extremes, hiss = Extremes(facts.integer_bits, channel.rate_hz), Hiss(channel.rate_hz, facts.integer_bits)

    def watch(block: FloatArray) -> None:
        extremes.feed(block)
        hiss.feed(block)
        overview.feed(block)

    return survey(channel, watch=watch), extremes, hiss.course()


def _audio(source: SampleSource, channel: OneChannel, facts: RecordingFacts) -> AudioDescription:
    return AudioDescription(
        sample_rate_hz=source.rate_hz,
        channels=source.channels,
        channel_used=channel.index + 1,
        duration_s=source.frames / source.rate_hz,
        encoding=facts.encoding,
        container=facts.container,
    )


def _of_silence(course: Survey, finding: Finding, rate_hz: int) -> list[Check]:
    frame_s = course.hop / rate_hz
    runs = [(start * frame_s, stop * frame_s) for start, stop in silent_stretches(course)]
    return judgement.of_silence(runs, [strum.onset / rate_hz for strum in finding.strums])


def _noise(channel: OneChannel, course: Survey, finding: Finding) -> Noise:
    """Noise of the quiet stretches; at most a minute of them is read, 10 s at a time."""
    quiet = QuietStretches(channel.rate_hz)
    if finding.noise_power is None:
        return quiet.noise()
    left = round(NOISE_LONGEST_S * channel.rate_hz)
    piece = round(NOISE_PIECE_S * channel.rate_hz)
    for start, stop in quiet_stretches(course, _outside(finding, channel), finding.noise_power):
        for at in range(start, min(stop, start + left), piece):
            quiet.feed(channel.segment(at, min(at + piece, stop, start + left)))
        left -= min(stop - start, left)
    return quiet.noise()


def _outside(finding: Finding, channel: OneChannel) -> list[tuple[int, int]]:
    """Sample ranges before, between and after the strums, 30 ms clear of them."""
    guard = round(GUARD_S * channel.rate_hz)
    begins = [0, *(strum.end + guard for strum in finding.strums)]
    ends = [*(strum.onset - guard for strum in finding.strums), channel.frames]
    return [(begin, end) for begin, end in zip(begins, ends, strict=True) if end > begin]


def _noise_figures(quiet: Noise, offset: float, strums: Sequence[Strum]) -> Parts:
    mean_rms = summary(_without_offset(strum.quantities["rms_dbfs"], offset) for strum in strums).mean
    level = quiet.noise_dbfs
    return {
        "noise_dbfs": level,
        "noise_dba_dbfs": quiet.noise_dba_dbfs,
        "hum_hz": None if quiet.hum_hz is None else float(quiet.hum_hz),
        "hum_dbfs": quiet.hum_dbfs,
        "snr_db": None if level is None or mean_rms is None else mean_rms - level,
        "dc_offset": offset,
    }


def _without_offset(rms_dbfs: float | None, offset: float) -> float | None:
    """RMS level of what swings about the offset, dBFS; None where nothing does."""
    return None if rms_dbfs is None else power_db(10.0 ** (rms_dbfs / 10.0) - offset * offset)


def _take_quantities(course: Survey, strums: Sequence[Strum]) -> Parts:
    known = [level for strum in strums if (level := strum.quantities["rms_dbfs"]) is not None]
    return {
        "loudness_integrated_lufs": course.loudness_integrated_lufs,
        "evenness_db": summary(known).sd,
        "rms_energy_dbfs": energy_average_dbfs([10.0 ** (level / 10.0) for level in known]) if known else None,
    }


def _greatest(strums: Sequence[Strum], key: str) -> float | None:
    return max((value for strum in strums if (value := strum.quantities[key]) is not None), default=None)


def _summaries(strums: Sequence[Strum]) -> Mapping[str, Summary | Mapping[str, Summary]]:
    found: dict[str, Summary | Mapping[str, Summary]] = {}
    for quantity in QUANTITIES:
        if quantity.of != "strum" or quantity.calibrated:
            continue
        if quantity.parts:
            vectors = [getattr(strum, quantity.key) for strum in strums]
            found[quantity.key] = {part: summary(vector[part] for vector in vectors) for part in quantity.parts}
        else:
            found[quantity.key] = summary(strum.quantities[quantity.key] for strum in strums)
    return found
