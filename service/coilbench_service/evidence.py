"""What a question about pickups or takes rests on: usable takes with their values, and those left out with the reason.

One state of the database for the whole question. Levels stand on the reference of the baseline's first take.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from sqlalchemy import Connection

from coilbench_service import problem_kinds as kinds
from coilbench_service.calibrations import Calibrations
from coilbench_service.inheritance import Inheritance
from coilbench_service.measurement_view import measurement_view
from coilbench_service.problems import FieldError, Problem
from coilbench_worker.compare.gains import moved, tie
from coilbench_worker.compare.observations import Subject, TakeValues, Tie
from coilbench_worker.measure.calibration import CalibrationState
from coilbench_worker.measure.catalogue import QUANTITIES, Quantity
from coilbench_worker.store import measurements, takes
from coilbench_worker.store.measurements import MeasurementRecord
from coilbench_worker.store.states import FAILED, REJECTED
from coilbench_worker.store.takes import TakeFilter, TakeRecord

LEVEL_UNITS = ("dBFS", "dBTP", "LUFS", "dBFS(A)")
"""Quantities in these stand re full scale, and only compare at one gain."""
MOST_TAKES = 2000
EQUAL_LOUDNESS = "@loudness"
"""Ending of the column of a band at equal loudness: level of the band re the loudness of its strum."""
TWO_CALIBRATIONS = "it rests on two calibrations; ask for rms_dbfs, which carries their uncertainty in dB"
BANDS = ("octave_db", "third_octave_db")


@dataclass(frozen=True)
class LeftOut:
    """A take that takes no part, and why: one plain sentence."""

    take: str
    subject: str
    reason: str


@dataclass(frozen=True)
class Witness:
    """One usable take: what it was described as, what it falls under, what was measured."""

    id: str
    about: dict[str, Any]
    state: CalibrationState
    document: dict[str, Any]


@dataclass(frozen=True)
class Party:
    """One side of a question: a pickup or a single take, with its usable takes."""

    key: str
    kind: str
    takes: tuple[Witness, ...]


@dataclass
class Evidence:
    """All sides of a question, in the order asked; `ties` says how levels of two hang together."""

    parties: list[Party]
    left_out: list[LeftOut]
    _ties: dict[tuple[str, str], Tie] = field(default_factory=dict)

    def subject(self, party: Party, reference: Witness) -> Subject:
        """A side with its values, levels moved to the full scale of the reference take where that can be done."""
        return Subject(party.key, tuple(_values(take, reference) for take in party.takes))

    def ties(self, first: str, second: str, quantity: str) -> Tie:
        """The tie of two sides in a column."""
        if quantity not in _LEVELS and quantity not in _VOLTAGES:
            return Tie()
        pair = (first, second) if first < second else (second, first)
        if pair not in self._ties:
            by_key = {party.key: party for party in self.parties}
            one, two = ([take.state for take in by_key[key].takes] for key in pair)
            self._ties[pair] = tie(one, two) if one and two else Tie()
        found = self._ties[pair]
        if quantity in _VOLTAGES and not found.withheld and found.standard_uncertainty > 0.0:
            return Tie(withheld=TWO_CALIBRATIONS)
        return found


def gather(connection: Connection, keys: Sequence[str], session: str | None = None) -> Evidence:
    """The takes of pickups, and single takes.

    Parameters
    ----------
    connection : of `Database.read()`
    keys : of pickups, or ids of takes, each once
    session : only takes of this session; single takes are what they are

    Raises
    ------
    Problem : subject-unknown, too-many-takes
    """
    single = {take.id: take for take in takes.each(connection, TakeFilter(id=tuple(keys)))}
    calibrations = Calibrations(connection)
    inheritance = Inheritance(connection)
    evidence = Evidence([], [])
    seen = 0
    for number, key in enumerate(keys):
        chosen = TakeFilter(id=(key,)) if key in single else TakeFilter(pickup=key, session=session)
        found = list(_measured(connection, chosen))
        seen += len(found)
        if not found:
            raise _unknown(connection, number, key, session)
        if seen > MOST_TAKES:
            detail = f"More than {MOST_TAKES} takes would be compared."
            raise Problem(kinds.TOO_MANY_TAKES, detail, errors=[FieldError("others", f"at most {MOST_TAKES} takes")])
        witnesses: list[Witness] = []
        hashes: dict[str, str] = {}
        for take, measurement in found:
            about = inheritance.about(take.about)
            state = calibrations.of(about)
            document = measurement_view(take, measurement, about, state) if measurement is not None else None
            reason = _unfit(take, document, hashes)
            if reason is not None or document is None:
                evidence.left_out.append(LeftOut(take.id, key, reason or "it has not been measured yet"))
            else:
                hashes[take.sha256] = take.id
                witnesses.append(Witness(take.id, about, state, document))
        evidence.parties.append(Party(key, "take" if key in single else "pickup", tuple(witnesses)))
    return evidence


def every_pickup(connection: Connection, session: str | None = None) -> list[str]:
    """Keys of all pickups that measured takes name, in the order of the alphabet."""
    chosen = TakeFilter(state=("measured",), session=session)
    found = {take.about.get("pickup") for take in takes.each(connection, chosen)}
    return sorted(key for key in found if key)


def _measured(connection: Connection, chosen: TakeFilter) -> Iterator[tuple[TakeRecord, MeasurementRecord | None]]:
    return measurements.each_with_take(connection, chosen)


def _unfit(take: TakeRecord, document: Mapping[str, Any] | None, hashes: Mapping[str, str]) -> str | None:
    """Why a take takes no part; None when it does."""
    problem = take.problem or {}
    if take.state in (REJECTED, FAILED):
        return f"it was {take.state}: {problem.get('detail') or problem.get('title') or 'no reason was kept'}"
    if document is None:
        return "it has not been measured yet"
    if not document["usable"]:
        said = (check["message"] for check in document["checks"] if check["severity"] == "reject")
        return "it can't carry a comparison: " + " ".join(said)
    if take.sha256 in hashes:
        return f"it is the same recording as the take {hashes[take.sha256]}"
    return None


def _unknown(connection: Connection, number: int, key: str, session: str | None) -> Problem:
    near = get_close_matches(key, every_pickup(connection), n=3)
    where = f" in the session {session!r}" if session is not None else ""
    detail = f"No take{where} names the pickup {key!r:.120}, and there is no take of that id."
    if near:
        detail += f" Near: {', '.join(near)}."
    name = "baseline" if number == 0 else f"others.{number - 1}"
    return Problem(kinds.SUBJECT_UNKNOWN, detail, errors=[FieldError(name, "no such pickup or take")])


def _values(take: Witness, reference: Witness) -> TakeValues:
    shift_db = moved(take.state, reference.state).shift_db
    found: dict[str, tuple[float, ...]] = {}
    strums = take.document["strums"]
    for quantity in QUANTITIES:
        for column, part in zip(quantity.columns(), quantity.parts or (None,), strict=True):
            if quantity.of == "strum":
                values = [_part(strum, quantity, part) for strum in strums]
            else:
                source = take.document["take_quantities" if quantity.of == "take" else "noise"]
                values = [source.get(quantity.key)]
            known = tuple(float(value) for value in values if value is not None)
            found[column] = tuple(value + shift_db for value in known) if quantity.unit in LEVEL_UNITS else known
            if quantity.key in BANDS:
                found[column + EQUAL_LOUDNESS] = tuple(_at_equal_loudness(strums, quantity.key, part))
    return TakeValues(take.id, found)


def _part(strum: Mapping[str, Any], quantity: Quantity, part: str | None) -> float | None:
    value: float | None = strum["quantities"].get(quantity.key) if part is None else strum[quantity.key].get(part)
    return value


def _at_equal_loudness(strums: Iterable[Mapping[str, Any]], key: str, part: str | None) -> Iterator[float]:
    """Level of a band of each strum over the strum's loudness, dB."""
    for strum in strums:
        band, rms = strum[key].get(part), strum["quantities"].get("rms_dbfs")
        loudness = strum["quantities"].get("loudness_lufs")
        if None not in (band, rms, loudness):
            yield band + rms - loudness


_LEVELS = {column for quantity in QUANTITIES if quantity.unit in LEVEL_UNITS for column in quantity.columns()}
_VOLTAGES = {quantity.key for quantity in QUANTITIES if quantity.unit == "mV"}
