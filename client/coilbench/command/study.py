"""`coilbench study`: how much the tester's own hand scatters, and what to record therefore."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.command.answer import answer_json_option, hand_over, quantities_option, session_option
from coilbench.command.connection import Connection, connection_options
from coilbench.command.naming import names_of_takes
from coilbench.command.options import output_option
from coilbench.description import parse_number
from coilbench.errors import BadDescription
from coilbench.page import Page


@click.command(short_help="How much your own hand scatters, and what to record therefore.")
@connection_options
@click.argument("subjects", nargs=-1, metavar="[SUBJECT]...")
@quantities_option
@click.option(
    "--difference",
    "differences",
    multiple=True,
    metavar="QUANTITY=SIZE",
    help="Plan for this difference, such as rms_dbfs=1; repeatable. [what an ear can tell]",
)
@session_option
@output_option
@answer_json_option
@click.pass_obj
def study(
    connection: Connection,
    subjects: tuple[str, ...],
    quantities: list[str] | None,
    differences: tuple[str, ...],
    session: str | None,
    output: Path | None,
    as_json: bool,
) -> None:
    """Say how much strums of one take differ, and takes of one pickup, and how many of each would show a difference.

    SUBJECT is the key of a pickup, or the id of a take; without one, all pickups. Record two takes of each at least:
    unplug, put the guitar down, begin again.
    """
    client = connection.client()
    found = client.study(subjects or None, quantities, _wanted(differences), session)

    def page(width: int) -> Page:
        takes = [one.id for one in found.subjects if one.kind == "take"]
        names = names_of_takes(client, [*takes, *(one.take for one in found.left_out)])
        return found.named(names).page(width)

    hand_over(found, output, as_json=as_json, page=page)


def _wanted(differences: tuple[str, ...]) -> dict[str, float] | None:
    wanted = {}
    for typed in differences:
        key, _, size = (part.strip() for part in typed.partition("="))
        try:
            wanted[key] = parse_number(key, size)
        except BadDescription as error:
            raise click.UsageError(f"--difference {typed}: {error}") from error
        if not key or wanted[key] <= 0:
            raise click.UsageError(f"--difference {typed}: write a quantity and a size above 0, such as rms_dbfs=1")
    return wanted or None
