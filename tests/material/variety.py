"""Takes drawn at random, as different as players, guitars and desks are: what a judgement must find no fault with."""

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from coilbench_worker.coil.circuit import Coil, Load
from coilbench_worker.model import strings
from coilbench_worker.model.chain import Chain
from coilbench_worker.model.pickup import Pickup, Preamp
from coilbench_worker.model.strum import OPEN_CHORD, POWER_CHORD, Strum
from coilbench_worker.model.take import Take, render

from . import recorded
from .corpus import BARRE, MINOR, THREE_HIGH, hands

FloatArray = NDArray[np.float64]
Kind = Literal["passive", "battery", "recorded"]

KINDS: tuple[Kind, ...] = ("passive", "battery", "recorded")
RATES_HZ = (44_100, 44_100, 48_000, 48_000, 96_000, 192_000)
SINGLE_NOTES: tuple[tuple[int | None, ...], ...] = tuple(
    tuple(fret if number == string else None for number in range(6)) for string in range(6) for fret in (0, 3, 7, 12)
)
CHORDS = (OPEN_CHORD, OPEN_CHORD, POWER_CHORD, BARRE, MINOR, THREE_HIGH)


@dataclass(frozen=True)
class Drawn:
    """A take without its noise, shape (n,), greatest sample 1.0, and what is known of it."""

    clean: FloatArray
    rate_hz: int
    strums: tuple[Strum, ...]
    chain: Chain
    peak_dbfs: float
    seed: int

    def samples(self, gain_db: float = 0.0) -> FloatArray:
        """The take at its level, with its noise, through nothing else; shape (n,)."""
        level = 10 ** ((self.peak_dbfs + gain_db) / 20)
        noise = self.chain.noise(len(self.clean), self.rate_hz, self.seed)
        return np.asarray(level * self.clean + noise)


def drawn(kind: Kind, seed: int, *, gaps_s: tuple[float, float] = (0.4, 5.0), plain: bool = False) -> Drawn:
    """One take of a kind; `plain` leaves out palm, hands and clicks, so that every strum rings until the next."""
    random = np.random.default_rng([seed, KINDS.index(kind), 55])
    rate_hz = int(random.choice(RATES_HZ if kind != "recorded" else RATES_HZ[:5]))
    strums, duration_s = _strums(random, seed, gaps_s, plain)
    hum_hz = (None, None, 50.0, 60.0)[random.integers(4)]
    chain = Chain(
        hum_hz=hum_hz,
        hum_dbfs=random.uniform(-85, -60),
        hiss_dbfs=random.uniform(-95, -62),
        dc_offset=random.choice([0.0, random.uniform(-0.003, 0.003)]),
    )
    if kind == "recorded":
        clean = recorded.strummed(
            strums,
            duration_s=duration_s,
            rate_hz=rate_hz,
            program=int(random.choice([recorded.JAZZ, recorded.CLEAN, recorded.CLEAN, recorded.MUTED])),
            decay_db_per_s=random.uniform(5, 12),
            treble_db_per_s=random.uniform(14, 35),
        )[0]
    else:
        clean = _modelled(random, kind, strums, duration_s, rate_hz)
    clean = clean / np.max(np.abs(clean))
    return Drawn(clean, rate_hz, strums, chain, random.uniform(-20, -2), seed)


