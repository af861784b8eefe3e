"""`coilbench callback`: addresses that are told when takes end."""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import islice

import click
from rich.table import Table as Grid
from rich.text import Text

from coilbench.callback import Callback, Delivery
from coilbench.command.connection import Connection, connection_options
from coilbench.command.headline import screen
from coilbench.command.options import json_option

STATES = ("measured", "rejected", "failed")


@click.group(short_help="Addresses that are told when takes end.")
@connection_options
def callback() -> None:
    """Have a program of yours told when takes end, by signed messages after Standard Webhooks 1.0.

    Where the service asks for keys, this takes one with the scope admin.
    """


@callback.command(short_help="Have an address told.")
@connection_options
@click.argument("address", metavar="URL")
@click.option(
    "--state", "states", multiple=True, type=click.Choice(STATES), help="Only these ends; may be repeated. [all]"
)
@click.option("--session", metavar="NAME", help="Only takes of this session.")
@json_option
@click.pass_obj
def add(connection: Connection, address: str, states: Sequence[str], session: str | None, as_json: bool) -> None:
    """Have URL told when takes end. The secret is shown this once: give it to the program that listens there."""
    made = connection.client().add_callback(address, states=states or None, session=session)
    if as_json:
        _print_json(made)
        return
    click.echo(f"Call-back {made.id} is there. Its secret, shown this once:", err=True)
    click.echo(made.secret)


@callback.command("list", short_help="List the call-backs.")
@connection_options
@json_option
@click.pass_obj
def list_callbacks(connection: Connection, as_json: bool) -> None:
    """List the call-backs, and whether what is sent to them arrives."""
    found = list(connection.client().callbacks())
    if as_json:
        for one in found:
            _print_json(one)
    elif found:
        _print_table(
            ("id", "address", "hears of", "session", "stands"),
            [(one.id, one.url, ", ".join(one.states), one.session or "all", _stands(one)) for one in found],
        )
    else:
        click.echo("No call-back yet; `coilbench callback add URL` makes one.", err=True)


@callback.command(short_help="List what was sent to a call-back.")
@connection_options
@click.argument("callback_id", metavar="ID")
@click.option("--last", type=click.IntRange(min=1), default=50, show_default=True, help="So many at most.")
@json_option
@click.pass_obj
def deliveries(connection: Connection, callback_id: str, last: int, as_json: bool) -> None:
    """List what was, and is to be, sent to call-back ID, the newest first."""
    found = islice(connection.client().deliveries(callback_id), last)
    if as_json:
        for one in found:
            _print_json(one)
        return
    rows = [
        (one.created, one.type, one.take or "", one.state, str(one.tries), one.outcome or "not tried yet")
        for one in found
    ]
    if rows:
        _print_table(("entered", "type", "take", "state", "tries", "last outcome"), rows)
    else:
        click.echo("Nothing was sent to it yet; `coilbench callback test ID` sends a trial.", err=True)


@callback.command(short_help="Have a trial message sent.")
@connection_options
@click.argument("callback_id", metavar="ID")
@click.pass_obj
def test(connection: Connection, callback_id: str) -> None:
    """Have a message of type callback.test sent to call-back ID."""
    connection.client().test_callback(callback_id)
    click.echo(f"A trial is on its way; `coilbench callback deliveries {callback_id}` says what came of it.", err=True)


@callback.command(short_help="Start again one that was stopped.")
@connection_options
@click.argument("callback_id", metavar="ID")
@click.pass_obj
def start(connection: Connection, callback_id: str) -> None:
    """Let a stopped call-back hear again of takes that end from now on."""
    connection.client().change_callback(callback_id, stopped=False)
    click.echo(f"Call-back {callback_id} is told again; what ended meanwhile is not sent after.", err=True)


@callback.command(short_help="Delete a call-back.")
@connection_options
@click.argument("callback_id", metavar="ID")
@click.pass_obj
def remove(connection: Connection, callback_id: str) -> None:
    """Delete a call-back with all that was, or was to be, sent to it."""
    connection.client().remove_callback(callback_id)
    click.echo(f"Call-back {callback_id} is deleted.", err=True)


def _stands(one: Callback) -> str:
    if one.stopped is not None:
        return f"stopped: {one.reason}"
    return "well" if not one.failures else f"the last {one.failures} tries failed"


def _print_table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    grid = Grid(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    for head in heads:
        grid.add_column(head, overflow="fold", no_wrap=head in ("id", "take"))  # these are copied and typed
    for row in rows:
        grid.add_row(*map(Text, row))
    screen().print(grid)


def _print_json(one: Callback | Delivery) -> None:
    click.echo(json.dumps(dict(one.document), ensure_ascii=False))
