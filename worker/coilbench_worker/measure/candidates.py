"""Where a strum may have begun: places where something sounds that did not follow from what sounded before.

The error of the linear prediction of the next 56 ms is held against that of the last 72 ms. A candidate keeps the
evidence by which `strums` decides: how much is new and how clearly, what became louder or softer, and what rings on.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter
from scipy.signal import find_peaks

from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.survey import BANDS, HOP_S, Float32Array, Survey

STRUM_SPREAD_S = 0.120
NOVELTY_DB = 7.0
"""What is new must stand out: of 2,000 strums the least did by 7.6 dB; hands that stop strings mostly stay below."""
FLOOR_MARGIN_DB = 6.0
"""Above the quiet tenth of the frames: steady noise fluctuates by as much."""
DYNAMIC_RANGE_DB = 65.0
"""What lies further below the loudest is not looked at: 40 dB of playing and 25 dB for what is in one band only."""
SMALLEST = 1e-20
"""Keeps the logarithm of nothing finite; -200 dBFS."""

AHEAD = round(0.056 / HOP_S)
BEHIND = round(0.072 / HOP_S)
"""Frames of the medians: longer than a click (15 ms) and a filter's answer to it (21 ms), shorter than half a gap."""
BACK = round(0.150 / HOP_S)
CLICK = round(0.016 / HOP_S)
SPREAD = round(STRUM_SPREAD_S / HOP_S)
STROKE = round(0.104 / HOP_S)
"""Frames over which the news of a stroke is counted: most of the slowest spread."""
HELD = (round(-0.072 / HOP_S), round(-0.024 / HOP_S))
SOUNDING = (round(0.048 / HOP_S), round(0.112 / HOP_S))
RINGING = (round(0.160 / HOP_S), round(0.224 / HOP_S))
"""Frames about the candidate's in which is heard what was there before, what began, and what of it rings on."""
AFTER_FIRST = (round(0.120 / HOP_S), round(0.312 / HOP_S))
"""Frames between a stroke in the first moments of the file and the next."""
NEAR = round(0.080 / HOP_S)
"""News of the strings' range may stand out most so much earlier or later than that of the whole."""
CHUNK_FRAMES = 32_768
FIRST, FIRST_HEARD = AHEAD // 2, 2
"""As the file begins: so many frames of a stroke may be missing, and are taken to be as the first two."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A possible strum: `frame` is the one in which its news begins.

    `novelty_db`: news of the next 56 ms over the last 72; `string_novelty_db`: the same in the strings' range, at its
    clearest within 80 ms; `news_db`, `string_news_db`: news of the next 0.1 s, dB re full scale squared; `lasting_db`:
    news from 16 to 120 ms after over the most in the 150 ms before. Of shape (BANDS,): `level_db`, power after 48 to
    112 ms, dB re full scale squared; `change_db`, the same over what was before; `ringing_db`, power after 160 to
    224 ms, dB re full scale squared; `fading_db`, by how much less that is.
    """

    frame: int
    novelty_db: float
    string_novelty_db: float
    news_db: float
    string_news_db: float
    lasting_db: float
    level_db: FloatArray
    change_db: FloatArray
    ringing_db: FloatArray
    fading_db: FloatArray


def candidates(course: Survey) -> list[Candidate]:
    """Every place that may be the start of a strum, in order of time."""
    novelty, string_novelty = novelty_db(course.news), novelty_db(course.string_news)
    edged = np.pad(novelty, 1)
    peaks, _ = find_peaks(edged, height=NOVELTY_DB, distance=SPREAD)
    floor, held_news = band_floor(course), news_floor(course.news)
    found = []
    for frame in (peaks - 1).tolist():
        clearest = float(string_novelty[max(frame - NEAR, 0) : frame + NEAR].max())
        found.append(_candidate(course, floor, held_news, frame, float(novelty[frame]), clearest))
    return found