def _strums(
    random: np.random.Generator, seed: int, gaps_s: tuple[float, float], plain: bool
) -> tuple[tuple[Strum, ...], float]:
    chords = [CHORDS[random.integers(len(CHORDS))], SINGLE_NOTES[random.integers(len(SINGLE_NOTES))]]
    frets = chords[int(random.uniform() < 0.25)]
    gap_s = float(np.exp(random.uniform(np.log(gaps_s[0]), np.log(gaps_s[1]))))
    count = int(np.clip(round(random.uniform(4, 14) / gap_s), 3, 12))
    rest: dict[str, Any] = {}
    if not plain:
        if random.uniform() < 0.15:
            rest |= {"palm_db_per_s": random.uniform(10, 90), "palm_db_per_s_per_khz": random.uniform(0, 80)}
        if random.uniform() < 0.25:
            rest |= {
                "stop_after_s": random.uniform(0.3, 1.0) * gap_s,
                "stop_db_per_s": np.exp(random.uniform(2.7, 6.2)),
            }
        if random.uniform() < 0.2:
            rest |= {"click_db": random.uniform(-30, -18), "click_lead_s": random.uniform(0.001, 0.02)}
    strums = hands(
        count,
        gap_s,
        first_s=random.uniform(0.15, 1.2),
        seed=seed,
        frets=frets,
        strokes=("d", "d", "u", "du")[random.integers(4)],
        spread_s=random.uniform(0.004, 0.1),
        forces_db=(0.0,) if random.uniform() < 0.7 else tuple(random.uniform(-10, 0, 3)),
        **rest,
    )
    return strums, strums[-1].onset_s + min(gap_s + 0.3, random.uniform(1.5, 5.0))


def _modelled(
    random: np.random.Generator, kind: Kind, strums: tuple[Strum, ...], duration_s: float, rate_hz: int
) -> FloatArray:
    """Strings with two planes of swinging each, slightly out of tune with each other, over a random pickup."""
    sustain, per_khz, sag = random.uniform(0.5, 1.5), random.uniform(0.5, 1.5), random.normal(0, 4, 6)
    upright = tuple(
        replace(
            string,
            open_hz=string.open_hz * 2 ** (cents / 1200),
            decay_db_per_s=string.decay_db_per_s * sustain,
            decay_db_per_s_per_khz=string.decay_db_per_s_per_khz * per_khz,
        )
        for string, cents in zip(strings.SIX_STRINGS, sag, strict=True)
    )
    pickup = _pickup(random, kind)
    share = random.uniform(0.0, 0.5) if random.uniform() < 0.5 else 0.0
    level = tuple(
        replace(
            string,
            open_hz=string.open_hz * 2 ** (random.uniform(-1.5, 1.5) / 1200),
            decay_db_per_s=string.decay_db_per_s * 0.5,
            weight=string.weight * share,
        )
        for string in upright
    )
    volts = np.zeros(round(duration_s * rate_hz))
    for strung in (upright, level) if share else (upright,):
        passive = replace(pickup, preamp=None)
        take = Take(passive, strums, duration_s, strung, Chain(full_scale_v=1.0, input_gain_db=0.0, hiss_dbfs=None))
        volts += render(take, rate_hz).clean
    if pickup.preamp is not None:
        from coilbench_worker.model.preamp import amplified

        volts = amplified(pickup.preamp, volts, rate_hz)
    return volts


def _pickup(random: np.random.Generator, kind: Kind) -> Pickup:
    place_mm = random.uniform(35, 160)
    places_mm = (place_mm,) if random.uniform() < 0.5 else (place_mm, place_mm + 18)
    aperture_mm = random.uniform(9, 20)
    if kind == "battery":
        preamp = Preamp(
            gain_db=random.uniform(14, 21),
            threshold_v=random.uniform(0.3, 1.0),
            ratio=random.uniform(1.2, 1.5),
            attack_s=random.uniform(0.01, 0.05),
            release_s=random.uniform(0.2, 1.0),
        )
        coil = Coil(random.uniform(0.8, 1.8), 90e-12, 2500.0)
        return Pickup(places_mm, aperture_mm, coil, random.uniform(0.15, 0.3), Load(1e6, 30e-12), preamp)
    coil = Coil(random.uniform(2.0, 8.0), random.uniform(80e-12, 180e-12), random.uniform(5000, 16000))
    return Pickup(places_mm, aperture_mm, coil, random.uniform(0.4, 0.8))
