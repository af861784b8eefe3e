"""The strum finder on the whole corpus: nothing missed, nothing invented, onsets in time; also through real files, and
on takes drawn at random.

Counted by mir_eval.onset.f_measure (one-to-one matching within 50 ms, as MIREX counts). Run with -s for the figures.
"""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import mir_eval
import numpy as np
import pytest
import soundfile

from coilbench_worker.audio.recording import open_recording
from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import FLOAT_FACTS, ArraySource, FloatArray, OneChannel
from coilbench_worker.measure.strums import find_strums
from coilbench_worker.measure.survey import survey
from coilbench_worker.measure.take import measure_take
from coilbench_worker.model.chain import Chain
from coilbench_worker.model.strum import OPEN_CHORD, POWER_CHORD, Strum
from coilbench_worker.model.take import Take, render
from material import corpus

FOUND_WITHIN_S = 0.050
ON_TIME_S = 0.005
RANDOM_TAKES = 25
LEAST_F = 0.97
MOST_INVENTED = 0.01
RATES_HZ = (44_100, 48_000, 96_000)
CHORDS = (OPEN_CHORD, POWER_CHORD, corpus.BARRE, corpus.MINOR, corpus.THREE_HIGH)
PICKUPS = (corpus.SINGLE, corpus.TWIN, corpus.BATTERY)

pytestmark = pytest.mark.xdist_group("strum corpus")


@dataclass(frozen=True)
class Outcome:
    """Onsets of one take, s: as they are, and as they were found."""

    true_s: FloatArray
    found_s: FloatArray
    tolerance_s: float

    @property
    def f(self) -> float:
        """F measure at 50 ms."""
        return float(mir_eval.onset.f_measure(self.true_s, self.found_s, window=FOUND_WITHIN_S)[0])

    @property
    def errors_s(self) -> FloatArray:
        """Found onset minus true one, of those that match."""
        pairs = mir_eval.util.match_events(self.true_s, self.found_s, FOUND_WITHIN_S)
        return np.array([self.found_s[found] - self.true_s[true] for true, found in pairs])


def figures(name: str, outcomes: list[Outcome]) -> tuple[float, int, int]:
    """Pooled F, missed and invented strums; prints them with the errors of the onsets."""
    errors_ms = 1000 * np.abs(np.concatenate([outcome.errors_s for outcome in outcomes]))
    hits = errors_ms.size
    missed = sum(outcome.true_s.size for outcome in outcomes) - hits
    invented = sum(outcome.found_s.size for outcome in outcomes) - hits
    f = 2 * hits / (2 * hits + missed + invented)
    print(
        f"\n{name}: {len(outcomes)} takes, {hits + missed} strums, F {f:.4f}, missed {missed}, invented {invented}; "
        f"onset errors: median {np.median(errors_ms):.2f} ms, 95 % {np.percentile(errors_ms, 95):.2f} ms, "
        f"greatest {errors_ms.max():.2f} ms"
    )
    return f, missed, invented


@lru_cache(maxsize=2)
def case(name: str) -> corpus.Case:
    return corpus.case(name)


@lru_cache
def outcome(name: str) -> Outcome:
    made = case(name)
    found = measure_take(ArraySource(made.samples, made.rate_hz), FLOAT_FACTS, MeasureSettings())
    onsets_s = np.array([strum.onset_s for strum in found.strums])
    return Outcome(np.array(made.onsets_s), onsets_s, made.tolerance_s)


@pytest.mark.parametrize("name", corpus.names())
def test_every_strum_of_the_corpus_is_found_and_none_invented(name: str) -> None:
    found = outcome(name)
    assert found.f == 1.0, f"true {found.true_s}, found {found.found_s}"


@pytest.mark.parametrize("name", corpus.names())
def test_onsets_of_the_corpus_are_in_time(name: str) -> None:
    """5 ms on modelled strings, 15 ms on recorded notes (measurements.md)."""
    found = outcome(name)
    assert np.max(np.abs(found.errors_s)) <= found.tolerance_s, 1000 * found.errors_s


def test_corpus_as_a_whole_is_found_in_time() -> None:
    for kind in ("modelled", "recorded"):
        outcomes = [outcome(name) for name in corpus.names() if name.startswith(kind)]
        f, _, _ = figures(f"{kind} strings", outcomes)
        assert f == 1.0
        errors_s = np.abs(np.concatenate([each.errors_s for each in outcomes]))
        assert np.percentile(errors_s, 95) <= ON_TIME_S


FILES = [
    ("modelled-four-strums", "WAV", "PCM_16"),
    ("modelled-hum", "WAV", "PCM_24"),
    ("modelled-ringing-over", "WAV", "FLOAT"),
    ("modelled-slow-spread", "FLAC", "PCM_16"),
    ("modelled-quick-spread", "FLAC", "PCM_24"),
    ("recorded-up-and-down", "FLAC", "PCM_24"),
    ("recorded-stereo-left", "WAV", "PCM_24"),
    ("recorded-stereo-right", "FLAC", "PCM_16"),
    ("recorded-stereo-same", "WAV", "FLOAT"),
    ("recorded-quick-spread", "WAV", "PCM_16"),
    ("recorded-16-bit-quiet", "WAV", "PCM_16"),
]


