"""`coilbench send`: recordings to the service, and the table back."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import click
from rich.table import Table as Grid
from rich.text import Text

from coilbench.client import Client
from coilbench.command.connection import Connection, connection_options
from coilbench.command.exits import FAILED, MEASURED, Interrupted
from coilbench.command.findings import said, say_unusable, show_checks, show_problems
from coilbench.command.headline import screen, show
from coilbench.command.options import json_option, output_option, per_option
from coilbench.command.table import save
from coilbench.description import parse_setting
from coilbench.errors import BadDescription, CoilbenchError, NothingToSend, Refused
from coilbench.manifest import Manifest, read_manifest
from coilbench.parcels import Packing, Parcel, pack
from coilbench.selection import Selection, select
from coilbench.sent import Sent
from coilbench.table import Table
from coilbench.take import Take

USUAL_MANIFEST = "takes.csv"
NAMES_SHOWN = 8
WORDS = {
    "sent": "sent",
    "already-there": "same bytes, skipped",
    "failed": "not sent",
    "would-send": "would be sent",
}


class BadUsage(click.ClickException):
    """What was asked for can't be done as it stands; nothing was sent."""

    exit_code = 2


@click.command(short_help="Send sound files to be measured, and have the table back.")
@connection_options
@click.argument("paths", nargs=-1, metavar="[FOLDER|FILE]...")
@click.option(
    "--manifest",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help=f"CSV with a column `file` and what is known about each. [{USUAL_MANIFEST} in the folder]",
)
@click.option("--set", "settings", multiple=True, metavar="NAME=VALUE", help="Describe all of them; repeatable.")
@click.option("--wait", is_flag=True, help="Wait until all are measured, then show the table.")
@per_option
@output_option
@click.option("--dry-run", is_flag=True, help="Only say what would be sent.")
@json_option
@click.pass_obj
def send(
    connection: Connection,
    paths: tuple[str, ...],
    manifest: Path | None,
    settings: tuple[str, ...],
    wait: bool,
    per: Literal["take", "strum"],
    output: Path | None,
    dry_run: bool,
    as_json: bool,
) -> int:
    """Send the sound files (wav, rf64, flac, aif, aiff) of folders, or single files, to be measured.

    What is there already, same bytes and same description, is not sent again: after an interruption give the same
    command once more. A takes.csv in the folder describes the takes: column `file` and any of label, session, pickup,
    chain, guitar, position, strings, tuning, pick, player, input_gain_db, battery_v, cable, expected_strums, channel,
    notes, tags; where it has a value, it goes before --set.

    -o waits for the measurements, as --wait does. Exits with 1 when something could not be sent or measured. A take
    that was measured and can't carry a comparison (clipped, for instance) counts as measured: the last line names it.
    """
    if dry_run and (wait or output):
        raise click.UsageError("--dry-run measures nothing: leave out --wait and -o")
    try:
        packing = _packing(paths, manifest, settings, output)
    except (BadDescription, NothingToSend) as error:
        raise BadUsage(str(error)) from error
    client = connection.client()
    results, broken_off = _send(client, packing.parcels, dry_run=dry_run)
    takes: list[Take] = []
    found: Table | None = None
    if (wait or output) and broken_off is None:
        with _saying_how_to_go_on(results, packing.parcels):
            takes = client.wait(results, progress=True)
            found = client.table_of(takes, per) if takes else None
    if found is not None and output is not None:
        save(found, output)
    latest = {take.id: take for take in takes} or {sent.take.id: sent.take for sent in results if sent.take}
    if as_json:
        _print_json(results, latest, found)
    else:
        _print(results, latest, found, client)
    if broken_off is not None:
        missing = len(packing.parcels) - len(results)
        click.echo(f"coilbench: {broken_off}", err=True)
        files_are = "1 file is" if missing == 1 else f"{missing} files are"
        click.echo(f"{files_are} not sent. Give the same command again and it goes on there.", err=True)
    bad = any(sent.outcome == "failed" for sent in results) or broken_off is not None
    return FAILED if bad or any(take.state in ("rejected", "failed") for take in latest.values()) else MEASURED


