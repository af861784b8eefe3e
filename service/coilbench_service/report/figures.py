"""The figures: the pickups at a glance, then quantity by quantity with spread, intervals, differences and verdicts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from coilbench_service.report.blocks import Block, Bullets, Head, Paragraph, Part, Section, Table
from coilbench_service.report.contents import Contents
from coilbench_service.table.columns import UNCERTAINTY
from coilbench_service.writing import NOTHING, capital, figure, interval, listed, plain, said, signed
from coilbench_worker.compare.columns import Column, column

AT_A_TIME = 8
"""Quantities side by side at a glance: more do not fit a page."""
SHEET = (
    ("name", "Name", None),
    ("construction", "Construction", None),
    ("active", "Battery-powered", None),
    ("magnet", "Magnet", None),
    ("dcr_ohm", "DC resistance, kohm", 1000.0),
    ("turns", "Turns", 1.0),
    ("inductance_h", "Inductance, H", 1.0),
    ("rated_output_mv", "Rated output, mV", 1.0),
)
"""What is shown of a data sheet: field, head, and for numbers what it is divided by."""
MOST_IN_WORDS = 3
"""Differences of a quantity that are told one by one."""
NOT_SHOWN = "no difference shown"

Row = Mapping[str, Any]


def glance(contents: Contents) -> Section:
    """Means of all quantities side by side, and what the data sheets say."""
    return Section("glance", "The pickups at a glance", tuple(_glance(contents)))


def figures(contents: Contents) -> Section:
    """A table for every quantity."""
    intro = []
    if contents.comparison is not None:
        intro.append(Paragraph(_intro(contents.comparison)))
    parts = tuple(Part(_titled(key), tuple(_of_quantity(contents, key))) for key in contents.quantities)
    return Section(
        "figures", "Figure by figure", tuple(intro), parts if any(row["takes"] for row in contents.rows) else ()
    )


def _intro(comparison: Mapping[str, Any]) -> str:
    """What stands in each table, by how the comparison was made."""
    if any(len(one["takes"]) > 1 for one in comparison["subjects"]):
        own = (
            "the mean of the takes of a pickup, how far take means scatter (sd), and the 95 % interval of that mean "
            "from its own takes (of a pickup with one take, from its strums)"
        )
        how = "for which the scatter of all pickups is taken together"
    else:
        own = "the mean of the take of a pickup and the 95 % interval of that mean from its strums"
        how = "for which the strums of both takes count"
    return (
        f"Each table has {own}; beside it the difference from {comparison['baseline']} with interval and verdict of "
        f"the comparison, {how}. Figures are rounded last: a difference may be one digit off that of the means beside "
        "it."
    )


def _titled(key: str) -> str:
    meant = column(key)
    return f"{meant.name} ({meant.quantity.unit})" if meant.quantity.unit else meant.name


def _glance(contents: Contents) -> Iterator[Block]:
    counting = [row for row in contents.rows if row["takes"]]
    if not counting:
        yield Paragraph("No pickup has a take that counts.")
    keys = contents.quantities
    for start in range(0, len(keys) if counting else 0, AT_A_TIME):
        some = [column(key) for key in keys[start : start + AT_A_TIME]]
        heads = (
            Head("Pickup", width=1.7),
            Head("Takes", number=True, width=0.7),
            Head("Strums", number=True, width=0.8),
            *(Head(f"{one.name}, {one.quantity.unit}", number=True) for one in some),
        )
        rows = tuple(
            (
                row["pickup"],
                str(row["takes"]),
                str(row["strums"]),
                *(figure(row.get(one.key), one.quantity.decimals) for one in some),
            )
            for row in counting
        )
        yield Table("Means over takes", heads, rows)
    if contents.level_reference is not None and any(_level(column(key)) for key in keys):
        gain = next((row["levels_at_gain_db"] for row in counting if row.get("levels_at_gain_db") is not None), None)
        first = f"that of the first take of {contents.level_reference}"
        text = f"Levels read as at one input gain, {first}."
        if gain is not None:
            text = f"Levels read as at an input gain of {figure(gain, 1)} dB, {first}."
        assumed = dict.fromkeys(row["assumes"] for row in counting if row.get("assumes"))
        yield Paragraph(" ".join([text, *(f"Taken on trust: {one}." for one in assumed)]), "small")
    if contents.sheets:
        yield _sheets(contents)


def _level(meant: Column) -> bool:
    return meant.quantity.group == "level"


def _sheets(contents: Contents) -> Table:
    """The data sheets, fields that any of them states."""
    shown = [one for one in SHEET if any(sheet.get(one[0]) is not None for sheet in contents.sheets.values())]
    rows = []
    for key, sheet in sorted(contents.sheets.items()):
        rows.append((key, *(_of_sheet(sheet.get(name), divisor) for name, _, divisor in shown)))
    heads = tuple(Head(head, number=divisor is not None) for _, head, divisor in shown)
    return Table("What the data sheets say", (Head("Pickup", width=1.3), *heads), tuple(rows))


def _of_sheet(value: Any, divisor: float | None) -> str:
    if value is None or divisor is None or isinstance(value, bool):
        return plain(value)
    return plain(value if divisor == 1.0 else float(value) / divisor)


def _of_quantity(contents: Contents, key: str) -> Iterator[Block]:
    meant = column(key)
    compared = {} if contents.comparison is None else _rows_by_other(contents.comparison, key)
    counting = [row for row in contents.rows if row["takes"]]
    known = [row for row in counting if row.get(key) is not None]
    without = [row for row in counting if row.get(key) is None]
    ordered = [*sorted(known, key=lambda row: -row[key]), *without]
    heads = [
        Head("Pickup", width=1.6),
        Head("Takes/strums", number=True),
        Head("Mean", number=True),
        Head("sd", number=True, width=0.7),
        Head("95 % interval", number=True, width=1.6),
    ]
    if compared:
        heads += [
            Head("Difference", number=True, width=1.1),
            Head(f"{100 * contents.confidence:g} % interval", number=True, width=1.6),
            Head("Verdict", width=1.5),
        ]
    rows = tuple(
        (*_own(row, meant), *(_compared(contents, row, compared, meant) if compared else ())) for row in ordered
    )
    caption = f"{meant.name}, most first; means in {meant.quantity.unit}"
    if compared:
        caption += (
            f", differences from {contents.baseline.key if contents.baseline else ''} in {meant.unit_of_difference}"
        )
    yield Table(caption, tuple(heads), rows)
    judged = [found for found in compared.values() if found["withheld"] is None]
    if 0 < len(judged) <= MOST_IN_WORDS:
        yield Bullets(tuple(said(found["sentence"]) for found in judged))
    notes = [*_reach(judged, meant), *_calibrated(known, meant), *_notes(counting, compared, key)]
    if notes:
        yield Paragraph(" ".join(notes), "small")


def _rows_by_other(comparison: Mapping[str, Any], key: str) -> dict[str, Row]:
    return {row["other"]: row for row in comparison["results"] if row["quantity"] == key}


def _own(row: Row, meant: Column) -> tuple[str, ...]:
    key, decimals = meant.key, meant.quantity.decimals
    return (
        row["pickup"],
        f"{row['takes']}/{row['strums']}",
        figure(row.get(key), decimals),
        figure(row.get(f"{key}_sd"), decimals + 1),
        interval(row.get(f"{key}_low"), row.get(f"{key}_high"), decimals),
    )


def _compared(contents: Contents, row: Row, compared: Mapping[str, Row], meant: Column) -> tuple[str, str, str]:
    assert contents.comparison is not None
    if row["pickup"] == contents.comparison["baseline"]:
        return NOTHING, NOTHING, "baseline"
    found = compared.get(row["pickup"])
    if found is None or found["withheld"] is not None:
        return NOTHING, NOTHING, "nothing said"
    decimals = meant.quantity.decimals
    words = {"higher": meant.quantity.more, "lower": meant.quantity.less}
    return (
        signed(found["difference"], decimals),
        interval(found["low"], found["high"], decimals),
        words.get(found["verdict"], NOT_SHOWN),
    )


def _reach(judged: Sequence[Row], meant: Column) -> Iterator[str]:
    """How small a difference would have been shown, where rows are too many to be told one by one."""
    sizes = [
        found["smallest_shown"]
        for found in judged
        if found["verdict"] == "no-difference-shown" and found["smallest_shown"] is not None
    ]
    if len(judged) <= MOST_IN_WORDS or not sizes:
        return
    ends = list(dict.fromkeys(figure(size, meant.quantity.decimals) for size in (min(sizes), max(sizes))))
    yield (
        f"Where no difference is shown, one of {' to '.join(ends)} {meant.unit_of_difference} would have been shown "
        "four times in five."
    )


def _calibrated(rows: Sequence[Row], meant: Column) -> Iterator[str]:
    """How uncertain millivolts are with their calibration, which no scatter shows."""
    key = f"{meant.key}{UNCERTAINTY[0]}"
    unit, decimals = meant.quantity.unit, meant.quantity.decimals
    each = [f"{row['pickup']} {figure(row[key], decimals)} {unit}" for row in rows if row.get(key) is not None]
    if each:
        yield (
            f"Intervals hold the scatter alone. With the calibration the means are uncertain by (95 %): {listed(each)}."
        )


def _notes(rows: Sequence[Row], compared: Mapping[str, Row], key: str) -> Iterator[str]:
    """Why cells are empty or rest on less, and why nothing is said."""
    for row in rows:
        why = (row.get("reasons") or {}).get(key)
        if why:
            yield said(f"{row['pickup']}: {why}.")
    for row in rows:  # of a pickup without a take that counts, what was left out has said it
        found = compared.get(row["pickup"])
        if found is not None and found["withheld"]:
            yield said(f"Nothing is said of {row['pickup']}: {found['withheld']}.")
    for text in dict.fromkeys(found["assumes"] for found in compared.values() if found["assumes"]):
        yield f"{capital(said(text))}."
