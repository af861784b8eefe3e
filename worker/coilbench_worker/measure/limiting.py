"""A compressor or limiter in the chain: what freely ringing strings never do.

Each mode of a string dies away exponentially, so the level of a strum, in dB, falls fastest at first: the logarithm of
a sum of exponentials is convex. A compressor divides the fall by its ratio for as long as the level stands above its
threshold: the level is held, or it falls slowly and then faster. A hand that damps the strings bends the level too, but
from a natural fall to an unnatural one. Beats bend it in one strum or another. So a sign counts where most strums show
it, within the slopes below.

The gain control of a battery-powered pickup is a compressor, if a gentle one (up to 1.5:1). What is as gentle can't be
told from it, and is not claimed. The limits were set on modelled takes; common practice, no source. On others
(bench/judgement.py) 4 of 1,100 clean takes were blamed; of strums that ring for 1.5 s and more, a limiter that takes
10 dB off the peaks is seen in 29 of 40 takes, 20 dB in 37; 4:1 in 16 and 13, 2:1 hardly ever.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from coilbench_worker.measure.levels import SMALLEST
from coilbench_worker.measure.results import EndedBy
from coilbench_worker.measure.source import FloatArray
from coilbench_worker.measure.strums import StrumTimes
from coilbench_worker.measure.survey import Survey

SMOOTHED_S = 0.096
"""Levels are means over so long: a period of 80 Hz counts for an eighth of it."""
POINT_S = 0.032
"""Distance of the points through which the lines go."""
SETTLED_S = 0.150
"""From here on: the slowest stroke is over, and so is the attack of a compressor."""
LONGEST_S = 8.0
BEFORE_END_S: dict[EndedBy, float] = {"next": 0.040, "damped": 0.100, "file-end": 0.040, "noise": 0.0}
"""What is left out before a strum's end: the next one, or a hand that comes down, may show in it already."""
ABOVE_NOISE_DB = 13.0
"""Nearer to the noise than this, the level stops falling for the noise's sake."""
EARLY_LEAST_S, LATE_LEAST_S = 0.2, 0.2
"""Shortest sides of a bend; what is shorter than both together is not looked at."""
SHOWN_IN = 0.6
"""Share of the strums that must show a sign."""
STRUMS_NEEDED = 2
BENT_SCATTER_DB, HELD_SCATTER_DB = 1.0, 1.2
"""Greatest distance (RMS) from the two lines; a strum that was missed is further away, and strings that beat may be."""

HELD_DB_PER_S, HELD_S = 1.2, 0.8
"""A level that falls by less over so long is held; 99 of 100 clean modelled takes fall by 1.9 dB/s and more."""
FLAT_DB_PER_S, FLAT_S = 1.0, 0.4
"""The same of the part before a bend."""
EARLY_DB_PER_S, LATE_DB_PER_S = 4.0, 16.0
"""A bend counts from a slow fall to one that strings have without a hand on them."""
BEND_RATIO = 2.5
"""A bend counts when the fall after it is so many times the fall before; a battery-powered pickup has 1.5 at most."""
BEND_REDUCTION_DB = 3.0
"""What the level was held up by until the bend, at least."""


@dataclass(frozen=True, slots=True)
class Course:
    """How one strum falls: `early_db_per_s` until `bend_s` after the onset, `late_db_per_s` from there on, and
    `whole_db_per_s` from end to end, all dB/s; `scatter_db` about the two lines.
    """

    number: int
    early_db_per_s: float
    late_db_per_s: float
    whole_db_per_s: float
    bend_s: float
    length_s: float
    scatter_db: float

    @property
    def reduction_db(self) -> float:
        """What the level was held up by until the bend, counted from where the stroke is over, dB."""
        return (self.late_db_per_s - self.early_db_per_s) * (self.bend_s - SETTLED_S)

    @property
    def held(self) -> bool:
        """Whether it hardly falls at all: throughout, or until a bend."""
        throughout = self.whole_db_per_s < HELD_DB_PER_S and self.length_s >= HELD_S
        until = self.early_db_per_s < min(FLAT_DB_PER_S, self.late_db_per_s) and self.bend_s - SETTLED_S >= FLAT_S
        return self.scatter_db < HELD_SCATTER_DB and (throughout or until)

    @property
    def bent(self) -> bool:
        """Whether it falls slowly at first and then as strings do."""
        return (
            self.scatter_db < BENT_SCATTER_DB
            and self.early_db_per_s < EARLY_DB_PER_S
            and BEND_RATIO * max(self.early_db_per_s, 0.0) < self.late_db_per_s < LATE_DB_PER_S
            and self.reduction_db > BEND_REDUCTION_DB
        )

    @property
    def limited(self) -> bool:
        """Whether no free string falls like this."""
        return self.held or self.bent


