"""`coilbench status`: how far the takes are."""

from __future__ import annotations

import json
from collections import Counter
from datetime import datetime

import click
from rich.text import Text

from coilbench.command.connection import Connection, connection_options
from coilbench.command.exits import FAILED, MEASURED
from coilbench.command.findings import show_problems
from coilbench.command.headline import screen
from coilbench.command.options import filter_options, filters_of, json_option
from coilbench.take import STATES

SHOWN_UNFINISHED = 10


@click.command(short_help="How far the takes are, and what is wrong with some.")
@connection_options
@click.argument("ids", nargs=-1, metavar="[ID]...")
@click.option("--state", type=click.Choice(STATES), multiple=True, help="Only takes in this state; repeatable.")
@filter_options
@json_option
@click.pass_obj
def status(
    connection: Connection,
    ids: tuple[str, ...],
    state: tuple[str, ...],
    session: str | None,
    pickup: str | None,
    chain: str | None,
    since: datetime | None,
    as_json: bool,
) -> int:
    """Count takes by state and list those that could not be measured, with what to do.

    Exits with 1 when one of them was rejected or failed.
    """
    filters = filters_of(session, pickup, chain, since)
    if ids and (state or any(filters.values())):
        raise click.UsageError("give either IDs or filters")
    client = connection.client()
    filters["state"] = state
    takes = [client.take(id) for id in ids] if ids else list(client.takes(**filters))
    if as_json:
        for take in takes:
            click.echo(json.dumps(take.document(), ensure_ascii=False))
    else:
        console = screen()
        counts = Counter(take.state for take in takes)
        none = "no takes" if ids or any(filters.values()) else "no takes yet; `coilbench send FOLDER` sends some"
        console.print(Text(", ".join(f"{counts[one]} {one}" for one in STATES if counts[one]) or none))
        show_problems(takes, console)
        unfinished = [take for take in takes if not take.final]
        for take in unfinished[:SHOWN_UNFINISHED]:
            console.print(Text(f"{take.state}  {take.label}  ({take.id})"))
        if len(unfinished) > SHOWN_UNFINISHED:
            console.print(Text(f"and {len(unfinished) - SHOWN_UNFINISHED} more on their way"))
    return FAILED if any(take.state in ("rejected", "failed") for take in takes) else MEASURED
