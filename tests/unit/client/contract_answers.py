"""Answers to comparisons and choices as the contract has them, with invented figures."""

from __future__ import annotations

from typing import Any

NAMES = {
    "rms_dbfs": ("RMS level", "dBFS", "hotter", "milder"),
    "crest_db": ("Crest factor", "dB", "more open", "more squashed"),
    "treble_db": ("Treble", "dB re total", "brighter", "darker"),
}
WHY_WITHHELD = (
    "The takes were recorded at gains of 10 dB and 20 dB of no chain, so that levels can't be brought together."
)
"""The reason of a withheld level."""


def row(other: str, quantity: str, difference: float | None, **changes: Any) -> dict[str, Any]:
    """A row of a comparison; without a difference it is withheld."""
    numbers = {
        "baseline_mean": -30.2,
        "other_mean": None if difference is None else -30.2 + difference,
        "difference": difference,
        "low": None if difference is None else difference - 0.8,
        "high": None if difference is None else difference + 0.8,
        "standard_error": 0.3,
        "degrees_of_freedom": 5.7,
        "g": 1.25,
        "p": 0.0001,
        "p_holm": 0.0004,
        "smallest_shown": 1.1,
    }
    if difference is None:
        numbers = dict.fromkeys(numbers)
    return {
        "other": other,
        "quantity": quantity,
        "unit": "dB",
        **numbers,
        "method": None if difference is None else "nested",
        "verdict": None if difference is None else "higher" if difference > 1 else "lower",
        "strums_to_settle": None,
        "takes_to_settle": None,
        "not_to_settle": None,
        "takes": [2, 2],
        "strums": [8, 7],
        "assumes": None,
        "withheld": WHY_WITHHELD if difference is None else None,
        "sentence": f"{other} against harbour-neck.",
        **changes,
    }


def unsettled(other: str, quantity: str, difference: float, **changes: Any) -> dict[str, Any]:
    """A row in which no difference is shown."""
    return row(other, quantity, difference, **{"verdict": "no-difference-shown", "p": 0.2, "p_holm": 0.41, **changes})


def comparison(**changes: Any) -> dict[str, Any]:
    """Three pickups against one, with every kind of row."""
    return {
        "baseline": "harbour-neck",
        "confidence": 0.95,
        "quantities": [
            {"key": key, "name": name, "unit": unit, "decimals": 1, "more": more, "less": less}
            for key, (name, unit, more, less) in NAMES.items()
        ],
        "subjects": [
            {"id": id, "kind": "pickup", "takes": [f"{id}-1", f"{id}-2"], "strums": 8}
            for id in ("harbour-neck", "mill-bridge", "weir-bridge", "=ferry")
        ],
        "results": [
            row("mill-bridge", "rms_dbfs", 7.25, assumes="No input gain is stated: holds only if it was not touched."),
            row("weir-bridge", "rms_dbfs", None),
            row("=ferry", "rms_dbfs", None),
            row("mill-bridge", "crest_db", -2.0),
            unsettled("weir-bridge", "crest_db", 0.4, strums_to_settle=60, takes_to_settle=15),
            unsettled("=ferry", "crest_db", 0.0, not_to_settle="More than 10,000 strums would be needed."),
            row("mill-bridge", "treble_db", -4.0),
            unsettled("weir-bridge", "treble_db", 0.6, strums_to_settle=24),
            row("=ferry", "treble_db", 1.52),
        ],
        "ranking": {
            "rms_dbfs": [["mill-bridge"], ["harbour-neck"]],
            "crest_db": [["weir-bridge", "=ferry", "harbour-neck"], ["mill-bridge"]],
            "treble_db": [["=ferry"], ["weir-bridge", "harbour-neck"], ["mill-bridge"]],
        },
        "alike": {"treble_db": [["=ferry", "weir-bridge"]]},
        "bands": [
            {"other": "mill-bridge", "quantity": "octave_db", "part": "63", "difference": 1.5, "low": 0.5, "high": 2.5,
             "withheld": None},
            {"other": "mill-bridge", "quantity": "octave_db", "part": "8000", "difference": None, "low": None,
             "high": None, "withheld": "The band is within 6 dB of the noise."},
            {"other": "mill-bridge", "quantity": "third_octave_db", "part": "50", "difference": 1.0, "low": 0.5,
             "high": 1.5, "withheld": None},
        ],
        "conditions": [
            {"other": "mill-bridge", "field": "pick", "baseline": "1.0 mm", "value": "0.7 mm"},
            {"other": "mill-bridge", "field": "battery_v", "baseline": None, "value": 9.4},
            {"other": "weir-bridge", "field": "position", "baseline": "neck", "value": "bridge"},
        ],
        "left_out": [{"take": "t9", "subject": "mill-bridge", "reason": "It is clipped in strums 1 and 2."}],
        "cautions": ["weir-bridge scatters out of line from take to take."],
        "method": "Nested analysis of variance: the take is a random effect.",
        **changes,
    }  # fmt: skip


