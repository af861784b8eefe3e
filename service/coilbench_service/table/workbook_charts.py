"""Two charts of a spreadsheet, drawn by the program that opens it from numbers on the same sheet: a level with its
interval for every row, and the octave bands of the first rows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil, floor
from typing import Any

from coilbench_service.charts.chart import plain
from coilbench_service.table.columns import Per, Series

MOST_ROWS = 40
"""Charted; more can't be told apart."""
MOST_LINES = 6
LEVEL, BANDS = "rms_dbfs", "octave_db"
SHEET = "charts"
MOST_STEPS = 8
A4 = 9
"""Number of the paper, ECMA-376."""
_WIDTH, _LEVEL_HEIGHT, _BANDS_HEIGHT = 1100, 520, 440  # pixels
_BANDS_ROW, _DATA_ROW = 27, 50
_LINES = (  # told apart without colour too, by marker and dash
    ("#0072B2", "circle", "solid"),
    ("#D55E00", "square", "dash"),
    ("#009E73", "triangle", "round_dot"),
    ("#CC79A7", "diamond", "long_dash"),
    ("#E69F00", "x", "dash_dot"),
    ("#000000", "plus", "square_dot"),
)


class Charts:
    """Keeps what is charted while rows go by, and draws it at the end.

    Parameters
    ----------
    per : what a row is; strums are not charted
    means : the numbers that have a spread
    """

    def __init__(self, per: Per, means: Sequence[Series]) -> None:
        self._per = per
        levels = [one for one in means if one.column == LEVEL] or list(means[:1])
        self._level = levels[0] if levels else None
        self._bands = [one for one in means if one.quantity.key == BANDS]
        self._rows: list[tuple[str, Mapping[str, Any]]] = []
        self._passed_over = 0

    def see(self, row: Mapping[str, Any]) -> None:
        """Keep what a wide row has for the charts."""
        if self._level is None or row.get(self._level.column) is None:
            return
        if len(self._rows) == MOST_ROWS:
            self._passed_over += 1
            return
        wanted = [self._level.column, *(one.column for one in self._bands)]
        keys = [*wanted, f"{self._level.column}_low", f"{self._level.column}_high"]
        name = row.get("pickup") if self._per == "pickup" else row.get("label") or row.get("file")
        told = f"{name} (unusable)" if row.get("usable") is False else str(name)
        self._rows.append((told, {key: row.get(key) for key in keys}))

    def draw(self, book: Any, head: Any) -> None:
        """Add the sheet with the charts and their numbers; nothing where there is nothing to chart."""
        if not self._rows or self._level is None:
            return
        sheet = book.add_worksheet(SHEET)
        sheet.set_column(0, 0, 28)
        sheet.set_column(1, max(3, len(self._bands)), 18)
        sheet.hide_gridlines(2)
        sheet.set_paper(A4)
        sheet.fit_to_pages(1, 0)
        self._two_decimals = book.add_format({"num_format": "0.00"})
        self._draw_level(book, sheet, self._level, head)
        if len(self._bands) > 2:
            self._draw_bands(book, sheet, head)

    def _draw_level(self, book: Any, sheet: Any, level: Series, head: Any) -> None:
        unit = level.quantity.unit
        for at, text in enumerate((self._per, f"{level.title}, {unit}", "to the lower bound", "to the upper bound")):
            sheet.write_string(_DATA_ROW, at, text, head)
        bounds = []
        for at, (name, row) in enumerate(self._rows, start=_DATA_ROW + 1):
            mean = row[level.column]
            low, high = (row.get(level.column + end) for end in ("_low", "_high"))
            sheet.write_string(at, 0, name)
            below, above = (0.0 if low is None else mean - low), (0.0 if high is None else high - mean)
            for place, value in enumerate((mean, below, above), start=1):
                sheet.write_number(at, place, value, self._two_decimals)
            bounds += [mean - below, mean + above]
        first, last = _DATA_ROW + 1, _DATA_ROW + len(self._rows)
        chart = book.add_chart({"type": "line"})
        chart.add_series(
            {
                "name": level.title,
                "categories": [SHEET, first, 0, last, 0],
                "values": [SHEET, first, 1, last, 1],
                "line": {"none": True},
                "marker": {"type": "circle", "size": 8, "fill": {"color": "#0072B2"}, "border": {"color": "#0072B2"}},
                "y_error_bars": {
                    "type": "custom",
                    "minus_values": f"={SHEET}!$C${first + 1}:$C${last + 1}",
                    "plus_values": f"={SHEET}!$D${first + 1}:$D${last + 1}",
                    "line": {"color": "#0072B2", "width": 1.5},
                },
            }
        )
        title = f"{level.title} by {self._per}: mean and 95 % interval"
        if self._passed_over:
            title += f" (the first {MOST_ROWS} of {MOST_ROWS + self._passed_over})"
        room = max(0.5, (max(bounds) - min(bounds)) * 0.05)
        step = _step(max(bounds) - min(bounds))
        _label(chart, title, self._per.capitalize(), _LEVEL_HEIGHT)
        chart.set_y_axis(
            {
                "name": f"{level.title}, {unit}",
                "min": floor((min(bounds) - room) / step) * step,
                "max": ceil((max(bounds) + room) / step) * step,
                "major_unit": step,
                "major_gridlines": {"visible": True, "line": {"color": "#D9D9D9"}},
            }
        )
        chart.set_legend({"none": True})
        said = "; ".join(f"{name} {row[level.column]:.1f}" for name, row in self._rows[:MOST_LINES])
        sheet.insert_chart(0, 0, chart, {"description": plain(f"{title}, in {unit}: {said}")})

    def _draw_bands(self, book: Any, sheet: Any, head: Any) -> None:
        start = _DATA_ROW + len(self._rows) + 2
        unit = self._bands[0].quantity.unit
        sheet.write_string(start, 0, f"{self._bands[0].quantity.name}, {unit}", head)
        for at, one in enumerate(self._bands, start=1):
            sheet.write_string(start, at, str(one.part), head)
        chart = book.add_chart({"type": "line"})
        for at, (name, row) in enumerate(self._rows[:MOST_LINES]):
            line = start + 1 + at
            sheet.write_string(line, 0, name)
            for place, one in enumerate(self._bands, start=1):
                if (value := row.get(one.column)) is not None:
                    sheet.write_number(line, place, value, self._two_decimals)
            colour, marker, dash = _LINES[at]
            chart.add_series(
                {
                    "name": [SHEET, line, 0],
                    "categories": [SHEET, start, 1, start, len(self._bands)],
                    "values": [SHEET, line, 1, line, len(self._bands)],
                    "line": {"color": colour, "width": 2, "dash_type": dash},
                    "marker": {"type": marker, "size": 7, "fill": {"color": colour}, "border": {"color": colour}},
                }
            )
        more = len(self._rows) - MOST_LINES
        title = self._bands[0].quantity.name + (f" (the first {MOST_LINES})" if more > 0 else "")
        _label(chart, title, "Octave band, Hz", _BANDS_HEIGHT)
        chart.set_y_axis({"name": f"Level, {unit}", "major_gridlines": {"visible": True, "line": {"color": "#D9D9D9"}}})
        names = ", ".join(name for name, _ in self._rows[:MOST_LINES])
        told = plain(f"{title} of {names}, in {unit}; the numbers stand below")
        sheet.insert_chart(_BANDS_ROW, 0, chart, {"description": told})


def _step(span: float) -> float:
    """Between lines of the scale: the least that makes eight of them or fewer."""
    return next((step for step in (1, 2, 5, 10, 20, 50, 100, 200, 500) if span / step <= MOST_STEPS), span)


def _label(chart: Any, title: str, across: str, height: int) -> None:
    chart.set_title({"name": title, "name_font": {"size": 13}})
    chart.set_x_axis({"name": across, "label_position": "low"})
    chart.set_size({"width": _WIDTH, "height": height})
