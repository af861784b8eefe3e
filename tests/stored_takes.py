"""Takes that are entered as the store keeps them, with figures that a test chooses: many of them cost little."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from copy import deepcopy
from functools import cache
from typing import Any

from sqlalchemy import insert

from coilbench_worker.measure.catalogue import QUANTITIES
from coilbench_worker.measure.statistics import summary
from coilbench_worker.store.database import Database
from coilbench_worker.store.identity import new_id
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import files, measurements, takes

OF_STRUMS = [one for one in QUANTITIES if one.of == "strum" and not one.calibrated]


def document(levels_dbfs: Sequence[float | None], **single: float) -> dict[str, Any]:
    """A measurement whose strums have these RMS levels; every other quantity is some number that differs by strum.

    Parameters
    ----------
    levels_dbfs : one for each strum; None was not measured, for a reason
    single : quantities of the take or its noise
    """
    made = deepcopy(_plain(len(levels_dbfs)))
    for strum, level in zip(made["strums"], levels_dbfs, strict=True):
        strum["quantities"]["rms_dbfs"] = level
        if level is None:
            strum["reasons"]["rms_dbfs"] = "the strum ends before its window does"
    known = summary(levels_dbfs)
    made["summary"]["rms_dbfs"] = {
        name: getattr(known, name) for name in ("mean", "sd", "n", "low", "high", "min", "max")
    }
    for name, value in single.items():
        made["take_quantities" if name in made["take_quantities"] else "noise"][name] = value
    return made


def entered(
    database: Database,
    about: Mapping[str, Any],
    measured: Mapping[str, Any] | None,
    *,
    name: str = "take.wav",
    sha256: str | None = None,
    state: str = "measured",
    problem: Mapping[str, Any] | None = None,
) -> str:
    """Enter one take; its id.

    Parameters
    ----------
    measured : as `document` makes it; None: it has none
    sha256 : of the recording; None: one of its own
    """
    id, made = new_id(), now()
    known = sha256 or hashlib.sha256(id.encode()).hexdigest()
    with database.write() as connection:
        connection.execute(
            insert(files).prefix_with("OR IGNORE"), [{"sha256": known, "bytes": 1, "blob": known, "created": made}]
        )
        connection.execute(
            insert(takes),
            [
                {
                    "id": id,
                    "created": made,
                    "updated": made,
                    "state": state,
                    "file_name": name,
                    "file_sha256": known,
                    "about": dict(about),
                    **{key: about.get(key) for key in ("label", "session", "pickup")},
                    "settings": {},
                    "settings_key": "k",
                    "problem": problem,
                }
            ],
        )
        if measured is not None:
            row = {"id": new_id(), "take_id": id, "settings_key": "k", "version": "1", "made": made}
            connection.execute(insert(measurements), [{**row, "document": dict(measured)}])
    return id


@cache
def _plain(number: int) -> dict[str, Any]:
    strums = [_strum(at + 1) for at in range(number)]
    summaries: dict[str, Any] = {}
    for one in OF_STRUMS:
        if one.parts:
            summaries[one.key] = {part: _summary([strum[one.key][part] for strum in strums]) for part in one.parts}
        else:
            summaries[one.key] = _summary([strum["quantities"][one.key] for strum in strums])
    return {
        "version": "1",
        "settings": {},
        "audio": {"sample_rate_hz": 48_000, "channels": 1, "channel_used": 1, "duration_s": float(number)},
        "checks": [],
        "usable": True,
        "noise": {one.key: -80.0 for one in QUANTITIES if one.of == "noise"},
        "strums": strums,
        "summary": summaries,
        "take_quantities": {one.key: 1.5 for one in QUANTITIES if one.of == "take"},
        "reasons": {},
    }


def _strum(number: int) -> dict[str, Any]:
    quantities = {one.key: round(place + number / 8, 6) for place, one in enumerate(OF_STRUMS) if not one.parts}
    vectors = [one for one in OF_STRUMS if one.parts]
    return {
        "number": number,
        "onset_s": number + 0.25,
        "end_s": number + 1.0,
        "ended_by": "next",
        "quantities": quantities,
        **{one.key: {part: -10.0 - number / 4 - at for at, part in enumerate(one.parts)} for one in vectors},
        "reasons": {},
    }


def _summary(values: Sequence[float | None]) -> dict[str, Any]:
    known = summary(values)
    return {name: getattr(known, name) for name in ("mean", "sd", "n", "low", "high", "min", "max")}