def choice(**changes: Any) -> dict[str, Any]:
    """Two pickups held against a wish of two things; none fits."""

    def item(quantity: str, change: float | None, miss: float | None, met: bool | None) -> dict[str, Any]:
        return {
            "quantity": quantity,
            "change": change,
            "low": None if change is None else change - 0.5,
            "high": None if change is None else change + 0.5,
            "miss": miss,
            "miss_in_uncertainty": None if miss is None else 4 * miss,
            "miss_in_ear_steps": miss,
            "met": met,
            "withheld": WHY_WITHHELD if change is None else None,
        }

    return {
        "reference": "harbour-neck",
        "wish": [
            {"asked": "bright", "quantity": "treble_db", "unit": "dB re total", "direction": "more", "amount": 2.0,
             "ear_step": 1.0},
            {"asked": "rms_dbfs", "quantity": "rms_dbfs", "unit": "dBFS", "direction": "same", "amount": None,
             "ear_step": 1.0},
        ],
        "ranking": [
            {"place": 1, "pickup": "weir-bridge", "fits": False, "miss": 0.6, "sentence": "Bright enough by half.",
             "items": [item("treble_db", 1.4, 0.6, False), item("rms_dbfs", 0.2, 0.0, True)]},
            {"place": 2, "pickup": "mill-bridge", "fits": False, "miss": 5.0, "sentence": "Too dark.",
             "items": [item("treble_db", -3.0, 5.0, False), item("rms_dbfs", None, None, None)]},
        ],
        "fits": [],
        "advice": ["Fewer turns would raise the resonance."],
        "left_out": [],
        "cautions": [],
        **changes,
    }  # fmt: skip


def groups(**changes: Any) -> dict[str, Any]:
    """Passive pickups against active ones, with a group of one."""

    def mean(value: float, n: int) -> dict[str, Any]:
        return {"mean": value, "n": n, "sd": 1.0, "low": value - 1, "high": value + 1}

    def pair(quantity: str, difference: float | None, **changes: Any) -> dict[str, Any]:
        numbers = {"difference": difference, "low": -8.0, "high": -2.0, "g": -1.5, "p": 0.001, "p_holm": 0.002}
        found = {"baseline": False, "other": True, "quantity": quantity, "unit": "dB", "verdict": "lower"}
        return {**found, **numbers, "withheld": None, "sentence": "Active against passive.", **changes}

    why = "A group of one pickup gives no interval."
    return {
        "field": "active",
        "confidence": 0.95,
        "quantities": [
            {"key": key, "name": name, "unit": unit, "decimals": 1, "more": more, "less": less}
            for key, (name, unit, more, less) in NAMES.items()
            if key != "treble_db"
        ],
        "groups": [
            {"value": False, "members": ["harbour-neck", "mill-bridge"],
             "means": {"rms_dbfs": mean(-27.5, 2), "crest_db": mean(11.0, 2)}},
            {"value": True, "members": ["weir-bridge"], "means": {"rms_dbfs": mean(-19.1, 1)}},
        ],
        "results": [
            pair("rms_dbfs", -5.0),
            pair("crest_db", None, low=None, high=None, verdict=None, withheld=why),
        ],
        "left_out": [{"take": None, "subject": "ferry-neck", "reason": "It has no data sheet."}],
        "cautions": ["Three pickups are few."],
        **changes,
    }  # fmt: skip