def _packing(paths: Sequence[str], manifest: Path | None, settings: Sequence[str], output: Path | None) -> Packing:
    if not paths and manifest is None:
        raise NothingToSend("Name a folder, files, or a --manifest to send.")
    about: dict[str, Any] = dict(parse_setting(setting) for setting in settings)
    selection = select(paths) if paths else None
    manifests = _manifests(paths, manifest)
    packing = pack(selection, manifests, about)
    _say_what_is_odd(selection, manifests, packing, output)
    if not packing.parcels:
        raise NothingToSend(f"There is no sound file (wav, rf64, flac, aif, aiff) in {', '.join(paths)}.")
    return packing


def _manifests(paths: Sequence[str], manifest: Path | None) -> list[Manifest]:
    if manifest is not None:
        return [read_manifest(manifest)]
    usual = [Path(path) / USUAL_MANIFEST for path in paths if (Path(path) / USUAL_MANIFEST).is_file()]
    for path in usual:
        click.echo(f"Descriptions come from {path}.", err=True)
    return [read_manifest(path) for path in usual]


def _say_what_is_odd(
    selection: Selection | None, manifests: Sequence[Manifest], packing: Packing, output: Path | None
) -> None:
    own = {manifest.path.resolve() for manifest in manifests} | ({output.resolve()} if output else set())
    passed_over = [path for path in selection.passed_over if path.resolve() not in own] if selection else []
    _say("Passed over, no sound files:", passed_over)
    _say("Without a line in the manifest:", packing.undescribed)
    _say("In the manifest, but not asked for:", packing.unselected)


def _say(words: str, paths: Sequence[Path]) -> None:
    if paths:
        names = [f"{path.name}/" if path.is_dir() else path.name for path in paths[:NAMES_SHOWN]]
        more = f" and {len(paths) - NAMES_SHOWN} more" if len(paths) > NAMES_SHOWN else ""
        click.echo(f"{words} {', '.join(names)}{more}", err=True)


def _send(client: Client, parcels: Sequence[Parcel], *, dry_run: bool) -> tuple[list[Sent], CoilbenchError | None]:
    results: list[Sent] = []
    with _saying_how_to_go_on(results, parcels):
        try:
            for sent in client.sending(parcels, progress=True, dry_run=dry_run):
                results.append(sent)
        except CoilbenchError as error:
            if not results:
                raise
            return results, error
    return results, None


@contextmanager
def _saying_how_to_go_on(results: Sequence[Sent], parcels: Sequence[Parcel]) -> Iterator[None]:
    try:
        yield
    except KeyboardInterrupt:
        there = sum(sent.take is not None for sent in results)
        raise Interrupted(
            f"Stopped. {there} of {len(parcels)} files are with the service and are measured without us; "
            f"give the same command again and it goes on where it stopped."
        ) from None


def _print(results: Sequence[Sent], latest: Mapping[str, Take], found: Table | None, client: Client) -> None:
    console = screen()
    counts: Counter[str] = Counter(sent.outcome for sent in results)
    if found is None:
        grid = Grid(box=None, padding=(0, 2, 0, 0), pad_edge=False, show_header=False)
        for sent in results:
            take = latest.get(sent.take.id) if sent.take else None
            grid.add_row(
                Text(sent.file.name),
                Text(WORDS[sent.outcome]),
                Text(take.state if take else ""),
                take.id if take else "",
            )
        console.print(grid)
    else:
        show(found, console)
        show_checks(found, client, console)
    show_problems(latest.values(), console)
    for sent in results:
        if sent.error is not None:
            console.print(Text(f"not sent  {sent.file.name}", style="bold"))
            for line in said(sent.error) if isinstance(sent.error, Refused) else [str(sent.error)]:
                console.print(Text(f"    {line}"))
    click.echo(", ".join(f"{counts[outcome]} {words}" for outcome, words in WORDS.items() if counts[outcome]), err=True)
    if found is not None:
        say_unusable(found)
    if found is None and any(not take.final for take in latest.values()):
        click.echo("`coilbench status` says how far they are, `coilbench table` shows the figures.", err=True)


def _print_json(results: Sequence[Sent], latest: Mapping[str, Take], found: Table | None) -> None:
    rows: dict[str, list[dict[str, Any]]] = {}
    for row in found.rows if found is not None else ():
        rows.setdefault(str(row["take"]), []).append(dict(row))
    for sent in results:
        document = sent.document()
        if sent.take is not None:
            document["take"] = latest[sent.take.id].document()
            if found is not None:
                document["rows"] = rows.get(sent.take.id, [])
        click.echo(json.dumps(document, ensure_ascii=False))
