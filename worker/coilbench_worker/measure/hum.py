"""Mains hum in a noise spectrum: a series of lines on 50 or 60 Hz, told from broadband noise and from ringing strings.

Grids hold their frequency within 1 % for 99.5 % of the time (EN 50160, through secondary texts), so line k is looked
for within 1 % of k times 50 or 60 Hz, up to 1 kHz. A line is a peak that noise of the same average would hardly ever
throw up. Lines belong together when they are multiples of one frequency. A string rings on its own series: 247 Hz and
494 Hz fit no mains series, and where one does by chance (349 Hz is 7 x 49.9) all its partials are multiples of 7. So
hum needs its fundamental, or lines whose numbers have no common divisor above 2 (100, 200, 300 Hz come from
rectifiers). And hum stays: a line that is much weaker in its weakest frame is a string that dies away. A string on
100 or 120 Hz has just the lines of a rectifier, so that these must hardly change at all: by less than strings that fall
by 0.5 dB/s do in 3 s.

Accuracy: tests/standards/test_noise.py. Lines that are lost in noise are not counted, so that hum near the noise reads
low: 10 dB below white noise of 0 to 4 kHz by up to 2 dB.
"""

from dataclasses import dataclass
from functools import reduce
from math import gcd, log10

import numpy as np
from scipy.special import chdtri

from coilbench_worker.measure.levels import power_db
from coilbench_worker.measure.source import FloatArray

MAINS_HZ = (50, 60)
TOLERANCE = 0.01
HIGHEST_HZ = 1000.0
CHANCE = 1e-8
"""Odds that noise alone puts a bin above the threshold; some 300 bins are looked at."""
NEIGHBOURS_HZ = 20.0
STEADY_SHARE, VERY_STEADY_SHARE = 0.3, 0.9
"""Least power of a line in any frame re its mean: of every line, and of even lines without others, by power."""
FRAMES_FOR_EVEN = 4
EVIDENT_SHARE = 1e-3
"""Lines more than 30 dB below the strongest prove nothing: noise throws one up now and then beside a string."""
NOT_FOUND = "none was found: no steady lines at multiples of 50 or 60 Hz stand out of the noise"


@dataclass(frozen=True, slots=True)
class Hum:
    """Mains hum: 50 or 60 Hz and the RMS sum of its lines up to 1 kHz, dBFS; both None with `reason` when not found."""

    mains_hz: int | None
    dbfs: float | None
    reason: str | None = None
    fundamental_hz: float | None = None


@dataclass(frozen=True, slots=True)
class _Line:
    number: int
    frequency_hz: float
    power: float
    steadiness: float


def mains_hum(
    power: FloatArray, bin_hz: float, *, least_power: FloatArray | None = None, frames: int = 1, window_s: float = 1.0
) -> Hum:
    """Find mains hum in an averaged periodogram.

    Parameters
    ----------
    power : shape (bins,), mean square per bin, full scale = 1.0, Hann windowed, from 0 Hz
    bin_hz : distance of the bins, Hz, at most 1.1
    least_power : the least of the frames in each bin, same shape; None leaves out the test for steadiness
    frames : half overlapped periodograms that were averaged
    window_s : length of the (shortest) window, s; at least 0.5

    Returns
    -------
    Hum : `mains_hz` 50 or 60, `dbfs` the RMS sum of all its lines, the noise below them taken off
    """
    found = []
    for nominal in MAINS_HZ:
        lines = _lines(power, bin_hz, nominal, least_power, max((frames + 1) // 2, 1), window_s)
        for reference in lines:
            fundamental = reference.frequency_hz / reference.number
            series = [line for line in lines if _belongs(line, fundamental, bin_hz)]
            if _is_hum(series, frames):
                found.append((sum(line.power for line in series), nominal, fundamental))
    if not found:
        return Hum(None, None, NOT_FOUND)
    total, nominal, fundamental = max(found)
    return Hum(nominal, power_db(total), None, fundamental)


def _is_hum(series: list[_Line], frames: int) -> bool:
    """Whether lines on multiples of one frequency, lowest first, can only come from the mains."""
    if series[0].number == 1:
        return True
    strongest = max(line.power for line in series)
    evident = [line for line in series if line.power >= EVIDENT_SHARE * strongest]
    divisor = reduce(gcd, (line.number for line in evident))
    steadiness = sum(line.power * line.steadiness for line in evident) / sum(line.power for line in evident)
    lasting = frames >= FRAMES_FOR_EVEN and steadiness >= VERY_STEADY_SHARE
    return len(evident) > 1 and (divisor == 1 or (divisor == 2 and lasting))


def _belongs(line: _Line, fundamental_hz: float, bin_hz: float) -> bool:
    return abs(line.frequency_hz - line.number * fundamental_hz) <= 0.5 * bin_hz + 0.001 * line.frequency_hz


def _lines(
    power: FloatArray, bin_hz: float, nominal: int, least_power: FloatArray | None, averages: int, window_s: float
) -> list[_Line]:
    """Lines that stand out within 1 % of multiples of a mains frequency, at most one a multiple, lowest first."""
    degrees = 2.0 * averages
    median_share = float(chdtri(degrees, 0.5)) / degrees
    threshold = float(chdtri(degrees, CHANCE)) / degrees
    half_width = int(np.ceil(2.0 / (window_s * bin_hz)))
    reach = half_width + round(NEIGHBOURS_HZ / bin_hz)
    lines = []
    for number in range(1, int(HIGHEST_HZ / nominal) + 1):
        centre, spread = number * nominal / bin_hz, number * nominal * TOLERANCE / bin_hz
        first, last = int(np.floor(centre - spread)), int(np.ceil(centre + spread))
        if last + reach >= power.size:
            break
        peak = first + int(np.argmax(power[first : last + 1]))
        position = _interpolated(power, peak)
        if position is None or abs(position - centre) > spread + 0.05:
            continue
        low = max(peak - reach, 1)
        around = np.concatenate((power[low : peak - half_width], power[peak + half_width + 1 : peak + reach + 1]))
        floor = float(np.median(around)) / median_share
        if power[peak] <= threshold * floor:
            continue
        near = slice(peak - half_width, peak + half_width + 1)
        line_power = float(power[near].sum()) - floor * (2 * half_width + 1)
        steadiness = 1.0 if least_power is None else float(least_power[peak] / power[peak])
        if line_power > 0.0 and steadiness >= STEADY_SHARE:
            lines.append(_Line(number, position * bin_hz, line_power, steadiness))
    return lines


def _interpolated(power: FloatArray, peak: int) -> float | None:
    """Position of a peak between the bins (parabola through the levels), None when the bin is no local maximum."""
    left, middle, right = (float(value) for value in power[peak - 1 : peak + 2])
    if middle < left or middle < right or min(left, middle, right) <= 0.0:
        return None
    a, b, c = log10(left), log10(middle), log10(right)
    curvature = a - 2.0 * b + c
    return peak + 0.5 * (a - c) / curvature if curvature < 0.0 else float(peak)
