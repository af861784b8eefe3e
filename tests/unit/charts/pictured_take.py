"""A take as charts get it, made by hand: figures that are easy to find again."""

from __future__ import annotations

from typing import Any

from coilbench_service.pictured import Pictured
from coilbench_worker.measure.bands import OCTAVES, THIRDS

STEP_S = 0.01
WINDOWS = {
    "level_window_s": [0.0, 0.5],
    "attack_window_s": [0.0, 0.1],
    "body_window_s": [0.1, 0.5],
    "tail_window_s": [0.5, 1.5],
}
NO_DECAY = "the strum falls by 6.0 dB only, 10 dB are needed"


def strum(number: int, *, decay: float | None = 9.0) -> dict[str, Any]:
    """A strum of 1.9 s, one every 2 s, each 1 dB above the last; `decay` None: there is a reason."""
    quantities = {
        "rms_dbfs": -30.0 + number,
        "peak_dbfs": -20.0 + number,
        "crest_db": 10.0,
        "attack_ms": 3.0,
        "attack_body_db": 1.5,
        "hold_1s_db": -8.0,
        "decay_db_per_s": decay,
        "bass_db": -2.0,
        "middle_db": -5.0,
        "treble_db": -20.0,
        "centroid_hz": 400.0,
    }
    return {
        "number": number,
        "onset_s": 2.0 * number - 1.0,
        "end_s": 2.0 * number + 0.9,
        "ended_by": ("next", "damped", "noise", "file-end")[number % 4],
        "quantities": quantities,
        "octave_db": {band.nominal: -10.0 for band in OCTAVES},
        "third_octave_db": {band.nominal: None if band.nominal == "16000" else -15.0 - number for band in THIRDS},
        "band_decay_db_per_s": {},
        "reasons": {"third_octave_db_16000": "the band is in the noise"}
        | ({"decay_db_per_s": NO_DECAY} if decay is None else {}),
    }


def summary(strums: list[dict[str, Any]]) -> dict[str, Any]:
    """Means alone are told apart; the spread is 0.5 of every unit, or none for one strum."""

    def entry(values: list[float]) -> dict[str, Any]:
        mean = sum(values) / len(values) if values else None
        return {"mean": mean, "sd": 0.5 if len(values) > 1 else None, "n": len(values)}

    def known(values: list[float | None]) -> list[float]:
        return [value for value in values if value is not None]

    keys = strums[0]["quantities"] if strums else ()
    found = {key: entry(known([one["quantities"][key] for one in strums])) for key in keys}
    thirds = {band.nominal: entry(known([one["third_octave_db"][band.nominal] for one in strums])) for band in THIRDS}
    return {**found, "third_octave_db": thirds}


def trace(number: int, *, fitted: bool = True) -> dict[str, Any]:
    """Levels that fall 10 dB in a second; a gap of digital silence 0.5 s after the onset."""
    levels = [round(-20.0 - 10.0 * STEP_S * step, 2) for step in range(190)]
    return {
        "number": number,
        "rise": {"start_s": -0.02, "step_s": 0.001, "db": [-80.0] * 20 + [-20.0] * 120},
        "level": {"start_s": 0.0, "step_s": STEP_S, "db": [*levels[:50], None, *levels[51:]]},
        "curve": {"start_s": 0.0, "step_s": 0.02, "db": [round(-0.2 * step, 2) for step in range(95)]},
        "fit": {"from_s": 0.3, "from_db": -3.0, "to_s": 1.3, "to_db": -13.0} if fitted else None,
    }


def pictured(count: int = 3, label: str = "harbour-neck, take 1", **about: Any) -> Pictured:
    """A take of so many strums, the second of which has no decay where there are several."""
    strums = [strum(number, decay=None if number == 2 else 9.0) for number in range(1, count + 1)]
    duration_s = 2.0 * count + 1.0
    columns = round(duration_s / STEP_S)
    return Pictured(
        "take-id",
        label,
        about,
        {
            "settings": WINDOWS,
            "audio": {"duration_s": duration_s},
            "checks": [],
            "usable": True,
            "strums": strums,
            "summary": summary(strums),
        },
        {
            "overview": {"step_s": STEP_S, "least": [-0.25] * columns, "greatest": [0.1] * columns},
            "strums": [trace(number, fitted=number != 2) for number in range(1, count + 1)],
        },
    )
