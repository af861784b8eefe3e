"""Where nobody plays: the noise floor and the quiet stretches of a take.

The lead-in before the first strum is quiet unless the file begins while strings ring. A gap between strums is quiet
only where its level no longer falls: strings that ring on are not noise, and a take that never comes to rest has no
noise figure. Digital silence is
not noise either: where there is something else, it alone counts.
"""

import numpy as np
from numpy.typing import NDArray

from coilbench_worker.measure.silence import silent_frames
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.survey import Survey

LEAD_IN_S = 0.100
BEFORE_ONSET_S = 0.030
AFTER_ONSET_S = 0.300
RINGING_BELOW_DB = 10.0
"""What is nearer to the strums than this as the file begins is taken for ringing, not for noise."""
RINGING_FALLS_DB = 1.0
"""From the quietest 0.1 s of the first half of the lead-in to that of the second; noise changes by half of that."""
FLAT_S = 0.800
FLAT_DB_PER_S = 1.5
LEAST_FLOOR_DBFS, LEAST_FLOOR_BELOW_LOUDEST_DB = -100.0, 80.0
"""What stands for the noise of a take that rests in digital silence only, whichever is lower."""
WITHIN_DB = (0.5, 3.0)
ENOUGH_S = 1.0
STRETCH_S = 0.200
SMALLEST = 1e-30
"""Keeps the logarithm of nothing finite."""

LEAST_FLOOR = 10.0 ** (LEAST_FLOOR_DBFS / 10.0)


def noise_floor(course: Survey, onsets: list[int]) -> float | None:
    """Mean square of the noise, full scale = 1.0, or None when the take has no quiet stretch.

    Parameters
    ----------
    course : survey of the take
    onsets : samples at which strums begin, in order

    Returns
    -------
    > 0; -100 dBFS, or 80 dB below the loudest frame where that is lower, when all that is quiet is digital silence
    """
    silent = silent_frames(course)
    levels = []
    first = onsets[0] / course.hop if onsets else course.frames
    lead = int(first - BEFORE_ONSET_S * course.rate_hz / course.hop)
    window = course.count(LEAD_IN_S)
    if lead >= window and not _rings(course, onsets, lead, window):
        levels.append(_least(_moving_mean(course.power[:lead], window), _moving_mean(silent[:lead], window) == 0.0))
    for start, stop in _gaps(course, onsets):
        flat = _flat_level(course, silent, start, stop)
        if flat is not None:
            levels.append(flat)
    if not levels:
        return None
    loudest = float(course.power.max()) * 10.0 ** (-LEAST_FLOOR_BELOW_LOUDEST_DB / 10.0)
    return min((level for level in levels if level > 0.0), default=min(LEAST_FLOOR, loudest or LEAST_FLOOR))


def quiet_stretches(course: Survey, spans: list[tuple[int, int]], floor: float) -> list[tuple[int, int]]:
    """Parts of the spans whose level is within 0.5 dB of the floor, or within 3 dB where those last less than 1 s.

    A string that rings freely into the noise lies above it for a while; only where nothing else is to be had does that
    count. Digital silence only where nothing else is quiet.

    Parameters
    ----------
    course : survey of the take
    spans : sample ranges outside strums
    floor : mean square of the noise, full scale = 1.0
    """
    for within_db in WITHIN_DB:
        kept = _stretches(course, spans, floor * 10.0 ** (within_db / 10.0))
        if sum(end - begin for begin, end in kept) >= ENOUGH_S * course.rate_hz:
            break
    return kept


def _stretches(course: Survey, spans: list[tuple[int, int]], limit: float) -> list[tuple[int, int]]:
    """Parts of the spans below a mean square, as sample ranges of 0.2 s pieces joined; the last reaches to its end."""
    piece = course.count(STRETCH_S)
    silent = silent_frames(course)
    kept: list[tuple[int, int]] = []
    empty: list[tuple[int, int]] = []
    for start, stop in spans:
        first, last = -(-start // course.hop), stop // course.hop
        length = piece if last - first >= piece else last - first
        if length < course.count(LEAD_IN_S / 2):
            continue
        for at in (*range(first, last - length, length), last - length):
            if float(course.power[at : at + length].mean()) <= limit:
                zeros = silent[at : at + length]
                if not zeros.any():
                    _join(kept, at * course.hop, (at + length) * course.hop)
                elif zeros.all():
                    _join(empty, at * course.hop, (at + length) * course.hop)
    return kept or empty


def _join(ranges: list[tuple[int, int]], begin: int, end: int) -> None:
    """Add a range; one that touches the last becomes part of it."""
    if ranges and ranges[-1][1] >= begin:
        ranges[-1] = (ranges[-1][0], end)
    else:
        ranges.append((begin, end))


def _moving_mean(values: FloatArray | NDArray[np.bool_], window: int) -> FloatArray:
    total = np.concatenate(([0.0], np.cumsum(values)))
    return np.asarray((total[window:] - total[:-window]) / window)


def _rings(course: Survey, onsets: list[int], lead: int, window: int) -> bool:
    """Whether strings ring from the file's begin to its first strum: about as loud as strums, or falling."""
    struck = [
        float(course.power[at : at + course.count(AFTER_ONSET_S)].mean())
        for onset in onsets
        if (at := onset // course.hop) < course.frames
    ]
    quietest = float(_moving_mean(course.power[:lead], window).min())
    if struck and quietest > float(np.median(struck)) * 10.0 ** (-RINGING_BELOW_DB / 10.0):
        return True
    if lead < 2 * window:
        return False
    early, late = (float(_moving_mean(part, window).min()) for part in np.array_split(course.power[:lead], 2))
    return early > late * 10.0 ** (RINGING_FALLS_DB / 10.0) and late > 0.0


def _gaps(course: Survey, onsets: list[int]) -> list[tuple[int, int]]:
    """Frame ranges from 0.3 s after each onset to just before the next, or to the end of the file."""
    after, before = course.count(AFTER_ONSET_S), course.count(BEFORE_ONSET_S)
    edges = [onset // course.hop for onset in onsets]
    stops = [edge - before for edge in edges[1:]] + [course.frames - 1]
    return [(edge + after, stop) for edge, stop in zip(edges, stops, strict=False) if stop > edge + after]


def _flat_level(course: Survey, silent: NDArray[np.bool_], start: int, stop: int) -> float | None:
    """Least mean square of 0.8 s in which the level falls by less than 1.5 dB/s, or None; 0 for digital silence."""
    window = course.count(FLAT_S)
    if stop - start < window:
        return None
    third = window // 3
    mean = _moving_mean(course.power[start:stop], third) + SMALLEST
    level = _moving_mean(course.power[start:stop], window)
    early, late = mean[: level.size], mean[2 * third : 2 * third + level.size]
    flat = np.abs(10.0 * np.log10(early / late)) <= FLAT_DB_PER_S * FLAT_S
    clear = _moving_mean(silent[start:stop], window) == 0.0
    return _least(level[flat], clear[flat]) if flat.any() else None


def _least(levels: FloatArray, clear: NDArray[np.bool_]) -> float:
    """Least of the levels that are clear of digital silence; 0 where none is."""
    return float(levels[clear].min()) if clear.any() else 0.0
