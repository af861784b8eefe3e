"""What a measurement is: frozen results, and the one place that turns them into JSON values."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from coilbench_worker.measure.traces import Traces

Severity = Literal["note", "caution", "reject"]
EndedBy = Literal["next", "damped", "noise", "file-end"]
Scalar = float | int | str | None
Parts = Mapping[str, float | None]


@dataclass(frozen=True, slots=True)
class Check:
    """One judgement of a recording: its code and severity, a plain sentence, the numbers, and the strums or times
    concerned.
    """

    code: str
    severity: Severity
    message: str
    strums: tuple[int, ...] = ()
    times_s: tuple[float, ...] = ()
    values: Mapping[str, Scalar] = field(default_factory=dict)


class Unmeasurable(Exception):
    """The recording can't be measured; the last of `checks` is the reason."""

    def __init__(self, checks: tuple[Check, ...]) -> None:
        super().__init__(checks[-1].message)
        self.checks = checks


@dataclass(frozen=True, slots=True)
class Strum:
    """One strum: times in s from the start of the file, quantities by key, bands by nominal frequency in Hz (dB re the
    octaves' total).

    `reasons` says of each quantity that is None why it is.
    """

    number: int
    onset_s: float
    end_s: float
    ended_by: EndedBy
    quantities: Parts
    octave_db: Parts
    third_octave_db: Parts
    band_decay_db_per_s: Parts
    reasons: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Summary:
    """A quantity over the strums of a take; `low` and `high` bound the 95 % interval of the mean (Student t), None
    below two values.
    """

    mean: float | None
    sd: float | None
    n: int
    low: float | None
    high: float | None
    min: float | None
    max: float | None


@dataclass(frozen=True, slots=True)
class AudioDescription:
    """The recording that was measured; `channel_used` counts from 1."""

    sample_rate_hz: int
    channels: int
    channel_used: int
    duration_s: float
    encoding: str
    container: str


@dataclass(frozen=True, slots=True)
class TakeMeasurement:
    """Everything measured of one take; `reasons` says why a quantity of the take or of its noise is None, by key.

    `traces` is what its pictures are drawn from, kept beside the document.
    """

    version: str
    settings: Mapping[str, Any]
    audio: AudioDescription
    checks: tuple[Check, ...]
    noise: Parts
    strums: tuple[Strum, ...]
    summary: Mapping[str, Summary | Mapping[str, Summary]]
    take_quantities: Parts
    traces: Traces = field(compare=False, repr=False)
    reasons: Mapping[str, str] = field(default_factory=dict)


def usable(checks: tuple[Check, ...]) -> bool:
    """Whether a take with these checks can carry a comparison: none of them rejects it."""
    return all(check.severity != "reject" for check in checks)


def check_document(check: Check) -> dict[str, Any]:
    """A check as JSON values; `strums` and `times_s` are always there."""
    return {
        "code": check.code,
        "severity": check.severity,
        "message": check.message,
        "strums": list(check.strums),
        "times_s": [round(time, 4) for time in check.times_s],
        "values": {name: plain(value) for name, value in check.values.items()},
    }


def to_document(measurement: TakeMeasurement) -> dict[str, Any]:
    """A measurement as JSON values: no NaN, no infinity, None where a value is undefined."""
    return {
        "version": measurement.version,
        "settings": dict(measurement.settings),
        "audio": {name: getattr(measurement.audio, name) for name in AudioDescription.__slots__},
        "checks": [check_document(check) for check in measurement.checks],
        "usable": usable(measurement.checks),
        "noise": _parts(measurement.noise),
        "strums": [_strum(strum) for strum in measurement.strums],
        "summary": {
            key: _summary(entry) if isinstance(entry, Summary) else {part: _summary(s) for part, s in entry.items()}
            for key, entry in measurement.summary.items()
        },
        "take_quantities": _parts(measurement.take_quantities),
        "reasons": dict(measurement.reasons),
    }


def plain(value: Scalar) -> Scalar:
    """A JSON value of a number: None for NaN and infinities, six significant digits more than any instrument has."""
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    return value


def _parts(parts: Mapping[str, float | None]) -> dict[str, Scalar]:
    return {key: plain(value) for key, value in parts.items()}


def _strum(strum: Strum) -> dict[str, Any]:
    return {
        "number": strum.number,
        "onset_s": plain(strum.onset_s),
        "end_s": plain(strum.end_s),
        "ended_by": strum.ended_by,
        "quantities": _parts(strum.quantities),
        "octave_db": _parts(strum.octave_db),
        "third_octave_db": _parts(strum.third_octave_db),
        "band_decay_db_per_s": _parts(strum.band_decay_db_per_s),
        "reasons": dict(strum.reasons),
    }


def _summary(summary: Summary) -> dict[str, Scalar]:
    return {name: plain(getattr(summary, name)) for name in Summary.__slots__}
