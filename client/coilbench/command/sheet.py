"""`coilbench pickup` and `coilbench session`: data sheets, one by one or as a table."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
from rich.table import Table as Grid
from rich.text import Text

from coilbench.client import Client
from coilbench.command.connection import Connection, connection_options
from coilbench.command.headline import screen
from coilbench.command.options import json_option
from coilbench.description import FIELDS
from coilbench.errors import BadDescription
from coilbench.sheet import PICKUP_FIELDS, SESSION_FIELDS, Imported, Pickup, Session, WithoutSheet
from coilbench.sheet_fields import own_names, pickup_fields, session_fields
from coilbench.table import cell_text

Sheet = Pickup | Session
SHOWN_WITHOUT_SHEET = 8
PICKUP_HELP = """Data sheets of pickups: what they are made of and sold by.

    A take names its pickup by key (`coilbench send --set pickup=KEY`), with or without a sheet. Takes inherit position,
    guitar and battery_v from it; `coilbench group` and `coilbench fit` hold its fields against what was measured.
    """
SESSION_HELP = """Sessions: takes recorded under one plan, and the conditions that they share.

    A take names its session by key (`coilbench send --set session=KEY`) and inherits what the session says (guitar,
    strings, pick, player, chain, input_gain_db, expected_strums, ...), unless it says otherwise itself.
    """


@dataclass(frozen=True)
class Kind:
    """What differs between the two kinds of sheets: words, fields, calls of the client, columns of the list."""

    name: str
    plural: str
    help: str
    example: str
    known: tuple[str, ...]
    parse: Callable[[Sequence[str]], dict[str, Any]]
    each: Callable[[Client], Iterator[Sheet]]
    without: Callable[[Client], list[WithoutSheet]]
    one: Callable[[Client, str], Sheet]
    add: Callable[..., Sheet]
    change: Callable[..., Sheet]
    remove: Callable[[Client, str], None]
    bring_in: Callable[[Client, Path], Imported]
    export: Callable[[Client, Path | None], str]
    columns: Mapping[str, Callable[[Sheet], Any]]


NOT_INHERITED = ("label", "session", "pickup", "tags")
"""Fields of a take that no session states for it."""
FOR_REPORTS = ("question", "reference")
"""Fields of a session's own that its report reads."""
PICKUPS = Kind(
    "pickup", "pickups", PICKUP_HELP, "magnet=ceramic", PICKUP_FIELDS, pickup_fields,
    Client.pickups, Client.pickups_without_sheet, Client.pickup, Client.add_pickup, Client.change_pickup,
    Client.remove_pickup, Client.import_pickups, Client.export_pickups,
    {
        "key": lambda sheet: sheet.key,
        "construction": lambda sheet: sheet.document.get("construction"),
        "kind": lambda sheet: _kind_of(sheet.document.get("active")),
        "magnet": lambda sheet: sheet.document.get("magnet"),
        "dcr\nohm": lambda sheet: sheet.document.get("dcr_ohm"),
        "rated\nmV": lambda sheet: sheet.document.get("rated_output_mv"),
        "position": lambda sheet: sheet.document.get("position"),
        "takes": lambda sheet: sheet.takes,
    },
)  # fmt: skip
SESSIONS = Kind(
    "session", "sessions", SESSION_HELP, "pick='1.0 mm'",
    tuple(dict.fromkeys((*SESSION_FIELDS, *(name for name in FIELDS if name not in NOT_INHERITED), *FOR_REPORTS))),
    session_fields,
    Client.sessions, Client.sessions_without_sheet, Client.session, Client.add_session, Client.change_session,
    Client.remove_session, Client.import_sessions, Client.export_sessions,
    {
        "key": lambda sheet: sheet.key,
        "date": lambda sheet: sheet.document.get("date"),
        "takes": lambda sheet: sheet.takes,
        "conditions": lambda sheet: _conditions(sheet.document["conditions"]),
    },
)  # fmt: skip


