"""The instant at which a strum begins, to half a millisecond.

What rings on can be predicted from what came before, a new stroke can't: a linear predictor is fitted to the samples
before the rise, and the onset is where its error clears what it was until then and stays clear. Hum, hiss and old
strings are whitened alike.

That is done twice. Below 1.35 kHz a predictor that spans the period of the lowest string follows even loud ringing, and
the click of a pick touching a string has nothing there. Close to what is found the same is done in a wider band, which
tells the instant more finely.
"""

from dataclasses import dataclass

import numpy as np

from coilbench_worker.measure.decimation import Decimator, Float32Array
from coilbench_worker.measure.prediction import error_filters, filtered
from coilbench_worker.measure.source import FloatArray, OneChannel

LEAD_S, SEARCH_S = 0.085, 0.075
"""How long before and after the rough idea the onset may lie."""
HISTORY_S = 0.180
"""What the predictors are fitted to: some periods of the beats between strings, and less than half a gap."""
LEAST_HISTORY_S = 0.090
"""Four times the longest order; with less a file has only just begun, and what follows is fitted to instead."""
STAY_S = 0.016
STAY_SHARE = 0.6
STAY_BELOW_DB = 3.0
"""What has begun stays clear, to 3 dB, in most of the next 16 ms: 1.3 periods of the lowest string of six."""
CLEAR_DB = 3.0
TYPICAL_QUANTILE = 0.9
"""The error must clear nine tenths of what it was by 3 dB, which noise in such short cells seldom does for 16 ms."""
DRIFT_DB, EXCESS_CAP_DB = 2.0, 3.0
"""Of the running sum: what counts as no excess, and the most that one cell may add."""
NEAR_S = 0.003
"""How far the finer look may move the onset: cells and low-pass of the first make it uncertain by 2 ms."""
LEAST_ORDER = 24
"""Shorter predictors whiten nothing; the samples themselves are looked at."""


@dataclass(frozen=True, slots=True)
class _Look:
    """How the error is looked at: rate of the samples, order of the predictor, cell over which power is taken, and how
    far below the greatest error in sight the onset may come up.
    """

    rate_hz: int
    order_s: float
    cell_s: float
    range_db: float


LOW = _Look(rate_hz=3_000, order_s=0.0213, cell_s=0.001, range_db=27.0)
"""25 to 28 dB below the loudest string of the stroke find the same onsets: with less the first string may be missed,
with more a pick's click counts."""
FINE = _Look(rate_hz=16_000, order_s=0.002, cell_s=0.0005, range_db=40.0)


def refine_onset(channel: OneChannel, rise: int, *, offset: float = 0.0) -> int:
    """Sample at which the strum begins whose news was seen around sample `rise`.

    Parameters
    ----------
    channel : the recording
    rise : sample index, from 70 ms before to 80 ms after the true onset
    offset : direct current of the channel, full scale = 1.0; as the file begins it would be news

    Returns
    -------
    Sample index, on a grid of 0.5 ms; `rise` itself where nothing clears what was there before
    """
    lead, search, history = (round(seconds * channel.rate_hz) for seconds in (LEAD_S, SEARCH_S, HISTORY_S))
    first, last = max(rise - lead, 0), rise + search
    start = max(first - history, 0)
    early = first < round(LEAST_HISTORY_S * channel.rate_hz)
    reach = history if early else round(STAY_S * channel.rate_hz)
    samples = channel.segment(start, last + reach) - offset
    low = _found(samples, channel.rate_hz, LOW, first - start, last - start, early)
    if low is None:
        fine = _found(samples, channel.rate_hz, FINE, first - start, last - start, early)
        return rise if fine is None else start + fine
    near = round(NEAR_S * channel.rate_hz)
    fine = _found(samples, channel.rate_hz, FINE, max(low - near, 0), low + near, early)
    if fine is None:
        low = _found(samples, channel.rate_hz, LOW, first - start, last - start, early, unsure=True) or low
        fine = _found(samples, channel.rate_hz, FINE, max(low - near, 0), low + near, early)
    return start + (low if fine is None else fine)


