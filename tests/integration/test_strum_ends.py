"""How strums end, against the truth of the string model: by the next, by a hand, in the noise, with the file.

Many short takes drawn at random. The model's ends follow from its plan (onset of the next, instant of the hand, length
of the file) and, for the noise, from the noise-free samples: where their 50 ms level is below the noise + 6 dB.
"""

from collections import Counter, defaultdict
from functools import lru_cache

import numpy as np
import pytest

from coilbench_worker.measure.settings import MeasureSettings
from coilbench_worker.measure.source import FLOAT_FACTS, ArraySource
from coilbench_worker.measure.take import measure_take
from coilbench_worker.model.chain import Chain
from coilbench_worker.model.strum import Strum
from coilbench_worker.model.take import Rendered, Take, render
from coilbench_worker.model.truth import short_power
from material import drawn, tuning

TAKES = 60
FOUND_WITHIN_S = 0.020
RATES_HZ = (22_050, 44_100, 48_000)
WITHIN_S = {"next": 0.010, "damped": 0.060, "noise": 0.250, "file-end": 0.001}
"""Tolerance of the end. The noise: a strum falls by 8 dB/s and less at its end, and 6 dB above a noise that the strum
is part of is 1.3 dB less than above the noise alone."""
DAMPED_NEEDS_DB = 21.0
"""What a hand stops must lie that far above the noise: it is told by a fall of 15 dB, and 6 dB above the noise a strum
ends. Below, either reason is right, at the same instant."""
LEAST_RIGHT = {"next": 0.97, "damped": 0.90, "noise": 0.95, "file-end": 0.90}
"""Share of ends found with the right reason within that tolerance."""

pytestmark = pytest.mark.xdist_group("ends of strums")


def take(seed: int) -> tuple[Take, int]:
    """Two to five strums; a hand stops some, quietly played ones sink into hiss, the file cuts some."""
    random = np.random.default_rng([seed, 31415])
    palm, stops = (40.0 if random.random() < 0.3 else 0.0), random.random() < 0.5
    onset_s, strums = float(random.uniform(0.2, 0.8)), []
    for index in range(int(random.integers(2, 6))):
        gap_s = float(np.exp(random.uniform(np.log(0.5), np.log(5.0))))
        strums.append(
            Strum(
                onset_s,
                tuning.chord(random),
                spread_s=float(random.uniform(0.005, 0.08)),
                force_db=-float(random.uniform(0, 6)),
                palm_db_per_s=palm,
                palm_db_per_s_per_khz=palm,
                stop_s=onset_s + float(random.uniform(0.3, 0.8)) * gap_s if stops and random.random() < 0.8 else None,
                stop_db_per_s=float(random.uniform(200, 500)),
                seed=10 * seed + index,
            )
        )
        onset_s += gap_s
    hiss_dbfs = float(random.uniform(-75, -50))
    duration_s = strums[-1].onset_s + float(np.exp(random.uniform(np.log(0.4), np.log(5.0))))
    pickup = drawn.PICKUPS[random.integers(2)]
    chain = Chain(hiss_dbfs=hiss_dbfs)
    return Take(pickup, tuple(strums), duration_s, chain=chain, seed=seed), RATES_HZ[random.integers(len(RATES_HZ))]


def _left_db(made: Rendered, plan: Take, at_s: float) -> float:
    """Level of the noise-free 50 ms before an instant, dB above the noise."""
    power = short_power(
        made.clean[: round(at_s * made.rate_hz)][-round(0.05 * made.rate_hz) :], round(0.05 * made.rate_hz)
    )
    return 10 * float(np.log10(power[0] / plan.chain.noise_power()))


@lru_cache(maxsize=1)
def ends() -> dict[str, list[tuple[str, float]]]:
    """For each true reason, what was found: reason and error of the end, s. Strums that were not found are left out."""
    found: dict[str, list[tuple[str, float]]] = defaultdict(list)
    for seed in range(TAKES):
        plan, rate_hz = take(seed)
        made = render(plan, rate_hz)
        measured = measure_take(ArraySource(made.samples, rate_hz), FLOAT_FACTS, MeasureSettings()).strums
        for truth in made.truth.strums:
            nearest = min(measured, key=lambda strum, at=truth.onset_s: abs(strum.onset_s - at))
            if abs(nearest.onset_s - truth.onset_s) > FOUND_WITHIN_S:
                continue
            by = nearest.ended_by
            if by == "noise" and truth.ended_by == "damped" and _left_db(made, plan, truth.end_s) < DAMPED_NEEDS_DB:
                by = "damped"
            found[truth.ended_by].append((by, nearest.end_s - truth.end_s))
    for reason, each in found.items():
        errors_ms = [abs(1000 * error) for by, error in each if by == reason]
        print(
            f"\n{reason}: {len(each)} strums, found as {dict(Counter(by for by, _ in each))}; errors of the end: "
            f"median {np.median(errors_ms):.1f} ms, 95 % {np.percentile(errors_ms, 95):.1f} ms"
        )
    return found


@pytest.mark.parametrize("reason", list(WITHIN_S))
def test_ends_are_found_with_their_reason(reason: str) -> None:
    each = ends()[reason]
    assert len(each) >= 20, "too few to judge by"
    right = [by == reason and abs(error_s) <= WITHIN_S[reason] for by, error_s in each]
    assert np.mean(right) >= LEAST_RIGHT[reason]


def test_end_of_the_file_is_the_end_to_the_sample() -> None:
    errors_s = [error_s for by, error_s in ends()["file-end"] if by == "file-end"]
    assert max(map(abs, errors_s)) <= 1 / min(RATES_HZ)