def group_of(kind: Kind) -> click.Group:
    """The commands of one kind of sheet.

    Parameters
    ----------
    kind : which
    """

    @click.group(kind.name, help=kind.help, short_help=kind.help.partition("\n")[0])
    @connection_options
    def group() -> None:
        pass

    @group.command("list", help=f"List the sheets of {kind.plural}, and keys of takes that have none.")
    @connection_options
    @json_option
    @click.pass_obj
    def list_sheets(connection: Connection, as_json: bool) -> None:
        client = connection.client()
        found = list(kind.each(client))
        if as_json:
            for one in found:
                _print_json(one)
            return
        if found:
            _print_list(kind, found)
        else:
            click.echo(f"No sheet yet; `coilbench {kind.name} add KEY` or `import FILE.csv` makes some.", err=True)
        bare = kind.without(client)
        if bare:
            shown = ", ".join(f"{one.key} ({_takes(one.takes)})" for one in bare[:SHOWN_WITHOUT_SHEET])
            more = f" and {len(bare) - SHOWN_WITHOUT_SHEET} more" if len(bare) > SHOWN_WITHOUT_SHEET else ""
            click.echo(f"Without a sheet: {shown}{more}.", err=True)

    @group.command(help=f"Show the sheet of a {kind.name}.")
    @connection_options
    @click.argument("sheet_key", metavar="KEY")
    @json_option
    @click.pass_obj
    def show(connection: Connection, sheet_key: str, as_json: bool) -> None:
        found = kind.one(connection.client(), sheet_key)
        if as_json:
            _print_json(found)
        else:
            _print_sheet(found)

    @group.command(
        help=f"Make the sheet of a {kind.name}. KEY is the short text by which takes name it. Fields: "
        f"{', '.join(kind.known)}; any other name is a field of your own."
        + (" A condition of your own is conditions.NAME." if kind is SESSIONS else ""),
        short_help=f"Make the sheet of a {kind.name}.",
    )
    @connection_options
    @click.argument("sheet_key", metavar="KEY")
    @click.option(
        "--set", "settings", multiple=True, metavar="NAME=VALUE", help=f"A field, such as {kind.example}; repeatable."
    )
    @json_option
    @click.pass_obj
    def add(connection: Connection, sheet_key: str, settings: tuple[str, ...], as_json: bool) -> None:
        fields = _fields(kind, settings)
        made = kind.add(connection.client(), sheet_key, **fields)
        _done(made, f"The sheet of {kind.name} {made.key} is there.", as_json=as_json)

    @group.command("set", help=f"Change fields in the sheet of a {kind.name}; NAME= with nothing after it removes one.")
    @connection_options
    @click.argument("sheet_key", metavar="KEY")
    @click.argument("settings", nargs=-1, required=True, metavar="NAME=VALUE...")
    @json_option
    @click.pass_obj
    def set_fields(connection: Connection, sheet_key: str, settings: tuple[str, ...], as_json: bool) -> None:
        fields = _fields(kind, settings)
        changed = kind.change(connection.client(), sheet_key, **fields)
        _done(changed, f"The sheet of {kind.name} {changed.key} is changed.", as_json=as_json)

    @group.command(help=f"Delete the sheet of a {kind.name}; its takes stay.")
    @connection_options
    @click.argument("sheet_key", metavar="KEY")
    @click.pass_obj
    def remove(connection: Connection, sheet_key: str) -> None:
        kind.remove(connection.client(), sheet_key)
        click.echo(f"The sheet of {kind.name} {sheet_key} is deleted.", err=True)

    @group.command(
        "import",
        help=f"Make and change sheets of {kind.plural} from a table: all rows or none. FILE is CSV with a column `key` "
        "and any of the fields. An empty cell removes what was there; a field without a column stays.",
        short_help=f"Make and change sheets of {kind.plural} from a table.",
    )
    @connection_options
    @click.argument("file", metavar="FILE.csv", type=click.Path(exists=True, dir_okay=False, path_type=Path))
    @json_option
    @click.pass_obj
    def bring_in(connection: Connection, file: Path, as_json: bool) -> None:
        done = kind.bring_in(connection.client(), file)
        if as_json:
            click.echo(json.dumps(vars(done)))
            return
        again = f"; {_takes(done.measured_again)} measured again" if done.measured_again else ""
        click.echo(f"{done.made} made, {done.changed} changed, {done.unchanged} unchanged{again}.")

    @group.command(
        help=f"Write all sheets of {kind.plural} as CSV, to be edited and imported again.",
        short_help=f"Write all sheets of {kind.plural} as CSV.",
    )
    @connection_options
    @click.option("-o", "--output", metavar="FILE.csv", type=click.Path(dir_okay=False, path_type=Path),
                  callback=_csv_path, help="Write there; without it, to the screen.")  # fmt: skip
    @click.pass_obj
    def export(connection: Connection, output: Path | None) -> None:
        text = kind.export(connection.client(), output)
        if output is None:
            click.echo(text.encode(), nl=False)  # bytes: its ends of lines are part of the table
        else:
            click.echo(f"{output}: the sheets of all {kind.plural}.", err=True)

    return group


