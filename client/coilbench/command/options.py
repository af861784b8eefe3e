"""Options that several commands share."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import click

from coilbench.errors import UnknownFormat
from coilbench.extension import form_for
from coilbench.filters import TakeFilters
from coilbench.table_files import WRITERS

Command = TypeVar("Command", bound=Callable[..., Any])


class Finite(click.types.FloatParamType):
    """A number; neither nan nor inf, which float() would read."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number, or BadParameter."""
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is no number that can be measured; write one such as 12.5", param, ctx)
        return number


def saved_as(forms: Mapping[str, object], what: str) -> Callable[[click.Context, click.Parameter, Path | None], Any]:
    """A callback of `-o`: the path, or BadParameter where its extension is none of the forms or its folder is missing.

    Parameters
    ----------
    forms : by extension
    what : is saved, such as `a table`
    """

    def checked(context: click.Context, option: click.Parameter, value: Path | None) -> Path | None:
        if value is None:
            return None
        try:
            form_for(value, forms, what)
        except UnknownFormat as error:
            raise click.BadParameter(str(error)) from error
        if not value.parent.is_dir():
            raise click.BadParameter(f"there is no folder {value.parent}")
        return value

    return checked


def _moment(context: click.Context, option: click.Parameter, value: str | None) -> datetime | None:
    if value is None:
        return None
    try:
        moment = datetime.fromisoformat(value)
    except ValueError as error:
        raise click.BadParameter(f"{value!r} is no date; write 2030-05-17 or 2030-05-17T14:30") from error
    return moment.astimezone(UTC)


def output_option(command: Command) -> Command:
    """`-o NAME`: where the table goes; the extension picks the format."""
    return click.option(
        "-o",
        "--output",
        type=click.Path(dir_okay=False, path_type=Path),
        callback=saved_as(WRITERS, "a table"),
        metavar="NAME",
        help=f"Save the table; the extension picks the format: {', '.join(WRITERS)}.",
    )(command)


def per_option(command: Command) -> Command:
    """`--per take|strum`: what a row of the table is."""
    return click.option(
        "--per",
        type=click.Choice(["take", "strum"]),
        default="take",
        show_default=True,
        help="One row for each take, or for each strum.",
    )(command)


def json_option(command: Command) -> Command:
    """`--json`: for programs."""
    return click.option("--json", "as_json", is_flag=True, help="For programs: one JSON object a line.")(command)


def filter_options(command: Command) -> Command:
    """`--session`, `--pickup`, `--chain`, `--since`: which takes."""
    command = click.option(
        "--since", callback=_moment, metavar="DATE", help="Only takes sent from then on (local time unless it says)."
    )(command)
    command = click.option("--chain", metavar="KEY", help="Only takes recorded through this chain.")(command)
    command = click.option("--pickup", metavar="KEY", help="Only takes of this pickup.")(command)
    return click.option("--session", metavar="NAME", help="Only takes of this session.")(command)


def filters_of(session: str | None, pickup: str | None, chain: str | None, since: datetime | None) -> TakeFilters:
    """The filters given on a command line.

    Parameters
    ----------
    session, pickup, chain, since : as the options have them
    """
    return TakeFilters(session=session, pickup=pickup, chain=chain, since=since)
