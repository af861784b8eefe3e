"""Which charts a report shows, and what they leave out. Charts are made in `charts`; here is only the choice."""

from __future__ import annotations

from sqlalchemy import Connection

from coilbench_service.bench import Bench
from coilbench_service.charts.decay import decay_chart
from coilbench_service.pictured import Pictured, pictured_of
from coilbench_service.problems import Problem
from coilbench_service.report.blocks import Picture
from coilbench_service.report.contents import Contents

MOST_DECAYS = 4
"""Pickups whose first take is shown dying away, strum by strum: the baseline first."""
DECAY = (
    "How {} dies away: energy that is still to come against time, for each strum of its first take that counts. The "
    "steeper the line, the sooner it is gone."
)


def pictures_of(bench: Bench, contents: Contents) -> tuple[list[Picture], str | None]:
    """The pictures of a report in their order, and one sentence on what they leave out, None where nothing."""
    with bench.database.read() as connection:
        first = {key: _pictured(connection, take) for key, take in _first_takes(contents).items()}
    drawn = {key: take for key, take in first.items() if take is not None}
    shown = list(drawn)[:MOST_DECAYS]
    charts = [(decay_chart(drawn[key].label, drawn[key].strums, drawn[key].traces), DECAY.format(key)) for key in shown]
    pictures = [Picture(chart, reading, number) for number, (chart, reading) in enumerate(charts, start=1)]
    return pictures, _left_out(contents, list(first), shown)


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


def _left_out(contents: Contents, keys: list[str], shown: list[str]) -> str | None:
    said = []
    if any(row["takes"] > 1 for row in contents.rows):
        said.append("Pictures of takes show the first take that counts of a pickup; the figures rest on all of them.")
    if len(shown) < len(keys):
        said.append(f"Of {len(keys)} pickups, {len(shown)} are shown dying away.")
    return " ".join(said) or None
