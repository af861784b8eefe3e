"""What was measured of one take, and the catalogues that explain it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Check:
    """One finding about a recording.

    Attributes
    ----------
    code : which check
    severity : note, caution or reject
    message : one sentence that says what was found and what to do
    strums : numbers of the strums concerned, from 1
    values : the figures behind it
    """

    code: str
    severity: str
    message: str
    strums: tuple[int, ...] = ()
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Strum:
    """One strum.

    Attributes
    ----------
    number : from 1
    onset_s, end_s : in the recording, s
    ended_by : next, damped, noise or file-end
    quantities : by key; None where not defined
    bands : band quantities by key, then by band (`octave_db` -> `63` -> level)
    reasons : why a value is None, by key; `octave_db_63` for a band
    """

    number: int
    onset_s: float
    end_s: float
    ended_by: str
    quantities: Mapping[str, float | None]
    bands: Mapping[str, Mapping[str, float | None]]
    reasons: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Measurement:
    """What was measured of one take.

    Attributes
    ----------
    reasons : why a quantity of the take or its noise is None, by key
    calibration : what millivolts rest on (chain, gain, full scale, uncertainty budget); None without one
    document : the whole of it as the service sent it
    """

    take: str
    made: str
    version: str
    usable: bool
    settings: Mapping[str, Any]
    audio: Mapping[str, Any]
    checks: tuple[Check, ...]
    noise: Mapping[str, Any]
    strums: tuple[Strum, ...]
    summary: Mapping[str, Any]
    take_quantities: Mapping[str, float | None]
    document: Mapping[str, Any] = field(repr=False)
    reasons: Mapping[str, str] = field(default_factory=dict)
    calibration: Mapping[str, Any] | None = None

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Measurement:
        """Read a measurement.

        Parameters
        ----------
        document : the JSON object

        Raises
        ------
        KeyError, TypeError, ValueError : not a measurement
        """
        return cls(
            take=str(document["take"]),
            made=str(document["made"]),
            version=str(document["version"]),
            usable=bool(document["usable"]),
            settings=document["settings"],
            audio=document["audio"],
            checks=tuple(_check(entry) for entry in document["checks"]),
            noise=document["noise"],
            strums=tuple(_strum(entry) for entry in document["strums"]),
            summary=document["summary"],
            take_quantities=document["take_quantities"],
            document=document,
            reasons=dict(document.get("reasons") or {}),
            calibration=document.get("calibration"),
        )


@dataclass(frozen=True)
class Quantity:
    """An entry of the catalogue of quantities.

    Attributes
    ----------
    key, name, unit : `rms_dbfs`, its name for people, `dBFS`
    of : strum, take or noise
    parts : bands of a quantity that has several values
    group : level, dynamics, sustain, tone or noise
    definition, source : what exactly it is, and after what
    more, less : words for the directions
    decimals : that are worth showing
    """

    key: str
    name: str
    unit: str
    of: str
    parts: tuple[str, ...]
    group: str
    definition: str
    source: str
    more: str
    less: str
    decimals: int

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Quantity:
        """Read an entry.

        Parameters
        ----------
        document : the JSON object
        """
        return cls(
            key=str(document["key"]),
            name=str(document["name"]),
            unit=str(document.get("unit") or ""),
            of=str(document.get("of") or ""),
            parts=tuple(str(part) for part in document.get("parts") or ()),
            group=str(document.get("group") or ""),
            definition=str(document.get("definition") or ""),
            source=str(document.get("source") or ""),
            more=str(document.get("more") or ""),
            less=str(document.get("less") or ""),
            decimals=int(document.get("decimals") or 0),
        )


@dataclass(frozen=True)
class CheckKind:
    """An entry of the catalogue of checks: what it is called, what it means, what to do."""

    code: str
    severities: tuple[str, ...]
    title: str
    meaning: str
    advice: str

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> CheckKind:
        """Read an entry.

        Parameters
        ----------
        document : the JSON object
        """
        return cls(
            code=str(document["code"]),
            severities=tuple(str(severity) for severity in document.get("severities") or ()),
            title=str(document.get("title") or ""),
            meaning=str(document.get("meaning") or ""),
            advice=str(document.get("advice") or ""),
        )


def _check(document: Mapping[str, Any]) -> Check:
    return Check(
        code=str(document["code"]),
        severity=str(document["severity"]),
        message=str(document["message"]),
        strums=tuple(int(number) for number in document.get("strums") or ()),
        values=dict(document.get("values") or {}),
    )


def _strum(document: Mapping[str, Any]) -> Strum:
    return Strum(
        number=int(document["number"]),
        onset_s=float(document["onset_s"]),
        end_s=float(document["end_s"]),
        ended_by=str(document["ended_by"]),
        quantities=document["quantities"],
        bands={
            key: value
            for key, value in document.items()
            if key not in ("quantities", "reasons") and isinstance(value, Mapping)
        },
        reasons=dict(document.get("reasons") or {}),
    )
