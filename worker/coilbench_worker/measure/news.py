"""What is new in a channel, frame by frame: the part that did not follow from what sounded before.

Strings that ring on, hum and hiss can be predicted, also where they are far louder than a soft stroke over them; what
begins can't. Looked for below 1.3 kHz: there strings have most of their sound, their partials are few enough for a
predictor of moderate length to follow every one, and the noises of a pick or of fingers that slide on strings are weak.
"""

from functools import lru_cache

import numpy as np

from coilbench_worker.measure.decimation import Decimator, Float32Array
from coilbench_worker.measure.prediction import error_filters, filtered
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.windows import Windows

COARSE_RATE_HZ = 12_000
LOW_RATE_HZ = 3_000
"""To which the channel is thinned out for bands and for news; the latter's low-pass is at 1.35 kHz."""
LOW_FACTOR = COARSE_RATE_HZ // LOW_RATE_HZ
ORDER = 64
"""Two for each partial below 1.3 kHz of six strings, near enough: 48 sees soft strokes over loud ringing 5 dB worse."""
HISTORY_HOPS = 24
"""192 ms: predictors fitted to 144 ms see soft strokes 4 dB worse; longer ones lag behind what they shall follow."""
PREDICT_HOPS = 12
"""96 ms are predicted by one filter; half of that sees no more and costs twice as much."""
BACKWARD = HISTORY_HOPS // PREDICT_HOPS
"""As the file begins there is no past. What rings, hums or hisses from the first sample on follows as well, in the
other direction, from what comes after; a stroke doesn't."""
HELD_HOPS = 4
EDGE_SAMPLES = 6
"""As the file begins and ends the low-passes run over its edges, which are no events: the first 2 ms count for nothing,
the last frames hold what was before."""
HIGH_PASS_HZ = (90.0, 130.0)
"""Nothing below the first counts, everything above the second: thumps of handling and the first harmonic of hum are
below, all strings have partials above."""
STRING_HZ = (700.0, 900.0)
"""Below the first lie the strongest partials of strummed strings, and little of a finger that squeaks along them."""
RESPONSE_BINS = 512


class News:
    """Feed the decimated channel of the survey, whose rate is `rate_hz`, a frame each `hop` samples."""

    def __init__(self, rate_hz: float, hop: int) -> None:
        self._hop = hop // LOW_FACTOR
        self._response = _response(rate_hz / LOW_FACTOR)
        self._decimator = Decimator(COARSE_RATE_HZ, LOW_RATE_HZ)
        self._windows = Windows((HISTORY_HOPS + PREDICT_HOPS) * self._hop, PREDICT_HOPS * self._hop)
        self._errors: list[Float32Array] = []

    def feed(self, samples: Float32Array) -> None:
        """Take in what follows."""
        self._work(self._windows.feed(self._decimator.feed(samples)))

    def course(self, frames: int) -> tuple[Float32Array, Float32Array]:
        """Mean square of what was not predicted, below 1.35 kHz and in the strings' range, shape (frames,) both."""
        self._work(self._windows.rest(max(-(-frames // PREDICT_HOPS) - BACKWARD, BACKWARD)))
        errors = np.concatenate(self._errors, axis=1)[:, :frames]
        self._errors.clear()
        last = max(frames - HELD_HOPS - 1, 0)
        errors[:, last + 1 :] = errors[:, last : last + 1]
        return errors[0], errors[1]

    def _work(self, windows: Float32Array) -> None:
        if windows.shape[0] == 0:
            return
        if not self._errors:
            first = self._unpredicted(windows[:BACKWARD, ::-1])[:, :, ::-1].reshape(2, -1)
            first[:, :EDGE_SAMPLES] = 0.0
            self._errors.append(self._by_hop(first))
        self._errors.append(self._by_hop(self._unpredicted(windows)))

    def _by_hop(self, error: Float32Array) -> Float32Array:
        """Mean square of each hop, shape (2, hops)."""
        cells = error.reshape(2, -1, self._hop)
        return np.asarray(np.einsum("kij,kij->ki", cells, cells) / self._hop, dtype=np.float32)

    def _unpredicted(self, windows: Float32Array) -> Float32Array:
        """What of the hops that end each window does not follow from those that begin it, shape (2, n, samples)."""
        history = HISTORY_HOPS * self._hop
        order = min(ORDER, history - 1)
        filters = error_filters(windows[:, :history], order)
        return np.asarray(filtered(windows[:, history - order :], filters, self._response))


@lru_cache(maxsize=8)
def _response(rate_hz: float) -> FloatArray:
    """Gains of all that counts and of the strings' range, shape (2, bins)."""
    hz = np.linspace(0.0, rate_hz / 2.0, RESPONSE_BINS)
    above = _rising(hz, *HIGH_PASS_HZ)
    return np.stack((np.ones_like(hz), above * (1.0 - _rising(hz, *STRING_HZ))))


def _rising(hz: FloatArray, low: float, high: float) -> FloatArray:
    return np.asarray(np.sin(0.5 * np.pi * np.clip((hz - low) / (high - low), 0.0, 1.0)) ** 2)
