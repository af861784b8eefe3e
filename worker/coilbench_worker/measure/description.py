"""Checks of what was said about a take, apart from its samples: made whenever a measurement is shown, never stored with
it.
"""

from collections.abc import Mapping
from typing import Any

from coilbench_worker.measure.checks import raised
from coilbench_worker.measure.results import Check


def description_checks(about: Mapping[str, Any]) -> tuple[Check, ...]:
    """Checks that follow from a take's description alone.

    Parameters
    ----------
    about : the description as the API keeps it
    """
    if about.get("input_gain_db") is None:
        return (raised("gain-unknown", "note", "The description names no input gain."),)
    return ()
