"""Loudness of one mono channel, LUFS: K weighting, momentary maximum of a strum, gated loudness of a whole take.

Source: ITU-R BS.1770-5 (11/2023) Annex 1; windows and hop of momentary loudness: EBU Tech 3341 (11/2023). One channel
with gain 1: a full-scale 997 Hz sine reads -3.01 LUFS, and the same signal in two channels would read 3.01 LU more.
The maximum of momentary loudness is sought with a 10 ms hop, as a 100 ms hop misses it by up to 0.45 LU (Tech 3341
case 13).
"""

from math import pi, tan

import numpy as np
from scipy.signal import sosfilt

from coilbench_worker.measure.levels import power_db
from coilbench_worker.measure.source import FloatArray

OFFSET_DB = -0.691
WINDOW_S, HOP_S = 0.4, 0.01
ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU = -70.0, -10.0
PRE_ROLL_S = 0.1
"""Samples before the onset that settle the filter: its slowest part, the 38 Hz high-pass, has forgotten 99.99 % by
then."""

FORGOTTEN = 1e-100
"""Filter states below this are set to 0: in digital silence they would sink to where arithmetic is 30 times slower."""

SHELF_HZ, SHELF_Q = 1681.974450955533, 0.7071752369554196
SHELF_HIGH, SHELF_MID = 1.584864701130855, 1.258720930232562
HIGH_PASS_HZ, HIGH_PASS_Q = 38.13547087602444, 0.5003270373238773
TABLE_RATE_HZ = 48_000.0


def k_weighting_sos(rate_hz: float) -> FloatArray:
    """K weighting as two second-order sections for `scipy.signal.sosfilt`.

    Parameters
    ----------
    rate_hz : > 4 kHz, Hz

    Returns
    -------
    shape (2, 6). At 48 kHz the coefficients of BS.1770-5 tables 1 and 2; at other rates those of the same analogue
    filter, with the pass-band gain that the high-pass of table 2 has at 48 kHz (0.04 dB), so that every rate reads
    alike
    """
    k = tan(pi * SHELF_HZ / rate_hz)
    a0 = 1.0 + k / SHELF_Q + k * k
    shelf = [
        (SHELF_HIGH + SHELF_MID * k / SHELF_Q + k * k) / a0,
        2.0 * (k * k - SHELF_HIGH) / a0,
        (SHELF_HIGH - SHELF_MID * k / SHELF_Q + k * k) / a0,
        1.0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / SHELF_Q + k * k) / a0,
    ]
    k = tan(pi * HIGH_PASS_HZ / rate_hz)
    a0 = _high_pass_a0(rate_hz)
    gain = _high_pass_a0(TABLE_RATE_HZ) / a0
    high_pass = [
        gain,
        -2.0 * gain,
        gain,
        1.0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / HIGH_PASS_Q + k * k) / a0,
    ]
    return np.array([shelf, high_pass])


def _high_pass_a0(rate_hz: float) -> float:
    k = tan(pi * HIGH_PASS_HZ / rate_hz)
    return 1.0 + k / HIGH_PASS_Q + k * k


def momentary_maximum_lufs(
    samples: FloatArray, rate_hz: float, *, onset: int = 0, start_s: float = 0.0, stop_s: float = 0.5
) -> float | None:
    """Greatest loudness of the 400 ms windows, every 10 ms, that start in the level window.

    Parameters
    ----------
    samples : shape (n,), full scale = 1.0, ideally from PRE_ROLL_S before the onset (what is missing counts as silence)
    rate_hz : > 4 kHz, Hz
    onset : index of the onset in `samples`
    start_s, stop_s : level window from the onset, s; windows start at start_s, start_s + 10 ms, ... below stop_s

    Returns
    -------
    LUFS; None for silence, and when `samples` end before the last window does: none is shortened or left out

    Raises
    ------
    ValueError : not finite, or the onset is not inside `samples`
    """
    powers = window_powers(samples, rate_hz, window_s=WINDOW_S, onset=onset, start_s=start_s, stop_s=stop_s)
    return None if powers is None else _lufs(float(powers.max()))