def fits(**changes: Any) -> dict[str, Any]:
    """One field against two quantities, and one that too few pickups have."""
    points = [{"pickup": key, "x": x, "y": y} for key, x, y in (("a", 6100.0, -30.0), ("b", 13900.0, -25.0))]

    def one(field: str, quantity: str, slope: float | None, verdict: str) -> dict[str, Any]:
        numbers = {"slope": slope, "low": 2.0, "high": 6.5, "r": 0.91, "p": 0.004, "p_holm": 0.008}
        if slope is None:
            numbers = dict.fromkeys(numbers)
        return {
            "field": field, "quantity": quantity, "n": 6 if slope else 2, "unit": "dB per doubling", **numbers,
            "prediction_width": slope and 3.3, "verdict": verdict, "sentence": f"{field} and {quantity}: {verdict}.",
            "points": points,
        }  # fmt: skip

    return {
        "confidence": 0.95,
        "quantities": groups()["quantities"],
        "results": [
            one("dcr_ohm", "rms_dbfs", 4.25, "predicts"),
            one("dcr_ohm", "crest_db", -0.5, "not-shown"),
            one("rated_output_mv", "rms_dbfs", None, "too-few"),
        ],
        "left_out": [{"take": None, "subject": "ferry-neck", "reason": "Its sheet has no dcr_ohm."}],
        "cautions": ["Six pickups are few."],
        **changes,
    }


def study(**changes: Any) -> dict[str, Any]:
    """Two quantities with takes, and one that a single take can't say all of."""

    def scatter(sd: float) -> dict[str, Any]:
        return {"sd": sd, "low": 0.8 * sd, "high": 2 * sd, "degrees_of_freedom": 12.0}

    def one(quantity: str, sd: float, takes: list[int | None], **changes: Any) -> dict[str, Any]:
        return {
            "quantity": quantity,
            "unit": "dB",
            "repeatability": scatter(sd),
            "between_takes": scatter(2 * sd),
            "reproducibility": scatter(2.5 * sd),
            "repeatability_limit": 2.77 * sd,
            "reproducibility_limit": 2.77 * 2.5 * sd,
            "withheld": None,
            "plan": [
                {"difference": 1.0, "strums": strums, "takes": count}
                for strums, count in zip((4, 8), takes, strict=True)
            ],
            "sentence": "",
            **changes,
        }

    bare = {"between_takes": None, "reproducibility": None, "reproducibility_limit": None, "plan": []}
    return {
        "quantities": comparison()["quantities"],
        "subjects": comparison()["subjects"][:2],
        "results": [
            one("rms_dbfs", 0.4, [5, 4]),
            one("crest_db", 0.8, [12, None]),
            one("treble_db", 0.2, [1, 1], withheld="Each has one take.", **bare),
        ],
        "left_out": [{"take": "t9", "subject": "mill-bridge", "reason": "It is clipped."}],
        "cautions": ["mill-bridge scatters out of line."],
        "method": "ISO 5725-2.",
        **changes,
    }


WORDS = {
    "items": [
        {"word": "bright", "items": [{"quantity": "treble_db", "direction": "more", "amount": 2.0}], "says": "",
         "built_in": True, "changed": False},
        {"word": "glassy", "items": [{"quantity": "treble_db", "direction": "more", "amount": 3.0},
                                     {"quantity": "bass_db", "direction": "less", "amount": None}],
         "says": "like glass", "built_in": False, "changed": True},
    ],
    "next": None,
}  # fmt: skip
