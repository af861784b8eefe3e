"""The instant at which a strum begins, to half a millisecond.

What rings on can be predicted from what came before, a new stroke can't: a linear predictor is fitted to the samples
before the rise, and the onset is where its error clears what it was until then and stays clear. Hum, hiss and old
strings are whitened alike; the click of a pick touching a string is over before the error has stayed.
"""

import numpy as np

from coilbench_worker.measure.decimation import Decimator, Float32Array
from coilbench_worker.measure.prediction import error_filters, filtered
from coilbench_worker.measure.source import FloatArray, OneChannel

FINE_RATE_HZ = 16_000
HISTORY_S = 0.180
LEAD_S = 0.080
SEARCH_S = 0.070
CELL_S = 0.0005
SHORT_S = 0.002
LONG_S = 0.016
WELL_CLEAR_DB = 10.0
LEAST_ORDER = 24
LEAST_HISTORY_S = 0.030
CLEAR_DB = 3.0
RANGE_DB = 40.0
BEGIN_RANGE_DB = 32.0
"""How far below its loudest a sound may come up as the file begins: 26 to 38 dB find the same onsets."""
STAY_S = 0.016
STAY_CELLS = round(STAY_S / CELL_S)
STAY_SHARE = 0.6
DRIFT_DB = 2.0
EXCESS_CAP_DB = 3.0
STAY_BELOW_DB = 3.0
TYPICAL_QUANTILE = 0.9


def refine_onset(channel: OneChannel, rise: int, *, offset: float = 0.0) -> int:
    """Sample at which the strum begins whose news was seen around sample `rise`.

    Over loud ringing the first string may hide in what a short predictor can't follow; a long one, which spans the
    period of the lowest string, then looks again. (It would smear a pick's click, so it is not asked where the short
    one sees well.)

    Parameters
    ----------
    channel : the recording
    rise : sample index, from 70 ms before to 80 ms after the true onset
    offset : direct current of the channel, full scale = 1.0; as the file begins it would be news

    Returns
    -------
    Sample index, on a grid of 0.5 ms; `rise` itself where nothing clears what was there before
    """
    step, rate = _decimated(channel.rate_hz)
    cell = max(round(CELL_S * rate), 1)
    if rise < round((LEAD_S + LEAST_HISTORY_S) * channel.rate_hz):
        begin = _at_begin(channel, rise, cell, offset)
        if begin is not None:
            return begin * cell * step
    search = max(rise - round(LEAD_S * channel.rate_hz), min(rise, round(LEAST_HISTORY_S * channel.rate_hz)))
    start = max(search - round(HISTORY_S * channel.rate_hz), 0)
    samples = Decimator(channel.rate_hz, FINE_RATE_HZ).feed(channel.segment(start, _reach(channel, rise)) - offset)
    first = (search - start) // step // cell
    found, clearance_db = _first_news(samples, first, cell, round(SHORT_S * rate))
    if found is not None and clearance_db < WELL_CLEAR_DB:
        again, _ = _first_news(samples, first, cell, round(LONG_S * rate))
        if again is not None and again < found:
            found = again
    return rise if found is None else start + found * cell * step


def _decimated(rate_hz: int) -> tuple[int, float]:
    """By how much samples are thinned out here, and the rate that this leaves, Hz."""
    step = Decimator(rate_hz, FINE_RATE_HZ).factor
    return step, rate_hz / step


def _reach(channel: OneChannel, rise: int) -> int:
    return rise + round((SEARCH_S + STAY_S) * channel.rate_hz)


def _at_begin(channel: OneChannel, rise: int, cell: int, offset: float) -> int | None:
    """Cell of an onset in the first 30 ms of the file, too early to have a past: where the sound itself comes up.

    Told from the steps between samples, in which hum counts 34 dB less and the pick's attack in full. None when it
    comes up later; then there is a past to predict from.
    """
    samples = Decimator(channel.rate_hz, FINE_RATE_HZ).feed(channel.segment(0, _reach(channel, rise)) - offset)
    steps = np.diff(samples.astype(np.float64), prepend=samples[:1])
    power = _cell_power(steps, cell)
    if not np.any(power):
        return None
    threshold = float(power.max()) * 10.0 ** (-BEGIN_RANGE_DB / 10.0)
    clear = np.flatnonzero((power >= threshold) & _stays(power, threshold, STAY_CELLS))
    return int(clear[0]) if clear.size and clear[0] * CELL_S < LEAST_HISTORY_S else None


def _first_news(samples: Float32Array, first: int, cell: int, order: int) -> tuple[int | None, float]:
    """First cell from `first` on whose error clears that of the cells before it, and by how much the news does, dB."""
    order = min(order, first * cell // 4)
    power = _cell_power(_prediction_error(samples, first * cell, order), cell)
    ahead = power[first:]
    past = power[min(order // cell + 1, first // 2) : first]
    if ahead.size == 0 or not np.any(ahead):
        return None, 0.0
    held = float(np.quantile(past, TYPICAL_QUANTILE)) if past.size else 0.0
    threshold = max(held * 10.0 ** (CLEAR_DB / 10.0), float(ahead.max()) * 10.0 ** (-RANGE_DB / 10.0))
    clear = np.flatnonzero((ahead >= threshold) & _stays(ahead, threshold, STAY_CELLS))
    if clear.size == 0:
        return None, 0.0
    at = int(clear[0])
    news = float(np.median(ahead[at : at + STAY_CELLS]))
    clearance_db = 10.0 * float(np.log10(news / held)) if held > 0.0 else np.inf
    if past.size:
        below = threshold * 10.0 ** (-CLEAR_DB / 10.0)
        at = _change(ahead[: at + 1], max(float(np.median(past)), below))
    return first + at, clearance_db


def _change(power: FloatArray, held: float) -> int:
    """Cell from which on the error lies above `held` for good: the last low of the running sum of what exceeds it.

    Source: cumulative sum test, Page, Biometrika 41 (1954) 100 (from memory).
    """
    excess = 10.0 * np.log10((power + 1e-30) / (held + 1e-30)) - DRIFT_DB
    total = np.cumsum(np.minimum(excess, EXCESS_CAP_DB))
    return int(np.argmin(total[:-1])) + 1 if total.size > 1 and total[:-1].min() < total[-1] else power.size - 1


def _prediction_error(samples: Float32Array, history: int, order: int) -> FloatArray:
    """Error of a predictor fitted to the first `history` samples, for all samples; the samples themselves without a
    history.
    """
    double = samples.astype(np.float64)
    if order < LEAST_ORDER:
        return double
    padded = np.concatenate((np.zeros(order), double))
    return np.asarray(filtered(padded[None, :], error_filters(double[None, :history], order))[0])


def _cell_power(samples: FloatArray, cell: int) -> FloatArray:
    cells = samples.size // cell
    grid = samples[: cells * cell].reshape(cells, cell)
    return np.asarray(np.einsum("ij,ij->i", grid, grid) / cell)


def _stays(power: FloatArray, threshold: float, span: int) -> "np.ndarray[tuple[int], np.dtype[np.bool_]]":
    """Whether most cells of the next 16 ms are clear too, to 3 dB."""
    total = np.concatenate(([0], np.cumsum(power >= threshold * 10.0 ** (-STAY_BELOW_DB / 10.0))))
    index = np.arange(power.size)
    stop = np.minimum(index + span, power.size)
    return np.asarray(total[stop] - total[index] >= STAY_SHARE * (stop - index))
