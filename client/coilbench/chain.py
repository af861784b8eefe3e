"""Input chains as the service knows them: what lies between pickup and file, and what full scale is at their gains."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

SAME_GAIN_DB = 0.05
"""Gains no further apart than this are one setting to the service."""


@dataclass(frozen=True)
class BudgetLine:
    """One source of uncertainty: its standard uncertainty, dB, and degrees of freedom (None: infinitely many)."""

    source: str
    standard_uncertainty_db: float
    degrees_of_freedom: float | None


@dataclass(frozen=True)
class Tone:
    """What was measured of a recorded reference tone.

    Attributes
    ----------
    frequency_hz, rms_dbfs : of the sine; one at full scale reads -3.01 dBFS
    distortion_db : all that is not the sine, harmonics and noise, re the sine
    stability_db, frequency_spread_hz : how far level and frequency moved
    duration_s : of the stretch that was used
    tone_v_rms : voltage at the input, as stated
    file_name, file_bytes, file_sha256 : of the recording
    """

    frequency_hz: float
    rms_dbfs: float
    distortion_db: float
    stability_db: float
    frequency_spread_hz: float
    duration_s: float
    tone_v_rms: float
    file_name: str
    file_bytes: int
    file_sha256: str


@dataclass(frozen=True)
class Calibration:
    """What full scale is at one gain of a chain.

    Attributes
    ----------
    id : the service's name for it
    created : RFC 3339, UTC
    input_gain_db : the gain
    by : stated or tone
    full_scale_dbu, full_scale_v_rms : of the sine at the input whose peak just reaches full scale
    expanded_uncertainty_db, coverage_factor : of full scale, dB, and its k
    budget : what that uncertainty is made of
    tone : what was measured, None where full scale was stated
    document : the whole of it as the service sent it
    """

    id: str
    created: str
    input_gain_db: float
    by: str
    full_scale_dbu: float
    full_scale_v_rms: float
    expanded_uncertainty_db: float
    coverage_factor: float
    budget: tuple[BudgetLine, ...]
    tone: Tone | None
    document: Mapping[str, Any] = field(repr=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Calibration:
        """Read a calibration.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not a calibration
        """
        tone = document["tone"]
        return cls(
            id=str(document["id"]),
            created=str(document["created"]),
            input_gain_db=float(document["input_gain_db"]),
            by=str(document["by"]),
            full_scale_dbu=float(document["full_scale_dbu"]),
            full_scale_v_rms=float(document["full_scale_v_rms"]),
            expanded_uncertainty_db=float(document["expanded_uncertainty_db"]),
            coverage_factor=float(document["coverage_factor"]),
            budget=tuple(_line(entry) for entry in document["budget"]),
            tone=None if tone is None else _tone(tone),
            document=document,
        )


@dataclass(frozen=True)
class Chain:
    """An input chain.

    Attributes
    ----------
    key : short unique text, as `chain` of a take's description names it
    name, notes : for people; may be empty
    gain_step_uncertainty_db : how far a difference of two gains can be trusted (k = 2); None where it is not known
    cable : that belongs to it, or empty; its takes inherit it
    input_gain_db : of an input whose gain is never changed; its takes inherit it; None otherwise
    created, updated : RFC 3339, UTC
    calibrations : oldest first; of several at a gain the last counts
    document : the whole of it as the service sent it
    """

    key: str
    name: str
    notes: str
    gain_step_uncertainty_db: float | None
    cable: str
    input_gain_db: float | None
    created: str
    updated: str
    calibrations: tuple[Calibration, ...]
    document: Mapping[str, Any] = field(repr=False)

    @property
    def newest(self) -> tuple[Calibration, ...]:
        """The calibration that counts at each gain, by rising gain."""
        kept: list[Calibration] = []
        for one in reversed(self.calibrations):
            if all(abs(one.input_gain_db - other.input_gain_db) > SAME_GAIN_DB for other in kept):
                kept.append(one)
        return tuple(sorted(kept, key=lambda calibration: calibration.input_gain_db))

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Chain:
        """Read a chain.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not a chain
        """
        step, gain = document.get("gain_step_uncertainty_db"), document.get("input_gain_db")
        return cls(
            key=str(document["key"]),
            name=str(document.get("name") or ""),
            notes=str(document.get("notes") or ""),
            gain_step_uncertainty_db=None if step is None else float(step),
            cable=str(document.get("cable") or ""),
            input_gain_db=None if gain is None else float(gain),
            created=str(document["created"]),
            updated=str(document["updated"]),
            calibrations=tuple(Calibration.from_document(entry) for entry in document["calibrations"]),
            document=document,
        )


def _line(document: Mapping[str, Any]) -> BudgetLine:
    degrees = document.get("degrees_of_freedom")
    return BudgetLine(
        source=str(document["source"]),
        standard_uncertainty_db=float(document["standard_uncertainty_db"]),
        degrees_of_freedom=None if degrees is None else float(degrees),
    )


def _tone(document: Mapping[str, Any]) -> Tone:
    file = document["file"]
    numbers = ("frequency_hz", "rms_dbfs", "distortion_db", "stability_db", "frequency_spread_hz", "duration_s")
    return Tone(
        **{name: float(document[name]) for name in (*numbers, "tone_v_rms")},
        file_name=str(file["name"]),
        file_bytes=int(file["bytes"]),
        file_sha256=str(file["sha256"]),
    )
