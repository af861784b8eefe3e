"""The strum finder: which of the candidates are strums, when each begins and how it ends.

A strum is one stroke over one or several strings; what begins within 120 ms of its first note belongs to it.
"""

from dataclasses import dataclass

import numpy as np

from coilbench_worker.measure.candidates import STRUM_SPREAD_S, Candidate, candidates
from coilbench_worker.measure.ending import ending
from coilbench_worker.measure.onset import refine_onset
from coilbench_worker.measure.quiet import noise_floor
from coilbench_worker.measure.results import EndedBy
from coilbench_worker.measure.source import FloatArray, OneChannel
from coilbench_worker.measure.survey import BAND_EDGES_HZ, Survey

CLEAREST_DB = 10.0
"""The clearest candidate of a take must be as clear, or nothing is played in it: noise alone reaches 8 dB."""
STRING_NOVELTY_DB = 8.0
"""Less is new in the strings' range only where a finger squeaks or the guitar is handled: the least of strums is 8."""
STEP_NOVELTY_DB, HELD_FADING_DB = 5.0, 10.0
"""Less is enough where all the strings' bands go to another level and stay there, falling by less than this in 0.1 s: a
stroke stopped what rang and made it ring anew. After a hand nothing stays."""
TYPICAL_QUANTILE = 0.75
WEAKEST_DB = -27.0
"""News below the typical strum's: a stroke 20 dB softer than its neighbours is as much lower, and its first string a
little more."""
CLEAR_IF_WEAK_DB = -6.0
"""Strength and novelty in the strings' range together: what is weak must stand out all the more."""
DOUBTFUL_DB = -40.0
"""Weaker than that even a known number brings nothing up."""
NOVELTY_CAP_DB = 20.0
"""Clearer than that is clear; more says only how quiet it was before."""
ROSE_DB, FELL_DB = 0.5, -4.0
"""A stroke makes some band louder, or stops what rang in it below 1.4 kHz. Strings that ring on fall there by 1 to 3 dB
in that time; so they do after a click, a thump, an edit."""
FAINT_DB, FAINT_ROSE_DB = -25.0, 3.0
"""In a band so far below the loudest the beats of strings that ring on make up for their fall, and noise scatters: what
rises there must rise by more."""
OWN_CHANGE_DB = 4.0
OWN_NEWS_DB = -8.0
"""What follows close on a stroke and has far less news than that, while no band changes much, is its last string."""
GONE_DB = -36.0
"""Of any stroke more is left after 0.2 s, below what is left of the typical one: -34 dB for a palm on the strings."""
FADED_DB, FADING_DB, DULL_DB = -20.0, 20.0, 1.0
"""A knock on the body is gone fast. So much lower, and falling by so much in 0.1 s or without any treble, is no string,
not even one under the palm (150 dB/s: 18 dB)."""
LOW_BELOW_HZ = 355.0
THUMP_CHANGE_DB, THUMP_DB = 3.0, -35.0
THUMP_NEWS_DB, THUMP_FADING_DB = 6.0, 6.0
"""No string sounds in the lowest bands alone: of those that rose the higher ones stay 23 dB below at most. And what
begins with a thump is mostly below 100 Hz, and fades fast."""
STRINGS_BELOW_HZ = 1400.0
"""Strings ring on below this; above it the palm and the finger's flesh soon stop them."""

LOW_BANDS = sum(edge <= LOW_BELOW_HZ for edge in BAND_EDGES_HZ[1:])
STRING_BANDS = sum(edge <= STRINGS_BELOW_HZ for edge in BAND_EDGES_HZ[1:])


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
    judged = _judged(possible) if max((each.novelty_db for each in possible), default=0.0) >= CLEAREST_DB else []
    found = _onsets(channel, course, [each for each in judged if each.sure])
    if expected is not None and len(found) > expected:
        found = _strongest(found, expected)
    elif expected is not None and len(found) < expected:
        found = _with_doubtful(channel, course, found, judged, expected)
    chosen = [each.candidate for _, each in found]
    others = tuple(c.frame * course.hop for c in possible if c not in chosen)
    strums, floor = _ended(channel, course, [onset for onset, _ in found])
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


