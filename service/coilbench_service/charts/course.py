"""Levels along time, as rows for a line: a level that is not there breaks the line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

Row = dict[str, Any]
DECIMALS_S = 5


def rows(course: Mapping[str, Any], *, to_s: float | None = None, centred: bool = False, **further: Any) -> list[Row]:
    """`s` and `db` of each step of a course.

    Parameters
    ----------
    course : `start_s`, `step_s`, `db` (`measure.traces`)
    to_s : what stands later is left out
    centred : each level stands in the middle of its step, as one that was taken over the step should
    further : values that every row has, too
    """
    shift = 0.5 * course["step_s"] if centred else 0.0
    found = []
    for index, level in enumerate(course["db"]):
        place_s = course["start_s"] + index * course["step_s"] + shift
        if to_s is not None and place_s > to_s:
            break
        found.append({"s": round(place_s, DECIMALS_S), "db": level, **further})
    return found
