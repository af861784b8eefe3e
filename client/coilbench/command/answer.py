"""How the commands that ask questions hand over their answers: on the screen, in a file, for programs."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click
from rich.console import Console
from rich.text import Text

from coilbench.answer import Answer
from coilbench.command.headline import screen
from coilbench.page import Page, counted

Command = TypeVar("Command", bound=Callable[..., Any])


def hand_over(answer: Answer, output: Path | None, *, as_json: bool, page: Callable[[int], Page] | None = None) -> None:
    """Save an answer, print it for programs, or show it.

    Parameters
    ----------
    answer : of the service
    output : file to save it to, or None
    as_json : print the whole of it as one JSON object
    page : makes the text of a given width; the answer's own by default
    """
    if output is not None:
        answer.save(output)
        tables = answer.tables()
        first = len(next(iter(tables.values())))
        sheets = f" in {counted(len(tables), 'sheet')}" if output.suffix.lower() == ".xlsx" else ""
        click.echo(f"{output}: {counted(first, 'row')}{sheets}", err=True)
    if as_json:
        click.echo(json.dumps(dict(answer.document), ensure_ascii=False))
    elif output is None:
        console = screen()
        show_page((page or answer.page)(console.width), console)


def show_page(page: Page, console: Console) -> None:
    """Print a page.

    Parameters
    ----------
    page : lines that fit the width
    console : where to
    """
    for line in page:
        console.print(Text(line.text, style="bold" if line.heading else ""), soft_wrap=True)


def listed(context: click.Context, option: click.Parameter, value: str | None) -> list[str] | None:
    """The parts of `A,B`; None where nothing was given."""
    if value is None:
        return None
    parts = [part.strip() for part in value.split(",") if part.strip()]
    if not parts:
        raise click.BadParameter("write keys with commas between them, such as rms_dbfs,treble_db")
    return parts


def quantities_option(command: Command) -> Command:
    """`--quantities A,B`: which."""
    return click.option(
        "--quantities",
        callback=listed,
        metavar="A,B",
        help="These quantities, by key; `coilbench table --list-quantities` lists them. Where there are verdicts, each "
        "more makes all of them harder to reach. [the usual ones]",
    )(command)


def session_option(command: Command) -> Command:
    """`--session S`: only its takes."""
    return click.option("--session", metavar="KEY", help="Only takes of this session.")(command)


def answer_json_option(command: Command) -> Command:
    """`--json`: for programs."""
    return click.option("--json", "as_json", is_flag=True, help="For programs: all of it as one JSON object.")(command)


def confidence_option(command: Command) -> Command:
    """`--confidence`: of intervals and verdicts."""
    return click.option(
        "--confidence",
        type=click.FloatRange(0.5, 0.999),
        default=0.95,
        show_default=True,
        help="Of each interval, and of all verdicts together.",
    )(command)
