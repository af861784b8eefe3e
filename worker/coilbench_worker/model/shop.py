"""An invented shop: twelve pickups that exist nowhere, a session of three takes each, one more take spoiled on purpose.

Names and people are made up; sheet values follow common practice (no source). What a listener would expect follows from
`winding`: more turns give more level, less than in proportion, and less top; battery-powered ones start harder and more
even. The player's hand varies from strum to strum, and from take to take: between takes the guitar was unplugged and
taken up again, so that all four strums of a take may lie some tenths of dB apart from those of another.
"""

from dataclasses import dataclass, replace
from functools import cache
from math import log10

import numpy as np

from ..coil.circuit import Load
from .chain import Chain
from .pickup import Preamp
from .strum import OPEN_CHORD, Strum
from .take import Take, render
from .winding import HUMBUCKER, RAIL, SINGLE, STACKED, Winding, together_v

STRUMS, TAKES_EACH = 4, 3
FIRST_ONSET_S, APART_S, HELD_S = 1.0, 5.2, 4.9
PICK_MM = 135.0
PREAMP = Preamp(18.0, threshold_v=0.45, ratio=1.6)
PREAMP_INPUT = Load(220e3, 25e-12)
HOUSING = 0.49
REFERENCE_RATE_HZ = 24000
REFERENCE_S = 0.5
REFERENCE_NUMBER, REFERENCE_TAKES = 1000, 10
"""Forty strokes tell a difference between two pickups to 0.1 dB, which is far less than three takes do."""
RATED_STEP_MV = 5.0

FORCE_DB, STRING_DB, STRUM_PICK_MM = 0.5, 0.5, 4.0
"""Standard deviations from strum to strum: force on all strings, on single ones, place of the pick."""
TAKE_FORCE_DB, TAKE_PICK_MM, TAKE_WIDTH_MM = 0.5, 4.0, 0.15
"""Standard deviations from take to take: force, place of the pick, and how broad it meets the string at its angle."""


@dataclass(frozen=True)
class ShopPickup:
    """One invented pickup: its key, how it is wound, and what the shop notes of it."""

    key: str
    winding: Winding
    note: str = ""

    @property
    def active(self) -> bool:
        """Whether a battery powers it."""
        return self.winding.preamp is not None

    def sheet(self) -> dict[str, str | float | int | bool | None]:
        """The data sheet as a maker prints it: rounded, and by the names of the service's fields."""
        wound = self.winding
        return {
            "key": self.key,
            "name": self.key.replace("-", " ").capitalize(),
            "position": wound.position,
            "construction": wound.build.name,
            "active": self.active,
            "magnet": wound.magnet,
            "wire_awg": wound.awg,
            "turns": len(wound.build.wound) * wound.turns,
            "mean_turn_mm": wound.mean_turn_mm,
            "dcr_ohm": round(wound.resistance_ohm, -1),
            "dcr_temperature_c": 20,
            "inductance_h": round(wound.inductance_h, 2),
            "capacitance_pf": wound.capacitance_pf,
            "base_plate": wound.base_plate,
            "potted": self.active or wound.build is RAIL,
            "rated_output_mv": rated_output_mv(self),
            "battery_v": FRESH_BATTERY_V if self.active else None,
            "preamp_gain_db": wound.preamp.gain_db if wound.preamp else None,
            "notes": self.note or None,
        }


@dataclass(frozen=True)
class ShopTake:
    """One recording of the session: file name, what the manifest says of it, and what is played."""

    file: str
    about: dict[str, str | float | int]
    take: Take
    spoiled: bool = False


def _battery(winding: Winding) -> Winding:
    return replace(winding, preamp=PREAMP, load=PREAMP_INPUT, housing=HOUSING)


_PLAIN = Winding(SINGLE, 7800, 42, 141.0, 110.0, "alnico 5", "none", "neck")
_QUARRY = Winding(HUMBUCKER, 5480, 42, 130.0, 130.0, "alnico 8", "nickel silver", "neck")

PICKUPS: tuple[ShopPickup, ...] = (
    ShopPickup("harbour-neck", _PLAIN),
    ShopPickup(
        "orchard-middle",
        replace(_PLAIN, turns=8000, base_plate="steel", position="middle"),
        "Like the meadow-middle, on a plate of steel.",
    ),
    ShopPickup("quarry-neck", _QUARRY),
    ShopPickup("mill-bridge", Winding(HUMBUCKER, 7900, 43, 128.5, 170.0, "ceramic", "nickel silver", "bridge")),
    ShopPickup("kiln-bridge", Winding(RAIL, 7250, 43, 105.0, 140.0, "ceramic", "none", "bridge")),
    ShopPickup("tarn-neck", Winding(STACKED, 4600, 43, 140.0, 150.0, "alnico 5", "none", "neck")),
    ShopPickup("weir-bridge", _battery(Winding(HUMBUCKER, 4730, 44, 130.0, 110.0, "ceramic", "steel", "bridge"))),
    ShopPickup("ferry-neck", _battery(Winding(HUMBUCKER, 4730, 44, 130.0, 110.0, "alnico 8", "steel", "neck"))),
    ShopPickup(
        "meadow-middle",
        replace(_PLAIN, turns=8000, base_plate="brass", position="middle"),
        "Like the orchard-middle, on a plate of brass.",
    ),
    ShopPickup(
        "quarry-hot-neck",
        replace(_QUARRY, turns=7670, mean_turn_mm=135.0, capacitance_pf=150.0),
        "The quarry-neck with 1.4 times its turns.",
    ),
    ShopPickup("slate-neck", replace(_QUARRY, magnet="alnico 3"), "The quarry-neck with a weak magnet."),
    ShopPickup("lock-middle", _battery(Winding(RAIL, 5600, 44, 108.0, 115.0, "ceramic", "none", "middle"))),
)

