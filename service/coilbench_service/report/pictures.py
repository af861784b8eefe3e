"""Which charts a report shows, and what they leave out. Charts are made in `charts`; here is only the choice."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection

from coilbench_service.banding import banded
from coilbench_service.bench import Bench
from coilbench_service.charts import bands, beside
from coilbench_service.charts.chart import Chart
from coilbench_service.charts.decay import decay_chart
from coilbench_service.charts.intervals import intervals_chart
from coilbench_service.charts.specification import specification_chart
from coilbench_service.grouping import FIELDS, FITTED, fitted
from coilbench_service.pictured import Pictured, pictured_of
from coilbench_service.problems import Problem
from coilbench_service.report.blocks import Picture
from coilbench_service.report.contents import Contents
from coilbench_service.subject_names import subject_names
from coilbench_service.writing import counted, listed

MOST_PICKUPS = min(bands.MOST, beside.MOST_TAKES)
"""Of one picture; the tables have all of them."""
MOST_BESIDE = 6
"""Takes of one picture, so that it can be read on paper; others go on a further one, on the same scale."""
MOST_DECAYS = 4
"""Pickups that are shown dying away, strum by strum."""
MOST_INTERVALS = 48
"""Differences of one picture, so that it fits a page."""
MOST_OTHERS = 40
"""Pickups beside the baseline of which intervals are drawn at all."""
LEAST_SHEETS = 3
"""Pickups with a sheet: fewer make no picture of what a sheet tells."""

INTERVALS = (
    "Each sign is a difference from {}, its line the interval. Where the sign is filled the difference is shown; a "
    "line that crosses zero leaves open which of the two has more."
)
BESIDE = (
    "One take of each pickup, all on one scale, strums marked. What is higher is louder, as far as gains are alike."
)
BANDS = (
    "The tone of the pickups as if all were equally loud: bass to the left, treble to the right. Intervals are those "
    "of single bands; no verdict is given on a band."
)
SPECIFICATION = "Numbers of the data sheets against what was measured: whether the one tells anything of the other."
DECAY = (
    "How {} dies away: energy that is still to come against time, for each strum of its first take that counts. The "
    "steeper the line, the sooner it is gone."
)

Told = tuple[Chart, str]


def pictures_of(bench: Bench, contents: Contents) -> tuple[list[Picture], str | None]:
    """The pictures of a report in their order, and what they leave out in a few words, None where nothing."""
    first = _first_takes(contents)
    with bench.database.read() as connection:
        found = {key: _pictured(connection, take) for key, take in list(first.items())[:MOST_PICKUPS]}
    drawn = {key: take for key, take in found.items() if take is not None}
    told = [
        *_of_comparison(bench, contents),
        *_of_takes(list(drawn.values())),
        *_of_pickups(bench, contents, list(first)),
        *_decays(drawn),
    ]
    pictures = [Picture(chart, reading, number) for number, (chart, reading) in enumerate(told, start=1)]
    return pictures, _left_out(contents, len(first), len(drawn)) if pictures else None


def _first_takes(contents: Contents) -> dict[str, str]:
    """The first take that counts of each pickup, the baseline's first."""
    found: dict[str, str] = {}
    for take in contents.counting:
        if take.pickup is not None:
            found.setdefault(take.pickup, take.id)
    key = contents.baseline.key if contents.baseline is not None else None
    return {name: found[name] for name in sorted(found, key=lambda name: name != key)}


def _pictured(connection: Connection, take: str) -> Pictured | None:
    """A take with what its pictures need; None where it was measured before that was kept, or has changed meanwhile."""
    try:
        return pictured_of(connection, take)
    except Problem:
        return None


def _of_comparison(bench: Bench, contents: Contents) -> Iterator[Told]:
    found = contents.comparison
    if found is None or not 0 < len(found["subjects"]) - 1 <= MOST_OTHERS:
        return
    names = subject_names(bench, found["subjects"])
    others = len(found["subjects"]) - 1
    shares = list(_shares(found["quantities"], max(2, MOST_INTERVALS // others)))
    for number, some in enumerate(shares, start=1):
        chart = intervals_chart({**found, "quantities": some}, names)
        yield _part(chart, number, len(shares)), INTERVALS.format(found["baseline"])


def _shares(every: Sequence[Mapping[str, Any]], most: int) -> Iterator[Sequence[Mapping[str, Any]]]:
    for start in range(0, len(every), most):
        yield every[start : start + most]


def _of_takes(takes: Sequence[Pictured]) -> Iterator[Told]:
    if len(takes) < beside.LEAST_TAKES:
        return
    count = -(-len(takes) // MOST_BESIDE)
    for number in range(count):
        some = takes[number * len(takes) // count : (number + 1) * len(takes) // count]
        yield _part(beside.beside_chart(some, scaled_with=takes), number + 1, count), BESIDE


def _part(chart: Chart, number: int, of: int) -> Chart:
    """One of several pictures that belong together."""
    return chart if of == 1 else replace(chart, title=f"{chart.title}: {number} of {of}")


def _of_pickups(bench: Bench, contents: Contents, keys: Sequence[str]) -> Iterator[Told]:
    if keys:
        found = banded(
            bench,
            subjects=keys[:MOST_PICKUPS],
            session=contents.session,
            confidence=contents.confidence,
            field="session",
        )
        yield bands.bands_chart(found, subject_names(bench, found["subjects"])), BANDS
    sheets = [contents.sheets[key] for key in keys if key in contents.sheets]
    fields = [name for name in FIELDS if sum(sheet.get(name) is not None for sheet in sheets) >= LEAST_SHEETS]
    if fields:
        fit = fitted(
            bench,
            fields=fields,
            quantities=FITTED,
            among=keys,
            session=contents.session,
            confidence=contents.confidence,
        )
        yield specification_chart(fit), SPECIFICATION


def _decays(drawn: Mapping[str, Pictured]) -> Iterator[Told]:
    for key, take in list(drawn.items())[:MOST_DECAYS]:
        yield decay_chart(take.label, take.strums, take.traces), DECAY.format(key)


def _left_out(contents: Contents, pickups: int, drawn: int) -> str | None:
    said = []
    if any(row["takes"] > 1 for row in contents.rows):
        said.append("Pictures of takes show the first take that counts of a pickup; the figures rest on all of them.")
    limits = [f"{drawn} side by side"] if drawn < pickups else []
    if (dying := min(drawn, MOST_DECAYS)) < pickups:
        limits.append(f"how the strums of {dying} die away")
    if limits:
        said.append(f"Of {counted(pickups, 'pickup')}, pictures show {listed(limits)}; the tables have all of them.")
    return " ".join(said) or None
