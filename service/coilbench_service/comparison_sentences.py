"""Rows of a comparison in words, out of the catalogue's own words for more and less."""

from __future__ import annotations

from coilbench_worker.compare.columns import Column, in_a_sentence
from coilbench_worker.compare.comparison import Row


def sentence(row: Row, column: Column, baseline: str, confidence: float) -> str:
    """One row as a plain sentence, with units and interval."""
    name = in_a_sentence(column.name)
    if row.withheld is not None or row.difference is None or row.low is None or row.high is None:
        return f"Nothing is said of {name} of {row.other} against {baseline}: {row.withheld}."
    unit = column.unit_of_difference
    digits = column.quantity.decimals

    def shown(value: float) -> str:
        return f"{value:.{digits}f}"

    interval = f"{100 * confidence:g} % interval {shown(row.low)} to {shown(row.high)}"
    if row.verdict == "no-difference-shown":
        said = f"No difference in {name} shown between {row.other} and {baseline}: {shown(row.difference)} {unit}"
        said += f" ({interval})"
        if row.smallest_shown is not None:
            said += f"; {shown(row.smallest_shown)} {unit} would have been shown four times in five"
        return f"{said}.{_settling(row)}"
    word = column.quantity.more if row.verdict == "higher" else column.quantity.less
    size = shown(abs(row.difference))
    nearer, farther = sorted((row.low, row.high), key=abs)
    if row.low * row.high > 0.0:
        interval = f"{100 * confidence:g} % interval {shown(abs(nearer))} to {shown(abs(farther))}"
    return f"{row.other} against {baseline}, {name}: {word}, by {size} {unit} ({interval})."


def _settling(row: Row) -> str:
    if row.not_to_settle is not None:
        return f" {row.not_to_settle[0].upper()}{row.not_to_settle[1:]}."
    if row.takes_to_settle is not None:
        return f" {row.takes_to_settle} takes of each, {row.strums_to_settle} strums, would settle it."
    return f" {row.strums_to_settle} strums of each would settle it."