SESSION = "week-14-bench"
SESSION_DATE = "2026-04-02"
CHAIN = "desk"
CONDITIONS: dict[str, str | float | int] = {
    "chain": CHAIN,
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
DESK_HUM_DBFS = -92.0
"""Hum of cable and desk, whatever the pickup."""


def takes() -> tuple[ShopTake, ...]:
    """The session: a first try of the fourth pickup that clips, hums and crackles, then three good takes of each."""
    good = tuple(
        _take_of(pickup, number, repeat)
        for number, pickup in enumerate(PICKUPS, start=1)
        for repeat in range(1, TAKES_EACH + 1)
    )
    return (_spoiled(PICKUPS[3]), *good)


@cache
def reference_v(pickup: ShopPickup) -> float:
    """RMS at the pickup's output over the first half second of an open chord, V: the level in dB averaged over many
    strokes, the same for all pickups, of the player's hand over many takes. (One stroke would not do: how its strings
    beat against each other may differ from the mean by half a decibel.)
    """
    unity = Chain(full_scale_v=1.0, input_gain_db=0.0, hiss_dbfs=None, clips=False)
    played = pickup.winding.pickup()
    levels_db = []
    for repeat in range(REFERENCE_TAKES):
        for strum in hand(REFERENCE_NUMBER, repeat):
            at_once = replace(strum, onset_s=0.0, stop_s=None, click_db=None)
            chord = render(Take(played, (at_once,), REFERENCE_S, chain=unity), REFERENCE_RATE_HZ)
            levels_db.append(10 * log10(float(np.mean(chord.clean**2))))
    return float(10 ** (np.mean(levels_db) / 20))


def rated_output_mv(pickup: ShopPickup) -> float:
    """What the sheet says: the reference to the nearest 5 mV."""
    return RATED_STEP_MV * round(1000 * reference_v(pickup) / RATED_STEP_MV)


def true_difference_db(baseline: ShopPickup, other: ShopPickup) -> float:
    """Difference of level between two pickups under the same hands: other over baseline, dB."""
    return 20 * log10(reference_v(other) / reference_v(baseline))


def hand(number: int, repeat: int) -> tuple[Strum, ...]:
    """Four strums of one player, alike but not the same, all of them off by what this take has; each held, then
    stopped. Drawn from the numbers of pickup and take.
    """
    random = np.random.default_rng([number, repeat, 2014])
    force_db = float(random.normal(0, TAKE_FORCE_DB))
    pick_mm = PICK_MM + float(random.normal(0, TAKE_PICK_MM))
    width_mm = 2.5 + float(random.normal(0, TAKE_WIDTH_MM))
    played = []
    for index in range(STRUMS):
        onset_s = FIRST_ONSET_S + index * APART_S + float(random.uniform(-0.08, 0.08))
        played.append(
            Strum(
                onset_s,
                OPEN_CHORD,
                spread_s=0.028 * float(random.uniform(0.85, 1.2)),
                force_db=force_db + float(random.normal(0, FORCE_DB)),
                pick_mm=pick_mm + float(random.normal(0, STRUM_PICK_MM)),
                pick_width_mm=width_mm,
                stop_s=onset_s + HELD_S,
                stop_db_per_s=400.0,
                click_db=-30.0,
                click_lead_s=0.002,
                string_force_db=tuple(float(value) for value in random.normal(0, STRING_DB, len(OPEN_CHORD))),
                seed=(number * 10 + repeat) * 10 + index,
            )
        )
    return tuple(played)


def _take_of(pickup: ShopPickup, number: int, repeat: int) -> ShopTake:
    desk = Chain(input_gain_db=float(CONDITIONS["input_gain_db"]))
    per_volt = 10 ** (desk.input_gain_db / 20) / desk.full_scale_v
    chain = replace(
        desk,
        hum_hz=DESK_HUM_HZ,
        hum_dbfs=20 * log10(together_v(10 ** (DESK_HUM_DBFS / 20), pickup.winding.hum_v() * per_volt)),
        hiss_dbfs=-82.0 if pickup.active else -88.0,
        dc_offset=2e-5,
    )
    about: dict[str, str | float | int] = {
        "label": f"{pickup.key}, take {repeat}",
        "pickup": pickup.key,
        "session": SESSION,
    }
    duration_s = FIRST_ONSET_S + STRUMS * APART_S + 0.4
    seed = number * 10 + repeat
    take = Take(pickup.winding.pickup(), hand(number, repeat), duration_s, chain=chain, seed=seed)
    return ShopTake(f"{number:02d}-{pickup.key}-{repeat}.flac", about, take)


def _spoiled(pickup: ShopPickup) -> ShopTake:
    good = _take_of(pickup, 40, 0)
    gain_db = 25.0
    chain = replace(
        good.take.chain, input_gain_db=gain_db, hum_dbfs=-44.0, hiss_dbfs=-74.0, crackles_per_s=0.7, crackle_dbfs=-22.0
    )
    about = {**good.about, "label": f"{pickup.key}, first try", "input_gain_db": gain_db, "cable": "6 m, loose plug"}
    return ShopTake(f"00-{pickup.key}-first-try.flac", about, replace(good.take, chain=chain), spoiled=True)
