"""`coilbench group` and `coilbench fit`: data sheets held against measurements."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.client import Client
from coilbench.command.answer import (
    answer_json_option,
    confidence_option,
    hand_over,
    listed,
    quantities_option,
    session_option,
)
from coilbench.command.connection import Connection, connection_options
from coilbench.command.naming import names_of_takes
from coilbench.command.options import output_option
from coilbench.fit import Fit
from coilbench.groups import Groups
from coilbench.page import Page


@click.command(short_help="How groups of pickups differ, such as active from passive ones.")
@connection_options
@click.argument("field", metavar="FIELD")
@quantities_option
@click.option("--among", callback=listed, metavar="K,K", help="Only these pickups. [all with measured takes]")
@session_option
@confidence_option
@output_option
@answer_json_option
@click.pass_obj
def group(
    connection: Connection,
    field: str,
    quantities: list[str] | None,
    among: list[str] | None,
    session: str | None,
    confidence: float,
    output: Path | None,
    as_json: bool,
) -> None:
    """Compare pickups by a FIELD of their data sheets: active, magnet, construction, ... Each pickup counts once.

    `coilbench pickup list` shows the sheets.
    """
    client = connection.client()
    found = client.group(field, quantities, among, session, confidence)
    hand_over(found, output, as_json=as_json, page=lambda width: _page(client, found, width))


@click.command(short_help="Whether numbers of the data sheets predict what was measured.")
@connection_options
@click.argument("fields", nargs=-1, metavar="[FIELD]...")
@quantities_option
@click.option("--among", callback=listed, metavar="K,K", help="Only these pickups. [all with measured takes]")
@session_option
@confidence_option
@output_option
@answer_json_option
@click.pass_obj
def fit(
    connection: Connection,
    fields: tuple[str, ...],
    quantities: list[str] | None,
    among: list[str] | None,
    session: str | None,
    confidence: float,
    output: Path | None,
    as_json: bool,
) -> None:
    """Say whether numbers of the data sheets predict what was measured, in this collection.

    FIELD is dcr_ohm, inductance_h, rated_output_mv or any other number of the sheets; without one, these three.
    """
    client = connection.client()
    found = client.fit(fields or None, quantities, among, session, confidence)
    hand_over(found, output, as_json=as_json, page=lambda width: _page(client, found, width))


def _page(client: Client, found: Groups | Fit, width: int) -> Page:
    return found.named(names_of_takes(client, [one.take for one in found.left_out])).page(width)
