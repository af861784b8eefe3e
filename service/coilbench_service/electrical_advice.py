"""Which way to go electrically where no pickup fits a wish: what the model of coil and load says, and no more."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import fsum, inf, sqrt
from typing import Any

from coilbench_service.electrical_ways import LEVEL, PREDICTED, Circuit, Way, ways
from coilbench_worker.coil.circuit import Coil
from coilbench_worker.coil.limits import EDDY, EVERY_TURN_ALIKE
from coilbench_worker.compare.choice import Candidate, Choice, Wish
from coilbench_worker.compare.columns import column, in_a_sentence

NEEDED = {"inductance_h": "inductance", "dcr_ohm": "resistance", "capacitance_pf": "capacitance"}
SHOWN = 3
"""Ways told of, the best first."""
LEAST_STEPS = 0.25
"""A way that brings a wish closer by less than this, in steps of an ear, is not worth a soldering iron."""
PICO = 1e-12
BASIS = "These are figures of a model, reckoned on the measured octaves; nothing of them was recorded."


@dataclass(frozen=True)
class Start:
    """A pickup that could be altered: its sheet, its measured octaves (dB re their total, by nominal frequency), and
    how it differs from the reference so far, by column; the reference itself differs by nothing.
    """

    pickup: str
    sheet: Mapping[str, Any]
    octaves_db: Mapping[str, float]
    changes: Mapping[str, float]


@dataclass(frozen=True)
class LoadStated:
    """What the pickup works into, as far as it is said; the rest is the sheet's, or common practice."""

    volume_ohm: float | None = None
    tone_ohm: float | None = None
    input_ohm: float | None = None
    cable_f: float | None = None


def starts(choice: Choice, reference: Start, others: Mapping[str, Start]) -> tuple[Start, ...]:
    """Where to start from: the candidate that comes closest, or else the reference."""
    closest = [one.key for one in choice.ranking if one.place is not None]
    found = [others[key] for key in closest[:1] if key in others]
    return (*found, reference)


def changes_of(candidate: Candidate) -> dict[str, float]:
    """What is known of how a candidate differs from the reference, by column."""
    return {item.quantity: item.change for item in candidate.items if item.change is not None}


def advice(wishes: Sequence[Wish], tried: Sequence[Start], load: LoadStated) -> tuple[str, ...]:
    """Sentences: where to start from, ways that bring the wish closer by the model, its limits; or what is missing.

    Parameters
    ----------
    wishes : that no candidate fulfils
    tried : where to start from, the best first; the first whose sheet has a coil is taken. Where the very first has all
        that the model could move, there is nothing to advise
    load : what is said of pots, input and cable
    """
    touched = [wish for wish in wishes if wish.quantity in PREDICTED]
    rest = [in_a_sentence(column(wish.quantity).name) for wish in wishes if wish.quantity not in PREDICTED]
    silent = (f"Of {', '.join(rest)} the model of coil and load says nothing.",) if rest else ()
    if not any(_missed(wish, tried[0]) for wish in touched):
        return silent
    why: list[str] = []
    for start in tried:
        reason = _unfit(start, touched)
        if reason is None:
            instead = (f"{'; '.join(why)}: the model starts from {start.pickup} instead.",) if why else ()
            return (*instead, *_from(start, touched, load), *silent)
        why.append(reason)
    return (f"The electrical model can't say which way to go: {'; '.join(dict.fromkeys(why))}.", *silent)


def _missed(wish: Wish, start: Start) -> bool:
    """Whether the wish is still open; what was not measured is."""
    least, most = wish.fulfilled_from_to()
    change = start.changes.get(wish.quantity)
    return change is None or not least <= change <= most


def _unfit(start: Start, wishes: Sequence[Wish]) -> str | None:
    """Why the model says nothing of a pickup; None where it does."""
    if start.sheet.get("active"):
        return f"{start.pickup} has a preamp between coil and load, which the model does not know"
    missing = [name for field, name in NEEDED.items() if not start.sheet.get(field)]
    if missing:
        return f"the sheet of {start.pickup} gives no {' and no '.join(missing)}"
    if not start.octaves_db or any(wish.quantity not in start.changes for wish in wishes):
        return f"not all that is wished for was measured of {start.pickup}"
    return None


def _from(start: Start, wishes: Sequence[Wish], load: LoadStated) -> Iterator[str]:
    circuit = _circuit(start.sheet, load)
    before = _steps(wishes, start.changes, {})
    found = [(_steps(wishes, start.changes, way.changes), way) for way in ways(circuit, start.octaves_db)]
    better = sorted((one for one in found if one[0] < before - LEAST_STEPS), key=lambda one: one[0])
    yield f"Starting from {start.pickup} ({circuit.in_words()}), by the model:"
    if not better:
        tried = ", ".join(way.what for _, way in found)
        yield f"None of these brings the wish closer by a quarter of a step that an ear can tell: {tried}."
    for after, way in better[:SHOWN]:
        what = way.what[0].upper() + way.what[1:]
        yield f"{what}: {_moves(way, wishes)}; misses by {after:.1f} steps of an ear, not {before:.1f}."
    yield BASIS
    yield EDDY
    if any("turns" in way.what for _, way in better[:SHOWN]):
        yield EVERY_TURN_ALIKE


def _steps(wishes: Sequence[Wish], now: Mapping[str, float], further: Mapping[str, float]) -> float:
    """Total miss in steps of an ear, of the wishes that the model can move; infinite where one can't be reckoned."""
    parts = []
    for wish in wishes:
        if further and wish.quantity not in further:
            return inf
        missed = wish.missed_by(now[wish.quantity] + further.get(wish.quantity, 0.0))
        parts.append((missed / wish.ear_step) ** 2)
    return sqrt(fsum(parts))


def _moves(way: Way, wishes: Sequence[Wish]) -> str:
    """What a way does to level and treble, and to all that is wished for."""
    shown = dict.fromkeys((LEVEL, "treble_db", *(wish.quantity for wish in wishes)))
    return ", ".join(
        f"{in_a_sentence(column(key).name)} {way.changes[key] + 0.0:+.1f} dB" for key in shown if key in way.changes
    )


def _circuit(sheet: Mapping[str, Any], load: LoadStated) -> Circuit:
    stated = {
        "volume_ohm": load.volume_ohm or sheet.get("volume_pot_ohm"),
        "tone_ohm": load.tone_ohm or sheet.get("tone_pot_ohm"),
        "input_ohm": load.input_ohm,
        "cable_f": load.cable_f,
    }
    coil = Coil(sheet["inductance_h"], sheet["capacitance_pf"] * PICO, sheet["dcr_ohm"])
    return Circuit(coil, **{name: value for name, value in stated.items() if value is not None})
