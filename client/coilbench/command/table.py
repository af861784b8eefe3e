"""`coilbench table`: what was measured, on the screen or in a file."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from coilbench.client import Client
from coilbench.command.connection import Connection, connection_options
from coilbench.command.exits import FAILED, MEASURED
from coilbench.command.findings import say_unusable, show_checks, show_problems
from coilbench.command.headline import screen, show
from coilbench.command.options import filter_options, filters_of, json_option
from coilbench.errors import UnknownFormat
from coilbench.filters import TakeFilters
from coilbench.measurement import Quantity
from coilbench.table import Per, Row, Shape, Spread, Table
from coilbench.table_files import WRITERS, writer_for
from coilbench.table_served import ServedTable

FORMATS = tuple(extension[1:] for extension in WRITERS)
TEXTS = ("csv", "jsonl", "json")
"""Formats that can be printed."""
LIGHT = ("rms_dbfs",)
"""One quantity: what is asked for where only takes and their checks are looked at."""
LONG = ("pickup", "label", "file", "strum", "quantity", "part", "value", "unit", "sd", "low", "high", "n")

NO_TAKES = "No takes yet; `coilbench send FOLDER` sends some."


@click.command(short_help="What was measured, on the screen or in a file.")
@connection_options
@filter_options
@click.option(
    "--per",
    type=click.Choice(["take", "strum", "pickup"]),
    default="take",
    show_default=True,
    help="One row for each take, for each strum, or for each pickup: the mean of its takes.",
)
@click.option(
    "--shape",
    type=click.Choice(["wide", "long"]),
    default="wide",
    show_default=True,
    help="A column for every quantity, or a row for every number.",
)
@click.option(
    "--spread",
    type=click.Choice(["all", "none"]),
    default="all",
    show_default=True,
    help="With standard deviation and 95 % interval of each mean, or without.",
)
@click.option("--quantities", metavar="A,B", help="Only these quantities, by key.")
@click.option("--list-quantities", is_flag=True, help="Only list the quantities that there are: key, unit, definition.")
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    help=f"Format of the file, whatever its extension; without -o, {', '.join(TEXTS)} are printed.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="NAME",
    help=f"Save the table; the extension picks the format: {', '.join(WRITERS)}.",
)
@json_option
@click.pass_obj
def table(
    connection: Connection,
    session: str | None,
    pickup: str | None,
    chain: str | None,
    since: datetime | None,
    per: Per,
    shape: Shape,
    spread: Spread,
    quantities: str | None,
    list_quantities: bool,
    form: str | None,
    output: Path | None,
    as_json: bool,
) -> int:
    """Show what was measured: one row for each take, strum or pickup, checks and problems beneath.

    A file is written by the service and goes to the disk as it comes: a hundred thousand strums need no room in memory.
    A spreadsheet has charts, the conditions of the takes, what checks found, and a sheet that explains the columns.

    Exits with 1 when a take among them was rejected or failed.
    """
    check_output(output, form)
    client = connection.client()
    if list_quantities:
        print_quantities(client.quantities(), as_json=as_json)
        return MEASURED
    filters = filters_of(session, pickup, chain, since)
    chosen = [key.strip() for key in quantities.split(",") if key.strip()] if quantities else None
    found = client.table(per, chosen, shape=shape, spread=spread, **filters)
    unmeasured = TakeFilters(**{**filters, "state": ("rejected", "failed", "waiting", "measuring")})
    others = list(client.takes(**unmeasured))
    stopped = [take for take in others if take.final]
    if output is not None:
        save(found, output, form)
    if as_json:
        print_rows(found)
    elif form is not None and output is None:
        print_file(found, form)
    elif output is None:
        show_all(found, client, chosen, filters)
        show_problems(stopped, screen())
    say_unusable(takes_behind(found, client, filters))
    unfinished = len(others) - len(stopped)
    if unfinished:
        takes_are = "1 take is" if unfinished == 1 else f"{unfinished} takes are"
        click.echo(f"{takes_are} not measured yet; ask again in a moment.", err=True)
    return FAILED if stopped else MEASURED


def check_output(output: Path | None, form: str | None) -> None:
    """Refuse what could not be written, before anything is asked.

    Parameters
    ----------
    output : where to, or None
    form : the format named, or None

    Raises
    ------
    BadParameter : no such folder, an extension that is no format, or a format that can't be printed
    """
    if output is None:
        if form is not None and form not in TEXTS:
            raise click.BadParameter(f"{form} can't be printed; add -o NAME.{form}", param_hint="--format")
        return
    if form is None:
        try:
            writer_for(output)
        except UnknownFormat as error:
            raise click.BadParameter(str(error), param_hint="-o") from error
    if not output.parent.is_dir():
        raise click.BadParameter(f"there is no folder {output.parent}", param_hint="-o")


def save(found: Table, output: Path, form: str | None = None) -> None:
    """Save a table and say so.

    Parameters
    ----------
    found : the table
    output : where to
    form : the format; None goes by the extension
    """
    if isinstance(found, ServedTable):
        rows = found.fetch(output, form)
    else:
        found.save(output)
        rows = len(found)
    click.echo(f"{output}: {rows} {'row' if rows == 1 else 'rows'} of {len(found.columns)} columns", err=True)


def show_all(found: Table, client: Client, chosen: Sequence[str] | None, filters: TakeFilters) -> None:
    """Show the table with what the checks found, and what is left out of its means.

    Parameters
    ----------
    found : the table
    client : gives messages and advice of checks
    chosen : quantities that were asked for, None for all
    filters : of the takes
    """
    console = screen()
    if not found.rows:
        none = "No take fits; `coilbench table` alone shows all." if any(filters.values()) else NO_TAKES
        click.echo(none, err=True)
        return
    if "quantity" in {column.key for column in found.columns}:
        show_long(found, console)
    else:
        show(found, console, chosen)
    show_left_out(found, console)
    show_checks(takes_behind(found, client, filters), client, console)


def takes_behind(found: Table, client: Client, filters: TakeFilters) -> Table:
    """The table itself where its rows are of takes and were read, else one by take with little in it.

    Parameters
    ----------
    found : the table
    client, filters : to ask for the takes
    """
    read = not isinstance(found, ServedTable) or found.read
    if read and found.per != "pickup" and "quantity" not in {column.key for column in found.columns}:
        return found
    return client.table("take", LIGHT, spread="none", **filters)


def show_left_out(found: Table, console: Console) -> None:
    """Say of a table by pickup which takes are in none of its means, and why.

    Parameters
    ----------
    found : any table
    console : where to
    """
    said: dict[str, int] = {}
    for one in found.left_out:
        text = f"{one['subject']}: {one['reason']}" if one.get("subject") else str(one["reason"])
        said[text] = said.get(text, 0) + 1
    for text, number in said.items():
        console.print(Text(f"in no mean  {text}{f' ({number} takes)' if number > 1 else ''}", style="dim"))


def show_long(found: Table, console: Console) -> None:
    """Print a table of one number a row.

    Parameters
    ----------
    found : of the shape long
    console : where to
    """
    keys = [key for key in LONG if any(row.get(key) is not None for row in found.rows)]
    grid = Grid(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    for key in keys:
        grid.add_column(key, justify="right" if key in ("strum", "value", "sd", "low", "high", "n") else "left")
    for row in found.rows:
        grid.add_row(*(Text(_cell(row, key)) for key in keys))
    console.print(grid)


def _cell(row: Mapping[str, Any], key: str) -> str:
    value = row.get(key)
    return "·" if value is None else f"{value:.3f}" if isinstance(value, float) else str(value)


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


def print_rows(found: Iterable[Row]) -> None:
    """Print the rows for programs, one JSON object a line, as they come.

    Parameters
    ----------
    found : the table
    """
    for row in found:
        click.echo(json.dumps(dict(row), ensure_ascii=False))


def print_file(found: Table, form: str) -> None:
    """Print the table in a format of text, as it comes.

    Parameters
    ----------
    found : the table
    form : one of `TEXTS`
    """
    if isinstance(found, ServedTable):
        sys.stdout.flush()
        found.write(sys.stdout.buffer, form)
        sys.stdout.buffer.flush()
