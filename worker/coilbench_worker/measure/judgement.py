"""Judging the recording: from facts and figures to checks. What can't be decided is not claimed.

The limits are common practice, no source.
"""

import math
from collections.abc import Sequence
from statistics import median

from coilbench_worker.measure.bands import OCTAVES, THIRDS, USABLE_SHARE, measurable
from coilbench_worker.measure.checks import raised
from coilbench_worker.measure.extremes import Extremes
from coilbench_worker.measure.gating import Gating
from coilbench_worker.measure.limiting import Compression
from coilbench_worker.measure.results import Check, Parts, Scalar, Severity, Strum
from coilbench_worker.measure.silence import LEAST_S
from coilbench_worker.measure.source import RecordingFacts
from coilbench_worker.measure.statistics import standard_deviation

DC_NOTE_DBFS, DC_CAUTION_DBFS = -60.0, -40.0
HUM_NOTE_DB, HUM_CAUTION_DB = 50.0, 35.0
SNR_NOTE_DB, SNR_CAUTION_DB, SNR_REJECT_DB = 40.0, 30.0, 15.0
QUIET_PEAK_DBFS = -40.0
UNEVEN_DB = 2.0
EVENNESS_STRUMS = 3
CLIPPED_REJECT_S = 0.001
STEADY_DB_PER_S = 0.5
TIMES_SHOWN = 20
STRUMS_NAMED = 12
"""In a sentence; `strums` of the check has all."""


def of_file(facts: RecordingFacts, rate_hz: int, frames: int) -> list[Check]:
    """Checks of the file itself: `truncated-file`, `low-sample-rate`."""
    found = []
    if facts.truncated:
        declared = facts.declared_frames / rate_hz if facts.declared_frames is not None else None
        promise = f"promises {declared:.2f} s and" if declared is not None else "promises more than there is;"
        finding = f"The file's header {promise} {frames / rate_hz:.2f} s are there; these were measured."
        values = {"missing_bytes": facts.missing_bytes, "declared_s": declared, "present_s": frames / rate_hz}
        found.append(raised("truncated-file", "caution", finding, values=values))
    if not measurable(THIRDS[-1], rate_hz):
        usable_hz = USABLE_SHARE * rate_hz
        severity: Severity = "note" if measurable(OCTAVES[-1], rate_hz) else "caution"
        finding = f"At {rate_hz} Hz nothing above {usable_hz:.0f} Hz can be measured."
        found.append(raised("low-sample-rate", severity, finding, values={"usable_to_hz": usable_hz}))
    return found


def of_extremes(extremes: Extremes, rate_hz: int, onsets_s: Sequence[float]) -> list[Check]:
    """The check `clipped`: at full scale, flat tops below it, or crests cut off before the converter.

    The last may be the pickup's own electronics at their ceiling, which the take then shows truly: never a reject.
    """
    full, flat, blunt = extremes.clipped_runs(), extremes.flat_runs(), extremes.blunt_runs()
    runs = full or flat or blunt
    if not runs:
        return []
    samples = sum(run.length for run in runs)
    level = 20.0 * math.log10(abs(runs[0].value))
    often = "Once" if len(runs) == 1 else f"{len(runs)} times"
    if full or flat:
        where = "at full scale" if full else f"at {level:.1f} dBFS, below full scale,"
        finding = f"{often} several samples in a row stand {where} ({samples} samples in all)."
    else:
        finding = (
            f"{len(runs)} crests are cut off at {level:.1f} dBFS, below full scale, so before the converter: by the"
            f" input, or, if a lower gain leaves them as they are, by the pickup's own electronics ({samples} samples"
            " in all)."
        )
    times = sorted({round(run.start / rate_hz, 3) for run in runs})
    strums = sorted({_strum_at(time, onsets_s) for time in times} - {0})
    severity: Severity = "reject" if (full or flat) and samples / rate_hz >= CLIPPED_REJECT_S else "caution"
    values: dict[str, Scalar] = {
        "place": "full scale" if full else "below full scale",
        "level_dbfs": level,
        "runs": len(runs),
        "samples": samples,
        "longest": max(run.length for run in runs),
    }
    return [raised("clipped", severity, finding, strums=strums, times_s=times[:TIMES_SHOWN], values=values)]


def of_limiting(compression: Compression | None, gating: Gating | None, strums: Sequence[Strum]) -> list[Check]:
    """The check `limited`, with the signs that were seen; how far the peaks of all strums lie apart is beside it."""
    signs, values = [], dict[str, Scalar]()
    seen: set[int] = set()
    if compression is not None:
        early, late = compression.early_db_per_s, compression.late_db_per_s
        first = f"falls by {early:.1f} dB/s" if early >= STEADY_DB_PER_S else "hardly falls"
        course = f"{first} at first and by {late:.1f} dB/s later" if compression.reduction_db is not None else first
        signs.append(f"The level of {_strums(compression.strums)} {course}, as behind a compressor or limiter.")
        values |= {"early_db_per_s": early, "late_db_per_s": late, "gain_reduction_db": compression.reduction_db}
        peaks = [peak for strum in strums if (peak := strum.quantities.get("peak_dbfs")) is not None]
        values["peak_spread_db"] = max(peaks) - min(peaks) if len(peaks) > 1 else None
        seen |= set(compression.strums)
    if gating is not None:
        signs.append(f"The hiss falls by {gating.drop_db:.0f} dB after {_strums(gating.strums)}, as behind a gate.")
        values["gate_drop_db"] = gating.drop_db
        seen |= set(gating.strums)
    if not signs:
        return []
    times = () if gating is None else gating.times_s[:TIMES_SHOWN]
    return [raised("limited", "caution", " ".join(signs), strums=sorted(seen), times_s=times, values=values)]