def band_floor(course: Survey) -> FloatArray:
    """Power below which a band says nothing, shape (BANDS,): the quiet tenth of its frames and 6 dB, or the take's
    range.
    """
    quiet = np.quantile(course.bands, 0.1, axis=0).astype(np.float64) * 10.0 ** (FLOOR_MARGIN_DB / 10.0)
    loudest = float(course.bands.sum(axis=1).max())
    return np.asarray(np.maximum(quiet, loudest * 10.0 ** (-DYNAMIC_RANGE_DB / 10.0)) + SMALLEST)


def news_floor(news: Float32Array) -> float:
    """Mean square of news that is always there: the quietest tenth of the frames, or the take's range below its
    greatest.
    """
    quiet, most = float(np.quantile(news, 0.1)), float(news.max())
    return float(max(quiet, most * 10.0 ** (-DYNAMIC_RANGE_DB / 10.0))) + SMALLEST


def novelty_db(news: Float32Array) -> Float32Array:
    """Median news of the next 56 ms over the median of the last 72 ms, dB, shape (frames,); a click moves neither.

    Before the file's begin there is what there is after a first stroke, so that a sound that goes on from the first
    sample is not news; but of a stroke that begins with the file only a part is heard, so its first frames count
    longer.
    """
    floor = news_floor(news)
    begun = news[AFTER_FIRST[0] : AFTER_FIRST[1]]
    held = max(float(np.median(begun)) if begun.size else 0.0, floor)
    first = np.full(FIRST, float(news[:FIRST_HEARD].mean()))
    result = np.empty(news.size, dtype=np.float32)
    for start in range(0, news.size, CHUNK_FRAMES):
        stop = min(start + CHUNK_FRAMES, news.size)
        past = np.concatenate((np.full(BEHIND, held), first)) if start == 0 else news[start - BEHIND - FIRST : start]
        future = news[stop : stop + AHEAD]
        future = np.concatenate((future, np.full(AHEAD - future.size, news[-1])))
        level = 10.0 * np.log10(np.concatenate((past, news[start:stop], future)) + floor)
        ahead = median_filter(level, AHEAD, origin=-(AHEAD // 2))
        behind = median_filter(level, BEHIND, origin=BEHIND // 2)
        rise = ahead[BEHIND:-AHEAD] - behind[BEHIND - 1 : -AHEAD - 1]
        result[start:stop] = rise[FIRST:]
        if start == 0:
            result[0] = rise[: FIRST + 1].max()
    return result


def _candidate(
    course: Survey, floor: FloatArray, held_news: float, frame: int, novelty_db: float, string_novelty_db: float
) -> Candidate:
    held = _mean_power(course, frame, HELD) + floor
    sounding, ringing = _mean_power(course, frame, SOUNDING), _mean_power(course, frame, RINGING)
    after = course.news[frame + CLICK : frame + SPREAD]
    before = course.news[max(frame - BACK, 0) : max(frame - 1, 0)]
    base = held_news + (float(before.max()) if before.size else 0.0)
    return Candidate(
        frame=frame,
        novelty_db=novelty_db,
        string_novelty_db=string_novelty_db,
        news_db=_db(float(course.news[frame : frame + STROKE].mean())),
        string_news_db=_db(float(course.string_news[frame : frame + STROKE].mean())),
        lasting_db=_db(((float(after.mean()) if after.size else 0.0) + held_news) / base),
        level_db=10.0 * np.log10(sounding + SMALLEST),
        change_db=10.0 * np.log10((sounding + floor) / held),
        ringing_db=10.0 * np.log10(ringing + SMALLEST),
        fading_db=10.0 * np.log10((sounding + floor) / (ringing + floor)),
    )


def _mean_power(course: Survey, frame: int, about: tuple[int, int]) -> FloatArray:
    """Mean of the bands over a range of frames about one, shape (BANDS,): nothing before the file, its last frame
    beyond it.
    """
    part = course.bands_between(frame + about[0], frame + about[1])
    if part.shape[0] == 0:
        part = course.bands[-1:] if about[0] > 0 else np.zeros((1, BANDS), dtype=np.float32)
    return np.asarray(part.mean(axis=0), dtype=np.float64)


def _db(power: float) -> float:
    return 10.0 * float(np.log10(power + SMALLEST))
