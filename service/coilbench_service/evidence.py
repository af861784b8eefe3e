"""What a question about pickups or takes rests on: usable takes with their values, and those left out with the reason.

One state of the database for the whole question. Levels stand on the full scale of one take of reference; a take whose
gain does not hang together with it has no levels, and everything else.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cached_property
from typing import Any, TypeVar

from sqlalchemy import Connection

from coilbench_service import problem_kinds as kinds
from coilbench_service.calibrations import Calibrations
from coilbench_service.inheritance import Inheritance
from coilbench_service.measurement_view import measurement_view
from coilbench_service.problems import FieldError, Problem
from coilbench_worker.compare.columns import FULL_SCALE_UNITS
from coilbench_worker.compare.gains import moved, tie
from coilbench_worker.compare.observations import Subject, TakeValues, Tie
from coilbench_worker.measure.calibration import CalibrationState
from coilbench_worker.measure.catalogue import QUANTITIES, Quantity
from coilbench_worker.store import measurements, sessions, takes
from coilbench_worker.store.measurements import MeasurementRecord
from coilbench_worker.store.states import FAILED, MEASURED, REJECTED
from coilbench_worker.store.takes import TakeFilter, TakeRecord

MOST_TAKES = 2000
"""That one question may rest on: their measurements are in memory together."""
EQUAL_LOUDNESS = "@loudness"
"""Ending of the column of a band at equal loudness: level of the band re the loudness of its strum."""
TWO_CALIBRATIONS = "it rests on two calibrations; ask for rms_dbfs, which carries their uncertainty in dB"
SHARED = "both sides hold the same recording ({}, and {}); delete one of the two takes, or describe it anew"
SAME_TAKE = "both sides hold the same take ({})"
NOT_YET = "it has not been measured yet"
OLDER_COPY = "it is an older copy of a recording that takes part"
BANDS = ("octave_db", "third_octave_db")
LEVELS = {column for quantity in QUANTITIES if quantity.unit in FULL_SCALE_UNITS for column in quantity.columns()}
"""Columns of levels re full scale."""
VOLTAGES = {quantity.key for quantity in QUANTITIES if quantity.unit == "mV"}
Kept = TypeVar("Kept")


@dataclass(frozen=True)
class LeftOut:
    """A take that takes no part, and why: one plain sentence."""

    take: str
    subject: str
    reason: str


@dataclass(frozen=True)
class Witness:
    """One usable take: the description that holds for it, the date of its session, its calibration, its measurement."""

    id: str
    sha256: str
    about: dict[str, Any]
    date: str | None
    state: CalibrationState
    document: dict[str, Any]

    @property
    def called(self) -> str:
        """Its label, else its id."""
        return self.about.get("label") or self.id


@dataclass(frozen=True)
class Party:
    """One side of a question: a pickup or a single take, with its usable takes."""

    key: str
    kind: str
    takes: tuple[Witness, ...]


@dataclass(frozen=True)
class Evidence:
    """All sides of a question, in the order asked; `ties` says how levels of two hang together."""

    parties: tuple[Party, ...]
    left_out: tuple[LeftOut, ...]
    _ties: dict[tuple[int, int], Tie] = field(default_factory=dict)

    @cached_property
    def _by_key(self) -> dict[str, Party]:
        return {party.key: party for party in self.parties}

    @cached_property
    def _recordings(self) -> dict[str, dict[str, Witness]]:
        """The takes of each side by the hash of their recordings."""
        return {party.key: {take.sha256: take for take in party.takes} for party in self.parties}

    @cached_property
    def _gains(self) -> dict[str, int]:
        """A number for each side, the same where calibrations are: what ties it to others is then the same too."""
        numbers: dict[tuple[CalibrationState, ...], int] = {}
        return {
            party.key: numbers.setdefault(tuple(take.state for take in party.takes), len(numbers))
            for party in self.parties
        }

    def subject(self, party: Party, reference: Witness) -> Subject:
        """A side with its values, levels moved to the full scale of the reference take; without them where they can't
        be.
        """
        return Subject(party.key, tuple(values_of(take, reference) for take in party.takes))

    def ties(self, first: str, second: str, quantity: str) -> Tie:
        """The tie of two sides in a column."""
        shared = _shared(self._recordings[first], self._recordings[second]) if first != second else None
        if shared is not None:
            return Tie(withheld=shared)
        if quantity not in LEVELS and quantity not in VOLTAGES:
            return Tie()
        one, two = sorted((first, second))
        pair = (self._gains[one], self._gains[two])
        if pair not in self._ties:
            states = [[take.state for take in self._by_key[key].takes] for key in (one, two)]
            self._ties[pair] = tie(*states) if all(states) else Tie()
        found = self._ties[pair]
        if quantity in VOLTAGES and not found.withheld and found.standard_uncertainty > 0.0:
            return Tie(withheld=TWO_CALIBRATIONS)
        return found

    def usable(self) -> list[Party]:
        """The sides that have a usable take.

        Raises
        ------
        Problem : nothing-to-compare, with the reason of every take, where none has
        """
        found = [party for party in self.parties if party.takes]
        if not found:
            raise self.nothing("There is no usable take of any of the pickups.", self.left_out)
        return found

    def nothing(self, detail: str, left_out: Sequence[LeftOut]) -> Problem:
        """The problem that no take can be used, with the reason of each and what to do about these."""
        advice = None
        if not left_out:
            advice = "Send takes that name a pickup first."
        elif any(one.reason == NOT_YET for one in left_out):
            advice = "Wait until the takes are measured, and ask again."
        faults = [FieldError(f"takes.{one.take}", one.reason) for one in left_out]
        return Problem(kinds.NOTHING_TO_COMPARE, detail, errors=faults, advice=advice)

    def loose(self, party: Party, reference: Witness) -> str | None:
        """Why some take of a side goes without its levels; None where all have them."""
        reasons = (moved(take.state, reference.state).withheld for take in party.takes)
        return next((reason for reason in reasons if reason), None)


def gather(
    connection: Connection, keys: Sequence[str], session: str | None = None, *, fields: Sequence[str]
) -> Evidence:
    """The takes of pickups, and single takes.

    Parameters
    ----------
    connection : of `Database.read()`
    keys : of pickups, or ids of takes, each once
    session : only takes of this session; single takes are what they are
    fields : of the request, where each key stands, for what is at fault with it

    Raises
    ------
    Problem : subject-unknown, too-many-takes
    """
    single = {take.id for take in takes.each(connection, TakeFilter(id=tuple(keys)))} if keys else set()
    choices = [TakeFilter(id=(key,)) if key in single else TakeFilter(pickup=key, session=session) for key in keys]
    counts = [takes.count(connection, chosen) for chosen in choices]
    for key, field_name, number in zip(keys, fields, counts, strict=True):
        if number == 0:
            raise _unknown(connection, field_name, key, session)
    if sum(counts) > MOST_TAKES:
        detail = f"{sum(counts)} takes would be read; at most {MOST_TAKES} are."
        raise Problem(kinds.TOO_MANY_TAKES, detail, errors=[FieldError(fields[-1], f"at most {MOST_TAKES} takes")])
    parties: list[Party] = []
    left_out: list[LeftOut] = []
    reader = Reader(connection)
    for key, chosen in zip(keys, choices, strict=True):
        found, without = reader.taking_part(key, chosen, lambda witness: witness)
        left_out += without
        parties.append(Party(key, "take" if key in single else "pickup", tuple(found)))
    return Evidence(tuple(parties), tuple(left_out))


class Reader:
    """Takes with what holds for them, by one state of sheets and chains; which of them take part is said here alone."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self.calibrations = Calibrations(connection)
        self._inheritance = Inheritance(connection)
        self._dates = {key: one.sheet.get("date") for key, one in sessions.by_key(connection).items()}

    def taking_part(
        self, subject: str, chosen: TakeFilter, keep: Callable[[Witness], Kept]
    ) -> tuple[list[Kept], list[LeftOut]]:
        """What is kept of each take that takes part, read by pages, and those left out with the reason.

        Parameters
        ----------
        subject : whose takes these are
        chosen : the takes
        keep : what to keep of a usable take, so that not all measurements are in memory together
        """
        newest: dict[str, tuple[str, Kept]] = {}
        left_out: list[LeftOut] = []
        for take, measurement in measurements.each_with_take(self._connection, chosen):
            found = self.witness(take, measurement)
            if isinstance(found, str):
                left_out.append(LeftOut(take.id, subject, found))
                continue
            older = newest.pop(found.sha256, None)
            if older is not None:
                left_out.append(LeftOut(older[0], subject, OLDER_COPY))
            newest[found.sha256] = (found.id, keep(found))
        return [kept for _, kept in newest.values()], left_out

    def witness(self, take: TakeRecord, measurement: MeasurementRecord | None) -> Witness | str:
        """The take, or one plain sentence why it takes no part."""
        problem = take.problem or {}
        if take.state in (REJECTED, FAILED):
            return f"it was {take.state}: {problem.get('detail') or problem.get('title') or 'no reason was kept'}"
        if measurement is None:
            return NOT_YET
        about = self._inheritance.about(take.about)
        state = self.calibrations.of(about)
        document = measurement_view(take, measurement, about, state)
        if not document["usable"]:
            said = (check["message"] for check in document["checks"] if check["severity"] == "reject")
            return "it can't carry a comparison: " + " ".join(said)
        return Witness(take.id, take.sha256, about, self._dates.get(about.get("session", "")), state, document)