def window_powers(
    samples: FloatArray, rate_hz: float, *, window_s: float, onset: int = 0, start_s: float = 0.0, stop_s: float = 0.5
) -> FloatArray | None:
    """K-weighted mean square of every window, every 10 ms, that starts between start_s and stop_s.

    Parameters
    ----------
    samples : shape (n,), full scale = 1.0, ideally from PRE_ROLL_S before the onset (what is missing counts as silence)
    rate_hz : > 4 kHz, Hz
    window_s : multiple of 10 ms: 0.4 s for momentary, 3 s for short-term loudness (EBU Tech 3341, 2.2)
    onset : index of the onset in `samples`
    start_s, stop_s : windows start at start_s, start_s + 10 ms, ... below stop_s, s from the onset

    Returns
    -------
    shape (windows,), full scale squared = 1.0 (10 log10 of it is loudness, less OFFSET_DB); None when `samples` end
        before the last window does

    Raises
    ------
    ValueError : not finite, or the onset is not inside `samples`
    """
    if not 0 <= onset < samples.size:
        raise ValueError(f"onset at sample {onset} of {samples.size}")
    starts = max(int(np.ceil((stop_s - start_s) / HOP_S - 1e-6)), 1)
    hops = round(window_s / HOP_S)
    grid = start_s + HOP_S * np.arange(starts + hops)
    edges = onset + np.rint(grid * rate_hz).astype(np.intp)
    if edges[-1] > samples.size:
        return None
    weighted = sosfilt(k_weighting_sos(rate_hz), samples[: edges[-1]])
    until = np.concatenate(([0.0], np.cumsum(np.add.reduceat(np.square(weighted), edges[:-1]))))
    powers: FloatArray = (until[hops:] - until[:-hops]) / (edges[hops:] - edges[:-hops])
    if not np.isfinite(powers).all():
        raise ValueError("samples are not finite (NaN or infinity)")
    return powers


class IntegratedLoudness:
    """Gated loudness of a whole recording, fed in blocks; keeps one number per 100 ms.

    Gating blocks of 400 ms every 100 ms; an unfinished last block is thrown away; gates at -70 LUFS and 10 LU below the
    level of the blocks above it, both to be exceeded (BS.1770-5 Annex 1, equations 3 to 7).
    """

    def __init__(self, rate_hz: float) -> None:
        self._sos = k_weighting_sos(rate_hz)
        self._state = np.zeros((2, 2))
        self._rate_hz = rate_hz
        self._rest = np.zeros(0)
        self._energies: list[FloatArray] = []
        self._cells = 0

    def feed(self, samples: FloatArray) -> None:
        """Take the next samples of the channel: shape (n,), any n, full scale = 1.0."""
        if samples.size == 0:
            return
        weighted, self._state = sosfilt(self._sos, samples, zi=self._state)
        self._state[np.abs(self._state) < FORGOTTEN] = 0.0
        squares = np.concatenate((self._rest, np.square(weighted)))
        done = self._edge(self._cells)
        count = 0
        while self._edge(self._cells + count + 1) - done <= squares.size:
            count += 1
        if count:
            edges = [self._edge(self._cells + step) - done for step in range(count + 1)]
            self._energies.append(np.add.reduceat(squares[: edges[-1]], edges[:-1]))
            squares = squares[edges[-1] :]
            self._cells += count
        self._rest = squares

    def lufs(self) -> float | None:
        """Integrated loudness of what was fed, LUFS; None below 400 ms and when nothing passes the absolute gate."""
        if self._cells < 4:
            return None
        cells = np.concatenate(self._energies)
        edges = np.array([self._edge(step) for step in range(self._cells + 1)])
        blocks = (cells[:-3] + cells[1:-2] + cells[2:-1] + cells[3:]) / (edges[4:] - edges[:-4])
        heard = blocks[blocks > _power(ABSOLUTE_GATE_LUFS)]
        if heard.size == 0:
            return None
        kept = heard[heard > float(heard.mean()) * 10.0 ** (RELATIVE_GATE_LU / 10.0)]
        return _lufs(float(kept.mean()))

    def _edge(self, cell: int) -> int:
        return round(cell * 0.1 * self._rate_hz)


def _lufs(power: float) -> float | None:
    level = power_db(power)
    return None if level is None else level + OFFSET_DB


def _power(lufs: float) -> float:
    return float(10.0 ** ((lufs - OFFSET_DB) / 10.0))
