"""Levels of takes that were recorded at different gains, brought together; or why they can't be."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import fsum

from coilbench_worker.compare.observations import Tie
from coilbench_worker.measure.calibration import SAME_GAIN_DB, CalibrationState
from coilbench_worker.measure.uncertainty import Component, combined, effective_degrees

GAIN_STEP = "gain step"
"""Line of a budget that moving to another gain adds (measure/calibration.py)."""
UNSTATED = "no input gain is stated: it holds only if the gain was not touched"
UNNAMED = "no input chain is named: it holds only if all went through one input"


@dataclass(frozen=True, slots=True)
class Moved:
    """How far the levels of a take move to stand on another take's reference, dB; and how certain that is."""

    shift_db: float
    components: tuple[Component, ...] = ()
    assumes: str | None = None
    withheld: str | None = None


def moved(take: CalibrationState, reference: CalibrationState) -> Moved:
    """Bring the levels of a take to the full scale of another.

    Parameters
    ----------
    take, reference : what each take's description leads to
    """
    if take.chain == reference.chain and _same_gain(take.input_gain_db, reference.input_gain_db):
        assumed = UNSTATED if take.input_gain_db is None else UNNAMED if take.chain is None else None
        return Moved(0.0, assumes=assumed)
    if take.calibration is not None and reference.calibration is not None:
        shift_db = take.calibration.full_scale_dbu - reference.calibration.full_scale_dbu
        return Moved(shift_db, _uncommon(take, reference))
    return Moved(0.0, withheld=_why(take, reference))


def tie(first: Sequence[CalibrationState], second: Sequence[CalibrationState]) -> Tie:
    """How the levels of two subjects hang together, by their takes; of several takes the loosest counts."""
    found = [moved(one, other) for one, other in product(second, first)]
    found += [moved(one, group[0]) for group in (first, second) for one in group[1:]]
    for one in found:
        if one.withheld:
            return Tie(withheld=one.withheld)
    loosest = max(found, key=lambda one: combined(part.standard_uncertainty_db for part in one.components))
    parts = [(part.standard_uncertainty_db, part.degrees_of_freedom) for part in loosest.components]
    return Tie(
        standard_uncertainty=combined(uncertainty for uncertainty, _ in parts),
        degrees_of_freedom=effective_degrees(parts) if parts else None,
        assumes=next((one.assumes for one in found if one.assumes), None),
    )


def _same_gain(one_db: float | None, other_db: float | None) -> bool:
    if one_db is None or other_db is None:
        return one_db is other_db
    return round(abs(fsum((one_db, -other_db))), 9) <= SAME_GAIN_DB


def _uncommon(take: CalibrationState, reference: CalibrationState) -> tuple[Component, ...]:
    """What makes the difference of two full scales uncertain: nothing that both rest on.

    Two gains of a chain that rest on one calibration differ by one gain step, however both were moved. Two
    calibrations are two, be their budgets alike.
    """
    own, other = take.calibration, reference.calibration
    assert own is not None
    assert other is not None
    one_base = _same_gain(own.input_gain_db - own.moved_db, other.input_gain_db - other.moved_db)
    if take.chain != reference.chain or not one_base:
        return (*own.budget, *other.budget)
    return tuple(line for line in (*own.budget, *other.budget) if line.source == GAIN_STEP)[:1]


def _why(take: CalibrationState, reference: CalibrationState) -> str:
    """Why two takes' levels do not hang together, and what mends it."""
    for one in (take, reference):
        if one.input_gain_db is None:
            return (
                "an input gain is stated for some takes and not for others; describe the takes with input_gain_db, or "
                "state it for their session"
            )
    if take.chain != reference.chain:
        return (
            f"the takes name different input chains ({take.chain or 'none'}, {reference.chain or 'none'}) that are not "
            "both calibrated; calibrate them with coilbench chain calibrate"
        )
    why = next(one.reason for one in (take, reference) if one.calibration is None)
    lower, higher = sorted((take.input_gain_db or 0.0, reference.input_gain_db or 0.0))
    return (
        f"the gains differ ({lower:g} and {higher:g} dB) and {why}; name a chain in the "
        "description and calibrate it with coilbench chain calibrate"
    )
