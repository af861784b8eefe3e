"""What the electrical model says of a coil with its load, and of a winding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class ResponsePoint:
    """The response at one frequency, dB re the voltage induced in the coil."""

    hz: float
    db: float


@dataclass(frozen=True)
class Winding:
    """Wire wound: bare diameter, length, resistance at its temperature and at 20 C; `low_ohm` and `high_ohm` are what
    the tolerance of the wire alone leaves.
    """

    diameter_mm: float
    length_m: float
    resistance_ohm: float
    resistance_20c_ohm: float
    low_ohm: float | None
    high_ohm: float | None


@dataclass(frozen=True)
class CoilModel:
    """A loaded coil, a winding, or both; what was not asked for, or is not there, is None.

    Attributes
    ----------
    natural_hz, damping, q : of the second-order circuit
    dc_db, peak_db : levels at 0 Hz and at the peak, re the voltage induced in the coil
    peak_hz, minus3db_hz : frequency of the peak, and that 3.01 dB below the level at 0 Hz
    response : 20 Hz to 20 kHz
    wire : the winding
    limits : what the model leaves out
    document : the whole of it as the service sent it
    """

    natural_hz: float | None
    damping: float | None
    q: float | None
    dc_db: float | None
    peak_hz: float | None
    peak_db: float | None
    minus3db_hz: float | None
    response: tuple[ResponsePoint, ...]
    wire: Winding | None
    limits: tuple[str, ...]
    document: Mapping[str, Any] = field(repr=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> CoilModel:
        """Read an answer; KeyError, TypeError or ValueError when it is none."""
        numbers = ("natural_hz", "damping", "q", "dc_db", "peak_hz", "peak_db", "minus3db_hz")
        wire = document.get("wire")
        names = Winding.__dataclass_fields__
        return cls(
            **{name: None if document.get(name) is None else float(document[name]) for name in numbers},
            response=tuple(ResponsePoint(float(one["hz"]), float(one["db"])) for one in document.get("response") or ()),
            wire=None if wire is None else Winding(**{name: wire.get(name) for name in names}),
            limits=tuple(str(one) for one in document["limits"]),
            document=document,
        )
