"""How well onsets were found, and how well librosa finds them in the same samples.

F, precision and recall by mir_eval.onset.f_measure: one-to-one matching within 50 ms, as MIREX counts.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache, partial
from math import ceil

import librosa
import mir_eval
import numpy as np
from scipy import signal

from . import corpus
from .case import Case, FloatArray

FOUND_WITHIN_S = 0.050
FAIR_HOP_S = 0.005
"""A finer hop than librosa's default, so that its grid is not what its timing is judged by."""
HIGHEST_RATE_HZ = 48_000


@dataclass(frozen=True)
class Outcome:
    """Onsets of one take, s: as they are, and as they were found."""

    name: str
    true_s: FloatArray
    found_s: FloatArray
    tolerance_s: float

    @property
    def f(self) -> float:
        """F measure at 50 ms."""
        return float(mir_eval.onset.f_measure(self.true_s, self.found_s, window=FOUND_WITHIN_S)[0])

    @property
    def _pairs(self) -> list[tuple[int, int]]:
        pairs: list[tuple[int, int]] = mir_eval.util.match_events(self.true_s, self.found_s, FOUND_WITHIN_S)
        return pairs

    @property
    def errors_s(self) -> FloatArray:
        """Found onset minus true one, of those that match."""
        return np.array([self.found_s[found] - self.true_s[true] for true, found in self._pairs])

    @property
    def missed(self) -> tuple[int, ...]:
        """Indices of the true onsets that nothing matches."""
        matched = {true for true, _ in self._pairs}
        return tuple(index for index in range(self.true_s.size) if index not in matched)

    @property
    def invented_s(self) -> tuple[float, ...]:
        """Onsets found where none is, s."""
        matched = {found for _, found in self._pairs}
        return tuple(float(each) for index, each in enumerate(self.found_s) if index not in matched)


@dataclass(frozen=True)
class Score:
    """A corpus: shares 0-1, pooled over all strums; errors of those found, ms."""

    strums: int
    missed: int
    invented: int
    median_ms: float
    p95_ms: float
    greatest_ms: float

    @property
    def precision(self) -> float:
        """Share of what was found that is there."""
        hits = self.strums - self.missed
        return hits / max(hits + self.invented, 1)

    @property
    def recall(self) -> float:
        """Share of what is there that was found."""
        return (self.strums - self.missed) / self.strums

    @property
    def f(self) -> float:
        """Harmonic mean of precision and recall."""
        hits = self.strums - self.missed
        return 2 * hits / (2 * hits + self.missed + self.invented)

    @property
    def row(self) -> str:
        """The figures in columns."""
        return (
            f"{self.f:7.4f} {self.precision:9.4f} {self.recall:7.4f} {self.median_ms:9.2f} {self.p95_ms:8.2f} "
            f"{self.greatest_ms:8.2f} {self.missed:6d} {self.invented:8d}"
        )


HEADER = "      F precision  recall median ms  95 % ms    worst missed invented"


def pooled(outcomes: Iterable[Outcome]) -> Score:
    """Figures over all strums of all takes."""
    outcomes = list(outcomes)
    errors_ms = 1000 * np.abs(np.concatenate([outcome.errors_s for outcome in outcomes]))
    strums = sum(outcome.true_s.size for outcome in outcomes)
    found = sum(outcome.found_s.size for outcome in outcomes)
    hits = errors_ms.size
    return Score(
        strums,
        strums - hits,
        found - hits,
        float(np.median(errors_ms)) if hits else np.inf,
        float(np.percentile(errors_ms, 95)) if hits else np.inf,
        float(np.max(errors_ms)) if hits else np.inf,
    )


@lru_cache(maxsize=256)
def named(name: str) -> Outcome:
    """What measuring finds in a case of the corpus; looked for once."""
    return ours(corpus.case(name))


def ours(case: Case, expected_strums: int | None = None) -> Outcome:
    """What measuring finds in a case."""
    return Outcome(case.name, np.array(case.onsets_s), case.found_s(expected_strums), case.tolerance_s)


WAYS = ("librosa, defaults", "librosa, hop 5 ms", "librosa, hop 5 ms, backtracked")


def theirs(case: Case) -> dict[str, Outcome]:
    """What librosa.onset.onset_detect finds in the channel that carries the strums, one outcome for each of WAYS.

    As it comes (hop 512); with a hop of about 5 ms; and with that hop and each onset moved back to where its strength
    began to rise. Above 48 kHz the samples are thinned out first: its mel bands would run empty there, and it says so.
    """
    samples, rate_hz = case.used, case.rate_hz
    thinned = ceil(rate_hz / HIGHEST_RATE_HZ)
    if thinned > 1:
        samples, rate_hz = signal.resample_poly(samples, 1, thinned), rate_hz // thinned
    samples = samples.astype(np.float32)
    fine, true_s = round(FAIR_HOP_S * rate_hz), np.array(case.onsets_s)
    strength = librosa.onset.onset_strength(y=samples, sr=rate_hz, hop_length=fine)
    detect = partial(librosa.onset.onset_detect, onset_envelope=strength, sr=rate_hz, hop_length=fine, units="time")
    found = (
        librosa.onset.onset_detect(y=samples, sr=rate_hz, units="time"),
        detect(),
        detect(backtrack=True),
    )
    return {
        way: Outcome(case.name, true_s, np.unique(np.asarray(each, dtype=np.float64)), case.tolerance_s)
        for way, each in zip(WAYS, found, strict=True)
    }
