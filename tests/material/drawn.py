"""Takes drawn at random, of modelled strings and of recorded notes: the same seed plays the same strums on either.

Chords, tuning, rhythm, forces, damping, noise and everything that disturbs come from the seed.
"""

from dataclasses import dataclass, replace

import numpy as np

from coilbench_worker.coil.circuit import Coil, Load
from coilbench_worker.model.chain import Chain, hum
from coilbench_worker.model.pickup import Pickup, Preamp
from coilbench_worker.model.strum import Strum
from coilbench_worker.model.take import Rendered, Take, render

from . import editing, recorded, tuning
from .addition import added
from .case import Case, FloatArray
from .disturbance import thump
from .squeak import squeak
from .tap import count_in

RATES_HZ = (22_050, 44_100, 48_000, 88_200, 96_000, 192_000)
RATE_SHARES = (0.15, 0.3, 0.3, 0.08, 0.12, 0.05)
PICKUPS = (
    Pickup((150.0,), 14.0, Coil(2.4, 110e-12, 6000.0), sensitivity_v=0.6),
    Pickup((35.0, 53.0), 12.0, Coil(5.2, 140e-12, 9000.0), sensitivity_v=0.6),
    Pickup((35.0, 53.0), 12.0, Coil(1.2, 90e-12, 2500.0), 0.25, Load(1e6, 30e-12), Preamp(18.0)),
)
PROGRAMS = (recorded.JAZZ, recorded.CLEAN, recorded.CLEAN, recorded.MUTED, recorded.OVERDRIVEN)
SHORTEST_GAP_S, LONGEST_GAP_S = 0.35, 8.0
LEAST_SPREAD_S, GREATEST_SPREAD_S = 0.005, 0.110
EVEN_DB, UNEVEN_DB = 6.0, 20.0
"""Range of the forces within a take: mostly the first, in some takes the second."""
CLEAN = Chain(hiss_dbfs=None, clips=False)
RMS_S = 0.5


@dataclass(frozen=True)
class Plan:
    """What is played and what disturbs; levels in dB below the softest strum: `*_db` its peak, `*_rms_db` its RMS over
    0.5 s.
    """

    strums: tuple[Strum, ...]
    key_changes: tuple[int, ...]
    cents: float
    pickup: Pickup
    program: int
    rate_hz: int
    tail_s: float
    peak_dbfs: float
    hiss_rms_db: float
    hum_hz: float | None
    hum_rms_db: float
    squeaks: tuple[tuple[float, float], ...]
    squeak_db: float
    taps: int
    beat_s: float
    tap_db: float
    thumps_s: tuple[float, ...]
    thump_db: float
    fade_s: float | None
    turned_at_s: float | None
    sides: str
    uneven: bool

    @property
    def softest_db(self) -> float:
        """Force of the softest strum re the loudest, dB."""
        forces = [strum.force_db for strum in self.strums]
        return min(forces) - max(forces)