def _found(
    samples: FloatArray, rate_hz: int, look: _Look, first: int, last: int, early: bool, unsure: bool = False
) -> int | None:
    """Sample from `first` to `last` at which the error first clears what it was before; None where it doesn't.

    Where the wider band shows nothing there (`unsure`), the change is looked for a little longer: error may have come
    near the threshold by chance before. The predictor is fitted to what lies before `first`; as the file begins
    (`early`), where that is too little, to what follows `last`: steady sounds are the same there, and the strings ring
    on. Hum is far below these and not well fitted then, so it is put down by looking at the second differences.
    """
    decimator = Decimator(rate_hz, look.rate_hz)
    step, rate = decimator.factor, rate_hz / decimator.factor
    coarse = decimator.feed(samples)
    if early:
        coarse = np.diff(coarse, 2, prepend=coarse[:1].repeat(2))
    cell = max(round(look.cell_s * rate), 1)
    cells = slice(first // step // cell, last // step // cell + 1)
    order = round(look.order_s * rate)
    fitted = coarse[cells.stop * cell :] if early else coarse[: cells.start * cell]
    order = min(order, fitted.size // 4)
    power = _cell_power(_prediction_error(coarse, fitted, order), cell)
    stay = round(STAY_S / look.cell_s)
    past = power[:0] if early else power[min(order // cell + 1, cells.start // 2) : cells.start]
    at = _first_clear(power[cells.start : cells.stop + stay], past, stay, look.range_db, unsure)
    return None if at is None or at >= cells.stop - cells.start else (cells.start + at) * cell * step


def _first_clear(ahead: FloatArray, past: FloatArray, stay: int, range_db: float, unsure: bool) -> int | None:
    """First cell whose power clears that of cells before, and stays clear; None without one."""
    if ahead.size == 0 or not np.any(ahead):
        return None
    held = float(np.quantile(past, TYPICAL_QUANTILE)) if past.size else 0.0
    threshold = max(held * 10.0 ** (CLEAR_DB / 10.0), float(ahead.max()) * 10.0 ** (-range_db / 10.0))
    clear = np.flatnonzero((ahead >= threshold) & _stays(ahead, threshold, stay))
    if clear.size == 0:
        return None
    usual, below = float(np.median(past)) if past.size else 0.0, threshold * 10.0 ** (-CLEAR_DB / 10.0)
    doubt = round((1.0 - STAY_SHARE) * stay) if unsure or usual > below or not past.size else 0
    return _change(ahead[: int(clear[0]) + 1 + doubt], max(usual, below))


def _change(power: FloatArray, held: float) -> int:
    """Cell from which on the error lies above `held` for good: the last low of the running sum of what exceeds it.

    Source: cumulative sum test, Page, Biometrika 41 (1954) 100 (from memory).
    """
    excess = 10.0 * np.log10((power + 1e-30) / (held + 1e-30)) - DRIFT_DB
    total = np.cumsum(np.minimum(excess, EXCESS_CAP_DB))
    return int(np.argmin(total[:-1])) + 1 if total.size > 1 and total[:-1].min() < total[-1] else power.size - 1


def _prediction_error(samples: Float32Array, fitted: Float32Array, order: int) -> FloatArray:
    """Error of a predictor fitted to some samples, for all samples; the samples themselves without enough to fit to."""
    double = samples.astype(np.float64)
    if order < LEAST_ORDER:
        return double
    padded = np.concatenate((np.zeros(order), double))
    return np.asarray(filtered(padded[None, :], error_filters(fitted.astype(np.float64)[None, :], order))[0])


def _cell_power(samples: FloatArray, cell: int) -> FloatArray:
    cells = samples.size // cell
    grid = samples[: cells * cell].reshape(cells, cell)
    return np.asarray(np.einsum("ij,ij->i", grid, grid) / cell)


def _stays(power: FloatArray, threshold: float, span: int) -> "np.ndarray[tuple[int], np.dtype[np.bool_]]":
    """Whether most cells of the next span are clear too, to 3 dB."""
    total = np.concatenate(([0], np.cumsum(power >= threshold * 10.0 ** (-STAY_BELOW_DB / 10.0))))
    index = np.arange(power.size)
    stop = np.minimum(index + span, power.size)
    return np.asarray(total[stop] - total[index] >= STAY_SHARE * (stop - index))
