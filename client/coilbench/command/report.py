"""`coilbench report`: what a session found, as one file for people."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.command.answer import confidence_option, quantities_option
from coilbench.command.connection import Connection, connection_options
from coilbench.command.options import saved_as
from coilbench.report_calls import FORMS


@click.command(short_help="What a session found, as one file to read, print or hand over.")
@connection_options
@click.option("--session", required=True, metavar="KEY", help="The session, as its takes name it.")
@click.option(
    "--baseline",
    metavar="KEY",
    help="Pickup that the others are held against. [the session's reference, else the one with the most takes]",
)
@quantities_option
@confidence_option
@click.option(
    "-o",
    "--output",
    required=True,
    type=click.Path(dir_okay=False, path_type=Path),
    callback=saved_as(FORMS, "a report"),
    metavar="NAME",
    help=f"Save the report; the extension picks the form: {', '.join(FORMS)}.",
)
@click.pass_obj
def report(
    connection: Connection,
    session: str,
    baseline: str | None,
    quantities: list[str] | None,
    confidence: float,
    output: Path,
) -> None:
    """Save the report of a session: what was found in words, figures, pictures, conditions and definitions.

    An .html file is complete in itself and works offline; .pdf is made for A4; .json has what both rest on. A sheet of
    the session may name a pickup as its `reference` and say its `question`: `coilbench session set KEY question=...`
    """
    connection.client().report(session, output, baseline=baseline, quantities=quantities, confidence=confidence)
    click.echo(f"{output}: the report on {session}", err=True)