@pytest.mark.parametrize(("name", "container", "subtype"), FILES)
def test_strums_are_found_in_files_as_in_memory(name: str, container: str, subtype: str, tmp_path: Path) -> None:
    """Rounding to 16 bits moves no onset by more than 1 ms."""
    made = case(name)
    path = tmp_path / f"take.{container.lower()}"
    soundfile.write(path, made.samples, made.rate_hz, subtype=subtype, format=container)
    with open_recording(path) as recording:
        found = measure_take(recording, recording.facts, MeasureSettings())
    assert found.audio.container == container.lower()
    assert found.audio.sample_rate_hz == made.rate_hz
    assert found.audio.duration_s == pytest.approx(len(made.samples) / made.rate_hz)
    expected = outcome(name).found_s
    assert [strum.onset_s for strum in found.strums] == pytest.approx(list(expected), abs=0.001)


def test_files_tried_are_of_every_kind() -> None:
    assert {case(name).rate_hz for name, _, _ in FILES} >= set(RATES_HZ)
    assert {case(name).samples.ndim for name, _, _ in FILES} == {1, 2}
    assert {(container, subtype) for _, container, subtype in FILES} >= {
        ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "FLOAT"), ("FLAC", "PCM_16"), ("FLAC", "PCM_24"),
    }  # fmt: skip


def drawn(seed: int) -> tuple[Take, int]:
    """A random take and sample rate: 4 to 10 strums 0.35 to 6 s apart, within 10 dB of each other."""
    random = np.random.default_rng([seed, 2718])
    palm = 40.0 if random.random() < 0.25 else 0.0
    stops = random.random() < 0.35
    frets = CHORDS[random.integers(len(CHORDS))]
    level_db, onset_s = float(random.uniform(-20, 0)), float(random.uniform(0.1, 1.0))
    strums = []
    for index in range(int(random.integers(4, 11))):
        gap_s = float(np.exp(random.uniform(np.log(0.35), np.log(6.0))))
        strums.append(
            Strum(
                onset_s,
                frets,
                spread_s=float(random.uniform(0.005, min(0.110, 0.5 * gap_s))),
                stroke="up" if random.random() < 0.5 else "down",
                force_db=level_db + float(random.uniform(-5, 5)),
                pick_mm=float(random.uniform(80, 170)),
                palm_db_per_s=palm,
                palm_db_per_s_per_khz=palm,
                stop_s=onset_s + float(random.uniform(0.25, 0.95)) * gap_s if stops else None,
                click_db=float(random.uniform(-35, -20)) if random.random() < 0.4 else None,
                click_lead_s=float(random.uniform(0.001, 0.006)),
                string_force_db=tuple(random.normal(0, 1.0, 6).tolist()),
                seed=seed * 100 + index,
            )
        )
        onset_s += gap_s
    chain = Chain(
        hiss_dbfs=float(random.uniform(-90, -65)),
        hum_hz=(None, 50.0, 60.0)[random.integers(3)],
        hum_dbfs=float(random.uniform(-90, -55)),
        dc_offset=float(random.normal(0, 1e-3)),
        polarity=1 if random.random() < 0.5 else -1,
    )
    duration_s = strums[-1].onset_s + float(random.uniform(0.8, 3.0))
    rate_hz = RATES_HZ[random.integers(len(RATES_HZ))]
    return Take(PICKUPS[random.integers(len(PICKUPS))], tuple(strums), duration_s, chain=chain, seed=seed), rate_hz


def test_strums_of_random_takes_are_found() -> None:
    """F >= 0.97 over all, at most 1 % invented, half of the onsets within 1 ms and 95 % within 6 ms.

    Clicks come up to 6 ms ahead, 20 dB and more below the string: with them the pick's touch may be taken for the
    onset. What is missed lies over louder strums that ring on; see the figures with -s.
    """
    outcomes = []
    for seed in range(RANDOM_TAKES):
        take, rate_hz = drawn(seed)
        rendered = render(take, rate_hz)
        found = measure_take(ArraySource(rendered.samples, rate_hz), FLOAT_FACTS, MeasureSettings())
        onsets_s = np.array([strum.onset_s for strum in found.strums])
        outcomes.append(Outcome(np.array(rendered.truth.onsets_s), onsets_s, ON_TIME_S))
    f, _, invented = figures("random takes", outcomes)
    errors_s = np.abs(np.concatenate([each.errors_s for each in outcomes]))
    assert f >= LEAST_F
    assert invented <= MOST_INVENTED * sum(each.true_s.size for each in outcomes)
    assert np.median(errors_s) <= 0.001
    assert np.percentile(errors_s, 95) <= 0.006


@pytest.mark.parametrize("name", ["recorded-up-and-down", "modelled-at-the-start", "recorded-hum"])
@pytest.mark.parametrize("lead_s", [0.0, 0.003, 0.012, 0.025, 0.04, 0.07])
def test_file_that_begins_with_the_strum_or_just_before_has_its_onset(name: str, lead_s: float) -> None:
    case = corpus.case(name)
    start = round((case.onsets_s[0] - lead_s) * case.rate_hz)
    if start < 0:
        start, lead_s = 0, case.onsets_s[0]
    channel = OneChannel(ArraySource(np.ascontiguousarray(case.samples[start:]), case.rate_hz), 0)
    found = find_strums(channel, survey(channel))
    assert found.strums[0].onset / case.rate_hz == pytest.approx(lead_s, abs=0.006)
    assert len(found.strums) == len(case.onsets_s)
