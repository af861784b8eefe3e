"""`coilbench listen`: strums at one loudness, saved to be listened to one after another."""

from __future__ import annotations

import json
from pathlib import Path
from textwrap import fill

import click

from coilbench.command.answer import session_option, show_page
from coilbench.command.connection import Connection, connection_options
from coilbench.command.exits import FAILED, MEASURED
from coilbench.command.headline import screen
from coilbench.command.options import Finite
from coilbench.errors import NoCommonLevel
from coilbench.listening import CAUTION, Listening
from coilbench.page import Page, counted


@click.command(short_help="Save strums at one loudness, to be listened to one after another.")
@connection_options
@click.argument("subjects", nargs=-1, metavar="[SUBJECT]...")
@session_option
@click.option("--lufs", type=Finite(), default=-23.0, show_default=True, help="Loudness of all of them, LUFS.")
@click.option("--as-recorded", is_flag=True, help="At the levels of the recordings, which may differ by tens of dB.")
@click.option("--strums", type=click.IntRange(1), default=1, show_default=True, help="Strums of each SUBJECT.")
@click.option(
    "--folder",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("listening"),
    show_default=True,
    help="Where to: a new or an empty folder.",
)
@click.option(
    "--blind", is_flag=True, help="Name the files A, B, C in an unknown order; FOLDER-key.csv says which is which."
)
@click.option("--json", "as_json", is_flag=True, help="For programs: all of it as one JSON object.")
@click.pass_obj
def listen(
    connection: Connection,
    subjects: tuple[str, ...],
    session: str | None,
    lufs: float,
    as_recorded: bool,
    strums: int,
    folder: Path,
    blind: bool,
    as_json: bool,
) -> int:
    """Save one strum of each SUBJECT as WAV, all at one loudness: keys of pickups, or ids of takes.

    Without SUBJECT, every pickup. Each is heard by the strum whose loudness is its median. The folder gets a list and a
    playlist as well. Exits with 1 when a SUBJECT could not be given.

    Start with the volume down and raise it slowly: levels may differ by tens of dB, and loud playback harms hearing and
    loudspeakers. How loud and how long one may listen, local rules for noise say.
    """
    client = connection.client()
    try:
        found = client.listen(
            subjects or None,
            None if as_recorded else lufs,
            folder,
            strums=strums,
            blind=blind,
            session=session,
            progress=True,
        )
    except NoCommonLevel as error:
        again = "" if error.greatest_match_lufs is None else f" Give --lufs {error.greatest_match_lufs:g}."
        raise NoCommonLevel(f"{error}{again}", error.greatest_match_lufs) from error
    if as_json:
        click.echo(json.dumps(_document(found), ensure_ascii=False))
    else:
        console = screen()
        show_page(_page(found, console.width), console)
    for one in found.left_out:
        click.echo(f"{one.subject} can't be listened to: {one.reason}.", err=True)
    click.echo(fill(CAUTION, screen().width), err=True)
    return FAILED if found.left_out else MEASURED


def _page(found: Listening, width: int) -> Page:
    page = Page(width)
    level = "as recorded" if found.match_lufs is None else f"at {found.match_lufs:g} LUFS"
    page.heading(f"{counted(len(found), 'strum')} {level} in {found.folder}")
    if found.key is None:
        rows = [(one.file.name, f"{one.gain_db:+.1f} dB") for one in found]
        page.columns([("file", "gain"), *rows], right={1}, head=True)
    else:
        stems = ", ".join(one.file.stem for one in found)
        page.sentence(f"{stems}. {found.key} says which is which; look when you have listened.")
    return page


def _document(found: Listening) -> dict[str, object]:
    return {
        "folder": str(found.folder),
        "match_lufs": found.match_lufs,
        "key": None if found.key is None else str(found.key),
        "excerpts": [one.row() if found.key is None else {"file": one.file.name} for one in found],
        "left_out": [{"subject": one.subject, "reason": one.reason} for one in found.left_out],
    }
