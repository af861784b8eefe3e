"""The calibrations of chains as one request sees them: read once, when first asked for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection

from coilbench_worker.measure.calibration import (
    CalibrationState,
    ChainCalibrations,
    GainCalibration,
    calibration_state,
    from_document,
)
from coilbench_worker.store import chains
from coilbench_worker.store.chains import CalibrationRecord, ChainRecord


class Calibrations:
    """What takes fall under, all by one state of the chains.

    Parameters
    ----------
    connection : of `Database.read()`; must stay open until the last take was asked for
    """

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._chains: dict[str, ChainCalibrations] | None = None

    def of(self, about: Mapping[str, Any]) -> CalibrationState:
        """The calibration under the description that holds for a take (`Inheritance.about`), or why there is none."""
        key = about.get("chain")
        return calibration_state(about, self._known().get(key) if key is not None else None)

    def any_chain(self) -> bool:
        """Whether there is a chain at all: without one nobody asks for millivolts."""
        return bool(self._known())

    def _known(self) -> dict[str, ChainCalibrations]:
        if self._chains is None:
            found = chains.by_key(self._connection)
            self._chains = {key: of_chain(chain) for key, chain in found.items()}
        return self._chains


def of_chain(chain: ChainRecord) -> ChainCalibrations:
    """What a chain says of its gains; the newest calibration last."""
    return ChainCalibrations(
        chain.key, tuple(gain_calibration(one) for one in chain.calibrations), chain.gain_step_uncertainty_db
    )


def gain_calibration(record: CalibrationRecord) -> GainCalibration:
    """A calibration as kept, to work with."""
    return from_document(
        {
            "input_gain_db": record.input_gain_db,
            "full_scale_v_rms": record.full_scale_v_rms,
            "by": record.by,
            "budget": record.budget,
        }
    )