def plan(seed: int) -> Plan:
    """Draw a take of 3 to 8 strums 0.35 to 8 s apart."""
    random = np.random.default_rng([seed, 2718])
    taps = int(random.integers(2, 5)) if random.random() < 0.25 else 0
    at_start = not taps and random.random() < 0.15
    first_s = 0.0 if at_start else float(random.uniform(0.1, 1.0)) + taps * 0.5
    gaps_s = np.exp(random.uniform(np.log(SHORTEST_GAP_S), np.log(LONGEST_GAP_S), int(random.integers(2, 8))))
    uneven = bool(random.random() < 0.3)
    strums = _strums(random, seed, first_s, gaps_s.tolist(), UNEVEN_DB if uneven else EVEN_DB)
    wide = [
        (strum.onset_s, float(gap_s)) for strum, gap_s in zip(strums, gaps_s, strict=False) if gap_s > 0.9
    ]  # room between the strums for what disturbs
    squeaks = [
        (start_s + float(random.uniform(0.3, gap_s - 0.5)), float(random.uniform(0.05, 0.3)))
        for start_s, gap_s in wide
        if random.random() < 0.5
    ]
    thumps_s = [start_s + float(random.uniform(0.3, gap_s - 0.4)) for start_s, gap_s in wide if random.random() < 0.4]
    cut = random.random() < 0.2
    tail_s = float(random.uniform(0.15, 0.6) if cut else random.uniform(0.8, 4.0))
    return Plan(
        strums=strums,
        key_changes=tuning.key_changes(random),
        cents=float(random.uniform(-30, 30)),
        pickup=PICKUPS[random.integers(len(PICKUPS))],
        program=PROGRAMS[random.integers(len(PROGRAMS))],
        rate_hz=int(random.choice(RATES_HZ, p=RATE_SHARES)),
        tail_s=tail_s,
        peak_dbfs=float(random.uniform(-28, -3)),
        hiss_rms_db=float(random.uniform(-75, -40)),
        hum_hz=(None, 50.0, 60.0)[random.integers(3)],
        hum_rms_db=float(random.uniform(-55, -30)),
        squeaks=tuple(squeaks) if random.random() < 0.4 else (),
        squeak_db=float(random.uniform(-30, -15)),
        taps=taps,
        beat_s=float(random.uniform(0.35, 0.5)),
        tap_db=float(random.uniform(-32, -20)),
        thumps_s=tuple(thumps_s) if random.random() < 0.3 else (),
        thump_db=float(random.uniform(-34, -24)),
        fade_s=float(random.uniform(0.7, 1.0)) * tail_s if not cut and random.random() < 0.2 else None,
        turned_at_s=float(random.uniform(0.0, strums[-1].onset_s + tail_s)) if random.random() < 0.15 else None,
        sides=("mono", "mono", "left", "right", "both")[random.integers(5)],
        uneven=uneven,
    )


def _strums(
    random: np.random.Generator, seed: int, first_s: float, gaps_s: list[float], range_db: float
) -> tuple[Strum, ...]:
    palm = 40.0 if random.random() < 0.2 else 0.0
    stops, clicks, one_chord = random.random() < 0.35, random.random() < 0.35, random.random() < 0.5
    frets, onset_s = tuning.chord(random), first_s
    strums = []
    for index, gap_s in enumerate([*gaps_s, 2.0]):
        strums.append(
            Strum(
                onset_s,
                frets if one_chord else tuning.chord(random),
                spread_s=float(random.uniform(LEAST_SPREAD_S, min(GREATEST_SPREAD_S, 0.5 * gap_s))),
                stroke="up" if random.random() < 0.4 else "down",
                force_db=-float(random.uniform(0, range_db)),
                pick_mm=float(random.uniform(60, 170)),
                palm_db_per_s=palm,
                palm_db_per_s_per_khz=palm,
                stop_s=onset_s + float(random.uniform(0.25, 0.95)) * gap_s if stops else None,
                click_db=float(random.uniform(-35, -20)) if clicks else None,
                click_lead_s=float(random.uniform(0.001, 0.006)),
                string_force_db=tuple(random.normal(0, 1.0, 6).tolist()),
                seed=seed * 100 + index,
            )
        )
        onset_s += gap_s
    return tuple(strums)


def rendered(drawn: Plan, seed: int) -> Rendered:
    """The strums alone on modelled strings, without noise or anything that disturbs."""
    duration_s = drawn.strums[-1].onset_s + drawn.tail_s
    strings = tuning.strung(drawn.key_changes, drawn.cents)
    return render(Take(drawn.pickup, drawn.strums, duration_s, strings, CLEAN, seed), drawn.rate_hz)


def modelled(seed: int) -> Case:
    """The take that `seed` draws, of modelled strings."""
    drawn = plan(seed)
    return _finished(f"drawn-modelled-{seed}", rendered(drawn, seed).clean, drawn, seed)


