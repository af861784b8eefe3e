"""`coilbench chart`: a picture of takes, pickups, a comparison, data sheets or a coil, saved or told in words."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from coilbench.chart import FORMS, SCALE, ChartKind
from coilbench.client import Client
from coilbench.command.answer import listed, quantities_option, session_option, show_page
from coilbench.command.coil import COIL, LOAD
from coilbench.command.connection import Connection, connection_options
from coilbench.command.headline import screen
from coilbench.command.naming import names_of_takes
from coilbench.command.options import Finite, saved_as
from coilbench.filters import may_be_id
from coilbench.page import INDENT, Page

TAKES = ("take_id", "take")
"""Names under which only takes go, by id."""
NAMES_OF_OPTIONS = {"quantities": "quantity", "fields": "field"}
MOST_NAMED = 12


def _circuit_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for name, says in reversed((COIL | LOAD).items()):
        text = f"Response: {says[0].lower()}{says[1:]}"
        command = click.option(f"--{name.replace('_', '-')}", name, type=Finite(), metavar="NUMBER", help=text)(command)
    return command


@click.command(short_help="A picture of takes, pickups, a comparison, data sheets or a coil.")
@connection_options
@click.argument("name", required=False, metavar="[NAME]")
@click.argument("subjects", nargs=-1, metavar="[SUBJECT]...")
@session_option
@click.option("--baseline", metavar="KEY", help="Intervals: what the others are held against. [the first SUBJECT]")
@click.option("--beside", metavar="KEY", help="Response: another pickup, by its sheet. [the second SUBJECT]")
@quantities_option
@click.option("--fields", callback=listed, metavar="A,B", help="Specification: these numbers of the data sheets.")
@click.option("--confidence", type=click.FloatRange(0.5, 0.999), help="Of the intervals. [0.95]")
@_circuit_options
@click.option(
    "--scale",
    type=click.FloatRange(0.5, 4.0),
    default=SCALE,
    show_default=True,
    help="Of .png: pixels for each px of the .svg.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    callback=saved_as(FORMS, "a chart"),
    metavar="NAME",
    help=f"Save the chart; the extension picks the form: {', '.join(FORMS)}.",
)
@click.option("--json", "as_json", is_flag=True, help="For programs: the chart's own document as one JSON object.")
@click.pass_obj
def chart(
    connection: Connection,
    /,
    name: str | None,
    subjects: tuple[str, ...],
    session: str | None,
    scale: float,
    output: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Draw the chart NAME of each SUBJECT: keys of pickups, or ids of takes. Without NAME, list the charts.

    \b
        coilbench chart waveform harbour-neck -o take.svg
        coilbench chart bands harbour-neck mill-bridge -o bands.png
        coilbench chart intervals harbour-neck -o differences.svg
        coilbench chart response harbour-neck --cable-pf 470 -o coil.svg

    Without -o, says in words what the chart shows, with its figures. A chart of takes may name a pickup: of one take
    where the pickup has a single one, and side by side all of them.
    """  # noqa: D301 click reads a backspace
    client = connection.client()
    kinds = client.charts()
    if name is None:
        show_page(_listed_page(kinds, screen().width), screen())
        return
    asked: dict[str, Any] = {
        NAMES_OF_OPTIONS.get(option, option): value for option, value in options.items() if value is not None
    }
    kind = _kind(client, kinds, name, subjects)
    asked |= _placed(client, kind, [one for one in kind.subjects if one not in asked], subjects, session)
    if session is not None and not set(kind.subjects) & set(TAKES):
        asked["session"] = session
    _require_known(kind, asked)
    found = client.draw(kind, asked)
    if output is not None:
        found.save(output, scale)
        click.echo(f"{output}: {found.title}", err=True)
    if as_json:
        click.echo(json.dumps(dict(found.document), ensure_ascii=False))
    elif output is None:
        show_page(found.page(screen().width), screen())


def _kind(client: Client, kinds: Sequence[ChartKind], name: str, subjects: Sequence[str]) -> ChartKind:
    """The kind of that name: where one take and several pickups have one, that of the take only for a single take."""
    called = [kind for kind in kinds if kind.name == name]
    if not called:
        names = ", ".join(dict.fromkeys(kind.name for kind in kinds))
        raise click.UsageError(f"there is no chart {name!r}; there are {names}")
    of_several = [kind for kind in called if not kind.of_one_take]
    if len(called) == 1 or not of_several:
        return called[0]
    single = len(subjects) == 1 and bool(_takes(client, id=subjects[0]))
    return next(kind for kind in called if kind.of_one_take is single)


def _placed(
    client: Client, kind: ChartKind, places: list[str], subjects: Sequence[str], session: str | None
) -> dict[str, Any]:
    """The subjects by the names under which they go."""
    wanted = list(subjects)
    if places and places[0] in TAKES:
        wanted = [id for one in subjects for id in _ids(client, one, session)]
        if places[0] == "take_id" and len(wanted) > 1:
            raise click.UsageError(_one_of(client, kind, wanted))
    if not wanted:
        missing = [one.name for one in kind.asks if one.required and one.name in places]
        if missing:
            raise click.UsageError(f"the chart {kind.name} wants a SUBJECT: {_says(kind, missing[0])}")
        return {}
    repeated = {one.name for one in kind.asks if one.repeated}
    found: dict[str, Any] = {}
    for number, place in enumerate(places):
        if place in repeated and number == len(places) - 1:
            found |= {place: wanted} if wanted else {}
            wanted = []
        elif wanted:
            found[place] = wanted.pop(0)
    if wanted:
        raise click.UsageError(f"the chart {kind.name} takes {len(places)} at most; {wanted[0]} is one too many")
    return found


def _ids(client: Client, subject: str, session: str | None) -> list[str]:
    """Ids of takes: the one of this id, or those of the pickup; as it is where nothing is known of it."""
    if _takes(client, id=subject):
        return [subject]
    filters = {"pickup": subject, "state": "measured", **({"session": session} if session is not None else {})}
    return _takes(client, **filters) or [subject]


def _takes(client: Client, **filters: Any) -> list[str]:
    if "id" in filters and not may_be_id(filters["id"]):
        return []
    return [take.id for take in client.takes(**filters)]


def _one_of(client: Client, kind: ChartKind, ids: Sequence[str]) -> str:
    names = names_of_takes(client, ids)
    lines = [f"{INDENT}{id}  {names[id]}" for id in ids[:MOST_NAMED]]
    if len(ids) > MOST_NAMED:
        lines.append(f"{INDENT}and {len(ids) - MOST_NAMED} more")
    return "\n".join([f"the chart {kind.name} shows one take; name one of these:", *lines])


def _require_known(kind: ChartKind, asked: dict[str, Any]) -> None:
    known = {one.name for one in kind.asks}
    unknown = [name for name in asked if name not in known]
    if unknown:
        option = next((option for option, sent in NAMES_OF_OPTIONS.items() if sent == unknown[0]), unknown[0])
        raise click.UsageError(f"the chart {kind.name} is not asked with --{option.replace('_', '-')}")


def _says(kind: ChartKind, name: str) -> str:
    return next(f"{one.says[0].lower()}{one.says[1:]}" for one in kind.asks if one.name == name)


def _listed_page(kinds: Sequence[ChartKind], width: int) -> Page:
    page = Page(width)
    for heading, of_one in (("Of one take", True), ("Of several, or of none", False)):
        page.heading(heading)
        page.columns([(INDENT + kind.name, kind.shows) for kind in kinds if kind.of_one_take is of_one])
    return page
