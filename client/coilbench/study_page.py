"""A study as text: the three scatters of every quantity, then what to record."""

from __future__ import annotations

from coilbench.comparison_page import cautions, left_out
from coilbench.figures import figure, unit_of_difference
from coilbench.page import INDENT, Page, counted, taken
from coilbench.study import Scatter, StudiedQuantity, Study

DEEPER = INDENT * 2
NOTHING = "·"
LEGEND = (
    "Standard deviations, in brackets 95 % intervals: strums, between strums of one take (repeatability); takes, what "
    "re-plugging and the moment add; both, of a strum of another take (reproducibility). Limit: two strums of two "
    "takes, or of one where takes can't be said, differ by less in 95 of 100 cases."
)


def page_of(study: Study, width: int) -> Page:
    """The study as text.

    Parameters
    ----------
    study : as the service gave it
    width : characters of a line
    """
    page = Page(width)
    page.heading("How much the hand scatters")
    subjects = "; ".join(
        f"{one.id} ({counted(len(one.takes), 'take')}, {counted(one.strums, 'strum')})" for one in study.subjects
    )
    page.sentence(f"Over {subjects}.")
    page.line("")
    head = ["", "strums", "takes", "both", "limit"]
    ways = [[head, *(_cells(study, one, intervals) for one in study)] for intervals in (3, 2, 1, 0)]
    rows = next((rows for rows in ways if taken(rows) <= page.width), ways[-1])
    page.columns(rows, right=(4,), head=True)
    page.line("")
    page.sentence(LEGEND)
    _why(page, study)
    _plan(page, study)
    left_out(page, study.left_out)
    cautions(page, study.cautions)
    if study.method:
        page.line("")
        page.sentence(study.method)
    return page


def _cells(study: Study, one: StudiedQuantity, intervals: int) -> list[str]:
    """Texts of a row; the last so many scatters with their intervals."""
    decimals = _decimals(study, one.quantity)
    unit = unit_of_difference(one.unit)
    limit = one.reproducibility_limit if one.reproducibility_limit is not None else one.repeatability_limit
    return [
        INDENT + _name(study, one.quantity),
        _scatter(one.repeatability, decimals, interval=intervals > 2),
        _scatter(one.between_takes, decimals, interval=intervals > 1),
        _scatter(one.reproducibility, decimals, interval=intervals > 0),
        NOTHING if limit is None else figure(limit, decimals, unit),
    ]


def _scatter(scatter: Scatter | None, decimals: int, *, interval: bool) -> str:
    if scatter is None or scatter.sd is None:
        return NOTHING
    if not interval:
        return figure(scatter.sd, decimals)
    ends = [NOTHING if end is None else figure(end, decimals) for end in (scatter.low, scatter.high)]
    return figure(scatter.sd, decimals) + ("" if ends == [NOTHING, NOTHING] else f" ({ends[0]} to {ends[1]})")


def _why(page: Page, study: Study) -> None:
    reasons: dict[str, list[str]] = {}
    for one in study:
        if one.withheld:
            reasons.setdefault(one.withheld, []).append(_name(study, one.quantity))
    if reasons:
        page.heading("Not said")
    for reason, names in reasons.items():
        page.sentence(f"{', '.join(names)}: {reason}", INDENT, hanging=DEEPER)


def _plan(page: Page, study: Study) -> None:
    """Takes that each number of strums needs, quantity by quantity."""
    planned = [one for one in study if one.plan]
    if not planned:
        return
    page.heading("What to record: takes of each pickup that would show a difference four times in five")
    counts = sorted({each.strums for one in planned for each in one.plan})
    rows = [["", "difference", *(f"{count} strums" for count in counts)]]
    for one in planned:
        unit = unit_of_difference(one.unit)
        for difference in sorted({each.difference for each in one.plan}):
            takes = {each.strums: each.takes for each in one.plan if each.difference == difference}
            cells = [NOTHING if takes.get(count) is None else str(takes[count]) for count in counts]
            wanted = figure(difference, _decimals(study, one.quantity), unit)
            rows.append([INDENT + _name(study, one.quantity), wanted, *cells])
    page.columns(rows, right=range(1, len(counts) + 2), head=True)


def _name(study: Study, key: str) -> str:
    return next((quantity.name for quantity in study.quantities if quantity.key == key), key)


def _decimals(study: Study, key: str) -> int:
    """One more than usual: scatters are small beside what scatters."""
    return 1 + next((quantity.decimals for quantity in study.quantities if quantity.key == key), 1)