def strummed(drawn: Plan) -> FloatArray:
    """The strums alone of recorded notes, without noise or anything that disturbs."""
    keys = tuple(key + change for key, change in zip(recorded.SIX_KEYS, drawn.key_changes, strict=True))
    samples, _, _ = recorded.strummed(
        drawn.strums,
        duration_s=drawn.strums[-1].onset_s + drawn.tail_s,
        rate_hz=drawn.rate_hz,
        program=drawn.program,
        open_keys=keys,
    )
    return samples


def from_notes(seed: int) -> Case:
    """The take that `seed` draws, of recorded notes."""
    drawn = plan(seed)
    return _finished(f"drawn-recorded-{seed}", strummed(drawn), drawn, seed)


def _finished(name: str, samples: FloatArray, drawn: Plan, seed: int) -> Case:
    """Levelled, disturbed, hummed over and laid out on channels."""
    rate_hz = drawn.rate_hz
    samples = samples * (10 ** (drawn.peak_dbfs / 20) / np.max(np.abs(samples)))
    soft_peak = 10 ** ((drawn.peak_dbfs + drawn.softest_db) / 20)
    soft_rms_dbfs = loudest_rms_dbfs(samples, rate_hz) + drawn.softest_db
    samples = disturbed(samples, drawn, seed, soft_peak)
    noise = replace(CLEAN, hiss_dbfs=soft_rms_dbfs + drawn.hiss_rms_db).noise(len(samples), rate_hz, seed)
    if drawn.hum_hz is not None:
        noise += hum(len(samples), rate_hz, hum_hz=drawn.hum_hz, rms_dbfs=soft_rms_dbfs + drawn.hum_rms_db, seed=seed)
    samples = samples + noise
    if drawn.fade_s is not None:
        stop_s = len(samples) / rate_hz
        samples = editing.faded_out(samples, rate_hz, start_s=stop_s - drawn.fade_s, stop_s=stop_s)
    if drawn.turned_at_s is not None:
        samples = editing.turned(samples, rate_hz, at_s=drawn.turned_at_s)
    if drawn.sides in ("left", "right"):
        samples = editing.beside_hiss(samples, side="left" if drawn.sides == "left" else "right")
    elif drawn.sides == "both":
        samples = editing.on_both(samples)
    return Case(name, samples, rate_hz, tuple(strum.onset_s for strum in drawn.strums), "drawn at random")


def disturbed(samples: FloatArray, drawn: Plan, seed: int, reference: float) -> FloatArray:
    """With the plan's squeaks, taps and thumps, below `reference`; a copy of the same shape."""
    rate_hz = drawn.rate_hz
    squeaks = [
        (at_s, squeak(rate_hz, length_s=length_s, seed=10 * seed + number))
        for number, (at_s, length_s) in enumerate(drawn.squeaks)
    ]
    samples = added(samples, rate_hz, squeaks, peak_db=drawn.squeak_db, reference=reference)
    taps = count_in(rate_hz, count=drawn.taps, first_strum_s=drawn.strums[0].onset_s, beat_s=drawn.beat_s, seed=seed)
    samples = added(samples, rate_hz, taps, peak_db=drawn.tap_db, reference=reference)
    thumps = [(at_s, thump(rate_hz, hz=45 + 12 * number)) for number, at_s in enumerate(drawn.thumps_s)]
    return added(samples, rate_hz, thumps, peak_db=drawn.thump_db, reference=reference)


def loudest_rms_dbfs(samples: FloatArray, rate_hz: int) -> float:
    """Greatest RMS over any 0.5 s (in steps of 0.1 s, or over all where there is less), dBFS."""
    energy = np.concatenate(([0.0], np.cumsum(samples**2)))
    span = min(round(RMS_S * rate_hz), len(samples))
    starts = np.arange(0, len(samples) - span + 1, max(round(0.1 * rate_hz), 1))
    return 10 * float(np.log10(np.max(energy[starts + span] - energy[starts]) / span))
