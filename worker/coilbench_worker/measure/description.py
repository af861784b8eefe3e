"""Checks of what was said about a take, apart from its samples: made whenever a measurement is shown, never stored with
it.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from coilbench_worker.measure.calibration import CalibrationState
from coilbench_worker.measure.checks import raised
from coilbench_worker.measure.results import Check


def description_checks(about: Mapping[str, Any], state: CalibrationState | None = None) -> tuple[Check, ...]:
    """Checks that follow from a take's description and the calibrations of its chain.

    Parameters
    ----------
    about : the description as the API keeps it
    state : what it leads to (`measure.calibration.calibration_state`); None: calibrations are not looked at
    """
    checks = []
    if about.get("input_gain_db") is None:
        checks.append(raised("gain-unknown", "note", "The description names no input gain."))
    if state is not None:
        checks.extend(_of_calibration(state))
    return tuple(checks)


def _of_calibration(state: CalibrationState) -> Iterator[Check]:
    """A take that names no chain, or no gain, wants no millivolts: nothing is said of it here."""
    if state.chain is None:
        return
    values = {"chain": state.chain, "input_gain_db": state.input_gain_db}
    found = state.calibration
    if found is not None and found.by == "gain-difference":
        finding = (
            f"The calibration of the chain {state.chain!r} was moved by {found.moved_db:+g} dB to a gain of "
            f"{found.input_gain_db:g} dB; it is uncertain by {found.expanded_uncertainty_db:.2f} dB (k = 2)."
        )
        moved = {"moved_db": found.moved_db, "expanded_uncertainty_db": found.expanded_uncertainty_db}
        yield raised("gain-uncalibrated", "note", finding, values={**values, **moved})
    elif found is None and (state.input_gain_db is not None or not state.calibrated_gains_db):
        yield raised("gain-uncalibrated", "caution", f"No millivolts: {state.reason}.", values=values)
