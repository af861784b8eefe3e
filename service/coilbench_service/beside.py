"""A pickup's model beside what was measured of it: how far treble lies above the middle, by model and in its takes.

The tilt is the mean of the treble octaves (4 and 8 kHz) less that of the middle ones (500 Hz to 2 kHz), in dB. So the
measured tilt is the model's plus that of all the rest: string, pick, place, magnet, eddy currents. Of two pickups that
the same hand played on the same strings, string and hand cancel in part, and the difference of their tilts is a fairer
test of the model.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from difflib import get_close_matches
from math import fsum, log10, sqrt
from typing import Any

import numpy as np
from sqlalchemy import Connection

from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.coil_view import answer
from coilbench_service.conditions import differing
from coilbench_service.evidence import Evidence, Party, every_pickup, gather
from coilbench_service.problems import FieldError, Problem
from coilbench_service.sheet_coil import Circuit, circuit_of
from coilbench_worker.coil.transfer import Transfer
from coilbench_worker.compare.comparison import ONE_TAKE, intervals
from coilbench_worker.compare.observations import Subject, TakeValues
from coilbench_worker.measure.bands import BALANCE, OCTAVES, Band
from coilbench_worker.measure.statistics import standard_deviation, student_t
from coilbench_worker.store import pickups

MIDDLE = OCTAVES[slice(*BALANCE["middle"])]
TREBLE = OCTAVES[slice(*BALANCE["treble"])]
TILT = "tilt_db"
POINTS = 24
"""Of the response within an octave, evenly on a logarithmic scale: more move no figure by 0.01 dB."""
OF_AVERAGING_DB = 0.5
"""A difference that says nothing: the model's octaves are averages over an even source, and real ones slope."""
LEAST_VALUES = 2
NOBODY = "No usable take of it was measured, so there is nothing to hold the model against."
NO_BANDS = "Its takes have no level in 4 kHz and the middle octaves, because of noise or a low sample rate."
ONE_STRUM = "There is one value only; an interval needs two."
PREAMP = "Its sheet says that it is active: a preamp stands between coil and output, and the model has none."
NO_EIGHT = "The octave at 8 kHz is missing in the takes (noise or a low sample rate): treble is that at 4 kHz alone."


@dataclass(frozen=True)
class _Side:
    """One pickup: what its model gives through its load (None with a reason), and its usable takes."""

    key: str
    transfer: Transfer | None
    withheld: str | None
    party: Party

    def model_db(self, bands: Sequence[Band]) -> float | None:
        if self.transfer is None:
            return None
        return fsum(_octave_db(self.transfer, band) for band in bands) / len(bands)


def modelled(bench: Bench, asked: Mapping[str, Any]) -> dict[str, Any]:
    """The electrical model's answer, with what was measured of the pickup beside it.

    Parameters
    ----------
    asked : a checked request

    Raises
    ------
    Problem : invalid-request, too-many-takes
    """
    if asked["pickup"] is None:
        return answer(asked)
    keys = [key for key in (asked["pickup"], asked["beside"]) if key is not None]
    with bench.database.read() as connection:
        sheets = {key: record.sheet for key, record in pickups.by_key(connection, set(keys)).items()}
        recorded = set(every_pickup(connection, asked["session"]))
        for field, key in zip(("pickup", "beside"), keys, strict=False):
            if key not in sheets and key not in recorded:
                raise _unknown(connection, field, key)
        there = {key: field for field, key in zip(("pickup", "beside"), keys, strict=False) if key in recorded}
        evidence = gather(connection, list(there), asked["session"], fields=list(there.values()))
    found = answer(asked, sheets.get(keys[0], {}))
    wire_ohm = found["wire"]["resistance_ohm"] if "wire" in found else None
    circuits = [circuit_of(asked["coil"], asked["load"], sheets.get(keys[0], {}), wire_ohm=wire_ohm, named=keys[0])]
    if asked["beside"] is not None:
        circuits.append(circuit_of(None, asked["load"], sheets.get(keys[1], {}), named=keys[1], field="beside"))
    parties = {party.key: party for party in evidence.parties}
    sides = [
        _side(key, circuit, sheets.get(key, {}), parties.get(key, Party(key, "pickup", ())))
        for key, circuit in zip(keys, circuits, strict=True)
    ]
    return found | {"beside": _beside(sides, evidence, asked["confidence"])}


