"""A choice as text: the wish, what fits, then every pickup with its miss."""

from __future__ import annotations

from coilbench.choice import Candidate, Choice, WishItem
from coilbench.comparison_page import cautions, left_out
from coilbench.figures import ends_of, figure, unit_of_difference
from coilbench.page import INDENT, Page, set_rows

DEEPER = INDENT * 2
DECIMALS = 1
SHORT_UNITS_DECIMALS = {"s": 2, "Hz": 0}


def page_of(choice: Choice, width: int) -> Page:
    """The choice as text.

    Parameters
    ----------
    choice : as the service gave it
    width : characters of a line
    """
    page = Page(width)
    page.heading(f"Wished for, from {choice.reference}")
    page.columns([[INDENT + item.asked, _wished(item)] for item in choice.wish])
    page.heading(_answer(choice))
    _advice(page, choice)
    _candidates(page, choice)
    left_out(page, choice.left_out)
    cautions(page, choice.cautions)
    return page


def _answer(choice: Choice) -> str:
    if choice.fits:
        return f"Fits: {', '.join(choice.fits)}"
    if not choice.ranking:
        return "There is no other pickup to choose from"
    return f"None fits; {choice.ranking[0].pickup} comes closest"


def _wished(item: WishItem) -> str:
    unit = unit_of_difference(item.unit)
    if item.amount is None or item.direction == "same":
        amount = f"{item.direction} {item.quantity}"
    else:
        size = abs(item.amount) if item.direction == "more" else -abs(item.amount)
        amount = f"{item.quantity} {figure(size, _decimals(unit), unit, sign=True)}"
    step = "" if item.ear_step is None else f" (an ear can tell about {item.ear_step:g} {unit})"
    return amount + step


def _advice(page: Page, choice: Choice) -> None:
    if choice.advice:
        page.heading("Which way to go")
    for one in choice.advice:
        page.sentence(one, INDENT, hanging=DEEPER)


def _candidates(page: Page, choice: Choice) -> None:
    """Columns alike for all pickups, each pickup's sentence above its own."""
    if not choice.ranking:
        return
    units = {item.quantity: unit_of_difference(item.unit) for item in choice.wish}
    head = [DEEPER, "change", "95 % interval", "miss", "ear steps", ""]
    rows = [head, *(row for one in choice.ranking for row in _cells(one, units))]
    first, *others = set_rows(rows, page.width, right=(1, 3, 4))
    page.heading("Pickups, the closest first")
    for text in first:
        page.line(text)
    texts = iter(others)
    for one in choice.ranking:
        place = "-" if one.place is None else f"{one.place}"
        page.line(f"{place} {one.pickup}" + (", fits" if one.fits else ""))
        for _ in one.items:
            for text in next(texts):
                page.line(text)
        if one.sentence:
            page.sentence(one.sentence, DEEPER)
        for item in one.items:
            if item.withheld:
                page.sentence(f"{item.quantity}: {item.withheld}", DEEPER, hanging=DEEPER + INDENT)


def _cells(candidate: Candidate, units: dict[str, str]) -> list[list[str]]:
    rows = []
    for item in candidate.items:
        unit = units.get(item.quantity, "")
        decimals = _decimals(unit)
        name = DEEPER + item.quantity
        if item.withheld or item.change is None:
            rows.append([name, "withheld", "", "", "", ""])
            continue
        steps = "" if item.miss_in_ear_steps is None else figure(item.miss_in_ear_steps, 1)
        rows.append(
            [
                name,
                figure(item.change, decimals, unit, sign=True),
                ends_of(item.low, item.high, decimals),
                "" if item.miss is None else figure(item.miss, decimals, unit),
                steps,
                "met" if item.met else "missed",
            ]
        )
    return rows


def _decimals(unit: str) -> int:
    return SHORT_UNITS_DECIMALS.get(unit, DECIMALS)
