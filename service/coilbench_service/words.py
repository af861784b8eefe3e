"""Words that wishes may use: those that came with the program, as changed here, and words of one's own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from difflib import get_close_matches
from typing import Annotated, Any, Literal
from urllib.parse import quote

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, field_validator
from sqlalchemy import Connection

from coilbench_service import problem_kinds as kinds
from coilbench_service.problems import Problem
from coilbench_worker.compare.columns import columns
from coilbench_worker.compare.ear import audible, ear_step
from coilbench_worker.compare.words import BASIS, WORDS, WordItem
from coilbench_worker.store import words

MOST_CHARACTERS = 40
"""Of a word: longer ones are sentences."""
WORD_PATTERN = rf"^[^\W\d_](?:\w|-){{0,{MOST_CHARACTERS - 1}}}$"
"""A letter, then letters, digits and hyphens: nothing that would have to be quoted where a wish is typed."""
MOST_ITEMS = 8
"""Things that one word asks for."""
NEAREST = 3
"""Names shown for one that is not known."""

Says = Annotated[str, StringConstraints(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$")]


class ItemOfWord(BaseModel):
    """One thing that a word asks for."""

    model_config = ConfigDict(extra="forbid", strict=True)

    quantity: str = Field(description="Flat key of a quantity, such as treble_db or octave_db_4000")
    direction: Literal["more", "less", "same"] = Field(description="Which way the quantity should go")
    amount: float | None = Field(
        None,
        gt=0,
        le=1e6,
        description="How much, in the unit of the quantity; null: by a step that an ear can tell, or more",
    )

    @field_validator("quantity")
    @classmethod
    def _audible(cls, quantity: str) -> str:
        if (fault := fault_of_quantity(quantity)) is not None:
            raise ValueError(fault)
        return quantity


class WordMeaning(BaseModel):
    """What a word asks for."""

    model_config = ConfigDict(extra="forbid", strict=True)

    items: list[ItemOfWord] = Field(min_length=1, max_length=MOST_ITEMS, description="All of it is asked for")
    says: Says | None = Field(None, description="The same for people")

    @field_validator("items")
    @classmethod
    def _no_contradiction(cls, items: list[ItemOfWord]) -> list[ItemOfWord]:
        names = [item.quantity for item in items]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"names {name} twice")
        for item in items:
            if item.direction == "same" and item.amount is not None:
                raise ValueError(f"{item.quantity}: the same has no amount")
        return items


@dataclass(frozen=True)
class Meaning:
    """A word with what it asks for now; `updated` and `basis` say since when it was changed, or whose word it is."""

    word: str
    items: tuple[WordItem, ...]
    says: str
    built_in: bool
    changed: bool
    basis: str | None
    updated: datetime | None


def meanings(connection: Connection) -> dict[str, Meaning]:
    """Every word that a wish may use, in the order of letters."""
    put = words.by_word(connection)
    found = {word: _built_in(word) for word in WORDS if word not in put}
    found |= {word: _put(record) for word, record in put.items()}
    return dict(sorted(found.items()))


def meaning(connection: Connection, word: str) -> Meaning:
    """What a word asks for.

    Raises
    ------
    Problem : word-unknown
    """
    key = spelled(word)
    if (record := words.get(connection, key)) is not None:
        return _put(record)
    if key in WORDS:
        return _built_in(key)
    near = nearest(key, meanings(connection))
    detail = f"There is no word {word!r:.100}." + (f" Near it: {', '.join(near)}." if near else "")
    raise Problem(kinds.WORD_UNKNOWN, detail)


def put(connection: Connection, word: str, asked: WordMeaning) -> tuple[Meaning, bool]:
    """Say what a word asks for; also whether there was no such word before."""
    key = spelled(word)
    items = [item.model_dump() for item in asked.items]
    record, new = words.put(connection, key, items, asked.says)
    return _put(record), new and key not in WORDS


def forget(connection: Connection, word: str) -> None:
    """Forget what was said of a word; one that came with the program means again what it meant at first.

    Raises
    ------
    Problem : word-unknown
    """
    meaning(connection, word)
    words.remove(connection, spelled(word))


def spelled(word: str) -> str:
    """The word as it is kept: Bright is bright."""
    return word.strip().casefold()


def fault_of_quantity(quantity: str) -> str | None:
    """What is wrong with a flat key as something to wish for, in words; None when it can be wished for."""
    known = columns()
    if quantity not in known:
        if parts := [key for key, column in known.items() if column.quantity.key == quantity]:
            return f"has parts: ask for one of them, such as {parts[len(parts) // 2]}"
        near = nearest(quantity, audible())
        lead = f"near it: {', '.join(near)}" if near else "GET /v1/quantities lists them"
        return f"{quantity!r:.80} is no quantity; {lead}"
    if ear_step(quantity) is None:
        instead = {"rms_mv": "rms_dbfs", "peak_mv": "peak_dbfs"}.get(quantity)
        return "can't be wished for" + (f": ask for {instead}" if instead else ": no ear has a step of it")
    return None


def nearest(name: str, known: Iterable[str]) -> list[str]:
    """Names that look like one that is not known."""
    return get_close_matches(name, list(known), NEAREST)


def word_path(word: str) -> str:
    """Address of a word."""
    return f"/v1/words/{quote(word, safe='')}"


def _built_in(word: str) -> Meaning:
    known = WORDS[word]
    return Meaning(word, known.items, known.says, built_in=True, changed=False, basis=BASIS, updated=None)


def _put(record: words.WordRecord) -> Meaning:
    items = tuple(_item(item) for item in record.items if item["quantity"] in columns())
    return Meaning(
        record.word, items, record.says or "", record.word in WORDS, changed=True, basis=None, updated=record.updated
    )


def _item(document: Mapping[str, Any]) -> WordItem:
    return WordItem(document["quantity"], document["direction"], document.get("amount"))