@dataclass(frozen=True, slots=True)
class _Judged:
    """A candidate beside the typical one: `strength_db` of its news, `left_db` of what of it rings on in the strings'
    bands, and `fading_db`, by how much less that is than before.

    `kind`: whether it is of the kind of a strum at all; `sure`: whether it is clear enough besides.
    """

    candidate: Candidate
    strength_db: float
    left_db: float
    fading_db: float

    @property
    def kind(self) -> bool:
        return self._new() and not self._knock() and not self._thump()

    @property
    def sure(self) -> bool:
        weak = self.strength_db + self.candidate.string_novelty_db < CLEAR_IF_WEAK_DB
        return self.kind and self.strength_db >= WEAKEST_DB and not weak

    @property
    def weight_db(self) -> float:
        """Order of the doubtful: how much began, how much of it rings on, and how clearly, dB."""
        return min(self.strength_db, self.left_db) + min(self.candidate.string_novelty_db, NOVELTY_CAP_DB)

    def _new(self) -> bool:
        """Whether something began that belongs to no stroke before."""
        change = self.candidate.change_db
        own = self.candidate.lasting_db >= OWN_NEWS_DB or float(np.abs(change).max()) >= OWN_CHANGE_DB
        faint = self.candidate.level_db < self.candidate.level_db.max() + FAINT_DB
        rose = bool((change >= np.where(faint, FAINT_ROSE_DB, ROSE_DB)).any())
        changed = rose or float(change[:STRING_BANDS].min()) <= FELL_DB
        stepped = float(np.abs(change[:STRING_BANDS]).min()) >= OWN_CHANGE_DB and self.fading_db < HELD_FADING_DB
        needed = STEP_NOVELTY_DB if stepped else STRING_NOVELTY_DB
        return changed and own and self.candidate.string_novelty_db >= needed

    def _knock(self) -> bool:
        """Whether too little rings on for a string, or nothing did above the strings' low partials."""
        dull = float(np.abs(self.candidate.change_db[STRING_BANDS:]).max()) < DULL_DB
        return self.left_db < GONE_DB or (self.left_db < FADED_DB and (self.fading_db >= FADING_DB or dull))

    def _thump(self) -> bool:
        """Whether only the lowest bands rose, or the others that changed stay far below them, and most of the news lies
        below the strings' range.
        """
        below = self.candidate.news_db - self.candidate.string_news_db
        change, level = self.candidate.change_db, self.candidate.level_db
        rose = level[:LOW_BANDS][change[:LOW_BANDS] >= THUMP_CHANGE_DB]
        others = level[LOW_BANDS:][np.abs(change[LOW_BANDS:]) >= THUMP_CHANGE_DB]
        alone = rose.size > 0 and (others.size == 0 or bool(others.max() < rose.max() + THUMP_DB))
        fading = float(self.candidate.fading_db[:LOW_BANDS].max())
        return alone and below >= THUMP_NEWS_DB and fading >= THUMP_FADING_DB


_Found = tuple[int, _Judged]
"""Onset, sample, and the candidate it belongs to."""


def _strongest(found: list[_Found], count: int) -> list[_Found]:
    """The strongest of what was found, in order of time."""
    return sorted(sorted(found, key=lambda each: -each[1].weight_db)[:count], key=lambda each: each[0])


def _with_doubtful(
    channel: OneChannel, course: Survey, found: list[_Found], judged: list[_Judged], count: int
) -> list[_Found]:
    """What was found and, up to a number, the clearest of the doubtful that are no part of it.

    Only what is of the kind of a strum but weak; a knock, an edit or a thump it never is.
    """
    doubtful = [each for each in judged if each.kind and not each.sure and each.strength_db >= DOUBTFUL_DB]
    spread = round(STRUM_SPREAD_S * channel.rate_hz)
    for each in sorted(doubtful, key=lambda one: -one.weight_db):
        if len(found) >= count:
            break
        ((onset, _),) = _onsets(channel, course, [each])
        if all(abs(onset - other) > spread for other, _ in found):
            found = [*found, (onset, each)]
    return sorted(found, key=lambda one: one[0])


def _judged(possible: list[Candidate]) -> list[_Judged]:
    news = np.array([candidate.string_news_db for candidate in possible])
    sounding = _total_db(np.array([candidate.level_db[:STRING_BANDS] for candidate in possible]))
    ringing = _total_db(np.array([candidate.ringing_db[:STRING_BANDS] for candidate in possible]))
    strength = news - np.quantile(news, TYPICAL_QUANTILE)
    left = ringing - np.quantile(ringing, TYPICAL_QUANTILE)
    values = zip(possible, strength.tolist(), left.tolist(), (sounding - ringing).tolist(), strict=True)
    return [_Judged(*each) for each in values]


def _total_db(levels_db: FloatArray) -> FloatArray:
    """Levels of bands together, dB; shape (n, bands) to (n,)."""
    return np.asarray(10.0 * np.log10(np.sum(10.0 ** (levels_db / 10.0), axis=1)))


def _onsets(channel: OneChannel, course: Survey, chosen: list[_Judged]) -> list[_Found]:
    """Refined onsets in samples, in order; two that turn out to be within the spread of one strum are one."""
    found: list[_Found] = []
    spread = round(STRUM_SPREAD_S * channel.rate_hz)
    for each in chosen:
        onset = refine_onset(channel, each.candidate.frame * course.hop, offset=course.offset)
        if not found or onset - found[-1][0] > spread:
            found.append((onset, each))
    return found
