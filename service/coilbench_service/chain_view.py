"""A chain and its calibrations as the API shows them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from urllib.parse import quote

from pydantic import BaseModel, Field

from coilbench_service.calibrations import gain_calibration
from coilbench_service.json_document import rfc3339
from coilbench_service.measurement_view import ComponentView
from coilbench_service.take_view import TakeFile
from coilbench_worker.store.chains import CalibrationRecord, ChainRecord


class ToneView(BaseModel):
    """What was measured of a recorded reference tone."""

    frequency_hz: float
    rms_dbfs: float = Field(description="Of the sine; one at full scale reads -3.01")
    standard_uncertainty_db: float = Field(description="Of that level, from its spread over the pieces")
    degrees_of_freedom: int
    distortion_db: float = Field(description="All that is not the sine, harmonics and noise, re the sine")
    harmonics_db: float | None = Field(
        description="Its harmonics alone, re the sine; null where the third lies above half the sample rate"
    )
    stability_db: float = Field(description="Greatest minus least level of the pieces")
    frequency_spread_hz: float = Field(description="Greatest minus least frequency of the pieces")
    start_s: float = Field(description="Where the stretch that was used begins")
    duration_s: float = Field(description="How long it is")
    tone_v_rms: float = Field(description="Its voltage at the input, as stated")
    file: TakeFile


class CalibrationLinks(BaseModel):
    """Where the parts of a calibration are; `audio` only where a tone was sent."""

    self: str
    audio: str | None


class CalibrationView(BaseModel):
    """What full scale is at one gain."""

    id: str
    created: str = Field(description="RFC 3339, UTC; of several at a gain the newest counts")
    input_gain_db: float
    by: str = Field(description="stated, or tone: measured from a recorded tone of known voltage")
    full_scale_dbu: float
    full_scale_v_rms: float = Field(description="Of the sine at the input whose peak just reaches full scale")
    expanded_uncertainty_db: float
    coverage_factor: float
    budget: list[ComponentView]
    tone: ToneView | None
    links: CalibrationLinks


class ChainLinks(BaseModel):
    """Where the parts of a chain are."""

    self: str
    calibrations: str


class Chain(BaseModel):
    """An input chain: what lies between the pickup and the file."""

    key: str
    name: str | None
    notes: str | None
    gain_step_uncertainty_db: float | None = Field(
        description="How far a difference of two gain settings can be trusted, dB, expanded (k = 2); null: not known, "
        "and no calibration is moved to another gain"
    )
    cable: str | None = Field(description="The cable that belongs to it; takes inherit it")
    input_gain_db: float | None = Field(description="Gain of an input whose gain is never changed; takes inherit it")
    created: str = Field(description="RFC 3339, UTC")
    updated: str = Field(description="RFC 3339, UTC")
    calibrations: list[CalibrationView] = Field(description="Oldest first; of several at a gain the last counts")
    links: ChainLinks


class ChainPage(BaseModel):
    """One page of chains, in the order in which they were made."""

    items: list[Chain]
    next: str | None = Field(description="Cursor of the next page")


def chain_path(key: str) -> str:
    """Address of a chain."""
    return f"/v1/chains/{quote(key, safe='')}"


def chain_view(chain: ChainRecord) -> dict[str, Any]:
    """The chain as JSON values."""
    path = chain_path(chain.key)
    return {
        "key": chain.key,
        "name": chain.name,
        "notes": chain.notes,
        "gain_step_uncertainty_db": chain.gain_step_uncertainty_db,
        "cable": chain.cable,
        "input_gain_db": chain.input_gain_db,
        "created": rfc3339(chain.created),
        "updated": rfc3339(chain.updated),
        "calibrations": [calibration_view(chain.key, one) for one in chain.calibrations],
        "links": {"self": path, "calibrations": f"{path}/calibrations"},
    }


def calibration_view(key: str, record: CalibrationRecord) -> dict[str, Any]:
    """A calibration of the chain of that key as JSON values."""
    path = f"{chain_path(key)}/calibrations/{record.id}"
    shown = _without(gain_calibration(record).to_document(), ("moved_db",))
    tone = None
    if record.tone is not None and record.file is not None:
        file = {"name": record.file.name, "bytes": record.file.bytes, "sha256": record.file.sha256}
        tone = {**record.tone, "file": file}
    return {
        "id": record.id,
        "created": rfc3339(record.created),
        **shown,
        "tone": tone,
        "links": {"self": path, "audio": f"{path}/audio" if tone else None},
    }


def _without(document: dict[str, Any], names: Iterable[str]) -> dict[str, Any]:
    return {name: value for name, value in document.items() if name not in names}
