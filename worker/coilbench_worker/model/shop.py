"""An invented shop: eight pickups that exist nowhere, one session that tests them, one take spoiled on purpose.

Names and people are made up; sheet values follow common practice (no source). What a listener would expect holds by
construction: a hotter coil gives more level and less top, the battery-powered ones start harder and more even, a neck
place is fuller than a bridge place. The player's hand varies a little from strum to strum, drawn from seeds.
"""

from dataclasses import dataclass, replace
from functools import cache
from math import sqrt

import numpy as np

from .chain import Chain
from .coil import Coil, Load
from .pickup import Pickup, Preamp
from .strum import OPEN_CHORD, Strum
from .take import Take, render

STRUMS = 4
FIRST_ONSET_S, APART_S, HELD_S = 1.2, 5.4, 5.0
NECK_MM, MIDDLE_MM, BRIDGE_MM = 152.0, 102.0, 42.0
PREAMP_INPUT = Load(220e3, 25e-12)
REFERENCE_RATE_HZ = 48000


@dataclass(frozen=True)
class Sheet:
    """What the invented maker prints: construction, magnet, resistance (ohm), wire gauge (AWG), plate, output (mV RMS).

    `output_mv` is that of a firm open chord over its first half second, before any gain control.
    """

    construction: str
    magnet: str
    dcr_ohm: float
    awg: float
    base_plate: str
    powered: str
    output_mv: float


@dataclass(frozen=True)
class ShopPickup:
    """One invented pickup: key, where it sits, its sheet, and the model that plays it (sensitivity not yet set)."""

    key: str
    position: str
    sheet: Sheet
    model: Pickup


@dataclass(frozen=True)
class ShopTake:
    """One recording of the session: file name, what the manifest says of it, and what is played."""

    file: str
    about: dict[str, str | float | int]
    take: Take
    spoiled: bool = False


def _single(place_mm: float, coil: Coil) -> Pickup:
    return Pickup((place_mm,), 14.0, coil)


def _twin(place_mm: float, coil: Coil, load: Load | None = None, preamp: Preamp | None = None) -> Pickup:
    pair = Pickup((place_mm - 9.0, place_mm + 9.0), 12.0, coil, preamp=preamp)
    return pair if load is None else replace(pair, load=load)


PICKUPS: tuple[ShopPickup, ...] = (
    ShopPickup(
        "harbour-neck",
        "neck",
        Sheet("single coil", "cast rods", 6000, 42, "none", "passive", 160),
        _single(NECK_MM, Coil(2.3, 110e-12, 6000)),
    ),
    ShopPickup(
        "orchard-middle",
        "middle",
        Sheet("single coil", "cast rods", 6200, 42, "steel", "passive", 150),
        _single(MIDDLE_MM, Coil(2.5, 115e-12, 6200)),
    ),
    ShopPickup(
        "quarry-neck",
        "neck",
        Sheet("twin coil", "cast bar", 7800, 42, "nickel silver", "passive", 250),
        _twin(NECK_MM, Coil(4.3, 130e-12, 7800)),
    ),
    ShopPickup(
        "mill-bridge",
        "bridge",
        Sheet("twin coil", "ceramic", 14000, 43, "nickel silver", "passive", 420),
        _twin(BRIDGE_MM, Coil(7.8, 170e-12, 14000)),
    ),
    ShopPickup(
        "kiln-bridge",
        "bridge",
        Sheet("twin rail", "ceramic", 10500, 43, "none", "passive", 330),
        Pickup((BRIDGE_MM - 5.0, BRIDGE_MM + 5.0), 6.0, Coil(5.2, 140e-12, 10500)),
    ),
    ShopPickup(
        "tarn-neck",
        "neck",
        Sheet("stacked coil", "cast rods", 8900, 43, "none", "passive", 145),
        _single(NECK_MM, Coil(3.4, 150e-12, 8900)),
    ),
    ShopPickup(
        "weir-bridge",
        "bridge",
        Sheet("twin coil", "ceramic", 10700, 44, "steel", "9 V battery, +18 dB", 780),
        _twin(BRIDGE_MM, Coil(5.0, 110e-12, 10700), PREAMP_INPUT, Preamp(18.0)),
    ),
    ShopPickup(
        "ferry-neck",
        "neck",
        Sheet("twin coil", "cast bar", 10700, 44, "steel", "9 V battery, +18 dB", 720),
        _twin(NECK_MM, Coil(4.6, 110e-12, 10700), PREAMP_INPUT, Preamp(18.0)),
    ),
)

