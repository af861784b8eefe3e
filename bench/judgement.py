"""How often a clean take is blamed, and how often what is to blame is found: takes drawn at random, modelled and put
together from recorded notes (tests/material/variety.py), through processors (tests/material/processing.py) and none.

Takes some ten minutes. The limits of limiting.py, gating.py and crests.py were set on other seeds.
"""

import sys
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from math import inf
from pathlib import Path

import numpy as np

from bench.figure import Figure
from coilbench_worker.measure.source import FloatArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from material.plain_take import checks_of
from material.processing import Compressor, Gate, OverdrivenInput, converter_hiss
from material.variety import KINDS, Drawn, Kind, drawn

CLEAN_TAKES = 400
PROCESSED_TAKES = 40
FIRST_SEED = 1_000_000
FALSE_ALARMS_PERCENT = 1.0
RATIOS = (2.0, 4.0, 8.0, inf)
REDUCTIONS_DB = (3.0, 6.0, 10.0, 15.0, 20.0)
MOST_OVER_DB = 30.0
RANGES_DB = (10.0, 20.0, 60.0)
OVERDRIVES_DB = (1.0, 2.0, 3.0, 6.0)
INPUTS = {
    "hard": {},
    "soft knee of 10 %": {"softness": 0.1},
    "soft knee of 30 %": {"softness": 0.3},
    "coupled at 3 Hz": {"high_pass_hz": 3.0},
    "coupled at 10 Hz": {"high_pass_hz": 10.0},
    "one side only": {"low_ceiling": 9.0},
    "hiss at -70 dBFS": {"hiss_dbfs": -70.0},
}


def judgement(clean: int = CLEAN_TAKES, processed: int = PROCESSED_TAKES) -> list[Figure]:
    """Figures of the checks `limited` and `clipped`: `clean` takes of each kind, `processed` of each setting."""
    figures = [figure for kind in KINDS for figure in _clean(kind, clean)]
    return [*figures, *_compressed(processed), *_gated(processed), *_overdriven(processed)]


def _clean(kind: Kind, count: int) -> Iterator[Figure]:
    blamed: dict[str, list[int]] = {"limited": [], "clipped": []}
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        take = drawn(kind, seed)
        for code in blamed.keys() & _codes(take.samples(), take.rate_hz):
            blamed[code].append(seed)
    for code, seeds in blamed.items():
        note = f"{len(seeds)} of {count}" + (f": seeds {', '.join(map(str, seeds))}" if seeds else "")
        share = 100.0 * len(seeds) / count
        yield Figure("judgement", f"{code}: false alarms, {kind}", share, "%", FALSE_ALARMS_PERCENT, note)


def _compressed(count: int) -> Iterator[Figure]:
    """Strums that ring for 1.5 s and more; the reduction is that of the greatest peak, at rest."""
    settings = [
        (ratio, reduction_db, over_db)
        for ratio in RATIOS
        for reduction_db in REDUCTIONS_DB
        if (over_db := reduction_db / (1.0 - 1.0 / ratio)) <= MOST_OVER_DB
    ]
    seen = Counter[tuple[float, float]]()
    for take, samples, random in _ringing(count):
        for ratio, reduction_db, over_db in settings:
            processor = Compressor(
                take.peak_dbfs - over_db,
                ratio,
                attack_s=float(np.exp(random.uniform(np.log(0.001), np.log(0.03)))),
                release_s=float(np.exp(random.uniform(np.log(0.05), np.log(0.5)))),
                knee_db=float(random.choice([0.0, 6.0])),
            )
            made = processor.processed(samples, take.rate_hz) + converter_hiss(samples.size, -98.0, take.seed)
            seen[ratio, reduction_db] += "limited" in _codes(made, take.rate_hz)
    for ratio, reduction_db, _ in settings:
        yield _seen(f"limited: {ratio:g}:1, {reduction_db:g} dB", seen[ratio, reduction_db], count)


def _gated(count: int) -> Iterator[Figure]:
    """Gates that shut within the gaps or not, as it comes; beside it those that shut for 0.3 s after two strums."""
    for range_db in RANGES_DB:
        seen = acting = told = 0
        for take, samples, random in _ringing(count):
            gate = Gate(
                take.peak_dbfs - random.uniform(10.0, 25.0),
                range_db=range_db,
                hold_s=random.uniform(0.01, 0.2),
                release_s=float(np.exp(random.uniform(np.log(0.02), np.log(0.4)))),
            )
            acts = _shuts(gate, take, samples) >= 2
            made = gate.processed(samples, take.rate_hz) + converter_hiss(samples.size, -105.0, take.seed)
            found = "limited" in _codes(made, take.rate_hz)
            seen, acting, told = seen + found, acting + acts, told + (found and acts)
        yield _seen(f"limited: gate, range {range_db:g} dB, at work", told, acting)
        yield _seen(f"limited: gate, range {range_db:g} dB", seen, count)


def _shuts(gate: Gate, take: Drawn, samples: FloatArray) -> int:
    """After how many strums the gate stood open for 0.7 s and then shut for 0.3 s."""
    gain_db = gate.gain_db(samples, take.rate_hz)
    step_s = samples.size / take.rate_hz / gain_db.size
    edges = [round(strum.onset_s / step_s) for strum in take.strums] + [gain_db.size]
    gaps = [gain_db[begin:end] for begin, end in pairwise(edges)]
    return sum(np.sum(gap > -1) * step_s > 0.7 and np.sum(gap < 1 - gate.range_db) * step_s > 0.3 for gap in gaps)


def _overdriven(count: int) -> Iterator[Figure]:
    seen = Counter[tuple[str, float]]()
    for take, samples, _ in _ringing(count // 2):
        for name, settings in INPUTS.items():
            for over_db in OVERDRIVES_DB:
                ceiling = float(np.max(np.abs(samples))) * 10 ** (-over_db / 20)
                made = OverdrivenInput(ceiling, **settings).processed(samples, take.rate_hz, take.seed)
                seen[name, over_db] += "clipped" in _codes(made, take.rate_hz)
    for name in INPUTS:
        for over_db in OVERDRIVES_DB:
            yield _seen(f"clipped: {name}, {over_db:g} dB over", seen[name, over_db], count // 2)


def _ringing(count: int) -> Iterator[tuple[Drawn, FloatArray, np.random.Generator]]:
    for number in range(count):
        kind: Kind = "battery" if number % 2 else "passive"
        take = drawn(kind, 2 * FIRST_SEED + number, gaps_s=(1.5, 5.0), plain=True)
        yield take, take.samples(), np.random.default_rng([take.seed, 7])


def _seen(name: str, seen: int, count: int) -> Figure:
    return Figure("judgement", f"{name}, seen", 100.0 * seen / max(count, 1), "%", note=f"{seen} of {count}")


def _codes(samples: FloatArray, rate_hz: int) -> set[str]:
    return {check.code for check in checks_of(samples, rate_hz)}