@dataclass(frozen=True, slots=True)
class Compression:
    """What speaks for a compressor or limiter: the strums that show it, and how they fall (medians over these, dB/s).

    `reduction_db` is the median of what the level was held up by until the bend, None where there is no bend.
    """

    strums: tuple[int, ...]
    early_db_per_s: float
    late_db_per_s: float
    reduction_db: float | None


def compression(
    course: Survey, strums: Sequence[StrumTimes], noise_power: float | None, passed_over: Sequence[int] = ()
) -> Compression | None:
    """Signs of a compressor or limiter, or None where most strums fall like free strings, or too few ring for 0.5 s.

    Parameters
    ----------
    course : survey of the take
    strums : its strums
    noise_power : mean square of the noise, full scale = 1.0; None when unknown
    passed_over : onsets (samples) of what may have been a strum: a strum is looked at until there
    """
    falls = courses(course, strums, noise_power, passed_over)
    limited = [fall for fall in falls if fall.limited]
    if len(limited) < max(STRUMS_NEEDED, SHOWN_IN * len(falls)):
        return None
    reductions = [fall.reduction_db for fall in limited if fall.late_db_per_s > max(fall.early_db_per_s, HELD_DB_PER_S)]
    return Compression(
        strums=tuple(fall.number for fall in limited),
        early_db_per_s=float(np.median([fall.early_db_per_s for fall in limited])),
        late_db_per_s=float(np.median([fall.late_db_per_s for fall in limited])),
        reduction_db=float(np.median(reductions)) if reductions else None,
    )


def courses(
    course: Survey, strums: Sequence[StrumTimes], noise_power: float | None, passed_over: Sequence[int] = ()
) -> list[Course]:
    """How the strums fall that ring for 0.5 s and more, clear of the noise."""
    frame_s = course.hop / course.rate_hz
    smooth = uniform_filter1d(course.power, course.count(SMOOTHED_S), mode="nearest")
    floor = float(smooth.min()) if noise_power is None else noise_power
    limit = max(floor * 10.0 ** (ABOVE_NOISE_DB / 10.0), SMALLEST)
    step = course.count(POINT_S)
    found = []
    for number, strum in enumerate(strums, start=1):
        stop = min([strum.end, *(other for other in passed_over if strum.onset < other < strum.end)])
        first = strum.onset // course.hop + course.count(SETTLED_S)
        last = stop // course.hop - round(BEFORE_END_S[strum.ended_by] / frame_s)
        stretch = smooth[first : min(last, first + course.count(LONGEST_S))]
        low = np.flatnonzero(stretch < limit)
        points = stretch[: low[0] if low.size else None : step]
        if points.size * step * frame_s > EARLY_LEAST_S + LATE_LEAST_S + step * frame_s:
            found.append(_two_lines(number, 10.0 * np.log10(points), step * frame_s))
    return found


def _two_lines(number: int, level_db: FloatArray, point_s: float) -> Course:
    """The two lines that meet, and lie nearest to a course of levels."""
    time_s = np.arange(level_db.size) * point_s
    knees = time_s[round(EARLY_LEAST_S / point_s) : level_db.size - round(LATE_LEAST_S / point_s)]
    line = np.stack((np.ones_like(time_s), time_s), axis=1)
    line /= np.sqrt(np.sum(np.square(line), axis=0))
    basis, _ = np.linalg.qr(line)
    hinges = np.maximum(time_s[:, None] - knees, 0.0)
    left = level_db - basis @ (basis.T @ level_db)
    bends = hinges - basis @ (basis.T @ hinges)
    shared, size = bends.T @ left, np.einsum("ij,ij->j", bends, bends)
    best = int(np.argmax(np.square(shared) / size))
    change = float(shared[best] / size[best])
    straight = level_db - change * hinges[:, best]
    early = float(np.polyfit(time_s, straight, 1)[0])
    rest = left - change * bends[:, best]
    return Course(
        number=number,
        early_db_per_s=-early,
        late_db_per_s=-(early + change),
        whole_db_per_s=-float(np.polyfit(time_s, level_db, 1)[0]),
        bend_s=SETTLED_S + float(knees[best]),
        length_s=float(time_s[-1]),
        scatter_db=float(np.sqrt(np.mean(np.square(rest)))),
    )