SESSION: dict[str, str | float | int] = {
    "session": "week-14-bench",
    "guitar": "bench guitar 2",
    "strings": "10-46, three days old",
    "tuning": "E A D G B E",
    "pick": "1.0 mm",
    "player": "K. O.",
    "cable": "3 m, 470 pF",
    "input_gain_db": 11.0,
    "expected_strums": STRUMS,
}
FRESH_BATTERY_V = 9.4
DESK_HUM_HZ = 50.0


def takes() -> tuple[ShopTake, ...]:
    """The session: one good take of each pickup, and a first try of the fourth that clips, hums and crackles."""
    good = tuple(_take_of(pickup, number) for number, pickup in enumerate(PICKUPS, start=1))
    return (_spoiled(PICKUPS[3]), *good)


@cache
def calibrated(pickup: ShopPickup) -> Pickup:
    """The pickup's model with the sensitivity that gives its sheet's output on the reference strum."""
    gain_db = pickup.model.preamp.gain_db if pickup.model.preamp else 0.0
    passive = replace(pickup.model, preamp=None)
    unity = Chain(full_scale_v=1.0, input_gain_db=gain_db, hiss_dbfs=None, clips=False)
    chord = render(Take(passive, (Strum(0.0, OPEN_CHORD),), 0.5, chain=unity), REFERENCE_RATE_HZ)
    rms_v = sqrt(float(np.mean(chord.clean**2)))
    return replace(pickup.model, sensitivity_v=pickup.sheet.output_mv / 1000 / rms_v)


def hand(seed: int) -> tuple[Strum, ...]:
    """Four strums of one player, alike but not the same; each held for five seconds, then stopped."""
    random = np.random.default_rng([seed, 2014])
    played = []
    for index in range(STRUMS):
        onset_s = FIRST_ONSET_S + index * APART_S + float(random.uniform(-0.08, 0.08))
        played.append(
            Strum(
                onset_s,
                OPEN_CHORD,
                spread_s=0.028 * float(random.uniform(0.85, 1.2)),
                force_db=float(random.normal(0, 0.6)),
                pick_mm=135 + float(random.normal(0, 5)),
                stop_s=onset_s + HELD_S,
                stop_db_per_s=400.0,
                click_db=-30.0,
                click_lead_s=0.002,
                string_force_db=tuple(float(value) for value in random.normal(0, 0.6, len(OPEN_CHORD))),
                seed=seed * 10 + index,
            )
        )
    return tuple(played)


def _take_of(pickup: ShopPickup, number: int) -> ShopTake:
    quiet = pickup.sheet.construction != "single coil"
    chain = Chain(
        input_gain_db=float(SESSION["input_gain_db"]),
        hum_hz=DESK_HUM_HZ,
        hum_dbfs=-92.0 if quiet else -80.0,
        hiss_dbfs=-82.0 if pickup.model.preamp else -88.0,
        dc_offset=2e-5,
    )
    about = {"label": f"{pickup.key}, open E", "pickup": pickup.key, "position": pickup.position, **SESSION}
    if pickup.model.preamp:
        about["battery_v"] = FRESH_BATTERY_V
    take = Take(calibrated(pickup), hand(number), FIRST_ONSET_S + STRUMS * APART_S + 0.4, chain=chain, seed=number)
    return ShopTake(f"{number:02d}-{pickup.key}.wav", about, take)


def _spoiled(pickup: ShopPickup) -> ShopTake:
    good = _take_of(pickup, 40)
    gain_db = 25.0
    chain = replace(
        good.take.chain, input_gain_db=gain_db, hum_dbfs=-44.0, hiss_dbfs=-74.0, crackles_per_s=0.7, crackle_dbfs=-22.0
    )
    about = {**good.about, "label": f"{pickup.key}, first try", "input_gain_db": gain_db, "cable": "6 m, loose plug"}
    return ShopTake(f"00-{pickup.key}-first-try.wav", about, replace(good.take, chain=chain), spoiled=True)
