"""`coilbench choose` and `coilbench words`: which pickup suits a wish, and what the words of wishes mean."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from coilbench.choice import DIRECTIONS, Word, wish_of
from coilbench.command.answer import answer_json_option, hand_over, listed, session_option, show_page
from coilbench.command.connection import Connection, connection_options
from coilbench.command.headline import screen
from coilbench.command.naming import names_of_takes
from coilbench.command.options import json_option, output_option
from coilbench.description import parse_number
from coilbench.errors import BadDescription
from coilbench.page import Page


@click.command(short_help="Which pickup comes closest to a wish, and by how much it misses.")
@connection_options
@click.argument("reference", metavar="REFERENCE")
@click.argument("wishes", nargs=-1, required=True, metavar="WISH...")
@click.option("--among", callback=listed, metavar="K,K", help="Only these pickups. [all with measured takes]")
@session_option
@click.option(
    "--load",
    "loads",
    multiple=True,
    metavar="NAME=VALUE",
    help="What the pickup works into, for the advice: volume_pot_ohm, tone_pot_ohm, input_ohm, cable_pf; repeatable. "
    "[of the sheet, or the usual]",
)
@output_option
@answer_json_option
@click.pass_obj
def choose(
    connection: Connection,
    reference: str,
    wishes: tuple[str, ...],
    among: list[str] | None,
    session: str | None,
    loads: tuple[str, ...],
    output: Path | None,
    as_json: bool,
) -> None:
    """List pickups by how close they come to a wish, from the pickup REFERENCE, which the player knows.

    A WISH is a word (`bright`; `coilbench words` lists them), a word with an amount (`hot=4`), or a quantity with a
    change in its own unit, or more, less or same: `treble_db=+2`, `bass_db=same`, `sustain_20_s=more`.
    """
    try:
        wish = wish_of(wishes)
        load = dict(_loaded(one) for one in loads)
    except BadDescription as error:
        raise click.UsageError(str(error)) from error
    client = connection.client()
    found = client.choose(reference, wish, among, session, load or None)

    def page(width: int) -> Page:
        return found.named(names_of_takes(client, [one.take for one in found.left_out])).page(width)

    hand_over(found, output, as_json=as_json, page=page)


def _loaded(typed: str) -> tuple[str, float]:
    name, _, value = (part.strip() for part in typed.partition("="))
    return name, parse_number(name, value)


@click.group(invoke_without_command=True, short_help="The words that wishes may use, and what they mean.")
@connection_options
@json_option
@click.pass_context
def words(context: click.Context, as_json: bool) -> None:
    """List the words that wishes may use, and what each means; `set` and `reset` change them."""
    if context.invoked_subcommand is not None:
        return
    connection: Connection = context.obj
    found = connection.client().words()
    if as_json:
        for one in found:
            _print_json(one)
    else:
        _print(found)


@words.command("set", short_help="Say what a word means.")
@connection_options
@click.argument("word")
@click.argument("meaning", nargs=-1, required=True, metavar="QUANTITY DIRECTION [AMOUNT]...")
@click.option("--says", metavar="TEXT", help="The same for people.")
@json_option
@click.pass_obj
def set_word(connection: Connection, word: str, meaning: tuple[str, ...], says: str | None, as_json: bool) -> None:
    """Say what WORD means: more, less or same of a quantity, and by how much; several one after the other.

    \b
        coilbench words set glassy treble_db more 2 bass_db less
    """  # noqa: D301 click reads a backspace
    made = connection.client().set_word(word, _items(meaning), says)
    if as_json:
        _print_json(made)
    else:
        click.echo(f"{made.word}: {_meaning(made)}.", err=True)


@words.command("reset", short_help="Forget what was said of a word.")
@connection_options
@click.argument("word")
@click.pass_obj
def reset_word(connection: Connection, word: str) -> None:
    """Forget what was said of WORD; one that came with the program means again what it meant at first."""
    connection.client().reset_word(word)
    click.echo(f"What was said of {word!r} is forgotten.", err=True)


def _items(meaning: Sequence[str]) -> list[dict[str, Any]]:
    """Quantity, direction and amount, one after the other; raises click.UsageError."""
    items: list[dict[str, Any]] = []
    left = list(meaning)
    while left:
        quantity = left.pop(0)
        if not left or left[0] not in DIRECTIONS:
            raise click.UsageError(f"after {quantity} must stand more, less or same, such as: treble_db more 2")
        item: dict[str, Any] = {"quantity": quantity, "direction": left.pop(0)}
        if left and (amount := _amount(left[0])) is not None:
            item["amount"] = amount
            left.pop(0)
        items.append(item)
    return items


def _amount(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _print(found: Sequence[Word]) -> None:
    console = screen()
    page = Page(console.width)
    rows = [[one.word, "" if not one.changed else "changed" if one.built_in else "own", _meaning(one)] for one in found]
    if not any(row[1] for row in rows):
        rows = [[row[0], row[2]] for row in rows]
    page.columns(rows)
    show_page(page, console)


def _meaning(word: Word) -> str:
    parts = [
        f"{item.quantity} {item.direction}" + ("" if item.amount is None else f" by {item.amount:g}")
        for item in word.items
    ]
    return ", ".join(parts)


def _print_json(word: Word) -> None:
    click.echo(json.dumps(dict(word.document), ensure_ascii=False))
