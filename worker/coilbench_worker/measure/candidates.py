"""Where a strum may have begun: places where something sounds that did not follow from what sounded before.

The error of the linear prediction of the next 56 ms is held against that of the last 72 ms. A candidate keeps the
evidence by which `strums` decides: how long the news lasts, in how many bands the sound rose, and how strong it is.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter
from scipy.signal import find_peaks

from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.survey import HOP_S, Survey

STRUM_SPREAD_S = 0.120
NOVELTY_DB = 3.5
LASTING_RISE_DB = 3.0
FLOOR_MARGIN_DB = 6.0
DYNAMIC_RANGE_DB = 65.0

BACK = round(0.150 / HOP_S)
AHEAD = round(0.056 / HOP_S)
BEHIND = round(0.072 / HOP_S)
CLICK = round(0.016 / HOP_S)
BEFORE = round(0.064 / HOP_S)
LEAD = round(0.032 / HOP_S)
SUSTAIN = round(0.120 / HOP_S)
CHUNK_FRAMES = 32_768
SPREAD = round(STRUM_SPREAD_S / HOP_S)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A possible strum: `frame` is the one in which its news begins.

    `level_db`, shape (BANDS,): power that lasts after the onset, dB re full scale squared. `rise_db`, shape (BANDS,):
    the same over what was there before. `novelty_db`: news of the next 56 ms over the last 72; `lasting_db`: news from
    16 to 120 ms after.
    """

    frame: int
    level_db: FloatArray
    rise_db: FloatArray
    novelty_db: float
    lasting_db: float

    @property
    def rising_bands(self) -> int:
        """In how many bands the sound rose and stayed."""
        return int(np.count_nonzero(self.rise_db >= LASTING_RISE_DB))


def candidates(course: Survey) -> list[Candidate]:
    """Every place that may be the start of a strum, in order of time."""
    floor = band_floor(course)
    novelty = _novelty(course)
    edged = np.concatenate(([0.0], novelty, [0.0]))
    peaks, _ = find_peaks(edged, height=NOVELTY_DB, distance=SPREAD)
    return [_candidate(course, floor, int(frame), float(novelty[frame])) for frame in peaks - 1]


def band_floor(course: Survey) -> FloatArray:
    """Power below which a band says nothing, shape (BANDS,): the quiet tenth of its frames and 6 dB, or the take's
    range.
    """
    quiet = np.quantile(course.bands, 0.1, axis=0).astype(np.float64) * 10.0 ** (FLOOR_MARGIN_DB / 10.0)
    loudest = float(course.bands.sum(axis=1).max())
    return np.asarray(np.maximum(quiet, loudest * 10.0 ** (-DYNAMIC_RANGE_DB / 10.0)) + 1e-20)


def news_floor(course: Survey) -> float:
    """Mean square of news that is always there: the quietest tenth of the frames, or the take's range below its
    greatest.
    """
    quiet, most = float(np.quantile(course.news, 0.1)), float(course.news.max())
    return float(max(quiet, most * 10.0 ** (-DYNAMIC_RANGE_DB / 10.0))) + 1e-20


def _novelty(course: Survey) -> FloatArray:
    """Median news of the next 56 ms over the median of the last 72 ms, dB, shape (frames,); a click moves neither.

    In chunks, for bounded memory. Before the file's begin there is the floor.
    """
    floor = news_floor(course)
    result = np.empty(course.frames)
    for start in range(0, course.frames, CHUNK_FRAMES):
        stop = min(start + CHUNK_FRAMES, course.frames)
        first, last = max(start - BEHIND, 0), min(stop + AHEAD, course.frames)
        level = np.full(stop - start + BEHIND + AHEAD, 2.0 * floor)
        at = first - start + BEHIND
        level[at : at + last - first] = course.news[first:last] + floor
        level[at + last - first :] = level[at + last - first - 1]
        level = 10.0 * np.log10(level)
        ahead = median_filter(level, AHEAD, origin=-(AHEAD // 2))
        behind = median_filter(level, BEHIND, origin=BEHIND // 2)
        count = stop - start
        result[start:stop] = ahead[BEHIND : BEHIND + count] - behind[BEHIND - 1 : BEHIND - 1 + count]
    return result


def _candidate(course: Survey, floor: FloatArray, frame: int, novelty_db: float) -> Candidate:
    after = course.bands_between(frame + CLICK, frame + SUSTAIN)
    if after.shape[0] == 0:
        after = course.bands[-1:]
    before = course.bands_between(frame - BEFORE, frame - LEAD)
    held = before.mean(axis=0) if before.shape[0] else np.zeros(floor.size)
    power = after.mean(axis=0).astype(np.float64)
    news = course.news[frame + CLICK : frame + SUSTAIN]
    held_news = course.news[max(frame - BACK, 0) : max(frame - 1, 0)]
    base = news_floor(course) + (float(held_news.max()) if held_news.size else 0.0)
    return Candidate(
        frame=frame,
        level_db=10.0 * np.log10(power + 1e-20),
        rise_db=10.0 * np.log10((power + floor) / (held + floor)),
        novelty_db=novelty_db,
        lasting_db=10.0 * float(np.log10(((float(news.mean()) if news.size else 0.0) + news_floor(course)) / base)),
    )
