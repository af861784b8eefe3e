"""`coilbench compare`: which pickups differ from a baseline, by how much, and whether it is real."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.command.answer import (
    answer_json_option,
    confidence_option,
    hand_over,
    quantities_option,
    session_option,
)
from coilbench.command.connection import Connection, connection_options
from coilbench.command.naming import names_of_takes
from coilbench.command.options import output_option
from coilbench.page import Page


@click.command(short_help="Which pickups differ from a baseline, by how much, and whether it is real.")
@connection_options
@click.argument("baseline", metavar="BASELINE")
@click.argument("others", nargs=-1, metavar="[OTHER]...")
@quantities_option
@confidence_option
@session_option
@click.option("--bands", is_flag=True, help="Also the octaves, at equal loudness.")
@output_option
@answer_json_option
@click.pass_obj
def compare(
    connection: Connection,
    baseline: str,
    others: tuple[str, ...],
    quantities: list[str] | None,
    confidence: float,
    session: str | None,
    bands: bool,
    output: Path | None,
    as_json: bool,
) -> None:
    """Hold pickups, or single takes, against BASELINE: keys of pickups, or ids of takes. Without OTHER, all pickups.

    Each row says the difference with its interval and, in a word, whether it is real. "no difference shown" is not "no
    difference": beside it stands what could have been shown, and how many strums or takes would settle it. What can't
    be compared is withheld with the reason; that is no failure.
    """
    client = connection.client()
    found = client.compare(baseline, others or None, quantities, confidence, session)

    def page(width: int) -> Page:
        takes = [one.id for one in found.subjects if one.kind == "take"]
        names = names_of_takes(client, [*takes, *(one.take for one in found.left_out)])
        return found.named(names).page(width, bands=bands)

    hand_over(found, output, as_json=as_json, page=page)
