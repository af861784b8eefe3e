"""`coilbench table`: what was measured, on the screen or in a file."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Literal

import click
from rich.table import Table as Grid
from rich.text import Text

from coilbench.command.connection import Connection, connection_options
from coilbench.command.exits import FAILED, MEASURED
from coilbench.command.findings import say_unusable, show_checks, show_problems
from coilbench.command.headline import screen, show
from coilbench.command.options import filter_options, filters_of, json_option, output_option, per_option
from coilbench.measurement import Quantity
from coilbench.table import Table


@click.command(short_help="What was measured, on the screen or in a file.")
@connection_options
@filter_options
@per_option
@click.option("--quantities", metavar="A,B", help="Only these quantities, by key.")
@click.option("--list-quantities", is_flag=True, help="Only list the quantities that there are: key, unit, definition.")
@output_option
@json_option
@click.pass_obj
def table(
    connection: Connection,
    session: str | None,
    pickup: str | None,
    chain: str | None,
    since: datetime | None,
    per: Literal["take", "strum"],
    quantities: str | None,
    list_quantities: bool,
    output: Path | None,
    as_json: bool,
) -> int:
    """Show what was measured: one row for each take or strum, checks and problems beneath.

    Exits with 1 when a take among them was rejected or failed.
    """
    client = connection.client()
    if list_quantities:
        print_quantities(client.quantities(), as_json=as_json)
        return MEASURED
    filters = filters_of(session, pickup, chain, since)
    chosen = [key.strip() for key in quantities.split(",") if key.strip()] if quantities else None
    found = client.table(per, chosen, **filters)
    filters["state"] = ("rejected", "failed", "waiting", "measuring")
    others = list(client.takes(**filters))
    stopped = [take for take in others if take.final]
    if output is not None:
        save(found, output)
    if as_json:
        print_rows(found)
    elif output is None:
        console = screen()
        if found.rows:
            show(found, console, chosen)
            show_checks(found, client, console)
        else:
            click.echo("No take fits; `coilbench send FOLDER` sends some.", err=True)
        show_problems(stopped, console)
    say_unusable(found)
    unfinished = len(others) - len(stopped)
    if unfinished:
        takes_are = "1 take is" if unfinished == 1 else f"{unfinished} takes are"
        click.echo(f"{takes_are} not measured yet; ask again in a moment.", err=True)
    return FAILED if stopped else MEASURED


def save(found: Table, output: Path) -> None:
    """Save a table and say so.

    Parameters
    ----------
    found : the table
    output : where to
    """
    found.save(output)
    click.echo(
        f"{output}: {len(found)} {'row' if len(found) == 1 else 'rows'} of {len(found.columns)} columns", err=True
    )


def print_quantities(catalogue: Sequence[Quantity], *, as_json: bool) -> None:
    """Print the quantities that a table may hold.

    Parameters
    ----------
    catalogue : of the service
    as_json : one JSON object a line, with all that the catalogue says
    """
    if as_json:
        for quantity in catalogue:
            click.echo(json.dumps(asdict(quantity), ensure_ascii=False))
        return
    grid = Grid(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    for head in ("key", "unit"):
        grid.add_column(head, no_wrap=True)
    grid.add_column("definition")
    for quantity in catalogue:
        grid.add_row(Text(quantity.key), Text(quantity.unit), Text(quantity.definition))
    screen().print(grid)


def print_rows(found: Table) -> None:
    """Print the rows for programs, one JSON object a line.

    Parameters
    ----------
    found : the table
    """
    for row in found.rows:
        click.echo(json.dumps(dict(row), ensure_ascii=False))
