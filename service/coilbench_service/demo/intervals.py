"""Intervals of level differences between the shop's pickups, held against the truth of the model."""

import json
from collections.abc import Mapping
from pathlib import Path

from coilbench_worker.model.shop import PICKUPS

from .questions import post

LEVEL = "rms_dbfs"
LEAST_SHARE = 0.8
"""95 of 100 are due in the long run; pairs of one session share their takes, so that a session may have far fewer."""

Interval = tuple[float, float]


def level_intervals(address: str) -> dict[tuple[str, str], Interval]:
    """The 95 % interval of every pair of pickups, second minus first, dB, in the shop's order."""
    keys = [pickup.key for pickup in PICKUPS]
    found: dict[tuple[str, str], Interval] = {}
    for number, key in enumerate(keys[:-1]):
        others = [other for other in keys if other != key]
        answer = post(address, "/v1/comparisons", {"baseline": key, "others": others, "quantities": [LEVEL]})
        for row in answer["results"]:
            if row["other"] in keys[number + 1 :] and row["withheld"] is None:
                found[key, row["other"]] = (row["low"], row["high"])
    return found


def true_levels(folder: Path) -> dict[str, float]:
    """Level of each pickup over the first one's, dB, from the demonstration's truth.json."""
    document = json.loads((folder / "truth.json").read_text("utf-8"))
    return {key: float(one["level_re_first_db"]) for key, one in document["pickups"].items()}


def held_by(intervals: Mapping[tuple[str, str], Interval], levels: Mapping[str, float]) -> tuple[int, int]:
    """How many intervals hold the true difference, and how many there are."""
    held = sum(low <= levels[second] - levels[first] <= high for (first, second), (low, high) in intervals.items())
    return held, len(intervals)


def holds(held: int, compared: int) -> bool:
    """Whether every pair was compared, and not strikingly few intervals hold the truth."""
    return compared == len(PICKUPS) * (len(PICKUPS) - 1) // 2 and held >= LEAST_SHARE * compared
