"""Fits as text: field by field the slope with its interval, and the sentence that says what it is worth."""

from __future__ import annotations

from itertools import groupby

from coilbench.comparison_page import cautions, left_out
from coilbench.figures import ends_of, figure, percent
from coilbench.fit import FieldFit, Fit
from coilbench.page import INDENT, Page, set_rows

DEEPER = INDENT * 2
VERDICTS = {"predicts": "predicts", "not-shown": "not shown", "too-few": "too few"}


def page_of(fit: Fit, width: int) -> Page:
    """The fits as text.

    Parameters
    ----------
    fit : as the service gave it
    width : characters of a line
    """
    page = Page(width)
    page.heading("Does the data sheet predict what was measured, in this collection?")
    head = ["", "pickups", "slope", f"{percent(fit.confidence)} interval", "r", "verdict"]
    rows = [head, *(_cells(fit, one) for one in fit)]
    first, *others = set_rows(rows, page.width, right=(1, 2, 4))
    for text in first:
        page.line(text)
    texts = iter(others)
    for field, fits in groupby(fit, key=lambda one: one.field):
        page.heading(field)
        for one in fits:
            for text in next(texts):
                page.line(text)
            if one.sentence:
                page.sentence(one.sentence, DEEPER)
    left_out(page, fit.left_out)
    cautions(page, fit.cautions)
    return page


def _cells(fit: Fit, one: FieldFit) -> list[str]:
    names = {quantity.key: quantity.name for quantity in fit.quantities}
    slope = "" if one.slope is None else figure(one.slope, 2, one.unit, sign=True)
    return [
        INDENT + names.get(one.quantity, one.quantity),
        str(one.n),
        slope,
        ends_of(one.low, one.high, 2),
        "" if one.r is None else figure(one.r, 2, sign=True),
        VERDICTS.get(one.verdict, one.verdict),
    ]
