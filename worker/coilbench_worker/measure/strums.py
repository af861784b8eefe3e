"""The strum finder: which of the candidates are strums, when each begins and how it ends.

A strum is one stroke over one or several strings; what begins within 120 ms of its first note belongs to it.
"""

from dataclasses import dataclass

import numpy as np

from coilbench_worker.measure.candidates import LASTING_RISE_DB, STRUM_SPREAD_S, SUSTAIN, Candidate, candidates
from coilbench_worker.measure.ending import ending
from coilbench_worker.measure.onset import refine_onset
from coilbench_worker.measure.quiet import noise_floor
from coilbench_worker.measure.results import EndedBy
from coilbench_worker.measure.source import FloatArray, OneChannel
from coilbench_worker.measure.survey import BAND_EDGES_HZ, BANDS, HISTORY_HOPS, WINDOW_HOPS, Survey

CLEAREST_DB = 10.0
WEAKEST_DB = -27.0
LASTING_DB = 2.0
BANDS_AT_BEGIN = 2
DOUBTFUL_DB = -40.0
NOVELTY_CAP_DB = 20.0
TYPICAL_QUANTILE = 0.75
BRIEF_S = 0.100
LOW_BELOW_HZ = 355.0
THUMP_DB = -35.0

LOW_BANDS = sum(edge <= LOW_BELOW_HZ for edge in BAND_EDGES_HZ[1:])


@dataclass(frozen=True, slots=True)
class StrumTimes:
    """Begin and end of one strum in samples, and what ended it."""

    onset: int
    end: int
    ended_by: EndedBy


@dataclass(frozen=True, slots=True)
class Finding:
    """The strums found, the noise floor (mean square, full scale = 1.0; None when nothing quiet was found), and what
    was doubtful.

    `passed_over` are onsets (samples) of candidates that were judged not to be strums.
    """

    strums: tuple[StrumTimes, ...]
    noise_power: float | None
    passed_over: tuple[int, ...]


def find_strums(channel: OneChannel, course: Survey, expected: int | None = None) -> Finding:
    """Find the strums of a take.

    Parameters
    ----------
    channel : the recording
    course : its survey
    expected : how many were played, where known: settles doubtful candidates, and never adds what has no evidence
    """
    possible = candidates(course)
    chosen = _choose(possible, expected)
    onsets = _onsets(channel, course, chosen)
    others = tuple(c.frame * course.hop for c in possible if c not in chosen)
    strums, floor = _ended(channel, course, onsets)
    lasting = [strum.onset for strum in strums if not _brief(strum, channel.rate_hz)]
    if len(lasting) < len(strums):
        others = tuple(sorted((*others, *(strum.onset for strum in strums if strum.onset not in lasting))))
        strums, floor = _ended(channel, course, lasting)
    return Finding(tuple(strums), floor, others)


def _ended(channel: OneChannel, course: Survey, onsets: list[int]) -> tuple[list[StrumTimes], float | None]:
    """Strums with their ends, and the noise floor that goes with these onsets."""
    floor = noise_floor(course, onsets)
    strums = []
    for index, onset in enumerate(onsets):
        follower = onsets[index + 1] if index + 1 < len(onsets) else None
        end, ended_by = ending(course, onset, follower, channel.frames, floor)
        strums.append(StrumTimes(onset, end, ended_by))
    return strums, floor


def _brief(strum: StrumTimes, rate_hz: int) -> bool:
    """Whether nothing is left above the noise after 0.1 s: a click, a step, hum or hiss as the file begins."""
    return strum.ended_by == "noise" and strum.end - strum.onset < BRIEF_S * rate_hz


def _choose(possible: list[Candidate], expected: int | None) -> list[Candidate]:
    """The candidates that are strums: not far below the others, and in evidence in several bands or by lasting news."""
    possible = [candidate for candidate in _without_begin(possible) if not _thump(candidate)]
    if max((candidate.novelty_db for candidate in possible), default=0.0) < CLEAREST_DB:
        return []
    strength = _strength_db(possible)
    sure = [i for i, candidate in enumerate(possible) if _sure(candidate, strength[i])]
    if expected is not None and len(sure) != expected:
        order = sorted(range(len(possible)), key=lambda i: (i not in sure, -_weight(possible[i], float(strength[i]))))
        likely = [i for i in order if i in sure or strength[i] >= DOUBTFUL_DB]
        sure = likely[:expected]
    return [possible[i] for i in sorted(sure)]


def _without_begin(possible: list[Candidate]) -> list[Candidate]:
    """The candidates without one as the file begins whose evidence is the sound of a clearer one soon after it."""
    if len(possible) < 2 or possible[0].frame >= HISTORY_HOPS:
        return possible
    first, second = possible[:2]
    foreshadowed = second.frame - first.frame <= SUSTAIN + WINDOW_HOPS and second.novelty_db > first.novelty_db
    return possible[1:] if foreshadowed else possible


def _sure(candidate: Candidate, strength_db: float) -> bool:
    heard = candidate.rising_bands > 0 or candidate.lasting_db >= LASTING_DB
    if candidate.frame < HISTORY_HOPS:  # too little came before to predict from: steady hum would be news
        heard = candidate.rising_bands >= BANDS_AT_BEGIN
    return strength_db >= WEAKEST_DB and heard


def _thump(candidate: Candidate) -> bool:
    """Whether only the lowest bands rose, or the others stay far below them: no string does that (-23 dB is the least
    seen).
    """
    rising = candidate.rise_db >= LASTING_RISE_DB
    low, high = candidate.level_db[:LOW_BANDS][rising[:LOW_BANDS]], candidate.level_db[LOW_BANDS:][rising[LOW_BANDS:]]
    return bool(low.size) and (not high.size or bool(high.max() < low.max() + THUMP_DB))


def _weight(candidate: Candidate, strength_db: float) -> float:
    """Order of the doubtful: strength, and how clearly something new began, dB."""
    return strength_db + min(candidate.novelty_db, NOVELTY_CAP_DB)


def _strength_db(possible: list[Candidate]) -> FloatArray:
    """How strong each candidate is beside the typical one, in the bands in which it rises, dB; shape (candidates,)."""
    typical = np.quantile([candidate.level_db for candidate in possible], TYPICAL_QUANTILE, axis=0)
    result = np.empty(len(possible))
    for index, candidate in enumerate(possible):
        rising = candidate.rise_db >= LASTING_RISE_DB
        bands = rising if rising.any() else np.ones(BANDS, dtype=bool)
        result[index] = float(np.median((candidate.level_db - typical)[bands]))
    return result


def _onsets(channel: OneChannel, course: Survey, chosen: list[Candidate]) -> list[int]:
    """Refined onsets in samples, in order; two that turn out to be within the spread of one strum are one."""
    found: list[int] = []
    spread = round(STRUM_SPREAD_S * channel.rate_hz)
    for candidate in chosen:
        onset = refine_onset(channel, candidate.frame * course.hop, offset=course.offset)
        if not found or onset - found[-1] > spread:
            found.append(onset)
    return found