def _side(key: str, circuit: Circuit, sheet: Mapping[str, Any], party: Party) -> _Side:
    if sheet.get("active"):
        return _Side(key, None, PREAMP, party)
    transfer = circuit.responses().string
    if transfer.silent:
        return _Side(key, None, "The volume pot is at 0, and nothing comes out.", party)
    return _Side(key, transfer, None, party)


def _beside(sides: Sequence[_Side], evidence: Evidence, confidence: float) -> dict[str, Any]:
    treble = _treble(sides)
    shown = [_side_view(side, treble, confidence) for side in sides]
    difference = _difference(sides, shown, treble, confidence) if len(sides) == 2 else None
    first, *others = (side.party for side in sides)
    conditions = list(differing(first, others)) if first.takes else []
    return {
        "confidence": confidence,
        "middle": [band.nominal for band in MIDDLE],
        "treble": [band.nominal for band in treble],
        "sides": shown,
        "difference": difference,
        "conditions": conditions,
        "left_out": [asdict(one) for one in evidence.left_out],
        "sentences": list(_sentences(shown, difference, conditions, treble, confidence)),
    }


def _treble(sides: Sequence[_Side]) -> Sequence[Band]:
    """Both octaves where every pickup that was measured has them, else the one at 4 kHz."""
    recorded = [side for side in sides if side.party.takes]
    whole = all(sum(map(len, _tilts(side.party, TREBLE))) >= LEAST_VALUES for side in recorded)
    return TREBLE if whole else TREBLE[:1]


def _tilts(party: Party, treble: Sequence[Band]) -> list[tuple[float, ...]]:
    """Treble over middle of every strum that has all octaves of it, take by take; takes without one are left out."""
    found = []
    for take in party.takes:
        values = []
        for strum in take.document["strums"]:
            above, below = ([strum["octave_db"].get(band.nominal) for band in bands] for bands in (treble, MIDDLE))
            if None not in above and None not in below:
                values.append(fsum(above) / len(above) - fsum(below) / len(below))
        if values:
            found.append(tuple(values))
    return found


def _side_view(side: _Side, treble: Sequence[Band], confidence: float) -> dict[str, Any]:
    takes = _tilts(side.party, treble)
    top_db, low_db = side.model_db(treble), side.model_db(MIDDLE)
    model_db = None if top_db is None or low_db is None else top_db - low_db
    found = _mean_and_interval(takes, confidence)
    without = None if takes else (NO_BANDS if side.party.takes else NOBODY)
    measured_db = found["measured_db"]
    return {
        "pickup": side.key,
        "model_db": model_db,
        **found,
        "rest_db": None if model_db is None or measured_db is None else measured_db - model_db,
        "takes": len(takes),
        "strums": sum(map(len, takes)),
        "octaves": [
            {
                "part": band.nominal,
                "model_db": None if side.transfer is None else _octave_db(side.transfer, band),
                "measured_db": _octave_mean(side.party, band),
            }
            for band in OCTAVES
        ],
        "withheld": " ".join(said for said in (side.withheld, without) if said) or None,
    }


def _mean_and_interval(takes: Sequence[Sequence[float]], confidence: float) -> dict[str, Any]:
    """Mean of take means; with several takes their scatter makes the interval, with one that of its strums."""
    if not takes:
        return {"measured_db": None, "low": None, "high": None, "assumes": None}
    means = [fsum(values) / len(values) for values in takes]
    mean = fsum(means) / len(means)
    values, assumes = (means, None) if len(means) > 1 else (list(takes[0]), ONE_TAKE)
    if len(values) < LEAST_VALUES:
        return {"measured_db": mean, "low": None, "high": None, "assumes": ONE_STRUM}
    half = student_t(len(values) - 1, confidence) * standard_deviation(values) / sqrt(len(values))
    return {"measured_db": mean, "low": mean - half, "high": mean + half, "assumes": assumes}


def _difference(
    sides: Sequence[_Side], shown: Sequence[Mapping[str, Any]], treble: Sequence[Band], confidence: float
) -> dict[str, Any]:
    subjects = [
        Subject(
            side.key,
            tuple(TakeValues(str(number), {TILT: values}) for number, values in enumerate(_tilts(side.party, treble))),
        )
        for side in sides
    ]
    (row,) = intervals(subjects[0], subjects[1:], [TILT], confidence=confidence)
    one, other = shown
    model_db = None
    if one["model_db"] is not None and other["model_db"] is not None:
        model_db = other["model_db"] - one["model_db"]
    within = None
    if model_db is not None and row.low is not None and row.high is not None:
        within = row.low <= model_db <= row.high
    withheld = [side["withheld"] and f"{side['pickup']}: {side['withheld']}" for side in shown]
    if row.withheld and not any(withheld):
        withheld.append(row.withheld[0].upper() + row.withheld[1:])
    return {
        "model_db": model_db,
        "measured_db": row.difference,
        "low": row.low,
        "high": row.high,
        "rest_db": None if model_db is None or row.difference is None else row.difference - model_db,
        "model_in_interval": within,
        "assumes": row.assumes,
        "withheld": " ".join(said for said in withheld if said) or None,
    }