def _strums(numbers: Sequence[int]) -> str:
    """The strums by their numbers, the first dozen of many."""
    named = ", ".join(map(str, numbers[:STRUMS_NAMED]))
    more = f" and {len(numbers) - STRUMS_NAMED} more" if len(numbers) > STRUMS_NAMED else ""
    return f"strum {named}" if len(numbers) == 1 else f"strums {named}{more}"


def of_noise(noise: Parts, peak_dbfs: float | None) -> list[Check]:
    """The checks `dc-offset`, `hum`, `noisy` and `too-quiet`."""
    found = []
    offset = noise.get("dc_offset")
    if offset:
        level = 20.0 * math.log10(abs(offset))
        if level >= DC_NOTE_DBFS:
            severity: Severity = "caution" if level >= DC_CAUTION_DBFS else "note"
            finding = f"The mean of the samples is {offset:+.4f} of full scale ({level:.1f} dBFS)."
            found.append(raised("dc-offset", severity, finding, values={"dc_offset": offset, "dc_dbfs": level}))
    found += _of_hum(noise)
    snr = noise.get("snr_db")
    if snr is not None and snr < SNR_NOTE_DB:
        severity = "reject" if snr < SNR_REJECT_DB else "caution" if snr < SNR_CAUTION_DB else "note"
        finding = f"The strums stand only {snr:.1f} dB above the noise."
        found.append(raised("noisy", severity, finding, values={"snr_db": snr, "noise_dbfs": noise.get("noise_dbfs")}))
    if peak_dbfs is not None and peak_dbfs < QUIET_PEAK_DBFS:
        finding = f"The loudest sample of all strums is at {peak_dbfs:.1f} dBFS."
        found.append(raised("too-quiet", "caution", finding, values={"peak_dbfs": peak_dbfs}))
    return found


def _of_hum(noise: Parts) -> list[Check]:
    hum, hertz = noise.get("hum_dbfs"), noise.get("hum_hz")
    snr, floor = noise.get("snr_db"), noise.get("noise_dbfs")
    if hum is None or hertz is None or snr is None or floor is None:
        return []
    below = floor + snr - hum
    if below >= HUM_NOTE_DB:
        return []
    finding = f"Hum of {hertz:.0f} Hz mains stands {below:.1f} dB below the strums."
    severity: Severity = "caution" if below < HUM_CAUTION_DB else "note"
    values = {"hum_hz": hertz, "hum_dbfs": hum, "below_strums_db": below}
    return [raised("hum", severity, finding, values=values)]


def of_strums(strums: Sequence[Strum], expected: int | None, cut_short: dict[int, list[str]]) -> list[Check]:
    """The checks `strum-count`, `strum-cut-short` and `uneven-strums`; `cut_short`: empty quantities by strum."""
    found = []
    if expected is not None and len(strums) != expected:
        finding = f"{len(strums)} {'strum was' if len(strums) == 1 else 'strums were'} found and {expected} expected."
        times = [strum.onset_s for strum in strums]
        values = {"found": len(strums), "expected": expected}
        found.append(raised("strum-count", "caution", finding, times_s=times, values=values))
    if cut_short:
        numbers = sorted(cut_short)
        keys = sorted({key for names in cut_short.values() for key in names})
        who = f"{_strums(numbers).capitalize()} {'ends' if len(numbers) == 1 else 'end'}"
        finding = f"{who} before the window does; empty: {', '.join(keys)}."
        named: dict[str, Scalar] = {"cut_short": len(numbers), "empty": ", ".join(keys)}
        found.append(raised("strum-cut-short", "caution", finding, strums=numbers, values=named))
    return [*found, *_of_evenness(strums)]


def _of_evenness(strums: Sequence[Strum]) -> list[Check]:
    """The check `uneven-strums`; two strums are too few to speak of scatter."""
    levels = {strum.number: level for strum in strums if (level := strum.quantities.get("rms_dbfs")) is not None}
    if len(levels) < EVENNESS_STRUMS:
        return []
    spread, middle = standard_deviation(list(levels.values())), median(levels.values())
    if spread <= UNEVEN_DB:
        return []
    low, high = min(levels.values()), max(levels.values())
    finding = (
        f"The levels of the strums scatter by {spread:.1f} dB (standard deviation), from {low:.1f} to {high:.1f} dBFS."
    )
    far = [number for number, level in levels.items() if abs(level - middle) > UNEVEN_DB]
    values = {"evenness_db": spread, "least_dbfs": low, "greatest_dbfs": high}
    return [raised("uneven-strums", "caution", finding, strums=far, values=values)]


def of_silence(runs_s: Sequence[tuple[float, float]], onsets_s: Sequence[float]) -> list[Check]:
    """The check `digital-silence` from stretches (start, stop) of exact zeros; between strums it is graver than around
    them.
    """
    long = [(start, stop) for start, stop in runs_s if stop - start >= LEAST_S]
    if not long:
        return []
    total = sum(stop - start for start, stop in long)
    inside = bool(onsets_s) and any(onsets_s[0] < start and stop < onsets_s[-1] for start, stop in long)
    stretches = "1 stretch" if len(long) == 1 else f"{len(long)} stretches"
    finding = f"{stretches} of exact zeros, {total:.2f} s in all."
    times = [start for start, _ in long][:TIMES_SHOWN]
    values = {"stretches": len(long), "total_s": total}
    return [raised("digital-silence", "caution" if inside else "note", finding, times_s=times, values=values)]


def _strum_at(time_s: float, onsets_s: Sequence[float]) -> int:
    return sum(1 for onset in onsets_s if onset <= time_s + 0.005)