def _csv_path(context: click.Context, option: click.Parameter, value: Path | None) -> Path | None:
    if value is not None and value.suffix.lower() != ".csv":
        raise click.BadParameter(f"{value}: sheets are written as .csv")
    if value is not None and not value.parent.is_dir():
        raise click.BadParameter(f"there is no folder {value.parent}")
    return value


def _fields(kind: Kind, settings: Sequence[str]) -> dict[str, Any]:
    try:
        fields = kind.parse(settings)
    except BadDescription as error:
        raise click.UsageError(str(error)) from error
    own = own_names((name for name in fields if name != "conditions" and fields[name] is not None), kind.known)
    if own:
        click.echo(f"Kept as fields of your own: {', '.join(own)}.", err=True)
    return fields


def _done(sheet: Sheet, sentence: str, *, as_json: bool) -> None:
    if as_json:
        _print_json(sheet)
    else:
        click.echo(sentence, err=True)


def _print_json(sheet: Sheet) -> None:
    click.echo(json.dumps(dict(sheet.document), ensure_ascii=False))


def _print_list(kind: Kind, found: Sequence[Sheet]) -> None:
    grid = Grid(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    cells = {head: [_cell(value(one)) for one in found] for head, value in kind.columns.items()}
    shown = [head for head in cells if head in ("key", "takes") or any(cells[head])]
    for head in shown:
        grid.add_column(head, justify="right" if "\n" in head or head == "takes" else "left", vertical="bottom")
    for row in zip(*(cells[head] for head in shown), strict=True):
        grid.add_row(*map(Text, row))
    screen().print(grid)


def _print_sheet(found: Sheet) -> None:
    console = screen()
    console.print(Text(" ".join(part for part in (found.key, found.name) if part), style="bold"))
    grid = Grid(box=None, padding=(0, 2, 0, 0), pad_edge=False, show_header=False)
    grid.add_column(no_wrap=True)
    grid.add_column()
    fields = found.document
    known = PICKUP_FIELDS if isinstance(found, Pickup) else SESSION_FIELDS
    rows = {name: fields.get(name) for name in known if name not in ("name", "notes")}
    conditions = dict(fields.get("conditions") or {})
    own = conditions.pop("extra", None) or {}
    rows |= conditions
    rows |= {f"conditions.{name}": value for name, value in own.items()}
    rows |= found.extra
    for name, value in rows.items():
        if value is not None:
            grid.add_row(Text(name), Text(_cell(value)))
    grid.add_row("takes", f"{found.takes}, {found.measured_takes} of them measured")
    console.print(grid)
    if found.notes:
        console.print(Text(found.notes))


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, dict) else cell_text(value)


def _conditions(conditions: Mapping[str, Any]) -> str:
    said = {**conditions, **(conditions.get("extra") or {})}
    said.pop("extra", None)
    return ", ".join(f"{name} {_cell(value)}" for name, value in said.items() if value is not None)


def _kind_of(active: bool | None) -> str:
    return "" if active is None else "active" if active else "passive"


def _takes(number: int) -> str:
    return "1 take" if number == 1 else f"{number} takes"


pickup = group_of(PICKUPS)
session = group_of(SESSIONS)
