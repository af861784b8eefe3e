"""A comparison as text: verdicts first, then what was withheld, the ranking, what differed, what was left out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby

from coilbench.comparison import Comparison, Condition
from coilbench.figures import ends_of, figure, percent, unit_of_difference
from coilbench.left_out import LeftOut
from coilbench.page import INDENT, Page, counted, set_rows, taken
from coilbench.result import ComparedQuantity, Result

DEEPER = INDENT * 2
WAYS = (7, 6, 4)
"""Columns that may stand beside each other: all, without p, without what could be shown and what would settle."""
LEGEND = (
    "could show: the true difference that these takes and strums would have shown four times in five; to settle: of "
    "each, in all, to show the difference seen."
)
P_TELLING = 0.001
"""Smaller ones are shown as such."""
FEW_SUBJECTS = 2
"""Of so many there is nothing to rank: the verdicts say it."""


def page_of(comparison: Comparison, width: int, *, bands: bool = False) -> Page:
    """The comparison as text.

    Parameters
    ----------
    comparison : as the service gave it
    width : characters of a line
    bands : with the octaves
    """
    page = Page(width)
    _begin(page, comparison)
    _verdicts(page, comparison)
    _withheld(page, comparison)
    _ranking(page, comparison)
    if bands:
        _bands(page, comparison)
    _conditions(page, comparison.baseline, comparison.conditions)
    _assumptions(page, comparison)
    left_out(page, comparison.left_out)
    cautions(page, comparison.cautions)
    if comparison.method:
        page.line("")
        page.sentence(comparison.method)
    return page


def left_out(page: Page, takes: Sequence[LeftOut]) -> None:
    """List what was left out and why, equal reasons together; nothing when nothing was.

    Parameters
    ----------
    page : where to
    takes : takes, or pickups where no take is named
    """
    if not takes:
        return
    page.heading("Left out")
    reasons: dict[str, list[str]] = {}
    for one in takes:
        name = f"{one.subject} (take {one.take})" if one.take and one.subject != one.take else one.subject or one.take
        reasons.setdefault(one.reason, []).append(name)
    for reason, names in reasons.items():
        page.sentence(f"{', '.join(names)}: {reason}", INDENT, hanging=DEEPER)


def cautions(page: Page, texts: Iterable[str]) -> None:
    """List cautions; nothing when there are none.

    Parameters
    ----------
    page : where to
    texts : a sentence each
    """
    found = list(dict.fromkeys(texts))
    if found:
        page.heading("Cautions")
    for one in found:
        page.sentence(one, INDENT, hanging=DEEPER)


def _begin(page: Page, comparison: Comparison) -> None:
    sizes = {
        one.id: f"{counted(len(one.takes), 'take')}, {counted(one.strums, 'strum')}" for one in comparison.subjects
    }
    size = sizes.pop(comparison.baseline, "")
    page.heading(f"Against {comparison.baseline}" + (f" ({size})" if size else ""))
    if sizes:
        page.sentence(f"Compared: {'; '.join(f'{id} ({size})' for id, size in sizes.items())}.")
    page.sentence(f"Difference: other minus {comparison.baseline}, with its {percent(comparison.confidence)} interval.")


def _verdicts(page: Page, comparison: Comparison) -> None:
    """A block for each quantity, columns alike in all; what does not fit beside a row stands beneath it."""
    blocks = [(quantity, _rows(comparison, quantity)) for quantity in _quantities(comparison)]
    interval = f"{percent(comparison.confidence)} interval"
    head = ["", "difference", interval, "verdict", "could show", "to settle", "p"]
    lines = [head, *(_cells(row, quantity, rows) for quantity, rows in blocks for row in rows)]
    kept = next((count for count in WAYS if taken([line[:count] for line in lines]) <= page.width), WAYS[-1])
    narrow = kept == WAYS[-1]
    apart = taken([line[:kept] for line in lines]) > page.width
    if apart:  # long names get lines of their own
        lines = [head, *([DEEPER, *line[1:]] for line in lines[1:])]
    first, *others = set_rows([line[:kept] for line in lines], page.width, right=(1, 4, 5, 6))
    texts = iter(others)
    page.line("")
    for text in first:
        page.line(text)
    for quantity, rows in blocks:
        page.heading(_title(comparison, quantity, rows))
        for row in rows:
            if apart:
                page.sentence(row.other, INDENT)
            for text in next(texts):
                page.line(text)
            beneath = _beneath(row, quantity, rows, narrow=narrow)
            if beneath:
                page.sentence(beneath, DEEPER)
    if not narrow and any(not row.shown and not row.withheld for row in comparison):
        page.line("")
        page.sentence(LEGEND)


def _quantities(comparison: Comparison) -> list[ComparedQuantity]:
    """Those that the answer lists, then any that only rows name (parts of a vector), so that no row is lost."""
    listed = {quantity.key: quantity for quantity in comparison.quantities}
    for row in comparison:
        listed.setdefault(row.quantity, ComparedQuantity(row.quantity, row.quantity, row.unit, 1, "higher", "lower"))
    return list(listed.values())


def _rows(comparison: Comparison, quantity: ComparedQuantity) -> list[Result]:
    return [row for row in comparison if row.quantity == quantity.key]


def _title(comparison: Comparison, quantity: ComparedQuantity, rows: Sequence[Result]) -> str:
    mean = next((row.baseline_mean for row in rows if row.baseline_mean is not None), None)
    if mean is None:
        return quantity.name
    return f"{quantity.name}: {comparison.baseline} has {figure(mean, quantity.decimals, quantity.unit)}"


def _cells(row: Result, quantity: ComparedQuantity, rows: Sequence[Result]) -> list[str]:
    name = INDENT + row.other
    if row.withheld or row.difference is None:
        return [name, "withheld", "", "", "", "", ""]
    decimals = _decimals(quantity, rows)
    unit = unit_of_difference(row.unit or quantity.unit)
    smallest = "" if row.smallest_shown is None else figure(row.smallest_shown, decimals, unit)
    return [
        name,
        figure(row.difference, decimals, unit, sign=True),
        ends_of(row.low, row.high, decimals),
        row.word or "",
        smallest,
        _to_settle(row),
        "" if row.p_holm is None else f"<{P_TELLING}" if row.p_holm < P_TELLING else f"{row.p_holm:.3f}",
    ]


def _decimals(quantity: ComparedQuantity, rows: Sequence[Result]) -> int:
    """One decimal more than usual where an interval is so narrow that rounding would be a good part of it."""
    halves = [(row.high - row.low) / 2 for row in rows if row.low is not None and row.high is not None]
    return quantity.decimals + (1 if halves and min(halves) < 5 * 10.0**-quantity.decimals else 0)


def _to_settle(row: Result) -> str:
    if row.shown:
        return ""
    if row.takes_to_settle is not None:
        return counted(row.takes_to_settle, "take")
    if row.strums_to_settle is not None:
        return counted(row.strums_to_settle, "strum")
    return "too many" if row.not_to_settle else ""


def _beneath(row: Result, quantity: ComparedQuantity, rows: Sequence[Result], *, narrow: bool) -> str:
    if row.withheld or row.shown:
        return ""
    parts = []
    if narrow and row.smallest_shown is not None:
        unit = unit_of_difference(row.unit or quantity.unit)
        parts.append(f"{figure(row.smallest_shown, _decimals(quantity, rows), unit)} would have been shown")
    if narrow and (row.takes_to_settle or row.strums_to_settle):
        parts.append(f"{_to_settle(row)} of each in all would settle it")
    sentence = "; ".join(parts) + ("." if parts else "")
    return " ".join(part for part in (sentence, row.not_to_settle) if part)


def _withheld(page: Page, comparison: Comparison) -> None:
    names = {quantity.key: quantity.name for quantity in comparison.quantities}
    reasons: dict[str, dict[str, list[str]]] = {}
    for row in comparison:
        if row.withheld:
            others = reasons.setdefault(row.withheld, {})
            others.setdefault(row.other, []).append(names.get(row.quantity, row.quantity))
    if reasons:
        page.heading("Withheld")
    for reason, others in reasons.items():
        for quantities, named in groupby(others, key=lambda other: ", ".join(others[other])):
            page.sentence(f"{', '.join(named)}; {quantities}: {reason}", INDENT, hanging=DEEPER)


def _ranking(page: Page, comparison: Comparison) -> None:
    if len(comparison.subjects) <= FEW_SUBJECTS or not comparison.ranking:
        return
    page.heading("Ranking, most first; = means can't be told apart")
    rows = [
        [INDENT + quantity.name, "   ".join(f"{place} {' = '.join(ids)}" for place, ids in enumerate(places, 1))]
        for quantity in comparison.quantities
        if (places := comparison.ranking.get(quantity.key))
    ]
    page.columns(rows)
    pairs = _pairs(comparison)
    if pairs:
        page.sentence(f"On different places, and yet not told apart: {pairs}.", INDENT, hanging=DEEPER)


def _pairs(comparison: Comparison) -> str:
    names: Mapping[str, str] = {quantity.key: quantity.name for quantity in comparison.quantities}
    found = [
        f"{names.get(key, key)} of {', '.join(' and '.join(pair) for pair in pairs)}"
        for key, pairs in comparison.alike.items()
        if pairs
    ]
    return "; ".join(found)


def _bands(page: Page, comparison: Comparison) -> None:
    octaves = [band for band in comparison.bands if band.quantity == "octave_db"]
    for other, bands in groupby(octaves, key=lambda band: band.other):
        page.heading(f"Octaves of {other} at equal loudness")
        rows = []
        for band in bands:
            name = f"{INDENT}{band.part} Hz"
            if band.difference is None:
                rows.append([name, "withheld", band.withheld or ""])
            else:
                rows.append([name, figure(band.difference, 1, "dB", sign=True), ends_of(band.low, band.high, 1)])
        page.columns(rows, right=(0, 1))
    if octaves:
        page.sentence("Each interval stands for its own band alone.", INDENT)


def _conditions(page: Page, baseline: str, conditions: Sequence[Condition]) -> None:
    if not conditions:
        return
    page.heading(f"Conditions that differ from {baseline}")
    for other, fields in groupby(conditions, key=lambda condition: condition.other):
        said = "; ".join(f"{one.field} {_said(one.value)} ({baseline}: {_said(one.baseline)})" for one in fields)
        page.sentence(f"{other}: {said}", INDENT, hanging=DEEPER)


def _said(value: object) -> str:
    if value is None or value == []:
        return "not stated"
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def _assumptions(page: Page, comparison: Comparison) -> None:
    found = list(dict.fromkeys(row.assumes for row in comparison if row.assumes))
    if found:
        page.heading("Taken on trust")
    for one in found:
        page.sentence(one, INDENT, hanging=DEEPER)