def every_pickup(connection: Connection, session: str | None = None) -> list[str]:
    """Keys of all pickups that measured takes name, in the order of the alphabet."""
    named = takes.pickups_of(connection, TakeFilter(state=(MEASURED,), session=session))
    return sorted(key for key in named if key)


def _shared(one: Mapping[str, Witness], two: Mapping[str, Witness]) -> str | None:
    """What is to be said of a recording that both sides hold; None where they hold none.

    Parameters
    ----------
    one, two : takes of a side by the hash of their recordings
    """
    if one.keys().isdisjoint(two):
        return None
    take, other = next((take, two[sha256]) for sha256, take in one.items() if sha256 in two)
    return SAME_TAKE.format(take.called) if take.id == other.id else SHARED.format(take.called, other.called)


def _unknown(connection: Connection, name: str, key: str, session: str | None) -> Problem:
    near = get_close_matches(key, every_pickup(connection), n=3)
    where = f" in the session {session!r}" if session is not None else ""
    detail = f"No take{where} names the pickup {key!r:.120}, and there is no take of that id."
    if near:
        detail += f" Near: {', '.join(near)}."
    return Problem(kinds.SUBJECT_UNKNOWN, detail, errors=[FieldError(name, "no such pickup or take")])


def values_of(take: Witness, reference: Witness, only: Collection[str] | None = None) -> TakeValues:
    """The columns of a take, levels moved to the full scale of the reference; none where they can't be.

    Parameters
    ----------
    only : flat keys of those wanted, which equal loudness is not among; None: all
    """
    shift = moved(take.state, reference.state)
    found: dict[str, tuple[float, ...]] = {}
    strums = take.document["strums"]
    for quantity in QUANTITIES:
        for column, part in zip(quantity.columns(), quantity.parts or (None,), strict=True):
            if only is not None and column not in only:
                continue
            if quantity.of == "strum":
                values = [_part(strum, quantity, part) for strum in strums]
            else:
                source = take.document["take_quantities" if quantity.of == "take" else "noise"]
                values = [source.get(quantity.key)]
            known = tuple(float(value) for value in values if value is not None)
            if column in LEVELS:
                known = () if shift.withheld else tuple(value + shift.shift_db for value in known)
            found[column] = known
            if only is None and quantity.key in BANDS:
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
