"""What was measured of a pickup beside what its model says, as the API shows it."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, Field


class OctaveBeside(BaseModel):
    """One octave: response by the model, dB re the source, and measured level, dB re all octaves."""

    part: str
    model_db: float | None
    measured_db: float | None


class SideView(BaseModel):
    """One pickup: treble over middle."""

    pickup: str
    model_db: float | None = Field(description="By the model; null with `withheld`")
    measured_db: float | None
    low: float | None
    high: float | None
    rest_db: float | None = Field(description="Measured less model: string, pick, place, magnet, eddy currents")
    takes: int
    strums: int
    octaves: list[OctaveBeside]
    assumes: str | None
    withheld: str | None


class DifferenceView(BaseModel):
    """The other pickup less the first, treble over middle."""

    model_db: float | None
    measured_db: float | None
    low: float | None
    high: float | None
    rest_db: float | None
    model_in_interval: bool | None = Field(description="Whether the interval of what was measured holds the model's")
    assumes: str | None
    withheld: str | None


class ConditionBeside(BaseModel):
    """A condition of recording that differs."""

    other: str
    field: str
    baseline: Any
    value: Any


class LeftOutBeside(BaseModel):
    """A take that takes no part."""

    take: str
    subject: str
    reason: str


class BesideView(BaseModel):
    """Model and measurement side by side."""

    confidence: float
    middle: list[str] = Field(description="Octaves, Hz")
    treble: list[str]
    sides: list[SideView]
    difference: DifferenceView | None
    conditions: list[ConditionBeside]
    left_out: list[LeftOutBeside]
    sentences: list[str]
