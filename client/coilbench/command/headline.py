"""The table on the screen: the figures that are looked at first, as many columns as the width allows.

Text columns without any text are left out; so are those that do not fit, the least telling first, and the line beneath
says which; beneath that stands why cells are empty. The saved table has all. Names of takes are cut only while they
still differ; else they go on in a second line.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from coilbench.command.empty_cells import show_why_empty
from coilbench.command.naming import can_be_cut, names_of
from coilbench.table import Row, Table, cell_text

NARROWEST = 60
PIPED_WIDTH = 120
ROOMY = 110
"""On less than this the long texts are cut shorter, to leave the figures their place."""
NOTHING = "·"
LEGEND = "± half of the 95 % interval of the mean"
LEGEND_MV = "± in mV: expanded uncertainty (95 %), with the calibration's"
GROWING = {"take": 40, "checks": 48}
"""Texts that get the room that is left, in this order, up to so many characters."""
TELLING_MV = 100.0
"""From here on tenths of a millivolt say nothing: three digits are more than a calibration holds."""
UNCERTAINTY = "_expanded_uncertainty"
GAP = 2
"""Spaces between columns: one of the cell, one of the rule."""


@dataclass(frozen=True)
class Figure:
    """A column on the screen.

    Attributes
    ----------
    key : of the table's column
    head : two lines at most
    show : text of a row's cell
    rank : the greater, the sooner it is left out; 0 always stays
    widest : text is cut beyond this
    number : right-aligned
    optional : left out when no row has it, though it is a number
    """

    key: str
    head: str
    show: Callable[[Row], str]
    rank: int
    widest: int = 14
    number: bool = True
    optional: bool = False

    @property
    def may_go(self) -> bool:
        """Whether the column is left out when it is empty."""
        return self.optional or (not self.number and self.rank > 0)


def screen() -> Console:
    """Standard output: as wide as the terminal, into a file or a pipe as wide as COLUMNS says, else 120."""
    console = Console(highlight=False, soft_wrap=False)
    if not console.is_terminal:
        named = os.environ.get("COLUMNS", "")
        width = int(named) if named.isdecimal() and int(named) else PIPED_WIDTH
        console = Console(highlight=False, width=width, color_system=None)
    return console


def show(table: Table, console: Console, chosen: Iterable[str] | None = None) -> None:
    """Print a table.

    Parameters
    ----------
    table : by take, strum or pickup
    console : where to
    chosen : quantities that were asked for by name; None shows the usual ones
    """
    there = {column.key for column in table.columns}
    wanted = _chosen(table, chosen) if chosen is not None else _usual(table.per)
    figures = [figure for figure in wanted if figure.key in there]
    cells = {figure.key: [figure.show(row) for row in table.rows] for figure in figures}
    cells["take"] = [str(row["pickup"]) for row in table.rows] if table.per == "pickup" else names_of(table.rows)
    figures = [figure for figure in figures if not figure.may_go or set(cells[figure.key]) != {NOTHING}]
    if console.width < ROOMY:
        figures = [replace(figure, widest=14) if figure.key in ("checks", "take") else figure for figure in figures]
    kept, left_out = _fitting(figures, cells, max(NARROWEST, console.width))
    kept = _growing(kept, cells, max(NARROWEST, console.width))
    grid = Grid(box=box.SIMPLE_HEAD, padding=(0, GAP - 1, 0, 0), pad_edge=False, show_edge=False, header_style="bold")
    for figure in kept:
        wraps = figure.key == "take" and not can_be_cut(cells["take"], figure.widest)
        grid.add_column(
            Text(figure.head),
            justify="right" if figure.number else "left",
            no_wrap=not wraps,
            overflow="fold" if wraps else "ellipsis",
            max_width=figure.widest,
            vertical="bottom",
        )
    for place in range(len(table.rows)):
        grid.add_row(*(Text(cells[figure.key][place]) for figure in kept))
    console.print(grid)
    for legend, in_mv in ((LEGEND, False), (LEGEND_MV, True)):
        if any("±" in cell for figure in kept if figure.key.endswith("_mv") is in_mv for cell in cells[figure.key]):
            console.print(Text(legend, style="dim"))
    if left_out:
        names = ", ".join(figure.key for figure in left_out)
        console.print(Text(f"left out for want of width: {names}; -o NAME.xlsx saves every column"), style="dim")
    empty = {figure.key: [cell == NOTHING for cell in cells[figure.key]] for figure in kept if figure.number}
    show_why_empty(table.rows, cells["take"], empty, console)


def _fitting(figures: Sequence[Figure], cells: dict[str, list[str]], width: int) -> tuple[list[Figure], list[Figure]]:
    kept = list(figures)
    left_out: list[Figure] = []
    while _taken(kept, cells) > width and any(figure.rank for figure in kept):
        least = max(kept, key=lambda figure: figure.rank)
        kept.remove(least)
        left_out.append(least)
    return kept, left_out


def _growing(figures: Sequence[Figure], cells: dict[str, list[str]], width: int) -> list[Figure]:
    """Give the long texts the room that is left."""
    grown = list(figures)
    for key, most in GROWING.items():
        for place, figure in enumerate(grown):
            if figure.key == key:
                longest = max((len(text) for text in cells[key]), default=0)
                wider = min(figure.widest + max(0, width - _taken(grown, cells)), most, longest)
                grown[place] = replace(figure, widest=max(figure.widest, wider))
    return grown


def _taken(figures: Sequence[Figure], cells: dict[str, list[str]]) -> int:
    """Characters that a row of these columns takes."""
    needed = 0
    for figure in figures:
        texts = [*figure.head.split("\n"), *cells[figure.key]]
        needed += min(figure.widest, max(len(text) for text in texts)) + GAP
    return needed - GAP


def _usual(per: str) -> list[Figure]:
    name = Figure("take", "take", _text("take"), 0, widest=22, number=False)
    pickup = Figure("pickup", "pickup", _text("pickup"), 5, widest=16, number=False)
    position = Figure("position", "position", _text("position"), 9, widest=8, number=False)
    figures = [
        Figure("rms_mv", "level\nmV", _millivolts, 2, widest=18, optional=True),
        Figure("crest_db", "crest\ndB", _fixed("crest_db", 1), 1),
        Figure("attack_ms", "attack\nms", _fixed("attack_ms", 1), 4),
        Figure("decay_db_per_s", "decay\ndB/s", _fixed("decay_db_per_s", 1), 3),
        Figure("sustain_20_s", "-20 dB\nafter s", _fixed("sustain_20_s", 2), 6),
        Figure("bass_db", "bass\ndB", _fixed("bass_db", 1), 2),
        Figure("middle_db", "mid\ndB", _fixed("middle_db", 1), 1),
        Figure("treble_db", "treble\ndB", _fixed("treble_db", 1), 1),
    ]
    checks = Figure("checks", "checks", _checks, 0, widest=24, number=False)
    if per == "strum":
        strum = Figure("strum", "strum", _fixed("strum", 0), 0)
        onset = Figure("onset_s", "onset\ns", _fixed("onset_s", 3), 7)
        return [
            name,
            pickup,
            strum,
            onset,
            Figure("rms_dbfs", "level\ndBFS", _fixed("rms_dbfs", 1), 0),
            *figures,
            checks,
        ]
    strums = Figure("strums", "strums", _fixed("strums", 0), 0)
    if per == "pickup":
        takes = Figure("takes", "takes", _fixed("takes", 0), 0)
        named = replace(pickup, rank=0)
        level = Figure("rms_dbfs", "level\ndBFS", _level, 0)
        return [named, position, takes, strums, level, *figures, checks]
    return [name, pickup, position, strums, Figure("rms_dbfs", "level\ndBFS", _level, 0), *figures, checks]


def _chosen(table: Table, chosen: Iterable[str]) -> list[Figure]:
    usual = _usual(table.per)
    frame = [figure for figure in usual if figure.key in ("take", "pickup", "takes", "strum", "strums")]
    wanted = tuple(chosen)
    figures: list[Figure] = []
    for column in table.columns:
        base = next((key for key in wanted if column.key == key or column.key.startswith(f"{key}_")), None)
        if base is not None and not column.key.endswith(("_sd", "_low", "_high", UNCERTAINTY)):
            show_cell = _with_uncertainty(column.key) if column.key.endswith("_mv") else _with_interval(column.key)
            figures.append(Figure(column.key, column.key, show_cell, len(figures) + 10, widest=26))
    return [*frame, *figures, usual[-1]]


def _text(key: str) -> Callable[[Row], str]:
    return lambda row: cell_text(row.get(key)) or NOTHING


def _fixed(key: str, decimals: int) -> Callable[[Row], str]:
    return lambda row: _number(row.get(key), decimals)


def _with_interval(key: str) -> Callable[[Row], str]:
    return lambda row: _mean(row, key, 2)


def _with_uncertainty(key: str) -> Callable[[Row], str]:
    return lambda row: _plus_minus(_number(row.get(key), 2), row.get(f"{key}{UNCERTAINTY}"), 2)


def _millivolts(row: Row) -> str:
    value = row.get("rms_mv")
    decimals = 0 if isinstance(value, int | float) and value >= TELLING_MV else 1
    return _plus_minus(_number(value, decimals), row.get(f"rms_mv{UNCERTAINTY}"), decimals)


def _plus_minus(text: str, uncertainty: Any, decimals: int) -> str:
    return f"{text} ± {uncertainty:.{decimals}f}" if isinstance(uncertainty, int | float) else text


def _level(row: Row) -> str:
    return _mean(row, "rms_dbfs", 1)


def _mean(row: Row, key: str, decimals: int) -> str:
    low, high = row.get(f"{key}_low"), row.get(f"{key}_high")
    half = (high - low) / 2 if isinstance(low, int | float) and isinstance(high, int | float) else None
    return _plus_minus(_number(row.get(key), decimals), half, decimals)


def _number(value: Any, decimals: int) -> str:
    if not isinstance(value, int | float):
        return NOTHING
    return f"{value:.{decimals}f}"


def _checks(row: Row) -> str:
    state = row.get("state")
    if state in ("rejected", "failed", "waiting", "measuring"):
        return str(state)
    found = cell_text(row.get("checks"))
    if row.get("usable") is False:
        return f"unusable: {found}" if found else "unusable"
    return found or "none"
