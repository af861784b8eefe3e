"""Groups as text: who is in them, their means, and what differs between them."""

from __future__ import annotations

from coilbench.comparison_page import cautions, left_out
from coilbench.figures import ends_of, figure, percent, unit_of_difference
from coilbench.groups import Groups, Pair
from coilbench.page import INDENT, Page, counted, set_rows

DEEPER = INDENT * 2


def page_of(groups: Groups, width: int) -> Page:
    """The groups as text.

    Parameters
    ----------
    groups : as the service gave it
    width : characters of a line
    """
    page = Page(width)
    page.heading(f"Pickups by {groups.field}; each counts once")
    for group in groups.groups:
        members = f"{counted(len(group.members), 'pickup')}: {', '.join(group.members)}"
        page.sentence(f"{group.name}  {members}", INDENT, hanging=DEEPER)
    _means(page, groups)
    _differences(page, groups)
    left_out(page, groups.left_out)
    cautions(page, groups.cautions)
    return page


def _means(page: Page, groups: Groups) -> None:
    if not groups.groups:
        return
    page.heading("Means over pickups")
    rows = [["", *(group.name for group in groups.groups), ""]]
    for quantity in groups.quantities:
        cells = []
        for group in groups.groups:
            mean = group.means.get(quantity.key)
            cells.append("·" if mean is None or mean.mean is None else figure(mean.mean, quantity.decimals))
        rows.append([INDENT + quantity.name, *cells, quantity.unit])
    page.columns(rows, right=range(1, len(groups.groups) + 1))


def _differences(page: Page, groups: Groups) -> None:
    if not groups.results:
        return
    page.heading(f"Differences, with {percent(groups.confidence)} intervals")
    quantities = {quantity.key: quantity for quantity in groups.quantities}
    rows = []
    for row in groups:
        quantity = quantities.get(row.quantity)
        decimals = quantity.decimals if quantity else 1
        unit = unit_of_difference(row.unit or (quantity.unit if quantity else ""))
        name = f"{DEEPER}{_pair(groups, row)}"
        if row.withheld or row.difference is None:
            rows.append([name, "withheld", "", ""])
        else:
            interval = ends_of(row.low, row.high, decimals) or "no interval"
            rows.append([name, figure(row.difference, decimals, unit, sign=True), interval, row.word or ""])
    last = None
    for row, lines in zip(groups, set_rows(rows, page.width, right=(1,)), strict=True):
        if row.quantity != last:
            last = row.quantity
            page.line(INDENT + (quantities[last].name if last in quantities else last))
        for text in lines:
            page.line(text)
        if row.withheld:
            page.sentence(row.withheld, DEEPER + INDENT)


def _pair(groups: Groups, row: Pair) -> str:
    return f"{groups.name(row.other)} minus {groups.name(row.baseline)}"