def _octave_db(transfer: Transfer, band: Band) -> float:
    """Response in an octave, dB: the mean of its power, evenly on a logarithmic scale."""
    edges = np.geomspace(band.low_hz, band.high_hz, POINTS + 1)
    return 10.0 * log10(float(np.mean(transfer.magnitude(np.sqrt(edges[:-1] * edges[1:])) ** 2)))


def _octave_mean(party: Party, band: Band) -> float | None:
    """Mean level of an octave over take means, dB re all octaves."""
    means = []
    for take in party.takes:
        levels = (strum["octave_db"].get(band.nominal) for strum in take.document["strums"])
        known = [level for level in levels if level is not None]
        if known:
            means.append(fsum(known) / len(known))
    return fsum(means) / len(means) if means else None


def _sentences(
    shown: Sequence[Mapping[str, Any]],
    difference: Mapping[str, Any] | None,
    conditions: Sequence[Mapping[str, Any]],
    treble: Sequence[Band],
    confidence: float,
) -> Iterator[str]:
    for side in shown:
        if side["rest_db"] is not None:
            yield (
                f"{side['pickup']}: treble lies {_over(side['measured_db'])} the middle as measured"
                f"{_interval(side, confidence)}, {_over(side['model_db'])} it by coil and load alone. The other "
                f"{_signed(side['rest_db'])} dB are string, pick, place, magnet and eddy currents together; which of "
                "them, these takes can't tell."
            )
        elif side["withheld"]:
            yield f"{side['pickup']}: {side['withheld']}"
    if len(treble) < len(TREBLE) and any(side["strums"] for side in shown):
        yield NO_EIGHT
    if difference is None:
        return
    if difference["rest_db"] is None or difference["model_in_interval"] is None:
        yield f"The two can't be held against each other: {difference['withheld'] or 'one of them lacks a number.'}"
        return
    rest_db = difference["rest_db"]
    yield (
        f"From {shown[0]['pickup']} to {shown[1]['pickup']} treble over middle changes by "
        f"{_signed(difference['measured_db'])} dB as measured{_interval(difference, confidence)} and by "
        f"{_signed(difference['model_db'])} dB by coil and load. String and hand cancel here in part."
    )
    enough = (
        "coil and load are enough to explain what was measured, which does not show that nothing else plays a part."
    )
    apart = not difference["model_in_interval"] and abs(rest_db) >= OF_AVERAGING_DB
    if difference["model_in_interval"]:
        yield f"The interval holds the model's figure: {enough}"
    elif not apart:
        yield f"The two are {abs(rest_db):.1f} dB apart, no more than averaging over octaves may do: {enough}"
    else:
        yield (
            f"The interval does not hold the model's figure: {_signed(rest_db)} dB come from something else, such as "
            "the place of the pickup, pick or string, magnet, eddy currents, or a sheet or load that is not as stated."
        )
    if conditions:
        named = ", ".join(dict.fromkeys(str(one["field"]) for one in conditions))
        yield f"Conditions that differ too{', and may be the reason' if apart else ''}: {named}."


def _signed(level_db: float) -> str:
    return f"{round(level_db, 1) + 0.0:+.1f}"


def _over(level_db: float) -> str:
    return f"{abs(level_db):.1f} dB {'above' if level_db >= 0 else 'below'}"


def _interval(view: Mapping[str, Any], confidence: float) -> str:
    if view["low"] is None:
        return " (no interval)"
    return f" ({100 * confidence:g} %: {_signed(view['low'])} to {_signed(view['high'])})"


def _unknown(connection: Connection, field: str, key: str) -> Problem:
    near = get_close_matches(key, every_pickup(connection), n=3)
    detail = f"There is no sheet of the pickup {key!r:.120}, and no measured take names it."
    if near:
        detail += f" Near: {', '.join(near)}."
    return Problem(kinds.INVALID_REQUEST, detail, errors=[FieldError(field, "no sheet and no measured take has it")])
