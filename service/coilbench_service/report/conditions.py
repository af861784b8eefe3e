"""How it was recorded: what all takes that count share, where it was stated, and what differed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from coilbench_service.conditions import CONDITIONS
from coilbench_service.field_labels import label_of
from coilbench_service.report.blocks import Block, Head, Paragraph, Section, Table
from coilbench_service.report.contents import Contents, TakeTold
from coilbench_service.writing import counted, listed, plain, some

SOURCES = {"takes": "the takes", "session": "the session's sheet", "pickup": "the pickup's sheet", "chain": "the chain"}
MOST_NAMES = 12
NOT_SAID = "not said"
MOVED = "gain-difference"
BY = {"tone": "by a recorded tone", "stated": "as stated"}
"""How a chain came by its full scale."""


def conditions(contents: Contents) -> Section:
    """What was the same and what was not."""
    return Section("conditions", "How it was recorded", tuple(_blocks(contents)))


def _blocks(contents: Contents) -> Iterator[Block]:
    sheet = contents.sheet
    if sheet is None:
        yield Paragraph("The session has no sheet; all that is known stands with its takes.")
    elif sheet.get("date"):
        yield Paragraph(f"Recorded on {sheet['date']}, as the session's sheet says.")
    told = contents.counting or contents.takes
    fields = _fields(told)
    same = [(field, values) for field in fields if len(values := _values(told, field)) == 1]
    differing = [(field, values) for field in fields if len(values := _values(told, field)) > 1]
    if same:
        rows = tuple((label_of(field), value, _stated(told, field)) for field, ((value, _),) in same)
        heads = (Head("Condition", width=0.8), Head("Value", width=1.4), Head("Stated by"))
        yield Table(f"The same in {counted(len(told), 'take')}", heads, rows)
    if differing:
        rows = tuple(
            (label_of(field), value, _whose(contents, takes)) for field, values in differing for value, takes in values
        )
        heads = (Head("Condition", width=0.8), Head("Value", width=1.2), Head("Takes", width=1.8))
        yield Table("What differed between takes", heads, rows)
    yield from _calibrations(told)
    unsaid = [
        label_of(field).lower() for field in ("strings", "pick", "input_gain_db", "player") if field not in fields
    ]
    if unsaid:
        yield Paragraph(
            f"Nobody said anything of {listed(unsaid)}. What was not said can't be seen to differ.", "caution"
        )


def _calibrations(told: Sequence[TakeTold]) -> Iterator[Block]:
    """What stands behind levels and voltages: full scale with its uncertainty."""
    found = [take.measurement["calibration"] for take in told if take.measurement is not None]
    each = dict.fromkeys(_calibration(one) for one in found if one is not None)
    if each:
        without = sum(one is None for one in found)
        rest = f" {counted(without, 'take has', 'takes have')} no calibration." if without else ""
        yield Paragraph(f"Calibration: {'; '.join(each)}.{rest}")
    elif found:
        yield Paragraph(
            "No take has a calibration: levels are re the full scale of the input and say nothing in volts."
        )


def _calibration(one: Mapping[str, Any]) -> str:
    how = (
        f"moved by {plain(one['moved_db'])} dB from another gain"
        if one["by"] == MOVED
        else BY.get(one["by"], one["by"])
    )
    return (
        f"full scale of the chain {one['chain']} at {plain(one['input_gain_db'])} dB is {one['full_scale_v_rms']:.4g} "
        f"V RMS, uncertain by {one['expanded_uncertainty_db']:.2f} dB (k = {one['coverage_factor']:g}); {how}"
    )


def _fields(told: Sequence[TakeTold]) -> list[str]:
    """Conditions of which some take says something."""
    own = {f"extra.{name}": None for one in told for name in one.take["described"].get("extra") or {}}
    known = [name for name in CONDITIONS if name != "session"]
    return [name for name in (*known, *own) if any(_value(one, name) is not None for one in told)]


def _value(one: TakeTold, field: str) -> object:
    described = one.take["described"]
    if field.startswith("extra."):
        return (described.get("extra") or {}).get(field.removeprefix("extra."))
    return described.get(field)


def _values(told: Sequence[TakeTold], field: str) -> list[tuple[str, list[TakeTold]]]:
    """Each value as text with the takes that have it."""
    found: dict[str, list[TakeTold]] = {}
    for one in told:
        value = _value(one, field)
        found.setdefault(NOT_SAID if value is None else plain(value), []).append(one)
    return list(found.items())


def _stated(told: Sequence[TakeTold], field: str) -> str:
    """Who said so: the takes themselves, or what they inherit from."""
    sources = dict.fromkeys(one.take["inherited"].get(field, "takes") for one in told)
    return listed(SOURCES[source] for source in sources)


def _whose(contents: Contents, takes: Sequence[TakeTold]) -> str:
    """The pickups whose takes all have a value, by key; single takes where they differ within a pickup."""
    told = contents.counting or contents.takes
    every: dict[str | None, int] = {}
    here: dict[str | None, list[TakeTold]] = {}
    for one in told:
        every[one.pickup] = every.get(one.pickup, 0) + 1
    for one in takes:
        here.setdefault(one.pickup, []).append(one)
    names: list[str] = []
    for pickup, found in here.items():
        if pickup is not None and len(found) == every[pickup]:
            names.append(pickup)
        else:
            names += [contents.named[one.id] for one in found]
    return some(names, MOST_NAMES)
